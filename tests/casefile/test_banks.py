"""Dielectric, banks of capacitors and supplies in case files."""

import copy

import numpy as np
import pytest
import shapely
from scipy.spatial import cKDTree

from cases import mistakes_of, text_of
from returnflow_geometry.casefile.banks import spread
from returnflow_geometry.casefile.read import parse_case
from returnflow_geometry.model.board import Supply

BANK = {
    "name": "100 nF",
    "coppers": ["ground", "supply"],
    "everywhere": 6,
    "capacitance_F": 1e-7,
    "resistance_ohm": 0.02,
    "inductance_H": 5e-10,
    "mounting_H": 7e-10,
}
LOOP = {
    "name": "core",
    "role": "supply",
    "on": "L1",
    "inject": "U1.GND",
    "return": "U1.VDD",
    "current_A": 0.1,
    "frequency_Hz": 1e7,
    "tolerates_V": 0.02,
}
BOARD = {
    "format": 1,
    "title": "supply planes (invented)",
    "board": {"outline": {"rect": [0, 0, 60, 40]}, "temperature_C": 25},
    "layer": [
        {"name": "L1", "copper_um": 35, "below_mm": 0.2},
        {"name": "L2", "copper_um": 35, "below_mm": 0.1, "permittivity": 4.3, "loss_tangent": 0.01},
        {"name": "L3", "copper_um": 35},
    ],
    "copper": [
        {"name": "ground", "layer": "L2", "shape": {"rect": [0, 0, 60, 40]}},
        {"name": "supply", "layer": "L3", "shape": {"rect": [0, 0, 50, 40]}},
    ],
    "cutout": [{"name": "hole", "copper": "ground", "shape": {"circle": [25, 20], "diameter": 12}}],
    "terminal": [
        {"name": "U1.GND", "copper": "ground", "at": [40, 20], "diameter_mm": 0.4},
        {"name": "U1.VDD", "copper": "supply", "at": [41, 20], "diameter_mm": 0.4},
    ],
    "bank": [BANK],
    "loop": [LOOP],
}


def read(tables):
    return parse_case(text_of(tables))


def changed(**tables):
    return copy.deepcopy(BOARD) | tables


def test_good_case_in_si_units():
    case = read(BOARD)
    layer, loop = case.board.layers[1], case.loops[0]
    assert (layer.permittivity, layer.loss, case.board.layers[0].permittivity) == (4.3, 0.01, None)
    assert loop.role == "noisy"
    assert loop.supply == Supply(layer="L1", tolerates=0.02)
    assert [link.name for link in case.board.links] == [f"100 nF {n}" for n in range(1, 7)]
    link = case.board.links[0]
    assert (link.resistance, link.capacitance) == (0.02, 1e-7)
    assert link.inductance == pytest.approx(1.2e-9)
    assert case.board.banks[0].links == tuple(link.name for link in case.board.links)
    assert case.assumptions[-1].startswith('Loop "core": its ends are joined only through the capacitor')


def test_capacitors_everywhere_stand_evenly_where_both_coppers_are():
    board = read(changed(bank=[BANK | {"everywhere": 12}])).board
    both = shapely.intersection(board.remaining("ground"), board.remaining("supply"))
    places = [board.terminal(link.between[0]) for link in board.links]
    assert all(both.contains(place.shape) for place in places)
    points = np.array([place.centre for place in places])
    away = np.linalg.norm(points[:, None] - points, axis=2) + np.eye(len(points))
    # Each has about its part of the area: neighbours are no nearer than half the pitch of a square lattice.
    assert away.min() > 0.5 * np.sqrt(both.area / len(points))


SHAPES = {
    "plane": shapely.box(0, 0, 100, 80),
    "bent": shapely.union_all([shapely.box(0, 0, 100, 30), shapely.box(0, 0, 30, 80)]),
    "frame": shapely.box(0, 0, 100, 80) - shapely.box(20, 20, 80, 60),
    "strip": shapely.box(0, 0, 100, 4),
    "plane with pads": shapely.box(0, 0, 100, 80)
    - shapely.union_all([shapely.Point(x, y).buffer(0.4) for x in range(60, 72) for y in range(40, 60)]),
    "disc": shapely.Point(0, 0).buffer(40),
}


@pytest.mark.parametrize("many", [20, 40])
@pytest.mark.parametrize("name", SHAPES)
def test_places_are_spread_evenly_over_copper_of_any_shape(name, many):
    shape = SHAPES[name]
    places = np.array(spread(shape, many))
    assert len(places) == many
    assert shapely.contains_xy(shape, places).all()
    tree = cKDTree(places)
    neighbour = tree.query(places, k=2)[0][:, 1]
    x0, y0, x1, y1 = shape.bounds
    somewhere = np.random.default_rng(3).uniform((x0, y0), (x1, y1), (20_000, 2))
    somewhere = somewhere[shapely.contains_xy(shape, somewhere)]
    pitch = np.sqrt(shape.area / many)
    # Of a square lattice these are 1, 1 and 0.71; of places at random about 0.1, 0.1 and 1.5.
    assert neighbour.min() > 0.6 * neighbour.max()
    assert neighbour.min() > 0.6 * pitch
    assert tree.query(somewhere)[0].max() < 0.88 * pitch


def test_no_capacitor_stands_on_a_section():
    # One of them would stand on this line.
    board = read(changed(bank=[BANK | {"everywhere": 12}])).board
    x = 1e3 * board.terminal(board.links[5].between[0]).centre[0]
    section = {"name": "cut", "copper": "ground", "path": [[x, 0], [x, 40]]}
    board = read(changed(bank=[BANK | {"everywhere": 12}], section=[section])).board
    line = shapely.LineString(1e-3 * np.array(section["path"]))
    assert all(board.terminal(end).shape.distance(line) > 0.2e-3 for link in board.links for end in link.between)


def test_a_capacitor_stands_beside_its_pin():
    bank = {key: value for key, value in BANK.items() if key != "everywhere"} | {"pins": ["U1.VDD", "U1.GND"]}
    board = read(changed(bank=[bank])).board
    for link, pin in zip(board.links, ("U1.VDD", "U1.GND"), strict=True):
        contact, device = board.terminal(link.between[1]).shape, board.terminal(pin).shape
        assert 0 < contact.distance(device) < 2e-3


@pytest.mark.parametrize(
    ("tables", "message"),
    [
        ({"bank": [BANK | {"at": [[5, 5]]}]}, "at and everywhere are given together"),
        ({"bank": [BANK | {"everywhere": 0}]}, "everywhere is 0; must be a whole number from 1 to 500"),
        ({"bank": [BANK | {"everywhere": 2.5}]}, "must be a whole number"),
        ({"bank": [{k: v for k, v in BANK.items() if k != "capacitance_F"}]}, "capacitance_F is missing"),
        ({"bank": [{k: v for k, v in BANK.items() if k != "everywhere"}]}, "at is missing"),
        ({"bank": [BANK | {"coppers": ["ground", "supply", "third"]}]}, '"third"'),
        ({"loop": [{k: v for k, v in LOOP.items() if k != "tolerates_V"}]}, "tolerates_V is missing"),
        ({"loop": [LOOP | {"target_ohm": 1.0, "band_Hz": [1e5, 1e8]}]}, "are given together"),
        ({"loop": [{k: v for k, v in LOOP.items() if k != "tolerates_V"} | {"target_ohm": 1.0}]}, "band_Hz is missing"),
        ({"loop": [LOOP | {"on": "L9"}]}, '"L9"'),
        ({"loop": [LOOP | {"role": "noisy"}]}, "belongs to a loop of role"),
        ({"layer": [BOARD["layer"][0] | {"loss_tangent": 0.1}, *BOARD["layer"][1:]]}, "loss is that of a dielectric"),
        ({"layer": [BOARD["layer"][0] | {"permittivity": 0.5}, *BOARD["layer"][1:]]}, "permittivity is 0.5"),
        ({"solve": {"via_inductance": 1}}, "via_inductance is 1; must be true or false"),
    ],
)
def test_each_mistake_is_named(tables, message):
    mistakes = mistakes_of(changed(**tables))
    assert any(message in mistake for mistake in mistakes), mistakes

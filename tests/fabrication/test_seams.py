"""Pours drawn in parts: what is joined when it is read is one piece in the copper that is solved."""

import dataclasses
import math

import numpy as np
import pytest
import shapely
from shapely import box

from fabwriter import MM
from returnflow_geometry.fabrication.base.objects import BoardData, LayerCopper, Pad
from returnflow_geometry.fabrication.copper.connectivity import connect
from returnflow_geometry.fabrication.copper.extract import board_of


def turned(shape, angle):
    return shapely.transform(
        shape, lambda p: p @ np.array([[math.cos(angle), math.sin(angle)], [-math.sin(angle), math.cos(angle)]])
    )


def read(areas, angle=0.0, nets=("GND",)):
    """Areas (mm) one after the other along x, a pad at either end."""
    shapes = [turned(shapely.transform(area, lambda p: p * MM), angle) for area in areas]
    x0, _, x1, _ = shapely.total_bounds(areas)
    pads = tuple(
        Pad(refdes=name, pin="1", function="", net=net, at=(p.centroid.x, p.centroid.y), shape=p)
        for name, x, net in (("A", x0 + 1, nets[0]), ("B", x1 - 1, nets[-1]))
        for p in [turned(shapely.Point(x * MM, 5 * MM).buffer(0.2 * MM), angle)]
    )
    drawn = {net: shapely.MultiPolygon(shapes[k :: len(nets)]) for k, net in enumerate(nets)}
    layers = (LayerCopper(name="L1", nets=drawn, pads=pads),)
    return BoardData(files=("board",), outline=None, layers=layers, stackup=(), holes=())


def solved(data):
    (copper,) = board_of(data, ["A.1", "B.1"]).coppers
    return shapely.get_parts(copper.shape)


@pytest.mark.parametrize("angle", [0.0, 0.3, 1.0])
@pytest.mark.parametrize("gap", [0.0, 5e-7, 9e-5])  # mm: exact, rounded to a nanometre, to a tenth of a mil
def test_halves_of_a_pour_are_one_piece(angle, gap):
    (piece,) = solved(read([box(0, 0, 10, 10), box(10 + gap, 0, 20, 10)], angle))
    assert piece.area / MM**2 == pytest.approx(200, rel=1e-5)
    assert shapely.get_num_coordinates(piece) < 12


@pytest.mark.parametrize("angle", [0.0, 0.7])
def test_a_plane_filled_by_lines_is_one_piece(angle):
    (piece,) = solved(read([box(k / 2, 0, k / 2 + 0.5 - 1e-6, 10) for k in range(30)], angle))
    assert not piece.interiors
    assert piece.area / MM**2 == pytest.approx(150, rel=1e-5)


def test_a_plane_filled_by_lines_has_no_hairs_though_its_lines_hang_together():
    strips = [box(k / 2, 0, k / 2 + 0.5 - 1e-6, 10) for k in range(30)]
    data = read([shapely.union_all([*strips, box(0, 3, 15, 4)])])
    assert data.layers[0].nets["GND"].length > 0.5  # a crack between all of them
    lines = tuple((np.array([[x, 0], [x, 10]]) * MM, 0.5 * MM) for x in (0.25, 0.75))
    drawn = dataclasses.replace(data, layers=(dataclasses.replace(data.layers[0], strokes=lines),))
    (island,) = connect(drawn).islands
    assert island.shape.length / MM == pytest.approx(50, rel=1e-3)


def test_pours_of_two_nets_that_abut_are_one_piece():
    (piece,) = solved(read([box(0, 0, 10, 10), box(10 + 5e-7, 0, 20, 10)], 0.3, nets=("GND", "AGND")))
    assert piece.area / MM**2 == pytest.approx(200, rel=1e-5)


def test_a_common_corner_joins_nothing():
    data = read([box(0, 0, 10, 10), box(10, 10, 20, 20)])
    assert len({island.group for island in connect(data).islands}) == 2


def test_a_seam_that_stays_open_is_said_with_its_place():
    data = read([box(0, 0, 10, 10), box(10.005, 0, 20, 10)])
    (note,) = connect(data).notes
    said = "GND on L1: 1 pair of pieces face each other less than 0.02 mm apart, such as along 10 mm at (10, 5) mm;"
    assert note.startswith(said)
    assert len({island.group for island in connect(data).islands}) == 2
    assert connect(read([box(0, 0, 10, 10), box(10.05, 0, 20, 10)])).notes == ()

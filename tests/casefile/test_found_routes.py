"""Routes found on fabrication data: along the strokes of a net, through vias and series parts; or why there is none."""

import math

import numpy as np
import pytest

import returnflow as rf
from fabwriter import MM
from returnflow_geometry.fabrication.board_data.assemble import board_data
from returnflow_geometry.fabrication.board_data.candidates import candidates
from returnflow_geometry.fabrication.copper.connectivity import connect
from returnflow_geometry.fabrication.copper.pins import pins_of

# A board of 60 x 40 mm: top, ground plane, bottom. Signal pins at the left (J1) and right (U1), invented.
PARTS = {
    "J1.1": ("SIG", 1, (5, 20)), "J1.2": ("GND", 1, (5, 16)),
    "U1.1": ("OUT", 1, (50, 20)), "U1.2": ("GND", 1, (50, 16)),
    "R5.1": ("SIG", 1, (35, 20)), "R5.2": ("OUT", 1, (37, 20)),
}  # fmt: skip
STRAIGHT = [(1, "SIG", 0.3, [(5, 20), (35, 20)]), (1, "OUT", 0.2, [(37, 20), (50, 20)])]
OVER_BOTTOM = [
    (1, "SIG", 0.3, [(5, 20), (10, 20)]),
    (3, "SIG", 0.25, [(10, 20), (10, 30), (30, 30), (30, 20)]),
    (1, "SIG", 0.3, [(30, 20), (35, 20)]),
    (1, "OUT", 0.2, [(37, 20), (50, 20)]),
]


def xy(point):
    return "".join(f"{axis}{round(value * 1e6)}" for axis, value in zip("XY", point, strict=True))


def image(layer, strokes, pours=(), parts=PARTS):
    side = {1: "Top", 2: "Inr", 3: "Bot"}[layer]
    lines = ["%FSLAX46Y46*%", "%MOMM*%", f"%TF.FileFunction,Copper,L{layer},{side}*%", "G75*", "%ADD10R,0.8X0.8*%"]
    for net, outline in pours:
        lines += [f"%TO.N,{net}*%", "G36*", f"{xy(outline[0])}D02*", *(f"{xy(p)}D01*" for p in outline[1:])]
        lines += [f"{xy(outline[0])}D01*", "G37*"]
    for name, (net, on, at) in parts.items():
        if on == layer:
            refdes, pin = name.split(".")
            lines += [f"%TO.P,{refdes},{pin}*%", f"%TO.N,{net}*%", "D10*", f"{xy(at)}D03*", "%TD*%"]
    for k, (on, net, width, path) in enumerate(strokes, start=11):
        if on == layer:
            lines += [f"%ADD{k}C,{width}*%", f"%TO.N,{net}*%", f"D{k}*", f"{xy(path[0])}D02*"]
            for point in path[1:]:
                if len(point) == 4:  # an arc to x, y about a centre at i, j from where it begins
                    lines.append(f"G03*{xy(point[:2])}I{round(point[2] * 1e6)}J{round(point[3] * 1e6)}D01*G01*")
                else:
                    lines.append(f"{xy(point)}D01*")
    return "\n".join([*lines, "M02*"]).encode()


PLANE = [("GND", [(1, 1), (59, 1), (59, 39), (1, 39)])]


def files(strokes=STRAIGHT, vias=(), pours=(), parts=PARTS):
    """Images and holes. Ground pins reach the plane by a via in their pad."""
    ground = [at for net, _, at in parts.values() if net == "GND"]
    drill = ["M48", "METRIC", "T01C0.3000", "%", "T01", *(f"X{x:.3f}Y{y:.3f}" for x, y in (*vias, *ground)), "M30"]
    # An inner layer clears the signal's vias.
    clear = "".join(f"{xy(at)}D03*" for at in vias)
    middle = image(2, (), PLANE, {}).replace(b"M02*", f"%LPC*%%ADD99C,0.8*%D99*{clear}M02*".encode())
    outline = "%FSLAX46Y46*%%MOMM*%%TF.FileFunction,Profile,NP*%%ADD10C,0.1*%D10*"
    outline += "".join(f"{xy(p)}D0{1 if k else 2}*" for k, p in enumerate([(0, 0), (60, 0), (60, 40), (0, 40), (0, 0)]))
    return {
        "a-top.gbr": image(1, strokes, pours, parts), "a-l2.gbr": middle, "a-bot.gbr": image(3, strokes, (), parts),
        "a.gko": f"{outline}M02*".encode(), "a.drl": "\n".join(drill).encode(),
    }  # fmt: skip


HEAD = 'format = 1\ntitle = "found"\nsource = "fab"\n[board]\ntemperature_C = 25\n'
LOOP = '[[loop]]\nname = "clock"\nrole = "noisy"\ninject = "U1.2"\nreturn = "J1.2"\ncurrent_A = 1\nroute = '
THROUGH = '{ auto = true, through = ["R5"] }'


@pytest.fixture
def read(tmp_path):
    def read_(route=THROUGH, **drawn):
        (tmp_path / "fab").mkdir(exist_ok=True)
        for name, data in files(**drawn).items():
            (tmp_path / "fab" / name).write_bytes(data)
        (tmp_path / "case.toml").write_text(HEAD + LOOP + route + "\n", encoding="utf-8")
        return rf.read_case(tmp_path / "case.toml")

    return read_


@pytest.fixture
def refused(read):
    def mistake(*arguments, **drawn):
        with pytest.raises(rf.CaseError) as caught:
            read(*arguments, **drawn)
        (line,) = caught.value.mistakes
        return line

    return mistake


def points(route):
    return [(round(x / MM, 3), round(y / MM, 3)) for x, y in route.path]


def test_the_board_is_read_as_meant():
    data = board_data(files())
    assert [len(layer.strokes) for layer in data.layers] == [2, 0, 0]
    assert {island.net for island in connect(data).islands} == {"GND", "SIG", "OUT"}


def test_another_mistake_makes_none_of_a_route_that_is_to_be_found(read, refused):
    other = '\n[[loop]]\nname = "other"\nrole = "noisy"\ninject = "U9.9"\nreturn = "J1.2"\ncurrent_A = 1'
    assert "U9.9" in refused(THROUGH + other)


class TestFound:
    def test_through_a_series_part_with_its_ends_led_to_the_ground_pins(self, read):
        case = read()
        route = case.loop("clock").route
        assert [leg.layer for leg in route.legs or (route,)] == ["L1"] * len(route.legs or (route,))
        path = points(route)
        assert path[0][0] == path[-1][0] - 45 == 5
        assert {(5, 20), (50, 20)} <= set(path)
        # 45 mm, and from the edges of the ground pads of 0.8 mm, whose contacts are a tenth smaller.
        assert route.length / MM == pytest.approx(45 + 2 * (4 - 0.36), abs=1e-3)
        (said,) = [line for line in case.assumptions if "found on the files" in line]
        assert "J1.1 to R5.1, R5.2 to U1.1: 45 mm on L1." in said

    def test_over_the_bottom_through_two_vias(self, read):
        case = read(strokes=OVER_BOTTOM, vias=[(10, 20), (30, 20)])
        route = case.loop("clock").route
        layers = [leg.layer for leg in route.legs]
        assert [layer for k, layer in enumerate(layers) if k == 0 or layer != layers[k - 1]] == ["L1", "L3", "L1"]
        (bottom,) = [leg for leg in route.legs if leg.layer == "L3"]
        assert points(bottom) == [(10, 20), (10, 30), (30, 30), (30, 20)]
        assert bottom.width == pytest.approx(0.25 * MM)
        (said,) = [line for line in case.assumptions if "found on the files" in line]
        assert "25 mm on L1 and 40 mm on L3, 2 vias" in said

    def test_of_two_ways_the_shorter(self, read):
        loop = [(1, "SIG", 0.3, [(5, 20), (5, 35), (35, 35), (35, 20)]), *STRAIGHT]
        assert max(y for _, y in points(read(strokes=loop).loop("clock").route)) == 20

    def test_a_tee_in_the_middle_of_a_stroke(self, read):
        tee = [
            (1, "SIG", 0.3, [(5, 20), (5, 30), (30, 30)]),  # passes over x = 20 without a point there
            (1, "SIG", 0.3, [(20, 30), (20, 20), (35, 20)]),
            STRAIGHT[1],
        ]
        assert (20, 30) in points(read(strokes=tee).loop("clock").route)

    def test_an_arc_is_as_long_as_it_is(self, read):
        arc = [(1, "SIG", 0.3, [(5, 20), (15, 20), (25, 20, 5, 0), (35, 20)]), STRAIGHT[1]]
        plain, bent = (read(strokes=strokes).loop("clock").route.length for strokes in (STRAIGHT, arc))
        assert (bent - plain) / MM == pytest.approx(5 * math.pi - 10, rel=1e-3)  # half a circle for its diameter

    def test_a_via_in_a_pad(self, read):
        strokes = [(3, "SIG", 0.3, [(5, 20), (35, 20)]), STRAIGHT[1]]
        route = read(strokes=strokes, vias=[(5, 20), (35, 20)]).loop("clock").route
        assert [leg.layer for leg in route.legs[:3]] == ["L1", "L3", "L1"]  # the first from the ground pad beside it

    def test_pieces_through_parts_pass_under_a_pour_of_the_return_on_their_own_layer(self, read):
        pour = [(3, 13), (52, 13), (52, 18.5), (36.3, 18.5), (36.3, 22), (35.7, 22), (35.7, 18.5), (3, 18.5)]
        case = read(pours=[("GND", pour)])
        route = case.loop("clock").route
        assert [leg.layer for leg in route.legs] == ["L3", "L1", "L3", "L1", "L3"]
        assert points(route.legs[2]) == [(35, 20), (37, 20)]
        plain = read().loop("clock").route
        assert route.length == pytest.approx(plain.length, rel=0.01)
        (said,) = [line for line in case.assumptions if "found on the files" in line]
        assert "its pieces through parts, where copper of the return is poured beside them: " in said
        assert "2 mm on L3" in said

    def test_without_a_series_part_auto_alone_will_do(self, read):
        direct = {name: ("SIG" if net == "OUT" else net, on, at) for name, (net, on, at) in PARTS.items()}
        strokes = [(1, "SIG", 0.3, [(5, 20), (50, 20)])]
        route = read('"auto"', strokes=strokes, parts=direct).loop("clock").route
        assert route.layer == "L1"

    def test_pins_that_are_named(self, read):
        two = {**PARTS, "J1.3": ("ALT", 1, (5, 24)), "U1.3": ("ALT", 1, (50, 24)), "U1.4": ("SIG", 1, (50, 28))}
        strokes = [*STRAIGHT, (1, "ALT", 0.2, [(5, 24), (50, 24)]), (1, "SIG", 0.2, [(5, 20), (5, 28), (50, 28)])]
        route = read('{ auto = true, pins = ["J1.3", "U1.3"] }', strokes=strokes, parts=two).loop("clock").route
        assert {(5, 24), (50, 24)} <= set(points(route))

    def test_it_runs_over_the_plane_at_its_layers_heights(self, read):
        case = read(strokes=OVER_BOTTOM, vias=[(10, 20), (30, 20)])
        (line,) = [line for line in case.assumptions if "outgoing conductor" in line]
        assert 'on "L1"' in line
        assert 'on "L3"' in line
        assert np.isfinite(case.loop("clock").route.length)


def test_a_proposed_loop_asks_for_its_route_where_there_is_one():
    data = board_data(files(strokes=OVER_BOTTOM, vias=[(10, 20), (30, 20)]))
    (item,) = [item for item in candidates(data, connect(data), pins_of(data)) if item.name == "J1 SIG to U1"]
    assert dict(item.keys)["route"] == '{ auto = true, pins = ["J1.1", "U1.1"], through = ["R5"] }'


class TestUntraced:
    def test_parts_that_share_no_net(self, refused):
        assert "J1 and U1 share no net but the return's" in refused('"auto"')

    def test_parts_that_share_several(self, refused):
        two = {**PARTS, "J1.3": ("ALT", 1, (5, 24)), "R5.3": ("ALT", 1, (35, 24))}
        assert 'J1 and R5 share the nets "ALT", "SIG"' in refused(parts=two)

    def test_a_net_that_is_poured(self, refused):
        pour = [("SIG", [(4, 19), (36, 19), (36, 21), (4, 21)])]
        said = refused(strokes=STRAIGHT[1:], pours=pour)
        assert 'net "SIG", J1.1 to R5.1: it is drawn as areas' in said
        assert 'such as the straight line { layer = "L1", path = [[5, 20], [35, 20]] }' in said

    def test_lines_that_end_in_a_pour(self, refused):
        pour = [("SIG", [(18, 19), (36, 19), (36, 21), (18, 21)])]
        said = refused(strokes=[(1, "SIG", 0.3, [(5, 20), (19, 20)]), STRAIGHT[1]], pours=pour)
        assert "lead from there to (19, 20) mm on L1, and no further by lines" in said

    def test_a_part_that_is_not_there(self, refused):
        assert 'no pin of part "R9"' in refused('{ auto = true, through = ["R9"] }')

    def test_a_ground_pin_too_far_away(self, refused):
        far = {**PARTS, "J1.2": ("GND", 1, (5, 5))}
        assert "mm from \"J1.2\"; the return's pin lies within 10 mm of the signal's" in refused(parts=far)

    @pytest.mark.parametrize(
        ("route", "said"),
        [
            ('{ auto = false }', "route.auto is false; must be true"),
            ('{ auto = true, thru = ["R5"] }', "the nearest valid key is through"),
            ('{ auto = true, pins = ["J1.1"] }', "must be two pins"),
        ],
    )  # fmt: skip
    def test_keys(self, refused, route, said):
        assert said in refused(route)

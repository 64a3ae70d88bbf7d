"""Boards typed by hand in few lines: vias by place, one cutout on several coppers, addresses that vary together."""

import math

import pytest

from cases import GOOD, PLANE, edited, text_of
from returnflow_geometry.casefile.read import CaseError, parse_case
from returnflow_geometry.model.material import resistivity

LAYERS = [
    {"name": "L1", "copper_um": 35, "below_mm": 0.2},
    {"name": "L2", "copper_um": 18, "below_mm": 1.0},
    {"name": "L3", "copper_um": 18, "below_mm": 0.2},
    {"name": "L4", "copper_um": 35},
]
ARRAY = {"corner": [60, 40], "step": [4, 5], "count": [3, 2]}
STITCH = {"name": "stitch", "coppers": ["bottom", "ground"], "array": ARRAY, "drill_mm": 0.3, "plating_um": 25}
TWO = edited(
    ("layer", LAYERS),
    ("copper.1", {"name": "bottom", "layer": "L4", "shape": PLANE}),
    ("cutout.0.copper", ["ground", "bottom"]),
)
WITH = TWO | {"vias": [STITCH]}


def read(case):
    return parse_case(text_of(case))


def refused(case):
    with pytest.raises(CaseError) as caught:
        read(case)
    return caught.value.mistakes


class TestVias:
    def test_an_array_is_contacts_on_both_coppers_and_barrels_between_them(self):
        board = read(WITH).board
        added = board.terminals[len(GOOD["terminal"]) :]
        assert [t.name for t in added][:3] == ["stitch 1 (L2)", "stitch 1 (L4)", "stitch 2 (L2)"]
        assert len(added) == 12
        assert added[-1].copper == "bottom"
        assert added[-1].centre == pytest.approx((68e-3, 45e-3))
        assert [link.name for link in board.links] == [f"stitch {k}, L2 to L4" for k in range(1, 7)]
        assert board.links[0].between == ("stitch 1 (L2)", "stitch 1 (L4)")

    def test_a_barrel_has_the_resistance_of_its_wall(self):  # closed form: from middle to middle of the coppers
        long = (1.0 + 0.2 + 0.018 + (0.018 + 0.035) / 2) * 1e-3
        wall = math.pi * (0.3e-3 + 25e-6) * 25e-6
        assert read(WITH).board.links[0].resistance == pytest.approx(resistivity(40) * long / wall, rel=1e-9)

    def test_their_contacts_serve_loops(self):
        case = read(edited(("loop.2.inject", "stitch 6 (L4)"), case=WITH))
        assert case.loop("USB").inject == "stitch 6 (L4)"

    def test_variants_drop_and_change_them(self):
        variants = [
            {"name": "fewer", "set": {"stitch.array.count": [1, 2], "stitch.drill_mm": 0.4}},
            {"name": "none", "drop": ["stitch"]},
            {"name": "no bottom", "drop": ["bottom"]},
            {"name": "one", "drop": ["stitch"], "add": {"vias": [STITCH | {"array": None, "at": [[70, 60]]}]}},
        ]
        del variants[3]["add"]["vias"][0]["array"]
        fewer, none, bare, one = (variant.case.board for variant in read(WITH | {"variant": variants}).variants)
        assert len(fewer.links) == 2
        assert fewer.links[0].resistance < read(WITH).board.links[0].resistance
        assert none.links == bare.links == ()
        assert {cutout.copper for cutout in bare.cutouts} == {"ground"}
        assert [t.name for t in one.terminals[-2:]] == ["stitch (L2)", "stitch (L4)"]

    @pytest.mark.parametrize(
        ("change", "said"),
        [
            ({"coppers": ["ground"]}, 'vias "stitch": coppers is ["ground"]; must be a list of at least 2 names'),
            ({"coppers": ["ground", "bottm"]}, 'vias "stitch": coppers name 2 is "bottm"; no copper has that name'),
            (
                {"coppers": ["ground", "ground"]},
                'vias "stitch": coppers is ["ground", "ground"]; needs 2 different ones',
            ),
            ({"drill_mm": None}, 'vias "stitch": drill_mm is missing'),
            ({"array": None}, 'vias "stitch": at is missing; they are placed by at or array; add it'),
            ({"at": [[1, 1]]}, 'vias "stitch": at and array are given together'),
            ({"array": ARRAY | {"count": [0, 2]}}, 'vias "stitch": array.count is [0, 2]; must be two whole numbers'),
            ({"array": ARRAY | {"corner": [60, 79]}}, 'terminal "stitch 4 (L2)": at (60, 84) mm lies off the copper'),
        ],
    )
    def test_mistakes_name_the_key(self, change, said):
        table = {key: value for key, value in (STITCH | change).items() if value is not None}
        assert refused(TWO | {"vias": [table]})[0].startswith(said)

    def test_two_coppers_of_one_layer_are_refused(self):
        case = edited(("copper.2", {"name": "island", "layer": "L4", "shape": PLANE}), case=TWO)
        (mistake, *_) = refused(case | {"vias": [STITCH | {"coppers": ["bottom", "island"]}]})
        assert 'coppers names "bottom" and "island", both on layer "L4"' in mistake


class TestSeveralCoppers:
    def test_one_cutout_is_on_each(self):
        board = read(TWO).board
        assert [cutout.copper for cutout in board.cutouts if cutout.name == "gap"] == ["ground", "bottom"]
        assert board.remaining("bottom").area == pytest.approx((100 * 80 - 60 * 0.5) * 1e-6)

    def test_one_bridge_too(self):
        strap = {"name": "strap", "copper": ["ground", "bottom"], "shape": {"rect": [49, 30, 51, 32]}}
        assert len(read(TWO | {"bridge": [strap]}).board.bridges) == 2

    def test_each_of_their_names_is_checked(self):
        assert refused(edited(("cutout.0.copper", ["ground", "botom"]), case=TWO))[0].startswith(
            'cutout "gap": copper name 2 is "botom"; no copper has that name'
        )


SWEEP = {"name": "s", "vary": [{"set": ["gap.shape.width", "antipads.diameter_mm"], "values": [0.4, 0.6]}]}


class TestTogether:
    def test_addresses_take_the_same_values(self):
        (sweep,) = read(GOOD | {"sweep": [SWEEP]}).sweeps
        assert [axis.label for axis in sweep.axes] == ["gap: width (mm)"]
        holes = [{c.name: c.shape.area for c in step.case.board.cutouts} for step in sweep.steps]
        assert holes[1]["gap"] / holes[0]["gap"] == pytest.approx(1.5)
        assert holes[1]["antipads"] / holes[0]["antipads"] == pytest.approx(2.25, rel=1e-2)

    def test_each_address_is_checked(self):
        sweep = {"name": "s", "vary": [{"set": ["gap.shape.width", "antpads.diameter_mm"], "values": [0.4, 0.6]}]}
        (mistake,) = refused(GOOD | {"sweep": [sweep]})
        assert 'set "antpads.diameter_mm" names nothing' in mistake
        assert 'did you mean "antipads.diameter_mm"?' in mistake

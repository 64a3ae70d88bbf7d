"""Cases that name fabrication data as their source."""

from collections import Counter

import pytest
import shapely

import returnflow as rf
from fabwriter import Draft, demo_board, write_gerber_set, write_ipc2581
from returnflow_geometry.casefile import source

LOOPS = """
[[loop]]
name = "stepper"
role = "noisy"
inject = "U3.17"
return = "J4.2"
current_A = 1

[[loop]]
name = "cell"
role = "sensitive"
inject = "U1.4"
return = "J1.3"
signal_V = 0.01
tolerates_V = 1e-6
"""
HEAD = 'format = 1\ntitle = "imported"\nsource = "fab"\n[board]\ntemperature_C = 25\n'


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    place = tmp_path_factory.mktemp("board")
    write_gerber_set(demo_board(), place / "fab")
    write_ipc2581(demo_board(), place / "board.xml")
    return place


READ, FROM_FILES = {}, source.from_fabrication


def as_they_are(path, limits, *, table):
    """A board from its files, read again only where one of them has changed."""
    files = sorted(path.rglob("*")) if path.is_dir() else [path] if path.exists() else []
    key = repr((path, limits, table, [(it, it.stat().st_mtime_ns, it.stat().st_size) for it in files]))
    if key not in READ:
        READ[key] = FROM_FILES(path, limits, table=table)
    return READ[key]


@pytest.fixture(autouse=True)
def unchanged_files_are_read_once(monkeypatch):
    monkeypatch.setattr(source, "from_fabrication", as_they_are)


def read(folder, text):
    path = folder / "case.toml"
    path.write_text(text, encoding="utf-8")
    return rf.read_case(path)


def mistakes(folder, text):
    with pytest.raises(rf.CaseError) as caught:
        read(folder, text)
    return caught.value.mistakes


class TestReading:
    def test_loops_name_pins_and_coppers_are_those_they_reach(self, folder):
        case = read(folder, HEAD + LOOPS)
        assert {copper.name for copper in case.board.coppers} >= {"GND on L2", "GND on L4"}
        assert not any("VCC" in copper.name for copper in case.board.coppers)
        assert case.board.terminal("J4.2").copper.startswith("GND")
        assert any("plating" in line.lower() for line in case.assumptions)

    def test_both_kinds_of_data_make_the_same_board(self, folder):
        one, other = (read(folder, text) for text in (HEAD + LOOPS, HEAD.replace('"fab"', '"board.xml"') + LOOPS))
        shapes = [{c.name: c.shape for c in case.board.coppers} for case in (one, other)]
        assert shapes[0].keys() == shapes[1].keys()
        for name, shape in shapes[0].items():
            # Each is simplified by itself, by at most 10 um; before that they agree to 1e-6 (test_import_roundtrip).
            assert shapely.symmetric_difference(shape, shapes[1][name]).area < 10e-6 * shape.length

    def test_what_the_case_says_of_a_layer_counts(self, folder):
        layer = '\n[[layer]]\nname = "L2"\ncopper_um = 70\n'
        case = read(folder, HEAD + layer + LOOPS)
        thickness = {item.name: item.thickness for item in case.board.layers}
        assert thickness == pytest.approx({"L1": 35e-6, "L2": 70e-6, "L3": 35e-6, "L4": 35e-6})

    def test_thinner_plating_raises_the_links(self, folder):
        thick = read(folder, HEAD + LOOPS)
        thin = read(folder, HEAD + "plating_um = 10\n" + LOOPS)
        ratio = [b.resistance / a.resistance for a, b in zip(thick.board.links, thin.board.links, strict=True)]
        # Closed form: a wall of t on a hole of d has pi t (d + t) of copper.
        for value, hole in zip(ratio, (0.3e-3,), strict=False):
            assert value == pytest.approx(20 * (hole + 20e-6) / (10 * (hole + 10e-6)), rel=1e-6)

    def test_a_pin_that_must_stay_bonded(self, folder):
        bond = '\n[[terminal]]\nname = "J1.3"\nbonded = "cable shield"\n'
        assert read(folder, HEAD + bond + LOOPS).board.terminal("J1.3").bonded == "cable shield"

    def test_a_cutout_and_a_bridge_on_imported_copper(self, folder):
        changes = """
[[cutout]]
name = "notch"
copper = "GND on L2"
shape = { rect = [60, 10, 64, 12] }

[[variant]]
name = "bridged"
add = { bridge = [{ name = "strap", copper = "GND on L2", shape = { rect = [20, 29, 24, 33] } }] }

[[variant]]
name = "cut"
add = { cutout = [{ name = "gap", copper = "GND on L2", shape = { slot = [[54, 2], [54, 20]], width = 0.4 } }] }
"""
        case = read(folder, HEAD + LOOPS + changes)
        # The strap joins both planes, so they are one copper in every variant.
        plane = case.board.cutouts[0].copper
        assert plane in {copper.name for copper in case.board.coppers}
        without = read(folder, HEAD + LOOPS)
        bare, bridged, cut = case.board, *(variant.case.board for variant in case.variants)
        assert bare.remaining(plane).area < bare.copper(plane).shape.area
        assert bridged.remaining(plane).area > bare.remaining(plane).area
        assert cut.remaining(plane).area < bare.remaining(plane).area
        assert {c.name for c in without.board.coppers} == {c.name for c in bare.coppers}

    def test_a_contact_drawn_on_imported_copper(self, folder):
        probe = '\n[[terminal]]\nname = "probe"\ncopper = "GND on L2"\nat = [30, 10]\ndiameter_mm = 1\n'
        loop = LOOPS.replace('inject = "U3.17"', 'inject = "probe"')
        case = read(folder, HEAD + probe + loop)
        assert case.board.terminal("probe").centre == pytest.approx((30e-3, 10e-3))

    def test_vias_between_imported_coppers(self, folder):
        joins = 'coppers = ["GND on L2", "GND on L4"]\nat = [[56, 12], [60, 12]]\ndrill_mm = 0.3\n'
        vias = f'\n[[vias]]\nname = "stitch"\n{joins}'
        variant = '\n[[variant]]\nname = "v"\nset = { "stitch.at.1.1" = 57, "stitch.drill_mm" = 0.4 }\n'
        case = read(folder, HEAD + LOOPS + vias + variant)
        added = {t.name: t for t in case.board.terminals if t.name.startswith("stitch")}
        assert {name: t.copper for name, t in added.items()} == {
            "stitch 1 (L2)": "GND on L2",
            "stitch 1 (L4)": "GND on L4",
            "stitch 2 (L2)": "GND on L2",
            "stitch 2 (L4)": "GND on L4",
        }
        assert [link.name for link in case.board.links][-2:] == ["stitch 1, L2 to L4", "stitch 2, L2 to L4"]
        board = case.variants[0].case.board
        assert board.terminal("stitch 1 (L4)").centre == pytest.approx((57e-3, 12e-3))
        assert len(board.terminals) == len(case.board.terminals)

    def test_a_sweep_over_imported_copper(self, folder):
        sweep = '\n[[sweep]]\nname = "hot"\nvary = [{ set = "board.temperature_C", values = [0, 50, 100] }]\n'
        (found,) = read(folder, HEAD + LOOPS + sweep).sweeps
        assert [step.case.board.temperature for step in found.steps] == [0, 50, 100]


@pytest.fixture(scope="module")
def planes(tmp_path_factory):
    """Two planes on the second layer, each with two pins, and 2 mm of nothing between them; with and without names."""
    draft = Draft(40, 30)
    draft.pour(2, "GND", (1, 1, 39, 12))
    draft.pour(2, "AGND", (1, 14, 39, 29))
    for name, net, at in (("J1.1", "GND", (5, 5)), ("J2.1", "GND", (35, 5)), ("U1.1", "AGND", (5, 25))):
        draft.via(net, at, drill=1, pad=1.8, name=name)
    draft.via("AGND", (35, 25), drill=1, pad=1.8, name="U2.1")
    place = tmp_path_factory.mktemp("planes")
    write_gerber_set(draft.data(), place / "fab")
    write_gerber_set(draft.data(), place / "bare", attributes=False)
    return place


PLANES = LOOPS
for drawn, pin in (("U3.17", "J1.1"), ("J4.2", "J2.1"), ("U1.4", "U1.1"), ("J1.3", "U2.1")):
    PLANES = PLANES.replace(f'"{drawn}"', f'"{pin}"')
STRAP = '\n[[bridge]]\nname = "strap"\ncopper = ["GND on L2", "AGND on L2"]\nshape = { rect = [18, 8, 20, 11.5] }\n'


def coppers(case):
    return {copper.name for copper in case.board.coppers}


class TestBridges:
    """What a bridge would join is one copper from the start, wherever a variant or a sweep lays it."""

    def test_planes_that_nothing_joins_are_two(self, planes):
        assert coppers(read(planes, HEAD + PLANES)) == {"GND on L2", "AGND on L2"}
        assert coppers(read(planes, HEAD + PLANES + STRAP.replace(', "AGND on L2"', ""))) == {"GND on L2", "AGND on L2"}

    def test_one_that_would_short_a_net_it_does_not_name_is_refused(self, planes):
        alone = STRAP.replace(', "AGND on L2"', "")
        (mistake,) = mistakes(planes, HEAD + PLANES + alone.replace("11.5", "15"))
        assert mistake.startswith('bridge "strap": lies on "AGND on L2" (2 mm²); it would short what it does not name')
        swept = '[[sweep]]\nname = "s"\nvary = [{ set = "strap.shape.rect.4", values = [11, 12, 15] }]\n'
        assert mistakes(planes, HEAD + PLANES + alone + swept) == (mistake,)

    @pytest.mark.parametrize(
        "change",
        [
            STRAP.replace("11.5", "15"),
            STRAP + '[[variant]]\nname = "v"\nmove = { "strap" = [19, 13] }\n',
            STRAP + '[[variant]]\nname = "v"\nset = { "strap.shape.rect.4" = 15 }\n',
            STRAP + '[[sweep]]\nname = "s"\nvary = [{ set = "strap.shape.rect.4", values = [11, 12, 15] }]\n',
            STRAP + '[[sweep]]\nname = "s"\nvary = [{ move = "strap", along = [[19, 10], [19, 13]], steps = 3 }]\n',
            STRAP + '[[sweep]]\nname = "s"\nvary = [{ set = "strap.shape.rect.4", values = [11, 12, 15] }, '
            '{ set = "stepper.current_A", values = [1, 2] }]\n',
            '[[variant]]\nname = "v"\n' + STRAP.replace("[[bridge", "[[variant.add.bridge").replace("11.5", "15"),
        ],
    )
    def test_what_reaches_both_makes_them_one(self, planes, change):
        assert len(coppers(read(planes, HEAD + PLANES + change))) == 1

    def test_names_that_only_holes_and_netlists_give_serve_as_well(self, planes):
        probe = '\n[[terminal]]\nname = "probe"\ncopper = "GND on L2"\nat = [20, 6]\ndiameter_mm = 1\n'
        strap = STRAP.replace(', "AGND on L2"', "")
        case = read(planes, HEAD.replace('"fab"', '"bare"') + PLANES + strap + probe)
        assert case.board.terminal("probe").copper == "GND on L2"
        assert case.board.bridges[0].copper == "GND on L2"


class TestNames:
    def test_a_pin_in_any_letter_case(self, folder):
        names = '\n[[variant]]\nname = "v"\nset = { "cell.inject" = "u2.9", "cell.return" = "j4.2" }\n'
        case = read(folder, HEAD + LOOPS.replace("U3.17", "u3.17") + names)
        assert case.loop("stepper").inject == "U3.17"
        assert (case.variants[0].case.loop("cell").inject, case.variants[0].case.loop("cell").return_) == (
            "U2.9",
            "J4.2",
        )

    def test_a_pins_contact_on_a_further_copper_and_a_holes(self, folder):
        # U3 stands on four holes; so there is no contact of its own on the plane, and J2.1 has one on the bottom too.
        loops = LOOPS.replace('"J4.2"', '"J2.1"')
        link = '\n[[link]]\nname = "x"\nbetween = ["{}", "{}"]\nresistance_ohm = 1\n'
        case = read(folder, HEAD + loops + link.format("j2.1 (GND on L4)", "hole 7 (GND on L4)"))
        assert case.board.links[-1].between == ("J2.1 (GND on L4)", "hole 7 (GND on L4)")
        with pytest.raises(rf.CaseError, match=r"the files have no pin of that name; the nearest are"):
            read(folder, HEAD + loops + link.format("J2.7 (GND on L4)", "hole 7 (GND on L4)"))
        with pytest.raises(rf.CaseError, match=r'did you mean "hole 7 \(GND on L4\)"'):
            read(folder, HEAD + loops + link.format("J2.1 (GND on L4)", "hole 700 (GND on L4)"))

    def test_a_net_that_shares_its_copper_with_another(self, folder):
        region = '\n[[region]]\nname = "r"\ncopper = "AGND on L2"\nshape = { rect = [1, 40, 9, 49] }\n'
        cutout = '\n[[cutout]]\nname = "c"\ncopper = "GND on L2"\nshape = { rect = [60, 10, 64, 12] }\n'
        variant = '\n[[variant]]\nname = "v"\nset = { "c.copper" = "AGND on L2", "c.shape.rect.1" = 61 }\n'
        case = read(folder, HEAD + LOOPS + region + cutout + variant)
        assert case.regions[0].copper == "GND on L2"
        assert case.variants[0].case.board.cutouts[0].copper == "GND on L2"


class TestVariants:
    CHANGES = """
[[variant]]
name = "hole lifted"
drop = ["hole 6, L1 to L2"]

[[variant]]
name = "thin plating"
set = { "hole 5, L1 to L2.resistance_ohm" = 0.1 }

[[variant]]
name = "no bottom"
drop = ["GND on L4"]

[[variant]]
name = "drill shifted"
move = { "J4.2" = [12, 8] }

[[variant]]
name = "a probe beside"
add = { terminal = [{ name = "probe", copper = "GND on L2", at = [30, 10], diameter_mm = 1 }] }
set = { "stepper.inject" = "probe" }
"""

    def test_what_came_from_the_files_is_changed_like_any_other(self, folder):
        case = read(folder, HEAD + LOOPS + self.CHANGES)
        lifted, thin, bare, shifted, probe = (variant.case.board for variant in case.variants)
        links = {link.name for link in case.board.links}
        assert links - {link.name for link in lifted.links} == {"hole 6, L1 to L2"}
        assert {link.name: link.resistance for link in thin.links}["hole 5, L1 to L2"] == 0.1
        assert {c.name for c in case.board.coppers} - {c.name for c in bare.coppers} == {"GND on L4"}
        assert not any(link.name.endswith("L4") for link in bare.links)
        assert shifted.terminal("J4.2").centre == pytest.approx((12e-3, 8e-3))
        # A contact that one variant draws is in no other.
        assert probe.terminal("probe").centre == pytest.approx((30e-3, 10e-3))
        assert "probe" not in {terminal.name for terminal in case.board.terminals}

    def test_a_pin_may_be_drawn_elsewhere(self, folder):
        instead = """
[[variant]]
name = "beside"
drop = ["J4.2"]
add = { terminal = [{ name = "J4.2", copper = "GND on L2", at = [30, 10], diameter_mm = 1 }] }
"""
        case = read(folder, HEAD + LOOPS + instead)
        assert case.board.terminal("J4.2").centre == pytest.approx((10e-3, 8e-3))
        assert case.variants[0].case.board.terminal("J4.2").centre == pytest.approx((30e-3, 10e-3))

    def test_copper_is_read_and_joined_once(self, folder, monkeypatch):
        def counting(name):
            real = getattr(source, name)

            def counted(*arguments, **options):
                counts[name] += 1
                return real(*arguments, **options)

            monkeypatch.setattr(source, name, counted)

        counts = Counter()
        counting("from_fabrication")
        counting("connect")
        case = read(folder, HEAD + LOOPS + self.CHANGES)
        assert counts == {"from_fabrication": 1, "connect": 1}
        shapes = {id(variant.case.board.copper("GND on L2").shape) for variant in case.variants}
        assert shapes == {id(case.board.copper("GND on L2").shape)}

    def test_what_they_cannot_change_is_said(self, folder):
        warm = '\n[[variant]]\nname = "warm"\nset = { "board.temperature_C" = 85 }\n'
        said = "Plated holes keep the resistance they have in the case as drawn"
        assert any(line.startswith(said) for line in read(folder, HEAD + LOOPS + warm).assumptions)
        assert not any(line.startswith(said) for line in read(folder, HEAD + LOOPS + self.CHANGES).assumptions)

    def test_holes_have_the_temperature_of_the_board(self, folder):
        warm, cold = (
            read(folder, HEAD.replace("temperature_C = 25", f"temperature_C = {value}") + LOOPS) for value in (25, -20)
        )
        for one, other in zip(warm.board.links, cold.board.links, strict=True):
            # Closed form: rho is 1 + 0.00393 (T - 20) of that at 20 degrees.
            assert other.resistance == pytest.approx(one.resistance * (1 - 0.00393 * 40) / (1 + 0.00393 * 5))

"""Cases that name fabrication data as their source."""

import contextlib
import dataclasses
import functools
import shutil
import sys
from pathlib import Path

import numpy as np
import pytest
import shapely
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import returnflow as rf
from fabwriter import demo_board, write_gerber_set, write_ipc2581
from returnflow.study import AS_DRAWN, run
from returnflow_geometry.source import Source

EXAMPLES = Path(__file__).parent.parent / "examples"
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

    def test_a_sweep_over_imported_copper(self, folder):
        sweep = '\n[[sweep]]\nname = "hot"\nvary = [{ set = "board.temperature_C", values = [0, 50, 100] }]\n'
        (found,) = read(folder, HEAD + LOOPS + sweep).sweeps
        assert [step.case.board.temperature for step in found.steps] == [0, 50, 100]


class TestMistakes:
    def test_unknown_pins_are_all_named_with_the_nearest(self, folder):
        text = HEAD + LOOPS.replace("U3.17", "U3.71").replace("J1.3", "J1.33")
        found = mistakes(folder, text)
        assert len(found) == 2
        assert '"U3.17"' in found[0]
        assert '"J1.3"' in found[1]

    def test_other_mistakes_of_the_file_are_said_with_them(self, folder):
        text = HEAD + LOOPS.replace("U3.17", "U3.71").replace("current_A = 1", "current_A = -1")
        found = mistakes(folder, text)
        assert len(found) == 2
        assert any("current_A" in line for line in found)

    @pytest.mark.parametrize(
        ("change", "said"),
        [
            (("fab", "nowhere"), "no such folder"),
            (('"fab"', "7"), "source is 7"),
            (("temperature_C", 'x = 1\n[[layer]]\nname = "L9"\ncopper_um = 35\n[solve]\n#'), "no layer of the source"),
            (("temperature_C", "plating_um = 0\ntemperature_C"), "plating_um"),
        ],
    )
    def test_each_is_one_message(self, folder, change, said):
        assert sum(said in line for line in mistakes(folder, HEAD.replace(*change) + LOOPS)) == 1

    def test_no_loops_yet_is_one_message(self, folder):
        found = mistakes(folder, HEAD)
        assert len(found) == 1
        assert "none names a pin" in found[0]

    def test_a_file_that_is_broken(self, folder, tmp_path):
        shutil.copytree(folder / "fab", tmp_path / "fab")
        for path in (tmp_path / "fab").glob("*L2*"):
            path.write_text("G04 nothing here*\n%FSLAX46Y46*%\nX1Y1D99*\nM02*\n", encoding="utf-8")
        found = mistakes(tmp_path, HEAD + LOOPS)
        assert found
        assert "Traceback" not in "\n".join(found)

    def test_a_text_without_a_folder(self):
        with pytest.raises(rf.CaseError, match="a text alone has no folder"):
            rf.parse_case(HEAD + LOOPS)

    @settings(deadline=None, max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
    @given(st.data())
    def test_any_change_of_the_case_is_refused_or_read(self, folder, data):
        text = HEAD + LOOPS
        at = data.draw(st.integers(0, len(text) - 1))
        gone = data.draw(st.integers(0, 12))
        put = data.draw(st.text(alphabet='[]{}="\n.abU3 17', max_size=6))
        # Anything but a CaseError is a traceback.
        with contextlib.suppress(rf.CaseError):
            assert read(folder, text[:at] + put + text[at + gone :]).loops


def resistive(case):
    """The case at 0 Hz, where a study takes seconds."""
    loops = tuple(
        dataclasses.replace(loop, current=loop.current or 0.01, frequency=0.0, trapezoid=None)
        if loop.role == "noisy"
        else loop
        for loop in case.loops
    )
    return dataclasses.replace(case, loops=loops, frequencies=(0.0,), variants=(), sweeps=())


class TestWeighingController:
    """The example as fabrication data gives the answers of the hand-written case (two routes to one number)."""

    @functools.cached_property
    def results(self):
        names = ("weighing_controller", "weighing_controller_fab")
        return [run(resistive(rf.read_case(EXAMPLES / f"{name}.toml")), only=[AS_DRAWN])[AS_DRAWN] for name in names]

    def test_resistances_agree_within_the_accuracy(self):
        hand, fab = self.results
        assert hand.loop_names == fab.loop_names
        apart = np.abs(hand.whole.mid - fab.whole.mid)
        # The imported outlines are simplified by up to 10 um: antipads move by that, far from any current.
        own = np.sqrt(np.outer(np.diag(hand.whole.mid), np.diag(hand.whole.mid)))
        assert np.all(apart <= hand.whole.half_width + fab.whole.half_width + 2e-4 * own)

    def test_noise_and_cable_voltage_agree(self):
        hand, fab = self.results
        for one, other in zip((*hand.sensitive, *hand.cables), (*fab.sensitive, *fab.cables), strict=True):
            assert other.noise == pytest.approx(one.noise, rel=1e-3)

    def test_its_bonds_are_those_of_the_hand_written_case(self):
        hand, fab = (result.case.board.terminals for result in self.results)
        assert {t.name: t.bonded for t in hand} == {t.name: t.bonded for t in fab}

    def test_the_files_are_those_the_script_writes(self, tmp_path, monkeypatch):
        monkeypatch.syspath_prepend(str(EXAMPLES / "fabrication"))
        sys.modules.pop("write_weighing_controller", None)
        import write_weighing_controller as script

        monkeypatch.setattr(sys, "argv", ["write", str(tmp_path)])
        assert script.main() == 0
        kept = EXAMPLES / "weighing_controller_fab"
        assert {p.name for p in tmp_path.iterdir()} == {p.name for p in kept.iterdir()}
        for path in kept.iterdir():
            assert (tmp_path / path.name).read_bytes() == path.read_bytes()


class TestReport:
    def test_what_was_read_is_kept_for_the_report(self, folder):
        path = folder / "case.toml"
        path.write_text(HEAD + LOOPS, encoding="utf-8")
        source = Source(folder)
        rf.read_case(path, source)
        assert source.data is not None
        assert set(source.pins) == {"U3.17", "J4.2", "U1.4", "J1.3"}

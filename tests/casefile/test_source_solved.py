"""Cases that name fabrication data, solved and reported: the imported board is the drawn one."""

import dataclasses
import sys

import numpy as np
import pytest
from test_source_cases import HEAD, LOOPS, as_they_are

import returnflow as rf
from cases import EXAMPLES
from fabwriter import demo_board, write_gerber_set, write_ipc2581
from returnflow.advice.study import AS_DRAWN, run
from returnflow_geometry.casefile import source
from returnflow_geometry.casefile.source import Source
from solved import shared


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    place = tmp_path_factory.mktemp("board")
    write_gerber_set(demo_board(), place / "fab")
    write_ipc2581(demo_board(), place / "board.xml")
    return place


@pytest.fixture(autouse=True)
def unchanged_files_are_read_once(monkeypatch):
    monkeypatch.setattr(source, "from_fabrication", as_they_are)


def resistive(case):
    """The case at 0 Hz, where a study takes seconds."""
    loops = tuple(
        dataclasses.replace(loop, current=loop.current or 0.01, frequency=0.0, trapezoid=None)
        if loop.role == "noisy"
        else loop
        for loop in case.loops
    )
    return dataclasses.replace(case, loops=loops, frequencies=(0.0,), variants=(), sweeps=())


@shared
def at_0_hertz(name):
    return run(resistive(rf.read_case(EXAMPLES / f"{name}.toml")), only=[AS_DRAWN])[AS_DRAWN]


class TestWeighingController:
    """The example as fabrication data gives the answers of the hand-written case (two routes to one number)."""

    @property
    def results(self):
        return at_0_hertz("weighing_controller"), at_0_hertz("weighing_controller_fab")

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
        supply = Source(folder)
        rf.read_case(path, supply)
        assert supply.data is not None
        assert set(supply.pins) == {"U3.17", "J4.2", "U1.4", "J1.3"}

"""The six-layer board of the examples, as its zip says it is."""

from pathlib import Path

import pytest

from returnflow_geometry.casefile.read import parse_case
from returnflow_geometry.casefile.source import Source
from returnflow_geometry.fabrication.board_data.assemble import from_fabrication
from returnflow_geometry.fabrication.board_data.candidates import candidates
from returnflow_geometry.fabrication.board_data.starter import starter
from returnflow_geometry.fabrication.copper.connectivity import connect
from returnflow_geometry.fabrication.copper.pins import parts_of, pins_of

ARCHIVE = Path(__file__).parents[2] / "examples/dosing_controller_fab.zip"


@pytest.fixture(scope="module")
def board():
    data = from_fabrication(ARCHIVE)
    return data, connect(data)


def test_it_is_as_large_as_said(board):
    data, _ = board
    assert len(data.layers) == 6
    assert sum(hole.diameter < 0.3e-3 for hole in data.holes) == 2506
    assert len(parts_of(pins_of(data))) == len(data.parts) == len(data.placed) == 300
    assert not data.ignored
    assert not data.contradictions


def test_its_split_is_joined_by_two_ties_and_its_seam_is_none(board):
    data, connectivity = board
    assert [(tie.nets, tie.layer) for tie in connectivity.ties] == [(("AGND", "GND"), 1)] * 2
    assert [tie.width for tie in connectivity.ties] == pytest.approx([2e-3, 1.5e-3], abs=1e-8)
    large = [k for k in connectivity.islands if k.layer == 4 and k.net == "GND" and k.shape.area > 1e-3]
    assert len(large) == 1
    assert any(len(barrel.islands) > 1 for barrel in connectivity.barrels)
    assert data.outline.bounds == pytest.approx((0, 0, 0.12, 0.09))


def test_its_loops_are_guessed_as_a_reviewer_would(board):
    data, connectivity = board
    found = {item.name: dict(item.keys) for item in candidates(data, connectivity, pins_of(data))}
    assert found["supply of U5"]["return"] == '"U10.4"'  # microcontroller to buck converter
    assert found["supply of U11"]["return"] == '"J3.2"'  # pump driver to the supply connector
    assert found["J1 CELL+ to U1"]["role"] == '"sensitive"'
    assert 'through = ["R1"]' in found["J1 CELL+ to U1"]["route"]


def test_every_proposed_loop_is_a_case_as_it_stands(board):
    """Traces that leave their pin past its ground pin make no route that lies on itself."""
    data, connectivity = board
    begun = starter(data, ARCHIVE.name, connectivity=connectivity)
    head, first, loops = begun.text().partition("\n# # ")
    text = head + "\n".join(line.removeprefix("# ") for line in (first + loops).splitlines())
    case = parse_case(text, supply=Source(ARCHIVE.parent, known=board))
    assert [loop.name for loop in case.loops] == [item.name for item in begun.proposals]
    assert sum(loop.route is not None for loop in case.loops) > 10

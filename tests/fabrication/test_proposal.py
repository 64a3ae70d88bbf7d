"""Image files that do not say what they are: told by their endings, names and contents, never by a guess alone."""

import pytest

from fabwriter import demo_board, write_gerber_set
from returnflow_geometry.fabrication.base.objects import FabricationError, Limits
from returnflow_geometry.fabrication.board_data.assemble import from_fabrication
from returnflow_geometry.fabrication.board_data.proposal import propose

HEAD = "%FSLAX46Y46*%%MOMM*%%ADD10C,0.2*%D10*"
PAD = f"{HEAD}X1000000Y1000000D03*M02*".encode()
TRACK = f"{HEAD}X0Y0D02*X1000000D01*M02*".encode()
RING = f"{HEAD}X0Y0D02*X9000000D01*Y9000000D01*X0D01*Y0D01*M02*".encode()
APERTURES = b"%FSLAX46Y46*%%MOMM*%%ADD10C,0.2*%M02*"


@pytest.mark.parametrize(
    "names",
    [
        ["b.gtl", "b.g1", "b.g2", "b.gbl", "b.gko"],
        ["b.cmp", "b.in1", "b.in2", "b.sol", "b.oln"],
        ["b-F_Cu.gbr", "b-In1_Cu.gbr", "b-In2_Cu.gbr", "b-B_Cu.gbr", "b-Edge_Cuts.gbr"],
        ["Top.art", "Layer_2.art", "Layer_3.art", "Bottom.art", "Outline.art"],
        ["b_L1.ger", "b_L2.ger", "b_L3.ger", "b_L4.ger", "profile.ger"],
        ["b_copper_top.gbr", "b_l2.gbr", "b_l3.gbr", "b_copper_bottom.gbr", "drawn.x"],  # the last by its content
    ],
)
def test_usual_sets(names):
    files = dict.fromkeys(names[:-1], PAD) | {names[-1]: RING}
    others = {"b.gts": PAD, "top_paste.gbr": PAD, "SilkBottom.gbr": TRACK, "assy top.gbr": TRACK, "a.rep": APERTURES}
    proposal = propose(files | others, Limits())
    assert [proposal.table[name] for name in names] == ["L1", "L2", "L3", "L4", "outline"]
    assert set(proposal.left_out) == set(others)
    assert proposal.reasons.keys() == proposal.table.keys()


def test_the_boards_own_name_tells_nothing():
    files = {f"robot fab {side}.gbr": PAD for side in ("top", "bottom", "mask")}
    assert propose(files, Limits()).table == {"robot fab top.gbr": "L1", "robot fab bottom.gbr": "L2"}


def test_an_aperture_list_is_no_layer_whatever_its_name():
    proposal = propose({"top.gbr": APERTURES, "b.gtl": PAD}, Limits())
    assert proposal.table == {"b.gtl": "L1"}
    assert "list of apertures" in proposal.left_out["top.gbr"]


def test_a_picture_of_holes_is_not_the_holes():
    proposal = propose({"b.gtl": PAD, "drill.gbr": TRACK, "holes.gbr": PAD}, Limits())
    assert proposal.table == {"b.gtl": "L1", "holes.gbr": "drill"}
    assert "drawing of the holes" in proposal.left_out["drill.gbr"]


def test_two_that_could_be_one_layer_are_left_open():
    proposal = propose({"b.gtl": PAD, "top.gbr": TRACK, "b.gbl": PAD}, Limits())
    assert proposal.table == {}
    assert '"top.gbr" could be the same layer' in proposal.left_out["b.gtl"]


def test_what_nothing_tells_is_left_out():
    assert propose({"b.gtl": PAD, "x.gbr": TRACK}, Limits()).left_out == {
        "x.gbr": "neither its name nor its content tells"
    }


@pytest.fixture
def bare(tmp_path):
    write_gerber_set(demo_board(), tmp_path / "fab", attributes=False)
    (tmp_path / "fab" / "board-job.gbrjob").unlink()
    return tmp_path / "fab"


def test_a_bare_set_is_refused_with_a_table_to_paste_and_read_when_that_is_accepted(bare):
    with pytest.raises(FabricationError) as caught:
        from_fabrication(bare)
    table = '"board-L1.gbr" = "L1", "board-L2.gbr" = "L2", "board-L3.gbr" = "L3", "board-L4.gbr" = "L4"'
    assert f'source_layers = {{ {table}, "board-outline.gbr" = "outline" }}' in str(caught.value)
    assert "--accept-layers" in str(caught.value)
    data = from_fabrication(bare, accept=True)
    assert len(data.layers) == 4
    assert dict(data.proposed)["board-outline.gbr"] == "outline"
    assert any(note.startswith("board-L2.gbr is taken as L2: copper by") for note in data.notes)

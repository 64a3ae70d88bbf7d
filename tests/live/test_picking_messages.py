"""The page of an import: what its messages may say, and the file that is written."""

import json

import pytest
from test_picking import LOOP, at_work, own

from livepage import FAB
from returnflow.live.moves import RequestError
from returnflow_geometry.casefile.read import CaseError, read_case
from returnflow_geometry.fabrication.board_data.starter import starter_case

GAP = {"kind": "cutout", "name": "gap", "coppers": ["GND on L2"], "shape": "{ rect = [40, 20, 40.5, 60] }"}


@pytest.mark.parametrize(
    ("what", "message", "said"),
    [
        ("add", {}, "kind must be"),
        ("add", LOOP | {"values": {}}, "current_A"),
        ("add", LOOP | {"values": {"current_A": "-1"}}, "greater than 0"),
        ("add", LOOP | {"values": {"current_A": "much"}}, "must be a bare number"),
        ("add", LOOP | {"values": {"current_A": '1\nformat = 2'}}, "must be a bare number"),
        ("add", LOOP | {"values": {"limit_V": "1", "current_A": "1"}}, "belongs to a loop of role"),
        ("add", LOOP | {"values": {"current_A": 1}}, "must be a text"),
        ("add", LOOP | {"values": 5}, "values must be"),
        ("add", LOOP | {"role": "loud"}, "role"),
        ("add", LOOP | {"inject": "U3.NONE"}, "the files have no pin of that name"),
        ("add", LOOP | {"name": ""}, "name is missing"),
        ("add", LOOP | {"return": " "}, "every current needs a return path"),
        ("add", LOOP | {"name": "\ud800"}, "printable"),
        ("add", LOOP | {"route": {"auto": True, "through": ["R99"]}}, "R99"),
        ("add", LOOP | {"route": 3}, "route must be"),
        ("add", LOOP | {"proposal": "none"}, "proposal must be"),
        ("add", GAP | {"coppers": []}, "choose at least one"),
        ("add", GAP | {"coppers": ["moon"]}, "no copper of that name"),
        ("add", GAP | {"shape": "{ rect = [0, 0] }"}, "rect"),
        ("add", GAP | {"shape": "[" * 5000}, "shape"),
        ("remove", {"kind": "loop", "name": "other"}, "nothing of that kind"),
        ("dismiss", {"name": "other"}, "proposed loop"),
        ("under", {"layer": 9, "shape": GAP["shape"]}, "number of a layer"),
        ("under", {"layer": 1, "shape": "round"}, "shape"),
        ("write", {}, "no request"),
        ("save", [], "no request"),
    ],
)  # fmt: skip
def test_a_bad_message_is_told_and_changes_nothing(desk, tmp_path, what, message, said):
    desk.answer("add", LOOP | {"name": "first"})
    before = json.dumps(desk.answer("state", {}))
    with pytest.raises(RequestError, match=said):
        desk.answer(what, message)
    assert json.dumps(desk.answer("state", {})) == before
    assert list(tmp_path.iterdir()) == []


def test_all_mistakes_of_a_form_are_told_in_one_go(desk):
    with pytest.raises(RequestError) as caught:
        desk.answer("add", LOOP | {"role": "sensitive", "values": {"signal_V": "x", "band_Hz": "[5, 1]"}})
    said = str(caught.value)
    assert len(said.splitlines()) == 3
    assert all(key in said for key in ("signal_V", "tolerates_V", "band_Hz"))


def test_what_was_drawn_before_any_loop_is_judged_with_the_first_one(desk):
    """One on copper that no loop reaches is to be mended then, and the loop is kept."""
    lost = GAP | {"name": "lost", "coppers": ["GND on L1"]}
    assert len(desk.answer("add", lost)["mistakes"]) == 1
    state = desk.answer("add", LOOP | {"inject": "U3.PGND", "return": "J4.GND"})
    assert len(state["made"]) == 2
    assert all(one.startswith('cutout "lost"') for one in state["mistakes"])


def test_a_cutout_that_parts_a_loop_is_refused(desk):
    desk.answer("add", LOOP)
    apart = GAP | {"shape": "{ rect = [-1, 39, 101, 41] }"}
    with pytest.raises(RequestError, match="stepper"):
        desk.answer("add", apart)
    assert len(desk.now.made) == 1


def test_another_file_is_not_written_over_but_its_own_is(made):
    _, desk, case = made()
    desk.answer("add", LOOP)
    assert desk.unsaved
    desk.answer("save", {})
    assert not desk.unsaved
    desk.answer("add", GAP)
    desk.answer("save", {})
    assert own(case.read_text(encoding="utf-8")).keys() == {"loop", "cutout"}
    case.write_text("mine", encoding="utf-8")
    with pytest.raises(RequestError, match="exists already and is left as it is"):
        desk.answer("save", {})
    assert case.read_text(encoding="utf-8") == "mine"
    _, other, _ = made(replace=True)
    other.answer("save", {})
    assert case.read_text(encoding="utf-8").startswith("# Written from")


def test_a_file_that_came_meanwhile_is_told_on_the_page(window, made):
    with at_work(window, made) as (page, case):
        case.write_text("mine", encoding="utf-8")
        page.click("#save")
        page.wait_for_selector("#savewrong:not([hidden])")
        assert "exists already" in page.inner_text("#savewrong")
    assert case.read_text(encoding="utf-8") == "mine"


def test_the_case_without_anything_made_is_the_starter_case(made, imported):
    _, desk, case = made()
    desk.answer("save", {})
    data, connectivity = imported
    assert case.read_text(encoding="utf-8") == starter_case(
        data, FAB.as_posix(), title="Picked", connectivity=connectivity
    )
    with pytest.raises(CaseError):
        read_case(case)

"""A case that Python changes: as a variant of the case file would be, with the same mistakes."""

import pickle
import re
from pathlib import Path

import numpy as np
import pytest

from returnflow_geometry.casefile.read import CaseError, parse_case, read_case
from returnflow_geometry.checks.case_checks import check_case
from returnflow_geometry.model.board import Case

EXAMPLE = Path(__file__).parents[2] / "examples/strip_with_slot.toml"
VARIANT = """
[[variant]]
name = "other"
drop = ["lower quarter beside the slot"]
move = { "sense A" = [35, 3] }
set = { "slot.shape.width" = 2.0, "supply return.current_A" = 0.5 }
add = { cutout = [ { name = "more", copper = "strip", shape = { circle = [60, 5], diameter = 1 } } ] }
"""
CHANGES = {
    "drop": ["lower quarter beside the slot"],
    "move": {"sense A": (35, 3)},
    "set": {"slot.shape.width": np.float64(2.0), "supply return.current_A": 0.5},
    "add": {"cutout": [{"name": "more", "copper": "strip", "shape": {"circle": np.array([60, 5]), "diameter": 1}}]},
}


@pytest.fixture(scope="module")
def case():
    return read_case(EXAMPLE)


class TestTheSameAsAVariant:
    def test_board_loops_and_places(self, case):
        text = EXAMPLE.read_text(encoding="utf-8")
        (variant,) = parse_case(text + VARIANT).variants
        changed = case.changed(**CHANGES)
        assert changed.board == variant.case.board
        assert (changed.loops, changed.regions, changed.sections) == (
            variant.case.loops,
            variant.case.regions,
            variant.case.sections,
        )
        assert [f"Changed: {change}." for change in variant.changes] == list(changed.assumptions[-5:])

    def test_the_case_itself_stays(self, case):
        before = case.board
        case.changed(**CHANGES)
        assert case.board is before
        assert case == read_case(EXAMPLE)

    def test_changes_add_up(self, case):
        step = case.changed(set={"slot.shape.width": 2}).changed(set={"supply return.current_A": 0.5})
        both = case.changed(set={"slot.shape.width": 2, "supply return.current_A": 0.5})
        assert step == both
        assert check_case(step).mistakes == []

    def test_a_variant_can_be_changed_too_and_so_can_what_travelled(self, case):
        text = EXAMPLE.read_text(encoding="utf-8")
        (variant,) = parse_case(text + VARIANT).variants
        again = pickle.loads(pickle.dumps(variant.case))
        assert again.changed(drop=["more"]) == variant.case.changed(drop=["more"])
        assert "more" not in [cutout.name for cutout in again.changed(drop=["more"]).board.cutouts]


class TestNothingChanged:
    """A loop over values passes the present one; a case file's variant that changes nothing is a mistake."""

    @pytest.mark.parametrize("changes", [{}, {"set": {"slot.shape.width": 0.1}}])
    def test_the_same_board_is_no_mistake(self, case, changes):
        same = case.changed(**changes)
        assert (same.board, same.loops, same.assumptions) == (case.board, case.loops, case.assumptions)
        assert same.changed(set={"slot.shape.width": 2}) == case.changed(set={"slot.shape.width": 2})

    def test_a_loop_over_values_goes_through_the_present_one(self, case):
        areas = [case.changed(set={"slot.shape.width": w}).board.cutouts[0].shape.area for w in (0.05, 0.1, 0.2)]
        assert areas[1] == case.board.cutouts[0].shape.area
        assert sorted(areas) == areas

    def test_in_a_case_file_it_is_one(self):
        text = EXAMPLE.read_text(encoding="utf-8")
        with pytest.raises(CaseError, match='variant "same" changes nothing'):
            parse_case(text + '[[variant]]\nname = "same"\nset = { "slot.shape.width" = 0.1 }')


class TestMistakes:
    @pytest.mark.parametrize(
        ("changes", "message"),
        [
            (
                {"set": {"slot.shape.widht": 2}},
                r'^cutout "slot": shape.widht is an unknown key; the nearest valid key is width',
            ),
            ({"set": {"slot.shape.width": "wide"}}, r'cutout "slot": .*is "wide"'),
            ({"move": {"sense A": [500, 3]}}, r'terminal "sense A"'),
            ({"drop": "slot"}, r"^drop is \"slot\"; must be a list of names; write it as"),
            ({"add": {"cutouts": []}}, r"^add.cutouts is nothing that can be added"),
            ({"drop": ["sense A"]}, r"is dropped, and is the inject of loop"),
        ],
    )
    def test_each_is_told_as_of_a_variant(self, case, changes, message):
        with pytest.raises(CaseError, match=message) as caught:
            case.changed(**changes)
        assert not re.search(r'variant "changed"', str(caught.value))

    def test_a_case_made_by_hand_has_no_tables(self, case):
        with pytest.raises(ValueError, match="not read from a case file"):
            Case(title="", board=case.board, loops=case.loops).changed(drop=["slot"])


def test_a_case_is_shown_on_one_line(case):
    assert repr(case) == '<Case "Strip with a slot (teaching case)": 1 copper, 2 loops, 0 variants, 0 sweeps>'

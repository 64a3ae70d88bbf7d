"""What is recommended for several limits is one board, with every change of them, and is solved as that."""

import functools
from dataclasses import replace
from unittest import mock

import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from test_around import case as clock_case
from test_around import high, loop, terminal

import solved
from returnflow.advice import decision as decisions
from returnflow.advice.decision import Decision, choose_harmless, decide, one_for_all, recommended, settled
from returnflow.advice.drawn import moved, own_return
from returnflow.advice.option import Option
from returnflow.advice.study import AS_DRAWN, run
from returnflow.advice.together import merged, titled, verdict_of_all
from returnflow.advice.trials import without_gaps
from returnflow.answers import batch
from returnflow.words.study_tables import variants_table
from returnflow_geometry.model.wording import named

# Beside the clock that crosses the slot: a fan whose current passes a probe, on the far side of the slot.
PROBE = "".join(terminal(*pin) for pin in (("P1", 40, 36), ("P2", 54, 36), ("P3", 42, 38), ("P4", 56, 33)))
PROBE += loop("probe", "sensitive", ("P2", "P1"), tolerates_V=2e-5, signal_V=1, band_Hz="[0, 1e3]")
PROBE += loop("fan", "noisy", ("P4", "P3"), current_A=1, frequency_Hz=0)


def solve(case, **more):
    """A study whose boards are solved once: on its own a board is solved again only where it is another one."""
    with mock.patch.object(batch, "solve_case", solved.board):
        return run(case, jobs=1, **more)


@functools.cache
def study():
    # The sensor is what forbids to close the slot.
    return solve(high(clock_case(limit=8e-3, tolerates=2e-5, more=PROBE)))


def drawn():
    return clock_case(more=PROBE)


def parts():
    """Changes that have nothing to do with each other."""
    base = drawn()
    louder = tuple(replace(it, current=2.0) if it.name == "fan" else it for it in base.loops)
    thick = tuple(replace(it, thickness=2 * it.thickness) for it in base.board.layers)
    return {
        "moved": moved(base, "S2", (0.022, 0.006)),
        "return": own_return(base, base.loop("probe")),
        "closed": without_gaps(base),
        "louder": replace(base, loops=louder, variants=(), sweeps=()),
        "thicker": replace(base, board=replace(base.board, layers=thick), variants=(), sweeps=()),
    }


class TestMerged:
    @given(st.sets(st.sampled_from(sorted(parts())), min_size=2), st.randoms(use_true_random=False))
    @settings(max_examples=25)
    def test_every_change_is_there_in_whatever_order(self, names, random):
        chosen = sorted(names)
        found = []
        for _ in range(2):
            random.shuffle(chosen)
            made = parts()[chosen[0]]
            for name in chosen[1:]:
                made = merged(drawn(), made, parts()[name])
            found.append(made)
        one, other = found
        for kind in ("coppers", "terminals", "links", "cutouts", "layers"):
            assert {it.name: it for it in getattr(one.board, kind)} == {
                it.name: it for it in getattr(other.board, kind)
            }
        assert {it.name: it for it in one.loops} == {it.name: it for it in other.loops}
        assert (not one.board.cutouts) == ("closed" in names)
        assert (one.loop("fan").current == 2.0) == ("louder" in names)
        assert (one.board.terminal("S2").centre == pytest.approx((0.022, 0.006))) == ("moved" in names)
        assert ("drawn return for probe" in {it.name for it in one.board.coppers}) == ("return" in names)
        assert (one.board.layers[0].thickness > 50e-6) == ("thicker" in names)
        # A loop that one lifts and another feeds more has both.
        assert (one.loop("probe").inject == "P2") == ("return" not in names)

    def test_with_nothing_changed_it_is_the_other(self):
        other = parts()["return"]
        assert merged(drawn(), drawn(), other).board == merged(drawn(), other, drawn()).board == other.board

    @pytest.mark.parametrize("place", [(0.021, 0.006), (0.022, 0.007)])
    def test_one_thing_cannot_be_in_two_places(self, place):
        base = drawn()
        assert merged(base, moved(base, "S2", (0.022, 0.006)), moved(base, "S2", place)) is None
        assert merged(base, moved(base, "S2", place), moved(base, "S2", place)) is not None

    def test_what_one_takes_out_the_other_cannot_reshape(self):
        base = drawn()
        (slot,) = base.board.cutouts
        longer = replace(slot, shape=shapely.affinity.scale(slot.shape, yfact=1.05))
        reshaped = replace(base, board=replace(base.board, cutouts=(longer,)))
        assert merged(base, without_gaps(base), reshaped) is None
        assert merged(base, reshaped, without_gaps(base)) is None


class TestStudy:
    def test_what_is_recommended_for_each_limit_is_solved_as_one_board(self):
        found = study()
        by_name = {it.loop: it for it in found.decisions}
        assert by_name["sensor"].tolerable
        boards = recommended(found.decisions)
        assert boards == (by_name["probe"].chosen.variant, '"clock" led round "slot"')
        (name,) = found.joint
        assert name == titled(boards)
        assert name in found.proved
        assert found.changes[name] == tuple(line for board in boards for line in found.changes[board])
        case = found[name].case
        assert case.loop("clock").route == found[boards[1]].case.loop("clock").route
        assert case.loop("probe").inject == found[boards[0]].case.loop("probe").inject

    def test_its_verdict_is_that_of_its_solve_and_each_decision_that_has_a_part_tells_it(self):
        found = study()
        (name,) = found.joint
        again = solve(found[name].case, only=[AS_DRAWN])[AS_DRAWN]
        assert [it.verdict for it in (*again.sensitive, *again.cables)] == ["kept"] * 3
        open_ones = [decision for decision in found.decisions if not decision.tolerable]
        assert len(open_ones) == 2
        for decision in open_ones:
            assert "All of it together, solved as" in decision.all_limits
            assert "every limit is kept" in decision.all_limits

    @pytest.mark.parametrize(("share", "told"), [(0.55, True), (0.45, False)])
    def test_less_than_six_decibels_for_one_of_them_is_told(self, share, told):
        found = study()
        (name,) = found.joint
        least = max((*found[name].sensitive, *found[name].cables), key=lambda it: it.sure / it.limit)
        close = replace(least, noise=share * least.limit, low=share * least.limit, high=share * least.limit)
        kinds = {
            kind: tuple(close if it is least else it for it in getattr(found[name], kind))
            for kind in ("sensitive", "cables")
        }
        said = verdict_of_all(found[AS_DRAWN], replace(found[name], **kinds))
        assert f"the least room for {named(least.loop)}" in said
        assert ("That is less than 6 dB: measure before you rely on it." in said) == told

    def test_where_they_cannot_be_one_board_one_that_keeps_every_limit_is_recommended_for_all(self, monkeypatch):
        found = study()
        base, (joint,) = found[AS_DRAWN], found.joint
        single = {name: it for name, it in (found.variants | found.trials).items() if name not in (AS_DRAWN, joint)}
        names = recommended(found.decisions)

        def chosen(boards):
            """Each limit with the board that is best for it by itself, whatever others there are."""
            return [
                replace(
                    it, chosen=None if it.tolerable else next(o for o in it.options if o.variant in names and o.meets)
                )
                for it in settled(base, boards, {})[0]
            ]

        both = single | {"both": found[joint]}
        assert one_for_all(chosen(both), base, both, names) is None  # they can be drawn as one
        monkeypatch.setattr(decisions, "obstacle", lambda *_: "they change one thing in different ways")
        decided = one_for_all(chosen(both), base, both, names)
        assert [None if it.chosen is None else it.chosen.variant for it in decided] == [None, "both", "both"]
        assert one_for_all(chosen(single), base, single, names) is None  # none keeps every limit
        loops = tuple(replace(it, tolerates=9.0) if it.tolerates else it for it in found[joint].case.loops)
        eased = single | {"both": replace(found[joint], case=replace(found[joint].case, loops=loops))}
        assert one_for_all(chosen(eased), base, eased, names) is None  # nor one whose limits are others

    def test_in_the_comparison_it_is_the_one_that_is_recommended(self):
        found = study()
        table = variants_table(found)
        (marked,) = table.marks
        assert table.rows[marked][0].text == found.joint[0]

    def test_where_it_was_not_solved_that_is_said(self):
        found = study()
        single = {
            name: it for name, it in (found.variants | found.trials).items() if name not in (AS_DRAWN, *found.joint)
        }
        every = decide(found[AS_DRAWN], single)
        assert {it.all_limits for it in every if it.tolerable} == {""}
        for it in every:
            assert it.tolerable or it.all_limits.startswith("What is recommended for each was not solved together: ")

    def test_it_is_no_option_by_itself(self):
        found = study()
        assert not any(option.variant in found.joint for it in found.decisions for option in it.options)


def test_harm_to_another_signal_counts():
    """To close the slot brings the cables back, but leads the heater's current past the sensor."""
    found = study()
    option = next(it for it in found.decisions[1].options if it.variant == "every gap closed")
    assert found["every gap closed"].sensitive[0].verdict == "exceeded"
    assert option.broken == ("sensor",)
    assert any(line.startswith('"sensor": ') and "over its limit" in line for line in option.costs)


class TestForCables:
    """Never at a signal's cost; a board that is advised for a signal comes first."""

    @staticmethod
    def option(variant, noise, **other):
        facts = {"noise": noise, "low": noise, "high": noise, "limit": 1.0, "reasons": ()}
        return Option(kind="copper", title=variant, variant=variant, **facts | other)

    def test_what_harms_nothing_else_though_it_leaves_more(self):
        options = [self.option("x", 0.1, broken=("two",)), self.option("y", 0.1, worse=("two",)), self.option("z", 0.3)]
        assert choose_harmless(options).variant == "z"
        assert choose_harmless(options[:2]) is None

    def test_what_is_advised_for_a_signal_comes_first(self):
        options = [self.option("x", 0.1), self.option("y", 0.6), self.option("z", 2.0)]
        assert choose_harmless(options, ["y"]).variant == "y"
        assert choose_harmless(options, ["z", None]).variant == "x"  # that one does not mend it

    def test_what_is_advised_for_a_signal_and_harms_another_does_not(self):
        options = [self.option("x", 0.1), self.option("y", 0.2, broken=("two",))]
        assert choose_harmless(options, ["y"]).variant == "x"

    def test_of_two_that_do_as_much_that_with_one_change(self):
        both = self.option("amplifier moved, every gap closed", 0.09, mended=("input",))
        closed = self.option("every gap closed", 0.1)
        # The input counts unless something is recommended for it: then moving its amplifier is no affair of cables.
        assert choose_harmless([closed, both]) is both
        assert choose_harmless([closed, both], (), ["input"]) is closed
        assert choose_harmless([closed, replace(both, mended=("other",))], (), ["input"]).mended == ("other",)

    def test_boards_are_named_once(self):
        facts = {"role": "cables", "tolerable": False, "finding": "", "options": (), "recommendation": ""}
        decisions = [
            Decision(loop=name, chosen=chosen, rests_on=(), **facts)
            for name, chosen in (("a", self.option("x", 0)), ("b", None), ("c", self.option(None, 0)),
                                 ("d", self.option("y", 0)), ("e", self.option("x", 0)))
        ]  # fmt: skip
        assert recommended(decisions) == ("x", "y")

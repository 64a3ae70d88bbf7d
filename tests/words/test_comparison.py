"""Variants in words: every cell is a figure of the comparison, and what cannot be told from no change is called so."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from reporting import CABLES, NOISY, REGION, SENSITIVE, result, study, varied
from returnflow.advice.option import Option
from returnflow.answers.compare import Change, Figure, Row
from returnflow.words.comparison import (
    NO_CHANGE,
    VERDICTS,
    cell,
    change_text,
    costs_text,
    figure_text,
    keeps_text,
    moving,
    noise_text,
    possible_text,
    row_limit,
    row_name,
)
from returnflow.words.terminal import summary_table
from returnflow_geometry.model.numbers import engineering


def row_of(kind, loop):
    return next(row for row in varied().comparison.of(kind) if row.loop == loop)


def row(old, new, **changes):
    figures = tuple(None if it is None else Figure(value=it[0], half=it[1]) for it in (old, new))
    return Row(**({"kind": "noise", "loop": "x", "other": "", "unit": "V", "limit": 1.0, "figures": figures} | changes))


def said(old, new, **changes):
    it = row(old, new, **changes)
    return change_text(it.change(1), it, 1)


class TestChanges:
    @pytest.mark.parametrize(
        ("old", "new", "text"),
        [
            ((2.0, 0.1), (1.0, 0.1), "−6.0 dB, −50 %"),
            ((1.0, 0.1), (2.0, 0.1), "+6.0 dB, +100 %"),
            ((2.0, 0.1), (0.0, 0.0), "to zero"),
            ((0.0, 0.0), (2.0, 0.1), "from zero"),
            # Nearly all of it is not all of it, and a little is not nothing.
            ((1.0, 0.0), (3e-5, 0.0), "−90.5 dB, −99.997 %"),
            ((1.0, 0.0), (0.999, 0.0), "−0.0087 dB, −0.1 %"),
        ],
    )
    def test_they_are_in_decibels_and_per_cent(self, old, new, text):
        assert said(old, new) == text

    def test_at_the_border_of_the_brackets_there_is_none_and_just_beyond_there_is(self):
        # Halves of 0.25: exactly representable, so that the border is the border.
        assert said((2.0, 0.25), (2.5, 0.25)) == f"{NO_CHANGE} (±25 %)"
        assert said((2.0, 0.25), (1.5, 0.25)) == f"{NO_CHANGE} (±25 %)"
        assert said((2.0, 0.25), (math.nextafter(2.5, 3.0), 0.25)) == "+1.9 dB, +25 %"
        assert said((2.0, 0.25), (math.nextafter(1.5, 1.0), 0.25)) == "−2.5 dB, −25 %"

    def test_what_is_known_is_an_amount_where_a_percentage_would_say_nothing(self):
        assert said((1e-9, 1e-6), (2e-9, 1e-6)) == f"{NO_CHANGE} (±2 µV)"
        assert said((0.0, 0.0), (0.0, 0.0)) == f"{NO_CHANGE} (the same)"

    def test_meaningless_percentages_are_not_shown(self):
        it = row((0.0, 0.0), (1.0, 0.0))
        assert "nan" not in change_text(Change(dB=math.inf, percent=math.nan, meaningful=True), it, 1)


class TestCells:
    def test_values_margins_and_changes_are_those_of_the_results(self):
        names = varied().comparison.variants
        it = row_of("noise", SENSITIVE)
        base = varied()["as drawn"].sensitive[0]
        for n, name in enumerate(names):
            budget = varied()[name].sensitive[0]
            shown = cell(varied(), it, n)
            assert shown.value == engineering(budget.noise, "V")
            decibels = 20 * math.log10(budget.limit / budget.noise)
            assert shown.margin == f"{decibels:+.1f} dB, {VERDICTS[budget.verdict]}".replace("-", "−")
            assert shown.verdict == budget.verdict
            if name in ("no <slot>", "half & half"):
                change = 20 * math.log10(budget.noise / base.noise)
                assert shown.change.startswith(f"{change:+.1f} dB, ".replace("-", "−"))
                assert shown.moved

    def test_half_the_current_is_six_decibels_and_a_copy_is_no_change(self):
        it = row_of("cables", CABLES)
        shown = {name: cell(varied(), it, n) for n, name in enumerate(varied().comparison.variants)}
        assert shown["as drawn"].change == ""
        assert shown["half & half"].change == "−6.0 dB, −50 %"
        assert shown["spare moved"].change.startswith(NO_CHANGE)
        assert not shown["spare moved"].moved

    def test_a_limit_that_a_variant_sets_is_the_one_its_margin_is_against(self):
        own = replace(varied()["half & half"].sensitive[0], limit=1e-3)
        results = varied().variants | {"half & half": replace(varied()["half & half"], sensitive=(own,))}
        changed = replace(varied(), variants=results)
        it = next(row for row in changed.comparison.of("noise"))
        assert cell(changed, it, 2).verdict == "kept"
        assert cell(changed, it, 0).verdict == "exceeded"
        assert row_limit(changed, it) == "limit 20 µV, 1 mV, by variant"
        assert row_limit(varied(), row_of("noise", SENSITIVE)) == "limit 20 µV"

    def test_what_a_variant_does_not_have_is_said(self):
        it = row((1.0, 0.1), None, kind="gap", other="slot", unit="H")
        assert cell(varied(), it, 1).value == "not crossed"
        assert cell(varied(), row((1.0, 0.1), None, kind="link", other="via", unit=""), 1).value == "–"
        assert cell(varied(), it, 1).absent
        assert cell(varied(), it, 1).change == ""

    def test_shares_are_per_cent_and_peaks_name_their_unit(self):
        share = row_of("share", NOISY)
        assert row_name(share) == f'"{NOISY}" through "{REGION}"'
        assert figure_text(share, Figure(value=0.731, half=0.0)) == "73.1 %"
        peak = row_of("crowding", SENSITIVE)
        assert row_name(peak).endswith(", for 1 A")
        assert figure_text(peak, Figure(value=983.0, half=0.0)) == "983 A/m"

    def test_rows_without_any_change_come_apart(self):
        first, rest = moving(varied().comparison.rows)
        assert {row.kind for row in first} >= {"noise", "cables"}
        assert set(map(id, (*first, *rest))) == set(map(id, varied().comparison.rows))
        assert all(not row.change(n).meaningful for row in rest for n in range(1, 4))
        still = row((1.0, 0.1), (1.05, 0.1), kind="share", unit="")
        assert moving([still]) == ([], [still])
        assert moving([row((1.0, 0.1), None, kind="gap")])[1] == []
        assert moving([row(None, (0.5, 0.1), kind="link", unit="")])[1] == []
        assert moving([row(None, (5e-5, 1e-6), kind="link", unit="")])[0] == []


class TestDecision:
    def test_options_in_words(self):
        (decision,) = varied().decisions
        solved = next(option for option in decision.options if option.variant == "half & half")
        assert noise_text(solved).startswith(engineering(varied()["half & half"].sensitive[0].noise, "V"))
        assert keeps_text(solved) == "no"
        assert keeps_text(replace(solved, high=solved.limit)) == "yes"
        assert keeps_text(replace(solved, low=0.5 * solved.limit, high=2 * solved.limit)) == "undecided"
        assert keeps_text(replace(solved, high=solved.limit, why_not="No.")) == "yes, but not possible"
        assert noise_text(replace(solved, noise=None)) == "not computed"
        worked_out = replace(solved, noise=solved.limit, low=solved.limit, high=solved.limit, variant=None)
        assert noise_text(worked_out).startswith("at most 20 µV")
        # A bound that is much more is said, and the margin is that of the bound, unless the limit is exceeded anyhow.
        assert noise_text(replace(worked_out, high=2 * solved.limit)) == "20 µV, at most 40 µV (−6.0 dB)"
        above = replace(solved, noise=2 * solved.limit, low=1.5 * solved.limit, high=4 * solved.limit)
        assert noise_text(above) == "40 µV (−6.0 dB)"
        assert costs_text(replace(solved, broken=("a",), mended=("b",))) == 'exceeds the limit of "a"; fixes "b"'
        assert costs_text(replace(solved, costs=())) == "no change"
        assert costs_text(replace(solved, costs=(), variant=None)) == "not computed"

    def test_the_terminal_gets_it_short(self):
        text = summary_table(varied())
        (decision,) = varied().decisions
        flat = " ".join(text.split())
        assert " ".join(decision.finding.split()) in flat
        assert " ".join(decision.recommendation.split()) in flat
        lines = text.splitlines()
        marked = [line for line in lines if line.startswith("  * ")]
        assert len(marked) == 1
        assert marked[0][4:].startswith(decision.chosen.title[:40])
        assert [line.split("  ")[1] for line in lines if "−6.0 dB" in line] == ["half & half"] * 2
        assert "more quantities of all variants are compared in the report" in text
        assert all(len(line) <= 125 for line in lines)

    def test_failed_variants_are_told_with_the_reason(self):
        text = summary_table(replace(study(), failed={"gone": "No way from A to B."}))
        assert 'Variant "gone" failed: No way from A to B.' in text

    def test_nothing_of_it_without_variants_or_sensitive_loops(self):
        bare = replace(study(), variants={"as drawn": replace(result(), sensitive=())})
        assert "Recommended" not in summary_table(bare)
        assert "against as drawn" not in summary_table(bare)


def test_an_option_that_waits_for_a_route_says_which():
    figureless = Option(
        kind="dedicated return", title="a return of its own", noise=None, low=None, high=None,
        limit=1e-6, reasons=(), unrouted=("pump", "clock"),
    )  # fmt: skip
    assert noise_text(figureless) == "open"
    assert keeps_text(figureless) == 'open: draw the route of "pump" and "clock"'
    # Without a route that is missing it just has no figure.
    assert keeps_text(replace(figureless, unrouted=())) == "not known"
    # What is not possible is told so once.
    ruled_out = replace(figureless, why_not="No.")
    assert possible_text(ruled_out) == "no"
    assert [text(ruled_out) for text in (noise_text, keeps_text, costs_text)] == ["–", "–", "–"]

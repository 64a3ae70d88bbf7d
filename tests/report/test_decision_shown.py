"""Top of the report: the decision first, one table of all variants, and its cells equal to the numbers."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache

import pytest

from htmlpage import Page, read
from reporting import NOISY, SENSITIVE, drawn, layered, study, varied
from returnflow.advice.findings import Finding
from returnflow.pictures.album import Picture
from returnflow.report.page import details_html, report_html
from returnflow.words.comparison import cell, moving, row_name


@cache
def html() -> str:
    return details_html(varied(), {})


@cache
def brief() -> str:
    return report_html(varied(), {})


@pytest.fixture(scope="module")
def page() -> Page:
    return read(html())


class TestDecision:
    def test_it_comes_before_everything_else(self):
        places = [brief().index(text) for text in ('class="lead"', "Recommended:", "Variants compared", "Cautions")]
        assert places == sorted(places)
        places = [html().index(f"<h2>{text}") for text in ("Decision: ", "Variants compared", "Details: as drawn")]
        assert places == sorted(places)

    def test_the_brief_has_every_option_the_recommended_one_marked_and_what_it_costs_elsewhere(self):
        (decision,) = varied().decisions
        page = read(brief())
        text = "".join(page.text)
        assert decision.recommendation in text
        assert all(sentence in text for sentence in decision.chosen.costs)
        titles = [row[0] for row in page.rows if len(row) == 5 and row[1] in ("yes", "no")]
        assert len(titles) == len(decision.options)
        for title, option in zip(titles, decision.options, strict=True):
            assert title.startswith(option.title)
            assert ("recommended" in title) == (option is decision.chosen)
        assert brief().count('<tr class="chosen">') == 1 + (decision.chosen.variant is not None)

    def test_of_many_options_the_brief_has_the_first_and_the_chosen(self):
        (decision,) = varied().decisions
        other = next(option for option in decision.options if option is not decision.chosen)
        many = replace(decision, options=(*[replace(other) for _ in range(20)], decision.chosen))
        it = replace(varied())
        it.__dict__["decisions"] = (many,)
        page = read(report_html(it, {}))
        assert len([row for row in page.rows if len(row) == 5 and row[1] in ("yes", "no")]) == 13
        assert "8 more are in the details." in "".join(page.text)
        assert len([row for row in read(details_html(it, {})).rows if len(row) == 5 and row[1] in ("yes", "no")]) == 21

    def test_finding_recommendation_and_all_reasons_are_in_the_details(self, page):
        text = "".join(page.text)
        (decision,) = varied().decisions
        assert decision.finding in text
        assert decision.recommendation in text
        assert all(sentence in text for sentence in decision.rests_on)
        for option in decision.options:
            assert page.row(option.title)[1] == "".join((option.why_not, *option.reasons, *option.costs))

    def test_none_without_the_case_as_drawn(self):
        only = replace(varied(), variants={"half & half": varied()["half & half"]})
        for text in (report_html(only, {}), details_html(only, {})):
            assert "Decision:" not in text
            assert "Variants compared" not in text


class TestComparison:
    def test_one_column_for_each_variant_and_every_row_once(self, page):
        names = list(varied().comparison.variants)
        heads = [row for row in page.rows if row == ["quantity", *names]]
        assert len(heads) == 2  # what changes, and what does not
        first, rest = moving(varied().comparison.rows)
        for it in (*first, *rest):
            cells = [cell(varied(), it, n) for n in range(len(names))]
            wanted = [f"{c.value}{c.margin}{c.change}" for c in cells]
            shown = [row[1:] for row in page.rows if row[0].startswith(row_name(it)) and len(row) == len(names) + 1]
            assert wanted in shown, it
        assert len(first) + len(rest) == len(varied().comparison.rows)

    def test_decibels_of_the_noise_are_those_of_the_budgets(self, page):
        noise = [varied()[name].sensitive[0].noise for name in varied().comparison.variants]
        shown = next(row for row in page.rows if row[0].startswith(f'"{SENSITIVE}"limit 20 µV'))
        for n, text in enumerate(shown[1:]):
            if n in (1, 2):
                expected = f"{20 * math.log10(noise[n] / noise[0]):+.1f}".replace("-", "−")
                assert expected in text
        assert "no change" in shown[4]

    def test_what_every_variant_changes_is_said(self, page):
        text = "".join(page.text)
        for sentences in (varied().changes.get(name, ()) for name in varied().comparison.variants):
            assert all(sentence in text for sentence in sentences)

    def test_a_failed_variant_is_named_with_its_reason(self):
        failed = {"gone <1>": "No copper between A & B."}
        for it in (study(), varied()):
            page = read(report_html(replace(it, failed=failed), {}))
            assert 'Variant "gone <1>" could not be solved: No copper between A & B.' in "".join(page.text)

    def test_many_variants_stand_in_several_tables(self):
        seven = {f"variant number {k}": replace(varied()["half & half"], name=f"variant number {k}") for k in range(7)}
        page = read(details_html(replace(varied(), variants=varied().variants | seven), {}))
        heads = [row for row in page.rows if row[0] == "quantity"]
        assert [len(row) for row in heads[:2]] == [7, 7]
        assert [name for row in heads[:2] for name in row[1:]] == [*varied().variants, *seven, *varied().proved]

    def test_names_are_never_markup(self, page):
        assert "no <slot>" in "".join(page.text)
        assert "no <slot>" not in html()
        assert NOISY in "".join(page.text)


class TestAround:
    def test_findings_stand_with_their_weight_before_the_details(self):
        finding = Finding(
            kind="crossing",
            things=("a",),
            sentence='"a" crosses <b> & costs 3 nH.',
            severity=2.0,
            value=3e-9,
            unit="H",
            at=(0.01, 0.02),
        )
        it = replace(varied())
        it.__dict__["findings"] = (finding,)
        made = details_html(it, {})
        page = read(made)
        assert read(report_html(it, {})).row('"a" crosses <b> & costs 3 nH.') == page.row(
            '"a" crosses <b> & costs 3 nH.'
        )
        assert page.row('"a" crosses <b> & costs 3 nH.')[1:] == ["high", "(10.0, 20.0) mm"]
        assert made.index("<h2>Layout findings") < made.index("<h2>Details: as drawn")

    def test_pictures_of_all_variants_come_before_the_details(self):
        picture = Picture(
            kind="compare", file="compare-x.png", caption="Side & side", alt="x" * 30, loops=(), png=drawn()[0].png
        )
        assert "Side &amp; side" in report_html(varied(), {}, [picture])
        made = details_html(varied(), {}, [picture])
        places = [made.index(it) for it in ("<h2>Variants compared", "Side &amp; side", "<h2>Details: as drawn")]
        assert places == sorted(places)

    def test_coppers_and_links_are_in_the_details(self):
        made = details_html(replace(study(), variants={"as drawn": layered()}), {})
        page = read(made)
        assert page.row("one point")[1] == "S (ground) – r1 (return)"
        assert page.row("spare")[-1] == "no loop reaches it: its eddy currents count"

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
from returnflow.report.decision_parts import comparison_html, decisions_html
from returnflow.report.page import report_html
from returnflow.words.comparison import cell, moving, row_name


@cache
def html() -> str:
    return report_html(varied(), {})


@pytest.fixture(scope="module")
def page() -> Page:
    return read(html())


class TestDecision:
    def test_it_comes_before_everything_else(self):
        places = [
            html().index(text) for text in ('class="lead"', "Decision: ", "Variants compared", "Details: as drawn")
        ]
        assert places == sorted(places)

    def test_finding_recommendation_and_every_option_with_all_its_reasons(self, page):
        text = "".join(page.text)
        (decision,) = varied().decisions
        assert decision.finding in text
        assert decision.recommendation in text
        assert all(sentence in text for sentence in decision.rests_on)
        titles = [row[0] for row in page.rows if len(row) == 5 and row[1] in ("yes", "no")]
        assert len(titles) == len(decision.options)
        for title, option in zip(titles, decision.options, strict=True):
            assert title.startswith(option.title)
            assert ("recommended" in title) == (option is decision.chosen)
            assert all(sentence in text for sentence in (*option.reasons, *option.costs))

    def test_reasons_are_folded_on_screen_and_open_in_print(self, page):
        (decision,) = varied().decisions
        tags = [tag for tag, _ in page.elements]
        assert tags.count("details") == tags.count("summary") >= len(decision.options) + 1
        assert "details::details-content { content-visibility: visible" in html().split("@media print")[1]

    def test_none_without_the_case_as_drawn(self):
        only = replace(varied(), variants={"half & half": varied()["half & half"]})
        assert decisions_html(only) == ""
        assert comparison_html(only) == ""


class TestComparison:
    def test_one_column_for_each_variant_and_every_row_once(self, page):
        names = list(varied().comparison.variants)
        heads = [row for row in page.rows if row == ["quantity", *names]]
        assert len(heads) == 2  # what changes, and folded what does not
        first, rest = moving(varied().comparison.rows)
        for it in (*first, *rest):
            cells = [cell(varied(), it, n) for n in range(len(names))]
            wanted = [f"{c.value}{c.margin}{c.change}".replace(" ", "\u00a0") for c in cells]
            shown = [
                [text.replace(" ", "\u00a0") for text in row[1:]]
                for row in page.rows
                if row[0].startswith(row_name(it)) and len(row) == len(names) + 1
            ]
            assert wanted in shown, it
        assert len(first) + len(rest) == len(varied().comparison.rows)

    def test_decibels_of_the_noise_are_those_of_the_budgets(self, page):
        noise = [varied()[name].sensitive[0].noise for name in varied().comparison.variants]
        shown = next(
            row
            for row in page.rows
            if row[0].startswith(f"“{SENSITIVE}”20\u00a0µV") or row[0].startswith(f"“{SENSITIVE}”20 µV")
        )
        for n, text in enumerate(shown[1:]):
            if n in (1, 2):
                expected = f"{20 * math.log10(noise[n] / noise[0]):+.1f}".replace("-", "−")
                assert expected in text
        assert "no change" in shown[4]

    def test_what_every_variant_changes_is_said(self, page):
        text = "".join(page.text)
        for sentences in varied().changes.values():
            assert all(sentence in text for sentence in sentences)

    def test_a_failed_variant_is_named_with_its_reason(self):
        failed = {"gone <1>": "No copper between A & B."}
        for it in (study(), varied()):
            page = read(report_html(replace(it, failed=failed), {}))
            assert "Variant “gone <1>” could not be solved: No copper between A & B." in "".join(page.text)

    def test_many_variants_scroll_on_screen_and_wrap_in_print(self):
        seven = {f"variant number {k}": replace(varied()["half & half"], name=f"variant number {k}") for k in range(7)}
        made = report_html(replace(varied(), variants=varied().variants | seven), {})
        page = read(made)
        assert any(len(row) == 12 for row in page.rows)
        assert ".scroll { overflow-x: auto" in made
        assert ".comparison { table-layout: fixed; width: 100%" in made.split("@media print")[1]

    def test_names_are_never_markup(self, page):
        assert "no <slot>" in "".join(page.text)
        assert "no <slot>" not in html()
        assert NOISY in "".join(page.text)


class TestAround:
    def test_findings_stand_with_their_weight_before_the_details(self):
        finding = Finding(
            kind="crossing",
            things=("a",),
            sentence="“a” crosses <b> & costs 3 nH.",
            severity=2.0,
            value=3e-9,
            unit="H",
            at=(0.01, 0.02),
        )
        it = replace(varied())
        it.__dict__["findings"] = (finding,)
        made = report_html(it, {})
        page = read(made)
        assert page.row("“a” crosses <b> & costs 3 nH.")[1:] == ["at or above what is tolerated", "(10.0, 20.0)"]
        assert made.index("Review of the drawing") < made.index("Details: as drawn")

    def test_pictures_of_all_variants_come_before_the_details(self):
        picture = Picture(
            kind="compare", file="compare-x.png", caption="Side & side", alt="x" * 30, loops=(), png=drawn()[0].png
        )
        made = report_html(varied(), {}, [picture])
        assert "Side &amp; side" in made
        assert made.index("Variants compared") < made.index("Side &amp; side") < made.index("Details: as drawn")

    def test_coppers_and_links_are_in_the_details(self):
        made = report_html(replace(study(), variants={"as drawn": layered()}), {})
        page = read(made)
        assert page.row("one point")[1] == "S (ground) – r1 (return)"
        assert page.row("spare")[-1] == "no loop reaches it: left out"

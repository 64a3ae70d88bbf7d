"""The report: complete, escaped, self-contained, and the answer first."""

from __future__ import annotations

import base64
import re
from dataclasses import replace
from functools import cache

import pytest

from htmlpage import Page, read
from reporting import (
    CABLES,
    NOISY,
    REGION,
    SECTION,
    SENSITIVE,
    TITLE,
    WEAK,
    at_frequencies,
    drawn,
    result,
    study,
    two_variants,
)
from returnflow.answers.budget import engineering
from returnflow.report.page import ALWAYS, RESISTIVE, SPECTRAL, report_html
from returnflow.words.answer_text import summary


@cache
def html() -> str:
    return report_html(study(), {"as drawn": drawn()})


@pytest.fixture(scope="module")
def page() -> Page:
    return read(html())


class TestPageItself:
    def test_it_is_well_formed_and_says_who_made_it(self, page):
        tags = [tag for tag, _ in page.elements]
        assert tags[0] == "html"
        assert tags.count("h1") == tags.count("main") == tags.count("title") == 1
        assert ("meta", {"name": "generator", "content": "returnflow"}) in page.elements
        assert dict(page.elements)["html"]["lang"] == "en"

    def test_nothing_is_loaded_or_run(self, page):
        for tag, attributes in page.elements:
            assert tag not in {"script", "link", "iframe", "object", "form"}
            assert not any(name.startswith("on") for name in attributes)
            for name in ("src", "href", "action", "data", "srcset"):
                value = attributes.get(name)
                assert value is None or (tag == "img" and value.startswith("data:image/png;base64,"))
        assert "http" not in re.sub(r"base64,[^\"]*", "", html())
        assert "url(" not in html()
        assert "@import" not in html()

    def test_pictures_are_whole_described_and_captioned(self, page):
        images = [attributes for tag, attributes in page.elements if tag == "img"]
        assert sorted(base64.b64decode(image["src"].split(",")[1]) for image in images) == sorted(
            p.png for p in drawn()
        )
        assert all(len(image["alt"]) > 20 for image in images)
        text = "".join(page.text)
        assert all(picture.caption in text for picture in drawn())
        assert [tag for tag, _ in page.elements].count("figcaption") == len(images)

    def test_tables_are_readable_by_machines_and_scroll(self, page):
        tags = [tag for tag, _ in page.elements]
        assert tags.count("table") == tags.count("caption") > 5
        heads = [attributes for tag, attributes in page.elements if tag == "th"]
        assert all(attributes["scope"] in ("row", "col", "colgroup") for attributes in heads)
        scrolling = [a for tag, a in page.elements if tag == "div" and (a.get("class") or "").split()[:1] == ["scroll"]]
        assert len(scrolling) == tags.count("table")
        assert all(a["tabindex"] == "0" and a["aria-label"] for a in scrolling)

    def test_it_prints_on_a4_and_fits_a_narrow_screen(self):
        assert "size: A4" in html()
        assert "width=device-width" in html()
        assert "max-width: 100%" in html()


class TestNames:
    @pytest.mark.parametrize(
        "name", [TITLE, NOISY, WEAK, SENSITIVE, CABLES, REGION, SECTION, "A<1>", "B&2", "C$3", "D_4"]
    )
    def test_they_appear_as_written_and_never_as_markup(self, page, name):
        assert name in "".join(page.text)
        if "<" in name:
            assert name not in html()
        assert not any(tag in {"b", "script", "analog"} for tag, _ in page.elements)


class TestContent:
    def test_the_answer_comes_first(self, page):
        text = "".join(page.text)
        assert html().index('class="lead"') < html().index("<table") < html().index("Assumptions")
        assert summary(result()) in text
        assert "“_weak & μV Größe” has 86.6 µV rms in series with its signal" in text

    def test_every_noisy_loop_stands_with_its_numbers(self, page):
        budget = result().sensitive[0]
        part = next(p for p in budget.contributions if p.loop == NOISY)
        row = page.row(NOISY)
        assert row[1].startswith(f"{engineering(part.transfer, 'Ω')} ± ")
        assert row[1].endswith(" %)")
        assert row[2:6] == ["500 mA", "any", "in band", engineering(part.noise, "V")]
        assert row[6].endswith(" %")
        assert page.row("rms sum")[-2:] == ["86.6 µV", "100 %"]
        assert page.row("tolerated")[-2] == "20 µV"
        assert page.row("margin")[-2] == "−12.7 dB"
        assert page.row("limit")[-2] == "1 V"

    def test_margin_in_hand_is_positive(self, page):
        margins = [row[-2] for row in page.rows if row[0] == "margin"]
        assert margins == ["−12.7 dB", "+60.7 dB"]

    def test_matrix_shares_sections_and_peaks(self, page):
        it = result()
        i, j = it.index(SENSITIVE), it.index(NOISY)
        matrix = [row for row in page.rows if row[0] == SENSITIVE and len(row) == 5]
        assert matrix[0][1 + j].startswith(f"{engineering(it.solution.mid[i, j], 'Ω')}± ")
        assert [NOISY, "−100 % = −500 mA"] in page.rows
        assert [CABLES, "−100 %"] in page.rows
        share = f"{100 * it.shares[0, j]:.3g} % = {engineering(0.5 * it.shares[0, j], 'A')}"
        assert [NOISY, share] in page.rows
        loops = next(row for row in page.rows if row[0] == NOISY and len(row) == 8)
        peak = it.peaks[j].value * 0.5
        assert loops[4:6] == [engineering(peak, "A/m"), engineering(peak / 35e-6 * 1e-6, "A/mm²")]

    def test_accuracy_is_explained_with_every_pass(self, page):
        text = "".join(page.text)
        assert "not an estimate of the error but a bound on it, valid on the meshed outline" in text
        assert "polygons of equal area" in text
        passes = result().solution.passes
        assert [row[0] for row in page.rows if row[1:2] == [str(passes[-1][0])]] == [str(len(passes))]
        assert all(version in text for version in study().versions.values())

    def test_what_must_never_be_missing(self, page):
        text = "".join(page.text)
        assert all(sentence in text for sentence in (*ALWAYS, RESISTIVE))
        assert "no compliance test and replaces no measurement" in text
        assert "never to be lifted" in text.replace("ever to be lifted", "never to be lifted")
        for word in ("Protective earth", "isolation barriers", "mains", "medical", "cable shields", "qualified person"):
            assert word in text
        assert all(assumption in text for assumption in result().case.assumptions)
        assert result().case.assumptions


class TestOthers:
    def test_frequencies_have_their_tables_and_another_caution(self):
        page = read(report_html(at_frequencies(), {}))
        text = "".join(page.text)
        assert SPECTRAL in text
        assert RESISTIVE not in text
        facts = at_frequencies()["as drawn"].spectral.facts[1]
        assert engineering(facts.turning, "Hz") in page.row(NOISY, engineering(facts.turning, "Hz"))[1]
        assert "Impedance matrix at 1 MHz" in text

    def test_every_variant_has_its_details_and_its_answer(self):
        page = read(report_html(two_variants(), {}))
        text = "".join(page.text)
        # Once for the first at the very top, and once with the details of each.
        assert text.count(summary(result())) == 3
        assert "Details: Solid plane!" in text
        assert "Details: solid plane?" in text
        assert text.count("Resistance matrix") == 2

    def test_without_anything_to_judge_it_says_so(self):
        bare = replace(result(), sensitive=(), cables=(), cautions=("Mind <this>.",))
        page = read(report_html(replace(study(), variants={"as drawn": bare}), {}))
        text = "".join(page.text)
        assert "nothing is judged" in text
        assert "Mind <this>." in text

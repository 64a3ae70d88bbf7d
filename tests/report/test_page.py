"""The report in two depths: the answer first, nothing lost, all escaped, nothing cut off, small."""

from __future__ import annotations

import base64
import re
from dataclasses import replace
from functools import cache

import pytest

from browser import over_the_edge, sheets
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
from returnflow.report.page import ALWAYS, RESISTIVE, SPECTRAL, details_html, report_html
from returnflow.words.answer_text import summary, summary_lines
from returnflow_geometry.model.numbers import engineering


@cache
def html() -> str:
    return report_html(study(), {"as drawn": drawn()})


@cache
def details() -> str:
    return details_html(study(), {"as drawn": drawn()})


@pytest.fixture(scope="module")
def page() -> Page:
    return read(html())


@pytest.fixture(scope="module")
def whole() -> Page:
    return read(details())


@pytest.fixture(scope="module", params=[html, details])
def either(request):
    return request.param()


class TestPageItself:
    def test_it_is_well_formed_and_says_who_made_it(self, either):
        page = read(either)
        tags = [tag for tag, _ in page.elements]
        assert tags[0] == "html"
        assert tags.count("h1") == tags.count("main") == tags.count("title") == 1
        assert ("meta", {"name": "generator", "content": "returnflow"}) in page.elements
        assert dict(page.elements)["html"]["lang"] == "en"

    def test_nothing_is_loaded_or_run(self, either):
        for tag, attributes in read(either).elements:
            assert tag not in {"script", "link", "iframe", "object", "form"}
            assert not any(name.startswith("on") for name in attributes)
            for name in ("src", "action", "data", "srcset"):
                value = attributes.get(name)
                assert value is None or (tag == "img" and value.startswith("data:image/png;base64,"))
            assert tag != "a" or re.fullmatch(r"#s\d+|details\.html|report\.html|recommended\.toml", attributes["href"])
        assert "http" not in re.sub(r"base64,[^\"]*", "", either)
        assert "url(" not in either
        assert "@import" not in either

    def test_pictures_are_whole_described_and_captioned(self, page, whole):
        for it, kinds in ((page, ["why", "board"]), (whole, [p.kind for p in drawn()])):
            images = [attributes for tag, attributes in it.elements if tag == "img"]
            wanted = [p for p in drawn() if p.kind in kinds]
            assert sorted(base64.b64decode(i["src"].split(",")[1]) for i in images) == sorted(p.png for p in wanted)
            assert all(len(image["alt"]) > 20 for image in images)
            text = "".join(it.text)
            assert all(picture.caption in text for picture in wanted)
            assert [tag for tag, _ in it.elements].count("figcaption") == len(images)

    def test_tables_are_readable_by_machines_and_scroll(self, either):
        page = read(either)
        tags = [tag for tag, _ in page.elements]
        assert tags.count("table") == tags.count("caption") > 2
        heads = [attributes for tag, attributes in page.elements if tag == "th"]
        assert all(attributes["scope"] in ("row", "col", "colgroup") for attributes in heads)
        scrolling = [a for tag, a in page.elements if tag == "div" and a.get("class") == "scroll"]
        assert len(scrolling) == tags.count("table")
        assert all(a["tabindex"] == "0" and a["aria-label"] for a in scrolling)

    def test_the_contents_lead_to_every_section(self, whole):
        links = [a["href"][1:] for tag, a in whole.elements if tag == "a" and a["href"].startswith("#")]
        assert links == [a["id"] for tag, a in whole.elements if tag == "section"]
        assert len(links) > 8


class TestDepths:
    def test_the_brief_has_no_details_and_names_where_they_are(self, page):
        text = "".join(page.text)
        for words in (
            "Resistance matrix",
            ": reasons",
            "unknowns in each of the two solutions",
            "Refinement of the mesh",
        ):
            assert words not in text
            assert words in "".join(read(details()).text)
        assert [a["href"] for tag, a in page.elements if tag == "a"] == ["recommended.toml", "details.html"]
        assert not [
            tag for tag, _ in read(report_html(study(), {}, details=False, tables=False)).elements if tag == "a"
        ]

    def test_all_that_the_brief_tells_in_tables_is_in_the_details_too(self, page, whole):
        rows = [row for row in page.rows if row not in whole.rows]
        assert rows == []

    def test_it_is_small(self):
        assert len(html()) < 600_000
        assert len(html()) < 0.4 * len(details())


class TestShown:
    @pytest.mark.parametrize("width", [1280, 1024])
    def test_nothing_reaches_over_the_right_edge(self, either, width, tmp_path):
        assert over_the_edge(either, width, tmp_path) == []

    def test_the_judge_of_edges_finds_what_is_too_wide(self, tmp_path):
        made = html().replace("<main>", '<main><div style="width: 2000px">far</div>')
        assert over_the_edge(made, 1280, tmp_path) == ["DIV:far"]

    def test_the_brief_prints_on_a_few_sheets(self, tmp_path):
        assert 2 <= sheets(html(), tmp_path) <= 6


class TestNames:
    @pytest.mark.parametrize(
        "name", [TITLE, NOISY, WEAK, SENSITIVE, CABLES, REGION, SECTION, "A<1>", "B&2", "C$3", "D_4"]
    )
    def test_they_appear_as_written_and_never_as_markup(self, page, whole, name):
        assert name in "".join(whole.text)
        if "<" in name:
            assert name not in html()
            assert name not in details()
        assert not any(tag in {"b", "script", "analog"} for tag, _ in (*page.elements, *whole.elements))

    def test_a_reason_for_a_failure_is_no_markup_either(self):
        made = report_html(study(), {}, failed=["<i>x</i> & y"])
        assert "<i>x</i> & y" in "".join(read(made).text)
        assert "<i>" not in made


class TestContent:
    def test_the_answer_comes_first(self, page):
        text = "".join(page.text)
        places = [html().index(it) for it in ('class="lead"', "Decision: ", "<table", "Board and noise", "Assumptions")]
        assert places == sorted(places)
        assert [line for line in summary_lines(result()) if line not in text] == []
        assert '"_weak & μV Größe": 86.6 µV rms in series with its signal' in text

    def test_every_noisy_loop_stands_with_its_numbers(self, page):
        budget = result().sensitive[0]
        part = next(p for p in budget.contributions if p.loop == NOISY)
        row = page.row(NOISY)
        assert row[1].startswith(f"{engineering(part.transfer, 'Ω')}± ")
        assert row[1].endswith(" %)")
        assert row[2:6] == ["500 mA", "unknown", "in band", engineering(part.noise, "V")]
        assert row[6].endswith(" %")
        assert page.row("rms sum")[-2:] == ["86.6 µV", "100 %"]
        assert [row[-2] for row in page.rows if row[0] == "limit"] == ["20 µV", "1 V"]

    def test_a_margin_is_positive_where_the_limit_is_kept(self, page):
        margins = {row[0]: row[-2] for row in page.rows if row[0].startswith("margin")}
        assert margins == {"margin, over limit": "−12.7 dB", "margin, within limit": "+60.7 dB"}

    def test_matrix_shares_sections_and_peaks(self, whole):
        it = result()
        i, j = it.index(SENSITIVE), it.index(NOISY)
        matrix = [row for row in whole.rows if row[0] == SENSITIVE and len(row) == 5]
        assert matrix[0][1 + j].startswith(f"{engineering(it.solution.mid[i, j], 'Ω')}± ")
        assert [NOISY, "−100 % = −500 mA"] in whole.rows
        assert [CABLES, "−100 %"] in whole.rows
        share = f"{100 * it.shares[0, j]:.3g} % = {engineering(0.5 * it.shares[0, j], 'A')}"
        assert [NOISY, share] in whole.rows
        loops = next(row for row in whole.rows if row[0] == NOISY and len(row) == 8)
        peak = it.peaks[j].value * 0.5
        assert loops[4:6] == [engineering(peak, "A/m"), engineering(peak / 35e-6 * 1e-6, "A/mm²") + "35 µm"]

    def test_accuracy_is_explained_with_every_pass(self, whole):
        text = "".join(whole.text)
        assert "that bounds the error, on the meshed outline" in text
        assert "polygons of equal area" in text
        passes = result().solution.passes
        assert [row[0] for row in whole.rows if row[1:2] == [str(passes[-1][0])]] == [str(len(passes))]
        assert all(version in text for version in study().versions.values())

    def test_what_must_never_be_missing(self, either):
        text = "".join(read(either).text)
        assert all(sentence in text for sentence in (*ALWAYS, RESISTIVE))
        assert "not a compliance test and does not replace a measurement" in text
        assert "never lift one on the word of a simulation" in text
        for word in ("Protective earth", "isolation barriers", "mains", "medical", "cable shields", "qualified person"):
            assert word in text
        assert all(assumption in text for assumption in result().case.assumptions)
        assert result().case.assumptions


class TestOthers:
    def test_frequencies_have_their_tables_and_another_caution(self):
        text = "".join(read(report_html(at_frequencies(), {})).text)
        assert SPECTRAL in text
        assert RESISTIVE not in text
        page = read(details_html(at_frequencies(), {}))
        facts = at_frequencies()["as drawn"].spectral.facts[1]
        assert engineering(facts.turning, "Hz") in page.row(NOISY, engineering(facts.turning, "Hz"))[1]
        assert "Impedance matrix at 1 MHz" in "".join(page.text)

    def test_every_variant_has_its_details_and_its_answer(self):
        text = "".join(read(details_html(two_variants(), {})).text)
        assert text.count(summary(result())) == 2
        for title in ("Details: Solid plane!", "Details: solid plane?"):
            assert text.count(title) == 2  # in the contents, and there

    def test_without_anything_to_judge_it_says_so(self):
        bare = replace(result(), sensitive=(), cables=(), cautions=("Mind <this>.",))
        page = read(report_html(replace(study(), variants={"as drawn": bare}), {}))
        text = "".join(page.text)
        assert "there is no limit to judge" in text
        assert "Mind <this>." in text

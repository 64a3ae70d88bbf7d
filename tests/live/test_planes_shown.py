"""Several planes: any may be looked at, and above 0 Hz each shows the current that links leave it."""

from unittest import mock

import numpy as np
import pytest

from livepage import CUT, above, example_page, opened
from returnflow.live import page as page_module
from returnflow.live import patterns
from returnflow.live.page import live_page
from returnflow.magnetic.reduction import BroadbandOptions
from returnflow.magnetic.solving import solve_broadband
from returnflow.resistive.conductors import Conductors
from returnflow_geometry.casefile.read import parse_case

# Invented: a trace over one of two planes that two vias join.
JOINED = """
format = 1
title = "two planes, two vias"
board = { outline = { rect = [0, 0, 30, 20] } }
layer = [
  { name = "traces", copper_um = 35, below_mm = 0.5 },
  { name = "upper", copper_um = 35, below_mm = 0.5 },
  { name = "lower", copper_um = 35 },
]
copper = [{ name = "ground", layer = "upper" }, { name = "second", layer = "lower" }]
terminal = [
  { name = "A", copper = "ground", at = [5, 10], diameter_mm = 1 },
  { name = "B", copper = "ground", at = [25, 10], diameter_mm = 1 },
]
vias = [{ name = "stitch", coppers = ["ground", "second"], at = [[5, 4], [25, 16]], drill_mm = 0.5 }]
solve = { frequencies_Hz = [0, 1e5], accuracy = 0.02 }

[[loop]]
name = "clock"
role = "noisy"
inject = "B"
return = "A"
current_A = 1
frequency_Hz = 1e5
route = { layer = "traces", path = [[5, 10], [25, 10]] }
"""


MOVED = '[[variant]]\nname = "moved"\nmove = { A = [6, 10] }\n'


PAD = 'name = "P", copper = "pad", at = [24.6, 10], diameter_mm = 0.4'


def page_of(text):
    """Page of a case; what it is given above 0 Hz is made once for a board."""
    with mock.patch.object(page_module, "over_frequency", above):
        return live_page([parse_case(text)])


@pytest.fixture(scope="module")
def board(tmp_path_factory):
    path = tmp_path_factory.mktemp("planes") / "page.html"
    path.write_text(page_of(JOINED), encoding="utf-8")
    return path


@pytest.mark.parametrize(("width", "height"), [(1280, 720), (1024, 768)])
def test_each_is_looked_at_by_choice_or_by_key(window, board, width, height):
    picture = "document.getElementById('picture').toDataURL()"
    with opened(window, board, width, height) as page:
        assert page.evaluate("[...document.querySelectorAll('#plane option')].map((it) => it.text)") == [
            "ground",
            "second",
        ]
        first = page.evaluate(picture)
        page.select_option("#plane", "1")
        second = page.evaluate(picture)
        assert second != first
        assert page.get_attribute("#picture", "aria-label") == "Sheet current of clock on second"
        assert page.evaluate(CUT) == []
        page.evaluate("document.activeElement.blur()")
        page.keyboard.press("l")
        assert page.evaluate("[page.copper, document.getElementById('plane').value]") == [0, "0"]
        assert page.evaluate(picture) == first


def test_where_a_current_enters_on_a_pad_the_plane_below_is_shown_first(window, tmp_path):
    text = JOINED.replace("frequencies_Hz = [0, 1e5]", "frequencies_Hz = [0]").replace('inject = "B"', 'inject = "P"')
    text = text.replace(
        "copper = [", 'copper = [{ name = "pad", layer = "traces", shape = { rect = [24, 9, 26, 11] } }, '
    )
    text = text.replace('name = "B", copper = "ground", at = [25, 10], diameter_mm = 1', PAD)
    text = text.replace(
        "vias = [", 'vias = [{ name = "drop", coppers = ["pad", "ground"], at = [[25.6, 10]], drill_mm = 0.2 }, '
    )
    path = tmp_path / "pad.html"
    path.write_text(page_of(text[: text.index("route =")]), encoding="utf-8")
    with opened(window, path) as page:
        assert page.evaluate("document.getElementById('plane').selectedOptions[0].text") == "ground"


# Amperes towards the right across the middle of the board, from the picture's own pixels: real and imaginary.
ACROSS = """(copper, hertz) => {
  page.look(copper);
  page.sweep.slide(page.sweep.position(hertz));
  page.drawAt(1);
  const raster = page.rasters[1], { width, height, step, known, kx, ix } = raster;
  const sum = [0, 0], i = Math.round((15e-3 - raster.X0) / step);
  for (let j = 0, o = i; j < height; j++, o += width) if (known[o]) { sum[0] += step * kx[o]; sum[1] += step * ix[o]; }
  return [...sum, page.frequency, raster.lined];
}"""


def test_both_planes_together_carry_all_and_the_second_what_the_vias_take_up(window, board):
    """Kirchhoff's law across a cut of the picture, at frequencies on the slider; links by a solve of their own."""
    case = parse_case(JOINED)
    conductors = Conductors.of(case)
    model = solve_broadband(case, conductors, conductors.ends(case), None, BroadbandOptions(bounds=False))
    taken = []
    with opened(window, board) as page:
        for hertz in (20.0, 3.3e3, 4.7e4, 1e6, 2.2e8):
            upper, lower = (page.evaluate(f"({ACROSS})({copper}, {hertz})") for copper in (0, 1))
            assert not upper[3]
            one, other = (complex(re, im) for re, im, *_ in (upper, lower))
            assert one + other == pytest.approx(-1, abs=0.012)
            links = model.link_currents(upper[2])[:, 0]
            assert abs(links).max() == pytest.approx(abs(links).min(), rel=1e-6)  # down one via, up the other
            assert abs(abs(other) - abs(links[0])) < 0.012
            told = page.evaluate("page.reading.links.map((row) => row[0])")
            assert told == pytest.approx(abs(links).tolist(), abs=0.012)
            taken.append(abs(other))
            assert "stays" not in page.inner_text("#scaletext")
    assert taken[0] > 0.1
    assert taken[2] > 2 * taken[3] > 4 * taken[4]  # under the trace the nearer plane takes over


def test_a_variant_shows_the_plane_and_the_frequency_that_were_looked_at(window, tmp_path):
    path = tmp_path / "more.html"
    path.write_text(page_of(JOINED + MOVED), encoding="utf-8")
    with opened(window, path) as page:
        page.evaluate("page.look(1), page.sweep.slide(page.sweep.position(1e5))")
        before = page.evaluate("[page.copper, page.frequency, document.getElementById('plane').value]")
        page.keyboard.press("v")
        page.wait_for_function("page.variant === 1 && page.frequency > 0")
        assert page.evaluate("[page.copper, page.frequency, document.getElementById('plane').value]") == before
        # No lines can be drawn, so none are offered; what moved by itself is said.
        assert page.is_disabled("#bands")
        page.evaluate("page.sweep.slide(0), page.board.move(0, 8e-3, 10e-3), page.refresh(), page.sweep.slide(100)")
        assert "as drawn" in page.inner_text("#state")
        page.evaluate("page.sweep.slide(0)")
        assert page.inner_text("#state") == ""
        assert page.evaluate("page.board.place(0)[0]") == pytest.approx(8e-3)


def test_patterns_keep_to_what_they_leave_out():
    """Fewer patterns, larger rest: below what was asked for at every loop and frequency."""
    generator = np.random.default_rng(5)
    moving, steady = generator.normal(size=(40, 12)), generator.normal(size=(40, 2))
    answers = generator.normal(size=(9, 12, 2)) + 1j * generator.normal(size=(9, 12, 2))
    answers *= np.geomspace(1, 1e-4, 12)[:, None]
    kept = []
    for faintest in (0.3, 0.03, 0.003):
        vectors, parts = patterns._in_common(moving, steady, answers, np.ones(20), faintest)
        told = np.array([np.einsum("pk,fkc->fpc", vectors, one) for one in parts])
        exact = np.einsum("pr,frn->nfp", moving, answers)
        rest = np.abs(told[..., 0] + 1j * told[..., 1] - exact).max()
        assert rest < 2 * faintest * np.abs(exact).max()
        assert np.abs(parts).max() == pytest.approx(1)
        kept.append(vectors.shape[1])
    assert kept == sorted(set(kept))


def test_the_picture_says_where_it_stays_that_of_steady_current(window, tmp_path, monkeypatch):
    """Where a mesh has more triangles than a page has room for."""
    monkeypatch.setattr(patterns, "MOST", 10)
    monkeypatch.setattr(patterns, "SHOWN", 10)
    path = tmp_path / "steady.html"
    higher = JOINED.replace("below_mm = 0.5", "below_mm = 2")
    path.write_text(live_page([parse_case(higher)]), encoding="utf-8")
    with opened(window, path) as page:
        assert "steady" not in page.inner_text("#scaletext")
        page.evaluate("page.sweep.slide(page.sweep.position(1e5))")
        assert "stays that of steady current" in page.inner_text("#scaletext")


def test_the_return_moves_in_variants_too(window, tmp_path):
    """Not only as drawn: a lesson shows the board without its slot at 10 MHz."""
    path = tmp_path / "slot.html"
    path.write_text(example_page("slot_crossing"), encoding="utf-8")
    picture = "document.getElementById('picture').toDataURL()"
    with opened(window, path) as page:
        assert page.evaluate("page.group.variants.length") > 1
        page.evaluate("page.choose(1)")
        steady = page.evaluate(picture)
        page.evaluate("page.sweep.slide(page.sweep.position(1e7))")
        assert page.evaluate(picture) != steady
        assert "stays" not in page.inner_text("#scaletext")


def test_one_plane_is_no_choice(window, tmp_path):
    path = tmp_path / "u.html"
    path.write_text(example_page("u_trace"), encoding="utf-8")
    with opened(window, path) as page:
        assert not page.is_visible("#planechoice")

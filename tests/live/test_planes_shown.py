"""Several planes: any may be looked at, and what the picture cannot show above 0 Hz is said."""

import pytest

from livepage import CUT, example_page, opened
from returnflow.live.page import live_page
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
solve = { frequencies_Hz = [0, 1e5], accuracy = 0.025 }

[[loop]]
name = "clock"
role = "noisy"
inject = "B"
return = "A"
current_A = 1
frequency_Hz = 1e5
route = { layer = "traces", path = [[5, 10], [25, 10]] }
"""


@pytest.fixture(scope="module")
def board(tmp_path_factory):
    path = tmp_path_factory.mktemp("planes") / "page.html"
    path.write_text(live_page([parse_case(JOINED)]), encoding="utf-8")
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


def test_the_picture_says_where_it_stays_that_of_steady_current(window, board, tmp_path):
    path = tmp_path / "u.html"
    path.write_text(example_page("u_trace"), encoding="utf-8")
    for name, stays in ((board, True), (path, False)):
        with opened(window, name) as page:
            assert "steady" not in page.inner_text("#scaletext")
            page.evaluate("page.sweep.slide(page.sweep.position(1e5))")
            assert ("stays that of steady current" in page.inner_text("#scaletext")) == stays


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

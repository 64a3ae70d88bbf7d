"""The page in a real browser: opened from a file, held with the mouse, with keys alone, looked at in two sizes."""

import re

import pytest

from cases import EXAMPLES
from livepage import CUT, drag, example_page, opened
from returnflow.cli import main
from returnflow.live.page import live_page
from returnflow_geometry.casefile.read import parse_case, read_case

SHAPES = """Object.fromEntries([...document.querySelectorAll(".point:not(.end)")].map(
  (it) => [it.querySelector("text").textContent, it.querySelector(".mark").getAttribute("d")]))"""
# Names of contacts that lie over another contact's mark or name: boxes of what is painted, less what strokes add.
COVERED = """() => {
  const all = [...document.querySelectorAll(".point:not(.end):not(.corner)")], box = (it) => it.getBoundingClientRect();
  const name = (it) => it.querySelector("text");
  const meet = (a, b) => a.left + 3 < b.right && b.left + 3 < a.right && a.top + 3 < b.bottom && b.top + 3 < a.bottom;
  return all.flatMap((it) => all.filter((other) => other !== it).flatMap((other) =>
    ["text", ".mark"].filter((what) => meet(box(name(it)), box(other.querySelector(what))))
      .map((what) => `${name(it).textContent} over ${what} of ${name(other).textContent}`)));
}"""
NAMELESS = """[...document.querySelectorAll("button, select, [tabindex='0']")]
  .filter((it) => !(it.textContent.trim() || it.getAttribute("aria-label"))).map((it) => it.id)"""


@pytest.fixture(scope="module")
def board(tmp_path_factory):
    path = tmp_path_factory.mktemp("board") / "board.html"
    path.write_text(example_page("weighing_controller", "as drawn", steady=True), encoding="utf-8")
    return path


def microvolts(page) -> float:
    value, unit = re.fullmatch(r"about\s+([\d.]+) (n|µ|m)V", page.inner_text("#figure")).groups()
    return float(value) * {"n": 1e-3, "µ": 1.0, "m": 1e3}[unit]


def test_the_figure_follows_the_mouse_and_is_held(window, board):
    with opened(window, board) as page:
        assert microvolts(page) == pytest.approx(324, rel=0.01)  # full solve
        before = page.evaluate("document.getElementById('picture').toDataURL()")
        page.keyboard.press("h")
        drag(page, "U1.AGND", -32.4e-3 * page.evaluate("page.frame.scale"), 0)
        x, y = page.evaluate("page.board.place(page.board.data.terminals.findIndex((it) => it.name == 'U1.AGND'))")
        assert x == pytest.approx(8.6e-3, abs=1e-3)
        assert y == pytest.approx(72e-3, abs=2e-4)
        assert microvolts(page) < 9
        assert "324" in page.inner_text("#held")
        assert page.evaluate("document.getElementById('picture').toDataURL()") == before  # that loop's current stays
        page.click("#back")
        assert microvolts(page) == pytest.approx(324, rel=0.01)


def test_a_noisy_contact_changes_the_picture(window, board):
    with opened(window, board) as page:
        before = page.evaluate("document.getElementById('picture').toDataURL()")
        drag(page, "U3.PGND", -180, -150)
        page.wait_for_timeout(300)
        assert page.evaluate("document.getElementById('picture').toDataURL()") != before
        drag(page, "U3.PGND", 0, 700)  # off the board: it stays at the edge, clear of it by its own size
        y = page.evaluate("page.board.place(page.board.data.terminals.findIndex((it) => it.name == 'U3.PGND'))[1]")
        assert 0.3e-3 < y < 0.4e-3


def test_keys_alone_move_a_contact_and_the_status_says_so(window, board):
    with opened(window, board) as page:
        for _ in range(60):
            page.keyboard.press("Tab")
            if (page.evaluate("document.activeElement.getAttribute('aria-label')") or "").startswith("U1.AGND"):
                break
        place = "document.activeElement.getAttribute('aria-valuetext')"
        assert page.evaluate(place) == "x 41.0, y 72.0 mm"
        page.keyboard.press("ArrowLeft")
        page.keyboard.press("ArrowLeft")
        page.keyboard.press("Shift+ArrowUp")
        assert page.evaluate(place) == "x 39.0, y 72.1 mm"
        page.wait_for_timeout(500)
        assert re.match(r"U1.AGND at 39.0, 72.1 mm. load cell: about 2\d\d µV, limit 1.00 µV: 4\d.\d dB over the limit",
                        page.inner_text("#status"))  # fmt: skip


@pytest.fixture(scope="module")
def seen(window, board):
    """A page that is looked at, and left as it was."""
    with opened(window, board) as page:
        yield page


@pytest.mark.parametrize(("width", "height"), [(1280, 720), (1024, 768)])
def test_nothing_is_cut_off(seen, width, height):
    seen.set_viewport_size({"width": width, "height": height})
    found = [seen.evaluate(CUT)]
    seen.click("#theme")
    found.append(seen.evaluate(CUT))
    seen.click("#theme")
    assert found == [[], []]


def test_roles_have_shapes_and_every_control_a_name(seen):
    shapes = seen.evaluate(SHAPES)
    assert len({shapes[name] for name in ("U1.AGND", "U3.PGND", "J2.SHELL")}) == 3
    assert seen.evaluate(NAMELESS) == []


def test_no_name_lies_over_another_contact(window, tmp_path):
    path = tmp_path / "disc.html"
    path.write_text(example_page("four_point_disc", steady=True), "utf-8")
    with opened(window, path) as page:  # four contacts in a row, close together
        assert page.evaluate(COVERED) == []
        page.click("#theme")
        assert page.evaluate(COVERED) == []


def test_a_shared_contact_is_marked_as_the_end_it_is_of_each_loop(window, tmp_path):
    text = (EXAMPLES / "strip_with_slot.toml").read_text("utf-8")
    case = parse_case(text.replace('return = "sense B"', 'return = "left bond"'))
    path = tmp_path / "shared.html"
    path.write_text(live_page([case], steady=True), "utf-8")
    with opened(window, path) as page:
        said = page.get_attribute("[data-terminal='0']", "aria-label")
        assert said.startswith("left bond, inject of supply return and return of sense")
        # The mark is the weak signal's, whose current leaves here.
        assert page.get_attribute("[data-terminal='0'] .mark", "class") == "mark"


def test_the_command_writes_one_file_and_never_over_the_case(tmp_path, capsys):
    case = tmp_path / "strip.toml"
    case.write_bytes((EXAMPLES / "strip_with_slot.toml").read_bytes())
    assert main(["live", str(case), "-o", str(tmp_path / "page.html")]) == 0
    page = (tmp_path / "page.html").read_text(encoding="utf-8")
    assert len(page) < 120_000
    assert re.findall(r"(?:src|href)\s*=\s*\"(?!data:)", page) == []
    assert main(["live", str(case), "-o", str(case)]) == 2
    assert main(["live", str(case), "-o", str(tmp_path)]) == 2
    assert case.read_bytes() == (EXAMPLES / "strip_with_slot.toml").read_bytes()
    assert "is the case itself" in capsys.readouterr().err


def test_one_key_shows_the_variants(window, tmp_path):
    path = tmp_path / "variants.html"
    names = ["as drawn", "solid plane", "dedicated return, one point", "dedicated return, two points"]
    path.write_text(example_page("weighing_controller", *names, steady=True), "utf-8")
    with opened(window, path) as page:
        figures = []
        for _ in names:
            figures.append(page.inner_text("#figure"))
            page.keyboard.press("v")
        # Full solves: 324 and 88 uV; 0 with one point but for rounding; 316 uV with two.
        microvolt = [float(figure.split()[1]) if "µ" in figure else 0.0 for figure in figures]
        assert microvolt == pytest.approx([324, 88, 0, 316], rel=0.01)
        assert page.input_value("#variant") == "0"


def test_a_notebook_shows_the_page_as_it_is(window, tmp_path):
    page = live_page(read_case(EXAMPLES / "strip_with_slot.toml"))
    assert repr(page) == f"<LivePage, {len(page) / 1e3:.0f} kB>"
    notebook = tmp_path / "notebook.html"
    notebook.write_text(f"<!doctype html><p>cell</p>{page._repr_html_()}", encoding="utf-8")
    with window.new_page() as outer:
        outer.goto(notebook.as_uri())
        assert "1.45 mV" in outer.frame_locator("iframe").locator("#figure").inner_text(timeout=30_000)

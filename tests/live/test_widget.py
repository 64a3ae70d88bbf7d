"""A live page in a notebook hands back what was moved on it."""

import base64
import json

import pytest

import returnflow as rf
from cases import EXAMPLES
from returnflow.live.moves import RequestError

HOST = """<!doctype html><div id="cell"></div><script type="module">
const values = MODEL;
window.model = {
  get: (name) => values[name],
  set: (name, value) => { values[name] = value; },
  save_changes: () => { window.saved = values.moved; },
};
const { default: widget } = await import("data:text/javascript;base64,ESM");
widget.render({ model: window.model, el: document.getElementById("cell") });
</script>"""


@pytest.fixture(scope="module")
def widget():
    pytest.importorskip("anywidget", reason="no anywidget: install it: pip install 'returnflow[live]'")
    return rf.live_widget(rf.read_case(EXAMPLES / "slot_depth.toml"), steady=True)


def test_what_was_moved_comes_back_as_a_case(widget):
    widget.moved = {"variant": "slot 5 mm deep", "places": {"sense A": [35, 3]}, "ends": [["slot", [55, 15], [55, 12]]]}
    board = widget.case.board
    assert [1e3 * v for v in board.terminal("sense A").centre] == pytest.approx([35, 3])
    assert board.cutouts[0].shape.bounds[1] == pytest.approx(12e-3)
    assert widget.places == {"sense A": [35, 3]}
    widget.moved = {}
    assert widget.case is widget.drawn["as drawn"]
    widget.moved = {"places": {"sense A": "there"}}
    with pytest.raises(RequestError, match="places must give"):
        _ = widget.case


def test_the_page_in_a_cell_tells_the_kernel(window, widget, tmp_path):
    script = base64.b64encode(str(widget._esm).encode()).decode()
    cell = tmp_path / "cell.html"
    model = json.dumps({"page": widget.page, "height": 720}).replace("</", "<\\/")
    cell.write_text(HOST.replace("ESM", script).replace("MODEL", model), "utf-8")
    with window.new_page(viewport={"width": 1280, "height": 760}) as outer:
        outer.goto(cell.as_uri())
        mark = outer.frame_locator("iframe").locator(".point", has_text="sense A").locator(".mark")
        box = mark.bounding_box(timeout=30_000)
        outer.mouse.move(box["x"] + 5, box["y"] + 5)
        outer.mouse.down()
        outer.mouse.move(box["x"] + 105, box["y"] + 5, steps=4)
        outer.mouse.up()
        outer.wait_for_function("window.saved")
        told = outer.evaluate("window.saved")
    assert told["places"]["sense A"][0] > 35
    widget.moved = told
    assert 1e3 * widget.case.board.terminal("sense A").centre[0] == pytest.approx(told["places"]["sense A"][0])

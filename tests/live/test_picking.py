"""The page of an import: loops picked and accepted, copper drawn; all of it is in the file, no more and no less."""

import contextlib
import http.client
import json
import re
import tomllib

import numpy as np
import pytest
import shapely

from livepage import CUT, FAB, commanded, opened, served
from returnflow.cli import main
from returnflow.live.moves import RequestError
from returnflow_geometry.casefile.read import read_case

LOOP = {
    "kind": "loop",
    "name": "stepper",
    "role": "noisy",
    "inject": "U3.PGND",
    "return": "J4.GND",
    "values": {"current_A": "1.2", "frequency_Hz": "20e3"},
}

NETS = "([n, places]) => [page.data.nets, places.map((place) => page.layers[n].netAt(...place))]"
COLOURS = """(places) => {
  const { view } = page, { dots, canvas } = view, copy = document.createElement("canvas");
  [copy.width, copy.height] = [canvas.width, canvas.height];
  copy.getContext("2d").drawImage(canvas, 0, 0);
  const { data } = copy.getContext("2d").getImageData(0, 0, copy.width, copy.height);
  return places.map(([x, y]) => {
    const at = 4 * (Math.round(dots * view.y(y)) * canvas.width + Math.round(dots * view.x(x)));
    return data.slice(at, at + 3).join();
  });
}"""


def own(text):
    """What a case says besides what every starter case says."""
    tables = tomllib.loads(text)
    return {key: tables[key] for key in ("loop", "cutout", "bridge") if key in tables}


@contextlib.contextmanager
def at_work(window, made, **more):
    html, desk, case = made()
    with served(html, desk) as server, opened(window, server.address, **more) as page:
        yield page, case


def click_pin(page, name):
    """Click where a pin is drawn."""
    click_at(page, *page.evaluate("(name) => page.spotOf(page.pinOf(name))", name))


def click_at(page, x, y):
    """Click at a place in millimetres."""
    px, py = page.evaluate("([x, y]) => [page.view.x(x), page.view.y(y)]", [x, y])
    box = page.locator("#stage").bounding_box()
    page.mouse.click(box["x"] + px, box["y"] + py)


def count(page, n):
    page.wait_for_function(f"page.state.made.length === {n}")


def test_what_is_picked_accepted_and_drawn_by_hand_is_in_the_file(window, made):
    with at_work(window, made) as (page, case):
        # Search, and a loop between two pins.
        page.fill("#search", "u3")
        page.click("#results li:has-text('U3.PGND')")
        assert "U3.PGND, net GND" in page.inner_text("#foundtext")
        page.click("#takefound")
        page.click("#fit")
        click_pin(page, "J4.GND")
        assert [page.input_value(f"#{end}") for end in ("inject", "return", "name")] == [
            "U3.PGND",
            "J4.GND",
            "U3 to J4",
        ]
        page.fill("#f-current_A", "1.2")
        page.fill("#f-frequency_Hz", "20e3")
        page.click("text=Add loop")
        count(page, 1)
        # A proposal, changed.
        page.click("[aria-label='Accept J1 to J2']")
        page.fill("#f-limit_V", "2e-3")
        page.click("text=Add loop")
        count(page, 2)
        page.click("[aria-label='Dismiss J1 to J3']")
        page.wait_for_function("page.state.dismissed === 1")
        # A gap on the second layer.
        page.select_option("#layer", label="L2")
        page.click("#tool-cutout")
        click_at(page, 31, 60)  # any two corners will do
        click_at(page, 30, 20)
        page.wait_for_selector("#coppers input:checked")
        corners = page.input_value("#shape")
        page.fill("#drawnname", "gap")
        page.click("text=Add it")
        count(page, 3)
        assert 'name = "gap"' in page.inner_text("#preview")
        assert not case.exists()
        page.click("#save")
        page.wait_for_function("document.getElementById('saved').textContent.startsWith('Written: ')")
        assert page.inner_text("#preview") == case.read_text(encoding="utf-8")
    text = case.read_text(encoding="utf-8")
    (rect,) = tomllib.loads(f"shape = {corners}")["shape"].values()
    assert rect == pytest.approx([30, 20, 31, 60], abs=0.2)
    stepper = {"name": "U3 to J4", "role": "noisy", "inject": "U3.PGND", "return": "J4.GND"}
    cables = {"name": "J1 to J2", "role": "cables", "inject": "J1.SHIELD", "return": "J2.SHELL"}
    assert own(text) == {
        "loop": [stepper | {"current_A": 1.2, "frequency_Hz": 20e3}, cables | {"limit_V": 2e-3}],
        "cutout": [{"name": "gap", "copper": "GND on L2", "shape": {"rect": rect}}],
    }
    read = read_case(case)
    assert [loop.name for loop in read.loops] == ["U3 to J4", "J1 to J2"]
    assert 1e3 * read.board.cutouts[-1].shape.bounds[0] == pytest.approx(rect[0])
    # What was struck out is not proposed in the file, what was left is.
    assert '# name = "J1 to J3"' not in text
    assert '# name = "J1 to J4"' in text


def test_a_bridge_joins_what_it_names_and_nothing_else(desk):
    desk.answer("add", LOOP)
    before = desk.text()
    shape = "{ rect = [39, 30, 41, 31] }"
    bridge = {"kind": "bridge", "name": "span", "coppers": ["GND on L2"], "shape": shape}
    under = desk.answer("under", {"layer": 1, "shape": shape})["coppers"]
    assert [copper["name"] for copper in under] == ["GND on L2"]
    assert [thing["name"] for thing in desk.answer("add", bridge)["made"]] == ["stepper", "span"]
    assert desk.answer("remove", {"kind": "bridge", "name": "span"})["text"] == before
    wide = {"kind": "bridge", "name": "across", "coppers": ["GND on L1"], "shape": "{ rect = [2, 2, 98, 78] }"}
    with pytest.raises(RequestError, match="it would short what it does not name"):
        desk.answer("add", wide)
    assert desk.text() == before


def test_what_was_made_is_changed_in_its_place(window, made):
    with at_work(window, made) as (page, _):
        desk_made = "page.state.made.map(({ name, values, shape }) => [name, values ?? shape])"
        page.click("[aria-label='Accept J1 to J2']")
        page.click("#addloop")
        count(page, 1)
        page.click("[aria-label='Accept J1 to J4']")
        page.click("#addloop")
        count(page, 2)
        page.select_option("#layer", label="L2")
        page.click("#tool-cutout")
        click_at(page, 30, 20)
        click_at(page, 31, 60)
        page.wait_for_selector("#coppers input:checked")
        page.click("#adddrawn")
        count(page, 3)
        page.select_option("#layer", label="L1")
        page.click("[aria-label='Change loop J1 to J2']")
        assert page.inner_text("#looptitle") == "Change J1 to J2"
        assert page.input_value("#f-limit_V") == "0.001"
        page.fill("#f-limit_V", "5e-3")
        page.fill("#name", "shields")
        page.click("#addloop")
        page.wait_for_function("page.state.made[0].name === 'shields'")
        page.click("[aria-label='Change cutout cutout 1']")
        page.fill("#shape", "{ circle = [30, 30], diameter = 4 }")
        page.press("#shape", "Tab")
        page.wait_for_selector("#coppers input:checked")
        page.click("#adddrawn")
        page.wait_for_function("page.state.made[2].shape.includes('circle')")
        assert page.evaluate(desk_made) == [
            ["shields", {"limit_V": 5e-3}],
            ["J1 to J4", {"limit_V": 1e-3}],
            ["cutout 1", "{ circle = [30, 30], diameter = 4 }"],
        ]
        # A proposal whose loop is deleted is open again; a form of what is deleted is closed.
        page.click("[aria-label='Change loop shields']")
        page.click("[aria-label='Delete loop shields']")
        count(page, 2)
        assert page.inner_text("#looptitle") == "New loop"
        assert page.locator("[aria-label='Accept J1 to J2']").count() == 1


def test_copper_on_the_page_lies_where_it_lies_on_the_board(window, made, imported):
    _, connectivity = imported
    places = np.random.default_rng(4711).uniform((1, 1), (99, 79), (300, 2))
    wires = [island for island in connectivity.islands if island.layer == 0]
    places[:100] = [1e3 * np.array(wires[k % len(wires)].shape.representative_point().coords[0]) for k in range(100)]
    with at_work(window, made) as (page, _):
        for layer in (0, 1):
            names, found = page.evaluate(NETS, [layer, places.tolist()])
            islands = [island for island in connectivity.islands if island.layer == layer]
            for place, net in zip(places, found, strict=True):
                spot = shapely.Point(1e-3 * place)
                under = [island for island in islands if island.shape.contains(spot)]
                if all(island.shape.boundary.distance(spot) > 20e-6 for island in islands):
                    assert (names[net] if net >= 0 else None) == (under[0].net if under else None)
        # And it is seen: copper, bare board, and beside the board.
        page.select_option("#layer", label="L2")
        page.wait_for_timeout(200)
        colours = page.evaluate(COLOURS, [[20, 40], [50.0, 30], [-3, 40]])
        assert len(set(colours)) == 3


def test_the_view_follows_wheel_hand_and_keys(window, made):
    with at_work(window, made) as (page, _):
        scale, middle = "page.view.scale", "[...page.view.middle]"
        before = page.evaluate(scale)
        box = page.locator("#stage").bounding_box()
        spot = page.evaluate("page.view.place(200, 150)")
        page.mouse.move(box["x"] + 200, box["y"] + 150)
        page.mouse.wheel(0, -300)
        page.wait_for_function(f"page.view.scale > {before}")
        pixel = 1 / before  # the hand is at whole pixels
        assert page.evaluate("page.view.place(200, 150)") == pytest.approx(spot, abs=pixel)  # what it points at stays
        near, at = page.evaluate(scale), page.evaluate(middle)
        x, y = page.evaluate("page.spotOf(page.pinOf('J1.SHIELD'))")
        x, y = page.evaluate("([x, y]) => [page.view.x(x), page.view.y(y)]", [x, y])
        page.mouse.move(box["x"] + x, box["y"] + y)
        page.mouse.down()
        page.mouse.move(box["x"] + x + 60, box["y"] + y + 40, steps=5)
        page.mouse.up()
        assert page.evaluate(middle) == pytest.approx([at[0] - 60 / near, at[1] + 40 / near], abs=pixel)
        assert page.input_value("#inject") == ""  # a drag picks nothing
        page.focus("#stage")
        page.keyboard.press("-")
        assert page.evaluate(scale) < near
        page.keyboard.press("0")
        assert page.evaluate(scale) == pytest.approx(before)
        page.click("#east")
        assert page.evaluate(middle)[0] > 50


def test_search_finds_parts_pins_and_nets(window, made):
    with at_work(window, made) as (page, _):
        found = "[...document.querySelectorAll('#results b')].map((it) => it.textContent)"
        page.fill("#search", "j4")
        assert page.evaluate(found)[:2] == ["J4", "J4.GND"]
        page.fill("#search", "gnd")
        assert page.evaluate(found)[0] == "GND"
        page.select_option("#layer", label="L2")
        page.wait_for_timeout(100)
        plain = page.evaluate(COLOURS, [[20, 40]])
        page.press("#search", "Enter")
        page.wait_for_timeout(100)
        assert page.evaluate(COLOURS, [[20, 40]]) != plain  # the net is marked
        assert "J4.GND" in page.evaluate(found)  # the net's pins
        page.fill("#search", "u9")
        assert page.inner_text("#counted") == "Nothing of that name."
        page.press("#search", "Escape")
        page.wait_for_timeout(100)
        assert page.evaluate(COLOURS, [[20, 40]]) == plain


@pytest.mark.parametrize("size", [(1280, 720), (1024, 768)])
def test_nothing_is_cut_off(window, made, size):
    with at_work(window, made, width=size[0], height=size[1]) as (page, _):
        assert page.evaluate(CUT) == []
        page.click("[aria-label='Accept J1 to J2']")
        page.click("#tool-cutout")
        assert page.evaluate(CUT) == []


def test_the_command_serves_it_until_interrupted_and_writes_nothing_of_its_own(tmp_path):
    case = tmp_path / "picked.toml"
    command = ["import", str(FAB), "-o", str(case), "--page", "--no-open"]
    told: list[str] = []
    with commanded(command, told) as server:
        address = next(line for line in server.stdout if line.startswith("http"))
        port, way = re.fullmatch(r"http://127\.0\.0\.1:(\d+)(/[\w-]+/)\n", address).groups()
        line = http.client.HTTPConnection("127.0.0.1", int(port), timeout=30)
        line.request("POST", f"{way}add", json.dumps(LOOP), {"Content-Type": "application/json"})
        state = json.loads(line.getresponse().read())
        line.close()
    assert [thing["name"] for thing in state["made"]] == ["stepper"]
    assert server.returncode == 0
    assert "what was made on the page and not saved is lost" in told[0]
    assert "Traceback" not in told[0]
    assert list(tmp_path.iterdir()) == []


def test_options_of_the_page_are_for_the_page(tmp_path, capsys):
    case = tmp_path / "picked.toml"
    assert main(["import", str(FAB), "-o", str(case), "--no-open"]) == 2
    assert "Give --page with them" in capsys.readouterr().err
    case.write_text("mine", encoding="utf-8")
    assert main(["import", str(FAB), "-o", str(case), "--page", "--no-open"]) == 2
    assert "exists" in capsys.readouterr().err
    assert case.read_text(encoding="utf-8") == "mine"

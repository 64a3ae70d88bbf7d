"""The page of an import: routes that are offered, contacts that are drawn, and all of it by keys."""

import numpy as np
import pytest
import shapely
from test_picking import COLOURS, LOOP, at_work, click_at, click_pin, count, own

from livepage import FAB, opened, served
from returnflow.live import picking_page
from returnflow.live.moves import RefusedError
from returnflow.live.picking_page import picking
from returnflow_geometry.casefile.read import read_case
from returnflow_geometry.fabrication.base.objects import BoardData, FabricationError, Hole, LayerCopper, Pad
from returnflow_geometry.fabrication.board_data.starter import starter
from returnflow_geometry.fabrication.copper.connectivity import connect

# Signal and ground pins of a board of 60 x 40 mm, with a trace from J1.1 to U1.1 over a plane; mm, invented.
PINS = {
    "J1.1": ("SIG", 5, 20),
    "J1.2": ("GND", 5, 16),
    "U1.1": ("SIG", 50, 20),
    "U1.2": ("GND", 50, 16),
    "U2.1": ("GND", 30, 5),
}


@pytest.fixture
def routed(tmp_path):
    """Page and desk of that board."""
    trace = 1e-3 * np.array([[5, 20], [30, 25], [50, 20]])
    pads, holes = [], []
    for name, (net, x, y) in PINS.items():
        at = (1e-3 * x, 1e-3 * y)
        part, pin = name.split(".")
        pads.append(Pad(refdes=part, pin=pin, function="", net=net, at=at, shape=shapely.Point(at).buffer(0.4e-3)))
        if net == "GND":
            holes.append(Hole(path=np.array([at]), diameter=0.3e-3, plating="plated", net=net))
    nets = {net: shapely.union_all([pad.shape for pad in pads if pad.net == net]) for net in ("SIG", "GND")}
    nets["SIG"] = nets["SIG"].union(shapely.LineString(trace).buffer(0.15e-3))
    plane, outline = shapely.box(1e-3, 1e-3, 59e-3, 39e-3), shapely.box(0, 0, 60e-3, 40e-3)
    layers = (
        LayerCopper(name="L1", nets=nets, pads=tuple(pads), strokes=((trace, 0.3e-3),)),
        LayerCopper(name="L2", nets={"GND": plane}),
    )
    data = BoardData(files=("own",), outline=outline, layers=layers, stackup=(), holes=tuple(holes))
    connectivity = connect(data)
    begun = starter(data, "own", connectivity=connectivity)
    return picking(data, connectivity, begun, tmp_path / "routed.toml", title="Routed")


def test_a_route_is_offered_where_one_is_found_and_ends_beside_the_pins(window, routed):
    html, desk = routed
    for inject, pins, found, said in (
        ("U1.2", [], True, "J1.1 to U1.1: 46.11 mm on L1"),
        ("U2.1", [], False, "share no net but the return's"),
        ("U2.1", ["J1.1", "U1.1"], False, "name a nearer one as inject"),
        ("U9.9", [], False, "the files have no pin of that name"),
    ):
        answer = desk.answer("way", {"inject": inject, "return": "J1.2", "route": {"auto": True, "pins": pins}})
        assert (answer["found"], said in answer["said"]) == (found, True), answer["said"]
    with served(html, desk) as server, opened(window, server.address) as page:
        for inject, found in (("U1.2", True), ("U2.1", False)):
            page.fill("#search", inject)
            page.press("#search", "Enter")
            page.press("#search", "Enter")
            page.click("#fit")
            click_pin(page, "J1.2")
            page.wait_for_function("document.getElementById('waysaid').textContent")
            assert page.is_checked("#auto") is found
            page.fill("#f-current_A", "0.5")
            page.click("#addloop")
            count(page, 1 if found else 2)
    assert [loop.get("route") for loop in own(desk.text())["loop"]] == ["auto", None]
    assert desk.now.mistakes == ()
    assert "its route is found on the files" in desk.now.remarks[0]


def test_a_loop_between_a_pin_and_a_contact_that_is_drawn(window, made):
    with at_work(window, made) as (page, case):
        page.select_option("#layer", label="L2")
        page.click("#tool-terminal")
        click_at(page, 70, 30)
        page.wait_for_selector("#coppers input:checked")
        page.fill("#drawnname", "probe")
        page.click("#adddrawn")
        count(page, 1)
        page.click("#tool-pins")
        click_at(page, 70, 30)
        assert page.input_value("#inject") == "probe"
        page.fill("#search", "prob")
        page.press("#search", "Enter")
        assert "probe (drawn contact)" in page.inner_text("#foundtext")
        page.click("#fit")
        click_pin(page, "J4.GND")
        page.fill("#f-current_A", "1")
        page.click("#addloop")
        count(page, 2)
        assert page.evaluate("page.state.mistakes") == []
        page.wait_for_timeout(100)
        assert page.evaluate(COLOURS, [[70, 29.6]]) == ["20,32,43"]  # the mark of a noisy loop, where it enters
        page.click("#save")
        page.wait_for_function("!page.state.unsaved")
    read = read_case(case)
    assert [(loop.inject, loop.return_) for loop in read.loops] == [("probe", "J4.GND")]
    assert [1e3 * v for v in read.board.terminal("probe").centre] == pytest.approx([70, 30], abs=0.2)


def test_a_contact_waits_for_the_next_one_on_its_copper(desk):
    spot = {"kind": "terminal", "coppers": ["GND on L2"]}
    one = spot | {"name": "one", "shape": "{ circle = [70, 30], diameter = 0.3 }"}
    two = spot | {"name": "two", "shape": "{ circle = [80, 30], diameter = 0.3 }"}
    assert len(desk.answer("add", one)["mistakes"]) == 1
    assert desk.answer("add", two)["mistakes"] == ["[[loop]] is missing; a case asks about at least one loop; add one"]
    assert desk.answer("add", LOOP | {"inject": "one", "return": "two"})["mistakes"] == []
    lone = {
        "kind": "terminal",
        "name": "lone",
        "coppers": ["GND on L1"],
        "shape": "{ circle = [6, 34], diameter = 0.3 }",
    }
    assert "no copper connects it to another" in desk.answer("add", lone)["mistakes"][0]
    with pytest.raises(RefusedError, match='terminal "three": shape'):
        desk.answer("add", spot | {"name": "three", "shape": "{ circle = [80, 30], diameter = -1 }"})


def test_more_than_a_page_can_draw_is_refused(imported, monkeypatch, tmp_path):
    monkeypatch.setattr(picking_page, "MOST_CORNERS", 50)
    data, connectivity = imported
    begun = starter(data, FAB.as_posix(), connectivity=connectivity)
    with pytest.raises(FabricationError, match="the page draws at most 50; import it without --page"):
        picking(data, connectivity, begun, tmp_path / "x.toml", title="x")


def tab_to(page, wanted):
    """Press Tab until the focus is on an element of that selector."""
    for _ in range(80):
        if page.evaluate("(wanted) => document.activeElement.matches(wanted)", wanted):
            return
        page.keyboard.press("Tab")
    pytest.fail(f"Tab does not reach {wanted}")


def typed(page, wanted, text):
    tab_to(page, wanted)
    page.keyboard.press("Control+A")
    page.keyboard.type(text)


def test_the_same_by_keys_alone(window, made):
    with at_work(window, made) as (page, case):
        for pin in ("u3.pgnd", "j4.gnd"):
            typed(page, "#search", pin)
            page.keyboard.press("Enter")  # shows it
            page.keyboard.press("Enter")  # takes it
        typed(page, "#f-current_A", "1.2")
        typed(page, "#f-frequency_Hz", "20e3")
        page.keyboard.press("Enter")
        count(page, 1)
        page.wait_for_function("document.getElementById('status').textContent === 'Loop U3 to J4 is made.'")
        tab_to(page, "[aria-label='Accept J1 to J2']")
        page.keyboard.press("Enter")
        typed(page, "#f-limit_V", "2e-3")
        page.keyboard.press("Enter")
        count(page, 2)
        # A gap, corner by corner with the crosshair.
        tab_to(page, "#layer")
        page.keyboard.type("L2")
        tab_to(page, "#tool-cutout")
        page.keyboard.press("Enter")
        tab_to(page, "#stage")
        page.keyboard.press("0")
        page.keyboard.press("Enter")
        for key in ("ArrowUp",) * 10 + ("Shift+ArrowRight",) * 5:
            page.keyboard.press(key)
        assert "copper of GND, L2" in page.inner_text("#told")
        page.keyboard.press("Enter")
        page.wait_for_selector("#coppers input:checked")
        page.keyboard.type("gap")  # over the name that it was given
        page.keyboard.press("Enter")
        count(page, 3)
        tab_to(page, "#save")
        page.keyboard.press("Enter")
        page.wait_for_function("document.getElementById('status').textContent.startsWith('Written: ')")
    read = read_case(case)
    assert [(loop.role, loop.inject, loop.return_) for loop in read.loops] == [
        ("noisy", "U3.PGND", "J4.GND"), ("cables", "J1.SHIELD", "J2.SHELL"),
    ]  # fmt: skip
    (gap,) = own(case.read_text(encoding="utf-8"))["cutout"]
    x0, y0, x1, y1 = gap["shape"]["rect"]
    assert (gap["name"], gap["copper"]) == ("gap", "GND on L2")
    assert (x1 - x0, y1 - y0) == pytest.approx((0.5, 10))

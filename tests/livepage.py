"""A live page in a browser without a window: opened from a file, and nothing it says or asks for goes unseen."""

from __future__ import annotations

import contextlib
import json
import os
import re
import shutil
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator, Sequence
from importlib.resources import files
from pathlib import Path
from typing import Any
from unittest import mock

import pytest

import solved
from browser import browser
from cases import EXAMPLES
from returnflow.answers.rescale import signature
from returnflow.live import page
from returnflow.live.board import LiveBoard
from returnflow.live.desk import Desk
from returnflow.live.over_frequency import over_frequency
from returnflow.live.page import MATHEMATICS, LivePage, class_page, live_page
from returnflow.live.patterns import FAINTEST
from returnflow.live.reference import LiveSolver
from returnflow.live.server import Answers, LiveServer
from returnflow_geometry.casefile.read import read_case

# What reaches over an edge of the window, or more than its box shows.
CUT = """() => [...document.querySelectorAll("body *")].filter((it) => {
  const box = it.getBoundingClientRect(), own = getComputedStyle(it);
  if (it.closest(".hidden, svg, aside > *") || !box.width) return false;
  if (box.right > innerWidth + 1 || box.bottom > innerHeight + 1) return true;
  return it.scrollWidth > it.clientWidth + 1 && it.clientWidth && own.display != "inline";
}).map((it) => it.tagName + "#" + it.id)"""
FAB = EXAMPLES / "weighing_controller_fab"  # what pages of an import are made of
HOW = "install it: pip install 'returnflow[live-test]'"


def above(board: LiveBoard, resistance: Any, *, pattern: float | None) -> dict[str, Any] | None:
    """What a page is given above 0 Hz: made once for all pages of a board."""
    key = ("above 0 Hz", signature(board.case, None), board.case.board.temperature, pattern)
    return solved.once(key, lambda: over_frequency(board, resistance, pattern=pattern))


@solved.shared
def example_page(name: str, *only: str, steady: bool = False, served: bool = False) -> LivePage:
    """Page of an example, with all its variants or some."""
    with mock.patch.object(page, "over_frequency", above):
        return live_page([read_case(EXAMPLES / f"{name}.toml")], only=only or None, steady=steady, served=served)


@solved.shared
def lessons_page() -> LivePage:
    """Page of the class."""
    with mock.patch.object(page, "over_frequency", above):
        return class_page()


def above_of(name: str) -> tuple[LiveBoard, dict[str, Any]]:
    """An example as drawn, and what its page is given above 0 Hz."""
    board = LiveBoard.of(read_case(EXAMPLES / f"{name}.toml"))
    found = above(board, LiveSolver(board).read().resistance, pattern=FAINTEST)
    assert found is not None
    return board, found


@contextlib.contextmanager
def chromium() -> Iterator[Any]:
    """
    A browser without a window and without WebGL, driven; without one the test is skipped and says how to get one.
    """
    playwright = pytest.importorskip("playwright.sync_api", reason=f"no playwright: {HOW}")
    command = browser()
    with playwright.sync_playwright() as driver:
        window = driver.chromium.launch(executable_path=command, args=["--no-sandbox", "--disable-3d-apis"])
        yield window
        window.close()


SPARE: list[Any] = []  # a page that is done with, for the next one: to begin one takes longer than to go elsewhere


@contextlib.contextmanager
def opened(window: Any, address: Path | str, width: int = 1280, height: int = 720, **more: Any) -> Iterator[Any]:
    """A page that is ready; fails if anything came to the console, went wrong, or was asked for elsewhere."""
    url = address.as_uri() if isinstance(address, Path) else address
    heard: list[str] = []
    page = SPARE.pop() if SPARE and not more else None
    # The page forbids itself eval, which the driver needs to look into it.
    page = page or window.new_page(viewport={"width": width, "height": height}, bypass_csp=True, **more)
    hears = {
        "console": lambda message: heard.append(f"console: {message.text}"),
        "pageerror": lambda error: heard.append(f"error: {error}"),
        "request": lambda request: heard.append(f"request: {request.url[:100]}") if request.url != url else None,
    }
    for event, hear in hears.items():
        page.on(event, hear)
    page.set_viewport_size({"width": width, "height": height})
    done = False
    try:
        page.goto(url)
        page.wait_for_function("window.page && window.page.reading", timeout=60_000)
        yield page
        done = not more
    finally:
        if done:
            # The mouse lies where no test has left it, and nothing is still on its way from this page.
            page.mouse.move(0, 0)
            page.goto("about:blank")
        for event, hear in hears.items():
            page.remove_listener(event, hear)
        if done:
            SPARE.append(page)
        else:
            page.close()
    assert [line for line in heard if not _own(line, url)] == []


@contextlib.contextmanager
def serving(path: Path, page: str | None = None) -> Iterator[LiveServer]:
    """Serve the live page of a case file, or another page."""
    case = read_case(path)
    with served(page or live_page([case], served=True), Desk([path], [case])) as server:
        yield server


@contextlib.contextmanager
def served(page: str, desk: Answers) -> Iterator[LiveServer]:
    """Serve a page with whoever answers it."""
    server = LiveServer(page, desk)
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.05})
    thread.start()
    try:
        yield server
    finally:
        server.shutdown()
        thread.join()
        server.server_close()


# Where this session was begun in the background of a shell, Ctrl-C is ignored, and so it is in whatever it starts.
HEEDING = (
    "import signal; signal.signal(signal.SIGINT, signal.default_int_handler); import returnflow.cli as it; it.entry()"
)


@contextlib.contextmanager
def commanded(arguments: Sequence[str], told: list[str]) -> Iterator[Any]:
    """A command that serves until Ctrl-C, which it gets at the end; what it says to stderr is added to `told` then."""
    command = [sys.executable, "-c", HEEDING, *arguments]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as server:
        try:
            yield server
        finally:
            server.send_signal(signal.CTRL_C_EVENT if os.name == "nt" else signal.SIGINT)
            try:
                told.append(server.communicate(timeout=60)[1])
            except subprocess.TimeoutExpired:
                server.kill()
                raise


def _own(line: str, url: str) -> bool:
    """Requests to the server that a page came from are its own affair."""
    origin = re.match(r"http://127\.0\.0\.1:\d+/", url)
    return bool(origin) and line.startswith(f"request: {origin.group() if origin else ''}")


def node(script: str) -> Any:
    """What the page's mathematics answers to a script, run by node if this machine has it: the script prints JSON."""
    command = shutil.which("node")
    if command is None:
        pytest.skip("no node on the path: install one, such as apt-get install nodejs")
    folder = files("returnflow.live").joinpath("scripts")
    parts = [folder.joinpath(f"{name}.js").read_text(encoding="utf-8") for name in ("loader", *MATHEMATICS)]
    text = "\n".join(part.replace('"use strict";', "") for part in parts) + f"\n(async () => {{ {script} }})();"
    done = subprocess.run([command, "-"], input=text, capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


def drag(page: Any, terminal: str, dx: float, dy: float, steps: int = 4) -> None:
    """Drag a contact by so many pixels."""
    mark = page.locator(".point", has_text=re.compile(f"^{re.escape(terminal)}$")).locator(".mark").bounding_box()
    x, y = mark["x"] + mark["width"] / 2, mark["y"] + mark["height"] / 2
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x + dx, y + dy, steps=steps)
    page.mouse.up()

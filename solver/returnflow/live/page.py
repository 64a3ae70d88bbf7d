"""One offline HTML file: data, scripts, style; and what every page says of itself."""

from __future__ import annotations

from collections.abc import Sequence
from importlib.resources import files
from pathlib import Path

import jinja2
from markupsafe import Markup

from returnflow.live.board import LiveBoard
from returnflow.live.payload import board_data, pack
from returnflow_geometry.model.board import Case

SCRIPTS = ("data", "words", "algebra", "sheet", "board", "picture", "page")
RESTS = (
    "Steady current in thin copper, solved in this page from both sides as contacts move: “about” means within a few "
    "tenths of a per cent of a full solve, more where a contact comes within a millimetre of an edge; no guaranteed "
    "bracket. A layout aid, not a compliance test, no substitute for a measurement. Protective earth, isolation and "
    "cable shields are safety matters for local codes and a qualified person."
)


def live_page(cases: Sequence[Case]) -> str:
    """
    Page of one or several cases, as HTML.

    Examples
    --------
    >>> from returnflow_geometry.casefile.read import read_case
    >>> page = live_page([read_case("examples/strip_with_slot.toml")])
    >>> "about" in page, "http://" in page.replace("http://www.w3.org/2000/svg", "")
    (True, False)
    """
    return render([board_data(LiveBoard.of(case), case.title) for case in cases])


def render(boards: Sequence[dict[str, object]]) -> str:
    """Page of boards that are solved already."""
    scripts = "\n".join(_script(f"{name}.js").replace('"use strict";\n', "", 1) for name in SCRIPTS)
    template = jinja2.Environment(autoescape=True, undefined=jinja2.StrictUndefined).from_string(_script("page.html"))
    return template.render(
        title=boards[0]["title"],
        style=Markup(_script("style.css")),
        scripts=Markup('"use strict";\n' + scripts),
        data=pack({"boards": boards}),
        rests=RESTS,
    )


def _script(name: str) -> str:
    return files("returnflow.live").joinpath("scripts", name).read_text(encoding="utf-8")


def write_page(page: str, path: Path) -> None:
    """Write it whole or not at all."""
    part = path.with_name(f".{path.name}.part")
    try:
        part.write_text(page, encoding="utf-8")
        part.replace(path)
    finally:
        part.unlink(missing_ok=True)

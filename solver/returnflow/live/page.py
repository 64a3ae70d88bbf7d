"""One offline HTML file: data, scripts, style; and what every page says of itself."""

from __future__ import annotations

import base64
import gzip
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from html import escape
from importlib.resources import files
from pathlib import Path
from typing import Any

import jinja2
from markupsafe import Markup

from returnflow.advice.study import AS_DRAWN
from returnflow.answers.rescale import Signature, signature
from returnflow.live.board import LiveBoard
from returnflow.live.over_frequency import over_frequency, to_come
from returnflow.live.patterns import FAINTER, FAINTEST
from returnflow.live.payload import board_data, pack
from returnflow.live.stitched import solver_of
from returnflow_geometry.casefile.read import parse_case
from returnflow_geometry.model.board import Case
from returnflow_geometry.model.files import write_whole
from returnflow_geometry.model.lessons import Lesson

MATHEMATICS = ("data", "words", "algebra", "order", "mesh", "piece", "sheet", "board", "stitched", "frequency")
SCRIPTS = (*MATHEMATICS, "picture", "dom", "grips", "overlay", "hand", "sweep", "readings", "lesson", "served", "page")
# Cases of the class: files of examples/, which the wheel carries in this room.
CLASS = ("u_trace", "slot_depth", "weighing_controller", "slot_crossing", "joined_planes")
RESTS = (
    "Steady current in thin copper, solved in this page from both sides as contacts move, and induction from a reduced "
    "model of the board as drawn: “about” means within a few tenths of a per cent of a full solve, more where a "
    "contact comes within a millimetre of an edge; {bracket}. A layout aid: not a compliance test, no "
    "substitute for a measurement. Protective earth, isolation and cable shields are safety matters for local codes "
    "and a qualified person."
)
NO_BRACKET = "no guaranteed bracket"
BRACKET = "“between” two figures is a full solve of what is shown, with its guaranteed bracket, by resistance alone"


class LivePage(str):
    """HTML of a live page, which a notebook shows as a page of its own in the page."""

    __slots__ = ()

    def __repr__(self) -> str:
        """One line."""
        return f"<LivePage, {len(self) / 1e3:.0f} kB>"

    def _repr_html_(self) -> str:
        frame = 'sandbox="allow-scripts" style="width:100%;height:720px;border:1px solid #ccc" title="live page"'
        return f'<iframe {frame} srcdoc="{escape(self)}"></iframe>'

    def save(self, path: str | Path) -> None:
        """Write it as one file, whole or not at all."""
        write_whole(self, Path(path))


def live_page(
    cases: Case | Sequence[Case],
    *,
    only: Sequence[str] | None = None,
    steady: bool = False,
    served: bool = False,
    progress: Callable[[str], None] | None = None,
) -> LivePage:
    """
    Page of one or several cases with their variants, as HTML.

    Parameters
    ----------
    cases : Case or sequence of Case
    only : sequence of str, optional
        Names of variants to show; "as drawn" is the case itself.
    steady : bool
        0 Hz only: smaller, and made sooner.
    served : bool
        It comes from a `LiveServer`, which it asks for what lies above 0 Hz when somebody wants to see it.
    progress : function of one string, optional

    Examples
    --------
    >>> from returnflow_geometry.casefile.read import read_case
    >>> page = live_page(read_case("examples/strip_with_slot.toml"))
    >>> page.save("strip.html")  # doctest: +SKIP
    >>> "about" in page, "http://" in page.replace("http://www.w3.org/2000/svg", "")
    (True, False)
    """
    say = progress or (lambda _: None)
    every = [cases] if isinstance(cases, Case) else cases
    boards = [board_group(case, only, steady=steady, ask=served, progress=say) for case in every]
    return render(boards, {"served": served})


def board_group(
    case: Case, only: Sequence[str] | None, *, steady: bool, ask: bool = False, progress: Callable[[str], None]
) -> dict[str, Any]:
    """A case and its variants as the page's scripts want them; with what is above 0 Hz, or asking for it later."""
    named = {AS_DRAWN: case, **{variant.name: variant.case for variant in case.variants}}
    known: dict[Signature, tuple[LiveBoard, dict[str, Any] | None]] = {}
    variants: list[dict[str, Any]] = []
    for name, one in named.items():
        if only is not None and name not in only:
            continue
        progress(f"{case.title}, {name}")
        key = (signature(one, None), one.board.temperature, tuple(layer.thickness for layer in one.board.layers))
        if key in known:
            old, frequencies = known[key]
            board = replace(old, case=one)
        else:
            board, frequencies = LiveBoard.of(one), None
            if ask and not steady:
                frequencies = to_come(one)
            elif not steady:
                resistance = solver_of(board).read().resistance
                progress(f"{case.title}, {name}: at all frequencies")
                frequencies = over_frequency(board, resistance, pattern=FAINTER if variants else FAINTEST)
            known[key] = board, frequencies
        variants.append(board_data(board, name, frequencies))
    return {"title": case.title, "variants": variants, "lessons": [_lesson(lesson) for lesson in case.lessons]}


def _lesson(lesson: Lesson) -> dict[str, Any]:
    return {
        **{key: getattr(lesson, key) for key in ("name", "question", "choices", "answer", "quantity", "of", "why")},
        "steps": [
            {
                "say": step.say,
                "variant": step.variant,
                "move": [[name, *place] for name, place in step.move],
                "frequency": step.frequency,
            }
            for step in lesson.steps
        ],
    }


def lesson_cases() -> list[Case]:
    """Cases of the class that comes with the program; each has lessons of its own."""
    packaged = files("returnflow.live").joinpath("lessons")
    folder = packaged if packaged.is_dir() else Path(__file__).parents[3] / "examples"  # installed, or a checkout
    return [parse_case(folder.joinpath(f"{name}.toml").read_text(encoding="utf-8")) for name in CLASS]


def class_page(progress: Callable[[str], None] | None = None) -> LivePage:
    """Page of all lessons that come with the program."""
    say = progress or (lambda _: None)
    boards = []
    for case in lesson_cases():
        shown = {step.variant or AS_DRAWN for lesson in case.lessons for step in lesson.steps} | {AS_DRAWN}
        frequencies = any(step.frequency for lesson in case.lessons for step in lesson.steps)
        boards.append(board_group(case, sorted(shown), steady=not frequencies, progress=say))
    return render(boards, {"class": True})


def render(boards: Sequence[dict[str, Any]], more: Mapping[str, Any] | None = None) -> LivePage:
    """Page of boards that are solved already."""
    data = {"boards": boards, **(more or {})}
    served = bool(more and more.get("served"))
    return assemble(
        "page.html",
        SCRIPTS,
        ("style.css",),
        data,
        title=boards[0]["title"],
        served=served,
        rests=RESTS.format(bracket=BRACKET if served else NO_BRACKET),
    )


def assemble(
    template: str, scripts: Sequence[str], styles: Sequence[str], data: Mapping[str, Any], **said: Any
) -> LivePage:
    """Page of a template, with all that it needs in it; its script starts as `Page` with the data."""
    script = "\n".join(_bare(_script(f"{name}.js")) for name in scripts)
    made = jinja2.Environment(autoescape=True, undefined=jinja2.StrictUndefined).from_string(_script(template))
    html = made.render(
        style=Markup("\n".join(_bare(_script(name)) for name in styles)),
        loader=Markup(_bare(_script("loader.js"))),
        scripts=base64.b64encode(gzip.compress(f'"use strict";\n{script}'.encode(), mtime=0)).decode(),
        data=pack(data),
        **said,
    )
    return LivePage(html)


def _bare(text: str) -> str:
    """A script without its indentation, comments on lines of their own and directive: the page is sent by mail."""
    text = re.sub(r"^\s*/\*\*.*?\*/\n", "", text, flags=re.MULTILINE | re.DOTALL)
    lines = (line.strip() for line in text.splitlines())
    return "\n".join(line for line in lines if line and not line.startswith("//") and line != '"use strict";')


def _script(name: str) -> str:
    return files("returnflow.live").joinpath("scripts", name).read_text(encoding="utf-8")

"""The report in two depths: a brief one that answers, and details behind it; both open anywhere without a network."""

from __future__ import annotations

import base64
import math
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup, escape

from returnflow.advice.decision import Decision
from returnflow.advice.recommendation import CAUTION
from returnflow.advice.study import AS_DRAWN, Study
from returnflow.answers.budget import Budget
from returnflow.answers.result import Result
from returnflow.pictures.picture import Picture
from returnflow.pictures.pictured import pictured
from returnflow.words.answer_text import NO_TEST, accuracy_sentence, summary, summary_lines, urgency
from returnflow.words.comparison import NOISE
from returnflow.words.device_table import devices_table
from returnflow.words.enclosure_table import enclosure_tables
from returnflow.words.radiation_table import radiation_table
from returnflow.words.result_tables import (
    accuracy_words,
    contributions_table,
    coppers_table,
    frequency_tables,
    links_tables,
    loops_table,
    matrix_table,
    passes_table,
    traffic_tables,
)
from returnflow.words.study_tables import (
    all_limits,
    comparison_tables,
    findings_table,
    options_table,
    reasons_table,
    variants_table,
)
from returnflow.words.supply_tables import supply_answers, supply_tables
from returnflow.words.table import Table
from returnflow.words.variant_text import recommended_variants
from returnflow_geometry.model.wording import named

MOST_COLUMNS = 8  # of a table: more are cut off on a narrow screen, or on paper
MOST_OPTIONS, MOST_FINDINGS, MOST_DECISIONS, MOST_SAID = 12, 6, 3, 8  # of the brief report
JUDGED = {
    "sensitive": {
        "kept": "Tolerable as drawn",
        "exceeded": "Not tolerable as drawn",
        "undecided": "Undecided",
        "unknown": "Not known",
    },
    "cables": {
        "exceeded": "Over its limit as drawn",
        "undecided": "Undecided",
        "unknown": "Not known",
    },
}
ALWAYS = (
    NO_TEST,
    CAUTION,
    "Vias, connectors and wires outside the solved copper are not included; a terminal is one equipotential contact.",
)
RESISTIVE = (
    "All numbers hold at the resistive limit (low frequency). Above about Rs / (2 µ0 d), with Rs the sheet resistance "
    "and d the distance between a loop's terminals, the return begins to gather under its outgoing conductor; the "
    "table of loops has that frequency for each."
)
SPECTRAL = (
    "Noise sums take every line at its own frequency, with skin effect and with the outgoing conductors that the case "
    "gives; a loop without one is closed far away. Maps without a frequency in their title, shares and net currents "
    "hold at the resistive limit (low frequency)."
)

BESIDE = "Its pictures are above, beside those of the other variants; a run of this variant alone draws all of them."

AS_VARIANTS = "Recommended boards as variants of the case"
PASTE = (
    "Tables to put at the end of the case file, from recommended.toml beside this page: the boards that nobody drew, "
    "as they were solved."
)


@dataclass(frozen=True)
class Verbatim:
    """Text of a file, with its lines as they are."""

    text: str


Block = Verbatim | Table | Picture | str | tuple[str, ...]  # a table, a picture, a paragraph, or a list


@dataclass(frozen=True)
class Section:
    """Part of the details: a heading of some level (2 or 3), what stands below it, and its place in the page."""

    title: str
    blocks: Sequence[Block] = ()
    level: int = 2
    anchor: str = field(default="")


def report_html(
    study: Study,
    drawn: Mapping[str, Sequence[Picture]],
    shared: Sequence[Picture] = (),
    *,
    failed: Sequence[str] = (),
    details: bool = True,
    tables: bool = True,
) -> str:
    """
    Brief report of a study: one screen that answers, and a few pages behind it.

    Parameters
    ----------
    study : Study
    drawn : mapping of variant name to pictures
        From :func:`returnflow.pictures.jobs.draw`.
    shared : sequence of Picture
        Of all variants side by side, and of sweeps.
    failed : sequence of str
        What could not be drawn or written, and why.
    details : bool
        Whether `details.html` lies beside it.
    tables : bool
        Whether `recommended.toml` does, where something is recommended that nobody drew.
    """
    base = next(iter(study.variants.values()))
    own = [picture for picture in drawn.get(base.name, ()) if picture.png]
    first = {kind: next((p for p in own if p.kind == kind), None) for kind in ("why", "board", "sources")}
    # As the picture of the first page has it: of what is over its limit signals come first.
    budgets = sorted((*base.sensitive, *base.cables), key=urgency)
    decisions = sorted(study.decisions, key=lambda it: _place(budgets, it.loop))
    lead = decisions[0] if decisions else None
    beside = _first_of_each([p for p in shared if p.kind == "compare" and p.png], lead)
    return _page(
        "report.html",
        study,
        base=base,
        named=len(study.variants) > 1 or base.name != AS_DRAWN,
        summary=summary_lines(base),
        first=first,
        lead=lead,
        options=None if lead is None else options_table(study, lead, MOST_OPTIONS),
        verdict="" if lead is None else next(it.verdict for it in budgets if it.loop == lead.loop),
        elsewhere=() if lead is None or lead.chosen is None else lead.chosen.costs,
        others=decisions[1:MOST_DECISIONS],
        all_limits=all_limits(decisions),
        more=len(decisions[MOST_DECISIONS:]),
        contributions=[
            *(table for it in budgets[:MOST_DECISIONS] for table in _budget_tables(base, it)),
            *supply_answers(base)[:MOST_DECISIONS],
            *enclosure_tables(base)[:MOST_DECISIONS],
        ]
        or [loops_table(base)],
        failed_variants=study.failed,
        reservation=study.reservation,
        failed=failed,
        variants=variants_table(study),
        beside=beside,
        sweeps=[swept.sentence(loop) for swept in study.swept for loop in swept.loops][:MOST_SAID],
        sweep=next((p for p in shared if p.kind == "sweep" and p.png), None),
        findings=findings_table(study, MOST_FINDINGS),
        accuracy=accuracy_sentence(base),
        cautions=_capped(base.cautions),
        assumptions=_capped(base.case.remarks),
        terms=_terms(study),
        drawn=len(study.proved) if tables else 0,
        details=details,
    )


def details_html(study: Study, drawn: Mapping[str, Sequence[Picture]], shared: Sequence[Picture] = ()) -> str:
    """Everything else of a study, with a table of contents; parameters as for `report_html`."""
    several = len(study.variants) > 1
    sections = [_decision(study, decision) for decision in study.decisions]
    comparison = comparison_tables(study)
    if comparison:
        sections.append(Section("Variants compared", (*filter(None, [variants_table(study)]), *comparison)))
    for kind, title in (("compare", "Side by side, on one scale"), ("sweep", "Sweeps")):
        made = [picture for picture in shared if picture.kind == kind]
        if made:
            sections.append(Section(title, made))
    findings = findings_table(study)
    if findings is not None:
        sections.append(Section("Layout findings", (findings,)))
    if tables := recommended_variants(study):
        sections.append(Section(AS_VARIANTS, (PASTE, *map(Verbatim, tables.values()))))
    for name, result in study.variants.items():
        sections += _variant(result, drawn.get(name, ()), several=several)
    sections.append(Section("Cautions", (_terms(study),)))
    numbered = [Section(it.title, it.blocks, it.level, f"s{n}") for n, it in enumerate(sections, 1)]
    return _page("details.html", study, sections=numbered)


def bare_html(study: Study, failed: Sequence[str]) -> str:
    """What is left where the report itself cannot be made: what failed, and where the numbers are."""
    lines = (*failed, "The numbers are in result.json.")
    return _page("details.html", study, sections=[Section("This report is not complete", (lines,), 2, "s1")])


def _decision(study: Study, decision: Decision) -> Section:
    rests = ("What the recommendation rests on:", decision.rests_on)
    return Section(
        f"Decision: {named(decision.loop)}",
        (
            decision.finding,
            f"Recommended: {decision.recommendation}",
            *([f"For all limits: {decision.all_limits}"] if decision.all_limits else []),
            options_table(study, decision),
            reasons_table(decision),
            *rests,
        ),
    )


def _variant(result: Result, pictures: Sequence[Picture], *, several: bool) -> Iterator[Section]:
    """All of one variant; its heading first, where there are several."""

    def of(*kinds: str, loop: str = "") -> list[Picture]:
        return [p for kind in kinds for p in pictures if p.kind == kind and (not loop or p.loops[-1] == loop)]

    level = 3 if several else 2
    board = of("why", "board")
    if several:
        beside = () if pictures else (BESIDE,)
        yield Section(f"Details: {result.name}", (summary(result), *beside, *board))
    elif board:
        yield Section("The board", board)
    for budget in (*result.sensitive, *result.cables):
        yield Section(
            f"{NOISE[budget.role]} {named(budget.loop)}",
            (
                *_budget_tables(result, budget),
                *of("sources", "placement", "coupling", loop=budget.loop),
            ),
            level,
        )
    if result.supplies:
        yield Section("Supplies", (*supply_tables(result), *[p for p in of("spectrum") if "-supply" in p.file]), level)
    if result.enclosures:
        yield Section("Enclosure", enclosure_tables(result), level)
    coppers = coppers_table(result, pictured(result))
    parts: list[tuple[str, Iterable[Block]]] = [
        (
            "Where each current flows",
            (loops_table(result), *_devices(result), *_undrawn(result, pictures), *of("flow")),
        ),
        ("Current through regions and sections, at the resistive limit", traffic_tables(result)),
        ("Coppers and links", (*(() if coppers is None else (coppers,)), *links_tables(result))),
        ("Resistance matrix", (matrix_table(result),)),
        ("Over frequency", (*frequency_tables(result), *of("strip", "spectrum"))),
        ("Accuracy", (accuracy_words(result), passes_table(result))),
        ("Limits of the model", (result.cautions,) if result.cautions else ()),
        ("Assumptions", (result.case.remarks,) if result.case.remarks else ()),
    ]
    for title, blocks in parts:
        if every := tuple(blocks):
            yield Section(title, every, level)


def _undrawn(result: Result, pictures: Sequence[Picture]) -> Iterator[str]:
    """How many loops have no picture of their own, where only some were drawn."""
    drawn = {picture.loops[0] for picture in pictures if picture.kind == "flow"}
    rest = len(result.case.loops) - len(drawn)
    if drawn and rest > 0:
        yield (
            f"Drawn are the loops with a limit and the noisy ones that matter most, {len(drawn)} in all; {rest} "
            'more are not. In Python, `plot("flow", loop)` draws any of them.'
        )


def _budget_tables(result: Result, budget: Budget) -> list[Table]:
    radiated = radiation_table(result, budget)
    return [contributions_table(result, budget), *(() if radiated is None else (radiated,))]


def _place(budgets: Sequence[Budget], loop: str) -> int:
    return next(n for n, it in enumerate(budgets) if it.loop == loop)


def _first_of_each(pictures: Sequence[Picture], lead: Decision | None) -> list[Picture]:
    """Of pictures side by side the boards, one flow and one placement: those of the loop that the report is about."""
    wanted = None if lead is None else lead.loop
    found: dict[str, Picture] = {}
    for picture in sorted(pictures, key=lambda p: wanted not in p.loops):
        found.setdefault(picture.file.removesuffix(".png").split("-")[1], picture)
    return [picture for picture in pictures if picture in found.values()]


def _capped(lines: Sequence[str]) -> list[str]:
    rest = len(lines) - MOST_SAID
    return [*lines[:MOST_SAID], *([f"{rest} more are in the details and in result.json."] if rest > 0 else [])]


def _terms(study: Study) -> tuple[str, ...]:
    spectral = any(result.spectral is not None for result in study.variants.values())
    return (*ALWAYS, SPECTRAL if spectral else RESISTIVE)


# --- templates ------------------------------------------------------------------------------------------------------


def _page(template: str, study: Study, **facts: object) -> str:
    return templates().get_template(template).render(study=study, most=MOST_COLUMNS, words=JUDGED, **facts)


def table_html(table: Table) -> str:
    """One table by itself, as the report has it, where no style of the report's stacks the lines of a cell."""
    macros: Any = templates().get_template("parts.html").module
    return str(macros.table(table, MOST_COLUMNS)).replace("<small>", "<br><small>")


@cache
def templates() -> Environment:
    """Templates of the report, which escape whatever they are given."""
    made = Environment(
        loader=PackageLoader("returnflow.report"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.filters |= {"embedded": _embedded, "shown": _shown, "tied": _tied}
    made.tests |= {"picture": lambda it: isinstance(it, Picture), "table": lambda it: isinstance(it, Table)}
    made.tests["verbatim"] = lambda it: isinstance(it, Verbatim)
    return made


def _embedded(png: bytes) -> str:
    return "data:image/png;base64," + base64.b64encode(png).decode()


def _shown(picture: Picture, widest: int = 1300) -> tuple[int, int]:
    """Width and height on the page: those of the picture, or a whole part of them."""
    width, height = picture.size
    scale = max(1, math.ceil(width / widest))
    return width // scale, height // scale


def _tied(text: str) -> Markup:
    """Text with units kept beside their numbers, and the half-width of a bracket on a line of its own."""
    tied = re.sub(r"(?<=\d) (?=[%°ΩA-Za-zµ/²]{1,5}(?![\w]))", "\u00a0", text)
    value, sign, half = tied.partition(" ± ")
    if not sign:
        return escape(value)
    return escape(value) + Markup("<small>± {}</small>").format(half)


def _devices(result: Result) -> tuple[Table, ...]:
    table = devices_table(result)
    return () if table is None else (table,)

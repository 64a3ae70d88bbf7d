"""Variants against the case as drawn, and the decision, in words and numbers: what report and terminal both show."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass

from returnflow.advice.option import Option
from returnflow.advice.study import AS_DRAWN, Study
from returnflow.answers.budget import Budget
from returnflow.answers.compare import Change, Figure, Row, RowKind
from returnflow.answers.verdict import needed, with_bound
from returnflow.words.answer_text import margin
from returnflow.words.columns import WIDTH, rows_text, short
from returnflow_geometry.model.numbers import dB, engineering, percent, within
from returnflow_geometry.model.wording import listed, named

NO_CHANGE = "no change"
KIND_WORDS: dict[RowKind, str] = {
    "noise": "Noise in series with a sensitive signal, rms",
    "cables": "Voltage between cable connectors, rms",
    "share": "Share of a noisy current through a region, at its strongest line",
    "link": "Share of a current through a link, at 0 Hz",
    "inductance": "Inductance of a loop at high frequency",
    "gap": "Inductance added by the gaps a route crosses, at high frequency",
    "crowding": "Peak sheet current, averaged over 0.1 mm, at 0 Hz",
}
ABSENT: dict[RowKind, str] = {"gap": "not crossed"}
NONE = "–"  # in the place of a figure that is not to be had
NOTHING = 1e-4  # of a current
NOISE = {"sensitive": "Noise in series with", "cables": "Voltage between the connectors of"}
VERDICTS = {"kept": "within limit", "exceeded": "over limit", "undecided": "undecided", "unknown": "not known"}


@dataclass(frozen=True, kw_only=True)
class Cell:
    """
    One quantity of one variant.

    Attributes
    ----------
    value : str
        With its unit; a dash or a few words where the variant has no such thing.
    margin : str
        Against the limit, with the verdict; empty where there is none.
    change : str
        Against the base; empty for the base itself and where either has no figure.
    verdict : "kept", "exceeded", "undecided" or ""
    moved : bool
        Whether there is a change beyond what both figures are known to.
    absent : bool
        Whether the variant has no such thing.
    """

    value: str
    margin: str = ""
    change: str = ""
    verdict: str = ""
    moved: bool = False
    absent: bool = False


def cell(study: Study, row: Row, variant: int) -> Cell:
    """Quantity of a row in one variant, by its number in `study.comparison`."""
    figure = row.figures[variant]
    if figure is None:
        return Cell(value=ABSENT.get(row.kind, NONE), absent=True)
    moved = row.change(variant) if variant else None
    text = "" if moved is None else change_text(moved, row, variant)
    budget = budget_of(study, row, variant)
    return Cell(
        value=figure_text(row, figure) if budget is None else with_bound(budget),
        margin="" if budget is None else judged(budget),
        change=text,
        verdict="" if budget is None else budget.verdict,
        moved=moved is not None and moved.meaningful,
    )


def judged(budget: Budget) -> str:
    """Margin and verdict."""
    return f"{margin(budget)}, {VERDICTS[budget.verdict]}"


def budget_of(study: Study, row: Row, variant: int) -> Budget | None:
    """Budget that a row of noise or of cables comes from; None for other rows."""
    result = study[study.comparison.variants[variant]]
    budgets = {"noise": result.sensitive, "cables": result.cables}.get(row.kind, ())
    return next((budget for budget in budgets if budget.loop == row.loop), None)


def row_name(row: Row) -> str:
    """What a row is about, within its kind."""
    if row.other:
        return f"{named(row.loop)} {'in' if row.kind == 'link' else 'through'} {named(row.other)}"
    return named(row.loop) + (", for 1 A" if row.unit == "A/m per A" else "")


def heading(row: Row) -> str:
    """What a row with a limit is about, without its kind above it."""
    return f"{NOISE['sensitive' if row.kind == 'noise' else 'cables']} {named(row.loop)}"


def row_limit(study: Study, row: Row) -> str:
    """Limit of a row, if all variants have the same one; else that they differ, or nothing."""
    found = [budget.limit for n in range(len(row.figures)) if (budget := budget_of(study, row, n)) is not None]
    if not found:
        return ""
    return f"limit {', '.join(engineering(limit, 'V') for limit in dict.fromkeys(found))}" + (
        ", by variant" if len(set(found)) > 1 else ""
    )


def figure_text(row: Row, figure: Figure) -> str:
    """
    Value of a figure with its unit; shares in per cent.

    Examples
    --------
    >>> row = Row(kind="noise", loop="x", other="", unit="V", limit=None, figures=())
    >>> figure_text(row, Figure(value=3.2e-6, half=1e-8))
    '3.2 µV'
    """
    if row.unit == "":
        return percent(figure.value)
    return engineering(figure.value, row.unit.removesuffix(" per A"))


def change_text(change: Change, row: Row, variant: int) -> str:
    """Change against the base in dB and per cent; what cannot be told from none is said to be none, and how well."""
    if not change.meaningful:
        return f"{NO_CHANGE} ({_known(row, variant)})"
    if math.isnan(change.percent):
        return "from zero"
    if change.dB == -math.inf:
        return "to zero"
    # Nearly everything gone is not everything.
    digits = 5 if -100 < change.percent < -99.95 else 3
    return f"{dB(change.dB, sign=True)}, {percent(change.percent / 100, digits, sign=True)}"


def _known(row: Row, variant: int) -> str:
    """Within what two figures can be told apart."""
    old, new = row.figures[0], row.figures[variant]
    if old is None or new is None:
        return ""
    both = old.half + new.half
    if not both > 0:
        return "the same"
    if abs(old.value) <= both:
        return within(both) if row.unit == "" else f"±{engineering(both, row.unit, 2)}"
    return within(both / abs(old.value))


def moving(rows: Sequence[Row]) -> tuple[list[Row], list[Row]]:
    """
    Rows worth reading first: those with a limit or with a change, or that some variant lacks; and the rest.

    A current that flows in a link of no variant is among the rest.
    """
    first: list[Row] = []
    rest: list[Row] = []
    for row in rows:
        changes = [row.change(n) for n in range(1, len(row.figures))]
        telling = row.kind in ("noise", "cables") or any(it is None or it.meaningful for it in changes)
        if row.kind == "link" and all(f is None or abs(f.value) < NOTHING for f in row.figures):
            telling = False
        (first if telling else rest).append(row)
    return first, rest


# --- the decision ------------------------------------------------------------------------------------------------


def possible_text(option: Option) -> str:
    """Whether an option can be done."""
    return "yes" if option.possible else "no"


def noise_text(option: Option) -> str:
    """Noise that an option leaves, with its margin; options worked out to a border leave at most that."""
    if option.noise is None:
        return NONE if not option.possible else "open" if option.waits else "not computed"
    if option.noise == 0:
        return "no conducted noise"
    at_most = "at most " if option.variant is None and not option.uncertain else ""
    return f"{at_most}{option.left} ({dB(option.sure_dB or 0.0, sign=True)})"


def keeps_text(option: Option) -> str:
    """Whether an option certainly meets the limit."""
    if option.noise is None or option.high is None:
        if not option.possible:
            return NONE
        return f"open: {needed(option.unrouted, unsolved=option.unsolved)}" if option.waits else "not known"
    if option.high <= option.limit:
        sure = "yes, with a proviso" if option.proviso else "yes"
        return sure if option.possible else "yes, but not possible"
    if option.low is not None and option.low <= option.limit:
        return "undecided"
    return "no"


def costs_text(option: Option) -> str:
    """What an option costs, or fixes, elsewhere."""
    parts = [f"exceeds the limit of {listed(option.over, 'and')}"] if option.over else []
    parts += [f"leaves the limit of {listed(option.unsure, 'and')} open"] if option.unsure else []
    parts += [f"leaves {named(name)} {dB(room, sign=True)}" for name, room in option.tight.items()]
    parts += [f"fixes {listed(option.mended, 'and')}"] if option.mended else []
    if option.variant is None:
        return "see details" if option.costs else "not computed" if option.possible else NONE
    return "; ".join(parts) or ("see details" if option.costs else "no change")


def origin_text(option: Option, study: Study) -> str:
    """Where the figures of an option come from."""
    if option.variant is None:
        return "estimated from the case as drawn"
    trial = study.trials.get(option.variant)
    if trial is None:
        return "solved as a variant"
    how = f"to {within(trial.case.accuracy)} " if trial.case.accuracy > study.accuracy else ""
    return f"solved {how}as a trial, not part of the case"


def comparison_text(study: Study) -> str:
    """Every judged loop over all variants, for a terminal; empty with a single variant."""
    comparison = study.comparison
    parts = []
    if len(comparison.variants) > 1:
        base = comparison.variants[0]
        parts.append(
            "\n".join(
                textwrap.fill(f"{name}: {changes_of(study, name)}", WIDTH, subsequent_indent="    ")
                for name in comparison.variants[1:]
            )
        )
        for row in (*comparison.of("noise"), *comparison.of("cables")):
            limit = row_limit(study, row)
            cells = [(name, cell(study, row, n)) for n, name in enumerate(comparison.variants)]
            lines = [[short(name, 34), it.value, it.margin, it.change] for name, it in cells]
            parts.append(
                f"{heading(row)}, {limit}\n" + rows_text(["variant", "rms", "margin", f"against {base}"], lines, 4)
            )
        others = len(comparison.rows) - len(comparison.of("noise")) - len(comparison.of("cables"))
        if others:
            parts.append(f"{others} more quantities of all variants are compared in the report.")
    parts += [textwrap.fill(f"Variant {named(name)} failed: {reason}", WIDTH) for name, reason in study.failed.items()]
    return "\n\n".join(parts)


def changes_of(study: Study, name: str) -> str:
    """What a variant changes, in one line."""
    if name == AS_DRAWN:
        return "the case as drawn"
    changes = study.changes.get(name, ())
    return (" " if all(line.endswith(".") for line in changes) else "; ").join(changes) or "no listed change"

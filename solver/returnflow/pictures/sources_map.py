"""Where on the board the noise of one loop comes from, where many loops add to it."""

from __future__ import annotations

import numpy as np
from matplotlib.cm import ScalarMappable
from matplotlib.colors import LogNorm
from matplotlib.lines import Line2D

from returnflow.answers.budget import Budget, Contribution
from returnflow.answers.result import Result
from returnflow.pictures.canvas import INK, ROLE_COLOURS, Label
from returnflow.pictures.fields import PLACEMENT_MAP, Range, scaled, ticks_between
from returnflow.pictures.frame import Frame
from returnflow.pictures.pictured import of_copper
from returnflow.words.result_tables import MOST_ROWS
from returnflow_geometry.model.numbers import MM, engineering, percent
from returnflow_geometry.model.wording import named

MANY = 8  # noisy loops; of fewer every single picture is drawn
LEAST = 1e-3  # of the largest: where the colours end
SMALLEST, LARGEST = 16.0, 130.0  # marks, square points


def telling(budget: Budget) -> list[Contribution]:
    """What adds to a loop's noise, the largest first; none where too few do for a map of them."""
    found = sorted((part for part in budget.contributions if part.noise > 0), key=lambda part: -part.noise)
    counted = [part for part in found if part.in_band]
    return found if len(found) >= MANY and counted else []


def sources_frame(result: Result, budget: Budget) -> Frame:
    """A mark where every noisy current enters, with what it adds as colour and size, on the copper of the weak loop."""
    found, weak, board = telling(budget), result.case.loop(budget.loop), result.case.board
    counted = [part for part in found if part.in_band]
    others = [part for part in found if not part.in_band]
    legend = [(Line2D([], [], color=ROLE_COLOURS[weak.role], lw=2.2), f"{named(weak.name)}, from return to inject")]
    if others:
        mark = Line2D([], [], ls="", marker="o", ms=6, mfc="none", mec="#5a5a5a", mew=1.1)
        legend.append((mark, "out of band, not counted"))
    frame = Frame(
        result,
        f"{weak.name}: where its noise comes from{of_copper(result)}",
        f"{len(counted)} noisy loops in band, {engineering(budget.noise, 'V')} rms in all · {_half(counted)}\n"
        "Every mark stands where a noisy current enters, coloured and sized by what it adds.",
        bar=True,
        legend=legend,
    )
    frame.draw_copper()
    frame.draw_copper(over=True)
    ends = [board.terminal(name) for name in (weak.return_, weak.inject)]
    x, y = (MM * np.array(axis) for axis in zip(*(end.centre for end in ends), strict=True))
    frame.axes.plot(x, y, color=ROLE_COLOURS[weak.role], lw=2.2, zorder=4)
    frame.draw_terminals([end.name for end in ends], ROLE_COLOURS[weak.role])
    unit, factor, _ = scaled(counted[0].noise, "V")
    span = Range(LEAST * factor * counted[0].noise, factor * counted[0].noise)
    norm = LogNorm(span.low, span.high)
    for part in reversed(found):
        at = MM * np.array(board.terminal(result.case.loop(part.loop).inject).centre)
        value = np.clip(factor * part.noise, span.low, span.high)
        size = SMALLEST + (LARGEST - SMALLEST) * float(norm(value))
        filled = {"facecolor": PLACEMENT_MAP(norm(value)), "edgecolor": INK, "linewidth": 0.7}
        style = filled if part.in_band else {"facecolor": "none", "edgecolor": "#5a5a5a", "linewidth": 1.1}
        frame.axes.scatter([at[0]], [at[1]], s=size, zorder=5.2 if part.in_band else 5.1, **style)
    frame.draw_bar(
        ScalarMappable(norm, PLACEMENT_MAP), f"noise in series with {named(weak.name)}, {unit} rms",
        ticks_between(span), extend="min",
    )  # fmt: skip
    labels = [Label(end.name, end.centre, ROLE_COLOURS[weak.role], frame.radius(end.shape), bold=True) for end in ends]
    labels += [
        Label(part.loop, board.terminal(result.case.loop(part.loop).inject).centre) for part in counted[:MOST_ROWS]
    ]
    frame.draw_labels(labels)
    return frame


def sources_words(result: Result, budget: Budget) -> tuple[str, str]:
    """Caption and alternative text of that picture."""
    counted = [part for part in telling(budget) if part.in_band]
    weak = result.case.loop(budget.loop)
    caption = (
        f"Who disturbs {named(weak.name)}: every noisy loop where its current enters, coloured and sized by what it "
        f"adds to the {engineering(budget.noise, 'V')} rms; the {min(len(counted), MOST_ROWS)} largest are named. "
        f"{_half(counted)}"
    )
    return caption, f"Map of {len(counted)} noisy loops by what they add to the noise of {weak.name}."


def _half(counted: list[Contribution]) -> str:
    """How few make most of it."""
    parts = np.cumsum([part.part for part in sorted(counted, key=lambda part: -part.part)])
    few = int(np.searchsorted(parts, 0.5)) + 1
    if few >= len(counted):
        return "All of them matter."
    power = percent(float(parts[few - 1]))
    return (
        f"{few} of {len(counted)} make {power} of the noise power." if few > 1 else f"One makes {power} of the power."
    )

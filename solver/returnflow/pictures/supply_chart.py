"""Picture of a supply: the impedance that a device's pins see over frequency, what is asked, and its resonances."""

from __future__ import annotations

import numpy as np

from returnflow.answers.result import Result
from returnflow.answers.supplies import SupplyFacts
from returnflow.pictures.chart import Chart, titled
from returnflow.pictures.lettering import LABEL_SIZE
from returnflow.pictures.over_frequency import COLOURS, DASHES, GUIDE, decades, frequency_axis, one_axes
from returnflow.words.supply_tables import cause
from returnflow_geometry.model.numbers import engineering
from returnflow_geometry.model.wording import named

MOST_MARKS = 5  # resonances with a word beside them


def supply_chart(result: Result, facts: SupplyFacts) -> Chart:
    """Impedance at the pins of one supply, with its target or the mean that its lines leave, and its peaks named."""
    loop = result.case.loop(facts.loop)
    figure, top = titled(
        f"{facts.loop}: impedance at its supply pins",
        "Peaks lie where a capacitance and an inductance exchange their energies; numbers stand for the table.",
        3.6,
    )
    axes = one_axes(figure, top)
    axes.loglog(facts.frequencies, facts.impedance, color=COLOURS[0], lw=1.8, label="|Z|")
    inside = np.isfinite(facts.target)
    if inside.any():
        asked = np.where(inside, facts.target, np.nan)
        axes.loglog(facts.frequencies, asked, color=COLOURS[1], lw=1.6, ls=DASHES[1], label="asked")
    if loop.supply is not None and loop.supply.tolerates is not None and facts.loudest[1] > 0:
        axes.axvline(facts.loudest[0], color=GUIDE, lw=0.9, ls=DASHES[2], label="loudest line")
    for number, item in enumerate(facts.resonances[:MOST_MARKS], start=1):
        axes.annotate(
            str(number),
            (item.frequency, item.impedance),
            xytext=(0, 5 if item.peak else -12),
            textcoords="offset points",
            ha="center",
            fontsize=LABEL_SIZE,
        )
    low, high = float(np.min(facts.impedance)), float(np.max(facts.impedance))
    axes.set_ylim(0.4 * low, 3 * high)
    decades(axes, "Ω")
    frequency_axis(axes)
    axes.set_xlim(float(facts.frequencies[0]) / 1.5, 1.5 * float(facts.frequencies[-1]))
    axes.legend(fontsize=LABEL_SIZE, loc="upper left", frameon=False)
    return Chart(figure)


def supply_words(facts: SupplyFacts) -> tuple[str, str]:
    """Caption and alternative text."""
    every = [
        f"{number} {'peak' if item.peak else 'dip'} at {engineering(item.frequency, 'Hz', 3)}: {cause(item)}"
        for number, item in enumerate(facts.resonances[:MOST_MARKS], start=1)
    ]
    text = f"Impedance that {named(facts.loop)} sees between its supply pin and its ground pin. " + (
        "; ".join(every) + "." if every else "It has no resonance here."
    )
    return text, f"Chart of the impedance at the supply pins of {facts.loop} over frequency."

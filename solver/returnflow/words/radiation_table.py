"""What the voltage between two cables radiates, line by line, against a limit of radiated emission."""

from __future__ import annotations

import math

from returnflow.answers.budget import Budget
from returnflow.answers.radiation import GROUND
from returnflow.answers.result import Result
from returnflow.words.table import Cell, Table
from returnflow_geometry.model.numbers import dB, engineering
from returnflow_geometry.model.radiation import FIELD_LIMITS
from returnflow_geometry.model.wording import named

MOST_LINES = 8


def level(field: float) -> str:
    """
    Field in dB above 1 uV/m.

    Examples
    --------
    >>> level(100e-6), level(0.0)
    ('40.0', '−∞')
    """
    return "−∞" if not field > 0 else f"{20 * math.log10(field / 1e-6):.1f}".replace("-", "−")


def radiation_table(result: Result, budget: Budget) -> Table | None:
    """Lines nearest to the limit; None for cables that have a limit in volts."""
    cables = result.case.loop(budget.loop).radiates
    if cables is None:
        return None
    limit = FIELD_LIMITS[cables.limit]
    shown = budget.radiated[:MOST_LINES]
    rest = len(budget.radiated) - len(shown)
    notes = [
        (
            f"Upper estimate: both cables, each {cables.length:g} m long, in line as a thin dipole driven by this "
            f"voltage, in resonance from half a wavelength up; {20 * math.log10(GROUND):.0f} dB added for the ground "
            "reflection. For comparing layouts: it does not predict a test result."
        ),
        f"{cables.limit} ({limit.source}): given at {limit.distance:g} m, scaled with the inverse of the distance.",
    ]
    if rest:
        notes.insert(0, f"{rest} more frequencies lie further from the limit.")
    if not shown:
        notes.insert(0, "No noisy current has a line in this band.")
    return Table(
        title=f"Field radiated by {named(budget.loop)} at {cables.distance:g} m, in dBµV/m",
        head=("frequency", "between the cables", "free space", "with ground", cables.limit, "margin"),
        rows=[
            [
                engineering(line.frequency, "Hz", 4),
                engineering(line.volts, "V"),
                level(line.free),
                level(line.ground),
                level(line.allowed),
                Cell(
                    dB(20 * math.log10(line.allowed / line.ground), sign=True) if line.ground > 0 else "",
                    mark="kept" if line.ground <= line.allowed else "exceeded",
                ),
            ]
            for line in shown
        ],
        notes=tuple(notes),
    )

"""The table of 0 Hz within a second or two, before the whole solve: what resistance alone makes of a case."""

from __future__ import annotations

from returnflow.answers.evaluate import Solved, budgets
from returnflow.resistive.conduction import solve
from returnflow.resistive.conductors import Conductors
from returnflow.resistive.solution import Options
from returnflow.words.columns import rows_text
from returnflow_geometry.model.board import Case
from returnflow_geometry.model.numbers import engineering

ROUGH = 0.05  # accuracy: one mesh is enough on most boards
QUICK = 100_000  # triangles: a board that takes more has no answer within seconds
HEAD = ("loop", "noisy loop", "transfer resistance", "V rms", "limit")


def first_look(case: Case) -> str:
    """
    Transfer resistance from every noisy loop to every loop with a limit, and the voltage it makes by resistance alone.

    Parameters
    ----------
    case : Case

    Returns
    -------
    table : str
        Empty where no loop has a limit.

    Raises
    ------
    NumericalError, MeshError
        If the board cannot be solved, or not at a glance.
    """
    if not any(loop.role != "noisy" for loop in case.loops):
        return ""
    conductors = Conductors.of(case)
    solution = solve(
        conductors, conductors.ends(case), options=Options(accuracy=max(ROUGH, case.accuracy), most_triangles=QUICK)
    )
    solved = Solved(conductors=conductors, solution=solution, model=None, facing=())
    rows = []
    for budget in (each for kind in budgets(case, solved) for each in kind):
        limit = engineering(budget.limit, "V") if budget.limit else ""
        for part in budget.contributions:
            noise = engineering(part.noise, "V") if part.in_band else "out of band"
            rows.append([budget.loop, part.loop, engineering(part.transfer, "Ω"), noise, limit])
    return rows_text(HEAD, rows, left=2)

"""Sweeps: noise and cable voltages over one or two quantities of a case, and where a limit is met."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal, NamedTuple, TypeAlias

import numpy as np
from numpy.typing import NDArray

from returnflow.answers.batch import solve_each
from returnflow.answers.budget import band_mask
from returnflow.answers.contours import isolines
from returnflow.answers.evaluate import Solved, budgets
from returnflow.answers.spectra import lines_of
from returnflow.answers.thresholds import Crossing, State, crossings, state
from returnflow.resistive.linear import Progress
from returnflow.resistive.solution import Options
from returnflow_geometry.model.board import Axis, Case, Loop, Role, Sweep
from returnflow_geometry.model.numbers import engineering
from returnflow_geometry.model.wording import named

__all__ = ["Crossing", "Swept", "run_sweeps"]

Floats = NDArray[np.float64]
Figure: TypeAlias = Literal["noise", "low", "high", "limits"]

DECADE = 10.0  # an axis whose values span more than this ratio is drawn logarithmic
LEAST_HIGHEST = 100.0  # Hz; the reduced model's band starts at 10
CERTAIN = 0.01  # of the value: a range narrower than this is not worth a word
FAINTEST = 1e-12  # of the limit: silence, where logarithms are drawn
UNBUILT = "it cannot be built"


class Numbers(NamedTuple):
    """What one loop of one step came to, volts; small, as it travels between processes."""

    loop: str
    limit: float
    noise: float
    low: float
    high: float


@dataclass(frozen=True, kw_only=True)
class Swept:
    """
    A sweep with what every step came to.

    Attributes
    ----------
    sweep : Sweep
    loops : tuple of str
        Every sensitive loop and pair of cables with a limit, in the order of the case.
    roles : tuple of Role
    limits, noise, low, high : array, shape (steps, loops)
        Volts; NaN where a step failed. `low` and `high` bound the noise.
    failed : dict of int to str
        Number of every step without figures, and why.
    """

    sweep: Sweep
    loops: tuple[str, ...]
    roles: tuple[Role, ...]
    limits: Floats
    noise: Floats
    low: Floats
    high: Floats
    failed: dict[int, str]

    def column(self, loop: str) -> int:
        """Column of a loop in every array; KeyError if there is none of that name."""
        try:
            return self.loops.index(loop)
        except ValueError:
            raise KeyError(loop) from None

    def grid(self, loop: str, figure: Figure = "noise") -> Floats:
        """Figures of one loop by the steps of every axis, volts, shape (values of the first axis, of the second)."""
        result = np.full([len(axis.values) for axis in self.sweep.axes], np.nan)
        values: Floats = getattr(self, figure)[:, self.column(loop)]
        for step, value in zip(self.sweep.steps, values, strict=True):
            result[step.at] = value
        return result

    def states(self, loop: str) -> tuple[State, ...]:
        """Whether a loop's limit is kept at every step, exceeded, undecided, or unknown as the step failed."""
        k = self.column(loop)
        ratios = np.column_stack([self.low[:, k], self.high[:, k]]) / self.limits[:, [k]]
        return tuple(state(float(low), float(high)) for low, high in ratios)

    def met(self, loop: str) -> tuple[Crossing, ...]:
        """
        Where a loop meets its limit along a sweep of one quantity.

        Only crossings from where the limit is certainly kept to where it is certainly exceeded, or back. Between steps
        the noise over its limit is interpolated linearly in its logarithm, over the logarithm of the quantity where
        all its values are positive: exact where the one goes with a power of the other.

        Raises
        ------
        ValueError
            For a sweep of two quantities: there the limit is met along lines, see `contour`.
        """
        (axis,) = self._axes(1)
        forth, back = scales(axis)
        at = forth(np.array(axis.values))
        order = np.argsort(at)
        limits = self.grid(loop, "limits")
        figures: tuple[Figure, ...] = ("low", "noise", "high")
        low, noise, high = ((self.grid(loop, figure) / limits)[order] for figure in figures)
        return tuple(
            Crossing(
                value=None if found.value is None else float(back(np.array(found.value))),
                between=(float(back(np.array(found.between[0]))), float(back(np.array(found.between[1])))),
                rising=found.rising,
            )
            for found in crossings(at[order], low, noise, high)
        )

    def contour(self, loop: str) -> Floats:
        """
        Where a loop meets its limit in a sweep of two quantities: straight pieces, shape (k, 2, 2), in the axes' units.

        The higher noise lies on the left. Interpolated as in `met`; there is none beside a step that failed.

        Raises
        ------
        ValueError
            For a sweep of one quantity: there the limit is met at values, see `met`.
        """
        axes = self._axes(2)
        (forth_x, back_x), (forth_y, back_y) = (scales(axis) for axis in axes)
        x, y = np.meshgrid(forth_x(np.array(axes[0].values)), forth_y(np.array(axes[1].values)), indexing="ij")
        ratio = self.grid(loop) / self.grid(loop, "limits")
        height = np.where(np.isfinite(ratio), np.log(np.fmax(ratio, FAINTEST)), np.nan)
        points, values = _quarters(np.stack([x, y, height], axis=-1))
        if not len(points):
            return np.empty((0, 2, 2))
        pieces = isolines(points, values, np.zeros(len(points)), np.arange(len(points)))
        return np.stack([back_x(pieces[..., 0]), back_y(pieces[..., 1])], axis=-1)

    def sentence(self, loop: str) -> str:
        """What the sweep says of a loop and its limit, in plain words."""
        states = self.states(loop)
        solved = sum(item != "unknown" for item in states)
        at = (
            f"at all {solved} steps"
            if solved == len(states)
            else f"at all {solved} of {len(states)} steps that were solved"
        )
        limit = self.limits[:, self.column(loop)]
        limit = limit[np.isfinite(limit)]
        own = f"its limit of {engineering(float(limit[0]), 'V')}" if len(limit) and np.ptp(limit) == 0 else "its limit"
        words: tuple[tuple[State, str], ...] = (("kept", "is within"), ("exceeded", "exceeds"))
        for whole, word in words:
            if solved and states.count(whole) == solved:
                return f"{named(loop)} {word} {own} {at}."
        if len(self.sweep.axes) > 1:
            undecided = states.count("undecided")
            rest = f", {undecided} undecided" if undecided else ""
            return f"{named(loop)} is within {own} at {states.count('kept')} of {solved} steps{rest}."
        found = self.met(loop)
        if not found:
            return f"Where {named(loop)} reaches {own} is undecided within the brackets; set a smaller `accuracy`."
        verbs = ["exceeds" if item.rising else "meets" for item in found]
        said = [f"{verb} {{}} above {self.words(item)}" for verb, item in zip(verbs, found, strict=True)]
        text = ", ".join(part.format("it" if n else own) for n, part in enumerate(said))
        return f"{self.sweep.axes[0].label}: {named(loop)} {text}."

    def words(self, crossing: Crossing) -> str:
        """Place of a crossing, with its unit; and the range that it is known to within, where that is wide."""
        unit = f" {self.sweep.axes[0].unit}".rstrip()
        low, high = crossing.between
        span = f"between {low:.3g} and {high:.3g}{unit}"
        if crossing.value is None:
            return f"a place {span}, where not every step was solved"
        sure = high - low <= CERTAIN * max(abs(low), abs(high))
        return f"{crossing.value:.3g}{unit}" + ("" if sure else f" ({span})")

    def _axes(self, count: int) -> tuple[Axis, ...]:
        if len(self.sweep.axes) != count:
            other = "contour" if count == 1 else "met"
            axes = f"{len(self.sweep.axes)} quantities, not {count}"
            message = f"Sweep {named(self.sweep.name)} has {axes}: use `{other}`."
            raise ValueError(message)
        return self.sweep.axes


def run_sweeps(
    case: Case,
    options: Options | None = None,
    progress: Progress | None = None,
    jobs: int | None = None,
    cache: Path | None = None,
) -> tuple[Swept, ...]:
    """
    Solve every step of the sweeps of a case; each different board once, side by side.

    Parameters
    ----------
    case : Case
    options : Options, optional
        By default with the accuracy of the case.
    progress : function of one string, optional
    jobs : int, optional
        Processes; by default one for each core.
    cache : Path, optional
        Folder of solutions that are kept from run to run.

    Notes
    -----
    Budgets only count lines in the bands of the loops that have one, so nothing else is solved for: no regions, no
    sections, and frequencies up to the highest line that counts.
    """
    cases = {
        f"{sweep.name} {n}": counted(step.case)
        for sweep in case.sweeps
        for n, step in enumerate(sweep.steps)
        if step.case is not None
    }
    top = max((_highest(item) for item in cases.values()), default=0.0)
    highest = max(top, LEAST_HIGHEST)
    answers = solve_each(cases, _numbers, options, progress, jobs, highest=highest, cache=cache)
    return tuple(_gathered(case, sweep, answers) for sweep in case.sweeps)


def counted(case: Case) -> Case:
    """Case with only what its budgets rest on: lines of the noisy loops that are in anybody's band, and no watches."""
    victims = [loop for loop in case.loops if loop.role != "noisy"]
    loops = tuple(_heard(loop, victims) if loop.role == "noisy" else loop for loop in case.loops)
    return replace(case, loops=loops, regions=(), sections=(), frequencies=(0.0,), variants=(), sweeps=())


def _heard(loop: Loop, victims: Sequence[Loop]) -> Loop:
    lines = lines_of(loop)
    masks = [band_mask(lines, victim) for victim in victims]
    keep = np.any(masks, axis=0) if masks else np.zeros(len(lines.frequency), dtype=bool)
    if keep.all():
        return loop
    kept = tuple(zip(lines.frequency[keep].tolist(), lines.current[keep].tolist(), strict=True))
    return replace(loop, current=None, frequency=None, trapezoid=None, spectrum=kept or ((0.0, 0.0),))


def _highest(case: Case) -> float:
    return max((float(lines_of(loop).frequency[-1]) for loop in case.loops if loop.role == "noisy"), default=0.0)


def _numbers(_: str, case: Case, solved: Solved) -> tuple[Numbers, ...]:
    sensitive, cables = budgets(case, solved)
    return tuple(Numbers(item.loop, item.limit, item.noise, item.low, item.high) for item in (*sensitive, *cables))


def _gathered(case: Case, sweep: Sweep, answers: dict[str, tuple[Numbers, ...] | Exception]) -> Swept:
    judged = [loop for loop in case.loops if loop.tolerates or loop.limit or loop.radiates]
    names = [loop.name for loop in judged]
    figures = np.full((4, len(sweep.steps), len(names)), np.nan)
    failed = {}
    for n, step in enumerate(sweep.steps):
        answer = answers.get(f"{sweep.name} {n}")
        if step.case is None or answer is None:
            failed[n] = UNBUILT
        elif isinstance(answer, Exception):
            failed[n] = str(answer)
        else:
            for item in answer:
                figures[:, n, names.index(item.loop)] = item.limit, item.noise, item.low, item.high
    limits, noise, low, high = figures
    return Swept(
        sweep=sweep, loops=tuple(names), roles=tuple(loop.role for loop in judged), limits=limits, noise=noise,
        low=low, high=high, failed=failed,
    )  # fmt: skip


def scales(axis: Axis) -> tuple[Callable[[Floats], Floats], Callable[[Floats], Floats]]:
    """From the values of an axis to where they are interpolated, and back."""
    if min(axis.values) > 0:
        return np.log, np.exp
    return np.asarray, np.asarray


def _quarters(nodes: Floats) -> tuple[Floats, Floats]:
    """
    Triangles of a grid, four to a cell round its middle, so that no diagonal is preferred.

    Parameters
    ----------
    nodes : array, shape (n, m, 3)
        x, y and value; cells with a NaN are left out.

    Returns
    -------
    points : array, shape (t, 3, 2), counter-clockwise
    values : array, shape (t, 3)
    """
    a, b, c, d = nodes[:-1, :-1], nodes[1:, :-1], nodes[1:, 1:], nodes[:-1, 1:]
    middle = 0.25 * (a + b + c + d)
    every = np.concatenate(
        [
            np.stack(three, axis=2).reshape(-1, 3, 3)
            for three in ((a, b, middle), (b, c, middle), (c, d, middle), (d, a, middle))
        ]
    )
    every = every[np.all(np.isfinite(every), axis=(1, 2))]
    (px, py), (qx, qy) = (every[:, 1] - every[:, 0])[:, :2].T, (every[:, 2] - every[:, 0])[:, :2].T
    # An axis whose values fall turns the cells over.
    turned = px * qy - py * qx < 0
    every[turned] = every[turned][:, ::-1]
    return every[..., :2], every[..., 2]


def logarithmic(axis: Axis) -> bool:
    """Whether an axis is drawn logarithmic: positive values that span more than a decade, not in even steps."""
    low, high, steps = min(axis.values), max(axis.values), np.diff(axis.values)
    even = len(steps) > 1 and bool(np.allclose(steps, steps[0], rtol=1e-3))
    return low > 0 and high > DECADE * low and not even

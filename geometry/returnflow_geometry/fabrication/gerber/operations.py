"""Operations of a Gerber image: draw, arc, flash, contour."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from returnflow_geometry.fabrication.base.curves import arc
from returnflow_geometry.fabrication.gerber.number_format import FAR

if TYPE_CHECKING:
    from returnflow_geometry.fabrication.gerber.state import State

Point = tuple[float, float]

# Rounding of coordinates moves a centre by a few units; what is above can only be a mistake.
# Common practice, no source.
UNROUND = 2e-6  # m: reported above
CROOKED = (20e-6, 0.1)  # m, share of the radius: refused above both


class Plot:
    """Turns operations into shapes of the state's table."""

    def __init__(self, state: State) -> None:
        self.state = state

    def flash(self) -> None:
        """D03."""
        state = self.state
        if state.contour is not None:
            message = "D03 inside a region; only D01 and D02 draw a contour. Repair it."
            raise ValueError(message)
        code = self._aperture()
        if code in state.blocks:
            state.add_block(state.blocks[code], state.x, state.y)
        else:
            state.add(state.shapes.moved(state.apertures[code], state.matrix), state.x, state.y, "flash")

    def draw(self, old: Point, i: str | None, j: str | None) -> None:
        """D01, as part of a contour or as a stroke."""
        state = self.state
        new = (state.x, state.y)
        if state.contour is not None:
            if not state.contour:
                state.contour.append(old)
            if state.mode == "line":
                state.contour.append(new)
                state.budget.vertices(1)
            else:
                found = self._arc(old, new, i, j)
                state.contour.extend([new] if found is None else map(tuple, found[0].tolist()))
            return
        code = self._aperture()
        if code in state.blocks:
            message = f"D{code} is a block aperture and cannot be dragged, only flashed. Repair it."
            raise ValueError(message)
        brush = state.shapes.moved(state.apertures[code], state.matrix)
        found = None if state.mode == "line" else self._arc(old, new, i, j)
        if found is None and old == new:
            state.add(state.shapes.dot(brush, new), 0.0, 0.0, "draw")
            return
        if not state.shapes.can_drag(brush):
            message = (
                f"a line is drawn with aperture D{code}, which has holes or dents; what that covers is not defined. "
                "Draw with a round or rectangular aperture, or flash it."
            )
            raise ValueError(message)
        if state.apertures[code] not in state.standard:
            state.note(
                "Lines are drawn with an aperture that is not a full disc or rectangle; all it passes over is taken."
            )
        if found is None:
            shape = state.shapes.line(brush, old, new)
        else:
            points, centre = found
            path = np.concatenate([[old], points])
            shape = state.shapes.arc(brush, path, centre, clockwise=state.mode == "clockwise")
        state.add(shape, 0.0, 0.0, "draw")

    def close_contour(self) -> None:
        """D02 or G37 inside a region: the contour so far becomes an object."""
        state = self.state
        ring = state.contour
        if not ring:
            return
        state.contour = []
        if ring[0] != ring[-1]:
            state.note("A contour does not end where it began; it was closed by a straight line.")
        else:
            ring.pop()
        if len(set(ring)) < 3:
            state.note("A contour has fewer than three corners; it covers nothing and was left out.")
            return
        state.add(state.shapes.region(ring, function_of(state)), 0.0, 0.0, "region")

    def _aperture(self) -> int:
        if not self.state.current:
            message = "something is drawn before an aperture is selected. Add its D number, or repair the file."
            raise ValueError(message)
        return self.state.current

    def _arc(self, old: Point, new: Point, i: str | None, j: str | None) -> tuple[np.ndarray, Point] | None:
        """Points after `old` and the centre; None where the arc has no length or is straight."""
        state = self.state
        if not state.quadrant:
            message = "an arc before G74 or G75; its centre is unknown. Add the one the file was written for."
            raise ValueError(message)
        di = state.numbers.coordinate(i, FAR) if i is not None else 0.0
        dj = state.numbers.coordinate(j, FAR) if j is not None else 0.0
        clockwise = state.mode == "clockwise"
        if state.quadrant == "single":
            if old == new:
                return None
            centre = _single_quadrant(old, new, abs(di), abs(dj), clockwise=clockwise)
        else:
            centre = (old[0] + di, old[1] + dj)
        radii = math.dist(old, centre), math.dist(new, centre)
        off = abs(radii[0] - radii[1])
        if off > CROOKED[0] and off > CROOKED[1] * max(radii):
            message = (
                f"an arc whose centre is {radii[0] * 1e3:.6g} mm from its start and {radii[1] * 1e3:.6g} mm from its "
                "end; both must be equal. Repair I and J, or G74 and G75."
            )
            raise ValueError(message)
        if off > UNROUND:
            state.note(
                "An arc's centre is not equally far from both its ends; its radius changes from one to the other."
            )
        if min(radii) == 0.0:
            # No centre to turn about: what is left is at most the rounding of a coordinate.
            return None
        points = arc(old, new, centre, clockwise=clockwise)
        state.budget.vertices(4 * len(points))
        return points, centre


def _single_quadrant(old: Point, new: Point, di: float, dj: float, *, clockwise: bool) -> Point:
    """Of the four centres the signless I and J allow, the one with an arc of at most 90 degrees and equal radii."""
    best: tuple[float, Point] | None = None
    for sx in (1.0, -1.0):
        for sy in (1.0, -1.0):
            centre = (old[0] + sx * di, old[1] + sy * dj)
            first = math.atan2(old[1] - centre[1], old[0] - centre[0])
            last = math.atan2(new[1] - centre[1], new[0] - centre[0])
            turn = (first - last if clockwise else last - first) % (2 * math.pi)
            if turn > math.pi / 2 + 1e-3 and turn < 2 * math.pi - 1e-9:
                continue
            off = abs(math.dist(old, centre) - math.dist(new, centre))
            if best is None or off < best[0]:
                best = (off, centre)
    if best is None:
        message = (
            "an arc after G74 that turns by more than 90 degrees whatever the signs of I and J. Repair it, or use G75."
        )
        raise ValueError(message)
    return best[1]


def function_of(state: State) -> str:
    """Function of the aperture attributes in force, its fields joined by commas."""
    return ",".join(state.attributes.aperture.get("AperFunction", ()))

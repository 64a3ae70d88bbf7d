"""Which gaps the outgoing conductors cross."""

from __future__ import annotations

import shapely
from shapely import LineString

from returnflow_geometry.board import Case

GAP = 2.5  # widths or heights of the trace; a shorter cutout under it is an antipad


def crossed_gaps(case: Case, copper: str) -> list[tuple[str, ...]]:
    """Cutouts that each loop's route crosses, by name."""
    cutouts = [cutout for cutout in case.board.cutouts if cutout.copper == copper]
    crossed: list[tuple[str, ...]] = []
    for loop in case.loops:
        if loop.route is None:
            crossed.append(())
            continue
        line = LineString(loop.route.path)
        reach = max(loop.route.width, abs(case.board.height(loop.route.layer, copper)))
        crossed.append(tuple(cutout.name for cutout in cutouts if _crosses(line, cutout.shape, reach)))
    return crossed


def _crosses(line: LineString, shape: shapely.Geometry, reach: float) -> bool:
    """
    Whether a trace passes over a gap, not merely over a round antipad.

    A gap is a part much longer than the trace is wide and high above the copper: what the return must go round.
    """
    for part in shapely.get_parts(shape):
        x0, y0, x1, y1 = part.bounds
        if max(x1 - x0, y1 - y0) > GAP * reach and line.intersection(part).length > 0:
            return True
    return False

"""Outgoing conductor of a loop: a trace on a layer, or legs on several."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace


@dataclass(frozen=True, kw_only=True)
class Outgoing:
    """
    Outgoing conductor of a loop: a trace on a layer from the loop's return end to its inject end.

    `path` and `width` in metres. One that changes layers has `legs`, one after the other; then `path` is its whole way,
    `layer` and `width` are those of its longest leg.
    """

    layer: str
    path: tuple[tuple[float, float], ...]
    width: float
    legs: tuple[Outgoing, ...] = ()

    @classmethod
    def chain(cls, legs: Sequence[Outgoing]) -> Outgoing:
        """
        One conductor of legs that follow each other; neighbours on one layer with one width become one leg.

        Examples
        --------
        >>> legs = [
        ...     Outgoing(layer="L1", path=((0, 0), (1, 0)), width=1),
        ...     Outgoing(layer="L4", path=((1, 0), (9, 0)), width=2),
        ... ]
        >>> route = Outgoing.chain(legs)
        >>> route.layer, route.path, len(route.legs)
        ('L4', ((0, 0), (1, 0), (9, 0)), 2)
        """
        merged: list[Outgoing] = []
        for leg in legs:
            if merged and (merged[-1].layer, merged[-1].width) == (leg.layer, leg.width):
                merged[-1] = replace(merged[-1], path=_joined(merged[-1].path, leg.path))
            else:
                merged.append(leg)
        if len(merged) == 1:
            return merged[0]
        path: tuple[tuple[float, float], ...] = ()
        for leg in merged:
            path = _joined(path, leg.path)
        longest = max(merged, key=lambda leg: leg.length)
        return cls(layer=longest.layer, path=path, width=longest.width, legs=tuple(merged))

    @property
    def length(self) -> float:
        """Metres."""
        return sum(math.dist(*piece) for piece in itertools.pairwise(self.path))

    def led(
        self,
        start: Sequence[tuple[float, float]] = (),
        end: Sequence[tuple[float, float]] = (),
        *,
        instead: bool = False,
    ) -> Outgoing:
        """Return the same with points before its first and after its last one, or `instead` of them."""
        first, last = (1 if instead and start else 0), (-1 if instead and end else None)
        path = (*start, *self.path[first:last], *end)
        legs = self.legs
        if legs:
            legs = (legs[0].led(start, instead=instead), *legs[1:-1], legs[-1].led(end=end, instead=instead))
        return replace(self, path=path, legs=legs)


def _joined(
    one: tuple[tuple[float, float], ...], other: tuple[tuple[float, float], ...]
) -> tuple[tuple[float, float], ...]:
    return (*one, *(other[1:] if one and one[-1] == other[0] else other))

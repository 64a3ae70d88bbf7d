"""Links between contacts as the equations see them: resistance, inductance and capacitance in series."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from returnflow_geometry.model.board import Link

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Mask = NDArray[np.bool_]


@dataclass(frozen=True)
class Links:
    """
    Links between contacts, those with a capacitor last.

    Attributes
    ----------
    names : tuple of str
    ends : array, shape (k, 2)
        Contact numbers.
    resistance, inductance, elastance : arrays, shape (k,)
        Ohm, henry, and one over the capacitance in 1/F (0 where there is no capacitor).
    """

    names: tuple[str, ...]
    ends: Ints
    resistance: Floats
    inductance: Floats
    elastance: Floats

    @classmethod
    def of(cls, links: Sequence[Link], contact: Mapping[str, int]) -> Links:
        """
        Links between known contacts; others are left out.

        Examples
        --------
        >>> links = [Link(name="c", between=("A", "B"), capacitance=1e-9), Link(name="r", between=("B", "A"))]
        >>> Links.of(links, {"A": 0, "B": 1}).names
        ('r', 'c')
        """
        kept = [link for link in links if all(end in contact for end in link.between)]
        kept.sort(key=lambda link: link.capacitance is not None)
        return cls(
            tuple(link.name for link in kept),
            np.array([[contact[end] for end in link.between] for link in kept], dtype=np.int64).reshape(-1, 2),
            np.array([link.resistance for link in kept], dtype=np.float64),
            np.array([link.inductance for link in kept], dtype=np.float64),
            np.array([1 / link.capacitance if link.capacitance else 0.0 for link in kept], dtype=np.float64),
        )

    def __len__(self) -> int:
        """Number of links."""
        return len(self.names)

    @property
    def conducting(self) -> Mask:
        """Which conduct at 0 Hz, shape (k,)."""
        conducting: Mask = self.elastance == 0
        return conducting

    def only(self, mask: Mask) -> Links:
        """Some of the links."""
        names = tuple(name for name, keep in zip(self.names, mask, strict=True) if keep)
        return Links(names, self.ends[mask], self.resistance[mask], self.inductance[mask], self.elastance[mask])

    def joined(self, other: Links) -> Links:
        """These, and behind them others."""
        ours, theirs = ((each.ends, each.resistance, each.inductance, each.elastance) for each in (self, other))
        return Links(self.names + other.names, *(np.concatenate(pair) for pair in zip(ours, theirs, strict=True)))

    def impedance(self, frequency: float) -> NDArray[np.complex128]:
        """
        Impedance of every link in ohm at a frequency above 0 in hertz, shape (k,).

        Examples
        --------
        >>> resonant = Link(name="c", between=("A", "B"), resistance=0.1, inductance=1e-9, capacitance=1e-9)
        >>> f = 1e9 / (2 * np.pi)
        >>> np.round(Links.of([resonant], {"A": 0, "B": 1}).impedance(f), 9)
        array([0.1+0.j])
        """
        w = 2 * np.pi * frequency
        return self.resistance + 1j * (w * self.inductance - self.elastance / w)


NONE = Links((), np.empty((0, 2), dtype=np.int64), np.zeros(0), np.zeros(0), np.zeros(0))

"""What loops see where links are other than they were solved: circuit algebra on the reduced model."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from returnflow.magnetic.broadband import Broadband
from returnflow.magnetic.charged import Charged
from returnflow.resistive.links import Links

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Complexes = NDArray[np.complex128]

NONE = 1e-12  # ohm; less is no change
SAME = 1e-9  # of the largest admittance; less is rounding


@dataclass(frozen=True)
class LinkView:
    """
    Loops and the links at some frequencies, on the finer mesh.

    Attributes
    ----------
    frequencies : array, shape (f,), hertz
    impedance : array, shape (f,) or (f, loops, loops)
        Of the loop or the loops, ohm.
    current : array, shape (f, links) or (f, links, loops)
        Through every link per ampere of a loop.
    admittance : array, shape (f, links, links)
        Currents through links per volt in series with one of them, the loops open, siemens.
    displaced : array, shape (f, k) or (f, k, loops)
        Displacement currents per ampere of a loop.
    links : Links
    """

    frequencies: Floats
    impedance: Complexes
    current: Complexes
    admittance: Complexes
    displaced: Complexes
    links: Links

    @classmethod
    def of(cls, model: Broadband, loop: int, frequencies: Sequence[float] | Floats) -> LinkView:
        """Of one loop of a model, whose currents flow between planes."""
        every = cls.of_all(model, frequencies, facing=True)
        return replace(
            every,
            impedance=every.impedance[:, loop, loop],
            current=every.current[:, :, loop],
            displaced=every.displaced[:, :, loop],
        )

    @classmethod
    def of_all(cls, model: Broadband, frequencies: Sequence[float] | Floats, *, facing: bool = False) -> LinkView:
        """
        Of all loops of a model.

        `facing`: all currents flow on faces that planes turn to one another, else between both faces as wholes.
        """
        one = model if model.coarse is None else model.both[0]
        open_, loops = (one.open, one.system.loops) if isinstance(one, Charged) else (one, one.drive.shape[1])
        through = open_.system.link_current
        # Displacement currents are unknowns here, as what induction adds is.
        links = np.hstack([open_.link_basis, through[:, loops:]])
        found = []
        for f in frequencies:
            w = 2 * np.pi * float(f)
            sheets = open_.of_foils(f)
            if facing:
                sheets = [a + b for a, b in zip(sheets, open_.of_foils(f, between=True), strict=True)]
            matrix, driven, own = open_.small.equations(w, sheets, open_.passing)
            if isinstance(one, Charged):
                between = own + one.elastance / (1j * w)
                side = driven[:, loops:]
                matrix = np.block([[matrix, side], [side.T, between[loops:, loops:]]])
                driven, own = np.vstack([driven, between[loops:]]), between
            answer = np.linalg.solve(matrix, np.hstack([driven[:, :loops], links.T]))
            own_loops = own[:loops, :loops] - driven[:, :loops].T @ answer[:, :loops]
            current = through[:, :loops] - links @ answer[:, :loops]
            displaced = -answer[open_.basis.shape[1] :, :loops]
            found.append((own_loops, current, links @ answer[:, loops:], displaced))
        impedance, currents, admittance, between_planes = (np.array(part) for part in zip(*found, strict=True))
        at = np.asarray(frequencies, dtype=np.float64)
        return cls(at, impedance, currents, admittance, between_planes, one.system.stack.links)

    @property
    def of_links(self) -> Complexes:
        """Impedance of every link, shape (f, links), ohm."""
        return np.array([self.links.impedance(f) for f in self.frequencies])

    def with_others(self, at: Ints, more: Complexes) -> Complexes:
        """
        Impedance where some links have more impedance than they have, of the shape of `impedance`.

        Parameters
        ----------
        at : array, shape (k,)
            Numbers of the links.
        more : array, shape (f, k)
            What is added in series, ohm; infinite where a link is taken away.
        """
        if not len(at):
            return self.impedance
        c = self.current[:, at].reshape(len(self.frequencies), len(at), -1)
        conducting = np.where(np.isfinite(more), 1 / np.where(np.abs(more) > NONE, more, NONE), 0)
        matrix = self.admittance[:, at[:, None], at] + np.einsum("fk,kl->fkl", conducting, np.eye(len(at)))
        # Links in one ring carry one current: taken away together they say the same.
        added = np.einsum("fki,fkj->fij", c, np.linalg.pinv(matrix, rcond=SAME) @ c)
        changed: Complexes = self.impedance + added.reshape(self.impedance.shape)
        return changed

"""What loops see where links are other than they were solved: circuit algebra on the reduced model."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from returnflow.magnetic.broadband import Broadband
from returnflow.magnetic.charged import Charged
from returnflow.resistive.links import Links

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Complexes = NDArray[np.complex128]

NONE = 1e-12  # ohm; less is no change


@dataclass(frozen=True)
class LinkView:
    """
    One loop and the links at some frequencies, on the finer mesh.

    Currents are taken on the faces that planes turn to one another, with the surface impedance there.

    Attributes
    ----------
    frequencies : array, shape (f,), hertz
    impedance : array, shape (f,)
        Of the loop, ohm.
    current : array, shape (f, links)
        Through every link per ampere of the loop.
    admittance : array, shape (f, links, links)
        Currents through links per volt in series with one of them, the loop open, siemens.
    displaced : array, shape (f, k)
        Displacement currents per ampere of the loop.
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
        """Of one loop of a model."""
        one = model if model.coarse is None else model.both[0]
        open_, loops = (one.open, one.system.loops) if isinstance(one, Charged) else (one, one.drive.shape[1])
        through = open_.system.link_current
        # Displacement currents are unknowns here, as what induction adds is.
        links = np.hstack([open_.link_basis, through[:, loops:]])
        found = []
        for f in frequencies:
            w = 2 * np.pi * float(f)
            sheets = [a + b for a, b in zip(open_.of_foils(f), open_.of_foils(f, between=True), strict=True)]
            matrix, driven, own = open_.small.equations(w, sheets, open_.passing)
            if isinstance(one, Charged):
                between = own + one.elastance / (1j * w)
                side = driven[:, loops:]
                matrix = np.block([[matrix, side], [side.T, between[loops:, loops:]]])
                driven, own = np.vstack([driven, between[loops:]]), between
            right = np.hstack([driven[:, [loop]], links.T])
            answer = np.linalg.solve(matrix, right)
            current = through[:, loop] - links @ answer[:, 0]
            displaced = -answer[open_.basis.shape[1] :, 0]
            found.append((own[loop, loop] - driven[:, loop] @ answer[:, 0], current, links @ answer[:, 1:], displaced))
        impedance, currents, admittance, between_planes = (np.array(part) for part in zip(*found, strict=True))
        at = np.asarray(frequencies, dtype=np.float64)
        return cls(at, impedance, currents, admittance, between_planes, one.system.stack.links)

    @property
    def of_links(self) -> Complexes:
        """Impedance of every link, shape (f, links), ohm."""
        return np.array([self.links.impedance(f) for f in self.frequencies])

    def with_others(self, at: Ints, more: Complexes) -> Complexes:
        """
        Impedance of the loop where some links have more impedance than they have, shape (f,).

        Parameters
        ----------
        at : array, shape (k,)
            Numbers of the links.
        more : array, shape (f, k)
            What is added in series, ohm; infinite where a link is taken away.
        """
        if not len(at):
            return self.impedance
        c = self.current[:, at]
        conducting = np.where(np.isfinite(more), 1 / np.where(np.abs(more) > NONE, more, NONE), 0)
        matrix = self.admittance[:, at[:, None], at] + np.einsum("fk,kl->fkl", conducting, np.eye(len(at)))
        changed: Complexes = self.impedance + np.einsum("fk,fk->f", c, np.linalg.solve(matrix, c[..., None])[..., 0])
        return changed

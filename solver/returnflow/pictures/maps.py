"""Fields of a result at the pixels of its pictures."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

from returnflow.answers import coupling
from returnflow.answers.contours import streamlines
from returnflow.answers.placing import heard_weights
from returnflow.answers.result import Result
from returnflow.pictures.pictured import coupling_density
from returnflow.pictures.raster import Raster
from returnflow.pictures.tracing import flow_lines, line_starts
from returnflow_geometry.mesh.mesher import Mesh
from returnflow_geometry.mesh.union import part_of
from returnflow_geometry.model.board import Loop

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

UNSHARED = 1e-6  # of a current: less through links is none
MOST_SEEN = 0.8  # of the current in links: so much is in those that take up half a line or more


@dataclass(frozen=True)
class Window:
    """The map of a picture: its lower left corner (m), the side of a pixel (m), and its (rows, columns)."""

    corner: tuple[float, float]
    pixel: float
    shape: tuple[int, int]


@dataclass
class Maps:
    """
    Fields of one result at the pixels of its pictures; what pictures share is evaluated once.

    Parameters
    ----------
    result : Result
    window : Window
        Of every picture: all maps of a result have the same size, whatever their titles.
    """

    result: Result
    window: Window
    _rasters: dict[int, Raster] = field(default_factory=dict)
    _currents: dict[int, NDArray[np.float32]] = field(default_factory=dict)
    _part: tuple[Mesh, NDArray[np.int64]] | None = None

    def raster(self, mesh: Mesh) -> Raster:
        """Raster of a mesh of the result."""
        window = self.window
        if id(mesh) not in self._rasters:
            self._rasters[id(mesh)] = Raster.of(mesh, window.corner, window.pixel, window.shape)
        return self._rasters[id(mesh)]

    def current(self, loop: int) -> Floats:
        """Resistive sheet current of a loop per ampere, A/m per A, shape (2, rows, columns)."""
        if loop not in self._currents:
            corners = self.result.solution.current(loop)
            mesh = self.result.solution.mesh
            fields = [self.raster(mesh).evaluate(smooth(mesh, corners[..., axis])) for axis in range(2)]
            self._currents[loop] = np.array(fields, dtype=np.float32)
        return self._currents[loop].astype(np.float64)

    def strength(self, loop: int, frequency: float = 0.0) -> Floats:
        """Magnitude of the sheet current of a loop per ampere at a frequency, A/m per A, shape (rows, columns)."""
        spectral = self.result.spectral
        if frequency == 0 or spectral is None:
            x, y = self.current(loop)
            strength: Floats = np.hypot(x, y)
            return strength
        mesh, rows = self._magnetic(spectral.model.system.space.mesh)
        K = spectral.model.current(frequency)[:, rows, loop]
        size = np.sqrt(np.abs(K[0]) ** 2 + np.abs(K[1]) ** 2)
        return self.raster(mesh).evaluate(smooth(mesh, np.repeat(size[:, None], 3, axis=1)))

    def flow(self, loop: int, frequency: float = 0.0) -> tuple[Mesh, Floats]:
        """Mesh and local values of the stream function of a loop, ampere per ampere; above 0 Hz the part in phase."""
        spectral = self.result.spectral
        if frequency == 0 or spectral is None:
            return self.result.solution.mesh, self.result.solution.stream[loop]
        mesh, rows = self._magnetic(spectral.model.system.space.mesh)
        stream: NDArray[Any] = spectral.model.stream(frequency)[loop, rows]
        return mesh, np.ascontiguousarray(stream.real)

    def through(self, loop: int, frequency: float = 0.0) -> tuple[Floats, Ints]:
        """Current in every link per ampere of a loop (above 0 Hz the part in phase), (links,); its ends, (links, 2)."""
        result = self.result
        if frequency == 0 or result.spectral is None:
            return result.whole.link_current[loop], result.whole.links.ends
        links = result.conductors.links
        return result.spectral.model.through(links.names, frequency)[:, loop].real, links.ends

    def shared(self, loop: int, frequency: float = 0.0) -> bool:
        """Whether links carry a part of a loop's current, so that this copper has any part of it."""
        return bool(np.any(np.abs(self.through(loop, frequency)[0]) > UNSHARED))

    def tubes(self, loop: int, frequency: float, least: int) -> int:
        """Lines for the whole current of a loop: at least so many, and more where most of its links had none."""
        through = np.abs(self.through(loop, frequency)[0])
        for tubes in (least, 2 * least):
            if through[tubes * through >= 0.5].sum() >= MOST_SEEN * through.sum():
                return tubes
        return 4 * least

    def lines(self, loop: int, frequency: float, tubes: int) -> Floats:
        """Lines of flow that each carry one of so many equal parts of a loop's current, pieces of shape (k, 2, 2)."""
        mesh, stream = self.flow(loop, frequency)
        if not self.shared(loop, frequency):
            return streamlines(mesh, stream, tubes)
        conductors = self.result.conductors
        fed = np.zeros(len(conductors.terminals))
        inject, back = self.result.whole.loops[loop]
        fed[inject], fed[back] = tubes, -tubes
        through, ends = self.through(loop, frequency)
        starts = line_starts(tubes * through, ends, conductors.copper_of_contact, fed)
        here = conductors.copper_of_contact == self.result.focus
        return flow_lines(mesh, stream, tubes, np.where(here, starts, 0))

    def _magnetic(self, mesh: Mesh) -> tuple[Mesh, NDArray[np.int64]]:
        """Mesh of the copper that pictures show, and its triangles in the mesh of all coppers."""
        if self._part is None:
            self._part = (part_of(mesh, self.result.focus), self.result.rows(mesh))
        return self._part

    def coupling(self, i: int, j: int, frequency: float = 0.0) -> Floats:
        """Integrand of what copper has in the transfer impedance of two loops, ohm/m², shape (rows, columns)."""
        if frequency > 0 and self.result.spectral is not None:
            whole, density = coupling_density(self.result, i, j, frequency)
            mesh, rows = self._magnetic(whole)
            return self.raster(mesh).evaluate(smooth(mesh, np.repeat(density[rows, None], 3, axis=1)))
        sheet = self.result.conductors.sheets[self.result.focus]
        product: Floats = sheet * np.sum(self.current(i) * self.current(j), axis=0)
        return product

    def placement(self, victim: Loop) -> tuple[Floats, Floats]:
        """
        Noise between each pixel and a victim's return terminal, rms sum and sum of magnitudes, V.

        Currents add as in `coupling.placement_noise`. From the potentials themselves, which are smooth: their
        magnitudes have valleys narrower than a triangle. NaN on copper that is not connected to the terminal.
        """
        solution = self.result.solution
        contact = solution.loops[self.result.index(victim.name)][1]
        raster = self.raster(solution.mesh)
        connected: NDArray[np.bool_] = np.logical_and.reduce(
            coupling.connected_unknowns(solution, contact)[solution.space.local], axis=1
        )
        noisy, mixing = self._mixing(victim)
        relative = (solution.potential[:, noisy] - solution.contact_potential[contact, noisy]) @ mixing
        squares, sums = np.zeros(self.window.shape), np.zeros(self.window.shape)
        for voltage in relative.T:
            values = raster.evaluate(np.where(connected[:, None], voltage[solution.space.local], np.nan))
            squares += values**2
            sums += np.abs(values)
        return np.sqrt(squares), sums

    def noise_now(self, victim: Loop) -> float:
        """Noise at a victim's inject terminal as drawn, V rms, by resistance alone: what `placement` has there."""
        noisy, mixing = self._mixing(victim)
        return float(np.linalg.norm(self.result.whole.mid[self.result.index(victim.name), noisy] @ mixing))

    def _mixing(self, victim: Loop) -> tuple[Ints, Floats]:
        """Numbers of the noisy loops, and how their currents add in what a victim hears."""
        loops = self.result.case.loops
        noisy = [j for j, loop in enumerate(loops) if loop.role == "noisy"]
        mixing = heard_weights(victim, [loops[j] for j in noisy])
        return np.array(noisy, dtype=np.int64), mixing[:, np.any(mixing != 0, axis=0)]


def smooth(mesh: Mesh, corner_values: Floats) -> Floats:
    """
    Values at the corners of triangles, which jump from one to the next, as their area-weighted mean at each point.

    From shape (m, 3) to the same.
    """
    triangles = mesh.triangles.ravel()
    weight = np.repeat(mesh.areas, 3)
    count = len(mesh.points)
    total = np.bincount(triangles, weights=weight * corner_values.ravel(), minlength=count)
    mean = total / np.bincount(triangles, weights=weight, minlength=count)
    smoothed: Floats = mean[mesh.triangles]
    return smoothed


def local_mean(values: Floats, radius: float) -> Floats:
    """
    Mean over the copper within some pixels, so that an outline encloses a sieve of antipads rather than each web.

    With a radius of zero the values themselves.
    """
    if radius <= 0:
        return values
    known = np.isfinite(values)
    weight = gaussian_filter(known.astype(np.float64), radius)
    total = gaussian_filter(np.where(known, values, 0.0), radius)
    mean: Floats = np.divide(total, weight, out=np.full_like(values, np.nan), where=weight > 0.2)
    return mean


def carrying_level(magnitude: Floats, values: Floats | None = None, fraction: float = 0.9) -> float:
    """
    Level of `values` (by default the magnitudes) above which magnitudes of equal areas make up a fraction of their sum.

    Examples
    --------
    >>> carrying_level(np.array([8.0, 1.0, 1.0]), fraction=0.75)
    8.0
    """
    values = magnitude if values is None else values
    order = np.argsort(-values, kind="stable")
    carried = np.cumsum(magnitude[order])
    return float(values[order[np.searchsorted(carried, fraction * carried[-1] * (1 - 1e-12))]])

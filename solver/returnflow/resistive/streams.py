"""Stream functions of many loops, kept by nodes: what jumps along their paths lives on few triangles."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class Streams:
    """
    Stream functions on the local unknowns of each triangle: an array of shape (loops, m, 3 or 6) that is not stored.

    Indexed as such an array: by a loop; or by ``[:, triangles]`` or ``[:, triangles, unknowns]`` for all loops.

    Attributes
    ----------
    nodal : array, shape (size, loops)
        Single-valued part.
    local : array, shape (m, 3 or 6)
        Unknowns of each triangle.
    jumps : sparse array, shape (m times 3 or 6, loops)
        What is added of the loops' paths.

    Examples
    --------
    >>> nodal, local = np.array([[1.0], [2.0], [4.0]]), np.array([[0, 1, 2]])
    >>> it = Streams(nodal, local, csr_array(([10.0], ([1], [0])), shape=(3, 1)))
    >>> it.shape, it[0].tolist(), it[:, [0], [1]].tolist()
    ((1, 1, 3), [[1.0, 12.0, 4.0]], [[12.0]])
    """

    nodal: Floats
    local: Ints
    jumps: csr_array

    @property
    def shape(self) -> tuple[int, int, int]:
        """(loops, m, 3 or 6)."""
        return self.nodal.shape[1], *self.local.shape

    @property
    def dtype(self) -> np.dtype[np.float64]:
        """Of the values."""
        return self.nodal.dtype

    def __len__(self) -> int:
        """Number of loops."""
        return int(self.nodal.shape[1])

    def __array__(self, dtype: Any = None, copy: bool | None = None) -> Floats:
        """All of it."""
        if copy is False:
            message = "The whole array is made when it is asked for."
            raise ValueError(message)
        return np.asarray(self[:, np.arange(len(self.local))], dtype=dtype)

    def __getitem__(self, key: Any) -> Floats:
        """Part of the array, made now."""
        if isinstance(key, int | np.integer):
            one = self.jumps[:, [int(key)]].toarray().reshape(self.local.shape)
            found: Floats = np.ascontiguousarray(self.nodal[:, key])[self.local] + one
            return found
        every, triangles, *unknowns = key
        if not (isinstance(every, slice) and every == slice(None)):
            message = f"Invalid index {key!r}. Give a loop, or all of them and triangles."
            raise IndexError(message)
        rows = np.arange(len(self.local))[triangles]
        if unknowns:
            rows, unknown = np.broadcast_arrays(rows, unknowns[0])
            return np.moveaxis(self._values(rows, unknown), -1, 0)
        return np.moveaxis(self.on(rows), 2, 0)

    def on(self, triangles: Ints | slice) -> Floats:
        """Of all loops on some triangles, shape (len, 3 or 6, loops)."""
        rows = np.arange(len(self.local))[triangles]
        return self._values(rows[:, None], np.arange(self.local.shape[1]))

    def _values(self, rows: Ints, unknowns: Ints) -> Floats:
        at = self.local.shape[1] * rows + unknowns
        found: Floats = self.nodal[self.local[rows, unknowns]]
        added = self.jumps[at.ravel()].tocoo()
        found.reshape(-1, len(self))[added.coords] += added.data
        return found

    def part(self, triangles: Ints, local: Ints, size: int) -> Streams:
        """
        The same on some triangles that have a numbering of their own.

        Parameters
        ----------
        triangles : array of int
        local : array, shape (triangles, 3 or 6)
            Unknowns in that numbering.
        size : int
            Number of unknowns in it.
        """
        nodal = np.zeros((size, len(self)))
        nodal[local] = self.nodal[self.local[triangles]]
        width = local.shape[1]
        return Streams(nodal, local, self.jumps[(width * triangles[:, None] + np.arange(width)).ravel()])

"""What hangs together: numbers of the groups that pairs join."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components


def grouped(count: int, pairs: ArrayLike) -> NDArray[np.int64]:
    """
    Group number of each of `count` things that pairs join, counted in the order of the first of each group.

    Examples
    --------
    >>> grouped(4, [(0, 2), (2, 0)]).tolist()
    [0, 1, 0, 2]
    """
    if not count:
        return np.zeros(0, dtype=np.int64)
    ends = np.asarray(pairs, dtype=np.int64).reshape(-1, 2).T
    graph = coo_array((np.ones(ends.shape[1], dtype=np.int8), ends), shape=(count, count))
    numbers: NDArray[np.int64] = connected_components(graph, directed=False)[1].astype(np.int64)
    return numbers

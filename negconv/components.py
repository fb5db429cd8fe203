"""Connected parts of sparse pixel sets, by runs: costs what the set's outlines cost, not what the picture costs."""
from __future__ import annotations

import numpy as np


def connected(index: np.ndarray, width: int) -> tuple[np.ndarray, int]:
    """Number the 8-connected parts of a set of pixels.

    Parameters
    ----------
    index : int array (n,)
        Sorted flat indices into an image `width` wide.
    width : int

    Returns
    -------
    part : int array (n,)
        0 .. count - 1 for each pixel, in the order in which the parts are met.
    count : int

    Examples
    --------
    >>> connected(np.array([0, 1, 6, 9]), 5)
    (array([0, 0, 0, 1]), 2)
    """
    n = len(index)
    if n == 0:
        return np.zeros(0, np.int64), 0
    # One empty column more, so that neither runs nor diagonals reach round the edge.
    wide = width + 1
    place = index + index // width
    fresh = np.empty(n, bool)
    fresh[0] = True
    np.not_equal(np.diff(place), 1, out=fresh[1:])
    first = np.flatnonzero(fresh)
    starts = place[first]
    ends = place[np.append(first[1:], n) - 1]
    low = np.searchsorted(ends, starts + (wide - 1))
    high = np.searchsorted(starts, ends + (wide + 1), side="right")
    count = np.maximum(high - low, 0)
    above = np.repeat(np.arange(len(first)), count)
    below = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count) + np.repeat(low, count)
    root = _joined(len(first), above, below)
    _, part = np.unique(root, return_inverse=True)
    return np.repeat(part, np.diff(np.append(first, n))), int(part.max()) + 1


def _joined(count: int, a: np.ndarray, b: np.ndarray) -> np.ndarray:
    """Smallest member of the set each of `count` nodes is in, when a[i] and b[i] are linked."""
    root = np.arange(count)
    while len(a):
        low, high = np.minimum(root[a], root[b]), np.maximum(root[a], root[b])
        open_ = low != high
        if not open_.any():
            break
        a, b = a[open_], b[open_]
        np.minimum.at(root, high[open_], low[open_])
        while True:
            up = root[root]
            if (up == root).all():
                break
            root = up
    return root

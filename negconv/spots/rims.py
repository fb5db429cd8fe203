"""Rims: what stands out of one side of its surroundings alone.

Dirt is lighter than all that lies around it. The rim that sharpening or a film's developer draws along an edge, a cup's lip or
a light coat's seam is nearly as light as the thing it belongs to, on one side, and all of its contrast is that to the other.
"""
from __future__ import annotations

import numpy as np

#: Steps from a pixel to those around that it is compared with: three pixels, past what a lens blurs.
AROUND = ((0, 3), (1, 3), (2, 2), (3, 1), (3, 0), (3, -1), (2, -2), (1, -3), (0, -3), (-1, -3), (-2, -2), (-3, -1), (-3, 0),
          (-3, 1), (-2, 2), (-1, 3))
#: Fewer pixels around tell nothing.
FEWEST = 8


def least_share(plane: np.ndarray, index: np.ndarray, part: np.ndarray, count: int, taken: np.ndarray) -> np.ndarray:
    """The part of its contrast to the darker half of what lies around that a spot has to the lighter half.

    Parameters
    ----------
    plane : int16 array (h, w)
        Density in steps.
    index, part : int arrays (n,)
        Flat indices, sorted, and the spot each belongs to.
    count : int
    taken : int array
        Flat indices, sorted, of all spots, these and others: their pixels do not count as surroundings.

    Returns
    -------
    float array (count,)
        1 for a spot on even ground, near 0 for a rim; 1 where too little lies around.
    """
    h, w = plane.shape
    flat = plane.reshape(-1)
    y, x = index // w, index % w
    levels, owners = [], []
    for dy, dx in AROUND:
        ok = (y + dy >= 0) & (y + dy < h) & (x + dx >= 0) & (x + dx < w)
        at = index[ok] + (dy * w + dx)
        free = taken[np.minimum(np.searchsorted(taken, at), len(taken) - 1)] != at
        levels.append(flat[at[free]])
        owners.append(part[ok][free])
    # By spot, then by level.
    key = np.sort(np.concatenate(owners).astype(np.int64) * 65536 + np.concatenate(levels) + 32768)
    owner, level = key >> 16, (key & 65535) - 32768
    number = np.bincount(owner, minlength=count)
    place = np.arange(len(key)) - (np.cumsum(number) - number)[owner]
    upper = 2 * place >= number[owner]
    light, dark = (np.bincount(owner[half], level[half], count) / np.maximum(np.bincount(owner[half], minlength=count), 1)
                   for half in (upper, ~upper))
    own = np.bincount(part, flat[index], count) / np.maximum(np.bincount(part, minlength=count), 1)
    return np.where(number >= FEWEST, (own - light) / np.maximum(own - dark, 1), 1.0)

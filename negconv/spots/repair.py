"""`repair`: spots filled from their surroundings."""
from __future__ import annotations

from dataclasses import is_dataclass, replace

import numpy as np


def repair(positive, spots, *, seed: int = 0, threads: int = 2):
    """Fill spots (basic)."""
    linear = positive.linear if hasattr(positive, "linear") else np.asarray(positive)
    from scipy import ndimage

    out = linear.copy()
    mask = ndimage.binary_dilation(spots.labels > 0, iterations=2)
    parts, count = ndimage.label(mask, np.ones((3, 3)))
    for i, box in enumerate(ndimage.find_objects(parts)):
        y, x = (slice(max(s.start - 8, 0), s.stop + 8) for s in box)
        hole = mask[y, x]
        for c in range(1 if out.ndim == 2 else 3):
            view = out[y, x] if out.ndim == 2 else out[y, x, c]
            near = ndimage.distance_transform_edt(hole, return_distances=False, return_indices=True)
            fill = view[tuple(near)]
            fill = ndimage.gaussian_filter(fill, 2)
            view[hole] = fill[hole]
    if is_dataclass(positive) and hasattr(positive, "linear"):
        return replace(positive, linear=out)
    return out

"""What candidates say of a light line they lie on, and the line of them.

A line is known by how it runs, a candidate by how it stands out. Of a hair or a scratch both are found: the line all along, and
at its plainer stretches candidates. Lines of the picture have none, or few.
"""
from __future__ import annotations

import numpy as np

from . import look
from .scratches import scorer

#: Limits of a candidate's confidence; where there is none, the first.
LIMITS = (0.02, 0.98)
#: By how many times the line's contrast a candidate on it may stand out: beyond, it is a speck that the line runs into.
LIKE = 3.0
#: Share of a candidate's pixels that lie on lines, if it is a part of one.
PART = 0.5


def along(index, owner, confidence, contrast, line, seen, size: int) -> np.ndarray:
    """Mean log odds along each line of the likeliest candidates there, float array (line.sum(),).

    Parameters
    ----------
    index, owner : int arrays (n,)
        Flat indices of pixels and the candidate each belongs to.
    confidence, contrast : float arrays (count,)
    line, seen : bool arrays (count,)
        Light lines, and those that were found as candidates.
    size : int
        Pixels of the picture.
    """
    on = line[owner]
    place, of = index[on], owner[on]
    # Of these no more memory is touched than lines lie in.
    deep, best = np.zeros((2, size), np.float32)
    deep[place] = contrast[of]
    near = np.flatnonzero(seen[owner] & (deep[index] > 0))
    near = near[contrast[owner[near]] < LIKE * deep[index[near]]]
    np.maximum.at(best, index[near], confidence[owner[near]].astype(np.float32))
    there = np.clip(best[place], *LIMITS)
    number, count = (np.cumsum(line) - 1)[of], int(line.sum())
    return np.bincount(number, np.log(there / (1 - there)), count) / np.maximum(np.bincount(number, minlength=count), 1)


def backed(alone: np.ndarray, said: np.ndarray) -> np.ndarray:
    """Confidence of lines from what they are known for by themselves and what candidates say (`along`), float arrays (n,)."""
    start, own, others = scorer(True)[2]
    alone = np.clip(alone, 1e-4, 1 - 1e-4)
    # What trees and net do not find beyond doubt is not repaired unasked.
    return np.minimum(1 / (1 + np.exp(-(start + own * np.log(alone / (1 - alone)) + others * said))), look.ALONE)


def parts(index, owner, line, seen, size: int) -> np.ndarray:
    """Which candidates lie on lines with the larger part of them, bool array (count,)."""
    marked = np.zeros(size, bool)
    marked[index[line[owner]]] = True
    at = np.flatnonzero(seen[owner] & marked[index])
    return np.bincount(owner[at], minlength=len(line)) > PART * np.bincount(owner, minlength=len(line))

"""What candidates say of a light line they lie on, and the line of them.

A line is known by how it runs, a candidate by how it stands out. Of a hair or a scratch both are found: the line all along, and
at its plainer stretches candidates. Lines of the picture have none, or few.
"""
from __future__ import annotations

import numpy as np

from . import look
from .components import greatest
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
    near, there = _upon(index, owner, place, seen, size)
    some, at = np.unique(place, return_inverse=True)
    deep = np.zeros(len(some), np.float32)
    deep[at] = contrast[of]
    there = np.searchsorted(some, there)
    like = (deep[there] > 0) & (contrast[near] < LIKE * deep[there])
    best = greatest(confidence[near[like]], there[like], len(some)).astype(np.float32)
    there = np.clip(best[at], *LIMITS)
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
    at, _ = _upon(index, owner, index[line[owner]], seen, size)
    return np.bincount(at, minlength=len(line)) > PART * np.bincount(owner, minlength=len(line))


def _upon(index, owner, place, seen, size: int) -> tuple[np.ndarray, np.ndarray]:
    """Candidates that were seen, and their pixels, of all that lie on some places: owner and index of each."""
    # Of this no more memory is touched than the places lie in.
    marked = np.zeros(size, bool)
    marked[place] = True
    at = np.flatnonzero(marked[index] & seen[owner])
    return owner[at], index[at]

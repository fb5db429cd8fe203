"""How likely a candidate is dirt: boosted trees whose numbers are in scorer.json (benchmarks/train_spots.py makes them)."""
from __future__ import annotations

import json
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np

from .features import NAMES

#: Candidates below this confidence are not even listed.
DOUBTFUL = 0.25
#: Trees that every candidate goes through, and the sum below which it goes no further.
EARLY, HOPELESS = 60, -2.6


@dataclass(frozen=True, eq=False)
class Trees:
    """Boosted trees over binned features.

    Attributes
    ----------
    start : float
        Sum before the first tree.
    edges : tuple of array
        Bin edges of each feature.
    features, limits : int array (trees, 2^depth - 1)
        Of each node, level by level: rows whose bin exceeds the limit go right.
    leaves : float32 array (trees, 2^depth)
    """

    start: float
    edges: tuple[np.ndarray, ...]
    features: np.ndarray
    limits: np.ndarray
    leaves: np.ndarray

    def __call__(self, values: np.ndarray) -> np.ndarray:
        alive = np.arange(len(values))
        total = np.full(len(values), self.start, np.float32)
        for begin, end in ((0, EARLY), (EARLY, len(self.leaves))):
            total[alive] += self._sum(values[alive], begin, end)
            # What the first trees hold for picture the rest do not turn into dirt: most candidates end here.
            alive = np.flatnonzero(total > HOPELESS)
        return 1 / (1 + np.exp(-total))

    def _sum(self, values: np.ndarray, begin: int, end: int) -> np.ndarray:
        n = len(values)
        bins = np.stack([np.searchsorted(e, values[:, j], side="right") for j, e in enumerate(self.edges)]).astype(np.uint8)
        flat, column = bins.reshape(-1), np.arange(n)
        total = np.zeros(n, np.float32)
        depth = self.leaves.shape[1].bit_length() - 1
        for feature, limit, leaf in zip(self.features[begin:end] * n, self.limits[begin:end], self.leaves[begin:end]):
            node = (flat[feature[0] + column] > limit[0]).astype(np.int32)
            for d in range(1, depth):
                at = node + (2 ** d - 1)
                node = node * 2 + (flat[feature[at] + column] > limit[at])
            total += leaf[node]
        return total


@lru_cache(maxsize=4)
def scorers(path: str | None = None) -> dict[bool, Trees]:
    """The scorers for light and for dark candidates."""
    data = json.loads(Path(path or Path(__file__).with_name("scorer.json")).read_text())
    if tuple(data["features"]) != NAMES:
        raise ValueError("scorer.json was made for other features; run benchmarks/train_spots.py")
    return {light: Trees(t["start"], tuple(np.array(e, np.float32) for e in t["edges"]), np.array(t["features"]),
                         np.array(t["limits"]), np.array(t["leaves"], np.float32))
            for light, t in ((True, data["light"]), (False, data["dark"]))}


def confidence(values: np.ndarray, *, light: bool) -> np.ndarray:
    """Share of candidates with such features that are dirt.

    Parameters
    ----------
    values : float32 array (n, len(NAMES))
        As `negconv.spots.features.measure` returns them.
    light : bool

    Returns
    -------
    float array (n,)
    """
    return scorers()[light](values)

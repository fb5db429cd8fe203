"""How likely a candidate is dirt: boosted trees whose numbers are in scorer.json (benchmarks/train_spots.py makes them)."""
from __future__ import annotations

import json
from functools import cached_property, lru_cache
from pathlib import Path

import numpy as np

from ..values import frozen
from . import compiled
from .company import COMPANY
from .features import NAMES

#: Candidates below this confidence are not even listed.
DOUBTFUL = 0.25
#: Dark candidates from this confidence on are outlined, and light ones, which are then seen among the others.
HEARD, WEIGHED = 0.1, 0.02


@frozen(eq=False)
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
    stops : tuple of (int, float)
        After so many trees, what has a sum below this is picture: the rest would not turn it into dirt. The trees before
        the first stop look at the first columns only (`features.FIRST`), those before the second at the second as well.
    """

    start: float
    edges: tuple[np.ndarray, ...]
    features: np.ndarray
    limits: np.ndarray
    leaves: np.ndarray
    stops: tuple[tuple[int, float], ...] = ()

    def __call__(self, values: np.ndarray) -> np.ndarray:
        """Confidence (n,) of candidates of which all is known."""
        total = np.full(len(values), self.start, np.float32)
        if compiled.loops:
            self._walk(values, (*self.stops, (len(self.leaves), -np.inf)), total)
            return 1 / (1 + np.exp(-total))
        alive, begin = np.arange(len(values)), 0
        for end, least in (*self.stops, (len(self.leaves), -np.inf)):
            total[alive] += self._sum(values[alive], begin, end)
            alive, begin = np.flatnonzero(total > least), end
        return 1 / (1 + np.exp(-total))

    def promising(self, values: np.ndarray, stop: int = 0) -> np.ndarray:
        """Which candidates are worth measuring further, from the columns known by that stop; bool array (n,)."""
        if stop >= len(self.stops):
            return np.ones(len(values), bool)
        trees, least = self.stops[stop]
        total = np.zeros(len(values), np.float32)
        if compiled.loops:
            self._walk(values, ((trees, -np.inf),), total)
        else:
            total = self._sum(values, 0, trees)
        return self.start + total > least

    @cached_property
    def _packed(self) -> tuple[np.ndarray, ...]:
        """All edges, where those of each feature start, and features, limits and leaves as the compiled loop takes them:
        edges in eights, filled up by such as nothing reaches."""
        eights = [np.append(e, np.full(-len(e) % 8, np.inf)) for e in self.edges]
        return (np.concatenate(eights).astype(np.float32), np.cumsum([0, *map(len, eights)], dtype=np.int64),
                self.features.astype(np.uint8), self.limits.astype(np.uint8),
                np.ascontiguousarray(self.leaves, np.float32))

    def _walk(self, values: np.ndarray, stops, total: np.ndarray) -> None:
        """Add to the totals what the trees say, as far as the stops."""
        edges, start, *nodes, leaves = self._packed
        values = np.ascontiguousarray(values, np.float32)
        ends, least = np.array([end for end, _ in stops], np.int64), np.array([v for _, v in stops], np.float32)
        compiled.loops.walk(values, *values.shape, edges, start, *nodes, leaves, leaves.shape[1].bit_length() - 1, ends, least,
                            len(ends), total)

    def _sum(self, values: np.ndarray, begin: int, end: int) -> np.ndarray:
        n = len(values)
        bins = np.stack([np.searchsorted(e, values[:, j], side="right")
                         for j, e in enumerate(self.edges[:values.shape[1]])]).astype(np.uint8)
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
def scorers(path: str | None = None) -> dict:
    """The scorers for light (True) and for dark candidates (False), and for light ones among others ("company")."""
    data = json.loads(Path(path or Path(__file__).with_name("scorer.json")).read_text())
    if (tuple(data["features"]), tuple(data["company's"])) != (NAMES, COMPANY):
        raise ValueError("scorer.json was made for other features; run benchmarks/train_spots.py")
    return {key: Trees(t["start"], tuple(np.array(e, np.float32) for e in t["edges"]), np.array(t["features"]),
                       np.array(t["limits"]), np.array(t["leaves"], np.float32), tuple(map(tuple, t["stops"])))
            for key, t in ((True, data["light"]), (False, data["dark"]), ("company", data.get("company"))) if t}


def promising(values: np.ndarray, *, light: bool, stop: int = 0) -> np.ndarray:
    """Which candidates are worth measuring further; bool array (n,).

    Parameters
    ----------
    values : float32 array (n, columns)
        As `negconv.spots.features.glance` returns them, or for stop 1, beside them those of `measure`.
    light : bool
    stop : int
    """
    return scorers()[light].promising(values, stop)


def confidence(values: np.ndarray, *, light: bool) -> np.ndarray:
    """Share of candidates with such features that are dirt.

    Parameters
    ----------
    values : float32 array (n, len(NAMES))
        What `negconv.spots.features.glance`, `measure` and `colours` return, side by side.
    light : bool

    Returns
    -------
    float array (n,)
    """
    return scorers()[light](values)


def in_company(values: np.ndarray) -> np.ndarray:
    """Confidence (n,) of light candidates among the others; values as `negconv.spots.company.columns` returns them."""
    return scorers()["company"](values)

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
        return 1 / (1 + np.exp(-self.total(values)))

    def total(self, values: np.ndarray, stop: int | None = None, before: np.ndarray | None = None) -> np.ndarray:
        """What the trees say together, log odds float32 (n,).

        Parameters
        ----------
        values : float32 array (n, columns)
        stop : int, optional
            The trees up to that stop only, which look at no more columns than are known by then; by default all.
        before : float32 array (n,), optional
            What those up to the stop before this (the last one, if that is not given) said: they are not asked again.
        """
        ends = (*self.stops, (len(self.leaves), -np.inf))
        stop = len(self.stops) if stop is None else min(stop, len(self.stops))
        first = 0 if before is None else stop
        total = np.full(len(values), self.start, np.float32) if before is None else before.astype(np.float32)
        begin, ends = ends[first - 1][0] if first else 0, ends[first:stop + 1]
        if compiled.loops:
            self._walk(values, begin, ends, total)
            return total
        alive = np.arange(len(values))
        for end, least in ends:
            total[alive] += self._sum(values[alive], begin, end)
            alive, begin = alive[total[alive] > least], end
        return total

    def promising(self, total: np.ndarray, stop: int) -> np.ndarray:
        """Which candidates with such totals at a stop are worth measuring further; bool array (n,)."""
        return total > self.stops[stop][1] if stop < len(self.stops) else np.ones(len(total), bool)

    @cached_property
    def _packed(self) -> tuple[np.ndarray, ...]:
        """All edges, where those of each feature start, and features, limits and leaves as the compiled loop takes them."""
        return (np.concatenate(self.edges).astype(np.float32), np.cumsum([0, *map(len, self.edges)], dtype=np.int64),
                self.features.astype(np.uint8), self.limits.astype(np.uint8),
                np.ascontiguousarray(self.leaves, np.float32))

    def _walk(self, values: np.ndarray, begin: int, stops, total: np.ndarray) -> None:
        """Add to the totals what the trees say from one on, as far as the stops."""
        edges, start, *nodes, leaves = self._packed
        values = np.ascontiguousarray(values, np.float32)
        ends, least = np.array([end for end, _ in stops], np.int64), np.array([v for _, v in stops], np.float32)
        compiled.loops.walk(values, *values.shape, edges, start, *nodes, leaves, leaves.shape[1].bit_length() - 1, begin, ends,
                            least, len(ends), total)

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


def in_company(values: np.ndarray) -> np.ndarray:
    """Confidence (n,) of light candidates among the others; values as `negconv.spots.company.columns` returns them."""
    return scorers()["company"](values)

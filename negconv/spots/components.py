"""Connected parts of candidates, compiled where that is there; neighbours in a set of pixels; an order of whole numbers."""
from __future__ import annotations

import numpy as np

from .. import components
from . import compiled


def connected(index: np.ndarray, width: int) -> tuple[np.ndarray, int]:
    """As `negconv.components.connected`."""
    if compiled.loops and len(index):
        part = np.empty(len(index), np.int64)
        return part, compiled.loops.connect(np.ascontiguousarray(index, np.int64), len(index), width, part)
    return components.connected(index, width)


def ordered(value: np.ndarray) -> np.ndarray:
    """A stable order of whole numbers from 0 up to 2^31 - 1: int array (n,) of the places of the least, the next ..."""
    if compiled.loops:
        order = np.empty(len(value), np.int32)
        compiled.loops.ordered(np.ascontiguousarray(value, np.int32), len(value), order)
        return order
    return np.argsort(value, kind="stable")


def beside(index: np.ndarray, move: int) -> np.ndarray:
    """Where in a rising index each of its entries lies when moved by so much: int array (n,), -1 where it is not."""
    if compiled.loops:
        at = np.empty(len(index), np.int64)
        compiled.loops.beside(np.ascontiguousarray(index, np.int64), len(index), move, at)
        return at
    at = np.minimum(np.searchsorted(index, index + move), len(index) - 1)
    return np.where(index[at] == index + move, at, -1)


def greatest(value: np.ndarray, group: np.ndarray, count: int, *, least: float = 0.0) -> np.ndarray:
    """The greatest value of each group 0 .. count - 1, float64 (count,); `least` where all are less or there is none."""
    out = np.full(count, least)
    if compiled.loops:
        value, group = np.ascontiguousarray(value, np.float64), np.ascontiguousarray(group, np.int64)
        compiled.loops.greatest(value, group, len(group), count, out)
    else:
        np.maximum.at(out, group, value)
    return out

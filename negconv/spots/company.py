"""What a candidate's company says of it: dirt lies alone, while a drop, a star or a leaf has its like around it; and all
dirt of a frame is drawn by one lens, while the picture is as soft as camera and film made it."""
from __future__ import annotations

import numpy as np

from .features import NAMES

#: A candidate's own features that count among others.
OWN = ("contrast/grain", "contrast/strong around", "contrast/strongest around", "rank in frame", "flatness", "drop at 1",
       "drop at 2", "drop inside", "slope outside", "open sides", "least side", "side spread", "ring spread", "ring range",
       "slenderness", "fill", "outline", "density over the film's", "density over the brightest around",
       "steepness over frame's", "own share", "size", "sharpest drop", "colour spread", "red over green", "blue over green",
       "roughness/grain")
#: Those in which a candidate is compared with the frame's sure dirt and with the frame's picture.
LIKE = ("contrast", "flatness", "drop at 1", "drop at 2", "drop inside", "slope outside", "least side", "side spread", "size",
        "sharpest drop", "red over green", "blue over green")
#: Names of the columns of `columns`, in their order.
COMPANY = ("own odds", "pixels", "extent", "contrast", "doubt near", "doubt far", "doubt in frame", "dirt near", "dirt far",
           "dirt in frame", "all near", "all far", *OWN, *(f"{k} against dirt" for k in LIKE),
           *(f"{k} against picture" for k in LIKE))
#: Side of the cells company is counted in, pixels, and how many cells around are near, and far.
CELL, NEAR, FAR = 64, 2, 6
#: Candidates below this confidence are picture to compare with, those above that are dirt; and how many of either a frame must
#: have before they are trusted as much as what is common to all frames.
PICTURE, DIRT, TRUST = 0.05, 0.7, 10
#: Times the median distance from the median within which a value counts as it is: seventeen standard deviations, so that of what
#: trees and net learnt from next to nothing changes.
OUTSIDE = 25.0
#: Width of the classes of contrast within which the picture is compared (natural logarithm).
CLASS = 0.4


def columns(confidence, area, extent, contrast, place, alone, shape, known, peers) -> np.ndarray:
    """Features of candidates among others, float32 (n, len(COMPANY)).

    Parameters
    ----------
    confidence, area, extent, contrast : arrays (n,)
        Of each by itself.
    place : int array (n,)
        Flat index of a pixel of each.
    alone : bool array (n,)
        Those that count as company: of several over one place only one does.
    shape : (int, int)
    known : float32 array (n, len(NAMES))
        All features of each.
    peers : Peers
    """
    y, x = place // shape[1] // CELL, place % shape[1] // CELL
    rows, across = shape[0] // CELL + 1, shape[1] // CELL + 1
    odds = np.log(np.maximum(confidence, 1e-4) / np.maximum(1 - confidence, 1e-4))
    out = [odds, np.log(area), np.log(extent), np.log(np.maximum(contrast, 1e-3))]
    megapixels = shape[0] * shape[1] / 1e6
    kinds = (confidence * (1 - confidence), np.where(confidence > 0.5, confidence, 0), np.ones(len(confidence)))
    for k, value in enumerate(kinds):
        own = value * alone
        cells = np.bincount(y * across + x, own, rows * across).reshape(rows, across)
        for reach in (NEAR, FAR):
            # Towards the edges there are fewer cells to count in.
            total, room = _boxes(cells, reach), _boxes(np.ones_like(cells), reach)
            out.append(_log((total[y, x] - own) / room[y, x]))
        if k < 2:
            out.append(_log((own.sum() - own) / max(megapixels, 0.1) * (CELL ** 2 / 1e6)))
    dirt, picture = peers.against(known)
    own = known[:, [NAMES.index(k) for k in OWN]]
    return np.concatenate([np.stack(out, axis=1), own, dirt, picture], axis=1).astype(np.float32)


class Peers:
    """What the sure dirt of a frame looks like, and its picture.

    Parameters
    ----------
    known : float32 array (n, len(NAMES))
        Features of all candidates that were measured; not a number where one was not looked at.
    confidence : array (n,)
    """

    def __init__(self, known: np.ndarray, confidence: np.ndarray) -> None:
        values = known.take(self.columns, axis=1).astype(np.float64)
        sure = confidence > DIRT
        self.weight = confidence[sure].sum()
        self.dirt = confidence[sure] @ _near_the_middle(values[sure]) / max(self.weight, 1e-9)
        plain = values[confidence < PICTURE]
        where = self.classes(plain)
        stats = [self._by_class(where, v) for v in plain.T]
        self.mean, self.spread = np.stack([m for m, _ in stats]), np.stack([s for _, s in stats])

    def _by_class(self, where, value) -> tuple[np.ndarray, np.ndarray]:
        """Mean and standard deviation of a feature in each class of contrast; of few, they lean on the whole."""
        there = np.isfinite(value)
        where, value = where[there], value[there]
        if not len(value):
            return np.zeros(self.CLASSES), np.ones(self.CLASSES)
        mean, square = value.mean(), (value ** 2).mean()
        count, first, second = (self._near(np.bincount(where, v, self.CLASSES)) for v in (None, value, value ** 2))
        first = (first + TRUST * mean) / (count + TRUST)
        second = (second + TRUST * square) / (count + TRUST)
        return first, np.sqrt(np.maximum(second - first ** 2, 1e-4))

    @staticmethod
    def _near(v) -> np.ndarray:
        return v + (np.append(v[1:], 0) + np.append(0, v[:-1])) / 2

    columns = [NAMES.index(k) for k in LIKE]
    CLASSES = 24

    def classes(self, values: np.ndarray) -> np.ndarray:
        """Class of contrast of each row."""
        return np.clip((values[:, LIKE.index("contrast")] + 6) / CLASS, 0, self.CLASSES - 1).astype(np.int64)

    def against(self, known: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Differences from the frame's dirt, and from its picture of like contrast in standard deviations; (n, len(LIKE)) both.

        The less sure dirt there is, the less is made of a difference from it.
        """
        values = known[:, self.columns]
        at = self.classes(values)
        dirt = (values - self.dirt) * (self.weight / (self.weight + TRUST))
        return dirt, np.clip((values - self.mean[:, at].T) / self.spread[:, at].T, -8, 8)


def _near_the_middle(values: np.ndarray) -> np.ndarray:
    """Values drawn in to so many times the usual distance from the median of their column: what falls off by many times its own
    contrast is measured across something else, and a single one of thousands would make the mean."""
    if not len(values):
        return values
    middle = np.median(values, axis=0)
    reach = OUTSIDE * np.median(np.abs(values - middle), axis=0)
    return np.clip(values, middle - reach, middle + reach)


def _log(v):
    return np.log(np.maximum(v, 0) + 0.003)


def _boxes(cells: np.ndarray, reach: int) -> np.ndarray:
    """Sums over squares of cells around each."""
    padded = np.pad(cells, reach)
    total = np.pad(padded.cumsum(axis=0).cumsum(axis=1), ((1, 0), (1, 0)))
    side = 2 * reach + 1
    return total[side:, side:] - total[:-side, side:] - total[side:, :-side] + total[:-side, :-side]

"""What a candidate's company says of it: dirt lies alone, while a drop, a star or a leaf has its like around it."""
from __future__ import annotations

import numpy as np

#: Names of the columns of `columns`, in their order.
COMPANY = ("own odds", "area", "extent", "contrast", "doubt near", "doubt far", "doubt in frame", "dirt near", "dirt far",
           "dirt in frame", "all near", "all far")
#: Side of the cells company is counted in, pixels, and how many cells around are near, and far.
CELL, NEAR, FAR = 64, 2, 6


def columns(confidence, area, extent, contrast, place, alone, shape) -> np.ndarray:
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
    return np.stack(out, axis=1).astype(np.float32)


def _log(v):
    return np.log(np.maximum(v, 0) + 0.003)


def _boxes(cells: np.ndarray, reach: int) -> np.ndarray:
    """Sums over squares of cells around each."""
    padded = np.pad(cells, reach)
    total = np.pad(padded.cumsum(axis=0).cumsum(axis=1), ((1, 0), (1, 0)))
    side = 2 * reach + 1
    return total[side:, side:] - total[:-side, side:] - total[side:, :-side] + total[:-side, :-side]

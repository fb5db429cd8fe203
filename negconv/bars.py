"""Bars between the windows of a strip's holder, too narrow to be as dark as the rest of it."""
from __future__ import annotations

import numpy as np

from .levels import BASE, DARK, PANEL, VOID
from .rectangles import counts

#: At a holder's bar less than this of the margins is clear, and so many pixels beside it more than the rest is; and no bar
#: is broader than this share of the view.
CROSSED, BESIDE, NARROW = 0.25, 9, 0.03
#: And of the view the holder takes more than this share.
HELD = 0.01
#: The opening for two pictures is longer than this, as a share of its width.
LONG = 1.2


def darken_bars(kinds: np.ndarray, density: np.ndarray) -> None:
    """Makes holder of the bars that cross the film in an upright grid: where a bar is, nothing is clear in the margins
    above and below the pictures, which are clear beside it; nor is anything between."""
    shut = (kinds == DARK) | (kinds == VOID)
    of_rows, of_columns = counts(shut)
    rows, columns = (np.flatnonzero(2 * v < size + v.min()) for v, size in ((of_rows, shut.shape[1]),
                                                                              (of_columns, shut.shape[0])))
    # Without the rest of a holder in view there are none of its bars: print along both edges of film looks like one.
    if np.count_nonzero(kinds == DARK) < HELD * kinds.size or max(len(rows), len(columns)) < LONG * min(len(rows), len(columns)) or min(
            len(rows), len(columns)) < 40:
        return
    down = len(rows) > len(columns)
    grid, dense, open_ = (kinds.T, density.T, columns) if down else (kinds, density, rows)
    first, last, long = int(open_[0]), int(open_[-1]) + 1, max(len(rows), len(columns))
    margins = []
    for part in (grid[first:first + (last - first) // 4], grid[last - (last - first) // 4:last]):
        clear = (part == BASE) | (part == PANEL)
        margins.append(clear[2 * np.count_nonzero(clear, axis=1) > long])
    if not min(map(len, margins)) or sum(map(len, margins)) < 4:
        return
    shares = [margin.mean(axis=0) for margin in margins]
    least, most = np.minimum(*shares), np.maximum(*shares)
    turns = np.flatnonzero(np.diff(np.concatenate([[0], most < CROSSED, [0]]).astype(np.int8)))
    for low, high in zip(turns[::2].tolist(), turns[1::2].tolist()):
        start = max(low - BESIDE, 0)
        before, after = (np.flatnonzero(v > 1 - CROSSED) for v in (least[start:low], least[high:high + BESIDE]))
        if not len(before) or not len(after) or not 2 <= high - low <= NARROW * grid.shape[1]:
            continue
        # With its penumbra, or film beside it would seem to end there at something exposed.
        bar = slice(first, last), slice(start + int(before[-1]) + 1, high + int(after[0]))
        clear = (grid[bar] == BASE) | (grid[bar] == PANEL)
        if clear[:, low - bar[1].start:high - bar[1].start].mean() < CROSSED / 4:
            grid[bar][~clear], dense[bar][~clear] = DARK, 0.0

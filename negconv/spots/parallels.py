"""Rows of lines: joints of planks, courses of bricks, slats. Scratches are few; a row of as many parallels is the picture's."""
from __future__ import annotations

import numpy as np

from .kinds import shapes

#: How much longer than wide a line is, by how much (radians) parallels may turn, as they do in perspective, and the most by which
#: the logarithms of their contrasts may differ.
SLIM, TURN, LIKE = 4.0, 0.15, 0.7
#: Pixels between two lines that are not one.
APART = 12
#: The most lines that are compared, the surest first.
MOST = 500


def parallels(index: np.ndarray, owner: np.ndarray, confidence: np.ndarray, contrast: np.ndarray, width: int) -> np.ndarray:
    """How many lines beside each are parallel to it and stand out by about as much; int array (count,).

    What lies over each other, or continues each other, counts once.

    Parameters
    ----------
    index, owner : int arrays (n,)
        Flat indices of pixels, rising for each of 0 .. count - 1.
    confidence, contrast : float arrays (count,)
    width : int
        Of the picture.
    """
    out = np.zeros(len(confidence), np.int64)
    form = shapes(index, owner, len(confidence), width)
    slim = np.flatnonzero(form.long_axis >= SLIM * form.short_axis)
    slim = slim[np.argsort(-confidence[slim], kind="stable")[:MOST]]
    if len(slim) < 2:
        return out
    angle, level = form.angle[slim], np.log(np.maximum(np.abs(contrast[slim]), 1e-3))
    x, y = form.x[slim], form.y[slim]
    turn = angle - angle[:, None]
    like = (np.abs(np.sin(turn)) < TURN) & (np.abs(level - level[:, None]) < LIKE)
    # Where each meets the normal through the other's middle, drawn out along itself.
    dx, dy = x - x[:, None], y - y[:, None]
    along, across = (dx * c + dy * s for c, s in ((np.cos(angle)[:, None], np.sin(angle)[:, None]),
                                                  (-np.sin(angle)[:, None], np.cos(angle)[:, None])))
    place = across - along * np.tan(np.where(like, turn, 0))
    place = np.sort(np.where(like & (np.abs(place) > APART), place, np.inf), axis=1)
    there = np.isfinite(place)
    gaps = np.subtract(place[:, 1:], place[:, :-1], out=np.zeros_like(place[:, 1:]), where=there[:, 1:])
    out[slim] = there[:, 0] + (gaps > APART).sum(axis=1)
    return out

"""Where the film's own measures have the sides of a picture.

Film is cut to a width, and cameras expose it midway between its edges, on 135 film midway between its perforations. So
where edges or perforations show, two sides of a picture are known within the play of film in a camera, though nothing
be exposed near them, and with them the scale. Widths and perforations from memory of ISO 1007 (135) and ISO 732 (120);
pictures across them: common practice, no source.
"""
from __future__ import annotations

from dataclasses import replace
from typing import Sequence

import numpy as np

from . import kernel
from .components import connected
from .levels import BASE, PANEL, PICTURE
from .rectangles import STEP, Found, counts, meeting
from .robust import median
from .values import frozen

#: Millimetres: width of the film, and of pictures across it.
NARROW, WIDE = (35.0, 24.0), (61.5, 56.0)
#: Millimetres: pitch and length along the film of perforations, their height across it, and between their two rows.
PITCH, LONG, HIGH, BETWEEN = 4.75, 1.98, 2.8, 25.37
#: Perforations in a row that make it one, and how far, as a share of their pitch, they may be off it.
ROW, OFF = 4, 0.06
#: How far, as a share of their pitch, those of one row may be from those of the other along the film.
OPPOSITE = 0.2
#: Of the film's length, so much of an edge of it shows, at least.
SHOWN = 0.5
#: No perforation is as small as this, in pixels.
SMALL = 2
#: What lies a pixel into a hole already counts as film in a plan.
BLEED = 0.5
#: By how many pixels a small hole may seem narrower than it is.
SHRUNK = 1.0
#: Millimetres of pictures along 135 film, how far they may be off, as a share, and of the gaps between them. Common
#: practice, no source.
LENGTHS, PLAY, GAPS = (18.0, 24.0, 32.0, 36.0, 65.0), 0.04, (0.8, 3.0)
#: How far the sides of a picture may be from where perforations have them, as a share of its height.
ACROSS = 0.04


@frozen
class Gate:
    """Where pictures lie across the film in an upright grid.

    Attributes
    ----------
    down : bool
        The film runs down the view: `low` and `high` are left and right; else top and bottom.
    low, high : float
        Grid pixels.
    scale : float
        Grid pixels a millimetre.
    film : (float, float)
        `NARROW` or `WIDE`.
    perforated : bool
        Known by perforations and not by edges.
    """

    down: bool
    low: float
    high: float
    scale: float
    film: tuple[float, float]
    perforated: bool


def gates(kinds: np.ndarray, film: tuple[float, float] | None = None) -> list[Gate]:
    """Where the film in an upright grid may have its pictures; `film`, if known, is `NARROW` or `WIDE`."""
    out: list[Gate] = []
    if film != WIDE:
        out = by_perforations(kinds)
    if not out:
        for down in (False, True):
            edges = _film_edges(kinds.T if down else kinds)
            if edges is not None:
                low, high = edges
                # Where the edges of 135 film show, so do its perforations.
                width, picture = film or WIDE
                middle, half = (low + high) / 2, (high - low) / 2 * picture / width
                out.append(Gate(down, middle - half, middle + half, (high - low) / width, (width, picture), False))
    return out


def _film_edges(kinds: np.ndarray) -> tuple[float, float] | None:
    """The upper and the lower edge of film against the panel, where both show along most of it."""
    panel, film = kinds == PANEL, (kinds == BASE) | (kinds == PICTURE)
    of_rows = np.count_nonzero(film, axis=1)
    long = int(of_rows.max(initial=0))
    if long < 60 or not panel.any():
        return None
    found = []
    for sign in (1, -1):
        seen = np.count_nonzero(meeting(panel, film, 0, sign), axis=1)
        at = np.flatnonzero(seen > SHOWN * long)
        if not len(at):
            return None
        first = at[0] if sign > 0 else at[-1]
        near = slice(max(first - 1, 0), first + 5) if sign > 0 else slice(max(first - 4, 0), first + 2)
        found.append(float(np.average(np.arange(near.start, near.start + len(seen[near])), weights=seen[near])))
        beyond = of_rows[:max(first - 2 * STEP, 0)] if sign > 0 else of_rows[first + 2 * STEP + 1:]
        if beyond.sum() > 0.02 * film.sum():
            return None
    low, high = found
    return (low, high) if high - low > 60 else None


def by_perforations(kinds: np.ndarray) -> list[Gate]:
    """The same of 135 film, by one row of its perforations or two."""
    boxes = _boxes(kinds == PANEL)
    out = []
    for down in (False, True):
        found = _rows(boxes[:, (2, 3, 0, 1)] if down else boxes)
        if not found:
            continue
        film = counts((kinds == BASE) | (kinds == PICTURE))[1 if down else 0].astype(float)
        # Two rows lie a known way apart; of one, the picture is on the side where there is more of the film.
        pairs = _pairs(found)
        for a, b in pairs[:1]:
            scale = ((b[0] - a[1] + 2 * BLEED) / BETWEEN + (a[2] + b[2]) / 2 / PITCH) / 2
            middle, half = (a[1] + b[0]) / 2 - 0.5, NARROW[1] / 2 * scale
            out.append(Gate(down, middle - half, middle + half, scale, NARROW, True))
        if pairs:
            continue
        for low, high_, pitch, *_ in found[:1]:
            scale = pitch / PITCH
            gap, size = (BETWEEN - NARROW[1]) / 2 * scale, NARROW[1] * scale
            after = film[int(high_):int(high_ + size)].sum()
            before = film[max(int(low - size), 0):int(low)].sum()
            if after > before:
                start = high_ - 0.5 - BLEED + gap
                out.append(Gate(down, start, start + size, scale, NARROW, True))
            else:
                end = low - 0.5 + BLEED - gap
                out.append(Gate(down, end - size, end, scale, NARROW, True))
    return out


def measured(found: Sequence[Found], across: Sequence[Gate], aspect: float | None) -> tuple[tuple[Found, ...], bool]:
    """Pictures on 135 film, as perforations measure it: what is as long as several with their gaps, which a clear side
    hides, is so many; and whether one, seen to both its ends, is no length that pictures have. `across`: as from
    `by_perforations`."""
    out, odd = [], False
    usual = NARROW[1] * aspect if aspect is not None and aspect > 1.4 else 0.75 * NARROW[1] if aspect is not None else 36.0
    for f in found:
        parts = [f]
        for g in across[:1]:
            low, high, rests = (f.top, f.bottom, f.rests[::2]) if g.down else (f.left, f.right, f.rests[1::2])
            aside = ((f.left, f.rests[3], g.low), (f.right, f.rests[1], g.high)) if g.down else (
                (f.top, f.rests[0], g.low), (f.bottom, f.rests[2], g.high))
            off = [abs(at - there) for at, on, there in aside if on == "rebate"]
            if rests != ("rebate", "rebate") or not off or max(off) > ACROSS * (g.high - g.low):
                continue
            long = (high - low) / g.scale
            odd |= min(abs(long / one - 1) for one in LENGTHS) > PLAY
            n = round((long + GAPS[1] / 2) / (usual + GAPS[1] / 2))
            gap = (long - n * usual) / max(n - 1, 1)
            if n > 1 and GAPS[0] < gap < GAPS[1]:
                at = [(low + i * (usual + gap) * g.scale, low + (i * (usual + gap) + usual) * g.scale) for i in range(n)]
                parts = [_part(f, g.down, a, b, i == 0, i == n - 1) for i, (a, b) in enumerate(at)]
                odd = False
        out += parts
    return tuple(out), odd


def _part(f: Found, down: bool, low: float, high: float, first: bool, last: bool) -> Found:
    """What lies between `low` and `high` along a rectangle, whose first and last part keep its ends."""
    support = list(f.support)
    for i, own in zip((0, 2) if down else (3, 1), (first, last)):
        support[i] *= own
    ends = {"top": low, "bottom": high} if down else {"left": low, "right": high}
    return replace(f, support=tuple(support), **ends)


def past_film(kinds: np.ndarray) -> bool:
    """Whether what was taken for the base is brighter than film: through two rows of perforations it shows, or what is
    brighter still, and between them it does not. The cut edge of each may be a dark line."""
    clear = (kinds == BASE) | (kinds == PANEL)
    boxes = _boxes(clear)
    return any(not (_clear_between(plane, a) and _clear_between(plane, b))
               for plane, some in ((clear, boxes), (clear.T, boxes[:, (2, 3, 0, 1)])) for a, b in _pairs(_rows(some)))


def _clear_between(clear: np.ndarray, row: tuple[float, float, float, int, float]) -> bool:
    """Whether film is clear half way from each perforation of a row to the next."""
    top, bottom, pitch, n, middle = row
    x = np.rint(middle + pitch * (np.arange(n - 1) - n // 2 + 0.5)).astype(int)
    quarter = (bottom - top) / 4
    return bool(clear[int(top + quarter):int(bottom - quarter) + 1, x[(x >= 0) & (x < clear.shape[1])]].mean() > 0.5)


def _boxes(holes: np.ndarray) -> np.ndarray:
    """Top, bottom, left, right of what may be perforations, float (n, 4)."""
    if not 0.001 < np.count_nonzero(holes) / holes.size < 0.7:
        return np.zeros((0, 4))
    longest = 0.2 * max(holes.shape)
    if kernel.loops is not None and holes.flags.c_contiguous:
        out = np.empty((holes.size // (SMALL + 1) + 1, 4), np.int32)
        return out[:kernel.loops.boxes(holes, *holes.shape, SMALL, longest, out)].astype(float)
    index = np.flatnonzero(holes)
    part, count = connected(index, holes.shape[1])
    y, x = np.divmod(index, holes.shape[1])
    low, high = np.full((2, count), holes.size), np.zeros((2, count), int)
    for at, least, most in zip((y, x), low, high):
        np.minimum.at(least, part, at)
        np.maximum.at(most, part, at + 1)
    boxes = np.array([low[0], high[0], low[1], high[1]], float).T
    sizes = boxes[:, 1::2] - boxes[:, ::2]
    return boxes[(sizes.min(axis=1) > SMALL) & (sizes.max(axis=1) < longest)]


def mates(boxes: np.ndarray) -> np.ndarray:
    """bool (n,): whether there are ROW boxes like each one of them, as holes of one row are, itself included."""
    wide = boxes[:, 3] - boxes[:, 2]
    if kernel.loops is not None:
        out = np.empty(len(boxes), bool)
        kernel.loops.mates(*(np.ascontiguousarray(v) for v in (boxes[:, 0], boxes[:, 1], wide)), len(boxes), ROW, LONG, out)
        return out
    return np.array([np.count_nonzero(_like(boxes, wide, i)) >= ROW for i in range(len(boxes))], bool)


def _like(boxes: np.ndarray, wide: np.ndarray, i: int) -> np.ndarray:
    """bool (n,): which boxes may be of one row with box `i`."""
    return (np.abs(wide - wide[i]) <= max(0.15 * wide[i], 1.5)) & (
        np.abs(boxes[:, :2] - boxes[i, :2]).max(axis=1) <= max(0.25 * wide[i] / LONG, 2.0))


def _pairs(rows: list[tuple]) -> list[tuple[tuple, tuple]]:
    """Two rows of perforations that lie as far apart as they do on film, hole over hole, the upper one first."""
    return [(a, b) for a in rows for b in rows if b[0] > a[1]
            and abs((b[0] - a[1]) / (a[2] + b[2]) * 2 * PITCH / BETWEEN - 1) < 0.04 + SHRUNK / (b[0] - a[1])
            and abs((a[4] - b[4]) / a[2] - round((a[4] - b[4]) / a[2])) < OPPOSITE]


def _rows(boxes: np.ndarray) -> list[tuple[float, float, float, int, float]]:
    """Rows of perforations that run across among boxes (n, 4) of top, bottom, left, right: the top and the bottom of
    their holes, their pitch, how many they are, and the middle of one of them; the longest first."""
    out = []
    wide = boxes[:, 3] - boxes[:, 2]
    left = np.ones(len(boxes), bool)
    order = np.argsort(-(boxes[:, 1] - boxes[:, 0]))
    for i in order[mates(boxes)[order]]:
        if not left[i]:
            continue
        unit = wide[i] / LONG
        same = left & _like(boxes, wide, i)
        if np.count_nonzero(same) < ROW or boxes[i, 1] - boxes[i, 0] > 1.25 * HIGH * unit + 2:
            continue
        x = np.sort((boxes[same, 2] + boxes[same, 3]) / 2)
        steps = np.diff(x)
        # Blur makes small holes narrower by up to a pixel.
        usual = steps[(steps > 0.75 * PITCH * unit) & (steps < 1.3 * PITCH * (unit + SHRUNK / LONG))]
        if len(usual) < ROW - 2:
            continue
        # From each to the next, for a small error of the pitch adds up along a strip.
        n = np.concatenate([[0.0], np.cumsum(np.round(steps / median(usual)))])
        pitch, start = np.polyfit(n, x, 1)
        good = np.abs(x - start - pitch * n) < OFF * pitch
        if np.count_nonzero(good) < ROW or good.mean() < 0.75 or len(np.unique(n)) < len(n):
            continue
        pitch = float(np.polyfit(n[good], x[good], 1)[0])
        out.append((float(median(boxes[same, 0])), float(median(boxes[same, 1])), pitch, int(good.sum()),
                    float(x[good][np.count_nonzero(good) // 2])))
        left &= ~same
    return sorted(out, key=lambda row: -row[3])

"""Light near the base, seen more keenly: without its grain, and its density stretched.

Flare and fog inside a camera's gate lift a picture's shadows above the rebate by a hundredth or two of density all over.
That is less than the grain of a single pixel, and a multiple of it over a few.
"""
from __future__ import annotations

from typing import Iterator

import numpy as np

from . import kernel
from .levels import DARK, PANEL, Level, axes, below, even_tones, near
from .robust import median

#: Density from a tone within which light is stretched, how many times, and at what density above it nothing is moved.
WITHIN, GAIN, AS_IT_WAS = 0.1, np.float32(4), 1.2
#: How many times light is stretched where tones are told from each other.
TELL = np.float32(8)
#: No base is darker, by so much, than an even tone near it that was taken for one.
DARKER = 0.02
#: Grain is averaged over so many pixels each way, of those that are near the tone.
BOX = 3
#: So many pixels from what is brighter than that, light is the blur of an edge.
FRINGE = 3
#: Within so many pixels of a holder or a panel lies the rebate that its light is fitted to, by squares of so many pixels of
#: which so many, at least, may be it: what is brightest of them but for this share.
ROUND, SQUARE, ENOUGH, BRIGHTEST = 40, 16, 30, 0.8
#: In how many rounds, to within what log light at first and at last, and what has less say in it: what is darker.
ROUNDS, SLOWLY, CLOSE, LESS = 25, 0.9, (0.03, 0.003), 0.03
#: How much, in squares of log light a square, the fall-off is held back.
HELD = (0.0, 4e-4, 4e-4, 1e-3)


def smoothed(log: np.ndarray, tone: Level) -> np.ndarray:
    """Log light like `log`, float32 (3, h, w), without the grain of what is near a tone; that has the tone's colour."""
    density, *_ = below(log, tone)
    # Beside a panel, the blur of the film's edge is no tone of its own.
    close = (np.abs(density) < WITHIN) & ~near(density <= -WITHIN, FRINGE)
    mean, out = tone.over(close.shape) - _evened(density, close), log.copy()
    for plane, level in zip(out, tone.log):
        np.copyto(plane, mean + np.float32(level), where=close)
    return out


def _evened(plane: np.ndarray, close: np.ndarray) -> np.ndarray:
    """The mean of a plane over BOX pixels each way, of those that are `close`."""
    if kernel.loops is not None and BOX == 3:
        out = np.empty(plane.shape, np.float32)
        kernel.loops.evened(plane, close, *plane.shape, out)
        return out
    return _box(plane * close) / np.maximum(_box(close.astype(np.float32)), 1)


def _box(plane: np.ndarray) -> np.ndarray:
    """The sum over BOX pixels each way; beyond the border is nothing."""
    r = BOX // 2
    for _ in range(2):
        padded = np.pad(plane, ((r, r), (0, 0)))
        plane = padded[:len(plane)].copy()
        for i in range(1, BOX):
            plane += padded[i:i + len(plane)]
        plane = np.ascontiguousarray(plane.T)
    return plane


def nearby(log: np.ndarray, tone: Level, *, rigid: bool) -> Iterator[Level]:
    """The even tones near one in smoothed log light, and none that is clearly darker, told from each other more finely,
    brightest first."""
    most = np.float32(1.5 * TELL * WITHIN)
    fine, light = told_apart(log, tone, most)
    wide = near(light > TELL * WITHIN, FRINGE)
    close = (np.abs(light) < TELL * WITHIN) & ~wide
    evened = _evened(light, close)
    for plane in fine:
        np.copyto(plane, evened, where=close)
        np.putmask(plane, wide, -most)
    for one in even_tones(fine, rigid=rigid):
        if -DARKER * TELL < float(np.mean(one.log)) < 0.9 * TELL * WITHIN:
            log3, terms = (tuple(float(b + t / TELL) for b, t in zip(was, is_)) for was, is_ in (
                (tone.log, one.log), (tone.surface, one.surface)))
            yield Level(log3, terms, one.spread / float(TELL), one.share)


def told_apart(log: np.ndarray, tone: Level, most: np.float32) -> tuple[np.ndarray, np.ndarray]:
    """Log light over that of a tone, TELL times, no more than `most`; float32 (3, h, w), and the mean of its channels."""
    shape = log.shape[1:]
    if kernel.loops is not None and log.flags.c_contiguous:
        fine, light = np.empty(log.shape, np.float32), np.empty(shape, np.float32)
        kernel.loops.over_tone(log, *shape, *tone.along(shape), np.array(tone.log, np.float32), TELL, most, 0, fine, light)
        return fine, light
    surface = tone.over(shape)
    fine = np.stack([np.clip(TELL * (plane - surface - np.float32(c)), -most, most) for plane, c in zip(log, tone.log)])
    return fine, fine.mean(axis=0)


def around(log: np.ndarray, tone: Level, kinds: np.ndarray) -> Level | None:
    """The tone, near another in smoothed log light, that the brightest of what lies along the holder and the panel has:
    rebate all round, whose light falls off by more than a picture differs from it. None where there is too little."""
    shape = log.shape[1:]
    outside = (kinds == DARK) | (kinds == PANEL)
    if not outside.any():
        return None
    density, *_ = below(log, tone)
    ring = (np.abs(density) < WITHIN) & near(outside, ROUND) & ~near(outside, FRINGE + 1)
    rows, columns = np.nonzero(ring)
    light = -density[rows, columns]
    squares = rows // SQUARE * (shape[1] // SQUARE + 1) + columns // SQUARE
    order = np.argsort(squares + (light + WITHIN) * (0.5 / WITHIN), kind="stable")  # by light within each square
    starts = np.flatnonzero(np.diff(squares[order], prepend=-1))
    many = np.diff(starts, append=len(order))
    starts, many = starts[many >= ENOUGH], many[many >= ENOUGH]
    if len(starts) < ROUNDS:
        return None
    some = order[starts + (BRIGHTEST * (many - 1)).astype(int)]
    light = light[some].astype(float)
    x, y = (v[at[some]].astype(float) for v, at in zip(axes(shape), (columns, rows)))
    terms = np.stack([np.ones_like(x), x, y, x * x + y * y], axis=1)
    fall, close = np.array([np.quantile(light, BRIGHTEST), 0.0, 0.0, 0.0]), CLOSE[0]
    for _ in range(ROUNDS):
        rest = light - terms @ fall
        close = max(SLOWLY * close, CLOSE[1])
        use = np.where(rest < -close, LESS, 1.0) / (1 + (rest / close) ** 2)
        told = (terms * use[:, None]).T
        fall = np.linalg.solve(told @ terms + len(light) * np.diag(HELD), told @ light)
    one, bx, by, both = fall.tolist()
    found = Level(tuple(v + one for v in tone.log),
                  tuple(v + more for v, more in zip(tone.surface, (0.0, bx, by, both, 0.0, both))), tone.spread, tone.share)
    rest = np.abs(below(log, found)[0][ring])
    rest = rest[rest < 2 * CLOSE[1]]
    return Level(found.log, found.surface, 1.4826 * float(median(rest)), len(rest) / density.size) if len(rest) else None


def stretched(log: np.ndarray, tone: Level) -> np.ndarray:
    """Log light over that of a tone, like `log`, in which what is little denser is as many times denser; what is brighter
    stays as it is, since a panel is much brighter than any base, and a tone's own unevenness is not."""
    shape = log.shape[1:]
    if kernel.loops is not None and log.flags.c_contiguous:
        out = np.empty(log.shape, np.float32)
        kernel.loops.over_tone(log, *shape, *tone.along(shape), np.array(tone.log, np.float32), WITHIN, GAIN, AS_IT_WAS, out,
                               None)
        return out
    density, *_ = below(log, tone)
    more = np.clip(density, 0, WITHIN) * np.clip((AS_IT_WAS - density) * np.float32(1 / (AS_IT_WAS - WITHIN)), 0, 1)
    more = tone.over(density.shape) + (GAIN - 1) * more
    return np.stack([plane - more - np.float32(c) for plane, c in zip(log, tone.log)])


def light_of(log: np.ndarray) -> np.ndarray:
    """Light, float32 (h, w, 3), of its log10, float32 (3, h, w)."""
    out = np.empty((*log.shape[1:], 3), np.float32)
    if kernel.loops is not None and log.flags.c_contiguous:
        kernel.loops.light_of(log, log[0].size, out)
        return out
    for c, plane in enumerate(log):
        out[..., c] = np.exp(plane * np.float32(np.log(10)))
    return out


def stretched_tone(tone: Level) -> Level:
    """The tone itself in log light so stretched."""
    return Level((0.0, 0.0, 0.0), (0.0,) * 6, tone.spread * float(GAIN), tone.share)


def is_stretched(tone: Level) -> bool:
    """Whether a tone is one of light so stretched, which no lens has blurred as it is."""
    return not any(tone.log)

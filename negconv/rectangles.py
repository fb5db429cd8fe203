"""Rectangles of picture among rebate, holder, panel and the view's own border.

Two kinds of evidence are weighed against each other. Along a picture's side, something as bright as the base (or the
panel) outside meets something denser inside; such pairs of pixels that lie on one straight line are its edge, however
little of it shows. And what is picture should lie inside some rectangle, what is rebate outside all of them.
"""
from __future__ import annotations

import math
from bisect import bisect_right
from typing import Sequence

import numpy as np

from . import kernel
from .levels import BASE, DARK, PANEL, PICTURE, VOID, blocks
from .robust import median
from .values import frozen

SOME = 2500       # edge pixels of one kind that are looked at for the turn
EVERY = 3         # places along an edge that are looked at for the turn
STEP = 2          # pixels from an edge at which its two sides are looked at
DEEP = 5          # pixels inside a holder's edge at which there is no penumbra left
SOFT = 10         # the same where the edge is far out of focus
MOST_TURN = 6.0   # degrees
#: What a pixel of each kind adds to the score of a rectangle around it (VOID, PANEL, BASE, PICTURE, DARK), before it
#: is divided by the picture pixels in the view.
WEIGHTS = np.array([-0.3, -2.0, -0.03, 1.0, -0.02])
#: What one more picture in a strip must bring: both its inner sides seen along two thirds.
PRICE = 1.7
#: Pictures of one strip differ in width by less than this factor.
ALIKE = 1.08
#: What a shape that no camera makes costs a picture of a strip.
ODD = 0.8
#: Of a picture whose sides hardly show, at least this share is exposed.
LIT = 0.04
#: No gap between the pictures of a strip is wider, as a share of their width.
WIDEST = 0.15
#: No picture is longer, for its width, than this.
LONGEST = 3.5
#: No letter beside a picture is higher, as a share of the long side of the view.
LETTER = 0.02
#: Of a picture that the view cuts off a strip at least this share is in view.
IN_VIEW = 0.65
#: Of a gap between pictures less than this is exposed: dirt; and along more than this of it one picture ends, or the
#: two beside it do.
DIRTY, ENDS, BOTH_END = 0.04, 0.7, 1.0
#: Nor is a gap broader than this share of its height.
BROADEST = 0.22
ASPECTS = (1.0, 7 / 6, 1.241, 1.26, 4 / 3, 1.352, 1.413, 1.5, 2.0, 2.708, 3.0)


@frozen
class Found:
    """A rectangle in the turned grid: edges in its pixels, what each rests on, and how well."""

    top: float
    bottom: float
    left: float
    right: float
    rests: tuple[str, str, str, str]        # top, right, bottom, left: "rebate", "holder", "view"
    support: tuple[float, float, float, float]
    picture: float                          # share of its area that is picture
    score: float


def edge_maps(kinds: np.ndarray, density: np.ndarray, noise: float,
              axes=(0, 1)) -> tuple[list[np.ndarray], list[np.ndarray]]:
    """Evidence of sides, in the order top, bottom, left, right: of rebate meeting picture, and of holder meeting light.

    float32 arrays like `kinds`, about 0..1; of one axis when only that is asked for.
    """
    if kernel.loops is not None and kinds.flags.c_contiguous and density.flags.c_contiguous:
        return _edges(kinds, density, noise, axes)
    clear = (kinds == BASE) | (kinds == PANEL)
    level = np.clip(density, 0, 0.4)
    level *= np.float32(1 / 0.06)
    least = level + np.float32(2 * noise / 0.06)
    bright = clear.astype(np.float32)
    dark, picture = kinds == DARK, kinds == PICTURE
    none = np.zeros(kinds.shape, bool)
    shut = dark.any()
    rebate, holder = [], []
    for axis in axes:
        for sign in (1, -1):
            out = np.empty(kinds.shape, np.float32)
            for border in (out[:STEP], out[-STEP:]) if axis == 0 else (out[:, :STEP], out[:, -STEP:]):
                border[...] = 0
            value = _middle(out, axis)
            inside, outside, say = (_pair(level, axis, sign)[1], _pair(least, axis, sign)[0],
                                    _pair(bright, axis, sign)[0])
            for part in blocks(len(value)):
                np.subtract(inside[part], outside[part], out=value[part])
                np.clip(value[part], 0, 1, out=value[part])
                value[part] *= say[part]
            rebate.append(out)
            if not shut:
                holder.append(none)
                continue
            # Past the penumbra of the holder's edge there must be picture, not rebate.
            lit = np.zeros(kinds.shape, bool)
            value = _middle(lit, axis)
            np.logical_and(_pair(dark, axis, sign)[0], _pair(picture, axis, sign)[1], out=value)
            value &= _ahead(picture, axis, sign)
            value &= _ahead(picture, axis, sign, SOFT)
            holder.append(lit)
    return rebate, holder


def _edges(kinds: np.ndarray, density: np.ndarray, noise: float, axes) -> tuple[list[np.ndarray], list[np.ndarray]]:
    """`edge_maps` by the compiled loops."""
    shut = bool((kinds == DARK).any())
    none = np.zeros(kinds.shape, bool)
    rebate, holder = [], []
    for axis in axes:
        for sign in (1, -1):
            rebate.append(np.empty(kinds.shape, np.float32))
            holder.append(np.empty(kinds.shape, bool) if shut else none)
            kernel.loops.edges(kinds, density, *kinds.shape, axis, sign, 2 * noise / 0.06, DEEP, SOFT, rebate[-1],
                               holder[-1] if shut else None)
    return rebate, holder


def _ahead(plane: np.ndarray, axis: int, sign: int, deep: int = DEEP) -> np.ndarray:
    """What lies `deep` pixels into the picture of every pixel but those close to the border, where it wraps round."""
    return _middle(np.roll(plane, -sign * deep, axis), axis)


def _pair(plane: np.ndarray, axis: int, sign: int) -> tuple[np.ndarray, np.ndarray]:
    """Views STEP before and after every pixel along an axis: (outside, inside) for an edge entered along `sign`."""
    before = plane[:-2 * STEP] if axis == 0 else plane[:, :-2 * STEP]
    after = plane[2 * STEP:] if axis == 0 else plane[:, 2 * STEP:]
    return (before, after) if sign > 0 else (after, before)


def meeting(outside: np.ndarray, inside: np.ndarray, axis: int, sign: int) -> np.ndarray:
    """float32: where one plane is true just outside an edge entered along `sign`, the other just inside."""
    meets = _pair(outside, axis, sign)[0] & _pair(inside, axis, sign)[1]
    return _grown(meets.astype(np.float32), outside.shape, axis)


def _gate(kinds: np.ndarray) -> list[np.ndarray]:
    """Profiles across of where rebate or panel meets the holder: top, bottom (H,), left, right (W,)."""
    dark = kinds == DARK
    if not dark.any():
        return [np.zeros(kinds.shape[axis]) for axis in (0, 0, 1, 1)]
    out = []
    compiled = kernel.loops is not None and kinds.flags.c_contiguous
    clear = None if compiled else (kinds == BASE) | (kinds == PANEL)
    for axis in (0, 1):
        for sign in (1, -1):
            if compiled:
                sums = np.empty(kinds.shape[axis], np.uint32)
                kernel.loops.gate(kinds, *kinds.shape, axis, sign, DEEP, sums)
                out.append(sums.astype(float))
                continue
            meets = _pair(dark, axis, sign)[0] & _ahead(clear, axis, sign)
            profile = np.zeros(kinds.shape[axis])
            profile[STEP:-STEP] = np.count_nonzero(meets, axis=1 - axis)
            out.append(profile)
    return out


def counts(plane: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """How many pixels of each row, and of each column, of a boolean or uint8 plane are set."""
    if kernel.loops is not None and plane.flags.c_contiguous:
        rows, columns = np.empty(plane.shape[0], np.int64), np.empty(plane.shape[1], np.uint32)
        kernel.loops.counts(plane, *plane.shape, rows, columns)
        return rows, columns.astype(np.int64)
    return np.count_nonzero(plane, axis=1), np.count_nonzero(plane, axis=0)


def tally(kinds: np.ndarray, top: int, bottom: int, left: int, right: int) -> np.ndarray:
    """How many pixels of each kind, int64 (5,), the rectangle from `top` and `left` up to `bottom` and `right` has."""
    (top, bottom, _), (left, right, _) = (slice(*ends).indices(n) for ends, n in
                                          zip(((top, bottom), (left, right)), kinds.shape))
    if kernel.loops is not None and kinds.flags.c_contiguous:
        out = np.empty(5, np.int64)
        kernel.loops.tally(kinds, *kinds.shape, top, bottom, left, right, out)
        return out
    return np.bincount(kinds[top:bottom, left:right].ravel(), minlength=5)


def area_sums(kinds: np.ndarray) -> np.ndarray:
    """Running sums down and along of `WEIGHTS` of every second pixel, which are enough for areas, after a row and a
    column of nothing."""
    h, w = kinds[::2, ::2].shape
    if kernel.loops is not None and kinds.flags.c_contiguous:
        sums = np.empty((h + 1, w + 1))
        kernel.loops.area_sums(kinds, *kinds.shape, WEIGHTS, sums)
        return sums
    sums = np.zeros((h + 1, w + 1))
    np.cumsum(np.cumsum(WEIGHTS[kinds[::2, ::2]], axis=0), axis=1, out=sums[1:, 1:])
    return sums


def _middle(plane: np.ndarray, axis: int) -> np.ndarray:
    return plane[STEP:-STEP] if axis == 0 else plane[:, STEP:-STEP]


def _grown(value: np.ndarray, shape, axis: int) -> np.ndarray:
    out = np.zeros(shape, np.float32)
    if axis == 0:
        out[STEP:-STEP] = value
    else:
        out[:, STEP:-STEP] = value
    return out


def turn_of(kinds: np.ndarray, density: np.ndarray, noise: float) -> float:
    """The angle in degrees at which the edges of a plan line up best, by every third place along them."""
    maps = [edge_maps(np.ascontiguousarray(kinds[:, ::EVERY]), np.ascontiguousarray(density[:, ::EVERY]), noise, (0,)),
            edge_maps(np.ascontiguousarray(kinds[::EVERY]), np.ascontiguousarray(density[::EVERY]), noise, (1,))]
    return best_turn(*([*one, *other] for one, other in zip(*maps)), every=EVERY)


def best_turn(rebate: list[np.ndarray], holder: list[np.ndarray], every: int = 1) -> float:
    """The angle in degrees at which the edges line up best; planes may have every n-th place along the edges alone."""
    step = every
    points = []
    for maps, weight in ((rebate, 1.0), (holder, 0.35)):
        for i, plane in enumerate(maps):
            at = np.flatnonzero(plane if plane.dtype == bool else plane > 0.15)
            if len(at) < 12:
                continue
            every = max(1, len(at) // SOME)
            y, x = np.divmod(at[::every], plane.shape[1])
            value = plane[y, x] * weight * (every * step)
            along, across = (x * step, y) if i < 2 else (-y * step, x)
            points.append((along - along.mean(), across.astype(float), value.astype(float)))
    if not points:
        return 0.0

    def sharpest(angles: np.ndarray) -> float:
        slopes = np.tan(np.radians(angles))
        return float(angles[int(np.argmax(sum(lined_up(*one, slopes) for one in points)))])

    centre = sharpest(np.arange(-MOST_TURN, MOST_TURN + 0.01, 0.5))
    centre = sharpest(centre + 0.15 * np.arange(-4, 5))
    return sharpest(centre + 0.05 * np.arange(-3, 4))


def lined_up(along: np.ndarray, across: np.ndarray, value: np.ndarray, slopes: np.ndarray) -> np.ndarray:
    """How well points line up along each of `slopes`: the sum of what falls on each two lines, to the power 5/2."""
    out = np.empty(len(slopes))
    if kernel.loops is not None:
        kernel.loops.line_up(along, across, value, len(along), slopes, len(slopes), out)
        return out
    for i, slope in enumerate(slopes):
        at = across - slope * along
        bins = np.bincount((at - at.min() + 1).astype(int), value)
        pairs = bins[1:] + bins[:-1]
        out[i] = (pairs * pairs * np.sqrt(pairs)).sum()
    return out


def turned(kinds: np.ndarray, density: np.ndarray, degrees: float) -> tuple[np.ndarray, np.ndarray]:
    """Both planes turned about their middle so that edges at `degrees` become upright; VOID beyond the view."""
    h, w = kinds.shape
    c, s = math.cos(math.radians(degrees)), math.sin(math.radians(degrees))
    H, W = int(h * c + w * abs(s)) + 2 * STEP + 3, int(w * c + h * abs(s)) + 2 * STEP + 3
    dy = np.arange(H, dtype=np.float32)[:, None] - np.float32((H - 1) / 2)
    dx = np.arange(W, dtype=np.float32)[None, :] - np.float32((W - 1) / 2)
    x0, x1 = dx * np.float32(c) + np.float32((w - 1) / 2 + 0.5), dy * np.float32(s)
    y0, y1 = dx * np.float32(s), dy * np.float32(c) + np.float32((h - 1) / 2 + 0.5)
    if kernel.loops is not None and kinds.flags.c_contiguous and density.flags.c_contiguous:
        out, density_ = np.empty((H, W), np.uint8), np.empty((H, W), np.float32)
        kernel.loops.turn(kinds, density, h, w, x0, y0, x1, y1, H, W, out, density_)
        return out, density_
    x, at = (x0 - x1).astype(np.int32), (y0 + y1).astype(np.int32)
    inside = (x >= 1) & (x < w)
    inside &= at >= 1
    inside &= at < h
    at *= w
    at += x
    at *= inside
    at = at.astype(np.intp)
    out = kinds.ravel().take(at)
    out *= inside                       # VOID is 0
    return out, density.ravel().take(at)


def to_plan(points, degrees: float, turned_shape, shape) -> np.ndarray:
    """Points of the turned grid in the grid it was turned from; float (n, 2) of x, y."""
    points = np.asarray(points, float)
    c, s = math.cos(math.radians(degrees)), math.sin(math.radians(degrees))
    dx, dy = points[:, 0] - (turned_shape[1] - 1) / 2, points[:, 1] - (turned_shape[0] - 1) / 2
    return np.stack([c * dx - s * dy + (shape[1] - 1) / 2, s * dx + c * dy + (shape[0] - 1) / 2], axis=1)


@frozen(eq=False)
class _Lines:
    """Candidate lines of one side (top, bottom, left or right).

    Sums run along the line; `at` are positions across it.
    """

    at: np.ndarray
    what: np.ndarray           # 0 rebate, 1 holder, 2 view
    edge: np.ndarray           # (n, L + 1) running sums of evidence; of the view's border, of holder along it
    beyond: np.ndarray         # (n, L + 1) running sums of picture just outside

    def tables(self, low, high):
        """For every line and every pair of places it may run between: what speaks for it, its support, and how much of
        it goes on beyond them as a share of the length between; (lines, low, high)."""
        length = np.maximum(high[None, :] - low[:, None], 1)
        edge, beyond = ((s[:, high][:, None, :] - s[:, low][:, :, None]) / length for s in (self.edge, self.beyond))
        what = self.what[:, None, None]
        excess = np.where(what == 2, 0.0, np.clip(self.edge[:, -1, None, None] / length - edge - 0.02, 0, 0.5))
        value = np.where(what == 0, 1.2 * edge, np.where(what == 1, 0.8 * edge, 0.12 - edge)) - 1.5 * beyond
        return value, np.where(what == 2, 0.0, edge), excess


def _lines(kinds: np.ndarray, rebate: np.ndarray, holder: np.ndarray, lit: np.ndarray, known: np.ndarray,
           gate: np.ndarray, sign: int, most: int) -> _Lines:
    """Candidates across axis 0, for a side entered along `sign`; `lit`: how many pixels of each row are of `holder`;
    `known`: the rows that lie in view."""
    profile = rebate.sum(axis=1)
    profile = profile + 0.5 * (np.roll(profile, 1) + np.roll(profile, -1))
    at = [(p, 0) for p in peaks(profile, most, max(6.0, 0.05 * profile.max()))]
    if lit.any():
        profile = lit.astype(float)
        profile = profile + 0.5 * (np.roll(profile, 1) + np.roll(profile, -1))
        at += [(p, 1) for p in peaks(profile, 4, max(12.0, 0.1 * profile.max()))]
    at += [(p, 1) for p in peaks(gate, 2, 12.0) if all(abs(p - q) > 3 or what != 1 for q, what in at)]
    at.append((int(known[0] if sign > 0 else known[-1]), 2))
    length = rebate.shape[1]
    edge, beyond = np.zeros((len(at), length + 1)), np.zeros((len(at), length + 1))
    n, letters = rebate.shape[0], int(LETTER * max(rebate.shape))
    where, what_ = np.array([p for p, _ in at]), np.array([k for _, k in at])
    planes, axis = ((kinds.T, rebate.T, holder.T), 1) if rebate.flags.f_contiguous else ((kinds, rebate, holder), 0)
    if kernel.loops is not None and all(plane.flags.c_contiguous for plane in planes) and n > 2 * DEEP:
        kernel.loops.line_sums(*planes, *planes[0].shape, axis, sign, letters, where, what_, len(at), edge, beyond)
        return _Lines(where, what_, edge, beyond)
    picture = kinds == PICTURE
    for i, (p, what) in enumerate(at):
        source = holder if what == 1 else rebate
        # Of a side that lies outside the view nothing is seen, but the picture goes on there and no holder.
        inner = min(max(p + sign * DEEP, 0), n - 1)
        here = source[max(p - 2, 0):p + 3].max(axis=0) if what < 2 else (kinds[inner] == DARK) * 1.0
        np.cumsum(here, out=edge[i, 1:])
        out = slice(max(p - 3, 0), max(p - 1, 1)) if sign > 0 else slice(min(p + 2, n - 1), min(p + 4, n))
        outside = picture[out].min(axis=0)
        if what == 0:
            outside = outside & (here < 0.3)        # print and a holder's penumbra may lie beyond a sliver of rebate
        # What lies there and ends soon may as well be print.
        deep = p - sign * letters
        lasts = picture[deep] if 0 <= deep < n else np.zeros(length, bool)
        np.cumsum(np.where(lasts, 1.0, 0.5) * outside, out=beyond[i, 1:])
    return _Lines(where, what_, edge, beyond)


def peaks(profile: np.ndarray, most: int, least: float) -> list[int]:
    inner = profile[1:-1]
    peaks = np.flatnonzero((inner >= profile[:-2]) & (inner > profile[2:]) & (inner >= least)) + 1
    chosen: list[int] = []
    for p in peaks[np.argsort(-profile[peaks])]:
        if all(abs(p - q) > 3 for q in chosen):
            chosen.append(int(p))
            if len(chosen) == most:
                break
    return chosen


def rectangles(kinds: np.ndarray, density: np.ndarray, noise: float, aspect: float | None = None,
               maps: tuple | None = None) -> list[Found]:
    """The pictures of an upright grid, in reading order; empty when none is to be seen.

    Parameters
    ----------
    kinds, density : arrays (H, W)
        As in `levels.Parts`, turned upright.
    noise : float
        Standard deviation of density.
    aspect : float, optional
        Long side over short side, when the format is known.
    maps : tuple, optional
        The grid's `edge_maps`, where they are made already.
    """
    rebate, holder = maps or edge_maps(kinds, density, noise)
    picture = kinds == PICTURE
    known = [np.flatnonzero(seen > 0.5 * seen.max()) for seen in counts(kinds)]         # VOID is 0
    gate = _gate(kinds)
    rows = [_lines(kinds, rebate[i], holder[i], counts(holder[i])[0], known[0], gate[i], s, 10)
            for i, s in ((0, 1), (1, -1))]
    columns = [_lines(kinds.T, rebate[i].T, holder[i].T, counts(holder[i])[1], known[1], gate[i], s, 14)
               for i, s in ((2, 1), (3, -1))]
    total = max(np.count_nonzero(picture) / 4, 1.0)
    sums = area_sums(kinds)
    # Every combination of four lines: along four axes, and of those that can be, in a row.
    tops, bottoms, lefts, rights = rows[0].at, rows[1].at, columns[0].at, columns[1].at
    highs, wides = bottoms[None, :] - tops[:, None], rights[None, :] - lefts[:, None]
    least = 0.05 * max(kinds.shape)
    tall, broad = highs[:, :, None, None], wides[None, None]
    keep = (tall > least) & (broad > least) & (np.maximum(tall, broad) < LONGEST * np.minimum(tall, broad))
    t, b, l, r = np.nonzero(keep)
    if not len(t):
        return []
    top, bottom, left, right = tops[t], bottoms[b], lefts[l], rights[r]
    at_tops, at_bottoms = ((sums[v][:, rights // 2][:, None, :] - sums[v][:, lefts // 2][:, :, None])
                           for v in (tops // 2, bottoms // 2))
    inside = ((at_bottoms[None, :] - at_tops[:, None]) / total)[keep]
    (top_value, top_support, top_over), (bottom_value, bottom_support, bottom_over) = (
        side.tables(lefts, rights) for side in rows)
    (left_value, left_support, left_over), (right_value, right_support, right_over) = (
        side.tables(tops, bottoms) for side in columns)

    def ends_of(one, other):
        return (one[:, None] + other[None, :])[keep]

    def sides_of(one, other):
        return (one.transpose(1, 2, 0)[..., None] + other.transpose(1, 2, 0)[:, :, None])[keep]

    ends, over_ends = ends_of(top_value, bottom_value), ends_of(top_over, bottom_over)
    sides, over_sides = sides_of(left_value, right_value), sides_of(left_over, right_over)
    cut = (rows[0].what[t] == 1) | (rows[1].what[b] == 1) | (columns[0].what[l] == 1) | (columns[1].what[r] == 1)
    wide, high = (right - left).astype(float), (bottom - top).astype(float)
    ratio = np.maximum(wide / high, high / wide)
    off = off_shape(ratio)
    partly = cut | (rows[0].what[t] == 2) | (rows[1].what[b] == 2) | (columns[0].what[l] == 2) | (columns[1].what[r] == 2)
    own = 3.0 * inside + _shape_bonus(ratio, off, aspect, partly)
    score = own + ends + sides
    odd = ODD * ~cut * ((off > 0.035) | (ratio > 1.6))
    def arranged(some: np.ndarray | None = None) -> tuple[list[int], float]:
        """The best pictures of all, or of `some` combinations (bool), and their score."""
        best: tuple[list[int], float] = ([], -np.inf)
        for across, (own_sides, shared_sides, over, span) in ((False, (ends, sides, over_sides, (t, b))),
                                                              (True, (sides, ends, over_ends, (l, r)))):
            # Two sides are shared by all the pictures of a strip: each counts by its length, once for all of them.
            low, high_, size = (lefts, rights, high) if across else (tops, bottoms, wide)
            part = np.minimum(size / _extent(picture, low, high_, 1 - across)[span], 1)
            value = shared_sides - over + own + own_sides * part - PRICE - odd
            if some is not None:
                value = np.where(some, value, -np.inf)
            got = _arrange(value, span, (top, bottom) if across else (left, right))
            if got[1] > best[1] + 1e-9:
                best = got
        return best

    best = arranged()
    for down in (False, True):
        gaps, narrow = _gaps_within(kinds, [(top[i], bottom[i], left[i], right[i]) for i in best[0]], down)
        if gaps:
            low, high_ = (top, bottom) if down else (left, right)
            other = arranged(np.all([(low >= start) | (high_ <= end) for start, end in gaps], axis=0))
            if len(other[0]) > len(best[0]) - narrow and other[1] > best[1] - PRICE:
                best = other
                break
    out = []
    names = ("rebate", "holder", "view")
    for i in best[0]:
        share = picture[top[i]:bottom[i], left[i]:right[i]].mean()
        supports = (top_support[t[i], l[i], r[i]], right_support[r[i], t[i], b[i]], bottom_support[b[i], l[i], r[i]],
                    left_support[l[i], t[i], b[i]])
        rests = tuple(names[k] for k in (rows[0].what[t[i]], columns[1].what[r[i]], rows[1].what[b[i]],
                                         columns[0].what[l[i]]))
        out.append(Found(float(top[i]), float(bottom[i]), float(left[i]), float(right[i]), rests,
                         tuple(map(float, supports)), float(share), float(score[i])))
    return _completed(out, kinds, rebate, known)


def _gaps_within(kinds: np.ndarray, boxes: list[tuple], down: bool) -> tuple[list[tuple[int, int]], bool]:
    """Gaps between pictures right across rectangles of top, bottom, left, right: clear film, or a holder's bar, at which
    one picture ends or another begins all at once. From where to where they go along a strip that runs across the view,
    or `down` it, and whether each is as narrow as gaps are, or parts but a narrow piece: shadows may go on where it
    ends."""
    gaps, narrow = [], True
    for box in boxes:
        top, bottom, left, right = map(int, box[2:] + box[:2] if down else box)
        inner = (kinds.T if down else kinds)[top + 4:bottom - 3, left:right + 1]
        share = np.count_nonzero(inner == PICTURE, axis=0) / max(inner.shape[0], 1)
        turns = np.flatnonzero(np.diff(np.concatenate([[0], share < DIRTY, [0]]).astype(np.int8)))
        for low, high in zip(turns[::2].tolist(), turns[1::2].tolist()):
            if low < 6 or high > right - left - 6:
                continue
            ends = share[low - 3:low].max(), share[high:high + 3].max()
            if max(ends) > ENDS or sum(ends) > BOTH_END:
                gaps.append((low + left, high + left))
                narrow &= min(high - low, low, right - left - high) <= BROADEST * (bottom - top)
    return gaps, narrow


def _completed(found: list[Found], kinds: np.ndarray, rebate: list[np.ndarray],
               known: Sequence[np.ndarray]) -> list[Found]:
    """The strip with those pictures whose own sides hardly show, or that the view cuts: as wide as the others, at their
    pitch, where something is exposed. `known`: the rows and the columns that lie in view."""
    if not found:
        return found
    picture = kinds == PICTURE
    inside = sum(np.count_nonzero(picture[max(int(f.top) - 4, 0):int(f.bottom) + 5,
                                          max(int(f.left) - 4, 0):int(f.right) + 5]) for f in found)
    if np.count_nonzero(picture) - inside < LIT / 2 * min((f.bottom - f.top) * (f.right - f.left) for f in found):
        return found
    if len(found) > 1:
        ways = [np.ptp([f.left for f in found]) < np.ptp([f.top for f in found])]
    else:
        ways = [False, True]
    for down in ways:
        grid, maps = (kinds.T, [rebate[2].T, rebate[3].T, rebate[0].T, rebate[1].T]) if down else (kinds, rebate)
        boxes = sorted((f.top, f.bottom, f.left, f.right) if down else (f.left, f.right, f.top, f.bottom)
                       for f in found)
        more = _slots(np.array(boxes), grid, maps, len(found) > 1, (int(known[not down][0]), int(known[not down][-1])))
        if more:
            for low, high, top, bottom, supports, share, rests in more:
                edges = (low, high, top, bottom) if down else (top, bottom, low, high)
                supports, rests = ((some[3], some[2], some[1], some[0]) if down else some for some in (supports, rests))
                found = found + [Found(*map(float, edges), rests, supports, share, sum(supports))]
            return sorted(found, key=lambda f: f.top if down else f.left)
    return found


def _slots(boxes: np.ndarray, kinds: np.ndarray, rebate: list[np.ndarray], paced: bool,
           view: tuple[int, int]) -> list[tuple]:
    """Places along a strip that runs across, free and exposed: (low, high, top, bottom, supports, share of picture, rests).

    `boxes` (n, 4): low, high, top, bottom of the pictures there are. `paced`: they tell the gap. `view`: the first and the
    last column in view, which may cut a picture.
    """
    top, bottom = (int(round(v)) for v in median(boxes[:, 2:], axis=0))
    wide = int(round(median(boxes[:, 1] - boxes[:, 0])))
    height = bottom - top + 1
    gaps = boxes[1:, 0] - boxes[:-1, 1]
    # Between two pictures there is room for others, with a gap on both sides of each.
    missing = np.maximum(np.round(gaps / (1.06 * wide)), 0)
    gaps = (gaps - missing * wide) / (missing + 1)
    gaps = gaps[(gaps > 0) & (gaps < WIDEST * wide)]
    usual = float(median(gaps)) if paced and len(gaps) else None
    taken = [(float(a), float(b)) for a, b in boxes[:, :2]]
    # At the least gap there is, none may have room.
    room = 1 + wide if usual is None else max(int(usual - 0.04 * wide), 1) + IN_VIEW * wide
    if min(a for a, _ in taken) - room < view[0] and max(b for _, b in taken) + room > view[1] and not missing.any():
        return []
    enter, leave = (edges_within(plane, max(top, 0), bottom + 1) / height for plane in rebate[2:])
    share = shares_within(kinds, max(top + 3, 0), max(bottom - 2, top + 4))
    out = []
    for sign in (1, -1):
        for start in ([b for _, b in taken] if sign > 0 else [a for a, _ in taken]):
            at = start
            while True:
                gap = np.arange(1, int(WIDEST * wide)) if usual is None else \
                    np.arange(max(int(usual - 0.04 * wide), 1), int(usual + 0.04 * wide) + 2)
                lows = (at + gap if sign > 0 else at - gap - wide).astype(int)
                over = np.maximum(np.maximum(view[0] - lows, lows + wide - view[1]), 0)
                some = over <= (0 if usual is None else (1 - IN_VIEW) * wide)
                if not some.any():
                    break
                lows, gap, over = lows[some], gap[some], over[some]
                begins, stops = enter[np.maximum(lows, view[0])], leave[np.minimum(lows + wide, view[1])]
                # Of a picture that the view cuts one end alone is seen.
                value = np.where(over > 0, 2 * (begins if sign > 0 else stops), begins + stops)
                value -= 0.0 if usual is None else 2 * np.abs(gap - usual) / wide
                best = int(value.argmax())
                low, high, cut = int(max(lows[best], view[0])), int(min(lows[best] + wide, view[1])), bool(over[best] > 0)
                lit, bare, dark, void = ((s[high - 2] - s[low + 3]) / max(high - low - 5, 1) for s in share)
                free = all(high <= a + 2 or low >= b - 2 for a, b in taken)
                across = slice(low + 2, high - 1)
                ends = [float(np.max(plane[max(y - 2, 0):y + 3, across], axis=0).mean())
                        for plane, y in ((rebate[0], top), (rebate[1], bottom))]
                after, before = cut and sign > 0, cut and sign < 0
                supports = (ends[0], 0.0 if after else float(leave[high]), ends[1], 0.0 if before else float(enter[low]))
                rests = ("rebate", "view" if after else "rebate", "rebate", "view" if before else "rebate")
                seen = sum(supports)
                enough = 0.35 if usual is not None else 1.3
                beside = () if usual is None else ((low - usual, [b for _, b in taken]),
                                                   (high + usual, [a for a, _ in taken]))
                if beside and all(any(abs(edge - one) < 0.04 * wide for one in ends) for edge, ends in beside):
                    enough = 0.0                        # both its neighbours say that it is there
                if not free or lit < LIT or bare > 0.03 or dark > 0.3 or void > 0.05 or seen < enough:
                    break
                out.append((low, high, top, bottom, tuple(min(v, 1.0) for v in supports), float(lit), rests))
                taken.append((float(low), float(high)))
                if usual is None:
                    usual = float(low - at if sign > 0 else at - high)
                if cut:
                    break
                at = high if sign > 0 else low
    return out


def edges_within(plane: np.ndarray, low: int, high: int) -> np.ndarray:
    """For every column, how much evidence there is in rows `low` up to `high` on it or on one beside it; float32 (W,)."""
    low, high, _ = slice(low, high).indices(len(plane))
    whole, axis = (plane.T, 1) if plane.flags.f_contiguous else (plane, 0)
    if kernel.loops is not None and whole.flags.c_contiguous:
        out = np.empty(plane.shape[1], np.float32)
        kernel.loops.edges_within(whole, *whole.shape, low, max(high, low), axis, out)
        return out
    part = plane[low:high]
    return np.maximum(np.maximum(np.roll(part, 1, 1), np.roll(part, -1, 1)), part).sum(axis=0)


def shares_within(kinds: np.ndarray, low: int, high: int) -> list[np.ndarray]:
    """Running sums along the columns, after a nought, of the shares of PICTURE, PANEL, DARK and VOID in rows `low` up to
    `high`; each float (W + 1,)."""
    low, high, _ = slice(low, high).indices(len(kinds))
    some = PICTURE, PANEL, DARK, VOID
    whole, axis = (kinds.T, 1) if kinds.flags.f_contiguous else (kinds, 0)
    if kernel.loops is not None and whole.flags.c_contiguous:
        many = np.empty((5, kinds.shape[1]), np.int32)
        kernel.loops.tallies(whole, *whole.shape, low, max(high, low), axis, many)
        shares = many[list(some)] / max(high - low, 1)
    else:
        shares = np.array([np.count_nonzero(kinds[low:high] == kind, axis=0) for kind in some]) / max(high - low, 1)
    return [np.concatenate([[0.0], np.cumsum(share)]) for share in shares]


def _extent(picture, low, high, axis) -> np.ndarray:
    """For each pair of shared sides, at one of `low` and one of `high`, how much of the way along them is picture; float."""
    sums = sums_down(picture, axis == 0)
    lines, apart = sums[high // 2] - sums[low // 2][:, None], 0.06 * (high[None, :] - low[:, None])
    return np.maximum(2 * np.count_nonzero(lines > apart[..., None], axis=2), 1).astype(float)


def sums_down(plane: np.ndarray, across: bool) -> np.ndarray:
    """Running sums, int32, down every second column by every second pixel, after a row of nothing; `across`: the same
    of the plane turned over."""
    half = plane[::2, ::2].T if across else plane[::2, ::2]
    sums = np.zeros((half.shape[0] + 1, half.shape[1]), np.int32)
    if kernel.loops is not None and plane.flags.c_contiguous:
        kernel.loops.sum_down(plane, *plane.shape, across, sums)
    else:
        np.cumsum(half, axis=0, out=sums[1:], dtype=np.int32)
    return sums


def off_shape(ratio: np.ndarray) -> np.ndarray:
    """How far, in log, from the nearest shape that a picture has."""
    shapes, ratio = np.log(ASPECTS), np.log(ratio)
    after = np.searchsorted(shapes, ratio)
    return np.minimum(np.abs(ratio - shapes[np.maximum(after - 1, 0)]),
                      np.abs(ratio - shapes[np.minimum(after, len(shapes) - 1)]))


def _shape_bonus(ratio: np.ndarray, off: np.ndarray, aspect: float | None, cut: np.ndarray) -> np.ndarray:
    """What the shape adds to a score; of a picture that the holder or the view cuts, the format says little. One that
    falls short of its format is not worse for it: clear shadows may hide a side of it, which is found later."""
    if aspect is not None:
        near = np.exp(-0.5 * (np.log(ratio / aspect) / 0.012) ** 2)
        return np.where(cut, 0.25, 1.0) * near
    return 0.25 * np.exp(-0.5 * (off / 0.01) ** 2)


def _arrange(score, shared, ends) -> tuple[list[int], float]:
    """The best run of rectangles that share two opposite sides and do not overlap: indices and total score."""
    low, high = ends
    best: tuple[list[int], float] = ([], -np.inf)
    pair = shared[0] * 1000 + shared[1]
    key = pair * 100000 + low
    order = np.argsort(key, kind="stable")
    firsts = np.flatnonzero(np.diff(key[order], prepend=-1))
    starts = np.flatnonzero(np.diff(pair[order[firsts]], prepend=-1))
    # What no rectangle, nor the best ones of all that begin apart together, can be better than, is not looked at.
    alone = np.maximum.reduceat(score[order], firsts)
    most = np.maximum(np.maximum.reduceat(alone, starts), np.add.reduceat(np.maximum(alone, 0), starts))
    bounds = np.append(firsts[starts], len(order))
    for i in np.argsort(-most).tolist():
        if most[i] < best[1] - 1e-6:
            break
        start, end = bounds[i], bounds[i + 1]
        members = order[start:end]
        single = members[np.argmax(score[members])]
        if score[single] > best[1]:
            best = ([int(single)], float(score[single]))
        good = members[score[members] > 0]
        if len(good) < 2 or score[good].sum() <= best[1]:
            continue
        good = good[np.argsort(high[good], kind="stable")]
        chain, value = _chain(good, score, low, high)
        if value <= best[1]:
            continue
        # The pictures of a strip are alike: a run of unlike ones gives way to the best run of like ones.
        length = (high - low).astype(float)
        widths = length[list(chain)]
        if widths.max() > ALIKE * widths.min():
            runs = [_chain(good[np.abs(np.log(length[good] / w)) < np.log(ALIKE) / 2], score, low, high)
                    for w in np.unique(widths)]
            chain, value = max(runs, key=lambda run: run[1])
        if value > best[1]:
            best = (list(chain), value)
    return best


def _chain(good, score, low, high) -> tuple[tuple[int, ...], float]:
    """Weighted intervals, ordered by their far end: the best of those that do not overlap."""
    values, chains, edges = [0.0], [()], [-1]
    for i, worth, start, end in zip(good.tolist(), score[good].tolist(), low[good].tolist(), high[good].tolist()):
        k = bisect_right(edges, start + 1) - 1
        value = values[k] + worth
        if value > values[-1]:
            values.append(value)
            chains.append(chains[k] + (i,))
            edges.append(end)
    return chains[-1], values[-1]

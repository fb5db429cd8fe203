"""Rectangles of picture among rebate, holder, panel and the view's own border.

Two kinds of evidence are weighed against each other. Along a picture's side, something as bright as the base (or the
panel) outside meets something denser inside; such pairs of pixels that lie on one straight line are its edge, however
little of it shows. And what is picture should lie inside some rectangle, what is rebate outside all of them.
"""
from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from .levels import BASE, DARK, PANEL, PICTURE, VOID

STEP = 2          # pixels from an edge at which its two sides are looked at
DEEP = 5          # pixels inside a holder's edge at which there is no penumbra left
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
#: No gap between the pictures of a strip is wider, as a share of their width.
WIDEST = 0.15
#: No picture is longer, for its width, than this.
LONGEST = 3.5
ASPECTS = (1.0, 7 / 6, 1.241, 1.26, 4 / 3, 1.352, 1.413, 1.5, 2.0, 2.708, 3.0)


@dataclass(frozen=True)
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


def edge_maps(kinds: np.ndarray, density: np.ndarray, noise: float) -> tuple[list[np.ndarray], list[np.ndarray]]:
    """Evidence of sides, in the order top, bottom, left, right: of rebate meeting picture, and of holder meeting light.

    float32 and bool arrays like `kinds`, about 0..1.
    """
    clear = (kinds == BASE) | (kinds == PANEL)
    level = np.clip(density, 0, 0.4)
    dark, picture = kinds == DARK, kinds == PICTURE
    rebate, holder = [], []
    for axis in (0, 1):
        for sign in (1, -1):
            outside, inside = _pair(clear, axis, sign), _pair(level, axis, sign)
            value = (inside[1] - inside[0] - np.float32(2 * noise)) / np.float32(0.06)
            np.clip(value, 0, 1, out=value)
            value *= outside[0]
            rebate.append(_grown(value, kinds.shape, axis))
            # Past the penumbra of the holder's edge there must be picture, not rebate.
            beyond = np.roll(picture, -sign * DEEP, axis)
            lit = _pair(dark, axis, sign)[0] & _pair(picture, axis, sign)[1] & _middle(beyond, axis)
            holder.append(_grown(lit.astype(np.float32), kinds.shape, axis))
    return rebate, holder


def _pair(plane: np.ndarray, axis: int, sign: int) -> tuple[np.ndarray, np.ndarray]:
    """Views STEP before and after every pixel along an axis: (outside, inside) for an edge entered along `sign`."""
    before = plane[:-2 * STEP] if axis == 0 else plane[:, :-2 * STEP]
    after = plane[2 * STEP:] if axis == 0 else plane[:, 2 * STEP:]
    return (before, after) if sign > 0 else (after, before)


def _gate(kinds: np.ndarray) -> list[np.ndarray]:
    """Profiles across of where rebate or panel meets the holder: top, bottom (H,), left, right (W,)."""
    dark, clear = kinds == DARK, (kinds == BASE) | (kinds == PANEL)
    out = []
    for axis in (0, 1):
        for sign in (1, -1):
            meets = _pair(dark, axis, sign)[0] & _middle(np.roll(clear, -sign * DEEP, axis), axis)
            profile = np.zeros(kinds.shape[axis])
            profile[STEP:-STEP] = meets.sum(axis=1 - axis)
            out.append(profile)
    return out


def _middle(plane: np.ndarray, axis: int) -> np.ndarray:
    return plane[STEP:-STEP] if axis == 0 else plane[:, STEP:-STEP]


def _grown(value: np.ndarray, shape, axis: int) -> np.ndarray:
    out = np.zeros(shape, np.float32)
    if axis == 0:
        out[STEP:-STEP] = value
    else:
        out[:, STEP:-STEP] = value
    return out


def best_turn(rebate: list[np.ndarray], holder: list[np.ndarray]) -> float:
    """The angle in degrees at which the edges line up best."""
    points = []
    for maps, weight in ((rebate, 1.0), (holder, 0.35)):
        for i, plane in enumerate(maps):
            y, x = np.nonzero(plane > 0.15)
            if len(y) < 12:
                continue
            every = max(1, len(y) // 6000)
            y, x = y[::every], x[::every]
            value = plane[y, x] * weight * every
            along, across = (x, y) if i < 2 else (-y, x)
            points.append((along - along.mean(), across.astype(float), value))
    if not points:
        return 0.0

    def sharpness(degrees: float) -> float:
        slope, total = math.tan(math.radians(degrees)), 0.0
        for along, across, value in points:
            at = across - slope * along
            low = at.min()
            bins = np.bincount((at - low + 1).astype(int), value)
            pairs = bins[1:] + bins[:-1]
            total += float((pairs * pairs * np.sqrt(pairs)).sum())
        return total

    angles = np.arange(-MOST_TURN, MOST_TURN + 0.01, 0.5)
    for step in (0.15, 0.05):
        values = [sharpness(a) for a in angles]
        centre = angles[int(np.argmax(values))]
        angles = centre + step * np.arange(-4, 5) if step > 0.1 else centre + step * np.arange(-3, 4)
    values = np.array([sharpness(a) for a in angles])
    return float(angles[int(np.argmax(values))])


def turned(kinds: np.ndarray, density: np.ndarray, degrees: float) -> tuple[np.ndarray, np.ndarray]:
    """Both planes turned about their middle so that edges at `degrees` become upright; VOID beyond the view."""
    h, w = kinds.shape
    c, s = math.cos(math.radians(degrees)), math.sin(math.radians(degrees))
    H, W = int(h * c + w * abs(s)) + 2 * STEP + 3, int(w * c + h * abs(s)) + 2 * STEP + 3
    dy = np.arange(H, dtype=np.float32)[:, None] - np.float32((H - 1) / 2)
    dx = np.arange(W, dtype=np.float32)[None, :] - np.float32((W - 1) / 2)
    x = (dx * np.float32(c) - dy * np.float32(s) + np.float32((w - 1) / 2 + 0.5)).astype(np.int32)
    y = (dx * np.float32(s) + dy * np.float32(c) + np.float32((h - 1) / 2 + 0.5)).astype(np.int32)
    inside = (x >= 1) & (x < w) & (y >= 1) & (y < h)
    at = np.where(inside, y * w + x, 0)
    out = kinds.ravel()[at]
    out[~inside] = VOID
    return out, density.ravel()[at]


def to_plan(points, degrees: float, turned_shape, shape) -> np.ndarray:
    """Points of the turned grid in the grid it was turned from; float (n, 2) of x, y."""
    points = np.asarray(points, float)
    c, s = math.cos(math.radians(degrees)), math.sin(math.radians(degrees))
    dx, dy = points[:, 0] - (turned_shape[1] - 1) / 2, points[:, 1] - (turned_shape[0] - 1) / 2
    return np.stack([c * dx - s * dy + (shape[1] - 1) / 2, s * dx + c * dy + (shape[0] - 1) / 2], axis=1)


@dataclass(frozen=True, eq=False)
class _Lines:
    """Candidate lines of one side (top, bottom, left or right).

    Sums run along the line; `at` are positions across it.
    """

    at: np.ndarray
    what: np.ndarray           # 0 rebate, 1 holder, 2 view
    edge: np.ndarray           # (n, L + 1) running sums of evidence
    beyond: np.ndarray         # (n, L + 1) running sums of picture just outside

    def excess(self, i, low, high):
        """Evidence on lines `i` beyond `low` and `high`, as a share of the length between."""
        length = np.maximum(high - low, 1)
        edge = self.edge
        return np.clip((edge[i, -1] - edge[i, high] + edge[i, low]) / length - 0.02, 0, 0.5)

    def score(self, i, low, high):
        """Support and picture beyond, as shares of the length, of lines `i` between `low` and `high`."""
        length = np.maximum(high - low, 1)
        return (self.edge[i, high] - self.edge[i, low]) / length, (self.beyond[i, high] - self.beyond[i, low]) / length


def _lines(rebate: np.ndarray, holder: np.ndarray, picture: np.ndarray, known: np.ndarray, dark: np.ndarray,
           gate: np.ndarray, sign: int, most: int) -> _Lines:
    """Candidates across axis 0, for a side entered along `sign`."""
    profile = rebate.sum(axis=1)
    profile = profile + 0.5 * (np.roll(profile, 1) + np.roll(profile, -1))
    at = [(p, 0) for p in _peaks(profile, most, max(6.0, 0.05 * profile.max()))]
    dark = holder.sum(axis=1)
    dark = dark + 0.5 * (np.roll(dark, 1) + np.roll(dark, -1))
    at += [(p, 1) for p in _peaks(dark, 4, max(12.0, 0.1 * dark.max()))]
    at += [(p, 1) for p in _peaks(gate, 2, 12.0) if all(abs(p - q) > 3 or what != 1 for q, what in at)]
    seen = np.flatnonzero(known.mean(axis=1) > 0.5 * known.mean(axis=1).max())
    at.append((int(seen[0] if sign > 0 else seen[-1]), 2))
    length = rebate.shape[1]
    edge, beyond = np.zeros((len(at), length + 1)), np.zeros((len(at), length + 1))
    n = rebate.shape[0]
    for i, (p, what) in enumerate(at):
        source = holder if what == 1 else rebate
        # Where holder reaches the border of the view, the picture does not.
        here = source[max(p - 2, 0):p + 3].max(axis=0) if what < 2 else dark[min(max(p + sign * DEEP, 0), n - 1)]
        np.cumsum(here, out=edge[i, 1:])
        out = slice(max(p - 3, 0), max(p - 1, 1)) if sign > 0 else slice(min(p + 2, n - 1), min(p + 4, n))
        outside = picture[out].min(axis=0)
        if what == 0:
            outside = outside & (here < 0.3)        # print and a holder's penumbra may lie beyond a sliver of rebate
        np.cumsum(outside, out=beyond[i, 1:])
    return _Lines(np.array([p for p, _ in at]), np.array([k for _, k in at]), edge, beyond)


def _peaks(profile: np.ndarray, most: int, least: float) -> list[int]:
    inner = profile[1:-1]
    peaks = np.flatnonzero((inner >= profile[:-2]) & (inner > profile[2:]) & (inner >= least)) + 1
    chosen: list[int] = []
    for p in peaks[np.argsort(-profile[peaks])]:
        if all(abs(p - q) > 3 for q in chosen):
            chosen.append(int(p))
            if len(chosen) == most:
                break
    return chosen


def rectangles(kinds: np.ndarray, density: np.ndarray, noise: float, aspect: float | None = None) -> list[Found]:
    """The pictures of an upright grid, in reading order; empty when none is to be seen.

    Parameters
    ----------
    kinds, density : arrays (H, W)
        As in `levels.Parts`, turned upright.
    noise : float
        Standard deviation of density.
    aspect : float, optional
        Long side over short side, when the format is known.
    """
    rebate, holder = edge_maps(kinds, density, noise)
    picture = kinds == PICTURE
    known = kinds != VOID
    gate = _gate(kinds)
    dark = kinds == DARK
    rows = [_lines(rebate[i], holder[i], picture, known, dark, gate[i], s, 10) for i, s in ((0, 1), (1, -1))]
    columns = [_lines(rebate[i].T, holder[i].T, picture.T, known.T, dark.T, gate[i], s, 14)
               for i, s in ((2, 1), (3, -1))]
    area = WEIGHTS[kinds]
    total = max(float(picture.sum()), 1.0)
    sums = np.zeros((kinds.shape[0] + 1, kinds.shape[1] + 1))
    np.cumsum(np.cumsum(area, axis=0), axis=1, out=sums[1:, 1:])
    # Every combination of four lines.
    nt, nb, nl, nr = len(rows[0].at), len(rows[1].at), len(columns[0].at), len(columns[1].at)
    t, b, l, r = (g.ravel() for g in np.meshgrid(*map(np.arange, (nt, nb, nl, nr)), indexing="ij"))
    top, bottom, left, right = rows[0].at[t], rows[1].at[b], columns[0].at[l], columns[1].at[r]
    least = 0.05 * max(kinds.shape)
    high, wide = bottom - top, right - left
    keep = (high > least) & (wide > least) & (np.maximum(high, wide) < LONGEST * np.minimum(high, wide))
    t, b, l, r, top, bottom, left, right = (v[keep] for v in (t, b, l, r, top, bottom, left, right))
    if not len(t):
        return []
    inside = (sums[bottom, right] - sums[top, right] - sums[bottom, left] + sums[top, left]) / total
    ends, sides, supports, cut = np.zeros(len(t)), np.zeros(len(t)), [], np.zeros(len(t), bool)
    for lines, i, low, high, into in ((rows[0], t, left, right, ends), (columns[1], r, top, bottom, sides),
                                      (rows[1], b, left, right, ends), (columns[0], l, top, bottom, sides)):
        edge, beyond = lines.score(i, low, high)
        what = lines.what[i]
        cut |= what == 1
        into += np.where(what == 0, 1.2 * edge, np.where(what == 1, 0.8 * edge, 0.12 - 3 * edge)) - 1.5 * beyond
        supports.append(np.where(what == 2, 0.0, edge))
    wide, high = (right - left).astype(float), (bottom - top).astype(float)
    own = 3.0 * inside + _shape_bonus(wide / high, aspect, cut)
    over_sides = columns[0].excess(l, top, bottom) + columns[1].excess(r, top, bottom)
    over_ends = rows[0].excess(t, left, right) + rows[1].excess(b, left, right)
    score = own + ends + sides
    ratio = np.maximum(wide / high, high / wide)
    odd = ODD * ~cut * ((np.abs(np.log(ratio[:, None] / np.array(ASPECTS))).min(axis=1) > 0.035) | (ratio > 1.6))
    best = None
    for across in (False, True):
        # Two sides are shared by all the pictures of a strip: each counts by its length, once for all of them.
        if across:
            part = np.minimum(high / _extent(picture, left, right, columns, 0), 1)
            shared = ends - over_ends + own + sides * part - PRICE - odd
            chosen, value = _arrange(shared, (l, r), (top, bottom))
        else:
            part = np.minimum(wide / _extent(picture, top, bottom, rows, 1), 1)
            shared = sides - over_sides + own + ends * part - PRICE - odd
            chosen, value = _arrange(shared, (t, b), (left, right))
        if best is None or value > best[1] + 1e-9:
            best = (chosen, value)
    out = []
    names = ("rebate", "holder", "view")
    for i in best[0]:
        share = picture[top[i]:bottom[i], left[i]:right[i]].mean()
        rests = tuple(names[k] for k in (rows[0].what[t[i]], columns[1].what[r[i]], rows[1].what[b[i]],
                                         columns[0].what[l[i]]))
        out.append(Found(float(top[i]), float(bottom[i]), float(left[i]), float(right[i]), rests,
                         tuple(float(s[i]) for s in supports), float(share), float(score[i])))
    return _completed(out, kinds, rebate)


def _completed(found: list[Found], kinds: np.ndarray, rebate: list[np.ndarray]) -> list[Found]:
    """The strip with those pictures whose own sides hardly show: as wide as the others, at their pitch, where something
    is exposed."""
    if not found:
        return found
    if len(found) > 1:
        ways = [np.ptp([f.left for f in found]) < np.ptp([f.top for f in found])]
    else:
        ways = [False, True]
    for down in ways:
        grid, maps = (kinds.T, [rebate[2].T, rebate[3].T, rebate[0].T, rebate[1].T]) if down else (kinds, rebate)
        boxes = sorted((f.top, f.bottom, f.left, f.right) if down else (f.left, f.right, f.top, f.bottom)
                       for f in found)
        more = _slots(np.array(boxes), grid, maps, len(found) > 1)
        if more:
            for low, high, top, bottom, supports, share in more:
                edges = (low, high, top, bottom) if down else (top, bottom, low, high)
                sides = (supports[3], supports[2], supports[1], supports[0]) if down else supports
                found = found + [Found(*map(float, edges), ("rebate",) * 4, sides, share, sum(sides))]
            return sorted(found, key=lambda f: f.top if down else f.left)
    return found


def _slots(boxes: np.ndarray, kinds: np.ndarray, rebate: list[np.ndarray], paced: bool) -> list[tuple]:
    """Places along a strip that runs across, free and exposed: (low, high, top, bottom, supports, share of picture).

    `boxes` (n, 4): low, high, top, bottom of the pictures there are. `paced`: they tell the gap.
    """
    top, bottom = (int(round(v)) for v in np.median(boxes[:, 2:], axis=0))
    wide = int(round(np.median(boxes[:, 1] - boxes[:, 0])))
    rows = slice(max(top, 0), bottom + 1)
    height = bottom - top + 1
    enter, leave = (np.maximum(np.maximum(np.roll(plane, 1, 1), np.roll(plane, -1, 1)), plane).sum(axis=0) / height
                    for plane in (rebate[2][rows], rebate[3][rows]))
    inner = kinds[max(top + 3, 0):max(bottom - 2, top + 4)]
    share = [np.concatenate([[0.0], np.cumsum((inner == kind).mean(axis=0))]) for kind in (PICTURE, PANEL, DARK, VOID)]
    gaps = boxes[1:, 0] - boxes[:-1, 1]
    # Between two pictures there is room for others, with a gap on both sides of each.
    missing = np.maximum(np.round(gaps / (1.06 * wide)), 0)
    gaps = (gaps - missing * wide) / (missing + 1)
    gaps = gaps[(gaps > 0) & (gaps < WIDEST * wide)]
    usual = float(np.median(gaps)) if paced and len(gaps) else None
    taken = [(float(a), float(b)) for a, b in boxes[:, :2]]
    out = []
    for sign in (1, -1):
        for start in ([b for _, b in taken] if sign > 0 else [a for a, _ in taken]):
            at = start
            while True:
                best = None
                reach = range(1, int(WIDEST * wide)) if usual is None else \
                    range(max(int(usual - 0.04 * wide), 1), int(usual + 0.04 * wide) + 2)
                for gap in reach:
                    low = int(at + gap) if sign > 0 else int(at - gap - wide)
                    high = low + wide
                    if low < 0 or high >= kinds.shape[1]:
                        continue
                    value = enter[low] + leave[high] - (0.0 if usual is None else 2 * abs(gap - usual) / wide)
                    if best is None or value > best[0]:
                        best = (value, low, high)
                if best is None:
                    break
                _, low, high = best
                lit, bare, dark, void = ((s[high - 2] - s[low + 3]) / max(wide - 5, 1) for s in share)
                free = all(high <= a + 2 or low >= b - 2 for a, b in taken)
                across = slice(low + 2, high - 1)
                ends = [float(np.max(plane[max(y - 2, 0):y + 3, across], axis=0).mean())
                        for plane, y in ((rebate[0], top), (rebate[1], bottom))]
                supports = (ends[0], float(leave[high]), ends[1], float(enter[low]))
                seen = sum(supports)
                enough = 0.35 if usual is not None else 1.3
                beside = () if usual is None else ((low - usual, [b for _, b in taken]),
                                                   (high + usual, [a for a, _ in taken]))
                if beside and all(any(abs(edge - one) < 0.04 * wide for one in ends) for edge, ends in beside):
                    enough = 0.0                        # both its neighbours say that it is there
                if not free or lit < 0.04 or bare > 0.03 or dark > 0.3 or void > 0.05 or seen < enough:
                    break
                out.append((low, high, top, bottom, tuple(min(v, 1.0) for v in supports), float(lit)))
                taken.append((float(low), float(high)))
                if usual is None:
                    usual = float(low - at if sign > 0 else at - high)
                at = high if sign > 0 else low
    return out


def _extent(picture, low, high, lines, axis) -> np.ndarray:
    """For each pair of shared sides, how much of the way along them is picture; float (n,)."""
    sums = np.zeros((picture.shape[0] + 1, picture.shape[1] + 1), np.float32)
    if axis == 1:
        np.cumsum(picture, axis=0, out=sums[1:, :-1], dtype=np.float32)
    else:
        np.cumsum(picture, axis=1, out=sums[:-1, 1:], dtype=np.float32)
    key = low.astype(np.int64) * 100000 + high
    pairs, which = np.unique(key, return_inverse=True)
    extents = np.empty(len(pairs))
    for i, pair in enumerate(pairs):
        a, b = divmod(int(pair), 100000)
        line = (sums[b] - sums[a])[:-1] if axis == 1 else (sums[:, b] - sums[:, a])[:-1]
        extents[i] = max((line > 0.12 * (b - a)).sum(), 1)
    return extents[which]


def _shape_bonus(ratio: np.ndarray, aspect: float | None, cut: np.ndarray) -> np.ndarray:
    """What the shape adds to a score; of a picture that the holder cuts, the format says little. One that falls short
    of its format is not worse for it: clear shadows may hide a side of it, which is found later."""
    ratio = np.maximum(ratio, 1 / ratio)
    if aspect is not None:
        off = np.abs(np.log(ratio / aspect))
        near = np.exp(-0.5 * (off / 0.012) ** 2)
        return np.where(cut, 0.25, 1.0) * near
    off = np.abs(np.log(ratio[:, None] / np.array(ASPECTS))).min(axis=1)
    return 0.25 * np.exp(-0.5 * (off / 0.01) ** 2)


def _arrange(score, shared, ends) -> tuple[list[int], float]:
    """The best run of rectangles that share two opposite sides and do not overlap: indices and total score."""
    low, high = ends
    best: tuple[list[int], float] = ([], -np.inf)
    pair = shared[0] * 1000 + shared[1]
    order = np.argsort(pair, kind="stable")
    for members in np.split(order, np.flatnonzero(np.diff(pair[order])) + 1):
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
    for i in good.tolist():
        k = int(np.searchsorted(edges, low[i] + 1, side="right")) - 1
        value = values[k] + score[i]
        if value > values[-1]:
            values.append(value)
            chains.append(chains[k] + (i,))
            edges.append(int(high[i]))
    return chains[-1], float(values[-1])

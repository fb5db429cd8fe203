"""Pictures whose sides hardly show: stars, night, shadows as clear as the rebate.

Where little is exposed, a side is seen only where something happens to be cut by it. But all that is exposed near a
true side ends exactly there, and nothing lies outside it, save the rebate's print and dirt; a line within a picture has
more beyond. So places count by how little lies outside of them, and a side by the share of what comes near that ends on
it. What is left open is decided by the shapes that pictures have, and on a strip by its pitch.
"""
from __future__ import annotations

from dataclasses import replace
from typing import Sequence

import numpy as np

from . import kernel
from .bars import darken_bars
from .gate import NARROW, WIDE, Gate, gates
from .levels import BASE, DARK, PANEL, PICTURE, VOID, Parts, near
from .rectangles import (ASPECTS, LONGEST, STEP, Found, best_turn, counts, edge_maps, edges_within, meeting,
                         off_shape, peaks, to_plan, turned)
from .sides import Side
from .values import frozen

#: How much may be exposed outside a place that speaks for a side, as a share of the film in view: a letter's strokes.
STRAY = 0.012
#: Beside the holder lies its penumbra, plan pixels wide.
PENUMBRA = 6
#: Within so many pixels of a side what is exposed comes near it.
NEAR = 5
#: A share of a side with nothing near that leaves a side half seen.
FEW = 0.06
#: Lines of each kind tried for a side.
MOST = 7
#: Clear rows between print and picture, in plan pixels.
GAP = 3
#: Print is no taller than this share of the film in view, and no stroke of it is longer than that.
TALL, STROKE = 0.055, 0.06
#: Degrees by which pictures lie askew on their film, and film in its holder. Common practice, no source.
ALONG_FILM, ALONG_HOLDER = 0.12, 0.35
#: Nearer than this, in degrees, to how the film lies another turn is not tried.
TURNED = 0.12
#: With a lower score no picture is worth looking for at another turn; and a single picture, or a strip, this much
#: worse than the other, is none.
SPEAKS, CLEARLY = 4.5, 1.0
#: Plan pixels from a rectangle's side at which its outermost edges are looked for.
CLOSE = 4
#: What all that is exposed lying inside is worth, beside a side that is seen all along it.
INSIDE = 3.0
#: What a shape that pictures have is worth, and that of the format that was given.
SHAPED, GIVEN = 0.3, 1.6
#: A side of which more speaks needs no shape to place it; and how far one may be moved out where no format is given.
PLAIN, MOST_GROWN = 0.8, 1.35
#: Clear film on one side of a picture beyond that on the other, as a share of its size, that is nothing out of the way.
LOPSIDED = 0.06
#: Pictures of a strip along the film for one across it, and the widest gap between them for that.
ALONG = (0.741, 0.75, 1.0, 1.241, 1.357, 1.5)
WIDE_GAP = 0.14
#: The same of pictures on 135 film, and on 120.
LENGTHS = {NARROW: (0.75, 1.5, 2.708), WIDE: (0.741, 1.0, 1.241, 1.357, 1.5, 2.0, 3.0)}
#: What the gaps of a strip must show, on both their sides, to be taken for gaps.
GAPPED = 0.5
#: What it is worth that two sides lie where the film's edges or perforations have them, and, as a share of the picture
#: across the film and in plan pixels, how far gates commonly are from there.
GATED, PLAY, COARSE = 1.5, 0.004, 1.0
#: A picture of which no larger share than this is exposed is none.
FILLED = 0.004
REBATE, HOLDER, VIEW = range(3)
NAMES = ("rebate", "holder", "view")
#: Sides are kept as top, bottom, left, right, and told as top, right, bottom, left.
ORDER = (0, 3, 1, 2)


@frozen(eq=False)
class Exposed:
    """What is exposed in a plan, and the evidence of sides; lists hold tops, bottoms, lefts, rights."""

    content: np.ndarray             # bool (H, W): exposed, and neither penumbra nor print
    edges: list[np.ndarray]         # rebate meeting picture, by how little is exposed outside of it
    holder: list[np.ndarray]        # holder meeting picture
    outside: list[np.ndarray]       # how many pixels are exposed from the border of the view on
    raw: list[np.ndarray]           # rebate meeting picture, whatever lies outside
    open_: np.ndarray               # bool (H, W): film
    known: np.ndarray               # bool (H, W): within the view
    stray: float                    # pixels exposed outside that make an edge count a third


def film_in(kinds: np.ndarray) -> np.ndarray:
    """bool (H, W): base and picture."""
    return (kinds == BASE) | (kinds == PICTURE)


def _size(film: np.ndarray) -> float:
    """The side of a square as large as the film of a grid."""
    return float(np.sqrt(np.count_nonzero(film)))


def exposed(kinds: np.ndarray, maps: tuple) -> Exposed:
    """Of an upright grid and its edge maps."""
    film = film_in(kinds)
    size = _size(film)
    stray = max(STRAY * size, 2.0)
    content = exposed_pixels(kinds)
    rebate, holder = maps
    of_rows, of_columns = counts(film)
    _unprinted(content, of_rows, of_columns, size)
    _unprinted(content.T, of_columns, of_rows, size)
    outside = [*running(content), *running(content, along=True)]
    edges = [faded(plane, out, stray) for plane, out in zip(rebate, outside)]
    return Exposed(content, edges, holder, outside, rebate, film, kinds != VOID, stray)


def exposed_pixels(kinds: np.ndarray) -> np.ndarray:
    """bool (H, W): picture out of a holder's penumbra; a lone pixel is noise."""
    if kernel.loops is not None and kinds.flags.c_contiguous:
        content = np.empty(kinds.shape, bool)
        kernel.loops.content(kinds, *kinds.shape, PENUMBRA, content)
        return content
    content = (kinds == PICTURE) & ~near((kinds == DARK) | (kinds == VOID), PENUMBRA)
    others = content[:-2, 1:-1].astype(np.int8) + content[2:, 1:-1] + content[1:-1, :-2] + content[1:-1, 2:]
    content[1:-1, 1:-1] &= others >= 2
    return content


def running(content: np.ndarray, *, along: bool = False) -> list[np.ndarray]:
    """How many pixels of its column, or `along` its row, are set from the first up to each pixel, and from the last;
    float32 (H, W)."""
    if kernel.loops is not None and content.flags.c_contiguous:
        before, after = np.empty(content.shape, np.float32), np.empty(content.shape, np.float32)
        kernel.loops.outside(content, *content.shape, along, before, after)
        return [before, after]
    if along:
        return [np.ascontiguousarray(sums.T) for sums in running(content.T)]
    before = content.astype(np.float32, order="C")
    for row, last in zip(before[1:], before):            # numpy's own running sum along columns is slow
        row += last
    after = before[-1] - before
    after += content
    return [before, after]


def faded(edges: np.ndarray, outside: np.ndarray, stray: float) -> np.ndarray:
    """Evidence of edges, less by how many pixels are exposed `outside` of them; float32 (H, W)."""
    table = np.exp(-np.maximum(np.arange(max(edges.shape) + 1, dtype=np.float32) - STEP, 0) / np.float32(stray))
    if kernel.loops is not None and edges.flags.c_contiguous and outside.flags.c_contiguous:
        less = np.empty(edges.shape, np.float32)
        kernel.loops.faded(edges, edges.size, outside, table, len(table), less)
        return less
    less = np.zeros(edges.shape, np.float32)
    at = np.flatnonzero(edges > 0)
    less.ravel()[at] = edges.ravel()[at] * table[outside.ravel()[at].astype(np.intp)]
    return less


def _unprinted(content: np.ndarray, of_rows: np.ndarray, of_columns: np.ndarray, size: float) -> None:
    """Takes a line of print along the upper and the lower edge of the film out of `content`: thin, of short strokes,
    and apart from all else. How much of the rows, and of the columns, is film, is given."""
    columns, rows = np.flatnonzero(of_columns), np.flatnonzero(of_rows > 0.1 * of_rows.max())
    if not len(columns) or len(rows) < 20:
        return
    for up in (False, True):
        plane = (content[::-1] if up else content)[:, columns[0]:columns[-1] + 1]
        first = len(content) - 1 - rows[-1] if up else rows[0]
        some = plane[first:first + int(0.14 * size)].sum(axis=1) > 0.003 * plane.shape[1]
        lit = np.flatnonzero(some)
        if not len(lit):
            continue
        clear = np.flatnonzero(~some[lit[0]:])
        if not len(clear):
            continue
        low, high = lit[0], lit[0] + clear[0]
        apart = some[high:high + GAP]
        if high - low > TALL * size or len(apart) < GAP or apart.any():
            continue
        band = plane[first + low:first + high]
        places = np.arange(1, band.shape[1] + 1)
        runs = places - np.maximum.accumulate(np.where(band, 0, places), axis=1)
        if int(runs.max()) < STROKE * size:
            band[...] = False


def film_turn(kinds: np.ndarray) -> tuple[float, float] | None:
    """The direction of the film, by its edges and perforations against the panel, or of the holder's opening, and how
    well a picture keeps to it: degrees and standard deviation. None where neither shows."""
    shut, panel = kinds == DARK, kinds == PANEL
    film = (kinds == BASE) | (kinds == PICTURE)
    for outside, deviation in ((panel, ALONG_FILM), (shut, ALONG_HOLDER)):
        if outside.mean() < 0.004:
            continue
        planes = [meeting(outside, film, axis, sign) for axis in (0, 1) for sign in (1, -1)]
        if sum(float(p.sum()) for p in planes) > 0.3 * max(kinds.shape):
            return best_turn(planes, []), deviation
    return None


@frozen(eq=False)
class Seen:
    """The pictures found in a plan, the turn in degrees they were found at, and the planes so turned."""

    pictures: list[Faint]
    degrees: float
    kinds: np.ndarray
    density: np.ndarray
    exposed: Exposed
    lead: float                # of the score over that of another number of pictures


def faint_pictures(parts: Parts, noise: float, aspect: float | None, degrees: float, upright: tuple,
                   also: tuple[Found, ...] = (), film: tuple[float, float] | None = None) -> Seen | None:
    """The one picture in a plan, or those of a strip; None where nothing much speaks for any.

    `degrees` and `also` are what was found before, tried first, and `upright` the two planes so turned and their edge
    maps; `film` as in `gate.gates`.
    """
    own = round(degrees, 2)

    def grid(turn: float) -> tuple:
        """The planes at a turn, what is exposed in them, and where they may have sides."""
        kinds, density, *maps = upright if turn == own else turned(parts.kinds, parts.density, turn)
        if turn != own:
            darken_bars(kinds, density)
        seen = exposed(kinds, maps[0] if maps else edge_maps(kinds, density, noise))
        return turn, kinds, density, seen, [_Sought(seen, i) for i in range(4)], gates(kinds, film)

    def search(at: tuple, strip: bool, known: tuple[Found, ...] = ()) -> tuple | None:
        """What is found at a turn, with its score; None when nothing is."""
        turn, kinds, density, seen, sought, across = at
        if strip:
            pictures, seen = _strip_either_way(seen, sought, kinds, aspect, across)
        else:
            one = faint_rectangle(seen, sought, kinds, aspect, known, across)
            pictures = one and [one]
        return (pictures[0].score, pictures, turn, kinds, density, seen) if pictures else None

    at = grid(own)
    first = {strip: search(at, strip, also if len(also) == 1 and not strip else ()) for strip in (False, True)}
    scores = {strip: got[0] if got else -np.inf for strip, got in first.items()}
    if max(scores.values()) < SPEAKS:
        return None
    best = {strip: got for strip, got in first.items() if got and got[0] > max(scores.values()) - CLEARLY}
    wish, deviation = film_turn(parts.kinds) or (degrees, 2.0)
    if abs(wish - degrees) > TURNED:
        off = 0.05 * min(abs(own - wish) / deviation, 4.0) ** 2
        strip = scores[True] > scores[False]
        got = search(grid(round(wish, 2)), strip)
        best = {kind: (was[0] - off, *was[1:]) for kind, was in best.items()}
        if got and (strip not in best or got[0] > best[strip][0]):
            best[strip] = got
    order = sorted(best.values(), key=lambda b: -b[0])
    lead = order[0][0] - order[1][0] if len(order) > 1 else min(abs(scores[True] - scores[False]), 1.0)
    return Seen(*order[0][1:], lead)


def _strip_either_way(seen: Exposed, sought: list[_Sought], kinds: np.ndarray, aspect: float | None,
                      across: Sequence[Gate]):
    """The strip that runs across the view or down it, whichever speaks for itself more, or None; and what is exposed,
    with the edges between its pictures, which have others outside of them, at their full weight."""
    ways = [(faint_strip(seen, sought, kinds, aspect, down, across), down) for down in (False, True)]
    pictures, down = max(ways, key=lambda way: way[0][0].score if way[0] else -np.inf)
    edges = seen.raw[:2] + seen.edges[2:] if down else seen.edges[:2] + seen.raw[2:]
    return pictures, replace(seen, edges=edges)


@frozen(eq=False)
class _Side:
    """Candidate lines of one side with running sums along them."""

    at: np.ndarray          # where they lie
    what: np.ndarray        # REBATE, HOLDER, VIEW
    edge: np.ndarray        # edges on the line
    near: np.ndarray        # exposed close inside, less where much is outside
    beyond: np.ndarray      # exposed close outside
    within: np.ndarray      # the same inside
    thick: np.ndarray       # exposed far outside, more than print is thick

    def score(self, i, low, high):
        """What speaks for lines `i` between `low` and `high`, and the share of their length along which edges show."""
        length = np.maximum(high - low, 1)
        edge, near, beyond, within, thick = ((s[i, high] - s[i, low]) / length for s in (
            self.edge, self.near, self.beyond, self.within, self.thick))
        what = self.what[i]
        near = np.maximum(near, edge)
        value = edge / (near + FEW)
        # As much exposed outside as inside: any line within the picture has that.
        rebate = 1.2 * value - 1.5 * np.minimum(beyond / (within + 0.03), 1) - thick
        return np.where(what == REBATE, rebate, np.where(what == HOLDER, 0.9 * edge / (near + 0.3), 0.05)), edge


class _Sought:
    """Candidate lines of one side of an upright grid, what stands on each summed but once.

    `i`: 0 top, 1 bottom, 2 left, 3 right, all seen as tops.
    """

    def __init__(self, seen: Exposed, i: int):
        def as_top(plane):
            plane = plane if i < 2 else plane.T
            return plane if i % 2 == 0 else plane[::-1]

        self.up, self.stray, self.sums = i % 2 == 0, seen.stray, {}
        self.edges, self.holder, self.outside = as_top(seen.edges[i]), as_top(seen.holder[i]), as_top(seen.outside[i])
        self.content, self.film = as_top(seen.content), as_top(seen.open_)
        self.rebate = [(p, REBATE) for p in peaks(_thrice(self.edges.sum(axis=1)), MOST, 4.0)]
        lit, seen_along = (counts(plane)[i // 2][::1 if self.up else -1] for plane in (seen.holder[i], seen.known))
        self.others = [(p, HOLDER) for p in peaks(_thrice(lit), 3, 8.0)]
        self.others.append((int(np.flatnonzero(seen_along > 0.5 * seen_along.max())[0]), VIEW))

    def side(self, extra=()) -> _Side:
        """The candidates there are, and `extra` places."""
        at = list(self.rebate)
        at += [(p, REBATE) for p in extra if all(abs(p - q) > 1 for q, _ in at)]
        at += self.others
        for one in at:
            if one not in self.sums:
                self.sums[one] = self._sums(*one)
        where = np.array([p for p, _ in at])
        return _Side(where if self.up else len(self.content) - 1 - where, np.array([w for _, w in at]),
                     *np.stack([self.sums[one] for one in at], axis=1))

    def _sums(self, p: int, what: int) -> np.ndarray:
        """Running sums along a line: edges, near, beyond, within, thick; (5, length + 1)."""
        n, length = self.content.shape
        content, outside, stray = self.content, self.outside, self.stray
        low, high = max(p - 2, 0), min(p + 3, n)
        out = np.zeros((5, length + 1))
        edge, near, beyond, within, thick = values = out[:, 1:]
        if what == HOLDER:
            near[:] = content[min(p + PENUMBRA, n - 1):min(p + PENUMBRA + NEAR, n)].any(axis=0)
            edge[:] = self.holder[low:high].max(axis=0) * near
        else:
            edge[:] = self.edges[low:high].max(axis=0)
            zone, over = int(3 * stray), outside[max(p - 2, 0)]
            near[:] = np.exp(-over / stray) * content[p:min(p + NEAR, n)].any(axis=0)
            beyond[:] = 1 - np.exp(-(over - outside[max(p - zone, 0)]) / stray)
            np.maximum(beyond, over > outside[max(p - NEAR - 2, 0)], out=beyond)
            within[:] = 1 - np.exp(-(outside[min(p + zone, n - 1)] - outside[min(p + 1, n - 1)]) / stray)
            # Neither behind the holder nor beyond the film is there a side.
            thick[:] = np.maximum(1 - np.exp(-(over / (3 * stray)) ** 2), 2.0 * ~self.film[p])
        np.cumsum(values, axis=1, out=values)
        return out


def _thrice(profile: np.ndarray) -> np.ndarray:
    return profile + 0.5 * (np.roll(profile, 1) + np.roll(profile, -1))


def faint_strip(seen: Exposed, sought: list[_Sought], kinds: np.ndarray, aspect: float | None,
                down: bool, across: Sequence[Gate] = ()) -> list[Faint] | None:
    """Two pictures or more of an upright grid: alike, in line, at one pitch; across the view, or `down` it."""
    film = seen.open_.T if down else seen.open_
    content = seen.content.T if down else seen.content
    rebate = seen.raw[2:] if not down else [p.T for p in seen.raw[:2]]
    span = np.flatnonzero(film.any(axis=0))
    if len(span) < 60:
        return None
    first, last = int(span[0]), int(span[-1])
    across = [g for g in across if g.down == down]
    sides = [one.side(places) for one, places in zip(sought[2:] if down else sought[:2],
                                                     _places(across, seen.content.shape)[2 if down else 0:])]
    lines = []
    for j, side in enumerate(sides):
        n = len(side.at)
        value, edge = side.score(np.arange(n), np.full(n, first), np.full(n, last))
        rest = side.what != VIEW
        order = [i for i in np.argsort(-value) if rest[i] and value[i] > 0.1][:4]
        order += [i for i in range(n) if i not in order and side.what[i] == REBATE
                  and any(abs(side.at[i] - (g.high if j else g.low)) < 1 for g in across)]
        lines.append([(int(side.at[i]), float(value[i]), float(edge[i]), int(side.what[i])) for i in order])
    shapes = ALONG if aspect is None else sorted({aspect, 1 / aspect})
    worth = SHAPED if aspect is None else GIVEN
    total = max(float(content.sum()), 1.0)
    best = None
    for top, above, top_seen, top_on in lines[0]:
        for bottom, below, bottom_seen, bottom_on in lines[1]:
            high = bottom - top
            if high < 0.08 * max(kinds.shape) or (last - first) < 1.9 * high * shapes[0]:
                continue
            held = float(_held(across, down, np.array([top]), np.array([bottom]))[0])
            enter, leave = (_ends(plane, content, top + 2, bottom - 1, sign) for plane, sign in zip(rebate, (1, -1)))
            soft = [np.maximum.reduce([np.roll(v, s) - 0.04 * abs(s) for s in (-2, -1, 0, 1, 2)])
                    for v in (enter[0], leave[0])]
            lit = near_within(content, top + 2, bottom - 1, 1, 1) / max(bottom - top - 3, 1)
            filled = np.concatenate([[0.0], np.cumsum(lit * high)])
            for shape in shapes:
                got = _comb(enter[0], leave[0], soft, filled, high, shape, first, last)
                if got is None:
                    continue
                places, ends, gaps = got
                inside = min(sum(filled[b] - filled[a] for a, b in places) / total, 1.0)
                score = above + below + ends + INSIDE * inside + worth + gaps + GATED * held
                if best is None or score > best[0]:
                    best = (score, top, bottom, places, (above, below), (top_seen, bottom_seen), (top_on, bottom_on),
                            inside, enter, leave, held)
    if best is None:
        return None
    score, top, bottom, places, (above, below), (top_seen, bottom_seen), on, inside, enter, leave, held = best
    out = []
    for low, high in places:
        values = (above, leave[0][high], below, enter[0][low])
        supports = (top_seen, leave[1][high], bottom_seen, enter[1][low])
        rests = (NAMES[on[0]], "rebate", NAMES[on[1]], "rebate")
        if down:
            values, supports, rests = (v[::-1] for v in (values, supports, rests))
        t, b, l, r = (low, high, top, bottom) if down else (top, bottom, low, high)
        found = Found(float(t), float(b), float(l), float(r), tuple(rests), tuple(float(min(v, 1.0)) for v in supports),
                      float((kinds[t:b, l:r] == PICTURE).mean()), float(score))
        out.append(Faint(found, tuple(float(v) for v in values), float(score), 0.0, 0.0, float(inside), held, down))
    return out


def _ends(edges: np.ndarray, content: np.ndarray, low: int, high: int, sign: int) -> tuple[np.ndarray, np.ndarray]:
    """For every column, what speaks for a side of a picture in rows `low` up to `high` there, entered along `sign`, and
    along what share of it."""
    seen = edges_within(edges, low, high) / max(high - low, 1)
    near = np.maximum(near_within(content, low, high, sign, NEAR) / max(high - low, 1), seen)
    return 1.2 * seen / (near + FEW), seen


def near_within(content: np.ndarray, low: int, high: int, sign: int, reach: int) -> np.ndarray:
    """For every column, how many of rows `low` up to `high` are set there or within `reach` columns further along `sign`,
    itself included, all round; (W,)."""
    whole, axis = (content.T, 1) if content.flags.f_contiguous else (content, 0)
    if kernel.loops is not None and whole.flags.c_contiguous:
        many = np.empty(content.shape[1], np.int32)
        kernel.loops.near_within(whole, *whole.shape, low, high, axis, sign, reach, many)
        return many
    part = content[low:high]
    return np.count_nonzero(np.logical_or.reduce([np.roll(part, -sign * step, axis=1) for step in range(reach)]), axis=0)


def _comb(enter, leave, soft, filled, high: int, shape: float, first: int, last: int):
    """Where pictures `shape` times as wide as high lie best: places, what speaks for their ends, and for their gaps. `soft`:
    what speaks for ends within two columns."""
    wide = high * shape
    best = None
    for w in sorted({round(wide * f) for f in (0.99, 1.0, 1.01)}):
        if w < 12:
            continue
        for gap in range(max(2, round(0.015 * high)), round(WIDE_GAP * w) + 2, 1 + round(0.004 * high)):
            got = best_comb(*soft, filled, w, gap, high, first, last)
            if got is not None and (best is None or got[0] > best[0]):
                best = (*got, w, w + gap)
    if best is None:
        return None
    _, start, ends, gaps, w, pitch = best
    places = [(_snap(enter, v), _snap(leave, v + w)) for v in range(start, last - w + 1, pitch)
              if filled[v + w] - filled[v] > FILLED * w * high]
    return places, ends, gaps


def best_comb(enter: np.ndarray, leave: np.ndarray, filled: np.ndarray, w: int, gap: int, high: int, first: int,
              last: int) -> tuple[float, int, float, float] | None:
    """Where two pictures or more, `w` wide and `gap` apart, lie best: what speaks for that, the first column, what
    speaks for their ends, and for their gaps; None where they lie nowhere."""
    if kernel.loops is not None:
        return kernel.loops.best_comb(enter, leave, filled, len(filled), w, gap, first, last, high, FILLED * w * high,
                                      GAPPED, INSIDE)
    pitch = w + gap
    most = (last - first + gap) // pitch
    # What is seen within two columns counts, so every second will do.
    start = np.arange(first, first + min(pitch, last - first - 2 * pitch + gap + 1), 2)
    if most < 2 or not len(start):
        return None
    at = start[:, None] + pitch * np.arange(most)[None, :]
    ok = at + w <= last
    low, far = np.where(ok, at, 0), np.where(ok, at + w, 0)
    held = np.where(ok, filled[far] - filled[low], 0.0)
    ok &= held > FILLED * w * high
    # Nothing is exposed in a gap, nor beyond the first and the last picture.
    clear = max(gap - 3, 2)
    after, ahead = at + (w + 2), at - (2 + clear)
    sums = [filled[np.clip(v, 0, len(filled) - 1)] for v in (after + clear, after, ahead + clear, ahead)]
    spoilt = np.where(ok, (sums[0] - sums[1] + sums[2] - sums[3]) / (high * clear), 0.0)
    count = ok.sum(axis=1)
    ends = np.where(ok, enter[low] + leave[far], 0.0).sum(axis=1) / np.maximum(count, 1)
    pairs = ok[:, :-1] & ok[:, 1:]
    quality = np.where(pairs, (leave[far][:, :-1] + enter[low][:, 1:]) / 2 - GAPPED, 0.0)
    gaps = 0.6 * quality.sum(axis=1) - 2.5 * spoilt.sum(axis=1)
    value = ends + gaps + INSIDE * held.sum(axis=1) / max(filled[-1], 1.0)
    value[(count < 2) | (pairs.sum(axis=1) < count - 1)] = -np.inf
    i = int(value.argmax())
    return None if value[i] == -np.inf else (float(value[i]), int(start[i]), float(ends[i]), float(gaps[i]))


def _snap(values: np.ndarray, at: int) -> int:
    """The column within two pixels where an end is seen best; the same where none is."""
    near = values[max(at - 2, 0):at + 3]
    return max(at - 2, 0) + int(near.argmax()) if near.max() > 0.4 else at


@frozen
class Faint:
    """A rectangle and what speaks for it."""

    found: Found
    values: tuple[float, float, float, float]      # for its sides: top, right, bottom, left
    score: float                                   # in all
    lead: float                                    # that over any other rectangle's; 0 on a strip
    fits: float                                    # for its shape
    inside: float                                  # share of all that is exposed
    held: float                                    # how well two sides lie where the film has them, 0..1,
    down: bool                                     # left and right, and not top and bottom


def outlines(seen: Exposed, density: np.ndarray, found: Found, degrees: float, shape: tuple[int, int],
             k: int) -> tuple[Side | None, ...]:
    """The sides (top, right, bottom, left) of a rectangle along the outermost edges close to them, in pixels of the
    proxy; None for one that does not rest on rebate, or with too little to go by. `shape` is that of the plan."""
    corners = ((found.left, found.top), (found.right, found.top), (found.right, found.bottom),
               (found.left, found.bottom))
    out: list[Side | None] = []
    for i, (j, at) in enumerate(zip(ORDER, (found.top, found.right, found.bottom, found.left))):
        plane = seen.edges[j] if j < 2 else seen.edges[j].T
        (ax, ay), (bx, by) = corners[i], corners[(i + 1) % 4]
        start, end = (ax, bx) if j < 2 else (ay, by)
        low, high = int(min(start, end)), int(max(start, end))
        first = max(int(at) - CLOSE, 0)
        rows, columns = np.nonzero(plane[first:int(at) + CLOSE + 1, low:high] > 0.15)
        if found.rests[i] != "rebate" or len(rows) < 12:
            out.append(None)
            continue
        weight = plane[rows + first, columns + low].astype(float)
        across = (rows + first - at) * (1.0 if j in (0, 2) else -1.0)
        half = (high - low) / 2
        s = (columns + low - (start + end) / 2) / half * (1 if end > start else -1)
        best = (-1.0, 0.0, 0.0)
        for slope in np.tan(np.radians(np.arange(-0.6, 0.61, 0.05))) * half:
            bins = np.bincount(((across - slope * s + 2 * CLOSE + half * 0.02) * 2).astype(int), weight)
            sums = np.convolve(bins, (0.5, 1, 1, 1, 0.5), "same")
            # A side keeps to the rectangle unless much else is to be seen.
            places = (np.arange(len(sums)) + 0.5) / 2 - 2 * CLOSE - half * 0.02
            sums = sums * np.maximum(1 - 0.18 * np.abs(places), 0) - 30 * abs(slope) / half / 0.0105
            top = int(sums.argmax())
            best = max(best, (float(sums[top]), float(slope), float(places[top])))
        _, slope, offset = best
        some = np.unique(columns[np.abs(across - offset - slope * s) < 1.6])
        s = (some + low - (start + end) / 2) / half * (1 if end > start else -1)
        across, weight, inner = _half_light(density if j < 2 else density.T, some + low, at, 1 if j in (0, 2) else -1,
                                     offset + slope * s)
        # Evidence of an edge begins before the light has fallen half way.
        first, offset = offset, offset + 0.8
        for _ in range(3):
            rest = across - offset - slope * s
            use = weight * (np.abs(rest) < 1.6)
            if use.sum() < 3:
                break
            offset = float(np.clip(offset + (use * rest).sum() / use.sum(), first - 0.5, first + 2.0))
            if np.ptp(s[use > 0]) > 0.8:
                middle = float((use * s).sum() / use.sum())
                lever = use * (s - middle)
                slope += float((lever * rest).sum() / ((lever * (s - middle)).sum() + 0.05 * len(s) + 2))
        good = (weight > 0) & (np.abs(across - offset - slope * s) < 1.6)
        lines = np.where(j in (0, 2), 1.0, -1.0) * across[good] + at
        places = np.stack([some[good] + low, lines] if j < 2 else [lines, some[good] + low], axis=1)
        points = np.column_stack([to_plan(places, degrees, plane.shape if j < 2 else plane.shape[::-1], shape) * k
                                  + (k - 1) / 2, weight[good], inner[good], np.full(len(places), np.nan)])
        reach = float(np.ptp(s[good]) / 2) if good.any() else 0.0
        out.append(Side(offset * k, slope * k, 0.0, float(good.sum() / max(high - low, 1)), reach, float(k), points))
    return tuple(out)


def _half_light(density: np.ndarray, columns: np.ndarray, at: float, sign: int, guess: np.ndarray):
    """Where the light, coming from outside along `columns`, has fallen half way: pixels inwards from row `at`, and 0
    where that is not to be seen, else 1; and the density inside.

    `guess` is where that should be; `sign` is 1 where the rows run inwards.
    """
    first = np.rint(at + sign * guess).astype(int) - 4 * sign
    rows = first[:, None] + sign * np.arange(11)[None, :]
    light = 10.0 ** -np.clip(density[np.clip(rows, 0, len(density) - 1), columns[:, None]], 0.0, 2.5)
    inner = light[:, 4:].min(axis=1)
    half = (1 + inner) / 2
    dark = light < half[:, None]
    i = np.maximum(dark.argmax(axis=1), 1)
    each = np.arange(len(rows))
    before, after = light[each, i - 1], light[each, i]
    share = np.clip((before - half) / np.maximum(before - after, 1e-6), 0, 1)
    known = ~dark[:, 0] & dark.any(axis=1) & (half < 0.95)
    return sign * (first - at) + i - 1 + share, known.astype(float), -np.log10(inner)


def faint_rectangle(seen: Exposed, sought: list[_Sought], kinds: np.ndarray, aspect: float | None = None,
                    also: tuple[Found, ...] = (), across: Sequence[Gate] = ()) -> Faint | None:
    """The one picture of an upright grid; `also` are rectangles to try, `across` where the film may have its sides."""
    h, w = kinds.shape
    if seen.content.sum() < 30:
        return None
    extra = [[f.top for f in also], [h - 1 - f.bottom for f in also], [f.left for f in also],
             [w - 1 - f.right for f in also]]
    extra = [one + more for one, more in zip(extra, _places(across, (h, w)))]
    sums = sums_along(seen.outside[0])
    for last in (False, True):
        sides = [one.side([int(round(v)) for v in places]) for one, places in zip(sought, extra)]
        combined = _combined(seen, sides, sums, aspect, across)
        if combined is None:
            return None
        i, at, values, supports, inside, fit, held, score = combined
        if not last:
            best = int(np.argmax(score - fit))
            more = _completing(at[:, best], [v[best] for v in values], seen, aspect)
            extra = [one + other for one, other in zip(extra, more)]
    best = int(np.argmax(score))
    top, bottom, left, right = (int(v) for v in at[:, best])
    far = (np.abs(at - at[:, best, None]) > 0.008 * max(bottom - top, right - left)).any(axis=0)
    lead = float(score[best] - score[far].max()) if far.any() else 1.0
    rests = tuple(NAMES[sides[j].what[i[j][best]]] for j in ORDER)
    share = kinds[top:bottom, left:right] == PICTURE
    found = Found(float(top), float(bottom), float(left), float(right), rests,
                  tuple(float(supports[j][best]) for j in ORDER), float(share.mean()), float(score[best]))
    return Faint(found, tuple(float(values[j][best]) for j in ORDER), float(score[best]), lead, float(fit[best]),
                 float(inside[best]), float(held[:, best].max()), bool(held[1, best] > held[0, best]))


def _places(across: Sequence[Gate], shape: tuple[int, int]) -> list[list[int]]:
    """Where the film has sides (top, bottom, left, right), counted from the border of each, in a grid of this shape."""
    out: list[list[int]] = [[], [], [], []]
    for g in across:
        size = shape[1 if g.down else 0]
        for i, at in ((2 * g.down, round(g.low)), (2 * g.down + 1, round(size - 1 - g.high))):
            if 0 <= at < size:
                out[i].append(at)
    return out


def _held(across: Sequence[Gate], down: bool, low: np.ndarray, high: np.ndarray) -> np.ndarray:
    """How well sides lie where the film has them, 0..1; (n,)."""
    out = np.zeros(len(low))
    for g in across:
        if g.down == down:
            off = np.maximum(np.abs(low - g.low), np.abs(high - g.high)) / (PLAY * (g.high - g.low) + COARSE)
            np.maximum(out, np.exp(-0.5 * off ** 2), out=out)
    return out


def sums_along(plane: np.ndarray) -> np.ndarray:
    """Running sums of a float32 plane along its rows, after a row and a column of nothing."""
    h, w = plane.shape
    sums = np.zeros((h + 1, w + 1), np.float32)
    if kernel.loops is not None and plane.flags.c_contiguous:
        kernel.loops.sum_along(plane, h, w, sums)
    else:
        np.cumsum(plane, axis=1, out=sums[1:, 1:])
    return sums


def _combined(seen: Exposed, sides: list[_Side], sums: np.ndarray, aspect: float | None, across: Sequence[Gate] = ()):
    """Every combination of four lines: which, where (4, n), what speaks for each side, and in all."""
    tops, bottoms, lefts, rights = (s.at for s in sides)
    high, wide = (bottoms[None, :] - tops[:, None])[:, :, None, None], (rights[None, :] - lefts[:, None])[None, None]
    short, long = np.minimum(high, wide), np.maximum(high, wide)
    i = np.nonzero((short > 0.15 * max(seen.content.shape)) & (long < LONGEST * short))
    if not len(i[0]):
        return None
    at = np.stack([s.at[j] for s, j in zip(sides, i)])
    top, bottom, left, right = at
    high, wide = bottom - top, right - left
    inside = (sums[bottom, right] - sums[top, right] - sums[bottom, left] + sums[top, left]) / sums[-1, -1]
    values, supports = [], []
    for n, side in enumerate(sides):
        # A line's score is its own and that of the two across it between which it runs.
        ends = (2, 3) if n < 2 else (0, 1)
        tables = side.score(np.arange(len(side.at))[:, None, None], sides[ends[0]].at[None, :, None],
                            sides[ends[1]].at[None, None, :])
        value, support = (table[i[n], i[ends[0]], i[ends[1]]] for table in tables)
        values.append(value)
        supports.append(support)
    ratio = np.maximum(wide / high, high / wide)
    if aspect is None:
        fit = SHAPED * np.exp(-0.5 * (off_shape(ratio) / 0.006) ** 2)
    else:
        fit = GIVEN * np.exp(-0.5 * (np.log(ratio / aspect) / 0.008) ** 2)
    held = np.stack([_held(across, False, top, bottom), _held(across, True, left, right)])
    if aspect is None and across:
        long = np.where(held[0] > held[1], wide / high, high / wide)[:, None] / np.array(LENGTHS[across[0].film])
        of_film = SHAPED * np.exp(-0.5 * (np.abs(np.log(long)).min(axis=1) / 0.006) ** 2)
        fit = np.where(held.max(axis=0) > 0.5, of_film, fit)
    cut = np.any([side.what[j] != REBATE for side, j in zip(sides, i)], axis=0)
    fit = np.where(cut, 0.0, fit)
    film = []
    for share in counts(seen.open_):
        rows = np.flatnonzero(share > 0.5 * share.max())
        film += [rows[0], rows[-1]]
    odd = sum(np.clip(3 * (np.abs((at[a] - film[a]) - (film[a + 1] - at[a + 1])) / length - LOPSIDED), 0, 0.6)
              for a, length in ((0, high), (2, wide)))
    return (i, at, values, supports, inside, fit, held,
            sum(values) + INSIDE * inside + fit + GATED * held.max(axis=0) - odd)


def _completing(at, values, seen: Exposed, aspect: float | None) -> list[list[float]]:
    """For each side, where it would be, were the other three right and the picture of a shape that there is; counted
    from its own border."""
    top, bottom, left, right = (float(v) for v in at)
    high, wide = bottom - top, right - left
    h, w = seen.content.shape
    most = MOST_GROWN if aspect is None else 2.0
    out: list[list[float]] = [[], [], [], []]
    for shape in ASPECTS if aspect is None else (aspect,):
        for ratio in {shape, 1 / shape}:
            for j, size, length, place in ((0, wide * ratio, high, bottom - wide * ratio),
                                           (1, wide * ratio, high, h - 1 - (top + wide * ratio)),
                                           (2, high * ratio, wide, right - high * ratio),
                                           (3, high * ratio, wide, w - 1 - (left + high * ratio))):
                if (aspect or values[j] < PLAIN) and 0.985 < size / length < most and place >= 0:
                    out[j].append(place)
    return out

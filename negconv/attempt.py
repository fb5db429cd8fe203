"""One attempt at the frames of a capture: what its plan shows, taken one even tone for the base."""
from __future__ import annotations

import math
from dataclasses import replace
from typing import Iterable, Iterator, Sequence

import numpy as np

from .bars import darken_bars
from .gate import Gate, by_perforations
from .levels import BASE, PANEL, PICTURE, VOID, Level, Parts, bare_panel, parts
from .rectangles import STEP, Found, edge_maps, rectangles, tally, turn_of, turned
from .robust import median
from .values import frozen

#: The share of a picture that may be brighter than its base: pinholes and scratches.
BRIGHTER = 0.006
#: What a darker tone may fall short of a brighter one in merit where it surrounds the pictures inside the other's.
NESTED = 0.5
#: The same where nothing in its pictures is brighter.
SURROUNDED = 1.2
#: Log light in blue less that in green that no camera sees through the mask of colour film.
BLUISH = -0.35
#: Log light, of a capture not flattened, that is saturated.
SATURATED = -0.007
#: A base whose spread is so many times that of a larger and darker tone is a gradient.
UNEVEN = 3.0
#: No more tones than this are tried for the base.
ATTEMPTS = 4
#: Two tones closer than this in log light may be one.
SKIRT = 0.06
#: A base is not denser than this, beside the panel, in the channel that sees it clearest.
DENSE = 0.62
#: A picture has less of the base's tone in it than this where the base may be a strip of panel.
STRIP = 0.01
#: How far, as a share of half a picture across the film, its sides may be from where the film has them.
ASIDE = 0.06
#: By so much density a picture begins there.
BEGUN = 0.06
#: Between so many millimetres from a picture on 135 film, perforations take more than this share of the film, where they show.
HOLES, SOME_HOLES = (3.0, 1.2), 0.2
#: Rebate is fogged where more than this of it, along the pictures, is no longer clear.
FOGGY = 0.4
#: Where less than this of what surrounds a picture is clear, the holder covers all of the rebate but a sliver.
SLIVER = 0.05
#: So little of all that is exposed lies by dirt alone outside a picture.
NOTHING_ELSE = 0.02
#: Past a side seen along more than this, as is one of those beside it, and a gap with no more picture in it than this,
#: lies the next picture of the strip.
PLAIN_SIDE, EMPTY = 0.35, 0.05
#: Film that has one tone in more than this share of it may be without a picture.
BLANK = 0.5
#: Log light within which a band along a side has one tone; how much of a side it takes, and how many of the sides.
BAND, MUCH, NEARLY = 0.08, 0.35, 0.7
INSETS = (3, 5, 8, 12, 17)
#: Beside a picture there is room for another where film, but for this share of dirt, goes on for this share of its length.
DIRT, ROOM = 0.2, 0.97
#: Of a line of print, or the edge of film or holder, taken for a side: how far inside it, as a share of the picture, the
#: side is looked for; how much of a row is exposed in it, and, as shares of that, what ends within two rows, and what
#: there is between it and the picture, at most; and along how much of that the side shows, as a share of what the line does.
LETTERS, PRINTED, SHARP, BETWEEN, SHOWN = 0.045, 0.12, 0.7, 0.25, 0.5
#: So much further, as a share of the picture, film goes on beyond one side than beyond the others where this is none; what
#: lies so close outside a side is its blur.
LOPSIDED, CLOSE = 0.06, 2
#: A thin line exposed along more than this of a side is no print, and no picture either; a band of more such rows is picture.
LINE, THIN = 0.8, 4


def lopsided(attempt: Attempt) -> tuple[int, float, float] | None:
    """Of the one picture found, the side (0 top, 1 right, 2 bottom, 3 left) beyond which film goes on, to panel or holder,
    much further than beyond the others, and how far from the one across its start and its end would be, in plan pixels, were
    it as close to there as those others are beyond which the film's end is in view. None where there is none. Pictures lie in
    the middle of a sheet of film, and of an opening made for one."""
    if len(attempt.found) != 1 or set(attempt.found[0].rests) != {"rebate"}:
        return None
    f, kinds = attempt.found[0], attempt.kinds
    t, b, l, r = int(f.top), int(f.bottom), int(f.left), int(f.right)
    free = [_film_beyond(plane) for plane in (kinds[t - 1::-1, l:r], kinds[t:b, r + 1:].T, kinds[b + 1:, r - 1:l - 1:-1],
                                              kinds[b - 1:t - 1:-1, l - 1::-1].T)]
    for i, size in enumerate((b - t, r - l, b - t, r - l)):
        start, end = free[i]
        others = [far for far in (sum(free[j]) / 2 for j in range(4) if j != i) if not math.isnan(far)]
        if others and (start + end) / 2 > max(sum(free[i - 2]) / 2 + LOPSIDED * size, 2 * max(others)):
            usual = float(median(np.array(others)))
            return i, size + start - usual, size + end - usual
    return None


def _film_beyond(plane: np.ndarray) -> tuple[float, float]:
    """How far film goes on down a plane, at its first column and its last, until panel or holder; not numbers where the view
    ends before."""
    if len(plane) <= CLOSE or plane.shape[1] < 3:
        return math.nan, math.nan
    ends = (plane[CLOSE:] != BASE) & (plane[CLOSE:] != PICTURE)
    first = CLOSE + ends.argmax(axis=0)
    shown = ends.any(axis=0) & (plane[first, np.arange(plane.shape[1])] != VOID)
    third = plane.shape[1] // 3
    one, other = (float(median(first[some][shown[some]])) if 2 * np.count_nonzero(shown[some]) > third else math.nan
                  for some in (slice(0, third), slice(-third, None)))
    return one - (other - one) / 4, other + (other - one) / 4


def promising(bases: list[Level]) -> list[Level]:
    """Of the tones that may be the base no more than can be tried, brightest first: the brightest and the largest."""
    if len(bases) <= ATTEMPTS:
        return bases
    least = sorted(base.share for base in bases[1:])[1 - ATTEMPTS]
    return [base for i, base in enumerate(bases) if i == 0 or base.share >= least]


@frozen(eq=False)
class Attempt:
    """Rectangles found with one tone taken for the base."""

    base: Level
    kinds: np.ndarray           # turned upright
    density: np.ndarray
    maps: tuple                 # their edge maps
    degrees: float
    parts: Parts                # not turned
    found: tuple[Found, ...]
    shape: tuple[int, int]      # of the plan, not turned
    brighter: float             # share of the pixels inside them that let through more than this base
    clear: float                # share of them that are as clear as it
    astray: float               # share of all picture pixels that lie outside them and those next to them on the strip
    lined: float                # share of base, and not panel, in what is clear around them
    beside: float               # share of the view that is base outside them
    across: tuple[Gate, ...]    # where perforations have their sides; none where there are no rectangles

    @property
    def merit(self) -> float:
        """How well this base explains the capture: 1 when every side is seen, all picture inside, nothing brighter."""
        if not self.found:
            return -1.0
        seen = [sum({"rebate": 1.0, "holder": 0.8}.get(on, 0.0) * s + 0.25 * (on == "view")
                    for on, s in zip(f.rests, f.support)) / 4 for f in self.found]
        return self.lined * float(median(seen)) - 6 * min(self.brighter, 0.1) - 1.5 * min(self.astray, 0.6)


def baseless(attempt: Attempt) -> bool:
    """Whether what was found may as well be lines within a picture that fills the view."""
    if max(s for f in attempt.found for s in f.support) < 0.25:
        return True
    # Much may lie astray in the pictures next to it on the strip, but then its own sides are plain.
    if attempt.astray > 0.3 and float(median([min(f.support) for f in attempt.found])) < 0.9:
        return True
    h, w = attempt.kinds.shape
    doubtful = 0
    for f in attempt.found:
        # Where a side is not in view, the others must be plain, or a sliver along the view's border.
        margins = (f.top / h, 1 - f.right / w, 1 - f.bottom / h, f.left / w)
        # Where nothing exposed lies past two sides, that is hardly by chance, though clear shadows touch them.
        plain = 0.6 if attempt.astray < NOTHING_ELSE and f.rests.count("rebate") > 1 else 0.93
        # Of a side along the view's border the view may show no more than a wedge.
        if "view" in f.rests and any(s < (0.1 if margin < 0.03 else 0.3 if margin < 0.06 else plain)
                                     for on, s, margin in zip(f.rests, f.support, margins) if on != "view"):
            doubtful += 1
    # The more of a strip's pictures speak for the others.
    return doubtful > 0 and 2 * doubtful >= len(attempt.found)


def bases_in(tones: Iterable[Level], flattened: bool | None) -> Iterator[Level]:
    """The tones that may be the base, brightest first: none is much denser, in its clearest channel, than the rest."""
    panel, some, tones = None, [], list(tones)
    for tone in tones:
        if bare_panel(tone, flattened) or not flattened and _past_masked_film(tone, tones):
            panel = tone
            some = []
            continue
        # A weaker tone just below another is its skirt.
        near = any(max(abs(np.array(tone.log) - np.array(o.log))) < SKIRT and tone.share < o.share for o in some)
        if not some or max(np.array(tone.log) - np.array(some[0].log)) > -DENSE:
            some.append(tone)
            if not near:
                yield tone
    if panel is not None and not some:
        yield panel


def _past_masked_film(tone: Level, tones: Iterable[Level]) -> bool:
    """Whether a tone is the panel beside colour film: much of the view is orange against it, and it is not orange itself;
    the more so if its blue is saturated, which the mask dims most.
    The orange is the mask's: clear in red, and of 0.4 to 0.8 more in blue (common practice, no source)."""
    if tone.log[2] - tone.log[1] < BLUISH:
        return False
    for other in tones:
        red, green, blue = np.array(tone.log) - other.log
        much = other.share > (0.1 if tone.log[2] > SATURATED else max(0.1, 5 * tone.share))
        if much and red < 0.4 and green > red + 0.2 and blue > red + 0.45:
            return True
    return False


def is_skirt(base: Level, tones: Iterable[Level]) -> bool:
    """Whether a tone is a gradient, as beside leaking light: the base of film is as even as any larger, darker tone."""
    return any(base.spread > UNEVEN * other.spread and other.share > base.share and sum(other.log) < sum(base.log)
               for other in tones)


def attempted(log: np.ndarray, base: Level, aspect: float | None, degrees: float | None = None) -> Attempt:
    """What a plan (log light) shows, taken one of its tones for the base; its turn may be known."""
    judged = parts(log, base)
    degrees = turn_of(judged.kinds, judged.density, base.spread) if degrees is None else degrees
    kinds, density = turned(judged.kinds, judged.density, degrees)
    darken_bars(kinds, density)
    across = tuple(by_perforations(kinds))
    clear_fog(kinds, density, across)
    maps = edge_maps(kinds, density, base.spread)
    found = rectangles(kinds, density, base.spread, aspect, maps)
    if len(found) == 1:
        found = [unprinted(found[0], kinds, maps)]
    within, around = np.zeros(5, int), 0
    for f in found:
        t, b, l, r = int(f.top), int(f.bottom), int(f.left), int(f.right)
        within += tally(kinds, t, b, l, r)
        around += int(tally(kinds, max(t - 4, 0), b + 5, max(l - 4, 0), r + 5)[PICTURE])
    size, picture = max(int(within.sum()), 1), max(int(np.count_nonzero(kinds == PICTURE)), 1)
    around += _next_to(kinds, found)
    known, clear = (int(np.count_nonzero(some)) for some in (kinds != VOID, kinds == BASE))
    return Attempt(base, kinds, density, maps, degrees, judged, tuple(found), log.shape[1:], float(within[PANEL] / size),
                    float(within[BASE] / size), float(max(1 - around / picture, 0.0)),
                    float(median([_lined(kinds, f) for f in found] or [0.0])), max(clear - int(within[BASE]), 0) / max(known, 1),
                    across)


def clear_fog(kinds: np.ndarray, density: np.ndarray, across: Sequence[Gate]) -> None:
    """Makes rebate clear that perforations tell from the pictures, where these begin in it and much of it is fogged."""
    for g in across[:1]:
        reach = ASIDE * (g.high - g.low) / 2
        planes = (kinds.T, density.T) if g.down else (kinds, density)
        for line, sign in ((g.low, 1), (g.high, -1)):
            some, dense = (plane if sign > 0 else plane[::-1] for plane in planes)
            line = line if sign > 0 else len(some) - 1 - line
            first, last = max(int(line - reach), 3 * STEP), min(int(line + reach), len(some) - STEP - 1)
            holes = some[max(int(line - HOLES[0] * g.scale), 0):max(int(line - HOLES[1] * g.scale), 0)]
            if first >= last or not holes.size or np.count_nonzero(holes == PANEL) < SOME_HOLES * holes.size:
                continue
            steps = np.clip((dense[first + STEP:last + STEP] - dense[first - STEP:last - STEP]) / BEGUN, 0, 1)
            film = (some[first - STEP:last - STEP] == PICTURE) | (some[first - STEP:last - STEP] == BASE)
            seen = (steps * film).sum(axis=1) / np.maximum(np.count_nonzero(film, axis=1), 1)
            if seen.max() < PLAIN_SIDE:
                continue
            at = first + int(seen.argmax())
            outside = some[at - 3 * STEP:at - STEP]
            if np.count_nonzero(outside == PICTURE) > FOGGY * np.count_nonzero(outside != VOID):
                fogged = some[:at] == PICTURE
                np.putmask(some[:at], fogged, BASE)
                np.putmask(dense[:at], fogged, 0)


def unprinted(f: Found, kinds: np.ndarray, maps: tuple) -> Found:
    """A rectangle whose sides lie inside any line of print, or other thin thing along them: within it is a row of rebate,
    clear all along, and then an edge again."""
    for i in range(4):
        for _ in range(3):
            inner = _inside_print(f, i, kinds, maps)
            if inner is None:
                break
            f = inner
    return f


def _inside_print(f: Found, i: int, kinds: np.ndarray, maps: tuple) -> Found | None:
    """The same with side `i` (top, right, bottom, left) moved in past what may be print, once; None where there is none."""
    if f.rests[i] == "view":
        return None
    across, along = ((f.top, f.bottom), (f.left, f.right)) if i in (0, 2) else ((f.left, f.right), (f.top, f.bottom))
    deep = int(LETTERS * max(f.bottom - f.top, f.right - f.left))
    some = slice(int(along[0]) + 8, int(along[1]) - 7)
    up, at = i in (0, 3), int(across[0] if i in (0, 3) else across[1])
    rows = at + (1 if up else -1) * np.arange(deep)
    if deep < 8 or some.stop - some.start < 30 or rows.min() < 2 or rows.max() > kinds.shape[0 if i in (0, 2) else 1] - 3:
        return None
    sheet = kinds[rows, some] if i in (0, 2) else kinds[some, rows[0]:rows[-1] + 1] if up else kinds[some, rows[-1]:at + 1]
    if i in (1, 3):
        sheet = sheet.T if up else sheet[:, ::-1].T
    exposed, clear = (sheet == PICTURE).mean(axis=1), (sheet == BASE).mean(axis=1)
    edges = maps[0][(0, 3, 1, 2)[i]]
    first = int(exposed[:6].argmax())
    between = np.flatnonzero((exposed < BETWEEN * exposed[first]) & (clear > 1 - BETWEEN))
    between = between[between > first]
    if exposed[first] < PRINTED or not len(between):
        return None
    # Letters end at once, and leave gaps; what fades, or has none, is picture.
    band = exposed[first:between[0]]
    if exposed[max(between[0] - 2, first)] < SHARP * median(band) or np.count_nonzero(band > LINE) > THIN:
        return None
    edges = edges[rows.min() - 1:rows.max() + 2, some] if i in (0, 2) else edges[some, rows.min() - 1:rows.max() + 2].T
    near = np.ascontiguousarray(np.maximum(np.maximum(edges[:-2], edges[1:-1]), edges[2:])).mean(axis=1)[::1 if up else -1]
    inner = near[between[0]:]
    least = PRINTED if exposed[first] > LINE else max(SHOWN * max(f.support[i], near[0]), PRINTED)
    if not len(inner) or inner.max() < least:
        return None
    # The first edge that is about as plain as any.
    step = between[0] + int(np.flatnonzero(inner > 0.9 * inner.max()).mean())
    name = ("top", "right", "bottom", "left")[i]
    return replace(f, rests=tuple("rebate" if j == i else on for j, on in enumerate(f.rests)),
                   support=tuple(float(inner.max()) if j == i else s for j, s in enumerate(f.support)),
                   **{name: float(rows[min(step, deep - 1)])})


def _next_to(kinds: np.ndarray, found) -> int:
    """How many pixels of picture lie in line with the pictures of a strip, past plain sides of the first and the last,
    where there is no room for a whole one: the view shows some of the next."""
    most, (h, w) = 0, kinds.shape
    for down in (False, True):
        some = 0
        ends = sorted(found, key=lambda f: f.top if down else f.left)
        for f, side in zip(ends[:1] + ends[-1:], (0, 2) if down else (3, 1)):
            beside = (side - 1, (side + 1) % 4)
            if f.rests[side] == "view" or min(f.support[side], max(f.support[i] for i in beside)) < PLAIN_SIDE:
                continue
            t, b, l, r = max(int(f.top) - 4, 0), int(f.bottom) + 5, max(int(f.left) - 4, 0), int(f.right) + 5
            past = ((slice(0, t), slice(l, r)), (slice(t, b), slice(r, w)), (slice(b, h), slice(l, r)),
                    (slice(t, b), slice(0, l)))[side]
            lines = np.count_nonzero(kinds[past] == PICTURE, axis=int(down))
            lines = lines if side in (1, 2) else lines[::-1]
            long, across = (b - t, r - l) if down else (r - l, b - t)
            reach = np.flatnonzero(lines > 2 * EMPTY * across)
            if len(reach) and reach[-1] + 5 < long and 2 <= reach[0] and lines[:reach[0]].min() < EMPTY * across:
                some += int(lines.sum())
        most = max(most, some)
    return most


def roomy(kinds: np.ndarray, found: Sequence[Found]) -> bool:
    """Whether beside one of the pictures of an upright view there is film enough for another, and none was found there."""
    # Brighter than what was taken for the base may be a gap, where that is the other picture's shadows.
    shown = ((kinds == BASE) | (kinds == PICTURE)) + (kinds == PANEL) * np.float32(1 - DIRT)
    boxes = np.array([(f.top, f.bottom, f.left, f.right) for f in found])
    for plane, some in ((shown, boxes), (shown.T, boxes[:, [2, 3, 0, 1]])):
        size = median(some[:, 3] - some[:, 2])
        for low, high, left, right in some:
            inset = 0.05 * (high - low)
            band = plane[max(int(low + inset), 0):int(high - inset) + 1]
            level = some[(some[:, 0] < high) & (some[:, 1] > low)]
            for start, stop, taken in ((right, right + ROOM * size, (level[:, 3] > right + 1).any()),
                                       (left - ROOM * size, left, (level[:, 2] < left - 1).any())):
                beside = band[:, int(start) + 5:int(stop) - 4]
                if not taken and start >= 0 and stop < plane.shape[1] and beside.size and (
                        beside.mean(axis=0).min() > 1 - 2 * DIRT and beside.mean() > 1 - DIRT / 2):
                    return True
    return False


def _along(plane: np.ndarray, found: Found, inset: int) -> list[np.ndarray]:
    """The values along the four sides of a rectangle (top, right, bottom, left), `inset` pixels inside it."""
    t, b, l, r = int(found.top) + inset, int(found.bottom) - inset, int(found.left) + inset, int(found.right) - inset
    h, w = plane.shape
    # Never past the middle.
    t, b, l, r = min(t, (t + b) // 2), max(b, (t + b) // 2), min(l, (l + r) // 2), max(r, (l + r) // 2)
    rows, columns = slice(max(t, 0), min(b + 1, h)), slice(max(l, 0), min(r + 1, w))
    return [plane[np.clip(t, 0, h - 1), columns], plane[rows, np.clip(r, 0, w - 1)],
            plane[np.clip(b, 0, h - 1), columns], plane[rows, np.clip(l, 0, w - 1)]]


def may_be_ringed(attempt: Attempt) -> bool:
    """Whether any tone at all runs inside nearly all the sides found; see `is_ringed`."""
    bins = int(round(2 * BAND / 0.02))
    shares = []
    for f in attempt.found:
        for on, each in zip(f.rests, zip(*(_along(attempt.density, f, i) for i in INSETS))):
            if on == "view":
                continue
            levels = [np.bincount(np.clip(side * 50, 0, 149).astype(int), minlength=150) / max(len(side), 1)
                      for side in each]
            shares.append(np.max([np.convolve(v, np.ones(bins + 1), "same") for v in levels], axis=0) > MUCH)
    return bool(shares) and float(np.mean(shares, axis=0)[2:].max()) >= NEARLY


def is_ringed(attempt: Attempt, tone: Level) -> bool:
    """Whether a darker tone runs inside nearly all the sides found, as rebate does inside film's edges on a panel; where
    the view cuts two of them, inside the others."""
    step = float(np.mean(attempt.base.log) - np.mean(tone.log))
    sides = [max(float((np.abs(side - step) < BAND).mean()) for side in each) > MUCH
             for f in attempt.found for each, on in zip(zip(*(_along(attempt.density, f, i) for i in INSETS)), f.rests)
             if on != "view" or f.rests.count("view") > 2]
    return bool(sides) and float(np.mean(sides)) >= NEARLY


def may_be_film(attempt: Attempt, tone: Level) -> bool:
    """Whether what was found may be a piece of film on the panel, hardly anything exposed on it: one tone, darker than
    what was taken for the base, runs along all its sides and through most of it, and on the holder at most at some, or out
    of view."""
    if len(attempt.found) != 1 or attempt.clear > STRIP:
        return False
    f = attempt.found[0]
    if "rebate" not in f.rests:
        return False
    size = (f.bottom - f.top) * (f.right - f.left) / (attempt.shape[0] * attempt.shape[1])
    film = 0.05 < -max(np.array(tone.log) - attempt.base.log) < DENSE
    return film and tone.share > BLANK * size and is_ringed(attempt, tone)


def yielding(this: Attempt, other: Attempt) -> float:
    """What a tone that surrounds the pictures inside another's may fall short of the other in merit: much, where they
    lie well inside and nothing in them is brighter: so it is of rebate, hardly ever of an even tone in a picture."""
    if this.lined < 0.5 or not this.found:
        return -NESTED
    # Where both end at the holder there is nothing between them.
    inset = min((step for step, on in zip(
        (min(f.top for f in this.found) - min(f.top for f in other.found),
         max(f.right for f in other.found) - max(f.right for f in this.found),
         max(f.bottom for f in other.found) - max(f.bottom for f in this.found),
         min(f.left for f in this.found) - min(f.left for f in other.found)),
        zip(*(f.rests for f in other.found))) if set(on) != {"holder"}), default=0.0)
    return SURROUNDED if inset >= 4 and this.brighter < BRIGHTER / 2 and this.astray < 0.75 else NESTED


def at_panel(attempt: Attempt) -> bool:
    """Whether along most of a side what was taken for rebate is panel: the side is the film's edge. Where rebate lies between
    them, however narrow, it is not."""
    for f in attempt.found:
        for on, close, far in zip(f.rests, *(_along(attempt.kinds, f, out) for out in (-2, -4))):
            lined = 2 * np.count_nonzero(close == BASE) > np.count_nonzero(close != VOID)
            if on == "rebate" and not lined and any(
                    2 * np.count_nonzero(side == PANEL) > np.count_nonzero(side != VOID) for side in (close, far)):
                return True
    return False


def _lined(kinds: np.ndarray, found: Found) -> float:
    """Of the clear pixels just outside a rectangle, the share that is base: pictures border on rebate, not on panel."""
    most = 0.0
    for out in (-4, -3, -2):            # of a sliver of rebate, all that is seen may lie close by
        counts = np.sum([np.bincount(side, minlength=5) for side in _along(kinds, found, out)], axis=0)
        clear = counts[BASE] + counts[PANEL]
        if clear > (SLIVER * counts.sum() if out < -2 else 0):
            most = max(most, float(counts[BASE] / clear))
    # Perforations may lie close along two of the sides.
    return min(2 * most, 1.0)

"""Rectangles of the plan with their sides found again in the proxy, and how sure that makes them."""
from __future__ import annotations

import math
from dataclasses import replace
from typing import Callable

import numpy as np

from .attempt import Attempt
from .frame import Frame, format_named, sorted_corners
from .keen import is_stretched
from .rectangles import ASPECTS, Found, to_plan
from .robust import median
from .sides import Side, Traced, corners_of, logs_at, overhang, profiles, refine, together
from .values import frozen

#: A side seen along less than this share is measured by the outermost edges alone.
FAINT = 0.75
#: What hangs over a side seen along more than this is a nick in the gate.
NICKED = 0.85
#: A side as little seen as this yields to what the shape of the picture says; and by how much, no format being given.
LOOSE, GROWN = 0.3, 1.03
#: Pictures of one format differ in shape by this much: a side seen along at least so much of it stays where it is, then.
ALIKE, SEEN = 0.012, 0.08
#: The least weight of a side in the direction of its picture.
HINT = 0.05
#: Of a constant and the evidence in its order; fitted by ``benchmarks/frames.py --fit`` and by captures rendered
#: in two other ways, beside the repository, with photographs that are in neither.
WEIGHTS = (1.57, 1.10, 0.32, 0.42, 0.73, 0.38, -1.28, 0.17, -0.35, -0.12, -0.09, -1.52, -1.93, -0.60, -2.60, -0.49,
           0.86, -0.32, 1.17, 0.34, -0.09, 0.20, 0.60)
#: The same for pictures found by sides that hardly show.
FAINT_WEIGHTS = (-3.96, 0.48, 0.39, 1.18, 0.51, 0.60, 1.13, 0.95, 0.05, -0.74, -0.76, 0.93, 1.64, 1.18, 0.72, 0.82,
                 -0.20, 0.27, 0.14, 0.36, 1.21, 0.66, -0.32)
#: So many times as long as the others of its strip no picture is that ends there; the holder's edge is the less sharp.
LONGER = {"holder": 1.008, "view": 1.004, "film": 1.008}
#: How much more of a sliver of rebate is clear than of what lies deeper.
DISTINCT = 0.5
#: Along how much of a side a sliver is seen at least, and along how much it is clear then.
CLEARLY, ALL_ALONG = 0.2, 0.9
#: Density above base that blur and the holder's penumbra leave in a sliver of rebate so many plan pixels wide, and in a
#: narrower one; a band of the picture along the holder is denser.
DULL, NARROW, DULLER = 0.1, 1.5, 0.4
#: Less light than this, beside the base's, is none of a sliver's.
FAINTEST = 0.5
#: And no side along one lies further inside, in pixels: what does is not along it.
SOFTENED = 1.25
#: Fogged rebate is no broader than this share of the picture, and denser than it a picture begins by this much at once,
#: along more than this share of the side; and more than this of the side is then seen.
FOGGED, BEGINS, LINED, MOSTLY = 0.1, 0.12, 0.7, 0.5
#: Pixels from a corner, along the side, at which fog is looked for past the picture and within, and by what share it may
#: differ there.
BESIDE, ALIKE_FOG = ((-5.0, -4.0, -3.0), (3.0, 4.0, 5.0, 6.0)), 0.25
#: So many pixels outside of where a picture is half begun there is none of it.
CLEAR_OF = 4.0
#: By how much, in log, a picture is longer than its format that ends not there, and how far one's shape may be from it.
TOO_LONG, OFF = 0.015, 0.035
#: As far as this past a side, as a share of the picture, and so many pixels from the line of those beside it, a picture that
#: goes on is looked for; by how much denser it is, at least; and a side seen along more than this is one.
BEYOND, BESIDE_IT, FAINTLY, WHOLLY = 0.03, np.arange(3.0, 8.0), 0.005, 0.9
#: Thin fog, and how much it changes from one place along a side to the next, in noise.
THIN, DETAIL = 0.15, 2.0


def refined(proxy: np.ndarray, k: int, attempt: Attempt, found, film_format: str | None,
             outlined: list[tuple[Side | None, ...]] | None = None) -> list[Sided]:
    """Rectangles of the plan with their sides found again in the proxy."""
    h, w = proxy.shape[:2]
    half = max(h, w) / 2
    level = np.float32(np.mean(attempt.base.log))
    c = attempt.base.surface

    def density(x, y):
        value = logs_at(proxy, x, y)
        u, v = (x - (w - 1) / 2) / half, (y - (h - 1) / 2) / half
        surface = c[0] + c[1] * u + c[2] * v + c[3] * u * u + c[4] * u * v + c[5] * v * v
        return level + surface - value, (x > -0.5) & (x < w - 0.5) & (y > -0.5) & (y < h - 0.5)

    aspect = None if film_format is None else format_named(film_format).aspect
    traced = _alike(density, [_traced(density, (h, w), k, attempt, f, lines, aspect)
                              for f, lines in zip(found, outlined or [(None,) * 4] * len(found))])
    traced = together(traced, (h, w), attempt.degrees)
    company = float(np.mean([_firm(side) if on != "view" else 0.5
                             for t in traced for side, on in zip(t.sides, t.rests)]))
    out = []
    for f, t in zip(found, traced):
        sides = t.sides
        if len(traced) == 1:            # the pictures of a strip hold each other where they belong
            sides = _enclosing(density, t.points, sides, t.rests, k, attempt.base.spread)
        meet = corners_of(t.points, sides)
        angle = _angle_of(meet, t.rests, sides)
        corners = sorted_corners(meet)
        basis = tuple(f"{name}: {on}" + ("" if on == "view" else f", seen along {side.support:.0%}")
                      for name, on, side in zip(("top", "right", "bottom", "left"), t.rests, sides))
        evidence = _evidence(t, sides, f, attempt, corners, company)
        firm = tuple(_firm(side) for side in sides)
        goes_on = len(traced) == 1 and any(
            value < WHOLLY and _past(density, meet, t.rests, firm, i) > FAINTLY for i, value in enumerate(firm))
        out.append(Sided(tuple(corners), angle, confidence_of(evidence), basis, film_format, (), tuple(t.rests), firm,
                         tuple(side.reach for side in sides), tuple(evidence), goes_on))
    return out


def _past(density, corners, rests, firm, i: int) -> float:
    """By how much film beyond side `i` is denser between the two sides beside it than outside of these, at the least: more
    than next to nothing, and the picture goes on there. A picture's sides end at its corners."""
    corners, least = np.array(corners), np.inf
    size = np.hypot(*np.diff([*corners, corners[0]], axis=0).T).max()
    for at, j in ((i, (i - 1) % 4), ((i + 1) % 4, (i + 1) % 4)):
        if {rests[i], rests[j]} != {"rebate"} or firm[j] < MOSTLY:
            return 0.0
        across = corners[(i + 1) % 4 if at == i else i] - corners[at]
        out = corners[at] - corners[(j + (at == j)) % 4]
        out /= np.hypot(*out)
        across -= out * (across @ out)
        across /= np.hypot(*across)
        along = np.arange(CLEAR_OF, max(BEYOND * size, 2 * CLEAR_OF))[:, None, None] * out
        points = corners[at] + along + np.array([BESIDE_IT, -BESIDE_IT])[:, None, :, None] * across
        value, seen = density(points[..., 0].ravel(), points[..., 1].ravel())
        if not seen.all():
            return 0.0
        within, outside = (float(median(v)) for v in np.split(value, 2))
        least = min(least, within - outside)
    return least


def _angle_of(corners, rests, sides) -> float:
    """Degrees, direction of a picture's top edge, by its own sides in the mean where top or bottom is none of them: what
    the holder or the view cuts lies as these do, and not as the picture."""
    steps = np.diff([*corners, corners[0]], axis=0)
    turns = (np.degrees(np.arctan2(steps[:, 1], steps[:, 0])) - 90.0 * np.arange(4) + 180.0) % 360.0 - 180.0
    own = np.array([np.hypot(*step) * max(_firm(side), HINT) * (on == "rebate")
                    for step, on, side in zip(steps, rests, sides)])
    return float(turns[0] if own[0] and own[2] or not own.any() else np.average(turns, weights=own))


def _alike(density, traced: list[Traced]) -> list[Traced]:
    """Of a strip: where a picture that ends at the holder, the view or the film's end would be longer than the others, it
    ends before, unseen; so it does at the holder, or the film's edge, where the others' side in line with it rests on rebate, and where
    no edge of a holder shows."""
    if len(traced) < 2:
        return traced
    for i in range(4):
        traced = [_unseen(t, i) if t.rests[i] == "holder" and t.sides[i].support < CLEARLY else t for t in traced]
    middles = np.array([np.mean(t.points, axis=0) for t in traced])
    ends = (1, 3) if np.ptp(middles[:, 0]) > np.ptp(middles[:, 1]) else (0, 2)
    for i in {0, 1, 2, 3} - set(ends):
        past = [_at_edge(density, t, i) for t in traced]
        firm = sum(t.rests[i] == "rebate" and _firm(t.sides[i]) > 0.6 and not off for t, off in zip(traced, past))
        if 2 * firm >= len(traced):
            traced = [_unseen(t, i) if t.rests[i] == "holder" or off else t for t, off in zip(traced, past)]
    lengths, rests = [], []
    for t in traced:
        corners = np.array(corners_of(t.points, t.sides))
        along = (corners[1] - corners[0], corners[2] - corners[3]) if ends == (1, 3) else \
            (corners[3] - corners[0], corners[2] - corners[1])
        lengths.append(float(np.mean([np.hypot(*v) for v in along])))
        rests.append(["film" if _at_edge(density, t, i) else t.rests[i] for i in ends])
    whole = next((some for ons in ({"rebate"}, {"rebate", "film"})
                  if (some := [v for v, both in zip(lengths, rests) if set(both) <= ons])), [])
    if not whole:
        return traced
    out = []
    for length, t, both in zip(lengths, traced, rests):
        held = [j for j, on in enumerate(both) if on in LONGER]
        if len(held) == 1 and length > LONGER[both[held[0]]] * float(median(whole)):
            t = _unseen(t, ends[held[0]])
        out.append(t)
    return out


def _at_edge(density, t: Traced, i: int) -> bool:
    """Whether side `i` of a picture lies where the film's edge is beside the panel."""
    return t.rests[i] == "rebate" and _past_film(density, t.points, i, t.sides[i])


def _unseen(t: Traced, i: int) -> Traced:
    """A picture whose side `i` rests on rebate that hardly shows."""
    sides, rests = list(t.sides), list(t.rests)
    sides[i], rests[i] = replace(sides[i], support=0.0, reach=0.0, points=sides[i].points[:0]), "rebate"
    return replace(t, sides=tuple(sides), rests=tuple(rests))


def _traced(density, size, k: int, attempt: Attempt, found: Found,
            outlined: tuple[Side | None, ...], aspect: float | None = None) -> Traced:
    """The sides of one rectangle of the plan, each followed by itself."""
    h, w = size
    noise = attempt.base.spread
    points = to_plan([(found.left, found.top), (found.right, found.top), (found.right, found.bottom),
                      (found.left, found.bottom)], attempt.degrees, attempt.kinds.shape, attempt.shape)
    points = _to_view(points * k + (k - 1) / 2, found.rests, w, h)
    sides = [refine(density, points[i], points[(i + 1) % 4], rests=found.rests[i], noise=noise,
                    reach=(6.0 if found.rests[i] == "holder" else 4.0) * k) for i in range(4)]
    sides = [line if line is not None and support < FAINT else side
             for line, support, side in zip(outlined, found.support, sides)]
    rests = list(found.rests)
    for i in range(4):
        clear, dull = _sliver(density, points[i], points[(i + 1) % 4], sides[i], k) if rests[i] != "rebate" else (None, False)
        if clear is not None and not (dull and not _goes_on(density, points, i, sides, rests, clear)):
            moved = refine(density, points[i], points[(i + 1) % 4], rests="rebate", reach=5.0 * k, noise=noise,
                           beyond=clear)
            if moved.support > CLEARLY:
                sides[i], rests[i] = moved, "rebate"
        fogged = None
        if found.rests[i] == "holder" or (rests[i] == "rebate" and _past_film(density, points, i, sides[i])):
            fogged = _fogged(density, points, i, sides[i], noise, lambda line, i=i: (
                _goes_on(density, points, i, sides, rests, replace(line, offset=line.offset - CLEAR_OF))
                or aspect is not None and _in_format(points, i, sides, rests, line, aspect)))
        if fogged is not None:
            moved = refine(density, points[i], points[(i + 1) % 4], rests="rebate", reach=2.0 * k + 2, noise=noise,
                           beyond=replace(fogged, offset=fogged.offset - k - 1))
            if moved.support > MOSTLY:
                sides[i], rests[i] = moved, "rebate"
    if not is_stretched(attempt.base):
        sides = [_sharpened(density, points[i], points[(i + 1) % 4], side) if on == "rebate" and side.support > MOSTLY else side
                 for i, (side, on) in enumerate(zip(sides, rests))]
    return Traced(tuple(map(tuple, points)), tuple(sides), tuple(rests))


def _enclosing(density, points, sides: list[Side], rests, k: int, noise: float) -> list[Side]:
    """Sides moved out where the picture hangs over them."""
    out = list(sides)
    for i, (side, on) in enumerate(zip(sides, rests)):
        start, end = points[i], points[(i + 1) % 4]
        # A gate may have nicks; past a plain side nothing else is exposed.
        if on != "rebate" or math.dist(start, end) < 30 or _firm(side) > NICKED:
            continue
        over = overhang(density, start, end, side, 16.0 * k, noise)
        if over >= 1.25 * k:
            out[i] = replace(side, offset=side.offset - over)
    return out


@frozen
class Sided(Frame):
    """A frame with what each of its sides (top, right, bottom, left) rests on, how firmly, and the evidence for it; and
    whether the picture seems to go on past one of them."""

    rests: tuple[str, ...] = ()
    firm: tuple[float, ...] = (0.0,) * 4
    reaches: tuple[float, ...] = (0.0,) * 4
    evidence: tuple[float, ...] = ()
    goes_on: bool = False       # past one of its sides, as fog or sky hardly denser than rebate


def in_shape(f: Sided, aspect: float | None, view: tuple[int, int]) -> Frame:
    """A picture one of whose sides hardly shows, extended to the shape of its format, or of the nearest that there is.

    Shadows as clear as the rebate hide a side; what is exposed never lies outside it. So a picture grows, and where no
    format is given only by little.
    """
    loose = [firm < LOOSE for firm in f.firm]
    across, down = (3, 1), (0, 2)                                      # left and right, top and bottom
    axis = next((i for i, (own, other) in enumerate(((across, down), (down, across)))
                 if any(loose[j] for j in own) and not any(loose[j] for j in other)), None)
    if axis is None or any(on != "rebate" for on in f.rests):
        return f
    own, size = (across, down)[axis], f.size
    shapes = ASPECTS if aspect is None else (aspect,)
    lengths = sorted(size[1 - axis] * r for shape in shapes for r in {shape, 1 / shape})
    wanted = next((v for v in lengths if v > size[axis] * 0.985), None)
    if wanted is None or wanted > size[axis] * (GROWN if aspect is None else 3.0):
        return f
    if abs(wanted / size[axis] - 1) < ALIKE and min(f.firm[j] for j in own) > SEEN:
        return f
    corners = np.array(f.corners)
    for a, b in (((0, 1), (3, 2)) if axis == 0 else ((0, 3), (1, 2))):
        start, end = corners[a].copy(), corners[b].copy()
        more = (end - start) * (wanted / size[axis] - 1)
        share = 0.5 if all(loose[j] for j in own) else float(loose[own[1]])
        corners[a], corners[b] = start - more * (1 - share), end + more * share
    h, w = view
    slack = 0.005 * max(size)
    if corners.min() < -slack or corners[:, 0].max() > w + slack or corners[:, 1].max() > h + slack:
        return f
    return replace(f, corners=tuple((float(x), float(y)) for x, y in corners))


def confidence_of(evidence: list[float], weights=WEIGHTS) -> float:
    """The share of such answers whose corners hold the bar: a logistic function of the evidence."""
    return 1 / (1 + math.exp(-weights[0] - sum(w * e for w, e in zip(weights[1:], evidence))))


def _evidence(traced: Traced, sides, found: Found, attempt: Attempt, corners, company: float) -> list[float]:
    """What speaks for and against a frame; see `confidence_of`. `company`: how firm the sides of the whole strip are."""
    rests = traced.rests
    alone = len(attempt.found) == 1 and "view" not in rests
    worth = {"rebate": 1.0, "holder": 0.8}
    # What the view cuts off cannot be seen: the other sides speak for the picture.
    shown = [(side, worth[on], s) for side, on, s in zip(sides, rests, found.support) if on in worth]
    supports = sorted(w * side.support for side, w, _ in shown) + [0.5] * (4 - len(shown))
    firm = sorted(w * _firm(side) for side, w, _ in shown) + [0.5] * (4 - len(shown))
    coarse = sorted(s for *_, s in shown) + [0.5] * (4 - len(shown))
    (ax, ay), (bx, by), (cx, cy), (dx, dy) = corners
    wide = (math.hypot(bx - ax, by - ay) + math.hypot(cx - dx, cy - dy)) / 2
    high = (math.hypot(dx - ax, dy - ay) + math.hypot(cx - bx, cy - by)) / 2
    ratio = max(wide, high) / max(min(wide, high), 1e-6)
    odd = 0.015 if set(rests) & {"holder", "view"} else min(abs(math.log(ratio / a)) for a in ASPECTS)
    doubt = math.log10(max(traced.doubt / max(wide, high, 1.0), 1e-5) / 1e-3)
    return [supports[0], supports[1], sum(supports) / 4, firm[0], firm[1], float(alone and firm[0] < LOOSE),
            coarse[0], coarse[1], min(attempt.brighter / 0.006, 2.0), min(attempt.clear, 0.6),
            min(attempt.astray / 0.1, 3.0),
            float(sum(on == "view" for on in rests)), float(sum(on == "holder" for on in rests)), min(odd / 0.03, 1.0),
            float(len(attempt.found) > 1), company, min(max(doubt, -1.0), 1.5), max(attempt.merit, -0.5),
            attempt.lined, min(max(math.log10(attempt.base.share / 0.01), -1.5), 1.5),
            float(2 <= len(shown) < 4) * min(firm[:max(len(shown), 1)]), float(rests[0] == rests[2] == "view"
                                                                              or rests[1] == rests[3] == "view")]


def _firm(side: Side) -> float:
    """How much of a side is seen, less where that is all in one stretch."""
    return side.support * min(side.reach / 0.6, 1.0)


def _sliver(density, start, end, side: Side, k: int) -> tuple[Side | None, bool]:
    """The line along which a sliver of rebate inside a holder's edge, or the view's, is clearest, None without one; and
    whether it is duller than rebate: fogged, or none."""
    across = np.arange(0.0, 9.0 * k, 0.5)
    profile = profiles(density, start, end, side, across)
    s = np.linspace(-0.95, 0.95, len(profile))
    inner = profile[:, 2:-4 * k]
    i = inner.argmin(axis=1)
    rows = np.arange(len(profile))
    clearest = inner[rows, i]
    after = np.array([row[j + 2:j + 2 + 8 * k].max() for row, j in zip(profile, i)])
    # Clear as the base, or nearly so, and film again behind it.
    seen = (clearest < 0.6 * after) & (after - clearest > 0.06)
    # A picture as clear as the rebate hides most of its side, but then there is nothing else along the holder.
    least = CLEARLY if (clearest < DULL / 2).mean() > ALL_ALONG else 0.4
    if seen.mean() < least:
        return None, False
    wide = float(median((profile < clearest[:, None] + 0.06).sum(axis=1)[seen])) / 2
    dull = float(median(clearest[seen])) > (DULL if wide >= NARROW * k else DULLER)
    at = across[2 + i]
    slope, offset = np.polyfit(s[seen], at[seen], 1)
    rest = np.abs(at - offset - slope * s)
    close = seen & (rest < max(1.0, 2 * float(median(rest[seen]))))
    if close.mean() < 0.75 * least:
        return None, False
    slope, offset = np.polyfit(s[close], at[close], 1)
    # A sliver is clear along one line; what is clear here and there all over is a thin picture.
    line = np.clip(np.rint((offset + slope * s) / 0.5).astype(int), 0, profile.shape[1] - 1)
    clear = [float((profile[rows, np.minimum(line + deeper, profile.shape[1] - 1)] < 0.6 * after)[seen].mean())
             for deeper in (0, 6 * k, 8 * k)]
    if clear[0] < max(clear[1:]) + DISTINCT:
        return None, False
    return replace(side, offset=side.offset + float(offset), slope=side.slope + float(slope)), dull


def _goes_on(density, points, i: int, sides: list[Side], rests: list[str], line: Side) -> bool:
    """Whether what lies along a line inside side `i` goes on past the picture's sides beside it, where rebate shows there:
    fog does, and a band of the picture ends."""
    corners = np.array(corners_of(points, [line if j == i else side for j, side in enumerate(sides)]))
    start, end = corners[i], corners[(i + 1) % 4]
    along = (end - start) / math.dist(start, end)
    out, fogged = [], False
    for corner, way, j in ((start, along, (i - 1) % 4), (end, -along, (i + 1) % 4)):
        if rests[j] != "rebate" or _firm(sides[j]) < MOSTLY:
            continue
        beside, within = (float(median(density(*(corner + np.array(steps)[:, None] * way).T)[0])) for steps in BESIDE)
        out.append(abs(beside - within) < ALIKE_FOG * max(beside, within) + DULL / 4)
        fogged |= within > DULL / 2
    return fogged and all(out)


def _sharpened(density, start, end, side: Side) -> Side:
    """A side along a sliver of rebate no wider than the lens blurs, where light is half way between picture and base: there
    is less light in the sliver than the base lets through, and half of that lies inside the picture."""
    across = np.arange(-6.0, 4.01, 0.25)
    light = 10.0 ** -np.clip(median(profiles(density, start, end, side, across), axis=0), 0.0, 2.5)
    inner, peak = float(light[-4:].mean()), int(light[:-8].argmax())
    half = (1 + inner) / 2
    if light[:peak + 1].min() > light[peak] / 2 or light[peak] < max(FAINTEST, inner):
        return side
    past = peak + int((light[peak:] < half).argmax())
    if light[past] >= half:
        return side
    at = float(across[peak]) if past == peak else float(
        across[past] - (half - light[past]) / (light[past - 1] - light[past]) * (across[1] - across[0]))
    if not -SOFTENED <= at < 0:
        return side
    (ax, ay), (bx, by) = start, end
    points = side.points.copy()
    points[:, :2] += at * np.array([ay - by, bx - ax]) / math.dist(start, end)
    return replace(side, offset=side.offset + at, points=points)


def _past_film(density, points, i: int, side: Side) -> bool:
    """Whether what lies just outside a side is brighter than the base: the side is the film's edge beside panel."""
    outside = profiles(density, points[i], points[(i + 1) % 4], side, np.array([-6.0, -5.0]))
    return float(median(outside.mean(axis=1))) < -DULL / 2


def _fogged(density, points, i: int, side: Side, noise: float, known: Callable[[Side], bool]) -> Side | None:
    """The line well inside a holder's edge, or the film's, at which the picture begins, where the rebate between is fogged
    from there: straight and all along the side, and nearly or wholly clear just outside, or what lies outside is `known`
    for fog; None without one."""
    start, end = points[i], points[(i + 1) % 4]
    reach = FOGGED * math.dist(points[(i + 1) % 4], points[(i + 2) % 4])
    across = np.arange(0.0, reach, 1.0)
    if len(across) < 30:
        return None
    profile = profiles(density, start, end, side, across)
    steps = profile[:, 6:] - profile[:, :-6] > BEGINS
    line, share, outside = _begun(steps & (profile[:, :-6] < 2 * DULL), profile, start, end, side)
    # What begins all along may do so in thin fog as well, which has no detail: lighter parts of the picture have.
    thin = share > ALL_ALONG and float(median(outside)) < THIN and float(median(np.abs(np.diff(outside)))) < DETAIL * noise
    clear = (outside < DULL / 2).mean() >= CLEARLY and float(median(outside)) <= DULL
    if share >= LINED and (thin or clear):
        return line
    # So may it in any fog, where that is known for fog, as it is from where the holder ends.
    if not known(replace(side, offset=side.offset + 2 * CLEAR_OF)):
        return None
    line, share, _ = _begun(steps, profile, start, end, side)
    return line if share >= MOSTLY and known(line) else None


def _begun(begins: np.ndarray, profile: np.ndarray, start, end, side: Side) -> tuple[Side, float, np.ndarray]:
    """The straight line inside a side along most of which something `begins`, bool (places, n) like `profile`, within the
    next six pixels; along what share of it; and the density along it."""
    s = np.linspace(-0.95, 0.95, len(profile))
    rows, best = np.arange(len(profile)), (0.0, 0.0, 0.0)
    most = math.tan(math.radians(1.0)) * math.dist(start, end) / 2
    for slope in sorted(np.linspace(-most, most, 17), key=abs):
        at = np.arange(8, begins.shape[1])[:, None] + np.rint(slope * s).astype(int)
        inside = (at >= 0) & (at < begins.shape[1])
        share = (begins[rows, np.clip(at, 0, begins.shape[1] - 1)] & inside).mean(axis=1)
        if len(share) and share.max() > best[0]:
            # It begins within six pixels.
            best = (float(share.max()), 8 + float(np.flatnonzero(share > share.max() - 0.03)[:6].mean()), float(slope))
    share, offset, slope = best
    line = np.clip(np.rint(offset + slope * s).astype(int), 0, profile.shape[1] - 1)
    return replace(side, offset=side.offset + offset + 3.0, slope=side.slope + slope), share, profile[rows, line]


def _in_format(points, i: int, sides: list[Side], rests: list[str], line: Side, aspect: float) -> bool:
    """Whether a picture is longer than its format where it ends at side `i`, and not where it ends at a line inside it: what
    the holder cuts is shorter."""
    if any(rests[j] != "rebate" or _firm(sides[j]) < MOSTLY for j in ((i - 1) % 4, (i + 1) % 4)):
        return False
    long, inside = (math.log(max(ratio, 1e-6)) for ratio in (
        _ratio(corners_of(points, [side if j == i else other for j, other in enumerate(sides)]), i)
        for side in (sides[i], line)))
    own = min((math.log(aspect), -math.log(aspect)), key=lambda one: abs(inside - one))
    return long - own > TOO_LONG and abs(inside - own) < OFF


def _ratio(corners, i: int) -> float:
    """How long a picture is from side `i` to that across from it, beside how long these are."""
    a, b, c, d = np.roll(np.array(corners), -i, axis=0)
    return float((np.hypot(*(d - a)) + np.hypot(*(c - b))) / (np.hypot(*(b - a)) + np.hypot(*(c - d))))


def _to_view(points: np.ndarray, rests, w: int, h: int) -> list[tuple[float, float]]:
    """Corners (clockwise) whose sides that rest on the view lie along the view's border."""
    borders = ((0.0, -0.5, 1.0, 0.0), (w - 0.5, 0.0, 0.0, 1.0), (0.0, h - 0.5, 1.0, 0.0), (-0.5, 0.0, 0.0, 1.0))
    lines = []
    for i in range(4):
        if rests[i] == "view":
            lines.append(borders[i])
        else:
            (xa, ya), (xb, yb) = points[i], points[(i + 1) % 4]
            lines.append((xa, ya, xb - xa, yb - ya))
    corners = []
    for i in range(4):
        (xa, ya, ua, va), (xb, yb, ub, vb) = lines[i - 1], lines[i]
        s = ((xb - xa) * vb - (yb - ya) * ub) / (ua * vb - va * ub)
        corners.append((float(xa + s * ua), float(ya + s * va)))
    return corners

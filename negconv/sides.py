"""The sides of a picture to a fraction of a pixel.

Across each side, profiles of density are read at many places; each gives the point where light has fallen half way
from rebate to picture. A line, bent where the lens bends it, is put through the points, and what lies off it (edge
print, dust, clear shadows) loses its say.
"""
from __future__ import annotations

import math
from dataclasses import field, replace

import numpy as np

from . import kernel
from .levels import FLOOR
from .robust import median
from .values import frozen

#: A line that a round of fitting moves by less than this many pixels is not fitted further.
SETTLED = 2e-3
#: Pixels inside an edge at which the picture has its own density, and what share of that is most of it.
DEEP, MOST = 3.0, 0.8
#: What hangs over a side does so at this many neighbouring places at least, of 80.
LASTS = 5
#: Degrees by which a holder's opening may lie askew on the film.
ASKEW = 1.2


@frozen
class Side:
    """One side: ``offset + slope * s + bend * (s * s - 1)`` across, for s from -1 to 1 along it.

    Attributes
    ----------
    support : float
        Share of the places along it where the edge was seen where the line has it.
    reach : float
        From the first to the last such place, as a share of the side.
    scatter : float
        Robust deviation of those, in pixels.
    points : float array (n, 5)
        Where in the capture it was seen, x and y, with what weight, the density just inside, and within how many pixels
        most of that is reached.
    """

    offset: float
    slope: float
    bend: float
    support: float
    reach: float
    scatter: float
    points: np.ndarray = field(default_factory=lambda: np.zeros((0, 5)), repr=False, compare=False)

    def at(self, s):
        """Pixels into the picture at places `s`."""
        return self.offset + self.slope * s + self.bend * (s * s - 1)


def sample(plane: np.ndarray, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Bilinear values of (h, w) or (h, w, C) at points; the border is repeated."""
    h, w = plane.shape[:2]
    x, y = np.clip(x, 0, w - 1.001), np.clip(y, 0, h - 1.001)
    ix, iy = x.astype(np.intp), y.astype(np.intp)
    fx, fy = (x - ix).astype(np.float32), (y - iy).astype(np.float32)
    if plane.ndim == 3:
        fx, fy = fx[..., None], fy[..., None]
    upper = plane[iy, ix] * (1 - fx) + plane[iy, ix + 1] * fx
    lower = plane[iy + 1, ix] * (1 - fx) + plane[iy + 1, ix + 1] * fx
    return upper * (1 - fy) + lower * fy


def logs_at(light: np.ndarray, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """log10 of (h, w, 3) light at points, the mean of its channels, floored; float32 like `x`."""
    if kernel.loops is not None and light.dtype == np.float32 and light.flags.c_contiguous:
        out = np.empty(x.shape, np.float32)
        kernel.loops.logs_at(light, *light.shape[:2], np.ascontiguousarray(x), np.ascontiguousarray(y), x.size, FLOOR,
                             out)
        return out
    value = np.log10(np.maximum(sample(light, x, y), np.float32(FLOOR)))
    return (value[..., 0] + value[..., 1] + value[..., 2]) * np.float32(1 / 3)


def profiles(density, start, end, side: Side, across: np.ndarray) -> np.ndarray:
    """Density at distances `across` from a side, into the picture, at many places along it; float (places, n)."""
    start, end = np.asarray(start, float), np.asarray(end, float)
    length = float(np.hypot(*(end - start)))
    along = (end - start) / length
    inward = np.array([-along[1], along[0]])
    s = np.linspace(-0.95, 0.95, 80)
    at = across[None, :] + side.at(s)[:, None]
    middle = (start + end) / 2
    return density(middle[0] + along[0] * s[:, None] * length / 2 + inward[0] * at,
                   middle[1] + along[1] * s[:, None] * length / 2 + inward[1] * at)[0]


def overhang(density, start, end, side: Side, reach: float, noise: float) -> float:
    """How far, in pixels, the picture reaches out over a side: its content cannot lie outside it, whatever its outline.

    0 where nothing hangs over, and where what does goes on to the end of `reach` (another picture, print, dirt).
    """
    across = np.arange(-reach, 4.01, 0.5)
    profile = profiles(density, start, end, side, across)
    inside = profile[:, -4:].mean(axis=1)
    within = profile >= 0.5 * inside[:, None]
    # The last place, coming from inside, that is still half as dense as the inside.
    runs = np.logical_and.accumulate(within[:, ::-1], axis=1).sum(axis=1)
    out = -across[np.clip(len(across) - runs, 0, len(across) - 1)]
    out[(inside < 0.06 + 3 * noise) | (runs >= len(across))] = 0.0
    # Dirt, print, and nicks in a camera's gate are short.
    lasting = np.min([out[i:len(out) - LASTS + i + 1] for i in range(LASTS)], axis=0)
    return float(max(lasting.max(), 0.0))


def refine(density, start, end, *, rests: str, reach: float, noise: float,
           beyond: Side | None = None) -> Side:
    """One side found again in the finer picture.

    Parameters
    ----------
    density : callable (x, y) -> density above base at those points, and bool: inside the view
    start, end : (x, y)
        Where the side is now, going clockwise round the picture.
    rests : {"rebate", "holder", "view"}
    reach : float
        How far to look on both sides, in pixels.
    noise : float
    beyond : Side, optional
        Given, the side is looked for only inwards from there.

    Returns
    -------
    Side
        Offsets in pixels, positive into the picture.
    """
    start, end = np.asarray(start, float), np.asarray(end, float)
    length = float(np.hypot(*(end - start)))
    if rests == "view" or length < 12:
        return Side(0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
    along = (end - start) / length
    inward = np.array([-along[1], along[0]])
    places = int(np.clip(length / 4, 40, 200))
    s = np.linspace(-0.985, 0.985, places)
    step = 0.5
    across = np.arange(-reach, reach + step / 2, step)
    middle = (start + end) / 2
    from_ = Side(0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
    if beyond is not None:
        from_ = beyond
        across = np.arange(0, reach + step / 2, step)
    at = across[None, :] + from_.at(s)[:, None]
    px = middle[0] + along[0] * s[:, None] * length / 2 + inward[0] * at
    py = middle[1] + along[1] * s[:, None] * length / 2 + inward[1] * at
    inner, seen = density(px, py)
    light = np.exp(np.clip(inner, 0.0, 2.5) * -np.log(10.0))
    if rests == "holder":
        # Light grows inwards, over a penumbra that may be wide; there it is measured by what the picture lets through.
        level = np.maximum(light[:, across > 0.6 * reach].mean(axis=1), 1e-3)[:, None]
        profile = light = np.clip(light / level, 0.0, 1.3)
        least = 0.15
    else:
        profile = np.clip(inner, 0.0, 0.6)
        least = 0.02 + 2 * noise
    offset, slope, bend = 0.0, 0.0, 0.0
    window = reach
    support = span = scatter = 0.0
    for turn in range(5):
        guess = offset + slope * s + bend * (s * s - 1)
        at, strength = crossings(profile, light, across, guess, window, rests == "holder")
        # A place speaks once it rises by the least step; beyond four times that, none speaks louder.
        weight = np.clip(strength / (4 * least), 0, 1) * (strength > least) * seen.mean(axis=1)
        if (weight > 0).sum() < max(6, 0.03 * places):
            return replace(from_, support=0.0, reach=0.0, scatter=0.0)
        if turn == 0:
            # A holder may lie askew on the film, by whose edges the plan was turned.
            most = math.tan(math.radians(ASKEW)) * length / 2 if rests == "holder" else 0.0
            offset, slope = _mode_line(at, s, weight, most)
            window = max(reach * 0.6, 3.0)
            continue
        (offset, slope, bend), scatter = fitted(s, at, weight, (offset, slope, bend), straight=turn < 2)
        window = 3.0 if turn >= 2 else max(reach * 0.4, 3.0)
        if turn == 3 and np.abs(offset + slope * s + bend * (s * s - 1) - guess).max() < 5 * SETTLED:
            break
    rest = np.abs(at - (offset + slope * s + bend * (s * s - 1)))
    close = (rest < max(1.0, 2.5 * scatter)) & (weight > 0.05)
    support = float(close.mean())
    if close.any():
        span = float(np.ptp(s[close]) / 2)
    across_ = from_.at(s) + at
    deep = np.clip(np.rint((at + DEEP - across[0]) / step).astype(int), 0, len(across) - 1)
    rows = np.arange(places)
    within = inner[rows, deep]
    between = np.clip(deep[:, None] - np.arange(int(DEEP / step), -1, -1), 0, None)
    reached = inner[rows[:, None], between] > MOST * within[:, None]
    if rests == "rebate":
        # Where the holder leaves less of the rebate than the lens blurs, what rises is not the picture's edge alone.
        clear = light[rows[:, None], np.clip(deep[:, None] - np.arange(int(DEEP / step), 3 * int(DEEP / step)), 0, None)]
        weight = weight * np.clip((clear.max(axis=1) - 0.3) / 0.4, 0.05, 1.0)
    # The picture's detail just inside is not what the gate's edge let through, so neighbours have their say.
    evened = np.convolve(np.pad(within, 2, mode="edge"), np.full(5, 0.2), "valid")
    points = np.stack([middle[0] + along[0] * s * length / 2 + inward[0] * across_,
                       middle[1] + along[1] * s * length / 2 + inward[1] * across_, weight, evened,
                       step * reached.argmax(axis=1)], axis=1)[close]
    return Side(from_.offset + offset, from_.slope + slope, from_.bend + bend, support, span, scatter, points)


def fitted(s: np.ndarray, at: np.ndarray, weight: np.ndarray, line: tuple[float, float, float], *,
           straight: bool) -> tuple[tuple[float, float, float], float]:
    """A line (offset, slope, bend) fitted anew, in up to six rounds, through places `s` and `at` with their weights, and how
    far they commonly lie off it: what lies further loses its say. `straight`: not bent."""
    if kernel.loops is not None:
        return kernel.loops.fit_line(s, at, weight, len(s), straight, SETTLED, *line)
    terms = np.stack([np.ones_like(s), s, s * s - 1], axis=1)
    scatter = 0.0
    for _ in range(6):
        rest = at - terms @ line
        scatter = max(1.4826 * float(_weighted_median(np.abs(rest), weight)), 0.15)
        scale = min(max(3.0 * scatter, 0.6), 2.5)
        use = weight / (1 + (rest / (0.5 * scale)) ** 2) * (np.abs(rest) < 2 * scale)
        good = use > 0
        spread = np.ptp(s[good]) if good.any() else 0
        # Too little of the side in view: the slope, and even more the bend, stay near what they were.
        pull = np.array([0.0, 0.6 / max(spread, 0.1) ** 2, 1.5 / max(spread, 0.1) ** 4]) * (1 + 0.02 * len(s))
        if spread < 1.2 or straight:
            pull[2] = 1e6
        a = (terms * use[:, None]).T @ terms + np.diag(pull + 1e-9)
        before, line = line, tuple(np.linalg.solve(a, (terms * use[:, None]).T @ at).tolist())
        if use.sum() < 3 or max(abs(v - b) for v, b in zip(line, before)) < SETTLED:
            break
    return line, scatter


def crossings(profile: np.ndarray, light: np.ndarray, across: np.ndarray, guess: np.ndarray, window: float,
              wide: bool) -> tuple[np.ndarray, np.ndarray]:
    """Where the light of every profile is half way between both sides of its steepest rise within `window` of
    `guess`: positions and the rise. A lens blurs light, not density. `wide`: measured from end to end, and not close
    by."""
    if kernel.loops is not None and profile.flags.c_contiguous and light.flags.c_contiguous:
        at, rise = np.empty(len(profile)), np.empty(len(profile))
        kernel.loops.crossings(profile, light, *profile.shape, across, guess, window, wide, at, rise)
        return at, rise
    low = np.abs(across[None, :] - guess[:, None]) <= window
    n = profile.shape[1]
    steep = np.zeros_like(profile)
    steep[:, 2:-2] = profile[:, 4:] - profile[:, :-4]
    steep[~low] = -1
    best = steep.argmax(axis=1)
    rows = np.arange(len(profile))
    far = 12 if wide else 6
    lo, hi = np.clip(best - far, 0, n - 1), np.clip(best + far, 0, n - 1)
    half = ((light[rows, lo] + light[rows, hi]) / 2)[:, None]
    rising = light if wide else -light
    half = half if wide else -half
    index = np.arange(n)[None, :]
    inside = (index >= lo[:, None]) & (index < hi[:, None])
    up = (rising[:, :-1] <= half) & (rising[:, 1:] > half) & inside[:, :-1]
    first = np.abs(np.where(up, index[:, :-1] - best[:, None] + 0.0, 1e6)).argmin(axis=1)
    a, b = rising[rows, first], rising[rows, first + 1]
    share = np.clip((half[:, 0] - a) / np.maximum(b - a, 1e-6), 0, 1)
    rise = np.where(up[rows, first], profile[rows, hi] - profile[rows, lo], 0.0)
    return across[first] + share * (across[1] - across[0]), np.maximum(rise, 0)


def _weighted_median(values, weight):
    order = np.argsort(values)
    total = np.cumsum(weight[order])
    return values[order][np.searchsorted(total, total[-1] / 2)]


def _mode_line(at, s, weight, most: float) -> tuple[float, float]:
    """Offset and slope, this no more than `most`, of the line through places `s` and `at` that most weight lies on."""
    best = (-1.0, 0.0, 0.0)
    for slope in sorted(np.linspace(-most, most, 2 * math.ceil(most) + 1), key=abs):
        rest = at - slope * s
        bins = np.bincount(((rest - rest.min()) * 2).astype(int), weight)
        sums = np.convolve(bins, (1, 2, 1), "same")
        i = int(sums.argmax())
        if sums[i] > best[0]:
            best = (float(sums[i]), float(rest.min() + (i + 0.5) / 2), float(slope))
    return best[1:]


def corners_of(points, sides) -> list[tuple[float, float]]:
    """Where the four sides (top, right, bottom, left) meet, from the corners they were measured from (clockwise)."""
    frames = []
    for (xa, ya), (xb, yb) in zip(points, (*points[1:], points[0])):
        length = math.hypot(xb - xa, yb - ya)
        frames.append(((xa + xb) / 2, (ya + yb) / 2, (xb - xa) / length, (yb - ya) / length, length / 2))

    def line(i, s):
        """The point at `s` along a side, and how it moves with `s`."""
        x, y, ax, ay, half = frames[i]
        across, rise = sides[i].at(s), sides[i].slope + 2 * sides[i].bend * s
        return (x + ax * s * half - ay * across, y + ay * s * half + ax * across,
                ax * half - ay * rise, ay * half + ax * rise)

    out = []
    for i in range(4):
        before = (i - 1) % 4
        p, q = 1.0, -1.0
        for _ in range(4):
            (xa, ya, ua, va), (xb, yb, ub, vb) = line(before, p), line(i, q)
            turn = ub * va - ua * vb
            p, q = p + (ub * (yb - ya) - vb * (xb - xa)) / turn, q + (ua * (yb - ya) - va * (xb - xa)) / turn
        x, y, *_ = line(i, q)
        out.append((float(x), float(y)))
    return out


#: How much perspective and lens distortion commonly bend a copy, as a change of scale at half the long side of the
#: view; and how far the pictures of one strip are in line, alike (one gate exposed them all), and evenly spaced, as a
#: share of their size. Common practice, no source.
BENT, IN_LINE, ALIKE, PACED = 0.004, 0.0015, 0.0007, 0.004
#: How far, in radians, a camera's gate is commonly turned on the film: each picture of a strip then lies a step beside
#: the last.
SKEWED = 0.0035
#: How far, in radians, each picture of a strip may be turned by itself, since film has play in its gate: more than is common,
#: for one place along a side is given less than it says.
ASKEW_EACH = 0.0016
#: The blur, in pixels, with which a gate's penumbra and the emulsion draw the edge of a picture, and its deviation; of a
#: dense picture whose edge is seen to rise within so few pixels more than SHARP that it cannot be, less. It lies on the film,
#: so of a picture shorter than DRAWN pixels it takes as much fewer.
PENUMBRA, SHARP, DRAWN = (0.6, 0.3), 0.4, 400.0
#: How far outside the edge, in that blur, half of the light gets through film of so much density inside: terms of its square,
#: itself and 1. At the edge it is exposed half as much, which thin film hardly shows and dense film hardly lacks; with a
#: slope of 0.6 and a toe of 0.35 decades (`tests/test_sides.py`). The least for which an edge tells how sharp it is.
OUTSIDE, TELLING = (-0.37, 2.6, -0.75), 0.5
#: How far, in pixels, one place along a side is commonly off: errors along a side are alike, so more than it lies off a line.
PLACE = 1.0
#: Blocks of no more equations than this are stacked apart from those of the places along a side.
FEW = 5
#: In no more rounds than this sides are put through their places, and in none once they move by less than this, in pixels.
ROUNDS, STILL = 8, 1e-4
#: A side of a strip's picture seen along less than this may as well be something in the picture, so it counts for less.
PLAIN = 0.5
#: Where the plan has a side, as a share of the picture's size, and one of a strip of which nothing is seen.
PLANNED, GUESSED = 0.02, 0.2
#: Places along a gate's edge lie so many pixels, in the mean, off one bent line; those of something in the picture further.
RAGGED = 0.25


@frozen(eq=False)
class Traced:
    """The four sides of one picture (top, right, bottom, left) as they were seen.

    Attributes
    ----------
    points : ((x, y), ...) four of them
        The corners the sides are measured from, clockwise.
    sides : (Side, Side, Side, Side)
    rests : (str, str, str, str)
        "rebate", "holder" or "view".
    doubt : float
        Standard deviation of its least certain side of film, in pixels.
    """

    points: tuple
    sides: tuple[Side, ...]
    rests: tuple[str, ...]
    doubt: float = 0.0


def outside(density: np.ndarray) -> np.ndarray:
    """How far outside a picture's edge, in its blur, half of the light gets through film of this density inside."""
    return np.polyval(OUTSIDE, np.clip(density, 0.0, 2.5))


def even(side: Side) -> float:
    """How much of what it says a side of film is worth for lying along one line, 0 to 1."""
    if len(side.points) < 6:
        return 1.0
    x, y = (side.points[:, :2] - side.points[:, :2].mean(axis=0)).T
    turn = math.atan2(2 * float(x @ y), float(x @ x - y @ y)) / 2       # of the axis along which they are spread most
    c, s = math.cos(turn), math.sin(turn)
    along, across = c * x + s * y, c * y - s * x
    along /= max(float(np.abs(along).max()), 1e-9)
    terms = np.array([np.ones_like(along), along, along * along])
    bend = np.linalg.solve(terms @ terms.T + 1e-9 * np.eye(3), terms @ across)
    return 1 / (1 + (float(median(np.abs(across - bend @ terms))) / RAGGED) ** 2)


def _blur(traced: list[Traced], size: float) -> tuple[float, float]:
    """The blur of the edges of pictures `size` pixels long, as far as it can be told beforehand, and its deviation."""
    points = np.concatenate([side.points for t in traced for side, on in zip(t.sides, t.rests) if on == "rebate"]
                            or [np.zeros((0, 5))])
    far = outside(points[:, 3])
    some = (far > TELLING) & np.isfinite(points[:, 4])
    most = float(median((points[some, 4] - SHARP) / far[some])) if some.any() else np.inf
    usual = PENUMBRA[0] * min(size / DRAWN, 1.0)
    blur = min(max(most, 0.0), usual)
    return blur, PENUMBRA[1] / PENUMBRA[0] * max(blur, 0.1 * usual)


def together(traced: list[Traced], size: tuple[int, int], degrees: float) -> list[Traced]:
    """The sides that rest on rebate, fitted anew as those of upright rectangles on one film, seen through one lens.

    A point x, y of the capture, turned back by `degrees` and in units of half the long side from its middle, lies on
    the film at ``u = x + t y + a x^2 + b x y - k x r^2``, ``v = y - t x + a x y + b y^2 - k y r^2``: what is left of
    the turn, perspective, and the lens's distortion, each small. The pictures of a strip are alike and in line. All
    that is linear in the unknowns, so a few rounds of weighted least squares, in which what does not fit loses its
    say, find them.
    """
    h, w = size
    half = max(h, w) / 2
    c, s = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))

    def film(points):
        x, y = (points[..., 0] - (w - 1) / 2) / half, (points[..., 1] - (h - 1) / 2) / half
        return c * x + s * y, c * y - s * x

    middles = np.array([np.mean(t.points, axis=0) for t in traced])
    x, y = film(middles)

    def terms(points, level: bool, middle):
        """Coefficients of t, a, b, k, and of the turn of a picture about its `middle` on the film, and the constant, of v
        (`level`) or u; of points (..., 2)."""
        px, py = film(points)
        r = px * px + py * py
        if level:
            return np.stack([-px, px * py, py * py, -py * r, middle[0] - px], axis=-1), py
        return np.stack([py, px * px, px * py, -px * r, py - middle[1]], axis=-1), px

    across = np.ptp(x) < np.ptp(y)                    # whether the strip runs down the view
    lengths = np.array([[np.hypot(*np.subtract(t.points[i + 1], t.points[i])) for i in (0, 1)] for t in traced]) / half
    along = y if across else x
    # A single picture's own turn is that of the whole.
    apart = len(traced) if len(traced) > 1 else 0
    evens = [[even(side) for side in t.sides] for t in traced] if apart else []
    n = 6 + 4 * len(traced) + apart
    penumbra, skewed, own = 4 + 4 * len(traced), 5 + 4 * len(traced), 6 + 4 * len(traced)
    blocks: list[tuple] = []

    def add(entries, value, weight, scale=np.inf):
        blocks.append((np.flatnonzero(entries.any(axis=0)), entries, value, weight, scale))

    # Most copies have neither perspective nor distortion to speak of; those that have any have much.
    for j in (1, 2, 3):
        add(np.eye(n)[j:j + 1], 0.0, BENT ** -2, BENT)
    blur, deviation = _blur(traced, float(median(lengths.max(axis=1))) * half)
    add(np.eye(n)[[penumbra]], blur, deviation ** -2)
    add(np.eye(n)[[skewed]], 0.0, SKEWED ** -2)
    if apart:
        add(np.eye(n)[own:], np.zeros(apart), ASKEW_EACH ** -2)
    for f, t in enumerate(traced):
        for i, (side, on) in enumerate(zip(t.sides, t.rests)):
            level, one = i % 2 == 0, np.zeros((1, n))
            one[0, 4 + 4 * f + i] = 1
            plain = min(side.support / PLAIN, 1.0) if len(traced) > 1 else 1.0
            chord = _chord(*_ends(t, i), plain * side.at(np.array([0.0])), np.array([0.0]))
            sure = PLANNED if side.support or len(traced) == 1 else GUESSED
            add(one, terms(chord, level, (x[f], y[f]))[1], (sure * lengths[f].max()) ** -2)
            if on != "rebate" or len(side.points) < 6:
                continue
            some = side.points[::max(1, len(side.points) // 60)]
            entries = np.zeros((len(some), n))
            some_terms, at = terms(some, level, (x[f], y[f]))
            entries[:, :4] = some_terms[:, :4]
            if apart:
                entries[:, own + f] = some_terms[:, 4]
            entries[:, 4 + 4 * f + i] = -1
            entries[:, penumbra] = (1 if i in (0, 3) else -1) / half * outside(some[:, 3])
            many = len(side.points) / len(some)
            # In a strip the other pictures tell more of a side than a short stretch of it does.
            told = plain ** 2 * side.reach ** 4 * evens[f][i] if apart else 1.0
            add(entries, -at, many * told * some[:, 2] * (half / PLACE) ** 2, 1.2 / half)
        if f:
            for i in range(4):
                if any(traced[g].rests[i] == "view" for g in (f - 1, f)):
                    continue
                if (i % 2 == 0) == (not across):      # a side that the strip's pictures share
                    one = np.zeros((1, n))
                    one[0, 4 + 4 * f + i], one[0, 4 * f + i], one[0, skewed] = 1, -1, along[f - 1] - along[f]
                    if traced[f].rests[i] == traced[f - 1].rests[i] == "rebate":
                        add(one, 0.0, (IN_LINE * lengths[f].min()) ** -2)
            for pair in ((0, 2), (3, 1)):
                if all(traced[g].rests[i] == "rebate" for g in (f - 1, f) for i in pair):
                    one = np.zeros((1, n))
                    for g, sign in ((f, 1), (f - 1, -1)):
                        one[0, 4 + 4 * g + pair[1]], one[0, 4 + 4 * g + pair[0]] = sign, -sign
                    add(one, 0.0, (ALIKE * lengths[f].max()) ** -2)
    # So are mostly the gaps between them.
    for f in range(1, len(traced) - 1):
        last, first = (2, 0) if across else (1, 3)
        if all(traced[g].rests[i] == "rebate" for g in (f - 1, f, f + 1) for i in (last, first)):
            one = np.zeros((1, n))
            for g, sign in ((f + 1, 1), (f, -1)):
                one[0, 4 + 4 * g + first] += sign
                one[0, 4 * g + last] -= sign
            sd = PACED * lengths[f].max()
            add(one, 0.0, sd ** -2, 2 * sd)
    stacks = _stacked(blocks)
    uses, found = [some.weight for some in stacks], np.full(n, np.inf)
    for _ in range(ROUNDS):
        left, right = 1e-9 * np.eye(n), np.zeros(n)
        for some, use in zip(stacks, uses):
            told = (some.entries * use[..., None]).transpose(0, 2, 1)
            np.add.at(left, (some.columns[:, :, None], some.columns[:, None, :]), told @ some.entries)
            np.add.at(right, some.columns, (told @ some.value[..., None])[..., 0])
        inverse = np.linalg.inv(left)
        before, found = found, inverse @ right
        if np.abs(found - before).max() * half < STILL:
            break
        uses = [some.weight / (1 + (((some.entries @ found[some.columns][..., None])[..., 0] - some.value) / some.scale) ** 2)
                for some in stacks]
    doubts = np.sqrt(np.diag(inverse)) * half
    moved = [list(t.sides) for t in traced]
    for level in (False, True):
        pairs = [(f, i) for f, t in enumerate(traced) for i in range(not level, 4, 2) if t.rests[i] == "rebate"]
        if not pairs:
            continue
        f, i = np.array(pairs).T
        start, end = (some[:, None] for some in np.array([_ends(traced[g], j) for g, j in pairs]).transpose(1, 0, 2))
        places, sign = np.array([-1.0, 0.0, 1.0]), np.where((i == 0) | (i == 3), 1.0, -1.0)[:, None]
        at = np.array([traced[g].sides[j].at(places) for g, j in pairs])
        known = np.column_stack([np.tile(found[:4], (len(f), 1)), found[own + f] if apart else np.zeros(len(f))])
        for _ in range(3):
            entries, constant = terms(_chord(start, end, at, places), level, (x[f, None], y[f, None]))
            off = (entries @ known[..., None])[..., 0] + constant - found[4 + 4 * f + i, None]
            at = at - off * half * sign
        for g, j, (first, middle, last) in zip(f, i, at.tolist()):
            bend = (first + last) / 2 - middle
            moved[g][j] = replace(moved[g][j], offset=middle + bend, slope=(last - first) / 2, bend=bend)
    return [replace(t, sides=tuple(sides), doubt=float(max(
        (doubts[4 + 4 * f + i] for i, on in enumerate(t.rests) if on == "rebate"), default=0.0)))
        for f, (t, sides) in enumerate(zip(traced, moved))]


@frozen(eq=False)
class _Equations:
    """Blocks of equations that share their unknowns: which these are, int (blocks, unknowns), their coefficients, (blocks,
    equations, unknowns), and of each equation, (blocks, equations), its right side, weight, and how far off it has half of
    that."""

    columns: np.ndarray
    entries: np.ndarray
    value: np.ndarray
    weight: np.ndarray
    scale: np.ndarray


def _stacked(blocks: list[tuple]) -> list[_Equations]:
    """Blocks of equations (the unknowns in them, coefficients of all, right side, weight, scale) in stacks of like size, filled
    up with equations of nothing. Those of one side have seven unknowns of a strip's fifty and more; and linear algebra of
    large matrices starts threads of its own, which cost more than they bring."""
    out = []
    for some in ([b for b in blocks if len(b[1]) <= FEW], [b for b in blocks if len(b[1]) > FEW]):
        if not some:
            continue
        m, n = max(len(b[1]) for b in some), max(len(b[0]) for b in some)
        columns, entries = np.zeros((len(some), n), int), np.zeros((len(some), m, n))
        value, weight, scale = (np.full((len(some), m), fill) for fill in (0.0, 0.0, 1.0))
        for i, (unknown, rows, right, told, wide) in enumerate(some):
            columns[i, :len(unknown)] = unknown
            entries[i, :len(rows), :len(unknown)] = rows[:, unknown]
            value[i, :len(rows)], weight[i, :len(rows)], scale[i, :len(rows)] = right, told, wide
        out.append(_Equations(columns, entries, value, weight, scale))
    return out


def _ends(t: Traced, i: int) -> tuple:
    """The corners that side `i` runs between."""
    return t.points[i], t.points[(i + 1) % 4]


def _chord(start, end, at: np.ndarray, s: np.ndarray) -> np.ndarray:
    """Points at places `s` along sides that run from `start` to `end`, float (..., 2), and at distances `at` into the picture;
    float (..., n, 2)."""
    start, end = np.asarray(start, float), np.asarray(end, float)
    way = end - start
    inward = np.stack([-way[..., 1], way[..., 0]], axis=-1) / np.hypot(way[..., 0], way[..., 1])[..., None]
    return (start + end) / 2 + s[:, None] * way / 2 + at[..., None] * inward

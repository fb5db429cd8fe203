"""What each pixel of a capture can be: bare panel, base, picture or holder.

Nothing on film lets through more light than its base, so the base is the brightest even tone that is not the bare
panel. Without flattening its level follows the panel's fall-off, which is fitted as a quadratic surface of log light.
"""
from __future__ import annotations

from typing import Iterator

import numpy as np

from . import kernel
from .robust import median, quantile
from .values import frozen

VOID, PANEL, BASE, PICTURE, DARK = range(5)
#: All channels above this, and alike, can only be bare panel in a flattened capture: film reflects 4 % at each face. Green
#: may be less, where it alone was beyond saturation.
BARE = 0.9
#: With less green than this, beside red and blue, a flattened tone is no film's, neutral or orange, but the panel's where
#: it was exposed beyond saturation: that divided by the panel, of which cameras see most in green.
MAGENTA = 0.85
#: Less than this no bare panel is, its exposure matched by the file or not.
LEAST_BARE = 0.88
#: Density above base beyond which film cannot be told from holder.
OPAQUE = 1.4
#: The same where the holder is so black that it can be told; by how much blacker it must be.
MOST, BLACKER = 2.0, 0.5
#: How much log light a panel and a lens commonly lose by half the long side of the view.
FALL_OFF = -0.05
#: How many even pixels are looked at for even tones.
SAMPLED = 16000
#: How far the log light of a holder varies.
EVEN = 0.12
#: A holder that stray light makes no darker than film is looked for where what is so much darker than the base takes more
#: than this of the view's border, and is as even as this.
ALL_ROUND, GREY, EVEN_GREY = 0.9, 0.6, 0.03
#: Film that is darker than such a holder takes more than this share of the view.
DARKER = 0.01
#: A holder is no smaller than this, beside the dense film it encloses.
SCANT = 0.1
#: The rim of a holder that the panel shines on is no broader than this share of the view, and broader than so many
#: pixels, which a penumbra takes; so many pixels outside clear film, and half way through a rim whose penumbra is broader,
#: nothing is left of that film's light, and there a rim is no clearer than this.
BEVEL, BROAD, DIM, LEAST_DARK = 0.04, 7, 4, 0.35
#: And it is seen along more than this of the holder's edge.
RIMMED = 0.35
FLOOR = 1e-5


@frozen(eq=False)
class Level:
    """An even tone that recurs over a capture.

    Attributes
    ----------
    log : (3,)
        Mean log10 light of the channels where the surface is zero.
    surface : (6,)
        Coefficients of 1, x, y, x^2, xy, y^2 with x, y from -1 to 1 along the long side: how the tone's log light
        varies.
    spread : float
        Robust standard deviation of log light within it.
    share : float
        Part of the view that has this tone.
    """

    log: tuple[float, float, float]
    surface: tuple[float, ...]
    spread: float
    share: float

    def over(self, shape: tuple[int, int]) -> np.ndarray:
        """The surface for every pixel, float32 (h, w)."""
        across, x, down, cross = self.along(shape)
        return across[None, :] + down[:, None] + cross[:, None] * x[None, :]

    def along(self, shape: tuple[int, int]) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
        """What the surface is the sum of: a of every column, x of it, b of every row, and c of it, ``a + b + c x``."""
        x, y = axes(shape)
        a, bx, by, cxx, cxy, cyy = (np.float32(v) for v in self.surface)
        return a + bx * x + cxx * x * x, x, by * y + cyy * y * y, cxy * y


def axes(shape: tuple[int, int]) -> tuple[np.ndarray, np.ndarray]:
    """x (w,) and y (h,) from -1 to 1 along the long side, float32."""
    half = max(shape) / 2
    h, w = shape
    return (((np.arange(w) - (w - 1) / 2) / half).astype(np.float32),
            ((np.arange(h) - (h - 1) / 2) / half).astype(np.float32))


def log_light(proxy: np.ndarray) -> np.ndarray:
    """log10 of linear light, floored; float32 (3, h, w) of `proxy` (h, w, 3)."""
    if kernel.loops is not None and proxy.dtype == np.float32 and proxy.shape[2] == 3:
        out = np.empty((3, *proxy.shape[:2]), np.float32)
        kernel.loops.log_planes(np.ascontiguousarray(proxy), out[0].size, FLOOR, out)
        return out
    out = np.maximum(proxy.transpose(2, 0, 1), np.float32(FLOOR), order="C")
    return np.log10(out, out=out)


def even_tones(log: np.ndarray, *, most: int = 7, rigid: bool = False) -> Iterator[Level]:
    """The even tones of a capture, brightest first, each sought when it is asked for.

    Parameters
    ----------
    log : float32 (3, h, w)
        As from `log_light`.
    most : int
        How many to look for.
    rigid : bool
        No fall-off is expected (a flattened capture).
    """
    h, w = log.shape[1:]
    if h < 9 or w < 9:
        return
    y = log[0] + log[1]
    y += log[2]
    y /= 3
    at = np.flatnonzero(_even(y))
    if len(at) < 50:
        return
    every = max(1, len(at) // SAMPLED)
    at = at[::every]
    rows, columns = np.divmod(at, w)
    tones = np.ascontiguousarray(log.reshape(3, -1)[:, at].T)
    light = y.ravel()[at]
    half = max(h, w) / 2
    px, py = (columns - (w - 1) / 2) / half, (rows - (h - 1) / 2) / half
    # Light falls off alike to all sides more than otherwise, so that is a term of its own.
    terms = np.stack([np.ones_like(px), px, py, px * px + py * py, px * py, px * px - py * py], axis=1)
    need = max(40.0 / every, 0.0006 * h * w / every)
    for _ in range(most):
        level = _brightest(tones, light, terms, need, rigid)
        if level is None:
            return
        log3, surface, spread, count = level
        one, x, y, both, xy, odds = map(float, surface)
        yield Level(tuple(map(float, log3)), (one, x, y, both + odds, xy, both - odds), spread,
                    float(count * every / (h * w)))
        tones, light, terms = darker_ones(tones, light, terms, surface, float(log3.mean()),
                                          float(np.clip(4 * spread, 0.045, 0.08)))


def _even(y: np.ndarray) -> np.ndarray:
    """bool: where a plane of log light hardly changes, or hardly along a ridge or shelf, and is not as dark as a holder."""
    flat = np.zeros(y.shape, bool)
    up, down, left, right, here = y[:-4, 2:-2], y[4:, 2:-2], y[2:-2, :-4], y[2:-2, 4:], y[2:-2, 2:-2]
    some = (slice(None, None, 5),) * 2
    noise = float(median(np.maximum(np.abs(right[some] - left[some]), np.abs(down[some] - up[some]))))
    limit = min(max(0.02, 2.0 * max(noise * 0.5, 0.004)), 0.04)
    darkest = y.max() - np.float32(2.2)
    if kernel.loops is not None and y.dtype == np.float32:
        kernel.loops.even(y, *y.shape, limit, darkest, flat)
        return flat
    even_x, even_y = np.abs(right - left) < limit, np.abs(down - up) < limit
    # A sliver of rebate is even along itself, and across it a ridge, or between panel and picture a shelf.
    over_y, over_x = (here > up) & (here > down), (here > left) & (here > right)
    for over, plane in ((over_y, y[:, 2:-2]), (over_x.T, y[2:-2].T)):
        ends = np.concatenate([plane[:1], plane, plane[-1:]])
        before, after = ends[:-6] - plane[2:-2], plane[2:-2] - ends[6:]
        steps = (np.minimum(before, after) > 2 * limit) | (np.maximum(before, after) < -2 * limit)
        over |= (2 * np.abs(plane[3:-1] - plane[1:-3]) < limit) & steps
    flat[2:-2, 2:-2] = (even_x & (even_y | over_y)) | (even_y & over_x)
    flat &= y > darkest
    return flat


def darker_ones(tones: np.ndarray, light: np.ndarray, terms: np.ndarray, surface: np.ndarray, mean: float,
                less: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Those pixels that are darker, by more than `less`, than a surface over `mean`; what is given is lost."""
    if kernel.loops is not None and tones.flags.c_contiguous and light.dtype == np.float32:
        n = kernel.loops.keep_darker(tones, light, terms, len(light), surface, mean, less)
        return tones[:n], light[:n], terms[:n]
    left = light < terms @ surface + mean - less
    return tones[left], light[left], terms[left]


def _brightest(tones, light, terms, need, rigid):
    """The brightest even tone among pixels of these channels (n, 3), their mean (n,), and terms of the surface (n, 6):
    its log light, surface, spread, and how many pixels have it."""
    reach = (0.03, 0.025, 0.02) if rigid else (0.09, 0.06, 0.04, 0.03, 0.025)
    ridge = np.array([0, 40, 40, 8, 20, 20.0]) if not rigid else np.array([0] + [1e9] * 5)
    usual = np.array([0, 0, 0, FALL_OFF, 0, 0]) if not rigid else np.zeros(6)
    if len(light) < need:
        return None
    if kernel.loops is not None and light.dtype == np.float32 and tones.flags.c_contiguous:
        out = np.empty(10)
        count = kernel.loops.brightest(tones, light, terms, len(light), need, np.array(reach), len(reach), ridge, usual, out)
        return None if count < 0 else (out[:3], out[3:9], float(out[9]), count)
    bins = np.bincount(np.clip(((light + 5.5) * 100).astype(int), 0, 799), minlength=800).astype(float)
    smooth = np.convolve(bins, (1, 2, 3, 2, 1), "same") / 9
    inner = smooth[3:798]
    peaks = np.flatnonzero((inner >= smooth[2:797]) & (inner >= smooth[4:799]) & (3 * inner >= need))
    if not len(peaks):
        return None
    middle = (peaks[-1] + 3.5) / 100 - 5.5
    near = np.abs(light - middle) < 0.02
    if np.count_nonzero(near) < max(need * 0.5, 10):
        return None
    log3 = median(tones[near], axis=0)
    mean = float(log3.mean())
    alike = (np.abs(tones - light[:, None] - (log3 - log3.mean())) < 0.035).all(axis=1)
    others = tones, terms, near
    tones, light, terms = tones[alike], light[alike], terms[alike]
    surface = last = usual.copy()
    for tolerance in reach:
        count, a, b = normal_equations(light, terms, surface, mean, tolerance)
        if count < 10:
            last = None
            break
        weight = count / 4000
        change = np.linalg.solve(a / max(weight, 1e-6) + np.diag(ridge + 1e-6),
                                 b / max(weight, 1e-6) - ridge * (surface - usual))
        last, surface = surface, surface + change
        surface[3] = min(surface[3], 0.0)               # light falls off outwards, never grows
    # Shadows nearly as clear as the base lie on its dark side only: its bright side says where it is, and how wide.
    fall = terms @ surface
    rest = light - fall - mean
    peak, width = _bright_side(rest[np.abs(rest) < 0.06])
    core = np.abs(rest - peak) < max(1.2 * width, 0.002)
    if np.count_nonzero(core) >= 10:
        log3 = median(tones[core] - fall[core][:, None], axis=0)
        members = np.abs(light - fall - log3.mean()) < max(3 * width, 0.006)
    elif last is not None:
        members = np.abs(light - terms @ last - mean) < tolerance
    else:
        tones, terms, members = others
        fall = terms @ surface
    spread = 1.4826 * float(median(np.abs(tones[members] - fall[members][:, None] - log3)))
    return log3, surface, spread, np.count_nonzero(members)


def normal_equations(light: np.ndarray, terms: np.ndarray, surface: np.ndarray, mean: float,
                     tolerance: float) -> tuple[int, np.ndarray, np.ndarray]:
    """For what a surface must change to pass through those pixels that lie within `tolerance` of it and `mean`: how
    many there are, the matrix (6, 6), and the right side (6,)."""
    a, b = np.empty((6, 6)), np.empty(6)
    if kernel.loops is not None and light.dtype == np.float32:
        return kernel.loops.fit_round(light, terms, len(light), surface, mean, tolerance, a, b), a, b
    rest = light - terms @ surface - mean
    members = np.abs(rest) < tolerance
    rest, some = rest[members], terms[members]
    # What is nearly as clear lies on the dark side: it has less say, or a large even sky would draw the base to itself.
    told = some * np.where(rest < -0.012, 0.1, 1.0)[:, None]
    return len(rest), np.matmul(told.T, some, out=a), np.matmul(told.T, rest, out=b)


def _bright_side(rest: np.ndarray) -> tuple[float, float]:
    """The brightest peak of a distribution of log light, and its standard deviation from what is brighter still."""
    bins = np.bincount(((rest + 0.06) * 500).astype(int), minlength=60).astype(float)
    smooth = np.convolve(bins, (1, 2, 3, 2, 1), "same")
    inner = smooth[1:-1]
    peaks = np.flatnonzero((inner >= smooth[:-2]) & (inner >= smooth[2:]) & (inner > 0.4 * smooth.max())) + 1
    if len(peaks) == 0:
        return 0.0, 0.02
    peak = (peaks[-1] + 0.5) / 500 - 0.06
    above = rest[rest > peak] - peak
    return float(peak), min(float(1.4826 * median(above)), 0.02) if len(above) > 5 else 0.02


def bare_panel(level: Level, flattened: bool | None) -> bool:
    """Whether the level alone says that a tone is the bare panel; `flattened` is None when it is not known."""
    light = 10.0 ** np.array(level.log)
    if flattened is False:
        return bool(light.min() > 0.985)
    least = min(light[0], light[2]) if flattened else light.min()
    if flattened and light[1] < MAGENTA * least:
        return True
    return bool(least > BARE and light.max() / least < 1.06)


def panel_like(level: Level, flattened: bool | None) -> bool:
    """Whether a tone may be the bare panel at all. Once the panel is divided out that has no colour and lets all light
    through: the rebate of a frame that shows a window is not a panel, however much its bars look like rebate."""
    light = 10.0 ** np.array(level.log)
    return not flattened or bool(light.max() / light.min() < 1.12 and light.min() > LEAST_BARE)


@frozen(eq=False)
class Parts:
    """What the pixels of a capture are, given its base.

    Attributes
    ----------
    kinds : uint8 (h, w)
        VOID (outside the view), PANEL, BASE, PICTURE, DARK.
    density : float32 (h, w)
        Mean density above base, negative where brighter.
    """

    kinds: np.ndarray
    density: np.ndarray
    tolerance: float


def parts(log: np.ndarray, base: Level) -> Parts:
    """Every pixel judged against the base."""
    tolerance = float(np.clip(4.5 * base.spread, 0.018, 0.045))
    density, least, most = below(log, base)
    rim = _rim(least)
    holder = rim[rim > OPAQUE]
    # Where the holder is clearly blacker than dense film, less is taken for holder.
    beyond = OPAQUE
    if len(holder) > 0.3 * len(rim):
        beyond = float(np.clip(quantile(holder, 0.1) - BLACKER, OPAQUE, MOST))
    # A holder that is not quite black can be brighter than dense film in the channel the base itself keeps dark. It is
    # the even, dark tone along the border of the view.
    rim, opaque, black = np.stack([_rim(p) for p in log]), _rim(most) > OPAQUE - 0.3, None
    if opaque.mean() > 0.3:
        holder = median(rim[:, opaque], axis=1)
        if (np.abs(rim[:, opaque] - holder[:, None]).max(axis=0) < EVEN).mean() > 0.8:
            black = (holder + EVEN).astype(np.float32)
    border = _rim(density)
    grey, lit = border > GREY, None
    if grey.mean() > ALL_ROUND:
        level = float(median(border))
        shown = level < OPAQUE and (density > level + EVEN).mean() > DARKER
        if black is None or shown:
            lit = _lit_holder(log, rim, grey, EVEN if opaque.mean() > ALL_ROUND else EVEN_GREY, shown)
    if lit is None:
        kinds = judged(log, density, least, most, beyond, black, tolerance)
    else:
        kinds = judged(log, density, least, most, np.inf if shown else beyond, None, tolerance)
        np.putmask(kinds, lit, DARK)
    dark = kinds == DARK
    if dark.any():
        film = enclosed(kinds)
        sure = np.flatnonzero(dark & ~film)
        if len(sure) < SCANT * np.count_nonzero(film):
            # Beside so much that is dense film, print and dirt may hide the rebate that encloses the rest of it.
            some = np.flatnonzero(film)
            dense = median(log.reshape(3, -1)[:, some[::max(1, len(some) // SAMPLED)]], axis=1) - EVEN
            film |= dark & brighter(log, dense)
        elif len(sure) > 0.02 * dark.size:
            # Bars between the windows of a holder are enclosed as well, and as black as the rest of it.
            holder = median(log.reshape(3, -1)[:, sure[::max(1, len(sure) // SAMPLED)]], axis=1)
            black = holder + EVEN
            above = brighter(log, black, every=False)
            if lit is not None and shown:
                above |= ~lit
            film &= above
        np.putmask(kinds, film, PICTURE)
        bevel = _bevel(kinds, least)
        if bevel is not None:
            np.putmask(kinds, bevel, DARK)
    return Parts(kinds, density, tolerance)


def brighter(log: np.ndarray, level: np.ndarray, *, every: bool = True) -> np.ndarray:
    """bool (h, w): where every channel, or any, lets through more light than `level` (3,)."""
    level = level.astype(np.float32)
    if kernel.loops is not None and log.flags.c_contiguous:
        out = np.empty(log.shape[1:], bool)
        kernel.loops.brighter(log, out.size, level, every, out)
        return out
    above = log[0] > level[0], log[1] > level[1], log[2] > level[2]
    return above[0] & above[1] & above[2] if every else above[0] | above[1] | above[2]


def _bevel(kinds: np.ndarray, least: np.ndarray) -> np.ndarray | None:
    """bool (h, w): what is dark along a holder, and as dark as what lies between it and clear film all round: its
    edge, which the panel shines on. None where there is no such rim broader than a penumbra; `least` as of `below`."""
    most, rims, lines = int(BEVEL * max(kinds.shape)), [], 0
    for plane, light in ((kinds[::16], least[::16]), (kinds[:, ::16].T, least[:, ::16].T)):
        for plane, light in ((plane, light), (plane[:, ::-1], light[:, ::-1])):
            plane, light = plane[plane[:, 0] == DARK], light[plane[:, 0] == DARK]
            clear = ((plane == BASE) | (plane == PANEL)).argmax(axis=1)
            broad = np.count_nonzero((plane == PICTURE) & (np.arange(plane.shape[1]) < clear[:, None]), axis=1)
            lines += np.count_nonzero(clear)
            some = np.flatnonzero((clear > DIM) & (broad < most))
            rims.append(np.stack([broad[some], light[some, clear[some] - np.maximum(broad[some] // 2, DIM)]]))
    broad, dark = np.concatenate(rims, axis=1)
    if len(broad) < RIMMED * lines or not lines or median(broad) < BROAD:
        return None
    level = quantile(dark[broad >= BROAD], 0.1)
    if level < LEAST_DARK:
        return None
    dark, dim = kinds == DARK, (kinds == PICTURE) & (least > level - EVEN)
    return dim & _outer(dark | dim) & near(dark, int(quantile(broad, 0.9)) + 1)


def near(mask: np.ndarray, by: int) -> np.ndarray:
    """True within `by` pixels of what is, along rows and columns."""
    out = mask.copy()
    for plane in (out, out.T):
        done = 0
        while done < by:
            step = min(done + 1, by - done)
            was = plane.copy("K")
            plane[step:] |= was[:-step]
            plane[:-step] |= was[step:]
            done += step
    return out


def _lit_holder(log: np.ndarray, rim: np.ndarray, grey: np.ndarray, even: float, shown: bool) -> np.ndarray | None:
    """bool (h, w): a holder that stray light lies on, from the border of the view on as far as a surface through the log
    light along that border, `rim` (3, n), where it is `grey`, goes on; None where that is not `even`. A picture that
    fills the view is never so even all round, nor is film on a panel so dark. `shown`: film may be darker."""
    shape = log.shape[1:]
    x, y = axes(shape)
    across, down = (_rim(np.broadcast_to(v, shape)) for v in (x[None, :], y[:, None]))
    terms = np.stack([np.ones_like(across), across, down, across * across + down * down])
    use = grey
    for _ in range(3):
        surface = np.linalg.lstsq(terms[:, use].T, rim[:, use].T, rcond=None)[0].T
        off = np.abs(rim - surface @ terms).max(axis=0)
        use = grey & (off < EVEN)
        if 2 * np.count_nonzero(use) < np.count_nonzero(grey):
            return None
    if quantile(off[grey], 0.8) > even:
        return None
    out = np.ones(shape, bool)
    for plane, (a, b, c, d) in zip(log, surface.astype(np.float32)):
        above = plane - ((b * x + d * x * x)[None, :] + (a + c * y + d * y * y)[:, None])
        out &= (np.abs(above) if shown else above) < np.float32(EVEN)
    return _outer(out) if shown else out


def below(log: np.ndarray, base: Level) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """By how much every pixel is darker than the base, float32 (h, w): the mean, the least and the most of its
    channels."""
    density, least, most = (np.empty(log.shape[1:], np.float32) for _ in range(3))
    if kernel.loops is not None and log.flags.c_contiguous:
        kernel.loops.below(log, *log.shape[1:], *base.along(log.shape[1:]), np.array(base.log, np.float32), density,
                           least, most)
        return density, least, most
    surface = base.over(log.shape[1:])
    for part in blocks(len(surface)):
        red, green, blue = (surface[part] + np.float32(base.log[c]) - log[c, part] for c in range(3))
        np.minimum(np.minimum(red, green), blue, out=least[part])
        np.maximum(np.maximum(red, green), blue, out=most[part])
        np.multiply(red + green + blue, np.float32(1 / 3), out=density[part])
    return density, least, most


def judged(log: np.ndarray, density: np.ndarray, least: np.ndarray, most: np.ndarray, beyond: float,
           black: np.ndarray | None, tolerance: float) -> np.ndarray:
    """uint8 (h, w): the kinds of pixels `below` the base by so much, dense film inside the holder taken for holder.

    `beyond` is the density, and `black` (3,) the log light where it is known, from which on it is dark.
    """
    kinds = np.full(density.shape, PICTURE, np.uint8)
    if kernel.loops is not None and log.flags.c_contiguous:
        kernel.loops.kinds(log, density, least, most, *density.shape, black, beyond, tolerance, 1.6 * tolerance,
                           2 * tolerance, kinds)
        return kinds
    np.putmask(kinds, _outer(least > beyond), DARK)
    if black is not None:
        np.putmask(kinds, (log[0] < black[0]) & (log[1] < black[1]) & (log[2] < black[2]), DARK)
    clear = (most < 1.6 * tolerance) & (least > -1.6 * tolerance) & (np.abs(density) < tolerance)
    np.putmask(kinds, clear, BASE)
    np.putmask(kinds, (density < -tolerance) & (most < 2 * tolerance), PANEL)
    return kinds


def blocks(rows: int, size: int = 64) -> Iterator[slice]:
    """Slices of rows few enough that several steps on them stay in a processor's cache."""
    for low in range(0, rows, size):
        yield slice(low, low + size)


def _outer(dark: np.ndarray) -> np.ndarray:
    """Where darkness goes on, straight along a row or a column, to the border of the view: holder, and not dense film,
    which rebate surrounds."""
    out = np.zeros(dark.shape, bool)
    for plane, mark in ((dark, out), (dark.T, out.T)):
        n, place = plane.shape[1], np.arange(plane.shape[1], dtype=np.int16)
        if not (plane[:, 0].any() or plane[:, -1].any()):
            continue
        light = ~np.ascontiguousarray(plane)
        some = light[np.arange(len(light)), light.argmax(axis=1)]
        mark |= place < np.where(some, light.argmax(axis=1), n).astype(np.int16)[:, None]
        mark |= place >= np.where(some, n - light[:, ::-1].argmax(axis=1), 0).astype(np.int16)[:, None]
    return out


def enclosed(kinds: np.ndarray) -> np.ndarray:
    """What is dark between clear places of its row, or of its column: a holder's opening is convex, so no holder is."""
    out = np.zeros(kinds.shape, bool)
    if kernel.loops is not None:
        kernel.loops.enclosed(kinds, *kinds.shape, out)
        return out
    clear = (kinds == BASE) | (kinds == PANEL)
    for plane, mark in ((clear[:, 1:] & clear[:, :-1], out), ((clear[1:] & clear[:-1]).T, out.T)):
        n, place = plane.shape[1], np.arange(mark.shape[1], dtype=np.int16)
        some = plane.any(axis=1)
        first = np.where(some, plane.argmax(axis=1), n + 1).astype(np.int16)
        last = np.where(some, n - plane[:, ::-1].argmax(axis=1), -1).astype(np.int16)
        mark |= (place > first[:, None]) & (place < last[:, None])
    out &= kinds == DARK
    return out


def _rim(plane: np.ndarray) -> np.ndarray:
    """Every third value along the border of the view."""
    return np.concatenate([plane[0, ::3], plane[-1, ::3], plane[::3, 0], plane[::3, -1]])

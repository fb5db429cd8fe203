"""Calibrating a film: fitting its unmixing, curves and matrix to a photographed chart or step wedge."""
from __future__ import annotations

import csv
import math
from dataclasses import replace

import numpy as np

from . import colour
from .base import FilmBase, sample_base
from .capture import Capture, Meta
from .reading import read
from .density import Curve, density
from .errors import InputError
from .film import Film, Residuals, film_kind, wide_channels
from .textfile import read_text

#: Bytes of a list of patches.
MAX_TABLE = 200_000
#: Below these numbers of usable patches a chart cannot carry a fit.
LEAST_COLOUR, LEAST_MONO = 12, 4
#: A patch's inner part that is read, so that its edges and a rectangle drawn a little off do no harm.
INNER = 0.8
#: A patch is uneven when the densities of its quarters part by more than this.
UNEVEN = 0.04
#: Weight of one spread of a value in CIELAB units, against which the patches' errors count; from where on an error
#: counts by its size only.
RIDGE, ROBUST = 0.6, 4.0
#: Eyes and standards ask more of greys.
GREY_WEIGHT = 1.5
#: A patch further off its fit than this (CIEDE2000, or L* for mono), and than four times the usual, is left out.
OUTLYING = 6.0


def calibrate(capture, base, patches, xyz, *, kind: str | None = None, name: str = "calibrated film",
              meta: Meta | None = None, clipped=None) -> Film:
    """A film from a chart photographed on it.

    Parameters
    ----------
    capture : Capture, or ndarray (H, W, 3)
        Of the chart's negative, flattened; linear, panel = 1.
    base : FilmBase or (3,)
        Transmittance of the base.
    patches : array_like (N, 4)
        Rectangles x, y, w, h in capture pixels.
    xyz : array_like (N, 3)
        CIE XYZ of the patches under D50, perfect diffuser Y = 1. For mono only Y counts.
    kind : {"colour", "mono"}, optional
        By default told from base and densities.
    name : str
    meta : Meta, optional
        Of the capture, where `capture` is an array.
    clipped : ndarray bool (H, W, 3), optional
        Where the capture was saturated before it was flattened.

    Returns
    -------
    Film
        For this stock, development, panel and camera. ``film.residuals`` says how well it gives back the chart, patch
        by patch; ``film.notes`` what was left out and what the chart falls short of.

    Raises
    ------
    InputError
        If the chart is unfit: too few patches, outside the capture, clipped, or without contrast.

    Notes
    -----
    Of a patch's inner part the middle half of the pixels by brightness is read, so dirt does no harm. Slopes, toe and
    shoulder of the layers, the unmixing and the matrix are fitted together to CIELAB by least squares with a ridge
    towards what is usual, loosely enough for a chart of 24 patches and tightly enough that 12 do not ring; a patch that
    lies far off what the others say is left out and named.
    """
    path = getattr(capture, "path", "") or "chart"
    meta = meta or getattr(capture, "meta", Meta())
    data = capture.data if isinstance(capture, Capture) else np.asarray(capture)
    xyz = np.asarray(xyz, float).reshape(-1, 3)
    base_rgb = np.array(base.rgb if isinstance(base, FilmBase) else base, float)
    if base_rgb.shape != (3,) or not np.isfinite(base_rgb).all() or (base_rgb <= 0).any():
        raise InputError(path, "the base is not three positive numbers", "sample it from the rebate")
    notes: list[str] = []
    if clipped is None and isinstance(capture, Capture) and not capture.flattened:
        clipped = capture.saturated()
    light, fit_for = read_patches(data, patches, path=path, base=base_rgb, clipped=clipped, notes=notes)
    if len(xyz) != len(light):
        raise InputError(path, f"has {len(light)} patches but {len(xyz)} reference values", "give one XYZ a patch")
    wrong = ~(np.isfinite(xyz).all(axis=1) & (xyz[:, 1] > 0) & (xyz[:, 1] < 1.6))
    if wrong.any():
        raise InputError(path, f"reference value {int(np.flatnonzero(wrong)[0]) + 1} is no XYZ with diffuser Y = 1",
                         "give X, Y, Z between 0 and about 1")
    above = density(light, base_rgb)
    if kind is None:
        kind, reason = film_kind(-np.log10(base_rgb), above[fit_for])
        notes.append(f"taken for {kind}: {reason}")
    # Wide channels stand closer to the layers, so that less is left to unmix.
    sensing = "wide" if kind == "colour" and meta.camera_matrix is not None else "camera"
    if sensing == "wide":
        through = wide_channels(meta, base_rgb)
        above = density(light @ through.T, through @ base_rgb)
    enough = LEAST_MONO if kind == "mono" else LEAST_COLOUR
    if fit_for.sum() < enough:
        raise InputError(path, f"has {int(fit_for.sum())} usable patches, {enough} are needed",
                         "photograph a chart with more patches, not clipped and on the film")
    if np.ptp(above[fit_for].mean(axis=1)) < 0.3:
        raise InputError(path, "has patches of almost one density",
                         "check the rectangles: they must lie on the patches")
    if np.corrcoef(above[fit_for].mean(axis=1), np.log10(xyz[fit_for, 1]))[0, 1] < 0.3:
        raise InputError(path, "has patches whose densities do not follow the reference values",
                         "check the order of the patches, and that the capture is a negative")
    fit = _Mono(above, xyz) if kind == "mono" else _Colour(above, xyz, sensing)
    kept = fit_for.copy()
    values = fit.solve(kept)
    for _ in range(3):
        error = fit.error(values)
        usual = float(np.median(error[kept]))
        far = kept & (error > max(OUTLYING, 4 * usual))
        if not far.any() or (kept & ~far).sum() < max(enough, 0.75 * fit_for.sum()):
            break
        worst = int(np.argmax(np.where(far, error, -1)))
        kept[worst] = False
        notes.append(f"patch {worst + 1} left out: {error[worst]:.1f} away from what the others say")
        values = fit.solve(kept)
    error = fit.error(values)
    inside = error[kept]
    residuals = Residuals(tuple(float(e) if k else math.nan for e, k in zip(error, kept)), float(inside.mean()),
                          float(np.quantile(inside, 0.9)), float(inside.max()), fit.crossed(values, kept))
    notes += fit.shortcomings(kept)
    if residuals.crossed > 4:
        notes.append(f"patches left out of the fit come back {residuals.crossed:.1f} off: the chart carries little")
    return fit.film(values, name=name, camera=meta.camera or None, notes=tuple(notes), residuals=residuals)


def read_patches(data: np.ndarray, patches, *, path="chart", base=None, clipped=None, notes: list[str] | None = None):
    """Light of patches, and which can be used.

    Parameters
    ----------
    data : ndarray (H, W, 3)
    patches : array_like (N, 4)
        x, y, w, h in pixels.
    base : (3,), optional
        A patch brighter than this is not on the film.
    clipped : ndarray bool (H, W, 3), optional
    notes : list of str, optional
        What was found wrong is added.

    Returns
    -------
    light : ndarray (N, 3)
    usable : ndarray bool (N,)

    Raises
    ------
    InputError
    """
    rects = np.asarray(patches, float)
    if rects.ndim != 2 or rects.shape[1] != 4 or not np.isfinite(rects).all() or not len(rects):
        raise InputError(path, "needs patches as rows of x, y, w, h", "give one rectangle a patch")
    height, width = data.shape[:2]
    notes = [] if notes is None else notes
    light, usable = np.ones((len(rects), 3)), np.ones(len(rects), bool)
    for i, (x, y, w, h) in enumerate(rects):
        if w <= 0 or h <= 0 or x < -0.5 or y < -0.5 or x + w > width + 0.5 or y + h > height + 0.5:
            raise InputError(path, f"patch {i + 1} ({x:g},{y:g},{w:g},{h:g}) does not lie within the {width} x "
                             f"{height} capture", "give x,y,w,h in capture pixels")
        rows, columns = _inner(y, h, height), _inner(x, w, width)
        block = np.asarray(data[rows, columns], float)
        light[i] = _middle(block.reshape(-1, 3))
        fault = _fault(block, light[i], base)
        if not fault and clipped is not None and clipped[rows, columns].mean(axis=(0, 1)).max() > 0.02:
            fault = "a channel is clipped"
        if fault:
            usable[i] = False
            notes.append(f"patch {i + 1} left out: {fault}")
        elif _uneven(block) > UNEVEN:
            notes.append(f"patch {i + 1} is uneven by {_uneven(block):.2f} in density")
    return light, usable


def _middle(pixels: np.ndarray) -> np.ndarray:
    """Mean of the middle half of pixels (N, 3) by brightness: deaf to dirt like a median, but less noisy."""
    order = np.argsort(pixels.sum(axis=1))
    quarter = len(order) // 4
    return pixels[order[quarter:len(order) - quarter]].mean(axis=0)


def _inner(start: float, size: float, limit: int) -> slice:
    margin = size * (1 - INNER) / 2
    first = min(max(round(start + margin), 0), limit - 1)
    return slice(first, max(first + 1, min(round(start + size - margin), limit)))


def _fault(block: np.ndarray, light: np.ndarray, base) -> str:
    if not np.isfinite(light).all() or light.min() <= 1e-5:
        return "no light comes through"
    if base is not None and (light > 1.03 * np.asarray(base)).any():
        return "it is brighter than the base"
    if block.shape[1] >= 4:
        # Light that is counted is noisy; a channel without noise beside others that have it has met a ceiling.
        noise = np.median(np.abs(np.diff(block, axis=1)), axis=(0, 1)) / light
        if noise.max() > 1e-3 and noise.min() < 0.02 * noise.max():
            return "a channel is clipped"
    return ""


def _uneven(block: np.ndarray) -> float:
    """Largest difference in density between the medians of a patch's quarters."""
    h, w = block.shape[:2]
    if h < 4 or w < 4:
        return 0.0
    quarters = [np.median(q.reshape(-1, 3), axis=0) for half in (block[:h // 2], block[h // 2:])
                for q in (half[:, :w // 2], half[:, w // 2:])]
    return float(np.ptp(density(np.array(quarters)), axis=0).max())


def chart_patches(corners, *, columns: int = 6, rows: int = 4, fill: float = 0.6) -> np.ndarray:
    """Rectangles of the patches of a chart laid out in rows, from its four corners.

    Parameters
    ----------
    corners : array_like (4, 2)
        x, y of the outer corners of the patches' grid, clockwise from the top left of the chart as it is read (so a
        turned chart starts elsewhere in the capture). Perspective is taken into account.
    columns, rows : int
    fill : float
        Side of the rectangles against the distance of the patches.

    Returns
    -------
    ndarray (rows * columns, 4)
        x, y, w, h in reading order, square to the capture.

    Examples
    --------
    >>> chart_patches([(0, 0), (60, 0), (60, 40), (0, 40)], fill=0.5)[0].tolist()
    [2.5, 2.5, 5.0, 5.0]
    """
    to = np.asarray(corners, float)
    if to.shape != (4, 2) or not np.isfinite(to).all():
        raise InputError("chart", "needs four corners x, y", "give them clockwise from the chart's top left")
    source = np.array([(0, 0), (columns, 0), (columns, rows), (0, rows)], float)
    system = [row for (x, y), (u, v) in zip(source, to)
              for row in ((x, y, 1, 0, 0, 0, -u * x, -u * y), (0, 0, 0, x, y, 1, -v * x, -v * y))]
    try:
        h = np.append(np.linalg.solve(np.array(system), to.ravel()), 1).reshape(3, 3)
    except np.linalg.LinAlgError:
        raise InputError("chart", "has corners on one line", "give them clockwise from the chart's top left") from None

    def place(x, y):
        p = h @ (x, y, 1)
        return p[:2] / p[2]

    out = []
    for row in range(rows):
        for column in range(columns):
            middle = place(column + 0.5, row + 0.5)
            across = place(column + 1, row + 0.5) - place(column, row + 0.5)
            down = place(column + 0.5, row + 1) - place(column + 0.5, row)
            # The largest upright rectangle of a turned cell is smaller by the lean of its sides.
            lean = 1 + abs(across[0] * across[1]) / max(across @ across, 1e-9)
            w, h_ = (max(abs(across[i]), abs(down[i])) * fill / lean for i in (0, 1))
            out.append((middle[0] - w / 2, middle[1] - h_ / 2, w, h_))
    return np.array(out)


# ---- the fits -------------------------------------------------------------------------------------------------------

def _rows_to_one(off_diagonal: np.ndarray) -> np.ndarray:
    """A 3x3 matrix whose rows add up to 1, from its off-diagonal elements by rows."""
    matrix = np.zeros((3, 3))
    matrix[~np.eye(3, dtype=bool)] = off_diagonal
    return matrix + np.diag(1 - matrix.sum(axis=1))


class _Colour:
    """Unmixing, three curves and matrix, as one vector of 24 values."""

    #: What is usual among films for any camera (benchmarks/generic_film.py): off-diagonal unmixing and matrix by rows.
    USUAL = (0.0, -0.05, -0.7, 0.0, -0.2, -0.4, -0.9, 0.0, -0.1, -0.1, 0.0, -0.2)
    #: How far values lie from the usual.
    SPREAD = np.array([0.4] * 6 + [0.25] * 3 + [0.3] * 3 + [0.5] * 3 + [0.5] * 3 + [0.4] * 6)

    def __init__(self, above: np.ndarray, xyz: np.ndarray, sensing: str) -> None:
        self.above, self.xyz, self.sensing = above, xyz, sensing
        self.lab = lab(xyz)
        chroma = np.hypot(self.lab[:, 1], self.lab[:, 2])
        # CIE94 weights of chroma, since CIEDE2000 has corners that a fit does not like.
        self.weight = np.stack([np.ones(len(xyz)), 1 / (1 + 0.045 * chroma), 1 / (1 + 0.03 * chroma)], axis=1)
        self.weight *= np.where(chroma < 8, GREY_WEIGHT, 1.0)[:, None]
        self.to_xyz = np.array(colour.matrix("srgb", "xyz-d50"))
        chroma_order = np.argsort(chroma)
        self.grey = chroma_order[:max(6, int((chroma < 8).sum()))]
        self.start = self._start(1.0)

    def _start(self, share: float) -> np.ndarray:
        """The usual unmixing and matrix to some extent, then straight lines through the greyest patches."""
        off = share * np.array(self.USUAL)
        layers = self.above[self.grey] @ _rows_to_one(off[:6]).T
        level = np.log10(self.xyz[self.grey, 1])
        slope, place = np.full(3, 0.6), np.full(3, -2.0)
        for c in range(3):
            if np.ptp(level) > 0.4:
                slope[c] = np.clip(np.polyfit(level, layers[:, c], 1)[0], 0.25, 1.5)
            place[c] = np.median(level - layers[:, c] / slope[c])
        return np.concatenate([off[:6], np.log(slope), place, np.log([0.25] * 3), [0.0] * 3, off[6:]])

    def parts(self, values: np.ndarray):
        unmix, matrix = _rows_to_one(values[:6]), _rows_to_one(values[18:])
        curves = tuple(_curve(g, s, t, 2.4, k)
                       for g, s, t, k in zip(values[6:9], values[9:12], values[12:15], values[15:18]))
        return unmix, curves, matrix

    def predicted(self, values: np.ndarray, rows=slice(None)) -> np.ndarray:
        unmix, curves, matrix = self.parts(values)
        layers = self.above[rows] @ unmix.T
        h = np.stack([10.0 ** np.clip(c.log_exposure(layers[:, i]), -6, 1) for i, c in enumerate(curves)], axis=1)
        return lab(h @ matrix.T @ self.to_xyz.T)

    def solve(self, kept: np.ndarray, start: np.ndarray | None = None) -> np.ndarray:
        rows = np.flatnonzero(kept)
        first = self.start

        def residual(step):
            values = first + step * self.SPREAD
            off = (self.predicted(values, rows) - self.lab[rows]) * self.weight[rows]
            return np.concatenate([off.ravel(), step * RIDGE])

        if start is not None:
            return first + _least(residual, [(start - first) / self.SPREAD]) * self.SPREAD
        # Films seen by a camera with broad channels are far from the usual, and the way there is not always downhill.
        starts = [(self._start(share) - first) / self.SPREAD for share in (0.3, 1.0, 2.5)]
        return first + _least(residual, starts) * self.SPREAD

    def error(self, values: np.ndarray) -> np.ndarray:
        return delta_e(self.predicted(values), self.lab)

    def crossed(self, values: np.ndarray, kept: np.ndarray) -> float:
        rows = np.flatnonzero(kept)
        out = []
        for part in range(min(8, len(rows))):
            left = rows[part::8]
            others = kept.copy()
            others[left] = False
            again = self.solve(others, values)
            out += list(delta_e(self.predicted(again, left), self.lab[left]))
        return float(np.mean(out))

    def shortcomings(self, kept: np.ndarray) -> list[str]:
        chroma = np.hypot(self.lab[kept, 1], self.lab[kept, 2])
        notes = []
        if (chroma < 8).sum() < 3:
            notes.append("the chart has fewer than three greys: slopes rest on its colours")
        if (chroma > 25).sum() < 6:
            notes.append("the chart has fewer than six strong colours: unmixing and matrix stay near the usual")
        if np.ptp(self.lab[kept, 0]) < 50:
            notes.append("the chart spans less than 50 in L*: toe and shoulder stay near the usual")
        return notes

    def film(self, values: np.ndarray, **said) -> Film:
        unmix, curves, matrix = self.parts(values)
        return Film(kind="colour", sensing=self.sensing, unmix=unmix, curves=curves, matrix=matrix,
                    source=f"chart of {len(self.xyz)} patches", **said)


def _curve(gamma: float, start: float, toe: float, top: float, lower: float) -> Curve:
    """A curve of logarithms of gamma and toe, and of how far the usual top is to be divided; what no film has, a fit to a chart
    that is none may ask for, and gets the nearest there is."""
    gamma, toe, top = np.exp(np.clip([gamma, toe, np.log(top) - lower], -4, 4))
    return Curve(float(gamma), float(np.clip(start, -50, 50)), float(toe), float(top), 0.25)


class _Mono:
    """One curve: gamma, start, toe, top."""

    SPREAD = np.array([0.4, 0.5, 0.7, 0.5])

    def __init__(self, above: np.ndarray, xyz: np.ndarray) -> None:
        from .balance import mono_weights

        self.combine = mono_weights(above)
        self.above = above @ np.array(self.combine[0])
        self.y = xyz[:, 1]
        self.lightness = lab(xyz)[:, 0]
        level = np.log10(self.y)
        slope = float(np.clip(np.polyfit(level, self.above, 1)[0], 0.25, 2.0))
        self.start = np.array([np.log(slope), float(np.median(level - self.above / slope)), np.log(0.2), 0.0])

    def curve(self, values: np.ndarray) -> Curve:
        gamma, start, toe, top = values
        return _curve(gamma, start, toe, 2.6, top)

    def predicted(self, values: np.ndarray, rows=slice(None)) -> np.ndarray:
        h = 10.0 ** np.clip(self.curve(values).log_exposure(self.above[rows]), -6, 1)
        return lab(h[:, None] * np.array(colour.PCS_WHITE))[:, 0]

    def solve(self, kept: np.ndarray, start: np.ndarray | None = None) -> np.ndarray:
        rows = np.flatnonzero(kept)

        def residual(step):
            off = self.predicted(self.start + step * self.SPREAD, rows) - self.lightness[rows]
            return np.concatenate([off, step * RIDGE])

        starts = [np.zeros(4), np.ones(4)] if start is None else [(start - self.start) / self.SPREAD]
        return self.start + _least(residual, starts) * self.SPREAD

    def error(self, values: np.ndarray) -> np.ndarray:
        return np.abs(self.predicted(values) - self.lightness)

    def crossed(self, values: np.ndarray, kept: np.ndarray) -> float:
        out = []
        for left in np.flatnonzero(kept):
            others = kept.copy()
            others[left] = False
            out.append(abs(self.predicted(self.solve(others, values), [left])[0] - self.lightness[left]))
        return float(np.mean(out))

    def shortcomings(self, kept: np.ndarray) -> list[str]:
        span = np.ptp(np.log10(self.y[kept]))
        return [f"the wedge spans {span:.1f} in density, less than 1.2"] if span < 1.2 else []

    def film(self, values: np.ndarray, **said) -> Film:
        return Film(kind="mono", sensing="camera", unmix=self.combine, curves=(self.curve(values),), matrix=((1.0,),),
                    source=f"step wedge of {len(self.y)} steps", **said)


def _least(residual, starts: list[np.ndarray]) -> np.ndarray:
    """Least squares from the best of several starts; residuals above `ROBUST` count by their size, not its square."""
    from scipy.optimize import least_squares

    near = starts[0]
    if len(starts) > 1:
        tried = [least_squares(residual, start, max_nfev=12) for start in starts]
        near = least_squares(residual, min(tried, key=lambda t: t.cost).x, max_nfev=60).x
    return least_squares(residual, near, loss="soft_l1", f_scale=ROBUST, max_nfev=60).x


# ---- CIELAB ---------------------------------------------------------------------------------------------------------

def lab(xyz) -> np.ndarray:
    """CIE L*a*b* (..., 3) of XYZ under D50 (ISO/CIE 11664-4)."""
    ratio = np.asarray(xyz, float) / np.array(colour.PCS_WHITE)
    f = np.where(ratio > 216 / 24389, np.cbrt(ratio), (24389 / 27 * ratio + 16) / 116)
    return np.stack([116 * f[..., 1] - 16, 500 * (f[..., 0] - f[..., 1]), 200 * (f[..., 1] - f[..., 2])], axis=-1)


def delta_e(first, second) -> np.ndarray:
    """CIEDE2000 colour difference of L*a*b* values (..., 3) (ISO/CIE 11664-6)."""
    (l1, a1, b1), (l2, a2, b2) = (np.moveaxis(np.asarray(v, float), -1, 0) for v in (first, second))
    mean7 = ((np.hypot(a1, b1) + np.hypot(a2, b2)) / 2) ** 7
    stretch = 1 + 0.5 * (1 - np.sqrt(mean7 / (mean7 + 25.0 ** 7)))
    a1, a2 = a1 * stretch, a2 * stretch
    c1, c2 = np.hypot(a1, b1), np.hypot(a2, b2)
    h1, h2 = (np.degrees(np.arctan2(b, a)) % 360 for a, b in ((a1, b1), (a2, b2)))
    turn = np.where(c1 * c2 == 0, 0, (h2 - h1 + 180) % 360 - 180)
    dl, dc, dh = l2 - l1, c2 - c1, 2 * np.sqrt(c1 * c2) * np.sin(np.radians(turn) / 2)
    lm, cm = (l1 + l2) / 2, (c1 + c2) / 2
    hm = np.where(c1 * c2 == 0, h1 + h2, (h1 + turn / 2) % 360)
    t = (1 - 0.17 * np.cos(np.radians(hm - 30)) + 0.24 * np.cos(np.radians(2 * hm))
         + 0.32 * np.cos(np.radians(3 * hm + 6)) - 0.20 * np.cos(np.radians(4 * hm - 63)))
    sl = 1 + 0.015 * (lm - 50) ** 2 / np.sqrt(20 + (lm - 50) ** 2)
    sc, sh = 1 + 0.045 * cm, 1 + 0.015 * cm * t
    rt = (-2 * np.sqrt(cm ** 7 / (cm ** 7 + 25.0 ** 7))
          * np.sin(np.radians(60 * np.exp(-(((hm - 275) / 25) ** 2)))))
    return np.sqrt((dl / sl) ** 2 + (dc / sc) ** 2 + (dh / sh) ** 2 + rt * dc / sc * dh / sh)


# ---- files ----------------------------------------------------------------------------------------------------------

def read_table(path) -> tuple[np.ndarray, np.ndarray]:
    """Patches (N, 4) and XYZ (N, 3) of a CSV file with the columns x, y, w, h, X, Y, Z.

    Raises
    ------
    InputError
    """
    remedy = "columns x,y,w,h (capture pixels) and X,Y,Z (CIE, D50, diffuser Y = 1)"
    try:
        lines = read_text(path, most=MAX_TABLE, remedy=remedy).removeprefix("\ufeff").splitlines(keepends=True)
        rows = [row for row in csv.reader(line for line in lines if line.strip() and not line.startswith("#"))]
    except csv.Error as error:
        raise InputError(path, f"is not CSV ({error})", remedy) from None
    wanted = ["x", "y", "w", "h", "X", "Y", "Z"]
    head = [cell.strip() for cell in rows[0]] if rows else []
    if not set(wanted) <= set(head):
        missing = ", ".join(c for c in wanted if c not in head)
        raise InputError(path, f"lacks the column{'s' * (missing.count(',') > 0)} {missing}", remedy)
    out = []
    for number, row in enumerate(rows[1:], 2):
        try:
            out.append([float(row[head.index(c)]) for c in wanted])
            if not all(map(math.isfinite, out[-1])):
                raise ValueError
        except (ValueError, IndexError):
            raise InputError(path, f"row {number} is not seven numbers", remedy) from None
    if not out:
        raise InputError(path, "has no patches", remedy)
    table = np.array(out)
    return table[:, :4], table[:, 4:]


def calibrate_file(chart, table, *, panel=None, base=None, kind: str | None = None,
                   name: str = "calibrated film") -> Film:
    """`calibrate` from files: what `negconv calibrate` does.

    Parameters
    ----------
    chart : path or Capture
        The chart's negative.
    table : path
        CSV with the columns x, y, w, h, X, Y, Z.
    panel : path, Capture or PanelField, optional
    base : FilmBase, (x, y, w, h), (r, g, b), or path or Capture of blank leader, optional
        By default sampled from the rebate.
    kind, name
        As for `calibrate`.
    """
    from .flat import flatten

    patches, xyz = read_table(table)
    capture = chart if isinstance(chart, Capture) else read(chart)
    clipped = None if capture.flattened else capture.saturated()
    flat = capture if panel is None else flatten(capture, panel)
    film = calibrate(flat, _base_from(flat, base, panel), patches, xyz, kind=kind, name=name, clipped=clipped)
    if panel is None and not capture.flattened:
        film = replace(film, notes=film.notes + ("no panel frame: the panel's unevenness is in the film",))
    return film


def _base_from(flat: Capture, base, panel) -> FilmBase:
    """A base from whatever a user may give."""
    if isinstance(base, FilmBase):
        return base
    if base is None:
        from .search import find_frames

        return sample_base(flat, find_frames(flat))
    if isinstance(base, (tuple, list, np.ndarray)):
        if len(base) == 3:
            return FilmBase(tuple(map(float, base)))
        return sample_base(flat, rect=tuple(base))
    from .flat import flatten

    leader = base if isinstance(base, Capture) else read(base)
    return sample_base(leader if panel is None or leader.flattened else flatten(leader, panel))

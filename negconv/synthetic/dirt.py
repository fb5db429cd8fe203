"""Dirt on a negative, with its truth: dust, hairs, scratches light and dark, drying marks; dirt on sensor and panel.

Invented for demo, tests and benchmarks. Dirt lies on film, so it acts on transmittance: dust and hairs block light in
all channels alike, a scratch in the emulsion takes density away, a scratch in the back scatters light, a drying mark
leaves a faint rim. Shares no code with the detector.
"""
from __future__ import annotations

from dataclasses import dataclass

import numpy as np

KINDS = ("speck", "fibre", "scratch", "drying mark")


@dataclass(frozen=True)
class Defect:
    """One piece of dirt.

    Attributes
    ----------
    label : int
        Its value in `Dirt.labels`.
    kind : str
        One of `KINDS`.
    light : bool
        Light in the positive (it blocks light on the film).
    x, y : float
        Centre, pixels.
    area : int
        Pixels at least half covered.
    depth : float
        Share of the light (light dirt) or of the density (dark scratches) it takes away.
    """

    label: int
    kind: str
    light: bool
    x: float
    y: float
    area: int
    depth: float


@dataclass(frozen=True, eq=False)
class Dirt:
    """Dirt over a picture.

    Attributes
    ----------
    factor : float32 array (h, w)
        Multiplies transmittance.
    removed : float32 array (h, w) or None
        Share of the density above base that a scratch has taken off.
    labels : int32 array (h, w)
        0, or the label of the defect that covers at least half of the pixel.
    defects : tuple of Defect
    """

    factor: np.ndarray
    removed: np.ndarray | None
    labels: np.ndarray
    defects: tuple[Defect, ...]

    def over(self, transmittance: np.ndarray, base) -> np.ndarray:
        """Transmittance (h, w) or (h, w, c) of the dirty film; `base` is the transmittance of unexposed film."""
        plane = transmittance.ndim == 2
        film = transmittance[..., None] if plane else transmittance
        out = film * self.factor[..., None]
        if self.removed is not None:
            bare = np.asarray(base, np.float32).reshape(-1)
            out *= (bare / np.maximum(film, 1e-6)) ** self.removed[..., None]
        return (out[..., 0] if plane else out).astype(np.float32)


def make_dirt(shape, rng: np.random.Generator, *, specks: int = 60, fibres: int = 6, scratches: int = 1,
              dark_scratches: int = 0, marks: int = 0, size: float = 9.0, depth: tuple[float, float] = (0.3, 1.0),
              soft: float = 0.6) -> Dirt:
    """Dirt scattered over a picture.

    Parameters
    ----------
    shape : (int, int)
    rng : numpy.random.Generator
    specks, fibres, scratches, dark_scratches, marks : int
        How many of each.
    size : float
        Median extent of a speck in pixels; hairs are about two thirds as wide.
    depth : (float, float)
        Range of the share of light that dust and hairs take.
    soft : float
        Standard deviation of the copying lens's blur, pixels.

    Examples
    --------
    >>> dirt = make_dirt((200, 300), np.random.default_rng(1), specks=5, fibres=1, scratches=0)
    >>> [d.kind for d in dirt.defects].count("speck"), float(dirt.factor.min()) < 0.7
    (5, True)
    """
    factor = np.ones(shape, np.float32)
    removed = np.zeros(shape, np.float32) if dark_scratches else None
    labels = np.zeros(shape, np.int32)
    defects: list[Defect] = []
    plan = (["drying mark"] * marks + ["scratch"] * scratches + ["dark"] * dark_scratches + ["fibre"] * fibres
            + ["speck"] * specks)
    for what in plan:
        kind = "scratch" if what == "dark" else what
        light = what != "dark"
        for _ in range(20):
            place = rng.uniform((0, 0), (shape[1], shape[0]))
            outlines = _DRAW[kind](rng, size, shape)
            take = _depth(what, rng, depth)
            cover, x0, y0 = _cover(outlines, place, ring=kind == "drying mark", rng=rng)
            if cover is None:
                continue
            box = _inside(cover, x0, y0, shape)
            if box is None:
                continue
            part, here = box
            solid = here >= 0.5
            if solid.sum() < 3 or labels[part][_grown(solid)].any():
                continue
            seen = _blurred(here, soft)
            if light:
                factor[part] *= 1 - np.float32(take) * seen
            else:
                removed[part] = np.maximum(removed[part], np.float32(take) * seen)
            labels[part][solid] = len(defects) + 1
            yy, xx = np.nonzero(solid)
            defects.append(Defect(len(defects) + 1, kind, light, float(xx.mean() + part[1].start),
                                  float(yy.mean() + part[0].start), int(solid.sum()), float(take)))
            break
    return Dirt(factor, removed, labels, tuple(defects))


def sensor_dirt(shape, rng: np.random.Generator, *, count: int = 4, radius: tuple[float, float] = (4.0, 14.0),
                depth: tuple[float, float] = (0.1, 0.4)) -> tuple[np.ndarray, list[tuple[float, float, float]]]:
    """Soft round shadows of dirt on the sensor's glass or the panel, at one place in every capture.

    Returns
    -------
    factor : float32 array (h, w)
    places : list of (x, y, radius)
    """
    factor = np.ones(shape, np.float32)
    y, x = np.ogrid[:shape[0], :shape[1]]
    places = []
    for _ in range(count):
        r = rng.uniform(*radius)
        cx, cy = rng.uniform(2 * r, shape[1] - 2 * r), rng.uniform(2 * r, shape[0] - 2 * r)
        distance = np.hypot(x - cx, y - cy)
        factor *= (1 - rng.uniform(*depth) / (1 + np.exp((distance - r) / (0.12 * r)))).astype(np.float32)
        places.append((float(cx), float(cy), float(r)))
    return factor, places


def _depth(what, rng, depth) -> float:
    if what == "drying mark":
        return rng.uniform(0.06, 0.2)
    if what == "scratch":
        return rng.uniform(max(0.15, depth[0] * 0.7), min(0.7, depth[1]))
    return rng.uniform(0.5, 1.0) if what == "dark" else rng.uniform(*depth)


def _speck(rng, size, shape):
    """A lump: a circle with random harmonics, stretched, sometimes with corners or a tail."""
    extent = size * np.exp(rng.normal(0, 0.42)) * (1 if rng.random() > 0.04 else rng.uniform(2, 7))
    count = int(rng.integers(5, 9)) if rng.random() < 0.4 else 40
    t = np.sort(rng.uniform(0, 2 * np.pi, count)) if count < 10 else np.linspace(0, 2 * np.pi, count, endpoint=False)
    radius = np.ones(count)
    for k in range(2, 6):
        radius += rng.normal(0, 0.32 / k) * np.cos(k * t + rng.uniform(0, 6.3))
    radius = np.clip(radius, 0.35, None) * extent / 2
    stretch = np.exp(abs(rng.normal(0, 0.35)))
    points = np.stack([radius * np.cos(t) * np.sqrt(stretch), radius * np.sin(t) / np.sqrt(stretch)], 1)
    out = [_turned(points, rng)]
    if rng.random() < 0.12:
        out.append(_strip(_curl(rng, extent * rng.uniform(1, 3), 3.0), size * rng.uniform(0.15, 0.35)))
    return out


def _fibre(rng, size, shape):
    """A curled strip of even width; now and then a second one across it."""
    long = rng.random() < 0.3
    length = size * (rng.uniform(5, 40) if long else rng.uniform(2.2, 7))
    length = min(length, 0.8 * max(shape))
    width = size * np.clip(rng.normal(0.62, 0.22), 0.18, 1.1)
    line = _curl(rng, length, rng.uniform(0.3, 4.0))
    out = [_strip(line, width, rng.uniform(0.0, 0.3), rng)]
    if rng.random() < 0.1:
        out.append(_strip(_curl(rng, 0.5 * length, 2.0), width))
    return out


def _scratch(rng, size, shape):
    """Nearly straight, thin, of uneven width; sometimes the length of the frame, sometimes broken."""
    length = min(size * rng.uniform(10, 90) if rng.random() < 0.8 else max(shape) * 1.2, 1.3 * max(shape))
    width = size * np.clip(rng.normal(0.35, 0.2), 0.14, 0.9)
    pieces, at, out = (1 if rng.random() < 0.6 else int(rng.integers(2, 5))), 0.0, []
    direction = rng.uniform(-0.06, 0.06) + (0 if rng.random() < 0.6 else rng.uniform(0, np.pi))
    bend = rng.normal(0, 0.05) / length
    for _ in range(pieces):
        step = length / pieces
        s = at + np.linspace(0, step * (1 if pieces == 1 else rng.uniform(0.75, 0.97)), 24)
        angle = direction + bend * s
        line = np.stack([s * np.cos(angle), s * np.sin(angle)], 1) - 0.5 * length * np.array(
            [np.cos(direction), np.sin(direction)])
        out.append(_strip(line, width, 0.3, rng))
        at += step
    return out


def _mark(rng, size, shape):
    """The outline of a drop that has dried, as a closed line."""
    extent = size * rng.uniform(4, 16)
    t = np.linspace(0, 2 * np.pi, 80, endpoint=False)
    radius = np.ones(80)
    for k in range(2, 6):
        radius += rng.normal(0, 0.25 / k) * np.cos(k * t + rng.uniform(0, 6.3))
    points = np.stack([np.cos(t), np.sin(t)], 1) * (np.clip(radius, 0.4, None) * extent / 2)[:, None]
    return [_turned(points, rng)]


_DRAW = {"speck": _speck, "fibre": _fibre, "scratch": _scratch, "drying mark": _mark}


def _curl(rng, length, turns) -> np.ndarray:
    """A line whose direction drifts: points (n, 2), centred."""
    n = int(np.clip(length / 2, 12, 200))
    bend = np.convolve(rng.normal(0, 1, n + 20), np.hanning(21) / 10, "valid") * turns * 4 / n
    angle = rng.uniform(0, 2 * np.pi) + np.cumsum(bend + rng.normal(0, 0.5) * turns / n)
    line = np.cumsum(np.stack([np.cos(angle), np.sin(angle)], 1), axis=0) * length / n
    return line - line.mean(axis=0)


def _strip(line, width, uneven=0.0, rng=None) -> np.ndarray:
    """The outline of a line of a given width."""
    along = np.gradient(line, axis=0)
    along /= np.maximum(np.hypot(*along.T), 1e-9)[:, None]
    half = np.full(len(line), width / 2)
    if rng is not None and uneven:
        half *= 1 + uneven * np.convolve(rng.normal(0, 1, len(line) + 4), np.ones(5) / 2.2, "valid")
        half = np.maximum(half, 0.15 * width)
    normal = np.stack([-along[:, 1], along[:, 0]], 1) * half[:, None]
    return np.concatenate([line + normal, (line - normal)[::-1]])


def _turned(points, rng) -> np.ndarray:
    a = rng.uniform(0, 2 * np.pi)
    return points @ np.array([[np.cos(a), np.sin(a)], [-np.sin(a), np.cos(a)]])


def _cover(outlines, place, *, ring, rng, zoom: int = 4):
    """Share of each pixel covered, with the window's origin; drawn at `zoom` times the size."""
    from PIL import Image, ImageDraw

    outlines = [o + place for o in outlines]
    everything = np.concatenate(outlines)
    x0, y0 = np.floor(everything.min(axis=0)).astype(int) - 4
    x1, y1 = np.ceil(everything.max(axis=0)).astype(int) + 5
    if max(x1 - x0, y1 - y0) > 20000:
        return None, 0, 0
    image = Image.new("L", ((x1 - x0) * zoom, (y1 - y0) * zoom), 0)
    pen = ImageDraw.Draw(image)
    for outline in outlines:
        points = [tuple(p) for p in ((outline - (x0, y0)) + 0.5) * zoom - 0.5]
        if ring:
            pen.line(points + points[:2], fill=255, width=max(1, round(zoom * rng.uniform(2, 4))), joint="curve")
        else:
            pen.polygon(points, fill=255)
    return np.asarray(image.reduce(zoom), np.float32) / 255, int(x0), int(y0)


def _inside(cover, x0, y0, shape):
    """The part of a window that lies in the picture: its slices there, and the values."""
    h, w = cover.shape
    top, left = max(-y0, 0), max(-x0, 0)
    bottom, right = min(h, shape[0] - y0), min(w, shape[1] - x0)
    if top >= bottom or left >= right:
        return None
    return (slice(y0 + top, y0 + bottom), slice(x0 + left, x0 + right)), cover[top:bottom, left:right]


def _grown(mask, by: int = 3):
    out = mask.copy()
    for _ in range(by):
        wide = out.copy()
        wide[1:] |= out[:-1]
        wide[:-1] |= out[1:]
        wide[:, 1:] |= out[:, :-1]
        wide[:, :-1] |= out[:, 1:]
        out = wide
    return out


def _blurred(plane, sigma):
    """Gaussian blur by two passes of a short kernel; the window has an empty rim for it."""
    if sigma <= 0:
        return plane
    reach = int(np.ceil(3 * sigma))
    kernel = np.exp(-0.5 * (np.arange(-reach, reach + 1) / sigma) ** 2)
    kernel /= kernel.sum()
    for axis in (0, 1):
        pad = [(0, 0), (0, 0)]
        pad[axis] = (reach, reach)
        wide = np.pad(plane, pad, mode="edge")
        n = plane.shape[axis]
        plane = sum(np.float32(k) * (wide[i:i + n] if axis == 0 else wide[:, i:i + n]) for i, k in enumerate(kernel))
    return plane

"""Captures of film as people make them, with the truth about where everything lies.

A capture is rendered from the film's side: every pixel is taken through the lens (distortion, perspective, turn) to
millimetres on the film, where picture, rebate, perforations, edge print and film edges are; holder, leaking light and
dust come on top. Film geometry: perforations after ISO 1007 (135 film, pitch 4.75 mm, holes 2.8 x 1.98 mm); picture
sizes and gaps are common practice, no source. Stocks, scenes and holders are invented.
"""
from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from . import negative

#: Picture sizes (along the film, across it) and film widths in mm.
PICTURES = {"135": (36.0, 24.0, 35.0), "135 panorama": (65.0, 24.0, 35.0), "6x4.5": (41.5, 56.0, 61.5),
            "6x6": (56.0, 56.0, 61.5), "6x7": (69.5, 56.0, 61.5), "6x9": (84.0, 56.0, 61.5),
            "6x17": (168.0, 56.0, 61.5), "4x5": (121.0, 96.0, 102.0), "5x7": (171.0, 121.0, 127.0),
            "4:3": (74.0, 55.5, 61.5)}

#: Every kind of layout, and what it is.
KINDS = {
    "holder": "one frame, its rebate, a dark holder around",
    "sliver": "one frame filling the view, a sliver of rebate on all sides or some",
    "full": "one frame filling the view, no rebate",
    "strip": "two or three frames with gaps in a holder",
    "perforated": "a whole strip of 135 film with its perforations",
    "panel": "film on a bare bright panel, no holder",
    "cut": "a holder edge that cuts the picture",
    "leak": "light leaking round the film inside the holder",
    "turned": "the strip runs down the view, or the frame stands on its head",
    "tilted": "up to five degrees of turn, mild perspective and lens distortion",
}

#: What may be special about the picture itself.
CONTENTS = ("plain", "night", "sky", "snow", "thin", "dense")


@dataclass(frozen=True)
class Layout:
    """How one capture is made.

    Attributes
    ----------
    kind : str
        A key of `KINDS`.
    format : str
        A key of `PICTURES`.
    frames : int
    gap_mm : float
    scale : float
        Capture pixels a millimetre.
    shift_mm : (2,)
        Film coordinates at the middle of the view, from the middle of the film.
    turn : float
        Degrees, as `negconv.Frame.angle`.
    quarter : int
        Quarter turns of the film in the view.
    perspective : (2,)
        Change of scale from one side of the view to the other, along x and y.
    distortion : float
        Third-order radial distortion at half the long side, as a fraction.
    window_mm : (left, top, right, bottom) or None
        Edges of the holder's opening in film coordinates; None without a holder.
    window_turn : float
        Degrees of the holder against the film.
    window_soft, gate_soft : float
        Widths of the holder's and the picture's edges in mm.
    window_round, gate_round : float
        Corner radii in mm.
    holder : (3,)
        Transmittance of the holder.
    film_mm : (left, top, right, bottom)
        Edges of the film; beyond is bare panel.
    perforated : bool
    leak : float
        Extra light at one side of the film, relative to the panel.
    print_density : float
        Density of edge print and notches; 0 for none.
    fall_off : float
        Light lost in the corners when the capture is not flattened; 0 for a flattened one.
    gain : (3,)
        Channel values of the bare panel; ones for a flattened capture. Values are clipped at 1 unless flattened.
    dust : int
        Specks and hairs.
    blur, noise : float
        Gaussian blur in pixels; noise at full light.
    """

    kind: str
    format: str
    size: tuple[int, int]
    frames: int
    gap_mm: float
    scale: float
    shift_mm: tuple[float, float]
    turn: float
    quarter: int
    perspective: tuple[float, float]
    distortion: float
    window_mm: tuple[float, float, float, float] | None
    window_turn: float
    window_soft: float
    window_round: float
    gate_soft: float
    gate_round: float
    holder: tuple[float, float, float]
    film_mm: tuple[float, float, float, float]
    perforated: bool
    leak: float
    print_density: float
    fall_off: float
    gain: tuple[float, float, float]
    dust: int
    blur: float
    noise: float
    content: str = "plain"
    seed: int = 0

    @property
    def flattened(self) -> bool:
        return self.gain == (1.0, 1.0, 1.0) and self.fall_off == 0

    @property
    def picture_mm(self) -> tuple[float, float]:
        return PICTURES[self.format][:2]

    def picture_edges(self, i: int) -> tuple[float, float, float, float]:
        """Left, top, right, bottom of picture `i` in film coordinates (origin in the middle of all of them)."""
        w, h = self.picture_mm
        left = (i - (self.frames - 1) / 2) * (w + self.gap_mm) - w / 2
        return left, -h / 2, left + w, h / 2


@dataclass(frozen=True, eq=False)
class Rendered:
    """A capture and the truth about it.

    Attributes
    ----------
    data : float32 array (H, W, 3)
        Relative to the panel when the layout is flattened, else to saturation.
    corners : array (n, 4, 2)
        Corners of what is to be seen of each picture, clockwise from top left, in reading order.
    angles : float array (n,)
        Of the top edge of each, in degrees; of what the holder or the view cuts, were it whole.
    base : (3,)
        Channel values of unexposed film where the light is full.
    base_seen : float array (3,)
        The same averaged over the rebate that is in view (the panel's fall-off in it); NaN without any.
    rebate : bool array (H, W)
        Where clean rebate is in view.
    """

    data: np.ndarray = field(repr=False)
    layout: Layout
    corners: np.ndarray
    angles: np.ndarray
    base: tuple[float, float, float]
    base_seen: np.ndarray
    rebate: np.ndarray = field(repr=False)


def random_stock(rng: np.random.Generator, kind: str | None = None) -> negative.Stock:
    """An invented stock: base from water-clear to deep orange, gamma from soft to hard."""
    kind = kind or ("colour" if rng.random() < 0.6 else "mono")
    n = 3 if kind == "colour" else 1
    gamma = rng.uniform(0.45, 0.75) + rng.uniform(-0.04, 0.04, n)
    if kind == "colour":
        a = rng.uniform(0.02, 0.12, 4)
        exposing = ((1 - a[0] - 0.01, a[0], 0.01), (a[1], 1 - a[1] - a[2], a[2]), (0.01, a[3], 1 - a[3] - 0.01))
        b = rng.uniform(0.02, 0.18, 4)
        dyes = ((1.0, b[0], 0.02), (b[1], 1.0, b[2]), (0.03, b[3], 1.0))
        mask = rng.uniform(0.1, 1.15)
        low = rng.uniform(0.12, 0.3)
        base = (low, low + 0.5 * mask * rng.uniform(0.8, 1.2), low + mask * rng.uniform(0.75, 1.1))
    else:
        exposing, dyes = ((0.3, 0.5, 0.2),), ((1.0,), (rng.uniform(0.98, 1.04),), (rng.uniform(0.98, 1.08),))
        low = rng.uniform(0.08, 0.45)
        base = tuple(float(v) for v in low + rng.uniform(-0.02, 0.03, 3))
    return negative.Stock("invented", kind, exposing, tuple(gamma), tuple(rng.uniform(-2.2, -1.7) + rng.uniform(-0.05, 0.05, n)),
                          tuple(rng.uniform(0.1, 0.3, n)), tuple(rng.uniform(0.1, 0.25, n)),
                          tuple(rng.uniform(1.9, 2.6) + rng.uniform(-0.1, 0.1, n)), dyes, tuple(map(float, base)),
                          tuple(rng.uniform(0.008, 0.03, n)))


def random_layout(kind: str, rng: np.random.Generator, *, size: tuple[int, int] | None = None,
                  content: str | None = None) -> Layout:
    """A layout of one kind with everything else drawn at random.

    Parameters
    ----------
    kind : str
        A key of `KINDS`.
    size : (int, int), optional
        Height and width of the capture.
    content : str, optional
        One of `CONTENTS`.
    """
    if size is None:
        long = int(rng.integers(1100, 1900))
        size = (round(long / rng.choice([1.5, 4 / 3, 1.5, 1.25])), long)
    content = content or rng.choice(CONTENTS, p=(0.55, 0.09, 0.09, 0.09, 0.09, 0.09))
    single = ("135", "135", "135 panorama", "6x4.5", "6x6", "6x7", "6x9", "6x17", "4x5", "5x7", "4:3")
    name = "135" if kind == "perforated" else str(rng.choice(single))
    frames = 1
    if kind == "strip":
        frames = int(rng.integers(2, 4))
        name = str(rng.choice(("135", "6x4.5", "6x6", "6x7")))
    elif kind == "perforated":
        frames = int(rng.integers(3, 7))
    elif kind in ("panel", "turned", "leak") and rng.random() < 0.4 and "17" not in name and name != "135 panorama":
        frames = int(rng.integers(2, 4))
    w, h, film_wide = PICTURES[name]
    sheet = name in ("4x5", "5x7")
    if sheet:
        frames = 1
    gap = float(rng.uniform(1.0, 2.6) if name.startswith("135") else rng.uniform(1.5, 6.0))
    length = frames * w + (frames - 1) * gap
    perforated = name.startswith("135") and (kind == "perforated" or rng.random() < 0.6)

    end = (film_wide - h) / 2 + 1.5
    film = [-length / 2 - rng.uniform(0.7, 1.0) * end, -film_wide / 2, length / 2 + rng.uniform(0.7, 1.0) * end, film_wide / 2]
    if kind not in ("panel", "leak"):
        if not sheet and kind not in ("perforated",):
            film[0], film[2] = film[0] - 200, film[2] + 200
    elif not sheet and kind == "panel":
        film[0] -= rng.uniform(0, 20) * (rng.random() < 0.5)
    across = (film_wide - h) / 2
    margin = lambda low, high: [float(rng.uniform(low, high)) * h for _ in range(4)]
    window = None
    m = margin(0.006, 0.075)
    inside = [min(m[0], gap * 0.9) if not sheet else m[0], min(m[1], across * 0.92), min(m[2], gap * 0.9) if not sheet else m[2],
              min(m[3], across * 0.92)]
    if perforated and kind in ("holder", "strip", "cut", "tilted") and rng.random() < 0.4:
        inside[1] = inside[3] = across * 0.96
    if kind in ("holder", "strip", "turned", "tilted", "cut"):
        window = [-length / 2 - inside[0], -h / 2 - inside[1], length / 2 + inside[2], h / 2 + inside[3]]
    elif kind == "perforated":
        window = [film[0] - 2, -film_wide / 2 - rng.uniform(-1.2, 1.5), film[2] + 2, film_wide / 2 + rng.uniform(-1.2, 1.5)] \
            if rng.random() < 0.6 else None
    elif kind == "leak":
        window = [film[0] - rng.uniform(0.3, 3), film[1] - rng.uniform(0.2, 2), film[2] + rng.uniform(0.3, 3),
                  film[3] + rng.uniform(0.2, 2)]
    if kind == "cut":
        for side in rng.choice(4, int(rng.integers(1, 3)), replace=False):
            edge = (-length / 2, -h / 2, length / 2, h / 2)[side]
            window[side] = edge + (1 if side < 2 else -1) * rng.uniform(0.02, 0.15) * (length if side % 2 == 0 else h)

    quarter = int(rng.integers(0, 4)) if kind == "turned" else (int(rng.choice([0, 2])))
    if window is not None and kind not in ("perforated",):
        span = [window[2] - window[0], window[3] - window[1]]
    elif kind in ("full", "sliver"):
        span = [length, h]
    else:
        span = [film[2] - film[0], film[3] - film[1]]
        if kind == "panel" and span[0] > length + 12:
            span[0] = length + 12
    if quarter % 2:
        span = span[::-1]
    fill = min(size[1] / span[0], size[0] / span[1])
    turn = float(rng.uniform(-3, 3))
    shift = rng.normal(0, 0.008, 2) * h
    if kind == "full":
        turn = float(rng.uniform(-1, 1))
        fill = max(size[1] / span[0], size[0] / span[1]) * rng.uniform(1.06, 1.25)
        shift = np.zeros(2)
    elif kind == "sliver":
        turn = float(rng.uniform(-0.5, 0.5))
        aspect = span[0] / span[1]
        size = (round(size[1] / aspect / rng.uniform(0.99, 1.01)), size[1])
        if size[0] > 1500:
            size = (1500, round(1500 * aspect))
        fill = min(size[1] / span[0], size[0] / span[1]) * rng.uniform(0.955, 0.99)
        shift = rng.uniform(-0.006, 0.006, 2) * h
    else:
        fill *= rng.uniform(0.78, 0.96)
        if kind == "tilted":
            turn, fill = float(rng.uniform(2.5, 5) * rng.choice([-1, 1])), fill * 0.93
    perspective, distortion = (0.0, 0.0), 0.0
    if kind == "tilted" or (kind not in ("full", "sliver") and rng.random() < 0.25):
        perspective = tuple(float(v) for v in rng.uniform(-0.015, 0.015, 2))
        distortion = float(rng.uniform(-0.012, 0.012))

    holder = float(rng.choice([0.0, 10 ** rng.uniform(-4.5, -2)])) * rng.uniform(0.8, 1.2, 3)
    flat = rng.random() < 0.55
    gain = (1.0, 1.0, 1.0)
    if not flat:
        panel = np.array([rng.uniform(0.4, 0.9), 1.0, rng.uniform(0.45, 0.9)])
        gain = tuple(float(v) for v in panel * 10 ** rng.uniform(-0.3, 0.2))
    mm = size[1] / (span[0] if not quarter % 2 else span[1])
    return Layout(
        kind, name, tuple(map(int, size)), frames, gap, float(fill), tuple(map(float, shift)), turn, quarter, perspective,
        distortion, None if window is None else tuple(map(float, window)), float(rng.normal(0, 0.25)),
        float(rng.choice([0.02, rng.uniform(0.05, 0.35)])) * h / 24 * 0.6, float(rng.choice([0.0, rng.uniform(0.2, 1.5)])),
        float(max(rng.uniform(0.0, 0.09) * h / 24, 0.8 / mm)), float(rng.choice([0.0, rng.uniform(0.1, 0.7)])) * h / 40,
        tuple(map(float, holder)), tuple(map(float, film)), bool(perforated),
        float(rng.uniform(0.05, 0.6)) if kind == "leak" else (float(rng.uniform(0.02, 0.3)) if rng.random() < 0.08 else 0.0),
        float(rng.uniform(0.4, 2.0)) if rng.random() < 0.8 else 0.0, 0.0 if flat else float(rng.uniform(0.05, 0.3)), gain,
        int(rng.integers(0, 70)), float(rng.uniform(0.3, 1.4)), float(rng.uniform(0.001, 0.006)), str(content),
        int(rng.integers(1 << 30)))


def render(layout: Layout, scenes, stock: negative.Stock) -> Rendered:
    """A capture of a layout.

    Parameters
    ----------
    scenes : sequence of float32 arrays (h, w, 3)
        Linear sRGB, one a frame (repeated when fewer); stretched over the picture.
    stock : negative.Stock

    Returns
    -------
    Rendered
    """
    from scipy.ndimage import gaussian_filter, map_coordinates

    rng = np.random.default_rng(layout.seed)
    h, w = layout.size
    yy, xx = np.mgrid[:h, :w].astype(np.float32)
    u, v = _to_film(layout, xx, yy)

    exposure = {"thin": -2.2, "dense": 2.0}.get(layout.content, 0.0) + rng.uniform(-0.5, 0.7)
    base = 10.0 ** -np.array(stock.base)
    density = np.zeros((h, w, stock.layers), np.float32)
    cover = np.zeros((h, w), np.float32)
    for i in range(layout.frames):
        left, top, right, bottom = layout.picture_edges(i)
        inside = _cover(u, v, (left, top, right, bottom), layout.gate_round, layout.gate_soft)
        cover = np.maximum(cover, inside)
        scene = _content(scenes[i % len(scenes)], layout.content, rng)
        at = np.stack([(v - top) / (bottom - top) * (scene.shape[0] - 1), (u - left) / (right - left) * (scene.shape[1] - 1)])
        near = inside > 0
        light = np.zeros((h, w, 3), np.float32)
        for c in range(3):
            light[near, c] = map_coordinates(scene[..., c], at[:, near], order=1, mode="nearest") * inside[near]
        density += negative.develop(light, stock, exposure=exposure) * near[..., None]
    fog = negative.develop(np.zeros((1, 1, 3), np.float32), stock)[0, 0]
    density = np.maximum(density, fog)

    printed = _edge_print(layout, u, v, rng) * (1 - cover)
    density += (printed * layout.print_density)[..., None]
    negative.grain(density, stock, rng)
    film = negative.bands(density, stock)

    bare = 1 - _cover(u, v, layout.film_mm, 0.0, 0.04)
    if layout.perforated:
        bare = np.maximum(bare, _perforations(layout, u, v))
    notches = _notches(layout, u, v, rng) if layout.format in ("4x5", "5x7") else 0.0
    bare = np.maximum(bare, notches)
    light = film * (1 - bare[..., None]) + bare[..., None]
    if layout.leak:
        side = rng.integers(4)
        l, t, r, b = layout.film_mm if layout.kind == "leak" else (layout.window_mm or layout.film_mm)
        far = (u - max(l, -200), v - t, min(r, 200) - u, b - v)[side]
        light += (layout.leak * np.exp(-np.maximum(far, 0) / rng.uniform(0.3, 1.2)))[..., None]
    light *= _dust(layout, rng)[..., None]
    opening = np.ones((h, w), np.float32)
    if layout.window_mm is not None:
        a = np.deg2rad(layout.window_turn)
        opening = _cover(np.cos(a) * u + np.sin(a) * v, np.cos(a) * v - np.sin(a) * u, layout.window_mm, layout.window_round,
                         layout.window_soft)
    light = light * opening[..., None] + (1 - opening[..., None]) * np.array(layout.holder, np.float32)

    fall = 1 - layout.fall_off * (((xx - 0.53 * w) ** 2 + (yy - 0.48 * h) ** 2) / (0.25 * (w * w + h * h)))
    full = np.array(layout.gain, np.float32) * fall[..., None]
    light *= full
    for c in range(3):
        light[..., c] = gaussian_filter(light[..., c], layout.blur)
    light += np.float32(layout.noise) * np.sqrt(np.maximum(light, 1e-4)) * rng.standard_normal(light.shape, dtype=np.float32)
    light = np.clip(light, 0, None if layout.flattened else 1)

    corners = np.array([_corners(layout, i) for i in range(layout.frames)])
    order = np.lexsort((corners.mean(axis=1)[:, 0], corners.mean(axis=1)[:, 1])) if layout.quarter % 2 else \
        np.argsort(corners.mean(axis=1)[:, 0])
    corners = corners[order]
    tops = np.array([_corners(layout, i, whole=True)[:2] for i in order])
    angles = np.degrees(np.arctan2(*(tops[:, 1] - tops[:, 0]).T[::-1]))
    rebate = (cover == 0) & (bare == 0) & (opening > 0.999) & (printed < 0.01)
    seen = np.array([np.median((base * full)[rebate][:, c]) for c in range(3)]) if rebate.any() else np.full(3, np.nan)
    return Rendered(light.astype(np.float32), layout, corners, angles, tuple(float(v) for v in base * layout.gain), seen, rebate)


def random_capture(kind: str, seed: int, scenes=None, **choices) -> Rendered:
    """One capture of a kind, everything drawn from `seed`; `scenes` as in `render`, invented ones by default."""
    rng = np.random.default_rng([seed, *kind.encode()])
    layout = random_layout(kind, rng, **choices)
    if scenes is None:
        from .scenes import SCENES, scene

        names = [n for n in SCENES if n not in ("chart", "wedge", "blank", "stars")]
        scenes = [scene(str(rng.choice(names)), (300, 420), seed) for _ in range(min(layout.frames, 3))]
    else:
        scenes = [scenes[i] for i in rng.permutation(len(scenes))[:max(layout.frames, 1)]]
    return render(layout, [_exposed(s) for s in scenes], random_stock(rng))


def _exposed(scene: np.ndarray) -> np.ndarray:
    """A scene in the middle of the film's range, as a light meter would have it."""
    return scene * np.float32(0.16 / max(float(np.clip(scene, 0, 1).mean()), 0.02))


# ---- the light's way -----------------------------------------------------------------------------------------------

def _to_film(layout: Layout, x, y):
    """Capture pixels to millimetres on the film (lens undone by iteration)."""
    h, w = layout.size
    half = w / 2
    dx, dy = (x - (w - 1) / 2) / half, (y - (h - 1) / 2) / half
    ux, uy = dx, dy
    for _ in range(6 if layout.distortion else 0):
        grow = 1 + layout.distortion * (ux * ux + uy * uy)
        ux, uy = dx / grow, dy / grow
    px, py = layout.perspective
    # Undoing  p -> p / (1 + px x + py y).
    depth = 1 - px * ux - py * uy
    ux, uy = ux / depth * half, uy / depth * half
    a = np.deg2rad(layout.turn + 90 * layout.quarter)
    return ((np.cos(a) * ux + np.sin(a) * uy) / layout.scale + layout.shift_mm[0],
            (np.cos(a) * uy - np.sin(a) * ux) / layout.scale + layout.shift_mm[1])


def to_capture(layout: Layout, u, v):
    """Millimetres on the film to capture pixels: turn, perspective, lens."""
    h, w = layout.size
    half = w / 2
    a = np.deg2rad(layout.turn + 90 * layout.quarter)
    u, v = (np.asarray(u) - layout.shift_mm[0]) * layout.scale, (np.asarray(v) - layout.shift_mm[1]) * layout.scale
    x, y = (np.cos(a) * u - np.sin(a) * v) / half, (np.sin(a) * u + np.cos(a) * v) / half
    px, py = layout.perspective
    depth = 1 + px * x + py * y
    x, y = x / depth, y / depth
    grow = 1 + layout.distortion * (x * x + y * y)
    return x * grow * half + (w - 1) / 2, y * grow * half + (h - 1) / 2


def _corners(layout: Layout, i: int, *, whole: bool = False) -> np.ndarray:
    """What is to be seen of picture `i`: its corners, or where its sides meet the holder or the view, unless all of it is
    asked for; (4, 2)."""
    edges = list(layout.picture_edges(i))
    if layout.kind == "full":
        h, w = layout.size
        return np.array([(-0.5, -0.5), (w - 0.5, -0.5), (w - 0.5, h - 0.5), (-0.5, h - 0.5)])
    lines = [((edges[s], 0.0), (edges[s], 1.0)) if s % 2 == 0 else ((0.0, edges[s]), (1.0, edges[s])) for s in range(4)]
    if layout.window_mm is not None and not whole:
        a = np.deg2rad(layout.window_turn)
        for s in range(4):
            if (layout.window_mm[s] - edges[s]) * (1 if s < 2 else -1) > 0:
                p = [(layout.window_mm[s], 0.0), (layout.window_mm[s], 1.0)] if s % 2 == 0 else \
                    [(0.0, layout.window_mm[s]), (1.0, layout.window_mm[s])]
                lines[s] = tuple((np.cos(a) * q[0] - np.sin(a) * q[1], np.sin(a) * q[0] + np.cos(a) * q[1]) for q in p)
    points = [_meet(lines[1], lines[0]), _meet(lines[1], lines[2]), _meet(lines[3], lines[2]), _meet(lines[3], lines[0])]
    x, y = to_capture(layout, [p[0] for p in points], [p[1] for p in points])
    points = np.stack([x, y], axis=1)
    # Clockwise already; begin at the top left whichever way the film lies.
    points = np.roll(points, -int(np.argmin(points.sum(axis=1))), axis=0)
    return points if whole else _in_view(points, layout.size)


def _in_view(points: np.ndarray, size: tuple[int, int]) -> np.ndarray:
    """Corners (top left first, clockwise) with sides that lie wholly outside the view put on its border."""
    h, w = size
    lines = [(points[i], points[(i + 1) % 4]) for i in range(4)]
    borders = [((0.0, -0.5), (1.0, -0.5)), ((w - 0.5, 0.0), (w - 0.5, 1.0)), ((0.0, h - 0.5), (1.0, h - 0.5)),
               ((-0.5, 0.0), (-0.5, 1.0))]
    outside = [min(-0.5 - p[1] for p in lines[0]) > 0, min(p[0] - (w - 0.5) for p in lines[1]) > 0,
               min(p[1] - (h - 0.5) for p in lines[2]) > 0, min(-0.5 - p[0] for p in lines[3]) > 0]
    if not any(outside):
        return points
    lines = [border if out else line for line, border, out in zip(lines, borders, outside)]
    return np.array([_meet(lines[i - 1], lines[i]) for i in range(4)])


def _meet(one, other):
    (x1, y1), (x2, y2) = one
    (x3, y3), (x4, y4) = other
    d = (x1 - x2) * (y3 - y4) - (y1 - y2) * (x3 - x4)
    a, b = x1 * y2 - y1 * x2, x3 * y4 - y3 * x4
    return (a * (x3 - x4) - (x1 - x2) * b) / d, (a * (y3 - y4) - (y1 - y2) * b) / d


# ---- what lies on the film -----------------------------------------------------------------------------------------

def _cover(u, v, edges, radius: float, soft: float) -> np.ndarray:
    """1 inside a rectangle with round corners, 0 outside, over a linear edge `soft` wide; float32."""
    left, top, right, bottom = edges
    a = np.abs(u - (left + right) / 2) - (right - left) / 2 + radius
    b = np.abs(v - (top + bottom) / 2) - (bottom - top) / 2 + radius
    outside = np.hypot(np.maximum(a, 0), np.maximum(b, 0)) + np.minimum(np.maximum(a, b), 0) - radius
    return np.clip(0.5 - outside / max(soft, 1e-3), 0, 1).astype(np.float32)


def _perforations(layout: Layout, u, v) -> np.ndarray:
    pitch, wide, high = 4.75, 2.8, 1.98
    along = (u + 0.3 * pitch) % pitch
    middle = PICTURES[layout.format][2] / 2 - 2.0 - wide / 2
    box = (pitch / 2 - high / 2, -wide / 2, pitch / 2 + high / 2, wide / 2)
    return _cover(along, np.abs(v) - middle, box, 0.5, 0.04)


def _notches(layout: Layout, u, v, rng) -> np.ndarray:
    left, top, right, _ = layout.film_mm
    out = np.zeros(u.shape, np.float32)
    for k in range(int(rng.integers(1, 4))):
        x = right - 8 - 4 * k
        out = np.maximum(out, _cover(u, v, (x - 1, top - 5, x + 1, top + 1.0), 0.5, 0.05))
    return out


def _edge_print(layout: Layout, u, v, rng) -> np.ndarray:
    """Lettering, frame numbers, arrows and bar codes along the film's edges: 0..1 in capture geometry."""
    if layout.print_density == 0:
        return np.zeros(u.shape, np.float32)
    from PIL import Image, ImageDraw, ImageFont
    from scipy.ndimage import map_coordinates

    film_wide = PICTURES[layout.format][2]
    across = (film_wide - layout.picture_mm[1]) / 2
    dots = 16 if layout.picture_mm[1] < 30 else 10
    length = layout.frames * (layout.picture_mm[0] + layout.gap_mm) + 20
    band = Image.new("L", (int(length * dots), int(across * dots)), 0)
    room = (2.0 if layout.perforated else across) * dots
    font = ImageFont.load_default(max(8, 0.62 * room))
    high = max(8, 0.62 * room)
    images = []
    for words in (("GLASSHOUSE 200", "12", "12A"), ("FERN HOUSE", "7", "8")):
        image = band.copy()
        pen = ImageDraw.Draw(image)
        x = rng.uniform(0, 10) * dots
        y = rng.uniform(0.05, 0.3) * room
        while x < band.width:
            what = rng.integers(4)
            if what < 2:
                pen.text((x, y), str(rng.choice(words)), fill=255, font=font, anchor="lt")
            elif what == 2:
                pen.polygon([(x, y), (x, y + 0.7 * high), (x + 0.8 * high, y + 0.35 * high)], fill=255)
            else:
                for k in range(14):
                    if rng.random() < 0.5:
                        pen.rectangle([x + k * 0.3 * high, y, x + k * 0.3 * high + 0.3 * high, y + 0.6 * high], fill=255)
            x += rng.uniform(6, 22) * dots
        images.append(np.asarray(image, np.float32) / 255)
    out = np.zeros(u.shape, np.float32)
    for image, sign in zip(images, (-1, 1)):
        near = (v * sign > layout.picture_mm[1] / 2) & (v * sign < film_wide / 2)
        rows = (film_wide / 2 - v[near] * sign) * dots
        columns = (u[near] + length / 2) * dots
        out[near] = map_coordinates(image, [rows, columns], order=1, mode="constant")
    return out


def _dust(layout: Layout, rng) -> np.ndarray:
    """Transmittance of specks and hairs lying anywhere; float32 (H, W)."""
    from PIL import Image, ImageDraw

    h, w = layout.size
    image = Image.new("L", (w * 2, h * 2), 255)
    pen = ImageDraw.Draw(image)
    for _ in range(layout.dust):
        x, y, shade = rng.uniform(0, 2 * w), rng.uniform(0, 2 * h), int(rng.uniform(30, 200))
        if rng.random() < 0.8:
            r = min(rng.lognormal(0.6, 0.6), 9)
            pen.ellipse([x - r, y - r * rng.uniform(0.5, 1), x + r, y + r], fill=shade)
        else:
            a, bend, step = rng.uniform(0, 6.3), rng.normal(0, 0.15), rng.uniform(4, 12)
            points = [(x, y)]
            for _ in range(int(rng.integers(5, 22))):
                a += bend
                x, y = x + step * np.cos(a), y + step * np.sin(a)
                points.append((x, y))
            pen.line(points, fill=shade, width=int(rng.integers(1, 4)))
    return np.asarray(image.reduce(2), np.float32) / 255


def _content(scene: np.ndarray, content: str, rng) -> np.ndarray:
    """A scene made what `content` says."""
    if content == "night":
        light = scene.mean(axis=2, keepdims=True)
        lit = light > np.quantile(light, rng.uniform(0.6, 0.85))
        dark = rng.choice([0.0, 0.01, 0.03]) * scene
        return np.where(lit, 0.1 + scene, dark).astype(np.float32)
    if content == "sky":
        height = scene.shape[0]
        edge = height * (0.45 + 0.08 * np.cos(np.linspace(0, rng.uniform(4, 12), scene.shape[1])))
        blend = np.clip((edge[None, :] - np.arange(height)[:, None]) / 4, 0, 1)[..., None]
        return (scene * (1 - blend) + blend * np.float32(12.0)).astype(np.float32)
    if content == "snow":
        return (0.75 + 0.35 * (scene / max(float(scene.max()), 1e-3))).astype(np.float32)
    return scene

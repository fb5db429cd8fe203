"""The invented "Glasshouse roll": raw captures of negatives in a holder, and a frame of the bare panel.

One capture is rendered in the order the light takes: panel, film (with what was exposed on it), dirt, holder, lens,
sensor. Film of the format 6x9: eight frames of 84 x 56 mm, which is common practice and no standard.
"""
from __future__ import annotations

import json
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np

from . import dirt, negative, rawfile, scenes

WIDE_MM, HIGH_MM = 84.0, 56.0
#: Shutter speeds 1/n, and the one at which the bare panel comes to `_PANEL_LEVEL` of saturation.
_SPEEDS = (15, 20, 25, 30, 40, 50, 60, 80, 100, 125, 160, 200, 250, 320)
_PANEL_SPEED, _PANEL_LEVEL = 250, 0.82
#: Linear sRGB (IEC 61966-2-1) to CIE XYZ adapted to D50 by the Bradford transform, as ICC profiles of sRGB hold it.
_SRGB_TO_XYZ_D50 = ((0.43607, 0.38506, 0.14308), (0.22250, 0.71688, 0.06062), (0.01393, 0.09710, 0.71417))
#: Standard deviation of the blur of the copying lens and its camera's filter, in pixels, and of the first camera's lens and the
#: emulsion, in millimetres on the film: a contrast of a half at 30 line pairs. Common practice, no source.
COPYING_SOFT, EXPOSED_SOFT_MM = 0.45, 0.006
_DAY = datetime(2026, 3, 14, 10, 0)


@dataclass(frozen=True)
class Shot:
    """What is on one frame of film and how it was copied.

    Attributes
    ----------
    scene, stock, camera, panel : str
        Keys of `scenes.SCENES`, `negative.STOCKS`, `negative.CAMERAS`, `negative.PANELS`.
    exposure : float
        Stops over the rated exposure of the film.
    turn : float
        Degrees, the direction of the frame's top edge (positive: clockwise as seen).
    number : int
        Printed on the edge.
    dirt : float
        Amount of dust and hairs, 0 = clean, 1 = as it comes from a drawer.
    glare : float
        Light scattered in the copying lens, over the whole capture, as a share of saturation.
    seed, panel_seed : int
        Of scene, placing, grain and dirt; of the panel's fall-off, which all captures of a roll share.
    """

    scene: str
    stock: str
    exposure: float = 0.0
    turn: float = 0.0
    number: int = 1
    dirt: float = 1.0
    camera: str = "Copy A"
    panel: str = "white"
    seed: int = 0
    panel_seed: int = 0
    glare: float = 0.0002


_FRAMES = (("chart", "colour 1", 0.0), ("bench", "colour 1", 0.3), ("cat", "colour 1", 0.5),
           ("brick", "colour 1", -0.3), ("panes", "colour 1", 0.6), ("leaves", "mono 1", 0.0),
           ("tripod", "mono 1", 0.4), ("lamps", "mono 1", 0.8), ("foliage", "colour 1", 0.2), ("cup", "colour 1", 0.5),
           ("lettering", "mono 1", 0.0), ("portrait", "colour 1", 0.2), ("pinboard", "colour 1", 0.0))


def shots(frames: int = 8, seed: int = 0) -> tuple[Shot, ...]:
    """The frames of the roll: five in colour, three in black and white, then more of both."""
    rng = np.random.default_rng([seed, 9])
    out = []
    for i in range(frames):
        scene, stock, exposure = _FRAMES[i % len(_FRAMES)]
        turn = float(np.round(rng.uniform(0.2, 1.7) * rng.choice((-1, 1)), 2))
        out.append(Shot(scene, stock, exposure + float(np.round(rng.normal(0, 0.1), 2)), turn, i + 1, seed=seed + i,
                        panel_seed=seed))
    return tuple(out)


def make_roll(folder, *, frames: int = 8, megapixels: float = 6.0, seed: int = 0, jobs: int = 2,
              plan: Sequence[Shot] | None = None, progress=None) -> list[dict]:
    """Render a roll as raw files.

    Parameters
    ----------
    folder : path
        Gets ``captures/frame01.dng`` and so on, ``captures/panel.dng``, ``truth.json``, and ``chart.csv`` with the
        patches of the first chart on the roll (x, y, w, h in capture pixels; CIE XYZ, D50, diffuser Y = 1).
    frames : int
    megapixels : float
        Size of the picture inside each capture; the capture with its holder is a third larger.
    seed : int
    jobs : int
        Processes.
    plan : sequence of Shot, optional
        What to render instead of `shots(frames, seed)`; one camera, panel and panel_seed for all.
    progress : callable, optional
        Called with the path of each finished file, in order.

    Returns
    -------
    list of dict
        The truth of each capture: file, scene, stock, kind, corners, angle, base, exposure, patches.

    Examples
    --------
    >>> import tempfile
    >>> truth = make_roll(tempfile.mkdtemp(), frames=1, megapixels=0.05, jobs=1)
    >>> truth[0]["file"], truth[0]["kind"]
    ('frame01.dng', 'colour')
    """
    captures = Path(folder, "captures")
    captures.mkdir(parents=True, exist_ok=True)
    plan = shots(frames, seed) if plan is None else plan
    tasks = [(str(captures / f"frame{shot.number:02d}.dng"), shot, megapixels) for shot in plan]
    tasks.insert(0, (str(captures / "panel.dng"), replace(plan[0], scene="", number=0), megapixels))
    truths = []
    if jobs > 1 and len(tasks) > 1:
        with ProcessPoolExecutor(min(jobs, len(tasks))) as pool:
            for task, truth in zip(tasks, pool.map(_write, tasks)):
                truths.append(truth)
                if progress:
                    progress(task[0])
    else:
        for task in tasks:
            truths.append(_write(task))
            if progress:
                progress(task[0])
    truths = truths[1:]
    Path(folder, "truth.json").write_text(json.dumps(truths, indent=1) + "\n", encoding="utf-8")
    chart = next((t for t in truths if "patches" in t), None)
    if chart:
        lines = [",".join(f"{patch[k]:.5g}" for k in "xywhXYZ") for patch in chart["patches"]]
        Path(folder, "chart.csv").write_text("\n".join(["x,y,w,h,X,Y,Z", *lines]) + "\n", encoding="ascii")
    return truths


def _write(task) -> dict:
    path, shot, megapixels = task
    size = capture_size(megapixels)
    camera = negative.CAMERAS[shot.camera]
    cfa, truth = render(shot, size) if shot.scene else render_panel(shot, size)
    light = camera.panel(negative.PANELS[shot.panel])
    rawfile.write_dng(path, cfa, pattern=camera.pattern, black=camera.black, white=camera.white,
                      camera_matrix=camera.matrix, as_shot_neutral=light, make=camera.make, model=camera.model,
                      exposure=1 / truth["speed"], datetime=_DAY + timedelta(minutes=2 * shot.number))
    return {"file": Path(path).name, **truth}


def capture_size(megapixels: float) -> tuple[int, int]:
    """Height and width of a capture whose picture has that many megapixels."""
    wide = np.sqrt(megapixels * 1e6 * WIDE_MM / HIGH_MM)
    return 2 * round(wide * HIGH_MM / WIDE_MM * 1.17 / 2), 2 * round(wide * 1.17 / 2)


def picture_size(size: tuple[int, int]) -> tuple[int, int]:
    """Height and width of the picture inside a capture of `size`."""
    wide = round(size[1] / 1.17)
    return round(wide * HIGH_MM / WIDE_MM), wide


def render(shot: Shot, size: tuple[int, int]) -> tuple[np.ndarray, dict]:
    """One capture of one frame in its holder.

    Parameters
    ----------
    shot : Shot
    size : (int, int)
        Height and width of the capture.

    Returns
    -------
    cfa : uint16 array (H, W)
    truth : dict
        ``corners`` are x, y of the picture's outer corners, clockwise from top left, pixel centres at integers.
    """
    from PIL import Image
    from scipy.ndimage import gaussian_filter

    rng = np.random.default_rng([shot.seed, shot.number, 77])
    stock, camera = negative.STOCKS[shot.stock], negative.CAMERAS[shot.camera]
    lamp = negative.PANELS[shot.panel]
    h, w = picture_size(size)
    mm = w / WIDE_MM
    # Its own camera's lens and the emulsion have drawn the picture, so that it is never sharper than what lies on the film.
    picture = gaussian_filter(scenes.scene(shot.scene, (h, w), shot.seed), (EXPOSED_SOFT_MM * mm,) * 2 + (0,), mode="nearest")

    turn = np.deg2rad(shot.turn)
    centre = np.array([(size[1] - 1) / 2, (size[0] - 1) / 2]) + rng.uniform(-0.8, 0.8, 2) * mm
    forth = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])       # capture to film, rotation
    holder_turn = turn + np.deg2rad(rng.uniform(-0.3, 0.3))
    holder = _Window(centre + rng.uniform(-0.25, 0.25, 2) * mm, holder_turn,
                     (WIDE_MM / 2 + 1.6) * mm, (HIGH_MM / 2 + 2.0) * mm, 0.8 * mm, max(1.0, 0.08 * mm))
    gate = _Window(centre, turn, w / 2, h / 2, 0.25 * mm, 1.2)
    onto = forth @ -centre + ((w - 1) / 2, (h - 1) / 2)
    planes = [np.asarray(_warped(Image.fromarray(np.ascontiguousarray(picture[..., c])), forth, onto, size))
              for c in range(3)]
    print_ = np.asarray(_warped(_edge_print(shot, w, h, mm), forth, onto + (8 * mm, 8 * mm), size))

    mixing = camera.relative(lamp).astype(np.float32)
    seen = camera.panel(lamp)
    base = negative.base_of(stock, camera.relative(lamp))
    speed = next((n for n in _SPEEDS if _PANEL_LEVEL * _PANEL_SPEED / n * max(seen * base) < 0.78), _SPEEDS[-1])
    gain = (seen * _PANEL_LEVEL * _PANEL_SPEED / speed).astype(np.float32)
    lying, spots = _dirt(shot, size, mm, gate, np.random.default_rng([shot.seed, shot.number, 78]))

    tables = negative.development(stock)

    def seen_softly(top: int, end: int) -> np.ndarray:
        """Density of some rows as the copying lens draws the film: the light let through is spread."""
        low = max(top - 3, 0)
        around = slice(low, min(end + 3, size[0]))
        inside = gate.cover(around, size[1])
        exposed = np.stack([plane[around] * inside for plane in planes], axis=2)
        exposed += (print_[around] * ((1 - inside) * np.float32(0.5 / 255)))[..., None]
        density = negative.develop(exposed, stock, exposure=shot.exposure, tables=tables)
        through = gaussian_filter(np.float32(10) ** -density, (COPYING_SOFT, COPYING_SOFT, 0))
        return -np.log10(through[top - low:end - low])

    cfa = np.empty(size, np.uint16)
    for y in range(0, size[0], 64):
        rows = slice(y, min(y + 64, size[0]))
        density = seen_softly(y, rows.stop)
        if lying is not None and lying.removed is not None:
            density *= 1 - lying.removed[rows, :, None]
        through = negative.bands(negative.grain(density, stock, rng), stock)
        light = np.empty(density.shape[:2], np.float32)
        for r, c, channel in rawfile.colour_planes(camera.pattern):
            site = through[r, c]
            light[r, c] = sum(site[..., b] * (mixing[channel, b] * gain[channel]) for b in range(3))
        light *= panel_light(shot.panel_seed, rows, size)
        if lying is not None:
            light *= lying.factor[rows]
        window = holder.cover(rows, size[1])
        light *= window
        light += np.float32(shot.glare) + np.float32(0.0008) * (1 - window)
        cfa[rows] = rawfile.stored(light, black=camera.black, white=camera.white, electrons=camera.electrons,
                                   read_noise=camera.read_noise, rng=rng)
    corners = [[float(v) for v in gate.corner(sx, sy)] for sx, sy in ((-1, -1), (1, -1), (1, 1), (-1, 1))]
    truth = {"kind": stock.kind, "base": list(base), "corners": corners, "angle": shot.turn, "speed": speed,
             "size": list(size), "spots": spots, **{k: v for k, v in asdict(shot).items() if k != "turn"}}
    if shot.scene == "chart":
        truth["patches"] = _patches(gate, (h, w))
    return cfa, truth


def render_panel(shot: Shot, size: tuple[int, int]) -> tuple[np.ndarray, dict]:
    """A frame of the bare panel, with a few specks lying on it that are in no capture."""
    rng = np.random.default_rng([shot.panel_seed, 5])
    camera = negative.CAMERAS[shot.camera]
    gain = (camera.panel(negative.PANELS[shot.panel]) * _PANEL_LEVEL).astype(np.float32)
    light = panel_light(shot.panel_seed, slice(0, size[0]), size)
    for _ in range(25):
        _blob(light, rng.uniform(0, size[1]), rng.uniform(0, size[0]), size[1] * rng.uniform(0.0008, 0.004),
              rng.uniform(0.2, 0.9))
    for r, c, channel in rawfile.colour_planes(camera.pattern):
        light[r, c] *= gain[channel]
    cfa = rawfile.stored(light, black=camera.black, white=camera.white, electrons=camera.electrons,
                         read_noise=camera.read_noise, rng=rng)
    return cfa, {"speed": _PANEL_SPEED}


def panel_light(seed: int, rows: slice, size: tuple[int, int]) -> np.ndarray:
    """The panel's light through lens and sensor glass, brightest place about 1, for some rows; float32 (rows, W)."""
    rng = np.random.default_rng([seed, 3])
    x = (np.arange(size[1], dtype=np.float32) - size[1] / 2) / (size[1] / 2)
    y = (np.arange(size[0], dtype=np.float32) - size[0] / 2) / (size[1] / 2)
    fall = rng.uniform(0.14, 0.24)
    x0, y0 = rng.uniform(-0.2, 0.2, 2)
    wave, phase = rng.uniform(2, 4, 2), rng.uniform(0, 6, 2)
    across = 1 - fall * (x - x0) ** 2 + 0.012 * np.cos(wave[0] * x + phase[0])
    down = 1 - fall * (y - y0) ** 2 + 0.012 * np.cos(wave[1] * y + phase[1])
    light = (down[rows, None] * across[None, :]).astype(np.float32)
    for _ in range(2):                                          # two specks on the sensor's glass: in every capture
        _blob(light, rng.uniform(0.1, 0.9) * size[1], rng.uniform(0.1, 0.9) * size[0] - rows.start,
              size[1] * rng.uniform(0.0012, 0.002), rng.uniform(0.10, 0.16))
    return light


def _blob(light: np.ndarray, x: float, y: float, radius: float, depth: float) -> None:
    """Take `depth` of the light away in a soft round spot, in place; parts outside the array are left."""
    reach = int(3 * radius) + 2
    rows = slice(max(int(y) - reach, 0), max(min(int(y) + reach + 1, light.shape[0]), 0))
    columns = slice(max(int(x) - reach, 0), max(min(int(x) + reach + 1, light.shape[1]), 0))
    yy = np.arange(rows.start, rows.stop, dtype=np.float32)[:, None] - np.float32(y)
    xx = np.arange(columns.start, columns.stop, dtype=np.float32)[None, :] - np.float32(x)
    light[rows, columns] *= 1 - np.float32(depth) * np.exp(-((xx * xx + yy * yy) / np.float32(radius * radius)) ** 2)


@dataclass(frozen=True, eq=False)
class _Window:
    """A rectangular opening with rounded corners and a soft edge, in capture coordinates."""

    centre: np.ndarray
    turn: float
    half_wide: float
    half_high: float
    round: float
    soft: float

    def cover(self, rows: slice, width: int) -> np.ndarray:
        """1 inside, 0 outside, float32 (rows, width)."""
        x = (np.arange(width) - self.centre[0]).astype(np.float32)[None, :]
        y = (np.arange(rows.start, rows.stop) - self.centre[1]).astype(np.float32)[:, None]
        c, s = np.float32(np.cos(self.turn)), np.float32(np.sin(self.turn))
        u, v = np.abs(c * x + s * y), np.abs(c * y - s * x)
        u -= np.float32(self.half_wide - self.round)
        v -= np.float32(self.half_high - self.round)
        outside = np.hypot(np.maximum(u, 0), np.maximum(v, 0))
        outside += np.minimum(np.maximum(u, v), 0)
        outside -= np.float32(self.round)
        outside *= np.float32(-1 / self.soft)
        outside += np.float32(0.5)
        return np.clip(outside, 0, 1, out=outside)

    def holds(self, x: float, y: float) -> bool:
        c, s = np.cos(self.turn), np.sin(self.turn)
        x, y = x - self.centre[0], y - self.centre[1]
        return abs(c * x + s * y) < self.half_wide and abs(c * y - s * x) < self.half_high

    def corner(self, side: int, end: int) -> np.ndarray:
        return self.place(side * self.half_wide, end * self.half_high)

    def place(self, u: float, v: float) -> np.ndarray:
        """Capture x, y of a point given from the centre along the window's own sides."""
        c, s = np.cos(self.turn), np.sin(self.turn)
        return self.centre + (c * u - s * v, s * u + c * v)


def _warped(image, forth: np.ndarray, onto: np.ndarray, size: tuple[int, int]):
    """`image` in capture geometry, by ``source = forth @ capture + onto``, pixel centres at integers."""
    from PIL import Image

    (a, b), (d, e) = forth
    # Pillow's coordinates have pixel centres at halves.
    shift = onto + 0.5 - forth @ (0.5, 0.5)
    return image.transform((size[1], size[0]), Image.Transform.AFFINE, (a, b, shift[0], d, e, shift[1]),
                           Image.Resampling.BILINEAR)


def _edge_print(shot: Shot, w: int, h: int, mm: float):
    """What the maker exposes along the film's edges: an 8-bit image that reaches 8 mm past the picture on all sides."""
    from PIL import Image, ImageDraw, ImageFont

    pad = round(8 * mm)
    image = Image.new("L", (w + 2 * pad, h + 2 * pad), 0)
    pen = ImageDraw.Draw(image)
    font = ImageFont.load_default(max(4.0, 1.25 * mm))
    words = {"colour": "GLASSHOUSE C 200", "mono": "GLASSHOUSE P 100"}[negative.STOCKS[shot.stock].kind]
    low = pad + h + 0.75 * mm
    pen.text((pad + 0.16 * w, low), words, fill=255, font=font, anchor="lt")
    pen.text((pad + 0.70 * w, low), f"{shot.number}", fill=255, font=font, anchor="lt")
    pen.polygon([(pad + 0.67 * w, low), (pad + 0.67 * w, low + 0.9 * mm), (pad + 0.68 * w, low + 0.45 * mm)], fill=255)
    for k in range(16):
        x = pad + (0.30 + 0.025 * k) * w
        if (shot.number * 2654435761 + k * 40503) >> 3 & 1:                           # an edge code of bars
            pen.rectangle([x, pad - 1.5 * mm, x + 0.012 * w, pad - 0.8 * mm], fill=255)
    return image


def _patches(gate: _Window, shape) -> list[dict]:
    """The chart's patches in capture coordinates, small enough to stay inside when the frame is turned."""
    h, w = shape
    out = []
    for (x, y, bw, bh), colour in zip(scenes.patch_boxes(shape), scenes.PATCHES):
        cx, cy = gate.place(x + bw / 2 - w / 2, y + bh / 2 - h / 2)
        side = 0.75 * min(bw, bh)
        xyz = dict(zip("XYZ", (float(v) for v in np.array(_SRGB_TO_XYZ_D50) @ colour)))
        out.append({"x": float(cx - side / 2), "y": float(cy - side / 2), "w": float(side), "h": float(side),
                    "srgb_linear": list(colour), **xyz})
    return out


def _dirt(shot: Shot, size: tuple[int, int], mm: float, gate: _Window, rng) -> tuple[dirt.Dirt | None, list[dict]]:
    """Dirt over the whole opening, and the truth about what lies on the picture."""
    if shot.dirt <= 0:
        return None, []
    lying = dirt.make_dirt(size, rng, specks=int(rng.poisson(60 * shot.dirt)), fibres=int(rng.poisson(5 * shot.dirt)),
                           scratches=int(rng.poisson(0.5 * shot.dirt)),
                           dark_scratches=int(rng.poisson(0.4 * shot.dirt)),
                           marks=int(rng.poisson(0.3 * shot.dirt)), size=0.20 * mm, depth=(0.4, 0.98), soft=COPYING_SOFT)
    spots = [{"kind": d.kind, "light": d.light, "x": d.x, "y": d.y, "area": d.area} for d in lying.defects
             if gate.holds(d.x, d.y)]
    return lying, spots

"""Invented scenes in linear light: a small botanical glasshouse and its workshop.

Every scene is a function ``(shape, rng) -> float32 (h, w, 3)`` in linear sRGB (D65), 0.18 = middle grey, and is drawn
at the size asked for, so that it is as sharp at 24 megapixels as at 1. Shapes are painted with Pillow at twice that
size and reduced, then lit and textured in linear light. The photographs are those that ship inside scikit-image,
enlarged with fine structure added, because an enlargement alone would be soft.
"""
from __future__ import annotations

from pathlib import Path

import numpy as np

#: Linear sRGB of the 24 colour patches, row by row of six. Invented; the last row is a grey scale.
PATCHES = (
    (0.160, 0.085, 0.058), (0.540, 0.300, 0.220), (0.110, 0.200, 0.340), (0.095, 0.150, 0.055),
    (0.230, 0.220, 0.430), (0.130, 0.520, 0.410), (0.660, 0.210, 0.030), (0.070, 0.105, 0.380),
    (0.530, 0.090, 0.125), (0.110, 0.045, 0.145), (0.340, 0.500, 0.050), (0.740, 0.370, 0.030),
    (0.030, 0.050, 0.290), (0.070, 0.290, 0.070), (0.420, 0.035, 0.045), (0.790, 0.580, 0.020),
    (0.480, 0.090, 0.300), (0.020, 0.230, 0.340),
    (0.880, 0.880, 0.880), (0.580, 0.580, 0.580), (0.360, 0.360, 0.360), (0.180, 0.180, 0.180),
    (0.085, 0.085, 0.085), (0.032, 0.032, 0.032))

_PHOTOGRAPHS = {"portrait": "astronaut.png", "cup": "coffee.png", "cat": "chelsea.png", "tripod": "camera.png",
                "launch": "rocket.jpg", "stars": "hubble_deep_field.jpg",
                "wall": "brick.png", "lawn": "grass.png", "gravel": "gravel.png"}


def scene(name: str, shape: tuple[int, int], seed: int = 0) -> np.ndarray:
    """One scene by name.

    Parameters
    ----------
    name : str
        A key of `SCENES`.
    shape : (int, int)
        Height and width in pixels.
    seed : int
        The same seed gives the same scene.

    Returns
    -------
    float32 array (h, w, 3)
        Linear sRGB, 0.18 = middle grey; lamps and sky may pass 1.

    Examples
    --------
    >>> scene("leaves", (40, 60), seed=3).shape
    (40, 60, 3)
    """
    if name not in SCENES:
        raise ValueError(f"no scene is called {name!r}; there are {', '.join(SCENES)}")
    rng = np.random.default_rng([seed, *name.encode()])
    return SCENES[name]((int(shape[0]), int(shape[1])), rng)


# ---- the means -----------------------------------------------------------------------------------------------------

class _Board:
    """A Pillow drawing at `zoom` times the size, in units of the final pixels, its colours given in linear light."""

    def __init__(self, shape, ground=(0.18, 0.18, 0.18), zoom: int = 2):
        from PIL import Image, ImageDraw

        self.shape, self.zoom = shape, zoom
        self.image = Image.new("RGB", (shape[1] * zoom, shape[0] * zoom), _code(ground))
        self.pen = ImageDraw.Draw(self.image)

    def box(self, x0, y0, x1, y1, colour, round=0.0):
        z = self.zoom
        if x1 > x0 and y1 > y0:
            corners = [x0 * z, y0 * z, x1 * z - 1, y1 * z - 1]
            corners[2:] = max(corners[0], corners[2]), max(corners[1], corners[3])
            if round * z >= 1:
                self.pen.rounded_rectangle(corners, round * z, fill=_code(colour))
            else:
                self.pen.rectangle(corners, fill=_code(colour))

    def disc(self, x, y, radius, colour):
        z = self.zoom
        self.pen.ellipse([(x - radius) * z, (y - radius) * z, (x + radius) * z, (y + radius) * z], fill=_code(colour))

    def shape_of(self, points, colour):
        self.pen.polygon((np.asarray(points) * self.zoom).ravel().tolist(), fill=_code(colour))

    def line(self, points, colour, width):
        self.pen.line((np.asarray(points) * self.zoom).ravel().tolist(), fill=_code(colour),
                      width=max(1, round(width * self.zoom)), joint="curve")

    def text(self, x, y, words, colour, height, anchor="ls"):
        from PIL import ImageFont

        self.pen.text((x * self.zoom, y * self.zoom), words, fill=_code(colour), anchor=anchor,
                      font=ImageFont.load_default(max(4, height * self.zoom)))

    def linear(self) -> np.ndarray:
        small = self.image.reduce(self.zoom) if self.zoom > 1 else self.image
        return _from_codes(np.asarray(small))


def _codes(linear) -> np.ndarray:
    """8-bit sRGB (IEC 61966-2-1) of linear colours, uint8."""
    v = np.clip(np.asarray(linear, float), 0, 1)
    return (255 * np.where(v <= 0.0031308, 12.92 * v, 1.055 * v ** (1 / 2.4) - 0.055) + 0.5).astype(np.uint8)


def _code(colour) -> tuple[int, int, int]:
    return tuple(_codes(colour).tolist())


def _from_codes(codes: np.ndarray) -> np.ndarray:
    v = np.arange(256) / 255
    return np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4).astype(np.float32)[codes]


def _resize(plane: np.ndarray, shape, smooth: bool = True) -> np.ndarray:
    from PIL import Image

    how = Image.Resampling.BICUBIC if smooth else Image.Resampling.BILINEAR
    return np.array(Image.fromarray(np.ascontiguousarray(plane, np.float32)).resize((shape[1], shape[0]), how))


def clouds(shape, cell: float, rng) -> np.ndarray:
    """Smooth noise of unit deviation whose hills are about `cell` pixels wide; float32 (h, w)."""
    grid = (int(shape[0] / cell) + 3, int(shape[1] / cell) + 3)
    return _resize(rng.standard_normal(grid, dtype=np.float32), shape) * np.float32(1.4)


def texture(shape, rng, coarsest: float = 64.0) -> np.ndarray:
    """Noise with structure at every scale from one pixel up to `coarsest`, unit deviation; float32 (h, w)."""
    total = rng.standard_normal(shape, dtype=np.float32)
    total *= 0.6
    cell = 2.0
    while cell <= min(coarsest, min(shape)):
        total += clouds(shape, cell, rng)
        cell *= 3
    total /= max(float(total[::7, ::7].std()), 1e-6)
    return total


def _light(shape, rng, depth: float = 0.35) -> np.ndarray:
    """A soft fall of light across the scene, mean about 1; float32 (h, w, 1)."""
    y = np.linspace(-1, 1, shape[0], dtype=np.float32)[:, None]
    x = np.linspace(-1, 1, shape[1], dtype=np.float32)[None, :]
    angle = rng.uniform(0, 2 * np.pi)
    return (1 + depth * (np.float32(np.cos(angle)) * x + np.float32(np.sin(angle)) * y))[..., None]


def _grained(rgb: np.ndarray, rng, strength: float, coarsest: float = 64.0) -> np.ndarray:
    """Surface structure: reflectance times (1 + strength * texture), in place."""
    surface = texture(rgb.shape[:2], rng, coarsest)
    surface *= strength
    surface += 1
    np.maximum(surface, 0.1, out=surface)
    rgb *= surface[..., None]
    return rgb


# ---- charts --------------------------------------------------------------------------------------------------------

def patch_boxes(shape) -> np.ndarray:
    """Where `chart` puts its 24 patches: float array (24, 4) of x, y, w, h in pixels, well inside each patch."""
    h, w = shape
    boxes = []
    for i in range(24):
        row, column = divmod(i, 6)
        x, y = w * (0.08 + 0.14 * column), h * (0.09 + 0.155 * row)
        boxes.append((x + 0.02 * w, y + 0.025 * h, 0.08 * w, 0.08 * h))
    return np.array(boxes)


def wedge_boxes(shape, steps: int = 21) -> np.ndarray:
    """Where `chart` puts the steps of its grey wedge: float array (steps, 4) of x, y, w, h."""
    h, w = shape
    width = 0.84 * w / steps
    return np.array([(w * 0.08 + i * width + 0.2 * width, h * 0.775, 0.6 * width, h * 0.07) for i in range(steps)])


def wedge_values(steps: int = 21) -> np.ndarray:
    """Linear reflectances of the wedge, six stops in all, 0.85 the lightest; float array (steps,)."""
    return 0.85 * 2.0 ** -np.linspace(0, 6, steps)


def chart(shape, rng) -> np.ndarray:
    """Twenty-four colour patches, a step wedge of six stops and lettering on a grey board, evenly lit."""
    h, w = shape
    board = _Board(shape, (0.13, 0.13, 0.13))
    board.box(0.03 * w, 0.03 * h, 0.97 * w, 0.97 * h, (0.24, 0.24, 0.24), round=0.02 * h)
    for i, colour in enumerate(PATCHES):
        row, column = divmod(i, 6)
        x, y = w * (0.08 + 0.14 * column), h * (0.09 + 0.155 * row)
        board.box(x - 0.004 * h, y - 0.004 * h, x + 0.12 * w + 0.004 * h, y + 0.13 * h + 0.004 * h, (0.02, 0.02, 0.02))
        board.box(x, y, x + 0.12 * w, y + 0.13 * h, colour)
    values = wedge_values()
    board.box(0.078 * w, 0.745 * h, 0.922 * w, 0.875 * h, (0.02, 0.02, 0.02))
    for i, value in enumerate(values):
        step = 0.84 * w / len(values)
        board.box(w * 0.08 + i * step, h * 0.75, w * 0.08 + (i + 1) * step + 0.5, h * 0.87, (value,) * 3)
    board.text(0.08 * w, 0.935 * h, "GLASSHOUSE  bench 3  patches and six stops of grey", (0.85, 0.85, 0.85),
               0.034 * h)
    x = 0.66 * w
    for height in h * np.linspace(0.019, 0.005, 9):
        board.text(x, 0.935 * h, "grain", (0.02, 0.02, 0.02), height)
        x += 2.9 * height
    rgb = board.linear()
    for box, value in zip(wedge_boxes(shape, len(values)), values):       # the drawing's 8 bits would round the darks
        x, y, bw, bh = (int(round(v)) for v in box)
        rgb[y:y + bh, x:x + bw] = value
    return rgb


def step_wedge(shape, rng, stops: float = 9.0, steps: int = 18) -> np.ndarray:
    """Grey steps in half stops, 0.9 the lightest; exact values."""
    h, w = shape
    values = (0.9 * 2.0 ** -np.linspace(0, stops, steps)).astype(np.float32)
    columns = values[np.minimum(np.arange(w) * steps // w, steps - 1)]
    return np.broadcast_to(columns[None, :, None], (h, w, 3)).copy()


def card(shape, rng) -> np.ndarray:
    """An evenly lit grey card of 18 %."""
    return np.full(shape + (3,), 0.18, np.float32)


def blank(shape, rng) -> np.ndarray:
    """Nothing: the shutter stayed shut."""
    return np.zeros(shape + (3,), np.float32)


def leaves(shape, rng) -> np.ndarray:
    """Dead leaves after ISO 19567-2: overlapping discs, radii by the inverse cube: all scales are equally busy."""
    h, w = shape
    board = _Board(shape, (0.1, 0.1, 0.1))
    small, large = 2.4, max(0.13 * h, 8.0)
    mean_area = 2 * np.pi * np.log(large / small) / (small ** -2 - large ** -2)
    count = int(4.5 * h * w / mean_area)
    radii = (small ** -2 - rng.random(count) * (small ** -2 - large ** -2)) ** -0.5
    radii = np.concatenate([np.sort(rng.uniform(0.05 * h, large, 120))[::-1], radii])       # first a ground with no gap
    count = len(radii)
    xs, ys = rng.uniform(0, w, count), rng.uniform(0, h, count)
    values = 0.02 * (0.70 / 0.02) ** rng.random(count)
    families = np.array([(1.0, 1.0, 1.0), (0.75, 1.1, 0.55), (1.25, 0.95, 0.6), (1.35, 0.75, 0.6), (0.8, 1.0, 1.2)])
    tints = families[rng.integers(0, len(families), count)] * (1 + 0.10 * rng.standard_normal((count, 3)))
    codes = _codes(values[:, None] * tints)
    z = board.zoom
    ellipse = board.pen.ellipse
    for x, y, r, colour in zip((xs * z).tolist(), (ys * z).tolist(), (radii * z).tolist(), map(tuple, codes.tolist())):
        ellipse((x - r, y - r, x + r, y + r), fill=colour)
    return board.linear()


def lettering(shape, rng) -> np.ndarray:
    """A sheet of printed plant labels, from headline to the smallest type that can be read."""
    h, w = shape
    board = _Board(shape, (0.72, 0.70, 0.64))
    words = ("fern moss ivy reed sedge thyme sage mint rue dill yarrow sorrel clover bracken willow hazel alder rowan "
             "trowel sieve twine rake hoe pot tray bench pane vent stove cistern label ledger").split()
    ink = (0.025, 0.022, 0.02)
    y, size = 0.11 * h, 0.085 * h
    board.text(0.05 * w, y, "Glasshouse ledger", ink, size)
    while y < 0.95 * h:
        size = max(size * 0.86, 7.0)
        y += size * 1.5
        line = " ".join(rng.choice(words, int(1.9 * w / size / 6) + 2))
        colour = (0.30, 0.03, 0.02) if rng.random() < 0.12 else ink
        board.text(0.05 * w, y, line[:int(1.75 * w / size)], colour, size)
    board.box(0.95 * w, 0, w, h, (0.16, 0.13, 0.09))
    rgb = board.linear()
    rgb *= _light(shape, rng, 0.15)
    return _grained(rgb, rng, 0.025)


# ---- the glasshouse ------------------------------------------------------------------------------------------------

def _leaf(x, y, length, width, angle):
    """Outline of a leaf and its midrib, both (n, 2)."""
    t = np.linspace(0, 1, 9)
    half = width * np.sin(np.pi * t ** 0.75)
    outline = np.concatenate([np.stack([t * length, half], 1), np.stack([t * length, -half], 1)[::-1]])
    turn = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
    return outline @ turn + (x, y), np.array([[0, 0], [length * 0.95, 0]]) @ turn + (x, y)


def _plant(board, x, y, size, rng, hue):
    """A tuft of leaves growing from (x, y), darker behind and lighter in front."""
    count = int(rng.integers(26, 44))
    for i in range(count):
        depth = i / count
        angle = rng.normal(-np.pi / 2, 0.75)
        length = size * rng.uniform(0.5, 1.0)
        green = np.array(hue) * (0.25 + 1.0 * depth) * rng.uniform(0.7, 1.3)
        outline, rib = _leaf(x + rng.normal(0, 0.06 * size), y, length, length * rng.uniform(0.06, 0.16),
                             angle)
        board.shape_of(outline, green)
        board.line(rib, green * 1.8 + 0.01, max(0.7, 0.006 * size))


def foliage(shape, rng) -> np.ndarray:
    """Leaves over leaves, dark behind and sunlit in front, with a few flowers."""
    h, w = shape
    board = _Board(shape, (0.010, 0.016, 0.008))
    count = 3400
    for i in range(count):
        depth = i / count
        length = h * rng.uniform(0.03, 0.11) * (1.25 - 0.5 * depth)
        hue = np.array([rng.uniform(0.05, 0.20), rng.uniform(0.20, 0.34), rng.uniform(0.02, 0.07)])
        if rng.random() < 0.04:
            hue = np.array([0.42, 0.27, 0.03])                                      # a yellowed one
        hue *= (0.06 + 1.05 * depth ** 1.5) * rng.uniform(0.5, 1.5)
        x, y, angle = rng.uniform(-0.05 * w, 1.05 * w), rng.uniform(-0.05 * h, 1.05 * h), rng.uniform(0, 2 * np.pi)
        outline, rib = _leaf(x, y, length, length * rng.uniform(0.12, 0.24), angle)
        board.shape_of(outline, hue)
        board.line(rib, hue * 1.5 + 0.01, max(0.6, 0.0009 * h))
        if depth > 0.7 and rng.random() < 0.035:
            petal = ((0.75, 0.62, 0.66), (0.70, 0.06, 0.10), (0.82, 0.70, 0.12))[int(rng.integers(3))]
            for k in range(5):
                a = 2 * np.pi * k / 5 + angle
                board.disc(x + 0.012 * h * np.cos(a), y + 0.012 * h * np.sin(a), 0.0095 * h, petal)
            board.disc(x, y, 0.007 * h, (0.75, 0.45, 0.05))
    rgb = board.linear()
    rgb *= np.exp(0.35 * clouds(shape, 0.22 * h, rng))[..., None] * np.float32(1.3)
    return _grained(rgb, rng, 0.07, 8)


def bench(shape, rng) -> np.ndarray:
    """A tiled potting bench before a white wall: clay pots, plants, a label in each."""
    h, w = shape
    top = 0.60 * h
    board = _Board(shape, (0.52, 0.50, 0.45))
    for i in range(14):                                                             # boards of the wall
        x = w * i / 14
        board.box(x, 0, x + w / 14, top, np.array((0.50, 0.49, 0.44)) * rng.uniform(0.86, 1.08))
        board.box(x, 0, x + max(1, 0.0016 * w), top, (0.15, 0.14, 0.12))
    board.box(0, 0.12 * h, w, 0.135 * h, (0.30, 0.19, 0.10))                        # a shelf
    board.box(0, 0.135 * h, w, 0.145 * h, (0.10, 0.065, 0.035))
    for x in np.arange(0.05, 0.95, 0.085):
        tall = rng.uniform(0.045, 0.09) * h
        glass = ((0.10, 0.22, 0.13), (0.06, 0.14, 0.30), (0.35, 0.16, 0.03), (0.62, 0.62, 0.58))[int(rng.integers(4))]
        board.box(x * w, 0.12 * h - tall, (x + 0.035) * w, 0.12 * h, glass, round=0.006 * h)
        board.box((x + 0.006) * w, 0.12 * h - tall * 0.85, (x + 0.009) * w, 0.125 * h - tall * 0.3, (0.85, 0.88, 0.88))
    row, rows = 0, 7
    y = top
    while y < h:                                                                    # tiles, larger towards the front
        deep = h * 0.40 * (0.075 + 0.022 * row)
        across = w / (13 - row)
        shift = 0.5 * across * (row % 2)
        for k in range(-1, 14 - row):
            x = k * across + shift
            glaze = np.array((0.34, 0.43, 0.44)) if (k + row) % 5 else np.array((0.06, 0.16, 0.30))
            board.box(x, y, x + across, y + deep, (0.55, 0.53, 0.48))
            gap = max(0.8, 0.0014 * w)
            board.box(x + gap, y + gap, x + across - gap, y + deep - gap, glaze * rng.uniform(0.8, 1.2),
                      round=0.003 * h)
        y += deep
        row = min(row + 1, rows)
    names = rng.permutation(("fern", "sage", "mint", "moss", "reed", "thyme", "ivy", "rue"))
    greens = ((0.07, 0.24, 0.05), (0.13, 0.26, 0.09), (0.18, 0.31, 0.04), (0.05, 0.17, 0.09), (0.24, 0.25, 0.04))
    centres = (np.arange(5) + 0.5 + rng.uniform(-0.1, 0.1, 5)) / 5 * w
    for i, x in enumerate(centres):
        foot, size = top + rng.uniform(0.10, 0.22) * h, rng.uniform(0.17, 0.22) * h
        clay = np.array((0.44, 0.17, 0.08)) * rng.uniform(0.75, 1.2)
        half = 0.42 * size
        board.shape_of([(x - half * 1.5, foot), (x + half * 2.6, foot - 0.02 * h), (x + half * 2.2, foot + 0.02 * h),
                        (x - half * 0.6, foot + 0.012 * h)], (0.05, 0.06, 0.06))    # shadow
        _plant(board, x, foot - size, size * rng.uniform(1.3, 1.9), rng, greens[i])
        for upper, lower, over, under in ((1.0, 0.72, 1.0, 0.0), (1.12, 1.12, 1.02, 0.82)):  # pot, then rim
            top_y, low_y = foot - size * over, foot - size * under
            for a, b in zip(np.linspace(-1, 0.96, 50), np.linspace(-0.96, 1, 50)):
                shade = clay * (0.30 + 0.85 * np.sqrt(max(0, 1 - ((a + b) / 2 + 0.35) ** 2 / 1.85))) * upper
                board.shape_of([(x + a * half * upper, top_y), (x + b * half * upper + 0.5, top_y),
                                (x + b * half * lower + 0.5, low_y), (x + a * half * lower, low_y)], shade)
        board.box(x - 0.38 * half, foot - 0.60 * size, x + 0.70 * half, foot - 0.38 * size, (0.80, 0.78, 0.70),
                  round=0.003 * h)
        board.text(x + 0.16 * half, foot - 0.49 * size, str(names[i]), (0.03, 0.03, 0.04),
                   0.135 * size, anchor="mm")
    rgb = board.linear()
    rgb *= _light(shape, rng, 0.30)
    rgb *= np.array([1.03, 1.0, 0.95], np.float32)
    return _grained(rgb, rng, 0.05, 40)


def brick(shape, rng) -> np.ndarray:
    """The workshop's brick wall in slanting light, with a painted sign and tools hung on it."""
    h, w = shape
    board = _Board(shape, (0.33, 0.31, 0.27))
    tall, long = h / 17, w / 9.5
    joint = max(1.0, 0.0045 * h)
    for row in range(18):
        shift = (row % 2) * 0.5 * long
        for k in range(-1, 11):
            x, y = k * long - shift + long * 0.3, row * tall
            red = np.array((0.26, 0.105, 0.062)) * np.exp(0.28 * rng.standard_normal()) \
                * (1 + 0.10 * rng.standard_normal(3))
            dx, dy = rng.normal(0, 0.0012 * h, 2)
            board.box(x + joint + dx, y + joint + dy, x + long - joint + dx, y + tall - joint + dy, red,
                      round=0.004 * h)
    sign = (0.08 * w, 0.12 * h, 0.50 * w, 0.40 * h)
    board.box(sign[0] + 0.008 * h, sign[1] + 0.012 * h, sign[2] + 0.010 * h, sign[3] + 0.014 * h, (0.03, 0.02, 0.018))
    board.box(*sign, (0.09, 0.17, 0.12), round=0.008 * h)
    board.box(sign[0] + 0.01 * h, sign[1] + 0.01 * h, sign[2] - 0.01 * h, sign[3] - 0.01 * h, (0.62, 0.60, 0.50),
              round=0.006 * h)
    board.box(sign[0] + 0.015 * h, sign[1] + 0.015 * h, sign[2] - 0.015 * h, sign[3] - 0.015 * h, (0.09, 0.17, 0.12))
    board.text(0.29 * w, 0.215 * h, "WORKSHOP", (0.74, 0.70, 0.56), 0.092 * h, anchor="mm")
    board.text(0.29 * w, 0.31 * h, "pots and panes mended", (0.74, 0.70, 0.56), 0.043 * h, anchor="mm")
    board.text(0.29 * w, 0.36 * h, "please shut the door", (0.66, 0.60, 0.45), 0.024 * h, anchor="mm")
    board.box(0.56 * w, 0.16 * h, 0.96 * w, 0.185 * h, (0.20, 0.13, 0.07))           # rail with tools
    for i, x in enumerate(np.linspace(0.59, 0.93, 7)):
        x *= w
        reach = h * rng.uniform(0.28, 0.5)
        board.box(x + 0.010 * w, 0.19 * h, x + 0.017 * w, 0.175 * h + reach, (0.03, 0.02, 0.018))   # cast shadow
        board.box(x - 0.004 * w, 0.17 * h, x + 0.004 * w, 0.17 * h + reach * 0.55, (0.36, 0.22, 0.10), round=0.003 * h)
        steel = np.array((0.30, 0.31, 0.33)) * rng.uniform(0.6, 1.5)
        if i % 3 == 0:
            board.shape_of([(x - 0.017 * w, 0.17 * h + reach * 0.55), (x + 0.017 * w, 0.17 * h + reach * 0.55),
                            (x, 0.17 * h + reach)], steel)
        elif i % 3 == 1:
            board.box(x - 0.020 * w, 0.17 * h + reach * 0.55, x + 0.020 * w, 0.17 * h + reach * 0.62, steel)
            for k in range(6):
                board.box(x + (-0.019 + 0.0072 * k) * w, 0.17 * h + reach * 0.6, x + (-0.0165 + 0.0072 * k) * w,
                          0.17 * h + reach * 0.85, steel)
        else:
            board.box(x - 0.013 * w, 0.17 * h + reach * 0.55, x + 0.013 * w, 0.17 * h + reach, steel, round=0.012 * h)
            board.box(x - 0.008 * w, 0.17 * h + reach * 0.58, x - 0.005 * w, 0.17 * h + reach * 0.95, steel * 2)
    board.box(0, 0.93 * h, w, h, (0.11, 0.10, 0.09))
    rgb = board.linear()
    rgb *= _light(shape, rng, 0.55)
    return _grained(rgb, rng, 0.13, 30)


def panes(shape, rng) -> np.ndarray:
    """Out through the glazing bars: sky, clouds, a level horizon, a hedge; the bars nearly black against the light."""
    h, w = shape
    horizon = round(0.64 * h)
    y = np.linspace(0, 1, h, dtype=np.float32)[:, None, None]
    sky = np.array([0.16, 0.32, 0.66], np.float32) * (1 - y) ** 1.2 + np.array([0.95, 0.92, 0.84], np.float32) * y
    rgb = np.repeat(sky, w, axis=1)
    cover = clouds(shape, 0.30 * h, rng) + 0.5 * clouds(shape, 0.11 * h, rng) + 0.25 * clouds(shape, 0.04 * h, rng)
    cover = np.clip(cover * 0.45 + 0.1, 0, 1)[..., None]
    rgb += cover * (np.array([1.05, 1.03, 1.0], np.float32) - rgb)
    ground = _Board((h - horizon, w), (0.10, 0.16, 0.05))
    depth = h - horizon
    for i in range(22):                                                              # rows of a field
        t = (i / 22) ** 2
        ground.box(0, depth * t, w, depth * ((i + 1) / 22) ** 2 + 1,
                   np.array((0.13, 0.19, 0.055)) * rng.uniform(0.6, 1.35))
    for i in range(2600):                                                            # a hedge in front
        near = i / 2600
        x, yy = rng.uniform(-0.02 * w, 1.02 * w), depth * rng.uniform(0.45 + 0.2 * near, 1.1)
        outline, rib = _leaf(x, yy, h * rng.uniform(0.02, 0.05), h * rng.uniform(0.004, 0.009),
                             rng.uniform(0, 2 * np.pi))
        green = np.array((rng.uniform(0.03, 0.09), rng.uniform(0.09, 0.17), 0.025)) * (0.3 + near)
        ground.shape_of(outline, green)
    rgb[horizon:] = ground.linear()
    frame = _Board(shape, (0, 0, 0))
    bar = 0.010 * w
    for k in range(7):
        x = w * k / 6
        frame.box(x - bar / 2, 0, x + bar / 2, h, (1, 1, 1))
    for yy in (0.0, 0.28, 0.56, 0.84):
        frame.box(0, yy * h - bar / 3, w, yy * h + bar / 3, (1, 1, 1))
    frame.box(0, 0.955 * h, w, h, (1, 1, 1))
    cover = frame.linear()[..., :1]
    rgb *= 1 - cover
    rgb += cover * np.array([0.030, 0.034, 0.032], np.float32)
    return _grained(rgb, rng, 0.012, 20)


def lamps(shape, rng) -> np.ndarray:
    """Night: the glasshouse lit from within, a path with lamps, stars. The shadows are as good as black."""
    h, w = shape
    board = _Board(shape, (0.0030, 0.0034, 0.0055))
    board.box(0, 0.72 * h, w, h, (0.006, 0.006, 0.005))
    house = (0.30 * w, 0.34 * h, 0.92 * w, 0.72 * h)
    ridge = ((house[0] + house[2]) / 2, 0.16 * h)
    board.shape_of([(house[0], house[1]), ridge, (house[2], house[1])], (0.30, 0.24, 0.12))
    board.box(*house, (0.62, 0.50, 0.24))
    for k in range(130):                                                             # plants against the light
        x = rng.uniform(house[0], house[2])
        outline, _ = _leaf(x, house[3], h * rng.uniform(0.08, 0.30), h * rng.uniform(0.006, 0.016),
                           rng.normal(-np.pi / 2, 0.45))
        board.shape_of(outline, np.array((0.03, 0.05, 0.012)) * rng.uniform(0.3, 2.2))
    for k in range(13):
        x = house[0] + (house[2] - house[0]) * k / 12
        board.box(x - 0.0022 * w, house[1], x + 0.0022 * w, house[3], (0.010, 0.010, 0.008))
        board.line([ridge, (x, house[1])], (0.010, 0.010, 0.008), 0.0035 * w)
    for y in (0.34, 0.47, 0.60):
        board.box(house[0], y * h - 0.0025 * h, house[2], y * h + 0.0025 * h, (0.010, 0.010, 0.008))
    board.box(house[0], 0.695 * h, house[2], 0.74 * h, (0.020, 0.014, 0.010))
    for _ in range(260):
        board.disc(rng.uniform(0, w), rng.uniform(0, 0.33 * h), rng.uniform(0.5, 1.1), (rng.uniform(0.02, 0.5),) * 3)
    for i in range(30):                                                              # wet path
        t, below = i / 30, (i + 0.7) / 30
        board.box(w * (0.04 - 0.03 * t), h * (0.78 + 0.22 * t), w * (0.24 + 0.20 * t), h * (0.78 + 0.22 * below),
                  np.array((0.020, 0.018, 0.014)) * rng.uniform(0.6, 1.6))
    rgb = board.linear()
    yy = np.arange(h, dtype=np.float32)[:, None]
    xx = np.arange(w, dtype=np.float32)[None, :]
    spots = [(0.10, 0.42, 1.0), (0.20, 0.52, 0.55), (0.255, 0.575, 0.3)] + \
            [(rng.uniform(0.34, 0.88), rng.uniform(0.30, 0.44), 0.4) for _ in range(4)]
    coarse = np.zeros((-(-h // 4), -(-w // 4)), np.float32)
    for fx, fy, size in spots:                                                       # halos, smooth, so at quarter size
        r = np.float32(0.011 * h * size)
        coarse += 2.2 * r * r / ((xx[:, ::4] - fx * w) ** 2 + (yy[::4] - fy * h) ** 2 + 3 * r * r)
    rgb += _resize(coarse, shape, False)[..., None] * np.array([0.55, 0.40, 0.18], np.float32)
    for fx, fy, size in spots:
        x, y, r = fx * w, fy * h, 0.011 * h * size
        rows = slice(max(int(y - r) - 2, 0), int(y + r) + 3)
        columns = slice(max(int(x - 14 * r), 0), int(x + 14 * r) + 1)
        distance = np.sqrt((xx[:, columns] - x) ** 2 + (yy[rows] - y) ** 2)
        rgb[rows, columns] += np.clip(r + 0.5 - distance, 0, 1)[..., None] * np.array([9.0, 7.5, 4.5], np.float32)
        wet = slice(int(0.765 * h), h)                                               # its image in the wet ground
        fade = np.exp(-((xx[:, columns] - x) / (3.5 * r)) ** 2) \
            * np.exp(-np.abs(yy[wet] - (0.80 * h + (0.72 - fy) * 0.3 * h)) / (0.06 * h))
        rgb[wet, columns] += fade[..., None] * np.array([0.16, 0.12, 0.06], np.float32) * np.float32(size)
    return _grained(rgb, rng, 0.05, 12)


# ---- photographs ---------------------------------------------------------------------------------------------------

def photograph(name: str) -> np.ndarray:
    """A photograph that ships inside scikit-image, linear sRGB by IEC 61966-2-1, float32 (h, w, 3)."""
    from importlib.util import find_spec

    from PIL import Image

    folder = Path(find_spec("skimage").submodule_search_locations[0], "data")
    with Image.open(folder / _PHOTOGRAPHS[name]) as picture:
        return _from_codes(np.asarray(picture.convert("RGB")))


def _soft(plane: np.ndarray) -> np.ndarray:
    """Binomial mean over five by five."""
    for axis in (0, 1):
        width = [(2, 2) if i == axis else (0, 0) for i in range(2)]
        padded = np.moveaxis(np.pad(plane, width, mode="edge"), axis, 0)
        n = padded.shape[0] - 4
        plane = np.moveaxis(sum(k * padded[i:i + n] for i, k in enumerate((1, 4, 6, 4, 1))) / np.float32(16), 0, axis)
    return plane


def enlarged(small: np.ndarray, shape, rng, detail: float = 1.0) -> np.ndarray:
    """A photograph filling `shape`, cut to its aspect, with edges steepened and fine structure added.

    The structure follows the photograph's own: strong where it is busy, weak where it is smooth. float32 (h, w, 3).
    """
    h, w = shape
    sh, sw = small.shape[:2]
    ch, cw = min(sh, round(sw * h / w)), min(sw, round(sh * w / h))
    small = small[(sh - ch) // 2:(sh - ch) // 2 + ch, (sw - cw) // 2:(sw - cw) // 2 + cw]
    rgb = np.empty((h, w, 3), np.float32)
    for c in range(3):
        rgb[..., c] = _resize(small[..., c], shape)
    grey = small.mean(axis=2)
    mean = _soft(grey)
    spread = np.sqrt(np.maximum(_soft(grey * grey) - mean * mean, 0))
    full = rgb.mean(axis=2)
    np.maximum(full, 1e-4, out=full)
    reach = _resize(1.3 * spread, shape)
    np.maximum(reach, 1e-4, out=reach)
    middle = _resize(mean, shape)
    steep = full - middle                                                            # edges, steeper up to `reach`
    steep *= np.float32(2.2)
    steep /= reach
    np.tanh(steep, out=steep)
    steep *= reach
    steep += middle
    busy = reach / (np.maximum(middle, 0) + np.float32(0.02))
    fine = texture(shape, rng, 9)
    fine *= np.minimum(busy, 1.0) * np.float32(0.14 * detail) + np.float32(0.018 * detail)
    fine += 1
    np.maximum(fine, 0.2, out=fine)
    steep *= fine
    steep /= full
    np.clip(steep, 0.25, 4.0, out=steep)
    rgb *= steep[..., None]
    np.maximum(rgb, 0, out=rgb)
    return rgb


def _photograph_scene(name: str):
    def draw(shape, rng):
        return enlarged(photograph(name), shape, rng)

    draw.__doc__ = f"The photograph called {name!r} here, filling the frame."
    return draw


def pinboard(shape, rng) -> np.ndarray:
    """Prints pinned to a cork board, each at its own resolution, so that all of them are sharp, with typed labels."""
    h, w = shape
    board = _Board(shape, (0.23, 0.13, 0.065))
    for _ in range(2500):
        board.disc(rng.uniform(0, w), rng.uniform(0, h), rng.uniform(0.8, max(0.004 * h, 0.9)),
                   np.array((0.25, 0.15, 0.075)) * rng.uniform(0.4, 1.6))
    names = ["portrait", "cup", "stars", "cat", "tripod", "launch"]
    labels = ["portrait", "cup and spoon", "night sky", "cat", "tripod", "launch"]
    places = []
    for i, name in enumerate(names):
        row, column = divmod(i, 3)
        x, y = w * (0.045 + 0.315 * column), h * (0.06 + 0.47 * row)
        bw, bh = 0.28 * w, 0.385 * h
        board.box(x + 0.006 * h, y + 0.010 * h, x + bw + 0.010 * h, y + bh + 0.012 * h, (0.06, 0.035, 0.02))
        board.box(x, y, x + bw, y + bh, (0.80, 0.79, 0.75))
        board.text(x + bw / 2, y + bh - 0.018 * h, labels[i], (0.04, 0.04, 0.05), 0.026 * h, anchor="mm")
        places.append((name, x + 0.012 * h, y + 0.012 * h, bw - 0.024 * h, bh - 0.052 * h))
    rgb = board.linear()
    for name, x, y, bw, bh in places:
        x, y, bw, bh = int(x), int(y), int(bw), int(bh)
        rgb[y:y + bh, x:x + bw] = enlarged(photograph(name), (bh, bw), rng, 0.25) * np.float32(0.8) + np.float32(0.008)
    pins = _Board(shape, (0, 0, 0))
    for _, x, y, bw, _ in places:
        pins.disc(x + bw / 2, y - 0.002 * h, 0.008 * h, (1, 0, 0))
        pins.disc(x + bw / 2 - 0.002 * h, y - 0.004 * h, 0.002 * h, (1, 1, 1))
    over = pins.linear()
    cover = over[..., :1]
    rgb *= 1 - cover
    rgb += cover * (np.array([0.42, 0.05, 0.04], np.float32) + over[..., 1:2] * np.float32(0.5))
    rgb *= _light(shape, rng, 0.22)
    return _grained(rgb, rng, 0.025, 30)


#: Every scene by name.
SCENES = {"bench": bench, "chart": chart, "leaves": leaves, "foliage": foliage, "brick": brick, "panes": panes,
          "lamps": lamps, "lettering": lettering, "pinboard": pinboard, "wedge": step_wedge,
          "card": card, "blank": blank,
          **{name: _photograph_scene(name) for name in _PHOTOGRAPHS}}

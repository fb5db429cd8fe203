"""Dirty negatives with their truth for `spots.py` and `train_spots.py`: scenes hard for a dust finder, films, copies.

Run alone it writes a contact sheet of the scenes: ``python benchmarks/spot_scenes.py FILE.png``.
"""
from __future__ import annotations

import sys
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from negconv.positive import Positive  # noqa: E402
from negconv.synthetic import negative, rawfile, scenes  # noqa: E402
from negconv.synthetic.dirt import Dirt, make_dirt  # noqa: E402


def _blur(plane, sigma):
    from scipy import ndimage

    if sigma <= 0:
        return plane
    return ndimage.gaussian_filter(plane, (sigma, sigma) + (0,) * (plane.ndim - 2))


def _colour(grey, tint):
    return (grey[..., None] * np.asarray(tint, np.float32)).astype(np.float32)


def spray(shape, rng):
    """Drops of water against dark rock and grey sky."""
    h, w = shape
    y = np.linspace(0, 1, h, dtype=np.float32)[:, None]
    ground = 0.05 + 0.25 * (y < 0.4) + 0.05 * scenes.texture(shape, rng)
    light = np.maximum(ground, 0.01)
    for _ in range(int(rng.uniform(300, 1500))):
        r, x0, y0 = rng.exponential(1.3) + 0.7, rng.uniform(0, w), rng.normal(0.55, 0.18) * h
        _drop(light, x0, y0, r, rng.uniform(0.2, 3.0), rng.uniform(0.5, 1.0))
    return _colour(_blur(light, rng.uniform(0.6, 1.2)), (0.9, 1.0, 1.08))


def _drop(light, x, y, r, value, stretch):
    reach = int(3 * r) + 2
    y0, y1 = max(int(y) - reach, 0), min(int(y) + reach + 1, light.shape[0])
    x0, x1 = max(int(x) - reach, 0), min(int(x) + reach + 1, light.shape[1])
    if y0 >= y1 or x0 >= x1:
        return
    yy, xx = np.ogrid[y0:y1, x0:x1]
    cover = np.clip(r - np.hypot(xx - x, (yy - y) * stretch) + 0.5, 0, 1)
    light[y0:y1, x0:x1] = light[y0:y1, x0:x1] * (1 - cover) + value * cover


def stars(shape, rng):
    """A night sky with stars of all magnitudes, and trees."""
    h, w = shape
    light = np.full(shape, 0.004, np.float32) + 0.004 * np.linspace(0, 1, h, dtype=np.float32)[:, None]
    for _ in range(int(h * w / rng.uniform(600, 2500))):
        y, x = int(rng.uniform(0, h)), int(rng.uniform(0, w))
        light[y, x] += min(rng.pareto(1.1) * 0.06, 40)
    light = _blur(light, rng.uniform(0.8, 1.5))
    top = h * (0.8 + 0.12 * scenes.clouds((1, w), 40, rng)[0])
    light[np.arange(h)[:, None] > top[None, :]] = 0.001
    return _colour(_blur(light, 0.6), (1.0, 1.0, 1.1))


def city(shape, rng):
    """Windows and lamps of a town at night."""
    h, w = shape
    light = np.full(shape, 0.003, np.float32)
    tint = np.ones((h, w, 3), np.float32)
    for _ in range(30):
        x0, y0 = int(rng.uniform(0, w)), int(rng.uniform(0.2, 0.9) * h)
        bw, bh = int(rng.uniform(30, 120)), int(rng.uniform(50, 300))
        light[y0:y0 + bh, x0:x0 + bw] = rng.uniform(0.004, 0.02)
        cw, ch = rng.integers(3, 9), rng.integers(4, 10)
        for y in range(y0 + 4, min(y0 + bh, h) - 4, int(ch * 2)):
            for x in range(x0 + 3, min(x0 + bw, w) - 3, int(cw * 2)):
                if rng.random() < 0.4:
                    light[y:y + ch, x:x + cw] = rng.uniform(0.1, 1.2)
                    tint[y:y + ch, x:x + cw] = (1.25, 0.95, rng.uniform(0.4, 0.9))
    for _ in range(60):
        _drop(light, rng.uniform(0, w), rng.uniform(0.4, 1) * h, rng.uniform(0.8, 3), rng.uniform(1, 20), 1.0)
    return _blur(light[..., None] * tint, rng.uniform(0.6, 1.1)).astype(np.float32)


def snow(shape, rng):
    """Falling flakes, near ones large and soft, before a dark wood."""
    light = np.maximum(0.06 + 0.03 * scenes.texture(shape, rng), 0.01)
    h, w = shape
    for size, soft, count in ((1.0, 0.8, 500), (2.2, 1.6, 120), (5.0, 3.5, 25)):
        layer = np.zeros(shape, np.float32)
        for _ in range(int(count * h * w / 4e5)):
            _drop(layer, rng.uniform(0, w), rng.uniform(0, h), size * rng.uniform(0.7, 1.3), rng.uniform(0.5, 1.0), 1.0)
        cover = _blur(layer, soft)
        light = light * (1 - cover) + 0.85 * cover
    return _colour(light, (0.95, 1.0, 1.05))


def canopy(shape, rng):
    """Leaves and twigs against a bright sky: gaps of sky between them."""
    h, w = shape
    sky = 0.9 + 0.1 * scenes.clouds(shape, 200, rng)
    cover = scenes.clouds(shape, 6, rng) + 0.9 * scenes.clouds(shape, 25, rng) + 0.8 * scenes.clouds(shape, 90, rng)
    dark = 1 / (1 + np.exp(-np.clip((cover + rng.uniform(-0.5, 0.9)) * 12, -30, 30)))
    leaf = 0.05 + 0.03 * scenes.texture(shape, rng)
    light = np.maximum(sky * (1 - dark) + leaf * dark, 0.005)
    green = np.stack([light * (1 - 0.25 * dark), light, light * (1 - 0.45 * dark)], 2)
    return _blur(green, rng.uniform(0.4, 0.9)).astype(np.float32)


def twigs(shape, rng):
    """Thin light grasses and wires before a dark ground, and dark ones before the sky: what hairs look like."""
    from PIL import Image, ImageDraw

    h, w = shape
    image = Image.new("F", (2 * w, 2 * h), 0.08)
    pen = ImageDraw.Draw(image)
    pen.rectangle([0, 0, 2 * w, h], fill=0.7)
    for _ in range(160):
        x, y, a = rng.uniform(0, 2 * w), rng.uniform(0, 2 * h), rng.normal(-np.pi / 2, 0.5)
        points = [(x, y)]
        for _ in range(12):
            a += rng.normal(0, 0.12)
            x, y = x + 18 * np.cos(a), y + 18 * np.sin(a)
            points.append((x, y))
        pen.line(points, fill=float(rng.uniform(0.02, 0.9)), width=int(rng.integers(1, 7)))
    for k in range(4):
        y = rng.uniform(0, h)
        pen.line([(0, y), (2 * w, y + rng.uniform(-60, 60))], fill=0.03, width=3)
    light = np.asarray(image.resize((w, h), Image.Resampling.BOX)) * (1 + 0.06 * scenes.texture(shape, rng))
    return _colour(_blur(np.maximum(light, 0.005), rng.uniform(0.5, 0.9)), (0.98, 1.0, 0.85))


def water(shape, rng):
    """Glitter on water."""
    h, w = shape
    waves = scenes.clouds((h, w // 3), 5, rng)
    waves = scenes._resize(waves, shape) + 0.6 * scenes._resize(scenes.clouds((h, w // 4), 14, rng), shape)
    return _colour(_blur(0.10 * np.exp(0.8 * waves) + 2.5 * np.clip(waves - 2.0, 0, None) ** 2, 0.7), (0.8, 1.0, 1.15))


def fabric(shape, rng):
    """A woven cloth with sequins."""
    h, w = shape
    y, x = np.mgrid[:h, :w].astype(np.float32)
    p = rng.uniform(5, 11)
    light = 0.2 * (1 + 0.35 * np.sin(2 * np.pi * x / p) * np.sin(2 * np.pi * y / p)) * (1 + 0.3 * scenes.clouds(shape, 120, rng))
    for _ in range(int(h * w / 6000)):
        _drop(light, rng.uniform(0, w), rng.uniform(0, h), rng.uniform(1, 3.5), rng.uniform(0.3, 2), 1.0)
    return _colour(_blur(np.maximum(light, 0.01), rng.uniform(0.5, 1.0)), rng.uniform(0.5, 1.0, 3))


def plain(shape, rng):
    """Next to nothing: a soft gradient."""
    y, x = np.ogrid[:shape[0], :shape[1]]
    light = 10 ** (rng.uniform(-2.3, -0.1) + 0.4 * np.sin(x / shape[1] * 3 + rng.uniform(0, 6)) * np.cos(y / shape[0] * 2))
    return _colour(light.astype(np.float32), rng.uniform(0.6, 1.0, 3))


HARD = {f.__name__: f for f in (spray, stars, city, snow, canopy, twigs, water, fabric, plain)}
PHOTOGRAPHS = ("astronaut", "brick", "camera", "chelsea", "clock_motion", "coffee", "coins", "grass", "gravel",
               "hubble_deep_field", "ihc", "moon", "motorcycle_left", "page", "retina", "rocket", "text", "horse")
INVENTED = ("leaves", "lettering", "foliage", "bench", "brick", "panes", "lamps", "portrait", "tripod", "cup", "cat",
            "pinboard")


#: Scenes also seen as parts of a frame of six megapixels, where strokes, leaves and joints are many pixels wide.
LARGE = ("lettering", "chart", "brick", "bench", "panes", "pinboard", "foliage")


def names() -> list[str]:
    """All scenes, as ``hard:spray``, ``photo:moon``, ``scene:panes``."""
    return ([f"hard:{n}" for n in HARD] + [f"photo:{n}" for n in PHOTOGRAPHS]
            + [f"scene:{n}" for n in INVENTED if n in scenes.SCENES] + [f"large:{n}" for n in LARGE])


def picture(name: str, shape, rng) -> np.ndarray:
    """Scene light, linear sRGB, float32 (h, w, 3); photographs are cut at a random place and scale."""
    family, _, which = name.partition(":")
    if family == "hard":
        return np.maximum(HARD[which](shape, rng), 1e-4)
    if family == "scene":
        return np.maximum(scenes.scene(which, shape, int(rng.integers(1 << 30))), 1e-4)
    if family == "large":
        whole = scenes.scene(which, (2000, 3000), int(rng.integers(1 << 30)))
        y, x = rng.integers(0, 2001 - shape[0]), rng.integers(0, 3001 - shape[1])
        return np.maximum(whole[y:y + shape[0], x:x + shape[1]], 1e-4)
    small = _photograph(which) if family == "photo" else _from_file(which)
    # From half its size to two and a half times: a photograph of few pixels stands for a sharp frame or a soft one.
    zoom = np.exp(rng.uniform(-0.6, 0.9))
    ch, cw = int(shape[0] / zoom), int(shape[1] / zoom)
    # One that is too small goes on as its mirror image.
    over = [(0, max(0, c - n)) for c, n in zip((ch, cw), small.shape)]
    small = np.pad(small, over + [(0, 0)], mode="symmetric")
    y, x = rng.integers(0, small.shape[0] - ch + 1), rng.integers(0, small.shape[1] - cw + 1)
    part = small[y:y + ch, x:x + cw]
    if rng.random() < 0.5:
        part = part[:, ::-1]
    out = np.stack([scenes._resize(_blur(part[..., c], 0.4 / zoom if zoom < 1 else 0), shape) for c in range(3)], axis=2)
    return np.maximum(out, 1e-4).astype(np.float32)


def _photograph(name):
    from importlib.util import find_spec

    from PIL import Image

    folder = Path(find_spec("skimage").submodule_search_locations[0], "data")
    path = next(folder.glob(name + ".*"))
    return scenes._from_codes(np.asarray(Image.open(path).convert("RGB")))


@lru_cache(maxsize=2)
def _from_file(path):
    from PIL import Image

    return scenes._from_codes(np.asarray(Image.open(path).convert("RGB")))


#: Share of the copies that come from a raw file's mosaic, and of those through a softer lens than the others; and of the rest,
#: how many are interpolated between the mosaic's samples by somebody else, plainly, and how many are a camera's JPEG.
MOSAIC_SOFT, INTERPOLATED, JPEG = (0.35, 0.3), 0.2, 0.15
#: The light panel as that camera sees it, bare. Invented.
PANEL = np.array([0.6, 0.95, 0.7], np.float32)


@dataclass(frozen=True, eq=False)
class Sample:
    """A dirty positive, the same without dirt, and the truth."""

    name: str
    positive: Positive
    clean: Positive
    dirt: Dirt


def sample(name: str, seed: int, shape=(640, 800), *, dirt=None, clean: bool = False, dark: bool = True,
           grain=(0.005, 0.04), whole: bool | None = None, only: bool = False) -> Sample:
    """One frame as a copy stand gives it: scene, film, dirt and copy drawn at random from a seed.

    The picture on the film is as soft as camera and film made it; the grain, the dirt and that picture are seen through one
    copying lens. So dirt is never softer than the picture, as on a real copy.

    Parameters
    ----------
    dirt : callable, optional
        ``dirt(shape, rng, soft)`` instead of the generator.
    clean : bool
        Leave the dirt out (`Sample.positive` is `Sample.clean`).
    dark : bool
        With scratches in the emulsion.
    grain : (float, float)
        Range of its strength, in density.
    whole : bool, optional
        Through the whole chain of `negconv.convert`, or a plain inversion; by default four in five the whole.
    only : bool
        The dirty positive alone (`Sample.clean` is that as well): half the time.
    """
    rng = np.random.default_rng([seed, sum(map(ord, name)), 7])
    if whole is None:
        whole = rng.random() < 0.8
    light = _blur(picture(name, shape, rng), rng.choice([0.0, 0.4, 0.8, 1.2], p=[0.1, 0.3, 0.35, 0.25]))
    mono = bool(rng.random() < 0.5)
    film, base, gamma = (_of_stock if rng.random() < 0.4 else _of_line)(light, mono, rng)
    film = _grainy(film, base, mono, rng.uniform(*grain), rng)
    made = (dirt or _plain_dirt)(shape, rng, 0.3) if dirt or dark else _plain_dirt(shape, rng, 0.3, dark=False)
    lens, full, noise = rng.uniform(0.4, 0.9), rng.uniform(6000, 60000), rng.integers(1 << 30)
    with_density, mean = rng.random() < 0.6, light.mean() if mono else light.mean(axis=(0, 1))
    copy = np.random.default_rng([seed, sum(map(ord, name)), 8])
    mosaic, softer = copy.random(2) < MOSAIC_SOFT
    lens += copy.uniform(0.2, 0.7) * softer
    developed = _developed(copy)

    def positive(through) -> Positive:
        seen = _blur(through, lens)
        if mosaic:
            return _from_mosaic(seen * PANEL, base * PANEL, mono, full, noise)
        own = np.random.default_rng(noise).standard_normal(seen.shape, dtype=np.float32)
        seen = developed(np.clip(seen + own * np.sqrt(np.maximum(seen, 0) / full + 1e-7), 1e-5, 1).astype(np.float32))
        return _converted(seen, base, mono) if whole else _inverted(seen, base, gamma, mono, mean, with_density)

    if only:
        dirty = positive(made.over(film, base))
        return Sample(name, dirty, dirty, made)
    plain = positive(film)
    return Sample(name, plain if clean else positive(made.over(film, base)), plain, made)


def _converted(seen, base, mono) -> Positive:
    """The whole chain, all of the capture being picture."""
    import negconv

    return negconv.convert(seen, base=tuple(base), film="mono" if mono else "colour",
                           frame=negconv.Frame.rectangle(0, 0, seen.shape[1], seen.shape[0]), recipe=negconv.Recipe(inset=0.0))


def _from_mosaic(light, base, mono, electrons, noise) -> Positive:
    """The same from a raw file, read as any."""
    import negconv

    rng = np.random.default_rng(noise)
    with TemporaryDirectory() as folder:
        path = Path(folder, "copy.dng")
        rawfile.write_dng(path, rawfile.mosaic(light, electrons=electrons, rng=rng), as_shot_neutral=tuple(PANEL))
        return _converted(negconv.read(path), base, mono)


def _developed(rng):
    """What is done to a copy before it comes to us: nothing, plain interpolation of a mosaic, or a JPEG."""
    kind, weight, quality = rng.random(), rng.uniform(0, 1), int(rng.integers(85, 99))
    if kind < INTERPOLATED:
        return lambda seen: np.clip(_interpolated(seen, PANEL ** weight), 1e-5, 1).astype(np.float32)
    if kind < INTERPOLATED + JPEG:
        return lambda seen: np.maximum(_jpeg(seen, quality), 1e-5)
    return lambda seen: seen


def _interpolated(seen, channels):
    """Each channel known at its places of an RGGB mosaic, and between them the mean of those next to it, before any balance."""
    from scipy import ndimage

    y, x = np.mgrid[:seen.shape[0], :seen.shape[1]]
    samples = seen * channels
    where = [(y % 2 == 0) & (x % 2 == 0), (y + x) % 2 == 1, (y % 2 == 1) & (x % 2 == 1)]
    mosaic = sum(w * samples[..., c] for c, w in enumerate(where))
    near = np.array([[1, 2, 1], [2, 4, 2], [1, 2, 1]]) / 4
    sums = [ndimage.convolve(v.astype(np.float32), near, mode="mirror") for w in where for v in (w * mosaic, w)]
    return np.stack([a / b for a, b in zip(sums[::2], sums[1::2])], axis=2) / channels


def _jpeg(seen, quality):
    """Coded by the curve of sRGB in 8 bits, and read again."""
    from io import BytesIO

    from PIL import Image

    codes = np.where(seen <= 0.0031308, 12.92 * seen, 1.055 * seen ** (1 / 2.4) - 0.055)
    file = BytesIO()
    Image.fromarray(np.rint(codes * 255).astype(np.uint8)).save(file, "JPEG", quality=quality)
    return scenes._from_codes(np.asarray(Image.open(file)))


def _of_stock(light, mono, rng):
    """Transmittance of a film with toe, shoulder and dyes, its base, and its gammas."""
    stock = negative.STOCKS[str(rng.choice([k for k, s in negative.STOCKS.items() if (s.kind == "mono") == mono]))]
    stock = replace(stock, gamma=tuple(np.array(stock.gamma) * rng.uniform(0.85, 1.15)))
    camera = list(negative.CAMERAS.values())[int(rng.integers(2))]
    made = negative.make_negative(light, stock, exposure=rng.uniform(-1.0, 1.5), camera=camera)
    return made.transmittance, np.array(made.base, np.float32), stock.gamma


def _of_line(light, mono, rng):
    """The same of a film that is one straight line above its threshold."""
    if mono:
        light = np.repeat((light @ np.array([0.2126, 0.7152, 0.0722], np.float32))[..., None], 3, axis=2)
    base = (np.array([0.62, 0.60, 0.58]) if mono else np.array([0.55, 0.24, 0.13])) * rng.uniform(0.8, 1.2)
    gamma = rng.uniform(0.5, 0.72)
    above = gamma * np.maximum(np.log10(np.maximum(light * rng.uniform(0.5, 2.0), 1e-3)) + 2.2, 0)
    if not mono:
        mix = rng.uniform(0.0, 0.15, (3, 3))
        np.fill_diagonal(mix, 1.0)
        above = above @ mix.T
    return (base * 10.0 ** -above).astype(np.float32), base.astype(np.float32), (gamma,) * 3


def _grainy(film, base, mono, strength, rng):
    """Grain of any size, partly common to the layers, stronger where the film is denser."""
    share = 1.0 if mono else rng.uniform(0.0, 0.8)
    own = (np.sqrt(share) * rng.standard_normal(film.shape[:2] + (1,), dtype=np.float32)
           + np.sqrt(1 - share) * rng.standard_normal(film.shape, dtype=np.float32))
    own = _blur(own, rng.choice([0.3, 0.6, 0.9]))
    above = np.maximum(-np.log10(film / base), 0)
    return (film * 10 ** (-strength * own / own.std() * np.sqrt(0.2 + above))).astype(np.float32)


def amount(shape, rng, much=(8, 140)) -> int:
    """How many pieces of dirt; `much` is their range on a million pixels."""
    return int(shape[0] * shape[1] / 1e6 * np.exp(rng.uniform(*np.log(much))))


def _plain_dirt(shape, rng, soft, dark=True) -> Dirt:
    much = amount(shape, rng)
    return make_dirt(shape, rng, specks=much, fibres=int(rng.integers(0, 2 + much / 8)), scratches=int(rng.integers(0, 3)),
                     dark_scratches=int(rng.integers(0, 3)) * dark, marks=int(rng.random() < 0.15),
                     size=float(np.exp(rng.uniform(np.log(4.0), np.log(12)))), depth=(0.2, 1.0), soft=soft)


@lru_cache(maxsize=2)
def outlined(path, faint: float = 0.0):
    """A maker of dirt from outlines people drew on scans: a file with ``pts`` (x, y), ``starts`` and ``kind``.

    That share of the light dirt is faint whatever it would have been.
    """
    from PIL import Image, ImageDraw

    from negconv.synthetic.dirt import Defect

    with np.load(path) as data:
        begins, kinds, every = data["starts"], data["kind"], data["pts"].astype(float)
    outlines = [(str(k), every[a:b]) for k, a, b in zip(kinds, begins, begins[1:]) if b - a >= 3]
    others = [o for o in outlines if o[0] != "Dust"]

    def make(shape, rng, soft, much=(8, 140)) -> Dirt:
        h, w = shape
        factor, labels, defects = np.ones(shape, np.float32), np.zeros(shape, np.int32), []
        zoom = 7 / rng.uniform(5, 11)
        for _ in range(amount(shape, rng, much)):
            # Dust is by far the commonest; what is rare on the scans is needed often enough to be learnt.
            pool = outlines if rng.random() < 0.7 else others
            kind, points = pool[rng.integers(len(pool))]
            points = points * zoom
            turn = rng.uniform(0, 2 * np.pi)
            points = points @ np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
            points -= points.min(axis=0)
            size = points.max(axis=0)
            if size.max() < 1.5 or (size > 0.9 * np.array([w, h])).any():
                continue
            at = rng.uniform(2, np.array([w, h]) - size - 2)
            x, y = np.floor(at).astype(int) - 1
            cw, ch = np.ceil(size).astype(int) + 4
            cell = Image.new("L", (4 * int(cw), 4 * int(ch)))
            ImageDraw.Draw(cell).polygon([tuple(p) for p in (points + at - [x, y] + 0.5) * 4], fill=255, outline=255)
            part = np.s_[max(y, 0):min(y + ch, h), max(x, 0):min(x + cw, w)]
            cover = np.asarray(cell.resize((int(cw), int(ch)), Image.Resampling.BOX), np.float32) / 255
            cover = cover[part[0].start - y:part[0].stop - y, part[1].start - x:part[1].stop - x]
            if (cover > 0.5).sum() < 3 or labels[part].any():
                continue
            fibre = "hair" in kind.lower()
            if kind == "Scratch" and rng.random() < 0.5:
                depth = -float(rng.uniform(0.3, 1.0))
            else:
                depth = float(rng.choice([rng.uniform(0.9, 1.0), rng.uniform(0.5, 0.9), rng.uniform(0.35, 0.6)], p=[0.5, 0.35, 0.15]))
            if faint and depth > 0 and rng.random() < faint:
                depth = float(rng.uniform(0.2, 0.6))
            factor[part] *= 1 - depth * cover
            labels[part][cover > 0.5] = len(defects) + 1
            defects.append(Defect(len(defects) + 1, "fibre" if fibre else "scratch" if kind == "Scratch" else "speck", depth > 0,
                                  *(at + size / 2).tolist(), int((cover > 0.5).sum()), depth))
        return Dirt(factor, None, labels, tuple(defects))

    return make


def _inverted(seen, base, gamma, mono, mean, with_density) -> Positive:
    """A plain inversion: no curve, no matrix, one gamma a channel."""
    density = -np.log10(np.maximum(seen / base, 10 ** -4.0))
    if mono:
        density = density.mean(axis=2)
    linear = 0.01 * (10 ** (density / np.resize(np.array(gamma), density.shape[2:] or 1)) - 0.95)
    # White balance and exposure by the scene's own means, with dirt out of the way.
    linear *= (mean / np.mean(np.minimum(linear, np.percentile(linear[::4, ::4], 97)), axis=(0, 1))).astype(np.float32)
    linear *= np.float32(0.18 / max(float(np.median(linear)), 1e-3)) ** 0.7
    grey = density if density.ndim == 2 else density.mean(axis=2)
    return Positive(linear.astype(np.float32), density=grey.astype(np.float32) if with_density else None, pixel_um=7.0)


def main() -> None:
    from PIL import Image

    if len(sys.argv) < 2 or sys.argv[1].startswith("-"):
        print(__doc__)
        return
    tiles = []
    for i, name in enumerate(names()):
        s = sample(name, i, (300, 400))
        tiles.append(np.atleast_3d(s.positive.encode(bits=8)) * np.ones(3, np.uint8))
    columns = 6
    tiles += [np.zeros_like(tiles[0])] * (-len(tiles) % columns)
    sheet = np.concatenate([np.concatenate(tiles[i:i + columns], 1) for i in range(0, len(tiles), columns)])
    Image.fromarray(sheet).save(sys.argv[1])


if __name__ == "__main__":
    main()

"""Judging a capture: what no later step can mend, and what to do about it at the copy stand."""
from __future__ import annotations

import math
from dataclasses import field
from pathlib import Path

import numpy as np

from .balance import Reading, read_negative
from .base import FilmBase, base_in
from .capture import Capture, Meta
from .reading import read
from .errors import one_line
from .flat import PanelField, flatten
from .frame import Frame, picture_mask
from .search import PROXY, Look, look
from .levels import DARK, log_light, parts
from .values import frozen

#: Limits of the verdicts. Common practice, no source.
ROOM = 1.0            # stops of headroom above which exposure is given away
CLIPPED = 0.02        # stops of headroom below which the base counts as saturated
DIM = 6.0             # stops below saturation under which a capture is too dark to judge
THIN, DENSE, MUCH = -1.5, 3.0, 1.5   # stops over the rated exposure: too thin, too dense, dense without harm
EMPTY, NIGHT = 0.1, 1 / 3            # shares of nearly clear film worth a word, and that only a night picture should have
UNEVEN = 0.05         # light lost from the brightest to the darkest place of a picture
STRAY = 0.01          # the holder's light, as a share of the base's
SOFT = 0.72           # sharpness of a corner, as a share of the sharpest place
GOOD, POOR, UNKNOWN = "good", "poor", "unknown"
PLACES = ("middle", "top left", "top right", "bottom right", "bottom left")
#: Where a base was taken from, for people.
_PLACE = {"rebate": "the rebate", "picture": "the clearest tone in view", "leader": "the leader"}
PATCH = 128           # pixels a side of the places where grain is measured


@frozen
class Judgement:
    """One property of a capture.

    Attributes
    ----------
    name : {"exposure", "density", "evenness", "stray light", "sharpness"}
    verdict : {"good", "poor", "unknown"}
    values : tuple of float
        Exposure: stops of headroom of the channels; density: thinnest, middle and densest of the picture above base, share
        on the toe, stops over the rated exposure; evenness: share of light lost; stray light: the holder's light as a
        share of the base's; sharpness: of `PLACES`, 1 = as sharp as pixels can be.
    finding : str
    remedy : str
        Empty when nothing needs to be done.
    """

    name: str
    verdict: str
    values: tuple[float, ...]
    finding: str
    remedy: str = ""

    def to_dict(self) -> dict:
        """JSON-able values, one key a field."""
        return {"name": self.name, "verdict": self.verdict, "values": [round(v, 4) for v in self.values],
                "finding": self.finding, "remedy": self.remedy}


def judge_exposure(base: FilmBase) -> Judgement:
    """How many stops the exposure may rise before the base saturates in a channel.

    Parameters
    ----------
    base : FilmBase
        Of the capture as read (1 = saturation), not flattened.
    """
    stops = tuple(float(-math.log2(max(v, 1e-6))) for v in base.rgb)
    least = min(stops)
    channel = ("red", "green", "blue")[stops.index(least)]
    if least < CLIPPED:
        return Judgement("exposure", POOR, stops, f"the base is saturated in {channel}",
                         "photograph it again with half the exposure: what is saturated cannot be recovered")
    finding = f"the base is {least:.1f} stops below saturation in {channel}, the nearest channel"
    if least > ROOM:
        return Judgement("exposure", POOR, stops, finding,
                         f"expose about {math.floor(2 * (least - 0.3)) / 2:g} stops more: less noise in dense places")
    return Judgement("exposure", GOOD, stops, finding)


def judge_light(proxy: np.ndarray, clipped: float) -> Judgement:
    """The exposure of a capture in which no clear film was found: whether there is too much or too little light in it to go on.

    Parameters
    ----------
    proxy : float32 (h, w, 3)
        As read, 1 = saturation.
    clipped : float
        Share of it that is saturated in any channel.
    """
    if clipped > 0.5:
        return Judgement("exposure", POOR, (), f"{clipped:.0%} of the view is saturated",
                         "photograph it again with a shorter exposure: what is saturated cannot be recovered")
    brightest = float(np.percentile(proxy.max(axis=2), 99))
    stops = -math.log2(max(brightest, 1e-6))
    if stops > DIM:
        return Judgement("exposure", POOR, (), f"nearly black: the brightest in view is {stops:.0f} stops below saturation",
                         "was the panel lit and the lens uncovered? leave this capture out, or photograph it again")
    if clipped > 0.01:
        return Judgement("exposure", UNKNOWN, (), f"no clear film was found to judge it by, and {clipped:.0%} of the view is saturated",
                         "expose less if that is film, and leave some of the clear rebate in view")
    return Judgement("exposure", UNKNOWN, (), "no clear film in view to judge it by", "leave some of the clear rebate in view")


def judge_density(reading: Reading, film: str) -> Judgement:
    """How the film was exposed, as far as its densities tell.

    Parameters
    ----------
    reading : Reading
    film : str
        What film it is taken for, in words.
    """
    values = (reading.thin, reading.middle, reading.dense, reading.on_toe, reading.stops)
    said = f"{film}; {reading.text()}, "
    clear = f"{reading.on_toe:.0%} of the picture is nearly clear film, without detail"
    if reading.stops < THIN:
        return Judgement("density", POOR, values, f"{said}thin: about {-reading.stops:.0f} stops under"
                         + (f"; {clear}" if reading.on_toe > EMPTY else ""),
                         "no capture mends that: give the film more light next time, unless the scene was meant to be dark")
    if reading.on_toe > NIGHT:
        return Judgement("density", UNKNOWN, values, f"{said}but {clear}: right for a night picture, too thin otherwise",
                         "no capture mends that: where shadows should show, give the film more light next time")
    if reading.stops > DENSE:
        return Judgement("density", POOR, values, f"{said}dense: about {reading.stops:.0f} stops over",
                         "expose this capture as long as the clear film allows, and give the film less light next time")
    dense = f"dense by about {reading.stops:.0f} stops, which does no harm" if reading.stops > MUCH else "as they should be"
    return Judgement("density", GOOD, values, said + dense + (f"; {clear}" if reading.on_toe > EMPTY else ""))


def judge_evenness(seen: Look, shape: tuple[int, int], *, panel: PanelField | None = None,
                   flattened: bool = False) -> Judgement:
    """Light lost across the pictures, by the panel frame where there is one, else by the rebate.

    Parameters
    ----------
    seen : Look
        Of the proxy as it is judged.
    shape : (int, int)
        Of that proxy.
    panel : PanelField, optional
    flattened : bool
        Whether the capture was divided by its panel frame already.
    """
    if panel is not None:
        lost = float(panel.unevenness)
        finding = f"the panel loses {lost:.0%} of its light from its brightest to its darkest place; the panel frame evens it"
        if lost > 0.5:
            return Judgement("evenness", POOR, (lost,), finding, "move the panel further from the film or stop the lens down")
        return Judgement("evenness", GOOD, (lost,), finding)
    if flattened:
        return Judgement("evenness", GOOD, (0.0,), "flattened by a panel frame")
    if seen.base is None or not any(f.trusted for f in seen.frames):
        return Judgement("evenness", UNKNOWN, (), "no rebate to judge the light by", "photograph the bare panel as well")
    surface = seen.base.over(shape)
    light = surface[picture_mask([f for f in seen.frames if f.trusted], shape, inset=0.0)]
    if not light.size:
        return Judgement("evenness", UNKNOWN, (), "no rebate to judge the light by", "photograph the bare panel as well")
    lost = float(1 - 10.0 ** (light.min() - light.max()))
    finding = f"by its rebate the picture loses about {lost:.0%} of its light from one place to another"
    if lost > UNEVEN:
        return Judgement("evenness", POOR, (lost,), finding, "photograph the bare panel and give it as the panel frame")
    return Judgement("evenness", GOOD, (lost,), finding)


def judge_stray_light(proxy: np.ndarray, seen: Look) -> Judgement:
    """The holder's light: it should be black.

    Parameters
    ----------
    proxy : float32 (h, w, 3)
    seen : Look
    """
    none = Judgement("stray light", UNKNOWN, (), "no holder in view to judge it by")
    if seen.base is None:
        return none
    kinds = parts(log_light(proxy), seen.base).kinds
    dark = (kinds == DARK) & ~picture_mask(seen.frames, kinds.shape, inset=-0.05)
    border = np.concatenate([dark[0], dark[-1], dark[:, 0], dark[:, -1]])
    if dark.mean() < 0.01 or border.mean() < 0.05:
        return none
    base = 10.0 ** np.array(seen.base.log)
    # The base differs between channels; the holder's light is the panel's, so the clearest channel judges it.
    c = int(np.argmax(base))
    share = float(np.median(proxy[..., c][dark]) / base[c])
    finding = f"the holder has {share:.1%} of the base's light"
    if share > STRAY:
        return Judgement("stray light", POOR, (share,), finding,
                         "mask the panel round the film, darken the room, shade the lens: stray light flattens dense places")
    return Judgement("stray light", GOOD, (share,), finding)


def judge_sharpness(capture: Capture, frame: Frame) -> Judgement:
    """Sharpness of the grain in the middle and the corners of a picture.

    Grain has the same structure all over a film, so what differs between places is the focus. Its measure is the share
    of the finest detail: the energy one pixel fine against that two pixels fine, in density, 1 for white noise, at the
    places of each part of the picture where the coarser structure of the picture itself disturbs least.

    Parameters
    ----------
    capture : Capture
        As read, at full size.
    frame : Frame
        In its pixels.
    """
    a, b, c, d = (np.array(p, float) for p in frame.corners)
    middle = (a + b + c + d) / 4
    spots = [middle] + [middle + 0.76 * (p - middle) for p in (a, b, c, d)]
    reach = 0.1 * min(frame.size)
    values = tuple(_fineness(capture, spot, reach) for spot in spots)
    if min(frame.size) < 6 * PATCH or any(v is None for v in values):
        return Judgement("sharpness", UNKNOWN, (), "the picture is too small to see grain in")
    best = max(values)
    soft = [(v / best, name) for v, name in zip(values, PLACES) if v < SOFT * best]
    if best < 0.12:
        return Judgement("sharpness", POOR, values, "no grain is to be seen anywhere",
                         "focus on the grain at full magnification, with the lens a few stops down")
    if not soft:
        # Where a camera's noise outweighs the grain, a capture that is out of focus all over looks as this one does.
        return Judgement("sharpness", GOOD, values, "equally sharp in the middle and the corners (whether in focus at all, the "
                         "grain at 100% shows)")
    names = [name for _, name in sorted(soft)]
    finding = f"the grain is softer at the {', '.join(names)} ({min(soft)[0]:.0%} of the sharpest place)"
    if set(names) == {"middle"}:
        return Judgement("sharpness", POOR, values, finding, "the film bows: flatten it, or stop down")
    if len(names) >= 4 or {"top left", "bottom right"} <= set(names) or {"top right", "bottom left"} <= set(names):
        return Judgement("sharpness", POOR, values, finding, "the film bows or the lens is weak at its edges: flatten the "
                         "film, stop down")
    return Judgement("sharpness", POOR, values, finding, "camera and film are not parallel: level the copy stand")


def _fineness(capture: Capture, spot: np.ndarray, reach: float) -> float | None:
    """Square root of the energy ratio of one- to two-pixel detail (1 for white noise), best third of 3 x 3 patches."""
    h, w = capture.shape
    values = []
    for dy in (-1, 0, 1):
        for dx in (-1, 0, 1):
            x, y = int(spot[0] + dx * reach) - PATCH // 2, int(spot[1] + dy * reach) - PATCH // 2
            if x < 0 or y < 0 or x + PATCH > w or y + PATCH > h:
                continue
            green = capture.samples[y:y + PATCH, x:x + PATCH, 1].astype(np.float32) / np.float32(capture.white)
            density = np.log10(np.maximum(green, 1e-5))
            fine = _detail(density)
            coarse = _detail(density.reshape(PATCH // 2, 2, PATCH // 2, 2).mean(axis=(1, 3)))
            # White noise loses three quarters of its energy when four pixels are averaged.
            values.append(math.sqrt(fine / max(4 * coarse, 1e-12)))
    return float(np.mean(sorted(values)[-3:])) if values else None


def _detail(plane: np.ndarray) -> float:
    """Robust energy of what a pixel has over the mean of its four neighbours."""
    rest = plane[1:-1, 1:-1] - (plane[:-2, 1:-1] + plane[2:, 1:-1] + plane[1:-1, :-2] + plane[1:-1, 2:]) / 4
    return float(np.median(np.abs(rest - np.median(rest)))) ** 2


@frozen(eq=False)
class Report:
    """What is in a capture and how good it is.

    Attributes
    ----------
    file : str
    frames : tuple of Frame
        In capture pixels.
    base : FilmBase
    clipped : float
        Share of pixels saturated in any channel.
    even : bool
        Whether the panel's light was divided out: else `base` is relative to saturation.
    judgements : tuple of Judgement
    warnings : tuple of str
    picture : ndarray uint8 (h, w, 3)
        The capture, small, with what was found drawn on it.
    """

    file: str
    frames: tuple[Frame, ...]
    base: FilmBase
    clipped: float
    even: bool
    judgements: tuple[Judgement, ...]
    warnings: tuple[str, ...]
    picture: np.ndarray = field(repr=False)

    def to_dict(self) -> dict:
        """What ``inspect --json`` prints for a capture."""
        return {"file": self.file, "frames": [f.to_dict() for f in self.frames], "base": self.base.to_dict(),
                "clipped": round(self.clipped, 6), "judgements": [j.to_dict() for j in self.judgements],
                "warnings": list(self.warnings)}

    def text(self) -> str:
        """The same for people."""
        lines = []
        for f in self.frames:
            w, h = f.size
            lines.append(("frame", f"{w:.0f} x {h:.0f} px, turned {f.angle:+.2f} degrees, confidence {f.confidence:.2f}"
                          + (f"  ({'; '.join(f.basis)})" if f.basis else "")))
        if self.frames:
            density = ", ".join(f"{v:.2f}" for v in self.base.density)
            of = "" if self.even else ", measured from saturation, as there is no panel frame"
            lines.append(("base", f"density {density} (red, green, blue) from {_PLACE.get(self.base.source, self.base.source)}{of}"))
        else:
            lines.append(("panel", "the bare panel: other captures are divided by its light"))
        for j in self.judgements:
            lines.append((j.name, f"{j.verdict}: {j.finding}" + (f" -> {j.remedy}" if j.remedy else "")))
        if self.clipped > 0:
            lines.append(("saturated", f"{self.clipped:.2%} of the capture"))
        lines += [("warning", text) for text in self.warnings]
        return "\n".join([one_line(self.file), *(f"  {name:<11} {words}" for name, words in lines)])

    def save_picture(self, folder, *, name: str | None = None, overwrite: bool = False) -> str:
        """Write the picture as a JPEG named after the capture (or `name`) into `folder`; returns its path."""
        from io import BytesIO

        from PIL import Image

        from .files import make_folder, place, stage

        path = make_folder(folder) / f"{name or Path(self.file).stem or 'capture'}-found.jpg"
        out = BytesIO()
        Image.fromarray(self.picture).save(out, "JPEG", quality=88)
        place(stage(path, [out.getvalue()]), overwrite=overwrite)
        return str(path)

    def __repr__(self) -> str:
        return self.text()


def inspect_capture(source, *, panel=None, recipe=None) -> Report:
    """Look at one capture and judge it.

    Parameters
    ----------
    source : path, Capture or ndarray (H, W, 3)
    panel : panel frame, path or PanelField, optional
    recipe : Recipe, optional
        Its ``film``, ``format`` and ``linearity`` are used.

    Returns
    -------
    Report
    """
    capture = read(source, linearity="auto" if recipe is None else recipe.linearity)
    small = capture.proxy(PROXY)
    k = small.reduced // capture.reduced
    clipped = 0.0 if capture.flattened else float(small.saturated().any(axis=2).mean())
    even = small
    if panel is not None and not capture.flattened:
        from .flat import panel_field

        panel = panel_field(panel)
        even = flatten(small, panel)
    film_format = None if recipe is None else recipe.format
    seen = look(even.data, film_format, flattened=even.flattened)
    base = base_in(even.data, seen=seen, flattened=even.flattened)
    frames = tuple(f.scaled(k) for f in seen.frames)
    raw = base if even is small else base_in(small.data, seen.frames, flattened=False)
    judgements, light = [], judge_light(small.data, clipped)
    lost = light.verdict == POOR and not capture.flattened
    if not capture.flattened:
        # A base that cannot be used (saturated, all but black) was seen none the less, and is what an exposure is judged by.
        rebate = seen.base is not None and any(f.trusted for f in seen.frames)
        judgements.append(judge_exposure(raw) if rebate and not lost else light)
    judgements.append(_reading(even, seen.frames, base, capture.meta, recipe))
    judgements.append(judge_evenness(seen, even.shape, panel=panel if panel is not None else None, flattened=capture.flattened))
    judgements.append(judge_stray_light(even.data, seen))
    judgements.append(Judgement("sharpness", UNKNOWN, (), f"too {'bright' if clipped > 0.5 else 'dark'} to see grain in") if lost
                      else judge_sharpness(capture, max(frames, key=lambda f: f.size[0] * f.size[1])))
    warnings = list(capture.meta.notes) + [w for f in frames for w in f.warnings] + list(base.warnings)
    return Report(capture.path or "array", frames, base, clipped, even.flattened, tuple(judgements), tuple(dict.fromkeys(warnings)),
                  draw_found(small.data, seen.frames, base))


def inspect_panel(source, panel: PanelField, *, recipe=None) -> Report:
    """Look at a capture of the bare panel, from which `panel` was made, and judge it.

    Parameters
    ----------
    source : path, Capture or ndarray (H, W, 3)
    panel : PanelField
    recipe : Recipe, optional
        Its ``linearity`` is used.

    Returns
    -------
    Report
        Without frames; the base stands for no film at all.
    """
    small = read(source, linearity="auto" if recipe is None else recipe.linearity, reduced=True).proxy(PROXY)
    clear = FilmBase((1.0, 1.0, 1.0), source="the bare panel")
    return Report(small.path or "array", (), clear, float(small.saturated().any(axis=2).mean()), False,
                  (judge_evenness(Look((), None), small.shape, panel=panel),), tuple(small.meta.notes), draw_found(small.data, ()))


def _reading(even: Capture, frames, base: FilmBase, meta: Meta, recipe) -> Judgement:
    """How dense the negative is, and whether its shadows sit on the toe."""
    from .film import Film, film_kind

    inside = even.data[picture_mask(frames, even.shape, inset=0.03)]
    if len(inside) < 100 or not base.sound:
        return Judgement("density", UNKNOWN, (), "no usable base to measure the picture's densities from")
    inside = inside[:: max(1, len(inside) // 20_000)]
    stated = "auto" if recipe is None else recipe.film
    if stated not in ("auto", "colour", "mono"):
        film = Film.load(recipe.file(stated))
        kind, why = film.kind, "from a film file"
    else:
        kind, why = ((stated, "as stated") if stated != "auto" else
                     film_kind(base.density, -np.log10(np.maximum(inside, 1e-6) / np.array(base.rgb))))
        film = Film.colour() if kind == "colour" else Film.mono()
    return judge_density(read_negative(film.densities(inside, base.rgb, meta), film), f"{kind} film ({why})")


def draw_found(proxy: np.ndarray, frames, base: FilmBase | None = None, *, long_side: int = 1000) -> np.ndarray:
    """A small picture of a capture with its frames and what the base was taken for.

    Parameters
    ----------
    proxy : float32 (h, w, 3)
    frames : sequence of Frame
        In pixels of the proxy.
    base : FilmBase, optional
        Shown as a swatch.

    Returns
    -------
    uint8 array (h, w, 3)
    """
    from PIL import Image, ImageDraw, ImageFont

    bright = max(float(np.percentile(proxy[::4, ::4], 99.5)), 1e-4)
    codes = (np.clip(proxy / bright, 0, 1) ** (1 / 2.2) * 255).astype(np.uint8)
    image = Image.fromarray(codes)
    scale = min(1.0, long_side / max(image.size))
    image = image.resize((max(1, round(image.width * scale)), max(1, round(image.height * scale))))
    pen = ImageDraw.Draw(image)
    font = ImageFont.load_default(max(12, round(0.018 * max(image.size))))
    for i, f in enumerate(frames, 1):
        points = [((x + 0.5) * scale, (y + 0.5) * scale) for x, y in f.corners]
        colour = (60, 230, 90) if f.trusted else (255, 140, 0)
        pen.line(points + points[:2], fill=(0, 0, 0), width=5)
        pen.line(points + points[:2], fill=colour, width=2)
        words = f"{i}: {f.angle:+.2f} degrees, confidence {f.confidence:.2f}" + (f", {f.format}" if f.format else "")
        at = (max(points[0][0], 0) + 8, max(points[0][1], 0) + 8)
        pen.text(at, words, fill=colour, font=font, stroke_width=2, stroke_fill=(0, 0, 0))
    if base is not None:
        side = max(16, round(0.04 * max(image.size)))
        tone = tuple(int(v) for v in np.clip(np.array(base.rgb) / bright, 0, 1) ** (1 / 2.2) * 255)
        box = [4, image.height - side - 4, 4 + side, image.height - 4]
        pen.rectangle(box, fill=tone, outline=(0, 0, 0), width=2)
        pen.text((box[2] + 6, box[1]), f"base from {base.source}\ndensity " + " ".join(f"{v:.2f}" for v in base.density),
                 fill=(255, 255, 255), font=font, stroke_width=2, stroke_fill=(0, 0, 0))
    return np.asarray(image)

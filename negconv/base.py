"""The base: what unexposed, developed film lets through, sampled from the rebate."""
from __future__ import annotations

from dataclasses import replace

import numpy as np

from .capture import block_mean
from .errors import InputError
from .attempt import DENSE
from .frame import Frame, picture_mask
from .robust import median, quantile
from .search import PLAN, Look, finite, linear_of, look, proxy_of
from .levels import BARE, BASE, log_light, parts
from .values import frozen

#: Kept clear of a frame's edge, as a share of its shorter side: the gate's penumbra and the lens's flare end there.
CLEAR = 0.012
#: Proxy pixels of rebate that make a sample worth having.
ENOUGH = 60
#: The densest base plus fog, in any channel; beyond it something else was sampled. Common practice, no source.
DENSEST = 1.8


@frozen
class FilmBase:
    """Base plus fog.

    Attributes
    ----------
    rgb : (3,)
        Transmittance relative to the panel once flattened, else relative to saturation.
    spread : (3,)
        Relative standard deviation (robust) of the pixels behind it.
    pixels : int
        How many proxy pixels that were.
    source : str
        Where it was sampled: "rebate", "rectangle", "leader", "picture" (no rebate in view), "given".
    warnings : tuple of str

    Examples
    --------
    >>> FilmBase((0.5, 0.25, 0.1)).density[1]
    0.6020599913279624
    """

    rgb: tuple[float, float, float]
    spread: tuple[float, float, float] = (0.0, 0.0, 0.0)
    pixels: int = 0
    source: str = "given"
    warnings: tuple[str, ...] = ()

    @property
    def density(self) -> tuple[float, float, float]:
        """Base density (D-min) of the channels, ``-log10(rgb)``."""
        return tuple(float(v) for v in 0.0 - np.log10(np.maximum(self.rgb, 1e-6)))

    @property
    def sound(self) -> bool:
        """True when it comes from film that was seen to be unexposed, or from the user."""
        return self.source != "picture"

    def to_dict(self) -> dict:
        return {"rgb": list(self.rgb), "density": list(self.density), "spread": list(self.spread),
                "pixels": self.pixels, "source": self.source, "warnings": list(self.warnings)}

    @classmethod
    def from_dict(cls, values: dict) -> FilmBase:
        return cls(tuple(map(float, values["rgb"])), tuple(map(float, values.get("spread", (0, 0, 0)))),
                   int(values.get("pixels", 0)), values.get("source", "given"), tuple(values.get("warnings", ())))

    def __repr__(self) -> str:
        rgb = ", ".join(f"{v:.4f}" for v in self.rgb)
        density = ", ".join(f"{v:.2f}" for v in self.density)
        return f"FilmBase(rgb {rgb}; density {density}; from {self.source}, {self.pixels} pixels)"


def sample_base(source, frames=None, *, rect=None, leader: bool = False) -> FilmBase:
    """The base of a capture.

    Parameters
    ----------
    source : Capture, or ndarray (H, W, 3) linear in light
    frames : sequence of Frame, optional
        What lies inside them is picture; found when not given.
    rect : (x, y, w, h), optional
        Where the base is to be read, in pixels of `source`; frames are then not needed.
    leader : bool
        The capture shows unexposed film and nothing else: its brightest even tone that is not the panel is the base.

    Returns
    -------
    FilmBase
        Its ``source`` is "picture", with a warning, when no rebate is in view: then the brightest even tone of the
        picture is the best that can be said, and the base of another frame of the roll is better (`negconv.pool`).

    Raises
    ------
    InputError
        When `rect` lies outside the capture, or what it holds cannot be a base: saturated, implausibly dark, or
        brighter than the panel.

    Examples
    --------
    >>> import numpy as np
    >>> sample_base(np.full((40, 60, 3), 0.25, np.float32), rect=(5, 5, 20, 20)).rgb
    (0.25, 0.25, 0.25)
    """
    flattened = getattr(source, "flattened", None)
    if rect is not None:
        pixels = _rectangle(linear_of(source), rect, getattr(source, "path", "") or "base rectangle")
        found = _mode(pixels, "rectangle")
        fault = implausible(found.rgb, flattened)
        if fault:
            raise InputError("base rectangle", fault, "draw it on clear film between or beside the pictures")
        return found
    proxy, k = proxy_of(source)
    if frames is not None:
        frames = [f.reduced(k) for f in ([frames] if isinstance(frames, Frame) else frames)]
    return base_in(proxy, frames, flattened=flattened, leader=leader)


def base_in(proxy: np.ndarray, frames=None, *, flattened: bool | None = None, leader: bool = False,
            seen: Look | None = None) -> FilmBase:
    """As `sample_base`, of a capture already reduced; frames in its pixels, `seen` as `search.look` gave it."""
    proxy = finite(proxy)
    seen = seen or look(proxy, flattened=flattened)
    frames = [f for f in (seen.frames if frames is None else frames) if f.trusted]
    if seen.base is None:
        bright = proxy.reshape(-1, 3)[:: max(1, proxy.size // 300000)]
        rgb = quantile(bright, 0.99, axis=0)
        return FilmBase(tuple(map(float, np.maximum(rgb, 1e-6))), source="picture",
                        warnings=("no even tone was found that could be the base",))
    if seen.parts is not None and seen.proxy is proxy:
        k, plan, judged = seen.reduced, seen.plan, seen.parts
    else:
        k = -(-max(proxy.shape[:2]) // PLAN)
        plan = block_mean(proxy, k) if k > 1 else proxy
        judged = parts(log_light(plan), seen.base)
    proxy, frames = plan, [f.reduced(k) for f in frames]
    clear = judged.kinds == BASE
    source = "leader" if leader else "rebate"
    if frames and not leader and not flattened:
        # Fall-off is in it: all of the rebate has its say, or what lies further out and is broader would have more.
        clear = clear & ~picture_mask(frames, proxy.shape[:2], inset=-CLEAR / 3)
    elif frames and not leader:
        # As far from the picture as a sliver of rebate allows.
        for margin in (CLEAR, CLEAR / 2, CLEAR / 4):
            outside = clear & ~picture_mask(frames, proxy.shape[:2], inset=-margin)
            core = _eroded(outside)
            if core.sum() >= ENOUGH:
                break
        clear = core if core.sum() >= ENOUGH else outside
    else:
        clear = _eroded(clear)
    warnings: tuple[str, ...] = ()
    if clear.sum() < ENOUGH or not (frames or leader):
        clear = _eroded(judged.kinds == BASE)
        source = "leader" if leader else "picture"
        if not leader:
            warnings = ("no rebate was found, so the clearest tone of the picture stands for the base: take it from "
                        "another frame of the roll or from a blank piece of the film",)
    if clear.sum() < 8:
        clear = judged.kinds == BASE
    # The panel's own fall-off, where it has not been divided out, spreads the rebate evenly: it has no mode.
    estimate = _mode if flattened else _middle
    found = estimate(proxy[clear], source) if clear.any() else FilmBase(tuple(float(10 ** v) for v in seen.base.log),
                                                                      source="picture")
    fault = implausible(found.rgb, flattened)
    if fault:
        warnings += (f"the base {fault}",)
        if source != "leader":
            found = replace(found, source="picture")
    return replace(found, warnings=warnings)


def implausible(rgb, flattened: bool | None = None) -> str:
    """Why a value cannot be a base, in words; empty when it can."""
    rgb = np.asarray(rgb, float)
    if not np.isfinite(rgb).all() or rgb.max() <= 0:
        return "is black"
    if flattened:
        if rgb.min() > BARE and rgb.max() < 1.06 * rgb.min():
            return "is as bright as the bare panel, so it is no film"
        if rgb.max() > 1.03:
            return "is brighter than the bare panel"
        if -np.log10(rgb.max()) > DENSE or -np.log10(max(rgb.min(), 1e-9)) > DENSEST:
            return f"is implausibly dark (density {-np.log10(rgb.max()):.2f} in the clearest channel)"
        return ""
    if flattened is False and rgb.max() > 0.995:
        return "is saturated; expose less"
    if rgb.max() < 0.004:
        return "is implausibly dark; expose more"
    return ""


def _rectangle(data: np.ndarray, rect, path: str) -> np.ndarray:
    x, y, w, h = (int(round(v)) for v in rect)
    inside = data[max(y, 0):max(y + h, 0), max(x, 0):max(x + w, 0)]
    if inside.size == 0:
        raise InputError(path, f"{x},{y},{w},{h} lies outside the capture of {data.shape[1]} x {data.shape[0]} pixels",
                         "give x,y,w,h in pixels of the capture")
    return inside.reshape(-1, 3)


def _eroded(mask: np.ndarray) -> np.ndarray:
    """True where the eight neighbours are true as well: away from print, dust and edges."""
    out = mask.copy()
    out[1:] &= mask[:-1]
    out[:-1] &= mask[1:]
    side = out.copy()
    out[:, 1:] &= side[:, :-1]
    out[:, :-1] &= side[:, 1:]
    return out


def _middle(pixels: np.ndarray, where: str) -> FilmBase:
    """The median of the pixels, per channel."""
    return _of_medians(_finite(pixels), where)


def _mode(pixels: np.ndarray, where: str) -> FilmBase:
    """The centre of the densest half of the pixels, by brightness, then per channel."""
    planes = _finite(pixels)
    light = planes.mean(axis=0)
    order = np.sort(light)
    half = max(len(order) // 2, 1)
    start = int(np.argmin(order[half - 1:] - order[:len(order) - half + 1])) if len(order) > 1 else 0
    low, high = order[start], order[start + half - 1]
    slack = 0.5 * (high - low) + 1e-9
    return _of_medians(planes[:, (light >= low - slack) & (light <= high + slack)], where)


def _finite(pixels: np.ndarray) -> np.ndarray:
    """Those of the pixels (n, 3) that are numbers, as planes (3, n): medians run along memory."""
    planes = np.ascontiguousarray(pixels.T)
    return planes[:, np.isfinite(planes).all(axis=0)]


def _of_medians(planes: np.ndarray, where: str) -> FilmBase:
    rgb = np.maximum(median(planes, axis=1), 1e-6)
    spread = 1.4826 * median(np.abs(planes - rgb[:, None]), axis=1) / rgb
    return FilmBase(tuple(map(float, rgb)), tuple(map(float, spread)), planes.shape[1], where)

"""Plots for a notebook: each takes matplotlib axes (or makes them) and returns them. Needs the extra `notebook`."""
from __future__ import annotations

from typing import TYPE_CHECKING, Sequence

import numpy as np

from .finish.grid import DARKEST, luminance, stops_of
from .tone import MIDDLE_GREY, WHITE_STOPS, ToneCurve

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from .capture import Capture
    from .film import Film
    from .frame import Frame
    from .positive import Positive
    from .spots import Spots

#: Long side of what is drawn; a notebook shows no more.
SHOWN = 1200
#: Told apart by those who see no difference between red and green (common practice, no source).
COLOURS = {"red": "#c1272d", "green": "#1b8a5a", "blue": "#2b5fd9", "grey": "#444444", "mark": "#ff9d00"}
#: Marker and colour of each kind of spot, so that shape says as much as colour.
KINDS = {"speck": ("o", "#ff9d00"), "fibre": ("s", "#2bd9c6"), "scratch": ("D", "#ff4fa3"), "drying mark": ("^", "#b58cff")}


def compare(before, after, axes: Sequence[Axes] | None = None, *, titles: tuple[str, str] = ("before", "after")) -> np.ndarray:
    """Two pictures side by side, zoomed and moved together.

    Parameters
    ----------
    before, after : Positive, Capture, or ndarray (h, w) or (h, w, 3) of linear light or of 8-bit codes
    axes : two Axes, optional
    titles : (str, str)

    Returns
    -------
    ndarray of two Axes
    """
    if axes is None:
        figure, axes = _pyplot().subplots(1, 2, figsize=(13, 5), sharex=True, sharey=True, layout="constrained")
    axes = np.asarray(axes, object)
    for ax, picture, title in zip(axes, (before, after), titles):
        _show(ax, picture)
        ax.set_title(title)
    return axes


def plot_histogram(positive: Positive, ax: Axes | None = None) -> Axes:
    """How much of a picture lies at which tone, in stops about middle grey, before the tone curve.

    The vertical lines are middle grey and white; the numbers at the sides are the shares darker and lighter than what is
    drawn.
    """
    ax = _axes(ax, (7, 3.2))
    linear = positive.proxy(SHOWN).linear
    planes = {"grey": linear} if linear.ndim == 2 else dict(zip(("red", "green", "blue"), np.moveaxis(linear, 2, 0)))
    low, high = -8.0, 5.0
    edges = np.linspace(low, high, 131)
    for name, plane in planes.items():
        stops = stops_of(np.ascontiguousarray(plane)).ravel()
        share = np.histogram(stops, edges)[0] / stops.size * 10  # per stop: bins are a tenth
        ax.stairs(share, edges, color=COLOURS[name], linewidth=1.3, label=name)
    tone = stops_of(np.ascontiguousarray(luminance(linear)))
    for x, text in ((0, "grey"), (WHITE_STOPS, "white")):
        ax.axvline(x, color="0.6", linewidth=0.8)
        ax.annotate(text, (x, 1), xycoords=("data", "axes fraction"), xytext=(3, -10), textcoords="offset points", fontsize=8,
                    color="0.35")
    for x, side, share in ((0.01, "left", (tone < low).mean()), (0.99, "right", (tone > high).mean())):
        ax.annotate(f"{share:.1%}", (x, 0.9), xycoords="axes fraction", ha=side, fontsize=8, color="0.35")
    ax.set(xlim=(low, high), ylim=(0, None), xlabel="stops about middle grey", ylabel="share of the picture a stop")
    if len(planes) > 1:
        ax.legend(frameon=False, fontsize=8, loc="upper left", bbox_to_anchor=(0, 0.88))
    return ax


def plot_film(film: Film, positive: Positive | None = None, ax: Axes | None = None) -> Axes:
    """A film's characteristic curves, and on the density axis where a frame's densities lie.

    Parameters
    ----------
    film : Film
    positive : Positive, optional
        Its mean densities above base are drawn as a histogram from the left.
    ax : Axes, optional
    """
    ax = _axes(ax, (6, 4.5))
    names = ("grey",) if len(film.curves) == 1 else ("red", "green", "blue")
    top = min(max(float(curve.density(1.0)) for curve in film.curves), 3.0)
    if positive is not None and positive.density is not None:
        top = max(top, 1.1 * float(np.percentile(positive.density, 99)))
    left = min(float(curve.log_exposure(0.05)) for curve in film.curves) - 0.8
    right = max(float(curve.log_exposure(top)) for curve in film.curves)
    exposure = np.linspace(left, right, 400)
    for name, curve, style in zip(names, film.curves, ("-", "--", ":")):
        ax.plot(exposure, curve.density(exposure), color=COLOURS[name], linestyle=style, label=name)
    if positive is not None and positive.density is not None:
        count, edges = np.histogram(positive.density, 120, (0, top))
        ax.stairs(left + count / max(count.max(), 1) * 0.25 * (right - left), edges, baseline=left, orientation="horizontal",
                  fill=True, color="0.8", zorder=0)
        for share in (0.01, 0.5, 0.99):
            at = float(np.quantile(positive.density, share))
            ax.axhline(at, color="0.6", linewidth=0.8, linestyle=":")
            ax.annotate(f"{share:.0%}", (1, at), xycoords=("axes fraction", "data"), xytext=(-28, 2),
                        textcoords="offset points", fontsize=8, color="0.35")
    ax.set(xlim=(left, right), ylim=(0, top), xlabel="log exposure", ylabel="density above base", title=film.name)
    if len(names) > 1:
        ax.legend(frameon=False, fontsize=8, loc="upper left")
    return ax


def plot_frames(capture: Capture, frames: Sequence[Frame], ax: Axes | None = None) -> Axes:
    """A capture with the outlines of the frames found in it, their numbers, confidences and angles."""
    ax = _axes(ax, (8, 5.5))
    _show(ax, capture)
    for number, frame in enumerate(frames, 1):
        corners = np.array([*frame.corners, frame.corners[0]])
        ax.plot(*corners.T, color=COLOURS["mark"], linewidth=1.5)
        ax.annotate(f"{number}: {frame.confidence:.2f}, {frame.angle:+.2f} degrees", corners[0], xytext=(4, -12),
                    textcoords="offset points", fontsize=9, color="black",
                    bbox={"facecolor": COLOURS["mark"], "edgecolor": "none", "pad": 1.5})
    return ax


def plot_spots(positive: Positive, spots: Spots, ax: Axes | None = None) -> Axes:
    """A positive with every spot marked; the marker's shape and colour say its kind."""
    ax = _axes(ax, (9, 6))
    _show(ax, positive)
    for kind, (marker, colour) in KINDS.items():
        rows = [s for s in spots.rows if s.kind == kind]
        if rows:
            ax.scatter([s.x for s in rows], [s.y for s in rows], s=[max(36.0, s.length) for s in rows], marker=marker,
                       facecolors="none", edgecolors=colour, linewidths=1.2, label=f"{kind} ({len(rows)})")
    if len(spots.rows):
        ax.legend(fontsize=8, loc="upper right")
    return ax


def plot_tone(tone: ToneCurve, ax: Axes | None = None) -> Axes:
    """A tone curve in stops about middle grey, scene across and print up, against the straight line that is off."""
    ax = _axes(ax, (5, 4.5))
    stops = np.linspace(-8, 5, 400)
    light = np.maximum(tone.apply(MIDDLE_GREY * 2.0 ** stops), MIDDLE_GREY * 2.0 ** DARKEST)
    ax.plot([-8, WHITE_STOPS], [-8, WHITE_STOPS], color="0.7", linewidth=0.8, linestyle="--")
    ax.plot(stops, np.log2(light / MIDDLE_GREY), color=COLOURS["grey"])
    ax.plot([0], [np.log2(float(tone.apply(MIDDLE_GREY)) / MIDDLE_GREY)], "o", color=COLOURS["mark"], markersize=5)
    ax.axhline(WHITE_STOPS, color="0.6", linewidth=0.8)
    ax.annotate("paper white", (0, WHITE_STOPS), xycoords=("axes fraction", "data"), xytext=(4, 3), textcoords="offset points",
                fontsize=8, color="0.35")
    ax.set(xlim=(-8, 5), ylim=(-9, 3.2), xlabel="scene, stops about middle grey", ylabel="print, stops about middle grey")
    return ax


def _show(ax: Axes, picture) -> None:
    """Draw a picture in its own pixel coordinates, whatever it is reduced to for drawing."""
    h, w = picture.shape[:2]
    codes = _codes(picture)
    ax.imshow(codes, cmap="gray" if codes.ndim == 2 else None, vmin=0, vmax=255, extent=(-0.5, w - 0.5, h - 0.5, -0.5))
    ax.set(xticks=(), yticks=())


def _codes(picture) -> np.ndarray:
    """uint8 sRGB codes of a Positive, a Capture, or an array of linear light or codes."""
    from .positive import Positive

    if isinstance(picture, np.ndarray) and picture.dtype == np.uint8:
        return picture
    if isinstance(picture, np.ndarray):
        picture = Positive(np.asarray(picture, np.float32), tone=ToneCurve.off())
    small = picture.proxy(SHOWN)
    if hasattr(small, "encode"):
        return small.encode("srgb", bits=8)
    # A capture is drawn as the eye sees it on the panel: its lightest part white.
    light = small.data / max(float(np.percentile(small.data, 99.5)), 1e-6)
    return Positive(light.astype(np.float32), tone=ToneCurve.off()).encode("srgb", bits=8)


def _axes(ax: Axes | None, size: tuple[float, float]) -> Axes:
    return ax if ax is not None else _pyplot().subplots(figsize=size, layout="constrained")[1]


def _pyplot():
    try:
        import matplotlib.pyplot as pyplot
    except ModuleNotFoundError:
        raise ModuleNotFoundError("plots need matplotlib; install it with: pip install negconv[notebook]") from None
    return pyplot

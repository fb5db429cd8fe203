"""Where film, rebate and picture lie in a capture."""
from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Iterable, Iterator

import numpy as np

from .capture import block_mean
from .faint import Faint, Seen, faint_pictures, outlines
from .gate import NARROW, WIDE, by_perforations, past_film
from .levels import (BASE, DARK, PANEL, PICTURE, VOID, Level, Parts, bare_panel, even_tones, log_light,
                     panel_like, parts)
from .rectangles import ASPECTS, Found, counts, edge_maps, rectangles, tally, to_plan, turn_of, turned
from .sides import Side, Traced, corners_of, logs_at, overhang, profiles, refine, together

#: The long side of the proxy that frames are sought on.
PROXY = 1500
#: The long side of the plan: the coarser picture in which rectangles are looked for before their sides are refined.
PLAN = 1100
#: What the whole gate is called in place of a frame.
UNTRUSTED = 0.1
#: The share of a picture that may be brighter than its base: pinholes and scratches.
BRIGHTER = 0.006
#: What a darker tone may fall short of a brighter one in merit where it surrounds the pictures inside the other's.
NESTED = 0.5
#: The same where nothing in its pictures is brighter.
SURROUNDED = 1.2
#: With this merit no other base is looked for, unless its tone surrounds the pictures.
PLAIN = 0.75
#: Log light in blue less that in green that no camera sees through the mask of colour film.
BLUISH = -0.35
#: A base whose spread is so many times that of a larger and darker tone is a gradient.
UNEVEN = 3.0
#: With less confidence than this another base and a finer plan are tried: a base so many times as common, and for
#: several pictures already with less than the last.
AGAIN, MANY, MANY_AGAIN = 0.3, 3.0, 0.5
#: How far, in log, the shape of a picture may be from that of its format.
OFF = 0.035
#: Of what is clear just outside a picture, at least this share is base.
UNLINED = 0.2
#: A finer plan is of use where no more than this share of the view is film, whose pictures are small then.
SMALL = 0.6
#: And the film in view so many times as long as wide.
LONG = 1.7
#: What is left free on both sides of it, as a share of the view.
ROOM = 0.03
#: No more tones than this are tried for the base.
ATTEMPTS = 4
#: Two tones closer than this in log light may be one.
SKIRT = 0.06
#: A base is not denser than this, beside the panel, in the channel that sees it clearest.
DENSE = 0.62
#: Below this confidence a frame is not trusted and the whole gate is used in its place.
TRUSTED = 0.3
#: No more confidence is given to a picture one of whose sides hardly shows, or lies where its format has it.
GUESSED, FITTED = 0.45, 0.8
#: Below this one it is trusted, but a person had better look.
SURE = 0.6


@dataclass(frozen=True)
class Format:
    """A negative format.

    Attributes
    ----------
    width_mm, height_mm : float
        Nominal picture size, longer side first.
    frames : tuple of int
        How many frames a roll holds; empty for sheets.
    perforated : bool
    """

    width_mm: float
    height_mm: float
    frames: tuple[int, ...] = ()
    perforated: bool = False

    @property
    def aspect(self) -> float:
        """Long side over short side."""
        return self.width_mm / self.height_mm


#: Nominal picture sizes: common practice, no source. The films themselves: ISO 732 (roll film), ISO 1007 (135).
FORMATS = {
    "135": Format(36.0, 24.0, (36, 24, 12), True),
    "135 half": Format(24.0, 18.0, (72,), True),
    "135 panorama": Format(65.0, 24.0, (21,), True),
    "6x4.5": Format(56.0, 41.5, (15, 16)),
    "6x6": Format(56.0, 56.0, (12,)),
    "6x7": Format(69.5, 56.0, (10,)),
    "6x8": Format(76.0, 56.0, (9,)),
    "6x9": Format(84.0, 56.0, (8,)),
    "6x12": Format(112.0, 56.0, (6,)),
    "6x17": Format(168.0, 56.0, (4,)),
    "4x5": Format(121.0, 96.0),
    "5x7": Format(171.0, 121.0),
    "8x10": Format(245.0, 194.0),
}


def format_named(name: str) -> Format:
    """A format by its name, spaces and case aside; ``ValueError`` names the known ones."""
    wanted = "".join(name.lower().split())
    for known, value in FORMATS.items():
        if "".join(known.split()) == wanted:
            return value
    raise ValueError(f"unknown film format {name!r}; known are {', '.join(FORMATS)}")


@dataclass(frozen=True)
class Frame:
    """One picture on film, as it lies in a capture.

    Attributes
    ----------
    corners : ((x, y), ...) four of them
        Outer corners of the picture, clockwise from the one at the top left of the capture; pixel centres at integers.
    angle : float
        Degrees, direction of the top edge with y down: the picture must be turned back by it.
    confidence : float
        0..1: the share of such answers whose corners are within 0.5 % of the long side.
    basis : tuple of str
        What each side (top, right, bottom, left) rests on, and other evidence, in words.
    format : str or None
    warnings : tuple of str
    """

    corners: tuple[tuple[float, float], ...]
    angle: float
    confidence: float = 1.0
    basis: tuple[str, ...] = ()
    format: str | None = None
    warnings: tuple[str, ...] = ()

    @classmethod
    def rectangle(cls, x: float, y: float, w: float, h: float, **others) -> Frame:
        """An upright frame; `x`, `y` is the outer corner of its first pixel, so pixel (x, y) is its first."""
        left, top, right, bottom = x - 0.5, y - 0.5, x + w - 0.5, y + h - 0.5
        return cls(((left, top), (right, top), (right, bottom), (left, bottom)), 0.0, **others)

    @property
    def size(self) -> tuple[float, float]:
        """Width and height in capture pixels: means of opposite sides."""
        a, b, c, d = (np.array(p) for p in self.corners)
        return (float(np.hypot(*(b - a)) + np.hypot(*(c - d))) / 2, float(np.hypot(*(d - a)) + np.hypot(*(c - b))) / 2)

    @property
    def trusted(self) -> bool:
        return self.confidence >= TRUSTED

    def scaled(self, k: int) -> Frame:
        """The same frame in a capture with `k` times the pixels along each axis."""
        corners = tuple((x * k + (k - 1) / 2, y * k + (k - 1) / 2) for x, y in self.corners)
        return Frame(corners, self.angle, self.confidence, self.basis, self.format, self.warnings)

    def reduced(self, k: int) -> Frame:
        """The same frame in a capture reduced `k` times."""
        corners = tuple(((x - (k - 1) / 2) / k, (y - (k - 1) / 2) / k) for x, y in self.corners)
        return Frame(corners, self.angle, self.confidence, self.basis, self.format, self.warnings)

    def to_dict(self) -> dict:
        return {"corners": [list(c) for c in self.corners], "angle": self.angle, "confidence": self.confidence,
                "basis": list(self.basis), "format": self.format, "warnings": list(self.warnings)}

    @classmethod
    def from_dict(cls, values: dict) -> Frame:
        return cls(tuple((float(x), float(y)) for x, y in values["corners"]), float(values["angle"]),
                   float(values["confidence"]), tuple(values.get("basis", ())), values.get("format"),
                   tuple(values.get("warnings", ())))

    def __repr__(self) -> str:
        w, h = self.size
        x, y = self.corners[0]
        name = f", {self.format}" if self.format else ""
        return (f"Frame({w:.0f} x {h:.0f} px from ({x:.1f}, {y:.1f}), turned {self.angle:+.2f} degrees, "
                f"confidence {self.confidence:.2f}{name})")


def linear_of(source) -> np.ndarray:
    """float32 (H, W, 3) of a capture or an array; a grey plane is repeated."""
    data = np.asarray(source.data if hasattr(source, "data") and not isinstance(source, np.ndarray) else source,
                      np.float32)
    if data.ndim == 2:
        data = data[..., None]
    return np.repeat(data, 3, axis=2) if data.shape[2] == 1 else data[..., :3]


def proxy_of(source, long_side: int = PROXY) -> tuple[np.ndarray, int]:
    """float32 (h, w, 3) of about `long_side` pixels, and how many pixels of `source` one stands for."""
    k = max(1, round(max(source.shape[:2]) / long_side))
    if hasattr(source, "proxy"):
        small = source.proxy(-(-max(source.shape) // k))
        return linear_of(small), small.reduced // source.reduced
    data = linear_of(source)
    return (data, 1) if k == 1 else (block_mean(data, k), k)


def finite(proxy: np.ndarray) -> np.ndarray:
    """The same array where all of it is finite; else one with no light where nothing is known of it."""
    return proxy if np.isfinite(proxy).all() else np.nan_to_num(proxy, nan=0.0, posinf=0.0, neginf=0.0)


def find_frames(source, film_format: str | None = None) -> list[Frame]:
    """The pictures in a capture, in reading order.

    Parameters
    ----------
    source : Capture, or ndarray (H, W, 3) linear in light
    film_format : str, optional
        A key of `FORMATS`; its aspect ratio steadies the answer.

    Returns
    -------
    list of Frame
        At least one; in pixels of `source`.
    """
    proxy, k = proxy_of(source)
    flattened = getattr(source, "flattened", None)
    return [frame.scaled(k) for frame in frames_in(proxy, film_format, flattened=flattened)]


def frames_in(proxy: np.ndarray, film_format: str | None = None, *, flattened: bool | None = None) -> list[Frame]:
    """As `find_frames`, of a capture already reduced (float32 (h, w, 3)), in its own pixels.

    `flattened` is None when it is not known whether 1.0 is the bare panel.
    """
    return list(look(proxy, film_format, flattened=flattened).frames)


@dataclass(frozen=True, eq=False)
class Look:
    """What was seen in a proxy: its frames, the base level they rest on (None when no even tone was found), and for
    each frame the evidence behind its confidence (nothing for the whole gate)."""

    frames: tuple[Frame, ...]
    base: Level | None
    evidence: tuple[tuple[float, ...], ...] = ()
    proxy: np.ndarray | None = None         # that was looked at, its plan, and what the plan's pixels are
    plan: np.ndarray | None = None
    parts: Parts | None = None
    reduced: int = 1            # how many pixels of the proxy one of the plan stands for
    faint: bool = False         # found by sides that hardly show; the evidence is of another kind then


def look(proxy: np.ndarray, film_format: str | None = None, *, flattened: bool | None = None) -> Look:
    """Frames and base level of a capture already reduced, in its own pixels."""
    proxy = finite(proxy)
    aspect = None if film_format is None else format_named(film_format).aspect
    h, w = proxy.shape[:2]
    k = -(-max(h, w) // PLAN)
    if min(h, w) // k < 24:
        return Look((_whole(w, h, film_format, "the capture is too small to look for a frame"),), None)
    answer = _answer(proxy, k, aspect, film_format, flattened)
    if k > 1 and answer is not None and _mean(answer.frames) < (
            MANY_AGAIN if len(answer.frames) > 1 else AGAIN) and _strip(answer.attempt.kinds):
        finer = _answer(proxy, k - 1, aspect, film_format, flattened, (answer.attempt.base,) if answer.frames else ())
        if finer is not None and len(finer.frames) >= len(answer.frames) and _mean(finer.frames) > max(
                _mean(answer.frames), AGAIN):
            answer = finer
    if answer is None:
        return Look((_whole(w, h, film_format, NOTHING),), None)
    frames: list[Frame] = [
        Frame(f.corners, f.angle, f.confidence, f.basis, f.format,
              (LOOK.format(f.confidence),) if f.confidence < SURE else ()) for f in answer.frames]
    evidence = tuple(f.evidence for f in answer.frames)
    if not frames or max(f.confidence for f in frames) < TRUSTED:
        frames = [_gate(proxy, answer.reduced, answer.attempt, film_format, NOTHING if not frames else
                        "the edges of the picture are too faint to be sure of (confidence "
                        f"{frames[0].confidence:.2f}), so the whole gate is used")]
        evidence = ()
    return Look(tuple(frames), answer.attempt.base, evidence, proxy, answer.plan, answer.attempt.parts,
                answer.reduced, answer.faint and bool(evidence))


def _strip(kinds: np.ndarray) -> bool:
    """Whether the film in an upright view is a strip with room on both sides of it, whose pictures are small then."""
    film = (kinds == BASE) | (kinds == PICTURE)
    down, across = (np.flatnonzero(2 * share > share.max(initial=0)) for share in counts(film))
    known = kinds.size - np.count_nonzero(kinds == VOID)
    narrow, size = (down, kinds.shape[0]) if len(down) < len(across) else (across, kinds.shape[1])
    return (np.count_nonzero(film) < SMALL * known and max(len(down), len(across)) > LONG * max(len(narrow), 1)
            and len(narrow) > 0 and ROOM * size < narrow[0] and narrow[-1] < (1 - ROOM) * size)


@dataclass(frozen=True, eq=False)
class _Answer:
    """The frames found with one tone for the base, in a plan `reduced` from the proxy."""

    attempt: _Attempt
    frames: list[_Sided]
    faint: bool
    plan: np.ndarray
    reduced: int


def _answer(proxy: np.ndarray, k: int, aspect: float | None, film_format: str | None, flattened: bool | None,
            known: tuple[Level, ...] = ()) -> _Answer | None:
    """The likeliest frames of a capture; None where no even tone may be the base. `known`: the only ones it may be."""
    plan = block_mean(proxy, k) if k > 1 else proxy
    log = log_light(plan)
    tones: list[Level] = []
    for tone in known or even_tones(log, rigid=bool(flattened)):
        tones.append(tone)
        if max(tone.log) < max(tones[0].log) - 2 * DENSE:
            break                       # neither is it the base, nor is anything darker
    tones = [tone for tone in tones if not _skirt(tone, tones)]
    best, bare, tried = None, None, []
    for base in _promising(list(_bases(tones, flattened))):
        ringed = best is not None and panel_like(best.base, flattened) and _ringed(best, base)
        if best is None or ringed or best.merit < PLAIN or _bordered(best):
            attempt = _attempt(log, base, aspect)
            if panel_like(base, flattened) and past_film(attempt.kinds):
                # Neither is what is brighter than this the base.
                best, bare, tried = None, bare or best or attempt, []
                continue
            tried.append(attempt)
            if best is None or attempt.merit > best.merit + (-_yield(attempt, best) if ringed else NESTED / 3):
                best = attempt
        if best.merit >= PLAIN and not (_bordered(best) or panel_like(best.base, flattened) and _may_be_ringed(best)):
            break
    best = best or bare
    if best is None:
        return None
    frames, attempt, faint = _framed(proxy, k, best, aspect, film_format)
    if _mean(frames) < AGAIN:
        # Night hides the sides of a picture, and what surrounds the film is plain: but most of the film is base.
        large = max(tried or [best], key=lambda one: one.base.share)
        if large is not best and large.base.share > MANY * best.base.share:
            others = _framed(proxy, k, large, aspect, film_format)
            if _mean(others[0]) > _mean(frames):
                frames, attempt, faint = others
    if panel_like(attempt.base, flattened) and any(_may_be_film(attempt, tone) for tone in tones):
        frames = [replace(f, confidence=min(f.confidence, GUESSED)) for f in frames]
    return _Answer(attempt, frames, faint, plan, k)


def _bordered(attempt: _Attempt) -> bool:
    """Whether a picture ends at the holder all round but for one side, at which alone there is what was taken for the
    base: that may as well be a strip of panel between holder and film."""
    return (len(attempt.found) == 1 and sorted(attempt.found[0].rests) == ["holder", "holder", "holder", "rebate"]
            and attempt.clear < STRIP)


def _off_gate(attempt: _Attempt) -> bool:
    """Whether perforations show, and pictures that rest on rebate are not where those have them."""
    for g in by_perforations(attempt.kinds):
        half = (g.high - g.low) / 2
        for f in attempt.found:
            low, high, on = (f.left, f.right, f.rests[1::2]) if g.down else (f.top, f.bottom, f.rests[::2])
            if on == ("rebate", "rebate") and max(abs(low - g.low), abs(high - g.high)) > ASIDE * half:
                return True
    return False


def _promising(bases: list[Level]) -> list[Level]:
    """Of the tones that may be the base no more than can be tried, brightest first: the brightest and the largest."""
    if len(bases) <= ATTEMPTS:
        return bases
    least = sorted(base.share for base in bases[1:])[1 - ATTEMPTS]
    return [base for i, base in enumerate(bases) if i == 0 or base.share >= least]


def _framed(proxy: np.ndarray, k: int, best: _Attempt, aspect: float | None,
            film_format: str | None) -> tuple[list[_Sided], _Attempt, bool]:
    """The frames of an attempt, by sides that show or by those that hardly do, and whether by these."""
    sided: list[_Sided] = []
    grown = False
    if best.found and not _baseless(best):
        sided = _refined(proxy, k, best, best.found, film_format)
        if len(sided) == 1 and min(sided[0].firm) < LOOSE and set(sided[0].rests) == {"rebate"}:
            shaped = _shaped(sided[0], aspect, proxy.shape[:2])
            grown = shaped is not sided[0]
            # A side that hardly shows is a guess; one where the format has it, a good one.
            most = FITTED if grown and aspect is not None else GUESSED
            sided = [replace(shaped, confidence=min(shaped.confidence, most))]
    if best.lined < UNLINED:
        # What lies around the picture is brighter than the base: panel past the film's edge, or the base is none.
        sided = [replace(f, confidence=min(f.confidence, GUESSED)) if "rebate" in f.rests else f for f in sided]
    most, off = GUESSED if _bordered(best) else 1.0, bool(sided) and _off_gate(best)
    sided = [replace(f, confidence=min(f.confidence, GUESSED if off else most)) for f in sided]
    # Where nothing exposed meets the holder, a picture hardly ends there.
    sided = [replace(f, confidence=min(f.confidence, GUESSED)) if any(
        on == "holder" and s < MEETS for on, s in zip(one.rests, one.support)) else f
        for one, f in zip(best.found, sided)]
    if aspect is not None:
        sided = [replace(f, confidence=min(f.confidence, GUESSED)) if _misshapen(f, aspect) else f for f in sided]
    if sided and min(f.confidence for f in sided) >= PLAINLY and best.astray <= ASTRAY:
        return sided, best, False
    other = _faintly(proxy, k, best, aspect, film_format)
    if other is None:
        return sided, best, False
    other = other[0], [replace(f, confidence=min(f.confidence, most)) for f in other[1]]
    before, after = _mean(sided), _mean(other[1])
    if best.astray > 2 * ASTRAY and len(other[1]) > len(sided):
        before /= 2                     # what leaves much that is exposed unexplained is hardly the whole answer
    if _same(sided, other[1]):
        firm = grown or len(sided) > 1 or min((v for v, on in zip(sided[0].firm, sided[0].rests) if on != "view"),
                                              default=0.0) > LOOSE
        return [replace(one if firm else two, confidence=max(one.confidence, two.confidence))
                for one, two in zip(sided, other[1])], best, False
    if after > max(RATHER * before, TRUSTED) or after > before:
        return [replace(f, confidence=f.confidence * (1 - before / 2)) for f in other[1]], other[0], True
    return [replace(f, confidence=f.confidence * (1 - max(after - TRUSTED, 0) / 2)) for f in sided], best, False


LOOK = "an edge of the picture hardly shows (confidence {:.2f}), so look whether the frame is right"
NOTHING = "no edge of a picture was found, so all that the gate shows is used"


def _gate(proxy: np.ndarray, k: int, attempt: _Attempt, film_format: str | None, why: str) -> Frame:
    """All that the holder leaves open, or else the whole view."""
    h, w = proxy.shape[:2]
    open_ = np.where((attempt.kinds == DARK) | (attempt.kinds == VOID), attempt.kinds, PICTURE).astype(np.uint8)
    found = []
    if (open_ == DARK).mean() > 0.02:
        found = rectangles(open_, np.zeros(open_.shape, np.float32), attempt.base.spread)
    # What is dark along one side of the view alone may as well be sky, as dense as the film goes.
    if len(found) == 1 and found[0].rests.count("holder") > 1 and found[0].picture > 0.9:
        (frame,) = _refined(proxy, k, attempt, found, film_format)
        return Frame(frame.corners, frame.angle, UNTRUSTED, ("the gate of the holder",), film_format, (why,))
    return _whole(w, h, film_format, why)


@dataclass(frozen=True, eq=False)
class _Attempt:
    """Rectangles found with one tone taken for the base."""

    base: Level
    kinds: np.ndarray           # turned upright
    density: np.ndarray
    maps: tuple                 # their edge maps
    degrees: float
    parts: Parts                # not turned
    found: tuple[Found, ...]
    shape: tuple[int, int]      # of the plan, not turned
    brighter: float             # share of the pixels inside them that let through more than this base
    clear: float                # share of them that are as clear as it
    astray: float               # share of all picture pixels that lie outside them
    lined: float                # share of base, and not panel, in what is clear around them

    @property
    def merit(self) -> float:
        """How well this base explains the capture: 1 when every side is seen, all picture inside, nothing brighter."""
        if not self.found:
            return -1.0
        seen = [sum({"rebate": 1.0, "holder": 0.8}.get(on, 0.0) * s + 0.25 * (on == "view")
                    for on, s in zip(f.rests, f.support)) / 4 for f in self.found]
        return self.lined * float(np.median(seen)) - 6 * min(self.brighter, 0.1) - 1.5 * min(self.astray, 0.6)


def _baseless(attempt: _Attempt) -> bool:
    """Whether what was found may as well be lines within a picture that fills the view."""
    if max(s for f in attempt.found for s in f.support) < 0.25:
        return True
    # Much may lie astray in the pictures next to it on the strip, but then its own sides are plain.
    if attempt.astray > 0.3 and float(np.median([min(f.support) for f in attempt.found])) < 0.9:
        return True
    h, w = attempt.kinds.shape
    for f in attempt.found:
        # Where a side is not in view, the others must be plain, or a sliver along the view's border.
        margins = (f.top / h, 1 - f.right / w, 1 - f.bottom / h, f.left / w)
        if "view" in f.rests and any(s < (0.3 if margin < 0.06 else 0.93)
                                     for on, s, margin in zip(f.rests, f.support, margins) if on != "view"):
            return True
    return False


def _bases(tones: Iterable[Level], flattened: bool | None) -> Iterator[Level]:
    """The tones that may be the base, brightest first: none is much denser, in its clearest channel, than the rest."""
    panel, some, tones = None, [], list(tones)
    for tone in tones:
        if bare_panel(tone, flattened) or not flattened and _past_masked_film(tone, tones):
            panel = tone
            some = []
            continue
        # A weaker tone just below another is its skirt.
        near = any(max(abs(np.array(tone.log) - np.array(o.log))) < SKIRT and tone.share < o.share for o in some)
        if not some or max(np.array(tone.log) - np.array(some[0].log)) > -DENSE:
            some.append(tone)
            if not near:
                yield tone
    if panel is not None and not some:
        yield panel


def _past_masked_film(tone: Level, tones: Iterable[Level]) -> bool:
    """Whether a tone is the panel beside colour film: much of the view is orange against it, and it is not orange itself.
    The orange is the mask's: clear in red, and of 0.4 to 0.8 more in blue (common practice, no source)."""
    if tone.log[2] - tone.log[1] < BLUISH:
        return False
    for other in tones:
        red, green, blue = np.array(tone.log) - other.log
        if other.share > 0.1 and other.share > 5 * tone.share and red < 0.4 and green > red + 0.2 and blue > red + 0.45:
            return True
    return False


def _skirt(base: Level, tones: Iterable[Level]) -> bool:
    """Whether a tone is a gradient, as beside leaking light: the base of film is as even as any larger, darker tone."""
    return any(base.spread > UNEVEN * other.spread and other.share > base.share and sum(other.log) < sum(base.log)
               for other in tones)


def _attempt(log: np.ndarray, base: Level, aspect: float | None) -> _Attempt:
    judged = parts(log, base)
    degrees = turn_of(judged.kinds, judged.density, base.spread)
    kinds, density = turned(judged.kinds, judged.density, degrees)
    maps = edge_maps(kinds, density, base.spread)
    found = rectangles(kinds, density, base.spread, aspect, maps)
    within, around = np.zeros(5, int), 0
    for f in found:
        t, b, l, r = int(f.top), int(f.bottom), int(f.left), int(f.right)
        within += tally(kinds, t, b, l, r)
        around += int(tally(kinds, max(t - 4, 0), b + 5, max(l - 4, 0), r + 5)[PICTURE])
    size, picture = max(int(within.sum()), 1), max(int(np.count_nonzero(kinds == PICTURE)), 1)
    return _Attempt(base, kinds, density, maps, degrees, judged, tuple(found), log.shape[1:], float(within[PANEL] / size),
                    float(within[BASE] / size), float(max(1 - around / picture, 0.0)),
                    float(np.median([_lined(kinds, f) for f in found] or [0.0])))


#: A picture has less of the base's tone in it than this where the base may be a strip of panel.
STRIP = 0.01
#: How far, as a share of half a picture across the film, its sides may be from where the film has them.
ASIDE = 0.06
#: Film that has one tone in more than this share of it may be without a picture.
BLANK = 0.5
#: A picture that ends at the holder is seen to along more than this share of a side.
MEETS = 0.05
#: With this confidence, a picture is not looked for by its faint sides as well.
PLAINLY = 0.9
#: What is found by them is believed at this share of the confidence of another answer, which they speak against.
RATHER = 0.75
#: Nor where less than this share of all that is exposed lies outside what was found.
ASTRAY = 0.15
#: What is seen of a side within so short a stretch of it may as well be where something round touches it.
TANGENT = 0.4
#: How well two sides must lie where the film has them for nothing else to be asked of them.
HELD = 0.5
#: The same of its length along the film, where no format is given.
FITS = 0.2
#: A side seen along less than this share is measured by the outermost edges alone.
FAINT = 0.75


def _faintly(proxy, k: int, first: _Attempt, aspect: float | None, film_format: str | None):
    """Pictures found by sides that hardly show: an attempt and its frames, or None."""
    upright = first.kinds, first.density, first.maps
    seen = faint_pictures(first.parts, first.base.spread, aspect, first.degrees, upright, first.found,
                          _film_of(film_format))
    if seen is None or max(f.found.rests.count("view") for f in seen.pictures) > 2:
        return None
    found = tuple(p.found for p in seen.pictures)
    attempt = replace(first, kinds=seen.kinds, density=seen.density, degrees=seen.degrees, found=found)
    frames = _refined(proxy, k, attempt, found, film_format,
                      [outlines(seen.exposed, seen.density, f, seen.degrees, first.shape, k) for f in found])
    out = []
    for faint, frame in zip(seen.pictures, frames):
        evidence = _faint_evidence(faint, frame, seen, first, aspect)
        confidence = _confidence(evidence, FAINT_WEIGHTS)
        known = () if faint.held < HELD else (1, 3) if faint.down else (0, 2)
        tangent = min(r for i, r in enumerate(frame.reaches) if i not in known) < TANGENT
        if aspect is None and len(found) == 1 and tangent and not (known and faint.fits > FITS):
            confidence = min(confidence, TRUSTED if max(frame.firm) > LOOSE else UNTRUSTED)
        out.append(replace(frame, evidence=tuple(evidence), confidence=confidence))
    return attempt, out


def _film_of(film_format: str | None) -> tuple[float, float] | None:
    """The film of a format, where its width has the sides of its pictures."""
    if film_format is None:
        return None
    known = format_named(film_format)
    return NARROW if known.perforated else WIDE if known.frames else None


def _misshapen(f: _Sided, aspect: float) -> bool:
    """Whether a picture all of whose sides are in view has not the shape of its format."""
    return set(f.rests) == {"rebate"} and abs(math.log(max(f.size) / max(min(f.size), 1e-6) / aspect)) > OFF


def _mean(frames: list[_Sided]) -> float:
    return float(np.mean([f.confidence for f in frames])) if frames else 0.0


def _same(some: list[_Sided], others: list[_Sided]) -> bool:
    """Whether two answers are one."""
    return len(some) == len(others) and all(
        np.abs(np.array(a.corners) - b.corners).max() < 0.005 * max(a.size) for a, b in zip(some, others))


def _faint_evidence(faint: Faint, frame: _Sided, seen: Seen, first: _Attempt, aspect: float | None) -> list[float]:
    found = faint.found
    values, firm = sorted(faint.values), sorted(frame.firm)
    size = max(found.bottom - found.top, found.right - found.left)
    agreed = any(abs(first.degrees - seen.degrees) < 0.3 and max(
        abs(getattr(found, name) - getattr(other, name)) for name in ("top", "bottom", "left", "right")) < 0.006 * size
        for other in first.found) and len(first.found) == len(seen.pictures)
    many = len(seen.pictures) > 1
    fits = 0.0 if many else faint.fits / (1.6 if aspect else 0.3)
    return [*values, min(faint.lead, 0.6), fits * (aspect is not None), fits * (aspect is None),
            faint.inside, float(not many and min(frame.reaches) < TANGENT), float(found.rests.count("holder")),
            float(found.rests.count("view")), float(agreed), firm[0], firm[1], sum(firm) / 4,
            float(aspect is not None), float(many), min(seen.lead, 1.0),
            float(min(min(p.values) for p in seen.pictures)), faint.held,
            many * float(np.mean([p.values for p in seen.pictures])), many * faint.held]


def _along(plane: np.ndarray, found: Found, inset: int) -> list[np.ndarray]:
    """The values along the four sides of a rectangle (top, right, bottom, left), `inset` pixels inside it."""
    t, b, l, r = int(found.top) + inset, int(found.bottom) - inset, int(found.left) + inset, int(found.right) - inset
    h, w = plane.shape
    # Never past the middle.
    t, b, l, r = min(t, (t + b) // 2), max(b, (t + b) // 2), min(l, (l + r) // 2), max(r, (l + r) // 2)
    rows, columns = slice(max(t, 0), min(b + 1, h)), slice(max(l, 0), min(r + 1, w))
    return [plane[np.clip(t, 0, h - 1), columns], plane[rows, np.clip(r, 0, w - 1)],
            plane[np.clip(b, 0, h - 1), columns], plane[rows, np.clip(l, 0, w - 1)]]


#: Log light within which a band along a side has one tone; how much of a side it takes, and how many of the sides.
BAND, MUCH, NEARLY = 0.08, 0.35, 0.7
INSETS = (3, 5, 8, 12, 17)


def _may_be_ringed(attempt: _Attempt) -> bool:
    """Whether any tone at all runs inside nearly all the sides found; see `_ringed`."""
    bins = int(round(2 * BAND / 0.02))
    shares = []
    for f in attempt.found:
        for each in zip(*(_along(attempt.density, f, i) for i in INSETS)):
            levels = [np.bincount(np.clip(side * 50, 0, 149).astype(int), minlength=150) / max(len(side), 1)
                      for side in each]
            shares.append(np.max([np.convolve(v, np.ones(bins + 1), "same") for v in levels], axis=0) > MUCH)
    return bool(shares) and float(np.mean(shares, axis=0)[2:].max()) >= NEARLY


def _ringed(attempt: _Attempt, tone: Level) -> bool:
    """Whether a darker tone runs inside nearly all the sides found, as rebate does inside film's edges on a panel."""
    step = float(np.mean(attempt.base.log) - np.mean(tone.log))
    sides = [max(float((np.abs(side - step) < BAND).mean()) for side in each) > MUCH
             for f in attempt.found for each in zip(*(_along(attempt.density, f, i) for i in INSETS))]
    return bool(sides) and float(np.mean(sides)) >= NEARLY


def _may_be_film(attempt: _Attempt, tone: Level) -> bool:
    """Whether what was found may be a piece of film on the panel, hardly anything exposed on it: one tone, darker than
    what was taken for the base, runs along all its sides and through most of it."""
    if len(attempt.found) != 1 or set(attempt.found[0].rests) != {"rebate"} or attempt.clear > STRIP:
        return False
    f = attempt.found[0]
    size = (f.bottom - f.top) * (f.right - f.left) / (attempt.shape[0] * attempt.shape[1])
    film = 0.05 < -max(np.array(tone.log) - attempt.base.log) < DENSE
    return film and tone.share > BLANK * size and _ringed(attempt, tone)


def _yield(this: _Attempt, other: _Attempt) -> float:
    """What a tone that surrounds the pictures inside another's may fall short of the other in merit: much, where they
    lie well inside and nothing in them is brighter: so it is of rebate, hardly ever of an even tone in a picture."""
    if this.lined < 0.5 or not this.found:
        return -NESTED
    # Where both end at the holder there is nothing between them.
    inset = min((step for step, on in zip(
        (min(f.top for f in this.found) - min(f.top for f in other.found),
         max(f.right for f in other.found) - max(f.right for f in this.found),
         max(f.bottom for f in other.found) - max(f.bottom for f in this.found),
         min(f.left for f in this.found) - min(f.left for f in other.found)),
        zip(*(f.rests for f in other.found))) if set(on) != {"holder"}), default=0.0)
    return SURROUNDED if inset >= 4 and this.brighter < BRIGHTER / 2 and this.astray < 0.75 else NESTED


def _lined(kinds: np.ndarray, found: Found) -> float:
    """Of the clear pixels just outside a rectangle, the share that is base: pictures border on rebate, not on panel."""
    counts = np.sum([np.bincount(side, minlength=5) for side in _along(kinds, found, -4)], axis=0)
    # Perforations may lie close along two of the sides.
    return min(2 * float(counts[BASE] / max(counts[BASE] + counts[PANEL], 1)), 1.0)


def _refined(proxy: np.ndarray, k: int, attempt: _Attempt, found, film_format: str | None,
             outlined: list[tuple[Side | None, ...]] | None = None) -> list[_Sided]:
    """Rectangles of the plan with their sides found again in the proxy."""
    h, w = proxy.shape[:2]
    half = max(h, w) / 2
    level = np.float32(np.mean(attempt.base.log))
    c = attempt.base.surface

    def density(x, y):
        value = logs_at(proxy, x, y)
        u, v = (x - (w - 1) / 2) / half, (y - (h - 1) / 2) / half
        surface = c[0] + c[1] * u + c[2] * v + c[3] * u * u + c[4] * u * v + c[5] * v * v
        return level + surface - value, (x > -0.5) & (x < w - 0.5) & (y > -0.5) & (y < h - 0.5)

    traced = _alike([_traced(density, (h, w), k, attempt, f, lines)
                     for f, lines in zip(found, outlined or [(None,) * 4] * len(found))])
    traced = together(traced, (h, w), attempt.degrees)
    company = float(np.mean([_firm(side) if on != "view" else 0.5
                             for t in traced for side, on in zip(t.sides, t.rests)]))
    out = []
    for f, t in zip(found, traced):
        sides = t.sides
        if len(traced) == 1:            # the pictures of a strip hold each other where they belong
            sides = _enclosing(density, t.points, sides, t.rests, k, attempt.base.spread)
        corners = sorted_corners(corners_of(t.points, sides))
        (xa, ya), (xb, yb) = corners[:2]
        angle = math.degrees(math.atan2(yb - ya, xb - xa))
        basis = tuple(f"{name}: {on}" + ("" if on == "view" else f", seen along {side.support:.0%}")
                      for name, on, side in zip(("top", "right", "bottom", "left"), t.rests, sides))
        evidence = _evidence(t, sides, f, attempt, corners, company)
        out.append(_Sided(tuple(corners), angle, _confidence(evidence), basis, film_format, (), tuple(t.rests),
                          tuple(_firm(side) for side in sides), tuple(side.reach for side in sides), tuple(evidence)))
    return out


def _alike(traced: list[Traced]) -> list[Traced]:
    """Of a strip: where a picture that ends at the holder would be longer than the others, it ends before, unseen; so
    it does where the others' side in line with it rests on rebate."""
    if len(traced) < 2:
        return traced
    middles = np.array([np.mean(t.points, axis=0) for t in traced])
    ends = (1, 3) if np.ptp(middles[:, 0]) > np.ptp(middles[:, 1]) else (0, 2)
    for i in {0, 1, 2, 3} - set(ends):
        firm = sum(t.rests[i] == "rebate" and _firm(t.sides[i]) > 0.6 for t in traced)
        if 2 * firm >= len(traced):
            traced = [_unseen(t, i) if t.rests[i] == "holder" else t for t in traced]
    lengths = []
    for t in traced:
        corners = np.array(corners_of(t.points, t.sides))
        along = (corners[1] - corners[0], corners[2] - corners[3]) if ends == (1, 3) else \
            (corners[3] - corners[0], corners[2] - corners[1])
        lengths.append(float(np.mean([np.hypot(*v) for v in along])))
    whole = [v for v, t in zip(lengths, traced) if all(t.rests[i] == "rebate" for i in ends)]
    if not whole:
        return traced
    out = []
    for length, t in zip(lengths, traced):
        held = [i for i in ends if t.rests[i] == "holder"]
        if len(held) == 1 and length > 1.008 * float(np.median(whole)):
            t = _unseen(t, held[0])
        out.append(t)
    return out


def _unseen(t: Traced, i: int) -> Traced:
    """A picture whose side `i` rests on rebate that hardly shows."""
    sides, rests = list(t.sides), list(t.rests)
    sides[i], rests[i] = replace(sides[i], support=0.0, reach=0.0, points=sides[i].points[:0]), "rebate"
    return replace(t, sides=tuple(sides), rests=tuple(rests))


def _traced(density, size, k: int, attempt: _Attempt, found: Found,
            outlined: tuple[Side | None, ...]) -> Traced:
    """The sides of one rectangle of the plan, each followed by itself."""
    h, w = size
    noise = attempt.base.spread
    points = to_plan([(found.left, found.top), (found.right, found.top), (found.right, found.bottom),
                      (found.left, found.bottom)], attempt.degrees, attempt.kinds.shape, attempt.shape)
    points = _to_view(points * k + (k - 1) / 2, found.rests, w, h)
    sides = [refine(density, points[i], points[(i + 1) % 4], rests=found.rests[i], reach=4.0 * k, noise=noise)
             for i in range(4)]
    sides = [line if line is not None and support < FAINT else side
             for line, support, side in zip(outlined, found.support, sides)]
    rests = list(found.rests)
    for i in range(4):
        clear = _sliver(density, points[i], points[(i + 1) % 4], sides[i], k) if rests[i] == "holder" else None
        if clear is not None:
            moved = refine(density, points[i], points[(i + 1) % 4], rests="rebate", reach=5.0 * k, noise=noise,
                           beyond=clear)
            if moved.support > 0.3:
                sides[i], rests[i] = moved, "rebate"
    return Traced(tuple(map(tuple, points)), tuple(sides), tuple(rests))


def _enclosing(density, points, sides: list[Side], rests, k: int, noise: float) -> list[Side]:
    """Sides moved out where the picture hangs over them."""
    out = list(sides)
    for i, (side, on) in enumerate(zip(sides, rests)):
        start, end = points[i], points[(i + 1) % 4]
        if on != "rebate" or math.dist(start, end) < 30:
            continue
        over = overhang(density, start, end, side, 16.0 * k, noise)
        if over >= 1.25 * k:
            out[i] = replace(side, offset=side.offset - over)
    return out


@dataclass(frozen=True)
class _Sided(Frame):
    """A frame with what each of its sides (top, right, bottom, left) rests on, how firmly, and the evidence for it."""

    rests: tuple[str, ...] = ()
    firm: tuple[float, ...] = (0.0,) * 4
    reaches: tuple[float, ...] = (0.0,) * 4
    evidence: tuple[float, ...] = ()


#: A side as little seen as this yields to what the shape of the picture says; and by how much, no format being given.
LOOSE, GROWN = 0.3, 1.03


def _shaped(f: _Sided, aspect: float | None, view: tuple[int, int]) -> Frame:
    """A picture one of whose sides hardly shows, extended to the shape of its format, or of the nearest that there is.

    Shadows as clear as the rebate hide a side; what is exposed never lies outside it. So a picture grows, and where no
    format is given only by little.
    """
    loose = [firm < LOOSE for firm in f.firm]
    across, down = (3, 1), (0, 2)                                      # left and right, top and bottom
    axis = next((i for i, (own, other) in enumerate(((across, down), (down, across)))
                 if any(loose[j] for j in own) and not any(loose[j] for j in other)), None)
    if axis is None or any(on != "rebate" for on in f.rests):
        return f
    own, size = (across, down)[axis], f.size
    shapes = ASPECTS if aspect is None else (aspect,)
    lengths = sorted(size[1 - axis] * r for shape in shapes for r in {shape, 1 / shape})
    wanted = next((v for v in lengths if v > size[axis] * 0.985), None)
    if wanted is None or wanted > size[axis] * (GROWN if aspect is None else 3.0):
        return f
    corners = np.array(f.corners)
    for a, b in (((0, 1), (3, 2)) if axis == 0 else ((0, 3), (1, 2))):
        start, end = corners[a].copy(), corners[b].copy()
        more = (end - start) * (wanted / size[axis] - 1)
        share = 0.5 if all(loose[j] for j in own) else float(loose[own[1]])
        corners[a], corners[b] = start - more * (1 - share), end + more * share
    h, w = view
    slack = 0.005 * max(size)
    if corners.min() < -slack or corners[:, 0].max() > w + slack or corners[:, 1].max() > h + slack:
        return f
    return replace(f, corners=tuple((float(x), float(y)) for x, y in corners))


#: Of a constant and the evidence in its order; fitted by ``benchmarks/frames.py --fit`` and by captures rendered
#: in two other ways, beside the repository, with photographs that are in neither.
WEIGHTS = (1.57, 1.10, 0.32, 0.42, 0.73, 0.38, -1.28, 0.17, -0.35, -0.12, -0.09, -1.52, -1.93, -0.60, -2.60, -0.49,
           0.86, -0.32, 1.17, 0.34, -0.09, 0.20, 0.60)


#: The same for pictures found by sides that hardly show.
FAINT_WEIGHTS = (-3.96, 0.48, 0.39, 1.18, 0.51, 0.60, 1.13, 0.95, 0.05, -0.74, -0.76, 0.93, 1.64, 1.18, 0.72, 0.82,
                 -0.20, 0.27, 0.14, 0.36, 1.21, 0.66, -0.32)


def _confidence(evidence: list[float], weights=WEIGHTS) -> float:
    """The share of such answers whose corners hold the bar: a logistic function of the evidence."""
    return 1 / (1 + math.exp(-weights[0] - sum(w * e for w, e in zip(weights[1:], evidence))))


def _evidence(traced: Traced, sides, found: Found, attempt: _Attempt, corners, company: float) -> list[float]:
    """What speaks for and against a frame; see `_confidence`. `company`: how firm the sides of the whole strip are."""
    rests = traced.rests
    alone = len(attempt.found) == 1 and "view" not in rests
    worth = {"rebate": 1.0, "holder": 0.8}
    # What the view cuts off cannot be seen: the other sides speak for the picture.
    shown = [(side, worth[on], s) for side, on, s in zip(sides, rests, found.support) if on in worth]
    supports = sorted(w * side.support for side, w, _ in shown) + [0.5] * (4 - len(shown))
    firm = sorted(w * _firm(side) for side, w, _ in shown) + [0.5] * (4 - len(shown))
    coarse = sorted(s for *_, s in shown) + [0.5] * (4 - len(shown))
    (ax, ay), (bx, by), (cx, cy), (dx, dy) = corners
    wide = (math.hypot(bx - ax, by - ay) + math.hypot(cx - dx, cy - dy)) / 2
    high = (math.hypot(dx - ax, dy - ay) + math.hypot(cx - bx, cy - by)) / 2
    ratio = max(wide, high) / max(min(wide, high), 1e-6)
    odd = 0.015 if set(rests) & {"holder", "view"} else min(abs(math.log(ratio / a)) for a in ASPECTS)
    doubt = math.log10(max(traced.doubt / max(wide, high, 1.0), 1e-5) / 1e-3)
    return [supports[0], supports[1], sum(supports) / 4, firm[0], firm[1], float(alone and firm[0] < LOOSE),
            coarse[0], coarse[1], min(attempt.brighter / 0.006, 2.0), min(attempt.clear, 0.6),
            min(attempt.astray / 0.1, 3.0),
            float(sum(on == "view" for on in rests)), float(sum(on == "holder" for on in rests)), min(odd / 0.03, 1.0),
            float(len(attempt.found) > 1), company, min(max(doubt, -1.0), 1.5), max(attempt.merit, -0.5),
            attempt.lined, min(max(math.log10(attempt.base.share / 0.01), -1.5), 1.5),
            float(2 <= len(shown) < 4) * min(firm[:max(len(shown), 1)]), float(rests[0] == rests[2] == "view"
                                                                              or rests[1] == rests[3] == "view")]


def _firm(side: Side) -> float:
    """How much of a side is seen, less where that is all in one stretch."""
    return side.support * min(side.reach / 0.6, 1.0)


#: How much more of a sliver of rebate is clear than of what lies deeper.
DISTINCT = 0.35


def _sliver(density, start, end, side: Side, k: int) -> Side | None:
    """The line along which a sliver of rebate inside a holder's edge is clearest; None without one."""
    across = np.arange(0.0, 9.0 * k, 0.5)
    profile = profiles(density, start, end, side, across)
    s = np.linspace(-0.95, 0.95, len(profile))
    inner = profile[:, 2:-4 * k]
    i = inner.argmin(axis=1)
    rows = np.arange(len(profile))
    clearest = inner[rows, i]
    after = np.array([row[j + 2:j + 2 + 8 * k].max() for row, j in zip(profile, i)])
    # Clear as the base, or nearly so, and film again behind it.
    seen = (clearest < 0.6 * after) & (after - clearest > 0.06)
    if seen.mean() < 0.4:
        return None
    at = across[2 + i]
    slope, offset = np.polyfit(s[seen], at[seen], 1)
    rest = np.abs(at - offset - slope * s)
    close = seen & (rest < max(1.0, 2 * float(np.median(rest[seen]))))
    if close.mean() < 0.3:
        return None
    slope, offset = np.polyfit(s[close], at[close], 1)
    # A sliver is clear along one line; what is clear here and there all over is a thin picture.
    line = np.clip(np.rint((offset + slope * s) / 0.5).astype(int), 0, profile.shape[1] - 1)
    clear = [float((profile[rows, np.minimum(line + deeper, profile.shape[1] - 1)] < 0.6 * after)[seen].mean())
             for deeper in (0, 6 * k, 8 * k)]
    if clear[0] < max(clear[1:]) + DISTINCT:
        return None
    return replace(side, offset=side.offset + float(offset), slope=side.slope + float(slope))


def _to_view(points: np.ndarray, rests, w: int, h: int) -> list[tuple[float, float]]:
    """Corners (clockwise) whose sides that rest on the view lie along the view's border."""
    borders = ((0.0, -0.5, 1.0, 0.0), (w - 0.5, 0.0, 0.0, 1.0), (0.0, h - 0.5, 1.0, 0.0), (-0.5, 0.0, 0.0, 1.0))
    lines = []
    for i in range(4):
        if rests[i] == "view":
            lines.append(borders[i])
        else:
            (xa, ya), (xb, yb) = points[i], points[(i + 1) % 4]
            lines.append((xa, ya, xb - xa, yb - ya))
    corners = []
    for i in range(4):
        (xa, ya, ua, va), (xb, yb, ub, vb) = lines[i - 1], lines[i]
        s = ((xb - xa) * vb - (yb - ya) * ub) / (ua * vb - va * ub)
        corners.append((float(xa + s * ua), float(ya + s * va)))
    return corners


def sorted_corners(corners) -> list[tuple[float, float]]:
    """Clockwise corners, beginning with the top left one."""
    i = min(range(4), key=lambda j: corners[j][0] + corners[j][1])
    return list(corners[i:]) + list(corners[:i])


def _whole(w: int, h: int, film_format: str | None, why: str) -> Frame:
    return Frame.rectangle(0, 0, w, h, confidence=0.0, basis=("the whole view",), format=film_format, warnings=(why,))


def picture_mask(frames, shape: tuple[int, int], *, inset: float = 0.02, reduced: int = 1) -> np.ndarray:
    """bool (h, w): the pixels of a proxy that lie inside a frame.

    Parameters
    ----------
    frames : Frame or sequence of Frame
        In pixels of the capture.
    shape : (int, int)
        Of the proxy.
    inset : float
        Kept away from the frame's edges, as a share of its shorter side.
    reduced : int
        How many capture pixels a proxy pixel stands for.
    """
    mask = np.zeros(shape, bool)
    x, y = np.arange(shape[1], dtype=np.int32), np.arange(shape[0])
    for frame in [frames] if isinstance(frames, Frame) else frames:
        small = frame.reduced(reduced)
        margin = inset * min(small.size)
        # Of each row, what lies inside all four sides is one run of pixels.
        first, last = np.full(shape[0], -1.0), np.full(shape[0], float(shape[1]))
        for (xa, ya), (xb, yb) in zip(small.corners, small.corners[1:] + small.corners[:1]):
            dx, dy = xb - xa, yb - ya
            room = dx * (y - ya) + dy * xa - margin * (math.hypot(dx, dy) or 1.0)  # x dy may be this at most
            if dy > 0:
                np.minimum(last, np.floor(room / dy), out=last)
            elif dy < 0:
                np.maximum(first, np.ceil(room / dy), out=first)
            else:
                last[room < 0] = -1.0
        first, last = (np.clip(v, -1, shape[1]).astype(np.int32)[:, None] for v in (first, last))
        mask |= (x >= first) & (x <= last)
    return mask

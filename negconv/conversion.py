"""One capture through the chain: every decision solved on a proxy, then applied in one pass.

`survey` looks at a capture and says what is there; `decide` turns that into a `Plan`, a small value that holds all
that will be done; `apply` does it to the full-size capture. `convert` is the three in a row. A roll surveys all its
captures first and decides with what they show together.
"""
from __future__ import annotations

import os
from dataclasses import field, replace
from typing import Sequence

import numpy as np

from .balance import Balance, RollEvidence
from .base import FilmBase, base_in, sample_base
from .capture import BLACK, CEILING, Capture, Meta
from .reading import read, read_rows
from .colour import luminance
from .errors import InputError
from .film import Film
from .flat import PanelField, divided, flatten, panel_field
from .frame import Frame, format_named, picture_mask
from .search import look
from .positive import Positive
from .recipe import Recipe
from .resample import Cut
from .robust import median, quantile
from .values import frozen

#: Pixels of the picture area kept as evidence for the balance.
EVIDENCE = 20_000
#: Share of the picture's short side kept out of the evidence at its edges: rebate must not pull the statistics.
EVIDENCE_INSET = 0.03

#: Share of a picture that may lie outside sRGB (by more than `OUTSIDE` of its luminance) before a generic film is taken to
#: part colours too far, and the steps in which it is weakened. Found on spectral worlds (benchmarks/colour.py) and plain ones.
VIVID, OUTSIDE = 0.05, 0.1
SHARES = (1.0, 0.85, 0.7, 0.55, 0.4, 0.25, 0.1, 0.0)
#: Pixels of a frame that are looked at for that, and for how the film parts colours: with half as many the film's gamma is
#: off by up to two in a hundred, by chance, and by another chance when the crop moves by a tenth of a pixel.
SEEN = 8000

NO_PANEL = "no panel frame: fall-off of panel and lens stays in the picture (photograph the bare panel too)"


@frozen(eq=False)
class Survey:
    """What one capture shows, before anything is decided.

    Attributes
    ----------
    frames : tuple of Frame
        In reading order, in capture pixels.
    base : FilmBase or None
        Of this capture alone; None when it shows none that can be believed.
    evidence : tuple of ndarray float32 (n, 3)
        Panel-relative light of each frame's picture area, evenly subsampled.
    neutral : tuple or None
        Mean panel-relative light of the recipe's neutral rectangle.
    """

    path: str
    meta: Meta
    shape: tuple[int, int]
    frames: tuple[Frame, ...]
    base: FilmBase | None
    evidence: tuple[np.ndarray, ...] = field(repr=False)
    flattened: bool = False
    neutral: tuple[float, float, float] | None = None
    clipped: float = 0.0
    warnings: tuple[str, ...] = ()


@frozen
class Plan:
    """All that will be done to one frame; goes to JSON and back."""

    cut: Cut
    base: FilmBase
    film: Film
    balance: Balance
    frame: Frame | None = None
    kind_reason: str = ""
    pixel_um: float | None = None
    warnings: tuple[str, ...] = ()

    def to_dict(self) -> dict:
        return {"cut": self.cut.to_dict(), "base": self.base.to_dict(), "film": self.film.to_dict(),
                "balance": self.balance.to_dict(), "frame": self.frame and self.frame.to_dict(),
                "kind_reason": self.kind_reason, "pixel_um": self.pixel_um, "warnings": list(self.warnings)}

    @classmethod
    def from_dict(cls, values: dict) -> Plan:
        return cls(Cut.from_dict(values["cut"]), FilmBase.from_dict(values["base"]), Film.from_dict(values["film"]),
                   Balance.from_dict(values["balance"]), values.get("frame") and Frame.from_dict(values["frame"]),
                   values.get("kind_reason", ""), values.get("pixel_um"), tuple(values.get("warnings", ())))


def survey(source, *, panel=None, frames: Sequence[Frame] | None = None, base: FilmBase | None = None,
           recipe: Recipe = Recipe(), proxy: Capture | None = None) -> Survey:
    """What a capture shows: frames, base, and evidence for the balance.

    Parameters
    ----------
    source : Capture, path or ndarray (H, W, 3)
    panel : panel frame, path or PanelField, optional
    frames : sequence of Frame, optional
        Where the pictures lie; found when not given.
    base : FilmBase, optional
        Sampled from this capture when not given.
    recipe : Recipe
    proxy : Capture, optional
        ``capture.proxy()``, where it was made before; its memory is used again.
    """
    capture = source if isinstance(source, Capture) else read(source, linearity=recipe.linearity)
    small = proxy or capture.proxy()
    k = small.reduced
    warnings = list(capture.meta.notes)
    clipped = _clipped(capture, small)
    if panel is not None and not capture.flattened:
        # A megabyte of new memory costs more than its arithmetic.
        small = divided(small, panel_field(panel), small.samples if k > capture.reduced else np.empty_like(small.samples))
    elif not capture.flattened and capture.path:
        warnings.append(NO_PANEL)
    # A plain array may be transmittance or not; a file that was not flattened is not.
    flattened = None if capture.meta.kind == "array" and not small.flattened else small.flattened
    seen = None
    if frames is None:
        seen = look(small.data, recipe.format, flattened=flattened)
        frames = [f.scaled(k) for f in seen.frames]
    frames = tuple(frames)
    for f in frames:
        warnings += f.warnings
    if base is None:
        try:
            base = base_in(small.data, None if seen else [f.reduced(k) for f in frames], flattened=flattened, seen=seen)
        except InputError as error:
            warnings.append(f"no base: {error.fault}")
    evidence = tuple(_evidence(small.data, f.reduced(k)) for f in frames)
    neutral = None
    if isinstance(recipe.neutral, tuple) and len(recipe.neutral) == 4:
        neutral = tuple(map(float, _rectangle(small.data, recipe.neutral, k, capture).mean(axis=(0, 1))))
    shape = tuple(n * capture.reduced for n in capture.shape)
    return Survey(capture.path, capture.meta, shape, frames, base, evidence, small.flattened, neutral, clipped,
                  tuple(dict.fromkeys(warnings)))


def _dark(some: np.ndarray) -> bool:
    """Whether samples are black but for noise."""
    high = quantile(some, 0.998)
    return high < BLACK and 3 * median(some) < high


def _clipped(capture: Capture, small: Capture) -> float:
    """The share of a capture where a channel is at its ceiling; refuses one that cannot be used."""
    data = small.data
    name = capture.path or "array"
    top = float(data.max())
    if not np.isfinite(top):
        raise InputError(name, "holds NaN or infinity", "export it again")
    # The brightest sample of a picture in the dark is noise, and says nothing; the usual one is less than that.
    if top < 1e-4 or not capture.flattened and top < 0.1 and _dark(data[::3, ::3].ravel()):
        raise InputError(name, "is all black", "photograph it again with the panel lit and the lens uncovered, or leave it out")
    if capture.flattened or top < small.white * CEILING:
        return 0.0
    full = small.saturated()
    if float((full[::3, ::3, 0] & full[::3, ::3, 1] & full[::3, ::3, 2]).mean()) >= 0.99:
        raise InputError(name, "is saturated all over", "photograph it again with a shorter exposure")
    return float((full[..., 0] | full[..., 1] | full[..., 2]).mean())


def _evidence(data: np.ndarray, frame: Frame) -> np.ndarray:
    inside = np.flatnonzero(picture_mask(frame, data.shape[:2], inset=EVIDENCE_INSET))
    if len(inside) < 16:
        inside = np.arange(data.shape[0] * data.shape[1])
    return np.ascontiguousarray(data.reshape(-1, 3)[inside[::max(1, len(inside) // EVIDENCE)]], np.float32)


def _rectangle(data: np.ndarray, rect, k: int, capture: Capture) -> np.ndarray:
    x, y, w, h = rect
    height, width = (n * capture.reduced for n in capture.shape)
    if x + w > width or y + h > height:
        raise InputError(capture.path or "array", f"the rectangle {x:g},{y:g},{w:g},{h:g} leaves the {width} x {height} "
                         "capture", "give x,y,w,h in capture pixels")
    x0, y0 = int(x / k), int(y / k)
    return data[y0:max(y0 + 1, int((y + h) / k)), x0:max(x0 + 1, int((x + w) / k))]


def decide(seen: Survey, *, film=None, base: FilmBase | None = None, balance: Balance | None = None,
           recipe: Recipe = Recipe()) -> list[Plan]:
    """The plan of each frame of a capture.

    Parameters
    ----------
    seen : Survey
    film : Film, optional
        By default what the recipe names; ``auto`` tells colour from black and white by base and densities.
    base : FilmBase, optional
        By default the capture's own.
    balance : Balance, optional
        By default solved for each frame by itself.

    Raises
    ------
    InputError
        If there is no base to be had.
    """
    base = base or seen.base
    if base is None:
        raise InputError(seen.path or "array", "shows no film base that can be believed",
                         "give --base X,Y,W,H of clear rebate, or a capture of blank leader")
    plans = []
    for frame, evidence in zip(seen.frames, seen.evidence):
        chosen, reason = choose_film(film, base, evidence, recipe)
        chosen.check_camera(seen.meta, path=seen.path or None)
        if balance is None:
            chosen = fitted(chosen, base, [evidence], seen.meta)
        solved = balance or solve(chosen, base, [evidence], seen, recipe)
        where, pixel_um = geometry(frame, seen.shape, recipe)
        plans.append(Plan(where, base, chosen, solved, frame, reason, pixel_um,
                          tuple(dict.fromkeys(seen.warnings + base.warnings + solved.warnings))))
    return plans


def geometry(frame: Frame, shape: tuple[int, int], recipe: Recipe, *, level: float | None = None) -> tuple[Cut, float | None]:
    """The one cut of frame and recipe, and micrometres a pixel on the film where the format is known.

    `level` stands for the recipe's, where that is a horizon to be found.
    """
    from .finish.geometry import picture_cut

    found = bool(frame.basis) and frame.trusted
    where = picture_cut(frame.corners, shape, own=frame.direction, **recipe.geometry(level, found=found)).snapped()
    name = recipe.format or frame.format
    pixel_um = format_named(name).width_mm * 1000 / max(frame.size) if name else None
    return where, pixel_um


def apply(capture: Capture, plan: Plan, *, panel: PanelField | None = None, recipe: Recipe = Recipe(),
          threads: int = 2, keep_density: bool = True) -> Positive:
    """One fused pass over the full-size capture: the positive a plan describes, before darkroom moves.

    Parameters
    ----------
    capture : Capture
    plan : Plan
    panel : PanelField, optional
        Must be the one the plan was made with.
    """
    from .invert import invert

    field_ = None if capture.flattened else panel
    where = plan.cut.reduced(capture.reduced) if capture.reduced > 1 else plan.cut
    linear, density = invert(capture, where, stages(plan, capture.meta), field=field_, threads=threads,
                             keep_density=keep_density)
    return Positive(linear, "srgb", density, plan.cut.matrix, plan.pixel_um, recipe.tone, plan.frame, plan.base,
                    plan.film, plan.balance, recipe, capture.meta, capture.path, plan.warnings)


def apply_encoded(capture: Capture, plan: Plan, *, panel: PanelField | None = None, recipe: Recipe = Recipe(), bits: int = 16,
                  threads: int = 2, done=None) -> tuple[Positive, np.ndarray | None]:
    """As `apply`, where nothing follows the inversion: strips are encoded while they are in the cache.

    Parameters
    ----------
    done : callable, optional
        Given rows of codes as they are finished, in place of the whole: see `negconv.invert.invert`.

    Returns
    -------
    positive : Positive
        With an empty picture: all that is to be recorded of it.
    codes : ndarray uint8 or uint16 (h, w, 3) or (h, w)
        What ``apply(...).encode(recipe.space, bits)`` gives; None where `done` was given.
    """
    from .encode import Encoder
    from .invert import invert

    grey = plan.film.kind == "mono"
    encoder = Encoder(recipe.tone, space=recipe.space, bits=bits, grey=grey)
    codes, _ = invert(capture, plan.cut, stages(plan, capture.meta), field=None if capture.flattened else panel,
                      threads=threads, keep_density=False, encoder=encoder, done=done)
    nothing = np.empty((0, 0) if grey else (0, 0, 3), np.float32)
    return Positive(nothing, "srgb", None, plan.cut.matrix, plan.pixel_um, recipe.tone, plan.frame, plan.base, plan.film,
                    plan.balance, recipe, capture.meta, capture.path, plan.warnings), codes


def levelled(plan: Plan, capture: Capture, *, panel: PanelField | None = None, recipe: Recipe = Recipe()) -> Plan:
    """The plan with the horizon made level, where the recipe asks for that and one is found with confidence."""
    if recipe.level != "horizon":
        return plan
    from .finish.geometry import TRUSTED, find_horizon

    proof = apply(capture.proxy(), plan, panel=panel, recipe=recipe, keep_density=False)
    horizon = find_horizon(proof.linear)
    if horizon is None or horizon.confidence < TRUSTED:
        sure = "" if horizon is None else f" (confidence {horizon.confidence:.2f})"
        return replace(plan, warnings=plan.warnings + (f"no horizon was found to level by{sure}",))
    where, _ = geometry(plan.frame, tuple(n * capture.reduced for n in capture.shape), recipe, level=horizon.level)
    return replace(plan, cut=where)


def stages(plan: Plan, meta: Meta):
    """The arithmetic of a plan folded into the arrays of the fused pass."""
    from .film import HELD
    from .invert import Stages

    film, balance = plan.film, plan.balance
    through = film.channels(meta, plan.base.rgb)
    base = np.array(plan.base.rgb)
    before = through / (through @ base)[:, None]
    unmix = balance.unmix(film)
    weights = np.full(3, 1 / 3) if film.kind == "colour" else unmix[0] / unmix[0].sum()
    return Stages(before, HELD / base, unmix, balance.tables(film, Stages.grid()), balance.matrix(film), balance.bias, weights)


def choose_film(film, base: FilmBase, evidence: np.ndarray, recipe: Recipe) -> tuple[Film, str]:
    """A film and why: as given, as the recipe names it, or told by base and densities."""
    if isinstance(film, Film):
        return film, "as given"
    name = film or recipe.film
    if name == "auto":
        from .film import film_kind

        densities = -np.log10(np.maximum(evidence, 1e-6) / np.array(base.rgb))
        name, reason = film_kind(base.density, densities)
    else:
        reason = "as stated"
    if name == "colour":
        return Film.colour(), reason
    if name == "mono":
        return Film.mono(), reason
    return Film.load(recipe.file(name) if name == recipe.film else name), "from a film file"


def fitted(film: Film, base: FilmBase, evidence: Sequence[np.ndarray], meta: Meta) -> Film:
    """A generic colour film made fit for what is seen of it; any other film as it is.

    Its unmixing is meant for films and cameras as spectra make them. Where it would put more than `VIVID` of the
    pictures outside the gamut of sRGB (a capture of unknown camera, one already developed, a film whose dyes part colours
    better than most), it is weakened until it does not, and no further: between the shares that are tried the right one is
    taken to lie where a straight line has it, so that a hair's difference in what is seen moves the film by no more.
    """
    from .balance import adapt, solve_balance, thin

    if film.kind != "colour" or film.fit != "generic":
        return film
    kept = [thin(e, SEEN) for e in evidence]
    whole = adapt(film, [film.densities(e, base.rgb, meta) for e in kept], meta)
    best = before = None
    for share in SHARES:
        weaker = whole.weakened(share) if share < 1 else whole
        densities = [weaker.densities(e, base.rgb, meta) for e in kept]
        linear = np.concatenate([solve_balance([d], weaker, black_clip=0.0).apply(weaker, d) for d in densities])
        level = np.maximum(linear @ np.array(luminance("srgb")), 0.02)
        outside = float((linear.min(axis=1) < -OUTSIDE * level).mean())
        if best is None or outside < best[0]:
            best = (outside, weaker)
        if outside <= VIVID:
            if before is None:
                return weaker
            return whole.weakened(share + (before[1] - share) * (VIVID - outside) / (before[0] - outside))
        before = (outside, share)
    return best[1]


def solve(film: Film, base: FilmBase, evidence: Sequence[np.ndarray], seen: Survey, recipe: Recipe, *,
          roll: RollEvidence | None = None, mix: float = 0.0) -> Balance:
    """The balance of the recipe's settings over the picture areas of one frame or several.

    Parameters
    ----------
    evidence : sequence of ndarray (n, 3)
        Panel-relative light of the frames balanced alike.
    roll : RollEvidence, optional
    mix : float
        0: the frame's own exposure and neutral; 1: the roll's.
    """
    from .balance import solve_balance

    densities = [film.densities(e, base.rgb, seen.meta) for e in evidence]
    sample = None if seen.neutral is None else film.densities(np.array([seen.neutral]), base.rgb, seen.meta)
    grey = recipe.neutral if isinstance(recipe.neutral, tuple) and len(recipe.neutral) == 3 else None
    return solve_balance(densities, film, roll=roll, mix=mix, neutral="none" if recipe.neutral == "none" else "auto",
                         sample=sample, grey=grey, exposure=recipe.exposure, black_clip=recipe.black_clip,
                         white_clip=recipe.white_clip)


def convert(source, *, film: Film | str | None = None, base=None, frame: Frame | None = None, panel=None,
            balance: Balance | None = None, recipe: Recipe = Recipe(), threads: int = 2) -> Positive:
    """A capture of one negative as a positive.

    Parameters
    ----------
    source : path, Capture, or ndarray (H, W, 3) linear
        ``convert(path)`` alone finds everything by itself.
    film : Film, "colour", "mono" or path of a film file, optional
        By default the recipe's; ``auto`` tells colour from black and white.
    base : FilmBase, (r, g, b), (x, y, w, h), or Capture or path of blank leader, optional
        By default sampled from the rebate.
    frame : Frame, optional
        Where the picture lies; by default found. An array in which none is found is taken whole.
    panel : whatever `negconv.panel_field` takes, optional
    balance : Balance, optional
        By default solved from this frame.
    recipe : Recipe
    threads : int

    Returns
    -------
    Positive
        Of the first frame, where the capture shows several; darkroom moves and repair of spots done as the recipe says.

    Raises
    ------
    InputError

    Examples
    --------
    >>> import numpy as np
    >>> grey = np.geomspace(0.4, 0.004, 64, dtype=np.float32)[None, :, None]
    >>> positive = convert(np.tile(grey, (48, 1, 3)), film="mono", base=(0.5, 0.5, 0.5))
    >>> bool((np.diff(positive.linear[24]) > 0).all())
    True
    """
    capture = read_rows(source, linearity=recipe.linearity)
    panel = panel if panel is not None else (recipe.file(recipe.panel) if recipe.panel else None)
    field_ = None if panel is None or capture.flattened else panel_field(panel)
    given = base if base is not None else recipe.base
    base = None if given is None else film_base(given, capture, field_, recipe)
    seen = survey(capture, panel=field_, frames=None if frame is None else [frame], base=base, recipe=recipe)
    if frame is None:
        seen = or_whole(seen)
    plan = decide(seen, film=film, base=base, balance=balance, recipe=recipe)[0]
    plan = levelled(plan, capture, panel=field_, recipe=recipe)
    if len(seen.frames) > 1:
        plan = replace(plan, warnings=plan.warnings + (f"shows {len(seen.frames)} frames; this is the first",))
    return finish(apply(capture, plan, panel=field_, recipe=recipe, threads=threads), recipe)[0]


def finish(positive: Positive, recipe: Recipe):
    """What follows the inversion: spots found or repaired, then the darkroom moves. The picture given may be written to.

    Returns
    -------
    positive : Positive
    spots : Spots or None
    """
    spots = None
    if recipe.spots != "off":
        from .spots import find_spots, left_alone, repair

        found = find_spots(positive, sensitivity=recipe.spotting.sensitivity)
        asked = recipe.spotting
        mask = asked.mask and os.fspath(recipe.file(asked.mask))
        spots = found.decide(accept=asked.accept, refuse=asked.refuse, mask=mask)
        if recipe.spots == "repair":
            left = left_alone(positive, found, told={*asked.accept, *asked.refuse})
            positive = repair(positive, found.decide(accept=asked.accept, refuse=(*asked.refuse, *left), mask=mask), in_place=True)
    if recipe.moves != type(recipe.moves)():
        from .finish.moves import apply_moves

        positive = apply_moves(positive, recipe)
    return positive, spots


def film_base(given, capture: Capture, field_: PanelField | None, recipe: Recipe) -> FilmBase:
    """A base from whatever a user may give: see `convert`."""
    if isinstance(given, FilmBase):
        return given
    if isinstance(given, (tuple, list, np.ndarray)):
        values = tuple(map(float, given))
        if len(values) == 3:
            if not all(0 < v < 10 for v in values):
                raise InputError("base", f"{values} is no transmittance", "give red, green and blue above 0")
            return FilmBase(values, source="given")
        if len(values) == 4:
            small = capture.proxy()
            small = small if field_ is None else flatten(small, field_)
            pixels = _rectangle(small.data, values, small.reduced, capture)
            return sample_base(np.ascontiguousarray(pixels), rect=(0, 0, pixels.shape[1], pixels.shape[0]))
        raise InputError("base", f"has {len(values)} numbers", "give r,g,b or x,y,w,h")
    leader = given if isinstance(given, Capture) else read(
        recipe.file(given) if given == recipe.base else given, linearity=recipe.linearity, reduced=True)
    small = leader.proxy()
    small = small if field_ is None or leader.flattened else flatten(small, field_)
    return replace(sample_base(replace(small, reduced=1), leader=True), source=f"leader {os.path.basename(leader.path)}")


def or_whole(seen: Survey) -> Survey:
    """A survey whose untrusted single frame is replaced by the whole capture, with a word."""
    if len(seen.frames) == 1 and seen.frames[0].trusted:
        return seen
    if len(seen.frames) > 1:
        return seen
    h, w = seen.shape
    whole = Frame.rectangle(0, 0, w, h, confidence=0.0, basis=("whole capture",))
    return replace(seen, frames=(whole,), warnings=seen.warnings + ("no frame was found with confidence: the whole capture is used",))

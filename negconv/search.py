"""The search for frames: which base, which rectangles, sides that show or hardly do, and the answer."""
from __future__ import annotations

import itertools
import math
from dataclasses import replace

import numpy as np

from .attempt import (DENSE, NESTED, SATURATED, STRIP, Attempt, at_panel, attempted, baseless, bases_in, is_ringed, is_skirt,
                      lopsided, may_be_film, may_be_ringed, promising, roomy, unprinted, yielding)
from .capture import block_mean
from .faint import Faint, Seen, faint_pictures, outlines
from .frame import TRUSTED, Frame, format_named
from .gate import NARROW, WIDE, by_perforations, measured, past_film
from .keen import around, light_of, nearby, smoothed, stretched, stretched_tone
from .levels import BASE, DARK, PICTURE, VOID, Level, Parts, even_tones, log_light, panel_like, parts
from .rectangles import ASPECTS, counts, rectangles
from .sided import ALIKE, FAINT, FAINT_WEIGHTS, LOOSE, OFF, Sided, confidence_of, in_shape, refined
from .values import frozen

#: The long side of the proxy that frames are sought on.
PROXY = 1500
#: The long side of the plan: the coarser picture in which rectangles are looked for before their sides are refined.
PLAN = 1100
#: With less merit than this, gradients are tried for the base as well: a sliver of rebate beside leaking light is one.
POOR = 0.2
#: What the whole gate is called in place of a frame.
UNTRUSTED = 0.1
#: With this merit no other base is looked for, unless its tone surrounds the pictures.
PLAIN = 0.75
#: With less confidence than this another base and a finer plan are tried: a base so many times as common, and for
#: several pictures already with less than the last.
AGAIN, MANY, MANY_AGAIN = 0.3, 3.0, 0.5
#: No more tones near a base than this are tried.
KEENLY = 5
#: With less than this the answers of all tones are weighed against each other, by a constant and, in its order, what is
#: said of them in `_beside_each_other`; fitted to captures rendered in three ways, beside the repository.
UNSURE = 0.5
RIVALS = (0.76, 0.55, -2.82, 1.23, -6.84, 0.43, -0.73, 1.35, -0.65, -0.63, 5.73)
#: Of what is clear just outside a picture, at least this share is base.
UNLINED = 0.2
#: A finer plan is of use where no more than this share of the view is film, whose pictures are small then.
SMALL = 0.6
#: And the film in view so many times as long as wide.
LONG = 1.7
#: What is left free on both sides of it, as a share of the view.
ROOM = 0.03
#: No more confidence is given to a picture one of whose sides hardly shows, or lies where its format has it.
GUESSED, FITTED = 0.45, 0.8
#: How far the corners of a picture seen twice may lie apart, as a share of its size.
CLOSE = 0.015
#: And of one seen in stretched light, or where the pitch of a strip has it.
PACE = 0.03
#: And how many steps of the pitch away.
STEPS = 2
#: Of a wedge of rebate along the view's border so much of a side shows at least.
WEDGE = 0.1
#: Below this one it is trusted, but a person had better look.
SURE = 0.6
LOOK = "an edge of the picture hardly shows (confidence {:.2f}), so look whether the frame is right"
BESIDE = "beside it there is film enough for another picture, of which nothing was seen, so look whether there is one"
NOTHING = "no edge of a picture was found, so all that the gate shows is used"
#: A picture that ends at the holder is seen to along more than this share of a side.
MEETS = 0.05
#: With this confidence, a picture is looked for neither more keenly nor by its faint sides as well.
PLAINLY = 0.9
#: Nor is one more keenly whose sides are seen along so much, nor a strip of this merit and more than FEW pictures; and what
#: surrounds a picture of this merit by rebate is light that falls off.
KEEN, FEW = 0.5, 3
#: What is found by them is believed at this share of the confidence of another answer, which they speak against.
RATHER = 0.75
#: Nor where less than this share of all that is exposed lies outside what was found.
ASTRAY = 0.15
#: What is seen of a side within so short a stretch of it may as well be where something round touches it.
TANGENT = 0.4
#: What is so many times as long as wide may be two pictures.
TWO = 1.9
#: How well two sides must lie where the film has them for nothing else to be asked of them.
HELD = 0.5
#: The same of its length along the film, where no format is given.
FITS = 0.2


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
    if np.isfinite(np.vdot(proxy, proxy)):  # in half the time of looking at each
        return proxy
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


@frozen(eq=False)
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
              f.warnings + ((LOOK.format(f.confidence),) if f.confidence < SURE else ())) for f in answer.frames]
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


@frozen(eq=False)
class _Answer:
    """The frames found with one tone for the base, in a plan `reduced` from the proxy."""

    attempt: Attempt
    frames: list[Sided]
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
    skirts = [tone for tone in tones if is_skirt(tone, tones)]
    tones = [tone for tone in tones if tone not in skirts]
    best, bare, tried, left, last = None, None, [], [], None
    for base in promising(list(bases_in(tones, flattened))):
        ringed = best is not None and panel_like(best.base, flattened) and is_ringed(best, base)
        # Once a tone explains no more than one before, a darker one hardly ever does.
        if best is not None and not ringed and best is not last and POOR <= best.merit < PLAIN:
            left.append(base)
        elif best is None or ringed or best.merit < PLAIN:
            attempt = last = attempted(log, base, aspect)
            explains = best is None or attempt.merit > best.merit - NESTED
            if explains and panel_like(base, flattened) and past_film(attempt.kinds):
                # Neither is what is brighter than this the base.
                best, bare, tried = None, bare or best or attempt, []
                continue
            tried.append(attempt)
            # Whatever runs inside the sides, a base explains something.
            if best is None or (attempt.merit > 0 or not ringed) and attempt.merit > best.merit + (
                    -yielding(attempt, best) if ringed else 0.0 if base.share > MANY * best.base.share else NESTED / 3):
                best = attempt
        if best.merit >= PLAIN and not (panel_like(best.base, flattened) and may_be_ringed(best)):
            break
    if not flattened and (best is None or best.merit < PLAIN):
        clipped = _saturated(log, tones, aspect)
        best = clipped if clipped and (best is None or clipped.merit > best.merit) else best
    # A grid in a picture that the base surrounds looks like perforations as well, but then nothing else explains what is in view.
    if best is None or bare is not None and best.merit <= 0 and all(set(f.rests) == {"rebate"} for f in bare.found):
        best = bare
    for tone in skirts if best is None or best.merit < POOR else ():
        attempt = attempted(log, tone, aspect)
        if attempt.merit > max(best.merit + NESTED if best else 0.0, PLAIN):
            best = attempt
            break
    if best is None:
        return None
    frames, attempt, faint = _either(proxy, k, log, best, tones, aspect, film_format, flattened)
    if _mean(frames) < UNSURE and not _strip(attempt.kinds):
        # What several tones agree on is likely right, though none of them speaks for it alone. Small pictures are sought in
        # a finer plan.
        tried += [attempted(log, base, aspect) for base in left]
        likely, one, sided = max(_beside_each_other(proxy, k, tried, aspect, film_format), key=lambda rated: rated[0],
                                 default=(0.0, best, []))
        if likely > UNSURE:
            frames, attempt, faint = [replace(f, confidence=GUESSED) for f in sided], one, False
    if panel_like(attempt.base, flattened) and any(may_be_film(attempt, tone) for tone in tones):
        frames = [_guessed(f) for f in frames]
    return _Answer(attempt, frames, faint, plan, k)


def _either(proxy: np.ndarray, k: int, log: np.ndarray, best: Attempt, tones: list[Level],
            aspect: float | None, film_format: str | None, flattened: bool | None) -> tuple[list[Sided], Attempt, bool]:
    """The frames of an attempt, or those seen more keenly near its base, whichever are surer; whether by sides that hardly
    show, which are looked for where no others do."""
    shown = _shown(proxy, k, best, aspect, film_format)
    film = panel_like(best.base, flattened) and any(may_be_film(best, tone) for tone in tones)
    if film:
        shown = replace(shown, frames=[_guessed(f) for f in shown.frames])
    room = shown.lacking
    if not (film or room) and shown.whole:
        return shown.frames, best, False
    if flattened and panel_like(best.base, flattened):
        return _framed(proxy, k, shown, aspect, film_format)
    keen = None if film else _keen(log, best, aspect, film_format, flattened, -2.0 if room else best.merit)
    # What explains the capture no better has no say.
    if keen is None or not (keen[1].sure or room) and keen[1].attempt.merit <= best.merit:
        return _framed(proxy, k, shown, aspect, film_format)
    light, other, base = keen
    hardly = None if other.shows and not room else _faintly(light, 1, other.attempt, aspect, film_format)
    frames, attempt, faint = _likelier(other, None if other.shows else hardly)
    frames = _enlarged(frames, k)
    if room:
        for some, one, by in ((frames, attempt, faint), (_enlarged(other.frames, k), other.attempt, False),
                              *([(_enlarged(hardly[1], k), hardly[0], True)] if hardly else [])):
            both = _with_mates(shown.frames, some)
            if both:
                return both, replace(one, base=base, parts=parts(log, base)), by
    if room and shown.sure:
        return [replace(f, confidence=min(f.confidence, SURE), warnings=(BESIDE,)) for f in shown.frames], best, False
    # Sides that hardly show are looked for in light seen more keenly; here, in finer steps, where they spoke for an answer
    # like this one, where that is another one, and no surer, or where there is none.
    alike = len(shown.frames) == len(frames) and all(_close(f, g) for f, g in zip(shown.frames, frames))
    again = not other.sure and (_mean(frames) < TRUSTED or (
        _mean(frames) > _mean(other.frames) if alike else _mean(shown.frames) >= _mean(frames)))
    seen, seen_in, by = _framed(proxy, k, shown, aspect, film_format) if again else (shown.frames, best, False)
    if _mean(seen) >= _mean(frames) or _wedged(seen, frames):
        return seen, seen_in, by
    # Of one answer, sides that are seen in the proxy itself, or that a strip's other pictures hold, are the more exact ones.
    exact = [len(seen) == len(frames) and _same([f], [g]) and (min(f.firm) > LOOSE or len(seen) > 1)
             for f, g in zip(seen, frames)]
    if any(exact):
        frames = [replace(f, confidence=max(f.confidence, g.confidence)) if better else g
                  for f, g, better in zip(seen, frames, exact)]
    if exact and all(exact):
        return frames, seen_in, by
    return frames, replace(attempt, base=base, parts=parts(log, base)), faint


def _keen(plan: np.ndarray, first: Attempt, aspect: float | None, film_format: str | None,
          flattened: bool | None, least: float = -2.0) -> tuple[np.ndarray, _Shown, Level] | None:
    """Light near the base of an attempt at a plan (log light) without its grain and stretched, what it shows, and the base of
    that; None where there is none, or none of more merit than `least` that leaves little unexplained."""
    plan = smoothed(plan, first.base)
    best, base, light = None, first.base, plan
    ring = around(plan, first.base, first.parts.kinds)
    near = nearby(plan, first.base, rigid=bool(flattened))
    half = _halved(plan)
    for tone in itertools.islice(itertools.chain(() if ring is None else (ring,), near), KEENLY):
        if best is not None and attempted(stretched(half, tone), stretched_tone(tone), aspect, best.degrees).merit < (
                best.merit + NESTED / 3):
            continue
        log = stretched(plan, tone)
        attempt = attempted(log, stretched_tone(tone), aspect)
        # What lies round a picture on one side alone may as well be some of it.
        if at_panel(attempt) or tone is ring and min((f.rests.count("rebate") for f in attempt.found), default=0) < 2:
            continue
        if best is None or attempt.merit > best.merit + NESTED / 3 and not (base is ring and _inside(best, attempt)):
            best, base, light = attempt, tone, log
        if best.merit >= PLAIN:
            break
    if best is None or best.merit <= least and best.astray > ASTRAY:
        return None
    out = light_of(light)
    return out, _shown(out, 1, best, aspect, film_format), base


def _halved(log: np.ndarray) -> np.ndarray:
    """Every second pixel of a plan, which tells an attempt's merit, and seldom less of it."""
    return np.ascontiguousarray(log[:, ::2, ::2])


def _inside(this: Attempt, other: Attempt) -> bool:
    """Whether a picture that rests on rebate is another that ends at the holder, but for rebate along that: light that falls
    off by more than the one tone follows is dark beside it, as pictures are."""
    if len(this.found) != 1 or len(other.found) != 1 or this.merit < KEEN:
        return False
    (f,), (g,) = this.found, other.found
    size = max(f.bottom - f.top, f.right - f.left)
    steps = f.top - g.top, g.right - f.right, g.bottom - f.bottom, f.left - g.left
    cut = [on == "rebate" and held == "holder" for on, held in zip(f.rests, g.rests)]
    play = CLOSE * size
    return any(more and step > 0 for step, more in zip(steps, cut)) and all(
        step > -play and (more or step < play) for step, more in zip(steps, cut))


def _beside_each_other(proxy: np.ndarray, k: int, tried: list[Attempt], aspect: float | None,
                       film_format: str | None) -> list[tuple[float, Attempt, list[Sided]]]:
    """How likely what each attempt finds by plain sides is right, in view of what the others find; of those that find the
    same, the surest one and its frames."""
    out = []
    for one in tried:
        found, odd = measured(one.found, one.across, aspect)
        if not found or odd:
            continue
        one = replace(one, found=found)
        sided = refined(proxy, k, one, found, film_format)
        sided = (_centred(sided, one, k) if aspect is None else None) or sided
        if not any(set(f.rests) == {"view"} for f in sided):
            out.append((min(max(_mean(sided), 0.001), 0.999), one, sided))
    rated = []
    for mean, one, sided in out:
        alike = [_same(sided, others) for *_, others in out]
        rests = [on for f in sided for on in f.rests]
        evidence = [math.log(mean / (1 - mean)), max((m for (m, *_), same in zip(out, alike) if not same), default=0.0),
                    sum(alike) - 1.0, one.beside, rests.count("view") / len(sided), rests.count("holder") / len(sided),
                    one.merit, one.astray, one.lined, min(one.brighter, 0.1)]
        surest = max((other for other, same in zip(out, alike) if same), key=lambda other: other[0])
        rated.append((confidence_of(evidence, RIVALS), *surest[1:]))
    return rated


def _saturated(log: np.ndarray, tones: list[Level], aspect: float | None) -> Attempt | None:
    """Pictures in rebate that is saturated as bare panel is, where nothing says that it is panel: there is some of it in
    the pictures, or no other tone runs inside their sides, as rebate does inside the film's edges."""
    tone = next((tone for tone in tones if min(tone.log) > SATURATED), None)
    attempt = None if tone is None else attempted(log, tone, aspect)
    if attempt is None or attempt.merit < PLAIN or past_film(attempt.kinds):
        return None
    others = [other for other in tones if other is not tone]
    clear = attempt.clear > 3 * STRIP
    return attempt if clear or not any(is_ringed(attempt, other) for other in others) else None


@frozen(eq=False)
class _Shown:
    """The frames of an attempt by sides that show, and whether one was grown to its shape."""

    attempt: Attempt
    frames: list[Sided]
    grown: bool

    @property
    def sure(self) -> bool:
        return bool(self.frames) and min(f.confidence for f in self.frames) >= PLAINLY and self.attempt.astray <= ASTRAY

    @property
    def whole(self) -> bool:
        """Whether it lacks nothing that light near the base, or sides that hardly show, may add: the one picture is sure, or
        its sides are seen and all that is exposed lies inside; of a strip, many pictures hold each other, and few show all
        their sides but one."""
        if not self.frames:
            return False
        firm = [sorted(v for v, on in zip(f.firm, f.rests) if on != "view") for f in self.frames]
        if len(firm) > 1:
            many = len(firm) > FEW
            held = many or all(min(some[1:], default=1.0) >= LOOSE for some in firm)
            # Two or three may as well be parts of one.
            least = UNSURE if many and self.attempt.merit >= KEEN else PLAINLY
        else:
            held = True
            least = UNSURE if self.attempt.astray < ASTRAY / 3 and min(firm[0], default=0.0) >= KEEN else PLAINLY
        return held and min(f.confidence for f in self.frames) >= least

    @property
    def shows(self) -> bool:
        """Whether it is not looked for by sides that hardly show: nothing lacks, or it shows all round, however odd its
        shape."""
        return self.sure or self.whole or bool(self.frames) and all(min(f.firm) >= PLAINLY for f in self.frames)

    @property
    def lacking(self) -> bool:
        """Whether beside a picture that is sure, or several that need not be, the film has room for another."""
        return (self.sure or len(self.frames) > 1) and roomy(self.attempt.kinds, self.attempt.found)


def _shown(proxy: np.ndarray, k: int, best: Attempt, aspect: float | None, film_format: str | None) -> _Shown:
    """The frames of an attempt by sides that show."""
    sided: list[Sided] = []
    grown = False
    found, odd = measured(best.found, best.across, aspect)
    best = replace(best, found=found)
    if best.found and not baseless(best):
        sided = refined(proxy, k, best, best.found, film_format)
        if len(sided) == 1 and min(sided[0].firm) < LOOSE and set(sided[0].rests) == {"rebate"}:
            shaped = in_shape(sided[0], aspect, proxy.shape[:2])
            grown = shaped is not sided[0]
            # A side that hardly shows is a guess; one where the format has it, a good one.
            most = FITTED if aspect is not None and (grown or not _misshapen(shaped, aspect, ALIKE)) else GUESSED
            sided = [replace(shaped, confidence=min(shaped.confidence, most))]
    if best.lined < UNLINED:
        # What lies around the picture is brighter than the base: panel past the film's edge, or the base is none.
        sided = [_guessed(f) if "rebate" in f.rests else f for f in sided]
    if odd:
        sided = [_guessed(f) for f in sided]
    # Where nothing exposed meets the holder, a picture hardly ends there.
    sided = [_guessed(f) if any(
        on == "holder" and s < MEETS for on, s in zip(one.rests, one.support)) else f
        for one, f in zip(best.found, sided)]
    sided = [_guessed(f) if f.goes_on or aspect is not None and _misshapen(f, aspect)
             else f for f in sided]
    if aspect is None and (centred := _centred(sided, best, k)):
        sided, grown = [_guessed(f) for f in centred], True
    return _Shown(best, sided, grown)


def _framed(proxy: np.ndarray, k: int, shown: _Shown, aspect: float | None,
            film_format: str | None) -> tuple[list[Sided], Attempt, bool]:
    """The frames of an attempt, by sides that show or by those that hardly do, and whether by these."""
    return _likelier(shown, None if shown.shows else _faintly(proxy, k, shown.attempt, aspect, film_format))


def _enlarged(frames: list[Sided], k: int) -> list[Sided]:
    """Frames of a plan `k` times coarser."""
    return [replace(f, corners=f.scaled(k).corners) for f in frames]


def _likelier(shown: _Shown, other: tuple[Attempt, list[Sided]] | None) -> tuple[list[Sided], Attempt, bool]:
    """Of the frames of an attempt by sides that show and those by sides that hardly do the likelier ones."""
    best, sided, grown = shown.attempt, shown.frames, shown.grown
    if other is None:
        return sided, best, False
    before, after = _mean(sided), _mean(other[1])
    if best.astray > 2 * ASTRAY and len(other[1]) > len(sided):
        before /= 2                     # what leaves much that is exposed unexplained is hardly the whole answer
    if _same(sided, other[1]):
        firm = grown or len(sided) > 1 or min((v for v, on in zip(sided[0].firm, sided[0].rests) if on != "view"),
                                              default=0.0) > LOOSE
        return [replace(one if firm else two, confidence=max(one.confidence, two.confidence))
                for one, two in zip(sided, other[1])], best, False
    lacks = [f for f in sided if not any(_close(f, g) for g in other[1])]
    if lacks and len(other[1]) == len(sided) - len(lacks) and all({"view", "holder"} & set(f.rests) for f in lacks):
        # By faint sides a picture that the view or the holder cuts beside others is not looked for, so that speaks against none.
        return sided, best, False
    if len(sided) == len(other[1]) == 1 and before >= TRUSTED and _cut(sided[0], other[1][0]):
        return sided, best, False
    if after > max(RATHER * before, TRUSTED) or after > before:
        return [replace(f, confidence=f.confidence * (1 - before / 2)) for f in other[1]], other[0], True
    return [replace(f, confidence=f.confidence * (1 - max(after - TRUSTED, 0) / 2)) for f in sided], best, False


def _centred(sided: list[Sided], attempt: Attempt, k: int) -> list[Sided] | None:
    """The one picture of an attempt at a plan, `k` times coarser, with the side that clear shadows may hide as far from the
    film's end as the others are; the same where that makes a shape that no picture has, and None where no side may be hidden,
    much further out than what is seen of it in part."""
    beyond = lopsided(attempt) if len(sided) == 1 and min(sided[0].firm) < FAINT else None
    if beyond is None or sided[0].firm[beyond[0]] >= FAINT:
        return None
    i, *lengths = beyond
    corners, ends = np.array(sided[0].corners), [i, (i + 1) % 4]
    way = corners[ends] - corners[[i - 1, (i + 2) % 4]]
    corners[ends] += way * (k * np.array(lengths) / np.hypot(*way.T) - 1)[:, None]
    f = replace(sided[0], corners=tuple(map(tuple, corners.tolist())))
    odd = min(abs(math.log(max(f.size) / max(min(f.size), 1e-6) / shape)) for shape in ASPECTS)
    return sided if odd > OFF else [f]


def _gate(proxy: np.ndarray, k: int, attempt: Attempt, film_format: str | None, why: str) -> Frame:
    """All that the holder leaves open, or else the whole view."""
    h, w = proxy.shape[:2]
    open_ = np.where((attempt.kinds == DARK) | (attempt.kinds == VOID), attempt.kinds, PICTURE).astype(np.uint8)
    found = []
    if (open_ == DARK).mean() > 0.02:
        found = rectangles(open_, np.zeros(open_.shape, np.float32), attempt.base.spread)
    # What is dark along one side of the view alone may as well be sky, as dense as the film goes.
    if len(found) == 1 and found[0].rests.count("holder") > 1 and found[0].picture > 0.9:
        (frame,) = refined(proxy, k, attempt, found, film_format)
        return Frame(frame.corners, frame.angle, UNTRUSTED, ("the gate of the holder",), film_format, (why,))
    return _whole(w, h, film_format, why)


def _faintly(proxy, k: int, first: Attempt, aspect: float | None, film_format: str | None):
    """Pictures found by sides that hardly show: an attempt and its frames, or None."""
    upright = first.kinds, first.density, first.maps
    seen = faint_pictures(first.parts, first.base.spread, aspect, first.degrees, upright, first.found,
                          _film_of(film_format))
    if seen is None or max(f.found.rests.count("view") for f in seen.pictures) > 2:
        return None
    found = tuple(p.found for p in seen.pictures)
    if len(found) == 1:
        found = (unprinted(found[0], seen.kinds, (seen.exposed.raw,)),)
    long = any(max(f.bottom - f.top, f.right - f.left) > TWO * min(f.bottom - f.top, f.right - f.left) for f in found)
    parts, odd = measured(found, by_perforations(seen.kinds) if long else (), aspect)
    attempt = replace(first, kinds=seen.kinds, density=seen.density, degrees=seen.degrees, found=found)
    frames = refined(proxy, k, attempt, found, film_format,
                      [outlines(seen.exposed, seen.density, f, seen.degrees, first.shape, k) for f in found])
    out = []
    for faint, frame in zip(seen.pictures, frames):
        evidence = _faint_evidence(faint, frame, seen, first, aspect)
        confidence = confidence_of(evidence, FAINT_WEIGHTS)
        known = () if faint.held < HELD else (1, 3) if faint.down else (0, 2)
        tangent = min(r for i, r in enumerate(frame.reaches) if i not in known) < TANGENT
        if aspect is None and len(found) == 1 and tangent and not (known and faint.fits > FITS):
            confidence = min(confidence, TRUSTED if max(frame.firm) > LOOSE else UNTRUSTED)
        out.append(replace(frame, evidence=tuple(evidence), confidence=min(confidence, GUESSED) if odd else confidence))
    if aspect is None and (centred := _centred(out, attempt, k)):
        out = [_guessed(f) for f in centred]
    if len(parts) > len(found):
        attempt, most = replace(attempt, found=parts), min(GUESSED, _mean(out))
        out = [replace(f, confidence=most) for f in refined(proxy, k, attempt, parts, film_format)]
    return attempt, out


def _film_of(film_format: str | None) -> tuple[float, float] | None:
    """The film of a format, where its width has the sides of its pictures."""
    if film_format is None:
        return None
    known = format_named(film_format)
    return NARROW if known.perforated else WIDE if known.frames else None


def _misshapen(f: Sided, aspect: float, off: float = OFF) -> bool:
    """Whether a picture all of whose sides are in view has not the shape of its format."""
    return set(f.rests) == {"rebate"} and abs(math.log(max(f.size) / max(min(f.size), 1e-6) / aspect)) > off


def _guessed(f: Sided) -> Sided:
    """The same picture, no surer than a guess."""
    return replace(f, confidence=min(f.confidence, GUESSED))


def _mean(frames: list[Sided]) -> float:
    return float(np.mean([f.confidence for f in frames])) if frames else 0.0


def _same(some: list[Sided], others: list[Sided]) -> bool:
    """Whether two answers are one."""
    return len(some) == len(others) and all(
        np.abs(np.array(a.corners) - b.corners).max() < 0.005 * max(a.size) for a, b in zip(some, others))


def _close(one: Sided, other: Sided, by: float = CLOSE) -> bool:
    """Whether two pictures are one, or nearly so."""
    return float(np.abs(np.array(one.corners) - other.corners).max()) < by * max(one.size)


def _wedged(some: list[Sided], others: list[Sided]) -> bool:
    """Whether two answers are one, but that some shows a wedge of rebate where the view cuts the other: the keener look at the
    film blurs what is as narrow."""
    pairs = [(on, held, firm) for f, g in zip(some, others) for on, held, firm in zip(f.rests, g.rests, f.firm) if on != held]
    return len(some) == len(others) and bool(pairs) and all(_close(f, g) for f, g in zip(some, others)) and all(
        (on, held) == ("rebate", "view") and firm > WEDGE for on, held, firm in pairs)


def _with_mates(sure: list[Sided], frames: list[Sided]) -> list[Sided]:
    """Pictures of a strip some of which are sure, and keep their sides; a side of another that hardly shows lies where the
    pitch of several has it. Empty where not all of the sure ones are among
    them, but for any that the view cuts, or no other."""
    whole = [f for f in sure if "view" not in f.rests]
    beside = [g for g in frames if not any(_overlaps(f, g) for f in sure)]
    if not beside or not whole or not all(any(_close(f, g, PACE) for g in frames) for f in whole):
        return []
    return _in_line(sure + [_paced(g, whole) or g for g in beside])


def _in_line(frames: list[Sided]) -> list[Sided]:
    """The same, in the order in which a strip shows them."""
    middles = np.mean([f.corners for f in frames], axis=1)
    return [frames[i] for i in np.argsort(middles[:, np.ptp(middles, axis=0).argmax()])]


def _overlaps(one: Sided, other: Sided) -> bool:
    """Whether the middle of either lies within the other."""
    return any(np.all(np.abs(np.mean(a.corners, axis=0) - np.mean(b.corners, axis=0)) < np.array(b.size) / 2)
               for a, b in ((one, other), (other, one)))


def _paced(f: Sided, strip: list[Sided]) -> Sided | None:
    """A picture one of whose sides hardly shows, where the pitch of a strip's others has it; None where that is not near."""
    if len(strip) < 2 or min(f.firm) >= LOOSE:
        return None
    rows = np.array([g.corners for g in strip])
    # Seen at a slant, each step is longer than the last.
    placed = []
    for row in (rows, rows[::-1]):
        step, more = row[-1] - row[-2], row[-1] - 2 * row[-2] + row[-3] if len(row) > 2 else 0.0
        placed += [row[-1] + n * step + n * (n + 1) / 2 * more for n in range(1, STEPS + 1)]
    corners = min(placed, key=lambda some: float(np.abs(some - f.corners).max()))
    if np.abs(corners - f.corners).max() > PACE * max(f.size):
        return None
    return replace(f, corners=tuple(map(tuple, corners.tolist())), confidence=FITTED)


def _cut(one: Sided, other: Sided) -> bool:
    """Whether a picture's sides are plain but for those that the view cuts off, in place of which another answer has
    sides that are not seen."""
    pairs = list(zip(one.rests, one.firm, other.rests, other.firm))
    return "view" in one.rests and all(
        (on != "view" and a > LOOSE) or (on == "view" and (and_on == "view" or b < LOOSE)) for on, a, and_on, b in pairs)


def _faint_evidence(faint: Faint, frame: Sided, seen: Seen, first: Attempt, aspect: float | None) -> list[float]:
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


def _whole(w: int, h: int, film_format: str | None, why: str) -> Frame:
    return Frame.rectangle(0, 0, w, h, confidence=0.0, basis=("the whole view",), format=film_format, warnings=(why,))

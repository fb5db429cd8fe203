"""`find_spots`: candidates, their scores, and the outlines of those that are dirt."""
from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import numpy as np

from ..errors import InputError
from ..values import frozen
from . import backing, candidates, company, compiled, features, hairs, look, noise, parallels, rims, rings, score, scratches
from .channels import Channels
from .components import beside, connected, greatest, ordered
from .kinds import bounds, grouped, shapes, slender, spot_rows
from .table import Spots

#: The most doubtful rows listed.
MOST_DOUBTFUL = 300
#: By how much less sure than a spot something that touches it may be.
BESIDE = 0.2
#: Share of what two candidates cover together that both cover, if they are one thing; as many may lie over one place.
TWINS, DEEP = 0.6, 12
#: Share of what a candidate keeps that lies within another, if it is a part of that.
WITHIN = 0.8
#: How many times longer than wide a line is, and how many times wider it may be than a piece of it that is surer.
LONGER, WIDER = 12.0, 2.5
#: How much a larger outline is worth beside its odds.
LARGER = 0.8
#: The same where outlines of one thing are as sure as each other.
SETTLED = 0.25
#: How much less (in odds) the outline of a light line or a rim is worth than a candidate's own, which runs where the edge runs.
DRAWN = 1.0
#: Pixels within which a strip continues another.
GAP = 8
#: How many times the least odds a speck must have, and a strip or what is dark: of 700 spots less sure than 0.9, on 160 photographs
#: and rendered negatives, at these odds as many are dirt as picture. A wire or a horizon taken for a scratch loses more than a speck.
SPECK, STRIP = 1.5, 4.0
#: Pixels of area a pixel of length under which a spot is thinner than a lens draws.
THIN = 1.2
#: Share of an outline that is its largest piece where it is dirt; pieces below a share of that, or pixels, are crumbs.
WHOLE, CRUMB, LEAST = 0.6, 0.3, 2
#: Pixels of width below which a spot may be a rim, and the share of its contrast to the darker half of its surroundings under
#: which that to the lighter half is a rim's.
THINNEST, RIM = 3.0, 0.2
#: So many spots that leave doubt, and so many for each that leaves none, and they are the picture's: of most frames' dirt nine
#: tenths are beyond doubt, of the hardest a third. A frame that has so many spots beyond doubt is dirty, and must be outnumbered by
#: far: of a night sky's dirt a fifth was beyond doubt.
STRANGERS, OUTNUMBERED, DIRTY, BY_FAR = 5, 2.5, 4, 5.0
#: Density from which on dirt takes so much light that all of it is dense, the share of its density above its darkest edge that
#: its core has at least, and pixels beyond that a lens blurs.
OPAQUE, CORE, BLURRED = 0.8, 0.7, 4
#: Pixels of a lobe of such dirt that is given back to its spot, and how many of its outline around that.
LOBE, RIMMED = 9, 2
#: The most that the middle of a spot, and of one at least so many times longer than wide, stands out by, in means over it:
#: as much as where a lens spreads a point and a line. What stands out further is the picture under it.
POINT, LINE, SLENDER = 2.0, 1.41, 3.0
#: Confidence of what proves to be the picture's.
PICTURE = 0.35
#: So many lines parallel to a dark one that is not sure, and it is one of a row in the picture.
ROW = 6
#: Share of the least confidence at which a strip may be vouched for by what it continues.
NEARLY = 0.8


def find_spots(positive, *, sensitivity: float = 0.5, dark: bool = True, pixel_um: float | None = None,
               threads: int = 2) -> Spots:
    """Find dust, hairs, scratches and drying marks.

    Candidates are everything narrow that stands out of film density at one of five scales, by more than the film's
    grain. Each is scored by how it stands out: against grain, against the texture around, how steep its edges are on
    all sides, how neutral its colour, how its outline runs.

    Parameters
    ----------
    positive : Positive, or float array (h, w, 3) or (h, w)
        Scene-linear, before tone. Where a Positive carries film density, that is searched.
    sensitivity : float, 0 to 1
        The share of doubt allowed: a candidate is a spot if its odds are 1.5 times those of a confidence of
        ``1 - sensitivity``; 4 times if it is a strip or dark, which as often is the picture's (so 0.6 and 0.8 by default).
        0 finds nothing but certainties, 1 takes every candidate.
    dark : bool
        Also look for dark spots: scratches in the emulsion.
    pixel_um : float, optional
        Micrometres on the film a pixel; by default the Positive's.
    threads : int

    Returns
    -------
    Spots

    Raises
    ------
    InputError
        If the array has no such shape, or `sensitivity` lies outside 0 to 1.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> light = (0.18 * 10 ** rng.normal(0, 0.03, (200, 300))).astype(np.float32)
    >>> light[80:86, 120:127] *= 30
    >>> spots = find_spots(light)
    >>> [(s.kind, s.light) for s in spots.rows]
    [('speck', True)]
    """
    if not 0 <= float(sensitivity) <= 1:
        raise InputError("sensitivity", f"is {sensitivity}", "give a number from 0 to 1")
    linear, density, pixel_um = _parts(positive, pixel_um)
    plane = noise.film_plane(linear, density, threads=threads)
    found = searched(plane, Channels.of(positive), dark=dark, threads=threads)
    return _settle(found, plane, 1 - float(sensitivity), pixel_um, threads)


def searched(plane, colour: Channels | None, *, dark: bool = True, threads: int = 2) -> list[_Found]:
    """All that may be dirt on a plane, however it is found."""
    frame = features.Frame(plane, threads=threads)
    each = max(threads // 2, 1)
    # The longest first, so that two threads end at about the same time.
    jobs = [lambda: _search(plane, colour, frame, True, each),
            lambda: [_Found(*scratches.search(plane, colour, frame, light=True, threads=each), True, line=True)]]
    if dark:
        jobs += [lambda: [_Found(*scratches.search(plane, colour, frame, threads=each), False)],
                 lambda: _search(plane, colour, frame, False, each)]
    jobs.append(lambda: [_Found(*rings.search(plane, threads=each, half=frame.half), True, closed=True)])
    if threads > 1:
        with ThreadPoolExecutor(2) as pool:
            found = list(pool.map(lambda job: job(), jobs))
    else:
        found = [job() for job in jobs]
    return sum(found[-1:] + found[:-1], [])


def _parts(positive, pixel_um):
    if hasattr(positive, "linear"):
        linear, density = positive.linear, getattr(positive, "density", None)
        pixel_um = pixel_um if pixel_um is not None else getattr(positive, "pixel_um", None)
    else:
        linear, density = np.asarray(positive), None
    if linear.ndim == 3 and linear.shape[2] == 1:
        linear = linear[..., 0]
    if linear.ndim not in (2, 3) or (linear.ndim == 3 and linear.shape[2] != 3) or linear.dtype.kind != "f":
        raise InputError("array", f"has shape {linear.shape} of {linear.dtype}",
                         "give a scene-linear float positive (h, w, 3) or (h, w)")
    if density is not None and density.shape != linear.shape[:2]:
        density = None
    return linear, density, pixel_um


@frozen(eq=False)
class _Found:
    """Candidates of one sign that may be dirt: pixels at full size, who owns them, and what is known of each.

    Of light ones all features may be known, and what all that were measured look like: those are seen among the others.
    What each grew from, and by how much the outline of its middle lies above its ground (`outline`), tell its fringe.
    """

    index: np.ndarray
    owner: np.ndarray
    confidence: np.ndarray
    contrast: np.ndarray
    light: bool
    known: np.ndarray | None = None
    peers: company.Peers | None = None
    scale: int = 1
    closed: bool = False        # rims of drying marks
    line: bool = False          # light lines, known by how they run
    seeds: Seeds | None = None
    middle: np.ndarray | None = None


def _search(plane, colour, frame, light: bool, threads: int) -> list[_Found]:
    """Score all candidates of one sign; outline the likeliest of those that share pixels."""
    out, met = [], []
    for level in candidates.levels(plane, light=light, threads=threads, half=frame.half):
        found, known = _searched(level, colour, frame, light)
        # What is known of one level goes before the next is looked at.
        del level
        out += [found] if found else []
        met += [known] if known else []
    if not light or not met:
        return out
    peers = company.Peers(*map(np.concatenate, zip(*met)))
    return [replace(f, peers=peers) for f in out]


def _searched(level, colour, frame, light: bool):
    """Of one level the candidates, and what all that were measured look like, with their confidence; None where there are
    none."""
    trees, parts = score.scorers()[light], candidates.parts(level, light=light)
    if parts is None:
        return None, None
    values = features.glance(parts, frame)
    total = trees.total(values, 0)
    hope = trees.promising(total, 0)
    if not hope.any():
        return None, None
    parts = parts.only(hope, given_up=True)
    seen = features.measure(parts, frame)
    values = np.concatenate([values.compress(hope, axis=0), seen.values], axis=1)
    total = trees.total(values, 1, total[hope])
    hope = trees.promising(total, 1)
    known = np.full((len(values), len(features.NAMES)), np.nan, np.float32)
    known[:, :-len(features.THIRD)] = values
    confidence = np.zeros(len(values), np.float32)
    if hope.any():
        known[hope, -len(features.THIRD):] = features.colours(parts.only(hope), colour)
        confidence[hope] = _share(trees.total(known.compress(hope, axis=0), before=total[hope]))
    met = known, confidence
    take = confidence >= (score.WEIGHED if light else score.HEARD)
    if not take.any():
        return None, met
    confidence, ground, contrast, top = confidence[take], seen.ground[take], seen.contrast[take], seen.top[take]
    parts = parts.only(take, given_up=True)
    area = parts.sums[:, 0]
    wins = winners(parts.index, parts.part, worth(confidence, area), area)
    parts = parts.only(wins, given_up=True)
    seeds = Seeds.of(level, parts.index, parts.part, ground[wins])
    at, who, whole = outline(level.full, seeds, noise.edge(contrast[wins]))
    long = known[take, features.NAMES.index("slenderness")] > np.log(SLENDER)
    middle = np.minimum(top, np.where(long, LINE, POINT) * contrast)[wins]
    known = known.take(np.flatnonzero(take)[wins], axis=0)
    return _Found(at, who, np.where(whole, confidence[wins], 0), contrast[wins] / noise.STEPS, light, known,
                  scale=level.scale, **({"seeds": seeds, "middle": noise.edge(middle)} if light else {})), met


def _fringe(plane, found, listed, index, owner, spot, holder) -> np.ndarray:
    """Which pixels lie in the outline of the candidate that holds them, but beyond half of what the middle of that takes; bool
    array. Candidates are numbered among those that are listed."""
    number, at, who, base = np.cumsum(listed) - 1, [], [], 0
    used = np.zeros(len(listed), bool)
    used[np.flatnonzero(listed)[holder]] = True
    for f in found:
        count = len(f.confidence)
        some = used[base:base + count]
        if f.seeds is not None and some.any():
            inner, its, _ = outline(plane, f.seeds.only(some), f.middle[some])
            of = number[base + np.flatnonzero(some)]
            its = of[its]
            here = np.zeros(len(listed), bool)
            here[of] = True
            here = here[owner]
            fringe = ~_among(owner[here], index[here], its, inner, plane.size)
            at.append(index[here][fringe])
            who.append(owner[here][fringe])
        base += count
    if not at:
        return np.zeros(len(spot), bool)
    return _among(holder, spot, np.concatenate(who), np.concatenate(at), plane.size)


def in_one_piece(index, owner, count, shape):
    """Outlines without their crumbs, and which of them hold together: dirt is of one piece, a row of highlights is not.

    Returns
    -------
    index, owner : int arrays
    whole : bool array (count,)
        Most of the outline is its largest piece.
    """
    sheet = index + owner * (shape[0] * shape[1])
    order = np.argsort(sheet)
    index, owner = index[order], owner[order]
    piece, n = connected(sheet[order], shape[1])
    size = np.bincount(piece, minlength=n)
    largest = np.zeros(count, np.int64)
    np.maximum.at(largest, owner, size[piece])
    keep = size[piece] >= np.maximum(CRUMB * largest[owner], LEAST)
    return index[keep], owner[keep], largest >= WHOLE * np.bincount(owner, minlength=count)


def worth(confidence, area, larger: float = LARGER) -> np.ndarray:
    """What decides between outlines that share pixels: of two about as likely, the larger holds the whole of the spot."""
    odds = np.maximum(confidence, 1e-6) / np.maximum(1 - confidence, 1e-4)
    return np.log(odds) + larger * np.log(np.maximum(area, 1))


def winners(index, owner, value, area) -> np.ndarray:
    """Which owners keep at least half of their pixels when each pixel goes to its owner of greatest value; bool array."""
    if compiled.loops and len(index):
        index, owner, rank, best = _ranked(index, owner, value)
        won = np.zeros(len(area), np.int64)
        compiled.loops.win(index, owner, len(index), rank, len(rank), won)
        return won[rank] >= 0.5 * np.maximum(area, 1)
    return np.bincount(claimed(index, owner, value)[1], minlength=len(area)) >= 0.5 * np.maximum(area, 1)


def claimed(index, owner, value) -> tuple[np.ndarray, np.ndarray]:
    """Each pixel once, rising, and its owner of greatest value."""
    if not len(index):
        return index, owner
    index, owner, rank, best = _ranked(index, owner, value)
    if compiled.loops:
        place, first = np.empty_like(index), np.empty_like(index)
        n = compiled.loops.claim(index, owner, len(index), rank, len(rank), place, first)
        return place[:n].astype(np.int64), best[first[:n]]
    order = ordered(index)
    place = index[order]
    first = np.flatnonzero(np.diff(place, prepend=-1))
    return place[first].astype(np.int64), best[np.minimum.reduceat(rank[owner[order]], first)]


def _ranked(index, owner, value):
    """Pixels and owners as the compiled loops take them, the rank of each owner by value, and whose each rank is."""
    best = np.argsort(-value, kind="stable")
    rank = np.empty(len(best), np.int32)
    rank[best] = np.arange(len(best))
    return np.ascontiguousarray(index, np.int32), np.ascontiguousarray(owner, np.int32), rank, best


def _among(owner, index, other, there, size: int) -> np.ndarray:
    """Which pairs of owner and pixel are among other pairs, bool array."""
    key, keys = (np.asarray(a, np.int64) * size + b for a, b in ((owner, index), (other, there)))
    keys.sort()
    return _is_in(key, keys)


def _is_in(values, rising) -> np.ndarray:
    """Which values are among rising ones, bool array."""
    if not len(rising):
        return np.zeros(len(values), bool)
    return rising[np.minimum(np.searchsorted(rising, values), len(rising) - 1)] == values


@frozen(eq=False)
class Seeds:
    """What outlines grow from: pixels of parts of a level; parts may overlap.

    Attributes
    ----------
    width, scale, sign : int
        Of the level.
    index, owner : int32 arrays (n,)
        Flat index in the level and the part, 0 .. count - 1, each belongs to.
    opening : int32 array (n,)
        What the level is there without all that stands out, in steps.
    above : float array (count,)
        `Measured.ground` of each part.
    """

    width: int
    scale: int
    sign: int
    index: np.ndarray
    owner: np.ndarray
    opening: np.ndarray
    above: np.ndarray

    @classmethod
    def of(cls, level, index, owner, above) -> Seeds:
        opening = level.plane.reshape(-1)[index].astype(np.int32) - level.height.reshape(-1)[index]
        # Copies, lest the room of all parts is kept for them.
        index, owner = (np.array(v, np.int32) for v in (index, owner))
        return cls(level.plane.shape[1], level.scale, level.sign, index, owner, opening, above)

    def only(self, take) -> Seeds:
        """Of some of the parts, numbered anew; bool array (count,)."""
        here = take[self.owner]
        owner = (np.cumsum(take, dtype=np.int32) - 1)[self.owner[here]]
        return replace(self, index=self.index[here], owner=owner, opening=self.opening[here], above=self.above[take])


def outline(full, seeds: Seeds, edge):
    """Outlines at full size of chosen parts of a level, without crumbs.

    The edge of dirt lies where half of the light it takes is taken: for deep dirt far below half its density. Of a scratch it
    lies where half of the light it lets through is let through: above half of what it lacks. A small spot is a peak, and its
    mean far below what it takes at its middle: what is scored reaches out to half of the mean, what is marked to half of the
    middle.

    Parameters
    ----------
    full : int16 array (h, w)
        `Level.full`.
    seeds : Seeds
    edge : float array (count,)
        By how much the edge of each lies above its ground (`noise.edge`).

    Returns
    -------
    index, owner : int arrays (n,)
        Flat index at full size and number of the part, by part, each pixel once for each.
    whole : bool array (count,)
        Which hold together (`in_one_piece`).
    """
    index, owner, ground, width, scale, wide = (seeds.index, seeds.owner, seeds.opening, seeds.width, seeds.scale,
                                                full.shape[1])
    half = seeds.above + edge
    if compiled.loops:
        whole = np.zeros(len(half), bool)
        found = compiled.loops.outlines(full, *full.shape, seeds.sign, width, scale, index, owner, ground, len(index),
                                        half.astype(np.float64), len(half), CRUMB, LEAST, WHOLE, whole)
        return *(np.frombuffer(v, np.int32) for v in found), whole
    y, x = index // width * scale, index % width * scale
    if scale > 1:
        dy, dx = (v.ravel() for v in np.mgrid[:scale, :scale])
        y, x = (y[:, None] + dy).ravel(), (x[:, None] + dx).ravel()
        owner, ground = np.repeat(owner, len(dy)), np.repeat(ground, len(dy))
    at = y.astype(np.int64) * wide + x
    values_full = seeds.sign * full.reshape(-1)
    limit = half[owner]
    keep = values_full[at] >= ground + limit
    at, owner, ground = at[keep], owner[keep], ground[keep]
    key = owner.astype(np.int64) * full.size + at
    order = np.argsort(key)
    key, ground = key[order], ground[order]
    fresh = key
    fresh_ground = ground
    for _ in range(2 + scale // 2):
        at = fresh % full.size
        x = at % wide
        ring, ring_ground = [], []
        for step, ok in ((1, x < wide - 1), (-1, x > 0), (wide, at < full.size - wide), (-wide, at >= wide)):
            ring.append((fresh + step)[ok])
            ring_ground.append(fresh_ground[ok])
        ring, ring_ground = np.concatenate(ring), np.concatenate(ring_ground)
        ok = values_full[ring % full.size] >= ring_ground + half[ring // full.size]
        ring, first = np.unique(ring[ok], return_index=True)
        ring_ground = ring_ground[ok][first]
        if len(key):
            there = key[np.minimum(np.searchsorted(key, ring), len(key) - 1)] == ring
            ring, ring_ground = ring[~there], ring_ground[~there]
        if not len(ring):
            break
        key = np.concatenate([key, ring])
        key.sort()
        fresh, fresh_ground = ring, ring_ground
    return in_one_piece(key % full.size, key // full.size, len(half), full.shape)


def together(found: list[_Found]):
    """Index, owner, confidence, contrast and sign of all candidates as one list."""
    base = np.cumsum([0] + [len(f.confidence) for f in found]).tolist()
    return (np.concatenate([f.index.astype(np.int32) for f in found]),
            np.concatenate([f.owner.astype(np.int32) + b for f, b in zip(found, base)]),
            np.concatenate([f.confidence for f in found]), np.concatenate([f.contrast for f in found]),
            np.concatenate([np.full(len(f.confidence), f.light) for f in found]))


def among_others(index, owner, confidence, contrast, shape, known, peers) -> tuple[np.ndarray, np.ndarray]:
    """Features of candidates of one sign among the others (`company.columns`), and which of them speak for a place."""
    area = np.bincount(owner, minlength=len(confidence))
    place = np.zeros(len(area), np.int64)
    place[owner] = index
    alone = winners(index, owner, worth(confidence, area), area) & (area > 0)
    extent = np.maximum(_extent(index, owner, len(area), shape[1]), 1)
    columns = company.columns(confidence, np.maximum(area, 1), extent, contrast, place, alone, shape, known, peers)
    return columns, alone


def looked_at(plane, index, owner, confidence, contrast, seen, scale, values, threads: int = 1) -> np.ndarray:
    """Confidence of all candidates after a look at the picture (`look.odds`) where that may turn out either way.

    Parameters
    ----------
    seen : bool array (count,)
        Those that were seen among others.
    values : float32 array (seen.sum(), features)
        What is known of these.
    """
    able = np.flatnonzero(seen & (confidence >= look.WORTH_A_LOOK))
    able = np.sort(able[np.argsort(-confidence[able], kind="stable")[:look.MOST]])
    number = np.full(len(confidence), -1)
    number[able] = np.arange(len(able))
    here = number[owner] >= 0
    out = confidence.copy()
    odds = look.odds(plane, index[here], number[owner[here]], scale[able], contrast[able],
                     values[np.cumsum(seen)[able] - 1], threads=threads)
    trees = np.log(np.clip(confidence[able], 1e-4, 1) / np.clip(1 - confidence[able], 1e-4, 1))
    odds = look.SHARE * odds + (1 - look.SHARE) * trees
    # A repair unasked touches what is beyond doubt, so one of the two is not enough, however sure.
    out[able] = np.minimum(_share(odds + look.SHIFT), np.where(trees >= look.BACKED, 1, look.ALONE))
    return out


def _share(odds):
    return 1 / (1 + np.exp(-odds))


def weighed(found: list[_Found], plane, threads: int = 1):
    """All candidates as one list (`together`), with the confidence that a look at each among the others leaves, and which were
    seen among others, bool array (count,)."""
    index, owner, confidence, contrast, light = together(found)
    # What was found in another way is not seen among the others.
    seen = np.concatenate([np.full(len(f.confidence), f.known is not None and f.light) for f in found])
    confidence = confidence.copy()
    if seen.any():
        number, here = np.cumsum(seen) - 1, seen[owner]
        known = np.concatenate([f.known for f in found if f.known is not None and f.light])
        columns, _ = among_others(index[here], number[owner[here]], confidence[seen], contrast[seen], plane.shape, known,
                                  next(f.peers for f in found if f.peers is not None))
        confidence[seen] = np.where(confidence[seen] > 0, score.in_company(columns), 0)
        confidence = looked_at(plane, index, owner, confidence, contrast, seen, _each(found, "scale"),
                               np.concatenate([known, columns], axis=1), threads)
    return index, owner, confidence, contrast, light, seen


def _each(found: list[_Found], name: str) -> np.ndarray:
    """What is known of each search for all of its candidates."""
    return np.concatenate([np.full(len(f.confidence), getattr(f, name)) for f in found])


def _settle(found: list[_Found], plane, least: float, pixel_um, threads: int) -> Spots:
    """One label for each place: the likeliest candidate wins the pixels, winners that touch are one spot. What was found is
    given up, so that there is room for the labels."""
    shape, asked = plane.shape, least
    least = max(least, score.DOUBTFUL)
    if not found:
        return Spots(np.zeros(shape, np.int32), (), (), pixel_um)
    index, owner, confidence, contrast, light, seen = weighed(found, plane, threads)
    line = _each(found, "line")
    if line.any():
        said = backing.along(index, owner, confidence, contrast, line, seen, plane.size)
        confidence[line] = backing.backed(confidence[line], said)
    if not light.all():
        dark = np.flatnonzero(~light)
        here = ~light[owner]
        beside = parallels.parallels(index[here], np.searchsorted(dark, owner[here]), confidence[dark], contrast[dark], shape[1])
        row = (beside >= ROW) & (confidence[dark] < look.ALONE)
        confidence[dark[row]] = np.minimum(confidence[dark[row]], PICTURE)
    # No capture lens draws a line a single pixel wide: that is the edge of something.
    every, extent = np.bincount(owner, minlength=len(confidence)), _extent(index, owner, len(confidence), shape[1])
    listed = (confidence >= min(least * NEARLY, score.DOUBTFUL)) & ~((extent >= 4) & (every <= THIN * extent))
    index, owner = index[listed[owner]], (np.cumsum(listed) - 1)[owner[listed[owner]]]
    confidence, contrast, light = confidence[listed], contrast[listed], light[listed]
    drawn = light & ~seen[listed]
    if not len(confidence):
        return Spots(np.zeros(shape, np.int32), (), (), pixel_um)
    # What runs as a hair or a scratch does is not the picture's for being doubtful as a thing.
    strange = light & ~drawn & ~backing.parts(index, owner, line[listed] & (confidence >= least), seen[listed], plane.size)
    area = every[listed]
    confidence = np.where(drawn, confidence, as_its_twins(index, owner, confidence, area, light))
    value = worth(confidence, area, SETTLED) - DRAWN * drawn
    sure = confidence >= least
    # Only what is far beyond doubt may vouch for its continuation.
    # A strip of the picture (a wire, a joint between bricks) can touch a hair, so it must be nearly believed by itself; and what
    # goes round, as joints do round a tile, continues none.
    able = (confidence >= NEARLY * least) & ~_each(found, "closed")[listed]
    strips = continuing(index, owner, confidence >= (1 + 2 * least) / 3, able, light, shape)
    sure |= strips
    confidence = np.where(sure, np.maximum(confidence, least), confidence)
    rows: list = []
    doubtful: list = []
    pixels: dict = {}
    marked = label = np.zeros(0, np.int64)
    beyond = (marked, marked)
    for certain in (True, False):
        pool = sure if certain else ~sure & (confidence >= score.DOUBTFUL)
        here = pool[owner]
        place, who = index[here], owner[here]
        if not certain:
            free = ~_is_in(place, marked)
            whole = np.bincount(who[free], minlength=len(area)) >= 0.8 * area
            place, who = place[whole[who]], who[whole[who]]
        if not len(place):
            continue
        keep = winners(place, who, value, area)[who]
        place, who = place[keep], who[keep]
        spot, holder = claimed(place, who, value)
        part, count = joined(spot, light[holder], shape[1])
        if certain:
            # What touches a sure spot must be nearly as sure, or it is the picture beside it.
            best = greatest(confidence[holder], part, count)
            vouched = _of_what_it_holds(place, who, spot, holder, confidence, shape[1])
            # Scratches cross.
            stay = (vouched[holder] >= best[part] - BESIDE) | strips[holder] | ~light[holder]
            spot, holder = spot[stay], holder[stay]
            part, count = joined(spot, light[holder], shape[1])
            away = _of_the_picture(plane, spot, holder, part, count, confidence, strange)
            confidence[holder[away]] = np.minimum(confidence[holder[away]], PICTURE)
            away &= PICTURE < least
            away |= _less_than_asked(spot, holder, part, count, confidence, light, strips & light, asked, shape[1])
            if away.any():
                sure[holder[away]] = False
                spot, holder = spot[~away], holder[~away]
                part, count = joined(spot, light[holder], shape[1])
            spot, holder, part, count = _with_ends(plane, spot, holder, part, count, light, value)
            able = light & (confidence > look.ALONE) & (contrast >= OPAQUE)
            spot, holder, part, count = _with_rest(plane, spot, holder, part, count, index, owner, able, contrast, light)
            own = drawn[holder] | _near_its_core(plane, spot, holder, part, count, contrast * light)
            inner = own & ~_fringe(plane, found, listed, index, owner, spot, holder)
            inner = np.where(np.bincount(part[inner], minlength=count)[part] > 0, inner, own)
            blurred, whose = spot[own & ~inner], part[own & ~inner]
            # What that leaves of one spot stays one, though it may be in pieces.
            spot, holder, part = spot[inner], holder[inner], part[inner]
            order = _reading_order(spot, part, count, shape[1])
            part, beyond = order[part], (blurred, order[whose] + 1)
        best, deep = (greatest(v[holder], part, count) for v in (confidence, contrast))
        sign = np.zeros(count, bool)
        sign[part] = light[holder]
        measured = shapes(spot, part, count, shape[1])
        if certain:
            rows = spot_rows(measured, sign, best, pixel_um, contrast=deep)
            marked, label = spot, part + 1
        else:
            order = np.argsort(-best, kind="stable")[:MOST_DOUBTFUL]
            listed = spot_rows(measured, sign, best, pixel_um, first=0, doubtful=True, contrast=deep)
            groups = dict(grouped(spot, part))
            for k, i in enumerate(order.tolist()):
                row = len(rows) + 1 + k
                doubtful.append(replace(listed[i], row=row))
                pixels[row] = groups[i]
    found.clear()
    del index, owner, here, place, who
    labels = np.zeros(shape, np.int32)
    labels.reshape(-1)[marked] = label
    return Spots(labels, tuple(rows), tuple(doubtful), pixel_um, pixels, beyond)


def as_its_twins(index, owner, confidence, area, light) -> np.ndarray:
    """Confidence of candidates, or the greatest of those of nearly the same outline: one thing is as sure at every scale.

    The coarser of two outlines must not win only for having been scored a little higher.
    """
    order = ordered(index)
    index, owner = index[order], owner[order]
    n, pairs = len(confidence), []
    for step in range(1, DEEP + 1):
        same = np.flatnonzero(index[step:] == index[:-step])
        if not len(same):
            break
        one, other = owner[same], owner[same + step]
        pairs.append(np.minimum(one, other) * n + np.maximum(one, other))
    if not pairs:
        return confidence
    pair, shared = np.unique(np.concatenate(pairs), return_counts=True)
    one, other = pair // n, pair % n
    alike = (shared >= TWINS * (area[one] + area[other] - shared)) & (light[one] == light[other])
    out = confidence.copy()
    for a, b in ((one, other), (other, one)):
        np.maximum.at(out, a[alike], confidence[b[alike]])
    return out


def _of_what_it_holds(place, who, spot, holder, confidence, width: int):
    """Confidence of candidates, or the greatest of those that lie within them and are the larger part of them: a part of a
    spot is no stranger to it, but picture that takes in a speck is, and for itself no dirt unless beyond doubt. A line may
    hold pieces of itself, which are hardly narrower."""
    inner = holder[np.searchsorted(spot, place)]
    other = np.flatnonzero(inner != who)
    if not len(other):
        return confidence
    n = len(confidence)
    pair, shared = np.unique(who[other] * n + inner[other], return_counts=True)
    outer, inner = pair // n, pair % n
    within = shared >= WITHIN * np.bincount(holder, minlength=n)[inner]
    part = 2 * shared >= np.bincount(who, minlength=n)[outer]
    out = confidence.copy()
    np.maximum.at(out, outer[within & part], confidence[inner[within & part]])
    taken = within & ~part & (confidence[inner] > confidence[outer]) & (out[outer] <= look.ALONE)
    if taken.any():
        outer, inner = outer[taken], inner[taken]
        some, number = np.unique(np.concatenate([outer, inner]), return_inverse=True)
        here = np.isin(who, some)
        form = shapes(place[here], np.searchsorted(some, who[here]), len(some), width)
        whole, piece = number.reshape(2, -1)
        line = (form.length >= LONGER * form.width)[whole] & (form.width[whole] < WIDER * form.width[piece])
        out[outer[~line]] = 0
    return out


def _asked(least: float, times):
    """The confidence whose odds are so many times those of the least."""
    return times * least / (1 + (times - 1) * least)


def _less_than_asked(spot, holder, part, count: int, confidence, light, able, least: float, width: int) -> np.ndarray:
    """Which pixels belong to spots less sure than their kind is to be; bool array. Strips with a candidate that is able to be
    as a speck are asked for no more."""
    dark = np.zeros(count, bool)
    dark[part] = ~light[holder]
    strip = dark | slender(shapes(spot, part, count, width))
    strip[part[able[holder]]] = False
    return (greatest(confidence[holder], part, count) < _asked(least, np.where(strip, STRIP, SPECK)))[part]


def _of_the_picture(plane, spot, holder, part, count: int, confidence, able) -> np.ndarray:
    """Which pixels belong to spots that leave doubt and are the picture's: thin rims, and strangers that outnumber the frame's
    sure dirt; bool array. Spots with a candidate that is not able to be either are left out of account."""
    best = greatest(confidence[holder], part, count)
    known = np.ones(count, bool)
    known[part[~able[holder]]] = False
    sure, doubted = known & (best > look.ALONE), known & (best <= look.ALONE)
    rim = doubted & (best < look.ALONE)
    for share in (lambda *spots: shapes(*spots, plane.shape[1]).width / THINNEST,
                  lambda *spots: rims.least_share(plane, *spots, spot) / RIM):
        if rim.any():
            here = rim[part]
            rim[rim] = share(spot[here], (np.cumsum(rim) - 1)[part[here]], int(rim.sum())) < 1
    strange = doubted & (best >= 0.5) & ~rim
    each = OUTNUMBERED if sure.sum() < DIRTY else BY_FAR
    if strange.sum() >= STRANGERS and strange.sum() > each * sure.sum():
        rim |= strange
    return rim[part]


def _near_its_core(plane, spot, holder, part, count: int, contrast) -> np.ndarray:
    """Which pixels of spots lie within what a lens blurs of their dense core, bool array.

    Dirt that takes most of the light is dense all over. What is not is light ground beside it that its outline took in, which
    lies low for deep dirt."""
    deep = greatest(contrast[holder], part, count)
    here = np.flatnonzero((deep >= OPAQUE)[part])
    own = np.ones(len(spot), bool)
    if not len(here):
        return own
    index, of, level = spot[here], part[here], plane.reshape(-1)[spot[here]].astype(np.int32)
    least = -greatest(-level, of, count, least=-np.inf)
    core = level >= least[of] + CORE * noise.STEPS * deep[of]
    # Only spots that are in question: dilation costs a look at all neighbours.
    outside = np.bincount(of[~core], minlength=count) >= np.maximum(0.2 * np.bincount(of, minlength=count), 40)
    some = outside[of] & (np.bincount(of[core], minlength=count) > 0)[of]
    here, index, of, core = here[some], index[some], of[some], core[some]
    width = plane.shape[1]
    for step in range(BLURRED):
        near = core.copy()
        for move in (1, -1, width, -width, *((width + 1, width - 1, -width + 1, -width - 1) if step % 2 else ())):
            at = beside(index, move)
            near |= (at >= 0) & core[at] & (of[at] == of)
        core = near
    own[here[~core]] = False
    return own


def _with_rest(plane, spot, holder, part, count: int, index, owner, able, contrast, light):
    """Spots with what is as dense as a core in outlines that are able to, and no spot took: of opaque dirt of two lobes one by
    itself may be surer than both, and the other had been left beside what is repaired."""
    width, here = plane.shape[1], able[owner]
    index, owner = index[here], owner[here]
    level = plane.reshape(-1)[index].astype(np.int32)
    least = -greatest(-level, owner, len(able), least=-np.inf)
    dense = level >= least[owner] + CORE * noise.STEPS * contrast[owner]
    rest = np.flatnonzero(~_is_in(index, spot))
    rest = rest[np.lexsort((~dense[rest], index[rest]))]
    rest = rest[np.diff(index[rest], prepend=-1) > 0]
    index, owner, dense = index[rest], owner[rest], dense[rest]
    if not dense.any():
        return spot, holder, part, count
    piece, n = connected(index[dense], width)
    dense[dense] = np.bincount(piece, minlength=n)[piece] >= LOBE
    for _ in range(RIMMED):
        near = dense.copy()
        for move in (1, -1, width, -width):
            at = beside(index, move)
            near |= (at >= 0) & dense[at]
        dense = near
    spot, holder = np.concatenate([spot, index[dense]]), np.concatenate([holder, owner[dense]])
    order = np.argsort(spot)
    spot, holder = spot[order], holder[order]
    return spot, holder, *joined(spot, light[holder], width)


def _with_ends(plane, spot, holder, part, count: int, light, value):
    """Spots with what hairs go on by beyond the ends that were found; what they reach is one with them."""
    most = greatest(value[holder], part, count, least=-np.inf)
    leads = np.zeros(count, np.int64)
    top = value[holder] == most[part]
    leads[part[top]] = holder[top]
    more, of = hairs.followed(plane, spot, part, count, light[leads])
    if not len(more):
        return spot, holder, part, count
    spot, holder = np.concatenate([spot, more]), np.concatenate([holder, leads[of]])
    order = np.argsort(spot)
    spot, holder = spot[order], holder[order]
    return spot, holder, *joined(spot, light[holder], plane.shape[1])


def joined(index, light, width: int):
    """Connected parts of a set of pixels in which light and dark never join: part of each pixel, and their number."""
    part = np.empty(len(index), np.int64)
    count = 0
    for sign in (True, False):
        of = light == sign
        numbers, n = connected(index[of], width)
        part[of] = numbers + count
        count += n
    return part, count


def _extent(index, owner, count: int, width: int) -> np.ndarray:
    """Longer side of each part's bounding box."""
    x0, y0, x1, y1 = bounds(index, owner, count, width)
    return np.maximum(np.maximum(x1 - x0, y1 - y0) + 1, 0)


def continuing(index, owner, sure, able, light, shape) -> np.ndarray:
    """Strips, of those able to, that continue a sure one of the same sign within `GAP` pixels: a hair changes with what lies
    under it. Candidates come one after the other, the pixels of each rising."""
    size = shape[0] * shape[1]
    form = shapes(index, owner, len(sure), shape[1])
    strip = (form.length >= 3 * form.width) & (form.length >= 10)
    added = np.zeros(len(sure), bool)
    strip &= sure | able
    here = strip[owner]
    index, owner = index[here], owner[here]
    wide = shape[1] // GAP + 3
    cell = (index // (GAP * shape[1]) + 1) * wide + index % shape[1] // GAP + 1
    edge = GAP * (shape[1] + 1)
    marked = np.zeros(size + 2 * edge if len(index) else 0, bool)
    for sign in (True, False):
        fresh = sure & strip & (light == sign)
        for _ in range(4):
            # Where whole cells are far apart no pixel needs a look.
            here = fresh[owner]
            lit, cells = index[here], np.zeros((shape[0] // GAP + 3, wide), bool)
            cells.reshape(-1)[cell[here]] = True
            cells[:, 1:-1] |= cells[:, :-2] | cells[:, 2:]
            cells[1:-1] |= cells[:-2] | cells[2:]
            open_ = np.flatnonzero((~(sure | added) & (light == sign))[owner])
            open_ = open_[cells.reshape(-1)[cell[open_]]]
            fresh = np.zeros(len(sure), bool)
            if len(lit) and len(open_):
                marked[lit + edge] = True
                at, who = index[open_] + edge, owner[open_]
                for dy in (-GAP, -GAP // 2, 0, GAP // 2, GAP):
                    for dx in (-GAP, -GAP // 2, 0, GAP // 2, GAP):
                        fresh[who[marked[at + (dy * shape[1] + dx)]]] = True
                marked[lit + edge] = False
            if not fresh.any():
                break
            added |= fresh
    return added


def _reading_order(index, part, count, width) -> np.ndarray:
    """New number of each part, by its first pixel."""
    first = np.zeros(count, np.int64)
    first[part[::-1]] = index[::-1]
    order = np.empty(count, np.int64)
    order[np.argsort(first)] = np.arange(count)
    return order

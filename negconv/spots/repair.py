"""`repair`: spots filled from their surroundings, with structure carried across and the film's own grain.

Each hole gets the likeliest light given a ring around it (`kriging`), and on top of it detail taken from a place nearby
whose surroundings are most like the hole's: fine detail whole, coarser only as far as it is grain, since coarse texture
cannot be guessed and a wrong guess is worse than none.
"""
from __future__ import annotations

from dataclasses import is_dataclass, replace

import numpy as np

from ..errors import InputError
from ..values import frozen
from . import compiled
from .components import beside, connected, ordered
from .grain import measure_grain
from .kinds import grouped
from .kriging import CLEAR, DIRT, LARGE, RIM, RING, SMALL, TOE, bent, krige, mean_of, straight
from .noise import over
from .table import BLUR

#: Pixels the mask is grown by before filling: the blur of the copying lens. Everything outside stays as it was.
GROW = 2
#: A part up to this extent is filled in one go, a larger one in pieces of this side.
WHOLE, PIECE = 34, 22
#: The rim of a hole is used where what dirt adds to it is small: its spread for a tint of 1, and the most it
#: may spread, in shares of the variance of steps there.
UNEVEN, SMEARED = 1.5, 0.2
#: Beside a hole, pixels that stand out by this share of what its dirt does (and that by so many times what the light
#: varies around it) are of the same dirt, unless they are more than a share of all that lies around: then the picture is
#: as light. Dirt is followed for so many pixels: the windows the filling sees reach no further.
ALIKE, PLAIN, FEW, FOLLOWED = 0.85, 4.0, 0.25, 40
#: Steps from a hole's rim within which its dirt is taken for what it is there.
NEAR = 5
#: Holes worked on at a time.
BATCH = 32
#: Dirt that shows the picture through: the most its light may vary, in shares of the variance around, and the least and
#: the most from pixel to pixel.
SPREAD, LEAST, MOST = 2.3, 0.3, 4.0
#: What falls short of what dirt adds by more than this share of it, and than so many times what light varies by from pixel to
#: pixel, is not under it: the mask is wider than the dirt there.
BESIDE, PLAINLY = 0.3, 3.0
#: What dirt adds is no more than this to such a share of an outline. A pixel is the picture's own where it differs from what the
#: light around foretells by less than this many times the spread there, and than the one share of what its dirt adds within so
#: many steps; or by less than the other share of what that adds at all.
ADDED, FORETOLD, MOSTLY, BARELY, WITHIN = 0.7, 4.0, 0.35, 0.12, 12
#: In place of a row's number, that what was marked is filled whatever it shows.
WHOLE_ROW = -1


def repair(positive, spots, *, seed: int = 0, threads: int = 2, in_place: bool = False):
    """Fill spots.

    Parameters
    ----------
    positive : Positive, or float array (h, w, 3) or (h, w)
        Scene-linear, before tone.
    spots : Spots, or bool array (h, w)
        What to fill. The mask is grown by two pixels (city-block distance); no pixel beyond changes. Where an outline that
        was found took in some of the picture, that is left as it is; what somebody gave is filled whole.
    seed : int
        For the choice of places detail is taken from.
    threads : int
    in_place : bool
        Fill the picture given, which must be float32, in place of a copy.

    Returns
    -------
    Positive or ndarray
        As `positive`, repaired; the input is left as it is, unless it was given up.

    Raises
    ------
    InputError
        If the mask has another size.

    Examples
    --------
    >>> light = np.full((60, 80), 0.18, np.float32)
    >>> light[30:33, 40:44] = 5.0
    >>> mask = light > 1
    >>> round(float(repair(light, mask)[31, 41]), 3)
    0.18
    """
    linear = positive.linear if hasattr(positive, "linear") else np.asarray(positive)
    mask = np.asarray(spots.reach if hasattr(spots, "reach") else spots)
    mask = mask if mask.dtype == bool else mask > 0
    if mask.shape != linear.shape[:2]:
        raise InputError("mask", f"is {mask.shape[1]} x {mask.shape[0]} pixels, the picture "
                         f"{linear.shape[1]} x {linear.shape[0]}", "give a mask of the picture's own size")
    if in_place and linear.dtype != np.float32:
        raise ValueError(f"only float32 is repaired in place, not {linear.dtype}")
    out = linear if in_place else np.array(linear, np.float32)
    index, rim = _grown(mask, GROW)
    del mask
    if len(index):
        marked = _owners(spots, index) if hasattr(spots, "given") else np.full(len(index), WHOLE_ROW)
        _fill(out if out.ndim == 3 else out[..., None], index, rim, marked, seed, threads)
    if is_dataclass(positive) and hasattr(positive, "linear"):
        return replace(positive, linear=out)
    return out


def _owners(spots, index) -> np.ndarray:
    """The row each pixel of `index` belongs to, where that may have taken in some of the picture: a light speck or fibre. 0
    beyond the outlines; `WHOLE_ROW` where all is filled: what somebody drew is meant, and scratches and marks add what they
    like from place to place."""
    row = spots.labels.reshape(-1)[index]
    loose = [s.row for s in spots.rows if s.light and s.kind in ("speck", "fibre")]
    return np.where((row > 0) & ~np.isin(row, loose) | np.isin(index, spots.given), WHOLE_ROW, row)


def _fill(planes, index, rim, marked, seed, threads) -> None:
    """Fill the pixels of `index` in place; `marked` as from `_owners`."""
    trust = np.full(planes.shape[:2], CLEAR, np.uint8)
    trust.reshape(-1)[index] = np.where(rim, RIM, DIRT)
    grain = measure_grain(planes, trust, bent)
    width = trust.shape[1]
    flat, sure = planes.reshape(-1, planes.shape[2]), trust.reshape(-1)
    part, count = connected(index, width)
    todo, final = _pieces(index, part, width)
    _left_out(planes, trust, index, rim, todo)
    rims = _guard(planes, trust, index, rim, part, _rims(planes, trust, index, rim, part, count))
    core, first = _core(index, rim, width), True
    while todo:
        holes, owner = [index[piece] for piece in todo], part[np.array([piece[0] for piece in todo])]
        fills = [None] * len(todo)
        small = _extents(holes, width) <= SMALL.hole
        batches = [(size, some[i:i + BATCH]) for size, of in ((SMALL, small), (LARGE, ~small))
                   for some in (np.flatnonzero(of),) for i in range(0, len(some), BATCH)]

        def work(start: int, stop: int, holes=holes, fills=fills, owner=owner, batches=batches) -> None:
            for size, some in batches[start:stop]:
                of = owner[some]
                got = krige(planes, trust, [holes[i] for i in some], rims.tint[of], rims.uneven[of], rims.use[of], grain=grain,
                            size=size, seed=seed + int(some[0]))
                for i, fill in zip(some, got):
                    fills[i] = fill

        over(threads, len(batches), work, size=1)
        # What has too little around it waits for its neighbours.
        later = [piece for piece, fill in zip(todo, fills) if fill is None]
        if len(later) == len(todo):
            break
        done = [(piece, *fill, last) for piece, fill, last in zip(todo, fills, final) if fill is not None]
        place, value = (np.concatenate([d[k] for d in done]) for k in (0, 1))
        of = np.repeat(np.arange(len(done)), [len(piece) for piece, *_ in done])
        variance, last = np.array([d[2] for d in done], np.float32), np.array([d[3] for d in done])
        sure[index[_seen_through(flat, index, part, core, place, value, variance[of], rims)]] = CLEAR
        if first:
            sure[index[_beside_dirt(flat, index, rim, width, place, value, variance[of], marked)]] = CLEAR
        core, first = core[:0], False
        open_ = sure[index[place]] != CLEAR
        left = np.bincount(of[open_], minlength=len(done))
        whole = last & (left == np.bincount(of))
        here = whole[of]
        flat[index[place[here]]] = value[here]
        sure[index[place[here]]] = CLEAR
        later += [done[i][0][sure[index[done[i][0]]] != CLEAR] for i in np.flatnonzero(~whole & (left > 0))]
        todo, final = later, [True] * len(later)


def _grown(mask: np.ndarray, steps: int) -> tuple[np.ndarray, np.ndarray]:
    """Flat indices of the mask grown by some steps (city block), and whether each is of the outermost ones."""
    index = np.flatnonzero(mask)
    return _spread(index, index, mask.shape, steps)


def _spread(index, edge, shape, steps):
    """Some sorted pixels with those next to the edge of them, step by step, and which were the last to come."""
    h, w = shape
    if compiled.loops:
        rim = np.zeros(len(index), bool)
        for _ in range(steps):
            near, index = np.empty(4 * len(edge), np.int64), np.ascontiguousarray(index, np.int64)
            more, rim = np.empty(len(index) + len(near), np.int64), np.empty(len(index) + len(near), bool)
            found = compiled.loops.spread(index, len(index), np.ascontiguousarray(edge), len(edge), h, w, near, more, rim)
            edge, index, rim = near[:found], more[:len(index) + found], rim[:len(index) + found]
        return index, rim
    for _ in range(steps):
        y, x = edge // w, edge % w
        near = np.concatenate([edge[y > 0] - w, edge[y < h - 1] + w, edge[x > 0] - 1, edge[x < w - 1] + 1])
        near.sort()
        near = near[np.diff(near, prepend=-1) > 0]
        edge = near[index[np.minimum(np.searchsorted(index, near), len(index) - 1)] != near]
        index = np.concatenate([index, edge])
        index.sort()
    rim = np.zeros(len(index), bool)
    rim[np.searchsorted(index, edge)] = True
    return index, rim


@frozen(eq=False)
class _Rims:
    """Of each part of the mask.

    Attributes
    ----------
    tint : float32 array (parts, c)
        What dirt adds to its rim.
    uneven : array (parts,)
        Variance of that.
    use : bool array (parts,)
        Whether that is small against the other steps there.
    around : array (parts,)
        Variance of those.
    """

    tint: np.ndarray
    uneven: np.ndarray
    use: np.ndarray
    around: np.ndarray


def _rims(planes, trust, index, rim, part, count):
    """For each part what dirt adds to its rim, by the step to the pixels next to it outside."""
    step, some = _steps(planes, trust, index[rim])
    step, part = step[some], part[rim][some]
    total = np.maximum(np.bincount(part, minlength=count), 1)
    tint = _means(step, part, count)
    around = np.bincount(part, mean_of((step - tint[part]) ** 2), count) / total
    square = (tint ** 2).mean(axis=1)
    uneven = UNEVEN ** 2 * square
    # Twice the standard error of the tint is allowed for.
    use = uneven < around * (SMEARED + 4 * UNEVEN ** 2 / total)
    return _Rims(tint, uneven, use, around)


def _steps(planes, trust, at):
    """By how much pixels differ from the mean of the clear ones next to them (n, c), and which have any."""
    width, colours = trust.shape[1], planes.shape[2]
    flat, seen = planes.reshape(-1, colours), trust.reshape(-1)
    outside, number = np.zeros((len(at), colours), np.float32), np.zeros(len(at), np.float32)
    if compiled.loops and planes.flags.c_contiguous:
        own = np.empty((len(at), colours), np.float32)
        compiled.loops.steps_out(planes, trust, *planes.shape, np.ascontiguousarray(at), len(at), TOE, own, number)
        return own, number > 0
    x = at % width
    for move, free in ((-width, at >= width), (width, at < len(seen) - width), (-1, x > 0), (1, x < width - 1)):
        near = np.flatnonzero(free)
        near = near[seen[at[near] + move] == CLEAR]
        outside[near] += bent(flat[at[near] + move])
        number[near] += 1
    return bent(flat[at]) - outside / np.maximum(number, 1)[:, None], number > 0


def _guard(planes, trust, index, rim, part, rims) -> _Rims:
    """Where a mask is so tight that dirt reaches beyond what is filled, take the pixels next to that for dirt too."""
    wide, outer = _spread(index, index[rim], trust.shape, 1)
    group, count = connected(wide, trust.shape[1])
    free = _rims(planes, trust, wide, outer, group, count).use
    trust.reshape(-1)[wide[outer & ~free[group]]] = DIRT
    of = np.zeros(len(rims.use), np.intp)
    of[part] = group[np.searchsorted(wide, index)]
    return replace(rims, use=rims.use & free[of])


def _left_out(planes, trust, index, rim, pieces) -> None:
    """What goes on from a hole and stands out as its dirt does (half of a hair) is no place to fill it from.

    By pieces: a hair that leaves the dark for the light is not followed by what the picture is there.
    """
    h, w = trust.shape
    count, part = len(pieces), np.zeros(len(index), np.intp)
    part[np.concatenate(pieces)] = np.repeat(np.arange(count), [len(piece) for piece in pieces])
    flat, seen = planes.reshape(-1, planes.shape[2]), trust.reshape(-1)

    def grey(at):
        if compiled.loops and planes.flags.c_contiguous:
            light = np.empty(len(at), np.float32)
            compiled.loops.greys(planes, len(seen), planes.shape[2], np.ascontiguousarray(at), len(at), TOE, light)
            return light
        return mean_of(bent(np.nan_to_num(flat[at])))

    def beyond(at, *what):
        x = at % w
        moves = ((-w, at >= w), (w, at < h * w - w), (-1, x > 0), (1, x < w - 1))
        near = np.concatenate([(at + move)[free] for move, free in moves])
        near, first = np.unique(near, return_index=True)
        clear = seen[near] == CLEAR
        return near[clear], *(np.concatenate([v[free] for _, free in moves])[first][clear] for v in what)

    within = grey(index)
    dirt = _medians(within[~rim], part[~rim], count)
    edge, owner = beyond(index[rim], part[rim])
    light = grey(edge)
    ground = _medians(light, owner, count)
    varies = _medians(np.abs(light - ground[owner]), owner, count)
    rise = dirt - ground
    plain = np.abs(rise) > PLAIN * varies + 1e-6
    around = np.bincount(part[rim], minlength=count) * RING

    def standing_out(light, owner):
        return (light - ground[owner]) * np.sign(rise[owner])

    # On lighter ground dirt is lighter too.
    near = _greatest_near(index, np.where(rim, -np.inf, standing_out(within, part)), w, NEAR)
    edge, owner, least = beyond(index[rim], part[rim], ALIKE * np.maximum(near, np.abs(rise)[part])[rim])
    found, whose = [], []
    for _ in range(FOLLOWED):
        alike = plain[owner] & (standing_out(grey(edge), owner) >= least)
        edge, owner, least = edge[alike], owner[alike], least[alike]
        if not len(edge):
            break
        found.append(edge)
        whose.append(owner)
        seen[edge] = DIRT
        edge, owner, least = beyond(edge, owner, least)
    if found:
        many = np.bincount(np.concatenate(whose[:RING]), minlength=count) > FEW * around
        found, whose = np.concatenate(found), np.concatenate(whose)
        seen[found[many[whose]]] = CLEAR
        # The lens blurs it as it does what is masked.
        for _ in range(GROW):
            found, whose = beyond(found[~many[whose]], whose[~many[whose]])
            seen[found] = DIRT


def _greatest_near(index, value, width, steps):
    """The greatest of the values within so many steps of each pixel along those of `index`."""
    near = []
    for move in (-width, width, -1, 1):
        at = beside(index, move)
        near.append(np.where(at < 0, np.arange(len(index)), at))
    for _ in range(steps):
        last = value
        for at in near:
            value = np.maximum(value, last[at])
    return value


def _medians(values, group, count):
    """Median of the values of each group; 0 where there are none."""
    return _quantiles(values, group, count, 0.5)


def _quantiles(values, group, count, share):
    """The value that so large a share of each group lies below; 0 where there are none."""
    order = np.argsort(values)
    order = order[ordered(group[order])]
    number = np.bincount(group, minlength=count)
    middle = np.cumsum(number) - number + (number * share).astype(np.intp)
    return np.where(number > 0, values[order][np.minimum(middle, max(len(values) - 1, 0))] if len(values) else 0.0, 0.0)


def _core(index, rim, width):
    """Positions in `index` of pixels so far inside dirt that the lens blurs no edge of it into them."""
    inside = index[~rim]
    for _ in range(GROW + 1):
        inside = inside[np.minimum.reduce([beside(inside, move) for move in (-width, width, -1, 1)]) >= 0]
        if not len(inside):
            break
    return np.searchsorted(index, inside)


def _seen_through(flat, index, part, core, place, value, variance, rims):
    """Take off what dirt adds where the picture shows through it.

    Dirt that lets some light through adds a constant on the scale of densities. What is left when that is taken off is
    the picture's own, if it varies no more than the surroundings do, from pixel to pixel and over the whole hole; else
    it is the dirt's. `place` are the positions in `index` of pixels that have been filled, with `value` (n, c), and
    `variance` (n,) is that around them.

    Returns
    -------
    int array
        Positions in `index` of the pixels that are clear now.
    """
    fill = np.zeros((len(index), flat.shape[1]), np.float32)
    local = np.zeros((len(index), 1), np.float32)
    fill[place], local[place, 0] = value, variance
    core = core[local[core, 0] > 0]
    if not len(core):
        return core
    owner = part[core]
    light = np.clip(np.nan_to_num(bent(flat[index[core]])), -30, 30)
    start = bent(fill[core])
    # Of a colour beyond those of the space, whose light there is less than none, dirt makes still less.
    sign = np.where((light < 0) & (start < 0), -1, 1).astype(np.float32)
    added = sign * (light - start)
    more = added - _means(added, owner)[owner]
    most = SPREAD * _means(local[core], owner)[:, 0]
    pair = np.flatnonzero((np.diff(index[core]) == 1) & (owner[1:] == owner[:-1]))
    steps = mean_of(_means((light[pair + 1] - light[pair]) ** 2, owner[pair], len(most)))
    around = rims.around[:len(most)]
    keep = ((_means(more ** 2, owner).mean(axis=1) < most) & (steps > LEAST * around) & (steps < MOST * around))[owner]
    grey = mean_of(added)
    usual = _medians(grey, owner, len(most))[owner]
    keep &= (usual - grey) * np.sign(usual) < np.maximum(BESIDE * np.abs(usual), PLAINLY * np.sqrt(around[owner]))
    core, owner, added, start, sign = core[keep], owner[keep], added[keep], start[keep], sign[keep]
    # Where too little light makes too much noise: a mixture as rough as the surroundings.
    share = np.minimum(np.sqrt(around / np.maximum(steps, 1e-12)), 1)[owner, None]
    flat[index[core]] = straight(start + sign * share * (added - _means(added, owner, len(most))[owner]))
    return core


def _beside_dirt(flat, index, rim, width, place, value, variance, marked):
    """Where an outline took in more than its dirt: pixels that are as the light around it foretells, out to its rim.

    A joint, a stem or a stroke that runs into a hair and is as light goes on beyond the outline, so that the filling foretells
    it; dirt it does not. Only the lens' blur of dirt is both. `place` are the positions in `index` of pixels with a filling,
    `value` (n, c) and `variance` (n,) that and the variance around; `marked` as from `_owners`.

    Returns
    -------
    int array
        Positions in `index` of the pixels that are clear now.
    """
    near = [beside(index, move) for move in (-width, width, -1, 1)]
    row = marked
    for _ in range(BLUR + GROW):
        row = np.where(row != 0, row, np.max([np.where(at >= 0, row[at], 0) for at in near], axis=0))
    known = np.zeros(len(index), bool)
    known[place] = True
    more, spread = np.zeros(len(index), np.float32), np.zeros(len(index), np.float32)
    # The edge of dirt may be coloured: a mean of its channels may be as foretold.
    more[place] = np.abs(bent(np.nan_to_num(flat[index[place]])) - bent(value)).max(axis=1)
    spread[place] = np.sqrt(variance)
    inner, (rows, of) = np.flatnonzero(known & ~rim), np.unique(row, return_inverse=True)
    added = _quantiles(more[inner], of[inner], len(rows), ADDED)[of]
    around = np.sum([np.where(at >= 0, more[at], 0) for at in near], axis=0)
    even = (more + around) / (1 + np.sum([at >= 0 for at in near], axis=0))
    # Along a piece dirt may grow thin: as of what goes on from it, it is judged by the dirt next to it.
    close = _greatest_near(index, np.where(rim, 0.0, even), width, WITHIN)
    least = np.maximum(BARELY * added, np.minimum(FORETOLD * spread, MOSTLY * close))
    # A seam of one pixel that stands out is plain to see, however even its neighbours are.
    dirt = (row <= 0) | ~known | ~rim & (np.maximum(even, more) >= least)
    for _ in range(GROW):
        dirt |= np.logical_or.reduce([(at >= 0) & dirt[at] for at in near])
    free = np.flatnonzero(~dirt)
    group, groups = connected(index[free], width)
    return free[(np.bincount(group, rim[free], groups) > 0)[group]]


def _means(values, group, count=0):
    """Means of the rows of values (n, c) in each group: (groups, c)."""
    total = np.maximum(np.bincount(group, minlength=count), 1)
    return (np.stack([np.bincount(group, v, count) for v in values.T], axis=1) / total[:, None]).astype(np.float32)


def _extents(holes, width: int) -> np.ndarray:
    """Longer side of the box around each of some sets of flat indices."""
    place = np.stack(np.divmod(np.concatenate(holes), width))
    begin = np.cumsum([0] + [len(hole) for hole in holes[:-1]])
    return (np.maximum.reduceat(place, begin, axis=1) - np.minimum.reduceat(place, begin, axis=1)).max(axis=0) + 1


def _pieces(index: np.ndarray, part: np.ndarray, width: int) -> tuple[list[np.ndarray], list[bool]]:
    """Positions in `index` of pieces small enough to be filled in one go, and whether that is the last of it.

    Of a large part every other piece, as on a chessboard, is filled once more, to go on from what its neighbours were filled with:
    each for itself would end in a seam.
    """
    order = ordered(part)
    begin = np.concatenate([[0], np.flatnonzero(np.diff(part[order])) + 1])
    place = np.stack(np.divmod(index[order], width))
    least = np.minimum.reduceat(place, begin, axis=1)
    extents = np.maximum.reduceat(place, begin, axis=1) - least + 1
    out, final, ends = [], [], np.append(begin[1:], len(order)).tolist()
    for a, b, low, extent, whole in zip(begin.tolist(), ends, least.T, extents.T, extents.max(axis=0) <= WHOLE):
        members = order[a:b]
        if whole:
            out.append(members)
            final.append(True)
            continue
        cells = -(-extent // PIECE)
        row, column = (place[:, a:b] - low[:, None]) * cells[:, None] // extent[:, None]
        for number, piece in grouped(np.arange(b - a), row * cells[1] + column):
            out.append(members[piece])
            final.append((number // cells[1] + number % cells[1]) % 2 == 0)
    return out, final

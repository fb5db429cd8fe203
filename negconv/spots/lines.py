"""Thin dark lines, found by adding up along them: far below what stands out at a single pixel.

Sums over straight pieces at all slopes come from sums over halves (Goetz and Druckmueller, "A fast digital Radon
transform", Pattern Recognition 29, 1996); pieces that continue each other are chained, so that a line may bend.
"""
from __future__ import annotations


import numpy as np

from ..values import frozen
from . import compiled, noise

#: Rows of a piece, a power of two; the steepest goes one pixel across for each along.
PIECE = 16
#: Distance of the pixels on either side that a line must be darker than.
BESIDE = 3
#: What the outermost pixels, that have none beside them, are said to lie lower.
LOWEST = -2000
#: Units to a usual step, and the most units one pixel may say: no spot is a line.
UNIT, MOST = 4, 12
#: Side of the tiles the usual step is taken in, and the least it is held for.
TILE, FINE = 16, 3.0
#: Least sum of a piece, and of a line in a megapixel, in standard deviations of the sum of a piece of noise.
LEAST, WORTH = 4.0, 8.0
#: Power of the megapixels with which that rises: a larger picture has longer scratches, and more lines of its own.
LARGER = 0.2
#: How far pieces may miss each other (the further, the wider the gap), turn and leave a gap, and what each costs of the sum.
MISS, WIDER, TURN, GAP = 1.6, 0.8, 4, 2
MISSED, TURNED, SKIPPED = 3.0, 2.0, 30.0
#: Strips worked on at a time.
BLOCK = 8


@frozen(eq=False)
class Line:
    """A dark line.

    Attributes
    ----------
    sum : float
        What its pixels say together, in standard deviations of a piece of noise.
    pieces : int
    points : float array (n, 2)
        x, y along it, in pixels of the full picture.
    scale : int
        Of the plane it was found in.
    """

    sum: float
    pieces: int
    points: np.ndarray
    scale: int


def lines(plane: np.ndarray, scale: int = 1) -> list[Line]:
    """Dark lines of a plane (int16), the plainest first.

    `scale` is the number of pixels of the full picture in one of the plane's.

    Examples
    --------
    >>> rng = np.random.default_rng(0)
    >>> plane = rng.normal(1000, 30, (200, 300)).astype(np.int16)
    >>> plane[:, 120] -= 60
    >>> [round(float(p[0])) for p in lines(plane)[0].points[::8]]
    [120, 120, 120]
    """
    found = []
    worth = WORTH * max(plane.size * scale ** 2 / 1e6, 1) ** LARGER
    for across in (False, True):
        turned = noise.turned(plane) if across else plane
        if min(turned.shape) < 2 * TILE:
            continue
        sums = pieces(evened(turned), LEAST * UNIT * np.sqrt(PIECE))
        some = chains(sums, worth * UNIT * np.sqrt(PIECE))
        # The ends of all pieces at once: of most lines nothing else is ever asked.
        top, x, slope, _ = sums[np.concatenate([np.zeros(0, np.int64), *(chain for _, chain in some)])].T
        points = np.empty((len(x), 2, 2))
        points[:, :, 1 if across else 0] = np.stack([x, x + slope], axis=1)
        points[:, :, 0 if across else 1] = top[:, None] * PIECE + (0, PIECE - 1)
        points = ((points + 0.5) * scale - 0.5).reshape(-1, 2)
        end = 0
        for total, chain in some:
            begin, end = end, end + 2 * len(chain)
            found.append(Line(total / (UNIT * np.sqrt(PIECE)), len(chain), points[begin:end], scale))
    return sorted(found, key=lambda line: -line.sum)


def steps_down(plane: np.ndarray) -> np.ndarray:
    """How much lower each pixel is than the lower of those on either side of it along the row; int16."""
    out = np.empty(plane.shape, np.int16)
    out[:, :BESIDE], out[:, -BESIDE:] = LOWEST, LOWEST
    side = np.minimum(plane[:, :-2 * BESIDE], plane[:, 2 * BESIDE:])
    np.subtract(side, plane[:, BESIDE:-BESIDE], out=out[:, BESIDE:-BESIDE])
    return out


def evened(plane: np.ndarray) -> np.ndarray:
    """Steps down of a plane less their mean around, in units of what is usual there, limited; int16."""
    h, w = plane.shape
    rows, columns = noise.tiles(plane.shape, TILE)
    mean, size = np.empty((2, rows, columns), np.float32)
    if compiled.loops:
        of = (np.ascontiguousarray(plane), h, w, BESIDE, LOWEST, TILE, rows, columns)
        compiled.loops.usual(*of, mean, size)
        mean, size = _middling(mean), np.maximum(_middling(size), FINE) * np.float32(1.25)
        out = np.empty((h, w), np.int16)
        compiled.loops.even(*of, mean, (UNIT / size).astype(np.float32), MOST, out)
        return out
    step = steps_down(plane)
    for r in range(rows):
        part = step[r * TILE:(r + 1) * TILE:2, :columns * TILE]
        n = part.shape[0] * TILE
        mean[r] = part.sum(axis=0, dtype=np.int32).reshape(columns, -1).sum(axis=1) / n
        part = np.abs(part - np.repeat(mean[r], TILE).astype(np.int16))
        size[r] = part.sum(axis=0, dtype=np.int32).reshape(columns, -1).sum(axis=1) / n
    # Mean absolute deviation to standard deviation, of normal noise.
    mean, size = _middling(mean), np.maximum(_middling(size), FINE) * np.float32(1.25)
    across = np.minimum(np.arange(w) // TILE, columns - 1)
    out = np.empty((h, w), np.int16)
    for r in range(rows):
        y0, y1 = r * TILE, h if r == rows - 1 else (r + 1) * TILE
        value = step[y0:y1].astype(np.float32)
        value -= mean[r][across]
        value *= (UNIT / size[r])[across]
        np.clip(value, -MOST, MOST, out=value)
        np.copyto(out[y0:y1], np.rint(value, out=value), casting="unsafe")
    return out


def _middling(values: np.ndarray) -> np.ndarray:
    """Medians of 3 x 3 tiles."""
    h, w = values.shape
    padded = np.pad(values, 1, mode="edge")
    # The middle of nine is that of the greatest least, the middle middle and the least greatest of three that are sorted.
    low, middle, high = _sorted(*(padded[i:i + h] for i in range(3)))
    low, middle, high = ([v[:, j:j + w] for j in range(3)] for v in (low, middle, high))
    return _sorted(_sorted(*low)[2], _sorted(*middle)[1], _sorted(*high)[0])[1]


def _sorted(a: np.ndarray, b: np.ndarray, c: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """The least, the middle and the greatest of three, place by place."""
    low, high = np.minimum(a, b), np.maximum(a, b)
    return np.minimum(low, c), np.maximum(low, np.minimum(high, c)), np.maximum(high, c)


def sums_right(value: np.ndarray, piece: int = PIECE) -> np.ndarray:
    """Sums over straight pieces of so many rows that reach 0 .. piece - 1 pixels to the right.

    Returns
    -------
    int16 array (strips, piece, w)
        By strip of rows, reach and x of the upper end; pieces that leave the plane have a low sum.
    """
    strips, w = value.shape[0] // piece, value.shape[1]
    table = value[:strips * piece].reshape(strips, piece, 1, w)
    while table.shape[1] > 1:
        n, rows, slopes, _ = table.shape
        new = np.empty((n, rows // 2, 2 * slopes, w), np.int16)
        for s in range(slopes):
            for k in (s, s + 1):
                to = new[:, :, s + k]
                np.add(table[:, 0::2, s, :w - k], table[:, 1::2, s, k:], out=to[..., :w - k])
                to[..., w - k:] = -MOST * piece
        table = new
    return table[:, 0]


def pieces(value: np.ndarray, least: float, piece: int = PIECE) -> np.ndarray:
    """The pieces with a sum of at least `least`, and none greater around.

    Returns
    -------
    float array (n, 4)
        Strip, x of the upper end, reach and sum of each; by strip.
    """
    strips, w = value.shape[0] // piece, value.shape[1]
    if compiled.loops:
        found = np.empty((strips * w, 4))
        found = found[:compiled.loops.pieces(value, strips, w, piece, int(np.ceil(least)), found)].copy()
    else:
        found = _pieces(value, least, piece)
    # By strip and middle; of those within two pixels the greatest stays.
    key = np.rint((found[:, 0] + 1) * 4 * w + found[:, 1] + found[:, 2] / 2)
    order = np.argsort(key, kind="stable")
    found, key = found[order], key[order]
    keep = np.ones(len(found), bool)
    for off in range(1, 12):
        near = key[off:] - key[:-off] <= 2
        if not near.any():
            break
        keep[off:] &= ~(near & (found[off:, 3] <= found[:-off, 3]))
        keep[:-off] &= ~(near & (found[:-off, 3] < found[off:, 3]))
    return found[keep]


def _pieces(value: np.ndarray, least: float, piece: int) -> np.ndarray:
    """The same with those around greater ones."""
    found, strips = [np.zeros((0, 4))], value.shape[0] // piece
    for first in range(0, strips, BLOCK):
        rows = value[first * piece:min(first + BLOCK, strips) * piece]
        left = sums_right(np.ascontiguousarray(rows[:, ::-1]), piece)[:, :0:-1, ::-1]
        right = sums_right(rows, piece)
        strip, x = np.nonzero(np.maximum(left.max(axis=1), right.max(axis=1)) >= least)
        column = np.concatenate([left[strip, :, x], right[strip, :, x]], axis=1)
        best = column.argmax(axis=1)
        found.append(np.stack([strip + first, x, best - (piece - 1), column[np.arange(len(x)), best]], axis=1))
    return np.concatenate(found)


def chains(found: np.ndarray, least: float) -> list[tuple[float, np.ndarray]]:
    """Pieces that continue each other: the sum and the rows of `found` of each chain with a sum of at least `least`."""
    if not len(found):
        return []
    if compiled.loops:
        found, n = np.ascontiguousarray(found), len(found)
        (score, total), (back, size, member) = np.empty((2, n)), np.empty((3, n), np.int64)
        compiled.loops.link(found, n, GAP, PIECE, MISS, TURN, WIDER, MISSED, TURNED, SKIPPED, score, back)
        many = compiled.loops.trace(np.argsort(-score, kind="stable"), score, back, n, least, total, size, member)
        ends = np.cumsum(size[:many]).tolist()
        return [(t, member[begin:end][::-1]) for t, begin, end in zip(total[:many].tolist(), [0, *ends], ends)]
    strip, x, reach, value = found[:, 0].astype(int), found[:, 1], found[:, 2], found[:, 3]
    end, score, back = x + reach, value.copy(), np.full(len(found), -1)
    starts = np.searchsorted(strip, np.arange(strip[-1] + 2))
    for s in range(strip[0] + 1, strip[-1] + 1):
        me = np.arange(starts[s], starts[s + 1])
        for gap in range(min(GAP + 1, s)):
            them = np.arange(starts[s - 1 - gap], starts[s - gap])
            if not len(me) or not len(them):
                continue
            slope = (reach[me][:, None] + reach[them]) / (2 * (PIECE - 1))
            miss = np.abs(x[me][:, None] - end[them] - slope * (1 + gap * PIECE))
            turn = np.abs(reach[me][:, None] - reach[them])
            gain = score[them] - TURNED * turn - MISSED * miss - SKIPPED * gap
            gain[(miss > MISS + WIDER * gap) | (turn > TURN)] = 0
            best = gain.argmax(axis=1)
            more = value[me] + gain[np.arange(len(me)), best]
            up = more > score[me]
            score[me[up]], back[me[up]] = more[up], them[best[up]]
    free, out = np.ones(len(found), bool), []
    for i in np.argsort(-score, kind="stable").tolist():
        chain, k = [], i
        while k >= 0 and free[k]:
            free[k] = False
            chain.append(k)
            k = back[k]
        total = score[i] - (score[k] if k >= 0 else 0)
        if chain and total >= least:
            out.append((float(total), np.array(chain[::-1])))
    return out

"""One resampling: a turned, cropped picture out of a capture.

A rotation is three shears (Unser, Thevenaz and Yaroslavsky, "Convolution-based interpolation for fast, high-quality
rotation of images", IEEE Trans. Image Processing 4(10), 1995), each a shift of whole rows or columns, each a short
convolution with the same weights along a row: at the speed of memory in plain numpy, and sharper than one pass of
two-dimensional cubic interpolation. Anything that is not a rotation goes through scipy.
"""
from __future__ import annotations

import math
from functools import lru_cache

import numpy as np

from .values import frozen
from . import kernel

#: Half the support of the interpolating kernel, in pixels.
LOBES = 3
TAPS = 2 * LOBES
#: Kaiser's parameter: a sinc of six taps under this window keeps detail to half a cycle in two pixels within 1.5 %,
#: and slow gradients within 0.2 % (Lanczos-3: 2.3 % and 0.6 %; cubic convolution: 12 % and 0.2 %).
BETA = 5.0
#: How far a value may lie below both samples it is between: by this share of the lesser one, and in a trough, where the samples beyond
#: both are higher, by this share of the lesser of those steps. Beside an edge a sinc swings by a tenth of its step: on the dense side
#: of one of twenty to one that would be less than no light, a coloured white line in the positive.
BELOW, TROUGH = 0.1, 0.5
#: Steps a pixel of the table of weights.
FINE = 4096
#: A turn that moves no pixel of the picture by more than this is not worth blurring it for.
NEGLIGIBLE = 0.25


@frozen
class Cut:
    """Where each pixel of a picture comes from.

    Attributes
    ----------
    matrix : 2x3 tuple
        Output x, y, 1 to capture x, y; pixel centres at integers.
    shape : tuple
        Height and width of the output in pixels.

    Examples
    --------
    >>> Cut.rectangle(10, 20, 300, 200).to_capture(0, 0)
    (10.0, 20.0)
    """

    matrix: tuple[tuple[float, float, float], tuple[float, float, float]]
    shape: tuple[int, int]

    @classmethod
    def rectangle(cls, x: float, y: float, w: int, h: int) -> Cut:
        """An upright cut."""
        return cls(((1.0, 0.0, float(x)), (0.0, 1.0, float(y))), (int(h), int(w)))

    @property
    def angle(self) -> float:
        """The turn in degrees, of the output's x axis in the capture (y down)."""
        return math.degrees(math.atan2(self.matrix[1][0], self.matrix[0][0]))

    def to_capture(self, x: float, y: float) -> tuple[float, float]:
        """Output coordinates to capture coordinates."""
        (a, b, c), (d, e, f) = self.matrix
        return a * x + b * y + c, d * x + e * y + f

    def reduced(self, k: int) -> Cut:
        """The same cut of a capture reduced k times (proxy centre x is capture ``x * k + (k - 1) / 2``)."""
        shift = (k - 1) / 2
        (a, b, c), (d, e, f) = self.matrix
        moved = ((a, b, (a * shift + b * shift + c - shift) / k), (d, e, (d * shift + e * shift + f - shift) / k))
        return Cut(moved, (max(1, self.shape[0] // k), max(1, self.shape[1] // k)))

    def snapped(self) -> Cut:
        """The same cut on whole pixels when its turn is negligible, so that nothing is interpolated for nothing."""
        linear = np.array(self.matrix)[:, :2]
        near = np.round(linear)
        reach = np.abs((linear - near) @ np.array([self.shape[1], self.shape[0]]) / 2).max()
        if reach > NEGLIGIBLE or abs(abs(np.linalg.det(near)) - 1) > 1e-9:
            return self
        middle = np.array([(self.shape[1] - 1) / 2, (self.shape[0] - 1) / 2])
        origin = np.round(np.array(self.matrix)[:, 2] + (linear - near) @ middle)
        return Cut(tuple((*map(float, near[i]), float(origin[i])) for i in range(2)), self.shape)

    def to_dict(self) -> dict:
        return {"matrix": [list(row) for row in self.matrix], "shape": list(self.shape)}

    @classmethod
    def from_dict(cls, values: dict) -> Cut:
        return cls(tuple(tuple(map(float, row)) for row in values["matrix"]), tuple(map(int, values["shape"])))


def cut(array: np.ndarray, where: Cut) -> np.ndarray:
    """The picture a `Cut` describes, resampled once.

    Parameters
    ----------
    array : ndarray (H, W) or (H, W, C), unsigned or float32
    where : Cut

    Returns
    -------
    ndarray float32 (h, w) or (h, w, C)
        Beyond the array's edge its last pixels are repeated.

    Examples
    --------
    >>> import numpy as np
    >>> float(cut(np.eye(9, dtype=np.float32), Cut.rectangle(2, 2, 4, 4)).sum())
    4.0
    """
    flat = array.ndim == 2
    source = array[..., None] if flat else array
    shears = Shears.of(where, source.shape[:2])
    if shears is None:
        out = _general(source, where)
    else:
        out = shears.finish(shears.start(source))
    return out[..., 0] if flat else out


def sinc_weights(shift: np.ndarray) -> np.ndarray:
    """float32 (..., 6): weights of samples -2..3 for a position `shift` (-0.5..1.5) right of sample 0; they sum to one.

    A sinc under a Kaiser window (Kaiser, "Nonrecursive digital filter design using the I0-sinh window function",
    Proc. IEEE ISCAS 1974), from a table of 1/4096 pixel.
    """
    return _weights().take(np.rint((np.asarray(shift) + 0.5) * FINE).astype(np.intp), axis=0)


@lru_cache(maxsize=1)
def _weights() -> np.ndarray:
    t = np.arange((2 * LOBES + 1) * FINE // 2 + 1) / FINE
    half = np.sinc(t) * np.i0(BETA * np.sqrt(np.maximum(1 - (t / LOBES) ** 2, 0)))
    weights = half[np.abs(np.arange(-FINE // 2, 3 * FINE // 2 + 1)[:, None] - FINE * np.arange(1 - LOBES, LOBES + 1))]
    return (weights / weights.sum(axis=-1, keepdims=True)).astype(np.float32)


@frozen
class Shears:
    """A cut as rows shifted, columns shifted, rows shifted; after an exact quarter turn or mirroring.

    With a = -tan(angle / 2) and b = sin(angle): the plane ``between`` has the capture's rows, each shifted by
    ``a * row``; its columns are then shifted by ``b * column``, and its rows once more by ``a * row``.
    """

    turn: np.ndarray            # exact 2x2 of 0, 1, -1: sheared coordinates to capture coordinates
    origin: tuple[float, float]  # where output (0, 0) lies, in turned capture coordinates
    shape: tuple[int, int]      # of the output
    size: tuple[int, int]       # of the turned capture
    a: float
    b: float

    @classmethod
    def of(cls, where: Cut, size: tuple[int, int]) -> Shears | None:
        """None when the cut is not a rotation (it scales or skews)."""
        matrix = np.array(where.matrix)
        turn = np.round(matrix[:, :2] / np.abs(matrix[:, :2]).max())
        if abs(abs(np.linalg.det(turn)) - 1) > 1e-9:
            return None
        rest = turn.T @ matrix[:, :2]
        angle = math.atan2(rest[1, 0], rest[0, 0])
        ideal = np.array([[math.cos(angle), -math.sin(angle)], [math.sin(angle), math.cos(angle)]])
        if np.abs(rest - ideal).max() * max(where.shape) > 0.05:
            return None
        # The capture seen through the turn: its corner (0, 0) moves where an axis is reversed.
        h, w = size
        full = np.array([w, h]) if turn[0, 0] else np.array([h, w])
        reach = np.where(turn.T @ np.ones(2) < 0, full - 1, 0)
        origin = turn.T @ matrix[:, 2] + reach
        return cls(turn, (float(origin[0]), float(origin[1])), where.shape, (int(full[1]), int(full[0])),
                   -math.tan(angle / 2), math.sin(angle))

    @property
    def cosine(self) -> float:
        """Of the turn."""
        return math.sqrt(1 - self.b ** 2)

    @property
    def still(self) -> bool:
        """True when nothing is interpolated: no turn, whole pixels."""
        return self.b == 0 and self.origin[0] == round(self.origin[0]) and self.origin[1] == round(self.origin[1])

    def turned(self, source: np.ndarray) -> np.ndarray:
        """A view of the capture through the exact turn."""
        if self.turn[0, 0] == 0:
            source = source.swapaxes(0, 1)
        flip_x, flip_y = self.turn.T @ np.ones(2) < 0
        return source[::-1 if flip_y else 1, ::-1 if flip_x else 1]

    @property
    def columns(self) -> tuple[int, int]:
        """First column and number of columns of the plane between, in output coordinates."""
        drift = self.a * (self.shape[0] - 1)
        first = math.floor(min(0.0, drift)) - LOBES
        return first, math.ceil(self.shape[1] - 1 + max(0.0, drift)) + LOBES + 1 - first

    @property
    def lines(self) -> tuple[int, int]:
        """First row of the turned capture that is needed, and how many."""
        first, count = self.columns
        ends = [self.b * x for x in (first, first + count - 1)]
        top = math.floor(self.origin[1] + min(ends)) - LOBES
        return top, math.ceil(self.origin[1] + max(ends)) + self.shape[0] + LOBES - top

    def start(self, source: np.ndarray) -> np.ndarray:
        """Rows shifted: float32 (lines, columns, C)."""
        view, (_, count), (top, lines) = self.turned(source), self.columns, self.lines
        plane = np.empty((lines, count, source.shape[2]), np.float32)
        rows = np.clip(np.arange(top, top + lines), 0, self.size[0] - 1)
        for i in range(0, lines, 16):
            self.shift_in(np.ascontiguousarray(view[rows[i:i + 16]], np.float32), top + i, plane[i:i + 16])
        return plane

    def shift_in(self, rows: np.ndarray, line: int, out: np.ndarray) -> None:
        """Turned capture rows ``line, line + 1, ...`` into the plane's columns."""
        at = self.origin[0] + self.a * (np.arange(line, line + len(rows)) - self.origin[1]) + self.columns[0]
        RowShifts.to(at).rows(rows, 0, out)

    def shifts(self, channels: int) -> ColumnShifts:
        """How the columns of the plane are shifted."""
        (first, count), (top, _) = self.columns, self.lines
        at = self.origin[1] - top + self.b * (first + np.arange(count))
        whole = np.floor(at).astype(np.int64)
        runs = np.concatenate([[0], np.flatnonzero(np.diff(whole)) + 1, [count]])
        weights = np.repeat(sinc_weights(at - whole), channels, axis=0).T.copy()
        return ColumnShifts(runs * channels, whole[runs[:-1]] + 1 - LOBES, weights)

    def shifts_out(self) -> RowShifts:
        """How rows of the plane whose columns were shifted become rows of the output."""
        return RowShifts.to(self.a * np.arange(self.shape[0]) - self.columns[0])

    def finish(self, plane: np.ndarray) -> np.ndarray:
        """The output from the plane that `start` made."""
        shifts, shifts_out = self.shifts(plane.shape[2]), self.shifts_out()
        out = np.empty(self.shape + (plane.shape[2],), np.float32)
        rows = np.empty((16, *plane.shape[1:]), np.float32)
        for y in range(0, self.shape[0], 16):
            n = min(16, self.shape[0] - y)
            shifts.rows(plane, y, rows[:n])
            shifts_out.rows(rows[:n], y, out[y:y + n])
        return out


@frozen(eq=False)
class ColumnShifts:
    """Columns of a plane shifted, each by its own amount.

    Attributes
    ----------
    starts : ndarray int64 (R + 1,)
        Where runs of columns that share their whole pixels begin and end, in values of a line.
    low : ndarray int64 (R,)
        The first of the six lines that make row 0 of each run.
    weights : ndarray float32 (6, values of a line)
    """

    starts: np.ndarray
    low: np.ndarray
    weights: np.ndarray

    def needed(self, y0: int, y1: int) -> tuple[int, int]:
        """The lines that make rows y0..y1: the first, and the one after the last."""
        return y0 + int(self.low.min()), y1 - 1 + int(self.low.max()) + TAPS

    def rows(self, ring: np.ndarray, y: int, out: np.ndarray) -> None:
        """Rows ``y, y + 1, ...`` with their columns shifted.

        Parameters
        ----------
        ring : ndarray float32 (L, columns, C)
            Line i of the plane is ``ring[i % L]``; those needed must be there.
        out : ndarray float32 (n, columns, C)
        """
        n, lines = len(out), len(ring)
        if kernel.loops is not None:
            kernel.loops.shift_columns(ring, lines, self.weights.shape[1], y, n, self.starts, self.low, len(self.low),
                                       self.weights, out)
            return
        flat, to = ring.reshape(lines, -1), out.reshape(n, -1)
        for start, stop, low in zip(self.starts[:-1], self.starts[1:], self.low):
            block = flat[(low + y + np.arange(n + TAPS - 1)) % lines, start:stop]
            total = block[:n] * self.weights[0, start:stop]
            for k in range(1, TAPS):
                total += block[k:k + n] * self.weights[k, start:stop]
            to[:, start:stop] = _held(total, *(block[k:k + n] for k in range(1, TAPS - 1)))


@frozen(eq=False)
class RowShifts:
    """Rows shifted, each by its own amount.

    Attributes
    ----------
    low : ndarray int64 (n,)
        The first of the six samples that make the first of each row.
    weights : ndarray float32 (n, 6)
    """

    low: np.ndarray
    weights: np.ndarray

    @classmethod
    def to(cls, at: np.ndarray) -> RowShifts:
        """Shifts that put what lies at ``x + at[i]`` of row i at x."""
        whole = np.floor(at).astype(np.int64)
        return cls(whole + 1 - LOBES, sinc_weights(at - whole))

    def rows(self, rows: np.ndarray, first: int, out: np.ndarray) -> None:
        """Rows ``first, first + 1, ...`` shifted.

        Parameters
        ----------
        rows : ndarray float32 (n, W, C)
            Its edges repeat.
        out : ndarray float32 (n, w, C)
        """
        n, width, channels = out.shape
        low, weights = self.low[first:first + n], self.weights[first:first + n]
        if kernel.loops is not None and rows.flags.c_contiguous and out.flags.c_contiguous:
            kernel.loops.shift_rows(rows, n, rows.shape[1], channels, low, weights, out, width)
            return
        length = (width + TAPS - 1) * channels
        line = np.empty((n, length), np.float32)
        for i in range(n):
            left, right = min(max(0, -low[i]), width + TAPS - 1), min(max(0, low[i] + width + TAPS - 1 - rows.shape[1]), width + TAPS - 1)
            row = line[i].reshape(-1, channels)
            row[left:len(row) - right] = rows[i, max(low[i], 0):max(low[i], 0) + len(row) - left - right]
            row[:left] = rows[i, 0]
            if right:
                row[len(row) - right:] = rows[i, -1]
        flat = out.reshape(n, -1) if out.flags.c_contiguous else np.empty((n, width * channels), np.float32)
        np.multiply(line[:, :width * channels], weights[:, :1], out=flat)
        part = np.empty_like(flat)
        for k in range(1, TAPS):
            flat += np.multiply(line[:, k * channels:k * channels + width * channels], weights[:, k:k + 1], out=part)
        _held(flat, *(line[:, k * channels:k * channels + width * channels] for k in range(1, TAPS - 1)))
        if not out.flags.c_contiguous:
            out[...] = flat.reshape(out.shape)


def _held(values: np.ndarray, a: np.ndarray, b: np.ndarray, c: np.ndarray, d: np.ndarray) -> np.ndarray:
    """In place: values between b and c of the samples a, b, c, d, no further below both than `BELOW` and `TROUGH` say."""
    low, deep = np.minimum(b, c), np.maximum(np.minimum(a - b, d - c), np.float32(0))
    return np.maximum(values, low - np.float32(BELOW) * np.abs(low) - np.float32(TROUGH) * deep, out=values)


def _general(source: np.ndarray, where: Cut) -> np.ndarray:
    from scipy.ndimage import affine_transform

    (a, b, c), (d, e, f) = where.matrix
    out = np.empty(where.shape + (source.shape[2],), np.float32)
    for channel in range(source.shape[2]):
        affine_transform(source[..., channel].astype(np.float32), np.array([[e, d], [b, a]]), (f, c), where.shape,
                         out[..., channel], order=3, mode="nearest")
    return out

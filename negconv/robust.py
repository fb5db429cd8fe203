"""Median and quantiles, without what numpy's own ask of every call: `numpy.ma`, whose import the first of them waits for,
takes longer than a hundred medians."""
from __future__ import annotations

import numpy as np


def median(values, axis: int | None = None):
    """As `numpy.median` to the bit, in a tenth of the time where there are few values.

    Parameters
    ----------
    values : array_like
    axis : int, optional
        By default over all values.

    Returns
    -------
    ndarray or scalar
        nan where a value is, and where there are none.

    Examples
    --------
    >>> float(median([3, 1, 2, 10])), median([[1.0, 5.0], [2.0, 7.0], [9.0, 6.0]], axis=0).tolist()
    (2.5, [2.0, 6.0])
    """
    values = np.asarray(values)
    if axis is None:
        values, axis = values.reshape(-1), 0
    count = values.shape[axis]
    if count and values.ndim == 1:
        low, high, top = _at(values, count // 2, 0)
        return top if top != top else (low + high) / 2 if count % 2 == 0 else high / 1
    if not count:
        return np.full(np.delete(values.shape, axis), np.nan)[()]
    low, high, top = _at(values, count // 2, axis)
    middle, nan = (low + high) / 2 if count % 2 == 0 else high / 1, top != top
    return np.where(nan, top, middle)[()] if nan.any() else middle


def quantile(values, share: float, axis: int | None = None):
    """As `numpy.quantile`: between the values on both sides of a share (0..1) of them, in float64; nan where a value is.

    Examples
    --------
    >>> float(quantile([3.0, 1.0, 2.0, 10.0], 0.25))
    1.75
    """
    values = np.asarray(values)
    if axis is None:
        values, axis = values.reshape(-1), 0
    last = values.shape[axis] - 1
    place = share * last
    above = min(int(place) + 1, last)
    low, high, top = (np.asarray(v, float) for v in _at(values, above, axis))
    return np.where(np.isnan(top), top, low + (high - low) * (place - max(above - 1, 0)))[()]


def _at(values: np.ndarray, above: int, axis: int):
    """The value before place `above` among the sorted ones, the one there, and the largest, nan where one is. One place is
    asked of numpy: two take it ten times as long."""
    part = np.partition(values if values.ndim == 1 else np.ascontiguousarray(np.moveaxis(values, axis, -1)), above, axis=-1)
    return part[..., :max(above, 1)].max(axis=-1), part[..., above], part[..., above:].max(axis=-1)

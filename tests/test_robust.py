"""Median and quantiles against numpy's own."""
from __future__ import annotations

import warnings

import numpy as np
import pytest

from negconv.robust import median, quantile


@pytest.mark.parametrize("dtype", [np.float32, np.float64, np.int64])
@pytest.mark.parametrize("shape, axis", [((1,), None), ((2,), 0), ((7,), None), ((8, 5), 0), ((3, 10), 1), ((3, 11), -1),
                                         ((4, 3, 2), None), ((4, 3, 2), 1), ((0,), None), ((3, 0), 1), ((0, 3), 0)])
@pytest.mark.parametrize("nan", [False, True])
def test_median_is_numpys(dtype, shape, axis, nan):
    rng = np.random.default_rng(len(shape))
    for _ in range(20):
        values = (rng.normal(0, 100, shape)).astype(dtype)
        if nan and dtype != np.int64 and values.size:
            values.flat[rng.integers(values.size)] = np.nan
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # numpy's own about no values
            expected = np.median(values, axis=axis)
        got, before = median(values, axis=axis), values.copy()
        assert np.shape(got) == np.shape(expected)
        np.testing.assert_array_equal(got, expected)
        np.testing.assert_array_equal(values, before)
        if values.size:
            assert np.asarray(got).dtype == expected.dtype


@pytest.mark.parametrize("dtype", [np.float32, np.float64, np.int64])
@pytest.mark.parametrize("shape, axis", [((1,), None), ((2,), 0), ((7,), None), ((800, 3), 0), ((3, 101), 1), ((4, 3, 2), None)])
def test_quantile_is_numpys(dtype, shape, axis):
    rng = np.random.default_rng(len(shape))
    values = rng.normal(0, 100, shape).astype(dtype)
    for share in (0.0, 0.001, 0.1, 0.5, 0.99, 1.0):
        np.testing.assert_allclose(quantile(values, share, axis=axis), np.quantile(values.astype(float), share, axis=axis), rtol=1e-12)
    values = values.astype(float)
    values.flat[0] = np.nan
    np.testing.assert_array_equal(np.isnan(quantile(values, 0.3, axis=axis)), np.isnan(np.quantile(values, 0.3, axis=axis)))

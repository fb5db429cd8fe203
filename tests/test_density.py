"""Densities, curves and the published density encodings against ISO 5, SMPTE ST 2065-3 and the ACES reference."""
from __future__ import annotations

import numpy as np
import pytest

from negconv.density import ADX10, ADX16, Curve, TableCurve, density, transmittance, unmix

# ISO 5-1:2009, 4: density is the negative decadic logarithm of transmittance.
KNOWN = {1.0: 0.0, 0.1: 1.0, 0.01: 2.0, 0.5: 0.30103, 0.25: 0.60206, 0.001: 3.0}

# SMPTE ST 2065-3:2012 (encoding) and the ACES transforms ADX10 and ADX16 to ACES (a1.0.3); matrices act on row vectors.
TO_INDEPENDENT = ((0.75573, 0.05901, 0.16134), (0.22197, 0.96928, 0.07406), (0.0223, -0.02829, 0.7646))
TO_ACES = ((0.72286, 0.11923, 0.01427), (0.1263, 0.76418, 0.08213), (0.15084, 0.11659, 0.90359))
TABLE = ((-0.19, -6.0), (0.01, -2.721718645), (0.028, -2.521718645), (0.054, -2.321718645), (0.095, -2.121718645),
         (0.145, -1.921718645), (0.22, -1.721718645), (0.3, -1.521718645), (0.4, -1.321718645), (0.5, -1.121718645),
         (0.6, -0.926545676714876))
#: Above density 0.6 the reference goes on at 100/55, through the grey of 18 % at ADX16 code 7120.
SLOPE = 100 / 55
WORKED = (
    (ADX10, (95, 95, 95), (0.00130126961, 0.00130126961, 0.0013012566)),
    (ADX10, (445, 445, 445), (0.18, 0.18, 0.1799982)),
    (ADX10, (180, 300, 420), (0.0351726082, 0.0483605334, 0.0913483677)),
    (ADX10, (620, 510, 430), (0.517778693, 0.353300621, 0.231017382)),
    (ADX10, (1023, 1023, 1023), (22.7557255, 22.7557255, 22.755498)),
    (ADX16, (1520, 1520, 1520), (0.00130126961, 0.00130126961, 0.0013012566)),
    (ADX16, (7120, 7120, 7120), (0.18, 0.18, 0.1799982)),
    (ADX16, (2900, 4800, 6700), (0.0352376605, 0.0483452741, 0.0907653208)),
    (ADX16, (10000, 8000, 7000), (0.522589031, 0.335895604, 0.238722792)),
    (ADX16, (65535, 20000, 30000), (8189003850.0, 1350747040.0, 162009748.0)),
)


@pytest.mark.parametrize("light, expected", KNOWN.items())
def test_density_is_that_of_iso_5(light, expected):
    assert density(light) == pytest.approx(expected, abs=1e-5)
    assert transmittance(expected) == pytest.approx(light, rel=1e-5)


def test_density_above_a_base_is_a_ratio():
    np.testing.assert_allclose(density([0.05, 0.02], (0.5, 0.2)), 1.0, atol=1e-12)


def test_density_of_no_light_is_finite():
    with np.errstate(divide="raise", invalid="raise"):
        assert np.isfinite(density(np.array([0.0, -0.3, np.nan], np.float32))).all()


@pytest.mark.parametrize("base", [0.0, -0.1, np.nan])
def test_a_base_without_light_is_refused(base):
    with pytest.raises(ValueError, match="base"):
        density(0.1, base)


def test_single_precision_stays_single():
    d = density(np.float32([0.5, 0.1]))
    assert d.dtype == np.float32 and unmix(np.ones((2, 3), np.float32), np.eye(3)).dtype == np.float32
    assert Curve(0.6, -2, 0.2, 2.2, 0.2).log_exposure(d).dtype == np.float32


def test_densities_and_encodings_of_the_exchange_standard():
    # ST 2065-3: ADX10 spans -0.19 to 1.856 and ADX16 -0.19 to 8.001875.
    assert ADX10.range == pytest.approx((-0.19, 1.856), abs=1e-12)
    assert ADX16.range == pytest.approx((-0.19, 8.001875), abs=1e-12)
    for encoding in (ADX10, ADX16):
        codes = np.arange(2 ** encoding.bits)
        np.testing.assert_array_equal(encoding.encode(encoding.decode(codes)), codes)
        assert encoding.encode([-5.0, 50.0]).tolist() == [0, 2 ** encoding.bits - 1]


@pytest.mark.parametrize("encoding, code, aces", WORKED)
def test_the_exchange_transform_comes_out_as_the_reference(encoding, code, aces):
    line = SLOPE * 0.6 - ((7120 - 1520) / 8000 * SLOPE - np.log10(0.18))
    assert TABLE[-1][1] == pytest.approx(line, abs=1e-9)
    curve = TableCurve(TABLE + ((10.0, line + SLOPE * 9.4),))
    channels = unmix(encoding.decode(code), np.transpose(TO_INDEPENDENT))
    np.testing.assert_allclose(10.0 ** curve.log_exposure(channels) @ TO_ACES, aces, rtol=1e-5)


def test_a_table_curve_matches_numpy_between_its_points():
    d, x = np.array(TABLE).T
    at = np.linspace(d[0], d[-1], 1001)
    np.testing.assert_allclose(TableCurve(TABLE).log_exposure(at), np.interp(at, d, x), atol=1e-12)


@pytest.mark.parametrize("curve", [Curve(0.6, -2.0), Curve(0.62, -2.1, 0.25), Curve(0.7, -1.9, 0.2, 2.2, 0.3), TableCurve(TABLE)])
def test_a_curve_and_its_inverse(curve):
    d = np.linspace(-4, 8, 4001)
    x = curve.log_exposure(d)
    assert np.isfinite(x).all() and (np.diff(x) > 0).all()
    low, high = (0.05, 0.55) if isinstance(curve, TableCurve) or curve.top is None else (0.05, 2.0)
    on = (d > low) & (d < high)
    np.testing.assert_allclose(curve.density(x[on]), d[on], atol=1e-9)


def test_a_curve_has_the_shape_it_says():
    curve = Curve(0.65, -2.0, 0.2, 2.4, 0.25)
    slope = np.gradient(curve.density(np.linspace(-1.2, -0.2, 101)), 0.01)
    assert np.abs(slope / 0.65 - 1).max() < 0.03  # straight in between
    assert curve.density(-8.0) == pytest.approx(0, abs=1e-9)
    assert curve.density(20.0) == pytest.approx(2.4, abs=1e-3)
    assert curve.density(-2.0) == pytest.approx(0.65 * 0.2 * np.log(2), rel=1e-3)


@pytest.mark.parametrize("bad", [dict(gamma=0), dict(gamma=-0.5), dict(toe=-1), dict(start=np.nan), dict(top=0.0)])
def test_what_is_no_curve_is_refused(bad):
    with pytest.raises(ValueError):
        Curve(**bad)


@pytest.mark.parametrize("points", [(), ((0, 0),), ((0, 0), (1, 0)), ((1, 0), (0, 1)), ((0, 0), (1, np.nan))])
def test_what_is_no_table_is_refused(points):
    with pytest.raises(ValueError):
        TableCurve(points)


def test_curves_go_to_plain_values_and_back():
    for curve in (Curve(0.6, -2), Curve(0.7, -1.9, 0.2, 2.2, 0.3), TableCurve(TABLE)):
        assert type(curve).from_dict(curve.to_dict()) == curve

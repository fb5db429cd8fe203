"""Properties that hold for every number: monotone, inverse, finite, and blind to what physics says does not matter."""
from __future__ import annotations

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from negconv import colour, density
from negconv.balance import Balance, solve_balance
from negconv.base import FilmBase
from negconv.capture import Capture, block_mean
from negconv.reading import read
from negconv.conversion import Plan, apply, convert
from negconv.density import ADX10, ADX16, Curve, TableCurve
from negconv.film import Film
from negconv.flat import flatten, panel_field
from negconv.resample import Cut, cut, sinc_weights
from negconv.tone import ToneCurve

settings.register_profile("quick", deadline=None, max_examples=60)
settings.load_profile("quick")

WHATEVER = st.floats(allow_nan=True, allow_infinity=True)
FINITE = st.floats(-1e30, 1e30)
LIGHT = st.floats(1e-5, 1.0)
RGB = st.tuples(LIGHT, LIGHT, LIGHT)


def curves():
    """Characteristic curves with and without toe and shoulder, and tables."""
    plain = st.builds(Curve, gamma=st.floats(0.2, 3), start=st.floats(-4, 1), toe=st.floats(0, 0.6),
                      top=st.none() | st.floats(0.8, 4), shoulder=st.floats(0, 0.5))
    steps = st.lists(st.tuples(st.floats(0.05, 1), st.floats(0.05, 1)), min_size=2, max_size=8)
    return plain | steps.map(lambda s: TableCurve(tuple(map(tuple, np.cumsum(s, axis=0).tolist()))))


def tones():
    return st.builds(ToneCurve, exposure=st.floats(-10, 10), contrast=st.floats(0.25, 4), toe=st.floats(0, 4),
                     shoulder=st.floats(0, 8))


# ---- density ------------------------------------------------------------------------------------------------------

@given(st.floats(-1, 5.9), st.floats(0.01, 1.2))
def test_density_and_transmittance_are_inverse(d, base):
    assert abs(density.density(density.transmittance(d) * base, base) - d) < 1e-9


@given(hnp.arrays(float, 12, elements=WHATEVER), st.floats(1e-3, 10))
def test_density_of_whatever_number_is_finite_and_falls_with_light(light, base):
    got = density.density(light, base)
    assert not np.isnan(got).any() and not (got == np.inf).any()
    assert np.isfinite(got[np.isfinite(light)]).all()
    order = np.sort(light[~np.isnan(light)])
    falling = density.density(order, base)
    assert (falling[1:] <= falling[:-1]).all()


@given(RGB, st.floats(0.05, 20))
def test_density_above_base_does_not_see_the_exposure(rgb, scale):
    base = np.array((0.5, 0.3, 0.15))
    light = np.array(rgb) * base
    assume((light > 1e-5).all())
    a, b = density.density(light, base), density.density(light * scale, base * scale)
    assert np.allclose(a, b, atol=1e-9)


@given(curves(), hnp.arrays(float, 30, elements=st.floats(-3, 8)))
def test_a_curve_is_finite_and_never_falls(curve, values):
    values = np.sort(values)
    for function in (curve.density, curve.log_exposure):
        got = function(values)
        assert np.isfinite(got).all()
        assert (np.diff(got) >= -1e-9).all()
    assert np.isfinite(curve.log_exposure(np.float32([-1e6, 1e6]))).all()


@given(curves(), st.floats(-2, 4))
def test_a_curve_has_an_inverse_where_it_has_a_slope(curve, log_h):
    d = float(curve.density(log_h))
    slope = (float(curve.density(log_h + 1e-4)) - float(curve.density(log_h - 1e-4))) / 2e-4
    if isinstance(curve, TableCurve):
        assert abs(float(curve.log_exposure(d)) - log_h) < 1e-6
    # The notes of `Curve`: inverse in closed form above a tenth (toe) and a quarter (shoulder) of the slope.
    elif slope > 0.3 * curve.gamma and log_h > curve.start + 0.01:
        assert abs(float(curve.log_exposure(d)) - log_h) < 1e-5


@given(st.integers(0, 1023), st.integers(0, 65535))
def test_density_encodings_give_back_their_codes(ten, sixteen):
    """SMPTE ST 2065-3: a code stands for a density and the density for the code."""
    assert ADX10.encode(ADX10.decode(ten)) == ten and ADX16.encode(ADX16.decode(sixteen)) == sixteen


@given(hnp.arrays(float, (5, 3), elements=st.floats(-1, 5)), st.permutations((0, 1, 2)),
       hnp.arrays(float, (3, 3), elements=st.floats(-1, 2)))
def test_unmixing_does_not_see_the_order_of_channels(values, order, matrix):
    order = list(order)
    assert np.allclose(density.unmix(values[:, order], matrix[np.ix_(order, order)]),
                       density.unmix(values, matrix)[:, order])


# ---- colour -------------------------------------------------------------------------------------------------------

@given(st.sampled_from(sorted(colour.SPACES)), st.floats(-4, 4))
def test_transfer_functions_are_inverse_odd_and_finite(space, value):
    assert abs(float(colour.decode(colour.encode(value, space), space)) - value) < 1e-6 * max(1, abs(value))
    assert float(colour.encode(-value, space)) == -float(colour.encode(value, space))
    assert np.isfinite(colour.encode(np.float32([-3e38, 3e38, 1e-45]), space)).all()


@given(st.sampled_from(sorted(colour.SPACES)), hnp.arrays(float, 40, elements=FINITE))
def test_transfer_functions_never_fall(space, values):
    values = np.sort(values)
    assert (np.diff(colour.encode(values, space)) >= 0).all()


@given(st.sampled_from(sorted(colour.SPACES)), st.sampled_from(sorted(colour.SPACES)), RGB)
def test_matrices_are_inverse_and_keep_grey(source, target, rgb):
    there, back = np.array(colour.matrix(source, target)), np.array(colour.matrix(target, source))
    assert np.allclose(back @ (there @ rgb), rgb, atol=1e-9)
    assert np.allclose(there @ np.ones(3), 1, atol=2e-4)          # each standard rounds its white to four places


# ---- tone ---------------------------------------------------------------------------------------------------------

@given(tones(), hnp.arrays(np.float32, 40, elements=st.floats(width=32, allow_nan=True, allow_infinity=True)))
def test_a_tone_curve_takes_whatever_number(tone, values):
    assume(tone != ToneCurve.off())
    with np.errstate(invalid="ignore"):
        out = tone.apply(values)
    assert np.isfinite(out).all() and (out >= 0).all() and (out <= 1).all()
    order = np.sort(values[~np.isnan(values)])
    assert (np.diff(tone.apply(order)) >= 0).all()


# ---- resampling -----------------------------------------------------------------------------------------------------

@given(st.floats(-0.5, 1.5))
def test_weights_of_a_shift_add_up_to_one_and_mirror(shift):
    weights = sinc_weights(np.float64(shift)).astype(float)
    assert abs(weights.sum() - 1) < 1e-6
    assert np.allclose(weights[::-1], sinc_weights(np.float64(1 - shift)), atol=1e-6)


@given(st.floats(-180, 180), st.floats(-20, 20), st.floats(-20, 20), st.integers(1, 9), st.integers(1, 12),
       st.integers(1, 7), st.integers(1, 9),
       RGB)
def test_an_even_field_stays_even_under_any_cut(angle, x, y, h, w, rows, columns, rgb):
    """Any turn, any place (outside too), any size down to one pixel, of captures down to one pixel."""
    c, s = np.cos(np.radians(angle)), np.sin(np.radians(angle))
    out = cut(np.full((rows, columns, 3), rgb, np.float32), Cut(((c, -s, x), (s, c, y)), (h, w)))
    assert out.shape == (h, w, 3)
    assert np.allclose(out, np.float32(rgb), rtol=2e-5)


@given(hnp.arrays(np.float32, (7, 9, 3), elements=st.floats(0, 1, width=32)), st.sampled_from((1, 2, 3)),
       st.permutations((0, 1, 2)))
def test_cuts_and_means_do_not_see_the_order_of_channels(array, k, order):
    order = list(order)
    where = Cut(((0.99, -0.1411, 1.2), (0.1411, 0.99, 0.4)), (5, 6))
    assert np.array_equal(cut(array[..., order], where), cut(array, where)[..., order])
    assert np.allclose(block_mean(array[..., order].copy(), k), block_mean(array, k)[..., order], atol=1e-7)


@given(st.integers(1, 40), st.integers(1, 40), st.integers(1, 12))
def test_a_proxy_keeps_the_mean_and_is_never_empty(h, w, side):
    capture = Capture(np.full((h, w, 3), 4321, np.uint16), 16000.0)
    small = capture.proxy(side)
    assert min(small.shape) >= 1 and small.reduced >= 1
    assert np.allclose(small.samples, 4321 / 16000, rtol=1e-6)


# ---- flattening -----------------------------------------------------------------------------------------------------

@given(st.integers(1, 30), st.integers(1, 30), st.tuples(*[st.floats(0.01, 1)] * 3), st.floats(0.1, 0.9))
def test_a_panel_divided_by_itself_is_one(h, w, rgb, level):
    light = np.float32(rgb) / max(rgb) * level
    assume(np.median(light) > 0.025)
    panel = Capture(np.broadcast_to(light, (h, w, 3)).astype(np.float32))
    out = flatten(panel, panel_field(panel))
    assert out.flattened and np.allclose(out.samples, 1, atol=2e-3)


@given(st.floats(0.05, 20), RGB)
def test_flattening_follows_the_exposure(scale, rgb):
    panel = panel_field(Capture(np.full((8, 12, 3), (0.5, 0.6, 0.4), np.float32)))
    light = np.broadcast_to(np.float32(rgb), (8, 12, 3)).astype(np.float32)
    assert np.allclose(flatten(Capture(light * np.float32(scale)), panel).samples,
                       flatten(Capture(light), panel).samples * scale, rtol=1e-4)


# ---- film and balance ------------------------------------------------------------------------------------------------

STRAIGHT = Film("straight", curves=(Curve(0.6, -2),) * 3)


def negative(seed: int, n: int = 400) -> np.ndarray:
    """Densities (n, 3) of a scene on `STRAIGHT`."""
    rng = np.random.default_rng(seed)
    return 0.6 * (np.log10(np.geomspace(0.01, 1.5, n))[:, None] + rng.normal(0, 0.15, (n, 3)) + 2.2)


@given(st.sampled_from((Film.colour(), Film.mono(), STRAIGHT)),
       hnp.arrays(np.float32, (6, 3), elements=st.floats(width=32, allow_nan=True, allow_infinity=True)))
def test_a_film_takes_whatever_light(film, light):
    with np.errstate(all="ignore"):
        d = film.densities(np.clip(np.nan_to_num(light), -1e30, 1e30), (0.5, 0.3, 0.15))
    assert np.isfinite(d).all()
    assert np.isfinite(film.log_exposures(d)).all()
    balance = Balance((1.0,) * film.layers, (-1.0,) * film.layers, (1.0,) * film.layers, (0.01,) * film.layers)
    assert np.isfinite(balance.apply(film, d)).all()


@settings(max_examples=25)
@given(st.integers(0, 1000), st.floats(-0.5, 0.5))
def test_a_balance_undoes_the_exposure_of_the_film(seed, stops):
    """A scene given more light on a straight-line film comes out as before."""
    d = negative(seed)
    more = d + 0.6 * stops * np.log10(2)
    first, second = (solve_balance(v, STRAIGHT).apply(STRAIGHT, v) for v in (d, more))
    assert np.isfinite(first).all()
    assert np.median(np.abs(np.log2(np.maximum(second, 1e-4) / np.maximum(first, 1e-4)))) < 0.15


@settings(max_examples=25)
@given(st.integers(0, 1000), st.sampled_from((0.0, 1e-4, 0.5, 5.0)), st.integers(1, 40),
       st.sampled_from((Film.colour(), Film.mono(), STRAIGHT)))
def test_a_balance_of_whatever_picture_is_finite(seed, spread, n, film):
    """Even pictures, single pixels, noise, densities far over any film's: always finite, always in range."""
    rng = np.random.default_rng(seed)
    d = rng.uniform(-1, 4) + spread * rng.normal(size=(n, 3))
    balance = solve_balance(d, film)
    values = [*balance.slope, *balance.offset, *balance.gain, *balance.black]
    assert np.isfinite(values).all() and min(balance.slope) > 0 and min(balance.gain) > 0
    assert np.isfinite(balance.apply(film, d)).all()


@settings(max_examples=25)
@given(st.floats(0.05, 0.95), st.integers(0, 20))
def test_a_conversion_does_not_see_the_exposure_of_the_copy(scale, seed):
    """Capture and base dimmed alike (the copying camera's exposure): the same positive."""
    rng = np.random.default_rng(seed)
    base = np.array((0.6, 0.4, 0.2))
    light = (base * 10.0 ** -(1.5 * rng.random((24, 36, 3)))).astype(np.float32)
    a = convert(light, base=tuple(base), film="mono", threads=1).linear
    b = convert(light * np.float32(scale), base=tuple(base * scale), film="mono", threads=1).linear
    assert np.allclose(a, b, rtol=2e-3, atol=1e-4)


@settings(max_examples=25)
@given(st.permutations((0, 1, 2)), st.integers(0, 20))
def test_an_inversion_does_not_see_the_order_of_layers(order, seed):
    """With capture, base, film and balance all in another order of channels, only the order of the result changes."""
    order = list(order)
    rng = np.random.default_rng(seed)
    light = (0.5 * 10.0 ** -(1.5 * rng.random((6, 8, 3)))).astype(np.float32)
    base, gammas, offset = np.array((0.6, 0.5, 0.4)), np.array((0.5, 0.6, 0.7)), np.array((-1.0, -1.2, -0.8))

    def positive(which):
        film = Film("x", curves=tuple(Curve(g, -2, 0.1) for g in gammas[which]))
        plan = Plan(Cut.rectangle(0, 0, 8, 6), FilmBase(tuple(base[which])), film, Balance(offset=tuple(offset[which])))
        return apply(Capture(np.ascontiguousarray(light[..., which])), plan, threads=1).linear

    assert np.allclose(positive(order), positive([0, 1, 2])[..., order], rtol=1e-4)


# ---- odd captures ---------------------------------------------------------------------------------------------------

@pytest.mark.parametrize("film", ("colour", "mono"))
@pytest.mark.parametrize("make", (
    # dead and saturated pixels; nothing but one tone; negative after black subtraction; posterised to four levels
    lambda rng: rng.choice(np.float32([0, 1]), (40, 60, 3)),
    lambda rng: np.zeros((40, 60, 3), np.float32) + np.float32(0.2),
    lambda rng: rng.normal(0.01, 0.02, (40, 60, 3)).astype(np.float32),
    lambda rng: (rng.integers(0, 4, (40, 60, 3)) * 60).astype(np.uint8),
    # pixels without light in two channels; single pixels, rows and columns; hardly any light
    lambda rng: np.where(rng.random((40, 60, 1)) < 0.5, np.float32((0.5, 0, 0)), np.float32((0, 0, 0.5))),
    lambda rng: rng.random((1, 1, 3)).astype(np.float32), lambda rng: rng.random((1, 50, 3)).astype(np.float32),
    lambda rng: rng.random((50, 1)).astype(np.float32), lambda rng: np.full((30, 40, 3), 2e-4, np.float32)))
def test_odd_captures_stay_finite(make, film):
    capture = read(make(np.random.default_rng(0)))
    positive = convert(capture, film=film, base=(0.5, 0.3, 0.15), threads=1)
    assert np.isfinite(positive.linear).all() and np.isfinite(positive.density).all()
    values = [*positive.balance.slope, *positive.balance.offset, *positive.balance.gain, *positive.balance.black]
    assert np.isfinite(values).all()
    positive.encode(bits=8, threads=1)

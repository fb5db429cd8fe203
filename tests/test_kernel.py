"""The compiled inner loops against the same steps in numpy, which tests/test_invert.py holds to plain double precision."""
from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from negconv import kernel, levels
from negconv.capture import Capture, block_mean
from negconv.conversion import Plan, apply, stages
from negconv.encode import Encoder
from negconv.faint import best_comb, exposed, near_within, sums_along
from negconv.gate import _boxes, mates
from negconv.invert import invert
from negconv.keen import light_of, smoothed, stretched, told_apart
from negconv.levels import DARK, PANEL, PICTURE, Level, _brightest, brighter, darker_ones, even_tones, log_light, parts
from negconv.rectangles import (WEIGHTS, _gate, area_sums, counts, edge_maps, edges_within, lined_up, rectangles,
                                shares_within, sums_down, tally, turned)
from negconv.resample import RowShifts, sinc_weights
from negconv.sides import crossings, fitted, logs_at
from negconv.tone import ToneCurve

from test_invert import BALANCES, BASE, CAMERA, CUTS, FILMS, panel, picture

pytestmark = pytest.mark.skipif(kernel.loops is None, reason="the inner loops were not compiled here")
LOOPS = kernel.loops


def planned(film, where, balance: str = "plain") -> Plan:
    return Plan(where, BASE, film, BALANCES[balance](film.layers))


def both(monkeypatch, work):
    """What `work` gives with the compiled loops and without."""
    compiled = work()
    monkeypatch.setattr(kernel, "loops", None)
    return compiled, work()


@pytest.mark.parametrize("where", CUTS.values(), ids=CUTS.keys())
@pytest.mark.parametrize("film", FILMS.values(), ids=FILMS.keys())
@pytest.mark.parametrize("lit", [True, False], ids=["panel", "no panel"])
def test_codes_within_one(monkeypatch, film, where, lit):
    capture = Capture(picture(3), 16000.0, CAMERA)
    plan = planned(film, where)
    field = panel() if lit else None

    def work():
        out = []
        for bits, space in ((16, "srgb"), (8, "rec2020"), (16, "linear")):
            encoder = Encoder(ToneCurve(), space=space, bits=bits, grey=film.kind == "mono")
            out.append(invert(capture, plan.cut, stages(plan, CAMERA), field=field, encoder=encoder, keep_density=False)[0])
        return out

    for ours, plain in zip(*both(monkeypatch, work)):
        assert ours.shape == plain.shape and ours.dtype == plain.dtype
        assert np.abs(ours.astype(int) - plain).max() <= 1


@pytest.mark.parametrize("film", FILMS.values(), ids=FILMS.keys())
@pytest.mark.parametrize("dtype", [np.uint16, np.float32])
def test_linear_and_density(monkeypatch, film, dtype):
    samples = picture(5)
    capture = Capture(samples.astype(dtype), 16000.0, CAMERA)
    plan = planned(film, CUTS["turned"], "all")
    ours, plain = both(monkeypatch, lambda: apply(capture, plan, panel=panel()))
    assert np.abs(ours.density - plain.density).max() < 2e-6
    assert np.abs(ours.linear - plain.linear).max() < 1e-5 * np.abs(plain.linear).max()


@pytest.mark.parametrize("width", [1, 5, 6, 7, 40])
def test_shift_rows_at_edges(monkeypatch, width):
    """Positions far outside, on whole pixels and between, rows shorter than the taps: numpy's own convolution says what is right, but
    that nothing swings far below what it lies between."""
    rng = np.random.default_rng(width)
    rows = rng.random((9, width, 3), np.float32)
    at = np.array([-60.3, -5.0, -0.25, 0.0, 0.5, 1.999, width - 2.2, width + 3.0, 500.7])
    out = np.empty((9, 33, 3), np.float32)
    RowShifts.to(at).rows(rows, 0, out)
    for i, (row, start) in enumerate(zip(rows, at)):
        low = int(np.floor(start)) - 2
        padded = row[np.clip(np.arange(low, low + 33 + 5), 0, width - 1)]
        weights = sinc_weights(start - np.floor(start))
        wanted = np.stack([np.convolve(padded[:, c].astype(float), weights[::-1], "valid") for c in range(3)], axis=1)
        a, b, c, d = (padded[k:k + 33].astype(float) for k in (1, 2, 3, 4))
        trough = np.where((a > b) & (d > c), np.minimum(a - b, d - c), 0)
        wanted = np.maximum(wanted, 0.9 * np.minimum(b, c) - 0.5 * trough)
        assert np.abs(out[i] - wanted).max() < 1e-6


def test_logarithm_over_all_of_light():
    """From the brightest light to none, against numpy's logarithm in double precision."""
    light = np.geomspace(1e-5, 50, 30_000).astype(np.float32)
    eye = np.eye(3, dtype=np.float32)
    out, density = np.empty((10_000, 3), np.float32), np.empty(10_000, np.float32)
    weights = np.float32([1, 0, 0])
    LOOPS.develop(light, 10_000, 3, eye, None, eye, weights, np.zeros(6, np.float32), 2, eye, np.zeros(3, np.float32), 1e-7,
                  0.0, 0.5, out, density)
    assert np.abs(density - np.log(light.reshape(-1, 3)[:, 0].astype(float))).max() < 1.5e-6


def test_colours_outside_and_light_without_end(monkeypatch):
    rng = np.random.default_rng(1)
    linear = (rng.normal(0.3, 0.7, (5003, 3)) * np.geomspace(1e-6, 1e6, 5003)[:, None]).astype(np.float32)
    for grey in (False, True):
        values = np.ascontiguousarray(linear[:, :1]) if grey else linear
        for tone in (ToneCurve.off(), ToneCurve()):
            encoder = Encoder(tone, space="display-p3", bits=16, grey=grey)

            def work(encoder=encoder, values=values):
                codes = np.empty(values.shape, np.uint16)
                encoder(values, codes)
                return codes

            with monkeypatch.context() as patch:
                ours, plain = both(patch, work)
            assert np.abs(ours.astype(int) - plain).max() <= 1


@pytest.mark.parametrize("dtype", [np.uint16, np.float32])
@pytest.mark.parametrize("k, channels", [(2, 3), (3, 3), (7, 3), (2, 1), (5, 4)])
def test_block_means_to_the_bit(monkeypatch, dtype, k, channels):
    """Sums are numpy's own, whole numbers of the largest codes and floats added up in the same order."""
    rng = np.random.default_rng(k)
    samples = (rng.random((31, 46, channels)) * 65535).astype(dtype)
    samples[:k, :k] = 65535
    ours, plain = both(monkeypatch, lambda: block_mean(samples, k, 1 / 65535))
    assert ours.shape == (31 // k, 46 // k, channels) and ours.dtype == np.float32
    assert (ours == plain).all() and np.abs(ours[0, 0] - 1).max() < 1e-6
    means = samples[:31 // k * k, :46 // k * k].reshape(31 // k, k, 46 // k, k, channels).mean(axis=(1, 3), dtype=float) / 65535
    assert np.abs(ours - means).max() < 1e-6


@pytest.fixture(scope="module")
def film():
    """A turned picture on rebate in a holder beside panel, with noise and a bar across the opening: log light and its base."""
    rng = np.random.default_rng(8)
    h, w = 217, 334
    y, x = np.mgrid[:h, :w] - np.array([h / 2, w / 2])[:, None, None]
    x, y = x * np.cos(0.03) + y * np.sin(0.03), y * np.cos(0.03) - x * np.sin(0.03)
    light = np.full((h, w), 1.0)
    light[np.abs(y) < 88] = 0.5
    light[(np.abs(y) < 70) & (np.abs(x) < 110)] = 0.2
    light[(np.abs(y) < 40) & (np.abs(x) < 60)] = 0.008
    light[(np.abs(y) > 98) | (np.abs(x) > 150) | (np.abs(x - 130) < 4)] = 0.001
    rgb = light[..., None] * [1.0, 0.7, 0.4] * (1 - 0.02 * (x / w) ** 2)[..., None]
    rgb = np.where(light[..., None] > 0.9, light[..., None], rgb) * np.exp(rng.normal(0, 0.01, (h, w, 3)))
    log = log_light(rgb.astype(np.float32))
    surface = (0.001, 0.002, -0.001, -0.008, 0.0005, -0.0003)
    return log, Level(tuple(np.log10([0.5, 0.35, 0.2])), surface, 0.006, 0.3)


def test_logarithms_of_light(monkeypatch):
    rng = np.random.default_rng(3)
    light = np.exp(rng.uniform(-14, 2, (37, 41, 3))).astype(np.float32)
    light[0, :3] = 0, 1, -1
    for values in (light, light[::2], light[:, ::-1]):
        with monkeypatch.context() as patch:
            ours, plain = both(patch, lambda values=values: log_light(values))
        assert np.abs(ours - plain).max() < 1e-6
        assert np.abs(ours - np.log10(np.maximum(values.astype(float), 1e-5)).transpose(2, 0, 1)).max() < 1e-6
    assert (log_light(np.ones((1, 1, 3), np.float32)) == 0).all()
    x, y = rng.uniform(-3, 45, (2, 19, 70))
    ours, plain = both(monkeypatch, lambda: logs_at(light, x, y))
    assert ours.shape == (19, 70) and np.abs(ours - plain).max() < 2e-6


def test_light_of_logarithms(monkeypatch):
    log = np.random.default_rng(4).uniform(-6, 2, (3, 37, 41)).astype(np.float32)
    log[0, 0, :4] = 0, 1, -1, 0.30103
    ours, plain = both(monkeypatch, lambda: light_of(log))
    assert ours.shape == (37, 41, 3) and ours.dtype == plain.dtype == np.float32
    assert np.abs(ours / 10.0 ** log.astype(float).transpose(1, 2, 0) - 1).max() < 1e-7 and np.abs(ours / plain - 1).max() < 3e-6


@pytest.mark.parametrize("rigid", [True, False])
def test_even_tones(monkeypatch, film, rigid):
    log, _ = film
    ours, plain = both(monkeypatch, lambda: list(even_tones(log, rigid=rigid)))
    assert len(ours) == len(plain) > 2
    for one, two in zip(ours, plain):
        assert np.abs(np.subtract(one.log, two.log)).max() < 1e-6 and np.abs(np.subtract(one.surface, two.surface)).max() < 1e-6
        assert abs(one.spread - two.spread) < 1e-6 and one.share == two.share


@pytest.mark.parametrize("rigid", [True, False])
@pytest.mark.parametrize("seed", range(8))
def test_brightest_of_few(monkeypatch, seed, rigid):
    """Of few pixels, or uneven ones, of which each step finds too few, or none."""
    rng = np.random.default_rng(seed)
    n = (60, 200, 3000)[seed % 3]
    light = np.concatenate([rng.normal(-0.5, (0.002, 0.02, 0.06)[seed % 3], n), rng.uniform(-1.5, -0.6, n)])
    x, y = rng.uniform(-1, 1, (2, 2 * n))
    light += (0.0, 0.05, -0.1, 0.3)[seed % 4] * x
    tones = (light[:, None] + rng.normal(0, (0.003, 0.03)[seed % 2], (2 * n, 3)) + [0.0, -0.2, -0.4]).astype(np.float32)
    light = ((tones[:, 0] + tones[:, 1] + tones[:, 2]) / np.float32(3))
    terms = np.stack([np.ones_like(x), x, y, x * x + y * y, x * y, x * x - y * y], axis=1)

    def work():
        found = _brightest(tones, light, terms, 40.0, rigid)
        if found is None:
            return None
        return found, darker_ones(tones.copy(), light.copy(), terms.copy(), found[1], float(np.mean(found[0])), 0.05)

    ours, plain = both(monkeypatch, work)
    assert (ours is None) == (plain is None)
    if ours is not None:
        assert ours[0][3] == plain[0][3] > 0 and all(np.abs(one - two).max() < 1e-7 for one, two in zip(ours[0][:3], plain[0][:3]))
        assert all(one.shape == two.shape and (one == two).all() for one, two in zip(ours[1], plain[1]))


@pytest.mark.parametrize("cut", [np.s_[:], np.s_[:, 50:170, 40:300], np.s_[:, :100], np.s_[:, :, 60:160]],
                         ids=["holder", "film", "one end", "part"])
def test_kinds_to_the_bit(monkeypatch, film, cut):
    log, base = film
    log = np.ascontiguousarray(log[cut])
    ours, plain = both(monkeypatch, lambda: parts(log, base))
    assert (ours.kinds == plain.kinds).all() and (ours.density == plain.density).all()
    assert len(np.unique(ours.kinds)) > 1


@pytest.mark.parametrize("degrees", [0.0, 1.7, -5.2])
def test_edges_to_the_bit(monkeypatch, film, degrees):
    judged = parts(*film)

    def work():
        grid = turned(judged.kinds, judged.density, degrees)
        return *grid, *sum(edge_maps(*grid, 0.006), []), *sum(edge_maps(*grid, 0.006, (1,)), [])

    ours, plain = both(monkeypatch, work)
    assert all(one.dtype == two.dtype and (one == two).all() for one, two in zip(ours, plain))
    assert all(plane.any() for plane in ours[2:6])


@pytest.mark.parametrize("shape", [(4, 9), (9, 4), (7, 40), (23, 21)])
def test_edges_of_small_planes(monkeypatch, shape):
    """Closer to the border than is looked ahead, a plane wraps round."""
    rng = np.random.default_rng(shape[0])
    kinds = rng.choice(np.uint8([1, 2, 3, 3, 3, 4, 4]), shape)
    density = rng.uniform(-0.1, 0.6, shape).astype(np.float32)
    ours, plain = both(monkeypatch, lambda: sum(edge_maps(kinds, density, 0.01), []))
    assert all((one == two).all() for one, two in zip(ours, plain))


def test_sums_to_the_bit(monkeypatch, film):
    judged = parts(*film)
    kinds, density = turned(judged.kinds, judged.density, 1.7)
    picture = kinds == PICTURE
    boxes = [(40, 170, 50, 280), (-5, 400, 12, 13), (30, 30, 0, 9)]

    def work():
        return [*counts(kinds), *counts(picture), *_gate(kinds), area_sums(kinds), sums_down(picture, False), sums_down(picture, True),
                sums_along(density), *(tally(kinds, *box) for box in boxes)]

    ours, plain = both(monkeypatch, work)
    assert all(one.shape == two.shape and (one == two).all() for one, two in zip(ours, plain))
    assert ours[2].sum() == picture.sum() and ours[-3][levels.BASE] == (kinds[40:170, 50:280] == levels.BASE).sum() > 0
    assert abs(ours[8][-1, -1] - WEIGHTS[kinds[::2, ::2]].sum()) < 1e-6
    assert all(profile.any() for profile in ours[4:8]) and {PANEL, DARK} < set(np.unique(kinds).tolist())


@pytest.mark.parametrize("shape", [(4, 5), (5, 4), (7, 40), (40, 9)])
def test_gates_of_small_planes(monkeypatch, shape):
    kinds = np.random.default_rng(shape[1]).choice(np.uint8([0, 1, 2, 3, 4, 4]), shape)
    ours, plain = both(monkeypatch, lambda: [*_gate(kinds), *counts(kinds), area_sums(kinds), sums_down(kinds == PICTURE, True)])
    assert all((one == two).all() for one, two in zip(ours, plain))


@pytest.mark.parametrize("degrees", [0.0, 1.7])
def test_exposed_to_the_bit(monkeypatch, film, degrees):
    judged = parts(*film)
    kinds, density = turned(judged.kinds, judged.density, degrees)
    maps = edge_maps(kinds, density, 0.006)

    def work():
        seen = exposed(kinds, maps)
        return [seen.content, *seen.edges, *seen.outside]

    ours, plain = both(monkeypatch, work)
    assert all(one.shape == two.shape and (one == two).all() for one, two in zip(ours, plain))
    assert all(0 < np.count_nonzero(plane) < plane.size for plane in ours)
    assert (ours[5][-1] == ours[0].sum(axis=0)).all() and (ours[8][:, 0] == ours[0].sum(axis=1)).all()
    ours, plain = both(monkeypatch, lambda: rectangles(kinds, density, 0.006))
    assert ours == plain and len(ours)


@pytest.mark.parametrize("share", [0.03, 0.3, 0.6])
def test_boxes_of_parts(monkeypatch, share):
    """Noise of parts that touch by corners, and bars: the same boxes, in the same order."""
    rng = np.random.default_rng(int(100 * share))
    holes = rng.random((70, 91)) < share / 3
    holes[::2, 5:60] |= rng.random((35, 55)) < share
    holes[20:26, ::9] = holes[20:26, 1::9] = holes[20:26, 2::9] = holes[20:26, 3::9] = True
    for plane in (holes, holes[:, :17].copy(), np.eye(40, dtype=bool)):
        with monkeypatch.context() as patch:
            ours, plain = both(patch, lambda plane=plane: _boxes(plane))
        assert ours.shape == plain.shape and (ours == plain).all()
    boxes = np.column_stack([y := rng.integers(0, 90, 200), y + rng.integers(3, 9, 200), x := rng.integers(0, 90, 200),
                             x + rng.integers(3, 12, 200)]).astype(float)
    ours, plain = both(monkeypatch, lambda: mates(boxes))
    assert (ours == plain).all() and 0 < ours.sum() < 200


def test_sums_between_lines(monkeypatch, film):
    kinds = parts(*film).kinds
    plane = np.random.default_rng(3).random(kinds.shape, np.float32) * (kinds == PICTURE)

    middle = min(kinds.shape) // 2

    def work():
        out = []
        for low, high in ((0, middle), (middle, middle + 1), (middle - 30, middle + 31), (middle, middle)):
            for lines, some in ((plane, kinds), (plane.T, kinds.T)):
                out += [edges_within(lines, low, high), *shares_within(some, low, high),
                        *(near_within(some == PICTURE, low, high, sign, reach) for sign in (1, -1) for reach in (1, 5))]
        return out

    ours, plain = both(monkeypatch, work)
    assert all(one.shape == two.shape for one, two in zip(ours, plain))
    for one, two in zip(ours, plain):
        np.testing.assert_allclose(one, two, rtol=2e-6, atol=1e-6)
    assert sum(v.any() for v in ours) > len(ours) / 2


@pytest.mark.parametrize("straight", [True, False])
def test_lines_through_places(monkeypatch, straight):
    """Of places on a bent line, some far off it, some of no weight, and along a part of it alone."""
    rng = np.random.default_rng(8)
    s = np.linspace(-0.985, 0.985, 120)
    lines = []
    for some in (np.ones(120, bool), s > 0.3, rng.random(120) < 0.1):
        at = 0.4 + 1.1 * s + 0.3 * (s * s - 1) + rng.normal(0, 0.1, 120) + (rng.random(120) < 0.2) * rng.uniform(-4, 4, 120)
        weight = rng.random(120) * some
        with monkeypatch.context() as patch:
            ours, plain = both(patch, lambda at=at, weight=weight: fitted(s, at, weight, (0.5, 1.0, 0.0), straight=straight))
        assert ours[0] == pytest.approx(plain[0], abs=1e-9) and ours[1] == pytest.approx(plain[1], abs=1e-9)
        lines.append(ours[0])
    assert lines[0] == pytest.approx((0.2, 1.1, 0.0) if straight else (0.4, 1.1, 0.3), abs=0.08)


def test_light_near_a_tone(monkeypatch, film):
    """Smoothed, stretched and told apart."""
    log, tone = film
    tone = replace(tone, surface=(0.01, 0.02, -0.01, -0.03, 0.01, -0.02))

    def work():
        plan = smoothed(log, tone)
        return [plan, stretched(plan, tone), *told_apart(plan, tone, np.float32(1.2)), brighter(log, np.array(tone.log) - 0.3),
                brighter(log, np.array(tone.log) - 0.3, every=False)]

    ours, plain = both(monkeypatch, work)
    for one, two in zip(ours, plain):
        np.testing.assert_allclose(one, two, atol=2e-6)
    assert np.abs(ours[0] - log).max() > 0.003 and np.abs(ours[1] - ours[0]).max() > 0.1
    assert ours[4].any() and not ours[4].all()


@pytest.mark.parametrize("wide", [True, False])
@pytest.mark.parametrize("n", [4, 17, 33])
def test_crossings_to_the_bit(monkeypatch, wide, n):
    """Profiles that rise once, more than once, or not at all, at the window's ends as well as within."""
    rng = np.random.default_rng(n)
    across, guess = np.arange(n) * 0.5 - n / 4, rng.uniform(-3, 3, 60)
    profile = 0.5 / (1 + np.exp(-(across - rng.uniform(-n / 4, n / 4, (60, 1))) * 3)) + rng.normal(0, 0.03, (60, n))
    profile[:5] = 0.2
    light = profile if wide else 10 ** -profile
    for window in (0.1, 2.0, 99.0):
        with monkeypatch.context() as patch:
            ours, plain = both(patch, lambda window=window: crossings(profile, light, across, guess, window, wide))
        assert all((one == two).all() for one, two in zip(ours, plain))
    assert n < 10 or (ours[1] > 0.3).mean() > 0.5


def test_combs(monkeypatch):
    """Four pictures 60 wide and 6 apart, one of them empty, among ends of no meaning."""
    rng = np.random.default_rng(4)
    enter, leave = rng.uniform(0, 0.3, (2, 320))
    lit = np.zeros(320)
    for low in (20, 86, 152, 218):
        enter[low], leave[low + 60], lit[low:low + 60] = 1.1, 1.0, 30 * (low != 218)
    filled = np.concatenate([[0.0], np.cumsum(lit)])
    for place, last in (((60, 6), 300), ((60, 6), 310), ((60, 9), 300), ((55, 4), 250), ((150, 9), 300), ((30, 2), 319)):
        with monkeypatch.context() as patch:
            ours, plain = both(patch, lambda place=place, last=last: best_comb(enter, leave, filled, *place, 40, 20, last))
        assert (ours is None) == (plain is None)
        assert ours is None or (ours[1] == plain[1] and np.abs(np.subtract(ours, plain)).max() < 1e-12)
    value, start, ends, gaps = best_comb(enter, leave, filled, 60, 6, 40, 20, 310)
    assert start == 20 and abs(ends - 2.1) < 1e-12 and abs(gaps - 0.6 * 2 * (1.05 - 0.5)) < 1e-12
    assert abs(value - ends - gaps - 3.0) < 1e-12
    assert best_comb(enter, leave, filled, 150, 9, 40, 20, 300) is None


def test_lining_up(monkeypatch):
    rng = np.random.default_rng(2)
    along, value = rng.uniform(-400, 400, 3000), rng.uniform(0, 1, 3000)
    across = np.rint(np.tan(0.02) * along + rng.choice([100, 300], 3000))
    slopes = np.tan(np.arange(-0.1, 0.1, 0.01))
    ours, plain = both(monkeypatch, lambda: lined_up(along, across, value, slopes))
    assert np.abs(ours / plain - 1).max() < 1e-12
    assert abs(slopes[ours.argmax()] - np.tan(0.02)) < 1e-9


def test_lengths_are_checked():
    """A wrong length is refused, not read beyond."""
    f = lambda n: np.zeros(n, np.float32)  # noqa: E731
    i = lambda n: np.zeros(n, np.int64)  # noqa: E731
    with pytest.raises(ValueError, match="samples holds"):
        LOOPS.light(np.zeros(11, np.uint16), True, 6, 0, 2, 6, None, 0, 0, 0, i(0), f(0), 1.0, f(12))
    with pytest.raises(ValueError, match="leaves the capture"):
        LOOPS.light(np.zeros(12, np.uint16), True, 6, 3, 2, 6, None, 0, 0, 0, i(0), f(0), 1.0, f(12))
    with pytest.raises(ValueError, match="samples holds"):
        LOOPS.block_mean(f(35), False, 6, 1, 2, 3, 3, 1.0, f(9))
    with pytest.raises(ValueError, match="leave the picture"):
        LOOPS.block_mean(f(36), False, 6, 1, 2, 3, 4, 1.0, f(12))
    with pytest.raises(ValueError, match="no such row"):
        LOOPS.light(np.zeros(12, np.uint16), True, 6, 0, 2, 6, f(12), 2, 6, 0, i(2) + 1, f(2), 1.0, f(12))
    with pytest.raises(ValueError, match="leaves the field"):
        LOOPS.light(np.zeros(12, np.uint16), True, 6, 0, 2, 6, f(12), 2, 6, 1, i(2), f(2), 1.0, f(12))
    with pytest.raises(ValueError, match="out holds"):
        LOOPS.read_window(0, 0, 6, 2, 6, np.empty(11, np.uint8))
    with pytest.raises(ValueError, match="out holds"):
        LOOPS.file_means(0, 0, 4, 6, 3, 2, None, 1.0, 9, 1, f(17), np.zeros(1, np.int64))
    with pytest.raises(ValueError, match="no such blocks"):
        LOOPS.file_means(0, 0, 4, 6, 3, 0, None, 1.0, 9, 1, f(18), np.zeros(1, np.int64))
    with pytest.raises(ValueError, match="table holds"):
        LOOPS.file_means(0, 0, 4, 6, 3, 2, f(65535), 1.0, 9, 1, f(18), np.zeros(1, np.int64))
    with pytest.raises(ValueError, match="table holds"):
        LOOPS.look_up(np.zeros(3, np.uint16), 3, f(65535), f(3))
    with pytest.raises(ValueError, match="out holds"):
        LOOPS.shift_rows(f(12), 2, 2, 3, i(2), f(12), f(11), 2)
    with pytest.raises(ValueError, match="leaves the ring"):
        LOOPS.shift_columns(f(60), 10, 6, 0, 6, np.int64([0, 7]), i(1), 1, f(36), f(36))
    with pytest.raises(ValueError, match="leaves the ring"):
        LOOPS.shift_columns(f(60), 10, 6, 0, 6, np.int64([0, 6]), i(1) - 1, 1, f(36), f(36))
    with pytest.raises(ValueError, match="out holds"):
        LOOPS.shift_columns(f(60), 10, 6, 0, 6, np.int64([0, 6]), i(1), 1, f(36), f(35))
    with pytest.raises(ValueError, match="table ends too soon"):
        LOOPS.develop(f(3), 1, 1, f(9), None, f(3), f(3), f(4), 4, f(1), f(1), 1e-6, 0.0, 3.0, f(1), None)
    with pytest.raises(ValueError, match="codes holds"):
        LOOPS.encode(f(3), 1, 3, None, f(3), None, 0, 64.0, np.zeros(7, np.uint16), 8, 16, np.zeros((1, 3), np.uint16))
    for out in (np.zeros((2, 3), np.uint16), np.zeros((1, 3), np.uint8), np.zeros((1, 6), np.uint16)[:, ::2], np.zeros((2, 1, 3), np.uint16)):
        with pytest.raises(ValueError, match="pixels of out|as many pixels"):
            LOOPS.encode(f(3), 1, 3, None, f(3), None, 0, 64.0, np.zeros(8, np.uint16), 8, 16, out)
    with pytest.raises(ValueError, match="rows of them"):
        LOOPS.encode(f(3), 1, 3, None, f(3), None, 0, 64.0, np.zeros(8, np.uint16), 8, 16, np.zeros(3, np.uint16))
    plane, bytes_ = f(54), np.zeros(54, np.uint8)
    for call, what in (
            (lambda: LOOPS.log_planes(f(5), 2, 1e-5, f(6)), "light holds"),
            (lambda: LOOPS.even(plane, 6, 10, 0.1, 0.0, bytes_), "plane holds"),
            (lambda: LOOPS.fit_round(f(4), np.zeros(23), 4, np.zeros(6), 0.0, 0.1, np.zeros(36), np.zeros(6)), "terms holds"),
            (lambda: LOOPS.below(f(162), 6, 9, f(9), f(9), f(5), f(6), f(3), plane, plane, plane), "down holds"),
            (lambda: LOOPS.kinds(f(162), plane, plane, f(53), 6, 9, None, 1, 1, 1, 1, bytes_), "high holds"),
            (lambda: LOOPS.enclosed(bytes_, 6, 10, bytes_), "kinds holds"),
            (lambda: LOOPS.edges(bytes_, plane, 6, 9, 0, 1, 0, 5, 10, plane, np.zeros(53, np.uint8)), "holder holds"),
            (lambda: LOOPS.edges(bytes_, plane, 18, 3, 1, 1, 0, 5, 10, plane, None), "so small a plane"),
            (lambda: LOOPS.line_up(np.zeros(2), np.float64([0, np.nan]), np.zeros(2), 2, np.zeros(1), 1, np.zeros(1)), "too far apart"),
            (lambda: LOOPS.turn(bytes_, plane, 6, 9, f(4), f(4), f(5), f(5), 5, 4, np.zeros(20, np.uint8), f(19)), "to holds"),
            (lambda: LOOPS.crossings(np.zeros(12), np.zeros(12), 2, 6, np.zeros(6), np.zeros(2), 1.0, False, np.zeros(2), np.zeros(1)),
             "rise holds"),
            (lambda: LOOPS.best_comb(np.zeros(40), np.zeros(40), np.zeros(41), 41, 9, 2, 3, 40, 8, 0.3, 0.5, 3.0), "leaves the view"),
            (lambda: LOOPS.best_comb(np.zeros(40), np.zeros(39), np.zeros(41), 41, 9, 2, 3, 38, 8, 0.3, 0.5, 3.0), "leave holds"),
            (lambda: LOOPS.counts(bytes_, 6, 9, np.zeros(6, np.int64), np.zeros(8, np.uint32)), "columns holds"),
            (lambda: LOOPS.gate(bytes_, 6, 9, 1, 1, 5, np.zeros(8, np.uint32)), "out holds"),
            (lambda: LOOPS.area_sums(bytes_, 6, 9, np.zeros(5), np.zeros(23)), "out holds"),
            (lambda: LOOPS.area_sums(bytes_ + 5, 6, 9, np.zeros(5), np.zeros(24)), "no such kind"),
            (lambda: LOOPS.sum_down(bytes_, 6, 9, True, np.zeros(17, np.int32)), "out holds"),
            (lambda: LOOPS.sum_along(plane, 6, 9, f(69)), "out holds"),
            (lambda: LOOPS.content(bytes_, 6, 9, 6, np.zeros(53, bool)), "out holds"),
            (lambda: LOOPS.outside(bytes_, 6, 9, 0, plane, f(53)), "after holds"),
            (lambda: LOOPS.boxes(bytes_, 6, 9, 2, 1.0, np.zeros(75, np.int32)), "out holds"),
            (lambda: LOOPS.mates(np.zeros(3), np.zeros(3), np.zeros(2), 3, 4, 2.0, np.zeros(3, bool)), "wide holds"),
            (lambda: LOOPS.edges_within(plane, 6, 9, 2, 7, 0, f(9)), "leaves the plane"),
            (lambda: LOOPS.tallies(bytes_, 6, 9, 0, 6, 0, np.zeros(44, np.int32)), "out holds"),
            (lambda: LOOPS.near_within(bytes_, 6, 9, 0, 6, 0, 1, 10, np.zeros(9, np.int32)), "leaves the plane"),
            (lambda: LOOPS.brighter(f(162), 54, f(2), 1, np.zeros(54, bool)), "level holds"),
            (lambda: LOOPS.evened(plane, bytes_, 6, 9, f(53)), "out holds"),
            (lambda: LOOPS.over_tone(f(162), 6, 9, f(9), f(9), f(6), f(6), f(3), 0, 1, 1, f(161), None), "out holds"),
            (lambda: LOOPS.line_sums(bytes_, plane, bytes_, 6, 9, 0, 1, 2, np.array([6]), np.array([0]), 1, np.zeros(10),
                                     np.zeros(10)), "leaves the plane"),
            (lambda: LOOPS.fit_line(np.zeros(3), np.zeros(2), np.zeros(3), 3, True, 0.1, 0, 0, 0), "at holds"),
            (lambda: LOOPS.faded(plane, 54, f(53), f(10), 10, plane), "over holds"),
            (lambda: LOOPS.tally(bytes_, 6, 9, 0, 7, 0, 9, np.zeros(5, np.int64)), "leaves the plane"),
            (lambda: LOOPS.logs_at(plane, 3, 6, np.zeros(2), np.zeros(2), 2, 1e-5, f(1)), "out holds")):
        with pytest.raises(ValueError, match=what):
            call()
    read_only = f(3)
    read_only.flags.writeable = False
    with pytest.raises((BufferError, TypeError, ValueError)):
        LOOPS.shift_rows(f(3), 1, 1, 3, i(1), f(6), read_only, 1)

"""Local contrast and veil: overshoot at edges, grain, and how much of a known haze comes off."""
from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from negconv.finish import LocalContrast, Veil
from negconv.finish.grid import Enlarged, guided, reduced


def step(stops, shape=(1000, 1500)):
    """A horizon: sky `stops` lighter than land."""
    rows = np.where(np.arange(shape[0]) < shape[0] // 2, stops, 0.0)
    return np.tile((0.09 * 2.0 ** rows).astype(np.float32)[:, None], (1, shape[1]))


@pytest.mark.parametrize("stops, strength, most", [(2, 0.5, 0.03), (2, 1.0, 0.06), (3, 0.5, 0.015), (3, 1.0, 0.03), (5, 1.0, 0.015)])
def test_a_horizon_overshoots_by_less_than_a_stated_fraction_of_its_step(stops, strength, most):
    row = np.log2(LocalContrast(strength=strength).apply(step(stops))[:, 700] / 0.09)
    assert max(row.max() - stops, -row.min()) < most * stops
    # A plain unsharp mask of the same radius and strength overshoots by half of strength times step.
    base = gaussian_filter(np.where(np.arange(1000) < 500, float(stops), 0.0), 30)
    plain = np.where(np.arange(1000) < 500, float(stops), 0.0) * (1 + strength) - strength * base
    assert plain.max() - stops > 0.4 * strength * stops


def test_detail_is_raised_by_its_strength():
    """A texture of 0.1 stop and a period between block and radius comes out 1 + strength as high."""
    x = np.arange(2250)
    ripple = np.tile((0.18 * 2.0 ** (0.1 * np.sin(x * 2 * np.pi / 45))).astype(np.float32), (1500, 1))
    out = np.log2(LocalContrast(strength=0.8).apply(ripple) / 0.18)[750, 300:-300]
    assert np.ptp(out) / 0.2 == pytest.approx(1.8, abs=0.12)
    soft = np.log2(LocalContrast(strength=-0.5).apply(ripple) / 0.18)[750, 300:-300]
    assert np.ptp(soft) / 0.2 == pytest.approx(0.5, abs=0.06)


def test_large_tones_stay():
    tones = np.tile((0.05 * 2.0 ** (np.arange(1500) / 400)).astype(np.float32), (1000, 1))
    out = LocalContrast(strength=1.0).apply(tones)
    assert np.abs(np.log2(out / tones))[:, 150:-150].max() < 0.03


@pytest.mark.parametrize("grain", [1.0, 1.2, 1.5])
def test_grain_is_not_raised_beyond_its_stated_gain(grain):
    noise = (0.18 * 2.0 ** np.random.default_rng(0).normal(0, 0.1, (2000, 3000))).astype(np.float32)
    out = LocalContrast(strength=1.0, grain=grain).apply(noise)
    assert np.log2(out).std() / np.log2(noise).std() < grain * 1.05


def test_hue_stays():
    picture = np.random.default_rng(1).gamma(2, 0.1, (300, 400, 3)).astype(np.float32) + 0.01
    for move in (LocalContrast(strength=1.0), LocalContrast(strength=-0.7)):
        out = move.apply(picture)
        assert np.allclose(out / out.sum(axis=2, keepdims=True), picture / picture.sum(axis=2, keepdims=True), atol=1e-5)


# ---- veil ------------------------------------------------------------------------------------------------------------

def plants(seed, shape=(600, 900)):
    """Overlapping discs of saturated colour, each lit differently: a scene with dark tones in some channel everywhere."""
    rng = np.random.default_rng(seed)
    scene = np.zeros(shape + (3,), np.float32)
    y, x = np.mgrid[0:shape[0], 0:shape[1]]
    for _ in range(1500):
        cy, cx, r = rng.uniform(0, shape[0]), rng.uniform(0, shape[1]), rng.uniform(4, 30)
        y0, y1, x0, x1 = (int(max(0, v)) for v in (cy - r, cy + r + 1, cx - r, cx + r + 1))
        disc = (y[y0:y1, x0:x1] - cy) ** 2 + (x[y0:y1, x0:x1] - cx) ** 2 < r * r
        colour = rng.uniform(0.02, 1, 3) ** 2 * [0.7, 0.9, 0.3]
        colour[rng.integers(3)] *= 0.05
        scene[y0:y1, x0:x1][disc] = colour
    return scene


def contrast(picture):
    """Standard deviation of linear luminance about its surroundings."""
    light = picture @ np.array([0.2126, 0.7152, 0.0722])
    return (light - gaussian_filter(light, 20)).std()


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("density", [0.3, 0.6])
def test_haze_of_known_depth_gives_back_two_thirds_of_the_contrast_it_took(seed, density):
    """Koschmieder's law with a distance of 3 at the top and 0.3 at the bottom; judged where the haze is thickest."""
    scene, air = plants(seed), np.array([0.75, 0.8, 0.85])
    seen = np.exp(-density * np.linspace(3, 0.3, 600))[:, None, None]
    hazy = (scene * seen + air * (1 - seen)).astype(np.float32)
    far = slice(0, 250)
    before, after, truth = contrast(hazy[far]), contrast(Veil(strength=1, kind="depth").apply(hazy)[far]), contrast(scene[far])
    assert 0.66 < (after - before) / (truth - before) < 1.3
    half = contrast(Veil(strength=0.5, kind="depth").apply(hazy)[far])
    assert before < half < after


@pytest.mark.parametrize("veil", [(0.05, 0.05, 0.05), (0.2, 0.15, 0.1)])
@pytest.mark.parametrize("strength", [0.5, 1.0])
def test_an_even_veil_is_taken_off_by_its_share(veil, strength):
    scene = plants(5)
    veiled = (scene * (1 - np.array(veil)) + veil).astype(np.float32)
    out = Veil(strength=strength).apply(veiled)
    left = np.array(veil) * (1 - strength)
    assert np.abs(out - (scene * (1 - left) + left)).max() < 0.02
    grey = Veil(strength=strength).apply(veiled[..., 1])
    assert np.allclose(grey, out[..., 1], atol=1e-6)


def test_a_picture_with_blacks_has_no_veil_to_lose():
    scene = plants(6)
    scene[:60, :60] = 0
    assert np.abs(Veil(strength=1).apply(scene) - scene).max() < 1e-3


def test_white_stays_white():
    scene = plants(7) * 0.8 + 0.2
    scene[10:20, 10:20] = 1
    assert np.allclose(Veil(strength=1).apply(scene)[12:18, 12:18], 1, atol=1e-5)


# ---- the means ---------------------------------------------------------------------------------------------------------

def test_block_means_are_numpys_and_ragged_edges_count_too():
    picture = np.random.default_rng(2).random((61, 93, 3)).astype(np.float32)
    small = reduced(picture, 4, of=lambda rows: rows)
    assert small.shape == (16, 24, 3)
    assert np.allclose(small[:15, :23], picture[:60, :92].reshape(15, 4, 23, 4, 3).mean(axis=(1, 3)), atol=1e-6)
    assert np.allclose(small[15, 23], picture[60:, 92:].mean(axis=(0, 1)), atol=1e-6)


@pytest.mark.parametrize("shape, k", [((40, 60), 5), ((41, 63), 4), ((3, 50), 7), ((30, 30), 1)])
def test_enlarging_is_linear_between_block_centres(shape, k):
    small = np.random.default_rng(3).random((-(-shape[0] // k), -(-shape[1] // k))).astype(np.float32)
    rows, columns = (np.clip((np.arange(n) + 0.5) / k - 0.5, 0, m - 1) for n, m in zip(shape, small.shape))
    across = np.array([np.interp(columns, np.arange(small.shape[1]), row) for row in small])
    wanted = np.array([np.interp(rows, np.arange(len(small)), column) for column in across.T]).T
    view = Enlarged(small, shape, k)
    got = np.vstack([view.rows(y, min(y + 7, shape[0])) for y in range(0, shape[0], 7)])
    assert np.allclose(got, wanted, atol=1e-6)


def test_the_guided_filter_is_the_papers():
    """He, Sun and Tang 2013, equations 5, 6 and 8, window by window."""
    rng = np.random.default_rng(4)
    guide, values, r, edge = rng.random((14, 17)), rng.random((14, 17)), 2, 0.4
    pad_g, pad_v = (np.pad(a, r, mode="edge") for a in (guide, values))
    a, b = np.empty_like(guide), np.empty_like(guide)
    for y in range(14):
        for x in range(17):
            g, v = (p[y:y + 2 * r + 1, x:x + 2 * r + 1].ravel() for p in (pad_g, pad_v))
            a[y, x] = (g * v).mean() - g.mean() * v.mean()
            a[y, x] /= g.var() + (edge / 2) ** 2
            b[y, x] = v.mean() - a[y, x] * g.mean()
    mean = [[np.pad(p, r, mode="edge")[y:y + 2 * r + 1, x:x + 2 * r + 1].mean() for x in range(17)] for p in (a, b) for y in range(14)]
    wanted = np.array(mean).reshape(2, 14, 17)
    assert np.allclose(guided(guide, values, r, edge), wanted, atol=1e-5)

"""Repair against pictures whose undamaged twin is known."""
from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pytest
from scipy import ndimage

from negconv.errors import InputError
from negconv.positive import Positive
from negconv.spots import Spots, compiled, components, kriging, repair
from negconv.spots.repair import _beside_dirt, _grown, _left_out, _Rims, _seen_through


def horizon(shape=(240, 320), slope=0.4, low=0.06, high=0.4):
    """A slanting edge with a gradient above it, edge one pixel wide."""
    y, x = np.mgrid[:shape[0], :shape[1]].astype(np.float32)
    above = np.clip((shape[0] / 2 + slope * (x - shape[1] / 2) - y) + 0.5, 0, 1)
    return (low * (1 - above) + (high * 10 ** (0.003 * y)) * above).astype(np.float32)


def grained(light, rng, density=0.02):
    return (light * 10 ** (density / 0.6 * rng.standard_normal(light.shape))).astype(np.float32)


def median_fill(light, mask, side=25):
    out = light.copy()
    r = side // 2
    for y, x in np.argwhere(mask):
        part = (slice(max(y - r, 0), y + r + 1), slice(max(x - r, 0), x + r + 1))
        out[y, x] = np.median(light[part][~mask[part]])
    return out


def hair(shape):
    mask = np.zeros(shape, bool)
    t = np.linspace(0, 1, 600)
    x, y = shape[1] / 2 + 25 * np.sin(5 * t), 40 + t * (shape[0] - 80)
    for dx in range(-2, 3):
        mask[y.astype(int), (x + dx).astype(int)] = True
    return mask


def test_a_hair_across_a_horizon_has_at_most_half_a_median_fills_error():
    clean = horizon()
    mask = hair(clean.shape)
    dirty = np.where(mask, 8.0, clean).astype(np.float32)
    grown = ndimage.binary_dilation(mask, iterations=2)
    ours, plain = repair(dirty, mask), median_fill(dirty, grown)
    error = lambda v: np.sqrt(np.mean((np.log10(v) - np.log10(clean))[mask] ** 2))  # noqa: E731
    assert error(ours) <= 0.5 * error(plain)


@pytest.mark.parametrize("strength", [0.008, 0.03])
def test_grain_inside_is_as_strong_as_around(strength):
    rng = np.random.default_rng(4)
    clean = grained(np.full((300, 400), 0.2, np.float32), rng, strength)
    mask = np.zeros(clean.shape, bool)
    for y in range(30, 280, 40):
        for x in range(30, 380, 40):
            mask[y:y + 12, x:x + 12] = True
    out = np.log10(repair(np.where(mask, 9.0, clean).astype(np.float32), mask))
    inside = out[ndimage.binary_erosion(mask, iterations=1)].std()
    around = out[~ndimage.binary_dilation(mask, iterations=4)].std()
    assert inside == pytest.approx(around, rel=0.2)


def test_nothing_outside_the_grown_mask_changes():
    rng = np.random.default_rng(1)
    clean = grained(np.dstack([horizon()] * 3), rng)
    mask = hair(clean.shape[:2])
    mask[:3, :5] = mask[-2:, -9:] = True                      # corners too
    positive = Positive(clean, density=np.zeros(mask.shape, np.float32), pixel_um=7.0)
    out = repair(positive, Spots.from_mask(mask))
    assert isinstance(out, Positive) and out.pixel_um == 7.0 and out.density is positive.density
    changed = (out.linear != clean).any(axis=2)
    assert not (changed & ~ndimage.binary_dilation(mask, iterations=2)).any()
    assert changed[mask].mean() > 0.99
    assert np.isfinite(out.linear).all()


def test_the_input_is_left_alone_and_the_result_repeats():
    clean = grained(horizon(), np.random.default_rng(2))
    mask = hair(clean.shape)
    before = clean.copy()
    a, b = repair(clean, mask), repair(clean, mask)
    assert (clean == before).all() and (a == b).all()


def test_a_picture_given_up_is_filled_where_it_is():
    clean = grained(horizon(), np.random.default_rng(2))
    mask = hair(clean.shape)
    dirty = np.where(mask, np.float32(8.0), clean)
    given = dirty.copy()
    out = repair(given, mask, in_place=True)
    assert out is given and (out == repair(dirty, mask)).all() and not (out == dirty).all()
    with pytest.raises(ValueError, match="float32"):
        repair(dirty.astype(float), mask, in_place=True)


def test_a_frame_long_scratch_over_stripes_is_bridged():
    y, x = np.mgrid[:200, :500].astype(np.float32)
    clean = (0.2 + 0.12 * np.sin(2 * np.pi * x / 23)).astype(np.float32)
    mask = np.zeros(clean.shape, bool)
    mask[98:102] = True
    out = repair(np.where(mask, 0.001, clean).astype(np.float32), mask)
    assert np.abs(out - clean)[mask].max() < 0.03


def test_no_surroundings_to_copy_from_still_gives_a_picture():
    light = np.full((30, 30), 0.3, np.float32)
    mask = np.ones((30, 30), bool)
    mask[::6, ::6] = False
    out = repair(light, mask)
    assert np.isfinite(out).all() and out[~ndimage.binary_dilation(mask, iterations=2)] == pytest.approx(0.3)
    assert np.isfinite(repair(light, np.ones((30, 30), bool))).all()
    assert (repair(light, np.zeros((30, 30), bool)) == light).all()


def test_any_value_with_linear_light_is_carried():
    @dataclass(frozen=True, eq=False)
    class Picture:
        linear: np.ndarray
        title: str = "kept"

    out = repair(Picture(np.full((20, 20, 3), 0.1, np.float32)), np.zeros((20, 20), bool))
    assert out.title == "kept" and out.linear.shape == (20, 20, 3)


def test_a_mask_of_another_size_is_refused_in_one_line():
    with pytest.raises(InputError, match="10 x 12 pixels, the picture 20 x 20") as error:
        repair(np.zeros((20, 20), np.float32), np.zeros((12, 10), bool))
    assert "\n" not in str(error.value)


def film(name, grain, rng, *, colour=False):
    """Density of a negative of a photograph of scikit-image's, grained and plain; toe and slope are invented."""
    from skimage import data

    light = (getattr(data, name)().astype(np.float32) / 255) ** 2.2
    if light.ndim == 3 and not colour:
        light = light @ np.array([0.2126, 0.7152, 0.0722], np.float32)
    density = 0.6 * np.log10(1 + light / 0.006)
    own = ndimage.gaussian_filter(rng.standard_normal(light.shape), (0.6, 0.6) + (0,) * (light.ndim - 2))
    return (density + grain * own / own.std()).astype(np.float32), density.astype(np.float32)


def positive_of(density, cover=None, depth=1.0, lens=0.6):
    """The positive of a copy through a lens, with dirt that takes `depth` of the light where it covers."""
    through = 10.0 ** -density
    if cover is not None:
        through = through * (1 - depth * cover[(...,) + (None,) * (density.ndim - 2)])
    through = ndimage.gaussian_filter(through, (lens, lens) + (0,) * (density.ndim - 2))
    return (0.006 * (np.maximum(through, 1e-4) ** (-1 / 0.6) - 1)).astype(np.float32)


def dirt_over(shape, rng):
    """Hairs, specks and a scratch the length of the picture."""
    y, x = np.mgrid[:shape[0], :shape[1]].astype(np.float32)
    cover = np.zeros(shape, bool)
    for _ in range(4):
        x0, y0, turn, bend = *(rng.uniform(60, n - 60) for n in shape[::-1]), rng.uniform(0, 6.3), rng.normal(0, 0.01)
        along = (x - x0) * np.cos(turn) + (y - y0) * np.sin(turn)
        across = (y - y0) * np.cos(turn) - (x - x0) * np.sin(turn)
        cover |= (np.abs(across - bend * along ** 2) < 2.5) & (np.abs(along) < 60)
    for _ in range(25):
        x0, y0, r = rng.uniform(10, shape[1] - 10), rng.uniform(10, shape[0] - 10), rng.uniform(1.5, 5)
        cover |= np.hypot(x - x0, (y - y0) * rng.uniform(0.7, 1.4)) < r
    return cover | (np.abs(x - shape[1] / 2 - 0.02 * y) < 1.5)


def shown(light):
    """sRGB curve, IEC 61966-2-1."""
    v = np.clip(light, 0, 1)
    return np.where(v <= 0.0031308, 12.92 * v, 1.055 * np.maximum(v, 1e-9) ** (1 / 2.4) - 0.055)


def errors(out, truth, mask):
    return np.sqrt(np.mean((shown(out) - shown(truth))[mask] ** 2))


def test_opaque_dirt_on_photographs_is_filled_with_half_a_median_fills_error():
    ratios = []
    photographs = ("camera", False), ("astronaut", True), ("brick", False), ("rocket", True)
    for seed, (name, colour) in enumerate(photographs, 21):
        rng = np.random.default_rng(seed)
        grained_film, plain_film = (d[100:400, 60:420] for d in film(name, 0.012, rng, colour=colour))
        cover = dirt_over(grained_film.shape[:2], rng)
        dirty, clean, pure = positive_of(grained_film, cover), positive_of(grained_film), positive_of(plain_film)
        out = repair(dirty, cover)
        grown = ndimage.binary_dilation(cover, iterations=2)
        assert (out == dirty)[~grown].all()
        planes = dirty if colour else dirty[..., None]
        plain = np.stack([median_fill(planes[..., c], grown) for c in range(planes.shape[2])], axis=2)
        plain = plain.reshape(dirty.shape)
        # With its grain, which nobody can guess, and without: there the fill's own grain is an error.
        ratios.append([errors(out, truth, grown) / errors(plain, truth, grown) for truth in (clean, pure)])
    assert np.max(np.mean(ratios, axis=0)) <= 0.5
    assert np.max(ratios) <= 0.65


def test_what_shows_through_dirt_is_kept():
    rng = np.random.default_rng(5)
    density, _ = film("page", 0.01, rng)
    density = ndimage.zoom(density[:100, :190], 2, order=1)
    y, x = np.mgrid[:density.shape[0], :density.shape[1]]
    cover = (np.hypot(y - 100, x - 190) < 22) | (np.hypot(y - 70, x - 80) < 14)
    dirty, clean = positive_of(density, cover, 0.6), positive_of(density)
    out = repair(dirty, cover)
    grown = ndimage.binary_dilation(cover, iterations=2)
    assert errors(out, clean, cover) <= 0.5 * errors(median_fill(dirty, grown, side=61), clean, cover)


def test_the_texture_of_dirt_is_not_printed():
    rng = np.random.default_rng(6)
    density = (0.9 + 0.012 * rng.standard_normal((200, 300))).astype(np.float32)
    y, x = np.mgrid[:200, :300]
    cover = (np.hypot((y - 100) / 2, x - 150) < 12).astype(np.float32)
    uneven = 0.7 + 0.15 * np.sin(y / 2.0) * np.sin(x / 2.5)
    out = np.log10(repair(positive_of(density, cover * uneven), cover > 0))
    ring = ndimage.binary_dilation(cover > 0, iterations=20) & ~ndimage.binary_dilation(cover > 0, iterations=4)
    assert out[cover > 0].std() == pytest.approx(out[ring].std(), rel=0.2)
    assert ndimage.gaussian_filter(out, 3)[cover > 0].std() <= 1.5 * ndimage.gaussian_filter(out, 3)[ring].std()


def test_dirt_may_be_as_bright_as_it_likes():
    light = grained(np.full((80, 90), 0.2, np.float32), np.random.default_rng(7))
    mask = np.zeros(light.shape, bool)
    mask[30:52, 40:60] = True
    dirty = np.where(mask, np.float32(np.inf), light)
    dirty[40, 50] = np.nan
    out = repair(dirty, mask)
    assert np.isfinite(out).all() and np.median(out[mask]) == pytest.approx(0.2, rel=0.05)


@pytest.mark.parametrize("lens", [0, 0.8])
def test_the_other_half_of_a_hair_is_not_painted_in(lens):
    rng = np.random.default_rng(12)
    y, x = np.mgrid[:160, :200]
    clean = (0.15 * 10 ** (0.2 * np.sin(x / 30) + rng.normal(0, 0.03, x.shape))).astype(np.float32)
    hair = (np.abs(y - 80 - 12 * np.sin(x / 25)) <= 3) & (x >= 50) & (x < 150)
    dirty, clean = (ndimage.gaussian_filter(v.astype(np.float32), lens) for v in (np.where(hair, 3.0, clean), clean))
    half = hair & (x < 100)
    filled = ndimage.binary_dilation(half, iterations=2) & ~(hair & (x >= 102))
    got, whole = (repair(dirty, mask) for mask in (half, hair))
    error = [np.sqrt(np.mean((np.log(v) - np.log(clean))[filled & (x < 100)] ** 2)) for v in (got, whole)]
    assert error[0] < 2 * error[1]
    # What is as light as dirt and wide is the picture: the fill is at home on both sides of its edge.
    sky = np.where(x < 100, clean, 3.0).astype(np.float32)
    speck = np.hypot(x - 101, y - 80) <= 5
    got = repair(np.where(speck, 3.0, sky).astype(np.float32), speck)
    assert np.sqrt(np.mean((np.log(got) - np.log(sky))[speck] ** 2)) < 0.5


@pytest.mark.skipif(compiled.loops is None, reason="the inner loops were not compiled here")
@pytest.mark.parametrize("colours", [1, 3])
def test_compiled_loops_fill_as_numpy_does(monkeypatch, colours):
    rng = np.random.default_rng(7)
    light = grained(horizon(), rng)
    light = light if colours == 1 else np.stack([light, 0.8 * light, grained(light, rng)], axis=2)
    mask = hair(light.shape[:2])
    mask[30:38, 50:60] = mask[150:152, 300:] = True
    ours = repair(light, mask, threads=1)
    monkeypatch.setattr(compiled, "loops", None)
    plain = repair(light, mask, threads=1)
    # Within a code value of 16 bits.
    assert (ours != light).any() and np.abs(ours - plain).max() < 1 / 65535


@pytest.mark.skipif(compiled.loops is None, reason="the inner loops were not compiled here")
def test_compiled_loops_check_lengths():
    loops, one, hole = compiled.loops, np.zeros(1, np.int64), np.array([0, 1])
    plane, seen, bell = np.zeros((1, 1, 24, 24), np.float32), np.zeros((1, 24, 24), np.uint8), np.zeros((6, 24), np.float32)
    share, side = plane[0, 0, 0, :1], np.zeros((1, 10, 10), np.float32)
    ring, ok, near = np.zeros((1, 4), np.int64), np.zeros((1, 4), bool), np.zeros((1, 100), np.uint8)
    with pytest.raises(ValueError, match="a pixel lies outside"):
        loops.sources(plane, seen, 1, 24, hole, one + 24, one, ring, plane, 4, np.zeros((1, 2), int), 1, 80, one)
    with pytest.raises(ValueError, match="a move leads outside"):
        loops.sources(plane, seen, 1, 24, hole, one, one, ring, plane, 4, np.full((1, 2), 24), 1, 80, one)
    with pytest.raises(ValueError, match="holds"):
        loops.detail(share, share, np.array([0, 2]), hole, hole, 1, 1, share, np.zeros(1), 0.75, 0.95, 2.5, 1.3, share)
    with pytest.raises(ValueError, match="do not rise"):
        loops.detail(share, share, np.array([1, 0]), one, one, 1, 1, share, np.zeros(1), 0.75, 0.95, 2.5, 1.3, share)
    with pytest.raises(ValueError, match="a pixel lies outside"):
        loops.ring(seen, 1, 24, 10, 4, 4, 2, hole, one, one, ok, side, ring, ok, share.repeat(4), near)
    with pytest.raises(ValueError, match="no window"):
        loops.correlation(plane, 1, 20, 10, bell, np.zeros((1, 361), np.float32), share)
    with pytest.raises(ValueError, match="table holds"):
        loops.correlation(plane, 1, 24, 10, bell, np.zeros((1, 360), np.float32), share)
    with pytest.raises(ValueError, match="near holds"):
        loops.looks(plane, seen, near[:, 1:], 1, 1, 24, 10, 1.5, share, share, share)
    with pytest.raises(ValueError, match="no window"):
        loops.surroundings(side, seen, 10, 10, 1, hole, 1, 28, 4, 50.0, bell, plane, seen, plane, plane, plane)
    with pytest.raises(ValueError, match="corner holds"):
        loops.surroundings(side, seen, 10, 10, 1, one, 1, 24, 4, 50.0, bell, plane, seen, plane, plane, plane)
    with pytest.raises(ValueError, match="a pixel lies outside"):
        loops.steps_out(side, seen, 10, 10, 1, one + 100, 1, 50.0, share, share)
    with pytest.raises(ValueError, match="a pixel lies outside"):
        loops.picked(side, 1, 1, 100, hole, one + 100, share)
    table, place, window = np.zeros((1, 9), np.float32), np.array([[0, 5]]), np.zeros((8, 8), np.float32)
    with pytest.raises(ValueError, match="a lag lies outside"):
        loops.solve(table, 1, 9, place, 2, 4, place > 0, window, window, 1, window, share)
    with pytest.raises(ValueError, match="left holds"):
        loops.solve(table, 1, 9, place, 2, 4, place > 0, window, window, 2, window, share)
    with pytest.raises(ValueError, match="level holds"):
        loops.limits(window, share, window > 0, 1, 2, 1, 0.03, share, share, np.zeros(1))
    with pytest.raises(ValueError, match="a pixel lies outside"):
        loops.greys(side, 100, 1, one + 100, 1, 50.0, share)
    with pytest.raises(ValueError, match="does not rise"):
        loops.spread(np.array([3, 2]), 2, one, 1, 10, 10, np.zeros(4, int), np.zeros(6, int), np.zeros(6, bool))
    with pytest.raises(ValueError, match="a pixel lies outside"):
        loops.put_together(window, window, share, share, side, side, 1, 1, 100, hole, one + 99, one + 1, share, share, share)
    with pytest.raises(ValueError, match="a lag lies outside"):
        loops.predicted(table, 1, 9, one + 4, hole, place, 2, window, 1, window)
    with pytest.raises(ValueError, match="do not rise"):
        loops.predicted(table, 1, 9, one + 4, np.array([1, 0]), place, 2, window, 1, window)


@pytest.mark.skipif(compiled.loops is None, reason="the inner loops were not compiled here")
@pytest.mark.parametrize("size", [kriging.SMALL, kriging.LARGE])
@pytest.mark.parametrize("colours", [1, 3])
def test_compiled_loops_know_what_numpy_knows_of_a_hole(monkeypatch, size, colours):
    rng = np.random.default_rng(3)
    light = np.exp(ndimage.gaussian_filter(rng.standard_normal((150, 170, colours)), (2, 2, 0)) * 3).astype(np.float32)
    trust = np.full(light.shape[:2], kriging.CLEAR, np.uint8)
    trust[rng.random(trust.shape) < 0.01] = kriging.DIRT
    # Alone, at the corner, and one within a crowd that has few known pixels near.
    trust[92:150, 30:90] = kriging.DIRT
    hole = np.repeat(np.arange(3), 30)
    y, x = np.tile(np.repeat(np.arange(5), 6), 3), np.tile(np.arange(6), 15)
    y, x = y + np.array([50, 0, 118])[hole], x + np.array([60, 0, 58])[hole]
    trust[y, x] = kriging.RIM
    begin = np.array([0, 30, 60, 90])
    corner = np.array([[52, 63], [2, 3], [120, 61]]) - size.window // 2

    def work():
        light_, seen, mean, grey, rest = kriging._surroundings(light, trust, corner, size)
        table, variance = kriging._correlation(rest, size)
        at = y - corner[hole, 0], x - corner[hole, 1]
        ring, ok, distance, near = kriging._ring(seen, begin, *at, np.array([True, False, True]), size)
        rough, share, noise = kriging._looks(light_, seen, near, size)
        place = ring // size.window * size.span + ring % size.window
        diagonal = np.full(ring.shape, 1.01, np.float32)
        given = kriging._picked(light_, np.arange(4) * kriging.POINTS, ring.reshape(-1)).reshape(*ring.shape, colours)
        solved, left = kriging._solved(table, place, ok, diagonal, given * ok[..., None], size)
        levels = kriging._picked(mean, np.arange(4) * kriging.POINTS, ring.reshape(-1)).reshape(given.shape)
        low, high, spread = kriging._limits(given, levels, ok)
        offset = kriging._sources(grey, seen, begin, *at, ring, ok, distance, np.random.default_rng(1), size.window)
        detail = kriging._detail(given[0, :90], given[1, :90], begin, *at, rough, np.array([0.1, 0.2, 0.01]))
        both = np.random.default_rng(2).normal(0, 0.3, (90, 2 * colours)).astype(np.float32)
        level, fill, lacks = kriging._put_together(both, np.repeat(left, 2, axis=2), low, high, mean, light_, begin, hole,
                                                   at[0] * size.window + at[1], offset)
        exact = (seen, ring, ok, distance * ok, near, offset)
        near_ = (light_, mean, grey, rest, table, variance, rough, detail, solved, left, low, high, spread, level, fill, lacks)
        return exact, near_ + ((share, noise) if colours > 1 else ())

    ours = work()
    monkeypatch.setattr(compiled, "loops", None)
    plain = work()
    assert not plain[0][2].all()
    for a, b in zip(ours[0], plain[0]):
        np.testing.assert_array_equal(a, b)
    for a, b in zip(ours[1], plain[1]):
        assert np.abs(a - b).max() <= 1e-4 * max(np.abs(b).max(), 1e-3)


@pytest.mark.skipif(compiled.loops is None, reason="the inner loops were not compiled here")
def test_compiled_loops_grow_sets_as_numpy_does(monkeypatch):
    rng = np.random.default_rng(5)
    mask = ndimage.binary_opening(rng.random((60, 70)) < 0.6)
    mask[0, :9] = mask[-1, 30:] = mask[20:30, 0] = mask[5, -1] = True
    light, wide = rng.lognormal(-2, 1, (60, 70, 3)).astype(np.float32), rng.random(mask.shape) < 0.1
    light[10, 10], light[3, 4] = np.nan, np.inf

    def work():
        for steps in (1, 2, 5):
            yield from _grown(mask, steps)
        yield from _grown(np.zeros_like(mask), 2)
        # What is left out is by how light it is.
        trust = np.full(mask.shape, kriging.CLEAR, np.uint8)
        index, rim = _grown(wide, 1)
        trust.reshape(-1)[index] = np.where(rim, kriging.RIM, kriging.DIRT)
        part, count = components.connected(index, 70)
        _left_out(light, trust, index, rim, [np.flatnonzero(part == k) for k in range(count)])
        yield trust

    ours = list(work())
    assert np.array_equal(ours[0], np.flatnonzero(ndimage.binary_dilation(mask)))
    monkeypatch.setattr(compiled, "loops", None)
    for a, b in zip(ours, work(), strict=True):
        np.testing.assert_array_equal(a, b)


def test_a_hair_from_the_dark_into_the_light_leaves_light_ground_light():
    rng = np.random.default_rng(4)
    density = np.where(np.arange(200)[:, None] < 150, 0.3, 1.0) + np.zeros((200, 120))
    clean = (0.02 * 10 ** (ndimage.gaussian_filter(density, 1.0) + rng.normal(0, 0.01, density.shape))).astype(np.float32)
    hair = np.zeros(clean.shape, bool)
    hair[20:180, 58:63] = True
    filled = repair(np.where(hair, clean * 8, clean), hair)
    # The ground below is five times as light as that above, most of the way to the hair's own lightness there.
    for rows in (slice(30, 140), slice(160, 176)):
        assert np.median(filled[rows, 58:63]) == pytest.approx(np.median(clean[rows, 58:63]), rel=0.03)


def test_no_colour_is_painted_into_what_is_grey():
    light = horizon()
    mask = hair(light.shape)
    around = ndimage.binary_dilation(mask, iterations=12) & ~ndimage.binary_dilation(mask, iterations=4)
    inside, outside = [], []
    for seed in range(5, 9):
        # Each channel is noisy by itself, the blue one most.
        noise = np.array([0.02, 0.02, 0.08]) / 0.6 * np.random.default_rng(seed).standard_normal((*light.shape, 3))
        picture = (np.dstack([light] * 3) * 10 ** noise).astype(np.float32)
        out = np.log10(repair(np.where(mask[..., None], 8.0, picture).astype(np.float32), mask))
        differ = ndimage.gaussian_filter(out[..., ::2] - out[..., 1:2], (1.5, 1.5, 0))
        inside.append(differ[mask])
        outside.append(differ[around])
    # Beside an edge a channel filled by itself goes where its own noise lies; what is left is to be noise as around.
    assert (np.concatenate(inside).std(axis=0) <= 1.15 * np.concatenate(outside).std(axis=0)).all()


def test_a_hue_that_ends_under_a_hair_ends_there_as_sharply():
    y, x = np.mgrid[:240, :320].astype(np.float32)
    above = np.clip(120 + 0.4 * (x - 160) - y + 0.5, 0, 1)[..., None]
    clean = ((1 - above) * np.float32([0.3, 0.08, 0.05]) + above * np.float32([0.06, 0.2, 0.05])).astype(np.float32)
    mask = hair(clean.shape[:2])
    dirty = np.where(mask[..., None], 8.0, clean).astype(np.float32)
    plain = np.dstack([median_fill(dirty[..., c], ndimage.binary_dilation(mask, iterations=2)) for c in range(3)])
    error = lambda v: np.sqrt(np.mean((np.log10(v) - np.log10(clean))[mask] ** 2))  # noqa: E731
    assert error(repair(dirty, mask)) <= 0.6 * error(plain)


def test_noise_in_a_channel_counts_against_it():
    rng = np.random.default_rng(6)
    spread = np.array([0.1, 0.2, 0.4])
    ramp = 0.02 * np.arange(42)[:, None] * np.ones(42)
    light = ramp + spread[:, None, None] * rng.standard_normal((50, 3, 42, 42))
    share, rest = kriging._colour(light.astype(np.float32), np.ones((50, 42, 42), bool))
    # Of a ramp a step of two pixels has 0.0016 in one of two directions, a quarter of which is taken for noise.
    want = 1 / (spread ** 2 + 0.0004)
    assert share.mean(axis=0) == pytest.approx(want / want.sum(), abs=0.01)
    # The channels differ by nothing but noise.
    assert rest == pytest.approx(kriging.GREY, rel=0.01)


@pytest.mark.parametrize("seed", range(3))
def test_what_a_mask_takes_in_beside_dirt_that_shows_the_picture_through_stays_as_light(seed):
    """Outlines have horns where dirt crosses an edge: there nothing was added, so nothing is to be taken off."""
    rng = np.random.default_rng(seed)
    picture = np.full((90, 120), 0.5) * np.exp(0.05 * rng.standard_normal((90, 120)))
    y, x = np.mgrid[:90, :120]
    picture[36:42] *= 0.1  # so the surroundings vary as much as dirt adds
    blob = np.hypot(y - 45, x - 60) < 11
    horns = (abs(y - 47) < 5) & (abs(x - 60) < 17) & ~blob
    dirty = np.where(blob, 5 * picture, picture)
    fixed = repair(dirty.astype(np.float32), blob | horns)
    off = np.log(fixed[horns] / picture[horns])  # was -0.65 in the mean, 0.74 in all
    assert abs(off.mean()) < 0.1 and np.sqrt((off ** 2).mean()) < 0.15


@pytest.mark.parametrize("turned", [False, True])
def test_a_large_hole_is_filled_from_all_around_it(turned):
    """More pixels lie next to a hole of 30 by 30 than are used: half of them had been none below it. The picture is an edge, three
    quarters down."""
    rng = np.random.default_rng(5)
    light = np.full((120, 120), 0.05, np.float32)
    light[67:] = 0.5
    light *= np.exp(0.02 * rng.standard_normal(light.shape)).astype(np.float32)
    mask = np.zeros(light.shape, bool)
    mask[45:75, 45:75] = True
    dirty = np.where(mask, np.float32(4), light)
    out = repair(dirty[::-1] if turned else dirty, mask[::-1] if turned else mask)
    out = out[::-1] if turned else out
    assert abs(out[71:75, 47:73].mean() / 0.5 - 1) < 0.1
    assert abs(out[45:62, 47:73].mean() / 0.05 - 1) < 0.1


def test_the_pieces_of_a_large_hole_leave_next_to_no_seams():
    """A hole of 44 by 124 in soft blotches is filled in twelve pieces. The greatest step from a row or a column to the next is, in the
    mean of six pictures, 3 times the usual one; where each piece ended by itself it was 7 times that."""
    worst = []
    for seed in range(6):
        rng = np.random.default_rng(seed)
        blotches = ndimage.gaussian_filter(rng.standard_normal((160, 240)), 6)
        light = (0.2 * np.exp(0.5 * blotches / blotches.std() + 0.02 * rng.standard_normal(blotches.shape))).astype(np.float32)
        mask = np.zeros(light.shape, bool)
        mask[60:100, 60:180] = True
        out = np.log(repair(np.where(mask, np.float32(9), light), mask))[mask].reshape(40, 120)
        steps = np.abs(np.diff(out, axis=0)).mean(axis=1), np.abs(np.diff(out, axis=1)).mean(axis=0)
        worst += [s.max() / np.median(s) for s in steps]
    assert np.mean(worst) < 4


def leaves(rng):
    """A rough picture, a hair across it that adds a constant density, and an outline of it that took in what is light up to twelve
    pixels to both sides: the picture, the dirty one, the hair, the outline (h, w)."""
    y, x = np.mgrid[:220, :280]
    rough = ndimage.gaussian_filter(rng.standard_normal(y.shape), 3)
    rough /= rough.std()
    clean = grained(0.09 * 10 ** (0.12 * rough), rng, 0.004)
    hair = np.abs(x - 140 - 14 * np.sin(y / 30)) <= 3
    hair[:30] = hair[-30:] = False
    dirty = np.where(hair, clean * 10 ** 0.9, clean).astype(np.float32)
    taken = ndimage.binary_dilation(hair, np.ones((1, 25), bool)) & (rough > 0.5)
    return clean, dirty, hair, hair | taken


def found(mask, kind="fibre"):
    """Spots of a mask as if they had been found, not given."""
    spots = Spots.from_mask(mask)
    return replace(spots, given=np.zeros(0, np.int64), rows=tuple(replace(s, kind=kind) for s in spots.rows))


@pytest.mark.parametrize("seed", [61, 62, 63, 64])
def test_what_an_outline_took_in_beside_dirt_stays_as_it_is(seed):
    clean, dirty, hair, outline = leaves(np.random.default_rng(seed))
    beside = outline & ~ndimage.binary_dilation(hair, iterations=5)
    assert beside.sum() > 300
    ours, whole = repair(dirty, found(outline)), repair(dirty, outline)
    assert (ours == clean)[beside].mean() > 0.5
    error = lambda v: np.sqrt(np.mean((np.log10(v) - np.log10(clean))[hair] ** 2))  # noqa: E731
    # No dirt is left for it, and next to what is known of the picture it is foretold better.
    assert error(ours) < 0.9 * error(whole)
    assert (ours != dirty)[hair].all()


def test_what_somebody_drew_is_filled_whole_and_so_is_a_scratch():
    clean, dirty, hair, outline = leaves(np.random.default_rng(62))
    for spots in (outline, Spots.from_mask(outline), found(hair).merge(outline), found(outline, "scratch")):
        assert (repair(dirty, spots) != dirty)[outline].mean() > 0.99


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_dirt_as_thin_as_a_fifth_of_itself_is_filled_with_the_rest(seed):
    rng = np.random.default_rng(seed)
    clean = grained(np.full((160, 200), 0.12, np.float32), rng, 0.004)
    y, x = np.mgrid[:160, :200]
    hair = (np.abs(y - 80 - 10 * np.sin(x / 25)) <= 3) & (x > 40) & (x < 160)
    density = 0.9 * np.where(x < 140, 1.0, 0.2)
    dirty = (clean * 10 ** (density * hair)).astype(np.float32)
    ours = repair(dirty, found(hair))
    assert np.abs(np.log10(ours / clean))[hair].max() < 0.09


def test_a_coloured_edge_of_dirt_is_filled_though_its_channels_mean_as_much_as_the_picture():
    rng = np.random.default_rng(71)
    clean = grained(np.full((120, 160, 3), 0.15, np.float32), rng, 0.01)
    mask, edge = np.zeros((120, 160), bool), np.zeros((120, 160), bool)
    mask[50:57, 60:100], edge[57:63, 60:100] = True, True
    dirty = np.where(mask[..., None], clean * 10 ** 0.9, clean)
    dirty = np.where(edge[..., None], clean * 10 ** np.array([-0.3, 0.6, -0.3]), dirty).astype(np.float32)
    ours = repair(dirty, found(mask | edge))
    assert np.abs(np.log10(ours / clean))[edge].max() < 0.1


def test_dirt_that_grows_thin_along_its_length_is_filled_as_if_it_had_been_drawn():
    error, more = lambda v: np.sqrt(np.mean((np.log10(v) - np.log10(clean))[hair] ** 2)), []  # noqa: E731
    for seed in (81, 82, 83, 84, 85, 86):
        rng = np.random.default_rng(seed)
        y, x = np.mgrid[:160, :240]
        rough = ndimage.gaussian_filter(rng.standard_normal(y.shape), 3)
        clean = grained(0.09 * 10 ** (0.12 * rough / rough.std()), rng, 0.004)
        hair = (np.abs(y - 80 - 14 * np.sin(x / 30)) <= 3) & (x > 30) & (x < 210)
        dirty = (clean * 10 ** (hair * (0.9 - 0.8 * (x - 30) / 180))).astype(np.float32)
        more.append(error(repair(dirty, found(hair))) / error(repair(dirty, hair)))
    assert np.mean(more) < 1.1 and max(more) < 1.2


def test_a_colour_beyond_those_of_the_space_is_seen_through_dirt():
    # A tenth of a hole is a red so pure that its green is less than none. Dirt multiplies all light by four, whatever its sign; the
    # filling foretells the colours and not their grain.
    rng = np.random.default_rng(5)
    foretold = np.full((2000, 3), 0.3, np.float32)
    foretold[900:1100] = 0.4, -0.1, 0.1
    clean = grained(foretold, rng)
    flat, index = 4 * clean, np.arange(2000)
    grain = np.full(1, 2 * (0.02 / 0.6 * np.log(10)) ** 2, np.float32)
    rims = _Rims(np.zeros((1, 3), np.float32), np.zeros(1), np.ones(1, bool), grain)
    taken = _seen_through(flat, index, index * 0, index, index, foretold, np.repeat(grain, 2000), rims)
    assert len(taken) > 1900 and np.median(np.abs(flat[taken] / clean[taken] - 1), axis=0).max() < 0.04
    red = flat[taken[(taken > 900) & (taken < 1100)]]
    assert len(red) > 150 and red[:, 1].mean() == pytest.approx(-0.1, rel=0.1)


def test_a_seam_of_dirt_around_what_was_seen_through_it_is_no_picture():
    # A square hole whose middle is as foretold by now; around it one pixel of what the lens blurred of dirt, and a denser end of it.
    # Levels are invented, in the units of the filling.
    width, level = 60, np.full((60, 60), 2.0, np.float32)
    seam = np.zeros(level.shape, bool)
    seam[20:36, 20:36] = True
    seam[21:35, 21:35] = False
    level[seam] += 0.7
    level[24:28, 24:28] += 1.8
    mask = np.zeros(level.shape, bool)
    mask[20:36, 20:36] = True
    index, rim = _grown(mask, 2)
    flat = np.sinh(level.reshape(-1, 1)) / kriging.TOE
    place = np.arange(len(index))
    foretold = np.full((len(index), 1), np.sinh(2.0) / kriging.TOE, np.float32)
    clear = _beside_dirt(flat, index, rim, width, place, foretold, np.full(len(index), 0.3 ** 2, np.float32), mask.reshape(-1)[index] * 1)
    assert not seam.reshape(-1)[index[clear]].any()

"""Dodge, burn, edge burn, toning, resizing, sharpening: numbers in stops, bits and CIE units."""
from __future__ import annotations

import numpy as np
import pytest

import negconv
from negconv.finish import (Complement, EdgeBurn, Ellipse, Gradient, LocalContrast, LocalExposure, Moves, Polygon, Product,
                            Resize, Sharpen, SplitTone, Tonal, Veil, apply_moves, burn, dodge)
from negconv.recipe import Recipe

RNG = np.random.default_rng(0)
COLOUR = RNG.gamma(2, 0.15, (240, 360, 3)).astype(np.float32)
GREY = COLOUR[..., 0].copy()


@pytest.mark.parametrize("picture", [COLOUR, GREY], ids=["colour", "mono"])
@pytest.mark.parametrize("mask", [
    Ellipse(radii=(0.2, 0.2), feather=0.1), Polygon(points=((0.2, 0.2), (0.8, 0.3), (0.5, 0.8)), feather=0.1),
    Gradient(start=(0.5, 0.6), end=(0.5, 0.4)), Complement(mask=Ellipse(radii=(0.2, 0.2), feather=0.1))],
    ids=lambda m: type(m).__name__)
def test_a_stop_of_burn_halves_light_inside_and_leaves_the_outside_to_the_bit(picture, mask):
    out = burn(picture, 1.0, mask)
    weights = mask.weights(picture)
    inside, outside = weights == 1, weights == 0
    assert inside.mean() > 0.05 and outside.mean() > 0.05
    assert (out[inside] == picture[inside] / 2).all()
    assert out[outside].tobytes() == picture[outside].tobytes()


def test_half_the_mask_is_half_the_stops():
    mask = Gradient(start=(0, 0.5), end=(1, 0.5))
    ratio = dodge(GREY, 2.0, mask) / GREY
    assert np.abs(np.log2(ratio) - 2 * mask.weights(GREY)).max() < 1e-5


def test_the_feather_has_no_halo():
    """Along a burn's feather light only falls: nothing brighter than before, nothing darker than the full burn."""
    flat = np.full((200, 300), 0.18, np.float32)
    row = burn(flat, 1.5, Ellipse(radii=(0.2, 0.2), feather=0.3))[100, 150:]
    assert (np.diff(row) >= 0).all() and row.max() == flat[0, 0] and row.min() == pytest.approx(0.18 / 2 ** 1.5)
    # And its slope starts and ends at nothing, so that the eye sees no line (Mach bands).
    slope = np.diff(np.log2(row))
    assert np.abs(np.diff(slope)).max() < 0.1 * slope.max()


@pytest.mark.parametrize("stops", [0.5, 1.5, 3.0, 6.0])
@pytest.mark.parametrize("feather", [0.05, 1.0])
def test_tones_keep_their_order_under_a_tonal_burn_or_dodge(stops, feather):
    ramp = (0.18 * 2.0 ** np.linspace(-8, 5, 1200)).astype(np.float32)
    picture = np.tile(ramp, (300, 1))
    for out in (burn(picture, stops, Tonal(low=0.5, feather=feather)), dodge(picture, stops, Tonal(low=-20, high=-2, feather=feather)),
                burn(picture, stops, Product(masks=(Gradient(start=(0.5, 1.5), end=(0.5, 1.1)), Tonal(low=0, feather=feather))))):
        assert (np.diff(np.log2(out[150])) > -2e-3).all()


@pytest.mark.parametrize("shape, at", [("centre", (0, 0)), ("edges", (0, 180)), ("edges", (120, 0)), ("edges", (0, 0))])
def test_an_edge_burn_reaches_its_stops_at_the_edge_and_nothing_before_its_start(shape, at):
    out = EdgeBurn(stops=1.0, shape=shape, start=0.6).apply(COLOUR)
    assert np.allclose(out[at], COLOUR[at] / 2, rtol=1e-6)
    y, x = np.mgrid[0:240, 0:360]
    if shape == "centre":
        far = np.hypot((x - 179.5) / 179.5, (y - 119.5) / 119.5) / np.sqrt(2)
    else:
        far = 1 - np.minimum(np.minimum(x, 359 - x), np.minimum(y, 239 - y)) / 120
    inside = far < 0.58
    assert inside.mean() > 0.1 and out[inside].tobytes() == COLOUR[inside].tobytes()
    assert (out <= COLOUR).all()


def test_an_edge_burn_has_the_pictures_aspect():
    flat = np.ones((200, 400), np.float32)
    out = EdgeBurn(stops=1.0, start=0.1).apply(flat)
    # As far towards a side as towards the top, in parts of the way.
    assert out[100, 40] == pytest.approx(out[20, 200], rel=0.02)
    band = EdgeBurn(stops=1.0, shape="edges", start=0.7).apply(flat)
    assert band[100, 15] == pytest.approx(band[15, 200], rel=0.02)


@pytest.mark.parametrize("hue, chroma", [(75.0, 20.0), (250.0, 12.0), (0.0, 30.0), (140.0, 25.0)])
def test_a_tone_has_its_hue_and_leaves_luminance(hue, chroma):
    import colour  # colour-science: CIE Lab of linear sRGB, D65

    light = np.linspace(0.01, 1, 60, dtype=np.float32)[None]
    out = SplitTone(shadow_hue=hue, shadow_chroma=chroma, highlight_hue=hue, highlight_chroma=chroma).apply(light)
    xyz = colour.RGB_to_XYZ(out.astype(float), "sRGB", apply_cctf_decoding=False)
    assert np.abs(xyz[..., 1] / light - 1).max() < 1e-3
    lab = colour.XYZ_to_Lab(xyz, colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D65"])
    grey50 = np.abs(lab[..., 0] - 50).argmin()
    l, c, h = colour.models.Lab_to_LCHab(lab)[0, grey50]
    assert c == pytest.approx(chroma, abs=0.6) and abs((h - hue + 180) % 360 - 180) < 1.5


@pytest.mark.parametrize("shadow, highlight", [(250, 75), (0, 180), (300, 100), (120, 0)])
def test_every_channel_of_a_split_tone_rises_with_the_light(shadow, highlight):
    light = (0.18 * 2.0 ** np.linspace(-9, 4, 4000)).astype(np.float32)[None]
    for crossing in (-3.0, 0.0, 3.0):
        out = SplitTone(shadow_hue=shadow, shadow_chroma=30, highlight_hue=highlight, highlight_chroma=30,
                        crossing=crossing).apply(light)
        assert (np.diff(out[0, ::4], axis=0) >= 0).all()


def test_a_toned_grey_picture_is_a_colour_picture():
    positive = negconv.Positive(GREY)
    toned = apply_moves(positive, Moves(split_tone=SplitTone(shadow_chroma=10, highlight_chroma=15)))
    assert positive.mono and not toned.mono and toned.linear.shape == GREY.shape + (3,)


def test_resizing_keeps_light_and_makes_no_moire():
    fine = (0.5 + 0.5 * np.sin(np.arange(1200) * 2.9))[None].repeat(900, 0).astype(np.float32)
    out = Resize(long_side=300).apply(fine)
    assert out.shape == (225, 300)
    assert out.mean() == pytest.approx(fine.mean(), rel=1e-3) and np.abs(out[:, 5:-5] - 0.5).max() < 0.02
    assert Resize(long_side=5000).apply(fine) is fine


def test_a_resize_carries_the_way_back_density_and_scale():
    y, x = np.mgrid[0:200, 0:300].astype(np.float32)
    positive = negconv.Positive(np.dstack([x, y, x]) / 30, density=y / 30, pixel_um=6.0, to_capture=((0.0, 2.0, 5.0), (-2.0, 0.0, 600.0)))
    small = apply_moves(positive, Moves(resize=Resize(long_side=100)))
    assert small.shape == (67, 100) and small.density.shape == (67, 100) and small.pixel_um == pytest.approx(18.0)
    # A pixel of the small picture shows the large one's values at the place its matrix names.
    (a, b, c), (d, e, f) = small.to_capture
    sy, sx = 30, 50
    fx, fy = small.linear[sy, sx, 0] * 30, small.linear[sy, sx, 1] * 30
    assert a * sx + b * sy + c == pytest.approx(2 * fy + 5, abs=0.1)
    assert d * sx + e * sy + f == pytest.approx(-2 * fx + 600, abs=0.1)
    assert small.density[sy, sx] * 30 == pytest.approx(fy, abs=0.02)


def test_sharpening_raises_fine_detail_and_no_pixel_beyond_its_limit():
    x = np.arange(400)
    fine = (0.3 * (1 + 0.05 * np.sin(x * 2 * np.pi / 4)))[None].repeat(50, 0).astype(np.float32)
    coarse = (0.3 * (1 + 0.05 * np.sin(x * 2 * np.pi / 100)))[None].repeat(50, 0).astype(np.float32)
    sharpen = Sharpen(amount=1.0, radius=1.0)
    # Gaussian of standard deviation 1: what passes at a period of 4 pixels is exp(-2 (pi / 4)**2) = 0.29.
    wanted = 1 + 1 - np.exp(-2 * (np.pi / 4) ** 2)
    assert np.ptp(sharpen.apply(fine)[25, 20:-20]) / np.ptp(fine[25, 20:-20]) == pytest.approx(wanted, rel=0.02)
    assert np.ptp(sharpen.apply(coarse)[25, 20:-20]) / np.ptp(coarse[25, 20:-20]) == pytest.approx(1, rel=0.02)
    edge = np.where(x < 200, 0.02, 1.0)[None].repeat(50, 0).astype(np.float32)
    moved = np.abs(np.log2(Sharpen(amount=5, radius=2, limit=0.3).apply(edge) / edge))
    assert moved.max() == pytest.approx(0.3, abs=1e-4)


def test_a_radius_in_micrometres_follows_the_scale_of_the_output():
    positive = negconv.Positive(GREY, pixel_um=5.0)
    um = apply_moves(positive, Moves(sharpen=Sharpen(amount=1, radius=10, unit="um")))
    px = apply_moves(positive, Moves(sharpen=Sharpen(amount=1, radius=2)))
    assert (um.linear == px.linear).all()
    half = apply_moves(positive, Moves(resize=Resize(long_side=180), sharpen=Sharpen(amount=1, radius=20, unit="um")))
    assert (half.linear == apply_moves(positive, Moves(resize=Resize(long_side=180), sharpen=Sharpen(amount=1, radius=2))).linear).all()
    with pytest.raises(negconv.InputError, match="film format"):
        apply_moves(negconv.Positive(GREY), Moves(sharpen=Sharpen(amount=1, unit="um")))


def test_moves_that_are_off_return_the_very_picture():
    positive = negconv.Positive(COLOUR)
    assert apply_moves(positive, Recipe()) is positive
    assert Moves().apply(COLOUR) is COLOUR


def test_moves_are_made_in_the_stated_order():
    moves = Moves(veil=Veil(strength=0.5), local_contrast=LocalContrast(strength=0.4), burn=(LocalExposure(stops=1),),
                  dodge=(LocalExposure(stops=0.5, mask=Tonal(low=-20, high=-1)),), edge_burn=EdgeBurn(stops=0.4),
                  split_tone=SplitTone(shadow_chroma=10), resize=Resize(long_side=200), sharpen=Sharpen(amount=0.5))
    step = moves.local_contrast.apply(moves.veil.apply(GREY))
    step = burn(dodge(step, 0.5, Tonal(low=-20, high=-1)), 1.0, Gradient())
    step = moves.split_tone.apply(moves.edge_burn.apply(step))
    wanted = moves.sharpen.apply(moves.resize.apply(step))
    assert (moves.apply(GREY) == wanted).all()


EVERY = {"burn": Moves(burn=(LocalExposure(stops=1.5, mask=Ellipse(feather=0.3)),)), "tonal": Moves(dodge=(LocalExposure(stops=1, mask=Tonal(low=-20, high=-1)),)),
         "edge": Moves(edge_burn=EdgeBurn(stops=1, shape="edges")), "local": Moves(local_contrast=LocalContrast(strength=1)),
         "even": Moves(veil=Veil(strength=0.8)), "depth": Moves(veil=Veil(strength=0.8, kind="depth")),
         "tone": Moves(split_tone=SplitTone(shadow_chroma=20, highlight_chroma=20)), "sharpen": Moves(sharpen=Sharpen(amount=2))}


@pytest.mark.parametrize("name", EVERY)
@pytest.mark.parametrize("shape", [(1, 1, 3), (1, 40), (40, 1, 3), (7, 5, 3), (33, 17)])
def test_every_move_takes_any_size_and_gives_numbers(name, shape):
    rng = np.random.default_rng(1)
    for picture in (np.zeros(shape, np.float32), rng.normal(0, 1, shape).astype(np.float32), np.full(shape, 60, np.float32)):
        before = picture.copy()
        out = EVERY[name].apply(picture)
        assert np.isfinite(out).all() and out.dtype == np.float32 and out.shape[:2] == shape[:2]
        assert (picture == before).all()


@pytest.fixture(scope="module")
def landscape():
    """Tones at several scales under a light sky, large enough to have a proxy."""
    from scipy.ndimage import gaussian_filter

    rng = np.random.default_rng(4)
    tones = sum(np.kron(gaussian_filter(rng.normal(size=(1500 // k, 2250 // k)), 4), np.ones((k, k))) * 8 for k in (1, 5, 15))
    tones[:600] += 2
    return negconv.Positive((0.1 * 2.0 ** tones[..., None] * [1.1, 1, 0.8]).astype(np.float32))


@pytest.mark.parametrize("name", [n for n in EVERY if n not in ("even", "sharpen")])
def test_a_move_on_a_proxy_is_the_proxy_of_the_move(name, landscape):
    """What is tuned small comes out large: to within 2 % of the light, in a picture of 2250 pixels and its proxy of 750."""
    positive = landscape
    large = apply_moves(positive, EVERY[name]).proxy(750).linear
    small = apply_moves(positive.proxy(750), EVERY[name]).linear
    error = np.abs(np.log2(np.maximum(large, 1e-4) / np.maximum(small, 1e-4)))
    assert np.percentile(error, 99) < np.log2(1.02)


@pytest.mark.parametrize("name", [n for n in EVERY if n not in ("sharpen",)])
def test_a_speck_of_dust_changes_nothing_but_itself_and_its_rim(name):
    """Dust stops nearly all light on the film, so its positive is a hundred thousand times white."""
    rng = np.random.default_rng(6)
    clean = rng.gamma(4, 0.05, (900, 1200)).astype(np.float32)
    dusty = clean.copy()
    dusty[450:456, 600:606] = 1e6
    change = np.abs(EVERY[name].apply(dusty) - EVERY[name].apply(clean))
    change[446:460, 596:610] = 0
    assert change.max() < 0.1 and np.percentile(change, 99.9) < 0.01


def test_a_speck_gets_no_dark_ring_from_resizing():
    dusty = np.full((300, 400), 0.18, np.float32)
    dusty[150:154, 200:204] = 1e6
    assert Resize(long_side=150).apply(dusty).min() > 0.179


def test_a_recipes_tone_curve_goes_along():
    positive = negconv.Positive(GREY)
    harder = Recipe(tone={"contrast": 2.0})
    assert apply_moves(positive, harder).tone == harder.tone
    assert apply_moves(positive, harder.moves) is positive

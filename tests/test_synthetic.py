"""The invented material itself: what it claims as truth is measured here in another way."""
from __future__ import annotations

import json

import numpy as np
import pytest

from negconv.synthetic import negative, rawfile, roll, scenes

SMALL = (120, 180)


# ---- scenes --------------------------------------------------------------------------------------------------------

@pytest.mark.parametrize("name", sorted(set(scenes.SCENES) - {"card", "blank"}))
def test_scenes_are_light_and_repeat(name):
    first = scenes.scene(name, SMALL, seed=4)
    assert first.shape == SMALL + (3,) and first.dtype == np.float32
    assert np.isfinite(first).all() and first.min() >= 0
    assert 0.001 < np.median(first) < 0.8 and first.std() > 0.01
    assert np.array_equal(first, scenes.scene(name, SMALL, seed=4))


@pytest.mark.parametrize("name", sorted(set(scenes.SCENES) - {"chart", "wedge", "card", "blank"}))
def test_another_seed_is_another_scene(name):
    assert not np.array_equal(scenes.scene(name, SMALL, seed=1), scenes.scene(name, SMALL, seed=2))


def test_an_unknown_scene_is_named():
    with pytest.raises(ValueError, match="beach.*bench"):
        scenes.scene("beach", SMALL)


def resized(picture, shape):
    from PIL import Image

    return np.stack([np.asarray(Image.fromarray(np.ascontiguousarray(picture[..., c])).resize(
        shape[::-1], Image.Resampling.LANCZOS)) for c in range(3)], axis=2)


def lost_by_halving(picture):
    """How much of a picture goes when it is halved and enlarged again, as a share of its contrast."""
    h, w = picture.shape[:2]
    light = np.sqrt(np.maximum(picture, 0))
    back = resized(resized(light, (h // 2, w // 2)), (h, w))
    return (light - back)[8:-8, 8:-8].std() / light.std()


@pytest.mark.parametrize("name", ("bench", "leaves", "foliage", "brick", "lettering", "pinboard"))
def test_drawn_scenes_are_sharp_at_full_size(name):
    """There is detail at the pixel, which an enlargement of the same scene has not."""
    sharp = scenes.scene(name, (600, 900), seed=1)
    soft = resized(resized(sharp, (240, 360)), (600, 900))
    assert lost_by_halving(sharp) > 0.1
    assert lost_by_halving(sharp) > 2 * lost_by_halving(soft)


@pytest.mark.parametrize("name", ("cat", "cup", "tripod", "portrait"))
def test_photographs_gain_detail_when_enlarged(name):
    small = scenes.photograph(name)[40:240, 90:330]
    h, w = small.shape[0] * 4, small.shape[1] * 4
    sharp = scenes.enlarged(small, (h, w), np.random.default_rng(0))
    soft = resized(small, (h, w))
    assert lost_by_halving(sharp) > 2 * lost_by_halving(soft)
    # and stay the same picture: block means of 16 x 16 agree
    means = [p[:h // 16 * 16, :w // 16 * 16].reshape(h // 16, 16, w // 16, 16, 3).mean(axis=(1, 3))
             for p in (sharp, soft)]
    assert np.corrcoef(means[0].ravel(), means[1].ravel())[0, 1] > 0.995


def test_dead_leaves_have_the_power_law_of_natural_pictures():
    """Power falls with about the square of frequency (dead leaves model; exponent from memory, 1.8 to 2.4 allowed)."""
    grey = scenes.scene("leaves", (512, 512), seed=2).mean(axis=2)
    power = np.abs(np.fft.fft2((grey - grey.mean()) * np.outer(np.hanning(512), np.hanning(512)))) ** 2
    f = np.hypot(np.fft.fftfreq(512)[:, None], np.fft.fftfreq(512)[None, :])
    edges = np.geomspace(0.015, 0.25, 12)
    mean = [power[(f >= a) & (f < b)].mean() for a, b in zip(edges[:-1], edges[1:])]
    slope = np.polyfit(np.log(np.sqrt(edges[1:] * edges[:-1])), np.log(mean), 1)[0]
    assert -2.6 < slope < -1.7


def test_chart_patches_lie_where_they_are_said_to():
    shape = (400, 600)
    picture = scenes.scene("chart", shape)
    boxes = [*scenes.patch_boxes(shape), *scenes.wedge_boxes(shape)]
    values = [*scenes.PATCHES, *((v,) * 3 for v in scenes.wedge_values())]
    assert len(boxes) == 24 + 21
    for (x, y, w, h), value in zip(boxes, values):
        patch = picture[round(y):round(y + h), round(x):round(x + w)].reshape(-1, 3)
        assert len(patch) > 20
        assert np.abs(patch / value - 1).max() < 0.08           # an 8-bit drawing, so the darks are coarse
    assert scenes.wedge_values()[0] / scenes.wedge_values()[-1] == pytest.approx(64)


# ---- negatives -----------------------------------------------------------------------------------------------------

@pytest.mark.parametrize("name", negative.STOCKS)
def test_straight_line_stock_obeys_the_equation(name):
    """D = gamma (log10 H - log10 H0), ISO 5-1 density, worked here in float64 through dyes and base."""
    stock = negative.straight_line(negative.STOCKS[name], reach=3.0)
    scene = np.random.default_rng(0).uniform(0.004, 1.2, (50, 70, 3)).astype(np.float32)
    made = negative.make_negative(scene, stock, exposure=0.5)
    exposure = scene.astype(float) @ np.array(stock.exposing).T * 2 ** 0.5
    density = np.array(stock.gamma) * (np.log10(exposure) + 3.0)
    total = density @ np.array(stock.dyes).T + stock.base
    assert np.allclose(-np.log10(made.transmittance), total, atol=2e-4)
    assert np.allclose(made.exposures, exposure, rtol=1e-5)
    assert np.allclose(made.base, 10.0 ** -np.array(stock.base))


@pytest.mark.parametrize("name", negative.STOCKS)
def test_curves_rise_from_the_base_through_a_straight_line_to_dmax(name):
    stock = negative.STOCKS[name]
    x = np.linspace(-8, 6, 1401)
    for layer in range(stock.layers):
        curve = stock.curve(x, layer)
        assert curve[0] == pytest.approx(0, abs=1e-4)
        assert (np.diff(curve) >= 0).all()
        assert curve[-1] == pytest.approx(stock.dmax[layer], abs=0.01)
        middle = np.gradient(curve, x)[np.abs(x - np.log10(0.18)).argmin()]
        assert middle == pytest.approx(stock.gamma[layer], rel=0.04)
        toe = np.gradient(curve, x)[np.abs(x - stock.speed[layer]).argmin()]
        assert toe == pytest.approx(stock.gamma[layer] / 2, rel=0.02)


def test_unexposed_film_is_the_base():
    for stock in negative.STOCKS.values():
        for camera in negative.CAMERAS.values():
            made = negative.make_negative(np.zeros((2, 2, 3), np.float32), stock, camera=camera,
                                          light=negative.PANELS["warm"])
            assert np.allclose(made.transmittance, made.base, rtol=1e-4)


def test_the_negative_of_colour_film_looks_orange_and_of_mono_grey():
    for stock in negative.STOCKS.values():
        r, g, b = negative.base_of(stock)
        assert (r > 1.5 * g > 2.0 * b) if stock.kind == "colour" else (max(r, g, b) < 1.1 * min(r, g, b))


@pytest.mark.parametrize("density", (0.2, 0.8, 1.6))
def test_grain_grows_with_density_and_reaches_over_a_pixel_or_two(density):
    stock = negative.STOCKS["mono 1"]
    even = np.full((400, 400, 1), density, np.float32)
    made = negative.grain(even, stock, np.random.default_rng(3))[..., 0] - density
    assert made.std() == pytest.approx(stock.grain[0] * np.sqrt(density + 0.06), rel=0.03)

    def correlation(lag):
        return (made[:, lag:] * made[:, :made.shape[1] - lag]).mean() / made.var()
    assert 0.3 < correlation(1) < 0.6
    assert abs(correlation(3)) < 0.02


def test_camera_matrix_agrees_with_its_bands():
    """A light of known BT.2020 bands goes to the same channels by way of XYZ (colour-science's matrix)."""
    colour = pytest.importorskip("colour")
    to_xyz = colour.RGB_COLOURSPACES["ITU-R BT.2020"].matrix_RGB_to_XYZ
    for camera in negative.CAMERAS.values():
        for bands in ((1, 1, 1), (0.3, 0.6, 0.2), (0.02, 0.9, 0.4)):
            channels = camera.matrix @ to_xyz @ bands
            assert np.allclose(channels, camera.response * (np.array(camera.mixing) @ bands), atol=2e-3)
        assert np.allclose(camera.relative((0.7, 1.1, 0.9)).sum(axis=1), 1)


# ---- the roll ------------------------------------------------------------------------------------------------------

@pytest.fixture(scope="module")
def small_roll(tmp_path_factory):
    folder = tmp_path_factory.mktemp("roll")
    return folder, roll.make_roll(folder, frames=8, megapixels=0.3, seed=5, jobs=2)


def decode(path):
    """Plain half-size decode: one block of four photosites becomes one pixel."""
    import rawpy

    with rawpy.imread(str(path)) as raw:
        cfa = raw.raw_image_visible.astype(float) - raw.black_level_per_channel[0]
        names = [["RGBG"[raw.raw_pattern[i, j]] for j in (0, 1)] for i in (0, 1)]
        scale = 1 / (raw.white_level - raw.black_level_per_channel[0])
    planes = {"R": [], "G": [], "B": []}
    for i in (0, 1):
        for j in (0, 1):
            planes[names[i][j]].append(cfa[i::2, j::2])
    return np.stack([np.mean(planes[c], axis=0) for c in "RGB"], axis=2) * scale


def test_roll_has_eight_frames_colour_and_mono_and_a_panel(small_roll):
    folder, truth = small_roll
    names = sorted(p.name for p in (folder / "captures").iterdir())
    assert names == [f"frame{i:02d}.dng" for i in range(1, 9)] + ["panel.dng"]
    assert {t["kind"] for t in truth} == {"colour", "mono"}
    assert json.loads((folder / "truth.json").read_text()) == truth
    assert all(abs(t["angle"]) <= 3 for t in truth)


def test_true_corners_separate_picture_from_rebate(small_roll):
    """Along each side, 3 pixels outside the true line there is clear rebate and 3 inside there is picture."""
    folder, truth = small_roll
    for t in truth:
        picture = decode(folder / "captures" / t["file"])[..., 1]
        corners = np.array(t["corners"])
        across = corners[1] - corners[0]
        assert np.degrees(np.arctan2(across[1], across[0])) == pytest.approx(t["angle"], abs=1e-6)
        height, width = np.linalg.norm(corners[3] - corners[0]), np.linalg.norm(across)
        assert width / height == pytest.approx(84 / 56, rel=0.005)
        if t["scene"] == "lamps":
            continue                                            # night: the shadows are as clear as the rebate
        for i in range(4):
            a, b = corners[i], corners[(i + 1) % 4]
            along = (b - a) / np.linalg.norm(b - a)
            inward = np.array([-along[1], along[0]])
            points = a + np.linspace(0.1, 0.9, 60)[:, None] * (b - a)

            def level(offset):
                x, y = ((points + offset * inward) / 2 - 0.25).round().astype(int).T
                return np.median(picture[y, x])

            assert level(3) < 0.9 * level(-3)
            assert level(-3) == pytest.approx(level(-5), rel=0.05)


def test_true_base_is_what_the_rebate_transmits(small_roll):
    folder, truth = small_roll
    panel = decode(folder / "captures" / "panel.dng")
    for t in truth:
        film = decode(folder / "captures" / t["file"])
        corners = np.array(t["corners"])
        a, b = corners[0], corners[3]                           # the left side carries no edge print
        outward = (corners[0] - corners[1]) / np.linalg.norm(corners[0] - corners[1])
        points = (a + np.linspace(0.1, 0.9, 200)[:, None] * (b - a) + 5 * outward) / 2 - 0.25
        x, y = points.round().astype(int).T
        measured = np.median(film[y, x] / panel[y, x], axis=0) * t["speed"] / 250
        assert np.allclose(measured, t["base"], rtol=0.02)
        assert film.max() < 1.0                                 # nothing saturates


def test_holder_is_dark_and_panel_falls_off(small_roll):
    folder, _ = small_roll
    film = decode(folder / "captures" / "frame01.dng")
    assert film[:3].mean() < 0.003
    panel = decode(folder / "captures" / "panel.dng")[..., 1]
    centre, corner = np.median(panel[100:-100, 150:-150]), np.median(panel[:20, :20])
    assert 0.7 < corner / centre < 0.95
    assert centre == pytest.approx(0.8, abs=0.05)


def test_chart_patches_in_capture_coordinates(small_roll):
    """Each patch is even inside (grain apart), and the grey ones get lighter on the negative as they get darker."""
    folder, truth = small_roll
    chart = next(t for t in truth if t["scene"] == "chart")
    assert len(chart["patches"]) == 24
    film = decode(folder / "captures" / chart["file"])
    means = []
    for patch in chart["patches"]:
        x, y, w, h = (patch[k] / 2 for k in "xywh")
        part = film[int(y) + 1:int(y + h), int(x) + 1:int(x + w), 1]
        assert np.median(np.abs(part / np.median(part) - 1)) < 0.06
        means.append(np.median(part))
    assert (np.diff(means[-6:]) > 0).all()


def test_dirt_lies_where_the_truth_says_and_nowhere_else():
    """The same capture with and without: equal to the bit off the dirt, less light on it (more on a dark scratch)."""
    from dataclasses import replace

    shot = roll.Shot("card", "mono 1", number=2, seed=6, dirt=2.0)
    size = roll.capture_size(0.3)
    dirty, truth = roll.render(shot, size)
    clean, _ = roll.render(replace(shot, dirt=0.0), size)
    change = (dirty.astype(int) - 512) / np.maximum(clean.astype(int) - 512, 1)
    assert 0.9 < (dirty == clean).mean() < 0.9999
    assert len(truth["spots"]) > 40 and {s["kind"] for s in truth["spots"]} >= {"speck", "fibre"}
    specks = [s for s in truth["spots"] if s["kind"] == "speck"]
    taken = [change[round(s["y"]), round(s["x"])] for s in specks]
    assert np.mean(np.array(taken) < 0.8) > 0.9
    (x0, y0), (x1, y1) = np.min(truth["corners"], axis=0), np.max(truth["corners"], axis=0)
    assert all(x0 < s["x"] < x1 and y0 < s["y"] < y1 for s in truth["spots"])


def test_chart_table_holds_the_patches_in_xyz(small_roll):
    """Against colour-science's sRGB to XYZ under D50 (Bradford)."""
    colour = pytest.importorskip("colour")
    folder, truth = small_roll
    table = np.genfromtxt(folder / "chart.csv", delimiter=",", names=True)
    assert table.dtype.names == ("x", "y", "w", "h", "X", "Y", "Z") and len(table) == 24
    d50 = colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D50"]
    expected = colour.RGB_to_XYZ(np.array(scenes.PATCHES), "sRGB", d50, chromatic_adaptation_transform="Bradford")
    assert np.allclose(np.stack([table[k] for k in "XYZ"], 1), expected, atol=3e-4)


def test_same_seed_same_bytes_whatever_the_jobs(tmp_path):
    one, two, other = (tmp_path / n for n in ("one", "two", "other"))
    roll.make_roll(one, frames=3, megapixels=0.05, seed=1, jobs=1)
    roll.make_roll(two, frames=3, megapixels=0.05, seed=1, jobs=2)
    roll.make_roll(other, frames=3, megapixels=0.05, seed=2, jobs=1)
    for path in sorted((one / "captures").iterdir()):
        assert path.read_bytes() == (two / "captures" / path.name).read_bytes()
        assert path.read_bytes() != (other / "captures" / path.name).read_bytes()


def test_a_plan_of_ones_own(tmp_path):
    """The same card at -1, 0 and +1 stop: each stop adds gamma * log10(2) of density (ISO 5-1), on top a blank."""
    plan = [roll.Shot("card", "mono 1", exposure=e, number=i + 1, panel_seed=3) for i, e in enumerate((-1, 0, 1))]
    plan.append(roll.Shot("blank", "mono 1", number=4, panel_seed=3))
    truth = roll.make_roll(tmp_path, plan=plan, megapixels=0.1, jobs=1)
    panel = decode(tmp_path / "captures/panel.dng")
    density = []
    for t in truth:
        film = decode(tmp_path / "captures" / t["file"])
        middle = (slice(60, -60), slice(100, -100), 1)
        density.append(-np.log10(np.median(film[middle] / panel[middle]) * t["speed"] / 250))
    stop = negative.STOCKS["mono 1"].gamma[0] * np.log10(2)
    assert np.diff(density[:3]) == pytest.approx(stop, rel=0.03)
    assert density[3] == pytest.approx(-np.log10(truth[3]["base"][1]), abs=0.01)


def test_progress_names_each_file_in_order(tmp_path):
    seen = []
    roll.make_roll(tmp_path, frames=2, megapixels=0.05, jobs=1, progress=seen.append)
    assert [s.rsplit("/", 1)[1] for s in seen] == ["panel.dng", "frame01.dng", "frame02.dng"]


def test_both_cameras_and_panels_render():
    for camera in negative.CAMERAS:
        for panel in negative.PANELS:
            shot = roll.Shot("wedge", "colour 2", camera=camera, panel=panel, turn=3.0)
            cfa, truth = roll.render(shot, roll.capture_size(0.05))
            kept = negative.CAMERAS[camera]
            assert cfa.max() < kept.white and np.median(cfa) > kept.black
            assert rawfile.PATTERNS[kept.pattern]
            assert truth["angle"] == 3.0

"""Scene -> film -> capture -> positive, and the scene comes back. The film is made by code of its own (synthetic)."""
from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

import negconv
from negconv import Film, Recipe
from negconv.density import Curve
from negconv.synthetic import negative, roll, scenes

#: Nothing but the inversion: no neutral of its own finding, no clipping, no spotting.
PLAIN = Recipe(neutral="none", black_clip=0.0, white_clip=0.0, spots="off")


def six_stops(shape=(96, 144), seed=0):
    """Colours whose layer exposures span six stops, 1/64 to 1, and every grey between."""
    rng = np.random.default_rng(seed)
    level = 2.0 ** -rng.uniform(0, 6, shape)
    tint = rng.uniform(0.75, 1.0, shape + (3,))
    scene = level[..., None] * np.where(rng.random(shape)[..., None] < 0.5, 1.0, tint)
    return scene.astype(np.float32)


def film_of(stock) -> Film:
    """The stock's own figures as a `Film`: the inverse dye and exposure matrices, and its curves."""
    curves = tuple(Curve(gamma=g, start=s, toe=t, top=d, shoulder=w) if w else Curve(gamma=g, start=s, toe=t)
                   for g, s, t, d, w in zip(stock.gamma, stock.speed, stock.toe, stock.dmax, stock.shoulder))
    if stock.kind == "mono":
        unmix = (tuple(1 / (3 * dye[0]) for dye in stock.dyes),)
        return Film(stock.name, "mono", unmix=unmix, curves=curves, matrix=((1.0,),))
    return Film(stock.name, "colour", unmix=np.linalg.inv(stock.dyes).tolist(), curves=curves,
                matrix=np.linalg.inv(stock.exposing).tolist())


def worst(linear, truth) -> float:
    """Largest relative error once the one free number, the exposure, is taken out."""
    ratio = linear / truth
    return float(np.abs(ratio / np.median(ratio) - 1).max())


def truth_of(made, scene):
    return made.exposures[..., 0] if made.stock.kind == "mono" else scene


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("name", negative.STOCKS)
def test_straight_line_film_comes_back_within_one_per_cent_over_six_stops(name, seed):
    stock = negative.straight_line(negative.STOCKS[name], reach=2.3)
    scene = six_stops(seed=seed)
    made = negative.make_negative(scene, stock)
    positive = negconv.convert(made.transmittance, film=film_of(stock), base=made.base, recipe=PLAIN)
    assert positive.mono == (stock.kind == "mono")
    assert positive.linear.shape == scene.shape[:2] + (() if positive.mono else (3,))
    truth = truth_of(made, scene)
    assert np.log2(truth.max() / truth.min()) > 5.5
    assert worst(positive.linear, truth) < 0.01


@pytest.mark.parametrize("name", negative.STOCKS)
def test_toe_and_shoulder_are_undone_where_the_film_still_tells(name):
    stock = negative.STOCKS[name]
    scene = six_stops(seed=9)
    made = negative.make_negative(scene, stock, exposure=1.0)
    positive = negconv.convert(made.transmittance, film=film_of(stock), base=made.base, recipe=PLAIN)
    assert worst(positive.linear, truth_of(made, scene)) < 0.02


@pytest.mark.parametrize("stops", (-2.0, 1.0, 3.0))
def test_wrong_exposure_of_the_film_is_a_factor_and_nothing_else(stops):
    stock = negative.straight_line(negative.STOCKS["colour 1"], reach=3.0)
    scene = six_stops(seed=4)
    right, wrong = (negconv.convert(negative.make_negative(scene, stock, exposure=e).transmittance, film=film_of(stock),
                                    base=negative.base_of(stock), recipe=PLAIN).linear for e in (0.0, stops))
    assert worst(wrong, right) < 0.01


def test_generic_mono_film_keeps_the_order_of_greys():
    made = negative.make_negative(scenes.scene("wedge", (90, 180)), negative.STOCKS["mono 2"])
    positive = negconv.convert(made.transmittance, base=made.base, recipe=Recipe(spots="off"))
    assert positive.mono
    steps = positive.linear[45, 5::10]
    assert (np.diff(steps) < 0).all()


# ---- through a raw file --------------------------------------------------------------------------------------------

@pytest.fixture
def narrow(monkeypatch):
    """A camera whose channels are the film's bands, so that the inverse is exact, and straight stocks for it."""
    camera = negative.Camera("Invented", "Copy C", ((1, 0, 0), (0, 1, 0), (0, 0, 1)), (0.6, 1.0, 0.7), electrons=4e6,
                             read_noise=2.0, white=65535, black=1024)
    monkeypatch.setitem(negative.CAMERAS, camera.model, camera)
    for name in ("colour 1", "mono 1"):
        straight = negative.straight_line(negative.STOCKS[name], reach=2.3)
        monkeypatch.setitem(negative.STOCKS, name + " straight", straight)
    return camera


def patch_means(positive, boxes, corners, shape):
    """Means of boxes given in scene pixels, found in the positive through the capture."""
    h, w = shape
    scene_to_capture = np.linalg.solve(np.array([[-0.5, -0.5, 1], [w - 0.5, -0.5, 1], [-0.5, h - 0.5, 1]]),
                                       np.array([corners[0], corners[1], corners[3]])).T
    to_capture = np.array(positive.to_capture)
    inverse = np.linalg.inv(to_capture[:, :2])
    means = []
    for x, y, bw, bh in boxes:
        places = np.linspace(0.15, 0.85, 9)
        inner = [(x + bw * fx, y + bh * fy, 1) for fx in places for fy in places]
        points = (np.array(inner) @ scene_to_capture.T - to_capture[:, 2]) @ inverse.T
        px, py = points.round().astype(int).T
        means.append(np.mean(positive.linear[py, px], axis=0))
    return np.array(means)


@pytest.mark.parametrize("kind", ("colour", "mono"))
def test_the_whole_chain_from_raw_files(tmp_path, narrow, kind):
    """DNG, panel frame, holder, turn, rebate found by itself: six stops of grey and the patches within 1 per cent."""
    shot = roll.Shot("chart", f"{kind} 1 straight", turn=1.3, camera=narrow.model, dirt=0.0, glare=0.0, seed=3)
    truth = roll.make_roll(tmp_path, plan=[shot], megapixels=1.5, jobs=1)[0]
    captures = tmp_path / "captures"
    stock = negative.STOCKS[shot.stock]
    positive = negconv.convert(captures / "frame01.dng", panel=captures / "panel.dng", film=film_of(stock),
                               recipe=replace(PLAIN, format="6x9"))
    assert np.allclose(positive.base.rgb, truth["base"], rtol=0.02)
    shape = roll.picture_size(tuple(truth["size"]))
    boxes = [*scenes.patch_boxes(shape), *scenes.wedge_boxes(shape)]
    true = np.array([*scenes.PATCHES, *((v,) * 3 for v in scenes.wedge_values())])
    got = patch_means(positive, boxes, truth["corners"], shape)
    if kind == "mono":
        true = true @ np.array(stock.exposing[0])
    scale = np.median(got / true)
    assert np.abs(got[24:] / true[24:] / scale - 1).max() < 0.01          # greys, every step of six stops
    assert np.abs(got[:24] / scale - true[:24]).max() < 0.01              # colours


def test_a_chart_on_the_roll_makes_the_other_frames_right(tmp_path):
    """Calibrated on frame 1 with dirt, grain and glare; the colours of frame 2, which are not the chart's, are within
    the bar for such colours: mean CIEDE2000 <= 2.5 (colour-science), exposure aside."""
    colour = pytest.importorskip("colour")
    from negconv.cli import main

    plan = [roll.Shot("chart", "colour 2", number=1, turn=-0.8, panel_seed=4, seed=1),
            roll.Shot("bench", "colour 2", number=2, turn=1.1, panel_seed=4, seed=2, dirt=0.3)]
    truth = roll.make_roll(tmp_path, plan=plan, megapixels=0.7, jobs=1)
    captures = tmp_path / "captures"
    assert main(["calibrate", str(captures / "frame01.dng"), "--patches", str(tmp_path / "chart.csv"), "--panel",
                 str(captures / "panel.dng"), "-o", str(tmp_path / "film.toml")]) == 0
    positive = negconv.convert(captures / "frame02.dng", panel=captures / "panel.dng",
                               film=Film.load(tmp_path / "film.toml"), recipe=replace(PLAIN, format="6x9"))
    shape = roll.picture_size(tuple(truth[1]["size"]))
    scene = scenes.scene("bench", shape, 2)
    side = 12
    boxes = [(x, y, side, side) for y in range(20, shape[0] - 40, 37) for x in range(20, shape[1] - 40, 41)]
    flat = [box for box in boxes if scene[box[1]:box[1] + side, box[0]:box[0] + side].std(axis=(0, 1)).max() < 0.04]
    true = np.array([scene[y:y + side, x:x + side].mean(axis=(0, 1)) for x, y, _, _ in flat])
    got = patch_means(positive, flat, truth[1]["corners"], shape)
    assert len(flat) > 100
    got = got * np.median(true.mean(axis=1) / got.mean(axis=1))

    def lab(rgb):
        return colour.XYZ_to_Lab(colour.RGB_to_XYZ(np.clip(rgb, 0, None), "sRGB"),
                                 colour.RGB_COLOURSPACES["sRGB"].whitepoint)

    difference = colour.delta_E(lab(true), lab(got), method="CIE 2000")
    assert difference.mean() < 2.5
    assert np.percentile(difference, 90) < 5


# ---- the demo ------------------------------------------------------------------------------------------------------

def test_demo_from_nothing_to_a_contact_sheet(tmp_path, capsys):
    """`negconv demo`, small: real raw files in, positives out that look like the scenes they were made from."""
    import tifffile
    from PIL import Image

    from negconv.cli import main

    folder = tmp_path / "demo"
    assert main(["demo", str(folder), "--megapixels", "0.35", "--jobs", "1", "--seed", "2"]) == 0
    truth = json.loads((folder / "truth.json").read_text())
    assert len(truth) == 8 and {t["kind"] for t in truth} == {"colour", "mono"}
    for t in truth:
        name = t["file"].removesuffix(".dng")
        assert (folder / "captures" / t["file"]).exists()
        picture = tifffile.imread(folder / "positives" / f"{name}.tif")
        assert picture.dtype == np.uint16
        assert (picture.ndim == 2) == (t["kind"] == "mono")
        scene = scenes.scene(t["scene"], roll.picture_size(tuple(t["size"])), t["seed"])
        grey = (picture if picture.ndim == 2 else picture.mean(axis=2)).astype(float)
        wanted = np.sqrt(scene.mean(axis=2))

        def small(plane):
            return np.asarray(Image.fromarray(plane.astype(np.float32)).resize((90, 60), Image.Resampling.BOX))

        assert np.corrcoef(small(grey).ravel(), small(wanted).ravel())[0, 1] > 0.9, t["scene"]
        assert 0.02 < np.median(grey) / 65535 < 0.9
    sheet = next((folder / "positives").glob("*.jpg"))
    with Image.open(sheet) as image:
        assert min(image.size) > 200

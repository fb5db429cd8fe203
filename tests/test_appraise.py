"""Judgements of captures that were made good or bad on purpose."""
from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from negconv.appraise import (GOOD, PLACES, POOR, UNKNOWN, draw_found, inspect_capture, judge_density, judge_evenness, judge_exposure,
                              judge_sharpness, judge_stray_light)
from negconv.balance import Reading
from negconv.base import FilmBase
from negconv.capture import Capture
from negconv.reading import read
from negconv.cli import main
from negconv.frame import Frame
from negconv.output import write_image
from negconv.search import look
from negconv.synthetic.roll import make_roll


def copy(holder=0.0005, fall=0.0, level=0.5, shape=(900, 1350), grain=0.03, soft=None, seed=0):
    """A capture of a grey negative with grain in a holder; `soft` blurs one corner more and more."""
    rng = np.random.default_rng(seed)
    h, w = shape
    density = np.zeros(shape, np.float32)
    inside = np.zeros(shape, bool)
    inside[h // 6:-h // 6, w // 6:-w // 6] = True
    density[inside] = 0.6 + 0.3 * (np.arange(w) / w)[None, :].repeat(h, 0)[inside]
    noise = grain * rng.standard_normal(shape).astype(np.float32)
    if soft is not None:
        blurred = gaussian_filter(noise, 1.2)
        where = (np.arange(h)[:, None] > 0.6 * h) & (np.arange(w)[None, :] > 0.6 * w) if soft == "corner" else \
            (np.abs(np.arange(h)[:, None] - h / 2) < 0.2 * h) & (np.abs(np.arange(w)[None, :] - w / 2) < 0.2 * w)
        noise = np.where(where, blurred, noise)
    light = level * 10 ** -(density + noise * inside)
    light[:h // 9], light[-h // 9:], light[:, :w // 9], light[:, -w // 9:] = (holder,) * 4
    x = np.linspace(-1, 1, w)
    light = light * (1 - fall * x ** 2)[None, :]
    return (light[..., None] * np.ones(3)).astype(np.float32)


def test_headroom_is_the_stops_to_saturation():
    """Two stops are a factor of four."""
    judged = judge_exposure(FilmBase((0.25, 0.125, 0.0625)))
    assert judged.values == pytest.approx((2, 3, 4)) and judged.verdict == POOR and "red" in judged.finding
    assert "1.5 stops more" in judged.remedy
    assert judge_exposure(FilmBase((0.7, 0.4, 0.2))).verdict == GOOD
    assert "half" in judge_exposure(FilmBase((1.0, 0.4, 0.2))).remedy


@pytest.mark.parametrize("on_toe, stops, verdict, said", [
    (0.0, 0.3, GOOD, "as they should be"), (0.15, 0.3, GOOD, "as they should be; 15% of the picture is nearly clear film"),
    (0.0, 2.1, GOOD, "dense by about 2 stops, which does no harm"), (0.0, 3.9, POOR, "dense: about 4 stops over"),
    (0.3, -2.2, POOR, "thin: about 2 stops under; 30% of the picture is nearly clear film"),
    (0.05, -2.2, POOR, "thin: about 2 stops under"), (0.5, 0.3, UNKNOWN, "right for a night picture")])
def test_what_is_said_of_densities_is_what_the_verdict_says(on_toe, stops, verdict, said):
    """Film stands two stops over its rated exposure (common practice, no source); a dark scene is no fault of the film's."""
    judged = judge_density(Reading(0.1, 0.7, 1.2, on_toe, stops), "mono film")
    assert judged.verdict == verdict and said in judged.finding and "densities 0.10 to 1.20" in judged.finding
    assert bool(judged.remedy) == (verdict != GOOD)
    assert ("nearly clear" in judged.finding) == (on_toe > 0.1)


def judged(data):
    report = inspect_capture(data)
    return {j.name: j for j in report.judgements}, report.text()


def test_every_property_of_every_capture_is_judged():
    names = ["exposure", "density", "evenness", "stray light", "sharpness"]
    rng = np.random.default_rng(2)
    blind = rng.uniform(0, 0.001, (600, 900, 3)).astype(np.float32)
    for data in (copy(), copy()[110:-110, 160:-160], np.minimum(4 * copy(), 1), blind, np.ones((600, 900, 3), np.float32)):
        assert list(judged(data)[0]) == names


def test_a_saturated_base_is_a_poor_exposure():
    found, text = judged(np.minimum(copy() * np.float32((2.2, 1.2, 1)), 1))
    assert found["exposure"].verdict == POOR and "half the exposure" in found["exposure"].remedy
    assert found["density"].verdict == UNKNOWN and "saturated   " in text
    # In all channels: it could as well be the panel.
    assert "16% of the view is saturated" in judged(np.minimum(4 * copy(), 1))[0]["exposure"].finding


def test_nothing_is_said_of_grain_in_what_is_black_or_white():
    rng = np.random.default_rng(2)
    for data, said in ((rng.uniform(0, 0.001, (900, 1350, 3)).astype(np.float32), "10 stops below saturation"),
                       (np.ones((900, 1350, 3), np.float32), "100% of the view is saturated")):
        found, _ = judged(data)
        assert found["exposure"].verdict == POOR and said in found["exposure"].finding  # -log2(0.001) = 9.97
        assert found["sharpness"].verdict == UNKNOWN


def test_a_base_that_was_measured_without_the_panel_says_so():
    data = copy(level=0.25)
    with_panel = inspect_capture(Capture(data), panel=np.full_like(data, 0.5)).text()
    assert "no panel frame" in inspect_capture(data).text() and "no panel frame" not in with_panel
    assert "density 0.30, 0.30, 0.30 (red, green, blue) from the rebate" in with_panel  # -log10(0.25 / 0.5)


@pytest.mark.parametrize("fall, verdict", [(0.0, GOOD), (0.25, POOR)])
def test_unevenness_without_a_panel_frame(fall, verdict):
    data = copy(fall=fall)
    judged = judge_evenness(look(data), data.shape[:2])
    assert judged.verdict == verdict
    # From the middle to two thirds of the way out, where the picture ends, the fall-off takes this share.
    assert judged.values[0] == pytest.approx(fall * (2 / 3) ** 2, abs=0.025)


@pytest.mark.parametrize("holder, verdict", [(0.0004, GOOD), (0.012, POOR)])
def test_stray_light_is_the_holders(holder, verdict):
    data = copy(holder=holder)
    judged = judge_stray_light(data, look(data))
    assert judged.verdict == verdict and judged.values[0] == pytest.approx(holder / 0.5, rel=0.1)


def test_no_holder_no_judgement():
    data = copy()[110:-110, 160:-160]
    assert judge_stray_light(data, look(data)).verdict == UNKNOWN


def test_sharpness_finds_the_soft_place():
    big = dict(shape=(1800, 2700))
    frame = Frame.rectangle(450, 300, 1800, 1200)
    sharp = judge_sharpness(Capture(copy(**big)), frame)
    assert sharp.verdict == GOOD and min(sharp.values) == pytest.approx(1, abs=0.15)      # white noise
    tilted = judge_sharpness(Capture(copy(soft="corner", **big)), frame)
    assert tilted.verdict == POOR and "bottom right" in tilted.finding and "parallel" in tilted.remedy
    bowed = judge_sharpness(Capture(copy(soft="middle", **big)), frame)
    assert bowed.verdict == POOR and "bows" in bowed.remedy
    assert len(bowed.values) == len(PLACES)


def test_the_report_of_a_capture():
    report = inspect_capture(copy())
    values = json.loads(json.dumps(report.to_dict()))
    assert set(values) == {"file", "frames", "base", "clipped", "judgements", "warnings"}
    assert set(values["frames"][0]) >= {"corners", "angle", "confidence"}
    assert set(values["base"]) >= {"rgb", "density", "source"}
    assert "exposure" in report.text() and report.picture.dtype == np.uint8


def test_the_picture_is_written_beside_nothing_else(tmp_path):
    path = inspect_capture(copy()).save_picture(tmp_path / "found")
    assert [p.name for p in (tmp_path / "found").iterdir()] == ["array-found.jpg"] and path.endswith("array-found.jpg")


def test_what_was_found_is_drawn():
    data = copy()
    plain = draw_found(data, [])
    drawn = draw_found(data, [Frame.rectangle(300, 200, 700, 500)])
    changed = np.argwhere((plain != drawn).any(axis=2))
    scale = plain.shape[1] / 1350
    assert changed[:, 1].min() == pytest.approx(300 * scale, abs=4) and changed[:, 1].max() == pytest.approx(1000 * scale, abs=4)


def test_the_panel_of_a_folder_is_found_and_judged_as_one(tmp_path, capsys):
    truth = make_roll(tmp_path, frames=2, megapixels=0.35, seed=4, jobs=1)[0]
    folder = tmp_path / "captures"
    for more in ([], ["--panel", str(folder / "panel.dng")]):
        assert main(["inspect", str(folder), "--json", *more]) == 0
        first, _, panel = json.loads(capsys.readouterr().out)
        # Against the synthesis's own base, which is what a panel divided out leaves.
        np.testing.assert_allclose(first["base"]["rgb"], truth["base"], rtol=0.02)
        assert panel["file"].endswith("panel.dng") and panel["frames"] == []
        assert [j["name"] for j in panel["judgements"]] == ["evenness"]
        light = read(folder / "panel.dng").data[..., 1]
        corners = [light[y, x].mean() for y in (np.s_[:20], np.s_[-20:]) for x in (np.s_[:20], np.s_[-20:])]
        assert panel["judgements"][0]["values"][0] == pytest.approx(1 - min(corners) / np.percentile(light, 99.5), abs=0.06)
    assert main(["inspect", str(folder)]) == 0
    said = capsys.readouterr().out
    assert "the bare panel: other captures are divided by its light" in said and "density 0.00" not in said
    assert main(["spots", str(folder), "-o", str(tmp_path / "spots")]) == 0
    assert not list((tmp_path / "spots").glob("panel*")) and len(list((tmp_path / "spots").glob("*.csv"))) == 2


def test_an_unusable_panel_among_the_captures_is_named_and_the_others_are_judged(tmp_path, capsys):
    make_roll(tmp_path, frames=1, megapixels=0.35, seed=4, jobs=1)
    folder = tmp_path / "captures"
    write_image(folder / "panel.tif", np.full((60, 90, 3), 65535, np.uint16))
    (folder / "panel.dng").unlink()
    (folder / "panel.tif").write_bytes((folder / "panel.tif").read_bytes().replace(b"negconv ", b"another "))
    assert main(["inspect", str(folder), "--json"]) == 1
    said = capsys.readouterr()
    assert "panel.tif: is saturated" in said.err and "divided by it" not in said.err
    assert [Path(one["file"]).name for one in json.loads(said.out)] == ["frame01.dng"]
    assert main(["spots", str(folder), "-o", str(tmp_path / "spots")]) == 1
    assert "panel.tif: is saturated" in capsys.readouterr().err
    assert sorted(p.name for p in (tmp_path / "spots").iterdir()) == ["frame01-mask.png", "frame01-overlay.jpg", "frame01-spots.csv"]


def test_the_film_that_is_stated_is_the_one_that_is_read():
    from negconv.recipe import Recipe

    for film in ("colour", "mono"):
        found = {j.name: j for j in inspect_capture(copy(), recipe=Recipe(film=film)).judgements}
        assert found["density"].finding.startswith(f"{film} film (as stated)")

"""The roll: what its frames have in common, what they keep to themselves, and who does the work."""
from __future__ import annotations

import json
import os
import shutil
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from dataclasses import replace

import numpy as np
import pytest

import negconv
from negconv import Recipe
from negconv.cli import main
from negconv.output import read_sidecar
from negconv.roll import Roll, summary
from negconv.synthetic import rawfile
from negconv.synthetic.negative import CAMERAS, PANELS
from negconv.synthetic.roll import Shot, capture_size, make_roll, render, render_panel
from negconv.workers import Died, Given, Own

PLAIN = Recipe(spots="off")


def contents(folder):
    return {name: (folder / name).read_bytes() for name in sorted(os.listdir(folder))}


def statuses(results):
    return [(r.number, r.status) for r in sorted(results, key=lambda r: (r.number, r.path))]


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """A roll of four frames, and what an undisturbed run in one process makes of it."""
    folder = tmp_path_factory.mktemp("roll")
    make_roll(folder, frames=4, megapixels=0.1, seed=3, jobs=1)
    results = list(Roll(folder / "captures", recipe=PLAIN).convert(folder / "positives", jobs=1))
    assert statuses(results) == [(n, "ok") for n in (1, 2, 3, 4)]
    return folder, contents(folder / "positives")


# --- who does the work ---------------------------------------------------------------------------------------------

def test_processes_of_our_own_make_the_same_bytes(made, tmp_path):
    folder, undisturbed = made
    seen = []
    results = list(Roll(folder / "captures", recipe=PLAIN).convert(tmp_path / "positives", jobs=2,
                                                                  progress=lambda *a: seen.append(a)))
    assert statuses(results) == [(n, "ok") for n in (1, 2, 3, 4)] and contents(tmp_path / "positives") == {
        name: data for name, data in moved(undisturbed, folder, tmp_path).items()}
    assert [s for s in seen if s[0] == "survey"] == [("survey", n, 4) for n in (1, 2, 3, 4)]
    assert [s for s in seen if s[0] == "convert"] == [("convert", n, 4) for n in (1, 2, 3, 4)]


def moved(undisturbed, folder, where):
    """Sidecars name their inputs by the way from where they lie; the rest of the bytes stays."""
    way = os.path.relpath(folder / "captures", where / "positives").replace(os.sep, "/")
    return {name: data.replace(b'"../captures/', f'"{way}/'.encode()) if name.endswith(".json") else data
            for name, data in undisturbed.items()}


@pytest.mark.parametrize("kind", [ThreadPoolExecutor, ProcessPoolExecutor])
def test_given_executors_make_the_same_bytes(made, tmp_path, kind):
    folder, undisturbed = made
    more = {"mp_context": __import__("multiprocessing").get_context("spawn")} if kind is ProcessPoolExecutor else {}
    with kind(2, **more) as executor:
        results = list(Roll(folder / "captures", recipe=PLAIN).convert(tmp_path / "positives", executor=executor))
        assert executor.submit(abs, -1).result() == 1  # left running
    assert len(results) == 4 and contents(tmp_path / "positives") == moved(undisturbed, folder, tmp_path)


def test_what_crosses_the_wire_is_small(made, tmp_path):
    import pickle

    sizes = []

    class Watched(ThreadPoolExecutor):
        def submit(self, work, job):
            sizes.append(len(pickle.dumps((work, job))))
            future = super().submit(work, job)
            future.add_done_callback(lambda f: sizes.append(len(pickle.dumps(f.result()))))
            return future

    folder, _ = made
    with Watched(2) as executor:
        list(Roll(folder / "captures", recipe=PLAIN).convert(tmp_path, executor=executor))
    # A picture of this roll is 600 kB at 0.1 megapixels; evidence is at most 16,000 pixels of 12 bytes at any size.
    assert max(sizes) < 200_000 and np.median(sizes) < 40_000


def deadly(job):
    if job == 3:
        os.kill(os.getpid(), 9)
    if job == 5:
        raise ValueError("five")
    return job * 10


def test_a_process_that_dies_costs_one_job():
    workers = Own(2)
    try:
        outcomes = dict(workers.run(deadly, list(range(8))))
    finally:
        workers.close()
    assert sorted(outcomes) == list(range(8)) and isinstance(outcomes[3], Died) and isinstance(outcomes[5], ValueError)
    assert [outcomes[i] for i in (0, 1, 2, 4, 6, 7)] == [0, 10, 20, 40, 60, 70]


def test_a_given_executor_that_breaks_ends_with_a_line_for_each_job():
    from multiprocessing import get_context

    with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as executor:
        outcomes = dict(Given(executor, 1).run(deadly, [0, 3, 4]))
    assert outcomes[0] == 0 and isinstance(outcomes[3 - 2], Died) and isinstance(outcomes[2], Died)


def test_jobs_follow_memory(made, monkeypatch):
    from negconv import roll as module

    folder, _ = made
    seen = Roll(folder / "captures", recipe=PLAIN).survey(jobs=1)
    pixels = max(f.pixels for f in seen.frames)
    monkeypatch.setattr(module, "free_memory", lambda: 3 * pixels * module.BYTES_PER_PIXEL)
    assert module._by_memory(seen) == 2
    monkeypatch.setattr(module, "free_memory", lambda: None)
    assert module._by_memory(seen) >= 1


# --- what becomes of single frames ---------------------------------------------------------------------------------

def copied(folder, where, *names):
    where.mkdir(parents=True, exist_ok=True)
    for name in names:
        shutil.copy(folder / "captures" / name, where / name)
    return where


def test_faults_cost_their_frame_alone(made, tmp_path):
    folder, _ = made
    captures = copied(folder, tmp_path / "captures", "frame01.dng", "frame02.dng", "frame03.dng", "panel.dng")
    whole = (captures / "frame02.dng").read_bytes()
    (captures / "frame02.dng").write_bytes(whole[:len(whole) // 2])
    (captures / "empty.dng").write_bytes(b"")
    (captures / "text.tif").write_text("not a picture")
    (captures / "gone.dng").symlink_to("nowhere.dng")
    results = list(Roll(captures, recipe=PLAIN).convert(tmp_path / "out", jobs=1))
    failed = {os.path.basename(r.path): r.message for r in results if not r.ok}
    assert set(failed) == {"frame02.dng", "empty.dng", "text.tif", "gone.dng"}
    assert all("\n" not in m and os.path.basename(p) in m for p, m in failed.items())
    assert sorted(os.path.basename(r.output) for r in results if r.ok) == ["frame01.tif", "frame03.tif"]
    assert summary(results) == "2 converted, 4 failed"
    assert sorted(os.listdir(tmp_path / "out")) == ["frame01.tif", "frame01.tif.json", "frame03.tif", "frame03.tif.json"]


def test_a_panel_that_was_found_and_cannot_be_used_costs_itself_alone(made, tmp_path):
    import tifffile

    folder, _ = made
    captures = copied(folder, tmp_path / "captures", "frame01.dng", "frame02.dng")
    tifffile.imwrite(captures / "panel.tif", np.full((60, 90, 3), 65535, np.uint16), photometric="rgb")
    for again in ("ok", "skipped"):
        results = list(Roll(captures, recipe=PLAIN).convert(tmp_path / "out", jobs=1))
        assert statuses(results) == [(0, "failed"), (1, again), (2, again)]
        failed = next(r for r in results if not r.ok)
        assert failed.path.endswith("panel.tif") and "panel.tif: is saturated" in failed.message
        assert all(any("no panel frame" in w for w in r.warnings) for r in results if r.ok)
    with pytest.raises(negconv.InputError, match="is saturated"):  # one that was named is wanted
        next(Roll(captures, panel=captures / "panel.tif", recipe=PLAIN).convert(tmp_path / "other", jobs=1))
    # Beside one that can be used it is left out.
    shutil.copy(folder / "captures" / "panel.dng", captures / "panel-2.dng")
    survey = Roll(captures, recipe=PLAIN).survey(jobs=1)
    assert [os.path.basename(p) for p in survey.panels] == ["panel-2.dng"]
    # Also where it is as much brighter as saturation is, and no file says how it was exposed.
    plain = tmp_path / "plain"
    plain.mkdir()
    for name, source in (("frame01", captures / "frame01.dng"), ("panel-2", captures / "panel-2.dng")):
        tifffile.imwrite(plain / f"{name}.tif", (negconv.read(source).data * 50000).astype(np.uint16), photometric="rgb")
    shutil.copy(captures / "panel.tif", plain / "panel.tif")
    survey = Roll(plain, recipe=PLAIN).survey(jobs=1)
    assert [os.path.basename(p) for p in survey.panels] == ["panel-2.tif"]
    assert [os.path.basename(p) for p, _ in survey.failed] == ["panel.tif"]
    # And of two that are fine but not of one size the one that is not as large as the captures costs itself.
    light = negconv.read(captures / "panel-2.dng").data
    tifffile.imwrite(plain / "panel.tif", (light[:100, :150] * 50000).astype(np.uint16), photometric="rgb")
    survey = Roll(plain, recipe=PLAIN).survey(jobs=1)
    assert [os.path.basename(p) for p in survey.panels] == ["panel-2.tif"]
    assert [(os.path.basename(p), "differs in size" in said) for p, said in survey.failed] == [("panel.tif", True)]


def test_a_panel_taken_anew_has_another_field(made, tmp_path):
    import tifffile

    folder, _ = made
    captures = copied(folder, tmp_path / "captures", "frame01.dng")
    light = negconv.read(folder / "captures" / "panel.dng").data
    bases = []
    for share in (1.0, 0.5):
        tifffile.imwrite(captures / "panel.tif", (light * share * 50000).astype(np.uint16), photometric="rgb")
        bases.append(Roll(captures, panel=captures / "panel.tif", recipe=PLAIN).survey(jobs=1).frames[0].plan.base.rgb)
    np.testing.assert_allclose(np.array(bases[1]) / bases[0], 2, rtol=1e-3)  # of half the light the base lets twice as much through


def test_a_capture_that_vanishes_or_changes_meanwhile(made, tmp_path):
    folder, _ = made
    captures = copied(folder, tmp_path / "captures", "frame01.dng", "frame02.dng", "frame03.dng", "panel.dng")
    results = []
    for result in Roll(captures, recipe=PLAIN).convert(tmp_path / "out", jobs=1):
        if not results:
            (captures / "frame02.dng").unlink()
            os.utime(captures / "frame03.dng", (1, 1))
        results.append(result)
    assert statuses(results) == [(1, "ok"), (2, "failed"), (3, "failed")]
    assert "has vanished" in results[1].message and "was changed" in results[2].message
    assert sorted(os.listdir(tmp_path / "out")) == ["frame01.tif", "frame01.tif.json"]


def test_outputs_that_cannot_be_written(made, tmp_path):
    folder, _ = made
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "frame02.tif").write_text("mine")
    (tmp_path / "out" / "frame03.tif.json").write_text('{"mine": 1}')
    results = list(Roll(folder / "captures", recipe=PLAIN).convert(tmp_path / "out", jobs=1))
    assert statuses(results) == [(1, "ok"), (2, "failed"), (3, "failed"), (4, "ok")]
    assert (tmp_path / "out" / "frame02.tif").read_text() == "mine"
    with pytest.raises(negconv.InputError, match="is a file"):
        next(Roll(folder / "captures", recipe=PLAIN).convert(tmp_path / "out" / "frame02.tif"))


def test_names_that_meet(made, tmp_path):
    folder, _ = made
    captures = [copied(folder, tmp_path / side, "frame01.dng") / "frame01.dng" for side in ("a", "b")]
    results = list(Roll(captures, panel=folder / "captures" / "panel.dng", recipe=PLAIN).convert(tmp_path / "out", jobs=1))
    assert [os.path.basename(r.output) for r in results] == ["a-frame01.tif", "b-frame01.tif"]
    assert len(set(contents(tmp_path / "out"))) == 4


def test_outputs_beside_captures_are_not_taken_for_captures(made, tmp_path):
    folder, _ = made
    captures = copied(folder, tmp_path / "captures", "frame01.dng", "frame02.dng", "panel.dng")
    roll = Roll(captures, recipe=PLAIN)
    first = list(roll.convert(captures, jobs=1))
    again = list(roll.convert(captures, jobs=1))
    assert statuses(first) == [(1, "ok"), (2, "ok")] and statuses(again) == [(1, "skipped"), (2, "skipped")]


def test_the_only_captures_are_never_written_over(tmp_path):
    from negconv.output import write_image

    rng = np.random.default_rng(2)
    import tifffile

    negative = (40000 * np.exp(-rng.uniform(0, 2, (80, 120, 1)) * [0.5, 0.8, 1.0])).astype(np.uint16)
    tifffile.imwrite(tmp_path / "scan.tif", negative, photometric="rgb")
    before = (tmp_path / "scan.tif").read_bytes()
    results = list(Roll(tmp_path, film="colour", base=(0.8, 0.6, 0.5), recipe=PLAIN).convert(tmp_path, jobs=1, overwrite=True))
    assert [os.path.basename(r.output) for r in results] == ["scan-positive.tif"]
    assert (tmp_path / "scan.tif").read_bytes() == before
    assert write_image.__module__ == "negconv.output"


# --- settings ------------------------------------------------------------------------------------------------------

def test_settings_of_frames_by_number_and_name(made, tmp_path):
    folder, _ = made
    recipe = replace(PLAIN, frames={"2": {"exposure": 1.0, "output": "png"}, "frame02": {"exposure": 2.0},
                                    "frame04.dng": {"crop": [0.25, 0.25, 0.5, 0.5], "tone.contrast": 1.0}})
    seen = Roll(folder / "captures", recipe=recipe).survey(jobs=1)
    plain = Roll(folder / "captures", recipe=PLAIN).survey(jobs=1)
    assert [f.recipe.exposure for f in seen.frames] == [0.0, 2.0, 0.0, 0.0]
    assert [f.recipe.output for f in seen.frames] == ["tiff", "png", "tiff", "tiff"]
    ratio = np.subtract(seen.frames[1].plan.balance.offset, plain.frames[1].plan.balance.offset) / np.log10(2)
    np.testing.assert_allclose(ratio, 2.0, atol=1e-9)
    h, w = plain.frames[3].plan.cut.shape
    assert np.abs(np.array(seen.frames[3].plan.cut.shape) - [h / 2, w / 2]).max() <= 1
    assert seen.frames[3].recipe.tone.contrast == 1.0 and seen.frames[0].plan == plain.frames[0].plan


def test_notes_reach_sidecars_and_pictures(made, tmp_path):
    from PIL import Image

    folder, _ = made
    captures = copied(folder, tmp_path / "captures", "frame01.dng", "panel.dng")
    (captures / "roll.toml").write_text('film = "Glasshouse C 200"\ndates = 2026-02-28\nremarks = "benches"\n')
    result, = Roll(captures, recipe=PLAIN).convert(tmp_path / "out", jobs=1)
    record = read_sidecar(result.output + ".json")
    assert record["notes"] == {"film": "Glasshouse C 200", "dates": ["2026-02-28"], "remarks": "benches"}
    assert Image.open(result.output).getexif().get_ifd(0x8769)[36867].startswith("2026:02:28")
    (captures / "roll.toml").write_text("film = 3\n")
    with pytest.raises(negconv.InputError, match="line 1: film"):
        list(Roll(captures, recipe=PLAIN).convert(tmp_path / "out", jobs=1))


def test_the_count_of_the_format_is_a_word_and_no_more(made, tmp_path, capsys):
    folder, _ = made
    seen = Roll(folder / "captures", recipe=replace(PLAIN, format="6x9")).survey(jobs=1)
    assert any("4 frames; a roll of 6x9 has 8" in w for w in seen.warnings)
    assert len(seen.frames) == 4 and "RollSurvey(4 frames" in repr(seen)
    assert main(["convert", str(folder / "captures"), "-o", str(tmp_path), "--format", "6x9", "--spots", "off", "--jobs", "1"]) == 0
    assert capsys.readouterr().err.count("the roll: 4 frames; a roll of 6x9 has 8\n") == 1


def test_sidecar_says_what_was_done(made):
    folder, undisturbed = made
    record = json.loads(undisturbed["frame02.tif.json"])
    assert record["number"] == 2 and set(record["inputs"]) == {"capture", "panel 1"}
    assert record["roll"]["panels"] == ["panel.dng"] and record["roll"]["frames"] == 4
    assert record["plan"]["balance"] == record["solved"]["balance"]


def test_a_plan_in_a_sidecar_makes_the_same_bytes_again(made, tmp_path):
    """From the sidecar alone: inputs by their way, settings, plan."""
    from negconv.conversion import Plan, apply, finish
    from negconv.notes import Notes
    from negconv.output import save_positive

    folder, undisturbed = made
    record = json.loads(undisturbed["frame03.tif.json"])
    recipe = Recipe.from_dict(record["settings"])
    source, panel = (folder / "positives" / record["inputs"][k]["path"] for k in ("capture", "panel 1"))
    positive = apply(negconv.read(source), Plan.from_dict(record["plan"]), panel=negconv.panel_field([str(panel)]), recipe=recipe)
    positive, _ = finish(positive, recipe)
    metadata = Notes.from_dict(record["notes"]).metadata(positive.meta, positive.pixel_um)
    save_positive(positive, tmp_path / "again.tif", metadata=metadata)
    assert (tmp_path / "again.tif").read_bytes() == undisturbed["frame03.tif"]


# --- what a roll has in common -------------------------------------------------------------------------------------

def photograph(folder, shots, megapixels=0.12):
    """Captures of given shots and their panel, as raw files."""
    folder.mkdir(parents=True, exist_ok=True)
    size = capture_size(megapixels)
    for name, shot in [("panel.dng", Shot("", "")), *((f"frame{i:02d}.dng", s) for i, s in enumerate(shots, 1))]:
        camera = CAMERAS[shot.camera]
        cfa, truth = render(shot, size) if shot.scene else render_panel(shot, size)
        rawfile.write_dng(folder / name, cfa, pattern=camera.pattern, black=camera.black, white=camera.white,
                          camera_matrix=camera.matrix, as_shot_neutral=camera.panel(PANELS[shot.panel]), make=camera.make,
                          model=camera.model, exposure=1 / truth["speed"])
    return folder


def positives(roll, jobs=1):
    """Scene-linear pictures of a roll by file name, on proxies."""
    from negconv.conversion import apply
    from negconv.flat import panel_field

    seen = roll.survey(jobs=jobs)
    field = panel_field(list(seen.panels))
    return {os.path.basename(f.path): apply(negconv.read(f.path), f.plan, panel=field, recipe=f.recipe, keep_density=False)
            for f in seen.frames}


@pytest.fixture(scope="module")
def bracket(tmp_path_factory):
    """One scene at -1, 0 and +1 stop among three other scenes, colour and mono."""
    out = {}
    for stock in ("colour 1", "mono 1"):
        shots = [Shot("bench", stock, e, 0.0, 1, 0.0, seed=7) for e in (-1.0, 0.0, 1.0)]
        shots += [Shot(scene, stock, 0.0, 0.4, n, 0.0, seed=7) for n, scene in ((4, "brick"), (5, "portrait"))]
        out[stock] = photograph(tmp_path_factory.mktemp("bracket"), shots)
    return out


def patches(positive, n=8):
    """Means over an n x n grid of the middle of a picture (n * n, C)."""
    h, w = positive.shape
    part = positive.linear[h // 8:h - h // 8, w // 8:w - w // 8].reshape(h - 2 * (h // 8), w - 2 * (w // 8), -1)
    h, w = part.shape[0] // n * n, part.shape[1] // n * n
    return part[:h, :w].reshape(n, h // n, n, w // n, -1).mean(axis=(1, 3)).reshape(n * n, -1)


def lab(linear):
    """CIELAB (D65) of linear sRGB by scikit-image."""
    from skimage.color import rgb2lab

    from negconv import colour

    linear = np.repeat(linear, 3, axis=1) if linear.shape[1] == 1 else linear
    return rgb2lab(np.clip(colour.encode(np.clip(linear, 0, None), "srgb"), 0, 1)[None])[0]


@pytest.mark.parametrize("stock", ["colour 1", "mono 1"])
def test_frames_brought_to_one_anchor_agree(bracket, stock):
    from skimage.color import deltaE_ciede2000

    seen = positives(Roll(bracket[stock], recipe=replace(PLAIN, balance="frame")))
    dark, middle, light = (lab(patches(seen[f"frame0{i}.dng"])) for i in (1, 2, 3))
    for other in (dark, light):
        assert deltaE_ciede2000(middle, other).mean() < 2


@pytest.mark.parametrize("stock", ["colour 1", "mono 1"])
def test_a_roll_keeps_its_exposures(bracket, stock):
    seen = positives(Roll(bracket[stock], recipe=replace(PLAIN, balance="roll")))
    dark, middle, light = (patches(seen[f"frame0{i}.dng"]) for i in (1, 2, 3))
    assert abs(np.median(dark / middle) / 0.5 - 1) < 0.05 and abs(np.median(light / middle) / 2 - 1) < 0.05


def test_a_mix_lies_between(bracket):
    levels = [np.log2([np.median(patches(p)) for _, p in sorted(positives(Roll(bracket["mono 1"], recipe=replace(
        PLAIN, balance=share))).items())][:3]) for share in (0.0, 0.5, 1.0)]
    spans = [np.ptp(lv) for lv in levels]
    assert spans[0] < 0.3 and abs(spans[2] - 2) < 0.15 and abs(spans[1] - (spans[0] + spans[2]) / 2) < 0.25


def test_odd_frames_do_not_pull_the_others(tmp_path):
    """A blank frame and a fogged one change nothing; a lawn, which is a picture, little."""
    from skimage.color import deltaE_ciede2000

    scenes = ("bench", "brick", "portrait", "chart", "cup", "tripod")
    folder = photograph(tmp_path, [Shot(scene, "colour 1", 0.0, 0.0, i, 0.0, seed=2) for i, scene in enumerate(scenes, 1)])
    odd = photograph(tmp_path / "odd", [Shot("foliage", "colour 1", 0.0, 0.0, 7, 0.0, seed=4),
                                        Shot("chart", "colour 1", -12.0, 0.0, 8, 0.0, seed=4),
                                        Shot("chart", "colour 1", 20.0, 0.0, 9, 0.0, seed=4)])
    names = {name: f"{name}.dng" for name in ("lawn", "blank", "fogged")}
    for i, name in enumerate(names.values(), 1):
        (odd / f"frame{i:02d}.dng").rename(odd / name)
    for balance, among, limit in (("roll", ["blank", "fogged"], 1.0), ("frame", ["lawn"], 4.0)):
        recipe = replace(PLAIN, balance=balance, film="colour")
        alone = positives(Roll(folder, recipe=recipe))
        roll = positives(Roll([folder, *(odd / names[n] for n in among)], panel=folder / "panel.dng", recipe=recipe))
        assert len(roll) == 6 + len(among)
        apart = [deltaE_ciede2000(lab(patches(alone[name])), lab(patches(roll[name]))).mean() for name in alone]
        assert np.mean(apart) < limit, (balance, among, apart)

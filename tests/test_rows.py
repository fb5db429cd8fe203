"""Samples read as they are wanted: the same as all of them read at once, and a line when the file changes meanwhile."""
from __future__ import annotations

import os
from dataclasses import replace

import numpy as np
import pytest
import tifffile

from negconv import InputError, Recipe, jobs, kernel, read
from negconv.capture import PROXY, Capture, block_mean, means_and_clipped
from negconv.reading import read_rows, read_twice
from negconv.cli import main
from negconv.conversion import apply, decide, or_whole, survey
from negconv.icc import icc_profile
from negconv.flat import flatten, panel_field
from negconv.hashes import Hashing
from negconv.resample import Cut
from negconv.roll import Roll
from negconv.rows import Rows, in_parts, rows_of_file
from negconv.synthetic import rawfile
from negconv.synthetic.roll import make_roll

from test_roll import contents

PLAIN = Recipe(spots="off", film="colour")


def noise(shape, seed=1, top=65536):
    return np.random.default_rng(seed).integers(0, top, shape).astype(np.uint16)


def in_whole(samples):
    return samples.whole() if isinstance(samples, Rows) else samples


def tiff(path, samples, **keys):
    tifffile.imwrite(path, samples, photometric="rgb", **keys)
    return path


@pytest.mark.parametrize("rows", [None, 7, 64])
@pytest.mark.parametrize("shape", [(1, 1, 3), (61, 43, 3), (400, 900, 3)])
def test_a_plain_tiff_stays_in_its_file(tmp_path, shape, rows):
    samples = noise(shape)
    path = tiff(tmp_path / "a.tif", samples, rowsperstrip=rows)
    capture = read_rows(path)
    assert isinstance(capture.samples, Rows) and capture.shape == shape[:2] and capture.samples.dtype == np.uint16
    h, w = shape[:2]
    assert (capture.samples.whole() == samples).all() and (capture.samples.part(0, 1, 0, w) == samples[:1]).all()
    assert (capture.samples.part(h // 3, h, w // 4, w - w // 4) == samples[h // 3:, w // 4:w - w // 4]).all()
    whole = read(path)
    assert (whole.samples == samples).all() and whole.meta == capture.meta and whole.white == capture.white
    assert (capture.data == whole.data).all()


@pytest.mark.parametrize("keys", [{"compression": "zlib"}, {"planarconfig": "separate"}, {"byteorder": ">"},
                                  {"tile": (32, 32)}, {"extratags": [(274, "H", 1, 6)]},
                                  {"predictor": 2, "compression": "zlib"}, "eight", "float", "grey"], ids=str)
def test_any_other_is_read_as_ever(tmp_path, keys):
    samples = noise((61, 43, 3))
    path = tmp_path / "a.tif"
    if keys == "grey":
        tifffile.imwrite(path, samples[..., 0])
    elif isinstance(keys, str):
        tiff(path, {"eight": samples.astype(np.uint8), "float": samples / np.float32(65535)}.get(keys, samples))
    elif keys.get("planarconfig"):
        tiff(path, np.ascontiguousarray(np.moveaxis(samples, 2, 0)), **keys)
    else:
        tiff(path, samples, **keys)
    ours, plain = read_rows(path), read(path)
    assert isinstance(ours.samples, np.ndarray) and ours.meta == plain.meta and ours.white == plain.white
    assert ours.samples.dtype == plain.samples.dtype and (ours.samples == plain.samples).all()


@pytest.mark.parametrize("loops", [True, False])
def test_a_curved_tiff_stays_in_its_file_too(tmp_path, monkeypatch, loops):
    if not loops:
        monkeypatch.setattr("negconv.kernel.loops", None)
    codes = noise((131, 43, 3))
    profile = icc_profile("srgb", False)
    for path, stated in ((tiff(tmp_path / "a.tif", codes), "srgb"), (tiff(tmp_path / "b.tif", codes, iccprofile=profile), "auto")):
        rows, whole = read_rows(path, linearity=stated), read(path, linearity=stated)
        assert isinstance(rows.samples, Rows) == loops and rows.white == 1.0 and rows.meta == whole.meta
        # IEC 61966-2-1, 5.2, in double precision
        v = codes / 65535
        light = np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4)
        np.testing.assert_allclose(rows.data, light, rtol=2e-4, atol=2e-6)
        assert rows.data.dtype == np.float32 and (rows.data == whole.data).all()
        if loops:
            assert (rows.samples.part(3, 90, 5, 40) == whole.samples[3:90, 5:40]).all()
        for k in (1, 7, 43):
            assert (block_mean(rows.samples, k, 0.3) == block_mean(whole.samples, k, 0.3)).all()
            share = (whole.samples[::4, ::4] >= np.float32(0.8)).any(axis=-1).mean()
            assert means_and_clipped(rows.samples, k, 0.3, 0.8, 4)[1] == pytest.approx(share, abs=1e-12)


@pytest.mark.parametrize("k", [1, 2, 7, 43])
def test_means_and_parts(tmp_path, k, monkeypatch):
    samples = noise((131, 43, 3))
    monkeypatch.setattr("negconv.rows.AT_ONCE", 5000)
    rows = read_rows(tiff(tmp_path / "a.tif", samples)).samples
    assert (block_mean(rows, k, 0.3) == block_mean(samples, k, 0.3)).all()
    parts = list(in_parts(rows, k))
    assert len(parts) > 2 and all(y % k == 0 for y, _ in parts)
    assert (np.concatenate([part for _, part in parts]) == samples).all()


@pytest.mark.parametrize("every", [1, 4, 8])
@pytest.mark.parametrize("k", [1, 5, 40])
def test_the_share_at_the_ceiling(tmp_path, k, every):
    samples = noise((131, 43, 3))
    ceiling = float(np.quantile(samples, 0.93)) - 0.5
    rows = read_rows(tiff(tmp_path / "a.tif", samples)).samples
    share = (samples[::every, ::every] >= ceiling).any(axis=-1).mean()  # numpy's own count
    assert 0.1 < share < 0.3
    for given in (rows, samples, samples.astype(np.float32)):
        means, found = means_and_clipped(given, k, 0.3, ceiling, every)
        assert found == pytest.approx(share, abs=1e-12)
        np.testing.assert_allclose(means, block_mean(samples, k, 0.3), rtol=1e-6)


@pytest.mark.parametrize("pattern", ("RGGB", "GBRG"))
@pytest.mark.parametrize("area", (None, (4, 6, 48, 80), (5, 7, 49, 81)))
@pytest.mark.parametrize("orientation", (1, 6))
def test_a_raw_file_opened_once_gives_what_two_readings_do(tmp_path, pattern, area, orientation):
    cfa = noise((52, 84), top=16383)
    rawfile.write_dng(tmp_path / "a.dng", cfa, pattern=pattern, active_area=area, orientation=orientation)
    path = os.fspath(tmp_path / "a.dng")
    stages = read_twice(path)
    small = next(stages)
    assert small.reduced == 2
    half = read(path, reduced=True)
    got = in_whole(small.samples)
    assert (got == half.samples).all() and small.meta == half.meta and small.white == half.white
    whole = next(stages)
    assert (whole.samples.whole() == read(path).samples).all() and whole.reduced == 1
    # The mosaic is LibRaw's memory: it is there for as long as it is asked for.
    assert next(stages, None) is None
    assert (in_whole(small.samples) == half.samples).all()


def test_a_file_cut_short_under_way_is_refused(tmp_path):
    """By reading, not by mapping: a map of what is no longer there ends the process."""
    path = tiff(tmp_path / "a.tif", noise((400, 300, 3)))
    capture = read_rows(path)
    os.truncate(path, 100_000)
    with pytest.raises(InputError, match="a.tif: was cut short while it was read"):
        capture.proxy(100)
    with pytest.raises(InputError, match="cut short"):
        read_rows(path)


@pytest.fixture(scope="module")
def pictures(tmp_path_factory):
    """One capture and its panel frame as plain TIFF."""
    folder = tmp_path_factory.mktemp("plain")
    make_roll(folder, frames=1, megapixels=0.4, seed=4, jobs=1)
    for name in ("frame01", "panel"):
        capture = read(folder / "captures" / f"{name}.dng")
        tiff(folder / f"{name}.tif", (capture.data * 65535).astype(np.uint16))
    return folder


def test_panel_and_survey_are_those_of_the_array(pictures):
    panel, capture = read(pictures / "panel.tif"), read(pictures / "frame01.tif")
    assert isinstance(capture.samples, np.ndarray)
    field = panel_field(panel)
    assert (panel_field(pictures / "panel.tif").grid == field.grid).all()
    rows = read_rows(pictures / "frame01.tif")
    assert isinstance(rows.samples, Rows)
    ours, plain = survey(rows, panel=field), survey(capture, panel=field)
    assert ours.frames == plain.frames and ours.base == plain.base and ours.clipped == plain.clipped
    assert all((a == b).all() for a, b in zip(ours.evidence, plain.evidence))
    assert (flatten(rows, field).data == flatten(capture, field).data).all()


@pytest.mark.parametrize("turned", [False, True])
def test_inverted_from_its_file_as_from_memory(pictures, turned):
    capture, rows = read(pictures / "frame01.tif"), read_rows(pictures / "frame01.tif")
    field = panel_field(pictures / "panel.tif")
    plan = decide(or_whole(survey(capture, panel=field)), film="colour")[0]
    if turned:
        plan = replace(plan, cut=Cut(((0.0, -1.0, capture.shape[1] - 20.0), (1.0, 0.0, 10.0)), (300, 200)))
    ours, plain = (apply(c, plan, panel=field) for c in (rows, capture))
    assert (ours.linear == plain.linear).all() and (ours.density == plain.density).all()


@pytest.mark.parametrize("ending", ["tif", "dng"])
def test_a_conversion_begun_early_makes_the_same_bytes(pictures, tmp_path, monkeypatch, ending):
    """The command begins to read a single capture before it imports what else it needs."""
    monkeypatch.setenv("OMP_NUM_THREADS", "1")
    folder = pictures if ending == "tif" else pictures / "captures"
    source, panel = folder / f"frame01.{ending}", folder / f"panel.{ending}"
    options = ["--panel", str(panel), "-o", str(tmp_path / "a"), "--film", "colour", "--quiet"]
    assert main(["convert", str(source), *options]) == 0
    results = list(Roll([source], panel=panel, recipe=PLAIN).convert(tmp_path / "b"))
    assert [r.status for r in results] == ["ok"] and contents(tmp_path / "a") == contents(tmp_path / "b")


def test_a_capture_changed_while_its_rows_are_read_is_not_finished(pictures, tmp_path, monkeypatch):
    source = tmp_path / "frame01.tif"
    source.write_bytes((pictures / "frame01.tif").read_bytes())
    made = jobs.apply_encoded

    def changed(*args, **keys):
        got = made(*args, **keys)
        os.utime(source, ns=(1, 1))
        return got

    monkeypatch.setattr(jobs, "apply_encoded", changed)
    results = list(Roll([source], panel=pictures / "panel.tif", recipe=PLAIN).convert(tmp_path / "out", jobs=1))
    assert [r.status for r in results] == ["failed"] and "was changed while the roll" in results[0].message
    assert os.listdir(tmp_path / "out") == []


def test_rows_serve_a_capture_of_any_kind():
    samples = noise((30, 20, 3))
    rows = Rows(samples.shape, lambda y0, y1, x0, x1: samples[y0:y1, x0:x1].copy())
    ours = Capture(rows, 65535.0)
    assert ours.shape == (30, 20) and (ours.data == Capture(samples, 65535.0).data).all()
    assert (ours.proxy(10).data == Capture(samples, 65535.0).proxy(10).data).all() and PROXY == 1500


@pytest.mark.parametrize("compiled", [True, False])
def test_a_window_of_a_file(tmp_path, monkeypatch, compiled):
    """Columns of some lines, from bytes that begin anywhere; a file that ends within them is refused."""
    if not compiled:
        monkeypatch.setattr(kernel, "loops", None)
    samples = noise((20, 11, 3))
    path = tmp_path / "some"
    path.write_bytes(b"head!" + samples.tobytes())
    rows = rows_of_file(os.fspath(path), 5, samples.shape)
    for y0, y1, x0, x1 in ((0, 20, 0, 11), (3, 4, 10, 11), (2, 19, 4, 9), (5, 5, 0, 11), (5, 8, 3, 3)):
        assert (rows.part(y0, y1, x0, x1) == samples[y0:y1, x0:x1]).all()
    os.truncate(path, 5 + samples.nbytes - 1)
    assert (rows.part(0, 20, 0, 10) == samples[:, :10]).all()
    for x0 in (0, 10):
        with pytest.raises(InputError, match="was cut short"):
            rows.part(0, 20, x0, 11)


def test_files_are_hashed_in_the_background(tmp_path):
    """SHA-256 of "abc": FIPS 180-4's example."""
    path, gone = os.fspath(tmp_path / "a"), os.fspath(tmp_path / "b")
    (tmp_path / "a").write_bytes(b"abc")
    hashing = Hashing([path, gone])
    assert path in hashing and gone in hashing and "c" not in hashing
    for _ in range(2):
        assert hashing.result(path) == ("ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad", 3,
                                        os.stat(path).st_mtime_ns)
        with pytest.raises(InputError, match="cannot be read"):
            hashing.result(gone)
    with pytest.raises(ValueError):
        Hashing(["nul\0"]).result("nul\0")

"""Tags read by ourselves against those tifffile reads from the same files."""
from __future__ import annotations

import struct

import numpy as np
import pytest
import tifffile

from negconv import images, read
from negconv.exif import Metadata
from negconv.output import write_image
from negconv.reading import read_rows
from negconv.rows import Rows
from negconv.tags import EXIF, ordinary_tags, parts_of

PIXELS = np.random.default_rng(3).integers(0, 65536, (70, 50, 3), np.uint16)


def by_tifffile(path):
    with tifffile.TiffFile(path) as tiff:
        page = tiff.pages[0]
        return {t.code: t.value for t in page.tags}, (page.dataoffsets, page.databytecounts), len(tiff.pages), tiff.byteorder


def as_ours(value):
    """tifffile's enumerations as the numbers they stand for, and one number as such."""
    if isinstance(value, tuple):
        return as_ours(value[0]) if len(value) == 1 else tuple(map(as_ours, value))
    return int(value) if hasattr(value, "name") else value


def check(path):
    tags, alone, order = ordinary_tags(path)
    theirs, parts, pages, byteorder = by_tifffile(path)
    assert set(tags) == set(theirs) and order == byteorder and alone == (pages == 1)
    assert parts_of(tags) == tuple(map(tuple, parts))
    for code, value in theirs.items():
        if code != EXIF and not isinstance(value, (dict, np.ndarray)):
            assert tags[code] == as_ours(value), code
    if EXIF in theirs:
        names = dict(tifffile.TIFF.EXIF_TAGS.items())
        for code, value in tags[EXIF].items():
            if not isinstance(theirs[EXIF].get(names.get(code)), (np.ndarray, type(None))):
                assert value == as_ours(theirs[EXIF][names[code]]), code
    return tags


@pytest.mark.parametrize("how", [
    {}, {"byteorder": ">"}, {"rowsperstrip": 7}, {"tile": (16, 16)}, {"compression": "zlib"}, {"planarconfig": "separate"},
    {"extratags": [(271, 2, 0, "Invented", True), (33434, 5, 1, (1, 60), True), (50721, 10, 9, (1, -3) * 9, True),
                   (42036, 2, 0, "Lens, 60 mm", True), (40000, 12, 2, (0.5, 2.0), True), (40001, 8, 3, (-1, 2, 3), True)]}])
def test_tags_are_those_tifffile_reads(tmp_path, how):
    path = str(tmp_path / "a.tif")
    tifffile.imwrite(path, np.moveaxis(PIXELS, 2, 0) if "planarconfig" in how else PIXELS, photometric="rgb", metadata=None, **how)
    check(path)
    tifffile.imwrite(path, PIXELS[::2], photometric="rgb", append=True)
    check(path)


def test_exif_and_raw_files(tmp_path, monkeypatch):
    path = str(tmp_path / "a.tif")
    data = Metadata(make="Invented", model="Copy A", lens="Lens", exposure_s=1 / 60, aperture=8.0, iso=100.0, focal_mm=60.0)
    write_image(path, PIXELS, metadata=data)
    tags = check(path)
    assert tags[271] == "Invented" and tags[EXIF][33437] == (8, 1)
    from negconv.synthetic.roll import make_roll

    make_roll(tmp_path, frames=1, megapixels=0.05, jobs=1)
    for dng in sorted((tmp_path / "captures").glob("*.dng")):
        check(str(dng))
        ours = images.tiff_tags(str(dng))
        with monkeypatch.context() as patch:
            patch.setattr(images, "ordinary_tags", lambda path: None)
            theirs = images.tiff_tags(str(dng))
        for code in (271, 272, 50708, 306, 36867, 42036, 33434, 33437, 34855, 37386, 50779, 50721, 50722, 50713):
            assert ours.get(code) == as_ours(theirs.get(code)), code
        assert ours["strips"] == tuple(map(tuple, theirs["strips"]))


@pytest.mark.parametrize("change", ["none", "order", "compressed", "tiled", "planes", "grey", "alpha", "predictor", "gap", "turned",
                                    "short"])
def test_rows_are_handed_out_of_plain_files_alone(tmp_path, change):
    path = str(tmp_path / "a.tif")
    how = {"order": {"byteorder": ">"}, "compressed": {"compression": "zlib"}, "tiled": {"tile": (16, 16)},
           "planes": {"planarconfig": "separate"}, "predictor": {"compression": "zlib", "predictor": True},
           "turned": {"extratags": [(274, 3, 1, 6, True)]}}.get(change, {})
    pixels = {"planes": np.moveaxis(PIXELS, 2, 0), "grey": PIXELS[..., 0], "alpha": np.dstack([PIXELS, PIXELS[..., :1]])}.get(change, PIXELS)
    tifffile.imwrite(path, pixels, photometric="minisblack" if change == "grey" else "rgb", rowsperstrip=16 if not how else None, **how)
    data = bytearray((tmp_path / "a.tif").read_bytes())
    if change == "gap":
        tags = ordinary_tags(path)[0]
        at = data.index(struct.pack("<2I", *tags[273][:2]))
        struct.pack_into("<2I", data, at, tags[273][1], tags[273][0])  # two strips change places
    if change == "short":
        del data[-10:]
    (tmp_path / "a.tif").write_bytes(data)
    rows = images._in_rows(path, "auto")
    assert (rows is not None) == (change == "none")
    if change == "short":
        with pytest.raises(Exception, match="cut short"):
            read_rows(path)
        return
    seen = read_rows(path)
    assert isinstance(seen.samples, Rows) == (change == "none")
    whole = read(path)
    np.testing.assert_array_equal(seen.samples.whole() if change == "none" else seen.samples, whole.samples)
    assert seen.meta == whole.meta and seen.white == whole.white


def test_what_is_out_of_the_ordinary_is_left_to_tifffile(tmp_path):
    path = tmp_path / "a.tif"
    tifffile.imwrite(path, PIXELS, photometric="rgb", bigtiff=True)
    assert ordinary_tags(str(path)) is None
    tifffile.imwrite(path, PIXELS, photometric="rgb", metadata=None)
    data = path.read_bytes()
    at, = struct.unpack_from("<I", data, 4)
    count, = struct.unpack_from("<H", data, at)
    rng = np.random.default_rng(1)
    for cut in (0, 4, 8, at + 1, at + 20, at + 2 + 12 * count):
        path.write_bytes(data[:cut])
        assert ordinary_tags(str(path)) is None
    for _ in range(300):
        damaged = bytearray(data)
        for place in rng.integers(4, at + 6 + 12 * count, 3):
            damaged[place] = rng.integers(256)
        path.write_bytes(damaged)
        found = ordinary_tags(str(path))
        assert found is None or isinstance(found[0], dict)
    assert ordinary_tags(str(tmp_path / "none")) is None

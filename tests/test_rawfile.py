"""The invented raw files against two outside readers: LibRaw (through rawpy) and tifffile."""
from __future__ import annotations

from datetime import datetime

import numpy as np
import pytest

from negconv.synthetic import rawfile

SHAPES = ((40, 60), (41, 61))


@pytest.mark.parametrize("pattern", rawfile.PATTERNS)
@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("white", (16383, 4095))
def test_libraw_gives_every_value_back(tmp_path, pattern, shape, white):
    import rawpy

    cfa = np.random.default_rng(1).integers(0, white + 1, shape).astype(np.uint16)
    path = tmp_path / "a.dng"
    rawfile.write_dng(path, cfa, pattern=pattern, black=256, white=white)
    with rawpy.imread(str(path)) as raw:
        assert np.array_equal(raw.raw_image_visible, cfa)
        assert raw.white_level == white
        assert raw.black_level_per_channel == [256] * 4
        seen = "".join("RGBG"[raw.raw_pattern[i, j]] for i in (0, 1) for j in (0, 1))
        assert seen == pattern


@pytest.mark.parametrize("orientation, flip", ((1, 0), (3, 3), (6, 6), (8, 5)))
def test_libraw_reads_the_orientation(tmp_path, orientation, flip):
    import rawpy

    path = tmp_path / "a.dng"
    rawfile.write_dng(path, np.full((40, 60), 900, np.uint16), orientation=orientation)
    with rawpy.imread(str(path)) as raw:
        assert raw.sizes.flip == flip


def test_tags_as_the_dng_specification_numbers_them(tmp_path):
    """DNG 1.4, chapter 4; EXIF tags by CIPA DC-008."""
    import tifffile

    path = tmp_path / "a.dng"
    rawfile.write_dng(path, np.full((40, 60), 900, np.uint16), exposure=1 / 125, iso=200, aperture=5.6, focal=55,
                      lens="Lens L", datetime=datetime(2026, 5, 4, 3, 2, 1), as_shot_neutral=(0.5, 1, 0.25))
    with tifffile.TiffFile(path) as tiff:
        page = tiff.pages[0]
        assert page.photometric == 32803
        assert bytes(page.tags[50706].value) == bytes([1, 4, 0, 0])
        matrix = np.array(page.tags[50721].value, float).reshape(3, 3, 2)
        assert np.allclose(matrix[..., 0] / matrix[..., 1], rawfile.CAMERA_MATRIX, atol=5e-5)
        neutral = np.array(page.tags[50728].value, float).reshape(3, 2)
        assert np.allclose(neutral[:, 0] / neutral[:, 1], (0.5, 1, 0.25))
        exif = page.tags[34665].value
    assert exif["ExposureTime"] == (1, 125)
    assert exif["FNumber"] == (28, 5)
    assert exif["ISOSpeedRatings"] == 200
    assert exif["FocalLength"] == (55, 1)
    assert exif["LensModel"] == "Lens L"
    assert exif["DateTimeOriginal"] == "2026:05:04 03:02:01"


def test_mosaic_takes_the_right_channel_and_rounds():
    rgb = np.zeros((4, 6, 3), np.float32)
    rgb[..., 0], rgb[..., 1], rgb[..., 2] = 0.25, 0.5, 1.5
    cfa = rawfile.mosaic(rgb, "GBRG", black=100, white=1100)
    assert cfa.dtype == np.uint16
    assert (cfa[0::2, 0::2] == 600).all() and (cfa[1::2, 1::2] == 600).all()
    assert (cfa[0::2, 1::2] == 1100).all()      # above saturation
    assert (cfa[1::2, 0::2] == 350).all()


def test_photon_noise_has_the_poisson_deviation():
    """Standard deviation over mean = 1 / sqrt(electrons) for Poisson counts."""
    rgb = np.full((300, 300, 3), 0.4, np.float32)
    cfa = rawfile.mosaic(rgb, black=500, white=60500, electrons=10000, read_noise=0, rng=np.random.default_rng(0))
    light = (cfa.astype(float) - 500) / 60000
    assert abs(light.mean() - 0.4) < 2e-4
    assert light.std() / light.mean() == pytest.approx(1 / np.sqrt(0.4 * 10000), rel=0.02)


def test_wrong_arguments_are_named():
    with pytest.raises(ValueError, match="pattern"):
        rawfile.colour_planes("RGBG")
    with pytest.raises(ValueError, match="uint16"):
        rawfile.write_dng("unused.dng", np.zeros((40, 60)))

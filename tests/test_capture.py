"""Reading: values against arrays written by other libraries, and one clear line for everything that is no picture."""
from __future__ import annotations

import os
import struct
import warnings
import zlib

import numpy as np
import pytest
import rawpy

import negconv
from negconv import InputError, read
from negconv.capture import Capture, Meta
from negconv.synthetic import rawfile

RGB = (0.21, 0.47, 0.09)


def exact_code(value: float, black: int, white: int) -> int:
    return int(value * (white - black) + 0.5)


def flat_dng(path, shape=(48, 72), pattern="RGGB", black=512, white=16383, rgb=RGB, **keys):
    light = np.broadcast_to(np.array(rgb, np.float32), shape + (3,))
    rawfile.write_dng(path, rawfile.mosaic(light, pattern, black=black, white=white), pattern=pattern, black=black,
                      white=white, **keys)
    return path


# ---- raw -----------------------------------------------------------------------------------------------------------

@pytest.mark.parametrize("pattern", rawfile.PATTERNS)
@pytest.mark.parametrize("shape", ((48, 72), (49, 73), (48, 73), (49, 72)))
@pytest.mark.parametrize("black, white", ((512, 16383), (256, 4095), (0, 65535)))
def test_raw_values_come_back_exact(tmp_path, pattern, shape, black, white):
    """Every measured photosite to the code value; what the demosaic fills in, on a flat field, to one."""
    capture = read(flat_dng(tmp_path / "a.dng", shape, pattern, black, white))
    assert capture.shape == shape
    assert capture.white == white - black
    assert capture.meta.kind == "raw"
    codes = [exact_code(value, black, white) for value in RGB]
    for rows, columns, channel in rawfile.colour_planes(pattern):
        assert (capture.samples[rows, columns, channel] == codes[channel]).all()
    assert np.abs(capture.samples.astype(int) - codes).max() <= 1
    assert capture.data.dtype == np.float32
    assert np.allclose(capture.data, RGB, atol=1.6 / (white - black))


@pytest.mark.parametrize("pattern", rawfile.PATTERNS)
def test_measured_photosites_keep_their_values(tmp_path, pattern):
    """Demosaicing fills in what was not measured; on a smooth slope what was measured stays to the code value."""
    y, x = np.mgrid[0:48, 0:72]
    cfa = (2000 + 40 * x + 25 * y).astype(np.uint16)
    rawfile.write_dng(tmp_path / "a.dng", cfa, pattern=pattern, black=512)
    samples = read(tmp_path / "a.dng").samples
    for rows, columns, channel in rawfile.colour_planes(pattern):
        inner = np.s_[3:-3, 3:-3]
        assert np.array_equal(samples[rows, columns, channel][inner], cfa[rows, columns][inner] - 512)


@pytest.mark.parametrize("pattern", rawfile.PATTERNS)
@pytest.mark.parametrize("top, left", ((4, 6), (3, 5)))
def test_only_the_active_area_is_kept(tmp_path, pattern, top, left):
    """DNG 1.4, tag ActiveArea; the pattern of the filters counts from its corner."""
    light = np.broadcast_to(np.array(RGB, np.float32), (48, 72, 3))
    cfa = np.full((48 + top + 2, 72 + left + 3), 520, np.uint16)         # masked photosites round it
    cfa[top:top + 48, left:left + 72] = rawfile.mosaic(light, pattern)
    rawfile.write_dng(tmp_path / "a.dng", cfa, pattern=pattern, active_area=(top, left, top + 48, left + 72))
    capture = read(tmp_path / "a.dng")
    odd = top % 2                           # LibRaw 0.22 leaves one line off so that the pattern starts on an even one
    assert capture.shape == (48 - odd, 72 - odd)
    assert np.abs(capture.samples.astype(int) - [exact_code(v, 512, 16383) for v in RGB]).max() <= 1


def test_linear_in_light(tmp_path):
    """A ramp over four decades comes back in proportion: no gamma, no brightening, no white balance."""
    steps = np.repeat(np.float32(10.0) ** -np.linspace(0.05, 3.0, 12), 12)
    light = np.broadcast_to(steps[None, :, None] * np.float32(1), (64, 144, 3))
    rawfile.write_dng(tmp_path / "a.dng", rawfile.mosaic(light))
    data = read(tmp_path / "a.dng").data
    for i, value in enumerate(steps[5::12]):
        assert np.allclose(data[10:-10, 12 * i + 5:12 * i + 7], value, atol=1.6 / 15871)


@pytest.mark.parametrize("orientation", range(1, 9))
def test_orientation_is_applied_as_exif_defines_it(tmp_path, orientation):
    """Against Pillow's own ImageOps.exif_transpose (CIPA DC-008, tag Orientation), for a DNG and for a TIFF.

    Raw cameras turn and do not mirror, and LibRaw knows the turns only.
    """
    import tifffile
    from PIL import Image, ImageOps

    marked = np.full((48, 72), 4000, np.uint16)
    marked[4:20, 6:30] = 12000                                          # top left, wider than high
    picture = Image.fromarray((marked >> 8).astype(np.uint8))
    exif = Image.Exif()
    exif[274] = orientation
    picture.info["exif"] = exif.tobytes()
    picture._exif = exif
    expected = np.asarray(ImageOps.exif_transpose(picture)).astype(int) << 8

    tifffile.imwrite(tmp_path / "a.tif", np.repeat(marked[..., None], 3, 2), photometric="rgb",
                     extratags=[(274, 3, 1, orientation, True)])
    got = read(tmp_path / "a.tif")
    assert got.shape == expected.shape
    assert np.array_equal(got.samples[..., 1] >> 8, expected >> 8)

    if orientation in (1, 3, 6, 8):
        rawfile.write_dng(tmp_path / "a.dng", marked, black=0, white=16383, orientation=orientation)
        got = read(tmp_path / "a.dng")
        assert got.shape == expected.shape
        assert ((got.samples[..., 1].astype(int) > 8000) == (expected > 8000)).mean() > 0.99
        assert got.meta.orientation == orientation


def test_reduced_read_is_half_the_size_and_the_same_light(tmp_path):
    path = flat_dng(tmp_path / "a.dng", (64, 96))
    capture = read(path, reduced=True)
    assert capture.shape == (32, 48)
    assert capture.reduced == 2
    assert np.allclose(capture.data, RGB, atol=1e-4)


@pytest.mark.parametrize("pattern", ("RGGB", "BGGR", "GRBG", "GBRG"))
@pytest.mark.parametrize("black", (512, (500, 520, 540, 560)))
@pytest.mark.parametrize("area", (None, (4, 6, 48, 80), (5, 7, 49, 81)))
@pytest.mark.parametrize("orientation", (1, 3, 6, 8))
def test_a_reduced_read_is_what_libraw_makes_at_half_size(tmp_path, inner_loops, pattern, black, area, orientation):
    """Every Bayer order, black levels that differ, margins even and odd, turned; against rawpy's half_size."""
    path = tmp_path / "a.dng"
    cfa = np.random.default_rng(5).integers(400, 16383, (52, 84)).astype(np.uint16)
    rawfile.write_dng(path, cfa, pattern=pattern, black=black, active_area=area, orientation=orientation)
    with rawpy.imread(str(path)) as raw:
        expected = raw.postprocess(half_size=True, gamma=(1, 1), no_auto_bright=True, no_auto_scale=True, user_wb=[1] * 4,
                                   output_color=rawpy.ColorSpace.raw, output_bps=16)
    capture = read(path, reduced=True)
    assert np.array_equal(capture.samples, np.minimum(expected, int(capture.white)))


@pytest.mark.parametrize("black, white", ((512, 16383), (256, 4095)))
def test_saturated_pixels_are_known(tmp_path, black, white):
    cfa = np.full((48, 72), (black + white) // 2, np.uint16)
    cfa[16:32, 24:48] = white
    rawfile.write_dng(tmp_path / "a.dng", cfa, black=black, white=white)
    capture = read(tmp_path / "a.dng")
    saturated = capture.saturated()
    assert saturated[18:30, 26:46].all()
    assert not saturated[:12].any() and not saturated[:, :20].any()
    assert capture.data.max() <= 1.0


def test_light_below_black_is_not_wrapped_round(tmp_path):
    cfa = np.full((48, 72), 500, np.uint16)                              # below the black level of 512
    rawfile.write_dng(tmp_path / "a.dng", cfa)
    assert (read(tmp_path / "a.dng").samples == 0).all()


def test_what_the_camera_says_is_kept(tmp_path):
    capture = read(flat_dng(tmp_path / "a.dng", make="Invented", model="Copy B", exposure=1 / 125, iso=200,
                            aperture=5.6, focal=55.0, lens="Lens L"))
    meta = capture.meta
    assert (meta.make, meta.model, meta.lens) == ("Invented", "Copy B", "Lens L")
    assert meta.exposure_s == pytest.approx(1 / 125)
    assert (meta.aperture, meta.iso, meta.focal_mm) == (pytest.approx(5.6), 200, 55)
    assert "2026" in meta.time
    assert np.allclose(meta.camera_matrix, rawfile.CAMERA_MATRIX, atol=1e-4)
    assert Meta.from_dict(meta.to_dict()) == meta


# ---- TIFF, PNG, JPEG -----------------------------------------------------------------------------------------------

def srgb_to_linear(v):
    """IEC 61966-2-1, clause 5.2."""
    return np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4)


def picture(dtype, channels=3, shape=(20, 30)):
    rng = np.random.default_rng(3)
    if np.dtype(dtype).kind == "f":
        return rng.random(shape + ((channels,) if channels > 1 else ())).astype(dtype)
    return rng.integers(0, np.iinfo(dtype).max + 1, shape + ((channels,) if channels > 1 else ())).astype(dtype)


def save(path, array):
    if path.suffix == ".tif":
        import tifffile

        tifffile.imwrite(path, array, photometric="minisblack" if array.ndim == 2 or array.shape[2] == 2 else "rgb",
                         extrasamples=["unassalpha"] if array.ndim == 3 and array.shape[2] in (2, 4) else None)
    elif array.dtype == np.uint16:
        write_png16(path, array)
    else:
        from PIL import Image

        Image.fromarray(array).save(path)
    return path


def write_png16(path, array):
    """A 16-bit PNG by ISO/IEC 15948: filter 0 rows, one IDAT; not the writer under test."""
    array = array[..., None] if array.ndim == 2 else array
    h, w, channels = array.shape
    colour = {1: 0, 2: 4, 3: 2, 4: 6}[channels]
    rows = b"".join(b"\0" + array[y].astype(">u2").tobytes() for y in range(h))

    def chunk(name, data):
        return struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data))

    path.write_bytes(b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", struct.pack(">IIBBBBB", w, h, 16, colour, 0, 0, 0))
                     + chunk(b"IDAT", zlib.compress(rows)) + chunk(b"IEND", b""))


@pytest.mark.parametrize("suffix", (".tif", ".png"))
@pytest.mark.parametrize("channels", (1, 2, 3, 4))
@pytest.mark.parametrize("dtype", (np.uint8, np.uint16))
def test_integer_pictures(tmp_path, suffix, channels, dtype):
    array = picture(dtype, channels)
    capture = read(save(tmp_path / f"a{suffix}", array), linearity="linear")
    colour = array[..., None] if channels == 1 else array[..., :-1] if channels in (2, 4) else array
    assert capture.data.shape == (20, 30, 3)
    assert np.allclose(capture.data, colour / np.iinfo(dtype).max, atol=1e-6)
    assert capture.meta.grey == (channels < 3)
    assert ("alpha" in " ".join(capture.meta.notes)) == (channels in (2, 4))
    assert "linear" in capture.meta.assumed


@pytest.mark.parametrize("dtype", (np.float32, np.float64, np.float16))
def test_float_tiff_is_taken_as_it_is(tmp_path, dtype):
    array = picture(dtype)
    capture = read(save(tmp_path / "a.tif", array))
    assert np.allclose(capture.data, array, atol=1e-6)
    assert "linear" in capture.meta.assumed


def test_eight_bits_without_a_profile_are_taken_for_srgb_and_it_is_said(tmp_path):
    array = picture(np.uint8)
    for name in ("a.tif", "a.png"):
        capture = read(save(tmp_path / name, array))
        assert np.allclose(capture.data, srgb_to_linear(array / 255), atol=1e-6)
        assert "sRGB" in capture.meta.assumed


def test_sixteen_bits_without_a_profile_are_taken_as_linear_and_can_be_stated(tmp_path):
    path = save(tmp_path / "a.tif", picture(np.uint16))
    array = picture(np.uint16)
    assert np.allclose(read(path).data, array / 65535, atol=1e-6)
    stated = read(path, linearity="srgb")
    assert np.allclose(stated.data, srgb_to_linear(array / 65535), atol=1e-6)
    assert "stated" in stated.meta.assumed


def test_the_embedded_profile_decides(tmp_path):
    """littlecms' own sRGB profile in a 16-bit TIFF."""
    import tifffile
    from PIL import ImageCms

    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    array = picture(np.uint16)
    tifffile.imwrite(tmp_path / "a.tif", array, photometric="rgb", iccprofile=profile)
    capture = read(tmp_path / "a.tif")
    assert np.allclose(capture.data, srgb_to_linear(array / 65535), atol=2e-4)
    assert "profile" in capture.meta.assumed


def test_jpeg_is_srgb(tmp_path):
    from PIL import Image

    Image.new("RGB", (40, 30), (120, 60, 200)).save(tmp_path / "a.jpg", quality=100, subsampling=0)
    capture = read(tmp_path / "a.jpg")
    assert capture.shape == (30, 40)
    assert np.allclose(capture.data, srgb_to_linear(np.array([120, 60, 200]) / 255), atol=0.01)
    Image.new("L", (40, 30), 120).save(tmp_path / "grey.jpg", quality=100)
    grey = read(tmp_path / "grey.jpg")
    assert grey.meta.grey and np.allclose(grey.data, srgb_to_linear(np.array(120) / 255), atol=0.01)


def test_arrays_and_captures_pass():
    array = picture(np.uint16)
    capture = read(array)
    assert isinstance(capture, Capture) and np.allclose(capture.data, array / 65535)
    assert read(capture) is capture
    assert np.array_equal(read(picture(np.float32)).data, picture(np.float32))


def test_proxy_is_the_mean_of_blocks():
    array = picture(np.uint16, shape=(91, 122))
    proxy = read(array).proxy(31)
    k = proxy.reduced
    assert k == 4 and proxy.shape == (22, 30)
    expected = array[:88, :120].reshape(22, 4, 30, 4, 3).mean(axis=(1, 3)) / 65535
    assert np.allclose(proxy.data, expected, atol=1e-6)


@pytest.mark.parametrize("mode, dtype", (("RGB", np.uint8), ("I;16", np.uint16)))
def test_lzw_tiff(tmp_path, mode, dtype):
    """As libtiff packs it (through Pillow); of a strip that unpacks to more than is declared no more is taken."""
    from PIL import Image

    shape = (40, 50, 3)[:2 if mode == "I;16" else 3]
    codes = np.random.default_rng(3).integers(0, np.iinfo(dtype).max + 1, shape).astype(dtype)
    Image.fromarray(codes).save(tmp_path / "a.tif", compression="tiff_lzw")
    got = read(tmp_path / "a.tif", linearity="linear").data
    assert (np.rint(got * np.iinfo(dtype).max) == (codes if codes.ndim == 3 else codes[..., None])).all()


def test_lzw_without_what_unpacks_it_is_refused(tmp_path, monkeypatch):
    import tifffile
    from PIL import Image

    Image.new("RGB", (40, 30)).save(tmp_path / "a.tif", compression="tiff_lzw")
    monkeypatch.setattr(tifffile.TIFF, "DECOMPRESSORS", {1: None})
    with pytest.raises(InputError, match="a.tif.*LZW.*deflate.*pip install imagecodecs"):
        read(tmp_path / "a.tif")


# ---- what is no picture --------------------------------------------------------------------------------------------

def one_line(path, **keys) -> InputError:
    with pytest.raises(InputError) as caught:
        read(path, **keys)
    text = str(caught.value)
    assert "\n" not in text and text.startswith(str(path)) and caught.value.fault and caught.value.remedy
    return caught.value


@pytest.mark.parametrize("name", ("a.dng", "a.tif", "a.png", "a.jpg", "a.txt", "a"))
def test_not_a_picture(tmp_path, name):
    path = tmp_path / name
    path.write_bytes(b"Dear reader, this is a letter and not a picture. " * 40)
    one_line(path)
    path.write_bytes(b"")
    assert "empty" in one_line(path).fault
    path.unlink()
    assert "exist" in one_line(path).fault


@pytest.mark.parametrize("share", (0.003, 0.05, 0.5, 0.97))
@pytest.mark.parametrize("name", ("a.dng", "a.tif", "a.png", "a.jpg"))
def test_cut_short(tmp_path, capfd, name, share):
    path = tmp_path / name
    if name == "a.dng":
        cfa = np.random.default_rng(0).integers(600, 16000, (120, 160)).astype(np.uint16)
        rawfile.write_dng(path, cfa)
    elif name == "a.jpg":
        from PIL import Image

        Image.fromarray(picture(np.uint8, shape=(120, 160))).save(path, quality=95)
    else:
        save(path, picture(np.uint16, shape=(120, 160)))
    whole = path.read_bytes()
    path.write_bytes(whole[:max(4, int(len(whole) * share))])
    one_line(path)
    assert capfd.readouterr() == ("", "")                               # no decoder talks past the one line


def test_folder_and_unreadable_file(tmp_path):
    assert "folder" in one_line(tmp_path).fault
    path = save(tmp_path / "a.tif", picture(np.uint8))
    path.chmod(0)
    if not os.access(path, os.R_OK):                                    # root reads everything
        assert "opened" in one_line(path).fault


def test_a_signalling_nan_in_a_float_tiff(tmp_path):
    """IEEE 754 has arithmetic with one say "invalid", of which numpy warns: one line is enough, also where 0 is white."""
    import tifffile
    samples = np.full((20, 30), 0.25, np.float32)
    samples.view(np.uint32)[3, 4] = 0x7FA00000
    tifffile.imwrite(tmp_path / "a.tif", samples, photometric="miniswhite")
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        assert "NaN" in one_line(tmp_path / "a.tif").fault


@pytest.mark.parametrize("bad", (np.nan, np.inf, -np.inf))
def test_nan_and_infinity_in_a_float_tiff(tmp_path, bad):
    array = picture(np.float32)
    array[3, 4, 1] = bad
    fault = one_line(save(tmp_path / "a.tif", array)).fault
    assert "NaN" in fault or "infinity" in fault


def test_one_pixel(tmp_path):
    """One pixel is a picture, if a poor one: it is read, or refused in one line."""
    assert read(save(tmp_path / "a.tif", picture(np.uint16, shape=(1, 1)))).shape == (1, 1)
    assert read(save(tmp_path / "a.png", picture(np.uint16, shape=(1, 1)))).shape == (1, 1)
    rawfile.write_dng(tmp_path / "a.dng", np.full((1, 1), 900, np.uint16))
    one_line(tmp_path / "a.dng")


def test_thirty_thousand_pixels_wide(tmp_path):
    array = np.broadcast_to(np.arange(30000, dtype=np.uint16)[None, :, None], (24, 30000, 3))
    path = save(tmp_path / "a.tif", np.ascontiguousarray(array))
    capture = read(path)
    assert capture.shape == (24, 30000)
    assert (capture.samples[:, -1] == 29999).all()
    cfa = np.full((24, 30000), 4000, np.uint16)
    rawfile.write_dng(tmp_path / "a.dng", cfa)
    assert read(tmp_path / "a.dng").shape == (24, 30000)


def test_declared_sizes_are_checked_before_anything_is_allocated(tmp_path):
    path = tmp_path / "bomb.png"

    def chunk(name, data):
        return struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data))

    path.write_bytes(b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", struct.pack(">IIBBBBB", 200000, 200000, 8, 2, 0, 0, 0))
                     + chunk(b"IDAT", zlib.compress(b"\0" * 1000)) + chunk(b"IEND", b""))
    assert "200000" in one_line(path).fault.replace(",", "")
    tif = save(tmp_path / "bomb.tif", picture(np.uint8))
    data = bytearray(tif.read_bytes())
    directory = struct.unpack("<I", data[4:8])[0]
    for i in range(struct.unpack("<H", data[directory:directory + 2])[0]):
        at = directory + 2 + 12 * i
        if struct.unpack("<H", data[at:at + 2])[0] in (256, 257):
            data[at + 2:at + 12] = struct.pack("<HII", 4, 1, 200000)
    tif.write_bytes(data)
    one_line(tif)


def test_wrong_arrays_and_arguments():
    for bad in (np.zeros((3, 4, 5)), np.zeros(7), np.zeros((0, 4, 3)), np.zeros((3, 4), complex)):
        with pytest.raises(InputError):
            read(bad)
    with pytest.raises(InputError):
        read(np.full((3, 4), np.nan))
    with pytest.raises(InputError, match="linearity"):
        read(np.zeros((3, 4)), linearity="bent")


def test_hostile_names_stay_on_one_line(tmp_path):
    path = tmp_path / "a\nb\x1b[31m.dng"
    path.write_bytes(b"")
    with pytest.raises(InputError) as caught:
        read(path)
    assert "\n" not in str(caught.value) and "\x1b" not in str(caught.value)


def test_importing_the_package_reads_no_decoder():
    import subprocess
    import sys

    code = "import sys, negconv; print([m for m in ('rawpy', 'PIL', 'scipy', 'tifffile') if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True,
                          cwd=os.path.dirname(os.path.dirname(negconv.__file__)))
    assert done.stdout.strip() == "[]", done.stderr

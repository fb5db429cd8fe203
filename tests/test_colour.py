"""Output spaces and profiles against colour-science, the standards' printed tables, scikit-image and littlecms."""
from __future__ import annotations

import ctypes
import io
from pathlib import Path

import numpy as np
import pytest

from negconv import colour
from negconv.icc import icc_profile

NAMES = sorted(colour.SPACES)
# colour-science 0.4, colour.RGB_COLOURSPACES
PUBLISHED = {"srgb": "sRGB", "display-p3": "Display P3", "rec2020": "ITU-R BT.2020", "romm": "ROMM RGB"}


def published(space):
    import colour as science

    return science.RGB_COLOURSPACES[PUBLISHED[space]]


@pytest.mark.parametrize("space", PUBLISHED)
def test_primaries_and_whites_are_the_published_ones(space):
    *primaries, white = colour.PRIMARIES[space]
    reference = published(space)
    np.testing.assert_allclose(primaries, reference.primaries, atol=1e-12)
    np.testing.assert_allclose(colour.WHITES[white], reference.whitepoint, atol=1e-12)


@pytest.mark.parametrize("space", PUBLISHED)
def test_matrices_to_xyz(space):
    # Standards print four places: IEC 61966-2-1 and ISO 22028-2 differ from the exact matrix by their rounding.
    np.testing.assert_allclose(colour.to_xyz(space), published(space).matrix_RGB_to_XYZ, atol=2.5e-4)


def test_srgb_matrix_as_printed():
    # IEC 61966-2-1:1999, equation 7
    printed = [[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]
    np.testing.assert_allclose(colour.matrix("srgb", "xyz-d65"), printed, atol=5.1e-5)


@pytest.mark.parametrize("target", PUBLISHED)
@pytest.mark.parametrize("source", PUBLISHED)
def test_matrices_between_spaces(source, target):
    import colour as science

    reference = science.matrix_RGB_to_RGB(published(source), published(target), "Bradford")
    np.testing.assert_allclose(colour.matrix(source, target), reference, atol=6e-4)
    there_and_back = np.array(colour.matrix(target, source)) @ colour.matrix(source, target)
    np.testing.assert_allclose(there_and_back, np.eye(3), atol=1e-12)
    np.testing.assert_allclose(np.sum(colour.matrix(source, target), axis=1), 1, atol=3e-4)


@pytest.mark.parametrize("space", ["srgb", "display-p3", "romm"])
def test_transfer_functions(space):
    v = np.linspace(0, 1, 4097)
    np.testing.assert_allclose(colour.encode(v, space), published(space).cctf_encoding(v), atol=1e-12)
    np.testing.assert_allclose(colour.decode(v, space), published(space).cctf_decoding(v), atol=1e-12)


def test_rec2020_transfer_function_is_continuous_and_near_the_rounded_constants():
    # ITU-R BT.2020-2, table 4: alpha 1.099, beta 0.018 for 10 bits, 1.0993 and 0.0181 for 12; exact values join smoothly.
    v = np.linspace(0, 1, 4097)
    alpha, beta = 1.0993, 0.0181
    printed = np.where(v < beta, 4.5 * v, alpha * np.power(v, 0.45) - (alpha - 1))
    np.testing.assert_allclose(colour.encode(v, "rec2020"), printed, atol=5e-5)
    beta = 0.018053968510807
    below, above = colour.encode(np.array([beta * (1 - 1e-9), beta * (1 + 1e-9)]), "rec2020")
    assert 0 <= above - below < 1e-9


def test_srgb_against_scikit_image():
    from skimage.color import rgb2xyz

    v = np.linspace(0, 1, 1025)
    xyz = rgb2xyz(np.stack([v, v, v], axis=1)[None])[0]
    np.testing.assert_allclose(colour.decode(v, "srgb"), xyz[:, 1], atol=1e-6)


@pytest.mark.parametrize("space", NAMES)
def test_encoding_keeps_type_shape_sign_and_order(space):
    v = np.linspace(-0.5, 3, 3000, dtype=np.float32).reshape(3, -1)
    out = colour.encode(v, space)
    assert out.dtype == np.float32 and out.shape == v.shape
    assert (np.diff(out.ravel()) > 0).all() and (np.sign(out) == np.sign(v)).all()
    np.testing.assert_allclose(colour.decode(out, space), v, atol=2e-6)
    codes = colour.table(space, 16)
    assert codes[0] == 0 and codes[-1] == 65535 and (np.diff(codes.astype(int)) >= 0).all()


def test_luminance_weights():
    # ITU-R BT.2020-2, table 4: 0.2627, 0.6780, 0.0593
    np.testing.assert_allclose(colour.luminance("rec2020"), [0.2627, 0.6780, 0.0593], atol=5e-5)
    assert colour.luminance("linear") == colour.luminance("srgb")


def littlecms():
    """The library Pillow's ImageCms calls, at double precision, where it can be found; Pillow offers 8 bits alone."""
    import PIL

    folder = Path(PIL.__file__).parent.parent / "pillow.libs"
    names = [str(p) for p in folder.glob("liblcms2*.so*")] + ["liblcms2.so.2"]
    for name in names:
        try:
            library = ctypes.CDLL(name)
        except OSError:
            continue
        library.cmsOpenProfileFromMem.restype = ctypes.c_void_p
        library.cmsCreateXYZProfile.restype = ctypes.c_void_p
        library.cmsCreateTransform.restype = ctypes.c_void_p
        library.cmsCreateTransform.argtypes = [ctypes.c_void_p, ctypes.c_uint32, ctypes.c_void_p, ctypes.c_uint32,
                                               ctypes.c_uint32, ctypes.c_uint32]
        library.cmsDoTransform.argtypes = [ctypes.c_void_p, ctypes.c_void_p, ctypes.c_void_p, ctypes.c_uint32]
        return library
    pytest.skip("littlecms not found beside Pillow")


# lcms2.h: FLOAT_SH(1) | COLORSPACE_SH(PT) | CHANNELS_SH(n) | BYTES_SH(0), PT_GRAY 3, PT_RGB 4, PT_XYZ 9
GREY_DBL, RGB_DBL, XYZ_DBL = ((1 << 22) | (pt << 16) | (n << 3) for pt, n in ((3, 1), (4, 3), (9, 3)))
RELATIVE = 1


def through(values, profile, *, back=False, grey=False):
    """Device values to XYZ (D50) by littlecms, or back."""
    library = littlecms()
    ours = library.cmsOpenProfileFromMem(profile, len(profile))
    assert ours, "littlecms does not accept the profile"
    device, xyz = GREY_DBL if grey else RGB_DBL, library.cmsCreateXYZProfile()
    ends = (xyz, XYZ_DBL, ours, device) if back else (ours, device, xyz, XYZ_DBL)
    transform = library.cmsCreateTransform(*ends, RELATIVE, 0x0100 | 0x0040)  # NOOPTIMIZE, NOCACHE
    assert transform
    values = np.ascontiguousarray(values, np.float64)
    out = np.empty((len(values), 3 if not (back and grey) else 1))
    library.cmsDoTransform(transform, values.ctypes.data, out.ctypes.data, len(values))
    return out


@pytest.mark.parametrize("space", NAMES)
def test_littlecms_reads_the_colours_we_meant(space):
    rng = np.random.default_rng(4)
    light = np.concatenate([rng.uniform(0, 1, (500, 3)) ** 2, np.eye(3), np.ones((1, 3)), np.zeros((1, 3))])
    meant = light @ np.array(colour.matrix(space, "xyz-d50")).T
    codes = colour.encode(light, space)
    read = through(codes, icc_profile(space))
    np.testing.assert_allclose(read, meant, atol=1e-4)
    np.testing.assert_allclose(through(read, icc_profile(space), back=True), codes, atol=5e-4)


@pytest.mark.parametrize("space", NAMES)
def test_littlecms_reads_the_greys_we_meant(space):
    light = np.linspace(0, 1, 1001)[:, None]
    codes = colour.encode(light, space)
    read = through(codes, icc_profile(space, True), grey=True)
    np.testing.assert_allclose(read, light * colour.PCS_WHITE, atol=1e-4)
    # The PCS is inverted through a table of the curve: compared as light where the code's slope is steep.
    back = through(read, icc_profile(space, True), back=True, grey=True)
    np.testing.assert_allclose(back, codes, atol=1e-3)


@pytest.mark.parametrize("grey", [False, True])
@pytest.mark.parametrize("space", NAMES)
def test_pillow_accepts_and_maps_back(space, grey):
    from PIL import Image, ImageCms

    profile = ImageCms.ImageCmsProfile(io.BytesIO(icc_profile(space, grey)))
    assert ImageCms.getProfileDescription(profile).startswith(colour.SPACES[space].title)
    assert profile.profile.xcolor_space.strip() == ("GRAY" if grey else "RGB")
    assert ImageCms.isIntentSupported(profile, ImageCms.Intent.RELATIVE_COLORIMETRIC, ImageCms.Direction.INPUT)
    rng = np.random.default_rng(1)
    codes = rng.integers(0, 256, (64, 64) if grey else (64, 64, 3)).astype(np.uint8)
    mode = "L" if grey else "RGB"
    same = ImageCms.profileToProfile(Image.fromarray(codes), profile, profile, outputMode=mode,
                                     renderingIntent=ImageCms.Intent.RELATIVE_COLORIMETRIC)
    assert np.abs(np.asarray(same).astype(int) - codes).max() <= 1
    if not grey:
        lab = ImageCms.profileToProfile(Image.fromarray(np.full((1, 1, 3), 255, np.uint8)), profile,
                                        ImageCms.createProfile("LAB"), outputMode="LAB")
        lightness, a, b = np.asarray(lab)[0, 0]
        assert lightness == 255 and abs(int(a.astype(np.int8))) <= 1 and abs(int(b.astype(np.int8))) <= 1


def test_profiles_are_the_same_bytes_each_time():
    icc_profile.cache_clear()
    first = icc_profile("romm")
    icc_profile.cache_clear()
    assert icc_profile("romm") == first and icc_profile("romm") != icc_profile("romm", True)

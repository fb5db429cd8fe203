"""Output spaces: primaries, whites, transfer functions, and the matrices between them.

Everything is derived from chromaticities and the formulas of the standards named beside them; a test holds the results
against colour-science and the standards' own rounded tables.
"""
from __future__ import annotations

import io
from functools import lru_cache

import numpy as np

from .values import frozen

#: Chromaticities of the whites: D65 as IEC 61966-2-1 and BT.2020 round it, D50 as ISO 22028-2 does.
WHITES = {"D65": (0.3127, 0.3290), "D50": (0.3457, 0.3585)}
#: XYZ of the profile connection space's white, ICC.1:2022, 7.2.16 (D50 rounded to four places).
PCS_WHITE = (0.9642, 1.0, 0.8249)
#: Linear Bradford matrix, as in ICC.1:2022, annex E.
BRADFORD = ((0.8951, 0.2664, -0.1614), (-0.7502, 1.7135, 0.0367), (0.0389, -0.0685, 1.0296))

#: Red, green and blue chromaticities and the white.
PRIMARIES = {
    "srgb": ((0.64, 0.33), (0.30, 0.60), (0.15, 0.06), "D65"),                       # IEC 61966-2-1, table 1
    "display-p3": ((0.680, 0.320), (0.265, 0.690), (0.150, 0.060), "D65"),           # SMPTE EG 432-1, white of sRGB
    "rec2020": ((0.708, 0.292), (0.170, 0.797), (0.131, 0.046), "D65"),              # ITU-R BT.2020-2, table 3
    "romm": ((0.7347, 0.2653), (0.1596, 0.8404), (0.0366, 0.0001), "D50"),           # ISO 22028-2, table 1
}


@frozen
class Space:
    """An output space.

    Attributes
    ----------
    title : str
        What a profile calls it.
    primaries : str
        Key of `PRIMARIES`.
    segments : (gamma, a, b, c, d)
        Code value to light: ``(a v + b) ** gamma`` from d on, ``c v`` below.
    """

    title: str
    primaries: str
    segments: tuple[float, float, float, float, float]


# ITU-R BT.2020-2, table 4: alpha and beta solve 4.5 beta = alpha beta**0.45 - alpha + 1 with equal slopes.
_ALPHA, _BETA = 1.09929682680944, 0.018053968510807
_SRGB = (2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045)

#: The output spaces by name. Rec. 2020 has the inverse of the opto-electronic transfer of BT.2020-2, table 4.
SPACES = {
    "srgb": Space("sRGB (IEC 61966-2-1)", "srgb", _SRGB),
    "display-p3": Space("Display P3", "display-p3", _SRGB),
    "rec2020": Space("Rec. ITU-R BT.2020", "rec2020",
                     (1 / 0.45, 1 / _ALPHA, (_ALPHA - 1) / _ALPHA, 1 / 4.5, 4.5 * _BETA)),
    "romm": Space("ROMM RGB (ISO 22028-2)", "romm", (1.8, 1.0, 0.0, 1 / 16, 16 * 16 ** (1.8 / (1 - 1.8)))),
    "linear": Space("Linear light, sRGB primaries", "srgb", (1.0, 1.0, 0.0, 1.0, 0.0)),
}


def encode(linear, space: str) -> np.ndarray:
    """Code values 0..1 of display-linear light: the transfer function alone, no matrix.

    Parameters
    ----------
    linear : array_like
        Any shape. Negative values mirror positive ones; nothing is clipped.
    space : str
        Key of `SPACES`.

    Returns
    -------
    ndarray of the same shape and floating type

    Examples
    --------
    >>> round(float(encode(0.18, "srgb")), 4)
    0.4614
    """
    light = _floating(linear)
    gamma, a, b, c, d = SPACES[space].segments
    if gamma == 1.0:
        return light
    size = np.abs(light)
    out = np.where(size < c * d, np.minimum(size, c * d) / c, (np.power(size, 1 / gamma) - b) / a)
    return np.copysign(out, light).astype(light.dtype)


def decode(code, space: str) -> np.ndarray:
    """Display-linear light of code values 0..1, the inverse of `encode`."""
    code = _floating(code)
    gamma, a, b, c, d = SPACES[space].segments
    if gamma == 1.0:
        return code
    size = np.abs(code)
    out = np.where(size < d, size * c, np.power(a * size + b, gamma))
    return np.copysign(out, code).astype(code.dtype)


def _floating(values) -> np.ndarray:
    values = np.asarray(values)
    return values if values.dtype.kind == "f" else values.astype(np.float64)


def table(space: str, bits: int, entries: int = 1 << 16) -> np.ndarray:
    """Code values of light on an even grid from 0 to 1.

    Parameters
    ----------
    space : str
    bits : {8, 16}
    entries : int

    Returns
    -------
    ndarray uint8 or uint16 (entries,)
        ``table[round(light * (entries - 1))]``.
    """
    full = (1 << bits) - 1
    codes = np.floor(np.clip(encode(np.linspace(0, 1, entries), space), 0, 1) * full + 0.5)
    return codes.astype(np.uint8 if bits == 8 else np.uint16)


def white(name: str) -> np.ndarray:
    """XYZ (3,) of a white of `WHITES`, Y = 1."""
    x, y = WHITES[name]
    return np.array([x / y, 1.0, (1 - x - y) / y])


def adaptation(source, target) -> np.ndarray:
    """3x3 linear Bradford adaptation of XYZ from one white (XYZ) to another, ICC.1:2022, annex E."""
    cone = np.array(BRADFORD)
    return np.linalg.inv(cone) @ np.diag(cone @ np.asarray(target) / (cone @ np.asarray(source))) @ cone


def to_xyz(primaries: str) -> np.ndarray:
    """3x3 linear RGB to XYZ relative to the primaries' own white, SMPTE RP 177."""
    *chromaticities, name = PRIMARIES[primaries]
    columns = np.array([[x / y, 1.0, (1 - x - y) / y] for x, y in chromaticities]).T
    return columns * np.linalg.solve(columns, white(name))


@lru_cache(maxsize=None)
def matrix(source: str, target: str) -> tuple[tuple[float, float, float], ...]:
    """3x3 from linear values of one space to another, for column vectors.

    Parameters
    ----------
    source, target : str
        A key of `SPACES` or `PRIMARIES`, or ``"xyz-d50"`` (the profile connection space), ``"xyz-d65"``.
        Whites are adapted by the linear Bradford matrix.

    Returns
    -------
    3x3 tuple of float
        Use as ``rgb @ numpy.array(m).T``.

    Examples
    --------
    >>> [round(v, 4) for v in matrix("srgb", "xyz-d65")[1]]
    [0.2126, 0.7152, 0.0722]
    """
    (forth, from_white), (back, to_white) = _to_own_xyz(source), _to_own_xyz(target)
    through = np.eye(3) if np.array_equal(from_white, to_white) else adaptation(from_white, to_white)
    if source == target:
        through, forth, back = np.eye(3), np.eye(3), np.eye(3)
    return tuple(tuple(float(v) for v in row) for row in np.linalg.inv(back) @ through @ forth)


def _to_own_xyz(name: str) -> tuple[np.ndarray, np.ndarray]:
    """3x3 to XYZ and the XYZ of its white."""
    if name == "xyz-d50":
        return np.eye(3), np.array(PCS_WHITE)
    if name == "xyz-d65":
        return np.eye(3), white("D65")
    key = SPACES[name].primaries if name in SPACES else name
    return to_xyz(key), white(PRIMARIES[key][3])


def luminance(space: str) -> tuple[float, float, float]:
    """Weights of linear red, green and blue in luminance: the second row of the matrix to XYZ."""
    return tuple(float(v) for v in to_xyz(SPACES[space].primaries if space in SPACES else space)[1])


def png_bytes(codes: np.ndarray) -> bytes:
    """A PNG of 8-bit sRGB code values (h, w, 3) or (h, w), for a notebook."""
    from PIL import Image

    file = io.BytesIO()
    Image.fromarray(np.ascontiguousarray(codes)).save(file, "PNG", compress_level=1)
    return file.getvalue()


def preview_png(linear: np.ndarray) -> bytes:
    """A PNG of linear camera values (h, w, 3), shown as if they were sRGB, the brightest 0.1 % at white."""
    top = max(float(np.quantile(linear, 0.999)), 1e-6) if linear.size else 1.0
    return png_bytes(table("srgb", 8)[(np.clip(linear / top, 0, 1) * 65535 + 0.5).astype(np.uint16)])

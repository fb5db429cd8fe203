"""Raw files of an invented camera: colour filter mosaic, noise, and DNG.

The DNG is written as the published DNG specification (version 1.4) lays it out: one uncompressed strip of the mosaic
with photometric interpretation 32803, and the camera's settings in an EXIF directory (CIPA DC-008) of its own.
"""
from __future__ import annotations

import os
import struct
from datetime import datetime as DateTime
from fractions import Fraction

import numpy as np

PATTERNS = {"RGGB": (0, 1, 1, 2), "BGGR": (2, 1, 1, 0), "GRBG": (1, 0, 2, 1), "GBRG": (1, 2, 0, 1)}

#: XYZ (D65) to camera, as in the tag ColorMatrix1. Invented.
CAMERA_MATRIX = ((0.7034, -0.2019, -0.0587), (-0.4126, 1.2371, 0.1984), (-0.0963, 0.2110, 0.6145))

_EXIF_POINTER = 34665
_PLACE_HOLDER = 34666           # tifffile keeps 34665 to itself; no tag lies between the two, so the order stays right


def colour_planes(pattern: str) -> tuple[tuple[slice, slice, int], ...]:
    """The four (rows, columns, channel) of a two by two filter pattern such as ``"RGGB"``."""
    if pattern not in PATTERNS:
        raise ValueError(f"pattern must be one of {', '.join(PATTERNS)}, not {pattern!r}")
    return tuple((slice(i // 2, None, 2), slice(i % 2, None, 2), channel)
                 for i, channel in enumerate(PATTERNS[pattern]))


def mosaic(rgb: np.ndarray, pattern: str = "RGGB", *, black: int = 512, white: int = 16383,
           electrons: float | None = None, read_noise: float = 3.0,
           rng: np.random.Generator | None = None) -> np.ndarray:
    """What a sensor behind a colour filter mosaic stores.

    Parameters
    ----------
    rgb : float array (H, W, 3)
        Linear camera channels, 1.0 = saturation.
    pattern : str
        Filters of the first two rows, for example ``"RGGB"``.
    black, white, electrons, read_noise, rng
        As in `stored`.

    Returns
    -------
    uint16 array (H, W)
    """
    light = np.empty(rgb.shape[:2], np.float32)
    for rows, columns, channel in colour_planes(pattern):
        light[rows, columns] = rgb[rows, columns, channel]
    return stored(light, black=black, white=white, electrons=electrons, read_noise=read_noise, rng=rng)


def stored(light: np.ndarray, *, black: int = 512, white: int = 16383, electrons: float | None = None,
           read_noise: float = 3.0, rng: np.random.Generator | None = None) -> np.ndarray:
    """Stored values of the light on each photosite.

    Parameters
    ----------
    light : float32 array (H, W)
        1.0 = saturation.
    black, white : int
        Stored values of no light and of saturation.
    electrons : float, optional
        Charge at saturation. Given, photon noise (Poisson, by its normal limit) is added, and `read_noise`,
        also in electrons. Left out, the values are exact but for rounding.
    rng : numpy.random.Generator, optional
        Source of the noise.

    Returns
    -------
    uint16 array (H, W)
    """
    values = np.maximum(light, np.float32(0))
    if electrons is not None:
        rng = np.random.default_rng() if rng is None else rng
        deviation = np.sqrt(values * np.float32(1 / electrons) + np.float32((read_noise / electrons) ** 2))
        deviation *= rng.standard_normal(values.shape, dtype=np.float32)
        values += deviation
    values *= white - black
    values += black + 0.5
    np.clip(values, 0, white, out=values)
    return values.astype(np.uint16)


def write_dng(path: str | os.PathLike, cfa: np.ndarray, *, pattern: str = "RGGB", black: int | tuple[int, ...] = 512,
              white: int = 16383, camera_matrix=CAMERA_MATRIX, as_shot_neutral=(0.5, 1.0, 0.6), make: str = "Invented",
              model: str = "Copy A", orientation: int = 1, active_area: tuple[int, int, int, int] | None = None,
              exposure: float | None = 1 / 60, iso: int | None = 100,
              aperture: float | None = 8.0, focal: float | None = 90.0, lens: str | None = "Invented copy lens 90",
              datetime: DateTime | None = DateTime(2026, 3, 14, 10, 30)) -> None:
    """Write a mosaic as an uncompressed DNG.

    Parameters
    ----------
    path : path
        File to write.
    cfa : uint16 array (H, W)
        Stored values, `black` = no light, `white` = saturation.
    pattern : str
        Filters of the first two rows.
    black : int, or four of them
        Black level; four stand for the first two rows, left to right.
    camera_matrix : (3, 3)
        XYZ (D65) to camera: the tag ColorMatrix1.
    as_shot_neutral : (3,)
        Camera values of a neutral under the light of the capture.
    make, model, lens : str
        Camera and lens.
    orientation : int
        TIFF orientation 1 to 8 of the stored rows.
    active_area : (top, left, bottom, right), optional
        The part of the mosaic that saw light: the tag ActiveArea. `pattern` starts at its corner.
    exposure, aperture, focal : float
        Seconds, f-number, millimetres. None leaves the tag out.
    iso : int
    datetime : datetime.datetime

    Examples
    --------
    >>> import numpy, pathlib, tempfile
    >>> path = pathlib.Path(tempfile.mkdtemp(), "grey.dng")
    >>> write_dng(path, numpy.full((64, 96), 4000, numpy.uint16))
    >>> path.stat().st_size > 64 * 96 * 2
    True
    """
    import tifffile

    cfa = np.ascontiguousarray(cfa)
    if cfa.dtype != np.uint16 or cfa.ndim != 2:
        raise ValueError(f"cfa must be a uint16 array (H, W), not {cfa.dtype} {cfa.shape}")
    colour_planes(pattern)
    tags = [
        (271, "s", 0, make), (272, "s", 0, model), (274, "H", 1, orientation),
        (33421, "H", 2, (2, 2)),                                        # CFARepeatPatternDim
        (33422, "B", 4, bytes(PATTERNS[pattern])),                      # CFAPattern
        (_PLACE_HOLDER, "I", 1, 0),                                     # becomes the pointer to the EXIF directory
        (50706, "B", 4, bytes([1, 4, 0, 0])),                           # DNGVersion
        (50707, "B", 4, bytes([1, 1, 0, 0])),                           # DNGBackwardVersion
        (50708, "s", 0, f"{make} {model}"),                             # UniqueCameraModel
        *([(50714, "H", 1, black)] if isinstance(black, int) else      # BlackLevel, BlackLevelRepeatDim
          [(50713, "H", 2, (2, 2)), (50714, "H", 4, black)]),
        (50717, "H", 1, white),                                         # WhiteLevel
        (50721, "2i", 9, _fractions(np.ravel(camera_matrix), 10000)),   # ColorMatrix1
        (50728, "2I", 3, _fractions(as_shot_neutral, 1000000)),         # AsShotNeutral
        (50778, "H", 1, 21),                                            # CalibrationIlluminant1: D65
    ]
    if active_area is not None:
        tags.append((50829, "I", 4, active_area))                       # ActiveArea
    if datetime is not None:
        tags.append((306, "s", 0, f"{datetime:%Y:%m:%d %H:%M:%S}"))
    tifffile.imwrite(path, cfa, photometric=32803, byteorder="<", metadata=None, software="negconv invented roll",
                     extratags=[(code, {"2i": 10, "2I": 5}.get(kind, kind), count, value, True)
                                for code, kind, count, value in tags])
    _append_exif(path, exposure=exposure, iso=iso, aperture=aperture, focal=focal, lens=lens, datetime=datetime)


def _fractions(values, denominator: int) -> list[int]:
    return [part for value in values for part in (round(float(value) * denominator), denominator)]


def _append_exif(path, *, exposure, iso, aperture, focal, lens, datetime) -> None:
    """Put an EXIF directory at the end of the file and let the tag written for it point there."""
    entries = []                                     # (tag, type, count, payload), ascending by tag
    if exposure is not None:
        entries.append((33434, 5, 1, _rational(exposure)))
    if aperture is not None:
        entries.append((33437, 5, 1, _rational(aperture)))
    if iso is not None:
        entries.append((34855, 3, 1, struct.pack("<H", iso)))
    if datetime is not None:
        stamp = f"{datetime:%Y:%m:%d %H:%M:%S}".encode() + b"\0"
        entries += [(36867, 2, len(stamp), stamp), (36868, 2, len(stamp), stamp)]
    if focal is not None:
        entries.append((37386, 5, 1, _rational(focal)))
    if lens is not None:
        text = lens.encode("ascii") + b"\0"
        entries.append((42036, 2, len(text), text))
    with open(path, "r+b") as file:
        start = file.seek(0, os.SEEK_END)
        start += file.write(b"\0" * (start % 2))
        body, extra = struct.pack("<H", len(entries)), b""
        heap = start + 2 + 12 * len(entries) + 4
        for tag, kind, count, payload in entries:
            if len(payload) > 4:
                field = struct.pack("<I", heap + len(extra))
                extra += payload + b"\0" * (len(payload) % 2)
            else:
                field = payload.ljust(4, b"\0")
            body += struct.pack("<HHI", tag, kind, count) + field
        file.write(body + struct.pack("<I", 0) + extra)
        file.seek(4)
        directory, = struct.unpack("<I", file.read(4))
        file.seek(directory)
        count, = struct.unpack("<H", file.read(2))
        for i in range(count):
            file.seek(directory + 2 + 12 * i)
            if struct.unpack("<H", file.read(2))[0] == _PLACE_HOLDER:
                file.seek(-2, os.SEEK_CUR)
                file.write(struct.pack("<HHII", _EXIF_POINTER, 4, 1, start))


def _rational(value: float) -> bytes:
    ratio = Fraction(value).limit_denominator(100000)
    return struct.pack("<II", ratio.numerator, ratio.denominator)

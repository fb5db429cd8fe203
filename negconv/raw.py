"""Reading raw files: LibRaw's mosaic, demosaiced or halved, and what the file says of camera and exposure."""
from __future__ import annotations

import contextlib
import os
import sys
import threading
from typing import Iterator

import numpy as np

from . import kernel
from .capture import Capture, Meta
from .errors import InputError
from .images import check_strips, tiff_tags
from .rows import Rows, rows_of_mosaic, rows_under
from .samples import check_size, number_of, text_of, upright

#: LibRaw's turns as the orientation of Exif.
ORIENTATIONS = {0: 1, 3: 3, 5: 8, 6: 6}
#: The one algorithm of LibRaw that keeps edges when channels differ by stops, as a masked negative's do;
#: benchmarks/demosaic.py has the measurement behind the choice.
DEMOSAIC = "DHT"


class _Silence(contextlib.AbstractContextManager):
    """Nothing on the standard error stream: LibRaw writes there by itself, beside our one line about the same fault.

    The stream is the whole process's, so that the first of several threads turns it off and the last on again.
    """

    def __init__(self) -> None:
        self.lock, self.inside, self.kept = threading.Lock(), 0, -1

    def __enter__(self) -> None:
        with self.lock:
            self.inside += 1
            if self.inside == 1:
                with contextlib.suppress(OSError, AttributeError, ValueError):
                    sys.stderr.flush()
                    self.kept = os.dup(2)
                    nowhere = os.open(os.devnull, os.O_WRONLY)
                    os.dup2(nowhere, 2)
                    os.close(nowhere)

    def __exit__(self, *_) -> None:
        with self.lock:
            self.inside -= 1
            if self.inside == 0 and self.kept >= 0:
                os.dup2(self.kept, 2)
                os.close(self.kept)
                self.kept = -1


_SILENCE = _Silence()


def read_raw(path: str, reduced: tuple[bool, ...], in_rows: bool) -> Iterator[Capture]:
    """Captures of one raw file opened once, each at full or (reduced) at half size, in this order."""
    tags = tiff_tags(path)
    check_strips(path, tags)
    with _SILENCE:
        raw, white, meta = _opened(path, tags)
    for left, half in zip(range(len(reduced), 0, -1), reduced):
        with _SILENCE:
            capture = _decoded(path, raw, tags, white, meta, half, in_rows)
        if left == 1:
            del raw  # and its memory goes, unless rows of its mosaic are still in use
        yield capture
        del capture


def libraw():
    """rawpy, with LibRaw's demosaicing on one thread unless OMP_NUM_THREADS says otherwise.

    On several, DHT reads what another thread is writing: of 72 million samples some thirty then depend on what else the
    machine is doing (seen with LibRaw 0.22), and no two runs are sure to make the same bytes.
    """
    if "rawpy" not in sys.modules and "OMP_NUM_THREADS" not in os.environ:
        os.environ["OMP_NUM_THREADS"] = "1"
        try:
            import rawpy
        finally:
            del os.environ["OMP_NUM_THREADS"]
    import rawpy

    return rawpy


def _opened(path: str, tags: dict):
    """A raw file as rawpy has it, its code value of saturation, less black, and what it says of itself."""
    rawpy = libraw()
    try:
        raw = _open_raw(path)
    except rawpy.LibRawError as error:
        if isinstance(error, rawpy.LibRawFileUnsupportedError):
            raise InputError(path, "is not a picture negconv can read", "give raw, TIFF, PNG or JPEG") from error
        raise
    sizes = raw.sizes
    check_size(path, sizes.raw_width, sizes.raw_height, 2 * sizes.raw_width * sizes.raw_height)
    if raw.num_colors != 3:
        raise InputError(path, f"has {raw.num_colors} colour channels", "only three-colour sensors are supported")
    black = raw.black_level_per_channel
    white = float(raw.white_level - min(black[:3]))
    if white <= 0:
        raise InputError(path, f"has a white level of {raw.white_level} and a black level of {min(black)}",
                         "copy it from the card again")
    return raw, white, _raw_meta(raw, tags)


def _decoded(path: str, raw, tags: dict, white: float, meta: Meta, reduced: bool, in_rows: bool) -> Capture:
    rawpy = libraw()
    samples = _halved(raw, tags, white, in_rows) if reduced else None
    if samples is None:
        samples = raw.postprocess(
            demosaic_algorithm=getattr(rawpy.DemosaicAlgorithm, DEMOSAIC), half_size=reduced,
            gamma=(1, 1), no_auto_bright=True, no_auto_scale=True, use_camera_wb=False, use_auto_wb=False,
            user_wb=[1.0, 1.0, 1.0, 1.0], output_color=rawpy.ColorSpace.raw, output_bps=16)
        if samples.ndim != 3 or samples.shape[2] != 3:
            raise InputError(path, f"decodes to shape {samples.shape}", "only three-colour sensors are supported")
        # Interpolation may overshoot; beyond the ceiling there is no measurement.
        ceiling = int(min(white, 65535))
        samples = rows_under(samples, ceiling) if in_rows else np.minimum(samples, np.uint16(ceiling), out=samples)
    return Capture(samples, white, meta, path, reduced=2 if reduced else 1)


def _halved(raw, tags: dict, white: float, in_rows: bool) -> np.ndarray | Rows | None:
    """What LibRaw makes at half size, without its copies; None where the mosaic is not the plain one, or nothing is compiled."""
    sizes, pattern, mosaic = raw.sizes, raw.raw_pattern, raw.raw_image
    if (kernel.loops is None or pattern is None or pattern.shape != (2, 2) or sorted(pattern.ravel()) != [0, 1, 2, 3]
            or raw.color_desc != b"RGBG" or sizes.height % 2 or sizes.width % 2 or sizes.pixel_aspect != 1
            or sizes.flip not in ORIENTATIONS or tuple(np.ravel(tags.get(50713, (1, 1)))) not in ((1, 1), (2, 2))
            or mosaic.dtype != np.uint16 or not mosaic.flags.c_contiguous):
        return None
    order = (0, 1, 3, 2)  # red, two greens, blue
    places = pattern.ravel().tolist()
    black = raw.black_level_per_channel
    halved = rows_of_mosaic(mosaic, sizes.top_margin, sizes.left_margin, (sizes.height // 2, sizes.width // 2, 3),
                            tuple(places.index(c) for c in order), tuple(black[c] for c in order),
                            int(min(white, 65535)))
    turn = ORIENTATIONS[sizes.flip]
    return halved if in_rows and turn == 1 else upright(halved.whole(), turn)


def _open_raw(path: str):
    rawpy = libraw()
    try:
        path.encode("utf-8")
    except UnicodeEncodeError:  # rawpy takes no such name, but the file
        with open(path, "rb") as file:
            return rawpy.imread(file)
    return rawpy.imread(path)


def _raw_meta(raw, tags: dict) -> Meta:
    other, lens = raw.other, raw.lens
    matrix = _dng_matrix(tags)
    if matrix is None:
        matrix = _libraw_matrix(raw)
    stamp = text_of(tags.get(36867) or tags.get(306)) or (
        other.timestamp.strftime("%Y:%m:%d %H:%M:%S") if other.timestamp.year > 1970 else "")
    return Meta(
        make=text_of(tags.get(271)), model=text_of(tags.get(272)) or text_of(tags.get(50708)),
        lens=text_of(tags.get(42036)) or lens.model, exposure_s=number_of(tags.get(33434)) or other.shutter_speed or None,
        aperture=number_of(tags.get(33437)) or other.aperture or None, iso=number_of(tags.get(34855)) or other.iso_speed or None,
        focal_mm=number_of(tags.get(37386)) or other.focal_length or None, time=stamp,
        orientation=ORIENTATIONS.get(raw.sizes.flip, 1), camera_matrix=matrix, kind="raw",
        bits=int(raw.white_level).bit_length(), assumed="linear (raw)")


def _dng_matrix(tags: dict):
    """ColorMatrix for D65 where the file has one (DNG 1.6: CalibrationIlluminant 21), else the first."""
    d65 = 50722 if tags.get(50779) == 21 and 50722 in tags else 50721
    values = tags.get(d65)
    if values is None:
        return None
    numbers = np.asarray(values, float).ravel()
    if numbers.size == 18:  # rationals as numerator, denominator
        numbers = numbers[0::2] / np.where(numbers[1::2] == 0, 1, numbers[1::2])
    return _usable_matrix(numbers.reshape(3, 3)) if numbers.size == 9 else None


def _libraw_matrix(raw):
    """LibRaw's own XYZ to camera matrix for cameras it knows."""
    return _usable_matrix(np.asarray(raw.rgb_xyz_matrix, float)[:3])


def _usable_matrix(matrix: np.ndarray):
    if not np.isfinite(matrix).all() or abs(np.linalg.det(matrix)) < 1e-6:
        return None
    return tuple(tuple(float(v) for v in row) for row in matrix)

"""Reading captures: linear camera RGB and what the file says about how it was taken.

Nothing here bends code values: black level off, linear, camera-native channels, no white balance.
"""
from __future__ import annotations

import contextlib
import math
import os
import stat
import struct
import sys
import threading
from dataclasses import dataclass, field, fields, replace
from pathlib import Path
from typing import Iterator

import numpy as np

from . import kernel
from .errors import InputError
from .rows import Rows, in_parts, rows_of_file, rows_of_mosaic, rows_under

#: Captures above this are refused before anything is allocated (about 3 GB as 16-bit RGB).
MAX_PIXELS = 500_000_000
#: A compressed file may not declare more than this many times its own size, once it declares over `FREE` bytes.
MAX_EXPANSION = 400
FREE = 64_000_000
#: Long side of the proxy all automatic decisions are made on.
PROXY = 1500
#: Light in a float file beyond this is no light: products of it with other numbers would leave single precision.
BRIGHTEST = 1e9
#: Scans of a progressive JPEG; each passes over the whole picture, and encoders write about ten.
MAX_SCANS = 100
#: TIFF compressions that can be unpacked within a bound: none, LZW, deflate (two numbers), PackBits.
COMPRESSIONS = (1, 5, 8, 32946, 32773)
#: The most deflate makes of a byte (zlib's technical notes, "maximum compression factor").
DEFLATE = 1032
#: File endings taken for pictures when a folder is read; the content decides what they are.
RAW_SUFFIXES = frozenset(
    ".3fr .arw .cr2 .cr3 .crw .dcr .dng .erf .fff .iiq .kdc .mef .mos .mrw .nef .nrw .orf .pef .raf .raw .rw2 .rwl "
    ".sr2 .srf .srw .x3f".split())
SUFFIXES = RAW_SUFFIXES | {".tif", ".tiff", ".png", ".jpg", ".jpeg"}
LINEARITIES = ("auto", "linear", "srgb")
#: LibRaw's turns as the orientation of Exif.
ORIENTATIONS = {0: 1, 3: 3, 5: 8, 6: 6}

#: The one algorithm of LibRaw that keeps edges when channels differ by stops, as a masked negative's do;
#: benchmarks/demosaic.py has the measurement behind the choice.
DEMOSAIC = "DHT"


@dataclass(frozen=True)
class Meta:
    """What a file says about a capture; every field may be unknown (``None`` or empty).

    Attributes
    ----------
    camera_matrix : 3x3 tuple or None
        CIE XYZ (D65) to camera RGB, as the DNG tag ColorMatrix (DNG 1.6, "Mapping Camera Color Space to CIE XYZ").
    assumed : str
        What was assumed about linearity, in words.
    notes : tuple of str
        What a user should hear about this file.
    """

    make: str = ""
    model: str = ""
    lens: str = ""
    exposure_s: float | None = None
    aperture: float | None = None
    iso: float | None = None
    focal_mm: float | None = None
    time: str = ""
    orientation: int = 1
    camera_matrix: tuple[tuple[float, float, float], ...] | None = None
    kind: str = "array"
    grey: bool = False
    bits: int = 16
    assumed: str = "linear, as given"
    notes: tuple[str, ...] = ()

    @property
    def camera(self) -> str:
        """Make and model in one string, the make not said twice."""
        return self.model if self.model.startswith(self.make) else f"{self.make} {self.model}".strip()

    def to_dict(self) -> dict:
        """JSON-able values, one key a field."""
        return {f.name: _plain(getattr(self, f.name)) for f in fields(self)}

    @classmethod
    def from_dict(cls, values: dict) -> Meta:
        """The inverse of `to_dict`; unknown keys are an error."""
        values = dict(values)
        if values.get("camera_matrix") is not None:
            values["camera_matrix"] = tuple(tuple(map(float, row)) for row in values["camera_matrix"])
        values["notes"] = tuple(values.get("notes", ()))
        return cls(**values)


def _plain(value):
    return [_plain(v) for v in value] if isinstance(value, tuple) else value


@dataclass(frozen=True, eq=False)
class Capture:
    """One photographed negative, linear in light.

    Attributes
    ----------
    samples : ndarray (H, W, 3), uint16 or float32
        Code values above black, in camera-native channels, upright. Inside a roll they may be `negconv.rows.Rows`.
    white : float
        The code value of saturation: ``data = samples / white``.
    meta : Meta
    path : str
        Where it was read from; empty for an array.
    flattened : bool
        True once divided by a panel frame; then 1.0 is the bare panel.
    reduced : int
        How many capture pixels one sample stands for along each axis.

    Examples
    --------
    >>> import numpy as np
    >>> float(Capture(np.full((4, 6, 3), 8000, np.uint16), white=16000.0).data[0, 0, 0])
    0.5
    """

    samples: np.ndarray = field(repr=False)
    white: float = 1.0
    meta: Meta = Meta()
    path: str = ""
    flattened: bool = False
    reduced: int = 1

    @property
    def data(self) -> np.ndarray:
        """float32 (H, W, 3), linear; 1.0 is saturation, or the bare panel once flattened."""
        if self.samples.dtype == np.float32 and self.white == 1.0:
            return self.samples
        samples = self.samples.whole() if isinstance(self.samples, Rows) else self.samples
        return samples * np.float32(1.0 / self.white)

    @property
    def shape(self) -> tuple[int, int]:
        """Height and width in samples."""
        return self.samples.shape[:2]

    def saturated(self) -> np.ndarray:
        """bool (H, W, 3): where a channel is at its ceiling (within 0.2 %, for demosaic rounding)."""
        if self.flattened:
            raise ValueError("saturation is lost once a capture is flattened; ask the capture as read")
        return self.samples >= self.white * 0.998

    def proxy(self, long_side: int = PROXY) -> Capture:
        """A smaller capture of block means; the picture the automatic decisions are made on.

        Proxy pixel x has its centre at ``x * k + (k - 1) / 2`` of this capture, k being the factor in ``reduced``.
        """
        k = min(-(-max(self.shape) // long_side), *self.shape)
        if k <= 1:
            return replace(self, samples=self.data, white=1.0)
        return replace(self, samples=block_mean(self.samples, k, 1.0 / self.white), white=1.0, reduced=self.reduced * k)

    def __repr__(self) -> str:
        h, w = self.shape
        what = "flattened, 1.0 = bare panel" if self.flattened else "1.0 = saturation"
        name = Path(self.path).name or "array"
        small = f", reduced {self.reduced}x" if self.reduced > 1 else ""
        camera = f", {self.meta.camera}" if self.meta.camera else ""
        return f"Capture({name}: {w} x {h}, {self.meta.kind}{camera}, linear, {what}{small})"

    def _repr_png_(self) -> bytes:
        from .colour import preview_png

        return preview_png(self.proxy(900).data)


def block_mean(samples, k: int, scale: float = 1.0) -> np.ndarray:
    """Means over k x k blocks, float32 (H // k, W // k, C), multiplied by `scale`; a short last block is dropped."""
    if isinstance(samples, Rows):
        return np.concatenate([block_mean(part, k, scale) for _, part in in_parts(samples, k)])
    h, w, channels = samples.shape[0] // k, samples.shape[1] // k, samples.shape[2]
    out = np.empty((h, w, channels), np.float32)
    scale = np.float32(scale / (k * k))
    if kernel.loops is not None and samples.flags.c_contiguous and samples.dtype in (np.uint16, np.float32):
        kernel.loops.block_mean(samples, samples.dtype == np.uint16, samples.shape[1], channels, k, h, w, scale, out)
        return out
    wide = np.uint32 if samples.dtype.kind == "u" else np.float32
    for y in range(h):
        rows = samples[y * k:(y + 1) * k, :w * k].sum(axis=0, dtype=wide).reshape(w, k, channels)
        line = rows[:, 0].astype(wide)
        for i in range(1, k):
            line += rows[:, i]
        np.multiply(line, scale, out=out[y], casting="unsafe")
    return out


def read(source, *, linearity: str = "auto", reduced: bool = False) -> Capture:
    """A capture from a raw, TIFF, PNG or JPEG file, an array or a capture.

    Parameters
    ----------
    source : path-like, ndarray (H, W[, C]) or Capture
        Raw is whatever LibRaw opens. Integer arrays are divided by their type's maximum; float arrays are taken as
        they are.
    linearity : {"auto", "linear", "srgb"}
        How code values of TIFF, PNG and JPEG relate to light. ``auto``: an embedded ICC profile's curve where there
        is one; else 16-bit and float are linear, 8-bit is sRGB (IEC 61966-2-1). ``Capture.meta.assumed`` says which.
    reduced : bool
        Read raw at half size without demosaicing: several times faster, for proxies and proofs.

    Returns
    -------
    Capture

    Raises
    ------
    InputError
        One line naming the file, the fault and the remedy.

    Examples
    --------
    >>> import numpy as np
    >>> read(np.zeros((2, 3), np.uint8)).shape
    (2, 3)
    """
    _check_linearity(linearity)
    if isinstance(source, Capture):
        return source
    if isinstance(source, np.ndarray):
        return _from_array(source, linearity)
    return next(_read_file(os.fspath(source), linearity, reduced=reduced))


def read_rows(source, *, linearity: str = "auto", reduced: bool = False) -> Capture:
    """As `read`; samples that lie in the file as they are wanted stay there, as `negconv.rows.Rows`."""
    if isinstance(source, (Capture, np.ndarray)):
        return read(source, linearity=linearity)
    _check_linearity(linearity)
    return next(_read_file(os.fspath(source), linearity, reduced=reduced, in_rows=True))


def read_twice(path: str, *, linearity: str = "auto") -> Iterator[Capture]:
    """A capture for a proxy to be made of, then the capture itself, as `read_rows` gives both, from a file opened once."""
    _check_linearity(linearity)
    return _read_file(path, linearity, reduced=False, in_rows=True, twice=True)


def _check_linearity(linearity: str) -> None:
    if linearity not in LINEARITIES:
        raise InputError(None, f"linearity {linearity!r} is not known", f"use one of {', '.join(LINEARITIES)}")


def _read_file(path: str, linearity: str, *, reduced: bool, in_rows: bool = False,
               twice: bool = False) -> Iterator[Capture]:
    """One capture; with `twice` a reduced one before it, which is the same where nothing is won by reducing."""
    head = _head(path)
    try:
        if head[:8] == b"\x89PNG\r\n\x1a\n":
            capture = _read_png(path, head, linearity)
        elif head[:3] == b"\xff\xd8\xff":
            capture = _read_jpeg(path, linearity)
        elif head[:4] in (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+") and Path(path).suffix.lower() in (".tif", ".tiff"):
            capture = _read_tiff(path, linearity, in_rows)
        else:
            capture = None
        if capture is None:
            yield from _read_raw(path, (True, False) if twice else (reduced,), in_rows)
        else:
            yield from (capture, capture) if twice else (capture,)
    except InputError:
        raise
    except MemoryError as error:
        raise InputError(path, "does not fit into memory", "close other programs or use a machine with more") from error
    except Exception as error:  # decoders raise whatever they like on damaged files
        said = error.args[0].decode("utf-8", "replace") if error.args and isinstance(error.args[0], bytes) else str(error)
        reason = " ".join(said.split())[:200] or type(error).__name__
        raise InputError(path, f"cannot be read ({reason})", "copy it from the card again or leave it out") from error


def read_mask(path) -> np.ndarray:
    """float32 (h, w): the code values 0 to 1 of a picture drawn as a mask, of its luma where it has colour.

    Raises
    ------
    InputError
    """
    if not os.path.exists(path):
        raise InputError(path, "is not there", "put the mask in its place or correct its name")
    try:
        capture = read(path, linearity="linear")
    except InputError as error:
        raise InputError(path, f"is not a mask that can be read ({error.fault})", "save the mask as a grey PNG") from None
    # ITU-R BT.601-7, 2.5.1
    return capture.data[..., 1] if capture.meta.grey else capture.data @ np.float32((0.299, 0.587, 0.114))


def camera_rgb(source) -> np.ndarray:
    """float32 (H, W, 3) linear values of a capture or of a plain array (an array is taken as linear, 1.0 = full)."""
    return source.data if isinstance(source, Capture) else _from_array(np.asarray(source), "linear").data


def _from_array(array: np.ndarray, linearity: str) -> Capture:
    if array.ndim == 2:
        array = array[..., None]
    if array.ndim != 3 or array.shape[2] not in (1, 2, 3, 4) or 0 in array.shape:
        raise InputError("array", f"has shape {array.shape}", "give (H, W), (H, W, 1) or (H, W, 3)")
    if array.dtype.kind not in "uif" or array.dtype == np.int8:
        raise InputError("array", f"has type {array.dtype}", "give unsigned integers or floats")
    linear = linearity != "srgb"
    return _pack(array, "array", Meta(), linear, None, "linear, as given" if linear else "sRGB, as stated")


def _head(path: str) -> bytes:
    try:
        mode = os.stat(path).st_mode
        if not stat.S_ISREG(mode) and not stat.S_ISDIR(mode):
            raise InputError(path, "is not a file", "name a file")  # reading one could wait for ever
        with open(path, "rb") as file:
            head = file.read(64)
    except (FileNotFoundError, ValueError):  # a name with a zero byte is no name
        raise InputError(path, "does not exist", "check the name") from None
    except IsADirectoryError:
        raise InputError(path, "is a folder", "name a file, or use Roll for a folder") from None
    except OSError as error:
        raise InputError(path, f"cannot be opened ({error.strerror})", "check its permissions and the disk") from None
    if not head:
        raise InputError(path, "is empty (0 bytes)", "copy it from the card again")
    return head


def _check_size(path: str, width: int, height: int, nbytes: int) -> None:
    if width < 1 or height < 1:
        raise InputError(path, f"declares {width} x {height} pixels", "copy it from the card again")
    if width * height > MAX_PIXELS:
        raise InputError(path, f"declares {width} x {height} = {width * height:,} pixels, above the limit of "
                         f"{MAX_PIXELS:,}", "cut it into parts")
    size = os.path.getsize(path)
    nbytes = max(nbytes, 3 * width * height)  # grey becomes three channels
    if nbytes > FREE and nbytes > MAX_EXPANSION * size:
        raise InputError(path, f"is {size:,} bytes but declares {nbytes:,} bytes of pixels", "it is damaged or "
                         "made to fill the memory: leave it out")


# --- raw ---------------------------------------------------------------------------------------------------------

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


def _read_raw(path: str, reduced: tuple[bool, ...], in_rows: bool) -> Iterator[Capture]:
    tags = _tiff_tags(path)
    _check_strips(path, tags)
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
    _check_size(path, sizes.raw_width, sizes.raw_height, 2 * sizes.raw_width * sizes.raw_height)
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
    return halved if in_rows and turn == 1 else _upright(halved.whole(), turn)


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
    stamp = _text(tags.get(36867) or tags.get(306)) or (
        other.timestamp.strftime("%Y:%m:%d %H:%M:%S") if other.timestamp.year > 1970 else "")
    return Meta(
        make=_text(tags.get(271)), model=_text(tags.get(272)) or _text(tags.get(50708)),
        lens=_text(tags.get(42036)) or lens.model, exposure_s=_number(tags.get(33434)) or other.shutter_speed or None,
        aperture=_number(tags.get(33437)) or other.aperture or None, iso=_number(tags.get(34855)) or other.iso_speed or None,
        focal_mm=_number(tags.get(37386)) or other.focal_length or None, time=stamp,
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


def _open_tiff(path: str):
    import logging

    from tifffile import TiffFile

    log = logging.getLogger("tifffile")
    if not log.handlers:  # what it grumbles about damaged files would print beside our one line
        log.addHandler(logging.NullHandler())
    return TiffFile(path)


def _tiff_tags(path: str) -> dict:
    """Tags of the first page and its EXIF directory, for raw formats that are TIFF inside; else empty."""
    try:
        with _open_tiff(path) as tiff:
            page = tiff.pages[0]
            tags = {tag.code: tag.value for tag in page.tags}
            exif = tags.get(34665)
            if isinstance(exif, dict):
                from tifffile import TIFF

                codes = {name: code for code, name in TIFF.EXIF_TAGS.items()}
                tags.update({codes[name]: value for name, value in exif.items() if name in codes})
            tags["strips"] = (page.dataoffsets, page.databytecounts) if len(tiff.pages) == 1 else ((), ())
            return tags
    except Exception:  # not a TIFF inside, or one that only LibRaw understands: its own metadata serves
        return {}


def _check_strips(path: str, tags: dict) -> None:
    offsets, counts = tags.get("strips", ((), ()))
    end, size = max((o + c for o, c in zip(offsets, counts)), default=0), os.path.getsize(path)
    if end > size:
        raise InputError(path, f"is cut short: {size:,} of at least {end:,} bytes", "copy it from the card again")


# --- TIFF, PNG, JPEG ---------------------------------------------------------------------------------------------

def _read_tiff(path: str, linearity: str, in_rows: bool = False) -> Capture | None:
    """None when the file is a raw in a TIFF's clothes (colour filter array), which LibRaw reads."""
    with _open_tiff(path) as tiff:
        page = tiff.pages[0]
        if page.photometric in (32803, 34892):
            return None
        shape = page.shape
        if not all(isinstance(n, int) for n in shape):
            raise InputError(path, "declares several numbers for one side of the picture", "copy it again")
        if len(shape) == 3 and page.planarconfig == 2:
            shape = (shape[1], shape[2], shape[0])
        if len(shape) not in (2, 3) or (len(shape) == 3 and shape[2] not in (1, 2, 3, 4)) or page.dtype is None:
            raise InputError(path, f"has shape {page.shape}", "give grey or RGB, one page")
        if page.photometric == 3:
            raise InputError(path, "is a palette picture", "save it as grey or RGB")
        if page.dtype.kind not in "uf":
            raise InputError(path, f"holds {page.dtype}", "give 8- or 16-bit unsigned or float samples")
        nbytes = math.prod(page.shape) * page.dtype.itemsize
        _check_size(path, shape[1], shape[0], nbytes)
        _check_parts(path, page, nbytes)
        end, size = max((o + c for o, c in zip(page.dataoffsets, page.databytecounts)), default=0), os.path.getsize(path)
        if end > size:
            raise InputError(path, f"is cut short: {size:,} of at least {end:,} bytes", "copy it again")
        tags = {tag.code: tag.value for tag in page.tags}
        # Samples that lie in the file as an array lies in memory need not be read now.
        start, array = page.dataoffsets[0], None
        plain = (in_rows and kernel.loops is not None and hasattr(os, "preadv") and page.is_final
                 and page.photometric != 0 and page.dtype == np.uint16 and len(shape) == 3 and shape[2] == 3 and page.planarconfig == 1
                 and {"<": "little", ">": "big"}[tiff.byteorder] == sys.byteorder and start + nbytes <= size)
        if not plain:
            array = page.asarray()
            if array.ndim == 3 and page.planarconfig == 2:
                array = np.ascontiguousarray(np.moveaxis(array, 0, 2))
            if page.photometric == 0:
                array = np.iinfo(array.dtype).max - array if array.dtype.kind == "u" else 1 - array
    exif = tags.get(34665)
    if isinstance(exif, dict):
        tags = {**tags, 33434: exif.get("ExposureTime"), 33437: exif.get("FNumber"), 34855: exif.get("ISOSpeedRatings"),
                37386: exif.get("FocalLength"), 36867: exif.get("DateTimeOriginal"), 42036: exif.get("LensModel")}
    meta = _tag_meta(tags, "tiff")
    curve, assumed = _decoding(np.dtype(page.dtype), linearity, tags.get(34675))
    if plain:
        samples = rows_of_file(path, start, shape)
        if curve is None and meta.orientation == 1:
            return Capture(samples, 65535.0, replace(meta, bits=16, assumed=assumed), path)
        array = samples.whole()
    return _pack(array, path, meta, curve is None, curve, assumed)


def _check_parts(path: str, page, nbytes: int) -> None:
    """Refuse a TIFF whose strips or tiles unpack to more than they declare; tifffile unpacks without a bound."""
    import zlib

    from tifffile import TIFF

    from .parallel import over

    packed = page.compression in COMPRESSIONS
    if not packed or page.compression not in TIFF.DECOMPRESSORS:
        raise InputError(path, f"is compressed in a way that is not read ({getattr(page.compression, 'name', page.compression)})",
                         "save it uncompressed or with deflate (ZIP)")
    part = math.prod(page.chunks) * page.dtype.itemsize
    if part > max(FREE, 4 * nbytes):
        raise InputError(path, f"declares parts of {part:,} bytes in a picture of {nbytes:,}", "save it again")
    counts = page.databytecounts
    if page.compression not in (8, 32946) or sum(counts) * DEFLATE <= FREE:
        return

    def check(start: int, stop: int) -> None:
        with open(path, "rb") as file:
            for offset, count in zip(page.dataoffsets[start:stop], counts[start:stop]):
                file.seek(offset)
                unpack = zlib.decompressobj()
                if len(unpack.decompress(file.read(count), part + 1)) > part:
                    raise InputError(path, f"holds a part that unpacks to more than the {part:,} bytes it declares",
                                     "it is damaged or made to fill the memory: leave it out")

    over(len(counts), check, size=max(1, len(counts) // 16))


def _read_png(path: str, head: bytes, linearity: str) -> Capture:
    if len(head) < 29:
        raise InputError(path, "is cut short", "copy it again")
    width, height, depth, colour = struct.unpack(">IIBB", head[16:26])
    channels = {0: 1, 2: 3, 3: 3, 4: 2, 6: 4}.get(colour, 4)
    _check_size(path, width, height, width * height * channels * max(depth, 8) // 8)
    with _open_pillow(path, "PNG") as image:
        if depth == 16 and colour == 4:
            # Pillow has no way to the low bytes of grey with alpha, but four plain bytes a pixel are four plain bytes.
            codec, extents, offset, _ = image.tile[0]
            image._mode, image.tile = "RGBA", [type(image.tile[0])(codec, extents, offset, "RGBA")]
            array = np.asarray(image).view(">u2").astype(np.uint16)
        elif depth == 16 and colour in (2, 6):
            # Pillow keeps the high byte of 16-bit colour; naming the other byte of each pair gives the low one.
            array = np.asarray(image).astype(np.uint16)
            array <<= 8
            with _open_pillow(path, "PNG") as low:
                codec, extents, offset, mode = low.tile[0]
                low.tile = [type(low.tile[0])(codec, extents, offset, mode.replace("16B", "16L"))]
                array |= np.asarray(low)
        else:
            array = _pillow_array(image)
        return _loaded(path, array, _exif_meta(image, "png"), linearity, image.info.get("icc_profile"))


def _read_jpeg(path: str, linearity: str) -> Capture:
    with _open_pillow(path, "JPEG", "MPO") as image:
        _check_size(path, *image.size, image.width * image.height * len(image.getbands()))
        if image.info.get("progressive"):
            scans = Path(path).read_bytes().count(b"\xff\xda")
            if scans > MAX_SCANS:
                raise InputError(path, f"has {scans:,} scans, above the limit of {MAX_SCANS}", "it is damaged or made to take "
                                 "for ever: leave it out")
        return _loaded(path, _pillow_array(image), _exif_meta(image, "jpeg"), linearity, image.info.get("icc_profile"))


def _open_pillow(path: str, *formats: str):
    import warnings

    from PIL import Image

    # The size has its own, stated limit, and damaged EXIF is no reason to refuse a picture: Pillow's warnings would be
    # a second line about the same thing.
    Image.MAX_IMAGE_PIXELS = None
    warnings.filterwarnings("ignore", category=UserWarning, module=r"PIL\.")
    return Image.open(path, formats=formats)


def _pillow_array(image) -> np.ndarray:
    if image.mode in ("CMYK", "YCbCr", "LAB", "HSV"):
        raise ValueError(f"{image.mode} colour is not supported")
    if image.mode in ("P", "1"):
        image = image.convert("RGB")
    array = np.asarray(image)
    return array.astype(np.uint16) if array.dtype == np.int32 else array


def _loaded(path: str, array: np.ndarray, meta: Meta, linearity: str, profile: bytes | None) -> Capture:
    curve, assumed = _decoding(array.dtype, linearity, profile)
    return _pack(array, path, meta, curve is None, curve, assumed)


def _pack(array: np.ndarray, path: str, meta: Meta, linear: bool, curve, assumed: str) -> Capture:
    """Grey to RGB, alpha off, NaN refused, decoded where not linear."""
    notes = list(meta.notes)
    if array.ndim == 2:
        array = array[..., None]
    if array.shape[2] in (2, 4):
        array = array[..., :-1]
        notes.append("the alpha channel was dropped")
    grey = array.shape[2] == 1
    bits = array.dtype.itemsize * 8
    if array.dtype.kind == "f" or array.dtype.itemsize > 2:
        with np.errstate(over="ignore"):  # what single precision cannot hold is refused as infinity below
            samples = array.astype(np.float32)
        if array.dtype.kind != "f":
            samples /= np.float32(np.iinfo(array.dtype).max)
        bad = ~(np.abs(samples) < BRIGHTEST)
        if bad.any():
            raise InputError(path, f"holds NaN or infinity, or light beyond {BRIGHTEST:g}, in {int(bad.sum()):,} samples",
                             "export it again")
        white = 1.0
        if not linear:
            samples = _srgb_decode(samples)
    elif linear:
        # An array given may be written to later; one just read is ours.
        samples, white = array.astype(np.uint16, copy=path == "array"), float(np.iinfo(array.dtype).max)
    else:
        codes = np.arange(np.iinfo(array.dtype).max + 1) / np.iinfo(array.dtype).max
        samples, white = (curve or _srgb_decode)(codes).astype(np.float32)[array], 1.0
    samples = np.ascontiguousarray(np.broadcast_to(samples, samples.shape[:2] + (3,)))
    samples = _upright(samples, meta.orientation)
    meta = replace(meta, grey=grey, bits=bits, assumed=assumed, notes=tuple(notes))
    return Capture(samples, white, meta, "" if path == "array" else path)


def _decoding(dtype: np.dtype, linearity: str, profile: bytes | None):
    """The curve from code value (0..1) to light, None for linear, and the words for it."""
    if linearity == "linear":
        return None, "linear, as stated"
    if linearity == "srgb":
        return _srgb_decode, "sRGB (IEC 61966-2-1), as stated"
    curve = _icc_curve(profile) if profile else None
    if curve is not None:
        codes = np.linspace(0, 1, 33)
        with np.errstate(all="ignore"):
            light = curve(codes)
        if not (np.abs(light) <= 2).all():  # of a damaged profile
            curve = None
    if curve is not None:
        straight = np.abs(light - codes).max() < 1e-3
        return (None, "linear, by the embedded profile") if straight else (curve, "decoded by the embedded profile's curve")
    if dtype == np.uint8:
        return _srgb_decode, "sRGB (IEC 61966-2-1), assumed of 8-bit samples without a profile"
    return None, "linear, assumed of 16-bit and float samples without a profile"


def _srgb_decode(v: np.ndarray) -> np.ndarray:
    """IEC 61966-2-1, 5.2: from encoded value to light."""
    v = np.asarray(v)
    return np.where(v <= 0.04045, v / 12.92, ((np.maximum(v, 0) + 0.055) / 1.055) ** 2.4)


def _icc_curve(profile: bytes):
    """The green or grey tone curve of an ICC profile (ICC.1:2022, 10.6 and 10.18) as a function, or None."""
    try:
        count = struct.unpack(">I", profile[128:132])[0]
        table = {profile[132 + 12 * i:136 + 12 * i]: struct.unpack(">II", profile[136 + 12 * i:144 + 12 * i])
                 for i in range(min(count, 100))}
        offset, size = table.get(b"gTRC") or table[b"kTRC"]
        data = profile[offset:offset + size]
        if data[:4] == b"curv":
            n = struct.unpack(">I", data[8:12])[0]
            if n == 0:
                return lambda v: v
            values = np.frombuffer(data, ">u2", n, 12).astype(float)
            if n == 1:
                return lambda v, g=values[0] / 256: np.power(v, g)
            return lambda v, y=values / 65535: np.interp(v, np.linspace(0, 1, len(y)), y)
        if data[:4] == b"para":
            kind = struct.unpack(">H", data[8:10])[0]
            p = np.frombuffer(data, ">i4", {0: 1, 3: 5}[kind], 12) / 65536
            if kind == 0:
                return lambda v: np.power(v, p[0])
            g, a, b, c, d = p
            return lambda v: np.where(v >= d, np.maximum(a * v + b, 0) ** g, c * v)
    except (struct.error, KeyError, ValueError, IndexError):
        pass
    return None


def _upright(samples: np.ndarray, orientation: int) -> np.ndarray:
    """Exif 2.32, tag Orientation."""
    if orientation in (2, 7, 4, 5):
        samples = samples[:, ::-1]
    turns = {3: 2, 4: 2, 5: 1, 6: 3, 7: 3, 8: 1}.get(orientation, 0)
    return np.ascontiguousarray(np.rot90(samples, turns)) if turns or orientation == 2 else samples


def _exif_meta(image, kind: str) -> Meta:
    try:
        exif = image.getexif()
        tags = {**dict(exif), **dict(exif.get_ifd(34665))}
    except Exception:  # damaged EXIF is no reason to refuse a picture
        tags = {}
    return _tag_meta(tags, kind)


def _tag_meta(tags: dict, kind: str) -> Meta:
    orientation = _number(tags.get(274))
    return Meta(make=_text(tags.get(271)), model=_text(tags.get(272)), lens=_text(tags.get(42036)),
                exposure_s=_number(tags.get(33434)), aperture=_number(tags.get(33437)), iso=_number(tags.get(34855)),
                focal_mm=_number(tags.get(37386)), time=_text(tags.get(36867)) or _text(tags.get(306)),
                orientation=int(orientation) if orientation in range(1, 9) else 1, kind=kind)


def _text(value) -> str:
    if isinstance(value, bytes):
        value = value.decode("utf-8", "replace")
    return "".join(c for c in str(value or "") if c.isprintable()).strip()[:200]


def _number(value) -> float | None:
    try:
        if isinstance(value, (tuple, list)):
            value = value[0] / value[1] if len(value) == 2 else value[0]
        value = float(value)
    except (TypeError, ValueError, ZeroDivisionError, IndexError):
        return None
    return value if np.isfinite(value) and value > 0 else None

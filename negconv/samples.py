"""Code values of any file or array as the samples of a `Capture`: size, encoding, orientation, channels."""
from __future__ import annotations

import os
import struct
from dataclasses import replace

import numpy as np

from .capture import Capture, Meta
from .errors import InputError

#: Captures above this are refused before anything is allocated (about 3 GB as 16-bit RGB).
MAX_PIXELS = 500_000_000
#: A compressed file may not declare more than this many times its own size, once it declares over `FREE` bytes.
MAX_EXPANSION = 400
FREE = 64_000_000
#: Light in a float file beyond this is no light: products of it with other numbers would leave single precision.
BRIGHTEST = 1e9


def check_size(path: str, width: int, height: int, nbytes: int) -> None:
    """Refuse a picture of no size, or of more pixels or bytes than its file can stand for, before memory is taken for it."""
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


def from_array(array: np.ndarray, linearity: str, *, copy: bool = True) -> Capture:
    """A capture of a plain array (H, W[, C]); see `negconv.reading.read`. One that may be written to later is copied."""
    if array.ndim == 2:
        array = array[..., None]
    if array.ndim != 3 or array.shape[2] not in (1, 2, 3, 4) or 0 in array.shape:
        raise InputError("array", f"has shape {array.shape}", "give (H, W), (H, W, 1) or (H, W, 3)")
    if array.dtype.kind not in "uif" or array.dtype == np.int8:
        raise InputError("array", f"has type {array.dtype}", "give unsigned integers or floats")
    linear = linearity != "srgb"
    return pack(array, "array", Meta(), linear, None, "linear, as given" if linear else "sRGB, as stated", copy=copy)


def loaded(path: str, array: np.ndarray, meta: Meta, linearity: str, profile: bytes | None) -> Capture:
    """A capture of the code values (H, W[, C]) of a file."""
    curve, assumed = decoding(array.dtype, linearity, profile)
    return pack(array, path, meta, curve is None, curve, assumed)


def pack(array: np.ndarray, path: str, meta: Meta, linear: bool, curve, assumed: str, *, copy: bool = False) -> Capture:
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
        with np.errstate(over="ignore", invalid="ignore"):  # what single precision cannot hold is refused as infinity
            samples = array.astype(np.float32, copy=copy)
            bounded = samples.max() < BRIGHTEST and samples.min() > -BRIGHTEST  # NaN is neither
        if array.dtype.kind != "f":
            samples /= np.float32(np.iinfo(array.dtype).max)
        elif not bounded:
            bad = np.count_nonzero(~(np.abs(samples) < BRIGHTEST))
            raise InputError(path, f"holds NaN or infinity, or light beyond {BRIGHTEST:g}, in {bad:,} samples", "export it again")
        white = 1.0
        if not linear:
            samples = _srgb_decode(samples)
    elif linear:
        samples, white = array.astype(np.uint16, copy=copy), float(np.iinfo(array.dtype).max)
    else:
        samples, white = light_of_codes(curve or _srgb_decode, array.dtype)[array], 1.0
    samples = np.ascontiguousarray(np.broadcast_to(samples, samples.shape[:2] + (3,)))
    samples = upright(samples, meta.orientation)
    meta = replace(meta, grey=grey, bits=bits, assumed=assumed, notes=tuple(notes))
    return Capture(samples, white, meta, "" if path == "array" else path)


def light_of_codes(curve, dtype) -> np.ndarray:
    """float32: what a curve of `decoding` makes of each code value."""
    most = np.iinfo(dtype).max
    return curve(np.arange(most + 1) / most).astype(np.float32)


def decoding(dtype: np.dtype, linearity: str, profile: bytes | None):
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


def upright(samples: np.ndarray, orientation: int) -> np.ndarray:
    """Exif 2.32, tag Orientation."""
    if orientation in (2, 7, 4, 5):
        samples = samples[:, ::-1]
    turns = {3: 2, 4: 2, 5: 1, 6: 3, 7: 3, 8: 1}.get(orientation, 0)
    return np.ascontiguousarray(np.rot90(samples, turns)) if turns or orientation == 2 else samples


def text_of(value) -> str:
    """The printable text of a tag, one line."""
    if isinstance(value, bytes):
        value = value.decode("utf-8", "replace")
    return "".join(c for c in str(value or "") if c.isprintable()).strip()[:200]


def number_of(value) -> float | None:
    """The number above 0 a tag stands for, a fraction's value; None of anything else."""
    try:
        if isinstance(value, (tuple, list)):
            value = value[0] / value[1] if len(value) == 2 else value[0]
        value = float(value)
    except (TypeError, ValueError, ZeroDivisionError, IndexError):
        return None
    return value if np.isfinite(value) and value > 0 else None

"""Reading TIFF, PNG and JPEG, as far as a stranger's file can be trusted."""
from __future__ import annotations

import math
import os
import struct
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np

from . import kernel
from .capture import Capture, Meta
from .errors import InputError
from .rows import rows_of_file
from .samples import FREE, check_size, decoding, light_of_codes, loaded, number_of, pack, text_of
from .tags import EXIF, ordinary_tags, parts_of

#: Scans of a progressive JPEG; each passes over the whole picture, and encoders write about ten.
MAX_SCANS = 100
#: TIFF compressions that can be unpacked within a bound: none, LZW, deflate (two numbers), PackBits.
COMPRESSIONS = (1, 5, 8, 32946, 32773)
#: The most deflate makes of a byte (zlib's technical notes, "maximum compression factor").
DEFLATE = 1032


def _open_tiff(path: str):
    import logging

    from tifffile import TiffFile

    log = logging.getLogger("tifffile")
    if not log.handlers:  # what it grumbles about damaged files would print beside our one line
        log.addHandler(logging.NullHandler())
    return TiffFile(path)


def tiff_tags(path: str) -> dict:
    """Tags of the first page and its EXIF directory, for raw formats that are TIFF inside; else empty."""
    found = ordinary_tags(path)
    parts = found and parts_of(found[0])
    if parts:
        tags, alone, _ = found
        return {**tags, **tags.get(EXIF, {}), "strips": parts if alone else ((), ())}
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


def check_strips(path: str, tags: dict) -> None:
    """Refuse a raw file that ends before its samples do."""
    offsets, counts = tags.get("strips", ((), ()))
    end, size = max((o + c for o, c in zip(offsets, counts)), default=0), os.path.getsize(path)
    if end > size:
        raise InputError(path, f"is cut short: {size:,} of at least {end:,} bytes", "copy it from the card again")


def read_tiff(path: str, linearity: str, in_rows: bool = False) -> Capture | None:
    """None when the file is a raw in a TIFF's clothes (colour filter array), which LibRaw reads."""
    if in_rows and kernel.loops is not None and hasattr(os, "preadv"):
        capture = _in_rows(path, linearity)
        if capture is not None:
            return capture
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
        check_size(path, shape[1], shape[0], nbytes)
        _check_parts(path, page, nbytes)
        end, size = max((o + c for o, c in zip(page.dataoffsets, page.databytecounts)), default=0), os.path.getsize(path)
        if end > size:
            raise InputError(path, f"is cut short: {size:,} of at least {end:,} bytes", "copy it again")
        tags = {tag.code: tag.value for tag in page.tags}
        array = page.asarray()
        if array.ndim == 3 and page.planarconfig == 2:
            array = np.ascontiguousarray(np.moveaxis(array, 0, 2))
        if page.photometric == 0:
            with np.errstate(invalid="ignore"):         # of a signalling NaN numpy would warn; what is NaN is dealt with later
                array = np.iinfo(array.dtype).max - array if array.dtype.kind == "u" else 1 - array
    exif = tags.get(34665)
    if isinstance(exif, dict):
        tags = {**tags, 33434: exif.get("ExposureTime"), 33437: exif.get("FNumber"), 34855: exif.get("ISOSpeedRatings"),
                37386: exif.get("FocalLength"), 36867: exif.get("DateTimeOriginal"), 42036: exif.get("LensModel")}
    meta = _tag_meta(tags, "tiff")
    curve, assumed = decoding(np.dtype(page.dtype), linearity, tags.get(34675))
    return pack(array, path, meta, curve is None, curve, assumed)


#: What the tags of plain samples say: bits, compression, photometric interpretation, fill order, channels, planes, predictor
#: and format; a tag that is not there stands for the first.
_PLAIN = {258: ((16, 16, 16),), 259: (1,), 262: (2,), 266: (1,), 277: (3,), 284: (1,), 317: (1,), 339: (1, (1, 1, 1))}


def _in_rows(path: str, linearity: str) -> Capture | None:
    """A TIFF whose samples lie in the file as an array lies in memory, and upright, as rows; None of any other."""
    tags, _, order = ordinary_tags(path) or ({}, False, "")
    width, height, parts = tags.get(256), tags.get(257), parts_of(tags)
    if (order != {"little": "<", "big": ">"}[sys.byteorder] or parts is None or 322 in tags or 258 not in tags or 262 not in tags
            or 277 not in tags or any(tags.get(code, values[0]) not in values for code, values in _PLAIN.items())
            or not isinstance(width, int) or not isinstance(height, int) or min(width, height) < 1):
        return None
    start, nbytes, ends = parts[0][0], 6 * width * height, [o + c for o, c in zip(*parts)]
    if list(parts[0][1:]) != ends[:-1] or ends[-1] - start != nbytes or ends[-1] > os.path.getsize(path):
        return None
    check_size(path, width, height, nbytes)
    exif = tags.get(EXIF)
    if exif is not None:
        tags = {**tags, **{code: exif.get(code) for code in (33434, 33437, 34855, 37386, 36867, 42036)}}
    meta = _tag_meta(tags, "tiff")
    curve, assumed = decoding(np.dtype(np.uint16), linearity, tags.get(34675))
    if meta.orientation != 1:
        return None
    table = None if curve is None else light_of_codes(curve, np.uint16)
    return Capture(rows_of_file(path, start, (height, width, 3), table), 65535.0 if table is None else 1.0,
                   replace(meta, bits=16, assumed=assumed), path)


def _check_parts(path: str, page, nbytes: int) -> None:
    """Refuse a TIFF whose strips or tiles unpack to more than they declare; tifffile unpacks without a bound."""
    import zlib

    from tifffile import TIFF

    from .parallel import over

    packed = page.compression in COMPRESSIONS
    if not packed or page.compression not in TIFF.DECOMPRESSORS:
        raise InputError(path, f"is compressed in a way that is not read ({getattr(page.compression, 'name', page.compression)})",
                         "save it uncompressed or with deflate (ZIP)" + ", or: pip install imagecodecs" * packed)
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


def read_png(path: str, head: bytes, linearity: str) -> Capture:
    """`head` is the file's first bytes."""
    if len(head) < 29:
        raise InputError(path, "is cut short", "copy it again")
    width, height, depth, colour = struct.unpack(">IIBB", head[16:26])
    channels = {0: 1, 2: 3, 3: 3, 4: 2, 6: 4}.get(colour, 4)
    check_size(path, width, height, width * height * channels * max(depth, 8) // 8)
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
        return loaded(path, array, _exif_meta(image, "png"), linearity, image.info.get("icc_profile"))


def read_jpeg(path: str, linearity: str) -> Capture:
    """Scans of a progressive file are counted before it is decoded."""
    with _open_pillow(path, "JPEG", "MPO") as image:
        check_size(path, *image.size, image.width * image.height * len(image.getbands()))
        if image.info.get("progressive"):
            scans = Path(path).read_bytes().count(b"\xff\xda")
            if scans > MAX_SCANS:
                raise InputError(path, f"has {scans:,} scans, above the limit of {MAX_SCANS}", "it is damaged or made to take "
                                 "for ever: leave it out")
        return loaded(path, _pillow_array(image), _exif_meta(image, "jpeg"), linearity, image.info.get("icc_profile"))


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


def _exif_meta(image, kind: str) -> Meta:
    try:
        exif = image.getexif()
        tags = {**dict(exif), **dict(exif.get_ifd(34665))}
    except Exception:  # damaged EXIF is no reason to refuse a picture
        tags = {}
    return _tag_meta(tags, kind)


def _tag_meta(tags: dict, kind: str) -> Meta:
    orientation = number_of(tags.get(274))
    return Meta(make=text_of(tags.get(271)), model=text_of(tags.get(272)), lens=text_of(tags.get(42036)),
                exposure_s=number_of(tags.get(33434)), aperture=number_of(tags.get(33437)), iso=number_of(tags.get(34855)),
                focal_mm=number_of(tags.get(37386)), time=text_of(tags.get(36867)) or text_of(tags.get(306)),
                orientation=int(orientation) if orientation in range(1, 9) else 1, kind=kind)

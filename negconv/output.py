"""Pictures as files: TIFF, PNG, JPEG with profile and metadata, and the sidecar that says how each was made.

Bytes depend on pixels and values alone: no date of today, no machine, no random number, so that the same sidecar gives
the same bytes again.
"""
from __future__ import annotations

import hashlib
import io
import json
import os
import platform
import struct
import sys
import zlib
from concurrent.futures import ThreadPoolExecutor
from functools import lru_cache
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING, Mapping, Sequence

import numpy as np

from . import __version__, exif
from .errors import InputError
from .exif import Metadata
from .files import PLACING, Staged, Writing, discard, hash_file, place, stage, sweep
from .icc import icc_profile

if TYPE_CHECKING:
    from .positive import Positive

SUFFIXES = {"tiff": ".tif", "png": ".png", "jpeg": ".jpg"}
OUTPUTS = {".tif": "tiff", ".tiff": "tiff", ".png": "png", ".jpg": "jpeg", ".jpeg": "jpeg"}
#: Bytes of pixels a strip of a TIFF and a part of a PNG holds.
STRIP = 1 << 20
#: A sidecar larger than this is none of ours.
MAX_SIDECAR = 16_000_000
SIDECAR_FORMAT = 1


def write_image(path, pixels: np.ndarray, *, output: str = "tiff", space: str = "srgb", grey: bool | None = None,
                quality: int = 95, metadata: Metadata = Metadata(), overwrite: bool = False, threads: int = 2) -> None:
    """Write one picture, whole or not at all.

    Parameters
    ----------
    path : path-like
    pixels : ndarray uint8 or uint16, (h, w, 3) or (h, w)
        JPEG takes 8 bits only.
    output : {"tiff", "png", "jpeg"}
    space : str
        Key of `negconv.colour.SPACES`; decides the embedded profile.
    grey : bool, optional
        The profile of one channel; by default as the shape says.
    quality : int
        Of JPEG, 1 to 100; chroma is kept at full size (4:4:4).
    metadata : Metadata
    overwrite : bool
        False: an existing file is an error, decided without a race.
    threads : int
        For the compression of PNG; the bytes do not depend on it.

    Raises
    ------
    InputError
        The file exists, or cannot be written. Nothing half-written stays.

    Examples
    --------
    >>> import tempfile, os
    >>> name = os.path.join(tempfile.mkdtemp(), "a.tif")
    >>> write_image(name, np.zeros((2, 3), np.uint16))
    >>> os.path.exists(name)
    True
    """
    if not overwrite and os.path.lexists(path):
        raise InputError(path, "exists already", "choose another folder or allow overwriting")
    parts = encoded(path, pixels, output=output, space=space, grey=grey, quality=quality, metadata=metadata,
                    threads=threads)
    place(stage(path, parts, hashed=False), overwrite=overwrite)


def encoded(path, pixels: np.ndarray, *, output: str, space: str, grey: bool | None = None, quality: int = 95,
            metadata: Metadata = Metadata(), threads: int = 2) -> list:
    """The parts of a file, in order; `path` is for messages alone. See `write_image`."""
    if pixels.dtype not in (np.uint8, np.uint16) or pixels.ndim not in (2, 3) or 0 in pixels.shape or \
            (pixels.ndim == 3 and pixels.shape[2] != 3):
        raise ValueError(f"pixels must be uint8 or uint16, (h, w) or (h, w, 3), not {pixels.dtype} {pixels.shape}")
    if grey is None:
        grey = pixels.ndim == 2
    if grey != (pixels.ndim == 2):
        raise ValueError(f"grey={grey} does not go with shape {pixels.shape}")
    profile = icc_profile(space, grey)
    if output == "tiff":
        return [_tiff_head(path, *pixels.shape[:2], 1 if pixels.ndim == 2 else 3, pixels.dtype.itemsize, space, metadata,
                           profile), _little_endian(pixels)]
    if output == "png":
        return _png(pixels, space, metadata, profile, threads)
    if output == "jpeg":
        return _jpeg(path, pixels, space, metadata, profile, quality)
    raise ValueError(f"output must be tiff, png or jpeg, not {output!r}")


def _tiff_head(path, h: int, w: int, channels: int, size: int, space: str, metadata: Metadata, profile: bytes) -> bytes:
    """What stands before the pixels of a baseline TIFF 6.0, little-endian, uncompressed; `size` is bytes a sample."""
    line = w * channels * size
    if h * line > 0xFFFF0000:
        raise InputError(path, f"would be {h * line:,} bytes; a TIFF holds 4 GB", "write PNG")
    rows = max(1, min(h, STRIP // line))
    counts = [line * min(rows, h - y) for y in range(0, h, rows)]
    tags = {**exif.entries(metadata), 256: (exif.LONG, w), 257: (exif.LONG, h), 258: (exif.SHORT, [8 * size] * channels),
            259: (exif.SHORT, 1), 262: (exif.SHORT, 1 if channels == 1 else 2), 273: (exif.LONG, [0] * len(counts)),
            277: (exif.SHORT, channels), 278: (exif.LONG, rows), 279: (exif.LONG, counts), 284: (exif.SHORT, 1),
            700: (1, exif.xmp_packet(metadata)), 34675: (exif.UNDEFINED, profile)}
    inner = exif.exif_entries(metadata, space, (h, w))
    start = -(-(8 + len(exif.with_exif(tags, inner, 8))) // 16) * 16
    tags[273] = (exif.LONG, [start + line * y for y in range(0, h, rows)])
    return (b"II*\0" + struct.pack("<I", 8) + exif.with_exif(tags, inner, 8)).ljust(start, b"\0")


def _little_endian(pixels: np.ndarray) -> np.ndarray:
    return np.ascontiguousarray(pixels, pixels.dtype.newbyteorder("<"))


class GrowingTiff(Writing):
    """A 16- or 8-bit TIFF written while its rows are made: `write_rows` each run of them from the top, then `finish`.

    Parameters
    ----------
    path, space, metadata
        See `write_image`.
    shape : (int, int)
    channels : {1, 3}
    bits : {8, 16}
    """

    def __init__(self, path, shape: tuple[int, int], channels: int, bits: int, *, space: str, metadata: Metadata) -> None:
        head = _tiff_head(path, *shape, channels, bits // 8, space, metadata, icc_profile(space, channels == 1))
        super().__init__(path)
        self.write(head)

    def write_rows(self, rows: np.ndarray) -> None:
        """Append rows of code values."""
        self.write(_little_endian(rows))


def _png(pixels: np.ndarray, space: str, metadata: Metadata, profile: bytes, threads: int) -> list:
    """PNG (ISO/IEC 15948) with each row as its difference from the one above.

    Grain leaves nothing for a search of repeats to find, so runs and Huffman codes alone give smaller files than
    zlib's own levels 1 to 6, in less than half the time (benchmarks/writing.py).
    """
    h, w = pixels.shape[:2]
    rows = np.ascontiguousarray(pixels, pixels.dtype.newbyteorder(">")).view(np.uint8).reshape(h, -1)
    step = max(1, STRIP // (rows.shape[1] + 1))

    def part(y: int) -> tuple[bytes, bytes]:
        lines = rows[y:y + step]
        plain = np.empty((len(lines), rows.shape[1] + 1), np.uint8)
        plain[:, 0] = 2
        above = rows[y - 1:y - 1 + len(lines)] if y else np.vstack([np.zeros_like(rows[:1]), lines[:-1]])
        np.subtract(lines, above, out=plain[:, 1:])
        squeeze = zlib.compressobj(1, zlib.DEFLATED, -15, 9, zlib.Z_RLE)
        data = squeeze.compress(plain) + squeeze.flush(zlib.Z_FINISH if y + step >= h else zlib.Z_FULL_FLUSH)
        return data, plain

    per_metre = round((metadata.per_inch or 300.0) / 0.0254)
    parts = [b"\x89PNG\r\n\x1a\n",
             _chunk(b"IHDR", struct.pack(">IIBBBBB", w, h, 8 * pixels.dtype.itemsize, 0 if pixels.ndim == 2 else 2, 0, 0, 0)),
             _chunk(b"iCCP", b"icc\0\0" + zlib.compress(profile, 9)), _chunk(b"pHYs", struct.pack(">IIB", per_metre, per_metre, 1)),
             _chunk(b"eXIf", exif.exif_block(metadata, space, (h, w)))]
    for key, text in exif.png_texts(metadata):
        parts.append(_chunk(b"iTXt", key.encode("latin-1") + b"\0\0\0\0\0" + text.encode("utf-8")))
    check = 1
    with ThreadPoolExecutor(max(1, threads)) as pool:
        for i, (data, plain) in enumerate(pool.map(part, range(0, h, step))):
            check = zlib.adler32(plain, check)
            parts.append(_chunk(b"IDAT", (b"\x78\x01" if i == 0 else b"") + data))
    parts += [_chunk(b"IDAT", struct.pack(">I", check)), _chunk(b"IEND", b"")]
    return parts


def _chunk(kind: bytes, data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(data, zlib.crc32(kind)))


def _jpeg(path, pixels: np.ndarray, space: str, metadata: Metadata, profile: bytes, quality: int) -> list:
    from PIL import Image

    if pixels.dtype != np.uint8:
        raise ValueError("JPEG takes 8 bits a channel")
    if max(pixels.shape[:2]) > 65500:
        raise InputError(path, f"would be {max(pixels.shape[:2]):,} pixels long; a JPEG holds 65,500", "write TIFF or PNG")
    file, per_inch = io.BytesIO(), min(round(metadata.per_inch or 300.0), 65535)
    Image.fromarray(np.ascontiguousarray(pixels)).save(
        file, "JPEG", quality=quality, subsampling=0, icc_profile=profile, dpi=(per_inch, per_inch),
        exif=b"Exif\0\0" + exif.exif_block(metadata, space, pixels.shape[:2]), xmp=exif.xmp_packet(metadata))
    return [file.getvalue()]


# --- sidecar -----------------------------------------------------------------------------------------------------

def save_positive(positive: Positive, path, *, output: str | None = None, space: str | None = None,
                  bits: int | None = None, quality: int | None = None, overwrite: bool = False, threads: int = 2,
                  metadata: Metadata | None = None, record: dict | None = None) -> str:
    """Write a positive and its sidecar; see `Positive.save`.

    Parameters
    ----------
    metadata : Metadata, optional
        By default what the capture's file said.
    record : dict, optional
        Entries of the sidecar beside or over the positive's own.

    Returns
    -------
    str
        The path written.
    """
    place_pair(*stage_positive(positive, path, output=output, space=space, bits=bits, quality=quality, threads=threads,
                               metadata=metadata, record=record), overwrite=overwrite)
    return os.fspath(path)


def stage_positive(positive: Positive, path, *, output: str | None = None, space: str | None = None,
                   bits: int | None = None, quality: int | None = None, threads: int = 2,
                   metadata: Metadata | None = None, record: dict | None = None, codes=None,
                   picture: Staged | None = None, shape: tuple[int, int] | None = None) -> tuple[Staged, Staged]:
    """Picture and sidecar under temporary names, ready for `place_pair`.

    `codes` are the picture where it is encoded already; `picture` is its file where that is written already, and then
    `shape` its height and width.
    """
    path, recipe = os.fspath(path), positive.recipe
    output = output or OUTPUTS.get(Path(path).suffix.lower()) or getattr(recipe, "output", "tiff")
    space = space or getattr(recipe, "space", "srgb")
    bits = 8 if output == "jpeg" else bits or getattr(recipe, "bits", 16)
    quality = quality or getattr(recipe, "quality", 95)
    refuse_input(path, positive.path)
    if picture is None:
        codes = positive.encode(space, bits, threads=threads) if codes is None else codes
        shape = codes.shape[:2]
        metadata = metadata or Metadata.of(positive.meta, pixel_um=positive.pixel_um)
        picture = stage(path, encoded(path, codes, output=output, space=space, quality=quality, metadata=metadata,
                                      threads=threads))
    try:
        record = {**positive_record(positive, os.path.dirname(path), inputs=(record or {}).get("inputs")), **(record or {})}
        record["output"] = {
            "file": os.path.basename(path), "bytes": picture.size, "sha256": picture.sha256, "type": output,
            "space": space, "bits": bits, "quality": quality if output == "jpeg" else None, "height": shape[0], "width": shape[1],
            "channels": 1 if positive.mono else 3}
        return picture, stage(sidecar_path(path), [sidecar_bytes(record)])
    except BaseException:
        discard(picture.temporary)
        raise


def place_pair(picture: Staged, sidecar: Staged, *, overwrite: bool, same_is_fine: bool = False) -> None:
    """Give a picture its name and then its sidecar; a stray sidecar of ours is replaced, anyone else's file is not.

    With `same_is_fine` an existing picture of the very same bytes is no error: its sidecar is all that was missing.
    """
    try:
        if same_is_fine and not overwrite and os.path.lexists(picture.path):
            overwrite = hash_file(picture.path) == (picture.sha256, picture.size)
            if not overwrite:
                raise InputError(picture.path, "exists already and is not what these settings make",
                                 "choose another folder or allow overwriting")
        if not overwrite and os.path.lexists(sidecar.path):
            try:
                read_sidecar(sidecar.path)
            except InputError:
                raise InputError(sidecar.path, "exists already and is no sidecar of negconv",
                                 "choose another folder or allow overwriting") from None
        with PLACING:
            place(picture, overwrite=overwrite)
            place(sidecar, overwrite=True)
    except BaseException:
        discard(picture.temporary)
        discard(sidecar.temporary)
        raise


def refuse_input(path, *inputs) -> None:
    """Never write over what a picture is made from, by whatever name it goes."""
    for name in inputs:
        try:
            same = name and os.path.samefile(path, name)
        except OSError:
            same = False
        if same:
            raise InputError(path, f"is an input ({os.path.basename(name)})", "choose another folder for the outputs")


def sidecar_path(path) -> str:
    """The name of a picture's sidecar: its whole name with ``.json`` after it."""
    return os.fspath(path) + ".json"


def positive_record(positive: Positive, folder: str = "", *, inputs: dict | None = None) -> dict:
    """What a sidecar says of a positive; `folder` is where the sidecar will be, for the way to the inputs."""
    if inputs is None:
        inputs = {"capture": input_record(positive.path, folder)} if positive.path else {}
    solved = {name: getattr(positive, name) for name in ("frame", "base", "film", "balance", "tone", "to_capture",
                                                         "primaries", "pixel_um", "mono")}
    return {"negconv": __version__, "format": SIDECAR_FORMAT, "output": None,
            "inputs": inputs,
            "settings": positive.recipe, "solved": solved, "capture": positive.meta, "versions": _versions_for(positive.meta.kind),
            "warnings": positive.warnings, **positive.record}


def input_record(path, folder: str = "") -> dict:
    """Name, way from `folder`, size and SHA-256 of a file."""
    return as_record(path, *hash_file(path), folder)


def as_record(path, sha256: str, size: int, folder: str = "") -> dict:
    """The same of a file hashed before."""
    try:
        way = os.path.relpath(os.path.realpath(path), os.path.realpath(folder or "."))
    except ValueError:  # another drive
        way = os.path.abspath(path)
    return {"file": os.path.basename(path), "path": Path(way).as_posix(), "bytes": size, "sha256": sha256}


def look_up(path, mark: str) -> str:
    """What stands where a picture shall be.

    Parameters
    ----------
    path : path-like
    mark : str
        The fingerprint it would have.

    Returns
    -------
    str
        ``"none"``; ``"same"``: from the same inputs, settings and version; ``"ours"``: made by negconv and as it left
        it, or damaged; ``"changed"``: made by negconv and changed since; ``"bare"``: negconv's, without a sidecar that
        could tell; ``"foreign"``: someone else's.
    """
    from .gather import is_output

    if not os.path.lexists(path):
        return "none"
    try:
        record = read_sidecar(sidecar_path(path))
    except InputError:
        return "bare" if is_output(path) else "foreign"
    if record["output"]["file"] != os.path.basename(path):
        return "bare" if is_output(path) else "foreign"
    try:
        if hash_file(path) == (record["output"]["sha256"], record["output"]["bytes"]):
            return "same" if record.get("fingerprint") == mark else "ours"
        from .reading import read

        read(path)
        return "changed"
    except InputError:
        return "ours"


@lru_cache(maxsize=1)
def versions() -> Mapping[str, str]:
    """Versions of what turns a capture into pixels and bytes, but for LibRaw's, which is known once that is loaded."""
    names = ("numpy", "scipy", "rawpy", "tifffile", "Pillow")
    installed = _installed([name.lower() for name in names])
    found = {"negconv": __version__, "python": platform.python_version()}
    found.update((name, installed.get(name.lower()) or _recorded(name)) for name in names)
    return MappingProxyType({**found, "zlib": zlib.ZLIB_RUNTIME_VERSION})


def _versions_for(kind: str) -> dict[str, str]:
    """The same for a capture of a kind, with LibRaw's where that may have had to do with it."""
    if kind in ("tiff", "png", "jpeg"):
        return dict(versions())
    from .raw import libraw

    return {**versions(), "LibRaw": ".".join(map(str, libraw().libraw_version))}


def _installed(names: Sequence[str]) -> dict[str, str]:
    """Versions as the folders of packages' records are named ("Recording installed projects", Python Packaging User Guide):
    importlib.metadata, which reads what is in them, takes longer to be imported than a frame takes to be found."""
    found: dict[str, str] = {}
    for folder in sys.path:
        here: dict[str, set[str]] = {}
        try:
            entries = os.listdir(folder or ".")
        except OSError:
            continue
        for entry in entries:
            name, _, version = entry.removesuffix(".dist-info").partition("-")
            if entry.endswith(".dist-info") and name.lower() in names:
                here.setdefault(name.lower(), set()).add(version)
        for name, known in here.items():
            # Of several records, or a version that a folder's name cannot hold, the records themselves are asked.
            sure = len(known) == 1 and not {"_", "-"} & set(*known)
            found.setdefault(name, known.pop() if sure else "")
    return found


def _recorded(name: str) -> str:
    from importlib.metadata import PackageNotFoundError, version

    try:
        return version(name)
    except PackageNotFoundError:
        return "unknown"


def fingerprint(inputs: dict, settings: dict, version: str = __version__) -> str:
    """SHA-256 over the hashes of the inputs, every setting and the version: equal ones make equal bytes.

    Parameters
    ----------
    inputs : dict
        Records of `input_record`, by role; names and ways do not count.
    settings : dict
        Anything that goes to JSON.
    version : str
        Of negconv.
    """
    hashes = {role: one["sha256"] for role, one in inputs.items()}
    text = json.dumps([version, hashes, plain(settings)], sort_keys=True, separators=(",", ":"), allow_nan=False)
    return hashlib.sha256(text.encode()).hexdigest()


def sidecar_bytes(record: dict) -> bytes:
    """A sidecar as UTF-8 JSON."""
    return (json.dumps(plain(record), indent=1, ensure_ascii=False, allow_nan=False) + "\n").encode("utf-8", "replace")


def plain(value):
    """Values as JSON has them: frozen objects by their ``to_dict``, what is not a finite number as null."""
    if hasattr(value, "to_dict"):
        return plain(value.to_dict())
    if isinstance(value, dict):
        return {str(key): plain(one) for key, one in value.items()}
    if isinstance(value, (list, tuple, np.ndarray)):
        return [plain(one) for one in value]
    if isinstance(value, (bool, int, str)) or value is None:
        return value
    if isinstance(value, np.integer):
        return int(value)
    if isinstance(value, (float, np.floating)):
        return float(value) if np.isfinite(value) else None
    if isinstance(value, np.bool_):
        return bool(value)
    if isinstance(value, os.PathLike):
        return os.fspath(value)
    raise TypeError(f"{type(value).__name__} does not go to JSON")


def read_sidecar(path) -> dict:
    """A sidecar, checked: what is needed to trust it is there and of its type.

    Raises
    ------
    InputError
        Missing, too large, not JSON, or not one of ours.
    """
    remedy = "remove it and convert again"
    try:
        with open(path, "rb") as file:
            data = file.read(MAX_SIDECAR + 1)
    except OSError as error:
        raise InputError(path, f"cannot be read ({(error.strerror or str(error)).lower()})", remedy) from None
    if len(data) > MAX_SIDECAR:
        raise InputError(path, f"is over {MAX_SIDECAR:,} bytes", remedy)
    try:
        record = json.loads(data)
    except (ValueError, RecursionError):
        raise InputError(path, "is not JSON", remedy) from None
    output = record.get("output") if isinstance(record, dict) else None
    if not (isinstance(output, dict) and record.get("format") == SIDECAR_FORMAT and isinstance(record.get("negconv"), str)
            and isinstance(record.get("inputs"), dict) and isinstance(record.get("warnings"), list)
            and isinstance(output.get("file"), str) and os.path.basename(output["file"]) == output["file"]
            and type(output.get("bytes")) is int and isinstance(output.get("sha256"), str)
            and isinstance(record.get("fingerprint", ""), str)
            and all(isinstance(one, dict) and isinstance(one.get("sha256"), str) for one in record["inputs"].values())):
        raise InputError(path, "is no sidecar of negconv", remedy)
    return record


def recover(folder) -> int:
    """Clear a folder of what a killed run left, and finish what it had all but finished; returns how many files."""
    return sweep(folder, _finish)


def _finish(temporary: str) -> bool:
    """Place a complete sidecar whose picture already has its name; False for any other file."""
    try:
        output = read_sidecar(temporary)["output"]
        path = os.path.join(os.path.dirname(temporary), output["file"])
        if hash_file(path) != (output["sha256"], output["bytes"]):
            return False
        os.replace(temporary, sidecar_path(path))
        return True
    except (InputError, OSError):
        return False

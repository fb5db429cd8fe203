"""`read`: a capture from whatever a user may have."""
from __future__ import annotations

import os
import stat
from pathlib import Path
from typing import Iterator

import numpy as np

from .capture import Capture
from .errors import InputError
from .images import read_jpeg, read_png, read_tiff
from .raw import read_raw
from .samples import from_array

#: File endings taken for pictures when a folder is read; the content decides what they are.
RAW_SUFFIXES = frozenset(
    ".3fr .arw .cr2 .cr3 .crw .dcr .dng .erf .fff .iiq .kdc .mef .mos .mrw .nef .nrw .orf .pef .raf .raw .rw2 .rwl "
    ".sr2 .srf .srw .x3f".split())
SUFFIXES = RAW_SUFFIXES | {".tif", ".tiff", ".png", ".jpg", ".jpeg"}
LINEARITIES = ("auto", "linear", "srgb")


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
        return from_array(source, linearity)
    return next(_read_file(os.fspath(source), linearity, reduced=reduced))


def read_rows(source, *, linearity: str = "auto", reduced: bool = False) -> Capture:
    """As `read`; samples that lie in the file or the array as they are wanted stay there, in a file as `negconv.rows.Rows`."""
    _check_linearity(linearity)
    if isinstance(source, Capture):
        return source
    if isinstance(source, np.ndarray):
        return from_array(source, linearity, copy=False)
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
            capture = read_png(path, head, linearity)
        elif head[:3] == b"\xff\xd8\xff":
            capture = read_jpeg(path, linearity)
        elif head[:4] in (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+") and Path(path).suffix.lower() in (".tif", ".tiff"):
            capture = read_tiff(path, linearity, in_rows)
        else:
            capture = None
        if capture is None:
            yield from read_raw(path, (True, False) if twice else (reduced,), in_rows)
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
    return source.data if isinstance(source, Capture) else from_array(np.asarray(source), "linear").data


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

"""Files that are whole or not there: written under a temporary name beside their place, flushed, then put in place.

Temporary names are ``.negconv-<host>-<pid>-<random>.part``, so that a later run can tell which of them nobody is
writing any more. Data is forced to the disk before a file gets its name: a name then never stands for bytes a power cut
can lose. Since it has to get there anyway, it goes straight where the system offers that (O_DIRECT of open(2), Linux),
not by way of its cache: that copies all of it into memory nobody has touched, and is then waited for.
"""
from __future__ import annotations

import hashlib
import mmap
import os
import platform
import re
import stat
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from errno import EDQUOT, EEXIST, EFBIG, EINVAL, ENOSPC, EROFS
from pathlib import Path

from .errors import InputError
from .hashes import changed_at, hash_file
from .values import frozen

_HOST = hashlib.sha256(platform.node().encode()).hexdigest()[:6]
_TEMPORARY = re.compile(r"\.negconv-([0-9a-f]{6})-(\d+)-[0-9a-f]{8}\.part")
#: A temporary file of another machine (or where processes cannot be asked after) is given up after this many seconds.
GIVEN_UP = 24 * 3600
#: Bytes written at once past the system's cache: in memory and in the file they start and end with pages.
STRAIGHT = 1 << 20
#: Held while files get their names, so that a worker told to stop does not leave a picture without its sidecar.
PLACING = threading.Lock()
_alive: set[str] = set()


@frozen
class Staged:
    """A complete file under its temporary name.

    Attributes
    ----------
    temporary, path : str
        Where it is and where it shall be.
    size : int
        Bytes.
    sha256 : str
        Empty where none was asked for.
    """

    temporary: str
    path: str
    size: int
    sha256: str


class Writing:
    """A file that grows under a temporary name in the folder of its place.

    A context: left with an error, or without `finish`, nothing stays of it.

    Parameters
    ----------
    path : path-like
        Where the file shall be; its folder must exist.
    hashed : bool
        Also take the SHA-256 (0.1 s of a core for 144 MB).
    beside : bool
        Take it on a second thread: parts must then stay as they are until `finish`.

    Raises
    ------
    InputError
        From any method: disk full, folder missing or closed to writing.
    """

    def __init__(self, path, *, hashed: bool = True, beside: bool = False) -> None:
        self.path = os.fspath(path)
        self.temporary = os.path.join(os.path.dirname(self.path) or ".",
                                      f".negconv-{_HOST}-{os.getpid()}-{os.urandom(4).hex()}.part")
        self.size, self._digest, self._beside, self._staged = 0, hashlib.sha256() if hashed else None, None, None
        _alive.add(self.temporary)
        try:
            self._file = open(self.temporary, "xb", buffering=0)
        except OSError as error:
            discard(self.temporary)
            raise unwritable(self.path, error) from error
        self._beside = ThreadPoolExecutor(1) if beside and hashed else None
        self._pages = _pages()
        self._filled, self._straight = 0, None  # not tried yet

    def write(self, part) -> None:
        """Append a part."""
        view = memoryview(part).cast("B")
        self.size += len(view)
        if self._beside is not None:
            self._beside.submit(self._digest.update, view)
        own = self._digest if self._beside is None else None
        try:
            if self._pages is None:
                if own is not None:
                    own.update(view)
                self._out(view)
                return
            while len(view):
                count = min(len(view), STRAIGHT - self._filled)
                self._pages[self._filled:self._filled + count] = view[:count]
                if own is not None:
                    own.update(view[:count])
                view, self._filled = view[count:], self._filled + count
                if self._filled == STRAIGHT:
                    if self._straight is None:
                        self._straight = _go_straight(self._file, True)
                    self._out(memoryview(self._pages))
                    self._filled = 0
        except OSError as error:
            raise unwritable(self.path, error) from error

    def _out(self, view: memoryview) -> None:
        while len(view):
            try:
                view = view[self._file.write(view):]
            except OSError as error:
                if not self._straight or error.errno != EINVAL:
                    raise
                self._straight = _go_straight(self._file, False)  # the file system asks for more than whole pages

    def finish(self) -> Staged:
        """Force it to the disk; the complete file, ready for `place`."""
        try:
            if self._filled:
                if self._straight:
                    _go_straight(self._file, False)  # its end is no whole page
                self._out(memoryview(self._pages)[:self._filled])
            os.fsync(self._file.fileno())
            self._file.close()
        except OSError as error:
            raise unwritable(self.path, error) from error
        if self._beside is not None:
            self._beside.shutdown()
        self._staged = Staged(self.temporary, self.path, self.size, self._digest.hexdigest() if self._digest else "")
        return self._staged

    def __enter__(self) -> Writing:
        return self

    def __exit__(self, *_) -> None:
        if self._beside is not None:
            self._beside.shutdown(cancel_futures=True)
        if self._staged is None:
            self._file.close()
            discard(self.temporary)


def _pages() -> mmap.mmap | None:
    """`STRAIGHT` bytes of memory that start with a page; None where nothing can be written past the system's cache."""
    return mmap.mmap(-1, STRAIGHT, flags=mmap.MAP_PRIVATE | mmap.MAP_ANONYMOUS) if hasattr(os, "O_DIRECT") else None


def _go_straight(file, straight: bool) -> bool:
    """Have what is written to a file go past the system's cache, or through it again; whether it now does."""
    import fcntl

    try:
        flags = fcntl.fcntl(file, fcntl.F_GETFL)
        fcntl.fcntl(file, fcntl.F_SETFL, flags | os.O_DIRECT if straight else flags & ~os.O_DIRECT)
    except OSError:
        return False
    return straight


def stage(path, parts, *, hashed: bool = True) -> Staged:
    """Write parts (bytes-like) one after another: see `Writing`."""
    with Writing(path, hashed=hashed, beside=True) as file:
        for part in parts:
            file.write(part)
        return file.finish()


def place(staged: Staged, *, overwrite: bool) -> None:
    """Give a complete file its name.

    Raises
    ------
    InputError
        If one exists and `overwrite` is False (decided by the file system, so that of two writers only one wins).
        The temporary file is gone by then.
    """
    try:
        _place(staged.temporary, staged.path, overwrite)
        _alive.discard(staged.temporary)
    except BaseException as error:
        discard(staged.temporary)
        if isinstance(error, OSError):
            raise unwritable(staged.path, error) from error
        raise


def _place(temporary: str, path: str, overwrite: bool) -> None:
    if overwrite:
        os.replace(temporary, path)
        return
    try:
        os.link(temporary, path)
    except FileExistsError:
        raise
    except (OSError, AttributeError, NotImplementedError):
        # A file system without hard links: the empty file made here keeps the name until the whole one takes it.
        os.close(os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY))
        os.replace(temporary, path)
        return
    os.unlink(temporary)


def discard(temporary: str) -> None:
    """Remove a temporary file if it is there."""
    try:
        os.unlink(temporary)
    except OSError:
        pass
    _alive.discard(temporary)


def discard_all() -> None:
    """Remove every temporary file this process is writing, before it ends without finishing."""
    for temporary in list(_alive):
        discard(temporary)


def sweep(folder, finish=None) -> int:
    """Remove temporary files of runs that are no more; returns how many.

    Parameters
    ----------
    folder : path-like
    finish : callable, optional
        Given each such file first; True says that it has been put to use.
    """
    count = 0
    try:
        names = os.listdir(folder)
    except OSError:
        return 0
    for name in names:
        match = _TEMPORARY.fullmatch(name)
        path = os.path.join(folder, name)
        if match and path not in _alive and _abandoned(path, match[1], int(match[2])):
            if finish is None or not finish(path):
                discard(path)
            count += 1
    return count


def is_temporary(name: str) -> bool:
    """True for a name `stage` makes."""
    return _TEMPORARY.fullmatch(name) is not None


def _abandoned(path: str, host: str, pid: int) -> bool:
    try:
        state = os.lstat(path)
    except OSError:
        return False
    if not stat.S_ISREG(state.st_mode):
        return False
    if host == _HOST and os.name == "posix":
        if pid == os.getpid():
            return True
        try:
            os.kill(pid, 0)
        except ProcessLookupError:
            return True
        except OSError:
            pass
    return time.time() - state.st_mtime > GIVEN_UP


def unwritable(path, error: OSError) -> InputError:
    """The line for a file that could not be written."""
    reason = (error.strerror or str(error)).lower()
    if error.errno == EEXIST:
        return InputError(path, "exists already", "choose another folder or allow overwriting")
    if error.errno in (ENOSPC, EDQUOT, EFBIG):
        return InputError(path, f"cannot be written ({reason})", "free some space or choose another folder")
    if error.errno == EROFS or isinstance(error, PermissionError):
        return InputError(path, f"cannot be written ({reason})", "choose a folder that can be written to")
    return InputError(path, f"cannot be written ({reason})", "check the folder and the disk")


@frozen
class FileState:
    """A file as it was when it was hashed."""

    path: str
    sha256: str
    size: int
    changed_ns: int

    def check(self) -> None:
        """Refuse a file that is not as it was.

        Raises
        ------
        InputError
        """
        try:
            now = os.stat(self.path)
        except OSError:
            raise InputError(self.path, "has vanished since the roll was surveyed", "put it back and convert again") from None
        if (now.st_size, now.st_mtime_ns) != (self.size, self.changed_ns):
            raise InputError(self.path, "was changed while the roll was converted", "convert again")


def file_state(path: str) -> FileState:
    """Hash and state of a file."""
    return state_of((path, changed_at(path)))


def state_of(job: tuple[str, int | None]) -> FileState:
    """Hash and state of a file by its name and when it was changed, nanoseconds (None: it could not be asked)."""
    path, changed = job
    return FileState(path, *hash_file(path), changed_at(path) if changed is None else changed)


def make_folder(path) -> Path:
    """A folder, made if missing.

    Raises
    ------
    InputError
    """
    try:
        os.makedirs(path, exist_ok=True)
    except FileExistsError:
        raise InputError(path, "is a file", "name a folder for the outputs") from None
    except OSError as error:
        raise unwritable(path, error) from error
    return Path(path)


def check_free(paths, *, overwrite: bool) -> None:
    """Refuse outputs that are there already, before any work is done for them.

    Raises
    ------
    InputError
        Unless `overwrite`.
    """
    for path in paths:
        if not overwrite and os.path.lexists(path):
            raise InputError(path, "exists already", "choose another name or allow overwriting")

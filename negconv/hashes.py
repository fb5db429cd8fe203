"""SHA-256 of files.

Hardly anything is imported here: of a single capture the files are hashed while all else is.
"""
from __future__ import annotations

import hashlib
import os
import stat
import threading
from typing import Callable

from .errors import InputError


def hash_file(path, pause: Callable[[], object] = bool) -> tuple[str, int]:
    """SHA-256 and size in bytes of a file; `pause` is called now and then, and may wait.

    Raises
    ------
    InputError
        If it cannot be read.
    """
    try:
        if not stat.S_ISREG(os.stat(path).st_mode):
            raise InputError(path, "is not a file", "leave it out")  # reading one could wait for ever
        with open(path, "rb", buffering=0) as file:
            digest, size, buffer = hashlib.sha256(), 0, memoryview(bytearray(4 << 20))
            while count := file.readinto(buffer):
                digest.update(buffer[:count])
                size += count
                pause()
    except OSError as error:
        raise InputError(path, f"cannot be read ({(error.strerror or str(error)).lower()})",
                         "check the file and its folder") from error
    return digest.hexdigest(), size


def changed_at(path: str) -> int | None:
    """When a file was changed, nanoseconds; None if it could not be asked."""
    try:
        return os.stat(path).st_mtime_ns
    except OSError:
        return None


class Hashing:
    """Files hashed one after another, on a thread of its own.

    Parameters
    ----------
    paths : sequence of str
    """

    def __init__(self, paths) -> None:
        # When each was changed is asked before any is looked at, so that no later change goes unnoticed.
        self._changed = {path: changed_at(path) for path in paths}
        self._found: dict[str, tuple[str, int] | Exception] = {}
        self._news, self._wanted = threading.Condition(), True
        self._free = threading.Event()
        self._free.set()
        threading.Thread(target=self._run).start()

    def _run(self) -> None:
        for path in self._changed:
            try:
                found = hash_file(path, self._free.wait) if self._wanted else InputError(path, "was not hashed")
            except Exception as error:  # whose it is waits for it
                found = error
            with self._news:
                self._found[path] = found
                self._news.notify_all()

    def __contains__(self, path: str) -> bool:
        return path in self._changed

    def result(self, path: str) -> tuple[str, int, int | None]:
        """SHA-256 and size of one of the files, and when it was changed, once it is hashed.

        Raises
        ------
        InputError
            If it could not be read.
        """
        with self._news:
            self._news.wait_for(lambda: path in self._found)
        found = self._found[path]
        if isinstance(found, Exception):
            raise found
        return (*found, self._changed[path])

    def rest(self) -> None:
        """Leave the cores to others until `go_on`."""
        self._free.clear()

    def go_on(self) -> None:
        """After `rest`."""
        self._free.set()

    def close(self) -> None:
        """Leave out what has not begun."""
        self._wanted = False
        self.go_on()

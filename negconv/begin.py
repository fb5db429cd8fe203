"""A conversion of one capture, begun while the rest of the package is imported.

Reading, decoding and hashing are done outside the interpreter's lock, importing inside it: of two cores each has one.
"""
from __future__ import annotations

from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path
from typing import Iterator

from .reading import RAW_SUFFIXES, read_rows, read_twice
from .files import FileState, state_of
from .hashes import Hashing
from .flat import PanelField, panel_field
from .workers import Ahead


def stages(path: str, linearity: str, look: bool) -> Iterator:
    """What `Ahead` reads: where there is to be a survey, a capture for that and its proxy; then the capture itself.

    The proxy of a raw file, None, is left to those who wait for it: here it would keep the demosaic waiting.
    """
    if not look:
        yield read_rows(path, linearity=linearity)
        return
    reading = read_twice(path, linearity=linearity)
    small = next(reading)
    yield small, None if small.meta.kind == "raw" else small.proxy()
    del small
    yield next(reading)


class Begun:
    """The reading of a capture, the field of its panel frame and the hashes of both.

    Parameters
    ----------
    path : str
    panel : str or None
    hashing : Hashing
        Of both.

    Attributes
    ----------
    ahead : Ahead
    panel : str or None
    field : Future of PanelField, or None
    """

    def __init__(self, path: str, panel: str | None, hashing: Hashing) -> None:
        self.panel, self._hashing = panel, hashing
        hashing.rest()  # what the survey waits for goes first
        self._pool = ThreadPoolExecutor(2)
        self.ahead = Ahead(stages, [(path, "auto")])
        if Path(path).suffix.lower() in RAW_SUFFIXES:
            self.ahead.wait()  # until LibRaw demosaics, outside the interpreter's lock
        self.field: Future[PanelField] | None = None if panel is None else self._pool.submit(panel_field, [panel])
        self._pool.submit(self._go_on)

    def _go_on(self) -> None:
        self.ahead.wait()
        self._hashing.go_on()

    def state_of(self, job: tuple[str, int | None]) -> FileState:
        """As `negconv.files.state_of`, for these two as they were when this began."""
        path = job[0]
        return FileState(path, *self._hashing.result(path)) if path in self._hashing else state_of(job)

    def close(self) -> None:
        """Give up what has not begun."""
        self.ahead.close()
        self._hashing.close()
        self._pool.shutdown(wait=False, cancel_futures=True)

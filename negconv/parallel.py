"""Work in strips over a few threads: numpy releases the interpreter's lock inside each operation."""
from __future__ import annotations

import itertools
import os
from concurrent.futures import ThreadPoolExecutor
from typing import Callable


def over(total: int, work: Callable[[int, int], None], *, size: int, threads: int = 2,
         done: Callable[[int, int], None] | None = None) -> None:
    """``work(start, stop)`` over 0..total in parts of `size`, in order of submission, on `threads` threads.

    Parameters
    ----------
    total : int
    work : callable
        Must write to its own part alone. An exception in any part is raised here.
    size : int
        Choose it so that one numpy operation takes some 50 microseconds: shorter ones spend their time on the lock.
    threads : int
        1 runs in the caller's thread.
    done : callable, optional
        ``done(start, stop)`` once a part and all before it are done, in the caller's thread.

    Examples
    --------
    >>> done = []
    >>> over(5, lambda a, b: done.append((a, b)), size=2, threads=1)
    >>> done
    [(0, 2), (2, 4), (4, 5)]
    """
    parts = [(i, min(i + size, total)) for i in range(0, total, size)]
    if threads <= 1 or len(parts) <= 1:
        for start, stop in parts:
            work(start, stop)
            if done is not None:
                done(start, stop)
        return
    with ThreadPoolExecutor(threads, initializer=_spread, initargs=(itertools.count(),)) as pool:
        for future, part in zip([pool.submit(work, start, stop) for start, stop in parts], parts):
            future.result()
            if done is not None:
                done(*part)


def _spread(count) -> None:
    """Put each thread on a core of its own: Linux leaves threads that sleep often on one core for the first tenth of a
    second, which is as long as a whole stage takes."""
    try:
        cores = sorted(os.sched_getaffinity(0))
        os.sched_setaffinity(0, {cores[next(count) % len(cores)]})
    except (AttributeError, OSError):
        pass

"""Running one function over many small jobs: in this process, in processes of our own, or on a given executor.

A job and its outcome are pickled: paths and small values. A process that dies costs the job that killed it; the
others are done again in a new pool.
"""
from __future__ import annotations

import os
import sys
import threading
from collections import deque
from concurrent.futures import (FIRST_COMPLETED, BrokenExecutor, CancelledError, Executor, Future, ThreadPoolExecutor,
                                wait)
from contextlib import contextmanager, suppress
from typing import Any, Callable, Iterator, Sequence

from .files import PLACING, discard_all
from .kernel import keep_memory

#: Jobs handed at once to an executor whose size is not known.
WINDOW = 32
#: Workers run one job each, so the libraries under them shall not start threads of their own.
_SINGLE = {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1", "MKL_NUM_THREADS": "1"}


class Died(Exception):
    """The process that did a job ended without an answer."""


class _Local:
    """What both kinds of workers on this machine can do on threads of this process."""

    _threads: ThreadPoolExecutor | None = None

    def light(self, work: Callable, jobs: Sequence, threads: int) -> Iterator[tuple[int, Any]]:
        """As `run` on threads, for jobs that need hardly any memory and leave the interpreter to others."""
        self._threads = ThreadPoolExecutor(threads)
        yield from enumerate(self._threads.map(lambda job: _tried(work, job), jobs))

    def close(self, now: bool = False) -> None:
        """Leave out what has not begun."""
        if self._threads is not None:
            self._threads.shutdown(wait=False, cancel_futures=True)


class Here(_Local):
    """Jobs one after another in this process."""

    def run(self, work: Callable, jobs: Sequence) -> Iterator[tuple[int, Any]]:
        """Yield (index of the job, its outcome or exception) as they are done."""
        yield from enumerate(_tried(work, job) for job in jobs)

    def begin(self, work: Callable) -> None:
        """Nothing to begin."""


def _tried(work: Callable, job) -> Any:
    try:
        return work(job)
    except Exception as error:
        return error


class Ahead:
    """Captures decoded in a thread of their own, one ahead of the frame in hand.

    Decoding is one core's work outside the interpreter's lock, so in one process the survey, and each frame's
    inversion, can go on beside the decoding of what comes next.

    Parameters
    ----------
    read : callable
        ``read(*source, look)``: an iterator over what the survey looks at, if `look`, and the capture itself.
    sources : sequence of tuple
        The first is begun at once.
    """

    def __init__(self, read: Callable[..., Iterator], sources: Sequence[tuple]) -> None:
        self._read, self._sources = read, list(dict.fromkeys(sources))
        self._pool = ThreadPoolExecutor(1)
        self._source = self._small = self._whole = None
        self._begin(0, True)

    def _begin(self, i: int, look: bool) -> None:
        self._source = self._small = self._whole = None
        if i < len(self._sources):
            self._source, self._whole = self._sources[i], Future()
            self._small = Future() if look else None
            self._pool.submit(_in_turn, self._read, (*self._source, look), [f for f in (self._small, self._whole) if f])

    def wait(self) -> None:
        """Until what the survey is to look at is there, or cannot be."""
        wait([one for one in (self._small,) if one is not None])

    def look(self, *source):
        """What the survey is to look at where this is the next in line, once; else None."""
        if self._source != source or self._small is None:
            return None
        future, self._small = self._small, None
        return future.result()

    def take(self, *source):
        """The capture, begun earlier where it was the next in line, and the one after it is begun; else None."""
        if self._source != source:
            return None
        future, self._small, self._whole = self._whole, None, None
        got = future.result()
        self._begin(self._sources.index(source) + 1, False)
        return got

    def close(self) -> None:
        """Give up what was begun."""
        self._source = self._small = self._whole = None
        self._pool.shutdown(wait=False, cancel_futures=True)


def _in_turn(read: Callable[..., Iterator], source: tuple, futures: Sequence[Future]) -> None:
    """Give each future what comes next; all that are left, the exception that ends it."""
    left = list(futures)
    try:
        stages = read(*source)
        while left:
            left[0].set_result(next(stages))
            del left[0]
    except BaseException as error:
        for future in left:
            future.set_exception(error)


class Given:
    """Jobs on an executor someone else made and will end."""

    def __init__(self, executor: Executor, window: int | None = None) -> None:
        self.executor, self.window = executor, window or WINDOW
        self.running: dict = {}

    def run(self, work: Callable, jobs: Sequence) -> Iterator[tuple[int, Any]]:
        waiting = deque(enumerate(jobs))
        while waiting or self.running:
            while waiting and len(self.running) < self.window:
                i, job = waiting.popleft()
                try:
                    self.running[self.executor.submit(work, job)] = i
                except (BrokenExecutor, RuntimeError) as error:
                    yield i, Died(f"the executor takes no more work ({error})")
            if not self.running:
                continue
            for future in wait(list(self.running), return_when=FIRST_COMPLETED).done:
                i = self.running.pop(future)
                try:
                    outcome = future.result()
                except BrokenExecutor:
                    outcome = Died("the process that did it died")
                except (Exception, CancelledError) as error:
                    outcome = error
                yield i, outcome

    def light(self, work: Callable, jobs: Sequence, threads: int) -> Iterator[tuple[int, Any]]:
        """As `run`: the files are where the executor is."""
        return self.run(work, jobs)

    def begin(self, work: Callable) -> None:
        """The executor is there already."""

    def close(self, now: bool = False) -> None:
        """Take back what has not begun; the executor goes on."""
        for future in self.running:
            future.cancel()
        self.running.clear()


class Own(_Local):
    """Processes of our own, ended when asked to and when this process is gone, however it went."""

    def __init__(self, count: int) -> None:
        self.count = count
        self.pool: Executor | None = None
        self.stop = None

    def run(self, work: Callable, jobs: Sequence) -> Iterator[tuple[int, Any]]:
        waiting, running = deque(range(len(jobs))), {}
        while waiting or running:
            broken = False
            while waiting and len(running) < self.count:
                i = waiting.popleft()
                try:
                    running[self._submit(work, jobs[i])] = i
                except BrokenExecutor:
                    waiting.appendleft(i)
                    broken = True
                    break
            for future in wait(list(running), return_when=FIRST_COMPLETED).done if running else ():
                try:
                    outcome = future.result()
                except BrokenExecutor:
                    broken = True
                    continue
                except Exception as error:
                    outcome = error
                yield running.pop(future), outcome
            if broken:
                # Any of those at work may have done it: each is tried again with nobody beside it.
                suspects = sorted(running.values())
                running.clear()
                self._end()
                for i in suspects:
                    yield i, self._alone(work, jobs[i])

    def begin(self, work: Callable) -> None:
        """Start the processes and have each call ``work()``, which imports what their jobs will need; nobody waits for them."""
        with suppress(BrokenExecutor):  # the first job will say so
            for _ in range(self.count):
                self._submit(work)

    def _alone(self, work: Callable, job) -> Any:
        try:
            return self._submit(work, job).result()
        except BrokenExecutor:
            self._end()
            return Died("the process that did it died (out of memory, or a fault in a decoder)")
        except Exception as error:
            return error

    def _submit(self, work: Callable, *job):
        from concurrent.futures import ProcessPoolExecutor
        from multiprocessing import get_context

        with _for_children():
            if self.pool is None:
                context = get_context("spawn")
                listen, self.stop = context.Pipe(duplex=False)
                self.pool = ProcessPoolExecutor(self.count, mp_context=context, initializer=_begin, initargs=(listen,))
            with _without_interrupts():
                return self.pool.submit(work, *job)

    def _end(self) -> None:
        if self.pool is not None:
            self.stop.close()  # the workers see the end of the pipe and go
            self.pool.shutdown(wait=True, cancel_futures=True)
            self.pool = None

    def close(self, now: bool = False) -> None:
        """End the processes: at once, or when their jobs are done."""
        super().close(now)
        if self.pool is not None and not now:
            self.pool.shutdown(wait=True)
        self._end()


@contextmanager
def _for_children():
    """Surroundings in which processes are started.

    The caller's script is nothing to them: hiding it keeps it from being run again in each, so that a plain script
    needs no ``if __name__ == "__main__"``.
    """
    main = sys.modules["__main__"]
    hidden = {name: main.__dict__.pop(name) for name in ("__file__", "__spec__") if name in main.__dict__}
    before = {name: os.environ.get(name) for name in _SINGLE}
    main.__spec__ = None
    os.environ.update(_SINGLE)
    try:
        yield
    finally:
        main.__dict__.pop("__spec__", None)
        main.__dict__.update(hidden)
        for name, value in before.items():
            if value is None:
                del os.environ[name]
            else:
                os.environ[name] = value


@contextmanager
def _without_interrupts():
    """A process started here is deaf to Ctrl-C from its first moment, and does not answer with a traceback while it imports. What
    would stop this one waits until the pool knows of the other, which would outlive it."""
    import signal

    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    waiting, handlers = [], {}
    if threading.current_thread() is threading.main_thread():
        for number in (signal.SIGINT, signal.SIGTERM):
            if callable(signal.getsignal(number)):
                handlers[number] = signal.signal(number, lambda *stop: waiting.append(stop))
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)
        for number, handler in handlers.items():
            signal.signal(number, handler)
        for number, frame in waiting[:1]:
            handlers[number](number, frame)


def _begin(listen) -> None:
    """In a new worker: leave Ctrl-C to the parent, go when its end of the pipe is closed, keep memory from frame to frame."""
    import signal

    signal.signal(signal.SIGINT, signal.SIG_IGN)
    keep_memory()
    threading.Thread(target=_watch, args=(listen,), daemon=True).start()


def _watch(listen) -> None:
    try:
        listen.recv()
    except (EOFError, OSError):
        pass
    with PLACING:
        discard_all()
        os._exit(1)


def count_cores() -> int:
    """Cores this process may use."""
    try:
        return len(os.sched_getaffinity(0))
    except AttributeError:
        return os.cpu_count() or 1


def free_memory() -> int | None:
    """Bytes that can be used without swapping, by the system and the limits set on this process; None if unknown."""
    found = []
    try:
        with open("/proc/meminfo", encoding="ascii") as file:
            found += [int(line.split()[1]) * 1024 for line in file if line.startswith("MemAvailable:")]
    except (OSError, ValueError):
        pass
    for limit, used in (("/sys/fs/cgroup/memory.max", "/sys/fs/cgroup/memory.current"),
                        ("/sys/fs/cgroup/memory/memory.limit_in_bytes", "/sys/fs/cgroup/memory/memory.usage_in_bytes")):
        try:
            with open(limit, encoding="ascii") as a, open(used, encoding="ascii") as b:
                found.append(int(a.read()) - int(b.read()))
        except (OSError, ValueError):
            pass
    if not found:
        try:
            found.append(os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE") // 2)
        except (AttributeError, ValueError, OSError):
            return None
    return max(min(found), 0)

"""Damaged files of every kind that negconv reads, in processes of their own: what falls is seen, named and counted.

    python tests/fuzz.py --count 10000 --seed 0              a long run; ends with a table, exit status 1 on findings
    python tests/fuzz.py --seed 0 --only 4711 --keep here    one case again, its file kept in ./here
    python tests/fuzz.py --bombs                             the bombs alone

Case i of a seed is always the same file. A finding is: an exception other than `InputError`, an error that is not one
line, NaN or infinity in a result, a process killed by a signal, more than `SECONDS` of processor time, more than
`MEMORY` bytes at once, anything printed by a decoder, or a file outside the output folder.
"""
from __future__ import annotations

import argparse
import collections
import json
import os
import random
import resource
import select
import shutil
import signal
import subprocess
import sys
import tempfile
import time
import traceback
from dataclasses import dataclass
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parent)]

from fuzz_mutations import mutated  # noqa: E402
from fuzz_seeds import bombs, seeds  # noqa: E402

#: Processor time a file may take.
SECONDS = 10.0
#: Resident bytes a worker may reach on a file of a few kilobytes, above what its modules take.
MEMORY = 600_000_000
#: Address space of a worker: what asks for more than this gets none.
ADDRESSES = 6_000_000_000
ONE_THREAD = {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}


@dataclass(frozen=True)
class Case:
    """One file and what came of it; outcomes other than "done" and "refused" are findings."""

    number: int
    name: str
    outcome: str
    said: str = ""
    seconds: float = 0.0
    bytes: int = 0

    @property
    def finding(self) -> bool:
        return self.outcome not in ("done", "refused")


def run(folder, numbers: range, seed: int, *, files: list[Path] | None = None):
    """Yield a `Case` for each number, restarting the worker after a death or a hang.

    Parameters
    ----------
    folder : path-like
        Scratch; seeds, inputs and outputs go into folders of their own below it.
    numbers : range
    seed : int
    files : list of path, optional
        Taken as they are, one a number, instead of damaged seeds.
    """
    folder = Path(folder)
    for sub in ("in", "out", "bad"):
        (folder / sub).mkdir(parents=True, exist_ok=True)
    if files is None:
        shutil.rmtree(folder / "seeds", ignore_errors=True)
        seeds(folder / "seeds")
    todo = list(numbers)
    while todo:
        batch, todo = todo[:400], todo[400:]
        todo = (yield from _batch(folder, batch, seed, files)) + todo


def _batch(folder: Path, batch: list[int], seed: int, files) -> list[int]:
    """Cases of one worker; returns the numbers it did not come to."""
    order = json.dumps({"folder": str(folder), "numbers": batch, "seed": seed, "files": None
                        if files is None else list(map(str, files))})
    worker = subprocess.Popen([sys.executable, __file__, "--worker"], stdin=subprocess.PIPE, stdout=subprocess.PIPE,
                              stderr=subprocess.DEVNULL,
                              env={**os.environ, **ONE_THREAD, "PYTHONWARNINGS": "default"})
    worker.stdin.write(order.encode())
    worker.stdin.close()
    pending, started, text = list(batch), "", b""
    last = time.monotonic()
    try:
        while pending:
            ready, _, _ = select.select([worker.stdout], [], [], 5.0)
            data = os.read(worker.stdout.fileno(), 1 << 16) if ready else None
            if data:
                last, text = time.monotonic(), text + data
                *lines, text = text.split(b"\n")
                for line in map(json.loads, lines):
                    started = line["name"]
                    if "outcome" in line:
                        yield Case(**line)
                        pending.remove(line["number"])
            elif data == b"":
                said = worker.wait()
                yield Case(pending[0], started, "crash", signal.Signals(-said).name
                           if said < 0 else f"exit status {said}")
                return pending[1:]
            elif time.monotonic() - last > 12 * SECONDS:  # the worker's own alarm did not wake it: inside a C library
                worker.kill()
                yield Case(pending[0], started, "hang", "killed")
                return pending[1:]
    finally:
        worker.kill()
        worker.wait()
        worker.stdout.close()
    return []


# --- the worker ------------------------------------------------------------------------------------------------------

def work(order: dict) -> None:
    """Do the cases of an order, a line of JSON before and after each."""
    import logging

    from fuzz_targets import target
    from negconv.errors import InputError

    folder = Path(order["folder"])
    files = None if order["files"] is None else list(map(Path, order["files"]))
    sources = seeds_of(folder) if files is None else []
    for module in ("rawpy", "tifffile", "PIL.Image", "scipy.ndimage", "scipy.interpolate", "scipy.optimize",
                   "scipy.signal"):
        __import__(module)
    logging.getLogger("tifffile").propagate = True  # whatever would reach a user's terminal shall be seen
    resource.setrlimit(resource.RLIMIT_AS, (ADDRESSES, ADDRESSES))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    chatter = open(folder / f"chatter-{os.getpid()}", "w+b")
    os.dup2(chatter.fileno(), 2)
    report = os.fdopen(os.dup(1), "w", buffering=1)
    os.dup2(chatter.fileno(), 1)
    os.chdir(folder / "out")
    signal.signal(signal.SIGXCPU, _too_long)
    start = _resident()
    for number in order["numbers"]:
        if files is None:
            path = folder / "in" / f"case{number}{''.join(_kind(sources[number % len(sources)][0]))}"
            path.write_bytes(case_bytes(sources, order["seed"], number))
        else:
            path = files[number]
        said = {"number": number, "name": path.name}
        print(json.dumps(said), file=report)
        before, here = _files(folder), time.process_time()
        outcome, words = "done", ""
        used = resource.getrusage(resource.RUSAGE_SELF)
        resource.setrlimit(resource.RLIMIT_CPU, (int(used.ru_utime + used.ru_stime + 3 * SECONDS) + 1,
                                                 resource.RLIM_INFINITY))
        _forget_peak()
        try:
            target(path)(path, folder / "out", number)
        except InputError as error:
            words = str(error)
            known = path.name in words or "array" in words or "base" in words or "panel" in words or "out/" in words
            good = words.isprintable() and len(words) < 2000 and known
            outcome = "refused" if good else "not one line"
        except TimeoutError:
            outcome, words = "hang", _where()
        except BaseException:
            outcome, words = "traceback", _where()
        seconds, peak = time.process_time() - here, _peak() - start
        sys.stderr.flush()
        sys.stdout.flush()
        chatter.seek(0)
        heard = chatter.read()
        chatter.seek(0)
        chatter.truncate()
        strays = _files(folder) - before - {path}
        if outcome in ("done", "refused"):
            if seconds > SECONDS:
                outcome = "hang"
            elif peak > MEMORY:
                outcome = "memory"
            elif heard:
                outcome, words = "chatter", heard.decode("utf-8", "replace")[:2000]
            elif strays:
                outcome, words = "stray file", ", ".join(map(str, strays))
        if files is None:
            if outcome in ("done", "refused"):
                path.unlink()
            else:
                path.rename(folder / "bad" / path.name)
        print(json.dumps({**said, "outcome": outcome, "said": words, "seconds": round(seconds, 3), "bytes": peak}),
              file=report)
    chatter.close()
    os.unlink(chatter.name)


def seeds_of(folder: Path) -> list[tuple[Path, bytes]]:
    """The good files and their bytes, in one order."""
    return [(path, path.read_bytes()) for path in sorted((folder / "seeds").iterdir())]


def case_bytes(sources: list[tuple[Path, bytes]], seed: int, number: int) -> bytes:
    """The damaged file of a case."""
    rng = random.Random(f"{seed}/{number}")
    path, data = sources[number % len(sources)]
    return mutated(data, path.suffix, rng, [other for _, other in sources])


def _kind(path: Path) -> list[str]:
    return path.suffixes[-2:]


def _files(folder: Path) -> set[Path]:
    return {p for p in folder.rglob("*") if p.parent.name not in ("out", "seeds", "bad")
            and not p.name.startswith("chatter")}


def _too_long(*_) -> None:
    raise TimeoutError


def _where() -> str:
    """The last line of a traceback and the last place in it that is ours."""
    kind, error, trace = sys.exc_info()
    ours = [f for f in traceback.extract_tb(trace) if "negconv" in f.filename or "fuzz" in f.filename]
    place = f"{Path(ours[-1].filename).name}:{ours[-1].lineno}" if ours else "?"
    return f"{kind.__name__} at {place}: {' '.join(str(error).split())[:300]}"


def _resident() -> int:
    return int(Path("/proc/self/statm").read_text().split()[1]) * resource.getpagesize()


def _forget_peak() -> None:
    Path("/proc/self/clear_refs").write_text("5")


def _peak() -> int:
    status = Path("/proc/self/status").read_text()
    return int(status.split("VmHWM:")[1].split()[0]) * 1024


# --- by hand ---------------------------------------------------------------------------------------------------------

def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--count", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--start", type=int, default=0, help="number of the first case")
    parser.add_argument("--only", type=int, help="one case")
    parser.add_argument("--keep", metavar="DIR", help="scratch folder that stays; findings' files are in DIR/bad")
    parser.add_argument("--bombs", action="store_true")
    parser.add_argument("--worker", action="store_true", help=argparse.SUPPRESS)
    args = parser.parse_args()
    if args.worker:
        work(json.load(sys.stdin))
        return 0
    numbers = range(args.only, args.only + 1) if args.only is not None else range(args.start, args.start + args.count)
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(args.keep or scratch).resolve()
        files = list(bombs(folder / "bombs").values()) if args.bombs else None
        tally, slowest, largest = collections.Counter(), 0.0, 0
        for case in run(folder, range(len(files)) if files else numbers, args.seed, files=files):
            tally[Path(case.name).suffix, case.outcome] += 1
            slowest, largest = max(slowest, case.seconds), max(largest, case.bytes)
            if case.finding or args.only is not None or args.bombs:
                cost = f"{case.seconds:.1f} s, {case.bytes / 1e6:.0f} MB"
                print(f"{case.number} {case.name}: {case.outcome} ({cost}) {case.said}", flush=True)
    for (kind, outcome), count in sorted(tally.items()):
        print(f"{kind:>6} {outcome:<12} {count}")
    print(f"{sum(tally.values())} files; slowest {slowest:.1f} s of processor time, most memory {largest / 1e6:.0f} MB")
    return int(any(outcome not in ("done", "refused") for _, outcome in tally))


if __name__ == "__main__":
    sys.exit(main())

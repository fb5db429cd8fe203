"""A long roll under random faults: is every good frame done, every bad one named, and memory flat?

Some 200 small captures, one in twelve of them damaged, are converted on two processes while workers are killed at
random, captures vanish after they were surveyed, and files beyond a size cannot be written (as on a full disk; the limit
is RLIMIT_FSIZE, so that nothing has to be mounted). Then the faults end and the roll is run again: all good frames must be
there, byte for byte what an undisturbed run makes; then a third time, which must do nothing.

Measured: frames done, failed and named in each run; memory of the parent and of the largest worker over the first and
the last quarter of the frames; time. Exit status 1 when something is amiss.

    python benchmarks/soak.py --frames 200 --megapixels 0.15 --seed 0
"""
from __future__ import annotations

import argparse
import os
import random
import resource
import shutil
import signal
import statistics
import sys
import tempfile
import threading
import time
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent))

from negconv.recipe import Recipe  # noqa: E402
from negconv.roll import Roll  # noqa: E402
from negconv.synthetic.roll import make_roll  # noqa: E402

#: One frame in ten is written with 16 bits, so that a size exists which some files pass and others do not.
RECIPE = Recipe(spots="off", film="colour", format="6x9", bits=8,
                frames={f"frame{n:03d}": {"bits": 16} for n in range(1, 1000, 10)})
#: Different captures the frames are copies of; each copy differs in its last bytes, which no decoder reads.
DIFFERENT = 8


def captures(folder: Path, frames: int, megapixels: float, chance: random.Random) -> tuple[Path, set[str]]:
    """A folder of captures, and the names of the damaged ones."""
    make_roll(folder / "small", frames=DIFFERENT, megapixels=megapixels, seed=1, jobs=1)
    where, damaged = folder / "captures", set()
    where.mkdir()
    shutil.copyfile(folder / "small" / "captures" / "panel.dng", where / "panel.dng")
    for number in range(1, frames + 1):
        name = f"frame{number:03d}.dng"
        data = (folder / "small" / "captures" / f"frame{number % DIFFERENT + 1:02d}.dng").read_bytes()
        data += str(number).encode()
        if number % 12 == 5:
            damaged.add(name)
            data = chance.choice((b"", b"no picture", data[:len(data) // 3], bytes(len(data)),
                                  data[:4] + chance.randbytes(20_000)))
        (where / name).write_bytes(data)
    return where, damaged


class Trouble(threading.Thread):
    """Kills a worker now and then, and takes captures away once the survey is over."""

    def __init__(self, where: Path, away: list[str], every: float, chance: random.Random) -> None:
        super().__init__(daemon=True)
        self.where, self.away, self.every, self.chance = where, away, every, chance
        self.surveyed, self.over, self.kills = threading.Event(), threading.Event(), 0

    def progress(self, stage: str, done: int, total: int) -> None:
        if stage == "convert" and not self.surveyed.is_set():
            for name in self.away:
                (self.where / name).rename(self.where / f".{name}")
            self.surveyed.set()

    def run(self) -> None:
        while not self.over.wait(self.chance.uniform(0.5, 1.5) * self.every):
            workers = children()
            if workers and self.surveyed.is_set():
                os.kill(self.chance.choice(workers), signal.SIGKILL)
                self.kills += 1

    def end(self) -> None:
        self.over.set()
        self.join()
        for name in self.away:
            (self.where / f".{name}").rename(self.where / name)


def children() -> list[int]:
    """Processes this one has started that convert frames."""
    found = []
    for task in os.listdir("/proc/self/task"):
        try:
            found += map(int, Path(f"/proc/self/task/{task}/children").read_text().split())
        except OSError:
            pass
    return [pid for pid in found if "spawn_main" in _words(pid)]


def _words(pid: int) -> str:
    try:
        return Path(f"/proc/{pid}/cmdline").read_text()
    except OSError:
        return ""


def resident(pid) -> int:
    """Bytes of a process in memory, 0 when it is gone."""
    try:
        return int(Path(f"/proc/{pid}/statm").read_text().split()[1]) * resource.getpagesize()
    except (OSError, IndexError):
        return 0


def convert(where: Path, out: Path, jobs: int, trouble: Trouble | None = None) -> tuple[dict[str, str],
                                                                                        list[tuple[int, int]]]:
    """What became of each capture ("ok", "skipped" or the line that was said), and memory after each frame."""
    said, memory = {}, []
    if trouble is not None:
        trouble.start()
    roll = Roll(where, panel=where / "panel.dng", recipe=RECIPE)
    for result in roll.convert(out, jobs=jobs, progress=trouble and trouble.progress):
        said[os.path.basename(result.path)] = result.status if result.ok else result.message
        memory.append((resident("self"), max(map(resident, children()), default=0)))
    if trouble is not None:
        trouble.end()
    return said, memory


def show(title: str, said: dict[str, str], seconds: float) -> None:
    kinds = Counter(text if text in ("ok", "skipped") else "failed" for text in said.values())
    print(f"{title}: {dict(kinds)}, {seconds:.0f} s", flush=True)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--frames", type=int, default=200)
    parser.add_argument("--megapixels", type=float, default=0.15)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--every", type=float, default=4.0, help="seconds between kills, about")
    parser.add_argument("--lines", action="store_true", help="print every failure's line")
    args = parser.parse_args()
    chance, amiss = random.Random(args.seed), []
    with tempfile.TemporaryDirectory(prefix="negconv-soak-") as scratch:
        folder = Path(scratch)
        where, damaged = captures(folder, args.frames, args.megapixels, chance)
        names = {p.name for p in where.iterdir()} - {"panel.dng"}
        good = names - damaged

        start = time.monotonic()
        plain, memory = convert(where, folder / "plain", args.jobs)
        show("undisturbed", plain, time.monotonic() - start)
        if {n for n, text in plain.items() if text == "ok"} != good:
            amiss.append("the undisturbed run did not do exactly the good frames")
        sizes = {p.stem: p.stat().st_size for p in (folder / "plain").glob("*.tif")}

        away = sorted(chance.sample(sorted(good), max(1, args.frames // 25)))
        trouble = Trouble(where, away, args.every, chance)
        limit = int(1.2 * statistics.median(sizes.values()))
        soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
        resource.setrlimit(resource.RLIMIT_FSIZE, (limit, hard))
        start = time.monotonic()
        said, _ = convert(where, folder / "out", args.jobs, trouble)
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
        show(f"with faults ({trouble.kills} workers killed, {len(away)} captures taken away, files over {limit:,} "
             "bytes refused)", said, time.monotonic() - start)
        # Of a worker killed between its last byte and its answer the frame is there when another begins it.
        failed = {n: text for n, text in said.items() if text not in ("ok", "skipped")}
        reasons = Counter("damaged" if n in damaged else "taken away" if n in away else "too large"
                          if sizes[Path(n).stem] > limit
                          else "process died" if "died" in text else "UNEXPLAINED" for n, text in failed.items())
        print(f"  failed: {dict(reasons)}")
        if args.lines:
            print("\n".join(f"    {text}" for text in failed.values()))
        if set(said) != names:
            amiss.append(f"not every capture was named: {sorted(names - set(said))[:5]}")
        if reasons["UNEXPLAINED"]:
            amiss.append("a good frame failed for no reason given to it")
        amiss += [f"not one line with the file's name: {text!r}" for n, text in failed.items()
                  if not text.isprintable() or Path(n).stem not in text]
        if any(p.name.startswith(".negconv") for p in (folder / "out").iterdir()):
            amiss.append("a temporary file was left")

        start = time.monotonic()
        again, _ = convert(where, folder / "out", args.jobs)
        show("again without faults", again, time.monotonic() - start)
        differ = [n for n in os.listdir(folder / "plain")
                  if (folder / "plain" / n).read_bytes() != _or_none(folder / "out" / n)]
        if differ or set(os.listdir(folder / "out")) != set(os.listdir(folder / "plain")):
            amiss.append(f"{len(differ)} files differ from those of the undisturbed run, such as {differ[:3]}")
        start = time.monotonic()
        third, _ = convert(where, folder / "out", args.jobs)
        show("a third time", third, time.monotonic() - start)
        if "ok" in third.values():
            amiss.append("a third run made frames again")

    quarter = max(1, len(memory) // 4)
    for title, column in (("parent", 0), ("largest worker", 1)):
        first, last = (statistics.median(m[column] for m in part if m[column])
                       for part in (memory[-3 * quarter:-2 * quarter], memory[-quarter:]))
        print(f"memory of the {title}: {first / 1e6:.0f} MB in the second quarter, {last / 1e6:.0f} MB in the last")
        if last > 1.1 * first + 10e6:
            amiss.append(f"memory of the {title} grows")
    print("\n".join(f"AMISS: {text}" for text in amiss) or "nothing amiss")
    return int(bool(amiss))


def _or_none(path: Path) -> bytes | None:
    return path.read_bytes() if path.exists() else None


if __name__ == "__main__":
    sys.exit(main())

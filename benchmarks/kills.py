"""SIGKILL at fifty random moments of a roll, each run again: the bytes must be those of an undisturbed run.

Each round starts a roll on two processes in an empty or half-finished folder, kills the parent at a random moment
between the start and the time an undisturbed run takes, looks that every picture with a sidecar is whole, then runs
the roll to its end and compares every byte, and that no temporary file is left. Prints one line a round and a summary.
"""
from __future__ import annotations

import argparse
import os
import random
import re
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

HERE = str(Path(__file__).parent.parent)
sys.path.insert(0, HERE)

SCRIPT = ("import sys; sys.path.insert(0, sys.argv[1])\nfrom negconv import Recipe\nfrom negconv.roll import Roll\n"
          "for r in Roll(sys.argv[2], recipe=Recipe(spots='off')).convert(sys.argv[3], jobs=2): pass\n")


def start(captures: Path, out: Path) -> subprocess.Popen:
    """A roll in a process group of its own."""
    return subprocess.Popen([sys.executable, "-c", SCRIPT, HERE, str(captures), str(out)], start_new_session=True,
                            stderr=subprocess.DEVNULL)


def contents(folder: Path) -> dict[str, bytes]:
    """Every file of a folder."""
    return {name: (folder / name).read_bytes() for name in sorted(os.listdir(folder))} if folder.is_dir() else {}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--kills", type=int, default=50)
    parser.add_argument("--frames", type=int, default=4)
    parser.add_argument("--megapixels", type=float, default=0.2)
    parser.add_argument("--seed", type=int, default=0)
    args = parser.parse_args()

    from negconv import files
    from negconv.output import read_sidecar
    from negconv.synthetic.roll import make_roll

    chance = random.Random(args.seed)
    folder = Path(tempfile.mkdtemp(prefix="negconv-kills-"))
    make_roll(folder, frames=args.frames, megapixels=args.megapixels)
    began = time.monotonic()
    start(folder / "captures", folder / "undisturbed").wait()
    takes = time.monotonic() - began
    undisturbed, out, bad, caught = contents(folder / "undisturbed"), folder / "out", 0, {"none": 0, "some": 0, "all": 0}
    for k in range(args.kills):
        if k % 3 == 0:
            shutil.rmtree(out, ignore_errors=True)
        else:
            for name in chance.sample(sorted(contents(out)), 2):
                (out / name).unlink()
        process = start(folder / "captures", out)
        moment = chance.uniform(0.2, 1.0) * takes
        time.sleep(moment)
        os.kill(process.pid, signal.SIGKILL)
        process.wait()
        left = contents(out)
        done = sum(name.endswith(".json") for name in left)
        caught["none" if not done else "all" if done == args.frames else "some"] += 1
        halves = [n for n in left if n.endswith(".json") and not n.startswith(".") and n[:-5] in left
                  and files.hash_file(out / n[:-5])[0] != read_sidecar(out / n)["output"]["sha256"]]
        for _ in range(200):
            pids = [int(m[1]) for m in (re.match(r"\.negconv-[0-9a-f]{6}-(\d+)-", n) for n in contents(out)) if m]
            if not any(os.path.exists(f"/proc/{pid}") for pid in pids):
                break
            time.sleep(0.05)
        start(folder / "captures", out).wait()
        good = contents(out) == undisturbed and not halves
        bad += not good
        print(f"{k + 1:3d}: killed after {moment:5.2f} of {takes:.2f} s, {done} of {args.frames} frames done: "
              f"{'the same bytes' if good else 'DIFFERENT'}", flush=True)
    print(f"{args.kills - bad} of {args.kills} the same bytes; frames done at the kill: {caught}")
    shutil.rmtree(folder)
    sys.exit(bool(bad))


if __name__ == "__main__":
    main()

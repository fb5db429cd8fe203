"""What a run leaves when it is stopped at any moment, and what the next one makes of it."""
from __future__ import annotations

import os
import random
import shutil
import signal
import subprocess
import sys
import time
from dataclasses import replace

import pytest

from negconv import Recipe, files
from negconv.output import read_sidecar
from negconv.roll import Roll
from negconv.synthetic.roll import make_roll

PLAIN = Recipe(spots="off")
FRAMES = 4


def contents(folder):
    return {name: (folder / name).read_bytes() for name in sorted(os.listdir(folder))}


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    folder = tmp_path_factory.mktemp("resume")
    make_roll(folder, frames=FRAMES, megapixels=0.1, seed=5, jobs=1)
    list(Roll(folder / "captures", recipe=PLAIN).convert(folder / "undisturbed", jobs=1))
    return folder, contents(folder / "undisturbed")


def again(folder, out, recipe=PLAIN, **options):
    return {os.path.basename(r.path): r for r in Roll(folder / "captures", recipe=recipe).convert(out, jobs=1, **options)}


def restored(made, name):
    """The undisturbed outputs under another folder beside them."""
    folder, undisturbed = made
    out = folder / name
    shutil.rmtree(out, ignore_errors=True)
    shutil.copytree(folder / "undisturbed", out)
    return folder, out, undisturbed


def test_a_second_run_has_nothing_to_do(made):
    folder, out, undisturbed = restored(made, "second")
    before = {name: os.stat(out / name).st_mtime_ns for name in undisturbed}
    assert [r.status for r in again(folder, out).values()] == ["skipped"] * FRAMES
    assert {name: os.stat(out / name).st_mtime_ns for name in undisturbed} == before


@pytest.mark.parametrize("what", ["sidecar", "picture", "both", "damaged sidecar", "half a picture"])
def test_what_is_missing_is_made_again(made, what):
    folder, out, undisturbed = restored(made, "missing")
    picture, sidecar = out / "frame02.tif", out / "frame02.tif.json"
    if what in ("sidecar", "both"):
        sidecar.unlink()
    if what in ("picture", "both"):
        picture.unlink()
    if what == "damaged sidecar":
        sidecar.write_text(sidecar.read_text()[:200])
    if what == "half a picture":
        picture.write_bytes(picture.read_bytes()[:20_000])
    results = again(folder, out)
    if what in ("sidecar", "damaged sidecar"):
        # A picture that nothing speaks for is made again, found to be the same, and gets its sidecar back.
        sidecar_was_replaced = results["frame02.dng"].status == "ok"
        assert sidecar_was_replaced
    assert [r.status for n, r in sorted(results.items()) if n != "frame02.dng"] == ["skipped"] * (FRAMES - 1)
    assert contents(out) == undisturbed


def test_only_frames_whose_settings_changed_are_made_again(made):
    folder, out, undisturbed = restored(made, "changed")
    recipe = replace(PLAIN, frames={"3": {"exposure": 0.5}})
    results = again(folder, out, recipe)
    assert {n: r.status for n, r in results.items()} == {
        "frame01.dng": "skipped", "frame02.dng": "skipped", "frame03.dng": "ok", "frame04.dng": "skipped"}
    assert read_sidecar(out / "frame03.tif.json")["settings"]["exposure"] == 0.5
    # And back again.
    assert again(folder, out)["frame03.dng"].status == "ok" and contents(out) == undisturbed


def test_another_version_makes_everything_again(made):
    folder, out, _ = restored(made, "version")
    for name in os.listdir(out):
        if name.endswith(".json"):
            text = (out / name).read_text()
            mark, key = read_sidecar(out / name)["fingerprint"], read_sidecar(out / name)["roll"]["key"]
            (out / name).write_text(text.replace(mark, "0" * 64).replace(key, "0" * 64))
    assert {r.status for r in again(folder, out).values()} == {"ok"}


def test_work_done_on_a_picture_is_kept(made):
    import tifffile

    folder, out, undisturbed = restored(made, "retouched")
    pixels = tifffile.imread(out / "frame01.tif")
    pixels[10:20, 10:20] = 0
    tifffile.imwrite(out / "frame01.tif", pixels, photometric="rgb" if pixels.ndim == 3 else "minisblack")
    retouched = (out / "frame01.tif").read_bytes()
    result = again(folder, out)["frame01.dng"]
    assert result.status == "skipped" and "was changed after negconv wrote it" in result.message
    assert (out / "frame01.tif").read_bytes() == retouched
    assert again(folder, out, overwrite=True)["frame01.dng"].status == "ok" and contents(out) == undisturbed


def test_someone_elses_file_is_kept(made):
    folder, out, undisturbed = restored(made, "foreign")
    (out / "frame01.tif").write_text("mine")
    (out / "frame01.tif.json").unlink()
    result = again(folder, out)["frame01.dng"]
    assert result.status == "failed" and "exists already" in result.message
    assert (out / "frame01.tif").read_text() == "mine"
    assert again(folder, out, overwrite=True)["frame01.dng"].status == "ok" and contents(out) == undisturbed


def test_a_capture_that_cannot_be_used_does_not_have_all_looked_at_again(tmp_path):
    make_roll(tmp_path, frames=3, megapixels=0.1, seed=5, jobs=1)
    bad = tmp_path / "captures" / "frame02.dng"
    whole = bad.read_bytes()
    bad.write_bytes(whole[:len(whole) // 2])
    roll, seen = Roll(tmp_path / "captures", recipe=PLAIN), []

    def run():
        seen.clear()
        results = roll.convert(tmp_path / "out", jobs=1, progress=lambda stage, *_: seen.append(stage))
        return {os.path.basename(r.path): (r.status, r.message) for r in results}

    first = run()
    assert {n: s for n, (s, _) in first.items()} == {"frame01.dng": "ok", "frame02.dng": "failed", "frame03.dng": "ok"}
    assert "survey" in seen
    second = run()
    assert seen == []
    assert {n: s for n, (s, _) in second.items()} == {"frame01.dng": "skipped", "frame02.dng": "failed", "frame03.dng": "skipped"}
    assert second["frame02.dng"] == first["frame02.dng"]
    # Made whole, it is another roll.
    bad.write_bytes(whole)
    assert run()["frame02.dng"][0] == "ok" and "survey" in seen


SCRIPT = """
import sys
from negconv import Recipe
from negconv.roll import Roll
for result in Roll(sys.argv[1], recipe=Recipe(spots="off")).convert(sys.argv[2], jobs=2):
    print(result, flush=True)
"""


def start(folder, out):
    return subprocess.Popen([sys.executable, "-c", SCRIPT, str(folder / "captures"), str(out)], stdout=subprocess.PIPE,
                            stderr=subprocess.PIPE, text=True, start_new_session=True, cwd=os.getcwd())


def whole_or_nothing(out):
    """Every picture with a sidecar is what its sidecar says."""
    for name in os.listdir(out):
        if name.endswith(".json"):
            said = read_sidecar(out / name)["output"]
            assert files.hash_file(out / said["file"]) == (said["sha256"], said["bytes"])


def test_killed_at_any_moment_and_run_again(made):
    """SIGKILL of the parent: its workers go by themselves, and the next run ends with the undisturbed bytes."""
    folder, undisturbed = made
    out = folder / "killed"
    chance = random.Random(11)
    began = time.monotonic()
    process = start(folder, out)
    process.stdout.readline()
    until_first = time.monotonic() - began
    process.communicate()
    assert contents(out) == undisturbed
    shutil.rmtree(out)
    for k in range(3):
        process = start(folder, out)
        time.sleep(chance.uniform(0.6, 1.1) * until_first)
        os.kill(process.pid, signal.SIGKILL)
        process.communicate()
        whole_or_nothing(out)
        if k == 1:
            shutil.rmtree(out)
    for _ in range(100):  # the workers' own way out
        if not left_behind(out):
            break
        time.sleep(0.05)
    results = again(folder, out)
    assert len(results) == FRAMES and contents(out) == undisturbed


def left_behind(out):
    """Temporary files whose process is still there."""
    import re

    pids = [int(m[1]) for m in (re.match(r"\.negconv-[0-9a-f]{6}-(\d+)-", n) for n in os.listdir(out)) if m]
    return [pid for pid in pids if os.path.exists(f"/proc/{pid}")]


def test_interrupted_from_the_keyboard(made):
    """Ctrl-C reaches every process of the group: finished frames stay, nothing else does."""
    folder, undisturbed = made
    out = folder / "interrupted"
    process = start(folder, out)
    first = process.stdout.readline()
    os.killpg(process.pid, signal.SIGINT)
    _, said = process.communicate(timeout=60)
    if first and process.returncode == 0:
        pytest.skip("done before it was stopped")
    assert first and "KeyboardInterrupt" in said
    names = os.listdir(out)
    assert not [n for n in names if files.is_temporary(n)]
    assert {n + ".json" for n in names if n.endswith(".tif")} == {n for n in names if n.endswith(".json")}
    whole_or_nothing(out)
    assert len(again(folder, out)) == FRAMES and contents(out) == undisturbed


@pytest.mark.parametrize("number, whom, moment", [
    (signal.SIGTERM, "parent", "workers start"), (signal.SIGTERM, "group", "frames are written"),
    (signal.SIGINT, "group", "workers start"), (signal.SIGINT, "parent", "frames are written")])
def test_the_command_is_stopped_in_one_line_and_its_workers_with_it(made, number, whom, moment):
    folder, undisturbed = made
    out = folder / f"stopped-{number.name}-{whom}-{moment}"
    process = subprocess.Popen([sys.executable, "-m", "negconv", "convert", str(folder / "captures"), "-o", str(out), "--jobs", "2"],
                               stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, start_new_session=True)
    while process.poll() is None:
        # The resource tracker is the first of them, and goes when its parent has gone.
        if len(children(process.pid)) >= 3 and (moment == "workers start" or any(n.endswith(".json") for n in os.listdir(out))):
            break
        time.sleep(0.002)
    started = children(process.pid)[1:]
    (os.kill if whom == "parent" else os.killpg)(process.pid, number)
    status = process.wait(timeout=60)
    alive = [pid for pid in started if at_work(pid)]
    _, said = process.communicate()
    if status == 0:
        pytest.skip("done before it was stopped")
    assert status == 128 + number
    assert said == "negconv: stopped; frames that were finished are whole, nothing half-written is left\n"
    assert not alive
    names = os.listdir(out)
    assert not [n for n in names if files.is_temporary(n)]
    assert {n + ".json" for n in names if n.endswith(".tif")} == {n for n in names if n.endswith(".json")}
    whole_or_nothing(out)
    assert len(again(folder, out)) == FRAMES and contents(out) == undisturbed


def children(pid):
    try:
        with open(f"/proc/{pid}/task/{pid}/children", encoding="ascii") as file:
            return [int(child) for child in file.read().split()]
    except OSError:
        return []


def at_work(pid):
    """Whether a process is there, ended ones that nobody asked after aside."""
    try:
        with open(f"/proc/{pid}/stat", encoding="utf-8") as stat:
            return stat.read().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False

"""The command as a process of its own."""
from __future__ import annotations

import csv
import json
import subprocess
import sys

import numpy as np
from PIL import Image
from skimage.io import imread

from negconv.cli import main
from negconv.proofs import proof_of
from negconv.synthetic.roll import make_roll


def test_a_warning_printed_while_a_capture_is_decoded_is_not_lost():
    """Decoding silences the process's standard error, and goes on beside frames that have something to say."""
    code = """
import os, sys
from negconv import __main__ as command
from negconv.raw import _SILENCE
def main():
    with _SILENCE:
        os.write(2, b"LibRaw's")
        print("ours", file=sys.stderr)
    print("and after", file=sys.stderr)
    return 0
command.main = main
command.run()
"""
    said = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert said.stderr == "ours\nand after\n"


def test_a_stop_while_a_string_is_executed_ends_with_the_status_of_a_stop(tmp_path):
    """Run as a module, CPython ends itself by SIGINT where an interrupt ever left ``exec`` of a string, which dataclasses use."""
    (tmp_path / "stopped.py").write_text("""
from negconv import __main__ as command
def main():
    try:
        exec("raise KeyboardInterrupt(15)")
    except KeyboardInterrupt as stop:
        print("caught")
        return 128 + stop.args[0]
command.main = main
command.run()
""")
    done = subprocess.run([sys.executable, "-m", "stopped"], capture_output=True, text=True, cwd=tmp_path)
    assert (done.returncode, done.stdout, done.stderr) == (143, "caught\n", "")


def test_a_stop_while_a_lock_is_released_is_a_stop(monkeypatch, capsys):
    """What an interrupt leaves half done may raise an error of its own on the way out (CPython's Condition does)."""
    def interrupted(args):
        try:
            raise KeyboardInterrupt(15)
        finally:
            raise RuntimeError("release unlocked lock")
    monkeypatch.setattr("negconv.cli.recipe", interrupted)
    assert main(["recipe"]) == 128 + 15
    assert capsys.readouterr().err == "negconv: stopped; frames that were finished are whole, nothing half-written is left\n"


def test_a_frame_turned_by_its_number_is_turned_on_the_sheet_and_in_the_map_of_its_spots(tmp_path):
    """The frame's number counts captures but for the panel's, as a roll does."""
    make_roll(tmp_path, frames=2, megapixels=0.1, seed=4, jobs=1)
    (tmp_path / "captures" / "panel.dng").rename(tmp_path / "captures" / "a-panel.dng")
    (tmp_path / "r.toml").write_text('output = "png"\n[frames."2"]\nturn = 90\n')
    common = [str(tmp_path / "captures"), "--recipe", str(tmp_path / "r.toml"), "-o"]
    assert main(["convert", *common, str(tmp_path / "turned"), "--jobs", "1"]) == 0
    assert main(["convert", common[0], "-o", str(tmp_path / "plain"), "--output", "png", "--jobs", "1"]) == 0
    assert main(["spots", *common, str(tmp_path / "spots")]) == 0
    for name, turned in (("frame01", 0), ("frame02", 1)):
        plain, made = (imread(tmp_path / folder / f"{name}.png").astype(float) for folder in ("plain", "turned"))
        expected = np.rot90(plain, -turned)
        h, w = (min(a, b) for a, b in zip(made.shape[:2], expected.shape[:2]))
        assert abs(made[:h, :w] - expected[:h, :w]).mean() < 300     # of 65535; a pixel of the cut may fall to either side
        mask = Image.open(tmp_path / "spots" / f"{name}-mask.png")
        assert (mask.height > mask.width) == bool(turned)
        assert json.loads((tmp_path / "turned" / f"{name}.png.json").read_text())["settings"].get("turn", 0) == 90 * turned
    height, width = proof_of(str(tmp_path / "turned" / "frame02.png"), 2).picture.shape[:2]
    assert height > width


def test_the_map_of_a_rolls_spots_lies_on_its_positives_and_has_the_numbers_of_their_rows(tmp_path):
    make_roll(tmp_path, frames=2, megapixels=0.6, seed=2, jobs=1)
    captures = str(tmp_path / "captures")
    assert main(["convert", captures, "-o", str(tmp_path / "out"), "--output", "png", "--spots", "mark", "--jobs", "1"]) == 0
    assert main(["spots", captures, "-o", str(tmp_path / "spots")]) == 0
    for number in (1, 2):
        name = f"frame{number:02d}"
        made = imread(tmp_path / "out" / f"{name}.png")
        assert np.array(Image.open(tmp_path / "spots" / f"{name}-mask.png")).shape == made.shape[:2]
        rows = json.loads((tmp_path / "out" / f"{name}.png.json").read_text())["spots"]["rows"]
        with open(tmp_path / "spots" / f"{name}-spots.csv", newline="") as file:
            listed = [(int(r["row"]), float(r["x"]), float(r["y"])) for r in csv.DictReader(file)]
        listed = listed[:len(rows)]                                  # what leaves doubt comes after them
        assert len(rows) and [row for row, *_ in listed] == [r["row"] for r in rows]
        np.testing.assert_allclose([at[1:] for at in listed], [(r["x"], r["y"]) for r in rows], atol=0.06)

"""What a stranger's folder may hold: damaged files, bombs, odd names, links, sidecars and recipes that point elsewhere.

The fuzz here is short; `python tests/fuzz.py --count 10000` is the long run.
"""
from __future__ import annotations

import json
import os
import shutil
import socket
import time
from pathlib import Path

import numpy as np
import pytest

import fuzz
from fuzz_seeds import BASE, bombs, little_negative
from negconv import InputError, read
from negconv.cli import main
from negconv.output import read_sidecar, write_image
from negconv.recipe import Recipe
from negconv.roll import Roll
from negconv.synthetic import rawfile

PLAIN = Recipe(spots="off", film="colour", base=BASE)


# ---- damaged files ------------------------------------------------------------------------------------------------

def test_damaged_files_are_done_or_refused_in_one_line(tmp_path):
    """No traceback, no death, no hang, no memory, no word of a decoder, no stray file, over files of every kind."""
    cases = list(fuzz.run(tmp_path, range(500), seed=1000))
    assert len(cases) == 500
    assert [case for case in cases if case.finding] == []
    kinds = {Path(case.name).suffix for case in cases}
    assert kinds == {".dng", ".tif", ".png", ".jpg", ".toml", ".csv", ".json"}
    assert sum(case.outcome == "done" for case in cases) > 50, "damage so heavy that nothing gets past the first check"


@pytest.mark.parametrize("seed, number", [(11, 3777), (11, 5574), (11, 7443), (11, 9946), (12, 5251)], ids=[
    "a chart no film fits", "a tag of a thousand numbers", "a profile without end", "grey that fills the memory", "a number too long"])
def test_what_long_runs_have_found(tmp_path, seed, number):
    cases = list(fuzz.run(tmp_path, range(number, number + 1), seed=seed))
    assert len(cases) == 1 and not cases[0].finding, cases[0]


def test_bombs_are_refused_or_cost_nothing(tmp_path):
    files = list(bombs(tmp_path / "bombs").values())
    cases = {case.name: case for case in fuzz.run(tmp_path, range(len(files)), 0, files=files)}
    assert [case for case in cases.values() if case.finding] == []
    said = {name: case.said for name, case in cases.items()}
    for name in ("huge.png", "huge.jpg", "huge.tif"):
        assert "above the limit of 500,000,000" in said[name]
    for name in ("large.png", "medium.png", "large.jpg", "medium.jpg", "large.tif", "large-deflate.tif", "large.dng"):
        assert "bytes of pixels" in said[name]                          # with both numbers
    assert "unpacks to more than the 4,096 bytes" in said["strip.tif"]
    assert "scans" in said["scans.jpg"]
    for name in ("deep.recipe.toml", "dotted.recipe.toml", "deep.film.toml", "deep.roll.toml", "rows.patches.csv",
                 "deep.json"):
        assert cases[name].outcome == "refused"
    assert max(case.bytes for case in cases.values()) < 200_000_000
    assert max(case.seconds for case in cases.values()) < fuzz.SECONDS


def test_the_runner_sees_what_it_looks_for(tmp_path, monkeypatch):
    """A worker that dies, loops, grows, chatters or strays is a finding; the cases after it are done all the same."""
    monkeypatch.setattr(fuzz, "SECONDS", 4.0)
    worker = tmp_path / "worker.py"
    worker.write_text(_WORKER.format(tests=os.fspath(Path(fuzz.__file__).parent), fuzz=fuzz.__file__))
    monkeypatch.setattr(fuzz, "__file__", os.fspath(worker))
    files = [tmp_path / f"{name}.bad" for name in ("fine", "dies", "raises", "loops", "grows", "chatters", "strays",
                                                   "two-lines", "fine")]
    for file in files:
        file.write_text("")
    cases = list(fuzz.run(tmp_path / "scratch", range(len(files)), 0, files=files))
    assert [case.outcome for case in cases] == ["done", "crash", "traceback", "hang", "memory", "chatter",
                                                "stray file", "not one line", "done"]
    assert cases[1].said == "SIGSEGV" and cases[2].said.startswith("ZeroDivisionError")


_WORKER = """
import json, os, signal, sys
sys.path.insert(0, {tests!r})
import fuzz, fuzz_targets
from negconv.errors import InputError

def target(path):
    def act(path, out, number):
        name = path.stem
        if name == "dies":
            os.kill(os.getpid(), signal.SIGSEGV)
        elif name == "raises":
            1 / 0
        elif name == "loops":
            while True:
                pass
        elif name == "grows":
            bytearray(700_000_000)[::4096] = b"x" * len(range(0, 700_000_000, 4096))
        elif name == "chatters":
            os.write(2, b"grumble")
        elif name == "strays":
            (out.parent / "stray").write_text("")
        elif name == "two-lines":
            class Bad(InputError):
                def __str__(self):
                    return "one\\ntwo"
            raise Bad(path, "", "")
    return act

fuzz_targets.target = target
fuzz.SECONDS = 4.0  # touching 700 MB for the first time takes a second on some machines
fuzz.work(json.load(sys.stdin))
"""


def test_a_narrow_long_capture(tmp_path):
    """30,000 pixels wide and three high: read, surveyed and converted like any other."""
    wide = np.tile(little_negative((48, 100))[10:13], (1, 300, 1))
    write_image(tmp_path / "wide.tif", (wide * 65535).astype(np.uint16), space="linear")
    capture = read(tmp_path / "wide.tif")
    assert capture.shape == (3, 30_000) and min(capture.proxy().shape) >= 1
    results = list(Roll(tmp_path / "wide.tif", recipe=PLAIN).convert(tmp_path / "out", jobs=1))
    assert [r.status for r in results] == ["ok"]
    assert read(tmp_path / "out" / "wide.tif").shape == (3, 30_000)


@pytest.mark.parametrize("value", (np.nan, np.inf, -np.inf, 3e38, -1e10))
def test_float_samples_that_are_no_light(tmp_path, value):
    import tifffile

    light = little_negative((8, 12))
    light[2, 3, 1] = value
    tifffile.imwrite(tmp_path / "a.tif", light, photometric="rgb")
    for source in (tmp_path / "a.tif", light):
        with pytest.raises(InputError, match="NaN or infinity, or light beyond 1e.09, in 1 samples"):
            read(source)


# ---- names --------------------------------------------------------------------------------------------------------

NAMES = (
    "a b.dng", "quote's \"two\".dng", "new\nline.dng", "tab\there.dng", "-o.dng", "--help.dng", "$(touch hacked).dng",
    "`x`;y|z&.dng", "<script>alert(1)<\u2215script>.dng", "m\u00fcll & s\u00f6hne.dng", "\u6f22\u5b57 \U0001f331.dng",
    "e\u0301.dng", "\u00e9.dng", "\u202egnd.dng", "%s%n{0}.dng", "1\u00b22.dng", "con.dng", "A.dng", "a.dng",
    "dots...dng", "a.tif.dng", "\u00df.dng", "SS.dng", "x" * 200 + ".dng")


@pytest.fixture(scope="module")
def odd_names(tmp_path_factory):
    """A folder of captures with every odd name, and one whose name is no UTF-8."""
    folder = tmp_path_factory.mktemp("names") / "in put\n<b>"
    folder.mkdir()
    source = folder / NAMES[0]
    rawfile.write_dng(source, rawfile.mosaic(little_negative((96, 144))))
    for name in NAMES[1:]:
        shutil.copyfile(source, folder / name)
    shutil.copyfile(source, os.fsencode(folder) + b"/\xff\xfe.dng")
    return folder


def test_odd_names_are_converted_each_to_a_file_of_its_own(odd_names, tmp_path, capsys):
    out = tmp_path / "out"
    status = main(["convert", os.fspath(odd_names), "-o", os.fspath(out), "--base", "20,40,6,20", "--film", "mono",
                   "--jobs", "1", "--spots", "off", "--sheet", os.fspath(tmp_path / "sheet.html")])
    said = capsys.readouterr()
    assert status == 0, said.err
    made = [name for name in os.listdir(out) if name.endswith(".tif")]
    assert len(made) == len(NAMES) + 1 and len({name.casefold() for name in made}) == len(made)
    assert len(os.listdir(out)) == 2 * len(made)
    for name in made:
        record = read_sidecar(out / (name + ".json"))
        assert record["output"]["bytes"] == (out / name).stat().st_size
    for text in (said.out, said.err):
        assert all(line.isprintable() for line in text.splitlines())
    page = (tmp_path / "sheet.html").read_text("utf-8")
    assert "<script>alert" not in page and "&lt;script&gt;alert" in page
    assert not (Path.cwd() / "hacked").exists()
    assert sorted(os.listdir(odd_names.parent)) == [odd_names.name]


def test_links_devices_and_pipes_in_a_folder(tmp_path):
    """A link to a file is that file; links to nowhere, round in a circle, or to what is no file are one line each."""
    folder = tmp_path / "captures"
    folder.mkdir()
    rawfile.write_dng(folder / "a.dng", rawfile.mosaic(little_negative((96, 144))))
    (tmp_path / "elsewhere").mkdir()
    shutil.copyfile(folder / "a.dng", tmp_path / "elsewhere" / "far.dng")
    (folder / "same.dng").symlink_to("a.dng")
    (folder / "far.dng").symlink_to("../elsewhere/far.dng")
    (folder / "nowhere.dng").symlink_to("nothing.dng")
    (folder / "circle.dng").symlink_to("circle.dng")
    (folder / "zero.dng").symlink_to("/dev/zero")
    (folder / "folder.dng").mkdir()
    (folder / "sub.dng").symlink_to("folder.dng")
    os.mkfifo(folder / "pipe.dng")
    os.mkfifo(folder / "pipe.tif")
    with socket.socket(socket.AF_UNIX) as plug:
        plug.bind(os.path.relpath(folder / "plug.dng"))
        start = time.process_time()
        results = list(Roll(folder, recipe=PLAIN).convert(tmp_path / "out", jobs=1))
    assert time.process_time() - start < 5
    status = {os.path.basename(r.path): r.status for r in results}
    assert {name for name, s in status.items() if s == "ok"} == {"a.dng", "far.dng"}
    assert {name for name, s in status.items() if s == "failed"} == {"nowhere.dng", "circle.dng", "zero.dng",
                                                                     "pipe.dng", "pipe.tif", "plug.dng"}
    for result in results:
        assert result.ok or (result.message.isprintable() and os.path.basename(result.path) in result.message)
    assert sorted(os.listdir(tmp_path / "out")) == ["a.tif", "a.tif.json", "far.tif", "far.tif.json"]


def test_outputs_inside_the_input_folder_and_over_links(tmp_path):
    """Outputs below the captures are not taken up again; a link in an output's place is never written through."""
    folder = tmp_path / "captures"
    folder.mkdir()
    rawfile.write_dng(folder / "a.dng", rawfile.mosaic(little_negative((96, 144))))
    out = folder / "out"
    out.mkdir()
    victim = tmp_path / "victim"
    victim.write_text("precious")
    (out / "a.tif").symlink_to(victim)
    first = list(Roll(folder, recipe=PLAIN).convert(out, jobs=1))
    assert [r.status for r in first] == ["failed"] and victim.read_text() == "precious"
    forced = list(Roll(folder, recipe=PLAIN).convert(out, jobs=1, overwrite=True))
    assert [r.status for r in forced] == ["ok"]
    assert victim.read_text() == "precious" and not (out / "a.tif").is_symlink()
    again = list(Roll(folder, recipe=PLAIN).convert(out, jobs=1))
    assert [(os.path.basename(r.path), r.status) for r in again] == [("a.dng", "skipped")]


# ---- files that point elsewhere -------------------------------------------------------------------------------------

@pytest.mark.parametrize("change", (
    {"output": {"file": "../outside.tif"}}, {"output": {"file": "/etc/passwd"}},
    {"output": {"file": "a.tif", "bytes": -1}},
    {"inputs": {"capture": {"path": "/dev/zero"}}}, {"roll": {"key": 1, "frames": "many"}}, {"roll": []},
    {"capture_index": 10 ** 30}, {"number": None}, {"warnings": [{}]}, {"fingerprint": []}, {"plan": {"cut": 1}},
    {"spots": {"rows": 3}}, {"capture": {"make": ["x"]}}, {"output": None}, {"versions": 5},
    {"settings": {"film": "../../x.toml"}}))
def test_a_changed_sidecar_leads_nowhere(tmp_path, change, capsys):
    """Whatever a sidecar says, a second run writes in the output folder alone, and the picture is right in the end."""
    folder, out = tmp_path / "captures", tmp_path / "out"
    folder.mkdir()
    rawfile.write_dng(folder / "a.dng", rawfile.mosaic(little_negative((96, 144))))
    assert [r.status for r in Roll(folder, recipe=PLAIN).convert(out, jobs=1)] == ["ok"]
    picture, path = (out / "a.tif").read_bytes(), out / "a.tif.json"
    record = json.loads(path.read_text())
    for key, value in change.items():
        record[key] = {**record[key], **value} if isinstance(value, dict) and isinstance(record.get(key),
                                                                                         dict) else value
    path.write_text(json.dumps(record))
    results = list(Roll(folder, recipe=PLAIN).convert(out, jobs=1))
    assert len(results) == 1 and "report this" not in results[0].message
    if not results[0].ok:
        assert results[0].message.isprintable() and "a.tif" in results[0].message
    for kind in ("sheet.html", "sheet.jpg"):
        assert main(["sheet", os.fspath(out), "-o", os.fspath(tmp_path / kind)]) in (0, 1, 2)
        (tmp_path / kind).unlink(missing_ok=True)
    assert "Traceback" not in capsys.readouterr().err
    assert (out / "a.tif").read_bytes() == picture
    assert sorted(os.listdir(tmp_path)) == ["captures", "out"] and sorted(os.listdir(folder)) == ["a.dng"]
    assert sorted(os.listdir(out)) == ["a.tif", "a.tif.json"]


@pytest.mark.parametrize("text", ('film = "../far.film.toml"', 'panel = "/dev/zero"', 'base = "../a.dng"',
                                  'spotting.mask = "../../m.png"',
                                  'panel = "link.dng"', '[frames.a]\npanel = "../panel.dng"'))
def test_a_recipe_names_nothing_outside_its_folder(tmp_path, text, capsys):
    (tmp_path / "roll").mkdir()
    rawfile.write_dng(tmp_path / "a.dng", rawfile.mosaic(little_negative((96, 144))))
    (tmp_path / "roll" / "link.dng").symlink_to("../a.dng")
    (tmp_path / "roll" / "r.toml").write_text(text)
    status = main(["convert", os.fspath(tmp_path / "a.dng"), "-o", os.fspath(tmp_path / "out"), "--recipe",
                   os.fspath(tmp_path / "roll" / "r.toml")])
    said = capsys.readouterr().err
    assert status == 2 and "outside" in said and said.count("\n") == 1


# ---- the command ----------------------------------------------------------------------------------------------------

@pytest.mark.parametrize("path", ("", "no\nsuch", "/dev/zero", "/dev/null", "/proc/self/mem", "/", "x" * 5000,
                                  "\udcff", "~", "*"))
@pytest.mark.parametrize("command", ("convert", "inspect", "spots", "sheet"))
def test_paths_that_are_no_captures(tmp_path, monkeypatch, command, path, capsys):
    monkeypatch.chdir(tmp_path)
    argv = [command, path] + {"inspect": [], "sheet": ["-o", "sheet.jpg"]}.get(command, ["-o", "out"])
    assert main(argv) in (1, 2)
    said = capsys.readouterr()
    assert said.err.strip() and "Traceback" not in said.err
    assert all(line.isprintable() for line in said.err.splitlines())
    assert [p for p in tmp_path.rglob("*") if p.is_file()] == []


@pytest.mark.parametrize("option", ("--panel", "--base", "--film", "--recipe", "--format"))
@pytest.mark.parametrize("value", ("", "nothing.toml", "/dev/zero", "1,2,3,nan", "-1,-1,1e9,1e9", "1,1,inf,2", "\n",
                                   ".", "9" * 400, "0,0,1,1"))
def test_values_of_options(tmp_path, monkeypatch, option, value, capsys):
    monkeypatch.chdir(tmp_path)
    rawfile.write_dng(tmp_path / "a.dng", rawfile.mosaic(little_negative((96, 144))))
    status = main(["convert", "a.dng", "-o", "out", "--jobs", "1", "--spots", "off", f"{option}={value}"])
    said = capsys.readouterr()
    assert status in (0, 1, 2) and "report this" not in said.err
    assert all(line.isprintable() for line in said.err.splitlines())


def test_an_output_folder_that_cannot_be(tmp_path, capsys):
    rawfile.write_dng(tmp_path / "a.dng", rawfile.mosaic(little_negative((96, 144))))
    (tmp_path / "file").write_text("")
    for out in ("file", "file/below", "/proc/nothing", "x" * 5000, ""):
        assert main(["convert", os.fspath(tmp_path / "a.dng"), "-o", out if out.startswith(("/", "x"))
                     or not out else os.fspath(tmp_path / out),
                     "--jobs", "1"]) == 2
        said = capsys.readouterr().err
        assert said.count("\n") == 1 and said.strip().isprintable()
    assert sorted(os.listdir(tmp_path)) == ["a.dng", "file"]


def test_one_line_holds_for_every_name():
    for name in (*NAMES, "\udcff", "\x1b[31m", "\u2028", "\x00"):
        assert str(InputError(name, "fault\nwith line", "remedy\r")).isprintable()

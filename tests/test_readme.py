"""The README's examples, run as they stand on a small invented roll."""
from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest

from negconv.cli import build_parser, main
from negconv.recipe import Recipe

README = (Path(__file__).resolve().parent.parent / "README.md").read_text(encoding="utf-8")


def blocks(language: str) -> list[str]:
    return re.findall(rf"```{language}\n(.*?)```", README, re.S)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    where = tmp_path_factory.mktemp("readme")
    assert main(["demo", str(where / "glasshouse"), "--frames", "2", "--megapixels", "0.3", "--jobs", "2"]) == 0
    return where


def test_the_demo_leaves_what_the_readme_says(folder):
    for name in ("captures/frame01.dng", "captures/panel.dng", "positives/frame01.tif", "positives/frame01.tif.json",
                 "positives/contact-sheet.jpg"):
        assert (folder / "glasshouse" / name).stat().st_size > 0, name


def test_python_examples_run(folder, monkeypatch, capsys):
    monkeypatch.chdir(folder)
    assert len(blocks("python")) >= 2
    for block in blocks("python"):
        exec(compile(block, "README.md", "exec"), {})
    assert (folder / "frame01.tif").stat().st_size > 0
    assert len(list((folder / "again").glob("*.jpg"))) == 2
    assert "frame02" in capsys.readouterr().out


def test_command_examples_are_commands():
    lines = [line for block in blocks("sh") for line in block.splitlines() if line.startswith("negconv ")]
    assert len(lines) >= 3
    for line in lines:
        words = shlex.split(line, comments=True)[1:]
        build_parser().parse_args(words[:words.index(">")] if ">" in words else words)


def test_the_recipe_example_is_a_recipe():
    recipe = Recipe.from_toml(blocks("toml")[0])
    assert recipe.for_frame("frame03.dng").exposure == 0.5 and recipe.for_frame("frame03.dng").turn == 180
    assert recipe.for_frame("frame04.dng").exposure == 0.0


def test_every_subcommand_is_in_the_readme():
    said = set(re.findall(r"^negconv (\w+)", README, re.M))
    assert {"demo", "convert", "inspect", "spots", "calibrate", "sheet", "recipe"} <= said

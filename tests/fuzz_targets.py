"""What is done with a damaged file of each kind: all of it that a command would do, with the results looked at."""
from __future__ import annotations

import os
import shutil
from pathlib import Path

import numpy as np

from fuzz_seeds import BASE, little_chart, little_negative
from negconv.capture import Capture, Meta
from negconv.reading import read, read_mask
from negconv.conversion import convert, survey
from negconv.errors import InputError
from negconv.film import Film
from negconv.flat import panel_field
from negconv.notes import Notes
from negconv.output import look_up, read_sidecar, recover, write_image
from negconv.positive import Positive
from negconv.proof import proof_page
from negconv.proofs import proof_of
from negconv.recipe import Recipe
from negconv.sheet import contact_sheet

#: Pictures above this are read and surveyed but not written, to keep a long run short.
SMALL = 1_000_000


def target(path: Path):
    """The function for a file, by its ending."""
    for ending, function in ((".film.toml", film), (".recipe.toml", recipe), (".roll.toml", notes), (".csv", patches),
                             (".json", sidecar)):
        if path.name.endswith(ending):
            return function
    return picture


def picture(path: Path, out: Path, number: int) -> None:
    """A capture read, surveyed, converted and written; then taken for a panel frame."""
    capture = read(path, reduced=number % 5 == 0)
    _check_capture(capture)
    if capture.samples.shape[0] * capture.samples.shape[1] <= SMALL:
        name = out / f"picture{number % 7}"
        kind = ("tiff", "png", "jpeg")[number % 3]
        try:
            made = convert(capture, threads=1)
        except InputError as error:
            _one_line(error)
            made = convert(capture, film=("colour", "mono")[number % 2], base=BASE, threads=1)
        _check_positive(made)
        made.save(name.with_suffix({"tiff": ".tif", "png": ".png", "jpeg": ".jpg"}[kind]), overwrite=True, threads=1)
    else:
        survey(capture)
    if number % 6 == 0:
        _finite(read_mask(path), "mask")
    if number % 4 == 0:
        field = panel_field(capture)
        _finite(field.grid, "panel field")


def film(path: Path, out: Path, number: int) -> None:
    """A film read, written, read again, and used on a picture."""
    found = Film.load(path)
    again = out / "again.film.toml"
    found.save(again)
    if Film.load(again) != found and found.residuals is None:
        raise AssertionError("a film is another after writing and reading")
    densities = np.linspace(-1, 6, 300)[:, None] * np.ones(3)
    _finite(found.log_exposures(densities), "log exposures")
    found.check_camera(Meta(), any_camera=True)
    _check_positive(convert(little_negative(), film=found, base=BASE, threads=1))


def recipe(path: Path, out: Path, number: int) -> None:
    """A recipe read, printed, read again, and used on a picture."""
    found = Recipe.load(path)
    if Recipe.from_toml(found.to_toml()) != found:
        raise AssertionError("a recipe is another after printing and reading")
    found = found.for_frame("frame03.dng", number % 4)
    made = convert(little_negative(), base=BASE, recipe=found, threads=1)
    _check_positive(made)
    made.save(out / ("recipe" + {"tiff": ".tif", "png": ".png", "jpeg": ".jpg"}[found.output]), overwrite=True,
              threads=1)


def notes(path: Path, out: Path, number: int) -> None:
    """Notes read and written into a picture's fields."""
    metadata = Notes.load(path).metadata(Meta(), 7.0)
    kind, ending = (("tiff", ".tif"), ("png", ".png"), ("jpeg", ".jpg"))[number % 3]
    name = out / f"notes{ending}"
    write_image(name, np.zeros((4, 6, 3), np.uint8), output=kind, metadata=metadata, overwrite=True)
    read(name)


def patches(path: Path, out: Path, number: int) -> None:
    """A chart calibrated with a list of patches."""
    from negconv.chart import calibrate_file

    found = calibrate_file(_chart(out), path, base=BASE, kind=("colour", "mono")[number % 2])
    _finite(np.array(found.matrix), "film matrix")
    found.save(out / "calibrated.toml")


def sidecar(path: Path, out: Path, number: int) -> None:
    """A sidecar beside a picture: looked up as a second run does, and shown on a sheet; then read by itself."""
    shown = out / "shown.png"
    if not shown.exists():
        write_image(shown, np.zeros((30, 40, 3), np.uint8), output="png")
    shutil.copyfile(path, f"{shown}.json")
    look_up(os.fspath(shown), "0" * 64)
    proof = proof_of(os.fspath(shown), 1, {path.name: os.fspath(path)})
    page = proof_page([proof], title=proof.name)
    if "<b>" in page.decode("utf-8").partition("<body")[2].replace(f"<b>{proof.number}</b>", ""):
        raise AssertionError("a sidecar's text became part of the page")
    if number % 5 == 0:
        contact_sheet([proof], width=200)
    recover(out)
    record = read_sidecar(path)
    if os.path.basename(record["output"]["file"]) != record["output"]["file"]:
        raise AssertionError("a sidecar names a file outside its folder")


def _chart(out: Path) -> Path:
    chart = out / "chart.tif"
    if not chart.exists():
        write_image(chart, (little_chart() * 65535).astype(np.uint16), space="linear")
    return chart


def _check_capture(capture: Capture) -> None:
    if capture.samples.ndim != 3 or capture.samples.shape[2] != 3 or 0 in capture.samples.shape:
        raise AssertionError(f"capture of shape {capture.samples.shape}")
    if capture.samples.dtype not in (np.uint16, np.float32) or not (np.isfinite(capture.white) and capture.white > 0):
        raise AssertionError(f"capture of {capture.samples.dtype}, white {capture.white}")
    _finite(capture.samples, "capture")
    Meta.from_dict(capture.meta.to_dict())


def _check_positive(positive: Positive) -> None:
    _finite(positive.linear, "positive")
    if positive.density is not None:
        _finite(positive.density, "density")
    positive.encode("display-p3", bits=8, threads=1)


def _finite(values: np.ndarray, what: str) -> None:
    if not np.isfinite(values).all():
        raise AssertionError(f"NaN or infinity in the {what}")


def _one_line(error: InputError) -> None:
    said = str(error)
    if not said or len(said) > 2000 or not said.isprintable():
        raise AssertionError(f"an error that is not one line: {said[:300]!r}")

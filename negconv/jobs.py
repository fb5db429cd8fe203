"""What a worker does for a roll: look at one capture, convert one frame. Jobs and their outcomes are small values, pickled."""
from __future__ import annotations

import os
from concurrent.futures import Future
from dataclasses import field, replace

from . import files, output
from .balance import thin
from .base import FilmBase
from .reading import read, read_rows
from .conversion import (Plan, Survey, apply, apply_encoded, film_base, finish, levelled, or_whole,
                         survey as survey_capture)
from .errors import InputError, one_line
from .files import FileState, file_state
from .finish.moves import Moves
from .flat import PanelField
from .frame import Frame
from .gather import glance
from .notes import Notes
from .positive import Positive
from .recipe import Recipe
from .values import frozen
from .workers import Ahead, Died

#: A raw file whose half-size read is smaller than this along its long side is surveyed at full size.
LEAST = 1000
#: Pixels of each picture sent back by its survey.
SENT = 8000


@frozen
class Result:
    """What became of one frame.

    Attributes
    ----------
    path : str
        The capture.
    output : str
        The picture; empty where there is none.
    status : {"ok", "skipped", "failed"}
        Skipped: it was there already, made from the same inputs, settings and version.
    message : str
        Why it failed or was skipped.
    warnings : tuple of str
    number : int
        The frame's number on the roll, 0 for a capture that shows none.
    """

    path: str
    output: str
    status: str
    message: str = ""
    warnings: tuple[str, ...] = ()
    number: int = 0

    @property
    def ok(self) -> bool:
        """True when the picture is there."""
        return self.status != "failed"

    def __str__(self) -> str:
        name = one_line(os.path.basename(self.output) or os.path.basename(self.path))
        if self.status == "failed":
            return one_line(self.message)
        words = [one_line(w) for w in (self.message, *self.warnings) if w]
        return f"{name}: {'; '.join(words) or self.status}"


@frozen
class RollFrame:
    """One frame of a roll and all that will be done to it.

    Attributes
    ----------
    path : str
        The capture it is on.
    number : int
        On the roll, from 1.
    name : str
        Of its output, without ending.
    plan : Plan
    recipe : Recipe
        With the frame's own settings folded in.
    index, count : int
        Which frame of its capture it is, from 1, and of how many.
    pixels : int
        Of the capture.
    """

    path: str
    number: int
    name: str
    plan: Plan = field(repr=False)
    recipe: Recipe = field(repr=False)
    index: int = 1
    count: int = 1
    pixels: int = field(default=0, repr=False)


@frozen
class LookJob:
    """One capture to be surveyed."""

    path: str
    field: PanelField | None
    base: FilmBase | tuple[float, ...] | None
    recipe: Recipe
    frame: Frame | None = None
    #: What reads captures ahead, where the job is done in the process that made it.
    ahead: Ahead | None = None


def look_at(job: LookJob) -> Survey:
    """Survey one capture on a reduced read."""
    seen = None if job.ahead is None else job.ahead.look(job.path, job.recipe.linearity)
    capture, proxy = seen or (read_rows(job.path, linearity=job.recipe.linearity, reduced=True), None)
    if capture.reduced > 1 and max(capture.shape) < LEAST:
        capture, proxy = read(job.path, linearity=job.recipe.linearity), None
    base = None if job.base is None else film_base(job.base, capture, job.field, job.recipe)
    seen = survey_capture(capture, panel=job.field, frames=job.frame and [job.frame], base=base, recipe=job.recipe,
                          proxy=proxy)
    seen = seen if job.frame is not None else or_whole(seen)
    return replace(seen, evidence=tuple(thin(e, SENT) for e in seen.evidence))


def warm() -> None:
    """Import and work out what every job needs, while something else is waited for."""
    from . import encode, invert  # noqa: F401
    from .resample import sinc_weights

    output.versions()
    sinc_weights(0.0)


def glance_at(job: tuple[str, str]):
    """`gather.glance` of one capture."""
    return glance(*job)


def is_there(job: tuple[str, str]) -> bool:
    """True when a picture is as its sidecar says."""
    try:
        return files.hash_file(job[0])[0] == job[1]
    except InputError:
        return False


@frozen
class Sources:
    """The files a frame is made from as they were when they were hashed, and the key of its roll."""

    capture: FileState
    panels: tuple[FileState, ...]
    key: str

    def check(self) -> None:
        """Refuse files that are not as they were."""
        for one in (self.capture, *self.panels):
            one.check()


@frozen
class FrameJob:
    """One frame to be converted."""

    frame: RollFrame
    output: str
    #: Still being hashed, where the job is done in the process that made it and nothing is there already.
    sources: Sources | Future[Sources]
    panels: tuple[str, ...]
    field: PanelField | None
    notes: Notes
    roll: dict
    capture_index: int
    overwrite: bool
    threads: int
    #: What reads captures ahead, where the job is done in the process that made it.
    ahead: Ahead | None = None


def positive_of(frame: RollFrame, panel: PanelField | None, *, threads: int = 2) -> Positive:
    """One frame inverted, with the density its spots are looked for in."""
    capture = read_rows(frame.path, linearity=frame.recipe.linearity)
    plan = levelled(frame.plan, capture, panel=panel, recipe=frame.recipe)
    return apply(capture, plan, panel=panel, recipe=frame.recipe, threads=threads, keep_density=True)


def convert_frame(job: FrameJob) -> Result:
    """Convert and write one frame; every fault of its inputs or outputs is in the result."""
    try:
        return _convert_frame(job)
    except InputError as error:
        return failure(job.frame, error)
    except MemoryError:
        return failure(job.frame, InputError(job.frame.path, "does not fit into memory", "use fewer jobs"))


def _convert_frame(job: FrameJob) -> Result:
    frame, recipe, path = job.frame, job.frame.recipe, job.output
    output.refuse_input(path, frame.path, *job.panels)
    there, made = "none", None
    if isinstance(job.sources, Sources) or os.path.lexists(path):
        made = _made(job)
        there = output.look_up(path, made["fingerprint"])
    if there == "same":
        return Result(frame.path, path, "skipped", "up to date", frame.plan.warnings, frame.number)
    if there == "changed" and not job.overwrite:
        return Result(frame.path, path, "skipped", "was changed after negconv wrote it and is kept (allow overwriting to "
                      "make it again)", frame.plan.warnings, frame.number)
    if there == "foreign" and not job.overwrite:
        raise InputError(path, "exists already and is not negconv's", "choose another folder or allow overwriting")
    source = frame.path, recipe.linearity
    capture = (job.ahead and job.ahead.take(*source)) or read_rows(frame.path, linearity=recipe.linearity)
    plan = levelled(frame.plan, capture, panel=job.field, recipe=recipe)
    metadata = job.notes.metadata(capture.meta, plan.pixel_um)
    codes = picture = spots = None
    if recipe.spots == "off" and recipe.moves == Moves():
        bits = 8 if recipe.output == "jpeg" else recipe.bits
        if recipe.output == "tiff":
            channels = 1 if plan.film.kind == "mono" else 3
            with output.GrowingTiff(path, plan.cut.shape, channels, bits, space=recipe.space, metadata=metadata) as file:
                positive, _ = apply_encoded(capture, plan, panel=job.field, recipe=recipe, bits=bits, threads=job.threads,
                                            done=file.write_rows)
                made = _made(job)  # rows were read until now
                picture = file.finish()
        else:
            positive, codes = apply_encoded(capture, plan, panel=job.field, recipe=recipe, bits=bits, threads=job.threads)
        del capture
    else:
        positive = apply(capture, plan, panel=job.field, recipe=recipe, threads=job.threads, keep_density=recipe.spots != "off")
        del capture
        positive, spots = finish(positive, recipe)
    record = {**(_made(job) if picture is None else made), "number": frame.number, "plan": plan,
              "capture_index": job.capture_index, "notes": job.notes}
    if spots is not None:
        record["spots"] = {"counts": spots.counts, "rows": [s.to_dict() for s in spots]}
    staged = output.stage_positive(positive, path, output=recipe.output, metadata=metadata, record=record, codes=codes,
                                   picture=picture, shape=plan.cut.shape, threads=job.threads)
    output.place_pair(*staged, overwrite=job.overwrite or there == "ours", same_is_fine=True)
    return Result(frame.path, path, "ok", "", positive.warnings, frame.number)


def _made(job: FrameJob) -> dict:
    """What a sidecar says of the files a frame is made from, all of them as they were when they were hashed: their records, their
    fingerprint with all that is done to them, the roll."""
    sources = job.sources if isinstance(job.sources, Sources) else job.sources.result()
    sources.check()
    recipe = job.frame.recipe
    used = [("capture", sources.capture), *((f"panel {i}", p) for i, p in enumerate(sources.panels, 1)),
            *((key, file_state(os.fspath(recipe.file(name)))) for key, name in recipe.files())]
    inputs = {role: output.as_record(f.path, f.sha256, f.size, os.path.dirname(job.output)) for role, f in used}
    mark = output.fingerprint(inputs, {"plan": job.frame.plan, "recipe": recipe, "notes": job.notes})
    return {"fingerprint": mark, "inputs": inputs, "roll": {"key": sources.key, **job.roll}}


def failure(frame: RollFrame, error) -> Result:
    return Result(frame.path, "", "failed", fault(frame.path, error), frame.plan.warnings, frame.number)


def fault(path: str, error) -> str:
    """One line about what went wrong with a file."""
    if isinstance(error, InputError):
        return str(error)
    if isinstance(error, Died):
        return str(InputError(path, str(error), "use fewer jobs, or leave it out"))
    return str(InputError(path, f"could not be converted ({type(error).__name__}: {error})", "please report this"))

"""A roll: many captures surveyed together, converted alike, on anything from one core to a cluster.

`Roll.survey` looks at every capture on a proxy and decides, for the roll, what base, film and balance its frames have;
`Roll.convert` then makes each frame by itself. What goes to a worker and comes back is a path and small values (the
largest are a sample of some 10,000 pixels of each picture, 0.1 MB, and the smooth field of the panel, 0.2 MB), never a
picture.
"""
from __future__ import annotations

import hashlib
import json
import os
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import replace
from functools import lru_cache
from pathlib import Path
from typing import Any, Callable, Iterator, Sequence

from . import __version__, files, output
from .base import FilmBase
from .begin import Begun, stages
from .conversion import Survey, film_base
from .errors import InputError
from .files import FileState, changed_at, file_state, state_of
from .film import Film
from .flat import PanelField, panel_field
from .gather import MISNAMED, PANEL_WORDS, find_captures, hinted, misnamed, usable_panels
from .jobs import (FrameJob, LookJob, Result, RollFrame, Sources, convert_frame, failure, fault, glance_at, is_there, look_at,
                   positive_of, warm)
from .notes import Notes
from .positive import Positive
from .recipe import Recipe
from .shared import Stock, decided, leaders, usual_frame
from .values import frozen
from .workers import Ahead, Given, Here, Own, count_cores, free_memory

#: Peak memory of one conversion, bytes a pixel of the capture (benchmarks/roll.py measures it).
BYTES_PER_PIXEL = 64


@frozen
class RollSurvey:
    """What a roll shows, and what was decided for it.

    Attributes
    ----------
    frames : tuple of RollFrame
    stocks : tuple of Stock
        Films found, the commonest first.
    panels, leaders : tuple of str
        Captures of the bare panel and of blank leader.
    failed : tuple of (path, message)
        Captures that cannot be used.
    warnings : tuple of str
    """

    frames: tuple[RollFrame, ...] = ()
    stocks: tuple[Stock, ...] = ()
    panels: tuple[str, ...] = ()
    leaders: tuple[str, ...] = ()
    failed: tuple[tuple[str, str], ...] = ()
    warnings: tuple[str, ...] = ()

    def to_dict(self) -> dict:
        """JSON-able values, for a sidecar: no paths, no plans."""
        return {"frames": len(self.frames), "failed": len(self.failed), "stocks": [s.to_dict() for s in self.stocks],
                "panels": [os.path.basename(p) for p in self.panels],
                "leaders": [os.path.basename(p) for p in self.leaders], "warnings": list(self.warnings)}

    def __repr__(self) -> str:
        stocks = ", ".join(f"{s.frames} on {s.film.name} (base density {', '.join(f'{d:.2f}' for d in s.base.density)})"
                           for s in self.stocks)
        more = [f"panel {', '.join(os.path.basename(p) for p in self.panels)}"] if self.panels else ["no panel frame"]
        more += [f"leader {', '.join(os.path.basename(p) for p in self.leaders)}"] if self.leaders else []
        more += [f"{len(self.failed)} failed"] if self.failed else []
        return f"RollSurvey({len(self.frames)} frames: {stocks or 'none'}; {'; '.join(more)})"


@frozen
class Roll:
    """The captures of one roll.

    Parameters
    ----------
    source : path-like, or sequence of path-like
        Files, or folders of them.
    panel : path-like or sequence of them, optional
        Captures of the bare panel; by default the recipe's, else found among the captures.
    film : Film, "auto", "colour", "mono" or path of a film file, optional
        By default the recipe's.
    base : FilmBase, (r, g, b), (x, y, w, h) or path of blank leader, optional
        By default the recipe's, else from the rebates of all captures together.
    recipe : Recipe
        ``balance`` says how far frames keep the roll's exposures.
    notes : Notes, optional
        By default read from ``roll.toml`` beside the captures.

    Examples
    --------
    >>> import tempfile
    >>> from negconv.synthetic.roll import make_roll
    >>> folder = tempfile.mkdtemp()
    >>> _ = make_roll(folder, frames=2, megapixels=0.1, jobs=1)
    >>> roll = Roll(folder + "/captures", recipe=Recipe(spots="off", output="jpeg"))
    >>> [(r.number, r.status) for r in roll.convert(folder + "/positives", jobs=1)]
    [(1, 'ok'), (2, 'ok')]
    """

    source: Any
    panel: Any = None
    film: Film | str | None = None
    base: Any = None
    recipe: Recipe = Recipe()
    notes: Notes | None = None

    @property
    def captures(self) -> tuple[str, ...]:
        """Every capture named, in order, the panel frame and the leader among them."""
        return find_captures(self.source)

    def read_notes(self) -> Notes:
        """The notes given, or those beside the first capture."""
        if self.notes is not None:
            return self.notes
        first = self.source if isinstance(self.source, (str, os.PathLike)) else next(iter(self.source), ".")
        folder = Path(first)
        return Notes.load(folder if os.path.isdir(folder) else folder.parent)

    def survey(self, *, executor=None, jobs: int | None = None,
               progress: Callable[[str, int, int], None] | None = None) -> RollSurvey:
        """Look at every capture and decide for the roll; see `convert` for the parameters.

        Raises
        ------
        InputError
            No captures, or a panel frame or base that cannot be used. A capture that cannot be used is in ``failed``.
        """
        captures = self.captures
        workers = _workers(executor, jobs, len(captures))
        try:
            return self._survey(captures, workers, progress)
        finally:
            workers.close()

    def positive(self, frame: RollFrame, panels: Sequence[str] = (), *, threads: int = 2) -> Positive:
        """A frame as `convert` makes it, before its spots are looked for and before any darkroom move.

        Parameters
        ----------
        frame : RollFrame
            Of this roll's survey.
        panels : sequence of str
            The survey's.
        threads : int

        Raises
        ------
        InputError
        """
        return positive_of(frame, _panel_of(tuple(panels), None), threads=threads)

    def convert(self, out, *, executor=None, jobs: int | None = None, overwrite: bool = False,
                progress: Callable[[str, int, int], None] | None = None,
                surveyed: Callable[[RollSurvey], None] | None = None, begun: Begun | None = None) -> Iterator[Result]:
        """Convert the roll, frame by frame as they are done.

        Parameters
        ----------
        out : path-like
            Folder for the pictures and their sidecars, made if missing.
        executor : concurrent.futures.Executor, optional
            Any; a cluster's must see the same folders. By default processes of our own.
        jobs : int, optional
            How many frames at once. By default by cores and memory; 1 uses this process alone.
        overwrite : bool
            Also replace pictures that negconv did not make, or that were changed since.
        progress : callable, optional
            Called with ``"survey"`` or ``"convert"``, how many captures or frames are done, and how many there are.
        surveyed : callable, optional
            Called once with the survey, whose ``warnings`` are of the whole roll; not where all is there already.
        begun : Begun, optional
            What was begun of it before this module was imported.

        Yields
        ------
        Result
            One a frame, and one a capture that failed, as they come. A frame that is there already from the same
            inputs, settings and version is skipped; one made by negconv from others is made again.

        Raises
        ------
        InputError
            Nothing can be begun: no captures, an unusable panel frame, folder or notes.
        """
        captures = self.captures
        folder = os.fspath(files.make_folder(out))
        output.recover(folder)
        workers = _workers(executor, jobs, len(captures))
        now, ahead, beside = True, None, ThreadPoolExecutor(1)
        try:
            notes = self.read_notes()
            # Where nothing can be there already, files are hashed while they are looked at.
            fresh = not isinstance(workers, Given) and not any(n.endswith(".json") for n in os.listdir(folder))
            if fresh and isinstance(workers, Here):
                ahead = begun.ahead if begun is not None else Ahead(stages, self._sources(captures))
            workers.begin(warm)
            if begun is not None:
                warm()
            hashing = beside.submit(self._hashed, captures, workers, 1 if fresh else count_cores(), begun, notes)
            if not fresh:
                there = self._there(folder, hashing.result()[1], captures, workers)
                if there is not None:
                    yield from there
                    now = False
                    return
            seen = self._survey(captures, workers, progress, ahead, begun)
            if surveyed is not None:
                surveyed(seen)
            for path, message in seen.failed:
                yield Result(path, "", "failed", message)
            if isinstance(workers, Own) and jobs is None:
                workers.count = max(1, min(workers.count, _by_memory(seen)))
            threads = count_cores() if isinstance(workers, Here) else 1
            field_ = _panel_of(seen.panels, begun)
            # A frame whose files are still being hashed is converted meanwhile.
            of = [beside.submit(_sources_of, hashing, f.path, seen.panels) for f in seen.frames]
            of = of if fresh and isinstance(workers, Here) else [future.result() for future in of]
            tasks = self._tasks(seen, of, field_, folder, notes, captures, overwrite, threads)
            tasks = [replace(t, ahead=ahead) for t in tasks]
            for done, (i, outcome) in enumerate(workers.run(convert_frame, tasks), 1):
                yield outcome if isinstance(outcome, Result) else failure(tasks[i].frame, outcome)
                if progress:
                    progress("convert", done, len(tasks))
            now = False
        finally:
            workers.close(now)
            beside.shutdown(wait=False, cancel_futures=True)
            if begun is not None:
                begun.close()
            if ahead is not None:
                ahead.close()
            output.recover(folder)

    def _sources(self, captures: Sequence[str]) -> list[tuple[str, str]]:
        """What `_stages` is called with for each capture that is likely a picture, in order."""
        recipe = self._recipe()
        panels = {os.path.abspath(p) for p in self._panels_given()}
        return [(p, recipe.for_frame(p, n).linearity) for n, p in enumerate(captures, 1)
                if os.path.abspath(p) not in panels and not hinted(p, PANEL_WORDS)]

    # ---- survey ------------------------------------------------------------------------------------------------------

    def _survey(self, captures: Sequence[str], workers, progress, ahead: Ahead | None = None,
                begun: Begun | None = None) -> RollSurvey:
        recipe, warnings = self._recipe(), []
        panels, wrong = self._panels_given(), ()
        if not panels:
            panels, wrong = self._panels_found(captures, workers)
        field_ = _panel_of(panels, begun)  # one that was named and cannot be used stops before any work
        pictures = _without(captures, (*panels, *(error.path for error in wrong)))
        warnings += list(field_.notes) if field_ is not None else []
        base = self._given_base(recipe, field_)
        looks = self._look(pictures, field_, base, recipe, workers, progress, ahead)
        looks = self._look_again(pictures, looks, field_, base, recipe, workers)
        odd = set(misnamed(captures, panels))
        looks = [replace(look, warnings=(MISNAMED, *look.warnings)) if isinstance(look, Survey) and look.path in odd else look
                 for look in looks]
        failed = [*((error.path, str(error)) for error in wrong),
                  *((p, look) for p, look in zip(pictures, looks) if isinstance(look, str))]
        seen = [look for look in looks if not isinstance(look, str)]
        blank = leaders(seen)
        leader = next((s.base for s in seen if s.path in blank), None)
        frames, stocks, more = decided([s for s in seen if s.path not in blank],
                                       base if isinstance(base, FilmBase) else leader, self._film(), recipe)
        return RollSurvey(frames, stocks, tuple(panels), blank, tuple(failed), tuple(dict.fromkeys((*warnings, *more))))

    def _recipe(self) -> Recipe:
        if isinstance(self.film, str) and self.film in ("auto", "colour", "mono"):
            return replace(self.recipe, film=self.film)
        return self.recipe

    def _film(self) -> Film | None:
        if self.film is None or isinstance(self.film, Film):
            return self.film
        return None if self.film in ("auto", "colour", "mono") else Film.load(self.film)

    def _panels_given(self) -> tuple[str, ...]:
        given = self.panel if self.panel is not None else self.recipe.panel and self.recipe.file(self.recipe.panel)
        many = given if isinstance(given, (list, tuple)) else [given]
        return tuple(os.fspath(p) for p in many if p is not None)

    def _panels_found(self, captures: Sequence[str], workers) -> tuple[tuple[str, ...], tuple[InputError, ...]]:
        linearity = self.recipe.linearity

        def look(paths: Sequence[str]) -> list:
            outcomes = sorted(workers.run(glance_at, [(p, linearity) for p in paths]), key=lambda outcome: outcome[0])
            return [outcome if not isinstance(outcome, Exception) else None for _, outcome in outcomes]

        return usable_panels(captures, field=lambda paths: _panel_of(paths, None), linearity=linearity, look=look)

    def _given_base(self, recipe: Recipe, field_):
        """What stands for the base: a `FilmBase`, a rectangle to be read in every capture, or None."""
        given = self.base if self.base is not None else recipe.base
        if given is None or isinstance(given, FilmBase):
            return given
        if isinstance(given, (tuple, list)) and len(given) == 4:
            return tuple(map(float, given))
        return film_base(given, None, field_, recipe)

    def _look(self, pictures, field_, base, recipe: Recipe, workers, progress, ahead) -> list[Survey | str]:
        """What each capture shows, or why it cannot be used."""
        jobs = [LookJob(p, field_, base, recipe.for_frame(p, n), ahead=ahead)
                for n, p in enumerate(pictures, 1)]
        looks: list[Survey | str] = [""] * len(jobs)
        for done, (i, outcome) in enumerate(workers.run(look_at, jobs), 1):
            looks[i] = outcome if isinstance(outcome, Survey) else fault(pictures[i], outcome)
            if progress:
                progress("survey", done, len(jobs))
        return looks

    def _look_again(self, pictures, looks, field_, base, recipe: Recipe, workers) -> list[Survey | str]:
        """The same with the frames that were not found put where the roll's other frames lie."""
        usual = usual_frame([look for look in looks if isinstance(look, Survey)])
        lost = [n for n, look in enumerate(looks) if usual is not None and isinstance(look, Survey) and len(look.frames) == 1
                and not look.frames[0].trusted and look.shape == usual[1]]
        jobs = [LookJob(pictures[n], field_, base, recipe.for_frame(pictures[n], n + 1), usual[0]) for n in lost]
        out = list(looks)
        for i, outcome in workers.run(look_at, jobs):
            if isinstance(outcome, Survey):
                words = tuple(w for w in outcome.warnings if not w.startswith("no frame was found"))
                out[lost[i]] = replace(outcome, warnings=(*words, "no frame was found with confidence: it is taken to lie "
                                                          "as the roll's others do"))
        return out

    # ---- conversion --------------------------------------------------------------------------------------------------

    def _hashed(self, captures: Sequence[str], workers, threads: int, begun: Begun | None,
                notes: Notes) -> tuple[dict[str, FileState | None], str]:
        """Hash and state of every capture and of panel frames given, None for one that cannot be read; the roll's key."""
        paths = list(dict.fromkeys((*captures, *self._panels_given())))
        states: dict[str, FileState | None] = dict.fromkeys(paths)
        # When each was changed is asked before any is looked at, so that no later change goes unnoticed.
        jobs = [(p, changed_at(p)) for p in paths]
        for i, outcome in workers.light(begun.state_of if begun is not None else state_of, jobs, threads):
            states[paths[i]] = outcome if isinstance(outcome, FileState) else None
        return states, self._key(captures, states, notes)

    def _key(self, captures, states, notes: Notes) -> str:
        """SHA-256 of all that a roll is made from; equal keys make equal rolls."""
        def content(value):
            known = states.get(os.fspath(value)) if isinstance(value, (str, os.PathLike)) else None
            return _content(value) if known is None else known.sha256

        recipe = self._recipe()
        named = [(key, content(recipe.file(name))) for key, name in recipe.files()]
        given = [content(value) for value in (self.panel if isinstance(self.panel, (list, tuple)) else [self.panel])]
        what = [__version__, [(os.path.basename(p), states[p] and states[p].sha256) for p in captures], recipe, named, given,
                _content(self.film), _content(self.base), notes]
        text = json.dumps(output.plain(what), sort_keys=True, allow_nan=False)
        return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()

    def _there(self, folder: str, key: str, captures: Sequence[str], workers) -> list[Result] | None:
        """Results when every frame of the roll is in the folder as its sidecar says, and what failed fails again; else
        None."""
        found = _all_there(folder, key, captures, workers)
        if found is None or not found[1]["failed"]:
            return found and found[0]
        results, about = found
        recipe = self._recipe()
        panels = self._panels_given() or tuple(p for p in captures if os.path.basename(p) in about["panels"])
        pictures = _without(captures, panels)
        failed = [captures[i] for i in about["failed"]]
        try:
            field_ = _panel_of(panels, None)
            base = self._given_base(recipe, field_)
            jobs = [LookJob(p, field_, base, recipe.for_frame(p, pictures.index(p) + 1)) for p in failed]
        except (InputError, ValueError):
            return None
        again = [outcome for _, outcome in sorted(workers.run(look_at, jobs), key=lambda one: one[0])]
        if any(isinstance(outcome, Survey) for outcome in again):
            return None
        return [Result(p, "", "failed", fault(p, outcome)) for p, outcome in zip(failed, again)] + results

    def _tasks(self, seen: RollSurvey, sources, field_: PanelField | None, folder: str, notes: Notes, captures,
               overwrite: bool, threads: int) -> list[FrameJob]:
        about = {**seen.to_dict(), "failed": [captures.index(path) for path, _ in seen.failed]}
        tasks = []
        for frame, its in zip(seen.frames, sources):
            ending = output.SUFFIXES[frame.recipe.output]
            path = os.path.join(folder, frame.name + ending)
            if any(os.path.abspath(path) == os.path.abspath(p) for p in captures):
                path = os.path.join(folder, f"{frame.name}-positive{ending}")
            tasks.append(FrameJob(frame, path, its, seen.panels, field_, notes, about, captures.index(frame.path), overwrite,
                                  threads))
        return tasks


# --- small decisions ------------------------------------------------------------------------------------------------

def _panel_of(paths: tuple[str, ...], begun: Begun | None) -> PanelField | None:
    """The field of a roll's panel frames."""
    if begun is not None and paths == (begun.panel,):
        return begun.field.result()
    return _field_of(paths, tuple(map(changed_at, paths))) if paths else None


@lru_cache(maxsize=1)
def _field_of(paths: tuple[str, ...], changed: tuple[int | None, ...]) -> PanelField:
    """`changed` is when each was: one that was taken anew has another field."""
    return panel_field(list(paths))


def _sources_of(hashing: Future, path: str, panels: Sequence[str]) -> Sources:
    """What a frame is made from, once that is hashed."""
    states, key = hashing.result()
    capture, *more = (states[p] or file_state(p) for p in (path, *panels))
    return Sources(capture, tuple(more), key)


def _without(captures: Sequence[str], panels: Sequence[str]) -> list[str]:
    """The captures that are not among the panel frames, however these are named."""
    places = {os.path.abspath(p) for p in panels}
    return [p for p in captures if os.path.abspath(p) not in places]


def _workers(executor, jobs: int | None, count: int):
    if executor is not None:
        return Given(executor, jobs)
    jobs = min(jobs or count_cores(), max(count, 1))
    return Here() if jobs <= 1 else Own(jobs)


def _by_memory(seen: RollSurvey) -> int:
    """How many frames of this size can be converted at once without swapping."""
    free = free_memory()
    largest = max((f.pixels for f in seen.frames), default=0)
    return count_cores() if not free or not largest else int(0.8 * free / (BYTES_PER_PIXEL * largest))


def _all_there(folder: str, key: str, captures, workers) -> tuple[list[Result], dict] | None:
    """Results, and what the sidecars say of the roll, when every frame of it is in the folder as its own says; else None."""
    found = []
    for name in sorted(os.listdir(folder)):
        if name.endswith(".json") and not name.startswith("."):
            try:
                record = output.read_sidecar(os.path.join(folder, name))
            except InputError:
                continue
            roll = record.get("roll")
            if isinstance(roll, dict) and roll.get("key") == key and name == record["output"]["file"] + ".json":
                found.append(record)
    about = found[0]["roll"] if found else {}
    if not found or len(found) != about.get("frames") or not _listed(about, captures):
        return None
    pictures = [(os.path.join(folder, r["output"]["file"]), r["output"]["sha256"]) for r in found]
    if not all(outcome is True for _, outcome in workers.run(is_there, pictures)):
        return None
    try:
        results = [Result(captures[r["capture_index"]], path, "skipped", "up to date", tuple(map(str, r["warnings"])), int(r["number"]))
                   for r, (path, _) in zip(found, pictures)]
    except (KeyError, IndexError, TypeError, ValueError):
        return None
    return sorted(results, key=lambda r: r.number), about


def _listed(about: dict, captures) -> bool:
    """Whether a sidecar's record of the roll names its failed captures and its panel frames; it may be anybody's."""
    failed, panels = about.get("failed"), about.get("panels")
    return (isinstance(failed, list) and all(type(i) is int and 0 <= i < len(captures) for i in failed)
            and isinstance(panels, list) and all(isinstance(name, str) for name in panels))


def _content(value):
    """What a given value stands for: a file's hash, or itself."""
    if isinstance(value, str) and value in ("auto", "colour", "mono"):
        return value
    if isinstance(value, (str, os.PathLike)):
        return files.hash_file(value)[0]
    return value


def summary(results: Sequence[Result]) -> str:
    """One line on a run: how many frames were converted, skipped, and failed."""
    counts = {s: sum(r.status == s for r in results) for s in ("ok", "skipped", "failed")}
    words = {"ok": "converted", "skipped": "there already", "failed": "failed"}
    return ", ".join(f"{counts[s]} {words[s]}" for s in counts if counts[s]) or "nothing to do"

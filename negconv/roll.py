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
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from functools import lru_cache
from pathlib import Path
from typing import Any, Callable, Iterator, Sequence

import numpy as np

from . import __version__, files, output
from .balance import Balance, thin
from .base import FilmBase
from .begin import Begun, stages
from .capture import read, read_rows
from .conversion import (Plan, Survey, apply, apply_encoded, choose_film, decide, film_base, finish, fitted, levelled, or_whole, solve,
                         survey as survey_capture)
from .errors import InputError, one_line
from .files import FileState, changed_at, file_state, state_of
from .film import Film
from .finish.moves import Moves
from .flat import PanelField, panel_field
from .frame import Frame, format_named
from .gather import LEADER_WORDS, PANEL_WORDS, find_captures, find_panels, glance, hinted, labels
from .notes import Notes
from .pool import is_blank, pool_bases
from .recipe import Recipe
from .workers import Ahead, Died, Given, Here, Own, count_cores, free_memory

#: Peak memory of one conversion, bytes a pixel of the capture (benchmarks/roll.py measures it).
BYTES_PER_PIXEL = 64
#: A raw file whose half-size read is smaller than this along its long side is surveyed at full size.
LEAST = 1000
#: Pixels of each picture sent back by its survey, and those that stand for it in the roll.
SENT, EVIDENCE = 8000, 4000
BLANK_WORDS = "blank or evenly fogged: there is no picture to balance"
#: Confidence given to a frame that lies where the roll's others do.
USUAL = 0.4
#: A density spread this small over a picture area at the base's level is blank film.
AT_BASE = 0.06


@dataclass(frozen=True)
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


@dataclass(frozen=True)
class Stock:
    """One film found on a roll.

    Attributes
    ----------
    film : Film
    base : FilmBase
    balance : Balance
        Of the roll.
    frames : int
        How many frames are on it.
    reason : str
        Why it is taken for this film.
    """

    film: Film
    base: FilmBase
    balance: Balance
    frames: int
    reason: str = ""

    def to_dict(self) -> dict:
        return {"film": self.film.name, "kind": self.film.kind, "reason": self.reason, "base": self.base.to_dict(),
                "balance": self.balance.to_dict(), "frames": self.frames}


@dataclass(frozen=True)
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


@dataclass(frozen=True)
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


@dataclass(frozen=True)
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

    def convert(self, out, *, executor=None, jobs: int | None = None, overwrite: bool = False,
                progress: Callable[[str, int, int], None] | None = None,
                begun: Begun | None = None) -> Iterator[Result]:
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
            workers.begin(_warm)
            if begun is not None:
                _warm()
            hashing = beside.submit(self._states, captures, workers, 1 if fresh else count_cores(), begun)
            if not fresh:
                states = hashing.result()
                there = self._there(folder, self._key(captures, states, notes), captures, workers)
                if there is not None:
                    yield from there
                    now = False
                    return
            seen = self._survey(captures, workers, progress, ahead, begun)
            states = hashing.result()
            key = self._key(captures, states, notes)
            for path, message in seen.failed:
                yield Result(path, "", "failed", message)
            if isinstance(workers, Own) and jobs is None:
                workers.count = max(1, min(workers.count, _by_memory(seen)))
            threads = count_cores() if isinstance(workers, Here) else 1
            field_ = _panel_of(seen.panels, begun)
            tasks = self._tasks(seen, field_, folder, notes, key, captures, states, overwrite, threads)
            tasks = [replace(t, ahead=ahead) for t in tasks]
            for done, (i, outcome) in enumerate(workers.run(convert_frame, tasks), 1):
                yield outcome if isinstance(outcome, Result) else _failed(tasks[i].frame, outcome)
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
        panels = self._panels(captures, workers)
        pictures = [p for p in captures if os.path.abspath(p) not in {os.path.abspath(q) for q in panels}]
        field_ = _panel_of(tuple(panels), begun)  # an unusable one stops before any work
        warnings += list(field_.notes) if field_ is not None else []
        base = self._given_base(recipe, field_)
        looks = self._look(pictures, field_, base, recipe, workers, progress, ahead)
        looks = self._look_again(pictures, looks, field_, base, recipe, workers)
        failed = [(p, look) for p, look in zip(pictures, looks) if isinstance(look, str)]
        seen = [look for look in looks if not isinstance(look, str)]
        leaders = _leaders(seen)
        leader = next((s.base for s in seen if s.path in leaders), None)
        seen = [s for s in seen if s.path not in leaders]
        frames, stocks, more = self._decide(seen, base, leader, recipe)
        warnings += more + _count_warning(recipe, frames)
        return RollSurvey(frames, stocks, tuple(panels), leaders, tuple(failed), tuple(dict.fromkeys(warnings)))

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

    def _panels(self, captures: Sequence[str], workers) -> tuple[str, ...]:
        given = self._panels_given()
        if given:
            return given
        linearity = self.recipe.linearity

        def look(paths: Sequence[str]) -> list:
            outcomes = sorted(workers.run(glance_at, [(p, linearity) for p in paths]), key=lambda outcome: outcome[0])
            return [outcome if not isinstance(outcome, Exception) else None for _, outcome in outcomes]

        return find_panels(captures, linearity=linearity, look=look)

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
            looks[i] = outcome if isinstance(outcome, Survey) else _fault(pictures[i], outcome)
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

    def _decide(self, seen: Sequence[Survey], given, leader: FilmBase | None, recipe: Recipe):
        """Frames with their plans, the films found, and what is to be said of the roll."""
        own_film, warnings = self._film(), []
        if isinstance(given, FilmBase):
            bases: list[tuple] = [(given, 0, "")] * len(seen)
        elif leader is not None:
            bases = [(leader, 0, "")] * len(seen)
        else:
            bases = pool_bases([s.base for s in seen])
        names = labels([s.path for s in seen])
        pictures, number = [], 0
        for name, s, (base, group, word) in zip(names, seen, bases):
            for index, (frame, evidence) in enumerate(zip(s.frames, s.evidence), 1):
                number += 1
                its = recipe.for_frame(s.path, number)
                one = replace(s, frames=(frame,), evidence=(evidence,), warnings=s.warnings + ((word,) if word else ()))
                pictures.append(_Picture(s.path, name, number, index, len(s.frames), one, base, group, its))
        films = _films(pictures, own_film)
        stocks, adapted, balances = self._stocks(pictures, films, recipe)
        frames = []
        taken = {n.casefold() for n, s in zip(names, seen) if len(s.frames) == 1}
        for picture, film, (_, reason), balance in zip(pictures, adapted, films, balances):
            plan = decide(picture.seen, film=film, base=picture.base, balance=balance, recipe=picture.recipe)[0]
            plan = replace(plan, kind_reason=reason)
            name = picture.name if picture.count == 1 else _part_name(picture.name, picture.index, taken)
            frames.append(RollFrame(picture.path, picture.number, name, plan, picture.recipe, picture.index, picture.count,
                                    picture.seen.shape[0] * picture.seen.shape[1]))
        if len(stocks) > 1:
            warnings.append(f"the captures are of {len(stocks)} films: each is balanced by itself")
        return tuple(frames), stocks, warnings

    def _stocks(self, pictures: Sequence[_Picture], films, recipe: Recipe):
        """The films of the roll; each picture's film, fit for what the roll shows of it; each picture's balance."""
        groups: dict[tuple, list[int]] = {}
        for i, (picture, (film, _)) in enumerate(zip(pictures, films)):
            if picture.base is not None:
                groups.setdefault((picture.group, film), []).append(i)
        stocks, adapted, balances = [], [film for film, _ in films], [None] * len(pictures)
        for (_, film), members in sorted(groups.items(), key=lambda item: (-len(item[1]), item[1][0])):
            group = [pictures[i] for i in members]
            blank = [is_blank(p.seen.evidence[0]) for p in group]
            # A blank or fogged frame says nothing about the light and the film of the others, nor does a whole capture.
            sure = [not b and p.seen.frames[0].confidence >= USUAL for b, p in zip(blank, group)]
            telling = sure if any(sure) else [not b for b in blank] if not all(blank) else [True] * len(group)
            film = fitted(film, group[0].base, [p.seen.evidence[0] for p, t in zip(group, telling) if t], group[0].seen.meta)
            roll = [thin(film.densities(p.seen.evidence[0], p.base.rgb, p.seen.meta), EVIDENCE)
                    for p, t in zip(group, telling) if t]
            solved = [solve(film, p.base, list(p.seen.evidence), p.seen, p.recipe, roll=roll, mix=_share(p.recipe))
                      for p in group]
            for i, balance, b in zip(members, solved, blank):
                adapted[i] = film
                balances[i] = replace(balance, warnings=balance.warnings + ((BLANK_WORDS,) if b else ()))
            whole = solve(film, group[0].base, [group[0].seen.evidence[0]], replace(group[0].seen, neutral=None),
                          replace(recipe, exposure=0.0, neutral="auto"), roll=roll, mix=1.0)
            stocks.append(Stock(film, group[0].base, replace(whole, source=f"roll of {len(roll)} frames"), len(members),
                                films[members[0]][1]))
        return tuple(stocks), adapted, balances

    # ---- conversion --------------------------------------------------------------------------------------------------

    def _states(self, captures: Sequence[str], workers, threads: int,
                begun: Begun | None) -> dict[str, FileState | None]:
        """Hash and state of every capture and of panel frames given, None for one that cannot be read."""
        paths = list(dict.fromkeys((*captures, *self._panels_given())))
        states: dict[str, FileState | None] = dict.fromkeys(paths)
        # When each was changed is asked before any is looked at, so that no later change goes unnoticed.
        jobs = [(p, changed_at(p)) for p in paths]
        for i, outcome in workers.light(begun.state_of if begun is not None else state_of, jobs, threads):
            states[paths[i]] = outcome if isinstance(outcome, FileState) else None
        return states

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
        pictures = [p for p in captures if os.path.abspath(p) not in {os.path.abspath(q) for q in panels}]
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
        return [Result(p, "", "failed", _fault(p, outcome)) for p, outcome in zip(failed, again)] + results

    def _tasks(self, seen: RollSurvey, field_: PanelField | None, folder: str, notes: Notes, key: str, captures, states,
               overwrite: bool, threads: int) -> list[FrameJob]:
        panels = tuple(states[p] or file_state(p) for p in seen.panels)
        about = {"key": key, **seen.to_dict(), "failed": [captures.index(path) for path, _ in seen.failed]}
        tasks = []
        for frame in seen.frames:
            ending = output.SUFFIXES[frame.recipe.output]
            path = os.path.join(folder, frame.name + ending)
            if any(os.path.abspath(path) == os.path.abspath(p) for p in captures):
                path = os.path.join(folder, f"{frame.name}-positive{ending}")
            tasks.append(FrameJob(frame, path, states[frame.path], panels, field_, notes, about,
                                  captures.index(frame.path), overwrite, threads))
        return tasks


# --- jobs: run in a worker ------------------------------------------------------------------------------------------

@dataclass(frozen=True)
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


def _panel_of(paths: tuple[str, ...], begun: Begun | None) -> PanelField | None:
    """The field of a roll's panel frames."""
    if begun is not None and paths == (begun.panel,):
        return begun.field.result()
    return _field_of(paths) if paths else None


@lru_cache(maxsize=1)
def _field_of(paths: tuple[str, ...]) -> PanelField:
    return panel_field(list(paths))


def _warm() -> None:
    """Import what every job needs, while something else is waited for."""
    from . import encode, invert  # noqa: F401

    output.versions()
    np.ma  # which the first median imports


def glance_at(job: tuple[str, str]):
    """`gather.glance` of one capture."""
    return glance(*job)


def is_there(job: tuple[str, str]) -> bool:
    """True when a picture is as its sidecar says."""
    try:
        return files.hash_file(job[0])[0] == job[1]
    except InputError:
        return False


@dataclass(frozen=True)
class FrameJob:
    """One frame to be converted."""

    frame: RollFrame
    output: str
    capture: FileState
    panels: tuple[FileState, ...]
    field: PanelField | None
    notes: Notes
    roll: dict
    capture_index: int
    overwrite: bool
    threads: int
    #: What reads captures ahead, where the job is done in the process that made it.
    ahead: Ahead | None = None


def convert_frame(job: FrameJob) -> Result:
    """Convert and write one frame; every fault of its inputs or outputs is in the result."""
    try:
        return _convert_frame(job)
    except InputError as error:
        return _failed(job.frame, error)
    except MemoryError:
        return _failed(job.frame, InputError(job.frame.path, "does not fit into memory", "use fewer jobs"))


def _convert_frame(job: FrameJob) -> Result:
    frame, recipe, path = job.frame, job.frame.recipe, job.output
    job.capture.check()
    for panel in job.panels:
        panel.check()
    output.refuse_input(path, frame.path, *(p.path for p in job.panels))
    used = [("capture", job.capture), *((f"panel {i}", p) for i, p in enumerate(job.panels, 1)),
            *((key, file_state(os.fspath(recipe.file(name)))) for key, name in recipe.files())]
    inputs = {role: output.as_record(f.path, f.sha256, f.size, os.path.dirname(path)) for role, f in used}
    mark = output.fingerprint(inputs, {"plan": frame.plan, "recipe": recipe, "notes": job.notes})
    there = output.look_up(path, mark)
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
                job.capture.check()  # its rows were read until now
                picture = file.finish()
        else:
            positive, codes = apply_encoded(capture, plan, panel=job.field, recipe=recipe, bits=bits, threads=job.threads)
            job.capture.check()
        del capture
    else:
        positive = apply(capture, plan, panel=job.field, recipe=recipe, threads=job.threads, keep_density=recipe.spots != "off")
        job.capture.check()
        del capture
        positive, spots = finish(positive, recipe)
    record = {"fingerprint": mark, "number": frame.number, "inputs": inputs, "plan": plan, "roll": job.roll,
              "capture_index": job.capture_index, "notes": job.notes}
    if spots is not None:
        record["spots"] = {"counts": spots.counts, "rows": [s.to_dict() for s in spots]}
    staged = output.stage_positive(positive, path, output=recipe.output, metadata=metadata, record=record, codes=codes,
                                   picture=picture, shape=plan.cut.shape, threads=job.threads)
    output.place_pair(*staged, overwrite=job.overwrite or there == "ours", same_is_fine=True)
    return Result(frame.path, path, "ok", "", positive.warnings, frame.number)


def _failed(frame: RollFrame, error) -> Result:
    return Result(frame.path, "", "failed", _fault(frame.path, error), frame.plan.warnings, frame.number)


def _fault(path: str, error) -> str:
    """One line about what went wrong with a file."""
    if isinstance(error, InputError):
        return str(error)
    if isinstance(error, Died):
        return str(InputError(path, str(error), "use fewer jobs, or leave it out"))
    return str(InputError(path, f"could not be converted ({type(error).__name__}: {error})", "please report this"))


# --- small decisions ------------------------------------------------------------------------------------------------

@dataclass(frozen=True)
class _Picture:
    """One picture area while the roll is decided."""

    path: str
    name: str
    number: int
    index: int
    count: int
    seen: Survey
    base: FilmBase | None
    group: int
    recipe: Recipe


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


def _share(recipe: Recipe) -> float:
    return {"frame": 0.0, "roll": 1.0}.get(recipe.balance, recipe.balance)


def _films(pictures: Sequence[_Picture], given: Film | None) -> list[tuple[Film, str]]:
    """The film of each picture; where it is told by the pictures, those of one base vote."""
    each = []
    for p in pictures:
        base = p.base if p.base is not None else FilmBase((1.0, 1.0, 1.0))
        each.append(choose_film(given, base, p.seen.evidence[0], p.recipe))
    out = list(each)
    for group in {p.group for p in pictures}:
        members = [i for i, p in enumerate(pictures) if p.group == group and p.recipe.film == "auto" and given is None]
        votes: dict[Film, list[int]] = {}
        for i in members:
            votes.setdefault(each[i][0], []).append(i)
        if len(votes) > 1:
            film, voters = max(votes.items(), key=lambda item: (len(item[1]), item[0].kind == "colour"))
            for i in members:
                out[i] = (film, f"{len(voters)} of {len(members)} frames with this base: {each[voters[0]][1]}")
    return out


def usual_frame(seen: Sequence[Survey]) -> tuple[Frame, tuple[int, int]] | None:
    """Where frames lie in the captures of a roll, and the size of those; None where they do not agree.

    Captures of one holder show their frame within a few hundredths of the same place; three at least must.
    """
    good = [s for s in seen if len(s.frames) == 1 and s.frames[0].trusted]
    if len(good) < 3:
        return None
    shapes = [s.shape for s in good]
    shape = max(set(shapes), key=shapes.count)
    corners = np.array([s.frames[0].corners for s in good if s.shape == shape])
    middle = np.median(corners, axis=0)
    if np.median(np.abs(corners - middle).max(axis=(1, 2))) > 0.03 * max(shape):
        return None
    edge = middle[1] - middle[0]
    angle = float(np.degrees(np.arctan2(edge[1], edge[0])))
    return Frame(tuple((float(x), float(y)) for x, y in middle), angle, USUAL, ("where the roll's other frames lie",),
                 good[0].frames[0].format), shape


def _leaders(seen: Sequence[Survey]) -> tuple[str, ...]:
    """Captures of blank leader: nothing on them but base, and named so or at an end of the roll."""
    found = []
    for i, s in enumerate(seen):
        if len(seen) > 1 and len(s.frames) == 1 and (hinted(s.path, LEADER_WORDS) or i in (0, len(seen) - 1)) and _at_base(s):
            found.append(s.path)
    return tuple(found) if len(found) < len(seen) else ()


def _at_base(seen: Survey) -> bool:
    if seen.base is None:
        return False
    density = -np.log10(np.maximum(seen.evidence[0], 1e-6) / np.array(seen.base.rgb)).mean(axis=1)
    low, high = np.percentile(density, [2, 98])
    return bool(high - low < AT_BASE and abs(low + high) / 2 < AT_BASE)


def _part_name(name: str, index: int, taken: set[str]) -> str:
    """``name-2`` for the second frame of a capture, with more dashes where another capture has that name."""
    dash = "-"
    while f"{name}{dash}{index}".casefold() in taken:
        dash += "-"
    return f"{name}{dash}{index}"


def _count_warning(recipe: Recipe, frames: Sequence[RollFrame]) -> list[str]:
    """A word where the number of frames is not that of the format (common practice, no source)."""
    names = {f.plan.frame.format for f in frames if f.plan.frame is not None}
    name = recipe.format or (names.pop() if len(names) == 1 else None)
    if not name:
        return []
    counts = format_named(name).frames
    if not counts or len(frames) in counts:
        return []
    return [f"{len(frames)} frame{'s' * (len(frames) != 1)}; a roll of {name} has {' or '.join(map(str, counts))}"]


def summary(results: Sequence[Result]) -> str:
    """One line on a run: how many frames were converted, skipped, and failed."""
    counts = {s: sum(r.status == s for r in results) for s in ("ok", "skipped", "failed")}
    words = {"ok": "converted", "skipped": "there already", "failed": "failed"}
    return ", ".join(f"{counts[s]} {words[s]}" for s in counts if counts[s]) or "nothing to do"

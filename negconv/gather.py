"""The captures of a roll: which files they are, which of them show the bare panel, and what their outputs are called."""
from __future__ import annotations

import os
import re
import unicodedata
from pathlib import Path
from typing import Callable, Sequence

import numpy as np

from .capture import BLACK, block_mean
from .reading import SUFFIXES, read
from .errors import InputError
from .exif import SOFTWARE
from .files import is_temporary
from .flat import PanelField, exposure_value, panel_field
from .values import frozen

#: Words of a file's name that say what it may show; a hint only, its content decides.
PANEL_WORDS = ("panel", "flat", "bare")
#: What is said of a capture whose name alone says panel.
MISNAMED = ("named as the panel frame, but there is more in it than even light: taken for a picture (photograph the bare "
            "panel with nothing in front of it)")
LEADER_WORDS = ("leader", "base", "rebate", "clear")
#: Long side of the grid on which evenness is judged, and how far its cells may lie off a smooth surface: log10 of
#: light, robust spread and the share of cells beyond 0.05.
GRID, EVEN, STRAY = 96, 0.012, 0.01
#: log10 of the light below which an even capture is likelier film that was fogged, or no light at all, than the panel.
DIM = -1.7
#: Even captures this near to the brightest (log10) are further frames of the panel.
ALIKE = 0.02


def find_captures(sources) -> tuple[str, ...]:
    """Files to convert: those named, and the pictures in folders named, in natural order (frame2 before frame10).

    Parameters
    ----------
    sources : path-like, or sequence of path-like
        Hidden files, negconv's own outputs and second names of the same file are left out of folders; subfolders are
        not entered.

    Raises
    ------
    InputError
        A folder without captures.
    """
    if isinstance(sources, (str, os.PathLike)):
        sources = [sources]
    found: list[str] = []
    for source in map(os.fspath, sources):
        if not os.path.isdir(source):
            found.append(source)
            continue
        try:
            names = sorted(os.listdir(source), key=natural)
        except OSError as error:
            raise InputError(source, f"cannot be listed ({(error.strerror or str(error)).lower()})", "check its permissions") from error
        inside = [os.path.join(source, n) for n in names if Path(n).suffix.lower() in SUFFIXES and not n.startswith(".")
                  and not is_temporary(n)]
        inside = [p for p in inside if not os.path.isdir(p) and not is_output(p)]
        if not inside:
            raise InputError(source, "holds no captures", "name the folder with the raw, TIFF, PNG or JPEG files")
        found += inside
    if not found:
        raise InputError(None, "no captures were named", "name files, or folders of them")
    # A link and what it points to are one capture; the file's own name stays.
    real = {os.path.realpath(p): p for p in found if os.path.islink(p)}
    real.update({os.path.realpath(p): p for p in reversed(found) if not os.path.islink(p)})
    chosen = set(real.values())
    return tuple(dict.fromkeys(p for p in found if p in chosen))


def natural(name: str):
    """Sorting key: runs of digits by their value, letters without case."""
    return [(1, int(part), part) if part.isdecimal() else (0, 0, part.casefold())
            for part in re.split(r"([0-9]+)", name)], name


def is_output(path) -> bool:
    """True for a picture negconv wrote: its Software field says so."""
    if os.path.splitext(path)[1].lower() not in (".tif", ".tiff", ".png", ".jpg", ".jpeg") or not os.path.isfile(path):
        return False
    try:
        with open(path, "rb") as file:
            return SOFTWARE.partition(" ")[0].encode() + b" " in file.read(1 << 15)
    except OSError:
        return False


def labels(paths: Sequence[str]) -> tuple[str, ...]:
    """A name without ending for the output of each capture, no two alike even where case does not count.

    Captures whose stems are alike are told apart by their ending (``x-dng``, ``x-tif``), else by their folder
    (``a-x``, ``b-x``), else by both, else by a number.
    """
    def alike(text: str) -> str:
        return unicodedata.normalize("NFC", text).casefold()

    stems = [Path(p).stem for p in paths]
    groups: dict[str, list[int]] = {}
    for i, stem in enumerate(stems):
        groups.setdefault(alike(stem), []).append(i)
    out = list(stems)
    for members in groups.values():
        if len(members) == 1:
            continue
        endings = [Path(paths[i]).suffix[1:].lower() for i in members]
        folders = [Path(os.path.abspath(paths[i])).parent.name for i in members]
        choices = ([f"{stems[i]}-{end}" for i, end in zip(members, endings)],
                   [f"{folder}-{stems[i]}" for i, folder in zip(members, folders)],
                   [f"{folder}-{stems[i]}-{end}" for i, folder, end in zip(members, folders, endings)])
        chosen = next((c for c in choices if len(set(map(alike, c))) == len(c)), [stems[i] for i in members])
        for i, name in zip(members, chosen):
            out[i] = name
    taken: set[str] = set()
    for i, name in enumerate(out):
        free, k = name, 2
        while alike(free) in taken:
            free, k = f"{name}-{k}", k + 1
        out[i] = free
        taken.add(alike(free))
    return tuple(out)


@frozen
class Glance:
    """What a quick look at a capture shows.

    Attributes
    ----------
    even : bool
        Nothing in it but smooth light.
    bright : bool
        Enough light to be the panel's, whatever the file is called.
    level : float
        log10 of its median light, at unit exposure where the file says how it was exposed.
    timed : bool
        Whether it does.
    """

    path: str
    even: bool
    bright: bool
    level: float
    timed: bool


def glance(path: str, linearity: str = "auto") -> Glance | None:
    """A quick look at a capture; None for a file that cannot be read."""
    try:
        capture = read(path, linearity=linearity, reduced=True)
    except InputError:
        return None
    k = max(1, -(-max(capture.shape) // GRID))
    grid = block_mean(capture.samples, k, 1 / capture.white) if min(capture.shape) >= k else capture.data
    log = np.log10(np.maximum(grid.mean(axis=2), 1e-5))
    exposure = exposure_value(capture)
    level = float(np.median(log))
    even = level > np.log10(BLACK) and min(grid.shape[:2]) >= 4 and _even(log)
    return Glance(path, even, level > DIM, level - (np.log10(exposure) if exposure else 0.0), bool(exposure))


def _even(log: np.ndarray) -> bool:
    y, x = (np.linspace(-1, 1, n) for n in log.shape)
    terms = np.polynomial.polynomial.polyvander2d(*np.meshgrid(y, x, indexing="ij"), [4, 4]).reshape(log.size, -1)
    terms = terms[:, [5 * i + j for i in range(5) for j in range(5 - i)]]
    values, weight = log.ravel(), np.ones(log.size)
    for _ in range(3):
        fit = np.linalg.lstsq(terms * weight[:, None], values * weight, rcond=None)[0]
        rest = values - terms @ fit
        weight = 1 / (1 + (rest / 0.02) ** 2)
    spread = 1.4826 * float(np.median(np.abs(rest)))
    return spread < EVEN and float((np.abs(rest) > 0.05).mean()) < STRAY


def choose_panels(glances: Sequence[Glance | None]) -> tuple[str, ...]:
    """The bare panel among captures: even all over, brighter than any other even one at the same exposure.

    Blank leader that fills the view is even too, and darker than the panel by its base; alone, its name must say so,
    for divided by it a roll comes out no worse than divided by the panel. A dark one is the panel where its name says so:
    that it cannot be used is then said of it (`negconv.panel_field`).
    """
    even = [g for g in glances if g is not None and g.even and (g.bright or hinted(g.path, PANEL_WORDS))]
    if not even:
        return ()
    if len({g.timed for g in even}) > 1:
        even = [g for g in even if hinted(g.path, PANEL_WORDS)]
    named = [g for g in even if hinted(g.path, PANEL_WORDS)]
    rest = [g for g in even if not hinted(g.path, LEADER_WORDS)]
    pool = named or rest
    if not pool:
        return ()
    top = max(g.level for g in pool)
    return tuple(g.path for g in pool if top - g.level < ALIKE)


def find_panels(captures: Sequence[str], *, linearity: str = "auto",
                look: Callable[[Sequence[str]], Sequence[Glance | None]] | None = None) -> tuple[str, ...]:
    """The captures of the bare panel among those of a roll: by name where one bears it and is even, else by content.

    Parameters
    ----------
    captures : sequence of path
    look : callable, optional
        `glance` at many captures; by default one after another.
    """
    def glances(paths: Sequence[str]) -> Sequence[Glance | None]:
        return [glance(p, linearity) for p in paths]

    found = choose_panels(glances([p for p in captures if hinted(p, PANEL_WORDS)]))
    if not found and len(captures) > 1:
        found = choose_panels((look or glances)(captures))
    return found if len(found) < len(captures) else ()


def usable_panels(captures: Sequence[str], *, field: Callable[[tuple[str, ...]], object] | None = None,
                  **options) -> tuple[tuple[str, ...], tuple[InputError, ...]]:
    """The bare panels `find_panels` finds that can be used together, and what is wrong with others it found on the way.

    Parameters
    ----------
    field : callable, optional
        What makes the field of some of them and refuses what cannot be used; by default `negconv.panel_field`.
    **options
        Of `find_panels`.
    """
    field = field or panel_field
    wrong: list[InputError] = []
    while True:
        # One that cannot be used hides others: a saturated one is the brightest of all.
        refused = {error.path for error in wrong}
        found = find_panels([p for p in captures if p not in refused], **options)
        if not found:
            return (), tuple(wrong)
        try:
            field(found)
            return found, tuple(wrong)
        except InputError:
            fields, more = [], []
            for path in found:
                try:
                    fields.append(panel_field(path))
                except InputError as error:
                    more.append(error)
            more = more or _of_other_size(fields)
            if not more:
                raise
            wrong += more


def misnamed(captures: Sequence[str], panels: Sequence[str]) -> tuple[str, ...]:
    """Captures of a roll without a panel frame that are named as one, but are none by what they show."""
    named = tuple(p for p in captures if hinted(p, PANEL_WORDS))
    return () if panels or len(named) == len(captures) else named


def _of_other_size(fields: Sequence[PanelField]) -> list[InputError]:
    """What is wrong with those panel frames that are not of the commonest size, the larger where two are as common."""
    sizes = [f.size for f in fields]
    usual = max(sizes, key=lambda size: (sizes.count(size), size))
    return [InputError(f.source, "differs in size from the other panel frames", "use frames of one camera and crop")
            for f in fields if f.size != usual]


def hinted(path: str, words: Sequence[str]) -> bool:
    """True when a file's name holds one of some words, not as part of a longer one."""
    stem = re.sub(r"[\W_]+", " ", Path(path).stem.lower())
    return any(re.search(rf"(?<![a-z]){re.escape(word)}(?![a-z])", stem) for word in words)

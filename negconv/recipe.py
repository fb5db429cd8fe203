"""`Recipe`: every setting of every stage, typed, checked, as text and back.

A recipe and a capture decide every byte of the output. Recipes stack: defaults, then the roll's recipe (or several, the
later over the earlier), then the table of the frame being converted; a setting not named keeps what lies below.
"""
from __future__ import annotations

import os
import re
from dataclasses import field, replace
from pathlib import Path
from typing import Any

from .errors import InputError
from .finish.masks import Painted
from .finish.moves import Moves
from .frame import FORMATS, format_named
from .settings import (Choice, Either, FilePath, Group, Kind, Listing, Number, Numbers, SettingError, Settings, Text, Truth,
                       Unset, described, setting, settings_of, unknown_key)
from .textfile import parse, read_text
from .tone import ToneCurve
from .values import frozen

#: Short sides cut off inside the edges of a frame that was found: an edge is soft and found to a pixel or two, and what
#: is left of it is a coloured line in the picture and a row of spots.
FOUND_INSET = 0.003
#: A recipe larger than this is no recipe.
MAX_BYTES = 1_000_000

_RECT = Numbers("x, y, w, h", 0, 1_000_000, "capture pixels", sized=True)
_FILE = FilePath("the name of a file")


@described
@frozen(kw_only=True)
class Spotting(Settings):
    """How spots are found, and what the retoucher decided about them."""

    sensitivity: float = setting(0.5, Number(0, 1), "How faint a spot is still found: 0 only the plainest, 1 everything.")
    accept: tuple[int, ...] = setting((), Listing(Number(1, 10_000_000, whole=True)),
                                      "Row numbers of the spot list to repair even if doubtful.", "[3, 17]")
    refuse: tuple[int, ...] = setting((), Listing(Number(1, 10_000_000, whole=True)),
                                      "Row numbers of the spot list to leave alone.", "[4]")
    mask: str | None = setting(None, Unset("none", _FILE), "A mask of your own, added to what was found.")


@frozen
class _Ratio(Kind):
    allowed: str = 'an aspect such as "3:2" or 1.5, from 1:20 to 20:1'

    def read(self, value):
        if isinstance(value, str):
            match = re.fullmatch(r"\s*(\d+(?:\.\d+)?)\s*[:x/]\s*(\d+(?:\.\d+)?)\s*", value)
            if not match:
                raise ValueError
            value = float(match[1]) / float(match[2]) if float(match[2]) else 0.0
        return Number(0.05, 20).read(value)


@frozen
class _Format(Text):
    allowed: str = f"a film format: {', '.join(FORMATS)}"

    def read(self, value):
        format_named(super().read(value))
        return value


@frozen
class _Frames(Kind):
    """Tables of settings by frame; kept as ``((name, ((dotted key, value), ...)), ...)``."""

    allowed: str = "tables of settings, named by file name, stem or number of the frame"

    def read(self, value):
        tables: dict[str, dict] = {}
        for name, settings in value.items() if isinstance(value, dict) else value:
            try:
                tables.setdefault(str(name), {}).update(_leaves(Recipe, dict(settings)))
            except SettingError as error:
                raise error.under(str(name)) from None
        return tuple((name, tuple(sorted(leaves.items()))) for name, leaves in tables.items())

    def plain(self, value):
        out: dict[str, dict] = {}
        for name, leaves in value:
            table = out.setdefault(name, {})
            for key, leaf in leaves:
                inner, cls = table, Recipe
                *groups, last = key.split(".")
                for group in groups:
                    inner = inner.setdefault(group, {})
                    cls = _kind(cls, group).of
                inner[last] = _kind(cls, last).plain(leaf)
        return out


@described
@frozen(kw_only=True)
class Recipe(Settings):
    """Every setting of a conversion.

    Examples
    --------
    >>> recipe = Recipe(film="mono", frames={"3": {"exposure": 0.5, "tone.contrast": 1.4}})
    >>> recipe.for_frame("frame03.dng", 3).exposure
    0.5
    >>> Recipe.from_toml(recipe.to_toml()) == recipe
    True
    """

    film: str = setting("auto", Either((Choice(("auto", "colour", "mono")), FilePath("the name of a film file (.toml)",
                                                                                     r"[^\x00-\x1f\x7f]+\.toml"))),
                        "The film: found by itself, a generic one, or one you calibrated.")
    format: str | None = setting(None, Unset("auto", _Format()),
                                 "The film format, which gives aspect and scale.")
    linearity: str = setting("auto", Choice(("auto", "linear", "srgb")),
                             "What the capture's numbers mean; auto: raw and float are linear, JPEG and 8 bits are sRGB.")
    panel: str | None = setting(None, Unset("none", _FILE), "A capture of the bare panel.")
    base: Any = setting(None, Unset("auto", Either((
        _RECT, Numbers("red, green, blue", 1e-5, 1.5, "transmittance"), _FILE))),
        "The film base: from the rebate, a rectangle of it, its transmittance, or a capture of blank leader.")

    balance: Any = setting("frame", Either((Choice(("frame", "roll")), Number(0, 1))),
                           "frame: each frame to the same anchor; roll: the roll keeps its exposures; or a mix, 0 frame to 1 roll.")
    exposure: float = setting(0.0, Number(-10, 10, "stops"), "Light added to the picture.")
    neutral: Any = setting("auto", Either((Choice(("auto", "none")), _RECT,
                                           Numbers("red, green, blue", 1e-4, 100, "linear light"))),
                           "What prints grey: found by itself, nothing, a rectangle, or a colour of the picture as it came out.")
    black_clip: float = setting(0.001, Number(0, 0.1, "of the picture"), "Share of the picture that may print black.")
    white_clip: float = setting(0.001, Number(0, 0.1, "of the picture"), "Share of the picture that may print over white.")

    turn: int = setting(0, Choice((0, 90, 180, 270)), "Degrees clockwise, after mirroring.")
    mirror: bool = setting(False, Truth(), "Left and right exchanged, for a negative captured from its other side.")
    angle: float | None = setting(None, Unset("frame", Number(-45, 45, "degrees")),
                                  "Direction of the picture's top edge in the capture, clockwise from level; frame: as found.")
    level: Any = setting(0.0, Either((Choice(("horizon",)), Number(-30, 30, "degrees"))),
                         "A further turn of the picture, clockwise; horizon: what the horizon found by itself asks for.")
    crop: tuple[float, float, float, float] | None = setting(
        None, Unset("none", Numbers("x, y, w, h", 0, 1, "of the straightened picture", sized=True)),
        "The part to keep, as you see it: after turning, mirroring and straightening.")
    aspect: float | None = setting(None, Unset("none", _Ratio()), "Width to height of the part to keep, as large as it fits.")
    inset: float | None = setting(None, Unset("auto", Number(0, 0.4, "of the short side")),
                                  "Cut off inside each edge of the frame; auto: 0.003 where the frame was found by itself.")
    rebate: float = setting(0.0, Number(0, 1, "of the short side"), "Rebate kept around the frame as a border.")

    spots: str = setting("off", Choice(("off", "mark", "repair")), "Dust and scratches: leave, find, or find and repair.")
    spotting: Spotting = setting(Spotting(), Group(Spotting), "How spots are found.")
    tone: ToneCurve = setting(ToneCurve(), Group(ToneCurve), "The tone curve.")
    moves: Moves = setting(Moves(), Group(Moves), "Darkroom moves on the positive.")

    space: str = setting("srgb", Choice(("srgb", "display-p3", "rec2020", "romm", "linear")), "Colour space of the output.")
    output: str = setting("tiff", Choice(("tiff", "png", "jpeg")), "File type of the output.")
    bits: int = setting(16, Choice((8, 16)), "Bits a channel; JPEG has 8 always.")
    quality: int = setting(95, Number(1, 100, whole=True), "JPEG quality.")

    frames: tuple = setting((), _Frames(), "Settings of single frames, over those above.")

    #: Where the recipe was read; names of files in it are relative to this. No part of what the recipe says.
    folder: str = field(default="", compare=False, repr=False)

    def __post_init__(self) -> None:
        super().__post_init__()
        # A table's settings are checked together with what they are laid over.
        for name, leaves in self.frames:
            try:
                replace(self, frames=()).changed(dict(leaves))
            except SettingError as error:
                raise error.under(name).under("frames") from None

    # ---- from and to text --------------------------------------------------------------------------------------------

    @classmethod
    def load(cls, *paths, folders: tuple = ()) -> Recipe:
        """Read one or several recipe files, the later over the earlier.

        Parameters
        ----------
        *paths : str or path-like
        folders : tuple of path-like
            Folders besides the recipe's own in which files named by it may lie.

        Raises
        ------
        InputError
            One line with file, line, key, what is allowed and the nearest right key; also for a name that leaves the
            folders.
        """
        recipe = cls()
        for path in paths:
            path = Path(path)
            text = read_text(path, most=MAX_BYTES, remedy="write one with: negconv recipe > recipe.toml")
            folder = os.path.abspath(path.parent)
            recipe = replace(recipe._over(text, path), folder=folder)
            recipe.check_files(folder, *folders, source=path)
        return recipe

    @classmethod
    def from_toml(cls, text: str, *, name: str = "recipe") -> Recipe:
        """A recipe from TOML text; `name` stands for the file in errors."""
        return cls()._over(text, name)

    def _over(self, text: str, name) -> Recipe:
        try:
            values = parse(text)
        except ValueError as error:
            raise InputError(name, f"is not TOML: {error}", "see: negconv recipe") from None
        try:
            frames = values.pop("frames", None)
            changed = self.changed(values)
            if frames is not None:
                if not isinstance(frames, dict) or not all(isinstance(v, dict) for v in frames.values()):
                    raise SettingError("frames", f"must be {_Frames().allowed}")
                changed = changed.changed({"frames": [*self.frames, *frames.items()]})
            return changed
        except SettingError as error:
            line = line_of(text, error.key)
            remedy = f"did you mean {error.near}?" if error.near else "see: negconv recipe"
            raise InputError(name, f"line {line}: {error.key} {error.fault}", remedy) from None

    def to_toml(self, *, brief: bool = False) -> str:
        """Commented TOML with every setting, its unit and limits; or only what differs from the defaults, a line each."""
        return "\n".join(_brief(self) if brief else _toml(self)) + "\n"

    def __repr__(self) -> str:
        """What differs from the defaults."""
        said = [f"{key}={value!r}" for key, _, value in _differing(self)]
        return f"Recipe({', '.join(said + ([f'frames={dict(self.frames)!r}'] if self.frames else []))})"

    # ---- one frame ---------------------------------------------------------------------------------------------------

    def for_frame(self, name: str = "", number: int | None = None) -> Recipe:
        """The recipe of one frame, its tables folded in.

        Parameters
        ----------
        name : str or path-like
            The capture's file; its folder does not count.
        number : int or None
            The frame's number on the roll, from 1.

        Returns
        -------
        Recipe
            With no `frames`. A table named by number comes first, one by stem over it, one by file name over both;
            within one kind the later over the earlier. A list in a table (burns, accepted spots) replaces the roll's.
        """
        file = Path(os.fspath(name)).name
        keys = [str(number)] if number is not None else []
        keys += [k for k in (Path(file).stem, file) if k and k not in keys]
        out = replace(self, frames=())
        for key in keys:
            for table, leaves in self.frames:
                if table == key or (key == str(number) and table.isdigit() and int(table) == number):
                    out = out.changed(dict(leaves))
        return out

    def geometry(self, level: float | None = None, *, found: bool = False) -> dict:
        """Keyword arguments for `negconv.finish.geometry.picture_cut`.

        Parameters
        ----------
        level : float, optional
            Replaces the recipe's own, as it must when that is ``"horizon"`` and one was found.
        found : bool
            True where the frame was found by itself: then an inset that is not stated is `FOUND_INSET`.
        """
        own = 0.0 if self.level == "horizon" else self.level
        inset = self.inset if self.inset is not None else FOUND_INSET if found and not self.rebate else 0.0
        return {"turn": self.turn, "mirror": self.mirror, "angle": self.angle, "level": own if level is None else level,
                "crop": self.crop, "aspect": self.aspect, "inset": inset, "rebate": self.rebate}

    # ---- files it names ----------------------------------------------------------------------------------------------

    def files(self) -> list[tuple[str, str]]:
        """Dotted key and name of every file the recipe names, those of single frames included."""
        found = []

        def look(key: str, kind: Kind, value) -> None:
            if isinstance(value, Settings):
                if isinstance(value, Painted):
                    found.append((f"{key}.file", value.file))
                else:
                    for f in settings_of(type(value)):
                        look(f"{key}.{f.name}" if key else f.name, f.metadata["kind"], getattr(value, f.name))
            elif isinstance(value, tuple) and isinstance(kind, Listing):
                for i, item in enumerate(value, 1):
                    look(f"{key}[{i}]", kind.each, item)
            elif isinstance(value, str) and _names_file(kind, value):
                found.append((key, value))

        look("", Group(Recipe), replace(self, frames=()))
        for name, leaves in self.frames:
            for key, value in leaves:
                cls = Recipe
                for part in key.split(".")[:-1]:
                    cls = _kind(cls, part).of
                look(f"frames.{name}.{key}", _kind(cls, key.rpartition(".")[2]), value)
        return found

    def file(self, name: str) -> Path:
        """The path of a file named in the recipe."""
        return Path(self.folder) / name

    def check_files(self, *folders, source="recipe") -> None:
        """Refuse a recipe that names a file outside some folders.

        Parameters
        ----------
        *folders : path-like
            Links are followed before the comparison, in these and in the names.
        source : path-like
            What the error is about.

        Raises
        ------
        InputError
        """
        roots = [os.path.realpath(f) for f in folders]
        for key, name in self.files():
            real = os.path.realpath(self.file(name))
            if not any(real == root or real.startswith(root.rstrip(os.sep) + os.sep) for root in roots):
                raise InputError(source, f"{key} = {name!r} lies outside {' and '.join(map(str, folders))}",
                                 "put that file beside the recipe")


def _names_file(kind: Kind, value: str) -> bool:
    """True when the value of a kind is a file's name rather than one of its words."""
    if isinstance(kind, Unset):
        return _names_file(kind.kind, value)
    if isinstance(kind, Either):
        for k in kind.kinds:
            try:
                k.read(value)
            except ValueError:
                continue
            return isinstance(k, FilePath)
    return isinstance(kind, FilePath)


def _kind(cls, name: str) -> Kind:
    for f in settings_of(cls):
        if f.name == name:
            return f.metadata["kind"]
    raise unknown_key(cls, name)


def _leaves(cls, values: dict):
    """Dotted keys and checked values of a nested or dotted table."""
    for key, value in values.items():
        head, _, rest = str(key).partition(".")
        kind = _kind(cls, head)
        if head == "frames":
            raise SettingError("frames", "has no place inside a frame's table")
        if isinstance(kind, Group) and (rest or isinstance(value, dict)):
            try:
                for inner, leaf in _leaves(kind.of, {rest: value} if rest else value):
                    yield f"{head}.{inner}", leaf
            except SettingError as error:
                raise error.under(head) from None
        elif rest:
            raise SettingError(head, f"is not a table, so {key} means nothing")
        elif isinstance(kind, Group):
            for f in settings_of(kind.of):
                leaves = kind.read(value)
                yield f"{head}.{f.name}", getattr(leaves, f.name)
        else:
            try:
                yield head, kind.read(value)
            except SettingError as error:
                raise error.under(head) from None
            except (ValueError, TypeError, OverflowError):
                raise SettingError(head, f"= {value!r}: must be {kind.allowed}") from None


# ---- TOML -----------------------------------------------------------------------------------------------------------

_HEAD = """\
# A negconv recipe. Every setting stands here with its default, so only what you change needs to stay.
# Recipes stack: the defaults, then this file, then the table of a frame (at the end). Points and rectangles in
# fractions of the picture mean the same at every size; names of files are relative to this file's folder."""

_FRAMES = """\
# Settings of single frames, by file name, by its stem, or by number on the roll (from 1). Any setting above may stand
# here, for that frame alone; by number comes first, by stem over it, by file name over both.
# [frames."frame03"]
# turn = 180
# exposure = 0.5
# crop = [0.05, 0.0, 0.9, 1.0]
# moves.edge_burn.stops = 0.3"""


def _toml(recipe: Recipe) -> list[str]:
    lines = [_HEAD]
    _toml_group(recipe, "", lines)
    return [*lines, "", _FRAMES, *_toml_frames(recipe)]


def _brief(recipe: Recipe) -> list[str]:
    return [f"{key} = {_toml_value(kind.plain(value))}" for key, kind, value in _differing(recipe)] + _toml_frames(recipe)


def _toml_frames(recipe: Recipe) -> list[str]:
    lines = []
    for name, leaves in recipe.frames:
        lines += ["", f"[frames.{_toml_value(name)}]"]
        lines += [f"{key} = {_toml_value(_plain_leaf(key, value))}" for key, value in leaves]
    return lines


def _differing(group: Settings, at: str = ""):
    """Dotted key, kind and value of every setting that differs from its default, frames aside."""
    default = type(group)()
    for f in settings_of(type(group)):
        value, kind = getattr(group, f.name), f.metadata["kind"]
        if f.name == "frames" or value == getattr(default, f.name):
            continue
        if isinstance(kind, Group):
            yield from _differing(value, f"{at}{f.name}.")
        else:
            yield f"{at}{f.name}", kind, value


def _plain_leaf(key: str, value):
    cls = Recipe
    *groups, last = key.split(".")
    for group in groups:
        cls = _kind(cls, group).of
    return _kind(cls, last).plain(value)


def _toml_group(group: Settings, at: str, lines: list[str]) -> None:
    fields_ = [f for f in settings_of(type(group)) if f.name != "frames"]
    later = [f for f in fields_ if isinstance(f.metadata["kind"], Group) or _tables(f.metadata["kind"])]
    for f in fields_:
        if f not in later:
            kind, value = f.metadata["kind"], getattr(group, f.name)
            lines += ["", f"# {f.metadata['text']}", f"#   {kind.allowed}"]
            if f.metadata["example"] and not value:
                lines.append(f"#   as in: {f.name} = {f.metadata['example']}")
            lines.append(f"{f.name} = {_toml_value(kind.plain(value))}")
    for f in later:
        kind, value, name = f.metadata["kind"], getattr(group, f.name), f"{at}{f.name}"
        lines += ["", "", f"# {f.metadata['text']}"] if not at else ["", f"# {f.metadata['text']}"]
        if isinstance(kind, Group):
            lines.append(f"[{name}]")
            _toml_group(value, f"{name}.", lines)
        elif not value:
            lines += [f"# {line}" for line in (f"[[{name}]]", *f.metadata["example"].splitlines())]
        for item in value if isinstance(value, tuple) else ():
            lines += [f"[[{name}]]"] + [f"{k} = {_toml_value(v)}" for k, v in item.to_dict().items()]


def _tables(kind: Kind) -> bool:
    return isinstance(kind, Listing) and isinstance(kind.each, Group)


def _toml_value(value) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, (int, float)):
        return repr(value)
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{k} = {_toml_value(v)}" for k, v in value.items()) + " }"
    if isinstance(value, list):
        return "[" + ", ".join(map(_toml_value, value)) + "]"
    import json

    # JSON's escapes are TOML's, but for one character JSON leaves as it is.
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007F")


#: A key of TOML, bare or quoted; it never matches empty, so that no line takes longer than its length.
_KEY = r"(?:\"[^\"]*\"|'[^']*'|[A-Za-z0-9_-]+)"


def line_of(text: str, key: str) -> int:
    """The line (from 1) on which a dotted key stands in TOML text, or the nearest table or key above it."""
    best, line = 0, 1
    table, depth, counts = "", 0, {}
    for number, raw in enumerate(text.splitlines(), 1):
        if depth <= 0:
            header = re.match(r"\s*(\[\[?)(.+?)\]\]?\s*(#.*)?$", raw)
            pair = re.match(rf"\s*({_KEY}(?:\s*\.\s*{_KEY})*)\s*=", raw)
            if header:
                table = _dotted(header[2])
                at = table
                if header[1] == "[[":
                    counts[table] = counts.get(table, 0) + 1
                    at = f"{table}[{counts[table]}]"
                    table = at
            elif pair:
                at = ".".join(filter(None, (table, _dotted(pair[1]))))
            else:
                continue
            bare = re.sub(r"\[\d+\]", "", at)
            for candidate in (at, bare):
                if (key == candidate or key.startswith((candidate + ".", candidate + "["))) and len(candidate) > best:
                    best, line = len(candidate), number
        if not re.match(r"\s*\[", raw) or depth > 0:
            stripped = re.sub(r"\"[^\"]*\"|'[^']*'|#.*", "", raw)
            depth += stripped.count("[") - stripped.count("]")
    return line


def _dotted(key: str) -> str:
    return ".".join(a or b or c for a, b, c in re.findall(r"\"([^\"]*)\"|'([^']*)'|([A-Za-z0-9_-]+)", key))

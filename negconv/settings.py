"""Settings that check and describe themselves: what `ToneCurve`, the darkroom moves and `Recipe` are made of.

A setting is a dataclass field with a kind (what it may hold) and a sentence (what it does). From these come the checks,
the one-line errors, the docstrings and the comments of a printed recipe, so that they cannot disagree.
"""
from __future__ import annotations

import math
import re
import textwrap
from dataclasses import field, fields, replace
from typing import Any

from .values import frozen


class SettingError(ValueError):
    """A setting that cannot be used: its dotted key, what is wrong, and the nearest right key if the key is unknown."""

    def __init__(self, key: str, fault: str, near: str = "") -> None:
        self.key, self.fault, self.near = key, fault, near
        super().__init__(f"{key} {fault}" + (f"; did you mean {near}?" if near else ""))

    def under(self, group: str) -> SettingError:
        """The same error seen from a group above."""
        def below(key: str) -> str:
            return group + key if key.startswith("[") else f"{group}.{key}"

        return SettingError(below(self.key), self.fault, below(self.near) if self.near else "")

    def __reduce__(self):
        return SettingError, (self.key, self.fault, self.near)


class Kind:
    """What a setting may hold.

    `allowed` says so in words, `read` turns a value from Python, TOML or JSON into the value kept (ValueError if it
    may not be), and `plain` is its inverse into numbers, strings, lists and dictionaries.
    """

    allowed = ""

    def read(self, value: Any) -> Any:
        raise NotImplementedError

    def plain(self, value: Any) -> Any:
        return [self.plain(v) for v in value] if isinstance(value, tuple) else value


@frozen
class Number(Kind):
    low: float
    high: float
    unit: str = ""
    whole: bool = False

    @property
    def allowed(self) -> str:
        return f"a {'whole ' if self.whole else ''}number, {_range(self.low, self.high, self.unit)}"

    def read(self, value):
        number = _number(value)
        if number is None or not self.low <= number <= self.high or (self.whole and number != int(number)):
            raise ValueError
        return int(number) if self.whole else number


@frozen
class Choice(Kind):
    choices: tuple

    @property
    def allowed(self) -> str:
        return "one of " + ", ".join(f'"{c}"' if isinstance(c, str) else str(c) for c in self.choices)

    def read(self, value):
        for choice in self.choices:
            if type(value) in (type(choice), float) and value == choice:
                return choice
        raise ValueError


@frozen
class Truth(Kind):
    allowed = "true or false"

    def read(self, value):
        if not isinstance(value, bool):
            raise ValueError
        return value


@frozen
class Numbers(Kind):
    """A fixed count of numbers, such as a point or a rectangle."""

    names: str
    low: float
    high: float
    unit: str = ""
    sized: bool = False

    @property
    def allowed(self) -> str:
        return f"[{self.names}], each {_range(self.low, self.high, self.unit)}"

    def read(self, value):
        values = _sequence(value)
        numbers = tuple(_number(v) for v in values)
        if len(numbers) != self.names.count(",") + 1 or any(n is None or not self.low <= n <= self.high for n in numbers):
            raise ValueError
        if self.sized and min(numbers[2:]) <= 0:
            raise ValueError
        return numbers


@frozen
class Listing(Kind):
    """Any count of one kind."""

    each: Kind
    least: int = 0

    @property
    def allowed(self) -> str:
        return "a list" + (f" of at least {self.least}" if self.least else "") + f", each {self.each.allowed}"

    def read(self, value):
        values = []
        for i, item in enumerate(_sequence(value), 1):
            try:
                values.append(self.each.read(item))
            except SettingError as error:
                raise error.under(f"[{i}]") from None
        if len(values) < self.least:
            raise ValueError
        return tuple(values)

    def plain(self, value):
        return [self.each.plain(v) for v in value]


@frozen
class Text(Kind):
    """Text of a given shape."""

    allowed: str = "text"
    pattern: str = r"[^\x00-\x1f\x7f]+"

    def read(self, value):
        value = str(value) if hasattr(value, "__fspath__") else value
        if not isinstance(value, str) or not re.fullmatch(self.pattern, value):
            raise ValueError
        return value


class FilePath(Text):
    """The name of a file, relative to the recipe's folder; `Recipe.files` lists them."""


@frozen
class Either(Kind):
    """The first of several kinds that takes the value."""

    kinds: tuple[Kind, ...]

    @property
    def allowed(self) -> str:
        return ", or ".join(k.allowed for k in self.kinds)

    def read(self, value):
        for kind in self.kinds:
            try:
                return kind.read(value)
            except ValueError as error:
                if isinstance(error, SettingError):
                    raise
        raise ValueError


@frozen
class Unset(Kind):
    """None, written as a word because TOML has no null; anything else is of the kind given."""

    word: str
    kind: Kind

    @property
    def allowed(self) -> str:
        return f'"{self.word}", or {self.kind.allowed}'

    def read(self, value):
        return None if value is None or value == self.word else self.kind.read(value)

    def plain(self, value):
        return self.word if value is None else self.kind.plain(value)


@frozen
class Group(Kind):
    """A nested group of settings."""

    of: type

    @property
    def allowed(self) -> str:
        return "a table of " + ", ".join(f.name for f in settings_of(self.of))

    def read(self, value):
        if isinstance(value, self.of):
            return value
        if not isinstance(value, dict):
            raise ValueError
        return self.of(**_known(self.of, value))

    def plain(self, value):
        return value.to_dict()


def setting(default: Any, kind: Kind, text: str, example: str = ""):
    """A dataclass field that knows what it may hold and what it does; `example` stands in a printed recipe."""
    return field(default=default, metadata={"kind": kind, "text": text, "example": example})


def settings_of(cls) -> list:
    """The fields of a class that are settings."""
    return [f for f in fields(cls) if "kind" in f.metadata]


class Settings:
    """Base of frozen dataclasses whose fields are settings: checked when made, to plain values and back."""

    def __post_init__(self) -> None:
        for f in settings_of(type(self)):
            object.__setattr__(self, f.name, read_setting(f, getattr(self, f.name)))

    def to_dict(self) -> dict:
        """JSON-able values, one key a setting."""
        return {f.name: f.metadata["kind"].plain(getattr(self, f.name)) for f in settings_of(type(self))}

    @classmethod
    def from_dict(cls, values: dict):
        """The inverse of `to_dict`; settings left out have their defaults, unknown ones are an error."""
        return cls(**_known(cls, values))

    def changed(self, values: dict):
        """The same with other settings: nested dictionaries or dotted keys (``{"tone.contrast": 1.4}``)."""
        here: dict[str, Any] = {}
        below: dict[str, dict] = {}
        kinds = {f.name: f.metadata["kind"] for f in settings_of(type(self))}
        for key, value in values.items():
            head, _, rest = str(key).partition(".")
            if head not in kinds:
                raise unknown_key(type(self), head)
            if isinstance(kinds[head], Group) and (rest or isinstance(value, dict)):
                below.setdefault(head, {}).update({rest: value} if rest else value)
            elif rest:
                raise SettingError(head, f"is not a table, so {key} means nothing")
            else:
                here[head] = value
        for head, inner in below.items():
            try:
                here[head] = getattr(self, head).changed(inner)
            except SettingError as error:
                raise error.under(head) from None
        return replace(self, **here)


def read_setting(f, value):
    """The value of a field, checked; the error names key, value and what is allowed."""
    kind = f.metadata["kind"]
    try:
        return kind.read(value)
    except SettingError as error:
        raise error.under(f.name) from None
    except (ValueError, TypeError, OverflowError):
        raise SettingError(f.name, f"= {_short(value)}: must be {kind.allowed}") from None


def unknown_key(cls, key: str) -> SettingError:
    """The error for a key that is no setting of a class, with the nearest that is."""
    from difflib import get_close_matches

    names = [f.name for f in settings_of(cls)]
    near = get_close_matches(key, names, 1, 0.5)
    if near:
        return SettingError(key, "is not a setting", near[0])
    return SettingError(key, f"is not a setting; there are {', '.join(names)}")


def described(cls):
    """Class decorator: the settings with their kinds and defaults as a numpydoc section of the docstring."""
    lines = []
    for f in settings_of(cls):
        kind = f.metadata["kind"]
        default = kind.plain(f.default)
        shown = f"default {default!r}" if not isinstance(default, dict) and default != [] else ""
        lines.append(f"{f.name} : {', '.join(filter(None, (kind.allowed, shown)))}")
        lines += textwrap.wrap(f.metadata["text"], 116, initial_indent="    ", subsequent_indent="    ")
    head, _, tail = (cls.__doc__ or "").rstrip().partition("\n    Examples")
    body = "Parameters\n----------\n" + "\n".join(lines)
    cls.__doc__ = head.rstrip() + "\n\n" + textwrap.indent(body, "    ") + "\n" + (f"\n    Examples{tail}\n" if tail else "")
    return cls


def _range(low: float, high: float, unit: str) -> str:
    return f"{low:.10g} to {high:.10g}" + (f" {unit}" if unit else "")


def _known(cls, values: dict) -> dict:
    names = {f.name for f in settings_of(cls)}
    for key in values:
        if key not in names:
            raise unknown_key(cls, str(key))
    return dict(values)


def _number(value) -> float | None:
    if isinstance(value, bool) or isinstance(value, str) or value is None:
        return None
    try:
        number = float(value)
    except (TypeError, ValueError, OverflowError):
        return None
    return number if math.isfinite(number) else None


def _sequence(value):
    if isinstance(value, (str, bytes, dict)) or not hasattr(value, "__iter__"):
        raise ValueError
    return value


def _short(value) -> str:
    said = repr(value)
    return said if len(said) <= 60 else said[:57] + "..."

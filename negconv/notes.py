"""Notes of a roll: ``roll.toml`` beside the captures, what the photographer wrote on the sleeve."""
from __future__ import annotations

import datetime
import os
import re
from pathlib import Path

from .capture import Meta
from .errors import InputError
from .exif import Metadata
from .recipe import line_of
from .settings import Kind, Number, SettingError, Settings, Text, Unset, described, setting
from .textfile import parse, read_text
from .values import frozen

NAME = "roll.toml"
MAX_BYTES = 200_000

_LINE = Unset("", Text("one line of text", r"[^\x00-\x1f\x7f]{0,500}"))
_LINES = Unset("", Text("text", r"[^\x00-\x08\x0b\x0c\x0e-\x1f\x7f]{0,5000}"))


@frozen
class _Date(Kind):
    """A date as TOML or ISO 8601 has it, kept as text; years and months alone will do."""

    allowed: str = "a date such as 2026-03-14 or \"2026-03\""

    def read(self, value):
        if isinstance(value, (datetime.datetime, datetime.date)):
            return value.isoformat()
        match = re.fullmatch(r"(\d{4})(?:-(\d\d)(?:-(\d\d)(?:[T ](\d\d:\d\d(?::\d\d)?))?)?)?", value) \
            if isinstance(value, str) else None
        if not match:
            raise ValueError
        datetime.date(int(match[1]), int(match[2] or 1), int(match[3] or 1))
        if match[4]:
            datetime.time.fromisoformat(match[4])
        return value.replace(" ", "T")


@frozen
class _Dates(Kind):
    allowed: str = "a date such as 2026-03-14 or \"2026-03\", or a list of the first and the last"

    def read(self, value):
        dates = value if isinstance(value, (list, tuple)) else () if value in ("", None) else (value,)
        if len(dates) > 2:
            raise ValueError
        dates = tuple(_Date().read(d) for d in dates)
        if len(dates) == 2 and dates[1] < dates[0]:
            raise ValueError
        return dates


@frozen
class _Speed(Kind):
    allowed: str = "an exposure index, 0.1 to 100000"

    def read(self, value):
        return Number(0.1, 100000).read(value)


@described
@frozen(kw_only=True)
class Notes(Settings):
    """What is known about a roll besides its captures; everything may be left out.

    Examples
    --------
    >>> notes = Notes.from_toml('film = "Glasshouse P 100"\\nminutes = 8.5\\ndates = 2026-03-14')
    >>> notes.minutes, notes.dates
    (8.5, ('2026-03-14',))
    """

    title: str | None = setting(None, _LINE, "What the roll is of.")
    photographer: str | None = setting(None, _LINE, "Who took it.")
    rights: str | None = setting(None, _LINE, "Who may use it.")
    film: str | None = setting(None, _LINE, "The film's name.")
    speed: float | None = setting(None, Unset("", _Speed()), "The exposure index it was exposed at.")
    format: str | None = setting(None, _LINE, "The film format.")
    camera: str | None = setting(None, _LINE, "The camera that exposed the film.")
    lens: str | None = setting(None, _LINE, "Its lens.")
    dates: tuple[str, ...] = setting((), _Dates(), "When the film was exposed.")
    developer: str | None = setting(None, _LINE, "The developer.")
    dilution: str | None = setting(None, _LINE, "Its dilution, such as \"1+31\".")
    minutes: float | None = setting(None, Unset("", Number(0, 10000, "minutes")), "Time of development.")
    degrees: float | None = setting(None, Unset("", Number(-10, 100, "degrees Celsius")), "Temperature of development.")
    remarks: str | None = setting(None, _LINES, "Anything else.")

    @classmethod
    def load(cls, path) -> Notes:
        """Notes from a file, or from ``roll.toml`` in a folder; a folder without has empty notes.

        Raises
        ------
        InputError
            One line with file, line, key and what is allowed.
        """
        path = Path(path)
        if os.path.isdir(path):
            path = path / NAME
            if not os.path.lexists(path):
                return cls()
        return cls.from_toml(read_text(path, most=MAX_BYTES, remedy="notes are a short text file in UTF-8"), name=path)

    @classmethod
    def from_toml(cls, text: str, *, name="roll.toml") -> Notes:
        """Notes from TOML text; `name` stands for the file in errors."""
        try:
            values = parse(text)
        except ValueError as error:
            raise InputError(name, f"is not TOML: {error}", "notes are plain lines of key = value") from None
        try:
            return cls.from_dict(values)
        except SettingError as error:
            remedy = f"did you mean {error.near}?" if error.near else "correct or remove that line"
            raise InputError(name, f"line {line_of(text, error.key)}: {error.key} {error.fault}", remedy) from None

    def to_dict(self) -> dict:
        """JSON-able values of what was noted."""
        return {key: value for key, value in super().to_dict().items() if value not in ("", [], ())}

    @property
    def description(self) -> str:
        """The notes on film, camera and development in one line."""
        exposed = ", ".join(filter(None, (
            self.film, self.speed and f"exposed at {self.speed:g}", self.format, self.camera, self.lens)))
        bath = " ".join(filter(None, (self.developer, self.dilution)))
        time = " ".join(filter(None, (self.minutes is not None and f"{self.minutes:g} min",
                                      self.degrees is not None and f"at {self.degrees:g} °C")))
        developed = ", ".join(filter(None, (bath, time)))
        return "; ".join(filter(None, (exposed, developed and f"developed: {developed}")))

    def metadata(self, meta: Meta, pixel_um: float | None = None) -> Metadata:
        """A picture's fields: the capture's camera where it belongs, and the notes where a standard field exists."""
        description = ". ".join(filter(None, (self.title, self.description)))
        return Metadata.of(meta, pixel_um=pixel_um, taken="/".join(self.dates), title=self.title or "", description=description,
                           remarks=self.remarks or "", artist=self.photographer or "", copyright=self.rights or "")

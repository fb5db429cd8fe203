"""Text files within bounds of size, and TOML into plain values within bounds of time and depth."""
from __future__ import annotations

import os
import stat

from .errors import InputError

#: Characters a line may have: tomllib's time grows with the square of the parts of a dotted key.
LONGEST_LINE = 10_000


def read_text(path, *, most: int, remedy: str) -> str:
    """The text of a file, which must be a file, in UTF-8 and of `most` bytes at the most.

    Raises
    ------
    InputError
    """
    try:
        if not stat.S_ISREG(os.stat(path).st_mode):
            raise InputError(path, "is not a file", remedy)
        with open(path, "rb") as file:
            data = file.read(most + 1)
    except OSError as error:
        raise InputError(path, f"cannot be read ({(error.strerror or str(error)).lower()})", remedy) from None
    if len(data) > most:
        raise InputError(path, f"is over {most:,} bytes", remedy)
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError:
        raise InputError(path, "is not a text file in UTF-8", remedy) from None


def parse(text: str) -> dict:
    """Tables, lists, texts and numbers of a TOML text.

    Raises
    ------
    ValueError
        Of one line, without the file's name.

    Examples
    --------
    >>> parse("exposure = 0.5")
    {'exposure': 0.5}
    """
    try:
        import tomllib
    except ModuleNotFoundError:
        import tomli as tomllib

    for number, line in enumerate(text.split("\n"), 1):
        if len(line) > LONGEST_LINE:
            raise ValueError(f"line {number} is over {LONGEST_LINE:,} characters long")
    try:
        return tomllib.loads(text)
    except RecursionError:
        raise ValueError("it is nested too deeply") from None

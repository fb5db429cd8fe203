"""The one kind of failure a user is meant to read: which file, what is wrong, what to do."""
from __future__ import annotations

import os


#: A fault is said in at most this many characters: a damaged file may hold anything that would be quoted.
LONGEST = 600


class InputError(Exception):
    """An input that cannot be used, said in one line.

    Parameters
    ----------
    path : str or path-like or None
        The file (or a plain word such as ``"array"``) at fault.
    fault : str
        What is wrong with it.
    remedy : str
        What the user can do.

    Examples
    --------
    >>> str(InputError("a.dng", "is empty (0 bytes)", "copy it from the card again"))
    'a.dng: is empty (0 bytes); copy it from the card again'
    """

    def __init__(self, path, fault: str, remedy: str = "") -> None:
        self.path = None if path is None else os.fspath(path)
        self.fault = fault
        self.remedy = remedy
        super().__init__(self.path, fault, remedy)

    def __str__(self) -> str:
        name = "" if self.path is None else f"{one_line(self.path)}: "
        fault = self.fault if len(self.fault) <= LONGEST else self.fault[:LONGEST] + " ..."
        return name + one_line(fault) + (f"; {one_line(self.remedy)}" if self.remedy else "")


def one_line(text: str) -> str:
    """`text` with control characters escaped, so that a hostile file name cannot break a line or a terminal."""
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode("ascii") for c in str(text))

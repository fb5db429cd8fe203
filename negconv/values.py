"""Frozen dataclasses, made in a third of the time.

`dataclasses.dataclass(frozen=True)` writes six methods a class as text and has each compiled: half a millisecond, and a
conversion begins with some ninety classes. Five of the six can be the same functions for all.
"""
from __future__ import annotations

import sys
from dataclasses import MISSING, FrozenInstanceError, dataclass, field, fields

if sys.version_info >= (3, 11):
    from typing import dataclass_transform
else:
    def dataclass_transform(**_):
        return lambda function: function


@dataclass_transform(frozen_default=True, field_specifiers=(field,))
def frozen(cls: type | None = None, *, eq: bool = True, kw_only: bool = False):
    """As ``dataclass(frozen=True, eq=eq, kw_only=kw_only)``.

    Examples
    --------
    >>> @frozen
    ... class Place:
    ...     x: float
    ...     y: float = 0.0
    >>> Place(1.0), Place(1.0) == Place(1.0, 0.0), hash(Place(1.0)) == hash((1.0, 0.0))
    (Place(x=1.0, y=0.0), True, True)
    """
    if cls is None:
        return lambda cls: frozen(cls, eq=eq, kw_only=kw_only)
    cls.__doc__ = cls.__doc__ or cls.__name__  # else `dataclass` takes its time to write a signature there
    dataclass(init=False, repr=False, eq=False, kw_only=kw_only)(cls)
    cls.__compared__ = tuple(f.name for f in fields(cls) if f.compare)
    methods = {"__init__": _init(cls), "__repr__": _repr, "__setattr__": _setattr, "__delattr__": _delattr}
    if eq:
        methods |= {"__eq__": _eq, "__hash__": _hash}
    for name, method in methods.items():
        if name not in vars(cls):
            setattr(cls, name, method)
    return cls


def _init(cls: type):
    """The one method that must be written out, since its parameters are the class's own."""
    names, parameters, lines = {}, ["self"], ["_own = self.__dict__"]
    for f in sorted(fields(cls), key=lambda f: f.kw_only):
        if f.kw_only and "*" not in parameters:
            parameters.append("*")
        value, made = f.name, f.default_factory is not MISSING
        if made:
            value = f"_{f.name}() if {f.name} is _{f.name} else {f.name}"
        if made or f.default is not MISSING:
            names[f"_{f.name}"] = f.default_factory if made else f.default
            parameters.append(f"{f.name}=_{f.name}")
        else:
            parameters.append(f.name)
        lines.append(f"_own[{f.name!r}] = {value}")
    if hasattr(cls, "__post_init__"):
        lines.append("self.__post_init__()")
    exec(f"def __init__({', '.join(parameters)}):\n    " + "\n    ".join(lines), names)
    init = names["__init__"]
    init.__qualname__ = f"{cls.__qualname__}.__init__"
    init.__annotations__ = {f.name: f.type for f in fields(cls)} | {"return": None}
    return init


def _repr(self) -> str:
    said = (f"{f.name}={getattr(self, f.name)!r}" for f in fields(self) if f.repr)
    return f"{type(self).__qualname__}({', '.join(said)})"


def _compared(self) -> tuple:
    return tuple([getattr(self, name) for name in self.__compared__])


def _eq(self, other) -> bool:
    return _compared(self) == _compared(other) if type(other) is type(self) else NotImplemented


def _hash(self) -> int:
    return hash(_compared(self))


def _setattr(self, name: str, value) -> None:
    raise FrozenInstanceError(f"cannot assign to field {name!r}")


def _delattr(self, name: str) -> None:
    raise FrozenInstanceError(f"cannot delete field {name!r}")

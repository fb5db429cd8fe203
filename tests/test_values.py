"""`frozen` against ``dataclasses.dataclass(frozen=True)`` of the same classes."""
from __future__ import annotations

import copy
import inspect
import pickle
from dataclasses import FrozenInstanceError, asdict, dataclass, field, fields, replace

import pytest

from negconv.values import frozen


def classes(make):
    @make()
    class Place:
        """A place."""

        x: float
        y: float = 0.5
        tags: list = field(default_factory=list, compare=False)
        seen: int = field(default=3, repr=False)

        def __post_init__(self) -> None:
            if self.y < 0:
                raise ValueError("below")

    @make(kw_only=True)
    class Base:
        z: int = 1

    @make(kw_only=True)
    class Derived(Base):
        """Inherits."""

        w: int
        z: int = 2

        def __repr__(self) -> str:
            return "mine"

    @make(eq=False)
    class Alone:
        a: int = 0

    return Place, Base, Derived, Alone


OURS = classes(lambda **how: frozen(**how))
THEIRS = classes(lambda **how: dataclass(frozen=True, **how))


@pytest.mark.parametrize("make", [
    lambda place, base, derived, alone: place(1.0),
    lambda place, base, derived, alone: place(1.0, 2.0, [1], seen=4),
    lambda place, base, derived, alone: replace(place(1.0), y=4.0),
    lambda place, base, derived, alone: base(),
    lambda place, base, derived, alone: derived(w=3),
    lambda place, base, derived, alone: replace(derived(w=3), z=5),
    lambda place, base, derived, alone: alone(7)])
def test_values_are_as_those_of_dataclasses(make):
    ours, theirs = make(*OURS), make(*THEIRS)
    assert repr(ours) == repr(theirs) and asdict(ours) == asdict(theirs) and vars(ours) == vars(theirs)
    assert (ours == make(*OURS)) == (theirs == make(*THEIRS)) and ours != theirs
    if type(theirs).__eq__ is not object.__eq__:
        assert hash(ours) == hash(theirs) == hash(make(*OURS))
    mine, others = (inspect.signature(type(v)).parameters.values() for v in (ours, theirs))
    assert [(p.name, p.kind, p.annotation) for p in mine] == [(p.name, p.kind, p.annotation) for p in others]
    assert all(p.default == q.default for p, q in zip(mine, others) if p.name != "tags")
    assert [f.name for f in fields(ours)] == [f.name for f in fields(theirs)]
    assert vars(copy.deepcopy(ours)) == vars(ours)


def test_what_is_not_compared_does_not_count_and_each_gets_its_own_default():
    place = OURS[0]
    one, other = place(1.0), place(1.0)
    one.tags.append(1)
    assert one == other and other.tags == [] and one != place(2.0) and one != OURS[3]()


def test_nothing_can_be_changed_left_out_or_added():
    place, base, derived, alone = OURS
    for change in (lambda v: setattr(v, "x", 2.0), lambda v: setattr(v, "new", 2.0), lambda v: delattr(v, "x")):
        value = place(1.0)
        with pytest.raises(FrozenInstanceError):
            change(value)
        assert vars(value) == vars(place(1.0))
    for wrong in (lambda: place(), lambda: place(1.0, nothing=1), lambda: base(3), lambda: derived()):
        with pytest.raises(TypeError):
            wrong()
    with pytest.raises(ValueError, match="below"):
        place(1.0, -1.0)


def test_the_packages_values_travel():
    from negconv import Recipe

    recipe = Recipe(film="mono", exposure=0.5)
    assert pickle.loads(pickle.dumps(recipe)) == recipe and "exposure" in inspect.signature(Recipe).parameters

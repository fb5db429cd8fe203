"""What the frames of a roll share: the place of the frame, the base, the film and, as far as asked, the balance."""
from __future__ import annotations

from dataclasses import replace
from typing import Sequence

import numpy as np

from .balance import Balance, RollEvidence, thin
from .base import FilmBase
from .conversion import NO_PANEL, Survey, choose_film, decide, fitted, solve
from .film import Film
from .flat import TOO_DARK
from .frame import Frame, format_named
from .gather import LEADER_WORDS, hinted, labels
from .jobs import RollFrame
from .pool import is_blank, pool_bases
from .recipe import Recipe
from .robust import median, quantile
from .values import frozen

#: Pixels of each picture that stand for it in the roll.
EVIDENCE = 4000
BLANK_WORDS = "blank or evenly fogged: there is no picture to balance, so leave it out"
DARK_PANEL = " (if it is meant for the panel frame, photograph the bare panel with a longer exposure)"
#: Confidence given to a frame that lies where the roll's others do.
USUAL = 0.4
#: A density spread this small over a picture area at the base's level is blank film.
AT_BASE = 0.06


@frozen
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


@frozen
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


def decided(seen: Sequence[Survey], base: FilmBase | None, film: Film | None,
            recipe: Recipe) -> tuple[tuple[RollFrame, ...], tuple[Stock, ...], tuple[str, ...]]:
    """Frames with their plans, the films found, and what is to be said of the roll.

    Parameters
    ----------
    seen : sequence of Survey
        In the roll's order.
    base : FilmBase, optional
        Of all of them; by default from their rebates together.
    film : Film, optional
        By default as the recipe says.
    recipe : Recipe
    """
    warnings = []
    bases = pool_bases([s.base for s in seen]) if base is None else [(base, 0, "")] * len(seen)
    names = labels([s.path for s in seen])
    pictures, number = [], 0
    for name, s, (its_base, group, word) in zip(names, seen, bases):
        for index, (frame, evidence) in enumerate(zip(s.frames, s.evidence), 1):
            number += 1
            its = recipe.for_frame(s.path, number)
            one = replace(s, frames=(frame,), evidence=(evidence,), warnings=s.warnings + ((word,) if word else ()))
            pictures.append(_Picture(s.path, name, number, index, len(s.frames), one, its_base, group, its))
    films = _films(pictures, film)
    stocks, adapted, balances = _stocks(pictures, films, recipe)
    frames = []
    taken = {n.casefold() for n, s in zip(names, seen) if len(s.frames) == 1}
    for picture, its_film, (_, reason), balance in zip(pictures, adapted, films, balances):
        plan = decide(picture.seen, film=its_film, base=picture.base, balance=balance, recipe=picture.recipe)[0]
        plan = replace(plan, kind_reason=reason)
        name = picture.name if picture.count == 1 else _part_name(picture.name, picture.index, taken)
        frames.append(RollFrame(picture.path, picture.number, name, plan, picture.recipe, picture.index, picture.count,
                                picture.seen.shape[0] * picture.seen.shape[1]))
    if len(stocks) > 1:
        warnings.append(f"the captures are of {len(stocks)} films: each is balanced by itself")
    return tuple(frames), stocks, tuple(warnings + _count_warning(recipe, frames))


def _stocks(pictures: Sequence[_Picture], films, recipe: Recipe):
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
        roll = RollEvidence.of([thin(film.densities(p.seen.evidence[0], p.base.rgb, p.seen.meta), EVIDENCE)
                                for p, t in zip(group, telling) if t], film)
        solved = [solve(film, p.base, list(p.seen.evidence), p.seen, p.recipe, roll=roll, mix=_share(p.recipe))
                  for p in group]
        for i, balance, b in zip(members, solved, blank):
            adapted[i] = film
            balances[i] = replace(balance, warnings=balance.warnings + ((_blank_words(pictures[i].seen),) if b else ()))
        whole = solve(film, group[0].base, [group[0].seen.evidence[0]], replace(group[0].seen, neutral=None),
                      replace(recipe, exposure=0.0, neutral="auto"), roll=roll, mix=1.0)
        stocks.append(Stock(film, group[0].base, replace(whole, source=f"roll of {len(roll.frames)} frames"), len(members),
                            films[members[0]][1]))
    return tuple(stocks), adapted, balances


def _blank_words(seen: Survey) -> str:
    dark = median(seen.evidence[0]) < TOO_DARK
    return BLANK_WORDS + (DARK_PANEL if dark and NO_PANEL in seen.warnings else "")


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


def _share(recipe: Recipe) -> float:
    return {"frame": 0.0, "roll": 1.0}.get(recipe.balance, recipe.balance)


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
    middle = median(corners, axis=0)
    if median(np.abs(corners - middle).max(axis=(1, 2))) > 0.03 * max(shape):
        return None
    angle = float(median([s.frames[0].angle for s in good if s.shape == shape]))
    return Frame(tuple((float(x), float(y)) for x, y in middle), angle, USUAL, ("where the roll's other frames lie",),
                 good[0].frames[0].format), shape


def leaders(seen: Sequence[Survey]) -> tuple[str, ...]:
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
    low, high = quantile(density, 0.02), quantile(density, 0.98)
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

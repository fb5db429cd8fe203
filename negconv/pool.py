"""What the frames of a roll say together: one base for a film, whatever an odd frame shows."""
from __future__ import annotations

from typing import Sequence

import numpy as np

from .base import FilmBase
from .robust import median, quantile

#: Bases of one film on one panel agree within this density in every channel.
ONE_FILM = 0.03
#: A base this much brighter in a channel is another film: picture can be mistaken for base, but is always denser.
BRIGHTER = 0.03
#: Black and white film has a grey base; one whose channels part by more is not of a grey roll.
GREY = 0.15
#: Light levels that scatter more than this (density) say that exposures are not known: each capture keeps its own.
STEADY = 0.015
#: A picture whose densities span less is blank or fogged and says nothing about the roll.
BLANK = 0.12


def pool_bases(bases: Sequence[FilmBase | None]) -> list[tuple[FilmBase | None, int, str]]:
    """The base to use for each capture.

    Parameters
    ----------
    bases : sequence of FilmBase or None
        As each capture shows it by itself.

    Returns
    -------
    list of (base, film, warning)
        `film` numbers the films found, the commonest 0; captures alike in base have the same number. The warning is
        empty where there is nothing to say.
    """
    density = np.array([b.density if b is not None else (np.nan,) * 3 for b in bases], float).reshape(-1, 3)
    colour = density - density.mean(axis=1, keepdims=True)
    sure = [i for i, b in enumerate(bases) if b is not None and b.source != "picture"]
    unsure = [i for i, b in enumerate(bases) if b is not None and b.source == "picture"]
    left = sure or unsure
    films: list[list[int]] = []
    while left:
        near = {i: [j for j in left if np.abs(colour[i] - colour[j]).max() < ONE_FILM
                    and abs(density[i].mean() - density[j].mean()) < 20 * ONE_FILM] for i in left}
        best = max(left, key=lambda i: (len(near[i]), -i))
        films.append(near[best])
        left = [i for i in left if i not in near[best]]
    films.sort(key=lambda members: (-len(members), members[0]))
    pooled = [_pooled(density[members], [bases[i] for i in members]) for members in films]
    out: list[tuple[FilmBase | None, int, str]] = [(None, 0, "")] * len(bases)
    for number, members in enumerate(films):
        alone = len(members) == 1 and number > 0
        for i in members:
            home = _home(density[i], films, density) if alone else None
            if home is not None:
                theirs = pooled[home](None)
                off = np.abs(density[i] - np.array(theirs.density)).max()
                out[i] = (theirs, home, f"the base found here is {off:.2f} off the roll's: the roll's is used")
            else:
                out[i] = (pooled[number](density[i]), number, "")
    for i, base in enumerate(bases):
        if films and out[i][0] is None:
            if base is not None and (density[i] - pooled[0](None).density).min() < -BRIGHTER:
                out[i] = (base, len(films), "")  # no picture lets through more than its base: another film
            else:
                out[i] = (pooled[0](None), 0, "no base is to be seen here: the roll's is used")
    return out


def _home(own: np.ndarray, films, density) -> int | None:
    """The film a lone base belongs to, None where it must be another film."""
    for number, members in enumerate(films):
        if len(members) < 2:
            break
        theirs = median(density[members], axis=0)
        grey = np.ptp(theirs) < GREY
        if (own - theirs).min() > -BRIGHTER and not (grey and np.ptp(own - theirs) > GREY):
            return number
    return None


def _pooled(density: np.ndarray, members: Sequence[FilmBase]):
    """A function from a member's own density (None for a stranger) to its base."""
    if len(members) == 1:
        return lambda own: members[0]
    level = density.mean(axis=1)
    colour = median(density - level[:, None], axis=0)
    middle = float(median(level))
    steady = 1.4826 * float(median(np.abs(level - middle))) < STEADY
    source = f"rebate of {len(members)} captures"
    spread = tuple(float(v) for v in median([m.spread for m in members], axis=0))
    pixels = sum(m.pixels for m in members)

    def base(own) -> FilmBase:
        at = middle if steady or own is None else float(np.mean(own))
        words = source if steady or own is None else f"{source}, level of this one"
        return FilmBase(tuple(float(v) for v in 10.0 ** -(at + colour)), spread, pixels, words)

    return base


# --- balance -----------------------------------------------------------------------------------------------------

def is_blank(evidence: np.ndarray) -> bool:
    """True for a picture area (n, 3) of light with nothing on it: unexposed, or fogged evenly.

    Light is averaged along runs of neighbours first, so that grain and the camera's noise do not pass for a picture.
    """
    light = np.asarray(evidence, float).mean(axis=1)
    run = 16 if len(light) >= 640 else 1
    means = light[:len(light) // run * run].reshape(-1, run).mean(axis=1)
    density = -np.log10(np.maximum(means, 1e-6))
    low, high = quantile(density, 0.02), quantile(density, 0.98)
    return bool(high - low < BLANK)

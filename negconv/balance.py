"""`Balance`: exposure, neutral, and black points, from the picture area of one frame or of a roll.

The neutral is found as a line: log film exposures of red and blue against green's, from shadow to highlight. Every
distinct colour of the picture counts about once, whatever its area; the line starts among all of them and settles, in
narrowing steps, where they lie densest along it. It is held towards what the film, or better the roll, leads one to
expect, so that a frame of one colour, which has no such ridge, does not turn that colour grey.
"""
from __future__ import annotations

from dataclasses import asdict, replace

import numpy as np

from . import colour
from .capture import Meta
from .density import Curve
from .film import DENSEST, THINNEST, Film
from .robust import median, quantile
from .values import frozen

#: Scene-linear value of the anchor.
GREY = 0.18
#: Exposures further than this from white are held there, to stay finite in single precision for any film and matrix.
DECADES = 9.0
#: The most that is taken off for a black point; more contrast in the shadows is the tone curve's affair.
BLACK_LIMIT = 0.002
#: Decades below the highlights down to which tones count for the anchor: deeper ones are the toe's and the noise's, and
#: would move it with the film's exposure.
_DEPTH = 1.2
#: Log10 of the most light a layer is taken to have seen. What lets through less than film can (dust, the holder) would
#: else be thousands of times white, in whatever colour the layers' differences make of it; held, it prints white.
BRIGHTEST = 2.0
#: Pixels a frame's statistics are taken from.
SAMPLE = 20_000

# Found by random search over invented scenes (charts, plain and vivid subjects, some of one colour), films, panels and
# cameras, with others held back. Decades of log exposure.
_CELL = 0.05
_STEPS = tuple(np.geomspace(1.33, 0.034, 11))
#: How much a picture weighs against the expectation.
_PICTURE = 43_000.0
#: What to expect of a film nothing is known of: its layers' speeds differ by so many decades, and their slopes by such
#: a part, which moves greys about the point where exposure begins, so far below the middle of a picture.
_OFFSET, _TILT, _PIVOT = 0.07, 0.114, 1.0
#: No layer is taken for steeper or flatter than its film's by more than this part: a picture of one tone says nothing
#: of it.
_STEEPEST = 0.5
#: Share of a picture's colours on the line from which it is believed.
ENOUGH = 0.03
#: The same for a frame whose roll has been seen: light changes from frame to frame, the film's slopes do not; and
#: colours further than this from the roll's greys count little.
_ROLL_OFFSET, _ROLL_TILT, _ROLL_FAR = 0.06, 0.02, 0.3
#: A calibrated film knows where grey is. What a picture says against it is heeded from the first of these on and
#: believed from the second: decades of one layer against the others.
_TRUSTED = (0.05, 0.15)


@frozen
class Balance:
    """What makes a film's exposures a balanced picture.

    ``linear = gain * (matrix @ 10 ** (slope * log_h + offset)) - black``; C values each, C = 1 for mono.

    Attributes
    ----------
    slope, offset : (C,)
        Per layer, so that greys expose all layers alike from shadow to highlight.
    gain, black : (C,)
        Per channel of linear sRGB.
    combine : (1, 3) or None
        For mono: weights of the channels' densities, in place of `Film.unmix`.
    low, high : float
        Luminance below and above which the asked shares of the picture lie, for a tone curve to go by.
    source : str
        What it was solved from.
    warnings : tuple of str

    Examples
    --------
    >>> balance = Balance(offset=(0.1, 0.0, -0.1))
    >>> Balance.from_dict(balance.to_dict()) == balance
    True
    """

    slope: tuple[float, ...] = (1.0, 1.0, 1.0)
    offset: tuple[float, ...] = (0.0, 0.0, 0.0)
    gain: tuple[float, ...] = (1.0, 1.0, 1.0)
    black: tuple[float, ...] = (0.0, 0.0, 0.0)
    combine: tuple[tuple[float, float, float], ...] | None = None
    low: float = 0.0
    high: float = 1.0
    source: str = "none"
    warnings: tuple[str, ...] = ()

    @classmethod
    def none(cls, film: Film) -> Balance:
        """The film's exposures as they are."""
        one, zero = (1.0,) * film.layers, (0.0,) * film.layers
        return cls(one, zero, one, zero)

    def unmix(self, film: Film) -> np.ndarray:
        """Matrix (C, 3) from channel densities to layer densities."""
        return np.array(film.unmix if self.combine is None else self.combine)

    def tables(self, film: Film, grid) -> np.ndarray:
        """Balanced film exposures (C, N) at layer densities `grid` (N,)."""
        return np.stack([self._exposure(film, c, np.asarray(grid, float)) for c in range(film.layers)])

    def matrix(self, film: Film) -> np.ndarray:
        """Matrix (C, C) from balanced film exposures to linear sRGB, gain included."""
        return np.array(self.gain)[:, None] * np.array(film.matrix)

    @property
    def bias(self) -> np.ndarray:
        """(C,) added after the matrix."""
        return -np.array(self.black)

    def apply(self, film: Film, densities) -> np.ndarray:
        """Linear sRGB (..., 3), or (..., 1) for mono, of densities above base (..., 3) from `Film.densities`.

        The plain way to what the fused pass computes.
        """
        layers = np.asarray(densities, float) @ self.unmix(film).T
        h = np.stack([self._exposure(film, c, layers[..., c]) for c in range(film.layers)], axis=-1)
        return h @ self.matrix(film).T + self.bias

    def _exposure(self, film: Film, c: int, layer: np.ndarray) -> np.ndarray:
        log_h = self.slope[c] * film.curves[c].log_exposure(np.clip(layer, THINNEST, DENSEST)) + self.offset[c]
        return 10.0 ** np.clip(log_h, -DECADES, BRIGHTEST)

    def to_dict(self) -> dict:
        """JSON-able values."""
        return {k: _lists(v) for k, v in asdict(self).items()}

    @classmethod
    def from_dict(cls, values: dict) -> Balance:
        """The inverse of `to_dict`."""
        return cls(**{k: _tuples(v) for k, v in values.items()})

    def __repr__(self) -> str:
        def said(values):
            return ", ".join(f"{v:.3f}" for v in values)
        return f"Balance(slope {said(self.slope)}; offset {said(self.offset)}; {self.source})"


def _lists(v):
    return [_lists(x) for x in v] if isinstance(v, tuple) else v


def _tuples(v):
    return tuple(_tuples(x) for x in v) if isinstance(v, list) else v


def thin(densities, count: int = SAMPLE) -> np.ndarray:
    """At most about `count` of the rows (N, 3), evenly spread, without those that are not finite; float32."""
    values = np.asarray(densities)
    values = values.reshape(-1, values.shape[-1])
    # A step without small factors does not fall in with the rows of the picture.
    step = len(values) // count
    values = values[::step + (step > 1 and step % 2 == 0)] if step > 1 else values
    return np.asarray(values[np.isfinite(values).all(axis=1)], np.float32)


def adapt(film: Film, densities, meta: Meta = Meta()) -> Film:
    """A generic colour film made fit for what is seen of it; any other film as it is.

    How much of each dye a camera's channels see depends on camera and panel, and shows: in the camera's matrix, and in
    how far the picture's channel densities part and go together. The corrections are linear in ten such features;
    benchmarks/generic_film.py finds them over some hundreds of invented stocks, panels, cameras and scenes.

    Parameters
    ----------
    film : Film
    densities : array_like (N, 3), or sequence of such
        From `Film.densities`, of the picture area of a frame or, better, of each frame of the roll.
    meta : Meta
        Of the captures.

    Returns
    -------
    Film
    """
    if film.fit != "generic" or film.kind != "colour":
        return film
    from .generic import FEATURES, adapted

    features = [_features(film, thin(d), meta) for d in _frames(densities)]
    features = [f for f in features if f is not None]
    if not features:
        return film
    mean, spread = np.array(FEATURES)
    # Frame by frame no further off than the corrections were learnt from (see `adapted`), and a frame unlike the rest
    # hardly counts: a lawn shall not change what film the others are on.
    away = np.clip((np.array(features) - mean) / spread, -2.5, 2.5)
    return adapted(film, mean + spread * _common(away, 1.0))


def _features(film: Film, densities: np.ndarray, meta: Meta) -> np.ndarray | None:
    if len(densities) < 16:
        return None
    line = neutral_line(film.log_exposures(densities))
    means, weight = line.colours
    z = means.mean(axis=1) - line.centre
    off = _apart(means) - line.at(z)
    square = weight @ off ** 2 + 1e-4
    together = (weight @ (off[:, 0] * off[:, 1])) / np.sqrt(square[0] * square[1])
    through = film.channels(meta)
    return np.array([through[0, 1], through[0, 2], through[1, 0], through[1, 2], through[2, 0], through[2, 1],
                     *line.offset, *line.tilt, *(0.5 * np.log(square)), together,
                     np.log(np.sqrt(weight @ z ** 2) + 0.02)])


@frozen(eq=False)
class NeutralLine:
    """Where greys lie in log exposures: red's and blue's above green's, at a mean log exposure.

    Attributes
    ----------
    offset, tilt : ndarray (2,)
        Of red and blue at `centre`, and per decade of mean log exposure.
    centre : float
    share : float
        How much of the picture's colour lies along the line, 0..1.
    colours : ndarray (K, 3), ndarray (K,)
        The distinct colours and their weights.
    """

    offset: np.ndarray
    tilt: np.ndarray
    centre: float
    share: float
    colours: tuple[np.ndarray, np.ndarray]

    def at(self, z) -> np.ndarray:
        """(N, 2) at mean log exposures `z` (N,) above `centre`."""
        return self.offset + np.asarray(z)[..., None] * self.tilt

    def layers(self) -> tuple[np.ndarray, np.ndarray]:
        """Slope and offset (3,) each that make the line grey and keep the mean log exposure."""
        above = np.insert(self.offset, 1, 0.0)
        tilt = np.insert(self.tilt, 1, 0.0)
        above, tilt = above - above.mean(), np.clip(tilt - tilt.mean(), -_STEEPEST, _STEEPEST)
        slope = 1 / (1 + tilt)
        return slope, slope * (tilt * self.centre - above)


def neutral_line(log_h, *, expected: NeutralLine | None = None) -> NeutralLine:
    """The line of greys among log exposures (N, 3).

    Parameters
    ----------
    log_h : array_like (N, 3)
        From `Film.log_exposures`.
    expected : NeutralLine, optional
        Of the roll; without, greys are expected where the film puts them.
    """
    means, weight = _colours(np.asarray(log_h, float))
    z = means.mean(axis=1)
    centre = _weighted_median(z, weight)
    z = z - centre
    apart = _apart(means)
    if expected is None:
        prior, believed, pivot, spread = np.zeros((2, 2)), weight, _PIVOT, (_OFFSET, _TILT)
    else:
        prior = np.stack([expected.at(centre - expected.centre), expected.tilt])
        far = ((apart - prior[0] - np.outer(z, prior[1])) ** 2).sum(axis=1)
        believed, pivot, spread = weight * np.exp(-0.5 * far / _ROLL_FAR ** 2), 0.0, (_ROLL_OFFSET, _ROLL_TILT)
    # Offset and tilt go together: a layer steeper than expected is off the more, the further up the line.
    lever = np.array([[spread[0], pivot * spread[1]], [0.0, spread[1]]])
    precision = np.linalg.inv(lever @ lever.T)
    offset, tilt = prior
    for step in _STEPS:
        near = np.exp(-0.5 * ((apart - offset - np.outer(z, tilt)) ** 2).sum(axis=1) / step ** 2)
        k = believed * near * _PICTURE
        normal = np.array([[k.sum(), k @ z], [k @ z, k @ z ** 2]]) + precision
        offset, tilt = np.linalg.solve(normal, np.stack([k @ apart, (k * z) @ apart]) + precision @ prior)
    return NeutralLine(offset, tilt, centre, float(weight @ near), (means, weight))


def _apart(log_h: np.ndarray) -> np.ndarray:
    """Red's and blue's log exposure above green's."""
    return log_h[:, ::2] - log_h[:, 1:2]


def _colours(log_h: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Distinct colours (K, 3) and weights (K,) that hardly grow with area, and less where one hue has many shades."""
    apart = _apart(log_h)
    cell = np.floor(np.column_stack([log_h.mean(axis=1) / (2 * _CELL), apart / _CELL]))
    cell = np.clip(cell, -999, 999).astype(np.int64) + 1000
    _, where, count = np.unique(cell @ (4_000_000, 2000, 1), return_inverse=True, return_counts=True)
    means = np.stack([np.bincount(where, log_h[:, c]) / count for c in range(3)], axis=1)
    weight = count ** 0.05
    hue = np.clip(np.floor(_apart(means) / (2 * _CELL)), -999, 999).astype(np.int64) + 1000
    _, where = np.unique(hue @ (2000, 1), return_inverse=True)
    weight = weight * np.bincount(where, weight)[where] ** -0.13
    return means, weight / weight.sum()


def _weighted_median(values: np.ndarray, weight: np.ndarray) -> float:
    order = np.argsort(values)
    return float(values[order][np.searchsorted(np.cumsum(weight[order]), 0.5)])


@frozen(eq=False)
class RollEvidence:
    """What the frames of a roll show together, worked out once for the balances of all of them.

    Attributes
    ----------
    frames : tuple of ndarray float32 (N, 3)
        Densities above base of some pixels of each.
    line : NeutralLine or None
        The roll's greys; None of a film that has no use for them.
    combine : tuple
        As of `Balance`; empty in colour.
    """

    frames: tuple[np.ndarray, ...]
    line: NeutralLine | None = None
    combine: tuple = ()

    @classmethod
    def of(cls, densities, film: Film) -> RollEvidence:
        """Of a sequence of densities (N, 3), a frame each."""
        frames = tuple(d for d in (thin(d, 4000) for d in _frames(densities)) if len(d))
        if not frames:
            return cls(frames)
        if film.kind == "mono":
            return cls(frames, combine=mono_weights(np.concatenate(frames), film.unmix[0]))
        return cls(frames, _roll_line(film, frames) if film.fit != "calibrated" else None)


def solve_balance(densities, film: Film, *, roll=None, mix: float = 0.0, neutral: str = "auto", sample=None, grey=None,
                  exposure: float = 0.0, black_clip: float = 0.001, white_clip: float = 0.001) -> Balance:
    """Balance one frame, or many frames alike.

    Parameters
    ----------
    densities : array_like (N, 3), or sequence of such
        Densities above base (`Film.densities`) of the picture area, in raster order; `film` already through `adapt`.
    film : Film
    roll : RollEvidence, or sequence of array_like (N, 3), optional
        The same (or `thin` of it) of the roll's frames, whose evidence steadies the frame's.
    mix : float
        0 anchors the frame's own exposure and neutral, 1 the roll's: then the frames of a roll keep their differences.
    neutral : {"auto", "none"}
        Whether greys are looked for.
    sample : array_like (N, 3), optional
        Densities of a rectangle that is to come out grey, in place of what was found.
    grey : (3,), optional
        Linear light of a colour of the picture, as it comes out with `neutral`, that is to come out grey.
    exposure : float
        Stops added after the anchor.
    black_clip, white_clip : float
        Shares of the picture: below ``low``, above ``high``. The black points, one a channel, are where `black_clip`
        of it lies below, as far as `BLACK_LIMIT`, less with `mix`; a calibrated film's stay at zero.

    Returns
    -------
    Balance

    Raises
    ------
    ValueError
        If there is nothing finite to go by.
    """
    frames = [thin(d) for d in _frames(densities)]
    if roll is not None:
        roll = roll if isinstance(roll, RollEvidence) else RollEvidence.of(roll, film)
        roll = roll if roll.frames else None
    own = np.concatenate(frames)
    if not len(own):
        raise ValueError("no finite densities to balance")
    if film.kind == "mono":
        balance = replace(Balance.none(film), combine=mono_weights(own, film.unmix[0]) if roll is None else roll.combine)
    else:
        balance = _neutral(own, film, roll, mix, neutral, sample, grey)
    level = _anchor(own, film, balance)
    if roll is not None and mix:
        level = (1 - mix) * level + mix * float(_common([_anchor(d, film, balance) for d in roll.frames]))
    shift = level + exposure * np.log10(2)
    balance = replace(balance, offset=tuple(float(v + shift) for v in balance.offset))
    linear = balance.apply(film, own)
    low = quantile(linear, black_clip, axis=0)
    # A calibrated film's blacks are measured; and what is taken off breaks the relations that a roll's share keeps.
    black = (1 - mix) * np.clip(low, 0, BLACK_LIMIT) if black_clip > 0 and film.fit != "calibrated" else np.zeros(film.layers)
    light = _luminance(linear - black)
    return replace(balance, black=tuple(map(float, black)), low=float(quantile(light, black_clip)),
                   high=float(quantile(light, 1 - white_clip)))


def _frames(densities) -> list:
    """One array, or a sequence of arrays, as a list of arrays (N, 3)."""
    if isinstance(densities, np.ndarray) and densities.dtype != object:
        return [densities]
    rows = list(densities)
    return [np.asarray(rows, float)] if rows and np.ndim(rows[0]) == 1 else rows


def _neutral(own, film, roll, mix, neutral, sample, grey) -> Balance:
    warnings: list[str] = []
    slope, offset, source = np.ones(3), np.zeros(3), "film alone"
    if neutral == "auto" and film.fit != "calibrated":
        expected = None if roll is None else roll.line
        line = neutral_line(film.log_exposures(own), expected=expected)
        # A line along which hardly a colour lies is no line of greys: it gives way to what was to be expected.
        trust = min(1.0, line.share / ENOUGH)
        plain = (np.ones(3), np.zeros(3)) if expected is None else expected.layers()
        slope, offset = (trust * own_ + (1 - trust) * plain_ for own_, plain_ in zip(line.layers(), plain))
        if expected is not None:
            slope_roll, offset_roll = expected.layers()
            slope, offset = (1 - mix) * slope + mix * slope_roll, (1 - mix) * offset + mix * offset_roll
        source = f"picture, {line.share:.0%} of its colours grey" + ("" if roll is None else ", steadied by the roll")
        if line.share < 0.01 and roll is None:
            warnings.append("hardly anything in the picture looks grey; the neutral is the film's expectation")
    elif neutral == "auto":
        line = neutral_line(film.log_exposures(own))
        # Only the light's colour is left to find.
        offset = _against(np.insert(line.offset, 1, 0.0).mean() - np.insert(line.offset, 1, 0.0))
        source = "calibrated film" + (", and the colour of the light" if np.abs(offset).max() > 1e-6 else "")
    if sample is not None:
        log_h = median(film.log_exposures(thin(sample)), axis=0) * slope
        offset, source = log_h.mean() - log_h, "a grey in the picture"
    balance = Balance(tuple(slope.tolist()), tuple(offset.tolist()), source=source, warnings=tuple(warnings))
    if grey is not None:
        h = np.linalg.solve(np.array(film.matrix), np.asarray(grey, float))
        log_h = np.log10(np.maximum(h, 1e-4))
        offset = offset + log_h.mean() - log_h
        balance = replace(balance, offset=tuple(offset.tolist()), source="a colour said to be grey")
    return balance


def _roll_line(film: Film, rolls) -> NeutralLine:
    """The neutral line of a roll: where those of most of its frames lie, so that a lawn does not pull the others."""
    whole = neutral_line(film.log_exposures(np.concatenate(rolls)))
    lines = [whole] if len(rolls) == 1 else [neutral_line(film.log_exposures(d)) for d in rolls]
    offsets = [line.at(np.array([whole.centre])).ravel() for line in lines]
    return replace(whole, offset=_common(offsets), tilt=_common([line.tilt for line in lines]))


def _against(found: np.ndarray) -> np.ndarray:
    """What of a correction to a calibrated film is applied."""
    return found * np.clip((np.abs(found).max() - _TRUSTED[0]) / (_TRUSTED[1] - _TRUSTED[0]), 0, 1)


def _luminance(linear: np.ndarray) -> np.ndarray:
    return linear[..., 0] if linear.shape[-1] == 1 else linear @ colour.luminance("srgb")


def _anchor(densities: np.ndarray, film: Film, balance: Balance) -> float:
    """Log10 of the factor that brings the picture's middle to `GREY`: a trimmed mean over its distinct tones."""
    level = np.log10(np.maximum(_luminance(balance.apply(film, densities)), 1e-6))
    level = level[level > quantile(level, 0.98) - _DEPTH]
    tone, where, count = np.unique(np.floor(level / _CELL), return_inverse=True, return_counts=True)
    middle = np.bincount(where, level) / count
    weight = np.sqrt(count)
    # What of each tone lies between the tenth and the ninetieth hundredth: no tone is in or out by a hair.
    upper = np.cumsum(weight) / weight.sum()
    inside = np.minimum(upper, 0.9) - np.maximum(upper - weight / weight.sum(), 0.1)
    return float(np.log10(GREY) - np.average(middle, weights=np.maximum(inside, 0)))


@frozen
class Reading:
    """How a negative is exposed, from its densities.

    Attributes
    ----------
    thin, middle, dense : float
        Density above base, mean of the layers, that 1 %, half and 99 % of the picture stay below.
    on_toe : float
        Share of the picture, 0..1, where the film answers with less than half its slope: shadows without drawing.
    stops : float
        Over (or under) the exposure the film is meant for, as far as a picture of usual brightness tells: to a stop.

    Examples
    --------
    >>> Reading(0.3, 0.8, 1.3, 0.0, 0.2).text()
    'densities 0.30 to 1.30 above base (middle 0.80)'
    """

    thin: float
    middle: float
    dense: float
    on_toe: float
    stops: float

    def text(self) -> str:
        """The densities in words."""
        return f"densities {self.thin:.2f} to {self.dense:.2f} above base (middle {self.middle:.2f})"

    def to_dict(self) -> dict:
        """JSON-able values."""
        return asdict(self)


def read_negative(densities, film: Film) -> Reading:
    """How dense a negative is, and whether its shadows sit on the toe.

    Parameters
    ----------
    densities : array_like (N, 3)
        Densities above base (`Film.densities`) of the picture area.
    film : Film

    Raises
    ------
    ValueError
        If there is nothing finite to go by.
    """
    d = thin(densities)
    if not len(d):
        raise ValueError("no finite densities to read")
    layers = d @ np.array(film.unmix).T
    knee = np.array([c.gamma * c.toe * np.log(2) if isinstance(c, Curve) and c.toe > 0 else 0.1 for c in film.curves])
    mean = layers.mean(axis=1)
    stops = -_anchor(d, film, Balance.none(film)) / np.log10(2)
    low, middle, high = (float(quantile(mean, v)) for v in (0.01, 0.5, 0.99))
    return Reading(low, middle, high, float((mean < knee.mean()).mean()), float(stops))


def _common(values, narrowest: float = 0.03) -> np.ndarray:
    """Where most of some values (N,) or (N, C), column by column, lie: Tukey's biweight, in which one value moves the rest
    by no jump, and one far off (a lawn, a fogged frame) hardly or not at all (Mosteller and Tukey, Data Analysis and
    Regression, 1977, 10 C). Values nearer than `narrowest` (decades of light) are not told apart."""
    values = np.asarray(values, float)
    middle = median(values, axis=0)
    reach = 4 * np.maximum(median(np.abs(values - middle), axis=0), narrowest)
    for _ in range(10):
        weight = np.clip(1 - ((values - middle) / reach) ** 2, 0, None) ** 2
        middle = (weight * values).sum(axis=0) / weight.sum(axis=0)
    return middle


def mono_weights(densities, unmix=(1 / 3, 1 / 3, 1 / 3)) -> tuple[tuple[float, float, float]]:
    """Weights (1, 3) that combine the channels' densities of a silver image into one with the least noise.

    Each channel's density is divided by its own slope against the mean of the three, and weighted by the inverse of its
    own variance; the result is on the scale of `unmix`, the film's own weights, which its curve belongs to. Three
    readings of one quantity tell each one's variance from the variances of their differences (Grubbs, J. Am. Stat.
    Assoc. 43, 1948, p. 243).
    """
    d = np.ascontiguousarray(thin(densities).T, float)
    centred = d - median(d, axis=1)[:, None]
    mean = centred.mean(axis=0)
    size = float(mean @ mean)
    slope = np.clip(centred @ mean / size, 0.5, 2.0) if size > 1e-6 * d.shape[1] else np.ones(3)
    left = centred / slope[:, None]
    pair = [1.4826 ** 2 * median(np.abs(left[i] - left[j])) ** 2 for i, j in ((0, 1), (0, 2), (1, 2))]
    own = np.array([pair[0] + pair[1] - pair[2], pair[0] + pair[2] - pair[1], pair[1] + pair[2] - pair[0]]) / 2
    own = np.maximum(own, 0.05 * max(own.max(), 1e-8))
    weight = 1 / own
    weight = weight / weight.sum() / slope * (slope @ unmix)
    return (tuple(map(float, weight)),)

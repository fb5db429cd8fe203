"""`Film`: what turns densities above base into film exposures and those into colour; the generic films; film files."""
from __future__ import annotations

import json
import math
from dataclasses import replace

import numpy as np

from . import colour
from .capture import Meta
from .density import Curve, TableCurve, density, unmix
from .errors import InputError
from .robust import median, quantile
from .textfile import parse, read_text
from .values import frozen

IDENTITY = ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0))
KINDS = ("colour", "mono")
SENSINGS = ("camera", "wide")
FITS = ("generic", "adapted", "calibrated")
#: Layer densities beyond these are dust, noise or a channel that came out negative; no film is denser above its base.
THINNEST, DENSEST = -0.3, 3.2
MAX_BYTES = 1_000_000
#: A wide channel is the camera's less a share of its neighbours; in colours dense in one channel alone that can reach
#: zero and below, where noise would be all there is. It is held at this share of the camera's own channel.
HELD = 0.3
#: Size of a matrix's numbers; none of a film comes near it.
LARGEST = 1000.0


@frozen
class Film:
    """A film as one camera or any camera sees it.

    From densities to linear sRGB: ``log_h_c = curve_c.log_exposure((unmix @ D)_c)``, then ``matrix @ 10 ** log_h``.

    Attributes
    ----------
    name : str
    kind : {"colour", "mono"}
    sensing : {"camera", "wide"}
        In which channels densities are taken: the camera's own, or wide ones reached through the camera's matrix.
    unmix : (C, 3)
        Densities above base of the channels to those of the C layers; C is 3, or 1 for mono, where it says how the
        channels are weighted if the picture gives no better reason.
    curves : tuple of C Curve or TableCurve
    matrix : (C, C)
        Film exposures to linear sRGB (D65 white); rows add up to 1.
    fit : {"calibrated", "generic", "adapted"}
        What the values are worth: those of a calibrated film put greys where they are; a generic one is to be adapted
        (`negconv.balance.adapt`) to what is seen of the film, and its slopes to be balanced by the picture.
    strength : float
        How far from the camera's own channels the wide ones lie that densities are taken in, 0 to 1.
    camera : str or None
        Make and model of the camera a film was calibrated with; None for any.
    source : str
        Where the values come from.
    notes : tuple of str
    residuals : Residuals or None
        How well a calibration fits.

    Examples
    --------
    >>> film = Film.mono()
    >>> film.kind, len(film.curves)
    ('mono', 1)
    >>> Film.from_dict(film.to_dict()) == film
    True
    """

    name: str
    kind: str = "colour"
    sensing: str = "camera"
    unmix: tuple[tuple[float, ...], ...] = IDENTITY
    curves: tuple[Curve | TableCurve, ...] = (Curve(), Curve(), Curve())
    matrix: tuple[tuple[float, ...], ...] = IDENTITY
    fit: str = "calibrated"
    strength: float = 1.0
    camera: str | None = None
    source: str = ""
    notes: tuple[str, ...] = ()
    residuals: Residuals | None = None

    def __post_init__(self) -> None:
        if self.kind not in KINDS or self.sensing not in SENSINGS or self.fit not in FITS:
            raise ValueError(f"no film of kind {self.kind!r}, sensing {self.sensing!r}, fit {self.fit!r}")
        object.__setattr__(self, "strength", float(self.strength))
        if not 0 <= self.strength <= 1:
            raise ValueError(f"strength must be a number from 0 to 1, not {self.strength!r}")
        layers = 3 if self.kind == "colour" else 1
        for name, shape in (("unmix", (layers, 3)), ("matrix", (layers, layers))):
            value = np.asarray(getattr(self, name), float)
            if value.shape != shape or not (np.abs(value) <= LARGEST).all():
                raise ValueError(f"{name} must be {shape[0]} rows of {shape[1]} numbers, {-LARGEST:g} to {LARGEST:g}")
            object.__setattr__(self, name, tuple(tuple(row) for row in value.tolist()))
        if layers == 1 and not sum(self.unmix[0]) > 0.01:
            raise ValueError("unmix of a mono film must add up to more than 0")
        if len(self.curves) != layers:
            raise ValueError(f"a {self.kind} film has {layers} curve{'s' * (layers > 1)}, not {len(self.curves)}")
        object.__setattr__(self, "curves", tuple(self.curves))
        object.__setattr__(self, "notes", tuple(self.notes))

    @classmethod
    def colour(cls) -> Film:
        """The generic colour negative film, for rolls without a chart (benchmarks/generic_film.py makes it)."""
        from .generic import colour_film

        return cls.from_dict(colour_film())

    @classmethod
    def mono(cls) -> Film:
        """The generic black-and-white film."""
        from .generic import MONO

        return cls.from_dict(MONO)

    @property
    def layers(self) -> int:
        """3, or 1 for mono."""
        return len(self.curves)

    def channels(self, meta: Meta = Meta(), base=None) -> np.ndarray:
        """Matrix (3, 3) from panel-relative camera values to the channels densities are taken in.

        Rows add up to 1, so the bare panel stays 1. Given the `base` (3,), wide channels are drawn back towards the
        camera's own as far as it takes to keep the base well above zero in each.
        """
        if self.sensing == "camera" or self.strength == 0:
            return np.eye(3)
        return (1 - self.strength) * np.eye(3) + self.strength * wide_channels(meta, base)

    def weakened(self, share: float) -> Film:
        """A colour film that parts colours less: channels, unmixing, matrix, and how its layers' curves differ, at `share` of
        the way from doing nothing. Rows keep their sums.
        """
        def towards(rows):
            rows = np.array(rows)
            return tuple(map(tuple, (share * rows + (1 - share) * np.diag(rows.sum(axis=1))).tolist()))

        gamma = float(np.exp(np.mean([np.log(c.gamma) for c in self.curves])))
        start = float(np.mean([c.start for c in self.curves]))
        curves = tuple(replace(c, gamma=c.gamma ** share * gamma ** (1 - share), start=share * c.start + (1 - share) * start)
                       for c in self.curves)
        return replace(self, strength=share * self.strength, unmix=towards(self.unmix), curves=curves,
                       matrix=towards(self.matrix))

    def densities(self, relative, base, meta: Meta = Meta()) -> np.ndarray:
        """Densities above base (..., 3) of the channels the film is defined in.

        Parameters
        ----------
        relative : array_like (..., 3)
            Linear camera values, panel = 1.
        base : (3,)
            The same of the base.
        meta : Meta
            Of the capture.
        """
        through, base = self.channels(meta, base), np.asarray(base, float)
        values = np.asarray(relative)
        values = values if values.dtype in (np.float32, np.float64) else values.astype(float)
        wide = values @ (through / (through @ base)[:, None]).T.astype(values.dtype)
        return density(np.maximum(wide, values * (HELD / base).astype(values.dtype)))

    def log_exposures(self, densities) -> np.ndarray:
        """Log10 film exposures (..., C) of densities above base (..., 3) from `densities`."""
        layers = np.clip(unmix(densities, self.unmix), THINNEST, DENSEST)
        return np.stack([curve.log_exposure(layers[..., c]) for c, curve in enumerate(self.curves)], axis=-1)

    def check_camera(self, meta: Meta, *, path=None, any_camera: bool = False) -> None:
        """Refuse a capture from another camera than the film was calibrated with.

        Raises
        ------
        InputError
            Unless `any_camera` is True or the film is for any camera.
        """
        if self.camera and not any_camera and self.camera != meta.camera:
            taken = meta.camera or "a camera that is not named"
            raise InputError(path, f"was taken with {taken}, but the film {self.name!r} was calibrated with {self.camera}",
                             "calibrate the film with this camera, use a generic film, or allow any camera")

    def to_dict(self) -> dict:
        """JSON-able values."""
        values = {"name": self.name, "kind": self.kind, "sensing": self.sensing, "fit": self.fit, "strength": self.strength, "camera": self.camera,
                  "source": self.source, "notes": list(self.notes), "unmix": [list(r) for r in self.unmix],
                  "matrix": [list(r) for r in self.matrix], "curves": [c.to_dict() for c in self.curves]}
        if self.residuals is not None:
            values["residuals"] = self.residuals.to_dict()
        return values

    @classmethod
    def from_dict(cls, values: dict) -> Film:
        """The inverse of `to_dict`.

        Raises
        ------
        ValueError
            One line: the key, what is wrong, what is allowed.
        """
        return cls(**_checked(values, _FILM))

    def save(self, path) -> None:
        """Write a film file (TOML), whole or not at all.

        Raises
        ------
        InputError
        """
        from .files import place, stage

        place(stage(path, [_toml(self.to_dict()).encode()], hashed=False), overwrite=True)

    @classmethod
    def load(cls, path) -> Film:
        """Read a film file.

        Raises
        ------
        InputError
            One line with the file, the key and what is allowed.
        """
        remedy = "write a film file with: negconv calibrate"
        text = read_text(path, most=MAX_BYTES, remedy=remedy)
        try:
            return cls.from_dict(parse(text))
        except ValueError as error:
            raise InputError(path, f"is no film file: {error}", remedy) from None

    def __repr__(self) -> str:
        slopes = ", ".join(f"{c.gamma:.2f}" for c in self.curves if isinstance(c, Curve))
        parts = [self.kind, f"densities of {self.sensing} channels"]
        parts += [f"gamma {slopes}"] if slopes else []
        parts += [f"calibrated with {self.camera}"] if self.camera else []
        parts += [f"CIEDE2000 mean {self.residuals.mean:.2f}"] if self.residuals else []
        return f"Film({self.name!r}: {'; '.join(parts)})"


@frozen
class Residuals:
    """How well a calibrated film gives back its chart.

    Attributes
    ----------
    patches : tuple of float
        CIEDE2000 of each patch (for mono the difference in L*); NaN for a patch left out of the fit.
    mean, p90, worst : float
        Of the patches in the fit.
    crossed : float
        Mean over patches each left out of its own fit; the figure to trust.
    """

    patches: tuple[float, ...]
    mean: float
    p90: float
    worst: float
    crossed: float

    def to_dict(self) -> dict:
        """JSON-able values; a patch left out is -1, as JSON has no NaN."""
        return {"patches": [-1.0 if math.isnan(v) else round(v, 4) for v in self.patches], "mean": self.mean,
                "p90": self.p90, "worst": self.worst, "crossed": self.crossed}

    @classmethod
    def from_dict(cls, values: dict) -> Residuals:
        """The inverse of `to_dict`."""
        values = _checked(values, _RESIDUALS, "residuals")
        return cls(**{**values, "patches": tuple(math.nan if v < 0 else v for v in values["patches"])})


# ---- wide channels --------------------------------------------------------------------------------------------------

def wide_channels(meta: Meta, base=None) -> np.ndarray:
    """Matrix (3, 3) from panel-relative camera values to wide channels; rows add up to 1.

    The camera's matrix refers to its channels before the panel was divided out. The panel is taken for a D65 white,
    which is what the bare panel then becomes: (1, 1, 1). A capture without a matrix is taken for one of a typical
    camera, or for linear sRGB if that is what it was decoded from.
    """
    from .generic import TYPICAL_CAMERA, WIDE

    wide = np.array(WIDE)
    if meta.camera_matrix is not None:
        to_camera = np.array(meta.camera_matrix, float)
    elif not meta.assumed.startswith("linear"):
        to_camera = np.linalg.inv(colour.to_xyz("srgb"))
    else:
        to_camera = np.array(TYPICAL_CAMERA)
    white = colour.white("D65")
    panel = to_camera @ white
    if not (np.isfinite(to_camera).all() and abs(np.linalg.det(to_camera)) > 1e-6 and (panel > 0).all()):
        to_camera = np.array(TYPICAL_CAMERA)
        panel = to_camera @ white
    through = wide @ np.linalg.inv(to_camera) @ np.diag(panel)
    through = through / through.sum(axis=1, keepdims=True)
    if base is not None:
        base = np.asarray(base, float)
        for share in np.linspace(0, 1, 11):
            drawn = (1 - share) * through + share * np.eye(3)
            if (drawn @ base > 0.25 * base.min()).all():
                return drawn
    return through


def film_kind(base, densities) -> tuple[str, str]:
    """Colour or mono, with the reason in words.

    Parameters
    ----------
    base : (3,)
        Base densities of the camera's channels relative to the panel, or None where no panel frame was taken.
    densities : array_like (N, 3)
        Densities above base over the picture area, in the camera's channels.

    Returns
    -------
    kind : {"colour", "mono"}
    reason : str
    """
    d = np.asarray(densities, float).reshape(-1, 3)
    d = d[np.isfinite(d).all(axis=1)]
    orange = None if base is None else float(base[2] - base[0])
    if orange is not None and orange > 0.3:
        return "colour", f"the base is orange, blue {orange:.2f} denser than red"
    if len(d) < 16:
        return "mono", "too little picture to tell, and the base is not orange"
    spread = _off_grey(d)
    if spread > 0.03:
        return "colour", f"the channels' densities part by {spread:.3f}, more than one silver image does"
    return "mono", f"the channels' densities go together within {spread:.3f}"


def _off_grey(d: np.ndarray) -> float:
    """Robust spread of channel densities about their common scale."""
    d = np.ascontiguousarray(d.T)
    mean = d.mean(axis=0)
    centred = mean - median(mean)
    off = d - mean
    off -= median(off, axis=1)[:, None]
    left = np.abs(off - np.outer(off @ centred / max(centred @ centred, 1e-9), centred))
    return float(1.4826 * median(left, axis=1).max() + 0.1 * quantile(left, 0.95, axis=1).max())


# ---- film files -----------------------------------------------------------------------------------------------------

def _number(value):
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not abs(value) < 1e300:  # a whole number may be longer
        raise ValueError
    return float(value)


def _text(value):
    if not isinstance(value, str) or len(value) > 4000:
        raise ValueError
    return value


def _listing(of, least=0, most=10_000):
    def read(value):
        if not isinstance(value, (list, tuple)) or not least <= len(value) <= most:
            raise ValueError
        return tuple(of(v) for v in value)
    return read


def _one_of(*choices):
    def read(value):
        if value not in choices:
            raise ValueError
        return value
    return read


def _curve(value):
    if not isinstance(value, dict):
        raise ValueError
    kind, keys = (TableCurve, _POINTS) if "points" in value else (Curve, _CURVE)
    return kind.from_dict(_checked(value, keys, "curves"))


_ROWS = _listing(_listing(_number, 1, 3), 1, 3)
#: Keys of a film file: how each is read, what is allowed, whether it must be there.
_FILM = {
    "name": (_text, "text", True),
    "kind": (_one_of(*KINDS), '"colour" or "mono"', True),
    "sensing": (_one_of(*SENSINGS), '"camera" or "wide"', True),
    "strength": (_number, "a number from 0 to 1", False),
    "fit": (_one_of(*FITS), '"calibrated", "generic" or "adapted"', False),
    "camera": (lambda v: None if v is None else _text(v), "text", False),
    "source": (_text, "text", False),
    "notes": (_listing(_text), "a list of texts", False),
    "unmix": (_ROWS, "rows of three numbers", True),
    "matrix": (_ROWS, "rows of numbers", True),
    "curves": (_listing(_curve, 1, 3), "one table a layer", True),
    "residuals": (lambda v: Residuals.from_dict(v), "a table", False),
}
_CURVE = {
    "gamma": (_number, "a number above 0", True), "start": (_number, "a number", True),
    "toe": (_number, "a number, 0 or above", False), "top": (_number, "a number above 0", False),
    "shoulder": (_number, "a number, 0 or above", False),
}
_POINTS = {"points": (_listing(_listing(_number, 2, 2), 2), "pairs of density and log exposure", True)}
_RESIDUALS = {
    "patches": (_listing(_number), "a list of numbers", True), "mean": (_number, "a number", True),
    "p90": (_number, "a number", True), "worst": (_number, "a number", True), "crossed": (_number, "a number", True),
}


def _checked(values, keys: dict, under: str = "") -> dict:
    at = f"{under}." if under else ""
    if not isinstance(values, dict):
        raise ValueError(f"{under or 'a film'} must be a table")
    for key in values:
        if key not in keys:
            from difflib import get_close_matches

            near = get_close_matches(str(key), keys, 1, 0.5)
            raise ValueError(f"{at}{key} is not a key" + (f"; did you mean {at}{near[0]}?" if near else
                                                          f"; there are {', '.join(keys)}"))
    out = {}
    for key, (read, allowed, needed) in keys.items():
        if key in values:
            try:
                out[key] = read(values[key])
            except (ValueError, TypeError) as error:
                raise ValueError(str(error) or f"{at}{key} must be {allowed}") from None
        elif needed:
            raise ValueError(f"{at}{key} is missing; it must be {allowed}")
    return out


def _toml(values: dict) -> str:
    lines = ["# A negconv film: densities above base -> unmix -> curves -> matrix -> linear sRGB."]
    tables = {k: v for k, v in values.items() if k in ("curves", "residuals")}
    lines += [f"{k} = {_toml_value(v)}" for k, v in values.items() if k not in tables and v is not None]
    for curve in tables["curves"]:
        lines += ["", "[[curves]]"] + [f"{k} = {_toml_value(v)}" for k, v in curve.items()]
    if "residuals" in tables:
        lines += ["", "[residuals]"] + [f"{k} = {_toml_value(v)}" for k, v in tables["residuals"].items()]
    return "\n".join(lines) + "\n"


def _toml_value(value) -> str:
    if isinstance(value, list):
        return "[" + ", ".join(map(_toml_value, value)) + "]"
    # JSON's escapes are TOML's, but for one character JSON leaves as it is.
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007F") if isinstance(value, str) else repr(value)

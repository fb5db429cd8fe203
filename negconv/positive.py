"""The inverted picture, with the values that made it and the way back to capture coordinates."""
from __future__ import annotations

from dataclasses import field
from typing import TYPE_CHECKING, Any

import numpy as np

from .capture import Meta
from .tone import ToneCurve
from .values import frozen

if TYPE_CHECKING:
    from .balance import Balance
    from .base import FilmBase
    from .film import Film
    from .frame import Frame

IDENTITY = ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0))


@frozen(eq=False)
class Positive:
    """A finished inversion, scene-linear.

    Attributes
    ----------
    linear : ndarray float32 (h, w, 3), or (h, w) for black and white
        Balanced, before tone; 0.18 is middle grey. Unclipped: colours outside the primaries' gamut have a negative
        channel, highlights go beyond 1.
    primaries : str
        The primaries of `linear` (a name of `negconv.colour`).
    density : ndarray float32 (h, w) or None
        Mean density above base on the film, for spotting.
    to_capture : 2x3 tuple
        Picture x, y, 1 to capture x, y.
    pixel_um : float or None
        Micrometres on the film a pixel, where the format says.
    tone : ToneCurve
    frame, base, film, balance, recipe, meta
        The values that made it.
    warnings : tuple of str

    Examples
    --------
    >>> import numpy as np
    >>> Positive(np.full((2, 3), 0.18, np.float32)).encode("srgb", bits=8).shape
    (2, 3)
    """

    linear: np.ndarray = field(repr=False)
    primaries: str = "srgb"
    density: np.ndarray | None = field(default=None, repr=False)
    to_capture: tuple[tuple[float, float, float], tuple[float, float, float]] = IDENTITY
    pixel_um: float | None = None
    tone: ToneCurve = ToneCurve()
    frame: Frame | None = None
    base: FilmBase | None = None
    film: Film | None = None
    balance: Balance | None = None
    recipe: Any = None
    meta: Meta = Meta()
    path: str = ""
    warnings: tuple[str, ...] = ()
    record: dict = field(default_factory=dict, repr=False)

    @property
    def mono(self) -> bool:
        """True for one grey channel."""
        return self.linear.ndim == 2

    @property
    def shape(self) -> tuple[int, int]:
        """Height and width in pixels."""
        return self.linear.shape[:2]

    def encode(self, space: str = "srgb", bits: int = 16, *, threads: int = 2) -> np.ndarray:
        """Code values in an output space, after the tone curve.

        Parameters
        ----------
        space : str
            See `negconv.colour.SPACES`.
        bits : {8, 16}
        threads : int

        Returns
        -------
        ndarray uint8 or uint16 (h, w, 3) or (h, w)
        """
        from .encode import encode

        return encode(self.linear, self.tone, space=space, bits=bits, primaries=self.primaries, threads=threads)

    def save(self, path, *, output: str | None = None, space: str | None = None, bits: int | None = None,
             quality: int | None = None, overwrite: bool = False, threads: int = 2):
        """Write a TIFF, PNG or JPEG (by the name's ending unless `output` says) and its sidecar.

        Settings not given come from the recipe. Returns the path written.

        Raises
        ------
        InputError
            If the file exists and `overwrite` is False, or cannot be written.
        """
        from .output import save_positive

        return save_positive(self, path, output=output, space=space, bits=bits, quality=quality, overwrite=overwrite,
                             threads=threads)

    def proxy(self, long_side: int = 1500) -> Positive:
        """The same picture reduced by block means, for interactive work."""
        from dataclasses import replace

        from .capture import block_mean

        k = min(-(-max(self.shape) // long_side), *self.shape)
        if k <= 1:
            return self
        planes = self.linear if self.linear.ndim == 3 else self.linear[..., None]
        small = block_mean(planes, k)
        density = None if self.density is None else block_mean(self.density[..., None], k)[..., 0]
        (a, b, c), (d, e, f) = self.to_capture
        s = (k - 1) / 2
        return replace(self, linear=small if self.linear.ndim == 3 else small[..., 0], density=density,
                       to_capture=((a * k, b * k, a * s + b * s + c), (d * k, e * k, d * s + e * s + f)),
                       pixel_um=None if self.pixel_um is None else self.pixel_um * k)

    def __repr__(self) -> str:
        h, w = self.shape
        kind = "mono" if self.mono else f"colour, linear {self.primaries}"
        scale = f", {self.pixel_um:.1f} um a pixel" if self.pixel_um else ""
        said = f", {len(self.warnings)} warning{'s' * (len(self.warnings) != 1)}" if self.warnings else ""
        return f"Positive({self.path or 'array'}: {w} x {h}, {kind}{scale}{said})"

    def _repr_png_(self) -> bytes:
        from .colour import png_bytes

        return png_bytes(self.proxy(900).encode("srgb", bits=8))

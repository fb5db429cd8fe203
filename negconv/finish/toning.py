"""Split toning: a hue for the shadows and one for the highlights, as toned prints have."""
from __future__ import annotations


import numpy as np

from ..settings import Number, Settings, described, setting
from ..tone import MIDDLE_GREY
from ..values import frozen
from .grid import LUMINANCE, in_strips, luminance
from .masks import smoothstep

_HUE = Number(0, 360, "degrees, CIE h_ab")
_CHROMA = Number(0, 30, "CIE C*ab at L* 50")
#: Stops over which one hue gives way to the other; wide enough for every channel to rise with the light.
CROSSFADE = 8.0
#: Entries of the table of tints.
TONES = 1 << 15
#: No channel of a tint is less than this, so that a colour beyond the primaries' gamut stays a colour.
LEAST = 0.02
#: CIE XYZ (D65) to linear sRGB (IEC 61966-2-1), and the white it stands for.
_TO_SRGB = np.array([[3.2406, -1.5372, -0.4986], [-0.9689, 1.8758, 0.0415], [0.0557, -0.2040, 1.0570]])
_WHITE = np.array([0.9505, 1.0, 1.0890])


@described
@frozen(kw_only=True)
class SplitTone(Settings):
    """Two hues over the tone scale; luminance stays as it is. A grey picture becomes a colour picture.

    Examples
    --------
    >>> import numpy as np
    >>> warm = SplitTone(highlight_hue=75, highlight_chroma=20).apply(np.full((1, 1), 0.8, np.float32))
    >>> warm.shape, bool(warm[0, 0, 0] > warm[0, 0, 2])
    ((1, 1, 3), True)
    """

    shadow_hue: float = setting(250.0, _HUE, "Hue of the shadows.")
    shadow_chroma: float = setting(0.0, _CHROMA, "Strength of that hue; 0 is off.")
    highlight_hue: float = setting(75.0, _HUE, "Hue of the highlights.")
    highlight_chroma: float = setting(0.0, _CHROMA, "Strength of that hue; 0 is off.")
    crossing: float = setting(0.0, Number(-6, 6, "stops about middle grey"), "Tone at which both are half present.")

    def tints(self, light: np.ndarray) -> np.ndarray:
        """Linear sRGB of luminance 1 by which a grey of that light is multiplied: (..., 3)."""
        shadow, highlight = (_tint(h, c) for h, c in ((self.shadow_hue, self.shadow_chroma),
                                                      (self.highlight_hue, self.highlight_chroma)))
        stops = np.log2(np.maximum(light, np.float32(1e-9)) / np.float32(MIDDLE_GREY))
        share = smoothstep((stops - np.float32(self.crossing)) / np.float32(CROSSFADE) + np.float32(0.5))
        # In proportion, not in amounts: a channel's slope then has a bound, and rises however far apart the hues are.
        tints = shadow * (highlight / shadow) ** share[..., None]
        return tints / (tints @ LUMINANCE)[..., None]

    def apply(self, linear: np.ndarray) -> np.ndarray:
        """The toned picture, float32 (h, w, 3), of one (h, w) or (h, w, 3)."""
        if not self.shadow_chroma and not self.highlight_chroma:
            return linear
        out = np.empty(linear.shape[:2] + (3,), np.float32)
        # One tint a tone, so a table over the square root of light is as good as the formula.
        table = self.tints((np.linspace(0, 1, TONES, dtype=np.float32) ** 2) * np.float32(8))

        def work(y0: int, y1: int) -> None:
            rows = linear[y0:y1]
            at = np.sqrt(np.clip(luminance(rows), np.float32(0), np.float32(8)) / np.float32(8)) * np.float32(TONES - 1)
            tint = table[(at + np.float32(0.5)).astype(np.intp)]
            np.multiply(rows[..., None] if rows.ndim == 2 else rows, tint, out=out[y0:y1])

        in_strips(len(linear), work)
        return out


def _tint(hue: float, chroma: float) -> np.ndarray:
    """Linear sRGB of a colour of L* 50 (CIE 15:2018, 8.2.1), divided by its luminance."""
    a, b = chroma * np.cos(np.radians(hue)), chroma * np.sin(np.radians(hue))
    y = (50 + 16) / 116
    xyz = _WHITE * np.array([y + a / 500, y, y - b / 200]) ** 3
    rgb = np.maximum(_TO_SRGB @ xyz, LEAST)
    return (rgb / (LUMINANCE @ rgb)).astype(np.float32)

"""A spectral test world: reflectances, light, a three-layer masked film, a panel and a camera, band by band.

Reflectances, illuminants, light sources and camera sensitivities are the published data of colour-science 0.4
(colour.SDS_COLOURCHECKERS, SDS_ILLUMINANTS, SDS_LIGHT_SOURCES, MSDS_CAMERA_SENSITIVITIES). The films are invented: no
stock is meant. The code shares nothing with the library and its characteristic curve is of another family, so that
what is measured here is not the library agreeing with itself.
"""
from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

#: Wavelengths in nm.
BANDS = np.arange(400.0, 701.0, 5.0)
#: Charts of the published reflectances; the last three are not used to make the generic film.
CHARTS = ("babel_average", "PMC", "cc_ohta", "ISO 17321-1")

WHITE_PANELS = ("LED-B3", "LED-B4", "LED-B5", "LED-BH1", "LED-V1", "LED-V2", "PHOS-2", "PHOS-4", "Phosphor LED YAG")
THREE_COLOUR_PANELS = ("LED-RGB1", "3-LED-1 (457/540/605)", "3-LED-2 (473/545/616)", "3-LED-3 (465/546/614)",
                       "3-LED-4 (455/547/623)")


@lru_cache(maxsize=None)
def light(name: str) -> np.ndarray:
    """Spectral power (n,) of an illuminant or a light source, largest 1."""
    import colour

    sd = colour.SDS_ILLUMINANTS.get(name) or colour.SDS_LIGHT_SOURCES[name]
    power = np.interp(BANDS, sd.wavelengths, sd.values, left=0, right=0)
    return power / power.max()


@lru_cache(maxsize=None)
def reflectances(chart: str) -> np.ndarray:
    """(patches, n); the last six of a 24-patch chart are its greys."""
    import colour

    return np.stack([np.interp(BANDS, sd.wavelengths, sd.values) for sd in colour.SDS_COLOURCHECKERS[chart].values()])


@lru_cache(maxsize=None)
def camera(index: int) -> np.ndarray:
    """Sensitivities (n, 3) of the first or second published camera."""
    import colour

    published = list(colour.MSDS_CAMERA_SENSITIVITIES.values())[index]
    values = np.stack([np.interp(BANDS, published.wavelengths, published.values[:, c], left=0, right=0)
                       for c in range(3)], axis=1)
    return np.maximum(values, 0)


@lru_cache(maxsize=None)
def observer() -> np.ndarray:
    """CIE 1931 colour-matching functions (n, 3)."""
    import colour

    cmfs = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"]
    return np.stack([np.interp(BANDS, cmfs.wavelengths, cmfs.values[:, c]) for c in range(3)], axis=1)


def xyz(reflectance: np.ndarray, illuminant: str = "D50") -> np.ndarray:
    """XYZ (patches, 3), perfect diffuser Y = 1."""
    weighted = observer() * light(illuminant)[:, None]
    return reflectance @ weighted / weighted[:, 1].sum()


def lab(values: np.ndarray, white: np.ndarray | None = None) -> np.ndarray:
    """CIE L*a*b* of XYZ under D50."""
    import colour

    white = xyz(np.ones((1, len(BANDS))))[0] if white is None else white
    return colour.XYZ_to_Lab(values, colour.XYZ_to_xy(white))


def delta_e(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    """CIEDE2000 of L*a*b* values, by colour-science."""
    import colour

    return colour.delta_E(a, b, method="CIE 2000")


def _bell(peak: float, below: float, above: float) -> np.ndarray:
    return np.exp(-0.5 * ((BANDS - peak) / np.where(BANDS < peak, below, above)) ** 2)


@dataclass(frozen=True)
class Stock:
    """An invented colour negative film; layers red, green, blue sensitive.

    Attributes
    ----------
    sensitive : peak, width below, width above in nm, a layer
    dyes : peak, width below, width above in nm of cyan, magenta, yellow
    stray : side absorptions (peak, width, height) of each dye
    mask : share of the side absorptions that coloured couplers take back
    fog : density of the clear base
    gamma, speed, toe, top, shoulder : a layer; toe in log exposure, shoulder in density
    inhibit : by how much log exposure a unit of its neighbours' density holds a layer back
    """

    name: str
    sensitive: tuple
    dyes: tuple
    stray: tuple
    mask: float
    fog: float
    gamma: tuple
    speed: tuple
    toe: tuple
    top: tuple
    shoulder: tuple
    inhibit: float = 0.0

    def exposures(self, radiance: np.ndarray, balanced_for: str = "D55") -> np.ndarray:
        """Layer exposures (patches, 3); a diffuser in the light the film is balanced for gives 1."""
        layers = np.stack([_bell(*s) for s in self.sensitive], axis=1)
        return radiance @ layers / (light(balanced_for) @ layers)

    def amounts(self, log_h: np.ndarray) -> np.ndarray:
        """Dye amounts (patches, 3)."""
        own = self._curves(log_h)
        held = log_h - self.inhibit * (own.sum(axis=1, keepdims=True) - own) * 0.5
        # Neighbours of equal exposure hold each other back in a grey too; the film's slope is meant with that.
        return self._curves(held + self.inhibit * own)

    def _curves(self, log_h: np.ndarray) -> np.ndarray:
        gamma, speed, toe, top, shoulder = (np.array(v) for v in
                                            (self.gamma, self.speed, self.toe, self.top, self.shoulder))
        straight = gamma * _ramp(log_h - speed, toe)
        return _ramp(top, shoulder) - _ramp(top - straight, shoulder)

    def density(self, amounts: np.ndarray) -> np.ndarray:
        """Spectral density (patches, n), base included."""
        own = np.stack([_bell(*d) for d in self.dyes])
        side = np.stack([sum((h * _bell(p, w, w) for p, w, h in s), np.zeros_like(BANDS)) for s in self.stray])
        coupled = self.mask * side * np.array(self.top)[:, None]
        left = np.clip(1 - amounts / np.array(self.top), 0, 1)
        haze = self.fog * (1 + 0.4 * (700 - BANDS) / 300)
        return amounts @ (own + side) + left @ coupled + haze


def _ramp(x, width):
    """The integral of a normal distribution's cumulative: 0 far below 0, x far above."""
    from scipy.special import ndtr

    z = np.asarray(x, float) / width
    return width * (z * ndtr(z) + np.exp(-0.5 * z * z) / np.sqrt(2 * np.pi))


STOCKS = (
    Stock("even", ((640, 32, 22), (548, 26, 24), (452, 28, 28)),
          ((690, 62, 50), (548, 34, 38), (446, 36, 40)),
          (((430, 40, 0.10), (540, 40, 0.12)), ((440, 35, 0.26), (650, 40, 0.05)), ((530, 35, 0.06),)),
          0.85, 0.10, (0.66, 0.66, 0.70), (-2.0, -2.05, -2.1), (0.28, 0.26, 0.26), (2.3, 2.5, 2.7), (0.3, 0.3, 0.3), 0.10),
    Stock("soft", ((630, 30, 26), (542, 30, 26), (460, 30, 26)),
          ((675, 55, 50), (540, 36, 40), (452, 38, 42)),
          (((440, 40, 0.08), (550, 45, 0.16)), ((430, 40, 0.32), (640, 40, 0.08)), ((520, 40, 0.10),)),
          0.70, 0.14, (0.58, 0.60, 0.62), (-2.1, -2.1, -2.2), (0.35, 0.32, 0.30), (2.2, 2.3, 2.5), (0.35, 0.35, 0.3), 0.0),
    Stock("hard", ((648, 28, 20), (552, 24, 22), (446, 26, 30)),
          ((698, 66, 48), (552, 32, 36), (442, 34, 36)),
          (((420, 40, 0.12), (530, 40, 0.10)), ((445, 35, 0.22),), ((525, 30, 0.04),)),
          1.0, 0.08, (0.74, 0.72, 0.80), (-1.9, -1.95, -1.9), (0.22, 0.24, 0.2), (2.6, 2.7, 3.0), (0.25, 0.3, 0.3), 0.18),
    Stock("no mask", ((638, 30, 24), (546, 28, 24), (455, 30, 28)),
          ((682, 58, 50), (546, 36, 36), (448, 36, 40)),
          (((435, 40, 0.09), (545, 40, 0.13)), ((440, 38, 0.24), (645, 40, 0.06)), ((525, 35, 0.07),)),
          0.0, 0.12, (0.64, 0.62, 0.62), (-2.0, -2.0, -2.0), (0.3, 0.3, 0.3), (2.3, 2.4, 2.5), (0.3, 0.3, 0.3), 0.05),
)


@dataclass(frozen=True, eq=False)
class World:
    """A stock over a panel before a camera, exposed in some light.

    Attributes
    ----------
    panel : (n,) spectral power
    sensitivity : (n, 3) of the camera
    scene_light : name of an illuminant
    """

    stock: Stock
    panel: np.ndarray
    sensitivity: np.ndarray
    scene_light: str = "D55"
    name: str = ""

    def layer_exposures(self, reflectance: np.ndarray, stops: float = 0.0) -> np.ndarray:
        """(patches, 3)"""
        power = light(self.scene_light)
        level = (power @ observer()[:, 1]) / (light("D55") @ observer()[:, 1])
        return self.stock.exposures(reflectance * power / level) * 2.0 ** stops

    def negative(self, reflectance: np.ndarray, stops: float = 0.0) -> np.ndarray:
        """Camera values (patches, 3) of the negative, panel = 1."""
        h = np.maximum(self.layer_exposures(reflectance, stops), 1e-8)
        return self._seen(self.stock.amounts(np.log10(h)))

    @property
    def base(self) -> np.ndarray:
        """Camera values (3,) of unexposed film, panel = 1."""
        return self._seen(np.zeros((1, 3)))[0]

    def _seen(self, amounts: np.ndarray) -> np.ndarray:
        weight = self.sensitivity * self.panel[:, None]
        return 10.0 ** -self.stock.density(amounts) @ weight / weight.sum(axis=0)

    @property
    def camera_matrix(self) -> np.ndarray:
        """XYZ (D65) to camera, least squares over the published reflectances, green of the white at 1 (as in a DNG)."""
        patches = np.concatenate([reflectances(c) for c in CHARTS[:2]])
        seen = patches @ (self.sensitivity * light("D65")[:, None])
        matrix = np.linalg.lstsq(xyz(patches, "D65"), seen, rcond=None)[0].T
        return matrix / (self.sensitivity * light("D65")[:, None])[:, 1].sum()


def worlds(stocks=STOCKS, panels=("LED-B4", "LED-RGB1", "PHOS-4", "3-LED-3 (465/546/614)"), cameras=(0, 1)) -> list[World]:
    """Every stock over every panel before every camera."""
    return [World(s, light(p), camera(c), name=f"{s.name}, {p}, camera {c + 1}")
            for s in stocks for p in panels for c in cameras]


def drawn_stock(rng: np.random.Generator) -> Stock:
    """A plausible stock nobody made: the values of `STOCKS` and what lies around and between them."""
    def about(middle, spread):
        return float(rng.normal(middle, spread))

    gamma = about(0.66, 0.05)
    stray = (((about(432, 8), 40, abs(about(0.10, 0.03))), (about(542, 8), 42, abs(about(0.13, 0.03)))),
             ((about(439, 6), 37, abs(about(0.26, 0.05))), (about(645, 8), 40, abs(about(0.05, 0.03)))),
             ((about(525, 8), 35, abs(about(0.07, 0.03))),))
    return Stock("drawn",
                 ((about(639, 8), about(30, 3), about(23, 3)), (about(547, 5), about(27, 3), about(24, 2)),
                  (about(453, 6), about(28, 3), about(28, 3))),
                 ((about(686, 10), about(60, 5), 50), (about(547, 5), about(34, 3), about(37, 3)),
                  (about(447, 5), about(36, 3), about(39, 3))),
                 stray, float(rng.uniform(0.5, 1.05)) if rng.random() < 0.9 else 0.0, float(rng.uniform(0.06, 0.18)),
                 tuple(gamma * about(k, 0.03) for k in (0.99, 0.99, 1.04)), tuple(about(-2.03, 0.08) for _ in range(3)),
                 tuple(float(rng.uniform(0.18, 0.38)) for _ in range(3)), tuple(about(k, 0.15) for k in (2.3, 2.5, 2.7)),
                 tuple(float(rng.uniform(0.2, 0.4)) for _ in range(3)), float(rng.uniform(0.0, 0.2)))


def drawn_camera(rng: np.random.Generator) -> np.ndarray:
    """Sensitivities (n, 3): a published camera's, at times moved, widened and leaking otherwise; or bells of our own."""
    shift, stretch = rng.normal(0, 6, 3), rng.normal(1, 0.06, 3)
    kind = rng.random()
    if kind < 0.4:
        return camera(int(rng.integers(2)))
    if kind < 0.75:
        base = camera(0 if rng.random() < 0.75 else 1)
        middle = (BANDS[:, None] * base).sum(axis=0) / base.sum(axis=0)
        out = np.stack([np.interp((BANDS - middle[c] - shift[c]) / stretch[c] + middle[c], BANDS, base[:, c], 0, 0)
                        for c in range(3)], axis=1)
    else:
        peaks, widths = np.array((600, 535, 462)) + shift, np.array((32, 38, 28)) * stretch
        out = np.stack([_bell(p, w, w) for p, w in zip(peaks, widths)], axis=1)
    out = out / out.max(axis=0)
    leak = np.abs(rng.normal(0, 0.04, (3, 3)))
    np.fill_diagonal(leak, 1)
    # An infrared-cut filter ends the red somewhere.
    cut = 1 / (1 + np.exp((BANDS - rng.uniform(655, 690)) / 10))
    return out @ leak * cut[:, None]


def drawn_world(seed: int) -> World:
    """A world by number, for fitting and for holding back."""
    rng = np.random.default_rng([7, seed])
    if rng.random() < 0.6:
        panel = light(str(rng.choice(WHITE_PANELS)))
    else:
        panel = light(str(rng.choice(THREE_COLOUR_PANELS)))
    scene = str(rng.choice(("D50", "D55", "D65"), p=(0.3, 0.5, 0.2)))
    return World(drawn_stock(rng), panel, drawn_camera(rng), scene, f"drawn {seed}")


def drawn_scene(rng: np.random.Generator, kind: str | None = None, pool: np.ndarray | None = None):
    """What a frame may show, as reflectances (patches, n) and how many pixels each has (patches,).

    A ``chart`` (18 colours, six greys, at times much of one grey around); ``plain`` and ``vivid`` subjects, lit and
    shaded; ``one colour``, half or more of which has one hue.
    """
    kind = kind or str(rng.choice(("chart", "plain", "vivid", "one colour"), p=(0.3, 0.35, 0.2, 0.15)))
    pool = np.concatenate([reflectances(CHARTS[0])[:18], reflectances(CHARTS[1])[:24]]) if pool is None else pool
    greys = reflectances(CHARTS[0])[18:]
    if kind == "chart":
        patches = np.concatenate([pool[rng.permutation(len(pool))[:18]], greys, greys[rng.integers(6)][None]])
        around = int(rng.integers(0, 3000)) if rng.random() < 0.6 else 0
        return patches, np.append(np.full(24, 100), around)
    n = 64
    chosen = pool[rng.integers(0, len(pool), n)]
    flat = chosen.mean(axis=1, keepdims=True)
    low, high = {"plain": (0.15, 0.7), "vivid": (0.6, 1.0), "one colour": (0.4, 1.0)}[kind]
    purity = np.clip(rng.normal(rng.uniform(low, high), 0.25, (n, 1)), 0, 1)
    grey = rng.random((n, 1)) < (0.08 if kind == "vivid" else 0.25)
    purity = np.where(grey, rng.uniform(0, 0.12, (n, 1)), purity)
    patches = chosen * purity + flat * (1 - purity)
    patches = np.clip(patches * 10 ** rng.normal(-0.1, 0.35, (n, 1)), 0.004, 1.2)
    pixels = np.ceil(100 * rng.lognormal(0, 1, n)).astype(int)
    if kind == "one colour":
        hue = pool[rng.integers(len(pool))]
        patches[:n // 2] = np.clip((0.9 * hue + 0.1 * hue.mean()) * 10 ** rng.normal(-0.1, 0.2, (n // 2, 1)), 0.004, 1.2)
        pixels[:n // 2] *= int(rng.integers(1, 8))
    return patches, pixels

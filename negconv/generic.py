"""The generic films: constants made by benchmarks/generic_film.py, and how a colour film is put together from them."""
from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from .film import Film

#: CIE XYZ (D65) to the wide channels densities are taken in: linear ROMM (ISO 22028-2), white adapted from D50 to D65.
WIDE = (
    (1.403, -0.223, -0.1016),
    (-0.5262, 1.482, 0.01703),
    (-0.0112, 0.01825, 0.9112),
)
#: XYZ (D65) to camera of a typical camera, for captures without a matrix of their own: the mean over the worlds.
TYPICAL_CAMERA = (
    (0.8503, -0.104, -0.07437),
    (-0.2424, 1.01, 0.2065),
    (-0.07527, 0.3542, 0.5906),
)

# A film in 18 values: off-diagonal unmixing by rows; natural logarithms of three gammas and a toe; off-diagonal matrix by
# rows; how far greys' red and blue lie above green.
#: Before anything is seen of the film.
STILL = (
    0.08364, -0.05785, -0.7389, 0.1095, -0.2988, -0.1766, -0.4673, -0.3418, -0.2008, -0.6286, -1.262, -0.03332,
     -0.1884, -0.09487, 0.009801, -0.1512, -0.2263, -0.2382
)
#: Mean and spread of the features of `negconv.balance.adapt`.
FEATURES = (
    (-0.3317, 0.2367, -0.4897, -0.8619, 0.35, -1.587, 0.01548, -0.01122, -0.02797, -0.02536, -1.596, -1.047,
     0.07296, -0.8125),
    (0.4953, 0.2466, 0.8715, 0.791, 0.51, 2.04, 0.1283, 0.0986, 0.04452, 0.04626, 0.4274, 0.4663, 0.4094, 0.2409),
)
#: Each value's mean over adapted films, then what one spread of each feature adds.
VALUES = (
    (-0.02495, -0.04785, 0.02232, 0.06558, -0.06499, 0.0346, 0.1793, 0.001532, -0.0334, -0.006447, -0.00366,
     0.05275, -0.0716, 0.02083, -0.003998),
    (-0.07658, -0.008191, -0.03903, -0.01003, -0.049, 0.00678, 0.04754, -0.01818, 0.002021, 0.000813, 0.0003608,
     0.009649, 0.0004949, 0.009821, -0.00194),
    (-1.083, -0.1113, -0.1801, 0.2168, 0.2051, -0.1584, -0.3829, 0.1549, -0.02259, -0.01341, -0.004687, 0.1177,
     -0.02537, 0.01442, -0.02539),
    (0.1365, 0.00967, 0.02922, 0.05834, -0.0881, 0.06826, 0.2481, -0.02528, -0.029, -0.007453, 0.005049, -0.01287,
     0.06815, 0.1058, 0.004965),
    (-0.4916, 0.09825, 0.1328, -0.04535, -0.0486, 0.312, 0.398, 0.1218, 0.009857, -0.05807, 0.009, -0.02174,
     0.03406, -0.2675, 0),
    (-0.2328, -0.01719, -0.081, 0.1743, 0.3468, 0.2118, 0.08332, -0.07093, 0.002556, 0.02504, -0.01777, -0.02029,
     0.1568, 0.2639, 0),
    (-0.5411, -0.005658, 0.03813, 0.02874, 0.03428, -0.06393, -0.06025, 0.08564, -0.0186, -0.01729, 0.006032,
     0.004798, 0.05727, -0.08999, 0.1631),
    (-0.3153, 0.05701, 0.03725, -0.1127, -0.1382, 0.07464, 0.2873, -0.02173, -0.03841, -0.00448, -0.00221,
     0.003085, 0.04154, 0.01446, 0.08901),
    (-0.03931, 0.0811, 0.03252, -0.1363, -0.1817, -0.1954, -0.08305, -0.06445, 0.08006, -0.0124, -0.02437,
     0.04766, -0.05972, 0.2162, -0.01396),
    (-0.706, 0.04524, -0.004597, -0.07586, -0.1452, -0.007929, 0.1264, -0.009295, -0.005834, 0.02275, 0.006121,
     0.018, -0.008723, 0.1509, 0.07423),
    (-1.011, 0.1054, 0.03891, -0.1106, 0.01553, -0.01233, -0.186, -0.06229, 0.01414, -0.008272, 0.003846, 0.08195,
     -0.01466, -0.0506, 0.002541),
    (-0.009474, 0.009071, 0.02902, 0.04468, 0.03901, 0.01826, 0.02307, 0.001642, -0.003578, -0.009698, 0.0002758,
     -0.01378, 0.02981, 0.03868, 0.002359),
    (-0.1042, 0.0198, 0.03776, -0.01996, 0.0209, 0.03413, 0.02649, -0.03894, -0.003925, -0.01362, -0.008148,
     0.01226, 0.01716, -0.005883, 0.01252),
    (-0.1339, -0.0237, -0.03073, -0.02738, 0.004394, -0.0535, -0.1197, 0.004562, 0.005093, 0.006119, -0.006785,
     -0.02004, -0.01208, -0.06925, -0.001273),
    (0.04588, -0.007056, -0.01423, 0.0315, -0.02819, 0.001666, 0.004111, 0.002519, -0.005965, 0.004209, 0.001627,
     0.01013, -0.01364, 0.02992, 0.0001575),
    (-0.2302, -0.05202, -0.02616, -0.04554, -0.009081, -0.09449, -0.1164, 0.00264, -0.0008221, -0.001339,
     -0.001123, -0.04079, 0.01763, -0.1236, 0.01658),
    (-0.1802, 0.08236, -0.01698, -0.1016, -0.1395, 0.06208, 0.1473, 0.09915, -0.05115, 0.0008707, -0.01988,
     0.03233, -0.04058, 0.1088, -0.09375),
    (-0.4063, -0.02464, -0.002517, 0.1063, 0.1182, 0.1274, 0.1009, 0.05326, -0.02337, 0.02535, 0.03908, -0.04515,
     0.1359, -0.1889, 0.1282),
)
#: Log exposure at which the straight line meets the base, on average, still and adapted.
START, ADAPTED_START = -1.7753, -1.7718

MONO = {
    "name": "generic mono", "kind": "mono", "sensing": "camera", "fit": "generic", "source": "common practice, no source",
    "unmix": ((1 / 3, 1 / 3, 1 / 3),), "matrix": ((1.0,),),
    "curves": ({"gamma": 0.62, "start": -2.0, "toe": 0.18},),
}


def colour_film() -> dict:
    """Values of the generic colour film, for `Film.from_dict`."""
    return {"name": "generic colour", "kind": "colour", "sensing": "wide", "fit": "generic",
            "source": "benchmarks/generic_film.py", **_put_together(np.array(STILL), START)}


def adapted(film: Film, features: np.ndarray) -> Film:
    """A generic film with the values that `features` (14,) lead one to expect."""
    from .film import Film

    mean, spread = np.array(FEATURES)
    # Beyond two and a half spreads nothing was seen that the corrections could have been learnt from.
    away = np.clip((features - mean) / spread, -2.5, 2.5)
    values = np.array(VALUES)
    return replace(Film.from_dict({**film.to_dict(), **_put_together(values[:, 0] + values[:, 1:] @ away, ADAPTED_START)}), fit="adapted")


def _put_together(values: np.ndarray, start: float) -> dict:
    red, blue = values[16:18]
    starts = start - np.array([red, 0.0, blue]) + (red + blue) / 3
    curves = [{"gamma": float(g), "start": float(s), "toe": float(np.exp(values[9]))}
              for g, s in zip(np.exp(values[6:9]), starts)]
    return {"unmix": _rows(values[:6]), "matrix": _rows(values[10:16]), "curves": curves}


def _rows(off_diagonal: np.ndarray) -> list[list[float]]:
    """A 3x3 matrix whose rows add up to 1, from its off-diagonal elements by rows."""
    matrix = np.zeros((3, 3))
    matrix[~np.eye(3, dtype=bool)] = off_diagonal
    return (matrix + np.diag(1 - matrix.sum(axis=1))).tolist()

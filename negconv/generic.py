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
#: XYZ (D65) to camera of a typical camera, for captures without a matrix of their own: the mean over the worlds whose
#: cameras tell colours well apart (condition below 4).
TYPICAL_CAMERA = (
    (0.918, -0.136, -0.0832),
    (-0.4797, 1.1984, 0.2398),
    (-0.1505, 0.2548, 0.6733),
)

# A film in 18 values: off-diagonal unmixing by rows; natural logarithms of three gammas and a toe; off-diagonal matrix
# by rows; how far greys' red and blue lie above green.
#: Before anything is seen of the film.
STILL = (
    0.02294, -0.03642, -0.7387, 0.07936, -0.205, -0.3242, -0.6109, -0.3711, -0.3948, -1.082, -1.197, -0.04747,
     -0.1825, -0.09125, -0.002952, -0.1267, -0.07465, -0.0166
)
#: Mean and spread of the features of `negconv.balance.adapt`.
FEATURES = (
    (-0.2012, 0.1007, -0.5014, -0.8671, 0.3304, -1.514, 0.01709, -0.009443, 0.003383, -0.006144, -1.773, -1.145,
     0.06161, -0.862),
    (0.3875, 0.1678, 0.8722, 0.7981, 0.4728, 1.952, 0.1997, 0.2024, 0.1397, 0.1415, 0.4045, 0.4777, 0.3697,
     0.2272),
)
#: Each value's mean over adapted films, then what one spread of each feature adds.
VALUES = (
    (-0.1055, -0.04503, 0.01387, 0.1162, -0.06449, 0.04562, 0.1205, -0.03811, -0.04986, 0.02532, 0.04835, 0.119,
     -0.07117, 0.02912, -0.0102),
    (-0.04861, 0.005052, -0.01876, 0.005436, -0.04106, 0.01557, 0.03842, -0.02373, 0.001502, 0.01034, -0.0001546,
     0.008527, -0.003395, 0.01613, -0.006289),
    (-1.129, -0.1067, -0.1208, 0.3381, 0.07427, 0.05845, -0.2296, 0.08451, -0.05526, 0.08117, 0.07116, 0.233,
     -0.08853, 0.03896, -0.06878),
    (0.1012, -0.035, -0.01666, 0.04129, -0.03655, 0.03682, 0.2217, -0.04438, -0.0222, 0.02811, 0.004202, -0.04324,
     0.09832, 0.1272, 0.01808),
    (-0.38, 0.1575, 0.1316, -0.02193, -0.0426, 0.2648, 0.1545, 0.2262, -0.03074, -0.1083, 0.04245, 0.01559,
     -0.04568, -0.265, 0.01183),
    (-0.4439, -0.1412, -0.1326, 0.1456, 0.359, 0.1152, 0.1518, -0.1039, 0.02938, 0.05906, -0.08271, -0.09208,
     0.2342, 0.2217, 0.002913),
    (-0.6325, -0.04455, 0.0007791, 0.05641, -0.05255, 0.00545, 0.05939, -0.03521, -0.001182, 0.1501, -0.03144,
     0.0413, 0.02178, -0.03004, 0.09154),
    (-0.3155, -0.006689, 0.02351, -0.05699, -0.04613, -0.002491, 0.134, -0.01728, 0.01252, -0.04275, -0.03696,
     -0.005564, 0.04671, -0.03491, 0.1002),
    (-0.3401, -0.03452, -0.006049, -0.006689, -0.01476, -0.0982, -0.04217, -0.05077, -0.02078, -0.01989, 0.1115,
     0.01535, 0.05138, -0.00204, 0.1061),
    (-1.063, -0.1127, 0.03963, 0.09502, -0.1609, 0.1369, 0.3127, -0.1822, -0.02089, 0.2269, -0.01444, -0.08399,
     0.09265, 0.09353, 0.0655),
    (-0.899, 0.1284, 0.06594, -0.1583, 0.0506, -0.1423, -0.2573, 0.03101, -0.02957, -0.1202, -0.02135, -0.01933,
     -0.03281, -0.0441, 0.01384),
    (-0.03622, -0.02762, -0.01059, 0.02153, 0.04988, 0.01584, 0.02084, 0.0008507, 0.01898, 0.002462, -0.007697,
     -0.01512, 0.03525, 0.01502, 0.01593),
    (-0.09318, 0.03283, 0.0302, -0.04122, 0.0557, -0.01305, -0.04182, 0.02817, 0.01068, -0.07524, -0.04043,
     -0.01528, 0.01338, -0.01266, 0.02594),
    (-0.1133, 0.01927, 0.01081, -0.008127, -0.02314, -0.02599, -0.08601, 0.02634, 0.005095, -0.02417, -0.01588,
     -0.007016, -0.01843, -0.04947, -0.01529),
    (0.02998, -0.01541, -0.01144, 0.01379, -0.02148, -0.01357, 0.02293, -0.02708, -0.009436, 0.03191, 0.01027,
     0.003962, 0.001604, 0.02567, -0.001495),
    (-0.1751, 0.003609, 0.01424, -0.01799, -0.0445, -0.01321, -0.05133, 0.05128, 0.002404, -0.06058, -0.02499,
     -0.01602, -0.003668, -0.08775, 0.0125),
    (-0.09932, 0.01076, -0.001596, -0.02342, 0.003561, 0.009484, 0.03052, 0.1943, -0.005477, -0.1438, 0.0174,
     0.01174, 0.004159, -0.007874, 0.004487),
    (-0.04228, 0.003377, 0.00227, 0.03434, -0.009244, 0.02075, 0.03895, 0.03404, 0.2038, -0.004074, -0.1487,
     0.009308, 0.001481, 0.01671, -0.02346),
)
#: Log exposure at which the straight line meets the base, on average, still and adapted.
START, ADAPTED_START = -2.0637, -2.0617

#: The slope lies between the 0.62 common practice aims at and the 0.68 that, with this toe, gives the contrast ISO
#: 6:1993 asks of development for pictures (density 0.80 over 1.30 decades from 0.10 above base and fog on). The curve
#: starts so that a grey of 18 % lies a decade over that point, as a meter to ISO 2720 places it (from memory).
MONO = {
    "name": "generic mono", "kind": "mono", "sensing": "camera", "fit": "generic",
    "source": "common practice and ISO 6:1993",
    "unmix": ((1 / 3, 1 / 3, 1 / 3),), "matrix": ((1.0,),),
    "curves": ({"gamma": 0.65, "start": -1.77, "toe": 0.2},),
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
    parts = _put_together(values[:, 0] + values[:, 1:] @ away, ADAPTED_START)
    return replace(Film.from_dict({**film.to_dict(), **parts}), fit="adapted")


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

"""How likely a candidate is dirt, from its features."""
from __future__ import annotations

import numpy as np

from .features import NAMES

#: Candidates below this confidence are not even listed.
DOUBTFUL = 0.15


def confidence(values: np.ndarray, *, light: bool) -> np.ndarray:
    """Share of candidates with such features that are dirt; float array (n,)."""
    f = {name: values[:, i] for i, name in enumerate(NAMES)}
    z = 2.5 * (f["drop at 2"] - 0.55) / 0.2 + 1.5 * (f["contrast/strongest around"] + 0.2) + (f["contrast/grain"] - 2.0)
    return 1 / (1 + np.exp(-np.clip(z - 2.0, -30, 30)))

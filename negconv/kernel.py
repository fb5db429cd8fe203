"""The compiled inner loops (`_kernel.c`), or None where they were not built: numpy then does the same, slower.

They are one more way to compute what stands in numpy in `capture`, `flat`, `invert`, `resample` and `encode`, never the only one.
"""
from __future__ import annotations

try:
    from . import _kernel as loops
except ImportError:
    loops = None

"""The compiled inner loops (`_kernel.c`), or None where they were not built: numpy then does the same, slower.

They are one more way to compute what stands in numpy in `capture`, `raw`, `flat`, `invert`, `resample`, `encode` and the
modules that find frames, never the only one.
"""
from __future__ import annotations

try:
    from . import _kernel as loops
except ImportError:
    loops = None


def keep_memory() -> None:
    """Have this process keep memory it is done with for its next arrays, where the C library is glibc (mallopt(3)).

    Of large arrays, glibc hands each back to the system, which clears every page again for the next: some 0.25 s of a
    24 MP frame. For processes of our own, not for those of others that import this package.
    """
    if loops is not None:
        loops.keep_memory()

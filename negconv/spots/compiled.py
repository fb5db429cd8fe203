"""The compiled inner loops of finding spots (`_loops.c`), or None where they were not built: numpy then does the same, slower."""
from __future__ import annotations

try:
    from . import _loops as loops
except ImportError:
    loops = None

"""What several topics share."""
from __future__ import annotations

import os

import pytest

# Before any test imports rawpy: on several threads LibRaw's demosaicing is not the same to the byte (`raw.libraw`).
os.environ.setdefault("OMP_NUM_THREADS", "1")

from negconv import kernel  # noqa: E402


@pytest.fixture(params=["compiled", "numpy"])
def inner_loops(request, monkeypatch):
    """Each test twice: with the compiled inner loops, and with the numpy that stands in for them."""
    if request.param == "numpy":
        monkeypatch.setattr(kernel, "loops", None)
    elif kernel.loops is None:
        pytest.skip("the inner loops were not compiled here")

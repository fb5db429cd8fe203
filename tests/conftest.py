"""What several topics share."""
from __future__ import annotations

import pytest

from negconv import kernel


@pytest.fixture(params=["compiled", "numpy"])
def inner_loops(request, monkeypatch):
    """Each test twice: with the compiled inner loops, and with the numpy that stands in for them."""
    if request.param == "numpy":
        monkeypatch.setattr(kernel, "loops", None)
    elif kernel.loops is None:
        pytest.skip("the inner loops were not compiled here")

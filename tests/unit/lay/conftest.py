from __future__ import annotations

import pytest

from plyflat.lay import search


@pytest.fixture(autouse=True)
def few_quick_answers(monkeypatch):
    """Fewer quick answers than a builder gets: what these tests hold does not hang on how short the lays are."""
    monkeypatch.setattr(search, "QUICK", 5)

"""How long work tells that it is getting on."""

from __future__ import annotations

from collections.abc import Callable

#: Called with the stage's name and the share of it that is done, 0 to 1.
Tell = Callable[[str, float], None]


def quiet(stage: str, done: float) -> None:
    """Take a report and do nothing with it."""

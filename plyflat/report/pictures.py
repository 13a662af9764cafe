"""All pictures of a plan."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import TYPE_CHECKING

from ..export.drawing import unique_stems
from ..progress import Tell, quiet
from .flat import lay_pictures, plan_flat_pictures
from .hull import region_pictures
from .style import Picture

if TYPE_CHECKING:
    from ..planned import Plan

__all__ = ["Picture", "draw_pictures"]


def draw_pictures(plan: Plan, *, progress: Tell | None = None) -> tuple[Picture, ...]:
    """Draw every picture of a plan, without a window.

    Parameters
    ----------
    plan : Plan
    progress : callable, optional
        Called with a stage and the share done.

    Returns
    -------
    tuple of Picture
        In order of working; their names differ.
    """
    tell = progress or quiet
    drawn = []
    for done, picture in _all(plan):
        drawn.append(picture)
        tell("drawing", done)
    names = unique_stems(picture.name for picture in drawn)
    tell("drawing", 1.0)
    return tuple(replace(picture, name=name) for picture, name in zip(drawn, names))


def _all(plan: Plan) -> Iterator[tuple[float, Picture]]:
    """Pictures with the share of rooms done so far: each region has two, each material one."""
    rooms = [picture for r in plan.regions for picture in (region_pictures(plan, r), plan_flat_pictures(plan, r))]
    rooms += [lay_pictures(roll) for roll in plan.rolls]
    for k, room in enumerate(rooms):
        for picture in room:
            yield k / len(rooms), picture

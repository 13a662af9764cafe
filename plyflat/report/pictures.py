"""All pictures of a plan."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import TYPE_CHECKING

from ..export.drawing import unique_stems
from ..progress import Tell, quiet
from .faults import fault_picture
from .flat import plan_flat_pictures
from .hull import region_pictures
from .lays import lay_pictures
from .style import Picture
from .timeline import timeline_pictures

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
    drawn: list[Picture] = []
    total = _expected(plan)
    for picture in _all(plan):
        drawn.append(picture)
        tell("drawing", min(len(drawn) / total, 1.0))
    names = unique_stems(picture.name for picture in drawn)
    return tuple(replace(picture, name=name) for picture, name in zip(drawn, names))


def _all(plan: Plan) -> Iterator[Picture]:
    for region in plan.regions:
        yield from region_pictures(plan, region)
        yield from plan_flat_pictures(plan, region)
    for roll in plan.rolls:
        yield from lay_pictures(roll)
    yield from timeline_pictures(plan)
    for mesh in plan.meshes:
        found = fault_picture(plan, mesh)
        if found is not None:
            yield found


def _expected(plan: Plan) -> int:
    """About how many pictures there will be; long lays and many pieces make a few more."""
    regions = sum(2 + 3 * len(region.plies) + len(region.layers) for region in plan.regions)
    return max(regions + sum(len(roll.lays) for roll in plan.rolls) + len(plan.meshes), 1)

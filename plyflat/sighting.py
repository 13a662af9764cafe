"""From a plan's regions to what projectors throw on the hull: edges of plies, joins, warp line and tape as they see them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from .errors import QuantityError
from .job.model import Job
from .planned import MeshPlan, RegionPlan, SightLine, SightPlan
from .surface.mesh import Floats, Surface
from .surface.sight import Sight, seen_line, sight_from

Note = tuple[str, str, str]

#: A mark that comes to lie this far from where it was picked is told, pixels.
OFF_PX = 5.0
_WARP_POINTS = 40
#: A line of which less than this is seen is told.
LEAST_SEEN = 0.98


def sights_of(job: Job) -> tuple[Sight, ...]:
    """Return where each projector of a job stands and how it looks, before any other work is done.

    Parameters
    ----------
    job : Job

    Raises
    ------
    QuantityError
        Marks of which no projector can be made, with its number in the job.
    """
    out = []
    for k, spec in enumerate(job.projectors):
        on, at = [m.on_mm for m in spec.marks], [m.at_px for m in spec.marks]
        try:
            out.append(sight_from(on, at, image_px=spec.image_px, stands_mm=spec.stands_mm))
        except QuantityError as fault:
            raise QuantityError(fault.what, where=f"projector {k + 1}", do=fault.do) from fault
    return tuple(out)


def plan_sights(
    job: Job, sights: Sequence[Sight], regions: Sequence[RegionPlan], meshes: Sequence[MeshPlan]
) -> tuple[tuple[SightPlan, ...], tuple[Note, ...]]:
    """Return what each projector of a job throws on the hull, and notes: text, place, what to do.

    Parameters
    ----------
    job : Job
    sights : sequence of Sight
        From `sights_of`.
    regions : sequence of RegionPlan
    meshes : sequence of MeshPlan
    """
    by_name, surfaces = {r.name: r for r in regions}, {m.name: m.surface for m in meshes}
    plans, notes = [], []
    for k, (spec, sight) in enumerate(zip(job.projectors, sights)):
        region = by_name[spec.region]
        lines = tuple(_lines(region, sight, surfaces[region.mesh]))
        plans.append(SightPlan(region.name, sight, lines, np.array([m.at_px for m in spec.marks])))
        notes += [(text, f"projector {k + 1}, {region.name}", do) for text, do in _notes(sight, lines)]
    return tuple(plans), tuple(notes)


def _lines(region: RegionPlan, sight: Sight, surface: Surface) -> Iterator[SightLine]:
    """Every line of a region that is thrown, those that are laid last on top."""

    def line(kind: str, name: str, points: Floats, closed: bool) -> SightLine:
        seen = seen_line(sight, surface, points, closed=closed)
        return SightLine(kind, name, seen.runs_px, seen.share)

    if region.stack is not None:
        for points in region.stack.tape_mm:
            yield line("tape", "tape", points, closed=True)
    for ply in region.plies:
        for loop in ply.region.loops:
            yield line("edge", ply.name, ply.region.surface.vertices_mm[loop], closed=True)
        for seam in ply.seams_mm:
            yield line("join", ply.name, seam, closed=False)
    yield line("warp", "warp", _on_hull(surface, region.warp_mm), closed=False)


def _on_hull(surface: Surface, ends_mm: Floats) -> Floats:
    """A line between two points of the hull, each of its points moved to the hull."""
    share = np.linspace(0.0, 1.0, _WARP_POINTS)[:, None]
    return np.asarray(surface.locate((1 - share) * ends_mm[0] + share * ends_mm[1]).points_mm)


def _notes(sight: Sight, lines: Sequence[SightLine]) -> list[tuple[str, str]]:
    out = []
    worst = int(np.argmax(sight.off_px))
    if sight.off_px[worst] > OFF_PX:
        out.append(
            (
                f"mark {worst + 1} comes to lie {sight.off_px[worst]:.0f} pixels from where it was picked",
                "Pick the marks again, or leave that one out.",
            )
        )
    for line in lines:
        if line.share < LEAST_SEEN:
            what = (
                f"the edge of {line.name}"
                if line.kind == "edge"
                else f"a join of {line.name}"
                if line.kind == "join"
                else f"the {line.name}"
            )
            out.append(
                (
                    f"{100 * (1 - line.share):.0f} % of {what} is hidden from the lens or outside its picture",
                    "Stand it elsewhere, or set up a second one for the rest.",
                )
            )
    return out

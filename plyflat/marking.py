"""From a plan's regions to marks that are put on the hull with a tape measure from points that can be found again."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from .cloth.pieces import piece_name
from .errors import OutlineError
from .job.datum import Datum
from .job.model import Boat, Job
from .planned import HullMark, PlyPlan, RegionPlan
from .surface.mesh import Floats, Surface
from .surface.tape_pull import Crossing, crossings, few_points

Note = tuple[str, str, str]

#: The joins of marks run no farther than this from the edge they stand for, unless there would be more marks than these;
#: fewer do for the edges of further plies, which run beside the first.
OFF_MM, MOST, MOST_FURTHER = 5.0, 16, 8
#: Two edges nowhere farther apart than this are one.
_SAME_MM = 1.0
#: Tapes that cross at a smaller angle than this (its sine) are told: 20 degrees.
SHARP = 0.342
#: How far a datum may lie off the mesh, mm.
TOLERANCE_MM = 20.0


def hull_marks(job: Job, regions: Sequence[RegionPlan]) -> tuple[tuple[HullMark, ...], tuple[Note, ...]]:
    """Return the marks of each region whose mesh has two datum points or more, and notes: text, place, what to do.

    Parameters
    ----------
    job : Job
    regions : sequence of RegionPlan

    Raises
    ------
    OutlineError
        A datum that is not on its mesh, with its name.
    """
    marks: list[HullMark] = []
    notes: list[Note] = []
    for region in regions:
        data = [d for d in job.data if d.mesh == region.mesh]
        if len(data) < 2:
            continue
        # The surface it was cut from has its fillet, if it has one.
        surface = region.base.parent
        _check(data, surface)
        named = _points(region)
        found = crossings(surface, [d.at_mm for d in data], np.array([p for *_, p in named]), tolerance_mm=TOLERANCE_MM)
        own = [
            _mark(region.name, k + 1, of, ply, p, q, data, job.boat) for k, ((of, ply, p), q) in enumerate(zip(named, found))
        ]
        marks += own
        notes += _notes(region.name, own)
    return tuple(marks), tuple(notes)


def _check(data: Sequence[Datum], surface: Surface) -> None:
    off = surface.locate(np.array([d.at_mm for d in data])).distance_mm
    for datum, far in zip(data, off):
        if far > TOLERANCE_MM:
            raise OutlineError(
                f"it lies {far:.0f} mm off mesh {datum.mesh}", where=f"datum {datum.name}", do="Give a point on the hull."
            )


def _points(region: RegionPlan) -> list[tuple[str, str, Floats]]:
    """What is marked of a region: what each point lies on, the ply whose own edge that is, and the point.

    Corners of its edge, in order, the ends of its warp line and the places where plies that are laid by their threads are
    put down first; after them the edges of the plies that reach elsewhere.
    """
    out: list[tuple[str, str, Floats]] = []
    loops = [region.base.surface.vertices_mm[loop] for loop in region.base.loops]
    for k, loop in enumerate(loops):
        of = "edge" if len(loops) == 1 else f"edge, line {k + 1}"
        out += [(of, "", p) for p in few_points(loop, off_mm=OFF_MM, most=MOST)]
    out += [("warp line", "", p) for p in np.asarray(region.warp_mm)]
    out += [(f"start of {ply.name} {piece}", "", p) for ply in region.plies for piece, p in _starts(ply)]
    return [*out, *(point for ply in region.plies for point in _edge_points(ply, loops))]


def _starts(ply: PlyPlan) -> list[tuple[str, Floats]]:
    """Where each piece that is laid by its threads is put down first, with the piece's name."""
    out = []
    for k, draped in ply.draped:
        first = draped.drape.laid.nets[0]
        if first.on_patch[first.net.origin]:
            out.append((piece_name(k), np.asarray(first.net.points[first.net.origin])))
    return out


def _edge_points(ply: PlyPlan, known: Sequence[Floats]) -> list[tuple[str, str, Floats]]:
    """Corners of a ply's edge, where it does not run along lines that are marked already."""
    out: list[tuple[str, str, Floats]] = []
    for k, part in enumerate(ply.region.loops):
        loop = ply.region.surface.vertices_mm[part]
        if any(_along(loop, line) for line in known):
            continue
        of = f"edge of {ply.name}" if len(ply.region.loops) == 1 else f"edge of {ply.name}, line {k + 1}"
        out += [(of, ply.name, p) for p in few_points(loop, off_mm=OFF_MM, most=MOST_FURTHER)]
    return out


def _along(loop: Floats, line: Floats) -> bool:
    """Whether a closed line lies on another."""
    a = line
    ab = np.roll(line, -1, axis=0) - a
    for p in few_points(loop, off_mm=_SAME_MM, most=MOST):
        share = np.clip(((p - a) * ab).sum(axis=1) / np.maximum((ab**2).sum(axis=1), 1e-12), 0.0, 1.0)
        if np.linalg.norm(a + share[:, None] * ab - p, axis=1).min() > _SAME_MM:
            return False
    return True


def _mark(
    region: str, number: int, of: str, ply: str, point: Floats, found: Crossing, data: Sequence[Datum], boat: Boat
) -> HullMark:
    a, b = data[found.first.mark], data[found.second.mark]
    x, y, z = point.tolist()
    return HullMark(
        region, number, of, (x, y, z), a.name, found.first.length_mm, b.name, found.second.length_mm,
        _side(point, np.array(a.at_mm), np.array(b.at_mm), boat), found.sine, ply,
    )  # fmt: skip


def _side(point: Floats, a: Floats, b: Floats, boat: Boat) -> str:
    """On which side of the line between two marks a point lies: the arcs of two tapes cross on the other one too."""
    along = (b - a) / max(float(np.linalg.norm(b - a)), 1e-9)
    off = point - a
    off = off - (off @ along) * along
    shares = {
        "forward": off @ np.array(boat.forward), "port": off @ np.array(boat.port), "up": off @ np.array(boat.up)
    }  # fmt: skip
    way = max(shares, key=lambda k: abs(shares[k]))
    other = {"forward": "aft", "port": "starboard", "up": "down"}
    return way if shares[way] > 0 else other[way]


def _notes(region: str, marks: Sequence[HullMark]) -> list[Note]:
    sharp = [m for m in marks if m.sine < SHARP]
    if not sharp:
        return []
    worst = min(sharp, key=lambda m: m.sine)
    return [
        (
            f"{len(sharp)} of its {len(marks)} marks are found by tapes that cross at a sharp angle; at mark {worst.number} a tape 1 mm out "
            f"moves the mark by {1 / max(worst.sine, 1e-3):.0f} mm",
            region,
            "State a datum off to one side.",
        )
    ]

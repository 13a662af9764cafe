"""From what a job says of an area to the regions of its plies and bag layers on the hull."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache

import numpy as np

from .errors import OutlineError, ShapeError, SolveError
from .job.area import Area, CornerSpec, DrawnSpec, RegionSpec, TapeSpec
from .job.model import Bag, Job
from .job.table import filled
from .plies_below import cloth_thickness_mm
from .shop.taper import steps_mm
from .surface.combine import Plane, minus, mirror, part_with, split_at, union
from .surface.corner import Corner, corner_regions, corner_way, find_corner
from .surface.drawn import drawn_region, read_drawing
from .surface.face import find_face
from .surface.fillet import Filleted, run_fillet
from .surface.mesh import Floats, Surface
from .surface.projected import cut_region_seen
from .surface.region import Region, cut_region, grow_regions
from .surface.spot import round_corners, spot_region
from .surface.tape import find_tape, find_tape_regions

#: A fillet that cannot run to the ends of an open corner ends short of them by so many radii.
SHORT = (0.0, 1.5, 2.5, 4.0)
#: Two sides of a boat that differ by more than this are worth a word.
MIRROR_DOUBT_MM = 3.0

Said = tuple[str, str]  # a caution and what would help
Spot = tuple[float, float, float]


@dataclass(frozen=True, eq=False)
class Placed:
    """A region of a job on its hull.

    Attributes
    ----------
    spec : RegionSpec
        As stated, the warp line resolved to two points where it runs along the corner.
    way : str
        Which of the ways to say a region it was said in.
    base : Region
        The region before any ply was moved, its openings taken out.
    plies : tuple of Region
    grow_mm : tuple of float
        How far each ply's outline was moved.
    laps_mm : tuple of (float, float)
        Of each ply, up the two sides of the corner; empty where there is none.
    beyond : dict
        The region by its reach beyond the largest ply, mm.
    corner : Corner or None
    fillet : Filleted or None
    cautions : tuple of (text, what would help)
    """

    spec: RegionSpec
    way: str
    base: Region
    plies: tuple[Region, ...]
    grow_mm: tuple[float, ...]
    laps_mm: tuple[tuple[float, float], ...]
    beyond: dict[float, Region]
    corner: Corner | None = None
    fillet: Filleted | None = None
    cautions: tuple[Said, ...] = ()


def reaches_mm(bag: Bag | None) -> list[float]:
    """Return how far the layers of a bag reach beyond the largest ply, each once, mm.

    Parameters
    ----------
    bag : Bag or None
    """
    if bag is None:
        return []
    found = {layer.margin_mm for kind, layer in bag.layers() if kind != "bag film"}
    found |= {bag.tape.margin_mm + bag.film.margin_mm}
    return sorted(found | ({bag.tape.margin_mm + bag.mask_mm} if bag.mask_mm > 0 else set()))


def place(job: Job, spec: RegionSpec, surfaces: Mapping[str, Surface], *, others: Mapping[str, Placed]) -> Placed:
    """Find a region on its hull, and the regions of its plies and of what lies beyond them.

    Parameters
    ----------
    job : Job
    spec : RegionSpec
    surfaces : dict
        The job's meshes by name.
    others : dict
        Regions placed before it, by name.

    Returns
    -------
    Placed

    Raises
    ------
    OutlineError
        Where the region cannot be found, or an opening leaves nothing of it.
    """
    surface = surfaces[spec.mesh]
    if spec.mirror_of is not None:
        placed = _mirrored(job, spec, surface, others[spec.mirror_of])
    elif spec.corner is not None:
        placed = _tabbed(job, spec, spec.corner, surface)
    else:
        placed = _outlined(job, spec, surface)
    return _cleared(job, spec, surface, placed)


# --- areas ---------------------------------------------------------------------------------------------------------------


@dataclass
class _Area:
    """An area as found, with what there is to say of it."""

    region: Region
    cautions: list[Said] = field(default_factory=list)


def way_of(area: Area) -> str:
    """Return which of the ways to say an area is used: the key of the job file.

    Parameters
    ----------
    area : Area
    """
    ways = ("outline", "tape", "face", "drawn", "spot", "corner", "mirror_of")
    return next(way for way in ways if getattr(area, "outline_mm" if way == "outline" else way, None) is not None)


def _found(job: Job, area: Area, surface: Surface, name: str) -> _Area:
    """Find an area in whichever way it is said."""
    if area.tape is not None:
        return _taped(area.tape, surface, name)
    if area.face is not None:
        f = area.face
        face = find_face(surface, f.seed_mm, angle_deg=f.angle_deg, scale_mm=f.scale_mm, name=name)
        return _Area(face.region, list(face.cautions))
    if area.drawn is not None:
        return _drawn(job, area.drawn, surface, name)
    if area.spot is not None:
        return _Area(spot_region(surface, area.spot.point_mm, area.spot.radius_mm, name=name))
    points = np.array(area.outline_mm)
    if area.seen_from is None:
        return _Area(cut_region(surface, points, seed_mm=area.seed_mm, name=name, tolerance_mm=area.tolerance_mm))
    way = job.boat.direction(area.seen_from)
    found = cut_region_seen(
        surface, points, direction=way, seed_mm=area.seed_mm, name=name, tolerance_mm=area.tolerance_mm
    )
    return _Area(found)


def _taped(tape: TapeSpec, surface: Surface, name: str) -> _Area:
    if tape.seed_mm is not None:
        loops = find_tape(
            surface, colour=tape.colour, colour_at_mm=tape.colour_at_mm, seed_mm=tape.seed_mm, edge=tape.edge, gap_mm=tape.gap_mm
        )
        return _Area(cut_region(surface, list(loops.loops_mm), seed_mm=tape.seed_mm, name=name), list(loops.cautions))
    found = find_tape_regions(
        surface, colour=tape.colour, colour_at_mm=tape.colour_at_mm, edge=tape.edge, gap_mm=tape.gap_mm, name=name
    )
    if len(found) > 1:
        places = ", ".join(_at(q.region.surface.vertices_mm.mean(axis=0)) for q in found)
        raise OutlineError(
            f"region {name!r}: tape bounds {len(found)} areas", where=places, do="Give a seed inside the one that is meant."
        )
    return _Area(found[0].region, list(found[0].tape.cautions))


def _drawn(job: Job, drawn: DrawnSpec, surface: Surface, name: str) -> _Area:
    if drawn.file is not None:
        loops = read_drawing(drawn.file, unit=drawn.unit, layer=drawn.layer)
    else:
        loops = (np.array(drawn.outline_mm),)
    found = drawn_region(
        surface,
        loops,
        origin_mm=drawn.origin_mm,
        across=drawn.x or job.boat.forward,
        along=drawn.y or job.boat.up,
        side=drawn.side,
        name=name,
    )
    return _Area(found.region, list(found.cautions))


# --- plies and layers ----------------------------------------------------------------------------------------------------


def base_region(job: Job, spec: RegionSpec, surface: Surface) -> Region:
    """Find a region as it is before any ply is moved, its openings taken out.

    Parameters
    ----------
    job : Job
    spec : RegionSpec
        Neither a corner nor a mirror image: those need `place`.
    surface : Surface

    Raises
    ------
    OutlineError
        Where it cannot be found, or an opening leaves nothing of it.
    """
    found = _base(job, spec, surface)
    return _without(found.region, _openings(job, spec, surface, found), must_meet=True)


def _base(job: Job, spec: RegionSpec, surface: Surface) -> _Area:
    found = _found(job, spec, surface, spec.name)
    region = found.region
    for area in spec.plus:
        region = union(region, _also(job, area, surface, spec.name, found))
    if spec.round_mm:
        region = round_corners(region, spec.round_mm)
    found.region = _side_of(spec, region)
    return found


def _outlined(job: Job, spec: RegionSpec, surface: Surface) -> Placed:
    """A region with an outline that plies move along the surface."""
    found = _base(job, spec, surface)
    region = found.region
    grow = [ply.grow_mm + step for ply, step in zip(spec.plies, _steps(job, spec))]
    edge = max(grow)
    reaches = reaches_mm(job.bags[spec.bag]) if spec.bag else []
    asked = sorted({*grow, *(edge + reach for reach in reaches)})
    grown = dict(zip(asked, grow_regions(region, asked)))
    return Placed(
        spec,
        way_of(spec),
        region,
        tuple(grown[g] for g in grow),
        tuple(grow),
        (),
        {reach: grown[edge + reach] for reach in reaches},
        cautions=tuple(found.cautions),
    )


def _also(job: Job, area: Area, surface: Surface, name: str, to: _Area) -> Region:
    """Find a further area of a region, with its cautions."""
    found = _found(job, area, surface, name)
    to.cautions += found.cautions
    return found.region


def _side_of(spec: RegionSpec, region: Region) -> Region:
    """Split a region at a line and keep the side with the stated point."""
    split = spec.split
    if split is None:
        return region
    parts = split_at(region, np.array(split.line_mm), tolerance_mm=spec.tolerance_mm)
    return part_with(parts, split.keep_mm, tolerance_mm=spec.tolerance_mm)


@lru_cache(maxsize=4)
def _corner_at(
    surface: Surface, seed_mm: Spot, first_mm: Spot | None, angle_deg: float, scale_mm: float, section: str
) -> Corner:
    """A corner; on a scan it takes half a minute, and is asked for again after each change of laps or plies."""
    return find_corner(surface, seed_mm, first_mm=first_mm, angle_deg=angle_deg, scale_mm=scale_mm, section=section)


def _tabbed(job: Job, spec: RegionSpec, stated: CornerSpec, surface: Surface) -> Placed:
    """Bands along a corner, each ply with laps of its own up both sides."""
    corner = _corner_at(surface, stated.seed_mm, stated.first_mm, stated.angle_deg, stated.scale_mm, stated.section)
    cautions = [(f"{text}, near {_at(place)}", "Look there before you cut.") for place, text in corner.uncertain]
    along, fillet = corner, None
    if stated.fillet is not None:
        fillet, said = _filleted(surface, corner, stated.fillet.radius_mm)
        cautions += said
        surface, along = fillet.surface, replace(corner, points_mm=fillet.middle_mm)
    laps = _laps(job, spec, stated)
    widest = (max(a for a, _ in laps), max(b for _, b in laps))
    regions = corner_regions(surface, along, [stated.laps_mm, *laps, widest], name=spec.name)
    reaches = reaches_mm(job.bags[spec.bag]) if spec.bag else []
    beyond = grow_regions(regions[-1], reaches) if reaches else []
    return Placed(
        _along_corner(spec, corner),
        "corner",
        regions[0],
        tuple(regions[1:-1]),
        tuple(max(a - stated.laps_mm[0], b - stated.laps_mm[1]) for a, b in laps),
        tuple(laps),
        dict(zip(reaches, beyond)),
        corner,
        fillet,
        tuple(cautions),
    )


def _filleted(surface: Surface, corner: Corner, radius_mm: float) -> tuple[Filleted, list[Said]]:
    """Run the fillet; where an open corner ends against a third wall, end it short of that."""
    for short in SHORT if not corner.closed else SHORT[:1]:
        line = corner.points_mm if short == 0 else _shortened(corner.points_mm, short * radius_mm)
        try:
            made = run_fillet(surface, line, radius_mm, closed=corner.closed)
        except ShapeError:
            if short == SHORT[-1] or corner.closed:
                raise
            continue
        text = f"the fillet is worked out to {short * radius_mm:.0f} mm short of the corner's ends, where other walls meet it"
        return made, [(text, "Run it out by hand there.")] if short else []
    raise SolveError("no fillet was found", do="Give a smaller radius.")


def _shortened(line: Floats, by_mm: float) -> Floats:
    """A line less a length at both ends."""
    run = np.r_[0.0, np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))]
    at = np.r_[by_mm, run[(run > by_mm + 1) & (run < run[-1] - by_mm - 1)], run[-1] - by_mm]
    return np.stack([np.interp(at, run, line[:, k]) for k in range(3)], axis=1)


def _laps(job: Job, spec: RegionSpec, stated: CornerSpec) -> list[tuple[float, float]]:
    """How far each ply reaches up the two sides, its steps and its own growth added."""
    found = []
    for ply, step in zip(spec.plies, _steps(job, spec)):
        a, b = ply.laps_mm or stated.laps_mm
        extra = ply.grow_mm + step
        if min(a, b) + extra < 1.0:
            raise OutlineError(
                f"region {spec.name!r}: a ply would reach {min(a, b) + extra:g} mm from the corner",
                do="Give larger laps, or a smaller step.",
            )
        found.append((a + extra, b + extra))
    return found


def _along_corner(spec: RegionSpec, corner: Corner) -> RegionSpec:
    """Resolve a warp line along the corner to two points."""
    if spec.warp != "corner":
        return spec
    start = corner.points_mm.mean(axis=0)
    end = start + 100.0 * corner_way(corner)
    return filled(spec, warp=(tuple(start.tolist()), tuple(end.tolist())))


def _steps(job: Job, spec: RegionSpec) -> Sequence[float]:
    """What the steps from ply to ply add to each, mm; zero where none are stated."""
    steps = spec.steps
    if steps is None:
        return [0.0] * len(spec.plies)
    thick = [cloth_thickness_mm(job, ply.cloth) * ply.copies for ply in spec.plies]
    return steps_mm(thick, step_mm=steps.step_mm, taper=steps.taper, order=steps.order)


def _at(place: Sequence[float]) -> str:
    x, y, z = place
    return f"({x:.0f}, {y:.0f}, {z:.0f}) mm"


def _mirrored(job: Job, spec: RegionSpec, surface: Surface, other: Placed) -> Placed:
    """The mirror image of another region, ply by ply, on the other side of the boat."""
    plane = Plane(job.boat.centre_mm, job.boat.port)
    found = mirror(other.base, surface, plane, name=spec.name)
    cautions = []
    if found.off_mm > MIRROR_DOUBT_MM:
        text = f"the two sides of the boat differ by up to {found.off_mm:.1f} mm, near {_at(found.off_at_mm)}"
        cautions.append((text, "Check boat.centre, or mark this side for itself."))
    same = [(p.grow_mm, p.laps_mm) for p in spec.plies] == [(p.grow_mm, p.laps_mm) for p in other.spec.plies]
    if same and spec.steps == other.spec.steps:
        plies = tuple(mirror(ply, surface, plane, name=spec.name).region for ply in other.plies)
        grow, laps = other.grow_mm, other.laps_mm
        largest = max(plies, key=lambda r: r.area_mm2)
    else:
        _refuse_laps(spec)
        grow = tuple(ply.grow_mm + step for ply, step in zip(spec.plies, _steps(job, spec)))
        plies, laps = tuple(grow_regions(found.region, grow)), ()
        largest = plies[int(np.argmax(grow))]
    reaches = reaches_mm(job.bags[spec.bag]) if spec.bag else []
    beyond = dict(zip(reaches, grow_regions(largest, reaches))) if reaches else {}
    spec = _mirrored_warp(job, spec, other)
    return Placed(spec, "mirror_of", found.region, plies, grow, laps, beyond, cautions=tuple(cautions))


def _refuse_laps(spec: RegionSpec) -> None:
    if any(ply.laps_mm is not None for ply in spec.plies):
        raise OutlineError(
            f"region {spec.name!r}: its plies' laps differ from those of {spec.mirror_of!r}",
            do="Leave the plies out, which takes those of the other side, or state the corner on this side.",
        )


def _mirrored_warp(job: Job, spec: RegionSpec, other: Placed) -> RegionSpec:
    """A warp line along the other side's corner, mirrored."""
    if spec.warp != "corner" or isinstance(other.spec.warp, str):
        return spec
    a, b = other.spec.warp
    return filled(spec, warp=(job.boat.across_centre(a), job.boat.across_centre(b)))


def _cleared(job: Job, spec: RegionSpec, surface: Surface, placed: Placed) -> Placed:
    """Take the openings out of every ply and layer, however far each was moved."""
    if not spec.minus:
        return placed
    surface = placed.fillet.surface if placed.fillet is not None else surface
    found = _Area(placed.base)
    holes = _openings(job, spec, surface, found)
    cautions = (*placed.cautions, *found.cautions)
    base = _without(placed.base, holes, must_meet=True)
    plies = tuple(_without(q, holes) for q in placed.plies)
    beyond = {reach: _without(q, holes) for reach, q in placed.beyond.items()}
    return replace(placed, base=base, plies=plies, beyond=beyond, cautions=cautions)


def _openings(job: Job, spec: RegionSpec, surface: Surface, to: _Area) -> list[tuple[Region, float]]:
    """A region's openings with how far cloth stays clear of each; their cautions go to it."""
    return [(_also(job, opening, surface, f"opening in {spec.name}", to), opening.margin_mm) for opening in spec.minus]


def _without(region: Region, holes: Sequence[tuple[Region, float]], *, must_meet: bool = False) -> Region:
    for hole, margin in holes:
        region = minus(region, hole, margin, must_meet=must_meet)
    return region

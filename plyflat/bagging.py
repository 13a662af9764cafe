"""From a region's bag to where its film bridges and the pleats that feed the corners."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from .bag.corners import CornerSection, corner_sections, film_bends, hollow_lines
from .bag.pleats import corners_of, place_pleats
from .bag.reach import Bridging, Spot, find_bridging
from .bag.wedge import depth_factor, feed_length_mm
from .daily import pressure_on_bag_kpa
from .errors import OutlineError, ShapeError
from .filming import FILM_MM, JOINED, film_of, place_film, tube_notes
from .job.model import Bag, Job
from .planned import BagReach, FilmPlan, LayerPlan
from .progress import Tell, quiet
from .surface.crease import Crease

#: Spots told one by one.
TOLD = 4
#: Scale in mm within which a corner turns.
CORNER_MM = 15.0
#: Sections nearest to a corner of three walls, by which the film's radius there is judged.
BESIDE = 3

Note = tuple[str, str]
#: Inside corner lines and the sections square to them.
Found = tuple[tuple[Crease, ...], tuple[CornerSection, ...]]


def plan_reach(
    job: Job, bag: Bag, layers: Sequence[LayerPlan], *, found: Found | None = None, plies_mm: float = 0.0, progress: Tell = quiet
) -> tuple[BagReach | None, tuple[Note, ...]]:
    """Find where the bag film bridges, lay it with and without pleats, and say what the builder must know.

    Parameters
    ----------
    job : Job
    bag : Bag
    layers : sequence of LayerPlan
        Of that bag, its tape among them.
    found : (tuple of Crease, tuple of CornerSection), optional
        Inside corner lines within the tape and their sections, where they are known.
    plies_mm : float
        Thickness of the laminate.
    progress : callable

    Returns
    -------
    BagReach or None
        None where the film is too stiff to touch the hull anywhere; a note says so.
    tuple of (str, str)
        What is wrong, and what would help.
    """
    tape = next((q.region for q in layers if q.kind == "sealant tape"), None)
    if tape is None:
        return None, ()
    surface = tape.surface
    tension = 1e3 * film_of(job, bag).yield_n_per_mm
    pressure = pressure_on_bag_kpa(job)
    limit = job.limits.bridging_mm
    allowed = limit / depth_factor(90)
    tubes = tube_notes(bag, pressure)
    progress("reach of the film", 0.0)
    try:
        bridging = find_bridging(
            surface, pressure_kpa=pressure, tension_n_per_m=tension, least_mm=limit,
            resin_g_per_cm3=job.resin.density_g_cm3 if job.resin else 1.15,
        )  # fmt: skip
    except ShapeError as fault:
        return None, (*tubes, (fault.what, fault.do))
    if found is None:
        lines = hollow_lines(surface, scale_mm=CORNER_MM)
        found = lines, corner_sections(surface, lines, allowed_mm=allowed)
    lines, sections = found
    corners, bends = corners_of(lines, sections), film_bends(surface, scale_mm=CORNER_MM)
    first, *inner = (surface.vertices_mm[q] for q in tape.loops)
    inner = [np.roll(q, -int(np.argmax(q @ np.asarray(job.boat.forward))), axis=0) for q in inner]
    tuck = min(bag.film.tuck_kpa, pressure)
    notes: list[Note] = []
    try:
        pleats = place_pleats(
            surface, first, lines, corners, bends, inner_mm=inner,
            walls_mm=[w.place_mm for w in bridging.wall_corners], pressure_kpa=tuck, tension_n_per_m=tension,
            friction=bag.film.friction, margin_mm=bag.film.pleat_margin_mm,
        )  # fmt: skip
    except OutlineError as fault:
        pleats = ()
        notes.append((str(fault.what) + (f", near {fault.where}" if fault.where else ""), fault.do))
    feed = feed_length_mm(tension_n_per_m=tension, pressure_kpa=tuck, friction=bag.film.friction)
    reach = BagReach(
        surface, bridging, limit, pressure, tension, allowed, first, corners, sections, bends, pleats, tuck, feed, tuple(inner)
    )
    film, pleats, more = place_film(job, bag, layers, reach, lines, plies_mm=plies_mm, progress=progress)
    reach = _fed_walls(replace(reach, film=film, pleats=pleats))
    spots = _spot_notes(bridging, bag.film.cut in JOINED, _least_fillet_mm(film))
    return reach, (*tubes, *spots, *notes, *_wall_notes(reach), *_far_notes(reach), *more)


def _fed_walls(reach: BagReach) -> BagReach:
    """Corners of three walls under the film that hangs over the sections beside them once the pleats are in."""
    film, walls = reach.film, reach.bridging.wall_corners
    if film is None or film.fed is None or not walls:
        return reach
    at = np.array([s.place_mm for s in reach.sections])
    radius = np.array([q.radius_mm for q in film.pleated[-1].held])
    out = []
    for w in walls:
        near = np.argsort(np.linalg.norm(at - w.place_mm, axis=1))[:BESIDE]
        out.append(w.fed(float(radius[near].max()) / reach.bridging.radius_mm))
    return replace(reach, bridging=replace(reach.bridging, wall_corners=tuple(out)))


def _wall_notes(reach: BagReach) -> list[Note]:
    """What to say about corners where three walls meet."""
    walls, radius = reach.bridging.wall_corners, reach.bridging.radius_mm
    if not walls:
        return []
    worst, many = walls[0], len(walls) > 1
    x, y, z = worst.place_mm
    low, high = worst.pleated_mm or (worst.depth_mm, worst.depth_most_mm)
    ends = [p.number for p in reach.pleats if p.ends_mm is not None]
    fed = "with its pleats" if worst.pleated_mm else "drawn taut"
    told = f"three walls meet at {len(walls)} places, W1 to W{len(walls)}" if many else "three walls meet at one place, W1"
    help_ = f"Fill {'those corners' if many else 'that corner'} with putty, rounded to a ball of {2 * radius:.0f} mm, which a taut film follows"
    if ends:
        help_ += (
            f"; or tuck the fold{'s' * (len(ends) > 1)} of pleat{'s' * (len(ends) > 1)} {', '.join(map(str, ends))} right into "
            f"{'them' if many else 'it'} before the vacuum rises"
        )
    return [
        (
            f"{told}, the deepest near ({x:.0f}, {y:.0f}, {z:.0f}) mm: {fed} the film stands {low:.0f} to {high:.0f} mm off there, "
            f"more than sections across the corner lines tell; taut it would hold {worst.resin_g:.0f} to {worst.resin_most_g:.0f} g of resin",
            help_ + ".",
        )
    ]


def _far_notes(reach: BagReach) -> list[Note]:
    """What to say about pleats that stand too far from what they feed."""
    far = [p for p in reach.pleats if not p.helps]
    if not far:
        return []
    one = len(far) == 1
    return [
        (
            f"pleat{'s' * (not one)} {', '.join(str(p.number) for p in far)} stand{'s' * one} up to "
            f"{max(p.far_mm for p in far):.0f} mm from the corner fed; film is drawn no farther than {reach.feed_mm:.0f} mm once "
            f"{reach.tuck_kpa:.0f} kPa press it down",
            "Push the slack right into the corner by hand before the pump pulls, or bring the tape nearer.",
        )
    ]


def _least_fillet_mm(film: FilmPlan | None) -> float:
    """Radius of the fillet that was tried and keeps the limit; 0 where none was."""
    return next((q.fillet_mm for q in film.cures if q.kind == "fillet" and q.meets), 0.0) if film is not None else 0.0


def _spot_notes(found: Bridging, joined: bool, fillet_mm: float) -> list[Note]:
    """One note for each of the deepest spots, and one for the rest together."""
    notes = [(_spot_words(k, s), _spot_help(found, joined, fillet_mm)) for k, s in enumerate(found.spots[:TOLD], 1)]
    rest = found.spots[TOLD:]
    if rest:
        grams = sum(s.resin_g for s in rest)
        notes.append(
            (
                f"a taut film bridges {len(rest)} more place{'s' * (len(rest) != 1)} by up to {rest[0].depth_mm:.0f} mm, which "
                f"would hold {grams:.0f} g of resin together",
                "See the bridging map.",
            )
        )
    return notes


def _spot_words(number: int, spot: Spot) -> str:
    x, y, z = spot.place_mm
    return (
        f"spot {number}: a taut film stands {spot.depth_mm:.0f} to {spot.depth_most_mm:.0f} mm off the hull over "
        f"{spot.area_mm2 / 100:.0f} cm², the deepest near ({x:.0f}, {y:.0f}, {z:.0f}) mm, and would hold "
        f"{spot.resin_g:.0f} to {spot.resin_most_g:.0f} g of resin there"
    )


def _spot_help(found: Bridging, joined: bool, fillet_mm: float) -> str:
    if joined:
        return "Work the film in there by hand, where it is joined its seam first; cut peel ply, release film and breather along the corner line."
    least = f"{fillet_mm:.0f} mm, which keeps the limit, or of " if 0.0 < fillet_mm < found.radius_mm - 0.5 else ""
    return (
        f"Make the pleats on the list, push film and layers into the corner first, or run a fillet of {least}"
        f"{found.radius_mm:.0f} mm, which a taut film follows; cut peel ply, release film and breather along the corner line."
    )


__all__ = ["CORNER_MM", "FILM_MM", "plan_reach"]

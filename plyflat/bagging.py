"""From a region's bag to where its film bridges and the pleats that feed the corners."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from .bag.corners import corner_sections, film_bends, hollow_lines
from .bag.pleats import corners_of, place_pleats
from .bag.reach import Bridging, Spot, find_bridging
from .bag.wedge import depth_factor, feed_length_mm
from .daily import pressure_on_bag_kpa
from .errors import OutlineError, ShapeError
from .job.model import Bag, Job
from .planned import BagReach, LayerPlan
from .surface.mesh import Floats

#: Pressure across the film while pleats are tucked in, common practice: just enough to hold it.
TUCK_KPA = 20.0
#: Thickness of a film that its consumable does not state, from memory of what is sold most.
FILM_MM = 0.05
#: Spots told one by one.
TOLD = 4
#: Scale in mm within which a corner turns.
CORNER_MM = 15.0

Note = tuple[str, str]


def plan_reach(job: Job, bag: Bag, layers: Sequence[LayerPlan]) -> tuple[BagReach | None, tuple[Note, ...]]:
    """Find where the bag film bridges and place its pleats, with what the builder must know.

    Parameters
    ----------
    job : Job
    bag : Bag
    layers : sequence of LayerPlan
        Of that bag, its tape among them.

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
    thick = job.consumables[bag.film.material].thickness_mm or FILM_MM
    tension = 1000 * bag.film.yield_mpa * thick
    pressure = pressure_on_bag_kpa(job)
    limit = job.limits.bridging_mm
    allowed = limit / depth_factor(90)
    try:
        found = find_bridging(
            surface, pressure_kpa=pressure, tension_n_per_m=tension, least_mm=limit,
            resin_g_per_cm3=job.resin.density_g_cm3 if job.resin else 1.15,
        )  # fmt: skip
    except ShapeError as fault:
        return None, ((fault.what, fault.do),)
    lines = hollow_lines(surface, scale_mm=CORNER_MM)
    sections = corner_sections(surface, lines, allowed_mm=allowed)
    corners, bends = corners_of(lines, sections), film_bends(surface, scale_mm=CORNER_MM)
    line: Floats = surface.vertices_mm[tape.loops[0]]
    tuck = min(TUCK_KPA, pressure)
    notes: list[Note] = list(_spot_notes(found))
    try:
        pleats = place_pleats(
            surface, line, lines, corners, bends, pressure_kpa=tuck, tension_n_per_m=tension, friction=bag.film.friction,
            margin_mm=bag.film.pleat_margin_mm,
        )  # fmt: skip
    except OutlineError as fault:
        pleats = ()
        notes.append((str(fault.what) + (f", near {fault.where}" if fault.where else ""), fault.do))
    feed = feed_length_mm(tension_n_per_m=tension, pressure_kpa=tuck, friction=bag.film.friction)
    far = [p for p in pleats if not p.helps]
    if far:
        notes.append(
            (
                f"pleat{'s' * (len(far) != 1)} {', '.join(str(p.number) for p in far)} "
                f"stand{'s' * (len(far) == 1)} up to {max(p.far_mm for p in far):.0f} mm from the corner fed; film is drawn no "
                f"farther than {feed:.0f} mm once {tuck:.0f} kPa press it down",
                "Push the slack right into the corner by hand before the pump pulls, or bring the tape nearer.",
            )
        )
    reach = BagReach(
        surface, found, limit, pressure, tension, allowed, np.asarray(line), corners, sections, bends, pleats, tuck, feed
    )
    return reach, tuple(notes)


def _spot_notes(found: Bridging) -> list[Note]:
    """One note for each of the deepest spots, and one for the rest together."""
    notes = [(_spot_words(k, s), _spot_help(s, found)) for k, s in enumerate(found.spots[:TOLD], 1)]
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


def _spot_help(spot: Spot, found: Bridging) -> str:
    return (
        f"Make the pleats on the list, push film and layers into the corner first, or run a fillet of "
        f"{found.radius_mm:.0f} mm; cut peel ply, release film and breather along the corner line."
    )

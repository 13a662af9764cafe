"""The layers of the bag that are not laid out like a ply: the tape's run, the masking and the film's sheet."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from shapely import LineString, Point, box

from ..cloth.template import Template, check_template
from ..errors import QuantityError
from ..surface.mesh import Floats, Surface, closed_length
from ..surface.region import Region
from .sections import Section, sections_along

#: Sealant tape as it is mostly sold, mm; common practice.
TAPE_WIDTH_MM = 12.0


@dataclass(frozen=True)
class Sheet:
    """A rectangle of film that reaches every corner of the surface it covers.

    Attributes
    ----------
    length_mm, width_mm : float
        Along and across the direction; the longest surface path each way, with what was added.
    slack_mm : tuple of float
        Largest (surface path - taut path) of any section along and across the direction.
    worst : tuple of Section
        The sections with that slack.
    """

    length_mm: float
    width_mm: float
    slack_mm: tuple[float, float]
    worst: tuple[Section, Section]


def film_sheet(
    surface: Surface, along: ArrayLike, *, extra_mm: float = 0.0, spacing_mm: float = 20.0
) -> Sheet:
    """Return the rectangle of film that covers a surface and lies down into its corners.

    The sheet is as long as the longest plane section each way, so that no section has to stretch. This is an upper
    bound on what a film that bridges a little would need; `plyflat.bag.reach` tells where it bridges.

    Parameters
    ----------
    surface : Surface
        What the film covers, out to its edge beyond the tape.
    along : (3,) float array
        The direction of the sheet's length.
    extra_mm : float
        Added to the length and the width, each as a whole.
    spacing_mm : float
        Distance of the sections.

    Raises
    ------
    ShapeError
        If the direction stands square to the surface.
    """
    n = surface._cross.sum(axis=0)
    lengthwise = sections_along(surface, along, spacing_mm=spacing_mm)
    crosswise = sections_along(
        surface, np.cross(n, np.asarray(along, dtype=float)), spacing_mm=spacing_mm, normal=n
    )
    worst = (max(lengthwise, key=lambda s: s.slack_mm), max(crosswise, key=lambda s: s.slack_mm))
    return Sheet(
        max(s.path_mm for s in lengthwise) + extra_mm,
        max(s.path_mm for s in crosswise) + extra_mm,
        (worst[0].slack_mm, worst[1].slack_mm),
        worst,
    )


def strip_template(
    length_mm: float, width_mm: float, *, region: str, layer: str, piece: str, material: str
) -> Template:
    """Return the template of a plain rectangle, its length along the roll.

    Parameters
    ----------
    length_mm, width_mm : float
    region, layer, piece, material : str
        For the label.
    """
    outline = box(0.0, 0.0, length_mm, width_mm)
    y = width_mm / 2
    template = Template(
        region,
        layer,
        piece,
        material,
        "either face up",
        False,
        outline,
        outline,
        warp=LineString([(0.05 * length_mm, y), (0.95 * length_mm, y)]),
        centre=Point(length_mm / 2, y),
    )
    check_template(template)
    return template


def tape_length_mm(region: Region, *, overlap_mm: float) -> float:
    """Return the length of sealant tape along a region's edge, start and end overlapped on every loop.

    Parameters
    ----------
    region : Region
        What lies inside the tape.
    overlap_mm : float
        Overlap of start and end, mm.
    """
    points: Floats = region.surface.vertices_mm
    return sum(closed_length(points[loop]) + overlap_mm for loop in region.loops)


@dataclass(frozen=True)
class TapeRun:
    """All tape of one bag.

    Attributes
    ----------
    loops_mm : tuple of float
        Length of each loop along the hull, corners followed, without overlap.
    corners : int
        Inside corners that the line runs through.
    corners_mm : float
        Pressed in once more at those.
    pleats_mm : float
        Both sides of every pleat.
    tongues_mm : float
        Both sides of every tongue that the tape is led out in round a port.
    film_joins_mm : float
        Between sheets of film.
    overlaps_mm : float
        Ends over starts, on every loop and wherever a roll ends.
    spare_mm : float
        Kept by for leaks.
    rolls : int
        That the whole comes off.
    """

    loops_mm: tuple[float, ...]
    corners: int
    corners_mm: float
    pleats_mm: float
    tongues_mm: float
    film_joins_mm: float
    overlaps_mm: float
    spare_mm: float
    rolls: int

    @property
    def laid_mm(self) -> float:
        """What is laid."""
        parts = (self.corners_mm, self.pleats_mm, self.tongues_mm, self.film_joins_mm, self.overlaps_mm)
        return sum(self.loops_mm) + sum(parts)

    @property
    def total_mm(self) -> float:
        """What is laid and what is kept by."""
        return self.laid_mm + self.spare_mm


def tape_run(
    loops_mm: Sequence[float],
    *,
    corners: int,
    corner_extra_mm: float,
    pleats_mm: Sequence[float],
    tongues_mm: Sequence[float],
    film_joins_mm: float,
    overlap_mm: float,
    spare: float,
    roll_length_mm: float,
) -> TapeRun:
    """Add up the tape of one bag.

    Parameters
    ----------
    loops_mm : sequence of float
        Length of each loop.
    corners : int
        Inside corners on them.
    corner_extra_mm : float
        Tape more at each.
    pleats_mm : sequence of float
        Height of each pleat, which takes up twice that.
    tongues_mm : sequence of float
        How far the tape is led out round each port; it goes out and back.
    film_joins_mm : float
        Joins between sheets of film.
    overlap_mm : float
        Wherever an end meets a start.
    spare : float
        Share of what is laid that is kept by.
    roll_length_mm : float

    Raises
    ------
    QuantityError
        A length or share that cannot be, or a roll no longer than the overlap.
    """
    given = (*loops_mm, *pleats_mm, *tongues_mm, corners, corner_extra_mm, film_joins_mm, overlap_mm, spare)
    if not all(math.isfinite(x) and x >= 0 for x in given):
        raise QuantityError("a length of the tape's run is below zero or not finite", do="Check the bag's tape table.")
    if not roll_length_mm > overlap_mm:
        raise QuantityError(
            f"a roll of tape {roll_length_mm:.0f} mm long is used up by an overlap of {overlap_mm:.0f} mm",
            do="Check the tape's roll_length and overlap.",
        )
    parts = (corners * corner_extra_mm, 2 * sum(pleats_mm), 2 * sum(tongues_mm), film_joins_mm)
    plain = sum(loops_mm) + sum(parts) + len(loops_mm) * overlap_mm
    # Each further roll brings a join: n rolls give n (roll - overlap) + overlap.
    rolls = max(math.ceil((plain * (1 + spare) - overlap_mm) / (roll_length_mm - overlap_mm) - 1e-9), 1) if plain > 0 else 0
    ends = max(math.ceil((plain - overlap_mm) / (roll_length_mm - overlap_mm) - 1e-9) - 1, 0)
    overlaps = (len(loops_mm) + ends) * overlap_mm
    laid = sum(loops_mm) + sum(parts) + overlaps
    return TapeRun(tuple(float(x) for x in loops_mm), corners, *parts, overlaps, spare * laid, rolls)


@dataclass(frozen=True)
class Mask:
    """Masking outside the tape, so that residue comes off with it.

    Attributes
    ----------
    width_mm : float
    area_mm2 : float
        True surface area.
    length_mm : float
        Along its middle.
    """

    width_mm: float
    area_mm2: float
    length_mm: float


def mask_outside(tape: Region, grown: Region, *, reach_mm: float, tape_width_mm: float = TAPE_WIDTH_MM) -> Mask | None:
    """Return the band of masking from the tape's outer edge to a line outside it; None where none is left.

    Parameters
    ----------
    tape : Region
        What lies inside the tape's line.
    grown : Region
        The same moved outward.
    reach_mm : float
        By how much.
    tape_width_mm : float
        The tape lies outside its line; under it the hull stays bare.

    Notes
    -----
    Steiner: within a line moved out by d lie A + P d + k d^2; k follows from the area at the reach.
    """
    width = reach_mm - tape_width_mm
    if width <= 0:
        return None
    more, line = max(grown.area_mm2 - tape.area_mm2, 0.0), tape.perimeter_mm
    bent = (more - line * reach_mm) / reach_mm**2
    area = max(more - line * tape_width_mm - bent * tape_width_mm**2, 0.0)
    return Mask(width, area, area / width)

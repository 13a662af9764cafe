"""The layers of the bag that are not laid out like a ply: the tape's length and the film's sheet."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from shapely import LineString, Point, box

from ..cloth.template import Template
from ..surface.mesh import Floats, Surface, closed_length
from ..surface.region import Region
from .sections import Section, sections_along


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


def sheet_template(sheet: Sheet, *, region: str, layer: str, material: str) -> Template:
    """Return the template of a plain rectangle, its length along the roll.

    Parameters
    ----------
    sheet : Sheet
    region, layer, material : str
        For the label.
    """
    outline = box(0.0, 0.0, sheet.length_mm, sheet.width_mm)
    x, y = sheet.length_mm, sheet.width_mm / 2
    return Template(
        region,
        layer,
        "A",
        material,
        "either face up",
        False,
        outline,
        outline,
        warp=LineString([(0.05 * x, y), (0.95 * x, y)]),
        centre=Point(x / 2, y),
    )


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

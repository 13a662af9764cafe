"""Turning and shifting outlines, the turns that fit, and plainer outlines for the search."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely
from shapely import Polygon

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.intp]

#: Lengths closer than this count as equal, mm.
SAME_MM = 1e-6


def turn_matrix(turn_deg: float) -> Floats:
    """Give the matrix M of a turn, for rows of points: ``points @ M``.

    Parameters
    ----------
    turn_deg : float

    Returns
    -------
    (2, 2) float array
        Exact for whole quarters.
    """
    quarter = turn_deg / 90.0
    if quarter == round(quarter):
        c, s = ((1.0, 0.0), (0.0, 1.0), (-1.0, 0.0), (0.0, -1.0))[round(quarter) % 4]
    else:
        c, s = math.cos(math.radians(turn_deg)), math.sin(math.radians(turn_deg))
    return np.array([[c, s], [-s, c]])


def laid(outline: Polygon, turn_deg: float, shift_mm: tuple[float, float]) -> Polygon:
    """Turn an outline about (0, 0), then shift it.

    Parameters
    ----------
    outline : Polygon
        mm
    turn_deg : float
    shift_mm : tuple of float

    Returns
    -------
    Polygon
    """
    matrix, shift = turn_matrix(turn_deg), np.asarray(shift_mm, dtype=float)
    return shapely.transform(outline, lambda points: points @ matrix + shift)


def extent(hull: Floats, turn_deg: float) -> Floats:
    """Give the size along x and y of turned points.

    Parameters
    ----------
    hull : (n, 2) float array
        mm
    turn_deg : float

    Returns
    -------
    (2,) float array
        mm
    """
    return np.ptp(hull @ turn_matrix(turn_deg), axis=0)


def hull_points(outline: Polygon) -> Floats:
    """Give the corners of an outline's convex hull, (n, 2), mm."""
    hull = outline.convex_hull
    return np.asarray(hull.exterior.coords, dtype=float)[:-1]


def edge_turns(hull: Floats) -> Floats:
    """Give the turns, degrees, that bring each side of a convex hull level.

    The least height of a convex shape over all turns is reached with one of its sides level [1]_.

    Parameters
    ----------
    hull : (n, 2) float array

    Returns
    -------
    (n,) float array

    References
    ----------
    .. [1] Houle, M. E., Toussaint, G. T. (1988): Computing the width of a set. IEEE PAMI 10(5), 761-765.
    """
    side = np.roll(hull, -1, axis=0) - hull
    return -np.degrees(np.arctan2(side[:, 1], side[:, 0]))


def least_height(hull: Floats, turns_deg: tuple[float, ...] | None) -> tuple[float, float]:
    """Give the least extent in y over the allowed turns, and the turn that has it.

    Parameters
    ----------
    hull : (n, 2) float array
        mm
    turns_deg : tuple of float or None
        None for any turn.

    Returns
    -------
    height_mm, turn_deg : float
    """
    turns = edge_turns(hull) if turns_deg is None else turns_deg
    return min((float(extent(hull, float(turn))[1]), float(turn)) for turn in turns)


def fitting_turns(
    hull: Floats, turns_deg: tuple[float, ...] | None, *, room_mm: float, reach_mm: float = math.inf
) -> tuple[float, ...] | None:
    """Give the allowed turns at which a part lies within a height and a length.

    Parameters
    ----------
    hull : (n, 2) float array
        Convex hull of the part, mm.
    turns_deg : tuple of float or None
        None for any turn.
    room_mm, reach_mm : float
        Room in y and in x.

    Returns
    -------
    tuple of float or None
        Empty where none fits. None where any turn fits; where only some of all turns fit, whole degrees and the
        turns that bring a side level or upright are tried.
    """
    if turns_deg is None:
        across = math.sqrt(max(float(np.sum((hull - p) ** 2, axis=1).max()) for p in hull))
        if across <= min(room_mm, reach_mm):
            return None
        level = edge_turns(hull)
        tried = np.concatenate([np.arange(360.0), level, level + 90.0, level + 180.0, level + 270.0]) % 360.0
        turns_deg = tuple(map(float, np.unique(tried)))
    room = np.array([reach_mm, room_mm]) + SAME_MM
    return tuple(turn for turn in turns_deg if bool(np.all(extent(hull, turn) <= room)))


def plainer(outline: Polygon, turns_deg: tuple[float, ...] | None, *, most_points: int) -> Polygon:
    """Give an outline of fewer corners that holds the whole of the given one, openings filled.

    Parameters
    ----------
    outline : Polygon
        mm
    turns_deg : tuple of float or None
        The turns at which the new outline must be no taller or longer than the given one.
    most_points : int
        Wished for; not reached where that would fatten the outline by more than 0.5 % of its size.

    Returns
    -------
    Polygon
    """
    solid = Polygon(outline.exterior)
    size = math.hypot(*np.ptp(np.asarray(solid.exterior.coords), axis=0))
    if len(solid.exterior.coords) - 1 <= most_points and _least_side(solid) > 2e-6 * size:
        return solid
    best = solid
    for share in (1e-5, 3e-5, 1e-4, 3e-4, 1e-3, 2.5e-3):
        candidate = _fattened(solid, turns_deg, share * size)
        if candidate is None:
            continue
        best = candidate
        if len(best.exterior.coords) - 1 <= most_points:
            break
    return best


def thicker(outline: Polygon) -> Polygon:
    """Give an outline the library can take: it refuses shapes thinner than about a thousandth of their length.

    Parameters
    ----------
    outline : Polygon

    Returns
    -------
    Polygon
        The same, or one grown all round if it is that thin.
    """
    size = math.hypot(*np.ptp(np.asarray(outline.exterior.coords), axis=0))
    least = size / 500.0
    thick = 2.0 * shapely.maximum_inscribed_circle(outline, tolerance=0.05 * least).length
    if thick >= least:
        return outline
    return Polygon(shapely.buffer(outline, 0.5 * (least - thick), join_style="mitre", mitre_limit=2.0).exterior)


def _least_side(outline: Polygon) -> float:
    points = np.asarray(outline.exterior.coords)
    return float(np.hypot(*np.diff(points, axis=0).T).min())


def _fattened(solid: Polygon, turns_deg: tuple[float, ...] | None, tol_mm: float) -> Polygon | None:
    """Fatten by the tolerance, simplify by less than that, and trim to the given extents; None where that fails."""
    wide = shapely.buffer(solid, tol_mm, join_style="mitre", mitre_limit=2.0)
    wide = shapely.simplify(wide, 0.9 * tol_mm)
    # A quarter turn further the box is the same.
    quarters = sorted({turn % 90.0 for turn in turns_deg or ()})
    if len(quarters) <= 8:
        for turn in quarters:
            wide = shapely.intersection(wide, _box_at(solid, turn))
    wide = _outer(wide)
    if wide is None or not wide.covers(solid) or _least_side(wide) <= 2e-6 * math.sqrt(wide.area):
        return None
    return wide


def _box_at(solid: Polygon, turn_deg: float) -> Polygon:
    """Give the box round an outline whose sides are level at a turn; a hair wide, so that rounding cuts nothing."""
    there = laid(solid, turn_deg, (0.0, 0.0))
    x0, y0, x1, y1 = there.bounds
    hair = 1e-9 * (1.0 + max(map(abs, there.bounds)))
    return laid(shapely.box(x0 - hair, y0 - hair, x1 + hair, y1 + hair), -turn_deg, (0.0, 0.0))


def _outer(shape: Any) -> Polygon | None:
    """Give the outer ring of a plain polygon, None for anything else."""
    if shape.geom_type != "Polygon" or shape.is_empty:
        return None
    return Polygon(shape.exterior)

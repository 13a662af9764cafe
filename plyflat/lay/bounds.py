"""Proven lower bounds on the length of a lay: no lay-out of the parts, by anyone, can be shorter.

The gap is met by a change of view: parts grown by half the gap do not overlap, in a strip grown by half the gap on
all four sides. In the notation below W is the usable width and g the gap, and the grown strip is W + g high and L + g
long.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import shapely
from shapely import Polygon

from .outline import Floats, extent, fitting_turns, hull_points, least_height, turn_matrix

if TYPE_CHECKING:
    from .parts import Part

#: Widths of stretches, and the shares of the height at their two ends.
Shares = tuple[Floats, Floats, Floats]
#: GEOS may drop dents shallower than 1 % of the distance before it grows a shape; growing by this much less keeps the
#: grown shape inside the true one whether it does or not. Its arcs are chords, which lie inside anyway.
INSIDE = 1.0 / 1.01
#: Shares of the width are lowered by this before they are compared with a step, so that rounding proves nothing.
HAIR = 1e-9
#: Section lengths are worked out for this many stretches at a time.
BLOCK = 64


@dataclass(frozen=True)
class Bound:
    """A lower bound on the length of a lay.

    Attributes
    ----------
    length_mm : float
    name : str
        "area", "widest part", "sections" or "mid-line".
    """

    length_mm: float
    name: str


def length_bound(
    parts: Sequence[Part], *, width_mm: float, gap_mm: float = 0.0, edge_mm: float = 0.0, shut: Polygon | None = None
) -> Bound:
    """Give the best of the bounds below.

    All hold on cloth with flaws too, since those only take room away; the area bound takes them into account.

    Parameters
    ----------
    parts : sequence of Part
        Checked, each fitting the usable width.
    width_mm, gap_mm, edge_mm : float
    shut : Polygon or MultiPolygon, optional
        What no piece may reach into, mm from the roll's end and edge.

    Returns
    -------
    Bound
    """
    found = all_bounds(parts, width_mm=width_mm, gap_mm=gap_mm, edge_mm=edge_mm)
    if shut is not None and not shut.is_empty:
        area = found[0].length_mm + gap_mm
        length = area_round(shut, area, width_mm=width_mm, gap_mm=gap_mm, edge_mm=edge_mm)
        found = (Bound(length, "area"), *found[1:])
    return max(found, key=lambda bound: bound.length_mm)


def all_bounds(
    parts: Sequence[Part], *, width_mm: float, gap_mm: float = 0.0, edge_mm: float = 0.0
) -> tuple[Bound, ...]:
    """Give every bound.

    Parameters
    ----------
    parts : sequence of Part
    width_mm, gap_mm, edge_mm : float

    Returns
    -------
    tuple of Bound
    """
    room_mm = width_mm - 2.0 * edge_mm
    turns = [fitting_turns(hull_points(part.outline), part.turns_deg, room_mm=room_mm) for part in parts]
    grown = [grow(part.outline, gap_mm) for part in parts]
    high_mm = room_mm + gap_mm
    found = [
        Bound(area_bound(parts, grown, high_mm) - gap_mm, "area"),
        Bound(widest_part(parts, turns), "widest part"),
        Bound(section_bound(parts, grown, turns, high_mm) - gap_mm, "sections"),
        Bound(midline_bound(parts, grown, turns, high_mm) - gap_mm, "mid-line"),
    ]
    return tuple(found)


def grow(outline: Polygon, gap_mm: float) -> Polygon:
    """Grow an outline by half the gap, never by more.

    Parameters
    ----------
    outline : Polygon
    gap_mm : float

    Returns
    -------
    Polygon
        Its openings shrink likewise.
    """
    if gap_mm <= 0.0:
        return outline
    dented = bool(outline.interiors) or outline.convex_hull.area > outline.area
    return shapely.buffer(outline, 0.5 * gap_mm * (INSIDE if dented else 1.0), quad_segs=4)


def area_bound(parts: Sequence[Part], grown: Sequence[Polygon], high_mm: float) -> float:
    """Give the length of a strip that has the area of all grown parts.

    Parameters
    ----------
    parts : sequence of Part
    grown : sequence of Polygon
    high_mm : float
        W + g.

    Returns
    -------
    float
        mm, for L + g.
    """
    return sum(part.copies * shape.area for part, shape in zip(parts, grown)) / high_mm


def area_round(shut: Polygon, area_length_mm: float, *, width_mm: float, gap_mm: float, edge_mm: float) -> float:
    """Give the length of a strip that has the area of all grown parts besides what they cannot cover.

    Parts stay out of `shut`, so grown ones reach no further into it than half the gap. What lies deeper is lost, and
    the strip must be long enough without it. The area that is free grows with the length, so the least length that
    has enough is closed in on from below.

    Parameters
    ----------
    shut : Polygon or MultiPolygon
        mm from the roll's end and edge.
    area_length_mm : float
        The area bound without it, for L + g.
    width_mm, gap_mm, edge_mm : float

    Returns
    -------
    float
        mm, for L.
    """
    # A chord cuts inside an arc: lost area is rather taken too small.
    lost = shapely.buffer(shut, -0.5 * gap_mm * (2.0 - INSIDE)) if gap_mm > 0.0 else shut
    high = width_mm - 2.0 * edge_mm + gap_mm
    half = 0.5 * gap_mm
    low_mm, high_mm = edge_mm - half, width_mm - edge_mm + half

    def short(length: float) -> bool:
        """Whether a length leaves less room than the pieces need."""
        window = shapely.box(-half, low_mm, length + half, high_mm)
        return float((length + gap_mm) * high - shapely.intersection(lost, window).area) < area_length_mm * high

    low = area_length_mm - gap_mm
    top = low + lost.area / high + 1e-9
    for _ in range(60):
        middle = 0.5 * (low + top)
        low, top = (middle, top) if short(middle) else (low, middle)
    return low


def widest_part(parts: Sequence[Part], turns: Sequence[tuple[float, ...] | None]) -> float:
    """Give the longest of the parts, each at the fitting turn at which it is shortest along the roll.

    Parameters
    ----------
    parts : sequence of Part
    turns : sequence of tuple of float or None
        The turns at which each part fits; for a part free to turn its least width over all angles is used.

    Returns
    -------
    float
        mm, for L.
    """
    longest = 0.0
    for part, fitting in zip(parts, turns):
        hull = hull_points(part.outline)
        if part.turns_deg is None or fitting is None:
            longest = max(longest, least_height(hull, None)[0])
        else:
            longest = max(longest, min(float(extent(hull, turn)[0]) for turn in fitting))
    return longest


# ---- sections ----------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Sections:
    """How much of a line across a shape lies in it, as the line moves: linear between breaks.

    Attributes
    ----------
    at : (n + 1,) float array
        Breaks, mm.
    first, last : (n,) float array
        Section length at the two ends of each stretch, approached from within it, mm.
    """

    at: Floats
    first: Floats
    last: Floats


def sections(shape: Polygon, *, axis: int, turn_deg: float = 0.0) -> Sections:
    """Give the section lengths of a turned shape by lines square to an axis.

    Parameters
    ----------
    shape : Polygon
        mm; openings are left out of the sections.
    axis : int
        0 for upright lines moving along x, 1 for level lines moving along y.
    turn_deg : float

    Returns
    -------
    Sections
    """
    matrix = turn_matrix(turn_deg)
    start, end = (np.concatenate(ends) @ matrix for ends in zip(*_ring_sides(shape)))
    a, b = start[:, axis], end[:, axis]
    at = np.unique(np.concatenate([a, b]))
    # Corners level with each other but for rounding are one break.
    at = at[np.concatenate([[True], np.diff(at) > 1e-12 * (at[-1] - at[0])])]
    low, high = np.minimum(a, b), np.maximum(a, b)
    slope = np.divide(end[:, 1 - axis] - start[:, 1 - axis], b - a, out=np.zeros_like(a), where=b != a)
    # Going round with the inside on the left, a side counts with the sign of its run along the axis.
    sign = np.sign(a - b) * (1.0 if axis == 0 else -1.0)
    first: list[Floats] = []
    last: list[Floats] = []
    for begin in range(0, len(at) - 1, BLOCK):
        left, right = at[begin : begin + BLOCK + 1][:-1], at[begin : begin + BLOCK + 1][1:]
        here = np.flatnonzero((low < right[-1]) & (high > left[0]))
        middle = 0.5 * (left + right)[:, None]
        signs = np.where((low[here] <= middle) & (middle <= high[here]), sign[here], 0.0)
        for found, where in ((first, left), (last, right)):
            across = start[here, 1 - axis] + slope[here] * (where[:, None] - a[here])
            found.append(np.maximum(np.sum(signs * across, axis=1), 0.0))
    return Sections(at, np.concatenate(first), np.concatenate(last))


def _ring_sides(shape: Polygon) -> list[tuple[Floats, Floats]]:
    """Give the sides of all rings, outer ones anticlockwise and openings clockwise, as starts and ends."""
    turned = shapely.orient_polygons(shape, exterior_cw=False)
    rings = [np.asarray(ring.coords) for ring in (turned.exterior, *turned.interiors)]
    return [(ring[:-1], ring[1:]) for ring in rings]


def section_bound(
    parts: Sequence[Part],
    grown: Sequence[Polygon],
    turns: Sequence[tuple[float, ...] | None],
    high_mm: float,
) -> float:
    """Give the best bound from upright sections and dual feasible functions.

    At every x the sections of the parts there sum to at most the height. A dual feasible function f takes shares with
    sum at most 1 to shares with sum at most 1, so the sum over parts of the integral of f(section / height) along x is
    at most the length. Two families of Fekete and Schepers [1]_ are tried, f_eps and u^(k).

    Parameters
    ----------
    parts : sequence of Part
    grown : sequence of Polygon
    turns : sequence of tuple of float or None
        Parts free to turn count nothing here: every angle would have to be tried.
    high_mm : float
        W + g.

    Returns
    -------
    float
        mm, for L + g.

    References
    ----------
    .. [1] Fekete, S. P., Schepers, J. (2001): New classes of fast lower bounds for bin packing problems. Mathematical
       Programming 91, 11-31.
    """
    found: list[Shares] = []
    starts: list[int] = []
    owners: list[int] = []
    copies: list[int] = []
    count = 0
    for part, shape, fitting in zip(parts, grown, turns):
        if part.turns_deg is None or fitting is None:
            continue
        for turn in _unlike(fitting):
            found.append(_shares(sections(shape, axis=0, turn_deg=turn), high_mm))
            starts.append(count)
            owners.append(len(copies))
            count += len(found[-1][0])
        copies.append(part.copies)
    if not found:
        return 0.0
    wide, first, last = (np.concatenate(column) for column in zip(*found))
    functions: list[tuple[Callable[[Shares, float], Floats], float]] = [
        (_big_and_small, eps / 100.0) for eps in range(1, 51)
    ]
    functions += [(_steps, float(k)) for k in range(1, 16)]
    best = 0.0
    for function, parameter in functions:
        options = np.add.reduceat(function((wide, first, last), parameter), starts)
        least = np.full(len(copies), np.inf)
        np.minimum.at(least, owners, options)
        best = max(best, float(least @ np.array(copies, dtype=float)))
    return best


def _unlike(turns_deg: tuple[float, ...]) -> list[float]:
    """Give the turns that differ by more than half a turn: sections are the same after one."""
    return sorted({round(turn % 180.0, 9): turn for turn in turns_deg}.values())


def _shares(found: Sections, high_mm: float) -> Shares:
    """Give widths of stretches and the shares of the height at their ends, a hair lower."""
    return (
        np.diff(found.at),
        np.clip(found.first / high_mm - HAIR, 0.0, 1.0),
        np.clip(found.last / high_mm - HAIR, 0.0, 1.0),
    )


def _above(shares: Shares, step: float) -> Floats:
    """Give the width of each stretch on which the share is above a step."""
    wide, first, last = shares
    low, high = np.minimum(first, last), np.maximum(first, last)
    part = np.divide(high - step, high - low, out=(high > step).astype(float), where=high > low)
    return wide * np.clip(part, 0.0, 1.0)


def _area_above(shares: Shares, step: float) -> Floats:
    """Integrate the share over each stretch where it is above a step."""
    _, first, last = shares
    high = np.maximum(first, last)
    low = np.minimum(np.maximum(np.minimum(first, last), step), high)
    return _above(shares, step) * 0.5 * (low + high)


def _big_and_small(shares: Shares, eps: float) -> Floats:
    """Integrate f_eps: 1 above 1 - eps, 0 below eps, the share itself between ([1], U^(eps))."""
    return _above(shares, 1.0 - eps) + _area_above(shares, eps) - _area_above(shares, 1.0 - eps)


def _steps(shares: Shares, k: float) -> Floats:
    """Integrate floor((k + 1) share) / k, which is u^(k) of a share a hair lower ([1], u^(k))."""
    total = np.zeros_like(shares[0])
    for j in range(1, int(k) + 1):
        total += _above(shares, j / (k + 1.0))
    return total / k


def midline_bound(
    parts: Sequence[Part],
    grown: Sequence[Polygon],
    turns: Sequence[tuple[float, ...] | None],
    high_mm: float,
) -> float:
    """Give the length of the mid-line that parts higher than half the width must cover.

    Such a part crosses the mid-line wherever it lies, and covers at least its smallest level section between the two
    heights at which the line can meet it. The smallest is at a corner or at one of the two ends of that range; at a
    corner the smaller of the sections just below and just above counts.

    Parameters
    ----------
    parts : sequence of Part
    grown : sequence of Polygon
    turns : sequence of tuple of float or None
        Parts free to turn count nothing here.
    high_mm : float
        W + g.

    Returns
    -------
    float
        mm, for L + g.
    """
    total = 0.0
    for part, shape, fitting in zip(parts, grown, turns):
        if part.turns_deg is not None and fitting is not None:
            total += part.copies * min(
                _least_level(sections(shape, axis=1, turn_deg=turn), high_mm) for turn in _unlike(fitting)
            )
    return total


def _least_level(found: Sections, high_mm: float) -> float:
    """Give the smallest section where the mid-line can meet a shape; 0 where it need not."""
    bottom, top = float(found.at[0]), float(found.at[-1])
    if top - bottom <= 0.5 * high_mm * (1.0 + HAIR):
        return 0.0
    low, high = top - 0.5 * high_mm, bottom + 0.5 * high_mm
    if low > high:
        # As high as the strip, but for rounding.
        low = high = 0.5 * (low + high)
    start, end = np.maximum(found.at[:-1], low), np.minimum(found.at[1:], high)
    inside = start <= end
    wide = found.at[1:] - found.at[:-1]
    slope = (found.last - found.first) / wide
    values = np.concatenate([(found.first + slope * (x - found.at[:-1]))[inside] for x in (start, end)])
    return float(values.min(initial=math.inf))

"""Parts are checked before the search, and every lay afterwards in double precision against the given outlines."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import shapely
from shapely import Polygon, STRtree
from shapely.validation import explain_validity

from ..errors import CheckError, FitError, QuantityError, ShapeError
from .outline import SAME_MM, Floats, Ints, extent, fitting_turns, hull_points, laid, least_height

if TYPE_CHECKING:
    from .nest import Part, Place


def part_name(part: Part, index: int) -> str:
    """Give a part's name for messages."""
    return f"part {part.name!r}" if part.name else f"part {index}"


def check_cloth(*, width_mm: float, gap_mm: float, edge_mm: float) -> float:
    """Check the measures of a lay and give the usable width.

    Parameters
    ----------
    width_mm, gap_mm, edge_mm : float

    Returns
    -------
    float
        mm

    Raises
    ------
    QuantityError
        If a measure is not finite or negative, or the width not above zero.
    FitError
        If the two edge margins leave no width.
    """
    for name, value in (("roll width", width_mm), ("gap", gap_mm), ("edge margin", edge_mm)):
        if not math.isfinite(value) or value < 0:
            raise QuantityError(f"the {name} is {value:g} mm", do="Give a finite length, zero or more")
    room_mm = width_mm - 2.0 * edge_mm
    if room_mm <= 0:
        raise FitError(
            f"edge margins of {edge_mm:g} mm on both sides leave nothing of a roll {width_mm:g} mm wide",
            do="Make the margin smaller or buy wider cloth",
        )
    return room_mm


def check_parts(parts: Sequence[Part]) -> None:
    """Check that every part is a sound shape with allowed turns and a count.

    Parameters
    ----------
    parts : sequence of Part

    Raises
    ------
    QuantityError
        If there are no parts, no copies, or a turn is not finite.
    ShapeError
        If an outline is empty, not finite, without area, or crosses itself.
    """
    if not parts:
        raise QuantityError("there are no parts to lay out", do="Give at least one")
    for index, part in enumerate(parts):
        name = part_name(part, index)
        if not isinstance(part.copies, int | np.integer) or part.copies < 1:
            raise QuantityError(f"{part.copies} copies are asked for", where=name, do="Give a whole number above zero")
        if part.turns_deg is not None and (not len(part.turns_deg) or not all(map(math.isfinite, part.turns_deg))):
            raise QuantityError(
                f"the allowed turns are {part.turns_deg}", where=name, do="Give one or more angles, or None for any"
            )
        _check_outline(part.outline, name)


def _check_outline(outline: Polygon, name: str) -> None:
    if not isinstance(outline, Polygon) or outline.is_empty:
        raise ShapeError("the outline is empty or not a polygon", where=name, do="Give one polygon")
    points = shapely.get_coordinates(outline)
    if not np.isfinite(points).all():
        bad = int((~np.isfinite(points)).any(axis=1).sum())
        raise ShapeError(f"{bad} of {len(points)} corners are not finite numbers", where=name, do="Mend the outline")
    size = math.hypot(*np.ptp(points, axis=0))
    if outline.area <= 1e-9 * size * size:
        raise ShapeError(
            f"the outline has an area of {outline.area:.3g} mm2 over a size of {size:.3g} mm",
            where=name,
            do="Leave the part out or mend its outline",
        )
    if not outline.is_valid:
        raise ShapeError(
            f"the outline is not plain: {explain_validity(outline)}", where=name, do="Mend it so that no lines cross"
        )


def check_fit(parts: Sequence[Part], *, room_mm: float, reach_mm: float = math.inf) -> list[tuple[float, ...] | None]:
    """Give the turns at which each part fits the usable width and a length.

    Parameters
    ----------
    parts : sequence of Part
    room_mm : float
        Usable width.
    reach_mm : float
        Length of the roll.

    Returns
    -------
    list of tuple of float or None
        None where any turn fits.

    Raises
    ------
    FitError
        If a part fits at none of its allowed turns.
    """
    turns = []
    for index, part in enumerate(parts):
        hull = hull_points(part.outline)
        fitting = fitting_turns(hull, part.turns_deg, room_mm=room_mm, reach_mm=reach_mm)
        if fitting is not None and not fitting:
            raise misfit(part, part_name(part, index), room_mm, reach_mm)
        turns.append(fitting)
    return turns


def misfit(
    part: Part, name: str, room_mm: float, reach_mm: float, cloth: str = "", *, table: bool = False
) -> FitError:
    """Say by how much a part does not fit, and what would help.

    Parameters
    ----------
    part : Part
    name : str
    room_mm, reach_mm : float
        Usable width and length of the widest cloth.
    cloth : str
        Its name.
    table : bool
        Whether it is the table that ends the length, less the gap.

    Returns
    -------
    FitError
    """
    hull = hull_points(part.outline)
    height, turn = least_height(hull, part.turns_deg)
    on = f" of {cloth}" if cloth else ""
    if height > room_mm + SAME_MM:
        pieces = math.ceil(height / room_mm - 1e-9)
        return FitError(
            f"it is {height:.1f} mm wide across the roll at best (turned {turn:g} degrees), {height - room_mm:.1f} mm "
            f"more than the usable width of {room_mm:.1f} mm{on}",
            where=name,
            do=f"Splice it along the roll into {pieces} or more, allow another turn or buy wider cloth",
        )
    long = float(extent(hull, turn)[0])
    what = "that the table leaves" if table else on.strip()
    return FitError(
        f"it is {long:.1f} mm along the roll where it fits the usable width of {room_mm:.1f} mm, "
        f"{long - reach_mm:.1f} mm more than the length of {reach_mm:.1f} mm {what}".rstrip(),
        where=name,
        do=f"Splice it across the roll into {math.ceil(long / reach_mm - 1e-9)} or more, allow another turn or take a longer "
        f"{'table' if table else 'roll'}",
    )


def check_places(
    parts: Sequence[Part],
    places: Sequence[Place],
    *,
    width_mm: float,
    gap_mm: float,
    edge_mm: float,
    length_mm: float,
    copies: Counter[tuple[int, int]] | None = None,
    shut: Polygon | None = None,
) -> float:
    """Check a lay against what was asked, from the given outlines alone, and measure its smallest gap.

    Parameters
    ----------
    parts : sequence of Part
    places : sequence of Place
    width_mm, gap_mm, edge_mm, length_mm : float
    copies : Counter, optional
        The (part, copy) pairs that must be there; by default every copy of every part once.
    shut : Polygon or MultiPolygon, optional
        What no piece may reach into: flaws, and what lies outside a remnant, mm.

    Returns
    -------
    float
        Smallest distance between two parts, mm; infinity for a single part.

    Raises
    ------
    CheckError
        If pieces are missing or double, turned as not allowed, over the edge, in a flaw, too close or on top of each
        other.
    """
    wanted = copies or Counter((i, k) for i, part in enumerate(parts) for k in range(part.copies))
    if Counter((place.part, place.copy) for place in places) != wanted:
        raise CheckError(f"the lay holds {len(places)} pieces of {wanted.total()}, or one of them twice")
    outlines = [laid(parts[p.part].outline, p.turn_deg, p.shift_mm) for p in places]
    for place, outline in zip(places, outlines):
        _check_place(parts[place.part], place, outline)
        _check_edges(place, outline, (0.0, edge_mm, length_mm, width_mm - edge_mm))
        if shut is not None and (deep := overlap_depth(outline, shut)) > SAME_MM:
            raise CheckError(f"a piece reaches {deep:.3g} mm into a flaw or over the cloth's outline", where=_label(place))
    return _check_gaps(places, outlines, gap_mm)


def _check_place(part: Part, place: Place, outline: Polygon) -> None:
    if part.turns_deg is not None and not any(place.turn_deg == turn for turn in part.turns_deg):
        raise CheckError(f"a piece is turned {place.turn_deg:g} degrees, which is not allowed", where=_label(place))
    off = np.abs(shapely.get_coordinates(outline) - shapely.get_coordinates(place.outline))
    if off.shape[0] == 0 or not np.all(off <= SAME_MM):
        raise CheckError("a piece's outline is not where its turn and shift put it", where=_label(place))


def _check_edges(place: Place, outline: Polygon, box: tuple[float, float, float, float]) -> None:
    x0, y0, x1, y1 = outline.bounds
    over = max(box[0] - x0, box[1] - y0, x1 - box[2], y1 - box[3])
    if not over <= SAME_MM:
        raise CheckError(f"a piece lies {over:.3g} mm over the edge", where=_label(place))


def _check_gaps(places: Sequence[Place], outlines: list[Polygon], gap_mm: float) -> float:
    tree = STRtree(outlines)
    near, gaps = _pairs_within(tree, outlines, gap_mm + SAME_MM)
    for (i, j), gap in zip(near.T, gaps):
        if gap < gap_mm - SAME_MM:
            raise CheckError(f"two pieces are {gap:.6g} mm apart, not {gap_mm:g} mm", where=_label(places[i], places[j]))
        if gap == 0.0 and (deep := overlap_depth(outlines[i], outlines[j])) > SAME_MM:
            raise CheckError(f"two pieces overlap by {deep:.3g} mm", where=_label(places[i], places[j]))
    reach = gap_mm + 1.0
    while not len(gaps) and len(outlines) > 1:
        _, gaps = _pairs_within(tree, outlines, reach)
        reach *= 2.0
    return float(gaps.min(initial=math.inf))


def _pairs_within(tree: STRtree, outlines: list[Polygon], reach_mm: float) -> tuple[Ints, Floats]:
    """Give all pairs (2, n) of outlines no further apart than a length, and their distances."""
    near = tree.query(outlines, predicate="dwithin", distance=reach_mm)
    near = near[:, near[0] < near[1]]
    shapes = np.array(outlines, dtype=object)
    return near, shapely.distance(shapes[near[0]], shapes[near[1]])


def overlap_depth(a: Polygon, b: Polygon) -> float:
    """Give the width of the largest circle in the overlap of two outlines, mm.

    Outlines that share a bent line overlap, by rounding, in a long strip some 1e-14 mm wide; its width counts.
    """
    shared = [piece for piece in shapely.get_parts(shapely.intersection(a, b)) if piece.area > 0.0]
    return max((2.0 * shapely.maximum_inscribed_circle(p, tolerance=0.01 * SAME_MM).length for p in shared), default=0.0)


def _label(*places: Place) -> str:
    return " and ".join(f"part {place.part} copy {place.copy}" for place in places)

"""Gussets: wedges let in where a patch has more angle than a plane, as a flange or the foot of a post has."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import scipy.sparse as sp

from ..errors import ShapeError, SolveError
from ..surface._topology import surface_edges
from ..surface.mesh import Floats, Ints, Surface
from ._bounds import vertex_curvature
from ._cutting import along_rim, on_rim
from ._dart_draft import (
    SNAP,
    Course,
    Piece,
    Rules,
    Slit,
    Trial,
    geodesic,
    is_clear,
    laid,
    on_edge,
    opened_with,
    slit,
    with_ends,
    worth,
)
from ._dart_ways import dart_ways

#: How often the width of a draft's wedge is put right, and by what share it is then widened while it still overlaps.
TRIES, WIDEN = 7, 0.06
#: Sides of the rest that come as near as this share of the wedge meet on the draft; where more than that share is left
#: between them they gape.
MEET, GAPING = 0.02, 0.15
#: A wedge takes no more of the edge than this share.
WIDEST = 0.35
#: A gusset is tried from so many places of the edge, as deep as these shares of the way.
PLACES, DEPTHS = 2, (1.0, 0.7)


@dataclass(frozen=True, eq=False)
class Wedge:
    """How a patch lies with a wedge cut out.

    Attributes
    ----------
    opens_rad : float
        By how much the sides of the rest turn apart in the flat, seen from the tip; less than 0 where they overlap.
    far_mm : float
        Mean length of its sides.
    wedge_rad : float
        Angle of the wedge laid flat, at its tip.
    """

    opens_rad: float
    far_mm: float
    wedge_rad: float


def wedge_of(rest_uv: Floats, rest: tuple[Ints, Ints], wedge_uv: Floats, wedge: tuple[Ints, Ints]) -> Wedge:
    """Measure a wedge and the gap it leaves.

    Parameters
    ----------
    rest_uv, wedge_uv : (n, 2) float arrays, mm
        Flat places of the vertices of both pieces.
    rest, wedge : tuple of two (k,) int arrays
        The vertices of each along its two sides: from the edge to the tip, and from the tip to the edge. The wedge lies
        on the left.

    Returns
    -------
    Wedge
    """
    first, second = (rest_uv[q] for q in rest)
    opens = _turn(second[-1] - second[0], first[0] - first[-1])
    one, two = (wedge_uv[q] for q in wedge)
    far = 0.5 * (np.linalg.norm(first[0] - first[-1]) + np.linalg.norm(second[-1] - second[0]))
    return Wedge(opens, float(far), _turn(two[-1] - two[0], one[0] - one[-1]))


def _turn(a: Floats, b: Floats) -> float:
    return float(np.arctan2(a[0] * b[1] - a[1] * b[0], a @ b))


def places_on_edge(surface: Surface, end_mm: Floats, wide_mm: float) -> Floats:
    """Return where the two sides of a wedge end on the outer edge, (2, 3), mm: the second first as the edge runs.

    Parameters
    ----------
    surface : Surface
    end_mm : (3,) float array, mm
        The middle of the wedge on the edge.
    wide_mm : float
        How far they are apart along the edge.
    """
    rim = surface.vertices_mm[surface.boundary_loops[0]]
    run, total = along_rim(rim)
    at = (on_rim(rim, end_mm) + np.array([0.5, -0.5]) * wide_mm) % total
    closed, run = np.vstack([rim, rim[:1]]), np.r_[run, total]
    return np.stack([np.interp(at, run, closed[:, k]) for k in range(3)], axis=1)


def try_gussets(piece: Piece, field: Floats, rules: Rules) -> Iterator[Trial]:
    """Try gussets from the edge to the dips of the potential."""
    for way in dart_ways(piece, -field, rules, most=PLACES):
        for depth in DEPTHS:
            end, tip = way.to(depth)
            trial = gusset_at(piece, piece.surface.vertices_mm[end], tip, rules)
            if trial is not None and trial.gain > 0:
                yield trial
                break


def gusset_at(piece: Piece, end_mm: Floats, tip: int, rules: Rules) -> Trial | None:
    """Find how wide a wedge has to be for the rest to close when it is laid flat, and try it.

    Parameters
    ----------
    piece : Piece
    end_mm : (3,) float array, mm
        Its middle on the edge.
    tip : int
        A vertex inside.
    rules : Rules

    Returns
    -------
    Trial or None
        None where no width does.
    """
    rim = piece.surface.vertices_mm[piece.surface.boundary_loops[0]]
    whole = along_rim(rim)[1]
    spare = -np.minimum(vertex_curvature(piece.surface)[~piece.on_rim], 0.0).sum()
    far = float(np.linalg.norm(end_mm - piece.surface.vertices_mm[tip]))
    wide, small, best = max(0.6 * spare * far, 0.02 * far), 0.0, None
    for _ in range(TRIES):
        made = _with_wedge(piece, end_mm, tip, wide, rules) if 0 < wide < WIDEST * whole else None
        if made is None:
            break
        trial, wedge = made
        if trial is None:
            small = max(small, wide)
        elif best is None or wide < best[0].courses[0].wide_mm:
            best = trial, wedge.opens_rad / wedge.wedge_rad
        if best is not None and best[1] < MEET:
            break
        wide = _next_width(wide, wedge, small, best[0].courses[0].wide_mm if best else np.inf)
    return best[0] if best is not None and best[1] < GAPING else None


def _next_width(wide: float, wedge: Wedge, small: float, large: float) -> float:
    """Return the width that would close the gap; one between what overlaps and what gapes if it lies outside."""
    new = wide - wedge.opens_rad * wedge.far_mm
    if small < new < large:
        return new
    # Sides that overlap on their way only are set apart by widening.
    return (1 + WIDEN) * small if not np.isfinite(large) else 0.5 * (small + large)


def _with_wedge(
    piece: Piece, end_mm: Floats, tip: int, wide_mm: float, rules: Rules
) -> tuple[Trial | None, Wedge] | None:
    """Cut a wedge out and lay it and the rest flat; no trial where the rest lies over itself."""
    places = places_on_edge(piece.surface, end_mm, wide_mm)
    beside = surface_edges(piece.surface).ends[on_edge(piece.surface, places)[0]]
    if rules.edge.query(piece.surface.vertices_mm[beside.ravel()])[0].max() > 1e-6:
        # It would end on another cut, not on the patch's own edge.
        return None
    made = slit_wedge(piece.surface, places, tip)
    if made is None:
        return None
    done, lines = made
    if not all(is_clear(line, rules) for line in lines):
        return None
    opened, starts = opened_with(done, done.carry(piece.flat.uv_mm))
    if len(opened.pieces) != 2 or {q.left for q in opened.sides} != {opened.sides[0].left}:
        return None
    try:
        flat = tuple(laid(s, rules, start) for s, start in zip(opened.pieces, starts))
    except (SolveError, ShapeError):
        return None
    one, two = opened.sides
    wedge = wedge_of(
        flat[one.right].flat.uv_mm, (one.right_vertices, two.right_vertices),
        flat[one.left].flat.uv_mm, (one.left_vertices, two.left_vertices),
    )
    if any(p.flat.overlaps for p in flat):
        return None, wedge
    line = np.vstack([lines[0], lines[1][1:]])
    points = np.stack([end_mm, piece.surface.vertices_mm[tip]])
    course = Course("gusset", points, line, wide_mm)
    return Trial((course,), flat, worth(piece.harm, flat, lines, rules)), wedge


def slit_wedge(
    surface: Surface, places_mm: Floats, tip: int, *, snap: float = SNAP
) -> tuple[Slit, tuple[Floats, Floats]] | None:
    """Make the two sides of a wedge edges of a mesh.

    Near the tip they may cross the same edge, so the second is put in after the first.

    Parameters
    ----------
    surface : Surface
    places_mm : (2, 3) float array, mm
        Where they end on the edge.
    tip : int
        Vertex where they meet.
    snap : float
        See `slit`.

    Returns
    -------
    Slit and tuple of two (k, 3) float arrays, or None
        The sides, from the edge to the tip and from the tip to the edge. None where they touch one another or the edge.
    """
    ended, mixing, (first, second) = with_ends(surface, places_mm)
    way_in = geodesic(ended, first, tip)
    one = slit(ended, [way_in], snap=snap)
    if one is None:
        return None
    # Old vertices keep their index, so the tip and the other end are where they were.
    way_out = geodesic(one.surface, tip, second)
    two = slit(one.surface, [way_out], snap=snap, shut=one.paths[0][:-1])
    if two is None:
        return None
    both = Slit(two.surface, (one.paths[0], two.paths[0]), sp.csr_array(two.mixing @ one.mixing @ mixing))
    return both, (way_in, way_out)

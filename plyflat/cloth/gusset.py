"""Gussets: wedges let in where a patch has more angle than a plane, as a flange or the foot of a post has."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import scipy.sparse as sp

from ..errors import ShapeError, SolveError
from ..surface.mesh import Floats, Ints, Surface
from ._bounds import vertex_curvature
from ._cutting import along_rim, on_rim
from ._dart_draft import (
    Course,
    Piece,
    Rules,
    Slit,
    Trial,
    is_clear,
    laid,
    opened_with,
    slit,
    with_ends,
    worth,
)
from ._dart_ways import dart_ways

#: How often the width of a draft's wedge is put right, and by what share it is then widened while it still overlaps.
TRIES, WIDEN = 4, 0.06
#: Sides of the rest that come as near as this share of the wedge's width meet.
MEET = 0.02
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
    wide, best, least = max(0.6 * spare * far, 0.02 * far), None, 0.0
    for k in range(2 * TRIES):
        if not 0 < wide < WIDEST * whole:
            break
        made = _with_wedge(piece, end_mm, tip, wide, rules)
        if made is None:
            break
        trial, wedge = made
        if trial is None:
            least = max(least, wide)
        elif best is None or wide < best.courses[0].wide_mm:
            best = trial
        if best is not None and (k >= TRIES or abs(wedge.opens_rad) < MEET * wedge.wedge_rad):
            break
        wide = wide - wedge.opens_rad * wedge.far_mm
        if trial is None:
            # Sides that overlap on their way only are set apart by widening.
            wide = max(wide, (1 + WIDEN) * least)
    return best


def _with_wedge(
    piece: Piece, end_mm: Floats, tip: int, wide_mm: float, rules: Rules
) -> tuple[Trial | None, Wedge] | None:
    """Cut a wedge out and lay it and the rest flat; no trial where the rest lies over itself."""
    made = _cut_wedge(piece, end_mm, tip, wide_mm)
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


def _cut_wedge(piece: Piece, end_mm: Floats, tip: int, wide_mm: float) -> tuple[Slit, tuple[Floats, Floats]] | None:
    """Cut a draft along the two sides of a wedge: from the edge to the tip, and from the tip to the edge."""
    surface, mixing, (first, second) = with_ends(piece.surface, places_on_edge(piece.surface, end_mm, wide_mm))
    now = Piece(surface, piece.flat, 0.0, 0.0)
    lines = now.way(first, tip), now.way(tip, second)
    cut = slit(surface, lines, meet_at_tips=True)
    if cut is None:
        return None
    return Slit(cut.surface, cut.paths, sp.csr_array(cut.mixing @ mixing)), lines

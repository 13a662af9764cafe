"""Small moves that make a lay exact: parts pushed apart to the gap, inside the edges, and the length drawn in."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from scipy.optimize import linprog
from scipy.sparse import coo_array
from shapely import Polygon, STRtree

from .outline import Floats, Ints


@dataclass(frozen=True)
class Pieces:
    """Parts as they lie, for small moves.

    Attributes
    ----------
    boxes : (n, 4) float array
        xmin, ymin, xmax, ymax of each part, mm.
    triangles : (t, 3, 2) float array
        The parts cut into triangles, mm.
    owner : (t,) int array
        The part each triangle belongs to.
    """

    boxes: Floats
    triangles: Floats
    owner: Ints

    def moved(self, move: Floats) -> Pieces:
        """Give the pieces after a move of each part, (n, 2), mm."""
        return Pieces(
            self.boxes + np.tile(move, 2), self.triangles + move[self.owner][:, None, :], self.owner
        )


def cut_in_triangles(outline: Polygon) -> Floats:
    """Cut an outline into triangles on its own corners.

    Parameters
    ----------
    outline : Polygon

    Returns
    -------
    (t, 3, 2) float array
    """
    pieces = shapely.get_parts(shapely.constrained_delaunay_triangles(outline))
    return np.array([shapely.get_coordinates(piece)[:3] for piece in pieces])


def settle(pieces: Pieces, *, room_mm: float, gap_mm: float, reach_mm: float) -> tuple[Floats, float] | None:
    """Find the small moves that keep all parts apart and inside, and make the lay as short as they can.

    Every pair of triangles that could come too close is kept on its two sides of a straight line, which is enough
    whatever the move, so the answer holds exactly and not only to first order. The lines are those of the lay as it
    is, and the shortest lay under them is a linear programme (the compaction of Li and Milenkovic [1]_, with fixed
    separating lines instead of polygons of free positions).

    Parameters
    ----------
    pieces : Pieces
        May overlap or stick out a little.
    room_mm : float
        Parts must lie within 0 and this in y, and from 0 in x.
    gap_mm : float
    reach_mm : float
        No part moves further than this along x or y.

    Returns
    -------
    moves : (n, 2) float array, length : float, or None
        mm; None where no moves this small will do.

    References
    ----------
    .. [1] Li, Z., Milenkovic, V. (1995): Compaction and separation algorithms for non-convex polygons and their
       applications. European Journal of Operational Research 84(3), 539-561.
    """
    count = len(pieces.boxes)
    low, high = _move_limits(pieces.boxes, room_mm, reach_mm)
    if np.any(low > high):
        return None
    i, j, normal, short = _separators(pieces, gap_mm, reach_mm)
    rows = np.arange(len(i))
    # normal . (move_i - move_j) >= short, and xmax_i + move_x_i <= length
    data = np.concatenate([-normal[:, 0], -normal[:, 1], normal[:, 0], normal[:, 1], np.ones(count), -np.ones(count)])
    row = np.concatenate([rows, rows, rows, rows, len(i) + np.arange(count), len(i) + np.arange(count)])
    column = np.concatenate(
        [2 * i, 2 * i + 1, 2 * j, 2 * j + 1, 2 * np.arange(count), np.full(count, 2 * count)]
    )
    matrix = coo_array((data, (row, column)), shape=(len(i) + count, 2 * count + 1)).tocsr()
    right = np.concatenate([-short, -pieces.boxes[:, 2]])
    cost = np.zeros(2 * count + 1)
    cost[-1] = 1.0
    bounds = np.vstack([np.column_stack([low.ravel(), high.ravel()]), [[0.0, np.inf]]])
    tight = {"primal_feasibility_tolerance": 1e-9, "dual_feasibility_tolerance": 1e-9}
    answer = linprog(cost, A_ub=matrix, b_ub=right, bounds=bounds, method="highs", options=tight)
    if not answer.success:
        return None
    return answer.x[:-1].reshape(-1, 2), float(answer.x[-1])


def _move_limits(boxes: Floats, room_mm: float, reach_mm: float) -> tuple[Floats, Floats]:
    low = np.full((len(boxes), 2), -reach_mm)
    high = np.full((len(boxes), 2), reach_mm)
    low = np.maximum(low, -boxes[:, :2])
    high[:, 1] = np.minimum(high[:, 1], room_mm - boxes[:, 3])
    # A part exactly as high as the room: rounding must not shut its only place.
    shut = (low[:, 1] > high[:, 1]) & (low[:, 1] < high[:, 1] + 1e-7)
    low[shut, 1] = high[shut, 1] = 0.5 * (low[shut, 1] + high[shut, 1])
    return low, high


def _separators(pieces: Pieces, gap_mm: float, reach_mm: float) -> tuple[Ints, Ints, Floats, Floats]:
    """Give (i, j, unit normal, distance still missing) for every pair of parts that could come too close."""
    near = gap_mm + 2.0 * np.sqrt(2.0) * reach_mm
    first, second = _near_triangles(pieces, near)
    normal, apart = _best_lines(pieces.triangles[first], pieces.triangles[second])
    i, j = pieces.owner[first], pieces.owner[second]
    keep = apart < near
    i, j, normal, short = i[keep], j[keep], normal[keep], gap_mm - apart[keep]
    # Many triangles along one side share a line: only the tightest of each matters.
    key = np.column_stack([i, j, np.round(normal * 1e9)])
    order = np.lexsort((-short, *key.T[::-1]))
    key = key[order]
    lead = np.ones(len(key), dtype=bool)
    lead[1:] = np.any(key[1:] != key[:-1], axis=1)
    pick = order[lead]
    return i[pick], j[pick], normal[pick], short[pick]


def _near_triangles(pieces: Pieces, near_mm: float) -> tuple[Ints, Ints]:
    low, high = pieces.triangles.min(axis=1), pieces.triangles.max(axis=1)
    tree = STRtree(shapely.box(*low.T, *high.T))
    first, second = tree.query(shapely.box(*(low - near_mm).T, *(high + near_mm).T))
    keep = pieces.owner[first] < pieces.owner[second]
    return first[keep], second[keep]


def _best_lines(a: Floats, b: Floats) -> tuple[Floats, Floats]:
    """Give the normal along which each pair of triangles lies furthest apart, and how far.

    The best line of two convex shapes that are apart is square to their shortest connection; of two that touch or
    overlap it lies along a side of one of them.
    """
    sides = np.concatenate([_side_normals(a), -_side_normals(b)], axis=1)
    links = a[:, :, None, :] - b[:, None, :, :]
    links = links.reshape(len(a), 9, 2)
    axes = np.concatenate([_unit(sides), _unit(links)], axis=1)
    lowest = np.einsum("tkd,tpd->tkp", axes, a).min(axis=2)
    highest = np.einsum("tkd,tpd->tkp", axes, b).max(axis=2)
    # Corners that lie on each other give no line, and must not count as one along which the two are nought apart.
    apart = np.where(axes.any(axis=2), lowest - highest, -np.inf)
    best = apart.argmax(axis=1)
    pick = np.arange(len(a))
    return axes[pick, best], apart[pick, best]


def _side_normals(triangles: Floats) -> Floats:
    """Give the normals of the sides, pointing into the triangle."""
    side = np.roll(triangles, -1, axis=1) - triangles
    normal = np.stack([-side[..., 1], side[..., 0]], axis=2)
    third = np.roll(triangles, -2, axis=1) - triangles
    flip = np.sign(np.einsum("tkd,tkd->tk", normal, third))
    return normal * flip[..., None]


def _unit(vectors: Floats) -> Floats:
    long = np.linalg.norm(vectors, axis=-1, keepdims=True)
    return np.divide(vectors, long, out=np.zeros_like(vectors), where=long > 0.0)

"""The sharp edges of a clean model, followed from a seed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.sparse as sp
from scipy.sparse.csgraph import dijkstra

from ..errors import OutlineError
from ._topology import surface_edges
from ._trace import at
from .crease import turns
from .cut import path_edges
from .mesh import Floats, Ints, Surface

# Points along an edge are no farther apart than this.
STEP_MM = 4.0


@dataclass(frozen=True, eq=False)
class EdgeLine:
    """A line along edges: its vertices in order, whether it goes round, the angle at each (air side), its sense."""

    way: Ints
    closed: bool
    angle_deg: Floats
    concave: bool


def edge_line(surface: Surface, seed_mm: Floats, *, angle_deg: float, reach_mm: float) -> EdgeLine | None:
    """Follow the sharp edge nearest to a seed both ways, until it ends, closes, or three meet.

    Returns
    -------
    EdgeLine or None
        None where no edge within reach is sharp.

    Raises
    ------
    OutlineError
        Several meet right at the seed.
    """
    ends = surface_edges(surface).ends
    turn = np.degrees(turns(surface, surface_edges(surface))[0])
    sharp = np.flatnonzero(np.abs(turn) >= angle_deg - 1e-6)
    if not len(sharp):
        return None
    away, share = _to_edges(surface.vertices_mm[ends[sharp]], seed_mm)
    k = int(np.argmin(away))
    if away[k] > reach_mm:
        return None
    concave = bool(turn[sharp[k]] < 0)
    same = sharp[(turn[sharp] < 0) == concave]
    beside: dict[int, list[int]] = {}
    for i in same.tolist():
        for v in ends[i].tolist():
            beside.setdefault(v, []).append(i)
    first = int(sharp[k])
    _not_where_they_meet(surface, ends[first], beside, float(share[k]), seed_mm)
    ahead, closed = _follow(ends, beside, first, int(ends[first, 1]))
    back = [] if closed else _follow(ends, beside, first, int(ends[first, 0]))[0]
    edges = np.array([*back[::-1], first, *ahead], dtype=np.int64)
    way = _in_order(ends, edges, closed)
    angle = 180.0 + turn[edges]
    return EdgeLine(way, closed, _at_points(angle, closed), concave)


def _to_edges(p: Floats, q: Floats) -> tuple[Floats, Floats]:
    """Distance of a point to segments (k, 2, 3), and where along each the foot lies."""
    d = p[:, 1] - p[:, 0]
    t = np.clip(((q - p[:, 0]) * d).sum(axis=1) / np.maximum((d * d).sum(axis=1), 1e-300), 0, 1)
    return np.linalg.norm(p[:, 0] + t[:, None] * d - q, axis=1), t


def _not_where_they_meet(surface: Surface, ends: Ints, beside: dict[int, list[int]], share: float, seed: Floats) -> None:
    for v, there in zip(ends.tolist(), (share <= 0, share >= 1)):
        if there and len(beside[v]) > 2:
            raise OutlineError(
                f"{len(beside[v])} corners meet at the seed, so it does not say which is meant",
                where=at(tuple(surface.vertices_mm[v])), do="Move the seed along the one that is meant.",
            )


def _follow(ends: Ints, beside: dict[int, list[int]], first: int, vertex: int) -> tuple[list[int], bool]:
    """Return the edges on from one, and whether they come back to it."""
    out: list[int] = []
    now = first
    while True:
        on = [i for i in beside[vertex] if i != now]
        if len(on) != 1:
            return out, False
        now = on[0]
        if now == first:
            return out, True
        out.append(now)
        vertex = int(ends[now].sum() - vertex)


def _in_order(ends: Ints, edges: Ints, closed: bool) -> Ints:
    """Vertices along edges that follow on each other."""
    if len(edges) == 1:
        return ends[edges[0]]
    a, b = ends[edges[0]].tolist()
    way = [a, b] if b in ends[edges[1]].tolist() else [b, a]
    for i in edges[1:].tolist():
        way.append(int(ends[i].sum() - way[-1]))
    return np.array(way[:-1] if closed else way, dtype=np.int64)


def _at_points(angle: Floats, closed: bool) -> Floats:
    """Angles of edges averaged at the points between them."""
    if closed:
        return np.asarray(0.5 * (angle + np.roll(angle, 1)))
    return np.r_[angle[0], 0.5 * (angle[1:] + angle[:-1]), angle[-1]]


def faces_beside(surface: Surface, way: Ints, closed: bool) -> tuple[Ints, Ints]:
    """Return the faces left and right of a way along edges."""
    n = len(surface.vertices_mm)
    e = surface.faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2)
    key = e[:, 0] * n + e[:, 1]
    a, b = path_edges(way, closed=closed).T
    return tuple(np.flatnonzero(np.isin(key, q)) // 3 for q in (a * n + b, b * n + a))  # type: ignore[return-value]


def nearest_side(surface: Surface, left: Ints, right: Ints, wall: Ints) -> tuple[Ints, Floats]:
    """Tell for each face which side's faces it is nearer to along the surface, not crossing edges of a line.

    Returns
    -------
    (m,) int array
        0 for left, 1 for right, -1 where no way leads.
    (m,) float array, mm
        How far off, from middle to middle of the faces.
    """
    edges = surface_edges(surface)
    n, m = len(surface.vertices_mm), len(surface.faces)
    w = np.sort(wall, axis=1)
    open_ = (edges.faces[:, 1] >= 0) & ~np.isin(edges.ends[:, 0] * n + edges.ends[:, 1], w[:, 0] * n + w[:, 1])
    one, two = edges.faces[open_].T
    middle = surface.vertices_mm[surface.faces].mean(axis=1)
    length = np.maximum(np.linalg.norm(middle[one] - middle[two], axis=1), 1e-9)
    graph = sp.csr_array((length, (one, two)), shape=(m, m))
    away = np.stack([dijkstra(graph, directed=False, indices=q, min_only=True) for q in (left, right)])
    side = np.argmin(away, axis=0)
    side[np.isinf(away).all(axis=0)] = -1
    return side, away.min(axis=0)


def spaced(points: Floats, values: Floats, closed: bool, step_mm: float = STEP_MM) -> tuple[Floats, Floats]:
    """Put points between those of a line so that none are farther apart than stated; values go with them."""
    both = np.column_stack([points, values])
    follow = np.roll(both, -1, axis=0) if closed else both[1:]
    out = []
    for a, b in zip(both, follow):
        k = max(int(np.ceil(np.linalg.norm((b - a)[:3]) / step_mm - 1e-9)), 1)
        out.append(a + (b - a) * (np.arange(k) / k)[:, None])
    if not closed:
        out.append(both[-1:])
    line = np.vstack(out)
    return line[:, :3], line[:, 3]



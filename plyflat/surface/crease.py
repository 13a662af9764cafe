"""Corner lines of a surface: sharp edges of a model, and the bent strips that scanning and smoothing make of them."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
import scipy.sparse as sp
from scipy.sparse.csgraph import connected_components, dijkstra

from ._smooth import work_copy
from .cut import Edges, mesh_edges
from .mesh import Bools, Floats, Ints, Surface

# A strip reaches out to where the bend has fallen to this share of what counts as a corner.
STRIP = 0.4
# Steps along the strip cost up to this much more where it bends less; it keeps the line on the ridge.
RIDGE = 6.0
# An edge that is sharp by itself is nearly free, so that the line runs along a model's edges exactly.
SHARP = 0.2
# The ball that cuts a strip across to see whether it goes round, in scales.
BALL = 1.5
# A bend spread over more than so many scales is a round nose and no corner.
WIDEST = 2.0


@dataclass(frozen=True, eq=False)
class Crease:
    """A corner line.

    Attributes
    ----------
    points_mm : (k, 3) float array, mm
        Along the line; a closed line repeats its first point at the end.
    angle_deg : float
        How far the surface turns there, on average along the line.
    concave : bool
        True for an inner corner (hull to skeg), seen from the air side.
    closed : bool
    vertices : (k,) int array
        Those of the surface that the line runs along.
    """

    points_mm: Floats
    angle_deg: float
    concave: bool
    closed: bool
    vertices: Ints


def find_creases(surface: Surface, *, angle_deg: float = 30.0, scale_mm: float = 10.0) -> tuple[Crease, ...]:
    """Find the lines where the surface turns by more than an angle within a stated width.

    Parameters
    ----------
    surface : Surface
    angle_deg : float
        The least turn that counts as a corner.
    scale_mm : float
        The width within which it has to happen. A line shorter than twice this is dropped.

    Returns
    -------
    tuple of Crease
        Longest first.

    References
    ----------
    D. Cohen-Steiner, J.-M. Morvan, "Restricted Delaunay triangulations and normal cycle", SoCG 2003: the mean
    curvature in a set is the sum of dihedral angle times length over the edges in it.
    """
    s = Surface(work_copy(surface), surface.faces)
    edges = mesh_edges(s.faces, len(s.vertices_mm))
    turn, length = turns(s, edges)
    bend = bend_within(s, edges, turn * length, scale_mm)
    limit = np.radians(angle_deg)
    found = []
    for sign in (1.0, -1.0):
        for strip in _strips(edges, sign * bend, limit, len(bend)):
            found += _lines(s, edges, sign * turn, length, sign * bend, strip, limit, scale_mm, sign < 0)
    return tuple(sorted(found, key=lambda c: -_length(c.points_mm)))


def turns(s: Surface, edges: Edges) -> tuple[Floats, Floats]:
    """Return the signed turn across each edge and the edge's length.

    Parameters
    ----------
    s : Surface
    edges : Edges

    Returns
    -------
    (e,) float array, rad
        Convex positive, 0 on the boundary.
    (e,) float array, mm
    """
    v, (a, b) = s.vertices_mm, edges.ends.T
    along = v[b] - v[a]
    length = np.linalg.norm(along, axis=1)
    turn = np.zeros(len(a))
    k = np.flatnonzero(edges.faces[:, 1] >= 0)
    f, g = edges.faces[k].T
    n, m = s.face_normals[f], s.face_normals[g]
    # Seen along the edge as face f has it, so that the sign does not hang on how the edge is stored.
    tri = s.faces[f]
    at = np.argmax(tri == a[k, None], axis=1)
    with_f = tri[np.arange(len(k)), (at + 1) % 3] == b[k]
    axis = np.where(with_f[:, None], along[k], -along[k]) / np.maximum(length[k, None], 1e-300)
    turn[k] = np.arctan2((np.cross(n, m) * axis).sum(axis=1), (n * m).sum(axis=1))
    return turn, length


def bend_within(s: Surface, edges: Edges, measure: Floats, scale_mm: float) -> Floats:
    """Return the turn across a strip about as wide as the scale, at each vertex; noise has both signs and cancels.

    Parameters
    ----------
    s : Surface
    edges : Edges
    measure : (e,) float array, rad mm
        Turn times length of each edge.
    scale_mm : float

    Returns
    -------
    (n,) float array, rad

    Notes
    -----
    Two implicit steps of diffusion with (M + r² L), r a quarter of the scale, spread the turn of a single line to
    angle / (4 r) (1 + x/r) exp(-x/r), whose height at the line, times the scale, is the angle itself.
    """
    import igl

    n = len(s.vertices_mm)
    density = 0.5 * sum(np.bincount(edges.ends[:, k], measure, minlength=n) for k in range(2))
    area = np.bincount(s.faces.ravel(), np.repeat(s.face_areas_mm2 / 3, 3), minlength=n)
    area = np.maximum(area, 1e-12)
    stiff = -igl.cotmatrix(s.vertices_mm, s.faces)
    solve = sp.linalg.splu(sp.csc_matrix(sp.diags(area) + (0.25 * scale_mm) ** 2 * stiff)).solve
    return np.asarray(solve(area * solve(density)) * scale_mm)


def _strips(edges: Edges, bend: Floats, limit: float, n: int) -> list[Ints]:
    """Return sets of vertices that hang together and bend, each with a place that bends more than the limit."""
    weak = bend > STRIP * limit
    e = edges.ends[weak[edges.ends].all(axis=1)]
    graph = sp.coo_array((np.ones(len(e), dtype=np.int8), (e[:, 0], e[:, 1])), shape=(n, n))
    count, label = connected_components(graph, directed=False)
    strong = np.zeros(count, dtype=bool)
    strong[label[bend > limit]] = True
    return [np.flatnonzero(weak & (label == k)) for k in np.unique(label[weak]) if strong[k]]


def _lines(
    s: Surface,
    edges: Edges,
    turn: Floats,
    length: Floats,
    bend: Floats,
    strip: Ints,
    limit: float,
    scale_mm: float,
    concave: bool,
) -> list[Crease]:
    """Draw the ridge lines of one strip: longest first, until what is left of the strip is short."""
    inside = np.zeros(len(bend), dtype=bool)
    inside[strip] = True
    k = np.flatnonzero(inside[edges.ends].all(axis=1))
    turned = float((turn[k] * length[k]).sum())
    cost = length[k] * (1 + RIDGE * (1 - np.clip(bend[edges.ends[k]].mean(axis=1) / bend[strip].max(), 0, 1)))
    cost[turn[k] > limit] *= SHARP
    graph = sp.coo_array((cost, tuple(edges.ends[k].T)), shape=(len(bend), len(bend))).tocsr()
    graph = graph + graph.T
    ways: list[tuple[Ints, bool]] = []
    if (ring := _round(s, graph, strip, bend, scale_mm)) is not None:
        ways.append((ring, True))
        inside[_near(s, strip, s.vertices_mm[ring], scale_mm)] = False
    while True:
        left = np.flatnonzero(inside)
        way = _longest(s, graph, left, bend, limit, scale_mm) if len(left) > 1 else None
        if way is None or _length(s.vertices_mm[way]) < 2 * scale_mm:
            break
        ways.append((way, False))
        inside[_near(s, left, s.vertices_mm[way], scale_mm)] = False
    total = sum(_length(s.vertices_mm[w]) for w, _ in ways)
    return [
        _crease(s, w, closed, turned / total, concave)
        for w, closed in ways if _width(s, strip, bend, w, scale_mm) <= WIDEST * scale_mm
    ]


def _width(s: Surface, strip: Ints, bend: Floats, way: Ints, scale_mm: float) -> float:
    """Width of what bends at least half as much as the ridge, mm: large on a round nose, small on a corner."""
    area = np.bincount(s.faces.ravel(), np.repeat(s.face_areas_mm2 / 3, 3), minlength=len(bend))
    half = strip[bend[strip] > 0.5 * np.median(bend[way])]
    half = _near(s, half, s.vertices_mm[way], WIDEST * scale_mm)
    return float(area[half].sum()) / _length(s.vertices_mm[way])


def _length(points: Floats) -> float:
    return float(np.linalg.norm(np.diff(points, axis=0), axis=1).sum())


def _near(s: Surface, some: Ints, points: Floats, reach: float) -> Ints:
    from scipy.spatial import cKDTree

    return some[cKDTree(points).query(s.vertices_mm[some])[0] <= reach]


def _longest(
    s: Surface, graph: sp.csr_array, left: Ints, bend: Floats, limit: float, scale_mm: float
) -> Ints | None:
    """Return the way between the two ends of a strip: the farthest vertex from any, and the farthest from that."""
    cheap = graph[left][:, left].tocoo()
    start = int(np.argmax(bend[left]))
    if bend[left[start]] <= limit:
        return None
    p = s.vertices_mm[left]
    plain = np.linalg.norm(p[cheap.row] - p[cheap.col], axis=1)
    true = sp.coo_array((plain, (cheap.row, cheap.col)), shape=cheap.shape).tocsr()
    border = _on_border(s)[left]
    for _ in range(2):
        far = dijkstra(true, directed=False, indices=start)
        last, start = start, _end(s, left, far, border, bend[left], scale_mm)
    _, came = dijkstra(cheap.tocsr(), directed=False, indices=last, return_predecessors=True)
    return left[_trace(came, last, start)]


def _end(s: Surface, left: Ints, far: Floats, border: Bools, bend: Floats, scale_mm: float) -> int:
    """Return the vertex that bends most near the farthest one, on the boundary where the strip runs out there.

    The farthest itself is a corner of the strip.
    """
    end = int(np.argmax(np.where(np.isfinite(far), far, -1.0)))
    p = s.vertices_mm[left]
    close = np.isfinite(far) & (np.linalg.norm(p - p[end], axis=1) <= BALL * scale_mm)
    if (close & border).any():
        close &= border
    return int(np.argmax(np.where(close, bend, -np.inf)))


def _on_border(s: Surface) -> Bools:
    on = np.zeros(len(s.vertices_mm), dtype=bool)
    for q in s.boundary_loops:
        on[q] = True
    return on


def _round(s: Surface, graph: sp.csr_array, strip: Ints, bend: Floats, scale_mm: float) -> Ints | None:
    """Return the ridge of a strip that closes on itself, first vertex repeated; None where it does not.

    A ball round one vertex of the ridge cuts the strip across; if what is left still joins the two sides of the
    cut, the strip goes round.
    """
    sub = graph[strip][:, strip]
    p = s.vertices_mm[strip]
    start = int(np.argmax(bend[strip]))
    ball = np.linalg.norm(p - p[start], axis=1) <= BALL * scale_mm
    ball &= np.isfinite(dijkstra(_only(sub, ball), directed=False, indices=start))
    rest = _only(sub, ~ball)
    part = connected_components(rest, directed=False)[1]
    shell = np.flatnonzero((sub @ ball.astype(np.float64) > 0) & ~ball)
    side = connected_components(sub[shell][:, shell], directed=False)[1]
    to_start = dijkstra(_only(sub, ball | np.isin(np.arange(len(strip)), shell)), directed=False, indices=start,
                        return_predecessors=True)
    doors = [int(shell[side == k][np.argmin(to_start[0][shell[side == k]])]) for k in np.unique(side)]
    for a, b in itertools.combinations(doors, 2):
        if part[a] == part[b]:
            _, came = dijkstra(rest, directed=False, indices=a, return_predecessors=True)
            out, back = _trace(to_start[1], start, a), _trace(to_start[1], start, b)
            return strip[np.array([*out[:-1], *_trace(came, a, b), *back[-2::-1]], dtype=np.int64)]
    return None


def _only(graph: sp.csr_array, keep: Bools) -> sp.csr_array:
    g = graph.tocoo()
    k = keep[g.row] & keep[g.col]
    return sp.coo_array((g.data[k], (g.row[k], g.col[k])), shape=graph.shape).tocsr()


def _trace(came: Ints, start: int, end: int) -> list[int]:
    way = [end]
    while way[-1] != start:
        way.append(int(came[way[-1]]))
    return way[::-1]


def _crease(s: Surface, way: Ints, closed: bool, angle: float, concave: bool) -> Crease:
    points = _smoothed(s, way, closed)
    return Crease(points, float(np.degrees(angle)), concave, closed, np.asarray(way, dtype=np.int64))


def _smoothed(s: Surface, way: Ints, closed: bool) -> Floats:
    """Take the zigzag out of a line that runs from vertex to vertex; corners of a model stay."""
    p = s.vertices_mm[way]
    if _is_sharp(s, way):
        return p
    for _ in range(6):
        q = p.copy()
        q[1:-1] = 0.25 * p[:-2] + 0.5 * p[1:-1] + 0.25 * p[2:]
        if closed:
            q[0] = q[-1] = 0.25 * p[-2] + 0.5 * p[0] + 0.25 * p[1]
        p = s.locate(q).points_mm
        if not closed:
            p[[0, -1]] = s.vertices_mm[way[[0, -1]]]
    return p


def _is_sharp(s: Surface, way: Ints) -> bool:
    """Whether the faces beside most of a line's edges meet at a real corner, as on a model."""
    n = len(s.vertices_mm)
    edges = mesh_edges(s.faces, n)
    turn, _ = turns(s, edges)
    pairs = np.sort(np.stack([way[:-1], way[1:]], axis=1), axis=1)
    key = edges.ends[:, 0] * n + edges.ends[:, 1]
    at = np.searchsorted(key, pairs[:, 0] * n + pairs[:, 1])
    return bool(np.mean(np.abs(turn[at]) > np.radians(20)) > 0.8)

"""Corner lines of a surface: sharp edges of a model, and the bent strips that scanning and smoothing make of them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.sparse as sp
from scipy.sparse.csgraph import connected_components, dijkstra

from ._crease_lines import SharpEdges, Strip, filled, local_most, ridge_ways
from ._smooth import work_copy
from .cut import Edges, mesh_edges
from .mesh import Bools, Floats, Ints, Surface
from .noise import SHRINK_MOST, calmed

# A strip reaches out to where the bend has fallen to this share of what counts as a corner.
STRIP = 0.4
# Steps along the strip cost up to this much more where it bends less; it keeps the line on the ridge.
RIDGE = 6.0
# An edge that is sharp by itself is nearly free, so that the line runs along a model's edges exactly.
SHARP = 0.2
# What bends more than this share of the most within a scale or two lies on a ridge that wants a line.
CORE = 0.5
# A line whose own edges turn by more than this share of all is a model's and keeps its corners; others are evened so often.
OWN, EVENED = 0.8, 6
# The turn is that between the faces so far to both sides, in scales.
BESIDE = 0.5, 1.0
# Stations between a line's ends from which on those at the ends are left out.
ENOUGH = 2
# A line that turns on average by less than this share of what counts as a corner is noise that looked like one at a place.
KEPT = 0.75
# A noisy scan is smoothed over this share of the scale before lines are looked for.
CALM = 0.4
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
        How far the surface turns there, from side to side and on average along the line.
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
        The width within which it has to happen. A line shorter than twice this is dropped, and a noisy scan is smoothed over
        two fifths of it first.

    Returns
    -------
    tuple of Crease
        Longest first. Where three or more meet, a ring goes on through; others end there but for those that run straight on.

    References
    ----------
    D. Cohen-Steiner, J.-M. Morvan, "Restricted Delaunay triangulations and normal cycle", SoCG 2003: the mean
    curvature in a set is the sum of dihedral angle times length over the edges in it.
    """
    s = _calm(surface, scale_mm)
    edges = mesh_edges(s.faces, len(s.vertices_mm))
    turn, length = turns(s, edges)
    bend = bend_within(s, edges, turn * length, scale_mm)
    limit = np.radians(angle_deg)
    found: list[Crease] = []
    border = _on_border(s)
    for sign in (1.0, -1.0):
        found += _lines(_Ground(s, edges, sign * turn, length, sign * bend, border, limit, scale_mm, sign < 0))
    return tuple(sorted(found, key=lambda c: -float(np.linalg.norm(np.diff(c.points_mm, axis=0), axis=1).sum())))


def _calm(surface: Surface, scale_mm: float) -> Surface:
    """A clean surface itself; of a noisy one a copy smoothed evenly, corners and all.

    The filter by which lengths are measured holds corners, and draws vertices along them: of no harm to lengths, it folds the
    narrow faces that a scanner puts there over each other.
    """
    if work_copy(surface) is surface.vertices_mm:
        return surface
    passes = 2 * (CALM * scale_mm / surface.mean_edge_mm) ** 2
    return calmed(surface, int(np.clip(round(passes), 1, SHRINK_MOST)))


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


@dataclass(frozen=True, eq=False)
class _Ground:
    """A surface as lines of one sign see it: turns and bends are positive where it turns their way."""

    s: Surface
    edges: Edges
    turn: Floats
    length: Floats
    bend: Floats
    border: Bools
    limit: float
    scale_mm: float
    concave: bool


def _strips(g: _Ground) -> list[Strip]:
    """Return the sets of vertices that hang together and bend, each with a place that bends more than the limit."""
    n = len(g.bend)
    weak = filled(g.bend > STRIP * g.limit, g.edges.ends, g.s.vertices_mm, g.border, g.scale_mm)
    # A line runs along edges no longer than the scale, or such as are a corner by themselves.
    close = (g.length <= g.scale_mm) | (g.turn > 0.5 * g.limit)
    k = np.flatnonzero(weak[g.edges.ends].all(axis=1) & close)
    graph = sp.coo_array((np.ones(len(k), dtype=np.int8), tuple(g.edges.ends[k].T)), shape=(n, n))
    count, label = connected_components(graph, directed=False)
    strong = np.zeros(count, dtype=bool)
    strong[label[g.bend > g.limit]] = True
    own = np.flatnonzero(weak & strong[label])
    k = k[strong[label[g.edges.ends[k, 0]]]]
    share = np.zeros(n)
    for q in _grouped(own, label[own]):
        share[q] = g.bend[q] / local_most(g.bend[q], g.s.vertices_mm[q], g.scale_mm)
    cost = g.length * (1 + RIDGE * (1 - np.clip(share[g.edges.ends].mean(axis=1), 0, 1)))
    cost[g.turn > g.limit] *= SHARP
    f = np.flatnonzero((weak & strong[label])[g.s.faces].all(axis=1))
    sides = np.sort(np.stack([g.s.faces[f], np.roll(g.s.faces[f], -1, axis=1)], axis=2), axis=2)
    f = f[np.isin(sides[..., 0] * n + sides[..., 1], g.edges.ends[k, 0] * n + g.edges.ends[k, 1]).all(axis=1)]
    core = (g.bend > g.limit) & (share > CORE)
    out = []
    faces = {int(label[g.s.faces[q[0], 0]]): q for q in _grouped(f, label[g.s.faces[f, 0]])}
    edges = {int(label[g.edges.ends[q[0], 0]]): q for q in _grouped(k, label[g.edges.ends[k, 0]])}
    for v in _grouped(own, label[own]):
        e, t = (d.get(int(label[v[0]]), np.zeros(0, dtype=np.int64)) for d in (edges, faces))
        pairs, corners = np.searchsorted(v, g.edges.ends[e]), np.searchsorted(v, g.s.faces[t])
        out.append(Strip(v, g.s.vertices_mm[v], pairs, g.length[e], cost[e], corners, g.bend[v], core[v], g.border[v]))
    return out


def _grouped(some: Ints, label: Ints) -> list[Ints]:
    """The parts of an array whose labels are alike, each in the array's order."""
    order = np.argsort(label, kind="stable")
    parts = np.split(some[order], np.flatnonzero(np.diff(label[order])) + 1)
    return [q for q in parts if len(q)]


def _lines(g: _Ground) -> list[Crease]:
    """Draw the lines of all strips and measure each by what lies nearest to it."""
    sharp = SharpEdges(g.s.vertices_mm, g.edges.ends[g.turn > g.limit], g.border)
    ways = [w for strip in _strips(g) for w in ridge_ways(strip, sharp, g.scale_mm)]
    if not ways:
        return []
    owned = _owned(g, [way for way, _ in ways])
    first = np.cumsum([0] + [len(way) for way, _ in ways])
    near = [_Near(way, closed, *_nearest(owned, int(k), len(way))) for (way, closed), k in zip(ways, first)]
    near = [q for q in near if _width(g, q) <= WIDEST * g.scale_mm]
    made = [_crease(g, q, p) for q, p in zip(near, _evened(g.s, near))]
    return [c for c in made if c.angle_deg >= KEPT * np.degrees(g.limit)]


@dataclass(frozen=True, eq=False)
class _Owned:
    """For each vertex of the surface the one nearest to it along all lines, counted line after line, -1 where none is
    near, and how far off that is, mm."""

    place: Ints
    far_mm: Floats


def _owned(g: _Ground, ways: list[Ints]) -> _Owned:
    n = len(g.bend)
    i, j = g.edges.ends.T
    graph = sp.csr_array((np.r_[g.length, g.length], (np.r_[i, j], np.r_[j, i])), shape=(n, n))
    on = np.concatenate(ways)
    far, _, source = dijkstra(
        graph, directed=False, indices=np.unique(on), min_only=True, limit=WIDEST * g.scale_mm, return_predecessors=True
    )
    # Where lines meet the vertex is the first one's; one of many makes no odds.
    place = np.full(n + 1, -1)
    place[on[::-1]] = np.arange(len(on))[::-1]
    return _Owned(place[np.where(source >= 0, source, n)], far)


@dataclass(frozen=True, eq=False)
class _Near:
    """A way, whether it closes on itself, and for each vertex of the surface which of the way's it is nearest to, -1 where it
    is nearer to another line's or far off, and how far off that is, mm."""

    way: Ints
    closed: bool
    at: Ints
    far_mm: Floats


def _nearest(owned: _Owned, first: int, count: int) -> tuple[Ints, Floats]:
    at = owned.place - first
    return np.where((at >= 0) & (at < count), at, -1), owned.far_mm


def _crease(g: _Ground, near: _Near, evened: Floats) -> Crease:
    own = _own_turn(g, near.way)
    across = _turned(g, near, evened)
    angle = own if across is None else across
    # On a model all of the turn is in the line's own edges; on a scan they run to and fro across a strip.
    points = g.s.vertices_mm[near.way] if own > OWN * angle else evened
    return Crease(points, float(np.degrees(angle)), g.concave, near.closed, near.way)


def _own_turn(g: _Ground, way: Ints) -> float:
    """Turn in the edges that a way runs along, rad, on average over their length."""
    n = len(g.bend)
    pairs = np.sort(np.stack([way[:-1], way[1:]], axis=1), axis=1)
    at = np.searchsorted(g.edges.ends[:, 0] * n + g.edges.ends[:, 1], pairs[:, 0] * n + pairs[:, 1])
    return float((g.turn[at] * g.length[at]).sum() / max(float(g.length[at].sum()), 1e-300))


def _turned(g: _Ground, near: _Near, points: Floats) -> float | None:
    """How far the surface turns about a line, rad, on average along it; None where no face lies well to either side.

    Between the normals to both sides, averaged over faces from half a scale to a whole one off and over a scale along the
    line, turned about the line's direction there; what lies about the ends is left out where there is enough between.
    """
    f, at = g.s.faces, near.at
    mid = near.far_mm[f].mean(axis=1)
    k = np.flatnonzero((at[f] >= 0).all(axis=1) & (mid >= BESIDE[0] * g.scale_mm) & (mid <= BESIDE[1] * g.scale_mm))
    if not len(k):
        return None
    s = np.r_[0.0, np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))]
    t = _directions(points, s, near.closed, 0.5 * g.scale_mm)
    one = at[f[k, 0]]
    normal, away = g.s.face_normals[k], g.s.vertices_mm[f[k]].mean(axis=1) - points[one]
    left = (np.cross(normal, t[one]) * away).sum(axis=1) > 0
    stations = max(int(round(s[-1] / g.scale_mm)), 1)
    of = np.minimum((s[one] / s[-1] * stations).astype(np.int64), stations - 1)
    sums = np.zeros((2, stations, 3))
    for side in (0, 1):
        mine = left == bool(side)
        np.add.at(sums[side], of[mine], normal[mine] * g.s.face_areas_mm2[k[mine], None])
    middle = np.searchsorted(s, (np.arange(stations) + 0.5) * s[-1] / stations).clip(0, len(s) - 1)
    a, b, along = sums[0], sums[1], t[middle]
    turn = np.arctan2((np.cross(a, b) * along).sum(axis=1), (a * b).sum(axis=1) - (a * along).sum(axis=1) * (b * along).sum(axis=1))
    seen = (np.linalg.norm(sums, axis=2) > 0).all(axis=0)
    if not near.closed and seen[1:-1].sum() >= ENOUGH:
        seen[[0, -1]] = False
    return float(np.abs(turn[seen]).mean()) if seen.any() else None


def _directions(points: Floats, s: Floats, closed: bool, reach: float) -> Floats:
    """Unit directions (k, 3) of a line at its points, from ``reach`` before each to as far beyond it."""
    ends = []
    for d in (-reach, reach):
        x = np.mod(s + d, s[-1]) if closed else np.clip(s + d, 0.0, s[-1])
        ends.append(np.stack([np.interp(x, s, points[:, k]) for k in range(3)], axis=1))
    t = ends[1] - ends[0]
    return np.asarray(t / np.maximum(np.linalg.norm(t, axis=1, keepdims=True), 1e-300))


def _width(g: _Ground, near: _Near) -> float:
    """Width of what bends at least half as much as the ridge, mm: large on a round nose, small on a corner."""
    area = np.bincount(g.s.faces.ravel(), np.repeat(g.s.face_areas_mm2 / 3, 3), minlength=len(g.bend))
    half = (near.at >= 0) & (g.bend > 0.5 * np.median(g.bend[near.way]))
    length = np.linalg.norm(np.diff(g.s.vertices_mm[near.way], axis=0), axis=1).sum()
    return float(area[half].sum() / length)


def _on_border(s: Surface) -> Bools:
    on = np.zeros(len(s.vertices_mm), dtype=bool)
    for q in s.boundary_loops:
        on[q] = True
    return on


def _evened(s: Surface, lines: list[_Near]) -> list[Floats]:
    """Take the zigzag out of lines that run from vertex to vertex."""
    out = []
    for line in lines:
        p = s.vertices_mm[line.way]
        for _ in range(EVENED):
            q = p.copy()
            q[1:-1] = 0.25 * p[:-2] + 0.5 * p[1:-1] + 0.25 * p[2:]
            if line.closed:
                q[0] = q[-1] = 0.25 * p[-2] + 0.5 * p[0] + 0.25 * p[1]
            p = q
        out.append(p)
    if not out:
        return []
    back = np.split(s.locate(np.concatenate(out)).points_mm, np.cumsum([len(p) for p in out])[:-1])
    for line, p in zip(lines, back):
        if not line.closed:
            p[[0, -1]] = s.vertices_mm[line.way[[0, -1]]]
    return [np.asarray(p) for p in back]

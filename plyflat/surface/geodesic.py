"""Distances and shortest paths along a surface."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import scipy.sparse as sp
from numpy.typing import ArrayLike
from scipy.sparse.csgraph import dijkstra
from scipy.spatial import cKDTree

from ..errors import MeshError
from ._smooth import SMOOTH_MM, work_copy
from .cut import cut_at_level, faces_near, refine, surface_edges
from .mesh import Bools, Floats, Ints, Surface

if TYPE_CHECKING:
    from .region import Region

# The exact algorithm is fastest per face on rings of this size.
RING_FACES = 16000
# Source edges are split to this share of the mean edge, and to no more than this length.
SOURCE_SHARE, SOURCE_EDGE_MM = 0.35, 3.0


def distance_along(
    surface: Surface, sources: ArrayLike, *, max_mm: float | None = None, smooth_mm: float = SMOOTH_MM
) -> Floats:
    """Return the distance along the surface from some vertices or edges.

    The distance is that of the exact polyhedral algorithm. A large mesh is worked off in rings: the line at which
    one ring ends is cut into the mesh and is the source for the next.

    Parameters
    ----------
    surface : Surface
    sources : (k,) or (k, 2) int array
        Vertices, or edges as pairs of vertices.
    max_mm : float, optional
        Vertices farther away are given this distance.
    smooth_mm : float
        Length scale of the smooth copy a noisy surface is measured on; 0 measures on the surface as it is.

    Returns
    -------
    (n,) float array, mm
        Infinite on a piece with no source, if no `max_mm` is given.

    Raises
    ------
    MeshError
        No source.

    References
    ----------
    J. Mitchell, D. Mount, C. Papadimitriou, "The discrete geodesic problem", SIAM J. Comput. 16, 1987.
    """
    source = np.asarray(sources, dtype=np.int64)
    if source.size == 0:
        raise MeshError("no vertex to measure from")
    ends = source if source.ndim == 2 else np.empty((0, 2), dtype=np.int64)
    s = np.unique(source)
    limit = np.inf if max_mm is None else float(max_mm)
    v = work_copy(surface, scale_mm=smooth_mm)
    band, used = Surface(v, surface.faces).sub(_within(v, surface.faces, s, ends, limit))
    to_band = np.full(len(v), -1, dtype=np.int64)
    to_band[used] = np.arange(len(used))
    out = np.full(len(v), np.inf)
    out[used] = _ringwise(band, to_band[s], to_band[ends], limit)
    out[s] = 0.0
    return np.minimum(out, limit)


def _with_short_sources(band: Surface, s: Ints, ends: Ints) -> tuple[Surface, Ints, Ints]:
    """Split long source edges, since only their ends count as sources; return the sources of the new mesh."""
    if not len(ends):
        return band, s, ends
    ends = np.sort(ends, axis=1)
    n = len(band.vertices_mm)
    on = np.zeros(n, dtype=bool)
    on[ends] = True
    fine = refine(band, float(np.clip(SOURCE_SHARE * band.mean_edge_mm, 0.5, SOURCE_EDGE_MM)), between=on)
    w = fine.weights
    count = np.diff(w.indptr)
    # The ends of the old edge each vertex lies on; one vertex twice for an old vertex; -1 off the edges.
    pair = np.full((len(count), 2), -1, dtype=np.int64)
    for k in (1, 2):
        rows = np.flatnonzero(count == k)
        pair[rows] = np.sort(w.indices[w.indptr[rows, None] + np.arange(2) % k], axis=1)
    key = ends[:, 0] * n + ends[:, 1]
    new = (count == 2) & np.isin(pair[:, 0] * n + pair[:, 1], key)
    start = np.r_[s, np.flatnonzero(new)]
    source = np.zeros(len(count), dtype=bool)
    source[start] = True
    e = surface_edges(fine.surface).ends
    e = e[source[e].all(axis=1)]
    low, high = pair[e].min(axis=(1, 2)), pair[e].max(axis=(1, 2))
    same = ((pair[e] == low[:, None, None]) | (pair[e] == high[:, None, None])).all(axis=(1, 2))
    return fine.surface, start, e[same & np.isin(low * n + high, key)]


def _within(v: Floats, faces: Ints, sources: Ints, ends: Ints, limit_mm: float) -> Bools:
    """Which faces a path of limited length can reach, with some to spare."""
    if not np.isfinite(limit_mm):
        return np.ones(len(faces), dtype=bool)
    # Long source edges are sources over all their length.
    slack = float(np.linalg.norm(v[ends[:, 0]] - v[ends[:, 1]], axis=1).max(initial=0.0)) / 2
    return faces_near(v, faces, v[sources], 1.02 * limit_mm + slack)


def _ringwise(surface: Surface, sources: Ints, lines: Ints, limit_mm: float) -> Floats:
    """Exact distances, ring after ring; infinite where no path leads or beyond the limit."""
    n = len(surface.vertices_mm)
    out = np.full(n, np.inf)
    now, ids, src, base, stage = surface, np.arange(n), sources, 0.0, RING_FACES
    rough = _rough(now, src)
    if np.isinf(rough).any():
        now, ids = now.sub(np.isfinite(rough[now.faces]).all(axis=1))
        rough, src, lines = rough[ids], np.searchsorted(ids, src), np.searchsorted(ids, lines)
    while len(src):
        ring, used, border = _ring(now, rough, stage)
        renumber = np.full(len(now.vertices_mm), -1, dtype=np.int64)
        renumber[used] = np.arange(len(used))
        here = renumber[lines]
        at = renumber[src]
        d = _exact(*_with_short_sources(ring, at[at >= 0], here[(here >= 0).all(axis=1)]))[: len(used)]
        old = ids[used] >= 0
        if border is None:
            out[ids[used[old]]] = np.minimum(out[ids[used[old]]], base + d[old])
            break
        reach = float(d[border].min()) - 0.3 * ring.mean_edge_mm
        if reach <= 0 or (reach < 2 * ring.mean_edge_mm and stage < 4 * RING_FACES):
            stage *= 2
            continue
        done = old & (d <= reach)
        out[ids[used[done]]] = base + d[done]
        base += reach
        if base >= limit_mm:
            break
        values = np.full(len(now.vertices_mm), 2 * reach + 1.0)
        values[used] = np.minimum(d, 2 * reach + 1.0)
        cut = cut_at_level(now, values, reach, snap=0.01, move_mm=0.0, carry={"rough": rough})
        now, kept = cut.surface.sub(~cut.below)
        on = cut.values[kept] == reach
        src = np.flatnonzero(on)
        edges = surface_edges(now)
        lines = edges.ends[(edges.faces[:, 1] < 0) & on[edges.ends].all(axis=1)]
        ids = np.where(cut.parent_vertex[kept] >= 0, ids[cut.parent_vertex[kept]], -1)
        rough = cut.carried["rough"][kept]
    return out


def _rough(surface: Surface, sources: Ints) -> Floats:
    """Lengths of the shortest ways along edges, to order the faces by; infinite where there is none."""
    e, v = surface_edges(surface).ends, surface.vertices_mm
    length = np.linalg.norm(v[e[:, 0]] - v[e[:, 1]], axis=1)
    graph = sp.csr_array((np.maximum(length, 1e-12), (e[:, 0], e[:, 1])), shape=(len(v), len(v)))
    return np.asarray(dijkstra(graph, directed=False, indices=sources, min_only=True))


def _ring(now: Surface, rough: Floats, stage: int) -> tuple[Surface, Ints, Ints | None]:
    """Return the nearest faces, their vertices, and which of those border on the rest (None if no rest)."""
    m = len(now.faces)
    if m <= 1.5 * stage:
        return now, np.arange(len(now.vertices_mm)), None
    key = rough[now.faces].min(axis=1)
    near = key <= np.partition(key, stage)[stage]
    if near.all():
        return now, np.arange(len(now.vertices_mm)), None
    ring, used = now.sub(near)
    rest = np.zeros(len(now.vertices_mm), dtype=bool)
    rest[now.faces[~near]] = True
    border = np.flatnonzero(rest[used])
    return ring, used, border if len(border) else None


def _exact(surface: Surface, sources: Ints, lines: Ints) -> Floats:
    """Exact polyhedral distances from vertices, and from edges between them in the faces beside those."""
    import igl

    none = np.empty(0, dtype=np.int64)
    v, f = surface.vertices_mm, surface.faces
    n = len(v)
    d = np.asarray(igl.exact_geodesic(v, f, sources.astype(np.int64), none, np.arange(n), none)).ravel()
    d = _believable(surface, sources, np.where(d < 1e30, d, np.inf))
    key = lines.min(axis=1) * n + lines.max(axis=1)
    for i in range(3):
        a, b, c = f[:, i], f[:, (i + 1) % 3], f[:, (i + 2) % 3]
        k = np.flatnonzero(np.isin(np.minimum(a, b) * n + np.maximum(a, b), key))
        ab, ac = v[b[k]] - v[a[k]], v[c[k]] - v[a[k]]
        t = (ab * ac).sum(axis=1) / np.maximum((ab * ab).sum(axis=1), 1e-300)
        height = np.linalg.norm(ac - t[:, None] * ab, axis=1)
        flat = (t > 0) & (t < 1)
        np.minimum.at(d, c[k[flat]], height[flat])
    return d


def _believable(surface: Surface, sources: Ints, d: Floats) -> Floats:
    """Put right the few distances that cannot be: shorter than the straight line to the nearest source.

    The library gives 0 at a vertex or two of some meshes. They are measured anew from the faces about them.
    """
    v, f = surface.vertices_mm, surface.faces
    straight = cKDTree(v[sources]).query(v)[0]
    wrong = d < (1 - 1e-9) * straight - 1e-9
    out = np.where(wrong, np.inf, d)
    g = f[wrong[f].any(axis=1)]
    turned = np.vstack([g, g[:, [1, 2, 0]], g[:, [2, 0, 1]]])
    a, b, c = turned[wrong[turned[:, 2]]].T
    for _ in range(len(c)):
        known = np.isfinite(out[a]) & np.isfinite(out[b])
        new = out.copy()
        x, y, z = a[known], b[known], c[known]
        np.minimum.at(new, z, _across(v[x], v[y], v[z], out[x], out[y]))
        if np.array_equal(new, out):
            break
        out = new
    return np.asarray(out)


def _across(a: Floats, b: Floats, c: Floats, da: Floats, db: Floats) -> Floats:
    """Distance at corners c of triangles abc from a point in their plane beyond ab, known by its distances to a and b."""
    side = np.maximum(np.linalg.norm(b - a, axis=1), 1e-300)
    ac, bc = np.linalg.norm(c - a, axis=1), np.linalg.norm(c - b, axis=1)
    x = (da**2 - db**2 + side**2) / (2 * side)
    y = np.sqrt(np.maximum(da**2 - x**2, 0.0))
    cx = ((c - a) * (b - a)).sum(axis=1) / side
    cy = np.sqrt(np.maximum(ac**2 - cx**2, 0.0))
    crossing = x + (cx - x) * y / np.maximum(y + cy, 1e-300)
    through = (np.abs(da - db) < side) & (crossing > 0) & (crossing < side)
    return np.where(through, np.hypot(cx - x, cy + y), np.minimum(da + ac, db + bc))


def signed_distance(region: Region, max_mm: float | None = None, *, smooth_mm: float = SMOOTH_MM) -> Floats:
    """Return the distance along the parent surface from a region's outline, negative inside.

    Parameters
    ----------
    region : Region
    max_mm : float, optional
        Distances are cut off at plus or minus this.
    smooth_mm : float
        As for `distance_along`.

    Returns
    -------
    (n,) float array, mm
        On the vertices of ``region.parent``.
    """
    edges = np.vstack([np.stack([q, np.roll(q, -1)], axis=1) for q in region.loops])
    d = distance_along(region.parent, region.vertex_of[edges], max_mm=max_mm, smooth_mm=smooth_mm)
    inner = np.zeros(len(d), dtype=bool)
    inner[region.vertex_of] = True
    return np.where(inner, -d, d)


def geodesic_path(surface: Surface, start_vertex: int, end_vertex: int, *, smooth_mm: float = SMOOTH_MM) -> Floats:
    """Return a shortest path between two vertices, found by edge flips.

    Parameters
    ----------
    surface : Surface
    start_vertex, end_vertex : int
    smooth_mm : float
        On a noisy surface the path is that of a smooth copy.

    Returns
    -------
    (k, 3) float array, mm
        Points on edges and vertices, both ends included.

    References
    ----------
    N. Sharp, K. Crane, "You can find geodesic paths in triangle meshes by just flipping edges", ACM Trans.
    Graph. 39(6), 2020.
    """
    import potpourri3d

    v = work_copy(surface, scale_mm=smooth_mm)
    way = potpourri3d.EdgeFlipGeodesicSolver(v, surface.faces).find_geodesic_path(start_vertex, end_vertex)
    return np.asarray(way)

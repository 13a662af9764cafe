"""An order of elimination for a triangle mesh, by cutting it in halves again and again."""

from __future__ import annotations

import numpy as np

from ..surface.mesh import Floats, Ints

_THIN = 0.2  # edges this much shorter along one direction than along another are told apart
_LEAF = 8  # parts this small are cut no further; smaller ones give no less fill


def dissection(points: Floats, edges: Ints) -> Ints:
    """Return each vertex's place in a nested dissection of the mesh.

    Every part is halved at the median of its longest extent; the vertices on the low side of the cut that have a
    neighbour beyond it are eliminated after both halves. All parts of one depth are cut at once.

    Parameters
    ----------
    points : (n, d) float array
    edges : (e, 2) int array
        Pairs of neighbours, each once.

    Returns
    -------
    (n,) int array
        ``place[v]`` is when vertex v is eliminated.

    References
    ----------
    George, A. (1973). Nested dissection of a regular finite element mesh. SIAM J. Numer. Anal. 10(2), 345-363.
    """
    n = len(points)
    depth = max(int(np.ceil(np.log2(max(n / _LEAF, 1)))), 0)
    path = np.zeros(n, dtype=np.int64)
    last, level = np.zeros(n, dtype=np.int64), np.full(n, depth)
    alive = np.ones(n, dtype=bool)
    ids, columns = np.arange(n), [np.ascontiguousarray(c) for c in _in_edges(points, edges).T]
    tail, head = edges.T
    for k in range(depth):
        ids, upper = _halves(columns, ids, path, 1 << k)
        path[ids] = 2 * path[ids] + upper
        a, b = path[tail], path[head]
        cut = a != b
        # A separator follows everything in both halves of the part it cuts.
        gone = np.where(a[cut] < b[cut], tail[cut], head[cut])
        alive[gone] = False
        last[gone] = ((path[gone] >> 1) + 1) << (depth - k)
        level[gone] = k
        ids = ids[alive[ids]]
        kept = alive[tail] & alive[head]
        tail, head = tail[kept], head[kept]
    last[alive] = path[alive] + 1
    order = np.argsort((last * (depth + 1) + (depth - level)) * n + np.arange(n))
    place = np.empty(n, dtype=np.int64)
    place[order] = np.arange(n)
    return place


def _in_edges(points: Floats, edges: Ints) -> Floats:
    """Return points in lengths of edge along each direction where a mesh of slivers has far more of them along one.

    A part of slivers is longest where it has the most edges, not the most millimetres.
    """
    ahead = points[edges[:, 1]] - points[edges[:, 0]]
    square, axes = np.linalg.eigh(ahead.T @ ahead)
    length = np.sqrt(np.maximum(square, 0.0) / max(len(edges), 1))
    along = points @ axes
    thin = (length < _THIN * length[-1]) & (length > 1e-9 * length[-1])
    counts = np.ptp(along, axis=0) / np.where(length > 0, length, np.inf)
    # Noise on a flat sheet has short edges too, but few of them from one side to the other.
    thin &= counts > 0.2 * counts[-1]
    return along / length[-1] / np.where(thin, length / length[-1], 1.0) if thin.any() else points


def _halves(columns: list[Floats], ids: Ints, path: Ints, parts: int) -> tuple[Ints, Ints]:
    """Return the points' ids part by part along each part's longest extent, and 1 for those in its upper half."""
    part = path[ids]
    sizes = np.bincount(part, minlength=parts)
    if not (part[1:] >= part[:-1]).all():
        ids = ids[np.argsort(part, kind="stable")]
        part = path[ids]
    full = sizes > 0
    starts = np.cumsum(sizes) - sizes
    low, high = (
        np.stack([f.reduceat(c[ids], starts[full]) for c in columns]) for f in (np.minimum, np.maximum)
    )
    extent, longest = np.zeros(parts), np.zeros(parts, dtype=np.int64)
    origin = np.zeros(parts)
    longest[full] = (high - low).argmax(axis=0)
    of = np.arange(int(full.sum()))
    extent[full], origin[full] = (high - low)[longest[full], of], low[longest[full], of]
    along = np.choose(longest[part], [c[ids] for c in columns])
    # One sort for all parts: the part before the point, the place along it behind.
    scale = np.where(extent > 0, 0.5 / np.where(extent > 0, extent, 1.0), 0.0)
    ids = ids[np.argsort(part + (along - origin[part]) * scale[part])]
    rank = np.arange(len(ids)) - starts[part]
    return ids, (rank >= sizes[part] - sizes[part] // 2).astype(np.int64)

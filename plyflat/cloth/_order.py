"""An order of elimination for a triangle mesh, by cutting it in halves again and again."""

from __future__ import annotations

import numpy as np

from ..surface.mesh import Floats, Ints

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
    for k in range(depth):
        ids = np.flatnonzero(alive)
        path[ids] = 2 * path[ids] + _upper_half(points[ids], path[ids], 1 << k)
        edges = edges[alive[edges].all(axis=1)]
        a, b = path[edges[:, 0]], path[edges[:, 1]]
        cut = a != b
        low = np.where(a[cut] < b[cut], edges[cut, 0], edges[cut, 1])
        alive[low] = False
        # A separator follows everything in both halves of the part it cuts.
        gone = np.unique(low)
        last[gone] = ((path[gone] >> 1) + 1) << (depth - k)
        level[gone] = k
    last[alive] = path[alive] + 1
    order = np.lexsort((-level, last))
    place = np.empty(n, dtype=np.int64)
    place[order] = np.arange(n)
    return place


def _upper_half(points: Floats, part: Ints, parts: int) -> Ints:
    """Return 1 for points above the median of their part's longest extent, else 0."""
    order = np.argsort(part, kind="stable")
    sizes = np.bincount(part, minlength=parts)
    starts = (np.cumsum(sizes) - sizes)[sizes > 0]
    ordered = points[order]
    extent = np.maximum.reduceat(ordered, starts) - np.minimum.reduceat(ordered, starts)
    axis = np.zeros(parts, dtype=np.int64)
    axis[sizes > 0] = extent.argmax(axis=1)
    along = points[np.arange(len(points)), axis[part]]
    order = np.lexsort((along, part))
    rank = np.empty(len(points), dtype=np.int64)
    rank[order] = np.arange(len(points)) - np.repeat(np.cumsum(sizes) - sizes, sizes)
    return (rank >= sizes[part] - sizes[part] // 2).astype(np.int64)

"""Slits of no width closed: where a point of one rim lies on a side of another, that side's face is split there.

Models are exported like that where one face was divided finer than its neighbour.
"""

from __future__ import annotations

import numpy as np
from scipy.spatial import cKDTree

from ._edges import directed_edges, rim_edges
from .mesh import Floats, Ints

#: Rims that lie on each other run alike, or opposite ways, to within this cosine.
ALIKE = 0.9


def split_at_points(v: Floats, f: Ints, tol_mm: float) -> tuple[Ints, Ints]:
    """Split the faces on whose bare sides points of another rim lie.

    Parameters
    ----------
    v : (n, 3) float array, mm
    f : (m, 3) int array
    tol_mm : float
        How far such a point may lie off the side.

    Returns
    -------
    (m', 3) int array
    (k,) int array
        The points that were taken in, in no order.
    """
    half = rim_edges(len(v), f)
    if not len(half):
        return f, np.zeros(0, dtype=np.int64)
    ends = directed_edges(f)[half]
    row, point, share = _on_sides(v, ends, tol_mm)
    facing = _alike(v, ends, row, point)
    row, point, share = row[facing], point[facing], share[facing]
    # A face is split at one of its sides; one with two such sides gets its turn in the next call.
    _, first = np.unique(half[row] // 3, return_index=True)
    once = np.isin(row, row[first])
    row, point, share = row[once], point[once], share[once]
    return (_split(f, half, row, point, share), np.unique(point)) if len(row) else (f, point)


def _on_sides(v: Floats, ends: Ints, tol_mm: float) -> tuple[Ints, Ints, Floats]:
    """Which rim points lie on which sides between their ends, and how far along."""
    rim = np.unique(ends)
    a, b = v[ends[:, 0]], v[ends[:, 1]]
    length = np.linalg.norm(b - a, axis=1)
    near = cKDTree(v[rim]).query_ball_point((a + b) / 2, length / 2 + tol_mm)
    count = np.array([len(q) for q in near])
    row = np.repeat(np.arange(len(ends)), count)
    point = rim[np.concatenate([np.asarray(q, dtype=np.int64) for q in near])]
    along, off = b[row] - a[row], v[point] - a[row]
    share = (off * along).sum(axis=1) / np.maximum(length[row] ** 2, 1e-300)
    away = np.linalg.norm(off - share[:, None] * along, axis=1)
    inner = (share * length[row] > tol_mm) & ((1 - share) * length[row] > tol_mm)
    on = inner & (away <= tol_mm)
    return row[on], point[on], share[on]


def _alike(v: Floats, ends: Ints, row: Ints, point: Ints) -> Ints:
    """Which of the points have a rim of their own that runs along the side."""
    back = np.zeros(len(row), dtype=bool)
    way = v[ends[:, 1]] - v[ends[:, 0]]
    way /= np.maximum(np.linalg.norm(way, axis=1, keepdims=True), 1e-300)
    for end in (0, 1):
        order = np.argsort(ends[:, end], kind="stable")
        known = ends[order, end]
        at = np.minimum(np.searchsorted(known, point), len(known) - 1)
        own = known[at] == point
        back |= own & (np.abs((way[order[at]] * way[row]).sum(axis=1)) > ALIKE)
    return np.flatnonzero(back)


def _split(f: Ints, half: Ints, row: Ints, point: Ints, share: Floats) -> Ints:
    """Fan each face out from the corner across from its side."""
    order = np.lexsort((share, row))
    row, point = row[order], point[order]
    new = []
    for r, chain in zip(np.unique(row), np.split(point, np.flatnonzero(np.diff(row)) + 1)):
        i, k = divmod(int(half[r]), 3)
        a, b, c = f[i, k], f[i, (k + 1) % 3], f[i, (k + 2) % 3]
        line = np.r_[a, chain[chain != c], b]
        new.append(np.stack([line[:-1], line[1:], np.full(len(line) - 1, c)], axis=1))
    gone = np.unique(half[row] // 3)
    return np.vstack([np.delete(f, gone, axis=0), *new])

"""Edges of a triangle mesh, as whole arrays."""

from __future__ import annotations

from typing import Any

import numpy as np

from .mesh import Floats, Ints


def directed_edges(f: Ints) -> Ints:
    """(3m, 2) edges as the faces run; edge 3 i + k runs from corner k of face i to the next."""
    return f.take([0, 1, 1, 2, 2, 0], axis=1).reshape(-1, 2)


def edge_keys(n: int, e: Ints) -> Ints:
    """One number for each edge of a mesh of n points, the same both ways."""
    a, b = e[:, 0], e[:, 1]  # whole columns: a minimum along rows of two is several times slower
    return np.minimum(a, b) * n + np.maximum(a, b)


def rim_edges(n: int, f: Ints) -> Ints:
    """(k,) indices into `directed_edges` of the edges that have one face only.

    Sorted, since looking each edge's twin up costs several times as much on millions of edges.
    """
    key = edge_keys(n, directed_edges(f))
    order = np.argsort(key)
    key = key[order]
    step = key[1:] != key[:-1]
    alone = np.concatenate([[True], step]) & np.concatenate([step, [True]])
    return np.sort(order[alone])


def neighbours(n: int, e: Ints) -> Any:
    """Sparse (n, n) matrix with a 1 where edges ``e``, taken both ways, join two points."""
    from scipy.sparse import coo_matrix

    both = np.concatenate([e, e[:, ::-1]])
    near = coo_matrix((np.ones(len(both)), (both[:, 0], both[:, 1])), shape=(n, n)).tocsr()
    near.data[:] = 1.0
    return near


def face_areas(v: Floats, f: Ints) -> Floats:
    """(m,) areas of the faces."""
    return 0.5 * row_lengths(np.cross(v[f[:, 1]] - v[f[:, 0]], v[f[:, 2]] - v[f[:, 0]]))


def row_lengths(p: Floats) -> Floats:
    """(n,) lengths of (n, 3) vectors; quicker than a norm along the rows."""
    x, y, z = p[:, 0], p[:, 1], p[:, 2]
    return np.asarray(np.sqrt(x * x + y * y + z * z))


def side_lengths(v: Floats, f: Ints) -> Floats:
    """(m, 3) lengths of the faces' sides, side k from corner k to the next."""
    return np.stack([row_lengths(v[f[:, k]] - v[f[:, (k + 1) % 3]]) for k in range(3)], axis=1)


def point_normals(v: Floats, f: Ints) -> Floats:
    """(n, 3) unit normals of the points, the faces about each weighed by area; zero where there are none."""
    cross = np.cross(v[f[:, 1]] - v[f[:, 0]], v[f[:, 2]] - v[f[:, 0]])
    out = np.zeros_like(v)
    for i in range(3):
        for k in range(3):
            out[:, k] += np.bincount(f[:, i], cross[:, k], minlength=len(v))
    length = np.linalg.norm(out, axis=1, keepdims=True)
    return np.asarray(out / np.where(length > 0, length, 1.0))

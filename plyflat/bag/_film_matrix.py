"""The film's equations as a sparse matrix: three ways to move at each vertex, fewer where it is held."""

from __future__ import annotations

import numpy as np
from scipy.sparse import csc_matrix

from ..cloth._order import dissection
from ..surface._topology import mesh_edges
from ..surface.mesh import Floats, Ints


class Freedom:
    """Which ways the vertices of a film may move, and where each of them stands in the equations.

    Parameters
    ----------
    points : (n, 3) float array
        Any places that tell neighbours from strangers.
    faces : (m, 3) int array
    ways : (n, 3, 3) float array
        Orthonormal columns; a vertex moves along the first ones.
    free : (n,) int array
        How many of them, 0 to 3.

    Attributes
    ----------
    count : int
        How many unknowns there are.
    """

    def __init__(self, points: Floats, faces: Ints, ways: Floats, free: Ints) -> None:
        n = len(points)
        place = dissection(points, mesh_edges(faces, n).ends)
        sizes = np.zeros(n, dtype=np.int64)
        sizes[place] = free
        first = (np.cumsum(sizes) - sizes)[place]
        self.count = int(sizes.sum())
        column = np.arange(3)
        self._open = column < free[:, None]
        self._row = np.where(self._open, first[:, None] + column, -1)
        self._ways = ways
        self._plain = bool((ways == np.eye(3)).all())
        self._faces, self._n = faces, n
        row = self._row[faces].reshape(-1, 9)
        own = np.arange(n)
        rows = np.concatenate([np.repeat(row, 9, axis=1).ravel(), np.repeat(self._row, 3, axis=1).ravel()])
        cols = np.concatenate([np.tile(row, (1, 9)).ravel(), np.tile(self._row, (1, 3)).ravel()])
        keep = (rows >= 0) & (cols >= 0)
        key, slot = np.unique(cols[keep] * self.count + rows[keep], return_inverse=True)
        self._keep, self._slot, self._entries = keep, slot, len(key)
        self._indices = (key % max(self.count, 1)).astype(np.int32)
        self._indptr = np.searchsorted(key, np.arange(self.count + 1) * self.count).astype(np.int32)
        self._own = own

    def gathered(self, values: Floats) -> Floats:
        """Return vectors at the vertices (n, 3) as the unknowns (count,)."""
        turned = values if self._plain else np.einsum("nxi,nx->ni", self._ways, values)
        out = np.empty(self.count)
        out[self._row[self._open]] = turned[self._open]
        return out

    def spread(self, unknowns: Floats) -> Floats:
        """Return unknowns (count,) as vectors at the vertices (n, 3), none where held."""
        out = np.zeros((self._n, 3))
        out[self._open] = unknowns[self._row[self._open]]
        return out if self._plain else np.einsum("nxi,ni->nx", self._ways, out)

    def matrix(self, blocks: Floats, own: Floats) -> csc_matrix:
        """Return the matrix of blocks (m, 9, 9) over the triangles' corners and (n, 3, 3) at the vertices."""
        if not self._plain:
            q = self._ways[self._faces]
            blocks = np.einsum("mixa,mixjy,mjyb->miajb", q, blocks.reshape(-1, 3, 3, 3, 3), q, optimize=True)
            own = self._ways.transpose(0, 2, 1) @ own @ self._ways
        values = np.concatenate([blocks.ravel(), own.ravel()])[self._keep]
        data = np.bincount(self._slot, weights=values, minlength=self._entries)
        return csc_matrix((data, self._indices, self._indptr), (self.count, self.count))

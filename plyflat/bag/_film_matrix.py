"""The film's equations as a sparse matrix: three ways to move at each vertex, fewer where it is held."""

from __future__ import annotations

import numpy as np
from scipy.sparse import csc_matrix

from ..cloth._order import dissection
from ..surface._topology import mesh_edges
from ..surface.mesh import Bools, Floats, Ints


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
        ends = mesh_edges(faces, n).ends
        place = dissection(points, ends)
        sizes = np.zeros(n, dtype=np.int64)
        sizes[place] = free
        first = (np.cumsum(sizes) - sizes)[place]
        self.count = int(sizes.sum())
        column = np.arange(3)
        self._open = column < free[:, None]
        self._row = np.where(self._open, first[:, None] + column, -1)
        self._ways = ways
        self._plain = bool((ways == np.eye(3)).all())
        self._faces, self._ends, self._n = faces, ends, n
        block, own, side = (_keys(self._row[q], self.count) for q in (faces, np.arange(n)[:, None], ends))
        key = np.unique(np.concatenate([block, own]))
        key = key[key >= 0]
        self._entries = len(key)
        # What belongs to a vertex that is held goes to one place beyond the others.
        self._block, self._own, self._side = (
            np.where(k >= 0, np.searchsorted(key, k), self._entries) for k in (block, own, side)
        )
        self._side = self._side.reshape(len(ends), -1)
        self._indices = (key % max(self.count, 1)).astype(np.int32)
        self._indptr = np.searchsorted(key, np.arange(self.count + 1) * self.count).astype(np.int32)

    def part(self, points: Floats, faces: Ints, vertices: Ints, active: Bools) -> Freedom:
        """Return the freedom of some of the vertices, (k,) indices, of which only the active ones (k,) may move.

        Their points (k, 3) and faces, renumbered, are theirs alone.
        """
        free = np.where(active, self._open[vertices].sum(axis=1), 0)
        return Freedom(points, faces, self._ways[vertices], free)

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

    def matrix(self, blocks: Floats, own: Floats, sides: Floats) -> csc_matrix:
        """Return the matrix of second slopes.

        Parameters
        ----------
        blocks : (m, 9, 9) float array
            Over the triangles' corners.
        own : (n, 3, 3) float array
            At the vertices.
        sides : (e, 3, 3) float array
            At the middles of the sides, symmetric; each end moves its middle by half of its own way.
        """
        live = np.flatnonzero(sides.any(axis=(1, 2)))
        half = np.tile(0.25 * sides[live][:, None, :, None, :], (1, 2, 1, 2, 1))
        if not self._plain:
            q, r = self._ways[self._faces], self._ways[self._ends[live]]
            blocks = np.einsum("mixa,mixjy,mjyb->miajb", q, blocks.reshape(-1, 3, 3, 3, 3), q, optimize=True)
            half = np.einsum("mixa,mixjy,mjyb->miajb", r, half, r, optimize=True)
            own = self._ways.transpose(0, 2, 1) @ own @ self._ways
        data = np.zeros(self._entries)
        for slot, values in ((self._block, blocks), (self._own, own), (self._side[live].ravel(), half)):
            data += np.bincount(slot, weights=values.ravel(), minlength=self._entries + 1)[:-1]
        return csc_matrix((data, self._indices, self._indptr), (self.count, self.count))


def _keys(rows: Ints, count: int) -> Ints:
    """Return where the pairs of some rows (k, c, 3) stand in the matrix, (9 k c^2,), below nought where there is no row."""
    row = rows.reshape(len(rows), -1)
    a, b = np.broadcast_arrays(row[:, :, None], row[:, None, :])
    return np.where((a >= 0) & (b >= 0), b * count + a, -1).ravel()

"""Symmetric matrices on a mesh: one pattern, filled and factorised many times."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix, csc_matrix
from scipy.sparse.linalg import splu

from ..errors import SolveError
from ..surface.mesh import Floats, Ints
from ._order import dissection
from ._patch import Edges


def factorise(matrix: csc_matrix, *, single: bool = False) -> Any:
    """Return the factors of a symmetric positive definite matrix whose order is already a good one.

    Parameters
    ----------
    matrix : (n, n) sparse array
    single : bool
        Whether seven digits will do, which takes half the room and, in large matrices, half the time. Its ``solve``
        still takes and gives float64.

    Raises
    ------
    SolveError
        If a pivot vanishes.
    """
    try:
        found = splu(
            matrix.astype(np.float32) if single else matrix,
            permc_spec="NATURAL",
            diag_pivot_thresh=0.0,
            options={"SymmetricMode": True, "Equil": False},
        )
    except RuntimeError as fault:
        raise SolveError(
            f"the equations of {matrix.shape[0]} unknowns are singular ({fault})",
            do="Look for slivers and needle-thin triangles, or repair the mesh.",
        ) from fault
    return _Single(found) if single else found


class _Single:
    """Factors in single precision."""

    def __init__(self, factors: Any) -> None:
        self._factors = factors

    def solve(self, right: Floats) -> Floats:
        """Return the solution (n,) for a right side (n,)."""
        # Scaled, since small slopes near the end would else leave the range of the numbers.
        size = float(np.abs(right).max()) or 1.0
        return self._factors.solve((right / size).astype(np.float32)).astype(np.float64) * size


class Pattern:
    """Where the sums over triangles go in the matrix, with the vertices renumbered for little fill.

    Parameters
    ----------
    points : (n, d) float array
        Any places of the vertices that tell neighbours from strangers.
    faces : (m, 3) int array
    edges : Edges, optional
        Those of the faces, where they are known already.

    Attributes
    ----------
    place : (n,) int array
        Row of each vertex.
    """

    def __init__(self, points: Floats, faces: Ints, edges: Edges | None = None) -> None:
        n = len(points)
        edges = Edges(faces, n) if edges is None else edges
        self.place = dissection(points, edges.ends)
        self.count, self.edge_count = n, len(edges.ends)
        i, j = self.place[edges.ends].T
        low, high = np.minimum(i, j), np.maximum(i, j)
        slots = np.arange(2 * self.edge_count + n)
        rows, cols = np.concatenate([low, high, np.arange(n)]), np.concatenate([high, low, np.arange(n)])
        grid = coo_matrix((slots, (rows, cols)), (n, n)).tocsr()
        self.indptr, self.indices = grid.indptr.astype(np.int64), grid.indices.astype(np.int64)
        where = np.empty(len(slots), dtype=np.int64)
        where[grid.data] = slots
        self._upper, self._lower, self._diagonal = np.split(where, [self.edge_count, 2 * self.edge_count])
        self._low, self._high = low, high
        self._faces, self._edge = faces, edges.of
        self._backward = self.place[edges.tail] > self.place[edges.head]
        self._built_double = False

    def _sum_edges(self, values: Floats) -> Floats:
        return np.asarray(
            np.bincount(self._edge, weights=values, minlength=self.edge_count), dtype=np.float64
        )

    def _sum_ends(self, values: Floats) -> Floats:
        """Return for each row the sum over its edges."""
        return np.asarray(
            np.bincount(self._low, weights=values, minlength=self.count)
            + np.bincount(self._high, weights=values, minlength=self.count),
            dtype=np.float64,
        )

    def _sum_corners(self, values: Floats) -> Floats:
        corner = self.place[self._faces.T].ravel()
        return np.asarray(np.bincount(corner, weights=values, minlength=self.count), dtype=np.float64)

    def scalar(self, pairs: Floats, corners: Floats, *, shift: float = 0.0) -> csc_matrix:
        """Return the (n, n) symmetric matrix of one unknown per vertex.

        Parameters
        ----------
        pairs : (3, m) float array
            Entry of each triangle for its sides (0, 1), (1, 2), (2, 0).
        corners : (3, m) float array
            Diagonal entry of each triangle for its corners.
        shift : float
            Added to the diagonal, as a share of its mean.
        """
        data = np.zeros(len(self.indices))
        data[self._upper] = data[self._lower] = self._sum_edges(pairs.ravel())
        diagonal = self._sum_corners(corners.ravel())
        data[self._diagonal] = diagonal + shift * diagonal.mean()
        return csc_matrix((data, self.indices, self.indptr), (self.count, self.count))

    def double(self, pairs: tuple[Floats, ...], *, shift: float = 0.0) -> csc_matrix:
        """Return the (2n, 2n) symmetric matrix of two unknowns per vertex, side by side, that no translation feels.

        Parameters
        ----------
        pairs : four (3, m) float arrays
            Entries xx, xy, yx, yy of each triangle's 2 x 2 block for its sides (0, 1), (1, 2), (2, 0).
        shift : float
            Added to the diagonal, as a share of its mean.
        """
        xx, xy, yx, yy = (p.ravel() for p in pairs)
        xy, yx = np.where(self._backward, yx, xy), np.where(self._backward, xy, yx)
        xx, xy, yx, yy = (self._sum_edges(p) for p in (xx, xy, yx, yy))
        # The blocks of a row sum to nought; those on the diagonal are symmetric.
        dxx, dxy, dyy = (-self._sum_ends(p) for p in (xx, 0.5 * (xy + yx), yy))
        extra = shift * 0.5 * (dxx.mean() + dyy.mean())
        if not self._built_double:
            self._build_double()
        data = np.empty(4 * len(self.indices))
        for at, (p, q, r, s) in (
            (self._upper, (xx, xy, yx, yy)),
            (self._lower, (xx, yx, xy, yy)),
            (self._diagonal, (dxx + extra, dxy, dxy, dyy + extra)),
        ):
            top, low = self._top[at], self._below[at]
            data[top], data[top + 1], data[low], data[low + 1] = p, q, r, s
        # Symmetric, so its rows serve as its columns.
        return csc_matrix((data, self._double_indices, self._double_indptr), (2 * self.count, 2 * self.count))

    def _build_double(self) -> None:
        self._built_double = True
        width = np.diff(self.indptr)
        row = np.repeat(np.arange(self.count), width)
        # Row 2i of the big matrix starts at 4 * indptr[i]; entry q of row i sits 2 * (q - indptr[i]) further on.
        top = 2 * np.arange(len(self.indices)) + 2 * self.indptr[row]
        self._top, self._below = top, top + 2 * width[row]
        indices = np.empty(4 * len(self.indices), dtype=np.int32)
        indices[top] = indices[self._below] = 2 * self.indices
        indices[top + 1] = indices[self._below + 1] = 2 * self.indices + 1
        self._double_indices = indices
        starts = np.stack([4 * self.indptr[:-1], 4 * self.indptr[:-1] + 2 * width], axis=1).ravel()
        self._double_indptr = np.append(starts, 4 * self.indptr[-1]).astype(np.int32)

    def spread(self, values: NDArray) -> NDArray:
        """Return vertex values (n, ...) in the order of the rows."""
        out = np.empty_like(values)
        out[self.place] = values
        return out


def cotangent(gx: Floats, gy: Floats, areas: Floats) -> tuple[Floats, Floats]:
    """Return each triangle's stiffness entries for its sides and corners, (3, m) each, from its gradients."""
    x2, y2 = np.roll(gx, -1, axis=0), np.roll(gy, -1, axis=0)
    return areas * (gx * x2 + gy * y2), areas * (gx * gx + gy * gy)

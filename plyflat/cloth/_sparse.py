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
from ._patch import undirected


def factorise(matrix: csc_matrix) -> Any:
    """Return the factors of a symmetric positive definite matrix whose order is already a good one.

    Raises
    ------
    SolveError
        If a pivot vanishes.
    """
    try:
        return splu(
            matrix,
            permc_spec="NATURAL",
            diag_pivot_thresh=0.0,
            options={"SymmetricMode": True, "Equil": False},
        )
    except RuntimeError as fault:
        raise SolveError(
            f"the equations of {matrix.shape[0]} unknowns are singular ({fault})",
            do="Look for slivers and needle-thin triangles, or repair the mesh.",
        ) from fault


class Pattern:
    """Where the sums over triangles go in the matrix, with the vertices renumbered for little fill.

    Parameters
    ----------
    points : (n, d) float array
        Any places of the vertices that tell neighbours from strangers.
    faces : (m, 3) int array

    Attributes
    ----------
    place : (n,) int array
        Row of each vertex.
    """

    def __init__(self, points: Floats, faces: Ints) -> None:
        n = len(points)
        edges = undirected(faces, n)
        self.place = dissection(points, edges)
        self.count, self.edge_count = n, len(edges)
        i, j = self.place[edges].T
        swapped = i > j
        low, high = np.where(swapped, j, i), np.where(swapped, i, j)
        slots = np.arange(2 * len(edges) + n)
        rows, cols = np.concatenate([low, high, np.arange(n)]), np.concatenate([high, low, np.arange(n)])
        grid = coo_matrix((slots, (rows, cols)), (n, n)).tocsr()
        self.indptr, self.indices = grid.indptr.astype(np.int64), grid.indices.astype(np.int64)
        where = np.empty(len(slots), dtype=np.int64)
        where[grid.data] = np.arange(len(slots))
        self._upper, self._lower, self._diagonal = np.split(where, [len(edges), 2 * len(edges)])
        self._corner = self.place[faces].T.ravel()
        self._edge_of(faces, edges, n)
        self._built_double = False

    def _edge_of(self, faces: Ints, edges: Ints, n: int) -> None:
        key = edges[:, 0] * n + edges[:, 1]
        a, b = faces.T.ravel(), faces[:, [1, 2, 0]].T.ravel()
        self._edge = np.searchsorted(key, np.minimum(a, b) * n + np.maximum(a, b))
        self._backward = self.place[a] > self.place[b]

    def _sum_edges(self, values: Floats) -> Floats:
        return np.asarray(
            np.bincount(self._edge, weights=values, minlength=self.edge_count), dtype=np.float64
        )

    def _sum_corners(self, values: Floats) -> Floats:
        return np.asarray(np.bincount(self._corner, weights=values, minlength=self.count), dtype=np.float64)

    def scalar(self, pairs: NDArray, corners: Floats, *, shift: float = 0.0) -> csc_matrix:
        """Return the (n, n) Hermitian matrix of one unknown per vertex.

        Parameters
        ----------
        pairs : (3, m) float or complex array
            Entry of each triangle for its sides (0, 1), (1, 2), (2, 0).
        corners : (3, m) float array
            Diagonal entry of each triangle for its corners.
        shift : float
            Added to the diagonal, as a share of its mean.
        """
        flat = pairs.ravel()
        real = self._sum_edges(flat.real)
        data = np.zeros(len(self.indices), dtype=flat.dtype)
        data[self._upper] = data[self._lower] = real
        if np.iscomplexobj(flat):
            imag = self._sum_edges(np.where(self._backward, -flat.imag, flat.imag))
            # The matrix is stored by columns: the entry below the diagonal is the conjugate of its mirror image.
            data[self._upper] -= 1j * imag
            data[self._lower] += 1j * imag
        diagonal = self._sum_corners(corners.ravel())
        data[self._diagonal] = diagonal + shift * diagonal.mean()
        return csc_matrix((data, self.indices, self.indptr), (self.count, self.count))

    def double(self, pairs: Floats, corners: Floats, *, shift: float = 0.0) -> csc_matrix:
        """Return the (2n, 2n) symmetric matrix of two unknowns per vertex, side by side.

        Parameters
        ----------
        pairs : (4, 3, m) float array
            Entries xx, xy, yx, yy of each triangle's 2 x 2 block for its sides (0, 1), (1, 2), (2, 0).
        corners : (3, 3, m) float array
            Entries xx, xy, yy of the blocks on the diagonal.
        shift : float
            Added to the diagonal, as a share of its mean.
        """
        xx, xy, yx, yy = (p.ravel() for p in pairs)
        xy, yx = np.where(self._backward, yx, xy), np.where(self._backward, xy, yx)
        xx, xy, yx, yy = (self._sum_edges(p) for p in (xx, xy, yx, yy))
        dxx, dxy, dyy = (self._sum_corners(p.ravel()) for p in corners)
        extra = shift * 0.5 * (dxx.mean() + dyy.mean())
        width = np.diff(self.indptr)
        if not self._built_double:
            self._build_double()
        data = np.empty(4 * len(self.indices))
        for at, (p, q, r, s) in (
            (self._upper, (xx, xy, yx, yy)),
            (self._lower, (xx, yx, xy, yy)),
            (self._diagonal, (dxx + extra, dxy, dxy, dyy + extra)),
        ):
            row = self._row[at]
            top = 2 * at + self._first[row]
            low = top + 2 * width[row]
            data[top], data[top + 1], data[low], data[low + 1] = p, q, r, s
        # Symmetric, so its rows serve as its columns.
        return csc_matrix((data, self._double_indices, self._double_indptr), (2 * self.count, 2 * self.count))

    def _build_double(self) -> None:
        self._built_double = True
        width = np.diff(self.indptr)
        self._row = np.repeat(np.arange(self.count), width)
        # Row 2i of the big matrix starts at 4 * indptr[i]; entry q of row i sits 2 * (q - indptr[i]) further on.
        self._first = 2 * self.indptr[:-1]
        top = 2 * np.arange(len(self.indices)) + self._first[self._row]
        low = top + 2 * width[self._row]
        indices = np.empty(4 * len(self.indices), dtype=np.int32)
        indices[top] = indices[low] = 2 * self.indices
        indices[top + 1] = indices[low + 1] = 2 * self.indices + 1
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
    x, y = gx.T, gy.T
    x2, y2 = np.roll(x, -1, axis=0), np.roll(y, -1, axis=0)
    return areas * (x * x2 + y * y2), areas * (x * x + y * y)

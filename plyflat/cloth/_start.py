"""First flat shapes: conformal where that does not fold, else a disc, which cannot."""

from __future__ import annotations

import numpy as np

from ..errors import SolveError
from ..surface.mesh import Floats, Ints
from ._patch import Triangles
from ._sparse import Pattern, cotangent, factorise

_SHIFT = 1e-12  # keeps the conformal matrix, singular by nature, from a vanishing pivot


def conformal(mesh: Triangles, pattern: Pattern, rim: Ints, guess: Floats) -> Floats:
    """Return the flat shape that keeps angles best, with a free edge.

    Parameters
    ----------
    mesh : Triangles
    pattern : Pattern
    rim : (k,) int array
        The outer boundary in order.
    guess : (n, 2) float array
        Any flat shape that is not the mirror image.

    Returns
    -------
    (n, 2) float array
        May hold triangles that are turned over.

    References
    ----------
    Lévy, Petitjean, Ray, Maillot (2002). Least squares conformal maps. ACM Trans. Graph. 21(3): the energy.
    Mullen, Tong, Alliez, Desbrun (2008). Spectral conformal parameterization. Comput. Graph. Forum 27(5), eq. 6: the
    edge's moment held instead of two pinned vertices; found by inverse iteration.
    """
    sides, _ = cotangent(mesh.gx, mesh.gy, mesh.areas)
    # Twice the area of the image as a form in (u, v): each side of a triangle carries half its orientation. With u + iv
    # as a complex unknown the matrix is half as large, but the libraries' complex kernels wait for one another's threads
    # where the processor is busy, for twenty times as long as they work.
    half = np.full_like(sides, 0.5)
    lu = factorise(pattern.double((sides, -half, half, sides), shift=_SHIFT))
    weight = np.zeros(mesh.count)
    flat = guess[rim]
    weight[rim] = np.linalg.norm(flat - np.roll(flat, 1, 0), axis=1) + np.linalg.norm(
        flat - np.roll(flat, -1, 0), axis=1
    )
    weight = pattern.spread(weight / weight.sum())
    uv = pattern.spread(guess)
    for _ in range(4):
        middle = np.einsum("i,ij->j", weight, uv)
        uv = lu.solve((weight[:, None] * (uv - middle)).ravel()).reshape(-1, 2)
        uv /= np.sqrt(np.einsum("i,ij,ij->", weight, uv, uv))
    return uv[pattern.place]


def disc_map(mesh: Triangles, pattern: Pattern, rim: Ints, lengths: Floats) -> Floats:
    """Return the patch on a disc, its edge on the circle: free of folds by theorem.

    Parameters
    ----------
    mesh : Triangles
        Without holes.
    pattern : Pattern
    rim : (k,) int array
        The boundary in order.
    lengths : (k,) float array
        From each rim vertex to the next.

    Raises
    ------
    SolveError
        If rounding folds even this.

    References
    ----------
    Tutte (1963). How to draw a graph. Proc. London Math. Soc. s3-13. Floater (1997), CAGD 14(3): any positive weights.
    """
    turn = 2 * np.pi * (np.cumsum(lengths) - lengths) / lengths.sum()
    circle = np.stack([np.cos(turn), np.sin(turn)], axis=1)
    sides, _ = cotangent(mesh.gx, mesh.gy, mesh.areas)
    worst = 0
    # Cotangents clipped to stay positive keep shapes; equal weights are the last resort against rounding.
    for weights in (np.maximum(-sides, 0.05), np.ones_like(sides)):
        uv = _balance(pattern, weights, rim, circle)
        folds = int((mesh.stretch(uv)[1] <= 0).sum())
        if folds == 0:
            return uv
        worst = max(worst, folds)
    raise SolveError(
        f"no start without folds was found: {worst} of {len(mesh.faces)} triangles are folded",
        do="The patch has needle-thin triangles or a very long neck: repair the mesh or split the region.",
    )


def _balance(pattern: Pattern, weights: Floats, rim: Ints, fixed: Floats) -> Floats:
    """Put every vertex off the rim at the weighted mean of its neighbours."""
    corners = weights + np.roll(weights, 1, axis=0)
    matrix = pattern.scalar(-weights, corners)
    rows = pattern.place[rim]
    # A stiff spring to its place on each rim vertex leaves the pattern as it is; the places are then set exactly.
    stiff = np.zeros(pattern.count)
    stiff[rows] = 1e12 * corners.sum() / pattern.count
    matrix.setdiag(matrix.diagonal() + stiff)
    right = np.zeros((pattern.count, 2))
    right[rows] = stiff[rows, None] * fixed
    uv = factorise(matrix).solve(right)[pattern.place]
    uv[rim] = fixed
    return uv

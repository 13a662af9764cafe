"""Noise of a scan measured, and taken out on request.

References
----------
.. [1] G. Taubin, "A signal processing approach to fair surface design", SIGGRAPH 1995: a shrinking and a growing
   umbrella step in turn let long waves pass unchanged.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from ..errors import MeshError
from ._edges import directed_edges, neighbours, rim_edges
from .mesh import Floats, Ints, Repair, Surface

SHRINK, GROW = 0.5, -0.53
PASSES_MOST = 200


def smooth_surface(surface: Surface, *, scale_mm: float, cap_mm: float = 3.0) -> Surface:
    """Take out noise up to a length scale; corners are rounded over about that length.

    k = 2 (s / h)² passes of the λ|μ filter [1]_ with λ = 0.5, μ = -0.53 and at most 200 passes, where s is
    ``scale_mm`` and h the mean edge. The points of a boundary are filtered along the boundary only and moved only
    along the normal, so that no outline shrinks.

    Parameters
    ----------
    surface : Surface
    scale_mm : float, mm
        Length scale; twice the mean edge or more is useful.
    cap_mm : float, mm
        No point moves farther than this.

    Returns
    -------
    Surface
        With a `Repair` giving the largest and the rms move.

    Raises
    ------
    MeshError
        ``scale_mm`` or ``cap_mm`` is not above zero.
    """
    for name, value in (("scale_mm", scale_mm), ("cap_mm", cap_mm)):
        if not (np.isfinite(value) and value > 0):
            raise MeshError(f"{name} is {value:g}", do="Give a length above zero.")
    passes = int(np.clip(round(2 * (scale_mm / surface.mean_edge_mm) ** 2), 1, PASSES_MOST))
    rim = directed_edges(surface.faces)[rim_edges(len(surface.vertices_mm), surface.faces)]
    step = _umbrella(surface, rim)
    old = surface.vertices_mm
    v = old.copy()
    for _ in range(passes):
        v += SHRINK * (step @ v)
        v += GROW * (step @ v)
    move = v - old
    if len(rim):
        at = np.unique(rim)
        normal = Surface(v, surface.faces).vertex_normals[at]
        move[at] = (move[at] * normal).sum(axis=1, keepdims=True) * normal
    far = np.linalg.norm(move, axis=1)
    capped = int((far > cap_mm).sum())
    move *= (np.minimum(far, cap_mm) / np.maximum(far, 1e-300))[:, None]
    return _smoothed(surface, move, passes, capped, cap_mm)


def _smoothed(surface: Surface, move: Floats, passes: int, capped: int, cap_mm: float) -> Surface:
    far = np.linalg.norm(move, axis=1)
    worst = int(np.argmax(far))
    rms = float(np.sqrt((far**2).mean()))
    x, y, z = (float(q) for q in surface.vertices_mm[worst])
    what = f"points moved by smoothing ({passes} passes, rms {rms:.2g} mm, {capped} held at {cap_mm:g} mm)"
    done = Repair(what, int((far > 0).sum()), float(far[worst]), (x, y, z))
    return Surface(surface.vertices_mm + move, surface.faces, surface.colors, (*surface.repairs, done))


def _umbrella(surface: Surface, rim: Ints) -> Any:
    """Sparse x -> mean of the neighbours - x; a boundary point's neighbours are those along the boundary."""
    from scipy.sparse import diags

    n = len(surface.vertices_mm)
    on_rim = np.zeros(n, dtype=bool)
    on_rim[rim] = True
    near = diags((~on_rim).astype(float)) @ neighbours(n, directed_edges(surface.faces)) + neighbours(n, rim)
    near.eliminate_zeros()
    degree = np.diff(near.indptr)
    return (diags(1.0 / np.maximum(degree, 1)) @ near - diags((degree > 0).astype(float))).tocsr()


def noise_mm(surface: Surface, *, samples: int = 2000, neighbours: int = 24) -> float:
    """Rough noise of a surface: how far its points lie off a quadric through those about them.

    The middle (median) over a sample of points of the rms residual of a local fit, freed of the six numbers fitted.
    Noise that is longer than the neighbourhood (some three edges) is not seen. 0 where the mesh has too few points
    to tell.

    Parameters
    ----------
    surface : Surface
    samples : int
    neighbours : int

    Returns
    -------
    float, mm
    """
    from scipy.spatial import cKDTree

    used = np.unique(surface.faces)
    v, normal = surface.vertices_mm[used], surface.vertex_normals[used]
    if len(v) < 2 * neighbours:
        return 0.0
    pick = np.linspace(0, len(v) - 1, min(samples, len(v))).astype(np.int64)
    near = cKDTree(v).query(v[pick], k=neighbours)[1]
    left = [_residual(v[q], normal[q], normal[i]) for i, q in zip(pick.tolist(), near)]
    rms = [r for r in left if r >= 0]
    return float(np.median(rms)) if rms else 0.0


def _residual(p: Floats, normals: Floats, normal: Floats) -> float:
    """Rms residual of z = quadric(x, y) in the frame of the normal, points of another sheet left out; -1 if few."""
    p = p[normals @ normal > 0.3]
    if len(p) < 12:
        return -1.0
    d = p - p.mean(axis=0)
    frame = np.linalg.svd(d, full_matrices=False)[2]
    x, y, z = (d @ frame.T).T
    size = max(float(np.abs(x).max()), 1e-300)
    x, y = x / size, y / size
    basis = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=1)
    fit, *_ = np.linalg.lstsq(basis, z, rcond=None)
    return float(np.sqrt(((z - basis @ fit) ** 2).sum() / (len(p) - 6)))

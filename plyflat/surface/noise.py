"""Noise of a scan measured, and taken out on request.

References
----------
.. [1] G. Taubin, "A signal processing approach to fair surface design", SIGGRAPH 1995: a shrinking and a growing
   umbrella step in turn let long waves pass unchanged.
.. [2] Y. Zheng, H. Fu, O. K.-C. Au, C.-L. Tai, "Bilateral normal filtering for mesh denoising", IEEE TVCG 17(10),
   2011: average each face's normal with those of its neighbours that lean little (local scheme, eq. 3), then move
   the points to fit the normals (eq. 8).
"""

from __future__ import annotations

from typing import Any

import numpy as np

from ..errors import MeshError
from ._edges import directed_edges, edge_keys, neighbours, rim_edges, row_lengths
from .mesh import Floats, Ints, Repair, Surface

SHRINK, GROW, SHRINK_MOST = 0.5, -0.53, 200
#: Width of the weight on the difference of two unit normals (0.2 is 11 degrees).
LEAN = 0.2
#: Kind of the repair that smoothing notes.
EVENED = "smoothing"
NORMAL_MOST, FIT_PASSES = 60, 20


def smooth_surface(surface: Surface, *, scale_mm: float, cap_mm: float = 3.0) -> Surface:
    """Take out noise up to a length scale and keep corners.

    With s = ``scale_mm`` and h the mean edge: normals of a copy smoothed by 2 (s / h)² passes of the λ|μ filter
    [1]_ (λ = 0.5, μ = -0.53; at most 200) are averaged 7 (s / h)² times (at most 60) with those of the faces next
    to them, the less the more they lean [2]_, and the points are moved along them until they fit. Against the
    λ|μ filter alone this leaves a third of the noise on a plane and half of it in a corner; the price is that a
    fillet narrower than about four edges is flattened. Points move along the normals, so that no outline shrinks; only
    inner points of a face that has folded over are also drawn towards their neighbours.

    Parameters
    ----------
    surface : Surface
    scale_mm : float, mm
        Length scale; about twice the mean edge is useful.
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
    square = (scale_mm / surface.mean_edge_mm) ** 2
    calm = calmed(surface, int(np.clip(round(2 * square), 1, SHRINK_MOST)))
    passes = int(np.clip(round(7 * square), 1, NORMAL_MOST))
    normal = _even_normals(calm, passes)
    move = _unfold(surface, _fit(surface, normal), normal) - surface.vertices_mm
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
    done = Repair(what, int((far > 0).sum()), float(far[worst]), (x, y, z), kind=EVENED)
    return Surface(surface.vertices_mm + move, surface.faces, surface.colors, (*surface.repairs, done))


def calmed(surface: Surface, passes: int) -> Surface:
    """Return a copy smoothed by the λ|μ filter [1]_, whose corners are rounded."""
    step = _umbrella(surface)
    v = surface.vertices_mm.copy()
    for _ in range(passes):
        v += SHRINK * (step @ v)
        v += GROW * (step @ v)
    return Surface(v, surface.faces)


def _umbrella(surface: Surface) -> Any:
    """Sparse x -> mean of the neighbours - x; a boundary point's neighbours are those along the boundary."""
    from scipy.sparse import diags

    n = len(surface.vertices_mm)
    e = directed_edges(surface.faces)
    rim = e[rim_edges(n, surface.faces)]
    on_rim = np.zeros(n, dtype=bool)
    on_rim[rim] = True
    near = diags((~on_rim).astype(float)) @ neighbours(n, e) + neighbours(n, rim)
    near.eliminate_zeros()
    degree = np.diff(near.indptr)
    return (diags(1.0 / np.maximum(degree, 1)) @ near - diags((degree > 0).astype(float))).tocsr()


def _even_normals(surface: Surface, passes: int) -> Floats:
    """(m, 3) normals, averaged among faces that lean little against each other ([2]_ eq. 3).

    In single precision, which is some millionths of a degree: half the memory to read, and this is where the time
    goes on millions of faces.
    """
    i, j = _next_faces(surface)
    if not len(i):
        return surface.face_normals
    normal = surface.face_normals.astype(np.float32)
    area, middle = surface.face_areas_mm2, surface.vertices_mm[surface.faces].mean(axis=1)
    away = row_lengths(middle[i] - middle[j]) ** 2
    near = np.exp(-away / max(2 * np.sqrt(away).mean() ** 2, 1e-300))
    weight, order = _both_ways(i, j, len(area))
    fixed = np.concatenate([near * area[j], near * area[i]])[order].astype(np.float32)
    for _ in range(passes):
        apart = np.einsum("ij,ij->i", normal[i], normal[j])
        alike = np.exp((apart - 1) / np.float32(LEAN**2))
        weight.data = np.concatenate([alike, alike])[order] * fixed
        total = weight @ normal
        length = np.sqrt(np.einsum("ij,ij->i", total, total))
        seen = length > 0  # a face that agrees with none of its neighbours stays as it is
        normal[seen] = total[seen] / length[seen, None]
    return normal.astype(np.float64)


def _both_ways(i: Ints, j: Ints, m: int) -> tuple[Any, Ints]:
    """Sparse (m, m) matrix that joins the pairs both ways, and the order of its entries in (i, j), then (j, i)."""
    from scipy.sparse import csr_matrix

    row, col = np.concatenate([i, j]), np.concatenate([j, i])
    order = np.argsort(row, kind="stable")
    start = np.concatenate([[0], np.cumsum(np.bincount(row, minlength=m))])
    return csr_matrix((np.ones(len(row), np.float32), col[order], start), shape=(m, m)), order


def _next_faces(surface: Surface) -> tuple[Ints, Ints]:
    """Pairs of faces with a common edge."""
    key = edge_keys(len(surface.vertices_mm), directed_edges(surface.faces))
    order = np.argsort(key, kind="stable")
    at = np.flatnonzero(key[order][1:] == key[order][:-1])
    return order[at] // 3, order[at + 1] // 3


def _fit(surface: Surface, normal: Floats) -> Floats:
    """(n, 3) points moved along the normals of the faces about them until the faces have these ([2]_ eq. 8)."""
    from scipy.sparse import csr_matrix

    f, v = surface.faces, surface.vertices_mm.copy()
    order = np.argsort(f.ravel(), kind="stable")
    count = np.bincount(f.ravel(), minlength=len(v))
    about = np.maximum(count, 1)[:, None]
    start = np.concatenate([[0], np.cumsum(count)])
    pull = csr_matrix((np.zeros(len(order)), order // 3, start), shape=(len(v), len(f)))
    for _ in range(FIT_PASSES):
        along = np.stack([np.einsum("ij,ij->i", normal, v[c]) for c in f.T], axis=1)
        middle = (along[:, 0] + along[:, 1] + along[:, 2]) / 3
        pull.data = (middle[:, None] - along).ravel()[order]
        v += (pull @ normal) / about
    return v


def _unfold(surface: Surface, v: Floats, normal: Floats) -> Floats:
    """Draw inner points of faces that have folded over towards their neighbours until they lie open."""
    step = _umbrella(surface)
    inner = np.ones(len(v), dtype=bool)
    inner[directed_edges(surface.faces)[rim_edges(len(v), surface.faces)]] = False
    for _ in range(FIT_PASSES):
        folded = (Surface(v, surface.faces).face_normals * normal).sum(axis=1) < 0
        at = np.unique(surface.faces[folded])
        at = at[inner[at]]
        if not len(at):
            break
        v = v.copy()
        v[at] += SHRINK * (step[at] @ v)
    return v


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

"""A smooth copy of a noisy surface with the same connectivity, on which paths and distances are measured.

Noise lengthens every path over a scan (by a fifth at 1 mm), but cloth bridges it: it follows the smooth copy.
"""

from __future__ import annotations

from weakref import WeakKeyDictionary

import numpy as np
import scipy.sparse as sp

from ._topology import surface_edges
from .mesh import Floats, Ints, Surface

SMOOTH_MM = 4.0
# A face that leans 2 degrees off the smooth copy is 0.06 % too large: below that, noise does no harm.
NOISE_DEG = 2.0
# Neighbours whose calmed normals differ by this have little to do with each other.
CORNER_DEG = 8.0
_copies: WeakKeyDictionary[Surface, tuple[float, Floats]] = WeakKeyDictionary()


def work_copy(surface: Surface, *, scale_mm: float = SMOOTH_MM) -> Floats:
    """Return vertices to measure on: the surface's own if it is clean, smoothed ones if it is noisy.

    Parameters
    ----------
    surface : Surface
    scale_mm : float
        Waves shorter than about four times this are taken out.

    Returns
    -------
    (n, 3) float array, mm
        ``surface.vertices_mm`` itself where nothing had to be done.
    """
    known = _copies.get(surface)
    if known is not None and known[0] == scale_mm:
        return known[1]
    v = surface.vertices_mm
    if scale_mm > 0 and len(v) >= 200:
        s = smoothed(surface, scale_mm=scale_mm)
        if _lean_deg(surface, s) > NOISE_DEG:
            v = s
    _copies[surface] = (scale_mm, v)
    return v


def carry_copy(old: Surface, new: Surface, carried_mm: Floats, *, scale_mm: float = SMOOTH_MM) -> None:
    """Note that `new` was cut from `old` and that its work copy is known already.

    A cut puts vertices close together; smoothing afresh would leave the noise in there.
    """
    clean = work_copy(old, scale_mm=scale_mm) is old.vertices_mm
    _copies[new] = (scale_mm, new.vertices_mm if clean else carried_mm)


def pass_copy(old: Surface, new: Surface, weights: sp.csr_array) -> None:
    """As `carry_copy`, if a work copy of `old` has been made at all."""
    known = _copies.get(old)
    if known is not None:
        carry_copy(old, new, weights @ known[1], scale_mm=known[0])


def share_copy(whole: Surface, part: Surface, used: Ints, *, scale_mm: float = SMOOTH_MM) -> None:
    """Note that `part` is a part of `whole`, made of its vertices `used`."""
    walk = work_copy(whole, scale_mm=scale_mm)
    _copies[part] = (scale_mm, part.vertices_mm if walk is whole.vertices_mm else walk[used])


def smoothed(surface: Surface, *, scale_mm: float) -> Floats:
    """Smooth the vertices with a low-pass filter that hardly shrinks the mesh and does not reach across corners.

    Parameters
    ----------
    surface : Surface
    scale_mm : float
        Length scale L; a wave of length 2 pi L is damped by a factor e, one of twice that length by 6 %.

    Returns
    -------
    (n, 3) float array, mm

    References
    ----------
    G. Taubin, T. Zhang, G. Golub, "Optimal surface smoothing as filter design", ECCV 1996: a polynomial in the
    umbrella operator, evaluated by Chebyshev recurrence.
    """
    edges = surface_edges(surface)
    a, b = edges.ends.T
    length = np.linalg.norm(surface.vertices_mm[a] - surface.vertices_mm[b], axis=1)
    near = 1.0 / np.maximum(length, 0.05 * surface.mean_edge_mm)
    calm = Surface(_filtered(surface, near, 0.75 * scale_mm), surface.faces).vertex_normals
    turn = np.arccos(np.clip((calm[a] * calm[b]).sum(axis=1), -1.0, 1.0))
    alike = np.exp(-((turn / np.radians(CORNER_DEG)) ** 2)) + 1e-6
    return _filtered(surface, near * alike, scale_mm)


def _filtered(surface: Surface, weight: Floats, scale_mm: float) -> Floats:
    """Low-pass the vertices; `weight` (e,) says how much the ends of each edge have to do with each other."""
    # On an even mesh the umbrella operator takes a wave of length 2 pi L to k = (h / 2L)^2.
    cut = min((surface.mean_edge_mm / (2 * scale_mm)) ** 2, 1.0)
    degree = int(min(80, np.ceil(4 / np.sqrt(cut)) + 4))
    nodes = np.polynomial.chebyshev.chebpts1(degree + 1)
    gain = np.exp(-(((nodes + 1) / cut) ** 2))
    coef = np.linalg.solve(np.polynomial.chebyshev.chebvander(nodes, degree), gain)
    coef = coef / (coef @ np.polynomial.chebyshev.chebvander(np.array([-1.0]), degree)[0])
    step = _averaging(surface, weight)
    x0 = surface.vertices_mm
    # x = k - 1 runs over [-1, 1] and k = 1 - average, so multiplying by x is taking the average, negated.
    low, high = x0, -(step @ x0)
    out = coef[0] * low + coef[1] * high
    for c in coef[2:]:
        low, high = high, -2 * (step @ high) - low
        out = out + c * high
    return np.asarray(out)


def _averaging(surface: Surface, w: Floats) -> sp.csr_array:
    """Each vertex to the weighted mean of its neighbours; those on the boundary along the boundary."""
    n = len(surface.vertices_mm)
    edges = surface_edges(surface)
    a, b = edges.ends.T
    bare = edges.faces[:, 1] < 0
    rim = np.zeros(n, dtype=bool)
    rim[edges.ends[bare]] = True
    to_a, to_b = ~rim[a] | bare, ~rim[b] | bare
    rows = np.r_[a[to_a], b[to_b]]
    cols = np.r_[b[to_a], a[to_b]]
    m = sp.csr_array((np.r_[w[to_a], w[to_b]], (rows, cols)), shape=(n, n))
    total = np.asarray(m.sum(axis=1)).ravel()
    lone = np.flatnonzero(total == 0)
    m = m + sp.csr_array((np.ones(len(lone)), (lone, lone)), shape=(n, n))
    total[lone] = 1.0
    return sp.csr_array(sp.diags_array(1.0 / total) @ m)


def _lean_deg(surface: Surface, smooth_mm: Floats) -> float:
    """Median angle in degrees between each face and its smooth twin."""
    p = smooth_mm[surface.faces]
    n = np.cross(p[:, 1] - p[:, 0], p[:, 2] - p[:, 0])
    n /= np.maximum(np.linalg.norm(n, axis=1, keepdims=True), 1e-300)
    cosine = np.clip((n * surface.face_normals).sum(axis=1), -1.0, 1.0)
    return float(np.degrees(np.arccos(np.median(cosine))))

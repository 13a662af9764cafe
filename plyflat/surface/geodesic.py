"""Distances and shortest paths along a surface."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike

from ..errors import MeshError
from ._smooth import SMOOTH_MM, work_copy
from .mesh import Floats, Surface

if TYPE_CHECKING:
    from .region import Region


def distance_along(
    surface: Surface, sources: ArrayLike, *, max_mm: float | None = None, smooth_mm: float = SMOOTH_MM
) -> Floats:
    """Return the distance along the surface from the nearest of some vertices.

    Parameters
    ----------
    surface : Surface
    sources : (k,) int array
        Vertices.
    max_mm : float, optional
        Vertices farther away are given this distance.
    smooth_mm : float
        Length scale of the smooth copy a noisy surface is measured on; 0 measures on the surface as it is.

    Returns
    -------
    (n,) float array, mm
        Infinite on a piece with no source, if no `max_mm` is given.
    """
    import potpourri3d

    s = np.unique(np.asarray(sources, dtype=np.int64))
    if len(s) == 0:
        raise MeshError("no vertex to measure from")
    v = work_copy(surface, scale_mm=smooth_mm)
    d = potpourri3d.MeshHeatMethodDistanceSolver(v, surface.faces).compute_distance_multisource(s)
    return np.minimum(d, np.inf if max_mm is None else max_mm)


def signed_distance(region: Region, max_mm: float | None = None, *, smooth_mm: float = SMOOTH_MM) -> Floats:
    """Return the distance along the parent surface from a region's outline, negative inside.

    Parameters
    ----------
    region : Region
    max_mm : float, optional
        Distances are cut off at plus or minus this.
    smooth_mm : float
        As for `distance_along`.

    Returns
    -------
    (n,) float array, mm
        On the vertices of ``region.parent``.
    """
    rim = region.vertex_of[np.concatenate(region.loops)]
    d = distance_along(region.parent, rim, max_mm=max_mm, smooth_mm=smooth_mm)
    inner = np.zeros(len(d), dtype=bool)
    inner[region.vertex_of] = True
    d[rim] = 0.0
    return np.where(inner, -d, d)


def geodesic_path(surface: Surface, start_vertex: int, end_vertex: int, *, smooth_mm: float = SMOOTH_MM) -> Floats:
    """Return a shortest path between two vertices, found by edge flips.

    Parameters
    ----------
    surface : Surface
    start_vertex, end_vertex : int
    smooth_mm : float
        On a noisy surface the path is that of a smooth copy.

    Returns
    -------
    (k, 3) float array, mm
        Points on edges and vertices, both ends included.

    References
    ----------
    N. Sharp, K. Crane, "You can find geodesic paths in triangle meshes by just flipping edges", ACM Trans.
    Graph. 39(6), 2020.
    """
    import potpourri3d

    v = work_copy(surface, scale_mm=smooth_mm)
    way = potpourri3d.EdgeFlipGeodesicSolver(v, surface.faces).find_geodesic_path(start_vertex, end_vertex)
    return np.asarray(way)

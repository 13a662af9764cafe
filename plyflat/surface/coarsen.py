"""A patch with fewer triangles and the same outline, for work that does not need them all."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .mesh import Surface

#: A patch with no more triangles than this is left as it is.
ENOUGH_FACES = 30_000
#: How far the coarse patch may stray from the fine one.
STRAY_MM = 1.0


@dataclass(frozen=True, eq=False)
class Coarse:
    """A coarse patch.

    Attributes
    ----------
    surface : Surface
        Its vertices are vertices of the fine patch, its boundary loops the same.
    stray_mm : float
        Largest distance of a vertex of the fine patch from it.
    """

    surface: Surface
    stray_mm: float


def coarsen(surface: Surface, *, faces: int = ENOUGH_FACES, stray_mm: float = STRAY_MM) -> Coarse:
    """Drop vertices inside a patch until about so many triangles are left; none on its outline.

    Parameters
    ----------
    surface : Surface
    faces : int
        How many triangles to leave; doubled where the patch would stray too far.
    stray_mm : float
        The farthest a vertex of the fine patch may lie from the coarse one.

    Returns
    -------
    Coarse
        The patch itself where it has no more triangles than that.

    References
    ----------
    W. Schroeder, J. Zarge, W. Lorensen, "Decimation of triangle meshes", SIGGRAPH 1992, as in VTK.
    """
    while len(surface.faces) > faces:
        thin = _decimated(surface, 1.0 - faces / len(surface.faces))
        off = float(thin.locate(surface.vertices_mm).distance_mm.max())
        if off <= stray_mm and _like(thin, surface):
            return Coarse(thin, off)
        faces *= 2
    return Coarse(surface, 0.0)


def _like(thin: Surface, surface: Surface) -> bool:
    """Whether a thinned patch hangs together as the patch does: in sharp hollows some triangles come to share their sides."""
    sides = np.concatenate([thin.faces[:, [k, (k + 1) % 3]] for k in range(3)])
    # Two triangles run along a side in opposite ways, so none is run along twice in one way.
    if len(np.unique(sides, axis=0)) < len(sides):
        return False
    return len(thin.boundary_loops) == len(surface.boundary_loops)


def _decimated(surface: Surface, share: float) -> Surface:
    import pyvista

    mesh = pyvista.PolyData.from_regular_faces(surface.vertices_mm, surface.faces.astype(int))
    thin = mesh.decimate_pro(
        share, preserve_topology=True, boundary_vertex_deletion=False, splitting=False, feature_angle=15.0
    )
    return Surface(np.asarray(thin.points, dtype=np.float64), thin.regular_faces.astype(np.int64))

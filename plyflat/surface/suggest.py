"""A first outline for a mesh nobody has marked yet."""

from __future__ import annotations

import numpy as np
from scipy.spatial import cKDTree

from ..errors import MeshError
from .mesh import Floats, Surface

#: Length of the mean of all unit normals above which a place counts as flat; 1 is a plane.
FLAT = 0.97


def flattest_outline(surface: Surface, *, points: int = 8, share: float = 0.12, tries: int = 300) -> Floats:
    """Return a ring of points round the flattest place of a mesh that is well clear of its edges.

    Parameters
    ----------
    surface : Surface
    points : int
        How many.
    share : float
        Radius of the ring as a share of the mesh's largest side; halved until a place is found.
    tries : int
        How many places are tried.

    Returns
    -------
    (points, 3) float array, mm
        On the surface, anticlockwise seen from the air side.

    Raises
    ------
    MeshError
        If no place clear of the edges is found.
    """
    radius = share * float(surface.size_mm.max())
    found = None
    for _ in range(5):
        place = _flattest_face(surface, radius, tries)
        if place is not None:
            found = (place[0], radius)
            if place[1] > FLAT:
                break
        radius /= 2
    if found is None:
        raise MeshError("no place on this mesh is clear of its edges", do="State the outline yourself.")
    return _ring(surface, *found, points)


def _flattest_face(surface: Surface, radius: float, tries: int) -> tuple[int, float] | None:
    """Return the flattest of some faces clear of the edges, and the length of the mean normal round it."""
    centres = surface.vertices_mm[surface.faces].mean(axis=1)
    weight = surface.face_areas_mm2 / surface.area_mm2
    picks = np.random.default_rng(1).choice(len(centres), size=tries, p=weight)
    loops = surface.boundary_loops
    if loops:
        rim = cKDTree(surface.vertices_mm[np.concatenate(loops)])
        picks = picks[rim.query(centres[picks])[0] > 2.5 * radius]
    if not len(picks):
        return None
    near = cKDTree(centres).query_ball_point(centres[picks], radius)
    flat = [float(np.linalg.norm(surface.face_normals[n].mean(axis=0))) for n in near]
    best = int(np.argmax(flat))
    return int(picks[best]), flat[best]


def _ring(surface: Surface, face: int, radius: float, points: int) -> Floats:
    n = surface.face_normals[face]
    centre = surface.vertices_mm[surface.faces[face]].mean(axis=0)
    a = np.cross(n, np.eye(3)[int(np.argmin(np.abs(n)))])
    a /= np.linalg.norm(a)
    t = np.arange(points) * 2 * np.pi / points
    ring = centre + radius * (np.cos(t)[:, None] * a + np.sin(t)[:, None] * np.cross(n, a))
    return surface.locate(ring).points_mm

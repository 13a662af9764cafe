"""Round patches over a spot of damage, and outlines with rounded corners."""

from __future__ import annotations

import numpy as np
import scipy.sparse as sp
from numpy.typing import ArrayLike

from ..errors import OutlineError
from ._smooth import SMOOTH_MM, pass_copy, work_copy
from ._trace import at
from .cut import faces_near, refine
from .geodesic import distance_along
from .mesh import Floats, Located, Surface
from .region import Region, grow_region, region_within

# How far the rim of a round patch may stray from its circle because triangles are flat.
SPOT_STRAY_MM = 0.03
# A point this near a vertex or an edge is put on it.
ON_MM = 0.005


def spot_region(
    surface: Surface,
    point_mm: ArrayLike,
    radius_mm: float,
    *,
    name: str = "",
    tolerance_mm: float = 10.0,
    smooth_mm: float = SMOOTH_MM,
) -> Region:
    """Cut out all that lies within a distance of a point, measured along the surface, over corners too.

    Parameters
    ----------
    surface : Surface
    point_mm : (3,) float array, mm
        Middle of the patch, on or near the surface.
    radius_mm : float
    name : str
        Goes into the region and into messages.
    tolerance_mm : float
        How far the point may lie off the surface.
    smooth_mm : float
        Length scale of the smooth copy on which distance is measured where the surface is noisy.

    Returns
    -------
    Region
        Where the surface ends before, the patch ends there too and says so in `short_mm`.

    Raises
    ------
    OutlineError
        The point is no point or lies off the surface; the radius is not positive, or reaches over all of the surface.

    Examples
    --------
    >>> sheet = Surface([[0, 0, 0], [900, 0, 0], [900, 900, 0], [0, 900, 0]], [[0, 1, 2], [0, 2, 3]])
    >>> bool(abs(spot_region(sheet, [400, 300, 0], 100).area_mm2 / (3.14159265 * 100**2) - 1) < 1e-3)
    True
    """
    spot = _found(surface, point_mm, radius_mm, name, tolerance_mm)
    work_copy(surface, scale_mm=smooth_mm)
    middle = spot.points_mm[0]
    near = faces_near(surface.vertices_mm, surface.faces, middle[None], 1.02 * radius_mm)
    between = np.zeros(len(surface.vertices_mm), dtype=bool)
    between[surface.faces[near]] = True
    finest = float(np.sqrt(8 * SPOT_STRAY_MM * radius_mm))

    def longest(at_mm: Floats) -> Floats:
        """How long edges may be: short near the rim, and longer outside it."""
        off = np.linalg.norm(at_mm - middle, axis=1)
        return np.maximum(finest, off - 1.1 * radius_mm)

    fine = refine(surface, longest, between=between).surface
    pointed, source = _with_vertex(fine, fine.locate(middle))
    spare = max(2 * finest, 0.05 * radius_mm)
    d = distance_along(pointed, [source], max_mm=radius_mm + spare, smooth_mm=smooth_mm)
    region = region_within(fine, d[: len(fine.vertices_mm)], radius_mm, seed_mm=middle, name=name, smooth_mm=smooth_mm)
    if not region.loops:
        raise OutlineError(
            f"region {name!r}: a radius of {radius_mm:g} mm reaches over all of the surface", where=at(tuple(middle)),
            do="Take a smaller radius, or check the mesh's unit.",
        )
    return region


def _found(surface: Surface, point_mm: ArrayLike, radius_mm: float, name: str, tolerance_mm: float) -> Located:
    """Check the point and the radius, and find the point on the surface."""
    if not (np.isfinite(radius_mm) and radius_mm > 0):
        raise OutlineError(f"region {name!r}: the radius is {radius_mm:g} mm", do="Give a length above 0 mm.")
    p = np.asarray(point_mm, dtype=np.float64)
    if p.shape != (3,) or not np.isfinite(p).all():
        raise OutlineError(f"region {name!r}: the point is {p.tolist()}", do="Give x, y and z in mm.")
    spot = surface.locate(p)
    if spot.distance_mm[0] > tolerance_mm:
        raise OutlineError(
            f"region {name!r}: the point lies {spot.distance_mm[0]:.1f} mm off the surface, more than {tolerance_mm:g} mm",
            where=at(tuple(p)), do="Move the point, check the unit, or allow a larger tolerance.",
        )
    return spot


def _with_vertex(surface: Surface, spot: Located) -> tuple[Surface, int]:
    """Return the surface with a vertex at a point of it, and that vertex: one that is there already, or the last."""
    n, home, w = len(surface.vertices_mm), int(spot.face[0]), np.clip(spot.weights[0], 0.0, 1.0)
    f = surface.faces[home]
    away = np.linalg.norm(surface.vertices_mm[f] - spot.points_mm[0], axis=1)
    if away.min() <= ON_MM:
        return surface, int(f[int(np.argmin(away))])
    # Height of the point over each side, the one across from each corner.
    p = surface.vertices_mm[f]
    side = np.linalg.norm(np.roll(p, 1, axis=0) - np.roll(p, -1, axis=0), axis=1)
    k = int(np.argmin(w * 2 * surface.face_areas_mm2[home] / side))
    a, b, c = f[k], f[(k + 1) % 3], f[(k + 2) % 3]
    gone, made = [home], [[b, c, n], [c, a, n], [a, b, n]]
    if (w * 2 * surface.face_areas_mm2[home] / side)[k] <= ON_MM:
        w[k] = 0.0
        made = made[1:]
        for other in np.flatnonzero((surface.faces == b).any(axis=1) & (surface.faces == c).any(axis=1)):
            if other != home:
                d = int(surface.faces[other].sum() - b - c)
                gone.append(int(other))
                made += [[c, n, d], [n, b, d]]
    row = sp.csr_array((w / w.sum(), ([0, 0, 0], f)), shape=(1, n))
    weights = sp.vstack([sp.eye_array(n, format="csr"), row], format="csr")
    new = Surface(weights @ surface.vertices_mm, np.vstack([np.delete(surface.faces, gone, axis=0), made]))
    pass_copy(surface, new, weights)
    return new, n


def round_corners(
    region: Region, radius_mm: float, *, inner: bool = False, openings: bool = True, smooth_mm: float = SMOOTH_MM
) -> Region:
    """Round the corners of a region's outline.

    Outer corners are rounded by moving the outline inward by the radius and outward again, so the region loses its
    corners and gains nothing; inner corners by moving it outward and inward again, so it gains there and loses nothing.

    Parameters
    ----------
    region : Region
    radius_mm : float
        Of the smallest arc that is left.
    inner : bool
        Whether to round inner corners too, after the outer ones.
    openings : bool
        Whether outlines of openings are rounded too.
    smooth_mm : float
        As for `spot_region`.

    Returns
    -------
    Region

    Raises
    ------
    OutlineError
        The region is narrower than twice the radius somewhere, so that it would vanish or fall apart.
    """
    if not (np.isfinite(radius_mm) and radius_mm >= 0):
        raise OutlineError(f"region {region.name!r}: corners cannot be rounded to {radius_mm:g} mm", do="Give 0 mm or more.")
    if radius_mm == 0:
        return region
    out = region
    for sign in (-1.0, 1.0) if inner else (-1.0,):
        for step in (sign * radius_mm, -sign * radius_mm):
            try:
                out = grow_region(out, step, openings=openings, smooth_mm=smooth_mm)
            except OutlineError as err:
                raise OutlineError(
                    f"region {region.name!r} is too narrow to round its corners to {radius_mm:g} mm: {err.what}",
                    where=err.where, do="Take a radius below half its least width.",
                ) from err
    return out

"""The way a region's warp runs: a line the builder strikes on the hull, as axes on the surface there."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from ..errors import OutlineError
from ._smooth import SMOOTH_MM, work_copy
from ._trace import at
from .mesh import Floats, Surface
from .region import Region

# A warp line nearer than this to the surface's normal has no use as a direction along it.
UPRIGHT_DEG = 5.0


@dataclass(frozen=True, eq=False)
class RegionFrame:
    """Axes of a region's cloth at one place of it.

    Attributes
    ----------
    origin_mm : (3,) float array, mm
        A point of the region.
    warp : (3,) float array
        Unit vector along the surface.
    weft : (3,) float array
        Unit vector along the surface: the warp turned by 90° anticlockwise, seen from the air side.
    normal : (3,) float array
        Unit vector to the air side.
    """

    origin_mm: Floats
    warp: Floats
    weft: Floats
    normal: Floats

    def way(self, angle_deg: float) -> Floats:
        """Return the (3,) unit vector at an angle to the warp, anticlockwise seen from the air side."""
        a = np.radians(angle_deg)
        return np.asarray(np.cos(a) * self.warp + np.sin(a) * self.weft)


def frame_of(
    region: Region,
    *,
    warp: ArrayLike,
    tolerance_mm: float = np.inf,
    upright_deg: float = UPRIGHT_DEG,
    smooth_mm: float = SMOOTH_MM,
) -> RegionFrame:
    """Return the axes of a region's cloth.

    Parameters
    ----------
    region : Region
    warp : (3,), (2, 3) or (k, 3) float array
        A direction; two points in mm, from the first to the second; or a polyline in mm, such as a corner's or a strake's
        line, whose piece next to the middle of the region counts.
    tolerance_mm : float
        How far the points may lie off the surface the region was cut from.
    upright_deg : float
        A warp within this of the surface's normal is refused.
    smooth_mm : float
        Length scale of the smooth copy whose normals count where the surface is noisy.

    Returns
    -------
    RegionFrame
        For a direction, at the middle of the region; for points, at the point of the region next to their middle.

    Raises
    ------
    OutlineError
        The warp has another shape, is not finite or has no length; a point off the surface; the warp is square to it.
    """
    way, middle = _way(region, warp, tolerance_mm)
    surface = region.surface
    calm = work_copy(region.parent, scale_mm=smooth_mm)[region.vertex_of]
    spot = Surface(calm, surface.faces).locate(middle)
    normal = _normal(Surface(calm, surface.faces), spot.points_mm[0], region)
    lean = float(np.degrees(np.arccos(np.clip(abs(way @ normal), 0.0, 1.0))))
    if lean <= upright_deg:
        raise OutlineError(
            f"the warp of region {region.name!r} stands square to the surface: only {lean:.1f} deg off its normal",
            where=at(tuple(spot.points_mm[0])), do="State the warp by two points along the surface.",
        )
    along = way - (way @ normal) * normal
    along /= np.linalg.norm(along)
    return RegionFrame(spot.points_mm[0], along, np.cross(normal, along), normal)


def _way(region: Region, warp: ArrayLike, tolerance_mm: float) -> tuple[Floats, Floats]:
    """Return the warp's direction and the place it is meant for."""
    w = np.asarray(warp, dtype=np.float64)
    if w.shape[-1:] != (3,) or w.ndim > 2 or (w.ndim == 2 and len(w) < 2) or not np.isfinite(w).all():
        raise OutlineError(
            f"the warp of region {region.name!r} is {w.tolist()}", do="Give a direction, two points or a line of points."
        )
    middle = _centre(region)
    if w.ndim == 1:
        way, where = w, middle
    else:
        off = region.parent.locate(w).distance_mm
        k = int(np.argmax(off))
        if off[k] > tolerance_mm:
            raise OutlineError(
                f"point {k + 1} of the warp line of region {region.name!r} lies {off[k]:.1f} mm off the surface, more than "
                f"{tolerance_mm:g} mm", where=at(tuple(w[k])), do="Move the point, or allow a larger tolerance.",
            )
        way, where = _piece(w, middle)
    size = float(np.linalg.norm(way))
    if size <= 1e-9:
        raise OutlineError(f"the warp of region {region.name!r} has no length", do="Give two different points.")
    return way / size, where


def _piece(line: Floats, middle: Floats) -> tuple[Floats, Floats]:
    """Return the direction and the nearest point of the piece of a line that comes closest to a point."""
    begin, way = line[:-1], np.diff(line, axis=0)
    way, begin = way[(way != 0).any(axis=1)], begin[(way != 0).any(axis=1)]
    if not len(way):
        return np.zeros(3), middle
    t = np.clip(((middle - begin) * way).sum(axis=1) / (way * way).sum(axis=1), 0.0, 1.0)
    foot = begin + t[:, None] * way
    k = int(np.argmin(np.linalg.norm(foot - middle, axis=1)))
    return way[k], foot[k]


def _centre(region: Region) -> Floats:
    """The area's centre, on the region."""
    s = region.surface
    middle = s.vertices_mm[s.faces].mean(axis=1)
    return np.asarray(s.locate((s.face_areas_mm2[:, None] * middle).sum(axis=0) / s.area_mm2).points_mm[0])


def _normal(calm: Surface, point: Floats, region: Region) -> Floats:
    """Unit normal at a point, averaged over a tenth of the region's size."""
    middle = calm.vertices_mm[calm.faces].mean(axis=1)
    reach = 0.1 * np.sqrt(region.area_mm2)
    weight = calm.face_areas_mm2 * np.exp(-((middle - point) ** 2).sum(axis=1) / (2 * reach**2))
    here = calm.face_normals[int(calm.locate(point).face[0])]
    # Only faces that look the same way: not those round a corner or on the other side of a thin part.
    weight = weight * ((calm.face_normals @ here) > 0.8)
    n = weight @ calm.face_normals
    size = float(np.linalg.norm(n))
    return np.asarray(n / size if size > 0 else here)

"""Where laps lie on the hull, and how far apart those of different plies are."""

from __future__ import annotations

from collections.abc import Collection, Sequence

import numpy as np
import shapely
from numpy.typing import ArrayLike
from shapely import LineString, Polygon

from ..errors import CheckError, OutlineError
from ..surface.cut import insert_paths
from ..surface.geodesic import distance_along
from ..surface.mesh import Floats, Surface
from ._cutting import Opened, Sides
from .flatten import Flat
from .marks import lines_of
from .pieces import Frame, lines_in_space

#: A line of another ply farther off a patch than this lies beyond its edge.
BESIDE_MM = 2.0
# Lines are followed in steps of this length.
STEP_MM = 4.0
# Lines are measured from a little inside the edge, so that their ends fall into the patch.
INSIDE = 0.01


def lap_lines(
    opened: Opened, flats: Sequence[Flat], lap_mm: float, *, butts: Collection[int] = ()
) -> tuple[Floats, ...]:
    """Return the centre line of the lap of every seam as it lies on the hull.

    A lap belongs to the piece on its seam's left and lies over the one on the right.

    Parameters
    ----------
    opened : Opened
    flats : sequence of Flat
        One for each piece.
    lap_mm : float
        Width of the laps.
    butts : collection of int
        Seams, as indices into ``opened.seams``, that have none: their own line is returned.

    Returns
    -------
    tuple of (k, 3) float arrays, mm
    """
    return tuple(
        _lap_line(opened, flats, side, 0.0 if j in butts else lap_mm) for j, side in enumerate(opened.sides)
    )


def _lap_line(opened: Opened, flats: Sequence[Flat], side: Sides, lap_mm: float) -> Floats:
    piece, flat = opened.pieces[side.right], flats[side.right]
    seam = LineString(flat.uv_mm[side.right_vertices])
    rings = [flat.uv_mm[q] for q in piece.boundary_loops]
    net = shapely.make_valid(Polygon(rings[0], rings[1:]))
    middle = shapely.offset_curve(seam.simplify(0.01), -0.5 * lap_mm, join_style="mitre") if lap_mm > 0 else seam
    within = lines_of(middle.intersection(net))
    line = within[0] if within and within[0].length > 0.5 * seam.length else seam
    return lines_in_space([shapely.segmentize(line, STEP_MM)], piece, flat, Frame(0.0, False))[0]


def distance_to_lines(
    surface: Surface, lines_mm: Sequence[Floats], points_mm: ArrayLike, *, most_mm: float | None = None
) -> Floats:
    """Return the distance along a surface from points to the nearest of some lines that do not touch.

    Parameters
    ----------
    surface : Surface
    lines_mm : sequence of (k, 3) float arrays
        On or near the surface; what lies beyond its edge is left out.
    points_mm : (p, 3) float array
    most_mm : float, optional
        Points farther away are given this distance.

    Returns
    -------
    (p,) float array, mm
        Infinite where no line lies on the surface, if no `most_mm` is given.

    References
    ----------
    J. Mitchell, D. Mount, C. Papadimitriou, "The discrete geodesic problem", SIAM J. Comput. 16, 1987.
    """
    points = np.asarray(points_mm, dtype=np.float64).reshape(-1, 3)
    lines = [part for line in lines_mm if len(part := _on_surface(surface, line)) > 1]
    far = np.inf if most_mm is None else most_mm
    if not lines or not len(points):
        return np.full(len(points), far)
    try:
        made = insert_paths(surface, lines, closed=False)
    except (OutlineError, CheckError):
        return _from_vertices(surface, lines, points, most_mm)
    d = distance_along(made.surface, made.path_edges, max_mm=most_mm)
    return _at(made.surface, d, points)


def _from_vertices(surface: Surface, lines: Sequence[Floats], points: Floats, most_mm: float | None) -> Floats:
    """Measure from the vertices nearest to lines that cannot be cut in; short by up to an edge, never long."""
    spot = surface.locate(np.concatenate(lines))
    near = np.unique(surface.faces[spot.face])
    return _at(surface, distance_along(surface, near, max_mm=most_mm), points)


def _at(surface: Surface, values: Floats, points: Floats) -> Floats:
    spot = surface.locate(points)
    return np.asarray((values[surface.faces[spot.face]] * spot.weights).sum(axis=1))


def _on_surface(surface: Surface, line: Floats) -> Floats:
    """Return the longest run of a line that lies on the surface, a little short of its ends."""
    points = shapely.get_coordinates(
        shapely.segmentize(_shortened(LineString(line)), STEP_MM), include_z=True
    )
    on = surface.locate(points).distance_mm < BESIDE_MM
    start = np.flatnonzero(np.diff(np.r_[0, on.astype(int), 0]) == 1)
    stop = np.flatnonzero(np.diff(np.r_[0, on.astype(int), 0]) == -1)
    if len(start) == 0:
        return points[:0]
    k = int(np.argmax(stop - start))
    return points[start[k] : stop[k]]


def _shortened(line: LineString) -> LineString:
    """Return a line in space without its ends; lengths are those in space."""
    p = np.array(line.coords)
    at = np.r_[0.0, np.cumsum(np.linalg.norm(np.diff(p, axis=0), axis=1))]
    cut = INSIDE * at[-1]
    keep = at[(at > cut) & (at < at[-1] - cut)]
    s = np.r_[cut, keep, at[-1] - cut]
    return LineString(np.stack([np.interp(s, at, p[:, i]) for i in range(3)], axis=1))


def clearances(
    surface: Surface, own_mm: Sequence[Floats], earlier_mm: Sequence[Sequence[Floats]], *, most_mm: float
) -> tuple[float, ...]:
    """Return the least distance along the surface between one ply's laps and those of each earlier ply.

    Parameters
    ----------
    surface : Surface
        What the ply covers.
    own_mm : sequence of (k, 3) float arrays
        Centre lines of its laps.
    earlier_mm : sequence of sequences of (k, 3) float arrays
        Those of each ply below it.
    most_mm : float
        What counts as far enough: no larger figure is given.

    Returns
    -------
    tuple of float, mm
    """
    parts = [[part for line in ply if len(part := _on_surface(surface, line))] for ply in earlier_mm]
    points = [np.concatenate(p) if p else np.zeros((0, 3)) for p in parts]
    d = distance_to_lines(surface, own_mm, np.concatenate([np.zeros((0, 3)), *points]), most_mm=most_mm)
    ends = np.cumsum([0, *(len(p) for p in points)])
    return tuple(float(d[a:b].min(initial=most_mm)) for a, b in zip(ends[:-1], ends[1:]))

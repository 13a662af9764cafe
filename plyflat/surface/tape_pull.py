"""Points put on the hull with a tape measure: how far they are along it from marks that can be found again."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.spatial import Delaunay

from ..errors import OutlineError
from ._smooth import SMOOTH_MM, work_copy
from .mesh import Floats, Ints, Surface

#: So many of the marks that lie nearest are tried for each point.
NEAREST = 5
# A point nearer to a side of its triangle than this share of it is moved in from there: no sliver comes of it.
_IN = 1e-4
# A crossing as good is worth this much more tape, mm.
_WORTH_MM = 1000.0


@dataclass(frozen=True, eq=False)
class Pull:
    """A tape pulled taut over the hull from a mark to a point.

    Attributes
    ----------
    mark : int
    length_mm : float
    way : (3,) float array
        Unit vector at the point, back along the tape.
    """

    mark: int
    length_mm: float
    way: Floats


@dataclass(frozen=True, eq=False)
class Crossing:
    """A point where two tapes cross.

    Attributes
    ----------
    first, second : Pull
    sine : float
        Of the angle at which they cross: a tape that is 1 mm out moves the point by 1 mm over this.
    """

    first: Pull
    second: Pull
    sine: float


def crossings(
    surface: Surface, marks_mm: ArrayLike, points_mm: ArrayLike, *, tolerance_mm: float = 10.0, smooth_mm: float = SMOOTH_MM
) -> tuple[Crossing, ...]:
    """Return for each point the two marks from which it is found best: tapes that cross well, and are not long.

    Parameters
    ----------
    surface : Surface
    marks_mm : (f, 3) float array, mm
        Two or more.
    points_mm : (k, 3) float array, mm
    tolerance_mm : float
        How far marks and points may lie off the surface.
    smooth_mm : float
        Length scale of the smooth copy on which tapes are pulled where the surface is noisy.

    Raises
    ------
    OutlineError
        Fewer than two marks; a mark or a point off the surface; a point that no two tapes reach.

    References
    ----------
    N. Sharp, K. Crane, "You can find geodesic paths in triangle meshes by just flipping edges", ACM Trans. Graph. 39(6),
    2020: the taut tape.
    """
    import potpourri3d

    marks, points = np.atleast_2d(np.asarray(marks_mm, float)), np.atleast_2d(np.asarray(points_mm, float))
    if len(marks) < 2:
        raise OutlineError(f"a point is found by two tapes, and there is {len(marks)} mark", do="State another mark.")
    even = Surface(np.asarray(work_copy(surface, scale_mm=smooth_mm)), surface.faces)
    fine, at = with_points(surface, even, np.vstack([marks, points]), tolerance_mm=tolerance_mm)
    solver = potpourri3d.EdgeFlipGeodesicSolver(fine.vertices_mm, fine.faces)
    return tuple(_best(solver, k, at[: len(marks)], int(end), fine) for k, end in enumerate(at[len(marks) :]))


def with_points(
    surface: Surface, even: Surface, points_mm: Floats, *, tolerance_mm: float
) -> tuple[Surface, Ints]:
    """Return a smooth copy of a surface with points of the surface put in as vertices, and which these are.

    Parameters
    ----------
    surface, even : Surface
        Of the same faces.
    points_mm : (k, 3) float array, mm
        Near the surface.
    tolerance_mm : float

    Returns
    -------
    Surface
    (k,) int array

    Raises
    ------
    OutlineError
        A point off the surface.
    """
    found = surface.locate(points_mm)
    off = int(np.argmax(found.distance_mm))
    if found.distance_mm[off] > tolerance_mm:
        x, y, z = points_mm[off]
        raise OutlineError(
            f"({x:.0f}, {y:.0f}, {z:.0f}) mm lies {found.distance_mm[off]:.1f} mm off the hull", do="Give a point on the hull."
        )
    weights = np.maximum(found.weights, _IN)
    weights = weights / weights.sum(axis=1, keepdims=True)
    n = len(even.vertices_mm)
    places = np.einsum("ki,kid->kd", weights, even.vertices_mm[even.faces[found.face]])
    vertex = n + np.arange(len(places))
    split, kept = [], np.ones(len(even.faces), dtype=bool)
    for face in np.unique(found.face):
        own = np.flatnonzero(found.face == face)
        _, first, back = np.unique(weights[own].round(9), axis=0, return_index=True, return_inverse=True)
        vertex[own] = vertex[own[first]][np.ravel(back)]
        own = own[first]
        kept[face] = False
        split.append(_split(even.faces[face], weights[own], vertex[own]))
    used = np.unique(vertex)
    fresh = np.full(n + len(places), -1)
    fresh[:n], fresh[used] = np.arange(n), n + np.arange(len(used))
    faces = np.vstack([even.faces[kept], fresh[np.vstack(split)]])
    return Surface(np.vstack([even.vertices_mm, places[used - n]]), faces), fresh[vertex]


def _split(corners: Ints, weights: Floats, vertex: Ints) -> Ints:
    """One triangle cut into those between its corners and the points in it, turned the same way."""
    flat = np.vstack([[[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]], weights[:, 1:]])
    parts = Delaunay(flat).simplices
    a, b, c = flat[parts[:, 0]], flat[parts[:, 1]], flat[parts[:, 2]]
    turned = (b - a)[:, 0] * (c - a)[:, 1] - (b - a)[:, 1] * (c - a)[:, 0] < 0
    parts[turned] = parts[turned][:, ::-1]
    return np.concatenate([corners, vertex])[parts]


def _best(solver: object, number: int, marks: Ints, end: int, fine: Surface) -> Crossing:
    v = fine.vertices_mm
    straight = np.linalg.norm(v[marks] - v[end], axis=1)
    near = [int(k) for k in np.argsort(straight, kind="stable")[:NEAREST] if straight[k] > 0]
    pulls = [_pull(solver, k, int(marks[k]), end) for k in near]
    pairs = [Crossing(a, b, float(np.linalg.norm(np.cross(a.way, b.way)))) for i, a in enumerate(pulls) for b in pulls[i + 1 :]]
    if not pairs:
        raise OutlineError(f"point {number + 1} lies on a mark, and is found from no other two", do="State another mark.")
    return max(pairs, key=lambda q: q.sine / (1.0 + (q.first.length_mm + q.second.length_mm) / _WORTH_MM))


def _pull(solver: object, number: int, start: int, end: int) -> Pull:
    way: Floats = np.asarray(solver.find_geodesic_path(start, end))  # type: ignore[attr-defined]
    steps = np.diff(way, axis=0)
    size = np.linalg.norm(steps, axis=1)
    back = -steps[np.flatnonzero(size > 0)[-1]]
    return Pull(number, float(size.sum()), back / np.linalg.norm(back))


def few_points(loop_mm: Floats, *, off_mm: float, most: int) -> Floats:
    """Return the corners of a closed line: the fewest points whose joins stay near it, or a number of them.

    Parameters
    ----------
    loop_mm : (k, 3) float array, mm
        It does not repeat its first point.
    off_mm : float
        How far the joins may run from the line; made larger where there would be too many points.
    most : int

    References
    ----------
    D. Douglas, T. Peucker, "Algorithms for the reduction of the number of points required to represent a digitized
    line", Cartographica 10(2), 1973.
    """
    far = int(np.argmax(np.linalg.norm(loop_mm - loop_mm[0], axis=1)))
    # From two points that are far apart, so that the start makes no difference to speak of.
    start = int(np.argmax(np.linalg.norm(loop_mm - loop_mm[far], axis=1)))
    line = np.roll(loop_mm, -start, axis=0)
    middle = (far - start) % len(line)
    while True:
        kept = sorted({0, middle, *_kept(line, 0, middle, off_mm), *_kept(line, middle, len(line), off_mm)})
        if len(kept) <= most:
            return line[kept]
        off_mm *= 1.3


def _kept(line: Floats, a: int, b: int, off_mm: float) -> Sequence[int]:
    """Points to keep between two of a closed line."""
    if b - a < 2:
        return ()
    ends = line[a], line[b % len(line)]
    along = ends[1] - ends[0]
    inner = line[a + 1 : b] - ends[0]
    share = np.clip(inner @ along / max(float(along @ along), 1e-12), 0.0, 1.0)
    off = np.linalg.norm(inner - share[:, None] * along, axis=1)
    worst = int(np.argmax(off))
    if off[worst] <= off_mm:
        return ()
    k = a + 1 + worst
    return (*_kept(line, a, k, off_mm), k, *_kept(line, k, b, off_mm))

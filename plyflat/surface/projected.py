"""Regions whose outline is straight between its points as seen from a direction.

The builder strikes a line on the hull as it looks from abeam or from above. Each leg is the section of the surface with
the plane through its two points and the line of sight, followed from face to face.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from ..errors import OutlineError
from ._smooth import SMOOTH_MM, work_copy
from ._topology import surface_edges
from ._trace import at
from .cut import Inserted, insert_paths, label_faces
from .mesh import Bools, Floats, Ints, Surface
from .region import Region, region_of

Side = Literal["near", "far"]

# A point this near an edge or a vertex lies in all the faces about it.
ON_MM = 1e-6
# A leg may run past its end, as seen, by this share of its length before it comes back to it.
PAST = 0.25
# Points nearer than this as seen are in one line of sight.
SIGHT_MM = 1e-3


@dataclass(frozen=True, eq=False)
class View:
    """How the surface is looked at, as an orthographic picture.

    Attributes
    ----------
    origin_mm : (3,) float array, mm
    frame : (3, 3) float array
        Unit vectors to the right and up in the picture, and towards the viewer.
    """

    origin_mm: Floats
    frame: Floats

    def flat(self, points_mm: Floats) -> Floats:
        """Return (k, 2) places in the picture, mm.

        Parameters
        ----------
        points_mm : (k, 3) float array, mm
        """
        return np.asarray((points_mm - self.origin_mm) @ self.frame[:2].T)

    def depth(self, points_mm: Floats) -> Floats:
        """Return (k,) heights above the picture's plane, towards the viewer, mm.

        Parameters
        ----------
        points_mm : (k, 3) float array, mm
        """
        return np.asarray((points_mm - self.origin_mm) @ self.frame[2])

    def lift(self, flat_mm: Floats) -> Floats:
        """Return the (k, 3) points of the picture's plane at (k, 2) places, mm.

        Parameters
        ----------
        flat_mm : (k, 2) float array, mm
        """
        return np.asarray(self.origin_mm + flat_mm @ self.frame[:2])


def view_from(direction: ArrayLike, origin_mm: ArrayLike = (0.0, 0.0, 0.0)) -> View:
    """Return the view of one who stands in a direction from the boat.

    Parameters
    ----------
    direction : (3,) float array
        From the surface towards the viewer; of any length.
    origin_mm : (3,) float array, mm

    Returns
    -------
    View

    Raises
    ------
    OutlineError
        The direction is not one.
    """
    d = unit_vector(direction, "direction of sight")
    helper = np.eye(3)[int(np.argmin(np.abs(d)))]
    right = np.cross(helper, d)
    right /= np.linalg.norm(right)
    return View(np.asarray(origin_mm, dtype=np.float64), np.stack([right, np.cross(d, right), d]))


def unit_vector(vector: ArrayLike, what: str) -> Floats:
    """Return a vector of length one.

    Parameters
    ----------
    vector : (3,) float array
    what : str
        What it is, for the message.

    Raises
    ------
    OutlineError
        Not three finite numbers, or all 0.
    """
    d = np.asarray(vector, dtype=np.float64)
    size = float(np.linalg.norm(d)) if d.shape == (3,) else 0.0
    if not (np.isfinite(size) and size > 0):
        raise OutlineError(f"the {what} is {d.tolist()}", do="Give three numbers that are not all 0.")
    return np.asarray(d / size)


def cut_region_seen(
    surface: Surface,
    outline_mm: ArrayLike | Sequence[ArrayLike],
    *,
    direction: ArrayLike,
    side: Side | None = None,
    seed_mm: ArrayLike | None = None,
    name: str = "",
    tolerance_mm: float = 10.0,
    smooth_mm: float = SMOOTH_MM,
) -> Region:
    """Cut out a region whose outline is straight from point to point as seen from a direction.

    Parameters
    ----------
    surface : Surface
    outline_mm : (k, 3) float array or a sequence of them, mm
        Points on or near the surface, in order round the region; further outlines are openings.
    direction : (3,) float array
        From the surface towards the viewer; of any length.
    side : {"near", "far"}, optional
        Moves each point along the line of sight to where it first ("near") or last ("far") meets the surface. By default
        each point is moved along it by no more than the tolerance, or else taken where the surface is nearest.
    seed_mm : (3,) float array, mm, optional
        A point of the region. Without it the region is what the outline encloses as seen.
    name : str
        Goes into the region and into messages.
    tolerance_mm : float
        How far the points may lie off the surface.
    smooth_mm : float
        Length scale of the smooth copy on which the line is followed where the surface is noisy.

    Returns
    -------
    Region

    Raises
    ------
    OutlineError
        Fewer than 3 points; a point off the surface, or two in one line of sight; a leg that leaves the surface or ends
        on another part of it; an outline that crosses itself or bounds nothing; a seed beyond the outline.

    Examples
    --------
    A square seen on a sheet that leans by 45 degrees is a rectangle on it:

    >>> sheet = Surface([[0, 0, 0], [900, 0, 0], [900, 900, 900], [0, 900, 900]], [[0, 1, 2], [0, 2, 3]])
    >>> seen = cut_region_seen(
    ...     sheet, [[100, 100, 100], [500, 100, 100], [500, 500, 500], [100, 500, 500]], direction=(0, 0, 1)
    ... )
    >>> round(seen.area_mm2 / 2**0.5)
    160000
    """
    outlines = _outlines(outline_mm)
    try:
        view = view_from(direction, surface.vertices_mm[surface.faces[0, 0]])
        walk = Surface(work_copy(surface, scale_mm=smooth_mm), surface.faces)
        spots = [_spots(surface, walk, q, view, side, tolerance_mm) for q in outlines]
        lines = [follow(walk, s, view) for s in spots]
        cut = insert_paths(
            surface, lines, closed=True, geodesic=False, tolerance_mm=np.inf, smooth_mm=smooth_mm
        )
        flat = [view.flat(q) for q in lines]
        inside = enclosed(cut, view, flat) if seed_mm is None else around_seed(cut, seed_mm, tolerance_mm)
    except OutlineError as err:
        if not name:
            raise
        raise OutlineError(f"region {name!r}: {err.what}", where=err.where, do=err.do) from err
    return region_of(cut.surface, inside, name=name)


def _outlines(outline_mm: ArrayLike | Sequence[ArrayLike]) -> list[Floats]:
    """Return one or several outlines as a list of (k, 3) arrays without repeated points."""
    faulty = OutlineError("the outline is not a (k, 3) array of points nor a list of such")
    try:
        parts = [np.asarray(q, dtype=np.float64) for q in outline_mm]  # type: ignore[union-attr]
    except (TypeError, ValueError) as err:
        raise faulty from err
    if parts and all(q.shape == (3,) for q in parts):
        parts = [np.array(parts)]
    if not parts or any(q.ndim != 2 or q.shape[1] != 3 for q in parts):
        raise faulty
    return [without_repeats(q) for q in parts]


def without_repeats(points: Floats) -> Floats:
    """Return a closed outline without points that repeat the one before them.

    Parameters
    ----------
    points : (k, d) float array

    Raises
    ------
    OutlineError
        A point is not finite, or fewer than 3 are left.
    """
    bad = ~np.isfinite(points).all(axis=1)
    if bad.any():
        raise OutlineError(f"point {int(np.argmax(bad)) + 1} of the outline is not finite")
    keep = np.linalg.norm(points - np.roll(points, 1, axis=0), axis=1) > ON_MM
    if keep.sum() < 3:
        raise OutlineError(f"the outline has {int(keep.sum())} different points", do="Give at least 3.")
    return points[keep]


@dataclass(frozen=True, eq=False)
class Spots:
    """Points on a surface: their faces (k,) and places (k, 3) in mm."""

    face: Ints
    points_mm: Floats


def _spots(
    surface: Surface, walk: Surface, points: Floats, view: View, side: Side | None, tolerance_mm: float
) -> Spots:
    """Find the outline's points on the copy that lines are followed on."""
    if side is not None:
        return hits(walk, view, view.flat(points), side=side)
    off = surface.locate(points).distance_mm
    worst = int(np.argmax(off))
    if off[worst] > tolerance_mm:
        raise OutlineError(
            f"point {worst + 1} of the outline lies {off[worst]:.1f} mm off the surface, more than {tolerance_mm:g} mm",
            where=at(tuple(points[worst])), do="Move the point, check the unit, or allow a larger tolerance.",
        )
    spot = walk.locate(points)
    return _along_sight(walk, points, view, Spots(spot.face, spot.points_mm), tolerance_mm)


def _along_sight(walk: Surface, points: Floats, view: View, nearest: Spots, tolerance_mm: float) -> Spots:
    """Move points along the line of sight where that is not too far, so that they are seen where they were given."""
    ask, face, weights = _crossed(walk, view, view.flat(points), None)
    hit = (weights[:, :, None] * walk.vertices_mm[walk.faces[face]]).sum(axis=1)
    far = np.abs(view.depth(hit) - view.depth(points)[ask])
    order = np.lexsort((far, ask))
    order = order[far[order] <= tolerance_mm]
    met, first = np.unique(ask[order], return_index=True)
    out_face, out_points = nearest.face.copy(), nearest.points_mm.copy()
    out_face[met], out_points[met] = face[order[first]], hit[order[first]]
    return Spots(out_face, out_points)


def hits(surface: Surface, view: View, flat_mm: Floats, *, side: Side, among: Bools | None = None) -> Spots:
    """Find where lines of sight meet the surface.

    Parameters
    ----------
    surface : Surface
    view : View
    flat_mm : (k, 2) float array, mm
        Places in the picture.
    side : {"near", "far"}
        Whether to take the first or the last of the points on each line.
    among : (m,) bool array, optional
        The faces that count.

    Returns
    -------
    Spots

    Raises
    ------
    OutlineError
        A line of sight that misses the surface.
    """
    ask, face, weights = _crossed(surface, view, flat_mm, among)
    corners = surface.vertices_mm[surface.faces[face]]
    points = (weights[:, :, None] * corners).sum(axis=1)
    depth = view.depth(points) * (1.0 if side == "near" else -1.0)
    order = np.lexsort((-depth, ask))
    met, first = np.unique(ask[order], return_index=True)
    if len(met) < len(flat_mm):
        k = int(np.setdiff1d(np.arange(len(flat_mm)), met)[0])
        raise OutlineError(
            f"point {k + 1} of the outline, ({flat_mm[k, 0]:.1f}, {flat_mm[k, 1]:.1f}) mm as seen, falls beside the surface",
            where=at(tuple(_nearest_seen(surface, view, flat_mm[k], among))),
            do="Move the point; the place is the part of the surface next to it.",
        )
    best = order[first]
    return Spots(face[best], points[best])


def _crossed(
    surface: Surface, view: View, flat_mm: Floats, among: Bools | None
) -> tuple[Ints, Ints, Floats]:
    """All pairs of a line of sight and a face it goes through, with weights (p, 3) on the face's corners."""
    import shapely

    p = view.flat(surface.vertices_mm)[surface.faces]
    low, high = p.min(axis=1), p.max(axis=1)
    near = ((high >= flat_mm.min(axis=0) - 1) & (low <= flat_mm.max(axis=0) + 1)).all(axis=1)
    face = np.flatnonzero(near if among is None else near & among)
    slack = 1e-9 * (1 + float(np.abs(flat_mm).max()))
    boxes = shapely.box(*(low[face] - slack).T, *(high[face] + slack).T)
    ask, hit = shapely.STRtree(boxes).query(shapely.points(flat_mm))
    face = face[hit]
    a, b, c = (p[face, i] for i in range(3))
    q = flat_mm[ask]
    area = _cross(b - a, c - a)
    seen = np.abs(area) > 1e-12 * ((b - a) ** 2 + (c - a) ** 2).sum(axis=1)
    area = np.where(seen, area, 1.0)
    w = np.stack([_cross(b - q, c - q), _cross(c - q, a - q), _cross(a - q, b - q)], axis=1) / area[:, None]
    good = seen & (w.min(axis=1) >= -1e-9)
    return ask[good].astype(np.int64), face[good], w[good]


def _cross(p: Floats, q: Floats) -> Floats:
    return np.asarray(p[:, 0] * q[:, 1] - p[:, 1] * q[:, 0])


def _nearest_seen(surface: Surface, view: View, spot: Floats, among: Bools | None) -> Floats:
    """The vertex that comes nearest to a place in the picture."""
    used = np.unique(surface.faces if among is None else surface.faces[among])
    p = surface.vertices_mm[used]
    return np.asarray(p[int(np.argmin(((view.flat(p) - spot) ** 2).sum(axis=1)))])


# --- following a section ------------------------------------------------------------------------------------------


def follow(walk: Surface, spots: Spots, view: View) -> Floats:
    """Join points of a closed outline by sections along the line of sight.

    Parameters
    ----------
    walk : Surface
    spots : Spots
    view : View

    Returns
    -------
    (k, 3) float array, mm
        The points given and those where the sections cross the mesh's edges.

    Raises
    ------
    OutlineError
        A section that leaves the surface or does not come to the next point.
    """
    section = _Section(walk, view)
    k = len(spots.face)
    legs = []
    for i in range(k):
        j = (i + 1) % k
        legs.append(spots.points_mm[i : i + 1])
        legs.append(section.leg(i, j, spots))
    return np.vstack(legs)


@dataclass(frozen=True, eq=False)
class _Section:
    """Sections of a surface along the lines of sight of a view."""

    walk: Surface
    view: View

    @cached_property
    def _beside(self) -> Ints:
        """(m, 3) the face beyond edge i of each face; -1 at the rim."""
        edges = surface_edges(self.walk)
        pair = edges.faces[edges.of_face]
        own = np.arange(len(pair))[:, None]
        return np.asarray(np.where(pair[:, :, 0] == own, pair[:, :, 1], pair[:, :, 0]))

    @cached_property
    def _longest(self) -> float:
        return 3 * self.walk.mean_edge_mm

    def leg(self, i: int, j: int, spots: Spots) -> Floats:
        """Return the (n, 3) crossings with edges on the way from one point to another."""
        p, q = spots.points_mm[i], spots.points_mm[j]
        along = q - p
        along = along - (along @ self.view.frame[2]) * self.view.frame[2]
        far = float(np.linalg.norm(along))
        goal = self._about(int(spots.face[j]), q)
        if far < SIGHT_MM:
            if self._about(int(spots.face[i]), p) & goal:
                return np.empty((0, 3))
            raise OutlineError(
                f"points {i + 1} and {j + 1} of the outline lie in one line of sight", where=f"{at(tuple(p))} and {at(tuple(q))}",
                do="Move one of them, or look from another direction.",
            )
        along /= far
        plane = np.cross(self.view.frame[2], along)
        start = self._about(int(spots.face[i]), p)
        if start & goal:
            return np.empty((0, 3))
        way = self._walk(start, goal, p, plane, along, far * (1 + PAST) + self._longest)
        if way is None or isinstance(way, np.ndarray):
            return np.empty((0, 3)) if way is None else way
        fault, where = way
        raise OutlineError(
            f"the line from point {i + 1} to point {j + 1} of the outline {fault}", where=at(tuple(where)),
            do="Move the points, or put one more between them.",
        )

    def _walk(
        self, start: set[int], goal: set[int], p: Floats, plane: Floats, along: Floats, most: float
    ) -> Floats | tuple[str, Floats]:
        """Follow the plane's section from face to face; return its crossings, or what went wrong and where."""
        first = [
            (float((x - p) @ along), f, i, x)
            for f in start for i, x in self._exits(f, p, plane) if int(self._beside[f, i]) not in start
        ]
        if not first:
            return "has no beginning on the surface", p
        _, f, i, x = max(first, key=lambda c: c[0])
        way, began = [x], f
        for _ in range(len(self.walk.faces)):
            g = int(self._beside[f, i])
            if g < 0:
                return "leaves the surface", x
            if g in goal:
                return np.array(way)
            back = self._edge_of(g, f)
            leave = [(k, y) for k, y in self._exits(g, p, plane) if k != back]
            if not leave or g == began:
                break
            f, (i, x) = g, leave[0]
            way.append(x)
            if float((x - p) @ along) > most:
                break
        return "ends on another part of the surface", x

    def _edge_of(self, face: int, other: int) -> int:
        return int(np.flatnonzero(self._beside[face] == other)[0])

    def _exits(self, f: int, p: Floats, plane: Floats) -> list[tuple[int, Floats]]:
        """Which edges of a face the plane crosses, and where; none or two."""
        corner = self.walk.vertices_mm[self.walk.faces[f]]
        # Summed in one order for each vertex, so that all faces about it agree on its side.
        d = [float((c[0] - p[0]) * plane[0] + (c[1] - p[1]) * plane[1] + (c[2] - p[2]) * plane[2]) for c in corner]
        out = []
        for i in range(3):
            j = (i + 1) % 3
            if (d[i] >= 0) != (d[j] >= 0):
                t = d[i] / (d[i] - d[j])
                out.append((i, (1 - t) * corner[i] + t * corner[j]))
        return out

    def _about(self, face: int, p: Floats) -> set[int]:
        """The faces that hold a point, given one of them."""
        held, todo = {face}, [face]
        while todo:
            f = todo.pop()
            corner = self.walk.vertices_mm[self.walk.faces[f]]
            for i in range(3):
                g = int(self._beside[f, i])
                if g >= 0 and g not in held and _on_segment(p, corner[i], corner[(i + 1) % 3]):
                    held.add(g)
                    todo.append(g)
        return held


def _on_segment(p: Floats, a: Floats, b: Floats) -> bool:
    d = b - a
    t = float(np.clip((p - a) @ d / max(float(d @ d), 1e-300), 0.0, 1.0))
    return float(np.linalg.norm(p - a - t * d)) <= ON_MM


# --- which side ---------------------------------------------------------------------------------------------------


def enclosed(cut: Inserted, view: View, flat_mm: list[Floats]) -> Bools:
    """Find the part of a cut surface that lies within the outlines as seen; inner ones are openings.

    Parameters
    ----------
    cut : Inserted
        With the outlines as paths.
    view : View
    flat_mm : list of (k, 2) float arrays, mm
        The outlines in the picture.

    Returns
    -------
    (m,) bool array

    Raises
    ------
    OutlineError
        The outlines do not bound one part.
    """
    import shapely

    area = shapely.Polygon()
    for q in flat_mm:
        area = area.symmetric_difference(shapely.make_valid(shapely.Polygon(q)))
    shapely.prepare(area)
    label = label_faces(cut.surface, cut.path_edges)
    parts = [_part_within(cut, i, label, view, area) for i in range(len(cut.paths))]
    if len(set(parts)) > 1:
        k = next(i for i, part in enumerate(parts) if part != parts[0])
        raise OutlineError(
            "the outlines do not bound one part of the surface",
            where=at(tuple(cut.surface.vertices_mm[cut.paths[k][0]])), do="Make it several regions.",
        )
    return np.asarray(label == parts[0])


def _part_within(cut: Inserted, i: int, label: Ints, view: View, area: object) -> int:
    """The part beside a path whose faces there lie within the outlines."""
    import shapely

    n = len(cut.surface.vertices_mm)
    e = cut.surface.faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2)
    a, b = cut.paths[i], np.roll(cut.paths[i], -1)
    on = np.isin(e.min(axis=1) * n + e.max(axis=1), np.minimum(a, b) * n + np.maximum(a, b))
    face = np.flatnonzero(on) // 3
    length = np.linalg.norm(np.diff(cut.surface.vertices_mm[e[on]], axis=1)[:, 0], axis=1)
    middle = view.flat(cut.surface.vertices_mm[cut.surface.faces[face]].mean(axis=1))
    inner = np.where(shapely.contains_xy(area, *middle.T), length, -length)
    score = np.bincount(label[face], inner)
    best = int(np.argmax(score))
    one, other = (np.unique(label[face[inner * s > 0]]) for s in (1.0, -1.0))
    if score[best] <= 0 or (len(one) == 1 and len(other) == 1 and one[0] == other[0]):
        raise OutlineError(
            "the outline does not divide the surface into an inside and an outside",
            where=at(tuple(cut.surface.vertices_mm[cut.paths[i][0]])),
            do="It may go round a tube or a hole: give a seed, or add the other outline that bounds the region.",
        )
    return best


def around_seed(cut: Inserted, seed_mm: ArrayLike, tolerance_mm: float) -> Bools:
    """Find the part of a cut surface that holds a seed.

    Parameters
    ----------
    cut : Inserted
    seed_mm : (3,) float array, mm
    tolerance_mm : float
        How far the seed may lie off the surface.

    Returns
    -------
    (m,) bool array

    Raises
    ------
    OutlineError
        The seed is no point, lies off the surface, or on a part that no outline bounds.
    """
    spot = seed_face(cut.surface, seed_mm, tolerance_mm)
    label = label_faces(cut.surface, cut.path_edges)
    inside = np.asarray(label == label[spot])
    on = np.zeros(len(cut.surface.vertices_mm), dtype=bool)
    on[np.unique(cut.surface.faces[inside])] = True
    if inside.all() or not on[np.concatenate(cut.paths)].any():
        raise OutlineError(
            "the part of the surface with the seed does not end at the outline",
            where=at(tuple(np.asarray(seed_mm, dtype=np.float64))), do="Give a point on the surface, inside the region.",
        )
    return inside


def seed_face(surface: Surface, seed_mm: ArrayLike, tolerance_mm: float) -> int:
    """Return the face nearest to a seed.

    Parameters
    ----------
    surface : Surface
    seed_mm : (3,) float array, mm
    tolerance_mm : float
        How far the seed may lie off the surface.

    Raises
    ------
    OutlineError
        The seed is no point or lies off the surface.
    """
    seed = np.asarray(seed_mm, dtype=np.float64)
    if seed.shape != (3,) or not np.isfinite(seed).all():
        raise OutlineError(f"the seed is not a point: {seed.tolist()}", do="Give x, y and z in mm.")
    spot = surface.locate(seed)
    if spot.distance_mm[0] > tolerance_mm:
        raise OutlineError(
            f"the seed lies {spot.distance_mm[0]:.1f} mm off the surface, more than {tolerance_mm:g} mm",
            where=at(tuple(seed)), do=f"The nearest point of the surface is {at(tuple(spot.points_mm[0]))}.",
        )
    return int(spot.face[0])

"""Cuts made on the patch itself, at the places found on its draft, and what each one brings there."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial import cKDTree

from ..errors import CheckError, OutlineError, SolveError
from ..surface._smooth import work_copy
from ..surface.cut import Inserted, insert_path
from ..surface.mesh import Floats, Ints, Surface
from ._bounds import vertex_curvature
from ._cutting import SAME_PLACE, SAME_PLACE_MM, Opened, Sides, along_rim, cut_along, on_rim
from ._dart_draft import Course, Dart, Darted
from ._dart_search import from_rim, not_inward
from .flatten import Flat, cloth_stretch, flatten, strain_of
from .gusset import Wedge, places_on_edge, slit_wedge, wedge_of
from .template import Strain

#: Between the first and the last cut the patch is settled when another step would gain less than this share.
BETWEEN = 1e-6
#: How often the widths of gussets are put right, and to what share of the gap at the edge.
ROUNDS, MEET = 8, 0.01
#: The sides of the rest stay at least this far apart at the edge, mm: a scissor cut in the outline.
GAP_MM = 0.2
#: A vertex that holds more than this share of the curvature about it is a peak.
PEAK = 0.6
#: It holds at least so many degrees; so many vertices, the most curved, are looked at.
PEAK_DEG, MOST_LIKELY = 2.0, 64
#: The sides of a gusset take a vertex along that is nearer than this share of the edge they cross.
SNAP = 0.05


@dataclass(frozen=True, eq=False)
class _Made:
    """A patch with paths of edges along its cuts; each cut has one path, a gusset two."""

    surface: Surface
    paths: tuple[tuple[Ints, ...], ...]

    def opened(self, most: int | None = None) -> Opened:
        """Open it along the first cuts."""
        paths = [p for group in self.paths[:most] for p in group]
        if not paths:
            return Opened((self.surface,), faces=(np.arange(len(self.surface.faces)),))
        return cut_along(self.surface, parted(paths))


def finished(surface: Surface, courses: Sequence[Course], *, limit: float, scale_mm: float) -> Darted:
    """Make all cuts on the patch itself and lay its pieces flat.

    Parameters
    ----------
    surface : Surface
    courses : sequence of Course
    limit : float
        Strain limit as a fraction.
    scale_mm : float
        Length over which strain is averaged; 0 for that of single triangles.

    Returns
    -------
    Darted

    Raises
    ------
    OutlineError
        If a cut of the user's does not run from the edge into the patch.
    CheckError
        If another one cannot be made.
    SolveError
        If a gusset's rest does not close.
    """
    if not courses:
        whole = flatten(surface)
        before = _strain([surface], [whole], limit, scale_mm)
        return Darted(Opened((surface,)), (whole,), (), before, before)
    made, courses = _fitted(surface, courses)
    strains, opened, flats = _step_by_step(made, limit, scale_mm)
    cuts = tuple(
        Dart(
            c.kind, _line(made, k), strains[k].over_share, strains[k + 1].over_share, _opens_deg(made, k, opened, flats), c.given
        )
        for k, c in enumerate(courses)
    )
    return Darted(opened, flats, cuts, strains[0], strains[-1])


def slit_along(surface: Surface, courses: Sequence[Course]) -> Opened:
    """Slit a patch from its edge inward, without laying it flat.

    Parameters
    ----------
    surface : Surface
    courses : sequence of Course
        Darts.

    Raises
    ------
    OutlineError, CheckError
        As `finished`.
    """
    return _all_made(surface, courses).opened()


def _line(made: _Made, k: int) -> Floats:
    """A cut's line on the surface."""
    first, *rest = made.paths[k]
    return made.surface.vertices_mm[np.concatenate([first, *(p[1:] for p in rest)])]


def _step_by_step(made: _Made, limit: float, scale_mm: float) -> tuple[list[Strain], Opened, tuple[Flat, ...]]:
    """Lay the patch flat without cuts, with the first, and so on: each from the shape before."""
    strains, corners = [], np.full((len(made.surface.faces), 3, 2), np.nan)
    count = len(made.paths)
    for k in range(count + 1):
        opened = made.opened(k)
        flats = []
        for piece, faces in zip(opened.pieces, opened.faces):
            start = np.empty((len(piece.vertices_mm), 2))
            start[piece.faces] = corners[faces]
            given = start if k else None
            flats.append(flatten(piece, start_uv=given) if k == count else flatten(piece, start_uv=given, tolerance=BETWEEN))
        for piece, faces, flat in zip(opened.pieces, opened.faces, flats):
            corners[faces] = flat.uv_mm[piece.faces]
        strains.append(_strain(opened.pieces, flats, limit, scale_mm))
    return strains, opened, tuple(flats)


def _strain(pieces: Sequence[Surface], flats: Sequence[Flat], limit: float, scale_mm: float) -> Strain:
    areas = np.concatenate([p.face_areas_mm2 for p in pieces])
    raw = np.concatenate([f.stretch for f in flats])
    if scale_mm <= 0:
        return strain_of(raw, areas, limit)
    stretch = np.concatenate([cloth_stretch(p, f, length_mm=scale_mm) for p, f in zip(pieces, flats)])
    return strain_of(stretch, areas, limit, raw=raw, scale_mm=scale_mm)


def _opens_deg(made: _Made, k: int, opened: Opened, flats: tuple[Flat, ...]) -> float:
    """By how much a dart's sides turn apart in the flat, or the angle of a gusset's wedge at its tip."""
    sides = [_sides_of(made, opened, path) for path in made.paths[k]]
    if len(sides) == 2:
        return float(np.degrees(_wedge(flats, *sides).wedge_rad))
    (side,) = sides
    if side.left != side.right or side.left_vertices[-1] != side.right_vertices[-1]:
        return 0.0
    one, two = (flats[side.left].uv_mm[q] for q in (side.left_vertices, side.right_vertices))
    a, b = one[0] - one[-1], two[0] - two[-1]
    return float(abs(np.degrees(np.arctan2(a[0] * b[1] - a[1] * b[0], a @ b))))


def _sides_of(made: _Made, opened: Opened, path: Ints) -> Sides:
    """The sides of a path; of the part next to its tip where others end on it."""
    ends = made.surface.vertices_mm[path[[0, -1]]]
    whole = [s for s, line in zip(opened.sides, opened.seams) if (line[[0, -1]] == ends).all()]
    return whole[0] if whole else next(s for s, line in zip(opened.sides, opened.seams) if (line[-1] == ends[-1]).all())


def _wedge(flats: tuple[Flat, ...], one: Sides, two: Sides) -> Wedge:
    return wedge_of(
        flats[one.right].uv_mm, (one.right_vertices, two.right_vertices),
        flats[one.left].uv_mm, (one.left_vertices, two.left_vertices),
    )


def peaks(surface: Surface, *, reach_mm: float) -> Floats:
    """Find the points that hold most of the curvature about them, such as a cone's apex.

    Parameters
    ----------
    surface : Surface
    reach_mm : float
        How far about.

    Returns
    -------
    (k, 3) float array, mm
        The most curved first.
    """
    curved = np.abs(vertex_curvature(surface))
    curved[np.concatenate(surface.boundary_loops)] = 0.0
    likely = np.flatnonzero(curved > np.radians(PEAK_DEG))
    likely = likely[np.argsort(-curved[likely])][:MOST_LIKELY]
    near = cKDTree(surface.vertices_mm).query_ball_point(surface.vertices_mm[likely], reach_mm)
    top = [k for k, q in zip(likely, near) if curved[k] > PEAK * curved[q].sum()]
    return surface.vertices_mm[top].reshape(-1, 3)


def at_peaks(courses: Sequence[Course], places_mm: Floats, *, reach_mm: float) -> tuple[Course, ...]:
    """Put the tips of cuts on a point of curvature near them, which the draft may have missed by a triangle."""
    out = []
    for course in courses:
        off = np.linalg.norm(places_mm - course.points_mm[-1], axis=1)
        if len(off) and off.min() < reach_mm and course.kind != "split" and not course.given:
            course = replace(course, points_mm=np.vstack([course.points_mm[:-1], places_mm[[int(np.argmin(off))]]]))
        out.append(course)
    return tuple(out)


# -- gussets: as wide as lets the rest close -----------------------------------------------------------------------------
def _fitted(surface: Surface, courses: Sequence[Course]) -> tuple[_Made, Sequence[Course]]:
    """Make all cuts, the gussets so wide that the sides of what is left meet without lying over each other."""
    made = _all_made(surface, courses)
    which = [k for k, c in enumerate(courses) if c.kind == "gusset"]
    if not which:
        return made, courses
    best: tuple[float, _Made, list[Course]] | None = None
    now = list(courses)
    for _ in range(ROUNDS):
        opened = made.opened()
        flats = tuple(flatten(p) for p in opened.pieces)
        wedges = [_wedge(flats, *(_sides_of(made, opened, p) for p in made.paths[k])) for k in which]
        gaps = np.array([w.opens_rad * w.far_mm for w in wedges])
        lap = sum(f.overlap_mm2 for f in flats)
        if lap == 0 and (best is None or gaps.max() < best[0]):
            best = float(gaps.max()), made, list(now)
        wide = np.array([now[k].wide_mm for k in which])
        if best is not None and gaps.max() <= max(2 * GAP_MM, MEET * wide.max()):
            break
        # Sides that meet at the edge and lie over each other on their way are set apart by about how much they do.
        apart = GAP_MM if lap == 0 or gaps.min() < 0 else GAP_MM + 2 * lap / sum(w.far_mm for w in wedges)
        step = np.where(gaps > GAP_MM, 0.0, gaps) - apart if lap else gaps - GAP_MM
        for k, new in zip(which, wide - step):
            now[k] = replace(now[k], wide_mm=float(new))
        made = _all_made(surface, now)
    if best is None:
        x, y, z = courses[which[0]].points_mm[-1]
        raise SolveError(
            f"what a gusset leaves still lies over itself after {ROUNDS} widths", where=f"({x:.1f}, {y:.1f}, {z:.1f}) mm",
            do="Leave gussets out of the kinds of cuts, or place the cut yourself.",
        )
    return best[1], best[2]


# -- paths of edges ------------------------------------------------------------------------------------------------------
def _all_made(surface: Surface, courses: Sequence[Course]) -> _Made:
    """Make every cut a path of edges, one after the other."""
    made = _Made(surface, ())
    for course in courses:
        made = _with_gusset(made, surface, course) if course.kind == "gusset" else _with_cut(made, course)
    return made


def _with_gusset(made: _Made, patch: Surface, course: Course) -> _Made:
    """Make the two sides of a gusset at once, from the edge to the tip and from there to the edge.

    Near the tip they are closer than triangles are wide, where clearing away slivers would move one for the other; so
    triangles are divided as they come.
    """
    opened = made.opened()
    places, tip = places_on_edge(patch, course.points_mm[0], course.wide_mm), course.points_mm[-1]
    k = _piece_at(opened, (places.mean(axis=0) + tip) / 2)
    piece = opened.pieces[k]
    walk = Surface(work_copy(piece), piece.faces)
    inside = np.setdiff1d(np.arange(len(piece.vertices_mm)), np.concatenate(piece.boundary_loops))
    at = int(inside[cKDTree(piece.vertices_mm[inside]).query(tip)[1]])
    cut = slit_wedge(walk, places, at, snap=SNAP)
    if cut is None:
        x, y, z = tip
        raise CheckError(
            "the sides of a gusset meet the edge or another cut on their way", where=f"({x:.1f}, {y:.1f}, {z:.1f}) mm",
            do="Leave gussets out of the kinds of cuts, or place the cut yourself.",
        )
    done, n = cut[0], len(piece.vertices_mm)
    parent = np.r_[np.arange(n), np.full(len(done.surface.vertices_mm) - n, -1)]
    return _put_back(made, opened, k, Surface(done.carry(piece.vertices_mm), done.surface.faces), parent, done.paths)


def _piece_at(opened: Opened, place_mm: Floats) -> int:
    return int(np.argmin([float(p.locate(place_mm).distance_mm[0]) for p in opened.pieces]))


def _with_cut(made: _Made, course: Course) -> _Made:
    """Make a dart or a line across within the piece that the earlier cuts leave it."""
    opened = made.opened()
    k = _piece_at(opened, course.line_mm[len(course.line_mm) // 2])
    piece = opened.pieces[k]
    new = _path_in(piece, _settled(piece, course), course)
    if not np.isin(np.concatenate(piece.boundary_loops), new.parent_vertex).all():
        raise CheckError("a cut moved the edge of its piece", do="Please report this with the mesh.")
    return _put_back(made, opened, k, new.surface, new.parent_vertex, new.paths)


def _settled(piece: Surface, course: Course) -> Floats:
    """The points of a cut with its ends where they have to be: a line across on vertices of the edge, which may be cuts."""
    v, points = piece.vertices_mm, course.points_mm.copy()
    rim = np.concatenate(piece.boundary_loops)
    inside = np.setdiff1d(np.arange(len(v)), rim)
    start = v[rim[cKDTree(v[rim]).query(points[0])[1]]]
    near = max(SAME_PLACE_MM, SAME_PLACE * piece.mean_edge_mm)
    if course.kind == "split" or np.linalg.norm(start - points[0]) < near:
        points[0] = start
    else:
        points[0] = _on_edge(piece, points[0])
    # Curvature sits in vertices: a tip between them would have nothing to let the cut open.
    ends = rim if course.kind == "split" else inside
    points[-1] = v[ends[cKDTree(v[ends]).query(points[-1])[1]]]
    return points


def _on_edge(piece: Surface, place_mm: Floats) -> Floats:
    """The nearest place on a piece's outer edge."""
    rim = piece.vertices_mm[piece.boundary_loops[0]]
    run, total = along_rim(rim)
    closed, run = np.vstack([rim, rim[:1]]), np.r_[run, total]
    at = on_rim(rim, place_mm)
    return np.array([np.interp(at, run, closed[:, k]) for k in range(3)])


def _path_in(piece: Surface, points_mm: Floats, course: Course) -> Inserted:
    """Insert a cut into its piece by geodesics; where those touch the edge, as it was tried out."""
    ways = [points_mm]
    if not course.given and course.kind != "gusset":
        ways.append(np.vstack([points_mm[:1], course.line_mm[1:-1], points_mm[-1:]]))
    for way in ways:
        try:
            made = insert_path(piece, way, closed=False)
        except OutlineError:
            continue
        if from_rim(made.surface, made.path):
            return made
    if course.given:
        raise not_inward(points_mm[0])
    x, y, z = points_mm[0]
    raise CheckError(
        "a cut runs along the edge of its piece", where=f"({x:.1f}, {y:.1f}, {z:.1f}) mm",
        do="Ask for fewer cuts, or place them yourself.",
    )


def _put_back(
    made: _Made, opened: Opened, k: int, piece: Surface, parent_vertex: Ints, paths: tuple[Ints, ...]
) -> _Made:
    """Put a piece with new paths back among the others, whose edges it has left as they were."""
    old, home = opened.pieces[k], opened.faces[k]
    whole = np.empty(len(old.vertices_mm), dtype=np.int64)
    whole[old.faces] = made.surface.faces[home]
    new = parent_vertex < 0
    to = np.empty(len(new), dtype=np.int64)
    to[~new] = whole[parent_vertex[~new]]
    to[new] = len(made.surface.vertices_mm) + np.arange(int(new.sum()))
    v = np.vstack([made.surface.vertices_mm, piece.vertices_mm[new]])
    v[to[~new]] = piece.vertices_mm[~new]
    rest = np.ones(len(made.surface.faces), dtype=bool)
    rest[home] = False
    faces = np.vstack([made.surface.faces[rest], to[piece.faces]])
    used, inverse = np.unique(faces, return_inverse=True)
    at = np.full(len(v), -1, dtype=np.int64)
    at[used] = np.arange(len(used))
    groups = (*(tuple(at[p] for p in group) for group in made.paths), tuple(at[to[p]] for p in paths))
    return _Made(Surface(v[used], inverse.reshape(-1, 3)), groups)


def parted(paths: Sequence[Ints]) -> list[Ints]:
    """Part every path where another one ends on it, so that each part has one piece on either side."""
    ends = np.concatenate([p[[0, -1]] for p in paths])
    parts = []
    for path in paths:
        at = [0, *(np.flatnonzero(np.isin(path[1:-1], ends)) + 1).tolist(), len(path) - 1]
        parts += [path[a : b + 1] for a, b in zip(at[:-1], at[1:])]
    return parts

"""Open a patch that is not a disc along seams, so that its pieces can lie flat."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import ArrayLike
from scipy.spatial import cKDTree

from ..errors import CheckError, OutlineError, ShapeError
from ..surface._smooth import work_copy
from ..surface.cut import insert_path, label_faces, mesh_edges, path_edges
from ..surface.mesh import Floats, Ints, Surface
from ._cutting import Opened, Sides, along_rim, corner_angles, cut_along, edge_path, on_rim, split_rim
from ._seams import Ends, Fits, Outward, Start, choose_seams, rim_through, seam_ladder

__all__ = [
    "Fits",
    "Opened",
    "Sides",
    "Start",
    "at_arc",
    "cut_along",
    "enclosed_deg",
    "equal_starts",
    "holes_to_open",
    "open_at",
    "open_patch",
    "round_mm",
    "ways_to_open",
]


def enclosed_deg(surface: Surface, loop: Ints) -> float:
    """Return the curvature that whatever would fill an opening must have, in degrees.

    It is 0 for an opening in a flat or rolled sheet and 360 for the top of a post's wall.

    Parameters
    ----------
    surface : Surface
    loop : (k,) int array
        One of ``surface.boundary_loops``.

    References
    ----------
    Gauss-Bonnet: the curvature of a disc and the turning of its rim add up to 2 pi (any text on surfaces, e.g.
    M. do Carmo, "Differential Geometry of Curves and Surfaces", section 4-5).
    """
    inner = corner_angles(surface)
    turning = float((np.pi - inner[loop]).sum())
    return float(np.degrees(2 * np.pi + turning))


def holes_to_open(surface: Surface, *, harmless_deg: float = 15.0) -> tuple[Ints, ...]:
    """Return the inner boundary loops that keep a patch from lying flat.

    Parameters
    ----------
    surface : Surface
    harmless_deg : float
        An opening that encloses less curvature than this may stay a hole in the flat piece.

    Returns
    -------
    tuple of (k,) int arrays

    Raises
    ------
    ShapeError
        If the patch is in several parts, closed, or has a handle.
    """
    _check_topology(surface)
    return tuple(q for q in surface.boundary_loops[1:] if abs(enclosed_deg(surface, q)) >= harmless_deg)


def _check_topology(surface: Surface) -> None:
    f = surface.faces
    edges = mesh_edges(f, len(surface.vertices_mm))
    parts = len(np.unique(label_faces(surface, np.zeros((0, 2), dtype=np.int64))))
    if parts > 1:
        raise ShapeError(f"the patch is in {parts} separate parts", do="Make each a region of its own.")
    loops = len(surface.boundary_loops)
    if loops == 0:
        raise ShapeError("the patch is closed and has no edge", do="Draw an outline round a part of it.")
    handles = (2 - loops - (len(np.unique(f)) - len(edges.ends) + len(f))) // 2
    if handles > 0:
        p = surface.vertices_mm[surface.boundary_loops[0][0]]
        raise ShapeError(
            f"the patch has {handles} handle{'s' * (handles > 1)} (it runs round through itself)",
            where=f"patch with an edge at ({p[0]:.1f}, {p[1]:.1f}, {p[2]:.1f}) mm",
            do="Split it into two regions so that neither runs all round.",
        )


def open_patch(
    surface: Surface,
    *,
    seams_mm: ArrayLike = (),
    most: int = 4,
    limit: float = 0.03,
    over_share: float = 0.05,
    lap_mm: float = 0.0,
    harmless_deg: float = 15.0,
    pieces: int = 0,
    turn: float = 0.0,
    forward: ArrayLike = (1.0, 0.0, 0.0),
    shift_mm: float = 0.0,
    fits: Fits | None = None,
) -> Opened:
    """Cut a patch that is not a disc along short straight seams until it can lie flat.

    Openings that enclose hardly any curvature stay. Every other one gets a seam to the outer edge, and more seams
    where the cloth would have to give most, until the strain is within its limit or there are `most` pieces. A
    disc is returned as it is.

    Parameters
    ----------
    surface : Surface
    seams_mm : (k, 3) array, optional
        Points where the seams are wanted; an opening that has any gets these and no others (save for what the
        laps need).
    most : int
        The largest number of pieces.
    limit : float
        Strain limit as a fraction.
    over_share : float
        Share of the area that may be above it.
    lap_mm : float
        Width of the laps to come: more seams are made where a lap would lie on its own piece.
    harmless_deg : float
        See `holes_to_open`.
    pieces : int
        Open every ring at so many places, at equal steps along its inner rim; see `equal_starts`. 0 leaves number
        and places to the strain.
    turn : float
        With `pieces`: how far the places lie beyond the first ones, as a share of a step.
    forward : (3,) array
        With `pieces`: where the first of them is.
    shift_mm : float
        How far along the rim, in the sense of the boundary loop, seams lie from the points in `seams_mm`.
    fits : callable, optional
        Whether a piece, with its flat shape, fits the roll: more seams are made for pieces that do not.

    Returns
    -------
    Opened

    Raises
    ------
    ShapeError
        If the patch is in parts, closed or has a handle, seams are wanted where there is nothing to open, or equal
        pieces would be narrower than two laps.
    """
    holes = holes_to_open(surface, harmless_deg=harmless_deg)
    wanted = np.asarray(seams_mm, dtype=np.float64).reshape(-1, 3)
    if not holes:
        if len(wanted):
            raise ShapeError(f"{len(wanted)} seam points for a patch with no ring to open",
                             do="Leave the seams out of this region.")
        return Opened((surface,))
    if pieces > 0:
        starts = equal_starts(surface, holes, pieces, turn=turn, forward=forward, lap_mm=lap_mm)
    else:
        starts = choose_seams(
            surface, holes, wanted=wanted, most=most, limit=limit, over_share=over_share, lap_mm=lap_mm,
            shift_mm=shift_mm, fits=fits,
        )
    return open_at(surface, holes, starts, lap_mm=lap_mm)


def ways_to_open(
    surface: Surface,
    *,
    most: int = 4,
    limit: float = 0.03,
    lap_mm: float = 0.0,
    harmless_deg: float = 15.0,
    fits: Fits | None = None,
) -> Iterator[Opened]:
    """Yield a patch opened into ever more pieces, each time where the cloth would have to give most.

    Parameters
    ----------
    surface : Surface
    most, limit, lap_mm, harmless_deg, fits
        As for `open_patch`.

    Yields
    ------
    Opened
        The fewest pieces first; a disc as it is. Ways whose pieces or laps would lie over themselves are left out.

    Raises
    ------
    ShapeError
        If the patch is in parts, closed or has a handle.
    """
    holes = holes_to_open(surface, harmless_deg=harmless_deg)
    if not holes:
        yield Opened((surface,))
        return
    for starts in seam_ladder(surface, holes, most=most, limit=limit, lap_mm=lap_mm, fits=fits):
        yield open_at(surface, holes, starts, lap_mm=lap_mm)


def open_at(surface: Surface, holes: Sequence[Ints], starts: Sequence[Start], *, lap_mm: float = 0.0) -> Opened:
    """Cut a patch along the shortest ways from stated places on the rims of its openings to the outer edge.

    Parameters
    ----------
    surface : Surface
    holes : sequence of (k,) int arrays
        The boundary loops that are to be opened; see `holes_to_open`.
    starts : sequence of Start
    lap_mm : float
        Width of the laps to come: seams end twice as far apart.

    Returns
    -------
    Opened

    Raises
    ------
    CheckError
        If other openings are left than those that may stay.
    """
    ready, ends = _with_ends(surface, holes, starts, 2 * lap_mm + surface.mean_edge_mm)
    cut, paths = _insert_all(ready, ends)
    opened = cut_along(cut, [p[::-1] if s.turned else p for p, s in zip(paths, starts)])
    left = sum(len(p.boundary_loops) - 1 for p in opened.pieces)
    harmless = len(surface.boundary_loops) - 1 - len(holes)
    if left != harmless:
        raise CheckError(f"after cutting {len(ends)} seams {left} openings are left where {harmless} may stay",
                         do="Please report this with the mesh.")
    return opened


# -- equal pieces --------------------------------------------------------------------------------------------------
def round_mm(surface: Surface, holes: Sequence[Ints]) -> float:
    """Return the length of the shortest of some boundary loops, mm; on the smooth copy where the surface is noisy."""
    walk = work_copy(surface)
    return min(along_rim(walk[q])[1] for q in holes)


def equal_starts(
    surface: Surface,
    holes: Sequence[Ints],
    pieces: int,
    *,
    turn: float = 0.0,
    forward: ArrayLike = (1.0, 0.0, 0.0),
    lap_mm: float = 0.0,
) -> list[Start]:
    """Return places that share the rim of each opening out in equal lengths.

    The first lies where the rim passes its middle on the forward side, whatever the mesh; a ply that grows keeps it.

    Parameters
    ----------
    surface : Surface
    holes : sequence of (k,) int arrays
        Boundary loops.
    pieces : int
        Places round each.
    turn : float
        How far all places are moved on along the rim, as a share of a step.
    forward : (3,) array
        Direction of the first place from the middle of the rim.
    lap_mm : float

    Raises
    ------
    ShapeError
        If the steps are shorter than two laps.
    """
    walk = work_copy(surface)
    starts = []
    for k, q in enumerate(holes):
        rim = walk[q]
        total = along_rim(rim)[1]
        if total < 2 * lap_mm * pieces:
            p = rim[0]
            raise ShapeError(
                f"{pieces} pieces round an edge of {total:.0f} mm leave {total / pieces:.0f} mm for each, less than "
                f"two laps of {lap_mm:.0f} mm",
                where=f"opening at ({p[0]:.0f}, {p[1]:.0f}, {p[2]:.0f}) mm",
                do="Cut fewer pieces, or make the laps narrower.",
            )
        at = _first_place(rim, np.asarray(forward, dtype=np.float64)) + (np.arange(pieces) + turn) * total / pieces
        starts += [Start(k, p) for p in at_arc(rim, at)]
    return starts


def _first_place(rim: Floats, forward: Floats) -> float:
    """Return the arc length where a closed line crosses the plane through its middle on the forward side."""
    ahead = np.roll(rim, -1, axis=0)
    step = np.linalg.norm(ahead - rim, axis=1)
    middle = step @ (0.5 * (ahead + rim)) / step.sum()
    normal = np.cross(rim - middle, ahead - middle).sum(axis=0)
    normal /= np.linalg.norm(normal)
    # A rim that is square to the direction is begun along the axis it is least square to.
    ways = [forward / np.linalg.norm(forward), *np.eye(3)]
    way = next(w for w in ways if np.linalg.norm(np.cross(normal, w)) > 0.1)
    side, side_ahead = (rim - middle) @ np.cross(normal, way), (ahead - middle) @ np.cross(normal, way)
    crossing = np.flatnonzero((side < 0) != (side_ahead < 0))
    t = side[crossing] / (side[crossing] - side_ahead[crossing])
    far = ((1 - t)[:, None] * rim[crossing] + t[:, None] * ahead[crossing] - middle) @ way
    i = int(np.argmax(far))
    return float(along_rim(rim)[0][crossing[i]] + t[i] * step[crossing[i]])


def at_arc(rim: Floats, at_mm: Floats) -> Floats:
    """Return the points of a closed line at some arc lengths, (k, 3)."""
    at, total = along_rim(rim)
    closed = np.concatenate([rim, rim[:1]])
    return np.stack([np.interp(at_mm % total, np.r_[at, total], closed[:, i]) for i in range(3)], axis=1)


# -- seams into the mesh -------------------------------------------------------------------------------------------
def _with_ends(
    surface: Surface, holes: Sequence[Ints], starts: Sequence[Start], clear_mm: float
) -> tuple[Surface, list[Ends]]:
    """Put vertices on the rims where seams start, and where the shortest ways out from there end."""
    found = np.zeros(len(starts), dtype=np.int64)
    first = [int(surface.boundary_loops[0][0]), *(int(q[0]) for q in holes)]
    for k, vertex in enumerate(first[1:]):
        mine = [i for i, start in enumerate(starts) if start.hole == k]
        surface, found[mine] = _put_on(surface, vertex, [starts[i].point_mm for i in mine])
    rims = [rim_through(surface, vertex) for vertex in first]
    out = Outward(Surface(work_copy(surface), surface.faces), rims, clear_mm)
    goals = [out.goal(start.hole, int(v)) for start, v in zip(starts, found)]
    ends = np.zeros(len(starts), dtype=np.int64)
    for j, vertex in enumerate(first):
        mine = [i for i, (rim, _) in enumerate(goals) if rim == j]
        surface, ends[mine] = _put_on(surface, vertex, [goals[i][1] for i in mine])
    return surface, [Ends(int(a), int(b)) for a, b in zip(found, ends)]


def _put_on(surface: Surface, vertex: int, points_mm: Sequence[Floats]) -> tuple[Surface, Ints]:
    """Put vertices on the boundary loop through a vertex, where it is nearest to points."""
    rim = rim_through(surface, vertex)
    walk = work_copy(surface)[rim]
    return split_rim(surface, rim, np.array([on_rim(walk, p) for p in points_mm]))


def _insert_all(surface: Surface, ends: list[Ends]) -> tuple[Surface, list[Ints]]:
    """Make every seam a path of edges."""
    paths: list[Ints] = []
    where = [surface.vertices_mm[[e.start, e.goal]] for e in ends]
    for pair in where:
        start, goal = (_nearest(surface, p) for p in pair)
        try:
            surface, paths = _with_path(surface, paths, start, goal)
        except (OutlineError, CheckError):
            paths = [*paths, edge_path(surface, start, np.array([goal]), keep_off=paths)]
    return surface, paths


def _nearest(surface: Surface, point_mm: Floats) -> int:
    rim = np.concatenate(surface.boundary_loops)
    return int(rim[cKDTree(surface.vertices_mm[rim]).query(point_mm)[1]])


def _with_path(surface: Surface, paths: list[Ints], a: int, b: int) -> tuple[Surface, list[Ints]]:
    """Insert the geodesic between two boundary vertices; refuse one that touches a boundary or another seam."""
    made = insert_path(surface, surface.vertices_mm[[a, b]], closed=False)
    new = np.full(len(surface.vertices_mm), -1, dtype=np.int64)
    kept = made.parent_vertex >= 0
    new[made.parent_vertex[kept]] = np.flatnonzero(kept)
    moved = [new[p] for p in paths]
    if _sound(made.surface, [*moved, made.path]):
        return made.surface, [*moved, made.path]
    raise CheckError("the geodesic runs along a boundary or another seam")


def _sound(surface: Surface, paths: list[Ints]) -> bool:
    """Whether the paths run along edges from rim to rim without touching the rim or each other between."""
    n = len(surface.vertices_mm)
    ends = mesh_edges(surface.faces, n).ends
    rim = np.concatenate(surface.boundary_loops)
    seen = np.zeros(0, dtype=np.int64)
    for p in paths:
        if len(p) < 2 or (p < 0).any() or len(np.unique(p)) < len(p) or np.isin(p, seen).any():
            return False
        if np.isin(p[1:-1], rim).any() or not np.isin(p[[0, -1]], rim).all():
            return False
        e = np.sort(path_edges(p, closed=False), axis=1)
        if not np.isin(e[:, 0] * n + e[:, 1], ends[:, 0] * n + ends[:, 1]).all():
            return False
        seen = np.r_[seen, p]
    return True

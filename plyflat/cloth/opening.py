"""Open a patch that is not a disc along seams, so that its pieces can lie flat."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike
from scipy.spatial import cKDTree

from ..errors import CheckError, OutlineError, ShapeError
from ..surface.cut import insert_path, label_faces, mesh_edges, path_edges
from ..surface.mesh import Floats, Ints, Surface
from ._cutting import Opened, Sides, corner_angles, cut_along, edge_path
from ._seams import Ends, choose_seams

__all__ = ["Opened", "Sides", "cut_along", "enclosed_deg", "holes_to_open", "open_patch"]


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
    avoid_mm: Sequence[Floats] = (),
    stagger_mm: float = 0.0,
    harmless_deg: float = 15.0,
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
    avoid_mm : sequence of (k, 3) float arrays
        Seams of the neighbouring ply.
    stagger_mm : float
        Least distance from those along the surface; where the ring is too short for it, as far as it goes.
    harmless_deg : float
        See `holes_to_open`.

    Returns
    -------
    Opened

    Raises
    ------
    ShapeError
        If the patch is in parts, closed or has a handle, or seams are wanted where there is nothing to open.
    """
    holes = holes_to_open(surface, harmless_deg=harmless_deg)
    wanted = np.asarray(seams_mm, dtype=np.float64).reshape(-1, 3)
    if not holes:
        if len(wanted):
            raise ShapeError(f"{len(wanted)} seam points for a patch with no ring to open",
                             do="Leave the seams out of this region.")
        return Opened((surface,))
    ends = choose_seams(
        surface, holes, wanted=wanted, most=most, limit=limit, over_share=over_share, lap_mm=lap_mm,
        avoid_mm=avoid_mm, stagger_mm=stagger_mm,
    )
    opened = cut_along(*_insert_all(surface, ends))
    left = sum(len(p.boundary_loops) - 1 for p in opened.pieces)
    harmless = len(surface.boundary_loops) - 1 - len(holes)
    if left != harmless:
        raise CheckError(f"after cutting {len(ends)} seams {left} openings are left where {harmless} may stay",
                         do="Please report this with the mesh.")
    return opened


# -- seams into the mesh -------------------------------------------------------------------------------------------
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

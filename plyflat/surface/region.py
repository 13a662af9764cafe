"""A shaped part of a surface, cut exactly along its outline."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from ..errors import OutlineError
from ._trace import at
from .cut import Inserted, insert_paths, label_faces, mesh_edges
from .mesh import Bools, Floats, Ints, Surface, closed_length


@dataclass(frozen=True, eq=False)
class Region:
    """A patch of a surface with the surface it was cut from.

    Attributes
    ----------
    surface : Surface
        The patch; its boundary runs along the outline, on vertices of its own.
    loops : tuple of (k,) int arrays
        The patch's boundary loops (indices into ``surface``), longest first, the patch on the left.
    parent : Surface
        The whole surface, cut along the same outline.
    inside : (m,) bool array
        The parent's faces that make the patch.
    vertex_of : (n,) int array
        The parent's vertex for each vertex of the patch.
    name : str
    short_mm : float
        How much of the growth asked for is missing because the surface ends, at the worst place.
    short_at_mm : tuple of float or None
        That place, mm.
    """

    surface: Surface
    loops: tuple[Ints, ...]
    parent: Surface
    inside: Bools
    vertex_of: Ints
    name: str = ""
    short_mm: float = 0.0
    short_at_mm: tuple[float, float, float] | None = None

    @property
    def area_mm2(self) -> float:
        """Area of the patch, mm²."""
        return self.surface.area_mm2

    @property
    def perimeter_mm(self) -> float:
        """Length of all boundary loops together, mm."""
        return sum(closed_length(self.surface.vertices_mm[q]) for q in self.loops)

    @property
    def is_disc(self) -> bool:
        """Whether the patch is in one piece with one boundary and no handle."""
        s = self.surface
        edges = len(mesh_edges(s.faces, len(s.vertices_mm)).ends)
        return len(self.loops) == 1 and len(s.vertices_mm) - edges + len(s.faces) == 1


def region_of(
    parent: Surface, inside: Bools, *, name: str = "", short_mm: float = 0.0,
    short_at_mm: tuple[float, float, float] | None = None,
) -> Region:
    """Return the region made of some faces of a surface.

    Parameters
    ----------
    parent : Surface
    inside : (m,) bool array
        Faces that hang together.
    name : str
    short_mm, short_at_mm
        As in `Region`.
    """
    patch, vertex_of = parent.sub(inside)
    return Region(patch, patch.boundary_loops, parent, inside, vertex_of, name, short_mm, short_at_mm)


def cut_region(
    surface: Surface,
    outline_mm: ArrayLike | Sequence[ArrayLike],
    *,
    seed_mm: ArrayLike | None = None,
    name: str = "",
    tolerance_mm: float = 10.0,
    smooth_mm: float = 6.0,
) -> Region:
    """Cut a region out of a surface exactly along its outline.

    Parameters
    ----------
    surface : Surface
    outline_mm : (k, 3) float array or a sequence of them, mm
        Points on or near the surface, in order round the region; those far apart are joined by geodesics.
        Several closed outlines bound a region with openings.
    seed_mm : (3,) float array, mm, optional
        A point of the region. Without it the region is the smaller of the two sides of a single outline, or
        what lies between several.
    name : str
        Goes into the region and into messages.
    tolerance_mm : float
        How far the points may lie off the surface.
    smooth_mm : float
        Length scale of the smooth copy on which outlines are laid out where the surface is noisy.

    Returns
    -------
    Region

    Raises
    ------
    OutlineError
        Fewer than 3 points; a point off the surface; an outline that crosses itself or another one, lies on two
        pieces, does not divide the surface, or is of absurd size; a seed off the surface or beyond the outline.

    Examples
    --------
    A square metre of flat sheet, cut down to a triangle of 0.125 m²:

    >>> sheet = Surface([[0, 0, 0], [1000, 0, 0], [1000, 1000, 0], [0, 1000, 0]], [[0, 1, 2], [0, 2, 3]])
    >>> region = cut_region(sheet, [[100, 100, 0], [600, 100, 0], [100, 600, 0]])
    >>> round(region.area_mm2)
    125000
    """
    outlines = _outlines(outline_mm)
    try:
        _check_size(surface, outlines)
        _check_pieces(surface, outlines)
        cut = insert_paths(surface, outlines, closed=True, tolerance_mm=tolerance_mm, smooth_mm=smooth_mm)
        inside = _inside(cut, seed_mm, tolerance_mm=tolerance_mm)
    except OutlineError as err:
        if not name:
            raise
        raise OutlineError(f"region {name!r}: {err.what}", where=err.where, do=err.do) from err
    return region_of(cut.surface, inside, name=name)


def _outlines(outline_mm: ArrayLike | Sequence[ArrayLike]) -> list[Floats]:
    """Return one or several outlines as a list of arrays."""
    try:
        whole = np.asarray(outline_mm, dtype=np.float64)
    except ValueError:
        whole = np.empty((0,))
    if whole.ndim == 2:
        return [whole]
    parts = [np.asarray(q, dtype=np.float64) for q in outline_mm]  # type: ignore[union-attr]
    if not parts or any(q.ndim != 2 or q.shape[1] != 3 for q in parts):
        raise OutlineError("the outline is not a (k, 3) array of points nor a list of such")
    return parts


def _check_size(surface: Surface, outlines: list[Floats]) -> None:
    """Refuse an outline that cannot be meant for this mesh, most likely for its unit."""
    pts = np.vstack(outlines)
    mesh = float(np.linalg.norm(surface.size_mm))
    size = float(np.linalg.norm(np.ptp(pts, axis=0)))
    if np.isfinite(size) and not 1e-4 * mesh < size < 2 * mesh:
        raise OutlineError(
            f"the outline is {size:.6g} mm across but the mesh is {mesh:.6g} mm across",
            do="Check the units of the outline and of the mesh.",
        )


def _check_pieces(surface: Surface, outlines: list[Floats]) -> None:
    """Refuse an outline whose points lie on separate pieces of the surface."""
    label = label_faces(surface, np.empty((0, 2)))
    if label.max() == 0:
        return
    pts = np.vstack(outlines)
    if not np.isfinite(pts).all():
        return
    on = label[surface.locate(pts).face]
    other = np.flatnonzero(on != on[0])
    if len(other):
        k = int(other[0])
        raise OutlineError(
            f"points 0 and {k} of the outline lie on separate pieces of the surface",
            where=f"{at(tuple(pts[0]))} and {at(tuple(pts[k]))}",
            do="Keep the outline on one piece, or join the pieces in the mesh.",
        )


def _inside(cut: Inserted, seed_mm: ArrayLike | None, *, tolerance_mm: float) -> Bools:
    """Which faces of a cut surface make the region."""
    label = label_faces(cut.surface, cut.path_edges)
    sides = [_sides(cut, i, label) for i in range(len(cut.paths))]
    for i, (left, right) in enumerate(sides):
        if left & right:
            p = cut.surface.vertices_mm[cut.paths[i][0]]
            raise OutlineError(
                "the outline does not divide the surface into an inside and an outside", where=at(tuple(p)),
                do="It may go round a tube or a hole: add the other outline that bounds the region.",
            )
    if seed_mm is not None:
        return _only(label, _seeded(cut, label, sides, np.asarray(seed_mm, dtype=np.float64), tolerance_mm))
    area: list[float] = np.bincount(label, cut.surface.face_areas_mm2).tolist()
    if len(sides) == 1:
        choice = [max(side, key=lambda q: area[q]) for side in sides[0] if side]
    else:
        choice = sorted(set.intersection(*[one | other for one, other in sides]))
    if not choice:
        raise OutlineError(
            "no part of the surface is bounded by all the outlines", do="Give a seed point inside the region."
        )
    return _only(label, min(choice, key=lambda q: area[q]))


def _only(label: Ints, chosen: int) -> Bools:
    return np.asarray(label == chosen)


def _sides(cut: Inserted, i: int, label: Ints) -> tuple[set[int], set[int]]:
    """Return the labels to the left and to the right of a path."""
    n = len(cut.surface.vertices_mm)
    e = cut.surface.faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2)
    key, owner = e[:, 0] * n + e[:, 1], np.arange(len(e)) // 3
    a, b = cut.paths[i], np.roll(cut.paths[i], -1)
    return (
        set(label[owner[np.isin(key, a * n + b)]].tolist()),
        set(label[owner[np.isin(key, b * n + a)]].tolist()),
    )


def _seeded(
    cut: Inserted, label: Ints, sides: list[tuple[set[int], set[int]]], seed: Floats, tolerance_mm: float
) -> int:
    """Return the label of the part that holds the seed."""
    if seed.shape != (3,) or not np.isfinite(seed).all():
        raise OutlineError(f"the seed is not a point: {seed.tolist()}")
    spot = cut.surface.locate(seed)
    if spot.distance_mm[0] > tolerance_mm:
        raise OutlineError(
            f"the seed lies {spot.distance_mm[0]:.1f} mm off the surface, more than {tolerance_mm:g} mm",
            where=at(tuple(seed)), do="Give a point on the surface, inside the region.",
        )
    own = int(label[spot.face[0]])
    if not any(own in left | right for left, right in sides):
        raise OutlineError(
            "the part of the surface with the seed does not touch the outline", where=at(tuple(seed)),
            do="Give a point on the surface, inside the region.",
        )
    return own

"""A shaped part of a surface, cut exactly along its outline."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import scipy.sparse as sp
from numpy.typing import ArrayLike, NDArray
from scipy.spatial import cKDTree

from ..errors import MeshError, OutlineError
from ._edges import directed_edges, edge_keys, rim_edges, row_lengths, side_lengths
from ._patch import NeedsWiderCrop
from ._smooth import SMOOTH_MM, carry_copy, share_copy, work_copy
from ._trace import at
from .cut import (
    Inserted,
    LevelCut,
    Refined,
    _whole_stars,
    cut_at_level,
    faces_near,
    insert_paths,
    label_faces,
    refine,
    surface_edges,
    tidy_paths,
)
from .geodesic import distance_along
from .mesh import Bools, Floats, Ints, Surface, closed_length

Place = tuple[float, float, float]

# How far the line of a moved outline may stray from its true distance because triangles are flat: as first laid out,
# and where that was not enough on a clean surface.
STRAY_MM, FINE_STRAY_MM = 0.2, 0.04
# A part of a region smaller than this share of its main part may be dropped when the outline moves inward.
CRUMB = 0.01
# An edge is compared with its outline at points no farther apart than this.
STRAY_STEP_MM = 0.5
# Where a moved outline has a corner, triangles are divided into this many at a time, down to this length of edge.
CORNER_SHARE, CORNER_EDGE_MM, CORNER_ROUNDS = 5.0, 0.1, 4
# A jump of the distance's slope across an edge that makes a corner on a clean and on a noisy surface.
CORNER_TURN, ROUGH_TURN = 0.3, 0.7
# Slivers sharper than this are cleared away along a moved outline.
SLIVER_DEG = 1.5
# From this many faces on, an outline is moved on the part of the surface near it only, with some edges and rings of faces
# to spare, unless that is most of the surface.
BAND_FACES, BAND_EDGES, BAND_RINGS, BAND_SHARE = 50_000, 4.0, 3, 0.7


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
    lost_at_mm : tuple of (float, float, float)
        Places (mm) of openings that growth closed over and of crumbs that it dropped, for the user to look at.
    """

    surface: Surface
    loops: tuple[Ints, ...]
    parent: Surface
    inside: Bools
    vertex_of: Ints
    name: str = ""
    short_mm: float = 0.0
    short_at_mm: tuple[float, float, float] | None = None
    lost_at_mm: tuple[tuple[float, float, float], ...] = ()

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
        edges = len(surface_edges(s).ends)
        return len(self.loops) == 1 and len(s.vertices_mm) - edges + len(s.faces) == 1


def region_of(
    parent: Surface, inside: Bools, *, name: str = "", short_mm: float = 0.0,
    short_at_mm: tuple[float, float, float] | None = None,
    lost_at_mm: tuple[tuple[float, float, float], ...] = (),
) -> Region:
    """Return the region made of some faces of a surface.

    Parameters
    ----------
    parent : Surface
    inside : (m,) bool array
        Faces that hang together.
    name : str
    short_mm, short_at_mm, lost_at_mm
        As in `Region`.
    """
    patch, vertex_of = parent.sub(inside)
    return Region(patch, patch.boundary_loops, parent, inside, vertex_of, name, short_mm, short_at_mm, lost_at_mm)


def cut_region(
    surface: Surface,
    outline_mm: ArrayLike | Sequence[ArrayLike],
    *,
    seed_mm: ArrayLike | None = None,
    name: str = "",
    tolerance_mm: float = 10.0,
    smooth_mm: float = SMOOTH_MM,
) -> Region:
    """Cut a region out of a surface exactly along its outline.

    Parameters
    ----------
    surface : Surface
    outline_mm : (k, 3) float array or a sequence of them, mm
        Points on or near the surface, in order round the region; those far apart are joined by geodesics.
        Several closed outlines bound a region with openings.
    seed_mm : (3,) float array, mm, optional
        A point of the region. Without it the region is, of a single outline, the side that the surface's longest
        edge does not bound, or the smaller one where it bounds both or neither; of several, what lies between.
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
        rough = smooth_mm <= 0 and work_copy(surface) is not surface.vertices_mm
        work_copy(surface, scale_mm=smooth_mm)
        if not name and not rough:
            raise
        what = f"region {name!r}: {err.what}" if name else err.what
        hint = f"The surface is rough: lay the outline on a smooth copy, with smooth_mm of {SMOOTH_MM:g} mm or so."
        do = " ".join(filter(None, (err.do, hint))) if rough else err.do
        raise OutlineError(what, where=err.where, do=do) from err
    return region_of(cut.surface, inside, name=name)


def outline_stray_mm(region: Region, outline_mm: ArrayLike | Sequence[ArrayLike]) -> float:
    """How far a region's edge and the outline asked for are apart at the worst place.

    Parameters
    ----------
    region : Region
    outline_mm : (k, 3) float array or a sequence of them, mm
        The closed outlines, taken as straight between their points: on a curved surface give them close together.

    Returns
    -------
    float
        mm; of the edge from the outline or of the outline from the edge, whichever is more.

    Raises
    ------
    OutlineError
        The outline is no outline.
    """
    asked = [_dense(q, STRAY_STEP_MM) for q in _outlines(outline_mm)]
    cut = [_dense(region.surface.vertices_mm[q], STRAY_STEP_MM) for q in region.loops]
    return max(_off_loops(np.vstack(cut), asked), _off_loops(np.vstack(asked), cut))


def _off_loops(points: Floats, loops: list[Floats]) -> float:
    """Largest distance of some points from the nearest of some closed polylines of close points."""
    begin = np.vstack(loops)
    way = np.vstack([np.roll(q, -1, axis=0) for q in loops]) - begin
    # The pieces are short, so the nearest one begins or ends near one of the nearest points.
    k = cKDTree(begin).query(points, k=min(6, len(begin)))[1].reshape(len(points), -1)
    last = np.cumsum([len(q) for q in loops])
    before = np.arange(len(begin)) - 1
    before[last - [len(q) for q in loops]] = last - 1
    k = np.hstack([k, before[k]])
    e = points[:, None] - begin[k]
    t = np.clip((e * way[k]).sum(axis=2) / np.maximum((way[k] ** 2).sum(axis=2), 1e-300), 0.0, 1.0)
    return float(np.linalg.norm(e - t[:, :, None] * way[k], axis=2).min(axis=1).max())


def _outlines(outline_mm: ArrayLike | Sequence[ArrayLike]) -> list[Floats]:
    """Return one or several outlines as a list of arrays."""
    faulty = OutlineError("the outline is not a (k, 3) array of points nor a list of such")
    try:
        parts = [np.asarray(q, dtype=np.float64) for q in outline_mm]  # type: ignore[union-attr]
    except (TypeError, ValueError) as err:
        raise faulty from err
    if parts and all(q.ndim == 1 for q in parts) and len({len(q) for q in parts}) == 1:
        parts = [np.array(parts)]
    if not parts or any(q.ndim != 2 or q.shape[1] != 3 or not len(q) for q in parts):
        raise faulty
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
            f"points 1 and {k + 1} of the outline lie on separate pieces of the surface",
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
        outside = _at_longest_edge(cut.surface, label, choice)
        choice = [q for q in choice if q not in outside] if len(outside) == 1 else choice
    else:
        choice = sorted(set.intersection(*[one | other for one, other in sides]))
    if not choice:
        raise OutlineError(
            "no part of the surface is bounded by all the outlines", do="Give a seed point inside the region."
        )
    return _only(label, min(choice, key=lambda q: area[q]))


def _at_longest_edge(surface: Surface, label: Ints, choice: list[int]) -> set[int]:
    """Which of some labels lie at the longest edge that any of them has."""
    at_vertex = [set(label[(surface.faces == loop[0]).any(axis=1)].tolist()) for loop in surface.boundary_loops]
    own = [k for k, names in enumerate(at_vertex) if names & set(choice)]
    if not own:
        return set()
    loop = max((surface.boundary_loops[k] for k in own), key=lambda q: closed_length(surface.vertices_mm[q]))
    return set(label[np.isin(surface.faces, loop).sum(axis=1) >= 2].tolist()) & set(choice)


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


def fill_openings(region: Region) -> Region:
    """Return the region with all that it surrounds: every loop but the longest is closed over.

    Parameters
    ----------
    region : Region

    Returns
    -------
    Region
        The region itself if it surrounds nothing. A real hole of the surface stays open.
    """
    within = _openings(region)
    if not within.any():
        return region
    return region_of(region.parent, region.inside | within, name=region.name)


def _openings(region: Region) -> Bools:
    """Which of the parent's faces lie in openings: beyond some loop, but not beyond the longest."""
    parent = region.parent
    n = len(parent.vertices_mm)
    if len(region.loops) < 2:
        return np.zeros(len(parent.faces), dtype=bool)
    edges = surface_edges(parent)
    rim = (edges.faces[:, 1] >= 0) & (region.inside[edges.faces[:, 0]] != region.inside[edges.faces[:, 1]])
    label = label_faces(parent, edges.ends[rim])
    inner = region.inside[edges.faces[rim, 0]]
    beyond = label[np.where(inner, edges.faces[rim, 1], edges.faces[rim, 0])]
    loop_of = np.full(n, -1, dtype=np.int64)
    for i, loop in enumerate(region.loops):
        loop_of[region.vertex_of[loop]] = i
    outer = loop_of[edges.ends[rim, 0]] == 0
    return np.isin(label, np.setdiff1d(beyond[~outer], beyond[outer]))


def grow_region(
    region: Region, distance_mm: float, *, openings: bool = True, smooth_mm: float = SMOOTH_MM
) -> Region:
    """Move a region's outline along the surface; all else as `grow_regions`.

    Parameters
    ----------
    region : Region
    distance_mm : float
        Outward if positive, inward if negative.
    openings, smooth_mm
        As for `grow_regions`.

    Returns
    -------
    Region
    """
    return grow_regions(region, [distance_mm], openings=openings, smooth_mm=smooth_mm)[0]


def grow_regions(
    region: Region, distances_mm: Sequence[float], *, openings: bool = True, smooth_mm: float = SMOOTH_MM
) -> list[Region]:
    """Move a region's outline along the surface by several distances, measured once for all.

    Each result is cut along the line at its distance from the outline. Where the surface ends before that, the
    result ends there too and says in `short_mm` and `short_at_mm` how much is missing at the worst place.

    Parameters
    ----------
    region : Region
    distances_mm : sequence of float
        Outward if positive, inward if negative; for 0 the region itself is returned.
    openings : bool
        Whether the loops round openings move too: into the opening for a positive distance. Otherwise only the
        longest loop moves.
    smooth_mm : float
        Length scale of the smooth copy on which distance is measured where the surface is noisy.

    Returns
    -------
    list of Region

    Raises
    ------
    OutlineError
        Moved inward, the region would vanish or fall apart.
    """
    ask = [float(d) for d in distances_mm]
    if not np.isfinite(ask).all():
        raise OutlineError(f"the distances to grow by are not all finite: {ask}")
    if not any(ask):
        return [region] * len(ask)
    try:
        return _moved(region, _band(region, ask, openings, smooth_mm), ask, openings, smooth_mm)
    except NeedsWiderCrop:
        whole = np.ones(len(region.inside), dtype=bool)
        return _moved(region, _band_of(region, whole, openings, smooth_mm), ask, openings, smooth_mm)


def _moved(region: Region, band: _Band, ask: list[float], openings: bool, smooth_mm: float) -> list[Region]:
    """Move a region's outline on a band of its parent; `NeedsWiderCrop` if that proves too narrow."""
    field = _outline_field(region, band, ask, openings, smooth_mm)
    return [_at_distance(region, band, field, d, smooth_mm) if d else region for d in ask]


@dataclass(frozen=True, eq=False)
class _Band:
    """The part of a region's parent that a moved outline has to do with; it may be all of it.

    Its seam, the edges where it was taken out of the parent, must come through all that is done to it.

    `surface` the part; `chosen` (m,) which faces of the parent; `vertices` (n,) the parent's vertex of each vertex;
    `inside`, `shut`, `opening` as in `_Field`; `seam` (k, 2) edges; `rest_edges_mm` sides of the faces left out, in all.
    """

    surface: Surface
    chosen: Bools
    vertices: Ints
    inside: Bools
    shut: Bools
    opening: Ints
    seam: Ints
    rest_edges_mm: float

    @property
    def whole(self) -> bool:
        """Whether it is all of the parent."""
        return len(self.chosen) == len(self.inside)

    def take(self, made: Surface) -> Surface:
        """Check that a surface made from this one still has its seam, and let it have the whole parent's mean edge."""
        if self.whole:
            return made
        _check_seam(made, self.seam)
        rest = len(self.chosen) - len(self.inside)
        total = self.rest_edges_mm + side_lengths(made.vertices_mm, made.faces).sum()
        vars(made)["mean_edge_mm"] = float(total / (3 * (rest + len(made.faces))))
        return made


def _check_seam(made: Surface, seam: Ints) -> None:
    n = len(made.vertices_mm)
    bare = directed_edges(made.faces)[rim_edges(n, made.faces)]
    if not np.isin(edge_keys(n, seam), edge_keys(n, bare)).all():
        raise NeedsWiderCrop


def _band(region: Region, ask: list[float], openings: bool, smooth_mm: float) -> _Band:
    """Return the part of a region's parent near its outline; with all the region where the outline moves inward."""
    faces, m = region.parent.faces, len(region.inside)
    keep = np.ones(m, dtype=bool)
    if m >= BAND_FACES and region.loops:
        keep = _near_loops(region, max(abs(d) for d in ask), smooth_mm)
        if min(ask) < 0:
            keep |= region.inside
        near = np.zeros(len(region.parent.vertices_mm), dtype=bool)
        for _ in range(BAND_RINGS):
            near[faces[keep]] = True
            keep = near[faces[:, 0]] | near[faces[:, 1]] | near[faces[:, 2]]
        if keep.sum() < BAND_SHARE * m:
            keep = _whole_stars(faces, keep, len(near))
        if keep.sum() >= BAND_SHARE * m:
            keep[:] = True
    return _band_of(region, keep, openings, smooth_mm)


def _near_loops(region: Region, reach_mm: float, smooth_mm: float) -> Bools:
    """Which faces of the parent the outline may come to, moved by so much, with some to spare."""
    h = region.parent.mean_edge_mm
    walk = work_copy(region.parent, scale_mm=smooth_mm)
    loops = [walk[region.vertex_of[q]] for q in region.loops]
    longest = max(float(np.linalg.norm(p - np.roll(p, 1, axis=0), axis=1).max()) for p in loops)
    step = max(h, 1.0)
    reach = 1.05 * (reach_mm + 3 * min(h, _stray_edge_mm(reach_mm))) + longest / 2 + BAND_EDGES * h + step
    return faces_near(walk, region.parent.faces, np.vstack([_dense(p, step) for p in loops]), reach)


def _band_of(region: Region, keep: Bools, openings: bool, smooth_mm: float) -> _Band:
    """Take some faces of a region's parent."""
    parent = region.parent
    work_copy(parent, scale_mm=smooth_mm)
    within = _openings(region)
    shut = within & (not openings)
    opening = np.where(within, _parts(parent, within), -1) if within.any() else np.full(len(within), -1)
    if keep.all():
        used = np.arange(len(parent.vertices_mm))
        return _Band(parent, keep, used, region.inside, shut, opening, np.empty((0, 2), dtype=np.int64), 0.0)
    surface, used = parent.sub(keep)
    share_copy(parent, surface, used, scale_mm=smooth_mm)
    seam = _seam(parent, surface, used, keep)
    rest = 3 * len(keep) * parent.mean_edge_mm - float(side_lengths(surface.vertices_mm, surface.faces).sum())
    band = _Band(surface, keep, used, region.inside[keep], shut[keep], opening[keep], seam, rest)
    band.take(surface)
    return band


def _seam(parent: Surface, part: Surface, used: Ints, keep: Bools) -> Ints:
    """Return the (k, 2) edges of a part of a surface beyond which the surface goes on."""
    n = len(parent.vertices_mm)
    bare = directed_edges(part.faces)[rim_edges(len(used), part.faces)]
    on = np.zeros(n, dtype=bool)
    on[used[bare]] = True
    left = parent.faces[~keep]
    left = left[on[left[:, 0]].astype(np.int8) + on[left[:, 1]] + on[left[:, 2]] > 1]
    return bare[np.isin(edge_keys(n, used[bare]), edge_keys(n, directed_edges(left)))]


@dataclass(frozen=True, eq=False)
class _Field:
    """Signed distance from a region's outline on its parent, refined where triangles are large.

    `values` (n,) mm, negative inside; `inside` (m,) faces of the region; `shut` (m,) faces of openings that do not
    take part; `opening` (m,) number of the opening that a face lies in, -1 for none.
    """

    surface: Surface
    values: Floats
    inside: Bools
    shut: Bools
    opening: Ints


def _outline_field(region: Region, band: _Band, ask: list[float], openings: bool, smooth_mm: float) -> _Field:
    """Measure the distance from a region's outline as far as the distances asked for."""
    low, high = -min(*ask, 0.0), max(*ask, 0.0)
    fine = refine(band.surface, _longest(region, ask), between=_between(band, low, high))
    surface, inside, shut = band.take(fine.surface), band.inside[fine.parent_face], band.shut[fine.parent_face]
    rim = _rim(region, band, fine, inside, shut, openings)
    spare = 3 * min(region.parent.mean_edge_mm, _stray_edge_mm(max(low, high)))
    values = np.full(len(surface.vertices_mm), -low - spare)
    for side, sign, reach in ((inside, -1.0, low), (~inside & ~shut, 1.0, high)):
        if side.any():
            _measure(surface, side, rim, sign, reach + spare if reach > 0 else 0.0, values, smooth_mm, spare)
    values[np.unique(rim)] = 0.0
    field = _Field(surface, values, inside, shut, band.opening[fine.parent_face])
    for _ in range(CORNER_ROUNDS):
        finer = _sharpened(region, band, field, fine, ask, openings, smooth_mm)
        if finer is None:
            break
        fine, field = finer
    return field


def _sharpened(
    region: Region, band: _Band, field: _Field, fine: Refined, ask: list[float], openings: bool, smooth_mm: float
) -> tuple[Refined, _Field] | None:
    """Divide triangles where a moved outline has a corner, and measure there again; None where there is none left.

    Distance has a ridge there, and a line drawn through a triangle that straddles it would cut the corner. Triangles are
    divided too where the outline bends more than they can follow.
    """
    v = field.surface.vertices_mm
    rough = work_copy(field.surface, scale_mm=smooth_mm) is not v
    corners = [_coarse(field, d, rough) for d in ask if d]
    marked = np.concatenate([faces for faces, _ in corners])
    if not len(marked):
        return None
    p = v[field.surface.faces[marked]]
    size, wanted = _size(p), np.concatenate([longest for _, longest in corners])
    tree, near = cKDTree(p.mean(axis=1)), np.zeros(len(v), dtype=bool)
    near[field.surface.faces[marked]] = True

    def longest(middle_mm: Floats) -> Floats:
        """The wish of the nearest marked face, where that is near enough to have one."""
        off, k = tree.query(middle_mm)
        return np.asarray(np.where(off <= size[k], wanted[k], np.inf))

    step = refine(field.surface, longest, between=near)
    band.take(step.surface)
    fine = Refined(step.surface, fine.parent_face[step.parent_face], step.weights @ fine.weights)
    inside, shut = field.inside[step.parent_face], field.shut[step.parent_face]
    rim = _rim(region, band, fine, inside, shut, openings)
    values = step.weights @ field.values
    for side, sign in ((inside, -1.0), (~inside & ~shut, 1.0)):
        levels = np.array([abs(d) for d in ask if d * sign > 0])
        if len(levels):
            _measure_new(step, side, rim, sign, levels, values, smooth_mm)
    values[np.unique(rim)] = 0.0
    return fine, _Field(step.surface, values, inside, shut, field.opening[step.parent_face])


def _measure_new(
    step: Refined, side: Bools, rim: Ints, sign: float, levels_mm: Floats, values: Floats, smooth_mm: float
) -> None:
    """Measure the values at new vertices on one side of an outline, on what the shortest ways to them run over only."""
    surface, old = step.surface, step.weights.shape[1]
    new = np.unique(surface.faces[side])
    new = new[new >= old]
    if not len(new):
        return
    walk = work_copy(surface, scale_mm=smooth_mm)
    most = _at_most(walk, step.weights[new], np.abs(values[:old]), new)
    faces = np.flatnonzero(side)
    way = np.zeros(len(side), dtype=bool)
    way[faces[_on_the_way(walk, surface.faces[faces], np.abs(values), new, most, levels_mm)]] = True
    reach, fresh = 1.001 * float(most.max()), values.copy()
    _measure(surface, way, rim, sign, reach, fresh, smooth_mm, reach)
    values[new] = sign * np.minimum(np.abs(fresh[new]), most)


def _at_most(walk: Floats, weights: sp.csr_array, u: Floats, new: Ints) -> Floats:
    """Return what a distance is at most at some vertices: by way of a corner, straight across the old face they lie in."""
    rows = np.repeat(np.arange(len(new)), np.diff(weights.indptr))
    over = u[weights.indices] + row_lengths(walk[weights.indices] - walk[new[rows]])
    return np.asarray(np.minimum.reduceat(over, weights.indptr[:-1]))


def _on_the_way(walk: Floats, faces: Ints, u: Floats, to: Ints, most: Floats, levels_mm: Floats) -> Bools:
    """Which faces a shortest way from an outline to some vertices can run over.

    At a point x on a shortest way to p the distance from the outline is u(p) - d(x, p), and d(x, p) is no shorter than
    the straight line. Both change by no more than one goes, so at the middle of a face with x on it, `far` from its
    corners, their sum is within 2 `far` of u(p). The vertices are taken together by the level they are nearest to.
    """
    p = walk[faces]
    middle, here = p.mean(axis=1), u[faces].mean(axis=1)
    room = 2 * np.max([row_lengths(p[:, i] - middle) for i in range(3)], axis=0) - here
    keep = np.zeros(len(faces), dtype=bool)
    group = np.abs(most[:, None] - levels_mm).argmin(axis=1)
    for k in np.unique(group):
        left = room + most[group == k].max()
        ask = np.flatnonzero(~keep & (left >= 0))
        if len(ask):
            tree = cKDTree(walk[to[group == k]])
            off, _ = tree.query(middle[ask], distance_upper_bound=float(left[ask].max()) + 1e-9)
            keep[ask] = off <= left[ask]
    return keep


def _size(p: Floats) -> Floats:
    """Longest sides of (m, 3, 3) triangles."""
    a, b, c = (row_lengths(p[:, i] - p[:, i - 1]) for i in range(3))
    return np.asarray(np.maximum(np.maximum(a, b), c))


def _coarse(field: _Field, level: float, rough: bool) -> tuple[Ints, Floats]:
    """Faces too large for the bends of a level line of the distance, and how long their edges may be.

    Across an edge the distance's slope jumps. Where two fronts meet it falls: the line has a corner there. On a line bent
    to a radius r a face of size e turns it by e / r and misses it by e² / 8 r.
    """
    s = field.surface
    u = np.abs(field.values)
    value = field.values[s.faces]
    crossed = (value.min(axis=1) < level) & (value.max(axis=1) > level)
    edges = surface_edges(s)
    one, two = edges.faces.T
    k = np.flatnonzero((two >= 0) & crossed[one] & crossed[np.maximum(two, 0)])
    jump = _rise_to(s, u, one[k], edges.ends[k]) + _rise_to(s, u, two[k], edges.ends[k])
    turn = np.zeros((2, len(s.faces)))
    for side in (one[k], two[k]):
        np.maximum.at(turn[0], side, jump)
        np.maximum.at(turn[1], side, -jump)
    size = _size(s.vertices_mm[s.faces])
    corner = (turn[0] > (ROUGH_TURN if rough else CORNER_TURN)) & (size > (0.5 * s.mean_edge_mm if rough else 1.5 * CORNER_EDGE_MM))
    bent = np.zeros(len(size), dtype=bool) if rough else turn[1] * size / 8 > FINE_STRAY_MM
    wanted = np.full(len(size), np.sqrt(8 * FINE_STRAY_MM * abs(level)))
    wanted[corner] = np.maximum(size[corner] / CORNER_SHARE, CORNER_EDGE_MM)
    chosen = np.flatnonzero(corner | (bent & (size > 1.1 * wanted)))
    return chosen, wanted[chosen]


def _rise_to(s: Surface, u: Floats, face: Ints, ends: Ints) -> Floats:
    """Slope of a field in each face across an edge of it, towards the edge."""
    f = s.faces[face]
    third = f.sum(axis=1) - ends.sum(axis=1)
    a, b, c = (s.vertices_mm[q] for q in (ends[:, 0], ends[:, 1], third))
    way = b - a
    t = ((c - a) * way).sum(axis=1) / np.maximum((way * way).sum(axis=1), 1e-300)
    height = np.linalg.norm(c - a - t[:, None] * way, axis=1)
    foot = u[ends[:, 0]] + t * (u[ends[:, 1]] - u[ends[:, 0]])
    return np.asarray((foot - u[third]) / np.maximum(height, 1e-12))


def _measure(
    surface: Surface, side: Bools, rim: Ints, sign: float, reach_mm: float, values: Floats, smooth_mm: float,
    beyond_mm: float,
) -> None:
    """Fill in the values on one side of an outline; where nothing is to be cut any number of that sign will do."""
    part, used = surface.sub(side)
    values[used] = sign * max(reach_mm, beyond_mm)
    to_part = np.full(len(surface.vertices_mm), -1, dtype=np.int64)
    to_part[used] = np.arange(len(used))
    here = to_part[rim]
    here = here[(here >= 0).all(axis=1)]
    if reach_mm > 0 and len(here):
        share_copy(surface, part, used, scale_mm=smooth_mm)
        values[used] = sign * distance_along(part, here, max_mm=reach_mm, smooth_mm=smooth_mm)


def _rim(region: Region, band: _Band, fine: Refined, inside: Bools, shut: Bools, openings: bool) -> Ints:
    """Return the (k, 2) edges of the refined band along the loops that move."""
    edges = surface_edges(fine.surface)
    one, two = edges.faces.T
    bare = two < 0
    rim = np.where(bare, inside[one], inside[one] != inside[two])
    n = len(fine.surface.vertices_mm)
    rim[np.flatnonzero(bare)[np.isin(edge_keys(n, edges.ends[bare]), edge_keys(n, band.seam))]] = False
    if not openings:
        loop = np.zeros(len(region.parent.vertices_mm))
        loop[region.vertex_of[region.loops[0]]] = 1.0
        rim &= ~(shut[one] | (shut[two] & ~bare)) & ((fine.weights @ loop[band.vertices]) > 1 - 1e-9)[edges.ends].all(axis=1)
    return edges.ends[rim]


def _between(band: _Band, low_mm: float, high_mm: float) -> Bools:
    """Which vertices of the band belong to a side that is to be cut."""
    on = np.zeros(len(band.vertices), dtype=bool)
    for side, reach in ((band.inside, low_mm), (~band.inside & ~band.shut, high_mm)):
        if reach > 0:
            on[band.surface.faces[side]] = True
    return on


def _longest(region: Region, ask: list[float]) -> Callable[[Floats], Floats]:
    """How long edges near the outline may be, so that distance is nearly linear along them.

    At a distance d round a corner a linear piece of length e strays from the arc by e²/8d, so edges may be the longer
    the farther out they lie.
    """
    reach, least = max(abs(d) for d in ask), min(abs(d) for d in ask if d)
    p = region.surface.vertices_mm
    step = float(np.clip(_stray_edge_mm(least), 2.0, 10.0))
    tree = cKDTree(np.vstack([_dense(p[q], step) for q in region.loops]))

    def longest(middle_mm: Floats) -> Floats:
        """How long edges may be: short enough beside the outline for circles about it to stray little."""
        off = tree.query(middle_mm)[0]
        return np.sqrt(8 * STRAY_MM * np.maximum(off, least)) + np.maximum(off - 1.2 * reach - step, 0.0)

    return longest


def _stray_edge_mm(distance_mm: float) -> float:
    """Length of an edge that strays by the allowed amount from an arc of this radius."""
    return float(np.sqrt(8 * STRAY_MM * distance_mm))


def _dense(loop_mm: Floats, step_mm: float) -> Floats:
    """Put points on a closed polyline so that none are farther apart than stated."""
    out = []
    for a, b in zip(loop_mm, np.roll(loop_mm, -1, axis=0)):
        k = int(np.ceil(np.linalg.norm(b - a) / step_mm))
        out.append(a + (b - a) * (np.arange(max(k, 1)) / max(k, 1))[:, None])
    return np.vstack(out)


def _at_distance(region: Region, band: _Band, field: _Field, distance_mm: float, smooth_mm: float) -> Region:
    """Cut a region at one level of its distance field."""
    cut = cut_at_level(field.surface, field.values, distance_mm)
    band.take(cut.surface)
    shut = field.shut[cut.parent_face]
    below = cut.below & ~shut
    if not below.any():
        deepest = -float(field.values.min())
        raise OutlineError(
            f"region {region.name!r} cannot be moved inward by {-distance_mm:g} mm: nothing is left "
            f"beyond {deepest:.1f} mm", do="Take a smaller step.",
        )
    label = _parts(cut.surface, below)
    area = np.asarray(np.bincount(label, cut.surface.face_areas_mm2), dtype=np.float64)
    if distance_mm > 0:
        keep = np.isin(label, label[field.inside[cut.parent_face] & below]) & below
    else:
        keep = _only(label, _main_part(cut, label, below, area, region.name, distance_mm))
    filled = _specks(cut, label, ~below & ~shut, area)
    lost = _lost(cut, keep, keep | filled, field, distance_mm, label, below)
    if band.whole:
        return _cut_out(cut, keep | filled, distance_mm, region.name, lost, smooth_mm)
    short_mm, where = _short(cut, keep | filled, distance_mm)
    parent, inside = _put_back(region, band, cut, keep | filled, field.inside[cut.parent_face], smooth_mm)
    return region_of(parent, inside, name=region.name, short_mm=short_mm, short_at_mm=where, lost_at_mm=lost)


def _put_back(
    region: Region, band: _Band, cut: LevelCut, keep: Bools, was: Bools, smooth_mm: float
) -> tuple[Surface, Bools]:
    """Clear slivers along a line cut into a band, and return the whole parent with it, and which faces are kept."""
    surface = cut.surface
    seam = np.zeros(len(surface.vertices_mm), dtype=bool)
    seam[band.seam] = True
    # At the seam nothing may have changed.
    if (keep != was)[seam[surface.faces].any(axis=1)].any():
        raise NeedsWiderCrop
    loops = _loops_off(surface, keep, seam)
    back = np.arange(len(seam))
    if loops and _sharpest_along(surface, np.concatenate(loops)) <= SLIVER_DEG:
        tidy = tidy_paths(surface, loops, smooth_mm=smooth_mm)
        surface, keep, back = tidy.surface, keep[tidy.parent_face], tidy.parent_vertex
    parent = _in_parent(region.parent, band, surface, np.where(back < len(band.vertices), back, -1), smooth_mm)
    return parent, np.r_[region.inside[~band.chosen], keep]


def _loops_off(surface: Surface, keep: Bools, seam: Bools) -> list[Ints]:
    """Return the boundary loops of the faces kept, without those along the seam."""
    patch, vertex_of = surface.sub(keep)
    try:
        loops = [vertex_of[q] for q in patch.boundary_loops]
    except MeshError as err:
        raise NeedsWiderCrop from err
    if any(seam[q].any() and not seam[q].all() for q in loops):
        raise NeedsWiderCrop
    return [q for q in loops if not seam[q].any()]


def _in_parent(parent: Surface, band: _Band, made: Surface, back: Ints, smooth_mm: float) -> Surface:
    """Return a whole parent with a band of it exchanged for what was made from it.

    `back` (n,) is the band's vertex that each vertex of `made` is, -1 for a new one.
    """
    n, old = len(parent.vertices_mm), back >= 0
    here = np.full(len(band.vertices), -1, dtype=np.int64)
    here[back[old]] = np.flatnonzero(old)
    seam = here[band.seam]
    if (seam < 0).any() or (made.vertices_mm[seam] != band.surface.vertices_mm[band.seam]).any():
        raise NeedsWiderCrop
    _check_seam(made, seam)
    to = np.empty(len(back), dtype=np.int64)
    to[old] = band.vertices[back[old]]
    to[~old] = n + np.arange(np.count_nonzero(~old))
    stays = np.ones(n + np.count_nonzero(~old), dtype=bool)
    stays[band.vertices[here < 0]] = False
    walk, made_walk = (work_copy(s, scale_mm=smooth_mm) for s in (parent, made))
    colors = None
    if parent.colors is not None and made.colors is not None:
        colors = _exchanged(parent.colors, made.colors, to, stays)
    faces = (np.cumsum(stays) - 1)[np.vstack([parent.faces[~band.chosen], to[made.faces]])]
    new = Surface(_exchanged(parent.vertices_mm, made.vertices_mm, to, stays), faces, colors, parent.repairs)
    carry_copy(parent, new, _exchanged(walk, made_walk, to, stays), scale_mm=smooth_mm)
    return new


def _exchanged(rows: NDArray[Any], made: NDArray[Any], to: Ints, stays: Bools) -> NDArray[Any]:
    """Put new rows in their places among old ones and behind them, and leave out those that do not stay."""
    out = np.empty((len(stays), 3), dtype=rows.dtype)
    out[: len(rows)] = rows
    out[to] = made
    return out if stays.all() else out[stays]


def _cut_out(
    cut: LevelCut, keep: Bools, distance_mm: float, name: str, lost: tuple[Place, ...], smooth_mm: float
) -> Region:
    """Return the region of the faces kept beside a level line, without slivers along it."""
    short_mm, where = _short(cut, keep, distance_mm)
    made = region_of(cut.surface, keep, name=name, short_mm=short_mm, short_at_mm=where, lost_at_mm=lost)
    return made if not made.loops or _sharpest_deg(made) > SLIVER_DEG else _tidied(made, smooth_mm)


def _lost(
    cut: LevelCut, keep: Bools, full: Bools, field: _Field, distance_mm: float, label: Ints, below: Bools
) -> tuple[Place, ...]:
    """Places of openings closed over, of gaps filled, and of crumbs dropped."""
    s = cut.surface
    middle = s.vertices_mm[s.faces].mean(axis=1)
    depth = cut.values[s.faces].max(axis=1) - distance_mm
    opening = field.opening[cut.parent_face]
    out: list[Floats] = []
    if distance_mm > 0:
        gone = np.setdiff1d(np.unique(opening), opening[~full])
        groups = [opening == q for q in gone[gone >= 0]]
        gaps = full & ~keep & ~np.isin(opening, gone)
        groups += [label == q for q in np.unique(label[gaps]) if depth[label == q].max() > STRAY_MM]
        out = [middle[g][int(np.argmax(depth[g]))] for g in groups]
    else:
        # What growth did not reach from the region's main part.
        out = [middle[label == q].mean(axis=0) for q in np.unique(label[below & ~full])]
    return tuple((float(x), float(y), float(z)) for x, y, z in out)


def region_within(
    surface: Surface, values_mm: Floats, level_mm: float, *, seed_mm: ArrayLike, name: str = "",
    smooth_mm: float = SMOOTH_MM,
) -> Region:
    """Return the part round a point where a distance stays below a level, cut out along the level line.

    Parameters
    ----------
    surface : Surface
    values_mm : (n,) float array, mm
        Distance on the vertices, 0 or more.
    level_mm : float
    seed_mm : (3,) float array, mm
        A point of the surface where the distance is below the level.
    name : str
    smooth_mm : float
        As for `grow_regions`.

    Returns
    -------
    Region
    """
    cut = cut_at_level(surface, values_mm, level_mm)
    label = _parts(cut.surface, cut.below)
    keep = _only(label, int(label[cut.surface.locate(seed_mm).face[0]]))
    area = np.asarray(np.bincount(label, cut.surface.face_areas_mm2), dtype=np.float64)
    keep |= _specks(cut, label, ~cut.below, area)
    return _cut_out(cut, keep, level_mm, name, (), smooth_mm)


def _sharpest_deg(region: Region) -> float:
    """Smallest angle of the parent's triangles along a region's outline, degrees."""
    return _sharpest_along(region.parent, region.vertex_of[np.concatenate(region.loops)])


def _sharpest_along(surface: Surface, vertices: Ints) -> float:
    """Smallest angle of the triangles about some vertices, degrees."""
    on = np.zeros(len(surface.vertices_mm), dtype=bool)
    on[vertices] = True
    p = surface.vertices_mm[surface.faces[on[surface.faces].any(axis=1)]]
    side = np.sort(np.linalg.norm(p - np.roll(p, 1, axis=1), axis=2), axis=1)
    area2 = np.linalg.norm(np.cross(p[:, 1] - p[:, 0], p[:, 2] - p[:, 0]), axis=1)
    sine = area2 / np.maximum(side[:, 1] * side[:, 2], 1e-300)
    return float(np.degrees(np.arcsin(min(float(sine.min()), 1.0))))


def _tidied(region: Region, smooth_mm: float) -> Region:
    """Clear slivers away along a region's outline."""
    cut = tidy_paths(region.parent, [region.vertex_of[q] for q in region.loops], smooth_mm=smooth_mm)
    return region_of(
        cut.surface, region.inside[cut.parent_face], name=region.name, short_mm=region.short_mm,
        short_at_mm=region.short_at_mm, lost_at_mm=region.lost_at_mm,
    )


def _parts(surface: Surface, chosen: Bools) -> Ints:
    """Number the parts that hang together among the chosen faces and among the others."""
    edges = surface_edges(surface)
    one, two = edges.faces.T
    return label_faces(surface, edges.ends[(two >= 0) & (chosen[one] != chosen[two])])


def _main_part(
    cut: LevelCut, label: Ints, below: Bools, area: Floats, name: str, distance_mm: float
) -> int:
    """Return the largest part of what is left, if the rest is but crumbs."""
    parts = np.unique(label[below])
    main = int(parts[np.argmax(area[parts])])
    rest = [int(q) for q in parts if q != main and area[q] > CRUMB * area[main]]
    if rest:
        k = int(np.argmax(label == rest[0]))
        p = cut.surface.vertices_mm[cut.surface.faces[k]].mean(axis=0)
        raise OutlineError(
            f"region {name!r} moved inward by {-distance_mm:g} mm falls into {len(rest) + 1} parts",
            where=at(tuple(p)), do="Take a smaller step, or make it two regions.",
        )
    return main


def _specks(cut: LevelCut, label: Ints, chosen: Bools, area: Floats) -> Bools:
    """Which faces lie in small islands left uncovered where fronts of the distance meet."""
    small = np.flatnonzero(area < 4 * cut.surface.mean_edge_mm**2)
    island = np.intersect1d(small, label[chosen])
    if not len(island):
        return np.zeros(len(label), dtype=bool)
    edges = surface_edges(cut.surface)
    bare = label[edges.faces[edges.faces[:, 1] < 0, 0]]
    return np.isin(label, np.setdiff1d(island, bare))


def _short(
    cut: LevelCut, keep: Bools, distance_mm: float
) -> tuple[float, tuple[float, float, float] | None]:
    """How much of the growth is missing where a region ends at the surface's own edge, and where."""
    edges = surface_edges(cut.surface)
    bare = edges.faces[:, 1] < 0
    rim = np.unique(edges.ends[bare & keep[edges.faces[:, 0]]])
    rim = rim[cut.values[rim] >= 0]
    if distance_mm <= 0 or not len(rim):
        return 0.0, None
    missing = distance_mm - cut.values[rim]
    k = int(np.argmax(missing))
    if missing[k] <= 1e-6:
        return 0.0, None
    x, y, z = cut.surface.vertices_mm[rim[k]].tolist()
    return float(missing[k]), (x, y, z)

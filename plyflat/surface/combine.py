"""Regions of one surface added together, taken away from each other, split, and carried to the other side of the boat.

The outlines are laid into one mesh and stay where they are: no corner is moved and no edge is resampled.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from ..errors import MeshError, OutlineError
from ._overlay import TOUCH_MM, Line, border_edges, cleared, lay, left_of, noded, outline_of
from ._smooth import SMOOTH_MM, carry_copy, work_copy
from ._topology import surface_edges
from ._trace import at
from .cut import cut_at_level, insert_path, insert_paths, label_faces
from .mesh import Bools, Floats, Ints, Surface
from .region import Region, cut_region, grow_region, region_of

# How far an outline and the surface may move where slivers are cleared away after a cut.
PATH_MM, CAP_MM = 0.001, 0.01
# A cut by a plane this near a vertex, as a share of the edge, goes through it.
PLANE_SNAP = 1e-3
# A mirrored outline farther than this off the other side is not that side's.
OFF_MM = 10.0


@dataclass(frozen=True)
class Plane:
    """A plane in space, such as the boat's centre plane.

    Parameters
    ----------
    point_mm : (3,) sequence of float, mm
        A point of it.
    normal : (3,) sequence of float
        Square to it, of any length.

    Raises
    ------
    OutlineError
        Not three finite numbers each, or a normal of no length.
    """

    point_mm: tuple[float, float, float]
    normal: tuple[float, float, float]

    def __post_init__(self) -> None:
        for name in ("point_mm", "normal"):
            q = np.asarray(getattr(self, name), dtype=np.float64)
            if q.shape != (3,) or not np.isfinite(q).all() or (name == "normal" and not q.any()):
                raise OutlineError(
                    f"the plane's {name.removesuffix('_mm')} is {q.tolist()}", do="Give three numbers, not all 0 for a normal."
                )
            if name == "normal":
                q = q / np.linalg.norm(q)
            object.__setattr__(self, name, (float(q[0]), float(q[1]), float(q[2])))

    def height_mm(self, points_mm: ArrayLike) -> Floats:
        """Return the (k,) signed distances of (k, 3) points, mm, positive on the normal's side."""
        return np.asarray((np.asarray(points_mm, dtype=np.float64) - self.point_mm) @ np.array(self.normal))

    def mirrored(self, points_mm: ArrayLike) -> Floats:
        """Return (k, 3) points mirrored in the plane, mm."""
        p = np.asarray(points_mm, dtype=np.float64)
        return np.asarray(p - 2 * self.height_mm(p)[:, None] * np.array(self.normal))


@dataclass(frozen=True, eq=False)
class Mirrored:
    """A region carried to the other side of the boat.

    Attributes
    ----------
    region : Region
    off_mm : float
        Largest distance between the mirrored outline and the surface it was laid on.
    off_at_mm : tuple of float
        Where, mm.
    """

    region: Region
    off_mm: float
    off_at_mm: tuple[float, float, float]


@dataclass(frozen=True, eq=False)
class _Both:
    """A surface cut along the outlines of two regions.

    `in_a`, `in_b`: (m,) faces of either; `about`: (k,) vertices along the lines.
    """

    surface: Surface
    in_a: Bools
    in_b: Bools
    about: Ints


def union(a: Region, b: Region, *, name: str | None = None, smooth_mm: float = SMOOTH_MM) -> Region:
    """Return the region that covers two.

    Parameters
    ----------
    a, b : Region
        Of one surface; they overlap or share part of their outlines. Outlines within 0.1 mm of each other are one.
    name : str, optional
        By default that of `a`.
    smooth_mm : float
        Length scale of the smooth copy on which lines are followed where the surface is noisy.

    Returns
    -------
    Region

    Raises
    ------
    OutlineError
        The regions lie apart or meet in points only, or are not of one surface.

    Examples
    --------
    >>> sheet = Surface([[0, 0, 0], [900, 0, 0], [900, 900, 0], [0, 900, 0]], [[0, 1, 2], [0, 2, 3]])
    >>> low = cut_region(sheet, [[100, 100, 0], [400, 100, 0], [400, 200, 0], [100, 200, 0]])
    >>> tall = cut_region(sheet, [[100, 100, 0], [200, 100, 0], [200, 500, 0], [100, 500, 0]])
    >>> round(union(low, tall).area_mm2)
    60000
    """
    both = _both(a, b, smooth_mm)
    keep, called = both.in_a | both.in_b, a.name if name is None else name
    return _made(both, keep, called, f"regions {a.name!r} and {b.name!r} lie apart or meet in points only", smooth_mm)


def common(a: Region, b: Region, *, name: str | None = None, smooth_mm: float = SMOOTH_MM) -> Region:
    """Return the region that lies in both of two.

    Parameters
    ----------
    a, b, name, smooth_mm
        As for `union`.

    Returns
    -------
    Region

    Raises
    ------
    OutlineError
        The regions do not overlap, overlap in several places, or are not of one surface.
    """
    both = _both(a, b, smooth_mm)
    keep, called = both.in_a & both.in_b, a.name if name is None else name
    if not _stout(both.surface, keep).any():
        raise OutlineError(f"regions {a.name!r} and {b.name!r} do not overlap", where=_place(b))
    return _made(both, keep, called, f"regions {a.name!r} and {b.name!r} overlap in several places", smooth_mm)


def minus(
    region: Region,
    opening: Region | ArrayLike | Sequence[ArrayLike],
    margin_mm: float = 0.0,
    *,
    must_meet: bool = True,
    seed_mm: ArrayLike | None = None,
    tolerance_mm: float = 10.0,
    smooth_mm: float = SMOOTH_MM,
) -> Region:
    """Return a region less an opening, such as that of a through-hull fitting, with a margin round it.

    Parameters
    ----------
    region : Region
    opening : Region, (k, 3) float array, or sequence of them, mm
        A region of the same surface, or its outline as for `cut_region`.
    margin_mm : float
        How far the cloth stays clear of the opening, measured along the surface.
    must_meet : bool
        Whether an opening that does not reach the region is an error; otherwise the region is returned as it is.
    seed_mm, tolerance_mm
        As for `cut_region`, for an opening given by its outline.
    smooth_mm : float
        As for `union`.

    Returns
    -------
    Region

    Raises
    ------
    OutlineError
        Nothing is left, what is left hangs together in points only or not at all, the opening does not meet the region,
        or its outline cannot be laid on the surface.
    """
    if not (np.isfinite(margin_mm) and margin_mm >= 0):
        raise OutlineError(f"the margin round an opening is {margin_mm:g} mm", do="Give 0 mm or more.")
    hole = opening if isinstance(opening, Region) else cut_region(
        region.parent, opening, seed_mm=seed_mm, name=region.name and f"opening in {region.name}",
        tolerance_mm=tolerance_mm, smooth_mm=smooth_mm,
    )
    if margin_mm > 0:
        hole = grow_region(hole, margin_mm, smooth_mm=smooth_mm)
    both = _both(region, hole, smooth_mm)
    if not _stout(both.surface, both.in_a & both.in_b).any():
        if not must_meet:
            return region
        raise OutlineError(
            f"the opening lies outside region {region.name!r}", where=_place(hole), do="Move it, or leave it out."
        )
    keep = both.in_a & ~both.in_b
    if not _stout(both.surface, keep).any():
        raise OutlineError(f"the opening takes all of region {region.name!r}", where=_place(hole))
    fault = f"the opening parts region {region.name!r}"
    return _made(both, keep, region.name, fault, smooth_mm, short=region)


def split_at(
    region: Region, line: Plane | ArrayLike, *, tolerance_mm: float = 10.0, smooth_mm: float = SMOOTH_MM
) -> tuple[Region, ...]:
    """Return the parts of a region on either side of a line across it.

    Parameters
    ----------
    region : Region
    line : Plane or (k, 3) float array, mm
        A plane, or points on the surface, joined by geodesics, that run from beyond one edge of the region to beyond
        another, or end on them.
    tolerance_mm : float
        How far the points may lie off the surface.
    smooth_mm : float
        As for `union`.

    Returns
    -------
    tuple of Region
        Largest first, named as the region; together they are the region.

    Raises
    ------
    OutlineError
        The line ends within the region, misses it, or cannot be laid on the surface.
    """
    if isinstance(line, Plane):
        both, net = _plane_cut(region, line, smooth_mm)
    else:
        both, net = _line_cut(region, line, tolerance_mm, smooth_mm)
    label = label_faces(both.surface, net)
    found = _labels(both.surface, label, both.in_a)
    if len(found) < 2:
        raise OutlineError(
            f"the line does not part region {region.name!r}: it misses it or ends within it", where=_loose_end(region, line),
            do="Let it run from beyond one edge of the region to beyond another.",
        )
    parts = [_finished(both, label == k, region.name, smooth_mm, keep_net=net) for k in found]
    return tuple(replace(p, short_mm=region.short_mm, short_at_mm=region.short_at_mm) for p in parts)


def part_with(parts: Sequence[Region], point_mm: ArrayLike, *, tolerance_mm: float = 10.0) -> Region:
    """Return the one of several regions that a point lies in.

    Parameters
    ----------
    parts : sequence of Region
    point_mm : (3,) float array, mm
    tolerance_mm : float
        How far the point may lie off it.

    Returns
    -------
    Region

    Raises
    ------
    OutlineError
        The point is no point, or lies in none of them.
    """
    p = np.asarray(point_mm, dtype=np.float64)
    if p.shape != (3,) or not np.isfinite(p).all():
        raise OutlineError(f"the point is {p.tolist()}", do="Give x, y and z in mm.")
    off = [float(q.surface.locate(p).distance_mm[0]) for q in parts]
    k = int(np.argmin(off))
    if off[k] > tolerance_mm:
        raise OutlineError(
            f"the point lies {off[k]:.1f} mm off the nearest part, more than {tolerance_mm:g} mm", where=at(tuple(p)),
            do="Give a point on the part that is meant.",
        )
    return parts[k]


def mirror(
    region: Region,
    onto: Surface,
    plane: Plane,
    *,
    name: str | None = None,
    off_mm: float = OFF_MM,
    smooth_mm: float = SMOOTH_MM,
) -> Mirrored:
    """Mirror a region's outline and lay it on the other side of the boat, which need not be quite like this one.

    Parameters
    ----------
    region : Region
    onto : Surface
        The surface with the other side; it may be that the region was cut from.
    plane : Plane
        The centre plane.
    name : str, optional
        By default that of the region.
    off_mm : float
        How far the mirrored outline may lie off the surface.
    smooth_mm : float
        As for `union`.

    Returns
    -------
    Mirrored

    Raises
    ------
    OutlineError
        The mirrored outline lies too far off the surface, or on its wrong face.
    """
    called = region.name if name is None else name
    lines = [plane.mirrored(region.surface.vertices_mm[q])[::-1] for q in region.loops]
    pts = np.vstack(lines)
    spot = onto.locate(pts)
    k = int(np.argmax(spot.distance_mm))
    worst, where = float(spot.distance_mm[k]), at(tuple(pts[k]))
    if worst > off_mm:
        raise OutlineError(
            f"the mirrored outline of region {region.name!r} lies {worst:.1f} mm off the other side, more than {off_mm:g} mm",
            where=where, do="Check the centre plane, or draw the region on that side for itself.",
        )
    _check_facing(region, onto, spot.face, plane)
    seed = plane.mirrored(_middle(region)[None])[0]
    cut = insert_paths(onto, lines, closed=True, tolerance_mm=2 * off_mm, smooth_mm=smooth_mm)
    label = label_faces(cut.surface, cut.path_edges)
    inside = np.asarray(label == label[cut.surface.locate(seed).face[0]])
    made = region_of(cut.surface, inside, name=called)
    if len(made.loops) < len(region.loops):
        raise OutlineError(f"the mirrored outline of region {region.name!r} bounds no such region there", where=where)
    x, y, z = pts[k].tolist()
    return Mirrored(made, worst, (x, y, z))


def mirror_surface(surface: Surface, plane: Plane, *, smooth_mm: float = SMOOTH_MM) -> Surface:
    """Return a surface mirrored in a plane, such as the other half of a half model; its air side stays the air side.

    Parameters
    ----------
    surface : Surface
    plane : Plane
    smooth_mm : float
        As for `union`.

    Returns
    -------
    Surface
    """
    new = Surface(plane.mirrored(surface.vertices_mm), surface.faces[:, ::-1], surface.colors, surface.repairs)
    carry_copy(surface, new, plane.mirrored(work_copy(surface, scale_mm=smooth_mm)), scale_mm=smooth_mm)
    return new


def mirror_half(region: Region, plane: Plane, *, name: str | None = None, smooth_mm: float = SMOOTH_MM) -> Region:
    """Return a region of a half model as it is on the half that was not drawn: mirrored with its surface.

    Parameters
    ----------
    region : Region
    plane : Plane
    name : str, optional
        By default that of the region.
    smooth_mm : float
        As for `union`.

    Returns
    -------
    Region
    """
    made = region_of(
        mirror_surface(region.parent, plane, smooth_mm=smooth_mm), region.inside,
        name=region.name if name is None else name, short_mm=region.short_mm,
    )
    if region.short_at_mm is None:
        return made
    x, y, z = plane.mirrored(np.array([region.short_at_mm]))[0].tolist()
    return replace(made, short_at_mm=(x, y, z))


def _both(a: Region, b: Region, smooth_mm: float) -> _Both:
    """Lay the outlines of b into the mesh of a."""
    for q in (a, b):
        if not q.loops:
            raise OutlineError(f"region {q.name!r} is closed: it has no outline", do="Cut a region out of it.")
    fixed = outline_of(a.surface, a.loops)
    try:
        lines = [noded(q, fixed) for q in outline_of(b.surface, b.loops)]
        cut = lay(a.parent, lines, smooth_mm=smooth_mm)
    except OutlineError as err:
        raise OutlineError(f"regions {a.name!r} and {b.name!r}: {err.what}", where=err.where, do=err.do) from err
    in_a = a.inside[cut.parent_face]
    return _Both(cut.surface, in_a, left_of(cut), np.unique(np.r_[border_edges(cut.surface, in_a).ravel(), *cut.paths]))


def _line_cut(region: Region, line: ArrayLike, tolerance_mm: float, smooth_mm: float) -> tuple[_Both, Ints]:
    """Lay a line across a region; return the edges along it and along the outline."""
    way = insert_path(region.parent, line, closed=False, tolerance_mm=tolerance_mm, smooth_mm=smooth_mm)
    fixed = outline_of(region.surface, region.loops)
    laid = noded(Line(way.surface.vertices_mm[way.path], closed=False), fixed)
    cut = lay(region.parent, [laid], smooth_mm=smooth_mm)
    inside = region.inside[cut.parent_face]
    border = border_edges(cut.surface, inside)
    about = np.unique(np.r_[border.ravel(), cut.path])
    return _Both(cut.surface, inside, inside, about), np.vstack([border, cut.path_edges])


def _plane_cut(region: Region, plane: Plane, smooth_mm: float) -> tuple[_Both, Ints]:
    """Cut a region's surface by a plane; return the edges along the cut and along the outline."""
    height = plane.height_mm(work_copy(region.parent, scale_mm=smooth_mm))
    height = np.where(np.abs(height) < 1e-6, 0.0, height)
    cut = cut_at_level(region.parent, height, 0.0, snap=PLANE_SNAP, move_mm=0.0)
    inside = region.inside[cut.parent_face]
    net = np.vstack([border_edges(cut.surface, inside), border_edges(cut.surface, cut.below)])
    return _Both(cut.surface, inside, inside, np.unique(net)), net


def _made(both: _Both, keep: Bools, name: str, fault: str, smooth_mm: float, *, short: Region | None = None) -> Region:
    """Make one region of the faces kept, or say where it falls apart."""
    surface = both.surface
    filled = ~_stout(surface, ~keep)
    keep = _stout(surface, filled)
    label = _parted(surface, keep)
    found = _labels(surface, label, keep)
    if len(found) > 1:
        places = [surface.vertices_mm[surface.faces[label == k]].mean(axis=(0, 1)) for k in found]
        raise OutlineError(
            f"{fault}: it would be {len(found)} parts", where=" and ".join(at(tuple(p)) for p in places[:4]),
            do="Make it several regions.",
        )
    made = _finished(both, keep, name, smooth_mm)
    return made if short is None else replace(made, short_mm=short.short_mm, short_at_mm=short.short_at_mm)


def _finished(both: _Both, keep: Bools, name: str, smooth_mm: float, *, keep_net: Ints | None = None) -> Region:
    """Clear slivers away along old and new lines and return the region."""
    net = border_edges(both.surface, keep) if keep_net is None else keep_net
    cut = cleared(both.surface, net, both.about, path_mm=PATH_MM, cap_mm=CAP_MM, smooth_mm=smooth_mm)
    try:
        return region_of(cut.surface, keep[cut.parent_face], name=name)
    except MeshError as err:
        raise OutlineError(
            f"region {name!r} would touch itself in a point", where=err.where,
            do="Move one of the outlines so that they cross or stay clear of each other.",
        ) from err


def _parted(surface: Surface, keep: Bools) -> Ints:
    """Number the parts that hang together among the faces kept and among the others."""
    return label_faces(surface, border_edges(surface, keep))


def _labels(surface: Surface, label: Ints, keep: Bools) -> list[int]:
    """Labels of the parts among the faces kept, largest first."""
    area = np.bincount(label[keep], surface.face_areas_mm2[keep])
    found = np.unique(label[keep])
    return [int(k) for k in found[np.argsort(-area[found], kind="stable")]]


def _stout(surface: Surface, keep: Bools) -> Bools:
    """Which of some faces are in parts that are not mere slivers between lines a hair apart."""
    label = _parted(surface, keep)
    edges = surface_edges(surface)
    one, two = edges.faces.T
    rim = (two < 0) | (label[one] != label[np.maximum(two, 0)])
    p = surface.vertices_mm[edges.ends[rim]]
    length = np.linalg.norm(p[:, 1] - p[:, 0], axis=1)
    count = int(label.max()) + 1
    girth = np.bincount(label[one[rim]], length, minlength=count)
    inner = two[rim] >= 0
    girth += np.bincount(label[two[rim][inner]], length[inner], minlength=count)
    area = np.bincount(label, surface.face_areas_mm2, minlength=count)
    # A strip of width w and length l has an area of w l and a girth of 2 l.
    return np.asarray(keep & (area > 0.5 * TOUCH_MM * girth)[label])


def _place(region: Region) -> str:
    """Some place in a region, as it stands in messages."""
    return at(tuple(_middle(region)))


def _middle(region: Region) -> Floats:
    """The middle of the face of a region that lies farthest from its outline."""
    from scipy.spatial import cKDTree

    s = region.surface
    middle = s.vertices_mm[s.faces].mean(axis=1)
    rim = np.vstack([s.vertices_mm[q] for q in region.loops])
    return np.asarray(middle[int(np.argmax(cKDTree(rim).query(middle)[0]))])


def _loose_end(region: Region, line: Plane | ArrayLike) -> str:
    """Where an end of a line lies within a region, for a message; else the region's own place."""
    if isinstance(line, Plane):
        return _place(region)
    ends = np.asarray(line, dtype=np.float64)[[0, -1]]
    spot = region.surface.locate(ends)
    inner = np.flatnonzero(spot.distance_mm < region.parent.locate(ends).distance_mm + TOUCH_MM)
    return at(tuple(ends[inner[0]])) if len(inner) else _place(region)


def _check_facing(region: Region, onto: Surface, face: Ints, plane: Plane) -> None:
    """Refuse a mirrored outline that falls on the wrong face of a thin part."""
    for loop, spots in zip(region.loops, np.split(face, np.cumsum([len(q) for q in region.loops])[:-1])):
        here = region.surface.vertex_normals[loop]
        there = onto.face_normals[spots]
        wanted = plane.mirrored(here + np.array(plane.point_mm)) - np.array(plane.point_mm)
        if (wanted * there).sum(axis=1).mean() < 0:
            raise OutlineError(
                f"the mirrored outline of region {region.name!r} falls on a surface that faces the other way",
                where=at(tuple(plane.mirrored(region.surface.vertices_mm[loop[:1]])[0])),
                do="Check the centre plane, and that both sides face the air.",
            )

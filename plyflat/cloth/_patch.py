"""What a patch must be to be laid flat, and the sums over its triangles that every solver needs."""

from __future__ import annotations

from functools import cached_property

import numpy as np
from scipy.sparse import coo_matrix, csr_matrix
from scipy.sparse.csgraph import connected_components

from ..errors import MeshError, ShapeError
from ..surface.mesh import Floats, Ints, Surface


def place_text(point_mm: Floats) -> str:
    """Write a point for the ``where`` of an error."""
    return "({:.1f}, {:.1f}, {:.1f}) mm".format(*point_mm)


def check_disc(surface: Surface) -> tuple[Ints, ...]:
    """Return a patch's boundary loops after checking that it is one disc, with or without holes.

    Parameters
    ----------
    surface : Surface

    Returns
    -------
    tuple of (k,) int arrays
        Outer loop (the longest) first, the patch on the left.

    Raises
    ------
    MeshError
        Triangles without area, vertices of no triangle, edges with more than two triangles or with triangles that
        face different ways, or a vertex where parts merely touch.
    ShapeError
        Several pieces, a closed surface, or a handle.
    """
    _check_areas(surface)
    edges = _check_edges(surface)
    n, f = len(surface.vertices_mm), surface.faces
    pieces, label = connected_components(coo_matrix((np.ones(len(edges)), edges.T), (n, n)), directed=False)
    if pieces > 1:
        size = np.bincount(label[f[:, 0]], weights=surface.face_areas_mm2)
        raise ShapeError(
            f"the patch is in {pieces} pieces of {', '.join(f'{a:.0f}' for a in np.sort(size)[::-1][:5])} mm²",
            where=place_text(surface.vertices_mm[np.flatnonzero(label == size.argmin())[0]]),
            do="Lay each piece flat by itself.",
        )
    _check_fans(surface)
    loops = surface.boundary_loops
    if not loops:
        raise ShapeError(
            "the surface is closed and has no edge", do="Cut out a region, or open it along a seam."
        )
    handles = (2 - len(loops) - (n - len(edges) + len(f))) // 2
    if handles:
        raise ShapeError(
            f"the patch has {handles} handle{'s' if handles > 1 else ''}, like a cup's, that no flat shape has",
            where=place_text(surface.vertices_mm.mean(axis=0)),
            do="Cut the region smaller, or open it along a seam.",
        )
    return loops


def _check_areas(surface: Surface) -> None:
    corners = surface.vertices_mm[surface.faces]
    longest = np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2).max(axis=1)
    # A height below this share of the longest side is lost in the rounding of the coordinates.
    flat = ~(2 * surface.face_areas_mm2 > 1e-10 * longest**2)
    if flat.any():
        first = int(np.argmax(flat))
        raise MeshError(
            f"{int(flat.sum())} triangles have no area, first is triangle {first}",
            where=place_text(corners[first].mean(axis=0)),
            do="Repair the mesh first.",
        )


def _check_edges(surface: Surface) -> Ints:
    """Return the undirected edges once each, after checking that every directed edge occurs once."""
    f, n = surface.faces, len(surface.vertices_mm)
    tail, head = f.ravel(), f[:, [1, 2, 0]].ravel()
    key = np.sort(tail * n + head)
    if (key[1:] == key[:-1]).any():
        bad = int(key[1:][key[1:] == key[:-1]][0])
        raise MeshError(
            "an edge has more than two triangles, or two that face different ways",
            where=place_text(surface.vertices_mm[[bad // n, bad % n]].mean(axis=0)),
            do="Repair the mesh first.",
        )
    unused = np.bincount(tail, minlength=n) == 0
    if unused.any():
        first = int(np.argmax(unused))
        raise MeshError(
            f"{int(unused.sum())} vertices belong to no triangle, first is vertex {first}",
            where=place_text(surface.vertices_mm[first]),
            do="Drop them with Surface.sub.",
        )
    return undirected(f, n)


def undirected(faces: Ints, count: int) -> Ints:
    """Return each edge of (m, 3) faces once as (e, 2), smaller vertex first, sorted."""
    a, b = faces.ravel(), faces[:, [1, 2, 0]].ravel()
    key = np.unique(np.minimum(a, b) * count + np.maximum(a, b))
    return np.stack([key // count, key % count], axis=1)


def _check_fans(surface: Surface) -> None:
    """Raise where the triangles round a vertex are not one fan, so that parts only touch there."""
    f, n = surface.faces, len(surface.vertices_mm)
    m = len(f)
    tail, head = f.ravel(), f[:, [1, 2, 0]].ravel()
    forth, back = tail * n + head, head * n + tail
    order = np.argsort(forth)
    at = np.minimum(np.searchsorted(forth[order], back), 3 * m - 1)
    mate = order[at]
    inner = np.flatnonzero(forth[mate] == back)
    # Half-edge 3f+i leaves corner 3f+i and enters corner 3f+(i+1)%3; across an edge corners of one vertex join.
    enter = 3 * (inner // 3) + (inner % 3 + 1) % 3
    links = coo_matrix((np.ones(len(inner)), (enter, mate[inner])), (3 * m, 3 * m))
    fans, label = connected_components(links, directed=False)
    if fans != n:
        vertex_of = np.zeros(fans, dtype=np.int64)
        vertex_of[label] = tail
        twice = int(np.argmax(np.bincount(vertex_of, minlength=n) > 1))
        raise MeshError(
            f"parts of the patch touch at {fans - n} single vertices",
            where=place_text(surface.vertices_mm[twice]),
            do="Repair the mesh first; it splits such vertices.",
        )


def fill_holes(faces: Ints, points: Floats, holes: tuple[Ints, ...]) -> tuple[Ints, Floats]:
    """Close holes by fans round a new vertex each.

    Parameters
    ----------
    faces : (m, 3) int array
    points : (n, 3) float array
    holes : tuple of (k,) int arrays
        Boundary loops with the patch on the left.

    Returns
    -------
    (m', 3) int array, (n + holes, 3) float array
        The fans follow the faces, the new vertices the old ones.
    """
    fans, middles = [faces], [points]
    for i, loop in enumerate(holes):
        centre = np.full(len(loop), len(points) + i)
        fans.append(np.stack([np.roll(loop, -1), loop, centre], axis=1))
        middle = points[loop].mean(axis=0)
        rim = points[loop] - middle
        # Lifted a little, so that no triangle of the fan is without area where the hole is not convex.
        lift = 1e-3 * np.cross(np.roll(rim, -1, axis=0), rim).sum(axis=0)
        size = np.linalg.norm(rim, axis=1).mean()
        middles.append((middle + lift / size)[None])
    return np.concatenate(fans), np.concatenate(middles)


class Triangles:
    """The triangles of a patch at rest, scaled so that their areas sum to 1.

    Parameters
    ----------
    points : (n, 3) or (n, 2) float array, mm
    faces : (m, 3) int array
    """

    def __init__(self, points: Floats, faces: Ints) -> None:
        self.faces, self.count = faces, len(points)
        a, b, c = (points[faces[:, i]] for i in range(3))
        ab, ac = b - a, c - a
        length = np.sqrt((ab * ab).sum(axis=1))
        x = (ab * ac).sum(axis=1) / length
        # Height by the rejection rather than by Heron's rule, which loses slivers to rounding.
        off = ac - (x / length)[:, None] * ab
        y = np.sqrt((off * off).sum(axis=1))
        area = 0.5 * length * y
        self.scale = float(np.sqrt(area.sum()))
        self.areas = area / area.sum()
        length, x, y = length / self.scale, x / self.scale, y / self.scale
        # Gradients of the three corner functions in the frame whose first axis is the side ab.
        zero = np.zeros_like(x)
        self.gx = np.stack([-1 / length, 1 / length, zero], axis=1)
        self.gy = np.stack([(x / length - 1) / y, -x / (length * y), 1 / y], axis=1)

    @cached_property
    def gradient(self) -> csr_matrix:
        """(2m, n) matrix from vertex values to the two derivatives, all first ones before all second ones."""
        m = len(self.faces)
        start = np.arange(0, 6 * m + 1, 3)
        values = np.concatenate([self.gx.ravel(), self.gy.ravel()])
        return csr_matrix((values, np.tile(self.faces.ravel(), 2), start), (2 * m, self.count))

    @cached_property
    def divergence(self) -> csr_matrix:
        """The gradient's transpose."""
        return self.gradient.T.tocsr()

    def jacobian(self, uv: Floats) -> tuple[Floats, Floats, Floats, Floats]:
        """Return du/dx, du/dy, dv/dx, dv/dy of each triangle for (n, 2) flat points in the same scale."""
        d, m = self.gradient @ uv, len(self.faces)
        return d[:m, 0], d[m:, 0], d[:m, 1], d[m:, 1]

    def stretch(self, uv: Floats) -> tuple[Floats, Floats]:
        """Return the larger and the (signed) smaller singular value of each triangle's map."""
        a, b, c, d = self.jacobian(uv)
        near, far = 0.5 * np.hypot(a + d, c - b), 0.5 * np.hypot(a - d, c + b)
        large = near + far
        return large, (a * d - b * c) / np.where(large > 0, large, 1.0)

"""What a patch must be to be laid flat, and the sums over its triangles that every solver needs."""

from __future__ import annotations

import numpy as np
from scipy.sparse import coo_matrix, csr_matrix
from scipy.sparse.csgraph import connected_components

from ..errors import MeshError, ShapeError
from ..surface.mesh import Bools, Floats, Ints, Surface


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
    return checked_disc(surface)[0]


def checked_disc(surface: Surface) -> tuple[tuple[Ints, ...], Edges]:
    """Return the loops and the edges of a patch; for what is raised see `check_disc`."""
    _check_areas(surface)
    n, f = len(surface.vertices_mm), surface.faces
    edges = Edges(f, n)
    _check_edges(surface, edges)
    pieces, label = connected_components(edges.graph(), directed=False)
    if pieces > 1:
        size = np.bincount(label[f[:, 0]], weights=surface.face_areas_mm2)
        raise ShapeError(
            f"the patch is in {pieces} pieces of {', '.join(f'{a:.0f}' for a in np.sort(size)[::-1][:5])} mm²",
            where=place_text(surface.vertices_mm[np.flatnonzero(label == size.argmin())[0]]),
            do="Lay each piece flat by itself.",
        )
    _check_fans(surface, edges)
    loops = surface.boundary_loops
    if not loops:
        raise ShapeError(
            "the surface is closed and has no edge", do="Cut out a region, or open it along a seam."
        )
    handles = (2 - len(loops) - (n - len(edges.ends) + len(f))) // 2
    if handles:
        raise ShapeError(
            f"the patch has {handles} handle{'s' if handles > 1 else ''}, like a cup's, that no flat shape has",
            where=place_text(surface.vertices_mm.mean(axis=0)),
            do="Cut the region smaller, or open it along a seam.",
        )
    return loops, edges


class Edges:
    """The edges of a mesh, found by one sort.

    Side k of triangle f, from its corner k to the next, is number ``k * m + f``.

    Parameters
    ----------
    faces : (m, 3) int array
    count : int
        Vertices.

    Attributes
    ----------
    tail, head : (3m,) int arrays
        Ends of each side.
    ends : (e, 2) int array
        Ends of each edge, each edge once, the smaller first, sorted.
    of : (3m,) int array
        Edge of each side.
    order : (3m,) int array
        The sides, edge by edge.
    first : (e,) int array
        Where each edge's sides begin in ``order``.
    """

    def __init__(self, faces: Ints, count: int) -> None:
        self.count = count
        self.tail, self.head = faces.T.ravel(), faces[:, [1, 2, 0]].T.ravel()
        key = np.minimum(self.tail, self.head) * count + np.maximum(self.tail, self.head)
        self.order = np.argsort(key)
        key = key[self.order]
        fresh = np.ones(len(key), dtype=bool)
        np.not_equal(key[1:], key[:-1], out=fresh[1:])
        self.first = np.flatnonzero(fresh)
        self.of = np.empty(len(key), dtype=np.int64)
        self.of[self.order] = np.cumsum(fresh) - 1
        key = key[self.first]
        self.ends = np.stack([key // count, key % count], axis=1)

    @property
    def sides(self) -> Ints:
        """(e,) how many triangles each edge has."""
        return np.diff(self.first, append=len(self.order))

    def graph(self) -> csr_matrix:
        """(n, n) matrix with an entry for each edge."""
        start = np.searchsorted(self.ends[:, 0], np.arange(self.count + 1))
        return csr_matrix((np.ones(len(self.ends)), self.ends[:, 1], start), (self.count, self.count))


def without_area(surface: Surface) -> Bools:
    """Return which triangles have no area worth the name: a mask (m,)."""
    columns = np.ascontiguousarray(surface.vertices_mm.T)
    corner = columns[:, surface.faces.T]
    longest = ((corner - np.roll(corner, 1, axis=1)) ** 2).sum(axis=0).max(axis=0)
    # A height below this share of the longest side is lost in the rounding of the coordinates.
    return ~(2 * surface.face_areas_mm2 > 1e-10 * longest)


def _check_areas(surface: Surface) -> None:
    flat = without_area(surface)
    if flat.any():
        first = int(np.argmax(flat))
        raise MeshError(
            f"{int(flat.sum())} triangles have no area, first is triangle {first}",
            where=place_text(surface.vertices_mm[surface.faces[first]].mean(axis=0)),
            do="Repair the mesh first.",
        )


def _check_edges(surface: Surface, edges: Edges) -> None:
    """Check that every edge has two triangles at most, which run along it opposite ways."""
    n, v = edges.count, surface.vertices_mm
    forward = np.bincount(edges.of, weights=edges.tail < edges.head, minlength=len(edges.ends))
    bad = (forward > 1) | (edges.sides - forward > 1)
    if bad.any():
        raise MeshError(
            "an edge has more than two triangles, or two that face different ways",
            where=place_text(v[edges.ends[int(np.argmax(bad))]].mean(axis=0)),
            do="Repair the mesh first.",
        )
    unused = np.bincount(edges.tail, minlength=n) == 0
    if unused.any():
        first = int(np.argmax(unused))
        raise MeshError(
            f"{int(unused.sum())} vertices belong to no triangle, first is vertex {first}",
            where=place_text(v[first]),
            do="Drop them with Surface.sub.",
        )


def undirected(faces: Ints, count: int) -> Ints:
    """Return each edge of (m, 3) faces once as (e, 2), smaller vertex first, sorted."""
    return Edges(faces, count).ends


def _check_fans(surface: Surface, edges: Edges) -> None:
    """Raise where the triangles round a vertex are not one fan, so that parts only touch there."""
    n, m = edges.count, len(surface.faces)
    inner = edges.first[edges.sides == 2]
    one, two = edges.order[inner], edges.order[inner + 1]
    # A side is also the corner it leaves; across an edge corners of one vertex join.
    enters = [(side + m) % (3 * m) for side in (one, two)]
    links = coo_matrix(
        (np.ones(2 * len(inner)), (np.concatenate(enters), np.concatenate([two, one]))), (3 * m, 3 * m)
    )
    fans, label = connected_components(links, directed=False)
    if fans != n:
        vertex_of = np.zeros(fans, dtype=np.int64)
        vertex_of[label] = edges.tail
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
        self._corner = np.ascontiguousarray(faces.T)
        a, b, c = (np.ascontiguousarray(points[f].T) for f in self._corner)
        ab, ac = b - a, c - a
        length = np.sqrt((ab * ab).sum(axis=0))
        x = (ab * ac).sum(axis=0) / length
        # Height by the rejection rather than by Heron's rule, which loses slivers to rounding.
        off = ac - (x / length) * ab
        y = np.sqrt((off * off).sum(axis=0))
        area = 0.5 * length * y
        self.scale = float(np.sqrt(area.sum()))
        self.areas = area / area.sum()
        # Derivatives in the frame whose first axis is the side ab: by x and y of a function that rises by p along
        # ab and by q along ac they are p * along and q * across - p * lean.
        self._along, self._across, self._lean = self.scale / length, self.scale / y, x * self.scale / (length * y)

    @property
    def gx(self) -> Floats:
        """(3, m) derivatives by x of the three corner functions."""
        return np.stack([-self._along, self._along, np.zeros_like(self._along)])

    @property
    def gy(self) -> Floats:
        """(3, m) derivatives by y of the three corner functions."""
        return np.stack([self._lean - self._across, -self._lean, self._across])

    def jacobian(self, uv: Floats) -> Floats:
        """Return du/dx, du/dy, dv/dx, dv/dy of each triangle, (4, m), for (n, 2) flat points in the same scale."""
        out = np.empty((4, len(self.faces)))
        a, b, c = self._corner
        for k in range(2):
            values = np.ascontiguousarray(uv[:, k])
            first = values[a]
            rise = values[b] - first
            np.multiply(rise, self._along, out=out[2 * k])
            np.multiply(values[c] - first, self._across, out=out[2 * k + 1])
            out[2 * k + 1] -= rise * self._lean
        return out

    def gather(self, stress: Floats) -> Floats:
        """Return the (n, 2) sums at the vertices of stress (4, m) by the corner functions: `jacobian` transposed."""
        out = np.empty((self.count, 2))
        for k in range(2):
            by_x, by_y = stress[2 * k], stress[2 * k + 1]
            at_c = by_y * self._across
            at_b = by_x * self._along - by_y * self._lean
            each = np.concatenate([-(at_b + at_c), at_b, at_c])
            out[:, k] = np.bincount(self._corner.ravel(), weights=each, minlength=self.count)
        return out

    def stretch(self, uv: Floats) -> tuple[Floats, Floats]:
        """Return the larger and the (signed) smaller singular value of each triangle's map."""
        a, b, c, d = self.jacobian(uv)
        near, far = 0.5 * np.hypot(a + d, c - b), 0.5 * np.hypot(a - d, c + b)
        large = near + far
        return large, (a * d - b * c) / np.where(large > 0, large, 1.0)

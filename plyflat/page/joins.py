"""Shortest lines along the hull between points, for the eye: each is looked for near its ends, on a mesh as coarse as it is long.

A line from vertex to vertex of a thinned mesh begins and ends up to an edge beside its points, and wanders about with each
of them. So the points themselves are put into the triangles they lie in, and only the triangles that a line can reach are
looked at: a thousandth of a large scan, mostly.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from ..surface.mesh import Floats, Ints, Surface

#: Triangles that are looked at for one line; where a finer mesh has more of them a coarser one is taken.
MOST = 8000
#: A line is first looked for within this many times half the distance of its ends from their middle.
REACH = 1.25
#: Least weight of a corner where a point is put into a triangle: no needle comes of it.
_LEAST = 0.02
#: Lines that are kept, since most of them stay as one point is moved.
_KEPT = 1000
#: Longest piece of a line that is laid onto what is drawn, as a share of that mesh's mean edge.
_PIECE = 0.5


@dataclass(eq=False)
class _Mesh:
    """A mesh with the boxes of its triangles."""

    vertices_mm: Floats
    faces: Ints
    low: NDArray[np.float32] = field(init=False)
    high: NDArray[np.float32] = field(init=False)

    def __post_init__(self) -> None:
        corners = self.vertices_mm.astype(np.float32)[self.faces]
        self.low, self.high = corners.min(axis=1), corners.max(axis=1)

    def near(self, middle: Floats, reach_mm: float) -> NDArray[np.bool_]:
        """Say which triangles a ball may touch."""
        # float32 is off by less than a millionth of a coordinate.
        reach_mm += 1e-6 * float(np.abs(middle).max() + reach_mm)
        touched: NDArray[np.bool_] = np.logical_and.reduce((self.low <= middle + reach_mm) & (self.high >= middle - reach_mm), axis=1)
        return touched


class Joins:
    """Shortest lines along a mesh.

    Parameters
    ----------
    meshes : sequence of (vertices, faces)
        The same surface, the finest first.
    drawn : (vertices, faces)
        What the lines are laid onto.
    """

    def __init__(self, meshes: Sequence[tuple[Floats, Ints]], drawn: tuple[Floats, Ints]) -> None:
        self._given = list(meshes)
        self._made: dict[int, _Mesh] = {}
        self._drawn = Surface(*drawn)
        a, b = self._drawn.vertices_mm[self._drawn.faces[:, 0]], self._drawn.vertices_mm[self._drawn.faces[:, 1]]
        self._piece_mm = _PIECE * float(np.linalg.norm(b - a, axis=1).mean())
        self._known: dict[bytes, Floats] = {}

    def get_ready(self) -> None:
        """Build what lines near each other and points of the drawn mesh are looked up by; else the first line does it."""
        self._mesh(0)
        self._drawn.locate(self._drawn.vertices_mm[:1])

    def line(self, a: Floats, b: Floats) -> Floats:
        """Return the line between two points, (k, 3), mm; straight where they lie on parts that do not hang together.

        Parameters
        ----------
        a, b : (3,) float array
        """
        key = np.concatenate([a, b]).tobytes()
        if key not in self._known:
            if len(self._known) >= _KEPT:
                self._known.clear()
            self._known[key] = self._laid(self._found(np.asarray(a, dtype=float), np.asarray(b, dtype=float)))
        return self._known[key]

    def _found(self, a: Floats, b: Floats) -> Floats:
        for level in range(len(self._given)):
            way = self._on(self._mesh(level), a, b, last=level == len(self._given) - 1)
            if way is not None:
                return way
        # Quick thinning does not promise one surface; the mesh itself is one.
        way = _path(*self._given[0], a, b)
        return np.stack([a, b]) if way is None else way

    def _mesh(self, level: int) -> _Mesh:
        if level not in self._made:
            self._made[level] = _Mesh(*self._given[level])
        return self._made[level]

    def _on(self, mesh: _Mesh, a: Floats, b: Floats, *, last: bool) -> Floats | None:
        """Look for the line on one mesh; None where that has too many triangles near it, or is no surface there."""
        middle, far = (a + b) / 2.0, float(np.linalg.norm(b - a))
        reach = REACH * far / 2.0 + 1e-6
        while True:
            keep = mesh.near(middle, reach)
            if keep.sum() > MOST and not last:
                return None
            way = _path(mesh.vertices_mm, mesh.faces[keep], a, b)
            if keep.all():
                return way
            long = np.inf if way is None else float(np.linalg.norm(np.diff(way, axis=0), axis=1).sum())
            # A line that leaves the ball comes from one end to its skin and goes from there to the other end.
            if long <= 2.0 * reach - far:
                return way
            reach = 2.0 * reach if way is None else min(0.505 * (long + far), 2.0 * reach)

    def _laid(self, line: Floats) -> Floats:
        """A line on the mesh that is drawn: on another one it would dive below it and out again."""
        steps = np.maximum(np.ceil(np.linalg.norm(np.diff(line, axis=0), axis=1) / self._piece_mm), 1).astype(int)
        parts = [p + (q - p) * (np.arange(n)[:, None] / n) for p, q, n in zip(line, line[1:], steps)]
        found = self._drawn.locate(np.concatenate([*parts, line[-1:]])).points_mm
        return np.concatenate([line[:1], found[1:-1], line[-1:]])


def _path(vertices_mm: Floats, faces: Ints, a: Floats, b: Floats) -> Floats | None:
    """Find the shortest line between two points on some triangles; None where they are no surface or do not hang together.

    References
    ----------
    N. Sharp, K. Crane, "You can find geodesic paths in triangle meshes by just flipping edges", ACM Trans. Graph. 39(6), 2020.
    """
    import potpourri3d

    if not len(faces):
        return None
    used, inverse = np.unique(faces, return_inverse=True)
    v, f = vertices_mm[used], inverse.reshape(-1, 3)
    at = Surface(v, f).locate(np.stack([a, b]))
    if at.face[0] == at.face[1]:
        return np.stack([a, b])
    weights = np.maximum(at.weights, _LEAST)
    weights /= weights.sum(axis=1, keepdims=True)
    put = np.einsum("ij,ijk->ik", weights, v[f[at.face]])
    n = len(v)
    fans = [[[f[t, i], f[t, (i + 1) % 3], n + k] for i in range(3)] for k, t in enumerate(at.face)]
    f = np.concatenate([np.delete(f, at.face, axis=0), *fans])
    try:
        way = np.asarray(potpourri3d.EdgeFlipGeodesicSolver(np.concatenate([v, put]), f).find_geodesic_path(n, n + 1))
    except RuntimeError:
        return None
    return np.concatenate([[a], way[1:-1], [b]])

"""What a film lies on: how far points are from the hull, and which way is out."""

from __future__ import annotations

from copy import copy
from dataclasses import dataclass

import numpy as np

from ..surface._topology import surface_edges
from ..surface.mesh import Floats, Ints, Surface

# A foot this near a corner or a side of its triangle, as a share of the triangle, lies on it.
_ON_SIDE = 1e-6
_ON = 1e-9
_LEVEL = 1.0 - 1e-12
# Nearer to an edge than this share of the stack's thickness the normals turn too fast to be followed.
_TURNS_FROM = 0.25


class Ground:
    """Anything a film can lie on; one without edges to slide over need only say how far off it is."""

    def look(self, points: Floats) -> tuple[Floats, Floats]:
        """Return how far points (k, 3) are outside the ground, negative within, and the unit normals (k, 3)."""
        raise NotImplementedError

    def find(self, points: Floats) -> tuple[Floats, Floats, Ints]:
        """Return what `look` does, and for each point (k,) a number by which `bend` knows what is nearest to it."""
        return *self.look(points), np.zeros(len(points), dtype=np.int64)

    def bend(self, distance: Floats, normal: Floats, place: Ints) -> Floats:
        """Return how the normals turn with the points that were found, (k, 3, 3) 1/mm; none where it is flat."""
        return np.zeros((len(place), 3, 3))


class MeshGround(Ground):
    """A surface, thickened to the air side by the stack under the film.

    Parameters
    ----------
    surface : Surface
    offset_mm : float
        The stack's thickness. Convex edges become round by it, so that a film can slide over them.

    References
    ----------
    Baerentzen, Aanaes (2005). Signed distance computation using the angle weighted pseudonormal. IEEE TVCG 11(3),
    243-253: the sign from the normals of the faces round the foot, weighted by their angles.
    """

    def __init__(self, surface: Surface, *, offset_mm: float = 0.0) -> None:
        import igl

        self._v, self._f = np.array(surface.vertices_mm), np.array(surface.faces)
        self._offset = offset_mm
        self._tree = igl.AABB()
        self._tree.init(self._v, self._f)
        self._face = np.array(surface.face_normals)
        self._corner = _by_angle(self._v, self._f, self._face)
        self._side = _by_side(surface, self._face)

    def thicker(self, by_mm: float) -> MeshGround:
        """Return the same ground under so much more stack."""
        other = copy(self)
        other._offset = self._offset + by_mm
        return other

    def look(self, points: Floats) -> tuple[Floats, Floats]:
        """Return how far points (k, 3) are outside the ground, negative within, and the unit normals (k, 3)."""
        return self.find(points)[:2]

    def find(self, points: Floats) -> tuple[Floats, Floats, Ints]:
        """Return what `look` does, and for each point (k,) a number by which `bend` knows what is nearest to it."""
        foot = self._foot(points)
        return foot.far - self._offset, foot.out, 9 * foot.face + 3 * foot.kind + foot.side

    def bend(self, distance: Floats, normal: Floats, place: Ints) -> Floats:
        """Return how the normals turn with the points that were found, (k, 3, 3) 1/mm.

        About a corner they turn every way, about an edge across it, with the distance for a radius.
        """
        far, face, kind, side = distance + self._offset, place // 9, place // 3 % 3, place % 3
        # Between faces of one plane nothing turns.
        leans = (normal * self._face[face]).sum(axis=1) < _LEVEL
        at = np.flatnonzero(leans & (kind > 0) & (far > _TURNS_FROM * max(self._offset, _ON)))
        out = np.zeros((len(place), 3, 3))
        n, f, i = normal[at], self._f[face[at]], side[at]
        rows = np.arange(len(at))
        e = self._v[f[rows, (i + 1) % 3]] - self._v[f[rows, i]]
        across = np.cross(n, e / np.maximum(np.linalg.norm(e, axis=1, keepdims=True), _ON))
        hinge = across[:, :, None] * across[:, None, :]
        round_ = np.eye(3) - n[:, :, None] * n[:, None, :]
        out[at] = np.where(kind[at, None, None] == 2, round_, hinge) / far[at, None, None]
        return out

    def _foot(self, points: Floats) -> _Foot:
        square, face, foot = self._tree.squared_distance(self._v, self._f, np.ascontiguousarray(points))
        foot, face = np.asarray(foot), np.asarray(face, dtype=np.int64)
        low = _weights(self._v[self._f[face]], foot) < _ON_SIDE
        kind = np.minimum(low.sum(axis=1), 2)
        # Side i of a triangle runs from corner i to the next; it lies opposite the corner after that.
        side = (low.argmax(axis=1) + 1) % 3
        normal = self._face[face].copy()
        normal[kind == 1] = self._side[face[kind == 1], side[kind == 1]]
        corner = (~low).argmax(axis=1)
        normal[kind == 2] = self._corner[self._f[face[kind == 2], corner[kind == 2]]]
        away = points - foot
        far = np.sqrt(np.maximum(np.asarray(square), 0.0))
        sign = np.where((away * normal).sum(axis=1) < 0, -1.0, 1.0)
        off = far > _ON
        out = np.where(off[:, None], away * (sign / np.where(off, far, 1.0))[:, None], normal)
        return _Foot(face, kind, side, sign * far, out)


@dataclass(frozen=True, eq=False)
class _Foot:
    """The nearest place on a mesh.

    Attributes
    ----------
    face : (k,) int array
    kind : (k,) int array
        0 within it, 1 on a side, 2 on a corner.
    side : (k,) int array
        Which side.
    far : (k,) float array
        mm, negative behind it.
    out : (k, 3) float array
        Unit vectors.
    """

    face: Ints
    kind: Ints
    side: Ints
    far: Floats
    out: Floats


def _weights(corners: Floats, points: Floats) -> Floats:
    """Barycentric weights (k, 3) of points in the planes of triangles (k, 3, 3)."""
    u, v, w = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0], points - corners[:, 0]
    uu, uv, vv = (u * u).sum(axis=1), (u * v).sum(axis=1), (v * v).sum(axis=1)
    wu, wv = (w * u).sum(axis=1), (w * v).sum(axis=1)
    det = uu * vv - uv * uv
    det = np.where(det > 0, det, 1.0)
    s, t = (vv * wu - uv * wv) / det, (uu * wv - uv * wu) / det
    return np.stack([1 - s - t, s, t], axis=1)


def _by_angle(v: Floats, f: Ints, face_normals: Floats) -> Floats:
    """Normals of the vertices, each face weighted by its angle there."""
    out = np.zeros_like(v)
    for i in range(3):
        a, b = v[f[:, (i + 1) % 3]] - v[f[:, i]], v[f[:, (i + 2) % 3]] - v[f[:, i]]
        angle = np.arctan2(np.linalg.norm(np.cross(a, b), axis=1), (a * b).sum(axis=1))
        for k in range(3):
            out[:, k] += np.bincount(f[:, i], angle * face_normals[:, k], minlength=len(v))
    size = np.linalg.norm(out, axis=1, keepdims=True)
    return out / np.where(size > 0, size, 1.0)


def _by_side(surface: Surface, face_normals: Floats) -> Floats:
    """Normals (m, 3, 3) of each face's sides, that of corner 0 to 1 first: the sum over the faces that meet there."""
    edges = surface_edges(surface)
    both = face_normals[edges.faces[:, 0]].copy()
    inner = edges.faces[:, 1] >= 0
    both[inner] += face_normals[edges.faces[inner, 1]]
    size = np.linalg.norm(both, axis=1, keepdims=True)
    both = both / np.where(size > 0, size, 1.0)
    return np.asarray(both[edges.of_face])

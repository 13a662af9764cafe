"""The triangle mesh that everything starts from."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..errors import MeshError

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]


@dataclass(frozen=True)
class Repair:
    """One kind of fault found on a mesh: how often, where, and what was done about it.

    Attributes
    ----------
    what : str
        What was done, in the past tense ("duplicate vertices merged").
    count : int
        How many.
    largest_move_mm : float
        How far the farthest vertex moved; 0 where nothing moved.
    where_mm : tuple of float or None
        A point (mm) at the worst place, where there is one.
    places_mm : tuple of (float, float, float)
        Points (mm) to mark on a picture, spread over all the places, the worst first; at most some dozens.
    kind : str
        One word for the fault ("spikes", "steps"), the same whatever was done about it.
    severity : {"mended", "left"}
        "left" where the fault is still there, or where mending took something away: the user must look.
    """

    what: str
    count: int
    largest_move_mm: float = 0.0
    where_mm: tuple[float, float, float] | None = None
    places_mm: tuple[tuple[float, float, float], ...] = ()
    kind: str = ""
    severity: str = "mended"


#: Most places kept of one kind of repair.
PLACES_MOST = 24


def spread_places(points_mm: Floats | None) -> tuple[tuple[float, float, float], ...]:
    """Some dozens of places at most out of many, spread over all of them; the first stays the first.

    Parameters
    ----------
    points_mm : (k, 3) float array or None
    """
    if points_mm is None or not len(points_mm):
        return ()
    p = np.asarray(points_mm, dtype=np.float64)
    cell = 1.0
    while len(p) > PLACES_MOST:
        first = np.unique(np.floor((p - p[0]) / cell + 0.5), axis=0, return_index=True)[1]
        p = p[np.sort(first)]
        cell *= 1.2
    return tuple((float(x), float(y), float(z)) for x, y, z in p)


@dataclass(frozen=True)
class Located:
    """Points found on a surface.

    Attributes
    ----------
    face : (k,) int array
    weights : (k, 3) float array
        Barycentric weights on the face's corners.
    points_mm : (k, 3) float array
    distance_mm : (k,) float array
        From the point asked for to the point found.
    """

    face: Ints
    weights: Floats
    points_mm: Floats
    distance_mm: Floats


@dataclass(frozen=True, eq=False)
class Surface:
    """An oriented triangle mesh in mm; its normals point to the air side (where the bag is).

    Parameters
    ----------
    vertices_mm : (n, 3) float array, mm
    faces : (m, 3) int array
        Corner indices, anticlockwise seen from the air side.
    colors : (n, 3) uint8 array or None
        Colour of each vertex, sRGB, where the file has one.
    repairs : tuple of Repair
        What was mended on the way here, oldest first.

    Raises
    ------
    MeshError
        No faces, an index out of range, or a coordinate that is not finite.
    """

    vertices_mm: Floats
    faces: Ints
    colors: NDArray[np.uint8] | None = None
    repairs: tuple[Repair, ...] = ()

    def __post_init__(self) -> None:
        v = np.ascontiguousarray(self.vertices_mm, dtype=np.float64)
        f = np.ascontiguousarray(self.faces, dtype=np.int64)
        if v.ndim != 2 or v.shape[1:] != (3,):
            raise MeshError(f"vertices have shape {v.shape}, not (n, 3)")
        if f.size == 0:
            raise MeshError(
                f"no triangles among {len(v)} points", do="A point cloud must be made into a mesh first."
            )
        if f.ndim != 2 or f.shape[1:] != (3,):
            raise MeshError(f"faces have shape {f.shape}, not (m, 3)")
        if f.min() < 0 or f.max() >= len(v):
            raise MeshError(f"a face names vertex {int(f.max())} of {len(v)}")
        bad = ~np.isfinite(v).all(axis=1)
        if bad.any():
            raise MeshError(
                f"{int(bad.sum())} vertices are not finite, first is vertex {int(np.argmax(bad))}",
                do="Export the mesh again.",
            )
        c = self.colors
        if c is not None:
            c = np.ascontiguousarray(np.asarray(c)[:, :3], dtype=np.uint8)
            if len(c) != len(v):
                raise MeshError(f"{len(c)} colours for {len(v)} vertices")
            c.setflags(write=False)
        for a in (v, f):
            a.setflags(write=False)
        object.__setattr__(self, "vertices_mm", v)
        object.__setattr__(self, "faces", f)
        object.__setattr__(self, "colors", c)

    def __getstate__(self) -> dict[str, object]:
        """The tree that points are looked up by stays behind: it is made again where it is wanted."""
        return {name: value for name, value in self.__dict__.items() if name != "_tree"}

    @cached_property
    def _tree(self) -> object:
        import igl

        tree = igl.AABB()
        tree.init(self.vertices_mm, self.faces)
        return tree

    @cached_property
    def _cross(self) -> Floats:
        a, b, c = (self.vertices_mm[self.faces[:, i]] for i in range(3))
        return np.cross(b - a, c - a)

    @cached_property
    def face_areas_mm2(self) -> Floats:
        """(m,) float array, mm²."""
        return 0.5 * np.linalg.norm(self._cross, axis=1)

    @cached_property
    def face_normals(self) -> Floats:
        """(m, 3) unit normals; zero for a face of no area."""
        n = np.linalg.norm(self._cross, axis=1, keepdims=True)
        return self._cross / np.where(n > 0, n, 1.0)

    @cached_property
    def vertex_normals(self) -> Floats:
        """(n, 3) unit normals, averaged by area over the faces round each vertex."""
        out = np.zeros_like(self.vertices_mm)
        for i in range(3):
            for k in range(3):
                out[:, k] += np.bincount(self.faces[:, i], self._cross[:, k], minlength=len(out))
        n = np.linalg.norm(out, axis=1, keepdims=True)
        return out / np.where(n > 0, n, 1.0)

    @property
    def area_mm2(self) -> float:
        """Total area, mm²."""
        return float(self.face_areas_mm2.sum())

    @property
    def size_mm(self) -> Floats:
        """(3,) extents of the bounding box, mm."""
        used = self.vertices_mm[np.unique(self.faces)]
        return used.max(axis=0) - used.min(axis=0)

    @cached_property
    def mean_edge_mm(self) -> float:
        """Mean length of the triangles' sides, mm."""
        from ._edges import side_lengths

        # The order of the sum is part of the result: thresholds hang on its last digit.
        return float(np.roll(side_lengths(self.vertices_mm, self.faces), 1, axis=1).mean())

    @cached_property
    def boundary_loops(self) -> tuple[Ints, ...]:
        """Closed loops of boundary vertices, longest first, the surface on the left seen from the air side.

        Raises
        ------
        MeshError
            If boundaries touch at a vertex, so that the loops are not simple.
        """
        from ._edges import directed_edges, rim_edges

        free = directed_edges(self.faces)[rim_edges(len(self.vertices_mm), self.faces)]
        follow = {}
        for a, b in free.tolist():
            if a in follow:
                p = self.vertices_mm[a]
                raise MeshError(
                    "two boundaries touch",
                    where=f"({p[0]:.1f}, {p[1]:.1f}, {p[2]:.1f}) mm",
                    do="Split the vertex there or fill the hole.",
                )
            follow[a] = b
        loops = []
        while follow:
            start, b = next(iter(follow.items()))
            loop = [start]
            del follow[start]
            while b != start:
                loop.append(b)
                b = follow.pop(b)
            loops.append(np.array(loop, dtype=np.int64))
        return tuple(sorted(loops, key=lambda q: -closed_length(self.vertices_mm[q])))

    def sub(self, keep: ArrayLike) -> tuple[Surface, Ints]:
        """Return the surface of some faces, and the index here of each vertex there.

        Parameters
        ----------
        keep : (m,) bool array or int array of face indices

        Returns
        -------
        Surface
        (n',) int array
        """
        f = self.faces[np.asarray(keep)]
        used, inv = np.unique(f, return_inverse=True)
        colors = None if self.colors is None else self.colors[used]
        return Surface(self.vertices_mm[used], inv.reshape(-1, 3), colors, self.repairs), used

    def locate(self, points_mm: ArrayLike) -> Located:
        """Return the nearest points of the surface.

        Parameters
        ----------
        points_mm : (k, 3) float array, mm
        """
        q = np.ascontiguousarray(np.atleast_2d(np.asarray(points_mm, dtype=np.float64)))
        d2, face, hit = self._tree.squared_distance(self.vertices_mm, self.faces, q)  # type: ignore[attr-defined]
        face = np.asarray(face, dtype=np.int64)
        a, b, c = (self.vertices_mm[self.faces[face, i]] for i in range(3))
        u, v, w = b - a, c - a, hit - a
        uu, uv, vv = (u * u).sum(1), (u * v).sum(1), (v * v).sum(1)
        wu, wv = (w * u).sum(1), (w * v).sum(1)
        det = uu * vv - uv * uv
        det = np.where(det > 0, det, 1.0)
        s, t = (vv * wu - uv * wv) / det, (uu * wv - uv * wu) / det
        weights = np.stack([1 - s - t, s, t], axis=1)
        return Located(face, weights, np.asarray(hit), np.sqrt(d2))


def closed_length(points_mm: Floats) -> float:
    """Length in mm of the closed polyline through (k, 3) or (k, 2) points."""
    return float(np.linalg.norm(points_mm - np.roll(points_mm, 1, axis=0), axis=1).sum())

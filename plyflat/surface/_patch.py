"""A small piece of a mesh that can be split, flipped and collapsed one element at a time.

Vertices never move: new ones are made by splitting, and old ones may only be taken out. Each vertex has two
places: `walk`, on the smooth copy where paths are laid out, and `raw`, on the surface as it was given.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from math import sqrt

import numpy as np

from .mesh import Floats, Ints

Vec = tuple[float, float, float]


def sub(a: Vec, b: Vec) -> Vec:
    """Return a - b."""
    return (a[0] - b[0], a[1] - b[1], a[2] - b[2])


def dot(a: Vec, b: Vec) -> float:
    """Return the scalar product."""
    return a[0] * b[0] + a[1] * b[1] + a[2] * b[2]


def cross(a: Vec, b: Vec) -> Vec:
    """Return the vector product."""
    return (a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0])


def norm(a: Vec) -> float:
    """Return the length."""
    return sqrt(a[0] * a[0] + a[1] * a[1] + a[2] * a[2])


def mix(points: Iterable[Vec], weights: Iterable[float]) -> Vec:
    """Return the weighted sum."""
    x = y = z = 0.0
    for p, w in zip(points, weights):
        x, y, z = x + w * p[0], y + w * p[1], z + w * p[2]
    return (x, y, z)


def from_segment(p: Vec, a: Vec, b: Vec) -> float:
    """Return the distance from p to the segment ab."""
    dx, dy, dz = b[0] - a[0], b[1] - a[1], b[2] - a[2]
    ex, ey, ez = p[0] - a[0], p[1] - a[1], p[2] - a[2]
    dd = dx * dx + dy * dy + dz * dz
    t = min(1.0, max(0.0, (ex * dx + ey * dy + ez * dz) / dd)) if dd > 0 else 0.0
    ex, ey, ez = ex - t * dx, ey - t * dy, ez - t * dz
    return sqrt(ex * ex + ey * ey + ez * ez)


class Facet:
    """A triangle made ready for measuring the distance of many points from it.

    Parameters
    ----------
    a, b, c : Vec
        Its corners, mm.
    """

    __slots__ = ("corners", "inward", "normal")

    def __init__(self, a: Vec, b: Vec, c: Vec) -> None:
        n = cross(sub(b, a), sub(c, a))
        self.corners = (a, b, c)
        self.inward = (cross(n, sub(b, a)), cross(n, sub(c, b)), cross(n, sub(a, c)))
        size = norm(n)
        self.normal = (n[0] / size, n[1] / size, n[2] / size) if size > 0 else None

    def off(self, p: Vec) -> float:
        """Return the distance of a point.

        The nearest point of a triangle lies over against p, or on a side that p lies outside of.
        """
        a, b, c = self.corners
        x, y, z = p
        if self.normal is None:
            return min(from_segment(p, a, b), from_segment(p, b, c), from_segment(p, c, a))
        ax, ay, az = x - a[0], y - a[1], z - a[2]
        ab, bc, ca = self.inward
        out = float("inf")
        if ab[0] * ax + ab[1] * ay + ab[2] * az < 0:
            out = from_segment(p, a, b)
        if bc[0] * (x - b[0]) + bc[1] * (y - b[1]) + bc[2] * (z - b[2]) < 0:
            out = min(out, from_segment(p, b, c))
        if ca[0] * (x - c[0]) + ca[1] * (y - c[1]) + ca[2] * (z - c[2]) < 0:
            out = min(out, from_segment(p, c, a))
        n = self.normal
        return out if out < float("inf") else abs(n[0] * ax + n[1] * ay + n[2] * az)


def sharpness(a: Vec, b: Vec, c: Vec) -> float:
    """Return the sine of the triangle's smallest angle, by area and its two longest sides."""
    ux, uy, uz = b[0] - a[0], b[1] - a[1], b[2] - a[2]
    vx, vy, vz = c[0] - b[0], c[1] - b[1], c[2] - b[2]
    wx, wy, wz = a[0] - c[0], a[1] - c[1], a[2] - c[2]
    uu, vv, ww = ux * ux + uy * uy + uz * uz, vx * vx + vy * vy + vz * vz, wx * wx + wy * wy + wz * wz
    least = min(uu, vv, ww)
    longest = sqrt(vv * ww if least == uu else ww * uu if least == vv else uu * vv)
    return norm((uy * wz - uz * wy, uz * wx - ux * wz, ux * wy - uy * wx)) / longest if longest > 0 else 0.0


class NeedsWiderCrop(Exception):
    """The path reached the rim of the piece that was cropped out of the mesh."""


class Patch:
    """A mesh of Python tuples with the operations that cutting needs.

    Parameters
    ----------
    walk, raw : (n, 3) float arrays, mm
    faces : (m, 3) int array
    rim : set of int
        Vertices whose faces are not all here.
    """

    def __init__(self, walk: Floats, raw: Floats, faces: Ints, rim: set[int]) -> None:
        self.walk: list[Vec] = list(zip(*walk.T.tolist()))
        self.raw: list[Vec] = list(zip(*raw.T.tolist()))
        self.rim = rim
        self.tri: dict[int, tuple[int, int, int]] = {}
        self.home: dict[int, int] = {}
        self.kids: dict[int, set[int]] = {}
        self.side: dict[tuple[int, int], int] = {}
        self.star: list[set[int]] = [set() for _ in self.walk]
        self.combo: dict[int, dict[int, float]] = {}
        self.spent: dict[int, float] = {}
        self.first_new = len(self.walk)
        self.corners: list[list[int]] = faces.tolist()
        self._next = len(self.corners)
        self.tri = dict(enumerate(zip(*faces.T.tolist())))
        self.home = dict(zip(self.tri, self.tri))
        self.kids = {f: {f} for f in self.tri}
        for i, j in ((0, 1), (1, 2), (2, 0)):
            self.side.update(zip(zip(faces[:, i].tolist(), faces[:, j].tolist()), self.tri))
        for f, (a, b, c) in self.tri.items():
            self.star[a].add(f)
            self.star[b].add(f)
            self.star[c].add(f)

    def _add(self, t: tuple[int, int, int], home: int) -> int:
        f = self._next
        self._next += 1
        self.tri[f], self.home[f] = t, home
        self.kids.setdefault(home, set()).add(f)
        a, b, c = t
        self.side[a, b] = self.side[b, c] = self.side[c, a] = f
        for v in t:
            self.star[v].add(f)
        return f

    def _drop(self, f: int) -> int:
        a, b, c = self.tri.pop(f)
        for e in ((a, b), (b, c), (c, a)):
            del self.side[e]
        for v in (a, b, c):
            self.star[v].discard(f)
        home = self.home.pop(f)
        self.kids[home].discard(f)
        return home

    def third(self, f: int, a: int, b: int) -> int:
        """Return the corner of face f that is neither a nor b."""
        return next(v for v in self.tri[f] if v not in (a, b))

    def adjacent(self, a: int, b: int) -> bool:
        """Whether an edge joins a and b."""
        return (a, b) in self.side or (b, a) in self.side

    def neighbours(self, v: int) -> set[int]:
        """Return the vertices joined to v."""
        out: set[int] = set()
        for f in self.star[v]:
            out.update(self.tri[f])
        out.discard(v)
        return out

    def opposite(self, v: int) -> Iterator[tuple[int, int]]:
        """Yield the edge across from v in each of its faces, in the face's sense."""
        for f in self.star[v]:
            a, b, c = self.tri[f]
            yield (b, c) if a == v else (c, a) if b == v else (a, b)

    def on_border(self, v: int) -> bool:
        """Whether v lies on the rim of the piece or on the surface's own boundary.

        Each of its faces has two of its edges, and each edge but one on the border two faces.
        """
        return len(self.neighbours(v)) != len(self.star[v])

    def faces_at(self, a: int, b: int) -> list[int]:
        """Return the one or two faces along the edge ab."""
        return [self.side[e] for e in ((a, b), (b, a)) if e in self.side]

    def normal(self, f: int) -> Vec:
        """Return the face's normal on the walk copy, twice its area long."""
        a, b, c = (self.walk[v] for v in self.tri[f])
        return cross(sub(b, a), sub(c, a))

    def _new(self, corners: tuple[int, ...], weights: tuple[float, ...]) -> int:
        self.walk.append(mix((self.walk[v] for v in corners), weights))
        self.raw.append(mix((self.raw[v] for v in corners), weights))
        combo: dict[int, float] = {}
        for v, w in zip(corners, weights):
            for u, x in self.combo.get(v, {v: 1.0}).items():
                combo[u] = combo.get(u, 0.0) + w * x
        n = len(self.star)
        self.star.append(set())
        self.combo[n] = combo
        self.spent[n] = max(self.spent.get(v, 0.0) for v in corners)
        return n

    def split_face(self, f: int, weights: tuple[float, float, float]) -> int:
        """Put a vertex inside a face and return it."""
        a, b, c = self.tri[f]
        n = self._new((a, b, c), weights)
        home = self._drop(f)
        for p, q in ((a, b), (b, c), (c, a)):
            self._add((p, q, n), home)
        return n

    def split_edge(self, a: int, b: int, t: float) -> int:
        """Put a vertex on the edge ab at a + t (b - a) and return it."""
        around = self.faces_at(a, b)
        if len(around) == 1 and a in self.rim and b in self.rim:
            raise NeedsWiderCrop
        n = self._new((a, b), (1.0 - t, t))
        for f in around:
            t3 = self.tri[f]
            home = self._drop(f)
            for old in (a, b):
                x, y, z = (n if v == old else v for v in t3)
                self._add((x, y, z), home)
        return n

    def flip(self, a: int, b: int) -> None:
        """Turn the edge ab inside the two faces that share it."""
        f, g = self.side[a, b], self.side[b, a]
        c, d = self.third(f, a, b), self.third(g, a, b)
        home_f, home_g = self._drop(f), self._drop(g)
        self._add((c, a, d), home_f)
        self._add((d, b, c), home_g)

    def collapse(self, v: int, u: int) -> None:
        """Take v out by drawing its faces to its neighbour u."""
        fan = [(self.tri[f], f) for f in self.star[v]]
        kept = []
        for t, f in fan:
            home = self._drop(f)
            if u not in t:
                kept.append((tuple(u if x == v else x for x in t), home))
        for t3, home in kept:
            self._add(t3, home)  # type: ignore[arg-type]

    def place(self, home: int, weights: Floats) -> tuple[int, tuple[float, float, float]]:
        """Return the face that holds a point given on an original face, and its weights there."""
        kids = self.kids[home]
        target = self._target(home, weights)
        best, found, where = -np.inf, -1, (1.0, 0.0, 0.0)
        for f in kids:
            w = self.weights_in(f, target)
            if min(w) > best:
                best, found, where = min(w), f, w
        return found, where

    def _target(self, home: int, weights: Floats) -> Vec:
        corners = self.corners[home]
        return mix((self.walk[v] for v in corners), weights.tolist())

    def weights_in(self, f: int, p: Vec) -> tuple[float, float, float]:
        """Return the barycentric weights of p, dropped onto the plane of face f."""
        a, b, c = (self.walk[v] for v in self.tri[f])
        n = cross(sub(b, a), sub(c, a))
        nn = dot(n, n)
        if nn == 0.0:
            return (-np.inf, -np.inf, -np.inf)
        wa = dot(cross(sub(c, b), sub(p, b)), n) / nn
        wb = dot(cross(sub(a, c), sub(p, c)), n) / nn
        return (wa, wb, 1.0 - wa - wb)

    def arrays(self) -> tuple[Floats, Ints]:
        """Return the walk copy's vertices and the faces."""
        return np.array(self.walk), np.array(list(self.tri.values()), dtype=np.int64)

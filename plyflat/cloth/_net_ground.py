"""What a net of threads stands on: a triangle mesh walked from face to face, never searched."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any, Protocol

import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from ..surface.mesh import Bools, Floats, Ints

#: Neighbouring faces that lean more than this against each other meet in a crease.
CREASE_DEG = 12.0
#: Points this far outside a face, in shares of it, still belong to it: nothing for flat faces, a little for curved
#: ones, whose corners' normals differ, and more for a point that goes to and fro between two faces.
SLACK_FLAT, SLACK_CURVED, SLACK_TIRED = 1e-9, 0.01, 0.05
#: Steps from face to face before a point counts as tired, and before it is given up.
TIRED, MOST = 12, 60
#: A point has come to rest when it moves less than this share of the circle's radius.
SETTLED = 3e-3
#: A curved face is carried on so far beyond its corners, in shares of it, and from there on straight.
BEYOND_FACE = 2.0

NONE, ON, BEYOND, FOLDED, OPENED, LOST = 0, 1, 2, 3, 4, 5


def dot(a: Floats, b: Floats) -> Floats:
    """(k,) dot products of rows of (k, 3) arrays."""
    return np.asarray(np.einsum("ij,ij->i", a, b))


def cross(a: Floats, b: Floats) -> Floats:
    """(k, 3) cross products of rows; several times quicker than numpy's own on short arrays."""
    out = np.empty(np.broadcast_shapes(a.shape, b.shape))
    out[:, 0] = a[:, 1] * b[:, 2] - a[:, 2] * b[:, 1]
    out[:, 1] = a[:, 2] * b[:, 0] - a[:, 0] * b[:, 2]
    out[:, 2] = a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]
    return out


def unit(a: Floats) -> Floats:
    """(k, 3) rows brought to length 1; rows of no length stay."""
    length = np.sqrt(dot(a, a))[:, None]
    return a / np.where(length > 0, length, 1.0)


@dataclass(frozen=True, eq=False)
class Circles:
    """Circles in space, one for each node that is sought.

    Attributes
    ----------
    centre : (k, 3) float array, mm
    axis : (k, 3) float array
        Unit vectors.
    square : (k,) float array, mm²
        Squares of the radii; negative where two bars do not reach each other.
    away : (k, 3) float array
        Of the two crossings with the surface the one on this side is meant.
    """

    centre: Floats
    axis: Floats
    square: Floats
    away: Floats

    def take(self, at: Ints | Bools) -> Circles:
        """Return some of them."""
        return Circles(self.centre[at], self.axis[at], self.square[at], self.away[at])

    def meet(self, normal: Floats, offset: Floats) -> tuple[Floats, Bools]:
        """Return where each meets a plane ``normal . x = offset``, and whether it does.

        Parameters
        ----------
        normal : (k, 3) float array
            Unit vectors.
        offset : (k,) float array, mm

        Returns
        -------
        (k, 3) float array, mm
            The circle's point nearest the plane where it does not reach it.
        (k,) bool array
        """
        lean = dot(normal, self.axis)
        across = np.maximum(1.0 - lean * lean, 1e-12)
        off = (offset - dot(normal, self.centre)) / across
        left = self.square - off * off * across
        way = cross(normal, self.axis)
        size = np.sqrt(np.maximum(left, 0.0) / across)
        size = np.where(dot(way, self.away) < 0, -size, size)
        foot = normal - lean[:, None] * self.axis
        return self.centre + off[:, None] * foot + size[:, None] * way, left > 0


@dataclass(frozen=True, eq=False)
class Landed:
    """Nodes found on the surface.

    Attributes
    ----------
    points : (k, 3) float array, mm
    normals : (k, 3) float array
    face : (k,) int array
    state : (k,) int array
        ON the surface, BEYOND its free edge, OPENED (the bars do not reach) or LOST.
    """

    points: Floats
    normals: Floats
    face: Ints
    state: Ints


class Ground(Protocol):
    """What a net can stand on."""

    def settle(self, circles: Circles, face: Ints, guess: Floats) -> Landed:
        """Find where circles cross the surface, walking from the given faces."""
        ...

    def stand(self, face: Ints, x: Floats) -> tuple[Floats, Floats]:
        """Points dropped on faces, and the normals there."""
        ...

    def near_crease(self, reach_mm: float) -> Bools | None:
        """Which faces lie within reach of a crease; None where there is no crease at all."""
        ...

    def span(self, a: Floats, face_a: Ints, b: Floats, face_b: Ints, normal: Floats) -> Floats:
        """Lengths measured along the surface."""
        ...

    def unfold(self, a: Floats, face_a: Ints, b: Floats, face_b: Ints, normal: Floats) -> Floats:
        """Points brought into the planes of other faces, the surface between unfolded."""
        ...

    def trace(self, point: Floats, face: int, way: Floats, length_mm: float) -> tuple[Floats, int, Floats, bool]:
        """Walk straight on along the surface."""
        ...


class MeshGround:
    """A triangle mesh to lay nets on.

    Parameters
    ----------
    points : (n, 3) float array, mm
    faces : (m, 3) int array
        Anticlockwise seen from the air side.
    curved : bool
        Whether the faces are curved to the normals at their corners [1]_ (a doubly curved hull), or flat.
    crease_deg : float
        Edges whose faces lean more than this stay sharp.

    References
    ----------
    .. [1] T. Boubekeur, M. Alexa, "Phong tessellation", ACM Trans. Graph. 27(5), 2008, eq. 2 with alpha = 1/2, which
       gives an arc its sagitta to second order.
    .. [2] N. Max, "Weights for computing vertex normals from facet normals", J. Graphics Tools 4(2), 1999: exact on
       a sphere.
    """

    def __init__(
        self, points: Floats, faces: Ints, *, curved: bool = True, crease_deg: float = CREASE_DEG
    ) -> None:
        self.points, self.faces, self.curved = points, faces, curved
        self.across = across_sides(faces)
        p = points[faces]
        area = np.cross(p[:, 1] - p[:, 0], p[:, 2] - p[:, 0])
        double = np.sqrt(dot(area, area))
        self.normals = area / np.where(double > 0, double, 1.0)[:, None]
        self._weigh = _weight_rows(p, self.normals, double)
        self._offset = dot(self.normals, p[:, 0])
        self._crease = _creases(self.normals, self.across, crease_deg)
        self.corner_normals = _corner_normals(p, self.normals, self.across, faces, self._crease)
        self._corners = np.concatenate([p, self.corner_normals], axis=2)
        self._near: dict[float, Bools] = {}

    @cached_property
    def crease_points(self) -> Floats:
        """(k, 3) points along the creases, mm: both ends and the middle of each sharp edge."""
        f, i = np.nonzero(self._crease)
        a, b = (self.points[self.faces[f, (i + k) % 3]] for k in (1, 2))
        return np.concatenate([a, b, 0.5 * (a + b)])

    def near_crease(self, reach_mm: float) -> Bools | None:
        """Which faces lie within reach of a crease; None where there is no crease at all.

        Parameters
        ----------
        reach_mm : float
        """
        if not self._crease.any():
            return None
        if reach_mm not in self._near:
            self._near[reach_mm] = self._faces_near(reach_mm)
        return self._near[reach_mm]

    @cached_property
    def _tree(self) -> Any:
        from scipy.spatial import cKDTree

        return cKDTree(self.crease_points)

    def _faces_near(self, reach_mm: float) -> Bools:
        f, i = np.nonzero(self._crease)
        side = self.points[self.faces[f, (i + 1) % 3]] - self.points[self.faces[f, (i + 2) % 3]]
        reach = reach_mm + 0.25 * float(np.sqrt(dot(side, side)).max())
        low, high = self.crease_points.min(axis=0) - reach, self.crease_points.max(axis=0) + reach
        maybe = np.flatnonzero(((self.points > low) & (self.points < high)).all(axis=1))
        close = np.zeros(len(self.points), dtype=bool)
        close[maybe] = self._tree.query(self.points[maybe], distance_upper_bound=reach)[0] < np.inf
        out = np.asarray(close[self.faces].any(axis=1))
        # A long face of a model can have all its corners far away.
        out[f] = True
        rest = np.flatnonzero(~out)
        corners = self.points[self.faces[rest]]
        middle = corners.mean(axis=1)
        size = np.sqrt(((corners - middle[:, None]) ** 2).sum(axis=2).max(axis=1))
        big = size > 2 * reach_mm
        out[rest[big]] = self._tree.query(middle[big])[0] < size[big] + reach
        return out

    def weights(self, face: Ints, x: Floats) -> Floats:
        """(k, 3) barycentric weights of points dropped on faces."""
        w = self._weigh[face]
        return np.asarray(np.einsum("kij,kj->ki", w[:, :, :3], x) + w[:, :, 3])

    def stand(self, face: Ints, x: Floats) -> tuple[Floats, Floats]:
        """Return points dropped on faces and the normals there, interpolated between the corners.

        Parameters
        ----------
        face : (k,) int array
        x : (k, 3) float array, mm

        Returns
        -------
        (k, 3) float array, mm
        (k, 3) float array
        """
        normal, offset = self._plane(face, x)
        drop = offset - dot(normal, x)
        return x + drop[:, None] * normal, self._blend(face, x)

    def _blend(self, face: Ints, x: Floats) -> Floats:
        b = np.clip(self.weights(face, x), -BEYOND_FACE, 1 + BEYOND_FACE)
        return unit(np.einsum("ki,kij->kj", b, self.corner_normals[face]))

    def _plane(self, face: Ints, x: Floats) -> tuple[Floats, Floats]:
        """Tangent planes of faces where points are dropped on them."""
        if not self.curved:
            return self.normals[face], self._offset[face]
        b = np.clip(self.weights(face, x), -BEYOND_FACE, 1 + BEYOND_FACE)
        b /= b.sum(axis=1, keepdims=True)
        both = self._corners[face]
        p, n = both[:, :, :3], both[:, :, 3:]
        at = np.einsum("ki,kij->kj", b, both)
        normal = unit(at[:, 3:])
        rise = np.einsum("kij,kij->ki", at[:, None, :3] - p, n) * b
        rise *= np.einsum("kij,kj->ki", n, normal)
        return normal, dot(normal, at[:, :3]) - 0.5 * rise.sum(axis=1)  # [1] eq. 2

    def walk(self, face: Ints, x: Floats, slack: float) -> tuple[Ints, Bools]:
        """Walk towards points: the faces they lie over, and whether that is beyond a free edge."""
        face, beyond = face.copy(), np.zeros(len(face), dtype=bool)
        live = np.arange(len(face))
        for step in range(MOST):
            to, out, off = self._next(face[live], x[live], slack if step < TIRED else SLACK_TIRED)
            beyond[live] = off
            face[live[out]] = to[out]
            live = live[out]
            if not len(live):
                break
        return face, beyond

    def _next(self, face: Ints, x: Floats, slack: float) -> tuple[Ints, Bools, Bools]:
        """Neighbour across the side a point lies farthest outside of, whether to go there, whether beyond."""
        b = self.weights(face, x)
        row = np.arange(len(face))
        low = b.argmin(axis=1)
        # No face is carried on beyond a crease: a point that goes to and fro over one is lost, and walked to.
        sharp = self._crease[face, low]
        out = b[row, low] < np.where(sharp, -SLACK_FLAT, -slack)
        to = self.across[face, low]
        off = out & (to < 0)
        if off.any():
            # At a corner of the free edge another side may lead on.
            at = np.flatnonzero(off)
            rest = np.where(self.across[face[at]] < 0, np.inf, b[at])
            second = rest.argmin(axis=1)
            lead = rest[np.arange(len(at)), second] < -slack
            to[at[lead]] = self.across[face[at[lead]], second[lead]]
            out[at[~lead]] = False
        return to, out, off

    def settle(self, circles: Circles, face: Ints, guess: Floats) -> Landed:
        """Find where circles cross the surface, walking from the given faces.

        Parameters
        ----------
        circles : Circles
        face : (k,) int array
            A face near by for each.
        guess : (k, 3) float array, mm
        """
        slack = SLACK_CURVED if self.curved else SLACK_FLAT
        face, _ = self.walk(face, guess, max(slack, SLACK_CURVED))
        x = guess.copy()
        beyond, reached, lost = (np.zeros(len(face), dtype=bool) for _ in range(3))
        normal = np.empty_like(x)
        live, now = np.arange(len(face)), circles
        lost[:] = True
        for step in range(MOST):
            f, old = face[live], x[live]
            plane, offset = self._plane(f, old)
            new, meets = now.meet(plane, offset)
            to, out, off = self._next(f, new, slack if step < TIRED else SLACK_TIRED)
            x[live], normal[live], beyond[live], reached[live] = new, plane, off, meets
            rest = ~out
            if self.curved:
                rest &= dot(new - old, new - old) <= SETTLED**2 * np.abs(now.square)
            lost[live[rest]] = False
            face[live[out]] = to[out]
            on = ~rest
            live = live[on]
            if not len(live):
                break
            now = now.take(on)
        if not self.curved:
            normal = self._blend(face, x)
        state = np.where(lost, LOST, np.where(~reached, OPENED, np.where(beyond, BEYOND, ON)))
        return Landed(x, normal, face, state)

    def span(self, a: Floats, face_a: Ints, b: Floats, face_b: Ints, normal: Floats) -> Floats:
        """Measure straight lines along the surface from points to points; as `unfold`."""
        n = self.normals[face_b]
        d = b - self.unfold(a, face_a, b, face_b, normal)
        flat = d - dot(d, n)[:, None] * n
        return np.asarray(np.sqrt(dot(flat, flat)))

    def unfold(self, a: Floats, face_a: Ints, b: Floats, face_b: Ints, normal: Floats) -> Floats:
        """Bring points a into the planes of the faces of points b, the surface between them unfolded.

        The faces a plane through both points and the normal runs across are unfolded one after the other; the
        straight line between the points is then as long as the way along the surface.

        Parameters
        ----------
        a, b : (k, 3) float array, mm
        face_a, face_b : (k,) int array
        normal : (k, 3) float array
            Mean normal of the two ends.

        Returns
        -------
        (k, 3) float array, mm
            By way of the line in which the planes of the two faces meet where the strip leaves the surface.
        """
        side = cross(b - a, normal)
        level = dot(side, a)
        at, now = a.copy(), face_a.copy()
        live = np.flatnonzero(now != face_b)
        failed = np.zeros(len(a), dtype=bool)
        for _ in range(MOST):
            if not len(live):
                break
            f = now[live]
            corner = self.points[self.faces[f]]
            right = np.einsum("kij,kj->ki", corner, side[live]) > level[live, None]
            leaves = right & ~np.roll(right, -1, axis=1)
            i = leaves.argmax(axis=1)
            to = self.across[f, (i + 2) % 3]
            good = leaves.any(axis=1) & (to >= 0)
            failed[live[~good]] = True
            live, f, to, i = live[good], f[good], to[good], i[good]
            at[live] = self._turned_over(at[live], f, to, i)
            now[live] = to
            live = live[to != face_b[live]]
        failed[live] = True
        if failed.any():
            k = np.flatnonzero(failed)
            at[k] = _over_ridge(a[k], self.normals[face_a[k]], b[k], self.normals[face_b[k]])
        return at

    def _turned_over(self, x: Floats, f: Ints, to: Ints, i: Ints) -> Floats:
        """Points of faces f turned about their sides i until they lie in the planes of the faces next door."""
        p, q = self.points[self.faces[f, i]], self.points[self.faces[f, (i + 1) % 3]]
        along = unit(q - p)
        r = x - p
        inward = cross(self.normals[f], along)
        new = cross(self.normals[to], along)
        return np.asarray(p + dot(r, along)[:, None] * along + dot(r, inward)[:, None] * new)

    def trace(self, point: Floats, face: int, way: Floats, length_mm: float) -> tuple[Floats, int, Floats, bool]:
        """Walk straight on along the surface: faces are unfolded one after the other [3]_.

        Parameters
        ----------
        point : (3,) float array, mm
        face : int
        way : (3,) float array
            Which way to set off.
        length_mm : float

        Returns
        -------
        (3,) float array, mm
            Where it ends; straight on in the last face's plane where the surface ends before.
        int
            The face there.
        (3,) float array
            Which way it arrives.
        bool
            Whether it ran beyond a free edge.

        References
        ----------
        .. [3] K. Polthier, M. Schmies, "Straightest geodesics on polyhedral surfaces", 1998, definition 9.
        """
        x, left, entered = point, length_mm, -1
        n = self.normals[face]
        way = way - (way @ n) * n
        way = way / max(float(np.linalg.norm(way)), 1e-300)
        for _ in range(10 * MOST):
            w = self._weigh[face]
            now, rate = w[:, :3] @ x + w[:, 3], w[:, :3] @ way
            far = np.divide(np.maximum(now, 0.0), -rate, out=np.full(3, np.inf), where=rate < -1e-300)
            if entered >= 0:
                far[entered] = np.inf
            side = int(far.argmin())
            to = int(self.across[face, side])
            if far[side] >= left or to < 0:
                return x + left * way, face, way, bool(far[side] < left)
            x, left = x + far[side] * way, left - far[side]
            p, q = (self.points[self.faces[face, (side + k) % 3]] for k in (1, 2))
            along = (q - p) / max(float(np.linalg.norm(q - p)), 1e-300)
            inward, new = np.cross(self.normals[face], along), np.cross(self.normals[to], along)
            way = (way @ along) * along + (way @ inward) * new
            entered, face = int(np.flatnonzero(self.across[to] == face)[0]), to
        return x, face, way, False


def _over_ridge(a: Floats, na: Floats, b: Floats, nb: Floats) -> Floats:
    """Points a, in planes with normals na, turned into the planes through b about the lines where the two meet."""
    along = cross(na, nb)
    size = np.sqrt(dot(along, along))
    safe = np.where(size > 1e-6, size, 1.0)
    along = along / safe[:, None]
    d = b - a
    inward = cross(nb, along)
    # From the ridge to b in b's plane, and from a to the ridge in its own.
    reach = dot(d, na) / safe * np.where(dot(inward, na) < 0, -1.0, 1.0)
    foot = b - reach[:, None] * inward - dot(d, along)[:, None] * along
    back = np.where(reach < 0, -1.0, 1.0) * np.abs(dot(d, nb)) / safe
    out = foot - back[:, None] * inward
    far = dot(out - b, out - b) > 4 * dot(d, d)
    return np.where(((size <= 1e-6) | far)[:, None], a, out)


def across_sides(faces: Ints) -> Ints:
    """(m, 3) faces across the side opposite each corner; -1 where there is none or more than one."""
    a, b = faces[:, [1, 2, 0]].ravel(), faces[:, [2, 0, 1]].ravel()
    n = int(faces.max()) + 1
    key = np.minimum(a, b) * n + np.maximum(a, b)
    order = np.argsort(key, kind="stable")
    s = key[order]
    same = s[1:] == s[:-1]
    pair = same & np.r_[True, ~same[:-1]] & np.r_[~same[1:], True]
    one, two = order[:-1][pair], order[1:][pair]
    out = np.full(3 * len(faces), -1, dtype=np.int64)
    out[one], out[two] = two // 3, one // 3
    return out.reshape(-1, 3)


def _weight_rows(p: Floats, normals: Floats, double: Floats) -> Floats:
    """(m, 3, 4) rows that give barycentric weights: ``row[:3] . x + row[3]``."""
    out = np.zeros((len(p), 3, 4))
    size = np.where(double > 0, double, np.inf)[:, None]
    for i in range(3):
        q, r = p[:, (i + 1) % 3], p[:, (i + 2) % 3]
        g = np.cross(normals, r - q) / size
        out[:, i, :3], out[:, i, 3] = g, -dot(g, q)
    return out


def _creases(normals: Floats, across: Ints, crease_deg: float) -> Bools:
    """(m, 3) which sides are sharp."""
    other = normals[np.maximum(across, 0)]
    lean = np.einsum("mij,mj->mi", other, normals)
    return np.asarray((across >= 0) & (lean < np.cos(np.radians(crease_deg))))


def _corner_normals(p: Floats, normals: Floats, across: Ints, faces: Ints, crease: Bools) -> Floats:
    """(m, 3, 3) normals at the corners, averaged over the faces round each vertex up to the creases ([2])."""
    m = len(faces)
    fan: Ints = faces.ravel()
    if crease.any():
        # Corners of two faces at one vertex belong together where the side between the faces is not sharp.
        f, side = np.nonzero((across >= 0) & ~crease)
        g = across[f, side]
        one, two = [], []
        for k in (1, 2):
            c = (side + k) % 3
            at = faces[g] == faces[f, c][:, None]
            one.append(3 * f + c)
            two.append(3 * g + at.argmax(axis=1))
        a, b = np.concatenate(one), np.concatenate(two)
        fan = connected_components(coo_matrix((np.ones(len(a)), (a, b)), (3 * m, 3 * m)), directed=False)[1]
    total = np.zeros((int(fan.max()) + 1, 3))
    for i in range(3):
        one_side, other = p[:, (i + 1) % 3] - p[:, i], p[:, (i + 2) % 3] - p[:, i]
        size = np.maximum(dot(one_side, one_side) * dot(other, other), 1e-300)
        pull = np.cross(one_side, other) / size[:, None]
        for k in range(3):
            total[:, k] += np.bincount(fan.reshape(m, 3)[:, i], pull[:, k], minlength=len(total))
    out = unit(total)[fan].reshape(m, 3, 3)
    # Where a fan cancels out, as at a spike, the face's own normal serves.
    bad = np.einsum("mij,mj->mi", out, normals) < 0.1
    return np.where(bad[:, :, None], normals[:, None, :], out)

"""The largest ball that touches each point of a mesh from the air side, and what a ball of one radius leaves open."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from ..surface._edges import directed_edges, row_lengths, side_lengths
from ..surface.mesh import Floats, Ints, Surface

#: A ball has shrunk enough once no point lies deeper in it than this share of its radius.
TOUCH = 1e-4
SHRINKS = 60
#: Obstacles are thinned to this share of the free radius; a ball then dips by some thousandths of itself between them.
THIN = 1 / 12
#: Balls smaller than so many of the sides about their point are held against the faces themselves.
FACES = 8.0
#: Where a face leans this far off the point's normal (cosine) the point lies on a crease and has no normal.
CREASE = 0.9
#: Centres that a point's own is found among, round by round, and sweeps of each projection.
ABOUT, SWEEPS = (16, 10, 10), 80
#: Points a quadric is laid through, and the share of the height that it may leave.
FITTED, QUADRIC = 19, 0.15
QUERY_AT_ONCE = 200_000


def ball_reach(work: Surface, *, radius_mm: float, most_mm: float) -> Floats:
    """Return the radius (n,) of the largest ball that touches each vertex from the air side and holds no other.

    Parameters
    ----------
    work : Surface
        Free of noise, its edges short beside the radius wherever it is hollow.
    radius_mm : float
        The radius of interest, which sets how fine the surface is looked at where it is far from any corner.
    most_mm : float
        No ball is larger.

    References
    ----------
    J. Ma, S. W. Bae, S. Choi, "3D medial axis point approximation using nearest neighbors and the normal field",
    The Visual Computer 28, 2012: a ball tangent to a point shrinks until its nearest point is no longer inside. Balls
    tangent at one point are nested, so that this ends at the largest empty one.
    """
    p, n = work.vertices_mm, ball_normals(work)
    used = np.flatnonzero(row_lengths(n) > 0.5)
    reach = np.full(len(p), float(most_mm))
    thin = thinned(p[used], THIN * radius_mm)
    few = p[used][thin] if len(thin) < 0.7 * len(used) else p[used]
    reach[used] = _shrunk(p[used], n[used], few, reach[used])
    # Where a ball was stopped, look again: at every vertex, with the best normal there is.
    again = used[reach[used] < most_mm]
    normal = _shape(work, n, again)[0]
    reach[again] = _shrunk(p[again], normal, p[used], np.full(len(again), float(most_mm)))
    n[again] = normal
    return _on_creases(work, _past_faces(work, n, reach, most_mm))


def ball_normals(work: Surface) -> Floats:
    """Unit normals (n, 3), exact where the vertices lie on a sphere; zero where there are no faces.

    References
    ----------
    N. Max, "Weights for computing vertex normals from facet normals", J. Graphics Tools 4(2), 1999.
    """
    v, f = work.vertices_mm, work.faces
    out = np.zeros_like(v)
    square = side_lengths(v, f) ** 2
    for k in range(3):
        share = 1 / np.maximum(square[:, k] * square[:, (k + 2) % 3], 1e-300)
        for axis in range(3):
            out[:, axis] += np.bincount(f[:, k], share * work._cross[:, axis], minlength=len(v))
    size = np.linalg.norm(out, axis=1, keepdims=True)
    return np.asarray(out / np.where(size > 0, size, 1.0))


def thinned(points: Floats, cell_mm: float) -> Ints:
    """Indices of one point of each cell of a grid."""
    at = np.floor((points - points.min(axis=0)) / cell_mm).astype(np.int64)
    size = at.max(axis=0) + 1
    return np.unique((at[:, 0] * size[1] + at[:, 1]) * size[2] + at[:, 2], return_index=True)[1]


def _shrunk(p: Floats, n: Floats, obstacles: Floats, start: Floats) -> Floats:
    """Radii (k,) of balls tangent at p, shrunk from the radii given until no obstacle lies inside."""
    tree = cKDTree(obstacles, balanced_tree=False)
    r = start.copy()
    todo = np.argsort(_visit(obstacles, p, tree)) if len(p) > 10_000 else np.arange(len(p))
    for _ in range(SHRINKS):
        moved = np.zeros(len(todo), dtype=bool)
        for k in range(0, len(todo), QUERY_AT_ONCE):
            part = todo[k : k + QUERY_AT_ONCE]
            bound = float(r[part].max()) * (1 - TOUCH)
            d, q = tree.query(p[part] + r[part, None] * n[part], distance_upper_bound=bound, workers=-1)
            inside = np.flatnonzero(d < r[part] * (1 - TOUCH))
            hit = part[inside]
            w = obstacles[q[inside]] - p[hit]
            new = (w * w).sum(axis=1) / np.maximum(2 * (w * n[hit]).sum(axis=1), 1e-300)
            r[hit] = np.minimum(r[hit], new)
            moved[k : k + QUERY_AT_ONCE][inside] = True
        todo = todo[moved]
        if not len(todo):
            break
    return r


def _visit(obstacles: Floats, p: Floats, tree: cKDTree) -> Ints:
    """A number for each point that is near for points near each other, so that queries find the tree in the cache."""
    low, size = tree.mins, np.maximum(tree.maxes - tree.mins, 1e-9).max()
    cell = np.clip((p - low) / size * 255, 0, 255).astype(np.int64)
    key = np.zeros(len(p), dtype=np.int64)
    for bit in range(8):  # Morton order: the bits of the three coordinates in turn
        for axis in range(3):
            key |= ((cell[:, axis] >> bit) & 1) << (3 * bit + axis)
    return key


def _past_faces(work: Surface, n: Floats, reach: Floats, most_mm: float) -> Floats:
    """Shrink balls that cut a face between its corners, where faces are large beside the ball.

    A face is a chord of the surface: a ball may cut it as deep as the surface bulges over it.
    """
    import igl

    f, side = work.faces, side_lengths(work.vertices_mm, work.faces)
    own = np.zeros(len(n))
    np.maximum.at(own, f.ravel(), np.repeat(side.max(axis=1), 3))
    coarse = bool(own.max() > 0.5 * most_mm)
    todo = np.flatnonzero((row_lengths(n) > 0.5) & (coarse | (reach < np.minimum(most_mm, FACES * own))))
    if not len(todo):
        return reach
    tree = igl.AABB()
    tree.init(work.vertices_mm, f)
    p, r, bulge = work.vertices_mm, reach.copy(), _bulges(work, n, side)
    for _ in range(SHRINKS):
        c = np.ascontiguousarray(p[todo] + r[todo, None] * n[todo])
        d2, face, q = tree.squared_distance(work.vertices_mm, f, c)
        w = np.asarray(q).reshape(-1, 3) - p[todo]
        allowed = bulge[np.asarray(face).ravel()] + 1e-3 * r[todo]
        inside = np.sqrt(np.asarray(d2).ravel()) < r[todo] - allowed
        todo, w = todo[inside], w[inside]
        if not len(todo):
            break
        r[todo] = np.minimum(r[todo], (w * w).sum(axis=1) / np.maximum(2 * (w * n[todo]).sum(axis=1), 1e-300))
    return r


def _bulges(work: Surface, n: Floats, side: Floats) -> Floats:
    """How far (m,) the surface bulges over each face, by how much the normal turns along its sides."""
    f, flat = work.faces, work.face_normals
    corner = [n[f[:, k]] for k in range(3)]
    corner = [np.where(((c * flat).sum(axis=1) < CREASE)[:, None], flat, c) for c in corner]
    turn = [np.linalg.norm(corner[k] - corner[(k + 1) % 3], axis=1) for k in range(3)]
    return np.asarray((np.stack(turn, axis=1) * side).max(axis=1) / 8)


def _on_creases(work: Surface, reach: Floats) -> Floats:
    """Give points on a crease, which have no normal, the smallest reach of their neighbours."""
    n, f = work.vertex_normals, work.faces
    off = np.zeros(len(n), dtype=bool)
    for k in range(3):
        lean = (n[f[:, k]] * work.face_normals).sum(axis=1)
        off[f[lean < CREASE, k]] = True
    e = directed_edges(f)
    e = e[off[e].any(axis=1)]
    least = reach.copy()
    np.minimum.at(least, e[:, 0], reach[e[:, 1]])
    np.minimum.at(least, e[:, 1], reach[e[:, 0]])
    return np.where(off, least, reach)


@dataclass(frozen=True, eq=False)
class Closing:
    """Where the centre of a ball of one radius may lie.

    Attributes
    ----------
    radius_mm : float
    centres, normals : (k, 3) float array
        Places the centre can take while the ball touches the surface, and the surface's normals there.
    bend : (k, 3, 3) float array, 1/mm
        How the normal turns with the place, on the surface that the centres lie on; convex positive.
    """

    radius_mm: float
    centres: Floats
    normals: Floats
    bend: Floats

    def centre_for(self, points: Floats) -> Floats:
        """Nearest place (k, 3) to each point that the ball's centre can take.

        Each accepted centre gives a surface of second order that the centre cannot pass. Between the accepted ones
        the nearest place is found by projecting the point on to what the tangent planes of those about it leave, and
        again from there.

        References
        ----------
        C. Hildreth, "A quadratic programming procedure", Naval Research Logistics Quarterly 4, 1957.
        """
        if not len(self.centres):
            return np.full_like(points, np.inf)
        out = np.empty_like(points)
        tree = cKDTree(self.centres)
        for k in range(0, len(points), 50_000):
            v = points[k : k + 50_000]
            far, first = tree.query(v, workers=-1)
            start = self.centres[first]
            x, ask = start, v
            for about in ABOUT:
                near = tree.query(ask, k=min(about, len(self.centres)), workers=-1)[1].reshape(len(v), -1)
                x = ask = _projected(v, *self._planes(x, near))
            better = row_lengths(x - v) < far
            out[k : k + len(v)] = np.where(better[:, None], x, start)
        return out

    def _planes(self, x: Floats, near: Ints) -> tuple[Floats, Floats]:
        """Tangent planes n . y >= level at the places x (m, 3) of the limits set by centres near (m, k)."""
        off = x[:, None] - self.centres[near]
        n, turn = self.normals[near], np.einsum("mkij,mkj->mki", self.bend[near], off)
        value = (off * (n + 0.5 * turn)).sum(axis=2)
        n = n + turn
        size = np.maximum(np.linalg.norm(n, axis=2), 1e-9)
        n /= size[:, :, None]
        return n, (x[:, None] * n).sum(axis=2) - value / size

    def gap_mm(self, points: Floats) -> Floats:
        """How far each point (k,) is from the nearest ball."""
        return np.maximum(row_lengths(points - self.centre_for(points)) - self.radius_mm, 0.0)

    def film(self, points: Floats) -> Floats:
        """Where each point (k, 3) lands when it is drawn straight on to the nearest ball."""
        c = self.centre_for(points)
        far = row_lengths(points - c)
        share = np.maximum(1 - self.radius_mm / np.maximum(far, 1e-300), 0.0)
        return np.asarray(points + share[:, None] * (c - points))


def closing(work: Surface, reach: Floats, radius_mm: float) -> Closing:
    """Return the places of a ball's centre from the vertices it can touch.

    Only those about spots it cannot reach are kept: no point asks for others.

    Parameters
    ----------
    work : Surface
    reach : (n,) float array, mm
    radius_mm : float
    """
    p, n = work.vertices_mm, ball_normals(work)
    clear = reach >= radius_mm * (1 - 1e-3)
    ok = np.flatnonzero(clear & (row_lengths(n) > 0.5))
    lost = p[~clear]
    if len(lost) and len(ok):
        tree = cKDTree(lost[thinned(lost, THIN * radius_mm)])
        c = p[ok] + radius_mm * n[ok]
        # A centre that serves a point lies no farther from it than the ball plus the gap; the gap ends at a rim.
        deep = float(cKDTree(c).query(lost, workers=-1)[0].max())
        ok = ok[tree.query(c, workers=-1)[0] <= 1.5 * deep]
        ok = ok[thinned(p[ok] + radius_mm * n[ok], 0.5 * THIN * radius_mm)]
    else:
        ok = ok[:0]
    normal, bend = _shape(work, n, ok)
    # A surface r above one of curvature k has the curvature k / (1 + r k).
    more = np.linalg.inv(np.eye(3) + np.clip(radius_mm, 0, None) * bend)
    return Closing(radius_mm, p[ok] + radius_mm * normal, normal, bend @ more)


def _shape(work: Surface, n: Floats, at: Ints) -> tuple[Floats, Floats]:
    """Normals (k, 3) and how they turn (k, 3, 3) at vertices, by quadrics through those about them.

    Where no quadric fits, beside a crease or on a rough scan, the mesh's normal stays and the surface counts as flat.
    """
    p = work.vertices_mm
    normal, bend = n[at].copy(), np.zeros((len(at), 3, 3))
    if len(p) < 3 * FITTED or not len(at):
        return normal, bend
    near = cKDTree(p).query(p[at], k=FITTED, workers=-1)[1][:, 1:]
    rel = p[near] - p[at, None]
    alike = (n[near] * normal[:, None]).sum(axis=2) > CREASE
    size = np.sqrt((rel**2).sum(axis=2).mean(axis=1))[:, None]
    a, b = _frames(normal)
    x, y, z = ((rel * e[:, None]).sum(axis=2) / size for e in (a, b, normal))
    basis = np.stack([x, y, 0.5 * x * x, x * y, 0.5 * y * y], axis=2) * alike[:, :, None]
    z = z * alike
    lhs = np.swapaxes(basis, 1, 2) @ basis + 1e-9 * np.eye(5)
    coef = np.linalg.solve(lhs, np.swapaxes(basis, 1, 2) @ z[:, :, None])[:, :, 0]
    left = ((z - (basis * coef[:, None]).sum(axis=2)) ** 2).sum(axis=1)
    plane = ((z - (basis[:, :, :2] * coef[:, None, :2]).sum(axis=2)) ** 2).sum(axis=1)
    good = (alike.sum(axis=1) >= 9) & (left < QUADRIC**2 * plane) & (plane > 1e-12)
    up = normal - coef[:, :1] * a - coef[:, 1:2] * b
    up /= np.linalg.norm(up, axis=1, keepdims=True)
    c, d, e = (coef[:, k, None, None] / size[:, :, None] for k in (2, 3, 4))
    aa, bb, ab = _outer(a, a), _outer(b, b), _outer(a, b)
    turn = -(c * aa + e * bb + d * (ab + np.swapaxes(ab, 1, 2)))
    return np.where(good[:, None], up, normal), np.where(good[:, None, None], turn, 0.0)


def _outer(a: Floats, b: Floats) -> Floats:
    return np.asarray(a[:, :, None] * b[:, None, :])


def _frames(n: Floats) -> tuple[Floats, Floats]:
    least = np.zeros_like(n)
    least[np.arange(len(n)), np.argmin(np.abs(n), axis=1)] = 1.0
    a = np.cross(n, least)
    a /= np.maximum(np.linalg.norm(a, axis=1, keepdims=True), 1e-300)
    return a, np.cross(n, a)


def _projected(v: Floats, n: Floats, level: Floats) -> Floats:
    """Nearest points (m, 3) to v with x . n >= level for each of the planes (m, k, 3)."""
    x, give = v.copy(), np.zeros(level.shape)
    todo = np.arange(len(v))
    for _ in range(SWEEPS):
        before = x[todo].copy()
        for k in range(level.shape[1]):
            m = n[todo, k]
            step = np.maximum(level[todo, k] - (x[todo] * m).sum(axis=1), -give[todo, k])
            give[todo, k] += step
            x[todo] += step[:, None] * m
        todo = todo[row_lengths(x[todo] - before) > 1e-5]
        if not len(todo):
            break
    return x

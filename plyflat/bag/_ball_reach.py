"""The largest ball that touches each point of a mesh from the air side, and what a ball of one radius leaves open."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from ..surface._edges import directed_edges, row_lengths, side_lengths
from ..surface._topology import surface_edges
from ..surface.crease import turns
from ..surface.mesh import Floats, Ints, Surface

#: A ball has shrunk enough once no point lies deeper in it than this share of its radius.
TOUCH = 1e-4
SHRINKS = 60
#: Obstacles are thinned to this share of the free radius; a ball then dips by some thousandths of itself between them.
THIN = 1 / 12
#: But not to more than this, or small steps and ribs would be lost, mm.
THIN_MOST = 4.0
#: A ball is held against points no farther apart than this share of it. One that lies a cell's diagonal off the nearest
#: of them is missed by 1.5 cell² / r, a four hundredth of the ball, before the point it touches is looked for beside it.
SEEN = 1 / 24
#: Balls smaller than so many of the sides about their point are held against the faces themselves.
FACES = 8.0
#: Where a face leans this far off the point's normal (cosine) the point lies on a crease and has no normal.
CREASE = 0.9
#: Centres that a point's own is found among, round by round, sweeps of each projection, and when it rests, mm.
ABOUT, SWEEPS, STILL = (12, 9, 9), 80, 1e-4
#: Points this near each other, as a share of the ball's radius, go by the same centres.
ALIKE = 1 / 8
#: A ball may cut a vertex as deep as this share of its radius: the surface between vertices is not known better.
CUTS = 3e-3
#: How sparse, as a share of the ball's radius, the second choice of centres is.
SPARSE = 1 / 6
#: Points a quadric is laid through, and the share of the height that it may leave.
FITTED, QUADRIC = 19, 0.15
#: Edges that turn outwards by this much are rims; the ball's normal goes round them in such steps.
RIM_RAD, FAN_RAD = np.radians(25.0), np.radians(12.0)
#: Points in a row hold no quadric: its equations must be conditioned better than this.
WELL = 1e-2
QUERY_AT_ONCE, AT_ONCE = 200_000, 50_000
#: Points in a leaf of a tree that is asked about centres of balls: most of what a ball grazes is opened anyway.
LEAF = 128


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
    # A ball that is stopped at all is stopped by some of a sparse choice: it dips by hundredths between them.
    thin = thinned(p[used], min(SPARSE * radius_mm, THIN_MOST))
    few = p[used][thin] if len(thin) < 0.7 * len(used) else p[used]
    reach[used] = _shrunk(p[used], n[used], few, reach[used])
    # Where a ball was stopped, look again: at as many vertices as its size asks for, with the best normal there is.
    again = used[reach[used] < most_mm]
    normal = _shape(work, n, again)[0]
    start = np.minimum(1.3 * reach[again], most_mm)
    found = _by_size(work, used, p[again], normal, start)
    wide = np.flatnonzero((found == start) & (start < most_mm))
    found[wide] = _by_size(work, used, p[again[wide]], normal[wide], np.full(len(wide), float(most_mm)))
    reach[again] = found
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


def _by_size(work: Surface, used: Ints, p: Floats, n: Floats, start: Floats) -> Floats:
    """Radii (k,) of balls tangent at p, each held against vertices whose distances suit its size.

    A tree asked for the point nearest to the centre of a ball looks at all those that the ball grazes. They are as many
    as the ball is larger than their distance, so that of a fine mesh a large ball must see less.
    """
    r, stop = start.copy(), np.full(len(p), -1, dtype=np.int64)
    todo, v = np.arange(len(p)), work.vertices_mm[used]
    low = 0.5 * float(start.max(initial=0.0))
    while len(todo):
        few = thinned(v, SEEN * low)
        if all_of := len(few) > 0.7 * len(v):
            few = np.arange(len(v))
        large = todo if all_of else todo[r[todo] > low]
        found, at = _stopped(p[large], n[large], v[few], r[large])
        hit = large[at >= 0]
        stop[hit] = used[few[at[at >= 0]]]
        r[large] = found
        if all_of:
            break
        # One that has shrunk below these must be held against nearer points as well.
        todo = todo[r[todo] <= low]
        low *= 0.5
    return _slid(work, p, n, r, stop)


def _slid(work: Surface, p: Floats, n: Floats, r: Floats, stop: Ints) -> Floats:
    """Shrink balls by stepping from the vertex that stopped each to whichever beside it stops it sooner."""
    beside, first = _neighbours(work)
    r, todo = r.copy(), np.flatnonzero(stop >= 0)
    for _ in range(SHRINKS):
        count = first[stop[todo] + 1] - first[stop[todo]]
        todo, count = todo[count > 0], count[count > 0]
        if not len(todo):
            break
        begin = np.cumsum(count) - count
        near = beside[np.arange(count.sum()) + np.repeat(first[stop[todo]] - begin, count)]
        w = work.vertices_mm[near] - np.repeat(p[todo], count, axis=0)
        rise = (w * np.repeat(n[todo], count, axis=0)).sum(axis=1)
        size = (w * w).sum(axis=1)
        radius = np.divide(size, 2 * rise, out=np.full_like(size, np.inf), where=rise > 1e-12 * size)
        least = np.minimum.reduceat(radius, begin)
        closer = least < r[todo] * (1 - TOUCH)
        which = np.flatnonzero(radius == np.repeat(least, count))
        one = which[np.searchsorted(which, begin)]
        todo, least, one = todo[closer], least[closer], one[closer]
        r[todo], stop[todo] = least, near[one]
    return r


def _neighbours(work: Surface) -> tuple[Ints, Ints]:
    """The vertices beside each vertex, one vertex after the other, and where those of each begin."""
    e = directed_edges(work.faces)
    both = np.concatenate([e, e[:, ::-1]])
    order = np.argsort(both[:, 0], kind="stable")
    first = np.searchsorted(both[order, 0], np.arange(len(work.vertices_mm) + 1))
    return both[order, 1], first


def _shrunk(p: Floats, n: Floats, obstacles: Floats, start: Floats) -> Floats:
    """Radii (k,) of balls tangent at p, shrunk from the radii given until no obstacle lies inside."""
    return _stopped(p, n, obstacles, start)[0]


def _stopped(p: Floats, n: Floats, obstacles: Floats, start: Floats) -> tuple[Floats, Ints]:
    """As `_shrunk`, with the obstacle that stopped each, -1 where none did."""
    r, stop = start.copy(), np.full(len(p), -1, dtype=np.int64)
    if not len(p):
        return r, stop
    tree = cKDTree(obstacles, balanced_tree=False, leafsize=LEAF)
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
            stop[hit] = q[inside]
            moved[k : k + QUERY_AT_ONCE][inside] = True
        todo = todo[moved]
        if not len(todo):
            break
    return r, stop


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
        Second derivatives of the limit: how the normal turns on the surface that the centres lie on, convex positive,
        and along the normal what makes the limit a round one.
    obstacles, faces_to : (j, 3) float array
        Vertices of the surface that a ball about here may meet, mm, and their normals.
    """

    radius_mm: float
    centres: Floats
    normals: Floats
    bend: Floats
    obstacles: Floats
    faces_to: Floats

    def centre_for(self, points: Floats, normals: Floats | None = None) -> Floats:
        """Nearest place (k, 3) to each point that the ball's centre can take.

        Where points lie close together only some are worked out afresh. The others take the centres that the nearest
        of those on their own side went by, and find their own place among them.

        Parameters
        ----------
        points : (k, 3) float array
        normals : (k, 3) float array, optional
            The surface's there: by them points on both faces of a thin wall are told apart. Without them each point is
            worked out afresh.
        """
        if not len(self.centres):
            return np.full_like(points, np.inf)
        cell = ALIKE * self.radius_mm
        some = thinned(points, cell) if len(points) and normals is not None else np.arange(len(points))
        if normals is None or len(some) > 0.7 * len(points):
            return self._found(points)[0]
        out = np.empty_like(points)
        out[some], near = self._found(points[some])
        rest = np.setdiff1d(np.arange(len(points)), some, assume_unique=True)
        space = np.concatenate([points, 2 * cell * normals], axis=1)
        far, like = cKDTree(space[some]).query(space[rest], workers=-1)
        alone = far > 2 * cell
        out[rest[alone]] = self._found(points[rest[alone]])[0]
        rest, like = rest[~alone], like[~alone]
        for k in range(0, len(rest), AT_ONCE):
            v, of = points[rest[k : k + AT_ONCE]], like[k : k + AT_ONCE]
            tried = [out[some[of]]]
            for _ in range(2):
                tried.append(_projected(v, *self._planes(tried[-1], near[of])))
            out[rest[k : k + AT_ONCE]] = self._first_free(v, tried)
        return out

    def _found(self, points: Floats) -> tuple[Floats, Ints]:
        """As `centre_for`, each point for itself, and the accepted centres (k, j) that it went by.

        Each accepted centre gives a surface of second order that the centre cannot pass. Between the accepted ones
        the nearest place is found by projecting the point on to what the tangent planes of those about it leave, and
        again from there.

        References
        ----------
        C. Hildreth, "A quadratic programming procedure", Naval Research Logistics Quarterly 4, 1957.
        """
        out = np.empty_like(points)
        tree = cKDTree(self.centres)
        # The nearest may all lie on one side; some of a sparser choice make sure that every side has its say.
        some = thinned(self.centres, SPARSE * self.radius_mm)
        sparse = cKDTree(self.centres[some])
        last = min(ABOUT[-1], tree.n) + min(ABOUT[-1], sparse.n)
        went_by = np.empty((len(points), last), dtype=np.int64)
        for k in range(0, len(points), AT_ONCE):
            v = points[k : k + AT_ONCE]
            start = self.centres[tree.query(v, workers=-1)[1]]
            x, ask, tried = start, v, [start]
            for about in ABOUT:
                near = [
                    np.asarray(t.query(ask, k=min(about, t.n), workers=-1)[1]).reshape(len(v), -1) for t in (tree, sparse)
                ]
                near[1] = some[near[1]]
                x = ask = _projected(v, *self._planes(x, np.concatenate(near, axis=1)))
                tried.append(x)
            out[k : k + len(v)] = self._first_free(v, tried)
            went_by[k : k + len(v)] = np.concatenate(near, axis=1)
        return out, went_by

    def _first_free(self, v: Floats, tried: list[Floats]) -> Floats:
        """The last of some places (k, 3) for each point at which the ball cuts nothing and that beats the first."""
        tree = cKDTree(self.obstacles, balanced_tree=False, leafsize=LEAF)
        out = tried[0].copy()
        far = row_lengths(out - v)
        todo = np.arange(len(v))
        for x in tried[:0:-1]:
            better = todo[row_lengths(x[todo] - v[todo]) < far[todo]]
            d, near = tree.query(x[better], workers=-1)
            off = x[better] - self.obstacles[near]
            # A ball may also fit on the far side of a wall, inside a tube.
            clear = (d > self.radius_mm * (1 - CUTS)) & ((off * self.faces_to[near]).sum(axis=1) >= 0)
            out[better[clear]] = x[better[clear]]
            todo = np.setdiff1d(todo, better[clear], assume_unique=True)
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

    def nearest(self, points: Floats) -> Floats:
        """Nearest accepted centre (k, 3) to each point."""
        return np.asarray(self.centres[cKDTree(self.centres).query(points, workers=-1)[1]])


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
    if not len(lost) or not len(ok):
        return Closing(radius_mm, p[:0], p[:0], np.zeros((0, 3, 3)), p[:0], p[:0])
    tree = cKDTree(lost[thinned(lost, THIN * radius_mm)])
    c = p[ok] + radius_mm * n[ok]
    # A centre that serves a point lies no farther from it than the ball plus the gap.
    deep = 1.5 * float(cKDTree(c).query(lost, workers=-1)[0].max())
    ok = ok[np.isfinite(tree.query(c, distance_upper_bound=deep, workers=-1)[0])]
    about = np.isfinite(tree.query(p, distance_upper_bound=deep + 2 * radius_mm, workers=-1)[0])
    normal, bend = _shape(work, n, ok)
    rim, over, turn = _rims(work)
    if len(rim):
        keep = np.flatnonzero(np.isfinite(tree.query(rim + radius_mm * over, distance_upper_bound=deep, workers=-1)[0]))
        keep = keep[thinned((rim + radius_mm * over)[keep], 0.5 * THIN * radius_mm)] if len(keep) else keep
        free = _shrunk(rim[keep], over[keep], p, np.full(len(keep), radius_mm)) >= radius_mm * (1 - 1e-3)
        rim, over, turn = rim[keep[free]], over[keep[free]], turn[keep[free]]
    # A surface r above one of curvature k has the curvature k / (1 + r k). In a hollow that is anything up to infinite,
    # but there the centres about lie on the inside of their tangent planes anyway.
    k, axes = np.linalg.eigh(bend)
    k = np.maximum(k, 0.0)
    k = k / (1 + radius_mm * k)
    # With the largest curvature along the normal as well, what is second order elsewhere is exact on round posts.
    above = (axes * k[:, None, :]) @ np.swapaxes(axes, 1, 2) + k[:, 2, None, None] * _outer(normal, normal)
    at, normal = np.concatenate([p[ok], rim]), np.concatenate([normal, over])
    above = np.concatenate([above, (turn + _outer(over, over)) / radius_mm])
    keep = thinned(at + radius_mm * normal, 0.5 * THIN * radius_mm)
    about = np.flatnonzero(about)
    about = about[thinned(p[about], SEEN * radius_mm)]
    return Closing(radius_mm, at[keep] + radius_mm * normal[keep], normal[keep], above[keep], p[about], n[about])


def _rims(work: Surface) -> tuple[Floats, Floats, Floats]:
    """Points (k, 3) on sharp convex edges, normals fanned out between those of their faces, and the fans' planes.

    A ball rolls over a sharp rim on one spot; its centre goes round it.
    """
    edges = surface_edges(work)
    turn = turns(work, edges)[0]
    sharp = np.flatnonzero(turn > RIM_RAD)
    a, b = (work.vertices_mm[edges.ends[sharp, k]] for k in range(2))
    n, m = (work.face_normals[edges.faces[sharp, k]] for k in range(2))
    count = int(np.ceil(turn[sharp].max(initial=0.0) / FAN_RAD)) + 1
    found = []
    for share in np.linspace(0.0, 1.0, count):
        up = (1 - share) * n + share * m
        up /= np.maximum(np.linalg.norm(up, axis=1, keepdims=True), 1e-300)
        u = (m - n) - ((m - n) * up).sum(axis=1, keepdims=True) * up
        u /= np.maximum(np.linalg.norm(u, axis=1, keepdims=True), 1e-300)
        found += [(p, up, _outer(u, u)) for p in (a, 0.5 * (a + b), b)]
    at, up, planes = (np.concatenate(q) for q in zip(*found))
    return at, up, planes


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
    spread = np.linalg.eigvalsh(lhs)
    good = (alike.sum(axis=1) >= 9) & (left < QUADRIC**2 * plane) & (plane > 1e-12) & (spread[:, 0] > WELL * spread[:, 4])
    up = normal - coef[:, :1] * a - coef[:, 1:2] * b
    up /= np.linalg.norm(up, axis=1, keepdims=True)
    good &= (up * normal).sum(axis=1) > CREASE
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
    out = v.copy()
    # One row for each plane and coordinate, so that all points are worked on side by side.
    plane = [np.ascontiguousarray(n[:, :, axis].T) for axis in range(3)]
    x = [v[:, axis].copy() for axis in range(3)]
    at, least, give = np.arange(len(v)), np.ascontiguousarray(level.T), np.zeros(level.T.shape)
    for _ in range(SWEEPS):
        before = [c.copy() for c in x]
        for k in range(len(least)):
            a, b, c = (p[k] for p in plane)
            step = np.maximum(least[k] - (x[0] * a + x[1] * b + x[2] * c), -give[k])
            give[k] += step
            x[0] += step * a
            x[1] += step * b
            x[2] += step * c
        live = np.abs(np.stack(x) - np.stack(before)).max(axis=0) > STILL
        if live.mean() < 0.7 or not live.any():
            out[at] = np.stack(x, axis=1)
            at, least, give = at[live], least[:, live], give[:, live]
            plane, x = [p[:, live] for p in plane], [c[live] for c in x]
        if not len(at):
            break
    out[at] = np.stack(x, axis=1)
    return out

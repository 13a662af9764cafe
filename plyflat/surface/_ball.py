"""A ball rolled along a corner: its centres and where it touches the two walls.

The corner line only tells the walls apart and sets the planes in which centres are sought; the centres themselves hang
on the walls alone.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import scipy.sparse as sp
from scipy.interpolate import CubicSpline
from scipy.ndimage import gaussian_filter1d
from scipy.sparse.csgraph import dijkstra
from scipy.spatial import cKDTree

from ..errors import OutlineError, ShapeError
from ._smooth import work_copy
from ._topology import surface_edges
from ._trace import at
from .cut import Refined, faces_near, insert_path, refine
from .mesh import Bools, Floats, Ints, Surface

# Walls are looked at as far as this many radii from the corner, then farther if the ball touches beyond.
REACHES = (5.0, 14.0)
# A contact is square to the wall within this, seen along the corner; beyond it the ball hangs on the wall's end.
SQUARE_DEG = 15.0
# Walls that meet within this of straight make no corner.
FLAT_DEG = 8.0
# Newton's iteration has found the centre when both distances fit within this share of the radius.
FOUND, FOUND_NOISY = 1e-5, 2e-3
NEWTON_STEPS = 40
# A contact may step back along the corner by this share of the radius in all.
BACK = 0.1
# A fillet that ends this share of the radius before the surface's boundary is led on to it.
END_SHARE = 0.15
# Lost stations on a scan are bridged over this share of the radius.
BRIDGE = 0.75
# Where arcs cross they are set square to a way evened out over so many edges, one after the other.
EASES = (1.0, 2.0, 4.0)
MOST_STATIONS = 6000
# Neighbours that a wall of a noisy scan is fitted to, and how far they lie, in widths of the weight.
FIT_NEAR, FIT_FAR, FIT_ROUNDS = 120, 2.5, 5
# A fitted wall ends where the mean of the points about lies this many widths back towards the corner (0.8 at an edge).
ENDS = 0.75
ROUND_POWER = 6


@dataclass(frozen=True, eq=False)
class Wall:
    """One side of a corner. `vertices` (n, 3) mm, `faces` (m, 3)."""

    vertices: Floats
    faces: Ints

    @cached_property
    def surface(self) -> Surface:
        """The wall as a surface."""
        return Surface(self.vertices, self.faces)

    @cached_property
    def _tree(self) -> object:
        import igl

        tree = igl.AABB()
        tree.init(self.surface.vertices_mm, self.surface.faces)
        return tree

    @cached_property
    def _faces_of(self) -> sp.csr_array:
        m = len(self.faces)
        owner = np.repeat(np.arange(m), 3)
        return sp.csr_array((np.ones(3 * m, np.int8), (self.faces.ravel(), owner)), shape=(len(self.vertices), m))

    def nearest(self, points: Floats) -> tuple[Floats, Floats, Floats]:
        """Return signed distance (k,), its gradient (k, 3) and nearest points (k, 3)."""
        d2, face, q = self._tree.squared_distance(  # type: ignore[attr-defined]
            self.surface.vertices_mm, self.surface.faces, np.ascontiguousarray(points)
        )
        face, off = np.asarray(face, dtype=np.int64).ravel(), points - q
        d, normal = np.sqrt(np.asarray(d2).ravel()), self.surface.face_normals[face]
        sign = np.where((off * normal).sum(axis=1) < -1e-6 * d, -1.0, 1.0)
        near = d < 1e-9
        gradient = np.where(near[:, None], normal, off * (sign / np.where(near, 1.0, d))[:, None])
        return sign * d, gradient, np.asarray(q)

    def sampled(self) -> tuple[Floats, Floats, Floats]:
        """Middles (m, 3), unit normals and areas of the faces."""
        s = self.surface
        return s.vertices_mm[s.faces].mean(axis=1), s.face_normals, s.face_areas_mm2

    def lean_deg(self, q: Floats, away: Floats, up: Floats, along: Floats) -> Floats:
        """Smallest angle (k,) between `up` and the normals of the faces that meet at q, both seen along the corner."""
        face = self.surface.locate(q).face
        corners = self.vertices[self.faces[face]]
        out = np.empty(len(q))
        size = np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2).max(axis=1)
        for i, f in enumerate(face.tolist()):
            on = [int(v) for v, x in zip(self.faces[f], _weights(q[i], corners[i])) if x > 1e-4 + 1e-6 / size[i]]
            stars = [self._faces_of.indices[self._faces_of.indptr[v] : self._faces_of.indptr[v + 1]] for v in on]
            meet = stars[0] if stars else np.array([f])
            for s in stars[1:]:
                meet = np.intersect1d(meet, s)
            n = self.surface.face_normals[meet if len(meet) else [f]]
            t, u = along[i], up[i]
            n, u = n - np.outer(n @ t, t), u - (u @ t) * t
            cosine = n @ u / np.maximum(np.linalg.norm(n, axis=1) * np.linalg.norm(u), 1e-300)
            out[i] = np.degrees(np.arccos(np.clip(cosine, -1, 1))).min()
        return out


@dataclass(frozen=True, eq=False)
class Fit:
    """One side of a corner on a noisy scan: points (n, 3), their normals, and the width of the weight in mm.

    The wall is where a point lies on the quadric fitted to those about it by weighted least squares.
    """

    points: Floats
    normals: Floats
    width: float

    @cached_property
    def _tree(self) -> cKDTree:
        return cKDTree(self.points)

    def nearest(self, points: Floats) -> tuple[Floats, Floats, Floats]:
        """As for a `Wall`.

        References
        ----------
        M. Alexa et al., "Computing and rendering point set surfaces", IEEE TVCG 9(1), 2003: project, fit again
        about the foot, and so on.
        """
        q = self.points[self._tree.query(points)[1]]
        for _ in range(FIT_ROUNDS):
            a, b, n, coef = self._quadric(q)
            q, up = _foot(points, q, (a, b, n), coef, self.width)
        off = ((points - q) * up).sum(axis=1)
        return off, up, q

    def sampled(self) -> tuple[Floats, Floats, Floats]:
        """As for a `Wall`."""
        return self.points, self.normals, np.ones(len(self.points))

    def _about(self, q: Floats) -> tuple[Floats, Floats, Floats]:
        """Neighbours (k, j, 3) of points relative to them in widths, weights (k, j), and mean normals (k, 3)."""
        d, near = self._tree.query(q, k=min(FIT_NEAR, len(self.points)))
        w = np.exp(-0.5 * (d / self.width) ** 2) + 1e-9
        first = self.normals[near[:, :5]].sum(axis=1)
        # Points count the less the more the wall has turned, or a quadric would be laid far round a post.
        w *= np.maximum((self.normals[near] * _unit(first)[:, None]).sum(axis=2), 0.0) ** ROUND_POWER
        n = _unit((self.normals[near] * w[:, :, None]).sum(axis=1))
        return (self.points[near] - q[:, None]) / self.width, w, n

    def _quadric(self, q: Floats) -> tuple[Floats, Floats, Floats, Floats]:
        """Frames (a, b, n) at points, and z = c0 + c1 x + c2 y + c3 x² + c4 xy + c5 y² there, in widths."""
        rel, w, n = self._about(q)
        a, b = _frames(n)
        x, y, z = ((rel * e[:, None]).sum(axis=2) for e in (a, b, n))
        basis = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=2)
        lhs = np.swapaxes(basis, 1, 2) @ (basis * w[:, :, None])
        lhs += 1e-3 * np.trace(lhs, axis1=1, axis2=2)[:, None, None] * np.diag([1e-9, 1e-6, 1e-6, 1, 1, 1])
        coef = np.linalg.solve(lhs, np.swapaxes(basis, 1, 2) @ (w * z)[:, :, None])[:, :, 0]
        return a, b, n, coef

    def lean_deg(self, q: Floats, away: Floats, up: Floats, along: Floats) -> Floats:
        """0 where the wall's points go on beyond q, 90 where they end before it."""
        rel, w, _ = self._about(q)
        out = away - (away * along).sum(axis=1, keepdims=True) * along
        mean = (rel * w[:, :, None]).sum(axis=1) / w.sum(axis=1, keepdims=True)
        return np.where((mean * _unit(out)).sum(axis=1) < -ENDS, 90.0, 0.0)


def _foot(points: Floats, q: Floats, frame: tuple[Floats, Floats, Floats], coef: Floats, width: float) -> tuple[Floats, Floats]:
    """Feet (k, 3) of points on quadrics in frames at q, and the quadrics' normals there."""
    a, b, n = frame
    x0, y0, z0 = (((points - q) * e).sum(axis=1) / width for e in frame)
    x, y = np.clip(x0, -1.5, 1.5), np.clip(y0, -1.5, 1.5)
    c0, c1, c2, c3, c4, c5 = coef.T
    for _ in range(6):
        z = c0 + c1 * x + c2 * y + c3 * x * x + c4 * x * y + c5 * y * y
        zx, zy = c1 + 2 * c3 * x + c4 * y, c2 + c4 * x + 2 * c5 * y
        gx, gy = x - x0 + (z - z0) * zx, y - y0 + (z - z0) * zy
        hxx, hyy = 1 + zx * zx + 2 * np.maximum((z - z0) * c3, -0.4), 1 + zy * zy + 2 * np.maximum((z - z0) * c5, -0.4)
        x, y = np.clip(x - gx / hxx, -2, 2), np.clip(y - gy / hyy, -2, 2)
    z = c0 + c1 * x + c2 * y + c3 * x * x + c4 * x * y + c5 * y * y
    zx, zy = c1 + 2 * c3 * x + c4 * y, c2 + c4 * x + 2 * c5 * y
    foot = q + width * (x[:, None] * a + y[:, None] * b + z[:, None] * n)
    return foot, _unit(n - zx[:, None] * a - zy[:, None] * b)


def _weights(q: Floats, corner: Floats) -> Floats:
    """Barycentric weights of q in a triangle of (3, 3) corners."""
    u, v, w = corner[1] - corner[0], corner[2] - corner[0], q - corner[0]
    s, t = np.linalg.lstsq(np.stack([u, v], axis=1), w, rcond=None)[0]
    return np.array([1 - s - t, s, t])


@dataclass(frozen=True, eq=False)
class Corner:
    """A corner's surroundings: `first` is left of the line seen from the air side, `second` right of it.

    `line` (k, 3) points, `edge_mm` the size of the triangles about, `reach_mm` how far the walls were cropped,
    `border` (b, 2, 3) pieces of the surface's own boundary, `noisy` whether the walls are fitted ones, `whole` whether
    nothing was cropped.
    """

    first: Wall | Fit
    second: Wall | Fit
    line: Floats
    closed: bool
    edge_mm: float
    reach_mm: float
    border: Floats
    noisy: bool
    whole: bool

    @property
    def found(self) -> float:
        """How well the two distances must fit the radius, as a share of it."""
        return FOUND_NOISY if self.noisy else FOUND


@dataclass(frozen=True, eq=False)
class Track:
    """Where a ball goes: for each of k stations the corner's point and direction, the centre and the contacts.

    All (k, 3) mm; `fit` (k,) is how badly the two distances fit the radius, as a share of it.
    """

    corner: Floats
    along: Floats
    centre: Floats
    first: Floats
    second: Floats
    fit: Floats

    def take(self, which: Ints | Bools) -> Track:
        """Return some of the stations."""
        return Track(*(getattr(self, f)[which] for f in self.__dataclass_fields__))


def line_points(line_mm: object, *, closed: bool) -> Floats:
    """Check a corner line, and drop repeated points.

    Raises
    ------
    OutlineError
    """
    p = np.asarray(line_mm, dtype=np.float64)
    if p.ndim != 2 or p.shape[1:] != (3,):
        raise OutlineError(f"the corner line has shape {p.shape}, not (k, 3)")
    if not np.isfinite(p).all():
        raise OutlineError("the corner line has points that are not finite")
    p = p[np.r_[True, np.linalg.norm(np.diff(p, axis=0), axis=1) > 1e-9]]
    if closed and len(p) > 1 and np.linalg.norm(p[0] - p[-1]) <= 1e-6 * np.ptp(p, axis=0).max():
        p = p[:-1]
    least = 3 if closed else 2
    if len(p) < least:
        raise OutlineError(f"the corner line has {len(p)} different points", do=f"Give at least {least}.")
    return p


def see_corner(
    surface: Surface, line: Floats, radius_mm: float, *, closed: bool, reach_mm: float, smooth_mm: float
) -> Corner:
    """Crop a surface about a corner line and tell the two walls apart.

    Parameters
    ----------
    surface : Surface
    line : (k, 3) float array, mm
    radius_mm, reach_mm, smooth_mm : float
    closed : bool

    Raises
    ------
    OutlineError
        The line is off the surface, or cannot be laid on it.
    """
    dense = resample(line, closed=closed, step_mm=0.5 * radius_mm)
    near = faces_near(surface.vertices_mm, surface.faces, dense, reach_mm)
    if not near.any():
        raise OutlineError(
            "the corner line is nowhere near the surface", where=at(tuple(line[0])), do="Check its unit."
        )
    piece, used = surface.sub(near)
    tree = cKDTree(dense)
    edge = _edge_mm(piece, tree, radius_mm)
    noisy = smooth_mm > 0 and work_copy(piece, scale_mm=smooth_mm) is not piece.vertices_mm
    if noisy:
        line = evened(dense, max(smooth_mm, 0.25 * radius_mm), closed=closed)
    fine = piece if noisy else refine(piece, _longest(tree, 0.5 * radius_mm)).surface
    made = insert_path(fine, line, closed=closed, tolerance_mm=max(10.0, 0.5 * radius_mm), smooth_mm=smooth_mm)
    side = _sides(made.surface, made.path, closed=closed)
    sheet = made.surface
    first: Wall | Fit
    second: Wall | Fit
    if noisy:
        first, second = _fitted(sheet, side, tree, radius_mm, smooth_mm)
    else:
        first, second = (Wall(*_used(sheet.vertices_mm, sheet.faces[side == k])) for k in (0, 1))
    return Corner(
        first, second, line, closed, edge, reach_mm, _border(surface, np.asarray(work_copy(surface, scale_mm=smooth_mm)), near), noisy,
        bool(near.all()),
    )


def _used(v: Floats, faces: Ints) -> tuple[Floats, Ints]:
    if not len(faces):
        raise OutlineError("the corner line has the surface on one side only", do="Lay it in the corner.")
    used, inverse = np.unique(faces, return_inverse=True)
    return v[used], inverse.reshape(-1, 3)


def _edge_mm(piece: Surface, tree: cKDTree, radius_mm: float) -> float:
    """Size of the triangles about the corner, mm; no more than a third of the radius and not absurdly little."""
    p = piece.vertices_mm[piece.faces]
    length = np.linalg.norm(p - np.roll(p, 1, axis=1), axis=2).mean(axis=1)
    close = tree.query(p.mean(axis=1))[0] < 2 * radius_mm + length
    typical = float(np.median(length[close] if close.any() else length))
    return float(np.clip(typical, radius_mm / 12, radius_mm / 3))


def _longest(tree: cKDTree, at_least_mm: float) -> Callable[[Floats], Floats]:
    """How long edges may be: the longer, the farther from the corner."""

    def longest(middle_mm: Floats) -> Floats:
        return np.asarray(at_least_mm + 0.5 * tree.query(middle_mm)[0])

    return longest


def divided_about(surface: Surface, corner: Corner, radius_mm: float) -> Refined:
    """Split large triangles about a corner, so that the walls can be cut along lines close beside it."""
    tree = cKDTree(resample(corner.line, closed=corner.closed, step_mm=0.5 * radius_mm))
    return refine(surface, _longest(tree, radius_mm))


def _border(surface: Surface, v: Floats, near: Bools) -> Floats:
    """(b, 2, 3) boundary edges of the surface among some faces, with its vertices at v."""
    edges = surface_edges(surface)
    bare = (edges.faces[:, 1] < 0) & near[edges.faces[:, 0]]
    return v[edges.ends[bare]]


def _sides(sheet: Surface, path: Ints, *, closed: bool) -> Ints:
    """(m,) 0 for faces left of a path, 1 for those right of it, -1 for those not joined; beyond open ends the nearer."""
    n = len(sheet.vertices_mm)
    follow = np.roll(path, -1) if closed else path[1:]
    start = path if closed else path[:-1]
    e = sheet.faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2)
    key, owner = e[:, 0] * n + e[:, 1], np.arange(len(e)) // 3
    seeds = [owner[np.isin(key, a * n + b)] for a, b in ((start, follow), (follow, start))]
    edges = surface_edges(sheet)
    wall = np.minimum(start, follow) * n + np.maximum(start, follow)
    open_ = (edges.faces[:, 1] >= 0) & ~np.isin(edges.ends[:, 0] * n + edges.ends[:, 1], wall)
    one, two = edges.faces[open_].T
    middle = sheet.vertices_mm[sheet.faces].mean(axis=1)
    far = np.maximum(np.linalg.norm(middle[one] - middle[two], axis=1), 1e-12)
    graph = sp.csr_array((far, (one, two)), shape=(len(middle), len(middle)))
    away = [dijkstra(graph, directed=False, indices=s, min_only=True) for s in seeds if len(s)]
    if len(away) < 2:
        raise OutlineError(
            "the corner line runs along the surface's own boundary", where=at(tuple(sheet.vertices_mm[path[0]])),
            do="Lay it in the corner between two walls.",
        )
    return np.where(np.isinf(away[0]) & np.isinf(away[1]), -1, (away[1] < away[0]).astype(np.int64))


def _fitted(sheet: Surface, side: Ints, tree: cKDTree, radius_mm: float, smooth_mm: float) -> tuple[Fit, Fit]:
    """Both walls of a noisy corner, each by its own points without those of the rounded corner.

    Noise is longer than the triangles, so that a filter leaves much of it; and a ball rides on what is left.
    """
    calm = Surface(np.asarray(work_copy(sheet, scale_mm=smooth_mm)), sheet.faces).vertex_normals
    width = max(2.0 * smooth_mm, 0.5 * radius_mm)
    off = tree.query(sheet.vertices_mm)[0]
    share = FIT_NEAR / (np.pi * (FIT_FAR * width) ** 2) * sheet.area_mm2 / len(off)
    rng = np.random.default_rng(0)
    out = []
    for k in (0, 1):
        own = np.unique(sheet.faces[side == k])
        fit = own[off[own] > min(1.5 * smooth_mm, 0.4 * radius_mm)]
        fit = fit[rng.random(len(fit)) < max(share, 300 / max(len(fit), 1))]
        if len(fit) < 24:
            raise OutlineError(
                "there is too little of a wall beside the corner line", where=at(tuple(sheet.vertices_mm[own[0]])),
                do="Lay it in the corner between two walls.",
            )
        out.append(Fit(sheet.vertices_mm[fit], calm[fit], width))
    return out[0], out[1]


def _frames(n: Floats) -> tuple[Floats, Floats]:
    """Two unit vectors (k, 3) square to unit vectors n and to each other."""
    other = np.eye(3)[np.abs(n).argmin(axis=1)]
    a = np.cross(n, other)
    a /= np.linalg.norm(a, axis=1, keepdims=True)
    return a, np.cross(n, a)


def resample(line: Floats, *, closed: bool, step_mm: float) -> Floats:
    """Return points at even steps along a polyline, of about the length given; a closed one is not repeated."""
    p = np.vstack([line, line[:1]]) if closed else line
    s = np.r_[0, np.cumsum(np.linalg.norm(np.diff(p, axis=0), axis=1))]
    count = max(int(np.ceil(s[-1] / step_mm)), 8 if closed else 4)
    to = np.linspace(0, s[-1], count + 1)[: count if closed else None]
    return np.stack([np.interp(to, s, p[:, k]) for k in range(3)], axis=1)


def evened(p: Floats, width_mm: float, *, closed: bool, along: Floats | None = None) -> Floats:
    """Even points (k, 3) of a line, or vectors at points `along` it, out over a width; an open line's ends stay."""
    line = p if along is None else along
    step = max(float(np.median(np.linalg.norm(np.diff(line, axis=0), axis=1))), 1e-9)
    sigma = width_mm / step
    pad = min(int(np.ceil(6 * sigma)), len(p) - 1)
    if closed or along is not None:
        mode, q, pad = "wrap" if closed else "nearest", p, 0
    else:
        # Turned about its ends, so that they neither move nor are drawn in.
        mode, q = "nearest", np.vstack([2 * p[0] - p[pad:0:-1], p, 2 * p[-1] - p[-2 : -2 - pad : -1]])
    once = gaussian_filter1d(q, sigma, axis=0, mode=mode)
    if along is not None:
        return np.asarray(once)
    # One pass draws a bend in by the square of the width over its radius; what the second takes is put back.
    twice = gaussian_filter1d(once, sigma, axis=0, mode=mode)
    return np.asarray((2 * once - twice)[pad : pad + len(p)])


def _unit(x: Floats) -> Floats:
    return np.asarray(x / np.maximum(np.linalg.norm(x, axis=-1, keepdims=True), 1e-300))


def roll(corner: Corner, radius_mm: float) -> Track:
    """Roll a ball along a corner.

    Parameters
    ----------
    corner : Corner
    radius_mm : float

    Returns
    -------
    Track
        With stations close enough together for centres and contacts alike. Ends of an open corner where a wall ends
        are left out.

    Raises
    ------
    ShapeError
        A convex corner or none; a wall that ends before the ball reaches it; a ball that does not fit; a bend so
        tight that the ball would have to turn back.
    """
    step = max(0.7 * corner.edge_mm, radius_mm / 12)
    p = resample(corner.line, closed=corner.closed, step_mm=step)
    blur = (0.5 if corner.noisy else 0.25) * radius_mm
    t = _directions(p, corner.closed, blur)
    n1, n2 = _normals(corner, p, radius_mm)
    _check_concave(corner, p, t, n1, n2)
    start = p + radius_mm * (n1 + n2) / np.maximum(1 + (n1 * n2).sum(axis=1), 0.03)[:, None]
    track = _carried_on(corner, _centred(corner, p, t, start, radius_mm), radius_mm)
    for _ in range(5):
        track, more = _filled_in(corner, track, radius_mm, 1.5 * step)
        if not more:
            break
    track = _within(corner, track, radius_mm)
    if corner.noisy:
        track = _dense(_evened(corner, track, radius_mm, blur), corner.closed, 1.5 * step)
    for widths in EASES:
        if not _arcs_cross(track, corner.closed):
            break
        track = _eased(corner, track, widths * corner.edge_mm)
    _check_forward(corner, track, radius_mm)
    return track


def _directions(p: Floats, closed: bool, blur_mm: float) -> Floats:
    """Unit tangents (k, 3) of a line at even steps, evened out over a length."""
    return _unit(evened(_unit(_ahead(p, closed)), blur_mm, closed=closed, along=p))


def _normals(corner: Corner, p: Floats, radius_mm: float) -> tuple[Floats, Floats]:
    """Mean normals (k, 3) of each wall about each station, a little away from the corner itself."""
    out = []
    for wall in (corner.first, corner.second):
        middle, normal, area = wall.sampled()
        off = cKDTree(p).query(middle)[0]
        clear = off > 0.2 * radius_mm
        faces = np.flatnonzero(clear) if clear.any() else np.arange(len(middle))
        tree = cKDTree(middle[faces])
        n = np.empty_like(p)
        for i, near in enumerate(tree.query_ball_point(p, 1.2 * radius_mm)):
            k = faces[near] if near else faces[[tree.query(p[i])[1]]]
            n[i] = (normal[k] * area[k, None]).sum(axis=0)
        out.append(_unit(n))
    return out[0], out[1]


def _check_concave(corner: Corner, p: Floats, t: Floats, n1: Floats, n2: Floats) -> None:
    """Refuse a corner that is convex or too flat somewhere."""
    # The first wall lies to the left of the line: its direction away from the corner is n1 x t.
    bend = (np.cross(n1, t) * n2).sum(axis=1)
    turn = np.degrees(np.arctan2(np.linalg.norm(np.cross(n1, n2), axis=1), (n1 * n2).sum(axis=1)))
    k = int(np.argmin(np.where(bend > 0, turn, -turn)))
    if turn[k] < FLAT_DEG:
        raise ShapeError(
            f"there is no corner here: the sides turn by {turn[k]:.0f} degrees", where=at(tuple(p[k])),
            do="End the corner line before that.",
        )
    if bend[k] <= 0:
        raise ShapeError(
            f"the corner is convex here (it turns outward by {turn[k]:.0f} degrees)", where=at(tuple(p[k])),
            do="A fillet needs an inner corner: turn the surface's air side, or choose another line.",
        )


def _centred(corner: Corner, p: Floats, t: Floats, start: Floats, radius: float) -> Track:
    """Find centres in the planes square to the line: two distances equal to the radius, by damped Newton steps."""
    a, b = _frames(t)
    c = p + (start - p) - ((start - p) * t).sum(axis=1, keepdims=True) * t
    d1, g1, q1 = corner.first.nearest(c)
    d2, g2, q2 = corner.second.nearest(c)
    damp = np.ones(len(c))
    for _ in range(NEWTON_STEPS):
        miss = np.stack([d1 - radius, d2 - radius], axis=1)
        size = np.abs(miss).max(axis=1)
        go = np.flatnonzero((size > 0.01 * corner.found * radius) & (damp > 1e-3))
        if not len(go):
            break
        m = np.stack([np.stack([(g * e).sum(axis=1)[go] for e in (a, b)], axis=1) for g in (g1, g2)], axis=1)
        lhs = np.swapaxes(m, 1, 2) @ m + 1e-10 * np.eye(2)
        x = -np.linalg.solve(lhs, np.swapaxes(m, 1, 2) @ miss[go, :, None])[:, :, 0]
        x *= np.minimum(1.0, radius / np.maximum(np.linalg.norm(x, axis=1), 1e-300))[:, None]
        new = c[go] + damp[go, None] * (x[:, :1] * a[go] + x[:, 1:] * b[go])
        e1, e2 = corner.first.nearest(new), corner.second.nearest(new)
        better = np.maximum(np.abs(e1[0] - radius), np.abs(e2[0] - radius)) < size[go]
        damp[go] = np.where(better, np.minimum(2 * damp[go], 1.0), 0.5 * damp[go])
        k = go[better]
        c[k] = new[better]
        d1[k], g1[k], q1[k] = (x[better] for x in e1)
        d2[k], g2[k], q2[k] = (x[better] for x in e2)
    fit = np.maximum(np.abs(d1 - radius), np.abs(d2 - radius)) / radius
    return Track(p, t, c, q1, q2, fit)


def _carried_on(corner: Corner, track: Track, radius: float) -> Track:
    """Try stations that found no centre again from their neighbours' centres."""
    for _ in range(6):
        lost = np.flatnonzero(track.fit > corner.found)
        good = np.flatnonzero(track.fit <= corner.found)
        if not len(lost) or not len(good):
            break
        near = good[np.abs(lost[:, None] - good[None]).argmin(axis=1)]
        start = track.centre[near] + track.corner[lost] - track.corner[near]
        again = _centred(corner, track.corner[lost], track.along[lost], start, radius)
        won = again.fit < track.fit[lost]
        if not (again.fit[won] <= corner.found).any():
            break
        track = _merged(track, again.take(won), lost[won])
    return track


def _merged(track: Track, new: Track, where: Ints) -> Track:
    """Put stations in the place of others."""
    out = {}
    for f in track.__dataclass_fields__:
        out[f] = getattr(track, f).copy()
        out[f][where] = getattr(new, f)
    return Track(**out)


def _filled_in(corner: Corner, track: Track, radius: float, step_mm: float) -> tuple[Track, bool]:
    """Put stations between those whose centres or contacts lie too far apart."""
    k = np.arange(len(track.fit))
    follow = np.roll(k, -1)
    # On a scan contacts jump about; there they are looked after once they have been evened out.
    lines = (track.centre,) if corner.noisy else (track.centre, track.first, track.second)
    gap = np.max([np.linalg.norm(x[follow] - x, axis=1) for x in lines], axis=0)
    gap[(track.fit > corner.found) | (track.fit[follow] > corner.found)] = 0.0
    same = np.linalg.norm(track.corner[follow] - track.corner, axis=1) < 1e-4 * radius
    gap[same & ((track.along[follow] * track.along).sum(axis=1) > 1 - 1e-7)] = 0.0
    if not corner.closed:
        gap[-1] = 0.0
    wide = np.flatnonzero(gap > step_mm)
    if not len(wide) or len(k) + len(wide) > MOST_STATIONS:
        return track, False
    to = follow[wide]
    p = 0.5 * (track.corner[wide] + track.corner[to])
    t = _unit(track.along[wide] + track.along[to])
    new = _centred(corner, p, t, 0.5 * (track.centre[wide] + track.centre[to]), radius)
    if corner.noisy:
        wide, new = wide[new.fit <= corner.found], new.take(new.fit <= corner.found)
        if not len(wide):
            return track, False
    order = np.argsort(np.r_[k, wide + 0.5], kind="stable")
    both = {f: np.concatenate([getattr(track, f), getattr(new, f)])[order] for f in track.__dataclass_fields__}
    return Track(**both), True


def _within(corner: Corner, track: Track, radius: float) -> Track:
    """Drop the ends of an open track where a wall runs out at the surface's boundary; refuse anything else."""
    if corner.noisy:
        track = _bridged(corner, track, radius)
    lean = _leans(corner, track)
    bad = (track.fit > corner.found) | (lean > SQUARE_DEG).any(axis=1)
    if not corner.closed and bad.any() and not bad.all() and len(corner.border):
        rim = np.min([_to_border(corner.border, q)[1] for q in (track.first, track.second)], axis=0) < 0.02 * radius
        first, last = np.flatnonzero(~bad)[[0, -1]]
        ends = np.r_[0:first, last + 1 : len(bad)]
        # On a ragged boundary the last contacts may be lost; the fillet is led on to the boundary from a little way off.
        lost = max(float(np.linalg.norm(track.corner[k] - track.corner[j])) for k, j in ((0, first), (-1, last)))
        if rim[ends].all() or (corner.noisy and lost < END_SHARE * radius):
            track, lean, bad = (track.take(slice(first, last + 1)), lean[first : last + 1], bad[first : last + 1])  # type: ignore[arg-type]
    if bad.any():
        _refuse(track, lean, bad, radius)
    if len(bad) < 4:
        raise ShapeError("the corner is too short for a fillet", where=at(tuple(track.corner[0])))
    return track


def _bridged(corner: Corner, track: Track, radius: float) -> Track:
    """Leave out stations that found no centre on a scan, if those about them are near enough to do without."""
    good = track.fit <= corner.found
    if good.all() or good.sum() < 8:
        return track
    c = track.centre[good]
    gap = np.linalg.norm((np.roll(c, -1, axis=0) if corner.closed else c[1:]) - (c if corner.closed else c[:-1]), axis=1)
    return track.take(good) if gap.max() <= BRIDGE * radius else track


def _leans(corner: Corner, track: Track) -> Floats:
    """(k, 2) angles between the walls and what a ball would touch squarely, degrees."""
    out = []
    for wall, q in ((corner.first, track.first), (corner.second, track.second)):
        out.append(wall.lean_deg(q, q - track.corner, track.centre - q, track.along))
    return np.stack(out, axis=1)


def _refuse(track: Track, lean: Floats, bad: Bools, radius: float) -> None:
    """Say why the ball cannot go where it should."""
    hang = bad & (lean > SQUARE_DEG).any(axis=1)
    if hang.any():
        up = np.stack([np.linalg.norm(q - track.corner, axis=1) for q in (track.first, track.second)], axis=1)
        up = np.where((lean > SQUARE_DEG) & hang[:, None], up, np.inf)
        k = int(np.argmin(up.min(axis=1)))
        raise ShapeError(
            f"the ball of {radius:g} mm does not reach both sides here: the wall ends {up[k].min():.0f} mm up",
            where=at(tuple(track.corner[k])), do="Take a smaller radius.",
        )
    k = int(np.argmax(np.where(bad, track.fit, -1)))
    raise ShapeError(
        f"a ball of {radius:g} mm does not fit into the corner here", where=at(tuple(track.corner[k])),
        do="Take a smaller radius, or end the corner line before that.",
    )


def _to_border(border: Floats, q: Floats) -> tuple[Floats, Floats]:
    """Nearest points (k, 3) of boundary pieces (b, 2, 3) to points, and the distances (k,)."""
    best, where = np.full(len(q), np.inf), q.copy()
    for start in range(0, len(border), 256):
        a, b = border[start : start + 256, 0], border[start : start + 256, 1]
        d = b - a
        share = ((q[:, None] - a) * d).sum(axis=2) / np.maximum((d * d).sum(axis=1), 1e-300)
        x = a + np.clip(share, 0, 1)[:, :, None] * d
        far = np.linalg.norm(q[:, None] - x, axis=2)
        k = far.argmin(axis=1)
        i = np.arange(len(q))
        closer = far[i, k] < best
        best = np.where(closer, far[i, k], best)
        where = np.where(closer[:, None], x[i, k], where)
    return where, best


def to_border(corner: Corner, q: Floats) -> tuple[Floats, Floats]:
    """Return the nearest points (k, 3) of the surface's boundary to points, and the distances (k,)."""
    return _to_border(corner.border, q)


def _evened(corner: Corner, track: Track, radius: float, blur_mm: float) -> Track:
    """Even the centres out along the track; the contacts are the walls' points nearest to them."""
    track = _at_even_steps(track, corner.closed)
    c = evened(track.centre, blur_mm, closed=corner.closed)
    again = _centred(corner, c, track.along, c, radius)
    c = np.where((again.fit <= corner.found)[:, None], evened(again.centre, 0.5 * blur_mm, closed=corner.closed), c)
    way = evened(_unit(_ahead(c, corner.closed)), blur_mm, closed=corner.closed, along=c)
    feet = []
    for wall in (corner.first, corner.second):
        d = evened(wall.nearest(c)[2] - c, 0.6 * blur_mm, closed=corner.closed, along=c)
        feet.append(c + _square(d, _unit(way)))
    return replace(track, centre=c, first=feet[0], second=feet[1])


def _at_even_steps(track: Track, closed: bool) -> Track:
    """Put as many stations at even steps along the centres."""
    ring = np.arange(len(track.fit) + closed) % len(track.fit)
    s = np.r_[0, np.cumsum(np.linalg.norm(np.diff(track.centre[ring], axis=0), axis=1))]
    to = np.linspace(0, s[-1], len(ring))[: len(track.fit)]
    values = np.column_stack([getattr(track, f)[ring] for f in track.__dataclass_fields__])
    new = np.column_stack([np.interp(to, s, x) for x in values.T])
    corner, along, centre, first, second = (new[:, i : i + 3] for i in range(0, 15, 3))
    return Track(corner, _unit(along), centre, first, second, new[:, 15])


def _dense(track: Track, closed: bool, step_mm: float) -> Track:
    """Put stations between those far apart, by splines through centres and directions to the contacts."""
    k = np.arange(len(track.fit) + closed)
    ring = k % len(track.fit)
    gap = np.max([np.linalg.norm(np.diff(x[ring], axis=0), axis=1) for x in (track.first, track.second)], axis=0)
    share = np.maximum(np.ceil(gap / step_mm), 1).astype(np.int64)
    to = np.concatenate([i + np.arange(n) / n for i, n in enumerate(share)] + ([] if closed else [k[-1:]]))
    kind = "periodic" if closed else "not-a-knot"

    def at_(x: Floats) -> Floats:
        """A smooth curve through the ring's values, read at the denser places."""
        return np.asarray(CubicSpline(k, x[ring], bc_type=kind)(to))

    c = at_(track.centre)
    d = [q - track.centre for q in (track.first, track.second)]
    size = [np.interp(to, k, np.linalg.norm(x, axis=1)[ring])[:, None] for x in d]
    q1, q2 = (c + n * _unit(at_(x)) for n, x in zip(size, d))
    return Track(at_(track.corner), _unit(at_(track.along)), c, q1, q2, np.interp(to, k, track.fit[ring]))


def _square(d: Floats, way: Floats) -> Floats:
    """Vectors turned square to others, as long as they were."""
    return np.linalg.norm(d, axis=1, keepdims=True) * _unit(d - (d * way).sum(axis=1, keepdims=True) * way)


def _arcs_cross(track: Track, closed: bool) -> bool:
    """Whether neighbouring arcs step back over each other somewhere between their ends."""
    d1, d2 = track.first - track.centre, track.second - track.centre
    ways = np.linspace(0, 1, 9)[:, None, None]
    chord = (1 - ways) * d1 + ways * d2
    turn = np.linalg.norm(d1, axis=1)[:, None] * _unit(chord + 1e-9 * track.along)
    p = track.centre + turn
    follow = np.roll(np.arange(len(d1)), -1)
    ahead = ((p[:, follow] - p) * _unit(track.along + track.along[follow])).sum(axis=2)
    return bool((ahead if closed else ahead[:, :-1]).min() < -1e-3 * np.linalg.norm(d1, axis=1).max())


def _eased(corner: Corner, track: Track, width_mm: float) -> Track:
    """Put the contacts square to the way of the centres, evened out over a width.

    On flat triangles the ball goes along flat after flat, and its arcs swing with them; between nearly parallel walls
    the swing is many times that of the flats.
    """
    way = _unit(_ahead(track.centre, corner.closed))
    way = _unit(evened(way, width_mm, closed=corner.closed, along=track.centre))
    feet = [
        wall.nearest(track.centre + _square(q - track.centre, way))[2]
        for wall, q in ((corner.first, track.first), (corner.second, track.second))
    ]
    return replace(track, first=feet[0], second=feet[1])


def _ahead(p: Floats, closed: bool) -> Floats:
    """From the point before each to the point after it; one-sided at open ends."""
    out = np.roll(p, -1, axis=0) - np.roll(p, 1, axis=0)
    if not closed:
        out[0], out[-1] = p[1] - p[0], p[-1] - p[-2]
    return np.asarray(out)


def _check_forward(corner: Corner, track: Track, radius: float) -> None:
    """Refuse a track that turns back on itself at a tight bend."""
    k = np.arange(len(track.fit))
    follow = np.roll(k, -1) if corner.closed else k[1:]
    now = k if corner.closed else k[:-1]
    t = _unit(track.along[now] + track.along[follow])
    for x in (track.centre, track.first, track.second):
        # The flats of a mesh make a contact step back a little; a fillet that crosses itself runs back.
        back = np.maximum(-((x[follow] - x[now]) * t).sum(axis=1), 0.0)
        total = np.cumsum(back)
        run = total - np.maximum.accumulate(np.where(back == 0, total, 0.0))
        worst = int(np.argmax(run))
        if run[worst] > BACK * radius:
            raise ShapeError(
                f"the corner bends too tightly here for a ball of {radius:g} mm: the fillet would cross itself",
                where=at(tuple(track.corner[now[worst]])), do="Take a smaller radius.",
            )

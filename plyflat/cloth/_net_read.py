"""What a net says about the patch it lies on: flat places, shear and directions of the threads."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from functools import cached_property

import numpy as np

from ..surface.mesh import Bools, Floats, Ints
from ._net import BEYOND, ON, SKIRT, Net
from ._net_ground import Ground, dot, unit

#: A vertex is under the net when its foot on it is off to the side by less than this share of a bar.
ASIDE = 0.03
#: A foot farther away than this many bars, or on the other side of the cloth, is another layer's.
LAYER, FACING = 0.6, 0.2
#: Nodes among which the one on a point's own side of a crease is sought, and the weight of being in one plane with it.
NEAR, OWN_SIDE = 9, 30.0
#: Rings of cells beside the firm ones that take over their shear.
CARRIED = 2
#: Cells whose corners lean more than this against each other are measured along the surface at creases.
MEASURED_DEG = 4.0


class Cells:
    """The cells of a net: four nodes each.

    Parameters
    ----------
    net : Net
    ground : Ground or None
        To measure cells over creases along the surface.
    """

    def __init__(self, net: Net, ground: Ground | None = None) -> None:
        self.net, self._ground = net, ground
        t = net.there
        self.whole: Bools = t[1:, 1:] & t[:-1, 1:] & t[1:, :-1] & t[:-1, :-1]

    @cached_property
    def shear(self) -> Floats:
        """(a - 1, b - 1) shear at the middle of each cell, degrees; 0 where there is none.

        Of a rhombus with diagonals p (towards +u, +v) and q the angle between the threads is 2 atan(q / p).
        """
        p = self._diagonal(0, 0, 1, 1)
        q = self._diagonal(0, 1, 1, 0)
        return np.where(self.whole, 90.0 - np.degrees(2 * np.arctan2(q, p)), 0.0)

    def _diagonal(self, i: int, j: int, k: int, m: int) -> Floats:
        """Lengths of one diagonal of all cells, along the surface."""
        a, b = self._corner(self.net.points, i, j), self._corner(self.net.points, k, m)
        na, nb = self._corner(self.net.normals, i, j), self._corner(self.net.normals, k, m)
        d = b - a
        length = np.sqrt((d * d).sum(axis=2))
        turn = ((nb - na) * d).sum(axis=2) / np.maximum(length, 1e-300)
        out = length * (1 + np.clip(turn, -0.5, 0.5) ** 2 / 24)
        r, s = np.nonzero(self.over_creases)
        if len(r):
            face = self.net.face
            fa, fb = face[r + i, s + j], face[r + k, s + m]
            n = unit(na[r, s] + nb[r, s])
            out[r, s] = self._ground.span(a[r, s], fa, b[r, s], fb, n) if self._ground is not None else out[r, s]
        return np.asarray(out)

    @cached_property
    def near_crease(self) -> Bools:
        """Which of the ground's faces lie near a crease; one entry that is false where there is none."""
        near = self._ground.near_crease(1.5 * self.net.spacing_mm) if self._ground is not None else None
        return np.zeros(1, dtype=bool) if near is None else near

    @cached_property
    def about_crease(self) -> Bools:
        """Which of the ground's faces lie so near a crease that a net's skirt may be missing there."""
        near = self._ground.near_crease((SKIRT + 1) * self.net.spacing_mm) if self._ground is not None else None
        return np.zeros(1, dtype=bool) if near is None else near

    @cached_property
    def over_creases(self) -> Bools:
        """(a - 1, b - 1) cells that lie over a crease."""
        if not self.near_crease.any():
            return np.zeros_like(self.whole)
        touched = self.near_crease[self.net.face]
        n = self.net.normals
        corners = [(0, 0), (0, 1), (1, 0), (1, 1)]
        close = np.logical_and.reduce([self._corner(touched, i, j) for i, j in corners])
        first = self._corner(n, 0, 0)
        cosine = np.min([(self._corner(n, i, j) * first).sum(axis=2) for i, j in corners[1:]], axis=0)
        return np.asarray(self.whole & close & (cosine < np.cos(np.radians(MEASURED_DEG))))

    @staticmethod
    def _corner(field: Floats | Bools | Ints, i: int, j: int) -> Floats:
        a, b = field.shape[:2]
        return np.asarray(field[i : a - 1 + i, j : b - 1 + j])

    @cached_property
    def node_shear(self) -> Floats:
        """(a, b) shear at the nodes, degrees: the mean of the cells about.

        Cells that reach beyond a free edge, where there is no surface to follow, and places beside the net take
        what the cells further in say, carried on straight.
        """
        off = self.net.state == BEYOND
        firm = self.whole & ~(off[1:, 1:] | off[:-1, 1:] | off[1:, :-1] | off[:-1, :-1])
        a, b = self.net.state.shape
        big, seen = np.zeros((a + 1, b + 1)), np.zeros((a + 1, b + 1), dtype=bool)
        big[1:-1, 1:-1], seen[1:-1, 1:-1] = np.where(firm, self.shear, 0.0), firm
        for _ in range(CARRIED):
            big, seen = _carried(big, seen)
        rest = np.zeros_like(seen)
        rest[1:-1, 1:-1] = self.whole
        rest &= ~seen
        big[rest], seen = self.shear[rest[1:-1, 1:-1]], seen | rest
        total = sum(np.where(seen, big, 0.0)[i : a + i, j : b + j] for i in (0, 1) for j in (0, 1))
        count = sum(seen.astype(np.int64)[i : a + i, j : b + j] for i in (0, 1) for j in (0, 1))
        return np.asarray(total / np.maximum(count, 1))

    @cached_property
    def triangles(self) -> Ints:
        """(2k, 3) node numbers, anticlockwise: each whole cell split along its shorter diagonal, two to a cell."""
        i, j = np.nonzero(self.whole)
        b = self.net.state.shape[1]
        n00 = i * b + j
        n10, n01, n11 = n00 + b, n00 + 1, n00 + b + 1
        x = self.net.points.reshape(-1, 3)
        p, q = x[n11] - x[n00], x[n10] - x[n01]
        short = (dot(p, p) <= dot(q, q))[:, None]
        one = np.where(short, np.stack([n00, n10, n11], 1), np.stack([n00, n10, n01], 1))
        two = np.where(short, np.stack([n00, n11, n01], 1), np.stack([n10, n11, n01], 1))
        return np.stack([one, two], axis=1).reshape(-1, 3)


def _carried(big: Floats, seen: Bools) -> tuple[Floats, Bools]:
    """Fill cells beside the net from the two cells next to them in one row, or from one where there are not two."""
    total, weight = np.zeros_like(big), np.zeros_like(big)
    for axis in (0, 1):
        for way in (1, -1):
            one, two = np.roll(big, way, axis), np.roll(big, 2 * way, axis)
            has, more = np.roll(seen, way, axis), np.roll(seen, 2 * way, axis)
            edge = [slice(None)] * 2
            edge[axis] = slice(0, 1) if way == 1 else slice(-1, None)
            has[tuple(edge)] = False
            edge[axis] = slice(0, 2) if way == 1 else slice(-2, None)
            more[tuple(edge)] = False
            # Two cells say more than one.
            w = np.where(has & more, 1.0, np.where(has, 1e-6, 0.0))
            total += w * np.where(more, 2 * one - two, one)
            weight += w
    fill = ~seen & (weight > 0)
    return np.where(fill, total / np.where(fill, weight, 1.0), big), seen | fill


def node_tangents(net: Net, axis: int) -> tuple[Floats, Bools]:
    """(a, b, 3) unit tangents of the threads at the nodes, along warp (axis 0) or weft (axis 1), and which are sure.

    From the bars before and after; a bar that leads over a crease counts only where there is no other.
    """
    x, n, there = net.points, net.normals, net.there
    total, sure = np.zeros_like(x), np.zeros(there.shape, dtype=bool)
    for way in (1, -1):
        other, at = np.roll(x, -way, axis), np.roll(there, -way, axis)
        edge = [slice(None)] * 2
        edge[axis] = slice(-1, None) if way == 1 else slice(0, 1)
        at[tuple(edge)] = False
        bar = way * (other - x)
        bar = bar - (bar * n).sum(axis=2, keepdims=True) * n
        size = np.sqrt((bar * bar).sum(axis=2, keepdims=True))
        alike = (np.roll(n, -way, axis) * n).sum(axis=2) > np.cos(np.radians(8 * MEASURED_DEG))
        sure |= at & there & alike
        weight = np.where(at & there, np.where(alike, 1.0, 1e-6), 0.0)[..., None]
        total += weight * bar / np.maximum(size, 1e-300)
    size = np.sqrt((total * total).sum(axis=2, keepdims=True))
    return total / np.where(size > 0, size, 1.0), sure


@dataclass(frozen=True, eq=False)
class Reading:
    """What a net says at points.

    Attributes
    ----------
    uv_mm : (n, 2) float array, mm
        Along warp and weft; carried on straight from the nearest cell where the net does not reach.
    covered : (n,) bool array
    trusted : (n,) bool array
        Covered by cells that do not hang on threads beyond a free edge.
    shear_deg : (n,) float array
        Of the nearest cell where the net does not reach.
    """

    uv_mm: Floats
    covered: Bools
    trusted: Bools
    shear_deg: Floats
    _cell: Ints
    _share: Floats

    def take(self, which: Bools) -> Reading:
        """Return the reading of some of the points."""
        return Reading(*(np.asarray(getattr(self, f.name))[which] for f in fields(Reading)))

    def blend(self, field: Floats) -> Floats:
        """Interpolate an (a, b, ...) field of the nodes to the points."""
        i, j = self._cell.T
        s, t = (self._share[:, k].reshape((-1,) + (1,) * (field.ndim - 2)) for k in (0, 1))
        low = (1 - s) * field[i, j] + s * field[i + 1, j]
        high = (1 - s) * field[i, j + 1] + s * field[i + 1, j + 1]
        return np.asarray((1 - t) * low + t * high)


def read(cells: Cells, points: Floats, normals: Floats, *, among: Bools | None = None) -> Reading | None:
    """Find where points lie in a net; None where the net has no cell.

    Parameters
    ----------
    cells : Cells
    points : (n, 3) float array, mm
    normals : (n, 3) float array
        Of the surface at the points: a layer that faces another way is not theirs.
    among : (a, b) bool array, optional
        Nodes to look among, where the net lies over itself.
    """
    net, tri = cells.net, cells.triangles
    index = np.arange(len(tri))
    if among is not None:
        index = np.flatnonzero(among.ravel()[tri].all(axis=1))
        tri = tri[index]
    if not len(tri):
        return None
    x = net.points.reshape(-1, 3)
    which, foot = _feet(points, normals, x, tri)
    corner = tri[which]
    a, b, c = (x[corner[:, k]] for k in range(3))
    weights = _weights(a, b, c, foot)
    wide = net.state.shape[1]
    node_uv = np.stack([corner // wide - net.origin[0], corner % wide - net.origin[1]], axis=2)
    uv = net.spacing_mm * np.einsum("nk,nkc->nc", weights, node_uv)
    off = points - foot
    aside = off - dot(off, normals)[:, None] * normals
    covered = dot(aside, aside) < (ASIDE * net.spacing_mm) ** 2
    covered &= dot(off, off) < (LAYER * net.spacing_mm) ** 2
    covered &= dot(np.cross(b - a, c - a), normals) > 0
    rate = _rates(a, b, c, node_uv * net.spacing_mm)
    uv = np.where(covered[:, None], uv, uv + np.einsum("ncd,nd->nc", rate, aside))
    i, j = np.nonzero(cells.whole)
    cell = np.stack([i, j], axis=1)[index[which] // 2]
    share = np.clip(np.einsum("nk,nkc->nc", weights, node_uv) + np.array(net.origin) - cell, 0.0, 1.0)
    _over_creases(cells, points, uv, covered, cell, share, among)
    shade = _hang(net)[cell[:, 0], cell[:, 1]]
    bare = Reading(uv, covered, covered & ~shade, np.zeros(len(points)), cell, share)
    shear = bare.blend(cells.node_shear)
    return Reading(uv, covered, covered & ~shade, shear, cell, share)


def _over_creases(cells: Cells, points: Floats, uv: Floats, covered: Bools, cell: Ints, share: Floats,
                  among: Bools | None) -> None:
    """Place the points anew whose cells cut off a crease: each from a node on its own side, by the threads there."""
    net, h = cells.net, cells.net.spacing_mm
    if not cells.over_creases.any():
        return
    redo = np.flatnonzero(cells.over_creases[cell[:, 0], cell[:, 1]] | ~covered)
    if not len(redo):
        return
    from scipy.spatial import cKDTree

    on = np.argwhere((net.state == ON) if among is None else (net.state == ON) & among)
    if not len(on):
        return
    at = tuple(on.T)
    node, n = net.points[at], net.normals[at]
    (warp, sure), (weft, sure_too) = node_tangents(net, 0), node_tangents(net, 1)
    vague = ~(sure & sure_too)[at]
    near = cKDTree(node).query(points[redo], k=min(NEAR, len(node)))[1].reshape(len(redo), -1)
    d = points[redo][:, None] - node[near]
    aloft = (d * n[near]).sum(axis=2)
    best = ((d * d).sum(axis=2) + (OWN_SIDE * aloft) ** 2 + (3 * h * vague[near]) ** 2).argmin(axis=1)
    own = near[np.arange(len(redo)), best]
    d = d[np.arange(len(redo)), best]
    along = (warp[at][own], weft[at][own])
    a, b, c = dot(d, along[0]), dot(d, along[1]), dot(along[0], along[1])
    sine = np.maximum(1 - c * c, 1e-6)
    step = np.stack([(a - c * b) / sine, (b - c * a) / sine], axis=1)
    uv[redo] = (on[own] - np.array(net.origin)) * h + step
    place = on[own] + step / h
    to = np.clip(np.floor(place).astype(np.int64), 0, np.array(cells.whole.shape) - 1)
    whole = cells.whole[to[:, 0], to[:, 1]]
    # Where a crease runs off a free edge there are no cells; a thread close by will do.
    close = (dot(d, d) < h * h) & cells.about_crease[net.face[at][own]]
    covered[redo] = whole | close
    cell[redo[whole]] = to[whole]
    share[redo[whole]] = np.clip(place - to, 0.0, 1.0)[whole]


def joined(parts: Sequence[tuple[Ints, Reading]], count: int) -> Reading:
    """Put readings of some of the points, by their numbers, together into one of all."""
    out = {}
    for f in fields(Reading):
        first = np.asarray(getattr(parts[0][1], f.name))
        whole = np.zeros((count, *first.shape[1:]), dtype=first.dtype)
        for at, part in parts:
            whole[at] = getattr(part, f.name)
        out[f.name] = whole
    return Reading(**out)


def _hang(net: Net) -> Bools:
    """(a - 1, b - 1) cells with a node on the surface that hangs on others beyond a free edge."""
    back = net.shaded & (net.state == ON)
    return np.asarray(back[1:, 1:] | back[:-1, 1:] | back[1:, :-1] | back[:-1, :-1])


def _feet(points: Floats, normals: Floats, x: Floats, tri: Ints) -> tuple[Ints, Floats]:
    """Nearest triangles and points of the net that face as the surface does."""
    import igl

    _, which, foot = igl.point_mesh_squared_distance(points, x, tri)
    which, foot = np.asarray(which, dtype=np.int64).ravel(), np.array(foot)
    a, b, c = (x[tri[:, k]] for k in range(3))
    side = unit(np.cross(b - a, c - a))
    wrong = np.flatnonzero(dot(side[which], normals) < FACING)
    while len(wrong):
        # All that face about as the first one does are asked again, of triangles that do so too.
        lead = normals[wrong[0]]
        group = wrong[normals[wrong] @ lead > 0.8]
        alike = np.flatnonzero(side @ lead > 0.5)
        if len(alike):
            _, w, p = igl.point_mesh_squared_distance(points[group], x, tri[alike])
            which[group], foot[group] = alike[np.asarray(w, dtype=np.int64).ravel()], p
        wrong = np.setdiff1d(wrong, group, assume_unique=True)
    return which, foot


def _weights(a: Floats, b: Floats, c: Floats, x: Floats) -> Floats:
    u, v, w = b - a, c - a, x - a
    uu, uv, vv, wu, wv = dot(u, u), dot(u, v), dot(v, v), dot(w, u), dot(w, v)
    det = uu * vv - uv * uv
    det = np.where(det > 0, det, 1.0)
    s, t = (vv * wu - uv * wv) / det, (uu * wv - uv * wu) / det
    return np.stack([1 - s - t, s, t], axis=1)


def _rates(a: Floats, b: Floats, c: Floats, flat: Floats) -> Floats:
    """(n, 2, 3) how flat places change with places in the triangles' planes."""
    e = np.stack([b - a, c - a], axis=1)
    d = np.stack([flat[:, 1] - flat[:, 0], flat[:, 2] - flat[:, 0]], axis=1)
    return np.asarray(np.einsum("nkc,nkd->ncd", d, np.linalg.pinv(e).transpose(0, 2, 1)))

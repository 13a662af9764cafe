"""Places where a scan has two sheets over one part, a few millimetres apart, and which of them to let go.

From each point of a calmed copy a step is taken out along the normal; where the surface is nearer to that place than
it could be by itself, and faces the same way, there is a second sheet. A fin or a plate has its other face turned the
other way and is none.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from ._edges import (
    directed_edges,
    face_areas,
    neighbours,
    point_normals,
    rim_edges,
    row_lengths,
    side_lengths,
)
from .mesh import Bools, Floats, Ints

#: Distance of the two sheets, mm: from, to, and how far the feeler reaches out.
NEAREST_MM, FARTHEST_MM, FEELER_MM = 0.8, 3.6, 2.0
#: Cosine between the normals of the two sheets, and between the normal and the way across.
ALIKE, ACROSS = 0.75, 0.75
#: A patch smaller than this is not told from chance, mm².
LEAST_MM2 = 80.0
#: Edges up to this length are dense enough for the nearest point to stand for the surface, mm.
DENSE_MM = 1.6
#: Distance between the points that feel first, mm.
SPARSE_MM = 2.5
#: A piece of which this share is doubled goes as a whole.
WHOLE_SHARE = 0.6
#: Share of a patch's outline that is free before it counts as a loose flap, and how far ahead of the other.
LOOSE, AHEAD = 0.4, 0.2


@dataclass(frozen=True, eq=False)
class Doubled:
    """One place with two sheets.

    Attributes
    ----------
    area_mm2 : float
        Of the smaller of the two.
    apart_mm : float
        Middle distance between them.
    at_mm : (3,) float array
    drop : (k,) int array
        Faces to let go; empty where the two sheets are worth the same and the user must say.
    """

    area_mm2: float
    apart_mm: float
    at_mm: Floats
    drop: Ints


def find_doubled(v: Floats, calm: Floats, f: Ints, piece: Ints) -> tuple[Doubled, ...]:
    """Find the places where two sheets lie over each other, the largest first.

    Parameters
    ----------
    v, calm : (n, 3) float arrays, mm
        The points, and a copy with the noise taken out.
    f : (m, 3) int array
    piece : (m,) int array
        Piece of each face.

    Returns
    -------
    tuple of Doubled
    """
    feel = _feel(calm, f)
    if not any((partner >= 0).any() for partner, _ in feel):
        return ()
    near = neighbours(len(v), directed_edges(f))
    sheets = [_sheets(calm, f, near, partner) for partner, _ in feel]
    return _pair(v, f, piece, sheets, feel)


def _feel(calm: Floats, f: Ints) -> list[tuple[Ints, Floats]]:
    """For the side above and the side below: the partner of each point, -1 for none, and its distance.

    First a few points feel above them; only near those that feel something do all points feel both ways.
    """
    from scipy.spatial import cKDTree

    normal = point_normals(calm, f)
    edge = float(side_lengths(calm, f).mean())
    look = _Dense(calm, normal, edge) if edge <= DENSE_MM else _Coarse(calm, f, normal)
    stride = max(1, int((SPARSE_MM / edge) ** 2))
    few = np.arange(0, len(calm), stride)
    partner, _ = _felt(calm, normal, look, few, 1.0)
    hit = few[partner >= 0]
    none = np.full(len(calm), -1, dtype=np.int64)
    if not len(hit):
        return [(none, np.zeros(len(calm)))] * 2
    near = np.isfinite(cKDTree(calm[hit]).query(calm, distance_upper_bound=4 * SPARSE_MM + 4 * edge)[0])
    some = np.flatnonzero(near)
    out = []
    for side in (1.0, -1.0):
        to, far = none.copy(), np.zeros(len(calm))
        to[some], far[some] = _felt(calm, normal, look, some, side)
        out.append((to, far))
    return out


def _felt(
    calm: Floats, normal: Floats, look: _Dense | _Coarse, some: Ints, side: float
) -> tuple[Ints, Floats]:
    v, n = calm[some], normal[some]
    to, point, bearing = look.nearest(v + side * FEELER_MM * n)
    way = point - v
    along = side * (way * n).sum(axis=1)
    ok = (to >= 0) & (along > NEAREST_MM) & (along < FARTHEST_MM)
    ok &= (along > ACROSS * row_lengths(way)) & ((bearing * n).sum(axis=1) > ALIKE)
    return np.where(ok, to, -1), along


class _Dense:
    """Nearest point of a dense mesh."""

    def __init__(self, v: Floats, normal: Floats, edge: float) -> None:
        from scipy.spatial import cKDTree

        self.v, self.normal = v, normal
        self.tree = cKDTree(v, balanced_tree=False)
        self.reach = float(np.hypot(FARTHEST_MM - FEELER_MM, 0.6 * edge))

    def nearest(self, q: Floats) -> tuple[Ints, Floats, Floats]:
        """Return point (-1 if none is near), its place and the normal there."""
        i = self.tree.query(q, distance_upper_bound=self.reach)[1]
        none = i == len(self.v)
        i = np.where(none, 0, i)
        return np.where(none, -1, i), self.v[i], self.normal[i]


class _Coarse:
    """Nearest place on the triangles of a coarse mesh, which stand farther apart than its two sheets."""

    def __init__(self, v: Floats, f: Ints, normal: Floats) -> None:
        self.v, self.f, self.normal = v, f, normal

    def nearest(self, q: Floats) -> tuple[Ints, Floats, Floats]:
        """Return nearest corner of the face hit, the place hit and the face's normal."""
        import igl

        _, face, hit = igl.point_mesh_squared_distance(q, self.v, self.f)
        tri = self.f[face]
        corner = np.argmin(np.linalg.norm(self.v[tri] - hit[:, None], axis=2), axis=1)
        p = self.v[tri]
        flat = np.cross(p[:, 1] - p[:, 0], p[:, 2] - p[:, 0])
        flat /= np.maximum(np.linalg.norm(flat, axis=1, keepdims=True), 1e-300)
        return tri[np.arange(len(tri)), corner], np.asarray(hit), flat


def _sheets(calm: Floats, f: Ints, near: Any, partner: Ints) -> Ints:
    """(m,) number of the doubled patch of each face, -1 for none; lone points outvoted by those about them."""
    flag = partner >= 0
    degree = np.maximum(np.diff(near.indptr), 1)
    for _ in range(3):
        flag = (near @ flag.astype(float) + flag) / (degree + 1) > 0.5
    hit = np.flatnonzero(flag[f].all(axis=1))
    out = np.full(len(f), -1, dtype=np.int64)
    if not len(hit):
        return out
    label = _hang_together(f[hit], len(calm))
    area = np.bincount(label, face_areas(calm, f[hit]))
    number = np.full(len(area), -1, dtype=np.int64)
    number[area >= LEAST_MM2] = np.arange(int((area >= LEAST_MM2).sum()))
    out[hit] = number[label]
    return out


def _hang_together(f: Ints, n: int) -> Ints:
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components

    a, b = f[:, [0, 1]].ravel(), f[:, [1, 2]].ravel()
    graph = coo_matrix((np.ones(len(a), bool), (a, b)), shape=(n, n))
    label = connected_components(graph, directed=False)[1][f[:, 0]]
    return np.asarray(np.unique(label, return_inverse=True)[1].astype(np.int64))


def _pair(
    v: Floats, f: Ints, piece: Ints, sheets: list[Ints], feel: list[tuple[Ints, Floats]]
) -> tuple[Doubled, ...]:
    """Put each patch seen from one side with the one that sees it from the other."""
    low, high = sheets  # the sheet that feels another above it, and the one that feels another below it
    of_point = np.full(len(v), -1, dtype=np.int64)
    of_point[f[high >= 0]] = high[high >= 0][:, None]
    partner, along = feel[0]
    found = []
    for k in range(int(low.max()) + 1):
        a = np.flatnonzero(low == k)
        corners = np.unique(f[a])
        corners = corners[partner[corners] >= 0]
        other = of_point[partner[corners]]
        if not (other >= 0).any():
            continue
        b = np.flatnonzero(high == int(np.bincount(other[other >= 0]).argmax()))
        apart = float(np.median(along[corners]))
        found.append(_judge(v, f, piece, a, b, apart))
    found = _worn_out(v, f, piece, found)
    return tuple(sorted(found, key=lambda d: -d.area_mm2))


def _worn_out(v: Floats, f: Ints, piece: Ints, found: list[Doubled]) -> list[Doubled]:
    """Let a piece go as a whole when the places to drop from it together are most of it."""
    area = face_areas(v, f)
    whole = np.bincount(piece, area)
    gone = np.zeros(len(f), dtype=bool)
    for d in found:
        gone[d.drop] = True
    lost = np.bincount(piece, area * gone, minlength=len(whole))
    out = []
    for d in found:
        k = int(piece[d.drop[0]]) if len(d.drop) else -1
        all_of_it = k >= 0 and lost[k] > WHOLE_SHARE * whole[k]
        out.append(replace(d, drop=np.flatnonzero(piece == k)) if all_of_it else d)
    return out


def _judge(v: Floats, f: Ints, piece: Ints, a: Ints, b: Ints, apart: float) -> Doubled:
    """Say which of two patches goes: that on the smaller piece, or the one that is a loose flap."""
    size = [float(face_areas(v, f[q]).sum()) for q in (a, b)]
    small = a if size[0] <= size[1] else b
    middle = v[f[small]].mean(axis=1)
    at = middle[int(np.argmin(((middle - middle.mean(axis=0)) ** 2).sum(axis=1)))]
    pa, pb = int(np.bincount(piece[a]).argmax()), int(np.bincount(piece[b]).argmax())
    if pa != pb:
        home = [float(face_areas(v, f[piece == q]).sum()) for q in (pa, pb)]
        k = int(home[1] <= home[0])
        drop = _wider((a, b)[k], f, piece == (pa, pb)[k], 2)
    else:
        loose = [_free_share(v, f, q) for q in (a, b)]
        k = int(loose[1] >= loose[0])
        told = loose[k] > LOOSE and loose[k] - loose[1 - k] > AHEAD
        drop = _wider((a, b)[k], f, piece == pa, 2) if told else np.zeros(0, dtype=np.int64)
    return Doubled(min(size), apart, at, drop)


def _wider(patch: Ints, f: Ints, within: Bools, rings: int) -> Ints:
    """Return the patch with some rings of faces about it: the edge of the overlap is not felt."""
    mark = np.zeros(int(f.max()) + 1, dtype=bool)
    mark[f[patch]] = True
    for _ in range(rings - 1):
        mark[f[mark[f].any(axis=1) & within]] = True
    return np.flatnonzero(mark[f].any(axis=1) & within)


def _free_share(v: Floats, f: Ints, patch: Ints) -> float:
    """Share of the outline of a patch that lies within a few edges of the mesh's own boundary."""
    n = len(v)
    rim = np.zeros(n, dtype=bool)
    rim[directed_edges(f)[rim_edges(n, f)]] = True
    for _ in range(3):
        rim[f[rim[f].any(axis=1)]] = True
    mine = f[patch]
    e = directed_edges(mine)
    outline = e[rim_edges(n, mine)]
    length = np.linalg.norm(v[outline[:, 0]] - v[outline[:, 1]], axis=1)
    return float(length[rim[outline].all(axis=1)].sum() / max(float(length.sum()), 1e-300))

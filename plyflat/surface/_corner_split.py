"""Which part of a surface lies on either side of a corner: one side is grown from the corner outwards.

A sheet is fitted to what is known of the side, points that lie on it are added, and so on until nothing is added. It
goes right round a post where the corner itself is too blunt or too noisy to be followed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.sparse as sp
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from ..errors import OutlineError
from ._sides import Cloud, Sheet, fit_sheet
from ._topology import surface_edges
from ._trace import at
from .mesh import Bools, Floats, Ints, Surface

# How far from the corner its sides are looked at, and what is left out right at it, in scales.
REACH, CLEAR = 8.0, 0.9
# A point on a side leans no more than this against the side's fit.
LEAN_DEG = 40.0
# A point on a side lies within so many (robust) standard deviations of the fit, and within these bounds.
TOLERANCE, LEAST_MM, MOST_MM = 4.0, 0.3, 4.0
GROWTHS, EVEN = 80, 2
# The sheet of a growing side has so many pieces each way; growth has settled when it adds less than this share.
PIECES, SETTLED = 5, 0.005
# No more than this counts as a turn.
TURN_DEG = 60.0
# Vertices are put together over the first of these, and normals averaged over the second, in scales.
GROUP, NORMALS = 0.4, 0.8


@dataclass(frozen=True, eq=False)
class Split:
    """The two sides about a corner.

    Attributes
    ----------
    side : (n,) int array
        0 and 1 for vertices of the two sides, -1 for those beyond reach. Side 0 is the sheet that was grown.
    contact : (c,) int array
        Vertices of side 0 next to side 1.
    turn_deg : float
        How far the surface turns over the contact, on average; more than 60 counts as 60.
    """

    side: Ints
    contact: Ints
    turn_deg: float


@dataclass(frozen=True, eq=False)
class _Ground:
    """What growth goes by: neighbouring vertices that face alike put together, and which groups touch.

    `cloud` of the groups; `graph` (g, g) sparse and `even`, which takes means among neighbours; `group` (n,) of each
    vertex.
    """

    cloud: Cloud
    graph: sp.csr_array
    even: sp.csr_array
    group: Ints
    scale_mm: float


def vertex_areas(s: Surface) -> Floats:
    """Return a third of the area of the faces round each vertex, (n,), mm²."""
    n = len(s.vertices_mm)
    return np.maximum(np.bincount(s.faces.ravel(), np.repeat(s.face_areas_mm2 / 3, 3), minlength=n), 1e-9)


def cloud_of(s: Surface) -> Cloud:
    """Return the vertices of a surface as a cloud."""
    return Cloud(s.vertices_mm, s.vertex_normals, vertex_areas(s))


def even_normals(s: Surface, spread_mm: float) -> Floats:
    """Return vertex normals averaged over a length by two implicit steps of diffusion, (n, 3)."""
    import igl

    area = vertex_areas(s)
    stiff = -igl.cotmatrix(s.vertices_mm, s.faces)
    solve = sp.linalg.splu(sp.csc_matrix(sp.diags_array(area) + spread_mm**2 / 2 * stiff)).solve
    n = s.vertex_normals
    for _ in range(2):
        n = solve(area[:, None] * n)
    return np.asarray(n / np.maximum(np.linalg.norm(n, axis=1, keepdims=True), 1e-300))


def split_at(calm: Surface, line_mm: Floats, starts_mm: Floats, *, scale_mm: float, groups: int = 2) -> Split:
    """Tell the two sides of a corner apart.

    Parameters
    ----------
    calm : Surface
        A smooth copy.
    line_mm : (k, 3) float array, mm
        A stretch of the corner, roughly.
    starts_mm : (j, 3) float array, mm
        Points of it to begin at; the one that tells most is used.
    scale_mm : float
    groups : int
        How many ways the surface faces about the starts, 2 or 3; at the first start both are tried.
    """
    g = _ground(calm, scale_mm)
    best: Split | None = None
    worth = -1.0
    # At the first start both counts are tried: two sides, or a thin post's two flanks and the hull.
    tries = [(starts_mm[0], 5 - groups), *((near, groups) for near in starts_mm)]
    for near, ways in tries:
        seeds = _seeds(g, line_mm, near, ways)
        for k, own in enumerate(seeds):
            split = _grown(g, own, np.concatenate([q for i, q in enumerate(seeds) if i != k]), near)
            # A patch of a post's wall ends where it bends away, which is no corner; a hull is large and ends at one.
            rank = split.turn_deg * float(g.cloud.area_mm2[split.side == 0].sum())
            if rank > worth:
                best, worth = split, rank
    if best is None or not len(best.contact):
        raise OutlineError(
            "the two sides of the corner cannot be told apart", where=at(tuple(starts_mm[0])),
            do="Move the seed to where both sides are wide and clean.",
        )
    first = np.zeros(len(g.cloud.points_mm))
    first[best.contact] = 1.0
    return Split(best.side[g.group], np.flatnonzero(first[g.group] > 0), best.turn_deg)


def _ground(calm: Surface, scale_mm: float) -> _Ground:
    p, area = calm.vertices_mm, vertex_areas(calm)
    n = even_normals(calm, NORMALS * scale_mm)
    k = np.argmax(np.abs(n), axis=1)
    key = np.column_stack([np.floor(p / (GROUP * scale_mm)).astype(np.int64), 2 * k + (n[np.arange(len(k)), k] > 0)])
    group = np.unique(key, axis=0, return_inverse=True)[1].ravel()
    total = np.asarray(np.bincount(group, area), dtype=np.float64)
    mean = [np.stack([np.bincount(group, area * q[:, i]) for i in range(3)], 1) / total[:, None] for q in (p, n)]
    mean[1] /= np.maximum(np.linalg.norm(mean[1], axis=1, keepdims=True), 1e-300)
    e = group[surface_edges(calm).ends]
    e = np.vstack([e, e[:, ::-1]])[np.r_[e[:, 0] != e[:, 1], e[:, 0] != e[:, 1]]]
    graph = sp.coo_array((np.ones(len(e)), (e[:, 0], e[:, 1])), shape=(len(total), len(total))).tocsr()
    graph.data[:] = 1.0
    mix = graph + sp.eye_array(len(total))
    even = sp.csr_array(sp.diags_array(1 / np.asarray(mix.sum(axis=1)).ravel()) @ mix)
    return _Ground(Cloud(mean[0], mean[1], total), graph, even, group, scale_mm)


def _seeds(g: _Ground, line: Floats, near: Floats, groups: int) -> list[Ints]:
    """Return some groups beside the corner near a point, told apart by the way they face; none for too few.

    Two groups are the rule; on a thin post its two flanks and the hull are three.
    """
    p = g.cloud.points_mm
    ball = np.flatnonzero(np.linalg.norm(p - near, axis=1) < 3.5 * g.scale_mm)
    ball = ball[cKDTree(line).query(p[ball])[0] > 0.6 * g.scale_mm]
    if len(ball) < 4 * groups:
        return []
    n, w = g.cloud.normals[ball], g.cloud.area_mm2[ball][:, None]
    # The starting directions: the two that differ most, then the one most unlike both.
    axis = np.linalg.eigh((n - n.mean(axis=0)).T @ ((n - n.mean(axis=0)) * w))[1][:, -1]
    means = [n[np.argmax(n @ axis)], n[np.argmin(n @ axis)]]
    while len(means) < groups:
        means.append(n[np.argmin(np.max([n @ m for m in means], axis=0))])
    for _ in range(20):
        own = np.argmax([n @ m for m in means], axis=0)
        if len(np.unique(own)) < groups:
            return []
        sums = [(n[own == k] * w[own == k]).sum(axis=0) for k in range(groups)]
        means = [m / max(float(np.linalg.norm(m)), 1e-300) for m in sums]
    return [ball[own == k] for k in range(groups)]


def _grown(g: _Ground, seeds: Ints, other: Ints, near: Floats) -> Split:
    """Grow one side from its seeds; what hangs together with the other's seeds is the other side."""
    p = g.cloud.points_mm
    reach, clear = REACH * g.scale_mm, CLEAR * g.scale_mm
    own = np.zeros(len(p), dtype=bool)
    own[seeds] = True
    contact, count = near[None], 0
    fixed = seeds
    for turn in range(GROWTHS):
        away = cKDTree(contact).query(p, distance_upper_bound=reach)[0]
        domain = away < (0.5 * reach if turn == 0 else reach)
        use = np.flatnonzero(own & (away > clear) & domain) if turn else fixed
        if len(use) < 20:
            use = fixed
        sheet = fit_sheet(g.cloud.take(use), width_mm=g.scale_mm, flat=turn < 2, rounds=2, most=PIECES)[0]
        own = _flood(g, domain & _on(g, sheet, use), seeds)
        rest = _flood(g, domain & ~own, other[~own[other]])
        at_edge = np.flatnonzero(own & (g.graph @ rest.astype(np.float64) > 0))
        if not len(at_edge):
            break
        contact = p[at_edge]
        size = int(own.sum())
        if turn > 3 and abs(size - count) <= SETTLED * size:
            break
        count = size
    return _judged(g, own, rest, at_edge)


def _on(g: _Ground, sheet: Sheet, use: Ints) -> Bools:
    """Which vertices lie on a sheet."""
    p, n = g.cloud.points_mm, g.cloud.normals
    f, up = sheet.height(p)
    size = np.linalg.norm(up, axis=1)
    f = np.abs(f / size)
    tolerance = float(np.clip(TOLERANCE * 1.4826 * np.median(f[use]), LEAST_MM, MOST_MM))
    lean = np.degrees(np.arccos(np.clip((up / size[:, None] * n).sum(axis=1), -1, 1)))
    off = np.minimum(np.maximum(f / tolerance, lean / LEAN_DEG), 2.0)
    for _ in range(EVEN):
        off = g.even @ off
    return np.asarray(off < 1)


def _flood(g: _Ground, keep: Bools, seeds: Ints) -> Bools:
    """Which of some vertices hang together with seeds among them."""
    k = np.flatnonzero(keep)
    label = np.full(len(keep), -1, dtype=np.int64)
    label[k] = connected_components(g.graph[k][:, k], directed=False)[1]
    found = label[seeds]
    found = found[found >= 0]
    if not len(found):
        return np.zeros(len(keep), dtype=bool)
    return label == int(np.bincount(found).argmax())


def _judged(g: _Ground, own: Bools, rest: Bools, contact: Ints) -> Split:
    """Say how much the surface turns over the contact."""
    p, n = g.cloud.points_mm, g.cloud.normals
    side = np.full(len(p), -1)
    side[rest], side[own] = 1, 0
    if not len(contact):
        return Split(side, contact, 0.0)
    pick = contact[:: max(len(contact) // 200, 1)]
    line = cKDTree(p[contact])
    means = []
    for part in (own, rest):
        k = np.flatnonzero(part)
        away = line.query(p[k], distance_upper_bound=2.5 * g.scale_mm)[0]
        k = k[(away > 0.6 * g.scale_mm) & np.isfinite(away)]
        if not len(k):
            return Split(side, contact, 0.0)
        near = cKDTree(p[k]).query(p[pick], k=min(30, len(k)))[1].reshape(len(pick), -1)
        m = n[k][near].mean(axis=1)
        means.append(m / np.maximum(np.linalg.norm(m, axis=1, keepdims=True), 1e-300))
    turn = np.degrees(np.arccos(np.clip((means[0] * means[1]).sum(axis=1), -1, 1)))
    return Split(side, contact, float(np.mean(np.minimum(turn, TURN_DEG))))


def goes_round(calm: Surface, split: Split, *, scale_mm: float) -> bool:
    """Whether the contact of two sides closes on itself.

    A ball about one point of the strip along the contact cuts it across; if what is left still joins the two sides of
    the cut, the strip goes round.
    """
    p, n = calm.vertices_mm, len(calm.vertices_mm)
    e = surface_edges(calm).ends
    graph = sp.coo_array((np.ones(2 * len(e)), (np.r_[e[:, 0], e[:, 1]], np.r_[e[:, 1], e[:, 0]])), shape=(n, n)).tocsr()
    strip = np.flatnonzero(split.side == 0)
    strip = strip[cKDTree(p[split.contact]).query(p[strip])[0] < 1.2 * scale_mm]
    sub = graph[strip][:, strip]
    label = connected_components(sub, directed=False)[1]
    main = np.flatnonzero(label == np.bincount(label).argmax())
    strip, sub = strip[main], sub[main][:, main]
    for start in strip[:: max(len(strip) // 3, 1)][:3]:
        ball = np.linalg.norm(p[strip] - p[start], axis=1) < 2.5 * scale_mm
        inside = np.flatnonzero(ball)
        own = connected_components(sub[inside][:, inside], directed=False)[1]
        ball[inside] = own == own[np.flatnonzero(strip[inside] == start)[0]]
        rest = np.flatnonzero(~ball)
        part = connected_components(sub[rest][:, rest], directed=False)[1]
        shell = np.flatnonzero((sub @ ball.astype(np.float64))[rest] > 0)
        door = connected_components(sub[rest[shell]][:, rest[shell]], directed=False)[1]
        wide = [k for k in np.unique(door) if np.ptp(p[strip[rest[shell[door == k]]]], axis=0).max() > 0.4 * scale_mm]
        rooms = [part[shell[door == k][0]] for k in wide]
        if len(rooms) > len(set(rooms)):
            return True
    return False

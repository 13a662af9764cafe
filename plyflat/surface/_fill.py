"""Small holes of a mesh filled: a triangulation of the rim, refined to the edge length about it and faired.

References
----------
.. [1] P. Liepa, "Filling holes in meshes", Symposium on Geometry Processing 2003: least area by dynamic
   programming (sec. 3), refinement to the density of the surroundings (sec. 4), fairing by the second-order
   umbrella operator (sec. 5; here by cotangents after the first pass).
.. [2] G. Barequet, M. Sharir, "Filling gaps in the boundary of a polyhedron", CAGD 12, 1995.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ._edges import directed_edges, edge_keys, face_areas, neighbours, rim_edges
from .mesh import Bools, Floats, Ints, closed_length

#: A rim of more points than this is halved first; the search for least area costs the cube of their number.
RIM_MOST = 300
#: The longest rim of a piece is filled only when a disc of its length is less than this share of the piece:
#: then it is a hole in a closed body, not the edge of an open scan.
CLOSED_SHARE = 0.02
#: A rim at least this share of its piece's longest is an outer edge like that one.
OUTER_SHARE = 0.5
#: A face whose area is a smaller share of its longest side squared is flat.
FLAT_SHARE = 1e-6
#: Times the curvature is weighed anew on the shape found.
FAIR_PASSES = 3
#: A filled hole whose faired surface leaves the harmonic one by more than this share of its width is not faired.
FAIR_SHARE = 0.25


@dataclass(frozen=True, eq=False)
class Filled:
    """A mesh with its small holes filled.

    ``zipped`` slits, whose two lips lay on each other, are closed; ``pinched`` holes, whose rim touches itself so
    that no patch fits, are left open. ``places`` are the middles of the holes filled, the widest first, and
    ``open_places`` those of the holes too wide to fill; the outermost boundary of an open piece is not one of them.
    """

    v: Floats
    f: Ints
    c: NDArray[np.uint8] | None
    count: int = 0
    largest_mm: float = 0.0
    where: Floats | None = None
    pinched: int = 0
    pinched_where: Floats | None = None
    zipped: int = 0
    zipped_where: Floats | None = None
    joined: bool = False
    places: Floats | None = None
    open_places: Floats | None = None


@dataclass(frozen=True, eq=False)
class Rim:
    """A simple closed boundary: its points, and the pairs of points that must be made one to close it."""

    points: Ints
    joins: tuple[tuple[int, int], ...] = ()


def boundary(n: int, f: Ints) -> list[Ints]:
    """Return the boundary loops, the surface on their left, of a mesh whose boundaries do not touch."""
    follow = dict(directed_edges(f)[rim_edges(n, f)].tolist())
    loops = []
    while follow:
        start, at = follow.popitem()
        loop = [start]
        while at != start:
            loop.append(at)
            at = follow.pop(at)
        loops.append(np.array(loop, dtype=np.int64))
    return loops


def simple_rims(v: Floats, f: Ints) -> list[Rim]:
    """Return the boundary loops, those that come back to a place they have been cut into lobes there.

    Where two holes of a scan touch in a point the point has been split, and one loop runs round both. Each lobe is
    a hole of its own once the two points are one again.
    """
    loops = boundary(len(v), f)
    if not loops:
        return []
    every = np.concatenate(loops)
    place = np.unique(v[every], axis=0, return_inverse=True)[1].ravel()
    cuts = np.cumsum([len(q) for q in loops])[:-1]
    return [rim for loop, at in zip(loops, np.split(place, cuts)) for rim in _lobes(loop, at)]


def _lobes(loop: Ints, place: Ints) -> Iterator[Rim]:
    stack: list[int] = []
    where: dict[int, int] = {}  # place -> position in the stack
    joins: list[list[tuple[int, int]]] = []  # what must be joined for each point of the stack
    for x, at in zip(loop.tolist(), place.tolist()):
        if at not in where:
            where[at] = len(stack)
            stack.append(x)
            joins.append([])
            continue
        k = where[at]
        pair = (stack[k], x)
        lobe, needs = stack[k:], [pair, *(j for q in joins[k + 1 :] for j in q)]
        where = {p: i for p, i in where.items() if i <= k}
        del stack[k + 1 :], joins[k + 1 :]
        joins[k].append(pair)
        if len(lobe) > 1:
            yield Rim(np.array(lobe, dtype=np.int64), tuple(needs))
    if len(stack) > 1:
        yield Rim(np.array(stack, dtype=np.int64), tuple(j for q in joins for j in q))


def small_holes(v: Floats, f: Ints, loops: list[Ints], largest_mm: float, piece: Ints) -> Bools:
    """Tell which loops are holes to fill: small, and not the outermost boundary of an open piece."""
    of = np.zeros(len(v), dtype=np.int64)
    of[f] = piece[:, None]
    area = np.bincount(piece, face_areas(v, f))
    length = np.array([closed_length(v[q]) for q in loops])
    small = length / np.pi <= largest_mm
    longest: dict[int, int] = {}
    for i, q in enumerate(loops):
        k = int(of[q[0]])
        if k not in longest or length[i] > length[longest[k]]:
            longest[k] = i
    for k, i in longest.items():
        small[i] &= length[i] ** 2 / (4 * np.pi) < CLOSED_SHARE * area[k]
    return small


def fill_holes(v: Floats, f: Ints, c: NDArray[np.uint8] | None, largest_mm: float, piece: Ints) -> Filled:
    """Fill the small holes of a manifold, oriented mesh.

    Parameters
    ----------
    v : (n, 3) float array, mm
    f : (m, 3) int array
    c : (n, 3) uint8 array or None
    largest_mm : float, mm
        Holes up to this diameter (perimeter / π) are filled.
    piece : (m,) int array
        Piece of each face.

    Returns
    -------
    Filled
        Where ``joined`` is True points were made one, and some may be unused now.
    """
    rims = simple_rims(v, f)
    yes = small_holes(v, f, [r.points for r in rims], largest_mm, piece) if rims else np.zeros(0, dtype=bool)
    chosen = [r for r, small in zip(rims, yes) if small]
    to = _join(len(v), [j for r in chosen for j in r.joins])
    joined = any(r.joins for r in chosen)
    f = to[f] if joined else f
    slits = [r.points for r in chosen if len(r.points) == 2]
    known = np.sort(edge_keys(len(v), directed_edges(f)))
    out = _patch_all(v, f, c, [to[r.points] for r in chosen if len(r.points) > 2], known)
    wide = _too_wide(v, f, rims, yes, piece)
    shut = v[slits[0][0]] if slits else None
    return replace(out, zipped=len(slits), zipped_where=shut, joined=joined, open_places=wide)


def _too_wide(v: Floats, f: Ints, rims: list[Rim], small: Bools, piece: Ints) -> Floats:
    """(k, 3) middles of the holes that stay open, the widest first.

    Not the longest rim of a piece, nor one at least half as long: a strip or a tube has two of these.
    """
    of = np.zeros(len(v), dtype=np.int64)
    of[f] = piece[:, None]
    order = sorted(range(len(rims)), key=lambda i: -closed_length(v[rims[i].points]))
    longest: dict[int, float] = {}
    out = []
    for i in order:
        k, length = int(of[rims[i].points[0]]), closed_length(v[rims[i].points])
        if not small[i] and length < OUTER_SHARE * longest.setdefault(k, length):
            out.append(v[rims[i].points].mean(axis=0))
    return np.array(out).reshape(-1, 3)


def _join(n: int, pairs: list[tuple[int, int]]) -> Ints:
    """(n,) Where each point goes when the points of the pairs are made one: to the lowest of them."""
    to = np.arange(n)
    changed = bool(pairs)
    while changed:
        changed = False
        for a, b in pairs:
            low = min(to[a], to[b])
            changed |= to[a] != low or to[b] != low
            to[a] = to[b] = low
    return to


def _patch_all(v: Floats, f: Ints, c: NDArray[np.uint8] | None, rims: list[Ints], known: Ints) -> Filled:
    points, patches, owner = [v], [f], []
    widths: list[float] = []
    middles, pinched = [], []
    at = len(v)
    for loop in rims:
        fresh, tri = _patch(v, loop, known)
        middle = v[loop].mean(axis=0)
        if _has_flat(np.vstack([v[loop], fresh]), tri):
            pinched.append(middle)
            continue
        patches.append(np.concatenate([loop, at + np.arange(len(fresh))])[tri])
        points.append(fresh)
        owner.append(np.full(len(fresh), len(widths)))
        widths.append(closed_length(v[loop]) / np.pi)
        middles.append(middle)
        at += len(fresh)
    shut = pinched[0] if pinched else None
    if not widths:
        return Filled(v, f, c, pinched=len(pinched), pinched_where=shut)
    out_f = np.concatenate(patches)
    out_v, out_c = _fair(np.concatenate(points), out_f, c, len(v), np.concatenate(owner), np.array(widths))
    order = np.argsort(-np.array(widths), kind="stable")
    worst = int(order[0])
    places = np.array(middles)[order]
    return Filled(
        out_v, out_f, out_c, len(widths), widths[worst], middles[worst], len(pinched), shut, places=places
    )


# --- one hole --------------------------------------------------------------------------------------------------


def _patch(v: Floats, loop: Ints, known: Ints) -> tuple[Floats, Ints]:
    """Triangles over one hole: new points, and faces whose indices run over the rim, then the new points."""
    rim = v[loop][::-1]  # the hole lies on the right of its loop
    taken = _taken(loop[::-1], len(v), known)
    tri = _triangulate(rim, taken, np.arange(len(rim)))
    points = rim
    if tri is None:
        n = len(rim)
        points = np.vstack([rim, rim.mean(axis=0)])
        tri = np.stack([np.arange(n), (np.arange(n) + 1) % n, np.full(n, n)], axis=1)
    points, tri = _refine(points, tri, taken, closed_length(rim) / len(rim))
    back = np.arange(len(points))
    back[: len(rim)] = back[: len(rim)][::-1]
    return points[len(rim) :], back[tri]


def _has_flat(p: Floats, tri: Ints) -> bool:
    q = p[tri]
    side = ((q - q[:, [1, 2, 0]]) ** 2).sum(axis=2).max(axis=1)
    return bool((face_areas(p, tri) <= FLAT_SHARE * side).any())


def _taken(loop: Ints, n: int, known: Ints) -> Bools:
    """(k, k) True where two rim points are already joined by an edge of the mesh."""
    key = np.minimum.outer(loop, loop) * n + np.maximum.outer(loop, loop)
    at = np.minimum(np.searchsorted(known, key), len(known) - 1)
    return known[at] == key


def _triangulate(rim: Floats, taken: Bools, i: Ints) -> Ints | None:
    """Triangulate the rim points ``i``; None if the free chords do not suffice."""
    if len(i) <= RIM_MOST:
        tri = _least_area(rim[i], taken[np.ix_(i, i)])
        return None if tri is None else i[tri]
    n = len(i)
    apart = np.abs(np.subtract.outer(np.arange(n), np.arange(n)))
    length = np.linalg.norm(rim[i][:, None] - rim[i], axis=2)
    length[(apart < n // 4) | (apart > n - n // 4) | taken[np.ix_(i, i)]] = np.inf
    j, k = np.sort(np.unravel_index(np.argmin(length), length.shape))
    if not np.isfinite(length[j, k]):
        return None
    one = _triangulate(rim, taken, i[j : k + 1])
    two = _triangulate(rim, taken, np.concatenate([i[: j + 1], i[k:]]))
    return None if one is None or two is None else np.concatenate([one, two])


def _least_area(rim: Floats, taken: Bools) -> Ints | None:
    """Triangulate a closed loop with the least area [1]_, [2]_; None if the chords left do not suffice."""
    n = len(rim)
    bar = taken.copy()
    i = np.arange(n)
    bar[i, (i + 1) % n] = bar[(i + 1) % n, i] = False
    cost = np.zeros((n, n))
    best = np.zeros((n, n), dtype=np.int64)
    slight = 1e-4  # among equal areas (a flat hole) the shorter sides win
    heavy = closed_length(rim) ** 2  # a face without area is the last resort
    for span in range(2, n):
        i = np.arange(n - span)[:, None]
        j, k = i + span, i + np.arange(1, span)[None, :]
        a, b, c = rim[i], rim[k], rim[j]
        area = 0.5 * np.linalg.norm(np.cross(b - a, c - a), axis=2)
        sides = ((b - a) ** 2).sum(2) + ((c - b) ** 2).sum(2)
        w = cost[i, k] + cost[k, j] + area + slight * sides + heavy * (area <= FLAT_SHARE * sides)
        pick = np.argmin(w, axis=1)
        total = w[np.arange(len(w)), pick]
        if span < n - 1:
            total[bar[i[:, 0], j[:, 0]]] = np.inf
        cost[i[:, 0], j[:, 0]] = total
        best[i[:, 0], j[:, 0]] = i[:, 0] + 1 + pick
    if not np.isfinite(cost[0, n - 1]):
        return None
    return np.array(list(_unfold(best, n)), dtype=np.int64)


def _unfold(best: Ints, n: int) -> Iterator[tuple[int, int, int]]:
    todo = [(0, n - 1)]
    while todo:
        i, j = todo.pop()
        if j - i < 2:
            continue
        k = int(best[i, j])
        yield i, k, j
        todo += [(i, k), (k, j)]


# --- refinement ------------------------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _Inner:
    """Inner edges a-b of a patch: the face left of a -> b with its far corner c, and the other with d."""

    a: Ints
    b: Ints
    c: Ints
    d: Ints
    left: Ints
    right: Ints


def _inner(tri: Ints, n: int) -> _Inner:
    e = directed_edges(tri)
    far = tri[:, [2, 0, 1]].ravel()
    key = e[:, 0] * n + e[:, 1]
    order = np.argsort(key)
    want = e[:, 1] * n + e[:, 0]
    at = np.minimum(np.searchsorted(key, want, sorter=order), len(key) - 1)
    twin = order[at]
    here = np.flatnonzero((key[twin] == want) & (e[:, 0] < e[:, 1]))
    other = twin[here]
    return _Inner(e[here, 0], e[here, 1], far[here], far[other], here // 3, other // 3)


def _refine(p: Floats, tri: Ints, taken: Bools, h: float) -> tuple[Floats, Ints]:
    """Split long inner edges at their middle and swap edges towards Delaunay until they are about h long."""
    tri = _swap(p, tri, taken)
    for _ in range(60):
        q = _inner(tri, len(p))
        length = np.linalg.norm(p[q.a] - p[q.b], axis=1)
        pick = _apart(q, np.flatnonzero(length > 1.5 * h), -length)
        if not len(pick):
            break
        a, b, c, d = q.a[pick], q.b[pick], q.c[pick], q.d[pick]
        m = len(p) + np.arange(len(pick))
        p = np.vstack([p, 0.5 * (p[a] + p[b])])
        new = [np.stack(t, axis=1) for t in ((a, m, c), (m, b, c), (b, m, d), (m, a, d))]
        stay = np.ones(len(tri), dtype=bool)
        stay[q.left[pick]] = stay[q.right[pick]] = False
        tri = _swap(p, np.concatenate([tri[stay], *new]), taken)
    return p, tri


def _apart(q: _Inner, todo: Ints, rank: Floats) -> Ints:
    """Edges out of ``todo``, lowest rank first, no two of which share a face."""
    used: set[int] = set()
    pick = []
    for i in todo[np.argsort(rank[todo], kind="stable")].tolist():
        left, right = int(q.left[i]), int(q.right[i])
        if left not in used and right not in used:
            used |= {left, right}
            pick.append(i)
    return np.array(pick, dtype=np.int64)


def _swap(p: Floats, tri: Ints, taken: Bools) -> Ints:
    """Swap inner edges whose opposite angles exceed a straight one, never onto an edge that is there already."""
    rim = len(taken)
    for _ in range(100):
        q = _inner(tri, len(p))
        gain = _angle(p, q.c, q.a, q.b) + _angle(p, q.d, q.a, q.b) - np.pi
        there = edge_keys(len(p), directed_edges(tri))
        low, high = np.minimum(q.c, q.d), np.maximum(q.c, q.d)
        free = ~np.isin(low * len(p) + high, there) & (low != high)
        outer = high < rim
        free[outer] &= ~taken[low[outer], high[outer]]
        todo = np.flatnonzero((gain > 1e-6) & free)
        todo = todo[_keeps_side(p, q, todo)]
        pick = _distinct(q, _apart(q, todo, -gain), len(p))
        if not len(pick):
            break
        tri = tri.copy()
        a, b, c, d = q.a[pick], q.b[pick], q.c[pick], q.d[pick]
        tri[q.left[pick]] = np.stack([a, d, c], axis=1)
        tri[q.right[pick]] = np.stack([d, b, c], axis=1)
    return tri


def _distinct(q: _Inner, pick: Ints, n: int) -> Ints:
    """Of swaps that would make the same edge keep the first."""
    key = np.minimum(q.c[pick], q.d[pick]) * n + np.maximum(q.c[pick], q.d[pick])
    return pick[np.sort(np.unique(key, return_index=True)[1])]


def _keeps_side(p: Floats, q: _Inner, i: Ints) -> Bools:
    """Whether the two faces after the swap still face the way of the two before (no fold)."""
    a, b, c, d = p[q.a[i]], p[q.b[i]], p[q.c[i]], p[q.d[i]]
    before = np.cross(b - a, c - a) + np.cross(d - a, b - a)
    one, two = np.cross(d - a, c - a), np.cross(b - d, c - d)
    return ((one * before).sum(1) > 0) & ((two * before).sum(1) > 0)


def _angle(p: Floats, at: Ints, a: Ints, b: Ints) -> Floats:
    u, w = p[a] - p[at], p[b] - p[at]
    return np.arctan2(np.linalg.norm(np.cross(u, w), axis=1), (u * w).sum(axis=1))


# --- fairing ---------------------------------------------------------------------------------------------------


def _fair(
    v: Floats, f: Ints, c: NDArray[np.uint8] | None, old: int, owner: Ints, widths: Floats
) -> tuple[Floats, NDArray[np.uint8] | None]:
    """Move the new points (from index ``old``) so that the patches run on from their surroundings [1]_."""
    if len(v) == old:
        return v, c
    local, g, count = _surroundings(f, old)
    x = v[local]
    u = _umbrella(g, len(local))
    inner = np.arange(len(local)) >= len(local) - count
    flat = _solve(u[inner], x, inner)
    rows = inner.copy()
    rows[np.unique(g[inner[g].any(axis=1)])] = True  # the rim too: its umbrella reaches the old surface
    bent = _solve(u[rows], x, inner)
    for _ in range(FAIR_PASSES):
        x = x.copy()
        x[inner] = bent
        bent = _solve(_curvature(x, g)[rows], x, inner)
    off = np.zeros(len(widths))
    np.maximum.at(off, owner, np.linalg.norm(bent - flat, axis=1))
    out = v.copy()
    out[old:] = np.where((off > FAIR_SHARE * widths)[owner][:, None], flat, bent)
    if c is None:
        return out, None
    tint = np.zeros((len(local), 3))
    tint[~inner] = c[local[~inner]]
    fresh = np.clip(np.rint(_solve(u[inner], tint, inner)), 0, 255).astype(np.uint8)
    return out, np.concatenate([c, fresh])


def _surroundings(f: Ints, old: int) -> tuple[Ints, Ints, int]:
    """Points of the patches and two rings about them (old first), and the faces among them."""
    mark = np.zeros(int(f.max()) + 1, dtype=bool)
    mark[old:] = True
    count = int(mark.sum())
    for _ in range(2):
        mark[f[mark[f].any(axis=1)]] = True
    near = f[mark[f].all(axis=1)]
    local = np.flatnonzero(mark)
    at = np.cumsum(mark) - 1
    return local, at[near], count


def _umbrella(f: Ints, n: int) -> Any:
    """Sparse x -> x - mean of the neighbours."""
    from scipy.sparse import diags, eye

    near = neighbours(n, directed_edges(f))
    degree = np.maximum(np.diff(near.indptr), 1)
    return (eye(n, format="csr") - diags(1.0 / degree) @ near).tocsr()


def _curvature(v: Floats, f: Ints) -> Any:
    """Sparse x -> mean curvature normal times the root of the area about each point, by cotangents.

    The sum of its squares is the bending energy; the plain umbrella bends patches where the mesh is uneven.
    Negative cotangents are left out, since the scan about the hole may have slivers.
    """
    from scipy.sparse import coo_matrix, diags

    n = len(v)
    area = np.maximum(face_areas(v, f), 1e-12)
    about = np.maximum(np.bincount(f.ravel(), np.repeat(area / 3, 3), minlength=n), 1e-12)
    near = coo_matrix((n, n))
    for k in range(3):
        i, j, o = f[:, k], f[:, (k + 1) % 3], f[:, (k + 2) % 3]
        cot = np.clip(((v[i] - v[o]) * (v[j] - v[o])).sum(axis=1) / (4 * area), 0, 10)
        near = near + coo_matrix((cot, (i, j)), shape=(n, n)) + coo_matrix((cot, (j, i)), shape=(n, n))
    whole = diags(np.asarray(near.sum(axis=1)).ravel())
    return (diags(1 / np.sqrt(about)) @ (whole - near)).tocsr()


def _solve(rows: Any, x: Floats, inner: Bools) -> Floats:
    """Least squares of ``rows @ x`` over the inner points, the others held."""
    from scipy.sparse.linalg import splu

    free, held = rows[:, inner], rows[:, ~inner]
    return splu((free.T @ free).tocsc()).solve(-(free.T @ (held @ x[~inner])))

"""The ridge lines of a strip that bends: rings first, then what branches off, cut where lines meet at an angle.

A strip is a band of vertices about one or more corner lines. What holds its holes apart becomes rings; from these, or
from the longest way through the strip where it has no hole, ways are drawn out to whatever bends as a corner does and
has none yet. Where three lines or more meet, only those that run straight on into each other are one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.sparse as sp
from scipy.sparse.csgraph import connected_components, dijkstra, minimum_spanning_tree

from ._edges import row_lengths
from .mesh import Bools, Floats, Ints

#: A branch begins where the nearest line is this far off, and no line is shorter than this, both in scales.
BRANCH, SHORTEST = 1.5, 2.0
#: Ends of a branch are looked for this near to its farthest vertex, in scales.
END = 1.5
#: A ring on a scan runs along the ridge for this share of its vertices and is as wide (twice its area over its length) as this
#: share of the scale; others go round holes of noise.
RIDGED, RING = 0.75, 0.45
#: A line's end is cut off where it bends by less than this share of its middle (median) bend.
FADED = 0.5
#: Two lines that meet among others are one if they run on within this angle (cosine), measured over one scale.
STRAIGHT = 0.7
Way = list[int]


class SharpEdges:
    """A surface's edges that are a corner by themselves, along which a line runs on where its strip ends.

    Beside the end of a rim or a bulge the bend within a scale falls off, however sharp the corner.

    Parameters
    ----------
    points_mm : (n, 3) float array, mm
    pairs : (k, 2) int array
        The edges.
    border : (n,) bool array
        On the surface's boundary.
    """

    def __init__(self, points_mm: Floats, pairs: Ints, border: Bools) -> None:
        self.points_mm, self.border = points_mm, border
        self.beside: dict[int, list[int]] = {}
        for a, b in pairs.tolist():
            self.beside.setdefault(a, []).append(b)
            self.beside.setdefault(b, []).append(a)

    def beyond(self, way: Way) -> Way:
        """Return the vertices by which a way goes on from its last one, as straight as STRAIGHT allows."""
        out = way[-2:]
        seen = set(way)
        while len(out) > 1 and not self.border[out[-1]]:
            ahead = [q for q in self.beside.get(out[-1], ()) if q not in seen]
            on = _unit(self.points_mm[out[-1]] - self.points_mm[out[-2]])
            straight = [float(_unit(self.points_mm[q] - self.points_mm[out[-1]]) @ on) for q in ahead]
            if not ahead or max(straight) < STRAIGHT:
                break
            out.append(ahead[int(np.argmax(straight))])
            seen.add(out[-1])
        return out[2:]


@dataclass(frozen=True, eq=False)
class Strip:
    """A strip by itself; its vertices are counted from 0.

    Attributes
    ----------
    vertices : (n,) int array
        The surface's.
    points_mm : (n, 3) float array, mm
    pairs : (e, 2) int array
        Vertices that lines may run between.
    length_mm, cost : (e,) float arrays
        Of each pair: plain, and cheap along the ridge.
    faces : (m, 3) int array
        Those whose three sides are such pairs.
    bend : (n,) float array, rad
    core : (n,) bool array
        What bends as a corner does: each of these has to have a line near.
    border : (n,) bool array
        On the surface's boundary.
    """

    vertices: Ints
    points_mm: Floats
    pairs: Ints
    length_mm: Floats
    cost: Floats
    faces: Ints
    bend: Floats
    core: Bools
    border: Bools

    def graph(self, weight: Floats) -> sp.csr_array:
        """Symmetric (n, n) matrix of a weight of the pairs."""
        n = len(self.points_mm)
        i, j = self.pairs.T
        return sp.csr_array((np.r_[weight, weight], (np.r_[i, j], np.r_[j, i])), shape=(n, n))


def ridge_ways(strip: Strip, sharp: SharpEdges, scale_mm: float) -> list[tuple[Ints, bool]]:
    """Draw the lines of a strip.

    Parameters
    ----------
    strip : Strip
    sharp : SharpEdges
    scale_mm : float

    Returns
    -------
    list of ((k,) int array, bool)
        The surface's vertices along each, and whether it closes on itself; then the first vertex is repeated.
    """
    plain, cheap = strip.graph(strip.length_mm), strip.graph(strip.cost)
    rings = _rings(strip, cheap, sharp, scale_mm)
    ways = list(rings)
    if not ways and (first := _longest(strip, plain, cheap, scale_mm)) is not None:
        ways = [first]
    if ways:
        ways += _branches(strip, plain, cheap, ways, sharp, scale_mm)
    return _told(strip, ways, rings, sharp, scale_mm)


def _rings(strip: Strip, cheap: sp.csr_array, sharp: SharpEdges, scale_mm: float) -> list[Way]:
    """Rings about the holes of a strip, the shortest there are through one vertex of the ridge.

    References
    ----------
    J. Erickson, K. Whittlesey, "Greedy optimal homotopy and homology generators", SODA 2005: with T the tree of shortest
    ways and C the heaviest spanning tree of the dual graph that shares no edge with it, each edge in neither closes one
    ring. All that lies outside the strip is one face here.
    """
    start = int(np.argmax(strip.bend))
    far, came = dijkstra(cheap, directed=False, indices=start, return_predecessors=True)
    i, j = strip.pairs.T
    free = np.flatnonzero((came[i] != j) & (came[j] != i) & np.isfinite(far[i]))
    if not len(free):
        return []
    one, two = _beside(strip)
    round_ = far[i[free]] + far[j[free]] + strip.cost[free]
    count = len(strip.faces) + 1
    # The heaviest spanning tree is the least one of what each weighs less than the heaviest; nothing may weigh 0.
    weight = 1.0 + round_.max() - round_
    order = np.argsort(weight, kind="stable")
    key = np.minimum(one[free], two[free]) * count + np.maximum(one[free], two[free])
    # Of edges between the same two faces the heaviest is in the tree.
    _, lead = np.unique(key[order], return_index=True)
    lead = order[lead]
    dual = sp.coo_array((weight[lead], (one[free][lead], two[free][lead])), shape=(count, count)).tocsr()
    tree = minimum_spanning_tree(dual).tocoo()
    taken = np.minimum(tree.row, tree.col) * count + np.maximum(tree.row, tree.col)
    in_tree = np.zeros(len(free), dtype=bool)
    in_tree[lead] = np.isin(key[lead], taken) & (one[free][lead] != two[free][lead])
    out = []
    for k in np.flatnonzero(~in_tree):
        a, b = _trace(came, start, int(i[free[k]])), _trace(came, start, int(j[free[k]]))
        shared = next((m for m, (p, q) in enumerate(zip(a, b)) if p != q), min(len(a), len(b)))
        ring = [*a[shared - 1 :], *b[: shared - 1 : -1], a[shared - 1]]
        if _goes_round(strip, sharp, ring, scale_mm):
            out.append(ring)
    return sorted(out, key=lambda w: -_length(strip.points_mm[w]))


def _goes_round(strip: Strip, sharp: SharpEdges, ring: Way, scale_mm: float) -> bool:
    """Whether a ring goes round a post or a pocket: of a model along its edges, of a scan round more than a hole of noise."""
    own = strip.vertices[ring].tolist()
    if all(b in sharp.beside.get(a, ()) for a, b in zip(own[:-1], own[1:])):
        return True
    p = strip.points_mm[ring]
    area = 0.5 * float(np.linalg.norm(np.cross(p[:-1] - p[0], p[1:] - p[0]).sum(axis=0)))
    return bool(strip.core[ring].mean() > RIDGED and 2 * area / _length(p) > RING * scale_mm)


def _beside(strip: Strip) -> tuple[Ints, Ints]:
    """The two faces (e,), (e,) beside each pair; ``len(strip.faces)`` stands for all that is outside the strip."""
    n, m = len(strip.points_mm), len(strip.faces)
    sides = np.sort(np.stack([strip.faces, np.roll(strip.faces, -1, axis=1)], axis=2).reshape(-1, 2), axis=1)
    of_side = np.repeat(np.arange(m), 3)
    key = sides[:, 0] * n + sides[:, 1]
    pair = np.sort(strip.pairs, axis=1)
    order = np.argsort(pair[:, 0] * n + pair[:, 1], kind="stable")
    at = order[np.searchsorted(pair[order, 0] * n + pair[order, 1], key)]
    first, second = np.full(len(pair), m), np.full(len(pair), m)
    low = np.unique(at, return_index=True)[1]
    first[at[low]] = of_side[low]
    rest = np.ones(len(at), dtype=bool)
    rest[low] = False
    second[at[rest]] = of_side[rest]
    return first, second


def _longest(strip: Strip, plain: sp.csr_array, cheap: sp.csr_array, scale_mm: float) -> Way | None:
    """The way between the two ends of a strip: the core's farthest vertex from any, and the farthest from that."""
    start = int(np.argmax(np.where(strip.core, strip.bend, -np.inf)))
    last = start
    for _ in range(2):
        far = dijkstra(plain, directed=False, indices=start)
        last, start = start, _end(strip, np.where(strip.core & np.isfinite(far), far, -1.0), scale_mm)
    if last == start:
        return None
    return _trace(dijkstra(cheap, directed=False, indices=last, return_predecessors=True)[1], last, start)


def _branches(
    strip: Strip, plain: sp.csr_array, cheap: sp.csr_array, ways: list[Way], sharp: SharpEdges, scale_mm: float
) -> list[Way]:
    """Ways from what has a line to the core's vertices that have none near, the farthest first."""
    drawn = np.unique(np.concatenate([np.asarray(w) for w in ways]))
    open_ = strip.core.copy()
    out: list[Way] = []
    while True:
        far = dijkstra(plain, directed=False, indices=drawn, min_only=True)
        ahead = np.where(open_ & np.isfinite(far), far, -1.0)
        if ahead.max() < BRANCH * scale_mm:
            return out
        end = _end(strip, ahead, scale_mm)
        came = dijkstra(cheap, directed=False, indices=drawn, min_only=True, return_predecessors=True)[1]
        way = [end]
        while came[way[-1]] >= 0:
            way.append(int(came[way[-1]]))
        if _run_on(strip, sharp, way[::-1])[1] >= SHORTEST * scale_mm:
            out.append(way)
            drawn = np.unique(np.concatenate([drawn, way]))
        # What lay near the farthest has had its turn, whether the line came near it or not.
        open_ &= row_lengths(strip.points_mm - strip.points_mm[int(np.argmax(ahead))]) > scale_mm


def _end(strip: Strip, far: Floats, scale_mm: float) -> int:
    """The vertex that bends most near the farthest one, on the boundary where the strip runs out there.

    The farthest itself is a corner of the strip. ``far`` (n,) is below 0 where no line may end.
    """
    end = int(np.argmax(far))
    away = row_lengths(strip.points_mm - strip.points_mm[end])
    close = (far >= 0) & (away <= END * scale_mm)
    if (close & strip.border).any():
        close &= strip.border
    else:
        # Of a ridge that bends evenly the far end is the end.
        close &= far >= far[end] - 0.5 * scale_mm
    return int(np.argmax(np.where(close, strip.bend, -np.inf)))


def _told(
    strip: Strip, ways: list[Way], rings: list[Way], sharp: SharpEdges, scale_mm: float
) -> list[tuple[Ints, bool]]:
    """Cut ways that meet into lines: rings whole, the rest where more than two of them meet at an angle."""
    net = _Net(ways)
    out: list[tuple[Ints, bool]] = []
    for ring in rings:
        if net.holds(ring):
            net.take(ring)
            out.append((strip.vertices[ring], True))
    for way in _joined(strip, net.arms(), scale_mm):
        if way[0] == way[-1]:
            out.append((strip.vertices[way], True))
            continue
        whole = strip.vertices[_trimmed(strip, way, net.ends)].tolist()
        for end in (way[-1], way[0]):
            if end in net.ends:
                whole += sharp.beyond(whole)
            whole.reverse()
        if _length(sharp.points_mm[whole]) >= SHORTEST * scale_mm:
            out.append((np.asarray(whole, dtype=np.int64), False))
    return out


def _trimmed(strip: Strip, way: Way, ends: set[int]) -> Way:
    """A way without what bends far less than most of it, at ends where it meets no other: there it left its ridge."""
    bends = strip.bend[way] > FADED * np.median(strip.bend[way])
    at = np.flatnonzero(bends)
    return way[at[0] if way[0] in ends else 0 : at[-1] + 1 if way[-1] in ends else len(way)]


def _run_on(strip: Strip, sharp: SharpEdges, way: Way) -> tuple[Way, float]:
    """The surface's vertices along a way and beyond its end, and their length, mm."""
    own = strip.vertices[way].tolist()
    own += sharp.beyond(own)
    return own, _length(sharp.points_mm[own])


def _joined(strip: Strip, arms: list[Way], scale_mm: float) -> list[Way]:
    """Arms between places where lines meet, joined two by two where they run on straight."""
    arms = [a for a in arms if len(a) > 1]
    ends = {(k, e): a[0 if e == 0 else -1] for k, a in enumerate(arms) for e in (0, 1)}
    heading = {key: _heading(strip.points_mm[arms[key[0]] if key[1] else arms[key[0]][::-1]], scale_mm) for key in ends}
    at: dict[int, list[tuple[int, int]]] = {}
    for key, vertex in ends.items():
        at.setdefault(vertex, []).append(key)
    mate: dict[tuple[int, int], tuple[int, int]] = {}
    for here in at.values():
        pairs = [(-float(heading[p] @ heading[q]), p, q) for n, p in enumerate(here) for q in here[:n] if p[0] != q[0]]
        for straight, p, q in sorted(pairs, reverse=True):
            if straight > STRAIGHT and p not in mate and q not in mate:
                mate[p], mate[q] = q, p
    out, seen = [], set()
    for k in range(len(arms)):
        if k in seen:
            continue
        first = (k, 0)
        walked = {k}
        while first in mate and mate[first][0] not in walked:  # back to where the line begins
            other = mate[first]
            walked.add(other[0])
            first = (other[0], 1 - other[1])
        now = first
        way: Way = []
        while True:
            seen.add(now[0])
            arm = arms[now[0]] if now[1] == 0 else arms[now[0]][::-1]
            way += arm[1 if way else 0 :]
            end = (now[0], 1 - now[1])
            if end not in mate or mate[end][0] in seen:
                break
            now = mate[end]
        out.append(way)
    return out


def _heading(points: Floats, scale_mm: float) -> Floats:
    """Unit vector (3,) in which a way leaves by its last point, over the last scale of it."""
    run = np.r_[0.0, np.cumsum(row_lengths(np.diff(points[::-1], axis=0)))]
    back = points[::-1][min(int(np.searchsorted(run, scale_mm)), len(points) - 1)]
    return _unit(points[-1] - back)


class _Net:
    """Ways as a graph of vertices."""

    def __init__(self, ways: list[Way]) -> None:
        self.beside: dict[int, set[int]] = {}
        for way in ways:
            for a, b in zip(way[:-1], way[1:]):
                self.beside.setdefault(a, set()).add(b)
                self.beside.setdefault(b, set()).add(a)
        self.meets = {v for v, q in self.beside.items() if len(q) != 2}
        self.ends = {v for v, q in self.beside.items() if len(q) == 1}

    def holds(self, way: Way) -> bool:
        """Whether all of a way is still there."""
        return all(b in self.beside[a] for a, b in zip(way[:-1], way[1:]))

    def take(self, way: Way) -> None:
        """Take a way out; other lines go on meeting where they met it."""
        for a, b in zip(way[:-1], way[1:]):
            self.beside[a].discard(b)
            self.beside[b].discard(a)

    def arms(self) -> list[Way]:
        """All that is left, from meeting place to meeting place."""
        out = []
        for start in sorted(self.meets):
            for first in sorted(self.beside[start]):
                if first not in self.beside[start]:
                    continue
                way = [start, first]
                while way[-1] not in self.meets:
                    ahead = self.beside[way[-1]] - {way[-2]}
                    if len(ahead) != 1:
                        break
                    way.append(ahead.pop())
                self.take(way)
                out.append(way)
        return out


def filled(weak: Bools, pairs: Ints, points: Floats, border: Bools, scale_mm: float) -> Bools:
    """Strips with their small holes filled, (n,): noise leaves holes that no line goes round.

    Parameters
    ----------
    weak : (n,) bool array
        The strips.
    pairs : (e, 2) int array
        Edges of the mesh.
    points : (n, 3) float array, mm
    border : (n,) bool array
    scale_mm : float
        A hole less wide than this, corner to corner of its box, is filled.
    """
    n = len(weak)
    e = pairs[~weak[pairs].any(axis=1)]
    part = connected_components(sp.coo_array((np.ones(len(e), dtype=np.int8), tuple(e.T)), shape=(n, n)), directed=False)[1]
    low, high = np.full((part.max() + 1, 3), np.inf), np.full((part.max() + 1, 3), -np.inf)
    np.minimum.at(low, part, points)
    np.maximum.at(high, part, points)
    small = row_lengths(high - low) < scale_mm
    small[part[border]] = False
    return np.asarray(weak | small[part])


def local_most(value: Floats, points: Floats, scale_mm: float) -> Floats:
    """The largest value (n,) within one to two scales of each point, by cells of one scale."""
    cell = np.floor((points - points.min(axis=0)) / scale_mm).astype(np.int64) + 1
    size = cell.max(axis=0) + 2
    key = np.ravel_multi_index(tuple(cell.T), tuple(size))
    cells, which = np.unique(key, return_inverse=True)
    most = np.full(len(cells), -np.inf)
    np.maximum.at(most, which, value)
    best = most.copy()
    step = np.array([size[1] * size[2], size[2], 1])
    for d in np.stack(np.meshgrid(*[[-1, 0, 1]] * 3), axis=-1).reshape(-1, 3):
        at = np.minimum(np.searchsorted(cells, cells + int(d @ step)), len(cells) - 1)
        there = cells[at] == cells + int(d @ step)
        best[there] = np.maximum(best[there], most[at[there]])
    return np.asarray(best[which])


def _length(points: Floats) -> float:
    return float(row_lengths(np.diff(points, axis=0)).sum())


def _trace(came: Ints, start: int, end: int) -> Way:
    way = [end]
    while way[-1] != start:
        way.append(int(came[way[-1]]))
    return way[::-1]


def _unit(d: Floats) -> Floats:
    return np.asarray(d / max(float(np.linalg.norm(d)), 1e-300))

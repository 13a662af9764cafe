"""Lay a path over a patch of mesh as edges, then clear away the slivers it leaves."""

from __future__ import annotations

import heapq
from collections.abc import Iterable
from dataclasses import dataclass, field

from ..errors import OutlineError
from ._patch import (
    Facet,
    NeedsWiderCrop,
    Patch,
    Vec,
    cross,
    dot,
    from_segment,
    mix,
    norm,
    sharpness,
    sub,
)
from .mesh import Floats, Ints

STEP_LIMIT = 400
# Where no change helps, one that leaves faces this little sharper may still lead on to one that does.
EVEN = 0.8
# Where along an edge it is measured how far a collapse moves the surface.
ALONG = (0.25, 0.5, 0.75)
Face = tuple[int, int, int]


def at(p: Vec) -> str:
    """Return a point as it stands in messages."""
    return f"({p[0]:.1f}, {p[1]:.1f}, {p[2]:.1f}) mm"


def links(path: list[int], closed: bool) -> list[tuple[int, int]]:
    """Return the pairs of vertices that follow one another."""
    return list(zip(path, path[1:] + path[:1] if closed else path[1:]))


@dataclass
class Trace:
    """A path being laid on a patch.

    Attributes
    ----------
    patch : Patch
    snap_mm : float
        A path point this near a vertex or an edge is put on it.
    spike_mm : float
        A path that comes back on itself after no more than this is shortened; after more it is an error.
    closed : bool
    walls : set of (int, int)
        Edges of other paths, both ways round, that this one may not touch.
    path : list of int
        Vertices laid so far.
    """

    patch: Patch
    snap_mm: float
    spike_mm: float
    closed: bool
    walls: set[tuple[int, int]] = field(default_factory=set)
    path: list[int] = field(default_factory=list)
    _on: set[int] = field(default_factory=set)
    _last_leg: bool = False

    def __post_init__(self) -> None:
        self._taken = {v for e in self.walls for v in e}

    def run(self, homes: Ints, weights: Floats) -> list[int]:
        """Lay the path through points given as original face and weights there; return its vertices."""
        self._start(int(homes[0]), weights[0])
        begin = self.patch.walk[self.path[0]]
        for i, (home, w) in enumerate(zip(homes[1:].tolist(), weights[1:]), 1):
            self._last_leg = self.closed and 2 * i > len(homes) and self._near(home, w, begin)
            self._reach(home, w)
            if self._last_leg and len(self.path) > 1 and self.path[-1] == self.path[0]:
                break
        if self.closed:
            self._last_leg = True
            self._reach_vertex(self.path[0])
            if self.path[-1] == self.path[0]:
                self.path.pop()
        return self.path

    def _start(self, home: int, w: Floats) -> None:
        v = self.put(home, w)
        self.path, self._on = [v], {v}

    def put(self, home: int, w: Floats) -> int:
        """Make a vertex at a point given on an original face, or take one that is there."""
        f, where = self.patch.place(home, w)
        return self._settle(f, where)

    def _near(self, home: int, w: Floats, begin: Vec) -> bool:
        """Whether a point is so near the start that reaching the start on the way to it is no crossing."""
        goal = mix((self.patch.walk[v] for v in self.patch.corners[home]), w.tolist())
        return norm(sub(goal, begin)) <= self.spike_mm

    def _entity(self, f: int, w: tuple[float, float, float]) -> tuple[str, tuple[int, ...], float]:
        """What of face f the point is on: a vertex, an edge (with the share along it) or the face."""
        p = self.patch
        t = p.tri[f]
        where = mix((p.walk[v] for v in t), w)
        near = min(t, key=lambda v: norm(sub(p.walk[v], where)))
        if norm(sub(p.walk[near], where)) <= self.snap_mm:
            return "vertex", (near,), 0.0
        area2 = norm(p.normal(f))
        for i in range(3):
            a, b = t[(i + 1) % 3], t[(i + 2) % 3]
            side = norm(sub(p.walk[b], p.walk[a]))
            if w[i] * area2 <= self.snap_mm * side:
                share = max(w[(i + 2) % 3], 0.0) / max(w[(i + 1) % 3] + w[(i + 2) % 3], 1e-300)
                if share * side <= self.snap_mm:
                    return "vertex", (a,), 0.0
                if (1 - share) * side <= self.snap_mm:
                    return "vertex", (b,), 0.0
                return "edge", (a, b), share
        return "face", t, 0.0

    def _settle(self, f: int, w: tuple[float, float, float]) -> int:
        kind, ids, share = self._entity(f, w)
        if kind == "vertex":
            return ids[0]
        if kind == "edge":
            return self._split(ids[0], ids[1], share)
        return self.patch.split_face(f, w)

    def _split(self, a: int, b: int, share: float) -> int:
        """Split an edge; where the path already ran along it, the new vertex is on the path."""
        if (a, b) in self.walls:
            self._hit(self.patch.raw[a])
        v = self.patch.split_edge(a, b, share)
        if a in self._on and b in self._on:
            for i in range(len(self.path) - 1):
                if {self.path[i], self.path[i + 1]} == {a, b}:
                    self.path.insert(i + 1, v)
                    self._on.add(v)
                    break
        return v

    def _hit(self, where: Vec) -> None:
        raise OutlineError("two outlines cross or touch", where=at(where), do="Keep the outlines apart.")

    def _arrive(self, v: int) -> None:
        if v == self.path[-1]:
            return
        if v in self._taken:
            self._hit(self.patch.raw[v])
        if v not in self._on:
            self.path.append(v)
            self._on.add(v)
            return
        i = self.path.index(v)
        if self._last_leg and i == 0:
            self.path.append(v)
            return
        pts = [self.patch.walk[u] for u in [*self.path[i:], v]]
        back = sum(norm(sub(p, q)) for p, q in zip(pts, pts[1:]))
        if back > self.spike_mm:
            raise OutlineError(
                f"the outline crosses or touches itself after {back:.1f} mm", where=at(self.patch.raw[v]),
                do="Move or reorder the outline points there.",
            )
        for u in self.path[i + 1 :]:
            self._on.discard(u)
        del self.path[i + 1 :]

    def _reach(self, home: int, w: Floats) -> None:
        p = self.patch
        limit, start = STEP_LIMIT, len(self.path)
        while True:
            f, where = p.place(home, w)
            kind, ids, share = self._entity(f, where)
            x = self.path[-1]
            if kind == "vertex":
                self._reach_vertex(ids[0])
                return
            if kind == "edge" and (x in ids or any(x in p.tri[g] for g in p.faces_at(*ids))):
                self._arrive(self._split(ids[0], ids[1], share))
                return
            if kind == "face" and x in ids:
                self._arrive(p.split_face(f, where))
                return
            goal = mix((p.walk[v] for v in p.tri[f]), where)
            limit -= 1
            if limit <= 0 or not self._step(goal, p.normal(f)):
                self._along_edges(set(ids), start)
                limit = STEP_LIMIT

    def _reach_vertex(self, v: int) -> None:
        p = self.patch
        for _ in range(STEP_LIMIT):
            x = self.path[-1]
            if v == x:
                return
            if p.adjacent(v, x):
                self._arrive(v)
                return
            if not self._step(p.walk[v], self._normal_at(v)):
                break
        self._along_edges({v}, len(self.path))

    def _normal_at(self, v: int) -> Vec:
        return mix((self.patch.normal(f) for f in self.patch.star[v]), [1.0] * len(self.patch.star[v]))

    def _step(self, goal: Vec, goal_normal: Vec) -> bool:
        """Go from the last path vertex across one face towards the goal, in the plane of both normals."""
        p, x = self.patch, self.path[-1]
        if x in p.rim:
            raise NeedsWiderCrop
        here = p.walk[x]
        d = sub(goal, here)
        far = norm(d)
        n1, n2 = self._normal_at(x), goal_normal
        m = mix((n1, n2), (1 / max(norm(n1), 1e-300), 1 / max(norm(n2), 1e-300)))
        plane = cross(d, m)
        if norm(plane) <= 1e-9 * far:
            return False
        best: tuple[float, int, int, float] | None = None
        for b, c in p.opposite(x):
            pb, pc = sub(p.walk[b], here), sub(p.walk[c], here)
            sb, sc = dot(pb, plane), dot(pc, plane)
            # The plane must pass from one side to the other in the face's own sense, or it is the way back.
            if not (sb >= 0.0 >= sc or sb <= 0.0 <= sc) or sb == sc:
                continue
            t = sb / (sb - sc)
            q = mix((pb, pc), (1 - t, t))
            ahead = dot(q, d) / max(norm(q) * far, 1e-300)
            if best is None or ahead > best[0]:
                best = (ahead, b, c, t)
        if best is None or best[0] <= 0.05:
            return False
        _, b, c, t = best
        side = norm(sub(p.walk[b], p.walk[c]))
        before = len(self.path)
        if t * side <= self.snap_mm:
            self._arrive(b)
        elif (1 - t) * side <= self.snap_mm:
            self._arrive(c)
        else:
            self._arrive(self._split(b, c, t))
        return len(self.path) > before and norm(sub(goal, p.walk[self.path[-1]])) < 1.5 * far

    def _along_edges(self, goals: set[int], start: int) -> None:
        """Last resort: follow the shortest way along edges to one of the goals."""
        for u in self.path[max(start, 1) :]:
            self._on.discard(u)
        del self.path[max(start, 1) :]
        p, x = self.patch, self.path[-1]
        best, came, heap = {x: 0.0}, {x: x}, [(0.0, x)]
        while heap:
            d, v = heapq.heappop(heap)
            if v in p.rim:
                raise NeedsWiderCrop
            if v in goals:
                way = [v]
                while came[way[-1]] != way[-1]:
                    way.append(came[way[-1]])
                for u in reversed(way[:-1]):
                    self._arrive(u)
                return
            if d > best[v]:
                continue
            for u in p.neighbours(v):
                e = d + norm(sub(p.walk[u], p.walk[v]))
                if e < best.get(u, float("inf")):
                    best[u], came[u] = e, v
                    heapq.heappush(heap, (e, u))
        raise NoWayError(p.raw[x])


class NoWayError(Exception):
    """Two points of the path lie on pieces that do not hang together."""

    def __init__(self, where: Vec) -> None:
        super().__init__("no way across the surface")
        self.where = where


def _drawn(t: Face, v: int, u: int) -> Face:
    """Return a face with its corner v drawn to u."""
    a, b, c = (u if x == v else x for x in t)
    return a, b, c


def _sides(t: Face) -> tuple[tuple[int, int], tuple[int, int], tuple[int, int]]:
    """Return the sides of a face in its sense."""
    a, b, c = t
    return (a, b), (b, c), (c, a)


def _farther(point: Vec, facets: list[Facet], known_mm: float) -> float:
    """Return the distance of a point from some triangles, or a distance known already if that is no less."""
    least = float("inf")
    for g in facets:
        d = g.off(point)
        if d <= known_mm:
            return known_mm
        if d < least:
            least = d
    return least


@dataclass
class Tidy:
    """Clear away slivers along paths without moving a path or the surface by more than stated.

    Attributes
    ----------
    patch : Patch
    paths : list of list of int
        They have no vertex in common.
    closed : bool
    path_mm : float
        How far a path may move.
    surface_mm : float
        How far the surface may move.
    area_mm2 : float
        By how much the area may have changed: how far the surface was moved, times the sides of the faces moved.
    """

    patch: Patch
    paths: list[list[int]]
    closed: bool
    path_mm: float
    surface_mm: float
    goal: float = 0.26
    area_mm2: float = 0.0

    def __post_init__(self) -> None:
        self._sharp: dict[Face, float] = {}
        self._facets: dict[Face, Facet] = {}
        self._border: dict[int, bool] = {}
        # When something was last changed about a vertex, and which faces could not be helped as of when, with which path_mm.
        self._clock = 0
        self._changed: dict[int, int] = {}
        self._idle: dict[int, tuple[int, float]] = {}
        self.cover: dict[tuple[int, int], list[Vec]] = {}
        self.along: dict[int, list[int]] = {v: [] for path in self.paths for v in path}
        for path in self.paths:
            for a, b in links(path, self.closed):
                self.cover[a, b] = self.cover[b, a] = []
                self.along[a].append(b)
                self.along[b].append(a)

    def run(self) -> list[list[int]]:
        """Flip and collapse until nothing improves; return the paths' vertices in order."""
        for factor, goal in ((1.0, self.goal), (5.0, 0.08), (15.0, 0.05)):
            for _ in range(4):
                if not self._sweep(factor * self.path_mm, goal):
                    break
        return [[v for v in path if v in self.along] for path in self.paths]

    def _sweep(self, path_mm: float, goal: float) -> int:
        p, done = self.patch, 0
        near = {f for v in self.along for f in p.star[v]}
        bad = sorted((q, f) for f in near if (q := self._quality(p.tri[f])) < goal)
        for _, f in bad:
            if f in p.tri:
                done += self._mend(f, path_mm)
        return done

    def _quality(self, t: Face) -> float:
        """Sharpness of a triangle of some vertices; these never move."""
        q = self._sharp.get(t)
        if q is None:
            raw = self.patch.raw
            q = self._sharp[t] = sharpness(raw[t[0]], raw[t[1]], raw[t[2]])
        return q

    def _mend(self, f: int, path_mm: float) -> bool:
        """Do the best flip or collapse on a face, if any helps.

        Else take out a vertex though it leaves a face as sharp: it is one of several that lie close together.
        """
        if self._still_idle(f, path_mm):
            return False
        t = self.patch.tri[f]
        now = self._quality(t)
        enough = now * 1.05 + 1e-9
        flips = [(q, 3 * i, "flip", u, v) for i, (u, v) in enumerate(_sides(t)) if (q := self._try_flip(u, v)) > enough]
        collapses = self._collapses(t, EVEN * now)
        better = [(q, order, "collapse", v, u) for q, order, _, v, u in collapses if q > enough]
        even = [(q, order, "collapse", v, u) for q, _, order, v, u in collapses if q <= enough]
        self._short_of_path = False
        for some in (flips + better, even):
            for _, _, kind, x, y in sorted(some, key=lambda way: (-way[0], way[1])):
                if kind == "flip":
                    self._spend_flip(x, y)
                    return True
                gap = self._gap_of(x, y, path_mm)
                if gap <= self.surface_mm:
                    self._collapse(x, y, gap)
                    return True
        self._idle[f] = (self._clock, path_mm if self._short_of_path else float("inf"))
        return False

    def _still_idle(self, f: int, path_mm: float) -> bool:
        """Whether a face could not be helped before, and nothing that matters to it has changed since."""
        when, most = self._idle.get(f, (-1, 0.0))
        if path_mm > most:
            return False
        p, t = self.patch, self.patch.tri[f]
        about = [*t, *(p.third(p.side[v, u], u, v) for u, v in _sides(t) if (v, u) in p.side)]
        return all(self._changed.get(x, -1) <= when for x in about)

    def _collapses(self, t: Face, at_least: float) -> list[tuple[float, int, int, int, int]]:
        """Return the collapses along a face's sides that leave no face sharper than stated.

        Each as sharpness, rank among all ways and among collapses where it is one of several as good, vertex, neighbour.
        """
        out = []
        for i, (a, b) in enumerate(_sides(t)):
            for back, (v, u) in enumerate(((a, b), (b, a))):
                q = self._try_collapse(v, u, at_least)
                if q > at_least:
                    out.append((q, 3 * i + 1 + back, i + 3 * back, v, u))
        return out

    def _spend_flip(self, u: int, v: int) -> None:
        p = self.patch
        c, d = p.third(p.side[u, v], u, v), p.third(p.side[v, u], u, v)
        gap = self._gap(u, v, c, d)
        self.area_mm2 += gap * self._around([(u, v, c), (v, u, d), (c, u, d), (d, v, c)])
        p.flip(u, v)
        for x in (u, v, c, d):
            p.spent[x] = p.spent.get(x, 0.0) + gap
        self._note((u, v, c, d))

    def _note(self, vertices: Iterable[int]) -> None:
        """Note that something has changed about some vertices."""
        self._clock += 1
        self._changed.update(dict.fromkeys(vertices, self._clock))

    def _gap(self, a: int, b: int, c: int, d: int) -> float:
        """Distance between the lines ab and cd: how far a flip moves the surface."""
        r = self.patch.raw
        n = cross(sub(r[b], r[a]), sub(r[d], r[c]))
        size = norm(n)
        return abs(dot(sub(r[c], r[a]), n)) / size if size > 0 else float("inf")

    def _try_flip(self, u: int, v: int) -> float:
        p = self.patch
        if (u, v) in self.cover or (u, v) not in p.side or (v, u) not in p.side:
            return -1.0
        c, d = p.third(p.side[u, v], u, v), p.third(p.side[v, u], u, v)
        if c == d or p.adjacent(c, d):
            return -1.0
        old = min(self._quality((u, v, c)), self._quality((v, u, d)))
        new = min(self._quality((c, u, d)), self._quality((d, v, c)))
        if new <= old:
            return -1.0
        if self._gap(u, v, c, d) + max(p.spent.get(x, 0.0) for x in (u, v, c, d)) > self.surface_mm:
            return -1.0
        before = mix((p.normal(p.side[u, v]), p.normal(p.side[v, u])), (1.0, 1.0))
        for t in ((c, u, d), (d, v, c)):
            w = [p.walk[x] for x in t]
            if dot(cross(sub(w[1], w[0]), sub(w[2], w[0])), before) <= 0.0:
                return -1.0
        return new

    def _try_collapse(self, v: int, u: int, at_least: float) -> float:
        """Sharpness of the sharpest face once v is drawn to u; -1 where it may not be or leaves one sharper than stated."""
        p = self.patch
        if v in p.rim or not self._may_go(v, u):
            return -1.0
        quality, tri = 2.0, p.tri
        for f in p.star[v]:
            t = tri[f]
            if u not in t:
                quality = min(quality, self._quality(_drawn(t, v, u)))
                if quality <= at_least:
                    return -1.0
        return quality if quality < 2.0 else -1.0

    def _gap_of(self, v: int, u: int, path_mm: float) -> float:
        """How far drawing v to u moves the surface; infinite where that or the path's move is more than allowed."""
        p, spent = self.patch, self.patch.spent
        if v in self.along:
            w = self._beyond(v, u)
            if not all(from_segment(q, p.walk[u], p.walk[w]) <= path_mm for q in self._covered(v, u, w)):
                self._short_of_path = True
                return float("inf")
        if len(p.neighbours(v) & p.neighbours(u)) != len(p.faces_at(u, v)):
            return float("inf")
        old = [t for f in p.star[v] if u not in (t := p.tri[f])]
        new = [_drawn(t, v, u) for t in old]
        if any(self._turned(t, s) for t, s in zip(old, new)):
            return float("inf")
        left = self.surface_mm - (0.0 if self._free(v, u) else max(spent.get(v, 0.0), spent.get(u, 0.0)))
        return self._moved(v, u, new, left)

    def _moved(self, v: int, u: int, new: list[Face], most_mm: float) -> float:
        """Distance between the surface before and after v is drawn to u; infinite once it is more than `most_mm`.

        The distance of v alone would not do: beside a corner of a large face the surface passes near v before and
        after, and what lies at the far end of the crease still goes with it.
        """
        p, r = self.patch, self.patch.raw
        old = [p.tri[f] for f in p.star[v]]
        before, after = [(t, self._facet(t)) for t in old], [(t, self._facet(t)) for t in new]
        far = _farther(r[v], [g for _, g in after], 0.0)
        ring = {x for t in old for x in t} - {u, v}
        tries = [(r[v], x, after) for x in ring] + [(r[u], x, before) for x in ring if not p.adjacent(u, x)]
        for start, x, faces in tries:
            # The nearest face is mostly one that x is a corner of.
            facets = [g for t, g in faces if x in t] + [g for t, g in faces if x not in t]
            for t in ALONG:
                if far > most_mm:
                    return float("inf")
                far = _farther(mix((start, r[x]), (1 - t, t)), facets, far)
        return far if far <= most_mm else float("inf")

    def _facet(self, t: Face) -> Facet:
        made = self._facets.get(t)
        if made is None:
            a, b, c = (self.patch.raw[v] for v in t)
            made = self._facets[t] = Facet(a, b, c)
        return made

    def _free(self, v: int, u: int) -> bool:
        """Whether v only halves an edge that u ends, so that taking it out restores the surface."""
        p = self.patch
        if v < p.first_new or v not in p.combo or len(p.combo[v]) > 3:
            return False
        gone = [p.raw[x] for x in p.neighbours(v)]
        return any(from_segment(p.raw[v], p.raw[u], q) < 1e-9 for q in gone if q != p.raw[u])

    def _around(self, faces: list[Face]) -> float:
        """Sum of the sides of some faces."""
        r = self.patch.raw
        return sum(norm(sub(r[x], r[y])) for a, b, c in faces for x, y in ((a, b), (b, c), (c, a)))

    def _turned(self, t: tuple[int, ...], s: tuple[int, ...]) -> bool:
        w = self.patch.walk
        n = cross(sub(w[t[1]], w[t[0]]), sub(w[t[2]], w[t[0]]))
        m = cross(sub(w[s[1]], w[s[0]]), sub(w[s[2]], w[s[0]]))
        return dot(n, m) <= 0.5 * norm(n) * norm(m)

    def _may_go(self, v: int, u: int) -> bool:
        """Whether path and boundary let v be drawn to u, however far that moves the path."""
        p = self.patch
        if v in self.along:
            if (u, v) not in self.cover or len(self.along[v]) != 2:
                return False
            if (u, self._beyond(v, u)) in self.cover or len(self.along) <= 3 * len(self.paths):
                return False
        if not self._on_border(v):
            return True
        ends = [x for x in p.neighbours(v) if len(p.faces_at(v, x)) == 1]
        if u not in ends or len(ends) != 2:
            return False
        w = ends[0] if ends[1] == u else ends[1]
        return from_segment(p.raw[v], p.raw[u], p.raw[w]) <= 1e-6

    def _on_border(self, v: int) -> bool:
        """Whether v lies on a border; no flip or collapse changes that of a vertex that stays."""
        on = self._border.get(v)
        if on is None:
            on = self._border[v] = self.patch.on_border(v)
        return on

    def _beyond(self, v: int, u: int) -> int:
        """Return the path's vertex after v, coming from u."""
        return next(x for x in self.along[v] if x != u)

    def _covered(self, v: int, u: int, w: int) -> list[Vec]:
        return [*self.cover[u, v], self.patch.walk[v], *self.cover[v, w]]

    def _collapse(self, v: int, u: int, gap: float) -> None:
        p = self.patch
        old = [p.tri[f] for f in p.star[v]]
        new = [_drawn(t, v, u) for t in old if u not in t]
        self.area_mm2 += gap * (self._around(old) + self._around(new))
        if v in self.along:
            w = self._beyond(v, u)
            pts = self._covered(v, u, w)
            for x in (u, w):
                del self.cover[v, x], self.cover[x, v]
                self.along[x].remove(v)
            self.cover[u, w] = self.cover[w, u] = pts
            self.along[u].append(w)
            self.along[w].append(u)
            del self.along[v]
        self._note(x for t in old for x in t)
        p.collapse(v, u)
        p.spent[u] = max(p.spent.get(u, 0.0), p.spent.get(v, 0.0)) + gap

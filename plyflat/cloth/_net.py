"""An inextensible net of warp and weft threads laid on a surface, node by node.

Bars of the net have one length; a node is where two spheres about its neighbours and the surface meet. The four arms of
the net, the threads through the start, are laid first as far as the front has come; then all nodes of one front, the
diagonals of all four quadrants, at once. Where a thread has run off a free edge, so that the next row's nodes lack one
of their two neighbours, the row's own thread goes straight on and leads the rows behind it.

References
----------
.. [1] C. Mack, H. M. Taylor, "The fitting of woven cloth to surfaces", J. Textile Inst. 47(9), 1956, T477-T488.
.. [2] B. P. van West, R. B. Pipes, M. Keefe, "A simulation of the draping of bidirectional fabrics over arbitrary
   surfaces", J. Textile Inst. 81(4), 1990, 448-460: one warp and one weft thread given, the rest follows.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from ..surface.mesh import Bools, Floats, Ints
from ._net_ground import BEYOND, FOLDED, LOST, NONE, ON, OPENED, Circles, Ground, Landed, cross, dot, unit

__all__ = ["BEYOND", "FOLDED", "LOST", "ON", "OPENED", "Arm", "Net", "Plan", "Start", "grow"]

#: Threads that come closer to each other than this have folded over.
LEAST_CROSSING_DEG = 1.0
#: Bars between faces that lean more than this are measured along the surface.
MEASURED_DEG = 4.0
#: How often a bar over a crease is measured and its sphere corrected, and the error at which that ends.
CORRECTIONS, CORRECTED = 6, 1e-6
#: That error where a net is only tried out.
ROUGHLY = 3e-3
#: A node whose bars are still off by more than this share is walked to.
STUCK = 1e-4
#: A bar that is off by more than this share in the end has found no place.
MISSED = 0.02
#: How many bars a net is carried on beyond a free edge, so that the cells at the edge are whole.
SKIRT = 3
#: The turn along a bar, as a chord of the unit sphere, is trusted up to here when its arc is reckoned.
ARC_MOST = 0.35

#: Why a thread went no farther: it ran off a free edge, or it folded, could not be joined or was lost.
AT_EDGE, AT_FOLD = 1, 2


def _straight(at_mm: Floats) -> Floats:
    return np.zeros_like(at_mm)


@dataclass(frozen=True, eq=False)
class Start:
    """Where a net begins.

    Attributes
    ----------
    point : (3,) float array, mm
    face : int
    normal : (3,) float array
    warp, weft : (3,) float array
        Unit tangents of the two threads.
    """

    point: Floats
    face: int
    normal: Floats
    warp: Floats
    weft: Floats


@dataclass(frozen=True, eq=False)
class Arm:
    """Nodes of a first thread that are known, from the first after the start outward, one bar apart.

    Attributes
    ----------
    points : (k, 3) float array, mm
    normals : (k, 3) float array
    face : (k,) int array
    """

    points: Floats
    normals: Floats
    face: Ints


@dataclass(frozen=True, eq=False)
class Plan:
    """How far a net is to go and how its two first threads bend.

    Attributes
    ----------
    spacing_mm : float
        Length of a bar.
    reach : tuple of int
        Nodes towards +warp, -warp, +weft, -weft.
    wanted : (a, b) bool array or None
        Which nodes are wanted; a wanted node's neighbours towards the start must be wanted too.
    warp_bend, weft_bend : callable
        Geodesic curvature, rad/mm, of the two first threads at distances (k,) mm from the start; left is positive.
    arcs : bool
        Whether bars are shortened to the chords of arcs where the surface curves (needs normals).
    rough : bool
        Whether bars over creases need be right roughly only, as in a net that is tried out.
    known : tuple of (Arm or None)
        Towards +warp, -warp, +weft, -weft: where a first thread has been laid already; it goes straight on from there.
    """

    spacing_mm: float
    reach: tuple[int, int, int, int]
    wanted: Bools | None = None
    warp_bend: Callable[[Floats], Floats] = field(default=_straight)
    weft_bend: Callable[[Floats], Floats] = field(default=_straight)
    arcs: bool = True
    rough: bool = False
    known: tuple[Arm | None, ...] = (None, None, None, None)


@dataclass(frozen=True, eq=False)
class Net:
    """Nodes of a net.

    Attributes
    ----------
    points : (a, b, 3) float array, mm
        Node [i, j] lies ``(i - origin[0]) * spacing_mm`` along the warp, ``(j - origin[1]) * spacing_mm`` along the
        weft; zero where there is no node.
    normals : (a, b, 3) float array
    face : (a, b) int array
    state : (a, b) int8 array
        ON the surface, BEYOND its free edge; FOLDED, OPENED or LOST where the net ended; 0 where none was sought.
    shaded : (a, b) bool array
        Nodes that hang on others beyond a free edge, or on threads that were led on along one.
    origin : (2,) int
    spacing_mm : float
    """

    points: Floats
    normals: Floats
    face: Ints
    state: NDArray[np.int8]
    shaded: Bools
    origin: tuple[int, int]
    spacing_mm: float

    @property
    def there(self) -> Bools:
        """(a, b) which nodes exist."""
        return np.asarray((self.state == ON) | (self.state == BEYOND))

    @property
    def u_mm(self) -> Floats:
        """(a,) distances along the warp."""
        return np.asarray((np.arange(self.points.shape[0]) - self.origin[0]) * self.spacing_mm, dtype=np.float64)

    @property
    def v_mm(self) -> Floats:
        """(b,) distances along the weft."""
        return np.asarray((np.arange(self.points.shape[1]) - self.origin[1]) * self.spacing_mm, dtype=np.float64)


def grow(ground: Ground, start: Start, plan: Plan) -> Net:
    """Lay a net.

    Parameters
    ----------
    ground : Ground
    start : Start
    plan : Plan

    Returns
    -------
    Net
    """
    work = _Growth(ground, start, plan)
    for front in range(1, work.fronts + 1):
        if not work.advance(front):
            break
    return work.net()


class _Growth:
    """A net while it grows; nodes are held in flat arrays."""

    def __init__(self, ground: Ground, start: Start, plan: Plan) -> None:
        self.ground, self.plan, self.h = ground, plan, plan.spacing_mm
        right, left, up, down = plan.reach
        self.shape = (left + right + 1, down + up + 1)
        self.origin = (left, down)
        count = self.shape[0] * self.shape[1]
        self.x, self.n = np.zeros((count, 3)), np.zeros((count, 3))
        self.face = np.zeros(count, dtype=np.int64)
        self.state = np.zeros(count, dtype=np.int8)
        self.depth = np.zeros(count, dtype=np.int8)
        self.shaded = np.zeros(count, dtype=bool)
        self.usable = np.zeros(count, dtype=bool)
        self.ended = np.zeros(count, dtype=np.int8)
        self.crease = ground.near_crease(1.05 * self.h)
        self._lay_out()
        self._begin(start)

    def _lay_out(self) -> None:
        """Order the nodes of the four quadrants by fronts."""
        wide = self.shape[1]
        i = np.arange(self.shape[0])[:, None] - self.origin[0]
        j = np.arange(wide)[None, :] - self.origin[1]
        inner = (i != 0) & (j != 0)
        if self.plan.wanted is not None:
            inner &= self.plan.wanted
        flat = np.flatnonzero(inner)
        ring = (np.abs(i) + np.abs(j)).ravel()[flat]
        order = np.argsort(ring, kind="stable")
        self.node, ring = flat[order], ring[order]
        si, sj = np.sign(self.node // wide - self.origin[0]), np.sign(self.node % wide - self.origin[1])
        self.turn = (si * sj).astype(np.float64)
        self.node_a, self.node_b = self.node - si * wide, self.node - sj
        self.node_d = self.node_a - sj
        top = max(max(self.plan.reach), int(ring[-1]) if len(ring) else 0)
        self.fronts = top
        self.slot = np.searchsorted(ring, np.arange(top + 2))

    def _begin(self, start: Start) -> None:
        zero = self.origin[0] * self.shape[1] + self.origin[1]
        self.x[zero], self.n[zero], self.face[zero] = start.point, start.normal, start.face
        self.state[zero], self.usable[zero] = ON, True
        step = self.shape[1]
        self.arm_step = np.array([step, -step, 1, -1])
        self.arm_reach = np.array(self.plan.reach)
        self.arm_at = np.full(4, zero)
        self.arm_way = np.stack([start.warp, -start.warp, start.weft, -start.weft])
        self.arm_turn = np.zeros(4)  # how far the normal turned along the last bar
        self._aim()
        at = np.asarray(np.arange(int(self.arm_reach.max()) + 1) * self.h, dtype=np.float64)
        self.arm_bend = np.stack([
            self.plan.warp_bend(at), -self.plan.warp_bend(-at), self.plan.weft_bend(at), -self.plan.weft_bend(-at),
        ])
        self.arm_known = np.zeros(4, dtype=np.int64)
        for k, arm in enumerate(self.plan.known):
            if arm is not None:
                self._take(k, arm)

    def _take(self, k: int, arm: Arm) -> None:
        """Put the nodes of a first thread that are known in their places."""
        count = min(len(arm.face), int(self.arm_reach[k]))
        if not count:
            return
        first, at = int(self.arm_at[k]), self.arm_at[k] + self.arm_step[k] * np.arange(1, count + 1)
        self.x[at], self.n[at], self.face[at] = arm.points[:count], arm.normals[:count], arm.face[:count]
        self.state[at], self.usable[at] = ON, True
        before = int(at[-2]) if count > 1 else first
        bar = self.x[at[-1]] - self.x[before]
        self.arm_known[k], self.arm_at[k] = count, at[-1]
        self.arm_way[k] = bar / max(float(np.linalg.norm(bar)), 1e-300)
        self.arm_turn[k] = np.clip(float((self.n[at[-1]] - self.n[before]) @ bar) / self.h, -ARC_MOST, ARC_MOST)

    def _aim(self) -> None:
        """Turn the first bars from the arms' tangents to the chords of the geodesics.

        Along a geodesic with tangent T, normal N and B = N x T the third derivative has a part k (N'.B) along B, with
        k = -N'.T, so that the chord over h leans by -(dN.T)(dN.B) / 6 towards B, dN being the turn of N over h.
        """
        if not self.plan.arcs:
            return
        n, way = self.n[self.arm_at], self.arm_way
        circles = Circles(self.x[self.arm_at], unit(cross(way, n)), np.full(4, self.h**2), way)
        landed = self.ground.settle(circles, self.face[self.arm_at], circles.centre + self.h * way)
        side, turn = cross(n, way), landed.normals - n
        along, across = dot(turn, way), dot(turn, side)
        smooth = (landed.state == ON) & (dot(turn, turn) < ARC_MOST**2)
        if self.crease is not None:
            smooth &= ~self.crease[landed.face]
        self.arm_way = unit(way - np.where(smooth, along * across / 6, 0.0)[:, None] * side)
        self.arm_turn = np.where(smooth, along, 0.0)

    def advance(self, front: int) -> bool:
        """Lay one front; False when there is nothing left to go on from."""
        arms = np.flatnonzero((self.arm_reach >= front) & self.usable[self.arm_at] & (self.arm_known < front))
        at = np.arange(self.slot[front], self.slot[front + 1])
        a, b, d = self.node_a[at], self.node_b[at], self.node_d[at]
        has_a, has_b = self.usable[a], self.usable[b]
        ends = np.maximum(np.maximum(self.ended[a], self.ended[b]), self.ended[d])
        open_ended = ends < AT_FOLD
        # Far beyond an edge the net is only carried on to close its cells; what is on the surface does not hang on that.
        firm_a, firm_b = has_a & (self.depth[a] < 2), has_b & (self.depth[b] < 2)
        joined = has_a & has_b & (firm_a == firm_b) & open_ended
        led_a, led_b = has_a & ~joined & (firm_a | ~has_b), has_b & ~joined & (firm_b | ~has_a)
        led_a, led_b = led_a & open_ended, led_b & open_ended
        # Along the warp from a, along the weft from b, if the thread has come at least one bar already.
        led_a &= self.usable[np.clip(2 * a - self.node[at], 0, len(self.usable) - 1)]
        led_b &= self.usable[np.clip(2 * b - self.node[at], 0, len(self.usable) - 1)]
        off = ~(joined | led_a | led_b)
        self.ended[self.node[at[off]]] = np.maximum(ends[off], AT_EDGE)
        if not (len(arms) or joined.any() or led_a.any() or led_b.any()):
            return front <= int(self.arm_known.max())
        self._lay(front, arms, at[joined])
        for led, before in ((led_a, a), (led_b, b)):
            if led.any():
                self._lead(self.node[at[led]], before[led])
        return True

    def _lay(self, front: int, live: Ints, at: Ints) -> None:
        arms, way = self._arm_circles(front, live)
        bars = _Bars(self.node_a[at], self.node_b[at], self.node_d[at], self.turn[at])
        circles, guess = self._node_circles(bars)
        k = len(live)
        face = np.concatenate([self.face[self.arm_at[live]], self.face[bars.a]])
        guess = np.concatenate([arms.centre + self.h * way, guess])
        landed = self.ground.settle(_joined(arms, circles), face, guess)
        landed = self._over_creases(landed, bars, k)
        self._keep_arms(front, live, way, landed)
        self._keep_nodes(self.node[at], bars, landed, k)

    def _lead(self, node: Ints, last: Ints) -> None:
        """Carry threads straight on by one bar."""
        before = 2 * last - node
        bar = self.x[last] - self.x[before]
        way, x, n = unit(bar), self.x[last], self.n[last]
        short = 1 - self._turned(before, last, bar) ** 2 / 24 if self.plan.arcs else np.ones(len(node))
        circles = Circles(x, unit(cross(way, n)), (self.h * short) ** 2, way)
        landed = self.ground.settle(circles, self.face[last], x + self.h * way)
        landed, _, _ = self._traced(landed, last, way)
        self._put(node, landed.points, landed.normals, landed.face, landed.state, last)
        self.shaded[node] = True

    def _arm_circles(self, front: int, live: Ints) -> tuple[Circles, Floats]:
        """Circles of the arms' next nodes and which way they go: on in the plane of the last bar and the normal."""
        at = self.arm_at[live]
        n = self.n[at]
        bend = self.h * self.arm_bend[live, min(front, self.arm_bend.shape[1]) - 1] * (0.5 if front == 1 else 1.0)
        way = self.arm_way[live]
        way = np.cos(bend)[:, None] * way + np.sin(bend)[:, None] * cross(n, way)
        rho = self.h * (1 - self.arm_turn[live] ** 2 / 24) if self.plan.arcs else np.full(len(live), self.h)
        return Circles(self.x[at], unit(cross(way, n)), rho**2, way), way

    def _node_circles(self, bars: _Bars) -> tuple[Circles, Floats]:
        """Circles in which the spheres about the two neighbours meet ([2]), and where the node may lie."""
        a, b, d = self.x[bars.a], self.x[bars.b], self.x[bars.d]
        short_a = short_b = np.ones(len(a))
        if self.plan.arcs and len(a):
            # The bar beside, one thread nearer to the start, curves alike.
            short_a = 1 - self._turned(bars.d, bars.b, b - d) ** 2 / 24
            short_b = 1 - self._turned(bars.d, bars.a, a - d) ** 2 / 24
        bars.long_a, bars.long_b = self.h * short_a, self.h * short_b
        circles = _between(a, b, d, bars.long_a, bars.long_b)
        guess = a + b - d
        lone = np.flatnonzero(~self.usable[bars.d])
        if len(lone):
            # Threads from two sides of a hole meet again; the cell's near corner fell into the hole.
            out = bars.turn[lone, None] * cross(self.n[bars.a[lone]], circles.axis[lone])
            circles.away[lone] = out
            high = np.sqrt(np.maximum(circles.square[lone], 0.0))
            guess[lone] = circles.centre[lone] + high[:, None] * out
        return circles, guess

    def _turned(self, one: Ints, two: Ints, bar: Floats) -> Floats:
        """How far the normal turns along bars; not at all where that is a crease's turn."""
        turn = np.clip(dot(self.n[two] - self.n[one], bar) / self.h, -ARC_MOST, ARC_MOST)
        if self.crease is not None:
            lean = dot(self.n[one], self.n[two]) < np.cos(np.radians(MEASURED_DEG))
            turn[lean & self.crease[self.face[one]]] = 0.0
        return np.asarray(turn)

    def _over_creases(self, landed: Landed, bars: _Bars, k: int) -> Landed:
        """Measure bars over creases along the surface and lay their nodes again."""
        if self.crease is None or not len(bars.a):
            return landed
        nodes = _taken(landed, slice(k, None))
        least = np.cos(np.radians(MEASURED_DEG))
        lean = np.minimum(dot(nodes.normals, self.n[bars.a]), dot(nodes.normals, self.n[bars.b])) < least
        # Those that fell off a sharp edge, or back over it on to the cell's near corner.
        off = (nodes.state == LOST) | (nodes.state == OPENED) | (self._lean(nodes, bars) & self._folded(nodes, bars))
        off &= (self.crease[self.face[bars.a]] | self.crease[self.face[bars.b]]) & self.usable[bars.d]
        at = np.flatnonzero(off | (lean & self.crease[nodes.face] & (nodes.state != LOST)))
        if not len(at):
            return landed
        now = _taken(landed, k + at)
        fell = np.flatnonzero(off[at])
        # From the neighbour whose bar runs beside the other's on one face.
        from_b = dot(self.n[bars.a[at]], self.n[bars.d[at]]) < dot(self.n[bars.b[at]], self.n[bars.d[at]])
        now = _with(now, fell, self._walked(now, bars, at, fell, from_b))
        to_measure = np.flatnonzero(~off[at] | (now.state == ON))
        now = _with(now, to_measure, self._measured(_taken(now, to_measure), bars, at[to_measure]))
        return _with(landed, k + at, self._unstuck(now, bars, at, to_measure))

    def _unstuck(self, now: Landed, bars: _Bars, at: Ints, which: Ints) -> Landed:
        """Walk to nodes that corrections brought to and fro over an edge, and keep the best place of each."""
        wrong = np.zeros(len(at))
        wrong[which] = self._wrong(_taken(now, which), bars, at[which])
        for from_b in (False, True):
            stuck = np.flatnonzero((wrong > (ROUGHLY if self.plan.rough else STUCK) * self.h) & self.usable[bars.d[at]])
            if not len(stuck):
                break
            walked = self._walked(now, bars, at, stuck, np.full(len(at), from_b))
            # Beyond the free edge there is nothing to measure along.
            error = np.where(walked.state == ON, self._wrong(walked, bars, at[stuck]), MISSED * self.h)
            better = np.flatnonzero(error < wrong[stuck])
            now = _with(now, stuck[better], _taken(walked, better))
            wrong[stuck[better]] = error[better]
        now.state[(wrong > MISSED * self.h) & (now.state != BEYOND)] = LOST
        return now

    def _wrong(self, now: Landed, bars: _Bars, at: Ints) -> Floats:
        """(p,) by how much the longer or shorter bar of nodes is off, mm; a bar where they have come back over the edge."""
        to_a, to_b = self._unfolded(now, bars.a[at], bars.b[at])
        off = np.maximum(self._off(now, to_a), self._off(now, to_b))
        return np.where(self._folded(now, bars.take(at)), np.maximum(off, self.h), off)

    def _walked(self, now: Landed, bars: _Bars, at: Ints, which: Ints, from_b: Bools) -> Landed:
        """Nodes found by unfolding their cells.

        A cell is unfolded into the face of one neighbour, where two circles of a bar's length meet on the far side of
        the line between the neighbours; from that neighbour the node is walked to.
        """
        out = _taken(now, which)
        swap, at = from_b[which], at[which]
        a, b = np.where(swap, bars.b[at], bars.a[at]), np.where(swap, bars.a[at], bars.b[at])
        way = self._onward(a, b, np.where(swap, -1.0, 1.0) * bars.turn[at])
        for i in range(len(at)):
            x, face, _, beyond = self.ground.trace(self.x[a[i]], int(self.face[a[i]]), way[i], self.h)
            out.points[i], out.face[i], out.state[i] = x, face, BEYOND if beyond else ON
        out.normals[:] = self.ground.stand(out.face, out.points)[1]
        return out

    def _onward(self, a: Ints, b: Ints, turn: Floats) -> Floats:
        """(p, 3) ways in a's face from a to nodes, b being unfolded into it; with a, b and the node anticlockwise where turn is 1."""
        n = self.n[a]
        gap = self.ground.unfold(self.x[b], self.face[b], self.x[a], self.face[a], unit(n + self.n[b])) - self.x[a]
        square = dot(gap, gap)
        side = cross(n, unit(gap))
        return 0.5 * gap + (turn * np.sqrt(np.maximum(self.h**2 - 0.25 * square, 0.0)))[:, None] * side

    def _lean(self, now: Landed, bars: _Bars) -> Bools:
        """Which cells have a crease between their corners."""
        n = now.normals
        least = np.minimum(dot(n, self.n[bars.d]), np.minimum(dot(n, self.n[bars.a]), dot(n, self.n[bars.b])))
        return np.asarray(least < np.cos(np.radians(MEASURED_DEG)))

    def _folded(self, now: Landed, bars: _Bars) -> Bools:
        """Which nodes have come over the line between their neighbours, or all but on to it."""
        least = np.sin(np.radians(LEAST_CROSSING_DEG)) * self.h**2
        up = unit(now.normals + self.n[bars.a] + self.n[bars.b])
        folded = dot(cross(now.points - self.x[bars.a], now.points - self.x[bars.b]), up) * bars.turn < least
        if self.crease is None:
            return np.asarray(folded)
        # Over a sharp edge a cell is seen from the side; it is looked at unfolded.
        at = np.flatnonzero(folded & self._lean(now, bars) & self.crease[now.face])
        if len(at):
            part = _taken(now, at)
            to_a, to_b = self._unfolded(part, bars.a[at], bars.b[at])
            area = dot(cross(part.points - to_a, part.points - to_b), part.normals)
            folded[at] = area * bars.turn[at] < least
        return np.asarray(folded)

    def _measured(self, now: Landed, bars: _Bars, at: Ints) -> Landed:
        """Lay nodes again from their neighbours unfolded into their own faces, until the bars' lengths are right."""
        a, b = bars.a[at], bars.b[at]
        enough = (ROUGHLY if self.plan.rough else CORRECTED) * self.h
        todo = np.arange(len(at))
        for _ in range(CORRECTIONS):
            part = _taken(now, todo)
            to_a, to_b = self._unfolded(part, a[todo], b[todo])
            left = np.flatnonzero(np.maximum(self._off(part, to_a), self._off(part, to_b)) >= enough)
            if not len(left):
                break
            todo, part, to_a, to_b = todo[left], _taken(part, left), to_a[left], to_b[left]
            h2 = np.full(len(left), self.h)
            circles = _between(to_a, to_b, to_a, h2, h2)
            way = part.points - circles.centre
            circles = Circles(circles.centre, circles.axis, circles.square, way)
            new = self.ground.settle(circles, part.face, part.points)
            good = np.flatnonzero((new.state == ON) | (new.state == BEYOND))
            now = _with(now, todo[good], _taken(new, good))
        return now

    def _unfolded(self, now: Landed, a: Ints, b: Ints) -> tuple[Floats, Floats]:
        """Both neighbours' places unfolded into the faces of nodes."""
        both = np.concatenate([a, b])
        n = unit(np.tile(now.normals, (2, 1)) + self.n[both])
        to = self.ground.unfold(self.x[both], self.face[both], np.tile(now.points, (2, 1)), np.tile(now.face, 2), n)
        return to[: len(a)], to[len(a) :]

    def _off(self, now: Landed, other: Floats) -> Floats:
        """(k,) errors of bars, mm."""
        d = now.points - other
        return np.abs(np.sqrt(dot(d, d)) - self.h)

    def _keep_arms(self, front: int, live: Ints, way: Floats, landed: Landed) -> None:
        old = self.arm_at[live]
        new = old + self.arm_step[live]
        landed, onward, bent = self._traced(landed, old, way)
        turn = dot(landed.normals - self.n[old], onward) / self.h
        self.arm_turn[live] = np.where(bent, 0.0, np.clip(turn, -ARC_MOST, ARC_MOST))
        self.arm_at[live], self.arm_way[live] = new, unit(onward)
        self._put(new, landed.points, landed.normals, landed.face, landed.state, old)
        for arm, at in zip(live.tolist(), new.tolist()):
            if not self.usable[at]:
                left = np.arange(1, int(self.arm_reach[arm]) - front + 1)
                self.ended[at + left * int(self.arm_step[arm])] = self.ended[at]

    def _traced(self, landed: Landed, old: Ints, way: Floats) -> tuple[Landed, Floats, Bools]:
        """Threads that lead over a crease walked straight on along the faces; all ways of arrival; which those are."""
        m = len(old)
        landed = _taken(landed, np.arange(m))
        onward = landed.points - self.x[old]
        bent = np.zeros(m, dtype=bool)
        if self.crease is None or not m:
            return landed, onward, bent
        lean = dot(landed.normals, self.n[old]) < np.cos(np.radians(MEASURED_DEG))
        lean |= (landed.state == OPENED) | (landed.state == LOST)
        bent = lean & (self.crease[landed.face] | self.crease[self.face[old]])
        for k in np.flatnonzero(bent).tolist():
            x, face, arrive, off = self.ground.trace(self.x[old[k]], int(self.face[old[k]]), way[k], self.h)
            landed.points[k], landed.face[k] = x, face
            landed.state[k] = BEYOND if off else ON
            onward[k] = arrive * self.h
        landed.normals[bent] = self.ground.stand(landed.face[bent], landed.points[bent])[1]
        return landed, onward, bent

    def _keep_nodes(self, node: Ints, bars: _Bars, landed: Landed, k: int) -> None:
        if not len(node):
            return
        x, n, state = landed.points[k:], landed.normals[k:], landed.state[k:].copy()
        folded = self._folded(_taken(landed, slice(k, None)), bars)
        state[folded & (state == ON)] = FOLDED
        beyond = (self.depth[bars.a] > 0) | (self.depth[bars.b] > 0)
        state[folded & (state == BEYOND) | beyond & (state != BEYOND) & (state != ON)] = NONE
        if self.crease is not None:
            # Beyond a free edge a crease has no course that could be followed.
            state[(state == BEYOND) & self.crease[landed.face[k:]]] = NONE
        # Along a free edge nodes hang on one neighbour each that is on the surface.
        nearest = np.where(self.depth[bars.a] < self.depth[bars.b], bars.a, bars.b)
        self._put(node, x, n, landed.face[k:], state, nearest)
        self.shaded[node] |= self.shaded[bars.a] | self.shaded[bars.b] | self.shaded[bars.d]

    def _put(self, at: Ints, x: Floats, n: Floats, face: Ints, state: Ints, before: Ints) -> None:
        # From beyond an edge there is no way back, and no fold that would mean anything.
        state = np.where((self.depth[before] > 0) & (state != BEYOND) & (state != ON), NONE, state)
        state = np.where((self.depth[before] > 1) & (state == ON), NONE, state)
        self.x[at], self.n[at], self.face[at], self.state[at] = x, n, face, state
        off = state == BEYOND
        self.depth[at] = np.where(off, self.depth[before] + 1, 0)
        self.shaded[at] = off | self.shaded[before]
        self.usable[at] = (state == ON) | (off & (self.depth[at] < SKIRT))
        self.ended[at] = np.where(self.usable[at], 0, np.where(off | (state == NONE), AT_EDGE, AT_FOLD))

    def net(self) -> Net:
        """Return what has been laid."""
        a, b = self.shape
        return Net(
            self.x.reshape(a, b, 3), self.n.reshape(a, b, 3), self.face.reshape(a, b), self.state.reshape(a, b),
            self.shaded.reshape(a, b), self.origin, self.h,
        )


class _Bars:
    """Two bars to each new node: from a (along the warp) and from b (along the weft); d closes the cell."""

    def __init__(self, a: Ints, b: Ints, d: Ints, turn: Floats) -> None:
        self.a, self.b, self.d, self.turn = a, b, d, turn
        self.long_a = self.long_b = np.empty(0)

    def take(self, at: Ints) -> _Bars:
        """Return some of them."""
        return _Bars(self.a[at], self.b[at], self.d[at], self.turn[at])


def _between(a: Floats, b: Floats, d: Floats, long_a: Floats, long_b: Floats) -> Circles:
    """Circles in which spheres about a and b meet."""
    gap = b - a
    square = dot(gap, gap)
    size = np.sqrt(np.maximum(square, 1e-300))
    axis = gap / size[:, None]
    along = 0.5 * (size + (long_a**2 - long_b**2) / size)
    centre = a + along[:, None] * axis
    return Circles(centre, axis, long_a**2 - along**2, centre - d)


def _joined(one: Circles, two: Circles) -> Circles:
    return Circles(
        np.concatenate([one.centre, two.centre]), np.concatenate([one.axis, two.axis]),
        np.concatenate([one.square, two.square]), np.concatenate([one.away, two.away]),
    )


def _taken(landed: Landed, at: Ints | slice) -> Landed:
    return Landed(landed.points[at], landed.normals[at], landed.face[at], landed.state[at])


def _with(landed: Landed, at: Ints, new: Landed) -> Landed:
    points, normals = landed.points.copy(), landed.normals.copy()
    face, state = landed.face.copy(), landed.state.copy()
    points[at], normals[at], face[at], state[at] = new.points, new.normals, new.face, new.state
    return Landed(points, normals, face, state)

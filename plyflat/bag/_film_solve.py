"""Where a film comes to rest under pressure on a ground: Newton's method, eased where the film is slack."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ..cloth._sparse import factorise
from ..errors import SolveError
from ..surface._topology import mesh_edges
from ..surface.mesh import Bools, Floats, Ints
from ._film_ground import Ground
from ._film_law import Law, State, forces, stiffness, stretched
from ._film_matrix import Freedom

# How far a film sinks into the ground at full pressure, as a share of its cells: enough to make contact gradual.
_SINK = 0.004
# Friction gives this share of that before it slides.
_CREEP = 0.5
# The easing is in springs of pressure times cell at each vertex.
_EASE_FIRST, _EASE_LEAST, _EASE_MOST = 1.0, 1e-2, 1e6
_LET_GO, _HOLD_BACK = 0.4, 4.0
# A vertex on the ground whose force left over grows this much in a step is held back by itself, up to so many times the rest.
_FLITS, _HELD_MOST = 2.0, 1e3
# Cells a vertex may move in one step, and how far it may sink into the ground: else it comes out at the back.
_FURTHEST = 1.0
_DEEPEST = 0.25
_SINGLE_FROM = 10_000
# A triangle that leans this far over (cosine) is not pressed any more.
_FOLDED = 0.3
# A triangle pressed to less than this share of its width lies any way round.
_CRUMPLED = 0.3
# Share of the vertices that are left out.
_LEFT_OUT = 0.005
# Cells off the ground from which a foot cannot come down to it in one step.
_CLOSE = 3.0
_NOWHERE = 1e9  # mm; how far off a ground is that is not there
# How often the vertices that will touch are found anew within one step.
_TURNS = 2
# As long as more than this share of the feet change sides.
_FEW = 2e-3
# Eased less than this, the steps heed what may push as well as pull: the wind and the ground's curvature.
_WINDLESS = 0.5


@dataclass(frozen=True, eq=False)
class Cloth:
    """A film's mesh and its cut size.

    Attributes
    ----------
    faces : (m, 3) int array
    gradients : (m, 3, 2) float array
        Of the shape functions over the rest plane, 1/mm.
    areas_mm2 : (m,) float array
        At rest.
    law : Law
    """

    faces: Ints
    gradients: Floats
    areas_mm2: Floats
    law: Law


class Feet:
    """Where a film feels the ground: its vertices, and the middles of its sides lest edges cut into it.

    Parameters
    ----------
    cloth : Cloth
    count : int
        How many vertices there are.

    Attributes
    ----------
    count : int
    shares_mm2 : (n + e,) float array
        Of the film's area at rest, first those of the vertices.
    """

    def __init__(self, cloth: Cloth, count: int) -> None:
        edges = mesh_edges(cloth.faces, count)
        self.count, self._ends = count, edges.ends
        third = np.repeat(cloth.areas_mm2 / 3, 3)
        vertex = np.bincount(cloth.faces.ravel(), third, minlength=count)
        side = np.bincount(edges.of_face.ravel(), third, minlength=len(edges.ends))
        self.shares_mm2 = np.concatenate([0.5 * vertex, 0.5 * side])
        # Each side's stiffness is entered in the first of its triangles.
        self._host = edges.faces[:, 0]
        self._first = (edges.of_face[self._host] == np.arange(len(edges.ends))[:, None]).argmax(axis=1)

    def at(self, points: Floats) -> Floats:
        """Return the feet (n + e, 3) of a film whose vertices are (n, 3)."""
        return np.vstack([points, 0.5 * (points[self._ends[:, 0]] + points[self._ends[:, 1]])])

    def gathered(self, values: Floats) -> Floats:
        """Return forces on the feet (n + e, 3) as forces on the vertices (n, 3)."""
        out, side = values[: self.count].copy(), 0.5 * values[self.count :]
        for k in range(3):
            for end in range(2):
                out[:, k] += np.bincount(self._ends[:, end], side[:, k], minlength=self.count)
        return out

    def borne(self, press: Floats) -> Bools:
        """Return which vertices (n,) bear on the ground with a foot of theirs or of a side of theirs, from (n + e,) N."""
        out = press[: self.count] > 0
        out[self._ends[press[self.count :] > 0].ravel()] = True
        return out

    def add(self, blocks: Floats, own: Floats) -> Floats:
        """Add the second slopes of the sides' feet to those of their triangles; return those of the vertices."""
        side = 0.25 * own[self.count :]
        live = np.flatnonzero(side.any(axis=(1, 2)))
        host, first = self._host[live], self._first[live]
        view = blocks.reshape(-1, 3, 3, 3, 3)
        for a in (first, (first + 1) % 3):
            for b in (first, (first + 1) % 3):
                # A triangle hosts up to three sides, which share its corners: one after the other.
                for k in range(3):
                    of = first == k
                    view[host[of], a[of], :, b[of]] += side[live[of]]
        return own[: self.count]


@dataclass(frozen=True, eq=False)
class Grip:
    """Friction on the ground.

    Attributes
    ----------
    coefficient : float
        Infinite where the film sticks.
    anchors_mm : (n + e, 3) float array
        Where each foot lay before the load went up.
    lay : (n + e,) bool array
        Which of them lay on the ground.
    """

    coefficient: float
    anchors_mm: Floats
    lay: Bools


@dataclass(frozen=True, eq=False)
class Rest:
    """A film at rest.

    Attributes
    ----------
    points_mm : (n, 3) float array
    state : State
    distance_mm : (n,) float array
        To the ground.
    press_n : (n,) float array
        What the ground bears.
    grip : Grip or None
        For the next load.
    residual : float
        Mean square force left over, as a share of the pressure on a vertex.
    steps : int
    converged : bool
    burst : bool
        Whether it was given up as growing without end.
    """

    points_mm: Floats
    state: State
    distance_mm: Floats
    press_n: Floats
    grip: Grip | None
    residual: float
    steps: int
    converged: bool
    burst: bool


@dataclass(frozen=True, eq=False)
class _Forces:
    """All that acts on a film in one place."""

    slope: Floats
    state: State
    distance: Floats
    normal: Floats
    press: Floats
    drag: Floats
    slip: Floats
    blown: Floats


class Equations:
    """The balance of a film under one pressure.

    Parameters
    ----------
    cloth : Cloth
    freedom : Freedom
    feet : Feet
    ground : Ground or None
    pressure : float
        N/mm2, towards the side from which the triangles run clockwise.
    full : float
        The most it will ever be, which sets how hard the ground is.
    grip : Grip or None
    """

    def __init__(
        self, cloth: Cloth, freedom: Freedom, feet: Feet, ground: Ground | None, pressure: float, full: float,
        grip: Grip | None,
    ) -> None:  # fmt: skip
        self.cloth, self.freedom, self.ground, self.pressure, self.grip = (
            cloth,
            freedom,
            ground,
            pressure,
            grip,
        )
        self.feet = feet
        self._seen: tuple[Floats, Floats, Floats] | None = None
        n = feet.count
        self.share = np.bincount(cloth.faces.ravel(), np.repeat(cloth.areas_mm2 / 3, 3), minlength=n)
        self.cell = float(np.sqrt(4 / np.sqrt(3) * np.mean(cloth.areas_mm2)))
        self.sink = _SINK * self.cell
        self.hard = feet.shares_mm2 * full / self.sink
        self.scale = float(np.sqrt(np.mean((pressure * self.share) ** 2)))
        self.mass = np.maximum(full * self.cell, 1e-12)

    def act(self, points: Floats) -> _Forces:
        """Return what acts on the film where its vertices are (n, 3)."""
        cloth, n = self.cloth, len(points)
        state = stretched(points, cloth.faces, cloth.gradients)
        pull = cloth.law.pull(*state.stretch.T)
        corner = forces(state, pull, cloth.areas_mm2, cloth.gradients)
        feet = self.feet.at(points)
        distance, normal = self._look(feet)
        p = points[cloth.faces]
        blown = self._blown(state, normal)
        wind = np.cross(p[:, 1] - p[:, 0], p[:, 2] - p[:, 0]) * (blown * self.pressure / 6)[:, None]
        # The air pushes against the triangles' normals.
        corner = corner + wind[:, None, :]
        slope = _summed(cloth.faces, corner.reshape(-1, 3), n)
        press = self._press(distance)
        drag, slip = self._friction(feet, normal, press)
        slope = slope + self.feet.gathered(drag - press[:, None] * normal)
        return _Forces(slope, state, distance, normal, press, drag, slip, blown)

    def _blown(self, state: State, normal: Floats) -> Floats:
        """Return the share (m,) of the pressure on each triangle: none where it is folded over, between two others."""
        if self.ground is None:
            return np.ones(len(self.cloth.faces))
        out = normal[self.cloth.faces].mean(axis=1)
        return np.clip(1.0 + (state.ways[:, :, 2] * out).sum(axis=1) / _FOLDED, 0.0, 1.0)

    def _look(self, feet: Floats) -> tuple[Floats, Floats]:
        """Return how far the feet are off the ground and its normals; of those far off, no more than must be known."""
        if self.ground is None:
            return np.full(len(feet), _NOWHERE), np.zeros_like(feet)
        if self._seen is None:
            self._seen = (feet.copy(), *self.ground.look(feet))
        where, distance, normal = self._seen
        least = distance - np.linalg.norm(feet - where, axis=1)
        near = np.flatnonzero(least < _CLOSE * self.cell)
        where[near] = feet[near]
        distance[near], normal[near] = self.ground.look(feet[near])
        least[near] = distance[near]
        return least, normal.copy()

    def _press(self, distance: Floats) -> Floats:
        """Return what the ground bears where the film has sunk in, N; it grows harder the further that is.

        Over a convex edge of radius R the ground bears T/R, which may be fifty times the pressure.
        """
        deep = np.maximum(-distance, 0.0)
        return np.asarray(self.hard * deep * (1.0 + deep / self.sink))

    def _friction(self, points: Floats, normal: Floats, press: Floats) -> tuple[Floats, Floats]:
        """Return the slope that friction adds (n, 3), and which share of the trial force it is (n,)."""
        if self.grip is None:
            return np.zeros_like(points), np.ones(len(points))
        moved = points - self.grip.anchors_mm
        moved = moved - (moved * normal).sum(axis=1, keepdims=True) * normal
        trial = (self.hard / _CREEP)[:, None] * moved * (self.grip.lay & (press > 0))[:, None]
        size = np.linalg.norm(trial, axis=1)
        if np.isinf(self.grip.coefficient):
            return trial, np.ones(len(points))
        most = self.grip.coefficient * press
        share = np.where(size > most, most / np.where(size > 0, size, 1.0), 1.0)
        return trial * share[:, None], share

    def slopes(self, at: _Forces) -> tuple[Floats, Floats]:
        """Return the second slopes of the film over its corners (m, 9, 9), and those of friction at its feet."""
        cloth = self.cloth
        pull = cloth.law.pull(*at.state.stretch.T)
        blocks = stiffness(at.state, pull, cloth.areas_mm2, cloth.gradients, rest=cloth.law.rest)
        stuck = np.zeros((len(at.distance), 3, 3)) if self.grip is None else self._friction_slopes(at)
        return blocks, stuck

    def ground_slopes(self, at: _Forces, aim: Floats, held: Bools) -> tuple[Floats, Floats]:
        """Return the ground's second slopes at the feet (n + e, 3, 3), and its slope at the vertices (n, 3) beyond that now.

        Both are those of the parabola that fits the ground's answer where the last move led (aim, held).
        """
        deep = np.where(held, np.minimum(np.maximum(-aim, 0.0), np.maximum(-at.distance, 0.0)), 0.0)
        stiff = np.where(held, self.hard * (1.0 + 2.0 * deep / self.sink), 0.0)
        # Force at the depth the parabola starts from, followed back to where the foot is now.
        now = self._press(-deep) - stiff * (at.distance + deep)
        change = np.where(held, now, 0.0) - at.press
        force = -self.feet.gathered(change[:, None] * at.normal)
        return stiff[:, None, None] * at.normal[:, :, None] * at.normal[:, None, :], force

    def turn_slopes(self, points: Floats, at: _Forces) -> Floats:
        """Return what the ground's curvature adds to the second slopes at the feet (n + e, 3, 3)."""
        out = np.zeros((len(at.press), 3, 3))
        held = np.flatnonzero(at.press > 0)
        if self.ground is not None and len(held):
            out[held] = -at.press[held, None, None] * self.ground.bend(self.feet.at(points)[held])
        return out

    def _friction_slopes(self, at: _Forces) -> Floats:
        size = np.linalg.norm(at.drag, axis=1)
        way = at.drag / np.where(size > 0, size, 1.0)[:, None]
        slides = (at.slip < 1.0).astype(np.float64)
        plane = np.eye(3) - at.normal[:, :, None] * at.normal[:, None, :]
        plane = plane - slides[:, None, None] * way[:, :, None] * way[:, None, :]
        stiff = self.hard / _CREEP * at.slip * (size > 0)
        return np.asarray(stiff[:, None, None] * plane)

    def wind_slopes(self, points: Floats, at: _Forces) -> Floats:
        """Return the second slopes (m, 9, 9) of the pressure, which turns with the film; made symmetric."""
        p = points[self.cloth.faces]
        side = np.roll(p, -2, axis=1) - np.roll(p, -1, axis=1)
        zero = np.zeros(side.shape[:2])
        x, y, z = side[:, :, 0], side[:, :, 1], side[:, :, 2]
        turn = np.stack([zero, -z, y, z, zero, -x, -y, x, zero], axis=2).reshape(-1, 3, 3, 3)
        # Every corner feels the area vector alike: d(area vector)/d(corner j) = side j x.
        row = turn.transpose(0, 2, 1, 3).reshape(-1, 3, 9) * (at.blown * self.pressure / 6)[:, None, None]
        full = np.tile(row, (1, 3, 1))
        return 0.5 * (full + full.transpose(0, 2, 1))


def settle(
    eq: Equations, points: Floats, *, tolerance: float, most: int, eased: float = _EASE_FIRST, bursts: float = np.inf
) -> Rest:
    """Return where a film comes to rest.

    Parameters
    ----------
    eq : Equations
    points : (n, 3) float array
        The start.
    tolerance : float
        Root of the mean square of the forces left over, as a share of the pressure on a vertex.
    most : int
        Steps after which it is told as not converged.
    eased : float
        How much the first steps are held back.
    bursts : float
        Mean stretch at which it is given up as growing without end.

    Raises
    ------
    SolveError
        If the equations are singular or no step brings the film nearer to rest.

    References
    ----------
    Kelley, Keyes (1998). Convergence analysis of pseudo-transient continuation. SIAM J. Numer. Anal. 35(2): the
    easing of the steps, let go as they succeed.
    """
    ease, own = eased, np.ones(len(points))
    at = eq.act(points)
    left = _left(eq, at)
    steps = 0
    best = (left, points, at)
    while left > tolerance and steps < most and not _burst(eq, at, bursts):
        steps += 1
        move, ease = _newton(eq, points, at, ease, own)
        # Slack film goes far for nothing: each vertex is held to its own cell's size.
        size = np.linalg.norm(move, axis=1, keepdims=True)
        move = move * np.minimum(1.0, _FURTHEST * eq.cell / np.maximum(size, 1e-300))
        before = at
        points, at, share = _search(eq, points, at, move)
        own = _held_back(eq, before, at, own, tolerance)
        left = _left(eq, at)
        best = min(best, (left, points, at), key=lambda one: one[0])
        ease = ease * (_LET_GO if share > 0.9 else 1.0 if share > 0.3 else _HOLD_BACK)
        ease = min(max(ease, _EASE_LEAST), _EASE_MOST)
    burst = left > tolerance and _burst(eq, at, bursts)
    if left > tolerance and eq.cloth.law.rest and not burst:
        left, points, at = best
    grip = None if eq.grip is None else _gripped(eq, points, at, eq.grip)
    n = eq.feet.count
    distance = at.distance[:n] if eq.ground is None else eq.ground.look(points)[0]
    return Rest(points, at.state, distance, at.press[:n], grip, left, steps, left <= tolerance, burst)


def _held_back(eq: Equations, before: _Forces, now: _Forces, own: Floats, tolerance: float) -> Floats:
    """Return how much each vertex (n,) is held back beyond the rest: those that flit from one place to another, more.

    One cell that rides on a sharp edge would else have the whole film go on in small steps.
    """
    was, is_ = (np.linalg.norm(eq.freedom.spread(eq.freedom.gathered(q.slope)), axis=1) for q in (before, now))
    flits = (is_ > _FLITS * was) & (is_ > tolerance * eq.scale) & eq.feet.borne(now.press)
    return np.clip(np.where(flits, _HOLD_BACK, _LET_GO) * own, 1.0, _HELD_MOST)


def _burst(eq: Equations, at: _Forces, mean: float) -> bool:
    """Whether the film is stretched beyond a limit on the mean, as one that hangs free of all and blows up."""
    return bool(np.average(at.state.stretch[:, 0], weights=eq.cloth.areas_mm2) > mean)


def _summed(faces: Ints, values: Floats, count: int) -> Floats:
    """Sum vectors at the triangles' corners (3 m, 3) over the vertices (n, 3)."""
    sums = [np.bincount(faces.ravel(), values[:, k], minlength=count) for k in range(3)]
    return np.stack(sums, axis=1).astype(np.float64)


def _left(eq: Equations, at: _Forces) -> float:
    """Root of the mean square of the forces left over, as a share of the pressure on a vertex.

    The worst few vertices that the ground bears, or whose sides it does, are left out: one in a sharp corner flits from
    wall to wall, one on a sharp edge from side to side, and neither moves anything else.
    """
    slope = eq.freedom.gathered(at.slope)
    if not eq.cloth.law.rest:
        # Where its vertices lie within the surface is nothing to a film without a size: they drift for ever.
        corner = np.repeat(at.state.ways[:, :, 2], 3, axis=0)
        normal = _summed(eq.cloth.faces, corner, len(at.slope))
        normal = normal / np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), 1e-12)
        slope = eq.freedom.gathered((at.slope * normal).sum(axis=1, keepdims=True) * normal)
    each = (eq.freedom.spread(slope) ** 2).sum(axis=1)
    on = np.sort(each[eq.feet.borne(at.press)])[::-1]
    total = float(each.sum() - on[: int(_LEFT_OUT * len(each))].sum())
    return float(np.sqrt(3 * max(total, 0.0) / max(eq.freedom.count, 1)) / eq.scale)


def _newton(eq: Equations, points: Floats, at: _Forces, ease: float, own_ease: Floats) -> tuple[Floats, float]:
    """Return a move (n, 3) that brings the film nearer to rest, and the easing it took, to which each vertex has its own.

    What would sink into the ground on the way is laid on it beforehand, and the move found anew: the forces are
    followed along the straight line to where the ground's tangent planes are met.

    References
    ----------
    Hintermueller, Ito, Kunisch (2002). The primal-dual active set strategy as a semismooth Newton method. SIAM J.
    Optim. 13(3): the active set is taken from where the last move led.
    """
    free, slope = eq.freedom, at.slope
    blocks, stuck = eq.slopes(at)
    turn = eq.turn_slopes(points, at)
    wind = eq.wind_slopes(points, at)
    held = at.distance < 0
    aim = at.distance
    move = np.zeros_like(points)
    for _ in range(_TURNS):
        bare, force = eq.ground_slopes(at, aim, held)
        step = None
        while step is None:
            near = ease < _WINDLESS
            own = bare + stuck + turn if near else bare + stuck
            rows = blocks + wind if near else blocks.copy()
            vertex = eq.feet.add(rows, own) + (ease * eq.mass * own_ease)[:, None, None] * np.eye(3)
            right = free.gathered(slope + force)
            step = _step(free, rows, vertex, right)
            if step is None or right @ step >= 0:
                if ease >= _EASE_MOST:
                    raise SolveError("the film's equations are singular", do="Give the film another mesh.")
                ease, step = min(10 * ease, _EASE_MOST), None
        move = free.spread(step)
        aim = at.distance + (at.normal * eq.feet.at(move)).sum(axis=1)
        now = aim < 0
        if (now != held).sum() <= _FEW * len(held):
            break
        held = now
    return move, ease


def _step(free: Freedom, blocks: Floats, own: Floats, slope: Floats) -> Floats | None:
    """Return the Newton step, or None where there is none."""
    try:
        factors = factorise(free.matrix(blocks, own), single=free.count > 3 * _SINGLE_FROM)
        step = factors.solve(-slope)
    except SolveError:
        return None
    return step if np.isfinite(step).all() else None


def _search(eq: Equations, points: Floats, at: _Forces, move: Floats) -> tuple[Floats, _Forces, float]:
    """Go along a move as far as the film still gives way, and no further than that.

    The slope along the move is all that is asked for: friction has no energy, nor has pressure on a sliding edge.
    """
    first = float((at.slope * move).sum())
    low, best = 0.0, 1.0
    deepest = min(-_DEEPEST * eq.cell, 1.5 * float(at.distance.min()))
    for _ in range(8):
        there = points + best * move
        now = eq.act(there)
        slope = float((now.slope * move).sum())
        if now.distance.min() < deepest or _turned_over(at, now):
            best *= 0.5
            continue
        if slope <= 0.5 * abs(first):
            return there, now, best
        # Regula falsi, kept off the ends.
        guess = low + (best - low) * abs(first) / (abs(first) + slope)
        best = low + min(max((guess - low) / (best - low), 0.1), 0.7) * (best - low)
    there = points + best * move
    return there, eq.act(there), best


def _turned_over(at: _Forces, now: _Forces) -> bool:
    """Whether a step turns a stretched triangle over, so that the air would blow it away from the ground."""
    lean = (at.state.ways[:, :, 2] * now.state.ways[:, :, 2]).sum(axis=1)
    return bool((lean[now.state.stretch[:, 1] > _CRUMPLED] < 0).any())


def _gripped(eq: Equations, points: Floats, at: _Forces, grip: Grip) -> Grip:
    """What friction holds once the film is at rest: springs stay as far drawn as they are."""
    on = at.press > 0
    drawn = at.drag * (_CREEP / eq.hard)[:, None]
    feet = eq.feet.at(points)
    anchors = np.where((on & grip.lay)[:, None], feet - drawn, feet)
    return replace(grip, anchors_mm=anchors, lay=on)

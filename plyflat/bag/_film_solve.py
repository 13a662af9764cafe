"""Where a film comes to rest under pressure on a ground: Newton's method, eased where the film is slack."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.sparse import csc_matrix

from ..cloth._sparse import factorise
from ..errors import SolveError
from ..surface.mesh import Bools, Floats, Ints
from ._film_balance import Equations, Forces, Grip, summed
from ._film_law import State
from ._film_matrix import Freedom

# The easing is in springs of pressure times cell at each vertex.
_EASE_FIRST, _EASE_LEAST, _EASE_MOST = 1.0, 1e-2, 1e6
# It is let go by the first of these where what is left over falls, taken back by no more than the next where it grows, and
# held back by the last where a step had to be cut short.
_LET_GO, _TAKE_BACK, _HOLD_BACK = 0.4, 2.0, 4.0
# With less than so many times the force that may be left over, no step may leave more; where so many in a row would, none
# brings the film nearer to rest.
_NEARLY, _IN_VAIN = 2.0, 8
# A vertex on the ground whose force left over grows this much in a step is held back by itself, up to so many times the rest.
_FLITS, _HELD_MOST = 2.0, 1e3
# Cells a vertex may move in one step, and how far it may sink into the ground: else it comes out at the back.
_FURTHEST = 1.0
_DEEPEST = 0.25
_SINGLE_FROM = 10_000
# A triangle pressed to less than this share of its width lies any way round.
_CRUMPLED = 0.3
# Share of the vertices that are left out.
_LEFT_OUT = 0.005
# How often the vertices that will touch are found anew within one step.
_TURNS = 2
# As long as more than this share of the feet change sides.
_FEW = 2e-3
# Eased less than this, the steps heed what may push as well as pull: the wind and the ground's curvature.
_WINDLESS = 0.5
# How often a step is shortened, and in how many of the first trials what is far from rest is brought to it by itself.
_TRIALS, _MENDED = 8, 1
# What that is: vertices with so many times the force that may be left over, no more than this share of all, and as many
# rings of vertices round them.
_FAR_FROM_REST, _MANY, _RINGS = 5.0, 0.03, 2
# The easing they start with, the least, and how many steps they are given.
_PART_EASE, _PART_LEAST, _PART_STEPS = 0.1, 1e-3, 10
# They are moved where that brings them to rest, or takes this share of what was left over.
_NEARER = 0.3


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
class _Parts:
    """A film in parts that do not touch each other, so that one set of equations solves for all at once.

    Attributes
    ----------
    count : int
    vertex : (n,) int array
        Which part each vertex is of; -1 for those that are of none and stay.
    face : (m,) int array
        The same for triangles.
    foot : (n + e,) int array
        The same for feet.
    """

    count: int
    vertex: Ints
    face: Ints
    foot: Ints

    @classmethod
    def of(cls, eq: Equations, vertex: Ints) -> _Parts:
        """Return the parts of a film whose vertices are of these (n,)."""
        foot = np.concatenate([vertex, vertex[eq.feet.ends].max(axis=1)])
        return cls(int(vertex.max()) + 1, vertex, vertex[eq.cloth.faces].max(axis=1), foot)

    def summed(self, values: Floats) -> Floats:
        """Return the sums (count,) of values at the vertices (n,)."""
        on = self.vertex >= 0
        return np.bincount(self.vertex[on], values[on], minlength=self.count).astype(np.float64)

    def at_vertices(self, values: Floats, *, other: float) -> Floats:
        """Return a value of each part (count,) at its vertices (n,), and another at those of none."""
        return np.where(self.vertex >= 0, values[self.vertex], other)

    def of_chosen(self, chosen: Bools) -> Bools:
        """Return which vertices (n,) are of chosen parts (count,)."""
        return (self.vertex >= 0) & chosen[self.vertex]

    def have(self, where: Ints, found: Bools) -> Bools:
        """Return which parts (count,) have one that is found (k,) among what is of parts `where` (k,)."""
        mine = where[found]
        out = np.zeros(self.count, dtype=bool)
        out[mine[mine >= 0]] = True
        return out


def settle(
    eq: Equations, points: Floats, *, tolerance: float, most: int, eased: float = _EASE_FIRST,
    bursts: float = np.inf, mends: bool = True,
) -> Rest:  # fmt: skip
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
    mends : bool
        Whether what is far from rest after a step is brought to it by itself.

    Raises
    ------
    SolveError
        If the equations are singular or no step brings the film nearer to rest.

    Notes
    -----
    A few vertices that slide over a sharp edge, or into a corner, are far from rest after a step that does the others
    good. They are brought to rest by themselves, all others kept where they are, before the step is judged: else the
    whole film would go on in small steps.

    References
    ----------
    Kelley, Keyes (1998). Convergence analysis of pseudo-transient continuation. SIAM J. Numer. Anal. 35(2): the
    easing of the steps, let go as what is left over falls.
    Lanzkron, Rose, Wilkes (1996). An analysis of approximate nonlinear elimination. SIAM J. Sci. Comput. 17(2): Newton's
    method for the rest once some of the unknowns are made to fulfil their own equations.
    """
    n = len(points)
    ease, own, whole = np.array([eased]), np.ones(n), _Parts.of(eq, np.zeros(n, dtype=np.int64))
    at = eq.act(points)
    left = _left(eq, at)
    steps = in_vain = 0
    best = (left, points, at)

    def mended(there: Floats, now: Forces, spoilt: Bools) -> tuple[Floats, Forces]:
        """Bring what is spoilt or far from rest to rest by itself; the rest stays where it is."""
        far = _far_from_rest(eq, now, tolerance) | spoilt
        return _relaxed(eq, there, far, tolerance) if far.any() else (there, now)

    # A film without a size of its own flows: no part of it has a rest while the others stay.
    mend = mended if mends and eq.cloth.law.rest else None
    while left > tolerance and steps < most and in_vain < _IN_VAIN and not _burst(eq, at, bursts):
        steps += 1
        move, ease = _newton(eq, points, at, ease, own, whole)
        there, now, share = _search(eq, points, at, _held_in(eq, move), whole, mend)
        own = _held_back(eq, at, now, own, tolerance)
        was, left = left, _left(eq, now)
        if left > was and was < _NEARLY * tolerance:
            # So near to rest limp film would creep away again: the step is taken back.
            left, ease, in_vain = was, np.minimum(_HOLD_BACK * ease, _EASE_MOST), in_vain + 1
            continue
        points, at, in_vain = there, now, 0
        best = min(best, (left, points, at), key=lambda one: one[0])
        ease = np.clip(ease * _let_go(share, left / was), _EASE_LEAST, _EASE_MOST)
    burst = left > tolerance and _burst(eq, at, bursts)
    if left > tolerance and eq.cloth.law.rest and not burst:
        left, points, at = best
    distance = at.distance[:n] if eq.ground is None else eq.ground.look(points)[0]
    grip = eq.gripped(points, at)
    return Rest(points, at.state, distance, at.press[:n], grip, left, steps, left <= tolerance, burst)


def _let_go(share: Floats, left: Floats | float) -> Floats:
    """Return by what the easing of each part (count,) changes after a step of these shares, and these forces over those before."""
    eager = np.where(np.asarray(left) <= 1.0, _LET_GO, np.minimum(left, _TAKE_BACK))
    return np.where(share > 0.9, eager, np.where(share > 0.3, 1.0, _HOLD_BACK))


def _held_in(eq: Equations, move: Floats) -> Floats:
    """Return a move (n, 3) with each vertex held to its own cell's size: slack film goes far for nothing."""
    size = np.linalg.norm(move, axis=1, keepdims=True)
    return np.asarray(move * np.minimum(1.0, _FURTHEST * eq.cell / np.maximum(size, 1e-300)))


def _each(eq: Equations, at: Forces) -> Floats:
    """Return the force left over at each vertex (n,), none where it is held."""
    return np.asarray(np.linalg.norm(eq.freedom.spread(eq.freedom.gathered(at.slope)), axis=1))


def _far_from_rest(eq: Equations, at: Forces, tolerance: float) -> Bools:
    """Return which vertices (n,) are far from rest: only the worst where there are many."""
    force, least = _each(eq, at), _FAR_FROM_REST * tolerance * eq.scale
    most = int(_MANY * len(force))
    if (force > least).sum() > most:
        least = max(least, np.sort(force)[-1 - most])
    return np.asarray(force > least)


def _relaxed(eq: Equations, points: Floats, far: Bools, tolerance: float) -> tuple[Floats, Forces]:
    """Bring some vertices (n,) and those round them to rest while all others stay; return where all lie then.

    Those that come no nearer to it than `_NEARER` stay where they were, since those round them would suffer for nothing.
    """
    for _ in range(_RINGS):
        far = _with_ring(eq, far)
    start, points = points, points.copy()
    began, ended = np.full((2, len(points)), np.inf)
    steps = 0
    while far.any() and steps < _PART_STEPS:
        part, vertices = eq.part(points, far)
        parts = _Parts.of(part, _labels(part, far[vertices]))
        points[vertices], first, left, steps = _settled(part, points[vertices], parts, tolerance, steps)
        began[vertices] = np.minimum(began[vertices], parts.at_vertices(first, other=np.inf))
        ended[vertices] = parts.at_vertices(left, other=np.inf)
        # Those that are at rest are left out of the steps that the others still want.
        far = np.zeros(len(far), dtype=bool)
        far[vertices[parts.of_chosen(left > tolerance)]] = True
    lost = far & (ended > _NEARER * began)
    points[lost] = start[lost]
    return points, eq.act(points)


def _with_ring(eq: Equations, some: Bools) -> Bools:
    """Return some vertices (n,) and those beside them."""
    out = some.copy()
    out[eq.cloth.faces[some[eq.cloth.faces].any(axis=1)].ravel()] = True
    return out


def _labels(eq: Equations, active: Bools) -> Ints:
    """Return which part each vertex (n,) is of if only the active ones move, -1 for the others."""
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components

    n = len(active)
    a, b = eq.feet.ends[active[eq.feet.ends].all(axis=1)].T
    label = connected_components(coo_matrix((np.ones(len(a)), (a, b)), (n, n)), directed=False)[1]
    out = np.full(n, -1)
    out[active] = np.unique(label[active], return_inverse=True)[1]
    return out


def _settled(
    eq: Equations, points: Floats, parts: _Parts, tolerance: float, steps: int
) -> tuple[Floats, Floats, Floats, int]:
    """Bring parts to rest until half of what moves is, or there have been too many steps.

    Returns
    -------
    (n, 3) float array
        Where the vertices lie, each part where least was left over.
    (count,) float array
        What was left over of each part before.
    (count,) float array
        And what is left then.
    int
        How many steps there have been.
    """
    size = parts.summed(np.ones(len(points)))

    def left_over(at: Forces) -> Floats:
        """The root mean square of what is out of balance in each part, as a share of the scale."""
        return np.asarray(np.sqrt(parts.summed(_each(eq, at) ** 2) / size) / eq.scale)

    at, ease = eq.act(points), np.full(parts.count, _PART_EASE)
    first = left = left_over(at)
    best, kept, own = left, points.copy(), np.ones(len(points))
    while steps < _PART_STEPS and size[best > tolerance].sum() > 0.5 * size.sum():
        steps += 1
        move, ease = _newton(eq, points, at, ease, own, parts)
        points, at, share = _search(eq, points, at, _held_in(eq, move), parts)
        left = left_over(at)
        better = parts.of_chosen(left < best)
        best, kept[better] = np.minimum(best, left), points[better]
        ease = np.clip(ease * _let_go(share, 1.0), _PART_LEAST, _EASE_MOST)
    return kept, first, best, steps


def _held_back(eq: Equations, before: Forces, now: Forces, own: Floats, tolerance: float) -> Floats:
    """Return how much each vertex (n,) is held back beyond the rest: those that flit from one place to another, more.

    One cell that rides on a sharp edge would else have the whole film go on in small steps.
    """
    was, is_ = _each(eq, before), _each(eq, now)
    flits = (is_ > _FLITS * was) & (is_ > tolerance * eq.scale) & eq.feet.borne(now.press > 0)
    return np.clip(np.where(flits, _HOLD_BACK, _LET_GO) * own, 1.0, _HELD_MOST)


def _burst(eq: Equations, at: Forces, mean: float) -> bool:
    """Whether the film is stretched beyond a limit on the mean, as one that hangs free of all and blows up."""
    return bool(np.average(at.state.stretch[:, 0], weights=eq.cloth.areas_mm2) > mean)


def _left(eq: Equations, at: Forces) -> float:
    """Root of the mean square of the forces left over, as a share of the pressure on a vertex.

    The worst few vertices that the ground bears, or whose sides it does, are left out: one in a sharp corner flits from
    wall to wall, one on a sharp edge from side to side, and neither moves anything else.
    """
    slope = eq.freedom.gathered(at.slope)
    if not eq.cloth.law.rest:
        # Where its vertices lie within the surface is nothing to a film without a size: they drift for ever.
        corner = np.repeat(at.state.ways[:, :, 2], 3, axis=0)
        normal = summed(eq.cloth.faces, corner, len(at.slope))
        normal = normal / np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), 1e-12)
        slope = eq.freedom.gathered((at.slope * normal).sum(axis=1, keepdims=True) * normal)
    each = (eq.freedom.spread(slope) ** 2).sum(axis=1)
    on = np.sort(each[eq.feet.borne(at.press > 0)])[::-1]
    total = float(each.sum() - on[: int(_LEFT_OUT * len(each))].sum())
    return float(np.sqrt(3 * max(total, 0.0) / max(eq.freedom.count, 1)) / eq.scale)


def _newton(
    eq: Equations, points: Floats, at: Forces, ease: Floats, own_ease: Floats, parts: _Parts
) -> tuple[Floats, Floats]:
    """Return a move (n, 3) that brings the parts nearer to rest, and the easing they took, to which each vertex has its own.

    What would sink into the ground on the way is laid on it beforehand, and the move found anew: the forces are
    followed along the straight line to where the ground's tangent planes are met.

    References
    ----------
    Hintermueller, Ito, Kunisch (2002). The primal-dual active set strategy as a semismooth Newton method. SIAM J.
    Optim. 13(3): the active set is taken from where the last move led.
    """
    free, n = eq.freedom, len(points)
    blocks, stuck = eq.slopes(at)
    turn = eq.turn_slopes(at)
    wind = eq.wind_slopes(points, at)
    held = at.distance < 0
    aim = at.distance
    move = np.zeros_like(points)
    for _ in range(_TURNS):
        bare, force = eq.ground_slopes(at, aim, held)
        wrong = np.ones(parts.count, dtype=bool)
        while wrong.any():
            near = ease < _WINDLESS
            feet = bare + stuck + _where(near, parts.foot, turn)
            spring = (parts.at_vertices(ease, other=1.0) * eq.mass * own_ease)[:, None, None] * np.eye(3)
            matrix = free.matrix(blocks + _where(near, parts.face, wind), feet[:n] + spring, feet[n:])
            step = _step(free, matrix, free.gathered(at.slope + force))
            if step is None:
                wrong[:] = True
            else:
                move = free.spread(step)
                wrong = parts.summed(((at.slope + force) * move).sum(axis=1)) >= 0
                # A part at rest has nowhere to go.
                wrong &= parts.summed((move**2).sum(axis=1)) > 0
            if (wrong & (ease >= _EASE_MOST)).any():
                raise SolveError("the film's equations are singular", do="Give the film another mesh.")
            ease = np.where(wrong, np.minimum(10 * ease, _EASE_MOST), ease)
        aim = at.distance + (at.normal * eq.feet.at(move)).sum(axis=1)
        now = aim < 0
        if (now != held).sum() <= _FEW * len(held):
            break
        held = now
    return move, ease


def _where(chosen: Bools, part: Ints, values: Floats) -> Floats | float:
    """Return values (k, ...) of things that are of chosen parts (count,), nought for the others."""
    if chosen.all():
        return values
    if not chosen.any():
        return 0.0
    return np.asarray(values * (chosen[part] & (part >= 0)).reshape(-1, *(1,) * (values.ndim - 1)))


def _step(free: Freedom, matrix: csc_matrix, slope: Floats) -> Floats | None:
    """Return the Newton step, or None where there is none."""
    try:
        step = factorise(matrix, single=free.count > 3 * _SINGLE_FROM).solve(-slope)
    except SolveError:
        return None
    return step if np.isfinite(step).all() else None


def _search(
    eq: Equations, points: Floats, at: Forces, move: Floats, parts: _Parts,
    mend: Callable[[Floats, Forces, Bools], tuple[Floats, Forces]] | None = None,
) -> tuple[Floats, Forces, Floats]:  # fmt: skip
    """Go along a move as far as each part still gives way, and no further than that; return the share of it (count,) too.

    The slope along the move is all that is asked for: friction has no energy, nor has pressure on a sliding edge.
    Where the first trial goes too far, `mend` may bring what is spoilt (n,) to rest by itself.
    """

    def along(now: Forces) -> Floats:
        """The slope along the move, in each part."""
        return parts.summed((now.slope * move).sum(axis=1))

    first = np.abs(along(at))
    deepest = np.full(parts.count + 1, -_DEEPEST * eq.cell)
    np.minimum.at(deepest, parts.foot, 1.5 * at.distance)
    best = np.ones(parts.count)
    for trial in range(_TRIALS + 1):
        there = points + parts.at_vertices(best, other=0.0)[:, None] * move
        now = eq.act(there)
        deep, over = now.distance < deepest[parts.foot], _turned_over(at, now)
        if mend is not None and trial < _MENDED:
            spoilt = eq.feet.borne(deep)
            spoilt[eq.cloth.faces[over].ravel()] = True
            there, now = mend(there, now, spoilt)
            deep, over = now.distance < deepest[parts.foot], _turned_over(at, now)
        spoils = parts.have(parts.foot, deep) | parts.have(parts.face, over)
        slope = along(now)
        fine = ~spoils & (slope <= 0.5 * first)
        if fine.all() or trial == _TRIALS:
            break
        # Regula falsi, kept off the ends.
        guess = first / np.maximum(first + slope, 1e-300)
        best = np.where(fine, best, best * np.where(spoils, 0.5, np.clip(guess, 0.1, 0.7)))
    return there, now, best


def _turned_over(at: Forces, now: Forces) -> Bools:
    """Return which triangles (m,) a step turns over while stretched, so that the air would blow them away from the ground."""
    lean = (at.state.ways[:, :, 2] * now.state.ways[:, :, 2]).sum(axis=1)
    return np.asarray((now.state.stretch[:, 1] > _CRUMPLED) & (lean < 0))

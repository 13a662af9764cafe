"""The balance of a film under pressure on a ground: what acts on it where it lies, and how that changes as it moves."""

from __future__ import annotations

from copy import copy
from dataclasses import dataclass, replace

import numpy as np

from ..surface._topology import mesh_edges
from ..surface.mesh import Bools, Floats, Ints
from ._film_ground import Ground
from ._film_law import Law, State, forces, stiffness, stretched
from ._film_matrix import Freedom

# How far a film sinks into the ground at full pressure, as a share of its cells: enough to make contact gradual.
_SINK = 0.004
# Friction gives this share of that before it slides.
_CREEP = 0.5
# A triangle that leans this far over (cosine) is not pressed any more.
_FOLDED = 0.3
# Cells off the ground from which a foot cannot come down to it in one step.
_CLOSE = 3.0
_NOWHERE = 1e9  # mm; how far off a ground is that is not there


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
    ends : (e, 2) int array
        Of the sides.
    of_face : (m, 3) int array
        Side i of a triangle joins its corners i and i + 1.
    shares_mm2 : (n + e,) float array
        Of the film's area at rest, first those of the vertices.
    """

    def __init__(self, cloth: Cloth, count: int) -> None:
        edges = mesh_edges(cloth.faces, count)
        self.count, self.ends, self.of_face = count, edges.ends, edges.of_face
        third = np.repeat(cloth.areas_mm2 / 3, 3)
        vertex = np.bincount(cloth.faces.ravel(), third, minlength=count)
        side = np.bincount(edges.of_face.ravel(), third, minlength=len(edges.ends))
        self.shares_mm2 = np.concatenate([0.5 * vertex, 0.5 * side])

    def at(self, points: Floats) -> Floats:
        """Return the feet (n + e, 3) of a film whose vertices are (n, 3)."""
        return np.vstack([points, 0.5 * (points[self.ends[:, 0]] + points[self.ends[:, 1]])])

    def gathered(self, values: Floats) -> Floats:
        """Return forces on the feet (n + e, 3) as forces on the vertices (n, 3)."""
        out, side = values[: self.count].copy(), 0.5 * values[self.count :]
        for k in range(3):
            for end in range(2):
                out[:, k] += np.bincount(self.ends[:, end], side[:, k], minlength=self.count)
        return out

    def borne(self, feet: Bools) -> Bools:
        """Return which vertices (n,) have a foot among some (n + e,), of their own or of a side of theirs."""
        out = feet[: self.count].copy()
        out[self.ends[feet[self.count :]].ravel()] = True
        return out


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
class Forces:
    """All that acts on a film in one place."""

    slope: Floats
    state: State
    distance: Floats
    normal: Floats
    place: Ints
    press: Floats
    drag: Floats
    slip: Floats
    blown: Floats


def summed(faces: Ints, values: Floats, count: int) -> Floats:
    """Sum vectors at the triangles' corners (3 m, 3) over the vertices (n, 3)."""
    sums = [np.bincount(faces.ravel(), values[:, k], minlength=count) for k in range(3)]
    return np.stack(sums, axis=1).astype(np.float64)


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
        self._seen: tuple[Floats, Floats, Floats, Ints] | None = None
        n = feet.count
        self.share = np.bincount(cloth.faces.ravel(), np.repeat(cloth.areas_mm2 / 3, 3), minlength=n)
        self.cell = float(np.sqrt(4 / np.sqrt(3) * np.mean(cloth.areas_mm2)))
        self.sink = _SINK * self.cell
        self.hard = feet.shares_mm2 * full / self.sink
        self.scale = float(np.sqrt(np.mean((pressure * self.share) ** 2)))
        self.mass = np.maximum(full * self.cell, 1e-12)

    def part(self, points: Floats, active: Bools) -> tuple[Equations, Ints]:
        """Return the balance of some vertices while all others stay, and all those that have to do with it.

        Parameters
        ----------
        points : (n, 3) float array
        active : (n,) bool array
            Which may move.

        Returns
        -------
        Equations
        (k,) int array
            The active vertices and those beside them, in the order in which the part has them.
        """
        faces = np.flatnonzero(active[self.cloth.faces].any(axis=1))
        vertices, own = np.unique(self.cloth.faces[faces], return_inverse=True)
        own = own.reshape(-1, 3)
        whole, out = self.cloth, copy(self)
        out.cloth = Cloth(own, whole.gradients[faces], whole.areas_mm2[faces], whole.law.of(faces))
        out.feet = Feet(out.cloth, len(vertices))
        out.freedom = self.freedom.part(points[vertices], own, vertices, active[vertices])
        side = np.empty(len(out.feet.ends), dtype=np.int64)
        side[out.feet.of_face] = self.feet.of_face[faces]
        feet = np.concatenate([vertices, self.feet.count + side])
        # What is outside bears its share of the feet on the border.
        out.share, out.hard = self.share[vertices], self.hard[feet]
        if self._seen is not None:
            where, distance, normal, place = self._seen
            out._seen = where[feet], distance[feet], normal[feet], place[feet]
        if self.grip is not None:
            grip = self.grip
            out.grip = replace(grip, anchors_mm=grip.anchors_mm[feet], lay=grip.lay[feet])
        return out, vertices

    def act(self, points: Floats) -> Forces:
        """Return what acts on the film where its vertices are (n, 3)."""
        cloth, n = self.cloth, len(points)
        state = stretched(points, cloth.faces, cloth.gradients)
        pull = cloth.law.pull(*state.stretch.T)
        corner = forces(state, pull, cloth.areas_mm2, cloth.gradients)
        feet = self.feet.at(points)
        distance, normal, place = self._look(feet)
        p = points[cloth.faces]
        blown = self._blown(state, normal)
        wind = np.cross(p[:, 1] - p[:, 0], p[:, 2] - p[:, 0]) * (blown * self.pressure / 6)[:, None]
        # The air pushes against the triangles' normals.
        corner = corner + wind[:, None, :]
        slope = summed(cloth.faces, corner.reshape(-1, 3), n)
        press = self._press(distance)
        drag, slip = self._friction(feet, normal, press)
        slope = slope + self.feet.gathered(drag - press[:, None] * normal)
        return Forces(slope, state, distance, normal, place, press, drag, slip, blown)

    def _blown(self, state: State, normal: Floats) -> Floats:
        """Return the share (m,) of the pressure on each triangle: none where it is folded over, between two others."""
        if self.ground is None:
            return np.ones(len(self.cloth.faces))
        out = normal[self.cloth.faces].mean(axis=1)
        return np.clip(1.0 + (state.ways[:, :, 2] * out).sum(axis=1) / _FOLDED, 0.0, 1.0)

    def _look(self, feet: Floats) -> tuple[Floats, Floats, Ints]:
        """Return how far the feet are off the ground, its normals and places; of those far off, no more than must be known."""
        if self.ground is None:
            return np.full(len(feet), _NOWHERE), np.zeros_like(feet), np.zeros(len(feet), dtype=np.int64)
        if self._seen is None:
            self._seen = (feet.copy(), *self.ground.find(feet))
        where, distance, normal, place = self._seen
        least = distance - np.linalg.norm(feet - where, axis=1)
        near = np.flatnonzero((least < _CLOSE * self.cell) & (least < distance))
        where[near] = feet[near]
        distance[near], normal[near], place[near] = self.ground.find(feet[near])
        least[near] = distance[near]
        return least, normal.copy(), place.copy()

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

    def slopes(self, at: Forces) -> tuple[Floats, Floats]:
        """Return the second slopes of the film over its corners (m, 9, 9), and those of friction at its feet."""
        cloth = self.cloth
        pull = cloth.law.pull(*at.state.stretch.T)
        blocks = stiffness(at.state, pull, cloth.areas_mm2, cloth.gradients, rest=cloth.law.rest)
        stuck = np.zeros((len(at.distance), 3, 3)) if self.grip is None else self._friction_slopes(at)
        return blocks, stuck

    def ground_slopes(self, at: Forces, aim: Floats, held: Bools) -> tuple[Floats, Floats]:
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

    def turn_slopes(self, at: Forces) -> Floats:
        """Return what the ground's curvature adds to the second slopes at the feet (n + e, 3, 3)."""
        out = np.zeros((len(at.press), 3, 3))
        held = np.flatnonzero(at.press > 0)
        if self.ground is not None and len(held):
            out[held] = -at.press[held, None, None] * self.ground.bend(
                at.distance[held], at.normal[held], at.place[held]
            )
        return out

    def _friction_slopes(self, at: Forces) -> Floats:
        size = np.linalg.norm(at.drag, axis=1)
        way = at.drag / np.where(size > 0, size, 1.0)[:, None]
        slides = (at.slip < 1.0).astype(np.float64)
        plane = np.eye(3) - at.normal[:, :, None] * at.normal[:, None, :]
        plane = plane - slides[:, None, None] * way[:, :, None] * way[:, None, :]
        stiff = self.hard / _CREEP * at.slip * (size > 0)
        return np.asarray(stiff[:, None, None] * plane)

    def wind_slopes(self, points: Floats, at: Forces) -> Floats:
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

    def gripped(self, points: Floats, at: Forces) -> Grip | None:
        """Return what friction holds once the film is at rest: springs stay as far drawn as they are."""
        grip = self.grip
        if grip is None:
            return None
        on = at.press > 0
        drawn = at.drag * (_CREEP / self.hard)[:, None]
        feet = self.feet.at(points)
        anchors = np.where((on & grip.lay)[:, None], feet - drawn, feet)
        return replace(grip, anchors_mm=anchors, lay=on)

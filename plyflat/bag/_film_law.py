"""How a thin film without any stiffness in bending carries tension, and none in compression."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np

from ..surface.mesh import Bools, Floats, Ints

_TINY = 1e-12


@dataclass(frozen=True, eq=False)
class Pull:
    """Slopes of the energy per rest area by the two stretches, the larger stretch first; N/mm.

    Attributes
    ----------
    first, second : (m,) float array
        dW/dl1 and dW/dl2: forces per rest width.
    d11, d12, d22 : (m,) float array
        The second slopes.
    """

    first: Floats
    second: Floats
    d11: Floats
    d12: Floats
    d22: Floats


class Law(Protocol):
    """What a film does when it is stretched."""

    @property
    def rest(self) -> bool:
        """Whether the film has a size of its own, as a soap film has not."""

    def pull(self, first: Floats, second: Floats) -> Pull:
        """Return the slopes of the energy for stretches (m,) each, the larger first."""

    def of(self, faces: Ints) -> Law:
        """Return the law of some of the film's triangles."""


@dataclass(frozen=True)
class Elastic:
    """A film that is linear in its stretches up to its yield, draws beyond it, and goes slack or wrinkles where pressed.

    Attributes
    ----------
    stiffness_n_per_mm : float
        Modulus times thickness.
    poisson : float
    least_n_per_mm : float or (m,) float array
        What it still carries across wrinkles and where it is slack, so that its mesh does not crumple at the size of
        its cells: a small share of pressure times cell.
    yield_n_per_mm : float
        Tension per first width at which it draws; infinite for a film that never does.
    hardening_n_per_mm : float
        How much more it takes per stretch drawn, beyond the yield.

    Notes
    -----
    Drawing is told by the stretch alone (deformation theory): the energy is the least, over what is drawn (d1, d2, none
    below nought), of the elastic energy of the rest plus Y (d1 + d2) + H (d1^2 + d2^2) / 2. Each principal tension has
    its own limit (Rankine); one drawn way does not narrow the other. Being the least over a sum of convex functions it
    is convex itself, so that every mesh has a rest and its second slopes are never negative. A film whose pull only
    ever rises draws the same way step by step; one that is let go again would keep its draw, which this does not follow.

    Tension counts per width as cut, as a tensile test tells it: the film thins as it draws, and the same force pulls on
    what was the same width. A cap per width as it lies would have a film twice as wide, and half as thick, pull twice
    as hard the other way.

    References
    ----------
    Pipkin, A. C. (1986). The relaxed energy density for isotropic elastic membranes. IMA J. Appl. Math. 36, 85-99:
    the energy of a wrinkled film is that of uniaxial tension, and no tension is ever negative.
    Hencky, H. (1924). Zur Theorie plastischer Deformationen. ZAMM 4, 323-334: plastic strain as a function of the
    stress that is there.
    """

    stiffness_n_per_mm: float
    poisson: float
    least_n_per_mm: float | Floats = 0.0
    yield_n_per_mm: float = np.inf
    hardening_n_per_mm: float = 0.0

    @property
    def rest(self) -> bool:
        """Yes."""
        return True

    def of(self, faces: Ints) -> Elastic:
        """Return the law of some of the film's triangles."""
        least = self.least_n_per_mm
        return self if np.ndim(least) == 0 else replace(self, least_n_per_mm=np.asarray(least)[faces])

    def pull(self, first: Floats, second: Floats) -> Pull:
        """Return the slopes of the energy for stretches (m,) each, the larger first."""
        e1, e2, nu, least = first - 1.0, second - 1.0, self.poisson, self.least_n_per_mm
        stiff = self.stiffness_n_per_mm
        k = stiff / (1.0 - nu * nu)
        # Tight both ways, perhaps drawn along; then E e2 + nu t1 is k (e2 + nu times what is not drawn).
        t1, give = self._drawn(k * (e1 + nu * e2), k)
        across = stiff * e2 + nu * t1
        biaxial = across > least * second
        t2 = np.where(biaxial, across, least * second)
        # Wrinkled: pulled one way.
        lone, slope = self._drawn(stiff * e1 + nu * t2, stiff)
        along = np.where(biaxial, t1, lone)
        tight = along > least * first
        d11 = np.where(biaxial, k * give, stiff * slope)
        d12, d22 = k * nu * give, k - k * nu * nu * (1.0 - give)
        out = Pull(
            np.where(tight, along, least * first),
            t2,
            np.where(tight, d11, least),
            np.where(biaxial & tight, d12, 0.0),
            np.where(biaxial, d22, least),
        )
        return self._both(out, e1, e2, biaxial & (across > self.yield_n_per_mm))

    def _drawn(self, trial: Floats, stiff: float) -> tuple[Floats, Floats]:
        """Return the tension (m,) where the elastic one is `trial`, and its slope as a share of the elastic one's."""
        if np.isinf(self.yield_n_per_mm):
            return trial, np.ones_like(trial)
        share = self.hardening_n_per_mm / (stiff + self.hardening_n_per_mm)
        over = trial - self.yield_n_per_mm
        return np.where(over > 0, self.yield_n_per_mm + share * over, trial), np.where(over > 0, share, 1.0)

    def _both(self, one: Pull, e1: Floats, e2: Floats, where: Bools) -> Pull:
        """Put in what is drawn both ways: the mean and the difference of the tensions go each by themselves."""
        if not where.any():
            return one
        h, y = self.hardening_n_per_mm, self.yield_n_per_mm
        plus, minus = (
            self.stiffness_n_per_mm / (1 - self.poisson),
            self.stiffness_n_per_mm / (1 + self.poisson),
        )
        mean = y + h / (plus + h) * (0.5 * plus * (e1 + e2) - y)
        half = 0.5 * h * minus / (minus + h) * (e1 - e2)
        a, b = h * plus / (plus + h), h * minus / (minus + h)
        return Pull(
            np.where(where, mean + half, one.first),
            np.where(where, mean - half, one.second),
            np.where(where, 0.5 * (a + b), one.d11),
            np.where(where, 0.5 * (a - b), one.d12),
            np.where(where, 0.5 * (a + b), one.d22),
        )


@dataclass(frozen=True)
class Constant:
    """A film whose tension is the same everywhere and every way, as one that draws without hardening.

    Attributes
    ----------
    tension_n_per_mm : float
    """

    tension_n_per_mm: float

    @property
    def rest(self) -> bool:
        """No: how it was cut does not matter."""
        return False

    def of(self, faces: Ints) -> Constant:
        """Return the law of some of the film's triangles: the same."""
        return self

    def pull(self, first: Floats, second: Floats) -> Pull:
        """Return the slopes of T l1 l2; the second slopes are those of a spring that never pushes.

        The true ones are indefinite within the surface, where the film flows. Those of T (l1^2 + l2^2) / 2 over the
        film as it lies bound the energy from above and touch it there.
        """
        t = self.tension_n_per_mm
        spring = np.full_like(first, t)
        return Pull(t * second, t * first, spring, np.zeros_like(first), spring)


@dataclass(frozen=True)
class Spring:
    """A film that would shrink to a point: what draws a sheet taut, its triangles kept in shape.

    Attributes
    ----------
    tension_n_per_mm : float
        At a stretch of 1.
    """

    tension_n_per_mm: float

    @property
    def rest(self) -> bool:
        """Yes."""
        return True

    def of(self, faces: Ints) -> Spring:
        """Return the law of some of the film's triangles: the same."""
        return self

    def pull(self, first: Floats, second: Floats) -> Pull:
        """Return the slopes of T (l1^2 + l2^2) / 2 for stretches (m,) each."""
        t = self.tension_n_per_mm
        spring = np.full_like(first, t)
        return Pull(t * first, t * second, spring, np.zeros_like(first), spring)


@dataclass(frozen=True, eq=False)
class State:
    """How each triangle is stretched.

    Attributes
    ----------
    stretch : (m, 2) float array
        The larger first.
    own : (m, 2, 2) float array
        Directions in the rest plane; ``own[:, :, i]`` goes with stretch i.
    ways : (m, 3, 3) float array
        ``ways[:, :, i]``: where they point now, and the normal.
    """

    stretch: Floats
    own: Floats
    ways: Floats


def stretched(points: Floats, faces: Ints, gradients: Floats) -> State:
    """Return how the triangles of a film are stretched.

    Parameters
    ----------
    points : (n, 3) float array
    faces : (m, 3) int array
    gradients : (m, 3, 2) float array
        Of the shape functions over the rest plane, 1/mm.
    """
    f = np.matmul(points[faces].transpose(0, 2, 1), gradients)
    a, c = (f[:, :, 0] ** 2).sum(axis=1), (f[:, :, 1] ** 2).sum(axis=1)
    b = (f[:, :, 0] * f[:, :, 1]).sum(axis=1)
    half, root = 0.5 * (a + c), np.hypot(0.5 * (a - c), b)
    area = np.cross(f[:, :, 0], f[:, :, 1])
    size = np.linalg.norm(area, axis=1)
    l1 = np.sqrt(half + root)
    # The product of the stretches is the ratio of the areas: no digits are lost by it.
    l2 = size / np.maximum(l1, _TINY)
    turn = 0.5 * np.arctan2(2 * b, a - c)
    cos, sin = np.cos(turn), np.sin(turn)
    own = np.stack([np.stack([cos, sin], axis=1), np.stack([-sin, cos], axis=1)], axis=2)
    n1 = _unit((f @ own[:, :, :1])[:, :, 0], np.array([1.0, 0.0, 0.0]))
    n3 = _unit(area, _square_to(n1))
    # A triangle pressed into a line has no plane of its own; any one through the line does.
    n3 = _unit(n3 - (n3 * n1).sum(axis=1, keepdims=True) * n1, _square_to(n1))
    ways = np.stack([n1, np.cross(n3, n1), n3], axis=2)
    return State(np.stack([l1, l2], axis=1), own, ways)


def _unit(v: Floats, other: Floats) -> Floats:
    size = np.linalg.norm(v, axis=1, keepdims=True)
    return np.where(size > _TINY, v / np.maximum(size, _TINY), other)


def _square_to(v: Floats) -> Floats:
    """Some unit vector square to each of some unit vectors (m, 3)."""
    least = np.abs(v).argmin(axis=1)
    axis = np.eye(3)[least]
    out = np.cross(v, axis)
    return out / np.linalg.norm(out, axis=1, keepdims=True)


def forces(state: State, pull: Pull, areas: Floats, gradients: Floats) -> Floats:
    """Return the slope of the energy by each corner, (m, 3, 3): corner, then direction; N."""
    n, own = state.ways, state.own
    first = np.matmul(gradients, own[:, :, :1]) * n[:, None, :, 0] * pull.first[:, None, None]
    second = np.matmul(gradients, own[:, :, 1:]) * n[:, None, :, 1] * pull.second[:, None, None]
    return areas[:, None, None] * (first + second)


def stiffness(state: State, pull: Pull, areas: Floats, gradients: Floats, *, rest: bool) -> Floats:
    """Return the second slopes of the energy by the corners, (m, 9, 9), none of them negative; N/mm.

    For the relaxed law these are exact: no tension being negative, every mode's own value is none either.

    References
    ----------
    Smith, de Goes, Kim (2019). Analytic eigensystems for isotropic distortion energies. ACM Trans. Graph. 38(1):
    the modes of an isotropic energy are the scalings, the twists and the flips; section 4.1, here with those out of
    the plane, whose values are tension over stretch.
    """
    if not rest:
        return _spring(state, pull, areas, gradients)
    l1, l2 = np.maximum(state.stretch.T, _TINY)
    split = l1 - l2
    apart = split > 1e-6
    shear = np.where(
        apart, (pull.first - pull.second) / np.where(apart, split, 1.0), np.maximum(pull.d11 - pull.d12, 0.0)
    )
    spin = (pull.first + pull.second) / (l1 + l2)
    # The two scalings hang together; their own vectors take them apart.
    mean, half = 0.5 * (pull.d11 + pull.d22), 0.5 * (pull.d11 - pull.d22)
    root = np.hypot(half, pull.d12)
    angle = 0.5 * np.arctan2(2 * pull.d12, pull.d11 - pull.d22)
    cos, sin = np.cos(angle)[:, None, None], np.sin(angle)[:, None, None]
    b = np.matmul(gradients, state.own)
    n = state.ways

    def moved(along: int, of: int) -> Floats:
        """Corner moves (m, 3, 3) that change the image of rest direction `of` by way `along`."""
        return np.asarray(b[:, :, of, None] * n[:, None, :, along])

    m11, m22, m12, m21 = moved(0, 0), moved(1, 1), moved(0, 1), moved(1, 0)
    modes = [
        (mean + root, cos * m11 + sin * m22),
        (mean - root, cos * m22 - sin * m11),
        (shear, (m12 + m21) * np.sqrt(0.5)),
        (spin, (m12 - m21) * np.sqrt(0.5)),
        (pull.first / l1, moved(2, 0)),
        (np.where(pull.second > 0, pull.second / l2, 0.0), moved(2, 1)),
    ]
    v = np.stack([np.sqrt(np.maximum(areas * c, 0.0))[:, None] * m.reshape(-1, 9) for c, m in modes], axis=1)
    return np.matmul(v.transpose(0, 2, 1), v)


def _spring(state: State, pull: Pull, areas: Floats, gradients: Floats) -> Floats:
    """Second slopes of T (l1^2 + l2^2) / 2 over the film as it lies.

    References
    ----------
    Pinkall, Polthier (1993). Computing discrete minimal surfaces and their conjugates. Exp. Math. 2(1): the surface
    over which this energy is least, again and again, has the least area.
    """
    size = np.maximum(state.stretch, _TINY)
    b = np.matmul(gradients, state.own) / size[:, None, :]
    weight = areas * size[:, 0] * size[:, 1] * pull.d11
    return np.einsum("m,mia,mja,xy->mixjy", weight, b, b, np.eye(3)).reshape(-1, 9, 9)

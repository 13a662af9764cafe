"""Newton's method for the distortion of a flat shape, with folds kept out by the line search."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from ..errors import SolveError
from ..progress import Tell
from ..surface.mesh import Floats
from ._patch import Triangles
from ._sparse import Pattern, factorise

_SHIFT = 1e-11  # of the mean diagonal: the three rigid motions cost nothing otherwise
_SHIFT_SINGLE = 1e-7
_SINGLE_FROM = 10_000  # vertices from which factors in single precision save time
_EVEN = 30.0  # largest over mean of the diagonal up to which single precision will do
_ARMIJO = 1e-4
_NEAR = 1e-2  # a gain below which the shape is near enough for the whole Hessian
_FAR = 3e-3  # a start with more distortion than this above 1 has its Hessian eased
_TOO_FAR = 1.0  # but not one with more than this, which no single Hessian leads home
_EASE = 0.25
_MEMORY = 5  # steps that correct the kept Hessian
_PATIENCE = 30.0  # steps that cost as much as a factorisation and the steps after it
_TO_FOLD = 0.9  # how much of the way to the first fold a step may go


@dataclass(frozen=True)
class Solution:
    """Where the iteration ended.

    Attributes
    ----------
    uv : (n, 2) float array
    energy : float
    steps, factors : int
    """

    uv: Floats
    energy: float
    steps: int
    factors: int


class Distortion:
    """Area mean of (s1^2p + s2^2p + s1^-2p + s2^-2p) / 4 over the triangles of a patch.

    For p = 1 this is the symmetric Dirichlet energy over 4; a large p counts little but the worst triangle.

    Parameters
    ----------
    mesh : Triangles
    pattern : Pattern
    power : float
        p.

    References
    ----------
    Smith, Schaefer (2015). Bijective parameterization with free boundaries. ACM Trans. Graph. 34(4): the energy and
    the step to the first fold.
    Smith, de Goes, Kim (2019). Analytic eigensystems for isotropic distortion energies. ACM Trans. Graph. 38(1),
    section 4.1 (two dimensions): the eigenvectors of the energy's Hessian are twist, flip and the two scalings, and
    of the eigenvalues only the twist's can be negative here.
    """

    def __init__(self, mesh: Triangles, pattern: Pattern, power: float = 1.0) -> None:
        self.mesh, self.pattern, self.power = mesh, pattern, power

    def value(self, uv: Floats) -> float:
        """Return the energy; infinite where a triangle is folded."""
        return self.value_at(self.mesh.jacobian(uv))

    def value_at(self, jacobian: Floats) -> float:
        """Return the energy of the triangles' maps (4, m)."""
        a, b, c, d = jacobian
        det = a * d
        det -= b * c
        if not det.min() > 0:
            return np.inf
        if self.power == 1.0:
            square = np.einsum("ij,ij->j", jacobian, jacobian)
            return 0.25 * _sum(self.mesh.areas, square + square / (det * det))
        p = 2 * self.power
        large = 0.5 * (np.hypot(a + d, c - b) + np.hypot(a - d, c + b))
        small = det / large
        with np.errstate(over="ignore"):  # a step much too long; infinity sends the search back
            each = large**p + small**p + large**-p + small**-p
        return 0.25 * _sum(self.mesh.areas, each)

    def gradient(self, uv: Floats) -> Floats:
        """Return the (n, 2) derivative by the vertices' places."""
        return self.gradient_at(self.mesh.jacobian(uv))

    def gradient_at(self, jacobian: Floats) -> Floats:
        """Return the (n, 2) derivative by the vertices' places where the triangles' maps are (4, m)."""
        a, b, c, d = jacobian
        w = self.mesh.areas
        if self.power == 1.0:
            det = a * d
            det -= b * c
            square = np.einsum("ij,ij->j", jacobian, jacobian)
            det2 = 1 / (det * det)
            p = (0.5 * w) * (1 + det2)
            q = (-0.5 * w) * square * det2 / det
            stress = p * jacobian
            stress[0] += q * d
            stress[1] -= q * c
            stress[2] -= q * b
            stress[3] += q * a
        else:
            s1, s2, (u0, u1), (v0, v1) = frames(a, b, c, d)
            f1, f2 = w * self._first(s1), w * self._first(s2)
            # P = U diag(f1, f2) V^T; the second columns are the first ones turned by a quarter.
            stress = np.stack(
                [
                    f1 * u0 * v0 + f2 * u1 * v1,
                    f1 * u0 * v1 - f2 * u1 * v0,
                    f1 * u1 * v0 - f2 * u0 * v1,
                    f1 * u1 * v1 + f2 * u0 * v0,
                ]
            )
        return self.mesh.gather(stress)

    def _first(self, s: Floats) -> Floats:
        p = 2 * self.power
        return 0.25 * p * (s ** (p - 1) - s ** (-p - 1))

    def _second(self, s: Floats) -> Floats:
        p = 2 * self.power
        return 0.25 * p * ((p - 1) * s ** (p - 2) + (p + 1) * s ** (-p - 2))

    def _mixed(self, s1: Floats, s2: Floats) -> tuple[Floats, Floats]:
        """Return the eigenvalues of flip and twist, (f1 - f2)/(s1 - s2) and (f1 + f2)/(s1 + s2)."""
        f1, f2 = self._first(s1), self._first(s2)
        if self.power == 1.0:
            product = (s1 * s2) ** 3
            flip = 0.5 * (1 + (s1 * s1 + s1 * s2 + s2 * s2) / product)
        else:
            gap = s1 - s2
            near = gap < 1e-5 * s1
            middle = self._second(0.5 * (s1 + s2))
            flip = np.where(near, middle, (f1 - f2) / np.where(near, 1.0, gap))
        return flip, (f1 + f2) / (s1 + s2)

    def factors(self, jacobian: Floats, *, whole: bool = False, ease: float = 1.0, single: bool = False) -> Any:
        """Return the factorised Hessian, its negative eigenvalues set to nought triangle by triangle.

        Parameters
        ----------
        jacobian : (4, m) float array
            The triangles' maps.
        whole : bool
            Leave the negative eigenvalues: the true Hessian, which may be indefinite.
        ease : float
            Raise each stretch to this power first: below 1 the Hessian is that of a shape with less distortion, which
            lies ahead of a distorted one.
        single : bool
            Whether single precision will do, if the triangles are even enough for it.
        """
        blocks = self._hessian(jacobian, whole, ease)
        matrix = self.pattern.double(blocks, shift=_SHIFT_SINGLE if single else _SHIFT)
        diagonal = matrix.diagonal() if single else None
        if diagonal is not None and diagonal.max() > _EVEN * diagonal.mean():
            return factorise(self.pattern.double(blocks, shift=_SHIFT))
        return factorise(matrix, single=single)

    def _hessian(self, jacobian: Floats, whole: bool, ease: float) -> tuple[Floats, ...]:
        """Return xx, xy, yx, yy of the Hessian's blocks, (3, m) each, for the triangles' sides."""
        s1, s2, (u0, u1), (v0, v1) = frames(*jacobian)
        if ease != 1.0:
            s1, s2 = s1**ease, s2**ease
        w = self.mesh.areas
        flip, twist = self._mixed(s1, s2)
        if not whole:
            twist = np.maximum(twist, 0.0)
        even, odd = 0.5 * w * (flip + twist), 0.5 * w * (flip - twist)
        h1, h2 = w * self._second(s1), w * self._second(s2)
        # Corner gradients seen in the frame of V.
        gx, gy = self.mesh.gx, self.mesh.gy
        p1, p2 = v0 * gx + v1 * gy, v0 * gy - v1 * gx
        return _blocks(p1, p2, (h1, h2, even, odd), (u0, u1))


def _blocks(
    p1: Floats, p2: Floats, modes: tuple[Floats, ...], frame: tuple[Floats, Floats]
) -> tuple[Floats, Floats, Floats, Floats]:
    """Return xx, xy, yx, yy of the Hessian's blocks between each corner and the next, of gradients p."""
    h1, h2, even, odd = modes
    u0, u1 = frame
    q1, q2 = p1[[1, 2, 0]], p2[[1, 2, 0]]
    first, second = p1 * q1, p2 * q2
    along, across = h1 * first + even * second, h2 * second + even * first
    forth, back = odd * (p2 * q1), odd * (p1 * q2)
    # along u1 u1^T + across u2 u2^T + forth u1 u2^T + back u2 u1^T with u1 = (u0, u1), u2 = (-u1, u0)
    cc, ss, cs = u0 * u0, u1 * u1, u0 * u1
    skew, both = (forth + back) * cs, (along - across) * cs
    return (
        along * cc + across * ss - skew,
        both + forth * cc - back * ss,
        both - forth * ss + back * cc,
        along * ss + across * cc + skew,
    )


def frames(a: Floats, b: Floats, c: Floats, d: Floats) -> tuple[Floats, Floats, tuple, tuple]:
    """Return s1, s2 and the first columns of U and V, both rotations, with [[a, b], [c, d]] = U diag(s1, s2) V^T."""
    minus, plus = np.arctan2(c - b, a + d), np.arctan2(b + c, a - d)
    theta, phi = 0.5 * (plus + minus), 0.5 * (plus - minus)
    s1 = 0.5 * (np.hypot(a + d, c - b) + np.hypot(a - d, c + b))
    return s1, (a * d - b * c) / s1, (np.cos(theta), np.sin(theta)), (np.cos(phi), np.sin(phi))


def first_fold(mesh: Triangles, uv: Floats, step: Floats) -> float:
    """Return the smallest positive t at which a triangle of ``uv + t * step`` loses its area; infinite if none.

    References
    ----------
    Smith, Schaefer (2015), section 3.3.
    """
    return _fold_at(mesh.jacobian(uv), mesh.jacobian(step))


def _fold_at(jacobian: Floats, step: Floats) -> float:
    """Return the same from the triangles' maps (4, m)."""
    a, b, c, d = jacobian
    e, f, g, h = step
    # det(J + t D) = C + B t + A t²
    quad, lin, const = e * h - f * g, a * h + d * e - b * g - c * f, a * d - b * c
    root = lin * lin - 4 * quad * const
    real = root >= 0
    lin, quad, const, root = lin[real], quad[real], const[real], np.sqrt(root[real])
    # The stable form: q never subtracts two numbers of like size.
    q = -0.5 * (lin + np.copysign(root, lin))
    with np.errstate(divide="ignore", invalid="ignore"):  # no root is infinite, or neither more nor less than 0
        roots = np.concatenate([q / quad, const / q])
    roots = roots[roots > 0]
    return float(roots.min()) if len(roots) else np.inf


def descend(
    energy: Distortion,
    uv: Floats,
    *,
    tolerance: float,
    most_steps: int = 200,
    progress: Tell | None = None,
) -> Solution:
    """Lower the energy until a full step would gain less than a share ``tolerance`` of it.

    The factorised Hessian is kept from step to step as long as it serves: where the distortion is a few per cent one
    is enough for all steps.

    Raises
    ------
    SolveError
        If it does not get there.
    """
    kept = _Kept(energy, tolerance)
    jacobian = energy.mesh.jacobian(uv)
    value, gain, slope = energy.value_at(jacobian), np.inf, energy.gradient_at(jacobian)
    for step in range(most_steps):
        move = kept.direction(uv, jacobian, slope, value)
        gain = -float((slope * move).sum()) / value
        if abs(gain) < tolerance and not kept.whole:
            return Solution(uv, value, step, kept.made)
        found = _search(energy, jacobian, energy.mesh.jacobian(move), value, gain) if gain > tolerance else None
        if found is None and kept.fresh and not kept.whole:
            if not kept.single:
                break
            kept.single = False
        if found is not None:
            uv, before = uv + found.length * move, slope
            jacobian, value = found.jacobian, found.value
            slope = energy.gradient_at(jacobian)
            kept.learn(found.length * move, slope - before)
        kept.judge(gain, 0.0 if found is None else found.length)
        if progress is not None:
            progress("laying flat", step / (step + 5))
    raise SolveError(
        f"not settled after {kept.made} factorisations: energy {value:.10g}, the next step would gain {gain:.1e} of it",
        do="Repair or smooth the mesh, or split the region.",
    )


class _Kept:
    """The factorised Hessian in use, and when to make another.

    Between factorisations the last steps and the changes of the slope along them correct the one in use. Setting
    negative eigenvalues to nought makes every step a descent, but on a rough surface full steps then fall short again
    and again. Where that is seen the whole Hessian is tried, and given up where it leads nowhere; the end is always
    judged by the former.

    Attributes
    ----------
    made : int
        Factorisations so far.
    fresh, whole, single : bool
        Whether the one in use belongs to the present shape, whether it is the whole Hessian, and whether the next may
        be in single precision.

    References
    ----------
    Nocedal (1980). Updating quasi-Newton matrices with limited storage. Math. Comp. 35(151): the recursion.
    """

    def __init__(self, energy: Distortion, tolerance: float) -> None:
        self.made, self.fresh, self.whole = 0, False, False
        self._energy, self._tolerance, self._last = energy, tolerance, np.inf
        self._lu: Any = None
        self._pairs: list[tuple[Floats, Floats, float]] = []
        # The steps after it correct a coarse Hessian as they do an old one.
        self.single = energy.power == 1 and energy.mesh.count >= _SINGLE_FROM
        self._barred = _NEAR  # at this gain and above the whole Hessian is not tried

    def direction(self, uv: Floats, jacobian: Floats, slope: Floats, value: float) -> Floats:
        """Return the step without its rigid part, which gains nothing."""
        self.fresh = self._lu is None
        if self.fresh:
            far = self._energy.power == 1 and self.made == 0 and _FAR < value - 1 < _TOO_FAR
            self._lu = self._energy.factors(
                jacobian, whole=self.whole, ease=_EASE if far else 1.0, single=self.single and not self.whole
            )
            self.made += 1
            self._pairs.clear()
        pull, shares = slope, []
        for move, change, work in reversed(self._pairs):
            shares.append(_sum(move, pull) / work)
            pull = pull - shares[-1] * change
        pattern = self._energy.pattern
        out = -self._lu.solve(pattern.spread(pull).ravel()).reshape(-1, 2)[pattern.place]
        for (move, change, work), share in zip(self._pairs, reversed(shares), strict=True):
            out -= (share + _sum(change, out) / work) * move
        return _without_rigid(uv, out)

    def learn(self, move: Floats, change: Floats) -> None:
        """Note a step and how the slope changed along it."""
        work = _sum(move, change)
        if self.whole or work <= 0:
            return
        self._pairs = [*self._pairs[1 - _MEMORY :], (move, change, work)]

    def judge(self, gain: float, length: float) -> None:
        """Keep or drop the Hessian after a step of this length; 0 where there was none."""
        short = length < 0.5
        self.single = self.single and not short
        if not short and not self.whole and self._serves(gain):
            self._last = gain
            return
        # The whole Hessian is nearly singular in the slow directions and serves for one step only.
        if self.whole and short:
            self.whole, self._barred = False, 0.1 * abs(gain)
        elif not short:
            self.whole = gain < self._barred
        self._lu, self._last = None, np.inf

    def _serves(self, gain: float) -> bool:
        """Whether the end comes sooner at this pace than another factorisation would bring it."""
        if not np.isfinite(self._last) or gain <= 0.2 * self._last:
            return True
        return gain < self._last and np.log(gain / self._tolerance) < _PATIENCE * np.log(self._last / gain)


def _sum(one: Floats, two: Floats) -> float:
    # The matrix library's own product wakes a second thread, and waits for it milliseconds where the processor is busy.
    return float(np.einsum("i,i->", one.ravel(), two.ravel()))


def _without_rigid(uv: Floats, move: Floats) -> Floats:
    arm = (uv - uv.mean(axis=0))[:, ::-1] * [-1, 1]
    move = move - move.mean(axis=0)
    return move - _sum(arm, move) / _sum(arm, arm) * arm


@dataclass(frozen=True, eq=False)
class _Found:
    """A step length, and the triangles' maps and the energy there."""

    length: float
    jacobian: Floats
    value: float


def _search(
    energy: Distortion, jacobian: Floats, move: Floats, value: float, gain: float
) -> _Found | None:
    """Return a step short of any fold that lowers the energy; None if there is none.

    Both ``jacobian`` and ``move`` are the triangles' maps, (4, m).
    """
    length = 1.0
    if energy.power > 1 and gain < 1:
        # The step that Newton's method takes on the logarithm of the energy, which is much nearer a parabola.
        length = min(1 / (1 - gain), 8.0)
    if not _cannot_fold(jacobian, move, length):
        length = min(length, _TO_FOLD * _fold_at(jacobian, move))
    noise = 1e-14 * value
    for _ in range(40):
        there = jacobian + length * move
        found = energy.value_at(there)
        if found <= value * (1 - _ARMIJO * length * gain) + noise:
            return _Found(length, there, found)
        length *= 0.5
    return None


def _cannot_fold(jacobian: Floats, move: Floats, length: float) -> bool:
    """Whether the step is smaller than every triangle's smaller stretch, so that none can fold on the way.

    The smaller stretch is no less than the area's factor over the root of the squares' sum.
    """
    a, b, c, d = jacobian
    det = a * d - b * c
    squares = np.einsum("ij,ij->j", jacobian, jacobian) * np.einsum("ij,ij->j", move, move)
    return bool((det * det > 1.01 * length**2 * squares).all())

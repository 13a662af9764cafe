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
_ARMIJO = 1e-4
_NEAR = 1e-2  # a gain below which the shape is near enough for the whole Hessian
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
        a, b, c, d = self.mesh.jacobian(uv)
        det = a * d - b * c
        if not det.min() > 0:
            return np.inf
        if self.power == 1.0:
            return float(0.25 * (self.mesh.areas @ ((a * a + b * b + c * c + d * d) * (1 + 1 / (det * det)))))
        p = 2 * self.power
        large = 0.5 * (np.hypot(a + d, c - b) + np.hypot(a - d, c + b))
        small = det / large
        with np.errstate(over="ignore"):  # a step much too long; infinity sends the search back
            each = large**p + small**p + large**-p + small**-p
        return float(0.25 * (self.mesh.areas @ each))

    def gradient(self, uv: Floats) -> Floats:
        """Return the (n, 2) derivative by the vertices' places."""
        a, b, c, d = self.mesh.jacobian(uv)
        w = self.mesh.areas
        if self.power == 1.0:
            det = a * d - b * c
            p = 0.5 * w * (1 + 1 / (det * det))
            q = -0.5 * w * (a * a + b * b + c * c + d * d) / det**3
            stress = np.stack([p * a + q * d, p * b - q * c, p * c - q * b, p * d + q * a])
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
        pa, pb, pc, pd = stress
        columns = np.stack([np.concatenate([pa, pb]), np.concatenate([pc, pd])], axis=1)
        return self.mesh.divergence @ columns

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

    def factors(self, uv: Floats, *, whole: bool = False) -> Any:
        """Return the factorised Hessian, its negative eigenvalues set to nought triangle by triangle.

        With ``whole`` they are left: the true Hessian, which may be indefinite.
        """
        s1, s2, (u0, u1), (v0, v1) = frames(*self.mesh.jacobian(uv))
        w = self.mesh.areas
        flip, twist = self._mixed(s1, s2)
        if not whole:
            twist = np.maximum(twist, 0.0)
        even, odd = 0.5 * w * (flip + twist), 0.5 * w * (flip - twist)
        h1, h2 = w * self._second(s1), w * self._second(s2)
        # Corner gradients seen in the frame of V.
        gx, gy = self.mesh.gx.T, self.mesh.gy.T
        p1, p2 = v0 * gx + v1 * gy, v0 * gy - v1 * gx
        q1, q2 = np.roll(p1, -1, axis=0), np.roll(p2, -1, axis=0)
        pairs = _blocks(p1, p2, q1, q2, (h1, h2, even, odd), (u0, u1))
        xx, xy, _, yy = _blocks(p1, p2, p1, p2, (h1, h2, even, odd), (u0, u1))
        return factorise(self.pattern.double(np.stack(pairs), np.stack([xx, xy, yy]), shift=_SHIFT))


def _blocks(
    p1: Floats, p2: Floats, q1: Floats, q2: Floats, modes: tuple[Floats, ...], frame: tuple[Floats, Floats]
) -> tuple[Floats, Floats, Floats, Floats]:
    """Return xx, xy, yx, yy of the Hessian's blocks between corners of gradients p and q."""
    h1, h2, even, odd = modes
    u0, u1 = frame
    along, across = h1 * p1 * q1 + even * p2 * q2, h2 * p2 * q2 + even * p1 * q1
    forth, back = odd * p2 * q1, odd * p1 * q2
    # along u1 u1^T + across u2 u2^T + forth u1 u2^T + back u2 u1^T with u1 = (u0, u1), u2 = (-u1, u0)
    cc, ss, cs = u0 * u0, u1 * u1, u0 * u1
    xx = along * cc + across * ss - (forth + back) * cs
    yy = along * ss + across * cc + (forth + back) * cs
    both = (along - across) * cs
    return xx, both + forth * cc - back * ss, both - forth * ss + back * cc, yy


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
    a, b, c, d = mesh.jacobian(uv)
    e, f, g, h = mesh.jacobian(step)
    # det(J + t D) = C + B t + A t²
    quad, lin, const = e * h - f * g, a * h + d * e - b * g - c * f, a * d - b * c
    root = lin * lin - 4 * quad * const
    real = root >= 0
    lin, quad, const, root = lin[real], quad[real], const[real], np.sqrt(root[real])
    # The stable form: q never subtracts two numbers of like size.
    q = -0.5 * (lin + np.copysign(root, lin))
    with np.errstate(divide="ignore", invalid="ignore"):
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
    kept = _Kept(energy)
    value, gain = energy.value(uv), np.inf
    for step in range(most_steps):
        slope = energy.gradient(uv)
        move = kept.direction(uv, slope)
        gain = -float((slope * move).sum()) / value
        if abs(gain) < tolerance and not kept.whole:
            return Solution(uv, value, step, kept.made)
        length, found = _search(energy, uv, move, value, gain) if gain > tolerance else (0.0, None)
        if found is None and kept.fresh and not kept.whole:
            break
        if found is not None:
            uv, value = uv + length * move, found
        kept.judge(gain, 0.0 if found is None else length)
        if progress is not None:
            progress("laying flat", step / (step + 5))
    raise SolveError(
        f"not settled after {kept.made} factorisations: energy {value:.9f}, the next step would gain {gain:.1e} of it",
        do="Repair or smooth the mesh, or split the region.",
    )


class _Kept:
    """The factorised Hessian in use, and when to make another.

    Setting negative eigenvalues to nought makes every step a descent, but on a rough surface full steps then fall
    short again and again. Where that is seen the whole Hessian is tried, and given up where it leads nowhere; the
    end is always judged by the former.

    Attributes
    ----------
    made : int
        Factorisations so far.
    fresh, whole : bool
        Whether the one in use belongs to the present shape, and whether it is the whole Hessian.
    """

    def __init__(self, energy: Distortion) -> None:
        self.made, self.fresh, self.whole = 0, False, False
        self._energy, self._last = energy, np.inf
        self._lu: Any = None
        self._barred = _NEAR  # at this gain and above the whole Hessian is not tried

    def direction(self, uv: Floats, slope: Floats) -> Floats:
        """Return the step without its rigid part, which gains nothing."""
        self.fresh = self._lu is None
        if self.fresh:
            self._lu, self.made = self._energy.factors(uv, whole=self.whole), self.made + 1
        pattern = self._energy.pattern
        move = -self._lu.solve(pattern.spread(slope).ravel()).reshape(-1, 2)[pattern.place]
        arm = (uv - uv.mean(axis=0))[:, ::-1] * [-1, 1]
        return move - move.mean(axis=0) - (arm * move).sum() / (arm * arm).sum() * arm

    def judge(self, gain: float, length: float) -> None:
        """Keep or drop the Hessian after a step of this length; 0 where there was none."""
        short = length < 0.5
        if not short and gain <= 0.2 * self._last and not self.whole:
            self._last = gain
            return
        # The whole Hessian is nearly singular in the slow directions and serves for one step only.
        if self.whole and short:
            self.whole, self._barred = False, 0.1 * abs(gain)
        elif not short:
            self.whole = gain < self._barred
        self._lu, self._last = None, np.inf


def _search(
    energy: Distortion, uv: Floats, move: Floats, value: float, gain: float
) -> tuple[float, float | None]:
    """Return a step length short of any fold that lowers the energy, and the energy there; None if there is none."""
    length = 1.0
    if energy.power > 1 and gain < 1:
        # The step that Newton's method takes on the logarithm of the energy, which is much nearer a parabola.
        length = min(1 / (1 - gain), 8.0)
    length = min(length, _TO_FOLD * first_fold(energy.mesh, uv, move))
    noise = 1e-14 * value
    for _ in range(40):
        found = energy.value(uv + length * move)
        if found <= value * (1 - _ARMIJO * length * gain) + noise:
            return length, found
        length *= 0.5
    return length, None

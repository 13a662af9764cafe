"""The two first threads of a net: how they bend, and the bends that take shear out of a patch.

With a(u) and b(v) the shear along the first warp and weft thread and K the Gaussian curvature, the shear of a net is
gamma(u, v) = a(u) + b(v) + the integral of K over the net's rectangle between (0, 0) and (u, v), since the angle w
between the threads obeys w_uv = -K sin w [1]_. The geodesic curvature of the warp thread is a'(u), that of the weft
thread -b'(v). Whatever part of the shear has the form a(u) + b(v) can so be taken out by bending the first threads.

References
----------
.. [1] P. L. Chebyshev, "Sur la coupe des vetements", 1878; E. Ghys, "Sur la coupe des vetements: variation autour d'un
   theme de Tchebychev", L'Enseignement Mathematique 57, 2011; J. N. Hazzidakis, J. reine angew. Math. 88, 1880.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..surface.mesh import Floats

#: Pieces of the curves that are fitted, for each first thread, and the power of the shear that is made least.
PIECES, POWER, ROUNDS = 8, 8.0, 12
#: Evenness of the fitted curves: weight of second differences beside the data.
STIFF = 1e-3
#: Pieces of the curve for the free thread of one side of a cut, how much stiffer its second differences are, and the
#: weight of the angle by which it is turned at the start.
LEAN_PIECES, LEAN_STIFF, LEAN_KINK = 4, 10.0, 5.0


@dataclass(frozen=True, eq=False)
class Steering:
    """How the two first threads of a net bend.

    Attributes
    ----------
    warp_at_mm, weft_at_mm : (k,) float array, mm
        Distances from the start, rising.
    warp_bend, weft_bend : (k,) float array, rad/mm
        Geodesic curvature there, left positive; none beyond the ends.
    crossing_deg : float
        Angle from warp to weft at the start.
    """

    warp_at_mm: Floats
    warp_bend: Floats
    weft_at_mm: Floats
    weft_bend: Floats
    crossing_deg: float = 90.0

    def warp(self, at_mm: Floats) -> Floats:
        """Geodesic curvature of the first warp thread, rad/mm, at distances (k,) mm from the start."""
        return np.interp(at_mm, self.warp_at_mm, self.warp_bend, left=0.0, right=0.0)

    def weft(self, at_mm: Floats) -> Floats:
        """Geodesic curvature of the first weft thread, rad/mm, at distances (k,) mm from the start."""
        return np.interp(at_mm, self.weft_at_mm, self.weft_bend, left=0.0, right=0.0)


def straight(crossing_deg: float = 90.0) -> Steering:
    """Return first threads that run straight: geodesics."""
    none = np.zeros(1)
    return Steering(none, none, none, none, crossing_deg)


def added(old: Steering, more: Steering, share: float) -> Steering:
    """Return a steering with a share of another one's bends added; the other's crossing counts from 90 degrees."""
    at_u = np.union1d(old.warp_at_mm, more.warp_at_mm)
    at_v = np.union1d(old.weft_at_mm, more.weft_at_mm)
    return Steering(
        at_u, old.warp(at_u) + share * more.warp(at_u),
        at_v, old.weft(at_v) + share * more.weft(at_v),
        old.crossing_deg + share * (more.crossing_deg - 90.0),
    )


def relief(uv_mm: Floats, shear_deg: Floats, weight: Floats, *, power: float = POWER) -> Steering:
    """Return the bends that would take out most of the shear if the net's places stayed.

    Parameters
    ----------
    uv_mm : (n, 2) float array, mm
    shear_deg : (n,) float array
    weight : (n,) float array
        Areas.
    power : float
        Of the shear whose weighted sum is made least; 2 evens the whole, 8 the worst places.

    Returns
    -------
    Steering
        To be added to that of the net.
    """
    u, v = uv_mm.T
    gu, gv = _Curve(u), _Curve(v)
    basis = np.hstack([gu.values(u), gv.values(v)])
    rough = np.zeros((gu.count + gv.count - 4, basis.shape[1]))
    rough[: gu.count - 2, : gu.count] = gu.bends()
    rough[gu.count - 2 :, gu.count :] = gv.bends()
    gamma = np.radians(shear_deg)
    coefficients = _least_power(basis, gamma, weight, rough, power)
    a, b = coefficients[: gu.count], coefficients[gu.count :]
    at_u, at_v = gu.samples(), gv.samples()
    zero = np.zeros(1)
    middle = float((gu.values(zero) @ a + gv.values(zero) @ b)[0])
    # The new net's shear is to be gamma - a - b: its warp bends by -a' more, its weft by +b' more.
    return Steering(at_u, -gu.slopes(at_u) @ a, at_v, gv.slopes(at_v) @ b, 90.0 + np.degrees(middle))


def lean_of(at_mm: Floats, shear_deg: Floats, weight: Floats, *, power: float = POWER) -> tuple[Floats, Floats]:
    """Return what a function of the way along one first thread takes out of the shear best, the other thread being given.

    Parameters
    ----------
    at_mm : (n,) float array, mm
        Along the free thread.
    shear_deg, weight : (n,) float array
    power : float
        Of the shear whose weighted sum is made least.

    Returns
    -------
    (k,) float array, mm
    (k,) float array, rad
    """
    curve = _Curve(at_mm, LEAN_PIECES)
    # Of functions that do about as well the one that kinks the threads least at the start is wanted.
    rough = np.vstack([LEAN_STIFF * curve.bends(), LEAN_KINK * curve.values(np.zeros(1))])
    c = _least_power(curve.values(at_mm), np.radians(shear_deg), weight, rough, power)
    at = curve.samples()
    return at, curve.values(at) @ c


def leant(at_mm: Floats, lean: Floats, *, axis: int, crossing_deg: float) -> Steering:
    """Return the steering that takes a function of the way along one first thread off the shear.

    Parameters
    ----------
    at_mm, lean : (k,) float array, mm and rad
    axis : int
        The free thread is the warp (0) or the weft (1); the other one stays as it is.
    crossing_deg : float
        Angle from warp to weft at the start without it.
    """
    zero, slope = np.zeros(1), np.gradient(lean, at_mm)
    crossing = crossing_deg + np.degrees(float(np.interp(0.0, at_mm, lean)))
    if axis == 0:
        return Steering(at_mm, -slope, zero, zero, crossing)
    return Steering(zero, zero, at_mm, slope, crossing)


def _least_power(basis: Floats, gamma: Floats, weight: Floats, rough: Floats, power: float) -> Floats:
    """Coefficients with the least weighted sum of |gamma - basis c|^power, by reweighted least squares."""
    w = weight / weight.sum()
    c = np.zeros(basis.shape[1])
    pull = np.ones_like(w)
    for step in range(ROUNDS if power > 2 else 1):
        left = np.abs(gamma - basis @ c)
        if step:
            # A share of the full power's weights at a time keeps the iteration from swinging.
            pull = np.sqrt(pull * np.maximum(left / max(float(left.max()), 1e-12), 1e-3) ** (power - 2))
        ww = w * pull / float((w * pull).sum())
        normal = basis.T @ (ww[:, None] * basis)
        scale = STIFF * float(np.trace(normal)) / basis.shape[1]
        normal += scale * rough.T @ rough + 1e-9 * np.eye(len(c))
        c = np.linalg.solve(normal, basis.T @ (ww * gamma))
    return np.asarray(c)


class _Curve:
    """Cubic splines over the range of some values."""

    def __init__(self, values: Floats, pieces: int = PIECES) -> None:
        low, high = float(values.min()), float(values.max())
        if high - low < 1e-9:
            low, high = low - 1.0, high + 1.0
        self.low, self.high = low, high
        inner = np.linspace(low, high, pieces + 1)
        self.knots = np.concatenate([[low] * 3, inner, [high] * 3])
        self.count = pieces + 3

    def values(self, at: Floats) -> Floats:
        from scipy.interpolate import BSpline

        return np.asarray(BSpline.design_matrix(np.clip(at, self.low, self.high), self.knots, 3).toarray())

    def slopes(self, at: Floats) -> Floats:
        from scipy.interpolate import BSpline

        spline = BSpline(self.knots, np.eye(self.count), 3).derivative()
        return np.asarray(spline(np.clip(at, self.low, self.high)))

    def bends(self) -> Floats:
        """(count - 2, count) second differences of the coefficients."""
        return np.diff(np.eye(self.count), n=2, axis=0)

    def samples(self) -> Floats:
        return np.linspace(self.low, self.high, 16 * PIECES + 1)

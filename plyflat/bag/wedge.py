"""Closed forms of a film that bridges a corner under pressure.

A film that hangs free takes the radius r = T / p: its tension in N/m over the pressure in kPa is a length in mm. Angles
are those between the walls on the air side: 90 degrees is a square inside corner, 180 is flat.

References
----------
.. [1] P. S. Laplace, "Traité de mécanique céleste", supplement to book 10, 1806: p = T (1 / R1 + 1 / R2).
.. [2] L. Euler, "Remarques sur l'effet du frottement dans l'équilibre", 1769: tension of a band round a drum.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import acos, asin, ceil, cos, degrees, exp, inf, isfinite, pi, radians, sin, sqrt, tan

from ..errors import QuantityError, ShapeError

#: What three square planes leave of a cube as large as the ball's radius: 1 - pi / 6 of its volume.
CUBE_SHARE = 1 - pi / 6
#: Apex gap of three square planes over the radius: the ball's, and that of a film of even tension, which obeys [1]_.
#: The film's was computed as a membrane over an obstacle on meshes of 0.10, 0.067 and 0.05 of the radius.
CUBE_BALL, CUBE_FILM = sqrt(3) - 1, 1.1743
#: Centroid of the area between two square walls and their arc, over the radius, measured from either wall.
SPANDREL = (5 / 6 - pi / 4) / (1 - pi / 4)
#: Standard pressure of the air at sea level: no bag presses harder.
AIR_KPA = 101.325


@dataclass(frozen=True)
class WedgeGap:
    """What lies between a film and two walls that it bridges, per section.

    Attributes
    ----------
    tangent_mm : float
        From the corner's line to where the film meets the wall.
    depth_mm : float
        From the film to the corner, along the bisector.
    area_mm2 : float
        Between film and walls.
    missing_mm : float
        Film this section would want more, to lie in the corner.
    arc_mm : float
        Length of the free film.
    """

    tangent_mm: float
    depth_mm: float
    area_mm2: float
    missing_mm: float
    arc_mm: float


def free_radius_mm(*, tension_n_per_m: float, pressure_kpa: float) -> float:
    """Radius of a film that hangs free between two walls, r = T / p [1]_.

    Raises
    ------
    QuantityError
        A tension not above 0, or a pressure not between 0 and that of the air.
    """
    check_pressure(pressure_kpa)
    _above("tension", tension_n_per_m, "N/m")
    return tension_n_per_m / pressure_kpa


def check_pressure(pressure_kpa: float) -> None:
    """Refuse a pressure that no bag has.

    Raises
    ------
    QuantityError
    """
    if not (isfinite(pressure_kpa) and 0 < pressure_kpa <= AIR_KPA):
        raise QuantityError(
            f"the pressure on the bag is {pressure_kpa:g} kPa, not between 0 and the {AIR_KPA:g} kPa of the air",
            do="Give the pressure across the film: that of the air less what is left inside the bag.",
        )


def depth_factor(angle_deg: float) -> float:
    """Gap depth on the bisector over the radius, 1 / sin(a / 2) - 1."""
    return 1 / sin(_half(angle_deg)) - 1


def area_factor(angle_deg: float) -> float:
    """Area between walls and film over the radius squared: kite less sector, cot(a / 2) - (pi - a) / 2."""
    h = _half(angle_deg)
    return 1 / tan(h) - (pi - 2 * h) / 2


def missing_factor(angle_deg: float) -> float:
    """Film missing in a section over the radius, 2 cot(a / 2) - (pi - a): twice the area factor."""
    return 2 * area_factor(angle_deg)


def wedge_gap(angle_deg: float, radius_mm: float, *, fillet_mm: float = 0.0) -> WedgeGap:
    """Return what a film of a radius leaves open between two walls, with or without a fillet.

    Parameters
    ----------
    angle_deg : float
        Between the walls on the air side, 0 to 180.
    radius_mm : float
        Radius of the free film.
    fillet_mm : float
        Radius of the fillet in the corner; a film of no larger radius lies down in it.

    Raises
    ------
    ShapeError
        An angle not between 0 and 180 degrees, or a negative radius.
    """
    h = _half(angle_deg)
    _not_below("radius", radius_mm)
    _not_below("fillet", fillet_mm)
    r = max(radius_mm, fillet_mm)
    return WedgeGap(
        tangent_mm=r / tan(h),
        depth_mm=(r - fillet_mm) * depth_factor(angle_deg),
        area_mm2=(r * r - fillet_mm**2) * area_factor(angle_deg),
        missing_mm=(r - fillet_mm) * missing_factor(angle_deg),
        arc_mm=r * (pi - 2 * h),
    )


def path_mm(angle_deg: float, first_mm: float, second_mm: float, *, radius_mm: float = 0.0) -> float:
    """Length of the way over two walls whose corner is rounded to a radius: a + b - k r."""
    if max(radius_mm, 0.0) / tan(_half(angle_deg)) > min(first_mm, second_mm) * (1 + 1e-12):
        raise ShapeError(
            f"an arc of {radius_mm:g} mm does not fit between walls of {first_mm:g} and {second_mm:g} mm",
            do="Give a smaller radius or longer walls.",
        )
    return first_mm + second_mm - missing_factor(angle_deg) * radius_mm


def taut_strain(angle_deg: float, first_mm: float, second_mm: float) -> float:
    """Strain of a film drawn straight from wall end to wall end when it is pressed into a sharp corner."""
    a = 2 * _half(angle_deg)
    straight = sqrt(first_mm**2 + second_mm**2 - 2 * first_mm * second_mm * cos(a))
    return (first_mm + second_mm) / straight - 1


def contact_pressure_kpa(*, pressure_kpa: float, tension_n_per_m: float, fillet_mm: float) -> float:
    """Pressure that the film passes on in a fillet it lies in, p - T / R; on a convex edge R counts as negative."""
    check_pressure(pressure_kpa)
    return pressure_kpa - tension_n_per_m / fillet_mm


def frictionless_radius_mm(
    angle_deg: float,
    *,
    walls_mm: float,
    rest_mm: float,
    pressure_kpa: float,
    stiffness_n_per_mm: float = inf,
    yield_n_per_m: float = inf,
) -> float:
    """Radius a film takes that slides freely over both walls between its anchors.

    Parameters
    ----------
    angle_deg : float
    walls_mm : float
        Both wall lengths together, from anchor to corner to anchor.
    rest_mm : float
        Length of the film when no force draws it.
    pressure_kpa : float
    stiffness_n_per_mm : float
        Film modulus times thickness; infinite for a film that does not stretch.
    yield_n_per_m : float
        Tension at which the film draws out without more force.

    Notes
    -----
    From k (L - L0) / L0 = p r and L = walls - kappa r: r = (walls - L0) / (kappa + p L0 / k).
    """
    check_pressure(pressure_kpa)
    _above("rest length", rest_mm, "mm")
    p = 1e-3 * pressure_kpa
    lack = max(walls_mm - rest_mm, 0.0)
    free = lack / (missing_factor(angle_deg) + p * rest_mm / stiffness_n_per_mm)
    return min(free, yield_n_per_m / pressure_kpa)


def sticking_stretch(angle_deg: float, wall_mm: float, radius_mm: float) -> float:
    """Stretch of a film that sticks where it touches, when its free arc has come down to a radius.

    The film starts straight from end to end of two walls of one length. With n = kappa / (pi - a) the free part
    stretches as (r0 / r)^n from the moment it first touches.
    """
    a = 2 * _half(angle_deg)
    r0 = wall_mm * tan(a / 2)
    first = (pi - a) / (2 * cos(a / 2))
    return first * (r0 / radius_mm) ** (missing_factor(angle_deg) / (pi - a))


def sticking_radius_mm(angle_deg: float, *, wall_mm: float, pressure_kpa: float, stiffness_n_per_mm: float) -> float:
    """Radius at which a film that sticks where it touches comes to rest, k (stretch - 1) = p r."""
    from scipy.optimize import brentq

    check_pressure(pressure_kpa)
    _above("stiffness", stiffness_n_per_mm, "N/mm")
    p = 1e-3 * pressure_kpa

    def over(r: float) -> float:
        """What the pull of the stuck film has over what the pressure asks for, N/mm."""
        return stiffness_n_per_mm * (sticking_stretch(angle_deg, wall_mm, r) - 1) - p * r

    widest = wall_mm * tan(_half(angle_deg))
    if over(widest) > 0:
        raise ShapeError(
            f"a film of {stiffness_n_per_mm:g} N/mm over walls of {wall_mm:g} mm comes to rest before it touches them",
            do="Give the walls their full length, or work it out as a film between two rims.",
        )
    return float(brentq(over, 1e-6 * widest, widest, xtol=1e-12))


def coulomb_radius_mm(
    angle_deg: float, *, lack_mm: float, friction: float, pressure_kpa: float, stiffness_n_per_mm: float
) -> float:
    """Radius where a film lacks length at a corner and draws it in over long flat walls with friction.

    Small strains, the pressure put on in one step: (p / k) ((pi - a) + 1 / mu) r² + kappa r = lack. The walls must be
    longer than `feed_length_mm` beyond the arc.
    """
    check_pressure(pressure_kpa)
    _above("friction", friction, "")
    _not_below("lack", lack_mm)
    square = 1e-3 * pressure_kpa / stiffness_n_per_mm * (pi - 2 * _half(angle_deg) + 1 / friction)
    linear = missing_factor(angle_deg)
    return 2 * lack_mm / (linear + sqrt(linear**2 + 4 * square * lack_mm)) if lack_mm else 0.0


def feed_length_mm(*, tension_n_per_m: float, pressure_kpa: float, friction: float) -> float:
    """How far along a flat wall film can be drawn in from: T / (mu p). Slack that lies farther off stays there."""
    _above("friction", friction, "")
    return free_radius_mm(tension_n_per_m=tension_n_per_m, pressure_kpa=pressure_kpa) / friction


def capstan_factor(friction: float, turn_deg: float) -> float:
    """How many times T + p R grows over a convex turn of a film about to slide, e^(mu phi) [2]_."""
    return exp(friction * radians(turn_deg))


def trench_sag_mm(width_mm: float, radius_mm: float) -> float:
    """Sag of a film between two sharp rims, r - sqrt(r² - c² / 4)."""
    return _sag(radius_mm, 0.5 * width_mm)


def trench_touch_mm(depth_mm: float, radius_mm: float) -> float:
    """How far from the rim a film first touches the floor of a wide trench, sqrt(2 r D - D²)."""
    return sqrt(max(2 * radius_mm * depth_mm - depth_mm**2, 0.0)) if depth_mm < radius_mm else radius_mm


def well_sag_mm(opening_mm: float, radius_mm: float) -> float:
    """Sag of a film over a round well of a half width: part of a sphere of 2 T / p, twice the radius given [1]_."""
    return _sag(2 * radius_mm, opening_mm)


def pit_gap(half_angle_deg: float, ball_mm: float) -> tuple[float, float]:
    """Depth in mm and volume in mm³ left at the bottom of a conical pit by a ball.

    A film of even tension is that ball with a radius of 2 T / p.
    """
    s = sin(radians(half_angle_deg))
    return ball_mm * (1 / s - 1), pi * ball_mm**3 / 3 * (1 - s) ** 2 / s


def cube_corner_gap(radius_mm: float, *lengths_mm: float) -> tuple[float, float, float]:
    """Gap where three planes meet square: depth by the ball, depth by the film, and volume by the ball.

    Parameters
    ----------
    radius_mm : float
        T / p.
    lengths_mm : float
        Of the edges that run out from the corner; the corner's own part alone where none are given.

    Returns
    -------
    tuple of float
        mm, mm, mm³.
    """
    r = radius_mm
    if any(e < r for e in lengths_mm):
        raise ShapeError(f"an edge is shorter than the radius of {r:g} mm", do="Give edges at least as long.")
    runs = sum(e - r for e in lengths_mm)
    return CUBE_BALL * r, CUBE_FILM * r, CUBE_SHARE * r**3 + area_factor(90) * r * r * runs


def post_gap_mm3(post_mm: float, radius_mm: float) -> float:
    """Volume left round a post square to a plane by a ball, by Pappus.

    The film itself is no part of a sphere there: it is drawn round the post as well.
    """
    return 2 * pi * (post_mm + SPANDREL * radius_mm) * area_factor(90) * radius_mm**2


def tube_gap(tube_mm: float, radius_mm: float) -> WedgeGap:
    """Gap on one side of a tube that lies on a plane.

    ``tangent_mm`` is from the line of contact to where the film meets the plane, and ``depth_mm`` from that line to
    the film.
    """
    big, r = tube_mm, radius_mm
    a = acos((big - r) / (big + r))
    out = sqrt(big * r)
    return WedgeGap(
        tangent_mm=2 * out,
        depth_mm=sqrt(r * r + 4 * big * r) - r,
        area_mm2=(big + r) * out - 0.5 * big * big * a - 0.5 * r * r * (pi - a),
        missing_mm=big * a + 2 * out - r * (pi - a),
        arc_mm=r * (pi - a),
    )


def post_angle_deg(tilt_deg: float, round_deg: float) -> float:
    """Angle between a leaning post's wall and the plate, round the foot; 0 degrees is the side it leans away from."""
    return 90 + degrees(asin(sin(radians(tilt_deg)) * cos(radians(round_deg))))


def ears_wanted(missing_mm: float, *, height_mm: float) -> int:
    """How many pleats of a height a length of missing film takes: each gives twice its height."""
    _above("pleat height", height_mm, "mm")
    return ceil(max(missing_mm, 0.0) / (2 * height_mm) - 1e-9)


def _half(angle_deg: float) -> float:
    if not 0 < angle_deg <= 180:
        raise ShapeError(
            f"the angle between the walls is {angle_deg:g} degrees, not between 0 and 180",
            do="Give the angle on the air side: 90 for a square inside corner.",
        )
    return 0.5 * radians(angle_deg)


def _sag(ball: float, half: float) -> float:
    if ball < half:
        raise ShapeError(
            f"a film of radius {ball:g} mm cannot span {2 * half:g} mm", do="It lies on the floor; use the wedge."
        )
    return ball - sqrt(ball * ball - half * half)


def _above(name: str, value: float, unit: str) -> None:
    if not value > 0:
        raise QuantityError(f"the {name} is {value:g} {unit}".rstrip(), do="Give one above zero.")


def _not_below(name: str, value: float) -> None:
    if not value >= 0:
        raise ShapeError(f"the {name} is {value:g} mm", do="Give one that is not below zero.")

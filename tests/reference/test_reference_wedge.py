"""A film that bridges a corner: closed forms against tables worked out by hand, quadrature and differential equations."""

from math import cos, pi, radians, sin, sqrt, tan

import numpy as np
import pytest
from scipy.integrate import dblquad, quad, solve_ivp
from shapely import LineString, Point, Polygon

from plyflat.bag import wedge
from plyflat.errors import QuantityError, ShapeError

ANGLES = (45, 60, 75, 90, 105, 120, 135, 150, 165)


def arc_and_walls(angle_deg, radius, turns=20001):
    """Free film (k, 2) tangent to two walls from the origin, and the centre of its arc."""
    a = radians(angle_deg)
    d = radius / tan(a / 2)
    t = -pi / 2 - np.linspace(0, pi - a, turns)
    centre = np.array([d, radius])
    return centre + radius * np.stack([np.cos(t), np.sin(t)], axis=1), centre


@pytest.mark.reference(source="an arc between two walls, measured as a polygon", kind="derived")
@pytest.mark.parametrize("angle", ANGLES)
def test_wedge_against_a_drawn_arc(angle):
    arc, centre = arc_and_walls(angle, 20.0)
    gap = wedge.wedge_gap(angle, 20.0)
    drawn = Polygon([(0, 0), *arc])
    assert np.allclose(arc[-1], [gap.tangent_mm * cos(radians(angle)), gap.tangent_mm * sin(radians(angle))])
    assert gap.area_mm2 == pytest.approx(drawn.area, rel=1e-6)
    assert gap.arc_mm == pytest.approx(LineString(arc).length, rel=1e-8)
    assert gap.missing_mm == pytest.approx(2 * gap.tangent_mm - LineString(arc).length, rel=1e-6)
    assert gap.depth_mm == pytest.approx(Point(0, 0).distance(LineString(arc)), rel=1e-6)
    assert gap.area_mm2 == pytest.approx(20.0 * gap.missing_mm / 2, rel=1e-12)


@pytest.mark.reference(source="figures of a wedge of 45 to 165 degrees worked out by hand, to 6 digits", kind="derived")
@pytest.mark.parametrize(
    ("angle", "missing", "area", "depth", "tangent", "strain"),
    [
        (45, 2.472233, 1.236116, 1.613126, 2.414214, 1.613),
        (60, 1.369707, 0.684853, 1.0, 1.732051, 1.0),
        (90, 0.429204, 0.214602, 0.414214, 1.0, 0.414),
        (120, 0.107503, 0.053751, 0.154701, 0.577350, 0.155),
        (150, 0.012300, 0.006150, 0.035276, 0.267949, 0.035),
        (165, 0.001506, 0.000753, 0.008629, 0.131652, 0.009),
    ],
)
def test_wedge_figures(angle, missing, area, depth, tangent, strain):
    gap = wedge.wedge_gap(angle, 1.0)
    assert (gap.missing_mm, gap.area_mm2) == pytest.approx((missing, area), abs=6e-7)
    assert (gap.depth_mm, gap.tangent_mm) == pytest.approx((depth, tangent), abs=6e-7)
    assert wedge.taut_strain(angle, 80.0, 80.0) == pytest.approx(strain, abs=6e-4)


def test_a_square_corner_fills_with_a_hundred_grams_a_metre():
    area_mm2 = wedge.wedge_gap(90, 20.0).area_mm2
    assert 1.15e-3 * area_mm2 * 1000 == pytest.approx(98.7, abs=0.05)


def test_a_fillet_takes_its_own_gap_away():
    free, round_ = wedge.wedge_gap(90, 20.0), wedge.wedge_gap(90, 10.0)
    left = wedge.wedge_gap(90, 20.0, fillet_mm=10.0)
    assert left.area_mm2 == pytest.approx(free.area_mm2 - round_.area_mm2)
    assert left.depth_mm == pytest.approx(free.depth_mm - round_.depth_mm)
    assert left.missing_mm == pytest.approx(free.missing_mm - round_.missing_mm)
    reached = wedge.wedge_gap(90, 20.0, fillet_mm=25.0)
    assert (reached.area_mm2, reached.depth_mm, reached.missing_mm) == (0, 0, 0)
    assert wedge.contact_pressure_kpa(pressure_kpa=90, tension_n_per_m=1000, fillet_mm=25) == pytest.approx(50)
    assert wedge.path_mm(90, 100, 100, radius_mm=10) == pytest.approx(200 - 4.29204, abs=1e-5)


@pytest.mark.reference(source="a film of k = 50 N/mm in a square corner of 100 mm walls, by hand", kind="derived")
def test_frictionless_film():
    rest = 100 * sqrt(2)
    r = wedge.frictionless_radius_mm(90, walls_mm=200, rest_mm=rest, pressure_kpa=90, stiffness_n_per_mm=50)
    assert r == pytest.approx(85.671, abs=1e-3)
    # Tension from the strain of the whole way is the pressure times the radius.
    way = wedge.path_mm(90, 100, 100, radius_mm=r)
    assert 50 * (way / rest - 1) == pytest.approx(0.090 * r, rel=1e-12)
    assert 1000 * 0.090 * r == pytest.approx(7710.4, abs=0.1)
    gap = wedge.wedge_gap(90, r)
    assert (gap.area_mm2, gap.depth_mm) == pytest.approx((1575.08, 35.486), abs=5e-3)


@pytest.mark.reference(source="r = sigma t / p of films that yield, by hand", kind="derived")
@pytest.mark.parametrize(("sigma", "micron", "radius"), [(35, 50, 19.4), (35, 75, 29.2), (10, 50, 5.6), (10, 100, 11.1)])
def test_a_film_that_yields(sigma, micron, radius):
    tension = sigma * micron
    r = wedge.frictionless_radius_mm(
        90, walls_mm=200, rest_mm=100 * sqrt(2), pressure_kpa=90, stiffness_n_per_mm=50, yield_n_per_m=tension
    )
    assert r == pytest.approx(radius, abs=0.06)
    assert r == wedge.free_radius_mm(tension_n_per_m=tension, pressure_kpa=90)


@pytest.mark.reference(source="d ln(stretch) = -n d ln r for a film that sticks, integrated numerically", kind="derived")
def test_sticking_film_against_its_equation():
    a = radians(90)
    r0, first = 100 * tan(a / 2), (pi - a) / (2 * cos(a / 2))
    # As the radius falls by dr, each tangent point lays down -dr cot(a/2) of film; what is left is stretched.
    left = solve_ivp(
        lambda s, y: [y[0] * (2 / tan(a / 2) - (pi - a)) / ((pi - a) * (r0 - s))],
        (0, 0.8 * r0), [first], rtol=1e-11, atol=1e-12,
    )
    assert wedge.sticking_stretch(90, 100, 0.2 * r0) == pytest.approx(left.y[0, -1], rel=1e-8)
    assert left.y[0, -1] == pytest.approx(1.72421, abs=1e-5)
    r = wedge.sticking_radius_mm(90, wall_mm=100, pressure_kpa=90, stiffness_n_per_mm=50)
    assert r == pytest.approx(86.485, abs=1e-3)
    assert wedge.sticking_stretch(90, 100, r) == pytest.approx(1.15567, abs=1e-5)


@pytest.mark.reference(source="a film with dT/dx = mu p on both walls, integrated by hand", kind="derived")
def test_coulomb_film():
    r = wedge.coulomb_radius_mm(90, lack_mm=20, friction=0.3, pressure_kpa=90, stiffness_n_per_mm=50)
    assert r == pytest.approx(29.137, abs=1e-3)
    p = 0.090
    feed = wedge.feed_length_mm(tension_n_per_m=1000 * p * r, pressure_kpa=90, friction=0.3)
    assert feed == pytest.approx(97.1, abs=0.05)
    drawn = quad(lambda x: (p * r - 0.3 * p * x) / 50, 0, feed)[0]
    assert 2 * drawn + p * r / 50 * r * pi / 2 + wedge.missing_factor(90) * r == pytest.approx(20, rel=1e-9)


def test_feed_length_of_a_yielding_film():
    assert wedge.feed_length_mm(tension_n_per_m=1800, pressure_kpa=90, friction=0.3) == pytest.approx(66.7, abs=0.05)


@pytest.mark.reference(source="d(T + p R)/d phi = mu (T + p R) on a convex turn (Euler 1769), integrated", kind="derived")
def test_capstan():
    grown = solve_ivp(lambda _, y: 0.3 * y, (0, pi / 2), [1.0], rtol=1e-11, atol=1e-12)
    assert wedge.capstan_factor(0.3, 90) == pytest.approx(grown.y[0, -1], rel=1e-8)


@pytest.mark.reference(source="arcs over trenches and wells, by hand; p = T (1/R1 + 1/R2), Laplace 1806", kind="derived")
def test_sags():
    assert wedge.trench_sag_mm(30, 20) == pytest.approx(6.771, abs=1e-3)
    assert wedge.trench_touch_mm(10, 20) == pytest.approx(17.321, abs=1e-3)
    # Laplace for a surface of revolution: (x sin slope)' = x p / T, integrated from the middle.
    slope = solve_ivp(lambda x, _: [(x / 40) / sqrt(1 - (x / 40) ** 2)], (0, 30), [0.0], rtol=1e-10)
    assert wedge.well_sag_mm(30, 20) == pytest.approx(slope.y[0, -1], rel=1e-7)


@pytest.mark.reference(source="volumes beside a ball by quadrature", kind="derived")
def test_volumes_by_quadrature():
    cube = 1 - dblquad(lambda y, x: sqrt(max(1 - x * x - y * y, 0)), 0, 1, 0, lambda x: sqrt(1 - x * x))[0]
    depth, film, volume = wedge.cube_corner_gap(1.0)
    assert volume == pytest.approx(cube, rel=1e-6)
    assert (depth, film) == pytest.approx((0.732051, 1.1743), abs=1e-6)
    assert wedge.cube_corner_gap(20, 100, 80, 60)[2] == pytest.approx(
        0.214602 * 400 * 180 + 0.476401 * 8000, rel=1e-5
    )
    for half, known in ((30, 0.523599), (45, 0.127046), (60, 0.0217042)):
        s, c = sin(radians(half)), cos(radians(half))
        # Below the ball (centre 1/s above the tip), inside the cone, out to where they touch.
        ring = quad(lambda x, s=s, c=c: 2 * pi * x * (1 / s - sqrt(1 - x * x) - x * c / s), 0, c)[0]
        depth, volume = wedge.pit_gap(half, 1.0)
        assert volume == pytest.approx(ring, rel=1e-8)
        assert volume == pytest.approx(known, rel=1e-5)
        assert depth == pytest.approx(1 / s - 1)
    round_ = quad(lambda x: 2 * pi * (25 + x) * (20 - sqrt(400 - (x - 20) ** 2)), 0, 20)[0]
    assert wedge.post_gap_mm3(25, 20) == pytest.approx(round_, rel=1e-8)
    assert wedge.post_gap_mm3(25, 20) == pytest.approx(1.58933e4, rel=1e-5)


@pytest.mark.reference(source="a tube on a plane and a ball beside it, drawn as a polygon", kind="derived")
@pytest.mark.parametrize(
    ("tube", "ball", "area", "missing"),
    [(25, 10, 100.249, 39.683), (25, 20, 213.723, 47.565), (50, 10, 175.279, 63.770), (30, 30, 386.2834, 60)],
)
def test_tube_on_a_plane(tube, ball, area, missing):
    gap = wedge.tube_gap(tube, ball)
    d = 2 * sqrt(tube * ball)
    lift = np.arctan2(tube - ball, -d)
    wall = np.linspace(-pi / 2, lift - pi, 40001)
    free = np.linspace(lift, 1.5 * pi, 40001)
    side = np.stack([tube * np.cos(wall), tube + tube * np.sin(wall)], axis=1)
    film = np.stack([d + ball * np.cos(free), ball + ball * np.sin(free)], axis=1)
    drawn = Polygon([*side, *film])
    assert gap.area_mm2 == pytest.approx(drawn.area, rel=1e-6)
    assert gap.area_mm2 == pytest.approx(area, abs=1e-3)
    assert gap.missing_mm == pytest.approx(missing, abs=1e-3)
    assert gap.depth_mm == pytest.approx(Point(0, 0).distance(LineString(film)), rel=1e-6)
    assert gap.tangent_mm == pytest.approx(d)


@pytest.mark.reference(source="normals of a leaning cylinder against the plate's", kind="derived")
@pytest.mark.parametrize(("turn", "angle"), [(0, 120), (45, 110.705), (90, 90), (135, 69.295), (180, 60)])
def test_angle_round_a_leaning_post(turn, angle):
    w, tilt = radians(turn), radians(30)
    axis = np.array([-sin(tilt), 0, cos(tilt)])
    across = np.array([cos(tilt), 0, sin(tilt)])
    out = cos(w) * across + sin(w) * np.array([0, 1, 0])
    assert abs(out @ axis) < 1e-12
    assert wedge.post_angle_deg(30, turn) == pytest.approx(angle, abs=1e-3)
    # The turn is that about the axis, so that the wall's normal is known there.
    assert wedge.post_angle_deg(30, turn) == pytest.approx(180 - np.degrees(np.arccos(out[2])), abs=1e-9)


def test_pleats_for_a_missing_length():
    assert wedge.ears_wanted(120, height_mm=15) == 4
    assert wedge.ears_wanted(121, height_mm=15) == 5
    assert wedge.ears_wanted(0, height_mm=15) == 0


@pytest.mark.parametrize("pressure", [0, -5, 101.4, float("nan"), float("inf")])
def test_pressures_no_bag_has(pressure):
    with pytest.raises(QuantityError, match="kPa"):
        wedge.free_radius_mm(tension_n_per_m=1000, pressure_kpa=pressure)


def test_impossible_wedges():
    with pytest.raises(ShapeError, match="200 degrees"):
        wedge.wedge_gap(200, 10)
    with pytest.raises(ShapeError, match="-1 mm"):
        wedge.wedge_gap(90, -1)
    with pytest.raises(ShapeError, match="does not fit"):
        wedge.path_mm(90, 5, 100, radius_mm=10)
    with pytest.raises(ShapeError, match="cannot span"):
        wedge.trench_sag_mm(50, 20)
    with pytest.raises(ShapeError, match="before it touches"):
        wedge.sticking_radius_mm(90, wall_mm=10, pressure_kpa=90, stiffness_n_per_mm=5e3)
    with pytest.raises(QuantityError, match="tension"):
        wedge.free_radius_mm(tension_n_per_m=0, pressure_kpa=90)

"""Where a film bridges, found on meshes, against closed forms."""

from math import pi, radians, tan

import numpy as np
import pytest
import shapes

import plyflat
from plyflat.bag import wedge
from plyflat.surface.mesh import Surface

#: 1000 N/m at 50 kPa: a free radius of 20 mm.
FILM = {"pressure_kpa": 50.0, "tension_n_per_m": 1000.0}


def bridging(v, f, **more):
    return plyflat.find_bridging(Surface(v, f), **FILM, **more)


@pytest.mark.reference(source="film between two walls: r (1/sin(a/2) - 1), r² (cot(a/2) - (pi - a)/2)", kind="derived")
@pytest.mark.parametrize("angle", [45, 60, 75, 90, 105, 120, 135, 150, 165])
def test_wedge(angle):
    v, f = shapes.wedge(angle, length=120)
    found = bridging(v, f, least_mm=0.1)
    gap, wide = wedge.wedge_gap(angle, 20.0), wedge.wedge_gap(angle, 40.0)
    out = np.hypot(v[:, 1], v[:, 2])
    apex = out < 1e-6
    assert found.gap_mm[apex] == pytest.approx(gap.depth_mm, rel=0.01)
    assert found.gap_most_mm[apex] == pytest.approx(wide.depth_mm, rel=0.01)
    clear = (out > 1.01 * gap.tangent_mm + 0.1) & (out < 110)
    assert found.gap_mm[clear].max() < 0.01
    (spot,) = found.spots
    # A very flat corner is open by hundredths near where the film meets the wall.
    loose = 0.06 if angle == 165 else 0.01
    assert spot.volume_mm3 == pytest.approx(120 * gap.area_mm2, rel=loose)
    assert spot.missing_mm == pytest.approx(gap.missing_mm, rel=loose, abs=0.01)
    assert spot.missing_most_mm == pytest.approx(wide.missing_mm, rel=loose, abs=0.01)
    assert spot.missing_mm2 == pytest.approx(120 * gap.missing_mm, rel=loose, abs=0.5)
    assert spot.resin_g == pytest.approx(1.15e-3 * spot.volume_mm3)
    assert spot.place_mm[1:] == pytest.approx((0, 0), abs=1e-6)


@pytest.mark.reference(source="ball tangent to one wall of a wedge at x touches the other at r = x tan(a/2)", kind="derived")
@pytest.mark.parametrize("angle", [60, 90, 120])
def test_reach_on_the_walls_of_a_wedge(angle):
    v, f = shapes.wedge(angle, length=120)
    found = bridging(v, f)
    out = np.hypot(v[:, 1], v[:, 2])
    k = (np.abs(v[:, 0] - 60) < 30) & (out > 3) & (out < 100)
    exact = np.minimum(out[k] * tan(radians(angle / 2)), 60.0)
    assert found.reach_mm[k] == pytest.approx(exact, rel=5e-3)


@pytest.mark.reference(source="film between two walls of a model that is two rectangles", kind="derived")
def test_wedge_of_four_triangles():
    v = np.array([[0, 100, 0], [200, 100, 0], [0, 0, 0], [200, 0, 0], [0, 0, 100], [200, 0, 100]], dtype=float)
    found = bridging(v, np.array([[2, 3, 1], [2, 1, 0], [4, 5, 3], [4, 3, 2]]))
    (spot,) = found.spots
    assert found.gap_mm[2:4] == pytest.approx(8.284, abs=1e-2)
    assert spot.volume_mm3 == pytest.approx(200 * wedge.wedge_gap(90, 20).area_mm2, rel=0.01)


@pytest.mark.reference(source="film between two walls with a fillet: A (r² - R²), kappa (r - R)", kind="derived")
@pytest.mark.parametrize("angle", [45, 60, 75, 90, 105, 120, 135, 150])
def test_wedge_with_a_fillet(angle):
    # A flat corner's fillet is made of finer facets: those of a millimetre fill a fiftieth of its gap.
    profile = shapes.filleted_profile(angle, 10, arc_step=1.0 if angle < 150 else 0.4)
    found = bridging(*shapes.swept(profile), least_mm=0.2)
    gap = wedge.wedge_gap(angle, 20, fillet_mm=10)
    (spot,) = found.spots
    assert spot.depth_mm == pytest.approx(gap.depth_mm, rel=0.01)
    assert spot.volume_mm3 == pytest.approx(120 * gap.area_mm2, rel=0.01)
    assert spot.missing_mm == pytest.approx(gap.missing_mm, rel=0.01)


def test_a_fillet_as_large_as_the_film_is_reached():
    found = bridging(*shapes.swept(shapes.filleted_profile(90, 25)))
    assert found.spots == ()
    assert found.gap_mm.max() < 0.05
    assert found.worst_mm == 0.0


@pytest.mark.reference(source="ball in a corner of three square planes: (sqrt 3 - 1) r, (1 - pi/6) r³", kind="derived")
def test_three_planes():
    (spot,) = bridging(*shapes.three_planes()).spots
    low, film, volume = wedge.cube_corner_gap(20, 100, 100, 100)
    assert spot.depth_mm == pytest.approx(low, rel=1e-3)
    assert spot.depth_mm < film < spot.depth_most_mm == pytest.approx(2 * low, rel=1e-3)
    assert spot.volume_mm3 == pytest.approx(volume, rel=2e-3)
    assert spot.place_mm == pytest.approx((0, 0, 0), abs=1e-9)


@pytest.mark.reference(source="ball in a conical pit: r (1/sin a - 1), pi r³/3 (1 - sin a)²/sin a", kind="derived")
@pytest.mark.parametrize("half", [30, 45, 60])
def test_conical_pit(half):
    (spot,) = bridging(*shapes.conical_pit(half, step=2.0)).spots
    for depth, volume, (exact, held) in (
        (spot.depth_mm, spot.volume_mm3, wedge.pit_gap(half, 20)),
        (spot.depth_most_mm, spot.volume_most_mm3, wedge.pit_gap(half, 40)),
    ):
        assert depth == pytest.approx(exact, rel=0.015)
        assert volume == pytest.approx(held, rel=0.015)


@pytest.mark.reference(source="ball rolled round a post on a plate (Pappus)", kind="derived")
def test_post_square_to_a_plate():
    v, f = shapes.leaning_post(25.0, height=70.0, reach=80.0, step=3.0)
    found = bridging(v, f)
    foot = (np.abs(np.hypot(v[:, 0], v[:, 1]) - 25) < 1e-6) & (v[:, 2] == 0)
    assert found.gap_mm[foot] == pytest.approx(wedge.wedge_gap(90, 20).depth_mm, rel=0.01)
    (spot,) = found.spots
    assert spot.volume_mm3 == pytest.approx(wedge.post_gap_mm3(25, 20), rel=0.02)
    assert spot.area_mm2 == pytest.approx(2 * pi * 25 * 20 + pi * (45**2 - 25**2), rel=0.02)
    assert spot.missing_mm == pytest.approx(wedge.wedge_gap(90, 20).missing_mm, rel=0.02)


@pytest.mark.reference(source="ball beside a tube that lies on a plane", kind="derived")
def test_tube_on_a_plane():
    v, f = shapes.swept(shapes.tube_profile(25.0), step=3.0)
    found = bridging(v, f)
    (spot,) = found.spots
    gap = wedge.tube_gap(25, 20)
    cusp = (np.hypot(v[:, 1], v[:, 2]) < 1e-9) & (np.abs(v[:, 0] - 60) < 40)
    assert np.median(found.gap_mm[cusp]) == pytest.approx(gap.depth_mm, rel=0.002)
    assert found.gap_mm[cusp] == pytest.approx(gap.depth_mm, rel=0.03)
    assert spot.volume_mm3 == pytest.approx(120 * gap.area_mm2, rel=0.02)
    assert spot.missing_mm == pytest.approx(gap.missing_mm, rel=0.01)


@pytest.mark.reference(source="edges and corners of a box's floor, by a ball", kind="derived")
def test_pocket():
    (spot,) = bridging(*shapes.box_pocket(margin=50.0, step=5.0)).spots
    exact = 4 * wedge.cube_corner_gap(20)[2] + 400 * wedge.area_factor(90) * (4 * 160 + 4 * 40)
    assert spot.volume_mm3 == pytest.approx(exact, rel=0.01)
    assert np.abs(spot.place_mm) == pytest.approx((100, 100, 60), abs=1e-6)

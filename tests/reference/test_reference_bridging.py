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


@pytest.mark.reference(
    source="ball in a corner of three square planes: (sqrt 3 - 1) r deep, (1 - pi/6) r³ in the corner's own cube", kind="derived"
)
def test_corner_of_three_walls():
    (corner,) = bridging(*shapes.three_planes()).wall_corners
    low, film, _ = wedge.cube_corner_gap(20)
    assert corner.place_mm == pytest.approx((0, 0, 0), abs=1e-9)
    assert corner.depth_mm == pytest.approx(low, rel=1e-3)
    assert corner.depth_mm < film < corner.depth_most_mm == pytest.approx(2 * low, rel=1e-3)
    # What the corner lines hold beside it is let in by a few hundredths of a radius.
    for r, volume in ((20, corner.volume_mm3), (40, corner.volume_most_mm3)):
        assert (1 - pi / 6) * r**3 < volume < 1.07 * (1 - pi / 6) * r**3
    assert corner.resin_g == pytest.approx(1.15e-3 * corner.volume_mm3)
    assert corner.spot == 1


@pytest.mark.reference(source="corners of a box: four on its floor, where a ball is held by three walls", kind="derived")
@pytest.mark.parametrize("step", [5.0, 20.0])
def test_corners_of_three_walls_on_the_floor_of_a_pocket(step):
    v, f = shapes.box_pocket(size=(240.0, 160.0), step=step)
    found = bridging(shapes.turned(v, seed=4), f)
    ends = shapes.turned(np.vstack([v, [[x, y, -60.0] for x in (-120, 120) for y in (-80, 80)]]), seed=4)[-4:]
    assert len(found.wall_corners) == 4
    for c in found.wall_corners:
        assert np.linalg.norm(ends - c.place_mm, axis=1).min() < 0.01
        assert c.depth_mm == pytest.approx(wedge.cube_corner_gap(20)[0], rel=1e-3)


def test_two_walls_are_no_corner_of_three():
    post, slot = shapes.leaning_post(25.0, height=70.0, reach=80.0, step=3.0), [[-60, 0], [-15, 0], [-15, -40], [15, -40], [15, 0], [60, 0]]
    for v, f in (shapes.wedge(60, length=120), post, shapes.swept(slot, 100, 4.0), shapes.bulkhead_on_hull()[:2]):
        found = bridging(v, f)
        assert found.spots
        assert found.wall_corners == ()

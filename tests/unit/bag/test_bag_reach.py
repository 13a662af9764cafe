import numpy as np
import pytest
import shapes

from plyflat.bag.reach import find_bridging
from plyflat.bag.wedge import post_gap_mm3
from plyflat.errors import QuantityError, ShapeError
from plyflat.surface.cut import refine
from plyflat.surface.mesh import Surface

FILM = {"pressure_kpa": 50.0, "tension_n_per_m": 1000.0}


def test_noise_of_a_millimetre_invents_no_bridging():
    v, f = shapes.wedge(90, length=120, step=5.0)
    rough = v + np.random.default_rng(0).normal(0, 1.0, v.shape)
    found = find_bridging(Surface(rough, f), **FILM)
    assert found.noise_mm == pytest.approx(1.0, abs=0.2)
    out = np.hypot(v[:, 1], v[:, 2])
    inner = (v[:, 0] > 10) & (v[:, 0] < 110)
    assert found.gap_mm[inner & (out > 40) & (out < 110)].max() < 1.0
    assert np.median(found.gap_mm[out < 1e-6]) == pytest.approx(8.284, rel=0.15)
    # Without smoothing the walls are full of it.
    bare = find_bridging(Surface(rough, f), **FILM, smooth_mm=1e-3)
    assert bare.gap_mm[inner & (out > 40)].max() > 1.5


def test_noise_that_hangs_together():
    v, f = shapes.wedge(120, length=120, step=4.0)
    found = find_bridging(Surface(shapes.rough(v, f, 0.5, 6.0), f), **FILM)
    out = np.hypot(v[:, 1], v[:, 2])
    assert found.gap_mm[(out > 40) & (out < 110)].max() < 1.0
    assert np.median(found.gap_mm[out < 1e-6]) == pytest.approx(3.094, rel=0.15)


def test_the_noisy_edge_of_a_thin_fin_is_no_place_that_a_film_bridges():
    thin = [[-100, 0], [-9, 0], [-1.5, 70], [1.5, 70], [9, 0], [100, 0]]
    v, f = shapes.swept(thin, 90.0, 4.5)
    found = find_bridging(Surface(v + np.random.default_rng(1).normal(0, 1.0, v.shape), f), **FILM)
    assert found.noise_mm > 0.5
    assert len(found.spots) == 2
    for spot in found.spots:
        assert spot.place_mm[2] < 15.0
        assert found.gap_mm[spot.vertices].max() == pytest.approx(spot.depth_mm)
    assert found.wall_corners == ()


@pytest.mark.parametrize(("hangs_together", "seed"), [(False, 1), (False, 2), (True, 0), (True, 1), (True, 2)])
def test_dents_along_the_edge_of_a_fine_scan_of_a_fin_are_no_spots(hangs_together, seed):
    # Clean, the two feet alone are bridged; along the edge 70 mm up a millimetre of noise holds the ball up to 2.6 mm off.
    v, f = shapes.swept([[-100, 0], [-9, 0], [-1.5, 70], [1.5, 70], [9, 0], [100, 0]], 90.0, 2.0)
    rough = shapes.rough(v, f, 1.0, 4.0, seed) if hangs_together else v + np.random.default_rng(seed).normal(0, 1.0, v.shape)
    found = find_bridging(Surface(rough, f), **FILM)
    assert len(found.spots) == 2
    assert all(s.place_mm[2] < 15.0 for s in found.spots)
    high = v[:, 2] > 60
    assert found.gap_mm[high].max() < found.least_mm
    assert found.gap_most_mm[high & (found.gap_mm == 0)].max() < 5.0


@pytest.mark.parametrize(("angle", "tension", "deep"), [(90, 250.0, 2.07), (130, 1000.0, 2.07), (60, 250.0, 5.0)])
def test_true_corners_of_a_noisy_scan_stay(angle, tension, deep):
    v, f = shapes.wedge(angle, length=120, step=4.0)
    found = find_bridging(Surface(v + np.random.default_rng(3).normal(0, 1.0, v.shape), f), pressure_kpa=50.0, tension_n_per_m=tension)
    (spot,) = found.spots
    assert np.hypot(*spot.place_mm[1:]) < 8.0
    assert spot.depth_mm == pytest.approx(deep, abs=2.5)


def test_noise_moves_a_corner_of_three_walls_but_invents_none():
    v, f = shapes.three_planes()
    found = find_bridging(Surface(v + np.random.default_rng(0).normal(0, 1.0, v.shape), f), **FILM)
    (corner,) = found.wall_corners
    assert np.linalg.norm(corner.place_mm) < 10.0
    assert corner.depth_mm == pytest.approx(14.64, rel=0.25)
    assert corner.depth_most_mm == pytest.approx(29.28, rel=0.25)


def test_of_a_corner_as_deep_all_along_the_middle_is_told():
    (spot,) = find_bridging(Surface(*shapes.wedge(90, length=240, step=5.0)), **FILM).spots
    assert spot.place_mm == pytest.approx((120.0, 0.0, 0.0), abs=3.0)


def test_a_turned_or_mirrored_hull_bridges_the_same():
    v, f = shapes.wedge(105, length=60, step=5.0)
    here = find_bridging(Surface(v, f), **FILM)
    turned = find_bridging(Surface(shapes.turned(v, seed=3) + [500.0, -20.0, 7.0], f), **FILM)
    assert turned.gap_mm == pytest.approx(here.gap_mm, abs=1e-3)
    assert turned.spots[0].volume_mm3 == pytest.approx(here.spots[0].volume_mm3, rel=1e-3)
    mirrored = find_bridging(Surface(v * [-1, 1, 1], f[:, ::-1]), **FILM)
    assert mirrored.gap_mm == pytest.approx(here.gap_mm, abs=1e-3)
    assert mirrored.reach_mm == pytest.approx(here.reach_mm, rel=1e-3)
    x, y, z = here.spots[0].place_mm
    assert mirrored.spots[0].depth_mm == pytest.approx(here.spots[0].depth_mm, abs=1e-3)
    assert mirrored.spots[0].place_mm[1:] == pytest.approx((y, z), abs=1e-6)


def test_a_finer_mesh_of_one_hull_bridges_the_same():
    v, f = shapes.wedge(105, length=60, step=6.0)
    fine = refine(Surface(v, f), 3.0).surface
    coarse, other = find_bridging(Surface(v, f), **FILM), find_bridging(fine, **FILM)
    assert other.gap_mm[: len(v)] == pytest.approx(coarse.gap_mm, abs=0.02)
    assert other.spots[0].volume_mm3 == pytest.approx(coarse.spots[0].volume_mm3, rel=0.01)
    assert other.spots[0].missing_mm == pytest.approx(coarse.spots[0].missing_mm, rel=0.01)


@pytest.mark.parametrize("step", [2.0, 1.0])
def test_a_fine_mesh_of_many_corners_is_not_taken_for_a_noisy_one(step):
    ribs = [[-100, 0], [-48, 0], [-48, 30], [-32, 30], [-32, 0], [32, 0], [32, 30], [48, 30], [48, 0], [100, 0]]
    found = find_bridging(Surface(*shapes.swept(ribs, 60.0, step)), **FILM)
    assert found.noise_mm == 0.0
    # A ball stands in the middle, 32 mm from the ribs; smoothed as if they were noise, their feet are 7 mm deep.
    assert [s.depth_mm for s in found.spots] == pytest.approx([8.284] * 4, rel=1e-3)


def test_a_fine_mesh_is_looked_at_with_fewer_points_and_bridges_the_same():
    v, f, _ = shapes.post_through(shapes.round_section(25.0), height=60.0, size=150.0, step=1.3)
    found = find_bridging(Surface(v, f), **FILM)
    (spot,) = found.spots
    assert spot.depth_mm == pytest.approx(8.284, rel=3e-3)
    assert spot.volume_mm3 == pytest.approx(post_gap_mm3(25, 20), rel=5e-3)
    assert spot.missing_mm == pytest.approx(0.4292 * 20, rel=0.01)
    out = np.hypot(v[:, 0], v[:, 1])
    plate = (v[:, 2] == 0) & (out > 38) & (out < 60)
    # A ball on the plate touches the post, which stands square: it is as large as its way from it.
    assert found.reach_mm[plate] == pytest.approx(out[plate] - 25, rel=5e-3)


def test_uneven_triangles_with_holes_and_outliers_invent_no_bridging():
    v, f = shapes.wedge(90, length=120, step=4.0)
    rng = np.random.default_rng(5)
    out = np.hypot(v[:, 1], v[:, 2])
    rough = v + rng.normal(0, 0.5, v.shape)
    # Points drawn along the surface, some far off it, and holes the size of a coin.
    wall = (np.abs(v[:, 1]) > 1) & (np.abs(v[:, 2]) < 1e-9) & (out < 112)
    rough[wall] += rng.uniform(-1.2, 1.2, v[wall].shape) * [1, 1, 0]
    far = rng.choice(np.flatnonzero((out > 50) & (out < 100)), 25, replace=False)
    rough[far] += rng.normal(0, 2.0, (25, 3))
    middle = v[f].mean(axis=1)
    holes = np.array([[30.0, 60.0, 0.0], [80.0, 0.0, 70.0], [70.0, 90.0, 0.0]])
    keep = (np.linalg.norm(middle[:, None] - holes, axis=2) > 8).all(axis=1)
    s, used = Surface(rough, f).sub(keep)
    found = find_bridging(s, **FILM)
    assert found.noise_mm > 0.3
    assert len(found.spots) == 1
    assert found.wall_corners == ()
    out = out[used]
    inner = (v[used, 0] > 10) & (v[used, 0] < 110)
    assert found.gap_mm[inner & (out > 40) & (out < 110)].max() < 1.0
    assert np.median(found.gap_mm[out < 1e-6]) == pytest.approx(8.284, rel=0.2)


def test_convex_and_gently_hollow_surfaces_are_reached():
    for v, f in (shapes.cap(triangles=4000), shapes.saddle(triangles=4000), shapes.box((300, 200, 100), 5)):
        found = find_bridging(Surface(v, f), **FILM)
        assert found.spots == ()
        assert found.gap_mm.max() == 0.0
        assert found.reach_mm.min() > 20.0


def test_a_slot_the_ball_does_not_enter():
    slot = [[-60, 0], [-15, 0], [-15, -40], [15, -40], [15, 0], [60, 0]]
    v, f = shapes.swept(slot, 100, 4.0)
    (spot,) = find_bridging(Surface(v, f), **FILM).spots
    # Sharp rims 30 mm apart: the film sags 20 - sqrt(400 - 225).
    assert spot.depth_mm == pytest.approx(np.hypot(15, 40 + np.sqrt(175)) - 20, rel=0.01)
    assert spot.volume_mm3 == pytest.approx(100 * (30 * 40 - (400 * np.arcsin(0.75) - 15 * np.sqrt(175))), rel=0.02)


def test_spots_are_told_deepest_first_and_by_their_own_vertices():
    profile = [[-150, 0], [-50, 0], [-50, 60], [30, 60], [60, 0], [150, 0]]
    v, f = shapes.swept(profile, 80, 5.0)
    found = find_bridging(Surface(v, f), **FILM)
    depth = [s.depth_mm for s in found.spots]
    assert depth == sorted(depth, reverse=True)
    assert len(depth) == 2
    for s in found.spots:
        assert found.gap_mm[s.vertices].max() == pytest.approx(s.depth_mm, rel=0.02)
    assert not set(found.spots[0].vertices.tolist()) & set(found.spots[1].vertices.tolist())
    assert find_bridging(Surface(v, f), **FILM, least_mm=5.0).spots[1:] == ()


def test_more_pressure_reaches_deeper():
    v, f = shapes.wedge(90, length=60, step=5.0)
    s = Surface(v, f)
    low = find_bridging(s, pressure_kpa=50, tension_n_per_m=1000).spots[0]
    high = find_bridging(s, pressure_kpa=100, tension_n_per_m=1000).spots[0]
    assert high.depth_mm == pytest.approx(low.depth_mm / 2, rel=0.01)
    assert high.volume_mm3 == pytest.approx(low.volume_mm3 / 4, rel=0.01)


def test_film_larger_than_anything_it_lies_on():
    v, f = shapes.wedge(90, length=60, first=20, second=20, step=4.0)
    with pytest.raises(ShapeError, match="400 mm.*touches this surface nowhere"):
        find_bridging(Surface(v, f), pressure_kpa=5, tension_n_per_m=2000)


@pytest.mark.parametrize(
    ("wrong", "says"),
    [
        ({"pressure_kpa": 0.0}, "0 kPa"),
        ({"pressure_kpa": 150.0}, "150 kPa"),
        ({"tension_n_per_m": -3.0}, "tension is -3"),
        ({"least_mm": 0.0}, "least_mm is 0"),
        ({"smooth_mm": float("nan")}, "smooth_mm is nan"),
        ({"resin_g_per_cm3": 0.0}, "resin_g_per_cm3 is 0"),
    ],
)
def test_films_that_cannot_be(wrong, says):
    with pytest.raises(QuantityError, match=says):
        find_bridging(Surface(*shapes.wedge(90, step=20.0)), **{**FILM, **wrong})

import numpy as np
import pytest
import shapes
from scipy.integrate import quad
from scipy.spatial import cKDTree

from plyflat.surface import Surface
from plyflat.surface.corner import corner_regions, find_corner


def dense(line, closed):
    p = np.vstack([line, line[:1]]) if closed else line
    return np.vstack([a + (b - a) * np.linspace(0, 1, 25)[:, None] for a, b in zip(p, p[1:])])


@pytest.mark.reference(source="a circular cylinder meets a plane in an ellipse with half axes r and r / sin a", kind="derived")
@pytest.mark.parametrize("angle", [90.0, 45.0])
def test_rough_tube_meets_a_plate_in_an_ellipse(angle):
    v, f, _ = shapes.post_through(shapes.round_section(40.0), angle, step=4.5)
    corner = find_corner(Surface(shapes.rough(v, f, 0.7, 5.0), f), [0.0, 41.0, 1.0])
    t = np.linspace(0, 2 * np.pi, 720, endpoint=False)
    ellipse = np.stack([40 / np.sin(np.radians(angle)) * np.cos(t), 40 * np.sin(t), 0 * t], axis=1)
    off = cKDTree(dense(corner.points_mm, True)).query(ellipse)[0]
    assert corner.section == "round"
    assert np.sqrt((off**2).mean()) < 0.35
    assert off.max() < 1.0
    # Ends of the long axis: the wall leans over the plate by the axis' angle on one side and away on the other.
    assert corner.angle_deg.min() == pytest.approx(angle, abs=2.5)
    assert corner.angle_deg.max() == pytest.approx(180 - angle, abs=2.5)


@pytest.mark.reference(source="perimeter of an ellipse, 4 a E(e), by quadrature", kind="derived")
def test_length_of_the_corner_of_a_leaning_tube_on_a_clean_model():
    tilt = 40.0
    surface = Surface(*shapes.leaning_post(radius=30.0, tilt_deg=tilt, height=80.0, reach=80.0, step=2.5))
    corner = find_corner(surface, [0.0, 31.0, 0.0])
    a, b = 30.0 / np.cos(np.radians(tilt)), 30.0
    length = quad(lambda w: np.hypot(a * np.sin(w), b * np.cos(w)), 0, 2 * np.pi)[0]
    assert corner.section == "edge"
    assert corner.length_mm == pytest.approx(length, rel=3e-3)


@pytest.mark.reference(source="a right cylinder on a plate: laps end in a circle of radius r + d and one at height h", kind="derived")
def test_laps_round_a_right_post():
    surface = Surface(*shapes.leaning_post(radius=30.0, height=80.0, reach=80.0, step=3.0))
    corner = find_corner(surface, [31.0, 0.0, 0.0], first_mm=[60.0, 0.0, 0.0])
    bands = corner_regions(surface, corner, [(20.0, 35.0), (40.0, 50.0)])
    for band, (out, up) in zip(bands, [(20.0, 35.0), (40.0, 50.0)]):
        p = band.surface.vertices_mm
        ends = [p[q] for q in band.loops]
        plate, wall = sorted(ends, key=lambda q: q[:, 2].mean())
        np.testing.assert_allclose(np.hypot(plate[:, 0], plate[:, 1]), 30 + out, atol=0.35)
        np.testing.assert_allclose(wall[:, 2], up, atol=0.35)


def unrolled_height(radius, tilt_deg, lap, count=4000):
    """Height along the ruling of the curve ``lap`` away from the foot of a leaning tube, in the unrolled wall.

    The foot unrolls to s = radius w, t = radius tan(tilt) cos w; the curve is the envelope of discs about its points.
    """
    w = np.linspace(-2 * np.pi, 4 * np.pi, count)
    foot = np.stack([radius * w, radius * np.tan(np.radians(tilt_deg)) * np.cos(w)], axis=1)
    tree = cKDTree(foot)
    return lambda s, t: tree.query(np.stack([s, t], axis=1))[0] - lap


@pytest.mark.reference(source="a cylinder unrolls without stretch: distance from the foot curve in the plane", kind="derived")
def test_lap_up_a_leaning_tube_against_its_unrolled_wall():
    radius, tilt, lap = 30.0, 35.0, 30.0
    surface = Surface(*shapes.leaning_post(radius=radius, tilt_deg=tilt, height=80.0, reach=80.0, step=2.5))
    corner = find_corner(surface, [0.0, 31.0, 0.0], first_mm=[0.0, 70.0, 0.0])
    (band,) = corner_regions(surface, corner, [(25.0, lap)])
    p = band.surface.vertices_mm
    wall = max((p[q] for q in band.loops), key=lambda q: q[:, 2].mean())
    axis = np.array([np.sin(np.radians(tilt)), 0.0, np.cos(np.radians(tilt))])
    across = np.array([np.cos(np.radians(tilt)), 0.0, -np.sin(np.radians(tilt))])
    turn = np.mod(np.arctan2(wall[:, 1], wall @ across), 2 * np.pi)
    off = unrolled_height(radius, tilt, lap)(radius * turn, wall @ axis)
    assert np.abs(off).max() < 1.0


@pytest.mark.reference(source="a bulkhead's plane through the x axis cuts z = hull(x, 0) out of a hull", kind="derived")
def test_rough_bulkhead_meets_a_curved_hull_in_its_section():
    v, f, line = shapes.bulkhead_on_hull(90.0, length=260.0, step=4.5)
    corner = find_corner(Surface(shapes.rough(v, f, 0.7, 5.0), f), [0.0, 1.0, 1.0])
    assert not corner.closed
    off = cKDTree(dense(corner.points_mm, False)).query(line[20:-20])[0]
    assert np.sqrt((off**2).mean()) < 0.35
    assert off.max() < 1.0

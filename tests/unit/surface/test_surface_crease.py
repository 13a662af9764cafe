import numpy as np
import pytest
import shapes

from plyflat.surface._topology import mesh_edges
from plyflat.surface.crease import bend_within, find_creases, turns
from plyflat.surface.mesh import Surface


def test_turns_of_a_box_are_square_and_convex():
    s = Surface(*shapes.box())
    turn, length = turns(s, mesh_edges(s.faces, len(s.vertices_mm)))
    sharp = np.abs(turn) > 1e-9
    assert turn[sharp] == pytest.approx(np.pi / 2)
    assert length[sharp].sum() == pytest.approx(4 * (400 + 300 + 200))


@pytest.mark.parametrize("angle", [60.0, 90.0, 120.0])
def test_bend_at_a_corner_is_near_its_turn(angle):
    s = Surface(*shapes.wedge(angle, step=2.0))
    edges = mesh_edges(s.faces, len(s.vertices_mm))
    turn, length = turns(s, edges)
    bend = bend_within(s, edges, turn * length, 10.0)
    y, z = s.vertices_mm[:, 1:].T
    middle = np.abs(s.vertices_mm[:, 0] - 100) < 60
    on = middle & (np.hypot(y, z) < 1e-6)
    assert np.degrees(-bend[on]).mean() == pytest.approx(180 - angle, rel=0.1)
    assert np.abs(np.degrees(bend[middle & (np.hypot(y, z) > 30)])).max() < 1.0


def test_creases_of_a_chine_hull():
    v, f, chine = shapes.chine_hull(step=5)
    (crease,) = find_creases(Surface(v, f))
    assert not crease.concave
    assert not crease.closed
    assert np.linalg.norm(np.diff(crease.points_mm, axis=0), axis=1).sum() == pytest.approx(
        np.linalg.norm(np.diff(chine, axis=0), axis=1).sum(), rel=0.03
    )


def _off_the_edges(points, size, depth):
    """Distance of points from the nearest inside edge of a pocket: the four of its floor, the four upright ones."""
    x, y, z = points.T
    a, b = size[0] / 2, size[1] / 2
    out_x, out_y = np.maximum(np.abs(x) - a, 0), np.maximum(np.abs(y) - b, 0)
    floor = np.minimum(np.hypot(np.abs(x) - a, out_y), np.hypot(np.abs(y) - b, out_x))
    upright = np.hypot(np.hypot(np.abs(x) - a, np.abs(y) - b), np.maximum(z, 0))
    return np.minimum(np.hypot(floor, z + depth), upright)


def _length(crease):
    return np.linalg.norm(np.diff(crease.points_mm, axis=0), axis=1).sum()


@pytest.mark.reference(source="edges of a box: four of its floor, four upright, each of 90 degrees", kind="derived")
@pytest.mark.parametrize(("size", "step"), [((200.0, 200.0), 5.0), ((200.0, 80.0), 5.0), ((200.0, 200.0), 20.0)])
def test_lines_of_a_pocket_are_its_edges(size, step):
    found = find_creases(Surface(*shapes.box_pocket(size=size, step=step)), angle_deg=20.0, scale_mm=15.0)
    hollow = [c for c in found if c.concave]
    assert [c.closed for c in hollow] == [True, False, False, False, False]
    assert [_length(c) for c in hollow] == pytest.approx([2 * sum(size), 60, 60, 60, 60])
    for c in hollow:
        assert c.angle_deg == pytest.approx(90.0, abs=0.01)
        assert _off_the_edges(c.points_mm, size, 60.0).max() < 1e-6
    (rim,) = (c for c in found if not c.concave)
    assert rim.closed
    assert _length(rim) == pytest.approx(2 * sum(size))


@pytest.mark.reference(source="edges of a box: four of its floor, four upright, each of 90 degrees", kind="derived")
@pytest.mark.parametrize(("step", "noise", "off_mm", "off_deg"), [(4.0, 0.0, 6.0, 4.0), (2.5, 0.5, 4.0, 10.0), (4.0, 1.0, 7.0, 14.0)])
def test_lines_of_a_scanned_pocket_follow_its_edges(step, noise, off_mm, off_deg):
    v, f = shapes.contoured_pocket(step=step)
    scan = Surface(shapes.rough(v, f, noise, 5.0, seed=1) if noise else v, f)
    ring, *upright = (c for c in find_creases(scan, angle_deg=20.0, scale_mm=15.0) if c.concave)
    assert ring.closed
    assert len(upright) == 4
    assert ring.angle_deg == pytest.approx(90.0, abs=3.0)
    for c in upright:
        assert not c.closed
        assert _length(c) > 45
        assert c.angle_deg == pytest.approx(90.0, abs=off_deg)
        ends = np.sort(c.points_mm[[0, -1], 2])
        assert ends[0] < -50
        assert ends[1] > -25
    for c in (ring, *upright):
        assert _off_the_edges(c.points_mm, (160.0, 120.0), 70.0).max() < off_mm


def test_where_three_walls_meet_lines_end():
    lines = find_creases(Surface(*shapes.three_planes()), scale_mm=15.0)
    assert [_length(c) for c in lines] == pytest.approx([100, 100, 100])
    for c in lines:
        assert np.linalg.norm(c.points_mm[[0, -1]], axis=1).min() == 0
        assert c.angle_deg == pytest.approx(90.0)


def test_the_foot_of_a_fin_goes_round_it_and_cuts_the_corner_it_stands_in():
    found = [c for c in find_creases(Surface(*_fin_in_a_corner()), scale_mm=10.0) if c.concave]
    assert [round(_length(c)) for c in found] == [340, 95, 95]
    assert [c.closed for c in found] == [True, False, False]
    for c in found:
        assert c.angle_deg == pytest.approx(90.0)
    for c in found[1:]:
        assert np.abs(c.points_mm[:, 1:]).max() == 0


def _fin_in_a_corner():
    """Floor and wall of 100 mm that meet along the x axis for 200 mm, with a fin of 80 by 80 by 10 mm half way."""
    step = 5.0
    points, faces = [], []

    def plane(origin, one, two, inside):
        n = 40
        a, b = np.meshgrid(np.arange(n + 1), np.arange(n + 1), indexing="ij")
        at = np.arange(a.size).reshape(a.shape) + sum(map(len, points))
        p, q, r, s = at[:-1, :-1].ravel(), at[1:, :-1].ravel(), at[1:, 1:].ravel(), at[:-1, 1:].ravel()
        places = np.asarray(origin) + a.reshape(-1, 1) * step * np.asarray(one) + b.reshape(-1, 1) * step * np.asarray(two)
        middle = places[p - at[0, 0]] + 0.5 * step * (np.asarray(one) + np.asarray(two))
        keep = inside(middle)
        points.append(places)
        faces.append(np.concatenate([np.stack([p, q, r], 1)[keep], np.stack([p, r, s], 1)[keep]]))

    x, y, z = np.eye(3)
    apart = 95.0
    plane((0, 0, 0), x, y, lambda m: ((m[:, 0] < apart) | (m[:, 0] > apart + 10) | (m[:, 1] > 80)) & (m[:, 1] < 100))
    plane((0, 0, 0), z, x, lambda m: ((m[:, 0] < apart) | (m[:, 0] > apart + 10) | (m[:, 2] > 80)) & (m[:, 2] < 100))
    plane((apart, 0, 0), z, y, lambda m: (m[:, 1] < 80) & (m[:, 2] < 80))
    plane((apart + 10, 0, 0), y, z, lambda m: (m[:, 1] < 80) & (m[:, 2] < 80))
    plane((apart, 80, 0), z, x, lambda m: (m[:, 0] < apart + 10) & (m[:, 2] < 80))
    plane((apart, 0, 80), x, y, lambda m: (m[:, 0] < apart + 10) & (m[:, 1] < 80))
    v, inverse = np.unique(np.concatenate(points).round(6), axis=0, return_inverse=True)
    f = inverse.ravel()[np.concatenate(faces)]
    used, f = np.unique(f, return_inverse=True)
    return v[used], f.reshape(-1, 3)

"""Lengths of tapes pulled over the hull, against shapes that can be rolled out flat and the ball."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapes

from plyflat.surface.mesh import Surface
from plyflat.surface.tape_pull import crossings, few_points


def sheet(width=1000.0, height=800.0):
    flat, faces = shapes.rectangle(width, height, triangles=600)
    return Surface(np.column_stack([flat, 0 * flat[:, 0]]), faces)


@pytest.mark.reference(source="Pythagoras: the distance of two points of a plane", kind="derived")
def test_on_a_flat_panel_they_are_straight_and_cross_where_the_point_is():
    rng = np.random.default_rng(3)
    marks = np.array([[5.0, 5, 0], [990, 12, 0], [480, 790, 0], [20, 600, 0]])
    points = np.column_stack([rng.uniform(50, 950, 20), rng.uniform(50, 750, 20), np.zeros(20)])
    # Two in one triangle, and one twice.
    points[1], points[2] = points[0] + [0.4, 0.3, 0], points[0]
    for point, found in zip(points, crossings(sheet(), marks, points)):
        ways = []
        for pull in (found.first, found.second):
            way = marks[pull.mark] - point
            assert pull.length_mm == pytest.approx(np.linalg.norm(way), abs=0.05)
            assert pull.way @ way / np.linalg.norm(way) == pytest.approx(1.0, abs=1e-6)
            ways.append(way / np.linalg.norm(way))
        assert found.sine == pytest.approx(abs(np.cross(*ways)[2]), abs=1e-3)


@pytest.mark.reference(source="a cylinder rolls out flat: a helix is a straight line on it", kind="derived")
def test_round_a_cylinder_they_are_helices():
    radius, height = 300.0, 800.0
    hull = Surface(*shapes.cylinder(radius, wrap_deg=200.0, height=height, triangles=40000))
    low, high = hull.vertices_mm.min(axis=0), hull.vertices_mm.max(axis=0)
    along = int(np.argmax(high - low))
    v = hull.vertices_mm
    a, b = v[np.argmin(v[:, along] + 1e-3 * v[:, 0])], v[np.argmax(v[:, along] + 1e-3 * v[:, 0])]
    point = v[len(v) // 2]
    across = [k for k in range(3) if k != along]
    (found,) = crossings(hull, [a, b], [point])
    for pull, mark in ((found.first, (a, b)[found.first.mark]), (found.second, (a, b)[found.second.mark])):
        cosine = mark[across] @ point[across] / radius**2
        turn = math.acos(min(max(cosine, -1.0), 1.0))
        assert pull.length_mm == pytest.approx(math.hypot(radius * turn, mark[along] - point[along]), rel=1e-3)


@pytest.mark.reference(source="great circles: R times the angle; the corner of an eighth of a ball is square", kind="derived")
def test_on_a_ball_they_are_great_circles():
    radius = 500.0
    ball = Surface(*shapes.sphere(radius, 20000))
    (found,) = crossings(ball, radius * np.eye(3)[:2], radius * np.eye(3)[2:])
    assert found.first.length_mm == pytest.approx(radius * math.pi / 2, rel=1e-3)
    assert found.second.length_mm == pytest.approx(radius * math.pi / 2, rel=1e-3)
    assert found.sine == pytest.approx(1.0, abs=0.01)


@pytest.mark.reference(source="a polygon's own corners are the fewest points that give it", kind="derived")
def test_a_line_is_given_by_its_corners():
    corners = np.array([[0.0, 0, 0], [400, 0, 0], [400, 300, 0], [150, 420, 50], [0, 300, 0]])
    dense = np.vstack([a + np.linspace(0, 1, 37, endpoint=False)[:, None] * (b - a) for a, b in zip(corners, np.roll(corners, -1, axis=0))])
    found = few_points(np.roll(dense, 11, axis=0), off_mm=2.0, most=16)
    assert {tuple(p) for p in found.round(6)} == {tuple(p) for p in corners}


def test_a_round_line_is_given_by_no_more_points_than_asked_for():
    turn = np.linspace(0, 2 * np.pi, 400, endpoint=False)
    ring = 500.0 * np.stack([np.cos(turn), np.sin(turn), 0 * turn], axis=1)
    assert 6 <= len(few_points(ring, off_mm=1.0, most=12)) <= 12

"""Pointing at the hull, against surfaces whose points are known."""

import numpy as np
import pytest
import shapes

from plyflat.page.view import SIDES, Scene, copies_of
from plyflat.surface.mesh import Surface

RADIUS = 1000.0


@pytest.fixture(scope="module")
def ball():
    scene = Scene(copies_of(Surface(*shapes.sphere(RADIUS, 20000))))
    yield scene
    scene.close()


def _seen(scene, point):
    wide, high = scene.plotter.render_window.GetSize()
    return scene._to_pixels(point) / (wide, high)


@pytest.mark.parametrize("side", list(SIDES))
def test_the_middle_of_the_picture_is_the_nearest_point_of_a_ball(ball, side):
    ball.see(side)
    at = ball.pick(0.5, 0.5)
    np.testing.assert_allclose(at, RADIUS * np.array(SIDES[side]) * (1, 1, 1), atol=8.0)
    assert ball.pick(0.01, 0.01) is None


def test_a_point_is_picked_where_it_is_seen(ball):
    ball.see("port")
    rng = np.random.default_rng(1)
    for _ in range(20):
        way = rng.normal(size=3)
        way[1] = abs(way[1]) + 0.5
        point = RADIUS * way / np.linalg.norm(way)
        at = ball.pick(*_seen(ball, point))
        # The mesh lies within its sagitta of the ball; half a pixel is a mm or two here.
        assert np.linalg.norm(at - point) < 2.0 * ball.mm_per_pixel(point)


def test_a_pixel_spans_what_it_says(ball):
    ball.see("port")
    a, b = np.array([0.0, RADIUS, 0.0]), np.array([0.0, RADIUS, 10.0])
    pixels = np.hypot(*(ball._to_pixels(a) - ball._to_pixels(b)))
    assert ball.mm_per_pixel(a) == pytest.approx(10.0 / pixels, rel=0.01)


def test_lines_between_points_are_great_circles(ball):
    a, b = np.array([RADIUS, 0.0, 0.0]), np.array([0.0, RADIUS, 0.0])
    line = ball.join(a, b)
    assert np.linalg.norm(np.diff(line, axis=0), axis=1).sum() == pytest.approx(RADIUS * np.pi / 2, rel=0.01)
    assert np.abs(line[:, 2]).max() < 0.06 * RADIUS
    assert len(ball.join(a, a)) == 2


def test_a_marker_is_held_where_it_is_seen_and_not_through_the_hull(ball):
    ball.see("port")
    ball.show_points(np.array([[0.0, RADIUS, 0.0], [0.0, -RADIUS, 300.0]]), closed=False)
    assert ball.grip(*_seen(ball, [0.0, RADIUS, 0.0])) == 0
    assert ball.grip(*_seen(ball, [0.0, -RADIUS, 300.0])) is None
    assert ball.grip(0.1, 0.1) is None
    ball.show_points(np.zeros((0, 3)), closed=False)
    assert ball.grip(0.5, 0.5) is None


def test_directions_are_those_of_the_boat():
    scene = Scene(copies_of(Surface(*shapes.sphere(RADIUS, 2000))), forward=(0, 1, 0), up=(0, 0, 1))
    scene.see("ahead")
    np.testing.assert_allclose(scene.pick(0.5, 0.5), [0, RADIUS, 0], atol=40)
    scene.see("port")
    np.testing.assert_allclose(scene.pick(0.5, 0.5), [-RADIUS, 0, 0], atol=40)
    scene.close()


def test_what_is_drawn_while_turning_is_coarser():
    copies = copies_of(Surface(*shapes.sphere(RADIUS, 60000)))
    assert len(copies.turning[1]) <= 30_000 < len(copies.still[1])
    assert len(copies.full.faces) == len(copies.lines[1])

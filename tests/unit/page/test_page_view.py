"""Pointing at the hull, against surfaces whose points are known."""

import numpy as np
import pytest
import shapes
from scipy.spatial.transform import Rotation

from plyflat.page.view import SIDES, Scene, copies_of
from plyflat.page.ways import seen_ways
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
    assert np.linalg.norm(np.diff(line, axis=0), axis=1).sum() == pytest.approx(RADIUS * np.pi / 2, rel=0.001)
    assert np.abs(line[:, 2]).max() < 0.005 * RADIUS
    assert len(ball.join(a, a)) == 2


def test_a_marker_is_held_where_it_is_seen_and_not_through_the_hull(ball):
    ball.see("port")
    ball.show_points(np.array([[0.0, RADIUS, 0.0], [0.0, -RADIUS, 300.0]]), closed=False)
    assert ball.grip(*_seen(ball, [0.0, RADIUS, 0.0])) == 0
    assert ball.grip(*_seen(ball, [0.0, -RADIUS, 300.0])) is None
    assert ball.grip(0.1, 0.1) is None
    ball.show_points(np.zeros((0, 3)), closed=False)
    assert ball.grip(0.5, 0.5) is None


def test_rings_are_numbered_on_and_closed_by_themselves(ball):
    ball.see("port")
    own = RADIUS * np.array([[-0.6, 0.8, 0], [-0.8, 0.6, 0]])
    ring = RADIUS * np.array([[0.6, 0.8, 0], [0.28, 0.96, 0], [0.352, 0.936, 0.0]])
    spot = RADIUS * np.array([[0.0, 0.8, 0.6]])
    ball.show_points(own, closed=False, rings=[ring, spot])
    for number, point in enumerate([*own, *ring, *spot]):
        assert ball.grip(*_seen(ball, point)) == number
    # One line between the first two, three round the ring, none about the point that stands alone.
    assert ball.plotter.actors["joins"].GetMapper().GetInput().n_lines == 4
    ball.show_points(np.zeros((0, 3)), closed=False)
    assert "joins" not in ball.plotter.actors


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
    assert len(copies.far[1]) <= 8000


def test_colours_of_a_scan_are_those_of_the_nearest_vertex():
    v, f = shapes.sphere(RADIUS, 60000)
    colours = np.where(v[:, :1] > 0, [255, 0, 0], [0, 0, 255]).astype(np.uint8)
    copies = copies_of(Surface(v, f, colors=colours))
    for (points, _), seen in ((copies.still, copies.still_seen), (copies.turning, copies.turning_seen)):
        clear = np.abs(points[:, 0]) > 20.0
        assert clear.mean() > 0.9
        assert ((seen[:, 0] == 255) == (points[:, 0] > 0))[clear].all()
    assert copies_of(Surface(v, f)).still_seen is None


def test_a_marker_is_drawn_where_its_point_is(ball):
    ball.see("port")
    ball.show_points(np.array([[0.0, RADIUS, 0.0]]), closed=False)
    picture = ball.plotter.screenshot(None, return_img=True).astype(int)
    x, y = ball._to_pixels((0.0, RADIUS, 0.0))
    marked = np.abs(picture - [0xB3, 0x54, 0x1E]).sum(axis=2) < 60
    rows, columns = np.nonzero(marked)
    assert marked.sum() > 80
    assert np.abs(columns - x).max() < 9
    assert np.abs(picture.shape[0] - 1 - rows - y).max() < 9
    ball.show_points(np.zeros((0, 3)), closed=False)


def test_the_keys_turn_the_hull_and_come_nearer(ball):
    ball.see("port")
    far = ball.mm_per_pixel(np.array([0.0, RADIUS, 0.0]))
    ball.turn_by(90.0, 0.0)
    assert abs(ball.pick(0.5, 0.5)[0]) == pytest.approx(RADIUS, abs=8)
    ball.turn_by(-90.0, 45.0)
    np.testing.assert_allclose(ball.pick(0.5, 0.5), RADIUS * np.array([0, 1, 1]) / np.sqrt(2), atol=40)
    ball.turn_by(0.0, -45.0)
    ball.nearer(2.0)
    assert ball.mm_per_pixel(np.array([0.0, RADIUS, 0.0])) < 0.6 * far


@pytest.mark.parametrize("turned", [(0, 0), (40, 20)])
def test_what_is_seen_moves_with_the_fingers(ball, turned):
    ball.see("port")
    ball.turn_by(*turned)
    wide, high = ball.plotter.render_window.GetSize()
    middle = np.array(ball.plotter.camera.focal_point)
    np.testing.assert_allclose(ball._to_pixels(middle), (wide / 2, high / 2), atol=1)
    ball.shift(0.2, -0.1)
    np.testing.assert_allclose(ball._to_pixels(middle), (0.7 * wide, 0.4 * high), atol=1)
    ball.shift(-0.2, 0.1)
    np.testing.assert_allclose(ball._to_pixels(middle), (wide / 2, high / 2), atol=1)


def test_a_region_is_looked_at_square(ball):
    full = ball.copies.full
    middle = full.vertices_mm[full.faces].mean(axis=1) @ [0.6, 0.0, 0.8]
    faces = full.faces[middle > 0.95 * RADIUS]
    used, inverse = np.unique(faces, return_inverse=True)
    ball.see_patch(Surface(full.vertices_mm[used], inverse.reshape(faces.shape)))
    np.testing.assert_allclose(ball.pick(0.5, 0.5), RADIUS * np.array([0.6, 0.0, 0.8]), atol=40)
    # What goes all round leaves the eye where it was, but for its distance.
    ball.see("above")
    ball.see_patch(full)
    np.testing.assert_allclose(ball.pick(0.5, 0.5), [0, 0, RADIUS], atol=40)


@pytest.mark.parametrize("turned", [(0, 0), (70, 10), (-40, 60), (200, -75), (10, 88), (92, 3)])
def test_arrows_forward_and_up_point_as_the_hull_is_seen(ball, turned):
    ball.see("port")
    ball.turn_by(*turned)
    ball.plotter.render_window.Render()
    middle = np.array(ball.plotter.camera.focal_point)
    ways = {"forward": np.array([1.0, 0, 0]), "up": np.array([0.0, 0, 1])}
    found = {arrow.name: arrow for arrow in ball.ways.arrows}
    assert set(found) == set(ways)
    for name, arrow in found.items():
        seen = ball._to_pixels(middle + 0.1 * RADIUS * ways[name]) - ball._to_pixels(middle)
        if arrow.drawn:
            way = arrow.tip - arrow.foot
            # With perspective, what comes towards the eye runs off by a little.
            assert way @ seen > 0.995 * np.hypot(*way) * np.hypot(*seen)
        else:
            toward = ways[name] @ ball.plotter.camera.direction < 0
            assert arrow.word == f"{name}: {'towards you' if toward else 'away from you'}"


def test_arrows_and_their_words_keep_clear_of_each_other_and_of_the_edge():
    turns = Rotation.random(300, random_state=1).as_matrix()
    ways = {"forward": np.array([1.0, 0, 0]), "up": np.array([0.0, 0, 1])}
    for right, up, view in turns:
        found = seen_ways(ways, right=right, up=up, view=view)
        boxes = [(a.middle, np.array([4.5 * len(a.word), 10.0])) for a in found]
        assert all((middle - half >= 10 - 1e-9).all() for middle, half in boxes)
        (a, p), (b, q) = boxes
        assert (np.abs(a - b) >= p + q - 1e-9).any()
        for arrow, (middle, half) in ((arrow, box) for arrow in found if arrow.drawn for box in boxes):
            # No arrow runs through a word.
            along = arrow.foot + np.linspace(0, 1, 30)[:, None] * (arrow.tip - arrow.foot)
            assert (np.abs(along - middle) > 0.7 * half).any(axis=1).all()


def test_the_arrows_are_drawn_where_they_are_said_to_be(ball):
    ball.see("port")
    picture = ball.plotter.screenshot(None, return_img=True).astype(int)
    rows, columns = np.nonzero(np.abs(picture - [0x1C, 0x27, 0x33]).sum(axis=2) < 40)
    forward, up = sorted(ball.ways.arrows, key=lambda arrow: arrow.name)
    # Seen from port the bow is on the left, and up is up.
    np.testing.assert_allclose(forward.tip - forward.foot, [-52, 0], atol=1e-6)
    np.testing.assert_allclose(up.tip - up.foot, [0, 52], atol=1e-6)
    at = np.column_stack([columns, picture.shape[0] - 1 - rows])
    at = at[(at < 200).all(axis=1)]  # the ball's dim edge lies farther in
    for arrow in (forward, up):
        for share in (0.2, 0.5, 0.9):
            place = arrow.foot + share * (arrow.tip - arrow.foot)
            assert np.abs(at - place).max(axis=1).min() < 2
        # The word is written there.
        assert (np.abs(at - arrow.middle) < (4.5 * len(arrow.word), 10)).all(axis=1).sum() > 12 * len(arrow.word)

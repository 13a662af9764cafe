"""A projector's matrix and what its lens sees, against the pin-hole camera and theorems of projective geometry."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapes
from scipy.spatial.transform import Rotation

from plyflat.surface.mesh import Surface
from plyflat.surface.sight import seen_line, sight_from

LENS = np.array([300.0, -200.0, 800.0])


def pin_hole(points):
    """A lens of 1500 pixels that looks anywhere: x = K R (X - C)."""
    turn = Rotation.random(random_state=2).as_matrix()
    lens = np.array([[1500.0, 0.0, 900.0], [0.0, 1500.0, 520.0], [0.0, 0.0, 1.0]])
    x = (points - LENS) @ (lens @ turn).T
    return x[:, :2] / x[:, 2:]


def before_it(count, seed=1):
    """Points before that lens, near and far."""
    rng = np.random.default_rng(seed)
    turn = Rotation.random(random_state=2).as_matrix()
    ways = np.column_stack([rng.uniform(-0.4, 0.4, (count, 2)), np.ones(count)])
    return LENS + (ways * rng.uniform(800, 2000, (count, 1))) @ turn


@pytest.mark.reference(
    source="Hartley and Zisserman (2004), Multiple View Geometry, 2nd ed., equation 6.8: x = K R (X - C)",
    kind="published",
)
@pytest.mark.parametrize(("marks", "stands"), [(4, LENS), (7, LENS), (6, None), (9, None)])
def test_marks_give_the_lens_that_made_them(marks, stands):
    points = before_it(40)
    sight = sight_from(points[:marks], pin_hole(points[:marks]), image_px=(1800, 1040), stands_mm=stands)
    at, before = sight.seen(points)
    assert before.all()
    assert np.abs(at - pin_hole(points)).max() < 1e-8
    assert np.abs(sight.stands_mm - LENS).max() < 1e-7
    assert sight.off_px.max() < 1e-8


@pytest.mark.reference(
    source="invariance of the cross-ratio of four points of a line under projection (Pappus)", kind="derived"
)
def test_the_cross_ratio_of_four_points_of_a_line_is_kept():
    points = before_it(4)
    sight = sight_from(points, pin_hole(points), image_px=(1800, 1040), stands_mm=LENS)
    share = np.array([0.0, 0.2, 0.55, 1.0])
    line = points[0] + share[:, None] * (points[1] - points[0])
    at = sight.seen(line)[0]
    along = (at - at[0]) @ (at[3] - at[0])

    def ratio(s):
        return (s[2] - s[0]) * (s[3] - s[1]) / ((s[2] - s[1]) * (s[3] - s[0]))

    assert ratio(along) == pytest.approx(ratio(share), rel=1e-9)


@pytest.mark.reference(
    source="the horizon of a ball of radius R from a distance d lies at acos(R / d) from the nearest point",
    kind="derived",
)
def test_as_much_of_a_great_circle_is_seen_as_its_horizon_leaves():
    radius, far = 500.0, 1500.0
    ball = Surface(*shapes.sphere(radius, triangles=20000))
    on = radius * np.array([[0.8, 0.5, 0.33], [0.8, -0.5, 0.33], [0.8, 0.5, -0.33], [0.8, -0.5, -0.33]])
    # Looked at along -x: right is -y, down is -z.
    at = 900.0 * np.stack([on[:, 1], -on[:, 2]], axis=1) / (far - on[:, :1]) + 500.0
    sight = sight_from(on, at, image_px=(1000, 1000), stands_mm=[far, 0, 0])
    turn = np.linspace(0.0, 2 * np.pi, 2000, endpoint=False)
    circle = ball.locate(radius * np.stack([np.cos(turn), np.sin(turn), 0 * turn], axis=1)).points_mm
    seen = seen_line(sight, ball, circle, closed=True)
    # Two mm of depth are let through, which at the horizon is this much of the turn.
    more = 2.0 / math.sqrt(far**2 - radius**2)
    exact = math.acos(radius / far) / math.pi
    assert exact - 0.005 < seen.share < exact + 2 * more + 0.005
    assert len(seen.runs_px) in (1, 2)

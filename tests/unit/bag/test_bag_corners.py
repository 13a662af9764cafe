import numpy as np
import pytest
import shapes

from plyflat.bag import wedge
from plyflat.bag.corners import corner_sections, film_bends, hollow_lines
from plyflat.errors import QuantityError
from plyflat.surface.mesh import Surface


@pytest.mark.parametrize("angle", [60, 90, 120])
def test_three_ways_over_a_wedge(angle):
    s = Surface(*shapes.wedge(angle, length=120, first=100, second=100))
    lines = hollow_lines(s)
    assert len(lines) == 1
    for q in corner_sections(s, lines, allowed_mm=20.0):
        assert q.path_mm == pytest.approx(200, rel=1e-6)
        assert q.taut_path_mm == pytest.approx(200 * np.sin(np.radians(angle / 2)), rel=1e-6)
        assert q.missing_mm == pytest.approx(20 * wedge.missing_factor(angle), rel=1e-3)
        assert q.rounded_path_mm == pytest.approx(wedge.path_mm(angle, 100, 100, radius_mm=20), rel=1e-4)


def test_the_ways_start_and_end_together():
    s = Surface(*shapes.wedge(90, length=120, first=100, second=60))
    q = corner_sections(s, hollow_lines(s), allowed_mm=10.0)[0]
    for end in (0, -1):
        assert q.taut_mm[end] == pytest.approx(q.surface_mm[end], abs=1e-6)
        assert q.rounded_mm[end] == pytest.approx(q.surface_mm[end], abs=1e-3)
    # The corner is at the origin and the bag above it.
    assert np.linalg.norm(q.surface_mm, axis=1).min() < 1e-6
    assert np.linalg.norm(q.rounded_mm, axis=1).min() == pytest.approx(10 * wedge.depth_factor(90), rel=1e-3)
    assert q.rounded_mm[np.argmin(np.linalg.norm(q.rounded_mm, axis=1)), 1] > 0


def test_stretches_hold_all_the_slack_of_a_section():
    s = Surface(*shapes.box_pocket(size=(240, 160), step=6.0))
    lines = hollow_lines(s, scale_mm=15.0)
    for q in corner_sections(s, lines, allowed_mm=7.0):
        assert sum(slack for slack, _ in q.spans) == pytest.approx(q.slack_mm, abs=0.1)
        assert q.slack_of(range(len(lines))) == pytest.approx(q.slack_mm, abs=0.1)
        assert q.slack_of(()) == 0


def test_a_fillet_leaves_no_more_than_the_difference():
    s = Surface(*shapes.swept(shapes.filleted_profile(90, 10)))
    q = corner_sections(s, hollow_lines(s, scale_mm=25.0), allowed_mm=20.0)[0]
    assert q.missing_mm == pytest.approx(10 * wedge.missing_factor(90), rel=0.02)


def test_a_section_that_closes_on_itself_is_no_section():
    s = Surface(*shapes.box_pocket(step=10.0))
    lines = hollow_lines(s)
    found = corner_sections(s, lines, allowed_mm=6.0)
    assert found
    for q in found:
        assert q.path_mm == pytest.approx(400 + 120, rel=1e-6)
        assert q.taut_path_mm == pytest.approx(400, rel=1e-6)


@pytest.mark.reference(source="angles about the corners of a box: 3 x 90 and 270 + 2 x 90 degrees", kind="derived")
def test_film_is_short_at_the_rim_and_in_excess_at_the_bottom_of_a_pocket():
    bends = film_bends(Surface(*shapes.box_pocket(step=10.0)))
    assert len(bends) == 8
    for b in bends:
        assert b.deg == pytest.approx(90 if b.place_mm[2] < -1 else -90, abs=1e-6)
        assert b.short == (b.place_mm[2] > -1)
        assert np.abs(b.place_mm[:2]) == pytest.approx((100, 100), abs=1e-6)


def test_a_straight_corner_has_none():
    assert film_bends(Surface(*shapes.wedge(90, length=120))) == ()
    assert film_bends(Surface(*shapes.noisy_sheet(noise=0.0, triangles=500))) == ()


@pytest.mark.parametrize("wrong", [{"allowed_mm": 0.0}, {"allowed_mm": 5.0, "spacing_mm": float("nan")}])
def test_lengths_that_cannot_be(wrong):
    s = Surface(*shapes.wedge(90, length=60, step=10.0))
    with pytest.raises(QuantityError, match="_mm is"):
        corner_sections(s, hollow_lines(s), **wrong)

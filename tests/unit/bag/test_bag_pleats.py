import numpy as np
import pytest
import shapes

from plyflat.bag.corners import Bend, corner_sections, film_bends, hollow_lines
from plyflat.bag.pleats import Pleat, check_tape, corners_of, place_pleats
from plyflat.errors import OutlineError, QuantityError
from plyflat.surface.mesh import Surface

FILM = {"pressure_kpa": 20.0, "tension_n_per_m": 1750.0, "friction": 0.3}


def pleats_on(surface, *, allowed_mm=6.0, **more):
    lines = hollow_lines(surface)
    sections = corner_sections(surface, lines, allowed_mm=allowed_mm)
    corners = corners_of(lines, sections)
    tape = surface.vertices_mm[surface.boundary_loops[0]]
    return corners, place_pleats(surface, tape, lines, corners, film_bends(surface), **{**FILM, **more})


def corner_places(pleats):
    return sorted(tuple(np.round(np.sign(p.place_mm[:2]))) for p in pleats)


def test_a_pocket_gets_four_pleats_of_its_depth_at_its_corners():
    s = Surface(*shapes.box_pocket(depth=60.0, step=10.0))
    corners, pleats = pleats_on(s, allowed_mm=0.1, margin_mm=0.0)
    (corner,) = corners
    # A section of a pocket lacks twice its depth; round the edge that makes eight times.
    assert corner.slack_mm == pytest.approx(2 * 60, rel=0.01)
    assert [p.height_mm for p in pleats] == pytest.approx([60] * 4, rel=0.01)
    assert 2 * sum(p.height_mm for p in pleats) == pytest.approx(8 * 60, rel=0.01)
    assert corner_places(pleats) == [(-1, -1), (-1, 1), (1, -1), (1, 1)]
    for p in pleats:
        assert abs(abs(p.place_mm[0]) - abs(p.place_mm[1])) < 110
        assert p.feeds == "corner 1"
    assert [p.number for p in pleats] == [1, 2, 3, 4]
    assert [p.at_m for p in pleats] == sorted(p.at_m for p in pleats)


def test_a_straight_corner_gets_one_at_each_end():
    s = Surface(*shapes.wedge(90, length=300, first=100, second=100, step=5.0))
    corners, pleats = pleats_on(s, margin_mm=15.0)
    assert len(corners) == 1
    assert sorted(p.place_mm[0] for p in pleats) == pytest.approx([0, 300], abs=1)
    slack = 200 - 100 * np.sqrt(2) - 0.4292 * 6
    assert [p.needs_mm for p in pleats] == pytest.approx([slack / 2] * 2, rel=0.01)
    assert [p.height_mm - p.needs_mm for p in pleats] == pytest.approx([15, 15])
    assert sorted(p.order for p in pleats) == [1, 2]


def test_a_post_is_fed_from_four_sides():
    s = Surface(*shapes.leaning_post(30.0, height=60.0, reach=100.0, step=5.0))
    # The tape runs round the plate; the top of the post is closed by a lid far above any corner.
    lines = hollow_lines(s)
    corners = corners_of(lines, corner_sections(s, lines, allowed_mm=6.0))
    tape = max((s.vertices_mm[q] for q in s.boundary_loops), key=lambda p: np.hypot(*p[:, :2].T).max())
    pleats = place_pleats(s, tape, lines, corners, (), **FILM)
    angle = np.sort([np.arctan2(p.place_mm[1], p.place_mm[0]) for p in pleats])
    assert np.diff(angle) == pytest.approx([np.pi / 2] * 3, abs=0.2)


def test_pleats_too_far_to_help_are_told():
    s = Surface(*shapes.box_pocket(size=(100, 100), depth=40, margin=200, step=10.0))
    _, near = pleats_on(s, pressure_kpa=2.0)
    _, far = pleats_on(s, pressure_kpa=90.0)
    assert all(p.helps for p in near)
    assert not any(p.helps for p in far)
    assert far[0].far_mm == pytest.approx(np.hypot(200, 40), abs=10)


def test_two_corners_are_named_and_ordered_by_what_they_want():
    profile = [[-150, 0], [-50, 0], [-50, 60], [50, 60], [50, 0], [150, 0]]
    s = Surface(*shapes.swept([[x, z * (0.5 if x > 0 and z == 60 else 1)] for x, z in profile], 150, 5.0))
    corners, pleats = pleats_on(s)
    assert [c.name for c in corners] == ["corner 1", "corner 2"]
    assert corners[0].slack_mm >= corners[1].slack_mm
    first = min(pleats, key=lambda p: p.order)
    assert first.feeds == "corner 1"
    assert isinstance(first, Pleat)


def test_each_corner_of_one_section_wants_its_own_slack():
    steps = [[-150, 0], [-20, 0], [-20, 120], [80, 120], [80, 160], [200, 160]]
    s = Surface(*shapes.swept(steps, 300, 5.0))
    corners, pleats = pleats_on(s, allowed_mm=0.1, margin_mm=0.0)
    # From ledge to ledge: along the floor and up the wall, less the straight way.
    exact = [130 + 120 - np.hypot(130, 120), 100 + 40 - np.hypot(100, 40)]
    assert [c.slack_mm for c in corners] == pytest.approx(exact, rel=0.02)
    assert sorted(2 * p.height_mm for p in pleats) == pytest.approx(sorted(exact * 2), rel=0.02)


def test_a_rib_wants_what_both_its_sides_lack():
    rib = [[-150, 0], [-10, 0], [-10, 60], [10, 60], [10, 0], [150, 0]]
    s = Surface(*shapes.swept(rib, 300, 5.0))
    corners, _ = pleats_on(s, allowed_mm=0.1)
    one = 140 + 60 - np.hypot(140, 60)
    total = sum(c.slack_mm for c in corners)
    assert total == pytest.approx(2 * one, rel=0.02)


def test_a_long_pocket_gets_its_pleats_at_the_corners_of_its_rim_and_at_no_others():
    # A quarter of the turn apart, as round a post, they would stand off its corners.
    s = Surface(*shapes.box_pocket(size=(240, 120), depth=60, step=20.0))
    lines = hollow_lines(s)
    corners = corners_of(lines, corner_sections(s, lines, allowed_mm=6.0))
    tape = s.vertices_mm[s.boundary_loops[0]]
    bends = film_bends(s)
    other = Bend((190.0, 0.0, 0.0), -90.0)
    for rims in (bends, (*bends, other)):
        pleats = place_pleats(s, tape, lines, corners, rims, **FILM)
        assert corner_places(pleats) == [(-1, -1), (-1, 1), (1, -1), (1, 1)]
        # The nearest of the tape to each corner of the rim lies straight out from it.
        for p in pleats:
            x, y, _ = np.abs(p.place_mm)
            assert (x == pytest.approx(120) and y == pytest.approx(160)) or (x == pytest.approx(220) and y == pytest.approx(60))


def test_tape_on_both_sides_of_a_thin_rib_does_not_cross_itself():
    rib = [[-100, 0], [-2, 0], [-2, 60], [2, 60], [2, 0], [100, 0]]
    s = Surface(*shapes.swept(rib, 120, 5.0))
    # Along the one side at half its height, over the top, and down the other side behind that.
    way = [(20, -2, 30), (100, -2, 30), (100, -2, 60), (100, 2, 60), (100, 2, 45), (63, 2, 45), (63, 2, 5), (20, 2, 5), (20, 2, 60), (20, -2, 60)]
    way = np.array([*way, way[0]], dtype=float)
    tape = np.concatenate([a + np.arange(10)[:, None] / 10 * (b - a) for a, b in zip(way[:-1], way[1:])])
    check_tape(s, tape)
    # On one and the same side it does.
    low = np.where((tape[:, 1] == 2.0) & (tape[:, 2] < 50), -2.0, tape[:, 1])
    with pytest.raises(OutlineError, match="crosses itself"):
        check_tape(s, np.column_stack([tape[:, 0], low, tape[:, 2]]))


def test_a_flat_sheet_needs_none():
    s = Surface(*shapes.noisy_sheet(noise=0.0, triangles=500))
    assert pleats_on(s) == ((), ())


def square(size=100.0):
    s = Surface(*shapes.noisy_sheet(400, 400, noise=0.0, triangles=2000))
    return s, np.array([[200, 100, 0], [300, 200, 0], [200, 300, 0], [100, 200, 0]], dtype=float)


def test_tape_that_crosses_itself_is_refused():
    s, tape = square()
    check_tape(s, tape)
    with pytest.raises(OutlineError, match="crosses itself"):
        check_tape(s, tape[[0, 2, 1, 3]])
    with pytest.raises(OutlineError, match="2 points"):
        check_tape(s, tape[:2])


def test_tape_over_an_opening_is_refused():
    s, _ = square()
    hole, _ = s.sub(np.linalg.norm(s.vertices_mm[s.faces].mean(axis=1)[:, :2] - [200, 100], axis=1) > 40)
    tape = np.array([[x, 100, 0] for x in range(100, 301, 10)] + [[200, 300, 0]], dtype=float)
    with pytest.raises(OutlineError, match=r"leaves the surface by \d+ mm.*opening"):
        check_tape(hole, tape)


@pytest.mark.parametrize(
    ("wrong", "says"),
    [({"friction": 0.0}, "friction"), ({"pressure_kpa": 0.0}, "kPa"), ({"tension_n_per_m": 0.0}, "tension"), ({"margin_mm": -1.0}, "margin")],
)
def test_impossible_film(wrong, says):
    s = Surface(*shapes.wedge(90, length=100, first=50, second=50, step=10.0))
    with pytest.raises(QuantityError, match=says):
        pleats_on(s, **wrong)

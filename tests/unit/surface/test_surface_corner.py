import numpy as np
import pytest
import shapes

from plyflat.errors import OutlineError
from plyflat.surface import Surface
from plyflat.surface.corner import _check_length, corner_regions, corner_way, find_corner

BOX = Surface(*shapes.box(size=(200.0, 150.0, 120.0), steps=8))
BRACKET = Surface(*shapes.wedge(90.0, length=200.0, first=120.0, second=80.0, step=6.0))
POST = Surface(*shapes.leaning_post(radius=30.0, height=90.0, reach=90.0, step=3.0))


def rough_post(section=None, angle=90.0, rms=0.6, step=4.0, **more):
    v, f, line = shapes.post_through(shapes.round_section() if section is None else section, angle, step=step, **more)
    return Surface(shapes.rough(v, f, rms, 5.0), f), line


def off_line(corner, truth):
    """Distances of densely spread points of the true line from the line found."""
    from scipy.spatial import cKDTree

    p = corner.points_mm
    p = np.vstack([p, p[:1]]) if corner.closed else p
    dense = np.vstack([a + (b - a) * np.linspace(0, 1, 20)[:, None] for a, b in zip(p, p[1:])])
    return cKDTree(dense).query(truth)[0]


def test_edge_of_a_box_is_followed_from_corner_to_corner():
    corner = find_corner(BOX, [95.0, 10.0, 58.0])
    assert corner.section == "edge"
    assert not corner.closed
    assert not corner.concave
    assert corner.length_mm == pytest.approx(150.0)
    np.testing.assert_allclose(corner.points_mm[:, [0, 2]], [[100.0, 60.0]] * len(corner.points_mm))
    np.testing.assert_allclose(corner.angle_deg, 270.0)
    np.testing.assert_allclose(np.abs(corner_way(corner)), [0, 1, 0], atol=1e-9)


def test_band_over_the_edge_of_a_box_is_two_rectangles():
    corner = find_corner(BOX, [95.0, 10.0, 58.0], first_mm=[0.0, 0.0, 60.0])
    bands = corner_regions(BOX, corner, [(30.0, 20.0), (0.0, 40.0), (50.0, 50.0)])
    for band, area in zip(bands, (150.0 * 50, 150.0 * 40, 150.0 * 100)):
        assert band.is_disc
        assert band.area_mm2 == pytest.approx(area, rel=1e-3)
        assert band.short_mm == 0
    top = bands[0].surface.vertices_mm
    assert top[:, 0].min() == pytest.approx(70.0, abs=1e-6)
    assert top[:, 2].min() == pytest.approx(40.0, abs=1e-6)


def test_inner_corner_of_a_bracket_and_a_lap_that_is_too_long():
    corner = find_corner(BRACKET, [100.0, 3.0, 3.0])
    assert corner.concave
    assert corner.section == "edge"
    np.testing.assert_allclose(corner.angle_deg, 90.0, atol=1e-6)
    assert corner.length_mm == pytest.approx(200.0)
    assert corner.first_mm[2] == pytest.approx(0.0)
    band, long = corner_regions(BRACKET, corner, [(40.0, 30.0), (40.0, 95.0)])
    assert band.area_mm2 == pytest.approx(200 * 70, rel=1e-3)
    assert band.short_mm == 0
    assert long.area_mm2 == pytest.approx(200 * 120, rel=1e-3)
    assert long.short_mm == pytest.approx(15.0, abs=1e-6)
    assert long.short_at_mm[2] == pytest.approx(80.0)


def test_ring_round_a_post():
    corner = find_corner(POST, [31.0, 0.0, 1.0])
    assert corner.closed
    assert corner.concave
    assert corner.length_mm == pytest.approx(2 * np.pi * 30, rel=2e-3)
    way = corner_way(corner)
    assert np.linalg.norm(way) == pytest.approx(1.0)
    (ring,) = corner_regions(POST, corner, [(25.0, 40.0)])
    assert len(ring.loops) == 2
    assert ring.area_mm2 == pytest.approx(np.pi * (55**2 - 30**2) + 2 * np.pi * 30 * 40, rel=3e-3)


def test_hint_says_which_side_is_first():
    up = find_corner(POST, [31.0, 0.0, 1.0], first_mm=[0.0, 30.0, 50.0])
    assert up.first_mm[2] > 0.5
    assert find_corner(POST, [31.0, 0.0, 1.0]).first_mm[2] == pytest.approx(0.0, abs=1e-9)


def test_rough_post_is_fitted_all_round():
    surface, line = rough_post()
    corner = find_corner(surface, line[40])
    assert corner.closed
    assert corner.concave
    assert corner.section == "round"
    off = off_line(corner, line)
    assert np.sqrt((off**2).mean()) < 0.3
    assert off.max() < 1.0
    assert corner.residual_mm == pytest.approx(0.6, rel=0.25)


def test_rough_corner_of_a_bulkhead_runs_from_rim_to_rim():
    v, f, line = shapes.bulkhead_on_hull(90.0, length=240.0, width=110.0, height=110.0, step=4.0)
    surface = Surface(shapes.rough(v, f, 0.6, 5.0), f)
    corner = find_corner(surface, line[len(line) // 2])
    assert not corner.closed
    off = off_line(corner, line)
    assert np.sqrt((off**2).mean()) < 0.3
    assert off.max() < 1.5
    (band,) = corner_regions(surface, corner, [(40.0, 40.0)])
    assert band.is_disc
    assert band.area_mm2 == pytest.approx(80 * 240, rel=0.06)


def test_far_from_any_corner_the_message_says_where_the_nearest_is():
    with pytest.raises(OutlineError, match=r"nearest is .* turns by"):
        find_corner(POST, [110.0, 0.0, 0.0])
    sheet = Surface(*shapes.saddle(size=300.0, rise=5.0, triangles=800))
    with pytest.raises(OutlineError, match="turns nowhere"):
        find_corner(sheet, [0.0, 0.0, 0.0])


def test_seed_where_edges_meet_is_refused():
    with pytest.raises(OutlineError, match="3 corners meet"):
        find_corner(BOX, [100.0, 75.0, 60.0])


@pytest.mark.parametrize("seed", [[0.0, 1.0], [np.nan, 0.0, 0.0]])
def test_seed_that_is_no_point(seed):
    with pytest.raises(OutlineError, match="not a point"):
        find_corner(BOX, seed)


@pytest.mark.parametrize("laps", [[(-1.0, 5.0)], [(0.0, 0.0)], [(np.nan, 5.0)]])
def test_laps_that_cannot_be(laps):
    corner = find_corner(BOX, [95.0, 10.0, 58.0])
    with pytest.raises(OutlineError, match="laps"):
        corner_regions(BOX, corner, laps)


def test_rough_foil_through_a_curved_hull_keeps_its_tail():
    surface, line = rough_post(shapes.foil_section(), 75.0, rms=0.5, hull=shapes.curved_hull)
    corner = find_corner(surface, line[len(line) // 3])
    assert corner.closed
    assert corner.section == "foil"
    off = off_line(corner, line)
    assert np.sqrt((off**2).mean()) < 0.5
    # Points 4 mm apart miss a tail as narrow as a mm by half of that; a smooth section would lose six mm of it.
    assert off.max() < 3.0
    assert off[line[:, 0] > line[:, 0].min() + 8.0].max() < 1.0
    # That is said, and at the tail.
    place, _ = next(q for q in corner.uncertain if "tail" in q[1])
    assert np.linalg.norm(np.array(place) - line[np.argmin(line[:, 0])]) < 8.0


@pytest.mark.parametrize("count", [0, 1])
def test_a_line_of_no_length_is_refused_with_the_seed(count):
    with pytest.raises(OutlineError, match="only 0.0 mm long") as fault:
        _check_length(np.ones((count, 3)), False, 10.0, np.ones(3))
    assert "(1.0, 1.0, 1.0)" in str(fault.value)

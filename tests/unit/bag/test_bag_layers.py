"""Which corners a taut layer bridges, and layers cut along them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapes
import trimesh

from plyflat.bag.corners import corner_sections, hollow_lines
from plyflat.bag.layers import bend_radius_mm, cut_at_lines, length_on, named_after, tight_lines
from plyflat.bag.pleats import corners_of
from plyflat.cloth.opening import Opened, open_patch
from plyflat.errors import QuantityError
from plyflat.surface.mesh import Surface


def corner(angle=90.0, fillet=0.0, wall=100.0):
    """A section down one wall, round the fillet and up the other, finely drawn; the origin is the middle of the bend."""
    turn = np.radians(180.0 - angle)
    phi = np.linspace(-turn / 2, turn / 2, 200) if fillet else np.zeros(1)
    arc = fillet * np.stack([np.sin(phi), 1 - np.cos(phi)], axis=1)
    ends = [np.array([np.cos(turn / 2), -np.sin(turn / 2)]), np.array([np.cos(turn / 2), np.sin(turn / 2)])]
    return np.concatenate([[arc[0] - wall * ends[0]], arc, [arc[-1] + wall * ends[1]]])


@pytest.mark.parametrize("radius", [12.0, 20.0, 35.0])
@pytest.mark.parametrize("angle", [60.0, 90.0, 120.0])
def test_the_radius_of_a_fillet_is_read_off_its_section(radius, angle):
    assert bend_radius_mm(corner(angle, radius)) == pytest.approx(radius, rel=0.005)


@pytest.mark.parametrize("angle", [60.0, 90.0, 135.0])
def test_a_sharp_corner_reads_as_the_least_length_over_its_turn(angle):
    assert bend_radius_mm(corner(angle)) == pytest.approx(6.0 / np.radians(180 - angle))


def test_a_straight_section_and_one_too_short_have_no_radius():
    assert bend_radius_mm(np.array([[-100.0, 0.0], [100.0, 0.0]])) > 1e6
    assert bend_radius_mm(np.array([[-4.0, 0.0], [0.0, 0.0], [0.0, 4.0]])) == np.inf


def told(surface, radius):
    lines = hollow_lines(surface, scale_mm=25.0)
    return tight_lines(lines, corner_sections(surface, lines, allowed_mm=7.0), radius_mm=radius)


def test_only_corners_tighter_than_the_stack_count():
    filleted = Surface(*shapes.swept(shapes.filleted_profile(90, 15, 100, 1.0), length=120, step=4.0))
    (line,) = told(filleted, 22.0)
    assert line.radius_mm == pytest.approx(15.0, rel=0.03)
    assert line.name == "corner 1"
    assert line.length_mm == pytest.approx(120.0, abs=1.0)
    assert line.turn_deg == pytest.approx(90.0, abs=2.0)
    assert line.middle_mm == pytest.approx(tuple(line.points_mm.mean(axis=0)), abs=1.0)
    assert told(filleted, 14.0) == ()
    with pytest.raises(QuantityError, match="radius"):
        told(filleted, 0.0)


def test_lines_are_named_after_the_corners_that_pleats_feed():
    # Three lines of one corner, all alike; and the floor of a pocket, whose upright edges no section crosses.
    assert [q.name for q in told(Surface(*shapes.three_planes(size=80.0)), 30.0)] == ["corner 1a", "corner 1b", "corner 1c"]
    (floor,) = told(Surface(*shapes.box_pocket(size=(160.0, 160.0), step=10.0)), 30.0)
    assert (floor.name, floor.closed) == ("corner 1", True)


def test_of_two_corners_the_one_that_wants_most_film_is_first():
    # A deep corner of 160 mm, and 120 mm off a shallow one that runs as far and on.
    profile = [(-160.0, 120.0), (-160.0, 0.0), (0.0, 0.0), (30.0, 30.0 * np.tan(np.radians(60.0)))]
    s = Surface(*shapes.swept(profile, length=160.0, step=8.0))
    lines = hollow_lines(s, scale_mm=15.0)
    sections = corner_sections(s, lines, allowed_mm=7.0)
    tight = tight_lines(lines, sections, radius_mm=25.0)
    corners = corners_of(lines, sections)
    assert [q.name for q in tight] == [c.name for c in corners] == ["corner 1", "corner 2"]
    for line, corner in zip(tight, corners):
        assert np.array_equal(line.points_mm, lines[corner.lines[0]].points_mm)
    # Sought at another scale, and given in another order, they keep those names; one that lies along none has a number of its own.
    wide = hollow_lines(s, scale_mm=30.0)
    other = tight_lines(wide, corner_sections(s, wide, allowed_mm=7.0), radius_mm=25.0)
    away = replace(other[0], points_mm=other[0].points_mm + [0.0, 0.0, 300.0])
    named = named_after([away, *other[::-1]], corners, lines)
    assert [q.name for q in named] == ["corner 1", "corner 2", "corner 3"]
    assert [q.turn_deg for q in named[:2]] == pytest.approx([q.turn_deg for q in tight], abs=1.0)
    assert named[2].points_mm is away.points_mm


def test_a_ridge_is_followed_by_a_taut_layer():
    v, f = shapes.wedge(90, length=200, step=8.0)
    assert told(Surface(v, f[:, ::-1]), 22.0) == ()


def test_a_corner_parts_a_layer_in_two_of_the_walls_areas():
    s = Surface(*shapes.wedge(90, length=200, first=120, second=80, step=8.0))
    (line,) = told(s, 22.0)
    assert length_on(s, line.points_mm) == pytest.approx(200.0, abs=1e-6)
    opened, origin = cut_at_lines(Opened((s,)), [line.points_mm])
    assert origin == (0,)
    assert sorted(p.area_mm2 for p in opened.pieces) == pytest.approx([16000.0, 24000.0], rel=1e-6)


def test_the_foot_of_a_post_parts_every_piece_of_a_ring():
    s = Surface(*shapes.post_on_plate(around=60, along=14))
    (line,) = told(s, 22.0)
    assert line.closed
    ring = open_patch(s, lap_mm=25.0)
    opened, origin = cut_at_lines(ring, [line.points_mm])
    assert len(opened.pieces) == 2 * len(ring.pieces)
    # Every seam of the ring is parted where the foot crosses it.
    assert [origin.count(k) for k in (-1, 0)] == [2 * len(ring.seams), len(ring.pieces)]
    assert sum(p.area_mm2 for p in opened.pieces) == pytest.approx(s.area_mm2, rel=1e-4)
    flat = [p for p in opened.pieces if np.ptp(p.vertices_mm[:, 2]) < 1.0]
    assert len(flat) == len(ring.pieces)


def test_a_line_that_ends_inside_or_runs_beside_cuts_nothing():
    s = Surface(*shapes.wedge(90, length=200, step=8.0))
    inside = np.array([[60.0, 0, 0], [140.0, 0, 0]])
    beside = np.array([[0.0, 500, 0], [200.0, 500, 0]])
    whole = Opened((s,))
    assert cut_at_lines(whole, [inside, beside]) == (whole, ())
    assert length_on(s, beside) == 0.0
    assert length_on(s, inside) == pytest.approx(80.0)


def test_a_foot_wholly_inside_a_piece_is_cut_out_and_slit_to_the_edge():
    v, f, foot = shapes.box_on_plate((100.0, 60.0, 80.0), plate=300.0)
    s = Surface(*trimesh.remesh.subdivide_to_size(v, f, max_edge=15.0))
    line = np.concatenate([foot, foot[:1]])
    opened, origin = cut_at_lines(Opened((s,)), [line])
    assert len(opened.pieces) == 3
    assert set(origin) == {0}
    assert all(len(p.boundary_loops) == 1 for p in opened.pieces)
    assert sum(p.area_mm2 for p in opened.pieces) == pytest.approx(s.area_mm2, rel=1e-6)
    flat = [p for p in opened.pieces if np.ptp(p.vertices_mm[:, 2]) < 1.0]
    # Two halves of the plate round the box, and the box with its top.
    assert sum(p.area_mm2 for p in flat) == pytest.approx(300 * 300 - 100 * 60, rel=1e-3)
    (box,) = (p for p in opened.pieces if np.ptp(p.vertices_mm[:, 2]) > 1.0)
    assert box.area_mm2 == pytest.approx(100 * 60 + 2 * (100 + 60) * 80, rel=1e-3)

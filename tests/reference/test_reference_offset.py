"""Surfaces moved outward by a thickness, held to what parallel surfaces measure."""

import numpy as np
import pytest
import shapes
from shapely import MultiPoint

from plyflat.cloth.drape import drape
from plyflat.cloth.flatten import flatten
from plyflat.surface.mesh import Surface
from plyflat.surface.offset import lengths_changed, move_outward


def across(surface, moved, y=0.0, axis=1):
    """Length of the section of a mesh by the plane where a coordinate has a value, before and after a move."""
    v, total = surface.vertices_mm, []
    side = v[:, axis] - y
    for points in (v, moved.vertices_mm):
        cuts = {}
        for a, b in np.unique(np.sort(surface.faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2), axis=1), axis=0):
            if side[a] * side[b] < 0:
                s = side[a] / (side[a] - side[b])
                cuts[a, b] = points[a] + s * (points[b] - points[a])
        length = 0.0
        for face in surface.faces:
            ends = [cuts[e] for e in ((min(p, q), max(p, q)) for p, q in zip(face, np.roll(face, -1))) if e in cuts]
            length += np.linalg.norm(ends[0] - ends[1]) if len(ends) == 2 else 0.0
        total.append(length)
    return tuple(total)


def moved(surface, t):
    return move_outward(surface, np.full(len(surface.vertices_mm), float(t)))


@pytest.mark.reference(source="parallel surface of a sphere: areas go as ((R + t) / R)²", kind="derived")
@pytest.mark.parametrize("t", [0.25, 5.0])
def test_a_cap_becomes_the_cap_of_a_larger_sphere(t):
    cap = Surface(*shapes.cap(45.0, 500.0, triangles=8000))
    new = moved(cap, t)
    growth = new.surface.area_mm2 / cap.area_mm2
    # A free edge loses half a triangle's turn: about 1 % of the growth on this mesh.
    assert growth - 1 == pytest.approx((1 + t / 500.0) ** 2 - 1, rel=0.02)
    # Meridians right over the pole: t times the angle; every line by t / R of its length.
    most, share = lengths_changed(cap, new.surface.vertices_mm)
    assert 0.98 * t * np.pi / 2 < most < 1.1 * t * np.pi / 2
    assert share == pytest.approx(t / 500.0, rel=0.02)


@pytest.mark.reference(source="parallel surface of a cylinder: (R + t) angle round, the same along", kind="derived")
@pytest.mark.parametrize("t", [0.5, 4.0])
def test_a_ply_round_a_cylinder_is_longer_by_its_thickness_times_the_angle(t):
    tube = Surface(*shapes.cylinder(300.0, 200.0, 400.0, triangles=8000))
    flat = flatten(moved(tube, t).surface)
    assert np.abs(flat.stretch - 1).max() < 1e-3
    square = MultiPoint(flat.uv_mm).minimum_rotated_rectangle.exterior.coords
    small, wide = np.sort(np.linalg.norm(np.diff(square, axis=0)[:2], axis=1))
    assert small == pytest.approx(400.0, abs=0.05)
    # A free edge loses half a facet's turn.
    facet = 2 * np.radians(200.0) / np.sqrt(8000 / 2 * 1047.2 / 400.0)
    assert wide - np.radians(200.0) * 300.0 == pytest.approx(t * np.radians(200.0), abs=t * facet + 0.05)


@pytest.mark.reference(source="rounding a convex edge by t: a strip t angle wide", kind="derived")
@pytest.mark.parametrize(("angle", "t", "rel"), [(30.0, 1.0, 1e-3), (90.0, 0.3, 2e-3), (90.0, 5.0, 0.02), (120.0, 1.0, 0.01)])
def test_an_outer_edge_gets_the_strip_that_rounding_makes(angle, t, rel):
    plate = Surface(*shapes.folded_plate(angle, 400.0, triangles=2000))
    before, after = across(plate, moved(plate, t).surface, y=3.3)
    assert after - before == pytest.approx(t * np.radians(angle), rel=rel)


@pytest.mark.reference(source="two planes moved by t meet t tan(angle/2) sooner, each", kind="derived")
@pytest.mark.parametrize(("angle", "t"), [(30.0, 5.0), (90.0, 0.3), (90.0, 5.0), (120.0, 5.0)])
def test_a_sharp_hollow_shortens_by_where_its_sides_meet(angle, t):
    hollow = Surface(*shapes.wedge(180.0 - angle, 80.0, step=4.0))
    new = moved(hollow, t)
    before, after = across(hollow, new.surface, y=41.0, axis=0)
    assert after - before == pytest.approx(-2 * t * np.tan(np.radians(angle / 2)), rel=1e-6)
    assert new.short_mm == 0
    assert new.narrow_at_mm is None


@pytest.mark.reference(source="rounding a convex edge by t: a strip t angle wide", kind="derived")
def test_a_square_bar_grows_by_four_strips_and_eight_corners():
    size, t = (160.0, 120.0, 90.0), 1.0
    box = Surface(*shapes.fine_box(size, step=6.0))
    new = moved(box, t).surface
    assert new.size_mm == pytest.approx(np.add(size, 2 * t), abs=1e-9)
    # Around the box, clear of its corners: 2 pi t.
    before, after = across(box, new, y=1.7, axis=0)
    assert after - before == pytest.approx(2 * np.pi * t, rel=5e-3)


@pytest.mark.reference(source="three planes moved by t meet at (t, t, t); each loses a strip t wide on two sides", kind="derived")
def test_the_inner_corner_of_a_box():
    corner = Surface(*shapes.three_planes(size=60.0, step=5.0))
    new = moved(corner, 2.0).surface
    tip = np.linalg.norm(corner.vertices_mm, axis=1).argmin()
    assert new.vertices_mm[tip] == pytest.approx([2.0, 2.0, 2.0], abs=1e-9)
    assert new.area_mm2 == pytest.approx(3 * 58.0**2, rel=1e-6)


@pytest.mark.reference(source="fillet of radius r under t: the length changes by -t angle down to r = t", kind="derived")
def test_a_fillet_shortens_by_thickness_times_angle_and_a_narrower_one_does_not_fold():
    for radius, t in ((10.0, 3.0), (3.0, 5.0), (1.0, 5.0)):
        corner = Surface(*shapes.swept(shapes.filleted_profile(90.0, radius, 60.0, 0.5), 30.0, 3.0))
        new = moved(corner, t)
        before, after = across(corner, new.surface, y=16.0, axis=0)
        assert ((new.surface.face_normals * corner.face_normals).sum(axis=1) > 0).all()
        if radius > t:
            assert after - before == pytest.approx(-t * np.pi / 2, rel=1e-3)
            assert new.narrow_at_mm is None
            continue
        # Sides that meet at a point: what was rounded instead leaves the length at most half the thickness and a little too long.
        want = -(2 * (t - radius) + radius * np.pi / 2)
        assert 0 <= after - before - want < 0.6 * t
        assert np.linalg.norm(new.narrow_at_mm[1:]) < 2 * radius


@pytest.mark.reference(source="a developable surface stays one: a net of threads needs no shear on it", kind="derived")
def test_a_net_over_a_moved_edge_shears_no_more_than_a_flat_sheet():
    plate = moved(Surface(*shapes.folded_plate(60.0, 400.0, triangles=2000)), 3.0).surface
    laid = drape(plate, [-60.0, 10.0, 0.0], [1.0, 0.0, 0.0], turn_deg=20.0, locking=None)
    assert laid.cover > 0.999
    assert laid.most_deg < 0.5

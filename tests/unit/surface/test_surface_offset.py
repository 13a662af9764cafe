"""Moving a surface outward: what stays, what is refused, and rough surfaces."""

import numpy as np
import pytest
import shapes

from plyflat.errors import MeshError
from plyflat.surface._smooth import work_copy
from plyflat.surface.mesh import Surface
from plyflat.surface.offset import lengths_changed, move_outward


def moved(surface, t):
    return move_outward(surface, np.full(len(surface.vertices_mm), float(t)))


def test_a_plane_is_only_shifted():
    flat = Surface(*shapes.noisy_sheet(noise=0.0, triangles=2000)[:2])
    new = moved(flat, 2.0)
    assert new.moves_mm == pytest.approx(np.tile([0, 0, 2.0], (len(flat.vertices_mm), 1)), abs=1e-9)
    assert lengths_changed(flat, new.surface.vertices_mm) == pytest.approx((0, 0), abs=1e-9)
    assert (new.short_mm, new.short_at_mm, new.narrow_at_mm) == (0.0, None, None)


def test_no_thickness_moves_nothing():
    cap = Surface(*shapes.cap(triangles=500))
    assert moved(cap, 0.0).surface is cap


@pytest.mark.parametrize("wrong", [-1.0, np.nan, np.inf])
def test_a_thickness_that_cannot_be_is_refused(wrong):
    cap = Surface(*shapes.cap(triangles=500))
    thick = np.ones(len(cap.vertices_mm))
    thick[3] = wrong
    with pytest.raises(MeshError, match="thickness"):
        move_outward(cap, thick)
    with pytest.raises(MeshError, match="thickness"):
        move_outward(cap, thick[1:])


def test_where_the_thickness_ends_the_surface_comes_back_to_itself():
    cap = Surface(*shapes.cap(30.0, 500.0, triangles=3000))
    thick = np.where(cap.vertices_mm[:, 0] < 0, 1.0, 0.0)
    move = move_outward(cap, thick).moves_mm
    assert (move[thick == 0] == 0).all()
    assert np.linalg.norm(move[thick > 0], axis=1) == pytest.approx(1.0, abs=1e-9)


@pytest.mark.parametrize("angle", [-90.0, 60.0, 90.0])
def test_on_a_rough_corner_the_length_grows_by_thickness_times_angle(angle):
    v, f = shapes.wedge(180.0 + angle, 150.0, step=3.0)
    rough = Surface(shapes.rough(v, f, 0.5, 5.0), f)
    assert work_copy(rough) is not rough.vertices_mm
    for t in (0.5, 3.0):
        new = moved(rough, t)
        before, after = strips(rough, new.surface)
        # An inner corner as sharp as this one would lose 2 t tan(angle/2) if it were not rough; averaged, it loses t angle.
        assert after - before == pytest.approx(t * np.radians(angle), rel=0.12)
        assert new.short_mm < 0.3 * t
        assert work_copy(new.surface) == pytest.approx(work_copy(rough) + new.moves_mm, abs=1e-12)


def strips(surface, new):
    """Mean length across a wedge along x: its area over its length, both on the evened copies."""
    return tuple(Surface(work_copy(s), surface.faces).area_mm2 / 150.0 for s in (surface, new))


@pytest.mark.parametrize("t", [0.5, 2.0])
def test_noise_is_not_made_larger(t):
    p, f = shapes.rectangle(400.0, 300.0, 6000)
    flat = np.column_stack([p, np.zeros(len(p))])
    rough = Surface(shapes.rough(flat, f, 0.5, 5.0), f)
    new = moved(rough, t).surface
    lean = [np.degrees(np.sqrt((np.arccos(np.clip(s.face_normals[:, 2], -1, 1)) ** 2).mean())) for s in (rough, new)]
    assert lean[0] > 5.0
    assert lean[1] == pytest.approx(lean[0], rel=1e-3)
    assert new.area_mm2 == pytest.approx(rough.area_mm2, rel=3e-4)
    assert lengths_changed(rough, new.vertices_mm)[1] < 1e-3


def test_lengths_right_round_count_whole():
    post = Surface(*shapes.leaning_post(radius=30.0, height=60.0, reach=50.0, step=5.0))
    most, share = lengths_changed(post, post.vertices_mm * [1.1, 1.1, 1.0])
    assert share == pytest.approx(0.1, abs=0.01)
    assert most == pytest.approx(0.1 * 2 * np.pi * 30.0, rel=0.5)

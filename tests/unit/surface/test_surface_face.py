import numpy as np
import pytest
import shapes
from scipy.spatial import cKDTree

from plyflat.errors import OutlineError
from plyflat.surface.face import face_region, find_face
from plyflat.surface.mesh import Surface


def _rim(region):
    return np.concatenate([region.surface.vertices_mm[q] for q in region.loops])


def _box_top(vertices, faces, **rough):
    return Surface(shapes.rough(vertices, faces, **rough) if rough else vertices, faces)


def test_side_of_a_model_box_is_exact():
    region = face_region(Surface(*shapes.box((400, 300, 200))), (10, 20, 100), name="top")
    assert region.name == "top"
    assert region.area_mm2 == pytest.approx(400 * 300, rel=1e-12)
    assert np.abs(_rim(region)[:, 2] - 100).max() < 1e-9


def test_plate_round_a_post_ends_at_the_corner_and_at_the_rim():
    face = find_face(Surface(*shapes.leaning_post(radius=40, step=5)), (100, 0, 0))
    assert face.exact
    assert face.to_the_rim
    assert ["rim" in text for text, _ in face.cautions] == [True]
    assert len(face.region.loops) == 2
    inner = face.region.surface.vertices_mm[face.region.loops[1]]
    assert np.hypot(inner[:, 0], inner[:, 1]) == pytest.approx(40, abs=1e-6)


def test_wall_on_the_other_side_of_the_corner():
    face = find_face(Surface(*shapes.leaning_post(radius=40, step=5)), (40, 0, 50))
    assert face.region.area_mm2 == pytest.approx(2 * np.pi * 40 * 90, rel=0.01)


@pytest.mark.parametrize(("rms", "length"), [(1.0, 1.0), (1.0, 5.0)])
def test_noise_does_not_break_a_box(rms, length):
    surface = _box_top(*shapes.fine_box(), rms=rms, length=length, seed=4)
    face = find_face(surface, (0, 0, 45))
    assert not face.exact
    assert not face.to_the_rim
    assert len(face.region.loops) == 1
    edge = _rim(face.region)
    off = np.minimum(np.abs(np.abs(edge[:, 0]) - 80), np.abs(np.abs(edge[:, 1]) - 60))
    # across the edge in the top's own plane; the noise itself moves points by as much
    assert np.sqrt((off**2).mean()) < 0.4 + 0.8 * rms
    corners = np.array([[x, y] for x in (-80, 80) for y in (-60, 60)])
    assert cKDTree(edge[:, :2]).query(corners)[0].max() < 3.0


def test_weak_spot_is_closed_and_reported():
    v, f, _ = shapes.chine_hull(step=5, weak=(300, 300.1))
    face = find_face(Surface(v, f), (300, 110, 10))
    ((place, length),) = face.gaps
    assert abs(place[0] - 300) < 10
    assert 5 < length < 30
    assert "carried on" in face.cautions[0][0]
    whole = find_face(Surface(*shapes.chine_hull(step=5)[:2]), (300, 110, 10))
    assert not whole.gaps
    assert whole.exact
    assert face.region.area_mm2 == pytest.approx(whole.region.area_mm2, rel=0.01)


@pytest.mark.parametrize("rms", [0.0, 0.5])
def test_leak_through_a_long_gap_says_where(rms):
    v, f, _ = shapes.chine_hull(step=5, weak=(290, 310))
    surface = Surface(shapes.rough(v, f, rms, 5.0) if rms else v, f)
    with pytest.raises(OutlineError, match="region 'bottom': the face leaks through a gap of about") as caught:
        find_face(surface, (300, 110, 10), name="bottom")
    where = np.array(caught.value.where.strip("() m").split(","), dtype=float)
    assert abs(where[0] - 300) < 20


def test_a_larger_scale_closes_the_gap():
    v, f, _ = shapes.chine_hull(step=5, weak=(290, 310))
    face = find_face(Surface(v, f), (300, 110, 10), scale_mm=20)
    whole = find_face(Surface(*shapes.chine_hull(step=5)[:2]), (300, 110, 10))
    assert face.region.area_mm2 == pytest.approx(whole.region.area_mm2, rel=0.02)


@pytest.mark.parametrize("rms", [0.0, 0.5])
def test_short_crease_inside_the_face_does_not_bound_it(rms):
    v, f = shapes.fine_box(step=4.0)
    tent = 9 * np.clip(1 - np.abs(v[:, 1]) / 18, 0, None) * np.clip((45 - np.abs(v[:, 0])) / 15, 0, 1)
    v = v + np.where(np.abs(v[:, 2] - 45) < 1e-6, tent, 0.0)[:, None] * [0, 0, 1]
    face = find_face(Surface(shapes.rough(v, f, rms, 5.0) if rms else v, f), (0, 45, 45))
    assert len(face.region.loops) == 1
    assert face.region.area_mm2 > 160 * 120


def test_narrow_face_between_two_creases():
    v, f = shapes.fine_box((200.0, 24.0, 60.0))
    region = face_region(Surface(shapes.rough(v, f, 0.3, 5.0), f), (0, 0, 30), scale_mm=6)
    assert region.area_mm2 == pytest.approx(200 * 24, rel=0.1)


def test_fillet_counts_by_its_turn_within_the_scale():
    ring = {"radius": 60.0, "height": 80.0, "reach": 100.0, "around": 100, "along": 45}
    sharp = find_face(Surface(*shapes.post_on_plate(fillet=10.0, **ring)), (130, 0, 0))
    edge = _rim(sharp.region)
    edge = edge[np.hypot(edge[:, 0], edge[:, 1]) < 100]
    turn = np.degrees(np.arctan2(70 - np.hypot(edge[:, 0], edge[:, 1]), 10 - edge[:, 2]))
    assert turn.mean() == pytest.approx(42, abs=6)
    with pytest.raises(OutlineError, match="no crease bounds the face"):
        find_face(Surface(*shapes.post_on_plate(fillet=25.0, **ring)), (130, 0, 0))


def test_fillet_of_a_model_in_long_triangles():
    a = np.linspace(0, np.pi / 2, 7)
    profile = np.vstack([[0, 0], np.stack([100 + 10 * np.sin(a), 10 - 10 * np.cos(a)], 1), [110, 100]])
    n = len(profile)
    v = np.vstack([np.column_stack([np.full(n, x), profile]) for x in (0.0, 120.0)])
    f = [q for i in range(n - 1) for q in ([i, n + i, n + i + 1], [i, n + i + 1, i + 1])]
    region = face_region(Surface(v, f), (60, 50, 0))
    assert region.surface.vertices_mm[:, 1].max() == pytest.approx(100 + 10 * np.sin(np.pi / 4), abs=0.5)


def test_short_weak_edge_of_a_model_is_bridged():
    # a roof whose ridge turns by 40 degrees but for 20 mm in the middle, where it turns by 20
    x = np.array([0.0, 90.0, 110.0, 200.0])
    rise = np.tan(np.radians([20, 20, 20, 20]))
    v = np.vstack([
        np.column_stack([x, 0 * x - 100, 0 * x]),
        np.column_stack([x, 0 * x, 100 * rise * [1, 0.74, 0.74, 1]]),
        np.column_stack([x, 0 * x + 100, 0 * x]),
    ])
    f = [q for r in (0, 4) for i in range(3) for q in ([r + i, r + i + 1, r + i + 5], [r + i, r + i + 5, r + i + 4])]
    region = face_region(Surface(v, f), (20, -50, 18), angle_deg=30)
    assert region.surface.vertices_mm[:, 1].max() < 1e-9


def test_refuses_what_cannot_be():
    box = Surface(*shapes.box())
    with pytest.raises(OutlineError, match="no crease bounds the face"):
        find_face(Surface(*shapes.sphere(200, 4000)), (0, 0, 200))
    with pytest.raises(OutlineError, match="off the surface, more than 10 mm"):
        find_face(box, (0, 0, 150))
    with pytest.raises(OutlineError, match="not a point"):
        find_face(box, (0, float("nan"), 100))
    with pytest.raises(OutlineError, match="angle of a crease"):
        find_face(box, (0, 0, 100), angle_deg=0)
    with pytest.raises(OutlineError, match="width of a crease"):
        find_face(box, (0, 0, 100), scale_mm=float("inf"))
    with pytest.raises(OutlineError, match="too coarse"):
        find_face(_box_top(*shapes.fine_box(), rms=0.5, length=1.0), (0, 0, 45), scale_mm=2.0)


def test_seed_on_a_crease_of_a_scan():
    surface = _box_top(*shapes.fine_box(step=4.0), rms=0.5, length=5.0)
    with pytest.raises(OutlineError, match="lies on a crease"):
        find_face(surface, (0, 60, 45))

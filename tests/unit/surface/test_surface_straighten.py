"""Corner lines of rough surfaces evened along their length."""

import numpy as np
import pytest
import shapes

from plyflat.surface._smooth import work_copy
from plyflat.surface.mesh import Surface
from plyflat.surface.noise import smooth_surface
from plyflat.surface.straighten import ALONG_MM, _shortcuts, evened_line, is_evened, straighten_corners


def slope_deg(points):
    """Rms angle of a line's steps to the x axis, over 10 mm each."""
    x = np.arange(points[0, 0], points[-1, 0], 10.0)
    off = np.stack([np.interp(x, points[:, 0], points[:, k]) for k in (1, 2)], axis=1)
    return np.degrees(np.sqrt((np.linalg.norm(np.diff(off, axis=0), axis=1) ** 2).mean()) / 10.0)


def jagged(length=400.0, step=3.0, rms=0.5, seed=0):
    x = np.arange(0.0, length, step)
    line = np.column_stack([x, np.zeros((len(x), 2))])
    noise = [shapes.waves(line + [0, 1000.0 * k, 0], rms, 5.0, seed) for k in (1, 2)]
    return line + np.column_stack([np.zeros(len(x)), *noise])


def test_a_jagged_line_is_straight_again():
    before = jagged()
    after, way = evened_line(before, closed=False, limit_mm=1.5)
    assert slope_deg(before) > 3.0
    assert slope_deg(after) < 0.6
    assert np.abs(after[:, 1:]).max() < 0.7
    assert np.degrees(np.arccos(np.clip(way[5:-5, 0], -1, 1))).max() < 2.0


@pytest.mark.parametrize(("radius", "off"), [(400.0, 0.02), (60.0, 0.6), (25.0, 0.6)])
def test_a_round_line_keeps_its_place(radius, off):
    t = np.linspace(0, 2 * np.pi, int(2 * np.pi * radius / 3.0) + 1)
    ring = radius * np.stack([np.cos(t), np.sin(t), 0 * t], axis=1)
    after, way = evened_line(ring, closed=True, limit_mm=0.5)
    assert np.abs(np.linalg.norm(after, axis=1) - radius).max() < off
    assert after[0] == pytest.approx(after[-1], abs=1e-6)
    assert np.abs((way * after).sum(axis=1)).max() < 1e-3 * radius + 0.1


def test_where_a_line_itself_has_a_corner_it_stays():
    x = np.arange(0.0, 150.0, 3.0)
    one = np.stack([x, 0 * x, 0 * x], axis=1)
    both = np.vstack([one[::-1] * [-1, 1, 1], one[1:, [1, 0, 2]]])[: 2 * len(x) - 1]
    after, _ = evened_line(both, closed=False, limit_mm=0.4)
    corner = int(np.argmin(np.linalg.norm(both, axis=1)))
    assert np.linalg.norm(after[corner] - both[corner]) < 0.5


@pytest.mark.parametrize("angle", [-90.0, 60.0])
def test_a_rough_corner_gets_a_straight_line_and_its_sides_stay_where_they_are(angle):
    v, f = shapes.wedge(180.0 + angle, 300.0, step=3.0)
    rough = Surface(shapes.rough(v, f, 0.5, 5.0), f)
    even = work_copy(rough)
    new = straighten_corners(rough, even)
    on_line = (np.linalg.norm(v[:, 1:], axis=1) < 1e-9) & (v[:, 0] > 30) & (v[:, 0] < 270)
    order = np.flatnonzero(on_line)[np.argsort(v[on_line, 0])]
    assert slope_deg(even[order]) > 2.0
    assert slope_deg(new[order]) < 0.5 * slope_deg(even[order])
    far = np.linalg.norm(v[:, 1:], axis=1) > 20.0
    assert (new[far] == even[far]).all()
    changed = Surface(new, f)
    assert (changed.face_normals * Surface(even, f).face_normals).sum(axis=1).min() > 0
    # Nothing moves off the sides by more than the noise.
    assert Surface(v, f).locate(new).distance_mm.max() < 1.5


def test_a_line_never_takes_all_three_corners_of_a_triangle():
    # Vertex 1 lies between 0 and 2, which are joined.
    flat = Surface([[0, 0, 0], [5, 1, 0], [10, 0, 0], [5, 9, 0]], [[0, 2, 1], [0, 3, 2]])
    fixed = np.array([True, True, True, False])
    assert _shortcuts(flat, flat.vertices_mm, fixed).tolist() == [1]


def test_a_surface_without_corners_is_left_alone():
    v, f = shapes.wedge(170.0, 120.0, step=4.0)
    rough = Surface(shapes.rough(v, f, 0.3, 5.0), f)
    even = work_copy(rough)
    assert straighten_corners(rough, even) is even


def test_smoothing_leaves_a_mark_that_says_scan():
    v, f = shapes.wedge(90.0, 90.0, step=4.0)
    clean = Surface(v, f)
    assert not is_evened(clean)
    assert is_evened(smooth_surface(clean, scale_mm=8.0))
    assert list(ALONG_MM) == sorted(ALONG_MM, reverse=True)

"""Distance along a surface against closed forms, its order of convergence, and lines of equal distance."""

import numpy as np
import pytest
import shapes

from plyflat.surface import Surface, cut_at_level, cut_region, distance_along, grow_regions, insert_path

POLE = np.array([0.3, 0.5, 0.8]) / np.linalg.norm([0.3, 0.5, 0.8])


def ball(triangles, radius=100.0):
    return Surface(*shapes.sphere(radius=radius, triangles=triangles)[:2])


def worst_share(d, true, near, far):
    among = (true > near) & (true < far)
    assert among.sum() > 100
    return (np.abs(d - true)[among] / true[among]).max()


def great_circle(surface, vertex, radius=100.0):
    unit = surface.vertices_mm / np.linalg.norm(surface.vertices_mm, axis=1, keepdims=True)
    return radius * np.arccos(np.clip(unit @ unit[vertex], -1, 1))


@pytest.mark.reference(source="great-circle distance R arccos(p.q / R^2)", kind="derived")
def test_distance_on_a_sphere_from_a_point():
    surface = ball(20000)
    d = distance_along(surface, [11])
    assert worst_share(d, great_circle(surface, 11), 5.0, 320.0) < 5e-3


@pytest.mark.reference(source="great-circle distance R arccos(p.q / R^2)", kind="derived")
def test_distance_on_a_sphere_converges():
    """A shortest way on an inscribed mesh is at the least short by a share of the order h², the first in the step h."""
    error = []
    for triangles in (600, 2400, 9600):
        surface = ball(triangles)
        d, true = distance_along(surface, [11]), great_circle(surface, 11)
        among = (true > 30) & (true < 250)
        error.append(np.abs(d / np.where(true > 0, true, 1.0) - 1)[among].mean())
    # The step halves each time; the order is two but for the places where vertices lie.
    assert error[0] / error[1] > 3.0
    assert error[1] / error[2] > 3.0


@pytest.mark.reference(source="a developable surface unrolls without stretch: distance from a line is that in the plane", kind="derived")
@pytest.mark.parametrize("kind", ["cylinder", "cone"])
def test_distance_on_a_developable_surface_from_a_ruling(kind):
    """The source is cut in as a line, off the vertices."""
    v, f, flat = getattr(shapes, f"{kind}_developed")(triangles=20000)
    surface = Surface(v, f)
    if kind == "cylinder":
        turn = np.arctan2(v[:, 1].mean(), v[:, 0].mean()) + 0.013
        line = [[300 * np.cos(turn), 300 * np.sin(turn), z] for z in np.linspace(60, 740, 120)]
        on = Surface(np.c_[flat, 0 * flat[:, 0]], f)
        at = surface.locate(line)
        ends = np.einsum("ki,kij->kj", at.weights, on.vertices_mm[f[at.face]])[:, :2]
    else:
        reach = np.hypot(flat[:, 0], flat[:, 1])
        a = np.arctan2(flat[:, 1], flat[:, 0])
        mid = 0.5 * (a.min() + a.max()) + 0.013
        ends = np.linspace(reach.min() + 60, reach.max() - 60, 120)[:, None] * [np.cos(mid), np.sin(mid)]
        at = Surface(np.c_[flat, 0 * flat[:, 0]], f).locate(np.c_[ends, 0 * ends[:, 0]])
        line = np.einsum("ki,kij->kj", at.weights, v[f[at.face]])
    made = insert_path(surface, line, closed=False)
    d = distance_along(made.surface, made.path_edges)
    plane = made.weights @ flat
    a, b = ends[0], ends[-1]
    t = np.clip((plane - a) @ (b - a) / ((b - a) @ (b - a)), 0, 1)[:, None]
    true = np.linalg.norm(plane - a - t * (b - a), axis=1)
    assert worst_share(d, true, 15.0, 200.0) < 5e-3


@pytest.mark.reference(source="a box unfolds without stretch: distance across an edge is that in the plane", kind="derived")
def test_distance_over_a_box_edge_from_a_line_off_the_grid():
    """A line 31.7 mm from the edge, parallel to it: the next side's points are that far plus their own distance."""
    surface = Surface(*shapes.box(size=(200.0, 200.0, 200.0), steps=40))
    y = np.linspace(-70, 70, 60)
    made = insert_path(surface, np.c_[0 * y + 100 - 31.7, y, 0 * y + 100], closed=False)
    d = distance_along(made.surface, made.path_edges)
    v = made.surface.vertices_mm
    side = (np.abs(v[:, 0] - 100) < 1e-9) & (np.abs(v[:, 1]) < 50) & (v[:, 2] > 0)
    assert side.sum() > 200
    np.testing.assert_allclose(d[side], 31.7 + (100 - v[side, 2]), rtol=1e-3)


@pytest.mark.reference(source="in the plane lines of equal distance from a point are circles", kind="derived")
def test_lines_of_equal_distance_in_the_plane_are_cut_exactly():
    """Both the vertices on the line and the middles of its edges lie on the circle, but for the chord's own height."""
    p, f = shapes.rectangle(400.0, 300.0, triangles=20000)
    surface = Surface(np.c_[p, 0 * p[:, 0]], f)
    middle = int(np.argmin(np.linalg.norm(p - [200, 150], axis=1)))
    cut = cut_at_level(surface, distance_along(surface, [middle]), 90.0)
    on = np.flatnonzero(cut.values == 90.0)
    r = np.linalg.norm(cut.surface.vertices_mm[on, :2] - p[middle], axis=1)
    height = surface.mean_edge_mm**2 / (2 * 90.0)
    assert np.abs(r - 90).max() < height
    area = cut.surface.face_areas_mm2[cut.below].sum()
    assert area == pytest.approx(np.pi * 90**2, rel=1e-3)


@pytest.mark.reference(source="a cylinder unrolls: a patch of it grown by d is a rectangle with rounded corners", kind="derived")
def test_growth_on_a_cylinder_with_noise_that_hangs_together():
    """0.5 mm over 5 mm, as scanners give it, is harder than noise that differs from vertex to vertex."""
    v, f = shapes.cylinder(radius=300.0, wrap_deg=100.0, height=300.0, triangles=25000)[:2]
    a, z = np.arctan2(v[:, 1].mean(), v[:, 0].mean()), (v[:, 2].min() + v[:, 2].max()) / 2
    s = np.linspace(0, 1, 40, endpoint=False)
    flat = np.vstack([
        np.c_[-100 + 200 * s, 0 * s - 60], np.c_[0 * s + 100, -60 + 120 * s],
        np.c_[100 - 200 * s, 0 * s + 60], np.c_[0 * s - 100, 60 - 120 * s],
    ])  # fmt: skip
    turn = a + flat[:, 0] / 300
    surface = Surface(shapes.rough(v, f, rms=0.5, length=5.0, seed=1), f)
    region = cut_region(surface, np.c_[300 * np.cos(turn), 300 * np.sin(turn), z + flat[:, 1]])
    for d, grown in zip((20.0, 50.0), grow_regions(region, (20.0, 50.0))):
        q = grown.surface.vertices_mm[grown.loops[0]]
        off = np.abs(np.c_[(np.arctan2(q[:, 1], q[:, 0]) - a) * 300, q[:, 2] - z]) - [100, 60]
        error = np.linalg.norm(np.maximum(off, 0), axis=1) - d
        assert len(grown.loops) == 1
        assert abs(error.mean()) < 0.3 + 0.01 * d
        assert np.abs(error).max() < 1.5 + 0.02 * d

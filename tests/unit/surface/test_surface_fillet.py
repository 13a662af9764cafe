"""Fillets: what is refused and why, what is kept, and that the strip is sound."""

import numpy as np
import pytest
import shapes

from plyflat.errors import OutlineError, QuantityError, ShapeError
from plyflat.surface.fillet import putty_mass_g, run_fillet
from plyflat.surface.mesh import Surface

ALONG = [[0.0, 0.0, 0.0], [200.0, 0.0, 0.0]]


def circle(radius, k=100):
    w = np.linspace(0, 2 * np.pi, k, endpoint=False)
    return radius * np.stack([np.cos(w), np.sin(w), 0 * w], axis=1)


def post(radius=25.0, height=80.0, step=3.0):
    return Surface(*shapes.leaning_post(radius, height=height, reach=80.0, step=step))


@pytest.fixture(scope="module")
def ringed():
    v, f = shapes.leaning_post(25.0, height=80.0, reach=80.0, step=3.0)
    colors = np.where(v[:, 2:] > 1, [200, 40, 40], [40, 40, 200]).astype(np.uint8)
    surface = Surface(v, f, colors)
    return surface, run_fillet(surface, circle(25), 10.0, closed=True)


def test_strip_lies_on_its_ball(ringed):
    made = ringed[1]
    points = made.surface.vertices_mm[np.unique(made.surface.faces[made.strip])]
    # Round a post the ball makes a torus.
    off = np.hypot(np.hypot(points[:, 0], points[:, 1]) - 35, points[:, 2] - 10) - 10
    assert np.abs(off).max() < 0.15
    assert made.stray_mm < 0.15


def test_all_but_the_corner_is_kept(ringed):
    surface, made = ringed
    kept = ~made.strip
    assert (made.parent_face[made.strip] == -1).all()
    assert (made.parent_face[kept] >= 0).all()
    now, was = made.surface.face_normals[kept], surface.face_normals[made.parent_face[kept]]
    large = made.surface.face_areas_mm2[kept] > 0.2
    assert (now * was).sum(axis=1)[large].min() > 0.95
    gone = surface.area_mm2 - made.surface.face_areas_mm2[kept].sum()
    assert gone == pytest.approx(np.pi * (35**2 - 25**2) + 2 * np.pi * 25 * 10, rel=0.01)


def test_strip_faces_the_air_and_is_coloured(ringed):
    made = ringed[1]
    f = made.surface.faces[made.strip]
    middle = made.surface.vertices_mm[f].mean(axis=1)
    out = middle / np.hypot(middle[:, 0], middle[:, 1])[:, None] * [35, 35, 0] + [0, 0, 10] - middle
    out[:, 2] = 10 - middle[:, 2]
    assert ((made.surface.face_normals[made.strip] * out).sum(axis=1) > 0).all()
    c = made.surface.colors[np.unique(f)].astype(int)
    assert c[:, 0].min() < 60 < 180 < c[:, 0].max()


def test_middle_line_for_bands(ringed):
    made = ringed[1]
    line = made.as_corner_line()
    assert np.array_equal(line[0], line[-1])
    assert len(made.as_corner_line(repeat_first=False)) == len(line) - 1
    deep = 10 - 10 / np.sqrt(2)
    assert np.hypot(line[:, 0], line[:, 1]) == pytest.approx(25 + deep, abs=0.2)
    assert line[:, 2] == pytest.approx(deep, abs=0.2)
    assert made.length_mm == pytest.approx(2 * np.pi * (25 + deep), rel=5e-3)


@pytest.mark.parametrize(("begin", "end", "loops"), [(40, 160, 1), (0, 160, 1), (40, 200, 1), (0, 200, 1)])
def test_open_fillet_ends_where_the_line_does(begin, end, loops):
    surface = Surface(*shapes.wedge(75))
    made = run_fillet(surface, [[begin, 0, 0], [end, 0, 0]], 15.0, closed=False)
    x = made.surface.vertices_mm[np.unique(made.surface.faces[made.strip])][:, 0]
    assert (x.min(), x.max()) == pytest.approx((begin, end), abs=0.01)
    assert len(made.surface.boundary_loops) == loops
    area = 225 * (1 / np.tan(np.radians(37.5)) - np.radians(105) / 2)
    assert made.volume_mm3 == pytest.approx(area * (end - begin), rel=1e-4)
    # End faces within the surface stand square to the line and have the section's area.
    flat = made.strip & (np.abs(made.surface.face_normals[:, 0]) > 0.999)
    inner = (begin > 0) + (end < 200)
    assert made.surface.face_areas_mm2[flat].sum() == pytest.approx(inner * area, rel=0.03)


def test_line_that_is_sparse_and_off_the_corner_does():
    made = run_fillet(post(), circle(27, 12) + [0, 0, 1.5], 10.0, closed=True)
    assert np.hypot(*made.centre_mm[:, :2].T) == pytest.approx(35, abs=0.15)


def test_line_may_run_either_way_and_repeat_its_first_point():
    one = run_fillet(post(), circle(25), 10.0, closed=True)
    two = run_fillet(post(), np.vstack([circle(25), circle(25)[:1]])[::-1], 10.0, closed=True)
    assert two.volume_mm3 == pytest.approx(one.volume_mm3, rel=2e-3)
    assert one.first_line_mm[:, 2].max() > 5 > two.first_line_mm[:, 2].max()


def test_wall_too_low_is_refused_with_its_height():
    with pytest.raises(ShapeError, match=r"ball of 25 mm does not reach both sides here: the wall ends 12 mm up"):
        run_fillet(post(height=12.0), circle(25), 25.0, closed=True)
    with pytest.raises(ShapeError, match="the wall ends 12 mm up"):
        run_fillet(Surface(*shapes.wedge(90, second=12, step=3)), ALONG, 25.0, closed=False)


def test_convex_corner_is_refused():
    v, f = shapes.leaning_post(25.0, step=3.0)
    with pytest.raises(ShapeError, match="convex here"):
        run_fillet(Surface(v, f[:, [0, 2, 1]]), circle(25), 10.0, closed=True)


def test_no_corner_is_refused():
    p, f = shapes.rectangle(200, 100)
    with pytest.raises(ShapeError, match="no corner here"):
        run_fillet(Surface(np.column_stack([p, 0 * p[:, 0]]), f), [[40, 50, 0], [160, 50, 0]], 10.0, closed=False)


def test_inner_bend_too_tight_is_refused():
    v, f, line = shapes.box_on_plate()
    inside = f[(f < 8).all(axis=1)][:, [0, 2, 1]]
    floor = np.vstack([inside[2:], [[0, 1, 2], [0, 2, 3]]])
    with pytest.raises(ShapeError, match="does not fit|bends too tightly") as err:
        run_fillet(Surface(v, floor), line, 15.0, closed=True)
    assert err.value.where


def test_ball_larger_than_the_pocket_is_refused():
    with pytest.raises(ShapeError) as err:
        run_fillet(Surface(*shapes.pocket(60.0, 60.0)), circle(60), 70.0, closed=True)
    assert "70 mm" in err.value.what
    assert err.value.where


@pytest.mark.parametrize(
    "line", [[[0, 0, 0]], [[0, 0], [1, 1]], [[0, 0, np.nan], [1, 0, 0]], [[0, 0, 900], [200, 0, 900]]]
)
def test_faulty_lines_are_refused(line):
    with pytest.raises(OutlineError):
        run_fillet(Surface(*shapes.wedge(90)), line, 10.0, closed=False)


@pytest.mark.parametrize("radius", [0.0, -5.0, np.nan])
def test_faulty_radius_is_refused(radius):
    with pytest.raises(ShapeError, match="radius"):
        run_fillet(Surface(*shapes.wedge(90)), ALONG, radius, closed=False)


def test_open_fillet_on_a_rough_scan_reaches_the_ragged_ends():
    v, f = shapes.wedge(90, step=2.5)
    made = run_fillet(Surface(shapes.rough(v, f, 0.5), f), ALONG, 20.0, closed=False)
    assert len(made.surface.boundary_loops) == 1
    assert made.volume_mm3 == pytest.approx(0.214602 * 400 * 200, rel=0.12)


def test_mass_of_putty():
    assert putty_mass_g(100_000.0, 0.9) == pytest.approx(90.0)
    assert putty_mass_g(100_000.0, 0.9, loss=0.1) == pytest.approx(99.0)
    for bad in ((-1.0, 0.9, 0.0), (1.0, 0.0, 0.0), (1.0, 0.9, 5.1), (1.0, 0.9, -0.1), (1.0, np.nan, 0.0)):
        with pytest.raises(QuantityError):
            putty_mass_g(bad[0], bad[1], bad[2])

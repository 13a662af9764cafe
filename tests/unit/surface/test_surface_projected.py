import numpy as np
import pytest
import shapely
import shapes

from plyflat.errors import OutlineError
from plyflat.surface.mesh import Surface
from plyflat.surface.projected import cut_region_seen, view_from


def _hull(triangles=8000):
    return Surface(*shapes.wigley(triangles=triangles))


def _on_hull(*xz):
    p = np.array(xz, dtype=float)
    return np.column_stack([p[:, 0], shapes._wigley_y(p[:, 0], p[:, 1], 9000.0, 1800.0, 600.0), p[:, 1]])


def _stray(region, ring, axes=(0, 2)):
    p = region.surface.vertices_mm[np.concatenate(region.loops)][:, axes]
    return shapely.distance(shapely.LinearRing(ring), shapely.points(p)).max()


CORNERS = _on_hull((-3000, -500), (2000, -450), (2500, -100), (-2800, -80))


@pytest.mark.parametrize("direction", [(0, 1, 0), (0, -5, 0)])
def test_edge_is_straight_as_seen(direction):
    region = cut_region_seen(_hull(), CORNERS, direction=direction, name="panel")
    assert region.name == "panel"
    assert _stray(region, CORNERS[:, [0, 2]]) < 0.05
    assert region.is_disc


def test_edge_differs_from_that_of_another_direction():
    region = cut_region_seen(_hull(), CORNERS, direction=(0.4, 1, 0))
    assert _stray(region, CORNERS[:, [0, 2]]) > 5
    view = view_from((0.4, 1, 0))
    p = view.flat(region.surface.vertices_mm[region.loops[0]])
    assert shapely.distance(shapely.LinearRing(view.flat(CORNERS)), shapely.points(p)).max() < 0.1


def test_opening_in_a_seen_outline():
    inner = _on_hull((-100, -250), (100, -250), (0, -150))
    region = cut_region_seen(_hull(), [CORNERS, inner], direction=(0, 1, 0))
    assert len(region.loops) == 2
    flat = shapely.Polygon(CORNERS[:, [0, 2]], [inner[:, [0, 2]]])
    p = region.surface.vertices_mm[region.surface.faces]
    seen = np.cross(p[:, 1] - p[:, 0], p[:, 2] - p[:, 0])[:, 1]
    assert abs(seen.sum() / 2) == pytest.approx(flat.area, rel=1e-4)


def test_seed_takes_the_other_side():
    inner = cut_region_seen(_hull(), CORNERS, direction=(0, 1, 0))
    outer = cut_region_seen(_hull(), CORNERS, direction=(0, 1, 0), seed_mm=_on_hull((4000, -300))[0])
    assert inner.area_mm2 + outer.area_mm2 == pytest.approx(_hull().area_mm2, rel=1e-4)


@pytest.mark.parametrize(("side", "sign"), [("near", 1), ("far", -1)])
def test_points_are_moved_along_the_line_of_sight(side, sign):
    square = np.array([[-50, 0, -50], [50, 0, -50], [50, 0, 50], [-50, 0, 50.0]])
    region = cut_region_seen(Surface(*shapes.sphere(200, 20000)), square, direction=(0, 1, 0), side=side)
    assert (np.sign(region.surface.vertices_mm[:, 1]) == sign).all()
    assert _stray(region, square[:, [0, 2]]) < 0.05


def test_noisy_surface_is_followed_on_its_smooth_copy():
    v, f = shapes.cylinder(radius=200, wrap_deg=100, height=300, triangles=20000)
    c = np.radians(50)
    ahead, across = np.array([np.cos(c), np.sin(c), 0]), np.array([-np.sin(c), np.cos(c), 0])
    points = [200 * ahead * np.sqrt(1 - (u / 200) ** 2) + u * across + [0, 0, z] for u, z in
              ((-80, 60), (80, 80), (60, 240), (-70, 220))]
    region = cut_region_seen(Surface(shapes.rough(v, f, 0.7, 5.0), f), points, direction=ahead)
    clean = cut_region_seen(Surface(v, f), points, direction=ahead)
    assert region.area_mm2 == pytest.approx(clean.area_mm2, rel=0.04)
    assert region.is_disc


def test_line_over_the_edge_of_a_box_as_seen_from_a_corner():
    box = Surface(*shapes.box((400, 300, 200)))
    points = [[100, 150, 50], [200, 80, 50], [200, 80, -50], [100, 150, -50]]
    region = cut_region_seen(box, points, direction=(1, 1, 0.2))
    assert region.is_disc
    # down the two sides of the edge, a hundred high and 100 + 70 round
    assert region.area_mm2 == pytest.approx(100 * 170, rel=0.1)


def test_leg_that_leaves_the_surface_says_where():
    sheet = Surface(*shapes.post_on_plate(radius=100, height=80, reach=120))
    with pytest.raises(OutlineError, match="leaves the surface|another part") as caught:
        cut_region_seen(sheet, [[-150, -60, 0], [150, -60, 0], [150, 60, 0], [-150, 60, 0]], direction=(0, 0, 1), name="p")
    assert caught.value.what.startswith("region 'p': the line from point 1 to point 2")
    assert caught.value.where.startswith("(")


@pytest.mark.parametrize(
    ("points", "match"),
    [
        ([[0, 0, 0], [1, 1, 1]], "2 different points"),
        (CORNERS + [0, 50, 0], "off the surface"),
        ([[0, 0, float("nan")]] * 3, "not finite"),
        (CORNERS[:, :2], "not a \\(k, 3\\)"),
        (CORNERS[[0, 2, 1, 3]], "crosses"),
    ],
)
def test_refuses_bad_outlines(points, match):
    with pytest.raises(OutlineError, match=match):
        cut_region_seen(_hull(4000), points, direction=(0, 1, 0))


def test_refuses_bad_directions_seeds_and_lines_of_sight():
    hull = _hull(4000)
    with pytest.raises(OutlineError, match="direction of sight"):
        cut_region_seen(hull, CORNERS, direction=(0, 0, 0))
    with pytest.raises(OutlineError, match="seed lies"):
        cut_region_seen(hull, CORNERS, direction=(0, 1, 0), seed_mm=(0, 0, 500))
    ball = Surface(*shapes.sphere(200, 4000))
    with pytest.raises(OutlineError, match="one line of sight"):
        cut_region_seen(ball, [[0, 120, 160], [0, -120, 160], [160, 120, 0]], direction=(0, 1, 0))
    with pytest.raises(OutlineError, match="beside the surface"):
        cut_region_seen(ball, [[0, 0, 250], [50, 0, 0], [-50, 0, 0]], direction=(0, 1, 0), side="near")

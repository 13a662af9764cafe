import numpy as np
import pytest
import shapes

from plyflat.errors import OutlineError
from plyflat.surface import Surface, cut_region
from plyflat.surface.region import outline_stray_mm
from plyflat.surface.spot import round_corners, spot_region

BOX = Surface(*shapes.box(size=(100.0, 100.0, 100.0)))


def plate(triangles=3000):
    p, f = shapes.rectangle(400.0, 300.0, triangles=triangles)
    return Surface(np.c_[p, 0 * p[:, 0]], f)


PLATE = plate()


def circle(middle, radius, k=720, start=0.0, turn=360.0):
    t = np.radians(start + np.linspace(0, turn, k, endpoint=turn < 360))
    return np.c_[middle[0] + radius * np.cos(t), middle[1] + radius * np.sin(t), 0 * t]


@pytest.mark.parametrize("radius", [3.0, 10.0, 60.0])
def test_a_disc_in_the_plane(radius):
    made = spot_region(PLATE, [201.3, 151.7, 0], radius, name="nick")
    assert made.is_disc
    assert made.name == "nick"
    assert made.short_mm == 0
    assert outline_stray_mm(made, circle((201.3, 151.7), radius)) < 0.05


@pytest.mark.parametrize("point", [[50, 0, 50], [50, 20, 50], [20, 20, 50], [20, 20.001, 50], [40, 3, 50.5]])
def test_on_a_box_wherever_the_point_falls(point):
    made = spot_region(BOX, point, 10.0)
    assert made.is_disc
    assert made.area_mm2 == pytest.approx(np.pi * 100, rel=2e-3)


def test_on_a_box_corner_a_quarter_is_missing():
    assert spot_region(BOX, [50, 50, 50], 10.0).area_mm2 == pytest.approx(0.75 * np.pi * 100, rel=2e-3)


def test_at_a_vertex_of_the_mesh():
    k = int(np.argmin(np.linalg.norm(PLATE.vertices_mm - [200, 150, 0], axis=1)))
    made = spot_region(PLATE, PLATE.vertices_mm[k], 20.0)
    assert outline_stray_mm(made, circle(PLATE.vertices_mm[k], 20.0)) < 0.05


def test_beyond_the_surfaces_edge_says_how_much_is_short():
    made = spot_region(PLATE, [10, 150, 0], 30.0)
    assert made.short_mm == pytest.approx(20.0, abs=1e-6)
    assert made.short_at_mm == pytest.approx((0, 150, 0), abs=0.5)


def test_spots_that_cannot_be():
    for point, radius, words in (
        ([200, 150, 0], 0.0, "radius is 0 mm"),
        ([200, 150, 0], np.nan, "radius is nan mm"),
        ([200, 150], 5.0, "the point is"),
        ([200, np.nan, 0], 5.0, "the point is"),
        ([200, 150, 40], 5.0, "40.0 mm off the surface"),
    ):
        with pytest.raises(OutlineError, match=words):
            spot_region(PLATE, point, radius)
    ball = Surface(*shapes.sphere(radius=100.0, triangles=2000))
    with pytest.raises(OutlineError, match="reaches over all of the surface"):
        spot_region(ball, [0, 0, 100], 400.0)


def ell():
    return cut_region(PLATE, [[100, 60, 0], [300, 60, 0], [300, 130, 0], [180, 130, 0], [180, 240, 0], [100, 240, 0]], name="ell")


def test_outer_corners_are_rounded_and_the_inner_one_on_request():
    arcs = [circle(m, 20, 60, s, 90) for m, s in (((280, 80), 270), ((280, 110), 0))]
    more = [circle(m, 20, 60, s, 90) for m, s in (((160, 220), 0), ((120, 220), 90), ((120, 80), 180))]
    sharp = np.array([[180, 130, 0.0]])
    inner = circle((200, 150), 20, 60, 270, -90)
    made = round_corners(ell(), 20.0)
    assert made.name == "ell"
    assert outline_stray_mm(made, np.vstack([*arcs, sharp, *more])) < 0.12
    made = round_corners(ell(), 20.0, inner=True)
    assert outline_stray_mm(made, np.vstack([*arcs, inner, *more])) < 0.12


def test_rounding_nothing_or_too_much():
    region = ell()
    assert round_corners(region, 0.0) is region
    with pytest.raises(OutlineError, match="'ell' is too narrow to round its corners to 50 mm"):
        round_corners(region, 50.0)
    with pytest.raises(OutlineError, match="cannot be rounded to -1 mm"):
        round_corners(region, -1.0)

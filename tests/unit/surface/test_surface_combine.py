import numpy as np
import pytest
import shapes

from plyflat.errors import OutlineError
from plyflat.surface import Surface, cut_region, grow_region
from plyflat.surface.combine import (
    Plane,
    common,
    minus,
    mirror,
    mirror_half,
    mirror_surface,
    part_with,
    split_at,
    union,
)
from plyflat.surface.frame import frame_of
from plyflat.surface.region import outline_stray_mm
from plyflat.surface.spot import spot_region

BOX = Surface(*shapes.box(size=(100.0, 100.0, 100.0)))


def plate(triangles=3000):
    p, f = shapes.rectangle(400.0, 300.0, triangles=triangles)
    return Surface(np.c_[p, 0 * p[:, 0]], f)


PLATE = plate()


def square(x0, y0, x1, y1):
    return [[x0, y0, 0], [x1, y0, 0], [x1, y1, 0], [x0, y1, 0]]


def circle(radius, k=90):
    t = np.linspace(0, 2 * np.pi, k, endpoint=False)
    return np.c_[200 + radius * np.cos(t), 150 + radius * np.sin(t), 0 * t]


def region(outline, name="", surface=PLATE):
    return cut_region(surface, outline, name=name)


A = region(square(50, 50, 200, 150), "a")


def check(made):
    """One piece with simple loops whose parent holds it."""
    assert made.inside.sum() == len(made.surface.faces)
    used = np.zeros(len(made.surface.vertices_mm), dtype=int)
    for loop in made.loops:
        used[loop] += 1
    assert used.max() == 1
    assert made.parent.area_mm2 == pytest.approx(400 * 300, rel=1e-9)


def test_overlapping_squares():
    b = region(square(120, 100, 300, 250), "b")
    for made, area in ((union(A, b), 15000 + 27000 - 4000), (common(A, b), 4000), (minus(A, b), 11000)):
        check(made)
        assert made.area_mm2 == pytest.approx(area, rel=1e-6)
        assert made.name == "a"
    assert union(A, b, name="both").name == "both"


@pytest.mark.parametrize(
    ("outline", "both"),
    [
        (square(200, 50, 300, 150), 25000),  # a whole edge shared
        (square(200, 80, 300, 130), 20000),  # part of one
        (square(200.03, 60, 300, 140), 23000),  # a hair apart
        (square(199.97, 60, 300, 140), 23000),  # a hair over
    ],
)
def test_regions_that_share_an_edge_make_one_without_a_seam(outline, both):
    b = region(outline, "b")
    made = union(A, b)
    check(made)
    assert len(made.loops) == 1
    assert made.area_mm2 == pytest.approx(both, rel=2e-4)
    with pytest.raises(OutlineError, match="do not overlap"):
        common(A, b)
    with pytest.raises(OutlineError, match="outside region 'a'"):
        minus(A, b)
    assert minus(A, b, must_meet=False) is A


def test_a_region_with_itself():
    again = region(square(50, 50, 200, 150), "b")
    assert union(A, again).area_mm2 == pytest.approx(15000, rel=1e-9)
    assert common(A, again).area_mm2 == pytest.approx(15000, rel=1e-9)
    with pytest.raises(OutlineError, match="takes all of region 'a'"):
        minus(A, again)


@pytest.mark.parametrize("outline", [square(200, 150, 300, 250), [[200, 100, 0], [300, 80, 0], [300, 120, 0]]])
def test_regions_that_meet_in_a_point_are_refused(outline):
    with pytest.raises(OutlineError, match="apart or meet in points only"):
        union(A, region(outline, "b"))


def test_an_opening_whose_corner_touches_the_outline_is_refused_at_that_corner():
    with pytest.raises(OutlineError, match="touch itself in a point") as caught:
        minus(A, [[200, 100, 0], [100, 80, 0], [100, 120, 0]])
    assert "(200.0, 100.0, 0.0) mm" in str(caught.value)


def test_outlines_on_the_surfaces_own_edge():
    a, b = region(square(0, 50, 150, 150)), region(square(0, 100, 100, 200))
    assert [f(a, b).area_mm2 for f in (union, common, minus)] == pytest.approx([20000, 5000, 10000], rel=1e-9)


def test_a_bar_over_a_ring():
    ring, bar = region([circle(100), circle(60)], "ring"), region(square(80, 140, 320, 160), "bar")
    made = union(ring, bar)
    check(made)
    assert len(made.loops) == 3
    for work in (common, minus):
        with pytest.raises(OutlineError, match="2 parts"):
            work(ring, bar)
    with pytest.raises(OutlineError, match="parts region 'bar': it would be 3 parts"):
        minus(bar, ring)


def test_an_opening_with_its_margin_stays_put():
    fitting = square(90, 80, 110, 100)
    made = minus(A, fitting, 10.0)
    check(made)
    assert made.area_mm2 == pytest.approx(15000 - (400 + 800 + np.pi * 100), rel=2e-4)
    t = np.linspace(0, np.pi / 2, 60)
    corner = 10 * np.c_[np.cos(t), np.sin(t)]
    asked = [
        np.array([x, y]) + corner @ np.array([[c, s], [-s, c]])
        for (x, y), (c, s) in zip(((110, 100), (90, 100), (90, 80), (110, 80)), ((1, 0), (0, 1), (-1, 0), (0, -1)))
    ]
    asked = np.vstack(asked)
    assert outline_stray_mm(made, [square(50, 50, 200, 150), np.c_[asked, 0 * asked[:, 0]]]) < 0.05
    assert outline_stray_mm(minus(A, fitting), [square(50, 50, 200, 150), fitting]) < 1e-3


def test_an_opening_that_parts_the_region():
    with pytest.raises(OutlineError, match="parts region 'a': it would be 2 parts"):
        minus(A, square(100, 30, 120, 200))
    with pytest.raises(OutlineError, match="margin"):
        minus(A, square(100, 80, 120, 100), -1.0)


def test_split_by_a_line_and_by_a_plane():
    for line in ([[110, 20, 0], [110, 180, 0]], [[110, 50, 0], [110, 150, 0]], Plane((110, 0, 0), (2, 0, 0))):
        large, small = split_at(A, line)
        check(large)
        check(small)
        assert [large.area_mm2, small.area_mm2] == pytest.approx([9000, 6000], rel=1e-9)
        assert part_with((large, small), [60, 60, 0]) is small
        assert union(large, small).area_mm2 == pytest.approx(15000, rel=1e-9)
    with pytest.raises(OutlineError, match="more than 10 mm"):
        part_with((large, small), [300, 300, 0])


def test_a_line_that_ends_within_or_misses():
    with pytest.raises(OutlineError, match="ends within it") as caught:
        split_at(A, [[110, 20, 0], [110, 80, 0]])
    assert caught.value.where == "(110.0, 80.0, 0.0) mm"
    for line in (Plane((250, 0, 0), (1, 0, 0)), [[300, 20, 0], [300, 80, 0]]):
        with pytest.raises(OutlineError, match="misses it"):
            split_at(A, line)


def test_a_ring_split_in_two_and_put_together():
    halves = split_at(region([circle(100), circle(60)]), Plane((200, 150, 0), (0, 1, 0)))
    assert len(halves) == 2
    assert all(h.is_disc for h in halves)
    assert len(union(*halves).loops) == 2


def test_over_a_box_edge():
    a = region([[-20, -30, 50], [50, -30, 20], [50, 30, 20], [-20, 30, 50]], surface=BOX)
    made = minus(a, spot_region(BOX, [50, 0, 50], 10.0))
    assert len(made.loops) == 2
    assert made.area_mm2 == pytest.approx(6000 - np.pi * 100, rel=2e-4)
    for line in (Plane((0, 0, 50), (0, 0, 1)), [[50, -50, 50], [50, 50, 50]]):
        assert [q.area_mm2 for q in split_at(a, line)] == pytest.approx([4200, 1800], rel=1e-9)


def test_regions_of_other_surfaces_are_refused():
    v = PLATE.vertices_mm + [0, 0, 5]
    with pytest.raises(OutlineError, match="not of one surface"):
        union(A, region(square(100, 100, 250, 200) + np.array([0, 0, 5]), "b", Surface(v, PLATE.faces)))


def test_on_a_noisy_sheet():
    surface = Surface(*shapes.noisy_sheet(400.0, 300.0, noise=0.5, triangles=12000))
    a, b, side = (
        region(square(*q), n, surface)
        for q, n in (((50, 50, 200, 150), "a"), ((120, 80, 300, 250), "b"), ((200, 50, 300, 150), "side"))
    )
    u, k = union(a, b), common(a, b)
    assert u.area_mm2 + k.area_mm2 == pytest.approx(a.area_mm2 + b.area_mm2, rel=2e-4)
    assert len(union(a, side).loops) == 1
    assert grow_region(u, 10.0).area_mm2 > u.area_mm2


# -- the other side ------------------------------------------------------------------------------------------------
CENTRE = Plane((0, 0, 0), (0, 1, 0))


def halves(swell=0.0):
    """A sheet over both sides of y = 0; the far side is higher by `swell` at its edge."""
    p, f = shapes.rectangle(400.0, 400.0, triangles=6000)
    x, y = p[:, 0], p[:, 1] - 200
    return Surface(np.c_[x, y, 0.001 * y**2 + swell * np.clip(-y / 200, 0, 1)], f)


def test_mirrored_onto_the_other_side():
    surface = halves()
    a = cut_region(surface, [[100, 50, 2.5], [200, 60, 3.6], [220, 150, 22.5], [90, 140, 19.6]], name="port")
    made = mirror(a, surface, CENTRE, name="starboard")
    assert made.region.name == "starboard"
    assert made.off_mm < 0.1
    assert made.region.area_mm2 == pytest.approx(a.area_mm2, rel=1e-3)
    lines = [CENTRE.mirrored(a.surface.vertices_mm[q]) for q in a.loops]
    assert outline_stray_mm(made.region, lines) < 0.1
    back = mirror(made.region, surface, CENTRE).region
    assert back.area_mm2 == pytest.approx(a.area_mm2, rel=1e-3)


def test_the_other_side_may_differ_a_little_and_the_difference_is_told():
    surface = halves(swell=8.0)
    a = cut_region(surface, [[100, 50, 2.5], [200, 60, 3.6], [220, 150, 22.5], [90, 140, 19.6]], name="port")
    made = mirror(a, surface, CENTRE)
    # 8 mm at 200 mm off the centre plane is 6 mm at 150, upright; square to the slope of 0.3 + 0.04 it is less.
    assert made.off_mm == pytest.approx(6 * np.cos(np.arctan(0.34)), abs=0.15)
    assert made.off_at_mm[1] == pytest.approx(-150, abs=2)
    with pytest.raises(OutlineError, match="mm off the other side, more than 3 mm"):
        mirror(a, surface, CENTRE, off_mm=3.0)


def test_a_ring_is_mirrored_with_its_opening_and_the_larger_side_by_its_middle():
    v, f = PLATE.vertices_mm - [200, 150, 0], PLATE.faces
    surface = Surface(v, f)
    ring = cut_region(surface, [circle(100) - [180, 150, 0], circle(60) - [180, 150, 0]])
    made = mirror(ring, surface, Plane((0, 0, 0), (1, 0, 0))).region
    assert len(made.loops) == 2
    assert made.area_mm2 == pytest.approx(ring.area_mm2, rel=1e-4)
    most = cut_region(surface, circle(60) - [230, 150, 0], seed_mm=[150, 100, 0])
    other = mirror(most, surface, Plane((0, 0, 0), (1, 0, 0))).region
    assert other.area_mm2 == pytest.approx(most.area_mm2, rel=1e-4)


def test_a_surface_that_faces_the_other_way_is_refused():
    surface = halves()
    a = cut_region(surface, [[100, 50, 2.5], [200, 60, 3.6], [220, 150, 22.5], [90, 140, 19.6]], name="port")
    with pytest.raises(OutlineError, match="faces the other way"):
        mirror(a, Surface(surface.vertices_mm, surface.faces[:, ::-1]), CENTRE)


def test_half_model_mirrored_with_its_surface():
    half = Surface(*shapes.wigley(triangles=3000))
    top = Plane((0, 0, 0), (0, 1, 0))
    whole = mirror_surface(half, top)
    assert whole.area_mm2 == pytest.approx(half.area_mm2, rel=1e-12)
    inner = np.abs(half.face_normals[:, 1]) > 0.1
    assert (half.face_normals[inner, 1] * whole.face_normals[inner, 1] < 0).all()
    a = cut_region(half, half.vertices_mm[[np.argmin(np.linalg.norm(half.vertices_mm - q, axis=1)) for q in (
        [-500, 800, -100], [500, 800, -100], [500, 500, -400], [-500, 500, -400])]], name="port")
    made = mirror_half(a, top, name="starboard")
    assert made.area_mm2 == pytest.approx(a.area_mm2, rel=1e-12)
    assert made.perimeter_mm == pytest.approx(a.perimeter_mm, rel=1e-12)
    assert np.sign(made.surface.vertex_normals[:, 1].mean()) == -np.sign(a.surface.vertex_normals[:, 1].mean())


@pytest.mark.parametrize(("point", "normal"), [((0, 0), (0, 1, 0)), ((0, 0, 0), (0, 0, 0)), ((0, np.nan, 0), (0, 1, 0))])
def test_planes_that_are_none(point, normal):
    with pytest.raises(OutlineError, match="the plane's"):
        Plane(point, normal)


# -- the cloth's axes ----------------------------------------------------------------------------------------------
def test_frame_from_a_direction_two_points_and_a_line():
    for warp in ((2, 0, 5), [[60, 60, 0], [160, 60, 0]], [[0, 200, 0], [60, 100, 0], [160, 100, 0], [200, 200, 0]]):
        frame = frame_of(A, warp=warp)
        np.testing.assert_allclose([frame.warp, frame.weft, frame.normal], np.eye(3), atol=1e-9)
        np.testing.assert_allclose(frame.way(30.0), [np.cos(np.pi / 6), 0.5, 0], atol=1e-9)
    np.testing.assert_allclose(frame_of(A, warp=(1, 0, 0)).origin_mm, [125, 100, 0], atol=1e-6)


def test_a_warp_square_to_the_surface_is_refused_with_its_angle_and_place():
    lean = np.radians(4.0)
    with pytest.raises(OutlineError, match="only 4.0 deg off its normal") as caught:
        frame_of(A, warp=(np.sin(lean), 0, np.cos(lean)))
    assert caught.value.where == "(125.0, 100.0, 0.0) mm"
    frame_of(A, warp=(np.sin(1.5 * lean), 0, np.cos(1.5 * lean)))
    for warp in ((0, 0, 0), [[1, 1, 0], [1, 1, 0]], [1, 2], [[0, 0, np.inf], [1, 0, 0]]):
        with pytest.raises(OutlineError):
            frame_of(A, warp=warp)
    with pytest.raises(OutlineError, match="point 2 of the warp line of region 'a' lies 50.0 mm off"):
        frame_of(A, warp=[[60, 60, 0], [160, 60, 50]], tolerance_mm=10.0)


def test_frame_on_a_noisy_wall():
    surface = Surface(*shapes.noisy_sheet(400.0, 300.0, noise=0.5, triangles=6000))
    frame = frame_of(cut_region(surface, square(50, 50, 200, 150)), warp=(1, 0, 0))
    assert frame.normal[2] > 0.995
    assert abs(frame.warp @ frame.normal) < 1e-12

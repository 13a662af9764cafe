"""Fillets of putty against closed forms."""

import numpy as np
import pytest
import shapes

from plyflat.surface.cut import insert_path
from plyflat.surface.fillet import run_fillet
from plyflat.surface.geodesic import distance_along
from plyflat.surface.mesh import Surface
from plyflat.surface.region import cut_region, grow_regions


def corner_area(angle_deg):
    """Area between two walls and a circle of radius 1 that touches both: kite less sector."""
    th = np.radians(angle_deg)
    return 1 / np.tan(th / 2) - (np.pi - th) / 2


def ellipse(radius, tilt_deg, k=200):
    w = np.linspace(0, 2 * np.pi, k, endpoint=False)
    return np.stack([radius * np.cos(w) / np.cos(np.radians(tilt_deg)), radius * np.sin(w), 0 * w], axis=1)


def manifold(made):
    """Whether each edge has two faces that run it opposite ways, or one."""
    f, n = made.surface.faces, len(made.surface.vertices_mm)
    e = f[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2)
    both = np.bincount(np.unique(np.sort(e, axis=1) @ [n, 1], return_inverse=True)[1])
    return both.max() == 2 and len(np.unique(e @ [n, 1])) == len(e) and (made.surface.face_areas_mm2 > 0).all()


@pytest.mark.reference(source="circle in a wedge: kite less sector, r² (cot(t/2) - (pi - t)/2)", kind="derived")
@pytest.mark.parametrize("angle", [30, 60, 90, 120, 150])
def test_section_and_volume_in_a_wedge(angle):
    made = run_fillet(Surface(*shapes.wedge(angle)), [[0, 0, 0], [200, 0, 0]], 20.0, closed=False)
    area = corner_area(angle) * 20.0**2
    assert made.section_mm2 == pytest.approx((area, area), rel=1e-3)
    assert made.volume_mm3 == pytest.approx(200 * area, rel=1e-4)
    assert made.angle_deg == pytest.approx(angle, abs=1e-3)
    reach = 20 / np.tan(np.radians(angle) / 2)
    assert np.linalg.norm(made.first_line_mm[:, 1:], axis=1) == pytest.approx(reach, rel=1e-5)
    assert np.linalg.norm(made.second_line_mm[:, 1:], axis=1) == pytest.approx(reach, rel=1e-5)
    assert manifold(made)


@pytest.mark.reference(source="Pappus: volume of a ring is its section times the way of the centroid", kind="derived")
@pytest.mark.parametrize(("radius", "ball"), [(25.0, 20.0), (40.0, 10.0)])
def test_volume_round_a_post_square_to_a_plate(radius, ball):
    """The section is a square of side r less a quarter circle about its far corner.

    Area: r² (1 - pi/4) = 0.214602 r². First moment about the post's wall: the square's r³/2 less the quarter
    circle's, whose centroid lies 4 r / (3 pi) from the far corner, so r - 4 r / (3 pi) from the wall:
    pi r²/4 (r - 4 r/(3 pi)) = r³ (pi/4 - 1/3). Centroid: (1/2 - pi/4 + 1/3) / (1 - pi/4) r = 0.223368 r off the wall.
    By Pappus V = 2 pi (R + 0.223368 r) 0.214602 r².
    """
    area = 1 - np.pi / 4
    off = (5 / 6 - np.pi / 4) / area
    assert (area, off) == pytest.approx((0.214602, 0.223368), abs=5e-7)
    v, f = shapes.leaning_post(radius, height=50, reach=50, step=1.8)
    made = run_fillet(Surface(v, f), ellipse(radius, 0), ball, closed=True)
    assert made.volume_mm3 == pytest.approx(2 * np.pi * (radius + off * ball) * area * ball**2, rel=5e-3)
    assert made.section_mm2 == pytest.approx((area * ball**2,) * 2, rel=1e-2)
    assert manifold(made)
    assert len(made.surface.boundary_loops) == 2


@pytest.mark.reference(source="Pappus, the fillet inside a round pocket: the centroid lies on the other side", kind="derived")
def test_volume_inside_a_round_pocket():
    v, f = shapes.pocket(radius=60.0, depth=40.0, around=130, along=40)
    made = run_fillet(Surface(v, f), ellipse(60.0, 0), 20.0, closed=True)
    area = 1 - np.pi / 4
    off = (5 / 6 - np.pi / 4) / area
    assert made.volume_mm3 == pytest.approx(2 * np.pi * (60 - off * 20) * area * 400, rel=5e-3)


@pytest.mark.reference(source="a ball touching a plate and a cylinder: its centre is r above and R + r off the axis", kind="derived")
@pytest.mark.parametrize("tilt", [30, 45, 60])
def test_centres_round_a_leaning_post(tilt):
    v, f = shapes.leaning_post(30.0, tilt, height=60, reach=60, step=2.0)
    made = run_fillet(Surface(v, f), ellipse(30.0, tilt), 10.0, closed=True)
    t = np.radians(tilt)
    axis = np.array([np.sin(t), 0, np.cos(t)])
    c = made.centre_mm
    off = np.linalg.norm(c - np.outer(c @ axis, axis), axis=1)
    # The mesh's flats lie up to h²/8R = 0.03 mm inside the cylinder on average, and lean.
    assert np.abs(off - 40.0).max() < 0.1
    assert np.abs(c[:, 2] - 10.0).max() < 0.01
    # The angle between plate and wall where the ball touches runs from 90 - tilt to 90 + tilt.
    assert made.angle_deg.min() == pytest.approx(90 - tilt, abs=1.5)
    assert made.angle_deg.max() == pytest.approx(90 + tilt, abs=3.0)
    assert manifold(made)


@pytest.mark.reference(source="error of a chord falls with the square of its length", kind="derived")
def test_centres_converge_with_the_square_of_the_step():
    miss = []
    for step in (4.0, 2.0):
        v, f = shapes.leaning_post(30.0, 30.0, step=step)
        c = run_fillet(Surface(v, f), ellipse(30.0, 30.0), 10.0, closed=True).centre_mm
        axis = np.array([0.5, 0, np.sqrt(0.75)])
        miss.append(np.abs(np.linalg.norm(c - np.outer(c @ axis, axis), axis=1) - 40.0).mean())
    assert np.log2(miss[0] / miss[1]) == pytest.approx(2.0, abs=0.6)


@pytest.mark.reference(source="straight walls and a quarter circle at each edge of a box: prisms and a ring", kind="derived")
@pytest.mark.parametrize("ball", [15.0, 3.0])
def test_volume_round_a_box_of_few_triangles(ball):
    """Four prisms along the sides; at the box's four edges the ball turns about them, in all once round."""
    v, f, line = shapes.box_on_plate()
    made = run_fillet(Surface(v, f), line, ball, closed=True)
    area = 1 - np.pi / 4
    ring = 2 * np.pi * (5 / 6 - np.pi / 4) * ball**3
    assert made.volume_mm3 == pytest.approx(area * ball**2 * 320 + ring, rel=1e-3)
    assert made.stray_mm < 1e-3 * ball
    assert manifold(made)


@pytest.mark.reference(source="way over a filleted corner: both walls less r (2 cot(t/2) - (pi - t))", kind="derived")
@pytest.mark.parametrize("angle", [60, 90])
def test_distance_over_a_fillet(angle):
    th = np.radians(angle)
    short = 20 * (2 / np.tan(th / 2) - (np.pi - th))
    made = run_fillet(Surface(*shapes.wedge(angle, length=120)), [[0, 0, 0], [120, 0, 0]], 20.0, closed=False)
    cut = insert_path(made.surface, [[0.0, 100.0, 0.0], [120.0, 100.0, 0.0]], closed=False)
    v = cut.surface.vertices_mm
    d = distance_along(cut.surface, cut.path_edges)
    up = np.hypot(v[:, 1], v[:, 2])
    on_second = np.abs(v[:, 1] * np.sin(th) - v[:, 2] * np.cos(th)) < 1e-6
    there = on_second & (up > 60)
    assert there.sum() > 100
    assert d[there] == pytest.approx(100 + up[there] - short, rel=5e-3)


@pytest.mark.reference(source="way over a filleted corner: both walls less r (2 - pi/2) at 90 degrees", kind="derived")
def test_regions_grow_over_a_fillet():
    made = run_fillet(Surface(*shapes.wedge(90, length=120)), [[0, 0, 0], [120, 0, 0]], 20.0, closed=False)
    outline = [[30.0, 40.0, 0.0], [90.0, 40.0, 0.0], [90.0, 90.0, 0.0], [30.0, 90.0, 0.0]]
    region = cut_region(made.surface, outline)
    grown = grow_regions(region, [40.0, 60.0])
    for reach, part in zip((40.0, 60.0), grown):
        v = part.surface.vertices_mm
        assert part.short_mm > 0
        rim = v[(np.abs(v[:, 0] - 60) < 20)]
        top = rim[:, 2].max()
        # 20 mm flat to the fillet, a quarter circle of 10 pi, then up the wall.
        assert top == pytest.approx(20 + reach - 20 - 10 * np.pi if reach > 20 + 10 * np.pi else
                                    20 * (1 - np.cos((reach - 20) / 20)), abs=0.4)


@pytest.mark.reference(source="Pappus for the volume; the post and plate the scan was roughened from", kind="derived")
@pytest.mark.parametrize(("rms", "centre", "volume"), [(0.5, 0.6, 0.06), (1.0, 1.2, 0.12)])
def test_fillet_on_a_rough_scan(rms, centre, volume):
    """Waves 5 mm long: the centre's rms error is about 0.75 of theirs, and the volume's a few per cent."""
    v, f = shapes.leaning_post(40.0, height=90, reach=90, step=2.2)
    rng = np.random.default_rng(1)
    line = ellipse(40.0, 0) + rng.normal(0, 0.7, (200, 3))
    made = run_fillet(Surface(shapes.rough(v, f, rms), f), line, 20.0, closed=True)
    c = made.centre_mm
    off = np.stack([np.hypot(c[:, 0], c[:, 1]) - 60, c[:, 2] - 20])
    assert np.sqrt((off**2).mean()) < centre
    area = 1 - np.pi / 4
    ring = 2 * np.pi * (40 + (5 / 6 - np.pi / 4) / area * 20) * area * 400
    assert made.volume_mm3 == pytest.approx(ring, rel=volume)
    assert manifold(made)
    assert made.stray_mm < 4 * rms

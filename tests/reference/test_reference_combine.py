"""Regions added and taken away, round patches and rounded corners against another library and closed forms."""

import numpy as np
import pytest
import shapely
import shapes

from plyflat.surface import Surface, cut_region
from plyflat.surface.combine import Plane, common, minus, part_with, split_at, union
from plyflat.surface.region import outline_stray_mm
from plyflat.surface.spot import round_corners, spot_region

RADIUS = 300.0


def star(rng, corners, middle):
    """A random polygon seen from its middle, (k, 2)."""
    turn = np.sort(rng.uniform(0, 2 * np.pi, corners))
    far = rng.uniform(40, 100, corners)
    return np.asarray(middle) + far[:, None] * np.c_[np.cos(turn), np.sin(turn)]


def pair(seed):
    """Two random polygons that overlap, in the plane, and no corner of one near the other's edge."""
    rng = np.random.default_rng(seed)
    while True:
        one, two = star(rng, 7, (180, 140)), star(rng, 9, (215, 160))
        p, q = shapely.Polygon(one), shapely.Polygon(two)
        parts = [p | q, p & q, p - q]
        near = min(p.boundary.distance(shapely.points(two)).min(), q.boundary.distance(shapely.points(one)).min())
        if p.is_valid and q.is_valid and near > 0.5 and all(x.geom_type == "Polygon" for x in parts):
            return one, two, parts


def check_areas(a, b, parts, rel, sums):
    """Against the true areas, and the parts' sums against those of the regions that went in."""
    made = union(a, b), common(a, b), minus(a, b)
    for one, true in zip(made, parts):
        assert len(one.loops) == 1 + len(true.interiors)
        assert one.area_mm2 == pytest.approx(true.area, rel=rel)
    assert made[0].area_mm2 + made[1].area_mm2 == pytest.approx(a.area_mm2 + b.area_mm2, rel=sums)
    assert made[2].area_mm2 + made[1].area_mm2 == pytest.approx(a.area_mm2, rel=sums)


@pytest.mark.reference(source="shapely (GEOS): union, intersection and difference of polygons", kind="library")
@pytest.mark.parametrize("seed", [0, 1, 2])
def test_random_polygons_in_the_plane(seed):
    p, f = shapes.rectangle(400.0, 300.0, triangles=2000)
    surface = Surface(np.c_[p, 0 * p[:, 0]], f)
    one, two, parts = pair(seed)
    a, b = (cut_region(surface, np.c_[q, 0 * q[:, 0]]) for q in (one, two))
    check_areas(a, b, parts, 1e-6, 1e-6)
    u = union(a, b)
    rings = [parts[0].exterior, *parts[0].interiors]
    assert outline_stray_mm(u, [np.c_[np.array(r.coords)[:-1], 0 * np.array(r.coords)[:-1, :1]] for r in rings]) < 0.01


def rolled(flat):
    """Points of the plane (k, 2) on the cylinder."""
    turn = flat[:, 0] / RADIUS
    return np.c_[RADIUS * np.cos(turn), RADIUS * np.sin(turn), flat[:, 1]]


@pytest.mark.reference(source="shapely (GEOS) on a circular cylinder's development", kind="library")
@pytest.mark.parametrize("seed", [3, 4])
def test_random_polygons_on_a_cylinder(seed):
    p, f = shapes.rectangle(400.0, 300.0, triangles=6000)
    surface = Surface(rolled(p), f)
    one, two, parts = pair(seed)

    def dense(q):
        """Straight in the development, so along a helix on the cylinder."""
        ends = np.roll(q, -1, axis=0)
        return rolled(np.vstack([a + (b - a) * np.linspace(0, 1, 60, endpoint=False)[:, None] for a, b in zip(q, ends)]))

    share = surface.area_mm2 / (400 * 300)
    a, b = (cut_region(surface, dense(q)) for q in (one, two))
    check_areas(a, b, [shapely.affinity.scale(x, share, 1.0) for x in parts], 2e-4, 2e-6)


@pytest.mark.reference(
    source="area common to two caps of a sphere (Gauss-Bonnet on the lune of two circles)", kind="derived"
)
def test_two_caps_of_a_sphere():
    """Caps of angular radii a and b, poles c apart: Gauss-Bonnet with the circles' curvatures and their angles."""
    surface = Surface(*shapes.sphere(radius=100.0, triangles=20000))
    ra, rb, c = 0.5, 0.4, 0.6
    x = spot_region(surface, [0, 0, 100], 100 * ra)
    y = spot_region(surface, [100 * np.sin(c), 0, 100 * np.cos(c)], 100 * rb)
    at_a = np.arccos((np.cos(rb) - np.cos(ra) * np.cos(c)) / (np.sin(ra) * np.sin(c)))
    at_b = np.arccos((np.cos(ra) - np.cos(rb) * np.cos(c)) / (np.sin(rb) * np.sin(c)))
    meet = np.arccos((np.cos(c) - np.cos(ra) * np.cos(rb)) / (np.sin(ra) * np.sin(rb)))
    lens = 1e4 * (2 * np.pi - 2 * at_a * np.cos(ra) - 2 * at_b * np.cos(rb) - 2 * meet)
    share = surface.area_mm2 / (4 * np.pi * 1e4)
    u, k = union(x, y), common(x, y)
    assert k.area_mm2 == pytest.approx(lens * share, rel=1e-3)
    assert u.area_mm2 == pytest.approx(
        share * (2 * np.pi * 1e4 * (2 - np.cos(ra) - np.cos(rb)) - lens), rel=5e-4
    )
    assert u.area_mm2 + k.area_mm2 == pytest.approx(x.area_mm2 + y.area_mm2, rel=2e-6)


@pytest.mark.reference(source="Archimedes: a zone of a sphere of height h has an area of 2 pi R h", kind="derived")
def test_a_cap_split_by_a_plane():
    surface = Surface(*shapes.sphere(radius=100.0, triangles=20000))
    cap = spot_region(surface, [0, 0, 100], 80.0)
    parts = split_at(cap, Plane((0, 0, 80), (0, 0, 1)))
    top, zone = part_with(parts, [0, 0, 100]), part_with(parts, [100 * np.sin(0.75), 0, 100 * np.cos(0.75)])
    share = surface.area_mm2 / (4 * np.pi * 1e4)
    assert top.area_mm2 == pytest.approx(share * 2 * np.pi * 100 * 20, rel=2e-3)
    assert zone.area_mm2 + top.area_mm2 == pytest.approx(cap.area_mm2, rel=1e-6)


@pytest.mark.reference(source="a box unfolds without stretch: a disc over its edge is a disc in the plane", kind="derived")
@pytest.mark.parametrize("mesh", ["box", "fine_box"])
def test_a_round_patch_over_a_box_edge(mesh):
    surface = Surface(*(shapes.box(size=(160.0, 120.0, 90.0)) if mesh == "box" else shapes.fine_box(step=4.0)))
    high = surface.vertices_mm.max(axis=0)
    made = spot_region(surface, [high[0] - 15, 3, high[2]], 30.0)
    p = made.surface.vertices_mm[made.loops[0]]
    top = p[:, 2] > high[2] - 1e-6
    x = np.where(top, p[:, 0] - (high[0] - 15), 15 + high[2] - p[:, 2])
    assert np.abs(np.hypot(x, p[:, 1] - 3) - 30).max() < 0.05
    assert made.area_mm2 == pytest.approx(np.pi * 900, rel=1e-3)


@pytest.mark.reference(source="shapely (GEOS): buffering inward and out again, in a cylinder's development", kind="library")
def test_corners_rounded_on_a_cylinder():
    p, f = shapes.rectangle(400.0, 300.0, triangles=6000)
    surface = Surface(rolled(p), f)
    flat = shapely.box(100, 80, 300, 220)
    ring = np.array(flat.segmentize(3.0).exterior.coords)[:-1]
    made = round_corners(cut_region(surface, rolled(ring)), 30.0)
    true = flat.buffer(-30).buffer(30, quad_segs=64)
    share = surface.area_mm2 / (400 * 300)
    assert made.area_mm2 == pytest.approx(true.area * share, rel=5e-4)
    q = made.surface.vertices_mm[made.loops[0]]
    here = np.c_[RADIUS * np.arctan2(q[:, 1], q[:, 0]), q[:, 2]]
    assert shapely.distance(shapely.points(here), true.exterior).max() < 0.15

"""Regions, distances and growth against closed forms."""

import numpy as np
import pytest
import shapely
import shapes

from plyflat.surface import Surface, cut_region, distance_along, grow_region, insert_path
from plyflat.surface.region import outline_stray_mm

AXIS = np.array([0.3, 0.5, 0.8]) / np.linalg.norm([0.3, 0.5, 0.8])


def sphere(triangles, radius=100.0):
    return Surface(*shapes.sphere(radius=radius, triangles=triangles)[:2])


def circle(distance, radius=100.0, k=720):
    u = np.cross(AXIS, [1, 0, 0])
    u /= np.linalg.norm(u)
    t = np.linspace(0, 2 * np.pi, k, endpoint=False)[:, None]
    a = distance / radius
    return radius * (np.cos(a) * AXIS + np.sin(a) * (np.cos(t) * u + np.sin(t) * np.cross(AXIS, u)))


def mesh_share(surface, radius=100.0):
    return surface.area_mm2 / (4 * np.pi * radius**2)


def smallest_angle_deg(region):
    on = np.isin(region.parent.faces, region.vertex_of[np.concatenate(region.loops)]).any(axis=1)
    p = region.parent.vertices_mm[region.parent.faces[on]]
    u, v = np.roll(p, -1, axis=1) - p, np.roll(p, 1, axis=1) - p
    cosine = (u * v).sum(2) / np.linalg.norm(u, axis=2) / np.linalg.norm(v, axis=2)
    return np.degrees(np.arccos(np.clip(cosine, -1, 1))).min()


@pytest.mark.reference(source="area and rim of a spherical cap, 2 pi R^2 (1 - cos a), 2 pi R sin a", kind="derived")
def test_cap_cut_out_of_a_sphere_of_50000_triangles():
    surface = sphere(50000)
    region = cut_region(surface, circle(60.0))
    assert region.is_disc
    assert region.area_mm2 / mesh_share(surface) == pytest.approx(2 * np.pi * 1e4 * (1 - np.cos(0.6)), rel=2e-4)
    assert region.perimeter_mm == pytest.approx(2 * np.pi * 100 * np.sin(0.6), rel=1e-3)
    assert smallest_angle_deg(region) > 1.0


@pytest.mark.reference(source="area of a spherical cap, 2 pi R^2 (1 - cos a)", kind="derived")
@pytest.mark.parametrize("distance", [25.0, 75.0, -20.0])
def test_cap_grown_on_a_sphere(distance):
    surface = sphere(20000)
    grown = grow_region(cut_region(surface, circle(60.0)), distance)
    true = 2 * np.pi * 1e4 * (1 - np.cos(0.6 + distance / 100)) * mesh_share(surface)
    assert grown.is_disc
    assert grown.area_mm2 == pytest.approx(true, rel=5e-3)
    assert smallest_angle_deg(grown) > 1.0


@pytest.mark.reference(source="great-circle distance R arccos(p.q / R^2)", kind="derived")
def test_distance_on_a_sphere_from_a_circle():
    surface = sphere(20000)
    made = insert_path(surface, circle(60.0), closed=True)
    d = distance_along(made.surface, made.path_edges)
    unit = made.surface.vertices_mm / np.linalg.norm(made.surface.vertices_mm, axis=1, keepdims=True)
    true = np.abs(100 * np.arccos(np.clip(unit @ AXIS, -1, 1)) - 60)
    far = true > 10
    assert (np.abs(d - true)[far] / true[far]).max() < 5e-3


@pytest.mark.reference(source="a developable surface unrolls without stretch: distance is that in the plane", kind="derived")
@pytest.mark.parametrize("kind", ["cylinder", "cone"])
def test_distance_on_a_developable_surface_from_a_point(kind):
    v, f, flat = getattr(shapes, f"{kind}_developed")(triangles=20000)
    middle = int(np.argmin(np.linalg.norm(flat - flat.mean(axis=0), axis=1)))
    d = distance_along(Surface(v, f), [middle])
    true = np.linalg.norm(flat - flat[middle], axis=1)
    # Only where the straight line stays on the sheet: within the nearest edge.
    near = (true > 20) & (true < 250)
    assert near.sum() > 1000
    assert (np.abs(d - true)[near] / true[near]).max() < 5e-3


@pytest.mark.reference(source="a box unfolds without stretch: distance across an edge is that in the plane", kind="derived")
def test_distance_over_a_box_edge():
    surface = Surface(*shapes.box(size=(100.0, 100.0, 100.0), steps=40))
    source = np.array([0.0, 0.0, 50.0])
    v = surface.vertices_mm
    d = distance_along(surface, [int(np.argmin(np.linalg.norm(v - source, axis=1)))])
    side = (np.abs(v[:, 0] - 50) < 1e-9) & (np.abs(v[:, 1]) < 20) & (v[:, 2] > 20)
    true = np.hypot(50 + (50 - v[side, 2]), v[side, 1])
    np.testing.assert_allclose(d[side], true, rtol=1e-6)


@pytest.mark.reference(source="a cylinder unrolls: a patch of it grown by d is a rectangle with rounded corners", kind="derived")
def test_patch_grown_on_a_cylinder():
    v, f = shapes.cylinder(radius=300.0, wrap_deg=200.0, height=800.0, triangles=20000)[:2]
    surface = Surface(v, f)
    z = (v[:, 2].min() + v[:, 2].max()) / 2
    a = np.arctan2(v[:, 1].mean(), v[:, 0].mean())
    outline = [
        [300 * np.cos(a + s / 300), 300 * np.sin(a + s / 300), z + h]
        for s, h in ((-150, -100), (150, -100), (150, 100), (-150, 100))
    ]
    region = cut_region(surface, outline)
    assert region.area_mm2 == pytest.approx(300 * 200, rel=1e-3)
    grown = grow_region(region, 60.0)
    assert grown.area_mm2 == pytest.approx(300 * 200 + 1000 * 60 + np.pi * 60**2, rel=5e-3)
    assert grown.perimeter_mm == pytest.approx(1000 + 2 * np.pi * 60, rel=3e-3)


@pytest.mark.reference(source="a ring round a post on a plate: distances are radii below and heights above", kind="derived")
@pytest.mark.parametrize(("noise", "off", "blur"), [(0.0, 0.15, 0.1), (0.5, 0.35, 0.6)])
def test_ring_round_a_post_moves_at_both_edges(noise, off, blur):
    v, f = shapes.post_on_plate(radius=100, height=150, reach=200, around=160, along=100)[:2]
    v = v + np.random.default_rng(0).normal(0, noise, v.shape) if noise else v
    t = np.linspace(0, 2 * np.pi, 180, endpoint=False)
    below = np.c_[160 * np.cos(t), 160 * np.sin(t), 0 * t]
    above = np.c_[100 * np.cos(t), 100 * np.sin(t), 40 + 0 * t]
    grown = grow_region(cut_region(Surface(v, f), [below, above]), 50.0)
    outer, inner = sorted((grown.surface.vertices_mm[q] for q in grown.loops), key=lambda p: p[:, 2].mean())
    radius, height = np.hypot(outer[:, 0], outer[:, 1]), inner[:, 2]
    assert radius.mean() == pytest.approx(210.0, abs=off)
    assert height.mean() == pytest.approx(90.0, abs=off)
    assert radius.std() < blur
    assert height.std() < blur
    assert smallest_angle_deg(grown) > 1.0


@pytest.mark.reference(source="a post's wall stands square on the plate: a way over the corner unfolds", kind="derived")
@pytest.mark.parametrize(("noise", "off"), [(0.0, 0.1), (0.5, 0.5)])
def test_growth_over_a_concave_corner(noise, off):
    """A plate outline 40 mm from a post, grown by 80 mm, ends 40 mm up the post, whether or not the scan is rough."""
    v, f = shapes.post_on_plate(radius=100, height=100, reach=120, around=200, along=110)[:2]
    v = v + np.random.default_rng(0).normal(0, noise, v.shape) if noise else v
    t = np.linspace(0, 2 * np.pi, 180, endpoint=False)
    outlines = [np.c_[r * np.cos(t), r * np.sin(t), 0 * t] for r in (200, 140)]
    grown = grow_region(cut_region(Surface(v, f), outlines), 80.0)
    inner = min((grown.surface.vertices_mm[q] for q in grown.loops), key=lambda p: np.hypot(p[:, 0], p[:, 1]).mean())
    assert inner[:, 2].mean() == pytest.approx(40.0, abs=off)


@pytest.mark.reference(source="a disc in the plane grown by d has radius r + d", kind="derived")
def test_growth_on_a_noisy_sheet():
    """0.7 mm of noise on edges of 4 mm: the outline is within 1.5 mm of the true one everywhere."""
    x = np.arange(100) * 4.0
    xy = np.stack(np.meshgrid(x, x), axis=-1).reshape(-1, 2)
    k = np.arange(100 * 100).reshape(100, 100)
    a, b, c, d = (q.ravel() for q in (k[:-1, :-1], k[:-1, 1:], k[1:, 1:], k[1:, :-1]))
    v = np.c_[xy, 0 * xy[:, 0]] + np.random.default_rng(1).normal(0, 0.7, (len(xy), 3))
    surface = Surface(v, np.r_[np.c_[a, b, c], np.c_[a, c, d]])
    t = np.linspace(0, 2 * np.pi, 200, endpoint=False)
    grown = grow_region(cut_region(surface, np.c_[200 + 80 * np.cos(t), 200 + 80 * np.sin(t), 0 * t]), 50.0)
    p = grown.surface.vertices_mm[grown.loops[0]]
    off = np.hypot(p[:, 0] - 200, p[:, 1] - 200) - 130
    assert len(grown.loops) == 1
    assert np.abs(off).max() < 1.5
    assert abs(off.mean()) < 0.15


@pytest.mark.reference(source="shapely (GEOS): polygons buffered outward and inward", kind="library")
@pytest.mark.parametrize("distance", [-10.0, -2.0, 2.0, 30.0])
@pytest.mark.parametrize(
    "corners", [[(100, 60), (300, 80), (280, 240), (120, 220)], [(100, 60), (300, 60), (300, 120), (180, 120), (180, 240), (100, 240)]]
)
def test_moved_outlines_keep_their_corners(corners, distance):
    """An edge of the mesh is 8 mm long; corners that stay sharp and arcs are met within 0.05 mm all the same."""
    p, f = shapes.rectangle(400.0, 300.0, triangles=4000)
    surface = Surface(np.c_[p, 0 * p[:, 0]], f)
    grown = grow_region(cut_region(surface, [[x, y, 0] for x, y in corners]), distance)
    ring = np.array(shapely.Polygon(corners).buffer(distance, quad_segs=64).exterior.coords)[:-1]
    assert outline_stray_mm(grown, np.c_[ring, 0 * ring[:, 0]]) < 0.05


@pytest.mark.reference(source="a cylinder unrolls: a line straight in the development is a helix", kind="derived")
def test_an_outline_on_a_cylinder_is_cut_where_it_was_asked():
    v, f = shapes.cylinder(radius=300.0, wrap_deg=200.0, height=800.0, triangles=20000)
    surface = Surface(v, f)
    t = np.linspace(0, 2 * np.pi, 720, endpoint=False)
    turn = 1.7 + 0.4 * np.cos(t)
    asked = surface.locate(np.c_[300 * np.cos(turn), 300 * np.sin(turn), 400 + 120 * np.sin(t)]).points_mm
    assert outline_stray_mm(cut_region(surface, asked), asked) < 0.05

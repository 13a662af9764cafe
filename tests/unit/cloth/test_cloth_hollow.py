"""The bound of a ring that is too long for the plane: each step of its proof, and that nothing beats it."""

import igl
import numpy as np
import pytest
import shapes

from plyflat.cloth import _hollow
from plyflat.cloth._hollow import _divided, _Ways, ring_bound
from plyflat.cloth.flatten import enclosed_curvature, flatten, held_curvature, lower_bound, vertex_curvature
from plyflat.surface import Surface


def middle_of(v):
    return int(np.linalg.norm(v[:, :2] - v[:, :2].mean(axis=0), axis=1).argmin())


def exact(v, f, centre):
    """Exact distances along the mesh (Mitchell, Mount, Papadimitriou 1987), by libigl."""
    none = np.zeros(0, dtype=np.int64)
    return igl.exact_geodesic(v, f, np.array([centre]), none, np.arange(len(v)), none)


def rolling(seed):
    """A saddle of random depth and lean under random waves."""
    rng = np.random.default_rng(seed)
    p, f = shapes.rectangle(1000, 1000, 700, seed=seed)
    x, y = (p - 500).T / 500
    z = rng.uniform(50, 500) * (x * y if rng.random() < 0.5 else x**2 - y**2) + rng.uniform(-40, 40) * np.sin(3 * x + rng.uniform(0, 6))
    return Surface(np.column_stack([p, z + rng.uniform(0, 80) * x**2]), f)


@pytest.mark.reference(source="Mitchell, Mount, Papadimitriou 1987, exact distances, libigl", kind="library")
def test_ways_are_real_and_hardly_longer_than_the_shortest():
    v, f = shapes.saddle(rise=300, triangles=1500)
    surface, centre = Surface(v, f), middle_of(v)
    flat = flatten(surface)
    ways, true = _Ways(surface, flat.uv_mm, centre), exact(v, f, centre)
    seen = np.isfinite(ways.lengths(flat.uv_mm)) & (true > 0)
    assert seen.mean() > 0.95
    longer = ways.lengths(flat.uv_mm)[seen] / true[seen] - 1
    assert longer.min() > -1e-9
    assert np.median(longer) < 1e-3
    assert (ways.reached >= true - 1e-6).all()


def test_division_keeps_the_surface():
    v, f = shapes.saddle(triangles=200)
    points, flat, faces = _divided(v, v[:, :2], f, np.arange(len(f)), 3)
    assert len(faces) == 9 * len(f)
    assert Surface(points, faces).area_mm2 == pytest.approx(Surface(v, f).area_mm2)
    # Euler: joined as before, no point twice.
    assert len(points) - len(np.unique(np.sort(faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2), axis=1), axis=0)) + len(faces) == 1
    np.testing.assert_allclose(flat, points[:, :2])


@pytest.mark.parametrize("seed", range(8))
def test_no_flat_shape_beats_it(seed):
    surface = rolling(seed)
    shapes_of = [flatten(surface)]
    rng = np.random.default_rng(seed)
    bound, name = lower_bound(surface)
    assert name.startswith(("ring", "isoperimetric", "rim", "none"))
    # Any shape without folds must obey it: the fair one, and others on the way to it from a crooked start.
    start = shapes_of[0].uv_mm @ np.array([[1.1, 0.2], [0.0, 0.95]]) + rng.normal(size=(len(surface.vertices_mm), 2))
    shapes_of.append(flatten(surface, start_uv=start))
    for flat in shapes_of:
        assert not flat.overlaps
        assert bound <= np.log(flat.stretch[:, 0].max() / flat.stretch[:, 1].min())


def test_a_deep_saddle_is_held_to_a_third_of_what_it_has():
    surface = Surface(*shapes.saddle(rise=400, triangles=2000))
    flat = flatten(surface)
    bound, name = lower_bound(surface, uv=flat.uv_mm)
    assert name.startswith("ring of radius")
    assert bound > 0.33 * np.log(flat.stretch[:, 0].max() / flat.stretch[:, 1].min())


@pytest.mark.reference(source="hyperbolic disc: a circle of radius R is 2 pi sinh R long, so log(sinh R / R)", kind="derived")
def test_the_bound_of_a_surface_of_constant_negative_curvature():
    """The pseudosphere, opened: near the formula's value, and never above it, for the largest disc it holds."""
    size = 1000.0
    # Part of a tractricoid, u from 0.4 to 2.2, 5.5 radians round: curvature -1 / size².
    p, f = shapes.rectangle(1.8, 5.5, 8000)
    u, turn = p[:, 0] + 0.4, p[:, 1]
    v = size * np.stack([np.cos(turn) / np.cosh(u), np.sin(turn) / np.cosh(u), u - np.tanh(u)], axis=1)
    surface = Surface(v, f)
    total = -np.degrees(5.5 * (1 / np.cosh(0.4) - 1 / np.cosh(2.2)))
    assert enclosed_curvature(surface) == pytest.approx(total, rel=0.05)
    centre = int(np.linalg.norm(p - [1.0, 2.75], axis=1).argmin())
    phi = exact(v, f, centre)
    loops = surface.boundary_loops
    r = min(float(phi[loop].min()) for loop in loops)
    value, radius = ring_bound(surface, flatten(surface).uv_mm, centre, phi, 0.999 * r, 0.99 * r)
    best = np.log(np.sinh(radius / size) / (radius / size))
    assert 0.4 * best < value < best


@pytest.mark.parametrize("make", [shapes.saddle, shapes.cap, shapes.cylinder])
def test_inside_and_rim_make_up_a_whole_turn(make):
    """Gauss and Bonnet: what the inside holds and what the rim turns by are 360 degrees together."""
    surface = Surface(*make(triangles=1500))
    rim = np.concatenate(surface.boundary_loops)
    turned = np.degrees(vertex_curvature(surface)[rim].sum())
    assert enclosed_curvature(surface) + turned == pytest.approx(360.0, abs=1e-9)


@pytest.mark.reference(source="Gauss and Bonnet: a cap of 40 degrees holds 360 (1 - cos 40)", kind="published")
def test_a_rough_cap_is_smoothed_to_tell_what_it_holds():
    v, f = shapes.cap(40, radius=400, triangles=6000)
    clean = held_curvature(Surface(v, f))
    rough = held_curvature(Surface(shapes.rough(v, f, rms=0.5, length=6.0), f))
    assert clean.total_deg == pytest.approx(360 * (1 - np.cos(np.radians(40))), rel=0.05)
    # From the arc r along the surface inward the cap holds 360 (1 - cos) of the smaller angle.
    within = np.radians(40) - clean.deep_mm / 400
    assert clean.deep_deg == pytest.approx(360 * (1 - np.cos(within)), rel=0.05)
    assert rough.smoothed
    assert rough.total_deg == pytest.approx(clean.total_deg, rel=0.08)
    assert rough.deep_deg == pytest.approx(clean.deep_deg, rel=0.08)


def test_a_part_that_lies_under_the_centre_gives_no_bound():
    """The form goes round once only where nothing else lies on the centre's image."""
    v, f = shapes.saddle(triangles=300)
    surface, centre = Surface(v, f), middle_of(v)
    uv = flatten(surface).uv_mm
    spun = np.stack([np.cos(uv[:, 0] / 60), np.sin(uv[:, 0] / 60)], axis=1) * (100 + uv[:, 1:] / 10)
    assert not _hollow._alone(surface, np.zeros_like(spun), centre, np.zeros(len(v)), 1.0)
    assert _hollow._alone(surface, uv, centre, np.zeros(len(v)), 1.0)

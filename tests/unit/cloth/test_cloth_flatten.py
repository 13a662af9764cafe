"""Flat shapes: what must hold on any patch, and what is refused."""

import pickle

import numpy as np
import pytest
import shapes
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.sparse.linalg import splu

from plyflat.cloth import _patch, _sparse
from plyflat.cloth._bounds import _ball_bounds, _farthest
from plyflat.cloth._newton import Distortion, first_fold
from plyflat.cloth._start import conformal
from plyflat.cloth._strain import cloth_tensor, reach_of, yarns_of
from plyflat.cloth.flatten import (
    Flat,
    cloth_scale,
    cloth_stretch,
    directional_stretch,
    enclosed_curvature,
    flat_overlap,
    flatten,
    lower_bound,
    overlap_places_mm,
    strain_bound,
    strain_of,
    vertex_curvature,
)
from plyflat.errors import MeshError, ShapeError, SolveError
from plyflat.surface.mesh import Surface


def plain_stretch(surface, uv):
    """Singular values of each triangle's map, one triangle at a time."""
    out = []
    for f in surface.faces:
        p, q = surface.vertices_mm[f], uv[f]
        x = (p[1] - p[0]) / np.linalg.norm(p[1] - p[0])
        n = np.cross(p[1] - p[0], p[2] - p[0])
        y = np.cross(n / np.linalg.norm(n), x)
        rest = np.array([[(p[i] - p[0]) @ e for i in (1, 2)] for e in (x, y)])
        out.append(np.linalg.svd((q[1:] - q[0]).T @ np.linalg.inv(rest), compute_uv=False))
    return np.array(out)


def is_same_shape(one, other, tolerance_mm):
    return np.abs(shapes.laid_on(one, other) - other).max() < tolerance_mm


# -- what every flat shape has -------------------------------------------------------------------------------------
@pytest.mark.parametrize("aim", ["fair", "worst"])
def test_stretch_and_energy_are_those_of_the_flat_points(aim):
    surface = Surface(*shapes.saddle(triangles=400))
    flat = flatten(surface, aim)
    s = plain_stretch(surface, flat.uv_mm)
    np.testing.assert_allclose(flat.stretch, s, rtol=1e-9)
    areas = surface.face_areas_mm2
    energy = 0.25 * areas @ (s**2 + s**-2.0).sum(axis=1) / areas.sum()
    assert flat.energy == pytest.approx(energy, rel=1e-12)
    assert not flat.flipped.any()
    assert not flat.overlaps
    assert flat.seconds > 0


@settings(max_examples=10, deadline=None)
@given(st.integers(0, 10**6), st.floats(20, 500), st.integers(1, 6))
def test_smooth_patches_lie_without_folds_at_an_energy_no_small_move_lowers(seed, rise, waves):
    surface = Surface(*shapes.smooth_patch(rise=rise, waves=waves, triangles=600, seed=seed))
    flat = flatten(surface)
    assert not flat.flipped.any()
    assert flat.stretch.min() > 0
    assert flat.energy >= 1 - 1e-12
    bound, _ = lower_bound(surface)
    assert bound <= np.log(flat.stretch[:, 0].max() / flat.stretch[:, 1].min()) + 1e-9
    mesh = _patch.Triangles(surface.vertices_mm, surface.faces)
    energy = Distortion(mesh, _sparse.Pattern(surface.vertices_mm, surface.faces))
    uv = flat.uv_mm / mesh.scale
    rng = np.random.default_rng(seed)
    for _ in range(3):
        assert energy.value(uv + 1e-4 * rng.normal(size=uv.shape)) > energy.value(uv)
        bend = 1e-3 * np.sin(3 * uv @ rng.normal(size=(2, 2)))
        assert energy.value(uv + bend) > energy.value(uv) - 1e-12


def test_worst_has_the_smaller_range_of_stretch_and_fair_the_smaller_mean():
    surface = Surface(*shapes.saddle(triangles=2000))
    fair, worst = flatten(surface), flatten(surface, "worst")

    def most(flat):
        return np.abs(np.log(flat.stretch)).max()

    assert most(worst) < 0.75 * most(fair)
    assert fair.energy < worst.energy < fair.energy + 0.002


def test_turning_renumbering_and_scaling_do_not_change_the_shape():
    v, f = shapes.cap(triangles=1500, angle_deg=50)
    v = v * [1.0, 0.6, 1.0]
    flat = flatten(Surface(v, f)).uv_mm
    assert is_same_shape(flatten(Surface(shapes.turned(v), f)).uv_mm, flat, 1e-4)
    rng = np.random.default_rng(3)
    to = rng.permutation(len(v))
    moved = np.empty_like(v)
    moved[to] = v
    g = np.roll(to[f[rng.permutation(len(f))]], 1, axis=1)
    assert is_same_shape(flatten(Surface(moved, g)).uv_mm[to], flat, 1e-4)
    np.testing.assert_allclose(flatten(Surface(1e-3 * v, f)).uv_mm, 1e-3 * flat, atol=1e-7)


def test_a_mirrored_patch_gives_the_mirrored_shape():
    v, f = shapes.smooth_patch(triangles=800, seed=4)
    flat = flatten(Surface(v, f)).uv_mm
    other = flatten(Surface(v * [-1, 1, 1], f[:, [0, 2, 1]])).uv_mm
    np.testing.assert_allclose(other * [-1, 1], flat, atol=1e-4)


def test_seen_from_the_air_side_with_the_surface_x_axis_along_x():
    v, f = shapes.noisy_sheet(noise=0.0, triangles=300)
    np.testing.assert_allclose(flatten(Surface(v, f)).uv_mm, v[:, :2] - [500, 350], atol=1e-6)
    below = flatten(Surface(v, f[:, [0, 2, 1]])).uv_mm
    np.testing.assert_allclose(below, (v[:, :2] - [500, 350]) * [1, -1], atol=1e-6)


def test_the_same_call_gives_the_same_bits():
    surface = Surface(*shapes.saddle(triangles=600))
    np.testing.assert_array_equal(flatten(surface).uv_mm, flatten(surface).uv_mm)


# -- small and awkward patches -------------------------------------------------------------------------------------
def test_one_triangle_keeps_its_sides():
    v = np.array([[0, 0, 0], [30, 0, 0], [0, 0, 40.0]])
    flat = flatten(Surface(v, [[0, 1, 2]]))
    assert flat.energy == pytest.approx(1, abs=1e-12)
    sides = np.linalg.norm(flat.uv_mm - np.roll(flat.uv_mm, -1, axis=0), axis=1)
    np.testing.assert_allclose(sides, [30, 50, 40], rtol=1e-7)


def test_long_triangles_of_a_model_export_unroll_exactly():
    # Half a twelve-sided tube, 2 m long, two triangles to a side.
    angle = np.linspace(0, np.pi, 7)
    ring = np.stack([50 * np.cos(angle), 50 * np.sin(angle)], axis=1)
    v = np.concatenate([np.column_stack([ring, np.full(7, z)]) for z in (0.0, 2000.0)])
    f = [t for i in range(6) for t in ([i, i + 1, i + 8], [i, i + 8, i + 7])]
    flat = flatten(Surface(v, f))
    assert flat.energy == pytest.approx(1, abs=1e-12)
    width = np.linalg.norm(flat.uv_mm[6] - flat.uv_mm[0])
    assert width == pytest.approx(6 * 100 * np.sin(np.pi / 12), rel=1e-7)


def test_slivers_fold_nothing():
    v, f = shapes.cap(triangles=3000)
    v = v * [1.0, 0.02, 1.0]
    flat = flatten(Surface(v, f))
    assert not flat.flipped.any()
    assert np.isfinite(flat.energy)


def test_rough_noise_folds_nothing():
    surface = Surface(*shapes.noisy_sheet(noise=6.0, triangles=6000))
    flat = flatten(surface)
    assert flat.stretch.min() > 0
    assert not flat.overlaps


def test_the_whole_hessian_saves_steps_on_a_rough_strip(monkeypatch):
    v, f = shapes.smooth_patch(rise=150, waves=5, triangles=1500, seed=37)
    rough = np.random.default_rng(37).normal(0, 3, len(v))
    surface = Surface(v * [1.0, 0.05, 1.0] + rough[:, None] * [0, 0, 1], f)
    flat = flatten(surface)
    monkeypatch.setattr("plyflat.cloth._newton._NEAR", 0.0)
    projected_only = flatten(surface)
    assert flat.iterations < 0.8 * projected_only.iterations
    assert flat.energy == pytest.approx(projected_only.energy, abs=1e-10)


@pytest.mark.parametrize("angle_deg", [120, 165])
def test_most_of_a_sphere_still_lies_without_folds(angle_deg):
    flat = flatten(Surface(*shapes.cap(angle_deg, triangles=3000)))
    assert not flat.flipped.any()
    assert not flat.overlaps
    assert flat.energy > 1.1


# -- holes ---------------------------------------------------------------------------------------------------------
def holed_cylinder():
    v, f, flat = shapes.cylinder_developed(triangles=4000)
    middle = flat[f].mean(axis=1)
    keep = np.ones(len(f), dtype=bool)
    for at in ([300, 300], [700, 500]):
        keep &= np.linalg.norm(middle - at, axis=1) > 90
    surface, used = Surface(v, f).sub(keep)
    return surface, flat[used]


@pytest.mark.parametrize("holes", ["open", "filled"])
def test_a_tube_with_two_holes_unrolls_with_its_holes(holes):
    surface, exact = holed_cylinder()
    flat = flatten(surface, holes=holes)
    assert len(surface.boundary_loops) == 3
    assert not flat.overlaps
    assert is_same_shape(flat.uv_mm, exact, 0.5 if holes == "open" else 5.0)


def test_a_ring_round_a_post_lies_flat_as_a_ring():
    surface = Surface(*shapes.post_on_plate(height=60, around=60, along=20))
    flat = flatten(surface)
    assert not flat.flipped.any()
    assert not flat.overlaps
    outer, inner = (flat.uv_mm[q] for q in surface.boundary_loops)
    assert np.hypot(*inner.T).max() < np.hypot(*outer.T).min()


def test_a_filled_hole_holds_its_edge_more_than_an_open_one():
    surface = Surface(*shapes.post_on_plate(height=60, around=60, along=20))
    loop = surface.boundary_loops[1]

    def length(points):
        return np.linalg.norm(points[loop] - np.roll(points[loop], 1, axis=0), axis=1).sum()

    true = length(surface.vertices_mm)
    open_, filled = (length(flatten(surface, holes=holes).uv_mm) for holes in ("open", "filled"))
    assert open_ < filled < true


# -- overlap -------------------------------------------------------------------------------------------------------
def ramp(turns_deg):
    """A spiral ramp, nearly flat, between radii 100 and 200 mm."""
    p, f = shapes.rectangle(150 * np.radians(turns_deg), 100, 2500)
    angle, r = p[:, 0] / 150, 100 + p[:, 1]
    return np.column_stack([r * np.cos(angle), r * np.sin(angle), 0.2 * angle]), f[:, [0, 2, 1]]


def test_a_ramp_of_more_than_a_turn_overlaps_by_the_rest():
    flat = flatten(Surface(*ramp(450)))
    assert flat.overlaps
    assert not flat.flipped.any()
    assert flat.overlap_mm2 == pytest.approx(np.pi * (200**2 - 100**2) / 4, rel=0.01)
    assert not flatten(Surface(*ramp(340))).overlaps


def test_an_overlap_has_its_place_flat_and_on_the_surface():
    surface = Surface(*ramp(450))
    flat = flatten(surface)
    (at,) = flat.overlap_at_uv_mm
    (places,) = overlap_places_mm(surface, flat)
    # Two layers a whole turn of the ramp apart: one above the other.
    assert len(places) == 2
    np.testing.assert_allclose(places[0, :2], places[1, :2], atol=1.0)
    assert abs(places[0, 2] - places[1, 2]) == pytest.approx(0.2 * 2 * np.pi, rel=0.05)
    assert 100 < np.hypot(*places[0, :2]) < 200
    assert not len(flatten(Surface(*ramp(300))).overlap_at_uv_mm)
    assert np.abs(at).max() < 200


def test_outlines_that_touch_without_lying_over_each_other_are_noticed():
    # Two squares that meet in a corner, each with its own vertex there.
    uv = np.array([[0, 0], [1, 0], [1, 1], [0, 1], [2, 1], [2, 2], [1, 2], [1, 1.0]])
    area, at = flat_overlap(uv, (np.array([0, 1, 2, 4, 5, 6, 7, 3]),))
    assert 0 < area < 1e-300
    assert [1.0, 1.0] in at.tolist()


# -- starts, progress, arguments -----------------------------------------------------------------------------------
def test_a_given_start_is_used_unless_it_is_folded():
    surface = Surface(*shapes.saddle(triangles=600))
    first = flatten(surface)
    again = flatten(surface, start_uv=first.uv_mm)
    assert again.iterations < first.iterations
    np.testing.assert_allclose(again.uv_mm, first.uv_mm, atol=1e-3)
    mirrored = flatten(surface, start_uv=first.uv_mm * [-1, 1])
    np.testing.assert_array_equal(mirrored.uv_mm, first.uv_mm)


def test_the_conformal_start_keeps_angles_where_nothing_hinders_it():
    """A patch of a sphere has conformal maps; the one of the mesh comes near, and is free of the guess's turn."""
    v, f = shapes.cap(60, triangles=4000)
    surface = Surface(v, f)
    mesh, pattern, rim = _patch.Triangles(v, f), _sparse.Pattern(v, f), surface.boundary_loops[0]
    uv = conformal(mesh, pattern, rim, v[:, :2])
    large, small = mesh.stretch(uv)
    assert small.min() > 0
    assert np.median(large / small) < 1.02
    turn = np.array([[0.6, 0.8], [-0.8, 0.6]])
    assert is_same_shape(conformal(mesh, pattern, rim, v[:, :2] @ turn), uv, 1e-4 * np.abs(uv).max())


def test_progress_rises_to_one():
    seen = []
    flatten(Surface(*shapes.saddle(triangles=200)), progress=lambda stage, done: seen.append((stage, done)))
    assert seen[-1] == ("laying flat", 1.0)
    done = [d for _, d in seen]
    assert done == sorted(done)


@pytest.mark.parametrize("wrong", [{"aim": "best"}, {"holes": "closed"}])
def test_unknown_words_are_refused(wrong):
    with pytest.raises(ValueError, match="must be"):
        flatten(Surface(*shapes.saddle(triangles=100)), **wrong)


# -- refusals ------------------------------------------------------------------------------------------------------
def test_a_closed_surface_is_refused():
    with pytest.raises(ShapeError, match="closed"):
        flatten(Surface(*shapes.sphere(triangles=200)))


def test_a_handle_is_refused():
    v, f = shapes.torus(around=20, along=12)
    with pytest.raises(ShapeError, match="1 handle"):
        flatten(Surface(v, f[1:]))


def test_two_pieces_are_refused():
    v, f = shapes.rectangle(100, 100, 50)
    v = np.column_stack([v, 0 * v[:, 0]])
    both = Surface(np.concatenate([v, v + 500]), np.concatenate([f, f + len(v)]))
    with pytest.raises(ShapeError, match="2 pieces"):
        flatten(both)


SQUARE = np.array([[0, 0, 0], [10, 0, 0], [10, 10, 0], [0, 10, 0], [5, 5, 8.0]])


@pytest.mark.parametrize(
    ("faces", "match"),
    [
        ([[0, 1, 2], [0, 3, 2]], "face different ways"),
        ([[0, 1, 2], [0, 2, 3], [0, 2, 4]], "more than two triangles"),
        ([[0, 1, 2], [0, 2, 3]], "1 vertices belong to no triangle, first is vertex 4"),
        ([[0, 1, 4], [0, 0, 2], [2, 3, 4]], "1 triangles have no area, first is triangle 1"),
    ],
)
def test_what_is_not_a_surface_is_refused(faces, match):
    with pytest.raises(MeshError, match=match) as caught:
        flatten(Surface(SQUARE, faces))
    assert "mm" in caught.value.where


def test_a_vertex_that_is_nowhere_is_refused():
    broken = SQUARE.copy()
    broken[2, 1] = np.nan
    with pytest.raises(MeshError, match="finite"):
        flatten(Surface(broken, [[0, 1, 2], [0, 2, 3], [0, 3, 4]]))


def test_a_warm_start_from_a_patch_a_little_different_ends_at_the_same_shape():
    v, f = shapes.cap(130, triangles=1500)
    first = flatten(Surface(v, f))
    other = Surface(v * [1.0, 1.0, 1.02], f)
    cold, warm = flatten(other), flatten(other, start_uv=first.uv_mm)
    assert warm.iterations < cold.iterations
    assert warm.energy == pytest.approx(cold.energy, rel=1e-11)
    assert is_same_shape(warm.uv_mm, cold.uv_mm, 1e-2)


def test_parts_that_touch_at_a_point_are_refused():
    with pytest.raises(MeshError, match="touch at 1 single"):
        flatten(Surface(SQUARE, [[0, 1, 4], [2, 3, 4]]))


def test_a_search_that_ends_before_it_settles_says_so():
    from plyflat.cloth._newton import descend

    v, f = shapes.saddle(triangles=200)
    mesh = _patch.Triangles(v, f)
    energy = Distortion(mesh, _sparse.Pattern(v, f))
    with pytest.raises(SolveError, match="not settled after 1 factorisations: energy 1"):
        descend(energy, 1.1 * v[:, :2] / mesh.scale, tolerance=1e-12, most_steps=1)


# -- the parts -----------------------------------------------------------------------------------------------------
@pytest.mark.parametrize("power", [1.0, 3.0])
def test_derivatives_agree_with_differences(power):
    v, f = shapes.saddle(triangles=60)
    mesh = _patch.Triangles(v, f)
    pattern = _sparse.Pattern(v, f)
    energy = Distortion(mesh, pattern, power)
    # Enlarged, so that no eigenvalue is negative and the projected Hessian is the Hessian.
    uv = 1.4 * v[:, :2] / mesh.scale
    flat = uv.ravel()

    def gradient(x):
        return energy.gradient(x.reshape(-1, 2)).ravel()

    slope, h = gradient(flat), 1e-6
    unit = np.eye(len(flat))
    by_value = [
        (energy.value((flat + h * e).reshape(-1, 2)) - energy.value((flat - h * e).reshape(-1, 2))) / (2 * h)
        for e in unit
    ]
    np.testing.assert_allclose(slope, by_value, atol=1e-6 * np.abs(slope).max())
    by_slope = np.stack([(gradient(flat + h * e) - gradient(flat - h * e)) / (2 * h) for e in unit], axis=1)
    lu = energy.factors(mesh.jacobian(uv))
    # The factorised matrix undoes the differences, in the order of its rows.
    rows = (2 * pattern.place[:, None] + [0, 1]).ravel()
    product = lu.solve(by_slope[np.argsort(rows)][:, np.argsort(rows)])
    stiff = np.linalg.eigvalsh(by_slope)
    assert stiff[2] > 1e-4 * stiff[-1]
    rigid = np.eye(len(flat)) - product
    # Only the two translations, which cost nothing, are lost.
    assert np.linalg.matrix_rank(rigid, tol=1e-3) == 2


def test_first_fold_is_where_the_area_vanishes():
    v = np.array([[0, 0, 0], [1, 0, 0], [0, 1, 0.0]])
    mesh = _patch.Triangles(v, np.array([[0, 1, 2]]))
    uv = v[:, :2].copy()
    assert first_fold(mesh, uv, np.array([[0, 0], [0, 0], [0, -0.25]])) == pytest.approx(4)
    assert first_fold(mesh, uv, np.array([[0, 0], [0, 0], [0, 0.25]])) == np.inf
    # Both corners move: (1 - t)(1 - t/2) vanishes first at 1.
    assert first_fold(mesh, uv, np.array([[0, 0], [-1, 0], [0, -0.5]])) == pytest.approx(1)


def test_the_order_of_elimination_fills_little():
    v, f = shapes.cap(triangles=8000)
    mesh, pattern = _patch.Triangles(v, f), _sparse.Pattern(v, f)
    assert sorted(pattern.place) == list(range(len(v)))
    matrix = pattern.scalar(*_sparse.cotangent(mesh.gx, mesh.gy, mesh.areas), shift=1e-6)
    ours = _sparse.factorise(matrix).L.nnz
    degree = splu(matrix, permc_spec="MMD_AT_PLUS_A", options={"SymmetricMode": True}, diag_pivot_thresh=0.0)
    assert ours < 1.2 * degree.L.nnz


@pytest.mark.parametrize("name", ["cap", "saddle", "wigley"])
def test_factors_of_seven_digits_lead_to_the_same_shape(name, monkeypatch):
    surface = Surface(*getattr(shapes, name)(triangles=3000))
    monkeypatch.setattr("plyflat.cloth._newton._SINGLE_FROM", 10**9)
    double = flatten(surface)
    monkeypatch.setattr("plyflat.cloth._newton._SINGLE_FROM", 0)
    used = []
    monkeypatch.setattr("plyflat.cloth._newton.factorise", lambda m, *, single=False: used.append(single) or _sparse.factorise(m, single=single))
    single = flatten(surface)
    assert used[0]
    assert single.energy == pytest.approx(double.energy, abs=1e-12)
    assert single.iterations <= double.iterations + 2
    np.testing.assert_allclose(single.uv_mm, double.uv_mm, atol=1e-3)


def test_factors_of_seven_digits_are_given_up_where_they_lead_nowhere(monkeypatch):
    surface = Surface(*shapes.saddle(triangles=800))
    right = flatten(surface)
    monkeypatch.setattr("plyflat.cloth._newton._SINGLE_FROM", 0)

    class Backward:
        def solve(self, pull):
            return -pull

    monkeypatch.setattr(
        "plyflat.cloth._newton.factorise", lambda m, *, single=False: Backward() if single else _sparse.factorise(m)
    )
    np.testing.assert_allclose(flatten(surface).uv_mm, right.uv_mm, atol=1e-3)


def test_slivers_are_put_in_order_by_their_edges():
    v, f = shapes.cap(triangles=6000)

    def fill(points):
        mesh, pattern = _patch.Triangles(v, f), _sparse.Pattern(points, f)
        return _sparse.factorise(pattern.scalar(*_sparse.cotangent(mesh.gx, mesh.gy, mesh.areas), shift=1e-6)).L.nnz

    assert fill(v * [1.0, 0.01, 1.0]) < 1.1 * fill(v)


# -- strain --------------------------------------------------------------------------------------------------------
def test_strain_is_summed_by_area():
    stretch = np.array([[1.01, 1.0], [1.0, 0.95], [1.02, 0.99]])
    strain = strain_of(stretch, [90.0, 1.0, 9.0], 0.015)
    assert strain.largest == pytest.approx(0.05)
    assert strain.p99 == pytest.approx(0.02)
    assert strain.mean == pytest.approx(0.9 * 0.01 + 0.01 * 0.05 + 0.09 * 0.02)
    assert strain.over_share == pytest.approx(0.10)
    assert strain.limit == 0.015


def test_strain_of_a_flat_shape_has_its_energy():
    surface = Surface(*shapes.saddle(triangles=500))
    flat = flatten(surface)
    strain = strain_of(flat, surface.face_areas_mm2, 0.02)
    assert strain.energy == pytest.approx(flat.energy, rel=1e-12)
    with pytest.raises(ValueError, match="areas"):
        strain_of(flat, surface.face_areas_mm2[1:], 0.02)


def test_yarns_of_a_sheared_sheet():
    v, f = shapes.noisy_sheet(noise=0.0, triangles=100)
    surface = Surface(v, f)
    # Cloth (x, y) lies on the sheet at (1.1 x + 0.2 y, 0.9 y).
    lay = np.array([[1.1, 0.2], [0.0, 0.9]])
    uv = v[:, :2] @ np.linalg.inv(lay).T
    flat = Flat(uv, np.ones((len(f), 2)), np.zeros(len(f), bool), False, 1.0)
    yarns = directional_stretch(surface, flat, 0.0)
    np.testing.assert_allclose(yarns.warp, 1.1)
    np.testing.assert_allclose(yarns.weft, np.hypot(0.2, 0.9))
    np.testing.assert_allclose(yarns.shear_deg, np.degrees(np.arctan2(0.2, 0.9)))
    turned = directional_stretch(surface, flat, 90.0)
    np.testing.assert_allclose(turned.warp, np.hypot(0.2, 0.9))
    np.testing.assert_allclose(turned.weft, 1.1)


@pytest.mark.reference(source="lengths of the sides of a stretched lattice, by Pythagoras", kind="derived")
@pytest.mark.parametrize("angle", [0.0, 30.0, 45.0, 77.0, 90.0, -20.0])
def test_yarns_of_a_cylinder_stretched_along_its_axis(angle):
    """Cloth cut 2 % short along the axis: a yarn at angle t to the rim is sqrt(cos² t + 1.02² sin² t) as long laid."""
    v, f, development = shapes.cylinder_developed(radius=300, wrap_deg=90, height=400, triangles=4000)
    surface = Surface(v, f)
    uv = development / [1.0, 1.02]
    flat = Flat(uv, np.ones((len(f), 2)), np.zeros(len(f), bool), False, 1.0)
    t = np.radians(angle)
    c, s, k = np.cos(t), np.sin(t), 1.02
    warp, weft = np.hypot(c, k * s), np.hypot(s, k * c)
    shear = np.degrees(np.arcsin((k * k - 1) * s * c / (warp * weft)))
    outward = surface.face_normals[0] @ v[f[0]].mean(axis=0) > 0
    assert outward
    for yarns in (directional_stretch(surface, flat, angle), yarns_of(cloth_tensor(surface, flat), angle)):
        np.testing.assert_allclose(yarns.warp, warp, atol=4e-4)
        np.testing.assert_allclose(yarns.weft, weft, atol=4e-4)
        np.testing.assert_allclose(yarns.shear_deg, shear, atol=0.02)


@pytest.mark.parametrize("shear", [5.0, 20.0, 40.0])
def test_pure_shear_of_a_lattice_gives_its_angle(shear):
    """Yarns that keep their length, 90 degrees less the shear apart: nothing along them, the angle between them."""
    v, f = shapes.noisy_sheet(noise=0.0, triangles=200)
    half = np.radians(shear / 2)
    lay = np.array([[np.cos(half), np.sin(half)], [np.sin(half), np.cos(half)]])
    uv = v[:, :2] @ np.linalg.inv(lay).T
    flat = Flat(uv, np.ones((len(f), 2)), np.zeros(len(f), bool), False, 1.0)
    tensor = cloth_tensor(Surface(v, f), flat)
    yarns = yarns_of(tensor, 0.0)
    np.testing.assert_allclose(yarns.warp, 1.0, atol=1e-8)
    np.testing.assert_allclose(yarns.weft, 1.0, atol=1e-8)
    np.testing.assert_allclose(yarns.shear_deg, shear, atol=1e-6)
    # On the bias the same shear is stretch and squeeze, and no shear.
    bias = yarns_of(tensor, 45.0)
    np.testing.assert_allclose(bias.warp, np.cos(half) + np.sin(half), atol=1e-8)
    np.testing.assert_allclose(bias.weft, np.cos(half) - np.sin(half), atol=1e-8)
    np.testing.assert_allclose(bias.shear_deg, 0.0, atol=1e-6)


def test_yarns_of_single_triangles_are_those_of_the_map():
    surface = Surface(*shapes.saddle(triangles=400))
    flat = flatten(surface)
    for angle in (0.0, 25.0, 130.0):
        one, two = directional_stretch(surface, flat, angle), yarns_of(cloth_tensor(surface, flat, length_mm=0), angle)
        np.testing.assert_allclose(one.warp, two.warp, rtol=1e-10)
        np.testing.assert_allclose(one.weft, two.weft, rtol=1e-10)
        np.testing.assert_allclose(one.shear_deg, two.shear_deg, atol=1e-8)


def test_reach_keeps_signs_and_counts_area():
    reach = reach_of([-0.05, 0.01, 0.02, 0.0], [-0.2, 0.1, 0.0, 0.0], [1.0, 500.0, 500.0, 500.0])
    assert (reach.least, reach.largest, reach.p99, reach.raw_largest) == (-0.05, 0.02, 0.02, 0.2)
    assert reach.size == 0.05


def test_averaging_keeps_the_mean_and_the_range():
    surface = Surface(*shapes.saddle(triangles=1500))
    values = np.random.default_rng(0).normal(size=(len(surface.faces), 2))
    mean = cloth_scale(surface, values, length_mm=80)
    areas = surface.face_areas_mm2
    np.testing.assert_allclose(areas @ mean, areas @ values, atol=1e-6 * areas.sum())
    assert np.abs(mean).max() < 0.5 * np.abs(values).max()
    np.testing.assert_allclose(cloth_scale(surface, np.full(len(areas), 3.5)), 3.5)
    np.testing.assert_array_equal(cloth_scale(surface, values, length_mm=0), values)


def test_noise_is_not_read_as_strain_at_the_cloths_scale():
    surface = Surface(*shapes.noisy_sheet(noise=0.3, triangles=8000))
    flat = flatten(surface)
    raw = strain_of(flat, surface.face_areas_mm2, 0.01).p99
    averaged = strain_of(cloth_stretch(surface, flat, length_mm=60), surface.face_areas_mm2, 0.01).p99
    assert averaged < 0.25 * raw
    fine = cloth_stretch(surface, flat, length_mm=1e-6)
    np.testing.assert_allclose(fine, flat.stretch, rtol=1e-6)


# -- curvature and bounds ------------------------------------------------------------------------------------------
def test_a_box_corner_lacks_a_right_angle():
    v, f = shapes.box()
    np.testing.assert_allclose(vertex_curvature(Surface(v, f)), np.pi / 2)


def test_a_flat_sheet_has_no_bound_and_no_curvature():
    surface = Surface(*shapes.noisy_sheet(noise=0.0, triangles=2000))
    assert lower_bound(surface) == (0.0, "none")
    assert enclosed_curvature(surface) == pytest.approx(0, abs=1e-8)


def test_a_dome_in_a_plate_is_found():
    p, f = shapes.disc(600, 8000)
    r = np.hypot(*p.T)
    surface = Surface(np.column_stack([p, 120 * np.exp(-((r / 200) ** 2))]), f)
    bound, name = lower_bound(surface)
    assert bound > 0.01
    assert "disc of radius" in name


def test_a_flat_shape_survives_the_trip_between_processes():
    flat = flatten(Surface(*shapes.saddle(triangles=100)))
    np.testing.assert_array_equal(pickle.loads(pickle.dumps(flat)).uv_mm, flat.uv_mm)


# -- many patches, bad meshes, the same shape told otherwise -------------------------------------------------------
def random_patch(seed):
    """A square under random bumps, cut along a random smooth outline, some with a round hole."""
    rng = np.random.default_rng(seed)
    v, f = shapes.smooth_patch(rise=10 ** rng.uniform(1, 2.8), waves=int(rng.integers(1, 6)), triangles=900, seed=seed)
    middle = v[f].mean(axis=1)[:, :2] - v[:, :2].mean(axis=0)
    angle, r = np.arctan2(*middle.T[::-1]), np.hypot(*middle.T)
    edge = 420 * (1 + sum(rng.uniform(-0.12, 0.12) * np.cos(k * angle + rng.uniform(0, 6)) for k in (2, 3, 4)))
    keep = r < edge
    if rng.random() < 0.4:
        keep &= np.hypot(*(middle - rng.uniform(-120, 120, 2)).T) > rng.uniform(60, 130)
    return Surface(v, f).sub(keep)[0]


@pytest.mark.parametrize("seed", range(25))
def test_random_outlines_lie_without_folds_or_unnoticed_overlap(seed):
    import shapely

    surface = random_patch(seed)
    flat = flatten(surface)
    triangles = shapely.polygons(flat.uv_mm[surface.faces])
    assert shapely.area(triangles).min() > 0
    assert shapely.is_ccw(shapely.get_exterior_ring(triangles)).all()
    covered = shapely.union_all(triangles).area
    assert flat.overlap_mm2 == pytest.approx(shapely.area(triangles).sum() - covered, abs=1e-6 * covered)
    assert flat.overlaps == (len(flat.overlap_at_uv_mm) > 0)


def test_slivers_ten_thousand_times_longer_than_high_lie_right():
    v, f = shapes.rectangle(1000, 1000, 400)
    flat = flatten(Surface(np.column_stack([v[:, 0], 1e-4 * v[:, 1], 0 * v[:, 0]]), f))
    assert flat.energy == pytest.approx(1, abs=1e-9)
    np.testing.assert_allclose(flat.stretch, 1, atol=1e-6)


def test_a_finer_mesh_of_the_same_faces_lies_within_a_hair():
    v, f = shapes.saddle(triangles=1500)
    coarse = Surface(v, f)
    ends = _patch.undirected(f, len(v))
    middle = {tuple(e): len(v) + i for i, e in enumerate(ends.tolist())}
    a, b, c = f.T
    ab, bc, ca = (np.array([middle[tuple(sorted(p))] for p in zip(*q, strict=True)]) for q in ((a, b), (b, c), (c, a)))
    finer = np.concatenate([np.stack(q, 1) for q in ((a, ab, ca), (b, bc, ab), (c, ca, bc), (ab, bc, ca))])
    fine = Surface(np.concatenate([v, v[ends].mean(axis=1)]), finer)
    one, two = flatten(coarse), flatten(fine)
    assert two.energy < one.energy
    assert two.energy > one.energy - 1e-4
    assert is_same_shape(two.uv_mm[: len(v)], one.uv_mm, 1.0)


# -- bounds of saddles and rough meshes ----------------------------------------------------------------------------
def test_a_saddle_has_a_bound_and_its_flat_shape_obeys_it():
    surface = Surface(*shapes.saddle(triangles=6000))
    bound, name = lower_bound(surface)
    flat = flatten(surface, "worst")
    assert name.startswith("ring of radius")
    assert 0.05 < bound < np.log(flat.stretch[:, 0].max() / flat.stretch[:, 1].min())


def test_ways_to_small_triangles_are_never_too_short_and_little_too_long():
    v, f = shapes.rectangle(1000, 700, 1500)
    surface = Surface(np.column_stack([v, 0 * v[:, 0]]), f)
    centre = int(np.linalg.norm(v - v.mean(axis=0), axis=1).argmin())
    far = _farthest(surface, centre)
    true = np.linalg.norm(v[f] - v[centre], axis=2).max(axis=1)
    assert (far.max(axis=1) >= true - 1e-9).all()
    away = true > 200
    assert np.median(far.max(axis=1)[away] / true[away]) < 1.03


def test_a_narrow_piece_with_a_sharp_hollow_is_bounded_by_its_area():
    """Half the ring round a post: a ring in it proves little or nothing, but its foot has more area within reach than the plane."""
    v, f = shapes.post_on_plate(radius=40.0, height=60.0, reach=60.0, around=80, along=24)[:2]
    half = v[f].mean(axis=1)[:, 0] > 0
    surface = Surface(v, f).sub(half)[0]
    bound, name = lower_bound(surface)
    flat = flatten(surface)
    assert name.startswith(("area of a ball", "ring"))
    middle = int(vertex_curvature(surface).argmin())
    assert bound >= max((value for value, _ in _ball_bounds(surface, middle)), default=0.0) - 1e-9
    assert 0.0 < bound <= np.log(flat.stretch[:, 0].max() / flat.stretch[:, 1].min())


def test_evening_out_stops_at_the_last_shape_that_came_to_rest(monkeypatch):
    """With too few steps for any power, and with a few for the first powers only, no fold and no more spread than before."""
    surface = Surface(*shapes.smooth_patch(rise=300, waves=4, triangles=600, seed=3))

    def spread(flat):
        return np.log(flat.stretch[:, 0].max() / flat.stretch[:, 1].min())

    fair, worst = flatten(surface), flatten(surface, "worst")
    for steps in (0, 4):
        monkeypatch.setattr("plyflat.cloth.flatten._EVENING_STEPS", steps)
        short = flatten(surface, "worst")
        assert not short.flipped.any()
        assert spread(worst) < spread(short) <= spread(fair)
    # Shapes that need rounding's worth of strain are left alone.
    nearly = flatten(Surface(*shapes.smooth_patch(rise=0.5, waves=2, triangles=300, seed=3)), "worst")
    assert spread(nearly) < 1e-4


def test_a_rough_mesh_has_an_estimate_beside_its_proof():
    v, f = shapes.cap(45, triangles=6000)
    rng = np.random.default_rng(1)
    clean = strain_bound(Surface(v, f))
    assert (clean.proven, clean.scale_mm) == (clean.estimate, 0.0)
    rough = strain_bound(Surface(v * (1 + rng.normal(0, 0.004, len(v))[:, None]), f))
    assert rough.scale_mm > 0
    assert rough.estimate > rough.proven
    assert rough.estimate == pytest.approx(clean.proven, rel=0.15)


def test_a_wall_square_to_the_patchs_projection_is_laid_flat():
    """Symmetric about x = 0, a trough's end wall stands upright: it has no area in the projection, and no division by it."""
    v = np.array([[0, 0, 0], [100, 0, 0], [100, 100, 0], [0, 100, 0], [0, 0, 40.0], [0, 100, 40], [100, 0, 40], [100, 100, 40]])
    f = np.array([[0, 1, 2], [0, 2, 3], [0, 3, 5], [0, 5, 4], [1, 6, 7], [1, 7, 2]])
    flat = flatten(Surface(v, f))
    assert flat.energy == pytest.approx(1.0, abs=1e-9)
    assert np.ptp(flat.uv_mm, axis=0) == pytest.approx([180.0, 100.0], abs=1e-6)

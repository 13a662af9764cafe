"""Flat shapes against exact developments, theorems and another solver."""

import numpy as np
import pytest
import shapes

from plyflat.cloth.darts import place_darts
from plyflat.cloth.flatten import cloth_scale, enclosed_curvature, flatten, lower_bound, vertex_curvature
from plyflat.surface.mesh import Surface

DEVELOPABLE = ["cylinder", "cone", "oblique_cone", "tangent_developable"]


def range_of(flat):
    return float(np.log(flat.stretch[:, 0].max() / flat.stretch[:, 1].min()))


@pytest.mark.reference(
    source="exact developments of cylinder, cones and tangent surface (do Carmo, Differential Geometry, 1976)",
    kind="derived",
)
@pytest.mark.parametrize("name", DEVELOPABLE)
def test_developable_patches_lie_as_their_exact_developments(name):
    v, f, exact = getattr(shapes, f"{name}_developed")(triangles=20000)
    surface = Surface(shapes.turned(v, seed=5), f)
    flat = flatten(surface)
    assert flat.energy < 1 + 1e-6
    rim = surface.boundary_loops[0]
    off = np.linalg.norm(shapes.laid_on(flat.uv_mm[rim], exact[rim]) - exact[rim], axis=1).max()
    size_m = np.linalg.norm(np.ptp(exact, axis=0)) / 1000
    assert off < 0.05 * size_m
    assert range_of(flat) < 1e-3


@pytest.mark.reference(
    source="exact development of the circular cylinder: error of order h² in the mesh's step", kind="derived"
)
def test_the_developments_error_falls_with_the_square_of_the_step():
    errors = []
    for triangles in (500, 8000):
        v, f, exact = shapes.cylinder_developed(triangles=triangles)
        flat = flatten(Surface(v, f)).uv_mm
        errors.append(np.sqrt(((shapes.laid_on(flat, exact) - exact) ** 2).sum(axis=1).mean()))
    # Four times finer: sixteen times less, give or take the jitter.
    assert 10 < errors[0] / errors[1] < 25


@pytest.mark.reference(
    source="libigl, SLIM (Rabinovich et al. 2017), 20 iterations from its LSCM", kind="library"
)
@pytest.mark.parametrize(("name", "triangles"), [("cap", 20000), ("saddle", 10000)])
def test_energy_is_that_of_libigls_solver(name, triangles):
    import igl

    v, f = getattr(shapes, name)(triangles=triangles)
    surface = Surface(v, f)
    flat = flatten(surface)
    loop = igl.boundary_loop(f)
    b = np.array([loop[0], loop[len(loop) // 2]])
    uv, _ = igl.lscm(v, f, b, np.array([[0.0, 0.0], [1.0, 0.0]]))
    corners = uv[f]
    e, g = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
    uv = uv * np.sqrt(surface.area_mm2 / (0.5 * np.abs(e[:, 0] * g[:, 1] - e[:, 1] * g[:, 0]).sum()))
    data = igl.slim_precompute(
        np.asfortranarray(v),
        np.asfortranarray(f.astype(np.int32)),
        np.asfortranarray(uv),
        igl.MappingEnergyType.SYMMETRIC_DIRICHLET,
        np.empty(0, dtype=np.int32),
        np.empty((0, 2)),
        0.0,
    )
    other = igl.slim_solve(data, 20)
    theirs = energy_by_edges(surface, other)
    assert not flat.flipped.any()
    assert not flat.overlaps
    assert abs(energy_by_edges(surface, flat.uv_mm) - flat.energy) < 1e-10
    assert flat.energy < theirs + 1e-8
    assert flat.energy > theirs - 1e-5


def energy_by_edges(surface, uv):
    """The energy from first fundamental forms: no singular values, no frames."""
    p, q = surface.vertices_mm[surface.faces], uv[surface.faces]

    def form(x):
        a, b = x[:, 1] - x[:, 0], x[:, 2] - x[:, 0]
        return (a * a).sum(1), (a * b).sum(1), (b * b).sum(1)

    e0, f0, g0 = form(p)
    e1, f1, g1 = form(q)
    rest, flat = e0 * g0 - f0 * f0, e1 * g1 - f1 * f1
    both = e0 * g1 + g0 * e1 - 2 * f0 * f1
    return float(surface.face_areas_mm2 @ (both / rest + both / flat) / (4 * surface.area_mm2))


@pytest.mark.reference(
    source="Milnor, A problem in cartography, Amer. Math. Monthly 76 (1969) 1101: log(t / sin t) for a cap",
    kind="published",
)
def test_the_worst_stretch_of_a_cap_comes_near_milnors_and_never_under():
    surface = Surface(*shapes.cap(45, triangles=20000))
    flat = flatten(surface, "worst")
    t = np.pi / 4
    least = np.log(t / np.sin(t))
    # The mesh is not the sphere: its own bound lies below by a share of order h².
    step = surface.mean_edge_mm / 1000
    assert least - step**2 < range_of(flat) <= 0.110
    assert not flat.flipped.any()
    assert not flat.overlaps
    bound, name = lower_bound(surface)
    assert 0.08 < bound < range_of(flat)
    assert bound < least
    assert name.startswith("rim of a disc")


@pytest.mark.reference(
    source="Milnor, A problem in cartography, Amer. Math. Monthly 76 (1969) 1101: log(t / sin t) for a cap",
    kind="published",
)
@pytest.mark.parametrize("angle_deg", [20, 60, 90])
def test_milnors_bound_is_not_beaten(angle_deg):
    surface = Surface(*shapes.cap(angle_deg, triangles=2000))
    t = np.radians(angle_deg)
    least = np.log(t / np.sin(t))
    step = surface.mean_edge_mm / 1000
    assert lower_bound(surface)[0] <= least
    assert lower_bound(surface)[0] > 0.6 * least
    for aim in ("fair", "worst"):
        assert range_of(flatten(surface, aim)) > least - step**2


@pytest.mark.reference(source="Gauss-Bonnet theorem (do Carmo, section 4-5)", kind="derived")
@pytest.mark.parametrize(
    ("name", "characteristic"),
    [("cap", 1), ("saddle", 1), ("sphere", 2), ("torus", 0), ("box", 2), ("post_on_plate", 0), ("wigley", 1)],
)
def test_missing_angles_sum_to_the_euler_characteristic(name, characteristic):
    total = vertex_curvature(Surface(*getattr(shapes, name)())).sum()
    assert total == pytest.approx(2 * np.pi * characteristic, abs=1e-9)


@pytest.mark.reference(source="area of a spherical cap: curvature 360° (1 - cos t)", kind="derived")
def test_a_caps_curvature_comes_with_the_step():
    exact = 360 * (1 - np.cos(np.pi / 4))
    short = [exact - enclosed_curvature(Surface(*shapes.cap(45, triangles=n))) for n in (2500, 40000)]
    # Half a ring of triangles at the edge is not counted: first order in the step, here four times finer.
    assert 0 < short[1] < 0.02 * exact
    assert 3 < short[0] / short[1] < 5.5


@pytest.mark.reference(
    source="one implicit step of the heat equation spreads a point to <r²> = 4 t", kind="derived"
)
def test_a_spot_spreads_to_the_length_asked_for():
    surface = Surface(*shapes.noisy_sheet(1000, 1000, noise=0.0, triangles=20000))
    centre = surface.vertices_mm[surface.faces].mean(axis=1)
    spot = np.zeros(len(centre))
    at = int(np.linalg.norm(centre - [500, 500, 0], axis=1).argmin())
    spot[at] = 1.0
    spread = surface.face_areas_mm2 * cloth_scale(surface, spot, length_mm=100)
    r2 = ((centre - centre[at]) ** 2).sum(axis=1)
    assert 2 * np.sqrt(spread @ r2 / spread.sum()) == pytest.approx(100, rel=0.03)


@pytest.mark.reference(source="Wigley's formula integrated numerically", kind="derived")
def test_the_wigley_mesh_has_the_formulas_area():
    assert Surface(*shapes.wigley(triangles=20000)).area_mm2 == pytest.approx(shapes.wigley_area(), rel=1e-4)


@pytest.mark.reference(source="a cone's apex misses the angle 2 pi (1 - sin of the half angle) (do Carmo, 4-5)", kind="derived")
def test_a_dart_to_a_cones_apex_opens_by_the_angle_that_is_missing():
    sectors, rings, half = 96, 12, np.radians(70)
    turn = 2 * np.pi * np.arange(sectors) / sectors
    run = 400.0 * np.arange(1, rings + 1) / rings
    wall = np.stack([np.outer(run, np.cos(turn)), np.outer(run, np.sin(turn)), -np.outer(run, np.full(sectors, 1 / np.tan(half)))], -1)
    v = np.concatenate([[[0.0, 0.0, 0.0]], wall.reshape(-1, 3)])
    k = np.arange(sectors)
    near, far = 1 + k, 1 + (k + 1) % sectors
    faces = [np.stack([np.zeros_like(k), near, far], 1)]
    for i in range(rings - 1):
        a, b = i * sectors + near, i * sectors + far
        faces += [np.stack([a, a + sectors, b + sectors], 1), np.stack([a, b + sectors, b], 1)]
    cone = Surface(v, np.concatenate(faces))
    done = place_darts(cone, most=0, given_mm=[[v[1 + (rings - 1) * sectors], v[0]]])
    missing = 360 * (1 - np.sin(half))
    assert done.cuts[0].opens_deg == pytest.approx(missing, rel=2e-3)
    assert done.after.energy == pytest.approx(1.0, abs=1e-6)
    assert not done.flats[0].overlaps

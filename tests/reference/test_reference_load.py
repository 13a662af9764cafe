"""Reading, mending and smoothing checked against closed forms, standards and other libraries."""

from __future__ import annotations

import zipfile

import igl
import numpy as np
import pytest
import pyvista
import trimesh

from plyflat.surface import _fill, load_surface, noise, repair_surface
from plyflat.surface.load import UNITS_MM
from plyflat.surface.mesh import Surface

RADIUS = 100.0


def damaged_ball(level, holes_mm=15.0):
    """A ball with holes, turned, double and loose faces and double points."""
    rng = np.random.default_rng(11)
    mesh = trimesh.creation.icosphere(level, radius=RADIUS)
    v, f = np.array(mesh.vertices), np.array(mesh.faces)
    at = RADIUS * np.vstack([np.eye(3), -np.eye(3)])
    f = f[(np.linalg.norm(v[f].mean(axis=1)[:, None] - at, axis=2) > holes_mm).all(axis=1)]
    turned = rng.random(len(f)) < 0.2
    f[turned] = f[turned, ::-1]
    loose = rng.choice(len(f), 20, replace=False)
    for i in loose:
        f[i, 0], v = len(v), np.vstack([v, v[f[i, 0]]])
    return Surface(v, np.vstack([f, f[:9]]))


@pytest.mark.reference(
    source="area of a ball, 4 pi r^2; an inscribed mesh falls short by O(h^2)", kind="derived"
)
def test_area_of_a_mended_ball_converges_with_order_two():
    exact = 4 * np.pi * RADIUS**2
    short = [1 - repair_surface(damaged_ball(k)).area_mm2 / exact for k in (3, 4, 5)]
    order = np.log2(np.array(short[:-1]) / short[1:])
    assert order == pytest.approx([2, 2], abs=0.15)


@pytest.mark.reference(source="area of the undamaged mesh", kind="derived")
@pytest.mark.parametrize("level", [3, 4, 5])
def test_area_of_a_mended_ball_is_that_of_the_whole_one(level):
    whole = trimesh.creation.icosphere(level, radius=RADIUS).area
    assert repair_surface(damaged_ball(level)).area_mm2 == pytest.approx(whole, rel=5e-4)


@pytest.mark.reference(
    source="sagitta of a spherical cap, r - sqrt(r^2 - a^2): a flat patch is off by it", kind="derived"
)
@pytest.mark.parametrize("radius_mm", [12.0, 15.0, 20.0])
def test_a_filled_hole_follows_the_curvature_about_it(radius_mm):
    out = repair_surface(damaged_ball(5, radius_mm))
    assert out.boundary_loops == ()
    off = np.abs(np.linalg.norm(out.vertices_mm, axis=1) - RADIUS).max()
    assert off < 0.05 * (RADIUS - np.sqrt(RADIUS**2 - radius_mm**2))


@pytest.mark.reference(source="Euler's polyhedron formula, V - E + F = 2", kind="published")
def test_euler_characteristic_of_a_mended_ball():
    out = repair_surface(damaged_ball(4))
    edges = len(np.unique(np.sort(out.faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2), axis=1), axis=0))
    assert len(out.vertices_mm) - edges + len(out.faces) == 2


@pytest.mark.reference(source="volume of a ball, 4/3 pi r^3, by trimesh", kind="library")
def test_volume_of_a_mended_ball_is_positive_and_right():
    out = repair_surface(damaged_ball(5))
    mesh = trimesh.Trimesh(out.vertices_mm, out.faces, process=False)
    assert mesh.is_watertight
    assert mesh.is_winding_consistent
    assert mesh.volume == pytest.approx(4 / 3 * np.pi * RADIUS**3, rel=2e-3)


@pytest.mark.reference(source="libigl and VTK tests of manifold edges and points", kind="library")
@pytest.mark.parametrize("seed", range(6))
def test_other_libraries_find_a_mended_mesh_manifold(seed):
    rng = np.random.default_rng(seed)
    mesh = trimesh.creation.icosphere(3, radius=RADIUS)
    f = mesh.faces[rng.random(len(mesh.faces)) > 0.1]
    fins = np.stack([f[:15, 0], f[:15, 1], rng.integers(0, len(mesh.vertices), 15)], axis=1)
    f = np.vstack([f, fins, rng.integers(0, len(mesh.vertices), (15, 3))])
    assert not igl.is_edge_manifold(f)[0]
    out = repair_surface(Surface(mesh.vertices, f), keep="all")
    assert igl.is_edge_manifold(out.faces)[0]
    assert np.all(igl.is_vertex_manifold(out.faces))
    seen = pyvista.PolyData.from_regular_faces(out.vertices_mm, out.faces)
    crowded = seen.extract_feature_edges(
        boundary_edges=False, feature_edges=False, manifold_edges=False, non_manifold_edges=True
    )
    assert crowded.n_cells == 0
    rim = seen.extract_feature_edges(
        boundary_edges=True, feature_edges=False, manifold_edges=False, non_manifold_edges=False
    )
    assert rim.n_cells == sum(len(q) for q in out.boundary_loops)


@pytest.mark.reference(source="pieces counted by trimesh (networkx)", kind="library")
def test_pieces_agree_with_another_count():
    rng = np.random.default_rng(3)
    mesh = trimesh.creation.icosphere(3, radius=RADIUS)
    f = mesh.faces[rng.random(len(mesh.faces)) > 0.5]
    out = repair_surface(Surface(mesh.vertices, f), keep="all", scrap_share=0.0, fill_holes_mm=0)
    parts = trimesh.Trimesh(out.vertices_mm, out.faces, process=False).body_count
    area = max(
        p.area
        for p in trimesh.Trimesh(out.vertices_mm, out.faces, process=False).split(only_watertight=False)
    )
    assert parts > 5
    only = repair_surface(Surface(mesh.vertices, f), fill_holes_mm=0)
    assert only.area_mm2 == pytest.approx(area)
    assert only.repairs[-1].count == parts - 1


@pytest.mark.reference(
    source="international yard and pound agreement, 1959: 1 in = 25.4 mm, 1 ft = 12 in", kind="published"
)
def test_inch_and_foot():
    assert UNITS_MM["in"] == 25.4
    assert UNITS_MM["ft"] == pytest.approx(12 * 25.4, rel=1e-15)


def model_3mf(v, f, unit):
    """The least that the specification asks of a model part."""
    points = "".join(f'<vertex x="{x!r}" y="{y!r}" z="{z!r}"/>' for x, y, z in v.tolist())
    faces = "".join(f'<triangle v1="{a}" v2="{b}" v3="{c}"/>' for a, b, c in f.tolist())
    return (
        f'<?xml version="1.0" encoding="UTF-8"?><model unit="{unit}" '
        'xmlns="http://schemas.microsoft.com/3dmanufacturing/core/2015/02"><resources><object id="1" type="model">'
        f"<mesh><vertices>{points}</vertices><triangles>{faces}</triangles></mesh></object></resources>"
        '<build><item objectid="1"/></build></model>'
    )


@pytest.mark.reference(source="3MF core specification: unit of model, default millimeter", kind="published")
@pytest.mark.parametrize(
    ("said", "mm"),
    [
        ("micron", 0.001),
        ("millimeter", 1.0),
        ("centimeter", 10.0),
        ("inch", 25.4),
        ("foot", 304.8),
        ("meter", 1000.0),
    ],
)
def test_3mf_units(tmp_path, said, mm):
    box = trimesh.creation.box([600 / mm, 400 / mm, 200 / mm])
    with zipfile.ZipFile(tmp_path / "a.3mf", "w") as file:
        file.writestr("3D/3dmodel.model", model_3mf(box.vertices, box.faces, said))
    assert load_surface(tmp_path / "a.3mf").size_mm == pytest.approx([600, 400, 200], rel=1e-6)


@pytest.mark.reference(
    source="glTF 2.0 specification 3.4: all linear distances are in metres", kind="published"
)
def test_glb_metres(tmp_path):
    trimesh.creation.box([0.6, 0.4, 0.2]).export(tmp_path / "a.glb")
    assert load_surface(tmp_path / "a.glb").size_mm == pytest.approx([600, 400, 200], rel=1e-6)


def all_triangulations(i, j):
    """Every way to cut the polygon i..j into triangles."""
    if j - i < 2:
        yield ()
        return
    for k in range(i + 1, j):
        for one in all_triangulations(i, k):
            for two in all_triangulations(k, j):
                yield ((i, k, j), *one, *two)


@pytest.mark.reference(
    source="every triangulation of the rim tried; their number is Catalan's", kind="derived"
)
@pytest.mark.parametrize("seed", range(5))
def test_least_area_is_the_least_of_all(seed):
    rng = np.random.default_rng(seed)
    n = 9
    t = np.arange(n) * 2 * np.pi / n
    rim = np.stack([30 * np.cos(t), 30 * np.sin(t), rng.normal(0, 15, n)], axis=1)
    every = list(all_triangulations(0, n - 1))
    assert len(every) == 429

    def area(tri):
        p = rim[np.array(tri)]
        return 0.5 * np.linalg.norm(np.cross(p[:, 1] - p[:, 0], p[:, 2] - p[:, 0]), axis=1).sum()

    found = _fill._least_area(rim, np.zeros((n, n), dtype=bool))
    assert area(found) == pytest.approx(min(area(q) for q in every), rel=2e-3)


@pytest.mark.reference(source="mean curvature of a ball, 2 / r for the sum of both", kind="derived")
def test_curvature_of_a_ball():
    mesh = trimesh.creation.icosphere(4, radius=RADIUS)
    v, f = np.array(mesh.vertices), np.array(mesh.faces)
    about = np.bincount(f.ravel(), np.repeat(mesh.area_faces / 3, 3), minlength=len(v))
    bend = (_fill._curvature(v, f) @ v) / np.sqrt(about)[:, None]
    assert (bend * v / RADIUS).sum(axis=1) == pytest.approx(
        np.full(len(v), 2 / RADIUS), rel=0.15
    )  # 12 points have 5 faces
    total = (bend * v / RADIUS).sum(axis=1) @ about
    assert total == pytest.approx(2 / RADIUS * mesh.area, rel=2e-3)


@pytest.mark.reference(
    source="G. Taubin, SIGGRAPH 1995: a wave is scaled by ((1 - l k)(1 - m k))^N", kind="published"
)
@pytest.mark.parametrize("wavelength", [12.0, 24.0, 60.0])
def test_a_wave_is_damped_as_the_filter_says(wavelength):
    """On an even lattice a wave is an eigenvector of the umbrella: k = 1 - mean of cos over the six neighbours."""
    n, h, passes = 61, 4.0, 6
    i, j = np.meshgrid(np.arange(n), np.arange(n), indexing="ij")
    x, y = h * (i + 0.5 * j), h * np.sqrt(0.75) * j
    number = 2 * np.pi / wavelength
    v = np.stack([x, y, np.cos(number * y)], axis=-1).reshape(-1, 3)
    at = np.arange(n * n).reshape(n, n)
    a, b, c, d = at[:-1, :-1].ravel(), at[1:, :-1].ravel(), at[1:, 1:].ravel(), at[:-1, 1:].ravel()
    out = noise.calmed(Surface(v, np.vstack([np.stack([a, b, d], 1), np.stack([b, c, d], 1)])), passes)
    k = 1 - (2 + 4 * np.cos(number * h * np.sqrt(0.75))) / 6
    factor = ((1 - 0.5 * k) * (1 + 0.53 * k)) ** passes
    inner = at[20:-20, 20:-20].ravel()  # out of reach of the boundary
    assert out.vertices_mm[inner, 2] == pytest.approx(factor * v[inner, 2], abs=1e-9)
    assert np.abs(out.vertices_mm[inner, :2] - v[inner, :2]).max() < 1e-9

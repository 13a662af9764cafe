import igl
import numpy as np
import pytest
import shapes
from hypothesis import given, settings
from hypothesis import strategies as st

from plyflat.errors import CheckError, MeshError, OutlineError
from plyflat.surface import Surface, cut_at_level, insert_path, insert_paths, label_faces, refine
from plyflat.surface._patch import Facet
from plyflat.surface._trace import Tidy

SQUARE = Surface([[0, 0, 0], [100, 0, 0], [100, 100, 0], [0, 100, 0]], [[0, 1, 2], [0, 2, 3]])


def sheet(triangles=2000, seed=0):
    p, f = shapes.rectangle(200.0, 100.0, triangles=triangles, seed=seed)
    return Surface(np.c_[p, 0 * p[:, 0]], f)


def edge_count(surface):
    e = np.sort(surface.faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2), axis=1)
    return np.unique(e, axis=0, return_counts=True)


def check_mesh(surface):
    """Oriented, manifold, with no triangle of no area."""
    directed = surface.faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2)
    assert len(np.unique(directed, axis=0)) == len(directed)
    assert edge_count(surface)[1].max() <= 2
    assert surface.face_areas_mm2.min() > 0
    assert set(np.unique(surface.faces)) == set(range(len(surface.vertices_mm)))


def check_path(made):
    edges = {tuple(e) for e in edge_count(made.surface)[0].tolist()}
    for e in np.sort(made.path_edges, axis=1).tolist():
        assert tuple(e) in edges
    for path in made.paths:
        assert len(set(path.tolist())) == len(path)


def smallest_angle_deg(surface, vertices):
    p = surface.vertices_mm[surface.faces[np.isin(surface.faces, vertices).any(axis=1)]]
    out = []
    for i in range(3):
        u, v = p[:, (i + 1) % 3] - p[:, i], p[:, (i + 2) % 3] - p[:, i]
        cosine = (u * v).sum(1) / np.linalg.norm(u, axis=1) / np.linalg.norm(v, axis=1)
        out.append(np.degrees(np.arccos(np.clip(cosine, -1, 1))).min())
    return min(out)


def ring(radius, middle=(100.0, 50.0), k=180):
    t = np.linspace(0, 2 * np.pi, k, endpoint=False)
    return np.c_[middle[0] + radius * np.cos(t), middle[1] + radius * np.sin(t), 0 * t]


def test_closed_path_cuts_out_its_polygon():
    made = insert_path(sheet(), ring(30.0), closed=True)
    check_mesh(made.surface)
    check_path(made)
    label = label_faces(made.surface, made.path_edges)
    area = np.bincount(label, made.surface.face_areas_mm2)
    assert len(area) == 2
    assert area.min() == pytest.approx(np.pi * 900, rel=1e-3)
    assert area.sum() == pytest.approx(200 * 100, rel=1e-12)
    assert smallest_angle_deg(made.surface, made.path) > 1.0


def test_path_stays_within_its_deviation():
    outline = ring(30.0)
    made = insert_path(sheet(), outline, closed=True, deviation_mm=0.01)
    p = made.surface.vertices_mm[made.path]
    middle = (p + np.roll(p, -1, axis=0)) / 2
    for q in (p, middle):
        assert np.abs(np.hypot(q[:, 0] - 100, q[:, 1] - 50) - 30).max() < 0.01 + 30 * (1 - np.cos(np.pi / 180)) + 0.01


def test_weights_carry_any_linear_field_and_old_vertices():
    surface = sheet()
    made = insert_path(surface, ring(30.0), closed=True)
    np.testing.assert_allclose(made.weights @ surface.vertices_mm, made.surface.vertices_mm, atol=1e-12)
    old = made.parent_vertex >= 0
    np.testing.assert_array_equal(made.surface.vertices_mm[old], surface.vertices_mm[made.parent_vertex[old]])
    middle = made.surface.vertices_mm[made.surface.faces].mean(axis=1)
    assert len(made.parent_face) == len(middle)
    assert surface.locate(middle).distance_mm.max() < 1e-9


def test_colours_are_mixed_on_new_vertices():
    surface = sheet()
    red = np.clip(surface.vertices_mm[:, 0], 0, 200).round().astype(np.uint8)
    coloured = Surface(surface.vertices_mm, surface.faces, np.c_[red, red, red])
    made = insert_path(coloured, ring(30.0), closed=True).surface
    assert np.abs(made.colors[:, 0] - made.vertices_mm[:, 0]).max() <= 1.01


def test_open_path_between_boundaries_splits_the_sheet():
    made = insert_path(sheet(), [[70, 0, 0], [90, 50, 0], [60, 100, 0]], closed=False)
    check_mesh(made.surface)
    check_path(made)
    area = np.bincount(label_faces(made.surface, made.path_edges), made.surface.face_areas_mm2)
    assert sorted(area) == pytest.approx([77.5 * 100, 122.5 * 100], rel=1e-6)


def test_open_path_may_end_inside_a_face():
    made = insert_path(SQUARE, [[30, 20, 0], [60, 20, 0]], closed=False)
    check_mesh(made.surface)
    np.testing.assert_allclose(made.surface.vertices_mm[made.path[[0, -1]]], [[30, 20, 0], [60, 20, 0]], atol=1e-9)


def test_loop_wholly_inside_one_triangle():
    loop = [[40, 10, 0], [60, 10, 0], [60, 20, 0]]
    made = insert_path(SQUARE, loop, closed=True)
    check_mesh(made.surface)
    area = np.bincount(label_faces(made.surface, made.path_edges), made.surface.face_areas_mm2)
    assert sorted(area) == pytest.approx([100.0, 9900.0])


def test_two_paths_at_once():
    made = insert_paths(sheet(), [ring(20.0), ring(35.0)], closed=True)
    check_mesh(made.surface)
    check_path(made)
    area = np.bincount(label_faces(made.surface, made.path_edges), made.surface.face_areas_mm2)
    assert sorted(area)[:2] == pytest.approx([np.pi * 400, np.pi * (35**2 - 400)], rel=1e-3)


def test_paths_that_cross_each_other_are_refused():
    with pytest.raises(OutlineError, match="two outlines cross or touch"):
        insert_paths(sheet(), [ring(30.0), ring(30.0, middle=(120.0, 50.0))], closed=True)


def test_path_that_crosses_itself_says_where():
    with pytest.raises(OutlineError, match=r"\(100\.0, 50\.0, 0\.0\) mm: .*crosses or touches itself"):
        insert_path(sheet(), [[70, 30, 0], [130, 70, 0], [130, 30, 0], [70, 70, 0]], closed=True)


def test_a_short_spike_in_a_path_is_taken_out():
    loop = ring(30.0).tolist()
    loop.insert(50, [loop[49][0] + 0.4, loop[49][1] + 0.4, 0.0])
    loop.insert(51, loop[49])
    made = insert_path(sheet(), loop, closed=True)
    check_path(made)
    area = np.bincount(label_faces(made.surface, made.path_edges), made.surface.face_areas_mm2)
    assert area.min() == pytest.approx(np.pi * 900, rel=2e-3)


@pytest.mark.parametrize(
    ("path", "closed", "words"),
    [
        ([[0, 0, 0]], False, "1 different points"),
        ([[10, 10, 0], [20, 10, 0], [10, 10, 0]], True, "2 different points"),
        ([[10, 10, 0], [np.nan, 10, 0], [30, 30, 0]], True, "point 2 of the outline is not finite"),
        ([[10, 10, 0], [20, 10, 40], [30, 30, 0]], True, "point 2 of the outline lies 40.0 mm off the surface"),
        ([[10, 10], [20, 10], [30, 30]], True, "not \\(k, 3\\)"),
    ],
)
def test_bad_paths(path, closed, words):
    with pytest.raises(OutlineError, match=words):
        insert_path(SQUARE, path, closed=closed)


def test_path_between_separate_pieces_is_refused():
    v, f = SQUARE.vertices_mm, SQUARE.faces
    two = Surface(np.vstack([v, v + [150, 0, 0]]), np.vstack([f, f + 4]))
    with pytest.raises(OutlineError, match="two pieces of the surface"):
        insert_path(two, [[50, 50, 0], [200, 50, 0]], closed=False)


def test_noisy_sheet_is_cut_along_its_smooth_copy():
    rng = np.random.default_rng(0)
    flat = sheet(triangles=20000)
    surface = Surface(flat.vertices_mm + rng.normal(0, 0.5, flat.vertices_mm.shape), flat.faces)
    made = insert_path(surface, ring(30.0), closed=True)
    check_mesh(made.surface)
    check_path(made)
    assert label_faces(made.surface, made.path_edges).max() == 1
    p = made.surface.vertices_mm[made.path]
    assert np.hypot(p[:, 0] - 100, p[:, 1] - 50).mean() == pytest.approx(30.0, abs=0.1)
    assert smallest_angle_deg(made.surface, made.path) > 1.0


@settings(max_examples=30, deadline=None, derandomize=True)
@given(st.lists(st.tuples(st.floats(5, 195), st.floats(5, 95)), min_size=3, max_size=8, unique=True))
def test_any_polygon_is_cut_or_refused(corners):
    surface = sheet(triangles=400)
    try:
        made = insert_path(surface, [(x, y, 0.0) for x, y in corners], closed=True)
    except OutlineError:
        return
    check_mesh(made.surface)
    check_path(made)
    assert made.surface.area_mm2 == pytest.approx(surface.area_mm2, rel=1e-9)


STARS = st.lists(st.tuples(st.floats(20, 45), st.floats(-0.35, 0.35)), min_size=5, max_size=10)


def star(spokes):
    """(k, 2) corners of a polygon round (100, 50): for each its radius and its turn off an even spacing."""
    r, off = np.array(spokes).T
    t = 2 * np.pi * (np.arange(len(r)) + off) / len(r)
    return np.c_[100 + r * np.cos(t), 50 + r * np.sin(t)]


def off_line(points, line, *, closed=True):
    """How far points lie off a polyline at the worst."""
    a, b = line, np.roll(line, -1, axis=0)
    if not closed:
        a, b = a[:-1], b[:-1]
    ab = b - a
    t = ((points[:, None] - a) * ab).sum(axis=2) / np.maximum((ab * ab).sum(axis=1), 1e-300)
    foot = a + np.clip(t, 0, 1)[:, :, None] * ab
    return np.linalg.norm(points[:, None] - foot, axis=2).min(axis=1).max()


@settings(max_examples=40, deadline=None, derandomize=True)
@given(STARS, st.integers(0, 5), st.sampled_from([400, 2000]), st.sampled_from([0.0, 8.0]))
def test_cuts_leave_no_slivers_and_keep_to_the_outline(spokes, seed, triangles, rise):
    """On flat and on wavy sheets: more than 1 degree along the cut, and the corners within 0.05 mm of it."""
    flat = sheet(triangles, seed).vertices_mm
    corners = star(spokes)

    def lifted(p):
        return np.c_[p[:, :2], rise * np.sin(p[:, 0] / 30) * np.cos(p[:, 1] / 25)]

    surface = Surface(lifted(flat), sheet(triangles, seed).faces)
    given_mm = surface.locate(lifted(corners)).points_mm
    made = insert_path(surface, given_mm, closed=True)
    check_mesh(made.surface)
    check_path(made)
    assert smallest_angle_deg(made.surface, made.path) > 1.0
    path_mm = made.surface.vertices_mm[made.path]
    assert off_line(given_mm, path_mm) < 0.05
    assert surface.locate(path_mm).distance_mm.max() < 0.05
    if not rise:
        assert off_line(path_mm, given_mm) < 0.05


@settings(max_examples=25, deadline=None, derandomize=True)
@given(STARS)
def test_cuts_in_long_triangles_of_a_model_keep_shape_and_outline(spokes):
    """A box of 12 triangles: corners of the path may make sharp ones with sides of 100 mm, but nothing moves."""
    v, f = shapes.box(size=(200.0, 100.0, 20.0), steps=1)
    surface = Surface(v + [100, 50, -10], f)
    corners = np.c_[star(spokes), np.zeros(len(spokes))]
    made = insert_path(surface, corners, closed=True)
    check_mesh(made.surface)
    check_path(made)
    path_mm = made.surface.vertices_mm[made.path]
    assert off_line(corners, path_mm) < 0.05
    assert off_line(path_mm, corners) < 0.05
    assert made.surface.area_mm2 == pytest.approx(surface.area_mm2, rel=1e-12)
    assert surface.locate(made.surface.vertices_mm).distance_mm.max() < 1e-9
    assert smallest_angle_deg(made.surface, made.path) > 0.25


@settings(max_examples=25, deadline=None, derandomize=True)
@given(
    st.lists(st.tuples(st.floats(10, 190), st.floats(10, 90)), min_size=2, max_size=2, unique=True),
    st.booleans(), st.booleans(),
)  # fmt: skip
def test_open_paths_end_where_they_are_to(ends, first_on_rim, last_on_rim):
    """Inside a face or on the sheet's rim; near a vertex or an edge the path ends there."""
    (a, b), (c, d) = ends
    line = np.array([[0.0 if first_on_rim else a, b, 0.0], [200.0 if last_on_rim else c, d, 0.0]])
    if np.linalg.norm(line[0] - line[1]) < 1.0:
        return
    made = insert_path(sheet(400), line, closed=False)
    check_mesh(made.surface)
    check_path(made)
    path_mm = made.surface.vertices_mm[made.path]
    assert np.linalg.norm(path_mm[[0, -1]] - line, axis=1).max() < 0.05
    assert off_line(path_mm, line, closed=False) < 0.05
    if first_on_rim and last_on_rim:
        assert label_faces(made.surface, made.path_edges).max() == 1


def test_label_faces_counts_pieces_without_barriers():
    v, f = SQUARE.vertices_mm, SQUARE.faces
    two = Surface(np.vstack([v, v + [150, 0, 0]]), np.vstack([f, f + 4]))
    assert label_faces(two, np.empty((0, 2))).tolist() == [0, 0, 1, 1]
    assert label_faces(two, [[2, 0]]).max() == 2


def test_level_cut_of_a_linear_field_is_exact():
    surface = sheet()
    cut = cut_at_level(surface, surface.vertices_mm[:, 0], 63.0, carry={"y": surface.vertices_mm[:, 1]})
    check_mesh(cut.surface)
    assert cut.surface.face_areas_mm2[cut.below].sum() == pytest.approx(63.0 * 100, rel=1e-9)
    line = cut.values == 63.0
    np.testing.assert_allclose(cut.surface.vertices_mm[line, 0], 63.0, atol=1e-9)
    np.testing.assert_allclose(cut.carried["y"], cut.surface.vertices_mm[:, 1], atol=1e-9)
    assert smallest_angle_deg(cut.surface, np.flatnonzero(line)) > 1.0
    x = cut.surface.vertices_mm[cut.surface.faces][:, :, 0].mean(axis=1)
    np.testing.assert_array_equal(cut.below, x < 63.0)


def test_level_cut_without_a_crossing_changes_nothing():
    surface = sheet()
    cut = cut_at_level(surface, np.ones(len(surface.vertices_mm)))
    assert not cut.below.any()
    np.testing.assert_array_equal(cut.surface.vertices_mm, surface.vertices_mm)
    assert len(cut.surface.faces) == len(surface.faces)




@settings(max_examples=30, deadline=None, derandomize=True)
@given(st.integers(0, 10**6), st.sampled_from([0, 1, 8]), st.floats(0.0, 0.4))
def test_both_sides_of_any_level_cut_have_simple_boundaries(seed, digits, snap):
    """Values on the level itself and fields as rough as can be: the sides may be many, but never touch in a point."""
    surface = sheet(triangles=300)
    values = np.random.default_rng(seed).normal(0, 1, len(surface.vertices_mm)).round(digits)
    cut = cut_at_level(surface, values, snap=snap)
    check_mesh(cut.surface)
    assert cut.surface.area_mm2 == pytest.approx(surface.area_mm2, rel=1e-9)
    for side in (cut.below, ~cut.below):
        if side.any():
            assert len(cut.surface.sub(side)[0].boundary_loops) > 0


@pytest.mark.parametrize("values", [np.ones(3), np.array([0.0, np.nan, 1.0, 1.0])])
def test_bad_fields(values):
    with pytest.raises(MeshError):
        cut_at_level(SQUARE, values)


def test_refine_halves_long_edges_and_keeps_the_shape():
    fine = refine(SQUARE, 9.0)
    check_mesh(fine.surface)
    e = edge_count(fine.surface)[0]
    v = fine.surface.vertices_mm
    assert np.linalg.norm(v[e[:, 0]] - v[e[:, 1]], axis=1).max() <= 9.0
    assert fine.surface.area_mm2 == pytest.approx(10000.0)
    np.testing.assert_array_equal(v[:4], SQUARE.vertices_mm)
    np.testing.assert_allclose(fine.weights @ SQUARE.vertices_mm, v, atol=1e-12)


def test_refine_only_where_asked():
    fine = refine(SQUARE, lambda middle: np.where(middle[:, 0] < 20, 5.0, 1e9))
    p = fine.surface.vertices_mm[fine.surface.faces]
    long = np.linalg.norm(p - np.roll(p, 1, axis=1), axis=2).max(axis=1)
    assert long[p[:, :, 0].max(axis=1) < 20].max() <= 5.0
    assert long[p[:, :, 0].min(axis=1) > 60].min() > 10.0
    check_mesh(fine.surface)


# -- models of few large triangles ---------------------------------------------------------------------------------
def round_the_foot(off, rise=0.0):
    """A rectangle about the foot of `shapes.box_on_plate`, so far outside it and so high up the wall."""
    side = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * (np.array([50.0, 30.0]) + off)
    return np.column_stack([side, np.full(4, rise)])


@pytest.mark.parametrize("off", [0.1, 0.3, 1.0, 3.0, 10.0])
@pytest.mark.parametrize("where", ["plate", "wall"])
def test_a_path_near_the_edges_of_large_triangles_keeps_the_area(off, where):
    v, f, _ = shapes.box_on_plate()
    surface = Surface(v, f)
    made = insert_path(surface, round_the_foot(off) if where == "plate" else round_the_foot(0.0, off), closed=True)
    check_mesh(made.surface)
    check_path(made)
    assert made.surface.area_mm2 == pytest.approx(surface.area_mm2, rel=1e-12)
    label = label_faces(made.surface, made.path_edges)
    inside = 100 * 60 + 2 * 160 * 80 + 4 * off * (off + 80) if where == "plate" else 100 * 60 + 2 * 160 * (80 - off)
    assert np.bincount(label, made.surface.face_areas_mm2).min() == pytest.approx(inside, rel=1e-6)


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 10**6))
def test_any_path_over_a_box_on_a_plate_moves_the_surface_by_no_more_than_allowed(seed):
    rng = np.random.default_rng(seed)
    v, f, _ = shapes.box_on_plate()
    surface = Surface(v, f)
    # Beside one side of the box and a little past its corners, from touching it to far off.
    x = np.sort(rng.uniform(-60, 60, 6)) + 0.5 * np.arange(6)
    path = np.column_stack([x, -30 - 10 ** rng.uniform(-1.5, 1.5, 6), np.zeros(6)])
    made = insert_path(surface, path, closed=False)
    check_mesh(made.surface)
    new = made.surface.vertices_mm[made.surface.faces]
    places = [new.mean(axis=1), *(0.5 * (new[:, k] + new[:, k - 1]) for k in range(3))]
    assert surface.locate(np.vstack(places)).distance_mm.max() < 0.06
    old = surface.vertices_mm[surface.faces]
    places = [surface.vertices_mm, *(0.5 * (old[:, k] + old[:, k - 1]) for k in range(3))]
    assert made.surface.locate(np.vstack(places)).distance_mm.max() < 0.06


def test_an_area_that_changes_unaccounted_for_is_refused(monkeypatch):
    v, f, _ = shapes.box_on_plate()

    def at_the_vertex(tidy, v, u, new, most_mm):
        return min(tidy._facet(t).off(tidy.patch.raw[v]) for t in new)

    # The distance of the vertex alone passes a corner that drags a whole crease with it.
    monkeypatch.setattr("plyflat.surface._trace.Tidy._moved", at_the_vertex)
    with pytest.raises(CheckError, match="changed the surface's area by"):
        insert_path(Surface(v, f), round_the_foot(3.0), closed=True)


# -- clearing slivers ----------------------------------------------------------------------------------------------
@settings(max_examples=60, deadline=None)
@given(st.integers(0, 10**6))
def test_the_distance_from_a_triangle_is_what_igl_measures(seed):
    rng = np.random.default_rng(seed)
    corners = rng.uniform(-10, 10, (3, 3))
    # From fat to needle-thin ones, the points over against them, beside them and past their tips.
    corners[2] = corners[0] + rng.uniform() * (corners[1] - corners[0]) + 10 ** rng.uniform(-5, 1) * rng.normal(size=3)
    points = rng.normal(corners.mean(axis=0), 10.0, (40, 3))
    facet = Facet(*(tuple(q) for q in corners.tolist()))
    squared, _, _ = igl.point_mesh_squared_distance(points, corners, np.array([[0, 1, 2]]))
    np.testing.assert_allclose([facet.off(tuple(q)) for q in points.tolist()], np.sqrt(squared), atol=1e-7)


def test_the_distance_from_a_triangle_of_no_area_is_that_from_its_longest_side():
    facet = Facet((0.0, 0.0, 0.0), (4.0, 0.0, 0.0), (10.0, 0.0, 0.0))
    assert facet.off((7.0, 3.0, 0.0)) == pytest.approx(3.0)
    assert facet.off((14.0, 3.0, 0.0)) == pytest.approx(5.0)


@pytest.mark.parametrize(("triangles", "seed"), [(2000, 0), (2000, 4), (6000, 1), (6000, 5)])
def test_leaving_alone_faces_that_nothing_helped_changes_nothing(monkeypatch, triangles, seed):
    p, f = shapes.rectangle(200.0, 100.0, triangles=triangles, seed=seed)
    waved = Surface(np.c_[p, 6 * np.sin(p[:, 0] / 15)], f)
    t = np.linspace(0, 2 * np.pi, 300, endpoint=False)
    x = 100 + 40 * np.cos(t)
    path = np.c_[x, 50 + 35 * np.sin(t), 6 * np.sin(x / 15)]
    tried = []
    mend, idle = Tidy._mend, Tidy._still_idle

    def counted(tidy, f, path_mm):
        tried.append(idle(tidy, f, path_mm))
        return mend(tidy, f, path_mm)

    monkeypatch.setattr(Tidy, "_mend", counted)
    quick = insert_path(waved, path, closed=True)
    assert sum(tried) > 20
    monkeypatch.setattr(Tidy, "_still_idle", lambda self, f, path_mm: False)
    slow = insert_path(waved, path, closed=True)
    np.testing.assert_array_equal(quick.surface.faces, slow.surface.faces)
    np.testing.assert_array_equal(quick.surface.vertices_mm, slow.surface.vertices_mm)

import numpy as np
import pytest
import shapes

from plyflat.errors import MeshError
from plyflat.surface import Surface, distance_along, geodesic, geodesic_path, insert_path


def plate(triangles=4000):
    p, f = shapes.rectangle(400.0, 300.0, triangles=triangles)
    return Surface(np.c_[p, 0 * p[:, 0]], f)


def test_distance_from_a_vertex_of_a_flat_sheet():
    surface = plate()
    p = surface.vertices_mm
    d = distance_along(surface, [7])
    np.testing.assert_allclose(d, np.linalg.norm(p - p[7], axis=1), atol=1e-6)


def test_distance_from_edges_counts_all_along_them():
    """Two long triangles: the middle of their common side is nearer to the corners than its ends are."""
    surface = Surface([[0, -30, 0], [0, 30, 0], [40, 0, 0], [-40, 0, 0]], [[0, 2, 1], [0, 1, 3]])
    assert distance_along(surface, [0, 1])[2:] == pytest.approx([50.0, 50.0])
    assert distance_along(surface, [[0, 1]])[2:] == pytest.approx([40.0, 40.0], abs=0.05)


def test_chords_between_source_vertices_are_no_sources():
    square = Surface([[0, 0, 0], [60, 0, 0], [60, 60, 0], [0, 60, 0], [30, 30, 0]],
                     [[0, 1, 4], [1, 2, 4], [2, 3, 4], [3, 0, 4]])
    rim = [[0, 1], [1, 2], [2, 3], [3, 0]]
    assert distance_along(square, rim)[4] == pytest.approx(30.0, abs=0.05)
    two = Surface(square.vertices_mm[:4], [[0, 1, 2], [0, 2, 3]])
    assert distance_along(two, rim[:2])[3] == pytest.approx(60.0)




def test_rings_give_the_same_as_one_go(monkeypatch):
    surface = plate(8000)
    t = np.linspace(0, 2 * np.pi, 90, endpoint=False)
    made = insert_path(surface, np.c_[200 + 30 * np.cos(t), 150 + 30 * np.sin(t), 0 * t], closed=True)
    whole = distance_along(made.surface, made.path_edges)
    monkeypatch.setattr(geodesic, "RING_FACES", 1200)
    rings = distance_along(made.surface, made.path_edges)
    # The line between two rings is straight in each triangle: some per cent of an edge (5.6 mm) off.
    assert np.abs(rings - whole).max() < 0.06 * 5.6
    far = whole > 100
    # Half of the half per cent that a distance may be off altogether.
    assert (np.abs(rings - whole)[far] / whole[far]).max() < 2.5e-3


def test_distances_are_cut_off_at_the_limit():
    surface = plate()
    p = surface.vertices_mm
    d = distance_along(surface, [7], max_mm=80.0)
    np.testing.assert_allclose(d, np.minimum(np.linalg.norm(p - p[7], axis=1), 80.0), atol=1e-6)




def test_a_piece_without_source_is_infinitely_far():
    v, f = plate(500).vertices_mm, plate(500).faces
    two = Surface(np.vstack([v, v + [450, 0, 0]]), np.vstack([f, f + len(v)]))
    d = distance_along(two, [0])
    assert np.isfinite(d[: len(v)]).all()
    assert np.isinf(d[len(v) :]).all()


def test_distances_that_cannot_be_are_measured_anew(monkeypatch):
    """The library has been seen to give 0 at a vertex far from every source, here at some side by side."""
    import igl

    surface = plate()
    p = surface.vertices_mm
    true = np.linalg.norm(p - p[7], axis=1)
    first = int(np.argmin(np.abs(true - 150)))
    wrong = np.unique(surface.faces[(surface.faces == first).any(axis=1)])
    exact = igl.exact_geodesic

    def faulty(*words):
        d = np.asarray(exact(*words)).ravel()
        d[wrong] = 0.0
        return d

    monkeypatch.setattr(igl, "exact_geodesic", faulty)
    np.testing.assert_allclose(distance_along(surface, [7]), true, atol=1e-6)


def test_no_source_is_refused():
    with pytest.raises(MeshError, match="no vertex"):
        distance_along(plate(500), [])




def test_noise_does_not_lengthen_distances():
    """Measured on the rough mesh itself the way is far longer."""
    flat = plate(20000)
    rng = np.random.default_rng(0)
    rough = Surface(flat.vertices_mm + rng.normal(0, 0.7, flat.vertices_mm.shape), flat.faces)
    p = flat.vertices_mm
    middle = int(np.argmin(np.linalg.norm(p - [200, 150, 0], axis=1)))
    true = np.linalg.norm(p - p[middle], axis=1)
    far = true > 100
    ratio = distance_along(rough, [middle])[far] / true[far]
    raw = distance_along(rough, [middle], smooth_mm=0)[far] / true[far]
    assert ratio.mean() == pytest.approx(1.0, abs=0.005)
    assert raw.mean() > 1.01


def test_geodesic_path_over_a_box_edge():
    """Unfolded, the way from one face to the next is a straight line."""
    box = Surface(*shapes.box(size=(100.0, 100.0, 100.0), steps=10))
    v = box.vertices_mm
    a = int(np.argmin(np.linalg.norm(v - [-20, -30, 50], axis=1)))
    b = int(np.argmin(np.linalg.norm(v - [50, 40, 10], axis=1)))
    way = geodesic_path(box, a, b)
    assert np.linalg.norm(np.diff(way, axis=0), axis=1).sum() == pytest.approx(np.hypot(70 + 40, 70), rel=1e-9)
    np.testing.assert_allclose(way[[0, -1]], v[[a, b]], atol=1e-9)

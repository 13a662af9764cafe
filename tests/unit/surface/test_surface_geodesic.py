import numpy as np
import pytest
import shapes

from plyflat.errors import MeshError
from plyflat.surface import Surface, distance_along, geodesic_path


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




def test_distances_are_cut_off_at_the_limit():
    surface = plate()
    p = surface.vertices_mm
    d = distance_along(surface, [7], max_mm=80.0)
    np.testing.assert_allclose(d, np.minimum(np.linalg.norm(p - p[7], axis=1), 80.0), atol=1e-6)




def test_no_source_is_refused():
    with pytest.raises(MeshError, match="no vertex"):
        distance_along(plate(500), [])




def test_geodesic_path_over_a_box_edge():
    """Unfolded, the way from one face to the next is a straight line."""
    box = Surface(*shapes.box(size=(100.0, 100.0, 100.0), steps=10))
    v = box.vertices_mm
    a = int(np.argmin(np.linalg.norm(v - [-20, -30, 50], axis=1)))
    b = int(np.argmin(np.linalg.norm(v - [50, 40, 10], axis=1)))
    way = geodesic_path(box, a, b)
    assert np.linalg.norm(np.diff(way, axis=0), axis=1).sum() == pytest.approx(np.hypot(70 + 40, 70), rel=1e-9)
    np.testing.assert_allclose(way[[0, -1]], v[[a, b]], atol=1e-9)

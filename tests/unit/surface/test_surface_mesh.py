"""A surface finds the nearest of its points, as often as it is asked and after it was sent to another process."""

import copy
import pickle

import igl
import numpy as np
import pytest
import shapes

from plyflat.surface.mesh import Surface


@pytest.mark.parametrize("sent", [lambda s: s, lambda s: pickle.loads(pickle.dumps(s)), copy.deepcopy], ids=["itself", "pickled", "copied"])
def test_nearest_points_are_those_of_the_plain_call(sent):
    surface = Surface(*shapes.smooth_patch(triangles=600, seed=2))
    points = np.random.default_rng(1).uniform(-100, 600, (50, 3))
    surface.locate(points[:1])
    found = sent(surface).locate(points)
    squared, face, hit = igl.point_mesh_squared_distance(points, surface.vertices_mm, surface.faces)
    np.testing.assert_array_equal(found.face, face)
    np.testing.assert_array_equal(found.points_mm, hit)
    np.testing.assert_allclose(found.distance_mm, np.sqrt(squared))
    corners = surface.vertices_mm[surface.faces[found.face]]
    np.testing.assert_allclose(np.einsum("ki,kij->kj", found.weights, corners), hit, atol=1e-9)


def test_one_point_is_located_as_many():
    surface = Surface(*shapes.smooth_patch(triangles=600, seed=2))
    assert surface.locate([300.0, 200.0, 90.0]).face.shape == (1,)

import numpy as np
import pytest
import shapes

from plyflat.surface._topology import mesh_edges
from plyflat.surface.crease import bend_within, find_creases, turns
from plyflat.surface.mesh import Surface


def test_turns_of_a_box_are_square_and_convex():
    s = Surface(*shapes.box())
    turn, length = turns(s, mesh_edges(s.faces, len(s.vertices_mm)))
    sharp = np.abs(turn) > 1e-9
    assert turn[sharp] == pytest.approx(np.pi / 2)
    assert length[sharp].sum() == pytest.approx(4 * (400 + 300 + 200))


@pytest.mark.parametrize("angle", [60.0, 90.0, 120.0])
def test_bend_at_a_corner_is_near_its_turn(angle):
    s = Surface(*shapes.wedge(angle, step=2.0))
    edges = mesh_edges(s.faces, len(s.vertices_mm))
    turn, length = turns(s, edges)
    bend = bend_within(s, edges, turn * length, 10.0)
    y, z = s.vertices_mm[:, 1:].T
    middle = np.abs(s.vertices_mm[:, 0] - 100) < 60
    on = middle & (np.hypot(y, z) < 1e-6)
    assert np.degrees(-bend[on]).mean() == pytest.approx(180 - angle, rel=0.1)
    assert np.abs(np.degrees(bend[middle & (np.hypot(y, z) > 30)])).max() < 1.0


def test_creases_of_a_chine_hull():
    v, f, chine = shapes.chine_hull(step=5)
    (crease,) = find_creases(Surface(v, f))
    assert not crease.concave
    assert not crease.closed
    assert np.linalg.norm(np.diff(crease.points_mm, axis=0), axis=1).sum() == pytest.approx(
        np.linalg.norm(np.diff(chine, axis=0), axis=1).sum(), rel=0.03
    )

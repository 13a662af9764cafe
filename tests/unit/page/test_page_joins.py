"""Shortest lines between points for the eye, against surfaces on which they are known."""

import numpy as np
import pytest
import shapes
from scipy.spatial.transform import Rotation

from plyflat.page import joins
from plyflat.page.joins import Joins
from plyflat.page.view import _thinned
from plyflat.surface.mesh import Surface

RADIUS = 1000.0


@pytest.fixture(scope="module")
def ball():
    fine = shapes.sphere(RADIUS, 60000)
    still = _thinned(*fine, 20000)
    meshes = [fine, still, _thinned(*still, 8000), _thinned(*still, 2000)]
    return Surface(*fine), Joins(meshes, still), Surface(*still)


def _long(line):
    return float(np.linalg.norm(np.diff(line, axis=0), axis=1).sum())


@pytest.mark.parametrize("apart_deg", [0.2, 3, 20, 60, 120])
def test_they_are_arcs_of_great_circles_however_far_apart_their_ends(ball, apart_deg):
    surface, found, drawn = ball
    for turn in Rotation.random(4, random_state=5):
        ends = turn.apply([[1.0, 0, 0], [np.cos(np.radians(apart_deg)), np.sin(np.radians(apart_deg)), 0]])
        a, b = surface.locate(RADIUS * ends).points_mm
        line = found.line(a, b)
        assert (line[0] == a).all()
        assert (line[-1] == b).all()
        arc = RADIUS * np.radians(apart_deg)
        assert _long(line) == pytest.approx(arc, rel=0.001)
        # Flat triangles bend a line by a little at each edge. An edge of what is drawn is 35 mm long, of the coarsest mesh 110 mm.
        across = np.cross(*ends) / np.sin(np.radians(apart_deg))
        assert np.abs(line @ across).max() < 0.1 + 0.003 * arc
        # It lies on what is drawn, and so do its pieces as nearly as the eye can tell.
        assert drawn.locate(line[1:-1] if len(line) > 2 else line).distance_mm.max() < 1.0
        assert drawn.locate((line[1:] + line[:-1]) / 2).distance_mm.max() < 1.0


def test_a_line_goes_round_what_stands_between_its_ends():
    # Half of a tube: the way from rim to rim is round its back, far beyond the chord.
    wide, long = 200, 20
    angle = np.linspace(0, np.pi * 1.9, wide)
    at = np.stack([np.repeat(100 * np.cos(angle), long), np.repeat(100 * np.sin(angle), long), np.tile(np.linspace(0, 60, long), wide)], axis=1)
    k = np.arange(wide * long).reshape(wide, long)
    a, b, c, d = (q.ravel() for q in (k[:-1, :-1], k[1:, :-1], k[1:, 1:], k[:-1, 1:]))
    faces = np.concatenate([np.column_stack([a, b, c]), np.column_stack([a, c, d])])
    line = Joins([(at, faces)], (at, faces)).line(at[10], at[-10])
    assert _long(line) == pytest.approx(100 * np.pi * 1.9, rel=0.001)
    assert np.ptp(line[:, 2]) < 4.0


def test_points_of_two_parts_are_joined_by_a_straight_line():
    v, f = shapes.sphere(100.0, 300)
    both = (np.concatenate([v, v + [500.0, 0, 0]]), np.concatenate([f, f + len(v)]))
    found = Joins([both], both)
    line = found.line(v[0], v[0] + [500.0, 0, 0])
    assert (line[[0, -1]] == [v[0], v[0] + [500.0, 0, 0]]).all()
    np.testing.assert_array_equal(found.line(v[0], v[0]), [v[0], v[0]])


def test_where_a_thinned_mesh_is_no_surface_a_finer_one_is_taken():
    v, f = shapes.sphere(RADIUS, 20000)
    # Three triangles on one edge: no surface.
    torn = (v, np.concatenate([f, [[f[0, 0], f[0, 1], f[100, 0]], [f[0, 0], f[0, 1], f[200, 1]]]]))
    a, b = Surface(v, f).locate(RADIUS * np.eye(3)[:2]).points_mm
    assert _long(Joins([(v, f), torn], (v, f)).line(a, b)) == pytest.approx(RADIUS * np.pi / 2, rel=0.001)


def test_a_line_is_looked_for_once(ball, monkeypatch):
    surface, found, _ = ball
    a, b = surface.vertices_mm[[5, 900]]
    first = found.line(a, b)
    monkeypatch.setattr(joins, "_path", None)
    assert found.line(a.copy(), b.copy()) is first

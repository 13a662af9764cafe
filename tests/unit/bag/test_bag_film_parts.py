"""Parts of a film brought to rest by themselves, and the equations that they and the whole are solved by."""

import numpy as np
import pytest

from plyflat.bag._film_balance import Equations, Feet, Grip
from plyflat.bag._film_ground import MeshGround
from plyflat.bag._film_law import Constant, Elastic, Spring
from plyflat.bag._film_matrix import Freedom
from plyflat.bag._film_mesh import even_triangles
from plyflat.bag._film_solve import _far_from_rest, _labels, _Parts, _relaxed, _settled, settle
from plyflat.bag.film import FilmMesh, Hold
from plyflat.surface.mesh import Surface

TOLERANCE = 1e-4


def sheet(cell=10.0, size=80.0):
    """A level film over a square, held all round."""
    flat, faces, rims = even_triangles([[[0, 0], [size, 0], [size, size], [0, size]]], cell)
    points = np.column_stack([flat, np.zeros(len(flat))])
    return FilmMesh(points, faces, flat[faces], Hold.loose(len(flat)).fixed(rims[0]))


def plate(height, size=200.0):
    v = np.array([[-size, -size, height], [size, -size, height], [size, size, height], [-size, size, height]])
    return Surface(v, np.array([[0, 1, 2], [0, 2, 3]]))


def on_a_plate(mesh, height=-4.0, *, sticks=False):
    """The balance of a film over a plate, with a law that differs from triangle to triangle."""
    law = Elastic(42.0, 0.4, np.linspace(0.05, 0.2, len(mesh.faces)))
    cloth = mesh.cloth(law)
    freedom = Freedom(mesh.points_mm, mesh.faces, mesh.hold.ways, mesh.hold.free)
    feet = Feet(cloth, len(mesh.points_mm))
    grip = Grip(0.3, feet.at(mesh.points_mm), np.ones(len(feet.shares_mm2), dtype=bool)) if sticks else None
    return Equations(cloth, freedom, feet, MeshGround(plate(height)), 0.08, 0.08, grip)


def at_rest(mesh):
    eq = on_a_plate(mesh)
    rest = settle(eq, mesh.points_mm, tolerance=TOLERANCE, most=100)
    assert rest.converged
    return eq, rest.points_mm


def nearest(points, x, y):
    return int(np.linalg.norm(points[:, :2] - [x, y], axis=1).argmin())


@pytest.mark.parametrize("sticks", [False, True])
def test_a_part_feels_what_the_whole_does(sticks):
    mesh = sheet()
    eq = on_a_plate(mesh, sticks=sticks)
    rng = np.random.default_rng(7)
    points = mesh.points_mm + rng.normal(0, 1.0, mesh.points_mm.shape) - [0, 0, 4.0]
    active = (np.linalg.norm(points[:, :2] - 40, axis=1) < 25) & (mesh.hold.free == 3)
    whole = eq.act(points)
    assert (whole.press > 0).any()
    part, vertices = eq.part(points, active)
    own = part.act(points[vertices])
    move = active[vertices]
    assert 10 < move.sum() < len(vertices) < len(points)
    assert np.allclose(own.slope[move], whole.slope[vertices[move]], rtol=1e-12, atol=1e-12)
    # Only those that are active have ways to move.
    assert part.freedom.count == 3 * move.sum()
    assert (part.freedom.spread(np.ones(part.freedom.count))[~move] == 0).all()
    # Moved on, both still feel the same.
    shift = np.where(active[:, None], rng.normal(0, 0.5, points.shape), 0.0)
    own, whole = part.act((points + shift)[vertices]), eq.act(points + shift)
    assert np.allclose(own.slope[move], whole.slope[vertices[move]], rtol=1e-12, atol=1e-12)


@pytest.mark.parametrize("sliding", [False, True])
def test_the_matrix_is_the_sum_over_triangles_vertices_and_sides(sliding):
    mesh = sheet(20.0)
    hold, n = mesh.hold, len(mesh.points_mm)
    if sliding:
        inner = np.flatnonzero(hold.free == 3)
        hold = hold.across(inner[:4], [1.0, 2.0, 0.5]).along(inner[4:6], [0.3, 1.0, 0.0])
    freedom = Freedom(mesh.points_mm, mesh.faces, hold.ways, hold.free)
    feet = Feet(mesh.cloth(Spring(1.0)), n)
    rng = np.random.default_rng(11)
    blocks = rng.normal(size=(len(mesh.faces), 9, 9))
    own, sides = rng.normal(size=(n, 3, 3)), rng.normal(size=(len(feet.ends), 3, 3))
    blocks, own, sides = (q + q.transpose(0, 2, 1) for q in (blocks, own, sides))
    sides[::3] = 0.0
    matrix = freedom.matrix(blocks, own, sides)
    one, two = rng.normal(size=(2, freedom.count))
    a, b = freedom.spread(one), freedom.spread(two)
    middle_a, middle_b = (q[feet.ends].mean(axis=1) for q in (a, b))
    corner_a, corner_b = (q[mesh.faces].reshape(-1, 9) for q in (a, b))
    true = (
        np.einsum("mi,mij,mj->", corner_a, blocks, corner_b)
        + np.einsum("ni,nij,nj->", a, own, b)
        + np.einsum("ei,eij,ej->", middle_a, sides, middle_b)
    )
    assert one @ (matrix @ two) == pytest.approx(true, rel=1e-10)


def test_what_is_far_from_rest_is_brought_to_it_and_nothing_else_moves():
    eq, points = at_rest(sheet())
    k = nearest(points, 40, 40)
    pushed = points.copy()
    pushed[k] += [2.0, 1.0, 1.5]
    far = _far_from_rest(eq, eq.act(pushed), TOLERANCE)
    assert far[k]
    back, now = _relaxed(eq, pushed, far, TOLERANCE)
    assert np.linalg.norm(now.slope[k]) < 10 * TOLERANCE * eq.scale
    assert np.abs(back[k] - points[k]).max() < 0.05
    away = np.linalg.norm(points - points[k], axis=1) > 35
    assert (back[away] == points[away]).all()
    assert away.sum() > 20


def test_of_many_that_are_far_from_rest_the_worst_are_taken():
    eq = on_a_plate(mesh := sheet(5.0))
    force = np.linalg.norm(eq.freedom.spread(eq.freedom.gathered(eq.act(mesh.points_mm).slope)), axis=1)
    far = _far_from_rest(eq, eq.act(mesh.points_mm), 1e-6)
    assert 0 < far.sum() <= 0.03 * len(far)
    assert force[far].min() >= force[~far].max()


def test_parts_that_do_not_touch_are_solved_as_if_each_were_alone():
    eq, points = at_rest(sheet(8.0))
    pushed, places = points.copy(), [nearest(points, 20, 20), nearest(points, 60, 60)]
    pushed[places[0]] += [1.0, 0.5, 1.0]
    pushed[places[1]] += [-2.0, 1.0, 3.0]
    near = [np.linalg.norm(points - points[k], axis=1) < 15 for k in places]

    def solved(active):
        part, vertices = eq.part(pushed, active)
        parts = _Parts.of(part, _labels(part, active[vertices]))
        out = pushed.copy()
        out[vertices], _, left, _ = _settled(part, pushed[vertices], parts, TOLERANCE, 0)
        return out, parts.count, left <= TOLERANCE

    both, count, _ = solved(near[0] | near[1])
    assert count == 2
    for one in near:
        alone, count, done = solved(one)
        assert count == 1
        assert done.all()
        assert np.abs(alone[one] - both[one]).max() < 0.02
        assert np.abs(alone[one] - pushed[one]).max() > 0.5


def test_what_finds_no_rest_stays():
    # Free of all but two neighbours that a limp film cannot reach: no few steps bring it to rest.
    eq, points = at_rest(sheet())
    torn = points.copy()
    k = nearest(points, 40, 40)
    torn[k] += [0.0, 0.0, 4000.0]
    far = np.arange(len(points)) == k
    back, _ = _relaxed(eq, torn, far, TOLERANCE)
    assert (back == torn).all()


def test_a_law_of_some_triangles_is_theirs():
    least = np.array([0.1, 0.2, 0.3])
    law = Elastic(40.0, 0.4, least).of(np.array([2, 0]))
    assert law.pull(np.array([0.5, 0.5]), np.array([0.5, 0.5])).first == pytest.approx([0.15, 0.05])
    for same in (Elastic(40.0, 0.4), Constant(2.0), Spring(1.0)):
        assert same.of(np.array([0])) is same


def test_a_film_that_no_step_brings_nearer_to_rest_is_given_up(monkeypatch):
    from plyflat.bag import _film_solve

    told = iter([1.5 * TOLERANCE])
    monkeypatch.setattr(_film_solve, "_left", lambda *_: next(told, 1.6 * TOLERANCE))
    mesh = sheet()
    eq = on_a_plate(mesh)
    rest = settle(eq, mesh.points_mm, tolerance=TOLERANCE, most=100)
    assert rest.steps == _film_solve._IN_VAIN < 100
    assert not rest.converged
    # It is left where it was nearest to rest.
    assert rest.residual == 1.5 * TOLERANCE
    assert np.array_equal(rest.points_mm, mesh.points_mm)

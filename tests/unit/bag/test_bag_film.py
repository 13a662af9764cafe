"""The film solver on its own: what it takes, refuses and tells."""

import math

import numpy as np
import pytest
import shapes

from plyflat.bag._film_balance import Equations, Feet
from plyflat.bag._film_ground import MeshGround
from plyflat.bag._film_law import Elastic, forces, stiffness, stretched
from plyflat.bag._film_matrix import Freedom
from plyflat.bag._film_mesh import as_cut, even_triangles, split_film, strip
from plyflat.bag._film_solve import _held_back
from plyflat.bag.film import Closer, Film, FilmMesh, Hold, lay_film, ramp_film
from plyflat.errors import MeshError, QuantityError, ShapeError
from plyflat.surface.mesh import Surface

FILM = Film("bag film", 700.0, 0.06, poisson=0.4, yield_mpa=35.0, break_stretch=3.0)


def sheet(cell=10.0, size=80.0):
    """A level film over a square, held all round."""
    flat, faces, rims = even_triangles([[[0, 0], [size, 0], [size, size], [0, size]]], cell)
    points = np.column_stack([flat, np.zeros(len(flat))])
    return FilmMesh(points, faces, flat[faces], Hold.loose(len(flat)).fixed(rims[0]))


def plate(height, size=200.0):
    v = np.array([[-size, -size, height], [size, -size, height], [size, size, height], [-size, size, height]])
    return Surface(v, np.array([[0, 1, 2], [0, 2, 3]]))


def test_energy_slopes_agree_with_differences():
    rng = np.random.default_rng(3)
    mesh = sheet(20.0)
    cloth = mesh.cloth(Elastic(40.0, 0.3, 0.2))
    points = mesh.points_mm * 1.03 + rng.normal(0, 1.0, mesh.points_mm.shape)
    move = rng.normal(0, 1.0, points.shape)

    def slope(t):
        state = stretched(points + t * move, cloth.faces, cloth.gradients)
        pull = cloth.law.pull(*state.stretch.T)
        return forces(state, pull, cloth.areas_mm2, cloth.gradients), state, pull

    ahead, back = slope(1e-6)[0], slope(-1e-6)[0]
    here, state, pull = slope(0.0)
    blocks = stiffness(state, pull, cloth.areas_mm2, cloth.gradients, rest=True)
    tight = (pull.d12 > 0) | (pull.second == 0)
    change = np.einsum("mij,mj->mi", blocks, move[cloth.faces].reshape(-1, 9)).reshape(-1, 3, 3)
    both = pull.d12 > 0
    assert both.any()
    assert np.allclose(change[both], ((ahead - back) / 2e-6)[both], rtol=1e-4, atol=1e-4)
    assert tight.any()
    # Forces within the film balance.
    assert np.allclose(here.sum(axis=1), 0, atol=1e-9)


def test_no_tension_is_ever_negative():
    rng = np.random.default_rng(1)
    first = rng.uniform(0.2, 1.6, 500)
    second = first * rng.uniform(0, 1, 500)
    pull = Elastic(40.0, 0.4).pull(first, second)
    assert (pull.first >= 0).all()
    assert (pull.second >= 0).all()
    assert (pull.second[second < 1 - 0.4 * (first - 1)] == 0).all()
    # Pulled one way, it answers with its modulus.
    lone = Elastic(40.0, 0.4).pull(np.array([1.1]), np.array([0.5]))
    assert lone.first[0] == pytest.approx(4.0)


def test_distance_to_a_mesh_has_a_sign_at_edges_and_corners():
    v, f = shapes.box((20.0, 20.0, 20.0))
    ground = MeshGround(Surface(v, f), offset_mm=1.0)
    points = np.array([[0, 0, 14.0], [14, 14, 0.0], [13, 13, 13.0], [0, 0, 9.0], [9.5, 9.9, 9.7]])
    distance, normal, place = ground.find(points)
    true = np.array([4, 4 * math.sqrt(2), 3 * math.sqrt(3), -1, -0.1]) - 1
    assert np.allclose(distance, true)
    assert np.allclose(np.linalg.norm(normal, axis=1), 1)
    assert np.allclose(normal[1], [math.sqrt(0.5), math.sqrt(0.5), 0])
    bend = ground.bend(distance, normal, place)
    step = 1e-5
    for axis in range(3):
        shift = step * np.eye(3)[axis]
        turn = (ground.look(points + shift)[1] - ground.look(points - shift)[1]) / (2 * step)
        assert np.allclose(bend[:, :, axis], turn, atol=1e-6)


def test_a_film_lies_flat_on_a_plate_just_below():
    laid = lay_film(sheet(), plate(-3.0), FILM, pressure_kpa=80.0)
    assert laid.converged
    middle = np.linalg.norm(laid.vertices_mm[:, :2] - 40, axis=1) < 15
    assert laid.contact[middle].all()
    assert laid.gap_mm[middle].max() < 0.01
    assert laid.gap_over_mm([[40, 40, -3.0]])[0] < 0.1


def test_a_turned_or_mirrored_film_lies_the_same():
    mesh, below = sheet(), plate(-6.0)
    plain = lay_film(mesh, below, FILM, pressure_kpa=80.0, tolerance=1e-8)
    rng = np.random.default_rng(5)
    q, _ = np.linalg.qr(rng.normal(size=(3, 3)))
    q *= np.sign(np.linalg.det(q))
    shift = np.array([300.0, -50.0, 20.0])
    turned = FilmMesh(mesh.points_mm @ q.T + shift, mesh.faces, mesh.rest_mm, mesh.hold)
    ground = Surface(below.vertices_mm @ q.T + shift, below.faces)
    other = lay_film(turned, ground, FILM, pressure_kpa=80.0, tolerance=1e-8)
    assert np.abs(other.vertices_mm - (plain.vertices_mm @ q.T + shift)).max() < 1e-4
    flip = np.array([-1.0, 1.0, 1.0])
    mirrored = FilmMesh(
        mesh.points_mm * flip, mesh.faces[:, ::-1], mesh.rest_mm[:, ::-1] * [1, -1], mesh.hold
    )
    ground = Surface(below.vertices_mm * flip, below.faces[:, ::-1])
    other = lay_film(mirrored, ground, FILM, pressure_kpa=80.0, tolerance=1e-8)
    assert np.abs(other.vertices_mm - plain.vertices_mm * flip).max() < 1e-4


def test_a_finer_film_comes_nearer():
    depth = [
        -lay_film(sheet(20.0), None, FILM, pressure_kpa=40.0, tolerance=1e-5, finer=k).vertices_mm[:, 2].min()
        for k in range(3)
    ]
    assert abs(depth[2] - depth[1]) < 0.5 * abs(depth[1] - depth[0])


def test_splitting_keeps_the_cut_and_the_hold():
    mesh = sheet(16.0)
    fine = split_film(mesh, mesh.points_mm)
    assert fine.rest_areas_mm2.sum() == pytest.approx(mesh.rest_areas_mm2.sum())
    assert len(fine.faces) == 4 * len(mesh.faces)
    held = fine.points_mm[fine.hold.free == 0]
    on_edge = (np.abs(fine.points_mm[:, :2] - 40) > 39.999).any(axis=1)
    assert len(held) == on_edge.sum()
    thin = strip([[0, 0, 0], [30, 0, 0]], cells=4)
    assert (split_film(thin, thin.points_mm).hold.free <= 2).all()


def test_whichever_cells_are_split_their_sides_still_meet():
    mesh = sheet(16.0)
    marked = np.random.default_rng(3).random(len(mesh.faces)) < 0.4
    fine = split_film(mesh, mesh.points_mm, marked)
    assert len(mesh.faces) < len(fine.faces) < 4 * len(mesh.faces)
    assert fine.rest_areas_mm2.sum() == pytest.approx(mesh.rest_areas_mm2.sum())
    # Closed up: sides on one triangle only lie on the outline, and are held.
    sides = np.sort(fine.faces[:, [[0, 1], [1, 2], [2, 0]]].reshape(-1, 2), axis=1)
    single, count = np.unique(sides, axis=0, return_counts=True)
    assert count.max() == 2
    rim = fine.points_mm[single[count == 1]].mean(axis=1)
    assert (np.abs(rim[:, :2] - 40).max(axis=1) > 39.999).all()
    assert (fine.hold.free[np.unique(single[count == 1])] == 0).all()
    # As it lies each triangle is as it is cut, none turned over.
    p = fine.points_mm[fine.faces]
    assert np.cross(p[:, 1] - p[:, 0], p[:, 2] - p[:, 0])[:, 2] / 2 == pytest.approx(fine.rest_areas_mm2)


def test_cells_near_a_corner_are_split():
    mesh = sheet(16.0)
    corner = np.column_stack([np.full(9, 80.0), np.linspace(0, 80, 9), np.zeros(9)])
    fine = Closer(corner, (20.0,)).split(mesh, mesh.points_mm, 0)
    far = fine.points_mm[fine.faces].mean(axis=1)[:, 0] < 40
    near = fine.points_mm[fine.faces].mean(axis=1)[:, 0] > 65
    assert fine.cells_mm[near].mean() < 0.6 * fine.cells_mm[far].mean()


def test_it_is_not_looked_at_more_closely_nowhere():
    with pytest.raises(QuantityError):
        Closer(np.zeros((0, 3)), (20.0,))
    with pytest.raises(QuantityError):
        Closer(np.zeros((1, 3)), (20.0, 20.0))
    with pytest.raises(QuantityError):
        Closer(np.zeros((1, 3)), (20.0, 0.0))


def on_a_plate():
    """A level film that lies on a plate, as the solver sees it."""
    mesh = sheet(20.0)
    n, cloth = len(mesh.points_mm), mesh.cloth(Elastic(42.0, 0.4, 0.1))
    freedom = Freedom(mesh.points_mm, mesh.faces, mesh.hold.ways, mesh.hold.free)
    return mesh, Equations(cloth, freedom, Feet(cloth, n), MeshGround(plate(0.0)), 0.08, 0.08, None)


def test_a_vertex_whose_force_grows_is_held_back_by_itself():
    mesh, eq = on_a_plate()
    k = int(np.linalg.norm(mesh.points_mm[:, :2] - 40, axis=1).argmin())
    pushed = mesh.points_mm.copy()
    pushed[k, 2] -= 1.0
    before, now = eq.act(mesh.points_mm), eq.act(pushed)
    held = _held_back(eq, before, now, np.ones(len(pushed)), 1e-3)
    assert held[k] > 1
    beside = np.unique(mesh.faces[(mesh.faces == k).any(axis=1)])
    far = np.setdiff1d(np.arange(len(pushed)), beside)
    assert (held[far] == 1).all()
    # Back at ease it is let go again.
    assert (_held_back(eq, now, before, held, 1e-3) <= held).all()
    assert _held_back(eq, now, before, held, 1e-3)[k] < held[k]


def test_a_side_that_bears_counts_for_both_its_ends():
    mesh, eq = on_a_plate()
    n = len(mesh.points_mm)
    press = np.zeros(len(eq.feet.shares_mm2))
    press[n + 5] = 1.0
    borne = np.flatnonzero(eq.feet.borne(press > 0))
    assert len(borne) == 2
    assert mesh.points_mm[borne].mean(axis=0) == pytest.approx(eq.feet.at(mesh.points_mm)[n + 5])


def test_a_film_sliding_in_a_plane_is_half_of_a_whole_one():
    whole = lay_film(sheet(8.0), None, FILM, pressure_kpa=20.0)
    flat, faces, rims = even_triangles([[[0, 0], [40, 0], [40, 80], [0, 80]]], 8.0)
    points = np.column_stack([flat, np.zeros(len(flat))])
    middle = np.flatnonzero(np.abs(flat[:, 0] - 40) < 1e-9)
    edge = np.setdiff1d(rims[0], middle[(flat[middle, 1] > 0) & (flat[middle, 1] < 80)])
    hold = Hold.loose(len(flat)).across(middle, [1.0, 0, 0]).fixed(edge)
    half = lay_film(FilmMesh(points, faces, flat[faces], hold), None, FILM, pressure_kpa=20.0)
    assert half.vertices_mm[:, 2].min() == pytest.approx(whole.vertices_mm[:, 2].min(), rel=0.02)
    assert np.abs(half.vertices_mm[middle, 0] - 40).max() < 1e-9


def test_a_film_drawn_through_the_tape_stays_on_its_line():
    flat, faces, rims = even_triangles([[[0, 0], [80, 0], [80, 40], [0, 40]]], 8.0)
    points = np.column_stack([flat, np.zeros(len(flat))])
    side = np.flatnonzero((np.abs(flat[:, 1] * (40 - flat[:, 1])) < 1e-9) & (np.abs(flat[:, 0] - 40) < 39))
    ends = np.setdiff1d(rims[0], side)
    hold = Hold.loose(len(flat)).along(side, [1.0, 0, 0]).fixed(ends)
    laid = lay_film(FilmMesh(points, faces, flat[faces], hold), None, FILM, pressure_kpa=20.0)
    assert np.abs(laid.vertices_mm[side, 1:] - points[side, 1:]).max() < 1e-9
    assert np.abs(laid.vertices_mm[side, 0] - points[side, 0]).max() > 1e-3


def test_partial_vacuum_leaves_more_of_a_gap():
    laid = ramp_film(sheet(), plate(-8.0), FILM, pressures_kpa=[5.0, 20.0, 80.0])
    assert [one.pressure_kpa for one in laid] == [5.0, 20.0, 80.0]
    gaps = [one.gap_mm.mean() for one in laid]
    assert gaps[0] > gaps[1] > gaps[2]
    assert all(one.converged for one in laid)


def test_it_warns_of_a_film_past_its_yield_or_its_break():
    stretchy = Film("thin film", 200.0, 0.05, yield_mpa=8.0, break_stretch=1.05)
    laid = lay_film(sheet(), plate(-12.0), stretchy, pressure_kpa=60.0)
    said = " ".join(laid.cautions)
    assert "thin film is stretched to" in said
    assert "breaks at 1.05" in said
    assert "beyond its yield of 0.4 N/mm" in said
    assert 0 < laid.drawn_area_mm2 < laid.rest_areas_mm2.sum()
    assert laid.drawn_area_mm2 == pytest.approx(laid.rest_areas_mm2[laid.stretch[:, 0] > 1.04].sum(), rel=0.3)
    x, y, z = laid.most_stretch_mm
    assert 0 < x < 80
    assert z < 0
    assert 0 < y < 80
    near = Film("thin film", 200.0, 0.05, yield_mpa=8.0, break_stretch=1 + 1.5 * (laid.most_stretch - 1))
    assert "more than half way to its break" in " ".join(
        lay_film(sheet(), plate(-12.0), near, pressure_kpa=60.0).cautions
    )
    calm = lay_film(sheet(), plate(-0.5), FILM, pressure_kpa=20.0)
    assert calm.cautions == ()
    assert calm.drawn_area_mm2 == 0


def test_it_says_where_a_film_would_burst():
    thin = Film("thin film", 200.0, 0.02, yield_mpa=8.0, break_stretch=1.5)
    laid = lay_film(sheet(), None, thin, pressure_kpa=90.0)
    assert not laid.converged
    assert "grows without end at 90 kPa" in laid.cautions[0]
    assert laid.most_stretch > 1.5
    # Pressed less it holds.
    assert lay_film(sheet(), None, thin, pressure_kpa=2.0).converged


def test_it_says_when_it_has_not_come_to_rest():
    laid = lay_film(sheet(), None, FILM, pressure_kpa=90.0, most_steps=1, ramp=[1.0])
    assert not laid.converged
    assert "not come to rest after 1 steps" in laid.cautions[0]


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"pressure_kpa": 0.0}, "0 kPa"),
        ({"pressure_kpa": 120.0}, "120 kPa"),
        ({"friction": -0.1}, "friction of -0.1"),
        ({"offset_mm": -1.0}, "stack of -1 mm"),
        ({"ramp": [0.5, 0.2, 1.0]}, "does not rise"),
        ({"ramp": [0.5]}, "does not rise"),
    ],
)
def test_it_refuses_what_cannot_be(change, says):
    asked = {"pressure_kpa": 80.0} | change
    with pytest.raises(QuantityError, match=says):
        lay_film(sheet(30.0), plate(-3.0), FILM, **asked)


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"modulus_mpa": 0.0}, "modulus of 0 MPa"),
        ({"thickness_mm": math.nan}, "thickness of nan mm"),
        ({"poisson": 0.7}, "ratio of 0.7"),
        ({"yield_mpa": -3.0}, "yield of -3 MPa"),
        ({"break_stretch": 0.9}, "0.9 times"),
        ({"drawn": True}, "no yield"),
    ],
)
def test_it_refuses_a_film_that_cannot_be(change, says):
    with pytest.raises(QuantityError, match=says):
        Film(**({"name": "x", "modulus_mpa": 700.0, "thickness_mm": 0.05} | change))


def test_it_refuses_meshes_that_do_not_hang_together():
    mesh = sheet(30.0)
    with pytest.raises(MeshError, match="do not go together"):
        FilmMesh(mesh.points_mm, mesh.faces, mesh.rest_mm[1:], mesh.hold)
    with pytest.raises(MeshError, match="are held or free"):
        FilmMesh(mesh.points_mm, mesh.faces, mesh.rest_mm, Hold.loose(3))
    with pytest.raises(MeshError, match="area of"):
        FilmMesh(mesh.points_mm, mesh.faces, mesh.rest_mm[:, ::-1], mesh.hold)
    with pytest.raises(ShapeError, match="crosses itself"):
        even_triangles([[[0, 0], [10, 10], [10, 0], [0, 10]]], 1.0)
    with pytest.raises(MeshError, match="hardly a cell"):
        even_triangles([[[0, 0], [10, 0], [10, 10], [0, 10]]], 20.0)


def test_even_triangles_fill_an_outline_with_a_hole():
    outer = np.array([[0, 0], [100, 0], [100, 60], [0, 60.0]])
    inner = np.array([[40, 20], [40, 40], [60, 40], [60, 20.0]])
    points, faces, rims = even_triangles([outer, inner], 5.0)
    cut = as_cut(np.column_stack([points, np.zeros(len(points))]), faces)
    e1, e2 = cut[:, 1] - cut[:, 0], cut[:, 2] - cut[:, 0]
    area = 0.5 * (e1[:, 0] * e2[:, 1] - e1[:, 1] * e2[:, 0])
    assert area.sum() == pytest.approx(6000 - 400)
    assert len(rims) == 2
    assert area.min() > 0.1 * area.max()

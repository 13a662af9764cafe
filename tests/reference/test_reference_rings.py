"""Rings opened in equal pieces: against what can be worked out by hand for posts on plates."""

from __future__ import annotations

import numpy as np
import pytest
import shapes
from scipy.special import ellipeinc

from plyflat.cloth._cutting import along_rim, on_rim
from plyflat.cloth._laps import clearances
from plyflat.cloth._stagger import turn_share
from plyflat.cloth.opening import holes_to_open, open_patch
from plyflat.surface.cut import mesh_edges
from plyflat.surface.mesh import Surface

RADIUS, HEIGHT, REACH = 60.0, 80.0, 100.0


def euler(s):
    return len(s.vertices_mm) - len(mesh_edges(s.faces, len(s.vertices_mm)).ends) + len(s.faces)


def length(line):
    return np.linalg.norm(np.diff(line, axis=0), axis=1).sum()


@pytest.fixture(scope="module", params=[90, 60, 45])
def post(request):
    """Post whose axis stands at an angle on the plate."""
    s = Surface(*shapes.leaning_post(RADIUS, 90.0 - request.param, height=HEIGHT, reach=REACH, step=6.0))
    return request.param, s


@pytest.mark.parametrize("pieces", [1, 2, 3, 4])
@pytest.mark.reference(source="Euler's polyhedron formula: V - E + F = 1 for a disc", kind="published")
def test_a_ring_becomes_as_many_discs_as_asked_for(post, pieces):
    _, s = post
    opened = open_patch(s, pieces=pieces, turn=0.3, lap_mm=10)
    assert len(opened.pieces) == len(opened.seams) == pieces
    assert [euler(p) for p in opened.pieces] == [1] * pieces
    assert [len(p.boundary_loops) for p in opened.pieces] == [1] * pieces
    # Where seams were cut in, slivers were cleared away by moves of a few hundredths of a millimetre.
    assert sum(p.area_mm2 for p in opened.pieces) == pytest.approx(s.area_mm2, rel=1e-5)


@pytest.mark.parametrize("pieces", [2, 3, 4])
@pytest.mark.reference(source="definition: n equal arcs of a closed line of length L are L / n long", kind="derived")
def test_seams_share_the_rim_out_in_equal_arcs(post, pieces):
    _, s = post
    rim = s.vertices_mm[s.boundary_loops[1]]
    opened = open_patch(s, pieces=pieces, turn=0.3)
    at = np.sort([on_rim(rim, seam[0]) for seam in opened.seams])
    total = along_rim(rim)[1]
    np.testing.assert_allclose(np.diff(np.r_[at, at[0] + total]), total / pieces, rtol=0.01)


@pytest.mark.parametrize("pieces", [1, 2, 3, 4])
@pytest.mark.reference(
    source="a post square on a plate: a generator up the wall and a radius of the plate are the shortest way out",
    kind="derived",
)
def test_seams_round_an_upright_post_run_along_generators_and_radii(pieces):
    s = Surface(*shapes.leaning_post(RADIUS, 0.0, height=HEIGHT, reach=REACH, step=4.0))
    opened = open_patch(s, pieces=pieces, turn=0.25)
    for seam in opened.seams:
        # A chord of the outer edge lies up to 0.14 mm inside its circle.
        assert length(seam) == pytest.approx(HEIGHT + REACH, abs=0.2)
        turn = np.unwrap(np.arctan2(seam[:, 1], seam[:, 0]))
        assert np.degrees(np.ptp(turn)) < 1.0
    at = np.sort(np.degrees([np.arctan2(seam[0, 1], seam[0, 0]) for seam in opened.seams]) % 360)
    np.testing.assert_allclose(np.diff(np.r_[at, at[0] + 360]), 360 / pieces, atol=0.01 * 360 / pieces)


@pytest.mark.reference(source="arc length of an ellipse by Legendre's incomplete integral of the second kind", kind="derived")
def test_the_corner_round_a_leaning_post_is_as_long_as_its_ellipse():
    s = Surface(*shapes.leaning_post(RADIUS, 45.0, height=HEIGHT, reach=REACH, step=3.0))
    opened = open_patch(s, pieces=2)
    a, b = RADIUS / np.cos(np.radians(45)), RADIUS
    corner = np.flatnonzero(np.abs(s.vertices_mm[:, 2]) < 1e-9)
    ellipse = corner[np.abs((s.vertices_mm[corner, 0] / a) ** 2 + (s.vertices_mm[corner, 1] / b) ** 2 - 1) < 1e-6]
    order = np.argsort(np.arctan2(s.vertices_mm[ellipse, 1], s.vertices_mm[ellipse, 0]))
    whole = 4 * a * ellipeinc(np.pi / 2, 1 - (b / a) ** 2)
    assert along_rim(s.vertices_mm[ellipse[order]])[1] == pytest.approx(whole, rel=1e-3)
    # The first seam, on the forward side, comes down the ruling in the plane of symmetry.
    seam = opened.seams[0]
    p = seam[np.argmin(np.abs(seam - [a, 0, 0]).sum(axis=1))]
    np.testing.assert_allclose(p, [a, 0, 0], atol=1.0)


@pytest.mark.parametrize(("pieces", "plies"), [(1, 3), (2, 3), (3, 2), (2, 4)])
@pytest.mark.reference(source="equal arcs on a circle: seams of k plies, n pieces each, up to 2 pi r / (n k) apart", kind="derived")
def test_seams_of_several_plies_are_as_far_apart_as_the_circle_allows(pieces, plies):
    s = Surface(*shapes.leaning_post(RADIUS, 0.0, height=HEIGHT, reach=REACH, step=3.0))
    pitch = 2 * np.pi * RADIUS / pieces
    turn = turn_share(plies, pitch_mm=pitch, stagger_mm=1000.0)
    assert turn == pytest.approx(2 / 5 if plies == 4 else 1 / plies)
    laps = []
    for j in range(plies):
        laps.append(open_patch(s, pieces=pieces, turn=turn * j % 1.0, lap_mm=10).seams)
        clear = clearances(s, laps[-1], laps[:-1], most_mm=1000.0)
        for i, d in enumerate(clear):
            share = turn * (j - i) % 1.0
            # Seams run side by side up the wall, and lean by up to a degree with the facets.
            assert d == pytest.approx(pitch * min(share, 1 - share), rel=0.03)


def test_areas_add_up_to_those_of_the_mesh_with_the_seams_cut_in(post):
    from plyflat.cloth import opening

    _, s = post
    holes = holes_to_open(s)
    starts = opening.equal_starts(s, holes, 3)
    ready, ends = opening._with_ends(s, holes, starts, s.mean_edge_mm)
    cut, paths = opening._insert_all(ready, ends)
    opened = opening.cut_along(cut, paths)
    assert sum(p.area_mm2 for p in opened.pieces) == pytest.approx(cut.area_mm2, rel=1e-9)

"""What cuts are tried out on: lines cut into a draft at little cost, vertices where they are wanted, and mirror planes."""

import numpy as np
import pytest
import shapes

from plyflat.cloth._cutting import cut_along
from plyflat.cloth._dart_draft import geodesic, slit, with_centre, with_ends
from plyflat.cloth._dart_ways import symmetry_of
from plyflat.surface.mesh import Surface


@pytest.fixture(scope="module")
def plate():
    p, f = shapes.rectangle(400, 300, 800)
    return Surface(np.column_stack([p, 0 * p[:, 0]]), f)


def nearest(surface, place):
    return int(np.argmin(np.linalg.norm(surface.vertices_mm - place, axis=1)))


def test_a_line_becomes_edges_and_stays_straight_on_a_plate(plate):
    start, tip = nearest(plate, [0, 150, 0]), nearest(plate, [230, 170, 0])
    made = slit(plate, [geodesic(plate, start, tip)])
    path = made.surface.vertices_mm[made.paths[0]]
    a, b = plate.vertices_mm[[start, tip]]
    off = np.cross(path - a, (b - a) / np.linalg.norm(b - a))
    # Vertices drawn to the line lie on it: nowhere does it step aside.
    assert np.abs(off).max() < 1e-9
    assert np.allclose(made.carry(plate.vertices_mm), made.surface.vertices_mm)
    assert made.surface.area_mm2 == pytest.approx(400 * 300)
    (piece,) = cut_along(made.surface, made.paths).pieces
    assert len(piece.boundary_loops) == 1
    assert len(piece.boundary_loops[0]) == len(plate.boundary_loops[0]) + 2 * (len(path) - 1)


def test_lines_that_cross_or_run_along_the_edge_are_refused(plate):
    one = geodesic(plate, nearest(plate, [0, 150, 0]), nearest(plate, [230, 150, 0]))
    two = geodesic(plate, nearest(plate, [120, 0, 0]), nearest(plate, [120, 220, 0]))
    assert slit(plate, [one]) is not None
    assert slit(plate, [two]) is not None
    assert slit(plate, [one, two]) is None
    assert slit(plate, [geodesic(plate, nearest(plate, [0, 0, 0]), nearest(plate, [200, 0, 0]))]) is None


def test_vertices_are_put_on_the_edge_and_inside_without_changing_the_plate(plate):
    places = np.array([[101.0, 0, 0], [103.0, 0, 0], [400.0, 77.0, 0]])
    ended, mixing, ends = with_ends(plate, places)
    assert ended.vertices_mm[ends] == pytest.approx(places, abs=1.0)
    assert len(set(ends)) == 3
    assert np.allclose(mixing @ plate.vertices_mm, ended.vertices_mm)
    assert np.allclose(ended.vertices_mm[: len(plate.vertices_mm)], plate.vertices_mm)
    inner, _, middle = with_centre(ended, np.array([200.0, 140.0, 0]))
    assert inner.vertices_mm[middle] == pytest.approx([200, 140, 0], abs=2.0)
    assert inner.area_mm2 == pytest.approx(plate.area_mm2)


@pytest.mark.parametrize(("shape", "planes", "round_"), [
    (shapes.cap(45, triangles=3000), 2, True),
    (shapes.bulged_patch(triangles=3000), 2, False),
    (shapes.flange(triangles=3000), 1, False),
    (shapes.oblique_cone(triangles=3000), 0, False),
])
def test_mirror_planes_are_found_however_a_patch_lies(shape, planes, round_):
    v, f = shape
    if not planes:
        v = v + [0, 0, 1] * (0.2 * v[:, :1])
        keep = (v[f].mean(axis=1)[:, 0] < np.quantile(v[:, 0], 0.8))
        v, f = shapes.part_of(v, f, keep)
    for seed in (None, 4):
        found = symmetry_of(Surface(v if seed is None else shapes.turned(v, seed), f))
        assert (len(found.normals), found.round) == (planes, round_)
        assert len(found.images(np.zeros((1, 3)))) == 2**planes

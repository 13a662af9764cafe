"""What is shaded on the hull: values kept when a mesh is thinned, limits on the scale, a taut film against its closed form."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import plans
import pytest
import shapes

from plyflat.bag.reach import find_bridging
from plyflat.page.shades import MOST_FACES, Shade, film_shade, ply_shades
from plyflat.page.view import Scene, copies_of
from plyflat.surface.mesh import Surface


def _shade(**other):
    v, f = shapes.rectangle(400.0, 400.0, 2000)
    kept = {"name": "P1", "words": "", "unit": "mm", "vertices_mm": np.column_stack([v, np.zeros(len(v))]), "faces": f, "values": v[:, 0], "top": 400.0}
    return Shade(**{**kept, **other})


def _strained(surface, strain):
    piece = SimpleNamespace(surface=surface, strain=strain)
    said = SimpleNamespace(largest=strain.max(), limit=0.03, p99=0.02)
    return SimpleNamespace(name="P1", by_threads=False, pieces=(piece,), strain=said)


def test_strain_is_shaded_in_per_cent_with_its_limit_on_the_scale(tmp_path):
    ply = plans.make(tmp_path).regions[0].plies[0]
    (shade,) = ply_shades([ply])
    assert shade.name == "P1: strain"
    assert shade.limit == pytest.approx(100.0 * ply.strain.limit)
    assert 0.0 < shade.limit < shade.top
    assert shade.values.max() <= 100.0 * ply.strain.largest + 1e-9
    assert shade.legend["at"] == pytest.approx(100.0 * shade.limit / shade.top, abs=0.05)


def test_values_are_kept_where_a_mesh_is_too_fine_to_be_turned():
    v, f = shapes.rectangle(400.0, 400.0, 2 * MOST_FACES)
    surface = Surface(np.column_stack([v, np.zeros(len(v))]), f)
    middle = surface.vertices_mm[f].mean(axis=1)[:, 0]
    (shade,) = ply_shades([_strained(surface, 1e-4 * middle)])
    assert len(shade.faces) <= MOST_FACES
    np.testing.assert_allclose(shade.values, 0.01 * shade.vertices_mm[:, 0], atol=0.02)


@pytest.mark.reference(source="film between two walls: r (1/sin(a/2) - 1)", kind="derived")
def test_a_film_in_a_corner_is_shaded_as_deep_as_it_stands_off():
    surface = Surface(*shapes.wedge(90.0, step=6.0))
    bridging = find_bridging(surface, pressure_kpa=80.0, tension_n_per_m=1600.0)
    reach = SimpleNamespace(surface=surface, bridging=bridging, limit_mm=3.0, tapes_mm=(surface.vertices_mm[surface.boundary_loops[0]],), pleats=())
    shade = film_shade(reach)
    assert shade.values.max() == pytest.approx(20.0 * (np.sqrt(2.0) - 1.0), rel=0.02)
    # What it touches is not shaded: it leaves the walls one radius from the corner.
    far = np.hypot(shade.vertices_mm[:, 1], shade.vertices_mm[:, 2])
    assert 14.0 < far.max() < 27.0
    assert np.array_equal(shade.thick_mm[0][0], shade.thick_mm[0][-1])


def test_a_shade_takes_the_place_of_the_region_and_outlines_what_is_beyond_its_limit():
    shade = _shade(limit=100.0, dots=(("1", np.zeros(3)),), thin_mm=(np.array([[50.0, 200.0, 0.0], [150.0, 200.0, 0.0]]),))
    scene = Scene(copies_of(Surface(shade.vertices_mm, shade.faces)))
    scene.show_region(shade.vertices_mm, shade.faces, [shade.vertices_mm[:3]])
    scene.show_shade(shade)
    actors = scene.plotter.actors
    assert {"shade", "beyond", "thin", "dots"} <= {name.removesuffix("-labels") for name in actors}
    assert not actors["region"].GetVisibility()
    edge = actors["beyond"].GetMapper().GetInput().GetBounds()
    assert edge[0] == pytest.approx(100.0, abs=0.01)
    assert edge[1] == pytest.approx(100.0, abs=0.01)
    scene.show_shade(None)
    assert actors["region"].GetVisibility()
    assert not {"shade", "beyond", "thin", "dots"} & {name.removesuffix("-labels") for name in scene.plotter.actors}
    scene.close()


def test_nothing_is_outlined_below_the_limit():
    shade = _shade(limit=500.0)
    assert shade.legend["at"] is None
    scene = Scene(copies_of(Surface(shade.vertices_mm, shade.faces)))
    scene.show_shade(shade)
    assert "beyond" not in scene.plotter.actors
    scene.close()

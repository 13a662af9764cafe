"""Layers of a bag in a square corner: in one piece, and cut along it."""

import numpy as np
import pytest
import shapes

from plyflat.bag.corner_layers import CornerLayer, layer_cures, layers_in_corners
from plyflat.bag.corners import corner_sections, hollow_lines
from plyflat.bag.film import Film
from plyflat.bag.film_states import Bench
from plyflat.errors import QuantityError
from plyflat.surface.mesh import Surface

WOVEN = Film("woven", 600.0, 0.1)
FELT = Film("felt", 15.0, 0.1, yield_mpa=10.0, hardening_mpa=0.3)
FILM = Film("nylon", 700.0, 0.05, yield_mpa=35.0, hardening_mpa=15.0, break_stretch=3.0)


def bench_of(v, f, friction=0.3, limit=3.0):
    s = Surface(v, f)
    lines = hollow_lines(s, scale_mm=15)
    return Bench(corner_sections(s, lines, allowed_mm=7.2), lines, limit, friction, 15.0, 1.15)


@pytest.fixture(scope="module")
def wedge():
    return bench_of(*shapes.wedge(90, length=120, step=8.0))


def test_layers_come_in_pairs_the_one_that_bridges_most_first(wedge):
    layers = [CornerLayer("breather", FELT, "stated"), CornerLayer("peel ply", WOVEN, "from memory")]
    found = layers_in_corners(wedge, layers, 80.0)
    assert [(q.kind, q.way, q.marks) for q in found] == [
        ("peel ply", "through", "from memory"), ("peel ply", "cut", "from memory"),
        ("breather", "through", "stated"), ("breather", "cut", "stated"),
    ]  # fmt: skip
    assert found[0].depth_most_mm > 5 * found[2].depth_most_mm
    # The felt draws before friction lets go of its edges: one figure for both.
    assert found[2].depth_mm == pytest.approx(found[2].depth_most_mm)


def test_flat_walls_draw_nothing_back_and_a_slit_leaves_nothing_open(wedge):
    _, slit = layers_in_corners(wedge, [CornerLayer("peel ply", WOVEN, "stated", lap_mm=0.0)], 80.0)
    assert (slit.lap_mm, slit.depth_most_mm, slit.volume_most_mm3) == (0.0, 0.0, 0.0)
    assert slit.lap_least_mm == pytest.approx(0.0, abs=1e-6)
    _, own = layers_in_corners(wedge, [CornerLayer("peel ply", WOVEN, "stated")], 80.0)
    # What the hand is off, and nothing more.
    assert own.lap_mm == 20.0 < own.lap_most_mm
    assert 0.5 < own.depth_most_mm < 3.0


def test_a_lap_is_no_longer_than_friction_allows():
    tight = bench_of(*shapes.wedge(60, length=120, step=8.0))
    _, cut = layers_in_corners(tight, [CornerLayer("peel ply", WOVEN, "stated")], 80.0)
    assert cut.lap_most_mm < 15.0
    assert cut.lap_mm == 10.0
    assert cut.depth_most_mm <= 3.0


def test_a_layer_that_ends_near_the_corner_is_held_by_no_more_than_lies_there(wedge):
    v, f = shapes.wedge(90, length=120, first=50.0, second=120.0, step=5.0)
    near, far = (
        layers_in_corners(wedge, [CornerLayer("peel ply", WOVEN, "stated", surface=q)], 80.0)[0]
        for q in (Surface(v, f), None)
    )
    assert near.depth_mm < 0.6 * far.depth_mm
    assert near.depth_most_mm == pytest.approx(far.depth_most_mm)
    away = Surface(v + [0, 500, 500], f)
    gone = layers_in_corners(wedge, [CornerLayer("peel ply", WOVEN, "stated", surface=away)], 80.0)
    assert all(q.depth_most_mm < 0.05 for q in gone)


def test_without_friction_nothing_holds_a_lap():
    bench = bench_of(*shapes.wedge(90, length=120, step=8.0), friction=0.0)
    through, cut = layers_in_corners(bench, [CornerLayer("peel ply", WOVEN, "stated", lap_mm=40.0)], 80.0)
    assert cut.depth_most_mm < 0.05
    assert cut.lap_most_mm == np.inf
    assert through.depth_mm < 0.05
    assert through.depth_most_mm > 20.0


def test_a_lap_below_nought_is_refused(wedge):
    with pytest.raises(QuantityError, match="lap of -5 mm"):
        layers_in_corners(wedge, [CornerLayer("peel ply", WOVEN, "stated", lap_mm=-5.0)], 80.0)


def test_the_film_over_its_layers_stands_beside_the_film_over_cut_ones(wedge):
    lies = wedge.state("fed", FILM, 80.0)
    layers = layers_in_corners(wedge, [CornerLayer("peel ply", WOVEN, "stated", lap_mm=20.0)], 80.0)
    through, cut = layer_cures(wedge, FILM, lies, layers, what="a film")
    assert (through.kind, cut.kind) == ("layers in one piece", "cut at the corner")
    assert through.state.depth_most_mm == pytest.approx(layers[0].depth_most_mm)
    assert not through.meets
    # Over cut layers the film's own gap is what is left.
    assert cut.state.depth_mm == pytest.approx(lies.depth_mm)
    assert cut.what == "a film, over the layers cut along the corner, lapped by 20 mm"
    limp = Film("fleece", 15.0, 0.1, yield_mpa=4.0, hardening_mpa=0.3)
    assert layer_cures(wedge, FILM, lies, layers_in_corners(wedge, [CornerLayer("breather", limp, "")], 80.0), what="a film") == ()

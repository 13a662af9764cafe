"""Layers held in a corner by friction alone against closed forms of a wedge."""

import numpy as np
import pytest
import shapes

from plyflat.bag.corner_layers import CornerLayer, layers_in_corners
from plyflat.bag.corners import corner_sections, hollow_lines
from plyflat.bag.film import Film
from plyflat.bag.film_states import Bench
from plyflat.bag.wedge import depth_factor
from plyflat.surface.mesh import Surface

WOVEN = Film("woven", 6000.0, 0.1)


def radius_mm(angle, lies_mm, friction):
    """p r = mu p c, with c = w + arc - way saved: r (1 + mu ((pi - t) - cot(t / 2))) = mu w, by hand."""
    t = np.radians(angle)
    return friction * lies_mm / (1 + friction * ((np.pi - t) - 1 / np.tan(t / 2)))


def bench_of(angle, friction, limit=3.0):
    s = Surface(*shapes.wedge(angle, length=60, first=200.0, second=150.0, step=10.0))
    lines = hollow_lines(s)
    return Bench(corner_sections(s, lines, allowed_mm=7.0), lines, limit, friction, 15.0, 1.15)


@pytest.mark.reference(source="Coulomb: T = mu p c at the end of a flat lap, T = p r in the arc; lengths of the arc by hand", kind="derived")
@pytest.mark.parametrize("angle", [60, 90, 120])
@pytest.mark.parametrize(("friction", "lap"), [(0.3, 40.0), (0.5, 30.0)])
def test_a_lap_is_held_off_by_its_own_friction(angle, friction, lap):
    _, cut = layers_in_corners(bench_of(angle, friction), [CornerLayer("peel ply", WOVEN, "", lap_mm=lap)], 80.0)
    true = radius_mm(angle, lap, friction)
    assert cut.radius_mm == pytest.approx(true, rel=0.03)
    assert cut.depth_most_mm == pytest.approx(true * depth_factor(angle), rel=0.04)
    assert cut.depth_mm < 0.05
    # The longest lap is the one whose gap is the limit.
    most = 3.0 / depth_factor(angle) * lap / true
    assert cut.lap_most_mm == pytest.approx(most, rel=0.05)


@pytest.mark.reference(source="Coulomb: T = mu p c at the end of a flat lap, T = p r in the arc; lengths of the arc by hand", kind="derived")
def test_a_layer_in_one_piece_is_let_go_on_its_shorter_side():
    through, _ = layers_in_corners(bench_of(90, 0.3), [CornerLayer("peel ply", WOVEN, "")], 80.0)
    true = radius_mm(90, 150.0, 0.3)
    assert through.depth_mm == pytest.approx(true * depth_factor(90), rel=0.03)
    assert through.depth_most_mm > through.depth_mm


@pytest.mark.reference(source="arc and chord of a quarter circle", kind="derived")
def test_halves_draw_back_by_arc_less_chord():
    # The first wall is the inside of a tube of 120 mm, an eighth of its turn; the second is flat and square to its end.
    turn = np.radians(np.linspace(0.0, 45.0, 46))
    arc = 120 * np.stack([1 - np.cos(turn), 1 - np.sin(turn)], axis=1)
    way = np.array([np.sin(turn[-1]), -np.cos(turn[-1])])
    up = np.array([-way[1], way[0]])
    profile = np.concatenate([arc, arc[-1] + np.linspace(0, 100, 26)[1:, None] * up])
    s = Surface(*shapes.swept(profile, length=60.0, step=6.0))
    lines = hollow_lines(s)
    bench = Bench(corner_sections(s, lines, allowed_mm=7.0), lines, 3.0, 0.3, 15.0, 1.15)
    _, cut = layers_in_corners(bench, [CornerLayer("peel ply", WOVEN, "")], 80.0)
    true = 120 * (np.radians(45) - 2 * np.sin(np.radians(22.5)))
    assert cut.lap_least_mm == pytest.approx(true, rel=0.1)
    # With what the hand is off, as far as friction allows.
    assert cut.lap_mm == 25.0

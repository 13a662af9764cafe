"""Cuts against theorems: points of curvature, and what a dart or a wedge of just that angle does."""

import numpy as np
import pytest
import shapes

from plyflat.cloth.darts import place_darts
from plyflat.cloth.flatten import vertex_curvature
from plyflat.surface.mesh import Surface

GAUSS = "Gauss-Bonnet for a cone: the plane takes 360 degrees round a point, no more and no less (do Carmo, 4-5)"


@pytest.mark.reference(source=GAUSS, kind="derived")
@pytest.mark.parametrize("excess_deg", [20.0, 60.0, 120.0])
def test_a_gusset_of_the_excess_angle_lets_a_saddle_cone_lie_flat(excess_deg):
    surface = Surface(*shapes.saddle_cone(excess_deg))
    assert np.degrees(vertex_curvature(surface)[0]) == pytest.approx(-excess_deg, abs=1e-6)
    done = place_darts(surface, limit=0.001, over_share=0.001, most=1, kinds=["gusset"])
    (cut,) = done.cuts
    assert done.before.energy > 1.0001
    assert done.after.energy == pytest.approx(1.0, abs=1e-9)
    assert done.after.over_share == 0.0
    assert not any(f.overlaps for f in done.flats)
    # The two sides of the rest meet but for a scissor cut, which the wedge is wider by.
    assert excess_deg <= cut.opens_deg < excess_deg * 1.02
    apex = cut.line_mm[np.argmin(np.linalg.norm(cut.line_mm, axis=1))]
    assert np.linalg.norm(apex) < 1e-9


@pytest.mark.reference(source=GAUSS, kind="derived")
@pytest.mark.parametrize("half_deg", [80.0, 60.0])
def test_one_dart_of_the_missing_angle_lets_a_cone_lie_flat(half_deg):
    surface = Surface(*shapes.turning_cone(half_deg))
    missing = np.degrees(vertex_curvature(surface)[0])
    assert missing == pytest.approx(360 * (1 - np.sin(np.radians(half_deg))), rel=0.01)
    done = place_darts(surface, limit=0.001, over_share=0.001, most=1)
    (cut,) = done.cuts
    assert cut.kind == "dart"
    assert cut.opens_deg == pytest.approx(missing, rel=2e-4)  # clearing slivers beside the cut moves it by 0.003 mm
    assert done.after.energy == pytest.approx(1.0, abs=1e-9)
    assert not done.flats[0].overlaps


@pytest.mark.reference(source="a sphere's symmetry: equal gores are the even way to cut a cap", kind="derived")
@pytest.mark.parametrize("seed", [0, 1])
def test_a_caps_darts_are_equal_gores(seed):
    """Even to a step of the mesh, and together they open by no more than the curvature that the cap encloses."""
    surface = Surface(*shapes.cap(45, triangles=4000, seed=seed))
    done = place_darts(surface, over_share=0.001)
    starts = np.array([c.line_mm[0] for c in done.cuts])
    turn = np.sort(np.arctan2(starts[:, 1], starts[:, 0]))
    step = 2 * np.pi / len(turn)
    assert np.diff(np.r_[turn, turn[0] + 2 * np.pi]) == pytest.approx(np.full(len(turn), step), rel=0.05)
    assert done.after.over_share <= 0.001
    opened = sum(c.opens_deg for c in done.cuts)
    assert 0.2 * 360 * (1 - np.cos(np.pi / 4)) < opened < 360 * (1 - np.cos(np.pi / 4))

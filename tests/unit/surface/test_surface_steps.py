"""Ledges: found with height, length and place, not seen where there are none, ramped when asked."""

import numpy as np
import pytest
import shapes

from plyflat.errors import MeshError
from plyflat.surface import repair_surface
from plyflat.surface._steps import find_steps, ramp_width_mm
from plyflat.surface.mesh import Surface


def ledge(height, noise=0.3, correlation=3.0, seed=0, step=2.5):
    v, f = shapes.scan_sheet(300.0, 200.0, step=step, noise=noise, correlation=correlation, seed=seed)
    return shapes.with_ledge(v, height), f


def off_line(p):
    return np.abs(p[:, 0] - 150 - 0.2 * (p[:, 1] - 100))


@pytest.mark.parametrize(
    ("height", "noise", "correlation"),
    [(0.6, 0.0, 3.0), (2.0, 0.0, 3.0), (1.0, 0.4, 0.0), (3.0, 0.5, 3.0), (2.0, 0.25, 3.0)],
)
def test_a_ledge_is_found_measured_and_placed(height, noise, correlation):
    v, f = ledge(height, noise, correlation)
    found = find_steps(v, f)
    assert found.floor_mm < 1.05 * height
    assert all(np.median(off_line(s.line_mm)) < 4 for s in found.steps)
    assert sum(s.length_mm for s in found.steps) > 0.6 * 204
    longest = found.steps[0]
    assert longest.height_mm == pytest.approx(height, rel=0.25)
    assert (longest.up[:, 0] > 0.8).all()  # the high side is at larger x
    assert (longest.normal[:, 2] > 0.9).all()


@pytest.mark.parametrize(("noise", "correlation"), [(0.0, 3.0), (0.5, 0.0), (0.7, 3.0), (1.0, 6.0)])
def test_noise_alone_has_no_ledges(noise, correlation):
    for seed in (0, 1):
        v, f = shapes.scan_sheet(300.0, 200.0, step=2.5, noise=noise, correlation=correlation, seed=seed)
        assert find_steps(v, f).steps == ()


@pytest.mark.parametrize("noise", [0.0, 0.3])
@pytest.mark.parametrize(
    "shape",
    [
        lambda: shapes.box((200.0, 150.0, 100.0), steps=40),
        lambda: shapes.foil_on_plate(around=200, along=60),
        lambda: shapes.post_on_plate(fillet=6.0, around=300, along=110),
        lambda: shapes.post_on_plate(fillet=20.0, around=300, along=110),
        lambda: shapes.torus(200.0, 60.0, around=300, along=100),
    ],
    ids=["box", "foil", "small fillet", "large fillet", "torus"],
)
def test_corners_and_fillets_are_no_ledges(shape, noise):
    v, f = shape()
    v = v + np.random.default_rng(0).normal(0, noise, v.shape)
    assert find_steps(v, f).steps == ()


def test_a_ledge_is_left_and_said_unless_asked():
    v, f = ledge(1.5)
    out = repair_surface(Surface(v, f))
    (said,) = [r for r in out.repairs if r.kind == "steps"]
    assert said.severity == "left"
    assert "mm high" in said.what
    assert off_line(np.array(said.places_mm)).max() < 8
    assert np.array_equal(out.vertices_mm, v)


def test_a_ledge_under_the_cap_is_ramped_over_the_stated_width():
    v, f = ledge(1.5, noise=0.1)
    out = repair_surface(Surface(v, f), mend_steps_mm=2.0)
    (done,) = [r for r in out.repairs if r.kind == "steps"]
    assert done.severity == "mended"
    move = np.linalg.norm(out.vertices_mm - v, axis=1)
    assert done.largest_move_mm == pytest.approx(move.max())
    assert move.max() < 1.3 * 1.5
    far = off_line(v) > 0.5 * ramp_width_mm(1.5) + 6
    assert move[far].max() < 1e-9
    assert find_steps(out.vertices_mm, f).steps == ()
    # The ramp rises steadily: no slope near the ledge is much steeper than height over half the width allows.
    inner = np.abs(v[:, 1] - 100) < 60
    u = (v[:, 0] - 150 - 0.2 * (v[:, 1] - 100))[inner]
    flat = v[:, 2] - shapes.with_ledge(np.zeros_like(v) + v * [1, 1, 0], 1.5)[:, 2]
    lift = (out.vertices_mm[:, 2] - flat)[inner]
    at = np.digitize(u, np.arange(-20, 21, 4.0))
    rise = np.diff([lift[at == k].mean() for k in range(1, 11)])
    assert rise.max() < 0.6


def test_a_ledge_over_the_cap_is_left():
    v, f = ledge(3.0, noise=0.1)
    out = repair_surface(Surface(v, f), mend_steps_mm=2.0)
    assert [r.severity for r in out.repairs if r.kind == "steps"] == ["left"]
    assert np.array_equal(out.vertices_mm, v)


@pytest.mark.parametrize("value", [-1.0, float("nan"), float("inf")])
def test_the_cap_is_a_height(value):
    with pytest.raises(MeshError, match="mend_steps_mm is"):
        repair_surface(Surface(*shapes.saddle(50.0, 5.0, 200)), mend_steps_mm=value)


def test_a_mesh_too_coarse_to_tell_says_so():
    v, f = shapes.box((2000.0, 1000.0, 500.0))
    found = find_steps(v, f)
    assert found.steps == ()
    assert found.floor_mm == np.inf

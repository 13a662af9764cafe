"""Spikes on noise are set back; corners, fins and fillets are not touched."""

import numpy as np
import pytest
import shapes

from plyflat.surface import repair_surface
from plyflat.surface._spikes import set_back_spikes
from plyflat.surface.mesh import Surface


def spiked(seed, noise=0.7, correlation=3.0, count=40):
    v, f = shapes.scan_sheet(300.0, 220.0, step=2.0, noise=noise, correlation=correlation, seed=seed)
    rng = np.random.default_rng(seed + 70)
    inner = np.flatnonzero((np.abs(v[:, 0] - 150) < 138) & (np.abs(v[:, 1] - 110) < 98))
    at = rng.choice(inner, count, replace=False)
    way = rng.normal(size=(count, 3)) * [0.3, 0.3, 0]
    way[:, 2] = rng.choice([-1, 1], count)
    w = v.copy()
    w[at] += way / np.linalg.norm(way, axis=1)[:, None] * rng.uniform(5, 15, count)[:, None]
    return v, w, f, at


@pytest.mark.parametrize("seed", [0, 1, 2])
def test_spikes_are_found_and_nothing_else(seed):
    true, v, f, at = spiked(seed)
    found = set_back_spikes(v, f)
    hit = np.isin(found.at, at)
    assert hit.all()
    assert hit.sum() >= 0.9 * len(at)
    assert (np.diff(found.height_mm) <= 0).all()
    still = np.setdiff1d(np.arange(len(v)), found.at)
    assert np.array_equal(found.v[still], v[still])
    off = np.linalg.norm((found.v - true)[found.at], axis=1)
    assert np.median(off) < 1.0


def test_two_spikes_side_by_side_come_to_light_one_after_the_other():
    v, f = shapes.scan_sheet(60.0, 60.0, step=2.0, noise=0.2, seed=3)
    i = int(np.argmin(np.linalg.norm(v[:, :2] - 30, axis=1)))
    j = int(f[(f == i).any(axis=1)][0][f[(f == i).any(axis=1)][0] != i][0])
    w = v.copy()
    w[[i, j], 2] += [9.0, 12.0]
    found = set_back_spikes(w, f)
    assert sorted(found.at.tolist()) == sorted([i, j])
    assert np.abs(found.v[[i, j], 2] - v[[i, j], 2]).max() < 1.0


@pytest.mark.parametrize("noise", [0.0, 0.3, 1.0])
@pytest.mark.parametrize(
    "shape",
    [
        lambda: shapes.box(steps=20),
        lambda: shapes.box((200.0, 150.0, 3.0), steps=40),
        lambda: shapes.cone(triangles=6000),
        lambda: shapes.foil_on_plate(tail=0.5, around=300, along=80),
        lambda: shapes.post_on_plate(fillet=6.0),
    ],
    ids=["box", "thin plate", "cone", "foil", "fillet"],
)
def test_corners_and_thin_fins_stay(shape, noise):
    v, f = shape()
    v = v + np.random.default_rng(1).normal(0, noise, v.shape)
    assert len(set_back_spikes(v, f).at) == 0


def test_the_crest_of_a_sharp_fin_stays():
    n = 41
    x, y = np.meshgrid(np.linspace(-40, 40, n), np.linspace(0, 80, n), indexing="ij")
    z = np.maximum(0, 30 - 15 * np.abs(x))
    v = np.stack([x, y, z], axis=-1).reshape(-1, 3)
    i = np.arange(n * n).reshape(n, n)
    a, b, c, d = (q.ravel() for q in (i[:-1, :-1], i[1:, :-1], i[1:, 1:], i[:-1, 1:]))
    f = np.vstack([np.stack([a, b, c], 1), np.stack([a, c, d], 1)])
    assert len(set_back_spikes(v, f).at) == 0


def test_mending_says_how_many_how_far_and_where():
    _, v, f, at = spiked(0)
    out = repair_surface(Surface(v, f), fill_holes_mm=0.0)
    (done,) = [r for r in out.repairs if r.kind == "spikes"]
    assert done.severity == "mended"
    assert done.count >= 0.9 * len(at)
    move = np.linalg.norm(out.vertices_mm - v, axis=1)
    assert done.largest_move_mm == pytest.approx(move.max())
    assert 1 < len(done.places_mm) <= 24
    assert all(np.linalg.norm(v[at] - p, axis=1).min() < 1e-9 for p in done.places_mm)

"""Two sheets over one part: found, the lesser let go; plates and fins are none."""

import numpy as np
import pytest
import shapes

from plyflat.surface import repair_surface
from plyflat.surface._doubled import find_doubled
from plyflat.surface.mesh import Surface
from plyflat.surface.noise import calmed
from plyflat.surface.repair import pieces


def looked_at(v, f):
    s = Surface(v, f)
    calm = calmed(s, int(np.clip(2 * (4 / s.mean_edge_mm) ** 2, 1, 60))).vertices_mm
    return find_doubled(v, calm, f, pieces(f, len(v)))


def doubled(seed, noise, apart, radius=35.0, step=2.0):
    base = shapes.scan_sheet(220.0, 200.0, step=step, noise=noise, seed=seed)
    other = shapes.scan_sheet(220.0, 200.0, step=step, noise=noise, seed=seed + 50)
    return shapes.with_second_sheet(*base, (110, 100), radius, apart, other)


@pytest.mark.parametrize("apart_mm", [1.0, 2.0, 3.0])
@pytest.mark.parametrize("noise", [0.0, 0.5])
def test_a_second_sheet_is_found_and_only_it_is_let_go(noise, apart_mm):
    v, f, second = doubled(1, noise, apart_mm)
    found = looked_at(v, f)
    gone = np.zeros(len(f), dtype=bool)
    for d in found:
        gone[d.drop] = True
    assert np.array_equal(gone, second)
    assert np.hypot(*(found[0].at_mm[:2] - (110, 100))) < 30
    assert found[0].apart_mm == pytest.approx(apart_mm, abs=0.6)


def test_on_a_fine_mesh_points_stand_for_the_surface():
    v, f, second = doubled(2, 0.5, 2.0, radius=20.0, step=1.2)
    (found,) = looked_at(v, f)
    assert np.array_equal(np.sort(found.drop), np.flatnonzero(second))


def test_a_sheet_that_reaches_beyond_the_other_loses_only_what_lies_over_it():
    v, f = shapes.scan_sheet(150.0, 80.0, noise=0.2, bulge=0.0)
    w, g = shapes.scan_sheet(90.0, 80.0, noise=0.2, seed=9, bulge=0.0)
    w = w + [110.0, 0, 2.0]  # from 110 to 200
    both = np.vstack([f, g + len(v)])
    (found,) = looked_at(np.vstack([v, w]), both)
    x = np.vstack([v, w])[both[found.drop]].mean(axis=1)[:, 0]
    assert (found.drop >= len(f)).all()
    assert x.max() < 150 + 6
    assert len(found.drop) > 0.9 * (np.vstack([v, w])[both[len(f) :]].mean(axis=1)[:, 0] < 148).sum()


def test_two_sheets_of_one_piece_worth_the_same_are_left_and_said():
    v, f = folded_back()
    (found,) = looked_at(v, f)
    assert len(found.drop) == 0
    out = repair_surface(Surface(v, f))
    (said,) = [r for r in out.repairs if r.kind == "doubled"]
    assert said.severity == "left"
    assert said.where_mm is not None
    assert len(out.faces) == len(f)


def folded_back(step=2.0):
    """A closed round band, wound twice: each end lies 2 mm over the other's beginning, joined in one spiral."""
    turns = np.linspace(0, 2.25, 400)
    y = np.arange(0, 41, step)
    r = 60 + 2.0 * turns
    a = 2 * np.pi * turns
    v = np.stack(
        [np.repeat(r * np.cos(a), len(y)), np.tile(y, len(a)), np.repeat(r * np.sin(a), len(y))], axis=1
    )
    i = np.arange(len(v)).reshape(len(a), len(y))
    p, q, s, t = (k.ravel() for k in (i[:-1, :-1], i[1:, :-1], i[1:, 1:], i[:-1, 1:]))
    return v, np.vstack([np.stack([p, s, q], 1), np.stack([p, t, s], 1)])


@pytest.mark.parametrize("thick_mm", [1.0, 2.0, 3.0])
@pytest.mark.parametrize("noise", [0.0, 0.2])
def test_a_thin_plate_is_not_doubled(thick_mm, noise):
    v, f = shapes.box((120.0, 100.0, thick_mm), steps=50)
    v = v + np.random.default_rng(0).normal(0, noise, v.shape)
    assert looked_at(v, f) == ()


@pytest.mark.parametrize("noise", [0.0, 0.5, 1.0])
def test_single_sheets_are_not_doubled(noise):
    for v, f in (
        shapes.foil_on_plate(around=300, along=80),
        shapes.post_on_plate(fillet=5.0, around=200, along=80),
        shapes.scan_sheet(200.0, 150.0, noise=noise),
    ):
        v = v + np.random.default_rng(0).normal(0, 0.5 * noise, v.shape)
        assert looked_at(v, f) == ()


def test_mending_lets_the_second_sheet_go_and_says_where():
    v, f, second = doubled(3, 0.5, 2.0)
    out = repair_surface(Surface(v, f), keep="all")
    (done,) = [r for r in out.repairs if r.kind == "doubled"]
    assert done.severity == "mended"
    assert done.where_mm is not None
    assert len(out.faces) == (~second).sum()
    kept = repair_surface(Surface(v, f), keep="all", mend_doubled=False)
    (said,) = [r for r in kept.repairs if r.kind == "doubled"]
    assert said.severity == "left"
    assert len(kept.faces) == len(f)

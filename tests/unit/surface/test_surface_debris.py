"""Loose pieces: scraps go with their place, and a large piece never goes without a word."""

import numpy as np
import pytest
import shapes

from plyflat.surface import load_surface, repair_surface
from plyflat.surface.mesh import Surface, spread_places


def sheets(*moves, size=40):
    v, f = shapes.box((100.0, 80.0, 10.0), steps=4)
    return (
        np.vstack([v * [k, k, k] + m for k, m in moves]),
        np.vstack([f + i * len(v) for i in range(len(moves))]),
    )


def said(surface, kind):
    return [r for r in surface.repairs if r.kind == kind]


def test_scraps_are_counted_and_each_is_marked():
    v, f = sheets((1, [0, 0, 0]), (0.05, [300, 0, 0]), (0.1, [0, 300, 0]), (0.05, [0, 0, 300]))
    (done,) = said(repair_surface(Surface(v, f)), "debris")
    assert (done.count, done.severity, len(done.places_mm)) == (3, "mended", 3)
    assert done.where_mm == pytest.approx((0, 300, 0), abs=10)
    assert said(repair_surface(Surface(v, f)), "pieces") == []


def test_a_large_piece_that_goes_is_cautioned_with_place_and_size():
    v, f = sheets((1, [0, 0, 0]), (0.5, [300, 0, 0]), (0.1, [0, 300, 0]))
    out = repair_surface(Surface(v, f))
    (caution,) = said(out, "pieces")
    assert (caution.count, caution.severity) == (1, "left")
    assert caution.where_mm == pytest.approx((300, 0, 0), abs=40)
    assert "25 % of what is kept" in caution.what
    assert "keep = 'all'" in caution.what
    assert said(repair_surface(Surface(v, f), keep="all"), "pieces") == []


def test_skins_that_were_never_stitched_are_seen_to_lie_edge_to_edge():
    v, f = shapes.saddle(200.0, 20.0, 800)
    left, g = shapes.part_of(v, f, v[f].mean(axis=1)[:, 0] < -20)
    right, h = shapes.part_of(v, f, v[f].mean(axis=1)[:, 0] >= -20)
    out = repair_surface(Surface(np.vstack([right, left + [0.3, 0, 0.2]]), np.vstack([h, g + len(right)])))
    (caution,) = said(out, "pieces")
    assert "1 of them within" in caution.what


def test_places_are_few_spread_and_begin_with_the_worst():
    p = np.random.default_rng(0).uniform(0, 1000, (5000, 3))
    some = np.array(spread_places(p))
    assert 8 < len(some) <= 24
    assert some[0] == pytest.approx(p[0])
    assert np.ptp(some, axis=0).min() > 600
    assert spread_places(p[:3]) == tuple(map(tuple, p[:3].tolist()))
    assert spread_places(None) == ()


def test_a_few_corners_without_coordinates_cost_their_faces_and_are_said(tmp_path):
    import trimesh

    v, f = shapes.scan_sheet(100.0, 100.0, step=2.0, noise=0.1)
    i = int(np.argmin(np.linalg.norm(v[:, :2] - 50, axis=1)))
    where = v[i].copy()
    v[i] = np.nan
    path = tmp_path / "a.ply"
    trimesh.Trimesh(v, f, process=False).export(path)
    out = load_surface(path, unit="mm")
    (done,) = said(out, "coordinates")
    assert done.count == (f == i).any(axis=1).sum()
    assert np.linalg.norm(np.array(done.where_mm) - where) < 4
    assert len(out.boundary_loops) == 1  # the hole is filled

import numpy as np
import pytest
import shapes

from plyflat.cloth._net_bed import make_bed
from plyflat.cloth.draped import seam_bed
from plyflat.cloth.draping import Wishes, lay_piece
from plyflat.cloth.locking import Locking, typical
from plyflat.surface.mesh import Surface
from plyflat.surface.region import region_of

FORWARD = np.array([1.0, 0, 0])


def bears(deg):
    return Locking(deg, deg, 0.7 * deg, 0.7 * deg)


def cap_bed(cap_deg):
    v, f = shapes.cap(100, 1000.0, triangles=8000)
    middle = v[f].mean(axis=1)
    inside = middle[:, 2] > np.cos(np.radians(cap_deg)) * np.linalg.norm(middle, axis=1)
    return make_bed(region_of(Surface(v, f), inside))


def test_cloth_that_does_not_lock_is_laid_and_nothing_else_is_tried():
    found = lay_piece(cap_bed(30), Wishes(FORWARD, 20.0, typical("twill 2x2")))
    assert found.draped is not None
    assert found.refused == ""
    assert found.plain is None
    assert [t.what for t in found.tried] == ["as laid"]
    assert found.tried[0].most_deg == pytest.approx(7.52, abs=1.5)
    assert not found.must_cut
    # The start was found near the pole, and the angle kept.
    assert np.linalg.norm(found.draped.drape.start_mm[:2]) < 200
    assert np.abs(np.mean(found.draped.drape.off_deg(FORWARD, turn_deg=20)[0])) < 1


def test_a_given_start_is_kept():
    a = np.radians(12)
    start = 1000 * np.array([np.sin(a), 0, np.cos(a)])
    found = lay_piece(cap_bed(30), Wishes(FORWARD, 0.0, typical("twill 2x2"), start_mm=start))
    assert np.linalg.norm(found.draped.drape.start_mm - start) < 1
    assert found.tried[0].most_deg > 11


def test_where_a_little_locks_other_ways_are_tried_and_what_each_leaves_is_said():
    found = lay_piece(cap_bed(60), Wishes(FORWARD, 20.0, bears(24)))
    assert found.draped is not None
    tried = {t.what: t for t in found.tried}
    assert 0 < tried["as laid"].locked_share < 0.05
    darts = tried["4 darts"]
    assert darts.most_deg < 0.6 * tried["as laid"].most_deg
    assert darts.locked_share == 0
    for way in ("warp", "weft"):
        half = tried[f"cut in two along the {way} through the start"]
        assert half.most_deg < 0.75 * tried["as laid"].most_deg
        assert half.cover > 0.99
    assert sum("warp turned" in what for what in tried) == 5
    (worst,) = [t for t in found.tried if t.what.startswith("worst start tried, (")]
    assert worst.most_deg > tried["as laid"].most_deg + 5
    assert worst.cover > 0.98


def test_bent_first_threads_are_taken_where_they_unlock_an_ill_placed_start():
    a = np.radians(20)
    wishes = Wishes(FORWARD, 45.0, bears(20), start_mm=1000 * np.array([np.sin(a), 0, np.cos(a)]))
    found = lay_piece(cap_bed(45), wishes)
    assert found.draped is not None
    assert found.plain is not None
    assert found.draped.drape.most_deg < found.plain.most_deg - 8
    assert found.draped.drape.locked_area_mm2 < found.plain.locked_area_mm2
    never = lay_piece(cap_bed(45), Wishes(**{**vars(wishes), "steer": "never"}))
    assert never.draped is None or never.draped.drape.locked_area_mm2 > found.draped.drape.locked_area_mm2


def test_what_no_start_can_lay_is_refused_with_place_and_bound():
    found = lay_piece(cap_bed(60), Wishes(FORWARD, 0.0, bears(10)))
    assert found.draped is None
    assert "past locking" in found.refused
    assert "it needs a cut" in found.refused
    assert "mm" in found.refused
    assert found.must_cut
    assert 20 < found.bound_deg < 27


def test_a_post_and_plate_are_refused_and_a_quarter_of_them_bound_less():
    v, f = shapes.post_on_plate(radius=80.0, height=60.0, reach=80.0, around=96, along=24)
    whole = Surface(v, f)
    right = v[f].mean(axis=1)[:, 0] > 0
    half = whole.sub(right)[0]
    quarter = whole.sub(right & (v[f].mean(axis=1)[:, 1] > 0))[0]
    found = [lay_piece(make_bed(s), Wishes(np.array([0, 1.0, 0]), 0.0, bears(35))) for s in (half, quarter)]
    assert found[0].draped is None
    assert found[0].refused
    assert found[1].bound_deg < found[0].bound_deg or found[1].draped is not None


def test_a_developable_ring_with_one_seam_lies_without_shear():
    v, f = shapes.cylinder(radius=60.0, wrap_deg=360.0, height=60.0, triangles=3000)
    found = lay_piece(seam_bed(Surface(v, f)), Wishes(np.array([0, 0, 1.0]), 0.0, typical("twill 2x2")))
    assert found.draped is not None
    assert found.draped.drape.most_deg < 0.3
    assert found.draped.flat.uv_mm[:, 1].max() - found.draped.flat.uv_mm[:, 1].min() == pytest.approx(120 * np.pi, abs=0.5)

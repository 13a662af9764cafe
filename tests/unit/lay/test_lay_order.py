from __future__ import annotations

import numpy as np
import pytest
from shapely import Point, Polygon, box
from shapely.affinity import translate

from plyflat.lay.order import cutting_order, hand_corners
from plyflat.lay.parts import Lay, Place


def lay_of(*outlines, cuts_mm=(), folds_mm=()):
    places = tuple(Place(k, 0, 0.0, (0.0, 0.0), outline) for k, outline in enumerate(outlines))
    length = max(outline.bounds[2] for outline in outlines)
    return Lay(places, 1000.0, length, 0.5, 1.0, "area", 0.0, 0.0, 0.0, 0.0, 0, cuts_mm=cuts_mm, folds_mm=folds_mm)


def steps(lay, **options):
    return [(stroke.place, stroke.ring) for stroke in cutting_order(lay, **options)]


FRAME = box(0, 0, 400, 400) - box(100, 100, 300, 300)


def test_what_lies_inside_is_cut_before_what_lies_round_it():
    inner = box(120, 120, 280, 280) - box(150, 150, 200, 200)
    smallest = box(160, 160, 190, 190)
    assert steps(lay_of(FRAME, inner, smallest)) == [(2, 0), (1, 1), (1, 0), (0, 1), (0, 0)]


def test_near_before_far_and_by_the_shortest_way():
    far, near, beside = box(2000, 0, 2100, 100), box(0, 0, 100, 100), box(0, 500, 100, 600)
    assert steps(lay_of(far, beside, near)) == [(2, 0), (1, 0), (0, 0)]


def test_first_pieces_come_first_within_a_section():
    a, b, c = box(0, 0, 100, 100), box(600, 0, 700, 100), box(1500, 0, 1600, 100)
    assert steps(lay_of(a, b, c), ranks=[1, 0, 0]) == [(1, 0), (2, 0), (0, 0)]
    assert steps(lay_of(a, b, c, cuts_mm=(1000.0,)), ranks=[1, 1, 0]) == [(0, 0), (1, 0), (2, 0)]
    assert [s.section for s in cutting_order(lay_of(a, b, c, cuts_mm=(1000.0,)))] == [0, 0, 1]


def test_a_piece_within_another_takes_it_along():
    inner = box(150, 150, 250, 250)
    assert steps(lay_of(box(500, 0, 600, 100), FRAME, inner), ranks=[1, 2, 0])[0] == (2, 0)
    assert steps(lay_of(box(500, 0, 600, 100), FRAME, inner), ranks=[1, 2, 0])[-1] == (0, 0)


def test_lengths_and_ways_add_up():
    a, b = box(0, 0, 100, 100), box(300, 0, 400, 100)
    first, second = cutting_order(lay_of(a, b))
    assert (first.length_mm, first.travel_mm) == (400.0, 0.0)
    assert second.travel_mm == pytest.approx(300.0)
    assert second.points_mm[0] == pytest.approx([300.0, 0.0])


def test_lines_that_pieces_share_are_told_with_the_second_of_them():
    # The third touches the first at a corner alone; the fourth lies within the first one's opening along one side of it.
    lay = lay_of(FRAME, box(400, 100, 600, 500), box(0, 400, 300, 500), box(100, 150, 200, 300))
    found = {(stroke.place, stroke.ring): stroke.shared_mm for stroke in cutting_order(lay)}
    assert found[0, 1] == pytest.approx(150.0 + 100.0, abs=0.01)
    assert found[0, 0] + found[1, 0] + found[2, 0] == pytest.approx(300.0 + 300.0, abs=0.01)
    assert found[3, 0] == 0.0
    apart = lay_of(box(0, 0, 100, 100), box(102, 0, 200, 100), box(100, 102, 200, 200))
    assert [stroke.shared_mm for stroke in cutting_order(apart)] == [0.0, 0.0, 0.0]
    corner = lay_of(box(0, 0, 100, 100), box(100, 100, 200, 200))
    assert [stroke.shared_mm for stroke in cutting_order(corner)] == [0.0, 0.0]


def test_every_ring_is_cut_once():
    rng = np.random.default_rng(3)
    outlines = [translate(FRAME, 500 * k, rng.uniform(0, 500)) for k in range(6)]
    assert sorted(steps(lay_of(*outlines))) == [(k, ring) for k in range(6) for ring in (0, 1)]


def test_corners_to_mark_by_hand_stay_within_half_a_millimetre():
    disc = Point(0, 0).buffer(300, quad_segs=200) - Point(0, 0).buffer(100, quad_segs=200)
    rings = hand_corners(disc)
    assert len(rings) == 2
    assert sum(map(len, rings)) < 120
    assert Polygon(rings[0], rings[1:]).hausdorff_distance(disc) <= 0.5
    assert all(ring[0, 0] == ring[:, 0].min() for ring in rings)


def test_corners_of_a_box_go_round_from_the_roll_end():
    (ring,) = hand_corners(Polygon([(50, 40), (10, 40), (10, 20), (50, 20)]))
    assert ring.tolist() == [[10, 20], [50, 20], [50, 40], [10, 40]]


def test_both_layers_of_a_fold_are_cut_at_once():
    a, b, c = box(0, 0, 100, 100), box(300, 0, 400, 100), box(500, 0, 600, 100)
    strokes = cutting_order(lay_of(a, b, c, cuts_mm=(450.0,), folds_mm=(200.0,)))
    assert [(s.place, s.layers) for s in strokes] == [(0, 2), (2, 1)]

from __future__ import annotations

import packing
import pytest
from shapely import Polygon, box
from shapely.affinity import rotate, translate

from plyflat.errors import CheckError
from plyflat.lay.fold import both_layers, find_pairs, mirror_x
from plyflat.lay.grid import Spot
from plyflat.lay.parts import Part
from plyflat.lay.rolls import lay_on_stock
from plyflat.lay.stock import Flaw, Stock

HOOK = Polygon([(0, 0), (400, 0), (400, 60), (90, 90), (60, 300), (0, 250)])
HAND = translate(rotate(mirror_x(HOOK), 180, origin=(0, 0)), 7000, -300)


def test_mirror_images_are_found_whatever_their_turn_and_place():
    parts = [Part(HOOK, copies=3), Part(box(0, 0, 100, 40)), Part(HAND, copies=2)]
    (pair,) = find_pairs(parts)
    assert (pair.one, pair.other, pair.copies, pair.turn_deg) == (0, 2, 2, 180.0)


def test_a_shape_is_no_mirror_image_of_itself_turned():
    assert find_pairs([Part(HOOK), Part(rotate(HOOK, 180))]) == ()
    assert find_pairs([Part(HOOK), Part(rotate(mirror_x(HOOK), 45))]) == ()


@pytest.mark.parametrize("turn", [0.0, 180.0, 30.0])
def test_both_layers_lie_on_each_other_when_folded(turn):
    parts = [Part(HOOK, (turn,)), Part(HAND, None)]
    both = both_layers([Spot(0, turn, (500.0, 400.0))], find_pairs(parts), 1200.0, parts)
    lower, upper = (translate(rotate(parts[s.piece].outline, s.turn_deg, origin=(0, 0)), *s.shift_mm) for s in both)
    assert mirror_x(upper, 1200.0).symmetric_difference(lower).area < 1e-3


def test_layers_that_do_not_meet_are_refused():
    parts = [Part(HOOK), Part(HAND)]
    (pair,) = find_pairs(parts)
    wrong = type(pair)(0, 1, 1, pair.turn_deg, (pair.shift_mm[0] + 5.0, pair.shift_mm[1]))
    with pytest.raises(CheckError, match=r"5 mm off each other"):
        both_layers([Spot(0, 0.0, (0.0, 0.0))], [wrong], 900.0, parts)


def test_pairs_are_cut_folded_and_the_rest_follows():
    parts = [Part(HOOK, copies=3), Part(HAND, copies=3), Part(box(0, 0, 700, 500), (0.0,))]
    flawed = Stock("begun", 1000.0, 900.0, 10.0, (Flaw(10, 10, 20, 20),), begun=True)
    lays = lay_on_stock(parts, [Stock("roll 1", 1000.0, 5000.0, 10.0), flawed], gap_mm=5.0, fold=True, seconds=0)
    assert packing.faults(parts, list(lays)) == []
    lay = next(lay for lay in lays if lay.folds_mm)
    (fold,) = lay.folds_mm
    hooks = [p.outline for p in lay.places if p.part == 0]
    hands = [p.outline for p in lay.places if p.part == 1]
    assert len(hooks) == len(hands) == 3
    assert all(min(mirror_x(a, fold).symmetric_difference(b).area for b in hands) < 1e-3 for a in hooks)
    assert all(not p.outline.bounds[0] < fold < p.outline.bounds[2] for p in lay.places)
    assert lay.stock.name == "roll 1"


def test_without_being_asked_nothing_is_folded():
    (lay,) = lay_on_stock([Part(HOOK), Part(HAND)], [Stock("roll 1", 1000.0, 5000.0)], seconds=0)
    assert lay.folds_mm == ()


def test_pairs_that_no_roll_takes_folded_lie_side_by_side():
    (lay,) = lay_on_stock([Part(HOOK), Part(HAND)], [Stock("roll 1", 1000.0, 420.0)], fold=True, seconds=0)
    assert lay.folds_mm == ()


def test_a_roll_that_is_bought_goes_on_behind_the_folded_length():
    parts = [Part(HOOK), Part(HAND), Part(box(0, 0, 700, 900), (0.0,))]
    (lay,) = lay_on_stock(parts, [Stock("roll", 1000.0, 5000.0, bought=True)], gap_mm=5.0, fold=True, seconds=0)
    assert packing.faults(parts, [lay]) == []
    assert (lay.stock.name, len(lay.folds_mm), len(lay.cuts_mm)) == ("roll 1", 1, 1)

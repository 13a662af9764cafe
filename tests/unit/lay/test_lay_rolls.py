from __future__ import annotations

import math
import threading
import time

import packing
import pytest
from shapely import Point, box

from plyflat.errors import FitError, QuantityError, StoppedError
from plyflat.lay import search
from plyflat.lay.nest import Part, nest
from plyflat.lay.rolls import Filler, lay_on_rolls, lay_on_stock
from plyflat.lay.stock import Stock


def within(lays, roll_length_mm):
    return all(lay.length_mm <= roll_length_mm + 1e-6 for lay in lays)


def test_what_fits_on_one_roll_lies_on_one_roll():
    parts = [Part(box(0, 0, 300, 500), copies=4)]
    (lay,) = lay_on_rolls(parts, width_mm=1000, roll_length_mm=5000, seconds=0)
    assert packing.faults(parts, [lay]) == []
    assert lay.length_mm == pytest.approx(600.0, abs=1e-3)


@pytest.mark.parametrize("long_mm", [500.0, 1000.0, 5000.0])
def test_parts_as_long_as_the_roll_that_fill_its_width_exactly_all_lie_on_it(long_mm):
    # Found by cells: none of the few quick answers of the library has four beside each other in each of these.
    parts = [Part(box(0, 0, long_mm, 250), (0.0,), copies=4)]
    lays = lay_on_stock(parts, [Stock("roll 1", 1000.0, long_mm)], seconds=1)
    assert packing.faults(parts, lays) == []
    assert [lay.length_mm for lay in lays] == pytest.approx([long_mm])


def test_rolls_are_filled_before_another_is_cut_into(monkeypatch):
    # Two rows of three beside each other take all the quick answers a builder gets.
    monkeypatch.setattr(search, "QUICK", 20)
    # Two rows of three fill a roll; thirteen pieces need a third.
    parts = [Part(box(0, 0, 300, 500), copies=13, name="strake")]
    lays = lay_on_rolls(parts, width_mm=1000, roll_length_mm=950, rolls=2, seconds=0)
    assert packing.faults(parts, list(lays)) == []
    assert [len(lay.places) for lay in lays] == [6, 6, 1]
    assert within(lays, 950)


@pytest.mark.parametrize("seconds", [0.0, 1.2])
@pytest.mark.parametrize("roll_length_mm", [32.0, 60.0])
def test_every_copy_lies_once_and_lays_pass_the_plain_check(roll_length_mm, seconds):
    parts, width_mm = packing.instance("marques")
    lays = lay_on_rolls(
        parts, width_mm=width_mm + 2, roll_length_mm=roll_length_mm, gap_mm=0.2, edge_mm=1, seconds=seconds
    )
    assert packing.faults(parts, list(lays)) == []
    assert within(lays, roll_length_mm)
    area = sum(part.copies * part.outline.area for part in parts)
    least = math.ceil(area / (width_mm * roll_length_mm))
    assert least <= len(lays) <= least + 2


def test_searching_moves_pieces_off_the_last_roll():
    parts, width_mm = packing.instance("dighe1")
    roll = Stock("roll", width_mm, 0.985 * nest(parts, width_mm=width_mm, seconds=0).length_mm, bought=True)
    quick = lay_on_stock(parts, [roll], seconds=0)
    searched = lay_on_stock(parts, [roll], seconds=0, tries=2)
    assert len(quick) == 2
    assert len(searched) == 1 or len(searched[1].places) < len(quick[1].places)
    assert packing.faults(parts, list(searched)) == []


def test_openings_and_single_pieces_too_long_for_company():
    ring = Point(0, 0).buffer(300) - Point(0, 0).buffer(250)
    parts = [Part(ring, None, copies=2), Part(box(0, 0, 900, 900), (0.0, 90.0), copies=3)]
    lays = lay_on_rolls(parts, width_mm=1000, roll_length_mm=1000, gap_mm=3, edge_mm=5, seconds=0)
    assert packing.faults(parts, list(lays)) == []
    assert len(lays) == 5


def test_a_part_is_turned_so_that_the_roll_is_long_enough():
    parts = [Part(box(0, 0, 800, 300), (0.0, 90.0), copies=2)]
    lays = lay_on_rolls(parts, width_mm=1000, roll_length_mm=400, seconds=0)
    assert packing.faults(parts, list(lays)) == []
    assert {place.turn_deg for lay in lays for place in lay.places} == {90.0}


def test_an_endless_roll_is_a_plain_lay():
    parts, width_mm = packing.instance("marques")
    (lay,) = lay_on_rolls(parts, width_mm=width_mm, roll_length_mm=math.inf, seconds=0)
    assert lay.length_mm <= nest(parts, width_mm=width_mm, seconds=0).length_mm


def test_each_bound_is_for_the_parts_on_that_roll():
    parts = [Part(box(0, 0, 300, 900), copies=5)]
    lays = lay_on_rolls(parts, width_mm=1000, roll_length_mm=1000, seconds=0)
    assert [lay.bound_mm for lay in lays] == pytest.approx([900.0, 600.0])


def test_a_piece_longer_than_the_roll_is_refused():
    with pytest.raises(FitError, match=r"'keel': it is 1500.0 mm along the roll .* 300.0 mm more"):
        lay_on_rolls([Part(box(0, 0, 1500, 90), name="keel")], width_mm=1000, roll_length_mm=1200, seconds=0)


@pytest.mark.parametrize(
    ("options", "words"), [({"rolls": 0}, "number of rolls is 0"), ({"roll_length_mm": 0.0}, "greatest length is 0")]
)
def test_rolls_that_cannot_be_are_refused(options, words):
    with pytest.raises(QuantityError, match=words):
        lay_on_rolls([Part(box(0, 0, 9, 9))], **{"width_mm": 100.0, "roll_length_mm": 100.0, "seconds": 0, **options})


def test_stopping_keeps_the_quick_lays_and_before_them_nothing(monkeypatch):
    parts, width_mm = packing.instance("marques")
    stop, improve = threading.Event(), Filler._improve

    def stopped_after_a_second(self, loads):
        threading.Timer(1.0, stop.set).start()
        return improve(self, loads)

    monkeypatch.setattr(Filler, "_improve", stopped_after_a_second)
    start = time.monotonic()
    lays = lay_on_rolls(parts, width_mm=width_mm, roll_length_mm=45, seconds=90, stop=stop)
    assert time.monotonic() - start < 60.0
    assert packing.faults(parts, list(lays)) == []
    assert all(lay.stopped for lay in lays)
    with pytest.raises(StoppedError):
        lay_on_rolls(parts, width_mm=width_mm, roll_length_mm=45, seconds=90, stop=lambda: True)

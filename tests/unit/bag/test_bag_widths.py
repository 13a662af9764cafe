"""Film made up from strips: sums that can be done in the head, and every sheet covered once."""

from __future__ import annotations

import hypothesis.strategies as st
import pytest
from hypothesis import given, settings
from shapely import box, union_all
from shapely.affinity import translate

from plyflat.bag.widths import film_width, rows_length_mm, strip_templates
from plyflat.errors import FitError, QuantityError


def made(length, width, roll=1500.0, roll_length=50000.0, band=150.0, overlap=50.0):
    return film_width(length, width, roll_width_mm=roll, roll_length_mm=roll_length, band_mm=band, overlap_mm=overlap)


def test_a_roll_wide_enough_gives_one_sheet():
    one = made(2000, 1400)
    assert (one.along, one.edges_mm, one.joins, one.tape_mm, one.over_mm) == (True, ((0.0, 1400.0),), (), 0.0, 0.0)
    assert one.film_mm2 == 2000 * 1400
    assert one.waste_mm2 == 2000 * 100
    (sheet,) = strip_templates(one, region="r", layer="bag film", material="film")
    assert sheet.piece == "A"
    assert sheet.cut.equals(box(0, 0, 2000, 1400))


def test_a_sheet_that_fits_across_the_roll_is_turned():
    one = made(1400, 2000)
    assert not one.along
    assert one.joins == ()
    assert one.strip_mm == 2000


def test_one_join_goes_where_it_misses_the_laminate():
    one = made(3000, 1560)
    (join,) = one.joins
    # The overlap ends where the laminate begins, 150 mm from the sheet's edge.
    assert join.at_mm == 125.0
    assert join.over_mm == 0.0
    assert one.edges_mm == ((0.0, 150.0), (100.0, 1560.0))
    assert one.tape_mm == 3000


def test_two_joins_beside_the_laminate():
    one = made(3000, 1650)
    assert [j.at_mm for j in one.joins] == [125.0, 1525.0]
    assert one.over_mm == 0.0
    assert one.tape_mm == 6000


def test_joins_that_must_cross_are_told_by_their_length():
    one = made(4000, 2600)
    # Strips along would cross over 3700 mm; two even strips across would be too wide, three cross twice.
    assert one.over_mm == min(4000 - 300, 2 * (2600 - 300))
    assert one.along
    assert [j.at_mm for j in one.joins] == [1300.0]


def test_a_roll_too_short_for_strips_along_is_cut_across():
    one = made(4000, 2600, roll_length=3000)
    assert not one.along
    assert len(one.edges_mm) == 3
    assert one.over_mm == 2 * 2300


@settings(max_examples=60, deadline=None)
@given(
    st.floats(200, 6000), st.floats(200, 6000), st.floats(300, 3000), st.floats(0, 400), st.floats(10, 100),
)  # fmt: skip
def test_strips_cover_the_sheet_once_and_fit_the_roll(length, width, roll, band, overlap):
    one = made(length, width, roll=roll, band=band, overlap=overlap)
    size = width if one.along else length
    assert one.edges_mm[0][0] == 0.0
    assert one.edges_mm[-1][1] == pytest.approx(size)
    for (_, end), (start, _) in zip(one.edges_mm, one.edges_mm[1:]):
        assert end - start == pytest.approx(overlap)
    assert max(b - a for a, b in one.edges_mm) <= roll + 1e-6
    assert one.waste_mm2 >= -1e-3
    strips = strip_templates(one, region="r", layer="bag film", material="film")
    nets = union_all([translate(t.net, 0.0, a) for t, (a, _) in zip(strips, one.edges_mm)])
    assert sum(t.net.area for t in strips) == pytest.approx(length * width)
    assert nets.area == pytest.approx(length * width)
    marks = [n.mark for t in strips for n in t.notches]
    assert all(marks.count(mark) == 2 for mark in marks)


def test_what_no_roll_can_do_is_refused():
    with pytest.raises(FitError, match="roll 1500 mm wide and 1.0 m long"):
        made(2000, 1800, roll_length=1000)
    with pytest.raises(FitError):
        made(2000, 1800, roll=40.0)


@pytest.mark.parametrize(
    "bad", [{"length": 0.0}, {"width": float("nan")}, {"roll": -1.0}, {"band": -1.0}, {"overlap": float("inf")}]
)
def test_lengths_that_cannot_be(bad):
    with pytest.raises(QuantityError):
        made(**{"length": 1000.0, "width": 1000.0, **bad})


def test_pieces_stand_side_by_side_on_the_roll():
    # Two of 770 by 265 mm: turned they need two rows of 265; along the roll one of 770.
    assert rows_length_mm([(770.0, 265.0)] * 2, 1500.0) == 530.0
    assert rows_length_mm([(770.0, 265.0)] * 2, 1600.0) == 265.0
    assert rows_length_mm([(770.0, 265.0)] * 2, 1500.0, turned=False) == 770.0
    # What is longer than the roll is wide lies along it; the short ones fill the row beside it.
    assert rows_length_mm([(1900.0, 900.0), (500.0, 600.0), (300.0, 600.0)], 1500.0) == 2200.0
    assert rows_length_mm([(1900.0, 900.0), (500.0, 600.0)], 1500.0) == 1900.0
    with pytest.raises(FitError, match="1600 mm wide is wider than its roll of 1500 mm"):
        rows_length_mm([(1600.0, 1600.0)], 1500.0)
    with pytest.raises(FitError):
        rows_length_mm([(100.0, 1600.0)], 1500.0, turned=False)
    assert rows_length_mm([(100.0, 1600.0)], 1500.0) == 1600.0

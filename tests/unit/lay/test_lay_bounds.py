from __future__ import annotations

import math
from collections import Counter

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import LineString, Point, Polygon, box
from shapely.affinity import rotate

from plyflat.lay.bounds import all_bounds, area_round, grow, length_bound, sections
from plyflat.lay.nest import Part
from plyflat.lay.rolls import Filler
from plyflat.lay.stock import Flaw, Stock
from plyflat.progress import quiet

CEE = Polygon([(0, 0), (6, 0), (6, 2), (2, 2), (2, 5), (6, 5), (6, 9), (0, 9)])
RING = Point(3, 4).buffer(5, quad_segs=6) - Point(2, 4).buffer(2, quad_segs=5)


def by_name(parts, **measures):
    return {bound.name: bound.length_mm for bound in all_bounds(parts, **measures)}


def test_area_bound_of_squares():
    found = by_name([Part(box(0, 0, 5, 5), copies=6)], width_mm=12, edge_mm=1)
    assert found["area"] == pytest.approx(150 / 10)


def test_widest_part_uses_only_turns_that_fit():
    bar = box(0, 0, 30, 8)
    assert by_name([Part(bar, (0.0, 90.0))], width_mm=100)["widest part"] == pytest.approx(8.0)
    assert by_name([Part(bar, (0.0, 90.0))], width_mm=20)["widest part"] == pytest.approx(30.0)
    assert by_name([Part(bar, None)], width_mm=20)["widest part"] == pytest.approx(8.0)


def test_rectangles_over_half_the_width_cannot_lie_side_by_side():
    found = by_name([Part(box(0, 0, 7, 6), copies=3)], width_mm=10)
    assert found["sections"] == pytest.approx(21.0)
    assert found["mid-line"] == pytest.approx(21.0)
    assert found["area"] == pytest.approx(12.6)


def test_rectangles_of_exactly_half_the_width_can():
    found = by_name([Part(box(0, 0, 7, 5), copies=4)], width_mm=10)
    assert found["sections"] == pytest.approx(14.0, rel=1e-6)
    assert found["sections"] <= 14.0
    assert found["mid-line"] <= 0.0


@pytest.mark.parametrize("gap_mm", [0.5, 3.0, 12.5])
def test_gaps_between_tall_rectangles_count(gap_mm):
    parts = [Part(box(0, 0, 300, 1000), copies=4)]
    best = length_bound(parts, width_mm=1270, gap_mm=gap_mm)
    assert 1200 + 3 * gap_mm - 1e-6 <= best.length_mm + 1e-6 * 1200
    assert best.length_mm <= 1200 + 3 * gap_mm


def test_triangles_over_half_the_width_cover_the_mid_line_at_their_narrowest():
    # 8 high in a width of 10: the line meets it 3 to 5 above its foot, where it is 6 x 5/8 to 6 x 3/8 wide.
    triangle = Part(Polygon([(0, 0), (6, 0), (3, 8)]), copies=5)
    assert by_name([triangle], width_mm=10)["mid-line"] == pytest.approx(5 * 6 * 3 / 8)


def test_a_cee_is_narrowest_between_its_arms():
    assert by_name([Part(CEE)], width_mm=9)["mid-line"] == pytest.approx(2.0)
    assert by_name([Part(CEE)], width_mm=14)["mid-line"] == pytest.approx(2.0)


def test_parts_free_to_turn_have_no_bound_from_sections():
    found = by_name([Part(box(0, 0, 7, 6), None, copies=3)], width_mm=10)
    assert found["sections"] == 0.0
    assert found["mid-line"] == 0.0
    assert found["area"] == pytest.approx(12.6)


@pytest.mark.parametrize("turn_deg", [0.0, 33.0, 90.0, 180.0])
@pytest.mark.parametrize("axis", [0, 1])
@pytest.mark.parametrize("shape", [CEE, RING], ids=["cee", "ring"])
def test_sections_agree_with_lines_laid_across(shape, axis, turn_deg):
    found = sections(shape, axis=axis, turn_deg=turn_deg)
    turned = rotate(shape, turn_deg, origin=(0, 0))
    for share in (0.25, 0.75):
        at = found.at[:-1] + share * np.diff(found.at)
        lengths = found.first + share * (found.last - found.first)
        for place, length in zip(at, lengths):
            ends = [(place, -99), (place, 99)] if axis == 0 else [(-99, place), (99, place)]
            assert turned.intersection(LineString(ends)).length == pytest.approx(length, abs=1e-7)
    area = np.sum(np.diff(found.at) * 0.5 * (found.first + found.last))
    assert area == pytest.approx(shape.area)


def test_sections_of_many_corners_agree_with_the_area():
    shape = Point(0, 0).buffer(100, quad_segs=300)
    found = sections(shape, axis=0)
    assert len(found.first) > 500
    assert np.sum(np.diff(found.at) * 0.5 * (found.first + found.last)) == pytest.approx(shape.area)


@settings(max_examples=40, deadline=None)
@given(radii=st.lists(st.floats(2.0, 9.0), min_size=5, max_size=30), gap_mm=st.floats(0.01, 6.0))
def test_a_grown_outline_never_reaches_further_than_half_the_gap(radii, gap_mm):
    a = np.linspace(0.0, 2.0 * math.pi, len(radii), endpoint=False)
    shape = Polygon(np.column_stack([radii * np.cos(a), radii * np.sin(a)]))
    grown = grow(shape, gap_mm)
    assert grown.covers(shape)
    # Furthest along the sides too, not only at corners.
    ring = grown.exterior.segmentize(0.2)
    far = max(Point(point).distance(shape) for point in ring.coords)
    assert 0.45 * gap_mm < far <= 0.5 * gap_mm + 1e-9


@pytest.mark.parametrize("dent_mm", [0.005, 0.02, 0.029, 0.1])
def test_a_shallow_dent_is_not_filled_by_growing(dent_mm):
    # The geometry library may drop dents shallower than 1 % of the distance it grows by.
    shape = Polygon([(0, 0), (100, 0), (100, 50), (50, 50 - dent_mm), (0, 50)])
    grown = grow(shape, 6.0)
    far = max(Point(point).distance(shape) for point in grown.exterior.segmentize(0.5).coords)
    assert far <= 3.0 + 1e-9


# ---- with flaws ----------------------------------------------------------------------------------------------------


def test_the_area_bound_counts_what_flaws_take():
    parts = [Part(box(0, 0, 4, 5), copies=4)]
    free = length_bound(parts, width_mm=10)
    flawed = length_bound(parts, width_mm=10, shut=box(2, 0, 4, 5))
    assert (free.length_mm, free.name) == (pytest.approx(8.0), "area")
    assert (flawed.length_mm, flawed.name) == (pytest.approx(9.0), "area")
    # A flaw beyond the length that is needed takes nothing; with a gap its rim may be covered by half of it.
    assert length_bound(parts, width_mm=10, shut=box(20, 0, 24, 5)).length_mm == pytest.approx(8.0)
    area = by_name(parts, width_mm=10, gap_mm=1.0)["area"]
    longer = area_round(box(2, 0, 4, 5), area + 1.0, width_mm=10, gap_mm=1.0, edge_mm=0.0)
    assert longer == pytest.approx(area + 1 * 4 / 11, abs=0.01)


def shortest(sizes, width, taken, longest):
    """Give the least length by trying every whole place: whole rectangles pushed left and down lie at whole places."""
    cells = frozenset(taken)
    for length in range(1, longest + 1):
        if _all_fit(sizes, width, length, cells):
            return length
    return None


def _all_fit(sizes, width, length, taken):
    if not sizes:
        return True
    long, high = sizes[0]
    for x in range(length - long + 1):
        for y in range(width - high + 1):
            here = {(x + i, y + j) for i in range(long) for j in range(high)}
            if not here & taken and _all_fit(sizes[1:], width, length, taken | here):
                return True
    return False


@pytest.mark.reference(source="exhaustive search over whole places of whole rectangles round a flaw", kind="derived")
@settings(max_examples=40, deadline=None)
@given(
    st.lists(st.tuples(st.integers(1, 3), st.integers(1, 4)), min_size=1, max_size=4),
    st.tuples(st.integers(0, 4), st.integers(0, 3), st.integers(1, 3), st.integers(1, 4)),
)
def test_no_bound_passes_the_shortest_lay_round_a_flaw(sizes, flaw):
    width, (x, y, long, high) = 4, flaw
    taken = {(x + i, y + j) for i in range(long) for j in range(high) if y + j < width}
    best = shortest(sizes, width, taken, 24)
    parts = [Part(box(0, 0, *size), (0.0,)) for size in sizes]
    shut = box(x, y, x + long, min(y + high, width))
    bound = length_bound(parts, width_mm=width, shut=shut)
    assert bound.length_mm <= best + 1e-6
    stock = Stock("a", float(width), 24.0, flaws=(Flaw(x, y, long, min(high, width - y)),))
    filler = Filler(parts, [stock], 0.0, math.inf, 0, 0.0, None, quiet, None)
    spots = filler._put_down(stock, 0.0, Counter(range(len(parts))), 0.0)
    load = filler._load(stock, 0.0, spots)
    assert load.counts == Counter(range(len(parts)))
    assert load.lay.bound_mm <= best + 1e-6 <= load.lay.length_mm + 2e-6

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import MultiPoint, Point, Polygon, box
from shapely.affinity import translate

from plyflat.lay.grid import Bed, fill, runs
from plyflat.lay.outline import laid


def never():
    return False


def put(bed, outlines, turns, order):
    """Fill a bed and give the outlines as they lie."""
    spots = fill(bed, outlines, turns, order, asked=never)
    return [laid(outlines[s.piece], s.turn_deg, s.shift_mm) for s in spots]


def test_cells_of_a_box_are_those_it_touches():
    assert runs(box(0, 0, 30, 20), (0.0, 0.0), 10.0) == (((0, 2),),) * 3
    # A hair over the line of a cell takes the next one.
    assert runs(box(0, 0, 30.01, 20.01), (0.0, 0.0), 10.0) == (((0, 3),),) * 4


def test_openings_leave_cells_free():
    ring = box(0, 0, 50, 50) - box(10, 10, 40, 40)
    columns = runs(ring, (0.0, 0.0), 10.0)
    assert columns[0] == columns[4] == ((0, 5),)
    assert columns[2] == ((0, 1), (4, 1))


@pytest.mark.parametrize("share", [1, 2, 3, 4, 6])
@pytest.mark.parametrize("gap_mm", [0.0, 5.0])
def test_parts_of_the_width_fit_exactly(share, gap_mm):
    height = (1000.0 - (share - 1) * gap_mm) / share
    bed = Bed(1000.0, 300.0, gap_mm=gap_mm, shut=Polygon())
    assert len(put(bed, [box(0, 0, 300, height)], [(0.0,)], [0] * share)) == share


def test_a_piece_a_little_longer_than_the_cloth_finds_no_room():
    # The last column of cells reaches beyond the cloth.
    bed = Bed(100.0, 130.2, gap_mm=0.0, shut=Polygon())
    assert put(bed, [box(0, 0, 130.3, 50)], [(0.0,)], [0]) == []
    assert len(put(bed, [box(0, 0, 130.2, 50)], [(0.0,)], [0])) == 1


def test_the_first_place_is_the_one_nearest_to_the_end():
    bed = Bed(100.0, 400.0, gap_mm=0.0, shut=box(0, 0, 50, 60))
    (lies,) = put(bed, [box(0, 0, 30, 40)], [(0.0,)], [0])
    assert lies.bounds == pytest.approx((0, 60, 30, 100), abs=100 / 240)


def test_a_small_piece_lies_in_an_opening():
    frame = box(0, 0, 200, 200) - box(50, 50, 150, 150)
    bed = Bed(200.0, 200.0, gap_mm=2.0, shut=Polygon())
    outer, inner = put(bed, [frame, box(0, 0, 90, 90)], [(0.0,), (0.0,)], [0, 1])
    assert Polygon(outer.interiors[0]).contains(inner)
    assert outer.distance(inner) >= 2.0 - 1e-6


def test_a_piece_is_turned_where_that_brings_it_nearer():
    bed = Bed(100.0, 400.0, gap_mm=0.0, shut=Polygon())
    (lies,) = put(bed, [box(0, 0, 90, 30)], [(0.0, 90.0)], [0])
    assert lies.bounds[2] == pytest.approx(30.0, abs=1e-6)


shapes = st.lists(st.tuples(st.integers(0, 60), st.integers(0, 60)), min_size=3, max_size=8, unique=True).map(
    lambda points: MultiPoint(points).convex_hull
).filter(lambda hull: hull.geom_type == "Polygon" and hull.area > 30)


@settings(max_examples=25, deadline=None)
@given(st.lists(shapes, min_size=2, max_size=5), shapes, st.sampled_from([0.0, 1.0, 4.0]))
def test_nothing_touches_whatever_the_shapes(outlines, hole, gap_mm):
    shut = translate(hole, 40, 20)
    bed = Bed(100.0, 260.0, gap_mm=gap_mm, shut=shut, cells=48)
    lies = put(bed, outlines, [(0.0, 37.0, 180.0)] * len(outlines), [*range(len(outlines))] * 2)
    assert lies
    for outline in lies:
        x0, y0, x1, y1 = outline.bounds
        assert min(x0, y0, 260 - x1, 100 - y1) >= -1e-6
        assert outline.intersection(shut).area < 1e-6
    for a, b in itertools.combinations(lies, 2):
        assert a.intersection(b).area < 1e-6
        assert a.distance(b) >= gap_mm - 1e-6


def plainly(bed, stamp):
    """Give the first free place, cell by cell."""
    for column in range(bed.count - len(stamp.columns) + 1):
        if column * bed.cell_mm + stamp.long_mm > bed.length_mm + 1e-6:
            return None
        for row in range(bed.rows - stamp.rows + 1):
            runs = [(k, first, number) for k, cells in enumerate(stamp.columns) for first, number in cells]
            if not any(bed.columns[column + k] >> first + row & (1 << number) - 1 for k, first, number in runs):
                return column, row
    return None


@settings(max_examples=25, deadline=None)
@given(st.lists(st.tuples(shapes, st.integers(0, 300), st.integers(0, 60)), max_size=9), shapes, st.integers(0, 30))
def test_the_place_found_is_that_of_a_plain_look_at_every_cell(taken, outline, start):
    bed = Bed(100.0, 330.0, gap_mm=1.0, shut=Polygon(), cells=36)
    for shape, x, y in taken:
        bed.block(translate(shape, x, y))
    stamp = bed.stamp(outline - outline.centroid.buffer(4), 20.0)
    found = plainly(bed, stamp)
    assert bed.find(stamp) == found
    if found is not None:
        assert bed.find(stamp, before=found[0]) is None
        assert (bed.find(stamp, start=start) == found) == (start <= found[0])


def test_round_pieces_keep_the_gap():
    bed = Bed(100.0, 300.0, gap_mm=6.0, shut=Polygon())
    lies = put(bed, [Point(0, 0).buffer(20, quad_segs=64)], [(0.0,)], [0] * 8)
    assert len(lies) == 8
    assert min(a.distance(b) for a, b in itertools.combinations(lies, 2)) >= 6.0 - 1e-6
    # Two pieces lie across the width, and hardly more is lost than two cells for each row.
    assert max(q.bounds[2] for q in lies) < 4 * 46 + 2 * 4 * 2 * bed.cell_mm


def test_it_ends_when_asked():
    bed = Bed(100.0, 300.0, gap_mm=0.0, shut=Polygon())
    asked = iter([False, True])
    assert len(fill(bed, [box(0, 0, 10, 10)], [(0.0,)], [0, 0], asked=lambda: next(asked))) == 1


def test_far_from_the_origin_it_is_the_same():
    near = put(Bed(100.0, 300.0, gap_mm=1.0, shut=Polygon()), [box(0, 0, 33, 21)], [(0.0,)], [0] * 5)
    far = put(Bed(100.0, 300.0, gap_mm=1.0, shut=Polygon()), [box(1e6, -1e6, 1e6 + 33, 21 - 1e6)], [(0.0,)], [0] * 5)
    assert np.allclose([a.bounds for a in near], [b.bounds for b in far], atol=1e-6)

from __future__ import annotations

import itertools
import math

import numpy as np
import packing
import pytest
from shapely import Polygon, box
from shapely.affinity import translate

from plyflat.lay.blocks import best_pattern, reach
from plyflat.lay.copies import Joiner, patterns, promised_mm, repeated
from plyflat.lay.outline import laid
from plyflat.lay.parts import Part
from plyflat.lay.search import Problem, find_lay

WEDGE = Polygon([(0, 0), (420, 0), (70, 250)])
ELL = Polygon([(0, 0), (300, 0), (300, 100), (100, 100), (100, 200), (0, 200)])
CEE = Polygon([(0, 0), (60, 0), (60, 20), (20, 20), (20, 50), (60, 50), (60, 90), (0, 90)])


def ring(outline: Polygon) -> np.ndarray:
    x0, y0, x1, y1 = outline.bounds
    return np.asarray(outline.exterior.coords)[:-1] - [0.5 * (x0 + x1), 0.5 * (y0 + y1)]


def problem(*parts, width_mm=1250.0, gap_mm=0.0, edge_mm=0.0):
    turns = [part.turns_deg for part in parts]
    return Problem.of(parts, turns, width_mm=width_mm, gap_mm=gap_mm, edge_mm=edge_mm)


@pytest.mark.parametrize("dy_mm", [-50.0, -45.0, 3.0, 30.0, 57.0])
def test_a_ring_comes_from_afar_until_it_touches(dy_mm):
    fixed, mover = CEE, Polygon([(0, 0), (40, 10), (5, 25)])
    shift = float(reach(ring(fixed), ring(mover), np.array([dy_mm]), hair_mm=1e-9)[0])
    still, moved = Polygon(ring(fixed)), translate(Polygon(ring(mover)), shift, dy_mm)
    assert still.distance(moved) < 1e-6
    assert still.intersection(moved).area < 1e-6
    assert still.intersection(translate(moved, -0.1, 0.0)).area > 1e-4
    # Nothing stands in its way further out.
    assert all(not still.intersects(translate(moved, far, 0.0)) for far in np.linspace(0.01, 200.0, 50))


def test_rings_that_pass_each_other_are_told():
    assert reach(ring(CEE), ring(CEE), np.array([90.0]), hair_mm=1e-6)[0] == -math.inf


@pytest.mark.parametrize(("outline", "turns", "gap_mm"), [(WEDGE, (0.0, 180.0), 5.0), (CEE, (0.0, 90.0, 180.0, 270.0), 3.0), (ELL, (0.0,), 0.0)])
def test_pieces_of_a_pattern_keep_apart_and_inside(outline, turns, gap_mm):
    found = best_pattern(ring(outline), turns, room_mm=700.0, gap_mm=gap_mm)
    assert found is not None
    pieces = [laid(Polygon(ring(outline)), turn, (x, y)) for turn, x, y in found.laid(6)]
    assert len(pieces) == found.count(6)
    assert {turn for turn, _, _ in found.laid(6)} <= set(turns)
    assert min(p.bounds[1] for p in pieces) >= -1e-3
    assert max(p.bounds[3] for p in pieces) <= 700.0 + 1e-3
    for a, b in itertools.combinations(pieces, 2):
        assert a.intersection(b).area < 1e-2
        assert a.distance(b) >= gap_mm - 1e-3
    # Its use is that of the pieces of one period.
    area = sum(p.area for p in pieces[: found.count(2)])
    assert found.use == pytest.approx(area / (700.0 * found.period_mm))


def test_columns_are_counted():
    found = best_pattern(ring(WEDGE), (0.0, 180.0), room_mm=700.0, gap_mm=5.0)
    most = found.most_columns(23)
    assert found.count(most) <= 23 < found.count(most + 1)


def test_a_piece_too_wide_has_no_pattern():
    assert best_pattern(ring(ELL), (0.0, 180.0), room_mm=150.0, gap_mm=0.0) is None


def test_only_many_copies_that_fill_two_columns_get_one():
    found = patterns(problem(Part(WEDGE, copies=30), Part(ELL, copies=4), Part(box(0, 0, 200, 150), (0.0,), copies=13)))
    assert list(found) == [0]


def test_a_piece_free_to_turn_lies_along_its_longest_side():
    bar = laid(box(0, 0, 400, 125), 30.0, (0.0, 0.0))
    found = patterns(problem(Part(bar, None, copies=40)))
    assert found[0].use == pytest.approx(1.0, abs=1e-3)


def test_groups_are_set_as_close_as_they_come():
    joiner = Joiner(problem(Part(ELL, copies=2), gap_mm=2.0))
    one, two = [[0.0, 0.0, 150.0, 100.0]], [[0.0, 180.0, 150.0, 150.0]]
    # The upper arm of the second reaches over the lower one of the first, to its upright and the gap.
    assert joiner.after(one, [[0.0, 180.0, 150.0, 203.0]]) == pytest.approx(-98.0, abs=0.01)
    assert joiner.after(one, two) == pytest.approx(102.0, abs=0.02)
    assert joiner.length(joiner.chained([one, two])) == pytest.approx(300.0 + joiner.after(one, two))


def test_the_order_of_blocks_is_the_shortest():
    # A slanting end meets its like without loss.
    lean, square = Polygon([(0, 0), (200, 0), (600, 1250), (400, 1250)]), box(0, 0, 300, 1250)
    joiner = Joiner(problem(Part(lean, (0.0,)), Part(square, (0.0,)), Part(lean, (0.0,))))
    blocks = {k: [[float(k), 0.0, 0.0, 625.0]] for k in range(3)}
    order = joiner.order(blocks)
    assert order[1] != 1
    assert joiner.length(joiner.chained([blocks[k] for k in order])) == pytest.approx(600 + 200 + 300, abs=0.1)


def test_lays_of_blocks_hold_every_piece_and_pass_the_check():
    parts = [Part(WEDGE, copies=23), Part(ELL, copies=21), Part(CEE, copies=3)]
    given = problem(*parts, width_mm=900.0, gap_mm=4.0, edge_mm=10.0)
    found = patterns(given)
    shares = []

    def solve(rest, share):
        shares.append(share)
        return find_lay(rest, seconds=0.0, seed=0)

    raws = list(repeated(given, found, solve))
    assert len({raw.seed for raw in raws}) == len(raws) == len(shares) == 2
    for raw in raws:
        lay = given.lay(raw)
        assert packing.faults(parts, [lay]) == []
        assert lay.length_mm <= raw.length - 2 * 4.0 + 0.1
    assert min(raw.length for raw in raws) < 1.1 * promised_mm(given, found)


def test_what_fits_the_columns_needs_no_rest():
    given = problem(Part(box(0, 0, 125, 250), (0.0,), copies=20))
    (raw,) = repeated(given, patterns(given), lambda rest, share: pytest.fail("nothing is left"))
    assert given.lay(raw).length_mm == pytest.approx(500.0, abs=1e-3)


def test_a_rest_that_cannot_be_laid_out_gives_no_lay():
    given = problem(Part(WEDGE, copies=23))
    assert list(repeated(given, patterns(given), lambda rest, share: None)) == []


def test_blocks_are_taken_where_they_are_shorter_and_the_same_each_time():
    parts = [Part(WEDGE, copies=22)]
    given = problem(*parts, width_mm=750.0)
    plain = find_lay(given, seconds=0.0, seed=1, tries=1, alike=False)
    one, two = (find_lay(given, seconds=0.0, seed=1, tries=1) for _ in range(2))
    assert packing.faults(parts, [one]) == []
    assert one.length_mm < 0.97 * plain.length_mm
    assert [p.shift_mm for p in one.places] == [p.shift_mm for p in two.places]

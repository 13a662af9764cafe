"""The lay against published packings, exact jigsaws, proven functions and exhaustive search."""

from __future__ import annotations

import functools
import itertools
import math

import numpy as np
import packing
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import Polygon, box
from shapely.affinity import translate

from plyflat.lay.blocks import best_pattern
from plyflat.lay.bounds import _big_and_small, _steps, all_bounds
from plyflat.lay.nest import Part, nest

ESICUP = "ESICUP data sets, dighe1 and dighe2: jigsaws of a 100 x 100 square"
GARDEYN = "Gardeyn, Vanden Berghe, Wauters 2025, arXiv 2509.13329, tables 2 and 3"
FEKETE = "Fekete, Schepers 2001, Math. Programming 91, dual feasible functions u^(k) and U^(eps)"
EXHAUSTIVE = "exhaustive search over normalised positions of rectangles"
INSTANCES = ["albano", "marques", "shirts", "trousers"]


@pytest.mark.reference(source=ESICUP, kind="published")
@pytest.mark.parametrize("name", ["dighe1", "dighe2"])
def test_bounds_of_jigsaws_reach_their_optimum_and_never_pass_it(name):
    parts, width_mm = packing.instance(name)
    bounds = all_bounds(parts, width_mm=width_mm)
    assert max(bound.length_mm for bound in bounds) == pytest.approx(100.0)
    assert all(bound.length_mm <= 100.0 + 1e-9 for bound in bounds)


@pytest.mark.reference(source=ESICUP, kind="published")
def test_a_jigsaw_that_fits_exactly_is_put_together():
    parts, width_mm = packing.instance("dighe2")
    lay = nest(parts, width_mm=width_mm, seconds=4)
    assert packing.faults(parts, [lay]) == []
    # 125 is what a poor search leaves; the exact answer, mostly found, needs the moves into the exact width.
    assert 100.0 - 1e-6 <= lay.length_mm <= 125.0


@pytest.mark.reference(source=GARDEYN, kind="published")
@pytest.mark.parametrize("name", INSTANCES)
def test_bounds_stay_under_the_best_published_lays(name):
    parts, width_mm = packing.instance(name)
    best = packing.published()[name][3] / 100.0
    area = sum(part.copies * part.outline.area for part in parts)
    shortest = area / (width_mm * best)
    for bound in all_bounds(parts, width_mm=width_mm):
        # Published to 0.01 per cent.
        assert bound.length_mm <= shortest * (1.0 + 1e-4)
    assert all_bounds(parts, width_mm=width_mm)[0].length_mm >= best * shortest * (1.0 - 1e-4)


@pytest.mark.reference(source=GARDEYN, kind="published")
@pytest.mark.parametrize(("name", "floor"), [("trousers", 0.80)])
def test_three_seconds_come_within_an_eighth_of_the_published_means(name, floor):
    parts, width_mm = packing.instance(name)
    lay = nest(parts, width_mm=width_mm, seconds=3)
    assert packing.faults(parts, [lay]) == []
    assert lay.use >= floor
    assert lay.use > 0.88 * packing.published()[name][0] / 100.0


@pytest.mark.reference(source=FEKETE, kind="derived")
@settings(max_examples=300, deadline=None)
@given(weights=st.lists(st.floats(0.01, 1.0), min_size=1, max_size=9), whole=st.floats(0.5, 1.0))
def test_dual_feasible_functions_keep_sums_within_one(weights, whole):
    # Shares with sum at most 1, as sections of constant height over a stretch of length 1.
    shares = whole * np.array(weights) / sum(weights) - 1e-9
    stretch = (np.ones_like(shares), shares, shares)
    for eps in (0.01, 0.2, 1.0 / 3.0, 0.5):
        assert _big_and_small(stretch, eps).sum() <= 1.0 + 1e-9
    for k in range(1, 9):
        assert _steps(stretch, float(k)).sum() <= 1.0 + 1e-9


@pytest.mark.reference(source=FEKETE, kind="derived")
@pytest.mark.parametrize(("share", "expected"), [(0.51, 1.0), (0.34, 0.5), (0.26, 1.0 / 3.0), (0.24, 0.25)])
def test_step_functions_reach_their_best_value(share, expected):
    one = np.array([1.0])
    found = max(_steps((one, share * one, share * one), float(k))[0] for k in range(1, 16))
    assert found >= expected - 1e-12


def sums(values: list[int], most: int) -> list[int]:
    found = {0}
    for value in values:
        found |= {a + value for a in found if a + value <= most}
    return sorted(found)


def shortest(sizes: list[tuple[int, int]], width: int) -> int:
    """Give the least length of a strip that holds rectangles (along, across): every normalised position is tried."""
    upright = sums([b for _, b in sizes], width)
    along = sums([a for a, _ in sizes], sum(a for a, _ in sizes))

    def fits(length: int) -> bool:
        def place(k: int, placed: tuple) -> bool:
            if k == len(sizes):
                return True
            a, b = sizes[k]
            for x, y in itertools.product(along, upright):
                free = all(x + a <= u or u + c <= x or y + b <= v or v + d <= y for u, v, c, d in placed)
                if x + a <= length and y + b <= width and free and place(k + 1, (*placed, (x, y, a, b))):
                    return True
            return False

        return place(0, ())

    return next(length for length in along if length and fits(length))


@functools.lru_cache
def cases() -> list[tuple[tuple[tuple[int, int], ...], int, int]]:
    rng = np.random.default_rng(5)
    found = []
    for _ in range(25):
        width = int(rng.integers(4, 9))
        sizes = [(int(rng.integers(1, 6)), int(rng.integers(1, width + 1))) for _ in range(4)]
        sizes.sort(key=lambda size: -size[0] * size[1])
        found.append((tuple(sizes), width, shortest(sizes, width)))
    return found


@pytest.mark.reference(source=EXHAUSTIVE, kind="derived")
def test_bounds_never_pass_the_optimum_of_rectangles():
    tight = 0
    for sizes, width, best in cases():
        parts = [Part(box(0, 0, *size)) for size in sizes]
        bounds = all_bounds(parts, width_mm=width)
        assert all(bound.length_mm <= best + 1e-9 for bound in bounds), (sizes, width, best, bounds)
        tight += max(bound.length_mm for bound in bounds) > best - 1e-3
    # A bound that is never near the optimum would prove nothing.
    assert tight >= 8


@pytest.mark.reference(source=EXHAUSTIVE, kind="derived")
def test_lays_of_rectangles_never_pass_the_optimum_and_mostly_reach_it():
    reached = 0
    for sizes, width, best in cases()[:6]:
        parts = [Part(box(0, 0, *size), turns_deg=(0.0,)) for size in sizes]
        lay = nest(parts, width_mm=width, seconds=1)
        assert packing.faults(parts, [lay]) == []
        assert lay.length_mm >= best - 1e-6
        reached += lay.length_mm <= best * 1.002
    # A second on a loaded machine is little: one or two may be missed.
    assert reached >= 4


@pytest.mark.reference(source="a square cut by random lines: its pieces fit it exactly", kind="derived")
@settings(max_examples=30, deadline=None)
@given(
    cuts=st.lists(st.tuples(st.floats(0.1, 0.9), st.floats(0.1, 0.9)), min_size=1, max_size=4),
    gap_mm=st.sampled_from([0.0, 2.0]),
)
def test_bounds_never_pass_a_lay_that_is_known(cuts, gap_mm):
    pieces = [box(0, 0, 100, 100)]
    for foot, head in cuts:
        left = Polygon([(-1, 0), (100 * foot, 0), (100 * head, 100), (-1, 100)])
        pieces = [part for piece in pieces for part in (piece & left, piece - left) if part.area > 1.0]
    # With each piece drawn in by half the gap they lie the gap apart, in a square drawn in likewise.
    lay = [piece.buffer(-0.5 * gap_mm - 1e-7, join_style="mitre") for piece in pieces]
    lay = [piece for shape in lay for piece in getattr(shape, "geoms", [shape]) if piece.area > 0.1]
    low, high = (f(shape.bounds[k] for shape in lay) for f, k in ((min, 0), (max, 2)))
    parts = [Part(translate(shape, 5e3, math.pi)) for shape in lay]
    for bound in all_bounds(parts, width_mm=100.0 - gap_mm, gap_mm=gap_mm):
        assert bound.length_mm <= high - low + 1e-6


@pytest.mark.reference(source="two copies of a triangle make a parallelogram, two Ls a rectangle: both tile", kind="derived")
@pytest.mark.parametrize(
    ("corners", "room_mm"),
    [
        ([(-100, -75), (100, -75), (-30, 75)], 1200.0),
        ([(-210, -125), (210, -125), (-140, 125)], 1250.0),
        ([(-150, -100), (150, -100), (150, 0), (-50, 0), (-50, 100), (-150, 100)], 1200.0),
    ],
)
def test_patterns_of_shapes_that_tile_have_no_waste(corners, room_mm):
    found = best_pattern(np.array(corners, dtype=float), (0.0, 180.0), room_mm=room_mm, gap_mm=0.0)
    assert found is not None
    assert found.use == pytest.approx(1.0, abs=2e-6)


@pytest.mark.reference(source="L. Fejes Toth 1950: no packing of congruent ellipses is denser than pi / sqrt(12)", kind="memory")
@pytest.mark.parametrize("half_mm", [(60.0, 60.0), (110.0, 60.0)])
def test_a_pattern_of_ellipses_is_the_hexagonal_one_within_its_width(half_mm):
    a, b = half_mm
    angle = np.linspace(0.0, 2.0 * math.pi, 48, endpoint=False)
    ring = np.column_stack([a * np.cos(angle), b * np.sin(angle)])
    # Columns of nine, every other one half a piece further across.
    room = 19.0 * b
    found = best_pattern(ring, (0.0, 180.0), room_mm=room, gap_mm=0.0)
    assert found is not None
    columns = 9.0 * math.pi / (19.0 * math.sqrt(3.0))
    # An inscribed polygon of 48 corners has 0.3 per cent less area.
    assert columns * 0.995 <= found.use <= math.pi / math.sqrt(12.0)

"""Laps kept apart from ply to ply: the rule for equal pieces, the search where strain has a say, and the measure."""

from __future__ import annotations

import numpy as np
import pytest
import shapes
from hypothesis import given
from hypothesis import strategies as st

from plyflat.cloth._laps import clearances, distance_to_lines, lap_lines
from plyflat.cloth._stagger import stagger_seams, turn_share
from plyflat.cloth.flatten import flatten
from plyflat.cloth.opening import holes_to_open, open_at, open_patch
from plyflat.surface.mesh import Surface


@given(st.integers(2, 8), st.floats(50, 2000), st.floats(0, 500))
def test_turn_keeps_neighbours_apart_and_no_two_plies_on_one_line(plies, pitch, stagger):
    turn = turn_share(plies, pitch_mm=pitch, stagger_mm=stagger)
    assert 0 < turn <= 0.5
    at = np.sort(np.arange(plies) * turn % 1.0)
    nearest = np.diff(np.r_[at, at[0] + 1]).min() * pitch
    assert turn * pitch >= min(stagger, pitch / 3) - 1e-5
    # Where all could keep the stagger spread out evenly, none comes nearer than that.
    assert nearest >= min(stagger, pitch / plies) - 1e-5 or nearest >= pitch / (2 * plies + 1) - 1e-9


def test_turn_is_a_share_of_the_piece():
    assert turn_share(1, pitch_mm=100, stagger_mm=50) == 0
    assert turn_share(3, pitch_mm=600, stagger_mm=75) == pytest.approx(1 / 3)
    # Too short for the stagger: two fifths keep five plies off each other.
    assert turn_share(5, pitch_mm=100, stagger_mm=75) == pytest.approx(2 / 5)


@pytest.fixture(scope="module")
def sheet():
    p, f = shapes.rectangle(400, 300, 3000)
    return Surface(np.column_stack([p, np.zeros(len(p))]), f)


def test_distance_from_lines_on_a_plane_is_that_in_the_plane(sheet):
    line = np.array([[100, 5, 0], [100, 295, 0.0]])
    points = np.array([[150, 150, 0], [60, 40, 0], [390, 100, 0.0]])
    np.testing.assert_allclose(distance_to_lines(sheet, [line], points), [50, 40, 290], rtol=2e-3)
    np.testing.assert_allclose(distance_to_lines(sheet, [line], points, most_mm=45), [45, 40, 45], rtol=2e-3)


def test_lines_off_the_surface_are_left_out(sheet):
    above = np.array([[100, 5, 40], [100, 295, 40.0]])
    assert distance_to_lines(sheet, [above], [[150, 150, 0.0]])[0] == np.inf
    assert distance_to_lines(sheet, [above], [[150, 150, 0.0]], most_mm=99)[0] == 99
    # The part beyond the edge does not count.
    half = np.array([[100, 150, 0], [100, 450, 0.0]])
    assert clearances(sheet, [half], [[half + [60, 0, 0]], [above]], most_mm=200) == pytest.approx((60, 200), rel=5e-3)


def test_a_lap_lies_on_the_piece_to_the_right_of_its_seam():
    s = Surface(*shapes.post_on_plate(60, 80, 100, around=90, along=30))
    opened = open_patch(s, pieces=4, lap_mm=20)
    for seam, lap in zip(opened.seams, lap_lines(opened, [flatten(p) for p in opened.pieces], 20.0)):
        # Outward along the seam, its right is the way round: anticlockwise seen from above.
        turn = np.angle(complex(*lap[0, :2]) / complex(*seam[0, :2]))
        assert abs(turn) * 60 == pytest.approx(10, rel=0.15)
        a, b = seam[len(seam) // 8], seam[len(seam) // 4]
        normal = np.array([a[0], a[1], 0]) / np.hypot(*a[:2])
        right = np.cross(b - a, normal)
        assert (lap[len(lap) // 8] - a) @ right > 0


def staggered(s, plies, **options):
    """Open plies one on the other; return the pieces of each and the laps' clearances from those below."""
    holes = holes_to_open(s)
    how = {"limit": 0.03, "over_share": 0.05, "lap_mm": 20.0, "most": 4, **options}
    stagger = how.pop("stagger_mm", 60.0)
    opened = open_patch(s, **how)
    first = np.array([seam[0] for seam in opened.seams])
    laps, counts, clear, found = [], [], [], []
    for j in range(plies):
        if j:
            found.append(stagger_seams(s, holes, first_mm=first, laps_mm=laps, stagger_mm=stagger, plies=plies, **how))
            opened = open_at(s, holes, found[-1].starts, lap_mm=how["lap_mm"])
        own = lap_lines(opened, [flatten(p) for p in opened.pieces], how["lap_mm"])
        clear.append(clearances(s, own, laps, most_mm=500.0) if laps else ())
        laps.append(own)
        counts.append(len(opened.pieces))
    return counts, clear, found


def test_seams_of_a_round_post_turn_on_from_ply_to_ply():
    s = Surface(*shapes.post_on_plate(60, 80, 100, around=90, along=30))
    counts, clear, found = staggered(s, 3, most=2, over_share=0.5)
    # A piece has half of 377 mm of rim; three plies share it out, 63 mm each.
    assert counts == [2, 2, 2]
    assert min(d for ply in clear for d in ply) > 55
    assert all(f.refused_share is None for f in found)


@pytest.fixture(scope="module")
def foil():
    return Surface(*shapes.foil_on_plate(around=80, along=16))


def test_a_seam_at_a_nose_is_turned_into_two_beside_it(foil):
    counts, clear, found = staggered(foil, 2, stagger_mm=75.0, over_share=0.2)
    assert counts == [2, 4]
    # As far as the cloth bears; what the whole stagger would cost is known.
    assert 30 < clear[1][0] < 70
    assert found[0].over_share <= 0.2 < found[0].refused_share
    assert 1 < found[0].tried <= 12


def test_with_no_pieces_to_spare_laps_go_to_the_other_side(foil):
    counts, clear, _ = staggered(foil, 2, stagger_mm=75.0, over_share=0.2, most=2)
    assert counts == [2, 2]
    assert clear[1][0] == pytest.approx(20, rel=0.1)

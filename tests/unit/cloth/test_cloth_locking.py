import numpy as np
import pytest
import shapes

from plyflat.cloth.locking import TYPICAL, Locking, from_diagonals, from_tows, locked_part, spot_text, typical
from plyflat.errors import QuantityError
from plyflat.surface.mesh import Surface


@pytest.mark.parametrize(("width", "lock"), [(0.9, 25.84), (0.8, 36.87), (0.7, 45.57), (0.6, 53.13)])
def test_tows_touch_at_the_arc_cosine(width, lock):
    assert from_tows(width * 2.5, 2.5).lock_deg == pytest.approx(lock, abs=0.01)


@pytest.mark.reference(source="a rhombus with sides s sheared by g has diagonals 2 s cos, sin(45 - g/2)", kind="derived")
@pytest.mark.parametrize("shear", [5.0, 30.0, 52.0])
def test_diagonals_of_a_sheared_square(shear):
    half = np.radians(45 - shear / 2)
    found = from_diagonals(200 * np.cos(half), 200 * np.sin(half))
    assert found.lock_deg == pytest.approx(shear)
    assert found.lock_back_deg == pytest.approx(shear)
    assert found.measured


def test_stitched_cloth_pulled_both_ways_keeps_the_sign():
    found = from_diagonals(160, 110, back_long_mm=175, back_short_mm=85)
    assert found.lock_deg < found.lock_back_deg
    over = found.excess_deg(np.array([found.lock_deg + 1, -found.lock_deg - 1, -found.lock_back_deg - 2]))
    assert over[0] == pytest.approx(1)
    assert over[1] < 0
    assert over[2] == pytest.approx(2)


def test_typical_values_say_that_they_are_from_memory():
    for cloth in TYPICAL:
        assert "from memory" in typical(cloth).source
        assert not typical(cloth).measured
    both = typical("biaxial")
    assert (both.lock_deg, both.lock_back_deg) == (30.0, 45.0)


@pytest.mark.parametrize("wrong", [
    lambda: typical("felt"), lambda: from_tows(2, 2), lambda: from_tows(-1, 2), lambda: from_tows(np.nan, 2),
    lambda: from_diagonals(100, 100), lambda: from_diagonals(100, 0), lambda: from_diagonals(100, 120),
    lambda: from_diagonals(150, 100, back_long_mm=140), lambda: Locking(0, 30, 20, 20), lambda: Locking(30, 30, 35, 20),
    lambda: Locking(95, 30, 20, 20),
])
def test_numbers_that_cannot_be_are_refused(wrong):
    with pytest.raises(QuantityError):
        wrong()


def test_locked_area_and_outline_of_linear_shear_are_exact():
    v, f = shapes.rectangle(100, 60, 500)
    s = Surface(np.column_stack([v, 0 * v[:, 0]]), f)
    locking = Locking(30, 20, 25, 15)
    got = locked_part(s, v[:, 0] - 40, locking)
    # Past 70 mm one way and before 20 mm the other.
    assert got.area_mm2 == pytest.approx((30 + 20) * 60)
    assert got.near_mm2 == pytest.approx((35 + 25) * 60)
    ends = sorted(float(line[:, 0].mean()) for line in got.lines_mm)
    assert ends == pytest.approx([20, 70])
    for line in got.lines_mm:
        assert np.ptp(line[:, 0]) < 1e-9
        assert np.ptp(line[:, 1]) == pytest.approx(60)
    assert len(got.spots) == 2
    assert sum(p.area_mm2 for p in got.spots) == pytest.approx(got.area_mm2)
    assert got.worst_deg == pytest.approx(30)
    assert {round(p.shear_deg) for p in got.spots} == {60, -40}
    assert "past locking" in spot_text(got.spots[0])


def test_round_locked_spot_has_a_closed_outline():
    v, f = shapes.disc(100, 4000)
    s = Surface(np.column_stack([v, 0 * v[:, 0]]), f)
    got = locked_part(s, 60 - 0.5 * np.hypot(*v.T), Locking(30, 30, 20, 20))
    (line,) = got.lines_mm
    assert (line[0] == line[-1]).all()
    assert got.area_mm2 == pytest.approx(np.pi * 60**2, rel=0.02)


def test_nothing_locked():
    v, f = shapes.rectangle(100, 60, 100)
    s = Surface(np.column_stack([v, 0 * v[:, 0]]), f)
    got = locked_part(s, 0 * v[:, 0] + 4, Locking(30, 30, 20, 20))
    assert got.area_mm2 == 0
    assert got.lines_mm == ()
    assert got.spots == ()
    assert got.worst_deg == pytest.approx(-26)

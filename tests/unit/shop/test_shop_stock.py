import pytest

from plyflat.shop.stock import offcut_g, roll_need, tape_rolls


def test_one_roll_in_shop_is_enough():
    need = roll_need((2500.0,), roll_length_mm=10_000, rolls_in_shop=1, price_per_m=40.0)
    assert (need.rolls, need.to_buy, need.cost) == (1, 0, pytest.approx(100.0))


def test_second_roll_is_bought_whole():
    need = roll_need((9_800.0, 1_200.0), roll_length_mm=10_000, rolls_in_shop=1, price_per_m=None)
    assert (need.rolls, need.to_buy, need.cost) == (2, 1, None)
    assert need.length_m == pytest.approx(11.0)


@pytest.mark.parametrize(("length", "rolls"), [(0.0, 0), (1.0, 1), (15_000.0, 1), (15_001.0, 2)])
def test_tape_rolls(length, rolls):
    assert tape_rolls(length, roll_length_mm=15_000) == rolls


def test_offcuts_are_what_was_cut_less_what_stays():
    assert offcut_g(used_mm2=2e6, on_hull_mm2=1.5e6, areal_weight_g_m2=200) == pytest.approx(100.0)

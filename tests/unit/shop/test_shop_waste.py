import math

import pytest

from plyflat.shop.waste import (
    Margin,
    Small,
    WasteError,
    cuts_of,
    margin_saves_g,
    order_mass,
    order_roll,
    reuse_of,
    small_things,
    with_surface,
)


def test_cups_gloves_and_tools_are_counted():
    s = small_things(batches=5, sessions=2, wet_s=5400, people=2, gloves_s=1800, cup_g=12, gloves_g=8, tools_g=60)
    assert (s.cups, s.pairs) == (5, 6)
    assert (s.cups_g, s.gloves_g, s.tools_g, s.total_g) == (60, 48, 120, 228)
    short = small_things(batches=1, sessions=1, wet_s=600, people=3, gloves_s=1800, cup_g=12, gloves_g=8, tools_g=60)
    assert short.pairs == 3
    with pytest.raises(WasteError):
        small_things(batches=1, sessions=1, wet_s=600, people=1, gloves_s=0, cup_g=1, gloves_g=1, tools_g=1)


def test_what_cuts_most_comes_first():
    cuts = cuts_of(
        offcuts_g={"carbon": (300.0, 120.0)}, layer_offcuts_g={"film": (50.0, 35.0)}, margins=[Margin("breather", 75.0, 3000.0, 150.0)],
        single_use_g={"tape": ("sealant tape", 240.0), "film": ("bag film", 79.0)},
        bled_g=130.0, cups_loss_g=60.0, small=Small(4, 2, 48.0, 16.0, 60.0), batches_least=1,
    )  # fmt: skip
    assert [c.item for c in cuts] == [
        "tape", "carbon offcuts", "resin bled", "carbon beside its pieces", "film", "cups", "film beside its pieces",
        "resin left in cups and rollers", "film offcuts", "margin of breather",
    ]  # fmt: skip
    # 25 mm of 3.393 m (3 m and 2 pi times 62.5 mm) of 150 g/m2.
    assert [c.saves_g for c in cuts] == pytest.approx([240, 180, 130, 120, 79, 36, 35, 30, 15, 12.72], abs=0.01)
    # What a lay saves and what can only be kept make up all offcuts.
    by_name = {c.item: c.saves_g for c in cuts}
    assert by_name["carbon offcuts"] + by_name["carbon beside its pieces"] == 300.0
    assert cuts[-1].how.startswith("50 mm instead of 75")


SURFACE = {
    "mask_m2": 0.21, "mask_m": 4.2, "clean_m2": 1.17, "sheet_g_m2": 40.0, "tape_g_m": 3.0, "wipes_g_m2": 20.0, "solvent_g_m2": 40.0,
}  # fmt: skip


@pytest.mark.reference(source="0.21 m2 masked over 4.2 m, 1.17 m2 wiped, tape along both edges: 8.4 + 25.2 + 23.4 + 46.8 g, worked by hand", kind="derived")
def test_masking_wipes_and_solvent():
    s = with_surface(Small(4, 2, 48.0, 16.0, 60.0), **SURFACE)
    assert (s.mask_sheet_g, s.mask_tape_g, s.wipes_g, s.solvent_g) == pytest.approx((8.4, 25.2, 23.4, 46.8))
    assert s.total_g == pytest.approx(124.0 + 103.8)
    for key in SURFACE:
        with pytest.raises(WasteError):
            with_surface(s, **{**SURFACE, key: -0.1})


@pytest.mark.reference(source="band between two circles, pi (R2 - r2)", kind="derived")
def test_a_margin_round_a_circle():
    ring = math.pi * ((200 + 75) ** 2 - (200 + 50) ** 2)
    assert margin_saves_g(Margin("x", 75.0, 2 * math.pi * 200, 1e6)) == pytest.approx(ring)


@pytest.mark.reference(source="break-even of a bag used again, n c > P and n g > w, worked by hand", kind="derived")
def test_break_even():
    r = reuse_of(2.0, price_per_m2=60.0, weight_g_m2=2500, uses=50, single_use_cost=9.5, single_use_g=180)
    assert (r.price, r.uses_to_pay, r.uses_to_weigh_less) == (120.0, 13, 28)
    assert 12 * 9.5 < 120 < 13 * 9.5
    assert 27 * 180 < 5000 < 28 * 180
    unknown = reuse_of(2.0, price_per_m2=None, weight_g_m2=2500, uses=50, single_use_cost=9.5, single_use_g=0)
    assert (unknown.price, unknown.uses_to_pay, unknown.uses_to_weigh_less) == (None, None, None)
    with pytest.raises(WasteError):
        reuse_of(0.0, price_per_m2=1.0, weight_g_m2=1.0, uses=1, single_use_cost=1.0, single_use_g=1.0)


def test_order_by_the_roll():
    line = order_roll("cloth", lengths_m=[9.8, 1.2], roll_m=10, rolls_in_shop=1, price_per_m=40)
    assert (line.need, line.buy, line.left, line.packs) == (11.0, 10.0, 9.0, "1 roll of 10 m")
    assert (line.cost, line.cost_to_buy) == (440.0, 400.0)
    enough = order_roll("cloth", lengths_m=[3.0], roll_m=10, rolls_in_shop=2, price_per_m=None)
    assert (enough.buy, enough.left, enough.packs, enough.cost) == (0.0, 17.0, "nothing", None)


def test_what_is_cut_off_rolls_begun_before_counts():
    line = order_roll("cloth", lengths_m=[1.5], roll_m=10, rolls_in_shop=0, price_per_m=40, begun_m=6.0, off_begun_m=5.0)
    assert (line.need, line.in_shop, line.buy, line.left, line.packs) == (6.5, 6.0, 10.0, 9.5, "1 roll of 10 m")
    assert (line.cost, line.cost_to_buy) == (260.0, 400.0)
    with pytest.raises(WasteError, match="5 m cut off rolls begun with 4 m"):
        order_roll("cloth", lengths_m=[], roll_m=10, rolls_in_shop=0, price_per_m=40, begun_m=4.0, off_begun_m=5.0)


def test_order_by_mass_covers_the_high_end():
    line = order_mass("resin and hardener", need_g=1200, high_g=1500, in_shop_g=400, price_per_kg=20)
    assert (line.buy, line.left, line.cost, line.cost_to_buy) == (1100, 300, 24, 22)
    assert order_mass("resin", need_g=10, high_g=20, in_shop_g=None, price_per_kg=None).buy == 20
    with pytest.raises(WasteError):
        order_mass("resin", need_g=10, high_g=5, in_shop_g=None, price_per_kg=None)

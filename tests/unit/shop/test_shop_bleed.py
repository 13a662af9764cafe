"""Where bled resin goes, ranges through formulas, and the capacity of a weighed square."""

from dataclasses import replace

import numpy as np
import pytest

from plyflat.shop.bleed import (
    Bleed,
    BleedError,
    Stack,
    bled_g,
    bleed_of,
    breather_holds,
    holds_from_square_g_m2,
    lead_holds_g_m,
    open_share,
)
from plyflat.shop.resin import FractionError, breather_capacity_g_m2
from plyflat.shop.spread import Range, RangeError, carried

STACK = Stack(
    fibre_g=1200.0, psi_wet=Range(0.45, 0.45, 0.45), psi_final=0.60, laminate_m2=1.0, perimeter_mm=4000.0, peel_m2=1.1,
    peel_g_m2=Range(0, 0, 0), breather_m2=1.3, breather_g_m2=Range(500, 500, 500), margin_mm=75.0, lead_width_mm=50.0,
    lead_mm=150.0, use=0.5,
)  # fmt: skip


@pytest.mark.reference(source="mass balance of bleed, W [(1-a)/a - (1-b)/b], worked apart", kind="derived")
@pytest.mark.parametrize(("w", "a", "b", "g"), [(1200, 0.45, 0.60, 666.67), (800, 0.50, 0.60, 266.67)])
def test_bleed(w, a, b, g):
    assert bled_g(w, a, b) == pytest.approx(g, abs=0.01)
    # What stays and what leaves make up what was wetted in.
    assert w / b - w + bled_g(w, a, b) == pytest.approx(w / a - w)


@pytest.mark.reference(source="pore volume of a felt: capacities of 100 to 300 g/m2 at 10 to 30 % solid, worked apart", kind="derived")
@pytest.mark.parametrize(
    ("w", "low", "usual", "high"), [(100, 250, 333, 472), (136, 340, 453, 642), (150, 375, 500, 708), (300, 750, 1000, 1417)]
)
def test_capacity(w, low, usual, high):
    r = breather_holds(w)
    assert (r.low, r.usual, r.high) == pytest.approx((low, usual, high), rel=2e-3)


@pytest.mark.reference(source="(w/rf) (1 - s)/s rr of polyester felt and resin of 1.15 g/cm3, table worked apart", kind="derived")
@pytest.mark.parametrize(
    ("w", "holds"),
    [
        (100, (750, 472, 333, 250, 194)), (136, (1020, 642, 453, 340, 264)), (150, (1125, 708, 500, 375, 292)),
        (200, (1500, 944, 667, 500, 389)), (300, (2250, 1417, 1000, 750, 583)),
    ],
)  # fmt: skip
def test_capacity_by_solid_share(w, holds):
    found = [breather_capacity_g_m2(w, solid_share=s) for s in (0.10, 0.15, 0.20, 0.25, 0.30)]
    assert found == pytest.approx(holds, abs=0.6)


@pytest.mark.reference(source="bleed of 1200 g/m2 of glass from 45 to 60 % against a 150 g/m2 breather, worked apart", kind="derived")
def test_a_wet_glass_stack_overfills_a_breather_from_16_percent_solid():
    bled = bled_g(1200, 0.45, 0.60)
    assert breather_capacity_g_m2(150, solid_share=0.15) > bled > breather_capacity_g_m2(150, solid_share=0.16)


def test_your_own_square_goes_before_the_pores():
    held = holds_from_square_g_m2(1.5, 5.7, 0.01)
    assert held == pytest.approx(420.0)
    r = breather_holds(150, measured_g_m2=held)
    assert (r.low, r.usual, r.high) == pytest.approx((378, 420, 462))


def test_more_than_the_breather_holds_runs_on():
    b = bleed_of(STACK)
    assert b.over_laminate.usual == pytest.approx(666.67 / 500, rel=1e-4)
    assert b.over_all.usual == pytest.approx(666.67 / 650, rel=1e-4)
    # 166.67 g more than the square metre holds: a third of a square metre of breather.
    assert b.run_even_mm == pytest.approx(166.67 / 500 * 1e6 / 4000, rel=1e-3)
    assert b.run_narrow_mm == pytest.approx(166.67 / 500 * 1e6 / 50, rel=1e-3)
    assert (b.to_port_mm, b.reaches) == (225.0, "may")
    # Half of what the breather holds is 250 g: 416.67 g stay beyond the 800 g of the aim.
    assert b.reached_fraction == pytest.approx(1200 / (1200 + 800 + 416.67), rel=1e-5)


def test_will_reach_a_port_at_the_edge_and_never_one_behind_a_dry_breather():
    assert bleed_of(replace(STACK, margin_mm=40.0, lead_mm=40.0)).reaches == "will"
    dry = bleed_of(replace(STACK, psi_wet=Range(0.6, 0.6, 0.6)))
    assert (dry.reaches, dry.breather_g.high, dry.reached_fraction) == ("no", 0.0, pytest.approx(0.6))


def test_the_peel_ply_takes_its_share_first():
    b = bleed_of(replace(STACK, peel_g_m2=Range(30, 40, 50)))
    assert b.breather_g.usual == pytest.approx(666.67 - 44, abs=0.01)
    assert b.breather_g.high - b.breather_g.usual == pytest.approx(11, abs=0.01)


def test_no_amount_ranges_under_nothing():
    b = bleed_of(replace(STACK, psi_wet=Range(0.53, 0.58, 0.6), peel_g_m2=Range(30, 40, 50)))
    assert min(b.leaves_g.low, b.breather_g.low, b.over_laminate.low, b.over_all.low) == 0.0
    assert b.breather_g.high > b.breather_g.usual > 0


def test_without_a_breather():
    b = bleed_of(replace(STACK, breather_m2=0.0))
    assert isinstance(b, Bleed)
    assert (b.reaches, b.over_all.high) == ("no", 0.0)


@pytest.mark.parametrize("change", [{"laminate_m2": 0.0}, {"perimeter_mm": 0.0}, {"use": 0.0}, {"lead_width_mm": -1.0}])
def test_a_stack_that_cannot_be(change):
    with pytest.raises(BleedError):
        bleed_of(replace(STACK, **change))


def test_odd_fractions_and_squares():
    with pytest.raises(FractionError):
        bleed_of(replace(STACK, psi_final=0.95))
    for dry, wet, area in ((2.0, 2.0, 0.01), (0.0, 2.0, 0.01), (1.0, 2.0, 0.0)):
        with pytest.raises(BleedError):
            holds_from_square_g_m2(dry, wet, area)
    with pytest.raises(RangeError):
        Range(2.0, 1.0, 3.0)


@pytest.mark.reference(source="law of propagation of uncertainty, JCGM 100:2008, 5.1.2, against 400 000 random draws", kind="derived")
def test_ranges_carried_through_are_those_of_random_draws():
    inputs = {"psi": Range(0.45, 0.5, 0.55), "peel": Range(30, 40, 50), "full": Range(400, 500, 600)}

    def share(psi, peel, full):
        return (bled_g(800, 0.5, 0.6) + 800 * ((1 - psi) / psi - 1) - 0.6 * peel) / (0.9 * full)

    ours = carried(share, inputs)
    rng = np.random.default_rng(4)
    draws = {k: rng.normal(r.usual, (r.high - r.low) / 4, 400_000) for k, r in inputs.items()}
    sd = np.std(share(**draws))
    assert (ours.high - ours.low) / 4 == pytest.approx(sd, rel=0.04)
    # First order by hand: the partial derivatives times the half-widths.
    at = share(0.5, 40, 500)
    parts = [800 / 0.25 / 450 * 0.05, 0.6 / 450 * 10, at / 500 * 100]
    assert (ours.high - ours.low) / 2 == pytest.approx(np.sqrt(np.sum(np.square(parts))), rel=0.03)


def test_a_lead_takes_what_its_width_holds():
    # 50 mm of a breather that holds 400 to 600 g/m².
    assert lead_holds_g_m(Range(400, 500, 600), 50.0) == Range(20, 25, 30)
    for width in (0.0, -1.0, float("inf")):
        with pytest.raises(BleedError, match="wide carries nothing"):
            lead_holds_g_m(Range(400, 500, 600), width)


@pytest.mark.reference(source="bleed of 1200 g/m2 of glass from 45 to 60 % over a stepped middle, worked by hand", kind="derived")
def test_a_stepped_middle_fills_its_breather_first():
    # Two square metres of 600 g/m2 on the average, 1200 in the middle: there 666.67 g/m2 leave, 40 stay in the peel ply.
    stack = replace(STACK, laminate_m2=2.0, peel_m2=2.0, breather_m2=2.2, peel_g_m2=Range(40, 40, 40), most_fibre_g_m2=1200.0)
    b = bleed_of(stack)
    assert b.over_laminate.usual == pytest.approx((666.67 - 80) / 1000, rel=1e-4)
    assert b.over_most.usual == pytest.approx((666.67 - 40) / 500, rel=1e-4)
    assert b.worst is b.over_most
    assert b.more_breather == pytest.approx(626.67 / 250, rel=1e-4)
    # What is said to be wet enough fills the middle to its usable share, no more and no less.
    just = bleed_of(replace(stack, psi_wet=Range(b.wet_enough, b.wet_enough, b.wet_enough)))
    assert just.over_most.usual == pytest.approx(0.5)
    assert just.more_breather == pytest.approx(1.0)
    # By hand: (1 - a)/a = 0.4/0.6 + (250 + 40)/1200.
    assert b.wet_enough == pytest.approx(1 / (1 + 2 / 3 + 290 / 1200))
    # Where wet-out strays the cloth must be drier by that, and the high end is what is kept within.
    strays = bleed_of(replace(stack, psi_wet=Range(0.40, 0.45, 0.50), breather_g_m2=Range(400, 500, 600)))
    a = strays.wet_enough
    assert 0.55 < a < 0.6
    kept = bleed_of(replace(stack, psi_wet=Range(a - 0.05, a, 0.6), breather_g_m2=Range(400, 500, 600)))
    assert kept.over_most.high == pytest.approx(0.5, abs=1e-6)
    # Cloth that drinks too much even at the final fraction: drier alone does not do it.
    assert bleed_of(replace(stack, psi_wet=Range(0.4, 0.5, 0.6), breather_g_m2=Range(50, 50, 50))).wet_enough == 0.0
    # So much more of the same breather brings it there too.
    full = Range(*(500 * b.more_breather,) * 3)
    assert bleed_of(replace(stack, breather_g_m2=full)).over_most.usual == pytest.approx(0.5)


def test_an_even_laminate_is_judged_by_its_mean():
    assert bleed_of(STACK).over_most.usual == pytest.approx(666.67 / 500, rel=1e-4)
    bare = bleed_of(replace(STACK, breather_m2=0.0))
    assert (bare.over_most.high, bare.wet_enough, bare.more_breather) == (0.0, 0.0, 0.0)


@pytest.mark.reference(source="holes of 0.38 and 1.14 mm, 6.35 to 25.4 mm apart (trade glossary): pi/4 (d/s)^2 worked apart", kind="derived")
@pytest.mark.parametrize(("hole", "pitch", "percent"), [(1.14, 25.4, 0.158), (1.14, 6.35, 2.53), (0.38, 6.35, 0.281)])
def test_how_open_a_perforated_film_is(hole, pitch, percent):
    assert 100 * open_share(hole, pitch) == pytest.approx(percent, rel=3e-3)
    for bad in ((0.0, 6.0), (6.0, 6.0), (7.0, 6.0)):
        with pytest.raises(BleedError, match="leave no film or are none"):
            open_share(*bad)

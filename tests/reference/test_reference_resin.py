"""Resin and thickness against worked values of published wording and an independent mass balance."""

import pytest

from plyflat import units
from plyflat.shop.resin import (
    FractionError,
    breather_capacity_g_m2,
    fibre_mass_fraction,
    fibre_volume_fraction,
    mix_for,
    resin_for,
    thickness_mm,
    usual_fractions,
)


@pytest.mark.reference(
    source="FAA AC 43.13-1B par. 3-3a(2): resin weight equal to patch weight is 50 %", kind="published"
)
def test_equal_weights_are_half():
    assert resin_for(100.0, 0.5) == pytest.approx(100.0)


@pytest.mark.reference(
    source="trade laminating basics: hand lay-up 40 % resin, 60 % fibre by weight", kind="published"
)
def test_hand_lay_up_share():
    assert resin_for(300.0, 0.6) == pytest.approx(200.0)


@pytest.mark.reference(
    source="mass balance with the terms of ASTM D3171, worked apart by volume", kind="derived"
)
@pytest.mark.parametrize(
    ("w", "rf", "rr", "psi", "t", "vf", "resin"),
    [
        (300, 2.56, 1.15, 0.5, 0.378057, 0.309973, 300.0),
        (300, 2.56, 1.15, 0.6, 0.291101, 0.402567, 200.0),
        (200, 1.80, 1.15, 0.5, 0.285024, 0.389831, 200.0),
        (200, 1.80, 1.15, 0.6, 0.227053, 0.489362, 133.333),
        (450, 2.56, 1.20, 0.3, 1.050781, 0.167286, 1050.0),
        (600, 2.56, 1.20, 0.5, 0.734375, 0.319149, 600.0),
        # Half of the volume is fibre where psi = rf / (rf + rr).
        (200, 1.80, 1.15, 1.80 / 2.95, 0.222222, 0.5, 127.778),
    ],
)
def test_thickness_and_volume_fraction(w, rf, rr, psi, t, vf, resin):
    data = {"fibre_density_g_cm3": rf, "resin_density_g_cm3": rr}
    assert thickness_mm(w, psi, **data) == pytest.approx(t, abs=1e-6)
    assert fibre_volume_fraction(psi, **data) == pytest.approx(vf, abs=1e-6)
    assert resin_for(w, psi) == pytest.approx(resin, abs=5e-4)
    # W (rr/rf) (1 - Vf)/Vf is the same resin.
    assert w * rr / rf * (1 - vf) / vf == pytest.approx(resin, rel=1e-5)
    # By volume: fibre volume per area over thickness is the volume fraction.
    assert w / rf / 1000 / thickness_mm(w, psi, **data) == pytest.approx(vf, abs=1e-6)


@pytest.mark.reference(
    source="ISO 12215-5 thickness form t = W/3.072 (2.56/psi - 1.36), as remembered; same as the mass balance",
    kind="memory",
)
def test_class_rule_form_is_the_same_balance():
    for psi in (0.3, 0.45, 0.6):
        ours = thickness_mm(1000.0, psi, fibre_density_g_cm3=2.56, resin_density_g_cm3=1.20)
        assert ours == pytest.approx((2.56 / psi - 1.36) / 3.072, rel=1e-12)


@pytest.mark.reference(source="pore volume of a polyester felt, worked apart", kind="derived")
def test_breather_capacity():
    assert breather_capacity_g_m2(150, solid_share=0.20) == pytest.approx(500, abs=0.5)
    assert breather_capacity_g_m2(100, solid_share=0.25) == pytest.approx(250, abs=0.5)


@pytest.mark.reference(source="mass from volume fractions by the densities: glass 2.56, carbon 1.80, epoxy 1.15 g/cm3, worked apart", kind="derived")
@pytest.mark.parametrize(("bagged", "rf", "low", "high"), [
    (False, 2.56, 0.49, 0.60), (False, 1.80, 0.40, 0.51), (True, 2.56, 0.60, 0.73), (True, 1.80, 0.51, 0.66),
])  # fmt: skip
def test_usual_fractions_by_process(bagged, rf, low, high):
    data = {"fibre_density_g_cm3": rf, "resin_density_g_cm3": 1.15}
    assert usual_fractions(bagged=bagged, mat=False, **data) == pytest.approx((low, high), abs=0.006)
    # To volume and back.
    psi = fibre_mass_fraction(0.47, **data)
    assert fibre_volume_fraction(psi, **data) == pytest.approx(0.47)
    for bad in (0.0, 1.0, -0.2):
        with pytest.raises(FractionError, match="between 0 and 1"):
            fibre_mass_fraction(bad, **data)


@pytest.mark.reference(source="mat of 30 % glass by mass by hand, 8 to 10 points more under a bag, from memory of class rules", kind="memory")
def test_mat_holds_less_fibre():
    data = {"mat": True, "fibre_density_g_cm3": 2.56, "resin_density_g_cm3": 1.20}
    low, high = usual_fractions(bagged=False, **data)
    assert low < 0.30 < high
    more = usual_fractions(bagged=True, **data)
    assert [b - a for a, b in zip((low, high), more)] == pytest.approx([0.09, 0.105], abs=0.02)


def test_mix_adds_up_and_splits_by_ratio():
    m = mix_for(
        800.0, psi_wet=0.5, psi_final=0.6, peel_ply_m2=0.6, peel_ply_g_m2=40, loss=0.1, ratio=(100, 30)
    )
    assert m.laminate_g + m.peel_ply_g + m.bleed_g + m.loss_g == pytest.approx(m.total_g)
    assert m.peel_ply_g + m.bleed_g == pytest.approx(800 - 533.3333, abs=1e-3)
    assert m.hardener_g / m.resin_g == pytest.approx(0.3)


def test_dry_wet_out_still_feeds_the_peel_ply():
    m = mix_for(
        100.0, psi_wet=0.55, psi_final=0.55, peel_ply_m2=1.0, peel_ply_g_m2=40, loss=0.0, ratio=(4, 1)
    )
    assert m.total_g == pytest.approx(100 * 0.45 / 0.55 + 40)
    assert m.bleed_g == 0


@pytest.mark.parametrize("psi", [0.0, -0.1, 0.9, 1.2])
def test_impossible_fractions(psi):
    with pytest.raises(FractionError, match="between 0 and 0.9"):
        resin_for(1.0, psi)


def test_wet_out_above_final_is_refused():
    with pytest.raises(FractionError, match="above the final"):
        mix_for(1.0, psi_wet=0.7, psi_final=0.6, peel_ply_m2=0, peel_ply_g_m2=0, loss=0, ratio=(1, 1))


@pytest.mark.reference(source="trade page on chopped mat: twice its weight of resin", kind="published")
def test_mat_takes_twice_its_weight():
    assert resin_for(450.0, 1 / 3) == pytest.approx(900.0)


@pytest.mark.reference(
    source="US Army TM 55-1905-223-SDC par. 8-24: 400 g resin and 100 g hardener wet a strip of 6 by 40 in, 2 g per in2",
    kind="published",
)
def test_a_roving_strip():
    area_m2 = units.length_mm("6 in") * units.length_mm("40 in") * 1e-6
    needed = 2.0 * 240.0
    assert needed / area_m2 == pytest.approx(3100, abs=1)
    # The resin of a strip that holds its own mass of it, mixed 4:1.
    m = mix_for(needed, psi_wet=0.5, psi_final=0.5, peel_ply_m2=0, peel_ply_g_m2=0, loss=500 / 480 - 1, ratio=(4, 1))
    assert (m.resin_g, m.hardener_g) == pytest.approx((400, 100))

"""What to mix, with ranges: the mass balance, its partial derivatives by hand, and random draws."""

import numpy as np
import pytest

from plyflat.shop.mixing import Fractions, PlyStuff, RatioError, Spreads, region_mix, volumes_ml
from plyflat.shop.resin import FractionError
from plyflat.shop.spread import Range

GLASS = [PlyStuff(f"P{k}", 300.0 * a, 270.0 * a, 300.0, 2.56) for k, a in ((1, 1.0), (2, 1.2), (3, 0.8))]
OFF = Spreads()
STATED = Fractions(0.45, 0.6, 0.10, (100.0, 25.0), 1.15)


@pytest.fixture(scope="module")
def mix():
    return region_mix(GLASS, STATED, peel_m2=1.3, peel_g_m2=Range(30, 40, 50))


@pytest.mark.reference(source="mass balance with the terms of ASTM D3171, worked apart", kind="derived")
def test_usual_amounts(mix):
    fibre = 900.0
    assert mix.mixed_g.usual == pytest.approx(fibre * 0.55 / 0.45 * 1.1)
    assert mix.hardener_g.usual / mix.resin_g.usual == pytest.approx(0.25)
    assert sum(p.mixed_g.usual for p in mix.plies) == pytest.approx(mix.mixed_g.usual)
    assert mix.plies[1].mixed_g.usual == pytest.approx(1.5 * mix.plies[2].mixed_g.usual)
    assert mix.mass_g.usual == pytest.approx(810 / 0.6)
    assert [p.thickness_mm.usual for p in mix.plies] == pytest.approx([0.291101] * 3, abs=1e-6)
    assert mix.thickness_mm.usual == pytest.approx(3 * 0.291101, abs=1e-5)


@pytest.mark.reference(
    source="law of propagation of uncertainty, JCGM 100:2008, 5.1.2: partial derivatives by hand and 400 000 random draws", kind="derived"
)
def test_ranges_against_the_closed_form_and_random_draws(mix):
    w, psi, loss = 900.0, 0.45, 0.10
    parts = np.array([
        w / psi**2 * (1 + loss) * OFF.wet_out,
        w * (1 - psi) / psi * OFF.loss * loss,
        w * (1 - psi) / psi * (1 + loss) * OFF.areal,
    ])  # fmt: skip
    closed = float(np.sqrt((parts**2).sum()))
    half = (mix.mixed_g.high - mix.mixed_g.low) / 2
    assert half == pytest.approx(closed, rel=0.02)
    rng = np.random.default_rng(7)
    n = 400_000
    a = rng.normal(psi, OFF.wet_out / 2, n)
    drawn = w * rng.normal(1, OFF.areal / 2, n) * (1 - a) / a * (1 + rng.normal(loss, OFF.loss * loss / 2, n))
    assert 2 * drawn.std() == pytest.approx(closed, rel=0.02)
    low, high = np.percentile(drawn, [2.275, 97.725])
    assert mix.mixed_g.low == pytest.approx(low, rel=0.02)
    assert mix.mixed_g.high == pytest.approx(high, rel=0.02)


@pytest.mark.reference(source="thickness W/rf + W (1-psi)/(psi rr): partial derivatives by hand and random draws", kind="derived")
def test_range_of_thickness(mix):
    w, psi, rf, rr = 900.0, 0.6, 2.56, 1.15
    parts = [
        w / psi**2 / rr / 1000 * OFF.final,
        (w / rf + w * (1 - psi) / psi / rr) / 1000 * OFF.areal,
        w / rf / 1000 * OFF.density,
        w * (1 - psi) / psi / rr / 1000 * OFF.density,
    ]
    half = (mix.thickness_mm.high - mix.thickness_mm.low) / 2
    assert half == pytest.approx(np.sqrt(np.square(parts).sum()), rel=0.02)
    rng = np.random.default_rng(8)
    n = 400_000
    a, h = rng.normal(psi, OFF.final / 2, n), rng.normal(1, OFF.areal / 2, n)
    f, r = rng.normal(rf, rf * OFF.density / 2, n), rng.normal(rr, rr * OFF.density / 2, n)
    drawn = (w * h / f + w * h * (1 - a) / a / r) / 1000
    assert half == pytest.approx(2 * drawn.std(), rel=0.03)


def test_a_dry_wet_out_has_a_range_on_one_side():
    mix = region_mix(GLASS, Fractions(0.6, 0.6, 0.0, (4.0, 1.0), 1.15), peel_m2=1.0, peel_g_m2=Range(0, 0, 0))
    assert mix.mixed_g.usual == pytest.approx(600)
    assert mix.mixed_g.high - 600 > 600 - mix.mixed_g.low
    assert 600 - mix.mixed_g.low == pytest.approx(30)  # of the cloth's weight alone


@pytest.mark.reference(source="100:25 by mass of liquids of 1.15 and 0.96 g/cm3 is 100:29.9 by volume", kind="derived")
def test_by_volume():
    known = {"ratio": (100.0, 25.0), "ratio_by_volume": None}
    assert volumes_ml(1000, 250, part_density_g_cm3=None, hardener_density_g_cm3=None, **known) is None
    assert volumes_ml(1000, 250, part_density_g_cm3=1.15, hardener_density_g_cm3=None, **known) is None
    both = volumes_ml(1000, 250, part_density_g_cm3=1.15, hardener_density_g_cm3=0.96, **known)
    assert both == pytest.approx((869.6, 260.4), abs=0.1)
    assert both[1] / both[0] * 100 == pytest.approx(29.9, abs=0.1)
    for one in ((1.15, None), (None, 0.96)):
        told = volumes_ml(
            1000, 250, part_density_g_cm3=one[0], hardener_density_g_cm3=one[1], ratio=(100, 25), ratio_by_volume=(100, 29.948)
        )
        assert told == pytest.approx(both, rel=1e-3)


def test_ratios_that_do_not_agree_are_refused():
    with pytest.raises(RatioError, match="a wrong ratio never hardens"):
        volumes_ml(1, 1, part_density_g_cm3=1.15, hardener_density_g_cm3=0.96, ratio=(100, 25), ratio_by_volume=(100, 25))


@pytest.mark.parametrize("bad", [{"psi_final": 0.95}, {"psi_wet": 0.0}, {"ratio": (100.0, 0.0)}, {"ratio": (-1.0, 25.0)}])
def test_what_cannot_be(bad):
    stated = {"psi_wet": 0.45, "psi_final": 0.6, "loss": 0.1, "ratio": (100.0, 25.0), "resin_density_g_cm3": 1.15, **bad}
    with pytest.raises(FractionError):
        region_mix(GLASS, Fractions(**stated), peel_m2=1.0, peel_g_m2=Range(30, 40, 50))


@pytest.mark.reference(source="mass balance with resin that fills gaps on top, partial derivatives by hand", kind="derived")
def test_gaps_are_mixed_on_top_and_stay_on_the_part(mix):
    gap = Range(20, 30, 60)
    more = region_mix(GLASS, STATED, peel_m2=1.3, peel_g_m2=Range(30, 40, 50), gap_g=gap)
    assert more.mixed_g.usual - mix.mixed_g.usual == pytest.approx(30 * 1.1)
    assert more.mass_g.usual - mix.mass_g.usual == pytest.approx(30)
    assert sum(p.mixed_g.usual for p in more.plies) == pytest.approx(more.mixed_g.usual)
    # The gap's own share of each end is what it moves the whole by, squared: 30 g up and 10 g down, a tenth lost with it.
    for side, off in (("high", 33.0), ("low", 11.0)):
        was, now = (abs(getattr(m.mixed_g, side) - m.mixed_g.usual) for m in (mix, more))
        cross = 30 * OFF.loss * 0.10  # the loss goes with what is mixed
        assert now**2 == pytest.approx(was**2 + off**2 + 2 * cross * 900 * 0.55 / 0.45 * OFF.loss * 0.10 + cross**2, rel=1e-6)
    with pytest.raises(FractionError, match="gaps not negative"):
        region_mix(GLASS, STATED, peel_m2=1.3, peel_g_m2=Range(30, 40, 50), gap_g=Range(-5, 0, 5))

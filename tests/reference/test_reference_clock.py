"""Pot life, batches and the day against Arrhenius, published rules of thumb and an ODE solver."""

import math
from dataclasses import replace

import pytest
from scipy.integrate import solve_ivp

from plyflat.shop import clock as c

POT = c.PotLife(c.speed_of([(1800.0, 25.0)]), 100.0)
WORK = c.Work(
    plies_m2=(("P1", 1.0), ("P2", 1.2), ("P3", 1.4)), layers_m2=(("peel ply", 1.5), ("breather", 2.0)), tape_mm=7000.0,
    wet_out_m2_min=0.1, stack_m2_min=0.5, tape_mm_min=1000.0, mix_s=180.0, leak_hunt_s=600.0, pull_s=60.0,
)  # fmt: skip


@pytest.mark.reference(source="two trade articles: pot life halves for each 10 degC (18 degF)", kind="published")
@pytest.mark.parametrize(("celsius", "speed"), [(15, 0.5), (20, 0.707), (25, 1.0), (30, 1.414), (35, 2.0)])
def test_ten_degree_rule(celsius, speed):
    # Arrhenius is not quite a power of two; it keeps to it within 5 % from 15 to 35 degC.
    assert POT.speed.at_s / POT.at(celsius) == pytest.approx(speed, rel=0.05)


@pytest.mark.reference(source="Arrhenius: doubling from 25 to 35 degC means 52.95 kJ/mol", kind="derived")
def test_activation_energy_of_a_doubling():
    assert c.activation_kj_mol([(2.0, 25.0), (1.0, 35.0)]) == pytest.approx(52.95, abs=0.01)
    e = c.R_J_MOL_K * math.log(2) / (1 / 298.15 - 1 / 308.15) / 1000
    assert c.activation_kj_mol([(2.0, 25.0), (1.0, 35.0)]) == pytest.approx(e, rel=1e-12)


def test_two_points_are_met_and_three_are_fitted():
    speed = c.speed_of([(1800.0, 25.0), (3300.0, 15.0)])
    assert speed.at(25.0) == pytest.approx(1800)
    assert speed.at(15.0) == pytest.approx(3300)
    assert c.speed_of([(1800, 25), (3300, 15), (1000, 35)]).at(25) == pytest.approx(1800, rel=0.05)


@pytest.mark.reference(source="heat balance of a pot, solved by an adaptive ODE solver", kind="derived")
@pytest.mark.parametrize("mass", [5.0, 40.0, 100.0, 800.0])
def test_pot_warms_itself(mass):
    kj, air, stated = POT.speed.kj_mol, 25.0, 1800.0
    rate = c._rate(stated, kj, air, 100.0)
    tau = c.COOLING_100_G_S * (mass / 100) ** (1 / 3)
    heat = c.ADIABATIC_K * c.SHARE_AT_POT_LIFE

    def slope(_, y):
        r = rate * math.exp(kj * 1000 / c.R_J_MOL_K * (1 / 298.15 - 1 / (298.15 + y[1])))
        return [r, heat * r - y[1] / tau]

    def ended(_, y):
        return y[0] - 1.0

    ended.terminal = True
    run = solve_ivp(slope, (0, 1e5), [0.0, 0.0], events=ended, rtol=1e-9, atol=1e-9)
    ours, warm = c._until(rate, kj, air, mass)
    assert ours == pytest.approx(run.t_events[0][0], rel=2e-3)
    assert warm - air == pytest.approx(run.y_events[0][0][1], rel=5e-3)


def test_the_steps_of_the_balance_converge_with_order_two(monkeypatch):
    def at(steps):
        monkeypatch.setattr(c, "_STEPS", steps)
        return c._until(2e-4, 53.0, 25.0, 100.0)[0]

    exact = at(6400)
    errors = [abs(at(n) - exact) for n in (50, 100, 200)]
    assert errors[0] / errors[1] == pytest.approx(4, rel=0.35)
    assert errors[1] / errors[2] == pytest.approx(4, rel=0.35)


@pytest.mark.reference(source="resin maker's safety page: a gallon may set in about 5 minutes", kind="published")
def test_a_gallon_sets_in_about_five_minutes():
    assert POT.at(25.0, 4200.0) / 60 == pytest.approx(5, abs=1)


@pytest.mark.reference(source="resin maker's safety page: 100 g in a pot can reach 204 degC", kind="published")
def test_a_pot_without_loss_of_heat_passes_two_hundred_degrees():
    # The heat balance's own figures allow it: the whole reaction without loss.
    assert 25 + c.ADIABATIC_K >= 204
    assert 60 < POT.warmest_c(25.0, 100.0) < 100


def test_less_in_the_pot_lasts_longer_and_more_lasts_shorter():
    lives = [POT.at(22.0, m) for m in (5, 20, 60, 100, 101, 200, 1000)]
    assert lives == sorted(lives, reverse=True)
    assert POT.at(22.0, 100.0) == pytest.approx(POT.at(22.0), rel=1e-6)


def test_batches_are_spread_within_their_share_of_the_pot_life():
    plies = (("P1", 300.0), ("P2", 500.0), ("P3", 400.0))
    made = c.batches_of(plies, POT, temperature_c=25.0, seconds=3600.0, pot_share=0.5)
    assert sum(b.mass_g for b in made) == pytest.approx(1200)
    assert all(b.spread_s <= 0.5 * b.pot_life_s for b in made)
    one_less = 1200.0 / (len(made) - 1)
    assert one_less / (1200 / 3600) > 0.5 * POT.at(25.0, one_less)
    for name, _ in plies:
        assert sum(share for b in made for n, share in b.wets if n == name) == pytest.approx(1.0)
    # The last one is mixed when all before it are mixed and spread, and spread when the plies are wetted.
    timed = c.batches_of(plies, POT, temperature_c=25.0, seconds=3600.0, pot_share=0.5, mix_s=180.0)
    assert timed[0].start_s == 0.0
    assert timed[1].start_s == pytest.approx(180.0 + timed[0].spread_s)
    assert timed[-1].start_s + 180.0 + timed[-1].spread_s == pytest.approx(3600.0 + 180.0 * len(timed))
    assert [n for b in made for n, _ in b.wets] == sorted(n for b in made for n, _ in b.wets)


def test_the_day_adds_up():
    steps = c.steps_of(WORK, 3)
    assert all(a.end_s == pytest.approx(b.start_s) for a, b in zip(steps, steps[1:]))
    # 3 mixes, 36 min of wetting, 7 min of layers, 7 of tape, 1 of pump, 10 for leaks.
    assert steps[-1].end_s == pytest.approx(60 * (9 + 36 + 7 + 7 + 1 + 10))
    assert [s.what for s in steps][:2] == ["mix the first batch", "lay and wet out P1"]


def test_a_day_that_fits_and_one_that_does_not():
    long = c.fit_of(WORK, batch_count=3, open_time=c.speed_of([(5400.0, 20.0)]), temperature_c=20.0)
    assert (long.cooler_c, long.quicker_by) == (None, 1.0)
    assert [names for names, _ in long.sessions] == [("P1", "P2", "P3")]
    assert long.down_by_s == pytest.approx(5400 - 660)
    short = c.fit_of(WORK, batch_count=3, open_time=c.speed_of([(3300.0, 20.0)]), temperature_c=20.0)
    assert short.slower_by == pytest.approx(70 * 60 / 3300)
    assert c.speed_of([(3300.0, 20.0)]).at(short.cooler_c) == pytest.approx(short.needed_s)
    fixed = 3 * 180 + 660
    assert fixed + (short.needed_s - fixed) / short.quicker_by == pytest.approx(3300)
    assert [names for names, _ in short.sessions] == [("P1", "P2"), ("P3",)]
    assert all(seconds <= 3300 for _, seconds in short.sessions)
    none = c.fit_of(WORK, batch_count=3, open_time=c.speed_of([(900.0, 20.0)]), temperature_c=20.0)
    assert (none.sessions, none.cooler_c, none.quicker_by) == ((), None, None)


@pytest.mark.reference(source="US Army TM 1-1500-204-23-11: above 90 degF (32 degC) halve the time to pressure", kind="published")
def test_above_32_degrees_the_time_is_less_than_half_of_that_of_the_cooler_shop():
    speed = c.speed_of([(5400.0, 21.0)])
    assert speed.at(32.3) / speed.at(21.0) < 0.5


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: c.speed_of([]), "no time is stated"),
        (lambda: c.speed_of([(0.0, 20.0)]), "not above zero"),
        (lambda: c.speed_of([(1800, 15), (2400, 25)]), "does not shorten with warmth"),
        (lambda: c.speed_of([(1800, 20), (1800, 20)]), "does not shorten with warmth"),
        (lambda: c.speed_of([(1800, 20), (-1, 30)]), "above zero"),
        (lambda: c.PotLife(c.speed_of([(1800, 20)]), 0.0), "0 g tells no pot life"),
        (lambda: POT.at(25.0, -5.0), "batch of -5 g"),
        (lambda: POT.at(900.0), "900 degC"),
        (lambda: c.batches_of([("P1", 0.0)], POT, temperature_c=20, seconds=60, pot_share=0.5), "cannot be shared"),
        (lambda: c.largest_batch_g(POT, temperature_c=20, g_per_s=0.0, pot_share=0.5), "cannot be"),
    ],
)
def test_what_cannot_be(call, words):
    with pytest.raises(c.TimeError, match=words):
        call()


def test_a_region_without_bag_has_no_bag_steps():
    bare = replace(WORK, layers_m2=(), tape_mm=0.0)
    assert [s.what for s in c.steps_of(bare, 1)][-1] == "lay and wet out P3"

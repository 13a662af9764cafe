"""Vacuum against the standard atmosphere, vapour tables, published limits and a simulated pump."""

import math

import pytest
from scipy.integrate import solve_ivp

from plyflat import units
from plyflat.shop import vacuum as v


@pytest.mark.reference(source="ISO 2533 standard atmosphere, kPa by height", kind="published")
@pytest.mark.parametrize(
    ("metres", "kpa"), [(0, 101.325), (500, 95.461), (1000, 89.875), (1500, 84.556), (2000, 79.495), (3000, 70.109)]
)
def test_air_by_height(metres, kpa):
    assert v.air_pressure_kpa(metres) == pytest.approx(kpa, abs=0.005)
    # The barometric formula from its own constants: lapse 6.5 K/km, 288.15 K, g M / (R L) = 5.25588.
    assert v.air_pressure_kpa(metres) == pytest.approx(101.325 * (1 - 0.0065 * metres / 288.15) ** 5.25588, rel=1e-5)


@pytest.mark.reference(source="ISO 2533 standard atmosphere, inHg by height", kind="published")
@pytest.mark.parametrize(("metres", "inhg"), [(0, 29.92), (500, 28.19), (1000, 26.54), (1500, 24.97), (2000, 23.47), (3000, 20.70)])
def test_air_by_height_on_a_gauge(metres, inhg):
    assert v.air_pressure_kpa(metres) / v.INHG_KPA == pytest.approx(inhg, abs=0.006)


@pytest.mark.reference(source="US Army TM 1-1500-204-23-11: inHg times 0.49116 is psi; at least 20 inHg; 14.7 psi on 10 by 10 in is 1470 lb", kind="published")
def test_conversions_of_the_manual():
    inch, psi = units.pressure_kpa("1 inHg"), units.pressure_kpa("1 psi")
    assert inch / psi == pytest.approx(0.49116, abs=5e-5)
    assert psi / inch == pytest.approx(2.036, abs=5e-4)
    assert units.pressure_kpa("20 inHg") == pytest.approx(67.7, abs=0.05)
    # kPa times mm2 is mN; a pound is 4.448 N.
    assert pytest.approx(1470, abs=1) == v.STANDARD_KPA * (10 * 25.4) ** 2 / 1000 / 4.44822


@pytest.mark.reference(source="trade primer: about 1 inHg for each 1000 ft", kind="published")
def test_an_inch_of_mercury_for_a_thousand_feet():
    fall = v.air_pressure_kpa(0.0) - v.air_pressure_kpa(304.8)
    assert fall / v.INHG_KPA == pytest.approx(1.0, abs=0.1)


@pytest.mark.reference(source="FAA AC 43.13-1B par. 3-4(l): at least 22 inHg", kind="published")
def test_the_published_least_gauge_needs_a_perfect_vacuum_at_about_2500_m():
    assert pytest.approx(74.5, abs=0.05) == v.LEAST_GAUGE_KPA
    assert v.absolute_kpa(v.LEAST_GAUGE_KPA, v.air_pressure_kpa(2400)) > 0
    with pytest.raises(v.VacuumError, match=r"cannot be drawn where the air has 73\.1 kPa"):
        v.absolute_kpa(v.LEAST_GAUGE_KPA, v.air_pressure_kpa(2670))


@pytest.mark.reference(source="first-order pump equation dp/dt = (Q - S (p - pu))/V by an ODE solver", kind="derived")
@pytest.mark.parametrize(("litres", "seconds"), [(5, 5.18), (20, 20.7), (50, 51.8)])
def test_pump_down(litres, seconds):
    start = 101.325
    assert v.pump_down_s(litres, 8.0, start_kpa=start, end_kpa=0.1 * start) == pytest.approx(seconds, rel=2e-3)
    ours = v.pump_down_s(litres, 8.0, start_kpa=start, end_kpa=15.0, leak_pa_m3_s=5.0, pump_limit_kpa=2.0)
    flow = 8.0 / 3600

    def reached(_, p):
        return p[0] - 15000.0

    reached.terminal = True
    run = solve_ivp(
        lambda _, p: (5.0 - flow * (p - 2000.0)) / (litres / 1000), (0, 1e4), [start * 1000], events=reached, rtol=1e-9
    )
    assert ours == pytest.approx(run.t_events[0][0], rel=1e-5)


@pytest.mark.reference(
    source="US Army TM 1-1500-204-23-11, integrity test: at most 1 inHg in 1 min; Q = V dp/dt", kind="published"
)
def test_the_same_drop_is_another_leak_in_another_bag():
    small, large = (v.leak_pa_m3_s(litres, v.INHG_KPA, 60) for litres in (2.0, 10.0))
    assert small == pytest.approx(0.113, abs=5e-4)
    assert large == pytest.approx(0.564, abs=5e-4)
    assert v.standard_l_min(large) == pytest.approx(0.334, abs=1e-3)


@pytest.mark.reference(
    source="drop tests: 1 inHg in 1 min and 5 inHg in 5 min (US Army TM 1-1500-204-23-11), 1 inHg in 5 min (trade article)",
    kind="published",
)
def test_published_limits():
    per_minute = [kpa / v.INHG_KPA / seconds * 60 for _, kpa, seconds, _ in v.DROP_LIMITS]
    assert per_minute == pytest.approx([1.0, 1.0, 0.2])
    assert all(source for *_, source in v.DROP_LIMITS)


@pytest.mark.reference(source="saturated steam tables, kPa by degC", kind="published")
@pytest.mark.parametrize(("c", "kpa"), [(20, 2.339), (25, 3.169), (30, 4.247), (40, 7.384), (50, 12.35), (60, 19.94), (100, 101.4)])
def test_water_vapour(c, kpa):
    assert v.vapour_kpa(c) == pytest.approx(kpa, rel=6e-3)
    assert v.boiling_c(v.vapour_kpa(c)) == pytest.approx(c, abs=1e-9)


@pytest.mark.reference(source="boiling of water under a gauge of 25 to 29 inHg at sea level, from steam tables", kind="derived")
@pytest.mark.parametrize(("inhg", "c"), [(25, 56), (27, 46), (28, 38), (29, 25)])
def test_boiling_under_a_gauge(inhg, c):
    assert v.boiling_c(v.absolute_kpa(inhg * v.INHG_KPA, 101.325)) == pytest.approx(c, abs=0.7)


@pytest.mark.reference(source="normal boiling points of acetone 56.1, ethanol 78.3 and styrene 145 degC", kind="memory")
@pytest.mark.parametrize(("of", "c"), [("acetone", 56.1), ("ethanol", 78.3), ("styrene", 145.0)])
def test_solvents_boil_where_they_should(of, c):
    assert v.boiling_c(101.325, of=of) == pytest.approx(c, abs=0.6)


@pytest.mark.reference(source="Kardos, Duduković, Dave 1986, void growth bound, as remembered", kind="memory")
@pytest.mark.parametrize(("c", "kpa"), [(25, 1.9), (60, 10.5)])
def test_void_pressure(c, kpa):
    assert v.void_pressure_kpa(c, 0.5) == pytest.approx(kpa, rel=0.03)


@pytest.mark.reference(source="pore volume of a felt from its mass and its fibre's density, worked apart", kind="derived")
def test_pores():
    # 150 g/m2 of fibre of 1.38 g/cm3 is 108.7 cm3/m2; at a fifth solid the whole is five times that.
    assert v.pore_volume_l(2.0, 150.0, solid_share=0.2) == pytest.approx(2 * 0.1087 * 4, rel=1e-3)


@pytest.mark.reference(source="elastic buckling of a long tube under outside pressure, textbook, as remembered", kind="memory")
@pytest.mark.parametrize(("wall", "kpa"), [(1.0, 176), (0.8, 90)])
def test_a_thin_tube_collapses_under_a_bag(wall, kpa):
    assert v.tube_collapse_kpa(10.0, poisson=0.3, wall_mm=wall, radius_mm=25.0) == pytest.approx(kpa, abs=0.6)
    with pytest.raises(v.VacuumError, match="no thin tube"):
        v.tube_collapse_kpa(10.0, poisson=0.3, wall_mm=30.0, radius_mm=25.0)


def test_a_pull_holds_together():
    air = v.bag_air(breather_m2=1.0, breather_g_m2=150, bag_m2=1.2, loose_mm=10, hose_l=3, solid_share=(0.25, 0.2, 0.15))
    pull = v.pull_of(
        air, air_kpa=101.325, gauge_kpa=85, pump_m3_h=4, pump_limit_kpa=1, drop_kpa=v.INHG_KPA, drop_s=60
    )
    assert air.loose_l == 12.0
    assert air.settled_l[1] == pytest.approx(3 + 0.4348, abs=1e-3)
    assert pull.down_s[1] > 12 / 4 * 3.6
    # A leak at the limit that the pump holds, put into the drop test, gives the drop back.
    assert v.leak_pa_m3_s(air.settled_l[0], pull.held_drop_kpa[2], 60) == pytest.approx(pull.held_leak)
    assert v.settled_kpa(pull.held_leak, 4, pump_limit_kpa=1) == pytest.approx(pull.bag_kpa)
    assert pull.drop_settles_kpa < pull.bag_kpa
    weak = v.pull_of(air, air_kpa=70.1, gauge_kpa=69.5, pump_m3_h=4, pump_limit_kpa=1, drop_kpa=3.4, drop_s=60)
    assert weak.down_s is None
    assert weak.held_leak == 0.0


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: v.air_pressure_kpa(9000), "9000 m"),
        (lambda: v.air_pressure_kpa(math.nan), "outside"),
        (lambda: v.air_pressure_kpa(0, weather_kpa=84.5), "barometer in the shop"),
        (lambda: v.absolute_kpa(-1, 101), "cannot be drawn"),
        (lambda: v.absolute_kpa(101.4, 101.325), "29.9 inHg"),
        (lambda: v.leak_pa_m3_s(0, 1, 60), "the volume is 0"),
        (lambda: v.leak_pa_m3_s(1, -1, 60), "fell by -1"),
        (lambda: v.pump_down_s(5, 8, start_kpa=101, end_kpa=1, leak_pa_m3_s=5), "never reach"),
        (lambda: v.pump_down_s(5, 0, start_kpa=101, end_kpa=1), "flow is 0"),
        (lambda: v.vapour_kpa(20, of="tea"), "not known here"),
        (lambda: v.vapour_kpa(400), "400 degC"),
        (lambda: v.boiling_c(0), "is 0 kPa"),
        (lambda: v.pore_volume_l(1, 150, solid_share=1.0), "not between 0 and 1"),
    ],
)
def test_what_cannot_be(call, words):
    with pytest.raises(v.VacuumError, match=words):
        call()

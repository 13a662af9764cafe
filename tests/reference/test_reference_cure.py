"""Cure and sun against quadrature, closed forms, published rises and hand-made logs."""

import math

import pytest
from scipy.integrate import quad

from plyflat.shop import cure, sun
from plyflat.shop.clock import speed_of

FULL = speed_of([(24 * 3600.0, 20.0), (4 * 3600.0, 50.0)])


@pytest.mark.reference(source="adaptive quadrature (scipy quad) of exp(E/R (1/Tr - 1/T))", kind="derived")
@pytest.mark.parametrize(("c0", "c1", "hours"), [(20, 80, 2.0), (80, 20, 5.0), (20, 21, 0.1), (-10, 180, 12.0)])
def test_equivalent_time_of_a_ramp(c0, c1, hours):
    bend = FULL.kj_mol * 1000 / 8.314462618
    seconds = hours * 3600

    def rate(t):
        return math.exp(bend * (1 / 293.15 - 1 / (c0 + (c1 - c0) * t / seconds + 273.15)))

    exact = quad(rate, 0, seconds, epsrel=1e-11)[0] / FULL.at(20.0)
    assert cure.cure_share(cure.Profile((0.0, seconds), (c0, c1)), FULL) == pytest.approx(exact, rel=1e-8)


@pytest.mark.reference(source="halving for each 10 degC: integral of 2^(T/10) over a ramp in closed form", kind="derived")
def test_a_ramp_by_the_ten_degree_rule():
    # Over a narrow span Arrhenius and the power of two agree.
    speed = speed_of([(3600.0, 25.0)])
    ours = cure.cure_share(cure.Profile((0.0, 3600.0), (22.0, 28.0)), speed)
    assert ours == pytest.approx((2**0.3 - 2**-0.3) / (0.6 * math.log(2)), rel=2e-3)


def test_a_full_cure_by_its_own_data_is_one():
    for hours, c in ((24, 20), (4, 50)):
        held = cure.Profile((0.0, hours * 3600.0), (c, c))
        assert cure.cure_share(held, FULL) == pytest.approx(1.0)
        assert cure.reached_s(held, FULL) == pytest.approx(hours * 3600.0)
        assert cure.reached_s(held, FULL, share=0.25) == pytest.approx(hours * 900.0)


def test_a_plan_is_made_of_ramps_and_holds():
    p = cure.profile_of([(3600.0, 20.0), (7200.0, 60.0)], start_c=20.0, ramp_c_min=0.5)
    assert p.s == pytest.approx((0, 3600, 3600 + 4800, 3600 + 4800 + 7200, 3600 + 9600 + 7200))
    assert p.c == (20, 20, 60, 60, 20)
    assert (p.fastest_c_min, p.hottest_c) == (pytest.approx(0.5), 60)
    warm = cure.reached_s(p, FULL, share=0.3)
    assert 3600 < warm < 15600
    # Cut off at that moment, the plan has given just that share.
    at = 20.0 if warm < 3600 else min(20 + (warm - 3600) / 120, 60.0)
    cut = [(t, c) for t, c in zip(p.s, p.c) if t < warm] + [(warm, at)]
    assert cure.cure_share(cure.Profile(*zip(*cut)), FULL) == pytest.approx(0.3, rel=1e-6)
    assert cure.reached_s(p, FULL, share=5.0) is None


LOG = "time (min),part temperature (degC),air (degC)\n0,20,19\n10,25,20\n20,30,20\n"


def test_a_log_is_read_with_its_units():
    p = cure.log_from_text(LOG)
    assert (p.s, p.c) == ((0, 600, 1200), (20, 25, 30))
    f = cure.log_from_text("elapsed [h],t [degF]\n0,68\n0.5,86 degF\n")
    assert (f.s, f.c) == ((0, 1800), (pytest.approx(20), pytest.approx(30)))


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (LOG.replace("10,25", "10,77 degF"), r'line 3: "77 degF" is not in degC'),
        (LOG.replace("10,25", "10 h,25"), r'line 3: "10 h" is not in min'),
        (LOG.replace("20,30", "70,30"), "line 4: nothing was logged for 60 min"),
        (LOG.replace("10,25", "10,"), "line 3: a reading is missing"),
        (LOG.replace("10,25", "10,--"), 'line 3: "--" is no number'),
        (LOG.replace("10,25,20", ""), "line 3: a reading is missing"),
        (LOG.replace("20,30", "10,30"), "line 4: the time does not rise"),
        (LOG.replace("(min)", ""), "line 1 names no time"),
        (LOG.replace("10,25", "10,nan"), "no number"),
        (LOG.replace("10,25", "10,900"), "900 degC is outside"),
        ("time (min),t (degC)\n0,20\n", "fewer than two readings"),
    ],
)
def test_a_log_with_gaps_or_mixed_units_is_refused_with_its_line(text, words):
    with pytest.raises(cure.CureError, match=words):
        cure.log_from_text(text, where="log.csv")


def test_a_log_that_is_not_there(tmp_path):
    with pytest.raises(cure.CureError, match="cannot be read"):
        cure.read_log(tmp_path / "no.csv")
    (tmp_path / "odd.csv").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(cure.CureError, match="UTF-8"):
        cure.read_log(tmp_path / "odd.csv")
    (tmp_path / "log.csv").write_text(LOG)
    assert len(cure.read_log(tmp_path / "log.csv").s) == 3


def test_plans_that_cannot_be():
    with pytest.raises(cure.CureError):
        cure.profile_of([], start_c=20, ramp_c_min=1)
    with pytest.raises(cure.CureError):
        cure.profile_of([(60, 20)], start_c=20, ramp_c_min=0)
    with pytest.raises(cure.CureError, match="do not rise"):
        cure.Profile((0.0, 0.0), (20.0, 20.0))
    with pytest.raises(cure.CureError, match="make no profile"):
        cure.Profile((0.0,), (20.0,))


@pytest.mark.reference(source="a post-cure raises the glass transition to 10 to 30 degC over its temperature, as remembered", kind="memory")
def test_glass_transition_after_a_cure():
    assert cure.glass_transition_c(60.0, limit_c=None) == (70, 90)
    assert cure.glass_transition_c(60.0, limit_c=82.0) == (70, 82)


@pytest.mark.reference(source="ASTM D4803 significance: black rises by up to 90 degF flat or at 45 deg, 74 degF upright", kind="published")
def test_black_in_the_sun():
    for tilt, fahrenheit in ((0, 90), (45, 90), (90, 74), (180, 90), (-90, 74)):
        assert sun.rise_c(0.95, tilt) == pytest.approx(fahrenheit / 1.8, abs=0.3)
    assert 41 < sun.rise_c(0.95, 70.0) < 50


@pytest.mark.reference(source="rises in proportion to absorptance at 35 degC air, flat: worked apart", kind="derived")
@pytest.mark.parametrize(("a", "rise", "surface", "wanted"), [(0.25, 13, 48, 76), (0.45, 24, 59, 87), (0.80, 42, 77, 105), (0.95, 50, 85, 113)])
def test_colours(a, rise, surface, wanted):
    s = sun.sun_on((a, a, a), tilt_deg=0.0, air_c=35.0, glass_transition_c=None)
    assert (s.rise_c[1], s.surface_c[1], s.wanted_c[1]) == pytest.approx((rise, surface, wanted), abs=0.6)
    assert s.tier == "unknown"


@pytest.mark.reference(source="ASTM D4803 significance: black upright rises by 41 degC; 35 degC air and 28 degC of margin, worked apart", kind="derived")
def test_black_topsides():
    s = sun.sun_on((0.95, 0.95, 0.95), tilt_deg=90.0, air_c=35.0, glass_transition_c=None)
    assert (s.surface_c[1], s.wanted_c[1]) == pytest.approx((76, 104), abs=0.6)


@pytest.mark.reference(
    source="home-built aircraft newsletter no. 57, October 1988: orange, dark blue and dark red reach 190 degF (88 degC)", kind="published"
)
def test_dark_colours_of_a_newsletter_lie_within_what_hot_days_give():
    """The newsletter does not say how hot the air was; hot days have 30 to 45 degC."""
    for paint in ("dark blue", "dark red"):
        ends = [sun.sun_on(sun.absorptance_of(paint), tilt_deg=0.0, air_c=air, glass_transition_c=None) for air in (30.0, 45.0)]
        assert ends[0].surface_c[0] < 88 < ends[1].surface_c[2]


@pytest.mark.parametrize(("tg", "tier"), [(None, "unknown"), (120.0, "quiet"), (100.0, "warn"), (86.0, "stop"), (60.0, "stop")])
def test_tiers(tg, tier):
    assert sun.sun_on((0.8, 0.8, 0.8), tilt_deg=0.0, air_c=35.0, glass_transition_c=tg).tier == tier


def test_paints_are_in_order_and_known():
    for low, usual, high in sun.ABSORPTANCE.values():
        assert 0 < low <= usual <= high < 1
    assert sun.absorptance_of("Dark Blue ") == sun.ABSORPTANCE["dark blue"]
    with pytest.raises(sun.SunError, match="not listed"):
        sun.absorptance_of("puce")
    with pytest.raises(sun.SunError):
        sun.rise_c(1.2, 0.0)


@pytest.mark.reference(source="degF = 1.8 degC + 32", kind="derived")
def test_a_logger_switched_to_another_unit_is_noticed():
    # 25 degC is 77 degF; nothing in the cells says so.
    for head, first, second in (("degC", 25, 77.4), ("degF", 77, 25.2)):
        with pytest.raises(cure.CureError, match=r"line 4: .* degC and degF are mixed"):
            cure.log_from_text(f"time (min),part ({head})\n0,{first - 1}\n1,{first}\n2,{second}\n3,{second}\n")
    # The same rise over an hour is a heated part, and a leap elsewhere is one too.
    slow = cure.log_from_text("time (h),part (degC)\n0,25\n0.5,77\n")
    assert slow.hottest_c == 77.0
    assert cure.log_from_text("time (min),part (degC)\n0,25\n1,25\n2,60\n").hottest_c == 60.0


@pytest.mark.reference(source="P = U A (T - T0): 6 m2 at 6 W/(m2 K) from 20 to 50 degC at 0.5 degC/min, held 4 h, worked by hand", kind="derived")
def test_heat_of_a_tent():
    p = cure.profile_of([(4 * 3600.0, 50.0)], start_c=20.0, ramp_c_min=0.5)
    tent = cure.tent_for(p, room_c=20.0, area_m2=6.0, loss_w_m2_k=6.0)
    assert tent.hold_w == pytest.approx(36 * 30)
    # An hour up, four hours on, an hour down: 1080 W for five hours in all.
    assert tent.energy_kwh == pytest.approx(5.4)
    # Starting colder than the room, the first half of the way costs nothing: half an hour at 7.5 degC over it is left.
    cold = cure.tent_for(cure.Profile((0.0, 3600.0), (5.0, 35.0)), room_c=20.0, area_m2=1.0, loss_w_m2_k=1.0)
    assert cold.energy_kwh == pytest.approx(7.5 * 0.5 / 1000)
    assert cure.tent_for(cure.Profile((0.0, 3600.0), (5.0, 10.0)), room_c=20.0, area_m2=1.0, loss_w_m2_k=1.0).energy_kwh == 0.0
    with pytest.raises(cure.CureError, match="cannot be"):
        cure.tent_for(p, room_c=20.0, area_m2=0.0, loss_w_m2_k=6.0)

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from plyflat import units
from plyflat.errors import PlyflatError, QuantityError

CALM = settings(deadline=None)  # the first reading loads pint
READERS = [
    units.length_mm,
    units.areal_weight_g_m2,
    units.mass_per_length_g_m,
    units.angle_deg,
    units.density_g_cm3,
    units.mass_g,
    units.pressure_kpa,
    units.stress_mpa,
    units.temperature_c,
    units.time_s,
    units.fraction,
    units.ratio,
    units.price_per_m,
    units.price_per_kg,
    units.point_mm,
]


@pytest.mark.parametrize(
    ("read", "text", "value"),
    [
        (units.length_mm, "1270 mm", 1270.0),
        (units.length_mm, " 10 m ", 10000.0),
        (units.length_mm, "1.5e1cm", 150.0),
        (units.length_mm, ".5 mm", 0.5),
        (units.length_mm, "-0 mm", 0.0),
        (units.areal_weight_g_m2, "200 g/m^2", 200.0),
        (units.areal_weight_g_m2, "200 g/m2", 200.0),
        (units.areal_weight_g_m2, "200 g / m²", 200.0),
        (units.areal_weight_g_m2, "200 gsm", 200.0),
        (units.areal_weight_g_m2, "0.2 kg/m^2", 200.0),
        (units.mass_per_length_g_m, "0.05 kg/m", 50.0),
        (units.angle_deg, "-45 deg", -45.0),
        (units.angle_deg, "45°", 45.0),
        (units.angle_deg, "0.25 turn", 90.0),
        (units.density_g_cm3, "1150 kg/m^3", 1.15),
        (units.mass_g, "1.2 kg", 1200.0),
        (units.pressure_kpa, "0.85 bar", 85.0),
        (units.pressure_kpa, "850 mbar", 85.0),
        (units.stress_mpa, "0.7 GPa", 700.0),
        (units.temperature_c, "20 °C", 20.0),
        (units.temperature_c, "-5 degC", -5.0),
        (units.time_s, "5 min", 300.0),
        (units.fraction, "3 %", 0.03),
        (units.fraction, "12.5 percent", 0.125),
        (units.ratio, "100:30", (100.0, 30.0)),
        (units.ratio, "5 : 1", (5.0, 1.0)),
        (units.price_per_m, "38.50 EUR/m", 38.5),
        (units.price_per_m, "38.50 € / m", 38.5),
        (units.price_per_m, "0.05 EUR/mm", 50.0),
        (units.price_per_kg, "22 EUR/kg", 22.0),
        (units.price_per_kg, "0.02 EUR/g", 20.0),
        (units.point_mm, "1.2 0 -0.4 m", (1200.0, 0.0, -400.0)),
        (units.point_mm, "1.2, 0, -0.4 m", (1200.0, 0.0, -400.0)),
        (units.point_mm, "1 2 3mm", (1.0, 2.0, 3.0)),
    ],
)
def test_reads_what_people_write(read, text, value):
    assert read(text) == value


@pytest.mark.parametrize("read", READERS)
@pytest.mark.parametrize("given", [5, 5.0, "5", "", "5 bananas", True, None, [5], {"mm": 5}, "mm", "5 mm^"])
def test_refuses_what_is_no_quantity(read, given):
    with pytest.raises(QuantityError, match="such as") as caught:
        read(given)
    assert isinstance(caught.value, ValueError)
    assert isinstance(caught.value, PlyflatError)


@pytest.mark.parametrize(
    ("read", "text", "why"),
    [
        (units.length_mm, "5", "has no unit"),
        (units.length_mm, "5 kg", "is not a length: 'kg'"),
        (units.length_mm, "5 mm^2", "is not a length"),
        (units.length_mm, "-5 mm", "is negative"),
        (units.length_mm, "nan mm", "is not a finite number"),
        (units.length_mm, "inf mm", "is not a finite number"),
        (units.length_mm, "1e400 mm", "too large"),
        (units.length_mm, "1e305 km", "too large"),
        (units.length_mm, "1,5 m", "the decimal sign is a point"),
        (units.length_mm, "5 dB mm", "is not a length"),
        (units.length_mm, "5 MM", "is not a length"),
        (units.angle_deg, "45 percent", "is not an angle"),
        (units.angle_deg, "45 mm/mm", "is not an angle"),
        (units.temperature_c, "-300 degC", "absolute zero"),
        (units.temperature_c, "20 C", "is not a temperature"),
        (units.fraction, 0.03, "has no percent sign"),
        (units.fraction, "0.03", "has no percent sign"),
        (units.fraction, "-3 %", "is negative"),
        (units.ratio, "100:0", "not positive"),
        (units.ratio, "3", "is not a ratio"),
        (units.price_per_m, "38.50 EUR/kg", "is not a price per m"),
        (units.price_per_m, "-2 EUR/m", "is negative"),
        (units.price_per_m, "38.50/m", "currency"),
        (units.point_mm, "1 2 m", "three numbers"),
        (units.point_mm, "1 2 3", "has no unit"),
        (units.point_mm, "1 2 3 kg", "is not a point"),
    ],
)
def test_says_why(read, text, why):
    with pytest.raises(QuantityError, match=why):
        read(text)


def test_negative_where_it_makes_sense():
    assert units.length_mm("-5 mm", negative=True) == -5.0
    assert units.fraction("-3 %", negative=True) == -0.03


@CALM
@given(st.text(max_size=30), st.sampled_from(READERS))
def test_any_text_is_read_or_refused(text, read):
    try:
        value = read(text)
    except QuantityError:
        return
    assert all(map(math.isfinite, value if isinstance(value, tuple) else (value,)))


@CALM
@given(
    st.floats(-1e6, 1e6).map(repr),
    st.lists(st.sampled_from(["mm", "m", "in", "oz", "degC", "dB", "and", "°", "^2", "2", "/", "*", " ", "³"]), max_size=6),
    st.sampled_from(READERS),
)
def test_any_pile_of_units_is_read_or_refused(number, pile, read):
    try:
        value = read(f"{number} {''.join(pile)}")
    except QuantityError:
        return
    assert all(map(math.isfinite, value if isinstance(value, tuple) else (value,)))


@pytest.mark.parametrize(
    ("write", "read"),
    [
        (units.text_mm, units.length_mm),
        (units.text_areal_weight, units.areal_weight_g_m2),
        (units.text_mass_per_length, units.mass_per_length_g_m),
        (units.text_deg, units.angle_deg),
        (units.text_density, units.density_g_cm3),
        (units.text_s, units.time_s),
        (units.text_fraction, units.fraction),
    ],
)
@CALM
@given(value=st.floats(0, 1e9))
def test_what_is_written_reads_back_to_the_last_bit(write, read, value):
    assert read(write(value)) == value


@CALM
@given(st.tuples(*[st.floats(-1e7, 1e7)] * 3))
def test_a_point_reads_back_to_the_last_bit(point):
    assert units.point_mm(units.text_point(point)) == point


def test_texts():
    assert units.text_mm(1234.5) == "1234.5 mm"
    assert units.text_mm(25.0) == "25 mm"
    assert units.text_fraction(0.03) == "3 %"
    assert units.text_fraction(0.125) == "12.5 %"
    assert units.text_ratio((100.0, 30.0)) == "100:30"
    assert units.text_point((1200.0, 0.0, -0.5)) == "1200 0 -0.5 mm"


@pytest.mark.parametrize(
    ("mm", "said"),
    [(0.0, "0.0 mm"), (6.54, "6.5 mm"), (9.96, "10 mm"), (850.2, "850 mm"), (999.7, "1.00 m"), (1270.0, "1.27 m"), (-40.0, "-40 mm")],
)
def test_says_a_length_as_across_the_bench(mm, said):
    assert units.say_length(mm) == said


def test_currency_of_a_price():
    assert units.currency_of("38.50 EUR/m") == "EUR"
    assert units.currency_of("$3/kg") is None
    assert units.currency_of(3) is None


def test_scan_units_agree_with_lengths():
    for unit, mm in units.MM_PER.items():
        assert units.length_mm(f"1 {unit}") == mm

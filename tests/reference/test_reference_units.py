"""Conversions against published definitions; the expected numbers are worked out here from those definitions."""

from fractions import Fraction

import pytest

from plyflat import units

YARD_1959 = pytest.mark.reference(
    source="International yard and pound agreement, 1959: yard = 0.9144 m, avoirdupois pound = 0.45359237 kg",
    kind="published",
)
SI = pytest.mark.reference(source="BIPM, The International System of Units, 9th edition (2019)", kind="published")
NIST_811 = pytest.mark.reference(source="NIST Special Publication 811 (2008), appendix B", kind="published")

YARD_MM = Fraction(9144, 10)
POUND_G = Fraction(45359237, 100000)
OUNCE_G = POUND_G / 16


@YARD_1959
@pytest.mark.parametrize(
    ("text", "mm"), [("1 yd", YARD_MM), ("1 ft", YARD_MM / 3), ("1 in", YARD_MM / 36), ("50 in", 50 * YARD_MM / 36)]
)
def test_yard_foot_and_inch(text, mm):
    assert units.length_mm(text) == float(mm)


@YARD_1959
def test_ounce_is_avoirdupois():
    assert float(OUNCE_G) == 28.349523125
    assert units.mass_g("1 oz") == float(OUNCE_G)
    assert units.mass_g("1 lb") == float(POUND_G)


@YARD_1959
@pytest.mark.parametrize("ounces", [1, 4, 9, 10])
def test_ounces_per_square_yard(ounces):
    exact = ounces * OUNCE_G / (YARD_MM / 1000) ** 2
    assert units.areal_weight_g_m2(f"{ounces} oz/yd^2") == pytest.approx(float(exact), rel=1e-15)
    assert units.areal_weight_g_m2("1 oz/yd^2") == pytest.approx(33.906, abs=5e-4)


@YARD_1959
def test_price_per_yard_and_pound():
    assert units.price_per_m("9.144 EUR/yd") == pytest.approx(10.0, rel=1e-15)
    assert units.price_per_kg("0.45359237 EUR/lb") == pytest.approx(1.0, rel=1e-15)


@SI
def test_metric_prefixes_angle_bar_and_celsius():
    assert units.length_mm("1 km") == 1e6
    assert units.density_g_cm3("1000 kg/m^3") == 1.0
    assert units.angle_deg("3.141592653589793 rad") == pytest.approx(180.0, rel=1e-15)
    assert units.pressure_kpa("1 bar") == 100.0
    assert units.temperature_c("273.15 K") == 0.0


@NIST_811
def test_inch_of_mercury_pound_per_square_inch_and_fahrenheit():
    assert units.pressure_kpa("1 inHg") == pytest.approx(3.386389, abs=5e-7)
    assert units.pressure_kpa("1 psi") == pytest.approx(6.894757, abs=5e-7)
    assert units.temperature_c("212 degF") == pytest.approx(100.0, abs=1e-12)

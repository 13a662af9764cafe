"""Quantities with units <-> the units used inside.

Inside: millimetres, grams, g/m², g/cm³, g/m, kPa, seconds, degrees, degrees Celsius, fractions of one. A quantity
comes in as a text with its unit ("50 in", "9 oz/yd^2") and goes out as one; the numbers are turned in decimal, so that
50 in is 1270 mm and not a hair less. An ounce is the avoirdupois ounce, of mass.
"""

from __future__ import annotations

import functools
import math
import re
from decimal import Decimal
from types import MappingProxyType
from typing import TYPE_CHECKING

from .errors import QuantityError

if TYPE_CHECKING:
    import pint

MM_PER = MappingProxyType({"m": 1000.0, "cm": 10.0, "mm": 1.0, "in": 25.4, "ft": 304.8})
"""Millimetres in each unit a scan or a list of points may be in."""

_NUMBER = r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,3})?"
_QUANTITY = re.compile(rf"({_NUMBER})\s*((?:°|[^\W\d_]).*)?")
_PRICE = re.compile(rf"({_NUMBER})\s*([^\W\d_]{{1,12}}|[$€£¥])\s*/\s*(\S.*)")
_RATIO = re.compile(rf"({_NUMBER})\s*:\s*({_NUMBER})")
_PERCENT = re.compile(rf"({_NUMBER})\s*(?:%|percent|per cent)")
_POINT = re.compile(rf"({_NUMBER})[\s,]+({_NUMBER})[\s,]+({_NUMBER})\s*([^\W\d_].*)?")
_FACTOR = r"[A-Za-zµμ°]{1,20}(?:\^?[23]|[²³])?"
_UNIT = re.compile(rf"{_FACTOR}(?:\s*[ */·]\s*{_FACTOR}){{0,3}}")
_ANGLES = {"degree", "radian", "turn", "grade", "arcminute"}
_POWER = re.compile(r"(?<=[A-Za-z])([23])")


@functools.cache
def _registry() -> pint.UnitRegistry:
    import pint  # slow to import, and most of the package never needs it

    registry: pint.UnitRegistry = pint.UnitRegistry(non_int_type=Decimal)
    registry.define("gsm = gram / meter ** 2")
    return registry


def _converted(number: Decimal, given: str, unit: str) -> float | None:
    """Turn a number in the given unit into ``unit``; None where the given text does not measure the same thing."""
    import pint

    if not _UNIT.fullmatch(given):  # pint's own grammar lets through far more than a unit
        return None
    try:
        known = _registry().parse_units(_POWER.sub(r"^\1", given.replace("·", "*")))
        if known.dimensionality != _registry().parse_units(unit).dimensionality:
            return None
        if unit == "deg" and str(known) not in _ANGLES:  # to pint an angle is a number, as a percentage is
            return None
        return float(_registry().Quantity(number, known).to(unit).magnitude) + 0.0
    except (pint.PintError, ArithmeticError):
        return None


def _fault(text: object, why: str, what: str, examples: str) -> QuantityError:
    return QuantityError(f"{_shown(text)} {why}", do=f"Write {what} as a text with its unit, such as {examples}")


def _shown(text: object) -> str:
    shown = f'"{text}"' if isinstance(text, str) else str(text)
    return shown if len(shown) <= 60 else shown[:57] + "..."


def _decimal(number: str, text: object, what: str, examples: str) -> Decimal:
    if not math.isfinite(float(number)):
        raise _fault(text, "is too large a number", what, examples)
    return Decimal(number)


def _why_not(text: str) -> str:
    if re.search(r"\d,\d", text):
        return "has a comma in its number; the decimal sign is a point"
    if re.search(r"\bnan\b|\binf", text, re.IGNORECASE):
        return "is not a finite number"
    return "is not one number with its unit"


def _read(text: object, *, unit: str, what: str, examples: str, negative: bool = False) -> float:
    """Turn a text with number and unit into the number in ``unit``."""
    if not isinstance(text, str):
        bare = isinstance(text, int | float) and not isinstance(text, bool)
        raise _fault(text, "has no unit" if bare else "is not a quantity", what, examples)
    found = _QUANTITY.fullmatch(text.strip())
    if not found:
        raise _fault(text, _why_not(text), what, examples)
    if not found[2]:
        raise _fault(text, "has no unit", what, examples)
    number = _decimal(found[1], text, what, examples)
    if number < 0 and not negative:
        raise _fault(text, "is negative", what, examples)
    return _turned(number, found[2], unit, text, what, examples)


def _turned(number: Decimal, given: str, unit: str, text: object, what: str, examples: str) -> float:
    value = _converted(number, given.strip(), unit)
    if value is None:
        raise _fault(text, f"is not {what}: '{given.strip()}' does not measure one", what, examples)
    if not math.isfinite(value):
        raise _fault(text, "is too large a number", what, examples)
    return value


def length_mm(text: object, *, negative: bool = False) -> float:
    """Return a length in mm.

    Parameters
    ----------
    text : str
        Such as "1270 mm" or "50 in".
    negative : bool
        Whether a length below zero makes sense here.

    Raises
    ------
    QuantityError
        If the unit is missing or not a length, or the number is not finite or negative.
    """
    return _read(text, unit="mm", what="a length", examples='"1270 mm" or "50 in"', negative=negative)


def areal_weight_g_m2(text: object) -> float:
    """Return an areal weight in g/m²; an ounce is the avoirdupois ounce.

    Raises
    ------
    QuantityError
        If the unit is missing or not mass over area, or the number is not finite or negative.
    """
    return _read(text, unit="g/m^2", what="an areal weight", examples='"200 g/m^2" or "9 oz/yd^2"')


def mass_per_length_g_m(text: object) -> float:
    """Return a mass per length in g/m.

    Raises
    ------
    QuantityError
        If the unit is missing or not mass over length, or the number is not finite or negative.
    """
    return _read(text, unit="g/m", what="a mass per length", examples='"50 g/m"')


def force_per_length_n_mm(text: object) -> float:
    """Return a force per width in N/mm.

    Raises
    ------
    QuantityError
        If the unit is missing or not force over length, or the number is not finite or negative.
    """
    return _read(text, unit="N/mm", what="a force per width", examples='"60 N/mm" or "60 kN/m"')


def angle_deg(text: object) -> float:
    """Return an angle in degrees.

    Raises
    ------
    QuantityError
        If the unit is missing or not an angle, or the number is not finite.
    """
    return _read(text, unit="deg", what="an angle", examples='"45 deg" or "-45 deg"', negative=True)


def density_g_cm3(text: object) -> float:
    """Return a density in g/cm³.

    Raises
    ------
    QuantityError
        If the unit is missing or not a density, or the number is not finite or negative.
    """
    return _read(text, unit="g/cm^3", what="a density", examples='"1.15 g/cm^3" or "1150 kg/m^3"')


def mass_g(text: object) -> float:
    """Return a mass in g.

    Raises
    ------
    QuantityError
        If the unit is missing or not a mass, or the number is not finite or negative.
    """
    return _read(text, unit="g", what="a mass", examples='"250 g" or "1.2 kg"')


def pressure_kpa(text: object) -> float:
    """Return a pressure in kPa.

    Raises
    ------
    QuantityError
        If the unit is missing or not a pressure, or the number is not finite or negative.
    """
    return _read(text, unit="kPa", what="a pressure", examples='"85 kPa", "0.85 bar" or "25 inHg"')


def stress_mpa(text: object) -> float:
    """Return a stress, or how stiff a stuff is, in MPa.

    Raises
    ------
    QuantityError
        If the unit is missing or not that of a stress, or the number is not finite or negative.
    """
    return _read(text, unit="MPa", what="a stress", examples='"35 MPa", "10 GPa" or "5000 psi"')


def temperature_c(text: object) -> float:
    """Return a temperature in degrees Celsius.

    Raises
    ------
    QuantityError
        If the unit is missing or not a temperature, or the temperature is below absolute zero.
    """
    examples = '"20 degC" or "68 degF"'
    value = _read(text, unit="degC", what="a temperature", examples=examples, negative=True)
    if value < -273.15:
        raise _fault(text, "is below absolute zero", "a temperature", examples)
    return value


def time_s(text: object) -> float:
    """Return a time in seconds.

    Raises
    ------
    QuantityError
        If the unit is missing or not a time, or the number is not finite or negative.
    """
    return _read(text, unit="s", what="a time", examples='"20 s" or "5 min"')


def volume_l(text: object) -> float:
    """Return a volume in litres.

    Raises
    ------
    QuantityError
        If the unit is missing or not a volume, or the number is not finite or negative.
    """
    return _read(text, unit="liter", what="a volume", examples='"5 l" or "300 ml"')


def flow_m3_h(text: object) -> float:
    """Return a flow of air in m³/h.

    Raises
    ------
    QuantityError
        If the unit is missing or not a volume over time, or the number is not finite or negative.
    """
    return _read(text, unit="m^3/hour", what="a flow", examples='"6 m^3/h" or "100 l/min"')


def area_rate_m2_min(text: object) -> float:
    """Return an area worked in a time, in m² a minute.

    Raises
    ------
    QuantityError
        If the unit is missing or not an area over time, or the number is not finite or negative.
    """
    return _read(text, unit="m^2/minute", what="an area in a time", examples='"0.1 m^2/min" or "6 m^2/h"')


def area_m2(text: object) -> float:
    """Return an area in m².

    Raises
    ------
    QuantityError
        If the unit is missing or not one of area, or the number is not finite or negative.
    """
    return _read(text, unit="m^2", what="an area", examples='"6 m^2" or "60 ft^2"')


def heat_loss_w_m2_k(text: object) -> float:
    """Return the heat that a skin lets through, in W/(m² K).

    Raises
    ------
    QuantityError
        If the unit is missing or not a power over area and temperature, or the number is not finite or negative.
    """
    return _read(text, unit="W/m^2/K", what="a loss of heat", examples='"6 W/m^2/K"')


def fraction(text: object, *, negative: bool = False) -> float:
    """Return a share as a fraction of one: "3 %" is 0.03.

    Raises
    ------
    QuantityError
        If the percent sign is missing, or the number is not finite or negative.
    """
    what, examples = "a share", '"3 %"'
    found = _PERCENT.fullmatch(text.strip()) if isinstance(text, str) else None
    if not found:
        raise _fault(text, "has no percent sign" if _bare(text) else "is not a share in percent", what, examples)
    number = _decimal(found[1], text, what, examples)
    if number < 0 and not negative:
        raise _fault(text, "is negative", what, examples)
    return float(number.scaleb(-2)) + 0.0


def _bare(text: object) -> bool:
    if isinstance(text, str):
        return re.fullmatch(_NUMBER, text.strip()) is not None
    return isinstance(text, int | float) and not isinstance(text, bool)


def ratio(text: object) -> tuple[float, float]:
    """Return the two sides of a mixing ratio: "100:30" is (100.0, 30.0).

    Raises
    ------
    QuantityError
        If the text is not two positive numbers with a colon between them.
    """
    found = _RATIO.fullmatch(text.strip()) if isinstance(text, str) else None
    do = 'Write the ratio by mass as two numbers with a colon, such as "100:30"'
    if not found:
        raise QuantityError(f"{_shown(text)} is not a ratio", do=do)
    a, b = float(found[1]), float(found[2])
    if not (0 < a < math.inf and 0 < b < math.inf):
        raise QuantityError(f"{_shown(text)} is a ratio with a side that is not positive and finite", do=do)
    return a, b


def _price(text: object, unit: str, examples: str) -> float:
    what = "a price"
    found = _PRICE.fullmatch(text.strip()) if isinstance(text, str) else None
    if not found:
        raise _fault(text, "is not a price with its currency and what it buys", what, examples)
    number = _decimal(found[1], text, what, examples)
    if number < 0:
        raise _fault(text, "is negative", what, examples)
    size = _converted(Decimal(1), found[3].strip(), unit)
    if not size:
        raise _fault(text, f"is not a price per {unit}: '{found[3].strip()}' does not fit", what, examples)
    return float(number / Decimal(repr(size))) + 0.0


def price_per_m(text: object) -> float:
    """Return a price per metre, in whatever currency it names.

    Raises
    ------
    QuantityError
        If currency or unit of length is missing, or the number is not finite or negative.
    """
    return _price(text, "m", '"38.50 EUR/m"')


def price_per_kg(text: object) -> float:
    """Return a price per kilogram, in whatever currency it names.

    Raises
    ------
    QuantityError
        If currency or unit of mass is missing, or the number is not finite or negative.
    """
    return _price(text, "kg", '"22 EUR/kg"')


def currency_of(text: object) -> str | None:
    """Return the currency a price names, or None where the text is no price."""
    found = _PRICE.fullmatch(text.strip()) if isinstance(text, str) else None
    return found[2] if found else None


def price_per_m2(text: object) -> float:
    """Return a price per square metre, in whatever currency it names.

    Raises
    ------
    QuantityError
        If currency or unit of area is missing, or the number is not finite or negative.
    """
    return _price(text, "m^2", '"60 EUR/m^2"')


def point_mm(text: object) -> tuple[float, float, float]:
    """Return a point in mm: "1.2 0 -0.4 m" is (1200.0, 0.0, -400.0); commas may stand between the numbers.

    Raises
    ------
    QuantityError
        If there are not three finite numbers, or the unit is missing or not a length.
    """
    what, examples = "a point", '"1.2 0 -0.4 m"'
    found = _POINT.fullmatch(text.strip()) if isinstance(text, str) else None
    if not found:
        raise _fault(text, "is not three numbers and a unit", what, examples)
    if not found[4]:
        raise _fault(text, "has no unit", what, examples)
    x, y, z = (
        _turned(_decimal(n, text, what, examples), found[4], "mm", text, what, examples)
        for n in found.groups()[:3]
    )
    return x, y, z


def number_text(value: float) -> str:
    """Write a number so that it reads back as the same float, without a needless ".0"."""
    shown = repr(float(value) + 0.0)
    return shown[:-2] if shown.endswith(".0") else shown


def text_mm(value_mm: float) -> str:
    """Write a length: 1234.5 becomes "1234.5 mm"."""
    return f"{number_text(value_mm)} mm"


def text_areal_weight(value_g_m2: float) -> str:
    """Write an areal weight in g/m^2."""
    return f"{number_text(value_g_m2)} g/m^2"


def text_mass_per_length(value_g_m: float) -> str:
    """Write a mass per length in g/m."""
    return f"{number_text(value_g_m)} g/m"


def text_force_per_length(value_n_mm: float) -> str:
    """Write a force per width in N/mm."""
    return f"{number_text(value_n_mm)} N/mm"


def text_deg(value_deg: float) -> str:
    """Write an angle in degrees."""
    return f"{number_text(value_deg)} deg"


def text_density(value_g_cm3: float) -> str:
    """Write a density in g/cm^3."""
    return f"{number_text(value_g_cm3)} g/cm^3"


def text_s(value_s: float) -> str:
    """Write a time in seconds."""
    return f"{number_text(value_s)} s"


def text_g(value_g: float) -> str:
    """Write a mass in g."""
    return f"{number_text(value_g)} g"


def text_kpa(value_kpa: float) -> str:
    """Write a pressure in kPa."""
    return f"{number_text(value_kpa)} kPa"


def text_c(value_c: float) -> str:
    """Write a temperature in degrees Celsius."""
    return f"{number_text(value_c)} degC"


def text_l(value_l: float) -> str:
    """Write a volume in litres."""
    return f"{number_text(value_l)} l"


def text_flow(value_m3_h: float) -> str:
    """Write a flow of air in m^3/h."""
    return f"{number_text(value_m3_h)} m^3/h"


def text_area_rate(value_m2_min: float) -> str:
    """Write an area worked in a time in m^2/min."""
    return f"{number_text(value_m2_min)} m^2/min"


def text_area(value_m2: float) -> str:
    """Write an area in m^2."""
    return f"{number_text(value_m2)} m^2"


def text_heat_loss(value_w_m2_k: float) -> str:
    """Write a loss of heat in W/m^2/K."""
    return f"{number_text(value_w_m2_k)} W/m^2/K"


def text_fraction(value: float) -> str:
    """Write a fraction in percent: 0.03 becomes "3 %"."""
    shown = f"{Decimal(repr(float(value) + 0.0)).scaleb(2).normalize():f}"
    return f"{shown} %"


def text_ratio(value: tuple[float, float]) -> str:
    """Write a ratio: (100.0, 30.0) becomes "100:30"."""
    return f"{number_text(value[0])}:{number_text(value[1])}"


def text_point(point_mm: tuple[float, float, float]) -> str:
    """Write a point: "1200 0 -400 mm"."""
    return f"{' '.join(number_text(v) for v in point_mm)} mm"


def say_percent(fraction: float) -> str:
    """Say a fraction in %: "6.6 %", "42 %"."""
    return f"{100 * fraction:.1f} %" if abs(fraction) < 0.0995 else f"{100 * fraction:.0f} %"


def say_length(value_mm: float) -> str:
    """Say a length the way one would across the bench: "6.5 mm", "850 mm", "1.27 m"."""
    size = abs(value_mm)
    if size >= 999.5:
        return f"{value_mm / 1000:.2f} m"
    if size >= 9.95:
        return f"{value_mm:.0f} mm"
    return f"{value_mm:.1f} mm"

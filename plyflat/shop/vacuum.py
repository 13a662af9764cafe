"""Vacuum: what the gauge can show here, how long the pump takes, what a leak means in this bag, what boils.

Gauge vacuum is how far the bag is below the air around it; absolute pressure is what is left in the bag.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from ..errors import PlyflatError

#: kPa; the standard atmosphere at the height of the sea.
STANDARD_KPA = 101.325
#: kPa of one inch of mercury.
INHG_KPA = 3.38639
#: kPa; least vacuum under a repair, FAA AC 43.13-1B par. 3-4(l): 22 inHg.
LEAST_GAUGE_KPA = 22 * INHG_KPA
#: Published limits of a drop test: what for, fall in kPa, time in s, source.
DROP_LIMITS = (
    ("a bag, where nothing else is stated", INHG_KPA, 60.0, "US Army TM 1-1500-204-23-11, integrity test"),
    ("the inner bag of a double one", 5 * INHG_KPA, 300.0, "US Army TM 1-1500-204-23-11"),
    ("infusion", INHG_KPA, 300.0, "trade article on infusion practice"),
)
#: Water and solvents: A, B, C of log10(p / mmHg) = A - B / (C + t). Textbook values, from memory but for water.
ANTOINE = {
    "water": (8.07131, 1730.63, 233.426),
    "acetone": (7.11714, 1210.595, 229.664),
    "ethanol": (8.20417, 1642.89, 230.300),
    "styrene": (7.06623, 1507.434, 214.985),
}
#: °C between which the equation is used.
VAPOUR_FROM_C, VAPOUR_TO_C = -20.0, 150.0
_MMHG_KPA = 101.325 / 760.0


class VacuumError(PlyflatError, ValueError):
    """A pressure, volume or flow that cannot be: check the number and its unit."""


def _positive(what: str, value: float, unit: str) -> float:
    if not 0.0 < value < math.inf:
        raise VacuumError(f"{what} is {value:g} {unit}", do="Give a number above zero.")
    return value


def air_pressure_kpa(altitude_m: float, *, weather_kpa: float = STANDARD_KPA) -> float:
    """Pressure of the air at a height, kPa.

    Parameters
    ----------
    altitude_m : float
        Height above the sea, -500 to 6000 m.
    weather_kpa : float
        Air pressure of the weather report, reduced to the height of the sea.

    Raises
    ------
    VacuumError
        A height or a pressure that no shop has.

    References
    ----------
    ISO 2533 (standard atmosphere), lower layer: p = 101.325 (1 - 2.25577e-5 h)^5.25588. The weather moves the height
    that this pressure stands for, as an altimeter is set.
    """
    if not -500.0 <= altitude_m <= 6000.0:
        raise VacuumError(f"a height of {altitude_m:g} m is outside -500 to 6000 m", do="Give the shop's height above the sea.")
    if not 85.0 <= weather_kpa <= 110.0:
        raise VacuumError(
            f"a weather report of {weather_kpa:g} kPa is outside 85 to 110 kPa",
            do="Give the pressure reduced to the height of the sea; that of a barometer in the shop is air_pressure.",
        )
    base = (weather_kpa / STANDARD_KPA) ** (1 / 5.25588) - 2.25577e-5 * altitude_m
    return float(STANDARD_KPA * base**5.25588)


def absolute_kpa(gauge_kpa: float, air_kpa: float) -> float:
    """Pressure left in the bag, kPa.

    Parameters
    ----------
    gauge_kpa : float
        Vacuum below the air around.
    air_kpa : float

    Raises
    ------
    VacuumError
        A vacuum deeper than the air is heavy.
    """
    if not 0.0 <= gauge_kpa < _positive("the air's pressure", air_kpa, "kPa"):
        raise VacuumError(
            f"a vacuum of {gauge_kpa:.4g} kPa ({gauge_kpa / INHG_KPA:.1f} inHg) cannot be drawn where the air has "
            f"{air_kpa:.4g} kPa ({air_kpa / INHG_KPA:.1f} inHg)",
            do="State a smaller gauge, or the right height and weather; gauges show less the higher the shop lies.",
        )
    return air_kpa - gauge_kpa


def pore_volume_l(breather_m2: float, breather_g_m2: float, *, solid_share: float, fibre_density_g_cm3: float = 1.38) -> float:
    """Air in a breather under vacuum, l: A (w/rho_f) (1 - s)/s.

    Parameters
    ----------
    breather_m2, breather_g_m2 : float
    solid_share : float
        Share of its space that is fibre, between 0 and 1.
    fibre_density_g_cm3 : float
        Polyester, from memory of textbooks.
    """
    if not 0.0 < solid_share < 1.0:
        raise VacuumError(f"a solid share of {solid_share:g} is not between 0 and 1", do="0.15 to 0.25 is assumed in practice.")
    # g / (g/cm3) is cm3; a thousand of them are a litre.
    return breather_m2 * breather_g_m2 / fibre_density_g_cm3 * (1 - solid_share) / solid_share / 1000.0


def settled_kpa(leak_pa_m3_s: float, pump_m3_h: float, *, pump_limit_kpa: float = 0.0) -> float:
    """Absolute pressure at which a pump and a leak balance, kPa: p = p_u + Q/S.

    Parameters
    ----------
    leak_pa_m3_s : float
    pump_m3_h : float
        S, taken as constant; real pumps take in less near their limit.
    pump_limit_kpa : float
        p_u, the lowest the pump reaches alone.
    """
    return pump_limit_kpa + leak_pa_m3_s / (_positive("the pump's flow", pump_m3_h, "m3/h") / 3600.0) / 1000.0


def pump_down_s(
    volume_l: float,
    pump_m3_h: float,
    *,
    start_kpa: float,
    end_kpa: float,
    leak_pa_m3_s: float = 0.0,
    pump_limit_kpa: float = 0.0,
) -> float:
    """Time to pump a fixed volume down, s.

    Parameters
    ----------
    volume_l : float
        V.
    pump_m3_h : float
        S.
    start_kpa, end_kpa : float
        p0 and p, absolute.
    leak_pa_m3_s : float
        Q.
    pump_limit_kpa : float

    Returns
    -------
    float
        (V/S) ln((p0 - p_e)/(p - p_e)), with p_e where pump and leak balance.

    Raises
    ------
    VacuumError
        If pump and leak balance above the end, so that it is never reached.
    """
    floor = settled_kpa(leak_pa_m3_s, pump_m3_h, pump_limit_kpa=pump_limit_kpa)
    if not floor < end_kpa <= start_kpa:
        raise VacuumError(
            f"this pump and leak settle at {floor:.3g} kPa and never reach {end_kpa:.3g} kPa from {start_kpa:.3g} kPa",
            do="Find the leak, use a larger pump, or aim at less vacuum.",
        )
    return float(volume_l / 1000.0 / (pump_m3_h / 3600.0) * math.log((start_kpa - floor) / (end_kpa - floor)))


def leak_pa_m3_s(volume_l: float, drop_kpa: float, seconds: float) -> float:
    """Leak from a drop test, Pa m³/s: Q = V dp/dt.

    Parameters
    ----------
    volume_l : float
    drop_kpa : float
        How far the vacuum fell; not negative.
    seconds : float

    Raises
    ------
    VacuumError
        A volume or time that is not positive, or a vacuum that rose.
    """
    if not 0.0 <= drop_kpa < math.inf:
        raise VacuumError(f"the vacuum fell by {drop_kpa:g} kPa", do="Write the fall as a number that is not negative.")
    return _positive("the volume", volume_l, "l") * drop_kpa / _positive("the time", seconds, "s")


def drop_marks(drop_kpa: float, seconds: float) -> tuple[tuple[str, str, bool], ...]:
    """Hold a fall against the published limits of a drop test, as rates of fall.

    Parameters
    ----------
    drop_kpa, seconds : float

    Returns
    -------
    tuple of (str, str, bool)
        For each of `DROP_LIMITS` what it is for, its source, and whether this fall is no faster.
    """
    rate = drop_kpa / _positive("the time", seconds, "s")
    return tuple((what, source, rate <= kpa / limit_s * (1 + 1e-9)) for what, kpa, limit_s, source in DROP_LIMITS)


def standard_l_min(leak: float) -> float:
    """A leak in Pa m³/s as litres a minute of air at 101.325 kPa."""
    return leak / (STANDARD_KPA * 1000.0) * 1000.0 * 60.0


def allowed_leak_pa_m3_s(pump_m3_h: float, *, end_kpa: float, pump_limit_kpa: float = 0.0) -> float:
    """Largest leak at which a pump still holds a pressure, Pa m³/s: (p - p_u) S.

    Parameters
    ----------
    pump_m3_h, end_kpa, pump_limit_kpa : float
    """
    return max(end_kpa - pump_limit_kpa, 0.0) * 1000.0 * _positive("the pump's flow", pump_m3_h, "m3/h") / 3600.0


def vapour_kpa(temperature_c: float, *, of: str = "water") -> float:
    """Pressure of saturated vapour, kPa, by Antoine's equation; water within 1 to 100 °C, for others a textbook's figures.

    Parameters
    ----------
    temperature_c : float
    of : str
        One of `ANTOINE`.

    Raises
    ------
    VacuumError
        A liquid or a temperature that is not known here.
    """
    a, b, c = _liquid(of)
    if not VAPOUR_FROM_C <= temperature_c <= VAPOUR_TO_C:
        raise VacuumError(f"{temperature_c:g} degC is outside {VAPOUR_FROM_C:g} to {VAPOUR_TO_C:g} degC", do="The equation does not reach there.")
    return float(_MMHG_KPA * 10 ** (a - b / (c + temperature_c)))


def boiling_c(pressure_kpa: float, *, of: str = "water") -> float:
    """Temperature at which a liquid boils at an absolute pressure, °C.

    Parameters
    ----------
    pressure_kpa : float
        Absolute.
    of : str
    """
    a, b, c = _liquid(of)
    return float(b / (a - math.log10(_positive("the absolute pressure", pressure_kpa, "kPa") / _MMHG_KPA)) - c)


def _liquid(of: str) -> tuple[float, float, float]:
    if of not in ANTOINE:
        raise VacuumError(f"{of!r} is not known here", do=f"Use one of {', '.join(ANTOINE)}.")
    return ANTOINE[of]


def void_pressure_kpa(temperature_c: float, humidity: float) -> float:
    """Least resin pressure at which water taken up at a humidity makes no voids grow, kPa.

    Parameters
    ----------
    temperature_c : float
    humidity : float
        Relative, 0 to 1, at which resin and cloth were kept.

    References
    ----------
    Kardos, Duduković, Dave 1986, as remembered: p >= 4962 exp(-4892/T) RH (atm, K, RH in %).
    """
    return float(101.325 * 4962.0 * math.exp(-4892.0 / (temperature_c + 273.15)) * 100.0 * humidity)


def tube_collapse_kpa(modulus_gpa: float, *, poisson: float, wall_mm: float, radius_mm: float) -> float:
    """Outside pressure at which a long round tube buckles flat, kPa: E / (4 (1 - nu^2)) (t/R)^3.

    Parameters
    ----------
    modulus_gpa : float
        Round the tube.
    poisson, wall_mm, radius_mm : float

    References
    ----------
    Elastic buckling of a long tube, textbook, from memory. Dents, holes and soft spots lower it, often by half.
    """
    if not 0 <= poisson < 1 or wall_mm > radius_mm:
        raise VacuumError(f"a wall of {wall_mm:g} mm at a radius of {radius_mm:g} mm is no thin tube", do="Check both.")
    stiff = _positive("the modulus", modulus_gpa, "GPa") * 1e6 / (4 * (1 - poisson**2))
    return stiff * (_positive("the wall", wall_mm, "mm") / _positive("the radius", radius_mm, "mm")) ** 3


@dataclass(frozen=True)
class Tube:
    """A hollow tube, box or skin that a vacuum presses on.

    Attributes
    ----------
    what : str
    radius_mm, wall_mm, modulus_gpa : float
    bears_kpa : float
        Outside pressure at which it buckles if it is sound and long.
    gauge_kpa : float
        What the bag presses with.
    """

    what: str
    radius_mm: float
    wall_mm: float
    modulus_gpa: float
    bears_kpa: float
    gauge_kpa: float

    @property
    def times_over(self) -> float:
        """How many times the vacuum it bears."""
        return self.bears_kpa / self.gauge_kpa


@dataclass(frozen=True)
class BagAir:
    """Air under one bag, as low, usual and high.

    Attributes
    ----------
    settled_l : tuple of float
        Once the film lies on the stack: breather pores, hose and trap.
    loose_l : float
        More that the loose film holds before it is drawn down.
    """

    settled_l: tuple[float, float, float]
    loose_l: float


def bag_air(
    *, breather_m2: float, breather_g_m2: float, bag_m2: float, loose_mm: float, hose_l: float, solid_share: tuple[float, float, float]
) -> BagAir:
    """Volume of air under a bag.

    Parameters
    ----------
    breather_m2, breather_g_m2 : float
        0 where there is no breather.
    bag_m2 : float
        Inside the tape.
    loose_mm : float
        Mean height of the loose film over the stack.
    hose_l : float
    solid_share : (3,) floats
        Dense, usual, open.
    """
    settled = [hose_l + pore_volume_l(breather_m2, breather_g_m2, solid_share=s) for s in solid_share]
    low, usual, high = sorted(settled)
    return BagAir((low, usual, high), bag_m2 * loose_mm)  # m2 mm = l


@dataclass(frozen=True)
class Pull:
    """How one bag pulls, as low, usual and high where a range is given.

    Attributes
    ----------
    air_kpa, gauge_kpa, bag_kpa : float
        Air around; vacuum; absolute pressure left in the bag.
    on_laminate_kpa : float
        Pressure on the laminate while the breather carries vacuum: the gauge.
    air : BagAir
    down_s : tuple of float or None
        From a loose film to the gauge, without leak; None where the pump cannot reach it.
    drop_kpa, drop_s : float
        Limit of the drop test.
    drop_leak : tuple of float
        The leak that this drop means in this volume, Pa m³/s.
    drop_settles_kpa : float
        Absolute pressure at which the pump holds such a leak.
    held_leak : float
        Largest leak at which the pump holds the gauge.
    held_drop_kpa : tuple of float
        Drop in the test's time that such a leak makes here.
    boils_c : dict
        Temperature at which water and solvents boil at this pressure.
    usual_leak, usual_settles_kpa : float or None
        The leak that the fall of earlier bags means in this one, and where the pump holds it; None where no fall is known.
    """

    air_kpa: float
    gauge_kpa: float
    bag_kpa: float
    on_laminate_kpa: float
    air: BagAir
    down_s: tuple[float, float, float] | None
    drop_kpa: float
    drop_s: float
    drop_leak: tuple[float, float, float]
    drop_settles_kpa: float
    held_leak: float
    held_drop_kpa: tuple[float, float, float]
    boils_c: dict[str, float]
    usual_leak: float | None = None
    usual_settles_kpa: float | None = None


def pull_of(
    air: BagAir,
    *,
    air_kpa: float,
    gauge_kpa: float,
    pump_m3_h: float,
    pump_limit_kpa: float,
    drop_kpa: float,
    drop_s: float,
    fall_kpa_min: float | None = None,
) -> Pull:
    """Work out how a bag pulls.

    Parameters
    ----------
    air : BagAir
    air_kpa, gauge_kpa : float
    pump_m3_h, pump_limit_kpa : float
    drop_kpa, drop_s : float
        Limit of the drop test.
    fall_kpa_min : float or None
        By how much earlier bags fell in a minute.

    Raises
    ------
    VacuumError
        A gauge that cannot be reached anywhere at this air pressure, or a quantity that cannot be.
    """
    bag = absolute_kpa(gauge_kpa, air_kpa)
    down = None
    if pump_limit_kpa < bag:
        # The loose film is drawn down at about the pressure of the air; only then does the pressure fall.
        loose = air.loose_l / 1000.0 / (pump_m3_h / 3600.0)
        times = [
            loose + pump_down_s(v, pump_m3_h, start_kpa=air_kpa, end_kpa=bag, pump_limit_kpa=pump_limit_kpa) for v in air.settled_l
        ]
        down = (times[0], times[1], times[2])
    leaks = [leak_pa_m3_s(v, drop_kpa, drop_s) for v in air.settled_l]
    held = allowed_leak_pa_m3_s(pump_m3_h, end_kpa=bag, pump_limit_kpa=pump_limit_kpa)
    drops = sorted(held / v * drop_s for v in air.settled_l)
    usual = None if fall_kpa_min is None else leak_pa_m3_s(air.settled_l[1], fall_kpa_min, 60.0)
    return Pull(
        air_kpa, gauge_kpa, bag, gauge_kpa, air, down, drop_kpa, drop_s,
        (leaks[0], leaks[1], leaks[2]),
        settled_kpa(leaks[1], pump_m3_h, pump_limit_kpa=pump_limit_kpa),
        held, (drops[0], drops[1], drops[2]),
        {name: boiling_c(bag, of=name) for name in ANTOINE},
        usual, None if usual is None else settled_kpa(usual, pump_m3_h, pump_limit_kpa=pump_limit_kpa),
    )  # fmt: skip

"""What a job states about the day: the place, the vacuum, the clock, the cure, the service and what is thrown away."""

from __future__ import annotations

import re
from typing import Annotated, Any

from pydantic import Field

from .. import units
from ..errors import QuantityError
from . import forms
from .forms import Form, Mark, amount, length, share
from .table import AREAL, MEMORY, OURS, PRACTICE, Table

PUBLISHED, STANDARD = Mark("published"), Mark("published: standard atmosphere, ISO 2533")

_TEMPERATURE = amount(units.temperature_c, units.text_c, -40, 300, "20 degC", "68 degF")
_AIR = amount(units.temperature_c, units.text_c, -20, 60, "20 degC", "68 degF")
_DIFFERENCE = amount(units.temperature_c, units.text_c, 0, 100, "28 degC")
_TIME = amount(units.time_s, units.text_s, 1, 30 * 86400, "30 min", "24 h")
_AREA_RATE = amount(units.area_rate_m2_min, units.text_area_rate, 0.001, 10, "0.1 m^2/min", "6 m^2/h")
_MASS = amount(units.mass_g, units.text_g, 0, 1e6, "10 g")
_CLOCK = re.compile(r"([01]?\d|2[0-3]):([0-5]\d)")
_RAMP = re.compile(r"([0-9.]+)\s*(?:degC|K|°C)\s*/\s*(min|h)")


def _clock(given: object) -> float:
    found = _CLOCK.fullmatch(given.strip()) if isinstance(given, str) else None
    if not found:
        raise QuantityError(f"{given!r} is no time of the day", do='Write hours and minutes, such as "09:00"')
    return 60.0 * int(found[1]) + float(found[2])


def _write_clock(minutes: float) -> str:
    return f"{int(minutes) // 60:02d}:{int(minutes) % 60:02d}"


def _ramp(given: object) -> float:
    found = _RAMP.fullmatch(given.strip()) if isinstance(given, str) else None
    try:
        value = float(found[1]) / (60.0 if found[2] == "h" else 1.0) if found else 0.0
    except ValueError:
        value = 0.0
    if not 0.001 <= value <= 20.0:
        raise QuantityError(f"{given!r} is no rate of heating", do='Write it such as "0.5 degC/min" or "20 degC/h"')
    return value


def _time_at(given: object) -> tuple[float, float]:
    """Read "30 min at 25 degC": a time in s and a temperature in °C."""
    parts = given.split(" at ") if isinstance(given, str) else []
    if len(parts) != 2:
        raise QuantityError(f"{given!r} is no time at a temperature", do='Write it such as "30 min at 25 degC"')
    return _TIME.read(parts[0]), _TEMPERATURE.read(parts[1])


def _times_at(given: object) -> tuple[tuple[float, float], ...]:
    members = given if isinstance(given, list | tuple) else [given]
    if not 1 <= len(members) <= 20:
        raise QuantityError("it is no list of times at temperatures", do='Write ["30 min at 25 degC", "60 min at 15 degC"]')
    return forms._each(members, _time_at)


def _write_times(points: tuple[tuple[float, float], ...]) -> list[str]:
    return [f"{units.text_s(t)} at {units.text_c(c)}" for t, c in points]


_TIMES_SCHEMA: dict[str, Any] = {
    "anyOf": [{"type": "string"}, {"type": "array", "items": {"type": "string"}, "minItems": 1}],
    "examples": [["30 min at 25 degC", "60 min at 15 degC"]],
}
CLOCK = Form(_clock, _write_clock, {"type": "string", "examples": ["09:00"]})
RAMP = Form(_ramp, lambda r: f"{units.number_text(r)} degC/min", {"type": "string", "examples": ["0.5 degC/min"]})
TIMES_AT = Form(_times_at, _write_times, _TIMES_SCHEMA)
PER_M2 = Form(units.price_per_m2, units.number_text, {"type": "string", "examples": ["60 EUR/m^2"]})


class Place(Table):
    """Where the work is done and what the air is like there."""

    altitude_mm: Annotated[float, length(-5e5, 6e6, "0 m", "1200 m"), OURS] = Field(
        default=0.0, alias="altitude", description="Height of the shop above the sea."
    )
    weather_kpa: Annotated[float, amount(units.pressure_kpa, units.text_kpa, 85, 110, "101.3 kPa", "1013 mbar"), STANDARD] = (
        Field(
            default=101.325,
            alias="weather_pressure",
            description="Air pressure as weather reports give it, which is that at the height of the sea.",
        )
    )
    air_kpa: Annotated[float | None, amount(units.pressure_kpa, units.text_kpa, 40, 110, "99.2 kPa")] = Field(
        default=None,
        alias="air_pressure",
        description="Pressure that a barometer in the shop shows; it goes before altitude and weather.",
    )
    temperature_c: Annotated[float, _AIR, OURS] = Field(
        default=20.0, alias="temperature", description="Temperature of shop, cloth and resin."
    )
    humidity: Annotated[float, share(0.0, 1.0, "50 %"), OURS] = Field(
        default=0.5, description="Relative humidity that cloth and resin were kept at."
    )


class VacuumSpec(Table):
    """Pump, hoses and what the bag must hold."""

    gauge_kpa: Annotated[float | None, amount(units.pressure_kpa, units.text_kpa, 1, 101, "85 kPa", "25 inHg")] = Field(
        default=None,
        alias="gauge",
        description="Vacuum aimed at: how far the bag is below the air around it; left out: 79 % of the air's pressure, which "
        "is 80 kPa at the height of the sea (common practice).",
    )
    pump_m3_h: Annotated[float, amount(units.flow_m3_h, units.text_flow, 0.05, 500, "6 m^3/h", "100 l/min"), MEMORY] = Field(
        default=4.0, alias="pump", description="Free air the pump takes in."
    )
    pump_limit_kpa: Annotated[float, amount(units.pressure_kpa, units.text_kpa, 0, 60, "1 kPa"), MEMORY] = Field(
        default=1.0, alias="pump_limit", description="Lowest absolute pressure the pump reaches with its inlet closed."
    )
    hose_l: Annotated[float, amount(units.volume_l, units.text_l, 0, 500, "3 l"), OURS] = Field(
        default=3.0, alias="hose_and_trap", description="Air in hose, trap and gauge."
    )
    loose_mm: Annotated[float, length(0, 500, "10 mm"), OURS] = Field(
        default=10.0, alias="loose_air", description="How high the film stands off the stack on average before it is pulled."
    )
    drop_kpa: Annotated[float, amount(units.pressure_kpa, units.text_kpa, 0.01, 60, "1 inHg", "3.4 kPa"), PUBLISHED] = Field(
        default=3.38639, alias="drop", description="Most that the vacuum may fall in the drop test."
    )
    drop_s: Annotated[float, _TIME, PUBLISHED] = Field(
        default=60.0, alias="drop_time", description="Time of the drop test, with the pump shut off."
    )
    fall_kpa_min: Annotated[float | None, amount(units.pressure_kpa, units.text_kpa, 0.0, 60, "1.2 kPa")] = Field(
        default=None, alias="usual_fall", description="By how much your bags usually fall in a minute with the pump shut off."
    )
    lead_width_mm: Annotated[float, length(5, 1000, "50 mm"), PRACTICE] = Field(
        default=50.0, alias="lead_width", description="Width of the strip of breather that leads to the port."
    )
    lead_mm: Annotated[float, length(0, 5000, "150 mm"), PRACTICE] = Field(
        default=150.0, alias="lead", description="Length of that strip from the edge of the breather to the port."
    )
    breather_use: Annotated[float, share(0.05, 1.0, "50 %"), PRACTICE] = Field(
        default=0.5, description="Share of what a breather holds beyond which it carries vacuum badly."
    )


class Clock(Table):
    """Speeds of working, from which the day's times follow."""

    start_min: Annotated[float, CLOCK, OURS] = Field(
        default=540.0, alias="start", description="When the first batch is mixed, or the putty of a fillet that must gel first."
    )
    wet_out_m2_min: Annotated[float, _AREA_RATE, MEMORY] = Field(
        default=0.08, alias="wet_out", description="Area of one ply that is laid and wetted out in a time, all hands together."
    )
    stack_m2_min: Annotated[float, _AREA_RATE, MEMORY] = Field(
        default=0.3, alias="stack", description="Area of one bag layer that is laid in a time."
    )
    tape_mm_min: Annotated[float, length(50, 20000, "700 mm"), MEMORY] = Field(
        default=700.0, alias="tape_per_minute", description="Length of tape onto which the film is closed in a minute, pleats and all."
    )
    mix_s: Annotated[float, _TIME, PRACTICE] = Field(
        default=180.0, alias="mixing", description="Weighing and stirring one batch."
    )
    leak_hunt_s: Annotated[float, _TIME, PRACTICE] = Field(
        default=900.0, alias="leak_hunt", description="Time kept for finding leaks before the resin sets."
    )
    spread: Annotated[float, share(0.0, 0.9, "30 %"), OURS] = Field(
        default=0.3, description="How far the speeds may be off either way."
    )
    pot_share: Annotated[float, share(0.05, 1.0, "50 %"), PRACTICE] = Field(
        default=0.5, description="Share of the pot life within which a batch must be spread."
    )


class Cure(Table):
    """How the resin hardens, from its data sheet, and how it is to be heated."""

    full: Annotated[tuple[tuple[float, float], ...] | None, TIMES_AT] = Field(
        default=None, description="Full cures the data sheet gives, time at temperature; two or more tell how it speeds up."
    )
    off: Annotated[tuple[tuple[float, float], ...] | None, TIMES_AT] = Field(
        default=None, description="When the data sheet lets the vacuum or the mould be taken off, time at temperature."
    )
    plan: Annotated[tuple[tuple[float, float], ...] | None, TIMES_AT] = Field(
        default=None, description="Holds in their order, time at temperature; left out: full cure at the shop's temperature."
    )
    ramp_c_min: Annotated[float, RAMP, PRACTICE] = Field(
        default=0.5, alias="ramp", description="Rate of heating and cooling between the holds."
    )
    ramp_limit_c_min: Annotated[float, RAMP, PRACTICE] = Field(
        default=1.0, alias="ramp_limit", description="Fastest heating that is let through without a warning."
    )
    glass_transition_c: Annotated[float | None, _TEMPERATURE] = Field(
        default=None, alias="glass_transition", description="Wet glass transition of the cured resin, from its data sheet."
    )
    glass_transition_limit_c: Annotated[float | None, _TEMPERATURE] = Field(
        default=None, alias="glass_transition_limit", description="Highest glass transition it reaches after any post-cure."
    )
    above_cure_least_c: Annotated[float, _DIFFERENCE, MEMORY] = Field(
        default=10.0, alias="above_cure_least", description="Least by which the glass transition ends above the hottest hold."
    )
    above_cure_most_c: Annotated[float, _DIFFERENCE, MEMORY] = Field(
        default=30.0, alias="above_cure_most", description="Most by which it ends above the hottest hold."
    )
    tent_m2: Annotated[float | None, amount(units.area_m2, units.text_area, 0.01, 1000, "6 m^2")] = Field(
        default=None, alias="tent", description="Skin of the heated tent, roof and walls, through which its heat is lost."
    )
    tent_loss_w_m2_k: Annotated[float, amount(units.heat_loss_w_m2_k, units.text_heat_loss, 0.1, 20, "6 W/m^2/K"), MEMORY] = Field(
        default=6.0, alias="tent_loss", description="Heat that this skin lets through: one sheet of film about 6, a blanket about 2."
    )
    log_gap_s: Annotated[float, _TIME, OURS] = Field(
        default=1800.0, alias="log_gap", description="Longest time between two readings of a log that is no gap."
    )
    log: Annotated[Any, forms.FILE] = Field(
        default=None, description="Temperatures as they were logged, a CSV file with units in its head."
    )


class Ranges(Table):
    """How far quantities may honestly lie off; the ends stand for two standard deviations."""

    wet_out: Annotated[float, share(0.0, 0.3, "5 %"), PRACTICE] = Field(
        default=0.05, description="Points of fibre by mass by which hand wet-out strays either way."
    )
    fibre_mass_fraction: Annotated[float, share(0.0, 0.3, "4 %"), MEMORY] = Field(
        default=0.04, description="Points by which the fibre fraction under vacuum strays either way."
    )
    loss: Annotated[float, share(0.0, 1.0, "50 %"), PRACTICE] = Field(
        default=0.5, description="Share of itself by which the loss in cups and rollers strays."
    )
    areal_weight: Annotated[float, share(0.0, 0.3, "5 %"), MEMORY] = Field(
        default=0.05, description="Share by which a cloth's weight strays from its label."
    )
    density: Annotated[float, share(0.0, 0.3, "2 %"), MEMORY] = Field(
        default=0.02, description="Share by which densities of fibre and resin stray from those stated."
    )
    breather_solid: Annotated[float, share(0.02, 0.8, "20 %"), PRACTICE] = Field(
        default=0.20, description="Share of a breather's space that is fibre under vacuum, where no square was weighed."
    )
    breather_solid_spread: Annotated[float, share(0.0, 0.9, "25 %"), PRACTICE] = Field(
        default=0.25, description="Share of itself by which that strays either way."
    )


class Service(Table):
    """What the finished laminate must stand."""

    paint: Annotated[str | None, forms.TEXT] = Field(
        default=None, description="Colour of the paint: white, light grey, mid grey, mid blue, red, dark blue, black."
    )
    absorptance: Annotated[float | None, share(0.01, 1.0, "80 %")] = Field(
        default=None, description="Share of sunlight the paint takes up, if known; it goes before the colour."
    )
    tilt_deg: Annotated[float, forms.ANGLE, OURS] = Field(
        default=0.0, alias="tilt", description="Steepness of the surface: 0 deg for a deck, 90 deg for topsides."
    )
    air_c: Annotated[float, _AIR, MEMORY] = Field(
        default=35.0, alias="hottest_air", description="Hottest air it will stand in."
    )
    margin_c: Annotated[float, _DIFFERENCE, MEMORY] = Field(
        default=28.0, alias="margin", description="How far the wet glass transition should lie over the hottest surface."
    )
    stop_c: Annotated[float, _DIFFERENCE, PRACTICE] = Field(
        default=10.0, alias="stop", description="Distance under which no plan is made unless the heat is accepted."
    )
    accept_heat: bool = Field(
        default=False,
        strict=True,
        description="true: you have read that the sun may soften this laminate, and want the plan all the same.",
    )


class Finishing(Table):
    """Filler and paint on the finished laminate."""

    filler_mm: Annotated[float, length(0, 20, "0.3 mm"), MEMORY] = Field(
        default=0.3, alias="filler", description="Mean thickness of filler over the laminate; 0: none."
    )
    filler_density_g_cm3: Annotated[float, amount(units.density_g_cm3, units.text_density, 0.2, 3.0, "0.7 g/cm^3"), MEMORY] = Field(
        default=0.7, alias="filler_density", description="Density of the filler as mixed; light fillers lower it."
    )
    coats: Annotated[int, PRACTICE] = Field(default=3, ge=0, le=20, strict=True, description="Coats of primer and paint together.")
    coat_g_m2: Annotated[float, AREAL, MEMORY] = Field(
        default=120.0, alias="coat", description="Wet paint of one coat, for each square metre."
    )
    filler_price_per_kg: Annotated[float | None, forms.PER_KG] = Field(
        default=None, alias="filler_price", description="Price of the filler, by the mass that is mixed."
    )
    paint_price_per_kg: Annotated[float | None, forms.PER_KG] = Field(
        default=None, alias="paint_price", description="Price of primer and paint, by their mass as bought; the mean of all coats."
    )
    loss: Annotated[float, share(0.0, 1.0, "15 %"), PRACTICE] = Field(
        default=0.15, description="Left in pots and on tools, or sanded off wet, as a share of what goes on."
    )
    spread: Annotated[float, share(0.0, 0.9, "40 %"), PRACTICE] = Field(
        default=0.4, description="Share by which filler and paint stray either way."
    )


class OwnNumbers(Table):
    """Whether the record beside the job file is used."""

    use: bool = Field(
        default=False,
        strict=True,
        description="true: where this job states nothing, means from the record beside it go before the defaults; each is "
        "printed beside the default it replaces.",
    )
    least: Annotated[int, OURS] = Field(
        default=1, ge=1, le=1000, strict=True, description="How many sessions a mean must come from before it is used."
    )


class Waste(Table):
    """Small things that are used up, masking and wiping too, and what a bag to use again would cost."""

    cup_g: Annotated[float, _MASS, MEMORY] = Field(
        default=12.0, alias="cup", description="Mass of one mixing cup with its stick."
    )
    gloves_g: Annotated[float, _MASS, MEMORY] = Field(
        default=8.0, alias="gloves", description="Mass of one pair of gloves."
    )
    gloves_s: Annotated[float, _TIME, PRACTICE] = Field(
        default=1800.0, alias="gloves_last", description="How long one pair is worn."
    )
    people: Annotated[int, OURS] = Field(default=1, ge=1, le=50, strict=True, description="People with gloves on.")
    tools_g: Annotated[float, _MASS, MEMORY] = Field(
        default=60.0, alias="tools", description="Brushes, roller sleeves and rags thrown away after one session."
    )
    mask_sheet_g_m2: Annotated[float, amount(units.areal_weight_g_m2, units.text_areal_weight, 0, 1000, "40 g/m^2"), MEMORY] = Field(
        default=40.0, alias="masking", description="Areal weight of the paper or film that masks the hull outside the tape."
    )
    mask_tape_g_m: Annotated[float, amount(units.mass_per_length_g_m, units.text_mass_per_length, 0, 100, "3 g/m"), MEMORY] = Field(
        default=3.0, alias="masking_tape", description="Mass of a metre of the tape that holds it, along both its long edges."
    )
    wipes_g_m2: Annotated[float, amount(units.areal_weight_g_m2, units.text_areal_weight, 0, 1000, "20 g/m^2"), MEMORY] = Field(
        default=20.0, alias="wipes", description="Mass of the wipes that a square metre of hull is cleaned with."
    )
    solvent_g_m2: Annotated[float, amount(units.areal_weight_g_m2, units.text_areal_weight, 0, 1000, "40 g/m^2"), MEMORY] = Field(
        default=40.0, alias="solvent", description="Solvent that a square metre of hull is wiped with; it ends in the wipes and in the air."
    )
    reusable_price_per_m2: Annotated[float | None, PER_M2] = Field(
        default=None, alias="reusable_price", description="Price of a bag that is used again, such as silicone sheet."
    )
    reusable_g_m2: Annotated[float, amount(units.areal_weight_g_m2, units.text_areal_weight, 50, 20000, "2500 g/m^2"), MEMORY] = (
        Field(default=2500.0, alias="reusable_weight", description="Areal weight of a bag that is used again.")
    )
    reusable_uses: Annotated[int, MEMORY] = Field(
        default=50, ge=1, le=10000, strict=True, description="How often such a bag is used before it is thrown away."
    )

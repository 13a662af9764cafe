"""What a builder may write down on the day: the fields of job sheet and record, each with its unit."""

from __future__ import annotations

import difflib
from collections.abc import Callable
from dataclasses import dataclass

from .. import units
from ..errors import PlyflatError, QuantityError


class RecordError(PlyflatError, ValueError):
    """Something to be recorded that cannot be: mend it and record it again."""


@dataclass(frozen=True)
class Field:
    """One thing to write down.

    Attributes
    ----------
    key : str
    words : str
        What it is, as on the sheet.
    unit : str
        In which it is kept; empty for words.
    example : str
    read : callable
        What was written -> the number kept.
    low, high : float
        What makes sense.
    """

    key: str
    words: str
    unit: str
    example: str
    read: Callable[[object], float]
    low: float = 0.0
    high: float = 1e7


def _words(given: object) -> float:
    raise QuantityError(f"{given!r} is no number", do="Write it as a note.")


def _number(given: object) -> float:
    return float(str(given))


def _field(key: str, words: str, unit: str, example: str, read: Callable[[object], float], low: float = 0.0, high: float = 1e7) -> Field:
    return Field(key, words, unit, example, read, low, high)


FIELDS = {
    f.key: f
    for f in (
        _field("dry_gauge", "vacuum held in the dry run", "kPa", "82 kPa", units.pressure_kpa, 0, 110),
        _field("dry_drop", "fall of the vacuum in the dry run", "kPa", "1.2 kPa", units.pressure_kpa, 0, 110),
        _field("dry_drop_time", "time of that fall", "s", "1 min", units.time_s, 1, 1e5),
        _field("temperature", "temperature of shop and resin", "degC", "21 degC", units.temperature_c, -20, 60),
        _field("humidity", "relative humidity", "1", "55 %", units.fraction, 0, 1),
        _field("fibre_mass", "cloth as cut, weighed", "g", "820 g", units.mass_g),
        _field("resin_weighed", "resin weighed out in all", "g", "640 g", units.mass_g),
        _field("hardener_weighed", "hardener weighed out in all", "g", "190 g", units.mass_g),
        _field("left_in_cups", "left in cups, on rollers and brushes", "g", "70 g", units.mass_g),
        _field("pot_life", "first pot thickened after", "s", "24 min", units.time_s, 10, 1e6),
        _field("wet_out_time", "from first mix to last ply wetted", "s", "35 min", units.time_s, 10, 1e6),
        _field("bag_down_time", "from first mix to full vacuum", "s", "70 min", units.time_s, 10, 1e6),
        _field("gauge", "vacuum held", "kPa", "82 kPa", units.pressure_kpa, 0, 110),
        _field("drop", "fall of the vacuum in the drop test", "kPa", "1.5 kPa", units.pressure_kpa, 0, 110),
        _field("drop_time", "time of the drop test", "s", "1 min", units.time_s, 1, 1e5),
        _field("tape_used", "tape used", "mm", "6.2 m", units.length_mm),
        _field("film_used", "film cut off the roll", "mm", "2.1 m", units.length_mm),
        _field("peel_ply_dry", "peel ply as cut, dry", "g", "55 g", units.mass_g),
        _field("peel_ply_wet", "peel ply taken off, wet and set", "g", "95 g", units.mass_g),
        _field("breather_dry", "breather as cut, dry", "g", "130 g", units.mass_g),
        _field("breather_wet", "breather taken off, with resin", "g", "260 g", units.mass_g),
        _field("hottest", "hottest the part became", "degC", "45 degC", units.temperature_c, -20, 300),
        _field("taken_off_after", "from first mix until taken off", "s", "16 h", units.time_s, 60, 1e8),
        _field("laminate_mass", "finished laminate, trimmed, weighed if it can be", "g", "1150 g", units.mass_g),
        _field("laminate_thickness", "thickness of the finished laminate", "mm", "1.2 mm", units.length_mm, 0.001, 500),
        _field("cost", "cost of all of it, in the job's currency", "", "112.50", _number, 0, 1e9),
        _field("note", "anything else", "", "cloth slipped at the bow", _words),
    )
}


def read_field(key: str, given: object) -> tuple[float | None, str]:
    """Read what was written in a field.

    Parameters
    ----------
    key : str
    given : str
        A quantity with its unit, or words for a note.

    Returns
    -------
    float or None
        The number in the field's unit; None for a note.
    str
        What was written.

    Raises
    ------
    RecordError
        An unknown field, a missing or wrong unit, or a number that makes no sense.
    """
    if key not in FIELDS:
        close = difflib.get_close_matches(key, FIELDS, n=1)
        hint = f"Did you mean {close[0]}?" if close else f"Use one of {', '.join(FIELDS)}."
        raise RecordError(f"there is no field '{key}'", do=hint)
    field, text = FIELDS[key], str(given).strip()
    if not text or len(text) > 2000 or any(ord(c) < 32 and c not in "\n\t" for c in text):
        raise RecordError(f"{key} is empty, longer than 2000 letters or holds control characters", do="Write it again.")
    if field.read is _words:
        return None, text
    try:
        value = field.read(text)
    except ValueError as err:
        raise RecordError(f'{key}: "{text}" is not understood', do=f'Write it as "{field.example}".') from err
    if not field.low <= value <= field.high:
        raise RecordError(
            f'{key}: "{text}" is not between {field.low:g} and {field.high:g} {field.unit}', do="Check number and unit."
        )
    return value, text

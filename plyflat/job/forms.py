"""How a value of the job file is read, written back and described: one `Form` for each kind of value."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pydantic import GetCoreSchemaHandler, GetJsonSchemaHandler
from pydantic_core import CoreSchema, core_schema

from .. import units
from ..errors import QuantityError

Point = tuple[float, float, float]

BAD_IN_NAMES = r'/\:*?"<>|'
_POINT_SCHEMA = {"type": "string", "examples": ["1.2 0 -0.4 m"]}


@dataclass(frozen=True)
class Form:
    """The written form of a value; stands in a field's annotation.

    Attributes
    ----------
    read : callable
        What stands in the file -> the value used inside; raises ValueError.
    write : callable
        The value used inside -> what stands in the file.
    schema : dict
        JSON Schema of what stands in the file.
    """

    read: Callable[[Any], Any]
    write: Callable[[Any], Any]
    schema: dict[str, Any]

    def __get_pydantic_core_schema__(self, _source: object, _handler: GetCoreSchemaHandler) -> CoreSchema:
        """Tell pydantic to read the value with `read` alone."""
        return core_schema.no_info_plain_validator_function(self.read)

    def __get_pydantic_json_schema__(self, _schema: CoreSchema, _handler: GetJsonSchemaHandler) -> dict[str, Any]:
        """Describe what stands in the file."""
        return dict(self.schema)


@dataclass(frozen=True)
class Mark:
    """Where a default comes from; stands in a field's annotation.

    Attributes
    ----------
    text : str
        "common practice", "from memory", "this program's choice", or the part of the job it is taken from.
    """

    text: str


def amount(
    read: Callable[[Any], float],
    write: Callable[[float], str],
    low: float,
    high: float,
    *examples: str,
    open_ended: bool = False,
) -> Form:
    """Return the form of a quantity that makes sense between two limits.

    Parameters
    ----------
    read, write : callable
        From `plyflat.units`.
    low, high : float
        Limits in the unit used inside.
    examples : str
    open_ended : bool
        Whether the limits themselves are refused too.
    """

    def within(given: object) -> float:
        value = read(given)
        fits = low < value < high if open_ended else low <= value <= high
        if not fits:
            raise QuantityError(
                f'"{given}" is not between {write(low)} and {write(high)}', do="Check the number and its unit"
            )
        return value

    return Form(within, write, {"type": "string", "examples": list(examples)})


def length(low: float, high: float, *examples: str) -> Form:
    """Return the form of a length between two limits, mm."""

    def read(given: object) -> float:
        return units.length_mm(given, negative=low < 0)

    return amount(read, units.text_mm, low, high, *examples)


def share(low: float, high: float, *examples: str, open_ended: bool = False) -> Form:
    """Return the form of a percentage between two limits, given as fractions."""
    return amount(units.fraction, units.text_fraction, low, high, *examples, open_ended=open_ended)


class ListFault(ValueError):
    """Faults of several members of a list, each with its keys below the list's own key.

    Parameters
    ----------
    faults : list of (keys, fault)
    """

    def __init__(self, faults: list[tuple[tuple[str | int, ...], QuantityError]]) -> None:
        self.faults = tuple(faults)
        super().__init__("; ".join(str(fault) for _, fault in faults))


def _each(given: Iterable[Any], read: Callable[[Any], Any], *under: str) -> tuple[Any, ...]:
    """Read every member of a list; raise the faults of all."""
    values: list[Any] = []
    faults: list[tuple[tuple[str | int, ...], QuantityError]] = []
    for k, member in enumerate(given):
        try:
            values.append(read(member))
        except QuantityError as fault:
            faults.append(((*under, k), fault))
    if faults:
        raise ListFault(faults)
    return tuple(values)


def _angle(given: object) -> float:
    value = units.angle_deg(given)
    if not -180.0 <= value <= 180.0:
        raise QuantityError(f'"{given}" is not between -180 and 180 deg', do="Check the number and its unit")
    return value


def _turns(given: object) -> tuple[float, ...] | None:
    if given == "free":
        return None
    if not isinstance(given, list | tuple) or not given:
        raise QuantityError(f"{given!r} is no list of turns", do='Write ["0 deg", "180 deg"], or "free" for any turn')
    return tuple(sorted({turn % 360.0 for turn in _each(given, units.angle_deg)}))


def _write_turns(turns: tuple[float, ...] | None) -> object:
    return "free" if turns is None else [units.text_deg(turn) for turn in turns]


def _cut_kinds(given: object) -> tuple[str, ...]:
    known = isinstance(given, list | tuple) and all(kind in CUT_KINDS_ALL for kind in given)
    if not known or not isinstance(given, list | tuple) or not given:
        raise QuantityError(
            f"{given!r} is no list of kinds of cuts", do='Write ["dart", "split", "gusset"], or some of them'
        )
    return tuple(kind for kind in CUT_KINDS_ALL if kind in given)


def _pieces(given: object) -> tuple[str, ...]:
    known = isinstance(given, list | tuple) and all(kind in PIECES_ALL for kind in given)
    if not known or not isinstance(given, list | tuple) or not given:
        raise QuantityError(
            f"{given!r} does not say what is drawn", do='Write ["plies", "layers", "lays"], or some of them'
        )
    return tuple(kind for kind in PIECES_ALL if kind in given)


def _points(given: object) -> tuple[Point, ...]:
    if not isinstance(given, list | tuple):
        raise QuantityError("it is no list of points", do='Write ["1.2 0 -0.4 m", "1.3 0 -0.4 m"]')
    return _each(given, units.point_mm)


def _warp(given: object) -> str | tuple[Point, ...]:
    if given in ("forward", "up", "corner"):
        return str(given)
    if not isinstance(given, list | tuple) or len(given) != 2:
        raise QuantityError(
            f"{given!r} is no warp line",
            do='Write "forward", "up", "corner", or two points as ["0 0 0 mm", "100 0 0 mm"]',
        )
    first, second = _points(given)
    if math.dist(first, second) < 1.0:
        raise QuantityError("the two points of the warp line are less than 1 mm apart", do="Set them further apart")
    return first, second


def _write_warp(warp: str | tuple[Point, Point]) -> object:
    return warp if isinstance(warp, str) else [units.text_point(p) for p in warp]


def _load(given: object) -> str | float | tuple[Point, ...]:
    if given in ("forward", "up"):
        return str(given)
    if isinstance(given, str):
        return _angle(given)
    if not isinstance(given, list | tuple) or len(given) != 2:
        raise QuantityError(
            f"{given!r} is no direction of the load",
            do='Write "forward", "up", an angle to the warp line as "45 deg", or two points as ["0 0 0 mm", "100 0 0 mm"]',
        )
    first, second = _points(given)
    if math.dist(first, second) < 1.0:
        raise QuantityError("the two points of the load are less than 1 mm apart", do="Set them further apart")
    return first, second


def _write_load(load: str | float | tuple[Point, Point]) -> object:
    if isinstance(load, float):
        return units.text_deg(load)
    return load if isinstance(load, str) else [units.text_point(p) for p in load]


def _vector(given: object) -> Point:
    """Three numbers -> a unit vector; one that is of unit length already is left as it is."""
    fits = isinstance(given, list | tuple) and len(given) == 3 and all(map(_is_number, given))
    v = tuple(float(x) for x in given) if fits else (0.0, 0.0, 0.0)  # type: ignore[attr-defined]
    size = math.hypot(*v)
    if not 0.0 < size < math.inf:
        raise QuantityError(
            f"{given!r} is no direction", do="Write three plain numbers that are not all zero, such as [1, 0, 0]"
        )
    if abs(size - 1.0) > 1e-12:
        v = tuple(x / size for x in v)
    return v[0], v[1], v[2]


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _outline(given: object) -> tuple[Point, ...]:
    """Corners on the hull, three coordinates each."""
    points: tuple[Point, ...] = _outline_of(given, 3, "[[0, 0, 0], [100, 0, 0], [100, 100, 0]]")
    return points


def _outline2(given: object) -> tuple[tuple[float, float], ...]:
    """Corners in a drawing, two coordinates each."""
    points: tuple[tuple[float, float], ...] = _outline_of(given, 2, "[[0, 0], [100, 0], [100, 100]]")
    return points


def _outline_of(given: object, size: int, example: str) -> tuple[Any, ...]:
    if not isinstance(given, dict) or not isinstance(given.get("points"), list | tuple):
        raise QuantityError("it is no outline", do=f'Write {{ unit = "mm", points = {example} }}')
    strange = sorted(set(given) - {"unit", "points"})
    if strange:
        raise QuantityError(f"unknown key '{strange[0]}'", do="An outline has the keys unit and points")
    unit = given.get("unit")
    if unit is not None and unit not in units.MM_PER:
        raise QuantityError(f"unknown unit {unit!r}", do=f"Use one of {', '.join(units.MM_PER)}")
    points = _each(given["points"], lambda point: _corner(point, unit, size), "points")
    if len(set(points)) < 3:
        raise QuantityError(f"it has {len(set(points))} different points", do="Give three or more")
    return points


def _corner(given: object, unit: str | None, size: int) -> tuple[float, ...]:
    if isinstance(given, str) and size == 3:
        return units.point_mm(given)
    fits = isinstance(given, list | tuple) and len(given) == size and all(map(_is_number, given))
    zeros = ", ".join("0" * size)
    if not fits:
        raise QuantityError(f"{given!r} is not {'three' if size == 3 else 'two'} numbers", do=f"Write it as [{zeros}]")
    if unit is None:
        also = ', or "0 0 0 mm"' if size == 3 else ""
        raise QuantityError(f"{given!r} has no unit", do=f'Write unit = "mm" before the points{also}')
    point = tuple(float(v) * units.MM_PER[unit] for v in given)  # type: ignore[attr-defined]
    if not all(map(math.isfinite, point)):
        raise QuantityError(f"{given!r} is not finite", do="Check the numbers")
    return point


def _write_outline(points: tuple[tuple[float, ...], ...]) -> object:
    return {"unit": "mm", "points": [list(p) for p in points]}


def _laps(given: object) -> tuple[float, float]:
    if not isinstance(given, list | tuple) or len(given) != 2:
        raise QuantityError(f"{given!r} is not two laps", do='Write ["60 mm", "40 mm"]: up the first side, up the second')
    first, second = _each(given, _LAP.read)
    return first, second


def _view(given: object) -> str | Point:
    if isinstance(given, str):
        if given not in VIEWS:
            raise QuantityError(f"{given!r} is no side of the boat", do=f"Use one of {', '.join(VIEWS)}, or a direction")
        return given
    return _vector(given)


def _taper(given: object) -> float:
    """A ratio such as 20:1 -> 20."""
    long, thick = units.ratio(given)
    if not 1.0 <= long / thick <= 500.0:
        raise QuantityError(f'"{given}" is not between 1:1 and 500:1', do="Write length to thickness, such as 20:1")
    return long / thick


_COLOUR = re.compile(r"#[0-9a-fA-F]{6}|[a-z][a-z ]{1,30}")


def _colour(given: object) -> str:
    if not isinstance(given, str) or not _COLOUR.fullmatch(given):
        raise QuantityError(f"{given!r} is no colour", do='Write a plain name such as "blue", or "#1f6fd0"')
    return given


def _text(given: object) -> str:
    if not isinstance(given, str) or not given.strip():
        raise QuantityError(f"{given!r} is no text", do="Write a few words in quotes")
    if not given.isprintable() or len(given) > 200:
        raise QuantityError("it is longer than 200 letters or holds a control character", do="Shorten it")
    return given


def name_fault(given: object) -> str:
    """Return what is wrong with a name that becomes part of file names, or an empty text."""
    if not isinstance(given, str) or not given.strip():
        return f"{given!r} is no name"
    bad = sorted({c for c in given if c in BAD_IN_NAMES or not c.isprintable()})
    if bad:
        return f"the name {given!r} holds {' '.join(map(repr, bad))}, which a file name cannot hold"
    if given != given.strip() or given.endswith("."):
        return f"the name {given!r} starts or ends with a space, or ends with a full stop"
    return f"the name {given!r} is longer than 60 letters" if len(given) > 60 else ""


def _name(given: object) -> str:
    fault = name_fault(given)
    if fault:
        raise QuantityError(fault, do="Names become file names: use letters, figures, spaces and hyphens")
    return str(given)


def named(*examples: str) -> Form:
    """Return the form of a name that becomes part of file names."""
    return Form(_name, _same, {"type": "string", "pattern": NAME_PATTERN, "examples": list(examples)})


def _file(given: object) -> Path:
    if not isinstance(given, str) or not given.strip() or not given.isprintable():
        raise QuantityError(f"{given!r} is no file name", do='Write it in quotes, such as "hull_scan.ply"')
    return Path(given)


_CURRENCY = re.compile(r"[^\W\d_]{1,12}|[$€£¥]")


def _currency(given: object) -> str:
    if not isinstance(given, str) or not _CURRENCY.fullmatch(given):
        raise QuantityError(f"{given!r} is no currency", do='Write one word such as "EUR"')
    return given


def _same(value: Any) -> Any:
    return value


_TURNS_SCHEMA = {
    "anyOf": [{"const": "free"}, {"type": "array", "items": {"type": "string"}, "minItems": 1}],
    "examples": [["0 deg", "180 deg"], "free"],
}
_WARP_SCHEMA = {
    "anyOf": [{"enum": ["forward", "up", "corner"]}, {"type": "array", "items": _POINT_SCHEMA, "minItems": 2, "maxItems": 2}],
    "examples": ["forward", ["0 0 0 mm", "100 0 0 mm"]],
}
_LOAD_SCHEMA = {
    "anyOf": [{"type": "string"}, {"type": "array", "items": _POINT_SCHEMA, "minItems": 2, "maxItems": 2}],
    "examples": ["forward", "45 deg", ["0 0 0 mm", "100 0 0 mm"]],
}
_NUMBERS3 = {"type": "array", "items": {"type": "number"}, "minItems": 3, "maxItems": 3}
CUT_KINDS_ALL = ("dart", "split", "gusset")
PIECES_ALL = ("plies", "layers", "lays")
VIEWS = ("port", "starboard", "above", "below", "ahead", "astern")
_LAP = length(1, 2000, "60 mm")
_OUTLINE_SCHEMA = {
    "type": "object",
    "properties": {
        "unit": {"enum": list(units.MM_PER), "description": "Unit of points written as plain numbers."},
        "points": {
            "type": "array",
            "minItems": 3,
            "items": {"anyOf": [_NUMBERS3, _POINT_SCHEMA]},
            "description": "Corners in order; the first and last are joined.",
        },
    },
    "required": ["points"],
    "additionalProperties": False,
    "examples": [{"unit": "mm", "points": [[0, 0, 0], [100, 0, 0], [100, 100, 0]]}],
}
_OUTLINE2_SCHEMA = {
    "type": "object",
    "properties": {
        "unit": {"enum": list(units.MM_PER), "description": "Unit of the points."},
        "points": {
            "type": "array",
            "minItems": 3,
            "items": {"type": "array", "items": {"type": "number"}, "minItems": 2, "maxItems": 2},
            "description": "Corners in order; the first and last are joined.",
        },
    },
    "required": ["unit", "points"],
    "additionalProperties": False,
    "examples": [{"unit": "mm", "points": [[0, 0], [100, 0], [100, 100]]}],
}
NAME_PATTERN = r'^[^/\\:*?"<>|]{1,60}$'

ANGLE = Form(_angle, units.text_deg, {"type": "string", "examples": ["0 deg", "45 deg"]})
CUT_KINDS = Form(
    _cut_kinds,
    list,
    {"type": "array", "items": {"enum": list(CUT_KINDS_ALL)}, "minItems": 1, "examples": [["dart"], ["split", "gusset"]]},
)
PIECES = Form(
    _pieces,
    list,
    {"type": "array", "items": {"enum": list(PIECES_ALL)}, "minItems": 1, "examples": [["plies"], ["plies", "lays"]]},
)
TURNS = Form(_turns, _write_turns, _TURNS_SCHEMA)
POINT = Form(units.point_mm, units.text_point, _POINT_SCHEMA)
POINTS = Form(
    _points,
    lambda points: [units.text_point(p) for p in points],
    {"type": "array", "items": _POINT_SCHEMA, "examples": [["1.2 0 -0.4 m"]]},
)
WARP = Form(_warp, _write_warp, _WARP_SCHEMA)
LOAD = Form(_load, _write_load, _LOAD_SCHEMA)
VECTOR = Form(_vector, list, {**_NUMBERS3, "examples": [[1, 0, 0]]})
OUTLINE = Form(_outline, _write_outline, _OUTLINE_SCHEMA)
OUTLINE2 = Form(_outline2, _write_outline, _OUTLINE2_SCHEMA)
LAPS = Form(
    _laps,
    lambda laps: [units.text_mm(lap) for lap in laps],
    {"type": "array", "items": {"type": "string"}, "minItems": 2, "maxItems": 2, "examples": [["60 mm", "40 mm"]]},
)
VIEW = Form(
    _view,
    lambda view: view if isinstance(view, str) else list(view),
    {"anyOf": [{"enum": list(VIEWS)}, _NUMBERS3], "examples": ["port", [0, -1, 0]]},
)
TAPER = Form(_taper, lambda taper: f"{units.number_text(taper)}:1", {"type": "string", "examples": ["20:1"]})
COLOUR = Form(_colour, _same, {"type": "string", "examples": ["blue", "#1f6fd0"]})
TEXT = Form(_text, _same, {"type": "string", "minLength": 1, "maxLength": 200, "examples": ["Foredeck patch"]})
FILE = Form(_file, str, {"type": "string", "minLength": 1, "examples": ["hull_scan.ply"]})
CURRENCY = Form(_currency, _same, {"type": "string", "examples": ["EUR"]})
RATIO = Form(units.ratio, units.text_ratio, {"type": "string", "examples": ["100:30"]})
PER_M = Form(units.price_per_m, units.number_text, {"type": "string", "examples": ["38.50 EUR/m"]})
PER_KG = Form(units.price_per_kg, units.number_text, {"type": "string", "examples": ["22 EUR/kg"]})

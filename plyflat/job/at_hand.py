"""What a job states of cloth piece by piece: rolls begun, remnants, and their flaws."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import Field

from .. import units
from ..errors import QuantityError
from . import forms
from .forms import length
from .table import EDGE, ROLL_LENGTH, ROLL_WIDTH, Mark, Table, filled

_ALONG = length(0, 5e6, "1.2 m")
_SIZE = length(0.1, 5e5, "80 mm")
Fault = tuple[tuple[str | int, ...], str]


def _names(given: object) -> tuple[str, ...]:
    if not isinstance(given, list | tuple) or not all(isinstance(name, str) for name in given):
        raise QuantityError(f"{given!r} is no list of names", do='Write ["keel patch", "stem"]')
    return tuple(given)


NAMES = forms.Form(
    _names, list, {"type": "array", "items": {"type": "string"}, "uniqueItems": True, "examples": [["keel patch", "stem"]]}
)


class FlawSpec(Table):
    """A box on a roll that no piece may reach into: a pulled thread, a stain, a join in the cloth."""

    from_end_mm: Annotated[float, _ALONG] = Field(alias="from_end", description="Where it begins, from the roll's loose end.")
    from_edge_mm: Annotated[float, _ALONG] = Field(
        alias="from_edge", description="Where it begins, from the edge near you with the end to your left."
    )
    along_mm: Annotated[float, _SIZE] = Field(alias="along", description="Its size along the roll.")
    across_mm: Annotated[float, _SIZE] = Field(alias="across", description="Its size across the roll.")


class AtHand(Table):
    """A roll that is begun, or a remnant.

    ``name``, ``width_mm`` and ``edge_mm`` are filled from the cloth, and ``file`` is held as a full path, once the job is
    read.
    """

    name: Annotated[str | None, forms.TEXT, Mark("by its number")] = Field(
        default=None, description="What it is called on lists and lays."
    )
    length_mm: Annotated[float | None, ROLL_LENGTH] = Field(
        default=None, alias="length", description="What is left on the roll. Either this, outline or file."
    )
    width_mm: Annotated[float | None, ROLL_WIDTH, Mark("the cloth's")] = Field(
        default=None, alias="width", description="Its whole width, where that is not the cloth's roll_width."
    )
    outline_mm: Annotated[tuple[tuple[float, float], ...] | None, forms.OUTLINE2] = Field(
        default=None, alias="outline", description="Corners of a remnant, x along the warp."
    )
    file: Annotated[Path | None, forms.FILE] = Field(
        default=None, description="A remnant's outline, x along the warp: a DXF file, or a list of corners as this program leaves it."
    )
    unit: Literal["m", "cm", "mm", "in", "ft"] | None = Field(
        default=None, description="Unit of the numbers in a DXF file; may be left out where the file states it."
    )
    edge_mm: Annotated[float | None, EDGE, Mark("the cloth's for a roll, none for a remnant")] = Field(
        default=None, alias="edge", description="Kept clear along its two sides."
    )
    flaws: tuple[FlawSpec, ...] = Field(default=(), description="Places no piece may reach into.")


def settled(found: tuple[AtHand, ...], *, width_mm: float, edge_mm: float, folder: Path) -> tuple[AtHand, ...]:
    """Return what is at hand with its gaps filled from the cloth.

    Parameters
    ----------
    found : tuple of AtHand
    width_mm, edge_mm : float
        The cloth's.
    folder : Path
        What files are seen from.
    """
    out = []
    for k, row in enumerate(found, 1):
        roll = row.length_mm is not None
        values: dict[str, Any] = {"name": row.name or (f"begun roll {k}" if roll else f"remnant {k}")}
        if roll and row.width_mm is None:
            values["width_mm"] = width_mm
        if row.edge_mm is None:
            values["edge_mm"] = edge_mm if roll else 0.0
        if row.file is not None:
            values["file"] = Path(os.path.abspath(folder / row.file))
        out.append(filled(row, **values))
    return tuple(out)


def at_hand_faults(row: dict[str, Any], where: tuple[str, ...]) -> Iterator[Fault]:
    """Yield what is wrong between the keys of the cloth at hand of a material, on the file as read.

    Parameters
    ----------
    row : dict
        The cloth's or consumable's table.
    where : tuple of str
    """
    rows = row.get("at_hand", ())
    names: list[str] = []
    for k, found in enumerate(rows if isinstance(rows, list) else ()):
        if not isinstance(found, dict):
            continue
        here: tuple[str | int, ...] = (*where, "at_hand", k)
        ways = [key for key in ("length", "outline", "file") if key in found]
        if len(ways) != 1:
            said = f"{' and '.join(ways)} are stated" if ways else "neither length nor outline nor file is stated"
            yield here, f"{said}; a roll has a length, a remnant an outline or a file"
        if "width" in found and ways != ["length"]:
            yield (*here, "width"), "only a roll has a width; a remnant has that of its outline"
        name = found.get("name")
        if isinstance(name, str) and name in names:
            yield (*here, "name"), f"'{name}' is used twice"
        names.append(str(name))
        yield from _flaws(row, found, here)


def _flaws(row: dict[str, Any], found: dict[str, Any], here: tuple[str | int, ...]) -> Iterator[Fault]:
    """Yield flaws that lie outside their roll; a remnant's are looked at when its outline is known."""
    long, wide = _mm(found, "length"), _mm(found, "width") or _mm(row, "roll_width")
    flaws = found.get("flaws", ())
    for n, flaw in enumerate(flaws if isinstance(flaws, list) else ()):
        if not isinstance(flaw, dict):
            continue
        for start, size, most, what in (("from_end", "along", long, "long"), ("from_edge", "across", wide, "wide")):
            begin, reach = _mm(flaw, start), _mm(flaw, size)
            if None not in (begin, reach, most) and begin + reach > most + 1e-6:  # type: ignore[operator]
                yield (*here, "flaws", n), (
                    f"it reaches to {units.text_mm(begin + reach)}, outside a roll {units.text_mm(most)} {what}"  # type: ignore[operator, arg-type]
                )


def _mm(row: dict[str, Any], key: str) -> float | None:
    try:
        return units.length_mm(row[key])
    except (KeyError, QuantityError):
        return None

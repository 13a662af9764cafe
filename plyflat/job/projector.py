"""What a job states about projectors that throw lines on the hull."""

from __future__ import annotations

import math
from typing import Annotated

from pydantic import Field

from ..errors import QuantityError
from . import forms
from .forms import Form, Point
from .table import Table

#: Marks that a projector needs where it is not stated where its lens stands; else four do.
LEAST_FREE = 6
#: Widest picture that is taken for one, pixels.
MOST_PX = 16384
_SIZE_SCHEMA = {
    "type": "array",
    "items": {"type": "integer", "minimum": 16},
    "minItems": 2,
    "maxItems": 2,
    "examples": [[1920, 1080]],
}
_AT_SCHEMA = {
    "type": "array",
    "items": {"type": "number"},
    "minItems": 2,
    "maxItems": 2,
    "examples": [[312, 540]],
}


def _pair(given: object, what: str, example: str) -> tuple[float, float]:
    numbers = [x for x in given if _is_number(x)] if isinstance(given, list | tuple) else []
    if not isinstance(given, list | tuple) or len(given) != 2 or len(numbers) != 2:
        raise QuantityError(f"{given!r} is no {what}", do=f"Write two plain numbers of pixels, such as {example}")
    return float(numbers[0]), float(numbers[1])


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


def _size(given: object) -> tuple[int, int]:
    wide, high = _pair(given, "width and height", "[1920, 1080]")
    if not all(x == int(x) and 16 <= x <= MOST_PX for x in (wide, high)):
        raise QuantityError(
            f"a picture of {wide:g} by {high:g} pixels", do=f"Write whole numbers from 16 to {MOST_PX}"
        )
    return int(wide), int(high)


def _at(given: object) -> tuple[float, float]:
    return _pair(given, "place in the picture", "[312, 540]")


SIZE = Form(_size, list, _SIZE_SCHEMA)
AT = Form(_at, list, _AT_SCHEMA)


class SeenMark(Table):
    """A mark that was picked on the hull and in the projector's picture."""

    on_mm: Annotated[Point, forms.POINT] = Field(
        alias="on", description="Where it is on the hull, in the mesh's coordinates."
    )
    at_px: Annotated[tuple[float, float], AT] = Field(
        alias="at",
        description="Where it lies in the picture, in pixels right and down from the upper left corner.",
    )


class Projector(Table):
    """A projector that throws the edges of a region's plies on the hull."""

    region: Annotated[str, forms.TEXT] = Field(description="Name of the region.")
    image_px: Annotated[tuple[int, int], SIZE] = Field(
        alias="image", description="Width and height of its picture, pixels."
    )
    stands_mm: Annotated[Point | None, forms.POINT] = Field(
        default=None,
        alias="stands",
        description="Where its lens is, in the mesh's coordinates; then four marks do. Left out: six or more, not all in one plane.",
    )
    marks: tuple[SeenMark, ...] = Field(
        alias="mark", min_length=4, description="What was picked on the hull and in the picture."
    )

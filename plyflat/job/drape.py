"""How a cloth is laid: what it is woven like, how far it shears, and where it is put down first."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated, Any, Literal

from pydantic import Field

from .. import units
from ..errors import QuantityError
from . import forms
from .forms import Form, Point, amount
from .table import OURS, Table

Weave = Literal[
    "plain, tight",
    "plain, loose",
    "twill 2x2",
    "satin 4 or 5",
    "satin 8",
    "biaxial",
    "biaxial, stitch stretched",
    "biaxial, stitch slack",
    "spread tow",
    "unidirectional",
    "mat",
    "felt",
]
CutBy = Literal["drape", "flatten"]
Steer = Literal["where it locks", "never", "always"]
#: Cloths whose threads do not cross, or that stretch: no net of threads says how they lie.
WITHOUT_NET = ("unidirectional", "mat", "felt")

LOCK = amount(units.angle_deg, units.text_deg, 1, 85, "40 deg")
WITHIN = amount(units.angle_deg, units.text_deg, 0, 45, "10 deg")


def pair(low: float, high: float, what: str, *example: str) -> Form:
    """Return the form of two lengths between two limits, mm.

    Parameters
    ----------
    low, high : float
    what : str
        What the two are, for a message.
    example : str
        Two lengths as written.
    """
    one = forms.length(low, high, example[0])

    def read(given: object) -> tuple[float, float]:
        if not isinstance(given, list | tuple) or len(given) != 2:
            raise QuantityError(f"{given!r} is not two lengths", do=f"Write {list(example)}: {what}".replace("'", '"'))
        return one.read(given[0]), one.read(given[1])

    schema = {"type": "array", "items": {"type": "string"}, "minItems": 2, "maxItems": 2, "examples": [list(example)]}
    return Form(read, lambda lengths: [units.text_mm(x) for x in lengths], schema)


DIAGONALS = pair(1, 5000, "the diagonal that was pulled, and the one across", "185 mm", "105 mm")
TOWS = pair(0.05, 100, "width of a tow, and from the middle of one to the middle of the next", "1.6 mm", "2 mm")


class DrapeSpec(Table):
    """How cloth that is laid by its threads goes on a region."""

    start_mm: Annotated[Point | None, forms.POINT] = Field(
        default=None,
        alias="start",
        description="Where the cloth is put down first, on the surface; left out: a place is sought for each piece.",
    )
    steer: Annotated[Steer, OURS] = Field(
        default="where it locks",
        description="Whether its first two threads may be bent, which then have to be marked on the mould.",
    )
    within_deg: Annotated[float, WITHIN, OURS] = Field(
        default=0.0, alias="within", description="How far the warp may be off the ply's angle where it is put down first."
    )


def cloth_faults(row: dict[str, Any], where: tuple[str, ...]) -> Iterator[tuple[tuple[str, ...], str]]:
    """Yield (key path, text) of what a cloth's table says twice or leaves open about its shear.

    Parameters
    ----------
    row : dict
        The table as read.
    where : tuple of str
        Its key path.
    """
    ways = [key for key in ("lock", "bias_test", "tows") if key in row]
    if len(ways) > 1:
        yield (*where, ways[1]), f"{' and '.join(ways)} each say how far the cloth shears; keep the one that was measured"
    for key, needs in (("lock_back", "lock"), ("bias_test_back", "bias_test")):
        if key in row and needs not in row:
            yield (*where, key), f"{key} is for cloth that shears less the other way; state {needs} too"
    for key in ("bias_test", "bias_test_back"):
        yield from _wrong_order(row, (*where, key), DIAGONALS, "the pulled diagonal, which stands first, is the longer one", -1)
    yield from _wrong_order(row, (*where, "tows"), TOWS, "tows are narrower than their spacing, which stands second", 1)
    weave = row.get("weave")
    if row.get("cut_by") == "flatten" or (weave is None and "cut_by" not in row):
        for key in ways:
            yield (*where, key), "the cloth is cut by flatten, which takes no note of its shear; state its weave, or cut_by"
    if row.get("cut_by") != "drape":
        return
    if weave in WITHOUT_NET:
        yield (*where, "cut_by"), f"{weave} has no threads that cross and hold their lengths; it is cut by flatten"
    elif weave is None and not ways:
        yield (*where, "cut_by"), "to drape it, say how it is woven (weave), or how far it shears (lock, bias_test or tows)"


def is_draped(row: dict[str, Any]) -> bool:
    """Return whether a cloth's table, as read, has it laid by its threads."""
    return bool(row.get("cut_by", "drape" if row.get("weave") not in (None, *WITHOUT_NET) else "flatten") == "drape")


def _wrong_order(
    row: dict[str, Any], where: tuple[str, ...], form: Form, text: str, sign: int
) -> Iterator[tuple[tuple[str, ...], str]]:
    try:
        first, second = form.read(row[where[-1]])
    except (KeyError, ValueError):
        # Left out, or a fault of its own that is told elsewhere.
        return
    if sign * (second - first) <= 0:
        yield where, text

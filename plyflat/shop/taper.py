"""How far each ply of a patch steps out beyond the one before, from a stated step or from a taper."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from ..errors import PlyflatError

Order = Literal["smallest first", "largest first"]


class TaperError(PlyflatError, ValueError):
    """Steps that no patch can have: state another step or taper."""


@dataclass(frozen=True)
class TaperSource:
    """What is published on how long a tapered lap or the step of a ply should be.

    Attributes
    ----------
    name : str
        What it is for.
    low, high : float
        The range; equal where one figure is given.
    unit : {"1", "mm"}
        "1" for length over thickness, "mm" for a step per ply.
    source : str
    kind : {"published", "practice", "memory"}
    """

    name: str
    low: float
    high: float
    unit: Literal["1", "mm"]
    source: str
    kind: Literal["published", "practice", "memory"]


TAPER_SOURCES: tuple[TaperSource, ...] = (
    TaperSource("scarf in sandwich facing", 50, 50, "1", "FAA AC 43.13-1B, 3-3a(1)", "published"),
    TaperSource("scarf", 50, 50, "1", "MIL-HDBK-17-3F, chapter 12", "published"),
    TaperSource("single lap", 80, 80, "1", "MIL-HDBK-17-3F, chapter 12", "published"),
    TaperSource("double shear lap", 30, 30, "1", "MIL-HDBK-17-3F, chapter 12", "published"),
    TaperSource("end of a lap", 10, 10, "1", "MIL-HDBK-17-3F, chapter 12", "published"),
    TaperSource("scarf of a repair", 20, 120, "1", "trade repair guide on scarfing, 2019", "published"),
    TaperSource("step of each ply of a repair", 12.5, 12.5, "mm", "trade repair guide on scarfing, 2019", "published"),
    TaperSource(
        "step of each ply of a repair (0.5 to 1.0 in larger, half on each side)", 6.35, 12.7, "mm",
        "aircraft repair manual 51-20, 2000", "published",
    ),
    TaperSource("step of each ply up a concave corner", 20, 25, "mm", "workshop practice", "practice"),
)


def steps_mm(
    thickness_mm: Sequence[float],
    *,
    step_mm: float | None = None,
    taper: float | None = None,
    order: Order = "smallest first",
    start_mm: float = 0.0,
) -> tuple[float, ...]:
    """How far each ply's outline is moved out along the surface.

    Parameters
    ----------
    thickness_mm : sequence of float
        Cured thickness of each ply, mm, the first one laid first. With `step_mm` only their number counts.
    step_mm : float, optional
        How much farther out each ply ends than its smaller neighbour. Either this or `taper`.
    taper : float, optional
        Length over thickness: each ply ends farther out than its smaller neighbour by this many times the thickness of
        that neighbour, so that the edges lie on one slope.
    order : {"smallest first", "largest first"}
        "smallest first" fills a scarfed recess from its bottom up; "largest first" steps down from the skin.
    start_mm : float
        Where the smallest ply ends.

    Returns
    -------
    tuple of float
        mm, one for each ply, in the order of laying.

    Raises
    ------
    TaperError
        No ply; neither or both of step and taper; one that is not positive; a thickness that is not positive.

    Examples
    --------
    Three plies of 0.25 mm at 20:1 over a hole, the smallest first:

    >>> steps_mm([0.25, 0.25, 0.25], taper=20, start_mm=10)
    (10.0, 15.0, 20.0)
    """
    if not thickness_mm:
        raise TaperError("there is no ply to step", do="State at least one.")
    if (step_mm is None) == (taper is None):
        raise TaperError("steps need a step or a taper, and not both", do='Such as a step of 12 mm, or a taper of "20:1".')
    for what, value in (("step", step_mm), ("taper", taper)):
        if value is not None and not 0.0 < value < 1e5:
            raise TaperError(f"the {what} is {value:g}", do="Give a number above 0.")
    if not -1e5 < start_mm < 1e5:
        raise TaperError(f"the smallest ply starts at {start_mm:g} mm", do="Give a distance along the surface.")
    if order not in ("smallest first", "largest first"):
        raise TaperError(f"the order is {order!r}", do='Give "smallest first" or "largest first".')
    for i, t in enumerate(thickness_mm):
        if taper is not None and not 0.0 < t < 100.0:
            raise TaperError(f"ply {i + 1} is {t:g} mm thick", do="A taper needs the cured thickness of each ply.")
    smaller = list(thickness_mm[:-1] if order == "smallest first" else reversed(thickness_mm[1:]))
    gaps = [step_mm if step_mm is not None else float(taper or 0.0) * t for t in smaller]
    out = [float(start_mm)]
    for gap in gaps:
        out.append(out[-1] + gap)
    return tuple(out if order == "smallest first" else out[::-1])


def taper_length_mm(thickness_mm: float, taper: float) -> float:
    """Length over which a laminate of some thickness is tapered: taper times thickness.

    Parameters
    ----------
    thickness_mm : float
    taper : float
        Length over thickness.

    Raises
    ------
    TaperError
        One of them is not positive.
    """
    if not (0.0 < thickness_mm < 1e4 and 0.0 < taper < 1e4):
        raise TaperError(f"a taper of {taper:g} over {thickness_mm:g} mm cannot be", do="Give numbers above 0.")
    return thickness_mm * taper

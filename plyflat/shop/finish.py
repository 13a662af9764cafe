"""Work on the surface before and after: what is cleaned, keyed, masked and sanded, and the filler and paint it takes."""

from __future__ import annotations

from dataclasses import dataclass

from ..errors import PlyflatError
from .spread import Range


class FinishError(PlyflatError, ValueError):
    """Areas or amounts that cannot be."""


@dataclass(frozen=True)
class Finish:
    """Areas of one region, and what goes on it afterwards.

    Attributes
    ----------
    key_m2 : float
        Ground rough: where the largest ply lies.
    clean_m2 : float
        Cleaned: out to the tape, and under the masking where there is any.
    mask_m2, mask_m : float
        Masking outside the tape, and how long it is; 0 where there is none.
    sand_m2 : float
        Sanded once it has set: the largest ply.
    feather_m : float
        Its edge, to be sanded to nothing.
    filler_g, paint_g : Range
        Mixed, losses included; paint over all coats.
    """

    key_m2: float
    clean_m2: float
    mask_m2: float
    mask_m: float
    sand_m2: float
    feather_m: float
    filler_g: Range
    paint_g: Range


def finish_of(
    *,
    laminate_m2: float,
    edge_m: float,
    within_tape_m2: float,
    mask_m2: float,
    mask_m: float,
    filler_mm: float,
    filler_density_g_cm3: float,
    coats: int,
    coat_g_m2: float,
    loss: float,
    spread: float,
) -> Finish:
    """Work out areas, filler and paint.

    Parameters
    ----------
    laminate_m2, edge_m : float
        Of the largest ply.
    within_tape_m2 : float
        0 where there is no bag.
    mask_m2, mask_m : float
    filler_mm, filler_density_g_cm3 : float
        Mean thickness over the laminate, and density as mixed.
    coats : int
    coat_g_m2 : float
        Wet paint of one coat.
    loss : float
        Left in pots and on tools, as a share of what goes on.
    spread : float
        Share by which filler and paint stray either way.

    Raises
    ------
    FinishError
        An area, density or weight that cannot be.
    """
    if not (laminate_m2 > 0 and filler_density_g_cm3 > 0 and min(filler_mm, coats, coat_g_m2, loss, mask_m2, mask_m) >= 0):
        raise FinishError("an area, a density or a weight is not above zero", do="Check the job's [finish].")
    # A layer of 1 mm over 1 m² is a litre, which weighs a thousand times its g/cm³.
    filler = laminate_m2 * filler_mm * filler_density_g_cm3 * 1000.0 * (1 + loss)
    paint = laminate_m2 * coats * coat_g_m2 * (1 + loss)
    return Finish(
        laminate_m2, max(within_tape_m2, laminate_m2) + mask_m2, mask_m2, mask_m, laminate_m2, edge_m,
        Range.about(filler, spread), Range.about(paint, spread),
    )  # fmt: skip

"""What to buy of a material sold by the roll, and what of it ends in the bin."""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True)
class RollNeed:
    """Rolls of one material against what the shop has.

    Attributes
    ----------
    length_m : float
        Length cut off, over all rolls.
    in_shop_m : float
        Length of the rolls in the shop.
    rolls : int
        Rolls cut into.
    to_buy : int
        Whole rolls to buy beyond those in the shop.
    cost : float or None
        Price of the length cut off.
    """

    length_m: float
    in_shop_m: float
    rolls: int
    to_buy: int
    cost: float | None


def roll_need(
    lengths_mm: tuple[float, ...], *, roll_length_mm: float, rolls_in_shop: int, price_per_m: float | None
) -> RollNeed:
    """Count rolls and price.

    Parameters
    ----------
    lengths_mm : tuple of float
        Length cut off each roll.
    roll_length_mm : float
    rolls_in_shop : int
    price_per_m : float or None
    """
    used = sum(lengths_mm) / 1000.0
    return RollNeed(
        used,
        rolls_in_shop * roll_length_mm / 1000.0,
        len(lengths_mm),
        max(len(lengths_mm) - rolls_in_shop, 0),
        None if price_per_m is None else used * price_per_m,
    )


def tape_rolls(length_mm: float, *, roll_length_mm: float) -> int:
    """Rolls of tape that hold a length, each roll's rest being usable."""
    return max(math.ceil(length_mm / roll_length_mm - 1e-9), 1) if length_mm > 0 else 0


def offcut_g(*, used_mm2: float, on_hull_mm2: float, areal_weight_g_m2: float) -> float:
    """Mass of what is cut off and does not end on the hull, g."""
    return max(used_mm2 - on_hull_mm2, 0.0) * 1e-6 * areal_weight_g_m2

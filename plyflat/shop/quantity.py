"""An amount with its honest range and the ground it stands on."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Quantity:
    """One line of the shopping and weighing list.

    Attributes
    ----------
    item : str
    amount : float
    unit : str
    low, high : float
        Honest range of the amount.
    basis : str
        How it was worked out, with the mark of its source (published, derived, common practice, from memory, yours).
    cost : float or None
    """

    item: str
    amount: float
    unit: str
    low: float
    high: float
    basis: str
    cost: float | None = None

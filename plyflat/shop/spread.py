"""Ranges carried through a formula: from the ranges of what goes in to the range of what comes out.

A range says where a value honestly lies; its ends are taken as two standard deviations away. What goes in is taken as
independent. To first order the half-widths then add as squares (law of propagation of uncertainty, JCGM 100:2008,
5.1.2).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from ..errors import PlyflatError


class RangeError(PlyflatError, ValueError):
    """A range whose ends are not in order."""


@dataclass(frozen=True)
class Range:
    """A value with its honest range.

    Attributes
    ----------
    low, usual, high : float
    """

    low: float
    usual: float
    high: float

    def __post_init__(self) -> None:
        """Refuse ends that are not in order."""
        if not self.low <= self.usual <= self.high:
            raise RangeError(
                f"the range {self.low:g}, {self.usual:g}, {self.high:g} is not in order", do="Give low, usual and high."
            )

    @classmethod
    def about(cls, usual: float, share: float) -> Range:
        """Return a value that may be off by a share either way."""
        off = abs(usual) * share
        return cls(usual - off, usual, usual + off)

    def times(self, factor: float) -> Range:
        """Return the range of a multiple, the factor being sure and not negative."""
        return Range(self.low * factor, self.usual * factor, self.high * factor)

    @property
    def floored(self) -> Range:
        """The same without what lies under zero, for what cannot be less than nothing."""
        return Range(max(self.low, 0.0), max(self.usual, 0.0), max(self.high, 0.0))


#: None of it, for sure.
NOTHING = Range(0.0, 0.0, 0.0)


def carried(formula: Callable[..., float], inputs: Mapping[str, Range]) -> Range:
    """Carry ranges through a formula to first order.

    Parameters
    ----------
    formula : callable
        Takes the inputs by name and returns a number.
    inputs : mapping of str to Range

    Returns
    -------
    Range
        About the formula at the usual values. Each end is the root of the sum of squares of what the inputs, one at a
        time at an end of theirs, move the result that way.
    """
    usual = {name: r.usual for name, r in inputs.items()}
    middle = formula(**usual)
    down = up = 0.0
    for name, r in inputs.items():
        moves = [formula(**{**usual, name: end}) - middle for end in (r.low, r.high)]
        down += min(*moves, 0.0) ** 2
        up += max(*moves, 0.0) ** 2
    return Range(middle - math.sqrt(down), middle, middle + math.sqrt(up))

"""What goes into a lay, and what comes out."""

from __future__ import annotations

from dataclasses import dataclass

from shapely import Polygon

from .stock import Stock


@dataclass(frozen=True)
class Part:
    """A shape to be laid out.

    Attributes
    ----------
    outline : Polygon
        mm; x runs along the roll. Interior rings are openings, whose area is not counted as used. ``nest`` lays nothing
        into them; ``lay_on_stock`` does.
    turns_deg : tuple of float or None
        The allowed turns about the piece's own origin, degrees; None for any.
    copies : int
    name : str
    group : str
        Pieces of one group come from one length of cloth wherever one holds them all; "" for none.
    rank : int
        Pieces of a lower rank are given cloth, and are cut, before those of a higher one.
    """

    outline: Polygon
    turns_deg: tuple[float, ...] | None = (0.0, 180.0)
    copies: int = 1
    name: str = ""
    group: str = ""
    rank: int = 0


@dataclass(frozen=True)
class Place:
    """Where one copy of a part lies: turn the part's outline about (0, 0), then shift it.

    Attributes
    ----------
    part : int
        Index into the parts.
    copy : int
        From 0, in the order along the roll.
    turn_deg : float
    shift_mm : tuple of float
    outline : Polygon
        The part as it lies, mm from the roll's end (x) and edge (y).
    """

    part: int
    copy: int
    turn_deg: float
    shift_mm: tuple[float, float]
    outline: Polygon


@dataclass(frozen=True)
class Lay:
    """A verified lay-out of parts on one width.

    Attributes
    ----------
    places : tuple of Place
    width_mm, length_mm : float
        The roll's whole width, and the length used from its end. There is no margin at the two ends.
    use : float
        Part area over ``width_mm * length_mm``.
    bound_mm : float
        No lay-out of these parts can be shorter.
    bound_name : str
    gap_mm, edge_mm : float
        What was asked for.
    least_gap_mm : float
        The smallest distance between two parts, measured; infinity for a single part.
    seconds, seed : float, int
    stopped : bool
        True where the user broke off the search and this is the best so far.
    repeatable : bool
        False where a clock ended the search: then the same input may give another lay next time.
    stock : Stock or None
        What it lies on, where that was given.
    cuts_mm : tuple of float
        Where the sections of a table's length end, but for the last; no piece lies across.
    folds_mm : tuple of float
        Where the cloth is folded face to face, the section being cut through both layers.
    left : tuple of Polygon
        What is left that is worth keeping, mm from the roll's end and edge, largest first.
    """

    places: tuple[Place, ...]
    width_mm: float
    length_mm: float
    use: float
    bound_mm: float
    bound_name: str
    gap_mm: float
    edge_mm: float
    least_gap_mm: float
    seconds: float
    seed: int
    stopped: bool = False
    repeatable: bool = True
    stock: Stock | None = None
    cuts_mm: tuple[float, ...] = ()
    folds_mm: tuple[float, ...] = ()
    left: tuple[Polygon, ...] = ()

    @property
    def over_bound(self) -> float:
        """How much longer this lay is than any lay of these parts could be, at most, as a fraction."""
        return self.length_mm / self.bound_mm - 1.0

    @property
    def used_mm2(self) -> float:
        """Cloth used: of a roll its width times the length cut off; of a remnant all but what is left worth keeping."""
        if self.stock is None or self.stock.outline is None:
            return self.width_mm * self.length_mm
        return float(self.stock.outline.area - sum(part.area for part in self.left))

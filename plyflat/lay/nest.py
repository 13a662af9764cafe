"""Pieces laid out on a width of cloth."""

from __future__ import annotations

from dataclasses import dataclass

from shapely import Polygon


@dataclass(frozen=True)
class Part:
    """A shape to be laid out.

    Attributes
    ----------
    outline : Polygon
        mm; x runs along the roll. Interior rings are openings.
    turns_deg : tuple of float or None
        The allowed turns about the piece's own origin, degrees; None for any.
    copies : int
    name : str
    """

    outline: Polygon
    turns_deg: tuple[float, ...] | None = (0.0, 180.0)
    copies: int = 1
    name: str = ""


@dataclass(frozen=True)
class Place:
    """Where one copy of a part lies: turn the part's outline about (0, 0), then shift it.

    Attributes
    ----------
    part : int
        Index into the parts.
    copy : int
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
        The roll's whole width, and the length used from its end.
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

"""Cloth as it stands in the shop: rolls with what is left on them and their flaws, remnants, rolls that can be bought."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from shapely import Polygon
from shapely.validation import explain_validity

from ..errors import FitError, QuantityError, ShapeError
from .outline import SAME_MM

#: A remnant is worth keeping if a square of this side can be cut from it somewhere, mm. This program's choice.
KEEP_MM = 150.0


@dataclass(frozen=True)
class Flaw:
    """A box on a roll that no piece may reach into: a pulled thread, a stain, a join in the cloth.

    Attributes
    ----------
    from_end_mm, from_edge_mm : float
        Where it begins, from the roll's end (x) and from its edge (y).
    along_mm, across_mm : float
        Its size along and across the roll.
    """

    from_end_mm: float
    from_edge_mm: float
    along_mm: float
    across_mm: float

    @property
    def box(self) -> Polygon:
        """The box, mm."""
        x, y = self.from_end_mm, self.from_edge_mm
        return shapely.box(x, y, x + self.along_mm, y + self.across_mm)


@dataclass(frozen=True)
class Stock:
    """A length of cloth to lay pieces on.

    Attributes
    ----------
    name : str
        What it is called on lists, such as "roll 1".
    width_mm, length_mm : float
        Whole width, and the length that is left on it; of a remnant, of the box round it.
    edge_mm : float
        Selvedge to keep clear on both sides.
    flaws : tuple of Flaw
    outline : Polygon or None
        Of a remnant, x along the warp, mm from the lower left corner of the box round it; None for the whole width.
    bought : bool
        True for a kind of roll that can be bought, as often as needed.
    begun : bool
        True for a roll cut into before, or a remnant; False for a full roll.
    """

    name: str
    width_mm: float
    length_mm: float
    edge_mm: float = 0.0
    flaws: tuple[Flaw, ...] = ()
    outline: Polygon | None = None
    bought: bool = False
    begun: bool = False

    @classmethod
    def remnant(cls, name: str, outline: Polygon, *, edge_mm: float = 0.0, flaws: tuple[Flaw, ...] = ()) -> Stock:
        """Give a remnant; one that is a plain box becomes a plain length of cloth.

        Parameters
        ----------
        name : str
        outline : Polygon
            mm, x along the warp.
        edge_mm : float
            Margin to keep clear at its lowest and highest side.
        flaws : tuple of Flaw
            From the lower left corner of the box round the outline.

        Returns
        -------
        Stock

        Raises
        ------
        ShapeError
            If the outline crosses itself, has no area or is not finite.
        """
        _check_remnant(outline, name)
        x0, y0, x1, y1 = outline.bounds
        moved = shapely.transform(outline, lambda points: points - [x0, y0])
        plain = outline.area > (x1 - x0) * (y1 - y0) * (1.0 - 1e-9)
        return cls(name, y1 - y0, x1 - x0, edge_mm, flaws, None if plain else moved, begun=True)

    @property
    def room_mm(self) -> float:
        """Usable width."""
        return self.width_mm - 2.0 * self.edge_mm

    @property
    def plain(self) -> bool:
        """Whether it is a box without flaws."""
        return self.outline is None and not self.flaws

    @property
    def area_mm2(self) -> float:
        """Area of the cloth, flaws and selvedge counted; infinite for an endless roll."""
        return self.width_mm * self.length_mm if self.outline is None else float(self.outline.area)

    def cloth(self, until_mm: float = math.inf) -> Polygon:
        """Give the cloth itself up to a length, flaws and selvedge not taken off.

        Parameters
        ----------
        until_mm : float

        Returns
        -------
        Polygon or MultiPolygon
        """
        box = shapely.box(0.0, 0.0, min(until_mm, self.length_mm), self.width_mm)
        return box if self.outline is None else shapely.intersection(self.outline, box)

    def shut(self, start_mm: float, end_mm: float) -> Polygon:
        """Give what no piece may touch within a stretch, besides the selvedge.

        Parameters
        ----------
        start_mm, end_mm : float

        Returns
        -------
        Polygon or MultiPolygon
            Flaws, and what lies outside a remnant.
        """
        window = shapely.box(start_mm, 0.0, end_mm, self.width_mm)
        shut = [flaw.box for flaw in self.flaws]
        if self.outline is not None:
            shut.append(shapely.difference(window, self.outline))
        return shapely.intersection(shapely.union_all(shut), window) if shut else Polygon()


def check_stock(stocks: Sequence[Stock]) -> None:
    """Check that cloth can be as stated.

    Parameters
    ----------
    stocks : sequence of Stock

    Raises
    ------
    QuantityError
        If there is none, a measure makes no sense, or a flaw lies outside its roll.
    FitError
        If the selvedges leave no width.
    ShapeError
        If a remnant's outline crosses itself or has no area.
    """
    if not stocks:
        raise QuantityError("there is no roll to lay out on", do="State a roll at hand, or one that can be bought")
    for stock in stocks:
        if not (math.isfinite(stock.width_mm) and stock.width_mm > 0) or not stock.length_mm > 0:
            raise QuantityError(
                f"it is {stock.width_mm:g} mm wide and {stock.length_mm:g} mm long", where=stock.name, do="Give what is left of it"
            )
        if not (math.isfinite(stock.edge_mm) and stock.edge_mm >= 0):
            raise QuantityError(f"the edge margin is {stock.edge_mm:g} mm", where=stock.name, do="Give zero or more")
        if stock.room_mm <= 0:
            raise FitError(
                f"edge margins of {stock.edge_mm:g} mm on both sides leave nothing of {stock.width_mm:g} mm",
                where=stock.name,
                do="Make the margin smaller or leave it out",
            )
        if stock.outline is not None:
            _check_remnant(stock.outline, stock.name)
        for number, flaw in enumerate(stock.flaws, 1):
            _check_flaw(stock, flaw, number)


def _check_flaw(stock: Stock, flaw: Flaw, number: int) -> None:
    numbers = (flaw.from_end_mm, flaw.from_edge_mm, flaw.along_mm, flaw.across_mm)
    where = f"{stock.name}, flaw {number}"
    if not all(map(math.isfinite, numbers)) or min(flaw.along_mm, flaw.across_mm) <= 0:
        raise QuantityError(
            f"it is {flaw.along_mm:g} mm along and {flaw.across_mm:g} mm across the roll", where=where, do="Give sizes above zero"
        )
    x0, y0, x1, y1 = flaw.box.bounds
    over = max(-x0, -y0, x1 - stock.length_mm, y1 - stock.width_mm)
    if over > SAME_MM:
        raise QuantityError(
            f"it runs from {x0:g} to {x1:g} mm along and {y0:g} to {y1:g} mm across, {over:g} mm outside a roll "
            f"{stock.length_mm:g} mm long and {stock.width_mm:g} mm wide",
            where=where,
            do="Measure it again from the roll's end and from its edge",
        )


def _check_remnant(outline: Polygon, name: str) -> None:
    points = shapely.get_coordinates(outline)
    if not isinstance(outline, Polygon) or not len(points) or not np.isfinite(points).all():
        raise ShapeError("its outline is empty or not finite", where=name, do="Give at least three corners")
    if not outline.is_valid:
        raise ShapeError(
            f"its outline is not plain: {explain_validity(outline)}", where=name, do="Give the corners in order round it"
        )
    if outline.area <= 1e-9 * float(np.ptp(points, axis=0).max()) ** 2:
        raise ShapeError(f"its outline has an area of {outline.area:.3g} mm2", where=name, do="Give the corners in order round it")


def worth_keeping(cloth: Polygon, *, least_mm: float = KEEP_MM) -> tuple[Polygon, ...]:
    """Give the parts of left-over cloth from which a square can be cut.

    Parameters
    ----------
    cloth : Polygon or MultiPolygon
    least_mm : float
        Side of the square; squares lie along the threads.

    Returns
    -------
    tuple of Polygon
        Largest first; parts joined by bridges narrower than the square fall apart.
    """
    half = 0.5 * least_mm
    # A square of this side fits wherever its centre can lie: worn away by it and grown again by the same square.
    kept = []
    for part in shapely.get_parts(cloth):
        if part.geom_type == "Polygon" and part.area >= least_mm * least_mm:
            kept += _opened(part, half)
    return tuple(sorted(kept, key=lambda part: -part.area))


def _opened(part: Polygon, half: float) -> list[Polygon]:
    """Open a shape by a square, clipped to itself: what is narrower than the square falls away."""
    worn = shapely.buffer(part, -half, join_style="mitre", mitre_limit=2.0)
    grown = shapely.buffer(worn, half, join_style="mitre", mitre_limit=2.0)
    found = shapely.get_parts(shapely.intersection(grown, part))
    return [piece for piece in found if piece.geom_type == "Polygon" and piece.area >= 4.0 * half * half]

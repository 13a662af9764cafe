"""What a job says of its rolls and remnants to the cloth that pieces are laid out on."""

from __future__ import annotations

import csv
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from shapely import Polygon

from .errors import OutlineError
from .job.at_hand import AtHand
from .job.model import Job
from .lay.stock import Flaw, Stock, check_stock

#: Head of a list of corners: which ring of the outline, 0 for the outer one, and the corner.
RING_HEAD = ("ring", "along (mm)", "across (mm)")


@dataclass(frozen=True)
class Supply:
    """A material as it comes on the roll.

    Attributes
    ----------
    name, kind : str
        Kind is "cloth" or the consumable's.
    width_mm, length_mm : float
        Of a full roll.
    rolls : int
        Full rolls in the shop.
    stocks : tuple of Stock
        All there is to lay out on, and the roll that can be bought.
    areal_weight_g_m2 : float
    price_per_m : float or None
    turns_deg : tuple of float or None
    gap_mm : float
    fold : bool
        Whether mirrored pieces are cut together from folded cloth.
    """

    name: str
    kind: str
    width_mm: float
    length_mm: float
    rolls: int
    stocks: tuple[Stock, ...]
    areal_weight_g_m2: float
    price_per_m: float | None
    turns_deg: tuple[float, ...] | None
    gap_mm: float
    fold: bool = False


def supplies(job: Job) -> dict[str, Supply]:
    """Return every material that is cut from a roll.

    Parameters
    ----------
    job : Job

    Returns
    -------
    dict of str to Supply

    Raises
    ------
    OutlineError
        If a remnant's file cannot be read.
    UnknownUnit
        If a drawing does not state its unit.
    QuantityError, ShapeError
        If a roll or remnant cannot be as stated.
    """
    found: dict[str, Supply] = {}
    for name, c in job.cloths.items():
        stocks = _stocks(name, c.roll_width_mm, c.roll_length_mm, c.rolls, c.edge_mm, c.at_hand, buy=c.buy)
        found[name] = Supply(
            name, "cloth", c.roll_width_mm, c.roll_length_mm, c.rolls, stocks, c.areal_weight_g_m2, c.price_per_m,
            c.turns_deg, c.gap_mm, c.fold,
        )  # fmt: skip
    for name, s in job.consumables.items():
        if not s.is_tape:
            width = s.roll_width_mm or 0.0
            stocks = _stocks(name, width, s.roll_length_mm, s.rolls, 0.0, s.at_hand, buy=s.buy)
            found[name] = Supply(
                name, s.kind, width, s.roll_length_mm, s.rolls, stocks, s.areal_weight_g_m2 or 0.0, s.price_per_m,
                s.turns_deg, job.lay.gap_mm,
            )  # fmt: skip
    return found


def _stocks(
    material: str, width_mm: float, length_mm: float, rolls: int, edge_mm: float, at_hand: tuple[AtHand, ...], *, buy: bool
) -> tuple[Stock, ...]:
    found = [_begun(row, material) for row in at_hand]
    found += [Stock(f"roll {k + 1}", width_mm, length_mm, edge_mm) for k in range(rolls)]
    if buy:
        found.append(Stock("roll", width_mm, length_mm, edge_mm, bought=True))
    if found:
        check_stock([replace(stock, name=f"{material}, {stock.name}") for stock in found])
    return tuple(found)


def _begun(row: AtHand, material: str) -> Stock:
    name, edge = row.name or "", row.edge_mm or 0.0
    flaws = tuple(Flaw(f.from_end_mm, f.from_edge_mm, f.along_mm, f.across_mm) for f in row.flaws)
    if row.length_mm is not None:
        return Stock(name, row.width_mm or 0.0, row.length_mm, edge, flaws, begun=True)
    outline = Polygon(row.outline_mm) if row.outline_mm is not None else read_remnant(row.file or Path(), unit=row.unit)
    return replace(Stock.remnant(f"{material}, {name}", outline, edge_mm=edge, flaws=flaws), name=name)


def read_remnant(path: Path, *, unit: str | None = None) -> Polygon:
    """Read a remnant's outline: a DXF drawing, or a list of corners as it is written beside the lays.

    Parameters
    ----------
    path : Path
    unit : str, optional
        Of a drawing's numbers.

    Returns
    -------
    Polygon
        mm, x along the warp; further outlines inside the largest one are openings.

    Raises
    ------
    OutlineError
        If it cannot be read.
    UnknownUnit
        If a drawing does not state its unit.
    """
    if path.suffix.lower() == ".dxf":
        from .surface.drawn import read_drawing

        rings = [np.asarray(ring) for ring in read_drawing(path, unit=unit)]
    else:
        rings = _rings(path)
    return Polygon(rings[0], rings[1:])


def _rings(path: Path) -> list[np.ndarray]:
    """Read a list of corners."""
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as err:
        raise OutlineError(f"the remnant cannot be read ({err})", where=str(path), do="Check the file's name.") from err
    rows = [row for row in csv.reader(text.splitlines()) if any(cell.strip() for cell in row)]
    if not rows or tuple(cell.strip() for cell in rows[0]) != RING_HEAD:
        raise OutlineError(
            "this is no list of a remnant's corners", where=str(path), do=f"Its first line must read {','.join(RING_HEAD)}."
        )
    rings: dict[int, list[tuple[float, float]]] = {}
    for number, row in enumerate(rows[1:], 2):
        try:
            ring, along, across = row
            rings.setdefault(int(ring), []).append((float(along), float(across)))
        except ValueError as err:
            raise OutlineError(
                f"row {number} is not a ring's number and two lengths in mm", where=str(path), do="Write it as 0,120.5,300."
            ) from err
    found = [np.array(rings[k]) for k in sorted(rings)]
    short = [k for k in found if len(k) < 3]
    if not found or short:
        raise OutlineError("an outline has fewer than three corners", where=str(path), do="Give at least three.")
    return found

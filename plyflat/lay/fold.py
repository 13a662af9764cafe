"""Mirrored pieces, such as port and starboard, cut together from cloth folded face to face.

The cloth is folded across the roll, so that what lies at x on the lower layer lies at 2 f - x on the roll laid flat, f
being where it is folded. One cut through both layers gives a piece and its mirror image.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from shapely import Polygon

from ..errors import CheckError
from .grid import Spot
from .outline import laid, turn_matrix
from .parts import Part

#: Outlines that differ by no more than this are taken as mirror images, mm: less than a hand-held cutter strays. This
#: program's choice.
ALIKE_MM = 0.3


@dataclass(frozen=True)
class Pair:
    """Two parts that are mirror images of each other.

    Attributes
    ----------
    one, other : int
        Indices into the parts.
    copies : int
        How many of both are cut together.
    turn_deg : float
        Turn of the other at which it is the first one seen from below (x turned round).
    shift_mm : tuple of float
        Shift that goes with it.
    """

    one: int
    other: int
    copies: int
    turn_deg: float
    shift_mm: tuple[float, float]


def mirror_x(outline: Polygon, at_mm: float = 0.0) -> Polygon:
    """Give the mirror image of an outline in a line across the roll.

    Parameters
    ----------
    outline : Polygon
    at_mm : float
        Where the line crosses the roll's edge.

    Returns
    -------
    Polygon
    """
    return shapely.transform(outline, lambda points: points * [-1.0, 1.0] + [2.0 * at_mm, 0.0])


def find_pairs(parts: Sequence[Part]) -> tuple[Pair, ...]:
    """Find parts that are mirror images of each other, each used once.

    Parameters
    ----------
    parts : sequence of Part

    Returns
    -------
    tuple of Pair
    """
    pairs: list[Pair] = []
    paired: set[int] = set()
    for i, part in enumerate(parts):
        for j in range(i + 1, len(parts)):
            if {i, j} & paired or abs(part.outline.area / parts[j].outline.area - 1.0) > 0.01:
                continue
            found = _fit(part.outline, parts[j])
            if found is not None:
                pairs.append(Pair(i, j, min(part.copies, parts[j].copies), *found))
                paired |= {i, j}
    return tuple(pairs)


def _fit(outline: Polygon, other: Part) -> tuple[float, tuple[float, float]] | None:
    """Give the turn and shift that lay a part on the mirror image of an outline; None if none does."""
    image = mirror_x(outline)
    x0, y0, x1, y1 = image.bounds
    for turn in (0.0, 180.0):
        a0, b0, a1, b1 = laid(other.outline, turn, (0.0, 0.0)).bounds
        shift = (0.5 * (x0 + x1 - a0 - a1), 0.5 * (y0 + y1 - b0 - b1))
        there = laid(other.outline, turn, shift)
        if shapely.hausdorff_distance(there.boundary, image.boundary) <= ALIKE_MM:
            return turn, shift
    return None


def pair_turns(pair: Pair, parts: Sequence[Part]) -> tuple[float, ...]:
    """Give the turns at which the first of a pair may lie so that the other lies as it may.

    Parameters
    ----------
    pair : Pair
    parts : sequence of Part

    Returns
    -------
    tuple of float
        Empty where there is none; of pieces free to turn the half turns.
    """
    one, other = parts[pair.one].turns_deg, parts[pair.other].turns_deg
    mine = (0.0, 180.0) if one is None else one
    return tuple(turn for turn in mine if other is None or (pair.turn_deg - turn) % 360.0 in other)


def both_layers(spots: Sequence[Spot], pairs: Sequence[Pair], fold_mm: float, parts: Sequence[Part]) -> list[Spot]:
    """Give the pieces of both layers as they lie on the roll laid flat.

    Parameters
    ----------
    spots : sequence of Spot
        The first of each pair on the lower layer.
    pairs : sequence of Pair
    fold_mm : float
        Where the cloth is folded.
    parts : sequence of Part

    Returns
    -------
    list of Spot

    Raises
    ------
    CheckError
        If the two layers of a piece do not lie on each other.
    """
    by_one = {pair.one: pair for pair in pairs}
    out = list(spots)
    for spot in spots:
        pair = by_one[spot.piece]
        lower = laid(parts[pair.one].outline, spot.turn_deg, spot.shift_mm)
        turn = (pair.turn_deg - spot.turn_deg) % 360.0
        # The image of the turned piece is the turned image: its own shift is turned the other way.
        dx, dy = np.array(pair.shift_mm) @ turn_matrix(-spot.turn_deg)
        shift = (2.0 * fold_mm - spot.shift_mm[0] + float(dx), spot.shift_mm[1] + float(dy))
        upper = laid(parts[pair.other].outline, turn, shift)
        off = shapely.hausdorff_distance(mirror_x(upper, fold_mm).boundary, lower.boundary)
        if off > 2.0 * ALIKE_MM:
            raise CheckError(f"the two layers of a piece lie {off:.3g} mm off each other", where=parts[pair.one].name)
        out.append(Spot(pair.other, turn, shift))
    return out

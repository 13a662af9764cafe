"""Placing pieces one by one where there is room: on cloth with flaws, on remnants, in the openings of larger pieces.

The cloth is divided into cells. A cell that anything touches is taken, and so is every cell that a piece touches, so
that what the cells allow is allowed. A column of cells is one whole number, a bit for each cell: pieces are moved
across a column by shifting bits.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import shapely
from numpy.lib.stride_tricks import sliding_window_view
from shapely import Polygon

from .outline import laid

#: Cells across the usable width. A multiple of 12, so that halves, thirds and quarters of the width fit exactly.
CELLS = 240
#: Touching less than this of a cell leaves it free, mm: below what lays are checked to.
HAIR_MM = 4e-7
#: Columns looked at together for runs of free cells.
AT_ONCE = 256
#: Pieces are grown by half the gap by this much more, to make up for chords of arcs.
ROUND = 1.0 + 0.5 * (math.pi / 32.0) ** 2

#: Runs of cells taken in each column of a piece, as (first, number).
Columns = tuple[tuple[tuple[int, int], ...], ...]


@dataclass(frozen=True)
class Stamp:
    """A turned piece in cells, grown by half the gap.

    Attributes
    ----------
    columns : tuple of tuple of (int, int)
    rows : int
        Cells it is high.
    long_mm : float
        Length of the turned piece itself.
    turn_deg : float
    corner_mm : tuple of float
        Lower left corner of the box round the turned piece itself, mm.
    """

    columns: Columns
    rows: int
    long_mm: float
    turn_deg: float
    corner_mm: tuple[float, float]

    @cached_property
    def tallest(self) -> np.ndarray:
        """The longest run in each column, (n,) int array."""
        return np.array([max((number for _, number in column), default=0) for column in self.columns], dtype=np.int16)

    @cached_property
    def spread(self) -> tuple[tuple[int, int, int], ...]:
        """Its runs as (column, first, number), neighbours far apart, so that a place that is taken is told soon."""
        count = len(self.columns)
        bits = max(count - 1, 1).bit_length()
        order = sorted(range(count), key=lambda k: int(f"{(k + count // 2) % count:0{bits}b}"[::-1], 2))
        return tuple((k, first, number) for k in order for first, number in self.columns[k])

    @classmethod
    def of(cls, outline: Polygon, turn_deg: float, *, gap_mm: float, cell_mm: float) -> Stamp:
        """Make the stamp of an outline at a turn."""
        turned = laid(outline, turn_deg, (0.0, 0.0))
        x0, y0, x1, _ = turned.bounds
        half = 0.5 * gap_mm
        grown = shapely.buffer(turned, half * ROUND, quad_segs=16) if gap_mm else turned
        # ROUND puts the grown outline's box a hair outside half the gap; the corner is that of the exact box.
        columns = runs(grown, (x0 - half, y0 - half), cell_mm, hair_mm=HAIR_MM + half * (ROUND - 1.0))
        rows = max(first + number for column in columns for first, number in column)
        return cls(columns, rows, x1 - x0, turn_deg, (x0, y0))


def runs(shape: Polygon, origin_mm: tuple[float, float], cell_mm: float, *, hair_mm: float = HAIR_MM) -> Columns:
    """Give the cells a shape touches, column by column from the origin.

    Parameters
    ----------
    shape : Polygon or MultiPolygon
        Nothing of it lies more than `hair_mm` left of or below the origin.
    origin_mm : tuple of float
    cell_mm : float
    hair_mm : float
        What it may touch of a cell that is still free.

    Returns
    -------
    tuple of tuple of (int, int)
        First cell and number of cells of every run.
    """
    x0, y0, x1, y1 = shape.bounds
    last = math.ceil((x1 - hair_mm - origin_mm[0]) / cell_mm)
    left = origin_mm[0] + cell_mm * np.arange(max(last, 1))
    strips = shapely.box(left + hair_mm, y0 - 1.0, left + cell_mm - hair_mm, y1 + 1.0)
    shapely.prepare(shape)
    cut = shapely.intersection(strips, shape)
    pieces, column = shapely.get_parts(cut, return_index=True)
    box = shapely.bounds(pieces)
    found: list[list[tuple[int, int]]] = [[] for _ in left]
    for k, low, high in zip(column, box[:, 1] - origin_mm[1], box[:, 3] - origin_mm[1]):
        if not high >= low:
            continue
        first = max(math.floor((low + hair_mm) / cell_mm), 0)
        end = max(math.ceil((high - hair_mm) / cell_mm), first + 1)
        found[k].append((first, end - first))
    return tuple(tuple(sorted(column)) for column in found)


class Bed:
    """Cloth in cells, some of them taken.

    Parameters
    ----------
    room_mm : float
        Usable width.
    length_mm : float
    gap_mm : float
        Kept between pieces. Half of it is kept from what is shut, nothing from the four sides.
    shut : Polygon or MultiPolygon
        What no piece may touch, mm from the corner of the usable width.
    cells : int
        Across the usable width.
    """

    def __init__(self, room_mm: float, length_mm: float, *, gap_mm: float, shut: Polygon, cells: int = CELLS) -> None:
        self.room_mm, self.length_mm, self.gap_mm = room_mm, length_mm, gap_mm
        self.cell_mm = (room_mm + gap_mm) / cells
        self.rows = cells
        self.count = math.ceil((length_mm + gap_mm - HAIR_MM) / self.cell_mm)
        self.columns = [0] * self.count
        self.longest = np.full(self.count, cells, dtype=np.int16)
        self.wide: list[dict[int, int]] = [{} for _ in range(self.count)]
        self.full = (1 << cells) - 1
        if not shut.is_empty:
            self._shut(shut)

    def stamp(self, outline: Polygon, turn_deg: float) -> Stamp:
        """Make the stamp of an outline for this bed."""
        return Stamp.of(outline, turn_deg, gap_mm=self.gap_mm, cell_mm=self.cell_mm)

    def find(self, stamp: Stamp, *, start: int = 0, before: int | None = None) -> tuple[int, int] | None:
        """Find the first column, and the lowest cell in it, where a stamp lies free.

        Parameters
        ----------
        stamp : Stamp
        start : int
            First column to try.
        before : int, optional
            Columns from here on are not tried.

        Returns
        -------
        column, row : int, or None
        """
        places = self.rows - stamp.rows + 1
        if places <= 0:
            return None
        allowed = (1 << places) - 1
        # The last column may lie in part beyond the cloth: the piece itself must not.
        end = min(
            self.count - len(stamp.columns), math.floor((self.length_mm - stamp.long_mm + HAIR_MM) / self.cell_mm)
        ) + 1
        for column in self._roomy(stamp, start, end if before is None else min(end, before)):
            free = allowed
            for k, first, number in stamp.spread:
                free &= ~(self._dilated(column + k, number) >> first)
                if not free:
                    break
            if free:
                return column, (free & -free).bit_length() - 1
        return None

    def _roomy(self, stamp: Stamp, start: int, end: int) -> Iterator[int]:
        """Yield the columns at which every column under a stamp has a free run as long as the stamp's longest there."""
        for first in range(start, end, AT_ONCE):
            last = min(first + AT_ONCE, end)
            under = sliding_window_view(self.longest[first : last + len(stamp.tallest) - 1], len(stamp.tallest))
            yield from (first + np.flatnonzero((under >= stamp.tallest).all(axis=1))).tolist()

    def put(self, stamp: Stamp, at: tuple[int, int]) -> None:
        """Take the cells of a stamp."""
        self._mark(stamp.columns, at[0], at[1])

    def shift_mm(self, stamp: Stamp, at: tuple[int, int]) -> tuple[float, float]:
        """Give the shift of the turned piece that puts it where a stamp lies, mm in the usable width."""
        return at[0] * self.cell_mm - stamp.corner_mm[0], at[1] * self.cell_mm - stamp.corner_mm[1]

    def block(self, shape: Polygon) -> None:
        """Take the cells of a shape, mm in the usable width, and half the gap round it."""
        grown = shapely.buffer(shape, 0.5 * self.gap_mm * ROUND, quad_segs=16) if self.gap_mm else shape
        self._shut(grown)

    def _shut(self, shape: Polygon) -> None:
        half = 0.5 * self.gap_mm
        box = shapely.box(-half, -half, self.length_mm + half, self.room_mm + half)
        inside = shapely.intersection(shape, box)
        if inside.is_empty:
            return
        first = max(math.floor((inside.bounds[0] + half) / self.cell_mm), 0)
        origin = (first * self.cell_mm - half, -half)
        self._mark(runs(inside, origin, self.cell_mm), first, 0)

    def _mark(self, columns: Columns, column: int, row: int) -> None:
        for k, cells in enumerate(columns, column):
            if k >= self.count:
                break
            bits = 0
            for first, number in cells:
                bits |= ((1 << number) - 1) << first + row
            self.columns[k] |= bits & self.full
            self.wide[k].clear()
            free = f"{self.full & ~self.columns[k]:b}"
            self.longest[k] = max(map(len, free.split("0")))

    def _dilated(self, column: int, number: int) -> int:
        """Give the cells from which a run of this many cells upwards meets a taken one."""
        known = self.wide[column]
        found = known.get(number)
        if found is None:
            found = self.columns[column]
            if number > 1:
                half = 1 << (number - 1).bit_length() - 1
                below = self._dilated(column, half)
                found = below | below >> (number - half)
            known[number] = found
        return found


@dataclass(frozen=True)
class Spot:
    """Where a piece was put: which one, its turn, and its shift in the usable width, mm."""

    piece: int
    turn_deg: float
    shift_mm: tuple[float, float]


def fill(
    bed: Bed,
    outlines: Sequence[Polygon],
    turns_deg: Sequence[tuple[float, ...]],
    order: Sequence[int],
    *,
    asked: Callable[[], bool],
    stamps: dict[tuple[int, float], Stamp] | None = None,
) -> list[Spot]:
    """Put pieces down one after the other, each where it ends nearest to the roll's end.

    Parameters
    ----------
    bed : Bed
        Its cells are taken as pieces are put down.
    outlines : sequence of Polygon
    turns_deg : sequence of tuple of float
        Turns to try, one tuple for each outline.
    order : sequence of int
        Indices into the outlines, as often as there are copies; those that find no room are passed over.
    asked : callable
        Returns True to end early.
    stamps : dict, optional
        Stamps made before for the same outlines and cells, by outline and turn.

    Returns
    -------
    list of Spot
        In the order of placing.
    """
    stamps = {} if stamps is None else stamps
    starts: dict[tuple[int, float], int] = {}
    spots = []
    for piece in order:
        if asked():
            break
        best: tuple[tuple[int, int, int], Stamp, tuple[int, int]] | None = None
        for turn in turns_deg[piece]:
            key = (piece, turn)
            if key not in stamps:
                stamps[key] = bed.stamp(outlines[piece], turn)
            stamp = stamps[key]
            before = None if best is None else best[0][0] - len(stamp.columns) + 1
            start = starts.get(key, 0)
            at = bed.find(stamp, start=start, before=before)
            if at is None:
                # Cells are only ever taken, so a place that is full stays full.
                starts[key] = bed.count if before is None else max(start, before)
                continue
            starts[key] = at[0]
            rank = (at[0] + len(stamp.columns), at[1], at[0])
            if best is None or rank < best[0]:
                best = (rank, stamp, at)
        if best is not None:
            _, stamp, at = best
            bed.put(stamp, at)
            spots.append(Spot(piece, stamp.turn_deg, bed.shift_mm(stamp, at)))
    return spots

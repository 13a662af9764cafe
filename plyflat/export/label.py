"""Where words fit inside a piece."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import product

import numpy as np
import shapely
from shapely import LineString, Polygon
from shapely.geometry.base import BaseGeometry

from ..surface.mesh import Floats

#: Width of a capital over its height in the plain stroke font that CAD programs use, on the wide side.
WIDTH_OF_LETTER = 0.95
_LINE_STEP = 1.7
#: Heights of a capital on a cut piece, from what is read across a table down to what a pen can still write.
HEIGHTS_MM = (20.0, 16.0, 13.0, 10.0, 8.0, 6.5, 5.0, 4.0, 3.2, 2.5)
_GRID = 25


@dataclass(frozen=True)
class Words:
    """One line of text.

    Attributes
    ----------
    layer, text : str
    at_mm : tuple of float
        Left end of the base line.
    height_mm : float
        Of a capital.
    turn_deg : float
        0, or 90 for a line that reads upward.
    """

    layer: str
    text: str
    at_mm: tuple[float, float]
    height_mm: float
    turn_deg: float = 0.0

    def size_mm(self) -> tuple[float, float]:
        """Return the length and height the text takes at most, mm."""
        return len(self.text) * WIDTH_OF_LETTER * self.height_mm, self.height_mm

    def corners_mm(self) -> Floats:
        """Return the (4, 2) corners of the room the text takes, descenders included, mm."""
        wide, high = self.size_mm()
        low = -0.3 * high
        box = np.array([[0.0, low], [wide, low], [wide, high], [0.0, high]])
        if self.turn_deg == 90.0:
            box = np.stack([-box[:, 1], box[:, 0]], axis=1)
        return box + np.asarray(self.at_mm)

    def box(self) -> Polygon:
        """Return the room the text takes."""
        return Polygon(self.corners_mm())

    def centred(self, middle_mm: Floats) -> Words:
        """Return the text with its middle at a point."""
        wide, high = self.size_mm()
        return replace(self, at_mm=(float(middle_mm[0] - wide / 2), float(middle_mm[1] - high / 2)))


@dataclass(frozen=True, eq=False)
class Block:
    """Lines and words that are moved and scaled together.

    Attributes
    ----------
    lines_mm : tuple of (k, 2) float arrays
    words : tuple of Words
    """

    lines_mm: tuple[Floats, ...]
    words: tuple[Words, ...]

    def bounds(self) -> tuple[float, float, float, float]:
        """Return (x, y, x, y) of the lower left and upper right corner."""
        points = np.concatenate([*self.lines_mm, *(w.corners_mm() for w in self.words)])
        (x0, y0), (x1, y1) = points.min(axis=0), points.max(axis=0)
        return float(x0), float(y0), float(x1), float(y1)

    def box(self) -> Polygon:
        """Return the room the block takes."""
        return shapely.box(*self.bounds())

    def scaled(self, factor: float) -> Block:
        """Return the block larger by a factor."""
        words = tuple(
            replace(w, at_mm=(factor * w.at_mm[0], factor * w.at_mm[1]), height_mm=factor * w.height_mm)
            for w in self.words
        )
        return Block(tuple(factor * line for line in self.lines_mm), words)

    def shifted(self, by: Floats) -> Block:
        """Return the block moved."""
        words = tuple(
            replace(w, at_mm=(float(w.at_mm[0] + by[0]), float(w.at_mm[1] + by[1]))) for w in self.words
        )
        return Block(tuple(line + by for line in self.lines_mm), words)

    def upended(self) -> Block:
        """Return a block of level words turned to read upward."""
        words = tuple(replace(w, at_mm=(-w.at_mm[1], w.at_mm[0]), turn_deg=90.0) for w in self.words)
        return Block(tuple(np.stack([-p[:, 1], p[:, 0]], axis=1) for p in self.lines_mm), words)


def straight_words(layer: str, lines: Sequence[str]) -> Block:
    """Return lines of words 1 mm high, one under the other."""
    return Block((), tuple(Words(layer, text, (0.0, -_LINE_STEP * k), 1.0) for k, text in enumerate(lines)))


def fitted(
    block: Block,
    piece: Polygon,
    keep_off: Sequence[BaseGeometry] = (),
    *,
    turns: bool = False,
    heights_mm: Sequence[float] = HEIGHTS_MM,
) -> Block:
    """Return a block of words 1 mm high as large as fits inside a piece, clear of what is to be kept off.

    Where nothing fits clear of the marks it may cross them; where nothing fits at all it stands, at the smallest
    height, in the middle of the largest circle inside the piece.

    Parameters
    ----------
    block : Block
    piece : Polygon
    keep_off : sequence of geometries
    turns : bool
        Whether the block may be turned to read upward.
    heights_mm : sequence of float
        Heights of a capital to try, largest first.
    """
    ways = [block, block.upended()] if turns else [block]
    clear = piece.difference(shapely.union_all(list(keep_off))) if keep_off else piece
    for room in (clear, piece):
        shapely.prepare(room)
        for height in heights_mm:
            for way in ways:
                at = _place(way.scaled(height), room, piece)
                if at is not None:
                    return at
    small = block.scaled(heights_mm[-1])
    middle = shapely.maximum_inscribed_circle(piece, tolerance=1.0).coords[0]
    return small.shifted(np.asarray(middle[:2]) - _middle(small))


def beside(
    line: LineString, words: Words, piece: Polygon, keep_off: Sequence[BaseGeometry] = (), *,
    heights_mm: Sequence[float] = (10.0, 8.0, 6.5, 5.0, 4.0, 3.2, 2.5),
) -> Words:
    """Return words close beside a line inside a piece, near one of its ends, as large as fits clear of other marks.

    They read level, or upward beside a steep line. Where nothing fits clear of all marks they may cross lines, and where
    that does not help either they stand small at the line's middle.

    Parameters
    ----------
    line : LineString
        Two points, mm.
    words : Words
        Of any height.
    piece : Polygon
    keep_off : sequence of geometries
        The line itself may be among them.
    heights_mm : sequence of float
        Heights of a capital to try, largest first.
    """
    ends = np.asarray(line.coords)[:, :2]
    way = (ends[-1] - ends[0]) / line.length
    turn = 90.0 if abs(way[1]) > abs(way[0]) else 0.0
    off = np.array([-way[1], way[0]])
    shapely.prepare(piece)
    areas = [g for g in keep_off if g.area > 0]
    for marks in (shapely.union_all(list(keep_off)), shapely.union_all(areas)):
        for height in heights_mm:
            # From the line to the middle of the words, whichever way the line runs.
            wide, high = replace(words, height_mm=height).size_mm()
            across = np.array([high, wide] if turn else [wide, high])
            reach = 0.8 * height + 0.5 * float(np.abs(off) @ across)
            for share, side in product((0.85, 0.15, 0.75, 0.25, 0.65, 0.35, 0.5), (1.0, -1.0)):
                at = ends[0] + share * (ends[-1] - ends[0]) + side * reach * off
                there = _about(words, height, turn, at)
                if piece.contains(there.box()) and not marks.intersects(there.box()):
                    return there
    return _about(words, heights_mm[-1], turn, ends.mean(axis=0))


def _about(words: Words, height_mm: float, turn_deg: float, middle: Floats) -> Words:
    wide, high = replace(words, height_mm=height_mm).size_mm()
    by = (high / 2, -wide / 2) if turn_deg else (-wide / 2, -high / 2)
    at = (float(middle[0] + by[0]), float(middle[1] + by[1]))
    return replace(words, height_mm=height_mm, turn_deg=turn_deg, at_mm=at)


def _middle(block: Block) -> Floats:
    x0, y0, x1, y1 = block.bounds()
    return np.array([(x0 + x1) / 2, (y0 + y1) / 2])


def _place(block: Block, room: BaseGeometry, piece: Polygon) -> Block | None:
    """The block at the place nearest to the piece's middle, of a grid of places, that lies inside the room."""
    bx0, by0, bx1, by1 = block.bounds()
    half = np.array([bx1 - bx0, by1 - by0]) / 2 * 1.05
    x0, y0, x1, y1 = piece.bounds
    if x1 - x0 <= 2 * half[0] or y1 - y0 <= 2 * half[1]:
        return None
    xs = np.linspace(x0 + half[0], x1 - half[0], _GRID)
    ys = np.linspace(y0 + half[1], y1 - half[1], _GRID)
    x, y = (q.ravel() for q in np.meshgrid(xs, ys))
    boxes = shapely.box(x - half[0], y - half[1], x + half[0], y + half[1])
    good = np.flatnonzero(shapely.contains(room, boxes))
    if not len(good):
        return None
    middle = piece.centroid
    best = good[np.argmin(np.hypot(x[good] - middle.x, y[good] - middle.y).round(6))]
    return block.shifted(np.array([x[best], y[best]]) - _middle(block))

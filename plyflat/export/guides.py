"""What helps the hand and the machine beside the lines of a piece: a grid to measure by, and where the tool starts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import shapely
from shapely import LineString, Polygon

from ..surface.mesh import Floats
from .label import Words

#: Height of the grid's numbers and their distance from its lines.
NUMBER_MM = 4.0
_CLEAR_MM = 1.5
#: How much farther out a number is tried.
_FARTHER_MM = (0.0, 1.0, 2.0, 3.0, 4.5, 6.0, 8.0, 10.0, 13.0, 17.0, 22.0)
#: Runs of a grid line shorter than this are not drawn.
_LEAST_MM = 1.0
#: Length of the arrow where a tool starts, its distance from the line, and the size of its head.
_ARROW_MM, _OFF_MM, _HEAD_MM = 8.0, 2.0, 3.0


def grid_lines(shape: Polygon, step_mm: float, zero_mm: Sequence[float]) -> tuple[list[Floats], list[Words]]:
    """Return the lines of a square grid within a shape, and their numbers where each comes in.

    Parameters
    ----------
    shape : Polygon
    step_mm : float
    zero_mm : sequence of float
        (x, y) that the grid counts from, below and to the left of the shape.

    Returns
    -------
    list of (2, 2) float arrays
    list of Words
        The distance from zero in mm, outside of the shape, each reading along its line: below one that runs up, left of
        one that runs across.
    """
    lines: list[Floats] = []
    words: list[Words] = []
    bounds = np.asarray(shape.bounds)
    for axis in (0, 1):
        for at in _steps(zero_mm[axis], bounds[axis], bounds[axis + 2], step_mm):
            across = np.array([[at, bounds[1]], [at, bounds[3]]]) if axis == 0 else np.array([[bounds[0], at], [bounds[2], at]])
            runs = [np.asarray(g.coords)[:, :2] for g in shapely.get_parts(shapely.intersection(shape, LineString(across)))
                    if g.geom_type == "LineString" and g.length >= _LEAST_MM]  # fmt: skip
            if not runs:
                continue
            lines += [run if run[0, 1 - axis] <= run[-1, 1 - axis] else run[::-1] for run in runs]
            first = min((line for line in lines[-len(runs) :]), key=lambda line: line[0, 1 - axis])
            words.append(_number(f"{at - zero_mm[axis]:.0f}", first[0], axis, [shape, *(w.box() for w in words)]))
    return lines, words


def _steps(zero: float, low: float, high: float, step: float) -> Floats:
    first, last = np.ceil((low - zero) / step + 1e-9), np.floor((high - zero) / step - 1e-9)
    return zero + step * np.arange(first, last + 1)


def _number(text: str, end: Floats, axis: int, keep_off: Sequence[Polygon]) -> Words:
    """A number beyond the end of its line that reads along it, where it keeps clear of the edge and of other numbers."""
    words = Words("GRID", text, (0.0, 0.0), NUMBER_MM, 90.0 if axis == 0 else 0.0)
    wide, high = words.size_mm()
    half = 0.5 * np.array([high, wide] if axis == 0 else [wide, high])
    foot = np.array([half[0], -half[1]] if axis == 0 else -half)
    out, aside = -np.eye(2)[1 - axis], np.eye(2)[axis]

    def there(more: float, turn: float) -> Words:
        x, y = end + out * (half + _CLEAR_MM + more) + turn * aside * (half + _CLEAR_MM) + foot
        return replace(words, at_mm=(float(x), float(y)))

    for more in _FARTHER_MM:
        for turn in (0.0, 1.0, -1.0):
            box = there(more, turn).box()
            if not any(shape.intersects(box) for shape in keep_off):
                return there(more, turn)
    return there(0.0, 0.0)


def start_mark(ring: Floats) -> tuple[Floats, ...]:
    """Return the mark of where the tool comes down on a closed line and which way it goes.

    Parameters
    ----------
    ring : (k, 2) float array
        In the order of cutting; the first point is not repeated.

    Returns
    -------
    tuple of (k, 2) float arrays
        A short line from the first point into the ring and along it, and the head of its arrow.
    """
    # Outlines may hold a point twice.
    along = next(step for step in ring[1:] - ring[0] if np.hypot(*step) > 0)
    length = float(np.hypot(*along))
    way = along / length
    side = np.array([-way[1], way[0]]) * (1.0 if _anticlockwise(ring) else -1.0)
    foot = ring[0] + _OFF_MM * side
    tip = foot + min(_ARROW_MM, max(length, _HEAD_MM)) * way
    back = tip - _HEAD_MM * way
    head = np.stack([back + 0.35 * _HEAD_MM * side, tip, back - 0.35 * _HEAD_MM * side])
    return np.stack([ring[0], foot, tip]), head


def _anticlockwise(ring: Floats) -> bool:
    x, y = (ring - ring[0]).T
    return float((x * np.roll(y, -1) - y * np.roll(x, -1)).sum()) > 0.0


def begun_at(ring: Floats, near_mm: Sequence[float] | Floats) -> Floats:
    """Return a closed line that begins at its corner nearest to a point.

    Parameters
    ----------
    ring : (k, 2) float array
        The first point is not repeated.
    near_mm : (2,) float array
    """
    return np.roll(ring, -int(np.hypot(*(ring - np.asarray(near_mm)).T).argmin()), axis=0)

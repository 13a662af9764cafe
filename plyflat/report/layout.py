"""Where things stand in flat pictures."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from typing import Any

import numpy as np

from ..surface.mesh import Floats
from .style import INK, TEXT_PT

HEAD_IN = 0.55
TALLEST_IN = 6.2


def title_on(figure: Any, text: str) -> float:
    """Write a title at the top of a figure; return the inches it takes."""
    lines = textwrap.wrap(text, 48)
    height = figure.get_figheight()
    figure.text(0.02, 1 - 0.1 / height, "\n".join(lines), size=TEXT_PT + 1, weight="bold", color=INK, va="top")
    return HEAD_IN + 0.27 * (len(lines) - 1)


def head_in(text: str) -> float:
    """Return the inches that a title will take."""
    return HEAD_IN + 0.27 * (len(textwrap.wrap(text, 48)) - 1)


def side_by_side(shapes: Sequence[Floats]) -> tuple[Floats, list[Floats]]:
    """Shifts that set shapes out along the direction that keeps the whole most nearly square; and the whole's size."""
    sizes = np.array([p.max(axis=0) - p.min(axis=0) for p in shapes])
    gap = 0.06 * sizes.max()
    axis = int(sizes[:, 0].sum() > 1.3 * sizes[:, 1].sum())
    shifts, at = [], 0.0
    for points, size in zip(shapes, sizes):
        shift = -points.min(axis=0)
        shift[axis] += at
        at += size[axis] + gap
        shifts.append(shift)
    whole = sizes.max(axis=0)
    whole[axis] = at - gap
    return whole, shifts


def frame_on(ax: Any, box: tuple[float, float, float, float]) -> None:
    """Show a box of flat places (x0, y0, x1, y1), mm, at the same scale both ways and without axes."""
    ax.set_xlim(box[0], box[2])
    ax.set_ylim(box[1], box[3])
    ax.set_aspect("equal")
    ax.axis("off")


def clear_side(at: Floats, busy: Floats, *, aside: tuple[float, float] = (44.0, 26.0)) -> tuple[int, int]:
    """Say to which side of a place its words are farthest from all else: (right or left, down or up), 1 or -1 each.

    Parameters
    ----------
    at : (2,) float array
        The place in the picture, pixels right and down.
    busy : (k, 2) float array
        Places that words would hide, or be hidden by.
    aside : (float, float)
        How far the middle of the words will stand off it, pixels right and down.

    Examples
    --------
    >>> clear_side(np.zeros(2), np.array([[40.0, -20.0], [40.0, 20.0], [-40.0, 20.0]]))
    (-1, -1)
    """
    sides = [(1, -1), (1, 1), (-1, -1), (-1, 1)]
    if not len(busy):
        return sides[0]
    far = [float(np.hypot(*(busy - at - np.multiply(side, aside)).T).min()) for side in sides]
    return sides[int(np.argmax(far))]

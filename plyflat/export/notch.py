"""Match marks in the shapes the sewing trade has for them, cut into the trim or drawn."""

from __future__ import annotations

import numpy as np
from shapely import LinearRing, Point, Polygon
from shapely.geometry.base import BaseGeometry

from ..cloth.template import Notch
from ..surface.mesh import Floats

#: Each shape in words; all but the last are cut.
STYLES = {
    "slit": "a straight cut",
    "V": "two cuts that meet in a point",
    "U": "a slot with a round end",
    "castle": "a square slot",
    "T": "a straight cut with a bar across its end",
    "check": "a straight cut, and one that slants back to the edge",
    "drawn": "a line of the pen, nothing cut",
}
#: Width of a notch over its size (common practice: narrower than deep).
WIDTH_SHARE = 2.0 / 3.0
_ARC_POINTS = 17


def notch_lines(outline: Polygon, notch: Notch, *, size_mm: float, style: str) -> tuple[Floats, ...]:
    """Return the lines of a match mark, the first of them from the edge.

    Parameters
    ----------
    outline : Polygon
        Line to cut of the piece.
    notch : Notch
    size_mm : float
        How far it runs into the piece.
    style : str
        One of `STYLES`.

    Returns
    -------
    tuple of (k, 2) float arrays
    """
    at, way = np.asarray(notch.at_mm), np.asarray(notch.inward)
    tip = at + size_mm * way
    if style in ("slit", "drawn"):
        return (np.stack([at, tip]),)
    half = 0.5 * WIDTH_SHARE * size_mm
    if style == "T":
        across = half * np.array([-way[1], way[0]])
        return np.stack([at, tip]), np.stack([tip + across, tip - across])
    before, after = _beside(outline, at, half)
    if style == "V":
        return (np.stack([before, tip, after]),)
    if style == "check":
        return (np.stack([at, tip, after]),)
    if style == "castle":
        return (np.stack([before, before + size_mm * way, after + size_mm * way, after]),)
    return (_slot(before, after, way, size_mm),)


def _beside(outline: Polygon, at: Floats, half_mm: float) -> tuple[Floats, Floats]:
    """The points of the edge on both sides of a mark, measured along it."""
    place = Point(at)
    ring = min((outline.exterior, *outline.interiors), key=lambda r: float(r.distance(place)))
    line = LinearRing(ring.coords)
    along = float(line.project(place))
    return _on(line, along - half_mm), _on(line, along + half_mm)


def _on(line: LinearRing, along_mm: float) -> Floats:
    point: BaseGeometry = line.interpolate(along_mm % line.length)
    return np.asarray(point.coords[0])[:2]


def _slot(before: Floats, after: Floats, way: Floats, size_mm: float) -> Floats:
    """A slot with a half circle at its end; the chords stray by less than a pen's width."""
    middle, arm = 0.5 * (before + after), 0.5 * (before - after)
    radius = float(np.hypot(*arm))
    turn = np.linspace(0.0, np.pi, _ARC_POINTS)[:, None]
    end = middle + (size_mm - radius) * way
    return np.concatenate([before[None], end + arm * np.cos(turn) + radius * way * np.sin(turn), after[None]])

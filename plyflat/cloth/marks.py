"""Where a template's warp line and centre mark go."""

from __future__ import annotations

from collections.abc import Sequence
from math import inf

import shapely
from shapely import LineString, MultiPolygon, Point, Polygon
from shapely.ops import polylabel

# The warp line stops this share of its length short of the edge at either end, so that it is not read as a cut.
SHORT = 0.04
# A thread that no cut ends.
ENDLESS = ((-inf, inf), (-inf, inf))


def centre_mark(net: Polygon) -> Point:
    """Return the centroid where it lies well inside, else the point farthest from the outline.

    Parameters
    ----------
    net : Polygon
        mm
    """
    deepest = polylabel(net, tolerance=max(0.005 * net.length, 1e-3))
    middle = net.centroid
    room = net.boundary.distance(deepest)
    if net.contains(middle) and net.boundary.distance(middle) >= 0.5 * room:
        return middle
    return deepest


def warp_line(net: Polygon, centre: Point) -> LineString:
    """Return the longest line along +x through the centre mark, a little short of the outline at both ends.

    Parameters
    ----------
    net : Polygon
        mm
    centre : Point
    """
    x0, _, x1, _ = net.bounds
    chord = net.intersection(LineString([(x0 - 1, centre.y), (x1 + 1, centre.y)]))
    parts = [g for g in getattr(chord, "geoms", [chord]) if g.geom_type == "LineString"]
    here = min(parts, key=lambda g: g.distance(centre))
    a, b = sorted((here.coords[0][0], here.coords[-1][0]))
    return LineString([(a + SHORT * (b - a), centre.y), (b - SHORT * (b - a), centre.y)])


def first_threads(
    net: Polygon, start: Point, slits: Sequence[LineString] = (), *,
    reach_mm: tuple[tuple[float, float], tuple[float, float]] = ENDLESS,
) -> tuple[tuple[LineString, ...], tuple[LineString, ...]]:
    """Return where the warp and the weft thread through a start run on a piece, each from left to right or upward.

    A part that a slit's side stands before is left out: beyond a slit the cloth lies apart, and the thread that goes on
    there on the table is not the one that goes on from the start on the hull.

    Parameters
    ----------
    net : Polygon
        mm
    start : Point
        It may lie off the piece: threads leave it and come back.
    slits : sequence of LineString
        The sides of slits and darts.
    reach_mm : tuple of (float, float)
        From where to where each of the two runs, from the start.
    """
    x0, y0, x1, y1 = net.union(start).bounds
    (left, right), (down, up) = reach_mm
    level = LineString([(max(x0 - 1, start.x + left), start.y), (min(x1 + 1, start.x + right), start.y)])
    upright = LineString([(start.x, max(y0 - 1, start.y + down)), (start.x, min(y1 + 1, start.y + up))])
    found = []
    for line in (level, upright):
        parts = [g for g in lines_of(net.intersection(line)) if _in_reach(g, start, slits)]
        ways = (LineString(sorted((g.coords[0][:2], g.coords[-1][:2]))) for g in parts)
        found.append(tuple(sorted(ways, key=lambda g: g.coords[0])))
    return found[0], found[1]


def _in_reach(part: LineString, start: Point, slits: Sequence[LineString]) -> bool:
    """Whether no slit stands between a start and the near end of a thread's part."""
    way = shapely.shortest_line(part, start)
    return not any(way.length > 0 and way.intersects(s) for s in slits)


def spread(a: float, b: float, every: float) -> list[float]:
    """Return at least two places between a and b, evenly spaced, about `every` apart, half a step off the ends."""
    n = max(2, round((b - a) / every))
    return [a + (i + 0.5) * (b - a) / n for i in range(n)]


def lap_strip(line: LineString, width_mm: float, *, side: str) -> Polygon | MultiPolygon:
    """Return the strip along one side of a line, square at its ends.

    Parameters
    ----------
    line : LineString
        mm
    width_mm : float
    side : str
        "left" or "right" of the line.
    """
    return line.buffer(width_mm if side == "left" else -width_mm, single_sided=True, join_style="mitre")


def parts_of(shape: object) -> list[Polygon]:
    """Return the polygons of any shapely shape, largest first; lines and points are dropped."""
    found: list[Polygon] = []
    for g in getattr(shape, "geoms", [shape]):
        if isinstance(g, Polygon):
            if g.area > 0:
                found.append(g)
        elif hasattr(g, "geoms"):
            found.extend(parts_of(g))
    return sorted(found, key=lambda p: -p.area)


def lines_of(shape: object) -> list[LineString]:
    """Return the lines of any shapely shape, longest first; points are dropped."""
    found: list[LineString] = []
    for g in getattr(shape, "geoms", [shape]):
        if isinstance(g, LineString):
            if g.length > 0:
                found.append(LineString(g.coords))
        elif hasattr(g, "geoms"):
            found.extend(lines_of(g))
    return sorted(found, key=lambda p: -p.length)


def whole(shape: Polygon, *, slits_mm2: float = 1e-9) -> Polygon:
    """Return a polygon without interior rings too small to be anything but rounding."""
    rings = [r for r in shape.interiors if Polygon(r).area > slits_mm2]
    return Polygon(shape.exterior, rings) if len(rings) < len(shape.interiors) else shape

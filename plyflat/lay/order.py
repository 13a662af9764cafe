"""The order of cutting a lay: what lies inside before what lies round it, near before far; and corners to mark by hand."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely
from shapely import Polygon

from .outline import Floats
from .parts import Lay

#: Pieces that begin within this much of the nearest one still uncut may be cut before it, where the way is shorter, mm.
BAND_MM = 400.0
#: Straight lines between the corners given for cutting by hand stray no further than this from the outline, mm.
BY_HAND_MM = 0.5
#: Lines no further apart than this are one cut, mm: far below what a knife does.
ONE_CUT_MM = 1e-3
#: Lengths on a shared line below this count as none, mm: pieces that touch at a corner.
LEAST_SHARED_MM = 0.1


@dataclass(frozen=True)
class Stroke:
    """One closed line to cut.

    Attributes
    ----------
    place : int
        Index into the lay's places.
    ring : int
        0 for the piece's outline, from 1 for its openings.
    section : int
        Section of the roll it lies on, from 0.
    points_mm : (n, 2) float array
        Corners in the order of cutting, the first not repeated, mm from the roll's end and edge.
    travel_mm : float
        Way with the knife up from where the last one ended.
    layers : int
        2 where the cloth is folded and the piece beyond the fold is cut with it.
    shared_mm : float
        Length that lies on lines cut before: pieces laid without a gap share their cuts where they touch.
    """

    place: int
    ring: int
    section: int
    points_mm: Floats
    travel_mm: float
    layers: int = 1
    shared_mm: float = 0.0

    @property
    def length_mm(self) -> float:
        """Length of the cut."""
        return float(np.hypot(*(np.roll(self.points_mm, -1, axis=0) - self.points_mm).T).sum())


def cutting_order(lay: Lay, *, ranks: Sequence[int] = ()) -> tuple[Stroke, ...]:
    """Give the lines of a lay in the order of cutting.

    A piece stays put while it is cut if all inside it is cut first: pieces within its openings, then the openings,
    then its outline. Sections follow each other along the roll. In each, pieces of the lowest rank come first; then
    those near the roll's end before those far from it, each from the corner nearest to where the knife is. Of a folded
    section only the lower layer is listed, since both are cut at once.

    Parameters
    ----------
    lay : Lay
    ranks : sequence of int
        By part; all alike where left out.

    Returns
    -------
    tuple of Stroke
    """
    outlines = [place.outline for place in lay.places]
    inner = _inside(outlines)
    hosted = {k for kept in inner.values() for k in kept}
    section = [sum(o.bounds[0] >= cut for cut in lay.cuts_mm) for o in outlines]
    rank = [ranks[place.part] if ranks else 0 for place in lay.places]
    folds = {sum(fold >= cut for cut in lay.cuts_mm): fold for fold in lay.folds_mm}
    upper = {k for k, o in enumerate(outlines) if section[k] in folds and o.bounds[0] >= folds[section[k]]}
    at = np.zeros(2)
    strokes: list[Stroke] = []
    left = set(range(len(outlines))) - hosted - upper
    while left:
        # A host goes with the lowest rank of what lies within it, since that comes first.
        now = min((section[k], min(rank[j] for j in _family(k, inner))) for k in left)
        ready = [k for k in left if (section[k], min(rank[j] for j in _family(k, inner))) == now]
        nearest = min(outlines[k].bounds[0] for k in ready)
        ready = [k for k in ready if outlines[k].bounds[0] <= nearest + BAND_MM]
        pick = min(ready, key=lambda k: (_way(outlines[k], at), k))
        left.remove(pick)
        for k, ring in _rings(pick, outlines, inner, at):
            points = np.asarray(_ring(outlines[k], ring).coords)[:-1, :2]
            start = int(np.argmin(np.hypot(*(points - at).T)))
            travel = float(np.hypot(*(points[start] - at)))
            layers = 2 if section[k] in folds else 1
            strokes.append(Stroke(k, ring, section[k], np.roll(points, -start, axis=0), travel, layers))
            at = points[start]
    return tuple(strokes) if lay.gap_mm > ONE_CUT_MM else _shared(strokes)


def _shared(strokes: Sequence[Stroke]) -> tuple[Stroke, ...]:
    """Give strokes with the length that each has in common with those before it."""
    lines = [shapely.LinearRing(stroke.points_mm) for stroke in strokes]
    tree = shapely.STRtree(lines)
    out = []
    for k, stroke in enumerate(strokes):
        near = [j for j in tree.query(lines[k], predicate="dwithin", distance=ONE_CUT_MM) if j < k]
        cut = shapely.union_all([shapely.buffer(lines[j], ONE_CUT_MM, cap_style="flat") for j in near])
        shared = float(shapely.intersection(lines[k], cut).length) if near else 0.0
        out.append(replace(stroke, shared_mm=shared if shared > LEAST_SHARED_MM else 0.0))
    return tuple(out)


def _inside(outlines: Sequence[Polygon]) -> dict[int, list[int]]:
    """Give the pieces that lie within an opening of each piece, directly."""
    holes = [(k, n, Polygon(ring)) for k, o in enumerate(outlines) for n, ring in enumerate(o.interiors, 1)]
    found: dict[int, list[int]] = {}
    for j, outline in enumerate(outlines):
        point = outline.representative_point()
        around = [(hole.area, k) for k, _, hole in holes if k != j and hole.contains(point)]
        if around:
            found.setdefault(min(around)[1], []).append(j)
    return found


def _family(piece: int, inner: dict[int, list[int]]) -> list[int]:
    """Give a piece and all that lies within it, at any depth."""
    return [piece, *(j for k in inner.get(piece, ()) for j in _family(k, inner))]


def _rings(piece: int, outlines: Sequence[Polygon], inner: dict[int, list[int]], at: Floats) -> list[tuple[int, int]]:
    """Give the rings of a piece and of what lies within it, innermost first."""
    found: list[tuple[int, int]] = []
    for k in sorted(inner.get(piece, ()), key=lambda k: (_way(outlines[k], at), k)):
        found += _rings(k, outlines, inner, at)
    found += [(piece, n) for n in range(1, len(outlines[piece].interiors) + 1)]
    return [*found, (piece, 0)]


def _ring(outline: Polygon, ring: int) -> shapely.LinearRing:
    return outline.exterior if ring == 0 else outline.interiors[ring - 1]


def _way(outline: Polygon, at: Floats) -> float:
    points = shapely.get_coordinates(outline.exterior)
    return float(np.hypot(*(points - at).T).min())


def hand_corners(outline: Polygon, *, stray_mm: float = BY_HAND_MM) -> tuple[Floats, ...]:
    """Give the corners to mark for cutting a piece by hand.

    Parameters
    ----------
    outline : Polygon
    stray_mm : float
        Straight lines between corners stray no further than this.

    Returns
    -------
    tuple of (n, 2) float arrays
        Outline first, then openings; each begins at its corner nearest to the roll's end and goes anticlockwise.
    """
    plain = shapely.simplify(outline, stray_mm)
    if plain.geom_type != "Polygon" or plain.is_empty:
        plain = outline
    rings = [np.asarray(ring.coords)[:-1, :2] for ring in (plain.exterior, *plain.interiors)]
    out = []
    for points in rings:
        x, y = points.T
        if float((x * np.roll(y, -1) - y * np.roll(x, -1)).sum()) < 0.0:
            points = points[::-1]
        first = min(range(len(points)), key=lambda k: (round(float(points[k, 0]), 6), float(points[k, 1])))
        out.append(np.roll(points, -first, axis=0))
    return tuple(out)

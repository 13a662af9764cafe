"""Net, lap and cut outlines of a flat piece."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from shapely import LineString, MultiLineString, MultiPolygon, Point, Polygon

from ..errors import ShapeError
from ..surface.mesh import Floats, Ints, Surface
from .marks import parts_of, whole
from .template import GRID_MM

# The two sides of a dart stay this far apart when one of them is widened by its lap: a scissor cut,
# a figure of ours.
SLIT_MM = 1.0
# A round hole of this radius at a dart's tip keeps the cut from running on; a figure of ours.
STOP_MM = 2.0
# Margin narrower than twice this is none.
THREAD_MM = 0.5
# A lap may lie on its own piece by this share: the corners of a seam that does not meet the edge quite square.
ON_ITSELF = 0.05
# Where both sides of a ring's seam face each other, no more than this share of the lap may be taken off by the narrow wedge;
# with less the seam would not hold. A figure of ours.
LAP_LOST = 0.5


@dataclass(frozen=True, eq=False)
class SeamSide:
    """One side of a seam on the table.

    Attributes
    ----------
    number : int
        Of the seam.
    lapped : bool
        Whether this side has the lap.
    out : str
        "left" or "right": on which side of the line the piece is not.
    vertices : (k,) int array
    uv : (k, 2) float array, mm
    at_mm : (k,) float array
        Arc length on the surface, the same for both sides.
    across : (k, 2) float array or None
        A dart's other side, mm; the last point of both is its tip. None for a seam between two edges.
    butted : bool
        Whether both pieces end at the seam, so that the side that would have the lap has none.
    facing : (k, 2) float array or None
        The other side, mm, where both belong to this piece, as at the seam of a ring; it has no tip.
    """

    number: int
    lapped: bool
    out: str
    vertices: Ints
    uv: Floats
    at_mm: Floats
    across: Floats | None = None
    butted: bool = False
    facing: Floats | None = None

    @property
    def sign(self) -> float:
        """+1 where the outside is on the left, as offsets have it."""
        return 1.0 if self.out == "left" else -1.0

    def point(self, at: float) -> Floats:
        """Return the flat point at an arc length."""
        return np.array([np.interp(at, self.at_mm, self.uv[:, k]) for k in range(2)])

    def outward(self, at: float) -> Floats:
        """Return the unit vector square to the seam there, away from the piece; taken over 10 mm either way."""
        a, b = self.point(max(at - 10.0, 0.0)), self.point(min(at + 10.0, float(self.at_mm[-1])))
        t = (b - a) / np.linalg.norm(b - a)
        return self.sign * np.array([-t[1], t[0]])

    def nearest(self, p: Floats) -> float:
        """Return the arc length of the nearest place."""
        line = LineString(self.uv)
        flat = np.r_[0.0, np.cumsum(np.linalg.norm(np.diff(self.uv, axis=0), axis=1))]
        return float(np.interp(line.project(Point(p)), flat, self.at_mm))


def net_outline(piece: Surface, uv: Floats, name: str) -> Polygon:
    """Return the piece's own outline with its openings.

    Raises
    ------
    ShapeError
        If the piece lies over itself.
    """
    rings = [uv[q] for q in piece.boundary_loops]
    rings.sort(key=lambda r: -Polygon(r).area)
    net = Polygon(rings[0], rings[1:])
    if not net.is_valid:
        raise ShapeError(
            f"the piece lies over itself when it is flat ({shapely.is_valid_reason(net)})", where=name,
            do="Open the region in more pieces.",
        )
    return net


def stop_holes(net: Polygon, seams: Sequence[SeamSide]) -> Polygon:
    """Return the outline with a small round hole at the tip of every dart."""
    tips = [Point(s.uv[-1]).buffer(STOP_MM) for s in seams if s.across is not None and s.lapped]
    return max(parts_of(net.difference(shapely.union_all(tips))), key=lambda g: g.area) if tips else net


def lap_of(s: SeamSide, net: Polygon, others: Sequence[Polygon], width_mm: float, name: str) -> Polygon:
    """Return the strip of a lap outside the seam, clear of the laps before it.

    The lap of a dart, or of a ring's seam whose sides face each other, is no wider than the two stand apart, less a
    scissor cut; it runs out towards the tip.

    Raises
    ------
    ShapeError
        If it would lie on the piece itself.
    """
    outer = shapely.offset_curve(LineString(s.uv).simplify(0.01), s.sign * width_mm, join_style="mitre")
    edge = shapely.get_coordinates(outer)
    if np.linalg.norm(edge[0] - s.uv[0]) > np.linalg.norm(edge[-1] - s.uv[0]):
        edge = edge[::-1]
    strip = Polygon(np.concatenate([s.uv, edge[::-1]]))
    parts = parts_of(shapely.make_valid(strip))
    seam = LineString(s.uv)
    strip = max(parts, key=lambda g: g.boundary.intersection(seam.buffer(1e-6)).length)
    facing = s.across if s.across is not None else s.facing
    on = strip.intersection(net).area
    if on > _may_lose(s) * strip.area:
        raise ShapeError(
            f"the lap of join J{s.number + 1} would lie on its own piece ({on:.0f} mm2)", where=name,
            do="Open the region in more pieces, or make the lap narrower.",
        )
    if facing is not None:
        other = LineString(facing).buffer(SLIT_MM)
        clear = strip.difference(shapely.union_all([net, other, *others]))
        return max(parts_of(clear), key=lambda g: g.boundary.intersection(seam.buffer(1e-6)).length, default=Polygon())
    clear = strip.difference(shapely.union_all([net, *others]))
    return max(parts_of(clear), key=lambda g: g.area)


def _may_lose(s: SeamSide) -> float:
    """Share of a lap that may lie on its own piece: any of a dart's, which ends at its tip anyway."""
    if s.across is not None:
        return np.inf
    return ON_ITSELF if s.facing is None else LAP_LOST


def cut_outline(
    piece: Surface,
    uv: Floats,
    net: Polygon,
    seams: Sequence[SeamSide],
    laps: Sequence[Polygon],
    lap_mm: float,
    trim_mm: float,
) -> Polygon:
    """Return net, laps and the trim margin along the edges that are not seams."""
    body = _joined([net, *laps])
    if trim_mm <= 0:
        return _on_grid(body)
    margin = body.buffer(trim_mm, join_style="mitre", mitre_limit=2.0).difference(body)
    shut = [_beyond(s, body, lap_mm, trim_mm) for s in seams]
    band = margin.difference(shapely.union_all(shut)) if shut else margin
    # Between the two sides of a gusset's mouth the strips leave a thread of margin.
    touching = [
        g for g in parts_of(band) if g.buffer(1e-6).intersection(body).area > 0 and not g.buffer(-THREAD_MM).is_empty
    ]
    return _on_grid(_joined([body, *touching]))


def _on_grid(shape: Polygon) -> Polygon:
    """Return the outline with its corners on a grid of `GRID_MM`, so that no turn or rounding makes it cross itself."""
    on_grid = max(parts_of(shapely.set_precision(shape, GRID_MM)), key=lambda g: g.area)
    # The shape would hand its grid on to whatever is cut from it.
    return shapely.set_precision(on_grid, 0.0)


def _beyond(s: SeamSide, body: Polygon, lap_mm: float, trim_mm: float) -> Polygon | MultiPolygon:
    """Return the strip outside a seam (or its lap) that gets no margin, carried on past both ends."""
    line = LineString(s.uv).simplify(0.01)
    if s.lapped and not s.butted and lap_mm > 0:
        line = shapely.offset_curve(line, s.sign * lap_mm, join_style="mitre")
    xy = shapely.get_coordinates(line)
    a, b = xy[0] - xy[min(1, len(xy) - 1)], xy[-1] - xy[-2]
    far = 3 * trim_mm
    xy = np.concatenate([[xy[0] + far * a / np.linalg.norm(a)], xy, [xy[-1] + far * b / np.linalg.norm(b)]])
    strip = LineString(xy).buffer(s.sign * 2.5 * trim_mm, single_sided=True, join_style="mitre")
    if not s.lapped or s.butted or lap_mm <= 0:
        # The strip follows a simplified line; what that leaves beside the true one is no margin either.
        strip = strip.union(LineString(s.uv).buffer(0.05, cap_style="flat"))
    return strip.difference(body)


def _joined(shapes: Sequence[Polygon]) -> Polygon:
    """Return the union as one polygon without slits of rounding between the parts."""
    merged = shapely.union_all(list(shapes))
    if isinstance(merged, MultiPolygon):
        merged = shapely.union_all([g.buffer(1e-7, join_style="mitre") for g in merged.geoms])
    return whole(max(parts_of(merged), key=lambda g: g.area), slits_mm2=1e-3)


def free_edges(net: Polygon, seams: Sequence[SeamSide]) -> MultiLineString:
    """Return the parts of the outline that are not seams."""
    lines = [LineString(s.uv).buffer(1e-6) for s in seams]
    return net.boundary.difference(shapely.union_all(lines)) if lines else net.boundary

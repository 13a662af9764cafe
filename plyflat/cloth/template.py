"""A flat piece of cloth or film with everything that is drawn on it."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
import shapely
from shapely import LineString, Point, Polygon

from ..errors import CheckError

# Two lines that ought to be the same one may differ by this much (float64 on pieces of some metres).
SAME_MM = 1e-6
#: Corners of a line to cut lie on a grid as fine as this; no scissors tell the difference.
GRID_MM = 0.01


@dataclass(frozen=True)
class Notch:
    """A match mark on the cut line: two pieces that meet carry the same number at the same place.

    Attributes
    ----------
    at_mm : tuple of float
        (x, y) on the cut line, mm.
    inward : tuple of float
        Unit vector from the cut line into the piece.
    mark : str
        The number both partners carry ("J1.2": join 1, second notch).
    """

    at_mm: tuple[float, float]
    inward: tuple[float, float]
    mark: str


@dataclass(frozen=True)
class Strain:
    """How far the cloth must give to lie on the shape.

    Attributes
    ----------
    largest : float
        Largest \\|stretch - 1\\| anywhere, as a fraction.
    p99 : float
        99th percentile by area.
    mean : float
        Mean by area.
    limit : float
        The limit the job states, as a fraction.
    over_share : float
        Share of the area above the limit, 0 to 1.
    energy : float
        Mean symmetric Dirichlet energy over 4; 1 for an exact development.
    raw_largest : float
        Largest \\|stretch - 1\\| of any single triangle; in the point of a corner it says more of the mesh than of the
        cloth.
    scale_mm : float
        The length over which the other figures are averaged, mm; 0 where they are of single triangles.
    """

    largest: float
    p99: float
    mean: float
    limit: float
    over_share: float
    energy: float
    raw_largest: float = 0.0
    scale_mm: float = 0.0


@dataclass(frozen=True)
class Template:
    """One flat piece, in mm, its warp (or the roll's length) along +x, seen as it lies on the cutting table.

    Attributes
    ----------
    region, ply, piece, material : str
        What it is for ("skeg root", "P1", "A", "carbon twill 200").
    face_up : str
        Which face lies up on the table when it is cut, in plain words for the label.
    mirrored : bool
        True where the outline is the mirror image of the shape seen from the air side.
    net : Polygon
        The piece's own outline, without laps and trim margin; openings are interior rings.
    cut : Polygon
        The line to cut: net plus laps plus trim margin.
    laps : tuple of Polygon
        The strips of ``cut`` beyond ``net`` that lie over a neighbouring piece.
    folds : tuple of LineString
        Corner (crease) lines of the surface, drawn and not cut.
    joins : tuple of LineString
        Lines where another piece's edge comes to lie, drawn and not cut.
    notches : tuple of Notch
    warp : LineString
        The warp line to draw, along +x.
    centre : Point
        The centre mark.
    forward, up : tuple of float or None
        Unit vectors on the piece that point forward and up on the boat; None where the surface is square to it.
    strain : Strain or None
        None for a plain rectangle.
    angle_deg : float
        Angle of the warp to the region's warp line, degrees.
    copies : int
    fold_concave : tuple of bool
        For each fold, whether the corner is an inner one (hull to skeg) and not an edge.
    warp_spread_deg : float
        How far the region's warp direction turns over the piece: 95th percentile by area of the angle to its mean.
    start : Point
        Where cloth that is laid by its threads is put down first; empty where that is not on the piece, or where the
        piece was flattened.
    warp_thread, weft_thread : tuple of LineString
        The first warp and the first weft thread, straight on the cloth, as far as they run on the piece. They are laid
        along their lines on the hull first, and all others follow.
    """

    region: str
    ply: str
    piece: str
    material: str
    face_up: str
    mirrored: bool
    net: Polygon
    cut: Polygon
    laps: tuple[Polygon, ...] = ()
    folds: tuple[LineString, ...] = ()
    joins: tuple[LineString, ...] = ()
    notches: tuple[Notch, ...] = ()
    warp: LineString = LineString()
    centre: Point = Point()
    forward: tuple[float, float] | None = None
    up: tuple[float, float] | None = None
    strain: Strain | None = None
    angle_deg: float = 0.0
    copies: int = 1
    fold_concave: tuple[bool, ...] = ()
    warp_spread_deg: float = 0.0
    start: Point = Point()
    warp_thread: tuple[LineString, ...] = ()
    weft_thread: tuple[LineString, ...] = ()

    @property
    def name(self) -> str:
        """Label that names the piece in every file: region / ply / piece."""
        return f"{self.region} / {self.ply} / {self.piece}"


def check_template(template: Template) -> None:
    """Check that a template can be drawn and cut as it stands.

    Parameters
    ----------
    template : Template

    Raises
    ------
    CheckError
        Naming the first thing that is wrong.
    """
    _check_shapes(template)
    net, cut = template.net, template.cut
    beyond = net.difference(cut.buffer(GRID_MM)).area
    _must(beyond < GRID_MM**2, template, f"{beyond:.3g} mm2 of the net outline lie outside the cut line")
    for lap in template.laps:
        outside, inside = lap.difference(cut.buffer(GRID_MM)).area, lap.intersection(net.buffer(-SAME_MM)).area
        _must(outside < GRID_MM**2, template, f"{outside:.3g} mm2 of a lap lie outside the cut line")
        _must(inside == 0, template, f"{inside:.3g} mm2 of a lap lie on the piece itself")
    for line in template.folds + template.joins:
        off = line.difference(cut.buffer(GRID_MM)).length
        _must(off < GRID_MM, template, f"{off:.3g} mm of a fold or join line lie outside the cut line")
    _must(len(template.fold_concave) in (0, len(template.folds)), template, "folds and their kinds do not match")
    for notch in template.notches:
        _check_notch(template, notch)
    _check_warp(template)
    _check_threads(template)
    for name in ("forward", "up"):
        v = getattr(template, name)
        _must(v is None or abs(np.hypot(*v) - 1) < 1e-9, template, f"the {name} arrow is not of length 1")


def _must(good: bool, template: Template, what: str) -> None:
    if not good:
        raise CheckError(what, where=template.name, do="Please report this piece with its job file.")


def _check_shapes(template: Template) -> None:
    for f in fields(template):
        value = getattr(template, f.name)
        for shape in value if isinstance(value, tuple) else (value,):
            if isinstance(shape, shapely.Geometry):
                good = bool(np.isfinite(shapely.get_coordinates(shape)).all()) and shape.is_valid
                _must(good, template, f"{f.name} is not a valid shape: {shapely.is_valid_reason(shape)}")
    for name in ("net", "cut"):
        shape = getattr(template, name)
        _must(isinstance(shape, Polygon) and shape.area > 0, template, f"the {name} outline has no area")


def _check_notch(template: Template, notch: Notch) -> None:
    at, inward = np.array(notch.at_mm), np.array(notch.inward)
    off = template.cut.boundary.distance(Point(at))
    _must(off < 1e-3, template, f"notch {notch.mark} lies {off:.3g} mm off the cut line")
    _must(abs(np.hypot(*inward) - 1) < 1e-9, template, f"notch {notch.mark} has no direction")
    _must(template.cut.contains(Point(at + 0.01 * inward)), template, f"notch {notch.mark} points outward")


def _check_warp(template: Template) -> None:
    if not template.warp.is_empty:
        xy = np.asarray(template.warp.coords)
        level = abs(xy[-1, 1] - xy[0, 1]) < SAME_MM and xy[-1, 0] > xy[0, 0]
        _must(level, template, "the warp line does not run along +x")
        _must(template.net.buffer(SAME_MM).contains(template.warp), template, "the warp line leaves the piece")
    if not template.centre.is_empty:
        _must(template.net.contains(template.centre), template, "the centre mark lies outside the piece")


def _check_threads(template: Template) -> None:
    lines = [(g, 1) for g in template.warp_thread] + [(g, 0) for g in template.weft_thread]
    for line, across in lines:
        xy = np.asarray(line.coords)
        _must(float(np.ptp(xy[:, across])) < SAME_MM, template, "a first thread does not run straight along warp or weft")
        _must(template.net.buffer(SAME_MM).contains(line), template, "a first thread leaves the piece")
        if not template.start.is_empty:
            off = abs(xy[0, across] - (template.start.x, template.start.y)[across])
            _must(off < SAME_MM, template, f"a first thread passes the start {off:.3g} mm off")
    if not template.start.is_empty:
        _must(template.net.buffer(SAME_MM).contains(template.start), template, "the start lies outside the piece")

"""A flat piece of cloth or film with everything that is drawn on it."""

from __future__ import annotations

from dataclasses import dataclass

from shapely import LineString, Point, Polygon


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
        Largest \\|stretch - 1\\| of any triangle, as a fraction.
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
    """

    largest: float
    p99: float
    mean: float
    limit: float
    over_share: float
    energy: float


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
        The parts of ``cut`` that lie under or over a neighbouring piece.
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

    @property
    def name(self) -> str:
        """Label that names the piece in every file: region / ply / piece."""
        return f"{self.region} / {self.ply} / {self.piece}"

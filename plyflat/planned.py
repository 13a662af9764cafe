"""What a plan holds: immutable results that every output is made from."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from .bag.corners import Bend, CornerSection
from .bag.envelope import FilmWay
from .bag.excess import FilmExcess
from .bag.feeding import Fed
from .bag.film import Film
from .bag.film_states import Cure, FilmState, LayerReach
from .bag.layers import TightLine
from .bag.pleats import Corner as FedCorner
from .bag.pleats import Pleat
from .bag.ports import Port
from .bag.reach import Bridging
from .bag.stack import Mask, TapeRun
from .bag.whole_search import WholeFilm
from .bag.widths import FilmWidth
from .cloth._bounds import Held
from .cloth._strain import YarnStrain, YarnStretch
from .cloth.darts import Dart
from .cloth.draped import Draped
from .cloth.draping import Laying
from .cloth.flatten import Flat, StrainBound
from .cloth.joins import Join
from .cloth.panels import Panel
from .cloth.template import Strain, Template
from .job.model import Job
from .lay.nest import Lay, Place
from .plies_below import Lying
from .shop.day import Day
from .shop.quantity import Quantity
from .surface.corner import Corner
from .surface.fillet import Filleted
from .surface.mesh import Floats, Surface
from .surface.region import Region
from .surface.sight import Sight


@dataclass(frozen=True)
class Caution:
    """Something the builder must know.

    Attributes
    ----------
    text : str
        One sentence with its number and unit.
    where : str
        The region, ply or roll it concerns.
    do : str
        What would help.
    """

    text: str
    where: str = ""
    do: str = ""


@dataclass(frozen=True)
class Check:
    """One check that a result passed before it left the house.

    Attributes
    ----------
    what : str
    measured, limit : float
    unit : str
    """

    what: str
    measured: float
    limit: float
    unit: str = ""


@dataclass(frozen=True, eq=False)
class Piece3D:
    """A piece on the hull with its flat shape, for pictures.

    Attributes
    ----------
    surface : Surface
        The piece's patch, mm, opened where it was opened.
    flat : Flat
        Its flat shape (before turning to the cloth's warp).
    strain : (m,) float array
        Largest \\|stretch - 1\\| of each triangle.
    yarns : YarnStretch or None
        What the yarns of the cloth do, at its own scale; None where nobody asked.
    table_mm : (n, 2) float array or None
        The flat shape as it lies on the cutting table, the warp along +x, in the frame of its template.
    overlaps_mm : tuple of (layers, 3) float arrays
        Where the flat shape lies over itself: the places on the hull that come to lie on one another, largest first.
    overlaps_at_mm : (k, 2) float array or None
        The same places on the table.
    """

    surface: Surface
    flat: Flat
    strain: Floats
    yarns: YarnStretch | None = None
    table_mm: Floats | None = None
    overlaps_mm: tuple[Floats, ...] = ()
    overlaps_at_mm: Floats | None = None

    @property
    def shape_mm(self) -> Floats:
        """The flat shape as it is best shown, (n, 2): as on the table where that is known."""
        return self.flat.uv_mm if self.table_mm is None else self.table_mm


@dataclass(frozen=True, eq=False)
class PatchPlan:
    """A part of a ply before any cut within it, and how near its flat shape comes to the best there can be.

    Ratios are of the largest stretch to the smallest one, less one: nought for a shape that lies flat as it is.

    Attributes
    ----------
    pieces : tuple of str
        Letters of the pieces it was cut into.
    ratio : float
        What its flat shape has without cuts, at the cloth's scale.
    raw_ratio : float
        The same over single triangles, which is what the proof speaks of.
    bound : StrainBound or None
        What no flat shape of it without cuts can beat; None where it lies so nearly flat that none was sought.
    held : Held
        Angle it encloses: where positive darts must take out so much, where negative gussets must let in so much.
    uncut : Piece3D or None
        It and its flat shape without cuts, where cuts were made.
    strain : Strain
        Of the flat shape without cuts.
    area_mm2 : float
    """

    pieces: tuple[str, ...]
    ratio: float
    raw_ratio: float
    bound: StrainBound | None
    held: Held
    uncut: Piece3D | None
    strain: Strain
    area_mm2: float

    @property
    def proven_ratio(self) -> float:
        """The proven bound as a ratio less one; 0 where nothing is proven."""
        return 0.0 if self.bound is None else float(np.expm1(self.bound.proven))

    @property
    def estimated_ratio(self) -> float:
        """The estimate as a ratio less one."""
        return 0.0 if self.bound is None else float(np.expm1(self.bound.estimate))


@dataclass(frozen=True, eq=False)
class PlyPlan:
    """One ply: its shape on the hull and its templates.

    Attributes
    ----------
    name : str
        "P1" is laid first.
    cloth : str
    angle_deg : float
    grow_mm : float
    area_mm2 : float
        Surface area on the hull, laps not counted.
    lap_area_mm2 : float
        Area of laps and corner laps in the templates.
    region : Region
    pieces : tuple of Piece3D
    templates : tuple of Template
    strain : Strain
        Over all pieces.
    seams_mm : tuple of (k, 3) float arrays
        Where this ply was opened.
    laps_mm : tuple of float or None
        At a corner: how far it reaches up the first and the second side.
    lap_clearance_mm : tuple of float
        For each ply below, how far its laps are from that ply's along the surface.
    darts : tuple of Dart
        Cuts made beyond the seams, with what each bought.
    patches : tuple of PatchPlan
        Its parts between the seams, before the cuts.
    yarns : YarnStrain or None
        What is asked of warp and weft over all pieces.
    joins : tuple of Join
        How its pieces meet, lapped or butted.
    panels : tuple of Panel
        Lines cut on the hull to lay it in panels, with what each bought.
    layings : tuple of Laying
        Cloth that is laid by its threads: how each piece is, or why the ply was flattened after all; else empty.
    lying : Lying or None
        How it lies on the plies below, and whether its shape allows for them; None where nobody asked.
    """

    name: str
    cloth: str
    angle_deg: float
    grow_mm: float
    area_mm2: float
    lap_area_mm2: float
    region: Region
    pieces: tuple[Piece3D, ...]
    templates: tuple[Template, ...]
    strain: Strain
    seams_mm: tuple[Floats, ...] = ()
    laps_mm: tuple[float, float] | None = None
    lap_clearance_mm: tuple[float, ...] = ()
    darts: tuple[Dart, ...] = ()
    patches: tuple[PatchPlan, ...] = ()
    yarns: YarnStrain | None = None
    joins: tuple[Join, ...] = ()
    panels: tuple[Panel, ...] = ()
    layings: tuple[Laying, ...] = ()
    lying: Lying | None = None

    @property
    def draped(self) -> tuple[tuple[int, Draped], ...]:
        """The pieces that were laid by their threads, each with its number."""
        return tuple((k, q.draped) for k, q in enumerate(self.layings) if q.draped is not None)

    @property
    def by_threads(self) -> bool:
        """Whether all its pieces were laid by their threads."""
        return bool(self.layings) and len(self.draped) == len(self.layings)

    @property
    def over_uncut(self) -> float:
        """Share of the area that would be above the strain limit without cuts."""
        areas = [patch.area_mm2 for patch in self.patches]
        return sum(a * patch.strain.over_share for a, patch in zip(areas, self.patches)) / sum(areas)

    def patch_of(self, piece: str) -> PatchPlan | None:
        """Return the patch that a piece comes from; "A2" is a part of piece "A"."""
        letters = piece.rstrip("0123456789")
        return next((patch for patch in self.patches if letters in patch.pieces), None)


@dataclass(frozen=True, eq=False)
class LayerPlan:
    """One layer of the bag stack.

    Attributes
    ----------
    kind : str
        "peel ply", "release film", "breather", "sealant tape" or "bag film".
    material : str
    margin_mm : float
        Beyond the largest ply's edge, along the surface.
    area_mm2 : float
        True surface area covered.
    lap_area_mm2 : float
    templates : tuple of Template
        Shapes or rectangles to cut; empty for tape.
    region : Region or None
        None where the layer is a length of tape.
    length_mm : float
        Tape to lay, with overlap; 0 for sheets.
    slack_mm : tuple of float
        Bag film only: largest (surface path - taut path) along and across the warp line.
    strain : Strain or None
    pieces : tuple of Piece3D
    corner : {"through", "slit", "lap"}
        How it goes through inside corners that it would bridge.
    cuts_mm : tuple of (k, 3) float arrays
        Where it is cut along such corners.
    film : FilmWidth or None
        Bag film as a sheet: the strips it is made up from.
    ways : tuple of FilmWay
        Bag film: the ways that it may be cut, the one that is used first.
    """

    kind: str
    material: str
    margin_mm: float
    area_mm2: float
    lap_area_mm2: float
    templates: tuple[Template, ...]
    region: Region | None
    length_mm: float = 0.0
    slack_mm: tuple[float, float] = (0.0, 0.0)
    strain: Strain | None = None
    pieces: tuple[Piece3D, ...] = ()
    corner: str = "through"
    cuts_mm: tuple[Floats, ...] = ()
    film: FilmWidth | None = None
    ways: tuple[FilmWay, ...] = ()

    @property
    def joined(self) -> FilmWay | None:
        """The way that the film is cut, where its pieces are joined flat."""
        return self.ways[0] if self.ways and self.ways[0].name != "sheet" else None


@dataclass(frozen=True)
class Crossing:
    """A layer that lies over a tight inside corner.

    Attributes
    ----------
    layer : str
        Its kind.
    line : str
        Name of the line.
    length_mm : float
        Of the line under it.
    way : {"through", "slit", "lap"}
    cut_mm : float
        How much of that length it is cut along.
    lap_mm : float
        By how much one side goes over the other there; 0 for no lap.
    """

    layer: str
    line: str
    length_mm: float
    way: str
    cut_mm: float
    lap_mm: float


@dataclass(frozen=True)
class WayCost:
    """What one way to cut the film takes.

    Attributes
    ----------
    name : {"sheet", "two pieces", "envelope"}
    what : str
        In words, with its figures; why not, where it cannot be.
    pieces : int
        Of film; 0 where it cannot be.
    film_mm2, waste_mm2 : float
        Cut, and lost in overlaps, in seams and beside the pieces.
    tape_mm : float
        On the hull, in corners, joins, seams and pleats.
    cost : float or None
        Of film and tape, where both have a price.
    least : bool
        Whether none takes less film and tape together; by cost where it is known, else by film.
    """

    name: str
    what: str
    pieces: int
    film_mm2: float
    waste_mm2: float
    tape_mm: float
    cost: float | None
    least: bool


@dataclass(frozen=True, eq=False)
class StackPlan:
    """How a region's bag is put together.

    Attributes
    ----------
    radius_mm : float
        Inside corners tighter than this are bridged by a layer in one piece.
    radius_stated : bool
        Whether the job says so, or the film's tension over the pressure does.
    tight : tuple of TightLine
    crossings : tuple of Crossing
    tape : TapeRun
    tape_mm : tuple of (k, 3) float arrays
        Each loop of the tape, its mark 0 first.
    tape_corners_m : tuple of (loop, float)
        Where the tape runs through an inside corner: loop, and metres from its mark 0.
    mask : Mask or None
    mask_region : Region or None
        Out to the outer edge of the masking.
    ports : tuple of Port
        Vacuum port and gauge.
    lead_width_mm, base_mm : float
        Of the strip of breather to each; diameter of a port's base.
    order : tuple of str
        What is laid when, in words.
    costs : tuple of WayCost
        The ways to cut the film side by side, the one that is used first.
    """

    radius_mm: float
    radius_stated: bool
    tight: tuple[TightLine, ...]
    crossings: tuple[Crossing, ...]
    tape: TapeRun
    tape_mm: tuple[Floats, ...]
    tape_corners_m: tuple[tuple[int, float], ...]
    mask: Mask | None
    mask_region: Region | None
    ports: tuple[Port, ...]
    lead_width_mm: float
    base_mm: float
    order: tuple[str, ...]
    costs: tuple[WayCost, ...] = ()


@dataclass(frozen=True, eq=False)
class BagReach:
    """Where the film of a region's bag bridges if it is drawn taut, and the pleats that feed its corners.

    Attributes
    ----------
    surface : Surface
        Inside the tape; what the bridging was sought on.
    bridging : Bridging
        Its vertices are those of `surface`.
    limit_mm : float
        How far the film may stand off.
    pressure_kpa, tension_n_per_m : float
        Of the film at its yield.
    allowed_mm : float
        Radius that a square corner may be left round by that limit.
    tape_mm : (k, 3) float array
        The line that pleats are measured along, the mark 0 first.
    corners : tuple of FedCorner
    sections : tuple of CornerSection
    bends : tuple of Bend
    pleats : tuple of Pleat
    tuck_kpa : float
        Pressure at which pleats are tucked in.
    feed_mm : float
        From how far film can be drawn at that pressure.
    inner_mm : tuple of (k, 3) float arrays
        Lines of tape within the first, as round a post, each from its mark 0.
    film : FilmPlan or None
        The film as it lies; None where that was not asked for or no corner asks for it.
    """

    surface: Surface
    bridging: Bridging
    limit_mm: float
    pressure_kpa: float
    tension_n_per_m: float
    allowed_mm: float
    tape_mm: Floats
    corners: tuple[FedCorner, ...]
    sections: tuple[CornerSection, ...]
    bends: tuple[Bend, ...]
    pleats: tuple[Pleat, ...]
    tuck_kpa: float
    feed_mm: float
    inner_mm: tuple[Floats, ...] = ()
    film: FilmPlan | None = None

    @property
    def tapes_mm(self) -> tuple[Floats, ...]:
        """All lines of tape, the outer one first."""
        return (self.tape_mm, *self.inner_mm)


@dataclass(frozen=True, eq=False)
class FilmPlan:
    """A bag's film as it lies over the sections through its corners.

    Attributes
    ----------
    film : Film
    pressure_kpa, tuck_kpa : float
        At full vacuum, and while film is still moved.
    friction : float
        Of the film on what lies under it.
    limit_mm : float
        How far it may stand off.
    taut : tuple of FilmState
        Drawn taut: at the lower vacuum first, at the full one last.
    pleated : tuple of FilmState
        With its pleats; the taut ones where it needs none.
    fed : Fed or None
        What its pleats give each section; None where it needs none.
    cures : tuple of Cure
        What would help, those that keep the limit first; empty where it is kept without pleats.
    layers : tuple of LayerReach
        What each layer would leave open in one piece, the worst first.
    excess : FilmExcess
        Where film is too much and folds, and where it is short.
    seconds : float
        What it took.
    whole : WholeFilm or None
        The film laid whole; None where that was not asked for or could not be done.
    """

    film: Film
    pressure_kpa: float
    tuck_kpa: float
    friction: float
    limit_mm: float
    taut: tuple[FilmState, ...]
    pleated: tuple[FilmState, ...]
    fed: Fed | None
    cures: tuple[Cure, ...]
    layers: tuple[LayerReach, ...]
    excess: FilmExcess
    seconds: float
    whole: WholeFilm | None = None

    @property
    def met(self) -> bool:
        """Whether the limit is kept by film that is worked in by hand."""
        return self.pleated[-1].depth_mm <= self.limit_mm


@dataclass(frozen=True, eq=False)
class RegionPlan:
    """One region with its plies and bag layers.

    Attributes
    ----------
    name, mesh : str
    base : Region
        As stated in the job, before any ply grew.
    warp_mm : (2, 3) float array
        Two points on the surface along the warp line.
    plies : tuple of PlyPlan
    layers : tuple of LayerPlan
    seams_mm : tuple of (k, 3) float arrays
        Where the base region was opened.
    way : str
        How the job says where it is: the key of the job file.
    corner : Corner or None
        The corner it is laid along.
    fillet : Filleted or None
        The fillet run into that corner first.
    putty_g, putty_stays_g : float
        Putty to mix for it, and what of it stays.
    reach : BagReach or None
        Where the film of its bag bridges; None without a bag, or where that could not be told.
    stack : StackPlan or None
        How its bag is put together; None without a bag.
    """

    name: str
    mesh: str
    base: Region
    warp_mm: Floats
    plies: tuple[PlyPlan, ...]
    layers: tuple[LayerPlan, ...]
    seams_mm: tuple[Floats, ...] = ()
    way: str = "outline"
    corner: Corner | None = None
    fillet: Filleted | None = None
    putty_g: float = 0.0
    putty_stays_g: float = 0.0
    reach: BagReach | None = None
    stack: StackPlan | None = None


@dataclass(frozen=True)
class RollPlan:
    """All pieces of one material on its rolls.

    Attributes
    ----------
    material : str
    kind : str
        "cloth" or the consumable's kind.
    lays : tuple of Lay
        One per roll or remnant cut into.
    parts : tuple of Template
        What ``Place.part`` of every lay points into.
    roll_width_mm, roll_length_mm : float
    length_mm : float
        Length used over all lays on rolls; remnants are not counted.
    net_area_mm2, cut_area_mm2, used_area_mm2 : float
        Surface to cover; pieces as cut; width times length used, and of a remnant what is not left.
    mass_g : float
        Mass of the length used.
    rolls : int
    cost : float or None
        Of the length used, in the job's currency; remnants cost nothing.
    turns_deg : tuple of float or None
        How a piece may be turned by the cloth; None for any turn.
    """

    material: str
    kind: str
    lays: tuple[Lay, ...]
    parts: tuple[Template, ...]
    roll_width_mm: float
    roll_length_mm: float
    length_mm: float
    net_area_mm2: float
    cut_area_mm2: float
    used_area_mm2: float
    mass_g: float
    rolls: int
    cost: float | None
    turns_deg: tuple[float, ...] | None = (0.0, 180.0)

    @property
    def widths(self) -> str:
        """Widths of the rolls cut into, mm, such as "1000 and 1270"; the material's own where only remnants are."""
        found = {lay.width_mm for lay in self.lays if lay.stock is None or lay.stock.outline is None}
        return " and ".join(f"{width:.0f}" for width in sorted(found or {self.roll_width_mm}))

    def off_grain_deg(self, place: Place) -> float:
        """Return how far a piece is turned off the nearest turn that the cloth allows, within its ply's tolerance."""
        if self.turns_deg is None:
            return 0.0
        off = ((place.turn_deg - turn + 180.0) % 360.0 - 180.0 for turn in self.turns_deg)
        return min(off, key=abs)


@dataclass(frozen=True)
class MeshPlan:
    """A mesh as it was used.

    Attributes
    ----------
    name, file, unit : str
    surface : Surface
    scale_error : float or None
        (measured - stated) / stated of the known distance, if one was stated.
    """

    name: str
    file: str
    unit: str
    surface: Surface
    scale_error: float | None = None


@dataclass(frozen=True)
class HullMark:
    """A point that is put on the hull by two tapes.

    Attributes
    ----------
    region : str
    number : int
        In its region, from 1.
    of : str
        The line that it lies on.
    at_mm : (float, float, float)
    first, second : str
        The points from which the tapes are pulled.
    first_mm, second_mm : float
        Their lengths along the hull.
    side : str
        On which side of the line between those points it lies.
    sine : float
        Of the angle at which the tapes cross.
    ply : str
        Of which it marks the edge, where that is another one than the region's own.
    """

    region: str
    number: int
    of: str
    at_mm: tuple[float, float, float]
    first: str
    first_mm: float
    second: str
    second_mm: float
    side: str
    sine: float
    ply: str = ""


@dataclass(frozen=True, eq=False)
class SightLine:
    """A line of a region as a projector throws it.

    Attributes
    ----------
    kind : {"edge", "join", "warp", "tape"}
    name : str
        Of the ply, or of the line itself.
    runs_px : tuple of (k, 2) float arrays
        Pixels right and down, without what is hidden.
    share : float
        How much of it is seen.
    """

    kind: str
    name: str
    runs_px: tuple[Floats, ...]
    share: float


@dataclass(frozen=True, eq=False)
class SightPlan:
    """What one projector throws on the hull.

    Attributes
    ----------
    region : str
    sight : Sight
    lines : tuple of SightLine
    marks_px : (k, 2) float array
        Where the marks were picked: thrown too, so that it is seen whether they still lie on the marks.
    """

    region: str
    sight: Sight
    lines: tuple[SightLine, ...]
    marks_px: Floats


@dataclass(frozen=True, eq=False)
class Plan:
    """Everything worked out for a job.

    Attributes
    ----------
    job : Job
    meshes : tuple of MeshPlan
    regions : tuple of RegionPlan
    rolls : tuple of RollPlan
    resin, shopping, bin : tuple of Quantity
        To mix; to buy; what is thrown away.
    cautions : tuple of Caution
    checks : tuple of Check
    seconds : dict
        Time taken by stage, s.
    day : Day or None
        Vacuum, bleed, clock, cure, sun, waste and order; None in a plan made without them.
    sights : tuple of SightPlan
        For the job's projectors.
    hull_marks : tuple of HullMark
        Region by region.
    """

    job: Job
    meshes: tuple[MeshPlan, ...]
    regions: tuple[RegionPlan, ...]
    rolls: tuple[RollPlan, ...]
    resin: tuple[Quantity, ...]
    shopping: tuple[Quantity, ...]
    bin: tuple[Quantity, ...]
    cautions: tuple[Caution, ...]
    checks: tuple[Check, ...]
    seconds: dict[str, float] = field(default_factory=dict)
    day: Day | None = None
    sights: tuple[SightPlan, ...] = ()
    hull_marks: tuple[HullMark, ...] = ()

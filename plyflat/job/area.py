"""Where the cloth goes: every way a builder can say it, as tables of the job file."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field

from .. import units
from . import forms
from .day import TIMES_AT
from .drape import DrapeSpec
from .forms import Mark, Point, amount, length, share
from .table import LATER, MEMORY, OURS, PRACTICE, Table

Face = Literal["out", "in"]
Join = Literal["lap", "butt"]
LoadWay = Literal["forward", "up"] | float | tuple[Point, Point]
View = Literal["port", "starboard", "above", "below", "ahead", "astern"]

_CREASE = amount(units.angle_deg, units.text_deg, 5, 150, "30 deg")
_SCALE = length(0.5, 200, "10 mm")
_LAP = length(1, 2000, "60 mm")
_BUTT = amount(units.angle_deg, units.text_deg, 0, 60, "30 deg")
_RADIUS = length(0.5, 2000, "12 mm")


class TapeSpec(Table):
    """An outline marked on the hull with coloured tape or pen and seen by the scanner."""

    colour: Annotated[str | None, forms.COLOUR] = Field(
        default=None, description="Colour of the tape on the scan. Either this or colour_at."
    )
    colour_at_mm: Annotated[Point | None, forms.POINT] = Field(
        default=None, alias="colour_at", description="A point on the tape, whose colour is taken. Either this or colour."
    )
    edge: Literal["inner", "centre", "outer"] = Field(
        default="inner", description="Which line of the tape is the outline."
    )
    seed_mm: Annotated[Point | None, forms.POINT] = Field(
        default=None,
        alias="seed",
        description="A point inside the area to laminate; it tells the inside from the outside. Left out: the tape bounds one "
        "area only.",
    )
    gap_mm: Annotated[float, length(0, 500, "20 mm"), OURS] = Field(
        default=20.0, alias="gap", description="Breaks in the tape up to this length are bridged."
    )


class FaceSpec(Table):
    """A face of the hull up to the creases that bound it."""

    seed_mm: Annotated[Point, forms.POINT] = Field(alias="seed", description="A point on the face.")
    angle_deg: Annotated[float, _CREASE, OURS] = Field(
        default=30.0, alias="angle", description="The least turn of the surface that counts as a crease."
    )
    scale_mm: Annotated[float, _SCALE, OURS] = Field(
        default=10.0, alias="scale", description="The width within which that turn has to happen; above the scan's noise."
    )


class FilletSpec(Table):
    """A fillet of putty run into the corner before the cloth is laid."""

    radius_mm: Annotated[float, _RADIUS] = Field(alias="radius", description="Radius of the rounded tool it is drawn with.")
    density_g_cm3: Annotated[float, amount(units.density_g_cm3, units.text_density, 0.2, 3.0, "0.9 g/cm^3"), MEMORY] = (
        Field(default=0.9, alias="density", description="Density of the mixed putty; light fillers lower it.")
    )
    loss: Annotated[float, share(0.0, 2.0, "20 %"), PRACTICE] = Field(
        default=0.20, description="Putty that ends on the board and the tools, as a share of what stays in the corner."
    )
    over: Annotated[Literal["gelled", "wet"], PRACTICE] = Field(
        default="gelled",
        description="gelled: cloth goes over the putty once it has gelled, firm to the thumb and still tacky; wet: cloth goes on the wet "
        "putty, and the bag must be down before the putty sets.",
    )
    gels: Annotated[tuple[tuple[float, float], ...] | None, TIMES_AT] = Field(
        default=None,
        description="When the putty has gelled, time at temperature; left out: as long as a thin layer of the resin stays workable, or, "
        "under wet cloth, no longer than the pot life of so much putty.",
    )
    run_mm_min: Annotated[float, length(10, 5000, "300 mm"), MEMORY] = Field(
        default=300.0, alias="run_per_minute", description="Length of fillet that is mixed, run and wiped in a minute."
    )


class CornerSpec(Table):
    """The corner where two surfaces meet, as for tabbing: cloth up each side of it."""

    seed_mm: Annotated[Point, forms.POINT] = Field(alias="seed", description="A point near the corner line.")
    laps_mm: Annotated[tuple[float, float], forms.LAPS] = Field(
        alias="laps",
        description="How far the cloth reaches from the corner line up the first side and up the second, along the surface.",
    )
    first_mm: Annotated[Point | None, forms.POINT] = Field(
        default=None, alias="first", description="A point on the first side; left out: the larger side is the first."
    )
    angle_deg: Annotated[float, _CREASE, OURS] = Field(
        default=30.0, alias="angle", description="The least turn of the surface that counts as a corner."
    )
    scale_mm: Annotated[float, _SCALE, OURS] = Field(
        default=10.0, alias="scale", description="The width within which that turn has to happen; above the scan's noise."
    )
    section: Literal["auto", "plane", "round", "smooth", "foil"] = Field(
        default="auto",
        description="Shape of the second side's section, where a noisy scan needs to be told: round for a tube, foil for a "
        "skeg or rudder, plane for a bulkhead.",
    )
    fillet: FilletSpec | None = Field(
        default=None, description="Putty run into the corner first; laps then count from the fillet's middle line."
    )


class DrawnSpec(Table):
    """An outline drawn in a plane and laid on the hull square to that plane."""

    file: Annotated[Path | None, forms.FILE] = Field(
        default=None, description="A DXF file with closed lines. Either this or outline."
    )
    layer: Annotated[str | None, forms.TEXT] = Field(
        default=None, description="Take the lines of this layer of the file only."
    )
    unit: Literal["m", "cm", "mm", "in", "ft"] | None = Field(
        default=None, description="Unit of the numbers in the file; may be left out where the file states it."
    )
    outline_mm: Annotated[tuple[tuple[float, float], ...] | None, forms.OUTLINE2] = Field(
        default=None, alias="outline", description="Corners of the outline in the drawing. Either this or file."
    )
    origin_mm: Annotated[Point, forms.POINT] = Field(
        alias="origin", description="Where the drawing's zero point lies in the mesh."
    )
    x: Annotated[Point | None, forms.VECTOR, Mark("the boat's forward")] = Field(
        default=None, description="Which way the drawing's x points in the mesh."
    )
    y: Annotated[Point | None, forms.VECTOR, Mark("the boat's up")] = Field(
        default=None, description="Which way the drawing's y points in the mesh."
    )
    side: Literal["near", "far"] = Field(
        default="near", description="Which side of the hull it falls on, seen by one who looks at the drawing face on."
    )


class SpotSpec(Table):
    """A round patch, as over nicked fibres or a ground-out hole."""

    point_mm: Annotated[Point, forms.POINT] = Field(alias="point", description="Its middle, on the surface.")
    radius_mm: Annotated[float, _RADIUS] = Field(alias="radius", description="Its radius along the surface.")


class Area(Table):
    """A part of the surface, said in one of several ways."""

    outline_mm: Annotated[tuple[Point, ...] | None, forms.OUTLINE] = Field(
        default=None, alias="outline", description="Corners of the area on the surface."
    )
    seen_from: Annotated[View | Point | None, forms.VIEW] = Field(
        default=None,
        description="With outline: join its points by lines that are straight seen from here, a side of the boat or a "
        "direction; left out: by the shortest lines along the surface.",
    )
    seed_mm: Annotated[Point | None, forms.POINT] = Field(
        default=None,
        alias="seed",
        description="With outline: a point inside the area; left out: the side that the edge of the mesh does not bound, or the smaller one.",
    )
    tape: TapeSpec | None = Field(default=None, description="Coloured tape or pen that marks the area.")
    face: FaceSpec | None = Field(default=None, description="A face up to its creases.")
    drawn: DrawnSpec | None = Field(default=None, description="An outline drawn in a plane and laid on the hull.")
    spot: SpotSpec | None = Field(default=None, description="A round patch.")
    tolerance_mm: Annotated[float, length(0.01, 500, "10 mm"), OURS] = Field(
        default=10.0, alias="tolerance", description="How far points of an outline may lie off the surface."
    )


class Opening(Area):
    """An area taken out of a region, such as that of a through-hull fitting."""

    margin_mm: Annotated[float, length(0, 1000, "20 mm"), OURS] = Field(
        default=0.0, alias="margin", description="How far the cloth stays clear of it, along the surface."
    )


class SplitSpec(Table):
    """A line across the area, and the side of it to keep."""

    line_mm: Annotated[tuple[Point, ...], forms.POINTS] = Field(
        alias="line", description="Two or more points of the line, which runs from edge to edge of the area."
    )
    keep_mm: Annotated[Point, forms.POINT] = Field(alias="keep", description="A point on the side to keep.")


class StepSpec(Table):
    """How each ply is wider or narrower than the one before."""

    step_mm: Annotated[float | None, length(0.1, 500, "12 mm")] = Field(
        default=None, alias="step", description="Step from ply to ply, along the surface. Either this or taper."
    )
    taper: Annotated[float | None, forms.TAPER] = Field(
        default=None,
        description="Length of the step over the thickness of the ply, as 20:1. Either this or step. Published: 50:1 for scarfs "
        "(FAA AC 43.13-1B), 20:1 to 120:1 in repair guides; as a step 6 to 13 mm a ply.",
    )
    order: Literal["smallest first", "largest first"] = Field(
        default="smallest first", description="Whether the first ply is the smallest or the largest."
    )


class CutSpec(Table):
    """A cut placed by hand: a dart that ends inside, a line from edge to edge, or a gusset."""

    line_mm: Annotated[tuple[Point, ...], forms.POINTS] = Field(
        alias="line",
        description="Two or more points on the surface; the first on the ply's edge. A gusset has two: the middle of its wedge "
        "on the edge, and its tip.",
    )
    kind: Annotated[Literal["cut", "gusset"], OURS] = Field(
        default="cut",
        description="gusset: a wedge let in, as wide as the cloth has angle to spare round the tip; cut: a dart or a line across.",
    )


_GRAIN = forms.amount(forms.units.angle_deg, forms.units.text_deg, 0.0, 15.0, "2 deg")


class PlySpec(Table):
    """One ply; the first in the file is laid first.

    ``face_up`` is filled from the cloth once the job is read.
    """

    cloth: Annotated[str, forms.named("carbon twill 200")] = Field(description="Name of one of the cloths below.")
    angle_deg: Annotated[float, forms.ANGLE] = Field(
        alias="angle", description="Angle of the cloth's warp to the region's warp line, anticlockwise seen from the air side."
    )
    grow_mm: Annotated[float, length(-2000, 2000, "0 mm", "-20 mm"), OURS] = Field(
        default=0.0, alias="grow", description="Moves the outline along the surface: + outward, - inward."
    )
    laps_mm: Annotated[tuple[float, float] | None, forms.LAPS, Mark("the corner's")] = Field(
        default=None, alias="laps", description="At a corner only: this ply's own laps up the first and the second side."
    )
    face_up: Annotated[Face | None, Mark("the cloth's")] = Field(
        default=None, description="Overrules the cloth's own face_up for this ply."
    )
    copies: Annotated[int, OURS] = Field(
        default=1, ge=1, le=100, strict=True, description="How many of this ply are laid, one on the other."
    )
    grain_deg: Annotated[float, _GRAIN, OURS] = Field(
        default=0.0,
        alias="grain",
        description="How far its pieces may be turned off their angle on the roll to save cloth; lists say how far each is.",
    )
    join: Annotated[Join | None, Mark("the region's")] = Field(
        default=None, description="lap or butt, for this ply's own pieces."
    )
    load: Annotated[LoadWay | None, forms.LOAD, Mark("the region's")] = Field(
        default=None, description="Direction in which this ply is loaded, said as for the region."
    )


class PortsSpec(Table):
    """Where vacuum port and gauge of a region's bag stand, and what they keep off."""

    vacuum_mm: Annotated[Point | None, forms.POINT, Mark("chosen")] = Field(
        default=None, alias="vacuum", description="Where the vacuum port stands; left out: a place is chosen."
    )
    gauge_mm: Annotated[Point | None, forms.POINT, Mark("chosen")] = Field(
        default=None, alias="gauge", description="Where the gauge stands; left out: a place is chosen."
    )
    thin_mm: Annotated[tuple[Point, ...], forms.POINTS, OURS] = Field(
        default=(), alias="thin", description="Points on thin skins, hollow tubes and the like, which no port may stand on."
    )
    thin_within_mm: Annotated[float, length(1, 5000, "150 mm"), PRACTICE] = Field(
        default=150.0, alias="thin_within", description="How far ports stay from those points."
    )


class RegionSpec(Area):
    """An area to laminate and its plies."""

    name: Annotated[str, forms.named("bow panel")] = Field(description="Name of the area; becomes part of file names.")
    mesh: Annotated[str, forms.named("hull")] = Field(description="Name of one of the meshes above.")
    bag: Annotated[str | None, forms.named("standard")] = Field(
        default=None, description="Name of one of the bag stacks below; left out: no bag is worked out."
    )
    warp: Annotated[Literal["forward", "up", "corner"] | tuple[Point, Point], forms.WARP, OURS] = Field(
        default="forward",
        description="The line that ply angles count from: a direction of the boat, along the corner, or two points.",
    )
    corner: CornerSpec | None = Field(default=None, description="The corner where two surfaces meet.")
    mirror_of: Annotated[str | None, forms.named("port bow")] = Field(
        default=None, description="Name of a region on the other side of the boat, whose mirror image this is."
    )
    round_mm: Annotated[float, length(0, 1000, "20 mm"), OURS] = Field(
        default=0.0, alias="round", description="Radius to which outward corners of the outline are rounded."
    )
    plus: tuple[Area, ...] = Field(default=(), description="Areas added to it.")
    minus: tuple[Opening, ...] = Field(default=(), description="Areas taken out of it, such as fittings.")
    split: SplitSpec | None = Field(default=None, description="A line across it, and the side to keep.")
    seams_mm: Annotated[tuple[Point, ...], forms.POINTS, OURS] = Field(
        default=(),
        alias="seams",
        description="Points where a ring round an opening is to be opened; left out: the places are chosen.",
    )
    pieces: Annotated[int, Mark("chosen by strain and roll width")] = Field(
        default=0,
        ge=0,
        le=50,
        strict=True,
        description="Equal pieces a ring round an opening is cut into; 0: the number is chosen.",
    )
    seam_shift_mm: Annotated[float, length(-2000, 2000, "40 mm"), OURS] = Field(
        default=0.0,
        alias="seam_shift",
        description="With seams: how far each ply's seams lie from those of the ply below, along the rim of the opening.",
    )
    darts: Annotated[int, OURS] = Field(
        default=0, ge=0, le=50, strict=True, description="Most cuts a ply may get so that its strain comes within the limit."
    )
    cut_kinds: Annotated[tuple[Literal["dart", "split", "gusset"], ...], forms.CUT_KINDS, OURS] = Field(
        default=("dart", "split", "gusset"),
        description="Kinds of cuts that may be chosen: darts from the edge inward, splits from edge to edge, gussets let in where "
        "the surface is saddled.",
    )
    drape: DrapeSpec | None = Field(default=None, description="How cloth that is laid by its threads goes on it.")
    cuts: tuple[CutSpec, ...] = Field(alias="cut", default=(), description="Cuts placed by hand in every ply.")
    keep_off_mm: Annotated[tuple[Point, ...], forms.POINTS, OURS] = Field(
        default=(), alias="keep_off", description="Points that no cut may come near, such as along a loaded corner."
    )
    clear_mm: Annotated[float, length(0, 1000, "50 mm"), OURS] = Field(
        default=50.0, alias="clear", description="How far cuts keep from those points."
    )
    panels: Annotated[int, OURS] = Field(
        default=1,
        ge=1,
        le=50,
        strict=True,
        description="Strips along its warp that each piece is laid in at least; more where the roll is too narrow.",
    )
    join: Annotated[Join, OURS] = Field(
        default="lap",
        description="How pieces of a ply meet. butt: edge to edge, but only where the join runs along the load; every other "
        "one is lapped.",
    )
    load: Annotated[LoadWay | None, forms.LOAD] = Field(
        default=None,
        description="Direction in which the plies are loaded: forward, up, an angle to the warp line (anticlockwise seen "
        "from the air side) or two points.",
    )
    butt_within_deg: Annotated[float, _BUTT, OURS] = Field(
        default=30.0, alias="butt_within", description="How far a join may run off the load and still be butted."
    )
    ports: PortsSpec | None = Field(default=None, description="Where the ports of its bag stand, and what they keep off.")
    stack: Annotated[Literal["where it matters", "always", "never"], OURS] = Field(
        default="where it matters",
        description="Whether a ply's shape allows for the thickness of those below, which lengthens it over outer bends and "
        "shortens it in hollows. where it matters: by more than 0.5 mm, or 0.2 % of a length across it.",
    )
    steps: StepSpec | None = Field(
        default=None, description="Steps from ply to ply, added to each ply's own grow or laps."
    )
    plies: tuple[PlySpec, ...] = Field(default=LATER, alias="ply", min_length=1, description="The plies, first laid first.")

"""The job: what the builder states, in the units used inside.

Keys of the file are the fields' aliases. A field's annotation holds the `Form` in which its value is written, and the
`Mark` of its default's source; the reader, the resolved copy and the published schema all follow from these.
"""

from __future__ import annotations

import math
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Any, ClassVar, Literal, Self, TypeVar

from pydantic import (
    Field,
    ModelWrapValidatorHandler,
    PrivateAttr,
    ValidationError,
    ValidationInfo,
    model_validator,
)
from pydantic_core import InitErrorDetails, PydanticCustomError

from .. import units
from ..errors import QuantityError
from . import forms
from .area import Area, Face, LoadWay, PortsSpec, RegionSpec
from .at_hand import NAMES, AtHand, settled
from .checks import across, currencies
from .datum import Datum
from .day import TIMES_AT, Clock, Cure, Finishing, OwnNumbers, Place, Ranges, Service, VacuumSpec, Waste
from .drape import DIAGONALS, LOCK, TOWS, WITHOUT_NET, CutBy, Weave
from .files import Files
from .film import FilmKeys, HollowKeys, PulledKeys
from .forms import Mark, Point, amount, length, share
from .projector import Projector
from .table import (
    AREAL,
    EDGE,
    GAP,
    LATER,
    MARGIN,
    MEMORY,
    OURS,
    PRACTICE,
    PSI,
    ROLL_LENGTH,
    ROLL_WIDTH,
    STRAIN,
    Table,
    filled,
)

AnyArea = TypeVar("AnyArea", bound=Area)
Kind = Literal["peel ply", "release film", "breather", "bag film", "sealant tape"]
CornerWay = Literal["through", "slit", "lap"]
Fibre = Literal["carbon", "glass", "aramid", "flax", "other"]

FIBRE_DENSITY_G_CM3: dict[str, float] = {"carbon": 1.80, "glass": 2.56, "aramid": 1.44, "flax": 1.50}
"""Typical densities, from memory of textbooks; a data sheet is better."""
TAPE_G_M = 50.0
"""Sealant tape of 12 x 3 mm, common practice."""


_FIBRE_DENSITY = amount(units.density_g_cm3, units.text_density, 0.5, 5.0, "1.8 g/cm^3")


class CheckDistance(Table):
    """A distance known from the boat, to catch a wrong unit or scale."""

    from_mm: Annotated[Point, forms.POINT] = Field(alias="from", description="First point, on the mesh.")
    to_mm: Annotated[Point, forms.POINT] = Field(alias="to", description="Second point, on the mesh.")
    distance_mm: Annotated[float, length(1, 1e5, "1200 mm")] = Field(
        alias="distance", description="Straight distance between the two, as measured on the boat."
    )
    tolerance: Annotated[float, share(0.0001, 0.5, "0.5 %"), PRACTICE] = Field(
        default=0.005, description="How far mesh and tape measure may differ."
    )


class Mesh(Table):
    """A scan or model file.

    ``file`` is held as a full path once the job is read.
    """

    file: Annotated[Path, forms.FILE] = Field(
        description="The mesh file, seen from the job file's folder."
    )
    unit: Literal["m", "cm", "mm", "in", "ft"] | None = Field(
        default=None, description="Unit of the numbers in the mesh file; may be left out where the file states it."
    )
    smooth_mm: Annotated[float | None, length(0.1, 500, "8 mm")] = Field(
        default=None, alias="smooth", description="Take out scan noise smaller than this; left out: no smoothing."
    )
    fill_holes_mm: Annotated[float, length(0, 5000, "60 mm"), PRACTICE] = Field(
        default=50.0,
        alias="fill_holes",
        description="Holes up to this diameter (perimeter over pi) are closed; larger ones are real openings and stay.",
    )
    keep: Literal["largest", "all"] = Field(
        default="largest", description="Which of several loose pieces of the mesh to keep."
    )
    mend_steps_mm: Annotated[float, length(0, 20, "2 mm"), OURS] = Field(
        default=0.0,
        alias="mend_steps",
        description="Ramp over ledges up to this high, as stitching leaves them; 0: leave them and say where they are.",
    )
    mirror: bool = Field(
        default=False, strict=True, description="true: the other half of a half model, mirrored in the boat's centre plane."
    )
    check_distance: CheckDistance | None = Field(
        default=None, description="A distance known from the boat, to catch a wrong unit or scale."
    )


class Boat(Table):
    """Which way the boat lies in the mesh's coordinates."""

    forward: Annotated[Point, forms.VECTOR, OURS] = Field(
        default=(1.0, 0.0, 0.0), description="Direction towards the bow, in the mesh's coordinates."
    )
    up: Annotated[Point, forms.VECTOR, OURS] = Field(
        default=(0.0, 0.0, 1.0), description="Direction upwards, in the mesh's coordinates."
    )
    centre_mm: Annotated[Point, forms.POINT, OURS] = Field(
        default=(0.0, 0.0, 0.0), alias="centre", description="A point of the centre plane, which mirrors port to starboard."
    )

    @property
    def port(self) -> Point:
        """Unit vector to port, mm: upwards times forwards, made square to both."""
        (a, b, c), (x, y, z) = self.up, self.forward
        v = (b * z - c * y, c * x - a * z, a * y - b * x)
        size = math.hypot(*v)
        return v[0] / size, v[1] / size, v[2] / size

    def across_centre(self, point: Point) -> Point:
        """Return a point's mirror image in the centre plane, mm.

        Parameters
        ----------
        point : (3,) floats, mm
        """
        (x, y, z), (a, b, c), (u, v, w) = point, self.port, self.centre_mm
        off = 2 * ((x - u) * a + (y - v) * b + (z - w) * c)
        return x - off * a, y - off * b, z - off * c

    def direction(self, view: str | Point) -> Point:
        """Return the unit vector from the boat to who sees it from there.

        Parameters
        ----------
        view : str or (3,) floats
            A side of the boat, or a direction.
        """
        if not isinstance(view, str):
            return view
        pairs = (("port", "starboard", self.port), ("above", "below", self.up), ("ahead", "astern", self.forward))
        for plus, minus, v in pairs:
            if view in (plus, minus):
                return v if view == plus else (-v[0], -v[1], -v[2])
        raise QuantityError(f"{view!r} is no side of the boat", do=f"Use one of {', '.join(forms.VIEWS)}")


class Cloth(Table):
    """A cloth on its roll.

    ``gap_mm``, ``edge_mm`` and ``strain_limit`` are filled from [lay] and [limits] once the job is read.
    """

    areal_weight_g_m2: Annotated[float, AREAL] = Field(alias="areal_weight", description="Dry mass per area.")
    roll_width_mm: Annotated[float, ROLL_WIDTH] = Field(alias="roll_width", description="Whole width of the roll.")
    roll_length_mm: Annotated[float, ROLL_LENGTH] = Field(alias="roll_length", description="Length on one roll.")
    rolls: Annotated[int, OURS] = Field(
        default=1, ge=0, le=1000, strict=True, description="How many full rolls are in the shop; more may be bought."
    )
    buy: bool = Field(default=True, strict=True, description="false: no more rolls are to be had; what is at hand must do.")
    at_hand: tuple[AtHand, ...] = Field(
        default=(), description="Rolls begun and remnants in the shop; remnants are used first where that saves cloth."
    )
    price_per_m: Annotated[float | None, forms.PER_M] = Field(
        default=None, alias="price", description="Price of a metre off the roll."
    )
    fibre: Fibre = Field(description="What the fibre is; it gives the fibre's density where that is left out.")
    fibre_density_g_cm3: Annotated[float, _FIBRE_DENSITY, MEMORY] = Field(
        default=LATER, alias="fibre_density", description="Density of the fibre itself, not of the cloth."
    )
    thickness_mm: Annotated[float | None, length(0.01, 20, "0.25 mm"), Mark("by its weight and the share of fibre")] = Field(
        default=None, alias="thickness", description="Thickness of one ply in the finished laminate, where you have measured it."
    )
    face_up: Face = Field(
        description="Which way the face that lies up on the cutting table ends: out (air side) or in (against the hull)."
    )
    turns_deg: Annotated[tuple[float, ...] | None, forms.TURNS, OURS] = Field(
        default=(0.0, 180.0), alias="turns", description='How a piece may be turned on the roll; "free" for any turn.'
    )
    fold: bool = Field(
        default=False,
        strict=True,
        description="true: mirrored pieces, such as port and starboard, are cut together from cloth folded face to face.",
    )
    gap_mm: Annotated[float, GAP, Mark("that of [lay]")] = Field(
        default=LATER, alias="gap", description="Least gap between pieces on the roll; left out: that of [lay]."
    )
    edge_mm: Annotated[float, EDGE, Mark("that of [lay]")] = Field(
        default=LATER, alias="edge", description="Selvedge to keep clear on both sides; left out: that of [lay]."
    )
    strain_limit: Annotated[float, STRAIN, Mark("that of [limits]")] = Field(
        default=LATER, description="Strain this cloth takes without wrinkling; left out: that of [limits]."
    )
    weave: Weave | None = Field(
        default=None,
        description="What kind of cloth it is; it says how far it shears, and whether it is laid by its threads. Left out: it "
        "is cut by flatten.",
    )
    cut_by: Annotated[CutBy, Mark("by its weave")] = Field(
        default=LATER,
        description="drape: threads keep their lengths and the cloth shears, as woven and biaxial cloth does; flatten: it "
        "gives evenly all ways, as mat and felt do. Left out: drape where the weave has threads that cross.",
    )
    lock_deg: Annotated[float | None, LOCK, Mark("typical of its weave")] = Field(
        default=None, alias="lock", description="Shear at which it puckers, where you know it."
    )
    lock_back_deg: Annotated[float | None, LOCK, Mark("the same as lock")] = Field(
        default=None,
        alias="lock_back",
        description="The same when it is pulled along the other bias, which differs in stitched cloth.",
    )
    bias_test_mm: Annotated[tuple[float, float] | None, DIAGONALS] = Field(
        default=None,
        alias="bias_test",
        description="Both diagonals of a square drawn along the threads and pulled by two corners (towards +warp and +weft) "
        "until it puckered: the pulled one first.",
    )
    bias_test_back_mm: Annotated[tuple[float, float] | None, DIAGONALS, Mark("the same as bias_test")] = Field(
        default=None, alias="bias_test_back", description="The same for a square pulled by its other two corners."
    )
    tows_mm: Annotated[tuple[float, float] | None, TOWS] = Field(
        default=None, alias="tows", description="Width of a tow, and the spacing from middle to middle; they say when tows touch."
    )

    @model_validator(mode="after")
    def _fill(self) -> Self:
        if self.cut_by is None:
            crossing = self.weave is not None and self.weave not in WITHOUT_NET
            self.__dict__["cut_by"] = "drape" if crossing else "flatten"
        if self.fibre_density_g_cm3 is None:
            self.__dict__["fibre_density_g_cm3"] = FIBRE_DENSITY_G_CM3.get(self.fibre)
        return self


STRESS = amount(units.stress_mpa, lambda v: f"{units.number_text(v)} MPa", 0.1, 1e5, "35 MPa")


class Consumable(PulledKeys, Table):
    """A material of the bag: a sheet on its roll, or sealant tape."""

    kind: Kind = Field(description="What it is; a layer of the bag takes its own kind only.")
    areal_weight_g_m2: Annotated[float | None, AREAL] = Field(
        default=None, alias="areal_weight", description="Mass per area; sheets only."
    )
    mass_g_m: Annotated[
        float | None, amount(units.mass_per_length_g_m, units.text_mass_per_length, 1, 2000, "50 g/m"), PRACTICE
    ] = Field(default=None, alias="mass_per_length", description="Mass per length; sealant tape only.")
    roll_width_mm: Annotated[float | None, ROLL_WIDTH] = Field(
        default=None, alias="roll_width", description="Whole width of the roll; sheets only."
    )
    roll_length_mm: Annotated[float, ROLL_LENGTH] = Field(alias="roll_length", description="Length on one roll.")
    rolls: Annotated[int, OURS] = Field(
        default=1, ge=0, le=1000, strict=True, description="How many full rolls are in the shop; more may be bought."
    )
    buy: bool = Field(default=True, strict=True, description="false: no more rolls are to be had; what is at hand must do.")
    at_hand: tuple[AtHand, ...] = Field(
        default=(), description="Rolls begun and remnants in the shop; remnants are used first where that saves cloth."
    )
    price_per_m: Annotated[float | None, forms.PER_M] = Field(
        default=None, alias="price", description="Price of a metre off the roll."
    )
    thickness_mm: Annotated[float | None, length(0.001, 50, "0.05 mm")] = Field(
        default=None, alias="thickness", description="Thickness as it lies on the roll."
    )
    holds_g_m2: Annotated[float | None, AREAL] = Field(
        default=None,
        alias="holds",
        description="Resin it takes up when full, from weighing a wet square of your own; peel ply and breather only.",
    )
    hole_mm: Annotated[float | None, length(0.01, 10, "0.4 mm")] = Field(
        default=None, alias="hole", description="Diameter of the holes of a release film; with hole_pitch it tells how open it is."
    )
    hole_pitch_mm: Annotated[float | None, length(0.1, 500, "6.4 mm")] = Field(
        default=None, alias="hole_pitch", description="From one hole to the next, in a square pattern."
    )
    turns_deg: Annotated[tuple[float, ...] | None, forms.TURNS, OURS] = Field(
        default=None,
        alias="turns",
        description='How a piece may be turned on the roll; "free" for any turn. Left out: quarter turns; half turns '
        "for peel ply.",
    )

    @property
    def is_tape(self) -> bool:
        """Whether it comes as a line, not as a sheet."""
        return self.kind == "sealant tape"

    @model_validator(mode="after")
    def _fill(self) -> Self:
        if self.is_tape:
            if self.mass_g_m is None:
                self.__dict__["mass_g_m"] = TAPE_G_M
        elif "turns_deg" not in self.model_fields_set:
            half = self.kind == "peel ply"
            self.__dict__["turns_deg"] = (0.0, 180.0) if half else (0.0, 90.0, 180.0, 270.0)
        return self


class Layer(Table):
    """One layer of the bag: a material and how far it reaches beyond the largest ply."""

    material: Annotated[str, forms.named("peel ply 85")] = Field(description="Name of one of the consumables above.")
    margin_mm: Annotated[float, MARGIN] = Field(
        alias="margin", description="How far it reaches beyond the largest ply's edge, along the surface."
    )
    cut: Literal["shape", "sheet", "length", "two pieces", "envelope"] = Field(default="shape")


class SheetLayer(Layer):
    """A layer cut to the shape of the surface."""

    cut: Literal["shape"] = Field(default="shape", description="Cut to the shape of the surface.")
    corner: Annotated[CornerWay, OURS] = Field(
        default="through",
        description="At a line where the hull bends inwards more tightly than the bag's corner_radius: through: in one piece "
        "across it; slit: cut along it, the edges side by side; lap: cut along it, one side lapped over the other.",
    )
    corner_lap_mm: Annotated[float, length(1, 500, "25 mm"), PRACTICE] = Field(
        default=25.0,
        alias="corner_lap",
        description="With corner = \"lap\": how far one side goes over the other. Friction holds a long lap off the corner.",
    )


class PeelLayer(SheetLayer):
    """Peel ply."""

    margin_mm: Annotated[float, MARGIN, PRACTICE] = Field(
        default=25.0, alias="margin", description="How far it reaches beyond the largest ply's edge, along the surface."
    )


class ReleaseLayer(SheetLayer):
    """Perforated release film."""

    margin_mm: Annotated[float, MARGIN, PRACTICE] = Field(
        default=40.0, alias="margin", description="How far it reaches beyond the largest ply's edge, along the surface."
    )


class BreatherLayer(SheetLayer):
    """Breather."""

    margin_mm: Annotated[float, MARGIN, PRACTICE] = Field(
        default=75.0, alias="margin", description="How far it reaches beyond the largest ply's edge, along the surface."
    )


class TapeLayer(Layer):
    """Sealant tape."""

    margin_mm: Annotated[float, MARGIN, PRACTICE] = Field(
        default=100.0, alias="margin", description="Where the tape runs: this far beyond the largest ply's edge."
    )
    overlap_mm: Annotated[float, length(0, 500, "25 mm"), PRACTICE] = Field(
        default=25.0, alias="overlap", description="How far the tape's end runs past its start on each loop."
    )
    cut: Literal["length"] = Field(default="length", description="Laid as a line.")
    mask_mm: Annotated[float | None, length(0, 500, "50 mm"), Mark("as far as the film")] = Field(
        default=None,
        alias="mask",
        description="How far beyond the tape's line the hull is masked, from the tape's outer edge, so that residue comes off with "
        "the masking; 0: none; left out: as far as the film.",
    )
    corner_extra_mm: Annotated[float, length(0, 500, "50 mm"), PRACTICE] = Field(
        default=50.0, alias="corner_extra", description="Tape pressed in once more where the line runs through an inside corner."
    )
    spare: Annotated[float, share(0.0, 1.0, "10 %"), PRACTICE] = Field(
        default=0.10, description="Tape kept by for leaks, as a share of what is laid."
    )


class FilmLayer(FilmKeys, Layer):
    """Bag film."""

    margin_mm: Annotated[float, MARGIN, PRACTICE] = Field(
        default=50.0, alias="margin", description="How far the film reaches beyond the tape, along the surface."
    )
    cut: Literal["shape", "sheet", "two pieces", "envelope"] = Field(
        default="sheet",
        description="sheet: a rectangle that reaches every corner; shape: cut to the surface; two pieces: one piece on each side of "
        "the tight inside corners, joined flat with tape along them; envelope: a pouch round the whole part, sealed upon itself.",
    )
    seam_mm: Annotated[float, length(5, 200, "20 mm"), PRACTICE] = Field(
        default=20.0, alias="seam", description="From a piece's edge to the middle of the tape, where two edges are joined flat."
    )
    girth_mm: Annotated[float | None, length(20, 5e4, "900 mm")] = Field(
        default=None,
        alias="girth",
        description="With cut = \"envelope\": the way round the part, where the mesh does not show all of it.",
    )
    slack_mm: Annotated[float, length(0, 5000, "0 mm"), OURS] = Field(
        default=0.0, alias="slack", description="Film added to length and to width, beyond what the surface needs."
    )
    yield_mpa: Annotated[float, STRESS, MEMORY] = Field(
        default=35.0,
        alias="yield",
        description="Stress at which the film draws out without more force; it says how tight a film without slack bridges. "
        "About 35 MPa for nylon film, 10 MPa for soft polyethylene.",
    )
    friction: Annotated[float, PRACTICE] = Field(
        default=0.3, gt=0.0, le=2.0, description="Friction of the film on what lies under it, 0.2 to 0.5."
    )
    pleat_margin_mm: Annotated[float, length(0, 500, "15 mm"), PRACTICE] = Field(
        default=15.0, alias="pleat_margin", description="Added to the height of each pleat."
    )
    join_mm: Annotated[float, length(10, 500, "50 mm"), PRACTICE] = Field(
        default=50.0, alias="join", description="How far two sheets overlap where they are taped together, the roll being too narrow."
    )


class PortRules(Table):
    """What the ports of a bag keep clear of."""

    clear_mm: Annotated[float, length(0, 1000, "50 mm"), PRACTICE] = Field(
        default=50.0, alias="clear", description="How far the middle of a port stays outside the laminate, along the surface."
    )
    apart_mm: Annotated[float, length(0, 1000, "60 mm"), PRACTICE] = Field(
        default=60.0, alias="apart", description="How far it stays from pleats and from corner lines."
    )
    base_mm: Annotated[float, length(5, 300, "50 mm"), PRACTICE] = Field(
        default=50.0, alias="base", description="Diameter of a port's base."
    )


class Bag(HollowKeys, Table):
    """A bag stack, from the laminate outwards."""

    peel_ply: PeelLayer | None = Field(default=None, description="Peel ply, on the laminate.")
    release_film: ReleaseLayer | None = Field(default=None, description="Perforated release film.")
    breather: BreatherLayer | None = Field(default=None, description="Breather.")
    tape: TapeLayer = Field(description="Sealant tape.")
    film: FilmLayer = Field(description="Bag film.")
    over_openings: bool = Field(
        default=False,
        strict=True,
        description="true: the bag runs over what the area surrounds, such as a skeg, and only an outer line of tape is "
        "laid; false: the bag is taped to it.",
    )
    corner_radius_mm: Annotated[float | None, length(0.5, 500, "20 mm"), Mark("the film's free radius")] = Field(
        default=None,
        alias="corner_radius",
        description="Inside corners tighter than this are bridged by layers that run through them in one piece; left out: the "
        "radius that the film draws to at full vacuum, its yield times its thickness over the pressure.",
    )
    ports: PortRules = Field(default_factory=PortRules, description="What vacuum port and gauge keep clear of.")

    KINDS: ClassVar[dict[str, str]] = {
        "peel_ply": "peel ply",
        "release_film": "release film",
        "breather": "breather",
        "tape": "sealant tape",
        "film": "bag film",
    }

    @property
    def mask_mm(self) -> float:
        """How far beyond the tape's line masking reaches: as stated, else as far as the film."""
        return self.film.margin_mm if self.tape.mask_mm is None else self.tape.mask_mm

    def layers(self) -> tuple[tuple[str, Layer], ...]:
        """Return (kind, layer) in the order they are laid."""
        found = ((kind, getattr(self, key)) for key, kind in self.KINDS.items())
        return tuple((kind, layer) for kind, layer in found if layer is not None)


class Resin(Table):
    """The resin system and how much of it stays."""

    name: Annotated[str, forms.TEXT] = Field(default="resin", description="What to call it on lists.")
    density_g_cm3: Annotated[float, amount(units.density_g_cm3, units.text_density, 0.8, 2.5, "1.15 g/cm^3"), MEMORY] = (
        Field(default=1.15, alias="density", description="Density of the cured resin.")
    )
    ratio: Annotated[tuple[float, float], forms.RATIO] = Field(
        description="Resin : hardener by mass, from the data sheet."
    )
    fibre_mass_fraction: Annotated[float, PSI] = Field(
        description="Share of fibre in the mass of the finished laminate."
    )
    wet_out_fibre_mass_fraction: Annotated[float, PSI, Mark("the final one")] = Field(
        default=LATER,
        alias="wet_out",
        description="Share of fibre when first wetted out, not above the final one; left out: the same.",
    )
    loss: Annotated[float, share(0.0, 1.0, "10 %"), PRACTICE] = Field(
        default=0.10, description="Left in cups and rollers, as a share of what reaches the cloth."
    )
    price_per_kg: Annotated[float | None, forms.PER_KG] = Field(
        default=None, alias="price", description="Price of a kilogram of resin and hardener mixed."
    )
    ratio_by_volume: Annotated[tuple[float, float] | None, forms.RATIO] = Field(
        default=None, description="Resin : hardener by volume, from the data sheet."
    )
    part_density_g_cm3: Annotated[
        float | None, amount(units.density_g_cm3, units.text_density, 0.8, 2.5, "1.15 g/cm^3")
    ] = Field(default=None, alias="part_density", description="Density of the liquid resin, for measuring by volume.")
    hardener_density_g_cm3: Annotated[
        float | None, amount(units.density_g_cm3, units.text_density, 0.7, 2.5, "0.98 g/cm^3")
    ] = Field(default=None, alias="hardener_density", description="Density of the hardener, for measuring by volume.")
    pot_life: Annotated[tuple[tuple[float, float], ...] | None, TIMES_AT] = Field(
        default=None, description="Pot life from the data sheet, time at temperature; two tell how it shortens with warmth."
    )
    pot_mass_g: Annotated[float, amount(units.mass_g, units.text_g, 1, 1e5, "100 g"), PRACTICE] = Field(
        default=100.0, alias="pot_mass", description="Mass in the pot that the pot life was measured with."
    )
    open_time: Annotated[tuple[tuple[float, float], ...] | None, TIMES_AT] = Field(
        default=None,
        description="How long a thin layer stays workable, time at temperature; left out: no longer than the pot life.",
    )
    in_shop_g: Annotated[float | None, amount(units.mass_g, units.text_g, 0, 1e7, "2 kg")] = Field(
        default=None, alias="in_shop", description="Resin and hardener in the shop, together."
    )

    @model_validator(mode="after")
    def _fill(self) -> Self:
        if self.wet_out_fibre_mass_fraction is None:
            self.__dict__["wet_out_fibre_mass_fraction"] = self.fibre_mass_fraction
        return self


class Laps(Table):
    """Laps, margins and marks of the pieces."""

    join_mm: Annotated[float, length(0, 500, "25 mm"), PRACTICE] = Field(
        default=25.0, alias="join", description="Lap where two pieces of a ply join."
    )
    trim_mm: Annotated[float, length(0, 500, "10 mm"), PRACTICE] = Field(
        default=10.0, alias="trim", description="Cloth left beyond the net outline, to trim off."
    )
    stagger_mm: Annotated[float, length(0, 2000, "75 mm"), PRACTICE] = Field(
        default=75.0, alias="stagger", description="Distance of lap centre-lines of neighbouring plies."
    )
    notch_every_mm: Annotated[float, length(5, 5000, "150 mm"), OURS] = Field(
        default=150.0, alias="notch_every", description="Distance of match marks along a join."
    )
    notch_mm: Annotated[float, length(0, 50, "6 mm"), OURS] = Field(
        default=6.0, alias="notch", description="Size of a match mark."
    )
    notch_style: Annotated[Literal["slit", "V", "U", "castle", "T", "check", "drawn"], OURS] = Field(
        default="slit", description="Shape of a match mark that is cut, or drawn alone."
    )


class Limits(Table):
    """When to warn."""

    strain: Annotated[float, STRAIN, MEMORY] = Field(
        default=0.03, description="Strain a cloth takes without wrinkling, where its own table does not say."
    )
    over_share: Annotated[float, share(0.0, 1.0, "5 %"), OURS] = Field(
        default=0.05, description="Share of the area that may lie above the limit before a warning."
    )
    pieces: Annotated[int, OURS] = Field(
        default=4, ge=1, le=50, strict=True,
        description="Most pieces a ring may be opened into, or a woven ply that cannot be laid by its threads whole cut into.",
    )
    bridging_mm: Annotated[float, length(0.5, 200, "3 mm"), OURS] = Field(
        default=3.0, alias="bridging", description="How far the film may stand off the hull in a corner."
    )


class LaySpec(Table):
    """How pieces are laid out on the rolls."""

    seconds: Annotated[float, amount(units.time_s, units.text_s, 0.1, 86400, "20 s", "5 min"), OURS] = Field(
        default=20.0, description="Time to search for short lay-outs, over the whole job."
    )
    gap_mm: Annotated[float, GAP, OURS] = Field(
        default=5.0, alias="gap", description="Least gap between pieces on a roll."
    )
    edge_mm: Annotated[float, EDGE, OURS] = Field(
        default=10.0, alias="edge", description="Selvedge to keep clear on both sides of a roll."
    )
    seed: Annotated[int, OURS] = Field(
        default=1,
        ge=0,
        le=2**31 - 1,
        strict=True,
        description="Start of the random search. With tries, the same seed gives the same lays; a search by time does not.",
    )
    tries: Annotated[int, OURS] = Field(
        default=0,
        ge=0,
        le=100000,
        strict=True,
        description="Search by this count instead of by time, so that lays come out the same each time; 0: by time.",
    )
    table_mm: Annotated[float | None, length(200, 1e5, "3 m")] = Field(
        default=None,
        alias="table",
        description="Length of the cutting table: each roll is laid in sections no longer than this, no piece across two.",
    )
    keep: Annotated[Literal["ply", "region", "nothing"], OURS] = Field(
        default="nothing", description="Pieces of a ply, or of a region, come from one roll wherever one holds them all."
    )
    first: Annotated[tuple[str, ...], NAMES, OURS] = Field(
        default=(), description="Regions whose pieces are given cloth and cut before the others, the first first."
    )


class Job(Table):
    """Everything the builder states about a job.

    Make one with `read_job` or `job_from_text`. Values that the file leaves out are filled in.
    """

    version: Literal[1] = Field(description="Version of the job file's form.")
    name: Annotated[str, forms.TEXT] = Field(description="What to call the job on sheets and labels.")
    currency: Annotated[str | None, forms.CURRENCY, Mark("that of the first price")] = Field(
        default=None, description="Currency of all prices; left out: that of the first price."
    )
    meshes: dict[str, Mesh] = Field(alias="mesh", min_length=1, description="Scans and models, by name.")
    boat: Boat = Field(default_factory=Boat, description="Which way the boat lies in the mesh's coordinates.")
    regions: tuple[RegionSpec, ...] = Field(alias="region", min_length=1, description="The areas to laminate.")
    cloths: dict[str, Cloth] = Field(alias="cloth", min_length=1, description="Cloths, by name.")
    consumables: dict[str, Consumable] = Field(
        default_factory=dict, alias="consumable", description="Materials of the bag, by name."
    )
    bags: dict[str, Bag] = Field(default_factory=dict, alias="bag", description="Bag stacks, by name.")
    resin: Resin | None = Field(default=None, description="Resin system; left out: no resin is worked out.")
    laps: Laps = Field(default_factory=Laps, description="Laps, margins and marks of the pieces.")
    limits: Limits = Field(default_factory=Limits, description="When to warn.")
    lay: LaySpec = Field(default_factory=LaySpec, description="How pieces are laid out on the rolls.")
    files: Files = Field(default_factory=Files, description="Which files are written for bench and machine.")
    data: tuple[Datum, ...] = Field(
        default=(),
        alias="datum",
        description="Points of the hull that can be found again; from two or more on a mesh its regions are marked on the hull by tape.",
    )
    projectors: tuple[Projector, ...] = Field(
        default=(), alias="projector", description="Projectors that throw the edges of plies on the hull."
    )
    place: Place = Field(default_factory=Place, description="Where the work is done and what the air is like there.")
    vacuum: VacuumSpec = Field(default_factory=VacuumSpec, description="Pump, hoses and what the bag must hold.")
    clock: Clock = Field(default_factory=Clock, description="Speeds of working.")
    cure: Cure = Field(default_factory=Cure, description="How the resin hardens and is heated.")
    service: Service = Field(default_factory=Service, description="What the finished laminate must stand.")
    finish: Finishing = Field(default_factory=Finishing, description="Filler and paint on the finished laminate.")
    own: OwnNumbers = Field(default_factory=OwnNumbers, description="Whether your own recorded numbers are used.")
    ranges: Ranges = Field(default_factory=Ranges, description="How far quantities may honestly lie off.")
    waste: Waste = Field(default_factory=Waste, description="Small things used up, and a bag to use again.")

    _path: Path | None = PrivateAttr(default=None)
    _folder: Path | None = PrivateAttr(default=None)
    _own: dict[str, str] = PrivateAttr(default_factory=dict)

    @property
    def own_marks(self) -> dict[str, str]:
        """Values that come from the builder's own record, by their keys, each with its mark."""
        return dict(self._own)

    def with_own(self, tables: dict[str, Any], marks: dict[str, str]) -> Self:
        """Return a copy with tables in which the builder's own numbers stand, still counted as not stated.

        Parameters
        ----------
        tables : dict
            Tables by the job's field names.
        marks : dict of str
            Where each value comes from, by its key in the file ("clock.wet_out").
        """
        copy = filled(self, **tables)
        copy._own = dict(marks)
        return copy

    @property
    def path(self) -> Path | None:
        """The job file, or None where the job came from a text."""
        return self._path

    @property
    def folder(self) -> Path:
        """The folder that mesh files are seen from."""
        return self._folder or Path.cwd()

    def __eq__(self, other: object) -> bool:
        """Compare what the jobs say, wherever their files lie."""
        return isinstance(other, Job) and self.__dict__ == other.__dict__

    __hash__ = None  # type: ignore[assignment]

    def resolved_toml(self, *, folder: Path | None = None) -> str:
        """Return the job with every value explicit and its unit; reading it gives an equal job.

        Parameters
        ----------
        folder : Path, optional
            Where the text will lie: mesh files are written as seen from there. The job file's own folder if left out.
        """
        from .resolved import resolved_toml

        return resolved_toml(self, folder=folder)

    @model_validator(mode="wrap")
    @classmethod
    def _all_at_once(cls, data: Any, handler: ModelWrapValidatorHandler[Self], info: ValidationInfo) -> Self:
        """Join the faults within each table with those between tables."""
        faults = list(_details(across(data))) if isinstance(data, dict) else []
        try:
            job = handler(data)
        except ValidationError as error:
            faults = [_detail(e) for e in error.errors(include_url=False)] + faults
        if faults:
            raise ValidationError.from_exception_data(cls.__name__, faults)
        context = info.context or {}
        job._settle(data, context.get("folder"), context.get("path"))
        return job

    def _settle(self, data: dict[str, Any], folder: Path | None, path: Path | None) -> None:
        """Fill in what one table takes from another."""
        base = folder or Path.cwd()
        self._path, self._folder = path, base
        self.__dict__["currency"] = self.currency or next((c for _, c in currencies(data)), None)
        self.__dict__["meshes"] = {
            name: filled(mesh, file=Path(os.path.abspath(base / mesh.file))) for name, mesh in self.meshes.items()
        }
        self.__dict__["cloths"] = {name: self._cloth(cloth, base) for name, cloth in self.cloths.items()}
        self.__dict__["consumables"] = {name: self._consumable(row, base) for name, row in self.consumables.items()}
        stated = {region.name: region for region in self.regions}
        regions = (_mirrored(region, stated, self.boat) for region in self.regions)
        self.__dict__["regions"] = tuple(self._region(region, base) for region in regions)
        if self.cure.log is not None:
            self.__dict__["cure"] = filled(self.cure, log=Path(os.path.abspath(base / self.cure.log)))

    def _cloth(self, cloth: Cloth, base: Path) -> Cloth:
        taken = {"gap_mm": self.lay.gap_mm, "edge_mm": self.lay.edge_mm, "strain_limit": self.limits.strain}
        whole = filled(cloth, **{key: value for key, value in taken.items() if getattr(cloth, key) is None})
        at_hand = settled(cloth.at_hand, width_mm=cloth.roll_width_mm, edge_mm=whole.edge_mm, folder=base)
        return filled(whole, at_hand=at_hand)

    def _consumable(self, row: Consumable, base: Path) -> Consumable:
        return filled(row, at_hand=settled(row.at_hand, width_mm=row.roll_width_mm or 0.0, edge_mm=0.0, folder=base))

    def _region(self, region: RegionSpec, base: Path) -> RegionSpec:
        plies = tuple(
            filled(
                p,
                face_up=p.face_up or self.cloths[p.cloth].face_up,
                join=p.join or region.join,
                load=region.load if p.load is None else p.load,
            )
            for p in region.plies
        )
        plus = tuple(_with_file(area, base) for area in region.plus)
        minus = tuple(_with_file(area, base) for area in region.minus)
        return filled(_with_file(region, base), plies=plies, plus=plus, minus=minus)


def _with_file(area: AnyArea, base: Path) -> AnyArea:
    """Return an area whose drawing is held as a full path."""
    drawn = area.drawn
    if drawn is None or drawn.file is None:
        return area
    return filled(area, drawn=filled(drawn, file=Path(os.path.abspath(base / drawn.file))))


def _mirrored(region: RegionSpec, stated: dict[str, RegionSpec], boat: Boat) -> RegionSpec:
    """Return a mirror image with the other's plies and warp line, turned the other way, where it states none."""
    if region.mirror_of is None:
        return region
    other = stated[region.mirror_of]
    values: dict[str, Any] = {}
    if region.plies is None:
        values["plies"] = tuple(
            filled(ply, angle_deg=-ply.angle_deg, load=_across(ply.load, boat)) for ply in other.plies
        )
    if "warp" not in region.model_fields_set:
        way = other.warp
        values["warp"] = way if isinstance(way, str) else (boat.across_centre(way[0]), boat.across_centre(way[1]))
    if "drape" not in region.model_fields_set and other.drape is not None:
        start = other.drape.start_mm
        values["drape"] = filled(other.drape, start_mm=None if start is None else boat.across_centre(start))
    if "ports" not in region.model_fields_set and other.ports is not None:
        values["ports"] = _ports_across(other.ports, boat)
    if "keep_off_mm" not in region.model_fields_set:
        values["keep_off_mm"] = tuple(boat.across_centre(point) for point in other.keep_off_mm)
    if "cuts" not in region.model_fields_set:
        lines = (tuple(boat.across_centre(point) for point in cut.line_mm) for cut in other.cuts)
        values["cuts"] = tuple(filled(cut, line_mm=line) for cut, line in zip(other.cuts, lines))
    for name in ("join", "butt_within_deg", "panels", "darts", "cut_kinds", "clear_mm", "stack"):
        if name not in region.model_fields_set:
            values[name] = getattr(other, name)
    if "load" not in region.model_fields_set:
        values["load"] = _across(other.load, boat)
    return filled(region, **values)


def _ports_across(ports: PortsSpec, boat: Boat) -> PortsSpec:
    """Return ports as the mirror image has them."""
    places = {key: getattr(ports, key) for key in ("vacuum_mm", "gauge_mm")}
    return filled(
        ports,
        **{key: None if at is None else boat.across_centre(at) for key, at in places.items()},
        thin_mm=tuple(boat.across_centre(point) for point in ports.thin_mm),
    )


def _across(load: LoadWay | None, boat: Boat) -> LoadWay | None:
    """Return a load's direction as the mirror image has it."""
    if load is None or isinstance(load, str):
        return load
    return -load if isinstance(load, float) else (boat.across_centre(load[0]), boat.across_centre(load[1]))


def _detail(error: Any) -> InitErrorDetails:
    """Make an error of pydantic's into one that can be raised again beside others."""
    context = dict(error.get("ctx", {}))
    kind = PydanticCustomError(error["type"], "{said}", {**context, "said": error["msg"]})
    return InitErrorDetails(type=kind, loc=error["loc"], input=error["input"])


def _details(faults: list[Any]) -> Iterator[InitErrorDetails]:
    for loc, text in faults:
        kind = PydanticCustomError("across", "{said}", {"said": text})
        yield InitErrorDetails(type=kind, loc=loc, input=None)

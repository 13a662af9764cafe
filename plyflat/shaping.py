"""From a grown region to the flat pieces of one ply or bag layer, as a job states them."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from shapely import LineString, union_all

from .bag.stack import film_sheet, sheet_template, tape_length_mm
from .cloth.flatten import Flat, flatten, strain_of
from .cloth.opening import Opened, Sides, open_patch
from .cloth.pieces import lines_in_space, lines_on_table, make_templates, warp_frame
from .cloth.splice import split_for_roll
from .cloth.template import GRID_MM, Strain, Template
from .job.model import Bag, FilmLayer, Job, Layer, RegionSpec
from .planned import LayerPlan, Piece3D
from .surface.coarsen import STRAY_MM, coarsen
from .surface.mesh import Floats, Surface
from .surface.region import Region, fill_openings
from .units import say_percent

#: A layer of the bag may give this much before it wrinkles or bridges; a figure of ours, films and felts give more.
LAYER_LIMIT = 0.05


@dataclass(frozen=True)
class Cut:
    """How one ply or layer is cut.

    Attributes
    ----------
    name, material : str
        For the label.
    angle_deg : float
        Of the warp to the region's warp line.
    face_up : str
        "out" or "in": where the face that is up on the table ends.
    copies : int
    limit : float
        Strain limit as a fraction.
    roll_width_mm, roll_length_mm, edge_mm : float
    lap_mm, trim_mm : float
    stagger_mm : float
        Wanted between laps of this ply and the one below; 0 where laps may lie on each other.
    """

    name: str
    material: str
    angle_deg: float
    face_up: str
    copies: int
    limit: float
    roll_width_mm: float
    roll_length_mm: float
    edge_mm: float
    lap_mm: float
    trim_mm: float
    stagger_mm: float = 0.0


@dataclass(frozen=True, eq=False)
class Shaped:
    """The flat pieces of one ply or layer.

    Attributes
    ----------
    pieces : tuple of Piece3D
    templates : tuple of Template
    strain : Strain
        Over all pieces.
    seams_mm : tuple of (k, 3) float arrays
    splits_mm : tuple of (k, 3) float arrays
        Where pieces were split for the roll.
    lap_area_mm2 : float
    checks : tuple of (what, measured, limit, unit)
    cautions : tuple of (text, what to do)
    """

    pieces: tuple[Piece3D, ...]
    templates: tuple[Template, ...]
    strain: Strain
    seams_mm: tuple[Floats, ...]
    splits_mm: tuple[Floats, ...]
    lap_area_mm2: float
    checks: tuple[tuple[str, float, float, str], ...]
    cautions: tuple[tuple[str, str], ...]


def warp_way(job: Job, spec: RegionSpec) -> Floats:
    """Return the unit vector (3,) of a region's warp line in the mesh's coordinates."""
    if spec.warp == "forward":
        return np.array(job.boat.forward)
    if spec.warp == "up":
        return np.array(job.boat.up)
    way = np.subtract(spec.warp[1], spec.warp[0])
    return way / np.linalg.norm(way)


def shape(
    job: Job,
    spec: RegionSpec,
    region: Region,
    cut: Cut,
    *,
    below: Sequence[Floats] = (),
    splits_below: Sequence[Floats] = (),
    turn_laps: bool = False,
) -> Shaped:
    """Open a region, flatten its pieces, draw their templates and split what no roll is wide enough for.

    The seams of the ply below are taken again with the laps turned to their other side, so that laps lie side by side;
    where the job asks for more stagger than that gives, the seams are moved if the cloth bears it.

    Parameters
    ----------
    job : Job
    spec : RegionSpec
    region : Region
        The region as grown for this ply or layer.
    cut : Cut
    below : sequence of (k, 3) float arrays
        Seams of the ply below.
    splits_below : sequence of (k, 3) float arrays
        Lines along which the pieces of the ply below were split for the roll.
    turn_laps : bool
        Whether laps go to the other side of their seams.

    Raises
    ------
    ShapeError
        If the region has a handle or is closed.
    FitError
        If a piece fits the roll neither whole nor split.
    SolveError, CheckError
        If flattening fails, or a template fails its check.
    """
    laid, cautions = _laid(job, spec, region, cut, below)
    opened = _turned(laid.opened) if turn_laps else laid.opened
    whole = _templates(job, spec, opened, laid.flats, cut)
    templates: list[Template] = []
    splits: list[Floats] = []
    for one, piece, flat in zip(whole, opened.pieces, laid.flats):
        frame, _ = warp_frame(piece, flat, warp_way(job, spec), angle_deg=cut.angle_deg, face_up=cut.face_up)
        parts = _on_roll(job, one, cut, avoid=lines_on_table(splits_below, piece, flat, frame))
        templates += parts
        if len(parts) > 1:
            splits += lines_in_space(_new_joins(one, parts), piece, flat, frame)
    return Shaped(
        tuple(_piece(s, f) for s, f in zip(opened.pieces, laid.flats)),
        tuple(templates),
        laid.strain,
        laid.opened.seams,
        tuple(splits),
        sum(lap.area for t in templates for lap in t.laps),
        tuple(_checks(region, laid)),
        (*cautions, *_cautions(laid.flats, templates)),
    )


@dataclass(frozen=True, eq=False)
class _Laid:
    """A region opened and laid flat."""

    opened: Opened
    flats: tuple[Flat, ...]
    strain: Strain
    stray_mm: float


def _laid(
    job: Job, spec: RegionSpec, region: Region, cut: Cut, below: Sequence[Floats]
) -> tuple[_Laid, tuple[tuple[str, str], ...]]:
    """Choose between the seams of the ply below and seams moved clear of them."""
    middles = [seam[len(seam) // 2] for seam in below]
    same = _lay_flat(job, region, cut, seams_mm=spec.seams_mm or middles)
    stagger, lap = cut.stagger_mm, cut.lap_mm
    if not len(below) or stagger <= lap or spec.seams_mm:
        return same, ()
    moved = _lay_flat(job, region, cut, avoid_mm=below, stagger_mm=stagger)
    if moved.strain.over_share <= max(job.limits.over_share, 1.25 * same.strain.over_share):
        return moved, ()
    text = (
        f"its laps lie beside those of the ply below, {lap:.0f} mm on and not {stagger:.0f} mm: with the seams moved so "
        f"far {say_percent(moved.strain.over_share)} of the area would have to give more than {say_percent(cut.limit)}"
    )
    return same, ((text, "Lessen laps.stagger, or place the seams yourself."),)


def _lay_flat(
    job: Job,
    region: Region,
    cut: Cut,
    *,
    seams_mm: Sequence[Sequence[float]] = (),
    avoid_mm: Sequence[Floats] = (),
    stagger_mm: float = 0.0,
) -> _Laid:
    coarse = coarsen(region.surface)
    opened = open_patch(
        coarse.surface,
        seams_mm=np.array(seams_mm, dtype=float).reshape(-1, 3),
        most=job.limits.pieces,
        limit=cut.limit,
        over_share=job.limits.over_share,
        lap_mm=cut.lap_mm,
        avoid_mm=avoid_mm,
        stagger_mm=stagger_mm,
    )
    flats = tuple(flatten(piece) for piece in opened.pieces)
    return _Laid(opened, flats, _strain_over(opened, flats, cut.limit), coarse.stray_mm)


def _turned(opened: Opened) -> Opened:
    """Run every seam the other way, which puts its lap on the other piece."""
    sides = tuple(Sides(q.right, q.left, q.right_vertices[::-1], q.left_vertices[::-1]) for q in opened.sides)
    return replace(opened, seams=tuple(q[::-1] for q in opened.seams), sides=sides)


def _templates(job: Job, spec: RegionSpec, opened: Opened, flats: Sequence[Flat], cut: Cut) -> list[Template]:
    return make_templates(
        opened,
        flats,
        region=spec.name,
        ply=cut.name,
        material=cut.material,
        warp=warp_way(job, spec),
        angle_deg=cut.angle_deg,
        face_up=cut.face_up,
        forward=job.boat.forward,
        up=job.boat.up,
        lap_mm=cut.lap_mm,
        trim_mm=cut.trim_mm,
        notch_every_mm=job.laps.notch_every_mm,
        limit=cut.limit,
        copies=cut.copies,
    )


def _new_joins(whole: Template, parts: Sequence[Template]) -> list[LineString]:
    """Join lines that the parts of a split piece have and the whole had not."""
    old = union_all(list(whole.joins)).buffer(GRID_MM)
    return [line for part in parts for line in part.joins if not old.contains(line)]


def _on_roll(job: Job, template: Template, cut: Cut, *, avoid: Sequence[LineString] = ()) -> list[Template]:
    return split_for_roll(
        template,
        avoid=avoid,
        width_mm=cut.roll_width_mm,
        length_mm=cut.roll_length_mm,
        lap_mm=cut.lap_mm,
        edge_mm=cut.edge_mm,
        stagger_mm=cut.stagger_mm,
        notch_every_mm=job.laps.notch_every_mm,
    )


def _piece(surface: Surface, flat: Flat) -> Piece3D:
    return Piece3D(surface, flat, np.abs(flat.stretch - 1.0).max(axis=1))


def _strain_over(opened: Opened, flats: Sequence[Flat], limit: float) -> Strain:
    stretch = np.concatenate([f.stretch for f in flats])
    areas = np.concatenate([s.face_areas_mm2 for s in opened.pieces])
    return strain_of(stretch, areas, limit)


def _checks(region: Region, laid: _Laid) -> Iterator[tuple[str, float, float, str]]:
    yield "triangles turned over in the flat", float(sum(f.flipped.sum() for f in laid.flats)), 0.0, ""
    lost = abs(sum(s.area_mm2 for s in laid.opened.pieces) / region.area_mm2 - 1.0)
    yield "area of the pieces against the region", lost, 1e-3, ""
    yield "coarse mesh that was laid flat strays from the mended one by", laid.stray_mm, STRAY_MM, "mm"


def _cautions(flats: Sequence[Flat], templates: Sequence[Template]) -> Iterator[tuple[str, str]]:
    if any(f.overlaps for f in flats):
        yield (
            "a piece lies over itself when it is flat",
            "Open the region in more places (limits.pieces, or seams).",
        )
    turning = max(t.warp_spread_deg for t in templates)
    if turning > 10.0:
        text = f"the warp turns by up to {turning:.0f} deg from the stated line over a piece"
        yield text, "State more seams, or accept the turn: fibres follow the cloth."


def bag_layers(
    job: Job,
    spec: RegionSpec,
    bag: Bag,
    grown: Mapping[float, Region],
    edge_mm: float,
    seams: Sequence[Floats],
) -> tuple[LayerPlan, ...]:
    """Work out every layer of a region's bag, from the laminate outwards.

    Parameters
    ----------
    job : Job
    spec : RegionSpec
    bag : Bag
    grown : dict
        The region by the distance its outline was moved, mm.
    edge_mm : float
        Edge of the largest ply, as such a distance.
    seams : sequence of (k, 3) float arrays
        Where the plies were opened; layers cut to shape are opened there too.

    Returns
    -------
    tuple of LayerPlan
    """
    return tuple(_layer(job, spec, bag, grown, edge_mm, seams, kind, layer) for kind, layer in bag.layers())


def _layer(
    job: Job,
    spec: RegionSpec,
    bag: Bag,
    grown: Mapping[float, Region],
    edge_mm: float,
    seams: Sequence[Floats],
    kind: str,
    layer: Layer,
) -> LayerPlan:
    reach = layer.margin_mm + (bag.tape.margin_mm if kind == "bag film" else 0.0)
    region = grown[edge_mm + reach]
    if bag.over_openings and kind in ("sealant tape", "bag film"):
        region, seams = fill_openings(region), ()
    if kind == "sealant tape":
        length = tape_length_mm(region, overlap_mm=bag.tape.overlap_mm)
        return LayerPlan(kind, layer.material, reach, 0.0, 0.0, (), region, length)
    if isinstance(layer, FilmLayer) and layer.cut == "sheet":
        return _sheet(job, spec, region, kind, layer, reach)
    shaped = shape(job, spec, region, _cut_of_layer(job, kind, layer), below=seams)
    return LayerPlan(
        kind,
        layer.material,
        reach,
        region.area_mm2,
        shaped.lap_area_mm2,
        shaped.templates,
        region,
        strain=shaped.strain,
        pieces=shaped.pieces,
    )


def _cut_of_layer(job: Job, kind: str, layer: Layer) -> Cut:
    roll = job.consumables[layer.material]
    return Cut(
        name=kind,
        material=layer.material,
        angle_deg=0.0,
        face_up="out",
        copies=1,
        limit=LAYER_LIMIT,
        roll_width_mm=float(roll.roll_width_mm or 0.0),
        roll_length_mm=roll.roll_length_mm,
        edge_mm=0.0,
        lap_mm=job.laps.join_mm,
        trim_mm=0.0,
    )


def _sheet(
    job: Job, spec: RegionSpec, region: Region, kind: str, layer: FilmLayer, reach: float
) -> LayerPlan:
    """A rectangle of film over the region, joined from strips where the roll is narrow."""
    sheet = film_sheet(region.surface, warp_way(job, spec), extra_mm=layer.slack_mm)
    whole = sheet_template(sheet, region=spec.name, layer=kind, material=layer.material)
    cut = replace(_cut_of_layer(job, kind, layer), lap_mm=max(job.laps.join_mm, 25.0))
    templates = tuple(_on_roll(job, whole, cut))
    return LayerPlan(
        kind,
        layer.material,
        reach,
        region.area_mm2,
        sum(lap.area for t in templates for lap in t.laps),
        templates,
        region,
        slack_mm=sheet.slack_mm,
    )

"""From a region's bag to its layers: true areas, templates and sheets, the tape."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from .bag.stack import film_sheet, sheet_template, tape_length_mm
from .cloth.splice import split_for_roll
from .job.model import Bag, FilmLayer, Job, Layer, RegionSpec
from .planned import LayerPlan
from .shaping import Cut, shape, warp_way
from .surface.mesh import Floats
from .surface.region import Region, fill_openings

#: A layer of the bag may give this much before it wrinkles or bridges; a figure of ours, films and felts give more.
LAYER_LIMIT = 0.05


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
    templates = split_for_roll(
        whole,
        width_mm=cut.roll_width_mm,
        length_mm=cut.roll_length_mm,
        lap_mm=cut.lap_mm,
        edge_mm=cut.edge_mm,
        notch_every_mm=job.laps.notch_every_mm,
    ).parts
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

"""From a region's bag to its layers: true areas, templates and sheets, the tape's run, masking and ports."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial import cKDTree

from .bag.corners import CornerSection, corner_sections, hollow_lines
from .bag.envelope import FilmWay
from .bag.layers import TightLine, cut_at_lines, length_on, named_after, tight_lines
from .bag.pleats import corners_of
from .bag.ports import Clear, Ground, Port, place_ports
from .bag.stack import TapeRun, mask_outside, strip_template, tape_length_mm, tape_run
from .bag.wedge import depth_factor
from .bag.widths import rows_length_mm
from .bagging import CORNER_MM, FILM_MM
from .cloth.flatten import Flat, cloth_stretch, flatten, strain_of
from .cloth.opening import Opened, open_patch
from .cloth.pieces import make_templates, warp_frame
from .cloth.splice import split_for_roll
from .cloth.template import Template
from .daily import pressure_on_bag_kpa
from .enveloping import Ask, film_ways
from .errors import FitError, OutlineError
from .job.model import Bag, FilmLayer, Job, Layer, RegionSpec, SheetLayer
from .nearness import laid_piece
from .placing import Placed
from .planned import BagReach, Crossing, LayerPlan, PlyPlan, StackPlan, WayCost
from .shaping import CLOTH_MM, Cut, shape, warp_way
from .shop.leaks import Mark, tape_marks
from .stack_order import Placing, order_of_placing
from .surface.coarsen import coarsen
from .surface.crease import Crease
from .surface.mesh import Floats, closed_length
from .surface.region import Region, fill_openings

#: A layer of the bag may give this much before it wrinkles or bridges; a figure of ours, films and felts give more.
LAYER_LIMIT = 0.05
#: Corner lines sought within no more than this width serve for the film's reach too.
WIDEST_MM = 2 * CORNER_MM
#: A layer that lies on less of a line than this does not cross it.
CROSSED_MM = 20.0
#: The tape's line runs through an inside corner where it turns by as much, degrees.
TAPE_CORNER_DEG = 20.0
#: How far a lead of breather lies under the breather itself, common practice.
UNDER_MM = 50.0
#: The mark 0 that pleats are measured from lies this near to a vertex of the tape's line.
SAME_MM = 1e-3

Note = tuple[str, str]


@dataclass(frozen=True, eq=False)
class CornerGround:
    """The inside corners under a bag.

    Attributes
    ----------
    radius_mm : float
        Corners tighter than this are bridged by a layer in one piece.
    stated : bool
        Whether the job says so.
    tight : tuple of TightLine
    points_mm : (k, 3) float array
        Along all inside corner lines, tight or not.
    within : Region
        What lies inside the tape.
    lines : tuple of Crease
        All inside corner lines on that.
    sections : tuple of CornerSection
        Square to them.
    found : (tuple of Crease, tuple of CornerSection)
        Those that the film's reach asks for and pleats are named after.
    """

    radius_mm: float
    stated: bool
    tight: tuple[TightLine, ...]
    points_mm: Floats
    within: Region
    lines: tuple[Crease, ...]
    sections: tuple[CornerSection, ...]
    found: tuple[tuple[Crease, ...], tuple[CornerSection, ...]]


def corner_ground(job: Job, bag: Bag, grown: Mapping[float, Region]) -> CornerGround:
    """Find the inside corners that a layer in one piece would bridge.

    Parameters
    ----------
    job : Job
    bag : Bag
    grown : dict
        The region by its reach beyond the largest ply, mm.

    Raises
    ------
    OutlineError
        The tape's line runs over an opening of the mesh, or round one.
    """
    within = _within_tape(bag, grown)
    if bag.film.cut != "envelope":
        refuse_openings(within)
    radius = bag.corner_radius_mm
    if radius is None:
        thick = job.consumables[bag.film.material].thickness_mm or FILM_MM
        radius = 1000 * bag.film.yield_mpa * thick / pressure_on_bag_kpa(job)
    # A bend of that radius is a corner, so it must lie within the width that counts as one.
    scale = max(CORNER_MM, radius)
    lines = hollow_lines(within.surface, scale_mm=scale)
    allowed = job.limits.bridging_mm / depth_factor(90)
    sections = corner_sections(within.surface, lines, allowed_mm=allowed)
    tight = tight_lines(lines, sections, radius_mm=radius)
    found = lines, sections
    if scale > WIDEST_MM:
        # The film's reach asks for corners of the usual width, and pleats call them by these.
        own = hollow_lines(within.surface, scale_mm=CORNER_MM)
        found = own, corner_sections(within.surface, own, allowed_mm=allowed)
        tight = named_after(tight, corners_of(*found), own)
    points = np.concatenate([q.points_mm for q in lines]) if lines else np.zeros((0, 3))
    return CornerGround(radius, bag.corner_radius_mm is not None, tight, points, within, lines, sections, found)


def _within_tape(bag: Bag, grown: Mapping[float, Region]) -> Region:
    region = grown[bag.tape.margin_mm]
    return fill_openings(region) if bag.over_openings else region


def refuse_openings(within: Region) -> None:
    """Refuse a tape's line that runs over an opening of the mesh, or has one within it.

    Parameters
    ----------
    within : Region
        What lies inside the tape.

    Raises
    ------
    OutlineError

    Notes
    -----
    The longest edge of a mesh is where the scan or model ends, and hull may go on beyond it; any other is an opening.
    """
    parent = within.parent
    rims = sorted((parent.vertices_mm[q] for q in parent.boundary_loops), key=closed_length)[:-1]
    for rim in rims:
        tree = cKDTree(rim)
        for loop in within.loops:
            line = within.surface.vertices_mm[loop]
            on = tree.query(line)[0] < SAME_MM
            step = np.linalg.norm(np.roll(line, -1, axis=0) - line, axis=1)
            along = on & np.roll(on, -1)
            if step[along].sum() <= 1.0:
                continue
            # Of its rim a few points may have been cleared away.
            whole = step[along].sum() > 0.8 * closed_length(rim)
            x, y, z = rim.mean(axis=0) if whole else line[int(np.flatnonzero(along)[along.sum() // 2])]
            size = float(np.ptp(rim, axis=0).max())
            raise OutlineError(
                f"region {within.name!r}: an opening of the mesh {size:.0f} mm across "
                + ("lies within the bag's tape, and air comes in through it" if whole else
                   f"lies under the bag's tape, which has nothing to stick to for {step[along].sum():.0f} mm"),
                where=_at(x, y, z),
                do="Plug it, and close it in the mesh with fill_holes; or choose the tape's margin so that the tape keeps clear of it.",
            )  # fmt: skip


def _at(x: float, y: float, z: float) -> str:
    return f"({x:.0f}, {y:.0f}, {z:.0f}) mm"


# --- layers --------------------------------------------------------------------------------------------------------------


def bag_layers(
    job: Job,
    spec: RegionSpec,
    bag: Bag,
    grown: Mapping[float, Region],
    edge_mm: float,
    seams: Sequence[Floats],
    ground: CornerGround | None = None,
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
    ground : CornerGround, optional
        Inside corners at which layers are cut where the job asks for it.

    Returns
    -------
    tuple of LayerPlan
    """
    return tuple(_layer(job, spec, bag, grown, edge_mm, seams, kind, layer, ground) for kind, layer in bag.layers())


def _layer(
    job: Job,
    spec: RegionSpec,
    bag: Bag,
    grown: Mapping[float, Region],
    edge_mm: float,
    seams: Sequence[Floats],
    kind: str,
    layer: Layer,
    ground: CornerGround | None,
) -> LayerPlan:
    tight = ground.tight if ground is not None else ()
    reach = layer.margin_mm + (bag.tape.margin_mm if kind == "bag film" else 0.0)
    region = grown[edge_mm + reach]
    if kind == "sealant tape" and ground is not None:
        region = ground.within
    elif bag.over_openings and kind in ("sealant tape", "bag film"):
        region, seams = fill_openings(region), ()
    if kind == "sealant tape":
        length = tape_length_mm(region, overlap_mm=bag.tape.overlap_mm)
        return LayerPlan(kind, layer.material, reach, 0.0, 0.0, (), region, length)
    if isinstance(layer, FilmLayer) and layer.cut != "shape":
        return _sheet(job, spec, bag, region, kind, layer, reach, tight)
    if isinstance(layer, SheetLayer) and layer.corner != "through":
        over = [line for line in tight if length_on(region.surface, line.points_mm) > CROSSED_MM]
        if over:
            return _cut_layer(job, spec, region, kind, layer, seams, [line.points_mm for line in over])
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
    job: Job, spec: RegionSpec, bag: Bag, region: Region, kind: str, layer: FilmLayer, reach: float, tight: Sequence[TightLine]
) -> LayerPlan:
    """The film cut as the job asks, with what other ways would take beside it."""
    ways, sheet, made = film_ways(Ask(job, spec, bag, region, warp_way(job, spec), tuple(tight)))
    return LayerPlan(
        kind,
        layer.material,
        reach,
        region.area_mm2,
        sum(lap.area for t in ways[0].templates for lap in t.laps),
        ways[0].templates,
        region,
        slack_mm=sheet.slack_mm,
        film=made if ways[0].name == "sheet" else None,
        ways=ways,
    )


def _cut_layer(
    job: Job, spec: RegionSpec, region: Region, kind: str, layer: SheetLayer, seams: Sequence[Floats], lines: Sequence[Floats]
) -> LayerPlan:
    """A layer cut along the inside corners it would bridge, its pieces flattened each for itself."""
    plain = _cut_of_layer(job, kind, layer)
    cut = replace(plain, lap_mm=layer.corner_lap_mm) if layer.corner == "lap" else plain
    wanted = [seam[len(seam) // 2] for seam in seams]
    opened = open_patch(
        coarsen(region.surface).surface,
        seams_mm=np.array(list(spec.seams_mm) or wanted, dtype=float).reshape(-1, 3),
        most=job.limits.pieces,
        limit=LAYER_LIMIT,
        over_share=job.limits.over_share,
        lap_mm=cut.lap_mm,
    )
    opened, origin = cut_at_lines(opened, lines)
    flats = tuple(flatten(piece) for piece in opened.pieces)
    butts = [j for j, was in enumerate(origin) if was >= 0 and layer.corner == "slit"]
    templates = _layer_templates(job, spec, opened, flats, cut, butts)
    stretch = [cloth_stretch(piece, flat, length_mm=CLOTH_MM) for piece, flat in zip(opened.pieces, flats)]
    frames = [warp_frame(piece, flat, warp_way(job, spec))[0] for piece, flat in zip(opened.pieces, flats)]
    return LayerPlan(
        kind,
        layer.material,
        layer.margin_mm,
        region.area_mm2,
        sum(lap.area for t in templates for lap in t.laps),
        templates,
        region,
        strain=strain_of(
            np.concatenate(stretch), np.concatenate([p.face_areas_mm2 for p in opened.pieces]), LAYER_LIMIT,
            raw=np.concatenate([flat.stretch for flat in flats]), scale_mm=CLOTH_MM,
        ),
        pieces=tuple(laid_piece(*one, length_mm=CLOTH_MM) for one in zip(opened.pieces, flats, frames)),
        corner=layer.corner,
        cuts_mm=tuple(seam for seam, was in zip(opened.seams, origin) if was >= 0),
    )  # fmt: skip


def _layer_templates(
    job: Job, spec: RegionSpec, opened: Opened, flats: Sequence[Flat], cut: Cut, butts: Sequence[int]
) -> tuple[Template, ...]:
    made = make_templates(
        opened,
        flats,
        region=spec.name,
        ply=cut.name,
        material=cut.material,
        warp=warp_way(job, spec),
        face_up=cut.face_up,
        forward=job.boat.forward,
        up=job.boat.up,
        lap_mm=cut.lap_mm,
        trim_mm=cut.trim_mm,
        notch_every_mm=job.laps.notch_every_mm,
        limit=cut.limit,
        butts=butts,
    )
    parts: list[Template] = []
    for template in made:
        parts += split_for_roll(
            template,
            width_mm=cut.roll_width_mm,
            length_mm=cut.roll_length_mm,
            lap_mm=job.laps.join_mm,
            notch_every_mm=job.laps.notch_every_mm,
        ).parts
    return tuple(parts)


# --- tape, masking, ports ------------------------------------------------------------------------------------------------


def plan_stack(
    job: Job,
    spec: RegionSpec,
    placed: Placed,
    plies: Sequence[PlyPlan],
    layers: tuple[LayerPlan, ...],
    ground: CornerGround,
    reach: BagReach | None,
) -> tuple[StackPlan, tuple[LayerPlan, ...], tuple[Note, ...]]:
    """Put a region's bag together: the tape's run, masking, ports and the order of placing.

    Parameters
    ----------
    job : Job
    spec : RegionSpec
    placed : Placed
    plies : sequence of PlyPlan
    layers : tuple of LayerPlan
        Of its bag, the tape among them.
    ground : CornerGround
    reach : BagReach or None
        Its pleats.

    Returns
    -------
    StackPlan
    tuple of LayerPlan
        The layers, with leads and tongues for the ports added to breather and film.
    tuple of (str, str)
        What is wrong, and what would help.
    """
    bag = job.bags[str(spec.bag)]
    tape = next(layer for layer in layers if layer.kind == "sealant tape")
    region = ground.within
    # A pouch is sealed upon itself: nothing of it is taped to the hull.
    pouched = bag.film.cut == "envelope"
    loops = () if pouched else _tape_loops(job, region, reach)
    corners = tuple((k, m.metre) for k, loop in enumerate(loops) for m in _corners_on(region, loop))
    ports = () if pouched else _ports(job, spec, bag, placed, plies, region, loops, ground, reach)
    run = _run(job, bag, tape, loops, len(corners), ports, layers, reach)
    outer = placed.beyond[bag.tape.margin_mm + bag.mask_mm] if bag.mask_mm > 0 and not pouched else None
    if outer is not None and bag.over_openings:
        outer = fill_openings(outer)
    mask = None if outer is None else mask_outside(region, outer, reach_mm=bag.mask_mm)
    crossings = tuple(_crossings(bag, layers, ground.tight))
    layers = _with_leads(job, spec, bag, layers, ports)
    layers = tuple(replace(q, length_mm=run.total_mm) if q.kind == "sealant tape" else q for q in layers)
    stack = StackPlan(
        ground.radius_mm, ground.stated, ground.tight, crossings, run, loops, corners,
        mask, None if mask is None else outer, ports, job.vacuum.lead_width_mm,
        bag.ports.base_mm, (), tuple(_costs(job, bag, tape, layers, run, reach)),
    )  # fmt: skip
    words = order_of_placing(
        Placing(tuple(p.name for p in plies), layers, stack, reach, bag.tape.margin_mm, spec.corner is not None)
    )
    return replace(stack, order=words), layers, tuple(_notes(stack, layers, reach))


def _tape_loops(job: Job, region: Region, reach: BagReach | None) -> tuple[Floats, ...]:
    """The tape's loops, each from its mark 0: where its pleats are measured from, else its foremost point."""
    starts = np.array([line[0] for line in reach.tapes_mm] if reach is not None else [], dtype=float).reshape(-1, 3)
    out = []
    for loop in region.loops:
        line = region.surface.vertices_mm[loop]
        first = int(np.argmax(line @ np.asarray(job.boat.forward)))
        off = np.linalg.norm(line[:, None] - starts[None], axis=2).min(axis=1, initial=np.inf)
        first = int(np.argmin(off)) if off.min() < SAME_MM else first
        out.append(np.roll(line, -first, axis=0))
    return tuple(out)


def _corners_on(region: Region, loop: Floats) -> Iterator[Mark]:
    """Inside corners that a loop of tape runs through."""
    near = region.surface.locate(loop)
    normals = (near.weights[:, :, None] * region.surface.vertex_normals[region.surface.faces[near.face]]).sum(axis=1)
    for mark in tape_marks(loop, normals):
        if mark.why == "hollow" and mark.turn_deg >= TAPE_CORNER_DEG:
            yield mark


def _ports(
    job: Job,
    spec: RegionSpec,
    bag: Bag,
    placed: Placed,
    plies: Sequence[PlyPlan],
    region: Region,
    loops: tuple[Floats, ...],
    ground: CornerGround,
    reach: BagReach | None,
) -> tuple[Port, ...]:
    largest = max((p.region for p in plies), key=lambda r: r.area_mm2)
    stated = spec.ports
    pleats = [p.place_mm for p in reach.pleats] if reach is not None else []
    breather = bag.breather.margin_mm if bag.breather is not None else 0.0
    clear = Clear(
        laminate_mm=bag.ports.clear_mm,
        apart_mm=bag.ports.apart_mm,
        base_mm=bag.ports.base_mm,
        way_mm=max(breather + job.vacuum.lead_mm, bag.ports.clear_mm),
        thin_mm=stated.thin_within_mm if stated is not None else 0.0,
    )
    return place_ports(
        Ground(
            region.surface,
            region.parent,
            loops,
            np.concatenate([largest.surface.vertices_mm[loop] for loop in largest.loops]),
            largest.surface,
            np.array(pleats, dtype=float).reshape(-1, 3),
            ground.points_mm,
            np.array(stated.thin_mm if stated is not None else (), dtype=float).reshape(-1, 3),
        ),
        clear,
        vacuum_mm=stated.vacuum_mm if stated is not None else None,
        gauge_mm=stated.gauge_mm if stated is not None else None,
    )


def _run(
    job: Job, bag: Bag, tape: LayerPlan, loops: Sequence[Floats], corners: int, ports: Sequence[Port],
    layers: Sequence[LayerPlan], reach: BagReach | None,
) -> TapeRun:
    film = next((layer for layer in layers if layer.ways), None)
    return tape_run(
        [closed_length(loop) for loop in loops],
        corners=corners,
        corner_extra_mm=bag.tape.corner_extra_mm,
        pleats_mm=[p.height_mm for p in reach.pleats] if reach is not None else [],
        tongues_mm=[p.tongue_mm for p in ports],
        film_joins_mm=film.ways[0].seams_mm if film is not None else 0.0,
        overlap_mm=bag.tape.overlap_mm,
        spare=bag.tape.spare,
        roll_length_mm=job.consumables[tape.material].roll_length_mm,
    )


def _costs(
    job: Job, bag: Bag, tape: LayerPlan, layers: Sequence[LayerPlan], run: TapeRun, reach: BagReach | None
) -> Iterator[WayCost]:
    """The ways to cut the film side by side: film and tape of each, ports, overlaps and spare left out."""
    ways = next((layer.ways for layer in layers if layer.ways), ())
    film, line = job.consumables[bag.film.material], job.consumables[tape.material]
    surface = tape.region.surface if tape.region is not None else None
    around = sum(closed_length(surface.vertices_mm[q]) for q in surface.boundary_loops) if surface is not None else 0.0
    pleats = 2 * sum(p.height_mm for p in reach.pleats) if reach is not None else 0.0
    rows = []
    for way in ways:
        tape_mm = way.seams_mm + (0.0 if way.name == "envelope" else around + run.corners_mm)
        tape_mm += pleats if way.name == "sheet" else 0.0
        cost, lost = None, way.waste_mm2
        if film.roll_width_mm and way.can:
            taken_mm = _taken_mm(way, film.roll_width_mm, film.turns_deg)
            # What each piece takes by itself is replaced by what they take together.
            lost += taken_mm * film.roll_width_mm - way.film_mm2 - way.beside_mm2
            if film.price_per_m is not None and line.price_per_m is not None:
                cost = (taken_mm * film.price_per_m + tape_mm * line.price_per_m) / 1000
        rows.append(WayCost(way.name, way.what, len(way.templates), way.film_mm2, lost, tape_mm if way.can else 0.0, cost, False))
    can = [k for k, way in enumerate(ways) if way.can]
    best = min(can, key=lambda k: (rows[k].cost or 0.0, rows[k].film_mm2, rows[k].tape_mm), default=-1)
    yield from (replace(row, least=k == best) for k, row in enumerate(rows))


def _taken_mm(way: FilmWay, roll_width_mm: float, turns_deg: tuple[float, ...] | None) -> float:
    """Length that a way's pieces take off the roll, side by side where they have room."""
    bounds = [q.cut.bounds for q in way.templates for _ in range(q.copies)]
    quarter = not turns_deg or any(turn % 180 == 90 for turn in turns_deg)
    alone_mm = (way.film_mm2 + way.beside_mm2) / roll_width_mm
    try:
        return min(rows_length_mm([(x1 - x0, y1 - y0) for x0, y0, x1, y1 in bounds], roll_width_mm, turned=quarter), alone_mm)
    except FitError:
        return alone_mm


def _with_leads(
    job: Job, spec: RegionSpec, bag: Bag, layers: tuple[LayerPlan, ...], ports: Sequence[Port]
) -> tuple[LayerPlan, ...]:
    """Add the strips of breather to the ports, and of film over tongues that the film itself does not reach."""
    wide = job.vacuum.lead_width_mm
    out = []
    for layer in layers:
        more: list[Template] = []
        if layer.kind == "breather":
            for k, port in enumerate(ports, 1):
                long = port.way_mm - layer.margin_mm + UNDER_MM + bag.ports.base_mm / 2
                if port.way_mm > layer.margin_mm:
                    more.append(_strip(spec, layer, f"L{k}", long, wide))
        if layer.kind == "bag film":
            for k, port in enumerate(ports, 1):
                # It hangs over the tape on three sides, and joins the film on the fourth.
                if port.tongue_mm > bag.film.margin_mm:
                    long = port.tongue_mm + bag.film.margin_mm
                    more.append(_strip(spec, layer, f"T{k}", long, max(wide, bag.ports.base_mm) + 2 * bag.film.margin_mm))
        out.append(replace(layer, templates=(*layer.templates, *more)))
    return tuple(out)


def _strip(spec: RegionSpec, layer: LayerPlan, piece: str, long: float, wide: float) -> Template:
    long, wide = max(long, wide), min(long, wide)
    return strip_template(long, wide, region=spec.name, layer=layer.kind, piece=piece, material=layer.material)


def _crossings(bag: Bag, layers: Sequence[LayerPlan], tight: Sequence[TightLine]) -> Iterator[Crossing]:
    """Which layer lies over which tight corner, and how it is cut there."""
    asked = {kind: layer for kind, layer in bag.layers() if isinstance(layer, SheetLayer)}
    for plan in layers:
        layer = asked.get(plan.kind)
        if layer is None or plan.region is None:
            continue
        for line in tight:
            length = length_on(plan.region.surface, line.points_mm)
            if length > CROSSED_MM:
                cut = min(sum(_length_near(q, line.points_mm) for q in plan.cuts_mm), length)
                lap = layer.corner_lap_mm if layer.corner == "lap" else 0.0
                yield Crossing(plan.kind, line.name, length, layer.corner, cut, lap)


def _length_near(cut: Floats, line: Floats) -> float:
    """How much of a cut runs along a line."""
    dense = np.concatenate([line[:-1] + t * np.diff(line, axis=0) for t in np.linspace(0.0, 1.0, 9)])
    near = cKDTree(dense).query(0.5 * (cut[1:] + cut[:-1]))[0] < CORNER_MM
    return float(np.linalg.norm(np.diff(cut, axis=0), axis=1)[near].sum())


def _notes(stack: StackPlan, layers: Sequence[LayerPlan], reach: BagReach | None) -> Iterator[Note]:
    for line in stack.tight:
        yield from _line_notes(stack, line, reach)
    yield from _lap_notes(stack, reach)
    for port in stack.ports:
        x, y, z = port.place_mm
        for fault in port.faults:
            what = "vacuum port" if port.name == "vacuum" else "gauge"
            yield (
                f"{what} at ({x:.0f}, {y:.0f}, {z:.0f}) mm: {fault}",
                "Move it (ports in the region), lead the breather another way, or lessen what the bag's ports table asks for.",
            )
    film = next((layer.film for layer in layers if layer.film is not None), None)
    if film is not None and film.over_mm > 0:
        yield (
            f"the film is {film.length_mm:.0f} by {film.width_mm:.0f} mm and its roll {film.roll_mm:.0f} mm wide: {film.over_mm / 1000:.2f} m "
            "of taped join lie over the laminate, where they may print",
            "Use a wider roll, or lay a strip of breather under the join.",
        )


def _line_notes(stack: StackPlan, line: TightLine, reach: BagReach | None) -> Iterator[Note]:
    """Say which layers bridge a corner in one piece, and where an asked cut was not made."""
    over = [c for c in stack.crossings if c.line == line.name]
    x, y, z = line.middle_mm
    place = f"{line.name}, {line.length_mm / 1000:.2f} m long near ({x:.0f}, {y:.0f}, {z:.0f}) mm"
    through = [c.layer for c in over if c.way == "through"]
    if through:
        yield (
            f"{', '.join(through)} run{'s' * (len(through) == 1)} in one piece across {place}: the hull bends to "
            f"{line.radius_mm:.0f} mm there{_stand_off(stack, through, reach)}",
            f'State corner = "slit" or "lap" for {"it" if len(through) == 1 else "each"} in the bag, or press '
            f"{'it' if len(through) == 1 else 'them'} in from the corner outwards before any vacuum is on.",
        )
    for c in over:
        if c.way != "through" and c.cut_mm < 0.9 * c.length_mm:
            yield (
                f"{c.layer} is cut along {c.cut_mm / 1000:.2f} of {c.length_mm / 1000:.2f} m of {place}: the rest ends inside a piece "
                "or runs round in it",
                "Slit it there by hand along the fold line drawn on the piece, once it lies on the hull.",
            )


def _lap_notes(stack: StackPlan, reach: BagReach | None) -> Iterator[Note]:
    """Say which laps friction would hold off the corners, and which draw off the line."""
    found = reach.film.layers if reach is not None and reach.film is not None else ()
    limit = reach.limit_mm if reach is not None else 0.0
    for q in found:
        if q.way != "cut" or not any(c.layer == q.kind and c.way != "through" for c in stack.crossings):
            continue
        if q.lap_mm > q.lap_most_mm:
            yield (
                f"{q.kind} is lapped by {q.lap_mm:.0f} mm in the corners, and friction may hold a lap longer than {q.lap_most_mm:.0f} mm more than "
                f"{limit:g} mm off; this one up to {q.depth_most_mm:.1f} mm",
                f"State corner_lap = \"{max(5 * int(q.lap_most_mm // 5), 5)} mm\" for it, or work it in by hand before the vacuum rises.",
            )
        if q.lap_mm < q.lap_least_mm - 0.5:
            yield (
                f"{q.kind} is lapped by {q.lap_mm:.0f} mm in the corners, and both halves laid taut draw back from the line by up to "
                f"{q.lap_least_mm:.0f} mm together",
                f"State corner = \"lap\" with corner_lap = \"{5 * int(-(-q.lap_least_mm // 5))} mm\" for it, or lay each half down into its hollows.",
            )


def _stand_off(stack: StackPlan, through: Sequence[str], reach: BagReach | None) -> str:
    """How far layers that are laid taut stay off the corners, where that was worked out; else what the film alone follows."""
    found = [q for q in (reach.film.layers if reach is not None and reach.film is not None else ()) if q.way == "through" and q.kind in through]
    if not found:
        return f", and the film alone follows no less than {stack.radius_mm:.0f} mm"
    told = ", ".join(f"{q.kind} {_from_to(q.depth_mm, q.depth_most_mm)} mm" for q in found)
    return f", and laid taut they stay off it by up to: {told} (edges held by friction alone, to held fast)"


def _from_to(low: float, high: float) -> str:
    one, two = f"{low:.0f}", f"{high:.0f}"
    return one if one == two else f"{one} to {two}"

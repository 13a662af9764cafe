"""From a job to a plan: the only place where the stages are strung together."""

from __future__ import annotations

import math
import signal
import threading
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from types import FrameType

import numpy as np

from .bagging import plan_reach
from .cloth.joins import Load
from .cloth.template import Template
from .daily import check_day, gaps_g, offcuts_g, peel_holds, plan_day, putty_g, spreads_of, tape_mm
from .errors import CheckError, FitError
from .job.area import PlySpec
from .job.model import Job, RegionSpec
from .job.reader import read_job
from .job.table import filled
from .lay.nest import Part
from .lay.parts import Lay
from .lay.rolls import lay_on_stock
from .laying import wishes_of
from .marking import hull_marks
from .placing import Placed, place
from .planned import BagReach, Caution, Check, LayerPlan, MeshPlan, Plan, PlyPlan, RegionPlan, RollPlan
from .plies_below import Lying, cloth_thickness_mm, lie_on, lying_cautions
from .progress import Tell, quiet
from .recording import with_own_numbers
from .shaping import Cut, Shaped, shape, warp_way
from .shop.own import Taken
from .shop.quantity import Quantity
from .shop.resin import Mix, resin_for
from .shop.spread import Range
from .shop.stock import roll_need, tape_rolls
from .shop.tally import ResinJob, bin_list, resin_list, thrown_resin, usual_mix
from .shop.waste import Small
from .sighting import plan_sights, sights_of
from .stacking import bag_layers, corner_ground, plan_stack
from .stocking import Supply, supplies
from .surface.combine import Plane, mirror_surface
from .surface.fillet import putty_mass_g
from .surface.frame import frame_of
from .surface.load import check_distance, load_surface
from .surface.mesh import Floats, Repair, Surface
from .surface.region import Region
from .surface.sight import Sight
from .units import say_percent

#: How far from its zero a plotter reaches that counts in 16 bits of 0.025 mm each: 32767 of them.
SIXTEEN_BITS_MM = 32767 / 40.0
#: A film that need be longer than a taut one by no more than this is not told, mm.
_SLACK_MM = 10.0


def make_plan(job: Job | str | Path, *, progress: Tell | None = None) -> Plan:
    """Work a job out, from its meshes to cut pieces, lays and lists.

    Parameters
    ----------
    job : Job or path
        A job, or the path of a job file.
    progress : callable, optional
        Told each stage and the share of it that is done.

    Returns
    -------
    Plan

    Raises
    ------
    PlyflatError
        The child that says what the user can do about it.
    """
    job, own = with_own_numbers(job if isinstance(job, Job) else read_job(job))
    check_day(job)
    lenses = sights_of(job)
    supplied = supplies(job)
    work = _Work(job, progress or quiet)
    with work.stage("meshes"):
        meshes = tuple(_mesh(work, name) for name in job.meshes)
    surfaces = {m.name: m.surface for m in meshes}
    placed: dict[str, Placed] = {}
    with work.stage("where the cloth goes"):
        # A mirror image comes after what it is made from, wherever the job states it.
        for spec in sorted(job.regions, key=lambda r: r.mirror_of is not None):
            placed[spec.name] = _place(work, spec, surfaces, placed)
    regions = []
    for spec in job.regions:
        with work.stage(f"region {spec.name}"):
            regions.append(_region(work, placed[spec.name]))
    return _summed(work, meshes, regions, supplied, lenses=lenses, own=own)


def _summed(
    work: _Work,
    meshes: tuple[MeshPlan, ...],
    regions: Sequence[RegionPlan],
    supplied: Mapping[str, Supply],
    *,
    lenses: Sequence[Sight],
    own: Sequence[Taken],
) -> Plan:
    """Lay the pieces of all regions out, and sum up what they take."""
    job = work.job
    with work.stage("lays"):
        rolls = _rolls(work, regions, supplied)
    _note_plotter(work, rolls)
    resin, mix = _resin(work, regions)
    with work.stage("the day"):
        day, notes = plan_day(job, regions, rolls, resin, mix, own)
    sights, seen = plan_sights(job, lenses, regions, meshes)
    with work.stage("marks on the hull"):
        marks, taped = hull_marks(job, regions)
    for text, where, do in (*notes, *seen, *taped):
        work.caution(text, where=where, do=do)
    return Plan(
        job,
        meshes,
        tuple(regions),
        rolls,
        resin,
        _shopping(job, regions, rolls, resin),
        _bin(job, regions, rolls, mix, day.small if mix else None),
        tuple(work.cautions),
        tuple(work.checks),
        work.seconds,
        day=day,
        sights=sights,
        hull_marks=marks,
    )


@dataclass
class _Work:
    """What one run gathers on its way."""

    job: Job
    tell: Tell
    cautions: list[Caution] = field(default_factory=list)
    checks: list[Check] = field(default_factory=list)
    seconds: dict[str, float] = field(default_factory=dict)

    @contextmanager
    def stage(self, name: str) -> Iterator[None]:
        """Time a stage and tell its beginning and end."""
        start = time.perf_counter()
        self.tell(name, 0.0)
        yield
        self.seconds[name] = time.perf_counter() - start
        self.tell(name, 1.0)

    def check(self, what: str, measured: float, limit: float, unit: str = "", *, at_least: bool = False) -> None:
        """Note a check that was passed, or refuse to go on."""
        slack = 1e-6 if at_least else 0.0
        if not (measured >= limit - slack if at_least else measured <= limit):
            side = "at least" if at_least else "at most"
            found, bound = f"{measured:.6g} {unit}".strip(), f"{limit:g} {unit}".strip()
            raise CheckError(
                f"{what}: {found}, where {side} {bound} is let through", do="Please report this with the job file."
            )
        self.checks.append(Check(what, measured, limit, unit))

    def caution(self, text: str, *, where: str = "", do: str = "") -> None:
        """Note something the builder must know."""
        self.cautions.append(Caution(text, where, do))


# --- meshes and regions ------------------------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class RegionStep:
    """How far the plan of one region has come.

    Attributes
    ----------
    region : RegionPlan
        Its templates are those that a plan cuts; without layers and stack at first.
    cautions : tuple of Caution
        All so far.
    plan : Plan or None
        Of this region alone, with its lays and sums; None until they are worked out.
    """

    region: RegionPlan
    cautions: tuple[Caution, ...]
    plan: Plan | None = None


def region_steps(job: Job, name: str, surfaces: Mapping[str, Surface], *, lay_seconds: float = 0.0) -> Iterator[RegionStep]:
    """Work one region out as a plan does and tell each stage: its plies, then its bag, then lays and sums as if it were alone.

    Parameters
    ----------
    job : Job
    name : str
        Of the region.
    surfaces : dict of str to Surface
        Meshes by name, loaded and mended.
    lay_seconds : float
        Time for the search for short lays, where the job allows so much.

    Yields
    ------
    RegionStep
        With the plies; with the bag, where it has one; with the plan.

    Raises
    ------
    PlyflatError
        As `make_plan`.
    """
    job, own = with_own_numbers(job)
    work = _Work(job, quiet)
    specs = {spec.name: spec for spec in job.regions}
    spec = specs[name]
    others: dict[str, Placed] = {}
    if spec.mirror_of is not None:
        others[spec.mirror_of] = _place(work, specs[spec.mirror_of], surfaces, {})
    # Where its layers end takes several times as long as where its plies do, which are wanted first.
    region = _plied(work, _place(work, filled(spec, bag=None), surfaces, others))
    yield RegionStep(region, tuple(work.cautions))
    if spec.bag is not None:
        again = _Work(job, quiet)
        placed = _place(again, spec, surfaces, others)
        work.cautions += [caution for caution in again.cautions if caution not in work.cautions]
        region = _bagged(work, placed, region)
        yield RegionStep(region, tuple(work.cautions))
    lay = filled(job.lay, seconds=min(job.lay.seconds, lay_seconds), tries=0)
    alone = filled(job, regions=(spec,), lay=lay, data=(), projectors=())
    work.job = alone
    plan = _summed(work, (), [region], supplies(alone), lenses=(), own=own)
    yield RegionStep(region, plan.cautions, plan)


def job_surface(job: Job, name: str) -> Surface:
    """Return a mesh of a job, loaded and mended as its table says.

    Parameters
    ----------
    job : Job
    name : str
        Of the mesh.

    Raises
    ------
    MeshError, UnknownUnit
        As `load_surface`.
    """
    spec = job.meshes[name]
    surface = load_surface(
        spec.file,
        unit=spec.unit,
        fill_holes_mm=spec.fill_holes_mm,
        keep=spec.keep,
        smooth_mm=spec.smooth_mm,
        mend_steps_mm=spec.mend_steps_mm,
    )
    return mirror_surface(surface, Plane(job.boat.centre_mm, job.boat.port)) if spec.mirror else surface


def _mesh(work: _Work, name: str) -> MeshPlan:
    spec, surface = work.job.meshes[name], job_surface(work.job, name)
    known, error = spec.check_distance, None
    if known is not None:
        error = check_distance(
            surface, known.from_mm, known.to_mm, distance_mm=known.distance_mm, tolerance=known.tolerance
        )
        work.check(f"scale of mesh {name}", abs(error), known.tolerance)
    elif spec.smooth_mm is not None:
        work.caution(
            "its scale is not proven",
            where=f"mesh {name}",
            do="Measure between two marks on the boat and state it as check_distance.",
        )
    for repair in surface.repairs:
        if repair.severity == "left":
            _note_fault(work, name, repair)
    return MeshPlan(name, spec.file.name, spec.unit or "as the file says", surface, error)


def _note_fault(work: _Work, name: str, repair: Repair) -> None:
    if repair.kind == "noise":
        # A limit of what can be found, with no place and nothing to count.
        work.caution(repair.what, where=f"mesh {name}", do="Feel for ledges by hand where blocks of the scan join.")
        return
    place = ""
    if repair.where_mm is not None:
        x, y, z = repair.where_mm
        place = f", the worst near ({x:.0f}, {y:.0f}, {z:.0f}) mm"
    work.caution(
        f"{repair.what}: {repair.count}{place}",
        where=f"mesh {name}",
        do="Look at the hull there; the report's picture of the mesh marks the places.",
    )


def _place(work: _Work, spec: RegionSpec, surfaces: Mapping[str, Surface], others: Mapping[str, Placed]) -> Placed:
    placed = place(work.job, spec, surfaces, others=others)
    for text, do in placed.cautions:
        work.caution(text, where=spec.name, do=do)
    named = [(f"P{i + 1}", region) for i, region in enumerate(placed.plies)]
    layers = _layers_beyond(work.job, spec)
    named += [(f"{layers.get(reach, 'the layer')} {reach:g} mm beyond the plies", region) for reach, region in placed.beyond.items()]
    for what, region in named:
        if region.short_mm > 1.0:
            _note_short(work, spec.name, what, region)
        if region.lost_at_mm:
            _note_lost(work, spec.name, what, region)
    return placed


def _layers_beyond(job: Job, spec: RegionSpec) -> dict[float, str]:
    """What of a region's bag ends where, by its reach beyond the largest ply."""
    if spec.bag is None:
        return {}
    bag = job.bags[spec.bag]
    found: dict[float, list[str]] = {}
    for kind, layer in bag.layers():
        far = layer.margin_mm + (bag.tape.margin_mm if kind == "bag film" else 0.0)
        found.setdefault(far, []).append(kind)
    if bag.mask_mm > 0:
        found.setdefault(bag.tape.margin_mm + bag.mask_mm, []).append("masking")
    return {far: f"the {' and '.join(kinds)}" for far, kinds in found.items()}


def _note_lost(work: _Work, name: str, what: str, region: Region) -> None:
    x, y, z = region.lost_at_mm[0]
    work.caution(
        f"{len(region.lost_at_mm)} small opening{'s' * (len(region.lost_at_mm) != 1)} or gap{'s' * (len(region.lost_at_mm) != 1)} "
        f"closed over or dropped when the edge of {what} was moved, near ({x:.0f}, {y:.0f}, {z:.0f}) mm",
        where=name,
        do="Look there on the picture.",
    )


def _region(work: _Work, placed: Placed) -> RegionPlan:
    return _bagged(work, placed, _plied(work, placed))


def _plied(work: _Work, placed: Placed) -> RegionPlan:
    """A region with its plies and without its bag."""
    spec = placed.spec
    plies: list[PlyPlan] = []
    laid: list[Shaped] = []
    lying = lie_on(work.job, spec, placed.plies)
    for i in range(len(placed.plies)):
        work.tell(f"region {spec.name}", (i + 1) / (len(spec.plies) + 4))
        cut = _cut_of_ply(work.job, spec, i)
        shaped = shape(work.job, spec, lying[i].region, cut, earlier=laid, plies=len(spec.plies), seam_shift_mm=spec.seam_shift_mm)
        laid.append(shaped)
        plies.append(_ply_plan(work, placed, i, shaped, lying[i]))
    return RegionPlan(
        spec.name,
        spec.mesh,
        placed.base,
        _warp_points(work.job, spec, placed.base),
        tuple(plies),
        (),
        plies[0].seams_mm,
        placed.way,
        placed.corner,
        placed.fillet,
        *_putty_g(spec, placed),
    )


def _bagged(work: _Work, placed: Placed, plied: RegionPlan) -> RegionPlan:
    """The same with the layers of its bag."""
    spec = placed.spec
    if spec.bag is None:
        return plied
    bag = work.job.bags[spec.bag]
    ground = corner_ground(work.job, bag, placed.beyond)
    layers = bag_layers(work.job, spec, bag, placed.beyond, 0.0, plied.seams_mm, ground)
    thick = sum(cloth_thickness_mm(work.job, p.cloth) * p.copies for p in spec.plies)
    reach, notes = plan_reach(work.job, bag, layers, found=ground.found, plies_mm=thick, progress=work.tell)
    _note_film(work, spec.name, layers, reach)
    for text, do in notes:
        work.caution(text, where=f"{spec.name}, bag film", do=do)
    work.tell(f"region {spec.name}: tape and ports", 0.95)
    stack, layers, notes = plan_stack(work.job, spec, placed, plied.plies, layers, ground, reach)
    for text, do in notes:
        work.caution(text, where=f"{spec.name}, bag", do=do)
    return replace(plied, layers=layers, reach=reach, stack=stack)


def _putty_g(spec: RegionSpec, placed: Placed) -> tuple[float, float]:
    """Putty to mix for a region's fillet and what of it stays in the corner, g."""
    if placed.fillet is None or spec.corner is None or spec.corner.fillet is None:
        return 0.0, 0.0
    stated = spec.corner.fillet
    stays = putty_mass_g(placed.fillet.volume_mm3, stated.density_g_cm3)
    return putty_mass_g(placed.fillet.volume_mm3, stated.density_g_cm3, stated.loss), stays


def _note_short(work: _Work, name: str, what: str, region: Region) -> None:
    x, y, z = region.short_at_mm or (0.0, 0.0, 0.0)
    work.caution(
        f"the surface ends {region.short_mm:.0f} mm short of the edge of {what}, "
        f"near ({x:.0f}, {y:.0f}, {z:.0f}) mm",
        where=name,
        do="Scan further out, or lessen the margins.",
    )


def _cut_of_ply(job: Job, spec: RegionSpec, i: int) -> Cut:
    ply = spec.plies[i]
    cloth = job.cloths[ply.cloth]
    return Cut(
        name=f"P{i + 1}",
        material=ply.cloth,
        angle_deg=ply.angle_deg,
        face_up=ply.face_up or cloth.face_up,
        copies=ply.copies,
        limit=cloth.strain_limit,
        roll_width_mm=cloth.roll_width_mm,
        roll_length_mm=cloth.roll_length_mm,
        edge_mm=cloth.edge_mm,
        lap_mm=job.laps.join_mm,
        trim_mm=job.laps.trim_mm,
        stagger_mm=job.laps.stagger_mm,
        may_dart=True,
        join=ply.join or "lap",
        load=_load(job, spec, ply),
        panels=spec.panels,
        threads=wishes_of(
            cloth, spec, warp=warp_way(job, spec), angle_deg=ply.angle_deg, over_share=job.limits.over_share
        ),
    )


def _load(job: Job, spec: RegionSpec, ply: PlySpec) -> Load | None:
    """The direction in which a ply is loaded, as its joins see it."""
    stated = ply.load
    if stated is None:
        return None
    way, turn = warp_way(job, spec), 0.0
    if isinstance(stated, float):
        turn = stated
    elif isinstance(stated, str):
        way = np.array(job.boat.forward if stated == "forward" else job.boat.up)
    else:
        way = np.subtract(stated[1], stated[0])
    x, y, z = way / np.linalg.norm(way)
    return Load((float(x), float(y), float(z)), turn, spec.butt_within_deg)


def _ply_plan(work: _Work, placed: Placed, i: int, shaped: Shaped, lying: Lying) -> PlyPlan:
    spec, region, name = placed.spec, placed.plies[i], f"P{i + 1}"
    ply = spec.plies[i]
    where = f"{spec.name} {name}"
    strain = shaped.strain
    if strain.over_share > work.job.limits.over_share:
        work.caution(
            f"{say_percent(strain.over_share)} of its area must give more than {say_percent(strain.limit)} "
            f"(99 % of it less than {say_percent(strain.p99)})",
            where=where,
            do="Expect to work the cloth by hand there, allow more pieces or darts, or turn it so that it can shear.",
        )
    for what, measured, limit, unit in shaped.checks:
        work.check(f"{where}: {what}", measured, limit, unit)
    for text, do in (*shaped.cautions, *lying_cautions(lying)):
        work.caution(text, where=where, do=do)
    return PlyPlan(
        name,
        ply.cloth,
        ply.angle_deg,
        placed.grow_mm[i],
        region.area_mm2,
        shaped.lap_area_mm2,
        region,
        shaped.pieces,
        shaped.templates,
        strain,
        shaped.seams_mm,
        placed.laps_mm[i] if placed.laps_mm else None,
        shaped.lap_clearance_mm,
        shaped.darts,
        shaped.patches,
        shaped.yarns,
        joins=shaped.joins,
        panels=shaped.panels,
        layings=shaped.layings,
        lying=lying,
    )


def _note_film(work: _Work, name: str, layers: Sequence[LayerPlan], reach: BagReach | None) -> None:
    """Say how much longer the film is than one drawn taut, unless that one would follow the hull as near as is asked."""
    film = next((layer for layer in layers if layer.kind == "bag film"), None)
    if film is None or film.joined is not None or max(film.slack_mm) <= _SLACK_MM:
        return
    if reach is not None and not reach.pleats and not reach.bridging.spots and (reach.film is None or reach.film.met):
        return
    ways = zip(film.slack_mm, ("along the warp line", "across it" if film.slack_mm[0] > _SLACK_MM else "across the warp line"))
    told = " and ".join(f"{slack:.0f} mm {way}" for slack, way in ways if slack > _SLACK_MM)
    fed = " Pleats give the corners what they want of it: see their heights." if reach is not None and reach.pleats else ""
    work.caution(
        f"a film drawn taut from edge to edge would lack {told} at the worst sections, and would bridge the corners",
        where=f"{name}, {film.kind}",
        do=f"The film is cut that much larger, so that it can reach the bottom of every corner.{fed}",
    )


def _warp_points(job: Job, spec: RegionSpec, base: Region) -> Floats:
    """Two points of the base region's surface along its warp line, for pictures and for marking the hull."""
    way = warp_way(job, spec)
    points = base.surface.vertices_mm
    reach = 0.15 * float(np.ptp(points @ way))
    if base.is_disc:
        # Refuses a warp that stands square to the surface, with the place.
        frame = frame_of(base, warp=way if isinstance(spec.warp, str) else np.array(spec.warp))
        start, way = frame.origin_mm, frame.warp
    else:
        start = base.surface.locate(points.mean(axis=0)).points_mm[0]
    return base.surface.locate([start - reach * way, start + reach * way]).points_mm


# --- rolls ---------------------------------------------------------------------------------------------------------------


def _rolls(work: _Work, regions: Sequence[RegionPlan], supplied: Mapping[str, Supply]) -> tuple[RollPlan, ...]:
    """Lay all pieces of each material out on its rolls, the time shared by the number of pieces."""
    job = work.job
    wanted = {name: _templates_of(regions, name) for name in [*job.cloths, *job.consumables]}
    wanted = {name: found for name, found in wanted.items() if found}
    counts = {name: sum(t.copies for t in found) for name, found in wanted.items()}
    open_counts = sum(n for n in counts.values() if n > 1)
    rolls = []
    with _interrupt() as stop:
        for k, (name, found) in enumerate(wanted.items()):
            share = counts[name] / open_counts if counts[name] > 1 else 0.0
            # Once stopped, what is left is laid out by the quick way alone.
            seconds, hear = (0.0, None) if stop.is_set() else (job.lay.seconds * share, stop)
            rolls.append(_roll(work, supplied[name], found, seconds, hear))
            work.tell("lays", (k + 1) / len(wanted))
        stopped = stop.is_set()
    if stopped:
        work.caution(
            "the search for short lays was stopped; the best lays found by then are used", where="lays"
        )
    return tuple(rolls)


def _templates_of(regions: Sequence[RegionPlan], material: str) -> tuple[Template, ...]:
    found: list[Template] = []
    for region in regions:
        for ply in region.plies:
            found += ply.templates
        for layer in region.layers:
            found += layer.templates
    return tuple(t for t in found if t.material == material)


@contextmanager
def _interrupt() -> Iterator[threading.Event]:
    """Yield an event that the first Ctrl-C sets, so that the search ends and its best lay is kept."""
    stop = threading.Event()
    if threading.current_thread() is not threading.main_thread():
        yield stop
        return

    def heard(number: int, frame: FrameType | None) -> None:
        if stop.is_set():
            raise KeyboardInterrupt
        stop.set()

    before = signal.signal(signal.SIGINT, heard)
    try:
        yield stop
    finally:
        signal.signal(signal.SIGINT, before)


def _roll(
    work: _Work, supply: Supply, found: tuple[Template, ...], seconds: float, stop: threading.Event | None
) -> RollPlan:
    lays = _lays(work, supply, found, seconds, stop)
    off_rolls = [lay for lay in lays if lay.stock is None or lay.stock.outline is None]
    need = roll_need(
        tuple(lay.length_mm for lay in off_rolls),
        roll_length_mm=supply.length_mm,
        rolls_in_shop=supply.rolls,
        price_per_m=supply.price_per_m,
    )
    _note_lays(work, supply, found, lays)
    used = sum(lay.used_mm2 for lay in lays)
    return RollPlan(
        supply.name,
        supply.kind,
        lays,
        found,
        supply.width_mm,
        supply.length_mm,
        sum(lay.length_mm for lay in off_rolls),
        sum(t.net.area * t.copies for t in found),
        sum(t.cut.area * t.copies for t in found),
        used,
        used * 1e-6 * supply.areal_weight_g_m2,
        len(lays),
        need.cost,
        supply.turns_deg,
    )


def _lays(
    work: _Work, supply: Supply, found: tuple[Template, ...], seconds: float, stop: threading.Event | None
) -> tuple[Lay, ...]:
    spec = work.job.lay
    try:
        return lay_on_stock(
            [_part(work.job, supply, t) for t in found],
            supply.stocks,
            gap_mm=supply.gap_mm,
            table_mm=math.inf if spec.table_mm is None else spec.table_mm,
            fold=supply.fold,
            seconds=0.0 if spec.tries else seconds,
            tries=spec.tries or None,
            seed=spec.seed,
            stop=stop,
        )
    except FitError as err:
        raise FitError(err.what, where=f"{supply.name}, {err.where}" if err.where else supply.name, do=err.do) from err


def _part(job: Job, supply: Supply, t: Template) -> Part:
    """A template as it is laid out: how it may be turned, what it stays with, and when it is cut."""
    spec = next((region for region in job.regions if region.name == t.region), None)
    plies = {f"P{i + 1}": ply for i, ply in enumerate(spec.plies)} if spec else {}
    turns = supply.turns_deg
    grain = plies[t.ply].grain_deg if t.ply in plies else 0.0
    if turns is not None and grain:
        # Half-way steps only where they leave few turns: each one costs a little of the search.
        steps = (-grain, -0.5 * grain, 0.0, 0.5 * grain, grain) if len(turns) <= 2 else (-grain, 0.0, grain)
        turns = tuple(sorted({(turn + off) % 360.0 for turn in turns for off in steps}))
    group = {"nothing": "", "region": t.region, "ply": f"{t.region} {t.ply}"}[job.lay.keep]
    first = job.lay.first
    return Part(t.cut, turns, t.copies, t.name, group, first.index(t.region) if t.region in first else len(first))


def _note_lays(work: _Work, supply: Supply, found: tuple[Template, ...], lays: Sequence[Lay]) -> None:
    """Say what must be bought and which pieces could not stay together; check the gaps."""
    bought = sum(lay.stock is not None and lay.stock.bought for lay in lays)
    if bought:
        work.caution(
            f"{len(lays)} rolls are cut into and {len(lays) - bought} of them stand in the shop",
            where=supply.name,
            do=f"Buy {bought} more.",
        )
    keep = work.job.lay.keep
    if keep != "nothing":
        homes: dict[str, set[int]] = {}
        for k, lay in enumerate(lays):
            for place in lay.places:
                t = found[place.part]
                homes.setdefault(t.region if keep == "region" else f"{t.region} {t.ply}", set()).add(k)
        for name in sorted(name for name, on in homes.items() if len(on) > 1):
            work.caution(
                f"no one roll holds all its pieces; they come from {len(homes[name])}",
                where=f"{name}, {supply.name}",
                do="Mark each piece with its roll, or buy a longer roll.",
            )
    for k, lay in enumerate(lays):
        if len(lay.places) > 1:
            what = f"{supply.name}, lay {k + 1}: least gap between pieces, at least"
            work.check(what, lay.least_gap_mm, supply.gap_mm, "mm", at_least=True)


def _note_plotter(work: _Work, rolls: Sequence[RollPlan]) -> None:
    """Say where a plotter that counts in 16 bits, as old ones do, would not reach across a lay."""
    files = work.job.files
    if files.plotter == "none" or "lays" not in files.plotter_of:
        return
    for roll in rolls:
        wide = max((lay.width_mm for lay in roll.lays), default=0.0) / (2.0 if files.plotter_zero == "middle" else 1.0)
        if wide > SIXTEEN_BITS_MM:
            work.caution(
                f"its plotter files reach {wide:.0f} mm across from the plotter's zero; one that counts in 16 bits, as old ones do, reaches {SIXTEEN_BITS_MM:.0f} mm",
                where=roll.material,
                do='Ask what yours counts in. [files] plotter_zero = "middle" reaches twice as far where the machine has its zero there.',
            )


# --- lists ---------------------------------------------------------------------------------------------------------------


def _fibre_g(job: Job, regions: Sequence[RegionPlan], *, net: bool) -> dict[str, float]:
    """Cloth by name, g: as cut and wetted, or only what stays within the ply's edge."""
    grams = dict.fromkeys(job.cloths, 0.0)
    for region in regions:
        for ply in region.plies:
            for t in ply.templates:
                lap = sum(q.area for q in t.laps)
                area = t.net.area + lap if net else t.cut.area
                grams[ply.cloth] += area * t.copies * 1e-6 * job.cloths[ply.cloth].areal_weight_g_m2
    return grams


def _layer_sum_m2(regions: Sequence[RegionPlan], kind: str) -> float:
    return sum(layer.area_mm2 for region in regions for layer in region.layers if layer.kind == kind) * 1e-6


def _resin(work: _Work, regions: Sequence[RegionPlan]) -> tuple[tuple[Quantity, ...], Mix | None]:
    sums = _resin_job(work.job, regions)
    if sums is None:
        work.caution("no resin is stated, so none is worked out", do="Add a [resin] table.")
        return (), None
    return resin_list(sums), usual_mix(sums)


def _resin_job(job: Job, regions: Sequence[RegionPlan]) -> ResinJob | None:
    resin = job.resin
    if resin is None:
        return None
    return ResinJob(
        fibre_g=sum(_fibre_g(job, regions, net=False).values()),
        psi_wet=resin.wet_out_fibre_mass_fraction,
        psi_final=resin.fibre_mass_fraction,
        loss=resin.loss,
        ratio=resin.ratio,
        peel_ply_m2=_layer_sum_m2(regions, "peel ply"),
        peel_g_m2=peel_holds(job, regions),
        price_per_kg=resin.price_per_kg,
        spreads=spreads_of(job),
        gap_g=_gaps_g(job, regions),
    )


def _gaps_g(job: Job, regions: Sequence[RegionPlan]) -> Range:
    """Resin that fills gaps under all films; the same film and friction stand behind all of them, so ranges add up."""
    each = [gaps_g(job, region)[0] for region in regions]
    return Range(sum(g.low for g in each), sum(g.usual for g in each), sum(g.high for g in each))


def _shopping(
    job: Job, regions: Sequence[RegionPlan], rolls: Sequence[RollPlan], resin: Sequence[Quantity]
) -> tuple[Quantity, ...]:
    rows = []
    for roll in rolls:
        metres = roll.length_mm / 1000
        least = sum(lay.bound_mm for lay in roll.lays) / 1000 if len(roll.lays) == 1 else metres
        basis = f"derived: length cut off {roll.rolls} roll{'s' * (roll.rolls != 1)} of {roll.widths} mm"
        rows.append(Quantity(roll.material, metres, "m", min(least, metres), metres, basis, roll.cost))
    for name, length in tape_mm(regions).items():
        tape = job.consumables[name]
        metres = length / 1000
        count = tape_rolls(length, roll_length_mm=tape.roll_length_mm)
        cost = None if tape.price_per_m is None else metres * tape.price_per_m
        basis = f"derived: tape line with corners, pleats, ports, film joins, overlaps and spare; {count} roll{'s' * (count != 1)}"
        rows.append(Quantity(name, metres, "m", metres, 1.15 * metres, basis, cost))
    for region in regions:
        if region.putty_g > 0:
            rows.append(_putty(region))
    return (*rows, *(q for q in resin if q.item in ("resin", "hardener")))


def _putty(region: RegionPlan) -> Quantity:
    """Putty to mix for a region's fillet."""
    basis, g = "derived: volume under the rolling ball, with the job's density and loss", putty_g(region)
    return Quantity(f"fillet putty, {region.name}", g.usual, "g", g.low, g.high, basis)


def _bin(
    job: Job, regions: Sequence[RegionPlan], rolls: Sequence[RollPlan], mix: Mix | None, small: Small | None
) -> tuple[Quantity, ...]:
    single_use = {roll.material: roll.mass_g for roll in rolls if roll.kind != "cloth"}
    for name, length in tape_mm(regions).items():
        single_use[name] = length / 1000 * (job.consumables[name].mass_g_m or 0.0)
    offcuts = {name: g for name, (g, _) in offcuts_g(job, regions, rolls).items()}
    fibre = sum(_fibre_g(job, regions, net=True).values())
    laminate = fibre + resin_for(fibre, job.resin.fibre_mass_fraction) if job.resin else fibre
    laminate += mix.gap_g if mix else 0.0
    sums = _resin_job(job, regions)
    return bin_list(offcuts, single_use, thrown_resin(sums, fibre) if sums else None, laminate, small)

"""From a region's bag to its film as it lies: taut, with its pleats, and with what else would help."""

from __future__ import annotations

import time
from collections.abc import Sequence

import numpy as np

from .bag.corner_layers import CornerLayer, layer_cures, layers_in_corners
from .bag.envelope import FilmWay, short_at_ends
from .bag.excess import film_excess
from .bag.feeding import Fed, fit_pleats
from .bag.film import Film
from .bag.film_states import SOFT, Bench, Cure, FilmState, film_cures, in_order
from .bag.pleats import Pleat
from .job.model import Bag, Consumable, Job, SheetLayer
from .planned import BagReach, FilmPlan, LayerPlan
from .progress import Tell, quiet
from .shop.vacuum import tube_collapse_kpa
from .surface.crease import Crease
from .surface.mesh import Floats
from .whole_filming import Laid, cure_whole, lay_whole, whole_notes

Note = tuple[str, str]

#: Thickness of a film that its consumable does not state, from memory of what is sold most.
FILM_MM = 0.05
#: Stiffness and, where it draws, force at which it gives, N/mm, of sheets whose consumable states none; from memory.
PULLED: dict[str, tuple[float, float | None]] = {
    "peel ply": (60.0, None),
    "release film": (6.0, 0.3),
    "breather": (1.5, 1.0),
}
#: A film that is joined flat has no pleats; what it is called by the way that it is cut.
JOINED = {"two pieces": "joined along the corners", "envelope": "as a pouch"}
#: A pouch too short by more than this over its longer side is told, mm.
SHORT_MM = 2.0
#: A tube is told as in danger below so many times the vacuum: dents and soft spots take half of what a sound one bears.
TUBE_SAFETY = 2.0


def film_of(job: Job, bag: Bag, material: str | None = None) -> Film:
    """Return a bag film as the job states it.

    Parameters
    ----------
    job : Job
    bag : Bag
        It says how its film stretches.
    material : str, optional
        Another film of the job, taken to be of the same stuff where its own table says no more.
    """
    name = material or bag.film.material
    roll, keys = job.consumables[name], bag.film
    thick = roll.thickness_mm or FILM_MM
    stiff = roll.stiffness_n_mm / thick if roll.stiffness_n_mm else keys.modulus_mpa
    gives = roll.gives_n_mm / thick if roll.gives_n_mm else keys.yield_mpa
    return Film(
        name, stiff, thick, yield_mpa=gives, break_stretch=keys.break_stretch, hardening_mpa=keys.hardening_mpa
    )


def place_film(
    job: Job,
    bag: Bag,
    layers: Sequence[LayerPlan],
    reach: BagReach,
    lines: Sequence[Crease],
    *,
    plies_mm: float = 0.0,
    progress: Tell = quiet,
) -> tuple[FilmPlan | None, tuple[Pleat, ...], tuple[Note, ...]]:
    """Lay a bag's film over the sections of its reach, make its pleats to suit, and try what would help.

    Parameters
    ----------
    job : Job
    bag : Bag
    layers : sequence of LayerPlan
        Of that bag.
    reach : BagReach
        With the pleats where they first stand.
    lines : sequence of Crease
        The corner lines that its sections cut.
    plies_mm : float
        Thickness of the laminate: a film laid whole lies on that and on the layers.
    progress : callable

    Returns
    -------
    FilmPlan or None
        None where the job asks for none, or there is no corner to lay it into.
    tuple of Pleat
        As high as they must be.
    tuple of (str, str)
        What is wrong, and what would help.
    """
    if bag.film.worked_out == "no" or not reach.sections:
        return None, () if bag.film.cut in JOINED else reach.pleats, ()
    began = time.perf_counter()
    film, keys = film_of(job, bag), bag.film
    tuck = min(keys.tuck_kpa, reach.pressure_kpa)
    density = job.resin.density_g_cm3 if job.resin else 1.15
    bench = Bench(reach.sections, tuple(lines), reach.limit_mm, keys.friction, tuck, density)
    progress("film drawn taut", 0.0)
    taut = tuple(bench.state("drawn taut", film, p) for p in _rising(tuck, reach.pressure_kpa))
    fed: Fed | None = None
    joined = JOINED.get(keys.cut)
    if joined is None and taut[-1].depth_most_mm > reach.limit_mm:
        progress("film with its pleats", 0.2)
        fed = _fed(bag, bench, film, reach, lines)
    laid: Laid | None = None
    notes: tuple[Note, ...] = ()
    if keys.worked_out == "whole" and joined is None:
        laid, notes = lay_whole(
            job, bag, layers, reach, lines, film, fed, density_g_cm3=density, feed_mm=bench.feed_mm(film), plies_mm=plies_mm,
            progress=progress,
        )  # fmt: skip
        fed = laid.whole.best.fed if laid is not None and laid.whole.best is not None else fed
    short = _short(layers, reach)
    pleated = _pleated(bench, film, keys.cut, fed, _rising(tuck, reach.pressure_kpa), short) or taut
    progress("layers in the corners", 0.4)
    pulled = layers_in_corners(bench, [_in_corner(job, bag, q) for q in layers if _is_sheet(q)], reach.pressure_kpa)
    progress("film cures", 0.5)
    cures: tuple[Cure, ...] = ()
    others = _others(job, bag)
    if fed is not None:
        cures = film_cures(bench, film, fed, taut[-1], pleated[-1], others, progress=progress)
    said = f"{film.name} {joined or 'drawn taut'}" if fed is None else f"{len(fed.pleats)} pleats as listed"
    cures = in_order((*cures, *layer_cures(bench, film, pleated[-1], pulled, what=said)))
    whole = None
    if laid is not None:
        whole, more = cure_whole(laid, cures, others, progress=progress)
        notes = (*notes, *more, *whole_notes(whole))
    plan = FilmPlan(
        film, reach.pressure_kpa, tuck, keys.friction, reach.limit_mm, taut, pleated, fed, cures, pulled,
        film_excess(reach.surface), time.perf_counter() - began, whole,
    )  # fmt: skip
    pleats = reach.pleats if fed is None else fed.pleats
    return plan, () if fed is None else pleats, (*_notes(job, bag, plan, reach), *_end_notes(layers, plan, short), *notes)


def _pleated(bench: Bench, film: Film, cut: str, fed: Fed | None, pressures: Sequence[float], short: Floats | None) -> tuple[FilmState, ...]:
    """A film with its pleats, or joined flat and cut to its way; empty where it has neither."""
    if fed is not None:
        return tuple(bench.state("with its pleats", film, p, fed=fed) for p in pressures)
    if cut not in JOINED:
        return ()
    return tuple(bench.state(JOINED[cut], film, p, taped_at_corner=cut == "two pieces", whole_way=True, short_mm=short) for p in pressures)


def _pouch_of(layers: Sequence[LayerPlan]) -> FilmWay | None:
    """The pouch that a bag's film is made up as, where it is one whose length is known."""
    joined = next((q.joined for q in layers if q.kind == "bag film"), None)
    return joined if joined is not None and joined.length_mm > 0 else None


def _short(layers: Sequence[LayerPlan], reach: BagReach) -> Floats | None:
    """What each section lacks under a pouch whose ends are taut, mm; None where the film is no pouch, or the part is open."""
    pouch = _pouch_of(layers)
    tape = next((q.region for q in layers if q.kind == "sealant tape"), None)
    if pouch is None or tape is None:
        return None
    return np.array([short_at_ends(tape.parent, s, pouch.along, pouch.length_mm) for s in reach.sections])


def _end_notes(layers: Sequence[LayerPlan], plan: FilmPlan, short: Floats | None) -> list[Note]:
    """What to say about a pouch that is too short over the side laminated while its ends are taut."""
    pouch = _pouch_of(layers)
    most = 0.0 if short is None else float(short.max())
    if pouch is None or most <= SHORT_MM:
        return []
    last = plan.pleated[-1]
    return [
        (
            f"over the side laminated the way from end to end is up to {pouch.length_mm + most:.0f} mm and the pouch {pouch.length_mm:.0f} mm "
            f"long: while its end seams stay where they are the film lacks {most:.0f} mm there, and stands up to {last.depth_mm:.1f} mm off",
            f"Draw {most / 2:.0f} mm of film over each end from the other side before the pump pulls, or add {most:.0f} mm to slack in the "
            "bag's film.",
        )
    ]


def _fed(bag: Bag, bench: Bench, film: Film, reach: BagReach, lines: Sequence[Crease]) -> Fed:
    """Pleats as the sections want them."""
    keys = bag.film
    return fit_pleats(
        reach.pleats, reach.corners, lines, reach.sections, film, reach.tapes_mm, pressure_kpa=reach.pressure_kpa,
        limit_mm=reach.limit_mm, most_mm=keys.pleat_most_mm, margin_mm=keys.pleat_margin_mm, feed_mm=bench.feed_mm(film),
    )  # fmt: skip


def _rising(tuck: float, full: float) -> tuple[float, ...]:
    return (tuck, full) if tuck < full else (full,)


def _is_sheet(layer: LayerPlan) -> bool:
    return layer.kind in PULLED


def _in_corner(job: Job, bag: Bag, layer: LayerPlan) -> CornerLayer:
    """A layer as it goes through corners: slit or lapped as the job says, else as it would have to be."""
    asked = dict(bag.layers()).get(layer.kind)
    lap = None
    if isinstance(asked, SheetLayer) and asked.corner != "through":
        lap = asked.corner_lap_mm if asked.corner == "lap" else 0.0
    return CornerLayer(layer.kind, *_layer_film(job, layer), None if layer.region is None else layer.region.surface, lap)


def _layer_film(job: Job, layer: LayerPlan) -> tuple[Film, str]:
    """A layer as a film that is pulled one way, and where its figures come from."""
    roll: Consumable = job.consumables[layer.material]
    stiff, gives = PULLED[layer.kind]
    stated = roll.stiffness_n_mm is not None
    stiff = roll.stiffness_n_mm if roll.stiffness_n_mm is not None else stiff
    gives = roll.gives_n_mm if roll.gives_n_mm is not None else (None if stated else gives)
    thick = roll.thickness_mm or 0.1
    film = Film(
        layer.material, stiff / thick, thick, yield_mpa=None if gives is None else gives / thick, hardening_mpa=0.02 * stiff / thick
    )
    return film, "stated" if stated else "from memory"


def _others(job: Job, bag: Bag) -> list[Film]:
    """Other films of the job, and a soft one."""
    own = film_of(job, bag)
    names = [n for n, c in job.consumables.items() if c.kind == "bag film" and n != bag.film.material]
    films = [film_of(job, bag, name) for name in names]
    return [*films, SOFT] if own.yield_n_per_mm > SOFT.yield_n_per_mm else films


def _notes(job: Job, bag: Bag, plan: FilmPlan, reach: BagReach) -> list[Note]:
    out: list[Note] = []
    if job.consumables[bag.film.material].thickness_mm is None:
        out.append(
            (
                f"the thickness of {bag.film.material!r} is not stated: {FILM_MM:g} mm is taken, from memory of what is sold most",
                f"Measure it and state thickness in [consumable.{bag.film.material!r}]: what a film bridges grows with it.",
            )
        )
    out += _pleat_notes(plan, reach)
    last = plan.pleated[-1]
    if last.bursts:
        out.append(
            (
                f"the film is stretched to {last.stretch:.1f} times its length and breaks at {plan.film.break_stretch:g} times",
                "Put in more pleats before any vacuum is on.",
            )
        )
    return out


def _pleat_notes(plan: FilmPlan, reach: BagReach) -> list[Note]:
    """What the film leaves once its own pleats are in."""
    if plan.fed is None:
        return []
    last, out = plan.pleated[-1], []
    x, y, z = last.place_mm
    if last.depth_mm > reach.limit_mm:
        met = [q for q in plan.cures if q.meets]
        out.append(
            (
                f"even with its pleats the film stands {last.depth_mm:.1f} mm off the hull near ({x:.0f}, {y:.0f}, {z:.0f}) mm, "
                f"where {reach.limit_mm:g} mm is the limit",
                f"What would do: {met[0].what}." if met else "No cure that was tried keeps the limit: fill the corner, or raise the limit.",
            )
        )
    elif last.depth_most_mm > reach.limit_mm:
        out.append(
            (
                f"the pleats feed {last.over_mm:.0f} mm of corner from farther than film is drawn at {plan.tuck_kpa:.0f} kPa; there "
                f"it stands up to {last.depth_most_mm:.1f} mm off, near ({x:.0f}, {y:.0f}, {z:.0f}) mm, unless it is pushed in by hand",
                "Work the slack into the corner by hand before the gauge shows that much, or bring the tape nearer.",
            )
        )
    if len(plan.fed.unfed):
        k = int(plan.fed.unfed[0])
        a, b, c = reach.sections[k].place_mm
        out.append(
            (
                f"no fold from the tape gives the corner near ({a:.0f}, {b:.0f}, {c:.0f}) mm all the film it wants",
                "Fill that corner, or tape the bag down along it.",
            )
        )
    return out


def tube_notes(bag: Bag, pressure_kpa: float) -> tuple[Note, ...]:
    """Return what to say about hollow tubes that a vacuum presses on.

    Parameters
    ----------
    bag : Bag
    pressure_kpa : float

    Raises
    ------
    VacuumError
        A wall thicker than its radius.
    """
    out = []
    for tube in bag.hollow:
        bears = tube_collapse_kpa(tube.modulus_gpa, poisson=tube.poisson, wall_mm=tube.wall_mm, radius_mm=tube.radius_mm)
        if bears < TUBE_SAFETY * pressure_kpa:
            out.append(
                (
                    f"{tube.what}: a sound long tube of {tube.radius_mm:g} mm radius and {tube.wall_mm:g} mm wall buckles at "
                    f"{bears:.0f} kPa (elastic, from memory); the bag presses with {pressure_kpa:.0f} kPa, and dents or soft spots "
                    "take half of what it bears",
                    "Plug it and let the air's pressure in, fill or shore it from within, or pull less vacuum.",
                )
            )
    return tuple(out)


__all__ = ["FILM_MM", "film_of", "place_film", "tube_notes"]

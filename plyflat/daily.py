"""From a job and its planned regions to the sums of the day: vacuum, bleed, clock, cure, sun, waste and order."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace

import numpy as np

from .errors import PlyflatError
from .job.area import FilletSpec
from .job.model import Job, Resin
from .job.resolved import key_text
from .planned import LayerPlan, PlyPlan, RegionPlan, RollPlan
from .shop import cure, sun
from .shop.bleed import (
    PEEL_PLY_RESIN_G_M2,
    Bleed,
    BleedError,
    Stack,
    bleed_of,
    breather_holds,
    lead_holds_g_m,
    open_share,
)
from .shop.clock import Batch, FilletDay, Fit, PotLife, Speed, Work, batches_of, fit_of, speed_of, steps_of
from .shop.day import CureDay, Day, RegionDay
from .shop.finish import Finish, finish_of
from .shop.leaks import Mark, tape_marks
from .shop.mixing import Fractions, PlyStuff, RegionMix, Spreads, region_mix, volumes_ml
from .shop.own import Taken
from .shop.quantity import Quantity
from .shop.resin import Mix, thickness_mm, usual_fractions
from .shop.spread import NOTHING, Range
from .shop.stock import offcut_g, tape_rolls
from .shop.thickness import LaidPly, Thickness, area_factor, sheared_factor, thickness_of
from .shop.vacuum import (
    INHG_KPA,
    LEAST_GAUGE_KPA,
    Pull,
    Tube,
    absolute_kpa,
    air_pressure_kpa,
    bag_air,
    boiling_c,
    pull_of,
    tube_collapse_kpa,
    void_pressure_kpa,
)
from .shop.waste import (
    Cut,
    Margin,
    OrderLine,
    Reuse,
    Small,
    cuts_of,
    order_mass,
    order_roll,
    reuse_of,
    small_things,
    with_surface,
)
from .units import say_percent

#: Vacuum aimed at where the job states none, as a share of the air's pressure: 80 kPa at the height of the sea. Common
#: practice; a share, because no fixed gauge can be held at any height.
USUAL_GAUGE_SHARE = 0.79
#: A log this far under the hottest hold planned never reached it, °C. This program's choice.
SHORT_C = 3.0
#: Beyond this shear a net is read from its areas alone. This program's choice.
MOST_SHEAR_DEG = 80.0


class HeatError(PlyflatError, ValueError):
    """The sun would soften this laminate: choose another paint or resin, or accept it in the job file."""


@dataclass
class _Notes:
    """What the builder must know, gathered on the way."""

    rows: list[tuple[str, str, str]] = field(default_factory=list)

    def add(self, text: str, where: str, do: str) -> None:
        self.rows.append((text, where, do))


def plan_day(
    job: Job, regions: Sequence[RegionPlan], rolls: Sequence[RollPlan], resin: Sequence[Quantity], mix: Mix | None,
    own: Sequence[Taken] = (),
) -> tuple[Day, tuple[tuple[str, str, str], ...]]:
    """Work out the day of a job.

    Parameters
    ----------
    job : Job
    regions : sequence of RegionPlan
    rolls : sequence of RollPlan
    resin : sequence of Quantity
        What to mix in all, for the order.
    mix : Mix or None
    own : sequence of Taken
        The builder's own numbers that are in the job already.

    Returns
    -------
    Day
    tuple of (text, where, do)
        What the builder must know.

    Raises
    ------
    PlyflatError
        A quantity of the job that cannot be, such as a vacuum deeper than the air is heavy.
    """
    notes = _Notes()
    if job.own.use and not own:
        notes.add("the job asks for your own numbers, and none are recorded beside it", "[own]", "Record what you weigh and time; see plyflat record.")
    air = air_kpa(job)
    pot = _pot(job)
    hottest = max([job.place.temperature_c, *(c for _, c in job.cure.plan or ())])
    days: list[RegionDay] = []
    fillets, start = _fillets(job, regions, pot)
    for region in regions:
        fillet = fillets.get(region.name)
        if fillet is not None and fillet.wet:
            fillet = replace(fillet, start_min=start)
        start = max(start, fillet.cloth_min) if fillet is not None else start
        one = _region_day(job, region, air, pot, start, notes)
        days.append(one if fillet is None else replace(one, fillet=_under_cloth(fillet, one, notes)))
        start += one.steps[-1].end_s / 60.0 if one.steps else 0.0
    cured = _cure(job, notes)
    if days and any(d.pull for d in days):
        _note_boiling(job, next(d.pull for d in days if d.pull), hottest, notes)
    sunned = _sun(job, notes)
    small = _small(job, days)
    day = Day(
        air, job.place.temperature_c, hottest, job.place.humidity, void_pressure_kpa(hottest, job.place.humidity), tuple(days), cured, sunned,
        small, _cuts(job, regions, rolls, mix, small, days), _reuse(job, regions, rolls), _order(job, regions, rolls, resin, days), tuple(own),
    )  # fmt: skip
    return day, tuple(notes.rows)


@contextmanager
def _at(where: str) -> Iterator[None]:
    """Name the place in the job file in a fault that comes from a sum."""
    try:
        yield
    except PlyflatError as err:
        if err.where:
            raise
        raise type(err)(err.what, where=where, do=err.do) from err


def check_day(job: Job) -> None:
    """Refuse what the day's sums would refuse in the end, before the long work starts.

    Parameters
    ----------
    job : Job

    Raises
    ------
    PlyflatError
        The child that says what the user can do about it, with the table of the job file.
    """
    aside = _Notes()
    if job.bags:
        with _at("[vacuum] gauge"):
            air = air_kpa(job)
            absolute_kpa(_gauge_kpa(job, air), air)
    if job.resin is not None:
        with _at("[resin] ratio_by_volume"):
            volumes_ml(
                1.0, 1.0, part_density_g_cm3=job.resin.part_density_g_cm3, hardener_density_g_cm3=job.resin.hardener_density_g_cm3,
                ratio=job.resin.ratio, ratio_by_volume=job.resin.ratio_by_volume,
            )  # fmt: skip
    for spec in job.regions:
        if spec.corner is not None and spec.corner.fillet is not None and spec.corner.fillet.gels is not None:
            with _at(f"{spec.name}, corner.fillet gels"):
                speed_of(spec.corner.fillet.gels)
    for name in job.consumables:
        with _at(f"[consumable.{key_text(name)}] hole"):
            _open_share(job, name)
    with _at("[cure]"):
        _cure(job, aside)
    with _at("[service]"):
        _sun(job, aside)


def air_kpa(job: Job) -> float:
    """Return the pressure of the air in the shop: its barometer, or height and weather.

    Parameters
    ----------
    job : Job
    """
    place = job.place
    if place.air_kpa is not None:
        return place.air_kpa
    return air_pressure_kpa(place.altitude_mm / 1000.0, weather_kpa=place.weather_kpa)


# --- what the job states -------------------------------------------------------------------------------------------------


def _gauge_kpa(job: Job, air_kpa: float) -> float:
    """The vacuum aimed at; where none is stated, what a pump reaches in this air."""
    stated = job.vacuum.gauge_kpa
    return USUAL_GAUGE_SHARE * air_kpa if stated is None else stated


def pressure_on_bag_kpa(job: Job) -> float:
    """Return the pressure across the bag film that the job aims at.

    Parameters
    ----------
    job : Job
    """
    return _gauge_kpa(job, air_kpa(job))


def spreads_of(job: Job) -> Spreads:
    """How far what goes into the sums may lie off, as the job states it.

    Parameters
    ----------
    job : Job
    """
    r = job.ranges
    return Spreads(r.wet_out, r.fibre_mass_fraction, r.loss, r.areal_weight, r.density)


def _solid_share(job: Job) -> Range:
    r = job.ranges
    found = Range.about(r.breather_solid, r.breather_solid_spread)
    return Range(found.low, found.usual, min(found.high, 0.98))


def _pot(job: Job) -> PotLife | None:
    resin = job.resin
    if resin is None or resin.pot_life is None:
        return None
    return PotLife(speed_of(resin.pot_life), resin.pot_mass_g)


def _open_time(job: Job, pot: PotLife) -> Speed:
    """How long a thin layer stays workable; without a figure of its own, no longer than the pot life."""
    stated = job.resin.open_time if job.resin else None
    return pot.speed if stated is None else speed_of(stated, kj_mol=pot.speed.kj_mol)


def peel_holds(job: Job, regions: Sequence[RegionPlan]) -> Range:
    """Resin that the job's peel plies keep, g/m²: yours if one is stated, else the published weighing.

    Parameters
    ----------
    job : Job
    regions : sequence of RegionPlan
    """
    names = {layer.material for r in regions for layer in r.layers if layer.kind == "peel ply"}
    stated = [job.consumables[n].holds_g_m2 for n in sorted(names)]
    known = [s for s in stated if s is not None]
    return Range.about(max(known), 0.1) if known and len(known) == len(stated) else PEEL_PLY_RESIN_G_M2


# --- one region ----------------------------------------------------------------------------------------------------------


def _layer(region: RegionPlan, kind: str) -> LayerPlan | None:
    return next((layer for layer in region.layers if layer.kind == kind), None)


def _layer_m2(region: RegionPlan, kind: str) -> float:
    return sum(layer.area_mm2 for layer in region.layers if layer.kind == kind) * 1e-6


def _copies(ply: PlyPlan) -> int:
    return max((t.copies for t in ply.templates), default=1)


def _stuff(job: Job, ply: PlyPlan) -> PlyStuff:
    cloth = job.cloths[ply.cloth]
    g_mm2 = cloth.areal_weight_g_m2 * 1e-6
    cut = sum(t.cut.area * t.copies for t in ply.templates) * g_mm2
    kept = sum((t.net.area + sum(q.area for q in t.laps)) * t.copies for t in ply.templates) * g_mm2
    areal = cloth.areal_weight_g_m2 * _copies(ply)
    return PlyStuff(ply.name, cut, kept, areal, cloth.fibre_density_g_cm3)


def _region_day(
    job: Job, region: RegionPlan, air_kpa: float, pot: PotLife | None, start_min: float, notes: _Notes
) -> RegionDay:
    stuff = [_stuff(job, ply) for ply in region.plies]
    gap, gap_basis = gaps_g(job, region)
    mix = _mix(job, region, stuff, gap)
    usual_psi = _usual_psi(job, region, stuff, notes)
    pull = _pull(job, region, air_kpa, notes) if region.layers else None
    bleed = _bleed(job, job.resin, region, stuff, notes) if job.resin and region.layers else None
    work = _work(job, region, pull)
    batches: tuple[Batch, ...] = ()
    fits: tuple[Fit | None, Fit | None] = (None, None)
    if pot is not None and mix is not None and work.wet_s > 0 and mix.mixed_g.usual > 0:
        plies_g = [(p.name, p.mixed_g.usual) for p in mix.plies]
        batches = batches_of(
            plies_g, pot, temperature_c=job.place.temperature_c, seconds=work.wet_s, pot_share=job.clock.pot_share, mix_s=work.mix_s
        )
        fits = _fits(job, work, pot, len(batches))
        _note_fit(job, region.name, bool(region.layers), fits, notes)
    lead = lead_holds_g_m(_breather(job, region), job.vacuum.lead_width_mm) if _layer(region, "breather") else NOTHING
    return RegionDay(
        region.name, start_min, sum(s.fibre_g for s in stuff), sum(s.kept_g for s in stuff), mix, usual_psi, _volumes(job, mix), bleed, pull,
        _tape_m(region), _marks(region, job.boat.forward), _layer_m2(region, "peel ply"), _layer_m2(region, "breather"),
        _layer_m2(region, "bag film"), work, pot, batches, steps_of(work, max(len(batches), 1)), fits[0], fits[1],
        gap, gap_basis, putty_g(region), region.putty_stays_g, _thick(job, region), _finish(job, region), _tubes(job, region, pull), lead,
        _open_share(job, release.material) if (release := _layer(region, "release film")) else None,
    )  # fmt: skip


def _fillets(job: Job, regions: Sequence[RegionPlan], pot: PotLife | None) -> tuple[dict[str, FilletDay], float]:
    """When each fillet is run and has gelled, and when hands are free: those that must gel come first, one after another."""
    found, at = {}, job.clock.start_min
    for region in regions:
        stated = next((s.corner.fillet for s in job.regions if s.name == region.name and s.corner is not None), None)
        if region.fillet is None or stated is None:
            continue
        run_s = 60.0 * region.fillet.length_mm / stated.run_mm_min
        found[region.name] = FilletDay(at, run_s, *_gels(job, region, stated, pot))
        at += 0.0 if stated.over == "wet" else run_s / 60.0
    return found, at


def _gels(job: Job, region: RegionPlan, stated: FilletSpec, pot: PotLife | None) -> tuple[float | None, bool, str]:
    """Time until a fillet's putty has gelled, s, whether cloth goes on it wet, and what that time stands on."""
    wet, temperature = stated.over == "wet", job.place.temperature_c
    if stated.gels is not None:
        speed = speed_of(stated.gels, kj_mol=pot.speed.kj_mol if pot is not None else None)
        return speed.at(temperature), wet, "yours: as the job states it, from the putty's data sheet"
    if pot is None:
        return None, wet, "nothing: the job states neither gels nor a pot life"
    thin = _open_time(job, pot).at(temperature)
    if wet:
        return min(thin, pot.at(temperature, region.putty_g)), wet, "derived: the pot life of so much putty, taken as the job's resin"
    return thin, wet, "derived: as long as a thin layer of the job's resin stays workable; a thicker bead gels sooner"


def _under_cloth(fillet: FilletDay, day: RegionDay, notes: _Notes) -> FilletDay:
    """What is left of a wet fillet's time once the bag is down; told where nothing is."""
    where = f"{day.name}, fillet"
    if fillet.gels_s is None:
        notes.add(
            "when its putty has gelled is not known, so the clock does not wait for it", where,
            "State gels in the fillet's table, or the resin's pot_life, and keep cloth off until it is firm to the thumb (common practice).",
        )  # fmt: skip
        return fillet
    if not fillet.wet:
        return fillet
    needed = 60.0 * (day.start_min - fillet.start_min) + (day.steps[-1].end_s if day.steps else 0.0)
    left = fillet.gels_s - needed
    if left < 0:
        notes.add(
            f"the putty under its wet cloth sets after {fillet.gels_s / 60:.0f} min, and laying and bagging take until {needed / 60:.0f} min "
            "after it is mixed",
            where,
            'Let it gel first (over = "gelled"), or take slower putty: what sets before the vacuum is full cannot be pressed (common practice).',
        )
    return replace(fillet, left_s=left)


def gaps_g(job: Job, region: RegionPlan) -> tuple[Range, str]:
    """Resin that fills what a region's film leaves open over the hull, g, and what that is worked out from.

    Parameters
    ----------
    job : Job
    region : RegionPlan
    """
    reach = region.reach
    if reach is None or job.resin is None:
        return NOTHING, "no bag, or no resin stated"
    if reach.film is not None:
        last = reach.film.pleated[-1]
        most = max(last.resin_most_g, last.resin_g)
        how = last.name + ("" if reach.film.fed is not None or last.name != "drawn taut" else ", for it needs no pleats")
        words = f"derived: the film laid over sections of the corners, {how}; usual: worked in by hand, high: as far as friction lets it slide"
        whole = reach.film.whole
        if whole is not None and last.name in ("drawn taut", "with its pleats"):
            # Laid whole it also sees where walls meet and folds cross.
            own = whole.last.resin_g
            words = f"derived: the film laid whole, {how}; low and high: that and what its sections tell, high: as far as friction lets it slide"
            return Range(min(last.resin_g, own), own, max(most, own)), words
        return Range(last.resin_g, last.resin_g, most), words
    spots = reach.bridging.spots
    usual = sum(s.resin_g for s in spots)
    words = "derived: a film drawn taut, by the ball that rolls into its corners; low: none, once pleats let it reach them"
    return Range(0.0, usual, max(usual, sum(s.resin_most_g for s in spots))), words


def putty_g(region: RegionPlan) -> Range:
    """Putty to mix for a region's fillet, g; the loss may halve or grow by half, and the radius stray by 5 %.

    Parameters
    ----------
    region : RegionPlan
    """
    stays, loss = region.putty_stays_g, region.putty_g - region.putty_stays_g
    return Range(0.9 * stays + 0.5 * loss, region.putty_g, 1.1 * stays + 1.5 * loss)


def _thick(job: Job, region: RegionPlan) -> Thickness:
    """Where cloth is sheared or pushed together; its flat thickness at the fibre fraction under vacuum."""
    psi = job.resin.fibre_mass_fraction if job.resin else None
    return thickness_of([_laid(job, ply, psi) for ply in region.plies])


def _laid(job: Job, ply: PlyPlan, psi: float | None) -> LaidPly:
    cloth = job.cloths[ply.cloth]
    flat = cloth.thickness_mm
    if flat is None and psi is not None and job.resin is not None:
        flat = thickness_mm(
            cloth.areal_weight_g_m2, psi, fibre_density_g_cm3=cloth.fibre_density_g_cm3, resin_density_g_cm3=job.resin.density_g_cm3
        )
    net = dict(ply.draped)
    points, factors, areas, edges = [], [], [], []
    for k, piece in enumerate(ply.pieces):
        hull, f = piece.surface, piece.surface.faces
        (ax, ay), (bx, by) = ((piece.flat.uv_mm[f[:, i]] - piece.flat.uv_mm[f[:, 0]]).T for i in (1, 2))
        factor, area = area_factor(f, hull.face_areas_mm2, 0.5 * (ax * by - ay * bx), len(hull.vertices_mm))
        drape = net[k].drape if k in net else None
        if drape is not None and len(drape.shear_deg) == len(factor):
            known = drape.covered & (np.abs(drape.shear_deg) < MOST_SHEAR_DEG)
            factor = np.where(known, sheared_factor(np.where(known, drape.shear_deg, 0.0)), factor)
        points.append(hull.vertices_mm)
        factors.append(factor)
        areas.append(area)
        edges.append(hull.mean_edge_mm)
    layers = _copies(ply) * (flat or 0.0)
    return LaidPly(np.concatenate(points), np.concatenate(factors), np.concatenate(areas), layers, 2.0 * max(edges))


def _finish(job: Job, region: RegionPlan) -> Finish:
    """Areas to clean, key, mask and sand, and what filler and paint go on."""
    largest = max(region.plies, key=lambda p: p.area_mm2)
    tape, stated = _layer(region, "sealant tape"), job.finish
    mask = region.stack.mask if region.stack is not None else None
    return finish_of(
        laminate_m2=largest.area_mm2 * 1e-6, edge_m=largest.region.perimeter_mm / 1000.0,
        within_tape_m2=tape.region.area_mm2 * 1e-6 if tape and tape.region else 0.0,
        mask_m2=mask.area_mm2 * 1e-6 if mask else 0.0, mask_m=mask.length_mm / 1000.0 if mask else 0.0,
        filler_mm=stated.filler_mm, filler_density_g_cm3=stated.filler_density_g_cm3, coats=stated.coats, coat_g_m2=stated.coat_g_m2,
        loss=stated.loss, spread=stated.spread,
    )  # fmt: skip


def _tubes(job: Job, region: RegionPlan, pull: Pull | None) -> tuple[Tube, ...]:
    """What the region's bag states as hollow, with what it bears."""
    spec = next((r for r in job.regions if r.name == region.name), None)
    if pull is None or spec is None or spec.bag is None:
        return ()
    return tuple(
        Tube(
            q.what, q.radius_mm, q.wall_mm, q.modulus_gpa,
            tube_collapse_kpa(q.modulus_gpa, poisson=q.poisson, wall_mm=q.wall_mm, radius_mm=q.radius_mm), pull.gauge_kpa,
        )  # fmt: skip
        for q in job.bags[spec.bag].hollow
    )


def _open_share(job: Job, name: str) -> float | None:
    """How open a release film is, where the job states its holes."""
    film = job.consumables[name]
    if film.hole_mm is None and film.hole_pitch_mm is None:
        return None
    if film.hole_mm is None or film.hole_pitch_mm is None:
        raise BleedError("hole and hole_pitch go together", do="State both, or neither.")
    return open_share(film.hole_mm, film.hole_pitch_mm)


def _breather(job: Job, region: RegionPlan) -> Range:
    """What a region's breather holds when full, g/m²; nothing where there is none."""
    breather = _layer(region, "breather")
    if breather is None:
        return NOTHING
    sheet = job.consumables[breather.material]
    return breather_holds(sheet.areal_weight_g_m2 or 0.0, measured_g_m2=sheet.holds_g_m2, solid_share=_solid_share(job))


def _mix(job: Job, region: RegionPlan, stuff: Sequence[PlyStuff], gap_g: Range) -> RegionMix | None:
    resin = job.resin
    if resin is None:
        return None
    stated = Fractions(
        resin.wet_out_fibre_mass_fraction, resin.fibre_mass_fraction, resin.loss, resin.ratio, resin.density_g_cm3, spreads_of(job)
    )
    return region_mix(stuff, stated, peel_m2=_layer_m2(region, "peel ply"), peel_g_m2=peel_holds(job, [region]), gap_g=gap_g)


def _usual_psi(job: Job, region: RegionPlan, stuff: Sequence[PlyStuff], notes: _Notes) -> tuple[float, float] | None:
    """Fibre mass fractions that such work usually ends at; what aims higher is told."""
    resin, fibre = job.resin, sum(s.fibre_g for s in stuff)
    if resin is None or fibre <= 0:
        return None
    bagged, mat = bool(region.layers), any(job.cloths[p.cloth].weave == "mat" for p in region.plies)
    density = fibre / sum(s.fibre_g / s.fibre_density_g_cm3 for s in stuff)
    low, high = usual_fractions(bagged=bagged, mat=mat, fibre_density_g_cm3=density, resin_density_g_cm3=resin.density_g_cm3)
    if resin.fibre_mass_fraction > high:
        notes.add(
            f"the job aims at {say_percent(resin.fibre_mass_fraction)} of fibre by mass, and {'mat' if mat else 'cloth'} wetted by hand "
            f"{'under a bag' if bagged else 'without a bag'} usually ends at {say_percent(low)} to {say_percent(high)} (from memory)",
            region.name,
            "State what you have weighed; a fraction that is not reached leaves the laminate heavier and the breather emptier than told.",
        )
    return low, high


def _volumes(job: Job, mix: RegionMix | None) -> tuple[float, float] | None:
    resin = job.resin
    if resin is None or mix is None:
        return None
    return volumes_ml(
        mix.resin_g.usual,
        mix.hardener_g.usual,
        part_density_g_cm3=resin.part_density_g_cm3,
        hardener_density_g_cm3=resin.hardener_density_g_cm3,
        ratio=resin.ratio,
        ratio_by_volume=resin.ratio_by_volume,
    )


def _pull(job: Job, region: RegionPlan, air_kpa: float, notes: _Notes) -> Pull:
    v = job.vacuum
    breather, tape = _layer(region, "breather"), _layer(region, "sealant tape")
    weight = (job.consumables[breather.material].areal_weight_g_m2 or 0.0) if breather else 0.0
    bag_mm2 = tape.region.area_mm2 if tape and tape.region else _layer_m2(region, "bag film") * 1e6
    s = _solid_share(job)
    under = bag_air(
        breather_m2=_layer_m2(region, "breather"), breather_g_m2=weight, bag_m2=bag_mm2 * 1e-6, loose_mm=v.loose_mm, hose_l=v.hose_l,
        solid_share=(s.high, s.usual, s.low),
    )  # fmt: skip
    pull = pull_of(
        under, air_kpa=air_kpa, gauge_kpa=_gauge_kpa(job, air_kpa), pump_m3_h=v.pump_m3_h, pump_limit_kpa=v.pump_limit_kpa,
        drop_kpa=v.drop_kpa, drop_s=v.drop_s, fall_kpa_min=v.fall_kpa_min,
    )  # fmt: skip
    if pull.down_s is None:
        notes.add(
            f"the pump ends at {v.pump_limit_kpa:.1f} kPa and the bag is to be at {pull.bag_kpa:.1f} kPa, so a gauge of "
            f"{pull.gauge_kpa:.1f} kPa is never reached",
            region.name,
            "State a smaller gauge or a better pump.",
        )
    elif pull.drop_settles_kpa > pull.bag_kpa:
        notes.add(
            f"a bag that just passes the drop test (published: US Army TM 1-1500-204-23-11, unless the job states another; {v.drop_kpa / INHG_KPA:.1f} inHg in {v.drop_s:.0f} s) leaks so much in this "
            f"volume that the pump holds it at {pull.drop_settles_kpa:.0f} kPa, not at {pull.bag_kpa:.0f} kPa",
            region.name,
            f"Hunt until the drop is under {pull.held_drop_kpa[0]:.1f} kPa in that time.",
        )
    return pull


def _bleed(job: Job, resin: Resin, region: RegionPlan, stuff: Sequence[PlyStuff], notes: _Notes) -> Bleed:
    v = job.vacuum
    final = resin.fibre_mass_fraction
    breather, holds = _layer(region, "breather"), _breather(job, region)
    largest = max(region.plies, key=lambda p: p.area_mm2)
    wet, off = min(resin.wet_out_fibre_mass_fraction, final), job.ranges.wet_out
    stack = Stack(
        fibre_g=sum(s.fibre_g for s in stuff), psi_wet=Range(max(wet - off, wet / 2), wet, min(wet + off, final)),
        psi_final=final, laminate_m2=largest.area_mm2 * 1e-6, perimeter_mm=largest.region.perimeter_mm,
        peel_m2=_layer_m2(region, "peel ply"), peel_g_m2=peel_holds(job, [region]), breather_m2=_layer_m2(region, "breather"),
        breather_g_m2=holds, margin_mm=breather.margin_mm if breather else 0.0, lead_width_mm=v.lead_width_mm,
        lead_mm=_lead_mm(job, region, breather.margin_mm if breather else 0.0),
        use=v.breather_use, most_fibre_g_m2=_most_fibre_g_m2(job, region) if breather else 0.0,
    )  # fmt: skip
    bleed = bleed_of(stack)
    weight = (job.consumables[breather.material].areal_weight_g_m2 or 0.0) if breather else 0.0
    _note_bleed(region.name, bleed, v.breather_use, lead_holds_g_m(holds, v.lead_width_mm), notes, weight)
    return bleed


def _most_fibre_g_m2(job: Job, region: RegionPlan) -> float:
    """Fibre on the hull that 99 % of the largest ply's area lies under: laps at a point do not count, a stepped middle does."""
    weights = [replace(_laid(job, p, None), flat_mm=_copies(p) * job.cloths[p.cloth].areal_weight_g_m2) for p in region.plies]
    return thickness_of(weights).p99_mm


def _lead_mm(job: Job, region: RegionPlan, margin_mm: float) -> float:
    """The lead from the breather's edge to the vacuum port as it is placed, else as the job states it."""
    ports = region.stack.ports if region.stack is not None else ()
    return max(ports[0].way_mm - margin_mm, 0.0) if ports else job.vacuum.lead_mm


def _note_bleed(name: str, bleed: Bleed, use: float, lead_g_m: Range, notes: _Notes, weight_g_m2: float) -> None:
    share = bleed.worst
    if share.high > use:
        notes.add(
            f"the resin bled fills {say_percent(share.usual)} of what the breather holds {'where most cloth lies' if share is bleed.over_most else 'on the laminate'} "
            f"({say_percent(max(share.low, 0.0))} to {say_percent(share.high)}); beyond {say_percent(use)} it carries vacuum badly (common practice), and the "
            f"fibre may end at {say_percent(bleed.reached_fraction)}",
            f"{name}, breather",
            ("" if bleed.wet_enough <= 0 else f"Wet out with {say_percent(bleed.wet_enough)} of fibre by mass or more, at most "
             f"{100 * (1 / bleed.wet_enough - 1):.0f} g of mixed resin on 100 g of cloth; or ")
            + f"{'L' if bleed.wet_enough <= 0 else 'l'}ay {bleed.more_breather * weight_g_m2:.0f} g/m² of breather for the high end, where {weight_g_m2:.0f} are planned.",
        )
    if bleed.reaches != "no":
        notes.add(
            f"resin {bleed.reaches} reach the port, {bleed.to_port_mm:.0f} mm from the laminate: it runs {bleed.run_even_mm:.0f} mm if it "
            f"spreads evenly, and {bleed.run_narrow_mm:.0f} mm in a strip as wide as the lead, which takes {lead_g_m.low:.0f} to "
            f"{lead_g_m.high:.0f} g a metre",
            f"{name}, port",
            "Put a resin trap before the pump, one that is rated for vacuum, and lead the breather round a longer way (common practice).",
        )


def _work(job: Job, region: RegionPlan, pull: Pull | None) -> Work:
    clock = job.clock
    tape = _layer(region, "sealant tape")
    return Work(
        plies_m2=tuple((p.name, p.area_mm2 * _copies(p) * 1e-6) for p in region.plies),
        layers_m2=tuple((layer.kind, layer.area_mm2 * 1e-6) for layer in region.layers if layer.kind != "sealant tape"),
        tape_mm=1000.0 * _tape_m(region) if tape else 0.0,
        wet_out_m2_min=clock.wet_out_m2_min,
        stack_m2_min=clock.stack_m2_min,
        tape_mm_min=clock.tape_mm_min,
        mix_s=clock.mix_s,
        leak_hunt_s=clock.leak_hunt_s if region.layers else 0.0,
        pull_s=pull.down_s[1] if pull and pull.down_s else 0.0,
        closing=_closing(region),
    )


def _closing(region: RegionPlan) -> str:
    """How a region's film is closed on its tape."""
    joined = next((layer.joined for layer in region.layers if layer.joined is not None), None)
    if joined is not None:
        return "close the pouch" if joined.name == "envelope" else "close the joined film on the tape"
    pleats = len(region.reach.pleats) if region.reach is not None else 0
    return f"close the film on the tape{', pleat by pleat' if pleats else ''}"


def _fits(job: Job, work: Work, pot: PotLife, count: int) -> tuple[Fit, Fit]:
    """The day at usual speeds and at the slow end of them."""
    opens, at = _open_time(job, pot), job.place.temperature_c
    slow = 1.0 - job.clock.spread
    slower = replace(
        work, wet_out_m2_min=slow * work.wet_out_m2_min, stack_m2_min=slow * work.stack_m2_min, tape_mm_min=slow * work.tape_mm_min
    )
    return (
        fit_of(work, batch_count=count, open_time=opens, temperature_c=at),
        fit_of(slower, batch_count=count, open_time=opens, temperature_c=at),
    )


def _note_fit(job: Job, name: str, bagged: bool, fits: tuple[Fit | None, Fit | None], notes: _Notes) -> None:
    usual, slow = fits
    if usual is None or slow is None or slow.slower_by <= 1.0:
        return
    fit = usual if usual.slower_by > 1.0 else slow
    how = "" if fit is usual else f" at {say_percent(1 - job.clock.spread)} of the speeds stated"
    ways = [f"a hardener {fit.slower_by:.1f} times slower"]
    if fit.cooler_c is not None:
        ways.append(f"a shop at {fit.cooler_c:.0f} degC")
    if fit.quicker_by is not None:
        ways.append(f"working {fit.quicker_by:.1f} times as fast")
    if len(fit.sessions) > 1:
        parts = "; ".join(f"{' and '.join(plies)} in {s / 60:.0f} min" for plies, s in fit.sessions)
        ways.append(f"{len(fit.sessions)} sessions with peel ply between ({parts})")
    notes.add(
        f"from the first mix to {'leaks found' if bagged else 'the last ply wetted'} takes {fit.needed_s / 60:.0f} min{how}, and the first resin on the hull stays workable for "
        f"{fit.open_s / 60:.0f} min",
        name,
        f"What would do: {'; '.join(ways)}. Smaller batches keep the pots cool but not the hull."
        + (" Pressure must be on before it gels (US Army TM 1-1500-204-23-11)." if bagged else ""),
    )


def _tape_m(region: RegionPlan) -> float:
    """Tape laid, m: with corners, pleats, ports and joins where the stack tells them; none of it kept by."""
    tape = _layer(region, "sealant tape")
    if region.stack is not None:
        return region.stack.tape.laid_mm / 1000.0
    return tape.length_mm / 1000.0 if tape else 0.0


def _marks(region: RegionPlan, forward: Sequence[float]) -> tuple[tuple[Mark, ...], ...]:
    """Marks along each loop of tape from its mark 0: where the stack begins it, else its foremost point."""
    tape = _layer(region, "sealant tape")
    if tape is None or tape.region is None:
        return ()
    surface, found = tape.region.surface, []
    if region.stack is not None:
        for line in region.stack.tape_mm:
            near = surface.locate(line)
            found.append(tape_marks(line, (near.weights[:, :, None] * surface.vertex_normals[surface.faces[near.face]]).sum(axis=1)))
        return tuple(found)
    for loop in tape.region.loops:
        first = int(np.argmax(surface.vertices_mm[loop] @ np.asarray(forward)))
        turned = np.roll(loop, -first)
        found.append(tape_marks(surface.vertices_mm[turned], surface.vertex_normals[turned]))
    return tuple(found)


# --- cure and sun --------------------------------------------------------------------------------------------------------


def _cure(job: Job, notes: _Notes) -> CureDay | None:
    stated = job.cure
    if stated.full is None:
        return None
    pot = _pot(job)
    kj = pot.speed.kj_mol if pot is not None and len(stated.full) == 1 else None
    full = speed_of(stated.full, kj_mol=kj)
    room = job.place.temperature_c
    holds = stated.plan or ((full.at(room), room),)
    profile = cure.profile_of(holds, start_c=room, ramp_c_min=stated.ramp_c_min)
    off = speed_of(stated.off, kj_mol=full.kj_mol) if stated.off else None
    log = cure.read_log(stated.log, longest_step_s=stated.log_gap_s) if stated.log is not None else None
    above = (stated.above_cure_least_c, max(stated.above_cure_least_c, stated.above_cure_most_c))
    day = CureDay(
        profile, full.basis, cure.cure_share(profile, full), cure.reached_s(profile, off) if off else None, profile.fastest_c_min,
        stated.ramp_limit_c_min,
        cure.glass_transition_c(max(c for _, c in holds), limit_c=stated.glass_transition_limit_c, above_c=above), log,
        cure.cure_share(log, full) if log else None, cure.reached_s(log, off) if log and off else None,
        cure.glass_transition_c(log.hottest_c, limit_c=stated.glass_transition_limit_c, above_c=above) if log else None,
        cure.tent_for(profile, room_c=room, area_m2=stated.tent_m2, loss_w_m2_k=stated.tent_loss_w_m2_k) if stated.tent_m2 else None,
    )  # fmt: skip
    _note_cure(day, bool(stated.off), notes)
    _note_post_cure(stated.glass_transition_c, day, above, notes)
    return day


def _note_post_cure(wanted_c: float | None, day: CureDay, above_c: tuple[float, float], notes: _Notes) -> None:
    """A glass transition from a data sheet belongs to the cure of that data sheet."""
    low, high = day.glass_transition_c
    if wanted_c is None or wanted_c <= high:
        return
    least, most = (wanted_c - above for above in reversed(above_c))
    notes.add(
        f"the job counts on a glass transition of {wanted_c:.0f} degC, and a cure at the temperatures planned brings about "
        f"{low:.0f} to {high:.0f} degC (from memory)",
        "cure",
        f"Post-cure at {least:.0f} to {most:.0f} degC, in steps, if the data sheet allows it, or state what this cure reaches.",
    )


def _note_cure(day: CureDay, off_stated: bool, notes: _Notes) -> None:
    if day.share < 0.999:
        notes.add(f"the temperatures planned give {say_percent(day.share)} of the full cure", "cure", "Hold longer or warmer.")
    if off_stated and day.off_s is None:
        notes.add("it may not come off by the end of the plan", "cure", "Hold longer or warmer.")
    if day.fastest_c_min > day.ramp_limit_c_min * (1 + 1e-9):
        notes.add(
            f"the part is heated by {day.fastest_c_min:.2g} degC a minute, more than {day.ramp_limit_c_min:.2g}",
            "cure",
            "Heat more slowly: thick parts run ahead of the heater, and resin softens before it sets (common practice).",
        )
    if day.log is not None and day.log_share is not None and day.log_share < 0.999:
        notes.add(f"the log shows {say_percent(day.log_share)} of the full cure", "cure", "Go on heating before it is loaded.")
    planned = day.profile.hottest_c
    if day.log is not None and day.log.hottest_c < planned - SHORT_C:
        notes.add(
            f"the log never passes {day.log.hottest_c:.0f} degC, and {planned:.0f} degC was planned: the glass transition comes to about "
            f"{(day.log_glass_transition_c or day.glass_transition_c)[1]:.0f} degC at most (from memory)",
            "cure",
            "Heat again before it is loaded or stands in the sun, if the data sheet allows it.",
        )
    if day.log is not None and day.log.fastest_c_min > day.ramp_limit_c_min:
        notes.add(
            f"the log shows heating by {day.log.fastest_c_min:.2g} degC a minute, more than {day.ramp_limit_c_min:.2g}",
            "cure",
            "Look for blisters and for prints of the fibre; heat more slowly next time.",
        )


def _note_boiling(job: Job, pull: Pull, hottest_c: float, notes: _Notes) -> None:
    if pull.gauge_kpa < LEAST_GAUGE_KPA:
        notes.add(
            f"the vacuum aimed at is {pull.gauge_kpa:.0f} kPa ({pull.gauge_kpa / INHG_KPA:.0f} inHg); one published rule for repairs "
            f"asks for 22 inHg (FAA AC 43.13-1B, 3-4), and the air here has {pull.air_kpa / INHG_KPA:.1f} inHg",
            "vacuum",
            "Ask the resin's data sheet what it needs; a fixed gauge cannot be held at any height.",
        )
    water = boiling_c(pull.bag_kpa)
    if hottest_c >= water:
        notes.add(
            f"water boils at {water:.0f} degC under this vacuum (vapour pressure, textbook), and the part gets {hottest_c:.0f} degC",
            "vacuum",
            "Dry core, hull and cloth, or draw less vacuum while it is hot: steam makes voids and looks like a leak.",
        )


def _sun(job: Job, notes: _Notes) -> sun.Sun | None:
    s = job.service
    if s.paint is None and s.absorptance is None:
        return None
    takes = (s.absorptance,) * 3 if s.absorptance is not None else sun.absorptance_of(s.paint or "")
    tg = job.cure.glass_transition_c
    found = sun.sun_on(
        takes, tilt_deg=s.tilt_deg, air_c=s.air_c, glass_transition_c=tg, margin_c=s.margin_c, stop_c=min(s.stop_c, s.margin_c)
    )
    if tg is None or found.tier not in ("warn", "stop"):
        return found
    text = (
        f"in the sun this surface may reach {found.surface_c[1]:.0f} degC ({found.surface_c[0]:.0f} to {found.surface_c[2]:.0f}), and "
        f"the wet glass transition is {tg:.0f} degC; {found.wanted_c[1]:.0f} degC would leave {s.margin_c:.0f} degC between them"
    )
    do = "Paint it paler, post-cure it, or choose another resin. (rise: ASTM D4803; margin: from memory, CMH-17)"
    if found.tier == "stop" and not s.accept_heat:
        raise HeatError(text, where="[service]", do=f"{do} Or state accept_heat = true, having read this.")
    notes.add(text, "service", do)
    return found


# --- waste and order -----------------------------------------------------------------------------------------------------


def _small(job: Job, days: Sequence[RegionDay]) -> Small:
    w = job.waste
    batches = sum(max(len(d.batches), 1 if d.mix else 0) for d in days)
    sessions = sum(max(len(d.fit.sessions), 1) if d.fit else 1 for d in days if d.mix)
    small = small_things(
        batches=batches, sessions=sessions, wet_s=sum(d.steps[-1].end_s for d in days if d.mix and d.steps), people=w.people,
        gloves_s=w.gloves_s, cup_g=w.cup_g, gloves_g=w.gloves_g, tools_g=w.tools_g,
    )  # fmt: skip
    done = [d.finish for d in days if d.mix]
    return with_surface(
        small, mask_m2=sum(f.mask_m2 for f in done), mask_m=sum(f.mask_m for f in done), clean_m2=sum(f.clean_m2 for f in done),
        sheet_g_m2=w.mask_sheet_g_m2, tape_g_m=w.mask_tape_g_m, wipes_g_m2=w.wipes_g_m2, solvent_g_m2=w.solvent_g_m2,
    )  # fmt: skip


def offcuts_g(job: Job, regions: Sequence[RegionPlan], rolls: Sequence[RollPlan]) -> dict[str, tuple[float, float]]:
    """Offcuts of each cloth, and what of them no shorter lay could save, g.

    Parameters
    ----------
    job : Job
    regions : sequence of RegionPlan
    rolls : sequence of RollPlan
    """
    kept: dict[str, float] = {}
    for region in regions:
        for ply in region.plies:
            kept[ply.cloth] = kept.get(ply.cloth, 0.0) + _stuff(job, ply).kept_g
    found = {}
    for roll in rolls:
        if roll.kind == "cloth":
            weight = job.cloths[roll.material].areal_weight_g_m2
            found[roll.material] = _cut_off(roll, kept.get(roll.material, 0.0) / weight * 1e6, weight)
    return found


def _layer_offcuts_g(job: Job, rolls: Sequence[RollPlan]) -> dict[str, tuple[float, float]]:
    """The same of the bag's sheets: what is cut off beside their pieces."""
    sheets = (roll for roll in rolls if roll.kind != "cloth")
    return {q.material: _cut_off(q, q.cut_area_mm2, job.consumables[q.material].areal_weight_g_m2 or 0.0) for q in sheets}


def _cut_off(roll: RollPlan, wanted_mm2: float, weight_g_m2: float) -> tuple[float, float]:
    """What is cut off beside what is wanted, and the least of it that any lay leaves, g."""
    bound = sum(lay.used_mm2 * min(lay.bound_mm / lay.length_mm, 1.0) for lay in roll.lays)
    used, least = (offcut_g(used_mm2=mm2, on_hull_mm2=wanted_mm2, areal_weight_g_m2=weight_g_m2) for mm2 in (roll.used_area_mm2, bound))
    return used, min(least, used)


def _margins(job: Job, regions: Sequence[RegionPlan]) -> list[Margin]:
    """The band that each sheet of each bag has beyond the laminate; the film's lies beyond the tape."""
    found = []
    for region in regions:
        edge = max(region.plies, key=lambda p: p.area_mm2).region.perimeter_mm
        tape = _layer(region, "sealant tape")
        for layer in region.layers:
            if layer.kind != "sealant tape" and layer.margin_mm > 0:
                line, own = edge, layer.margin_mm
                if layer.kind == "bag film" and tape is not None and tape.region is not None:
                    line, own = tape.region.perimeter_mm, _film_margin_mm(job, region, layer)
                found.append(Margin(layer.kind, own, line, job.consumables[layer.material].areal_weight_g_m2 or 0.0))
    return found


def _film_margin_mm(job: Job, region: RegionPlan, film: LayerPlan) -> float:
    spec = next((r for r in job.regions if r.name == region.name), None)
    return job.bags[spec.bag].film.margin_mm if spec is not None and spec.bag is not None else film.margin_mm


def _cuts(
    job: Job, regions: Sequence[RegionPlan], rolls: Sequence[RollPlan], mix: Mix | None, small: Small, days: Sequence[RegionDay]
) -> tuple[Cut, ...]:
    single = {r.material: (r.kind, r.mass_g) for r in rolls if r.kind != "cloth"}
    for name, mm in tape_mm(regions).items():
        single[name] = ("sealant tape", mm / 1000.0 * (job.consumables[name].mass_g_m or 0.0))
    return cuts_of(
        offcuts_g=offcuts_g(job, regions, rolls), layer_offcuts_g=_layer_offcuts_g(job, rolls), margins=_margins(job, regions),
        single_use_g=single, bled_g=mix.bleed_g if mix else 0.0,
        cups_loss_g=mix.loss_g if mix else 0.0, small=small, batches_least=len([d for d in days if d.mix]),
    )  # fmt: skip


def tape_mm(regions: Sequence[RegionPlan]) -> Mapping[str, float]:
    """Length of each tape over all regions with everything it is laid for and what is kept by, mm.

    Parameters
    ----------
    regions : sequence of RegionPlan
    """
    lengths: dict[str, float] = {}
    for region in regions:
        for layer in region.layers:
            if layer.length_mm > 0:
                pleats = sum(2 * p.height_mm for p in region.reach.pleats) if region.reach else 0.0
                length = region.stack.tape.total_mm if region.stack is not None else layer.length_mm + pleats
                lengths[layer.material] = lengths.get(layer.material, 0.0) + length
    return lengths


def _reuse(job: Job, regions: Sequence[RegionPlan], rolls: Sequence[RollPlan]) -> Reuse | None:
    films = [r for r in rolls if r.kind in ("bag film", "release film")]
    area = sum(_layer_m2(r, "bag film") for r in regions)
    if not films or area <= 0:
        return None
    costs = [r.cost for r in films]
    known = [c for c in costs if c is not None]
    w = job.waste
    return reuse_of(
        area, price_per_m2=w.reusable_price_per_m2, weight_g_m2=w.reusable_g_m2, uses=w.reusable_uses,
        single_use_cost=sum(known) if len(known) == len(costs) else None, single_use_g=sum(r.mass_g for r in films),
    )  # fmt: skip


def _order(
    job: Job, regions: Sequence[RegionPlan], rolls: Sequence[RollPlan], resin: Sequence[Quantity], days: Sequence[RegionDay]
) -> tuple[OrderLine, ...]:
    lines = []
    for roll in rolls:
        if not roll.lays:
            continue
        stock = job.cloths.get(roll.material) or job.consumables[roll.material]
        lengths = [lay.length_mm / 1000.0 for lay in roll.lays if lay.stock is None or not lay.stock.begun]
        begun = {row.name: row.length_mm / 1000.0 for row in stock.at_hand if row.length_mm is not None}
        off = sum(lay.length_mm / 1000.0 for lay in roll.lays if lay.stock is not None and lay.stock.name in begun)
        lines.append(
            order_roll(
                roll.material, lengths_m=lengths, roll_m=roll.roll_length_mm / 1000.0, rolls_in_shop=stock.rolls,
                price_per_m=stock.price_per_m, begun_m=sum(begun.values()), off_begun_m=off,
            )  # fmt: skip
        )
    for name, mm in tape_mm(regions).items():
        tape = job.consumables[name]
        count = tape_rolls(mm, roll_length_mm=tape.roll_length_mm)
        roll_m = tape.roll_length_mm / 1000.0
        lengths = [roll_m] * (count - 1) + [mm / 1000.0 - (count - 1) * roll_m]
        lines.append(order_roll(name, lengths_m=lengths, roll_m=roll_m, rolls_in_shop=tape.rolls, price_per_m=tape.price_per_m))
    mixed = [q for q in resin if q.item in ("resin", "hardener")]
    if job.resin is not None and mixed:
        lines.append(
            order_mass(
                f"{job.resin.name}, resin and hardener", need_g=sum(q.amount for q in mixed), high_g=sum(q.high for q in mixed),
                in_shop_g=job.resin.in_shop_g, price_per_kg=job.resin.price_per_kg,
            )  # fmt: skip
        )
    return (*lines, *_by_weight(job, days))


def _by_weight(job: Job, days: Sequence[RegionDay]) -> Iterator[OrderLine]:
    """Putty for fillets, and filler and paint where the job speaks of them."""
    stuffs: list[tuple[str, list[Range], float | None]] = [("fillet putty", [d.putty_g for d in days], None)]
    if "finish" in job.model_fields_set:
        stuffs += [
            ("filler", [d.finish.filler_g for d in days], job.finish.filler_price_per_kg),
            ("paint", [d.finish.paint_g for d in days], job.finish.paint_price_per_kg),
        ]
    for item, amounts, price in stuffs:
        need, high = sum(q.usual for q in amounts), sum(q.high for q in amounts)
        if high > 0:
            yield order_mass(item, need_g=need, high_g=high, in_shop_g=None, price_per_kg=price)

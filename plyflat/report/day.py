"""The day on the report: vacuum, bleed, clock, cure, sun, waste and order."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

from ..daily import spreads_of
from ..shop.vacuum import (
    DROP_LIMITS,
    INHG_KPA,
    LEAST_GAUGE_KPA,
    VAPOUR_FROM_C,
    VAPOUR_TO_C,
    leak_pa_m3_s,
    standard_l_min,
    vapour_kpa,
)
from ..units import say_percent as percent
from .leaks import hunt_rows, run_words, tube_words
from .words import amount, clock_time, counted, joined, minutes, square_metres

if TYPE_CHECKING:
    from ..planned import Plan, RegionPlan
    from ..shop.bleed import Bleed
    from ..shop.clock import FilletDay, Fit
    from ..shop.day import CureDay, Day, RegionDay
    from ..shop.mixing import PlyMix, RegionMix
    from ..shop.spread import Range
    from ..shop.vacuum import Pull


#: Ways to cut the waste that are told openly; the rest is folded up.
_TOLD = 8


class Head(NamedTuple):
    """Head of a column; a number's column is set to the right."""

    words: str
    number: bool = False


@dataclass(frozen=True)
class Table:
    """A table of the page.

    Attributes
    ----------
    caption : str
    head : list of Head
    rows : sequence of tuple of str
    deep : bool
        Whether it is for who checks the sums, and is folded up on the page and left off paper.
    """

    caption: str
    head: list[Head]
    rows: Sequence[tuple[str, ...]]
    deep: bool = False


@dataclass(frozen=True)
class Block:
    """One part of the day.

    Attributes
    ----------
    title : str
    words : tuple of str
        Paragraphs before the tables.
    tables : tuple of Table
    after : tuple of str
        Paragraphs after them.
    about : tuple of str
        What its pictures are about.
    """

    title: str
    words: tuple[str, ...] = ()
    tables: tuple[Table, ...] = ()
    after: tuple[str, ...] = ()
    about: tuple[str, ...] = ()

    @property
    def deep(self) -> tuple[Table, ...]:
        """Its tables that are folded up."""
        return tuple(t for t in self.tables if t.deep)


def _head(*words: str) -> list[Head]:
    return [Head(w.rstrip("#"), w.endswith("#")) for w in words]


def ranged(r: Range, unit: str, factor: float = 1.0) -> str:
    """Write an amount with its range and its unit.

    Parameters
    ----------
    r : Range
    unit : str
    factor : float
        From the range's unit to the one written.
    """
    if r.high - r.low < 1e-9 * max(abs(r.usual), 1.0):
        return f"{amount(r.usual * factor)} {unit}".strip()
    return f"{amount(r.usual * factor)} ({amount(max(r.low, 0.0) * factor)} to {amount(r.high * factor)}) {unit}".strip()


def _ends(values: Sequence[float], unit: str) -> str:
    low, usual, high = values
    return f"{amount(usual)} ({amount(low)} to {amount(high)}) {unit}"


def _inhg(kpa: float) -> str:
    return f"{kpa:.1f} kPa ({kpa / INHG_KPA:.1f} inHg)"


def day_blocks(plan: Plan) -> list[Block]:
    """Return the parts of the day for the job sheet; none where the plan has no day.

    Parameters
    ----------
    plan : Plan
    """
    day = plan.day
    if day is None:
        return []
    regions = {r.name: r for r in plan.regions}
    blocks = [_own(day)] if day.own else []
    blocks += [_resin(plan, r) for r in day.regions if r.mix is not None]
    blocks += [_vacuum(day, regions[r.name], r) for r in day.regions if r.pull is not None]
    blocks += [_bleed(r) for r in day.regions if r.bleed is not None]
    blocks += [_clock_block(r) for r in day.regions]
    blocks += [_surface(plan, r) for r in day.regions]
    if day.cure is not None:
        blocks.append(_cure(day.cure))
    if day.sun is not None:
        blocks.append(_sun(plan, day))
    blocks += [_waste(plan, day), _order(plan, day)]
    return blocks


# --- the parts -------------------------------------------------------------------------------------------------------------


def _own(day: Day) -> Block:
    rows = [(t.key, t.value, t.mean_of, t.was, t.was_from, "yes" if t.used else f"no: {t.why}") for t in day.own]
    words = ("Means from the record beside the job file. They are used where the job states nothing itself.",)
    head = _head("key", "yours", "from", "without it", "which is", "used")
    return Block("Your own numbers", words, (Table("Your own numbers beside what they replace", head, rows),))


def _resin(plan: Plan, r: RegionDay) -> Block:
    mix = r.mix
    if mix is None:
        return Block(r.name)
    areas = dict(r.work.plies_m2)
    rows: list[tuple[str, ...]] = [
        (p.name, amount(p.fibre_g), amount(p.kept_g / areas[p.name]), *_mixed(p)) for p in mix.plies
    ]
    rows.append(("all", amount(r.fibre_g), "", *_mixed(mix)))
    gaps = " with what fills gaps" if mix.gap_g.high > 0 else ""
    putty = f", and the fillet {amount(r.putty_stays_g)} g more" if r.putty_g.usual > 0 else ""
    words = [f"The finished laminate weighs {ranged(mix.mass_g, 'g')}{gaps}{putty}.", *_wet_words(plan, r)]
    if mix.gap_g.high > 0:
        words.append(
            f"Gaps that the film leaves over the hull take {ranged(mix.gap_g, 'g')} of that, mixed on top and shared over the plies "
            f"({r.gap_basis}). Every gap that is closed by hand saves its share."
        )
    if r.putty_g.usual > 0:
        words.append(f"Putty for the fillet: {ranged(r.putty_g, 'g')}, mixed apart (derived: volume under the rolling ball, the job's loss).")
    if r.volume_ml is not None:
        words.append(f"By volume: {amount(r.volume_ml[0])} ml of resin to {amount(r.volume_ml[1])} ml of hardener.")
    else:
        words.append("By volume it is not worked out: the job states no densities of the liquids. Weigh them.")
    q = spreads_of(plan.job)
    after = (
        f"Ranges: wet-out by {100 * q.wet_out:.0f} points of fibre either way and the loss by {percent(q.loss)} of itself (common "
        f"practice), fibre under vacuum by {100 * q.final:.0f} points, cloth by {percent(q.areal)} of its weight and densities by "
        f"{percent(q.density)} (from memory), peel ply 30 to 50 g/m² (published weighing), unless [ranges] or holds say "
        "otherwise; their ends stand for two standard deviations.",
    )
    head = _head("ply", "cloth as cut, g#", "on the hull, laps too, g/m²#", "mixed, g#", "resin, g#", "hardener, g#", "thickness, cured, mm#")
    return Block(f"What to mix for {r.name}", tuple(words), (Table("Mixed for each ply, cups and rollers included", head, rows), _thick(r)), after)


def _mixed(p: PlyMix | RegionMix) -> tuple[str, ...]:
    """Mixed, resin, hardener and thickness, without their units."""
    return tuple(ranged(q, "") for q in (p.mixed_g, p.resin_g, p.hardener_g, p.thickness_mm))


def _wet_words(plan: Plan, r: RegionDay) -> list[str]:
    """Say how wet the cloth is made, how wet it stays, and what is usual."""
    resin = plan.job.resin
    if resin is None or r.mix is None or r.usual_psi is None or r.fibre_g <= 0:
        return []
    wet, final = (min(resin.wet_out_fibre_mass_fraction, resin.fibre_mass_fraction), resin.fibre_mass_fraction)
    low, high = r.usual_psi
    return [
        f"On 100 g of cloth come {100 * (1 / wet - 1):.0f} g of mixed resin ({percent(wet)} of fibre by mass), of which {100 * (1 / final - 1):.0f} g stay "
        f"({percent(final)}); with gaps, cups and rollers {100 * r.mix.mixed_g.usual / r.fibre_g:.0f} g are mixed. Wetted by hand "
        f"{'and pressed under a bag' if r.pull is not None else 'and not pressed'} such a laminate usually ends at {percent(low)} to {percent(high)} of "
        "fibre (from memory)."
    ]


def _thick(r: RegionDay) -> Table:
    t = r.thick
    rows: list[tuple[str, ...]] = [
        (name, *(f"{q:.3f} times flat" for q in told), "") for (name, _), told in zip(r.work.plies_m2, t.plies)
    ]
    x, y, z = t.place_mm
    rows.append(("laminate where all lie", f"{t.mean_mm:.3f} mm", f"{t.p99_mm:.3f} mm", f"{t.most_mm:.3f} mm", f"{x:.0f}, {y:.0f}, {z:.0f}"))
    caption = "Thickness as laid: cloth over hull, 1/cos of the shear where threads were laid, by areas else; laps not counted (derived)"
    return Table(caption, _head("ply", "mean#", "99 % under#", "largest, at a point#", "that at, mm"), rows, deep=True)


def _vacuum(day: Day, region: RegionPlan, r: RegionDay) -> Block:
    p = r.pull
    if p is None:
        return Block(r.name)
    litres = (p.air.settled_l[0], p.air.settled_l[1], p.air.settled_l[2])
    down = "never" if p.down_s is None else f"{minutes(p.down_s[1])} ({minutes(p.down_s[0])} to {minutes(p.down_s[2])})"
    rows = [
        ("air around", _inhg(p.air_kpa), "derived: standard atmosphere (ISO 2533) at the job's height and weather, or its barometer"),
        ("gauge to aim at", _inhg(p.gauge_kpa), f"common practice; a published repair rule asks for {LEAST_GAUGE_KPA / INHG_KPA:.0f} inHg"),
        ("absolute pressure in the bag", _inhg(p.bag_kpa), "derived: air less gauge"),
        ("pressure on the laminate", f"{amount(p.on_laminate_kpa)} kPa", "derived: the gauge, while the breather carries vacuum"),
        ("air under the bag, film down", _ends(litres, "l"), "derived: pores of the breather, assumed 15 to 25 % solid unless [ranges] says otherwise; hose and trap"),
        ("more while the film is loose", f"{amount(p.air.loose_l)} l", "derived: area by the job's loose height"),
        ("time to pump it down", down, "derived: without leak, the pump's flow taken as constant"),
        ("fall allowed in the drop test", f"{_inhg(p.drop_kpa)} in {minutes(p.drop_s)}", "published: US Army TM 1-1500-204-23-11, unless the job states another"),
        ("the leak this means here", f"{_ends(p.drop_leak, 'Pa m³/s')}, {standard_l_min(p.drop_leak[1]):.2f} l/min of air", "derived: volume by rate of fall"),
        ("the pump would hold such a leak at", f"{amount(p.drop_settles_kpa)} kPa absolute", "derived: leak over flow"),
        ("fall at which the pump just holds the gauge", _held(p), "derived: see above"),
        *_usual_fall(p),
        ("water boils in the bag at", f"{p.boils_c['water']:.0f} °C", "derived: vapour pressure, textbook"),
        ("solvents boil at", ", ".join(f"{n} {c:.0f} °C" for n, c in p.boils_c.items() if n != "water"), "from memory of textbooks"),
        ("at the hottest planned, " + f"{day.hottest_c:.0f} °C", _boils(p, day.hottest_c), "derived: vapour pressure there against the pressure in the bag"),
        ("least resin pressure against voids of moisture", f"{amount(day.void_kpa)} kPa", "from memory: Kardos, Duduković, Dave 1986, at the job's humidity and hottest temperature"),
    ]
    words = (
        "The same leak fails a small bag and passes a large one, so both are given: the fall and the leak. A leak into the laminate "
        "makes voids even where the pump holds the gauge. Vapour of water or solvent looks like a leak.",
    )
    head = _head("what", "here", "stands on")
    return Block(
        f"Vacuum on {r.name}", words, (Table("Figures of the vacuum", head, rows, deep=True), _limits(p), _dry_run(p), _hunt(region, r), *([_tubes(r)] if r.tubes else [])),
        ("Test the bag dry, before anything is mixed.",
         " ".join(f"{w}." for w in tube_words(r)) + " A long round tube under full outside pressure collapses once its wall is thinner than "
         "about 3 % of its radius (10 GPa, elastic buckling, from memory). Data sheets and local rules come first."),
    )  # fmt: skip


def _boils(p: Pull, hottest_c: float) -> str:
    """Say which liquids boil at a temperature in the bag, each with its vapour pressure there."""
    known = VAPOUR_FROM_C <= hottest_c <= VAPOUR_TO_C
    said = [
        f"{name} {'boils' if c <= hottest_c else 'does not boil'}" + (f" ({amount(vapour_kpa(hottest_c, of=name))} kPa)" if known else "")
        for name, c in p.boils_c.items()
    ]
    return f"{joined(said)}; the bag has {amount(p.bag_kpa)} kPa"


def _usual_fall(p: Pull) -> list[tuple[str, str, str]]:
    if p.usual_leak is None or p.usual_settles_kpa is None:
        return []
    words = f"{p.usual_leak:.3f} Pa m³/s, {standard_l_min(p.usual_leak):.3f} l/min of air; held at {amount(p.usual_settles_kpa)} kPa absolute"
    return [("the leak that your bags' usual fall means here", words, "the job's usual_fall, or your record; derived: volume by rate of fall")]


def _limits(p: Pull) -> Table:
    rows = []
    for what, kpa, seconds, source in DROP_LIMITS:
        leak = leak_pa_m3_s(p.air.settled_l[1], kpa, seconds)
        rows.append((what, f"{_inhg(kpa)} in {minutes(seconds)}", f"{leak:.3f} Pa m³/s", f"{standard_l_min(leak):.3f} l/min", f"published: {source}"))
    return Table("Published limits of the drop test, and the leak each lets through in this bag", _head("for", "fall", "leak#", "as air#", "stands on"), rows, deep=True)


def _held(p: Pull) -> str:
    if p.held_drop_kpa[0] > p.gauge_kpa:
        return f"the pump outruns any fall that the gauge can show in {minutes(p.drop_s)}"
    return f"{_ends(p.held_drop_kpa, 'kPa')} in {minutes(p.drop_s)}"


def _dry_run(p: Pull) -> Table:
    rows = [
        ("1", "Pull, pump on", f"gauge reads {p.gauge_kpa:.0f} kPa or more", "gauge ______"),
        ("2", "Shut the valve, pump off; read at once", "", "gauge ______"),
        ("3", f"Read again after {minutes(p.drop_s)}", f"fall at most {p.drop_kpa:.1f} kPa", "drop ______"),
        ("4", "Over the limit: hunt in the order below, then begin at 1", "", "☐"),
        ("5", "Let air in slowly; look where the film could not reach a corner", "", "☐"),
    ]
    return Table("Dry run", _head("step", "do", "limit", "write down"), rows)


def _hunt(region: RegionPlan, r: RegionDay) -> Table:
    rows = [(str(k), where, what, "☐") for k, (where, what) in enumerate(hunt_rows(region, r), 1)]
    return Table(
        "Order of hunting leaks; metres count along the tape from its mark 0, the laminate on the left hand",
        _head("order", "where", "look at", "tight"), rows,
    )  # fmt: skip


def _tubes(r: RegionDay) -> Table:
    rows = [
        (t.what, f"{amount(t.radius_mm)} mm", f"{amount(t.wall_mm)} mm", f"{amount(t.modulus_gpa)} GPa", f"{amount(t.bears_kpa)} kPa",
         f"{amount(t.gauge_kpa)} kPa", f"{t.times_over:.1f}")
        for t in r.tubes
    ]  # fmt: skip
    head = _head("hollow", "radius#", "wall#", "stiff round it#", "buckles at#", "pressed with#", "times over#")
    return Table("Hollow tubes stated: sound, long and round (elastic buckling, from memory); dents and soft spots take half", head, rows)


def _bleed(r: RegionDay) -> Block:
    b = r.bleed
    if b is None:
        return Block(r.name)
    rows = [
        ("presses out of the laminate", ranged(b.leaves_g, "g"), "derived: wet-out less final fibre fraction"),
        *([] if r.open_share is None else [("release film is open over", f"{100 * r.open_share:.3g} % of its area", "derived: holes over pitch, square pattern")]),
        ("kept by the peel ply", ranged(b.peel_g, "g"), "published: informal weighing 30 to 50 g/m², or yours"),
        ("goes on into the breather", ranged(b.breather_g, "g"), "derived: the difference"),
        ("share of the breather on the laminate", ranged(b.over_laminate, "%", 100.0), "derived: pores at 15 to 25 % solid, assumed, unless [ranges] or holds say otherwise"),
        ("share of the breather where most cloth lies: it fills there first", ranged(b.over_most, "%", 100.0), "derived: fibre of all plies there, 99 % of the area under it"),
        ("share of all of the breather", ranged(b.over_all, "%", 100.0), "derived: the same over its whole area"),
        ("fibre by mass that this breather allows", percent(b.reached_fraction), "derived: if it takes no more than its usable share"),
        *_enough(b),
        ("runs beyond the laminate", f"{amount(b.run_even_mm)} mm all round, or {amount(b.run_narrow_mm)} mm in a strip", "derived: most resin, least breather"),
        ("way to the port", f"{amount(b.to_port_mm)} mm", "the job's margin and lead"),
        ("a metre of the lead takes up", ranged(r.lead_g_m, "g"), "derived: its width, full"),
        ("reaches the port", b.reaches, "derived: " + run_words(r).removeprefix("Lead and resin: ")),
    ]
    after = (
        "To know your breather, weigh a dry square of 100 by 100 mm, bag it on a wet sample, weigh it again, and state the difference "
        "for each square metre as holds. A trap before the pump is advised in any case; use one that is rated for vacuum.",
    )
    words = (f"In the bag of {r.name} {run_words(r).removeprefix('Lead and resin: ')}.",)
    return Block(f"Bleed of {r.name}", words, (Table("Where the resin goes", _head("what", "how much", "stands on"), rows, deep=True),), after)


def _enough(b: Bleed) -> list[tuple[str, str, str]]:
    if b.more_breather <= 0:
        return []
    wet = "drier cloth alone does not" if b.wet_enough <= 0 else f"{percent(b.wet_enough)} of fibre by mass or more: at most {100 * (1 / b.wet_enough - 1):.0f} g of mixed resin on 100 g of cloth"
    more = f"{b.more_breather:.2f} times what is planned" if b.more_breather > 1 else f"none: the high end asks for {percent(b.more_breather)} of what is planned"
    basis = "derived: the same, with more breather instead"
    return [("keeps this breather open", wet, "derived: wetted out so, the high end stays within the usable share (common practice)"), ("or so much more breather", more, basis)]


def _clock_block(r: RegionDay) -> Block:
    rows = [*_fillet_rows(r)] + [
        (clock_time(r.start_min + s.start_s / 60), s.what, minutes(s.end_s - s.start_s), clock_time(r.start_min + s.end_s / 60)) for s in r.steps
    ]
    tables = [Table("Order of the day", _head("from", "what", "takes#", "until#"), rows)]
    words = []
    if r.fit is None or r.pot is None:
        words.append("No batches and no last moment are worked out: the job states no pot life.")
    else:
        words += _fit_words(r, r.fit)
        batches = [
            (str(b.number), clock_time(r.start_min + b.start_s / 60), f"{amount(b.mass_g)} g", joined([f"{percent(q)} of {n}" if q < 0.9995 else n for n, q in b.wets]),
             minutes(b.pot_life_s), minutes(b.spread_s), f"{b.warmest_c:.0f} °C")
            for b in r.batches
        ]  # fmt: skip
        head = _head("batch", "mixed from", "mass#", "goes on", "pot life#", "spread in#", "pot by then at#")
        tables.append(Table("Batches, mixed one at a time", head, batches))
    if r.fillet is not None:
        words.append(_fillet_words(r.fillet))
    after = (
        "Speeds of working are from memory until you record your own. Pot life by mass: a heat balance with figures from memory for less "
        "than the data sheet's mass; for more a cautious rule after a published report of a gallon that set in five minutes. "
        "Never leave mixed resin standing in the pot: it can smoke and burn.",
    )
    return Block(f"Clock for {r.name}", tuple(words), tuple(tables), after, ("timeline", r.name))


def _fillet_rows(r: RegionDay) -> Iterator[tuple[str, str, str, str]]:
    """What comes before the first mix: the fillet is run, and gels where cloth waits for it."""
    f = r.fillet
    if f is None:
        return
    run = f.start_min + f.run_s / 60
    yield clock_time(f.start_min), "mix the putty, run the fillet and wipe it", minutes(f.run_s), clock_time(run)
    if not f.wet and f.gels_s is not None and f.gels_s > f.run_s:
        yield clock_time(run), "the putty gels: no cloth on it", minutes(f.gels_s - f.run_s), clock_time(f.start_min + f.gels_s / 60)


def _fillet_words(f: FilletDay) -> str:
    """Say which way the cloth goes over the fillet, and what its time stands on."""
    if f.wet:
        words = "Cloth goes on the wet putty, as the job says: the bag presses both, and may squeeze soft putty out (common practice)."
    else:
        words = (
            "Cloth goes over the putty once it has gelled, firm to the thumb and still tacky, which is common practice; where it has set hard, it is "
            "keyed and wiped before (common practice)."
        )
    if f.gels_s is None:
        return f"{words} When that is, is not worked out: the job states neither gels nor a pot life, and the clock does not wait."
    words += f" It gels {minutes(f.gels_s)} after it is mixed ({f.basis})."
    if f.left_s is not None:
        words += f" {minutes(f.left_s)} of that are left when leaks are found." if f.left_s >= 0 else " That is before leaks are found: too soon."
    return words


def _last_moment(r: RegionDay, fit: Fit) -> str:
    if r.pull is None:
        return f"The last ply wetted out by {clock_time(r.start_min + fit.open_s / 60)} at the latest."
    if fit.down_by_s <= 0:
        return "That is less than pulling and hunting leaks take alone: there is no moment by which the bag could be down."
    return f"Bag down and pump started by {clock_time(r.start_min + fit.down_by_s / 60)} at the latest, so that time is left to hunt leaks."


def _fit_words(r: RegionDay, fit: Fit) -> list[str]:
    words = [
        f"The first resin on the hull stays workable for {minutes(fit.open_s)}. {_last_moment(r, fit)} At the speeds stated it takes "
        f"{minutes(fit.needed_s)} from the first mix until {'leaks are found' if r.pull else 'the last ply is wetted'}"
        + (f", at the slow end {minutes(r.fit_slow.needed_s)}." if r.fit_slow else ".")
    ]
    if r.pot is not None:
        words.append(f"Pot life: {r.pot.speed.basis}.")
    tight = r.fit_slow if r.fit_slow and r.fit_slow.slower_by > 1 else None
    if fit.slower_by > 1 or tight is not None:
        short = fit if fit.slower_by > 1 or tight is None else tight
        ways = [f"a hardener {short.slower_by:.1f} times slower"]
        if short.cooler_c is not None:
            ways.append(f"the same at {short.cooler_c:.0f} °C")
        if short.quicker_by is not None:
            ways.append(f"more hands: {short.quicker_by:.1f} times as fast")
        if len(short.sessions) > 1:
            ways += [f"{joined(list(plies))} in a session of {minutes(s)}" for plies, s in short.sessions]
        words.append(f"That is {'too long' if short is fit else 'too long if work is slow'}. Ways out: {'; '.join(ways)}; peel ply between sessions.")
    return words


def _times_over(share: float) -> str:
    return percent(share) if share < 1.005 else f"all of it, {share:.1f} times over"


def _surface(plan: Plan, r: RegionDay) -> Block:
    f, stated = r.finish, plan.job.finish
    rows = [
        ("clean", f"{f.clean_m2:.3f} m²", "derived: inside the tape, and under the masking"),
        ("key", f"{f.key_m2:.3f} m²", "derived: under the largest ply"),
        ("mask", f"{f.mask_m2:.3f} m², {f.mask_m:.2f} m long" if f.mask_m2 > 0 else "none stated", "derived: the band outside the tape"),
        ("sand once it has set", f"{f.sand_m2:.3f} m²", "derived: the largest ply"),
        ("edge to sand to nothing", f"{f.feather_m:.2f} m", "derived: its edge"),
        ("filler, mixed", ranged(f.filler_g, "g"), f"from memory unless the job's [finish] says otherwise: {stated.filler_mm:g} mm of {stated.filler_density_g_cm3:g} g/cm³"),
        ("paint, all coats", ranged(f.paint_g, "g"), f"from memory unless the job's [finish] says otherwise: {counted(stated.coats, 'coat')} of {stated.coat_g_m2:g} g/m²"),
    ]
    words = (f"Losses of {percent(stated.loss)} are counted in (common practice). Masking, wipes and solvent stand under Bin; abrasives are not counted.",)
    return Block(f"Surface of {r.name}", words, (Table("Areas to work on, and what goes on them", _head("what", "how much", "stands on"), rows),))


def _cure(c: CureDay) -> Block:
    rows = [(minutes(t) if t else "the start", f"{temp:.0f} °C") for t, temp in zip(c.profile.s, c.profile.c)]
    low, high = c.glass_transition_c
    facts = [
        ("share of the full cure", _times_over(c.share), c.basis),
        ("may come off after", "not by the end of this plan, or not stated" if c.off_s is None else minutes(c.off_s), "derived: the data sheet's time at the temperatures planned"),
        ("fastest heating", f"{c.fastest_c_min:.2f} °C a minute", f"common practice: 0.2 to 1; limit {c.ramp_limit_c_min:g}"),
        ("glass transition afterwards", f"{low:.0f} to {high:.0f} °C", "from memory: the hottest hold and 10 to 30 °C more unless the job says otherwise, up to the system's limit"),
    ]
    if c.tent is not None:
        basis = f"derived: loss by area and warmth; {c.tent.loss_w_m2_k:g} W/(m² K), from memory unless the job says otherwise"
        facts.append(("heat to hold the hottest in the tent", f"{amount(c.tent.hold_w)} W, and more to warm hull and air first", basis))
        facts.append(("heat lost through the tent", f"{c.tent.energy_kwh:.1f} kWh over the plan", "derived: the same over time"))
    if c.log is not None and c.log_share is not None:
        facts.append(("logged: share of the full cure", _times_over(c.log_share), "derived from the log"))
        facts.append(("logged: hottest, fastest heating", f"{c.log.hottest_c:.0f} °C, {c.log.fastest_c_min:.2f} °C a minute", "the log"))
        if c.log_glass_transition_c is not None:
            least, most = c.log_glass_transition_c
            facts.append(("logged: glass transition afterwards", f"{least:.0f} to {most:.0f} °C", "from memory: the hottest of the log and the same more"))
        if c.log_off_s is not None:
            facts.append(("logged: might come off after", minutes(c.log_off_s), "derived from the log"))
    words = (
        "Keep the vacuum on while it cools. Measure on the part, at its coldest and its hottest place, not in the air. A post-cure goes "
        "up in steps, each no hotter than the glass transition that the last one reached.",
    )
    return Block(
        "Cure", words, (Table("Temperatures planned", _head("after", "part at"), rows), Table("What they come to", _head("what", "here", "stands on"), facts)),
        ("Class rules ask at least 48 h at 18 °C or more after laminating polyester; for epoxy the data sheet says. Heat lamps and blankets "
         "can burn foam and wood: never leave them alone. No flame and no glowing wire where solvent or resin gives off vapour, and no "
         "heater that blows on film (common practice).",
         "Bag film stands so much and no more, unless its data sheet says otherwise: PVC 82 °C, PVA 121 °C, most nylon 204 °C, PVF 232 °C "
         "(published: FAA AC 43.13-1B, 3-4a(1))."),
    )  # fmt: skip


def _sun(plan: Plan, day: Day) -> Block:
    s, stated = day.sun, plan.job.service
    if s is None:
        return Block("Sun")
    tg = plan.job.cure.glass_transition_c
    rows = [
        ("rises over the air by", _ends(s.rise_c, "°C"), "published: ASTM D4803, black up to 50 °C flat, 41 °C upright; by what the colour takes up, from memory"),
        ("surface at the hottest", _ends(s.surface_c, "°C"), f"derived: air at {stated.air_c:.0f} °C"),
        ("wet glass transition wanted", _ends(s.wanted_c, "°C"), f"from memory: {stated.margin_c:.0f} °C over the surface (CMH-17), unless the job states another margin"),
        ("post-cure that may bring it", _post_cure(plan, s.wanted_c[1]), "from memory: above the cure by what the job's [cure] says"),
        ("stated", "nothing" if tg is None else f"{tg:.0f} °C", "the job, from the data sheet"),
    ]
    tiers = {
        "unknown": "No glass transition is stated, so nothing is compared.",
        "quiet": f"The wet glass transition stated lies {stated.margin_c:.0f} °C or more over the surface. That is no promise: thermal analysis tends to overstate what a laminate bears.",
        "warn": f"The wet glass transition stated lies less than {stated.margin_c:.0f} °C over the surface: on a hot day the laminate may soften.",
        "stop": f"The wet glass transition stated lies less than {stated.stop_c:.0f} °C over the surface; the job says that this was read and is accepted.",
    }
    title = f"Sun on {f'{stated.paint} paint' if stated.paint else 'the paint'}, sloped {stated.tilt_deg:.0f}°"
    return Block(title, (tiers[s.tier],), (Table("Heat of the surface", _head("what", "here", "stands on"), rows, deep=True),))


def _post_cure(plan: Plan, wanted_c: float) -> str:
    stated = plan.job.cure
    limit = stated.glass_transition_limit_c
    if limit is not None and limit < wanted_c:
        return f"none: this resin reaches {limit:.0f} °C at most"
    return f"{wanted_c - stated.above_cure_most_c:.0f} to {wanted_c - stated.above_cure_least_c:.0f} °C, if the data sheet allows it"


def _waste(plan: Plan, day: Day) -> Block:
    rows = [(str(k), c.item, f"{amount(c.saves_g)} g", c.how) for k, c in enumerate(day.cuts, 1)]
    words = []
    r = day.reuse
    if r is not None:
        money = plan.job.currency or ""
        if r.uses_to_pay is not None and r.price is not None:
            lasts = "and lasts that long" if r.uses >= r.uses_to_pay else f"but lasts only {r.uses} times"
            words.append(
                f"A bag that is used again costs {r.price:.0f} {money} for this job's area and has paid after {counted(r.uses_to_pay, 'use')}, "
                f"{lasts} by the job's figures; cleaning and its seal not counted."
            )
        else:
            words.append("Whether a bag that is used again pays is not worked out: state its price, and those of film and release film.")
        if r.uses_to_weigh_less is not None:
            words.append(f"By mass it keeps more out of the bin than it will put there itself after {counted(r.uses_to_weigh_less, 'use')}.")
    head = _head("order", "item", "saves#", "how")
    tables = [Table("At most so much less, each by itself: some save the same grams", head, rows[:_TOLD])] if rows else []
    if rows[_TOLD:]:
        tables.append(Table("What would cut it less", head, rows[_TOLD:], deep=True))
    return Block("What would cut the waste most", tuple(words), tuple(tables))


def _order(plan: Plan, day: Day) -> Block:
    money = f", {plan.job.currency}" if plan.job.currency else ""
    areas = {roll.material: (square_metres(roll.net_area_mm2), square_metres(roll.cut_area_mm2)) for roll in plan.rolls if roll.lays}
    rows = [
        (o.item, *areas.get(o.item, ("", "")), f"{amount(o.need)} {o.unit}", f"{amount(o.in_shop)} {o.unit}", o.packs, f"{amount(o.left)} {o.unit}",
         "" if o.cost is None else f"{o.cost:.2f}", "" if o.cost_to_buy is None else f"{o.cost_to_buy:.2f}")
        for o in day.order
    ]  # fmt: skip
    known = [o.cost for o in day.order if o.cost is not None]
    buy = [o.cost_to_buy for o in day.order if o.cost_to_buy is not None]
    if known:
        rows.append(("all that is priced", *("",) * 6, f"{sum(known):.2f}", f"{sum(buy):.2f}"))
    head = _head(
        "item", "to cover#", "pieces as cut#", "job takes#", "in the shop#", "buy", "left#", f"cost of what it takes{money}#", f"cost to buy{money}#"
    )
    after = (
        "What is mixed is ordered for the high end of its range; filler and paint where the job has a [finish] table. What the job takes "
        "of a roll is the length cut off it, whatever its pieces cover.",
    )
    return Block("Order, and what is left", (), (Table("Order", head, rows),), after)


def whole_blocks(plan: Plan) -> list[Block]:
    """Return what concerns the job as a whole: the order, and what is thrown away.

    Parameters
    ----------
    plan : Plan
    """
    if plan.day is None:
        return []
    rows = [(q.item, f"{amount(q.amount)} {q.unit}", f"{amount(q.low)} to {amount(q.high)} {q.unit}" if q.high > q.low else "") for q in plan.bin]
    thrown = Block("Bin, by material", (), (Table("What is thrown away", _head("item", "mass#", "range#"), rows),) if rows else ())
    return [_order(plan, plan.day), thrown, _waste(plan, plan.day)]

"""A sheet for each region to work from, in working order: what to do, quantities, cautions, and fields that the record takes."""

from __future__ import annotations

from dataclasses import dataclass
from importlib import resources
from typing import TYPE_CHECKING

from ..daily import spreads_of
from ..shop.day import planned_fields
from ..shop.fields import FIELDS
from .day import ranged, whole_blocks
from .leaks import film_boxes, hunt_ticks, port_boxes, tube_words
from .words import CARE, amount, clock_time, counted, joined, minutes

if TYPE_CHECKING:
    from ..planned import Plan, RegionPlan
    from ..shop.day import RegionDay
    from ..shop.spread import Range


#: Marks of what is to be ticked and of what to take care of.
TICK, CAUTION = "\N{BALLOT BOX}", "\N{WARNING SIGN}"
#: What to take care of at each stage, in a line; the report says it at length.
CAUTIONS = {
    "Clean, key and mask": ("Solvent vapour burns: no flame, no sparks (common practice)",),
    "Dry run": ("Up to ten tonnes to the square metre: thin and hollow parts can buckle; only traps rated for vacuum (textbook)",),
    "Mix": (
        "Uncured epoxy can make the skin allergic for life: gloves that the data sheet names, no bare fingers (HSE RR079)",
        "A full pot heats itself, fumes and can burn: leftovers spread thin, outdoors (makers' data sheets)",
    ),
    "Wet out and lay": ("Where strength or approval hangs on it: approved data (such as FAA AC 43.13-1B, 3-1, asks for)",),
    "Heat": ("Lamps and blankets can overheat resin and foam: never left alone (common practice)",),
    "Take off": (
        "Dust harms skin, eyes and lungs, that of carbon conducts: extraction, mask (OSHA Technical Manual III:1)",
    ),
}


@dataclass(frozen=True)
class Blank:
    """A field to fill in.

    Attributes
    ----------
    key, words, example : str
    expected : str
        Of the plan; empty where it has none.
    """

    key: str
    words: str
    example: str
    expected: str


@dataclass(frozen=True)
class Stage:
    """One stage of the work on a sheet.

    Attributes
    ----------
    name : str
    boxes : tuple of str
        Things to do, each with a box to tick.
    blanks : tuple of Blank
    cautions : tuple of str
        What to take care of here, each with its source.
    run : int
        So many of the boxes, the last ones, are a list that may be set in one run.
    """

    name: str
    boxes: tuple[str, ...]
    blanks: tuple[Blank, ...] = ()
    cautions: tuple[str, ...] = ()
    run: int = 0


@dataclass(frozen=True)
class Sheet:
    """The sheet of one region.

    Attributes
    ----------
    title, region : str
    stages : tuple of Stage
        Cut, mask, mix, wet, lay, bag, pull, check, heat, take off, finish.
    """

    title: str
    region: str
    stages: tuple[Stage, ...]


def sheets(plan: Plan) -> list[Sheet]:
    """Return a sheet for each region, in working order.

    Parameters
    ----------
    plan : Plan
    """
    days = {r.name: r for r in plan.day.regions} if plan.day else {}
    return [_sheet(plan, region, days[region.name]) for region in plan.regions if region.name in days]


def record_line(plan: Plan, region: str) -> str:
    """Return how the fields of a sheet are recorded, and where the rest stands.

    Parameters
    ----------
    plan : Plan
    region : str
    """
    file = plan.job.path.name if plan.job.path else "job.toml"
    return (
        f'Afterwards: plyflat record {file} --region "{region}" resin_weighed="640 g", with the other keys and units too. Sources, tables and '
        "pictures: report.html. Data sheets, the rules where you work and licensed practice come first."
    )


def _sheet(plan: Plan, region: RegionPlan, day: RegionDay) -> Sheet:
    expected = {k: _expected(k, r) for k, r in planned_fields(day, spreads_of(plan.job)).items() if k in FIELDS}

    def stage(name: str, boxes: tuple[str, ...], *keys: str, run: int = 0) -> Stage:
        blanks = tuple(Blank(k, FIELDS[k].words, FIELDS[k].example, expected.get(k, "")) for k in keys)
        return Stage(name, boxes, blanks, CAUTIONS.get(name, ()), run)

    kinds = {layer.kind for layer in region.layers}
    dry = [key for kind, key in (("peel ply", "peel_ply_dry"), ("breather", "breather_dry"), ("bag film", "film_used")) if kind in kinds]
    wet = [key for kind, key in (("peel ply", "peel_ply_wet"), ("breather", "breather_wet")) if kind in kinds]
    stages = [
        stage("Cut", _cut_boxes(plan, region), "fibre_mass", *dry, run=_cut_layers(region)),
        stage("Clean, key and mask", _mask_boxes(region, day)),
    ]
    if day.pull is not None:
        p = day.pull
        boxes = (
            f"Bagged dry, {p.gauge_kpa:.0f} kPa, pump off: fall at most {p.drop_kpa:.1f} kPa in {minutes(p.drop_s)}",
            "Over it: leaks hunted as under Check, before mixing",
        )
        stages.append(stage("Dry run", boxes, "dry_gauge", "dry_drop", "dry_drop_time"))
    stages += [
        stage("Mix", _mix_boxes(day), "temperature", "humidity", "resin_weighed", "hardener_weighed", "pot_life"),
        stage("Wet out and lay", _lay_boxes(region, day), "wet_out_time", "left_in_cups", run=len(region.plies)),
    ]
    if region.layers:
        pleats = len(region.reach.pleats) if region.reach is not None else 0
        bag, check = _bag_boxes(region, day), _check_boxes(region, day)
        stages += [
            stage("Bag", bag, "tape_used", run=pleats if bag[-1].startswith("pleat ") else 0),
            stage("Pull", _pull_boxes(day), "gauge", "bag_down_time"),
            stage("Check", check, "drop", "drop_time", run=max(len(check) - 2, 0)),
        ]
    stages += [
        stage("Heat", _heat_boxes(plan, bagged=bool(region.layers)), "hottest", run=2 if plan.day and plan.day.cure and region.layers else 0),
        stage("Take off", _off_boxes(plan), "taken_off_after", *wet, "laminate_mass", "laminate_thickness", "cost", "note"),
        stage("Finish", _finish_boxes(plan, day)),
    ]
    return Sheet(plan.job.name, region.name, tuple(stages))


def _expected(key: str, r: Range) -> str:
    unit = FIELDS[key].unit
    if unit == "s":
        return minutes(r.usual)
    if unit == "mm" and r.usual >= 1000:
        return f"{r.usual / 1000:.2f} m"
    return f"{amount(r.usual)} {unit}"


def _cut_layers(region: RegionPlan) -> int:
    return sum(bool(layer.templates) for layer in region.layers)


def _cut_boxes(plan: Plan, region: RegionPlan) -> tuple[str, ...]:
    out = [f"Warnings at the head of report.html read: {len(plan.cautions)}"] if plan.cautions else []
    for ply in region.plies:
        pieces = [t.piece + (f" ({t.copies} times)" if t.copies > 1 else "") for t in ply.templates]
        out.append(f"{ply.name}, {ply.cloth} at {ply.angle_deg + 0.0:g}°: {counted(len(pieces), 'piece')} {joined(pieces)}")
    out.append("Each labelled on the face that its label names")
    for layer in region.layers:
        if layer.templates:
            out.append(f"{layer.kind}, {layer.material}: {counted(sum(t.copies for t in layer.templates), 'piece')}")
    return tuple(out)


def _mask_boxes(region: RegionPlan, day: RegionDay) -> tuple[str, ...]:
    out = ["Outline, each ply's edge, warp line, forward and up marked"]
    f = day.finish
    if day.pull is not None:
        out.append(f"Solvent dried off: in this vacuum acetone boils at {day.pull.boils_c['acetone']:.0f} °C")
    masked = f"; masked outside the tape, {f.mask_m2:.3f} m², {f.mask_m:.2f} m" if f.mask_m2 > 0 else ""
    out.append(f"Hull clean and dry, {f.clean_m2:.3f} m²; keyed, {f.key_m2:.3f} m²{masked}")
    if region.fillet is not None:
        out.append(
            f"Fillet of {region.fillet.radius_mm:.0f} mm run into the corner: {amount(region.putty_g)} g of putty mixed ({amount(day.putty_g.low)} to {amount(day.putty_g.high)})"
            f"{_fillet_time(day)}"
        )
    if day.tape_m > 0:
        out.append(f"Sealant tape, {day.tape_m:.2f} m in all, from mark 0 on, the laminate on the left hand; its paper left on")
    return tuple(out)


def _fillet_time(day: RegionDay) -> str:
    """When the fillet is run, and when cloth goes on it."""
    f = day.fillet
    if f is None:
        return ""
    if f.wet:
        by = "" if f.gels_s is None else f"; full vacuum before it sets, {clock_time(f.start_min + f.gels_s / 60)}"
        return f" at {clock_time(f.start_min)}; cloth on it while it is wet{by}"
    by = "" if f.gels_s is None else f", about {clock_time(f.cloth_min)}"
    return f" at {clock_time(f.start_min)}; cloth only once it has gelled{by}"


def _mix_boxes(day: RegionDay) -> tuple[str, ...]:
    out = ["Gloves on, cuffs closed; air moving; no food, no smoking", "Everything cut lies ready in order; the pump runs"]
    if day.mix is None:
        return (*out, "Mix by the data sheet; no resin is worked out in this job")
    share = day.mix.hardener_g.usual / day.mix.mixed_g.usual
    if day.batches:
        for b in day.batches:
            on = joined([n for n, _ in b.wets])
            out.append(
                f"Batch {b.number} at {clock_time(day.start_min + b.start_s / 60)} for {on}: {amount(b.mass_g * (1 - share))} g resin + {amount(b.mass_g * share)} g hardener = {amount(b.mass_g)} g; "
                f"spread within {minutes(b.spread_s)}"
            )
    else:
        out.append(
            f"In all {amount(day.mix.resin_g.usual)} g resin + {amount(day.mix.hardener_g.usual)} g hardener; in batches that you spread within "
            "half of the data sheet's pot life"
        )
    return tuple(out)


def _lay_boxes(region: RegionPlan, day: RegionDay) -> tuple[str, ...]:
    mixes = {p.name: p for p in day.mix.plies} if day.mix else {}
    out = []
    for ply in region.plies:
        resin = f", {amount(mixes[ply.name].mixed_g.usual)} g of mix" if ply.name in mixes else ""
        out.append(f"{ply.name}{resin}")
    test = "Test piece of the same cloth and mix beside it"
    return (test, "On the marks, notch to notch, arrows forward and up:", *out)


def _bag_boxes(region: RegionPlan, day: RegionDay) -> tuple[str, ...]:
    layers = [f"{q.kind} {q.margin_mm:.0f} mm" for q in region.layers if q.kind not in ("sealant tape", "bag film")]
    out = [f"Into every corner, so far beyond the largest ply: {joined(layers)}"] if layers else []
    return (*out, *port_boxes(region, day), *film_boxes(region))


def _pull_boxes(day: RegionDay) -> tuple[str, ...]:
    out = ["Little vacuum first: all pressed into the corners by hand"]
    if day.fit is not None and day.fit.down_by_s > 0:
        out.append(f"Film down, pump on by {clock_time(day.start_min + day.fit.down_by_s / 60)} if first mixed at {clock_time(day.start_min)}")
    if day.pull is not None:
        out += tube_words(day)
        out.append(f"Full vacuum: gauge {day.pull.gauge_kpa:.0f} kPa; stopped if anything gives")
    return tuple(out)


def _check_boxes(region: RegionPlan, day: RegionDay) -> tuple[str, ...]:
    if day.pull is None:
        return ()
    p = day.pull
    first = f"Valve shut: fall at most {p.drop_kpa:.1f} kPa in {minutes(p.drop_s)}; over it, by tape metre:"
    return ("No resin in the hose; trap looked at", first, *hunt_ticks(region, day))


def _heat_boxes(plan: Plan, *, bagged: bool) -> tuple[str, ...]:
    cured = plan.day.cure if plan.day else None
    if cured is None:
        return ("By the data sheet; no cure is stated in this job", *(["Vacuum on until it has set"] if bagged else []))
    holds = [f"{c:.0f} °C after {minutes(t)}" for t, c in zip(cured.profile.s[1:], cured.profile.c[1:])]
    return (f"Part at {joined(holds)}", "Thermometer on the part, someone by it", *(["Vacuum on until it has cooled"] if bagged else []))


def _off_boxes(plan: Plan) -> tuple[str, ...]:
    cured = plan.day.cure if plan.day else None
    first = "When the data sheet lets it" if cured is None or cured.off_s is None else f"Not before {minutes(cured.off_s)} as planned, and the data sheet agrees"
    return (first, "Set resin goes to the bin hard and cold, never warm")


def _finish_boxes(plan: Plan, day: RegionDay) -> tuple[str, ...]:
    f, stated = day.finish, plan.job.finish
    out = [f"Sanded, {f.sand_m2:.3f} m², the edge to nothing over {f.feather_m:.2f} m"]
    if f.filler_g.usual > 0:
        out.append(f"Filler: {ranged(f.filler_g, 'g')}, {stated.filler_mm:g} mm on average; sanded fair")
    if f.paint_g.usual > 0:
        out.append(f"Paint: {ranged(f.paint_g, 'g')} in {counted(stated.coats, 'coat')}, by its data sheet")
    return tuple(out)


def sheets_html(plan: Plan) -> str:
    """Return the sheets as one HTML text for the screen, with order and bin of the whole job; it has no address outside itself.

    Parameters
    ----------
    plan : Plan
    """
    import jinja2

    rooms = jinja2.Environment(autoescape=True, undefined=jinja2.StrictUndefined)
    text = resources.files(__package__).joinpath("sheets.html").read_text(encoding="utf-8")
    file = plan.job.path.name if plan.job.path else "job.toml"
    return rooms.from_string(text).render(
        name=plan.job.name, sheets=sheets(plan), file=file, care=CARE, whole=whole_blocks(plan)
    )

"""Where a bag leaks first and how its film is closed, in the words of report and sheet."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from .words import amount, counted, joined

if TYPE_CHECKING:
    from ..bag.pleats import Pleat
    from ..planned import RegionPlan
    from ..shop.bleed import Bleed
    from ..shop.day import RegionDay

#: Pleats told one by one; the others in one row.
TOLD = 12
#: Hollows and ridges told for each loop of tape.
BENDS = 6
_METRE = "tape metre "

_WHY = {
    "start": ("the tape's end over its start", "both layers pressed, no gap between them"),
    "hollow": ("hollow across the tape", "the film spans it and pulls off"),
    "ridge": ("ridge across the tape", "the film is stretched and the tape thinned"),
}


def hunt_rows(region: RegionPlan, day: RegionDay) -> list[tuple[str, str]]:
    """Return where to look for leaks: what parts the search first, then the likeliest, with what to look at there.

    Parameters
    ----------
    region : RegionPlan
    day : RegionDay
    """
    return [_VALVE, *_pleat_rows(region), *_tape_rows(region, day), *_lap_rows(region), *_seam_rows(region), *_port_rows(region), *_REST]


def hunt_ticks(region: RegionPlan, day: RegionDay) -> list[str]:
    """Return the places of `hunt_rows` as short as a list to tick has them, with bare tape metres.

    Parameters
    ----------
    region : RegionPlan
    day : RegionDay
    """
    return [_bare(where).removeprefix("root of ") for where, _ in hunt_rows(region, day)]


def _bare(where: str) -> str:
    return where.replace(_METRE, "")


#: It takes half a minute and halves the search, so it comes first.
_VALVE = ("valve at the bag shut: does the bag's gauge hold?", "yes: the leak lies in hose, trap or pump; no: go on below")
_REST = (
    ("film", "folds, and where it lies on something sharp"),
    ("the hull itself", "bare laminate, core, fittings and holes inside the tape: a bag on a boat leaks through the boat too"),
)


def _mark(metre: float, loop: int, loops: int) -> str:
    return f"{_METRE}{metre:.2f}" + (f" of loop {loop}" if loops > 1 else "")


def _loops(region: RegionPlan) -> int:
    return len(region.stack.tape_mm) if region.stack is not None else len(region.reach.tapes_mm) if region.reach is not None else 1


def _pleat_rows(region: RegionPlan) -> Iterator[tuple[str, str]]:
    pleats = sorted(region.reach.pleats, key=lambda p: -p.height_mm) if region.reach is not None else []
    many = _loops(region)
    for p in pleats[:TOLD]:
        yield f"root of pleat {p.number}, {_mark(p.at_m, p.loop, many)}", f"both sides, {p.height_mm:.0f} mm up: tape fills the fold down to its foot"
    if len(pleats) > TOLD:
        rest = ", ".join(_mark(p.at_m, p.loop, many) for p in sorted(pleats[TOLD:], key=lambda p: (p.loop, p.at_m)))
        yield f"roots of {counted(len(pleats) - TOLD, 'more pleat')}: {rest}", "both sides of each"


def _tape_rows(region: RegionPlan, day: RegionDay) -> Iterator[tuple[str, str]]:
    many = len(day.tape_marks)
    marks = [(m, n) for n, loop in enumerate(day.tape_marks, 1) for m in loop[: BENDS + 1]]
    for why in ("start", "hollow", "ridge"):
        for m, n in marks:
            if m.why == why:
                yield f"{_WHY[why][0]}, {_mark(m.metre, n, many)}", _WHY[why][1]
    if many and region.stack is not None and region.stack.tape.rolls > 1:
        yield "where one roll of tape ends and the next begins", "end laps start, both pressed"


def _lap_rows(region: RegionPlan) -> Iterator[tuple[str, str]]:
    film = next((layer.film for layer in region.layers if layer.film is not None), None)
    if film is not None and film.joins:
        way = "along" if film.along else "across"
        places = joined([f"{j.at_mm / 1000:.2f} m" for j in film.joins])
        yield f"joins of the film, {way} it, {places} from its edge", f"{film.tape_mm / 1000:.2f} m of tape between sheets, and where they cross the tape on the hull"


def _seam_rows(region: RegionPlan) -> Iterator[tuple[str, str]]:
    film = next((layer.joined for layer in region.layers if layer.joined is not None), None)
    for seam in film.seams if film is not None else ():
        yield f"seam of the film, {seam.what}", f"{seam.length_mm / 1000:.2f} m, both edges pressed to the tape from end to end; ends and crossings first"


def _port_rows(region: RegionPlan) -> Iterator[tuple[str, str]]:
    stack = region.stack
    if stack is None or not stack.ports:
        yield "port and gauge", "seal under the base, and the cut in the film"
        return
    for q in stack.ports:
        name = "vacuum port" if q.name == "vacuum" else "gauge"
        tongue = ", and the tape led out round it" if q.tongue_mm > 0 else ""
        yield f"{name}, by {_mark(q.at_m, q.loop + 1, len(stack.tape_mm))}", f"seal under the base, and the cut in the film{tongue}"


def film_boxes(region: RegionPlan) -> list[str]:
    """Return what to do to close a region's film, its pleats in their order.

    Parameters
    ----------
    region : RegionPlan
    """
    reach = region.reach
    if reach is None:
        return ["Film closed on the tape; where it reaches was not worked out, so look at every hollow and fold in film there"]
    film = next((layer.joined for layer in region.layers if layer.joined is not None), None)
    if film is not None and film.name == "envelope":
        return [f"Part in its pouch, the last seam closed: {film.seams[-1].what}, {film.seams[-1].length_mm / 1000:.2f} m"]
    if film is not None:
        return ["Film joined flat along the corners, its seams right in them, then closed on the tape without pleats"]
    if not reach.pleats:
        how = (
            f"drawn taut it stands at most {reach.film.taut[-1].depth_mm:.1f} mm off, and {reach.limit_mm:g} mm is allowed"
            if reach.film is not None else "no inside corner asks for film"
        )  # fmt: skip
        return [f"Film closed on the tape without pleats: none is needed, for {how}"]
    many = len(reach.tapes_mm)
    fed = {p.feeds for p in reach.pleats}
    where = f", all to {fed.pop()}" if len(fed) == 1 and len(reach.pleats) > 1 else ""
    out = [f"Film closed on the tape, its pleats first, in this order, by tape metre and height{where}:"]
    return [*out, *(_pleat_words(p, many, told=not where) for p in sorted(reach.pleats, key=lambda p: p.order))]


def _pleat_words(p: Pleat, many: int, *, told: bool) -> str:
    hand = "" if p.helps else f", {p.far_mm:.0f} mm off: its film pushed in by hand"
    return f"pleat {p.number} at {_bare(_mark(p.at_m, p.loop, many))}, {p.height_mm:.0f} mm{f', to {p.feeds}' if told else ''}{hand}"


def port_boxes(region: RegionPlan, day: RegionDay) -> list[str]:
    """Return where ports and leads go, the lead held against how far resin may run.

    Parameters
    ----------
    region : RegionPlan
    day : RegionDay
    """
    stack, out = region.stack, []
    breather = next((layer for layer in region.layers if layer.kind == "breather"), None)
    for q in stack.ports if stack is not None else ():
        name = "Vacuum port" if q.name == "vacuum" else "Gauge"
        lead = max(q.way_mm - (breather.margin_mm if breather else 0.0), 0.0)
        out.append(
            f"{name} by {_mark(q.at_m, q.loop + 1, len(stack.tape_mm) if stack else 1)}: lead of {lead:.0f} mm from the breather's edge, "
            f"{q.way_mm:.0f} mm from the laminate"
        )
    if not out:
        out.append("Port on the breather and off the laminate")
    b = day.bleed
    if b is not None and b.to_port_mm > 0:
        out.append(f"Lead and resin: the port is {amount(b.to_port_mm)} mm off: {_reached(b)}")
    return out


def _reached(b: Bleed) -> str:
    return "it stays dry" if b.reaches == "no" else f"resin {b.reaches} reach it; trap in place"


def run_words(day: RegionDay) -> str:
    """Say how far resin runs along the lead against how far the port is.

    Parameters
    ----------
    day : RegionDay
        Of a region with a breather.
    """
    b = day.bleed
    if b is None:
        return ""
    run = f"resin runs at most {amount(b.run_narrow_mm)} mm if all that is too much goes along the lead; the port is {amount(b.to_port_mm)} mm off"
    if b.run_narrow_mm <= 0:
        run = f"the breather on the laminate takes all that is bled; the port is {amount(b.to_port_mm)} mm off"
    return f"Lead and resin: {run}: {_reached(b)}"


def tube_words(day: RegionDay) -> list[str]:
    """Return what a vacuum might crush, as far as the job states it.

    Parameters
    ----------
    day : RegionDay
    """
    if not day.tubes:
        return ["No hollow tube, box or thin skin is stated in this job, so none is checked: look for them, shore or vent them"]
    out = []
    for t in day.tubes:
        bears = f"{t.what}: sound and long it bears {amount(t.bears_kpa)} kPa, {t.times_over:.1f} times the vacuum"
        if t.times_over < 1.0:
            out.append(f"{bears}: it would be crushed. Vent it inside, shore it, or leave the bag off")
        elif t.times_over < SAFE_TIMES:
            out.append(f"{bears}; dents and soft spots take half: vent it inside or shore it")
        else:
            out.append(f"{bears}; watched all the same, and its ends open to the air")
    return out


#: A tube that bears less than so many times the vacuum is in danger: dents and soft spots take half (from memory).
SAFE_TIMES = 2.0

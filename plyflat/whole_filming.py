"""From a region's bag to its film laid whole: with how many points, over how thick a stack, and what would help."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from .bag.feeding import Fed
from .bag.film import Film
from .bag.film_states import Cure
from .bag.whole_film import Spread, WholeBench
from .bag.whole_search import Feeds, WholeFilm, whole_cures, whole_film
from .errors import MeshError, QuantityError, ShapeError, SolveError
from .job.model import Bag, Job
from .planned import BagReach, LayerPlan
from .progress import Tell
from .surface.crease import Crease

Note = tuple[str, str]

#: Thickness under vacuum of layers whose consumable states none, mm; from memory.
PRESSED_MM: dict[str, float] = {"peel ply": 0.12, "release film": 0.03, "breather": 1.0}
#: The film is laid over no thinner a stack than this, mm: over a bare edge its cells catch.
LEAST_STACK_MM = 1.0


@dataclass(frozen=True, eq=False)
class Laid:
    """A film laid whole, and what other cures begin with.

    Attributes
    ----------
    whole : WholeFilm
    bench : WholeBench
    drawn : Spread
    """

    whole: WholeFilm
    bench: WholeBench
    drawn: Spread


def stack_mm(job: Job, bag: Bag, layers: Sequence[LayerPlan], plies_mm: float) -> float:
    """Return the thickness of what lies between hull and film under vacuum, mm.

    Parameters
    ----------
    job : Job
    bag : Bag
        It may state the thickness.
    layers : sequence of LayerPlan
    plies_mm : float
        Of the laminate.
    """
    if bag.film.stack_mm is not None:
        return max(bag.film.stack_mm, LEAST_STACK_MM)
    own = [q for q in layers if q.kind in PRESSED_MM]
    return max(plies_mm + sum(job.consumables[q.material].thickness_mm or PRESSED_MM[q.kind] for q in own), LEAST_STACK_MM)


def lay_whole(
    job: Job, bag: Bag, layers: Sequence[LayerPlan], reach: BagReach, lines: Sequence[Crease], film: Film, fed: Fed | None,
    *, density_g_cm3: float, feed_mm: float, plies_mm: float, progress: Tell,
) -> tuple[Laid | None, tuple[Note, ...]]:  # fmt: skip
    """Lay a bag's film whole, taut and with its pleats, and give these more film where it stands off too far.

    Parameters
    ----------
    job : Job
    bag : Bag
    layers : sequence of LayerPlan
    reach : BagReach
    lines : sequence of Crease
        The corner lines that its sections cut.
    film : Film
    fed : Fed or None
        Pleats as the sections ask for them.
    density_g_cm3 : float
        Of the resin.
    feed_mm : float
        From how far film is drawn while it is tucked in.
    plies_mm : float
        Thickness of the laminate.
    progress : callable

    Returns
    -------
    Laid or None
        None where it could not be laid.
    tuple of (str, str)
        Why, and what to do.
    """
    keys = bag.film
    bench = WholeBench(
        reach.surface, tuple(lines), film, reach.pressure_kpa, reach.limit_mm, stack_mm(job, bag, layers, plies_mm),
        keys.points, density_g_cm3,
    )  # fmt: skip
    feeds = Feeds(
        reach.corners, tuple(lines), reach.sections, reach.tapes_mm, keys.pleat_margin_mm, keys.pleat_most_mm, feed_mm
    )
    try:
        whole, drawn = whole_film(bench, fed, feeds, progress=progress)
    except (SolveError, ShapeError, MeshError, QuantityError) as fault:
        return None, (
            (
                f"the film could not be laid whole: {fault.what}; what sections tell stands alone",
                f"{fault.do or 'Ask for more points.'} Or state worked_out = \"sections\", and expect more where three walls meet.",
            ),
        )
    return Laid(whole, bench, drawn), ()


def cure_whole(laid: Laid, cures: Sequence[Cure], others: Sequence[Film], *, progress: Tell) -> tuple[WholeFilm, tuple[Note, ...]]:
    """Lay the film whole over a fillet, and that of the other films which keeps the limit over sections, where pleats do not do.

    Parameters
    ----------
    laid : Laid
    cures : sequence of Cure
        As sections tell them.
    others : sequence of Film
    progress : callable
    """
    if laid.whole.met or not laid.whole.tries:
        return laid.whole, ()
    fillet = next((q.fillet_mm for q in cures if q.kind == "fillet" and q.meets), None)
    soft = next((q.state.name for q in cures if q.kind == "other film" and q.meets), None)
    try:
        return whole_cures(
            laid.bench, laid.whole, laid.drawn, fillet_mm=fillet, others=[f for f in others if f.name == soft], progress=progress
        ), ()
    except SolveError as fault:
        why = f"what would help could not be tried with the whole film: {fault.what}"
        return laid.whole, ((why, fault.do or "Go by what the sections tell."),)


def whole_notes(whole: WholeFilm) -> tuple[Note, ...]:
    """Return what is wrong with a film laid whole, and what would help.

    Parameters
    ----------
    whole : WholeFilm
    """
    last, out = whole.last, []
    if last.bursts:
        out.append(
            (
                f"laid whole the film is stretched to {last.stretch:.1f} times its length, and bursts",
                "Put in more pleats before any vacuum is on, or pull less vacuum.",
            )
        )
    if not last.converged:
        out.append(
            (
                f"laid whole the film had not come to rest: {100 * last.residual:.1f} % of the pressure is not balanced; limp film was still "
                "creeping in, and what is told of it is the most that it leaves",
                "Take its gaps for the most, and those of the sections for the least, that the film will leave.",
            )
        )
    if last.worst_mm > whole.limit_mm:
        x, y, z = last.worst_place_mm
        with_ = "with its pleats" if whole.best is not None else "without pleats, which the sections do not ask for,"
        least, most = last.range_mm[last.worst]
        out.append(
            (
                f"laid whole and {with_} the film stands {last.worst_mm:.1f} mm off the stack near ({x:.0f}, {y:.0f}, {z:.0f}) mm "
                f"({least:.1f} to {most:.1f} mm as its cells tell it), {last.worst_mm - whole.limit_mm:.1f} mm over the limit, and more than "
                f"that limit along {last.over_mm / 10:.0f} cm of corner; {_rounds(whole)}",
                _what_does(whole),
            )
        )
    return tuple(out)


def _rounds(whole: WholeFilm) -> str:
    more = whole.tries[1:]
    if not more:
        return "no other pleats were tried"
    better = sum(q.better for q in more)
    if not better:
        return f"more film in the pleats, tried {len(more)} time{'s' * (len(more) != 1)}, does not help"
    return f"of {len(more)} tries with more film the best is in the plan, and brought it from {whole.tries[0].state.worst_mm:.1f} mm"


def _what_does(whole: WholeFilm) -> str:
    met = [q for q in whole.cures if q.meets]
    if met:
        return f"What would do, with the whole film too: {met[0].what}."
    near = f"Nearest of what was laid whole comes {whole.cures[0].what}, with {whole.cures[0].state.worst_mm:.1f} mm. " if whole.cures else ""
    return near + "Push the film in there by hand, fill the corner, or tape the bag down along its line."


__all__ = ["LEAST_STACK_MM", "PRESSED_MM", "Laid", "cure_whole", "lay_whole", "stack_mm", "whole_notes"]

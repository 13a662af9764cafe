"""One region worked out as a plan does it, stage by stage, once nothing changes any more: templates, film, lays and sums."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from ..export.drawing import Look, draw_templates, lay_drawings
from ..export.svg import svg_text
from ..job.model import Job
from ..job.reader import job_from_text
from ..job.table import filled
from ..report.bag import PLEAT_HEAD, pleat_rows
from ..report.words import amount, counted
from .look import gives
from .shades import Shade, film_shade, ply_shades

if TYPE_CHECKING:
    from ..planned import BagReach, Plan
    from ..shop.quantity import Quantity
    from ..surface.mesh import Surface

#: Columns of the report's table of pleats that the page has: number, which tape, how far along it, height, what it feeds.
_PLEAT_COLUMNS = (0, 1, 2, 3, 5)


@dataclass(frozen=True, eq=False)
class Cut:
    """A region's plies as a plan cuts them.

    Attributes
    ----------
    region : str
    drawings : tuple of (str, str)
        Title and SVG of each ply's templates.
    gives : tuple of str
        How far the cloth of each ply gives.
    cautions : tuple of str
    shades : tuple of Shade
        The same on the hull.
    """

    region: str
    drawings: tuple[tuple[str, str], ...]
    gives: tuple[str, ...]
    cautions: tuple[str, ...]
    shades: tuple[Shade, ...]


@dataclass(frozen=True, eq=False)
class Bagged:
    """A region's film.

    Attributes
    ----------
    words : str
    pleats : tuple of tuple of str
        Rows of the table; the first row is its head.
    shade : Shade or None
    cautions : tuple of str
    """

    words: str
    pleats: tuple[tuple[str, ...], ...]
    shade: Shade | None
    cautions: tuple[str, ...]


@dataclass(frozen=True, eq=False)
class Summed:
    """What a region takes if it is made alone.

    Attributes
    ----------
    rows : tuple of (str, str, str, str)
        Material, how much, from what to what, cost.
    lays : tuple of (str, str)
        Title and SVG.
    """

    rows: tuple[tuple[str, ...], ...]
    lays: tuple[tuple[str, str], ...]


def alone(surfaces: dict[str, Surface], text: str, folder: str, name: str) -> Iterator[Cut | Bagged | Summed]:
    """Work one region out: its templates, then its film, then lays and sums.

    Parameters
    ----------
    surfaces : dict of str to Surface
        Meshes as they are shown, already mended.
    text : str
        Of the job file.
    folder : str
        That its files are seen from.
    name : str
        Of the region.

    Yields
    ------
    Cut, Bagged, Summed
        Each as soon as it is there; no film where the region has no bag.

    Raises
    ------
    PlyflatError
        The child that says what can be done about it.
    """
    from ..plan import region_steps

    job = _quick(job_from_text(text, folder=folder))
    known = 0
    for k, step in enumerate(region_steps(job, name, surfaces)):
        cautions = tuple(f"{c.where}: {c.text}" for c in step.cautions[known:])
        known = len(step.cautions)
        if step.plan is not None:
            yield _summed(step.plan)
        elif k > 0:
            yield _bagged(step.region.reach, cautions)
        else:
            plies = step.region.plies
            look = Look(job.laps.notch_style)
            drawn = [(ply.name, draw_templates(f"{name} / {ply.name}", ply.templates, notch_mm=job.laps.notch_mm, look=look)) for ply in plies]
            said = tuple(f"{ply.name}, {ply.cloth}: {gives(ply)}" for ply in plies)
            yield Cut(name, tuple((title, svg_text(d)) for title, d in drawn), said, cautions, tuple(ply_shades(plies)))


def _quick(job: Job) -> Job:
    """The job without what takes minutes: no film laid whole."""
    bags = {
        name: bag if bag.film.worked_out != "whole" else filled(bag, film=filled(bag.film, worked_out="sections")) for name, bag in job.bags.items()
    }
    return filled(job, bags=bags)


def _bagged(reach: BagReach | None, cautions: tuple[str, ...]) -> Bagged:
    if reach is None:
        return Bagged("Where its film bridges could not be told", (), None, cautions)
    spots, limit = reach.bridging.spots, f"{reach.limit_mm:g} mm"
    words = f"A film drawn taut stands off by more than {limit} " + (
        f"in {counted(len(spots), 'place')}, at most {spots[0].depth_mm:.1f} mm" if spots else "nowhere"
    )
    if reach.film is not None and reach.pleats:
        words += f"; with {counted(len(reach.pleats), 'pleat')} at most {reach.film.pleated[-1].depth_mm:.1f} mm"
    head = tuple(PLEAT_HEAD[c].rstrip("#") for c in _PLEAT_COLUMNS)
    rows = tuple(tuple(row[c] for c in _PLEAT_COLUMNS) for row in pleat_rows(reach))
    return Bagged(words, (head, *rows) if rows else (), film_shade(reach), cautions)


def _summed(plan: Plan) -> Summed:
    # Of what is thrown away the sum and what it is to the laminate; the report has it item by item.
    rows = [*(_row(q) for q in plan.shopping), *(_row(q, "thrown away, ") for q in plan.bin[-2:])]
    return Summed(tuple(rows), tuple((d.title, svg_text(d)) for _, d in lay_drawings(plan, look=Look(plan.job.laps.notch_style))))


def _row(q: Quantity, before: str = "") -> tuple[str, ...]:
    spread = f"{amount(q.low)} to {amount(q.high)} {q.unit}" if q.high > q.low else ""
    return f"{before}{q.item}", f"{amount(q.amount)} {q.unit}", spread, "" if q.cost is None else f"{q.cost:.2f}"

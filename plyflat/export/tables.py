"""Lists as CSV (RFC 4180, UTF-8): what to cut, what is used of each roll, quantities, bag layers."""

from __future__ import annotations

import csv
import io
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from ..cloth.template import Template
from ..errors import CheckError
from ..shop.quantity import Quantity

if TYPE_CHECKING:
    from ..lay.nest import Place
    from ..planned import PatchPlan, Plan, PlyPlan, RollPlan
    from ..shop.waste import OrderLine

CUT_HEAD = (
    "roll material", "region", "ply or layer", "piece", "copy", "copies", "face up", "warp angle (deg)", "net area (m2)",
    "cut area (m2)", "length along roll as cut (mm)", "width across roll as cut (mm)", "roll number", "number on the lay",
    "cloth", "from roll end (mm)", "from roll edge (mm)", "turned (deg)", "off grain (deg)", "largest strain (%)", "strain over 99 % of area below (%)",
    "area over strain limit (%)", "most over least stretch, uncut (%)", "no uncut shape under, proven (%)",
    "no uncut shape under, estimate (%)", "curvature held, uncut (deg)",
)  # fmt: skip
ROLL_HEAD = (
    "material", "kind", "roll width (mm)", "roll length (mm)", "rolls", "cut from", "length used (m)", "surface to cover (m2)",
    "pieces as cut (m2)", "roll area used (m2)", "share used (%)", "mass (g)", "cost",
)  # fmt: skip
QUANTITY_HEAD = ("list", "item", "amount", "unit", "low", "high", "cost", "basis")
LAYER_HEAD = (
    "region", "order", "layer", "material", "margin (mm)", "surface area (m2)", "corner laps (m2)", "pieces",
    "cut area (m2)", "tape length (m)", "slack along warp line (mm)", "slack across warp line (mm)",
)  # fmt: skip

MARK_HEAD = (
    "region", "mark", "on", "x (mm)", "y (mm)", "z (mm)", "first point", "tape from the first (mm)", "second point", "tape from the second (mm)",
    "side of the line between them", "moved by 1 mm of tape (mm)",
)  # fmt: skip


@dataclass(frozen=True)
class Laid:
    """One piece as it lies on a roll.

    Attributes
    ----------
    number : int
        Its number on the lay's picture and list, from 1.
    roll : int
        Number of the roll, from 1.
    template : Template
    place : Place
    cloth : str
        What the roll or remnant is called.
    off_grain_deg : float
        How far it is turned off what the cloth allows, within its ply's tolerance.
    """

    number: int
    roll: int
    template: Template
    place: Place
    cloth: str = ""
    off_grain_deg: float = 0.0

    @property
    def span_mm(self) -> tuple[float, float, float, float]:
        """From the roll's end and edge: first x, first y, last x, last y, mm."""
        x0, y0, x1, y1 = self.place.outline.bounds
        return x0, y0, x1, y1


def laid_pieces(roll: RollPlan) -> tuple[tuple[Laid, ...], ...]:
    """Return the pieces of every lay of a material, in order from the roll's end.

    Parameters
    ----------
    roll : RollPlan

    Raises
    ------
    CheckError
        If a piece was laid out more or less often than it has copies.
    """
    found = Counter(place.part for lay in roll.lays for place in lay.places)
    for k, part in enumerate(roll.parts):
        if roll.lays and found[k] != part.copies:
            raise CheckError(f"laid out {found[k]} times, wanted {part.copies}", where=part.name)
    return tuple(tuple(_in_order(roll, n)) for n in range(len(roll.lays)))


def _in_order(roll: RollPlan, number: int) -> Iterator[Laid]:
    places = sorted(roll.lays[number].places, key=lambda p: (round(p.outline.bounds[0], 3), p.outline.bounds[1]))
    for k, place in enumerate(places):
        yield Laid(
            k + 1, number + 1, roll.parts[place.part], place, cloth_name(roll, number), roll.off_grain_deg(place)
        )


def cloth_name(roll: RollPlan, number: int) -> str:
    """Return what the roll or remnant of a lay is called.

    Parameters
    ----------
    roll : RollPlan
    number : int
        Index into ``roll.lays``.
    """
    stock = roll.lays[number].stock
    if stock is None:
        return f"roll {number + 1}"
    return f"{stock.name}, to buy" if stock.bought else stock.name


def cut_list(plan: Plan) -> str:
    """Return the cut list, one row for each piece on a roll.

    Parameters
    ----------
    plan : Plan
    """
    plies = {(region.name, ply.name): ply for region in plan.regions for ply in region.plies}
    rows = (_cut_row(piece, plies) for roll in plan.rolls for lay in laid_pieces(roll) for piece in lay)
    return as_csv(CUT_HEAD, rows)


def _cut_row(piece: Laid, plies: Mapping[tuple[str, str], PlyPlan]) -> tuple:
    t, place = piece.template, piece.place
    x0, y0, x1, y1 = piece.span_mm
    ply = plies.get((t.region, t.ply))
    return (
        t.material, t.region, t.ply, t.piece, place.copy + 1, t.copies, t.face_up, f"{t.angle_deg + 0.0:g}",
        f"{t.net.area / 1e6:.4f}", f"{t.cut.area / 1e6:.4f}", f"{x1 - x0:z.1f}", f"{y1 - y0:z.1f}", piece.roll, piece.number,
        piece.cloth, f"{x0:z.1f}", f"{y0:z.1f}", f"{place.turn_deg:g}", f"{piece.off_grain_deg + 0.0:g}", *_strain_cells(t), *_bound_cells(ply.patch_of(t.piece) if ply else None),
    )  # fmt: skip


def _strain_cells(t: Template) -> list[str]:
    return [""] * 3 if t.strain is None else _shares(t.strain.largest, t.strain.p99, t.strain.over_share)


def _bound_cells(patch: PatchPlan | None) -> list[str]:
    """What a piece's patch has and cannot beat; cells stay empty where nothing was sought or proven."""
    if patch is None:
        return [""] * 4
    bounds = ["" if value == 0 else f"{100 * value:.2f}" for value in (patch.proven_ratio, patch.estimated_ratio)]
    return [*_shares(patch.ratio), *bounds, f"{patch.held.total_deg:z.1f}"]


def _shares(*values: float) -> list[str]:
    return [f"{100 * value:.2f}" for value in values]


def roll_list(plan: Plan) -> str:
    """Return what is used of each material.

    Parameters
    ----------
    plan : Plan
    """
    return as_csv(_priced(ROLL_HEAD, plan), map(_roll_row, plan.rolls))


def _priced(head: Sequence[str], plan: Plan) -> tuple[str, ...]:
    """The head with the job's currency as the unit of its cost."""
    money = plan.job.currency
    return tuple(f"cost ({money})" if h == "cost" and money else h for h in head)


def _roll_row(roll: RollPlan) -> tuple:
    share = f"{100 * roll.cut_area_mm2 / roll.used_area_mm2:z.1f}" if roll.used_area_mm2 else ""
    return (
        roll.material, roll.kind, roll.widths if roll.roll_width_mm else "", f"{roll.roll_length_mm:.0f}",
        roll.rolls, "; ".join(cloth_name(roll, n) for n in range(len(roll.lays))), f"{roll.length_mm / 1000:.3f}", _m2(roll.net_area_mm2), _m2(roll.cut_area_mm2),
        _m2(roll.used_area_mm2), share, f"{roll.mass_g:.0f}", _money(roll.cost),
    )  # fmt: skip


def quantity_list(plan: Plan) -> str:
    """Return what the job takes, what to mix, what is thrown away and what to buy for it, with ranges and grounds.

    Parameters
    ----------
    plan : Plan
    """
    bought = [Quantity(o.item, o.buy, o.unit, o.buy, o.buy, _bought(o), o.cost_to_buy) for o in (plan.day.order if plan.day else ())]
    lists = (("takes", plan.shopping), ("mix", plan.resin), ("bin", plan.bin), ("buy", bought))
    return as_csv(_priced(QUANTITY_HEAD, plan), (_quantity_row(name, q) for name, rows in lists for q in rows))


def _bought(o: OrderLine) -> str:
    return f"derived: {o.packs}; {o.in_shop:.4g} {o.unit} in the shop, {o.left:.4g} {o.unit} left afterwards"


def _quantity_row(name: str, q: Quantity) -> tuple:
    amounts = [f"{a:.6g}" for a in (q.amount, q.low, q.high)]
    return name, q.item, amounts[0], q.unit, amounts[1], amounts[2], _money(q.cost), q.basis


def layer_list(plan: Plan) -> str:
    """Return the bag's layers region by region, in order of laying.

    Parameters
    ----------
    plan : Plan
    """
    rows = []
    for region in plan.regions:
        pouch = any(layer.joined is not None and layer.joined.name == "envelope" for layer in region.layers)
        for k, layer in enumerate(region.layers):
            pieces = sum(t.copies for t in layer.templates)
            cut = sum(t.copies * t.cut.area for t in layer.templates)
            # The film of a pouch and its tape have no edge on the hull.
            edge = not pouch or layer.kind not in ("sealant tape", "bag film")
            film = layer.kind == "bag film" and edge
            slack = [f"{s:z.1f}" if film else "" for s in layer.slack_mm]
            tape = f"{layer.length_mm / 1000:.3f}" if layer.length_mm else ""
            areas = [_m2(layer.area_mm2), _m2(layer.lap_area_mm2)] if edge else [""] * 2
            sheet = [*areas, pieces, _m2(cut)] if layer.templates else [""] * 4
            margin = f"{layer.margin_mm:g}" if edge else ""
            rows.append((region.name, k + 1, layer.kind, layer.material, margin, *sheet, tape, *slack))
    return as_csv(LAYER_HEAD, rows)


def mark_list(plan: Plan) -> str:
    """Return the marks that are put on the hull by tape, region by region.

    Parameters
    ----------
    plan : Plan
    """
    rows = [
        (
            m.region, m.number, m.of, *(f"{x:.1f}" for x in m.at_mm), m.first, f"{m.first_mm:.1f}", m.second, f"{m.second_mm:.1f}", m.side,
            f"{1 / max(m.sine, 1e-3):.2f}",
        )
        for m in plan.hull_marks
    ]  # fmt: skip
    return as_csv(MARK_HEAD, rows)


def _m2(area_mm2: float) -> str:
    return f"{area_mm2 / 1e6:.4f}"


def _money(cost: float | None) -> str:
    return "" if cost is None else f"{cost:.2f}"


def as_csv(head: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    """Return rows as RFC 4180 text: comma, CR LF, quotes doubled where needed.

    Parameters
    ----------
    head : sequence of str
    rows : iterable of sequences, each as long as ``head``
    """
    out = io.StringIO(newline="")
    pen = csv.writer(out)
    pen.writerow(head)
    pen.writerows(rows)
    return out.getvalue()

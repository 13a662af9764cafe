"""How a bag is put together, as plain lists, dicts, words and numbers for plan.json."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from ..bag.ports import Port
    from ..bag.stack import TapeRun
    from ..bag.widths import FilmWidth
    from ..planned import LayerPlan, StackPlan

_DECIMALS = 6


def stack_dict(stack: StackPlan, layers: tuple[LayerPlan, ...]) -> dict[str, Any]:
    """Return a bag's stack as plan.json has it.

    Parameters
    ----------
    stack : StackPlan
    layers : tuple of LayerPlan
        Of the same bag.
    """
    film = next((layer.film for layer in layers if layer.film is not None), None)
    return {
        "corner_radius_mm": float(stack.radius_mm),
        "corner_radius_stated": bool(stack.radius_stated),
        "corners": [
            {
                "name": line.name,
                "line_mm": _points(line.points_mm),
                "length_mm": float(line.length_mm),
                "radius_mm": float(line.radius_mm),
                "turn_deg": float(line.turn_deg),
                "closed": bool(line.closed),
                "layers": [
                    {"layer": c.layer, "length_mm": float(c.length_mm), "way": c.way, "cut_mm": float(c.cut_mm), "lap_mm": float(c.lap_mm)}
                    for c in stack.crossings
                    if c.line == line.name
                ],
            }
            for line in stack.tight
        ],
        "cuts_mm": {layer.kind: [_points(cut) for cut in layer.cuts_mm] for layer in layers if layer.cuts_mm},
        "tape": _tape(stack.tape),
        "tape_mm": [_points(loop) for loop in stack.tape_mm],
        "tape_corners": [{"loop": k + 1, "at_m": float(m)} for k, m in stack.tape_corners_m],
        "mask": None if stack.mask is None else {
            "width_mm": float(stack.mask.width_mm), "length_mm": float(stack.mask.length_mm), "area_mm2": float(stack.mask.area_mm2)
        },
        "ports": [_port(port) for port in stack.ports],
        "lead_width_mm": float(stack.lead_width_mm),
        "film": None if film is None else _film(film),
        "ways": [
            {
                "name": q.name, "what": q.what, "pieces": int(q.pieces), "film_mm2": float(q.film_mm2), "waste_mm2": float(max(q.waste_mm2, 0.0)),
                "tape_mm": float(q.tape_mm), "cost": None if q.cost is None else float(q.cost), "least": bool(q.least),
            }
            for q in stack.costs
        ],
        "seams": [{"what": q.what, "length_mm": float(q.length_mm)} for layer in layers if layer.joined is not None for q in layer.joined.seams],
        "order": list(stack.order),
    }  # fmt: skip


def _points(points: Any) -> list:
    rounded: list = np.round(np.asarray(points, dtype=float), _DECIMALS).tolist()
    return rounded


def _tape(run: TapeRun) -> dict[str, Any]:
    return {
        "loops_mm": [float(mm) for mm in run.loops_mm],
        "corners": int(run.corners),
        "corners_mm": float(run.corners_mm),
        "pleats_mm": float(run.pleats_mm),
        "tongues_mm": float(run.tongues_mm),
        "film_joins_mm": float(run.film_joins_mm),
        "overlaps_mm": float(run.overlaps_mm),
        "spare_mm": float(run.spare_mm),
        "total_mm": float(run.total_mm),
        "rolls": int(run.rolls),
    }


def _port(port: Port) -> dict[str, Any]:
    def far(value: float | None) -> float | None:
        return None if value is None else float(value)

    return {
        "name": port.name,
        "place_mm": [float(x) for x in port.place_mm],
        "loop": port.loop + 1,
        "at_m": float(port.at_m),
        "lead_mm": float(port.way_mm),
        "tongue_mm": float(port.tongue_mm),
        "pleat_mm": far(port.pleat_mm),
        "corner_mm": far(port.corner_mm),
        "thin_mm": far(port.thin_mm),
        "other_mm": float(port.other_mm),
        "stated": bool(port.stated),
        "faults": list(port.faults),
    }


def _film(film: FilmWidth) -> dict[str, Any]:
    return {
        "length_mm": float(film.length_mm),
        "width_mm": float(film.width_mm),
        "along": bool(film.along),
        "strips_mm": [[float(a), float(b)] for a, b in film.edges_mm],
        "joins": [{"at_mm": float(j.at_mm), "length_mm": float(j.length_mm), "over_laminate_mm": float(j.over_mm)} for j in film.joins],
        "overlap_mm": float(film.overlap_mm),
        "waste_mm2": float(max(film.waste_mm2, 0.0)),
    }

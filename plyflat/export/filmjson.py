"""A bag's film as it lies, as plain values for plan.json."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from .wholejson import whole_dict

if TYPE_CHECKING:
    from ..bag.film_states import FilmState
    from ..planned import BagReach, FilmPlan


def film_dict(reach: BagReach) -> dict | None:
    """Return a bag's film as it lies; None where none was worked out.

    Parameters
    ----------
    reach : BagReach
    """
    film = reach.film
    if film is None:
        return None
    return {
        "name": film.film.name,
        "thickness_mm": float(film.film.thickness_mm),
        "pressure_kpa": float(film.pressure_kpa),
        "tuck_kpa": float(film.tuck_kpa),
        "friction": float(film.friction),
        "taut": [_state(q) for q in film.taut],
        "pleated": [_state(q) for q in film.pleated],
        "sections": _sections(reach, film),
        "cures": [{"kind": q.kind, "what": q.what, "keeps_limit": bool(q.meets), **_state(q.state)} for q in film.cures],
        "layers": [
            {
                "kind": q.kind, "material": q.material, "radius_mm": float(q.radius_mm), "depth_mm": float(q.depth_mm),
                "place_mm": list(q.place_mm), "volume_mm3": float(q.volume_mm3), "figures": q.marks, "way": q.way,
                "depth_most_mm": float(q.depth_most_mm), "volume_most_mm3": float(q.volume_most_mm3), "lap_mm": float(q.lap_mm),
                "lap_least_mm": float(q.lap_least_mm), "lap_most_mm": float(q.lap_most_mm) if q.lap_most_mm < float("inf") else None,
            }
            for q in film.layers
        ],
        "excess": {
            "folds_mm2": float(film.excess.folds_mm2),
            "short_mm2": float(film.excess.short_mm2),
            "places": [{"place_mm": list(p), "deg": float(deg)} for p, deg in film.excess.places],
        },
        "whole": whole_dict(film.whole),
    }  # fmt: skip


def _pair(low: float, high: float) -> list[float]:
    return [float(low), float(high)]


def _state(q: FilmState) -> dict:
    return {
        "state": q.name,
        "at_kpa": float(q.pressure_kpa),
        "depth_mm": _pair(q.depth_mm, q.depth_most_mm),
        "place_mm": list(q.place_mm),
        "over_mm": float(q.over_mm),
        "area_mm2": _pair(q.area_mm2, q.area_most_mm2),
        "volume_mm3": _pair(q.volume_mm3, q.volume_most_mm3),
        "resin_g": _pair(q.resin_g, q.resin_most_g),
        "stretch": float(q.stretch),
        "draws": bool(q.draws),
        "bursts": bool(q.bursts),
    }


def _sections(reach: BagReach, film: FilmPlan) -> list[dict]:
    """What each section wants, gets, and is left open by."""
    fed = film.fed
    given: Sequence[float] = [0.0] * len(reach.sections) if fed is None else fed.given_mm.tolist()
    wanted: Sequence[float] = [0.0] * len(reach.sections) if fed is None else fed.wanted_mm.tolist()
    return [
        {
            "place_mm": s.place_mm.tolist(),
            "wants_mm": float(wanted[k]),
            "gets_mm": float(given[k]),
            "taut_mm": float(film.taut[-1].held[k].depth_mm),
            "pleated_mm": _pair(film.pleated[-1].laid[k].depth_mm, film.pleated[-1].held[k].depth_mm),
        }
        for k, s in enumerate(reach.sections)
    ]

"""A bag's film laid whole, as plain values for plan.json."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from ..bag.whole_film import WholeState
    from ..bag.whole_search import WholeFilm


def whole_dict(whole: WholeFilm | None) -> dict | None:
    """Return a film laid whole; None where it was not.

    Parameters
    ----------
    whole : WholeFilm or None
    """
    if whole is None:
        return None
    return {
        "stack_mm": float(whole.offset_mm),
        "keeps_limit": bool(whole.met),
        "taut": _state(whole.taut),
        "pleats": [
            {
                "what": q.what, "in_plan": q is whole.best, "heights_mm": [float(p.needs_mm) for p in q.fed.pleats], **_state(q.state),
            }
            for q in whole.tries
        ],
        "cures": [{"kind": q.kind, "what": q.what, "keeps_limit": bool(q.meets), **_state(q.state)} for q in whole.cures],
        "corners": [
            {"place_mm": p.tolist(), "gap_mm": float(gap), "between_mm": [float(low), float(high)]}
            for p, gap, (low, high) in zip(whole.last.places_mm, whole.last.gap_mm, whole.last.range_mm)
        ],
    }  # fmt: skip


def _state(q: WholeState) -> dict:
    low, high = q.range_mm[q.worst]
    return {
        "at_kpa": float(q.pressure_kpa),
        "points": len(q.film_mm),
        "worst_mm": float(q.worst_mm),
        "between_mm": [float(low), float(high)],
        "place_mm": list(q.worst_place_mm),
        "mean_mm": float(q.mean_mm),
        "over_mm": float(q.over_mm),
        "area_mm2": float(q.area_mm2),
        "volume_mm3": float(q.volume_mm3),
        "resin_g": float(q.resin_g),
        "stretch": float(q.stretch),
        "draws_mm2": float(q.drawn_mm2),
        "wrinkled_share": float(q.wrinkled),
        "folded_share": float(q.folded),
        "at_rest": bool(q.converged),
        "not_balanced": float(q.residual),
        "bursts": bool(q.bursts),
    }

"""From a scan of a hull to cut cloth, bag layers and a job sheet.

The public names load on first use, so that importing the package costs nothing.
"""

from __future__ import annotations

from importlib import import_module
from typing import Any

_HOME = {
    "Surface": "surface.mesh",
    "Repair": "surface.mesh",
    "Region": "surface.region",
    "load_surface": "surface.load",
    "inspect_mesh": "surface.inspect",
    "check_distance": "surface.load",
    "cut_region": "surface.region",
    "grow_region": "surface.region",
    "find_tape": "surface.tape",
    "find_tape_regions": "surface.tape",
    "find_face": "surface.face",
    "Corner": "surface.corner",
    "find_corner": "surface.corner",
    "corner_regions": "surface.corner",
    "Filleted": "surface.fillet",
    "run_fillet": "surface.fillet",
    "cut_region_seen": "surface.projected",
    "drawn_region": "surface.drawn",
    "read_drawing": "surface.drawn",
    "spot_region": "surface.spot",
    "round_corners": "surface.spot",
    "union": "surface.combine",
    "common": "surface.combine",
    "minus": "surface.combine",
    "split_at": "surface.combine",
    "mirror": "surface.combine",
    "Flat": "cloth.flatten",
    "flatten": "cloth.flatten",
    "Drape": "cloth.drape",
    "drape": "cloth.drape",
    "Draped": "cloth.draped",
    "drape_piece": "cloth.draped",
    "draped_flat": "cloth.draped",
    "search_drape": "cloth._drape_search",
    "steer_drape": "cloth._drape_search",
    "Locking": "cloth.locking",
    "Darted": "cloth.darts",
    "place_darts": "cloth.darts",
    "Template": "cloth.template",
    "Bridging": "bag.reach",
    "find_bridging": "bag.reach",
    "Part": "lay.nest",
    "Place": "lay.nest",
    "Lay": "lay.nest",
    "nest": "lay.nest",
    "Job": "job.model",
    "read_job": "job.reader",
    "Plan": "planned",
    "make_plan": "plan",
    "write_plan": "export.write",
    "PlyflatError": "errors",
}

__all__ = ["__version__", *sorted(_HOME)]
__version__ = "0.1.0"


def __getattr__(name: str) -> Any:
    if name in _HOME:
        return getattr(import_module(f"{__name__}.{_HOME[name]}"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


def __dir__() -> list[str]:
    return list(__all__)

"""The public packing instances in ``data/packing``, and plain checks of a lay, for the tests of several rooms."""

from __future__ import annotations

import itertools
import json
from collections import Counter
from pathlib import Path

from shapely import Polygon
from shapely.affinity import rotate, translate

from plyflat.lay.nest import Lay, Part

DATA = Path(__file__).parent / "data" / "packing"


def instance(name: str) -> tuple[list[Part], float]:
    """Give the parts and the strip's width of an instance."""
    found = json.loads((DATA / f"{name}.json").read_text())
    parts = [
        Part(Polygon(i["shape"]["data"]), tuple(i["allowed_orientations"]), i["demand"], str(i["id"]))
        for i in found["items"]
    ]
    return parts, found["strip_height"]


def published() -> dict:
    """Give the published densities, per cent, by instance; first the mean over runs, fourth the best."""
    return json.loads((DATA / "published_densities.json").read_text())


def faults(parts: list[Part], lays: list[Lay], *, tol_mm: float = 2e-6) -> list[str]:
    """List what is wrong with lays, every pair looked at, with the geometry library's own turning."""
    found = []
    wanted = Counter((k, n) for k, part in enumerate(parts) for n in range(part.copies))
    if Counter((p.part, p.copy) for lay in lays for p in lay.places) != wanted:
        found.append("wrong copies")
    for lay in lays:
        outlines = []
        for place in lay.places:
            part = parts[place.part]
            outline = translate(rotate(part.outline, place.turn_deg, origin=(0, 0)), *place.shift_mm)
            outlines.append(outline)
            if outline.symmetric_difference(place.outline).area > 1e-6 * outline.area:
                found.append(f"outline of {place.part}/{place.copy} is not where it should be")
            if part.turns_deg is not None and place.turn_deg not in part.turns_deg:
                found.append(f"turn {place.turn_deg}")
            x0, y0, x1, y1 = outline.bounds
            if min(x0, lay.length_mm - x1, y0 - lay.edge_mm, lay.width_mm - lay.edge_mm - y1) < -tol_mm:
                found.append(f"{place.part}/{place.copy} over the edge: {outline.bounds}")
        gaps = [a.distance(b) for a, b in itertools.combinations(outlines, 2)]
        if gaps and min(gaps) < lay.gap_mm - tol_mm:
            found.append(f"gap {min(gaps)}")
        if gaps and abs(min(gaps) - lay.least_gap_mm) > tol_mm:
            found.append(f"least gap {lay.least_gap_mm} reported, {min(gaps)} measured")
        shrunk = [outline.buffer(-tol_mm) for outline in outlines]
        if any(a.intersects(b) for a, b in itertools.combinations(shrunk, 2)):
            found.append("overlap")
        area = sum(outline.area for outline in outlines)
        if abs(lay.use - area / (lay.width_mm * lay.length_mm)) > 1e-9:
            found.append(f"use {lay.use}")
        if lay.length_mm < lay.bound_mm - 1e-5:
            found.append(f"length {lay.length_mm} under the bound {lay.bound_mm} by {lay.bound_name}")
    return found

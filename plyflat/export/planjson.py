"""A plan as JSON, with a schema that says what every number is."""

from __future__ import annotations

import json
import math
import platform
from collections.abc import Iterable, Sequence
from dataclasses import asdict
from importlib import metadata, resources
from typing import TYPE_CHECKING, Any

import numpy as np
from shapely import LineString, Polygon

from ..cloth.darts import Dart
from ..cloth.joins import Join
from ..cloth.panels import Panel
from ..cloth.pieces import piece_name
from ..cloth.template import Notch, Strain, Template
from ..daily import spreads_of
from ..errors import CheckError
from ..shop.day import planned_fields
from ..surface.corner import Corner
from ..surface.fillet import Filleted
from ..surface.mesh import Repair
from ..surface.region import Region
from .filmjson import film_dict
from .stackjson import stack_dict

if TYPE_CHECKING:
    from ..cloth.draped import Draped
    from ..cloth.draping import Laying
    from ..lay.nest import Lay
    from ..lay.stock import Stock
    from ..planned import (
        BagReach,
        LayerPlan,
        MeshPlan,
        PatchPlan,
        Plan,
        PlyPlan,
        RegionPlan,
        RollPlan,
        SightPlan,
    )
    from ..plies_below import Lying
    from ..shop.day import Day
    from ..shop.mixing import Spreads
    from ..shop.quantity import Quantity

#: Raised when a reader of older plans would misread a new one.
SCHEMA_VERSION = 4
_DECIMALS = 6
_PACKAGES = (
    "plyflat", "numpy", "scipy", "shapely", "libigl", "potpourri3d", "trimesh", "spyrrow", "ezdxf", "pyvista", "matplotlib",
)  # fmt: skip


def plan_schema() -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) of `plan_to_dict`."""
    text = resources.files(__package__).joinpath("plan_schema.json").read_text(encoding="utf-8")
    schema: dict[str, Any] = json.loads(text)
    return schema


def plan_to_dict(plan: Plan, *, files: Iterable[str] = ()) -> dict[str, Any]:
    """Return everything in a plan as plain lists, dicts, words and numbers.

    Parameters
    ----------
    plan : Plan
    files : iterable of str
        Names of the files written with it, relative to their folder.

    Raises
    ------
    CheckError
        If a number is not finite, or a roll holds a piece that no ply or layer has.
    """
    number = _Numbers()
    out = {
        "made_by": "plyflat",
        "schema_version": SCHEMA_VERSION,
        "versions": versions(),
        "job": {
            "name": plan.job.name,
            "file": str(plan.job.path) if plan.job.path else None,
            "currency": plan.job.currency,
            "resolved_toml": plan.job.resolved_toml(),
        },
        "meshes": [_mesh(m) for m in plan.meshes],
        "regions": [_region(r, number) for r in plan.regions],
        "rolls": [_roll(r, number) for r in plan.rolls],
        "resin": [_quantity(q) for q in plan.resin],
        "shopping": [_quantity(q) for q in plan.shopping],
        "bin": [_quantity(q) for q in plan.bin],
        "hull_marks": [asdict(m) for m in plan.hull_marks],
        "projectors": [_sight(s) for s in plan.sights],
        "day": None if plan.day is None else _day(plan.day, spreads_of(plan.job)),
        "cautions": [asdict(c) for c in plan.cautions],
        "checks": [{**asdict(c), "measured": float(c.measured), "limit": float(c.limit)} for c in plan.checks],
        "seconds": {stage: round(float(s), 3) for stage, s in plan.seconds.items()},
        "files": sorted(files),
    }
    refuse_odd_numbers(out)
    return out


def versions() -> dict[str, str]:
    """Return the version of Python and of every package that has a part in the numbers."""
    return {"python": platform.python_version(), **{name: metadata.version(name) for name in _PACKAGES}}


def refuse_odd_numbers(value: Any, where: str = "plan") -> None:
    """Refuse numbers that are infinite or not numbers, anywhere inside.

    Parameters
    ----------
    value : anything made of dicts, lists, words and numbers
    where : str
        Its name, for the message.

    Raises
    ------
    CheckError
        Naming the place.
    """
    if isinstance(value, dict):
        for key, inner in value.items():
            refuse_odd_numbers(inner, f"{where}.{key}")
    elif isinstance(value, (list, tuple)):
        for k, inner in enumerate(value):
            refuse_odd_numbers(inner, f"{where}[{k}]")
    elif isinstance(value, float) and not math.isfinite(value):
        raise CheckError(f"the number is {value}", where=where)


def _day(day: Day, spreads: Spreads) -> dict[str, Any]:
    """The sums of the day, with what the record sets against what happened."""
    fields = [
        {"region": r.name, "key": key, "low": q.low, "usual": q.usual, "high": q.high}
        for r in day.regions
        for key, q in planned_fields(r, spreads).items()
    ]
    out = asdict(day)
    for region in out["regions"]:
        del region["thick"]["map_mm"]
    return {**out, "fields": fields}


def _sight(s: SightPlan) -> dict[str, Any]:
    return {
        "region": s.region,
        "image_px": list(s.sight.image_px),
        "stands_mm": s.sight.stands_mm.tolist(),
        "matrix": s.sight.matrix.tolist(),
        "marks_off_px": s.sight.off_px.tolist(),
        "lines": [{"kind": q.kind, "name": q.name, "seen": float(q.share)} for q in s.lines],
    }


class _Numbers:
    """Numbers the templates in order, so that rolls can point to them."""

    def __init__(self) -> None:
        self._by_object: dict[int, int] = {}
        self._by_name: dict[str, int] = {}

    def new(self, template: Template) -> int:
        number = len(self._by_object) + 1
        self._by_object[id(template)] = number
        self._by_name.setdefault(template.name, number)
        return number

    def of(self, template: Template) -> int:
        found = self._by_object.get(id(template)) or self._by_name.get(template.name)
        if found is None:
            raise CheckError("the roll holds a piece that no ply or layer has", where=template.name)
        return found


def _points(points: Any) -> list:
    rounded: list = np.round(np.asarray(points, dtype=float), _DECIMALS).tolist()
    return rounded


def _shape(polygon: Polygon) -> dict:
    rings = [_points(np.asarray(ring.coords)[:-1, :2]) for ring in (polygon.exterior, *polygon.interiors)]
    return {"outer": rings[0], "openings": rings[1:]}


def _line(line: LineString) -> list:
    return _points(np.asarray(line.coords)[:, :2]) if not line.is_empty else []


def _mesh(mesh: MeshPlan) -> dict:
    surface = mesh.surface
    return {
        "name": mesh.name,
        "file": mesh.file,
        "unit": mesh.unit,
        "vertices": len(surface.vertices_mm),
        "triangles": len(surface.faces),
        "size_mm": _points(surface.size_mm),
        "area_mm2": float(surface.area_mm2),
        "scale_error": None if mesh.scale_error is None else float(mesh.scale_error),
        "repairs": [_repair(r) for r in surface.repairs],
    }


def _repair(repair: Repair) -> dict:
    return {
        "what": repair.what,
        "count": int(repair.count),
        "largest_move_mm": float(repair.largest_move_mm),
        "where_mm": None if repair.where_mm is None else _points(repair.where_mm),
        "places_mm": [_points(place) for place in repair.places_mm],
        "kind": repair.kind,
        "state": repair.severity,
    }


def _loops(region: Region) -> list:
    return [_points(region.surface.vertices_mm[loop]) for loop in region.loops]


def _region(region: RegionPlan, number: _Numbers) -> dict:
    return {
        "name": region.name,
        "mesh": region.mesh,
        "area_mm2": float(region.base.area_mm2),
        "perimeter_mm": float(region.base.perimeter_mm),
        "outline_mm": _loops(region.base),
        "warp_mm": _points(region.warp_mm),
        "seams_mm": [_points(seam) for seam in region.seams_mm],
        "plies": [_ply(p, number) for p in region.plies],
        "layers": [_layer(p, number) for p in region.layers],
        "said_by": region.way,
        "corner": None if region.corner is None else _corner(region.corner),
        "fillet": None if region.fillet is None else _fillet(region, region.fillet),
        "bridging": None if region.reach is None else _bridging(region.reach),
        "stack": None if region.stack is None else stack_dict(region.stack, region.layers),
    }


def _bridging(reach: BagReach) -> dict:
    return {
        "pressure_kpa": float(reach.pressure_kpa),
        "tension_n_per_m": float(reach.tension_n_per_m),
        "radius_mm": float(reach.bridging.radius_mm),
        "limit_mm": float(reach.limit_mm),
        "spots": [
            {
                "place_mm": list(s.place_mm),
                "depth_mm": [float(s.depth_mm), float(s.depth_most_mm)],
                "area_mm2": float(s.area_mm2),
                "volume_mm3": [float(s.volume_mm3), float(s.volume_most_mm3)],
                "resin_g": [float(s.resin_g), float(s.resin_most_g)],
                "missing_mm": [float(s.missing_mm), float(s.missing_most_mm)],
            }
            for s in reach.bridging.spots
        ],
        "wall_corners": [
            {
                "place_mm": list(w.place_mm),
                "depth_mm": [float(w.depth_mm), float(w.depth_most_mm)],
                "volume_mm3": [float(w.volume_mm3), float(w.volume_most_mm3)],
                "resin_g": [float(w.resin_g), float(w.resin_most_g)],
                "spot": int(w.spot),
                "pleated_mm": None if w.pleated_mm is None else [float(g) for g in w.pleated_mm],
            }
            for w in reach.bridging.wall_corners
        ],
        "slack_mm": {c.name: float(c.slack_mm) for c in reach.corners},
        "bends": [{"place_mm": list(b.place_mm), "deg": float(b.deg)} for b in reach.bends],
        "tape_mm": _points(reach.tape_mm),
        "pleats": [
            {
                **asdict(p),
                "place_mm": list(p.place_mm),
                "helps": bool(p.helps),
                "ends_mm": None if p.ends_mm is None else list(p.ends_mm),
            }
            for p in reach.pleats
        ],
        "inner_tapes_mm": [_points(line) for line in reach.inner_mm],
        "film": film_dict(reach),
    }


def _corner(corner: Corner) -> dict:
    return {
        "line_mm": _points(corner.points_mm),
        "closed": bool(corner.closed),
        "angle_deg": [float(corner.angle_deg.min()), float(corner.angle_deg.max())],
        "section": corner.section,
        "residual_mm": float(corner.residual_mm),
        "worst_mm": float(corner.worst_mm),
    }


def _fillet(region: RegionPlan, fillet: Filleted) -> dict:
    return {
        "radius_mm": float(fillet.radius_mm),
        "volume_mm3": float(fillet.volume_mm3),
        "section_mm2": [float(a) for a in fillet.section_mm2],
        "stray_mm": float(fillet.stray_mm),
        "mix_g": float(region.putty_g),
        "stays_g": float(region.putty_stays_g),
    }


def _ply(ply: PlyPlan, number: _Numbers) -> dict:
    return {
        "name": ply.name,
        "cloth": ply.cloth,
        "angle_deg": float(ply.angle_deg),
        "grow_mm": float(ply.grow_mm),
        "laps_mm": None if ply.laps_mm is None else [float(lap) for lap in ply.laps_mm],
        "lap_clearance_mm": [float(d) for d in ply.lap_clearance_mm],
        "darts": [_dart(dart) for dart in ply.darts],
        "joins": [_join(join) for join in ply.joins],
        "panels": [_panel(panel) for panel in ply.panels],
        "threads": [_threads(k, laying) for k, laying in enumerate(ply.layings)],
        "stack": None if ply.lying is None else _lying(ply.lying),
        "area_mm2": float(ply.area_mm2),
        "lap_area_mm2": float(ply.lap_area_mm2),
        "outline_mm": _loops(ply.region),
        "strain": _strain(ply.strain),
        "yarns": None if ply.yarns is None else asdict(ply.yarns),
        "patches": [_patch(patch) for patch in ply.patches],
        "overlaps": [
            {"piece": piece_name(k), "places_mm": _points(places)} for k, p in enumerate(ply.pieces) for places in p.overlaps_mm
        ],
        "templates": [_template(t, number.new(t)) for t in ply.templates],
    }


def _lying(lying: Lying) -> dict:
    return {
        "below_mm": float(lying.below_mm),
        "change_mm": float(lying.change_mm),
        "change_share": _share(lying.change_share),
        "allowed_for": bool(lying.grown),
        "short_mm": float(lying.short_mm),
        "narrow_at_mm": None if lying.narrow_at_mm is None else list(lying.narrow_at_mm),
    }


def _threads(k: int, laying: Laying) -> dict:
    return {
        "piece": piece_name(k),
        "cut_by": "flatten" if laying.draped is None else "drape",
        "refused": laying.refused,
        "bound_deg": float(laying.bound_deg),
        "must_cut": bool(laying.must_cut),
        "tried": [
            {"what": t.what, "most_deg": float(t.most_deg), "locked_share": _share(t.locked_share), "cover": _share(t.cover)}
            for t in laying.tried
        ],
        "laid": None if laying.draped is None else _laid(laying.draped, bent=laying.plain is not None),
    }


def _share(value: float) -> float:
    """A sum of areas over another may pass 1 by rounding."""
    return min(max(float(value), 0.0), 1.0)


def _laid(draped: Draped, *, bent: bool) -> dict:
    drape = draped.drape
    locking = drape.locking
    return {
        "start_mm": [float(x) for x in drape.start_mm],
        "bent": bent,
        "warp_mm": _points(drape.warp_line_mm),
        "weft_mm": _points(drape.weft_line_mm),
        "most_deg": drape.most_deg,
        "lock_deg": 90.0 if locking is None else float(locking.lock_deg),
        "lock_back_deg": 90.0 if locking is None else float(locking.lock_back_deg),
        "lock_source": "" if locking is None else locking.source,
        "locked_mm2": float(drape.locked_area_mm2),
        "template_mm2": draped.area.template_mm2,
        "cloth_mm2": draped.area.cloth_mm2,
        "corners_off_deg": float(drape.check.worst_deg),
    }


def _patch(patch: PatchPlan) -> dict:
    bound = patch.bound
    return {
        "pieces": list(patch.pieces),
        "cut": patch.uncut is not None,
        "ratio": float(patch.ratio),
        "raw_ratio": float(patch.raw_ratio),
        "bound": None if bound is None else {
            "proven_ratio": patch.proven_ratio,
            "proof": bound.proof,
            "estimated_ratio": patch.estimated_ratio,
            "estimate_proof": bound.estimate_proof,
            "smoothed_mm": float(bound.scale_mm),
        },
        "curvature_deg": float(patch.held.total_deg),
        "deep_curvature_deg": float(patch.held.deep_deg),
        "deep_mm": float(patch.held.deep_mm),
        "curvature_smoothed": bool(patch.held.smoothed),
        "strain": _strain(patch.strain),
    }  # fmt: skip


def _join(join: Join) -> dict:
    return {
        "name": join.name,
        "kind": join.kind,
        "cause": join.cause,
        "off_load_deg": None if join.off_deg is None else float(join.off_deg),
        "line_mm": join.line_mm.tolist(),
    }


def _panel(panel: Panel) -> dict:
    return {
        "over_before": float(panel.over_before),
        "over_after": float(panel.over_after),
        "overlap_mm2": float(panel.overlap_mm2),
        "shear_deg": _before_after(panel.shear_deg),
        "line_mm": panel.line_mm.tolist(),
    }


def _dart(dart: Dart) -> dict:
    return {
        "kind": dart.kind,
        "line_mm": _points(dart.line_mm),
        "length_mm": float(dart.length_mm),
        "opens_deg": float(dart.opens_deg),
        "over_before": float(dart.over_before),
        "over_after": float(dart.over_after),
        "shear_deg": _before_after(dart.shear_deg),
        "placed_by_hand": bool(dart.given),
    }


def _before_after(shear_deg: tuple[float | None, float] | None) -> list[float | None] | None:
    """Largest shear without a cut and with it; null where no net lay, or none was asked for."""
    if shear_deg is None:
        return None
    before, after = shear_deg
    return [None if before is None else float(before), float(after)]


def _layer(layer: LayerPlan, number: _Numbers) -> dict:
    return {
        "kind": layer.kind,
        "material": layer.material,
        "margin_mm": float(layer.margin_mm),
        "area_mm2": float(layer.area_mm2),
        "lap_area_mm2": float(layer.lap_area_mm2),
        "outline_mm": None if layer.region is None else _loops(layer.region),
        "length_mm": float(layer.length_mm),
        "slack_mm": _points(layer.slack_mm),
        "strain": _strain(layer.strain),
        "templates": [_template(t, number.new(t)) for t in layer.templates],
    }


def _strain(strain: Strain | None) -> dict | None:
    return None if strain is None else {name: float(value) for name, value in asdict(strain).items()}


def _template(t: Template, number: int) -> dict:
    return {
        "number": number,
        "name": t.name,
        "piece": t.piece,
        "material": t.material,
        "face_up": t.face_up,
        "mirrored": bool(t.mirrored),
        "angle_deg": float(t.angle_deg),
        "copies": int(t.copies),
        "net_area_mm2": float(t.net.area),
        "cut_area_mm2": float(t.cut.area),
        "net": _shape(t.net),
        "cut": _shape(t.cut),
        "laps": [_shape(lap) for lap in t.laps],
        "folds": [_line(line) for line in t.folds],
        "joins": [_line(line) for line in t.joins],
        "notches": [_notch(n) for n in t.notches],
        "warp": _line(t.warp),
        "start_mm": None if t.start.is_empty else _points((t.start.x, t.start.y)),
        "warp_thread": [_line(line) for line in t.warp_thread],
        "weft_thread": [_line(line) for line in t.weft_thread],
        "centre_mm": None if t.centre.is_empty else _points((t.centre.x, t.centre.y)),
        "forward": None if t.forward is None else _points(t.forward),
        "up": None if t.up is None else _points(t.up),
        "strain": _strain(t.strain),
    }


def _notch(notch: Notch) -> dict:
    return {"at_mm": _points(notch.at_mm), "inward": _points(notch.inward), "mark": notch.mark}


def _roll(roll: RollPlan, number: _Numbers) -> dict:
    parts = [number.of(part) for part in roll.parts]
    return {
        "material": roll.material,
        "kind": roll.kind,
        "roll_width_mm": float(roll.roll_width_mm),
        "roll_length_mm": float(roll.roll_length_mm),
        "rolls": int(roll.rolls),
        "length_mm": float(roll.length_mm),
        "net_area_mm2": float(roll.net_area_mm2),
        "cut_area_mm2": float(roll.cut_area_mm2),
        "used_area_mm2": float(roll.used_area_mm2),
        "mass_g": float(roll.mass_g),
        "cost": None if roll.cost is None else float(roll.cost),
        "lays": [_lay(lay, parts, roll) for lay in roll.lays],
    }


def _lay(lay: Lay, parts: Sequence[int], roll: RollPlan) -> dict:
    places = [
        {
            "template": parts[p.part],
            "copy": int(p.copy),
            "turn_deg": float(p.turn_deg),
            "shift_mm": _points(p.shift_mm),
            "from_mm": _points(p.outline.bounds[:2]),
            "to_mm": _points(p.outline.bounds[2:]),
            "off_grain_deg": float(roll.off_grain_deg(p)),
        }
        for p in lay.places
    ]
    numbers = ("width_mm", "length_mm", "use", "bound_mm", "gap_mm", "edge_mm", "seconds")
    gap = float(lay.least_gap_mm)
    return {
        **{name: float(getattr(lay, name)) for name in numbers},
        "bound_name": lay.bound_name,
        "least_gap_mm": None if gap == math.inf else gap,
        "seed": int(lay.seed),
        "stopped": bool(lay.stopped),
        "repeatable": bool(lay.repeatable),
        "cloth": None if lay.stock is None else _stock(lay.stock),
        "cuts_mm": [float(cut) for cut in lay.cuts_mm],
        "folds_mm": [float(fold) for fold in lay.folds_mm],
        "left": [_shape(part) for part in lay.left],
        "places": places,
    }


def _stock(stock: Stock) -> dict:
    long = float(stock.length_mm)
    return {
        "name": stock.name,
        "length_mm": None if long == math.inf else long,
        "width_mm": float(stock.width_mm),
        "bought": bool(stock.bought),
        "begun": bool(stock.begun),
        "flaws": [
            {name: float(getattr(flaw, name)) for name in ("from_end_mm", "from_edge_mm", "along_mm", "across_mm")}
            for flaw in stock.flaws
        ],
        "outline": None if stock.outline is None else _shape(stock.outline),
    }


def _quantity(q: Quantity) -> dict:
    out = asdict(q)
    for name in ("amount", "low", "high"):
        out[name] = float(out[name])
    return out


def as_json(value: dict[str, Any]) -> str:
    """Return JSON text (UTF-8, no NaN).

    Parameters
    ----------
    value : dict

    Raises
    ------
    CheckError
        If a number is not finite.
    """
    refuse_odd_numbers(value)
    return json.dumps(value, ensure_ascii=False, allow_nan=False, indent=None, separators=(", ", ": ")) + "\n"


"""plan.json against its own schema, and against the plan it was made from."""

import json
import math
from dataclasses import replace

import jsonschema
import numpy as np
import plans
import pytest
import shapes
from shapely import Polygon

from plyflat.cloth.darts import Dart
from plyflat.cloth.drape import drape
from plyflat.cloth.draped import draped_flat
from plyflat.cloth.draping import Laying, Tried
from plyflat.cloth.joins import Join
from plyflat.cloth.locking import typical
from plyflat.cloth.panels import Panel
from plyflat.errors import CheckError
from plyflat.export.planjson import as_json, plan_schema, plan_to_dict, refuse_odd_numbers
from plyflat.surface.corner import Corner
from plyflat.surface.fillet import run_fillet
from plyflat.surface.mesh import Surface


@pytest.fixture(scope="module")
def plan(tmp_path_factory):
    return plans.make(tmp_path_factory.mktemp("job"))


@pytest.fixture(scope="module")
def found(plan):
    return json.loads(as_json(plan_to_dict(plan, files=["cut/a.dxf"])))


@pytest.fixture(scope="module")
def judge():
    jsonschema.Draft202012Validator.check_schema(plan_schema())
    return jsonschema.Draft202012Validator(plan_schema())


def test_plan_fits_the_schema(found, judge):
    assert [e.message for e in judge.iter_errors(found)] == []


@pytest.mark.parametrize(
    ("path", "value"),
    [
        (("regions", 0, "extra"), 1),
        (("regions", 0, "area_mm2"), -1.0),
        (("regions", 0, "plies", 0, "templates", 0, "cut", "outer"), [[0, 0], [1, 1]]),
        (("rolls", 0, "lays", 0, "use"), 1.5),
        (("regions", 0, "layers", 0, "kind"), "paper"),
        (("schema_version"), 1),
    ],
)
def test_schema_refuses_what_is_wrong(found, judge, path, value):
    spoiled = json.loads(json.dumps(found))
    path = (path,) if isinstance(path, str) else path
    at = spoiled
    for key in path[:-1]:
        at = at[key]
    at[path[-1]] = value
    assert list(judge.iter_errors(spoiled))


def test_every_key_is_described_and_every_length_has_its_unit():
    def walk(node, name):
        if not isinstance(node, dict):
            return
        for key, inner in node.get("properties", {}).items():
            text = inner.get("description", "")
            reference = inner.get("$ref", "").rsplit("/", 1)[-1]
            assert text or reference, f"{name}.{key} says nothing"
            if key.endswith("_mm") and not reference:
                assert "mm" in text or "mm" in json.dumps(inner), f"{name}.{key}"
            walk(inner, f"{name}.{key}")
        for key, inner in node.get("$defs", {}).items():
            assert inner["description"], key
            walk(inner, key)

    walk(plan_schema(), "plan")


def test_templates_come_back_with_their_areas(plan, found):
    for ply, told in zip(plan.regions[0].plies, found["regions"][0]["plies"]):
        for template, t in zip(ply.templates, told["templates"]):
            shape = Polygon(t["cut"]["outer"], t["cut"]["openings"])
            assert shape.area == pytest.approx(template.cut.area, rel=1e-9)
            assert t["cut_area_mm2"] == pytest.approx(template.cut.area, rel=1e-12)
            assert shape.equals_exact(template.cut.normalize(), 1e-5) or shape.symmetric_difference(template.cut).area < 1e-3


def test_places_point_to_their_templates(plan, found):
    templates = [t for r in found["regions"] for group in (*r["plies"], *r["layers"]) for t in group["templates"]]
    by_number = {t["number"]: t for t in templates}
    assert sorted(by_number) == list(range(1, len(templates) + 1))
    for roll, told in zip(plan.rolls, found["rolls"]):
        for lay, laid in zip(roll.lays, told["lays"]):
            for place, p in zip(lay.places, laid["places"]):
                t = by_number[p["template"]]
                assert t["name"] == roll.parts[place.part].name
                a = math.radians(p["turn_deg"])
                points = np.array(t["cut"]["outer"]) @ np.array([[math.cos(a), math.sin(a)], [-math.sin(a), math.cos(a)]])
                points = points + p["shift_mm"]
                assert points.min(axis=0) == pytest.approx(p["from_mm"], abs=1e-5)
                assert points.max(axis=0) == pytest.approx(p["to_mm"], abs=1e-5)


def test_region_outline_runs_on_the_hull(found):
    points = np.array(found["regions"][0]["outline_mm"][0])
    assert np.hypot(points[:, 1], points[:, 2]) == pytest.approx(plans.RADIUS_MM)


def test_single_piece_has_no_least_gap(found):
    assert found["rolls"][2]["lays"][0]["least_gap_mm"] is None
    assert found["rolls"][0]["lays"][0]["least_gap_mm"] == 6.1


def test_repairs_warnings_checks_and_versions_are_there(found):
    assert found["meshes"][0]["repairs"][0] == {
        "what": "duplicate vertices merged", "count": 17, "largest_move_mm": 0.002, "where_mm": [1.0, 2.0, 3.0], "places_mm": [], "kind": "",
        "state": "mended",
    }  # fmt: skip
    assert found["cautions"][0]["do"] == "Dart it, or split it."
    assert found["checks"][0]["limit"] == 5.0
    assert {"python", "plyflat", "numpy", "shapely"} <= set(found["versions"])
    assert found["files"] == ["cut/a.dxf"]


def test_odd_numbers_are_refused_by_name(plan):
    bad = replace(plan, seconds={"load": math.nan})
    with pytest.raises(CheckError, match=r"plan\.seconds\.load"):
        plan_to_dict(bad)
    with pytest.raises(CheckError, match=r"plan\.a\[1\]"):
        refuse_odd_numbers({"a": [1.0, math.inf]})


def test_a_stranger_on_a_roll_is_refused(plan):
    stranger = replace(plan.rolls[0].parts[0], piece="Z")
    roll = replace(plan.rolls[0], parts=(stranger, *plan.rolls[0].parts[1:]))
    with pytest.raises(CheckError, match="no ply or layer has"):
        plan_to_dict(replace(plan, rolls=(roll,)))


def test_a_corner_and_its_fillet_are_told(plan, judge):
    """The line, the angles, how sure it is, and the putty: as the plan has them, and as the schema wants them."""
    corner = Corner(
        np.array([[0.0, 0, 0], [50, 0, 0]]), False, np.array([88.0, 92.0]), True, np.zeros(3), np.ones(3), "plane", 0.4, 0.2
    )
    fillet = run_fillet(Surface(*shapes.wedge(90.0)), [[0, 0, 0], [200, 0, 0]], 20.0, closed=False)
    region = replace(plan.regions[0], way="corner", corner=corner, fillet=fillet, putty_g=12.0, putty_stays_g=10.0)
    whole = plan_to_dict(replace(plan, regions=(region,)))
    assert [e.message for e in judge.iter_errors(whole)] == []
    told = whole["regions"][0]
    assert told["said_by"] == "corner"
    assert told["corner"]["angle_deg"] == [88.0, 92.0]
    assert told["corner"]["line_mm"][1] == [50.0, 0.0, 0.0]
    assert told["fillet"]["radius_mm"] == 20.0
    assert told["fillet"]["mix_g"] == 12.0


def test_cuts_are_told_with_what_they_bought(plan, judge):
    dart = Dart("dart", np.array([[0.0, 0, 0], [30, 40, 0]]), 0.6, 0.1, 12.5)
    ply = replace(plan.regions[0].plies[0], darts=(dart,), lap_clearance_mm=(43.0,))
    region = replace(plan.regions[0], plies=(ply, *plan.regions[0].plies[1:]))
    whole = plan_to_dict(replace(plan, regions=(region,)))
    assert [e.message for e in judge.iter_errors(whole)] == []
    told = whole["regions"][0]["plies"][0]
    assert told["lap_clearance_mm"] == [43.0]
    assert told["darts"][0]["length_mm"] == 50.0
    assert told["darts"][0]["over_after"] == 0.1
    assert told["darts"][0]["placed_by_hand"] is False


def test_joins_and_panels_are_told(plan, judge):
    line = np.array([[0.0, 0, 0], [30, 40, 0]])
    joins = (Join("J1", "butt", "panel", line, 12.0), Join("A-1", "lap", "roll", line))
    ply = replace(plan.regions[0].plies[0], joins=joins, panels=(Panel(line, 0.4, 0.05, np.inf),))
    region = replace(plan.regions[0], plies=(ply, *plan.regions[0].plies[1:]))
    whole = plan_to_dict(replace(plan, regions=(region,)))
    assert [e.message for e in judge.iter_errors(whole)] == []
    told = whole["regions"][0]["plies"][0]
    assert [(q["name"], q["kind"], q["off_load_deg"]) for q in told["joins"]] == [("J1", "butt", 12.0), ("A-1", "lap", None)]
    assert told["panels"] == [{"over_before": 0.4, "over_after": 0.05, "overlap_mm2": 0.0, "shear_deg": None, "line_mm": line.tolist()}]


def test_bound_yarns_and_overlaps_are_told(plan, judge):
    ply = plans.with_patch(plans.with_yarns(plan.regions[0].plies[0]))
    hit = replace(ply.pieces[0], overlaps_mm=(np.array([[1.0, 2, 3], [4, 5, 6]]),))
    ply = replace(ply, pieces=(hit, *ply.pieces[1:]))
    region = replace(plan.regions[0], plies=(ply, *plan.regions[0].plies[1:]))
    whole = json.loads(as_json(plan_to_dict(replace(plan, regions=(region,)))))
    assert [e.message for e in judge.iter_errors(whole)] == []
    told = whole["regions"][0]["plies"][0]
    (patch,) = told["patches"]
    assert patch["pieces"] == ["A", "B"]
    assert patch["bound"]["proven_ratio"] == pytest.approx(math.expm1(0.03))
    assert (patch["curvature_deg"], patch["deep_curvature_deg"], patch["deep_mm"]) == (-23.4, -11.8, 20.0)
    assert told["yarns"]["warp"]["largest"] == pytest.approx(ply.yarns.warp.largest)
    assert told["overlaps"] == [{"piece": "A", "places_mm": [[1.0, 2.0, 3.0], [4.0, 5.0, 6.0]]}]
    assert whole["schema_version"] == 4


def test_threads_of_a_ply_fit_the_schema(plan, judge):
    v, f = shapes.cap(45, 500.0, triangles=3000)
    draped = draped_flat(drape(Surface(v, f), [0, 0, 500], [1, 0, 0], locking=typical("twill 2x2")))
    tried = (Tried("as laid", 16.0, 0.0), Tried("4 darts", 8.0, 0.0))
    region = plan.regions[0]
    ply = replace(region.plies[0], layings=(Laying(draped, tried=tried), Laying(None, "its threads fold")))
    made = plan_to_dict(replace(plan, regions=(replace(region, plies=(ply, *region.plies[1:])), *plan.regions[1:])))
    judge.validate(json.loads(as_json(made)))
    one, two = made["regions"][0]["plies"][0]["threads"]
    assert (one["piece"], one["laid"]["bent"], one["laid"]["lock_deg"]) == ("A", False, 40)
    assert one["laid"]["start_mm"] == pytest.approx([0, 0, 500], abs=0.1)
    assert one["laid"]["most_deg"] == pytest.approx(16.11, abs=0.2)
    assert [t["what"] for t in one["tried"]] == ["as laid", "4 darts"]
    assert (two["refused"], two["laid"]) == ("its threads fold", None)

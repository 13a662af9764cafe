"""The stack in plan.json, against its schema and the plan."""

import json

import jsonschema
import pytest
import stacks

from plyflat.export.planjson import as_json, plan_schema, plan_to_dict


@pytest.fixture(scope="module")
def plan(tmp_path_factory):
    return stacks.make(tmp_path_factory.mktemp("job"))


@pytest.fixture(scope="module")
def found(plan):
    return json.loads(as_json(plan_to_dict(plan)))


def faults(found):
    return [e.message for e in jsonschema.Draft202012Validator(plan_schema()).iter_errors(found)]


def test_it_fits_the_schema_and_is_that_of_the_plan(plan, found):
    assert faults(found) == []
    stack, told = plan.regions[0].stack, found["regions"][0]["stack"]
    assert told["tape"]["total_mm"] == pytest.approx(stack.tape.total_mm)
    assert told["tape"]["loops_mm"] == [5400.0]
    assert told["corners"][0]["layers"][0] == {"layer": "peel ply", "length_mm": 500.0, "way": "lap", "cut_mm": 480.0, "lap_mm": 40.0}
    assert [p["at_m"] for p in told["ports"]] == [1.25, 3.5]
    assert told["ports"][1]["faults"] == ["it stands on a <seam>"]
    assert len(told["film"]["strips_mm"]) == len(told["film"]["joins"]) + 1 > 1
    assert told["mask"]["area_mm2"] == pytest.approx(stack.mask.area_mm2)
    assert told["order"] == list(stack.order)
    assert [(q["name"], q["pieces"], q["least"]) for q in told["ways"]] == [("sheet", 2, True), ("envelope", 0, False)]
    assert told["seams"] == []
    assert told["tape_corners"] == [{"loop": 1, "at_m": 0.5}, {"loop": 1, "at_m": 2.0}]


@pytest.mark.parametrize(
    ("path", "value"),
    [
        (("ports", 0, "name"), "drain"),
        (("ports", 0, "at_m"), -1.0),
        (("tape", "rolls"), 1.5),
        (("corners", 0, "layers", 0, "way"), "glued"),
        (("mask", "extra"), 1),
        (("film", "strips_mm", 0), [1.0]),
    ],
)
def test_the_schema_refuses_what_is_wrong(found, path, value):
    spoiled = json.loads(json.dumps(found))
    inner = spoiled["regions"][0]["stack"]
    for key in path[:-1]:
        inner = inner[key]
    inner[path[-1]] = value
    assert faults(spoiled) != []

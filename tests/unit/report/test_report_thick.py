"""The map of the laminate's thickness: the right number at the right place, and a plan.json without it."""

import json
from dataclasses import replace

import jsonschema
import numpy as np
import plans
import pytest

from plyflat.daily import plan_day
from plyflat.export.planjson import plan_schema, plan_to_dict
from plyflat.job.reader import job_from_text
from plyflat.report.hull import Stage
from plyflat.report.thick import thickness_picture

RESIN = '[resin]\nratio = "100:30"\nfibre_mass_fraction = "60 %"\n'


@pytest.fixture(scope="module")
def plan(tmp_path_factory):
    made = plans.make(tmp_path_factory.mktemp("job"))
    job = job_from_text(plans.JOB + RESIN)
    return replace(made, job=job, day=plan_day(job, made.regions, made.rolls, (), None)[0])


def test_the_map_holds_all_plies_where_they_lie(plan):
    thick = plan.day.regions[0].thick
    largest = max(plan.regions[0].plies, key=lambda p: p.area_mm2)
    assert len(thick.map_mm) == sum(len(q.surface.vertices_mm) for q in largest.pieces)
    # A cylinder lies flat without strain: three layers of 0.227 mm in the middle, for the first ply is laid twice.
    one = 0.227053
    assert thick.mean_mm == pytest.approx(3 * one, rel=2e-3)
    assert np.median(thick.map_mm) == pytest.approx(3 * one, rel=2e-3)
    # The larger ply alone lies at its rim.
    alone = largest.pieces[0].surface
    rim = np.unique(np.concatenate(alone.boundary_loops))
    assert thick.map_mm[: len(alone.vertices_mm)][rim].min() == pytest.approx(one, rel=2e-3)


def test_the_picture_says_what_it_shows(plan):
    stage = Stage(plan, plan.regions[0])
    with stage.scene:
        picture = thickness_picture(stage, plan.day.regions[0].thick)
    assert picture.about == ("thickness", plans.REGION)
    assert "0.68 mm on average where all lie" in picture.alt
    assert picture.png.startswith(b"\x89PNG")


def test_plan_json_has_the_figures_without_the_map_and_keeps_to_its_schema(plan):
    out = json.loads(json.dumps(plan_to_dict(plan, files=())))
    assert set(out["day"]["regions"][0]["thick"]) == {"plies", "mean_mm", "p99_mm", "most_mm", "place_mm"}
    jsonschema.Draft202012Validator(plan_schema()).validate(out)

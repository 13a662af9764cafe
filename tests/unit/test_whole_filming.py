"""A bag's film laid whole, from a job file to what the plan says of it."""

from __future__ import annotations

import json
from dataclasses import replace

import jobs
import jsonschema
import pytest
import shapes
import trimesh

from plyflat import whole_filming
from plyflat.daily import gaps_g
from plyflat.errors import JobError, SolveError
from plyflat.export.planjson import as_json, plan_schema, plan_to_dict
from plyflat.job.reader import job_from_text
from plyflat.plan import make_plan
from plyflat.report.hull import Stage
from plyflat.report.whole_film import beside_rows, whole_pictures, whole_rows, whole_words
from plyflat.whole_filming import LEAST_STACK_MM, stack_mm, whole_notes

JOB = (
    jobs.head(
        "corner of a locker", "corner.ply", 'bag = "standard"', jobs.outline((120, 40, 0), (180, 40, 0), (180, 0, 40), (120, 0, 40)),
        region="corner",
    )
    + jobs.PLY + "copies = 2\n" + jobs.GLASS + 'thickness = "0.3 mm"\n' + jobs.PEEL_PLY + 'thickness = "0.2 mm"\n'
    + jobs.BREATHER + jobs.TAPE + jobs.FILM
    + """\
[bag.standard]
peel_ply = { material = "peel", margin = "10 mm" }
breather = { material = "breather", margin = "20 mm" }
tape = { material = "tape", margin = "40 mm", overlap = "25 mm" }
film = { material = "film", margin = "20 mm", worked_out = "whole", points = 400 }
[resin]
ratio = "100:25"
fibre_mass_fraction = "50 %"
[laps]
trim = "0 mm"
"""
    + jobs.QUICK
)  # fmt: skip


def written(folder):
    v, f = shapes.wedge(90, length=300, first=120, second=120, step=15.0)
    trimesh.Trimesh(v, f, process=False).export(folder / "corner.ply")
    return folder


@pytest.fixture(scope="module")
def plan(tmp_path_factory):
    return make_plan(job_from_text(JOB, folder=written(tmp_path_factory.mktemp("corner"))))


def test_the_plan_holds_the_whole_film_beside_its_sections(plan):
    region = plan.regions[0]
    film = region.reach.film
    whole = film.whole
    assert whole.taut.worst_mm == pytest.approx(film.taut[-1].depth_mm, rel=0.15)
    assert whole.best is whole.tries[0]
    assert region.reach.pleats == whole.best.fed.pleats == film.fed.pleats
    assert whole.last.worst_mm < 0.5 * whole.taut.worst_mm
    assert whole.hull is not None
    assert len(whole.last.hull_gap_mm) == len(region.reach.surface.vertices_mm)
    # Two plies, peel ply as stated, breather from memory.
    assert whole.offset_mm == pytest.approx(2 * 0.3 + 0.2 + 1.0)


def test_what_stands_in_the_job_goes_before_what_is_worked_out(plan):
    bag, layers = plan.job.bags["standard"], plan.regions[0].layers
    stated = replace_stack(plan.job, 3.5).bags["standard"]
    assert stack_mm(plan.job, stated, layers, 0.6) == 3.5
    assert stack_mm(plan.job, replace_stack(plan.job, 0.0).bags["standard"], layers, 0.6) == LEAST_STACK_MM
    assert stack_mm(plan.job, bag, (), 0.2) == LEAST_STACK_MM


def replace_stack(job, mm):
    return job_from_text(JOB.replace('worked_out = "whole"', f'worked_out = "whole", stack = "{mm} mm"'))


def test_plan_json_and_the_sheet_tell_it(plan):
    found = json.loads(as_json(plan_to_dict(plan, files=[])))
    jsonschema.Draft202012Validator(plan_schema()).validate(found)
    told = found["regions"][0]["bridging"]["film"]["whole"]
    assert told["keeps_limit"] is plan.regions[0].reach.film.whole.met
    assert told["pleats"][0]["in_plan"] is True
    assert told["pleats"][0]["worst_mm"] < told["taut"]["worst_mm"]
    low, high = told["taut"]["between_mm"]
    assert low <= told["taut"]["worst_mm"] <= high
    assert max(q["gap_mm"] for q in told["corners"]) == pytest.approx(told["pleats"][0]["worst_mm"])
    reach = plan.regions[0].reach
    rows = beside_rows(reach)
    assert [r[0] for r in rows][:2] == ["drawn taut, no pleats", "the pleats that the sections ask for (in the plan)"]
    assert rows[0][-1] == "no"
    assert [r[0] for r in whole_rows(reach)] == ["drawn taut", "with its pleats"]
    words = " ".join(whole_words(reach))
    assert "over a stack of 1.8 mm" in words
    assert "slides freely" in words


def test_two_pictures_show_its_gap_on_the_hull(plan):
    stage = Stage(plan, plan.regions[0])
    with stage.scene:
        shown = list(whole_pictures(stage))
    assert [q.title for q in shown] == ["corner: the film laid whole, drawn taut", "corner: the film laid whole, with its pleats"]
    assert all(q.png.startswith(b"\x89PNG") for q in shown)
    assert "at 80 kPa" in shown[0].alt


def test_the_resin_of_the_gaps_is_that_of_the_whole_film(plan):
    region = plan.regions[0]
    grams, words = gaps_g(plan.job, region)
    assert grams.usual == pytest.approx(region.reach.film.whole.last.resin_g)
    assert grams.low <= grams.usual <= grams.high
    assert "the film laid whole, with its pleats" in words


def test_a_limit_that_is_missed_is_told_with_where_and_by_how_much(plan):
    whole = plan.regions[0].reach.film.whole
    rest = replace(whole.tries[0].state, converged=True)
    whole = replace(whole, tries=(replace(whole.tries[0], state=rest),))
    tight = replace(whole, limit_mm=0.5 * whole.last.worst_mm)
    ((text, do),) = whole_notes(tight)
    assert f"{0.5 * whole.last.worst_mm:.1f} mm over the limit" in text
    assert "no other pleats were tried" in text
    assert "by hand" in do
    assert whole_notes(replace(whole, limit_mm=2 * whole.last.worst_mm)) == ()
    tried = replace(whole.tries[0], better=False)
    ((text, _),) = whole_notes(replace(tight, tries=(*whole.tries, tried)))
    assert "tried 1 time" in text
    state = replace(whole.tries[0].state, converged=False, residual=0.3, bursts=True)
    notes = whole_notes(replace(whole, tries=(replace(whole.tries[0], state=state),), limit_mm=2 * whole.last.worst_mm))
    assert [bool(q[1]) for q in notes] == [True, True]
    assert "bursts" in notes[0][0]
    assert "30.0 % of the pressure" in notes[1][0]


def test_a_film_that_cannot_be_laid_whole_is_told_and_the_plan_comes_out(tmp_path, monkeypatch):
    def fails(*_args, **_more):
        raise SolveError("the film's equations are singular", do="Give the film another mesh.")

    monkeypatch.setattr(whole_filming, "whole_film", fails)
    plan = make_plan(job_from_text(JOB, folder=written(tmp_path)))
    reach = plan.regions[0].reach
    assert reach.film.whole is None
    assert reach.pleats
    assert beside_rows(reach) == whole_rows(reach) == whole_words(reach) == list(whole_pictures(Stage(plan, plan.regions[0]))) == []
    (told,) = (c for c in plan.cautions if "could not be laid whole" in c.text)
    assert "singular" in told.text
    assert "another mesh" in told.do


@pytest.mark.parametrize(("old", "new", "says"), [("400 }", "20 }", "points"), ("400 }", "400.5 }", "points"), ('"whole"', '"part"', "worked_out")])
def test_what_cannot_be_is_refused_with_its_key(old, new, says):
    assert old in JOB
    with pytest.raises(JobError, match=says):
        job_from_text(JOB.replace(old, new, 1))

"""The film of a bag, from a job file to what the plan says of it; and what is refused or warned about on the way."""

from __future__ import annotations

import json
from dataclasses import replace

import jobs
import jsonschema
import pytest
import shapes
import trimesh

from plyflat.bagging import plan_reach
from plyflat.errors import JobError, PlyflatError
from plyflat.export.planjson import as_json, plan_schema, plan_to_dict
from plyflat.filming import film_of, tube_notes
from plyflat.job.reader import job_from_text
from plyflat.plan import make_plan
from plyflat.report.film import cure_rows, film_words, layer_rows, state_rows
from plyflat.report.page import report_html

JOB = (
    jobs.head(
        "corner of a locker", "corner.ply", 'bag = "standard"', jobs.outline((140, 60, 0), (260, 60, 0), (260, 0, 60), (140, 0, 60)),
        region="corner",
    )
    + jobs.PLY + jobs.GLASS + jobs.PEEL_PLY + jobs.TAPE + jobs.FILM
    + """\
[consumable."thin film"]
kind = "bag film"
areal_weight = "28 g/m^2"
thickness = "0.025 mm"
roll_width = "1500 mm"
roll_length = "10 m"
[bag.standard]
peel_ply = { material = "peel", margin = "20 mm" }
tape = { material = "tape", margin = "60 mm", overlap = "25 mm" }
film = { material = "film", margin = "20 mm" }
[resin]
ratio = "100:25"
fibre_mass_fraction = "50 %"
[laps]
trim = "0 mm"
"""
    + jobs.QUICK
)  # fmt: skip


def written(folder, first=180.0, second=180.0):
    v, f = shapes.wedge(90, length=400, first=first, second=second, step=15.0)
    trimesh.Trimesh(v, f, process=False).export(folder / "corner.ply")
    return folder


@pytest.fixture(scope="module")
def plan(tmp_path_factory):
    return make_plan(job_from_text(JOB, folder=written(tmp_path_factory.mktemp("corner"))))


def test_the_plan_holds_the_film_taut_and_with_its_pleats(plan):
    reach = plan.regions[0].reach
    film = reach.film
    assert [q.pressure_kpa for q in film.taut] == pytest.approx([15.0, reach.pressure_kpa])
    assert [q.name for q in film.pleated] == ["with its pleats"] * 2
    assert film.taut[-1].depth_mm > reach.limit_mm >= film.pleated[-1].depth_mm
    assert film.met
    assert reach.pleats == film.fed.pleats
    assert {p.feeds for p in reach.pleats} == {"corner 1"}
    assert film.layers[0].kind == "peel ply"
    assert film.seconds > 0


def lacking(plan):
    return [c for c in plan.cautions if "would bridge the corners" in c.text]


def test_what_a_taut_film_lacks_is_told_where_it_bridges(plan, tmp_path):
    (told,) = lacking(plan)
    # Nothing is lacking along the corner, which is straight.
    assert "would lack" in told.text
    assert "mm across the warp line at" in told.text
    assert " 0 mm" not in told.text
    assert "see their heights" in told.do
    # A film so soft follows the corner by itself, without pleats.
    soft = JOB.replace('margin = "20 mm" }\n[resin]', 'margin = "20 mm", yield = "2 MPa", hardening = "1 MPa" }\n[resin]')
    follows = make_plan(job_from_text(soft, folder=written(tmp_path)))
    assert follows.regions[0].reach.pleats == ()
    assert follows.regions[0].reach.film.met
    assert lacking(follows) == []


def test_layers_in_one_piece_hold_off_what_the_pleats_would_do(plan):
    region = plan.regions[0]
    one = next(q for q in region.reach.film.layers if q.way == "through" and q.kind == "peel ply")
    assert {(c.layer, c.way) for c in region.stack.crossings} == {("peel ply", "through")}
    told = f"That is the film alone. Layers that this bag has running through its corners in one piece hold it off, laid taut: the peel ply {one.depth_mm:.0f} to"
    assert told in " ".join(film_words(region.reach, through=["peel ply"]))
    assert "film alone" not in " ".join(film_words(region.reach, through=["breather"]))
    page = report_html(replace(plan, rolls=(), day=None), [])
    assert told in page


def test_the_fillets_that_a_warning_and_the_cures_tell_are_told_apart(plan):
    reach = plan.regions[0].reach
    (cure,) = (q for q in reach.film.cures if q.kind == "fillet")
    (told,) = (c.do for c in plan.cautions if "spot 1:" in c.text)
    assert cure.meets
    assert cure.fillet_mm < reach.bridging.radius_mm
    assert f"a fillet of {cure.fillet_mm:.0f} mm, which keeps the limit, or of {reach.bridging.radius_mm:.0f} mm, which a taut film follows;" in told
    assert f"a fillet of {cure.fillet_mm:.0f} mm" in cure.what


def test_cures_try_the_other_films_of_the_job(plan):
    film = plan.regions[0].reach.film
    thin = next(q for q in film.cures if q.what.startswith("thin film"))
    # Half as thick it draws at half the tension, and leaves about half as much open.
    assert thin.state.depth_mm == pytest.approx(0.5 * film.taut[-1].depth_mm, rel=0.1)


def test_plan_json_and_the_sheet_tell_it(plan):
    found = json.loads(as_json(plan_to_dict(plan, files=[])))
    jsonschema.Draft202012Validator(plan_schema()).validate(found)
    film = found["regions"][0]["bridging"]["film"]
    assert film["pleated"][-1]["depth_mm"][0] <= 3.0
    assert len(film["sections"]) == len(plan.regions[0].reach.sections)
    reach = plan.regions[0].reach
    assert [r[0] for r in state_rows(reach)] == ["drawn taut"] * 2 + ["with its pleats"] * 2
    assert {r[-1] for r in cure_rows(reach)} == {"yes", "no"}
    one, cut = layer_rows(reach)[:2]
    assert (one[0], cut[0]) == ("peel ply, in one piece", "peel ply, cut along the corner, lapped by 20 mm")
    assert {"layers in one piece", "cut at the corner"} <= {q["kind"] for q in film["cures"]}
    assert [q["way"] for q in film["layers"]] == ["through", "cut"] * (len(film["layers"]) // 2)
    words = " ".join(film_words(reach))
    assert "the peel ply bridges most if it runs through" in words
    assert "keeps the limit of 3 mm" in words
    assert "take those figures for the least" in words
    assert 'state worked_out = "whole"' in words
    assert "State hollow tubes" in words
    stated = " ".join(film_words(reach, tubes=["rudder tube"]))
    assert "(rudder tube)" in stated
    assert "State hollow tubes" not in stated


def test_laps_that_no_length_suits_are_not_advised(plan):
    reach = plan.regions[0].reach
    layers = reach.film.layers

    def told(least, most):
        cut = [replace(q, lap_least_mm=least, lap_most_mm=most) if q.way == "cut" else q for q in layers]
        return " ".join(film_words(replace(reach, film=replace(reach.film, layers=tuple(cut)))))

    assert "No lap does both: one shorter than 66 mm may draw off the line, and one longer than 28 mm" in told(66.0, 28.0)
    both = told(10.0, 28.0)
    assert "A lap shorter than 10 mm may draw off the line and one longer than 28 mm may be held more than 3 mm off." in both
    assert "No lap does" not in both
    assert "A lap longer than 28 mm" in told(0.0, 28.0)
    assert "A lap shorter than 10 mm may draw off the line." in told(10.0, float("inf"))
    assert "A lap" not in told(0.0, float("inf"))


def test_where_none_is_asked_for_none_is_laid_and_missing_room_for_the_tape_is_told_with_its_place(tmp_path):
    text = JOB.replace('margin = "20 mm" }\n[resin]', 'margin = "20 mm", worked_out = "no" }\n[resin]')
    # The wall is 90 mm high, the plies end at 60 and the tape wants 60 more.
    short = make_plan(job_from_text(text, folder=written(tmp_path, first=90.0)))
    reach = short.regions[0].reach
    assert reach.film is None
    assert reach.pleats
    assert state_rows(reach) == cure_rows(reach) == layer_rows(reach) == []
    (told,) = (c.text for c in short.cautions if "the sealant tape 60 mm beyond the plies" in c.text)
    assert "the surface ends 30 mm short" in told
    assert ", 90, 0) mm" in told


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("[lay]", '[vacuum]\ngauge = "0 kPa"\n[lay]', "gauge"),
        ("[lay]", '[vacuum]\ngauge = "95 kPa"\n[place]\naltitude = "2000 m"\n[lay]', "95"),
        ("[lay]", '[vacuum]\ngauge = "140 kPa"\n[lay]', "gauge"),
        ('margin = "20 mm" }\n[resin]', 'margin = "20 mm", modulus = "0 MPa" }\n[resin]', "modulus"),
        ('margin = "20 mm" }\n[resin]', 'margin = "20 mm", breaks_at = 0.9 }\n[resin]', "breaks_at"),
        ('margin = "20 mm" }\n[resin]', 'margin = "20 mm", hardening = "-1 MPa" }\n[resin]', "hardening"),
        ('margin = "20 mm" }\n[resin]', 'margin = "20 mm", tuck = "90 kPa" }\n[resin]', "tuck"),
        ('margin = "20 mm" }\n[resin]', 'margin = "20 mm", pleat_most = "0 mm" }\n[resin]', "pleat_most"),
        ('margin = "20 mm" }\n[resin]', 'margin = "20 mm", worked_out = "perhaps" }\n[resin]', "worked_out"),
        ('thickness = "0.05 mm"', 'thickness = "0 mm"', "thickness"),
        ('thickness = "0.05 mm"', 'thickness = "0.05 mm"\nstiffness = "60"', "stiffness"),
        ('material = "film", margin', 'material = "felt", margin', "felt"),
    ],
)
def test_what_no_pump_or_film_does_is_refused_with_its_key(tmp_path, old, new, says):
    assert old in JOB
    with pytest.raises(PlyflatError, match=says) as raised:
        make_plan(job_from_text(JOB.replace(old, new, 1), folder=written(tmp_path)))
    assert isinstance(raised.value, JobError) or raised.value.do


def test_a_thickness_that_is_not_stated_is_told(plan):
    job = job_from_text(JOB.replace('thickness = "0.05 mm"\n', "", 1))
    _, notes = plan_reach(job, job.bags["standard"], plan.regions[0].layers)
    ((text, do),) = (q for q in notes if "thickness" in q[0])
    assert "0.05 mm is taken, from memory" in text
    assert "[consumable.'film']" in do


def test_a_film_is_what_the_job_says(plan):
    job = plan.job
    bag = job.bags["standard"]
    film = film_of(job, bag)
    assert (film.modulus_mpa, film.yield_mpa, film.thickness_mm) == (700.0, 35.0, 0.05)
    stated = JOB.replace('thickness = "0.05 mm"', 'thickness = "0.05 mm"\nstiffness = "20 N/mm"\ngives = "1 N/mm"', 1)
    other = job_from_text(stated)
    film = film_of(other, other.bags["standard"])
    assert film.stiffness_n_per_mm == pytest.approx(20.0)
    assert film.yield_n_per_mm == pytest.approx(1.0)


@pytest.mark.parametrize(("wall", "told"), [("0.5 mm", True), ("4 mm", False)])
def test_a_hollow_tube_is_checked_against_being_crushed(wall, told):
    tube = f'hollow = [{{ what = "rudder tube", radius = "25 mm", wall = "{wall}", modulus = "10 GPa" }}]\n'
    job = job_from_text(JOB.replace("[bag.standard]\n", "[bag.standard]\n" + tube))
    notes = tube_notes(job.bags["standard"], 80.0)
    assert bool(notes) is told
    if told:
        ((text, do),) = notes
        # E / (4 (1 - nu^2)) (t / R)^3
        assert f"buckles at {10e6 / (4 * 0.91) * 0.02**3:.0f} kPa" in text
        assert "from memory" in text
        assert "less vacuum" in do


def test_excess_is_told_where_a_film_must_fold():
    from plyflat.bag.excess import film_excess
    from plyflat.surface.mesh import Surface

    pocket = film_excess(Surface(*shapes.box_pocket(step=10.0)))
    # The corners of the floor have a quarter of a turn too little each; those of the rim have one too much.
    assert [deg for _, deg in pocket.places] == pytest.approx([90.0] * 4)
    assert sorted(p for p, _ in pocket.places) == [(x, y, -60.0) for x in (-100.0, 100.0) for y in (-100.0, 100.0)]
    assert pocket.short_mm2 > 0
    flat = film_excess(Surface(*shapes.noisy_sheet(noise=0.0, triangles=800)))
    assert flat.places == ()
    assert flat.folds_mm2 == flat.short_mm2 == 0.0

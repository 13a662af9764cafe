"""Marks put on the hull by tape, from the job file to list, table and picture."""

from __future__ import annotations

import csv
import io
import json
import math

import jsonschema
import numpy as np
import pytest
import shapely
import shapes
import trimesh
from jobs import SMALL

from plyflat.errors import JobError, OutlineError
from plyflat.export.planjson import as_json, plan_schema, plan_to_dict
from plyflat.export.tables import mark_list
from plyflat.job.reader import job_from_text
from plyflat.marking import MOST_FURTHER
from plyflat.plan import make_plan
from plyflat.report.taped import mark_rows, mark_words

CORNERS = np.array([[100.0, 100, 0], [300, 100, 0], [300, 200, 0], [100, 240, 0]])
DATA = """
[[datum]]
name = "fore corner"
mesh = "hull"
at = "395 5 0 mm"
[[datum]]
name = "aft corner"
mesh = "hull"
at = "5 5 0 mm"
"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    there = tmp_path_factory.mktemp("sheet")
    flat, faces = shapes.rectangle(400.0, 300.0, triangles=400)
    trimesh.Trimesh(np.column_stack([flat, 0 * flat[:, 0]]), faces, process=False).export(there / "hull.stl")
    return there


def job(folder, extra=DATA):
    outline = "points = " + json.dumps(CORNERS.tolist())
    return job_from_text(SMALL.replace("points = [[0, 0, 0], [100, 0, 0], [100, 100, 0]]", outline) + extra, folder=folder)


@pytest.fixture(scope="module")
def plan(folder):
    return make_plan(job(folder))


def test_the_corners_of_the_edge_are_found_by_two_lengths(plan):
    edge = [m for m in plan.hull_marks if m.of == "edge"]
    assert {tuple(np.round(m.at_mm, 3)) for m in edge} == {tuple(p) for p in CORNERS}
    at = {"fore corner": (395.0, 5.0, 0.0), "aft corner": (5.0, 5.0, 0.0)}
    for m in edge:
        assert m.first_mm == pytest.approx(math.dist(at[m.first], m.at_mm), abs=0.05)
        assert m.second_mm == pytest.approx(math.dist(at[m.second], m.at_mm), abs=0.05)
        assert m.side == "port"
    assert [m.number for m in plan.hull_marks if m.of == "warp line"] == [5, 6]


def test_the_side_is_the_other_one_where_the_points_lie_across(folder):
    over = make_plan(job(folder, DATA.replace("395 5", "395 295").replace('"5 5 0', '"5 295 0')))
    assert {m.side for m in over.hull_marks} == {"starboard"}


def test_list_table_and_plan_say_the_same(plan):
    rows = list(csv.DictReader(io.StringIO(mark_list(plan))))
    shown = mark_rows(plan.hull_marks)
    found = plan_to_dict(plan)
    jsonschema.validate(json.loads(as_json(found)), plan_schema())
    assert len(rows) == len(shown) == len(found["hull_marks"]) == 6
    for row, line, mark in zip(rows, shown, found["hull_marks"]):
        assert row["mark"] == line[0] == str(mark["number"])
        assert line[3] == f"{mark['first_mm']:.0f}"
        assert float(row["tape from the first (mm)"]) == pytest.approx(mark["first_mm"], abs=0.051)
        assert row["second point"] == line[4] == mark["second"]
    assert "hook a tape" in mark_words(plan.hull_marks)[0]


def test_nothing_is_listed_without_two_points(folder):
    plain = make_plan(job(folder, ""))
    assert plain.hull_marks == ()
    assert mark_words(()) == []


def test_tapes_that_run_side_by_side_are_told(folder):
    near = DATA.replace("395 5", "7 7")
    texts = [c.text for c in make_plan(job(folder, near)).cautions]
    assert any("cross at a sharp angle" in t for t in texts)


def test_a_point_off_the_hull_is_refused_with_its_name(folder):
    with pytest.raises(OutlineError, match="datum aft corner: it lies 500 mm off mesh hull"):
        make_plan(job(folder, DATA.replace('"5 5 0 mm"', '"5 5 500 mm"')))


def test_a_mesh_that_is_not_there_is_a_fault_of_the_job(folder):
    with pytest.raises(JobError, match="did you mean 'hull'"):
        job(folder, DATA.replace('mesh = "hull"', 'mesh = "hul"'))


# -- further plies and starts ----------------------------------------------------------------------------------------
MORE = """
[[region.ply]]
cloth = "glass"
angle = "45 deg"
grow = "30 mm"
[[region.ply]]
cloth = "glass"
angle = "0 deg"
"""


@pytest.fixture(scope="module")
def further(folder):
    outline = "points = " + json.dumps(CORNERS.tolist())
    text = SMALL.replace("points = [[0, 0, 0], [100, 0, 0], [100, 100, 0]]", outline)
    text = text.replace("[cloth.glass]", f'{MORE}[cloth.glass]\nweave = "twill 2x2"')
    return make_plan(job_from_text(text + DATA + '[lay]\nseconds = "0.2 s"\n', folder=folder))


def test_the_edge_of_a_ply_that_reaches_farther_is_marked_and_one_that_does_not_is_no_second_time(further):
    marks = [m for m in further.hull_marks if m.ply]
    assert {(m.of, m.ply) for m in marks} == {("edge of P2", "P2")}
    edge = shapely.LinearRing(CORNERS[:, :2])
    assert 4 <= len(marks) <= MOST_FURTHER
    at = {"fore corner": (395.0, 5.0, 0.0), "aft corner": (5.0, 5.0, 0.0)}
    for m in marks:
        assert edge.distance(shapely.Point(m.at_mm[:2])) == pytest.approx(30.0, abs=0.1)
        assert (m.first_mm, m.second_mm) == pytest.approx([math.dist(at[of], m.at_mm) for of in (m.first, m.second)], abs=0.05)
    assert [m.number for m in further.hull_marks] == list(range(1, len(further.hull_marks) + 1))


def test_where_threads_are_laid_first_is_marked_as_it_is_on_the_template(further):
    starts = [m for m in further.hull_marks if m.of.startswith("start")]
    assert [m.of for m in starts] == ["start of P1 A", "start of P2 A", "start of P3 A"]
    for mark, ply in zip(starts, further.regions[0].plies):
        template = ply.templates[0]
        flat = [math.dist(template.start.coords[0], p) for p in template.net.exterior.coords]
        rim = ply.region.surface.vertices_mm[ply.region.loops[0]]
        hull = np.linalg.norm(rim - mark.at_mm, axis=1)
        assert (min(flat), max(flat)) == pytest.approx((hull.min(), hull.max()), abs=0.5)


def test_the_sheet_shows_the_regions_own_marks_and_says_where_the_others_are(further):
    own = [m for m in further.hull_marks if not m.ply]
    assert [row[0] for row in mark_rows(further.hull_marks)] == [str(m.number) for m in own]
    assert "The edges of P2 are marked in the same way by hull_marks.csv." in mark_words(further.hull_marks)[0]
    assert "hull_marks.csv" not in mark_words(own)[0]
    jsonschema.validate(json.loads(as_json(plan_to_dict(further))), plan_schema())
    assert len(mark_list(further).splitlines()) == len(further.hull_marks) + 1

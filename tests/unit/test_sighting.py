"""A projector, from the job file to the picture it throws."""

from __future__ import annotations

import io
import json
import xml.etree.ElementTree as ET

import jsonschema
import numpy as np
import pytest
import shapes
import trimesh
from jobs import SMALL
from PIL import Image

from plyflat.errors import JobError, QuantityError
from plyflat.export.planjson import plan_schema
from plyflat.export.thrown import FOLDER, thrown_png, thrown_svg
from plyflat.export.write import write_plan
from plyflat.job.reader import job_from_text
from plyflat.plan import make_plan

# The lens hangs 1 m over the middle of a sheet of 400 by 300 mm, 1000 pixels to 1 m of it.
AT = """
[[projector]]
region = "patch"
image = [400, 300]
stands = "200 150 1000 mm"
mark = [
  { on = "0 0 0 mm", at = [0, 300] },
  { on = "400 0 0 mm", at = [400, 300] },
  { on = "400 300 0 mm", at = [400, 0] },
  { on = "0 300 0 mm", at = [0, 0] },
]
"""
AREA = "points = [[100, 100, 0], [300, 100, 0], [300, 200, 0]]"


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    there = tmp_path_factory.mktemp("sheet")
    flat, faces = shapes.rectangle(400.0, 300.0, triangles=400)
    trimesh.Trimesh(np.column_stack([flat, 0 * flat[:, 0]]), faces, process=False).export(there / "hull.stl")
    return there


def job(folder, extra=AT):
    return job_from_text(
        SMALL.replace("points = [[0, 0, 0], [100, 0, 0], [100, 100, 0]]", AREA) + extra, folder=folder
    )


@pytest.fixture(scope="module")
def plan(folder):
    return make_plan(job(folder))


def test_the_edge_of_the_ply_is_thrown_where_it_lies(plan):
    (sight,) = plan.sights
    (edge,) = [line for line in sight.lines if line.kind == "edge"]
    (run,) = edge.runs_px
    assert edge.share == pytest.approx(1.0)
    assert np.abs([run.min(axis=0), run.max(axis=0)] - np.array([[100.0, 100], [300, 200]])).max() < 0.1
    assert not [c for c in plan.cautions if "projector" in c.where]


def test_the_picture_is_as_large_as_the_projectors_and_light_where_the_line_is(plan):
    image = np.array(Image.open(io.BytesIO(thrown_png(plan.sights[0]))).convert("L"))
    assert image.shape == (300, 400)
    assert image[198:203, 150].max() > 150
    assert image[250, 150] == 0


def test_the_lines_file_holds_the_same(plan):
    root = ET.fromstring(thrown_svg(plan.sights[0]))
    assert root.get("viewBox") == "0 0 400 300"
    groups = {g.get("id"): g for g in root.iter("{http://www.w3.org/2000/svg}g")}
    assert set(groups) == {"edge", "warp", "words"}
    words = [t.text for t in groups["words"]]
    assert {"1", "2", "3", "4", "P1", "warp"} <= set(words)


def test_files_and_plan_are_written(plan, tmp_path):
    write_plan(plan, tmp_path / "out", pictures=False)
    found = json.loads((tmp_path / "out" / "plan.json").read_text(encoding="utf-8"))
    jsonschema.validate(found, plan_schema())
    assert found["projectors"][0]["region"] == "patch"
    assert {f"{FOLDER}/patch.svg", f"{FOLDER}/patch.png"} <= set(found["files"])
    again = job_from_text(
        (tmp_path / "out" / "job_resolved.toml").read_text(encoding="utf-8"), folder=tmp_path / "out"
    )
    assert again.projectors == plan.job.projectors


def test_what_is_outside_the_picture_and_a_mark_that_is_off_are_told(folder):
    narrow = AT.replace("image = [400, 300]", "image = [200, 300]")
    fifth = '  { on = "200 150 0 mm", at = [230, 150] },\n'
    off = narrow.replace("at = [0, 0] },\n", "at = [0, 0] },\n" + fifth)
    texts = [c.text for c in make_plan(job(folder, off)).cautions if c.where == "projector 1, patch"]
    assert any("mark 5 comes to lie" in t for t in texts)
    assert any("of the edge of P1 is hidden from the lens or outside its picture" in t for t in texts)


def test_marks_in_one_line_are_refused_before_any_work(folder):
    with pytest.raises(QuantityError, match="projector 1: three of the marks lie in one line"):
        make_plan(job(folder, AT.replace('"400 300 0 mm", at = [400, 0]', '"200 0 0 mm", at = [200, 300]')))


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('region = "patch"', 'region = "pach"', "did you mean 'patch'"),
        ("image = [400, 300]", "image = [400.5, 300]", "whole numbers"),
        ("image = [400, 300]", "image = [400]", "no width and height"),
        (
            'stands = "200 150 1000 mm"\n',
            "",
            "4 marks are too few where it is not stated where the lens stands",
        ),
        ("at = [0, 300]", 'at = ["0", 300]', "no place in the picture"),
        ('on = "0 0 0 mm"', "on = [0, 0, 0]", "point"),
    ],
)
def test_faults_of_the_table_are_told_with_their_key(folder, old, new, words):
    with pytest.raises(JobError) as refused:
        job(folder, AT.replace(old, new))
    assert words in str(refused.value)
    assert "projector" in str(refused.value)

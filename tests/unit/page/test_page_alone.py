"""A region worked out by itself, beside what a plan makes of the same job."""

from __future__ import annotations

import re

import numpy as np
import pytest
import shapely
import shapes
from sheets import JOB, drawn, loaded, ring_on_a_cone

from plyflat.errors import OutlineError
from plyflat.job.reader import job_from_text
from plyflat.page.alone import Bagged, Cut, Summed, alone
from plyflat.plan import make_plan

BAG = """
[bag.standard]
film = { material = "film" }
tape = { material = "tape", margin = "30 mm" }
[consumable.film]
kind = "bag film"
areal_weight = "50 g/m^2"
roll_width = "1.5 m"
roll_length = "10 m"
[consumable.tape]
kind = "sealant tape"
roll_length = "15 m"
"""
#: For a hull of two walls at a right angle whose corner runs along x.
CORNER = JOB.replace('mesh = "hull"\n', 'mesh = "hull"\nbag = "standard"\n').replace("forward = [0, 1, 0]", "forward = [1, 0, 0]") + BAG


@pytest.fixture
def flat(tmp_path):
    plan, f = shapes.rectangle(500.0, 500.0, 4000)
    return loaded(tmp_path, np.column_stack([plan, np.zeros(len(plan))]), f)


def test_the_templates_are_those_that_a_plan_cuts(flat, tmp_path):
    cut, summed = alone(flat, JOB, str(tmp_path), "panel")
    (region,) = make_plan(job_from_text(JOB, folder=tmp_path)).regions
    assert [title for title, _ in cut.drawings] == ["P1", "P2"]
    for (_, svg), ply in zip(cut.drawings, region.plies):
        (template,) = ply.templates
        (edge,) = drawn(svg, "CUT")
        assert shapely.Polygon(edge).area == pytest.approx(template.cut.area, rel=1e-6)
        np.testing.assert_allclose(np.ptp(edge, axis=0), np.ptp(np.asarray(template.cut.exterior.coords), axis=0), atol=1e-3)
    assert [said.partition(":")[0] for said in cut.gives] == ["P1, glass", "P2, glass"]
    assert isinstance(summed, Summed)


def test_match_marks_have_the_jobs_shape(tmp_path):
    # A ring has seams, whose sides are told apart by match marks.
    v, f, text = ring_on_a_cone()
    surfaces, corners = loaded(tmp_path, v, f, text), []
    for style in ("slit", "V"):
        cut = next(alone(surfaces, f'{text}[laps]\nnotch_style = "{style}"\n', str(tmp_path), "panel"))
        corners.append([len(stroke) for stroke in drawn(cut.drawings[0][1], "NOTCH")])
    assert set(corners[0]) == {2}
    assert set(corners[1]) == {3}


def test_a_mirror_image_is_cut_after_what_it_is_made_from(flat, tmp_path):
    text = JOB.replace("[boat]\n", '[boat]\ncentre = "250 250 0 mm"\n').replace(
        "[cloth.glass]", '[[region]]\nname = "other"\nmesh = "hull"\nmirror_of = "panel"\n[cloth.glass]'
    )
    cut, _ = alone(flat, text, str(tmp_path), "other")
    assert [title for title, _ in cut.drawings] == ["P1", "P2"]


def test_what_hinders_the_templates_is_told(flat, tmp_path):
    text = JOB.replace("[300,300,0]", "[300,900,0]")
    with pytest.raises(OutlineError, match="point 3"):
        next(alone(flat, text, str(tmp_path), "panel"))


def test_film_and_sums_are_those_of_a_plan_of_that_region(tmp_path):
    text = re.sub(r"points = .*", "points = [[150,60,0],[250,60,0],[250,0,60],[150,0,60]] }", CORNER)
    surfaces = loaded(tmp_path, *shapes.wedge(90.0, length=400.0, first=180.0, second=180.0, step=12.0), text)
    cut, bagged, summed = alone(surfaces, text, str(tmp_path), "panel")
    plan = make_plan(job_from_text(text, folder=tmp_path))
    assert (type(cut), type(bagged)) == (Cut, Bagged)
    reach = plan.regions[0].reach
    assert f"at most {reach.bridging.worst_mm:.1f} mm" in bagged.words
    assert f"{len(reach.pleats)} pleats at most {reach.film.pleated[-1].depth_mm:.1f} mm" in bagged.words
    assert [row[0] for row in bagged.pleats[1:]] == [str(p.number) for p in reach.pleats]
    assert [row[3] for row in bagged.pleats[1:]] == [f"{p.height_mm:.0f}" for p in reach.pleats]
    whole = {q.item: q for q in plan.shopping}
    told = {row[0]: row[1] for row in summed.rows}
    assert {"glass", "film", "tape", "resin", "hardener"} <= set(told)
    assert float(told["resin"].split()[0]) == pytest.approx(whole["resin"].amount, rel=0.01)
    assert float(told["tape"].split()[0]) == pytest.approx(whole["tape"].amount, rel=0.01)

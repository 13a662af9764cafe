"""A plan of a flat panel, where every figure can be worked out by hand."""

from __future__ import annotations

import jobs
import numpy as np
import pytest
import trimesh

from plyflat.errors import CheckError
from plyflat.job.reader import job_from_text
from plyflat.job.table import filled
from plyflat.plan import _note_plotter, _Work, make_plan
from plyflat.progress import quiet

JOB = (
    jobs.head("flat panel", "sheet.ply", 'bag = "standard"', jobs.outline((100, 100, 0), (500, 100, 0), (500, 400, 0), (100, 400, 0)))
    + jobs.PLY + jobs.PLY + 'grow = "20 mm"\n'
    + jobs.changed(jobs.GLASS, ("1000 mm", "240 mm"), ("10 m", "1 m")) + 'price = "5 EUR/m"\n'
    + jobs.PEEL_PLY + jobs.TAPE + jobs.FILM
    + """\
[bag.standard]
peel_ply = { material = "peel", margin = "20 mm" }
tape = { material = "tape", margin = "40 mm", overlap = "25 mm" }
film = { material = "film", margin = "20 mm" }
[resin]
ratio = "100:25"
fibre_mass_fraction = "50 %"
[laps]
join = "20 mm"
trim = "0 mm"
stagger = "40 mm"
"""
    + jobs.QUICK + 'edge = "0 mm"\n'
)  # fmt: skip


@pytest.fixture(scope="module")
def plan(tmp_path_factory):
    folder = tmp_path_factory.mktemp("panel")
    n, m = 31, 26
    x, y = np.meshgrid(np.linspace(0, 600, n), np.linspace(0, 500, m), indexing="ij")
    i = np.arange(n * m).reshape(n, m)
    a, b, c, d = (q.ravel() for q in (i[:-1, :-1], i[1:, :-1], i[1:, 1:], i[:-1, 1:]))
    faces = np.concatenate([np.stack([a, b, c], 1), np.stack([a, c, d], 1)])
    points = np.stack([x.ravel(), y.ravel(), np.zeros(n * m)], 1)
    trimesh.Trimesh(points, faces, process=False).export(folder / "sheet.ply")
    return make_plan(job_from_text(JOB, folder=folder))


def test_areas_and_tape_are_those_of_rectangles_with_round_corners(plan):
    region = plan.regions[0]
    assert region.plies[0].area_mm2 == pytest.approx(400 * 300, rel=1e-9)
    assert region.plies[1].area_mm2 == pytest.approx(440 * 340 - (4 - np.pi) * 400, rel=1e-3)
    tape = next(layer for layer in region.layers if layer.kind == "sealant tape")
    # With a tenth kept by for leaks.
    assert tape.length_mm == pytest.approx(1.1 * (1400 + 2 * np.pi * 60 + 25), rel=2e-3)
    film = next(layer for layer in region.layers if layer.kind == "bag film")
    assert film.templates[0].cut.bounds[2:] == pytest.approx((560, 460), abs=0.5)
    assert film.slack_mm == pytest.approx((0, 0), abs=1e-6)


def test_plies_wider_than_the_roll_are_split_and_the_splits_staggered(plan):
    lines = []
    for ply in plan.regions[0].plies:
        assert len(ply.templates) == 2
        widths = [t.cut.bounds[3] - t.cut.bounds[1] for t in ply.templates]
        assert max(widths) <= 240
        # The net pieces meet at the split; where it lies across the panel follows from the width of the one with the lap.
        areas = [t.net.area for t in ply.templates]
        assert sum(areas) == pytest.approx(ply.area_mm2, rel=1e-6)
        (lapped,) = (t for t in ply.templates if t.laps)
        lines.append(100 - ply.grow_mm + lapped.net.bounds[3] - lapped.net.bounds[1])
    assert abs(lines[0] - lines[1]) >= 39.9


@pytest.mark.parametrize(("language", "zero", "told"), [("plain", "edge", {"peel", "film"}), ("hpgl2", "middle", set()), ("none", "edge", set())])
def test_lays_beyond_16_bits_of_a_plotter_are_said(plan, language, zero, told):
    # The rolls of peel ply and film are 1500 mm wide, that of glass 240.
    assert {roll.material for roll in plan.rolls if max(lay.width_mm for lay in roll.lays) == 1500.0} == {"peel", "film"}
    work = _Work(filled(plan.job, files=filled(plan.job.files, plotter=language, plotter_zero=zero)), quiet)
    _note_plotter(work, plan.rolls)
    assert {c.where for c in work.cautions} == told
    assert all("1500 mm across" in c.text and "819 mm" in c.text for c in work.cautions)


def test_more_rolls_than_there_are_is_said(plan):
    glass = next(r for r in plan.rolls if r.material == "glass")
    assert glass.rolls >= 2
    assert any("roll" in c.text and c.where == "glass" for c in plan.cautions)
    assert glass.cost == pytest.approx(glass.length_mm / 1000 * 5)


def test_resin_is_that_of_the_cloth_as_cut(plan):
    cut = sum(t.cut.area for ply in plan.regions[0].plies for t in ply.templates) * 1e-6 * 300
    rows = {q.item: q.amount for q in plan.resin}
    assert rows["stays in the laminate"] == pytest.approx(cut)
    assert rows["hardener"] / rows["resin"] == pytest.approx(0.25)


def test_a_failed_check_lets_nothing_out(plan):
    work = _Work(plan.job, quiet)
    work.check("folded triangles", 0, 0)
    work.check("gap", 5.0 - 1e-7, 5.0, "mm", at_least=True)
    assert [c.what for c in work.checks] == ["folded triangles", "gap"]
    with pytest.raises(CheckError, match="folded triangles: 1, where at most 0"):
        work.check("folded triangles", 1, 0)
    with pytest.raises(CheckError, match="gap: 4.9 mm, where at least 5 mm"):
        work.check("gap", 4.9, 5.0, "mm", at_least=True)
    with pytest.raises(CheckError):
        work.check("area", float("nan"), 1e-3)

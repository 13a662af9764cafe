import io
import re
from dataclasses import replace

import numpy as np
import plans
import pytest
import shapes
from PIL import Image

from plyflat.bagging import plan_reach
from plyflat.planned import LayerPlan, RegionPlan
from plyflat.report.bag import pleat_rows, reach_pictures, reach_words, spot_rows, wall_rows
from plyflat.report.hull import Stage
from plyflat.report.page import report_html
from plyflat.surface.mesh import Surface
from plyflat.surface.region import Region


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    plan = plans.make(tmp_path_factory.mktemp("job"))
    s = Surface(*shapes.box_pocket(size=(240, 160), step=10.0))
    whole = Region(s, s.boundary_loops, s, np.ones(len(s.faces), bool), np.arange(len(s.vertices_mm)))
    layers = (LayerPlan("sealant tape", "tape", 100.0, 0.0, 0.0, (), whole, 1000.0),)
    reach, _ = plan_reach(plan.job, plan.job.bags["standard"], layers)
    region = RegionPlan("locker <1>", "hull", whole, s.vertices_mm[:2], (), layers, reach=reach)
    stage = Stage(plan, region)
    with stage.scene:
        pictures = list(reach_pictures(stage))
    return plan, region, pictures


def test_there_are_a_map_pleats_and_sections(made):
    _, region, pictures = made
    assert [p.about for p in pictures] == [(k, region.name) for k in ("bridging", "pleats", "corner sections", "film excess")]
    for p in pictures:
        image = Image.open(io.BytesIO(p.png))
        assert image.size[0] == 1080
        assert len(p.png) < 400_000
    assert "at most 16 mm" in pictures[0].alt
    assert "pleat 4 at" in pictures[1].alt
    off = re.search(r"corner 1: ([0-9.]+) mm off without pleats, ([0-9.]+) mm with them", pictures[2].alt)
    assert float(off[2]) <= 3.0 < float(off[1])
    assert "at 4 places it folds" in pictures[3].alt


def test_the_gap_is_drawn_in_the_shades_of_its_legend(made):
    picture = made[2][0]
    pixels = np.asarray(Image.open(io.BytesIO(picture.png)).convert("RGB")).astype(int)
    drawing = pixels[: int(0.75 * len(pixels))]
    # The far end of the map is yellow, and stands in the corners of the floor.
    yellow = (drawing[:, :, 0] > 150) & (drawing[:, :, 2] < 110)
    assert yellow.sum() > 30


def test_rows_and_words(made):
    reach = made[1].reach
    (spot,) = spot_rows(reach)
    assert spot[0] == "1"
    assert spot[1].startswith("16.")
    rows = pleat_rows(reach)
    assert [r[0] for r in rows] == ["1", "2", "3", "4"]
    assert {r[1] for r in rows} == {"1"}
    assert {r[5] for r in rows} == {"corner 1"}
    # Every fold ends in a corner of the floor, which names its pleat.
    ends = {r[6]: r[0] for r in rows}
    walls = wall_rows(reach)
    assert sorted(ends) == [r[0] for r in walls] == ["W1", "W2", "W3", "W4"]
    assert [r[6] for r in walls] == [ends[r[0]] for r in walls]
    assert {r[1] for r in walls} == {"1"}
    for r in walls:
        taut, fed = ([float(q) for q in r[k].split(" to ")] for k in (2, 3))
        assert taut == pytest.approx([reach.bridging.radius_mm * q * 0.732 for q in (1, 2)], abs=0.1)
        # Beside it the film hangs rounder by as much as it leaves less open there.
        assert reach.limit_mm < fed[0] < fed[1] / 1.9 < 0.6 * taut[0]
    words = " ".join(reach_words(reach))
    assert "hangs free with a radius of" in words
    assert "short at 4 places of the hull: there pleats are wanted, and in excess at 4 places" in words
    assert "Three walls meet at 4 places" in words
    assert reach_words(None) == spot_rows(None) == pleat_rows(None) == wall_rows(None) == []


def test_a_fold_without_a_corner_of_three_walls_names_the_pleat_it_runs_to(made):
    plan = made[0]
    v, f = shapes.wedge(90, length=200, step=8.0)
    whole = Region(Surface(v, f), Surface(v, f).boundary_loops, Surface(v, f), np.ones(len(f), bool), np.arange(len(v)))
    layers = (LayerPlan("sealant tape", "tape", 100.0, 0.0, 0.0, (), whole, 1000.0),)
    reach, notes = plan_reach(plan.job, plan.job.bags["standard"], layers)
    across = {r[0]: r[6] for r in pleat_rows(reach)}
    assert across == {"1": "2", "2": "1"}
    assert wall_rows(reach) == []
    assert not any("three walls" in text for text, _ in notes)
    words = " ".join(reach_words(reach))
    assert "W in the map" not in words
    assert " 0 place" not in words


def test_the_sheet_holds_them(made):
    plan, region, pictures = made
    page = report_html(replace(plan, regions=(region,), rolls=(), day=None), pictures)
    assert "Pleats along the tape" in page
    assert "Places that a film without slack bridges" in page
    assert "Corners where three walls meet" in page
    for p in pictures:
        assert p.title.replace("<", "&lt;").replace(">", "&gt;") in page


def test_a_surface_that_is_reached_everywhere(made):
    plan = made[0]
    v, f = shapes.noisy_sheet(noise=0.0, triangles=800)
    s = Surface(v, f)
    whole = Region(s, s.boundary_loops, s, np.ones(len(f), bool), np.arange(len(v)))
    layers = (LayerPlan("sealant tape", "tape", 100.0, 0.0, 0.0, (), whole, 1000.0),)
    reach, _ = plan_reach(plan.job, plan.job.bags["standard"], layers)
    stage = Stage(plan, RegionPlan("flat", "hull", whole, v[:2], (), layers, reach=reach))
    with stage.scene:
        (only,) = reach_pictures(stage)
    assert "no place" in only.alt
    assert "no more than 3 mm anywhere" in " ".join(reach_words(reach))

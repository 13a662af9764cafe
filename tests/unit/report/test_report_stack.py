"""The stack on the sheet: what is told, and pictures that show it."""

import io
from dataclasses import replace

import numpy as np
import pytest
import stacks
from PIL import Image

from plyflat.bag.envelope import FilmWay
from plyflat.report.hull import Stage, bag_picture
from plyflat.report.page import report_html
from plyflat.report.stack import stack_blocks, stack_pictures, stack_words


@pytest.fixture(scope="module")
def plan(tmp_path_factory):
    return stacks.make(tmp_path_factory.mktemp("job"))


@pytest.fixture(scope="module")
def pictures(plan):
    stage = Stage(plan, plan.regions[0])
    with stage.scene:
        return list(stack_pictures(stage))


def test_pictures_say_what_they_show(plan, pictures):
    apart, lines = pictures
    assert [p.about for p in pictures] == [("bag stack", plan.regions[0].name), ("bag lines", plan.regions[0].name)]
    assert "peel ply +25 mm" in apart.alt
    assert "lead +225 mm" in apart.alt
    assert "2 inside corners on it" in lines.alt
    assert "vacuum at 1.25 m; gauge at 3.50 m" in lines.alt
    for p in pictures:
        assert Image.open(io.BytesIO(p.png)).size[0] == 1080
        assert len(p.png) < 400_000


def test_widths_are_drawn_to_scale(pictures):
    pixels = np.asarray(Image.open(io.BytesIO(pictures[0].png)).convert("L")).astype(int)
    # The dark bars: a port of 60 mm above a tape of 12 mm. Each has an edge of 2 px more.
    runs = []
    for row in pixels:
        dark = np.flatnonzero(np.diff(np.r_[0, (row < 60).astype(int), 0]))
        runs.append(max((b - a for a, b in zip(dark[::2], dark[1::2])), default=0))
    wide = sorted({r for r in runs if 8 < r < 400 and runs.count(r) > 25})
    assert (wide[-1] - 2) / (wide[0] - 2) == pytest.approx(60 / 12, rel=0.1)


def test_tables_and_words(plan):
    region = plan.regions[0]
    corners, ways, tape, ports = stack_blocks(region)
    assert corners.rows[0] == ("corner 1", "0.50", "4", "90°", "peel ply", "0.50", "cut and lapped by 40 mm", "0.48")
    assert corners.rows[1][4:] == ("breather", "0.50", "in one piece", "0.00")
    assert ways.rows[0] == ("sheet", "a sheet of 1560 by 1160 mm", "2", "1.90", "0.40", "8.52", "7.25", "yes")
    assert ways.rows[1] == ("pouch", "not to be had: the mesh is open", *[""] * 6)
    told = dict(tape.rows)
    assert told["both sides of the pleats"] == "0.20"
    assert told["round the ports"] == "0.33"
    total = 1.1 * (5400 + 2 * 50 + 200 + 330 + 3120 + 25)
    assert told["in all, off 1 roll"] == f"{total / 1000:.2f}"
    assert ports.rows[1][0] == "gauge, yours"
    assert ports.rows[1][-1] == "it stands on a <seam>"
    words = " ".join(stack_words(region))
    assert "tighter than 22 mm" in words
    assert "Masking from the tape's outer edge: 48 mm wide" in words
    assert "strips" in words


def test_the_sheet_holds_them(plan, pictures):
    page = report_html(plan, pictures)
    assert "<li>Lay the tape &amp; press it down.</li>" in page
    assert "it stands on a &lt;seam&gt;" in page
    assert "Inside corners that a taut layer bridges" in page
    for p in pictures:
        assert p.title.replace("&", "&amp;").replace("'", "&#39;") in page


def test_a_pouch_has_no_tape_on_the_part(plan):
    pouch = FilmWay("envelope", "pouch from one sheet", (), 2.1e6, 0.1e6, 0.7e6, (), ("Make it.", "Close it."))
    region = plan.regions[0]
    layers = tuple(replace(q, ways=(pouch,)) if q.kind == "bag film" else q for q in region.layers)
    stack = replace(region.stack, tape_mm=(), tape_corners_m=(), ports=(), mask=None, mask_region=None)
    region = replace(region, layers=layers, stack=stack)
    stage = Stage(replace(plan, regions=(region,)), region)
    with stage.scene:
        apart, lines = stack_pictures(stage)
        on_it = bag_picture(stage)
    assert apart.alt.endswith("peel ply +25 mm.")
    assert "no tape is laid on it" in lines.alt
    assert on_it.alt.endswith("beyond the largest ply: peel ply 25 mm.")
    page = report_html(replace(plan, regions=(region,)), [])
    assert "lay peel ply 25 mm beyond the largest ply, and put the part into its pouch of bag film." in page
    assert "sealant tape 100 mm beyond the largest ply" not in page
    assert page.count('<td class="n">pouch<') == 2
    assert "sealant tape 100 mm beyond the largest ply" in report_html(plan, [])

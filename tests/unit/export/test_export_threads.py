"""The first threads of cloth laid by its threads in every kind of cut file: drawn, named, and never cut."""

import re
from dataclasses import replace

import ezdxf
import numpy as np
import plans
import pytest
from lxml import etree
from shapely import LineString, Point

from plyflat.errors import CheckError
from plyflat.export import sewn as sewn_room
from plyflat.export.drawing import draw_templates
from plyflat.export.paper import sheet, write_paper
from plyflat.export.plotter import frames_of
from plyflat.export.sewn import write_sewn
from plyflat.export.svg import write_svg


@pytest.fixture
def template():
    first = plans.templates()[0][0]
    warp, weft = LineString([(200, -100), (800, -100)]), LineString([(250, -400), (250, 400)])
    return replace(first, start=Point(250, -100), warp_thread=(warp,), weft_thread=(weft,))


@pytest.fixture
def drawing(template):
    return draw_templates("t", [template], notch_mm=6.0)


def test_svg_has_them_in_a_group_of_their_own(drawing, tmp_path):
    write_svg(drawing, tmp_path / "x.svg")
    root = etree.parse(tmp_path / "x.svg").getroot()
    group = root.find("{*}g[@id='THREAD']")
    assert len(group) == 3
    words = ["".join(t.itertext()) for t in root.findall(".//{*}text")]
    assert words.count("warp thread") == words.count("weft thread") == 1
    # The same number of lines to cut as without them.
    assert len(root.find("{*}g[@id='CUT']")) == 2
    dashes = re.search(r"stroke-dasharray:[\d. ]+", group.get("style"))
    assert dashes is not None


def test_a_plotter_draws_them_and_cuts_none(drawing):
    lines = [s.points_mm for s in drawing.strokes if s.layer == "THREAD" and not s.closed]
    (frame,) = frames_of(drawing)
    drawn = [m.points_mm for m in frame.moves if m.tool == 2]
    cut = [m.points_mm for m in frame.moves if m.tool == 1]

    def among(line, moves):
        span = np.ptp(line, axis=0)
        return any(len(m) == 2 and np.allclose(np.ptp(m, axis=0), span) for m in moves)

    assert all(among(line, drawn) for line in lines)
    assert not any(among(line, cut) for line in lines)


def test_numbered_layers_have_them_inside_the_piece(template, tmp_path):
    write_sewn("t", [template], tmp_path / "x.dxf", notch_mm=6.0)
    doc = ezdxf.readfile(tmp_path / "x.dxf")
    block = doc.blocks.get(doc.modelspace().query("INSERT")[0].dxf.name)
    spans = [np.ptp([(p.x, p.y) for p in line.points()], axis=0).tolist() for line in block.query('POLYLINE[layer=="8"]')]
    assert [600.0, 0.0] in spans
    assert [0.0, 800.0] in spans
    assert [16.0, 16.0] in [[round(x, 6) for x in s] for s in spans]
    text = [t.dxf.text for t in block.query('TEXT[layer=="15"]')]
    assert text.count("warp thread") == text.count("weft thread") == 1


def test_numbered_layers_without_them_are_refused(template, tmp_path, monkeypatch):
    monkeypatch.setattr(sewn_room, "_threads", lambda block, template: None)
    with pytest.raises(CheckError, match="lines inside .* read back"):
        write_sewn("t", [template], tmp_path / "x.dxf", notch_mm=6.0)


def test_sheets_of_paper_show_them(drawing, template, tmp_path):
    bare = draw_templates("t", [plans.templates()[0][0]], notch_mm=6.0)
    for name, what in (("with", drawing), ("without", bare)):
        write_paper([what], tmp_path / f"{name}.pdf", sheet("A4"))
    assert (tmp_path / "with.pdf").stat().st_size > (tmp_path / "without.pdf").stat().st_size

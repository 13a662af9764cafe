"""Which files a job has written for bench and machine."""

from dataclasses import replace

import ezdxf
import plans
import pytest
from lxml import etree

from plyflat.errors import CheckError
from plyflat.export import sewn as sewn_room
from plyflat.export.handout import write_handouts
from plyflat.export.sewn import write_sewn
from plyflat.job.files import Files
from plyflat.job.table import filled


@pytest.fixture(scope="module")
def plan(tmp_path_factory):
    return plans.make(tmp_path_factory.mktemp("job"))


def _written(plan, folder, **wish):
    for name in ("cut", "lay"):
        (folder / name).mkdir()
    files = write_handouts(replace(plan, job=filled(plan.job, files=Files(**wish))), folder)
    assert all(f.is_file() for f in files)
    return {f.relative_to(folder).as_posix() for f in files}


def test_by_default_svg_and_sheets_of_the_plies(plan, tmp_path):
    names = _written(plan, tmp_path)
    assert {n for n in names if n.startswith("paper/")} == {f"paper/Bug-Sud-keel-aft_{p}_A4.pdf" for p in ("P1", "P2")}
    assert {n.partition("/")[0] for n in names if n.endswith(".svg")} == {"cut", "lay"}
    assert not any(n.endswith((".plt", ".hpgl2", "sewn_mm.dxf")) for n in names)


def test_all_that_can_be_asked_for(plan, tmp_path):
    names = _written(plan, tmp_path, sheets="Letter", paper_roll="36 in", plotter="hpgl2", sewn=True, frame="1200 mm")
    assert "paper/Bug-Sud-keel-aft_P1_Letter.pdf" in names
    assert "paper/lay_carbon-twill-200_1_roll.pdf" in names
    assert "lay/carbon-twill-200_1.hpgl2" in names
    assert "cut/Bug-Sud-keel-aft_bag-film_sewn_mm.dxf" in names


def test_nothing_where_nothing_is_wanted(plan, tmp_path):
    assert _written(plan, tmp_path, sheets="none", svg=False) == set()
    assert not (tmp_path / "paper").exists()


def test_words_of_svg_as_lines(plan, tmp_path):
    _written(plan, tmp_path, sheets="none", pen_text=True)
    root = etree.parse(tmp_path / "cut" / "Bug-Sud-keel-aft_P1.svg").getroot()
    assert root.findall(".//{*}text") == []
    assert len(root.find("{*}g[@id='TEXT']")) > 20


def test_numbered_layers_hold_each_piece_in_a_block_of_its_own(plan, tmp_path):
    templates = plan.regions[0].plies[0].templates
    write_sewn("region / P1", templates, tmp_path / "x_mm.dxf", notch_mm=6.0)
    doc = ezdxf.readfile(tmp_path / "x_mm.dxf")
    assert doc.dxfversion == "AC1009"
    blocks = [doc.blocks.get(ref.dxf.name) for ref in doc.modelspace().query("INSERT")]
    assert len(blocks) == len(templates)
    for block, template in zip(blocks, templates):
        assert {e.dxf.layer for e in block} <= {*sewn_room.LAYERS.values(), "4"}
        notches = block.query('POINT[layer=="4"]')
        assert len(notches) == len(template.notches)
        for point, notch in zip(notches, template.notches):
            assert tuple(point.dxf.location)[:2] == pytest.approx(notch.at_mm)
            assert point.dxf.location.z == 6.0
        assert len(block.query('POLYLINE[layer=="11"]')) == len(template.cut.interiors)
        # A rectangle turns at each of its corners.
        assert len(block.query('POINT[layer=="2"]')) >= 4
        text = [t.dxf.text for t in block.query("TEXT")]
        assert f"Piece Name: {template.piece}" in text
        assert f"Quantity: {template.copies}" in text
    assert "Units:METRIC" in [t.dxf.text for t in doc.modelspace().query("TEXT")]


def test_a_piece_that_reads_back_wrong_is_refused(plan, tmp_path, monkeypatch):
    monkeypatch.setattr(sewn_room, "_block_area", lambda block: 1.0)
    with pytest.raises(CheckError, match="area off"):
        write_sewn("region / P1", plan.regions[0].plies[0].templates, tmp_path / "x_mm.dxf", notch_mm=6.0)

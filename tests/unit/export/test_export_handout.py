"""Which files a job has written for bench and machine."""

from dataclasses import replace

import ezdxf
import plans
import pytest
from lxml import etree
from shapely import LineString, Point, Polygon, box

from plyflat.errors import CheckError
from plyflat.export import sewn as sewn_room
from plyflat.export.handout import write_handouts
from plyflat.export.label import Words
from plyflat.export.sewn import write_sewn
from plyflat.job.files import Files
from plyflat.job.table import filled


@pytest.fixture(scope="module")
def plan(tmp_path_factory):
    return plans.make(tmp_path_factory.mktemp("job"))


def _written(plan, folder, **wish):
    for name in ("cut", "lay"):
        (folder / name).mkdir(parents=True)
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


def test_layers_and_lays_on_sheets_and_plies_for_the_plotter(plan, tmp_path):
    names = _written(
        plan, tmp_path, svg=False, sheets="A3", sheets_of=["layers", "lays"], paper_roll="1 m", paper_roll_of=["layers"],
        plotter="plain", plotter_of=["plies"],
    )  # fmt: skip
    one = "Bug-Sud-keel-aft"
    papers = {f"{one}_peel-ply_A3", f"{one}_bag-film_A3", f"{one}_peel-ply_roll", f"{one}_bag-film_roll"}
    papers |= {f"lay_{roll}_1_A3" for roll in ("carbon-twill-200", "peel-ply-85", "bag-film-50")}
    pieces = {f"cut/{one}_{piece}.plt" for piece in ("P1_A", "P1_B", "P2_A")}
    assert names == {f"paper/{p}.pdf" for p in papers} | pieces


def test_small_pieces_come_whole_on_a_sheet_each(plan, tmp_path):
    """Set out one above the other, a sheet's edge would run through one of them."""
    from pypdf import PdfReader

    ply = plan.regions[0].plies[0]
    small = tuple(replace(ply.templates[0], net=net, cut=net, laps=(), folds=(), joins=(), notches=(), piece=letter,
                          warp=LineString(), centre=Point()) for letter, net in (("A", box(0, 0, 150, 180)), ("B", box(5, 5, 160, 190))))  # fmt: skip
    region = replace(plan.regions[0], plies=(replace(ply, templates=small),))
    _written(replace(plan, regions=(region,)), tmp_path, svg=False)
    pages = PdfReader(tmp_path / "paper" / "Bug-Sud-keel-aft_P1_A4.pdf").pages
    said = [page.extract_text() for page in pages]
    assert len(said) == 2
    assert all("row 1, column 1; 1 page: " in text for text in said)
    assert ["P1 / A" in said[0], "P1 / B" in said[1]] == [True, True]


def test_the_title_of_a_narrow_lay_takes_no_second_strip_of_paper(plan, tmp_path):
    from pypdf import PdfReader

    _written(plan, tmp_path, svg=False, sheets="none", paper_roll="1300 mm", paper_roll_of=["plies", "lays"])
    for name in ("Bug-Sud-keel-aft_P2_roll", "lay_carbon-twill-200_1_roll"):
        pages = PdfReader(tmp_path / "paper" / f"{name}.pdf").pages
        assert len(pages) == 1
        text = pages[0].extract_text()
        assert "units: mm" not in text
        assert "100 mm both ways: print at 100 %" in text


def test_corners_are_listed_from_the_zero_of_each_pieces_grid(plan, tmp_path):
    assert not any(n.endswith("corners.csv") for n in _written(plan, tmp_path, sheets="none"))
    _written(plan, tmp_path / "other", sheets="none", grid="200 mm")
    rows = (tmp_path / "other" / "cut" / "Bug-Sud-keel-aft_P1_corners.csv").read_text(encoding="utf-8").splitlines()
    cells = [row.split(",") for row in rows[1:]]
    template = plan.regions[0].plies[0].templates[0]
    rings = [[(float(x), float(y)) for p, line, _, x, y in cells if (p, line) == ("A", wanted)] for wanted in ("outline", "opening 1")]
    x0, y0, x1, y1 = template.cut.bounds
    assert Polygon(*rings[:1], rings[1:]).area == pytest.approx(template.cut.area, rel=1e-6)
    assert Polygon(rings[0]).bounds == pytest.approx((0, 0, x1 - x0, y1 - y0))


@pytest.mark.parametrize("given", [[], ["patches"], "plies", 3, [["plies"]]])
def test_what_is_drawn_is_said_with_known_words(given):
    with pytest.raises(ValueError, match="does not say what is drawn"):
        Files(sheets_of=given)


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
        words = [Words("", t.dxf.text, tuple(t.dxf.insert)[:2], t.dxf.height, t.dxf.rotation).box() for t in block.query("TEXT")]
        assert all(template.net.contains(box) for box in words)
        assert not any(template.warp.intersects(box) for box in words)
    assert "Units:METRIC" in [t.dxf.text for t in doc.modelspace().query("TEXT")]


def test_a_piece_that_reads_back_wrong_is_refused(plan, tmp_path, monkeypatch):
    monkeypatch.setattr(sewn_room, "_block_area", lambda block: 1.0)
    with pytest.raises(CheckError, match="area off"):
        write_sewn("region / P1", plan.regions[0].plies[0].templates, tmp_path / "x_mm.dxf", notch_mm=6.0)

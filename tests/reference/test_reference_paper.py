"""Files for paper and machines, read by programs that did not write them."""

import math

import numpy as np
import plans
import pytest
import shapely
import shapely.affinity
from shapely import LineString

from plyflat.export.drawing import Drawing, Stroke, lay_drawings, template_drawings
from plyflat.export.paper import SHEETS_MM, pages_of, roll, sheet, write_paper
from plyflat.export.plotter import write_plotter
from plyflat.export.sewn import LAYERS, write_sewn
from plyflat.export.svg import svg_text


@pytest.fixture(scope="module")
def plan(tmp_path_factory):
    return plans.make(tmp_path_factory.mktemp("job"))


def _pdf_lines(page, corner_mm):
    """Lines of a page in mm of the drawing, by pypdf's reader of content streams; 1 point is 1/72 inch."""
    from pypdf.generic import ContentStream

    lines, run = [], []
    for numbers, operator in ContentStream(page.get_contents(), page.pdf).operations:
        if operator == b"m":
            run = [numbers]
        elif operator == b"l":
            run.append(numbers)
        elif operator == b"h":
            run.append(run[0])
        elif operator in (b"S", b"s", b"n"):
            if operator == b"S" and len(run) > 1:
                lines.append(np.array(run, dtype=float) * 25.4 / 72.0 - 10.0 + corner_mm)
            run = []
    return lines


@pytest.mark.reference(source="ISO 216 sheet sizes; ISO 32000: a unit of 1/72 inch; pypdf reads the pages", kind="library")
@pytest.mark.parametrize("name", ["A4", "A3", "Letter"])
def test_sheets_stuck_together_show_every_line_at_full_size(plan, name, tmp_path):
    from pypdf import PdfReader

    drawing = next(d for stem, d in template_drawings(plan) if stem.endswith("P1"))
    paper = sheet(name)
    count = write_paper([drawing], tmp_path / "x.pdf", paper)
    pdf = PdfReader(tmp_path / "x.pdf")
    assert len(pdf.pages) == count + 1
    assert pdf.root_object["/ViewerPreferences"]["/PrintScaling"] == "/None"
    pages = pages_of(drawing, paper)
    shown = []
    for page, read in zip(pages, pdf.pages[1:]):
        size = np.array([float(read.mediabox.width), float(read.mediabox.height)]) * 25.4 / 72.0
        assert sorted(size) == pytest.approx(sorted(SHEETS_MM[name]), abs=0.01)
        window = shapely.box(*page.window_mm)
        shown += [LineString(p).intersection(window) for p in _pdf_lines(read, np.array(page.window_mm[:2]))]
    assert f"row {pages[0].row}, column {pages[0].column}" in pdf.pages[1].extract_text()
    # A file holds points to a thousandth or so.
    seen = shapely.union_all(shown).buffer(0.01)
    for stroke in drawing.strokes:
        line = LineString(np.concatenate([stroke.points_mm, stroke.points_mm[:1]]) if stroke.closed else stroke.points_mm)
        assert line.difference(seen).length < 0.01


@pytest.mark.reference(source="36 inch paper is 914.4 mm; a PDF page is at most 14400 units long (ISO 32000, annex C)", kind="published")
def test_a_long_lay_on_a_roll_plotter_is_cut_into_pages_under_five_metres(tmp_path):
    from pypdf import PdfReader

    ring = np.array([[0.0, 0.0], [12_000.0, 0.0], [12_000.0, 700.0], [0.0, 700.0]])
    drawing = Drawing("long", (Stroke("CUT", ring, closed=True),), ())
    count = write_paper([drawing], tmp_path / "x.pdf", roll(914.4))
    pages = PdfReader(tmp_path / "x.pdf").pages[1:]
    assert count == len(pages) == math.ceil((12_000 - 10) / (5000 - 20 - 10))
    for page in pages:
        assert float(page.mediabox.height) * 25.4 / 72 == pytest.approx(914.4, abs=0.01)
        assert float(page.mediabox.width) <= 14400


@pytest.mark.reference(source="ezdxf, its reader of HP-GL/2 (add-on hpgl2)", kind="library")
@pytest.mark.parametrize("language", ["plain", "hpgl2"])
def test_another_reader_finds_the_outlines_of_a_lay_in_a_plotter_file(plan, language, tmp_path):
    from ezdxf.addons.hpgl2 import api

    for stem, drawing in lay_drawings(plan):
        path = tmp_path / f"{stem}.txt"
        write_plotter(drawing, path, language=language, frame_mm=5000.0)
        text = path.read_bytes() if language == "hpgl2" else b"\x1b%-1B" + path.read_bytes()
        doc = api.to_dxf(text, color_mode=api.ColorMode.ACI)
        lines = [LineString([(p[0], p[1]) for p in e.vertices()]) for e in doc.modelspace().query("LWPOLYLINE")]
        lines += [LineString([(p.x, p.y) for p in e.points()]) for e in doc.modelspace().query("POLYLINE")]
        lines += [LineString([(e.dxf.start.x, e.dxf.start.y), (e.dxf.end.x, e.dxf.end.y)]) for e in doc.modelspace().query("LINE")]
        # The reader keeps plotter units, 40 to the mm, and moves what it read to its own corner.
        found = shapely.affinity.scale(shapely.union_all(lines), 1 / 40, 1 / 40, origin=(0, 0))
        corner = shapely.union_all([outline for _, outline in drawing.pieces]).bounds
        found = shapely.affinity.translate(found, corner[0] - found.bounds[0], corner[1] - found.bounds[1]).buffer(0.05)
        for _, outline in drawing.pieces:
            assert outline.boundary.difference(found).length < 0.05


@pytest.mark.reference(source="SVG 1.1, 7.10: user units in mm by width, height and viewBox; read by lxml", kind="published")
def test_svg_holds_the_area_of_every_piece_in_mm(plan):
    from lxml import etree

    for _, drawing in [*template_drawings(plan), *lay_drawings(plan)]:
        root = etree.fromstring(svg_text(drawing).encode())
        wide, high = (float(v) for v in root.get("viewBox").split()[2:])
        assert (root.get("width"), root.get("height")) == (f"{wide:g}mm", f"{high:g}mm")
        cut = root.find("{*}g[@id='CUT']").findall("{*}path")
        rings = [np.array(p.get("d").strip("MZ ").replace("L", "").split(), dtype=float).reshape(-1, 2) for p in cut]
        areas = [shapely.Polygon(r).area for r in rings]
        wanted = [shapely.Polygon(r).area for _, o in drawing.pieces for r in (*o.interiors, o.exterior)]
        np.testing.assert_allclose(areas, wanted, rtol=1e-5)
        # y runs down on the page: turned over and mirrored, a ring keeps the sense it has to the eye.
        outer = rings[len(drawing.pieces[0][1].interiors)]
        assert shapely.Polygon(outer).exterior.is_ccw != drawing.pieces[0][1].exterior.is_ccw


@pytest.mark.reference(source="layer table of ASTM D6673 as openly published; trimesh, its own DXF reader", kind="library")
def test_trimesh_reads_the_boundaries_of_a_file_with_numbered_layers(plan, tmp_path):
    import trimesh

    ply = plan.regions[0].plies[0]
    write_sewn("region / P1", ply.templates, tmp_path / "x_mm.dxf", notch_mm=6.0)
    with (tmp_path / "x_mm.dxf").open("rb") as file:
        read = trimesh.load_path(file, file_type="dxf", process=False)
    closed = [e.discrete(read.vertices) for e in read.entities if len(e.points) > 3]
    areas = np.array([shapely.Polygon(p[:, :2]).area for p in closed])
    for template in ply.templates:
        assert np.abs(areas - shapely.Polygon(template.cut.exterior).area).min() < 1e-6 * template.cut.area
    assert LAYERS["boundary"] == "1"
    assert LAYERS["grain"] == "7"
    assert LAYERS["sew"] == "14"

import ezdxf
import numpy as np
import pytest
import shapely
import shapes

from plyflat.errors import OutlineError, UnknownUnit
from plyflat.surface.drawn import drawn_region, read_drawing
from plyflat.surface.mesh import Surface

SQUARE = np.array([[-60, -40], [60, -40], [60, 40], [-60, 40.0]])
PLAN = {"origin_mm": (0, 0, 0), "across": (1, 0, 0), "along": (0, 1, 0)}


def _round(r, centre=(0, 0), count=200):
    a = 2 * np.pi * np.arange(count) / count
    return np.stack([centre[0] + r * np.cos(a), centre[1] + r * np.sin(a)], 1)


def _ball():
    return Surface(*shapes.sphere(200, 20000))


@pytest.mark.parametrize(("side", "sign"), [("near", 1), ("far", -1)])
def test_drawing_falls_on_the_side_asked_for(side, sign):
    drawn = drawn_region(_ball(), SQUARE, side=side, **PLAN)
    assert (np.sign(drawn.region.surface.vertices_mm[:, 2]) == sign).all()
    assert drawn.stray_mm < 0.05
    assert drawn.region.is_disc
    assert not drawn.cautions


@pytest.mark.parametrize("sign", [1, -1])
def test_seed_says_which_side(sign):
    drawn = drawn_region(_ball(), SQUARE, seed_mm=(0, 0, 200 * sign), **PLAN)
    assert (np.sign(drawn.region.surface.vertices_mm[:, 2]) == sign).all()


def test_view_is_from_where_x_times_y_points():
    drawn = drawn_region(_ball(), SQUARE, origin_mm=(0, 0, 0), across=(-2, 0, 0), along=(0, 0, 1))
    assert (drawn.region.surface.vertices_mm[:, 1] > 0).all()


def test_holes_are_openings_and_areas_in_plan_agree():
    hole = _round(20, (10, 5))
    drawn = drawn_region(_ball(), [hole, SQUARE], name="patch", **PLAN)
    assert drawn.region.name == "patch"
    assert len(drawn.region.loops) == 2
    p = drawn.region.surface.vertices_mm[drawn.region.surface.faces]
    seen = np.cross(p[:, 1] - p[:, 0], p[:, 2] - p[:, 0])[:, 2].sum() / 2
    assert seen == pytest.approx(120 * 80 - shapely.Polygon(hole).area, rel=1e-4)


@pytest.mark.parametrize(("rms", "length"), [(0.5, 5.0), (1.0, 1.0)])
def test_edge_on_a_noisy_surface(rms, length):
    v, f = shapes.cylinder(radius=200, wrap_deg=100, height=300, triangles=20000)
    c = np.radians(50)
    drawn = drawn_region(
        Surface(shapes.rough(v, f, rms, length), f), _round(70), origin_mm=(200 * np.cos(c), 200 * np.sin(c), 150),
        across=(-np.sin(c), np.cos(c), 0), along=(0, 0, 1),
    )
    assert drawn.stray_mm < 0.05
    assert drawn.region.is_disc


def test_steep_places_are_told_and_too_steep_ones_refused():
    drawn = drawn_region(_ball(), _round(195), **PLAN)
    assert 70 < drawn.steepest_deg < 85
    ((text, do),) = drawn.cautions
    assert "leans by" in text
    assert do
    with pytest.raises(OutlineError, match="more than 85") as caught:
        drawn_region(_ball(), _round(199.5), **PLAN)
    assert caught.value.where


def test_outline_that_jumps_to_another_part_is_refused():
    v1, f1 = shapes.rectangle(300, 300, 2000)
    v2, f2 = shapes.rectangle(60, 60, 200)
    v = np.vstack([np.column_stack([v1 - 150, 0 * v1[:, 0]]), np.column_stack([v2 - [0, 30], 0 * v2[:, 0] + 80])])
    with pytest.raises(OutlineError, match="of the drawing (leaves|ends)") as caught:
        drawn_region(Surface(v, np.vstack([f1, f2 + len(v1)])), _round(30, count=24), **PLAN)
    assert caught.value.where


@pytest.mark.parametrize(
    ("outline", "match"),
    [
        (SQUARE[[0, 2, 1, 3]], "crosses itself"),
        ([SQUARE, SQUARE + [20, 0]], "two outlines of the drawing meet"),
        ([_round(10, (-50, 0)), _round(10, (50, 0))], "2 separate areas"),
        (SQUARE * 10, "beside the surface"),
        (SQUARE[:2], "2 different points"),
        (np.zeros((3, 3)), "not a \\(k, 2\\)"),
    ],
)
def test_refuses_bad_drawings(outline, match):
    with pytest.raises(OutlineError, match=match):
        drawn_region(Surface(*shapes.sphere(200, 2000)), outline, **PLAN)


def test_refuses_directions_that_are_not_square():
    with pytest.raises(OutlineError, match="make 45.00 degrees"):
        drawn_region(_ball(), SQUARE, origin_mm=(0, 0, 0), across=(1, 0, 0), along=(1, 1, 0))
    with pytest.raises(OutlineError, match="origin"):
        drawn_region(_ball(), SQUARE, origin_mm=(0, 0), across=(1, 0, 0), along=(0, 1, 0))


# -- reading DXF ---------------------------------------------------------------------------------------------------
def _file(tmp_path, draw, units=4):
    doc = ezdxf.new("R2010", units=units)
    draw(doc, doc.modelspace())
    path = tmp_path / "drawing.dxf"
    doc.saveas(path)
    return path


def _area(loop):
    return shapely.Polygon(loop).area


def test_reads_every_kind_of_curve(tmp_path):
    def draw(doc, msp):
        msp.add_lwpolyline([(0, 0), (100, 0, 0, 0, 1.0), (100, 50), (0, 50)], format="xyseb", close=True)
        msp.add_circle((300, 0), 30)
        msp.add_ellipse((500, 0), (40, 0), 0.5)
        msp.add_polyline2d([(600, 0), (650, 0), (650, 20)], close=True)
        a = np.linspace(0, 2 * np.pi, 40)
        msp.add_spline(np.stack([800 + 50 * np.cos(a), 50 * np.sin(a), 0 * a], 1))

    loops = read_drawing(_file(tmp_path, draw))
    true = [np.pi * 50**2, 100 * 50 + np.pi * 25**2 / 2, np.pi * 30**2, np.pi * 40 * 20, 500]
    got = sorted((_area(q) for q in loops), reverse=True)
    assert got == pytest.approx(sorted(true, reverse=True), rel=2e-3)
    assert _area(loops[0]) == max(got)


def test_lines_and_arcs_are_joined_in_any_order(tmp_path):
    def draw(doc, msp):
        msp.add_line((100, 50), (0, 50))
        msp.add_line((0, 0), (100, 0.01))
        msp.add_arc((100, 25), 25, -90, 90)
        msp.add_arc((0, 25), 25, 90, 270)

    (loop,) = read_drawing(_file(tmp_path, draw))
    assert _area(loop) == pytest.approx(100 * 50 + np.pi * 25**2, rel=1e-3)
    assert shapely.Polygon(loop).is_valid


@pytest.mark.parametrize(("units", "stated", "mm"), [(4, None, 1), (5, None, 10), (6, None, 1000), (1, None, 25.4), (0, "ft", 304.8)])
def test_units(tmp_path, units, stated, mm):
    path = _file(tmp_path, lambda doc, msp: msp.add_circle((0, 0), 2), units)
    (loop,) = read_drawing(path, unit=stated)
    assert _area(loop) == pytest.approx(np.pi * 4 * mm**2, rel=1e-2)
    assert np.abs(np.linalg.norm(loop, axis=1) - 2 * mm).max() < 1e-8 * mm + 1e-6


def test_unit_is_never_guessed(tmp_path):
    path = _file(tmp_path, lambda doc, msp: msp.add_circle((0, 0), 2), 0)
    with pytest.raises(UnknownUnit, match="does not state its unit"):
        read_drawing(path)
    with pytest.raises(UnknownUnit, match="'yard' is not known"):
        read_drawing(path, unit="yard")


def test_open_outline_says_where(tmp_path):
    def draw(doc, msp):
        msp.add_lwpolyline([(0, 0), (100, 0), (100, 50), (0, 50), (0, 3)])

    with pytest.raises(OutlineError, match="open: 3.00 mm are missing between") as caught:
        read_drawing(_file(tmp_path, draw))
    assert "2 loose ends" in caught.value.what
    assert "drawing.dxf" in caught.value.where
    (loop,) = read_drawing(_file(tmp_path, draw), tolerance_mm=5)
    assert _area(loop) == pytest.approx(5000, rel=0.02)


def test_blocks_layers_and_doubles(tmp_path):
    def draw(doc, msp):
        block = doc.blocks.new("hatch")
        block.add_circle((0, 0), 10)
        doc.layers.add("CUT")
        doc.layers.add("NOTES").off()
        msp.add_blockref("hatch", (50, 0), dxfattribs={"layer": "CUT", "xscale": 2, "yscale": 2, "zscale": 2})
        msp.add_circle((50, 0), 20, dxfattribs={"layer": "CUT"})
        msp.add_circle((200, 0), 5)
        msp.add_line((0, 0), (9, 9), dxfattribs={"layer": "NOTES"})
        msp.add_text("cut here")

    path = _file(tmp_path, draw)
    assert len(read_drawing(path)) == 2
    (loop,) = read_drawing(path, layer="cut")
    assert _area(loop) == pytest.approx(np.pi * 400, rel=1e-2)
    with pytest.raises(OutlineError, match="no layer 'WIRE'") as caught:
        read_drawing(path, layer="WIRE")
    assert "CUT" in caught.value.do


def test_faulty_files(tmp_path):
    with pytest.raises(OutlineError, match="cannot be read"):
        read_drawing(tmp_path / "none.dxf")
    (tmp_path / "text.dxf").write_text("no drawing")
    with pytest.raises(OutlineError, match="cannot be read"):
        read_drawing(tmp_path / "text.dxf")
    (tmp_path / "bytes.dxf").write_bytes(bytes(range(256)) * 20)
    with pytest.raises(OutlineError, match="cannot be read"):
        read_drawing(tmp_path / "bytes.dxf")
    with pytest.raises(OutlineError, match="no closed outline"):
        read_drawing(_file(tmp_path, lambda doc, msp: msp.add_text("nothing")))
    with pytest.raises(OutlineError, match="not flat"):
        read_drawing(_file(tmp_path, lambda doc, msp: msp.add_line((0, 0, 0), (0, 0, 5))))
    with pytest.raises(OutlineError, match="3 lines of the drawing meet"):
        read_drawing(_file(tmp_path, lambda doc, msp: [msp.add_line((0, 0), (np.cos(a), np.sin(a))) for a in (0, 2, 4)]))

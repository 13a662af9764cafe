"""Cut files: what is on which layer, in which unit, and what is not let out."""

import math
from dataclasses import replace
from pathlib import Path

import ezdxf
import numpy as np
import plans
import pytest
import shapely
from ezdxf.entities import LWPolyline, Polyline
from shapely import LineString, Point, Polygon, box

from plyflat.errors import CheckError
from plyflat.export.drawing import (
    LAYERS,
    PEN_MM,
    draw_lay,
    draw_templates,
    file_stem,
    lay_drawings,
    marks,
    moved,
    template_drawings,
    unique_stems,
)
from plyflat.export.dxf import (
    check_outline,
    compare,
    compare_threads,
    document,
    rings_by_ezdxf,
    twin_path,
    write_cut_files,
    write_dxf,
)
from plyflat.export.label import Words, beside


@pytest.fixture(scope="module")
def plan(tmp_path_factory):
    return plans.make(tmp_path_factory.mktemp("job"))


@pytest.fixture(scope="module")
def written(plan, tmp_path_factory):
    folder = tmp_path_factory.mktemp("out")
    files, off = write_cut_files(plan, folder)
    return folder, files, off


def test_a_file_for_every_template_set_and_lay_each_with_its_twin(written):
    folder, files, off = written
    names = sorted(f.relative_to(folder).as_posix() for f in files)
    stems = ("bag-film", "peel-ply", "P1", "P2")
    wanted = [f"cut/Bug-Sud-keel-aft_{s}{end}" for s in stems for end in (".dxf", "_r12_mm.dxf")]
    wanted += [f"lay/{m}_1{e}" for m in ("carbon-twill-200", "peel-ply-85", "bag-film-50") for e in (".dxf", "_r12_mm.dxf")]
    assert names == sorted(wanted)
    assert 0 <= off < 1e-9
    assert all(f.is_file() for f in files)


def test_r2000_says_mm_and_its_extent(written):
    folder, _, _ = written
    doc = ezdxf.readfile(folder / "lay" / "carbon-twill-200_1.dxf")
    assert doc.dxfversion == "AC1015"
    assert doc.header["$INSUNITS"] == 4
    assert doc.header["$MEASUREMENT"] == 1


@pytest.mark.parametrize("end", [".dxf", "_r12_mm.dxf"])
def test_the_extent_is_that_of_the_drawing(written, end):
    folder, _, _ = written
    doc = ezdxf.readfile(folder / "lay" / f"carbon-twill-200_1{end}")
    low, high = doc.header["$EXTMIN"], doc.header["$EXTMAX"]
    assert tuple(high) == pytest.approx((2220.0, 1270.0, 0.0), abs=1e-6)
    assert low[0] == pytest.approx(0.0, abs=1e-6)
    assert -160 < low[1] < -100  # the check square lies below the roll


def test_r12_twin_has_polylines_and_says_mm_in_words(written):
    folder, _, _ = written
    doc = ezdxf.readfile(folder / "cut" / "Bug-Sud-keel-aft_P1_r12_mm.dxf")
    assert doc.dxfversion == "AC1009"
    kinds = {e.dxftype() for e in doc.modelspace()}
    assert kinds <= {"POLYLINE", "LINE", "TEXT"}
    assert "units: mm" in [e.dxf.text for e in doc.modelspace().query("TEXT")]
    assert all(p.is_closed for p in doc.modelspace().query('POLYLINE[layer=="CUT"]'))


@pytest.mark.parametrize("end", [".dxf", "_r12_mm.dxf"])
def test_everything_stands_on_its_layer(written, end):
    folder, _, _ = written
    doc = ezdxf.readfile(folder / "cut" / f"Bug-Sud-keel-aft_P1{end}")
    space = doc.modelspace()
    assert {layer.dxf.name for layer in doc.layers} >= set(LAYERS)
    count = {name: len(space.query(f'*[layer=="{name}"]')) for name in LAYERS}
    # Piece A has an opening; A and B have a lap each and two notches, a join each; A has a fold.
    assert (count["CUT"], count["NET"], count["LAP"], count["FOLD"], count["JOIN"]) == (3, 3, 2, 1, 2)
    assert count["NOTCH"] == 4
    assert count["WARP"] == 2 * 3
    assert count["CHECK"] == 2
    assert count["ROLL"] == 0


def test_notches_run_inward_from_the_line_to_cut_by_their_size(plan):
    for template in plans.templates()[0]:
        strokes, _ = marks(template, notch_mm=6.0)
        for stroke in (s for s in strokes if s.layer == "NOTCH"):
            start, end = map(shapely.Point, stroke.points_mm)
            assert start.distance(template.cut.boundary) < 1e-9
            assert template.cut.contains(end)
            assert start.distance(end) == pytest.approx(6.0)


def test_net_line_is_drawn_within_a_pens_width_and_the_line_to_cut_exactly():
    disc = shapely.Point(0, 0).buffer(300.0, quad_segs=500)
    template = replace(plans.template("P1", "A", disc), cut=disc.buffer(10.0, quad_segs=500))
    strokes, _ = marks(template, notch_mm=6.0)
    net, cut = (Polygon(next(s.points_mm for s in strokes if s.layer == layer)) for layer in ("NET", "CUT"))
    assert net.hausdorff_distance(disc) <= PEN_MM
    assert len(net.exterior.coords) < 0.2 * len(disc.exterior.coords)
    assert cut.equals(template.cut)


def test_words_lie_inside_the_piece_and_off_each_other():
    for template in (*plans.templates()[0], *plans.templates()[1]):
        _, words = marks(template, notch_mm=6.0)
        label = [w for w in words if w.layer == "TEXT" and not w.text.startswith("J1") and w.text not in ("forward", "up")]
        assert [w.text for w in label][:3] == [template.name, template.material, template.face_up]
        assert all(w.height_mm >= 5.0 for w in label)
        boxes = [w.box() for w in words]
        assert all(template.cut.contains(b) for b in boxes)
        overlaps = [a.intersection(b).area for k, a in enumerate(boxes) for b in boxes[:k]]
        # Lines of one label may touch by their descenders, no more.
        assert max(overlaps) < 1.0


def test_label_on_a_thin_strip_still_fits():
    strip = plans.template("P1", "A", box(0, 0, 900, 45))
    _, words = marks(strip, notch_mm=6.0)
    label = words[-6:-2] if len(words) >= 6 else words
    assert all(strip.cut.contains(w.box()) for w in label)
    assert min(w.height_mm for w in words) >= 2.0


def test_forward_arrow_turns_with_the_piece():
    template = plans.templates()[1][0]
    turned = moved(template, 90.0, (3.0, 4.0))
    f, g = template.forward, turned.forward
    assert g == pytest.approx((-f[1], f[0]))
    assert turned.cut.area == template.cut.area
    assert turned.warp.coords[0][:2] == pytest.approx((3.0 - template.warp.coords[0][1], 4.0 + template.warp.coords[0][0]))


def test_odd_turns_keep_lengths():
    template = plans.templates()[0][0]
    turned = moved(template, 37.0, (0.0, 0.0))
    assert turned.cut.length == pytest.approx(template.cut.length, rel=1e-12)
    assert math.hypot(*turned.notches[0].inward) == pytest.approx(1.0)


def test_check_square_is_100_mm_and_clear_of_every_piece(plan):
    for _, drawing in template_drawings(plan) + lay_drawings(plan):
        squares = [s for s in drawing.strokes if s.layer == "CHECK"]
        assert len(squares) == 1
        square = Polygon(squares[0].points_mm)
        assert square.area == pytest.approx(100.0**2)
        assert square.length == pytest.approx(400.0)
        assert min(square.distance(p) for _, p in drawing.pieces) >= 49.999


def test_templates_are_set_out_apart(plan):
    for _, drawing in template_drawings(plan):
        shapes = [p for _, p in drawing.pieces]
        gaps = [a.distance(b) for k, a in enumerate(shapes) for b in shapes[:k]]
        assert min(gaps, default=50.0) >= 49.999


def test_copies_are_said_once_on_the_template_and_counted_on_the_lay(plan):
    drawn = dict(template_drawings(plan))["Bug-Sud-keel-aft_P1"]
    assert sum("cut 2" in w.text for w in drawn.words) == 1
    lay = lay_drawings(plan)[0][1]
    assert sum("copy 1 of 2" in w.text for w in lay.words) == 1
    assert sum("copy 2 of 2" in w.text for w in lay.words) == 1


def test_same_plan_gives_the_same_bytes(plan, tmp_path):
    (tmp_path / "a").mkdir()
    (tmp_path / "b").mkdir()
    for folder in ("a", "b"):
        write_cut_files(plan, tmp_path / folder)
    for one in sorted((tmp_path / "a").rglob("*.dxf")):
        assert one.read_bytes() == (tmp_path / "b" / one.relative_to(tmp_path / "a")).read_bytes()


def test_a_line_that_crosses_itself_is_not_let_out(tmp_path):
    bow = Polygon([(0, 0), (100, 100), (100, 0), (0, 100)])
    drawing = draw_templates("t", [plans.templates()[0][1]], notch_mm=6.0)
    bad = replace(drawing, pieces=(("x", bow),))
    with pytest.raises(CheckError, match="not simple.*50"):
        write_dxf(bad, tmp_path / "x.dxf")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.filterwarnings("ignore:invalid value encountered")
def test_a_point_that_is_no_number_is_not_let_out():
    with pytest.raises(CheckError, match="not finite"):
        check_outline("x", Polygon([(0, 0), (1, 0), (math.nan, 1)]))


def test_a_label_line_that_is_no_number_is_not_let_out():
    drawing = draw_templates("t", [plans.templates()[0][1]], notch_mm=6.0)
    stroke = replace(drawing.strokes[0], points_mm=np.array([[0.0, math.inf], [1.0, 1.0]]), closed=False)
    with pytest.raises(CheckError, match="not finite"):
        document(replace(drawing, strokes=(stroke,)), "R2000")


def test_a_piece_that_lies_elsewhere_than_the_lay_says_is_refused(plan):
    roll = plan.rolls[0]
    place = roll.lays[0].places[0]
    wrong = replace(place, shift_mm=(place.shift_mm[0] + 1.0, place.shift_mm[1]))
    lay = replace(roll.lays[0], places=(wrong,))
    with pytest.raises(CheckError, match="lies 1 mm"):
        draw_lay(replace(roll, lays=(lay,)), 0, notch_mm=6.0)


def _spoiled(path, change):
    doc = ezdxf.readfile(path)
    change(doc)
    doc.saveas(path)


def test_a_file_that_reads_back_otherwise_is_refused(tmp_path):
    drawing = draw_templates("t", list(plans.templates()[0]), notch_mm=6.0)
    path = tmp_path / "x.dxf"

    def read():
        return compare(drawing, rings_by_ezdxf(path, unit=True), path)

    def first(doc):
        return next(e for e in doc.modelspace() if isinstance(e, (LWPolyline, Polyline)) and e.dxf.layer == "CUT")

    def stretch(doc):
        points = first(doc).get_points("xy")
        first(doc).set_points([(x * (1 + 3e-6), y) for x, y in points], format="xy")

    def shift(doc):
        first(doc).translate(0.01, 0, 0)

    def drop(doc):
        doc.modelspace().delete_entity(first(doc))

    def opened(doc):
        first(doc).closed = False

    def inches(doc):
        doc.units = 1

    faults = [
        (stretch, "area off"), (shift, "from its place"), (drop, "2 lines to cut read back, 3"), (opened, "reads back open"),
        (inches, "does not say that it is in mm"),
    ]  # fmt: skip
    for change, words in faults:
        write_dxf(drawing, path)
        assert read() < 1e-9
        _spoiled(path, change)
        with pytest.raises(CheckError, match=words):
            read()


# -- first threads ---------------------------------------------------------------------------------------------------
def with_threads():
    """Templates of which one has its first threads, one of them in two runs."""
    first, second = plans.templates()[0]
    return [
        replace(
            first, start=Point(250, -100), warp_thread=(LineString([(200, -100), (800, -100)]),),
            weft_thread=(LineString([(250, -400), (250, 400)]),),
        ),
        replace(second, warp_thread=(LineString([(800, -100), (1000, -100)]), LineString([(1100, -100), (1400, -100)]))),
    ]


def test_first_threads_are_drawn_in_both_files_and_are_not_cut(tmp_path):
    drawing = draw_templates("t", with_threads(), notch_mm=6.0)
    path = tmp_path / "x.dxf"
    write_dxf(drawing, path)
    for file in (path, twin_path(path)):
        space = ezdxf.readfile(file).modelspace()
        lines = [np.array([e.dxf.start, e.dxf.end])[:, :2] for e in space.query('LINE[layer=="THREAD"]')]
        spans = [np.abs(b - a).tolist() for a, b in lines]
        assert spans == [[600, 0], [0, 800], [200, 0], [300, 0]]
        rings = rings_by_ezdxf(file, unit=False)
        assert len(rings["CUT"]) == 3
        (ring,) = rings["THREAD"]
        # Round the crossing of the two threads.
        assert ring.mean(axis=0) == pytest.approx([lines[1][0, 0], lines[0][0, 1]], abs=1e-6)
        assert np.linalg.norm(ring - ring.mean(axis=0), axis=1) == pytest.approx(np.full(len(ring), 8.0))


def test_first_threads_turn_with_the_piece_on_the_roll():
    one = with_threads()[0]
    turned = moved(one, 180.0, (5.0, 7.0))
    assert turned.start.coords[0] == pytest.approx((5 - 250, 7 + 100))
    assert turned.warp_thread[0].coords[0] == pytest.approx((5 - 200, 7 + 100))
    assert turned.weft_thread[0].coords[1] == pytest.approx((5 - 250, 7 - 400))


def test_the_names_of_first_threads_stand_beside_them_inside_the_piece():
    template = with_threads()[0]
    for turn in (0.0, 90.0):
        laid = moved(template, turn, (0.0, 0.0))
        _, words = marks(laid, notch_mm=6.0)
        for text, line in (("warp thread", laid.warp_thread[0]), ("weft thread", laid.weft_thread[0])):
            (name,) = [w for w in words if w.text == text]
            assert name.height_mm == 10.0
            assert 1.0 < name.box().distance(line) < 12.0
            assert laid.net.contains(name.box())
            assert name.turn_deg == (90.0 if (text == "weft thread") == (turn == 0.0) else 0.0)


def test_a_name_that_fits_nowhere_stands_on_the_line():
    strip = box(0, 0, 20, 2)
    words = beside(LineString([(0, 1), (20, 1)]), Words("TEXT", "warp thread", (0, 0), 1.0), strip)
    assert words.box().buffer(0.5).contains(Point(10, 1))
    assert words.height_mm == 2.5
    # Lines are crossed sooner than that, areas are not.
    wide = box(0, -30, 300, 30)
    line = LineString([(0, 0), (300, 0)])
    grid = [LineString([(x, -30), (x, 30)]) for x in range(0, 300, 5)]
    assert wide.contains(beside(line, words, wide, grid).box())
    assert not beside(line, words, wide, [box(0, 0, 300, 30)]).box().intersects(box(0, 1, 300, 30))


@pytest.mark.parametrize("end", [".dxf", "_r12_mm.dxf"])
def test_a_file_without_its_first_threads_or_with_them_elsewhere_is_refused(tmp_path, end):
    drawing = draw_templates("t", with_threads(), notch_mm=6.0)
    path = tmp_path / "x.dxf"
    file = path.with_name(f"x{end}")

    def drop(doc):
        doc.modelspace().delete_entity(doc.modelspace().query('LINE[layer=="THREAD"]')[0])

    def shift(doc):
        doc.modelspace().query('LINE[layer=="THREAD"]')[1].translate(0.01, 0, 0)

    def off_layer(doc):
        for e in doc.modelspace().query('*[layer=="THREAD"]'):
            e.dxf.layer = "MARK" if e.dxftype() != "LINE" else "THREAD"

    for change, words in ((drop, "3 first threads and 1 starts read back, 4 and 1"), (shift, "elsewhere"), (off_layer, "0 starts")):
        write_dxf(drawing, path)
        compare_threads(drawing, file)
        _spoiled(file, change)
        with pytest.raises(CheckError, match=words):
            compare_threads(drawing, file)


def test_file_names_are_plain_and_differ():
    assert file_stem("Bug <Süd> & keel/aft", "P1") == "Bug-Sud-keel-aft_P1"
    assert file_stem("..", "日本") == "x_x"
    assert unique_stems(["a", "A", "b", "a"]) == ["a", "A_2", "b", "a_3"]
    assert twin_path(Path("cut/x.dxf")) == Path("cut/x_r12_mm.dxf")

"""What stands beside the lines of a piece: shapes of notches, the grid, and where a tool starts."""

import math
from dataclasses import replace
from typing import get_args

import ezdxf
import numpy as np
import plans
import pytest
from shapely import LineString, Point, Polygon, box
from shapely.ops import polygonize, unary_union

from plyflat.cloth.template import Notch
from plyflat.errors import CheckError
from plyflat.export.drawing import Look, draw_lay, draw_templates
from plyflat.export.dxf import compare, rings_by_ezdxf, write_dxf
from plyflat.export.guides import begun_at, grid_lines, start_mark
from plyflat.export.notch import STYLES, WIDTH_SHARE, notch_lines
from plyflat.export.sewn import NOTCHES, write_sewn
from plyflat.job.model import Laps

SIZE = 6.0
DISC = Point(0, 0).buffer(200.0, quad_segs=200)
OPENED = Polygon(box(-300, -300, 300, 300).exterior, [box(-100, -100, 100, 100).exterior.coords])


def test_the_jobs_words_for_notches_are_those_that_can_be_drawn():
    assert set(get_args(Laps.model_fields["notch_style"].annotation)) == set(STYLES)
    assert set(NOTCHES) == set(STYLES) - {"drawn"}


@pytest.mark.parametrize("style", STYLES)
@pytest.mark.parametrize(
    ("outline", "notch"),
    [
        (DISC, Notch((200.0, 0.0), (-1.0, 0.0), "J1.1")),
        (OPENED, Notch((-300.0, 20.0), (1.0, 0.0), "J1.1")),
        (OPENED, Notch((0.0, 100.0), (0.0, 1.0), "J1.1")),
    ],
)
def test_a_notch_starts_on_the_edge_and_runs_in_by_its_size(outline, notch, style):
    lines = notch_lines(outline, notch, size_mm=SIZE, style=style)
    assert outline.boundary.distance(Point(lines[0][0])) < 1e-9
    at, way = np.array(notch.at_mm), np.array(notch.inward)
    depth = max(float(((line - at) @ way).max()) for line in lines)
    assert depth == pytest.approx(SIZE, abs=0.03)
    assert outline.buffer(1e-6).contains(unary_union([LineString(line) for line in lines]))


@pytest.mark.parametrize(
    ("style", "area"),
    [
        ("V", 0.5 * WIDTH_SHARE * SIZE**2),
        ("check", 0.25 * WIDTH_SHARE * SIZE**2),
        ("castle", WIDTH_SHARE * SIZE**2),
        # A half circle at the end of a square slot.
        ("U", WIDTH_SHARE * SIZE * (SIZE - 2.0) + math.pi * 2.0**2 / 2),
        ("slit", 0.0),
        ("T", 0.0),
        ("drawn", 0.0),
    ],
)
def test_what_falls_out_of_a_straight_edge_has_the_shapes_area(style, area):
    lines = notch_lines(OPENED, Notch((-300.0, 20.0), (1.0, 0.0), "J"), size_mm=SIZE, style=style)
    edge = OPENED.exterior
    found = polygonize(unary_union([edge, *(LineString(line) for line in lines)]))
    small = [p.area for p in found if p.area < 100.0]
    assert sum(small) == pytest.approx(area, abs=0.1)


def test_a_bar_lies_across_the_end_of_a_t():
    slit, bar = notch_lines(OPENED, Notch((-300.0, 20.0), (1.0, 0.0), "J"), size_mm=SIZE, style="T")
    assert slit.tolist() == [[-300, 20], [-294, 20]]
    assert bar.tolist() == [[-294, 22], [-294, 18]]


def test_notches_that_are_drawn_are_on_no_layer_that_is_cut():
    template = plans.templates()[0][0]
    cut, drawn = (
        [s for s in draw_templates("t", [template], notch_mm=SIZE, look=Look(style)).strokes if s.layer == "NOTCH"]
        for style in ("V", "drawn")
    )
    assert len(cut) == 2
    assert all(len(s.points_mm) == 3 for s in cut)
    assert drawn == []


@pytest.mark.parametrize("style", STYLES)
def test_numbered_layers_tell_the_shape_of_a_notch(style, tmp_path):
    template = plans.templates()[0][0]
    write_sewn("t", [template], tmp_path / "x.dxf", notch_mm=SIZE, notch_style=style)
    doc = ezdxf.readfile(tmp_path / "x.dxf")
    (block,) = (doc.blocks.get(ref.dxf.name) for ref in doc.modelspace().query("INSERT"))
    points = {n: block.query(f'POINT[layer=="{n}"]') for n in set(NOTCHES.values())}
    wanted = {NOTCHES[style]: 2} if style in NOTCHES else {}
    assert {n: len(found) for n, found in points.items() if len(found)} == wanted
    for point in points.get(NOTCHES.get(style, ""), ()):
        assert point.dxf.location.z == SIZE
        assert point.dxf.thickness == pytest.approx(0.0 if style == "slit" else 4.0)
    # Those that are drawn alone lie with the other lines that are not cut.
    others = len(template.laps) + len(template.folds) + len(template.joins)
    assert len(block.query('POLYLINE[layer=="8"]')) == others + (2 if style == "drawn" else 0)


# -- the grid --------------------------------------------------------------------------------------------------------
def test_grid_lines_lie_on_whole_steps_within_the_piece_and_carry_their_distance():
    shape = Polygon([(10, 20), (360, 20), (360, 130), (200, 130), (200, 240), (10, 240)])
    lines, words = grid_lines(shape, 100.0, (10.0, 20.0))
    ups = sorted((p[0, 0], p[0, 1], p[1, 1]) for p in lines if p[0, 0] == p[1, 0])
    across = sorted((p[0, 1], p[0, 0], p[1, 0]) for p in lines if p[0, 1] == p[1, 1])
    assert ups == [(110, 20, 240), (210, 20, 130), (310, 20, 130)]
    assert across == [(120, 10, 360), (220, 10, 200)]
    # Each number reads along its line.
    assert [(w.text, w.turn_deg) for w in words] == [("100", 90), ("200", 90), ("300", 90), ("100", 0), ("200", 0)]
    assert not any(shape.intersects(w.box()) for w in words)


def test_numbers_keep_clear_of_a_slanting_edge():
    shape = Polygon([(0, 0), (400, -300), (500, 400), (100, 300)])
    _, words = grid_lines(shape, 50.0, (0.0, -300.0))
    assert len(words) > 20
    assert not any(shape.intersects(w.box()) for w in words)
    boxes = [w.box() for w in words]
    assert not any(a.intersects(b) for k, a in enumerate(boxes) for b in boxes[:k])


def test_a_line_that_leaves_the_piece_and_comes_back_has_one_number():
    shape = Polygon([(0, 0), (300, 0), (300, 300), (200, 300), (200, 50), (100, 50), (100, 300), (0, 300)])
    lines, words = grid_lines(shape, 150.0, (0.0, 0.0))
    level = [p.tolist() for p in lines if p[0, 1] == p[1, 1]]
    assert sorted(level) == [[[0, 150], [100, 150]], [[200, 150], [300, 150]]]
    assert len([w for w in words if w.at_mm[0] < 0]) == 1


def test_templates_are_measured_from_their_own_corner_and_lays_from_the_rolls_end_and_edge(tmp_path):
    plan = plans.make(tmp_path)
    look = Look(grid_mm=200.0)
    drawing = draw_templates("t", plan.regions[0].plies[0].templates, notch_mm=SIZE, look=look)
    for _, cut in drawing.pieces:
        x0, y0, x1, y1 = cut.bounds
        own = [s.points_mm for s in drawing.strokes if s.layer == "GRID" and cut.buffer(1e-6).covers(LineString(s.points_mm))]
        assert {p[0, 0] - x0 for p in own if p[0, 0] == p[1, 0]} == set(np.arange(200.0, x1 - x0, 200.0))
        assert {round(p[0, 1] - y0, 6) for p in own if p[0, 1] == p[1, 1]} == set(np.arange(200.0, y1 - y0, 200.0))
    lay = draw_lay(plan.rolls[0], 0, notch_mm=SIZE, look=look)
    ups = {p[0, 0] for p in (s.points_mm for s in lay.strokes if s.layer == "GRID") if p[0, 0] == p[1, 0]}
    assert ups == set(np.arange(200.0, plan.rolls[0].lays[0].length_mm, 200.0))
    assert not any(s.layer == "GRID" for s in draw_lay(plan.rolls[0], 0, notch_mm=SIZE).strokes)


# -- where a tool starts ---------------------------------------------------------------------------------------------
@pytest.mark.parametrize("turned", [False, True])
def test_a_start_is_marked_inside_the_line_along_the_way_of_the_tool(turned):
    ring = np.array([[0.0, 0.0], [100.0, 0.0], [100.0, 50.0], [0.0, 50.0]])
    ring = ring[::-1] if turned else ring
    stem, head = start_mark(ring)
    assert stem[0].tolist() == ring[0].tolist()
    assert Polygon(ring).buffer(1e-9).contains(LineString(stem))
    way = (ring[1] - ring[0]) / np.linalg.norm(ring[1] - ring[0])
    assert (stem[2] - stem[1]) @ way == pytest.approx(8.0)
    assert head[1] == pytest.approx(stem[2])


def test_a_point_that_is_there_twice_is_no_matter():
    ring = np.array([[0.0, 0.0], [0.0, 0.0], [100.0, 0.0], [100.0, 50.0]])
    for a, b in zip(start_mark(ring), start_mark(ring[1:])):
        np.testing.assert_array_equal(a, b)


def test_a_line_is_begun_at_its_nearest_corner():
    ring = np.array([[0.0, 0.0], [100.0, 0.0], [100.0, 50.0]])
    assert begun_at(ring, (120.0, 60.0)).tolist() == [[100, 50], [0, 0], [100, 0]]


def test_starts_are_marked_where_the_lines_to_cut_begin_and_openings_come_first(tmp_path):
    template = plans.templates()[0][0]
    path = tmp_path / "x.dxf"
    write_dxf(draw_templates("t", [template], notch_mm=SIZE, look=Look(starts=True)), path)
    opening, outline = rings_by_ezdxf(path, unit=True)["CUT"]
    assert Polygon(opening).area < Polygon(outline).area
    assert outline[0] == pytest.approx(outline.min(axis=0))
    space = ezdxf.readfile(path).modelspace()
    firsts = [np.array(e.get_points("xy")[0]) for e in space.query('LWPOLYLINE[layer=="START"]')]
    for ring in (opening, outline):
        assert min(np.abs(first - ring[0]).max() for first in firsts) < 1e-6


# -- words as lines --------------------------------------------------------------------------------------------------
def test_words_of_dxf_as_lines(tmp_path):
    drawing = draw_templates("t", [plans.templates()[0][1]], notch_mm=SIZE)
    for pen_text in (False, True):
        write_dxf(drawing, tmp_path / "x.dxf", pen_text=pen_text)
        for name in ("x.dxf", "x_r12_mm.dxf"):
            space = ezdxf.readfile(tmp_path / name).modelspace()
            assert len(space.query("TEXT")) == (0 if pen_text else len(drawing.words))
            lines = [e for e in space if e.dxf.layer == "TEXT" and e.dxftype() != "TEXT"]
            assert (len(lines) > 100) is pen_text


def test_words_on_numbered_layers_stay_and_are_drawn_too(tmp_path):
    template = plans.templates()[0][0]
    count = {}
    for pen_text in (False, True):
        write_sewn("t", [template], tmp_path / "x.dxf", notch_mm=SIZE, pen_text=pen_text)
        doc = ezdxf.readfile(tmp_path / "x.dxf")
        (block,) = (doc.blocks.get(ref.dxf.name) for ref in doc.modelspace().query("INSERT"))
        count[pen_text] = len(block.query("TEXT")), len(block.query('POLYLINE[layer=="8"]'))
    assert count[False][0] == count[True][0] == 7
    assert count[True][1] > count[False][1] + 100


def test_a_stretched_opening_is_found_however_small_it_is_beside_its_piece(tmp_path):
    template = plans.templates()[0][0]
    drawing = draw_templates("t", [template], notch_mm=SIZE)
    (opening,) = template.cut.interiors
    other = replace(template, cut=Polygon(template.cut.exterior, [[(x * 1.00002, y) for x, y in opening.coords]]))
    wrong = draw_templates("t", [other], notch_mm=SIZE)
    write_dxf(wrong, tmp_path / "x.dxf")
    with pytest.raises(CheckError, match="area off"):
        compare(drawing, rings_by_ezdxf(tmp_path / "x.dxf", unit=True), tmp_path / "x.dxf")

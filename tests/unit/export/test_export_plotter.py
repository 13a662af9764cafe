"""Plotter files: the order of moves, frames, whole numbers, and single-line words."""

from dataclasses import replace

import numpy as np
import pytest
from shapely import LineString, Polygon, box, union_all

from plyflat.errors import CheckError, OutputError
from plyflat.export.drawing import Drawing, Stroke, draw_lay
from plyflat.export.label import Words
from plyflat.export.pen import _STROKES, pen_lines, plain_capitals
from plyflat.export.plotter import OVERCUT_MM, frames_of, plotter_text, read_plotter, write_plotter
from plyflat.lay.nest import Lay


def _drawing(*pieces, words=(), extra=()):
    strokes = [
        Stroke("CUT", np.asarray(ring.coords)[:-1], closed=True)
        for _, outline in pieces
        for ring in (*outline.interiors, outline.exterior)
    ]
    return Drawing("test", (*extra, *strokes), tuple(words), tuple(pieces))


def test_cuts_come_in_the_drawings_order_each_from_its_first_point():
    far, near = box(500, 0, 600, 100), Polygon(box(0, 0, 100, 100).exterior, [box(40, 40, 60, 60).exterior.coords])
    drawing = _drawing(("far", far), ("near", near))
    frame, = frames_of(drawing)
    cuts = [m.points_mm for m in frame.moves if m.tool == 1]
    assert [tuple(c.max(axis=0)) for c in cuts] == [(600, 100), (60, 60), (100, 100)]
    for cut, stroke in zip(cuts, drawing.strokes):
        np.testing.assert_array_equal(cut[: len(stroke.points_mm)], stroke.points_mm)


def test_pieces_of_a_lay_are_cut_in_the_order_of_the_list(tmp_path):
    """A piece that lies in another's opening, and one of a region that is cut first, before the near one."""
    from types import SimpleNamespace

    import plans

    from plyflat.export.lays import order_list

    ring = Polygon(box(0, 0, 400, 400).exterior, [box(50, 50, 350, 350).exterior.coords])
    parts = (
        plans.template("P1", "A", box(0, 0, 100, 100)), replace(plans.template("P1", "B", ring), cut=ring),
        replace(plans.template("P2", "A", box(0, 0, 100, 100)), region="first"),
    )  # fmt: skip
    places = plans.laid([(1, parts[1]), (0, parts[0]), (2, parts[2])], (0, 180, 0), ((0, 0), (300, 300), (900, 20)), (0, 0, 0))
    lay = Lay(places, 500.0, 1100.0, 0.5, 500.0, "area", 5.0, 0.0, 5.0, 1.0, 1)
    roll = replace(plans.make(tmp_path).rolls[0], lays=(lay,), parts=parts)
    plan = SimpleNamespace(job=SimpleNamespace(lay=SimpleNamespace(first=("first",))))
    listed = [row.split(",")[2:4] for row in order_list(plan, roll, 0).splitlines()[1:]]
    drawing = draw_lay(roll, 0, notch_mm=6.0, first=("first",))
    wanted = ["first / P2 / A", f"{plans.REGION} / P1 / A", f"{plans.REGION} / P1 / B", f"{plans.REGION} / P1 / B"]
    assert [name for name, _ in listed] == wanted
    assert [line for _, line in listed][2:] == ["opening 1", "outline"]
    assert [name for name, _ in drawing.pieces] == wanted[:3]
    frame, = frames_of(drawing, frame_mm=2000.0, overcut_mm=0.0)
    cuts = [m.points_mm for m in frame.moves if m.tool == 1]
    starts = [tuple(map(float, row.split(",")[5:7])) for row in order_list(plan, roll, 0).splitlines()[1:]]
    assert [tuple(c[0]) for c in cuts] == starts
    assert [Polygon(c).area for c in cuts] == pytest.approx([120.0**2, 120.0**2, 300.0**2, 400.0**2])


def test_a_piece_that_is_not_in_the_order_of_cutting_is_not_left_out_in_silence(tmp_path, monkeypatch):
    import plans

    from plyflat.export import drawing

    order = drawing.cutting_order
    monkeypatch.setattr(drawing, "cutting_order", lambda lay, **ranks: order(lay, **ranks)[:-1])
    with pytest.raises(CheckError, match="3 of 4 pieces"):
        draw_lay(plans.make(tmp_path).rolls[0], 0, notch_mm=6.0)


def test_marks_are_drawn_before_anything_is_cut():
    mark = Stroke("WARP", np.array([[10.0, 10.0], [90.0, 10.0]]))
    frame, = frames_of(_drawing(("a", box(0, 0, 100, 100)), extra=[mark], words=[Words("TEXT", "A", (40.0, 40.0), 10.0)]))
    tools = [m.tool for m in frame.moves]
    assert tools == sorted(tools, reverse=True)
    assert set(tools) == {1, 2}


def test_a_notch_is_cut_before_the_outline_it_stands_on():
    notch = Stroke("NOTCH", np.array([[50.0, 0.0], [50.0, 6.0]]))
    frame, = frames_of(_drawing(("a", box(0, 0, 100, 100)), extra=[notch]))
    first, second = (m.points_mm for m in frame.moves if m.tool == 1)
    assert LineString(first).length == pytest.approx(6.0)
    assert LineString(second).length == pytest.approx(400.0 + OVERCUT_MM)


def test_the_rolls_edge_is_the_machines_zero_and_is_not_drawn():
    edge = Stroke("ROLL", np.array([[0.0, 0.0], [1000.0, 0.0], [1000.0, 500.0], [0.0, 500.0]]), closed=True)
    check = Stroke("CHECK", np.array([[0.0, -150.0], [100.0, -150.0], [100.0, -50.0], [0.0, -50.0]]), closed=True)
    title = Words("TEXT", "title", (130.0, -80.0), 15.0)
    frame, = frames_of(_drawing(("a", box(30, 40, 130, 140)), extra=[edge, check], words=[title]))
    assert len(frame.moves) == 1
    assert tuple(frame.moves[0].points_mm.min(axis=0)) == (30.0, 40.0)


def test_a_long_lay_is_parted_into_frames_and_nothing_is_lost():
    piece = box(100, 0, 1900, 300)
    frames = frames_of(_drawing(("a", piece)), frame_mm=700.0)
    assert [f.start_mm for f in frames] == [0.0, 700.0, 1400.0]
    moves = [m for f in frames for m in f.moves]
    # What is parted is cut a little past the edge, so that no thread holds there, if the machine's language allows it.
    short = frames_of(_drawing(("a", piece)), frame_mm=700.0, past_mm=0.0)
    assert max(m.points_mm[:, 0].max() for f in short for m in f.moves) <= 700.0
    assert max(m.points_mm[:, 0].max() for f in frames[:2] for m in f.moves) == pytest.approx(700.0 + OVERCUT_MM)
    assert all(m.points_mm[:, 0].min() >= 0.0 for m in moves)
    whole = union_all([LineString(m.points_mm + (f.start_mm, 0.0)) for f in frames for m in f.moves])
    # The drawing has no roll: its zero is the piece's own corner.
    assert whole.length == pytest.approx(piece.length)
    assert sum(f.length_mm for f in frames) == pytest.approx(1800.0)


def test_marks_that_are_parted_stop_at_the_frames_edge():
    mark = Stroke("WARP", np.array([[10.0, 50.0], [1790.0, 50.0]]))
    frames = frames_of(_drawing(("a", box(0, 0, 1800, 100)), extra=[mark]), frame_mm=700.0)
    spans = [(m.points_mm[:, 0].min(), m.points_mm[:, 0].max()) for f in frames for m in f.moves if m.tool == 2]
    assert spans == [(10.0, 700.0), (0.0, 700.0), (0.0, 390.0)]


def test_frames_are_whole_units_long_so_that_nothing_adds_up():
    # 67.73 mm is no whole number of fortieths.
    frames = frames_of(_drawing(("a", box(0, 0, 9000, 100))), frame_mm=67.73)
    back = read_plotter(plotter_text(frames))
    assert len(back) == len(frames) > 100
    assert [f.start_mm for f in back] == pytest.approx([f.start_mm for f in frames], abs=1e-6)


def test_the_square_the_grid_and_the_starts_are_not_for_the_machine():
    extra = [Stroke(layer, np.array([[10.0, 10.0], [90.0, 10.0]])) for layer in ("START", "GRID", "CHECK")]
    words = [Words("GRID", "100", (40.0, 40.0), 4.0)]
    frame, = frames_of(_drawing(("a", box(0, 0, 100, 100)), extra=extra, words=words))
    assert [m.tool for m in frame.moves] == [1]


def test_hpgl2_states_the_size_of_a_frame_roll_width_and_all():
    edge = Stroke("ROLL", np.array([[0.0, 0.0], [1000.0, 0.0], [1000.0, 500.0], [0.0, 500.0]]), closed=True)
    frames = frames_of(_drawing(("a", box(30, 40, 930, 140)), extra=[edge]), frame_mm=600.0)
    lines = plotter_text(frames, language="hpgl2").splitlines()
    assert lines[:3] == ["\x1b%-1B", "IN;", "PS24000,20000;"]
    assert "PS" not in plotter_text(frames)
    assert lines[-1] == "PU0,0;SP0;PG;\x1b%0A"


def test_text_is_whole_numbers_of_a_fortieth_of_a_mm():
    text = plotter_text(frames_of(_drawing(("a", box(0, 0, 100.0, 50.5)))))
    assert text.startswith("IN;\nPU;SP1;\n")
    assert "4000,2020" in text
    assert text.rstrip().endswith("SP0;")
    assert plotter_text((), language="hpgl2").startswith("\x1b%-1B")


def test_what_was_written_reads_back():
    drawing = _drawing(("a", box(0, 0, 1000, 100)), ("b", box(0, 200, 300, 400)))
    frames = frames_of(drawing, frame_mm=400.0)
    back = read_plotter(plotter_text(frames))
    assert [len(f.moves) for f in back] == [len(f.moves) for f in frames]
    for a, b in zip(frames, back):
        assert a.start_mm == pytest.approx(b.start_mm, abs=0.02)
        for m, n in zip(a.moves, b.moves):
            np.testing.assert_allclose(m.points_mm, n.points_mm, atol=0.0126)


def test_a_file_that_lost_a_piece_is_refused(tmp_path, monkeypatch):
    from plyflat.export import plotter

    whole = _drawing(("a", box(0, 0, 100, 100)), ("b", box(200, 0, 300, 100)))
    lost = frames_of(_drawing(("a", box(0, 0, 100, 100))))
    monkeypatch.setattr(plotter, "frames_of", lambda *a, **k: lost)
    with pytest.raises(CheckError, match="reads back"):
        write_plotter(whole, tmp_path / "x.plt")


def test_what_cannot_be_asked_for():
    drawing = _drawing(("a", box(0, 0, 100, 100)))
    with pytest.raises(OutputError, match="frame"):
        frames_of(drawing, frame_mm=10.0)
    with pytest.raises(OutputError, match="language"):
        plotter_text((), language="other")
    with pytest.raises(CheckError, match="not written"):
        read_plotter("IN;XY1,2;")
    with pytest.raises(CheckError, match="not finite"):
        frames_of(_drawing(("a", box(0, 0, 1, 1)), extra=[Stroke("WARP", np.array([[0.0, 0.0], [np.nan, 1.0]]))]))


def test_words_as_lines_stay_in_the_room_kept_for_them():
    for turn in (0.0, 90.0):
        words = Words("TEXT", "Skeg P1: 45 deg (2)", (100.0, 50.0), 12.0, turn)
        room = words.box().buffer(1e-9)
        assert all(room.contains(LineString(line)) for line in pen_lines(words))


def test_every_letter_differs_and_unknown_ones_are_seen_to_be_missing():
    shapes = {letter: tuple(map(tuple, np.concatenate(pen_lines(Words("", letter, (0, 0), 6.0))).round(6))) for letter in _STROKES}
    # A capital O is a nought without its bar; a box is neither.
    assert len(set(shapes.values())) == len(shapes)
    assert plain_capitals("é–×") == "E-X"
    box_, = pen_lines(Words("", "Ж", (0, 0), 6.0))
    assert (box_[0] == box_[-1]).all()
    assert pen_lines(Words("", " ", (0, 0), 6.0)) == []

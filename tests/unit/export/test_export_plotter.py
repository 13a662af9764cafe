"""Plotter files: the order of moves, frames, whole numbers, and single-line words."""

import numpy as np
import pytest
from shapely import LineString, Polygon, box, union_all

from plyflat.errors import CheckError, OutputError
from plyflat.export.drawing import Drawing, Stroke
from plyflat.export.label import Words
from plyflat.export.pen import _STROKES, pen_lines, plain_capitals
from plyflat.export.plotter import OVERCUT_MM, frames_of, plotter_text, read_plotter, write_plotter


def _drawing(*pieces, words=(), extra=()):
    strokes = [
        Stroke("CUT", np.asarray(ring.coords)[:-1], closed=True)
        for _, outline in pieces
        for ring in (outline.exterior, *outline.interiors)
    ]
    return Drawing("test", (*strokes, *extra), tuple(words), tuple(pieces))


def test_openings_are_cut_before_the_line_round_them_and_near_pieces_first():
    far, near = box(500, 0, 600, 100), Polygon(box(0, 0, 100, 100).exterior, [box(40, 40, 60, 60).exterior.coords])
    frame, = frames_of(_drawing(("far", far), ("near", near)))
    cuts = [m.points_mm for m in frame.moves if m.tool == 1]
    assert [tuple(c.max(axis=0)) for c in cuts] == [(60, 60), (100, 100), (600, 100)]


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
    assert all(m.points_mm[:, 0].max() <= 700.0 for m in moves)
    assert all(m.points_mm[:, 0].min() >= 0.0 for m in moves)
    whole = union_all([LineString(m.points_mm + (f.start_mm, 0.0)) for f in frames for m in f.moves])
    # The drawing has no roll: its zero is the piece's own corner.
    assert whole.length == pytest.approx(piece.length)
    assert sum(f.length_mm for f in frames) == pytest.approx(1800.0)


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

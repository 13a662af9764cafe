"""Pages at full size: how they part a drawing, and what is refused."""

import numpy as np
import pytest
import shapely

from plyflat.errors import CheckError, OutputError
from plyflat.export import paper as room
from plyflat.export.drawing import Drawing, Stroke
from plyflat.export.label import Words
from plyflat.export.paper import Page, pages_of, roll, sheet, write_paper


def _drawing(*rings, words=()):
    return Drawing("test", tuple(Stroke("CUT", np.array(r, dtype=float), closed=True) for r in rings), tuple(words))


def _box(x0, y0, x1, y1):
    return [(x0, y0), (x1, y0), (x1, y1), (x0, y1)]


def test_what_fits_one_sheet_takes_one_and_the_sheet_is_turned_for_it():
    upright, = pages_of(_drawing(_box(0, 0, 180, 260)), sheet("A4"))
    assert (upright.width_mm, upright.height_mm) == (210, 297)
    level, = pages_of(_drawing(_box(0, 0, 260, 180)), sheet("A4"))
    assert (level.width_mm, level.height_mm) == (297, 210)


def test_neighbouring_sheets_show_the_same_strip():
    pages = pages_of(_drawing(_box(0, 0, 500, 100)), sheet("A4", overlap_mm=15.0))
    assert [p.column for p in pages] == [1, 2]
    assert pages[0].window_mm[2] - pages[1].window_mm[0] == pytest.approx(15.0)
    assert all(p.row == 1 for p in pages)


def test_sheets_without_a_line_are_left_out():
    pages = pages_of(_drawing(_box(0, 0, 1500, 1500)), sheet("A4"))
    places = {(p.row, p.column) for p in pages}
    rows, columns = max(r for r, _ in places), max(c for _, c in places)
    # A frame of pages round an empty middle.
    assert places == {(r, c) for r in range(1, rows + 1) for c in range(1, columns + 1) if r in (1, rows) or c in (1, columns)}


def test_the_grid_alone_keeps_no_sheet(tmp_path):
    ring = _drawing(_box(0, 0, 1500, 1500))
    grid = [Stroke("GRID", np.array([[x, 0.0], [x, 1500.0]])) for x in range(50, 1500, 50)]
    numbers = [Words("GRID", "50", (float(x), 750.0), 4.0) for x in range(50, 1500, 50)]
    ruled = Drawing("test", (*ring.strokes, *grid), tuple(numbers))
    assert pages_of(ruled, sheet("A4")) == pages_of(ring, sheet("A4"))
    assert write_paper([ruled], tmp_path / "x.pdf", sheet("A4")) == len(pages_of(ring, sheet("A4")))


def test_a_word_alone_keeps_its_sheet():
    far = Words("TEXT", "far", (900.0, 900.0), 10.0)
    pages = pages_of(_drawing(_box(0, 0, 100, 100), words=[far]), sheet("A4"))
    shown = shapely.union_all([shapely.box(*p.window_mm) for p in pages])
    assert shown.contains(far.box())
    assert len(pages) == 2


def test_rows_count_from_the_top():
    pages = pages_of(_drawing(_box(0, 0, 100, 600)), sheet("A4"))
    assert [p.row for p in sorted(pages, key=lambda p: -p.window_mm[1])] == [1, 2, 3]


def test_a_roll_is_cut_off_where_the_lines_end():
    page, = pages_of(_drawing(_box(0, 0, 850, 1300)), roll(914.0))
    assert page.width_mm == 914.0
    assert page.height_mm == pytest.approx(1300 + 1 + 20)
    level, = pages_of(_drawing(_box(0, 0, 1300, 850)), roll(914.0))
    assert level.width_mm == pytest.approx(1300 + 1 + 20)
    assert level.height_mm == 914.0


@pytest.mark.parametrize(
    ("make", "said"),
    [
        (lambda: sheet("A9"), "no sheet"),
        (lambda: sheet("A4", overlap_mm=80.0), "overlap"),
        (lambda: roll(90.0), "too narrow"),
        (lambda: roll(float("nan")), "too narrow"),
        (lambda: roll(914.0, longest_mm=6000.0), "too long"),
    ],
)
def test_paper_that_cannot_be(make, said):
    with pytest.raises(OutputError, match=said):
        make()


def test_a_line_on_no_page_stops_the_file(tmp_path, monkeypatch):
    short = (Page(1, 1, (0.0, 0.0, 190.0, 277.0), 210.0, 297.0),)
    monkeypatch.setattr(room, "pages_of", lambda drawing, paper: short)
    with pytest.raises(CheckError, match="on no page"):
        write_paper([_drawing(_box(0, 0, 500, 100))], tmp_path / "x.pdf", sheet("A4"))


def test_the_same_drawing_gives_the_same_bytes(tmp_path):
    drawing = _drawing(_box(0, 0, 500, 400), words=[Words("TEXT", "Ж ü 45°", (20.0, 20.0), 10.0, 90.0)])
    for name in ("a", "b"):
        write_paper([drawing], tmp_path / name, sheet("A4"))
    assert (tmp_path / "a").read_bytes() == (tmp_path / "b").read_bytes()

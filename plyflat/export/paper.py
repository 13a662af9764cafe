"""Drawings at full size on paper: sheets to be stuck together, and strips for a roll plotter, as PDF.

Every page carries its place, corner crosses that come to lie on those of its neighbours, and lines of 100 mm both ways to
measure: a printer that was left at "fit to page" is found out before anything is cut.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely
from shapely import LineString, Polygon

from ..errors import CheckError, OutputError
from ..surface.mesh import Floats
from .drawing import CHECK_MM, Drawing, Stroke
from .label import Words

if TYPE_CHECKING:
    from reportlab.pdfgen.canvas import Canvas

#: Points of 1/72 inch in a mm.
POINT_PER_MM = 72.0 / 25.4
#: Sheets that are sold, width and height, mm: ISO 216, and ANSI/ASME Y14.1 for Letter.
SHEETS_MM = {"A4": (210.0, 297.0), "A3": (297.0, 420.0), "Letter": (215.9, 279.4)}
#: No page is longer: past 14400 points (5080 mm) a PDF needs another unit, which many printers do not know.
LONGEST_MM = 5000.0
#: What an office printer cannot print on, at each edge (common practice).
MARGIN_MM = 10.0
OVERLAP_MM = 10.0
_CROSS_MM = 4.0
#: Line width in mm, grey from 0 for black, and dashes in mm of each layer.
_LOOKS: dict[str, tuple[float, float, tuple[float, ...]]] = {
    "CUT": (0.5, 0.0, ()),
    "NET": (0.25, 0.45, ()),
    "LAP": (0.2, 0.6, (1.0, 1.5)),
    "FOLD": (0.35, 0.2, (8.0, 2.0, 1.0, 2.0)),
    "JOIN": (0.3, 0.3, (4.0, 2.0)),
    "NOTCH": (0.5, 0.0, ()),
    "WARP": (0.3, 0.2, ()),
    "THREAD": (0.4, 0.13, (0.6, 1.2)),
    "ROLL": (0.25, 0.6, (12.0, 4.0)),
    "GRID": (0.15, 0.6, ()),
}
_PLAIN: tuple[float, float, tuple[float, ...]] = (0.25, 0.3, ())
#: A page that shows this layer alone is left out too.
_BEHIND = "GRID"
_FONT = "DejaVuSans"
#: Height of a capital of that font over its size.
_CAPITAL = 0.729


@dataclass(frozen=True)
class Page:
    """One page of a drawing at full size.

    Attributes
    ----------
    row, column : int
        From 1, row 1 at the top.
    window_mm : tuple of float
        (x, y, x, y) of the part of the drawing it shows, mm.
    width_mm, height_mm : float
        Of the paper.
    margin_mm : float
        Paper left free at each edge.
    overlap_mm : float
        How far in from its edges those of its neighbours lie.
    """

    row: int
    column: int
    window_mm: tuple[float, float, float, float]
    width_mm: float
    height_mm: float
    margin_mm: float = MARGIN_MM
    overlap_mm: float = OVERLAP_MM


@dataclass(frozen=True)
class Paper:
    """What a drawing is printed on.

    Attributes
    ----------
    name : str
    width_mm, height_mm : float
        Of a sheet; of a roll, its width and the longest page.
    overlap_mm : float
        How far neighbouring pages show the same.
    margin_mm : float
    roll : bool
        Whether a page may be shorter than ``height_mm``: it is cut off the roll where its lines end.
    """

    name: str
    width_mm: float
    height_mm: float
    overlap_mm: float = OVERLAP_MM
    margin_mm: float = MARGIN_MM
    roll: bool = False


def sheet(name: str, *, overlap_mm: float = OVERLAP_MM) -> Paper:
    """Return a sheet that is sold.

    Parameters
    ----------
    name : {"A4", "A3", "Letter"}
    overlap_mm : float

    Raises
    ------
    OutputError
        An unknown sheet, or an overlap that leaves nothing of it.
    """
    if name not in SHEETS_MM:
        raise OutputError(f"no sheet is known as {name}", do=f"Choose one of {', '.join(SHEETS_MM)}.")
    return _checked(Paper(name, *SHEETS_MM[name], overlap_mm))


def roll(width_mm: float, *, longest_mm: float = LONGEST_MM, overlap_mm: float = OVERLAP_MM) -> Paper:
    """Return the paper of a roll plotter.

    Parameters
    ----------
    width_mm : float
    longest_mm : float
        Of a page; at most 5 m.
    overlap_mm : float

    Raises
    ------
    OutputError
        A page that is too long, or a width that leaves nothing.
    """
    if not 0 < longest_mm <= LONGEST_MM:
        raise OutputError(f"a page of {longest_mm:g} mm is too long for a PDF", do=f"At most {LONGEST_MM:g} mm.")
    return _checked(Paper(f"roll {width_mm:g} mm", width_mm, longest_mm, overlap_mm, roll=True))


def _checked(paper: Paper) -> Paper:
    least = 2 * paper.margin_mm + CHECK_MM + 10.0
    if not 0 <= paper.overlap_mm <= 50.0:
        raise OutputError(f"an overlap of {paper.overlap_mm:g} mm", where=paper.name, do="Between 0 and 50 mm.")
    if not math.isfinite(paper.width_mm) or paper.width_mm < least:
        raise OutputError(f"paper of {paper.width_mm:g} mm is too narrow", where=paper.name, do=f"At least {least:g} mm.")
    return paper


def pages_of(drawing: Drawing, paper: Paper) -> tuple[Page, ...]:
    """Return the pages that show a drawing at full size, those without a line left out.

    The paper is turned the way that takes fewer pages; the drawing is never turned.

    Parameters
    ----------
    drawing : Drawing
    paper : Paper
    """
    shapes = [*_lines(drawing), *(w.box() for w in drawing.words if w.layer != _BEHIND)]
    tree = shapely.STRtree(shapes)
    ways = []
    for size, lengthwise in (((paper.width_mm, paper.height_mm), 1), ((paper.height_mm, paper.width_mm), 0)):
        ways.append(tuple(_grid(drawing, paper, size, tree, lengthwise=lengthwise)))
    return min(ways, key=len)


def _grid(
    drawing: Drawing, paper: Paper, size_mm: tuple[float, float], tree: shapely.STRtree, *, lengthwise: int
) -> Iterator[Page]:
    """Yield the pages of one way round; ``lengthwise`` is the side along which a roll is cut off."""
    x0, y0, x1, y1 = drawing.bounds_mm()
    room = np.array(size_mm) - 2 * paper.margin_mm
    step = room - paper.overlap_mm
    span = np.array([x1 - x0, y1 - y0])
    count = np.maximum(np.ceil((span - paper.overlap_mm) / step - 1e-9), 1).astype(int)
    # The pages stand evenly about the drawing, so that a line seldom runs along an edge.
    low = np.array([x0, y0]) - 0.5 * (count * step + paper.overlap_mm - span)
    if paper.roll:
        low[lengthwise] = (x0, y0)[lengthwise]
    for j in reversed(range(count[1])):
        for i in range(count[0]):
            a = low + step * (i, j)
            # What lies in the overlap alone is shown by the neighbour.
            own = a + np.where([i < count[0] - 1, j < count[1] - 1], step, room)
            if not len(tree.query(shapely.box(*a, *own), predicate="intersects")):
                continue
            b = a + room
            if paper.roll:
                top = (x1, y1)[lengthwise]
                b[lengthwise] = max(min(b[lengthwise], top + 1.0), a[lengthwise] + CHECK_MM + 10.0)
            wide, high = b - a + 2 * paper.margin_mm
            window = (float(a[0]), float(a[1]), float(b[0]), float(b[1]))
            yield Page(int(count[1] - j), i + 1, window, float(wide), float(high), paper.margin_mm, paper.overlap_mm)


def _lines(drawing: Drawing) -> list[LineString]:
    return [LineString(_points(s)) for s in drawing.strokes if s.layer != _BEHIND]


def _points(stroke: Stroke) -> Floats:
    p = stroke.points_mm
    return np.concatenate([p, p[:1]]) if stroke.closed else p


def write_paper(drawings: Sequence[Drawing], path: Path, paper: Paper) -> int:
    """Write drawings at full size into one PDF, each with a small map of its pages before it.

    Parameters
    ----------
    drawings : sequence of Drawing
    path : Path
    paper : Paper

    Returns
    -------
    int
        Number of pages at full size.

    Raises
    ------
    CheckError
        If a line of a drawing is on no page.

    Notes
    -----
    The same drawings give the same bytes. The file asks the printer not to scale; not every printer obeys.
    """
    from reportlab.pdfgen.canvas import Canvas

    _font()
    pdf = Canvas(str(path), invariant=1, pageCompression=1)
    pdf.setViewerPreference("PrintScaling", "None")
    pdf.setTitle(drawings[0].title if len(drawings) == 1 else f"{len(drawings)} drawings at full size")
    total = 0
    for drawing in drawings:
        pages = pages_of(drawing, paper)
        _check_cover(drawing, pages)
        if len(pages) > 1:
            _map_page(pdf, drawing, pages, paper)
        for page in pages:
            _draw_page(pdf, drawing, page, len(pages))
        total += len(pages)
    pdf.save()
    return total


def _check_cover(drawing: Drawing, pages: Sequence[Page]) -> None:
    shown = shapely.union_all([shapely.box(*page.window_mm) for page in pages])
    off = sum(line.difference(shown).length for line in _lines(drawing))
    if off > 0.01:
        raise CheckError(f"{off:.3g} mm of line are on no page", where=drawing.title)


def _font() -> None:
    """Make a font known that has more than the letters of western Europe; it comes with matplotlib."""
    from matplotlib import get_data_path
    from reportlab.pdfbase import pdfmetrics
    from reportlab.pdfbase.ttfonts import TTFont

    if _FONT not in pdfmetrics.getRegisteredFontNames():
        pdfmetrics.registerFont(TTFont(_FONT, Path(get_data_path()) / "fonts" / "ttf" / f"{_FONT}.ttf"))


class _Pen:
    """A page in mm of the drawing: places are moved as they are drawn, so that the file holds plain points."""

    def __init__(self, pdf: Canvas, corner_mm: Sequence[float], at_mm: Sequence[float], scale: float = 1.0) -> None:
        self.pdf = pdf
        self.factor = scale * POINT_PER_MM
        self.shift = np.asarray(at_mm) / scale - np.asarray(corner_mm)

    def point(self, p: Any) -> tuple[float, float]:
        x, y = (np.asarray(p) + self.shift) * self.factor
        return float(x), float(y)

    def line(self, points: Floats, *, closed: bool = False) -> None:
        path = self.pdf.beginPath()
        path.moveTo(*self.point(points[0]))
        for p in points[1:]:
            path.lineTo(*self.point(p))
        if closed:
            path.close()
        self.pdf.drawPath(path, stroke=1, fill=0)

    def look(self, width_mm: float, grey: float, dashes_mm: Sequence[float] = ()) -> None:
        self.pdf.setLineWidth(width_mm * POINT_PER_MM)
        self.pdf.setStrokeGray(grey)
        self.pdf.setDash([d * POINT_PER_MM for d in dashes_mm])

    def words(self, words: Words, *, grey: float = 0.0) -> None:
        self.pdf.saveState()
        self.pdf.setFillGray(grey)
        self.pdf.translate(*self.point(words.at_mm))
        self.pdf.rotate(words.turn_deg)
        self.pdf.setFont(_FONT, words.height_mm * self.factor / _CAPITAL)
        # The room that was kept for a word holds the pen's wide letters, and this font's too.
        self.pdf.drawString(0, 0, words.text)
        self.pdf.restoreState()


def _draw_page(pdf: Canvas, drawing: Drawing, page: Page, count: int) -> None:
    pdf.setPageSize((page.width_mm * POINT_PER_MM, page.height_mm * POINT_PER_MM))
    x0, y0, x1, y1 = page.window_mm
    window = shapely.box(*page.window_mm)
    pen = _Pen(pdf, (x0, y0), (page.margin_mm, page.margin_mm))
    pdf.saveState()
    _clip(pdf, pen, window)
    for stroke in drawing.strokes:
        if window.intersects(LineString(_points(stroke))):
            pen.look(*_LOOKS.get(stroke.layer, _PLAIN))
            pen.line(stroke.points_mm, closed=stroke.closed)
    for words in drawing.words:
        if window.intersects(words.box()):
            pen.words(words)
    pdf.restoreState()
    _frame(pdf, drawing, page, count)
    pdf.showPage()


def _clip(pdf: Canvas, pen: _Pen, window: Polygon) -> None:
    path = pdf.beginPath()
    corners = np.asarray(window.exterior.coords)
    path.moveTo(*pen.point(corners[0]))
    for p in corners[1:-1]:
        path.lineTo(*pen.point(p))
    path.close()
    pdf.clipPath(path, stroke=0, fill=0)


def _frame(pdf: Canvas, drawing: Drawing, page: Page, count: int) -> None:
    """Draw what every page carries besides the drawing: crosses, lines to measure, its place."""
    x0, y0, x1, y1 = page.window_mm
    m = page.margin_mm
    pen = _Pen(pdf, (x0, y0), (m, m))
    pen.look(0.2, 0.4)
    pen.line(np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]]), closed=True)
    pen.look(0.25, 0.0)
    # A neighbour's corner comes to lie on each cross.
    for x in (x0 + page.overlap_mm, x1 - page.overlap_mm):
        for y in (y0 + page.overlap_mm, y1 - page.overlap_mm):
            for arm in _CROSS_MM * np.eye(2):
                pen.line(np.stack([(x, y) - arm, (x, y) + arm]))
    paper = _Pen(pdf, (0.0, 0.0), (0.0, 0.0))
    paper.look(0.25, 0.0)
    for start, way in (((m, 0.6 * m), (1.0, 0.0)), ((0.6 * m, m), (0.0, 1.0))):
        a, along = np.array(start), np.array(way)
        b, tick = a + CHECK_MM * along, np.array(way[::-1])
        paper.line(np.stack([a, b]))
        for end in (a, b):
            paper.line(np.stack([end - 1.5 * tick, end + 1.5 * tick]))
    place = f"row {page.row}, column {page.column}; {count} page{'s' * (count != 1)}"
    note = "100 mm both ways: print at 100 %"
    paper.words(Words("TEXT", note, (m + CHECK_MM + 4.0, 0.45 * m), 2.0))
    paper.words(Words("TEXT", f"{place}: {drawing.title}", (m, page.height_mm - 0.65 * m), 2.5))


def _map_page(pdf: Canvas, drawing: Drawing, pages: Sequence[Page], paper: Paper) -> None:
    """Draw all pages small, so that the table can be laid out before the first is stuck down."""
    wide, high = SHEETS_MM.get(paper.name, SHEETS_MM["A4"])
    pdf.setPageSize((wide * POINT_PER_MM, high * POINT_PER_MM))
    corners = np.array([page.window_mm for page in pages])
    low, top = corners[:, :2].min(axis=0), corners[:, 2:].max(axis=0)
    scale = float(min(((np.array([wide, high]) - (40.0, 70.0)) / (top - low)).min(), 0.5))
    pen = _Pen(pdf, low, (20.0, 20.0), scale)
    for stroke in drawing.strokes:
        if stroke.layer in ("CUT", "ROLL"):
            pen.look(0.25, 0.0)
            pen.line(stroke.points_mm, closed=stroke.closed)
    for page in pages:
        x0, y0, x1, y1 = page.window_mm
        pen.look(0.15, 0.5, (1.0, 1.0))
        pen.line(np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]]), closed=True)
        size = min(4.0, 0.2 * scale * min(x1 - x0, y1 - y0)) / scale
        middle = np.array([(x0 + x1) / 2, (y0 + y1) / 2])
        pen.words(Words("TEXT", f"{page.row} / {page.column}", (0.0, 0.0), size).centred(middle), grey=0.35)
    plain = _Pen(pdf, (0.0, 0.0), (0.0, 0.0))
    rows = (
        drawing.title,
        f"{len(pages)} pages at full size, row / column; pages without a line are left out",
        f"neighbours show the same {paper.overlap_mm:g} mm: cut one along its frame, its corners on the other's crosses",
        "measure both lines of 100 mm on a page before anything is stuck down or cut",
    )
    for k, text in enumerate(rows):
        plain.words(Words("TEXT", text, (20.0, high - 15.0 - 6.0 * k), 2.6))
    pdf.showPage()

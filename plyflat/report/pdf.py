"""The job sheet for the printer: the same page, walked from top to bottom and set on sheets.

There is no second wording: headings, sentences, lists, tables and pictures are those of the HTML report, in its order.
"""

from __future__ import annotations

import base64
import io
import itertools
import re
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ..export.paper import POINT_PER_MM, SHEETS_MM
from .style import FAINT, INK

if TYPE_CHECKING:
    from lxml.html import HtmlElement
    from reportlab.lib.styles import ParagraphStyle
    from reportlab.platypus import Flowable, KeepTogether, Paragraph

#: Sheets it is set on; plans for larger sheets are read off A4 all the same.
SHEETS = ("A4", "Letter")
PLAIN, BOLD, MONO = "DejaVuSans", "DejaVuSans-Bold", "DejaVuSansMono"
_MARGIN_MM, _FOOT_MM = 15.0, 9.0
#: The largest picture: two to a sheet, their words about as large as the text.
_PICTURE_MM = (112.0, 170.0)
#: Between two pictures side by side, each half as wide as the text: their words are still seven points high.
_BETWEEN_MM = 6.0
#: Pictures taller than this, times their width, are set in parts: shrunk to one sheet their words would be too small.
_TALLEST = 1.8
#: Grey above which a row of pixels is blank, of 255.
_WHITE = 250
#: Type sizes tried in a table until its longest words fit.
_SIZES_PT = (8.5, 8.0, 7.5, 7.0, 6.5, 6.0)
_TEXT_PT, _HEAD_PT = 9.5, {1: 18.0, 2: 14.0, 3: 11.5, 4: 10.0}
#: A heading goes to the next sheet rather than stand with less than this below it, mm.
_BELOW_MM = {1: 60.0, 2: 60.0, 3: 40.0, 4: 30.0}
_CELL_PT, _FOOT_PT = 4.0, 7.5
_PADDINGS = ("LEFTPADDING", "RIGHTPADDING", "TOPPADDING", "BOTTOMPADDING")
_UNIT = re.compile(r"(?<=\d) (?=(?:%|[^\W\d]{1,3}[²³]?)(?:\W|$))")
#: No more headings and paragraphs go to the next sheet with a picture.
_HELD = 5


def write_report_pdf(page: str, path: Path, *, sheet: str = "A4") -> int:
    """Write the job sheet as a PDF with page numbers, contents and bookmarks.

    Parameters
    ----------
    page : str
        The report as `report_html` returns it.
    path : Path
    sheet : str
        "A4" or "Letter"; A4 for everything else that a job may name.

    Returns
    -------
    int
        Number of pages. The same page gives the same bytes.
    """
    import lxml.html

    known_fonts()
    tree = lxml.html.document_fromstring(page)
    size_mm = SHEETS_MM[sheet if sheet in SHEETS else "A4"]
    # First without pictures, which take the most time, to learn on which page everything stands.
    found = _build(io.BytesIO(), tree, size_mm, Places(), pictures=False)
    with _binary():
        found = _build(str(path), tree, size_mm, found, pictures=True)
    return found.pages


@dataclass(frozen=True)
class Places:
    """Where the headings of a sheet stand.

    Attributes
    ----------
    at : dict
        Page by key of the heading.
    pages : int
    """

    at: dict[str, int] = field(default_factory=dict)
    pages: int = 0


def _build(target: Any, tree: HtmlElement, size_mm: tuple[float, float], known: Places, *, pictures: bool) -> Places:
    """Set the sheet, with page numbers from the time before; return where everything stands now."""
    document = _document(target, size_mm, tree.findtext(".//title"), known.pages)
    document.build(_spaced([*_Setter(document.width, known.at, pictures=pictures).walk(tree.body)]))
    return Places(document.at, int(document.page))


@contextmanager
def _binary() -> Iterator[None]:
    """Pictures as bytes and not as text, a quarter larger and slow to write."""
    from reportlab import rl_config

    before = rl_config.useA85
    rl_config.useA85 = 0
    try:
        yield
    finally:
        rl_config.useA85 = before


def known_fonts() -> None:
    """Make fonts known that have more than the letters of western Europe; they come with matplotlib."""
    from matplotlib import get_data_path
    from reportlab.lib.fonts import addMapping
    from reportlab.pdfbase import pdfmetrics
    from reportlab.pdfbase.ttfonts import TTFont

    for name in (PLAIN, BOLD, MONO):
        if name not in pdfmetrics.getRegisteredFontNames():
            pdfmetrics.registerFont(TTFont(name, Path(get_data_path()) / "fonts" / "ttf" / f"{name}.ttf"))
    for bold in (0, 1):
        for slanted in (0, 1):
            addMapping(PLAIN, bold, slanted, BOLD if bold else PLAIN)


def _document(target: Any, size_mm: tuple[float, float], title: str, pages: int) -> Any:
    """An empty document that numbers its pages and notes where its headings come to stand."""
    from reportlab.platypus import BaseDocTemplate, Frame, PageTemplate

    class Document(BaseDocTemplate):
        """Bookmarks its headings."""

        def afterFlowable(self, flowable: Flowable) -> None:
            level = getattr(flowable, "heading_level", 0)
            if level:
                self.at[flowable.heading_key] = self.page
                self.canv.bookmarkPage(flowable.heading_key)
                self.canv.addOutlineEntry(flowable.getPlainText(), flowable.heading_key, min(level, 3) - 1, closed=level > 1)

    wide, high = (mm * POINT_PER_MM for mm in size_mm)
    margin, foot = _MARGIN_MM * POINT_PER_MM, _FOOT_MM * POINT_PER_MM
    document = Document(
        target, pagesize=(wide, high), leftMargin=margin, rightMargin=margin, topMargin=margin, bottomMargin=margin + foot,
        title=title, lang="en", invariant=1,
    )  # fmt: skip
    document.at = {}
    frame = Frame(margin, margin + foot, wide - 2 * margin, high - 2 * margin - foot, 0, 0, 0, 0)

    def footer(canvas: Any, filled: Any) -> None:
        canvas.setFont(PLAIN, _FOOT_PT)
        canvas.setFillColor(INK)
        number = f"page {filled.page} of {pages}"
        canvas.drawRightString(wide - margin, margin, number)
        canvas.drawString(margin, margin, _cut(title, wide - 2 * margin - canvas.stringWidth(number, PLAIN, _FOOT_PT) - 12, canvas))

    document.addPageTemplates([PageTemplate("sheet", [frame], onPage=footer)])
    return document


def _cut(text: str, room: float, canvas: Any) -> str:
    """As much of a title as a footer holds; the whole of it stands on the first page."""
    while canvas.stringWidth(text, PLAIN, _FOOT_PT) > room:
        text = text.removesuffix("…")[:-1] + "…"
    return text


def _spaced(story: Sequence[Flowable]) -> list[Flowable]:
    """Headings, and the sentences under them, kept with a picture that follows; else with some of what follows."""
    from reportlab.platypus import CondPageBreak, KeepTogether, Paragraph

    out: list[Flowable] = []
    held: list[Flowable] = []

    def let_go() -> None:
        if held:
            out.append(CondPageBreak(_BELOW_MM[held[0].heading_level] * POINT_PER_MM))
            out.extend(held)
            held.clear()

    for flowable in story:
        if getattr(flowable, "heading_level", 0):
            if any(not getattr(q, "heading_level", 0) for q in held):
                let_go()
            held.append(flowable)
        elif held and isinstance(flowable, KeepTogether):
            out.append(KeepTogether([*held, *flowable._content]))
            held.clear()
        elif held and isinstance(flowable, Paragraph) and len(held) < _HELD:
            held.append(flowable)
        else:
            let_go()
            out.append(flowable)
    let_go()
    return out


class _Setter:
    """Turns elements of the page into what is set on sheets.

    Parameters
    ----------
    width : float
        Of the text, points.
    at : dict
        Page of each heading by its key, as far as known.
    pictures : bool
        Whether to draw pictures, or leave the room they take.
    """

    def __init__(self, width: float, at: dict[str, int], *, pictures: bool) -> None:
        self.width, self.at, self.pictures = width, at, pictures
        self.headings = 0
        self.text = _style("text", _TEXT_PT, spaceAfter=5)
        self.plain, self.page = _style("contents", _TEXT_PT), _style("page", _TEXT_PT, alignment=2)
        self.caption = _style("caption", 8.5, spaceAfter=4)

    def walk(self, element: HtmlElement) -> Iterator[Flowable]:
        """Yield an element's children, set."""
        figures: list[HtmlElement] = []
        for child in element:
            if child.tag == "figure":
                figures.append(child)
                continue
            yield from self._figures(figures)
            figures = []
            if child.tag in ("section", "main", "header", "details"):
                yield from self.walk(child)
            elif child.tag in ("h1", "h2", "h3", "h4"):
                yield self._heading(child, int(child.tag[1]))
            elif child.tag in ("p", "summary"):
                yield _paragraph(_words(child), self.caption if child.get("class") in ("elsewhere", "small") else self.text)
            elif child.tag in ("ul", "ol"):
                yield from self._list(child)
            elif child.tag == "nav":
                yield from self._contents(element)
            elif child.tag == "div" and child.get("class", "").startswith("figures"):
                yield from self.walk(child)
            elif child.tag == "div":
                yield from self._table(child.find("table"))
        yield from self._figures(figures)

    def _heading(self, element: HtmlElement, level: int) -> Paragraph:
        size = _HEAD_PT[level]
        style = _style(f"h{level}", size, fontName=BOLD, spaceBefore=0.9 * size, spaceAfter=0.35 * size)
        set_ = _paragraph(_words(element), style)
        self.headings += 1
        set_.heading_level, set_.heading_key = level, f"h{self.headings}"
        return set_

    def _list(self, element: HtmlElement) -> Iterator[Flowable]:
        from reportlab.platypus import Paragraph

        style = _style("item", _TEXT_PT, spaceAfter=3, leftIndent=21, bulletIndent=1)
        for number, item in enumerate(element, start=1):
            mark = f"{number}." if element.tag == "ol" else "\N{BULLET}"
            yield Paragraph(_words(item), style, bulletText=mark)

    def _contents(self, element: HtmlElement) -> Iterator[Flowable]:
        """The parts of the sheet with their pages, in place of the links to them."""
        from reportlab.platypus import KeepTogether, Table

        keys = (f"h{n}" for n in itertools.count(1))
        heads = [(h, next(keys)) for h in element.getroottree().iter("h1", "h2", "h3", "h4")]
        rows = [
            [_paragraph(f'<a href="#{key}">{_words(h)}</a>', self.plain), _paragraph(str(self.at.get(key, "")), self.page)]
            for h, key in heads if h.tag == "h2"
        ]  # fmt: skip
        table = Table(rows, colWidths=[0.5 * self.width, 30.0], hAlign="LEFT", style=[
            ("LEFTPADDING", (0, 0), (-1, -1), 0), ("TOPPADDING", (0, 0), (-1, -1), 1), ("BOTTOMPADDING", (0, 0), (-1, -1), 1),
            ("LINEBELOW", (0, 0), (-1, -1), 0.3, FAINT),
        ])  # fmt: skip
        yield KeepTogether([table])

    def _figures(self, elements: Sequence[HtmlElement]) -> Iterator[Flowable]:
        """Pictures that follow each other, two side by side; so are the parts of a tall one."""
        from reportlab.platypus import KeepTogether

        waits: list[list[Flowable]] = []
        for element in elements:
            shown = [part for img in element.iter("img") for part in _images(img.get("src"), drawn=self.pictures)]
            caption = _paragraph(_words(element.find("figcaption")), self.caption)
            if len(shown) == 1:
                waits.append([*shown, caption])
            if len(waits) == 2 or len(shown) > 1:
                yield from self._beside(waits)
                waits = []
            if len(shown) > 1:
                *before, last = self._beside([[part] for part in shown])
                yield from before
                yield KeepTogether([*last._content, caption])
        yield from self._beside(waits, alone=len(elements) == 1)

    def _beside(self, cells: Sequence[list[Flowable]], *, alone: bool = True) -> Iterator[KeepTogether]:
        """Pictures with their words, two and two beside each other; one that stands alone as large as is of use."""
        from reportlab.platypus import KeepTogether, Table

        between = _BETWEEN_MM * POINT_PER_MM
        half = (self.width - between) / 2
        for k in range(0, len(cells), 2):
            pair = cells[k : k + 2]
            if len(cells) == 1 and alone:
                yield KeepTogether(pair[0])
                continue
            for cell in pair:
                _scaled(cell[0], half)
            style = [("VALIGN", (0, 0), (-1, -1), "TOP"), *((side, (0, 0), (-1, -1), 0) for side in _PADDINGS)]
            widths = [half + between, half][: len(pair)]
            yield KeepTogether([Table([pair], colWidths=widths, hAlign="LEFT", spaceBefore=6, style=style)])

    def _table(self, element: HtmlElement) -> Iterator[Flowable]:
        from reportlab.platypus import Spacer, Table

        heads = element.findall("thead/tr/th")
        right = [th.get("class") == "n" for th in heads]
        body = [[units_kept(_words(cell)) for cell in row] for row in element.findall("tbody/tr")]
        cells = [[_words(th) for th in heads], *body]
        size, widths = _columns(cells, self.width)
        styles = [[_style(f"{name}{k}", size, fontName=font, alignment=2 * k) for k in (0, 1)]
                  for name, font in (("cell", PLAIN), ("head", BOLD))]  # fmt: skip
        rows = [[_paragraph(words, styles[n == 0][right[k]]) for k, words in enumerate(row)] for n, row in enumerate(cells)]
        title = _paragraph(_words(element.find("caption")), _style("title", 9.0, fontName=BOLD))
        top: list[Any] = [title, *[""] * (len(heads) - 1)]
        yield Table(
            [top, *rows], colWidths=widths, repeatRows=2, splitInRow=1, hAlign="LEFT", spaceBefore=5,
            style=[
                ("SPAN", (0, 0), (-1, 0)), ("VALIGN", (0, 0), (-1, -1), "TOP"), ("LEFTPADDING", (0, 0), (-1, -1), 0),
                ("RIGHTPADDING", (0, 0), (-1, -1), 2 * _CELL_PT), ("TOPPADDING", (0, 0), (-1, -1), 2),
                ("BOTTOMPADDING", (0, 0), (-1, -1), 2.5), ("LINEBELOW", (0, 1), (-1, 1), 1.2, INK),
                ("LINEBELOW", (0, 2), (-1, -1), 0.3, FAINT),
            ],
        )  # fmt: skip
        yield Spacer(1, 8)


def _style(name: str, size: float, **more: Any) -> ParagraphStyle:
    from reportlab.lib.styles import ParagraphStyle

    look = {"fontName": PLAIN, "leading": 1.3 * size, "textColor": INK, "splitLongWords": 1, **more}
    return ParagraphStyle(name, fontSize=size, **look)


def _paragraph(words: str, style: ParagraphStyle) -> Any:
    from reportlab.platypus import Paragraph

    return Paragraph(words, style)


def _words(element: HtmlElement) -> str:
    """An element's words as reportlab marks them up: places bold, all else plain."""
    parts = [escape(element.text or "", quote=False)]
    for child in element:
        inner = _words(child)
        parts += [f"<b>{inner}</b>" if child.get("class") == "where" else inner, escape(child.tail or "", quote=False)]
    return "".join(parts)


def units_kept(words: str) -> str:
    """Numbers in one piece, with the units after them."""
    return _UNIT.sub("\N{NO-BREAK SPACE}", words.replace("\N{NARROW NO-BREAK SPACE}", "\N{NO-BREAK SPACE}"))


def _images(source: str, *, drawn: bool) -> Iterator[Flowable]:
    """A picture out of its data address, as large as is of use; one too tall for that in parts, parted where it is blank."""
    from PIL import Image as Read
    from reportlab.platypus import Image

    png = base64.b64decode(source.partition(",")[2])
    with Read.open(io.BytesIO(png)) as whole:
        for part in _parts(whole) if whole.height > _TALLEST * whole.width else [png]:
            shown = Image(io.BytesIO(part), hAlign="LEFT")
            share = min(mm * POINT_PER_MM / px for mm, px in zip(_PICTURE_MM, (shown.imageWidth, shown.imageHeight)))
            shown.drawWidth, shown.drawHeight = share * shown.imageWidth, share * shown.imageHeight
            shown.spaceBefore = 6
            if not drawn:
                shown.draw = _nothing
            yield shown


def _scaled(image: Any, width: float) -> None:
    """Make a picture smaller until it is no wider than a number of points."""
    share = min(width / image.drawWidth, 1.0)
    image.drawWidth, image.drawHeight = share * image.drawWidth, share * image.drawHeight


def _nothing() -> None:
    """Draw nothing."""


def _parts(picture: Any) -> Iterator[bytes]:
    """Cut a tall picture in the middle of its widest blank bands into parts that a sheet holds."""
    import numpy as np

    blank = np.flatnonzero((np.asarray(picture.convert("L")) > _WHITE).all(axis=1))
    tallest = int(picture.width * _PICTURE_MM[1] / _PICTURE_MM[0])
    top = 0
    while picture.height - top > tallest:
        rows = blank[(blank > top + tallest // 3) & (blank < top + tallest)]
        bands = np.split(rows, np.flatnonzero(np.diff(rows) > 1) + 1)
        widest = max(bands, key=len)
        cut = int(widest[len(widest) // 2]) if len(widest) else top + tallest
        yield _png(picture.crop((0, top, picture.width, cut)))
        top = cut
    yield _png(picture.crop((0, top, picture.width, picture.height)))


def _png(picture: Any) -> bytes:
    out = io.BytesIO()
    picture.save(out, "PNG", compress_level=1)
    return out.getvalue()


def _columns(cells: Sequence[Sequence[str]], width: float) -> tuple[float, list[float]]:
    """Type size and widths of a table's columns: every word whole if a type that can be read allows that."""
    for size in _SIZES_PT:
        least, most = zip(*(_reach([row[k] for row in cells], size) for k in range(len(cells[0]))))
        if sum(most) <= width:
            spare = (width - sum(most)) / sum(most)
            return size, [w * (1 + min(spare, 0.5)) for w in most]
        if sum(least) <= width:
            return size, _shared(least, most, width)
    # Words that are too long even so are parted.
    return size, [width * a / sum(least) for a in least]


def _shared(least: Sequence[float], most: Sequence[float], width: float) -> list[float]:
    """Widths between the least and the most that fill a width: short columns get all they want, long ones share the rest evenly."""
    low, high = 0.0, max(most)
    for _ in range(40):
        level = 0.5 * (low + high)
        low, high = (level, high) if sum(min(max(level, a), b) for a, b in zip(least, most)) <= width else (low, level)
    return [min(max(low, a), b) for a, b in zip(least, most)]


def _reach(column: Sequence[str], size: float) -> tuple[float, float]:
    """Width of a column's longest word, and of its longest cell, with the room beside it."""
    from html import unescape

    from reportlab.pdfbase.pdfmetrics import stringWidth

    room = 2 * _CELL_PT + 0.5
    plain = [unescape(words) for words in column]
    fonts = [BOLD, *[PLAIN] * (len(plain) - 1)]
    words = [stringWidth(word, font, size) for cell, font in zip(plain, fonts) for word in re.split(r"[ \n]+", cell)]
    whole = [stringWidth(cell, font, size) for cell, font in zip(plain, fonts)]
    return max(words, default=0.0) + room, max(whole) + room

"""The sheets to work from on paper: one page for each region as long as its words fit at a size that can be read.

There is no second wording: steps, cautions and fields are those of `sheets`. A page is set in two columns that are read one
after the other, at the largest type of a few that needs the fewest pages; its head is repeated on every page.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ..export.paper import POINT_PER_MM, SHEETS_MM
from .pdf import BOLD, MONO, PLAIN, SHEETS, known_fonts, units_kept
from .sheets import CAUTION, TICK, Blank, Sheet, Stage, record_line, sheets
from .style import INK

if TYPE_CHECKING:
    from reportlab.lib.styles import ParagraphStyle
    from reportlab.platypus import Flowable

    from ..planned import Plan

#: Type sizes tried, the largest first; nothing smaller can be read at arm's length in a shop.
SIZES_PT = (9.5, 9.25, 9.0, 8.75, 8.5, 8.25, 8.0)
_MARGIN_MM, _BETWEEN_MM = 10.0, 6.0
_TITLE_PT, _HEAD_PT = 12.0, 8.0
#: Lines of type from one to the next, and room that a field leaves to write in, as multiples of the type's size.
_LEADING, _ROOM = 1.16, 2.4
#: Letters of an entry of a list that is not parted at the end of a line.
_SHORT = 24
#: Share of a column that a field leaves to write in.
_WRITE = 0.36


@dataclass(frozen=True)
class Set:
    """How one region is set.

    Attributes
    ----------
    size_pt : float
    pages : int
    """

    size_pt: float
    pages: int


def write_sheets_pdf(plan: Plan, path: Path, *, sheet: str = "A4") -> tuple[Set, ...]:
    """Write the sheets of all regions into one PDF to print.

    Parameters
    ----------
    plan : Plan
        One with a day.
    path : Path
    sheet : str
        "A4" or "Letter"; A4 for everything else that a job may name.

    Returns
    -------
    tuple of Set
        Type size and number of pages of each region. The same plan gives the same bytes.
    """
    known_fonts()
    size_mm = SHEETS_MM[sheet if sheet in SHEETS else "A4"]
    told = [_Told(s, record_line(plan, s.region)) for s in sheets(plan)]
    chosen = tuple(_chosen(q, size_mm) for q in told)
    _build(str(path), plan.job.name, size_mm, list(zip(told, chosen)))
    return chosen


@dataclass(frozen=True)
class _Told:
    """A sheet, and the line that says how to record it."""

    sheet: Sheet
    record: str


def _chosen(told: _Told, size_mm: tuple[float, float]) -> Set:
    """The largest type that takes no more pages than the smallest does."""
    least = _build(io.BytesIO(), "", size_mm, [(told, Set(SIZES_PT[-1], 1))])
    for size in SIZES_PT[:-1]:
        if _build(io.BytesIO(), "", size_mm, [(told, Set(size, 1))]) <= least:
            return Set(size, least)
    return Set(SIZES_PT[-1], least)


def _build(target: Any, title: str, size_mm: tuple[float, float], regions: Sequence[tuple[_Told, Set]]) -> int:
    """Set regions one after another, each from a new page, and return the number of pages."""
    from reportlab.platypus import BaseDocTemplate, NextPageTemplate, PageBreak

    wide, high = (mm * POINT_PER_MM for mm in size_mm)
    document = BaseDocTemplate(target, pagesize=(wide, high), title=title, lang="en", invariant=1, allowSplitting=1)
    story: list[Flowable] = []
    first = 1
    for k, (told, how) in enumerate(regions):
        document.addPageTemplates([_page(f"sheet {k}", told, how, (wide, high), first)])
        if k:
            story += [NextPageTemplate(f"sheet {k}"), PageBreak()]
        story += _story(told.sheet, how.size_pt)
        first += how.pages
    document.build(story)
    return int(document.page)


def _page(name: str, told: _Told, how: Set, size_pt: tuple[float, float], first: int) -> Any:
    """Two columns under the head of a region; `first` is the page on which it begins."""
    from reportlab.platypus import Frame, PageTemplate

    wide, high = size_pt
    margin, between = _MARGIN_MM * POINT_PER_MM, _BETWEEN_MM * POINT_PER_MM
    width = wide - 2 * margin
    heads = [_head_line(told, ""), _paragraph(escape(told.record), _style("record", _HEAD_PT))]
    deep = sum(q.wrap(width, high)[1] for q in heads) + 5.0
    column = (width - between) / 2
    frames = [
        Frame(x, margin, column, high - 2 * margin - deep, 0, 0, 0, 0, id=f"{name} {n}")
        for n, x in enumerate((margin, margin + column + between))
    ]

    def head(canvas: Any, filled: Any) -> None:
        of = f"{filled.page - first + 1} of {how.pages}" if how.pages > 1 else ""
        top = high - margin
        for q in (_head_line(told, of), heads[1]):
            top -= q.wrap(width, high)[1]
            q.drawOn(canvas, margin, top)
        canvas.setStrokeColor(INK)
        canvas.setLineWidth(1.2)
        canvas.line(margin, top - 2.5, wide - margin, top - 2.5)
        canvas.setLineWidth(0.3)
        canvas.line(wide / 2, margin, wide / 2, top - 6.0)
        if filled.page == first:
            canvas.bookmarkPage(name)
            canvas.addOutlineEntry(told.sheet.region, name, 0)

    return PageTemplate(name, frames, onPage=head)


def _head_line(told: _Told, of: str) -> Any:
    """Region and job, and which page it is where there are several."""
    region, job = escape(told.sheet.region), escape(told.sheet.title)
    which = f", {of}" if of else ""
    words = f'<font name="{BOLD}" size="{_TITLE_PT}">{region}{which}</font> &nbsp; {job}'
    return _paragraph(words, _style("head", 9.0, leading=1.2 * _TITLE_PT))


def _story(sheet: Sheet, size: float) -> list[Flowable]:
    """Stages in their order; a heading stays with what comes first under it."""
    from reportlab.platypus import KeepTogether

    out: list[Flowable] = []
    for number, stage in enumerate(sheet.stages, start=1):
        head, *rest = _stage(number, stage, size)
        out += [KeepTogether([head, *rest[:2]]), *rest[2:]]
    return out


def _stage(number: int, stage: Stage, size: float) -> list[Flowable]:
    head = _style("stage", size + 0.5, fontName=BOLD, spaceBefore=0.45 * size, spaceAfter=0.1 * size, borderPadding=0)
    do = _style("do", size, leftIndent=1.5 * size, spaceAfter=0.12 * size)
    care = _style("care", size, leftIndent=1.5 * size, spaceAfter=0.12 * size, bulletFontName=BOLD)
    singles = stage.boxes[: len(stage.boxes) - stage.run]
    run = stage.boxes[len(singles) :]
    out = [_paragraph(f"{number}. {escape(stage.name)}", head)]
    out += [_marked(CAUTION, line, care) for line in stage.cautions]
    out += [_marked(TICK, box, do) for box in singles]
    if run:
        ticks = "; ".join(f"{TICK}&nbsp;{_together(escape(box))}" for box in run)
        out.append(_paragraph(ticks, _style("run", size, leftIndent=1.5 * size, spaceAfter=0.12 * size)))
    return out + [_field(blank, size) for blank in stage.blanks]


def _together(words: str) -> str:
    """Short words of a list in one piece, longer ones parted where they may be."""
    return words.replace(" ", "&nbsp;") if len(words) <= _SHORT else units_kept(words)


def _marked(mark: str, words: str, style: ParagraphStyle) -> Any:
    from reportlab.platypus import Paragraph

    return Paragraph(units_kept(escape(words)), style, bulletText=mark)


def _field(blank: Blank, size: float) -> Flowable:
    """What to write down, its key and what is planned; a line to write on beside them."""
    from reportlab.platypus import Table

    key = f'<font name="{MONO}">{escape(blank.key)}</font>'
    planned = f"planned {units_kept(escape(blank.expected))}" if blank.expected else f"such as {units_kept(escape(blank.example))}"
    words = _paragraph(f"{escape(blank.words)}<br/>{key} &nbsp;{planned}", _style("field", size))
    table = Table(
        [[words, ""]], colWidths=[f"{100 * (1 - _WRITE):g}%", f"{100 * _WRITE:g}%"], minRowHeights=[_ROOM * size],
        style=[
            ("VALIGN", (0, 0), (-1, -1), "BOTTOM"), ("LEFTPADDING", (0, 0), (-1, -1), 0), ("RIGHTPADDING", (0, 0), (-1, -1), 3),
            ("TOPPADDING", (0, 0), (-1, -1), 0.5), ("BOTTOMPADDING", (0, 0), (-1, -1), 1.0), ("LINEBELOW", (1, 0), (1, 0), 0.9, INK),
        ],
    )  # fmt: skip
    return table


def _style(name: str, size: float, **more: Any) -> ParagraphStyle:
    from reportlab.lib.styles import ParagraphStyle

    look = {"fontName": PLAIN, "leading": _LEADING * size, "textColor": INK, "splitLongWords": 1, "bulletFontSize": size, "bulletFontName": PLAIN, **more}
    return ParagraphStyle(name, fontSize=size, **look)


def _paragraph(words: str, style: ParagraphStyle) -> Any:
    from reportlab.platypus import Paragraph

    return Paragraph(words, style)

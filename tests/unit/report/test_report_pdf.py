"""The job sheet for the printer: nothing left out, nothing cut off, pages that say where they are."""

import base64
import io
import re
from collections import Counter
from dataclasses import replace

import lxml.html
import numpy as np
import pytest
import stacks
from PIL import Image
from pypdf import PdfReader
from test_report_page import dot

from plyflat.export.paper import POINT_PER_MM, SHEETS_MM
from plyflat.planned import Caution, Check
from plyflat.report import pdf
from plyflat.report.page import report_html
from plyflat.report.pdf import write_report_pdf


def picture(wide, high):
    out = io.BytesIO()
    Image.new("RGB", (wide, high), "navy").save(out, "PNG")
    return out.getvalue()


@pytest.fixture(scope="module")
def page(tmp_path_factory):
    plan = stacks.make(tmp_path_factory.mktemp("job"))
    name = plan.regions[0].name
    shown = (
        replace(dot("hull", "hull", name), png=picture(900, 700)), replace(dot("lay", "lay", "carbon twill 200", "1"), png=picture(600, 500)),
    )  # fmt: skip
    long = tuple(Caution(f"warning number {k} of many, with words enough to fill more than a line of the sheet", f"place {k}") for k in range(60))
    many = tuple(Check(f"check number {k} of many", 0.0, 1.0, "mm") for k in range(120))
    return report_html(replace(plan, cautions=(*plan.cautions, *long), checks=(*plan.checks, *many)), shown, paper=True)


@pytest.fixture(scope="module")
def printed(page, tmp_path_factory):
    path = tmp_path_factory.mktemp("print") / "report.pdf"
    count = write_report_pdf(page, path)
    reader = PdfReader(path)
    assert len(reader.pages) == count > 6
    return reader


def words(text):
    return Counter(re.split(r"\s+", text.replace("\N{NO-BREAK SPACE}", " ")))


def said(page):
    """The words of the page that are seen, the links of its contents left out."""
    body = lxml.html.document_fromstring(page).body
    for nav in body.findall(".//nav"):
        nav.drop_tree()
    return words(" ".join(body.itertext()).replace("\N{NARROW NO-BREAK SPACE}", " "))


def test_every_word_of_the_page_is_printed(page, printed):
    found = words(" ".join(p.extract_text() for p in printed.pages))
    missing = said(page) - found
    # A word too long for its column is parted: its letters are there all the same.
    letters = "".join(re.sub(r"\s", "", p.extract_text()) for p in printed.pages)
    assert [w for w in missing if w not in letters] == []
    assert missing.total() < 0.01 * said(page).total()


def test_nothing_stands_outside_the_margins(printed):
    wide, high = (mm * POINT_PER_MM for mm in SHEETS_MM["A4"])
    margin = pdf._MARGIN_MM * POINT_PER_MM
    for sheet in printed.pages:
        assert [float(c) for c in sheet.mediabox] == pytest.approx([0, 0, wide, high], abs=0.01)
        places = []
        sheet.extract_text(visitor_text=lambda text, cm, tm, font, size, places=places: places.append((text, cm, tm, size)))
        for text, cm, tm, _ in places:
            if text.strip():
                x, y = tm[4] * cm[0] + tm[5] * cm[2] + cm[4], tm[4] * cm[1] + tm[5] * cm[3] + cm[5]
                assert margin - 1 < x < wide - margin, text
                assert margin - 1 < y < high - margin, text


def test_pages_are_numbered_and_the_contents_point_at_them(printed):
    text = [p.extract_text() for p in printed.pages]
    for k, sheet in enumerate(text, start=1):
        assert f"page {k} of {len(text)}" in sheet
    flat = " ".join(" ".join(t.split()) for t in text)
    for heading in ("Order of working", "Lays", "Quantities", "Bin", "Checks and repairs"):
        told = int(re.search(rf"{heading} (\d+) ", flat).group(1))
        here = [n for n, t in enumerate(text, start=1) if re.search(rf"^{heading}$", t, re.M)]
        assert told in here


def test_bookmarks_are_the_headings(page, printed):
    def titles(items):
        for item in items:
            if isinstance(item, list):
                yield from titles(item)
            else:
                yield item.title

    body = lxml.html.document_fromstring(page).body
    heads = [" ".join(h.text_content().split()) for h in body.iter("h1", "h2", "h3", "h4")]
    assert list(titles(printed.outline)) == heads


def test_pictures_are_inside_and_keep_their_shape(printed):
    shown = [image for sheet in printed.pages for image in sheet.images]
    assert sorted(i.image.size for i in shown) == [(600, 500), (900, 700)]
    assert all(i.image.convert("RGB").getpixel((5, 5)) == (0, 0, 128) for i in shown)


def test_a_tables_head_stands_on_every_sheet_it_runs_over(printed):
    text = [p.extract_text() for p in printed.pages]
    first = next(k for k, t in enumerate(text) if "Check number 0 of" in t)
    last = next(k for k, t in enumerate(text) if "Check number 119 of" in t)
    assert last > first + 1
    for sheet in text[first : last + 1]:
        assert "passed by" in sheet


def test_letter_and_the_same_bytes_again(tmp_path):
    page = "<html><head><title>a < b</title></head><body><h1>a &lt; b</h1><p>x &amp; <span class='where'>y</span></p></body></html>"
    for name in ("one", "two"):
        write_report_pdf(page, tmp_path / name, sheet="Letter")
    assert (tmp_path / "one").read_bytes() == (tmp_path / "two").read_bytes()
    sheet = PdfReader(tmp_path / "one").pages[0]
    assert [float(c) for c in sheet.mediabox][2:] == pytest.approx([612, 792], abs=0.01)
    assert "x & y" in sheet.extract_text()


def test_a_job_that_asks_for_other_sheets_is_read_off_a4(tmp_path):
    page = "<html><head><title>t</title></head><body><p>x</p></body></html>"
    for sheet in ("A3", "none"):
        write_report_pdf(page, tmp_path / "out.pdf", sheet=sheet)
        size = [float(c) for c in PdfReader(tmp_path / "out.pdf").pages[0].mediabox][2:]
        assert size == pytest.approx([mm * POINT_PER_MM for mm in SHEETS_MM["A4"]], abs=0.01)


def test_a_cell_longer_than_a_sheet_goes_on_overleaf(tmp_path):
    long = " ".join(f"word{k}" for k in range(4000))
    table = f"<div><table><caption>c</caption><thead><tr><th>h</th><th class='n'>n</th></tr></thead><tbody><tr><th>a</th><td>{long}</td></tr></tbody></table></div>"
    count = write_report_pdf(f"<html><head><title>t</title></head><body>{table}</body></html>", tmp_path / "out.pdf")
    text = " ".join(p.extract_text() for p in PdfReader(tmp_path / "out.pdf").pages)
    assert count > 1
    assert set(long.split()) <= set(text.split())


def test_a_tall_picture_is_parted_where_it_is_blank():
    tall = np.full((3000, 1000), 255, np.uint8)
    for top in (100, 1000, 2100):
        tall[top : top + 700, 200:800] = 0
    parts = [np.asarray(Image.open(io.BytesIO(p)).convert("L")) for p in pdf._parts(Image.fromarray(tall))]
    assert (np.concatenate(parts) == tall).all()
    assert [len(p) for p in parts] == [900, 1000, 1100]
    assert all(p.shape[0] <= 1000 * pdf._PICTURE_MM[1] / pdf._PICTURE_MM[0] for p in parts)
    assert all((p[0] == 255).all() and (p[-1] == 255).all() for p in parts)


def test_numbers_stay_with_their_units():
    kept = pdf.units_kept("1\N{NARROW NO-BREAK SPACE}696 to 1983 g, 5 % of 3 m²")
    assert kept.split(" ") == ["1\xa0696\xa0to", "1983\xa0g,", "5\xa0%", "of", "3\xa0m²"]


def test_columns_never_take_more_than_the_sheet():
    pdf.known_fonts()
    for words in ("a", "w" * 40, "w" * 400):
        size, widths = pdf._columns([["head"] * 8, [words] * 8], 500.0)
        assert sum(widths) <= 500.0 + 1e-6
        assert size == (pdf._SIZES_PT[0] if words == "a" else pdf._SIZES_PT[-1])


def test_short_columns_get_all_they_want_and_long_ones_share_the_rest():
    widths = pdf._shared([10.0, 20.0, 20.0, 30.0], [15.0, 400.0, 25.0, 300.0], 240.0)
    assert sum(widths) == pytest.approx(240.0, abs=1e-6)
    assert (widths[0], widths[2]) == (15.0, 25.0)
    assert widths[1] == pytest.approx(widths[3]) == pytest.approx(100.0)


def figures(*sizes):
    """A page with pictures that follow each other, each with its number for words."""
    marks = [
        f'<figure><img src="data:image/png;base64,{base64.b64encode(picture(*size)).decode()}" alt=""><figcaption>figure{k}</figcaption></figure>'
        for k, size in enumerate(sizes)
    ]
    return f"<html><head><title>t</title></head><body>{''.join(marks)}</body></html>"


def stood(path):
    """Left edge, foot and width of every picture, points, sheet by sheet in order of drawing."""
    out = []
    for sheet in PdfReader(path).pages:

        def seen(operator, operands, cm, _):
            if operator == b"Do":
                out.append((cm[4], cm[5], cm[0]))

        sheet.extract_text(visitor_operand_before=seen)
    return out


def test_two_pictures_stand_beside_each_other_and_a_third_below_as_wide(tmp_path):
    assert write_report_pdf(figures((900, 700), (700, 900), (900, 700)), tmp_path / "out.pdf") == 1
    (left, foot, wide), (right, low, narrow), (last, below, same) = stood(tmp_path / "out.pdf")
    between = pdf._BETWEEN_MM * POINT_PER_MM
    assert right - (left + wide) == pytest.approx(between, abs=0.1)
    assert wide == pytest.approx(narrow, abs=0.1)
    # Their heads are level; the higher one reaches farther down.
    assert foot + wide * 700 / 900 == pytest.approx(low + narrow * 900 / 700, abs=0.5)
    assert last == pytest.approx(left, abs=0.1)
    assert below < min(foot, low)
    assert same == pytest.approx(wide, abs=0.1)
    # One that stands alone is as large as is of use.
    write_report_pdf(figures((900, 700)), tmp_path / "one.pdf")
    ((_, _, large),) = stood(tmp_path / "one.pdf")
    assert large == pytest.approx(pdf._PICTURE_MM[0] * POINT_PER_MM, abs=0.1)


def test_the_parts_of_a_tall_picture_stand_beside_each_other(tmp_path):
    write_report_pdf(figures((500, 1400)), tmp_path / "out.pdf")
    (left, _, wide), (right, _, _) = stood(tmp_path / "out.pdf")
    assert right > left + wide

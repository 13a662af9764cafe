"""The sheets to work from on paper: a page for each region, nothing left out, nothing too small to read."""

import re
from dataclasses import replace

import pytest
import test_report_day
from plans import REGION
from pypdf import PdfReader
from test_report_day import PLEATS, bagged, pleat

from plyflat.daily import plan_day
from plyflat.export.paper import POINT_PER_MM
from plyflat.report.sheet_pdf import SIZES_PT, Set, write_sheets_pdf
from plyflat.report.sheets import CAUTIONS, record_line, sheets
from plyflat.shop.fields import FIELDS

plan = test_report_day.plan
LEAST_PT = 8.0


def plain(text):
    return " ".join(text.replace("\N{NO-BREAK SPACE}", " ").replace("\N{NARROW NO-BREAK SPACE}", " ").split())


def printed(plan, folder, **more):
    path = folder / "job_sheets.pdf"
    how = write_sheets_pdf(plan, path, **more)
    return how, PdfReader(path)


def with_plies(plan, count):
    """The same region with so many plies under a bag with pleats."""
    plies = tuple(replace(plan.regions[0].plies[0], name=f"P{k + 1}") for k in range(count))
    return bagged(replace(plan, regions=(replace(plan.regions[0], plies=plies),)), PLEATS)[0]


@pytest.mark.parametrize("count", [2, 4])
def test_an_ordinary_region_is_one_page_with_every_step_field_and_caution(plan, tmp_path, count):
    made = with_plies(plan, count)
    how, reader = printed(made, tmp_path)
    assert [q.pages for q in how] == [1]
    assert len(reader.pages) == 1
    text = plain(reader.pages[0].extract_text())
    (sheet,) = sheets(made)
    places = [text.index(f"{k}. {stage.name}") for k, stage in enumerate(sheet.stages, 1)]
    assert places == sorted(places)
    for stage in sheet.stages:
        for words in (*stage.boxes, *stage.cautions):
            assert plain(words) in text
        for blank in stage.blanks:
            assert plain(blank.words) in text
            assert f"{blank.key} planned {plain(blank.expected)}" in text if blank.expected else f"{blank.key} such as" in text
    assert {b.key for s in sheet.stages for b in s.blanks} == set(FIELDS)
    assert {line for s in sheet.stages for line in s.cautions} == {line for lines in CAUTIONS.values() for line in lines}
    assert text.count("\N{BALLOT BOX}") == sum(len(s.boxes) for s in sheet.stages)
    assert plain(record_line(made, REGION)) in text
    assert f"{REGION}, 1 of" not in text


def test_cautions_name_their_source():
    for lines in CAUTIONS.values():
        assert all(re.search(r"\([^()]+\)$", line) for line in lines)


def test_no_type_is_too_small_and_nothing_leaves_the_page(plan, tmp_path):
    _, reader = printed(with_plies(plan, 4), tmp_path)
    page = reader.pages[0]
    seen = []
    page.extract_text(visitor_text=lambda text, cm, tm, font, size: seen.append((text, size, tm[4] + cm[4], tm[5] + cm[5])) if text.strip() else None)
    assert min(size for _, size, _, _ in seen) >= LEAST_PT == min(SIZES_PT)
    assert (float(page.mediabox.width), float(page.mediabox.height)) == pytest.approx((210 * POINT_PER_MM, 297 * POINT_PER_MM), abs=0.1)
    margin = 10 * POINT_PER_MM
    assert all(margin - 1 <= x <= 200 * POINT_PER_MM and margin - 1 <= y <= 287 * POINT_PER_MM for _, _, x, y in seen)


def test_what_cannot_fit_goes_on_to_a_second_page_with_its_head(plan, tmp_path):
    whole, _ = bagged(plan, tuple(pleat(k, 0.1 * k, 30.0 + k, k) for k in range(1, 90)))
    how, reader = printed(whole, tmp_path)
    assert [q.pages for q in how] == [len(reader.pages)] == [2]
    texts = [plain(page.extract_text()) for page in reader.pages]
    for number, text in enumerate(texts, 1):
        assert text.startswith(f"{REGION}, {number} of 2")
        assert plain(record_line(whole, REGION)) in text
    (sheet,) = sheets(whole)
    assert sum(text.count("\N{BALLOT BOX}") for text in texts) == sum(len(s.boxes) for s in sheet.stages)


def test_each_region_begins_a_page_at_the_largest_type_that_fits(plan, tmp_path):
    second = replace(plan.regions[0], name="aft & <small>", layers=())
    regions = (plan.regions[0], second)
    day, _ = plan_day(plan.job, regions, (), (), None)
    both = replace(plan, regions=regions, day=day)
    how, reader = printed(both, tmp_path, sheet="Letter")
    assert len(reader.pages) == len(how) == 2
    # The one without a bag has less to say, so its type is larger.
    assert how[1] == Set(SIZES_PT[0], 1)
    assert how[0].size_pt < how[1].size_pt
    assert plain(reader.pages[1].extract_text()).startswith("aft & <small>")
    assert [q.title for q in reader.outline] == [REGION, "aft & <small>"]
    assert float(reader.pages[0].mediabox.width) == pytest.approx(215.9 * POINT_PER_MM, abs=0.1)


def test_the_same_plan_gives_the_same_bytes(plan, tmp_path):
    write_sheets_pdf(plan, tmp_path / "a.pdf")
    write_sheets_pdf(plan, tmp_path / "b.pdf")
    assert (tmp_path / "a.pdf").read_bytes() == (tmp_path / "b.pdf").read_bytes()

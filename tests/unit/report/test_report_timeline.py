"""The day along the clock: every step is a bar, batches are told, and the last moment stands in the picture."""

import io
from dataclasses import replace
from html import unescape

import plans
import pytest
from PIL import Image
from test_report_day import EXTRA, with_day

from plyflat.report import timeline
from plyflat.report.page import report_html
from plyflat.report.words import clock_time


@pytest.fixture(scope="module")
def plan(tmp_path_factory):
    return with_day(plans.make(tmp_path_factory.mktemp("job")), EXTRA)


def test_every_step_and_batch_is_told_by_the_clock(plan):
    whole, own = timeline.timeline_pictures(plan)
    (region,) = plan.day.regions
    assert whole.about == ("timeline", "all")
    assert own.about == ("timeline", region.name)
    for step in region.steps:
        assert f"{clock_time(region.start_min + step.start_s / 60)} {step.what}" in own.alt
    assert [f"pot life of batch {b.number}" in own.alt for b in region.batches] == [True] * len(region.batches)
    assert "09:00 to 10:09" in whole.alt
    assert "temperatures of the cure over 16.0 h" in whole.alt


def test_bars_lie_along_the_clock_and_words_keep_inside(plan):
    rows = timeline._rows(plan.day.regions[0])
    assert [r[1] for r in rows] == sorted(r[1] for r in rows)
    steps = [r for r in rows if not r[3]]
    # One step begins where the one before ends.
    assert [b[1] for b in steps[1:]] == pytest.approx([a[2] for a in steps[:-1]])
    for picture in timeline.timeline_pictures(plan):
        image = Image.open(io.BytesIO(picture.png)).convert("L")
        wide, high = image.size
        # Words that stood over an edge would blacken it.
        edges = [image.crop(box) for box in ((0, 0, 8, high), (wide - 8, 0, wide, high), (0, high - 4, wide, high))]
        assert [min(edge.tobytes()) > 200 for edge in edges] == [True] * 3
        assert min(image.tobytes()) < 100


def test_the_last_moment_is_shown_where_there_is_one(plan):
    (region,) = plan.day.regions
    assert timeline._latest(region) == pytest.approx(region.start_min + region.fit.down_by_s / 60)
    assert timeline._latest(replace(region, pull=None)) == pytest.approx(region.start_min + region.fit.open_s / 60)
    # Resin that sets before the leaks could be found leaves none, and no line before the first mix.
    assert timeline._latest(replace(region, fit=replace(region.fit, down_by_s=-60.0))) is None
    assert timeline._latest(replace(region, fit=None)) is None


def test_room_is_made_for_words_that_fit_on_neither_side():
    rows = [("long", 0.0, 10.0, False), ("end", 10.0, 20.0, False)]
    assert timeline._room(rows, 10.0, 0.3) == pytest.approx(20.0)
    assert timeline._room(rows, 10.0, 0.75) == pytest.approx(40.0)
    # Before the bar there is half of the picture.
    assert timeline._room(rows, 20.0, 0.4) == pytest.approx(20.0)


def test_they_stand_with_the_day_and_by_their_region(plan):
    pictures = tuple(timeline.timeline_pictures(plan))
    page = unescape(report_html(plan, pictures))
    assert page.index(">The day<") < page.index(pictures[0].alt) < page.index(">Clock for ") < page.index(pictures[1].alt)
    assert list(timeline.timeline_pictures(replace(plan, day=None))) == []

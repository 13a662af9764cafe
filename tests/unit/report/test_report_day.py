"""The day on the report and the sheets to work from: complete, valid, with fields that the record takes."""

import re
from dataclasses import replace
from html.parser import HTMLParser

import plans
import pytest

from plyflat.daily import plan_day
from plyflat.job.reader import job_from_text
from plyflat.report.day import day_blocks, sheets, sheets_html
from plyflat.report.page import report_html
from plyflat.shop.fields import FIELDS, read_field
from plyflat.shop.tally import ResinJob, resin_list, usual_mix

EXTRA = """
[resin]
ratio = "100:25"
part_density = "1.15 g/cm^3"
hardener_density = "0.96 g/cm^3"
fibre_mass_fraction = "60 %"
wet_out = "50 %"
pot_life = ["40 min at 20 degC", "20 min at 30 degC"]
[cure]
full = ["24 h at 20 degC", "4 h at 50 degC"]
off = "10 h at 20 degC"
plan = ["8 h at 20 degC", "6 h at 50 degC"]
glass_transition = "70 degC"
[service]
paint = "white"
[consumable.felt]
kind = "breather"
areal_weight = "150 g/m^2"
roll_width = "1 m"
roll_length = "9 m"
"""
VOID = {"meta", "br", "input"}


def with_day(plan, extra):
    layers = plan.regions[0].layers
    felt = replace(layers[0], kind="breather", material="felt", margin_mm=75.0)
    plan = replace(plan, regions=(replace(plan.regions[0], layers=(layers[0], felt, *layers[1:])),))
    job = job_from_text(plans.JOB + extra)
    resin, mix = (), None
    if job.resin:
        stated = ResinJob(1000.0, 0.5, 0.6, 0.1, job.resin.ratio, 1.0)
        resin, mix = resin_list(stated), usual_mix(stated)
    day, _ = plan_day(job, plan.regions, plan.rolls, resin, mix)
    return replace(plan, job=job, day=day)


@pytest.fixture(scope="module")
def plan(tmp_path_factory):
    return with_day(plans.make(tmp_path_factory.mktemp("job")), EXTRA)


@pytest.fixture(scope="module")
def bare(tmp_path_factory):
    felt = EXTRA[EXTRA.index("[consumable") :]
    return with_day(plans.make(tmp_path_factory.mktemp("job")), felt)


class Reader(HTMLParser):
    def __init__(self, text):
        super().__init__(convert_charrefs=True)
        self.open, self.faults, self.seen, self.words = [], [], [], []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag, attrs):
        self.seen.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag):
        if not self.open or self.open.pop() != tag:
            self.faults.append(tag)

    def handle_data(self, data):
        self.words.append(data)

    @property
    def text(self):
        return " ".join("".join(self.words).split())


def test_every_part_of_the_day_is_there_with_what_it_stands_on(plan):
    blocks = {b.title: b for b in day_blocks(plan)}
    name = plans.REGION
    assert list(blocks) == [
        f"What to mix for {name}", f"Vacuum on {name}", f"Bleed of {name}", f"Clock for {name}", "Cure", "Sun on white paint, sloped 0°",
        "What would cut the waste most", "Order, and what is left",
    ]  # fmt: skip
    for block in blocks.values():
        for table in block.tables:
            assert all(len(row) == len(table.head) for row in table.rows), table.caption
            for k, head in enumerate(table.head):
                if head.words == "stands on":
                    marks = ("derived", "published", "common practice", "from memory", "the job", "the log")
                    assert all(row[k].startswith(marks) for row in table.rows), table.caption


def test_numbers_on_the_page_are_those_of_the_plan(plan):
    text = Reader(report_html(plan, ())).text
    region = plan.day.regions[0]
    assert f"{region.mix.mixed_g.usual:.0f} (" in text
    assert f"By volume: {region.volume_ml[0]:.0f} ml of resin to {region.volume_ml[1]:.1f} ml of hardener" in text
    assert "101.3 kPa (29.9 inHg)" in text
    assert "nothing here says that anything is safe" in text
    assert "all of it, 2.1 times over" in text
    # 48 degC of white paint and 28 degC more: 76, less 30 and 10.
    assert "46 to 66 °C, if the data sheet allows it" in text


def test_the_sheet_follows_the_work_and_every_field_can_be_recorded(plan):
    (sheet,) = sheets(plan)
    names = [s.name for s in sheet.stages]
    assert names == ["Cut", "Mask", "Dry run", "Mix", "Wet out and lay", "Bag", "Pull", "Check", "Heat", "Take off"]
    blanks = [b for s in sheet.stages for b in s.blanks]
    assert {b.key for b in blanks} == set(FIELDS)
    for b in blanks:
        read_field(b.key, b.example)
    assert all(s.boxes for s in sheet.stages)


def test_quantities_stand_at_their_step(plan):
    (sheet,) = sheets(plan)
    region = plan.day.regions[0]
    boxes = {s.name: " ".join(s.boxes) for s in sheet.stages}
    grams = [float(g) for g in re.findall(r"= (\d+) g", boxes["Mix"])]
    assert sum(grams) == pytest.approx(region.mix.mixed_g.usual, abs=len(grams))
    parts = re.findall(r"([\d.]+) g resin \+ ([\d.]+) g hardener", boxes["Mix"])
    assert len(parts) == len(region.batches)
    assert all(float(resin) / float(hardener) == pytest.approx(4, rel=0.01) for resin, hardener in parts)
    for ply in region.mix.plies:
        assert f"{ply.name} on its marks, notch to notch, arrows forward and up, {ply.mixed_g.usual:.0f} g" in boxes["Wet out and lay"]
    assert "gauge 80 kPa" in boxes["Pull"]
    assert "fall at most 3.4 kPa in 60 s" in boxes["Check"]
    assert "50 °C" in boxes["Heat"]


def test_the_sheets_are_one_valid_page_without_addresses(plan):
    text = sheets_html(plan)
    page = Reader(text)
    assert page.faults == []
    assert page.open == []
    assert "http" not in text
    assert not [t for t, _ in page.seen if t in ("script", "link", "img")]
    levels = [int(t[1]) for t, _ in page.seen if re.fullmatch(r"h[1-6]", t)]
    assert levels[0] == 1
    assert all(b - a <= 1 for a, b in zip(levels, levels[1:]))
    assert "crown &lt;A&gt;" in text
    for words in ("RR079", "can buckle or collapse", "approved data", "ten tonnes", "fumes and can burn"):
        assert words in page.text


def test_a_resin_too_quick_for_any_bag_has_no_last_moment(tmp_path):
    quick = with_day(plans.make(tmp_path), EXTRA.replace('"40 min at 20 degC", "20 min at 30 degC"', '"8 min at 20 degC"'))
    clock = next(b for b in day_blocks(quick) if b.title.startswith("Clock"))
    assert "there is no moment by which the bag could be down" in clock.words[0]
    assert any("times slower" in w for w in clock.words)
    (sheet,) = sheets(quick)
    assert not any("Down and pulled by" in box for s in sheet.stages for box in s.boxes)


def test_without_a_bag_nothing_is_said_of_one(plan):
    region = replace(plan.regions[0], layers=())
    day, notes = plan_day(plan.job, (region,), (), (), None)
    bare = replace(plan, regions=(region,), day=day)
    clock = next(b for b in day_blocks(bare) if b.title.startswith("Clock"))
    assert "The last ply wetted out by 09:40 at the latest" in clock.words[0]
    assert "until the last ply is wetted" in clock.words[0]
    assert not [b for b in day_blocks(bare) if b.title.startswith(("Vacuum", "Bleed"))]
    assert [s.name for s in sheets(bare)[0].stages] == ["Cut", "Mask", "Mix", "Wet out and lay", "Heat", "Take off"]
    assert not any("leaks" in text for text, _, _ in notes)


def test_a_job_without_resin_or_cure_still_has_its_sheet(bare):
    (sheet,) = sheets(bare)
    boxes = {s.name: " ".join(s.boxes) for s in sheet.stages}
    assert "Mix by the data sheet" in boxes["Mix"]
    assert "By the data sheet" in boxes["Heat"]
    titles = [b.title for b in day_blocks(bare)]
    assert "Cure" not in titles
    assert any("no pot life" in w for b in day_blocks(bare) for w in b.words)


def test_a_plan_without_a_day_has_no_sheets(plan):
    assert day_blocks(replace(plan, day=None)) == []
    assert sheets(replace(plan, day=None)) == []

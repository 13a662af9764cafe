"""The job sheet: one file, valid, complete, readable without pictures."""

import base64
import io
import re
from dataclasses import replace
from html.parser import HTMLParser

import plans
import pytest
from PIL import Image

from plyflat.job.resolved import assumed
from plyflat.planned import Caution
from plyflat.report.page import report_html
from plyflat.report.style import Picture
from plyflat.report.words import amount, joined, percent

VOID = {"meta", "img", "br", "hr", "link", "input"}


def dot(name, *about):
    out = io.BytesIO()
    Image.new("RGB", (6, 3)).save(out, "PNG")
    return Picture(name, f"caption of {name}", f"what {name} shows", out.getvalue(), about)


def pictures():
    return (
        dot("hull", "hull", plans.REGION), dot("strain", "strain", plans.REGION, "P1"),
        dot("templates", "templates", plans.REGION, "P1"), dot("on-hull", "strain on hull", plans.REGION, "P1"),
        dot("section", "bag section", plans.REGION), dot("bag", "bag on hull", plans.REGION),
        dot("peel", "bag templates", plans.REGION, "peel ply"), dot("lay", "lay", plans.CLOTH, "1"),
    )  # fmt: skip


@pytest.fixture(scope="module")
def plan(tmp_path_factory):
    return plans.make(tmp_path_factory.mktemp("job"))


@pytest.fixture(scope="module")
def page(plan):
    return report_html(plan, pictures())


class Reader(HTMLParser):
    """Checks that tags nest, and gathers what matters."""

    def __init__(self, text):
        super().__init__(convert_charrefs=True)
        self.open, self.faults, self.seen, self.ids, self.words = [], [], [], [], []
        self.feed(text)
        self.close()
        if self.open:
            self.faults.append(f"left open: {self.open}")

    def handle_starttag(self, tag, attrs):
        names = [k for k, _ in attrs]
        if len(names) != len(set(names)):
            self.faults.append(f"attribute twice in {tag}")
        self.seen.append((tag, dict(attrs)))
        if "id" in dict(attrs):
            self.ids.append(dict(attrs)["id"])
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag):
        if not self.open or self.open[-1] != tag:
            self.faults.append(f"</{tag}> closes {self.open[-1:]}")
        else:
            self.open.pop()

    def handle_data(self, data):
        self.words.append(data)

    def all(self, tag):
        return [attrs for t, attrs in self.seen if t == tag]


def test_tags_nest_and_names_differ(page):
    reader = Reader(page)
    assert reader.faults == []
    assert len(reader.ids) == len(set(reader.ids))
    assert page.startswith("<!DOCTYPE html>")
    assert reader.all("html") == [{"lang": "en"}]


def test_the_reader_finds_faults():
    assert Reader("<p><b>x</p>").faults
    assert Reader("<div>").faults


def test_no_address_outside_itself(page):
    assert not re.search("https?:", page)
    assert "//" not in re.sub(r'"data:image/png;base64,[^"]*"', "", page)
    reader = Reader(page)
    assert not reader.all("script")
    assert not reader.all("link")
    assert all(a["href"][1:] in reader.ids for a in reader.all("a"))
    assert all(i["src"].startswith("data:image/png;base64,") for i in reader.all("img"))


def test_pictures_are_inside_with_words_and_size(page):
    images = Reader(page).all("img")
    assert len(images) == len(pictures())
    assert sorted(i["alt"] for i in images) == sorted(p.alt for p in pictures())
    data = base64.b64decode(images[0]["src"].split(",")[1])
    assert Image.open(io.BytesIO(data)).size == (6, 3)
    assert all((i["width"], i["height"]) == ("4", "2") for i in images)


def test_headings_step_down_one_at_a_time(page):
    levels = [int(t[1]) for t, _ in Reader(page).seen if re.fullmatch(r"h[1-6]", t)]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(b - a <= 1 for a, b in zip(levels, levels[1:]))


def test_tables_have_captions_and_heads(page):
    reader = Reader(page)
    assert len(reader.all("caption")) == len(reader.all("table")) > 6
    assert {h.get("scope") for h in reader.all("th")} == {"col", "row"}


def test_names_are_words_and_not_markup(page, plan):
    assert "crown <A>" in plan.job.name
    assert "crown <A>" not in page
    assert "crown &lt;A&gt; &amp; B" in page
    assert not Reader(page).all("a")[0].get("onclick")


def test_warnings_come_first_with_place_and_advice(page):
    text = " ".join("".join(Reader(page).words).split())
    at = text.index("strain is up to 4.2 %, above 3 %.")
    assert at < text.index("This job laminates")
    assert "Dart it, or split it." in text
    assert text.index("Warnings") < text.index("Order of working")


def test_without_warnings_it_says_so(plan):
    assert "None." in report_html(replace(plan, cautions=()), ())


def test_what_the_job_leaves_open_is_told_with_its_source(page, plan):
    text = " ".join("".join(Reader(page).words).split())
    left = assumed(plan.job)
    assert any(a.key == "files.turnable" for a in left)
    assert all(f"{a.key}{a.value}{a.mark}" in "".join(Reader(page).words).replace("\n", "") for a in left)
    assert text.index("What the job does not state") < text.index("Checks and repairs")


def test_it_tells_everything(page, plan):
    text = " ".join("".join(Reader(page).words).split())
    ply = plan.regions[0].plies[0]
    for words in (
        percent(ply.strain.largest), percent(ply.strain.p99), percent(ply.strain.over_share), "0.710 m²", "peel ply 85",
        "5.42 m with all that it is laid for", "more than a tight film, up to 12 mm across the warp line, counted", "1560 by 1160 mm", "612 g", "540 to 700 g",
        "derived: mass balance", "duplicate vertices merged", "lay: smallest gap", "RR079", "OSHA Technical Manual",
        "AC 43.13-1B", "copy 2 of 2", "data sheets", "taut film bridges", "10 to 645", "Areas over all regions", "Peel ply: strain up to 1.0 %", "+0.12 % off", "115.50",
    ):  # fmt: skip
        assert words in text, words


def test_a_layer_that_would_have_to_stretch_is_told_with_what_to_do(plan):
    region = plan.regions[0]
    layers = tuple(replace(q, strain=replace(q.strain, largest=0.77, over_share=0.4)) if q.strain is not None else q for q in region.layers)
    page = report_html(replace(plan, regions=(replace(region, layers=layers),)), [])
    assert "Peel ply: strain up to 77 %. 40 % of it would have to give more than" in page
    assert "slit it from its edge where it will not lie" in page
    assert "slit it from its edge" not in report_html(plan, [])


def test_it_stands_without_pictures_regions_bags_or_costs(plan):
    bare = replace(plan.regions[0], layers=(), seams_mm=())
    text = report_html(replace(plan, regions=(bare,), rolls=(), resin=(), bin=(), shopping=(), checks=()), ())
    assert Reader(text).faults == []
    assert "Bag of" not in text


def test_many_warnings_keep_their_order(plan):
    many = tuple(Caution(f"number {k}") for k in range(30))
    text = report_html(replace(plan, cautions=many), ())
    places = [text.index(f"number {k}.") for k in range(30)]
    assert places == sorted(places)


def test_numbers_are_written_with_three_figures():
    assert amount(1234567.0) == "1\N{NARROW NO-BREAK SPACE}234\N{NARROW NO-BREAK SPACE}567"
    assert (amount(12.345), amount(0.5), amount(0.0), amount(120.0)) == ("12.3", "0.5", "0", "120")
    assert (percent(0.0421), percent(0.543), percent(0.0)) == ("4.2 %", "54 %", "0.0 %")
    assert (joined([]), joined(["a"]), joined(["a", "b", "c"])) == ("", "a", "a, b and c")

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
from plyflat.planned import Caution, Check
from plyflat.report.day import Block
from plyflat.report.page import _once, check_rows, report_html
from plyflat.report.style import Picture
from plyflat.report.warned import places_in
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
    # The job in a paragraph is all that stands before them, and it sends the reader on to them.
    short = text.index("This job laminates")
    assert text.index("There is 1 warning: read it first. Warnings") + 43 < at < text.index("Order of working")
    assert text[:short].endswith("crown <A> & B ")
    assert "Dart it, or split it." in text


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
        "derived: mass balance", "duplicate vertices merged", "Smallest gap", "RR079", "OSHA Technical Manual",
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


def test_paper_leaves_out_what_is_folded_and_says_so(page, plan):
    screen, paper = Reader(page), Reader(report_html(plan, pictures(), paper=True))
    assert paper.faults == []
    folded = re.findall(r"<summary>(.*?)</summary>", page)
    assert len(folded) > 2
    said = " ".join("".join(paper.words).split())
    named = re.findall(r"Not printed, but in report.html: (.*?)\.", said)
    assert len(named) == len(folded) - 1  # the defaults are printed, in another form
    assert not paper.all("details")
    for a in assumed(plan.job):
        assert f"{a.key} = {a.value}" in said
        assert f"{a.mark[0].upper()}{a.mark[1:]}:" in said
    assert len(said) < len(" ".join("".join(screen.words).split()))


def test_warnings_are_numbered_and_lead_to_what_they_are_about(plan):
    region = plan.regions[0].name
    wheres = (f"{region} P1", f"{region}, bag film", region, "mesh hull", plans.CLOTH, "lays", f"{region}s")
    page = report_html(replace(plan, cautions=tuple(Caution(f"number {k}", where) for k, where in enumerate(wheres))), ())
    reader = Reader(page)
    links = [a["href"] for a in reader.all("a") if a.get("class") == "where"]
    assert links == ["#region-1-P1", "#region-1-bag", "#region-1", "#mesh-1", "#lay-1"]
    assert all(link[1:] in reader.ids for link in links)
    assert "<ol>\n<li>" in page[page.index('id="warnings"') :][:200]


def test_places_that_a_sentence_names_are_read():
    assert places_in("a gap at (-1909.4, 161.5, -681) mm; and (1, 2, 3) mm").tolist() == [[-1909.4, 161.5, -681.0], [1.0, 2.0, 3.0]]
    assert places_in("none (1, 2) mm, (1, 2, 3) in").shape == (0, 3)


def test_checks_are_told_kind_by_kind_with_the_worst():
    rows = check_rows((
        Check("a P1: area of the pieces against the region", 1.2e-4, 1e-3), Check("a P2: area of the pieces against the region", 3.4e-4, 1e-3),
        Check("twill, lay 1: least gap between pieces, at least", 5.2, 5.0, "mm"), Check("felt, lay 1: least gap between pieces, at least", 5.04, 5.0, "mm"),
        Check("a P1: triangles turned over in the flat", 0, 0), Check("files read back: largest difference", 1.7e-10, 1e-6), Check("scale of mesh a", 5e-5, 5e-3),
    ))  # fmt: skip
    assert rows == [
        ("Area of the pieces against the region", "a P1; a P2", "0.03 %", "0.10 %"),
        ("Least gap between pieces, at least", "twill, lay 1; felt, lay 1", "5.04 mm", "5 mm"),
        ("Triangles turned over in the flat", "a P1", "0", "0"),
        ("Largest difference", "files read back", "under 0.00001 %", "0.00010 %"),
        ("Scale of mesh a", "", "under 0.01 %", "0.50 %"),
    ]


def test_what_was_said_word_for_word_is_not_said_again():
    blocks = [Block("a", ("Wet.", "For a."), after=("Never leave it.",)), Block("b", ("For b.", "Wet."), after=("Never leave it.", "Last."))]
    one, two = _once(blocks)
    assert (one.words, one.after) == (("Wet.", "For a."), ("Never leave it.",))
    assert (two.title, two.words, two.after) == ("b", ("For b.",), ("Last.",))


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

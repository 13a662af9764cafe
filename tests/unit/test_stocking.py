"""Rolls begun, remnants and flaws from the job file to the lays, on a flat plate where every size is known."""

from __future__ import annotations

import csv
import io
import tomllib
from dataclasses import replace

import jobs
import numpy as np
import pytest
import trimesh
from shapely import Polygon, box

from plyflat.errors import FitError, JobError, OutlineError, QuantityError
from plyflat.export.lays import corner_list, order_list, write_lays
from plyflat.export.planjson import plan_to_dict
from plyflat.export.tables import cut_list, roll_list
from plyflat.job.reader import job_from_text
from plyflat.plan import make_plan
from plyflat.report.lays import _word, lay_pictures, lay_words
from plyflat.stocking import read_remnant, supplies

AT_HAND = """\
at_hand = [
  { name = "loft", length = "3 m", width = "900 mm", flaws = [
    { from_end = "500 mm", from_edge = "300 mm", along = "80 mm", across = "60 mm" } ] },
  { outline = { unit = "cm", points = [[0, 0], [60, 0], [0, 60]] } },
]
"""

JOB = """
version = 1
name = "lids"
[mesh.plate]
file = "plate.ply"
unit = "mm"
[[region]]
name = "frame"
mesh = "plate"
outline = { unit = "mm", points = [[100,100,0],[800,100,0],[800,800,0],[100,800,0]] }
minus = [{ outline = { unit = "mm", points = [[350,350,0],[550,350,0],[550,550,0],[350,550,0]] } }]
[[region.ply]]
cloth = "mat"
angle = "0 deg"
[[region]]
name = "pad"
mesh = "plate"
outline = { unit = "mm", points = [[850,100,0],[1050,100,0],[1050,220,0],[850,220,0]] }
[[region.ply]]
cloth = "mat"
angle = "0 deg"
copies = 3
grain = "2 deg"
[cloth.mat]
areal_weight = "300 g/m^2"
roll_width = "1000 mm"
roll_length = "10 m"
price = "8 EUR/m"
fibre = "glass"
weave = "mat"
face_up = "out"
[[cloth.mat.at_hand]]
name = "loft"
length = "3 m"
width = "740 mm"
flaws = [ { from_end = "320 mm", from_edge = "330 mm", along = "80 mm", across = "60 mm" } ]
[[cloth.mat.at_hand]]
outline = { unit = "mm", points = [[0,0],[600,0],[0,600]] }
[lay]
tries = 1
first = ["pad"]
keep = "ply"
[laps]
trim = "0 mm"
"""


@pytest.fixture(scope="module")
def plan(tmp_path_factory):
    folder = tmp_path_factory.mktemp("plate")
    x, y = np.meshgrid(np.linspace(0, 1200, 13), np.linspace(0, 900, 10), indexing="ij")
    points = np.column_stack([x.ravel(), y.ravel(), np.zeros(x.size)])
    at = np.arange(x.size).reshape(x.shape)
    a, b, c, d = (q.ravel() for q in (at[:-1, :-1], at[1:, :-1], at[1:, 1:], at[:-1, 1:]))
    faces = np.concatenate([np.column_stack([a, b, c]), np.column_stack([a, c, d])])
    trimesh.Trimesh(points, faces, process=False).export(folder / "plate.ply")
    return make_plan(job_from_text(JOB, folder=folder))


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (("copies = 3", "copies = 99"), "^mat: no room on the cloth at hand for .* pieces .* part 'pad .* or more"),
        (('length = "3 m"', 'length = "400 mm"'), "^mat, part 'frame / P1 / A': it is 700.0 mm along the roll"),
    ],
)
def test_cloth_that_does_not_do_is_told_with_its_material(plan, change, words):
    none_bought = ('roll_length = "10 m"', 'roll_length = "10 m"\nrolls = 0\nbuy = false')
    folder = plan.job.meshes["plate"].file.parent
    with pytest.raises(FitError, match=words):
        make_plan(job_from_text(jobs.changed(JOB, none_bought, change), folder=folder))


def read(text):
    return list(csv.DictReader(io.StringIO(text)))


# ---- the job file --------------------------------------------------------------------------------------------------


def small(text):
    return jobs.changed(jobs.SMALL, ('face_up = "in"\n', f'face_up = "in"\n{text}'))


def test_the_width_told_is_that_of_the_rolls_cut_into(plan):
    (roll,) = plan.rolls
    assert roll.widths == "740"
    wide = replace(roll.lays[0], width_mm=1000.0, stock=None)
    assert replace(roll, lays=(*roll.lays, wide)).widths == "740 and 1000"
    assert replace(roll, lays=()).widths == "1000"
    assert any("of 740 mm" in row.basis for row in plan.shopping)


def test_what_is_at_hand_takes_its_gaps_from_the_cloth():
    cloth = job_from_text(small(AT_HAND), folder="/boats").cloths["glass"]
    loft, remnant = cloth.at_hand
    assert (loft.name, loft.width_mm, loft.length_mm, loft.edge_mm) == ("loft", 900.0, 3000.0, 10.0)
    assert (loft.flaws[0].from_end_mm, loft.flaws[0].across_mm) == (500.0, 60.0)
    assert (remnant.name, remnant.edge_mm, remnant.outline_mm[1]) == ("remnant 2", 0.0, (600.0, 0.0))


def test_the_job_written_out_in_full_is_read_back_the_same():
    job = job_from_text(small(AT_HAND) + '[lay]\nfirst = ["patch"]\ntable = "3 m"\nkeep = "region"\ntries = 4\n', folder="/boats")
    assert job_from_text(job.resolved_toml(), folder="/boats") == job


@pytest.mark.parametrize(
    ("row", "words"),
    [
        ('{ name = "x" }', "neither length nor outline nor file is stated"),
        ('{ length = "3 m", file = "a.csv" }', "length and file are stated"),
        ('{ width = "300 mm", file = "a.csv" }', "only a roll has a width"),
        ('{ name = "x", length = "3 m" }, { name = "x", length = "2 m" }', "'x' is used twice"),
        (
            '{ length = "1 m", flaws = [{ from_end = "950 mm", from_edge = "0 mm", along = "80 mm", across = "9 mm" }] }',
            "reaches to 1030 mm, outside a roll 1000 mm long",
        ),
        (
            '{ length = "1 m", flaws = [{ from_end = "0 mm", from_edge = "0.9 m", along = "8 mm", across = "0.2 m" }] }',
            "reaches to 1100 mm, outside a roll 1000 mm wide",
        ),
    ],
)
def test_rows_that_contradict_themselves_are_refused(row, words):
    with pytest.raises(JobError, match=words):
        job_from_text(small(f"at_hand = [{row}]\n"), folder="/boats")


def test_a_region_to_be_cut_first_must_be_there():
    with pytest.raises(JobError, match="no region 'pach'; did you mean 'patch'"):
        job_from_text(jobs.SMALL + '[lay]\nfirst = ["pach"]\n', folder="/boats")


def test_supplies_are_what_the_job_says():
    supply = supplies(job_from_text(small(AT_HAND), folder="/boats"))["glass"]
    assert [(s.name, s.begun, s.bought, s.plain) for s in supply.stocks] == [
        ("loft", True, False, False),
        ("remnant 2", True, False, False),
        ("roll 1", False, False, True),
        ("roll", False, True, True),
    ]
    assert supply.stocks[0].flaws[0].box.equals(box(500, 300, 580, 360))
    none_bought = supplies(job_from_text(small("buy = false\nrolls = 2\n"), folder="/boats"))["glass"]
    assert [s.name for s in none_bought.stocks] == ["roll 1", "roll 2"]


def test_a_flaw_outside_a_remnant_is_refused():
    row = 'outline = { unit = "mm", points = [[0, 0], [60, 0], [0, 60]] }'
    flaw = 'flaws = [{ from_end = "50 mm", from_edge = "0 mm", along = "20 mm", across = "9 mm" }]'
    with pytest.raises(QuantityError, match=r"10 mm outside") as found:
        supplies(job_from_text(small(f"at_hand = [{{ {row}, {flaw} }}]\n"), folder="/boats"))
    assert found.value.where == "glass, remnant 1, flaw 1"


# ---- remnants from files -------------------------------------------------------------------------------------------


def test_a_remnant_drawn_in_inches_comes_in_mm(tmp_path):
    import ezdxf

    doc = ezdxf.new(units=1)
    doc.modelspace().add_lwpolyline([(0, 0), (20, 0), (20, 10), (0, 10)], close=True)
    doc.modelspace().add_circle((10, 5), 2)
    doc.saveas(tmp_path / "offcut.dxf")
    outline = read_remnant(tmp_path / "offcut.dxf")
    assert outline.bounds == pytest.approx((0, 0, 508, 254))
    assert len(outline.interiors) == 1


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("x,y\n1,2\n", "no list of a remnant's corners"),
        ("ring,along (mm),across (mm)\n0,1\n", "row 2 is not"),
        ("ring,along (mm),across (mm)\n0,1,a\n", "row 2 is not"),
        ("ring,along (mm),across (mm)\n0,1,2\n0,2,2\n", "fewer than three"),
        ("ring,along (mm),across (mm)\n", "fewer than three"),
    ],
)
def test_lists_that_are_none_are_refused(tmp_path, text, words):
    (tmp_path / "offcut.csv").write_text(text)
    with pytest.raises(OutlineError, match=words):
        read_remnant(tmp_path / "offcut.csv")
    with pytest.raises(OutlineError, match="cannot be read"):
        read_remnant(tmp_path / "none.csv")


# ---- the plan ------------------------------------------------------------------------------------------------------


def test_pads_come_off_the_remnant_and_the_frame_off_the_begun_roll(plan):
    (roll,) = plan.rolls
    found = {lay.stock.name: sorted(roll.parts[p.part].region for p in lay.places) for lay in roll.lays}
    assert found == {"remnant 2": ["pad"] * 3, "loft": ["frame"]}
    assert roll.length_mm == pytest.approx(700.0, abs=0.1)
    assert roll.cost == pytest.approx(8 * 0.7, abs=1e-3)
    remnant = next(lay for lay in roll.lays if lay.stock.outline is not None)
    assert roll.used_area_mm2 == pytest.approx(740 * roll.length_mm + remnant.used_mm2, rel=1e-4)


def test_the_frame_lies_round_the_flaw(plan):
    loft = next(lay for lay in plan.rolls[0].lays if lay.stock.name == "loft")
    opening = Polygon(loft.places[0].outline.interiors[0])
    assert opening.contains(loft.stock.flaws[0].box)


def test_turns_off_the_grain_are_within_the_tolerance_and_told(plan):
    (roll,) = plan.rolls
    off = [abs(roll.off_grain_deg(p)) for lay in roll.lays for p in lay.places if roll.parts[p.part].region == "pad"]
    assert set(off) <= {0.0, 1.0, 2.0}
    told = {(row["region"], float(row["off grain (deg)"])) for row in read(cut_list(plan)) if row["region"] == "pad"}
    assert {abs(value) for _, value in told} == set(off)


def test_off_grain_is_the_way_to_the_nearest_allowed_turn(plan):
    (roll,) = plan.rolls
    place = roll.lays[0].places[0]
    turned = [(358.0, -2.0), (2.0, 2.0), (178.5, -1.5), (180.0, 0.0)]
    assert [roll.off_grain_deg(replace(place, turn_deg=turn)) for turn, _ in turned] == [off for _, off in turned]


def test_the_order_counts_what_is_cut_off_rolls_begun(plan):
    (roll,) = plan.rolls
    loft = next(lay for lay in roll.lays if lay.stock.name == "loft")
    (line,) = (line for line in plan.day.order if line.item == "mat")
    # The remnant has no length to count.
    assert line.need == pytest.approx(loft.length_mm / 1000.0)
    assert line.left == pytest.approx(line.in_shop - line.need)
    assert line.in_shop % 10.0 == pytest.approx(3.0)


def test_the_lists_name_the_cloth(plan):
    assert {row["cloth"] for row in read(cut_list(plan))} == {"remnant 2", "loft"}
    assert read(roll_list(plan))[0]["cut from"] == "; ".join(lay.stock.name for lay in plan.rolls[0].lays)
    told = plan_to_dict(plan, files=[])["rolls"][0]["lays"]
    assert [lay["cloth"]["begun"] for lay in told] == [True, True]


def test_corners_are_those_of_the_piece_as_it_lies(plan):
    (roll,) = plan.rolls
    number = next(n for n, lay in enumerate(roll.lays) if lay.stock.name == "loft")
    rows = read(corner_list(roll, number))
    outline = [(float(r["from roll end (mm)"]), float(r["from roll edge (mm)"])) for r in rows if r["line"] == "outline"]
    hole = [(float(r["from roll end (mm)"]), float(r["from roll edge (mm)"])) for r in rows if r["line"] == "opening 1"]
    assert Polygon(outline, [hole]).symmetric_difference(roll.lays[number].places[0].outline).area < 300


def test_the_opening_is_cut_before_the_outline(plan):
    (roll,) = plan.rolls
    number = next(n for n, lay in enumerate(roll.lays) if lay.stock.name == "loft")
    rows = read(order_list(plan, roll, number))
    assert [row["line"] for row in rows] == ["opening 1", "outline"]
    assert [row["of it cut before (mm)"] for row in rows] == ["0", "0"]


def test_the_order_of_cutting_tells_what_is_cut_before(plan):
    (roll,) = plan.rolls
    number, lay = next((n, lay) for n, lay in enumerate(roll.lays) if len(lay.places) > 2)
    places = tuple(replace(p, outline=box(0, 120 * k, 200, 120 * (k + 1))) for k, p in enumerate(lay.places))
    lays = [replace(lay, places=places, gap_mm=0.0) if other is lay else other for other in roll.lays]
    rows = read(order_list(plan, replace(roll, lays=tuple(lays)), number))
    assert [row["of it cut before (mm)"] for row in rows] == ["0", *["200"] * (len(places) - 1)]


def test_what_is_left_is_read_by_the_next_job(plan, tmp_path):
    written = write_lays(plan, tmp_path)
    assert {path.parent.name for path in written} == {"lay", "left"}
    tables = tomllib.loads((tmp_path / "left" / "at_hand.toml").read_text())["cloth"]["mat"]["at_hand"]
    left = [part for lay in plan.rolls[0].lays for part in lay.left]
    assert len(tables) == len(left) >= 1
    for row, part in zip(tables, left):
        assert read_remnant(tmp_path / "left" / row["file"]).symmetric_difference(part).area < 20
    text = JOB.replace("[lay]", (tmp_path / "left" / "at_hand.toml").read_text() + "[lay]")
    job = job_from_text(text, folder=tmp_path / "left")
    assert len(supplies(job)["mat"].stocks) == 4 + len(left)


def test_pictures_and_words_tell_flaws_and_what_is_left(plan):
    (roll,) = plan.rolls
    pictures = list(lay_pictures(roll))
    assert [picture.name for picture in pictures] == ["mat_lay_1", "mat_lay_2"]
    assert all(picture.png.startswith(b"\x89PNG") for picture in pictures)
    words = {lay.stock.name: lay_words(lay) for lay in roll.lays}
    assert "a roll 740 mm wide with 1 flaw," in words["loft"]
    assert "Flaw: 320 - 400, 330 - 390 mm" in words["loft"]
    assert "a remnant 600 mm wide" in words["remnant 2"]
    assert "clock" not in words["loft"]


@pytest.mark.parametrize(("at", "side"), [(10.0, "left"), (90.0, "right")])
def test_the_word_beside_a_narrow_flaw_stays_in_the_picture(at, side):
    from matplotlib.figure import Figure

    ax = Figure().subplots()
    _word(ax, box(at, 0, at + 4, 50), "flaw", box(0, 0, 100, 50), 1.0)
    (word,) = ax.texts
    assert word.get_ha() == side
    assert (word.get_position()[0] > at + 4) == (side == "left")
    assert 0.0 < word.get_position()[0] < 100.0


def test_words_tell_how_much_longer_than_the_best_a_lay_can_be(plan):
    lay = replace(plan.rolls[0].lays[0], bound_mm=1000.0, bound_name="mid-line")
    # Rounded up: less would promise too much.
    words = lay_words(replace(lay, length_mm=1080.01))
    assert "At most 8.1 % longer than any possible lay of these pieces, which takes 1000 mm or more (bound: mid-line)." in words
    assert "At most 34.6 % longer" in lay_words(replace(lay, length_mm=1345.1))
    assert "At most 0.1 % longer" in lay_words(replace(lay, length_mm=1000.01))
    assert "No lay of these pieces can be shorter (bound: mid-line)." in lay_words(replace(lay, length_mm=1000.0))

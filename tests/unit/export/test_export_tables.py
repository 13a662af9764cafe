"""Lists as CSV, read back with a general reader."""

import csv
import io
from dataclasses import replace
from types import SimpleNamespace

import plans
import pytest

from plyflat.bag.envelope import FilmWay
from plyflat.errors import CheckError
from plyflat.export import tables
from plyflat.shop.waste import OrderLine


@pytest.fixture(scope="module")
def plan(tmp_path_factory):
    return plans.make(tmp_path_factory.mktemp("job"))


def read(text):
    return list(csv.DictReader(io.StringIO(text, newline="")))


def test_cut_list_has_one_row_for_each_piece_on_a_roll(plan):
    rows = read(tables.cut_list(plan))
    assert len(rows) == 4 + 1 + 1
    first = rows[0]
    assert (first["roll material"], first["ply or layer"], first["piece"]) == (plans.CLOTH, "P1", "A")
    template = plans.templates()[0][0]
    assert float(first["net area (m2)"]) == pytest.approx(template.net.area / 1e6, abs=1e-4)
    assert float(first["cut area (m2)"]) == pytest.approx(template.cut.area / 1e6, abs=1e-4)
    assert (float(first["from roll end (mm)"]), float(first["from roll edge (mm)"])) == (10.0, 15.0)
    assert (float(first["length along roll as cut (mm)"]), float(first["width across roll as cut (mm)"])) == (635.0, 820.0)
    copies = sorted((r["copy"], r["copies"]) for r in rows if r["piece"] == "B")
    assert copies == [("1", "2"), ("2", "2")]
    assert next(r["turned (deg)"] for r in rows if r["piece"] == "B" and r["copy"] == "2") == "180"


def test_cut_list_tells_what_each_pieces_patch_has_and_cannot_beat(plan):
    ply = plans.with_patch(plan.regions[0].plies[0])
    region = replace(plan.regions[0], plies=(ply, *plan.regions[0].plies[1:]))
    rows = read(tables.cut_list(replace(plan, regions=(region,))))
    mine = [r for r in rows if r["ply or layer"] == "P1"]
    assert {r["no uncut shape under, proven (%)"] for r in mine} == {"3.05"}
    assert {r["no uncut shape under, estimate (%)"] for r in mine} == {"5.13"}
    assert {r["most over least stretch, uncut (%)"] for r in mine} == {"12.30"}
    assert {r["curvature held, uncut (deg)"] for r in mine} == {"-23.4"}
    assert {r["largest strain (%)"] for r in mine} == {"4.20"}
    assert {r["curvature held, uncut (deg)"] for r in rows if r["ply or layer"] == "P2"} == {""}


def test_every_head_that_counts_has_its_unit():
    plain = {"copy", "copies", "roll number", "number on the lay", "rolls", "pieces", "order", "cost"}
    words = {"roll material", "region", "ply or layer", "piece", "face up", "material", "kind", "layer", "cloth", "cut from"}
    for head in (tables.CUT_HEAD, tables.ROLL_HEAD, tables.LAYER_HEAD):
        assert all("(" in h for h in head if h not in plain | words)


def test_lines_end_in_cr_lf_and_quotes_are_doubled():
    text = tables.as_csv(("a", "b"), [('say "so", then', "x\ny")])
    assert text == 'a,b\r\n"say ""so"", then","x\ny"\r\n'


def test_a_piece_that_was_laid_out_once_too_few_is_refused(plan):
    roll = plan.rolls[0]
    short = replace(roll.lays[0], places=roll.lays[0].places[:-1])
    with pytest.raises(CheckError, match="laid out 0 times, wanted 1"):
        tables.cut_list(replace(plan, rolls=(replace(roll, lays=(short,)),)))


def test_roll_list_adds_up(plan):
    rows = read(tables.roll_list(plan))
    assert [r["material"] for r in rows] == [r.material for r in plan.rolls]
    cloth = rows[0]
    assert float(cloth["share used (%)"]) == pytest.approx(
        100 * float(cloth["pieces as cut (m2)"]) / float(cloth["roll area used (m2)"]), abs=0.06
    )
    assert cloth["cost (EUR)"] == "115.50"
    assert rows[-1]["share used (%)"] == ""  # tape is a length


def test_quantities_carry_range_cost_and_ground(plan):
    rows = read(tables.quantity_list(plan))
    assert [r["list"] for r in rows] == ["takes", "mix", "bin"]
    mix = rows[1]
    assert (mix["amount"], mix["unit"], mix["low"], mix["high"]) == ("612", "g", "540", "700")
    assert mix["cost (EUR)"] == "13.40"
    assert mix["basis"].startswith("derived")


def test_what_is_to_be_bought_is_a_list_of_its_own(plan):
    line = OrderLine("cloth", "m", 11.5, 10.0, 10.0, 8.5, "1 roll of 10 m", 460.0, 400.0)
    rows = read(tables.quantity_list(replace(plan, day=SimpleNamespace(order=(line,)))))
    assert [r["list"] for r in rows] == ["takes", "mix", "bin", "buy"]
    assert (rows[-1]["item"], rows[-1]["amount"], rows[-1]["unit"], rows[-1]["cost (EUR)"]) == ("cloth", "10", "m", "400.00")
    assert rows[-1]["basis"] == "derived: 1 roll of 10 m; 10 m in the shop, 8.5 m left afterwards"


def test_a_pouch_has_no_margin_on_the_hull(plan):
    region = plan.regions[0]
    layers = tuple(replace(q, ways=(FilmWay("envelope", "pouch"),)) if q.kind == "bag film" else q for q in region.layers)
    peel, tape, film = read(tables.layer_list(replace(plan, regions=(replace(region, layers=layers),))))
    assert peel["margin (mm)"] == "25"
    blank = ("margin (mm)", "surface area (m2)", "slack across warp line (mm)")
    assert {q[key] for q in (tape, film) for key in blank} == {""}
    assert float(film["cut area (m2)"]) > 1.0
    assert float(tape["tape length (m)"]) > 1.0
    assert read(tables.layer_list(plan))[2]["margin (mm)"] == "150"


def test_layer_list_keeps_tape_apart_from_sheets(plan):
    rows = read(tables.layer_list(plan))
    assert [r["layer"] for r in rows] == ["peel ply", "sealant tape", "bag film"]
    assert float(rows[1]["tape length (m)"]) == pytest.approx(5.425)
    assert rows[1]["surface area (m2)"] == ""
    assert float(rows[2]["slack across warp line (mm)"]) == 12.5
    assert float(rows[0]["corner laps (m2)"]) == pytest.approx(0.0012)

"""The record: only added to, whole after any end, corrected by later rows, set against the plan."""

import re
import sqlite3
import sys
from pathlib import Path

import pytest

from plyflat.errors import OutputError
from plyflat.job.day import TIMES_AT
from plyflat.shop.fields import FIELDS, RecordError, read_field
from plyflat.shop.own import own_numbers
from plyflat.shop.record import Record, changes, compared, latest
from plyflat.shop.spread import Range

WEIGHED = {"resin_weighed": "640 g", "hardener_weighed": "0.16 kg", "left_in_cups": "80 g"}


def test_what_is_written_is_read_again_in_the_fields_units(tmp_path):
    with Record(tmp_path / "r.sqlite") as record:
        last = record.add("skeg", {**WEIGHED, "temperature": "68 degF", "note": "cloth slipped"}, region="root")
        assert last == 5
    with Record(tmp_path / "r.sqlite") as record:
        rows = {e.key: e for e in record.entries("skeg")}
        assert rows["hardener_weighed"].value == pytest.approx(160)
        assert rows["temperature"].value == pytest.approx(20)
        assert (rows["note"].value, rows["note"].text, rows["note"].region) == (None, "cloth slipped", "root")
        assert record.is_sound()
        assert list(record.entries("other")) == []


def test_every_example_on_the_sheet_is_understood():
    for key, field in FIELDS.items():
        value, _ = read_field(key, field.example)
        assert value is None or field.low <= value <= field.high


@pytest.mark.parametrize(
    ("key", "given", "words"),
    [
        ("resin_wieghed", "640 g", "Did you mean resin_weighed"),
        ("resin_weighed", "640", "Write it as \"640 g\""),
        ("resin_weighed", "640 mm", "not understood"),
        ("resin_weighed", "-3 g", "not understood"),
        ("temperature", "200 degC", "not between -20 and 60"),
        ("cost", "nan", "not between"),
        ("note", "", "is empty"),
        ("note", "a\x07b", "control characters"),
    ],
)
def test_what_cannot_be_is_refused_and_nothing_of_it_is_kept(tmp_path, key, given, words):
    with Record(tmp_path / "r.sqlite") as record:
        with pytest.raises(RecordError, match=words):
            record.add("skeg", {**WEIGHED, key: given})
        assert list(record.entries()) == []


@pytest.mark.parametrize(("kind", "raises"), [("guessed", sqlite3.IntegrityError), (object(), sqlite3.Error)])
def test_a_row_that_cannot_be_written_takes_those_before_it_with_it(tmp_path, kind, raises):
    row = ("2026-01-01", "skeg", "root", 1, "actual", "resin_weighed", 640.0, None, None, "640 g", "a")
    with Record(tmp_path / "r.sqlite") as record:
        with pytest.raises(raises):
            record._write("skeg", "text", "a", "2026-01-01", [row, (*row[:4], kind, *row[5:])])
        assert list(record.entries()) == []
        # Nothing is left open: the next rows are written.
        assert record.add("skeg", WEIGHED) >= 3
        assert len(list(record.entries())) == 3


def test_rows_are_only_added(tmp_path):
    with Record(tmp_path / "r.sqlite") as record:
        record.add("skeg", WEIGHED)
        record.add("skeg", {"resin_weighed": "650 g"})
        assert len(list(record.entries())) == 4
        assert latest(record.entries(), "actual")["skeg", "", 1]["resin_weighed"].value == 650
    db = sqlite3.connect(tmp_path / "r.sqlite")
    for table in ("entry", "job_text"):
        for order in (f"DELETE FROM {table}", f"UPDATE {table} SET job = 'x'"):
            with pytest.raises(sqlite3.IntegrityError, match="only added"):
                db.execute(order)
    assert db.execute("PRAGMA journal_mode").fetchone() == ("wal",)
    db.close()


def test_files_that_are_something_else(tmp_path):
    (tmp_path / "text").write_text("no database at all, but long enough to be looked at" * 100)
    with pytest.raises(RecordError, match="no record"):
        Record(tmp_path / "text")
    db = sqlite3.connect(tmp_path / "other.sqlite")
    db.execute("CREATE TABLE t (x)")
    db.close()
    with pytest.raises(RecordError, match="something else"):
        Record(tmp_path / "other.sqlite")
    with pytest.raises(OutputError):
        Record(tmp_path / "no" / "such" / "folder.sqlite")
    with Record(tmp_path / "r.sqlite") as record:
        with pytest.raises(RecordError, match="nothing to record"):
            record.add("skeg", {})
        with pytest.raises(RecordError, match="session 0"):
            record.add("skeg", WEIGHED, session=0)


def test_two_writers_wait_for_one_another(tmp_path):
    with Record(tmp_path / "r.sqlite") as one, Record(tmp_path / "r.sqlite") as two:
        for n in range(10):
            (one if n % 2 else two).add(f"job {n}", WEIGHED)
        assert len(list(one.entries())) == len(list(two.entries())) == 30


def test_plan_and_actual_in_one_table(tmp_path):
    with Record(tmp_path / "r.sqlite") as record:
        plan = {"resin_weighed": Range(560, 600, 640), "drop": Range(0, 3.4, 3.4)}
        record.add("skeg", {**WEIGHED, "drop": "5 kPa"}, region="root", planned=plan)
        record.add("skeg", {"cost": "80"})
        rows = {(r.region, r.key): r for r in compared(record.entries("skeg"))}
    resin = rows["root", "resin_weighed"]
    assert (resin.planned.usual, resin.actual, resin.within) == (600, 640, True)
    assert resin.off == pytest.approx(40 / 600)
    assert rows["root", "drop"].within is False
    assert (rows["", "cost"].actual, rows["", "cost"].planned) == (80, None)


def test_what_changed_in_the_job():
    before = 'name = "a"\n[laps]\njoin = "20 mm"\n[[region]]\nname = "x"\n[place]\nt = 1\n'
    after = 'name = "a"\n[laps]\njoin = "25 mm"\n[[region]]\nname = "x"\nbag = "b"\n'
    assert changes(before, after) == ("laps.join: was '20 mm', is '25 mm'", "place.t: was 1, is gone", "region[1].bag: is new, 'b'")
    assert changes(before, before) == ()


@pytest.mark.reference(source="mean and standard deviation (n - 1) of masses worked by hand", kind="derived")
def test_own_numbers_with_their_spread(tmp_path):
    with Record(tmp_path / "r.sqlite") as record:
        sure = {"fibre_kept": Range(700, 700, 700), "peel_ply_area": Range(2, 2, 2), "ply_area": Range(3, 3, 3)}
        for n, (mixed, left, laminate) in enumerate([(880, 80, 1250), (990, 90, 1200), (780, 100, 1300)]):
            written = {
                "fibre_mass": "800 g", "resin_weighed": f"{mixed * 0.8} g", "hardener_weighed": f"{mixed * 0.2} g",
                "left_in_cups": f"{left} g", "laminate_mass": f"{laminate} g", "wet_out_time": "30 min",
            }  # fmt: skip
            record.add("skeg" if n else "bow", written, session=n + 1, planned=sure)
        record.add("bow", {"peel_ply_dry": "100 g", "peel_ply_wet": "184 g"}, session=1)
        found = {o.key: o for o in own_numbers(record.entries())}
    # 80 of 800, 90 of 900, 100 of 680.
    assert found["resin.loss"].mean == pytest.approx((0.1 + 0.1 + 100 / 680) / 3)
    assert found["resin.loss"].count == 3
    wet = [800 / 1600, 800 / 1700, 800 / 1480]
    mean = sum(wet) / 3
    assert found["resin.wet_out"].mean == pytest.approx(mean)
    assert found["resin.wet_out"].spread == pytest.approx((sum((w - mean) ** 2 for w in wet) / 2) ** 0.5)
    assert found["resin.fibre_mass_fraction"].mean == pytest.approx((700 / 1250 + 700 / 1200 + 700 / 1300) / 3)
    assert found["clock.wet_out"].mean == pytest.approx(0.1)
    peel = found['consumable."your peel ply".holds']
    assert (peel.mean, peel.spread, peel.count) == (pytest.approx(42), None, 1)
    assert re.fullmatch(r'wet_out = "50 %"  # yours: mean of 3, spread 3.\d %', found["resin.wet_out"].line)
    assert peel.line == 'holds = "42 g/m^2"  # yours: one job, spread unknown'


def test_pot_lives_are_averaged_where_they_were_equally_warm(tmp_path):
    with Record(tmp_path / "r.sqlite") as record:
        for session, (c, minutes) in enumerate([(21, 30), (22, 28), (31, 14)], start=1):
            record.add("skeg", {"temperature": f"{c} degC"}, session=session)
            record.add("skeg", {"pot_life": f"{minutes} min"}, region="root", session=session)
        (own,) = own_numbers(record.entries())
    assert (own.mean, own.count, own.at_c) == (29, 2, 21.5)
    assert own.line == 'pot_life = "29 min at 21.5 degC"  # yours: mean of 2, spread 1.41 min'
    time, celsius = TIMES_AT.read("29 min at 21.5 degC")[0]
    assert (time, celsius) == (1740, 21.5)


def test_masses_that_make_no_sense_together_give_no_number(tmp_path):
    with Record(tmp_path / "r.sqlite") as record:
        record.add("skeg", {**WEIGHED, "left_in_cups": "900 g", "peel_ply_dry": "100 g", "peel_ply_wet": "90 g"})
        assert own_numbers(record.entries()) == ()


def test_a_writer_killed_at_any_moment_loses_nothing_it_acknowledged(tmp_path):
    sys.path.insert(0, str(Path(__file__).resolve().parents[3] / "scripts"))
    try:
        from kill_record import kill_often
    finally:
        sys.path.pop(0)
    out = kill_often(tmp_path / "r.sqlite", count=12, seed=3)
    assert (out.kills, out.half, out.unsound) == (12, 0, 0)
    assert out.found == out.acknowledged

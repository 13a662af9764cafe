"""The record command: fields from words and files, the plan beside them, and what it says afterwards."""

import csv
import io
import json
import sys

import plans
import pytest
from test_daily import RESIN, day_of

from plyflat import cli
from plyflat.errors import OutputError
from plyflat.recording import Given, keep, shown, write_csv
from plyflat.shop.fields import RecordError
from plyflat.shop.record import FILE_NAME, Record

TWO = plans.JOB.replace("[[region]]", '[[region]]\nname = "bow"\nmesh = "hull"\nmirror_of = "Bug Süd & keel aft"\n[[region]]', 1)


@pytest.fixture
def job(tmp_path):
    path = tmp_path / "job.toml"
    path.write_text(plans.JOB + RESIN, encoding="utf-8")
    return path


def planned(tmp_path, name="Test hull: crown <A> & B"):
    from dataclasses import replace

    from plyflat.export.planjson import as_json, plan_to_dict
    from plyflat.job.reader import job_from_text

    folder = tmp_path / "out"
    folder.mkdir()
    plan = plans.make(folder)
    day, _ = day_of(plan)
    text = as_json(plan_to_dict(replace(plan, job=job_from_text(plans.JOB + RESIN), day=day)))
    (folder / "plan.json").write_text(text.replace(json.dumps(plan.job.name), json.dumps(name)))
    return folder


def test_fields_and_plan_are_recorded_and_set_against_one_another(job, tmp_path):
    given = Given(("resin_weighed=300 g", "hardener_weighed=75 g", "left_in_cups=30 g", "fibre_mass=310 g", "note=went well"),
                  plan_folder=planned(tmp_path))  # fmt: skip
    said = list(keep(job, given))
    assert said[0].startswith("recorded: 4 fields and the plan for Bug Süd & keel aft, session 1, in ")
    assert said[1].startswith("recorded: 1 field for the job")
    text = "\n".join(shown(job))
    assert "resin weighed out in all, g" in text
    assert "+11 %" in text  # 300 g where 269 g were planned
    assert "finished laminate, trimmed, weighed if it can be, g " in text
    assert "went well" in text
    assert "has changed" not in text
    assert 'loss = "8.7 %"  # yours: one job, spread unknown' in text  # 30 of 345
    assert 'wet_out = "47 %"' in text  # 310 of 655


def test_a_field_out_of_the_plans_range_is_pointed_out(job, tmp_path):
    list(keep(job, Given(("resin_weighed=600 g",), plan_folder=planned(tmp_path))))
    assert any("600" in line and "outside the plan's range" in line for line in shown(job))


def test_what_changed_since_is_said(job):
    list(keep(job, Given(("cost=80",))))
    job.write_text(job.read_text(encoding="utf-8").replace('fibre_mass_fraction = "60 %"', 'fibre_mass_fraction = "55 %"'), encoding="utf-8")
    text = "\n".join(shown(job))
    assert "UTC, when 1 of the figures above were recorded" in text
    assert "resin.fibre_mass_fraction: was '60 %', is '55 %'" in text
    # What is recorded later does not hide that earlier figures belong to the earlier job.
    list(keep(job, Given(("temperature=20 degC",))))
    assert "\n".join(shown(job)).count("has changed since") == 1
    # A correction takes the old figure's place, and then nothing is out of date.
    list(keep(job, Given(("cost=85",))))
    assert "has changed since" not in "\n".join(shown(job))


def test_a_plan_older_than_the_job_is_said(job, tmp_path):
    folder = planned(tmp_path)
    assert not any("made before" in line for line in keep(job, Given(plan_folder=folder)))
    job.write_text(job.read_text(encoding="utf-8").replace('wet_out = "50 %"', 'wet_out = "48 %"'), encoding="utf-8")
    said = list(keep(job, Given(plan_folder=folder)))
    assert "made before the job file changed" in said[-2]
    assert said[-1].strip() == "resin.wet_out: was '50 %', is '48 %'"


def test_fields_from_a_file(job, tmp_path):
    results = tmp_path / "results.toml"
    results.write_text('temperature = "21 degC"\n[region."Bug Süd & keel aft"]\nresin_weighed = "280 g"\n', encoding="utf-8")
    assert len(list(keep(job, Given(results=results, session=3)))) == 2
    with Record(tmp_path / FILE_NAME) as record:
        assert {(e.region, e.key, e.session) for e in record.entries()} == {
            ("", "temperature", 3), ("Bug Süd & keel aft", "resin_weighed", 3)
        }  # fmt: skip
        assert record.last_session("Test hull: crown <A> & B") == 3
    results.write_text('[region."stern"]\nresin_weighed = "280 g"\n', encoding="utf-8")
    with pytest.raises(RecordError, match="no region 'stern'"):
        list(keep(job, Given(results=results)))
    results.write_text("resin_weighed = [", encoding="utf-8")
    with pytest.raises(RecordError, match="that it is TOML"):
        list(keep(job, Given(results=results)))
    results.write_text("resin_weighed = 280\n", encoding="utf-8")
    with pytest.raises(RecordError, match="not understood"):
        list(keep(job, Given(results=results)))


def test_several_regions_ask_which(job):
    job.write_text(TWO + RESIN, encoding="utf-8")
    with pytest.raises(RecordError, match="Say which with --region: bow, Bug"):
        list(keep(job, Given(("resin_weighed=300 g",))))
    assert list(keep(job, Given(("resin_weighed=300 g",), region="bow")))
    assert list(keep(job, Given(("temperature=20 degC",))))
    with pytest.raises(RecordError, match="no region 'stern'"):
        list(keep(job, Given(("resin_weighed=300 g",), region="stern")))


@pytest.mark.parametrize(("word", "said"), [("resin_weighed", "no field with its value"), ("resin_wieghed=3 g", "Did you mean"), ("x=", "no field")])
def test_a_slip_of_the_pen_records_nothing(job, tmp_path, word, said):
    with pytest.raises(RecordError, match=said):
        list(keep(job, Given(("cost=80", word))))
    assert not (tmp_path / FILE_NAME).exists()


def test_plans_that_are_none_or_of_another_job(job, tmp_path):
    with pytest.raises(RecordError, match="Run plyflat plan first"):
        list(keep(job, Given(plan_folder=tmp_path / "nowhere")))
    (tmp_path / "plan.json").write_text('{"made_by": "plyflat", "job": {"name": "x", "resolved_toml": "a = 1"}}')
    with pytest.raises(RecordError, match="an older one"):
        list(keep(job, Given(plan_folder=tmp_path)))
    (tmp_path / "plan.json").write_text("[]")
    with pytest.raises(RecordError, match="no plan can be read"):
        list(keep(job, Given(plan_folder=tmp_path)))
    with pytest.raises(RecordError, match="this is the plan of 'other'"):
        list(keep(job, Given(plan_folder=planned(tmp_path, name="other"))))


def test_rows_as_csv(job, tmp_path):
    with pytest.raises(OutputError, match="no record"):
        write_csv(job, tmp_path / "all.csv")
    list(keep(job, Given(("cost=80", 'note=slipped, "twice"'))))
    assert write_csv(job, tmp_path / "all.csv") == 2
    rows = list(csv.DictReader(io.StringIO((tmp_path / "all.csv").read_bytes().decode(), newline="")))
    assert [(r["key"], r["value"]) for r in rows] == [("cost", "80"), ("note", "")]
    assert rows[1]["as written"] == 'slipped, "twice"'
    with pytest.raises(OutputError, match="cannot be written"):
        write_csv(job, tmp_path / "no" / "all.csv")


def test_the_command(job, monkeypatch, capsys):
    monkeypatch.setattr(sys, "argv", ["plyflat", "record", str(job), "resin_weighed=300 g", "hardener_weighed=75 g"])
    assert cli.main() == 0
    assert "recorded: 2 fields" in capsys.readouterr().out
    monkeypatch.setattr(sys, "argv", ["plyflat", "record", str(job), "resin_weighed=300"])
    assert cli.main() == 2
    assert 'Write it as "640 g"' in capsys.readouterr().err
    monkeypatch.setattr(sys, "argv", ["plyflat", "record", str(job)])
    assert cli.main() == 0
    assert "300" in capsys.readouterr().out


def test_nothing_recorded_yet(job):
    assert "nothing is recorded" in next(iter(shown(job)))

"""The builder's own numbers in the next plan: only where asked for, only where the job states nothing, always shown."""

import statistics

import jobs
import numpy as np
import pytest

from plyflat.job.reader import job_from_text, read_job
from plyflat.job.resolved import assumed
from plyflat.recording import Given, keep, shown, with_own_numbers
from plyflat.shop.fields import RecordError
from plyflat.shop.own import next_half_width
from plyflat.shop.record import FILE_NAME, Record
from plyflat.shop.spread import Range

WRITTEN = {
    "fibre_mass": "800 g", "resin_weighed": "800 g", "hardener_weighed": "200 g", "left_in_cups": "120 g", "laminate_mass": "1250 g",
    "wet_out_time": "30 min", "drop": "1.5 kPa", "drop_time": "3 min", "peel_ply_dry": "100 g", "peel_ply_wet": "184 g",
    "breather_dry": "130 g", "breather_wet": "330 g", "pot_life": "29 min", "temperature": "21 degC",
}  # fmt: skip
SURE = {k: Range(v, v, v) for k, v in (("fibre_kept", 700.0), ("peel_ply_area", 2.0), ("breather_area", 2.5), ("ply_area", 3.6))}
RESIN = '[resin]\nratio = "100:30"\nfibre_mass_fraction = "60 %"\n'
OWN = "[own]\nuse = true\n"


@pytest.fixture
def folder(tmp_path):
    with Record(tmp_path / FILE_NAME) as record:
        record.add("an earlier job", WRITTEN, region="root", planned=SURE)
    return tmp_path


def plan_of(folder, extra):
    path = folder / "next.toml"
    path.write_text(jobs.SMALL + jobs.BAG + extra, encoding="utf-8")
    return with_own_numbers(read_job(path))


def test_never_without_being_asked(folder):
    job, taken = plan_of(folder, RESIN)
    assert (job.resin.loss, job.clock.wet_out_m2_min, taken) == (0.10, 0.08, ())
    assert job.own_marks == {}


@pytest.mark.reference(source="120 of 880 g, 800 of 1680 g, 3.6 m2 in 30 min, 1.5 kPa in 3 min, 84 g on 2 m2: worked by hand", kind="derived")
def test_means_go_before_defaults_and_are_shown_beside_them(folder):
    job, taken = plan_of(folder, RESIN + OWN)
    assert job.resin.loss == pytest.approx(120 / 880, abs=0.006)
    assert job.resin.wet_out_fibre_mass_fraction == pytest.approx(800 / 1680, abs=0.006)
    assert job.clock.wet_out_m2_min == pytest.approx(0.12)
    assert job.vacuum.fall_kpa_min == pytest.approx(0.5)
    peel = [c for c in job.consumables.values() if c.kind == "peel ply"]
    assert [c.holds_g_m2 for c in peel] == pytest.approx([42.0] * len(peel))
    shown_ = {t.key: t for t in taken}
    assert (shown_["clock.wet_out"].value, shown_["clock.wet_out"].was, shown_["clock.wet_out"].was_from) == (
        "0.12 m^2/min", "0.08 m^2/min", "from memory",
    )  # fmt: skip
    assert shown_["vacuum.usual_fall"].was == "nothing"
    assert {t.key for t in taken if not t.used} == {
        "resin.fibre_mass_fraction", "resin.pot_life", 'consumable."your breather".holds'
    }  # fmt: skip
    assert shown_["resin.fibre_mass_fraction"].why == "the job states it"
    # The resolved job says where they come from, and reads back as the same job.
    marks = {a.key: a.mark for a in assumed(job)}
    assert marks["clock.wet_out"] == "yours, one job, spread unknown"
    assert job_from_text(job.resolved_toml(), folder=folder) == job


def test_what_the_job_states_stays(folder):
    job, taken = plan_of(folder, RESIN + 'loss = "8 %"\n' + OWN + '[clock]\nwet_out = "0.1 m^2/min"\n')
    assert (job.resin.loss, job.clock.wet_out_m2_min) == (0.08, pytest.approx(0.1))
    assert {t.key: t.why for t in taken}["resin.loss"] == "the job states it"


def test_too_few_sessions_and_numbers_that_do_not_fit(folder):
    job, taken = plan_of(folder, RESIN + OWN + "least = 2\n")
    assert job.resin.loss == 0.10
    assert {t.key: t.why for t in taken}["resin.loss"] == "it is from 1 and [own] asks for 2"
    job, taken = plan_of(folder, RESIN.replace("60 %", "45 %") + OWN)
    assert job.resin.wet_out_fibre_mass_fraction == 0.45
    assert "presses resin out, not in" in {t.key: t.why for t in taken}["resin.wet_out"]
    job, taken = plan_of(folder, OWN)
    assert job.resin is None
    assert {t.key: t.why for t in taken}["resin.loss"] == "the job has no such table"
    assert job.clock.wet_out_m2_min == pytest.approx(0.12)


def test_no_record_or_another_file_in_its_place(tmp_path):
    job, taken = plan_of(tmp_path, RESIN + OWN)
    assert (job.resin.loss, taken) == (0.10, ())
    (tmp_path / FILE_NAME).write_text("something else, long enough to be looked at " * 100)
    with pytest.raises(RecordError, match="no record"):
        plan_of(tmp_path, RESIN + OWN)


def test_a_record_of_a_job_that_changed_since_says_what_changed(folder):
    path = folder / "next.toml"
    path.write_text(jobs.SMALL + jobs.BAG + RESIN, encoding="utf-8")
    name = read_job(path).regions[0].name
    assert any("recorded: 1 field" in line for line in keep(path, Given(("resin_weighed=640 g",), region=name)))
    assert not any("has changed" in line for line in shown(path))
    path.write_text(jobs.SMALL + jobs.BAG + RESIN + 'loss = "8 %"\n', encoding="utf-8")
    lines = list(shown(path))
    k = next(k for k, line in enumerate(lines) if line.startswith("The job file has changed since"))
    assert lines[k + 1].strip() == "resin.loss: was '10 %', is '8 %'"


@pytest.mark.reference(source="prediction interval of a normal sample, t(n - 1) s sqrt(1 + 1/n), against 200 000 random samples", kind="derived")
@pytest.mark.parametrize("count", [3, 5, 12])
def test_the_next_lies_as_far_off_as_its_spread_says(count):
    rng = np.random.default_rng(count)
    drawn = rng.normal(0.5, 0.02, (200_000, count + 1))
    earlier, last = drawn[:, :count], drawn[:, count]
    half = next_half_width(1.0, count) * earlier.std(axis=1, ddof=1)
    within = np.mean(np.abs(last - earlier.mean(axis=1)) <= half)
    # Two standard deviations either way hold 95.45 %.
    assert within == pytest.approx(0.9545, abs=0.002)


def test_spreads_become_ranges_once_there_are_three(folder):
    def another(n, left, time):
        with Record(folder / FILE_NAME) as record:
            record.add("an earlier job", {**WRITTEN, "left_in_cups": left, "wet_out_time": time}, region="root", planned=SURE, session=n)

    another(2, "100 g", "36 min")
    job, taken = plan_of(folder, RESIN + OWN)
    assert job.ranges.loss == 0.5
    assert not any(t.key.startswith("ranges.") for t in taken)
    another(3, "140 g", "33 min")
    job, taken = plan_of(folder, RESIN + OWN)
    losses = [120 / 880, 100 / 900, 140 / 860]
    # t of two degrees of freedom at 97.725 % is 4.527.
    assert job.ranges.loss == pytest.approx(4.527 * statistics.stdev(losses) * (4 / 3) ** 0.5 / statistics.mean(losses), abs=0.01)
    speeds = [3.6 / t for t in (30, 36, 33)]
    assert job.clock.spread == pytest.approx(4.527 * statistics.stdev(speeds) * (4 / 3) ** 0.5 / statistics.mean(speeds), abs=0.01)
    row = next(t for t in taken if t.key == "ranges.loss")
    assert (row.was, row.mean_of, row.used) == ("50 %", "spread of 3, as wide as the next may lie off", True)
    # A laminate weighed the same each time has no spread; the job's own word goes before any.
    assert plan_of(folder, RESIN + OWN + '[ranges]\nloss = "30 %"\n')[0].ranges.loss == 0.3

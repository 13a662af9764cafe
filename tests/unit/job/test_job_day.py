"""The keys of the day: read with their units, written back, and refused where they cannot be."""

import jobs
import pytest

from plyflat.daily import check_day
from plyflat.errors import JobError
from plyflat.job.reader import job_from_text
from plyflat.job.resolved import assumed
from plyflat.shop.cure import CureError
from plyflat.shop.vacuum import VacuumError

DAY = """
[place]
altitude = "1200 m"
weather_pressure = "1013.25 mbar"
temperature = "59 degF"
humidity = "60 %"
[vacuum]
gauge = "25 inHg"
pump = "100 l/min"
drop = "1 inHg"
drop_time = "1 min"
[clock]
start = "9:30"
wet_out = "6 m^2/h"
[cure]
full = ["24 h at 20 degC", "4 h at 60 degC"]
plan = "8 h at 25 degC"
ramp = "30 degC/h"
log = "log.csv"
[service]
paint = "dark blue"
tilt = "90 deg"
[finish]
filler_price = "12 EUR/kg"
paint_price = "30 EUR/kg"
[waste]
cup = "0.5 oz"
reusable_price = "60 EUR/m^2"
masking_tape = "4 g/m"
"""
RESIN = jobs.RESIN + 'pot_life = ["30 min at 25 degC", "60 min at 15 degC"]\nin_shop = "2 kg"\n'


@pytest.fixture(scope="module")
def job():
    return job_from_text(jobs.SMALL + jobs.BAG + RESIN + DAY, folder="/boats")


def test_values_arrive_in_the_units_used_inside(job):
    assert (job.place.altitude_mm, job.place.weather_kpa, job.place.temperature_c) == (1.2e6, 101.325, pytest.approx(15.0))
    assert (job.vacuum.gauge_kpa, job.vacuum.pump_m3_h) == (pytest.approx(84.66, abs=0.01), pytest.approx(6.0))
    assert (job.vacuum.drop_kpa, job.vacuum.drop_s) == (pytest.approx(3.38639, abs=1e-5), 60.0)
    assert (job.clock.start_min, job.clock.wet_out_m2_min) == (570.0, pytest.approx(0.1))
    assert job.resin.pot_life == ((1800.0, 25.0), (3600.0, 15.0))
    assert (job.resin.in_shop_g, job.cure.ramp_c_min, str(job.cure.log)) == (2000.0, 0.5, "/boats/log.csv")
    assert job.cure.plan == ((28800.0, 25.0),)
    assert (job.waste.reusable_price_per_m2, job.waste.mask_tape_g_m) == (60.0, 4.0)
    assert (job.finish.filler_price_per_kg, job.finish.paint_price_per_kg) == (12.0, 30.0)
    assert job.currency == "EUR"


def test_written_out_and_read_again_it_is_the_same(job):
    assert job_from_text(job.resolved_toml(), folder="/boats") == job


def test_every_default_has_its_mark(job):
    marks = {a.key: a.mark for a in assumed(job)}
    assert marks["vacuum.hose_and_trap"] == "this program's choice"
    assert marks["vacuum.breather_use"] == "common practice"
    assert marks["waste.gloves"] == "from memory"
    assert marks["clock.pot_share"] == "common practice"


def test_a_bare_job_has_the_day_too():
    job = job_from_text(jobs.SMALL)
    assert job.vacuum.drop_kpa == pytest.approx(3.38639)
    assert job.cure.full is None


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ('[resin]\nratio = "0:1"\nfibre_mass_fraction = "50 %"', "not positive"),
        ('[resin]\nratio = "5:1"\nfibre_mass_fraction = "95 %"', "is not between 0 % and 90 %"),
        (jobs.RESIN + 'pot_life = ["30 min at 15 degC", "40 min at 25 degC"]', "resin sets faster where it is warmer"),
        (jobs.RESIN + 'pot_life = ["30 min at 15 degC", "20 min at 15 degC"]', "resin sets faster where it is warmer"),
        (jobs.RESIN + 'pot_life = "30 min"', "no time at a temperature"),
        (jobs.RESIN + 'pot_life = "30 at 20 degC"', "has no unit"),
        ('[vacuum]\ngauge = "110 kPa"', "is not between 1 kPa and 101 kPa"),
        ('[vacuum]\npump = "4 m^3"', "is not a flow"),
        ('[clock]\nstart = "25:00"', "no time of the day"),
        ('[cure]\nramp = "2 degC"', "no rate of heating"),
        ('[cure]\nramp = "1.2.3 degC/min"', "no rate of heating"),
        ('[waste]\nreusable_price = "60 EUR/m"', "is not a price per m"),
        ('[ranges]\nwet_out = "0.05"', "has no percent sign"),
        ('[service]\nmargin = "-5 degC"', "is not between 0 degC and 100 degC"),
    ],
)
def test_what_cannot_be_is_refused_with_its_key_and_line(line, words):
    with pytest.raises(JobError, match=words) as caught:
        job_from_text(jobs.SMALL + line + "\n")
    assert "(line " in str(caught.value)


CURED = '[cure]\nfull = ["24 h at 20 degC", "4 h at 50 degC"]\nlog = "log.csv"\n'
HEAD = "time (min),part (degC)\n"


@pytest.mark.parametrize(
    ("log", "words"),
    [
        (HEAD + "0,20\n10,25\n90,50\n100,50\n", "line 4: nothing was logged for 80 min"),
        (HEAD + "0,20\n10,77 degF\n20,30\n", 'line 3: "77 degF" is not in degC'),
        (HEAD + "0,20\n1 h,25\n120,30\n", 'line 3: "1 h" is not in min'),
        (HEAD + "0,20\n10,\n20,30\n", "line 3: a reading is missing"),
        (HEAD + "0,20\n20,30\n10,25\n", "line 4: the time does not rise"),
        (None, "cannot be read"),
    ],
)
def test_a_log_with_gaps_or_mixed_units_is_refused_before_the_long_work(tmp_path, log, words):
    if log is not None:
        (tmp_path / "log.csv").write_text(log, encoding="utf-8")
    with pytest.raises(CureError, match=words) as caught:
        check_day(job_from_text(jobs.SMALL + CURED, folder=tmp_path))
    assert "log.csv" in str(caught.value.where)
    assert caught.value.do


def test_a_log_without_fault_passes_and_a_longer_gap_may_be_allowed(tmp_path):
    (tmp_path / "log.csv").write_text(HEAD + "0,20\n10,25\n90,50\n100,50\n", encoding="utf-8")
    check_day(job_from_text(jobs.SMALL + CURED + 'log_gap = "90 min"\n', folder=tmp_path))


@pytest.mark.parametrize(
    ("lines", "words"),
    [
        ('[place]\naltitude = "1200 m"\n[vacuum]\ngauge = "90 kPa"\n', r"cannot be drawn where the air has 87\.\d+ kPa"),
        ('[place]\nair_pressure = "84 kPa"\n[vacuum]\ngauge = "25 inHg"\n', r"25\.0 inHg\) cannot be drawn where the air has 84 kPa"),
        ('[place]\nair_pressure = "84 kPa"\n[vacuum]\ngauge = "84 kPa"\n', "cannot be drawn"),
    ],
)
def test_a_vacuum_deeper_than_the_air_is_heavy_is_refused_with_its_key(lines, words):
    with pytest.raises(VacuumError, match=words) as caught:
        check_day(job_from_text(jobs.SMALL + jobs.BAG + lines))
    assert caught.value.where == "[vacuum] gauge"
    assert "smaller gauge" in caught.value.do


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ('ratio = "-5:1"\nfibre_mass_fraction = "50 %"', "ratio"),
        ('ratio = "5:0"\nfibre_mass_fraction = "50 %"', "not positive"),
        ('ratio = "5:1"\nfibre_mass_fraction = "0 %"', "is not between 0 % and 90 %"),
        ('ratio = "5:1"\nfibre_mass_fraction = "90 %"', "is not between 0 % and 90 %"),
        ('ratio = "5:1"\nfibre_mass_fraction = "60 %"\nwet_out = "65 %"', "presses resin out, not in"),
        ('ratio = "5:1"\nfibre_mass_fraction = "60 %"\nwet_out = "0 %"', "is not between 0 % and 90 %"),
        ('ratio = "5:1"\nfibre_mass_fraction = "60 %"\nopen_time = ["1 h at 15 degC", "2 h at 25 degC"]', "sets faster where it is warmer"),
    ],
)
def test_resin_that_cannot_be_is_refused_with_its_line(line, words):
    with pytest.raises(JobError, match=words) as caught:
        job_from_text(f"{jobs.SMALL}[resin]\n{line}\n")
    assert "(line " in str(caught.value)


def test_own_numbers_finish_and_fall_are_read():
    job = job_from_text(
        jobs.SMALL + '[own]\nuse = true\nleast = 3\n[finish]\nfiller = "0.5 mm"\ncoat = "4 oz/yd^2"\ncoats = 2\n[vacuum]\nusual_fall = "5 mbar"\n'
    )
    assert (job.own.use, job.own.least, job.finish.filler_mm, job.finish.coats) == (True, 3, 0.5, 2)
    assert job.finish.coat_g_m2 == pytest.approx(4 * 33.906, rel=1e-4)
    assert job.vacuum.fall_kpa_min == pytest.approx(0.5)
    assert {a.key: a.mark for a in assumed(job)}["finish.filler_density"] == "from memory"
    with pytest.raises(JobError, match="use"):
        job_from_text(jobs.SMALL + '[own]\nuse = "yes"\n')

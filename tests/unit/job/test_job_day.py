"""The keys of the day: read with their units, written back, and refused where they cannot be."""

import jobs
import pytest

from plyflat.errors import JobError
from plyflat.job.reader import job_from_text
from plyflat.job.resolved import assumed

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
[waste]
cup = "0.5 oz"
reusable_price = "60 EUR/m^2"
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
    assert job.waste.reusable_price_per_m2 == 60.0
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

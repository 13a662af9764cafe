import json
import tomllib

import jobs
import jsonschema
import numpy as np
import pytest

from plyflat.job.reader import job_from_text
from plyflat.job.schema import SCHEMA_PATH, job_schema, schema_text
from plyflat.job.starter import starter_job

CHECK = jsonschema.Draft202012Validator(job_schema())


def test_the_shipped_schema_is_current():
    """If this fails: run plyflat.job.schema.write_schema() and commit what it writes."""
    assert SCHEMA_PATH.read_text(encoding="utf-8") == schema_text()


def test_the_schema_is_a_schema():
    jsonschema.Draft202012Validator.check_schema(job_schema())


@pytest.mark.parametrize("text", [jobs.FULL, jobs.SMALL, jobs.SMALL + jobs.BAG + jobs.RESIN])
def test_sound_jobs_pass(text):
    assert list(CHECK.iter_errors(tomllib.loads(text))) == []
    assert list(CHECK.iter_errors(tomllib.loads(job_from_text(text).resolved_toml()))) == []


def test_the_starter_passes():
    square = np.array([[0, 0, 0], [500, 0, 0], [500, 500, 0], [0, 500, 0]], dtype=float)
    text = starter_job("a.ply", job_path="b.toml", unit="m", size_mm=[1e3] * 3, has_colours=True, outline_mm=square)
    assert list(CHECK.iter_errors(tomllib.loads(text))) == []


@pytest.mark.parametrize(
    "swap",
    [
        ("areal_weight", "areal_wieght"),
        ('"1000 mm"', "1000"),
        ('angle = "0 deg"\n', ""),
        ('fibre = "glass"', 'fibre = "cabron"'),
        ("version = 1", "version = 2"),
        ("[100, 0, 0]", "[100, 0]"),
        ("[cloth.glass]", "[cloth.'gl:ass']"),
    ],
)
def test_faults_that_need_no_arithmetic_are_seen_by_an_editor(swap):
    assert list(CHECK.iter_errors(tomllib.loads(jobs.changed(jobs.SMALL, swap))))


def _keys(part):
    yield from part.get("properties", {}).items()
    for inner in part.get("$defs", {}).values():
        yield from _keys(inner)


def test_every_key_has_a_description_and_an_example():
    for key, part in _keys(job_schema()):
        assert part["description"].endswith("."), key
        many = part.get("type") in ("array", "object") and ("items" in part or "additionalProperties" in part)
        assert part.get("examples") or "$ref" in part or many, key
        assert "null" not in json.dumps(part), key


def _defaults(part, name="Job"):
    for key, inner in part.get("properties", {}).items():
        if "default" in inner:
            yield name, key, inner["default"]
    for name_, inner in part.get("$defs", {}).items():
        yield from _defaults(inner, name_)


def test_defaults_are_written_as_one_would_write_them():
    rows = {(name, key): value for name, key, value in _defaults(job_schema())}
    assert rows[("Laps", "join")] == "25 mm"
    assert rows[("Limits", "strain")] == "3 %"
    assert rows[("LaySpec", "seconds")] == "20 s"
    assert rows[("TapeLayer", "margin")] == "100 mm"
    assert rows[("Cloth", "turns")] == ["0 deg", "180 deg"]
    assert rows[("Boat", "forward")] == [1.0, 0.0, 0.0]
    assert rows[("FilmLayer", "cut")] == "sheet"

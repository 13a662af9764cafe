"""Tables of a job as the page lists them, and what is typed put back."""

from __future__ import annotations

import jobs
import pytest
import tomlkit

from plyflat.errors import QuantityError
from plyflat.job.reader import job_from_text
from plyflat.page.draft import put_value
from plyflat.page.settings import NAMED, SINGLE, chosen_path, copy_named, entries, more, rows, typed


@pytest.fixture
def document():
    return tomlkit.parse(jobs.FULL)


def _path(document, title):
    return chosen_path(list(entries(document.unwrap(), "bow panel")), title)


def test_all_tables_of_a_job_are_listed_those_of_the_region_first(document):
    data = document.unwrap()
    titles = [entry.title for entry in entries(data, "bow panel")]
    assert titles[:2] == ["region: bow panel", "region: bow panel, ply 1"]
    assert {"cloth: carbon twill 200", "material of the bag: bag film 50", "bag: standard", "bag: standard, film", "laps", "lay"} <= set(titles)
    reached = {entry.path[0] for entry in entries(data, "bow panel")}
    # What else a job may hold has places of its own on the page, or none that a table can have.
    assert set(data) - reached <= {"version", "name", "currency", "datum", "projector"}
    assert set(SINGLE) | set(NAMED) | {"region"} == reached


def test_rows_say_what_the_file_says_and_what_may_be_said_besides(document):
    path = _path(document, "cloth: carbon twill 200")
    found = {row.key: row for row in rows(document.unwrap(), path)}
    assert found["roll_width"].text == "50 in"
    assert found["roll_width"].needed
    assert not found["price"].needed
    assert "Whole width" in found["roll_width"].says
    besides = {row.key: row for row in more(document.unwrap(), path)}
    assert not set(found) & set(besides)
    assert besides["buy"].choice == ("true", "false")


def test_a_region_is_not_offered_other_ways_to_say_where_it_is(document):
    besides = {row.key for row in more(document.unwrap(), _path(document, "region: bow panel"))}
    assert not besides & {"outline", "tape", "corner", "face", "spot", "drawn", "mirror_of"}
    assert "seam_shift" in besides


@pytest.mark.parametrize(
    ("title", "key", "text", "value"),
    [
        ("cloth: carbon twill 200", "roll_width", " 48 in ", "48 in"),
        ("cloth: carbon twill 200", "rolls", "3", 3),
        ("cloth: carbon twill 200", "turns", "free", "free"),
        ("cloth: carbon twill 200", "turns", '["0 deg"]', ["0 deg"]),
        ("cloth: carbon twill 200", "buy", "false", False),
        ("bag: standard, film", "friction", "0.25", 0.25),
        ("laps", "join", "30 mm", "30 mm"),
    ],
)
def test_what_is_typed_is_what_a_job_takes(document, title, key, text, value):
    path = _path(document, title)
    assert typed(path, key, text) == value
    put_value(document, (*path, key), typed(path, key, text))
    job_from_text(tomlkit.dumps(document))


def test_what_cannot_be_read_is_refused_with_an_example(document):
    path = _path(document, "cloth: carbon twill 200")
    with pytest.raises(QuantityError, match="three") as fault:
        typed(path, "rolls", "three of them")
    assert "Write it like 1" in str(fault.value)


def test_every_key_offered_can_be_put_as_it_is_offered(document):
    """The text offered is what holds without it, or an example: typed back it is read, whatever the job then says of it."""
    count = 0
    for entry in entries(document.unwrap(), "skeg root"):
        for row in more(document.unwrap(), entry.path):
            value = typed(entry.path, row.key, row.text)
            again = tomlkit.parse(jobs.FULL)
            put_value(again, (*entry.path, row.key), value)
            assert tomlkit.parse(tomlkit.dumps(again)).unwrap() == again.unwrap(), (entry.title, row.key)
            count += 1
    assert count > 100


def test_a_cloth_is_copied_under_another_name_once(document):
    path = _path(document, "cloth: carbon twill 200")
    copy_named(document, path, " narrow carbon ")
    assert document["cloth"]["narrow carbon"].unwrap() == document["cloth"]["carbon twill 200"].unwrap()
    assert '\n[cloth."narrow carbon"]\nareal_weight = ' in tomlkit.dumps(document)
    job_from_text(tomlkit.dumps(document))
    with pytest.raises(QuantityError, match="already"):
        copy_named(document, path, "narrow carbon")
    with pytest.raises(QuantityError, match="no name"):
        copy_named(document, path, " ")

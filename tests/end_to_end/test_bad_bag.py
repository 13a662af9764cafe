"""What is wrong with a bag ends in exit code 2 with its key, the number and what to do, or in a warning with its place."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import jobs
import pytest
import shapes
import trimesh

from plyflat.cli import main

JOB = (
    jobs.head(
        "corner of a locker", "corner.ply", 'bag = "standard"', jobs.outline((140, 60, 0), (260, 60, 0), (260, 0, 60), (140, 0, 60)),
        region="corner",
    )
    + jobs.PLY + jobs.GLASS + jobs.TAPE + jobs.FILM
    + """\
[bag.standard]
tape = { material = "tape", margin = "60 mm" }
film = { material = "film", margin = "20 mm", worked_out = "no" }
[vacuum]
gauge = "80 kPa"
"""
    + jobs.QUICK
)  # fmt: skip


def planned(capsys, folder: Path, *changes: tuple[str, str], first: float = 150.0) -> tuple[int, str, str]:
    """Exit code and what was printed of a job on two walls, the floor's width `first`."""
    v, f = shapes.wedge(90, length=400, first=first, second=150.0, step=15.0)
    trimesh.Trimesh(v, f, process=False).export(folder / "corner.ply")
    text = JOB
    for old, new in changes:
        assert text.count(old) == 1
        text = text.replace(old, new)
    (folder / "job.toml").write_text(text)
    sys.argv = ["plyflat", "plan", str(folder / "job.toml"), "-o", str(folder / "out"), "--no-pictures"]
    code = main()
    return code, *capsys.readouterr()


def test_a_bag_with_room_is_planned(capsys, tmp_path):
    code, out, err = planned(capsys, tmp_path)
    assert code == 0, err
    assert "short" not in out + err
    assert (tmp_path / "out" / "plan.json").exists()


@pytest.mark.parametrize("first", [90.0, 105.0])
def test_how_much_hull_the_margins_lack_is_told_with_the_place(capsys, tmp_path, first):
    code, out, err = planned(capsys, tmp_path, first=first)
    assert code == 0, err
    # The plies end at 60 mm and the tape wants 60 more.
    lacks = round(120 - first)
    told = [line for line in (out + err).splitlines() if f"the surface ends {lacks} mm short" in line]
    assert any("60 mm beyond the plies" in line and f", {first:.0f}, 0) mm" in line for line in told), out + err
    found = json.loads((tmp_path / "out" / "plan.json").read_text())
    assert any(f"ends {lacks} mm short" in str(c) for c in found["cautions"])


VACUUM, FILM = 'gauge = "80 kPa"', '{ material = "film", margin = "20 mm", worked_out = "no" }'


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        (VACUUM, 'gauge = "0 kPa"', ["line 33", "vacuum.gauge", "0 kPa"]),
        (VACUUM, 'gauge = "120 kPa"', ["line 33", "vacuum.gauge", "120 kPa"]),
        (VACUUM, 'gauge = "80"', ["line 33", "vacuum.gauge", "kPa"]),
        (VACUUM, 'gauge = "95 kPa"\n[place]\naltitude = "2000 m"', ["95", "79.5"]),
        (f"film = {FILM}\n", "", ["bag.standard", "film"]),
        (FILM, '{ margin = "20 mm" }', ["bag.standard.film", "material"]),
        (FILM, '{ material = "foil" }', ["bag.standard.film", "foil", "did you mean 'film'"]),
        (FILM, '{ material = "tape" }', ["bag.standard.film", "sealant tape", "bag film"]),
        (FILM, '{ material = "film", margin = "-20 mm" }', ["bag.standard.film.margin", "-20 mm"]),
        (FILM, '{ material = "film", yield = "0 MPa" }', ["bag.standard.film.yield", "0 MPa", "0.1 MPa"]),
        (FILM, '{ material = "film", modulus = "35" }', ["bag.standard.film.modulus", '"35" has no unit', "MPa"]),
        (FILM, '{ material = "film", breaks_at = 0.5 }', ["bag.standard.film.breaks_at", "0.5 is not above 1"]),
        (FILM, '{ material = "film", friction = -0.3 }', ["bag.standard.film.friction", "-0.3 is not above 0"]),
        ('thickness = "0.05 mm"\n', 'thickness = "0 mm"\n', ["consumable.film.thickness", "0 mm"]),
        ('areal_weight = "57 g/m^2"\n', "", ["consumable.film", "areal_weight"]),
        ('roll_width = "1500 mm"\n', "", ["consumable.film", "roll_width"]),
    ],
)
def test_vacuum_and_film_that_cannot_be_are_refused(capsys, tmp_path, old, new, says):
    code, out, err = planned(capsys, tmp_path, (old, new))
    assert code == 2, out + err
    assert "Traceback" not in err
    for word in says:
        assert word in err, err
    assert sorted(p.name for p in tmp_path.iterdir()) == ["corner.ply", "job.toml"]

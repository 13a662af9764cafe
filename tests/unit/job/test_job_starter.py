import re
import tomllib
from pathlib import Path

import numpy as np
import pytest

from plyflat.job.reader import job_from_text, read_job
from plyflat.job.starter import starter_job


def ring(radius: float, *, tilt: float = 0.0) -> np.ndarray:
    a = np.linspace(0, 2 * np.pi, 8, endpoint=False)
    flat = np.stack([radius * np.cos(a), radius * np.sin(a), 0 * a], axis=1)
    turn = np.array([[np.cos(tilt), 0, np.sin(tilt)], [0, 1, 0], [-np.sin(tilt), 0, np.cos(tilt)]])
    return flat @ turn.T + [1000.0, 20.0, -300.0]


def starter(**changes) -> str:
    stated = {
        "job_path": Path("/boats/jobs/job.toml"),
        "unit": "m",
        "size_mm": [4000, 1500, 800],
        "has_colours": False,
        "outline_mm": ring(200.0),
    }
    mesh = changes.pop("mesh", "/boats/scans/my hull.ply")
    return starter_job(mesh, **{**stated, **changes})


def test_the_starter_reads_without_a_fault(tmp_path):
    path = tmp_path / "job.toml"
    path.write_text(starter(job_path=path, mesh=tmp_path / "scans" / 'odd "name".ply'))
    job = read_job(path)
    assert job.meshes["hull"].file == tmp_path / "scans" / 'odd "name".ply'
    assert np.allclose(job.regions[0].outline_mm, ring(200.0), atol=0.05)
    assert job.regions[0].bag in job.bags
    assert len(job.bags["standard"].layers()) == 5
    assert job.resin is not None


@pytest.mark.parametrize("unit", [None, "m", "cm", "mm", "in", "ft"])
def test_the_unit_is_as_told(unit):
    assert job_from_text(starter(unit=unit)).meshes["hull"].unit == unit


def test_a_small_mesh_gets_small_margins():
    wide = job_from_text(starter(outline_mm=ring(200.0))).bags["standard"]
    tight = job_from_text(starter(outline_mm=ring(30.0))).bags["standard"]
    assert [layer.margin_mm for _, layer in wide.layers()] == [25.0, 40.0, 75.0, 100.0, 50.0]
    assert tight.tape.margin_mm + tight.film.margin_mm <= 1.2 * 30.0
    assert "smaller than common practice" in starter(outline_mm=ring(30.0))
    assert job_from_text(starter(outline_mm=ring(1.0))).bags["standard"].tape.margin_mm > 0


def test_the_warp_line_lies_along_the_area():
    assert job_from_text(starter()).regions[0].warp == "forward"
    assert job_from_text(starter(outline_mm=ring(200.0, tilt=np.pi / 2))).regions[0].warp == "up"


def test_tape_is_offered_where_it_can_be_seen():
    assert re.search(r"^#tape = ", starter(has_colours=True), re.MULTILINE)
    assert not re.search(r"^#tape = ", starter(has_colours=False), re.MULTILINE)


@pytest.mark.parametrize("way", ["tape", "corner", "face", "spot", "drawn"])
def test_keys_behind_a_remark_sign_are_sound_too(way):
    """Taking the # away must give a job that reads; of the ways to say the area one at a time."""
    text = starter(has_colours=True)
    others = "|".join({"tape", "corner", "face", "spot", "drawn"} - {way})
    opened = re.sub(rf"^#(?!(?:{others}) = )(?=\w+ = )", "", text, flags=re.MULTILINE)
    opened = re.sub(r"^outline = .*?^\] }\n", "", opened, flags=re.MULTILINE | re.DOTALL)
    job = job_from_text(opened)
    assert getattr(job.regions[0], way) is not None
    assert job.regions[0].minus[0].spot is not None
    assert job.regions[0].darts == 4
    assert job.meshes["hull"].check_distance is not None
    assert (job.currency, job.resin.price_per_kg, job.meshes["hull"].smooth_mm) == ("EUR", 22.0, 8.0)


def test_every_guess_is_marked():
    lines = starter().split("\n")
    for key in ("areal_weight", "roll_width", "roll_length", "fibre_density", "strain_limit", "density", "ratio",
                "fibre_mass_fraction", "wet_out", "loss", "join", "trim", "stagger", "mass_per_length", "forward"):  # fmt: skip
        rows = [line for line in lines if line.startswith(f"{key} = ")]
        assert rows
        assert all("TYPICAL" in row or "GUESS" in row for row in rows), rows


def test_remarks_stand_in_one_column():
    rows = [line for line in starter().split("\n") if re.match(r"\w+ = [^{\[]*  #", line)]
    assert len(rows) > 30
    assert {line.index("  #") + 2 for line in rows} == {38}


def test_nothing_is_left_to_fill_in():
    text = starter()
    assert not re.search(r"\{[a-z_]+\}|%s|None", text)
    assert max(map(len, text.split("\n"))) <= 120
    assert tomllib.loads(text)["version"] == 1

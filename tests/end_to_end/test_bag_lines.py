"""The tape's line where a bag's margin meets an opening or itself, and film joined flat, through the command line."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import jobs
import numpy as np
import pytest
import shapes
import trimesh
from shapely import LinearRing

from plyflat.cli import main

JOB = (
    jobs.head("lines of a bag", "hull.ply", 'bag = "standard"', 'outline = { unit = "mm", points = %s }', region="patch")
    + jobs.PLY + jobs.GLASS + jobs.TAPE + jobs.FILM
    + """\
[bag.standard]
tape = { material = "tape", margin = "60 mm" }
film = { material = "film", margin = "20 mm", worked_out = "no"%s }
"""
    + jobs.QUICK
).replace('unit = "mm"\n', 'unit = "mm"\nfill_holes = "0 mm"\n', 1)  # fmt: skip
SQUARE = "[[220,260,0],[380,260,0],[380,380,0],[220,380,0]]"


def plate(hole=None, size=600.0, step=10.0):
    """A flat plate with a hole (x, y, radius), its edge along the triangles."""
    n = int(size / step) + 1
    x, y = np.meshgrid(np.linspace(0, size, n), np.linspace(0, size, n), indexing="ij")
    v = np.stack([x.ravel(), y.ravel(), 0 * x.ravel()], axis=1)
    i = np.arange(n * n).reshape(n, n)
    a, b, c, d = (q.ravel() for q in (i[:-1, :-1], i[1:, :-1], i[1:, 1:], i[:-1, 1:]))
    f = np.concatenate([np.stack([a, b, c], 1), np.stack([a, c, d], 1)])
    if hole is not None:
        middle = v[f].mean(axis=1)
        f = f[np.hypot(middle[:, 0] - hole[0], middle[:, 1] - hole[1]) > hole[2]]
    mesh = trimesh.Trimesh(v, f, process=False)
    mesh.remove_unreferenced_vertices()
    return mesh


def planned(capsys, folder: Path, mesh, points=SQUARE, film=""):
    mesh.export(folder / "hull.ply")
    (folder / "job.toml").write_text(JOB % (points, film))
    sys.argv = ["plyflat", "plan", str(folder / "job.toml"), "-o", str(folder / "out"), "--no-pictures"]
    return main(), *capsys.readouterr()


@pytest.mark.parametrize(
    ("hole", "says"),
    [
        ((300.0, 190.0, 35.0), "lies under the bag's tape, which has nothing to stick to for"),
        ((300.0, 230.0, 15.0), "lies within the bag's tape, and air comes in through it"),
    ],
)
def test_a_tape_over_an_opening_is_refused_with_its_place(capsys, tmp_path, hole, says):
    code, _, err = planned(capsys, tmp_path, plate(hole))
    assert code == 2
    assert "Traceback" not in err
    assert "region 'patch': an opening of the mesh" in err
    assert says in err
    assert "close it in the mesh with fill_holes" in err
    place = err.split("(")[1].split(")")[0].split(",")
    assert np.hypot(float(place[0]) - hole[0], float(place[1]) - hole[1]) < hole[2] + 15.0
    assert not (tmp_path / "out").exists()


def test_an_opening_clear_of_the_tape_is_none_of_its_business(capsys, tmp_path):
    code, out, err = planned(capsys, tmp_path, plate((300.0, 100.0, 30.0)))
    assert code == 0, out + err
    assert "an opening of the mesh" not in out + err


def test_a_margin_that_meets_itself_is_one_line_that_does_not_cross(capsys, tmp_path):
    # A C whose mouth of 100 mm is narrower than two margins of 60: the tape runs straight across it.
    points = "[[150,150,0],[450,150,0],[450,250,0],[220,250,0],[220,350,0],[450,350,0],[450,450,0],[150,450,0]]"
    code, out, err = planned(capsys, tmp_path, plate(), points)
    assert code == 0, out + err
    stack = json.loads((tmp_path / "out" / "plan.json").read_text())["regions"][0]["stack"]
    (line,) = stack["tape_mm"]
    ring = LinearRing(np.array(line)[:, :2])
    assert ring.is_simple
    # Three sides of 300 mm, two ends of 100, four corners that make a circle, and in the mouth two arcs that meet half way.
    assert ring.length == pytest.approx(3 * 300 + 2 * 100 + 2 * np.pi * 60 + 2 * 60 * np.arcsin(50 / 60), rel=2e-3)


def test_film_in_two_pieces_is_planned_to_its_cut_files(capsys, tmp_path):
    v, f = shapes.wedge(90, length=400, first=180.0, second=180.0, step=15.0)
    points = "[[140,60,0],[260,60,0],[260,0,60],[140,0,60]]"
    code, out, err = planned(capsys, tmp_path, trimesh.Trimesh(v, f, process=False), points, ', cut = "two pieces"')
    assert code == 0, out + err
    region = json.loads((tmp_path / "out" / "plan.json").read_text())["regions"][0]
    stack = region["stack"]
    assert stack["ways"][0]["name"] == "two pieces"
    assert [q["what"] for q in stack["seams"]] == ["corner 1, A to B"]
    # 120 mm along the corner, and 60 of margin and 20 of film beyond it at both ends.
    assert stack["seams"][0]["length_mm"] == pytest.approx(120 + 2 * 80, abs=1.0)
    assert region["bridging"]["pleats"] == []
    assert stack["tape"]["pleats_mm"] == 0.0
    sheet = (tmp_path / "out" / "report.html").read_text()
    assert "Ways to cut the bag film" in sheet
    assert "Join A and B along corner 1" in sheet
    assert (tmp_path / "out" / "cut" / "patch_bag-film.dxf").exists()


def test_a_part_that_stands_free_goes_into_a_pouch(capsys, tmp_path):
    v, f = shapes.box((400.0, 200.0, 60.0), steps=10)
    points = "[[-100,-40,30],[100,-40,30],[100,40,30],[-100,40,30]]"
    code, out, err = planned(capsys, tmp_path, trimesh.Trimesh(v, f, process=False), points, ', cut = "envelope"')
    assert code == 0, out + err
    stack = json.loads((tmp_path / "out" / "plan.json").read_text())["regions"][0]["stack"]
    # 2 (200 + 60) mm round, laid flat 260; 400 long and 60 over both ends. Folded along a side: one side and two ends.
    assert [(q["what"], round(q["length_mm"], 3)) for q in stack["seams"]] == [("side", 460.0), ("end 1", 260.0), ("end 2", 260.0)]
    assert stack["tape"]["loops_mm"] == stack["tape_mm"] == stack["ports"] == []
    assert stack["tape"]["film_joins_mm"] == pytest.approx(980.0)
    assert "seam of the film, end" in (tmp_path / "out" / "report.html").read_text()

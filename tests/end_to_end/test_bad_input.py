"""Every fault a user can cause ends in exit code 2, one clear line that names it, and nothing written."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import trimesh

from plyflat.cli import main

JOB = """
version = 1
name = "test panel"
[mesh.hull]
file = "{file}"
unit = "{unit}"
[[region]]
name = "panel"
mesh = "hull"
{outline}
[[region.ply]]
cloth = "glass"
angle = {angle}
[cloth."glass"]
areal_weight = "300 g/m^2"
roll_width = "{width}"
roll_length = "{length}"
fibre = "glass"
face_up = "out"
[lay]
seconds = "1 s"
"""
SQUARE = 'outline = { unit = "mm", points = [[-100,-100,0],[100,-100,0],[100,100,0],[-100,100,0]] }'


def sheet(folder: Path, *, size: float = 400.0, name: str = "sheet.ply") -> Path:
    n = 21
    x, y = np.meshgrid(np.linspace(-size / 2, size / 2, n), np.linspace(-size / 2, size / 2, n), indexing="ij")
    v = np.stack([x.ravel(), y.ravel(), np.zeros(n * n)], axis=1)
    i = np.arange(n * n).reshape(n, n)
    a, b, c, d = (q.ravel() for q in (i[:-1, :-1], i[1:, :-1], i[1:, 1:], i[:-1, 1:]))
    f = np.concatenate([np.stack([a, b, c], 1), np.stack([a, c, d], 1)])
    path = folder / name
    trimesh.Trimesh(v, f, process=False).export(path)
    return path


def job(folder: Path, **change: str) -> Path:
    values = {
        "file": "sheet.ply", "unit": "mm", "outline": SQUARE, "angle": '"0 deg"', "width": "1000 mm", "length": "10 m",
    }
    path = folder / "job.toml"
    path.write_text(JOB.format(**{**values, **change}))
    return path


def run(capsys, *words: object) -> tuple[int, str]:
    sys.argv = ["plyflat", *map(str, words)]
    code = main()
    return code, capsys.readouterr().err


def refused(capsys, tmp_path: Path, *says: str, **change: str) -> None:
    if not (tmp_path / "sheet.ply").exists():
        sheet(tmp_path)
    code, err = run(capsys, "plan", job(tmp_path, **change), "-o", tmp_path / "out")
    assert code == 2, err
    assert "Traceback" not in err
    for word in says:
        assert word in err
    assert not (tmp_path / "out").exists()
    assert [p.name for p in tmp_path.iterdir() if p.name.startswith((".", "out"))] == []


def test_good_job_for_comparison(capsys, tmp_path):
    sheet(tmp_path)
    code, err = run(capsys, "plan", job(tmp_path), "-o", tmp_path / "out", "--no-pictures")
    assert code == 0, err
    assert (tmp_path / "out" / "plan.json").exists()


def test_no_such_job(capsys, tmp_path):
    code, err = run(capsys, "plan", tmp_path / "none.toml", "-o", tmp_path / "out")
    assert code == 2
    assert "none.toml" in err


def test_no_such_mesh(capsys, tmp_path):
    refused(capsys, tmp_path, "gone.ply", file="gone.ply")


def test_empty_mesh(capsys, tmp_path):
    (tmp_path / "empty.stl").write_bytes(b"")
    refused(capsys, tmp_path, "empty.stl", "empty", file="empty.stl")


def test_truncated_mesh(capsys, tmp_path):
    whole = sheet(tmp_path, name="whole.stl").read_bytes()
    (tmp_path / "half.stl").write_bytes(whole[: len(whole) // 2])
    refused(capsys, tmp_path, "half.stl", file="half.stl")


def test_nan_vertices(capsys, tmp_path):
    (tmp_path / "nan.obj").write_text("v 0 0 0\nv 100 0 0\nv nan 100 0\nv 100 100 0\nf 1 2 3\nf 2 4 3\n")
    refused(capsys, tmp_path, "vertex 2", file="nan.obj")


def test_point_cloud(capsys, tmp_path):
    trimesh.PointCloud(np.random.default_rng(0).normal(size=(50, 3)) * 100).export(tmp_path / "cloud.ply")
    refused(capsys, tmp_path, "point", file="cloud.ply")


def test_unit_missing(capsys, tmp_path):
    sheet(tmp_path)
    path = job(tmp_path)
    path.write_text(path.read_text().replace('unit = "mm"\n', "", 1))
    code, err = run(capsys, "plan", path, "-o", tmp_path / "out")
    assert code == 2
    assert all(f" {unit}" in err for unit in ("m", "cm", "mm", "in", "ft"))


def test_millimetres_taken_for_metres(capsys, tmp_path):
    sheet(tmp_path, size=9000.0)
    refused(capsys, tmp_path, "km", unit="m")


def test_outline_off_the_surface(capsys, tmp_path):
    off = SQUARE.replace("[100,100,0]", "[100,100,35]")
    refused(capsys, tmp_path, "35", "off the surface", outline=off)


def test_outline_crosses_itself(capsys, tmp_path):
    bow = 'outline = { unit = "mm", points = [[-100,-100,0],[100,100,0],[100,-100,0],[-100,100,0]] }'
    refused(capsys, tmp_path, "cross", outline=bow)


def test_outline_round_two_pieces(capsys, tmp_path):
    a = trimesh.load(sheet(tmp_path, name="a.ply"))
    b = a.copy()
    b.apply_translation([1000, 0, 0])
    trimesh.util.concatenate([a, b]).export(tmp_path / "two.ply")
    both = 'outline = { unit = "mm", points = [[-100,-100,0],[1100,-100,0],[1100,100,0],[-100,100,0]] }'
    path = job(tmp_path, file="two.ply", outline=both)
    path.write_text(path.read_text().replace('file = "two.ply"', 'file = "two.ply"\nkeep = "all"'))
    code, err = run(capsys, "plan", path, "-o", tmp_path / "out")
    assert code == 2
    assert "pieces" in err


def test_tape_colour_not_found(capsys, tmp_path):
    path = sheet(tmp_path)
    mesh = trimesh.load(path)
    mesh.visual.vertex_colors = np.tile([150, 160, 150, 255], (len(mesh.vertices), 1))
    mesh.export(path)
    refused(capsys, tmp_path, "red", outline='tape = { colour = "red", seed = "0 0 0 mm" }')


def test_open_tape_loop_says_where(capsys, tmp_path):
    path = sheet(tmp_path, size=400.0, name="fine.ply")
    mesh = trimesh.load(path)
    for _ in range(3):
        mesh = mesh.subdivide()
    p = mesh.vertices
    ring = np.abs(np.hypot(p[:, 0], p[:, 1]) - 120) < 8
    ring &= ~((p[:, 0] > 0) & (np.abs(p[:, 1]) < 40))
    mesh.visual.vertex_colors = np.where(ring[:, None], [30, 60, 190, 255], [150, 160, 150, 255])
    mesh.export(path)
    refused(capsys, tmp_path, "open", "mm", file="fine.ply", outline='tape = { colour = "blue", seed = "0 0 0 mm" }')


def test_piece_that_fits_no_roll(capsys, tmp_path):
    refused(capsys, tmp_path, "wide", width="40 mm")


def test_unknown_cloth(capsys, tmp_path):
    sheet(tmp_path)
    path = job(tmp_path)
    path.write_text(path.read_text().replace('cloth = "glass"', 'cloth = "glas"'))
    code, err = run(capsys, "plan", path, "-o", tmp_path / "out")
    assert code == 2
    assert "did you mean" in err
    assert "glass" in err


def test_angle_without_unit(capsys, tmp_path):
    refused(capsys, tmp_path, "angle", "deg", angle="45")


def test_unknown_key(capsys, tmp_path):
    refused(capsys, tmp_path, "stagers", outline=SQUARE + "\nstagers = 3")


def test_output_folder_is_someone_elses(capsys, tmp_path):
    sheet(tmp_path)
    out = tmp_path / "out"
    out.mkdir()
    (out / "precious.txt").write_text("keep me")
    code, err = run(capsys, "plan", job(tmp_path), "-o", out)
    assert code == 2
    assert (out / "precious.txt").read_text() == "keep me"
    assert [p.name for p in out.iterdir()] == ["precious.txt"]


def test_output_folder_cannot_be_made(capsys, tmp_path):
    sheet(tmp_path)
    (tmp_path / "file").write_text("")
    code, err = run(capsys, "plan", job(tmp_path), "-o", tmp_path / "file" / "out")
    assert code == 2
    assert "file" in err


@pytest.mark.parametrize("words", [["plan"], ["plan", "x.toml"], ["no-such-command"], ["inspect"]])
def test_wrong_command_line(capsys, words):
    code, err = run(capsys, *words)
    assert code == 2
    assert err.startswith("plyflat: ")


def test_module_runs_like_the_command():
    done = subprocess.run([sys.executable, "-m", "plyflat", "--version"], capture_output=True, text=True, check=True)
    assert done.stdout.startswith("plyflat ")

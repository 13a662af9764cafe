"""The demo job by the command line, from its two meshes to files that others can read."""

from __future__ import annotations

import csv
import json
import signal
import subprocess
import sys
import time
from pathlib import Path

import ezdxf
import jobs
import numpy as np
import pytest
import shapely
import shapes
import trimesh
from pypdf import PdfReader

from plyflat.shop.fields import FIELDS

MESHES = Path(__file__).resolve().parents[2] / "meshes_demo"


def plyflat(*words: object) -> subprocess.CompletedProcess:
    command = [sys.executable, "-m", "plyflat", *map(str, words)]
    return subprocess.run(command, capture_output=True, text=True, check=False)


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    folder = tmp_path_factory.mktemp("demo")
    text = jobs.changed((MESHES / "launch.toml").read_text(), ('seconds = "20 s"', 'seconds = "1 s"'))
    for name in ("skeg_scan.ply", "bow_panel.stl"):
        text = text.replace(f'file = "{name}"', f'file = "{(MESHES / name).as_posix()}"')
    (folder / "job.toml").write_text(text)
    done = plyflat("plan", folder / "job.toml", "-o", folder / "out", "--no-pictures")
    assert done.returncode == 0, done.stderr
    return folder / "out", json.loads((folder / "out" / "plan.json").read_text()), done.stdout


def test_ring_is_opened_at_nose_and_tail_of_the_skeg(demo):
    _, plan, _ = demo
    skeg = plan["regions"][0]
    # The first ply is a left and a right half; those on it may have a seam on either side of nose and tail instead of one,
    # so that laps keep off those below.
    pieces = [len(ply["templates"]) for ply in skeg["plies"]]
    assert pieces[0] == 2
    assert all(2 <= n <= 4 for n in pieces)
    assert all(min(ply["lap_clearance_mm"][-1:], default=99) > 20 for ply in skeg["plies"])
    middles = sorted(np.mean(seam, axis=0)[0] for seam in skeg["seams_mm"])
    # The root runs from about -2508 (tail) to -1893 mm (nose).
    assert middles[0] < -2400
    assert middles[1] > -2000


def test_plies_grow_and_nothing_folds(demo):
    _, plan, _ = demo
    for region in plan["regions"]:
        areas = [ply["area_mm2"] for ply in region["plies"]]
        assert areas == sorted(areas)
    checks = {c["what"]: c for c in plan["checks"]}
    turned = [c for what, c in checks.items() if "turned over" in what]
    assert len(turned) == 5
    assert all(c["measured"] == 0 for c in turned)


def test_the_film_over_the_skeg_is_fed_by_pleats_and_laid_whole(demo):
    _, plan, _ = demo
    bridging = plan["regions"][0]["bridging"]
    film = bridging["film"]
    assert bridging["limit_mm"] == 3.0
    # Taut it stands off too far; its pleats bring it within the limit over the sections.
    assert film["taut"][-1]["depth_mm"][0] > 3.0 >= film["pleated"][-1]["depth_mm"][0]
    assert len(bridging["pleats"]) >= 4
    taut = film["whole"]["taut"]
    assert taut["at_rest"]
    assert taut["points"] > 2000
    # About as far off as the sections say, which the whole film's own bracket of the gap holds.
    low, high = taut["between_mm"]
    assert low <= film["taut"][-1]["depth_mm"][0] <= high


@pytest.mark.reference(source="ezdxf reader; polygon areas by shapely", kind="library")
def test_cut_lines_in_the_files_have_the_areas_of_the_list(demo):
    out, _, _ = demo
    with (out / "cut_list.csv").open(newline="", encoding="utf-8") as f:
        rows = list(csv.DictReader(f))
    areas = sorted(float(r["cut area (m2)"]) for r in rows if r["ply or layer"].startswith("P"))
    found = []
    for path in sorted((out / "cut").glob("*_P?.dxf")):
        space = ezdxf.readfile(path).modelspace()
        found += [shapely.Polygon(e.get_points("xy")).area / 1e6 for e in space.query('LWPOLYLINE[layer=="CUT"]')]
    assert len(found) == len(areas) >= 8
    assert sorted(found) == pytest.approx(areas, abs=6e-5)


def test_bias_ply_lies_at_45_degrees_on_the_roll(demo):
    _, plan, _ = demo
    straight, bias = plan["regions"][1]["plies"]
    angles = [ply["templates"][0]["forward"] for ply in (straight, bias)]
    turn = np.degrees(np.arctan2(angles[1][1], angles[1][0]) - np.arctan2(angles[0][1], angles[0][0]))
    assert (turn + 180) % 360 - 180 == pytest.approx(-45.0, abs=2.0)


def test_summary_names_every_roll_and_ply(demo):
    _, plan, said = demo
    for roll in plan["rolls"]:
        assert roll["material"] in said
    assert "skeg root P3" in said
    assert "report.html" in said


def test_each_region_has_one_page_to_work_from(demo):
    out, plan, _ = demo
    pages = PdfReader(out / "job_sheets.pdf").pages
    texts = [" ".join(page.extract_text().split()) for page in pages]
    assert len(texts) == len(plan["regions"]) == 2
    for text, region in zip(texts, plan["regions"]):
        assert text.startswith(f"{region['name']} Harbour launch")
        assert [key for key in FIELDS if f"{key} planned" not in text and f"{key} such as" not in text] == []
        assert all(f"{ply['name']}, {ply['cloth']}" in text for ply in region["plies"])
        assert "11. Finish" in text


def test_resolved_job_plans_from_where_it_lies(demo):
    from plyflat.job.reader import read_job

    out, _, _ = demo
    assert all(m.file.exists() for m in read_job(out / "job_resolved.toml").meshes.values())


def test_starter_job_plans_as_it_stands(tmp_path):
    mesh = MESHES / "bow_panel.stl"
    assert plyflat("new", mesh, "--unit", "mm", "-o", tmp_path / "job.toml").returncode == 0
    job = (tmp_path / "job.toml").read_text()
    assert plyflat("new", mesh, "--unit", "mm", "-o", tmp_path / "job.toml").returncode == 2
    assert (tmp_path / "job.toml").read_text() == job
    # All as it stands but for the time in which longer searches save cloth.
    (tmp_path / "job.toml").write_text(jobs.changed(job, ('seconds = "20 s"', 'seconds = "1 s"')))
    done = plyflat("plan", tmp_path / "job.toml", "-o", tmp_path / "out", "--no-pictures")
    assert done.returncode == 0, done.stderr


def test_inspect_says_size_and_faults():
    done = plyflat("inspect", MESHES / "skeg_scan.ply", "--unit", "m")
    assert done.returncode == 0
    assert "1.690 x 1.078" in done.stdout
    assert "192209 triangles" in done.stdout


def searches(pid: int) -> bool:
    """Whether a process has search processes at work."""
    return bool(Path(f"/proc/{pid}/task/{pid}/children").read_text().split())


@pytest.mark.skipif(not Path("/proc/self/task").exists(), reason="the search is watched through /proc")
def test_interrupt_during_the_search_keeps_the_best_lays(tmp_path):
    v, f = shapes.smooth_patch(600.0, rise=40.0, triangles=1000)
    trimesh.Trimesh(v, f, process=False).export(tmp_path / "hull.stl")
    plyflat("new", tmp_path / "hull.stl", "--unit", "mm", "-o", tmp_path / "job.toml")
    job = tmp_path / "job.toml"
    text = job.read_text().replace('angle = "0 deg"', 'angle = "0 deg"\ncopies = 7', 1)
    start = text.index("seconds =")
    job.write_text(text[:start] + 'seconds = "300 s"' + text[text.index("\n", start) :])
    # What is started in the background ignores interrupts until it asks for them, as a shell has it.
    heeding = "import signal\nsignal.signal(signal.SIGINT, signal.default_int_handler)\n"
    code = heeding + "from plyflat.cli import main\nraise SystemExit(main())"
    words = [sys.executable, "-c", code, "plan", str(job), "-o", str(tmp_path / "out"), "--no-pictures"]
    work = subprocess.Popen(words, stderr=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
    try:
        for _ in range(1500):
            if work.poll() is not None or searches(work.pid):
                break
            time.sleep(0.2)
        time.sleep(3)
        work.send_signal(signal.SIGINT)
        said, err = work.communicate(timeout=240)
    finally:
        work.kill()
    assert work.returncode == 0, err
    assert "stopped" in said
    assert json.loads((tmp_path / "out" / "plan.json").read_text())["rolls"]

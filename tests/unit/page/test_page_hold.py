"""Files beside an open page: a job is open in one page alone, and what is changed under it is told."""

import os
import subprocess
import sys

import pytest

from plyflat.errors import OutputError
from plyflat.page.hold import Hold, changes, stamps, sweep


def test_a_job_is_open_in_one_page_alone(tmp_path):
    job = tmp_path / "job.toml"
    hold = Hold(job)
    with pytest.raises(OutputError, match=rf"another page has this job open \(process {os.getpid()}\)"):
        Hold(job)
    Hold(tmp_path / "other.toml").let_go()
    hold.let_go()
    hold.let_go()
    assert list(tmp_path.iterdir()) == []
    Hold(job).let_go()


HOLDS = """
import sys
from pathlib import Path
from plyflat.page.hold import Hold
hold = Hold(Path(sys.argv[1]))
print("held", flush=True)
sys.stdin.read()
"""


def test_a_page_that_was_killed_holds_nothing(tmp_path):
    job = tmp_path / "job.toml"
    other = subprocess.Popen([sys.executable, "-c", HOLDS, str(job)], stdin=subprocess.PIPE, stdout=subprocess.PIPE)
    other.stdout.readline()
    with pytest.raises(OutputError, match=f"process {other.pid}"):
        Hold(job)
    other.kill()
    other.communicate()
    Hold(job).let_go()


def test_where_no_lock_can_be_had_the_job_opens(tmp_path):
    hold = Hold(tmp_path / "nowhere" / "job.toml")
    hold.let_go()
    assert list(tmp_path.iterdir()) == []


def test_files_that_are_changed_or_gone_are_told(tmp_path):
    scan, other = tmp_path / "scan 1.ply", tmp_path / "other.stl"
    for path in (scan, other):
        path.write_bytes(b"one")
    before = stamps([scan, other])
    assert changes(before) == ""
    scan.write_bytes(b"longer")
    assert changes(before) == "scan 1.ply was changed since it was read"
    os.utime(other, ns=(5, 5))
    scan.unlink()
    assert changes(before) == "scan 1.ply is gone since it was read; other.stl was changed since it was read"
    assert changes(stamps([scan])) == ""


def test_what_a_stopped_plan_left_is_taken_away_and_the_earlier_plan_put_back(tmp_path):
    plan, other = tmp_path / "job [1]_plan", tmp_path / ".other_plan.new-1"
    for name in ("job [1]_plan", ".job [1]_plan.new-abc", ".job [1]_plan.old-abc"):
        (tmp_path / name).mkdir()
        (tmp_path / name / "file").write_text(name)
    other.mkdir()
    sweep(plan)
    assert sorted(p.name for p in tmp_path.iterdir()) == [other.name, plan.name]
    assert (plan / "file").read_text() == plan.name
    # Stopped between the one and the other, the old plan stands aside.
    plan.rename(tmp_path / ".job [1]_plan.old-x")
    (tmp_path / ".job [1]_plan.new-x").mkdir()
    sweep(plan)
    assert sorted(p.name for p in tmp_path.iterdir()) == [other.name, plan.name]
    sweep(tmp_path / "nowhere" / "job_plan")

"""The folder: whole or not at all, and never at a user's cost."""

import json
import os
import stat
from pathlib import Path

import plans
import pytest

from plyflat.errors import CheckError, OutputError
from plyflat.export import write
from plyflat.export.write import check_folder, write_plan


@pytest.fixture(scope="module")
def plan(tmp_path_factory):
    return plans.make(tmp_path_factory.mktemp("job"))


@pytest.fixture(scope="module")
def small(plan):
    """One piece, no roll: quick to write."""
    region = plan.regions[0]
    return plans.replace(plan, regions=(plans.replace(region, plies=region.plies[1:], layers=()),), rolls=())


def tree(folder):
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def test_everything_is_written_and_listed(plan, tmp_path):
    told = []
    files = write_plan(plan, tmp_path / "out", pictures=False, progress=lambda stage, done: told.append(done))
    names = {f.relative_to(tmp_path / "out").as_posix() for f in files}
    assert names == set(tree(tmp_path / "out"))
    assert {
        "plan.json", "report.html", "cut_list.csv", "rolls.csv", "quantities.csv", "bag_layers.csv", "job_resolved.toml",
    } <= names  # fmt: skip
    listed = json.loads((tmp_path / "out" / "plan.json").read_text(encoding="utf-8"))
    assert set(listed["files"]) == names
    assert any("read back" in c["what"] for c in listed["checks"])
    assert [p.name for p in tmp_path.iterdir()] == ["out"]
    assert told[-1] == 1.0


def test_resolved_job_plans_the_same(plan, tmp_path):
    from plyflat.job.reader import read_job

    write_plan(plan, tmp_path / "out", pictures=False)
    again = read_job(tmp_path / "out" / "job_resolved.toml")
    assert again.regions == plan.job.regions
    assert again.cloths == plan.job.cloths


def test_an_earlier_plan_is_replaced_and_its_leavings_go(plan, tmp_path):
    out = tmp_path / "out"
    write_plan(plan, out, pictures=False)
    fewer = plans.replace(plan, rolls=plan.rolls[:1])
    write_plan(fewer, out, pictures=False)
    assert not (out / "lay" / "bag-film-50_1.dxf").exists()
    assert (out / "lay" / "carbon-twill-200_1.dxf").exists()
    assert [p.name for p in tmp_path.iterdir()] == ["out"]


def test_what_the_user_put_there_stays(small, tmp_path):
    out = tmp_path / "out"
    write_plan(small, out, pictures=False)
    (out / "notes.txt").write_text("tape is short")
    (out / "cut" / "mine").mkdir()
    (out / "cut" / "mine" / "x.dxf").write_text("0")
    write_plan(small, out, pictures=False)
    assert (out / "notes.txt").read_text() == "tape is short"
    assert (out / "cut" / "mine" / "x.dxf").read_text() == "0"
    write_plan(small, out, pictures=False)
    assert (out / "notes.txt").exists()


def test_a_users_file_with_a_new_files_name_stops_it(plan, tmp_path):
    out = tmp_path / "out"
    fewer = plans.replace(plan, rolls=plan.rolls[:1])
    write_plan(fewer, out, pictures=False)
    (out / "lay" / "bag-film-50_1.dxf").write_text("mine")
    with pytest.raises(OutputError, match="write over a file it did not make"):
        write_plan(plan, out, pictures=False)
    assert (out / "lay" / "bag-film-50_1.dxf").read_text() == "mine"


def test_a_folder_with_something_else_is_not_touched(plan, tmp_path):
    out = tmp_path / "holiday"
    out.mkdir()
    (out / "photo.jpg").write_bytes(b"x")
    with pytest.raises(OutputError, match="holds no earlier plan") as caught:
        write_plan(plan, out)
    assert caught.value.__cause__ is None
    assert tree(out) == {"photo.jpg": b"x"}


@pytest.mark.parametrize("text", ["{}", "not json", '{"made_by": "someone"}', "[]"])
def test_a_plan_json_of_another_program_is_no_marker(plan, tmp_path, text):
    out = tmp_path / "out"
    out.mkdir()
    (out / "plan.json").write_text(text)
    with pytest.raises(OutputError, match="holds no earlier plan"):
        write_plan(plan, out)
    assert tree(out) == {"plan.json": text.encode()}


def test_an_empty_folder_is_used_and_keeps_its_mode(small, tmp_path):
    out = tmp_path / "out"
    out.mkdir(mode=0o750)
    out.chmod(0o750)
    write_plan(small, out, pictures=False)
    assert stat.S_IMODE(out.stat().st_mode) == 0o750


def test_a_new_folder_has_the_usual_mode(small, tmp_path):
    mask = os.umask(0o022)
    try:
        write_plan(small, tmp_path / "a" / "out", pictures=False)
    finally:
        os.umask(mask)
    assert stat.S_IMODE((tmp_path / "a" / "out").stat().st_mode) == 0o755


def test_a_file_in_the_way(plan, tmp_path):
    (tmp_path / "out").write_text("x")
    with pytest.raises(OutputError, match="a file, not a folder"):
        write_plan(plan, tmp_path / "out")
    with pytest.raises(OutputError):
        write_plan(plan, tmp_path / "out" / "below")
    assert tree(tmp_path) == {"out": b"x"}


@pytest.mark.skipif(not Path("/proc/self").exists(), reason="needs a file system that takes no new folders")
def test_a_place_that_cannot_be_written(plan):
    with pytest.raises(OutputError, match=r"^/proc/plyflat"):
        write_plan(plan, "/proc/plyflat/out")


def test_a_folder_without_leave_to_write_is_found_before_any_work(tmp_path, monkeypatch):
    monkeypatch.setattr(write.os, "access", lambda *_: False)
    with pytest.raises(OutputError, match="cannot be written"):
        check_folder(tmp_path / "out")


@pytest.mark.parametrize("fault", [CheckError("no"), KeyboardInterrupt(), OSError(28, "No space left on device")])
@pytest.mark.parametrize("step", ["_write_marker", "_keep_others", "_swap"])
def test_a_stop_at_any_step_leaves_the_old_plan_whole(small, tmp_path, monkeypatch, fault, step):
    out = tmp_path / "out"
    write_plan(small, out, pictures=False)
    (out / "notes.txt").write_text("n")
    before = tree(out)

    def stop(*_):
        raise fault

    monkeypatch.setattr(write, step, stop)
    with pytest.raises(OutputError if isinstance(fault, OSError) and fault.errno else type(fault)):
        write_plan(small, out, pictures=False)
    assert tree(out) == before
    assert [p.name for p in tmp_path.iterdir()] == ["out"]


def test_a_stop_in_the_middle_of_the_swap_puts_the_old_plan_back(small, tmp_path, monkeypatch):
    out = tmp_path / "out"
    write_plan(small, out, pictures=False)
    before = tree(out)
    rename = Path.rename

    def second_fails(self, target):
        if ".new-" in self.name:
            raise OSError(5, "Input/output error")
        return rename(self, target)

    monkeypatch.setattr(Path, "rename", second_fails)
    with pytest.raises(OutputError, match="Input/output error"):
        write_plan(small, out, pictures=False)
    assert tree(out) == before
    assert [p.name for p in tmp_path.iterdir()] == ["out"]

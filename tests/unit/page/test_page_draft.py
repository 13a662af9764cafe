"""A job file while it is worked on: steps, what is kept on disk, what stays of the text."""

import errno
import os
import re
import subprocess
import sys
import time

import numpy as np
import pytest

from plyflat.errors import JobError, OutputError
from plyflat.page.draft import (
    Draft,
    add_ply,
    add_region,
    outline_value,
    point_text,
    put_value,
    put_way,
    remove_ply,
    remove_region,
)

JOB = """\
# The boat of the test.
version = 1
name = "panel"   # a remark that stays

[mesh.hull]
file = "hull.ply"
unit = "mm"

[[region]]
name = "panel"
mesh = "hull"
tape = { colour = "blue", seed = "0 0 0 mm" }

[[region.ply]]
cloth = "glass"   # the only one
angle = "0 deg"

# --- cloth
[cloth.glass]
areal_weight = "300 g/m^2"
roll_width = "1 m"
roll_length = "10 m"
fibre = "glass"
face_up = "out"
"""


@pytest.fixture
def draft(tmp_path):
    (tmp_path / "job.toml").write_text(JOB)
    return Draft.open(tmp_path / "job.toml")


def _widen(draft, value):
    draft.change(f"width {value}", lambda d: put_value(d, ["cloth", "glass", "roll_width"], value))


def test_a_change_keeps_every_other_line(draft):
    _widen(draft, "1270 mm")
    assert draft.text == JOB.replace('roll_width = "1 m"', 'roll_width = "1270 mm"')
    assert draft.job().cloths["glass"].roll_width_mm == 1270.0


def test_steps_are_taken_back_and_made_again(draft):
    for value in ("2 m", "3 m"):
        _widen(draft, value)
    assert draft.steps == ("width 2 m", "width 3 m")
    assert draft.undo() == "width 3 m"
    assert draft.undo() == "width 2 m"
    assert draft.text == JOB
    assert draft.undo() is None
    assert draft.redo() == "width 2 m"
    assert '"2 m"' in draft.text
    _widen(draft, "4 m")
    assert draft.redo() is None
    assert draft.undone == ()


def test_work_that_was_never_saved_is_taken_up_again(draft):
    _widen(draft, "2 m")
    again = Draft.open(draft.path)
    assert again.recovered
    assert again.text == draft.text
    assert again.undo() == "width 2 m"
    assert again.text == JOB


def test_after_saving_nothing_is_left_beside_the_file(draft):
    _widen(draft, "2 m")
    assert draft.unsaved
    draft.save()
    assert not draft.unsaved
    assert [p.name for p in draft.path.parent.iterdir()] == ["job.toml"]
    assert not Draft.open(draft.path).recovered


def test_a_file_that_was_changed_elsewhere_is_not_written_over(draft):
    _widen(draft, "2 m")
    draft.path.write_text(JOB.replace("panel", "other"))
    with pytest.raises(OutputError, match="changed elsewhere"):
        draft.save()
    draft.save(draft.path.with_name("mine.toml"))
    assert '"2 m"' in draft.path.read_text()
    assert draft.path.name == "mine.toml"


def test_a_name_that_is_taken_is_not_written_over(draft):
    other = draft.path.with_name("other.toml")
    other.write_text("mine")
    _widen(draft, "2 m")
    with pytest.raises(OutputError, match="there already"):
        draft.save(other)
    assert other.read_text() == "mine"
    assert draft.path.name == "job.toml"
    draft.save(draft.path.with_name("new.toml"))
    # What was kept beside the old name is in the new file.
    assert sorted(p.name for p in draft.path.parent.iterdir()) == ["job.toml", "new.toml", "other.toml"]
    _widen(draft, "3 m")
    assert Draft.open(draft.path).recovered


def test_what_was_changed_elsewhere_is_taken_in_as_a_step(draft):
    _widen(draft, "2 m")
    mine = draft.text
    assert not draft.changed_elsewhere()
    other = JOB.replace("panel", "other")
    draft.path.write_text(other)
    assert draft.changed_elsewhere()
    draft.take_file()
    assert (draft.text, draft.changed_elsewhere(), draft.unsaved) == (other, False, False)
    assert draft.undo() == "the file as it was changed elsewhere"
    assert draft.text == mine
    draft.save()
    assert draft.path.read_text() == mine
    draft.path.unlink()
    assert not draft.changed_elsewhere()
    with pytest.raises(JobError, match="cannot be read"):
        draft.take_file()


def test_unsaved_work_on_another_state_of_the_file_is_put_aside_and_not_lost(draft):
    _widen(draft, "2 m")
    mine = draft.text
    changed = JOB.replace("panel", "other")
    draft.path.write_text(changed)
    # Opening alone moves nothing: it is also done to look at the job.
    kept = draft.kept_at.read_text()
    again = Draft.open(draft.path)
    assert (again.text, again.recovered, draft.kept_at.read_text()) == (changed, False, kept)
    again.put_aside()
    aside = draft.path.with_name("job_unsaved.toml")
    assert (again.set_aside, aside.read_text()) == (str(aside), mine)
    # It is told once, and the next piece of work that is put aside has a name of its own. A step does it too.
    assert Draft.open(draft.path).set_aside == ""
    _widen(again, "3 m")
    draft.path.write_text(JOB)
    last = Draft.open(draft.path)
    _widen(last, "4 m")
    assert last.set_aside.endswith("job_unsaved_2.toml")
    assert (aside.read_text(), Draft.open(draft.path).text) == (mine, last.text)


def test_where_it_cannot_be_put_aside_earlier_work_stays_where_it_is(draft, monkeypatch):
    _widen(draft, "2 m")
    kept = draft.kept_at.read_text()
    draft.path.write_text(JOB.replace("panel", "other"))
    again = Draft.open(draft.path)

    def full(handle):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    with monkeypatch.context() as patch:
        patch.setattr(os, "fsync", full)
        again.put_aside()
        _widen(again, "3 m")
        assert "holds earlier work" in again.unkept
        assert draft.kept_at.read_text() == kept
    _widen(again, "4 m")
    assert again.unkept == ""
    assert again.set_aside.endswith("job_unsaved.toml")


def test_steps_that_were_taken_back_outlive_a_crash(draft):
    _widen(draft, "2 m")
    _widen(draft, "3 m")
    draft.undo()
    draft.undo()
    again = Draft.open(draft.path)
    assert not again.recovered
    assert again.undone == ("width 3 m", "width 2 m")
    assert again.redo() == "width 2 m"
    assert '"2 m"' in again.text


def test_back_to_the_file_is_a_step_like_any_other(draft):
    _widen(draft, "2 m")
    mine = draft.text
    draft.back_to_file()
    assert draft.text == JOB
    draft.undo()
    assert draft.text == mine


def test_where_nothing_can_be_kept_work_goes_on_and_says_so(draft, monkeypatch):
    whole = os.fsync

    def full(handle):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, "fsync", full)
    _widen(draft, "2 m")
    draft.keep_marks({"marking": "spot"})
    assert "No space left on device" in draft.unkept
    assert '"2 m"' in draft.text
    with pytest.raises(OutputError, match="No space left"):
        draft.save()
    assert draft.unsaved
    # No half of a file is left, and the old one stands.
    assert [p.name for p in draft.path.parent.iterdir()] == ["job.toml"]
    assert draft.path.read_text() == JOB
    monkeypatch.setattr(os, "fsync", whole)
    _widen(draft, "3 m")
    assert draft.unkept == ""
    assert Draft.open(draft.path).text == draft.text


SAVES = """
import sys
from pathlib import Path
from plyflat.page import draft as room
draft = room.Draft.open(Path(sys.argv[1]))
print("ready", flush=True)
k = 0
while True:
    k += 1
    draft.put("more", "a" * 300_000 + str(k) + "\\n" + "b" * 300_000)
    draft.save()
"""


def test_killed_in_the_middle_of_a_save_the_file_is_the_old_or_the_new_one(draft):
    whole = re.compile("a{300000}[0-9]+\nb{300000}")
    for wait in (0.003, 0.031, 0.05):
        before = draft.path.read_text()
        process = subprocess.Popen([sys.executable, "-c", SAVES, str(draft.path)], stdout=subprocess.PIPE)
        process.stdout.readline()
        end = time.monotonic() + 30
        while draft.path.read_text() == before and time.monotonic() < end:
            time.sleep(0.001)
        time.sleep(wait)
        process.kill()
        process.wait()
        process.stdout.close()
        assert whole.fullmatch(draft.path.read_text())
        # What is kept beside it is whole too: it is taken up, or it is what the file holds.
        again = Draft.open(draft.path)
        assert whole.fullmatch(again.text)
        assert again.set_aside == ""


@pytest.mark.parametrize("rubbish", ["", "{", "[]", '{"of": 1}', '{"of": "x", "text": 3, "past": 7}'])
def test_a_spoilt_file_beside_the_job_is_passed_over(draft, rubbish):
    draft.kept_at.write_text(rubbish)
    assert Draft.open(draft.path).text == JOB


def test_another_way_to_say_a_region_takes_the_place_of_the_first(draft):
    value = outline_value(np.array([[0.04, 0, 0], [100, 0, 0], [100, 50.26, 0]]))
    draft.change("outline", lambda d: put_way(d, "panel", "outline", value))
    assert "tape" not in draft.document().unwrap()["region"][0]
    assert draft.job().regions[0].outline_mm == ((0, 0, 0), (100, 0, 0), (100, 50.3, 0))
    draft.change("seed", lambda d: put_value(d, ["region", 0, "seed"], "50 10 0 mm"))
    draft.change("spot", lambda d: put_way(d, "panel", "spot", {"point": point_text([1, 2, 3]), "radius": "80 mm"}))
    row = draft.document().unwrap()["region"][0]
    assert {"outline", "seed", "tape"}.isdisjoint(row)
    assert draft.job().regions[0].spot.radius_mm == 80.0
    assert "# a remark that stays" in draft.text
    assert "# the only one" in draft.text


def test_regions_and_plies_come_and_go(draft):
    value = outline_value(np.array([[0.0, 0, 0], [100, 0, 0], [100, 50, 0]]))
    draft.change("new", lambda d: add_region(d, "patch", mesh="hull", cloth="glass"))
    draft.change("where", lambda d: put_way(d, "patch", "outline", value))
    draft.change("ply", lambda d: add_ply(d, "patch", cloth="glass", angle="45 deg"))
    assert [(r.name, [p.angle_deg for p in r.plies]) for r in draft.job().regions] == [("panel", [0]), ("patch", [0, 45])]
    draft.change("out", lambda d: remove_ply(d, "patch", 0))
    assert [p.angle_deg for p in draft.job().regions[1].plies] == [45]
    draft.change("out", lambda d: remove_region(d, "panel"))
    assert [r.name for r in draft.job().regions] == ["patch"]
    while draft.undo():
        pass
    assert draft.text == JOB


def test_a_key_is_taken_out_and_a_missing_table_made(draft):
    draft.change("limit", lambda d: put_value(d, ["limits", "strain"], "2 %"))
    assert draft.job().limits.strain == 0.02
    draft.change("back", lambda d: put_value(d, ["limits", "strain"], None))
    assert draft.job().limits.strain == 0.03


def test_faults_are_told_and_nothing_is_lost(draft):
    draft.put("the text", JOB + "\n[nonsense]\n")
    with pytest.raises(JobError, match="nonsense"):
        draft.job()
    draft.put("the text", JOB + "\n[[[\n")
    with pytest.raises(JobError, match="TOML"):
        _widen(draft, "2 m")
    assert draft.steps == ("the text", "the text")
    draft.undo()
    with pytest.raises(JobError, match="no region"):
        draft.change("x", lambda d: put_way(d, "nowhere", "outline", {}))


def test_a_file_that_is_not_there(tmp_path):
    with pytest.raises(JobError, match="cannot be read"):
        Draft.open(tmp_path / "none.toml")

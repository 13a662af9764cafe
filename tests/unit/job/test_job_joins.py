"""How pieces of a ply meet, as the job states it."""

import jobs
import pytest

from plyflat.errors import JobError
from plyflat.job.reader import job_from_text

PLY = 'angle = "0 deg"\n'


def changed(*pairs):
    text = jobs.SMALL
    for old, new in pairs:
        assert old in text
        text = text.replace(old, new, 1)
    return text


def region(lines):
    return changed(('mesh = "hull"\n', f'mesh = "hull"\n{lines}\n'))


def test_pieces_are_lapped_and_need_no_load_unless_the_job_says_otherwise():
    (spec,) = job_from_text(jobs.SMALL).regions
    assert (spec.join, spec.load, spec.butt_within_deg, spec.panels) == ("lap", None, 30.0, 1)
    assert (spec.plies[0].join, spec.plies[0].load) == ("lap", None)


@pytest.mark.parametrize(("written", "held"), [
    ('"forward"', "forward"), ('"-45 deg"', -45.0), ('["0 0 0 mm", "1 0 0 m"]', ((0, 0, 0), (1000, 0, 0))),
])
def test_the_load_is_a_direction_an_angle_or_two_points(written, held):
    job = job_from_text(region(f'join = "butt"\nload = {written}\nbutt_within = "20 deg"'))
    (spec,) = job.regions
    assert (spec.join, spec.load, spec.butt_within_deg) == ("butt", held, 20.0)
    assert (spec.plies[0].join, spec.plies[0].load) == ("butt", held)
    assert job_from_text(job.resolved_toml()) == job


def test_a_ply_overrules_its_region():
    job = job_from_text(region('join = "butt"\nload = "forward"').replace(PLY, PLY + 'join = "lap"\nload = "90 deg"\n', 1))
    assert (job.regions[0].plies[0].join, job.regions[0].plies[0].load) == ("lap", 90.0)


@pytest.mark.parametrize(("text", "fault"), [
    (region('join = "butt"'), r"region\[1\]\.join.*may not run across the load; state load"),
    (changed((PLY, PLY + 'join = "butt"\n')), r"ply\[1\]\.join.*may not run across the load; state load"),
    (region('join = "butt"\nload = "sideways"'), r"load"),
    (region('join = "butt"\nload = ["0 0 0 mm", "0 0 0.1 mm"]'), r"less than 1 mm apart"),
    (region('join = "glued"'), r"join"),
    (region('butt_within = "80 deg"'), r"butt_within.*between"),
])
def test_faults_name_the_key(text, fault):
    with pytest.raises(JobError, match=fault):
        job_from_text(text)


def test_a_mirror_image_is_joined_as_the_other_and_loaded_in_its_mirror_image():
    text = region('join = "butt"\nload = "30 deg"\npanels = 2')
    text = text.replace("[cloth", '[[region]]\nname = "other side"\nmesh = "hull"\nmirror_of = "patch"\n\n[cloth', 1)
    one, two = job_from_text(text).regions
    assert (one.load, two.load) == (30.0, -30.0)
    assert (two.join, two.panels) == ("butt", 2)
    assert (two.plies[0].join, two.plies[0].load) == ("butt", -30.0)
    # Stated by points, the load is carried over through the centre plane.
    one, two = job_from_text(text.replace('"30 deg"', '["0 100 0 mm", "500 200 0 mm"]')).regions
    assert two.load == ((0, -100, 0), (500, -200, 0))

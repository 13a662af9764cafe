"""What a job says of the shear of its cloths and of how they are laid."""

import jobs
import pytest

from plyflat.cloth.locking import TYPICAL
from plyflat.errors import JobError
from plyflat.job.drape import WITHOUT_NET, Weave
from plyflat.job.reader import job_from_text


def with_cloth(lines):
    assert 'fibre = "glass"\n' in jobs.SMALL
    return jobs.SMALL.replace('fibre = "glass"\n', f'fibre = "glass"\n{lines}\n', 1)


def cloth(lines):
    (found,) = job_from_text(with_cloth(lines)).cloths.values()
    return found


def faults(text):
    with pytest.raises(JobError) as caught:
        job_from_text(text)
    return str(caught.value)


def test_weaves_are_those_whose_shear_is_known_and_those_without_a_net():
    assert set(Weave.__args__) == {*TYPICAL, "biaxial", *WITHOUT_NET}


def test_a_cloth_whose_weave_is_not_stated_is_flattened():
    (found,) = job_from_text(jobs.SMALL).cloths.values()
    assert (found.weave, found.cut_by, found.lock_deg) == (None, "flatten", None)


@pytest.mark.parametrize(("weave", "by"), [
    ("twill 2x2", "drape"), ("biaxial", "drape"), ("spread tow", "drape"),
    ("unidirectional", "flatten"), ("mat", "flatten"), ("felt", "flatten"),
])
def test_the_weave_says_how_a_cloth_is_cut(weave, by):
    assert cloth(f'weave = "{weave}"').cut_by == by
    assert cloth('weave = "twill 2x2"\ncut_by = "flatten"').cut_by == "flatten"


def test_shear_may_be_stated_in_three_ways():
    assert cloth('cut_by = "drape"\nlock = "38 deg"\nlock_back = "25 deg"').lock_back_deg == 25
    assert cloth('cut_by = "drape"\nbias_test = ["185 mm", "105 mm"]').bias_test_mm == (185, 105)
    assert cloth('cut_by = "drape"\ntows = ["1.6 mm", "2 mm"]').tows_mm == (1.6, 2.0)


def test_the_resolved_copy_reads_back():
    text = with_cloth('weave = "biaxial"\nbias_test = ["185 mm", "105 mm"]\nbias_test_back = ["170 mm", "120 mm"]')
    text = text.replace('mesh = "hull"\n', 'mesh = "hull"\ndrape = { start = "10 20 0 mm", steer = "never", within = "5 deg" }\n', 1)
    job = job_from_text(text)
    assert job.regions[0].drape.start_mm == (10, 20, 0)
    assert job_from_text(job.resolved_toml()) == job


@pytest.mark.parametrize(("lines", "words"), [
    ('weave = "mat"\ncut_by = "drape"', "no threads that cross"),
    ('cut_by = "drape"', "say how it is woven"),
    ('weave = "twill 2x2"\nlock = "38 deg"\ntows = ["1.6 mm", "2 mm"]', "keep the one that was measured"),
    ('weave = "twill 2x2"\nlock_back = "30 deg"', "state lock too"),
    ('weave = "twill 2x2"\nbias_test_back = ["185 mm", "105 mm"]', "state bias_test too"),
    ('weave = "twill 2x2"\nbias_test = ["105 mm", "185 mm"]', "is the longer one"),
    ('weave = "twill 2x2"\ntows = ["2 mm", "1.6 mm"]', "narrower than their spacing"),
    ('weave = "twill 2x2"\ntows = ["2 mm"]', "is not two lengths"),
    ('weave = "twill 2x2"\nlock = "95 deg"', "between"),
    ('weave = "twill"', "twill 2x2"),
    ('lock = "38 deg"', "takes no note of its shear"),
])
def test_what_contradicts_itself_is_a_fault(lines, words):
    assert words in faults(with_cloth(lines))


def test_a_start_for_cloth_that_is_flattened_is_a_fault():
    text = jobs.SMALL.replace('mesh = "hull"\n', 'mesh = "hull"\ndrape = { start = "10 20 0 mm" }\n', 1)
    assert "none of its plies" in faults(text)

"""Darts, gussets and other cuts as the job states them."""

import jobs
import pytest

from plyflat.errors import JobError
from plyflat.job.reader import job_from_text

LINE = 'line = ["0 0 0 mm", "0.1 0 0 m"]'


def region(lines):
    assert 'mesh = "hull"\n' in jobs.SMALL
    return jobs.SMALL.replace('mesh = "hull"\n', f'mesh = "hull"\n{lines}\n', 1)


def test_all_kinds_of_cuts_may_be_chosen_unless_the_job_says_otherwise():
    (spec,) = job_from_text(jobs.SMALL).regions
    assert (spec.darts, spec.cuts, spec.cut_kinds) == (0, (), ("dart", "split", "gusset"))


def test_kinds_and_gussets_placed_by_hand_are_read_and_written():
    job = job_from_text(region(f'darts = 3\ncut_kinds = ["gusset", "dart"]\ncut = [{{ {LINE} }}, {{ {LINE}, kind = "gusset" }}]'))
    (spec,) = job.regions
    assert spec.cut_kinds == ("dart", "gusset")
    assert [cut.kind for cut in spec.cuts] == ["cut", "gusset"]
    assert spec.cuts[1].line_mm == ((0, 0, 0), (100, 0, 0))
    assert job_from_text(job.resolved_toml()) == job


@pytest.mark.parametrize(("lines", "fault"), [
    ('cut_kinds = []', r"cut_kinds.*no list of kinds of cuts"),
    ('cut_kinds = "dart"', r"cut_kinds.*no list of kinds of cuts"),
    ('cut_kinds = ["dart", "slash"]', r"cut_kinds.*no list of kinds of cuts"),
    (f'cut = [{{ {LINE}, kind = "wedge" }}]', r"kind"),
    ('cut = [{ kind = "gusset" }]', r"line"),
])
def test_faults_name_the_key(lines, fault):
    with pytest.raises(JobError, match=fault):
        job_from_text(region(lines))


def test_a_mirror_image_is_cut_in_its_mirror_image():
    text = region(f'darts = 2\ncut_kinds = ["dart"]\ncut = [{{ {LINE} }}]\nkeep_off = ["0 50 0 mm"]\nclear = "20 mm"')
    other = job_from_text(text).regions[0].name
    job = job_from_text(f'{text}\n[[region]]\nname = "other side"\nmesh = "hull"\nmirror_of = "{other}"\n')
    one, two = job.regions
    assert (two.darts, two.cut_kinds, two.clear_mm) == (2, ("dart",), 20.0)
    assert two.keep_off_mm == tuple(job.boat.across_centre(p) for p in one.keep_off_mm) != one.keep_off_mm
    assert two.cuts[0].line_mm == tuple(job.boat.across_centre(p) for p in one.cuts[0].line_mm)
    own = job_from_text(f'{text}\n[[region]]\nname = "other side"\nmesh = "hull"\nmirror_of = "{other}"\ndarts = 0\n')
    assert own.regions[1].darts == 0

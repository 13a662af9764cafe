import re
from dataclasses import replace

import numpy as np
import plans
import pytest
import shapes

from plyflat.bagging import plan_reach
from plyflat.errors import JobError
from plyflat.job.reader import job_from_text
from plyflat.planned import LayerPlan
from plyflat.surface.mesh import Surface
from plyflat.surface.region import Region


def taped(surface):
    """The layers of a bag whose tape runs round a surface."""
    region = Region(surface, surface.boundary_loops, surface, np.ones(len(surface.faces), bool), np.arange(len(surface.vertices_mm)))
    return (LayerPlan("sealant tape", "tape", 100.0, 0.0, 0.0, (), region, 1000.0),)


@pytest.fixture(scope="module")
def job(tmp_path_factory):
    return plans.make(tmp_path_factory.mktemp("job")).job


def reach_on(job, surface, **film):
    bag = job.bags["standard"]
    bag = bag.model_copy(update={"film": bag.film.model_copy(update=film)})
    return plan_reach(job, bag, taped(surface))


def balls_on(job, surface, **film):
    """The same without a film laid over the sections, which changes nothing of what balls and pleats tell."""
    return reach_on(job, surface, worked_out="no", **film)


def test_pocket(job):
    reach, notes = reach_on(job, Surface(*shapes.box_pocket(step=10.0)))
    thick = job.consumables[job.bags["standard"].film.material].thickness_mm or 0.05
    assert reach.tension_n_per_m == pytest.approx(1000 * 35 * thick)
    assert reach.bridging.radius_mm == pytest.approx(reach.tension_n_per_m / reach.pressure_kpa)
    assert 79 < reach.pressure_kpa < 82
    assert reach.limit_mm == 3.0
    # The limit holds in a square corner left as round as is allowed.
    assert reach.allowed_mm * (np.sqrt(2) - 1) == pytest.approx(3.0)
    assert len(reach.pleats) == 4
    assert reach.tuck_kpa == 15.0
    (text, do), *_ = notes
    assert text.startswith("spot 1: a taut film stands 16 to 32 mm off the hull")
    assert "g of resin" in text
    assert "or of 22 mm, which a taut film follows" in do
    (walls, cure) = next(n for n in notes if n[0].startswith("three walls meet"))
    assert "at 4 places, W1 to W4" in walls
    low, high = (float(q) for q in re.search(r"stands (\d+) to (\d+) mm off", walls).groups())
    assert reach.limit_mm < low < high <= 2 * low + 1
    assert "rounded to a ball of 44 mm" in cure
    assert "pleats 1, 2, 3, 4 right into them" in cure


def test_film_data_of_the_job_are_used(job):
    s = Surface(*shapes.wedge(90, length=200, step=8.0))
    soft, _ = balls_on(job, s, yield_mpa=10.0)
    stiff, _ = balls_on(job, s, yield_mpa=40.0)
    assert stiff.bridging.gap_mm.max() == pytest.approx(4 * soft.bridging.gap_mm.max(), rel=0.02)
    slow, _ = balls_on(job, s, friction=0.6)
    assert slow.feed_mm == pytest.approx(balls_on(job, s)[0].feed_mm / 2)
    assert balls_on(job, s, pleat_margin_mm=0.0)[0].pleats[0].margin_mm == 0.0


def test_pleats_out_of_reach_are_told(job):
    _, notes = balls_on(job, Surface(*shapes.box_pocket(margin=100, step=10.0)), friction=2.0)
    assert any("pleats 1, 2, 3, 4 stand up to" in text and "by hand" in do for text, do in notes)


def test_nothing_to_tell_on_a_flat_sheet(job):
    reach, notes = reach_on(job, Surface(*shapes.noisy_sheet(noise=0.0, triangles=800)))
    assert notes == ()
    assert reach.bridging.spots == reach.pleats == reach.corners == ()


def test_a_film_too_stiff_for_a_small_place_is_told_not_raised(job):
    reach, notes = reach_on(job, Surface(*shapes.wedge(90, length=60, first=20, second=20, step=4.0)), yield_mpa=500.0)
    assert reach is None
    assert "touches this surface nowhere" in notes[0][0]


def test_many_spots_are_told_together(job):
    profile = [[0.0, 0.0]]
    for k in range(7):
        x = 160.0 * k
        profile += [[x + 60, 0], [x + 60, -8 - 4 * k], [x + 70, -8 - 4 * k], [x + 70, 0]]
    profile.append([1150, 0])
    reach, notes = balls_on(job, Surface(*shapes.swept(profile, 100, 8.0)))
    assert len(reach.bridging.spots) > 4
    told = [text for text, _ in notes if text.startswith("spot")]
    assert len(told) == 4
    assert any("more place" in text for text, _ in notes)


def test_without_a_tape_there_is_nothing(job):
    assert plan_reach(job, job.bags["standard"], ()) == (None, ())


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ('yield = "0 MPa"', "yield"),
        ('yield = "35"', "yield"),
        ("friction = 0", "friction"),
        ("friction = 5.0", "friction"),
        ('yield = "-1 GPa"', "yield"),
        ('pleat_margin = "1 km"', "pleat_margin"),
    ],
)
def test_impossible_film_data_are_refused_with_their_key(line, says):
    text = plans.JOB.replace('slack = "0 mm" }', f'slack = "0 mm", {line} }}')
    assert text != plans.JOB
    with pytest.raises(JobError, match=says):
        job_from_text(text)


def test_limit_of_the_job(job):
    limits = job.limits.model_copy(update={"bridging_mm": 10.0})
    other = job.model_copy(update={"limits": limits})
    s = Surface(*shapes.wedge(90, length=200, step=8.0))
    assert len(balls_on(job, s)[0].bridging.spots) == 1
    assert balls_on(other, s)[0].bridging.spots == ()
    assert replace(balls_on(other, s)[0]).limit_mm == 10.0

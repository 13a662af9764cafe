"""Warnings on the hull: those that name a place are in the picture of their region, by their numbers."""

import io
from dataclasses import replace

import numpy as np
import plans
import pytest
from PIL import Image

from plyflat.planned import Caution
from plyflat.report.hull import Stage
from plyflat.report.warned import warned_picture, warnings_of

ON_CROWN = "a gap near (800, -200, 775) mm"


@pytest.fixture(scope="module")
def plan(tmp_path_factory):
    plan = plans.make(tmp_path_factory.mktemp("job"))
    name = plan.regions[0].name
    told = (Caution("all of it", name), Caution(ON_CROWN, f"{name}, bag"), Caution(ON_CROWN, "mesh hull"), Caution("at (300, 0, 800) mm", f"{name} P1"))
    return replace(plan, cautions=told)


def test_only_those_of_the_region_that_name_a_place_are_shown(plan):
    found = warnings_of(plan)
    assert [w.number for w in found] == [1, 2, 3, 4]
    assert [w.shown for w in found] == [False, True, False, True]
    stage = Stage(plan, plan.regions[0])
    with stage.scene:
        picture = warned_picture(stage, found)
        none = warned_picture(stage, warnings_of(replace(plan, cautions=plan.cautions[:1])))
        bare = warned_picture(stage, [w for w in found if w.number == 2])
    assert none is None
    assert picture.about == ("warnings", plan.regions[0].name)
    assert "2 at (800, -200, 775) mm; 4 at (300, 0, 800) mm" in picture.alt
    # The second place puts its number in the picture, and nothing else changes but near it.
    one, two = (np.asarray(Image.open(io.BytesIO(p.png)).convert("L")).astype(int) for p in (bare, picture))
    rows, columns = np.nonzero(np.abs(one - two) > 60)
    assert len(rows) > 200
    assert np.ptp(columns) < 0.4 * one.shape[1]

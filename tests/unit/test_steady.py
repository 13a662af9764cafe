"""The number of pieces hangs neither on a scan's noise nor on how fine the mesh is."""

import numpy as np
import pytest
import shapes
from test_plan import JOB

from plyflat.job.reader import job_from_text
from plyflat.shaping import Cut, shape
from plyflat.surface import Surface
from plyflat.surface.region import region_of

CUT = Cut("P1", "glass", 0.0, "out", 1, 0.03, 2000.0, 1e4, 0.0, lap_mm=20.0, trim_mm=5.0, stagger_mm=60.0)
CORNERS = {
    "foil": lambda finer: shapes.foil_on_plate(around=int(80 * finer), along=int(16 * finer))[:2],
    "post": lambda finer: shapes.post_on_plate(60, 80, 100, around=int(60 * finer), along=int(16 * finer))[:2],
}


def counts(v, f, plies=2):
    region = region_of(Surface(v, f), np.ones(len(f), dtype=bool), name="corner")
    job = job_from_text(JOB)
    laid = []
    for _ in range(plies):
        laid.append(shape(job, job.regions[0], region, CUT, earlier=laid, plies=plies))
    return [len(ply.pieces) for ply in laid]


@pytest.mark.parametrize("name", list(CORNERS))
def test_pieces_do_not_change_with_noise_or_with_the_mesh(name):
    found = {}
    for what, finer, noise in (("plain", 1.0, 0.0), ("rough", 1.0, 0.1), ("finer", 1.1, 0.0)):
        v, f = CORNERS[name](finer)
        found[what] = counts(v + np.random.default_rng(5).normal(0, noise, v.shape), f)
    assert len({tuple(c) for c in found.values()}) == 1, found

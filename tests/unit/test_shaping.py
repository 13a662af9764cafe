"""What the bag does round an opening that the surface goes on through, such as a skeg."""

from __future__ import annotations

import numpy as np
import pytest
import shapes
from test_plan import JOB

from plyflat.job.reader import job_from_text
from plyflat.shaping import Cut, bag_layers, shape
from plyflat.surface import Surface, cut_region
from plyflat.surface.region import region_of

MIDDLE = np.array([500.0, 350.0, 0.0])


def circle(radius):
    t = np.linspace(0, 2 * np.pi, 180, endpoint=False)
    return MIDDLE + radius * np.stack([np.cos(t), np.sin(t), 0 * t], axis=1)


@pytest.fixture(scope="module")
def ring():
    sheet = Surface(*shapes.noisy_sheet(noise=0.0, triangles=8000)[:2])
    return cut_region(sheet, [circle(250), circle(100)], seed_mm=MIDDLE + [175, 0, 0], name="ring")


@pytest.mark.parametrize("over", [True, False])
def test_tape_and_film_agree_on_what_the_bag_covers(ring, over):
    text = JOB.replace("[bag.standard]", f"[bag.standard]\nover_openings = {str(over).lower()}")
    job = job_from_text(text)
    bag = job.bags["standard"]
    # The outline is taken as it stands for every layer: only what is covered matters here.
    grown = dict.fromkeys((0.0, 20.0, 40.0, 60.0), ring)
    layers = {layer.kind: layer for layer in bag_layers(job, job.regions[0], bag, grown, 0.0, ())}
    film, tape = layers["bag film"], layers["sealant tape"]
    inner = 0 if over else 2 * np.pi * 100 + 25
    assert tape.length_mm == pytest.approx(2 * np.pi * 250 + 25 + inner, rel=1e-3)
    hole = 0 if over else np.pi * 100**2
    assert film.area_mm2 == pytest.approx(np.pi * 250**2 - hole, rel=1e-3)
    assert len(film.region.loops) == len(tape.region.loops) == (1 if over else 2)
    # Peel ply never runs over what is not laminated.
    assert layers["peel ply"].area_mm2 == pytest.approx(np.pi * (250**2 - 100**2), rel=1e-3)


@pytest.fixture(scope="module")
def foil():
    surface = Surface(*shapes.foil_on_plate(around=120, along=24)[:2])
    return region_of(surface, np.ones(len(surface.faces), dtype=bool), name="foil")


def lap_ends(shaped):
    """For each piece, whether its lap lies at its forward end (+1) or its after end (-1)."""
    ends = []
    for t in shaped.templates:
        middle = np.mean([np.array(lap.centroid.coords[0]) for lap in t.laps], axis=0)
        ends.append(np.sign((middle - np.array(t.centre.coords[0])) @ t.forward))
    return ends


def test_laps_of_the_next_ply_lie_on_the_other_side_of_the_same_seams(foil):
    job = job_from_text(JOB + "\n[limits]\npieces = 2\n")
    cut = Cut("P1", "glass", 0.0, "out", 1, 0.03, 2000.0, 1e4, 0.0, lap_mm=15.0, trim_mm=5.0)
    first = shape(job, job.regions[0], foil, cut)
    second = shape(job, job.regions[0], foil, cut, below=first.seams_mm, turn_laps=True)
    ends = [s[np.argmin(s[:, 2])][:2] for s in first.seams_mm]
    again = [s[np.argmin(s[:, 2])][:2] for s in second.seams_mm]
    assert len(first.templates) == len(second.templates) == 2
    for p in ends:
        assert min(np.linalg.norm(p - q) for q in again) < 5.0
    # A left and a right half: one lap at each end of the foil, changed about in the second ply.
    assert sorted(lap_ends(first)) == sorted(lap_ends(second)) == [-1, 1]
    sides = [[np.sign(p.surface.vertices_mm[:, 1].mean()) for p in s.pieces] for s in (first, second)]
    assert dict(zip(sides[0], lap_ends(first))) == {k: -v for k, v in zip(sides[1], lap_ends(second))}

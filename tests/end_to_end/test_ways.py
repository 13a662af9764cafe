"""The demo job with one region for every way to say one: each is found where it is meant to be."""

from pathlib import Path

import numpy as np
import pytest

from plyflat.job.reader import read_job
from plyflat.placing import place
from plyflat.surface.combine import Plane, mirror_surface
from plyflat.surface.load import load_surface

DEMO = Path(__file__).resolve().parents[2] / "meshes_demo"


@pytest.fixture(scope="module")
def job():
    return read_job(DEMO / "ways.toml")


@pytest.fixture(scope="module")
def placed(job):
    surfaces = {}
    for name, mesh in job.meshes.items():
        one = load_surface(mesh.file, unit=mesh.unit, fill_holes_mm=mesh.fill_holes_mm, smooth_mm=mesh.smooth_mm)
        surfaces[name] = mirror_surface(one, Plane(job.boat.centre_mm, job.boat.port)) if mesh.mirror else one
    found = {}
    for spec in job.regions:
        found[spec.name] = place(job, spec, surfaces, others=found)
    return found


def test_every_way_is_there(placed):
    assert {p.way for p in placed.values()} == {"corner", "tape", "face", "spot", "outline", "mirror_of", "drawn"}


def test_round_the_rudder_tube_the_plies_grow_and_the_fillet_is_weighed(placed):
    tube = placed["rudder tube"]
    assert tube.corner.closed
    assert [len(q.loops) for q in tube.plies] == [2, 2, 2]
    areas = [q.area_mm2 for q in tube.plies]
    assert areas == sorted(areas)
    assert tube.laps_mm == ((40.0, 40.0), (52.0, 52.0), (64.0, 64.0))
    # The tube leans 20 degrees aft through a bottom of 16 degrees deadrise: 64.7 to 115.3 degrees all round.
    lean = np.degrees(np.arccos(np.cos(np.radians(20)) * np.cos(np.radians(16))))
    assert tube.corner.angle_deg.min() == pytest.approx(90 - lean, abs=0.3)
    assert tube.corner.angle_deg.max() == pytest.approx(90 + lean, abs=0.3)
    assert tube.fillet.volume_mm3 > 0


def test_the_bulkheads_corner_ends_before_the_topside(placed):
    found = placed["bulkhead to bottom"]
    assert not found.corner.closed
    assert found.corner.angle_deg == pytest.approx(90.0, abs=0.1)
    assert found.corner.length_mm == pytest.approx(500 / np.cos(np.radians(16)), abs=0.5)
    assert any("short of the corner's ends" in text for text, _ in found.cautions)
    section = 0.214602 * 15**2
    assert found.fillet.section_mm2 == pytest.approx((section, section), rel=2e-3)
    assert found.grow_mm[0] > found.grow_mm[1] == 0.0


def test_the_bottom_panel_has_two_openings_and_ends_at_keel_and_chine(placed):
    panel = placed["bottom panel"]
    assert len(panel.base.loops) == 3  # the outer edge, the rudder tube, and the hose fitting that the job takes out
    y = panel.base.surface.vertices_mm[:, 1]
    assert y.min() == pytest.approx(0.0, abs=1e-6)
    assert y.max() == pytest.approx(500.0, abs=1e-6)
    exact = 900 * 500 / np.cos(np.radians(16)) - np.pi * 39**2
    lean = np.arccos(np.cos(np.radians(20)) * np.cos(np.radians(16)))
    exact -= np.pi * 32**2 / np.cos(lean)
    assert panel.base.area_mm2 == pytest.approx(exact, rel=1e-3)


def test_the_skegs_corner_goes_all_round_without_tape(placed):
    skeg = placed["skeg corner"]
    assert skeg.corner.closed
    assert len(skeg.base.loops) == 2
    assert 1200 < skeg.corner.length_mm < 1400


def test_the_taped_ring_lies_between_its_two_lines_of_tape(placed):
    ring = placed["taped ring"]
    assert len(ring.base.loops) == 2
    # The same ring as in the demo's main job: 0.40 m2 between the near edges of the tape.
    assert ring.base.area_mm2 == pytest.approx(0.398e6, rel=0.01)
    assert any("the tape is missing" in text for text, _ in ring.cautions)


def test_the_other_bow_is_the_mirror_image(placed, job):
    port, starboard = placed["bow strip"], placed["bow strip, starboard"]
    assert starboard.base.area_mm2 == pytest.approx(port.base.area_mm2, rel=1e-6)
    assert starboard.base.surface.vertices_mm[:, 1].max() < 0 < port.base.surface.vertices_mm[:, 1].min()


def test_the_drawing_is_cut_off_and_rounded(placed):
    board = placed["name board"]
    x = board.base.surface.vertices_mm[:, 0]
    assert x.min() == pytest.approx(3300.0, abs=0.1)
    # Both ends of the line lie at 3600; between them the shortest line on the bow bends a little forward.
    assert 3600.0 < x.max() < 3605.0

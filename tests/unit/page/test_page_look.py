"""First looks at a region: its flat shape, and where on a large mesh it is looked for."""

from __future__ import annotations

import re

import numpy as np
import pytest
import shapely
import shapes
from sheets import JOB, drawn, loaded, ring_on_a_cone

from plyflat.job.reader import job_from_text
from plyflat.page import look
from plyflat.page.look import looks
from plyflat.placing import base_region


@pytest.fixture
def flat(tmp_path):
    plan, f = shapes.rectangle(500.0, 500.0, 4000)
    return loaded(tmp_path, np.column_stack([plan, np.zeros(len(plan))]), f)


def test_a_first_look_draws_the_flat_shape_with_the_warp_to_the_right(flat, tmp_path):
    *_, last = looks(flat, JOB, str(tmp_path), "panel")
    (edge,) = drawn(last.drawing, "NET")
    # Forward is along y, so that 200 mm lie across the warp.
    np.testing.assert_allclose(np.ptp(edge, axis=0), (100.0, 200.0), atol=0.01)
    np.testing.assert_allclose(last.size_mm, (100.0, 200.0), atol=0.01)
    assert drawn(last.drawing, "OVER") == []
    line, head = drawn(last.drawing, "WARP")
    assert line[0, 1] == line[1, 1]
    assert head[1, 0] == line[:, 0].max()
    assert "not to cut from" in last.drawing
    assert "jagged" not in last.drawing


def test_a_first_look_shows_where_cloth_would_strain_beyond_its_limit(tmp_path):
    v, f = shapes.cap(60.0, 400.0, 6000)
    low, high = v.min(axis=0), v.max(axis=0)
    corners = [low[:2] + share * (high - low)[:2] for share in ((0.2, 0.2), (0.8, 0.2), (0.8, 0.8), (0.2, 0.8))]
    points = ",".join(f"[{x:.1f},{y:.1f},0]" for x, y in corners)
    text = re.sub(r"points = .*", f'points = [{points}] }}\ntolerance = "400 mm"', JOB)
    *_, last = looks(loaded(tmp_path, v, f, text), text, str(tmp_path), "panel")
    assert last.strain > 0.03
    whole = shapely.Polygon(max(drawn(last.drawing, "NET"), key=len))
    over = shapely.union_all([shapely.Polygon(ring) for ring in drawn(last.drawing, "OVER")])
    # The 99th part of the area that strains most is over the limit, and lies on the piece.
    assert 0.01 * whole.area < over.area < whole.area
    assert over.difference(whole.buffer(0.01)).area < 1.0
    assert "inside the jagged lines it strains over 3 %" in last.drawing


@pytest.fixture(scope="module")
def wide(tmp_path_factory):
    folder = tmp_path_factory.mktemp("wide")
    plan, f = shapes.rectangle(2000.0, 2000.0, 240_000)
    return folder, loaded(folder, np.column_stack([plan, np.zeros(len(plan))]), f)


@pytest.mark.parametrize("across_mm", [100.0, 1500.0])
def test_on_a_large_mesh_a_look_is_had_on_the_part_near_the_outline_where_that_is_enough(wide, monkeypatch, across_mm):
    folder, surfaces = wide
    seen = []

    def counted(job, spec, surface):
        seen.append(len(surface.faces))
        return base_region(job, spec, surface)

    monkeypatch.setattr(look, "base_region", counted)
    low, high = 300.0, 300.0 + across_mm
    text = re.sub(r"points = .*", f"points = [[{low},{low},0],[{high},{low},0],[{high},{high},0],[{low},{high},0]] }}", JOB)
    first, last = looks(surfaces, text, str(folder), "panel")
    assert first.area_mm2 == pytest.approx(across_mm**2, rel=1e-6)
    assert last.size_mm == pytest.approx((across_mm, across_mm), abs=0.01)
    whole = len(surfaces["hull"].faces)
    assert [count < 0.1 * whole for count in seen] == [across_mm < 500.0]


def test_a_dome_higher_than_its_outline_is_wide_is_looked_for_on_the_whole_mesh(tmp_path, monkeypatch):
    # What an outline round its foot takes reaches beyond the part near the outline.
    monkeypatch.setattr(look, "NEAR_FACES", 1000)
    v, f = shapes.cap(60.0, 200.0, 20000)
    v = v * [1.0, 1.0, 8.0]
    v -= [0.0, 0.0, v[:, 2].min()]
    r = 0.97 * np.hypot(v[:, 0], v[:, 1]).max()
    ring = [(r * np.cos(t), r * np.sin(t)) for t in np.linspace(0.0, 2.0 * np.pi, 13)[:-1]]
    points = ",".join(f"[{x:.2f},{y:.2f},{v[np.hypot(v[:, 0] - x, v[:, 1] - y).argmin(), 2]:.2f}]" for x, y in ring)
    text = re.sub(r"points = .*", f"points = [{points}] }}", JOB)
    surfaces = loaded(tmp_path, v, f, text)
    found = next(looks(surfaces, text, str(tmp_path), "panel"))
    job = job_from_text(text, folder=tmp_path)
    assert found.area_mm2 == pytest.approx(base_region(job, job.regions[0], surfaces["hull"]).area_mm2, rel=1e-12)
    assert np.ptp(found.vertices_mm[:, 2]) > 700.0


def test_a_first_look_takes_openings_out(flat, tmp_path):
    hole = "minus = [{ outline = { unit = \"mm\", points = [[180,230,0],[220,230,0],[220,270,0],[180,270,0]] } }]\n"
    text = JOB.replace("[[region.ply]]", f"{hole}[[region.ply]]", 1)
    *_, last = looks(flat, text, str(tmp_path), "panel")
    assert last.area_mm2 == pytest.approx(200.0 * 100.0 - 40.0 * 40.0, rel=1e-9)
    assert len(drawn(last.drawing, "NET")) == 2


def test_a_ring_is_opened_for_a_first_look(tmp_path):
    # Round the foot of a cone: opened along rulings it lies flat as parts of an annulus.
    v, f, text = ring_on_a_cone()
    *_, last = looks(loaded(tmp_path, v, f, text), text, str(tmp_path), "panel")
    assert last.note == ""
    assert last.strain < 1e-3
    edges = [shapely.Polygon(ring) for ring in drawn(last.drawing, "NET")]
    assert len(edges) == last.pieces
    assert sum(edge.area for edge in edges) == pytest.approx(last.area_mm2, rel=2e-3)

"""What the page does when something on it is pressed; no browser and no socket."""

import time

import numpy as np
import pytest
import shapes
import trimesh
from trame.app import get_server

from plyflat.errors import QuantityError
from plyflat.page.actions import BLANK, Page, told
from plyflat.page.draft import Draft
from plyflat.page.start import load_meshes

JOB = """\
version = 1
name = "test sheet"

[mesh.hull]
file = "hull.ply"
unit = "mm"

[[region]]
name = "panel"
mesh = "hull"
warp = "forward"
outline = { unit = "mm", points = [[100, 100, 0], [300, 100, 0], [300, 300, 0], [100, 300, 0]] }

[[region.ply]]
cloth = "glass"
angle = "0 deg"

[cloth.glass]
areal_weight = "300 g/m^2"
roll_width = "1 m"
roll_length = "10 m"
fibre = "glass"
face_up = "out"

[lay]
seconds = "1 s"
"""


@pytest.fixture
def page(tmp_path, request):
    flat, f = shapes.rectangle(500.0, 500.0, 4000)
    v = np.column_stack([flat, np.zeros(len(flat))])
    (tmp_path / "hull.ply").write_bytes(trimesh.Trimesh(v, f, process=False).export(file_type="ply"))
    (tmp_path / "job.toml").write_text(JOB)
    page = _opened(tmp_path / "job.toml", f"test {request.node.name}")
    yield page
    page.close()


def _opened(path, name):
    draft = Draft.open(path)
    state = get_server(name, client_type="vue3").state
    state.update(BLANK)
    page = Page(draft, load_meshes(draft.sound_job()), state)
    page.scene.see("above")
    return page


def _at(page, x, y):
    scene = page.scene
    return scene._to_pixels((x, y, 0.0)) / scene.plotter.render_window.GetSize()


def _heard(page, working):
    end = time.monotonic() + 120
    while working() and time.monotonic() < end:
        page.hear()
        time.sleep(0.05)
    return page.state


def test_the_job_is_shown_as_it_stands(page):
    state = page.state
    assert (state.title, state.region, state.way) == ("test sheet", "panel", "said by an outline")
    assert state.plies == [{"cloth": "glass", "angle": "0 deg", "grow": "0 mm"}]
    assert len(state.points) == 4
    assert state.faults == []
    assert not state.unsaved


def test_an_outline_is_marked_by_clicks_and_lands_in_the_job(page):
    page.begin("patch", "hull")
    for x, y in ((50, 50), (250, 60), (150, 260)):
        page.clicked(*_at(page, x, y))
    page.clicked(0.001, 0.001)
    assert "beside the hull" in page.state.hint
    assert len(page.state.points) == 3
    page.done()
    assert page.state.region == "patch"
    found = np.array(page.draft.job().regions[1].outline_mm)
    scale = page.scene.mm_per_pixel(np.array([150.0, 150.0, 0.0]))
    np.testing.assert_allclose(found, [[50, 50, 0], [250, 60, 0], [150, 260, 0]], atol=scale)
    page.undo()
    assert [r["name"] for r in page.state.regions] == ["panel"]
    page.redo()
    assert [r["name"] for r in page.state.regions] == ["panel", "patch"]


def test_while_marking_undo_takes_back_a_point_and_leaving_leaves_all_as_it_was(page):
    text = page.draft.text
    page.mark()
    assert page.state.points == []
    page.clicked(*_at(page, 50, 50))
    page.clicked(*_at(page, 90, 50))
    page.undo()
    assert len(page.state.points) == 1
    page.leave()
    assert len(page.state.points) == 4
    assert page.draft.text == text


def test_a_dragged_point_is_one_step(page):
    page.moved(0, *_at(page, 60, 70))
    x, y, _ = page.draft.job().regions[0].outline_mm[0]
    assert (x, y) == pytest.approx((60, 70), abs=2.0)
    assert page.draft.steps == ("point 1 of panel",)


def test_points_are_typed(page):
    page.type_point(1, "310 90 0")
    page.add_point("200, 350, 0 mm")
    page.remove_point(0)
    assert page.draft.job().regions[0].outline_mm == ((310, 90, 0), (300, 300, 0), (100, 300, 0), (200, 350, 0))
    with pytest.raises(QuantityError, match="three numbers"):
        page.add_point("1 2")
    page.remove_point(0)
    with pytest.raises(QuantityError, match="three points or more"):
        page.remove_point(0)


def test_plies_are_changed_in_the_job(page):
    page.add_ply()
    page.set_ply(1, "angle", "45 deg")
    page.set_ply(1, "grow", "15 mm")
    plies = page.draft.job().regions[0].plies
    assert [(p.angle_deg, p.grow_mm) for p in plies] == [(0, 0), (45, 15)]
    page.remove_ply(0)
    assert [p.angle_deg for p in page.draft.job().regions[0].plies] == [45]


def test_faults_are_told_on_the_page_and_stop_nothing(page):
    page.set_ply(0, "angle", "fast")
    assert any("angle" in fault for fault in page.state.faults)
    assert page.state.look == ""
    page.undo()
    assert page.state.faults == []
    page.put_text("[[[")
    assert any("TOML" in fault for fault in page.state.faults)
    page.undo()
    assert page.state.faults == []


def test_an_action_that_fails_says_why(page):
    told(page.state, page.begin)("panel", "hull")
    assert "already" in page.state.message
    told(page.state, page.see)("above")
    assert page.state.message == ""


def test_a_first_look_gives_area_and_size(page):
    page.look()
    state = _heard(page, lambda: page.looking)
    assert state.look.startswith("panel: 0.040 m2; flat about 200 by 200 mm")
    page.set_ply(0, "angle", "45 deg")
    assert state.look == "looking …"


def test_the_whole_plan_comes_with_drawings_and_goes_stale(page):
    page.work_out()
    task = page._task
    assert page.state.busy
    page.work_out()
    assert page._task is task
    state = _heard(page, lambda: not task.over)
    assert not state.busy
    assert state.message == ""
    assert [title for title, _ in state.drawings] == ["panel / P1", "glass, roll 1"]
    assert all(svg.startswith("<svg") for _, svg in state.drawings)
    assert (page.draft.path.with_name("job_plan") / "report.html").is_file()
    assert not state.stale
    page.set_ply(0, "angle", "10 deg")
    assert state.stale
    page.undo()
    assert not state.stale


def test_work_is_stopped(page):
    page.work_out()
    page.stop()
    assert not page.state.busy
    assert page._task.over
    assert not page.draft.path.with_name("job_plan").exists()

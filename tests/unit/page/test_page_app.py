"""What the page does when something on it is pressed; no browser and no socket."""

import time

import numpy as np
import pytest
import shapes
import trimesh
from trame.app import get_server

from plyflat.errors import OutlineError, OutputError, QuantityError
from plyflat.page import view
from plyflat.page.actions import BLANK, Page, told
from plyflat.page.alone import alone
from plyflat.page.app import App
from plyflat.page.draft import Draft
from plyflat.page.hold import Hold, stamps
from plyflat.page.look import looks
from plyflat.page.preview import first_picture
from plyflat.page.start import load_meshes
from plyflat.page.view import copies_of
from plyflat.page.work import Standby, Task

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
    page = _opened(tmp_path / "job.toml", f"test {request.node.name}", "first_look" in request.node.name)
    yield page
    page.close()


class Quiet:
    """Stands for the process that answers looks, where no look matters."""

    busy = False

    def ask(self, *args):
        """Nothing is looked for."""

    drop = stop = ask

    def news(self):
        return []


def _opened(path, name, standby=None):
    draft = Draft.open(path)
    state = get_server(name, client_type="vue3").state
    state.update(BLANK)
    surfaces = load_meshes(draft.sound_job())
    copies = {name: copies_of(surface) for name, surface in surfaces.items()}
    page = Page(draft, copies, state, standby=Standby(looks, surfaces) if standby else Quiet(), alone=Standby(alone, surfaces) if standby else Quiet())
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


def test_a_fault_of_the_program_itself_leaves_the_page_alive(page, capfd):
    told(page.state, page.set_ply)(7, "angle", "45 deg")
    assert page.state.message == "internal fault (IndexError); see the window the page was started from"
    assert "Traceback" in capfd.readouterr().err
    told(page.state, page.add_ply)()
    assert (page.state.message, len(page.state.plies)) == ("", 2)


def test_a_job_is_saved_under_another_name_of_its_folder(page, tmp_path):
    page.add_ply()
    for name in ("", "../out.toml", ".hidden", "a/b.toml", str(tmp_path / "far.toml")):
        with pytest.raises(OutputError, match="no name for a job file"):
            page.save_as(name)
    page.draft.path.with_name("taken.toml").write_text("")
    with pytest.raises(OutputError, match="there already"):
        page.save_as("taken")
    folder = page.draft.path.parent
    page.save_as("other")
    assert page.state.file == str(folder / "other.toml")
    assert (page.state.unsaved, len(Draft.open(folder / "other.toml").job().regions[0].plies)) == (False, 2)
    assert len(Draft.open(folder / "job.toml").job().regions[0].plies) == 1


def test_faults_of_the_mesh_are_told_and_their_places_shown(tmp_path):
    flat, f = shapes.rectangle(500.0, 500.0, 4000)
    v = np.column_stack([flat, np.zeros(len(flat))])
    away = np.linalg.norm(v[f].mean(axis=1) - (420.0, 420.0, 0.0), axis=1)
    (tmp_path / "hull.ply").write_bytes(trimesh.Trimesh(v, f[away > 15.0], process=False).export(file_type="ply"))
    (tmp_path / "job.toml").write_text(JOB.replace('unit = "mm"\n', 'unit = "mm"\nfill_holes = "60 mm"\n', 1))
    page = _opened(tmp_path / "job.toml", "test faults")
    state = page.state
    assert state.mesh_said.endswith("triangles, 0.50 by 0.50 by 0.00 m")
    number = next(k for k, r in enumerate(state.repairs) if r["what"].startswith("holes filled"))
    assert (state.repairs[number]["count"], state.repairs[number]["left"], state.repairs[number]["places"]) == (1, False, 1)
    page.see_fault(number)
    looked_at = np.array(page.scene.plotter.camera_position[1])
    assert np.linalg.norm(looked_at - (420.0, 420.0, 0.0)) < 20.0
    assert any(name.startswith("faults") for name in page.scene.plotter.actors)
    page.see_fault(number)
    assert (state.fault, any(name.startswith("faults") for name in page.scene.plotter.actors)) == (-1, False)
    page.close()


def test_cloths_and_laps_are_said_on_the_page(page):
    page.choose_setting("cloth: glass")
    assert {row["key"]: row["text"] for row in page.state.setting_rows}["roll_width"] == "1 m"
    page.set_setting("roll_width", "1200 mm")
    assert page.draft.job().cloths["glass"].roll_width_mm == 1200.0
    assert page.state.can_undo == "roll width of cloth: glass"
    page.copy_setting("narrow")
    assert page.state.setting == "cloth: narrow"
    page.set_setting("roll_width", "600 mm")
    assert {name: cloth.roll_width_mm for name, cloth in page.draft.job().cloths.items()} == {"glass": 1200.0, "narrow": 600.0}
    page.remove_table()
    assert page.state.setting == "cloth: glass"
    page.choose_setting("laps")
    assert page.state.setting_rows == []
    page.set_setting("join", "40 mm")
    assert page.draft.job().laps.join_mm == 40.0
    page.remove_setting("join")
    assert page.draft.job().laps.join_mm != 40.0


def test_a_first_look_gives_area_and_size(page):
    page.look()
    state = _heard(page, lambda: page.looking)
    assert state.look.startswith("panel: 0.040 m²; flat about 200 by 200 mm")
    page.set_ply(0, "angle", "45 deg")
    assert state.look == "looking …"


def test_a_first_look_is_drawn_and_its_templates_follow(page):
    page.look()
    state = _heard(page, lambda: page.state.pieces_are != "rough" and page.looking)
    assert [title for title, _ in state.pieces] == ["First look"]
    assert state.alone_stage.startswith("Laps, trim")
    state = _heard(page, lambda: page.looking)
    assert (state.pieces_are, [title for title, _ in state.pieces]) == ("final", ["P1"])
    assert state.pieces_said[0].startswith("P1, glass: ")
    assert (state.shades, state.shade, state.alone_stage) == (["P1: strain"], "", "")
    assert [row[0] for row in state.sums][:1] == ["glass"]
    assert [title for title, _ in state.alone_lays] == ["glass, roll 1"]
    page.set_ply(0, "angle", "45 deg")
    assert (state.pieces_are, state.pieces_said, state.shades, state.alone_old) == ("old", [], [], True)
    page.draft.put("the text", page.draft.text.replace("[300, 100, 0]", "[900, 100, 0]"))
    page.look()
    state = _heard(page, lambda: page.looking)
    assert state.pieces == []
    assert state.look.startswith("Not found")


def test_what_is_chosen_to_be_shown_on_the_hull_comes_again_after_the_next_first_look(page):
    page.look()
    state = _heard(page, lambda: page.looking)
    page.see_shade("P1: strain")
    assert (state.shade, "shade" in page.scene.plotter.actors) == ("P1: strain", True)
    assert state.legend["words"].startswith("Strain of P1")
    page.set_ply(0, "angle", "45 deg")
    assert (state.shade, state.legend, "shade" in page.scene.plotter.actors) == ("", {}, False)
    _heard(page, lambda: page.looking)
    assert (state.shade, "shade" in page.scene.plotter.actors) == ("P1: strain", True)
    page.see_shade("")
    assert (state.shade, "shade" in page.scene.plotter.actors) == ("", False)


def test_the_eye_goes_to_the_region_with_the_first_look(page):
    page.look()
    _heard(page, lambda: page.looking)
    camera = page.scene.plotter.camera
    np.testing.assert_allclose(camera.focal_point[:2], (200.0, 200.0), atol=2.0)
    near = camera.distance
    page.set_ply(0, "angle", "45 deg")
    camera.focal_point = (250.0, 250.0, 0.0)
    _heard(page, lambda: page.looking)
    assert camera.focal_point[:2] == (250.0, 250.0)
    assert camera.distance == pytest.approx(near, rel=0.1)


def test_an_eye_that_was_put_somewhere_stays_there_at_the_first_look(page):
    page.see("above")
    before = page.scene.plotter.camera.position
    page.look()
    _heard(page, lambda: page.looking)
    assert page.scene.plotter.camera.position == before


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
    (row,) = state.results
    assert (row["of"], row["pieces"], row["area"], row["drawing"]) == ("panel / P1", 1, "0.040 m²", 0)
    assert row["gives"].startswith(("strains by up to 0.0 %", "shears by up to 0.0 deg"))
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


def test_a_round_opening_and_a_warp_line_are_said_by_clicks(page):
    page.mark("round_hole")
    assert page.state.prompt == "Click on its middle."
    page.clicked(*_at(page, 120, 130))
    page.clicked(*_at(page, 200, 210))  # one click too many puts the one point anew
    page.set_value("radius", "25 mm")
    page.done()
    (hole,) = page.draft.job().regions[0].minus
    assert hole.spot.point_mm == pytest.approx((200, 210, 0), abs=2)
    assert (hole.spot.radius_mm, hole.margin_mm) == (25.0, 20.0)
    assert [o["text"][:25] for o in page.state.openings] == ["Taken out: round, radius "]
    page.set_warp("two points")
    page.add_point("100 200 0")
    page.add_point("0.3 0.2 0 m")
    page.done()
    assert page.draft.job().regions[0].warp == ((100, 200, 0), (300, 200, 0))
    assert (page.state.warp, page.state.openings[0]["key"]) == ("two points", "minus")
    page.remove_opening("minus", 0)
    assert page.state.openings == []


def test_points_of_every_way_are_moved(page):
    page.begin("nick", "hull", "spot")
    page.add_point("200 200 0")
    page.done()
    assert (page.state.region, page.state.way) == ("nick", "said by a round patch")
    assert page.state.points == [{"name": "Its middle", "text": "200 200 0 mm"}]
    page.moved(0, *_at(page, 250, 150))
    assert page.draft.job().regions[1].spot.point_mm == pytest.approx((250, 150, 0), abs=2)
    page.type_point(0, "1 2 0")
    assert page.draft.job().regions[1].spot.point_mm == (1, 2, 0)


def test_points_of_openings_are_held_and_moved_like_those_of_the_outline(page):
    page.mark("hole")
    for text in ("150 150 0", "200 150 0", "200 200 0", "150 200 0"):
        page.add_point(text)
    page.done()
    page.mark("round_hole")
    page.add_point("250 250 0")
    page.done()
    first, second = page.state.openings
    assert [p["number"] for p in first["points"] + second["points"]] == [4, 5, 6, 7, 8]
    assert [p["name"] for p in second["points"]] == ["Middle of opening 2"]
    # The marker is held where the point is seen, and leads to the point of that number.
    assert page.scene.grip(*_at(page, 200, 150)) == 5
    assert page.scene.grip(*_at(page, 250, 250)) == 8
    steps, before = page.draft.steps, page.draft.job().regions[0]
    page.moved(5, *_at(page, 220, 140))
    page.moved(8, *_at(page, 260, 240))
    assert page.draft.steps == (*steps, "point 2 of opening 1 of panel", "middle of opening 2 of panel")
    hole, spot = page.draft.job().regions[0].minus
    np.testing.assert_allclose(hole.outline_mm, [[150, 150, 0], [220, 140, 0], [200, 200, 0], [150, 200, 0]], atol=2)
    assert hole.margin_mm == 20
    assert spot.spot.point_mm == pytest.approx((260, 240, 0), abs=2)
    assert spot.spot.radius_mm == 80
    # The region's own outline is not touched.
    assert page.draft.job().regions[0].outline_mm == before.outline_mm
    assert page.scene.grip(*_at(page, 220, 140)) == 5
    page.undo()
    page.undo()
    assert page.draft.job().regions[0] == before
    assert page.scene.grip(*_at(page, 200, 150)) == 5
    page.redo()
    assert page.draft.job().regions[0].minus[0].outline_mm == hole.outline_mm


def test_points_of_openings_are_typed_and_taken_out(page):
    page.mark("hole")
    for text in ("150 150 0", "200 150 0", "200 200 0", "150 200 0"):
        page.add_point(text)
    page.done()
    page.type_point(7, "140 210 0 mm")
    page.remove_point(4)
    assert page.draft.job().regions[0].minus[0].outline_mm == ((200, 150, 0), (200, 200, 0), (140, 210, 0))
    assert page.draft.steps[-1] == "point 1 of opening 1 of panel out"
    with pytest.raises(QuantityError, match="three points or more"):
        page.remove_point(4)
    # A point that is added goes to the region's own outline, before those of the opening.
    page.add_point("90 200 0")
    region = page.draft.job().regions[0]
    assert (len(region.outline_mm), len(region.minus[0].outline_mm)) == (5, 3)
    # While something is marked its own points alone can be held.
    page.mark("hole")
    assert page.scene.grip(*_at(page, 200, 150)) is None
    page.add_point("250 250 0")
    page.moved(0, *_at(page, 260, 260))
    assert len(page.state.points) == 1
    page.leave()
    assert page.draft.job().regions[0] == region


def test_tape_is_not_looked_for_where_no_colour_is(page):
    with pytest.raises(OutlineError, match="no colours"):
        page.mark("tape")
    assert page.state.marking == ""


def test_a_measured_distance_is_set_beside_the_mesh(page):
    page.mark("distance")
    page.add_point("0 0 0")
    page.add_point("300 400 0")
    with pytest.raises(QuantityError, match="is missing"):
        page.done()
    page.set_value("distance", "50.5 cm")
    page.done()
    assert page.draft.job().meshes["hull"].check_distance.distance_mm == 505.0
    assert page.state.known == "505.0 mm measured on the boat, 500.0 mm on the mesh: 0.99 % apart"
    assert not page.state.meshes_changed
    page.remove_known()
    assert page.state.known == ""


def test_what_is_being_marked_outlives_a_crash(page, request):
    page.begin("patch", "hull", "hole")
    page.clicked(*_at(page, 50, 60))
    page.add_point("250 60 0")
    page.set_value("margin", "33 mm")
    other = _opened(page.draft.path, f"again {request.node.name}")
    try:
        assert other.state.points == page.state.points
        assert (other.state.marking, other.state.values, other.state.marking_of) == ("hole", {"margin": "33 mm"}, "patch: Take out: an outline")
        assert not other.draft.unsaved
        other.leave()
        assert not other.draft.kept_at.exists()
    finally:
        other.close()


def test_a_bag_is_chosen_from_those_of_the_job(page):
    page.put_text(page.draft.text + '\n[bag.thin]\n[bag.thick]\n')
    assert page.state.bags == ["thin", "thick"]
    page.set_bag("thick")
    assert page.draft.document()["region"][0]["bag"] == "thick"
    page.set_bag("")
    assert "bag" not in page.draft.document()["region"][0]


def test_a_changed_mesh_table_is_told(page):
    page.put_text(page.draft.text.replace('unit = "mm"', 'unit = "cm"', 1))
    assert page.state.meshes_changed
    page.undo()
    assert not page.state.meshes_changed


def test_a_job_with_faults_is_taken_up_again_after_a_crash(page, request):
    page.put_text("[[[")
    other = _opened(page.draft.path, f"again {request.node.name}")
    try:
        assert any("TOML" in fault for fault in other.state.faults)
        other.undo()
        assert (other.state.faults, other.state.region) == ([], "panel")
    finally:
        other.close()


def test_what_is_changed_on_disk_under_the_page_is_told(page, request):
    app = App(get_server(f"app {request.node.name}", client_type="vue3"), page.draft.path.parent)
    app.watch()
    app.page, app._stamps = page, stamps([page.draft.path.with_name("hull.ply")])
    app.watch()
    assert (app.state.file_changed, app.state.mesh_file) == (False, "")
    page.draft.path.with_name("hull.ply").unlink()
    page.draft.path.write_text(page.draft.text.replace('angle = "0 deg"', 'angle = "30 deg"'))
    app.watch()
    assert (app.state.file_changed, app.state.mesh_file) == (True, "hull.ply is gone since it was read")
    page.take_file()
    app.watch()
    assert (app.state.file_changed, page.state.plies[0]["angle"]) == (False, "30 deg")
    page.undo()
    assert page.state.plies[0]["angle"] == "0 deg"
    # Another page cannot open what this one holds, not under another name either.
    page.save_as("other")
    app.watch()
    with pytest.raises(OutputError, match="another page has this job open"):
        Hold(page.draft.path)
    Hold(page.draft.path.with_name("job.toml")).let_go()
    app._hold.let_go()


def test_from_a_folder_a_job_is_opened_in_the_background(page, request, monkeypatch):
    # What thins the mesh is broken here and whole in the process that reads: the page itself thins nothing.
    monkeypatch.setattr(view, "_thinned", None)
    app = App(get_server(f"app {request.node.name}", client_type="vue3"), page.draft.path.parent)
    try:
        app.list_folder()
        assert (app.state.jobs, app.state.files, app.state.opened) == (["job.toml"], ["hull.ply"], False)
        app.open_job("job.toml")
        with pytest.raises(OutputError, match="being read"):
            app.begin_job("hull.ply", "mm")
        app.stop_opening()
        assert (app.state.opening, app._opening.over, app._preview) == ("", True, None)
        # The file as it stands is drawn at once, while its mesh is read in earnest.
        app._preview, app._opening = Task(first_picture, str(app.folder / "job.toml")), None
        end = time.monotonic() + 120
        while not app._preview.over and time.monotonic() < end:
            app.hear()
            time.sleep(0.05)
        assert app.state.preview.startswith("data:image/jpeg;base64,")
        app.open_job("job.toml")
        end = time.monotonic() + 120
        while app.page is None and time.monotonic() < end:
            app.hear()
            time.sleep(0.05)
        assert (app.state.opened, app.state.opening, app.state.title, app.state.preview) == (True, "", "test sheet", "")
        first = app.page
        first.add_ply()
        app.load_again()
        while app.page is first and time.monotonic() < end:
            app.hear()
            time.sleep(0.05)
        # Steps stay: it is the same draft.
        assert app.page.draft.steps == ("one more ply of panel",)
        app._tabs(+1)
        app._tabs(+1)
        assert app.state.tabs == 2
    finally:
        app.close()

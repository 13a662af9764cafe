import numpy as np
import pytest
import shapes

from plyflat.cloth._drape_search import far_from, search_drape, steer_drape
from plyflat.cloth._generators import relief
from plyflat.cloth._net_bed import make_bed
from plyflat.cloth._net_ground import MeshGround
from plyflat.cloth._net_lay import lay
from plyflat.cloth.drape import drape
from plyflat.cloth.locking import Locking, typical
from plyflat.errors import MeshError, OutlineError, ShapeError, SolveError
from plyflat.surface.mesh import Surface
from plyflat.surface.region import region_of


def sheet(width=300.0, height=200.0, triangles=1500):
    v, f = shapes.rectangle(width, height, triangles)
    return Surface(np.column_stack([v, 0 * v[:, 0]]), f)


@pytest.fixture(scope="module")
def dome():
    v, f = shapes.cap(60, 500.0, triangles=4000)
    return Surface(v, f)


@pytest.fixture(scope="module")
def on_dome(dome):
    return drape(dome, [0, 0, 500], [1, 0, 0], spacing_mm=20, locking=typical("twill 2x2"))


# -- what a drape says -----------------------------------------------------------------------------------------------
@pytest.mark.parametrize("turn", [0, 20, 45, -70])
def test_flat_sheet_is_only_turned(turn):
    s = sheet()
    d = drape(s, [120, 90, 0], [1, 0, 0], turn_deg=turn)
    c, q = np.cos(np.radians(turn)), np.sin(np.radians(turn))
    true = (s.vertices_mm[:, :2] - [120, 90]) @ np.array([[c, -q], [q, c]])
    assert np.abs(d.uv_mm - true).max() < 1e-6
    assert np.abs(d.shear_deg).max() < 1e-6
    assert d.covered.all()
    assert d.uncovered_at_mm is None
    assert np.allclose(d.warp, [c, q, 0], atol=1e-6)
    assert np.allclose(d.weft, [-q, c, 0], atol=1e-6)
    assert d.bound.least_deg < 1e-6


def test_cloth_that_starts_sheared_stays_so_on_a_flat_sheet():
    d = drape(sheet(), [120, 90, 0], [1, 0, 0], crossing_deg=70)
    assert d.covered.all()
    assert np.allclose(d.shear_deg, 20, atol=1e-6)
    assert np.allclose(d.weight_factor, 1 / np.cos(np.radians(20)), atol=1e-8)
    warp, weft = d.off_deg([1, 0, 0])
    assert np.allclose(warp, 0, atol=1e-6)
    assert np.allclose(weft, -20, atol=1e-6)


@pytest.mark.parametrize("bend_deg", [60, 75, 90, 105, 120])
def test_sharp_chines_neither_fold_nor_shear_a_sheet_wherever_its_nodes_fall(bend_deg):
    v, f, flat = shapes.folded_plate_developed(float(bend_deg), 1000.0, 1200)
    s = Surface(v, f)
    rng = np.random.default_rng(bend_deg)
    for _ in range(4):
        x, y, turn = rng.uniform(-150, -90), rng.uniform(-60, 60), rng.uniform(-50, 50)
        d = drape(s, [x, y, 0], [1, 0, 0], turn_deg=turn, spacing_mm=40, least_cover=0)
        assert len(d.folds_mm) == len(d.openings_mm) == 0
        assert d.cover > 0.998
        # A bend develops: no shear, and each place lies where the sheet has it. Where the line runs off the free edge
        # there are no whole cells to read by.
        c, q = np.cos(np.radians(turn)), np.sin(np.radians(turn))
        true = (flat - [x, y]) @ np.array([[c, -q], [q, c]])
        inside = np.abs(flat[:, 1]) < 440
        assert d.covered[inside].all()
        assert np.abs(d.shear_deg[inside]).max() < 0.1
        assert np.linalg.norm(d.uv_mm - true, axis=1)[inside].max() < 0.05


def test_shear_is_positive_between_warp_and_weft_of_a_dome(on_dome):
    u, v = on_dome.uv_mm.T
    far = np.minimum(np.abs(u), np.abs(v)) > 150
    assert far.any()
    assert (np.sign(on_dome.shear_deg[far]) == np.sign(u * v)[far]).all()


def test_fibres_stand_at_the_angle_the_shear_says_and_lie_in_the_surface(on_dome, dome):
    angle = np.degrees(np.arccos((on_dome.warp * on_dome.weft).sum(axis=1)))
    assert np.abs(90 - angle - on_dome.shear_deg).max() < 1e-6
    assert np.abs((on_dome.warp * dome.vertex_normals).sum(axis=1)).max() < 1e-9
    assert np.allclose(np.linalg.norm(on_dome.weft, axis=1), 1)
    # Along the warp u grows by the length and v not at all.
    at = on_dome.uv_mm[dome.faces]
    edge = np.stack([at[:, 1] - at[:, 0], at[:, 2] - at[:, 0]], axis=1)
    p = dome.vertices_mm[dome.faces]
    space = np.stack([p[:, 1] - p[:, 0], p[:, 2] - p[:, 0]], axis=1)
    along = np.einsum("mij,mjc->mic", np.linalg.inv(edge), space)
    warp = along[:, 0] / np.linalg.norm(along[:, 0], axis=1)[:, None]
    off = np.degrees(np.arccos(np.clip((warp * on_dome.face_fibres[0]).sum(axis=1), -1, 1)))
    assert np.median(off) < 0.2


def test_first_threads_are_given_as_lines(on_dome):
    for line in (on_dome.warp_line_mm, on_dome.weft_line_mm):
        assert len(line) > 40
        assert np.linalg.norm(line - on_dome.start_mm, axis=1).min() < 1e-9
        assert np.linalg.norm(np.diff(line, axis=0), axis=1) == pytest.approx(20, rel=1e-3)
    # Great circles through the pole.
    assert np.abs(on_dome.warp_line_mm[3:-3, 1]).max() < 0.1


def test_locked_area_is_part_of_the_drape(on_dome, dome):
    assert on_dome.locked_area_mm2 == 0
    assert on_dome.locked.worst_deg == pytest.approx(26.94 - 40, abs=0.2)
    tight = drape(dome, [0, 0, 500], [1, 0, 0], spacing_mm=20, locking=typical("spread tow"))
    assert 0.2 < tight.locked_area_mm2 / dome.area_mm2 < 0.6
    assert len(tight.locked.spots) == 4
    assert tight.must_cut
    assert not on_dome.must_cut


def test_advice_is_a_dart_on_the_bias_of_each_locked_corner(dome):
    d = drape(dome, [0, 0, 500], [1, 0, 0], spacing_mm=20, locking=Locking(18, 18, 12, 12))
    assert len(d.advice) == 4
    for cut in d.advice:
        assert not cut.opens
        assert cut.angle_deg == pytest.approx(abs(cut.shear_deg) / 2)
        assert abs(cut.shear_deg) == pytest.approx(26.9, abs=0.5)
        u, v = np.abs(cut.uv_mm).T
        assert u == pytest.approx(v, rel=0.2)
        assert u[0] == pytest.approx(0.3 * u[-1])
        assert np.degrees(np.arccos(cut.line_mm[-1, 2] / 500)) == pytest.approx(60, abs=1)
        assert np.degrees(np.arccos(cut.line_mm[0, 2] / 500)) == pytest.approx(17, abs=3)
    assert drape(dome, [0, 0, 500], [1, 0, 0], spacing_mm=20).advice == ()


def test_a_saddle_is_slit_open():
    v, f = shapes.saddle(1000, 250, triangles=4000)
    d = drape(Surface(v, f), [0, 0, 0], [1, 0, 0], locking=Locking(15, 15, 10, 10))
    assert d.advice
    assert all(cut.opens for cut in d.advice)


def test_bound_is_no_more_than_the_shear(on_dome):
    assert 15 < on_dome.bound.least_deg < on_dome.most_deg
    assert on_dome.bound.corners_mm.shape == (4, 3)


def test_check_by_the_missing_angles(on_dome):
    assert on_dome.check.worst_deg < 0.5
    assert not on_dome.doubtful


def test_same_answer_twice(dome, on_dome):
    again = drape(dome, [0, 0, 500], [1, 0, 0], spacing_mm=20)
    assert (again.uv_mm == on_dome.uv_mm).all()


# -- plies on a larger surface, edges, holes -------------------------------------------------------------------------
def test_ply_near_the_edge_is_covered_by_way_of_the_hull_about_it(dome):
    c = dome.vertices_mm[dome.faces].mean(axis=1)
    region = region_of(dome, (c[:, 0] > 50) & (np.abs(c[:, 1]) < 120))
    start = dome.locate(np.array([[90, -90, 470.0]])).points_mm[0]
    d = drape(region, start, [1, 0, 0], turn_deg=35)
    assert d.covered.all()
    assert d.uv_mm.shape == (len(region.surface.vertices_mm), 2)
    # Without it, threads along the ragged edge are led on, and may miss a tooth.
    alone = drape(region.surface, start, [1, 0, 0], turn_deg=35)
    assert alone.cover > 0.95
    # Both are the same where threads reach without leaving the ply.
    same = alone.trusted & d.trusted
    assert same.mean() > 0.2
    assert alone.trusted.mean() < d.trusted.mean()


def test_threads_lead_on_along_a_free_edge():
    d = drape(sheet(600, 100), [60, 50, 0], [1, 0, 0], turn_deg=45)
    assert d.covered.all()
    assert np.abs(d.shear_deg).max() < 1e-6
    assert not d.trusted.all()


def test_threads_run_over_a_hole():
    s = sheet(300, 200, 3000)
    c = s.vertices_mm[s.faces].mean(axis=1)
    holed, _ = s.sub(np.hypot(c[:, 0] - 150, c[:, 1] - 100) > 30)
    d = drape(holed, [60, 90, 0], [1, 0, 0])
    assert d.covered.all()
    assert np.abs(d.uv_mm - (holed.vertices_mm[:, :2] - [60, 90])).max() < 0.05


def test_what_lies_behind_a_wide_opening_is_reported():
    s = sheet(300, 200, 3000)
    c = s.vertices_mm[s.faces].mean(axis=1)
    inside = (np.abs(c[:, 0] - 150) < 100) & (np.abs(c[:, 1] - 100) < 60)
    opened, _ = s.sub(~inside)
    d = drape(opened, [25, 100, 0], [1, 0, 0], spacing_mm=5)
    assert 0.7 < d.cover < 0.95
    assert d.uncovered_at_mm[0] > 250
    assert d.uncovered_mm2 == pytest.approx((1 - d.cover) * opened.area_mm2)
    assert np.isfinite(d.uv_mm).all()
    assert np.isfinite(d.shear_deg).all()
    with pytest.raises(SolveError, match=r"mm: the net covers"):
        drape(opened, [25, 100, 0], [1, 0, 0], spacing_mm=5, least_cover=0.99)
    assert np.abs(d.uv_mm - (opened.vertices_mm[:, :2] - [25, 100]))[d.covered].max() < 0.2


def test_corner_of_a_box_is_measured_along_its_faces():
    v, f = shapes.box((200, 150, 100), 20)
    s = Surface(v, f)
    c = v[f].mean(axis=1)
    s, _ = s.sub((c[:, 2] > 50 - 1e-9) | ((c[:, 0] > 100 - 1e-9) & (c[:, 2] > -30)))
    d = drape(s, [10, 5, 50], [1, 0, 0], turn_deg=30)
    assert d.cover > 0.99
    assert np.abs(d.shear_deg[d.covered]).max() < 0.01


@pytest.mark.parametrize("angle", [150, 110, 75])
@pytest.mark.parametrize("turn", [0, 30])
def test_inner_corner_is_measured_along_its_walls(angle, turn):
    v, f = shapes.wedge(angle)[:2]
    s = Surface(v, f)
    at = s.locate(np.array([[70.0, 20, 0]])).points_mm[0]
    d = drape(s, at, [1, 0, 0], turn_deg=turn, spacing_mm=6)
    assert d.cover > 0.99
    assert np.abs(d.shear_deg[d.covered]).max() < 0.01
    assert not len(d.folds_mm)


def test_how_far_a_ply_reaches_from_where_three_walls_meet():
    v, f = shapes.three_planes(100.0, 20.0)
    apex = int(np.argmin(np.linalg.norm(v, axis=1)))
    # Whichever wall it stands on there: the far corner of another one is a diagonal away, and so is that of its own triangle.
    assert far_from(make_bed(Surface(v, f), curved=False), apex) == pytest.approx((100 + 20) * np.sqrt(2), rel=1e-6)


def test_the_same_cloth_on_either_kind_of_face(dome):
    curved = drape(dome, [0, 0, 500], [1, 0, 0], spacing_mm=20)
    flat = drape(dome, [0, 0, 500], [1, 0, 0], spacing_mm=20, faces="flat")
    assert np.abs(curved.shear_deg - flat.shear_deg).max() < 1.0


def test_noisy_scan_takes_no_more_shear_than_the_shape():
    v, f = shapes.scan_sheet(noise=0.3)
    d = drape(Surface(v, f), [200, 150, 0], [1, 0, 0], spacing_mm=12)
    assert d.covered.all()
    assert np.sqrt((d.shear_deg**2).mean()) < 0.2


def test_closed_surface_is_draped_as_far_as_it_goes():
    v, f = shapes.sphere(500.0, 3000)
    d = drape(Surface(v, f), v[0], [1, 0.2, 0], least_cover=0.1)
    assert d.cover > 0.5
    assert np.isfinite(d.uv_mm).all()


# -- refusals --------------------------------------------------------------------------------------------------------
TOP = r"^\(-?0\.0, -?0\.0, 500\.0\) mm: "


@pytest.mark.parametrize(("change", "error", "says"), [
    ({"start_mm": [0, 0, 620]}, OutlineError, r"^\(0\.0, 0\.0, 620\.0\) mm: the start lies 120\.\d mm off the ply \(at most 10 mm\)"),
    ({"start_mm": [0, np.nan, 0]}, OutlineError, "finite"),
    ({"start_mm": "bow"}, OutlineError, "three finite numbers"),
    ({"start_mm": [1, 2]}, OutlineError, "three finite numbers"),
    ({"warp": [0, 0, 1]}, OutlineError, TOP + "the warp direction stands on the surface"),
    ({"warp": [0, 0, 0]}, OutlineError, TOP + "the warp direction has no length"),
    ({"turn_deg": np.inf}, OutlineError, "turned"),
    ({"crossing_deg": 180}, OutlineError, "cross at"),
    ({"spacing_mm": 900}, ShapeError, TOP + r"the net's spacing of 900 mm is too wide .* Give a spacing of \d+ mm or less"),
    ({"spacing_mm": 0.05}, ShapeError, TOP + r"a spacing of 0\.05 mm needs over 5 million nodes\. Give a spacing above 0\.\d+ mm"),
    ({"spacing_mm": 0}, ShapeError, "spacing"),
    ({"spacing_mm": np.nan}, ShapeError, "spacing"),
    ({"least_cover": np.nan}, OutlineError, "share between 0 and 1"),
    ({"least_cover": 1.5}, OutlineError, "share between 0 and 1"),
    ({"tolerance_mm": -1}, OutlineError, "tolerance is -1 mm"),
    ({"smooth_mm": np.nan}, OutlineError, "evened is nan mm"),
    ({"faces": "round"}, OutlineError, "'curved' or 'flat'"),
])
def test_bad_input_is_refused_with_its_place(dome, change, error, says):
    given = {"start_mm": [0, 0, 500], "warp": [1, 0, 0]} | change
    with pytest.raises(error, match=says):
        drape(dome, given.pop("start_mm"), given.pop("warp"), **given)


@pytest.mark.parametrize("laying", [
    lambda s: drape(s, [0, 0, 500], [1, 0, 0]),
    lambda s: steer_drape(s, [0, 0, 500], [1, 0, 0]),
    lambda s: search_drape(s, [1, 0, 0], starts=1, refine=0),
], ids=["drape", "steer", "search"])
def test_triangles_without_area_are_refused_with_their_place(dome, laying):
    v = dome.vertices_mm.copy()
    a, b = dome.faces[100][:2]
    v[a] = v[b]
    first = int(np.isin(dome.faces, (a, b)).sum(axis=1).argmax())
    x, y, z = v[dome.faces[first]].mean(axis=0)
    says = rf"^\({x:.1f}, {y:.1f}, {z:.1f}\) mm: 2 triangles have no area, the first is triangle {first}"
    with pytest.raises(MeshError, match=says):
        laying(Surface(v, dome.faces))


def test_triangles_without_area_on_the_hull_about_a_ply_are_refused(dome):
    c = dome.vertices_mm[dome.faces].mean(axis=1)
    bad = int(c[:, 2].argmin())
    faces = np.vstack([dome.faces, [[*dome.faces[bad][:2], dome.faces[bad][0]]]])
    region = region_of(Surface(dome.vertices_mm, faces), np.append(c[:, 2] > 400, False))
    with pytest.raises(MeshError, match="1 triangles have no area"):
        drape(region, [0, 0, 500], [1, 0, 0])


def test_points_that_are_no_numbers_are_refused(dome):
    v = dome.vertices_mm.copy()
    v[7] = np.nan
    with pytest.raises(MeshError, match="not finite, first is vertex 7"):
        drape(Surface(v, dome.faces), [0, 0, 500], [1, 0, 0])


def test_start_on_the_hull_but_off_the_ply_is_refused(dome):
    c = dome.vertices_mm[dome.faces].mean(axis=1)
    region = region_of(dome, c[:, 0] > 100)
    with pytest.raises(OutlineError, match=r"^\(0\.0, 0\.0, 500\.0\) mm: the start lies \d+\.\d mm off the ply"):
        drape(region, [0, 0, 500], [1, 0, 0])


def test_ply_in_two_pieces_is_refused(dome):
    c = dome.vertices_mm[dome.faces].mean(axis=1)
    two, _ = dome.sub(np.abs(c[:, 0]) > 100)
    with pytest.raises(ShapeError, match="2 pieces"):
        drape(two, [250, 0, 430], [1, 0, 0])


# -- parts -----------------------------------------------------------------------------------------------------------
def test_straight_walk_over_a_box_edge_unfolds():
    v, f = shapes.box((2.0, 2.0, 2.0), 4)
    ground = MeshGround(v, f)
    found = Surface(v, f).locate(np.array([[0.3, 0.1, 1.0]]))
    face = int(found.face[0])
    x, to, way, off = ground.trace(np.array([0.3, 0.1, 1.0]), face, np.array([3.0, 1.0, 0]), np.sqrt(10) * 0.4)
    assert not off
    # 0.7 to the edge, 0.5 down the other side; y goes on.
    assert np.allclose(x, [1.0, 0.5, 0.5])
    assert np.allclose(way, np.array([0, 1, -3]) / np.sqrt(10))
    length = ground.span(
        np.array([[0.3, 0.1, 1.0]]), np.array([face]), x[None], np.array([to]), np.array([[1, 0, 1.0]]) / np.sqrt(2)
    )
    assert length[0] == pytest.approx(np.sqrt(10) * 0.4)


def test_relief_finds_planted_curves():
    rng = np.random.default_rng(4)
    uv = rng.uniform(-100, 100, (4000, 2))
    a, b = 6 + 0.05 * uv[:, 0] + 8e-4 * uv[:, 0] ** 2, -0.08 * uv[:, 1]
    found = relief(uv, a + b, np.ones(len(uv)), power=2)
    at = np.linspace(-90, 90, 20)
    assert found.crossing_deg == pytest.approx(96, abs=0.05)
    assert np.degrees(found.warp(at)) == pytest.approx(-(0.05 + 1.6e-3 * at), abs=2e-3)
    assert np.degrees(found.weft(at)) == pytest.approx(np.full(20, -0.08), abs=2e-3)
    assert found.warp(np.array([500.0]))[0] == 0


def test_steering_from_off_centre_brings_shear_down_and_keeps_cover(dome):
    start = [500 * np.sin(0.4), 0, 500 * np.cos(0.4)]
    plain = drape(dome, start, [1, 0, 0], turn_deg=45, spacing_mm=15, least_cover=0)
    bent = steer_drape(dome, start, [1, 0, 0], turn_deg=45, spacing_mm=15)
    assert bent.most_deg < 0.85 * plain.most_deg
    assert bent.cover >= plain.cover - 1e-3
    assert np.abs(bent.steering.warp_bend).max() > 0


def test_search_finds_the_pole(dome):
    found = search_drape(
        dome, [1, 0, 0], start_mm=[300, 0, 400], within_deg=45, starts=5, directions=2, refine=12,
        locking=Locking(20, 20, 15, 15),
    )
    assert found.best.most_deg < found.given.most_deg
    assert np.linalg.norm(found.best.start_mm[:2]) < 60
    assert found.best_trial.score <= min(t.score for t in found.trials)
    assert found.worst_trial.score >= found.best_trial.score
    assert found.given_trial.turn_deg == 0
    assert 15 < found.bound_deg < 27
    assert found.must_cut == (found.bound_deg > 20)


def test_search_keeps_the_stated_direction(dome):
    found = search_drape(dome, [1, 0, 0], turn_deg=30, within_deg=10, starts=3, directions=3, refine=6)
    assert all(20 - 1e-9 <= t.turn_deg <= 40 + 1e-9 for t in found.trials)
    kept = search_drape(dome, [1, 0, 0], turn_deg=30, starts=2, refine=0)
    assert {t.turn_deg for t in kept.trials} == {30.0}


def test_search_gives_the_same_answer_over_processes():
    s = sheet()
    given = {"within_deg": 20, "starts": 2, "directions": 2, "refine": 0}
    one, two = (search_drape(s, [1, 0, 0], processes=n, **given) for n in (1, 2))
    assert [(t.turn_deg, t.score) for t in one.trials] == [(t.turn_deg, t.score) for t in two.trials]
    assert (one.best.uv_mm == two.best.uv_mm).all()


@pytest.mark.parametrize("wrong", [
    {"starts": 0}, {"directions": 0}, {"refine": -1}, {"processes": 0}, {"within_deg": 100}, {"power": 0.5},
])
def test_search_refuses_numbers_that_cannot_be(wrong):
    with pytest.raises(OutlineError):
        search_drape(sheet(), [1, 0, 0], **wrong)


@pytest.mark.parametrize("warp", [[0, 0, 0], [1, 0], [np.nan, 0, 0]])
def test_search_refuses_directions_that_are_none(warp):
    with pytest.raises((OutlineError, SolveError)):
        search_drape(sheet(), warp, starts=2, refine=0)


def test_progress_ends_at_one():
    told = []
    search_drape(sheet(), [1, 0, 0], starts=2, refine=2, progress=lambda stage, done: told.append(done))
    assert told == sorted(told)
    assert told[-1] == 1.0


def test_net_is_laid_only_where_it_is_needed():
    c = sheet(900, 900, 4000)
    middle = c.vertices_mm[c.faces].mean(axis=1)
    region = region_of(c, (np.abs(middle[:, 0] - 450) < 150) & (np.abs(middle[:, 1] - 450) < 60))
    bed = make_bed(region)
    laid = lay(bed, bed.start([450, 450, 0], [1, 0, 0]), spacing_mm=5)
    assert laid.cover == pytest.approx(1)
    assert laid.net.there.sum() < 3 * region.area_mm2 / 25

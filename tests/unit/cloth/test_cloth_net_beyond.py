import numpy as np
import pytest
import shapes

from plyflat.cloth._cutting import cut_along
from plyflat.cloth._net import ON, Arm, Plan, grow
from plyflat.cloth._net_bed import make_bed, piece_bed, seam_places
from plyflat.cloth._net_beyond import _hidden, cuts_of, lay_beyond, tips_of
from plyflat.cloth._net_lay import lay, moved
from plyflat.cloth._net_read import read
from plyflat.cloth.darts import slit_piece
from plyflat.cloth.drape import drape_of
from plyflat.cloth.draped import draped_flat
from plyflat.cloth.draping import Wishes, lay_piece
from plyflat.cloth.locking import Locking
from plyflat.cloth.opening import Opened
from plyflat.cloth.pieces import make_templates
from plyflat.errors import SolveError
from plyflat.surface.cut import insert_paths
from plyflat.surface.mesh import Surface
from plyflat.surface.region import region_of

R = 1000.0
POLE = np.array([0, 0, R])
FORWARD = np.array([1.0, 0, 0])


def place(azimuth_deg, polar):
    a = np.radians(azimuth_deg)
    return R * np.array([np.sin(polar) * np.cos(a), np.sin(polar) * np.sin(a), np.cos(polar)])


@pytest.fixture(scope="module")
def cap():
    v, f = shapes.cap(55, R, triangles=3000)
    whole = Surface(v, f)
    return whole, make_bed(whole)


def slit(surface, *lines):
    """Cut a surface along lines from places inside to the vertices of its edge nearest to others."""
    rim = np.concatenate(surface.boundary_loops)
    ends = [rim[np.linalg.norm(surface.vertices_mm[rim] - b, axis=1).argmin()] for _, b in lines]
    made = insert_paths(
        surface, [np.array([a, surface.vertices_mm[e]]) for (a, _), e in zip(lines, ends)], closed=False
    )
    (piece,) = cut_along(made.surface, made.paths).pieces
    return piece


def laid_on(bed, piece, start=POLE, turn_deg=0.0):
    own = piece_bed(bed, piece)
    return lay(own, own.start(start, FORWARD, turn_deg=turn_deg))


# -- where a piece meets itself --------------------------------------------------------------------------------------
def test_a_piece_without_a_seam_has_no_cut(cap):
    whole, _ = cap
    hole = region_of(whole, np.linalg.norm(whole.vertices_mm[whole.faces].mean(axis=1) - place(0, 0.4), axis=1) > 120)
    for piece in (whole, hole.surface):
        assert cuts_of(piece) == ()
        assert len(tips_of(piece)) == 0


def test_a_slit_is_a_cut_of_twin_edges_with_its_tip(cap):
    whole, _ = cap
    piece = slit(whole, (place(45, 0.3), place(45, 1.0)), (place(200, 0.5), place(200, 1.0)))
    cuts = cuts_of(piece)
    assert len(cuts) == 2
    for cut in cuts:
        assert (cut.twin >= 0).all()
        one, two = cut.edges, cut.edges[cut.twin]
        assert np.abs(piece.vertices_mm[one] - piece.vertices_mm[two[:, ::-1]]).max() < 1e-9
    tips = piece.vertices_mm[np.sort(tips_of(piece))]
    for tip in (place(45, 0.3), place(200, 0.5)):
        assert np.linalg.norm(tips - tip, axis=1).min() < 5
    both = np.bincount(seam_places(piece))
    assert both.max() == 2


def test_a_hole_that_a_seam_leads_to_belongs_to_the_cut_and_another_hole_does_not(cap):
    whole, _ = cap
    middle = whole.vertices_mm[whole.faces].mean(axis=1)
    keep = np.all([np.linalg.norm(middle - place(a, 0.5), axis=1) > 100 for a in (0, 180)], axis=0)
    pierced = region_of(whole, keep).surface
    loops = sorted(pierced.boundary_loops, key=len)[:2]
    mine = pierced.vertices_mm[max(loops, key=lambda q: pierced.vertices_mm[q][:, 0].mean())]
    piece = slit(pierced, (mine[mine[:, 0].argmax()], place(0, 1.0)))
    (cut,) = cuts_of(piece)
    round_hole = piece.vertices_mm[cut.edges[cut.twin < 0]]
    assert len(round_hole) >= 6
    assert (round_hole[..., 0] > 0).all()
    assert (np.linalg.norm(round_hole.reshape(-1, 3) - place(0, 0.5), axis=1) < 200).all()


def test_what_lies_beyond_a_line_both_ways_is_hidden():
    line = np.array([[[30.0, 20.0], [80.0, 90.0]]])
    seen = {(29, 90): False, (90, 19): False, (29.9, 25): False, (31, 22): True, (90, 21): True, (-90, 90): False, (20, 10): False}
    at = np.array(list(seen), dtype=float)
    assert _hidden(at, [line], 10.0).tolist() == list(seen.values())
    assert _hidden(-at, [-line], 10.0).tolist() == list(seen.values())
    mirror = np.array([-1.0, 1.0])
    assert _hidden(at * mirror, [line * mirror], 10.0).tolist() == list(seen.values())


# -- threads that are known ------------------------------------------------------------------------------------------
def test_a_net_from_threads_that_are_known_is_the_same_net(cap):
    _, bed = cap
    start = bed.start(place(10, 0.1), FORWARD, turn_deg=20)
    plan = Plan(25.0, (15, 12, 14, 13))
    net = grow(bed.ground, start, plan)
    i, j = net.origin
    lines = [(slice(i + 1, None), j), (slice(i - 1, None, -1), j), (i, slice(j + 1, None)), (i, slice(j - 1, None, -1))]
    known = tuple(Arm(net.points[q], net.normals[q], net.face[q]) for q in lines)
    same = grow(bed.ground, start, Plan(25.0, (15, 12, 14, 13), known=known))
    assert (net.state == ON).all()
    assert (same.state == ON).all()
    assert np.abs(net.points - same.points).max() < 1e-6
    # Threads known in part only go straight on from there.
    half = tuple(Arm(a.points[:6], a.normals[:6], a.face[:6]) for a in known)
    more = grow(bed.ground, start, Plan(25.0, (15, 12, 14, 13), known=half))
    assert np.abs(net.points - more.points).max() < 0.02


def first_thread(laid, axis):
    """Flat places, points and normals of a net's first warp or weft thread on the surface."""
    i, j = laid.net.origin
    line = (slice(None), j) if axis == 0 else (i, slice(None))
    on = laid.net.state[line] == ON
    at = np.zeros((int(on.sum()), 2))
    at[:, axis] = (laid.net.u_mm if axis == 0 else laid.net.v_mm)[on]
    return at, laid.net.points[line][on], laid.net.normals[line][on]


# -- sides of cuts ---------------------------------------------------------------------------------------------------
def test_both_sides_of_a_dart_shear_less_and_all_else_stays(cap):
    whole, bed = cap
    before = laid_on(bed, slit(whole, (place(45, 0.3), place(45, 1.0))))
    laid = lay_beyond(before)
    first, *sides = laid.parts
    assert len(sides) == 2
    assert np.sort(np.concatenate([p.at for p in laid.parts])).tolist() == list(range(len(before.at)))
    assert (laid.reading.uv_mm == before.reading.uv_mm)[first.at].all()
    for side in sides:
        was = np.abs(before.reading.shear_deg[side.at]).max()
        assert np.abs(side.reading.shear_deg).max() < 0.45 * was
        assert side.cover == pytest.approx(1)
        # The thread that parts a side from the rest has the same places in both nets.
        near = []
        for axis in (0, 1):
            at, points, normals = first_thread(side, axis)
            near.append(np.abs(read(before.cells, points, normals).uv_mm - side.shift_mm - at).max())
        assert min(near) < 0.1
        assert max(near) > 5
    drape = drape_of(laid)
    flat = draped_flat(drape)
    assert not flat.flat.overlaps
    assert flat.area.off < 5e-4
    assert np.percentile(np.abs(flat.along_threads - 1), 95) < 0.02
    # Both sides meet the rest along their known threads: no triangle is torn.
    assert flat.carried_mm2 == 0
    assert np.degrees(np.arcsin((drape.warp * drape.weft).sum(axis=1))) == pytest.approx(drape.shear_deg, abs=1e-6)


def test_directions_of_the_threads_are_those_of_each_side(cap):
    whole, bed = cap
    piece = slit(whole, (place(45, 0.3), place(45, 1.0)))
    drape = drape_of(lay_beyond(laid_on(bed, piece)))
    part = np.zeros(len(drape.uv_mm), dtype=int)
    for k, net in enumerate(drape.laid.parts):
        part[net.at] = k
    label = part[piece.faces]
    f = piece.faces[(label == label[:, :1]).all(axis=1)]
    p = piece.vertices_mm[f]
    step = np.stack([drape.uv_mm[f[:, k]] - drape.uv_mm[f[:, 0]] for k in (1, 2)], axis=2)
    along = (np.stack([p[:, k] - p[:, 0] for k in (1, 2)], axis=2) @ np.linalg.inv(step))[:, :, 0]
    own = drape.warp[f].mean(axis=1)
    cosine = (along * own).sum(axis=1) / np.linalg.norm(along, axis=1) / np.linalg.norm(own, axis=1)
    assert np.percentile(np.degrees(np.arccos(np.clip(cosine, -1, 1))), 98) < 3


@pytest.mark.parametrize(("tip", "end"), [
    ((0, 0.3), (0, 1.0)), ((0, 0.3), (70, 1.0)), ((60, 0.45), (110, 1.0)), ((20, 0.5), (-40, 1.0))
], ids=["on the first thread", "along a thread", "leaning back", "across the first thread"])
def test_a_slit_any_way_opens_and_tears_nothing(cap, tip, end):
    whole, bed = cap
    before = laid_on(bed, slit(whole, (place(*tip), place(*end))))
    laid = lay_beyond(before)
    assert len(laid.parts) > 1
    assert laid.norm_deg(2.0) < before.norm_deg(2.0)
    drape = drape_of(laid)
    flat = draped_flat(drape)
    assert not flat.flat.overlaps
    assert flat.area.off < 5e-4
    assert not drape.doubtful
    assert drape.most_deg < drape_of(before).most_deg + 0.1


def test_a_first_thread_ends_where_a_cut_crosses_it(cap):
    whole, bed = cap
    before = laid_on(bed, slit(whole, (place(20, 0.5), place(-40, 1.0))))
    drape = drape_of(lay_beyond(before))
    uncut = drape_of(before)
    # Beyond the cut the cloth is that of a side, and its threads run elsewhere.
    assert 380 < drape.warp_line_mm[-1, 0] < 560 < uncut.warp_line_mm[-1, 0]
    off = np.linalg.norm(uncut.warp_line_mm[: len(drape.warp_line_mm)] - drape.warp_line_mm, axis=1)
    assert off.max() < 1e-9
    assert np.abs(drape.weft_line_mm - uncut.weft_line_mm).max() < 1e-9


@pytest.mark.parametrize("face_up", ["out", "in"])
def test_a_template_draws_its_first_threads_as_far_as_they_run_on_the_hull(cap, face_up):
    whole, bed = cap
    rim = whole.boundary_loops[0]
    # Across the warp ahead of the start, and across the weft ahead of it, which lies below on a piece turned over.
    for axis, tip, end in ((0, place(5, 0.3), place(-5, 1.0)), (1, place(70, 0.5), place(120, 1.0))):
        edge = whole.vertices_mm[rim[np.linalg.norm(whole.vertices_mm[rim] - end, axis=1).argmin()]]
        opened = slit_piece(Opened((whole,)), 0, [np.array([edge, tip])])
        draped = draped_flat(drape_of(lay_beyond(laid_on(bed, opened.pieces[0])), least_cover=0.0))
        made = make_templates(
            opened, [draped.flat], region="r", ply="P1", material="m", lap_mm=20, trim_mm=0, warp=FORWARD, face_up=face_up
        )[0]
        line = (draped.drape.warp_line_mm, draped.drape.weft_line_mm)[axis]
        ends = [R * np.arccos(p[2] / R) for p in line[[0, -1]]]
        cut_mm, rim_mm = min(ends), R * np.radians(55)
        (run,) = (made.warp_thread, made.weft_thread)[axis]
        runs = np.abs(np.asarray(run.coords)[:, axis] - (made.start.x, made.start.y)[axis])
        assert cut_mm < 0.8 * rim_mm
        # The mesh's edge is a chain of chords.
        assert sorted(runs) == pytest.approx([cut_mm, rim_mm], rel=2e-3)
        ahead = np.asarray(run.coords)[:, axis].max() - (made.start.x, made.start.y)[axis]
        assert (ahead == pytest.approx(cut_mm, rel=2e-3)) == (axis == 0 or face_up == "out")


def test_a_dart_behind_a_dart_is_found_in_the_net_of_its_side(cap):
    whole, bed = cap
    piece = slit(whole, (place(45, 0.2), place(62, 1.0)), (place(30, 0.55), place(30, 1.0)))
    laid = lay_beyond(laid_on(bed, piece))
    assert len(laid.parts) >= 4
    tips = np.array([p.shift_mm for p in laid.parts[1:]])
    assert len(np.unique(np.round(tips, 3), axis=0)) >= 2
    flat = draped_flat(drape_of(laid))
    assert not flat.flat.overlaps
    assert flat.area.off < 5e-4
    assert flat.carried_mm2 < 1e-3 * piece.area_mm2


def test_on_a_saddle_a_slit_stays_shut():
    v, f = shapes.saddle(1000, 150, 2500)
    whole = Surface(v, f)
    bed = make_bed(whole)
    inside, edge = (v[np.hypot(v[:, 0] - x, v[:, 1] - y).argmin()] for x, y in ((150, 150), (500, 480)))
    before = laid_on(bed, slit(whole, (inside, edge)), start=v[np.hypot(v[:, 0], v[:, 1]).argmin()])
    laid = lay_beyond(before)
    # A wedge that would have to be let in is no wedge that can be taken out.
    assert laid.parts == ()
    assert laid is before


def test_no_cut_opens_where_its_sides_would_lie_over_each_other():
    v, f = shapes.cap(50, R, triangles=3000)
    whole = Surface(v, f)
    lines = [
        ([123.215, 229.195, 965.551], [393.826, 657.058, 642.788]), ([-109.566, -568.193, 815.568], [-514.444, -567.601, 642.788])
    ]
    piece = slit(whole, *(tuple(np.array(q) for q in line) for line in lines))
    laid = lay_beyond(laid_on(make_bed(whole), piece, start=[-154.67, 192.32, 969.07], turn_deg=28.968))
    assert draped_flat(drape_of(laid)).flat.overlap_mm2 < 1e-6


def test_nets_behind_a_cut_are_not_read_on_another_mesh(cap):
    whole, bed = cap
    laid = lay_beyond(laid_on(bed, slit(whole, (place(45, 0.3), place(45, 1.0)))))
    with pytest.raises(SolveError, match="several parts"):
        moved(laid, bed)


# -- pieces ----------------------------------------------------------------------------------------------------------
def test_a_darted_piece_is_put_down_amid_its_darts():
    v, f = shapes.cap(55, R, triangles=1500)
    whole = Surface(v, f)
    bed = make_bed(whole)
    piece = slit(whole, *((place(a, 0.28), place(a, 1.0)) for a in (45, 135, 225, 315)))
    plain = lay_piece(bed, Wishes(FORWARD, 0.0, Locking(60, 60, 40, 40), start_mm=POLE)).draped
    found = lay_piece(piece_bed(bed, piece), Wishes(FORWARD, 0.0, Locking(14, 14, 10, 10)))
    assert found.refused == ""
    assert found.draped.drape.most_deg < 0.5 * plain.drape.most_deg
    assert found.draped.drape.locked_area_mm2 == 0
    assert found.draped.drape.advice == ()
    assert np.linalg.norm(found.draped.drape.start_mm - POLE) < 120

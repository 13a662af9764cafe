"""Darts and lines across: where they go, what they buy, and what they keep off."""

import numpy as np
import pytest
import shapes
from shapely import LineString, Point, union_all

from plyflat.cloth._outline import SLIT_MM, STOP_MM
from plyflat.cloth.darts import advise_cuts, place_darts
from plyflat.cloth.flatten import cloth_stretch
from plyflat.cloth.opening import Opened
from plyflat.cloth.pieces import make_templates, warp_frame
from plyflat.errors import OutlineError
from plyflat.surface.mesh import Surface


@pytest.fixture(scope="module")
def cap():
    return Surface(*shapes.cap(45, triangles=4000))


@pytest.fixture(scope="module")
def saddle():
    return Surface(*shapes.saddle(triangles=4000))


@pytest.fixture(scope="module")
def darted(cap):
    return place_darts(cap, limit=0.03, over_share=0.01)


def edge_of(surface):
    return surface.vertices_mm[np.concatenate(surface.boundary_loops)]


def off_edge(surface, point):
    """Distance of a point from the edge as a polyline."""
    (loop,) = surface.boundary_loops
    a, b = surface.vertices_mm[loop], surface.vertices_mm[np.roll(loop, -1)]
    t = np.clip(((point - a) * (b - a)).sum(axis=1) / ((b - a) ** 2).sum(axis=1), 0, 1)
    return np.linalg.norm(a + t[:, None] * (b - a) - point, axis=1).min()


def test_a_dome_gets_darts_from_its_edge_until_it_lies_flat(cap, darted):
    done = darted
    assert done.before.over_share > 0.5
    assert done.after.over_share < 0.012
    assert {c.kind for c in done.cuts} == {"dart"}
    assert len(done.flats) == 1
    assert not done.flats[0].overlaps
    assert not done.flats[0].flipped.any()
    steps = [done.cuts[0].over_before, *(c.over_after for c in done.cuts)]
    assert steps == sorted(steps, reverse=True)
    for cut in done.cuts:
        assert off_edge(cap, cut.line_mm[0]) < 0.05  # begins on the patch's own edge, on no other dart
        assert off_edge(cap, cut.line_mm[-1]) > 100  # and ends well inside
        assert 2 < cut.opens_deg < 30


def test_darts_of_a_dome_do_not_meet(darted):
    cuts = darted.cuts
    for k, one in enumerate(cuts):
        for other in cuts[k + 1 :]:
            assert np.linalg.norm(one.line_mm[:, None] - other.line_mm[None], axis=2).min() > 20


def test_a_dome_gets_few_darts_evenly_spread_and_of_like_depth(cap, darted):
    """A quarter turn apart, as far as steps along the edge and vertices for tips allow."""
    assert len(darted.cuts) <= 4
    start = np.array([c.line_mm[0] for c in darted.cuts])
    turn = np.sort(np.degrees(np.arctan2(start[:, 1], start[:, 0])))
    apart = np.diff(np.r_[turn, turn[0] + 360])
    assert np.ptp(apart) < 0.05 * 360 / len(turn)
    length = np.array([c.length_mm for c in darted.cuts])
    assert np.ptp(length) < 2 * cap.mean_edge_mm
    assert np.ptp([c.opens_deg for c in darted.cuts]) < 1.0


def test_a_patch_with_two_mirror_planes_gets_cuts_that_have_them_too():
    surface = Surface(*shapes.bulged_patch(triangles=4000))
    done = place_darts(surface, over_share=0.001)
    assert 2 <= len(done.cuts) <= 4
    assert done.after.over_share <= 0.001
    tips, starts = (np.array([c.line_mm[k] for c in done.cuts]) for k in (-1, 0))
    for mirror in ([-1, 1, 1], [1, -1, 1]):
        for ends in (tips, starts):
            near = np.linalg.norm(ends[:, None] * mirror - ends[None], axis=2).min(axis=1)
            assert near.max() < 1.5 * surface.mean_edge_mm


def test_what_a_cut_brings_is_measured_on_the_patch_itself(cap):
    """The share over the limit with the first cuts alone is that of a patch that has just those."""
    done = place_darts(cap, over_share=0.01, scale_mm=10.0)
    assert done.cuts[0].over_before == done.before.over_share
    assert done.cuts[-1].over_after == done.after.over_share
    assert done.after.scale_mm == done.before.scale_mm == 10.0
    alone = place_darts(cap, most=0, given_mm=[done.cuts[0].line_mm[[0, -1]]], scale_mm=10.0)
    assert alone.after.over_share == pytest.approx(done.cuts[0].over_after, abs=0.01)
    stretch = np.concatenate([cloth_stretch(p, f, length_mm=10.0) for p, f in zip(done.opened.pieces, done.flats)])
    areas = np.concatenate([p.face_areas_mm2 for p in done.opened.pieces])
    over = areas[np.abs(stretch - 1).max(axis=1) > 0.03].sum() / areas.sum()
    assert done.after.over_share == pytest.approx(over, abs=1e-12)


@pytest.mark.parametrize("move", ["turned", "mirrored", "renumbered"])
def test_cuts_do_not_depend_on_place_hand_or_numbering(cap, darted, move):
    v, f = cap.vertices_mm, cap.faces
    if move == "turned":
        v = shapes.turned(v, seed=3)
    elif move == "mirrored":
        v, f = v * [1, -1, 1], f[:, [0, 2, 1]]
    else:
        order = np.random.default_rng(5).permutation(len(v))
        place = np.argsort(order)
        v, f = v[order], place[f][np.random.default_rng(6).permutation(len(f))]
    done = place_darts(Surface(v, f), limit=0.03, over_share=0.01)
    assert len(done.cuts) == len(darted.cuts)
    assert done.after.over_share < 0.012
    was, now = (np.sort([c.length_mm for c in d.cuts]) for d in (darted, done))
    assert now == pytest.approx(was, abs=2 * cap.mean_edge_mm)


def test_a_saddle_is_split_from_edge_to_edge(saddle):
    done = place_darts(saddle, limit=0.03, over_share=0.001, most=3, kinds=["dart", "split"])
    assert {c.kind for c in done.cuts} == {"split"}
    assert len(done.flats) == 4
    assert done.after.energy < 1.0001
    assert not any(f.overlaps for f in done.flats)
    assert sum(p.area_mm2 for p in done.opened.pieces) == pytest.approx(saddle.area_mm2, rel=1e-6)


def test_what_is_flat_enough_is_left_alone(cap):
    done = place_darts(cap, limit=0.2)
    assert done.cuts == ()
    assert done.opened.pieces == (cap,)
    assert place_darts(cap, limit=0.03, most=0).cuts == ()


def test_cuts_keep_off_what_they_are_told_to(cap):
    free = place_darts(cap, limit=0.03, over_share=0.05, most=1).cuts[0].line_mm
    guarded = place_darts(cap, limit=0.03, over_share=0.05, most=1, keep_off_mm=free, clear_mm=80.0)
    assert len(guarded.cuts) == 1
    gaps = np.linalg.norm(guarded.cuts[0].line_mm[:, None] - free[None], axis=2).min()
    assert gaps > 79  # the draft's geodesic keeps off by 80 mm, and the patch's lies beside it
    everywhere = place_darts(cap, limit=0.03, keep_off_mm=cap.vertices_mm[::5], clear_mm=300.0)
    assert everywhere.cuts == ()


def test_only_the_kinds_allowed_are_used(cap):
    done = place_darts(cap, limit=0.03, over_share=0.2, most=1, kinds=["split"])
    assert [c.kind for c in done.cuts] == ["split"]
    assert len(done.flats) == 2


def test_a_cut_of_the_users_is_made_where_it_is_asked(cap):
    rim = edge_of(cap)
    start = rim[np.argmax(rim[:, 0])]
    top = cap.vertices_mm[np.argmax(cap.vertices_mm[:, 2])]
    done = place_darts(cap, limit=0.03, most=0, given_mm=[[start, top]])
    assert len(done.cuts) == 1
    assert done.cuts[0].given
    assert done.cuts[0].kind == "dart"
    assert np.linalg.norm(done.cuts[0].line_mm[-1] - top) < 30
    assert np.abs(done.cuts[0].line_mm[:, 1] - start[1]).max() < 60
    assert done.after.over_share < 0.4 * done.before.over_share


def test_a_cut_of_the_users_goes_through_its_points(cap):
    """Off the straight way by 80 mm in the middle."""
    rim = edge_of(cap)
    start = rim[np.argmax(rim[:, 0])]
    top = cap.vertices_mm[np.argmax(cap.vertices_mm[:, 2])]
    middle = cap.locate(((start + top) / 2 + [0, 80, 90])[None]).points_mm[0]
    (cut,) = place_darts(cap, most=0, given_mm=[[start, middle, top]]).cuts
    assert np.linalg.norm(cut.line_mm - middle, axis=1).min() < 2.0


def test_a_cut_off_the_surface_is_refused_with_its_place(cap):
    with pytest.raises(OutlineError, match=r"point 2 of a cut lies 200\.. mm off the surface") as fault:
        place_darts(cap, most=0, given_mm=[[[700, 0, 707], [0, 0, 1200]]])
    assert "(0.0, 0.0, 1200.0) mm" in str(fault.value)
    assert "check its unit" in str(fault.value)


def test_a_cut_along_the_edge_is_refused(cap):
    (loop,) = cap.boundary_loops
    with pytest.raises(OutlineError, match="does not run from the edge into the patch"):
        place_darts(cap, most=0, given_mm=[cap.vertices_mm[loop[[0, 1]]]])


@pytest.mark.parametrize("line", [[[0, 0, 0]], [[0, 0], [1, 1]], [[np.nan, 0, 0], [0, 0, 0]]])
def test_a_line_that_is_none_is_refused(cap, line):
    with pytest.raises(OutlineError, match="not a list of two or more points"):
        place_darts(cap, given_mm=[line])


def test_an_opening_stays_an_opening():
    v, f = shapes.cap(45, triangles=4000)
    middle = v[f].mean(axis=1)
    f = f[np.hypot(middle[:, 0] - 150, middle[:, 1]) > 60]
    used, inverse = np.unique(f, return_inverse=True)
    ring = Surface(v[used], inverse.reshape(-1, 3))
    done = place_darts(ring, limit=0.03, over_share=0.1, most=3)
    assert len(done.cuts) >= 1
    assert sum(len(p.boundary_loops) for p in done.opened.pieces) == 2
    assert done.after.over_share < done.before.over_share


@pytest.mark.parametrize("face_up", ["out", "in"])
def test_a_template_of_a_dart_can_be_cut_and_laps_over(darted, face_up):
    """The lap fills the dart no farther than its other side, the slit stays open to the tip, and marks match."""
    (template,) = make_templates(
        darted.opened, darted.flats, region="dome", ply="P1", material="glass", warp=[1, 0, 0], lap_mm=25.0,
        trim_mm=10.0, face_up=face_up,
    )
    assert len(template.laps) == len(darted.cuts)
    whole = template.cut.convex_hull
    open_mm2 = whole.area - template.cut.area
    assert open_mm2 > 0  # the darts are there
    for k, cut in enumerate(darted.cuts):
        marks = [n for n in template.notches if n.mark.startswith(f"J{k + 1}.")]
        assert len(marks) >= 4
        assert len({n.mark for n in marks}) == len(marks) // 2  # the same marks on both sides
        lap = max(template.laps, key=lambda q: q.area)
        assert lap.area < 25.5 * cut.length_mm * 1.5
    # The slit stays open for the scissors: no lap comes nearer to the dart's other side.
    frame, _ = warp_frame(darted.opened.pieces[0], darted.flats[0], [1, 0, 0], face_up=face_up)
    uv = frame.apply(darted.flats[0].uv_mm)
    for side in darted.opened.sides:
        other = LineString(uv[side.right_vertices])
        assert min(lap.distance(other) for lap in template.laps) >= SLIT_MM - 0.02
    # Cloth does not lie over itself on the table: net and laps together are the cut line but for the margin.
    inner = sum(q.area for q in template.laps) + template.net.area
    assert inner < template.cut.area
    assert template.net.intersection(union_all(list(template.laps))).area < 1e-6


def test_a_darts_tip_has_a_round_hole(darted):
    (template,) = make_templates(
        darted.opened, darted.flats, region="dome", ply="P1", material="glass", warp=[1, 0, 0], lap_mm=0.0, trim_mm=0.0
    )
    sides = [s for s in darted.opened.sides if s.left_vertices[-1] == s.right_vertices[-1]]
    frame, _ = warp_frame(darted.opened.pieces[0], darted.flats[0], [1, 0, 0])
    for side in sides:
        tip = Point(frame.apply(darted.flats[0].uv_mm[side.left_vertices[-1]]))
        assert not template.cut.contains(tip)
        assert template.cut.distance(tip) == pytest.approx(STOP_MM, abs=0.05)


def test_advice_says_what_cuts_would_bring_or_that_none_helps(cap):
    advice = advise_cuts(Opened((cap,)), limit=0.03, over_share=0.05)
    assert advice.words() == f"{len(advice.cuts)} darts"
    assert advice.over_before > 0.5
    assert advice.over_after <= 0.06
    assert advice.length_mm == pytest.approx(sum(c.length_mm for c in advice.cuts))
    done = place_darts(cap, limit=0.03, over_share=0.05, most=len(advice.cuts))
    assert done.after.over_share == pytest.approx(advice.over_after, abs=0.03)
    guarded = advise_cuts(
        Opened((cap,)), limit=0.03, over_share=0.05, keep_off_mm=cap.vertices_mm[::7], clear_mm=300.0
    )
    assert guarded.cuts == ()
    assert guarded.over_after == guarded.over_before > 0.5

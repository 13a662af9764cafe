"""Opening rings: pieces are discs, their seams match, and what need not be opened stays whole."""

import numpy as np
import pytest
import shapes

from plyflat.cloth._cutting import along_rim, on_rim, split_rim
from plyflat.cloth._seams import _signature, rim_through
from plyflat.cloth.flatten import flatten
from plyflat.cloth.opening import cut_along, enclosed_deg, holes_to_open, open_patch
from plyflat.errors import ShapeError
from plyflat.surface.cut import mesh_edges
from plyflat.surface.mesh import Surface


def euler(s):
    return len(s.vertices_mm) - len(mesh_edges(s.faces, len(s.vertices_mm)).ends) + len(s.faces)


@pytest.fixture(scope="module")
def post():
    return Surface(*shapes.post_on_plate(60, 80, 100, around=90, along=30))


@pytest.fixture(scope="module")
def foil():
    return Surface(*shapes.foil_on_plate(around=120, along=30))


@pytest.fixture(scope="module")
def foil_opened(foil):
    return open_patch(foil, most=2, lap_mm=25)


def bumps(centres, foot=70.0, height=90.0, top=60.0, hole=None):
    """Plate with cone-like bumps whose tops are cut off, and a plain hole in the plate."""
    p, f = shapes.rectangle(700, 400, 9000)
    z = np.zeros(len(p))
    for c in centres:
        z = np.maximum(z, height * (1 - np.hypot(*(p - c).T) / foot))
    keep = (z[f] < top).all(1)
    if hole is not None:
        keep &= (np.hypot(*(p - hole).T)[f] > 20).all(1)
    return Surface(np.column_stack([p, z]), f).sub(keep)[0]


@pytest.mark.parametrize("count", [1, 2, 3, 4])
def test_ring_round_a_post_becomes_as_many_discs_as_allowed(post, count):
    opened = open_patch(post, most=count, limit=0.01, over_share=0.0)
    assert len(opened.pieces) == count
    assert [euler(p) for p in opened.pieces] == [1] * count
    assert [len(p.boundary_loops) for p in opened.pieces] == [1] * count
    # Clearing slivers along a seam may move the faceted surface by a few hundredths of a millimetre.
    assert sum(p.area_mm2 for p in opened.pieces) == pytest.approx(post.area_mm2, rel=2e-6)
    assert not any(flatten(p).overlaps for p in opened.pieces)


def test_seams_are_short_straight_and_evenly_spread(post):
    opened = open_patch(post, most=4, limit=0.01, over_share=0.0)
    for seam in opened.seams:
        length = np.linalg.norm(np.diff(seam, axis=0), axis=1).sum()
        assert seam[0, 2] == pytest.approx(80)
        assert length == pytest.approx(180, rel=0.005)
    at = np.sort([np.arctan2(s[0, 1], s[0, 0]) for s in opened.seams])
    gaps = np.diff(np.r_[at, at[0] + 2 * np.pi])
    assert np.degrees(gaps).min() > 70
    assert np.degrees(gaps).max() < 110


def test_both_sides_of_a_seam_match(post):
    opened = open_patch(post, most=3, limit=0.01, over_share=0.0)
    for seam, side in zip(opened.seams, opened.sides):
        left, right = opened.pieces[side.left], opened.pieces[side.right]
        np.testing.assert_array_equal(left.vertices_mm[side.left_vertices], seam)
        np.testing.assert_array_equal(right.vertices_mm[side.right_vertices], seam)
        # Walking outward with the surface on the left, a boundary runs in the seam's sense on its left piece.
        for piece, vertices, step in ((left, side.left_vertices, 1), (right, side.right_vertices, -1)):
            loop = piece.boundary_loops[0].tolist()
            i = loop.index(vertices[2])
            assert loop[(i + step) % len(loop)] == vertices[3]


def test_cutting_loses_no_area():
    s = Surface(*shapes.box(steps=6))
    row = np.flatnonzero(np.isclose(s.vertices_mm[:, 2], 100) & np.isclose(s.vertices_mm[:, 1], 0))
    s, used = s.sub(s.face_normals[:, 2] > 0.9)
    path = np.searchsorted(used, row[np.argsort(s.vertices_mm[np.searchsorted(used, row), 0])])
    opened = cut_along(s, [path])
    assert len(opened.pieces) == 2
    assert sum(p.area_mm2 for p in opened.pieces) == pytest.approx(s.area_mm2, rel=1e-12)
    assert len(np.unique(np.concatenate(opened.faces))) == len(s.faces)


def test_foil_section_is_opened_at_nose_and_tail(foil_opened):
    opened = foil_opened
    ends = np.array(sorted((s[0] for s in opened.seams), key=lambda p: p[0]))
    assert np.abs(ends - [[-253, 0, 90], [253, 0, 90]]).max() < 2
    goals = np.array(sorted((s[-1] for s in opened.seams), key=lambda p: p[0]))
    # The outer edge fans out round the tail; the seam goes down the middle of the fan.
    assert np.abs(goals[:, 1]).max() < 12


def test_seams_go_where_they_are_asked_for(post):
    wanted = [[160, 0, 0], [0, 60, 40.0]]
    opened = open_patch(post, seams_mm=wanted)
    at = np.degrees([np.arctan2(s[0, 1], s[0, 0]) for s in opened.seams])
    # A vertex of the rim every 4 degrees.
    np.testing.assert_allclose(np.sort(at), [0, 90], atol=4)


def test_disc_is_left_alone():
    s = Surface(*shapes.cap(triangles=500))
    opened = open_patch(s)
    assert opened.pieces == (s,)
    assert opened.seams == ()
    with pytest.raises(ShapeError, match="1 seam points for a patch with no ring"):
        open_patch(s, seams_mm=[[0, 0, 1000]])


def test_hole_in_a_plain_panel_stays():
    s = bumps([], hole=(200, 200))
    assert holes_to_open(s) == ()
    assert open_patch(s).pieces == (s,)


def test_two_posts_and_a_plain_hole():
    s = bumps([(180, 200), (520, 210)], hole=(350, 300))
    assert len(s.boundary_loops) == 4
    assert len(holes_to_open(s)) == 2
    opened = open_patch(s, most=1)
    assert len(opened.pieces) == 1
    assert len(opened.seams) == 2
    assert euler(opened.pieces[0]) == 0
    opened = open_patch(s, seams_mm=[[180, 270, 0], [180, 130, 0], [590, 210, 0]])
    assert len(opened.pieces) == 2
    assert len(opened.seams) == 3
    assert sum(len(p.boundary_loops) - 1 for p in opened.pieces) == 1


def test_lap_that_finds_no_room_takes_one_more_seam():
    # A blunt cone of 30 degrees encloses 360 (1 - cos 30) = 48 degrees: opened once, the gap is narrower than a lap.
    s = bumps([(350, 200)], foot=150, height=150 * np.tan(np.radians(30)), top=75)
    assert len(open_patch(s, most=1).pieces) == 1
    opened = open_patch(s, most=1, lap_mm=40)
    assert len(opened.pieces) >= 2


def test_shape_faults_say_what_to_do(post):
    with pytest.raises(ShapeError, match=r"closed.*outline"):
        open_patch(Surface(*shapes.sphere(triangles=500)))
    torus = Surface(*shapes.torus(around=30, along=16))
    with pytest.raises(ShapeError, match=r"1 handle .*two regions"):
        open_patch(torus.sub(np.arange(len(torus.faces)) > 0)[0])
    v, f = shapes.cap(triangles=200)
    two = Surface(np.concatenate([v, v + 5000]), np.concatenate([f, f + len(v)]))
    with pytest.raises(ShapeError, match="2 separate parts"):
        open_patch(two)


def test_fine_mesh_is_tried_out_on_a_coarse_copy():
    s = Surface(*shapes.post_on_plate(60, 80, 100, around=150, along=60))
    opened = open_patch(s, most=2, limit=0.01, over_share=0.0)
    assert [euler(p) for p in opened.pieces] == [1, 1]
    a, b = (np.degrees(np.arctan2(q[0, 1], q[0, 0])) for q in opened.seams)
    assert abs(abs(a - b) - 180) < 20


def test_a_coarse_copy_with_needles_is_not_tried_out():
    sheet = np.array([[0, 0, 0], [100, 0, 0], [100, 100, 0], [0, 100, 0]], dtype=float)
    f = np.array([[0, 1, 2], [0, 2, 3], [0, 4, 1]])
    # A third triangle below the edge, as high as a rounding of its coordinates, is more than none but cannot be laid flat.
    needle = Surface(np.vstack([sheet, [50, -1e-12, 0]]), f)
    assert needle.face_areas_mm2.min() > 0
    broad = Surface(np.vstack([sheet, [50, -10, 0]]), f)
    assert _signature(broad) == (1, 1, 1, 2)
    assert _signature(needle) != _signature(broad)


def test_curvature_an_opening_encloses(post):
    for loop in post.boundary_loops[1:]:
        assert enclosed_deg(post, loop) == pytest.approx(360, abs=0.1)


# -- equal pieces --------------------------------------------------------------------------------------------------
def test_pieces_that_do_not_fit_the_roll_are_opened_once_more(post):
    whole = open_patch(post, most=4, over_share=1.0)
    assert len(whole.pieces) == 1
    narrow = open_patch(post, most=4, over_share=1.0, fits=lambda _, flat: np.ptp(flat.uv_mm, axis=0).min() < 260)
    assert 1 < len(narrow.pieces) <= 4
    # What no seams make fit is left in few pieces: it is split on the roll later.
    assert len(open_patch(post, most=2, over_share=1.0, fits=lambda *_: False).pieces) == 1


def test_equal_pieces_start_on_the_forward_side_and_turn_on(post):
    ahead = open_patch(post, pieces=3, forward=(0, 1, 0))
    at = np.degrees([np.arctan2(s[0, 1], s[0, 0]) for s in ahead.seams]) % 360
    np.testing.assert_allclose(np.sort(at), [90, 210, 330], atol=0.3)
    turned = open_patch(post, pieces=3, forward=(0, 1, 0), turn=0.5)
    at = np.degrees([np.arctan2(s[0, 1], s[0, 0]) for s in turned.seams]) % 360
    np.testing.assert_allclose(np.sort(at), [30, 150, 270], atol=0.3)
    # A direction square to the rim gives way to an axis.
    assert len(open_patch(post, pieces=2, forward=(0, 0, 1)).pieces) == 2


def test_pieces_narrower_than_two_laps_are_refused(post):
    with pytest.raises(ShapeError, match=r"10 pieces round an edge of 377 mm leave 38 mm for each.*Cut fewer pieces"):
        open_patch(post, pieces=10, lap_mm=25)


def test_every_post_of_several_is_opened_in_equal_places():
    s = bumps([(180, 200), (520, 210)], hole=(350, 300))
    opened = open_patch(s, pieces=2)
    assert len(opened.seams) == 4
    # The plain hole stays.
    assert sum(len(p.boundary_loops) - 1 for p in opened.pieces) == 1


def test_seams_placed_by_hand_move_along_the_rim(post):
    still, moved = (open_patch(post, seams_mm=[[110, 0, 0]], shift_mm=d) for d in (0.0, 20.0))
    a, b = (complex(*o.seams[0][0, :2]) for o in (still, moved))
    assert abs(np.angle(b / a)) * 60 == pytest.approx(20, abs=0.5)


def test_a_rim_is_split_without_moving_anything(post):
    loop = post.boundary_loops[1]
    at, total = along_rim(post.vertices_mm[loop])
    s, found = split_rim(post, loop, np.array([0.0, 0.4 * at[1], 0.6 * at[1], 0.5 * total, at[7] + 0.1]))
    assert s.area_mm2 == pytest.approx(post.area_mm2, rel=1e-12)
    np.testing.assert_array_equal(s.vertices_mm[: len(post.vertices_mm)], post.vertices_mm)
    assert found[0] == loop[0]
    assert found[4] == loop[7]
    assert len(s.vertices_mm) - len(post.vertices_mm) in (2, 3)
    assert euler(s) == 0
    rim = s.vertices_mm[rim_through(s, int(loop[0]))]
    for f, x in zip(found, (0, 0.4 * at[1], 0.6 * at[1], 0.5 * total)):
        assert on_rim(rim, s.vertices_mm[f]) == pytest.approx(x, abs=0.26)

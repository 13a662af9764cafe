"""Gussets: where they go, how wide they are, and that both pieces can be cut from cloth."""

import numpy as np
import pytest
import shapes
from shapely import Polygon, union_all

from plyflat.cloth.darts import dart_pieces, place_darts
from plyflat.cloth.gusset import places_on_edge, wedge_of
from plyflat.cloth.opening import Opened
from plyflat.cloth.pieces import make_templates
from plyflat.errors import OutlineError
from plyflat.surface.mesh import Surface


@pytest.fixture(scope="module")
def saddle():
    return Surface(*shapes.saddle(triangles=3000))


@pytest.fixture(scope="module")
def let_in(saddle):
    return place_darts(saddle, over_share=0.001, most=1, kinds=["gusset"])


def laid_over(piece, flat):
    """Area lost where triangles lie over one another in the flat, mm2."""
    triangles = [Polygon(flat.uv_mm[f]) for f in piece.faces]
    return sum(t.area for t in triangles) - union_all(triangles).area


def opening_mm(done):
    """Gap in the flat between the sides of the rest where they reach the edge: the angle at the tip times their length."""
    one, two = done.opened.sides
    assert one.left == two.left != one.right == two.right
    uv = done.flats[one.right].uv_mm
    tip = uv[one.right_vertices[-1]]
    a, b = uv[one.right_vertices[0]] - tip, uv[two.right_vertices[-1]] - tip
    far = 0.5 * (np.linalg.norm(a) + np.linalg.norm(b))
    return far * np.arccos(a @ b / np.linalg.norm(a) / np.linalg.norm(b))


def test_a_saddle_takes_a_gusset_that_lets_the_rest_close(saddle, let_in):
    (cut,) = let_in.cuts
    assert cut.kind == "gusset"
    assert len(let_in.opened.pieces) == len(let_in.flats) == 2
    assert len(let_in.opened.seams) == len(let_in.opened.sides) == 2
    assert let_in.after.over_share < 0.15 * let_in.before.over_share
    for piece, flat in zip(let_in.opened.pieces, let_in.flats):
        assert not flat.overlaps
        assert laid_over(piece, flat) < 1e-3
    wide = cut.opens_deg * np.pi / 180 * 0.5 * cut.length_mm
    assert opening_mm(let_in) < 0.03 * wide
    assert sum(p.area_mm2 for p in let_in.opened.pieces) == pytest.approx(saddle.area_mm2, rel=1e-4)


def test_its_line_goes_from_the_edge_to_the_tip_and_back(saddle, let_in):
    (cut,) = let_in.cuts
    wedge = let_in.opened.sides[0].left
    piece, flat = let_in.opened.pieces[wedge], let_in.flats[wedge]
    ends = [s.left_vertices for s in let_in.opened.sides]
    assert ends[0][-1] == ends[1][0]  # the tip
    assert np.allclose(piece.vertices_mm[ends[0]], let_in.opened.seams[0])
    assert np.allclose(np.vstack([let_in.opened.seams[0], let_in.opened.seams[1][1:]]), cut.line_mm)
    a, b = flat.uv_mm[ends[0][0]] - flat.uv_mm[ends[0][-1]], flat.uv_mm[ends[1][-1]] - flat.uv_mm[ends[1][0]]
    angle = np.degrees(np.arccos(a @ b / np.linalg.norm(a) / np.linalg.norm(b)))
    assert cut.opens_deg == pytest.approx(angle, abs=1e-6)


def test_two_gussets_close_together_though_each_changes_the_others_gap(saddle):
    done = place_darts(saddle, over_share=0.001, most=2, kinds=["gusset"])
    assert len(done.cuts) == 2
    assert done.after.over_share < 0.03
    assert not any(f.overlaps for f in done.flats)


def test_a_dome_gets_no_gusset():
    cap = Surface(*shapes.cap(40, triangles=2000))
    assert place_darts(cap, kinds=["gusset"]).cuts == ()


def test_a_gusset_keeps_off_what_it_is_told_to(saddle, let_in):
    free = let_in.cuts[0].line_mm
    guarded = place_darts(
        saddle, over_share=0.001, most=1, kinds=["gusset"], keep_off_mm=free[[0, -1]], clear_mm=150.0
    )
    for cut in guarded.cuts:
        gaps = np.linalg.norm(cut.line_mm[:, None] - free[None, [0, -1]], axis=2)
        assert gaps.min() > 140  # its width is put right on the patch, which moves its sides a little


def test_both_pieces_become_templates_with_laps_on_the_wedge(let_in):
    templates = make_templates(
        let_in.opened, let_in.flats, region="saddle", ply="P1", material="glass", warp=[1, 0, 0], lap_mm=25.0, trim_mm=10.0
    )
    wedge = let_in.opened.sides[0].left
    rest = 1 - wedge
    assert (len(templates[wedge].laps), len(templates[rest].laps)) == (2, 0)
    assert len(templates[rest].joins) == 2
    marks = [{n.mark for n in t.notches if n.mark.startswith("J")} for t in templates]
    assert marks[0] == marks[1]
    assert len(marks[0]) >= 4
    for k, t in enumerate(templates):
        assert t.cut.is_valid
        assert t.net.area == pytest.approx(Polygon(let_in.flats[k].uv_mm[let_in.opened.pieces[k].boundary_loops[0]]).area, rel=1e-3)
    laps = union_all(list(templates[wedge].laps))
    assert laps.intersection(templates[wedge].net).area < 1e-6
    assert templates[wedge].cut.area > templates[wedge].net.area + laps.area


def test_the_user_places_a_gusset(saddle):
    (loop,) = saddle.boundary_loops
    rim = saddle.vertices_mm[loop]
    middle = rim[np.argmin(np.linalg.norm(rim - [500, 0, 200], axis=1))]
    done = place_darts(saddle, most=0, gussets_mm=[[middle, [0, 0, 0]]])
    (cut,) = done.cuts
    assert cut.given
    assert cut.kind == "gusset"
    tip = cut.line_mm[np.argmin(np.linalg.norm(cut.line_mm, axis=1))]
    assert np.linalg.norm(tip) < saddle.mean_edge_mm
    ends = cut.line_mm[[0, -1]]
    assert np.linalg.norm(ends.mean(axis=0) - middle) < saddle.mean_edge_mm
    assert done.after.over_share < 0.3 * done.before.over_share


def test_a_gusset_on_a_dome_is_refused_with_what_to_do():
    cap = Surface(*shapes.cap(40, triangles=2000))
    rim = cap.vertices_mm[cap.boundary_loops[0][0]]
    with pytest.raises(OutlineError, match="no gusset can be let in here") as fault:
        place_darts(cap, most=0, gussets_mm=[[rim, [0, 0, 1000]]])
    assert "make a dart of it" in str(fault.value)


def test_a_gusset_in_a_region_opened_at_seams_is_refused(saddle):
    done = place_darts(saddle, over_share=0.001, most=1, kinds=["split"])
    with pytest.raises(OutlineError, match="opened at seams"):
        dart_pieces(
            Opened(done.opened.pieces, done.opened.seams, done.opened.sides), limit=0.03, over_share=0.05, most=0,
            gussets_mm=[[[500, 0, 200], [200, 0, 32]]],
        )


def test_ends_of_a_wedge_lie_either_side_of_its_middle_along_the_edge(saddle):
    middle = saddle.vertices_mm[saddle.boundary_loops[0][10]]
    ends = places_on_edge(saddle, middle, 80.0)
    assert np.linalg.norm(ends - middle, axis=1) == pytest.approx([40, 40], abs=1.0)
    assert (ends[0] - middle) @ (ends[1] - middle) < 0


@pytest.mark.parametrize(("turn", "opens"), [(0.1, 0.1), (-0.1, -0.1)])
def test_gap_and_overlap_of_the_rest_differ_in_sign(turn, opens):
    """Two sides 100 mm long from a tip at the origin; the wedge lies between them, anticlockwise."""
    a, b = [100.0, 0.0], [100 * np.cos(turn), 100 * np.sin(turn)]
    uv = np.array([b, [0, 0], a])
    found = wedge_of(uv, (np.array([0, 1]), np.array([1, 2])), uv, (np.array([0, 1]), np.array([1, 2])))
    assert found.opens_rad == pytest.approx(opens)
    assert found.far_mm == pytest.approx(100)

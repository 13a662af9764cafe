"""Templates: outlines, laps and margins, match marks in space, corner lines, arrows, and the mirror."""

import numpy as np
import pytest
import shapely
import shapes
from shapely import LineString, Point, Polygon, affinity, box

from plyflat.cloth._cutting import cut_along
from plyflat.cloth.flatten import flatten
from plyflat.cloth.opening import Opened, open_patch
from plyflat.cloth.pieces import (
    flat_directions,
    lines_in_space,
    lines_on_table,
    make_templates,
    piece_name,
    warp_frame,
)
from plyflat.cloth.splice import split_for_roll
from plyflat.errors import ShapeError
from plyflat.surface.crease import find_creases
from plyflat.surface.cut import insert_paths
from plyflat.surface.mesh import Surface

LABEL = {"region": "skeg", "ply": "P1", "material": "carbon 200"}


def templates(opened, flats, **options):
    return make_templates(opened, flats, **{**LABEL, "warp": (1, 0, 0), **options})


@pytest.fixture(scope="module")
def foil():
    opened = open_patch(Surface(*shapes.foil_on_plate(around=120, along=30)), most=2, lap_mm=25)
    return opened, [flatten(p) for p in opened.pieces]


def panel(notched=True):
    """An L-shaped piece of a cylinder about z, no two of its sides alike, with its exact development."""
    v, f, flat = shapes.cylinder_developed(radius=200, wrap_deg=100, height=300, triangles=4000)
    keep = np.ones(len(f), dtype=bool)
    if notched:
        keep = ~((flat[f][:, :, 0] > 250).any(1) & (flat[f][:, :, 1] > 120).any(1))
    s, used = Surface(v, f).sub(keep)
    return s, flat[used]


def centred(p):
    return affinity.translate(p, -p.centroid.x, -p.centroid.y)


def unlike(a, b):
    return centred(a).symmetric_difference(centred(b)).area / a.area


@pytest.mark.parametrize("angle", [0.0, 30.0, -45.0])
@pytest.mark.parametrize("face_up", ["out", "in"])
def test_piece_put_back_on_a_cylinder_has_edges_and_fibres_right(angle, face_up):
    # Seen from outside with z up, arc length runs to the right: the development is the view from the air side.
    s, development = panel()
    net = Polygon(development[s.boundary_loops[0]])
    (t,) = templates(Opened((s,)), [flatten(s)], warp=(0, 0, 1), angle_deg=angle, face_up=face_up)
    back = t.net
    fibres = np.array([1.0, 0.0])
    if face_up == "in":
        # Laid face down: what was left is right when seen from the air side.
        back = affinity.scale(back, 1, -1, origin=(0, 0))
        assert t.face_up == "this face to the hull"
        assert t.mirrored
    # The cloth's warp has to lie at the stated angle, anticlockwise, from the cylinder's axis (90 degrees).
    turn = 90 + angle
    assert unlike(net, affinity.rotate(back, turn, origin=(0, 0))) < 1e-3
    assert unlike(net, affinity.rotate(t.net if face_up == "in" else affinity.scale(back, 1, -1, origin=(0, 0)),
                                       turn, origin=(0, 0))) > 0.05
    assert fibres @ np.diff(np.asarray(t.warp.coords), axis=0)[0] > 0


def test_net_area_and_warp_spread_of_a_cylinder_are_exact():
    s, development = panel()
    (t,) = templates(Opened((s,)), [flatten(s)], warp=(0, 0, 1))
    assert t.net.area == pytest.approx(Polygon(development[s.boundary_loops[0]]).area, rel=1e-4)
    assert t.warp_spread_deg < 0.05
    assert t.strain.largest < 1e-3
    assert t.laps == t.joins == t.notches == t.folds == ()


def test_warp_by_two_points_is_the_same_as_by_direction():
    s, _ = panel()
    flat = flatten(s)
    one, _ = warp_frame(s, flat, (0, 0, 2))
    two, _ = warp_frame(s, flat, [[10, 20, 30], [10, 20, 80]])
    assert one == two


def test_warp_square_to_the_piece_is_refused():
    v, f = shapes.rectangle(100, 100, 200)
    s = Surface(np.column_stack([v, 0 * v[:, 0]]), f)
    with pytest.raises(ShapeError, match=r"square to the surface.*two points"):
        templates(Opened((s,)), [flatten(s)], warp=(0, 0, 1))


def test_margin_goes_round_and_into_an_opening():
    p, f = shapes.rectangle(400, 300, 6000)
    keep = (np.hypot(*(p - [250, 150]).T)[f] > 50).all(1)
    s, _ = Surface(np.column_stack([p, 0 * p[:, 0]]), f).sub(keep)
    (t,) = templates(open_patch(s), [flatten(s)], trim_mm=12)
    assert len(t.net.interiors) == len(t.cut.interiors) == 1
    assert t.cut.exterior.distance(t.net.exterior) == pytest.approx(12, abs=0.02)
    assert Polygon(t.cut.interiors[0]).area < Polygon(t.net.interiors[0]).area
    assert not Polygon(t.net.interiors[0]).contains(t.centre)
    assert Polygon(t.cut.exterior).area == pytest.approx(424 * 324, rel=1e-4)


def test_arrows_point_forward_and_up():
    s, _ = panel(notched=False)
    (t,) = templates(Opened((s,)), [flatten(s)], warp=(0, 0, 1), up=(0, 0, 1), forward=(1, 0, 0))
    np.testing.assert_allclose(t.up, (1, 0), atol=1e-3)
    # At the middle, 50 degrees round, +x is against the sense of the arc: seen from outside with z along +x, up.
    np.testing.assert_allclose(t.forward, (0, 1), atol=1e-2)
    (t,) = templates(Opened((s,)), [flatten(s)], warp=(0, 0, 1), forward=s.face_normals.mean(0), face_up="in")
    assert t.forward is None


@pytest.mark.parametrize(("face_up", "angle"), [("out", 0), ("in", 45), ("out", -45)])
def test_match_notches_meet_in_space(foil, face_up, angle):
    opened, flats = foil
    found = {}
    for k, t in enumerate(templates(opened, flats, face_up=face_up, angle_deg=angle, lap_mm=25)):
        piece, flat = opened.pieces[k], flats[k]
        frame, _ = warp_frame(piece, flat, (1, 0, 0), angle_deg=angle, face_up=face_up)
        uv = np.column_stack([frame.apply(flat.uv_mm), np.zeros(len(flat.uv_mm))])
        laid = Surface(uv, piece.faces)
        joins = shapely.union_all(t.joins)
        for n in t.notches:
            at, inward = np.array(n.at_mm), np.array(n.inward)
            if t.net.boundary.distance(Point(at)) > 1:
                # On a lap: the place that has to meet is where the join line lies, a lap's width further in.
                at = np.array(LineString([at, at + 60 * inward]).intersection(joins).coords[0])
            spot = laid.locate(np.array([[*at, 0.0]]))
            space = np.einsum("ki,kij->kj", spot.weights, piece.vertices_mm[piece.faces[spot.face]])[0]
            found.setdefault(n.mark, []).append(space)
    assert {m[0] for m in found} == {"J", "C"}
    for mark, places in found.items():
        assert len(places) == 2, mark
        assert np.linalg.norm(places[0] - places[1]) < 0.1, mark
    # Every join has two notches at least, and the corner is marked at both of its ends.
    assert {"J1.1", "J1.2", "J2.1", "J2.2", "C1", "C2"} <= found.keys()


def test_lap_is_on_one_side_and_the_partner_is_bare(foil):
    opened, flats = foil
    for k, t in enumerate(templates(opened, flats, lap_mm=25, trim_mm=10)):
        assert len(t.laps) == 1
        (left,) = [s for s in opened.sides if s.left == k]
        (right,) = [s for s in opened.sides if s.right == k]
        frame, _ = warp_frame(opened.pieces[k], flats[k], (1, 0, 0))
        uv = frame.apply(flats[k].uv_mm)
        bare, seam = LineString(uv[right.right_vertices]), LineString(uv[left.left_vertices])
        # The bare side is cut on the net line; on the lapped side the cut line lies 25 mm beyond it.
        assert bare.difference(t.cut.boundary.buffer(0.02)).length < 1e-3
        assert seam.interpolate(0.2, normalized=True).distance(t.cut.boundary) == pytest.approx(25, abs=0.1)
        assert t.laps[0].area == pytest.approx(25 * seam.length, rel=0.2)
        # Free edges have the whole margin.
        free = t.net.boundary.difference(shapely.union_all([bare.buffer(25), seam.buffer(1)]))
        far = [t.cut.boundary.distance(Point(c)) for c in shapely.get_coordinates(free)]
        assert np.median(far) == pytest.approx(10, abs=0.02)
        assert max(far) < 11


def test_corner_line_is_drawn_from_edge_to_edge(foil):
    opened, flats = foil
    for t in templates(opened, flats):
        corner = [g for g, concave in zip(t.folds, t.fold_concave) if concave]
        assert len(corner) == 1
        assert corner[0].boundary.distance(t.cut.boundary) < 1e-3
        # Half the section's girth, within what the cloth gives there, and on over the lap, aslant at the corner.
        assert 524 * 0.99 + 25 < corner[0].length < 524 * 1.03 + 25 * 1.5


def test_lap_that_lies_on_its_own_piece_is_refused():
    # A half cone of little slope, opened once: the gap in the flat is far narrower than the lap.
    angle, row, f = shapes._tube(60, 12, 0)
    r = 100 + 20 * row
    s = Surface(np.stack([r * np.cos(angle), r * np.sin(angle), -0.15 * r], 1), f[:, [0, 2, 1]])
    opened = open_patch(s, harmless_deg=0.5, most=1)
    flats = [flatten(p) for p in opened.pieces]
    with pytest.raises(ShapeError, match=r"lap of join J1 .*more pieces"):
        templates(opened, flats, lap_mm=60, warp=(0, 1, 0))


def cone_ring(gap_deg, near=100.0, far=300.0, around=120, along=10):
    """A frustum from 100 to 300 mm of its tip, whose development lacks a wedge; and one ruling."""
    share = 1 - gap_deg / 360
    turn, r = np.meshgrid(2 * np.pi * np.arange(around) / around, np.linspace(near, far, along + 1), indexing="ij")
    v = r[..., None] * np.stack(
        [share * np.cos(turn), share * np.sin(turn), 0 * turn - np.sqrt(1 - share**2)], axis=2
    )
    at = np.arange(turn.size).reshape(turn.shape)
    p, q, s, w = (a.ravel() for a in (at[:, :-1], at[:, 1:], np.roll(at, -1, 0)[:, 1:], np.roll(at, -1, 0)[:, :-1]))
    return Surface(v.reshape(-1, 3), np.concatenate([np.stack([p, q, s], 1), np.stack([p, s, w], 1)])), v[0]


@pytest.mark.parametrize("face_up", ["out", "in"])
def test_lap_along_the_seam_of_a_ring_is_as_wide_as_its_wedge_allows(face_up):
    for gap_deg in (6.0, 30.0):
        ring, ruling = cone_ring(gap_deg)
        made = insert_paths(ring, [ruling], closed=False)
        opened = cut_along(made.surface, made.paths)
        t = make_templates(
            opened, [flatten(opened.pieces[0])], region="r", ply="P1", material="m", lap_mm=20, trim_mm=0,
            warp=[1, 0, 0], face_up=face_up,
        )[0]
        # Square to the seam the wedge is r tan(gap) wide, less 1 mm for the scissors; the lap is 20 mm where there is room.
        r, gap = np.linspace(100, 300, 20001), np.radians(gap_deg)
        wide = np.minimum(20.0, r * np.tan(gap) - 1 / np.cos(gap))
        (lap,) = t.laps
        assert lap.area == pytest.approx(wide.mean() * 200, rel=2e-3)
        assert t.cut.area - t.net.area == pytest.approx(lap.area, rel=2e-3)
        assert [n.mark for n in t.notches].count("J1.1") == 2
        off = [t.cut.boundary.distance(Point(n.at_mm)) for n in t.notches]
        assert max(off) < 1e-6


def test_wide_templates_can_be_split_with_all_their_marks(foil):
    opened, flats = foil
    for t in templates(opened, flats, angle_deg=20):
        _, y0, _, y1 = t.cut.bounds
        parts = split_for_roll(t, width_mm=0.7 * (y1 - y0), lap_mm=25).parts
        assert sum(p.net.area for p in parts) == pytest.approx(t.net.area, rel=1e-9)
        kept = {n.mark for p in parts for n in p.notches}
        assert {n.mark for n in t.notches} <= kept


def test_splits_of_neighbouring_plies_are_staggered_on_the_hull():
    s, _ = panel(notched=False)
    flat = flatten(s)
    below, above = (
        (templates(Opened((s,)), [flat], warp=(0, 0, 1), face_up=face)[0],
         warp_frame(s, flat, (0, 0, 1), face_up=face)[0])
        for face in ("out", "in")
    )
    low, _ = split_for_roll(below[0], width_mm=300, lap_mm=25).parts
    old = lines_in_space(low.joins, s, flat, below[1])
    # The second ply is mirrored on its table; the old join is carried over through space.
    avoid = lines_on_table(old, s, flat, above[1])
    low, _ = split_for_roll(above[0], width_mm=300, lap_mm=25, stagger_mm=60, avoid=avoid).parts
    (new,) = lines_in_space(low.joins, s, flat, above[1])
    # Both run along the cylinder's axis: the distance between them is an arc.
    arc = 200 * np.abs(np.arctan2(*new[:, 1::-1].T).mean() - np.arctan2(*old[0][:, 1::-1].T).mean())
    assert 60 - 0.05 <= arc < 75


def test_a_triangle_without_area_says_nothing_of_a_direction():
    # Its third corner lies on the opposite side, to the last digit or two as the sheet is turned.
    flat = np.array([[0, 0], [30, 0], [30, 20], [0, 20], [30, 20 / 3]])
    faces = np.array([[0, 1, 4], [0, 4, 2], [0, 2, 3], [1, 2, 4]])
    for angle in np.linspace(0, 1.5, 40):
        c, s = np.cos(angle), np.sin(angle)
        turn = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]]) @ np.array([[1, 0, 0], [0, c, -s], [0, s, c]])
        sheet = Surface(np.column_stack([flat, np.zeros(5)]) @ turn.T, faces)
        way, seen = flat_directions(sheet, flat, turn @ [0.6, 0.8, 0.0])
        np.testing.assert_allclose(way[:3], np.tile([0.6, 0.8], (3, 1)), atol=1e-12)
        np.testing.assert_allclose(seen[:3], 1.0)
        size = np.hypot(*way[3])
        assert size == 0 or size == pytest.approx(1.0)


def test_names_of_many_pieces():
    assert [piece_name(k) for k in (0, 25, 26, 27, 52)] == ["A", "Z", "AA", "AB", "BA"]


# -- corner lines on the surface -----------------------------------------------------------------------------------
def test_sharp_corner_of_a_model_is_found_exactly():
    (c,) = find_creases(Surface(*shapes.post_on_plate(60, 80, 100)))
    assert c.closed
    assert c.concave
    np.testing.assert_allclose(np.hypot(*c.points_mm[:, :2].T), 60, atol=1e-9)
    np.testing.assert_allclose(c.points_mm[:, 2], 0, atol=1e-9)
    assert c.angle_deg == pytest.approx(90, abs=6)
    np.testing.assert_array_equal(c.points_mm[0], c.points_mm[-1])


def test_rounded_noisy_corner_is_found_within_a_few_millimetres():
    v, f = shapes.post_on_plate(60, 80, 100, fillet=8, around=200, along=80)
    v = v + np.random.default_rng(3).normal(0, 0.4, v.shape)
    lines = find_creases(Surface(v, f))
    assert len(lines) == 1
    c = lines[0]
    # The fillet's middle is at 60 + 8 - 8 sin 45.
    radius = np.hypot(*c.points_mm[:, :2].T)
    assert np.abs(radius - (68 - 8 * np.sqrt(0.5))).max() < 2.5
    assert c.closed
    assert c.concave


def test_edges_of_a_box_are_convex():
    lines = find_creases(Surface(*shapes.box((400, 300, 200), steps=20)))
    assert not any(c.concave for c in lines)
    total = sum(np.linalg.norm(np.diff(c.points_mm, axis=0), axis=1).sum() for c in lines)
    assert total == pytest.approx(4 * (400 + 300 + 200), rel=0.1)


def test_round_nose_noise_and_plain_curvature_are_no_corners():
    root, tail = find_creases(Surface(*shapes.foil_on_plate()))
    assert root.concave
    assert root.closed
    assert not tail.concave
    assert tail.points_mm[:, 0].max() < -250
    assert find_creases(Surface(*shapes.noisy_sheet(triangles=8000))) == ()
    assert find_creases(Surface(*shapes.cylinder(triangles=4000))) == ()


def test_box_template_frame():
    # A plain rectangle: the warp line is level, through the middle, and stops short of the edges.
    p, f = shapes.rectangle(300, 100, 400)
    s = Surface(np.column_stack([p, 0 * p[:, 0]]), f)
    (t,) = templates(Opened((s,)), [flatten(s)], trim_mm=0, warp=(1, 0, 0))
    assert unlike(t.net, box(0, 0, 300, 100)) < 1e-9
    # Corners of the cut line lie on a grid of 0.01 mm.
    assert t.cut.hausdorff_distance(t.net) < 0.01
    assert t.warp.length == pytest.approx(300 * 0.92)
    assert t.centre.distance(t.net.centroid) < 1e-9
    with pytest.raises(ValueError, match="face_up"):
        templates(Opened((s,)), [flatten(s)], face_up="up")

"""Panels cut on the hull: strain, room on the roll, stagger, and the seams they end on."""

import numpy as np
import pytest
import shapely
import shapes

from plyflat.cloth._laps import lap_lines
from plyflat.cloth.flatten import flatten
from plyflat.cloth.opening import Opened, open_patch
from plyflat.cloth.panels import Room, lay_in_panels
from plyflat.cloth.pieces import lines_on_table, make_templates, warp_frame
from plyflat.surface import Surface

HOW = {"limit": 0.03, "over_share": 0.05, "scale_mm": 10.0}


def framing(piece, flat):
    return warp_frame(piece, flat, (1, 0, 0))[0]


def in_panels(opened, room, flats=None, **options):
    flats = [flatten(p) for p in opened.pieces] if flats is None else flats
    return lay_in_panels(opened, flats, room, framing=framing, **{**HOW, **options})


def width(piece, flat):
    return np.ptp(framing(piece, flat).apply(flat.uv_mm)[:, 1])


@pytest.fixture(scope="module")
def dome():
    s = Surface(*shapes.cap(40, radius=800, triangles=2500)[:2])
    return Opened((s,)), (flatten(s),)


def test_panels_of_a_dome_need_far_less_strain_than_the_whole(dome):
    opened, flats = dome
    made = in_panels(opened, Room(700.0, lap_mm=25, trim_mm=10), flats)
    (panel,) = made.panels
    assert len(made.opened.pieces) == 2
    assert panel.over_before > 0.3
    assert panel.over_after < 0.05
    assert made.origin == (-1,)
    # What is said is what the two pieces laid flat have.
    assert sum(p.area_mm2 for p in made.opened.pieces) == pytest.approx(opened.pieces[0].area_mm2, rel=1e-5)
    for piece, flat in zip(made.opened.pieces, made.flats):
        assert len(flat.uv_mm) == len(piece.vertices_mm)
        assert width(piece, flat) + 25 + 2 * 10 <= 700
    # Both sides of the line are the same points of the hull.
    (side,) = made.opened.sides
    left, right = made.opened.pieces[side.left], made.opened.pieces[side.right]
    np.testing.assert_array_equal(left.vertices_mm[side.left_vertices], right.vertices_mm[side.right_vertices])


@pytest.mark.reference(
    source="tangents of a helix unroll to an annulus (do Carmo, Differential Geometry): a turn of more than 360 degrees "
    "lies over itself", kind="derived",
)  # fmt: skip
def test_a_spiral_that_lies_over_itself_is_parted():
    v, f = shapes.tangent_developable(turns_deg=540, triangles=3000)
    whole = Opened((Surface(v, f),))
    flats = [flatten(whole.pieces[0])]
    assert flats[0].overlaps
    made = in_panels(whole, Room(1e5, lap_mm=25), flats)
    (panel,) = made.panels
    assert panel.overlap_mm2 == flats[0].overlap_mm2
    # Turned by 0.8 of the helix's 540 degrees, two parts of less than a turn each.
    assert len(made.flats) == 2
    assert not any(q.overlaps for q in made.flats)
    for piece, flat in zip(made.opened.pieces, made.flats):
        corners = flat.uv_mm[piece.faces]
        union = shapely.union_all([shapely.Polygon(c) for c in corners]).area
        assert union == pytest.approx(piece.area_mm2, rel=2e-3)
        assert flat.energy == pytest.approx(1.0, abs=1e-5)
    # In the middle, so that both parts lie well clear of themselves; across the strip, not along it.
    assert min(p.area_mm2 for p in made.opened.pieces) > 0.4 * whole.pieces[0].area_mm2
    assert np.linalg.norm(np.diff(panel.line_mm, axis=0), axis=1).sum() < 700


def test_a_piece_that_fits_or_lies_flat_is_left_whole(dome):
    opened, flats = dome
    assert in_panels(opened, Room(1400.0, 25, 10), flats).opened is opened
    assert in_panels(opened, Room(700.0, 25, 10), flats, limit=0.2).opened is opened
    # Unless panels are asked for.
    assert len(in_panels(opened, Room(1400.0, 25, 10, fewest=2), flats).opened.pieces) == 2
    tube = Surface(*shapes.cylinder(triangles=2000))
    assert in_panels(Opened((tube,)), Room(300.0, 25, 10)).panels == ()


def test_three_panels_where_two_are_too_wide(dome):
    opened, flats = dome
    made = in_panels(opened, Room(450.0, 25, 10), flats)
    assert len(made.opened.pieces) == 3
    assert [p.over_before > p.over_after for p in made.panels] == [True, True]
    assert made.panels[0].over_after == pytest.approx(made.panels[1].over_before, rel=1e-6)
    for piece, flat in zip(made.opened.pieces, made.flats):
        assert width(piece, flat) + 2 * 10 + 25 <= 450


def test_templates_of_panels_have_laps_as_wide_as_stated_and_cover_the_dome(dome):
    opened, flats = dome
    made = in_panels(opened, Room(700.0, 25, 10), flats)
    how = {"region": "dome", "ply": "P1", "material": "glass", "warp": (1, 0, 0), "lap_mm": 25, "trim_mm": 10}
    lapped = make_templates(made.opened, made.flats, **how)
    (lap,) = (lap for t in lapped for lap in t.laps)
    (line,) = (j for t in lapped if t.laps for j in t.joins)
    # Its outer edge is a lap's width from the join line all along.
    xy = np.array(lap.exterior.coords)
    off = shapely.distance(line, shapely.points(xy))
    assert off.max() == pytest.approx(25, abs=0.5)
    assert lap.area == pytest.approx(25 * line.length, rel=0.05)
    assert sum(t.net.area for t in lapped) == pytest.approx(opened.pieces[0].area_mm2, rel=0.01)
    marks = [sorted(n.mark for n in t.notches) for t in lapped]
    assert marks[0] == marks[1] != []
    # As a butt neither piece has a lap, and both cut lines run along the seam.
    butted = make_templates(made.opened, made.flats, butts=[0], **how)
    assert [t.laps + t.joins for t in butted] == [(), ()]
    for t, k in zip(butted, range(2)):
        side = made.opened.sides[0]
        vertices = side.left_vertices if side.left == k else side.right_vertices
        uv = framing(made.opened.pieces[k], made.flats[k]).apply(made.flats[k].uv_mm)[vertices]
        assert shapely.distance(t.cut.exterior, shapely.points(uv[2:-2])).max() < 0.1
    assert [sorted(n.mark for n in t.notches) for t in butted] == marks


def test_the_line_of_the_next_ply_keeps_clear_of_that_below(dome):
    opened, flats = dome
    first = in_panels(opened, Room(800.0, 25, 10, stagger_mm=60), flats)
    (line,) = lap_lines(first.opened, first.flats, 25.0)
    second = in_panels(
        opened, Room(800.0, 25, 10, stagger_mm=60), flats, avoid=lambda p, f, frame: lines_on_table([line], p, f, frame)
    )
    (panel,) = second.panels
    assert 60 <= panel.clear_mm < 100
    (other,) = lap_lines(second.opened, second.flats, 25.0)
    near = np.linalg.norm(other[:, None] - line[None], axis=2).min()
    assert near >= 55  # a chord of the hull, where the flat had the stagger
    assert panel.over_after < 0.06


def test_panels_end_on_seams_and_part_them():
    s = Surface(*shapes.post_on_plate(60, 80, 100, around=60, along=20))
    opened = open_patch(s, most=2, lap_mm=15)
    assert len(opened.seams) == 2
    made = in_panels(opened, Room(1e4, 15, 5, fewest=2), over_share=0.02, limit=0.02)
    # Each half is parted, and each seam where a line ends on it.
    assert len(made.opened.pieces) == 4
    assert made.origin == (0, 0, 1, 1, -1, -1)
    assert made.panels[0].over_before > 0.9
    assert made.panels[1].over_after < 0.12
    for line, side in zip(made.opened.seams, made.opened.sides):
        left, right = made.opened.pieces[side.left], made.opened.pieces[side.right]
        np.testing.assert_array_equal(left.vertices_mm[side.left_vertices], line)
        np.testing.assert_array_equal(right.vertices_mm[side.right_vertices], line)
    for k, seam in enumerate(opened.seams):
        parts = [line for line, was in zip(made.opened.seams, made.origin) if was == k]
        np.testing.assert_array_equal(np.concatenate([parts[0], parts[1][1:]]), seam)
    drawn = make_templates(
        made.opened, made.flats, region="post", ply="P1", material="glass", warp=(1, 0, 0), lap_mm=15, trim_mm=5
    )
    assert sum(t.net.area for t in drawn) == pytest.approx(s.area_mm2, rel=5e-3)
    marks = [n.mark for t in drawn for n in t.notches if n.mark.startswith("J")]
    assert all(marks.count(m) == 2 for m in marks)
    assert {m.split(".")[0] for m in marks} == {f"J{j + 1}" for j in range(6)}
    assert sum(p.area_mm2 for p in made.opened.pieces) == pytest.approx(s.area_mm2, rel=1e-6)


def test_how_many_panels_a_width_needs():
    room = Room(1000.0, lap_mm=20, trim_mm=10)
    assert [room.panels(w) for w in (980, 981, 1960, 1961, 2940)] == [1, 2, 2, 3, 3]
    assert Room(1000.0, fewest=3).panels(10) == 3

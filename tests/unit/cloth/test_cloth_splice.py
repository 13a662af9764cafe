"""Splitting for the roll: areas, laps, match notches, stagger and odd shapes."""

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import LineString, Polygon, box

from plyflat.cloth.marks import centre_mark, warp_line
from plyflat.cloth.splice import split_for_roll as split
from plyflat.cloth.template import Notch, Template, check_template
from plyflat.errors import CheckError, FitError


def piece(net, cut=None, **extra):
    centre = centre_mark(net)
    return Template(
        region="panel", ply="P1", piece="A", material="glass 300", face_up="this face to the bag", mirrored=False,
        net=net, cut=net.buffer(10, join_style="mitre") if cut is None else cut,
        centre=centre, warp=warp_line(net, centre), **extra,
    )


def marks(t):
    return {n.mark: n for n in t.notches}


def test_fitting_piece_is_left_alone():
    t = piece(box(0, 0, 3000, 1200))
    assert split(t, width_mm=1270, length_mm=10000, edge_mm=10).parts == (t,)


def test_rectangle_of_3_by_2_metres_on_a_roll_of_1270():
    t = piece(box(0, 0, 3000, 2000), folds=(LineString([(500, 0), (500, 2000)]),), fold_concave=(True,))
    low, high = split(t, width_mm=1270, length_mm=10000, lap_mm=25, edge_mm=10).parts
    assert [low.piece, high.piece] == ["A1", "A2"]
    # Cut heights are equal: (2020 + 25) / 2, the lower one with the lap.
    for p in (low, high):
        x0, y0, x1, y1 = p.cut.bounds
        assert y1 - y0 == pytest.approx(1022.5)
        assert x1 - x0 == pytest.approx(3020)
    assert low.net.area == pytest.approx(3000 * (1022.5 - 25 - 10))
    assert low.net.area + high.net.area == pytest.approx(6e6, rel=1e-12)
    assert sum(g.area for g in low.laps) == pytest.approx(3020 * 25)
    assert high.laps == ()
    assert low.net.intersection(high.net).area == 0
    assert low.folds[0].length + high.folds[0].length == pytest.approx(2000 + 25)
    assert low.fold_concave == high.fold_concave == (True,)


def test_join_is_marked_on_both_sides():
    t = piece(box(0, 0, 3000, 2000))
    low, high = split(t, width_mm=1270, lap_mm=25, notch_every_mm=150).parts
    assert marks(low).keys() == marks(high).keys()
    assert len(low.notches) == 20
    for mark, n in marks(low).items():
        m = marks(high)[mark]
        assert n.at_mm[0] == pytest.approx(m.at_mm[0])
        assert n.at_mm[1] - m.at_mm[1] == pytest.approx(25)
        assert (n.inward, m.inward) == ((0, -1), (0, 1))
    # On the lower piece the join line is where the upper one ends, and the other way round.
    assert [j.bounds[1] for j in low.joins] == pytest.approx([high.cut.bounds[1]])
    assert [j.bounds[1] for j in high.joins] == pytest.approx([low.cut.bounds[3]])


def test_short_roll_is_split_across_too():
    t = piece(box(0, 0, 3000, 2000))
    parts = split(t, width_mm=1270, length_mm=2000, lap_mm=25).parts
    assert [p.piece for p in parts] == ["A1", "A2", "A3", "A4"]
    for p in parts:
        x0, y0, x1, y1 = p.cut.bounds
        assert x1 - x0 <= 2000
        assert y1 - y0 <= 1270
    assert sum(p.net.area for p in parts) == pytest.approx(6e6, rel=1e-12)
    assert len({n.mark for p in parts for n in p.notches}) == sum(len(p.notches) for p in parts) / 2


def test_neighbouring_plies_are_staggered():
    t = piece(box(0, 0, 3000, 2000))
    (first,) = split(t, width_mm=1270, lap_mm=25).lines
    assert first.clear_mm == np.inf
    (second,) = split(t, width_mm=1270, lap_mm=25, stagger_mm=75, avoid=[first.line]).lines
    # Between the middles of the laps.
    gap = abs(second.line.bounds[1] - first.line.bounds[1])
    assert second.clear_mm == gap
    # The nearest of the tried places beyond 75 mm is at most one step of the search farther.
    assert 75 <= gap <= 75 + (1270 - 1022.5) / 40
    crossing = LineString([(100, -500), (120, 3000)])
    (same,) = split(t, width_mm=1270, lap_mm=25, stagger_mm=75, avoid=[crossing]).lines
    assert same.line.bounds[1] == pytest.approx(first.line.bounds[1])


def test_stagger_takes_one_more_piece_where_two_leave_no_room():
    t = piece(box(0, 0, 1000, 2460), box(0, 0, 1000, 2460))
    seam = split(t, width_mm=1270, lap_mm=25, edge_mm=10).lines[0].line
    made = split(t, width_mm=1270, lap_mm=25, edge_mm=10, stagger_mm=75, avoid=[seam])
    assert len(made.parts) == 3
    assert min(abs(q.line.bounds[1] - seam.bounds[1]) for q in made.lines) >= 75


def test_u_shape_falls_into_arms():
    u = Polygon([(0, 0), (900, 0), (900, 1500), (600, 1500), (600, 300), (300, 300), (300, 1500), (0, 1500)])
    parts = split(piece(u), width_mm=1000, lap_mm=25).parts
    assert len(parts) == 3
    assert sum(p.net.area for p in parts) == pytest.approx(u.area, rel=1e-12)
    n_shape = Polygon([(x, 1500 - y) for x, y in u.exterior.coords])
    parts = split(piece(n_shape), width_mm=1000, lap_mm=25).parts
    assert len(parts) == 3
    assert sum(p.net.area for p in parts) == pytest.approx(u.area, rel=1e-12)
    marks = [n.mark for p in parts for n in p.notches]
    assert all(marks.count(m) == 2 for m in marks)


def test_lap_shared_by_two_arms_is_shared_out():
    # The split at 745 + 5 lies 5 mm under the crossbar: the lap of each leg may not run over into the other's.
    n_shape = Polygon([(0, 0), (300, 0), (300, 760), (600, 760), (600, 0), (900, 0), (900, 1500), (0, 1500)])
    parts = split(piece(n_shape, n_shape), width_mm=765, lap_mm=30).parts
    legs = [p for p in parts if p.laps]
    assert len(parts) == 3
    assert len(legs) == 2
    assert legs[0].cut.intersection(legs[1].cut).area == 0
    assert sum(p.net.area for p in parts) == pytest.approx(n_shape.area, rel=1e-12)


def test_line_moves_off_a_sliver():
    # The even split at y = 1000 would leave a tooth 3 mm high under it.
    tooth = Polygon([(0, 0), (400, 0), (400, 1600), (1000, 1600), (1000, 997), (1400, 997), (1400, 2000), (0, 2000)])
    parts = split(piece(tooth, tooth), width_mm=1270, lap_mm=0).parts
    for p in parts:
        assert not p.net.buffer(-2.5).is_empty
    assert sum(p.net.area for p in parts) == pytest.approx(tooth.area, rel=1e-12)


def test_butts_along_the_load_need_no_lap_and_meet_edge_to_edge():
    t = piece(box(0, 0, 3000, 2000))
    made = split(t, width_mm=1270, length_mm=2000, lap_mm=25, may_butt=lambda line: line.bounds[1] == line.bounds[3])
    along = [q for q in made.lines if q.line.bounds[1] == q.line.bounds[3]]
    across = [q for q in made.lines if q.line.bounds[0] == q.line.bounds[2]]
    assert [q.lap_mm for q in along] == [0]
    # Across the load none may be a butt.
    assert [q.lap_mm for q in across] == [25, 25]
    assert len(made.parts) == 4
    y = along[0].line.bounds[1]
    low, high = made.parts[:2], made.parts[2:]
    for a, b in zip(low, high):
        assert a.cut.bounds[3] == b.cut.bounds[1] == pytest.approx(y)
        assert a.cut.intersection(b.cut).area == 0
        edge = a.cut.boundary.intersection(b.cut.boundary)
        assert edge.length == pytest.approx(a.cut.bounds[2] - a.cut.bounds[0])
        assert {n.mark: n.at_mm for n in a.notches if n.mark.startswith("A-")} == {
            n.mark: n.at_mm for n in b.notches if n.mark.startswith("A-")
        }
    assert sum(lap.area for p in made.parts for lap in p.laps) == pytest.approx(25 * 2020)
    assert sum(p.net.area for p in made.parts) == pytest.approx(6e6, rel=1e-12)


def test_butts_save_a_strip_where_laps_would_need_one_more():
    t = piece(box(0, 0, 1000, 2500), box(0, 0, 1000, 2500))
    assert len(split(t, width_mm=1270, edge_mm=10, lap_mm=25).parts) == 3
    assert len(split(t, width_mm=1270, edge_mm=10, lap_mm=25, may_butt=lambda _: True).parts) == 2
    # A butt kept off another ply's line takes the strip all the same.
    made = split(t, width_mm=1270, edge_mm=10, lap_mm=25, may_butt=lambda _: True, stagger_mm=75,
                 avoid=[LineString([(0, 1250), (1000, 1250)])])
    assert len(made.parts) == 3
    assert min(q.clear_mm for q in made.lines) >= 75


def test_panels_are_cut_where_the_roll_would_not_ask_for_them():
    t = piece(box(0, 0, 3000, 900))
    assert len(split(t, width_mm=1270, length_mm=10000, lap_mm=25).parts) == 1
    made = split(t, width_mm=1270, length_mm=10000, lap_mm=25, fewest=3)
    assert [p.piece for p in made.parts] == ["A1", "A2", "A3"]
    heights = [p.cut.bounds[3] - p.cut.bounds[1] for p in made.parts]
    assert heights == pytest.approx([(920 + 50) / 3] * 3)
    assert sum(p.net.area for p in made.parts) == pytest.approx(2.7e6, rel=1e-12)


def test_a_sliver_that_cannot_be_helped_is_owned_up_to():
    # A comb whose teeth end 1.4 mm apart: wherever it is split, one of them leaves a sliver.
    teeth = shapely.union_all([box(0, 0, 1000, 50), *(box(10 * k, 0, 10 * k + 6, 60 + 1.4 * k) for k in range(100))])
    made = split(piece(teeth, teeth), width_mm=105, lap_mm=0)
    assert made.sliver
    assert not split(piece(box(0, 0, 300, 300)), width_mm=200).sliver


def test_old_notches_stay_with_their_part():
    notch = (Notch((-10.0, 100.0), (1.0, 0.0), "J1.1"), Notch((3010.0, 1900.0), (-1.0, 0.0), "J2.1"))
    low, high = split(piece(box(0, 0, 3000, 2000), notches=notch), width_mm=1270).parts
    assert "J1.1" in marks(low)
    assert "J1.1" not in marks(high)
    assert "J2.1" in marks(high)
    assert "J2.1" not in marks(low)


def test_roll_too_narrow_even_for_the_lap():
    with pytest.raises(FitError, match=r"panel / P1 / A.*2020 mm of width.*60 mm"):
        split(piece(box(0, 0, 3000, 2000)), width_mm=60, lap_mm=25, edge_mm=5)


@settings(max_examples=40, deadline=None)
@given(
    st.lists(st.tuples(st.floats(200, 1500), st.floats(0.05, 1)), min_size=5, max_size=12),
    st.floats(300, 1200), st.floats(600, 2500),
)
def test_any_star_shape_keeps_its_area(rays, width, length):
    steps = np.cumsum([w for _, w in rays])
    turn = 2 * np.pi * steps / steps[-1]
    net = Polygon([(r * np.cos(t), r * np.sin(t)) for (r, _), t in zip(rays, turn)])
    if not net.is_valid or net.area < 1e4:
        return
    parts = split(piece(net), width_mm=width, length_mm=length, lap_mm=25).parts
    assert sum(p.net.area for p in parts) == pytest.approx(net.area, rel=1e-9)
    for p in parts:
        x0, y0, x1, y1 = p.cut.bounds
        assert y1 - y0 <= width + 1e-6
        assert x1 - x0 <= length + 1e-6
    found = [n.mark for p in parts for n in p.notches]
    assert all(found.count(m) == 2 for m in found)


@pytest.mark.parametrize(("change", "fault"), [
    ({"cut": box(5, 0, 100, 100)}, "outside the cut line"),
    ({"net": Polygon([(0, 0), (1, 1), (1, 0), (0, 1)])}, "not a valid shape"),
    ({"notches": (Notch((50.0, 50.0), (1.0, 0.0), "J1.1"),)}, "off the cut line"),
    ({"notches": (Notch((-10.0, 50.0), (-1.0, 0.0), "J1.1"),)}, "points outward"),
    ({"warp": LineString([(10, 50), (90, 60)])}, r"does not run along"),
    ({"laps": (box(-10, 0, 5, 100),)}, "on the piece itself"),
    ({"forward": (1.0, 1.0)}, "not of length 1"),
])
def test_bad_template_is_stopped(change, fault):
    from dataclasses import replace

    good = piece(box(0, 0, 100, 100))
    check_template(good)
    with pytest.raises(CheckError, match=fault):
        check_template(replace(good, **change))

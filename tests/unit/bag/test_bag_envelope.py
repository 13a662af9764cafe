"""Pouches and pieces of film joined flat: sums that can be done in the head."""

from __future__ import annotations

import numpy as np
import pytest
import shapes
from shapely import Polygon

from plyflat.bag.corners import corner_sections, hollow_lines
from plyflat.bag.envelope import (
    girth_of,
    opening_in,
    pouch_templates,
    pouches,
    short_at_ends,
    sides_of,
    standing_of,
)
from plyflat.bag.film import Film
from plyflat.bag.film_states import Bench
from plyflat.bag.widths import film_width, strip_templates
from plyflat.cloth.template import check_template
from plyflat.errors import FitError, QuantityError, ShapeError
from plyflat.surface.mesh import Surface


def made(flat=400.0, length=900.0, sealed=2, seam=20.0, roll=1500.0, roll_length=50000.0):
    return pouches(flat, length, sealed=sealed, seam_mm=seam, roll_width_mm=roll, roll_length_mm=roll_length)


def by(found):
    return {q.how: q for q in found}


def test_a_fold_saves_a_seam():
    ways = by(made())
    # Two ends of 400 mm each, and one side of 900; over an end: two sides and one end.
    assert ways["folded along a side"].tape_mm == 900 + 2 * 400
    assert ways["folded over an end"].tape_mm == 2 * 900 + 400
    assert ways["panels"].tape_mm == 2 * 900 + 2 * 400
    assert ways["panels"].panels == 2
    assert made()[0].how == "folded along a side"
    side = ways["folded along a side"]
    assert (side.across_mm, side.along_mm) == (840.0, 940.0)
    assert side.film_mm2 == 840 * 940
    # Across the roll the longer edge lies, and less of the roll is taken.
    assert side.turned
    assert side.waste_mm2 == 840 * 1500 - 2 * 400 * 900


def test_a_short_wide_pouch_is_folded_over_its_end():
    assert made(flat=600.0, length=200.0, sealed=1)[0].how == "folded over an end"
    assert [q.what for q in made(flat=600.0, length=200.0, sealed=1)[0].seams] == ["side 1", "side 2"]


def test_a_sleeve_has_one_seam_and_no_ends():
    sleeve = made(sealed=0)[0]
    assert [(q.what, q.length_mm) for q in sleeve.seams] == [("side", 900.0)]
    assert "folded over an end" not in by(made(sealed=0))


def test_a_narrow_roll_takes_no_more_panels_than_it_must():
    (only,) = made(flat=700.0, length=3000.0, roll=500.0)
    # 1400 mm round: three panels of 467 and two seams of 20 are too wide by 7 mm.
    assert (only.how, only.panels) == ("panels", 4)
    assert only.across_mm == 1400 / 4 + 40
    assert only.tape_mm == 4 * 3000 + 2 * 700


def test_what_no_roll_can_do_is_refused():
    with pytest.raises(FitError, match="roll 100 mm wide"):
        made(flat=700.0, length=3000.0, roll=100.0)
    with pytest.raises(FitError):
        made(length=3000.0, roll=500.0, roll_length=2000.0)


@pytest.mark.parametrize("bad", [{"flat": 0.0}, {"length": float("nan")}, {"seam": -1.0}, {"roll": 0.0}])
def test_lengths_that_cannot_be(bad):
    with pytest.raises(QuantityError):
        made(**bad)


@pytest.mark.parametrize("roll", [1500.0, 1000.0, 400.0])
def test_panels_are_drawn_with_fold_tapes_and_marks_that_pair(roll):
    for way in made(roll=roll):
        parts = pouch_templates(way, region="r", layer="bag film", piece="B", material="film")
        assert len(parts) == way.panels
        assert sum(t.cut.area for t in parts) == pytest.approx(way.film_mm2)
        assert all(len(t.folds) == (way.how != "panels") for t in parts)
        assert all(t.cut.bounds[3] <= roll for t in parts)
        marks = [n.mark for t in parts for n in t.notches]
        assert all(marks.count(mark) == 2 for mark in marks)
        # Where the sheet is folded marks of one name come to lie on one another.
        if way.how != "panels":
            (t,) = parts
            fold = np.asarray(t.folds[0].coords)
            axis = int(np.ptp(fold[:, 0]) < 1e-9)
            line = fold[0, 1 - axis] if axis == 0 else fold[0, 0]
            at = {}
            for n in t.notches:
                at.setdefault(n.mark, []).append(n.at_mm)
            for a, b in at.values():
                k = 1 - axis if axis == 0 else 0
                assert a[k] + b[k] == pytest.approx(2 * line)


def test_a_part_without_an_edge_is_measured_round_and_along():
    girth = girth_of(Surface(*shapes.box((400.0, 300.0, 200.0), steps=8)), (1, 0, 0))
    assert girth.round_mm == pytest.approx(2 * (300 + 200))
    # Half of the way over the broad sides: 400 along, and 200 over the ends, shared by both.
    assert girth.along_mm == pytest.approx(400 + 200)


def test_an_open_mesh_does_not_say_its_girth():
    with pytest.raises(ShapeError, match="open along 1 edge") as told:
        girth_of(Surface(*shapes.wedge(90, length=80, step=20.0)), (1, 0, 0))
    assert "State girth" in told.value.do
    assert told.value.where.endswith("mm")


def test_a_corner_line_parts_the_walls():
    s = Surface(*shapes.wedge(90, length=200, first=120, second=80, step=8.0))
    line = np.array([[0.0, 0, 0], [200.0, 0, 0]])
    side, count = sides_of(s, [line])
    assert count == 2
    areas = [s.face_areas_mm2[side == k].sum() for k in range(2)]
    assert areas == pytest.approx([24000, 16000], rel=0.01)
    # A line that ends inside parts nothing.
    assert sides_of(s, [0.6 * line])[1] == 1
    assert sides_of(s, [])[1] == 1


def test_what_stands_within_a_line_is_measured_up_to_its_top():
    v, f, corners = shapes.box_on_plate((100.0, 60.0, 80.0), plate=400.0)
    s = Surface(v, f)
    foot = np.concatenate([corners, corners[:1]])
    side, count = sides_of(s, [foot])
    assert count == 2
    size = standing_of(s.sub(side == 1)[0], foot)
    assert size.closed
    assert size.girth_mm == pytest.approx(2 * (100 + 60))
    # Up one side, over the narrow way of the top, and down: half of 80 + 60 + 80.
    assert size.height_mm == pytest.approx(110.0, rel=5e-3)
    hole = opening_in((420.0, 420.0), s.sub(side == 0)[0], foot, (1, 0, 0))
    assert hole.area == pytest.approx(100 * 60)
    assert hole.centroid.coords[0] == pytest.approx((210.0, 210.0), abs=1.0)


def test_a_tube_without_a_top_is_a_sleeve():
    v, f = shapes.post_on_plate(radius=50.0, height=80.0, around=48, along=16)
    s = Surface(v, f)
    turn = np.linspace(0, 2 * np.pi, 97)
    foot = 50 * np.column_stack([np.cos(turn), np.sin(turn), 0 * turn])
    side, count = sides_of(s, [foot])
    assert count == 2
    post = next(s.sub(side == k)[0] for k in range(2) if np.ptp(s.vertices_mm[np.unique(s.faces[side == k]), 2]) > 40)
    size = standing_of(post, foot)
    assert not size.closed
    assert size.girth_mm == pytest.approx(2 * np.pi * 50, rel=0.02)
    # Faces beside the line go to either side: no nearer than an edge of the mesh.
    assert size.height_mm == pytest.approx(80.0, abs=s.mean_edge_mm)


def test_an_opening_is_cut_out_less_its_seam_and_drawn():
    one = film_width(600.0, 500.0, roll_width_mm=1500.0, roll_length_mm=50000.0, band_mm=100.0, overlap_mm=50.0)
    hole = Polygon([(250, 200), (350, 200), (350, 300), (250, 300)])
    (sheet,) = strip_templates(one, region="r", layer="bag film", material="film", openings=[hole], inset_mm=20.0)
    assert sheet.cut.area == pytest.approx(600 * 500 - 60 * 60, rel=1e-3)
    assert sum(line.length for line in sheet.joins) == pytest.approx(400.0)
    thin = Polygon([(250, 240), (350, 240), (350, 260), (250, 260)])
    (drawn,) = strip_templates(one, region="r", layer="bag film", material="film", openings=[thin], inset_mm=20.0)
    # Too thin for a hole: its line is drawn, and it is slit along its middle on the bench.
    assert drawn.cut.area == pytest.approx(600 * 500)
    assert sum(line.length for line in drawn.joins) == pytest.approx(240.0)


def test_an_opening_across_strips_lies_where_it_is():
    two = film_width(1000.0, 1200.0, roll_width_mm=700.0, roll_length_mm=50000.0, band_mm=100.0, overlap_mm=50.0)
    hole = Polygon([(450, 500), (550, 500), (550, 560), (450, 560)])
    strips = strip_templates(two, region="r", layer="bag film", material="film", piece="C", openings=[hole], inset_mm=5.0)
    assert [t.piece for t in strips] == ["C1", "C2"]
    cut = sum(t.net.area for t in strips)
    assert cut == pytest.approx(1000 * 1200 - 90 * 50, rel=1e-3)


def test_an_opening_takes_its_part_of_a_join_and_of_its_overlap():
    two = film_width(1000.0, 1200.0, roll_width_mm=700.0, roll_length_mm=50000.0, band_mm=0.0, overlap_mm=50.0)
    middle = two.joins[0].at_mm
    assert middle == pytest.approx(600.0)
    # Over the join, the mark at a quarter of it and all of the overlap, which falls in two.
    hole = Polygon([(200, 520), (300, 520), (300, 680), (200, 680)])
    strips = strip_templates(two, region="r", layer="bag film", material="film", openings=[hole])
    for t in strips:
        check_template(t)
        assert all(line.within(t.cut.buffer(1e-6)) for line in t.joins)
        assert [q.mark for q in t.notches] == ["J1.2"]
    # The overlap's two edges, each less the hole.
    assert [sum(line.length for line in t.joins) for t in strips] == pytest.approx([900.0, 900.0])
    assert [len(t.laps) for t in strips] == [2, 0]
    assert sum(q.area for q in strips[0].laps) == pytest.approx(900.0 * 50.0)
    assert sum(t.net.area for t in strips) == pytest.approx(1000 * 1200 - 100 * 160)


@pytest.fixture(scope="module")
def grooved():
    """A bar of 400 by 40 mm with a groove of 100 by 20 mm across its top; the whole of it, and its top with sections."""
    round_it = [(-200, 0), (-200, 20), (-50, 20), (-50, 0), (50, 0), (50, 20), (200, 20), (200, -20), (-200, -20), (-200, 0)]
    v, f = shapes.swept(round_it, 120.0, 10.0)
    v, inverse = np.unique(v.round(9), axis=0, return_inverse=True)
    part = Surface(v, inverse.ravel()[f])
    middle = v[part.faces].mean(axis=1)
    top, _ = part.sub((middle[:, 2] > -1) & (np.abs(middle[:, 1]) < 199))
    lines = hollow_lines(top)
    return part, lines, corner_sections(top, lines, allowed_mm=5.0)


@pytest.mark.reference(source="ways round a grooved bar, by hand: 480 mm over the groove, 440 below it", kind="derived")
def test_a_pouch_with_taut_ends_is_short_over_a_groove(grooved):
    part, _, sections = grooved
    assert len(sections) == 6
    for s in sections:
        # Half of the way round is 460 mm: 20 mm of what the groove wants lie below.
        assert short_at_ends(part, s, (0, 1, 0), 460.0) == pytest.approx(20.0, abs=1e-6)
        assert short_at_ends(part, s, (0, -3, 0), 470.0) == pytest.approx(10.0, abs=1e-6)
        assert short_at_ends(part, s, (0, 1, 0), 481.0) == 0.0
        # Round the part the pouch is a tube that slides.
        assert short_at_ends(part, s, (1, 0, 0), 60.0) == 0.0
        # A part that is open shows no end.
        assert short_at_ends(part.sub(part.vertices_mm[part.faces].mean(axis=1)[:, 2] > -19)[0], s, (0, 1, 0), 460.0) == 0.0


def test_what_it_is_short_of_stands_off(grooved):
    part, lines, sections = grooved
    film = Film("nylon", 700.0, 0.05, yield_mpa=35.0, hardening_mpa=15.0, break_stretch=3.0)
    bench = Bench(sections, lines, 3.0, 0.3, 15.0, 1.15)
    short = np.array([short_at_ends(part, s, (0, 1, 0), 460.0) for s in sections])
    whole = bench.state("as a pouch", film, 80.0, whole_way=True)
    taut = bench.state("as a pouch", film, 80.0, whole_way=True, short_mm=short)
    assert whole.depth_mm < 1.0
    assert taut.depth_mm > 2.0
    assert taut.depth_mm < bench.state("drawn taut", film, 80.0).depth_mm

"""What the bag does round an opening that the surface goes on through, such as a skeg."""

from __future__ import annotations

import re
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
import shapely
import shapes
from test_plan import JOB

from plyflat import shaping
from plyflat.cloth.joins import Load
from plyflat.errors import FitError
from plyflat.job.reader import job_from_text
from plyflat.shaping import Cut, fewest_worth, shape
from plyflat.stacking import bag_layers
from plyflat.surface import Surface, cut_region
from plyflat.surface.region import region_of

MIDDLE = np.array([500.0, 350.0, 0.0])


def circle(radius):
    t = np.linspace(0, 2 * np.pi, 180, endpoint=False)
    return MIDDLE + radius * np.stack([np.cos(t), np.sin(t), 0 * t], axis=1)


@pytest.fixture(scope="module")
def ring():
    sheet = Surface(*shapes.noisy_sheet(noise=0.0, triangles=8000)[:2])
    return cut_region(sheet, [circle(250), circle(100)], seed_mm=MIDDLE + [175, 0, 0], name="ring")


@pytest.mark.parametrize("over", [True, False])
def test_tape_and_film_agree_on_what_the_bag_covers(ring, over):
    text = JOB.replace("[bag.standard]", f"[bag.standard]\nover_openings = {str(over).lower()}")
    job = job_from_text(text)
    bag = job.bags["standard"]
    # The outline is taken as it stands for every layer: only what is covered matters here.
    grown = dict.fromkeys((0.0, 20.0, 40.0, 60.0), ring)
    layers = {layer.kind: layer for layer in bag_layers(job, job.regions[0], bag, grown, 0.0, ())}
    film, tape = layers["bag film"], layers["sealant tape"]
    inner = 0 if over else 2 * np.pi * 100 + 25
    assert tape.length_mm == pytest.approx(2 * np.pi * 250 + 25 + inner, rel=1e-3)
    hole = 0 if over else np.pi * 100**2
    assert film.area_mm2 == pytest.approx(np.pi * 250**2 - hole, rel=1e-3)
    assert len(film.region.loops) == len(tape.region.loops) == (1 if over else 2)
    # Peel ply never runs over what is not laminated.
    assert layers["peel ply"].area_mm2 == pytest.approx(np.pi * (250**2 - 100**2), rel=1e-3)


@pytest.fixture(scope="module")
def foil():
    surface = Surface(*shapes.foil_on_plate(around=120, along=24)[:2])
    return region_of(surface, np.ones(len(surface.faces), dtype=bool), name="foil")


# -- laps from ply to ply ------------------------------------------------------------------------------------------
CUT = Cut("P1", "glass", 0.0, "out", 1, 0.03, 2000.0, 1e4, 0.0, lap_mm=15.0, trim_mm=5.0, stagger_mm=60.0)


@pytest.fixture(scope="module")
def post():
    surface = Surface(*shapes.leaning_post(radius=60, height=60, reach=70, step=6))
    return region_of(surface, np.ones(len(surface.faces), dtype=bool), name="post")


def laid(region, text, plies, cut=CUT, **options):
    """Shape plies one on the other."""
    job = job_from_text(text)
    out = []
    for _ in range(plies):
        out.append(shape(job, job.regions[0], region, cut, earlier=out, plies=plies, **options))
    return out


def angles(shaped):
    return np.sort(np.degrees(np.arctan2(*shaped.starts_mm[:, 1::-1].T)) % 360)


def test_equal_pieces_are_turned_on_from_ply_to_ply(post):
    three = laid(post, JOB.replace('mesh = "hull"', 'mesh = "hull"\npieces = 2'), 3)
    assert [len(s.templates) for s in three] == [2, 2, 2]
    for j, shaped in enumerate(three):
        # The first seam lies ahead; each ply is turned on by a third of a half circle, clockwise as the rim runs.
        expected = np.sort((np.array([0.0, 180.0]) - 60 * j) % 360)
        off = np.abs(angles(shaped)[None] - expected[:, None]) % 360
        assert np.minimum(off, 360 - off).min(axis=1).max() < 0.5
        assert len(shaped.lap_clearance_mm) == j
        assert all(d > 56 for d in shaped.lap_clearance_mm)
        assert len(shaped.laps_mm) == 2
        assert not any("laps lie" in text for text, _ in shaped.cautions)


def test_a_post_too_thin_for_the_stagger_gets_the_best_there_is_and_says_so(post):
    text = JOB.replace('mesh = "hull"', 'mesh = "hull"\npieces = 4')
    two = laid(post, text, 2)
    (said,) = [text for text, _ in two[1].cautions if "laps lie" in text]
    reached = two[1].lap_clearance_mm[0]
    # An eighth of the rim; on triangles of 6 mm seams lean by up to a degree, either of them.
    assert reached == pytest.approx(2 * np.pi * 60 / 8, rel=0.12)
    assert said == f"its laps lie {reached:.0f} mm from those of P1, where 60 mm are asked for"


def test_seams_placed_by_hand_are_moved_on_by_the_shift(post):
    text = JOB.replace('mesh = "hull"', 'mesh = "hull"\nseams = ["100 0 0 mm", "-100 0 0 mm"]')
    two = laid(post, text, 2, seam_shift_mm=30.0)
    turn = np.degrees(30 / 60)
    off = np.abs(np.sort((angles(two[0]) - turn) % 360) - angles(two[1]))
    assert off.max() < 3
    assert two[1].lap_clearance_mm[0] == pytest.approx(30, abs=2.5)
    still = laid(post, text, 2)
    assert np.abs(angles(still[0]) - angles(still[1])).max() < 0.1
    # The same seams with the laps on their other sides.
    assert still[1].lap_clearance_mm[0] == pytest.approx(CUT.lap_mm, rel=0.15)


def test_where_laps_may_lie_on_each_other_seams_are_kept(post):
    cut = Cut("P1", "glass", 0.0, "out", 2, 0.03, 2000.0, 1e4, 0.0, lap_mm=15.0, trim_mm=5.0, stagger_mm=0.0)
    two = laid(post, JOB + "\n[limits]\npieces = 2\nover_share = \"60 %\"\n", 2, cut)
    assert np.abs(angles(two[0]) - angles(two[1])).max() < 1.0
    assert not any("laps lie" in text or "copies" in text for text, _ in two[1].cautions)


def test_copies_of_a_ply_with_laps_are_pointed_out(post):
    cut = Cut("P1", "glass", 0.0, "out", 3, 0.03, 2000.0, 1e4, 0.0, lap_mm=15.0, trim_mm=5.0, stagger_mm=60.0)
    (one,) = laid(post, JOB.replace('mesh = "hull"', 'mesh = "hull"\npieces = 2'), 1, cut)
    assert any("its 3 copies have their laps on one another" in text for text, _ in one.cautions)


def test_a_flat_panel_with_a_hole_stays_one_piece_with_a_hole(ring):
    two = laid(ring, JOB, 2, Cut("P1", "glass", 0.0, "out", 1, 0.03, 600.0, 1e4, 0.0, 15.0, 5.0, 60.0))
    for shaped in two:
        (template,) = shaped.templates
        assert len(template.net.interiors) == 1
        assert shaped.seams_mm == shaped.laps_mm == ()
        assert shaped.lap_clearance_mm == ()
        assert shaped.strain.largest < 1e-6


def test_strain_is_that_of_the_cloth_with_single_triangles_beside(post):
    (one,) = laid(post, JOB.replace('mesh = "hull"', 'mesh = "hull"\npieces = 3'), 1)
    strain = one.strain
    assert strain.scale_mm == 10.0
    assert strain.raw_largest > strain.largest > 0.03
    assert strain.largest == max(p.strain.max() for p in one.pieces) == max(t.strain.largest for t in one.templates)
    raw = max(np.abs(p.flat.stretch - 1).max() for p in one.pieces)
    assert strain.raw_largest == pytest.approx(raw)
    assert {t.strain.scale_mm for t in one.templates} == {10.0}


@pytest.fixture(scope="module")
def dome():
    surface = Surface(*shapes.cap(40, radius=800, triangles=3000)[:2])
    return region_of(surface, np.ones(len(surface.faces), dtype=bool), name="dome")


def dome_cut(name="P1", **changes):
    values = {
        "material": "cloth", "angle_deg": 0.0, "face_up": "out", "copies": 1, "limit": 0.03, "roll_width_mm": 1400.0,
        "roll_length_mm": 9000.0, "edge_mm": 10.0, "lap_mm": 25.0, "trim_mm": 10.0, "stagger_mm": 60.0, "may_dart": True,
    }  # fmt: skip
    return Cut(name=name, **{**values, **changes})


def test_darts_are_made_where_the_job_allows_them_and_apart_from_ply_to_ply(dome):
    job = job_from_text(JOB.replace('mesh = "hull"\n', 'mesh = "hull"\ndarts = 4\n'))
    one = shape(job, job.regions[0], dome, dome_cut(), plies=2)
    two = shape(job, job.regions[0], dome, dome_cut("P2"), earlier=[one], plies=2)
    bare = shape(job, job.regions[0], dome, dome_cut(may_dart=False))
    assert bare.darts == ()
    assert bare.strain.over_share > 0.3
    for ply in (one, two):
        assert 1 <= len(ply.darts) <= 4
        assert ply.strain.over_share < 0.06
        assert ply.seams_mm == ()  # darts are no seams that the bag's layers would be opened at
        assert len(ply.templates) == 1
        assert len(ply.templates[0].laps) == len(ply.darts)
    # Seen from a dart of the second ply, none of the first is nearer than the stagger, but for the bend of its geodesic.
    near = min(
        np.linalg.norm(a.line_mm[:, None] - b.line_mm[None], axis=2).min() for a in one.darts for b in two.darts
    )
    assert near > 45


def dart_words(shaped):
    return [(text, do) for text, do in shaped.cautions if "the area over" in text]


def test_what_darts_would_bring_is_said_once_where_none_are_asked_for(dome):
    job = job_from_text(JOB)
    one = shape(job, job.regions[0], dome, dome_cut(), plies=2)
    two = shape(job, job.regions[0], dome, dome_cut("P2"), earlier=[one], plies=2)
    ((text, do),) = dart_words(one)
    count, length, was, now = re.fullmatch(
        r"(\d+) darts, (\d+) mm in all, would bring the area over 3.0 % from about ([\d.]+) % to ([\d.]+) %", text
    ).groups()
    assert do == f'Write "darts = {count}" in this region to have them made.'
    assert float(was) == pytest.approx(100 * one.strain.over_share, abs=2)
    assert dart_words(two) == []
    job = job_from_text(JOB.replace('mesh = "hull"\n', f'mesh = "hull"\ndarts = {count}\n'))
    made = shape(job, job.regions[0], dome, dome_cut())
    assert dart_words(made) == []
    assert made.strain.over_share < 0.05
    assert made.strain.over_share == pytest.approx(float(now) / 100, abs=0.02)
    assert sum(d.length_mm for d in made.darts) == pytest.approx(float(length), rel=0.1)
    assert made.darts[-1].over_after == pytest.approx(made.strain.over_share, abs=1e-3)


def test_where_no_cut_helps_that_is_said(dome):
    job = job_from_text(JOB.replace('mesh = "hull"\n', 'mesh = "hull"\ncut_kinds = ["gusset"]\n'))
    made = shape(job, job.regions[0], dome, dome_cut())
    ((text, do),) = dart_words(made)
    assert text.startswith("cuts would not lessen the area over 3.0 %")
    assert "more pieces" in do
    layer = shape(job, job.regions[0], dome, dome_cut(may_dart=False))
    assert dart_words(layer) == []


def test_kinds_that_a_region_forbids_are_not_used(dome):
    job = job_from_text(JOB.replace('mesh = "hull"\n', 'mesh = "hull"\ndarts = 1\ncut_kinds = ["split"]\n'))
    made = shape(job, job.regions[0], dome, dome_cut())
    assert [d.kind for d in made.darts] == ["split"]


def test_a_cut_placed_by_hand_is_in_every_ply(dome):
    p = dome.surface.vertices_mm
    rim = p[dome.loops[0][np.argmax(p[dome.loops[0], 0])]]
    top = p[np.argmax(p[:, 2])]
    line = ", ".join('"{:.3f} {:.3f} {:.3f} mm"'.format(*q) for q in (rim, top))
    job = job_from_text(JOB.replace('mesh = "hull"\n', f'mesh = "hull"\ncut = [{{ line = [{line}] }}]\n'))
    made = shape(job, job.regions[0], dome, dome_cut())
    assert [d.given for d in made.darts] == [True]
    assert np.linalg.norm(made.darts[0].line_mm[0] - rim) < 1e-6


def test_a_dart_keeps_off_the_seams_of_a_ring(foil):
    """A piece between seams may have darts too; they begin on the region's own edge, and the seams stay whole."""
    text = JOB.replace('mesh = "hull"\n', 'mesh = "hull"\ndarts = 1\n')
    job = job_from_text(text)
    made = shape(job, job.regions[0], foil, dome_cut(limit=0.01, stagger_mm=0.0))
    seams = len(made.seams_mm)
    assert seams >= 1
    assert sum(len(t.joins) > 0 for t in made.templates) == len(made.templates)
    for dart in made.darts:
        off = min(np.linalg.norm(dart.line_mm[:, None] - s[None], axis=2).min() for s in made.seams_mm)
        assert off > 15


# -- joins -----------------------------------------------------------------------------------------------------------
@pytest.fixture(scope="module")
def sheet():
    xy, f = shapes.rectangle(1000.0, 700.0, triangles=1500)
    surface = Surface(np.column_stack([xy, np.zeros(len(xy))]), f)
    return region_of(surface, np.ones(len(surface.faces), dtype=bool), name="sheet")


def butt_cut(load_deg, **changes):
    load = Load((1.0, 0.0, 0.0), turn_deg=load_deg)
    return dome_cut(roll_width_mm=420.0, roll_length_mm=5000.0, join="butt", load=load, **changes)


def bodies(shaped):
    return shapely.union_all([t.net for t in shaped.templates])


def test_a_split_along_the_load_is_a_butt_edge_to_edge(sheet):
    job = job_from_text(JOB)
    made = shape(job, job.regions[0], sheet, butt_cut(10.0))
    assert [(q.name, q.kind, q.cause) for q in made.joins] == [("A-1", "butt", "roll")]
    assert made.joins[0].off_deg == pytest.approx(10, abs=0.01)
    low, high = made.templates
    assert low.laps == high.laps == ()
    assert low.cut.distance(high.cut) < 1e-6
    assert low.cut.intersection(high.cut).area < 1e-6
    # The net pieces make up the sheet, without a gap.
    assert bodies(made).area == pytest.approx(7e5, rel=1e-9)
    assert len(getattr(bodies(made).buffer(0.05), "geoms", [0])) == 1
    (said,) = [text for text, _ in made.cautions if text.startswith("joins")]
    assert said.startswith("joins butted: A-1 (up to 10 deg off the load); a join is butted where it keeps within 30 deg")


def test_a_split_across_the_load_is_lapped_though_butts_were_asked_for(sheet):
    job = job_from_text(JOB)
    made = shape(job, job.regions[0], sheet, butt_cut(80.0))
    assert [q.kind for q in made.joins] == ["lap"]
    assert sum(lap.area for t in made.templates for lap in t.laps) == pytest.approx(25 * (1000 + 2 * 10))
    assert any("lapped: A-1 (up to 80 deg off the load)" in text for text, _ in made.cautions)


def test_every_seam_of_a_post_is_a_butt_or_a_lap_by_its_own_direction(post):
    # Two seams run fore and aft over the plate and up the wall: nothing along the wall runs along a load from fore to aft.
    text = JOB.replace('mesh = "hull"', 'mesh = "hull"\npieces = 4')
    job = job_from_text(text)
    up = shape(job, job.regions[0], post, replace(CUT, join="butt", load=Load((1.0, 0.0, 0.0))))
    assert {q.kind for q in up.joins} == {"lap"}
    # A load given wide room may be followed by those that start fore and aft; those abeam cross it.
    some = shape(job, job.regions[0], post, replace(CUT, join="butt", load=Load((0.7, 0.0, 0.7), within_deg=50.0)))
    kinds = {q.name: q.kind for q in some.joins}
    assert sorted(kinds.values()) == ["butt", "butt", "lap", "lap"]
    for q in some.joins:
        assert (q.kind == "butt") == (q.off_deg is not None and q.off_deg <= 50)
    assert sum(len(t.laps) for t in some.templates) == 2
    plain = shape(job, job.regions[0], post, CUT)
    assert sum(len(t.laps) for t in plain.templates) == 4
    assert {q.kind for q in plain.joins} == {"lap"}
    assert not any(text.startswith("joins") for text, _ in plain.cautions)


# -- splits and panels from ply to ply --------------------------------------------------------------------------------
def test_splits_for_the_roll_keep_the_stagger_from_those_of_the_ply_below(sheet):
    job = job_from_text(JOB)
    cut = dome_cut(roll_width_mm=420.0, roll_length_mm=5000.0)
    plies = []
    for face in ("out", "in", "out"):
        plies.append(shape(job, job.regions[0], sheet, replace(cut, face_up=face), earlier=plies, plies=3))
    middles = [np.array([line[:, 1].mean() for line in p.splits_mm]) for p in plies]
    for below, above in zip(middles[:-1], middles[1:]):
        # Between the middles of the laps, on the hull; the second ply is cut face down.
        assert np.abs(below[:, None] - above[None]).min() >= 60 - 1e-6
    assert not any("split lies" in text for p in plies for text, _ in p.cautions)


def test_a_stagger_that_no_split_can_keep_is_pointed_out_with_what_was_reached(sheet):
    job = job_from_text(JOB)
    cut = dome_cut(roll_width_mm=160.0, roll_length_mm=5000.0, stagger_mm=100.0)
    one = shape(job, job.regions[0], sheet, cut)
    two = shape(job, job.regions[0], sheet, cut, earlier=[one], plies=2)
    middles = [np.array([line[:, 1].mean() for line in p.splits_mm]) for p in (one, two)]
    reached = np.abs(middles[0][:, None] - middles[1][None]).min()
    assert reached < 100
    (said,) = [text for text, _ in two.cautions if "split lies" in text]
    assert said == f"a split lies {reached:.0f} mm from a join of the ply below, where 100 mm are asked for"


def test_a_dome_wider_than_its_roll_is_laid_in_panels_clear_of_those_below(dome):
    job = job_from_text(JOB)
    cut = dome_cut(roll_width_mm=800.0, may_dart=False)
    one = shape(job, job.regions[0], dome, cut)
    two = shape(job, job.regions[0], dome, cut, earlier=[one], plies=2)
    for ply in (one, two):
        assert [q.cause for q in ply.joins] == ["panel"]
        assert len(ply.templates) == len(ply.pieces) == 2
        assert ply.panels[0].over_before > 0.3
        assert ply.strain.over_share == pytest.approx(ply.panels[-1].over_after, abs=1e-6)
        assert ply.strain.over_share < 0.06
        for t in ply.templates:
            assert t.cut.bounds[3] - t.cut.bounds[1] <= 780 + 1e-6
        assert any("laid in panels cut on the hull along 1 line: area over the strain limit from" in text for text, _ in ply.cautions)
        assert ply.seams_mm == ()
    (a,), (b,) = one.splits_mm, two.splits_mm
    assert np.linalg.norm(a[:, None] - b[None], axis=2).min() > 50
    assert not any("split lies" in text for text, _ in two.cautions)


def test_a_flat_piece_is_split_straight_and_asked_for_panels_too(sheet):
    job = job_from_text(JOB)
    made = shape(job, job.regions[0], sheet, dome_cut(panels=3))
    assert made.panels == ()
    assert [t.piece for t in made.templates] == ["A1", "A2", "A3"]
    assert [q.cause for q in made.joins] == ["roll", "roll"]


def test_a_piece_that_fits_no_roll_is_refused_with_the_number(sheet):
    job = job_from_text(JOB)
    with pytest.raises(FitError, match=r"720 mm of width.*50 mm, 30 mm of it usable.*laps of 25 mm"):
        shape(job, job.regions[0], sheet, dome_cut(roll_width_mm=50.0))


# -- how many pieces ----------------------------------------------------------------------------------------------------
def test_fewer_pieces_unless_more_are_clearly_better():
    assert fewest_worth([1, 2, 3, 4], [0.9, 0.3, 0.1, 0.09], enough=0.05) == 2
    assert fewest_worth([1, 2, 3], [0.04, 0.01, 0.0], enough=0.05) == 0
    # Within a hundredth of each other the fewest.
    assert fewest_worth([2, 3], [0.125, 0.1], enough=0.05) == 0
    assert fewest_worth([2, 3], [0.14, 0.1], enough=0.05) == 1


def test_darts_by_which_threads_can_be_laid_go_before_darts_for_cloth_that_stretches(monkeypatch):
    monkeypatch.setattr(shaping, "advise_cuts", lambda *_, **__: SimpleNamespace(cuts=()))
    job = SimpleNamespace(limits=SimpleNamespace(over_share=0.05))
    spec = SimpleNamespace(darts=0, cuts=(), cut_kinds=("dart",), keep_off_mm=(), clear_mm=0.0)
    cut = SimpleNamespace(may_dart=True, limit=0.03, lap_mm=25.0)

    def told(*notes):
        laid = SimpleNamespace(notes=notes, strain=SimpleNamespace(over_share=1.0), uncut=None, flattened=None)
        return list(shaping._dart_advice(job, spec, laid, cut, ()))

    assert told(("4 darts in piece A would let its threads be laid", 'Write "darts = 4" in this region to have them made.')) == []
    assert len(told(("panels were split along a thread", "Mark them."))) == 1

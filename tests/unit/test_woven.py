"""Woven plies piece by piece: opened further, cut in two, slit and laid in panels until nets lie on them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapes
from test_laying import WOVEN, cut_for, job_with, wishes_at

from plyflat.cloth.draping import Laying, Wishes
from plyflat.cloth.locking import Locking
from plyflat.cloth.opening import Opened, ways_to_open
from plyflat.joining import Joinery
from plyflat.laying import Loom
from plyflat.shaping import shape
from plyflat.surface.mesh import Surface
from plyflat.surface.region import region_of
from plyflat.woven import (
    Asked,
    _darted,
    _lines,
    _middle_thread,
    _Tally,
    _worth,
    panel_words,
    propose_darts,
    weave,
)

FORWARD = np.array([1.0, 0.0, 0.0])
WIDE = {'"240 mm"': '"2 m"', '"1 m"': '"9 m"'}
#: Cloth and mesh for nets that take little time.
RADIUS, TRIANGLES = 500.0, 3000


def bears(deg):
    return Locking(deg, deg, 0.7 * deg, 0.7 * deg)


def asked(*, most=4, darts=0, given=(), keep_off=(), clear_mm=0.0, **how):
    joinery = Joinery(**{
        "asked": "lap", "load": None, "lap_mm": 25.0, "trim_mm": 10.0, "stagger_mm": 75.0, "notch_every_mm": 150.0,
        "roll_width_mm": 9000.0, "roll_length_mm": 1e5, "edge_mm": 0.0, "panels": 1, "warp": FORWARD, "angle_deg": 0.0,
        "face_up": "out", **how,
    })  # fmt: skip
    return Asked(most, darts, tuple(given), (), np.array(keep_off, dtype=float).reshape(-1, 3), clear_mm, 0.03, 10.0, joinery)


def loom(region, lock_deg, **wishes):
    return Loom(region, Wishes(FORWARD, 0.0, bears(lock_deg), **wishes))


def most_deg(woven):
    return [q.draped.drape.most_deg for q in woven.layings]


def ball_between(low_deg, high_deg):
    """The part of a ball between two circles about its pole, on the ball."""
    v, f = shapes.cap(min(high_deg + 35, 110), RADIUS, triangles=TRIANGLES)
    up = v[f].mean(axis=1)[:, 2] / np.linalg.norm(v[f].mean(axis=1), axis=1)
    return region_of(Surface(v, f), (up > np.cos(np.radians(high_deg))) & (up <= np.cos(np.radians(low_deg))))


def developable(vertices, faces):
    surface = Surface(vertices, faces)
    return region_of(surface, np.ones(len(faces), dtype=bool))


@pytest.fixture(scope="module")
def cap():
    return ball_between(-1, 60)


@pytest.fixture(scope="module")
def ring():
    return ball_between(25, 60)


# -- what bends one way alone does not shear -----------------------------------------------------------------------------
@pytest.mark.parametrize("form", ["cylinder", "cone"])
def test_rolled_sheets_do_not_shear_and_are_split_straight(form):
    v, f = {
        "cylinder": lambda: shapes.cylinder(300.0, 120.0, 500.0, triangles=2500),
        "cone": lambda: shapes.cone(20.0, 120.0, 300.0, 800.0, triangles=2500),
    }[form]()
    region = developable(v, f)
    job = job_with(WOVEN, **WIDE)
    wishes = Wishes(np.array([0.1, 0.2, 1.0]), 0.0, bears(40))
    made = shape(job, job.regions[0], region, cut_for(job, threads=wishes, panels=2))
    (laying,) = made.layings
    assert laying.draped.drape.most_deg < 0.25
    # A line that gains nothing is straight on the table.
    assert made.panels == ()
    assert len(made.templates) == 2
    assert sum(t.net.area for t in made.templates) == pytest.approx(region.area_mm2, rel=1e-3)
    assert made.strain.largest < 2e-3


# -- panels --------------------------------------------------------------------------------------------------------------
@pytest.fixture(scope="module")
def halves(cap):
    return weave([Opened((cap.surface,))], loom(cap, 40), asked(panels=2))


def test_halves_of_a_cap_each_laid_by_its_own_net_shear_much_less(halves):
    (panel,) = halves.panels
    whole, parts = panel.shear_deg
    # 26.9 degrees for 60 by the exact net; the outline here stands out by a triangle, where shear grows quickest.
    assert 26 < whole < 31
    assert parts == max(most_deg(halves)) < 0.6 * whole
    assert max(most_deg(halves)) == pytest.approx(16.1, abs=1.0)
    starts = [q.draped.drape.start_mm for q in halves.layings]
    assert starts[0][1] * starts[1][1] < 0
    assert np.abs(panel.line_mm[:, 1]).max() < 15
    assert halves.causes == ("panel",)
    ((text, _),) = panel_words(halves.panels)
    assert f"from {panel.shear_deg[0]:.1f} to {panel.shear_deg[1]:.1f} degrees" in text


def test_four_panels_shear_less_again(cap, halves):
    four = weave([Opened((cap.surface,))], loom(cap, 40), asked(panels=4))
    assert len(four.layings) == 4
    assert max(most_deg(four)) < 12.6 < max(most_deg(halves))
    assert sum(p.area_mm2 for p in four.opened.pieces) == pytest.approx(cap.area_mm2, rel=1e-6)
    assert four.fewest == (1, 1, 1, 1)


def test_a_narrow_roll_has_a_dome_cut_on_the_hull_and_says_what_it_gains(cap):
    job = job_with(WOVEN, **{'"240 mm"': '"700 mm"', '"1 m"': '"9 m"'})
    made = shape(job, job.regions[0], cap, cut_for(job, threads=wishes_at(job, 0.0)))
    assert [j.cause for j in made.joins] == ["panel"]
    assert len(made.layings) == len(made.templates) == len(made.pieces) == 2
    assert all(t.cut.bounds[3] - t.cut.bounds[1] <= 700 for t in made.templates)
    assert any("along a thread" in text for text, _ in made.cautions)
    assert not any("strain limit" in text for text, _ in made.cautions)
    assert made.patches == ()


# -- opened further, cut in two ------------------------------------------------------------------------------------------
def test_a_ring_is_opened_into_more_pieces_until_nets_lie_on_them(ring, halves, monkeypatch):
    ways = list(ways_to_open(ring.surface, most=4, lap_mm=15.0))
    assert [len(way.pieces) for way in ways] == [1, 2, 3, 4]
    draped, bare = halves.layings[0].draped, Laying(None, "it folds")
    laid = Laying(replace(draped, drape=replace(draped.drape, shear_deg=0.0 * draped.drape.shear_deg, locked=None)))
    monkeypatch.setattr(Loom, "lay", lambda self, opened, k, part=False: laid if len(opened.pieces) > 2 else bare)
    found = weave(iter(ways), loom(ring, 40), asked())
    assert found.base is ways[2]
    assert found.laid == (True,) * 3
    assert found.causes == ("seam",) * 3
    assert found.panels == ()
    # Where none lies whole the most pieces are taken, and each keeps the net it has.
    monkeypatch.setattr(Loom, "lay", lambda self, opened, k, part=False: bare if k == 0 else laid)
    found = weave(iter(ways), loom(ring, 40), asked())
    assert found.laid == (False, True, True, True)
    assert found.without_net() == [0]


def test_what_locks_is_cut_in_two_along_a_thread_where_more_pieces_are_allowed(cap):
    two = weave([Opened((cap.surface,))], loom(cap, 20), asked())
    assert two.laid == (True, True)
    assert max(most_deg(two)) < 20
    assert two.panels[0].shear_deg[0] is None
    ((text, _),) = panel_words(two.panels)
    assert "no net of threads lay on it whole" in text


def test_pieces_that_no_net_lies_on_however_cut_are_left_whole(cap, monkeypatch):
    counted = []
    monkeypatch.setattr(Loom, "lay", lambda self, opened, k, part=False: counted.append(k) or Laying(None, "it folds"))
    found = weave([Opened((cap.surface,))], loom(cap, 40), asked(most=3))
    # Cuts both ways were tried in the whole, and again in the better of its halves.
    assert len(counted) > 5
    assert found.laid == (False,)
    assert found.panels == ()
    assert len(found.opened.pieces) == 1


def test_a_cut_in_two_keeps_off_the_joins_of_the_ply_below(cap):
    net = loom(cap, 40).rough_net(Opened((cap.surface,)), 0)
    free, _ = _middle_thread(cap.surface, net, 0, asked().how)
    assert np.abs(free - net.start_mm).sum(axis=1).min() < 1e-6
    assert np.ptp(free[:, 1]) < 8 < 500 < np.ptp(free[:, 0])
    # Where the ply below is joined along it, it gives way by the stagger and a lap.
    moved, clear = _middle_thread(cap.surface, net, 0, asked(below_mm=[free]).how)
    assert clear > 75
    assert 75 < np.abs(np.median(moved[:, 1]) - np.median(free[:, 1])) < 105
    # A line across is no neighbour.
    across, far = _middle_thread(cap.surface, net, 1, asked(below_mm=[free]).how)
    assert far > 75
    assert np.abs(across - net.start_mm).sum(axis=1).min() < 1e-6


def test_a_part_keeps_a_stated_start_only_well_inside_it(cap, halves):
    own = halves.layings[0].draped.drape.start_mm
    # Beside the line between the two, and well inside one of them.
    at = cap.surface.locate(np.array([[0.0, 3.0, RADIUS]])).points_mm[0]
    for start, kept in ((at, False), (own, True)):
        weaver = loom(cap, 40, start_mm=start)
        found = weaver.lay(halves.opened, weaver.home(halves.opened), part=True)
        assert (np.linalg.norm(found.draped.drape.start_mm - start) < 1) == kept


# -- mixed plies ---------------------------------------------------------------------------------------------------------
@pytest.fixture(scope="module")
def mixed(cap):
    """A cap cut by hand off its middle: the large part locks, the small one does not."""
    a, b = (np.array([250.0, y, np.sqrt(RADIUS**2 - 250.0**2 - y**2)]) for y in (-352.0, 352.0))
    line = ", ".join(f'"{x:.1f} {y:.1f} {z:.1f} mm"' for x, y, z in (a, [250.0, 0.0, 433.0], b))
    cuts = {'mesh = "hull"\n': f'mesh = "hull"\ncut = [{{ line = [{line}] }}]\n', "[cloth.glass]": "[limits]\npieces = 2\n[cloth.glass]"}
    job = job_with(f'{WOVEN}\nlock = "15 deg"', **WIDE, **cuts)
    return shape(job, job.regions[0], cap, cut_for(job, threads=wishes_at(job, 0.0), limit=0.02))


def test_only_the_piece_that_is_refused_is_flattened(mixed):
    laid = [q.draped is not None for q in mixed.layings]
    assert sorted(laid) == [False, True]
    small = int(np.argmin([p.surface.area_mm2 for p in mixed.pieces]))
    assert laid[small]
    for piece, by_net in zip(mixed.pieces, laid):
        assert piece.flat.along_warp == by_net
    # Threads do not stretch; the flattened part gives.
    assert mixed.pieces[small].strain.max() < 0.02 < mixed.pieces[1 - small].strain.max()
    assert mixed.strain.largest == pytest.approx(mixed.pieces[1 - small].strain.max())
    assert mixed.templates[small].strain.largest == pytest.approx(mixed.pieces[small].strain.max())
    assert [patch.pieces for patch in mixed.patches] == [("AB"[1 - small],)]


def test_a_mixed_ply_says_which_piece_is_flattened_and_why(mixed):
    letter = "AB"[[q.draped is None for q in mixed.layings].index(True)]
    (text,) = [text for text, _ in mixed.cautions if "cut by flatten" in text]
    assert text.startswith(f"the threads of piece {letter} cannot be laid, so that alone is cut by flatten: ")
    assert "past locking" in text
    assert "at (" in text or "near (" in text


# -- darts ---------------------------------------------------------------------------------------------------------------
def test_a_given_cut_is_made_in_woven_cloth_and_its_shear_said(cap):
    a = np.radians(59)
    edge, tip = (RADIUS * np.array([np.sin(t) / 2**0.5, np.sin(t) / 2**0.5, np.cos(t)]) for t in (a, np.radians(16)))
    given = weave([Opened((cap.surface,))], loom(cap, 40), asked(given=[np.stack([edge, tip])]))
    assert given.laid == (True,)
    (dart,) = given.darts
    before, after = dart.shear_deg
    assert 26 < before < 31
    # One of four corners: the others shear as they did.
    assert after == pytest.approx(before, abs=1.5)
    assert 20 < dart.opens_deg < 60
    assert dart.given
    assert given.causes == ("cut",)


@pytest.fixture(scope="module")
def locking(cap):
    """A cap that locks in its four corners, and what lays it."""
    weaver = loom(cap, 24, steer="never")
    return weave([Opened((cap.surface,))], weaver, asked(most=1)), weaver


def test_darts_where_the_net_asks_for_them_take_out_a_third_of_the_shear(locking):
    plain, weaver = locking
    made = _darted(plain, weaver, asked(darts=4))
    assert made.laid == (True,)
    assert made.notes == ()
    assert max(most_deg(made)) < 0.65 * max(most_deg(plain))
    assert made.locked_share == 0 < plain.locked_share
    assert len(made.darts) == 4
    for dart in made.darts:
        assert dart.shear_deg == (most_deg(plain)[0], most_deg(made)[0])
        assert np.abs(np.abs(dart.line_mm[0, 0]) - np.abs(dart.line_mm[0, 1])) < 0.15 * RADIUS
        assert 5 < dart.opens_deg < 40
    assert made.causes == ("cut",) * 4


def test_what_darts_would_bring_is_measured_and_said(locking, monkeypatch):
    plain, weaver = locking
    (laying,) = plain.layings
    eased = replace(laying.draped.drape, shear_deg=0.5 * laying.draped.drape.shear_deg, locked=None)
    better = replace(laying, draped=replace(laying.draped, drape=eased))
    monkeypatch.setattr(Loom, "lay", lambda *_, **__: better)
    monkeypatch.setattr("plyflat.woven._opens_deg", lambda *_: 10.0)
    ((text, do),) = propose_darts(plain, weaver, asked())
    assert text.startswith("4 darts in piece A, ")
    most = most_deg(plain)[0]
    assert f"would bring its shear from {most:.1f} to {most / 2:.1f} degrees, and what is locked from" in text
    assert 'Write "darts = 4"' in do


def test_darts_that_gain_nothing_are_not_made(locking, monkeypatch):
    plain, weaver = locking
    monkeypatch.setattr(Loom, "lay", lambda *_, **__: plain.layings[0])
    kept = _darted(plain, weaver, asked(darts=2))
    assert kept.darts == ()
    assert kept.opened is plain.opened
    ((said, do),) = kept.notes
    assert said.startswith("2 darts in piece A")
    assert "were tried and not made: they would bring its shear from" in said
    assert do


def test_what_cuts_are_worth_grows_with_what_they_gain_and_falls_with_their_length():
    before = _Tally(0.0, 2e4, 30.0)
    assert _worth(before, _Tally(0.0, 2e4, 20.0), 1000.0, 1e6)
    assert not _worth(before, _Tally(0.0, 2e4, 20.0), 4000.0, 1e6)
    assert not _worth(before, _Tally(0.0, 2e4, 29.0), 1000.0, 1e6)
    assert _worth(replace(before, locked_mm2=2e5), _Tally(0.0, 0.0, 30.0), 1000.0, 1e6)
    assert _worth(_Tally(1e6, 0.0, 0.0), _Tally(0.0, 2e4, 39.0), 9000.0, 1e6)


def test_darts_keep_off_what_is_to_be_kept_clear(locking):
    plain, _ = locking
    net = plain.layings[0].draped.drape
    corner = RADIUS * np.array([np.sin(0.8) / 2**0.5, np.sin(0.8) / 2**0.5, np.cos(0.8)])
    assert len(_lines(plain.opened, 0, net, asked())) == 4
    kept = _lines(plain.opened, 0, net, asked(keep_off=[corner], clear_mm=60.0))
    assert len(kept) == 3
    assert all(np.linalg.norm(line - corner, axis=1).min() > 60 for line in kept)


def test_cloth_that_does_not_lock_gets_no_darts(halves, cap):
    free = _darted(halves, loom(cap, 40), asked(darts=4))
    assert free is halves
    assert list(propose_darts(halves, loom(cap, 40), asked())) == []

"""Folds of film and what they give to sections; pleats made as high as the sections want."""

from dataclasses import replace

import numpy as np
import pytest
import shapes

from plyflat.bag.corners import corner_sections, film_bends, hollow_lines
from plyflat.bag.feeding import ends_inside, fit_pleats, folds_of, shares, wanted_mm
from plyflat.bag.film import Film
from plyflat.bag.film_states import SOFT, Bench, film_cures
from plyflat.bag.pleats import corners_of, place_pleats
from plyflat.bag.reach import find_bridging
from plyflat.bag.section_film import lay_over_section, part
from plyflat.surface.mesh import Surface

FILM = Film("nylon", 700.0, 0.05, yield_mpa=35.0, hardening_mpa=15.0, break_stretch=3.0)


class Place:
    """A surface with its corners, sections and tapes, and pleats where they first stand."""

    def __init__(self, v, f, friction=0.3, walls_mm=()):
        self.surface = s = Surface(v, f)
        self.lines = hollow_lines(s, scale_mm=15)
        self.sections = corner_sections(s, self.lines, allowed_mm=7.2)
        self.corners = corners_of(self.lines, self.sections)
        loops = sorted((s.vertices_mm[q] for q in s.boundary_loops), key=lambda p: -np.ptp(p, axis=0).sum())
        self.tapes = tuple(loops)
        self.pleats = place_pleats(
            s, loops[0], self.lines, self.corners, film_bends(s, scale_mm=15), inner_mm=loops[1:], walls_mm=walls_mm,
            pressure_kpa=15.0, tension_n_per_m=1750.0, friction=friction,
        )  # fmt: skip
        self.bench = Bench(self.sections, self.lines, 3.0, friction, 15.0, 1.15)

    def fitted(self, **more):
        return fit_pleats(
            self.pleats, self.corners, self.lines, self.sections, FILM, self.tapes, pressure_kpa=80.0, limit_mm=3.0, **more
        )


@pytest.fixture(scope="module")
def wedge():
    return Place(*shapes.wedge(90, length=200, step=8.0))


@pytest.fixture(scope="module")
def pocket():
    return Place(*shapes.box_pocket(step=20.0))


@pytest.fixture(scope="module")
def post():
    v, f, _ = shapes.post_through(shapes.round_section(25.0), height=80.0, size=300.0, step=6.0)
    return Place(v, f)


def test_what_a_section_wants_keeps_the_limit_and_no_less_does(wedge):
    s = wedge.sections[2]
    want = wanted_mm(s, FILM, pressure_kpa=80.0, limit_mm=3.0)
    assert lay_over_section(s, FILM, pressure_kpa=80.0, slack_mm=want).depth_mm == pytest.approx(3.0, abs=0.05)
    assert lay_over_section(s, FILM, pressure_kpa=80.0, slack_mm=0.9 * want).depth_mm > 3.2
    assert wanted_mm(s, FILM, pressure_kpa=80.0, limit_mm=12.0) == 0.0


@pytest.mark.parametrize("name", ["wedge", "pocket", "post"])
def test_pleats_bring_the_film_within_the_limit(name, request):
    place = request.getfixturevalue(name)
    fed = place.fitted()
    taut, pleated = (place.bench.state("", FILM, 80.0, fed=q) for q in (None, fed))
    assert taut.depth_mm > 9.0
    assert pleated.depth_mm <= 3.0
    assert pleated.resin_g < 0.2 * taut.resin_g
    assert not len(fed.unfed)
    assert [p.number for p in fed.pleats] == list(range(1, len(fed.pleats) + 1))
    assert sorted(p.order for p in fed.pleats) == [p.number for p in fed.pleats]


def test_a_fold_along_a_corner_gives_it_twice_its_height(wedge):
    fed = wedge.fitted(margin_mm=10.0)
    (fold,) = fed.folds
    assert [p.loop for p in fed.pleats] == [1, 1]
    assert len({p.fold for p in fed.pleats}) == 1
    gain, far = shares(wedge.sections[2], fed.folds)
    assert gain[0] == pytest.approx(2.0, rel=0.01)
    assert far[0] < 15.0
    assert fed.given_mm[2] == pytest.approx(2 * fold.ear.height_mm, rel=0.01)
    # Just what the worst section wants.
    assert fed.given_mm.max() == pytest.approx(fed.wanted_mm.max(), rel=0.02)


def test_an_inner_tape_gets_pleats_of_its_own(post):
    assert all(ends_inside(s, post.tapes) for s in post.sections)
    fed = post.fitted()
    outer, inner = ([p for p in fed.pleats if p.loop == k] for k in (1, 2))
    assert len(outer) == len(inner) >= 4
    for p in inner:
        x, y, z = p.place_mm
        assert np.hypot(x, y) == pytest.approx(25.0, abs=1.5)
        assert z == pytest.approx(80.0, abs=1.0)
        assert 0.0 <= p.at_m < 2 * np.pi * 0.025
        (fellow,) = (q for q in outer if q.fold == p.fold and np.dot(q.place_mm[:2], (x, y)) > 0)
        assert fellow.height_mm == p.height_mm


def test_a_high_fold_is_shared_out_and_folds_do_not_cross(wedge):
    whole, many = wedge.fitted(), wedge.fitted(most_mm=20.0)
    assert len(many.pleats) == 4
    assert all(p.needs_mm <= 20.0 for p in many.pleats)
    assert sum(p.needs_mm for p in many.pleats) == pytest.approx(sum(p.needs_mm for p in whole.pleats), rel=0.02)
    for fold in many.folds:
        # Each keeps to its own wall from end to end: the one lies at z = 0, the other at y = 0.
        (_, y, z), (_, far_y, far_z) = fold.ear.from_mm, fold.ear.to_mm
        assert abs(y - z) > 20.0
        assert (y - z) * (far_y - far_z) > 0


def test_friction_leaves_more_where_the_fold_is_far(pocket):
    fed = pocket.fitted()
    far = Bench(pocket.sections, pocket.lines, 3.0, 2.0, 15.0, 1.15)
    state = far.state("", FILM, 80.0, fed=fed)
    assert far.feed_mm(FILM) == pytest.approx(1750.0 / (2.0 * 15.0))
    assert state.depth_most_mm > 2 * state.depth_mm
    assert state.over_mm > 100.0
    assert Bench(pocket.sections, pocket.lines, 3.0, 0.0, 15.0, 1.15).feed_mm(FILM) == np.inf


def test_cures_stand_side_by_side_and_say_what_they_leave(wedge):
    fed = wedge.fitted()
    now, pleated = (wedge.bench.state("", FILM, 80.0, fed=q) for q in (None, fed))
    cures = film_cures(wedge.bench, FILM, fed, now, pleated, [SOFT], progress=lambda *_: None)
    assert [q.meets for q in cures] == sorted((q.meets for q in cures), reverse=True)
    by = {q.kind: q for q in cures}
    assert set(by) == {"as it is", "its pleats", "more pleats", "fillet", "other film", "two pieces"}
    assert not by["as it is"].meets
    assert by["more pleats"].state.depth_mm < by["its pleats"].state.depth_mm < by["as it is"].state.depth_mm
    # The fillet is the least that does: one step less would not.
    radius = float(by["fillet"].what.split()[3])
    less = wedge.bench.state("", FILM, 80.0, fillet_mm=radius - 1.0)
    assert by["fillet"].state.depth_mm <= 3.0 < less.depth_most_mm


def test_no_pleats_where_the_limit_is_kept_without(wedge):
    fed = fit_pleats(
        wedge.pleats, wedge.corners, wedge.lines, wedge.sections, FILM, wedge.tapes, pressure_kpa=80.0, limit_mm=15.0
    )
    assert fed.pleats == fed.folds == ()
    assert fed.wanted_mm.max() == 0.0


def met(v, f):
    return [w.place_mm for w in find_bridging(Surface(v, f), pressure_kpa=80.0, tension_n_per_m=1750.0).wall_corners]


@pytest.mark.parametrize("size", [(200.0, 200.0), (240.0, 160.0)])
def test_a_pocket_is_fed_by_four_folds_that_end_in_its_corners(size):
    v, f = shapes.box_pocket(size=size, step=20.0)
    place = Place(v, f, walls_mm=met(v, f))
    fed = fit_pleats(
        place.pleats, place.corners, place.lines, place.sections, FILM, place.tapes, pressure_kpa=80.0, limit_mm=0.3
    )
    assert len(fed.pleats) == 4
    assert not len(fed.unfed)
    for p in fed.pleats:
        # Each stands at the tape's own corner and runs to the floor's corner next to it, which it does not pass.
        assert np.abs(p.place_mm[:2]) == pytest.approx(np.array(size) / 2 + 100, abs=1e-6)
        assert p.ends_mm == pytest.approx((*(np.sign(p.place_mm[:2]) * size / 2), -60.0), abs=1e-6)
        # Aslant, a tape takes up a fold by 2 e / cos: the depth to both sides of a square pocket, 8 h in all.
        if size[0] == size[1]:
            assert np.sqrt(2) * p.needs_mm == pytest.approx(60.0, rel=0.02)
    assert place.bench.state("", FILM, 80.0, fed=fed).depth_mm <= 0.3


def test_three_folds_of_limited_length_end_where_three_walls_meet():
    v, f = shapes.three_planes(size=160.0, step=8.0)
    place = Place(v, f, walls_mm=met(v, f))
    fed = place.fitted()
    assert len(fed.pleats) == len(fed.folds) == 3
    for p, fold in zip(fed.pleats, fed.folds):
        assert p.ends_mm == fold.ear.to_mm == pytest.approx((0, 0, 0), abs=1e-6)
        assert fold.ear.from_mm == p.place_mm
        # Along its own line of 160 mm and no further.
        assert np.linalg.norm(np.subtract(p.place_mm, p.ends_mm)) == pytest.approx(160.0, abs=1e-6)
    # No section is given more than it wants: a fold that ran on would feed another line's too.
    assert fed.given_mm == pytest.approx(fed.wanted_mm, abs=0.5)
    through = fit_pleats(
        [replace(p, ends_mm=None) for p in place.pleats], place.corners, place.lines, place.sections, FILM, place.tapes,
        pressure_kpa=80.0, limit_mm=3.0,
    )  # fmt: skip
    assert max(through.given_mm - through.wanted_mm) > 50.0


def test_a_corner_of_three_walls_elsewhere_ends_no_fold(wedge):
    place = Place(*shapes.wedge(90, length=200, step=8.0), walls_mm=[(100.0, 120.0, 0.0)])
    assert all(p.ends_mm is None for p in place.pleats)


def test_folds_without_a_fellow_run_out_along_their_corner(wedge):
    one = replace(wedge.fitted().pleats[0], fold=7)
    (fold,) = folds_of([one], wedge.corners, wedge.lines, wedge.tapes[0])
    assert np.linalg.norm(np.subtract(fold.ear.to_mm, fold.ear.from_mm)) > 150.0


def test_a_part_of_a_way_is_as_long_as_asked_for():
    way = np.array([[0.0, 0.0], [30.0, 40.0], [30.0, 100.0]])
    assert part(way, 25.0, 70.0).tolist() == [[15.0, 20.0], [30.0, 40.0], [30.0, 60.0]]
    assert part(way, 50.0, 110.0 + 1e-9).tolist() == [[30.0, 40.0], [30.0, 100.0]]
    assert part(way, 0.0, 110.0).tolist() == way.tolist()


def test_folds_that_give_alike_are_made_alike_and_none_much_lower_than_the_highest():
    place = Place(*shapes.wedge(90, length=200, first=100, second=100, step=10.0))
    one = place.pleats[0]

    def fitted(*ends):
        pleats = [replace(one, place_mm=q, ends_mm=None, number=k + 1, at_m=0.1 * k) for k, q in enumerate(ends)]
        fed = fit_pleats(
            pleats, place.corners, place.lines, place.sections, FILM, place.tapes, pressure_kpa=80.0, limit_mm=3.0, most_mm=500.0
        )
        return [f.ear.height_mm for f in fed.folds], fed

    # Two folds along the corner, side by side: any share of both would feed it, and they take half each.
    alone, fed = fitted((0.0, 20.0, 0.0), (200.0, 20.0, 0.0))
    both, _ = fitted((0.0, 20.0, 0.0), (0.0, 0.0, 20.0), (200.0, 20.0, 0.0), (200.0, 0.0, 20.0))
    assert both == pytest.approx([0.5 * alone[0]] * 2, rel=1e-6)
    # One aslant to the other gives less for its height; with the least film it would be half as high, and it is as high.
    aslant, _ = fitted((0.0, 20.0, 0.0), (0.0, 60.0, 0.0), (200.0, 20.0, 0.0), (200.0, 0.0, 60.0))
    lean = 200.0 / np.hypot(200.0, 2 * 60.0 / np.sqrt(2.0))
    assert aslant == pytest.approx([alone[0] / (1 + lean)] * 2, rel=1e-3)
    # A fold across it gives no section anything, and is half as high as that which does.
    mixed, _ = fitted((0.0, 20.0, 0.0), (100.0, 100.0, 0.0), (200.0, 20.0, 0.0), (100.0, 0.0, 100.0))
    assert sorted(mixed) == pytest.approx([0.5 * alone[0], alone[0]], rel=1e-6)
    assert 2 * alone[0] == pytest.approx(fed.wanted_mm.max(), rel=1e-6)


def test_a_film_is_said_to_draw_where_it_is_pulled_as_hard_as_it_yields(wedge):
    taut = wedge.bench.state("taut", FILM, 80.0)
    assert taut.draws
    # Free of friction, with all the film it wants, it hangs slacker than that.
    bench = replace(wedge.bench, friction=0.0)
    fed = wedge.fitted()
    slack = bench.state("fed", FILM, 80.0, fed=fed, share=1.2)
    most = max(q.tension_n_per_m for q in (*slack.laid, *slack.held))
    assert slack.draws == (most >= 0.999e3 * FILM.yield_n_per_mm)
    assert not slack.draws
    assert most < 0.9e3 * FILM.yield_n_per_mm
    # A film that never yields never draws, however hard it is pulled.
    assert not bench.state("stiff", replace(FILM, yield_mpa=None, hardening_mpa=0.0), 80.0).draws

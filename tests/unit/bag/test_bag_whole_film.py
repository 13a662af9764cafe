"""A film laid whole over all within the tape, and pleats held to it."""

import math
from dataclasses import replace

import numpy as np
import pytest
import shapes

from plyflat.bag.corners import corner_sections, film_bends, hollow_lines
from plyflat.bag.feeding import fit_pleats
from plyflat.bag.film import Film, lay_film
from plyflat.bag.pleats import corners_of, place_pleats
from plyflat.bag.whole_film import Spread, WholeBench
from plyflat.bag.whole_search import Feeds, WholeFilm, whole_cures, whole_film
from plyflat.errors import StoppedError
from plyflat.surface.mesh import Surface

EVEN = Film("of even tension", 1000.0, 0.05, yield_mpa=18.0, drawn=True)
RADIUS = 10.0  # mm: 18 MPa times 0.05 mm over 90 kPa
NYLON = Film("nylon", 700.0, 0.05, yield_mpa=35.0, hardening_mpa=15.0, break_stretch=3.0)


def bench_over(v, f, film, *, pressure=90.0, limit=1.0, offset=0.0, points=1200):
    surface = Surface(v, f)
    return WholeBench(surface, tuple(hollow_lines(surface, scale_mm=15.0)), film, pressure, limit, offset, points, 1.15)


@pytest.mark.reference(
    source="arc of T/p between two walls: r (1/sin(a/2) - 1), r^2 (cot(a/2) - (pi - a)/2)", kind="derived"
)
@pytest.mark.parametrize("offset", [0.0, 2.0])
def test_over_a_square_corner_it_is_an_arc(offset):
    length = 120.0
    bench = bench_over(*shapes.wedge(90, length=length, first=50, second=50, step=8.0), EVEN, offset=offset)
    state, _ = bench.laid("drawn taut", bench.drawn())
    middle = np.abs(state.places_mm[:, 0] - length / 2) < 25
    exact = RADIUS * (math.sqrt(2) - 1)
    # A film that is at rest to two hundredths of the pressure is that much and more from where it ends.
    assert state.gap_mm[middle].mean() == pytest.approx(exact, rel=0.08)
    low, high = state.range_mm[middle].T
    assert (low <= state.gap_mm[middle]).all()
    assert (high - low < 0.5).all()
    assert high.mean() > exact
    # At both ends the tape holds the film down in the corner; over less than a radius it is away from that.
    full = RADIUS**2 * (1 - math.pi / 4)
    assert full * (length - 2 * RADIUS) < state.volume_mm3 < full * length
    # A film on an arc takes 2.2 of the 10 mm that it leaves of each wall to stand a quarter of a mm off.
    off = 2 * (RADIUS - math.sqrt(0.5 * RADIUS - 0.0625))
    assert off * (length - 2 * RADIUS) < state.area_mm2 < off * length * 1.03
    assert state.resin_g == pytest.approx(1.15e-3 * state.volume_mm3)
    assert state.over_mm == pytest.approx(length, rel=0.1)


@pytest.mark.reference(
    source="convex obstacle problem of constant mean curvature in the corner of a cube: gap 1.1743 T/p", kind="derived"
)
@pytest.mark.parametrize("offset", [0.0, 1.5])
def test_where_three_walls_meet(offset):
    film = replace(EVEN, yield_mpa=36.0)
    bench = bench_over(*shapes.three_planes(size=120.0, step=6.0), film, offset=offset)
    state, _ = bench.laid("drawn taut", bench.drawn())
    assert state.worst_mm == pytest.approx(1.1743 * 20, rel=0.03)
    assert np.linalg.norm(state.worst_place_mm) < 1.0


@pytest.fixture(scope="module")
def corner():
    """A square corner with pleats as its sections ask for them."""
    v, f = shapes.wedge(90, length=100, first=70, second=70, step=10.0)
    bench = bench_over(v, f, NYLON, pressure=80.0, limit=3.0, offset=1.0, points=400)
    lines = bench.lines
    sections = corner_sections(bench.patch, lines, allowed_mm=7.2)
    corners = corners_of(lines, sections)
    tape = bench.patch.vertices_mm[bench.patch.boundary_loops[0]]
    pleats = place_pleats(
        bench.patch, tape, lines, corners, film_bends(bench.patch, scale_mm=15), pressure_kpa=15.0, tension_n_per_m=1750.0, friction=0.3
    )
    fed = fit_pleats(pleats, corners, lines, sections, NYLON, (tape,), pressure_kpa=80.0, limit_mm=3.0)
    return bench, fed, Feeds(corners, lines, sections, (tape,))


def lower(fed, feeds, share):
    """The same pleats with a share of their film."""
    made = [replace(p, needs_mm=share * p.needs_mm, height_mm=share * p.needs_mm + p.margin_mm) for p in fed.pleats]
    return feeds.fed(made, fed.wanted_mm)


def test_pleats_that_feed_enough_keep_the_limit_and_no_more_is_tried(corner):
    bench, fed, feeds = corner
    whole, _ = whole_film(bench, fed, feeds)
    assert whole.taut.worst_mm > 2 * bench.limit_mm
    assert whole.met
    assert [q.better for q in whole.tries] == [True]
    assert whole.last is whole.best.state
    assert whole.last.wrinkled > whole.taut.wrinkled
    assert whole.taut.drawn_mm2 > 0


@pytest.fixture(scope="module")
def short(corner):
    """Pleats with three quarters of their film, and the whole film with them raised once."""
    bench, fed, feeds = corner
    few = lower(fed, feeds, 0.75)
    return few, whole_film(bench, few, feeds, rounds=1)[0]


def test_pleats_that_feed_too_little_are_raised_where_the_film_stands_off(corner, short):
    bench, _, _ = corner
    few, whole = short
    first, second = whole.tries
    assert first.state.worst_mm > bench.limit_mm
    assert second.what.startswith("pleats ")
    assert second.fed.pleats[0].needs_mm == pytest.approx(1.25 * few.pleats[0].needs_mm)
    assert second.fed.pleats[0].height_mm == pytest.approx(second.fed.pleats[0].needs_mm + 15.0)
    assert second.fed.given_mm.max() == pytest.approx(1.25 * few.given_mm.max())
    assert whole.best.state.worst_mm < first.state.worst_mm


def test_no_fold_is_raised_higher_than_can_be_laid_flat_but_one_more_put_in_beside(corner):
    bench, fed, feeds = corner
    few = lower(fed, feeds, 0.3)
    flat = replace(feeds, most_mm=0.5 * few.pleats[0].needs_mm)
    whole, _ = whole_film(bench, few, flat, rounds=1)
    assert whole.tries[1].what.startswith("one more fold")
    assert len(whole.tries[1].fed.folds) == len(few.folds) + 1


def test_a_fillet_and_a_softer_film_are_laid_whole(corner):
    bench, fed, feeds = corner
    drawn = bench.drawn()
    taut, _ = bench.laid("drawn taut", drawn)
    whole = whole_cures(bench, WholeFilm(bench.hull, 1.0, 3.0, taut, ()), drawn, fillet_mm=16.0, others=[EVEN])
    kinds = {q.kind: q for q in whole.cures}
    assert kinds["fillet"].state.worst_mm < 0.5 * taut.worst_mm
    # Nothing but what draws: the free radius is the tension over the pressure.
    free = 18.0 * 0.05 * 1000 / bench.pressure_kpa
    assert kinds["other film"].state.worst_mm == pytest.approx(free * (math.sqrt(2) - 1), rel=0.08)
    assert kinds["other film"].state.worst_mm < 0.5 * taut.worst_mm
    assert whole.last is taut
    assert not whole.met


def test_cells_are_no_longer_split_where_hardly_any_are_left(corner):
    bench, _, _ = corner
    drawn = bench.drawn()
    marked = bench._to_split(drawn, 10_000)
    share = 1.5 * marked.sum() / len(drawn.points_mm)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("plyflat.bag.whole_film.LEAST_MORE", 1.01 * share)
        assert bench._to_split(drawn, 10_000) is None
        patch.setattr("plyflat.bag.whole_film.LEAST_MORE", 0.99 * share)
        assert (bench._to_split(drawn, 10_000) == marked).all()


def test_a_film_that_lies_is_taken_up_again_limp_and_stays(corner):
    bench, fed, _ = corner
    ears = [f.ear for f in fed.folds]
    lying, spread = bench.laid("with its pleats", bench.drawn(), ears, finer=False)
    ramps = []

    def seen(*args, limp, ramp, **keys):
        ramps.append((limp, ramp))
        return lay_film(*args, limp=limp, ramp=ramp, **keys)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("plyflat.bag.whole_film.lay_film", seen)
        again, _ = bench.laid("again", spread, ears, finer=False, again=True)
    assert ramps == [(True, (1.0,))]
    # It is at rest: nothing lifts it off first.
    assert (again.film_mm == lying.film_mm).all()


def test_another_film_bursts_at_its_own_break(corner):
    bench, _, _ = corner
    drawn = bench.drawn()
    frail = replace(NYLON, name="frail", break_stretch=1.06)
    state, _ = bench.laid("frail", drawn, film=frail, finer=False)
    assert state.stretch > 1.06
    assert state.bursts
    assert not replace(bench, film=frail).laid("tough", drawn, film=replace(NYLON, break_stretch=20.0), finer=False)[0].bursts


def test_cures_are_laid_with_the_pleats_too_and_a_larger_fillet_where_none_does(corner, short):
    bench, _, _ = corner
    _, whole = short
    strict = replace(bench, limit_mm=0.5)
    cured = whole_cures(strict, whole, strict.drawn(), fillet_mm=5.0)
    assert len(cured.cures) == 3
    bare, pleated, larger = (
        next(q.state for q in cured.cures if q.what.startswith(w))
        for w in ("a fillet of 5 mm, no", "a fillet of 5 mm and", "a fillet of 8 mm and")
    )
    # What fills the corner and what feeds it add up.
    assert pleated.worst_mm < 0.7 * bare.worst_mm
    assert larger.worst_mm < pleated.worst_mm


def test_the_same_film_is_laid_the_same_way_twice(corner, short):
    bench, _, _ = corner
    few, whole = short
    again, _ = bench.laid("with its pleats", bench.drawn(), [f.ear for f in few.folds])
    assert (whole.tries[0].state.film_mm == again.film_mm).all()


def test_it_can_be_stopped_on_the_way(corner):
    bench, fed, feeds = corner
    told = []

    def stop(stage, done):
        told.append(stage)
        if stage == "with its pleats":
            raise StoppedError("stopped")

    with pytest.raises(StoppedError):
        whole_film(bench, fed, feeds, progress=stop)
    assert told[0] == "whole film drawn taut"


def test_cells_are_split_near_the_corners_as_long_as_there_are_points(corner):
    bench, _, _ = corner
    drawn = bench.drawn()
    spread = Spread(drawn.mesh, drawn.points_mm)
    marked = bench._to_split(spread, 10_000)
    assert marked is not None
    assert bench._to_split(spread, len(spread.points_mm) // 2) is None
    fine = spread.split(marked)
    assert len(fine.points_mm) > len(spread.points_mm)
    assert fine.mesh.rest_areas_mm2.sum() == pytest.approx(drawn.mesh.rest_areas_mm2.sum())

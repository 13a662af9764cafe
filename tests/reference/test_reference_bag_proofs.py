"""A bag's film, its pleats and what it might crush, by ways that the other checks of the bag do not go."""

import math
from dataclasses import replace

import fast_simplification
import numpy as np
import pytest
import shapes
from shapely import LineString, Polygon

from plyflat.bag._film_ground import Ground
from plyflat.bag._film_mesh import even_triangles, strip
from plyflat.bag.corners import corner_sections, film_bends, hollow_lines
from plyflat.bag.feeding import fed_by, fit_pleats
from plyflat.bag.film import Film, FilmMesh, Hold, lay_film
from plyflat.bag.film_states import Bench, fillet_wanted_mm
from plyflat.bag.pleats import Pleat, corners_of, place_pleats
from plyflat.bag.reach import find_bridging
from plyflat.bag.section_film import lay_over_section, stuck
from plyflat.filming import tube_notes
from plyflat.job.film import Hollow
from plyflat.job.model import Bag
from plyflat.shop.vacuum import tube_collapse_kpa
from plyflat.surface.cut import refine
from plyflat.surface.mesh import Surface

#: 1000 N/m at 50 kPa: a free radius of 20 mm.
BALL = {"pressure_kpa": 50.0, "tension_n_per_m": 1000.0}
NYLON = Film("nylon", 700.0, 0.05, yield_mpa=35.0, hardening_mpa=15.0)


def drawn(radius_mm, pressure_kpa):
    """A film of the same tension everywhere, as great as a free radius wants."""
    return Film("drawn", 1000.0, 1.0, poisson=0.0, yield_mpa=radius_mm * pressure_kpa * 1e-3, drawn=True)


class Floor(Ground):
    """A level floor."""

    def __init__(self, depth):
        self.depth = depth

    def look(self, points):
        return points[:, 2] + self.depth, np.tile([0.0, 0.0, 1.0], (len(points), 1))


def level(outline, cell):
    """Film level on z = 0 within an outline, held round its edge."""
    flat, faces, rims = even_triangles([outline], cell)
    points = np.column_stack([flat, np.zeros(len(flat))])
    return FilmMesh(points, faces, flat[faces], Hold.loose(len(flat)).fixed(np.concatenate(rims)))


# -- nearly flat films that reach a floor ------------------------------------------------------------------------------
@pytest.mark.reference(source="T z'' = p from a rim to a floor it meets level: touches at sqrt(2 T D / p)", kind="derived")
def test_a_nearly_flat_film_touches_the_floor_of_a_trench():
    radius, deep = 400.0, 0.5
    touches = math.sqrt(2 * radius * deep)
    assert touches == pytest.approx(20.0)
    mesh = strip([[0, 0, 0], [60, 0, 0]], cells=120)
    # Its vertices drift along the film for ever; its shape is at rest.
    laid = lay_film(mesh, Floor(deep), drawn(radius, 0.9), pressure_kpa=0.9, tolerance=1e-3, most_steps=40)
    x, _, z = laid.vertices_mm[:121].T
    true = -deep + np.maximum(touches - np.minimum(x, 60 - x), 0.0) ** 2 / (2 * radius)
    assert z == pytest.approx(true, abs=0.01 * deep)


@pytest.mark.reference(
    source="Poisson's equation on a ring, level where it meets the floor: D = p/2T ((a^2 - b^2)/2 - b^2 ln(a/b))",
    kind="derived",
)
def test_a_nearly_flat_film_touches_the_floor_of_a_round_well():
    a, b, radius = 30.0, 15.0, 150.0

    def below(r):
        return ((a * a - r * r) / 2 - b * b * np.log(a / r)) / (2 * radius)

    deep = float(below(b))
    turn = np.linspace(0, 2 * np.pi, 94, endpoint=False)
    film = level(a * np.column_stack([np.cos(turn), np.sin(turn)]), 2.0)
    laid = lay_film(film, Floor(deep), drawn(radius, 0.9), pressure_kpa=0.9, tolerance=1e-3, most_steps=60)
    assert laid.converged
    r, z = np.hypot(*laid.vertices_mm[:, :2].T), laid.vertices_mm[:, 2]
    assert (r < b).sum() > 100 < (r > b).sum()
    assert -z == pytest.approx(below(np.clip(r, b, a)), abs=0.015 * deep)


# -- the figures of one corner, by the sections of a plan ----------------------------------------------------------------
@pytest.mark.reference(source="a film of k = 50 N/mm in a square corner of 100 mm walls, by hand: 85.671 mm", kind="derived")
def test_the_sections_of_a_plan_give_the_radius_worked_out_by_hand():
    surface = Surface(*shapes.wedge(90, length=80, first=100, second=100, step=5.0))
    section = corner_sections(surface, hollow_lines(surface), allowed_mm=7.0)[0]
    assert (section.path_mm, section.taut_path_mm) == pytest.approx((200.0, 100 * math.sqrt(2)), rel=1e-6)
    found = lay_over_section(section, Film("stiff", 1000.0, 0.05, poisson=0.0), pressure_kpa=90.0)
    assert found.radius_mm == pytest.approx(85.671, rel=0.005)
    assert found.tension_n_per_m == pytest.approx(7710.4, rel=0.005)
    assert found.depth_mm == pytest.approx(35.486, rel=0.005)
    assert found.area_mm2 == pytest.approx(1575.08, rel=0.01)


# -- where three walls meet, on a mesh -----------------------------------------------------------------------------------
@pytest.mark.reference(
    source="convex obstacle problem of constant mean curvature in the corner of a cube: gap 1.1743 T/p", kind="derived"
)
def test_the_film_where_three_meshed_walls_meet_lies_between_two_balls():
    reach, cell, radius = 130.0, 8.0, 20.0
    side = reach * math.sqrt(2.0)
    outline = np.array([[0, 0], [side, 0], [side / 2, side * math.sqrt(3.0) / 2]])
    flat, faces, rims = even_triangles([outline], cell)
    weights = np.linalg.solve(np.vstack([outline.T, np.ones(3)]), np.vstack([flat.T, np.ones(len(flat))])).T
    mesh = FilmMesh(weights @ (reach * np.eye(3)), faces, flat[faces], Hold.loose(len(flat)).fixed(rims[0]))
    walls = Surface(*shapes.three_planes(size=200.0, step=10.0))
    laid = lay_film(mesh, walls, drawn(radius, 90.0), pressure_kpa=90.0, most_steps=60)
    gap = laid.gap_over_mm([[0, 0, 0]])[0]
    (spot,) = find_bridging(walls, **BALL).spots
    assert gap == pytest.approx(1.1743 * radius, rel=0.03)
    assert spot.depth_mm < gap < spot.depth_most_mm
    assert (spot.depth_mm, spot.depth_most_mm) == pytest.approx((0.732051 * radius, 2 * 0.732051 * radius), rel=2e-3)


# -- a hull turned, mirrored or split finer has the same bag ----------------------------------------------------------------
def bag_on(surface):
    """What the sections and the pleats of a bag come to: how far off, how much is wanted, how high."""
    lines = hollow_lines(surface)
    sections = corner_sections(surface, lines, allowed_mm=7.2)
    corners = corners_of(lines, sections)
    tape = surface.vertices_mm[surface.boundary_loops[0]]
    pleats = place_pleats(
        surface, tape, lines, corners, film_bends(surface), pressure_kpa=15.0, tension_n_per_m=1750.0, friction=0.3
    )
    fed = fit_pleats(pleats, corners, lines, sections, NYLON, (tape,), pressure_kpa=80.0, limit_mm=3.0)
    depths = [lay_over_section(s, NYLON, pressure_kpa=80.0).depth_mm for s in sections]
    return corners, fed, max(depths)


@pytest.fixture(scope="module")
def step():
    """A step with an inside and an outside corner, and its bag."""
    surface = Surface(*shapes.swept([[-120, 90], [-120, 0], [30, 0], [60, -30], [150, -30]], 240, 12.0))
    return surface, bag_on(surface)


@pytest.mark.reference(source="lengths and heights do not change under rotations and reflections", kind="derived")
@pytest.mark.parametrize("way", ["turned", "mirrored"])
def test_a_turned_or_mirrored_hull_has_the_same_pleats(step, way):
    surface, (corners, fed, depth) = step
    v, f = surface.vertices_mm, surface.faces
    other = Surface(shapes.turned(v, seed=7), f) if way == "turned" else Surface(v * [1, -1, 1], f[:, ::-1])
    same_corners, same_fed, same_depth = bag_on(other)
    assert [c.slack_mm for c in same_corners] == pytest.approx([c.slack_mm for c in corners], rel=0.01)
    assert same_depth == pytest.approx(depth, rel=0.01)
    assert sorted(p.height_mm for p in same_fed.pleats) == pytest.approx(
        sorted(p.height_mm for p in fed.pleats), rel=0.01
    )


@pytest.mark.reference(source="splitting flat triangles leaves the surface what it was", kind="derived")
def test_a_hull_split_finer_has_the_same_pleats(step):
    surface, (corners, fed, depth) = step
    same_corners, same_fed, same_depth = bag_on(refine(surface, 6.0).surface)
    assert [c.slack_mm for c in same_corners] == pytest.approx([c.slack_mm for c in corners], rel=0.01)
    assert same_depth == pytest.approx(depth, rel=0.02)
    assert sum(p.height_mm for p in same_fed.pleats) == pytest.approx(sum(p.height_mm for p in fed.pleats), rel=0.02)


# -- a rough scan ------------------------------------------------------------------------------------------------------
@pytest.mark.parametrize(("correlation", "seed"), [(0.0, 1), (3.0, 1), (3.0, 2)])
def test_a_millimetre_of_noise_on_uneven_triangles_round_a_hole_invents_no_bag(correlation, seed):
    v, f = shapes.scan_sheet(300, 240, 3.0, noise=1.0, correlation=correlation, seed=seed)
    v, f = fast_simplification.simplify(v, f.astype(np.int32), target_reduction=0.5)
    v, f = shapes.part_of(v, f, np.linalg.norm(v[f].mean(axis=1)[:, :2] - [120, 90], axis=1) > 15)
    surface = Surface(v, f.astype(np.int64))
    found = find_bridging(surface, pressure_kpa=80.0, tension_n_per_m=1750.0, least_mm=3.0)
    assert found.spots == ()
    assert found.noise_mm > 0.3
    # What hangs together over millimetres is a dent as well as noise: here and there it stays, nowhere twice as deep.
    assert (found.gap_mm > 1.0).mean() < 0.005
    assert found.gap_mm.max() < 2.0
    # Lines that such noise makes want no film, so no pleats are made for them.
    lines = hollow_lines(surface, scale_mm=15)
    corners = corners_of(lines, corner_sections(surface, lines, allowed_mm=7.2))
    tape = max((surface.vertices_mm[q] for q in surface.boundary_loops), key=len)
    wants = {"pressure_kpa": 15.0, "tension_n_per_m": 1750.0, "friction": 0.3}
    assert place_pleats(surface, tape, lines, corners, film_bends(surface, scale_mm=15), **wants) == ()


# -- tubes -------------------------------------------------------------------------------------------------------------
@pytest.mark.reference(
    source="a ring that keeps its length: bending energy against the work of pressure (Bresse 1866: p = 3 E I / R^3)",
    kind="derived",
)
@pytest.mark.parametrize(("wall", "poisson"), [(0.5, 0.3), (2.0, 0.0)])
def test_a_tube_buckles_where_bending_costs_no_more_than_the_pressure_gives(wall, poisson):
    count, radius, modulus = 120, 25.0, 10e3
    d = (np.roll(np.eye(count), -1, axis=0) - np.eye(count)) * count / (2 * np.pi)
    second = -d.T @ d
    bend = np.eye(count) + second
    # EI / R^3 times the square of w + w'' against p times that of w' less that of w.
    cost, work = bend.T @ bend, d.T @ d - np.eye(count)
    waves = np.linalg.eigh(second)[1]
    # A shift and an even squeeze are no buckling: the slowest three waves are left out.
    waves = waves[:, np.argsort(-np.diag(waves.T @ second @ waves))[3:]]
    least = np.linalg.eigvals(np.linalg.solve(waves.T @ work @ waves, waves.T @ cost @ waves)).real.min()
    assert least == pytest.approx(3.0, rel=2e-3)
    stiff = modulus * wall**3 / (12 * (1 - poisson**2))
    found = tube_collapse_kpa(modulus / 1e3, poisson=poisson, wall_mm=wall, radius_mm=radius)
    assert found == pytest.approx(1e3 * least * stiff / radius**3, rel=2e-3)


# -- what a fold gives a section ---------------------------------------------------------------------------------------
def end_of_fold(fold, x, y, height):
    return Pleat(0, 0.0, (x, y, 0.0), height, height, 0.0, "corner 1", y, True, 0, fold=fold)


@pytest.fixture(scope="module")
def trough():
    """Two square walls along x, their corner and its middle section, and the line of tape round them."""
    surface = Surface(*shapes.wedge(90, length=200, first=120, second=120, step=20.0))
    lines = hollow_lines(surface)
    sections = corner_sections(surface, lines, allowed_mm=7.2)
    middle = min(sections, key=lambda s: abs(s.place_mm[0] - 100.0))
    return lines, corners_of(lines, sections), (middle,), (surface.vertices_mm[surface.boundary_loops[0]],)


@pytest.mark.reference(source="a strip let into a plane along a fold moves its far side square to the fold", kind="derived")
@pytest.mark.parametrize("aslant", [0.0, 30.0, 50.0])
def test_a_fold_aslant_gives_a_section_less(trough, aslant):
    lines, corners, sections, tapes = trough
    height, x = 25.0, sections[0].place_mm[0]
    pleats = [end_of_fold(1, x - 40, 60 + aslant, height), end_of_fold(1, x + 40, 60 - aslant, height)]
    fed = fed_by(pleats, corners, lines, sections, tapes, wanted_mm=np.array([30.0]))
    # Seen square to the opening, where the walls lie aslant by 45 degrees; two places far on either side of the fold.
    way = np.array([80.0, -2 * aslant / math.sqrt(2.0)])
    shift = 2 * height * np.array([-way[1], way[0]]) / np.linalg.norm(way)
    far = 1e6
    longer = np.hypot(*(np.array([0.0, 2 * far]) + shift)) - 2 * far
    assert fed.given_mm == pytest.approx([longer], rel=1e-3)


def test_film_comes_from_the_nearest_fold_that_has_enough(trough):
    lines, corners, sections, tapes = trough
    x = sections[0].place_mm[0]

    def drawn_from(near, far, wanted):
        pleats = [end_of_fold(k, x + side, y, h) for k, (y, h) in enumerate(((30, near), (90, far)), 1) for side in (-60, 60)]
        return fed_by(pleats, corners, lines, sections, tapes, wanted_mm=np.array([wanted])).far_mm[0]

    assert drawn_from(20.0, 20.0, 30.0) == pytest.approx(30.0, abs=0.5)
    assert drawn_from(20.0, 20.0, 60.0) == pytest.approx(90.0, abs=0.5)
    assert drawn_from(5.0, 40.0, 30.0) == pytest.approx(90.0, abs=0.5)


def test_folds_that_serve_alike_are_made_alike(trough):
    lines, corners, sections, tapes = trough
    places = ((0.0, 10.0), (0.0, 50.0), (200.0, 10.0), (200.0, 50.0))
    pleats = [replace(end_of_fold(0, x, y, 0.0), place_mm=(x, y, 0.0)) for x, y in places]
    fed = fit_pleats(pleats, corners, lines, sections, NYLON, tapes, pressure_kpa=80.0, limit_mm=3.0)
    # Two folds along the corner, of which either could give it all: a quarter of the film wanted is the height of each.
    assert [p.height_mm for p in fed.pleats] == pytest.approx([fed.wanted_mm[0] / 4] * 4, rel=1e-6)


def test_folds_run_along_the_flanks_of_what_stands_up_not_over_it():
    v, f, foot = shapes.box_on_plate((140.0, 24.0, 60.0), 420.0)
    surface = refine(Surface(v, f), 15.0).surface
    lines = hollow_lines(surface, scale_mm=15)
    sections = corner_sections(surface, lines, allowed_mm=7.2)
    corners = corners_of(lines, sections)
    tape = surface.vertices_mm[surface.boundary_loops[0]]
    wants = {"pressure_kpa": 15.0, "tension_n_per_m": 1750.0, "friction": 0.3}
    pleats = place_pleats(surface, tape, lines, corners, film_bends(surface, scale_mm=15), **wants)
    fed = fit_pleats(pleats, corners, lines, sections, NYLON, (tape,), pressure_kpa=80.0, limit_mm=3.0)
    assert not len(fed.unfed)
    box = Polygon(foot[:, :2])
    ends = {k: [p.place_mm[:2] for p in fed.pleats if p.fold == k] for k in {p.fold for p in fed.pleats}}
    assert len(ends) >= 4
    for fold in ends.values():
        # On the plate beside it, and near enough that the film need not be drawn far.
        assert 2.0 < LineString(fold).distance(box) < 20.0
    assert fed.far_mm.max() < 40.0


# -- sums along a corner -------------------------------------------------------------------------------------------------
@pytest.mark.reference(source="a gap of one section all along a straight corner: its area times the length", kind="derived")
def test_what_a_film_leaves_along_a_straight_corner_is_its_section_times_the_length():
    surface = Surface(*shapes.wedge(90, length=300, first=120, second=120, step=10.0))
    lines = hollow_lines(surface)
    sections = corner_sections(surface, lines, allowed_mm=7.2)
    bench = Bench(sections, lines, 3.0, 0.3, 15.0, 1.15)
    plain = Film("plain", 700.0, 0.05, yield_mpa=35.0, hardening_mpa=0.0)
    taut = bench.state("taut", plain, 87.5)
    # 1750 N/m under 87.5 kPa: a free radius of 20 mm all along.
    assert taut.depth_mm == pytest.approx(20 * (math.sqrt(2) - 1), rel=0.01)
    # Where it leaves the walls by hundredths it counts as touching: a millimetre of each wall.
    assert taut.area_mm2 == pytest.approx(300 * 2 * 20, rel=0.05)
    assert taut.volume_mm3 == pytest.approx(300 * 0.214602 * 400, rel=0.01)
    assert taut.resin_g == pytest.approx(1.15e-3 * taut.volume_mm3)
    assert taut.over_mm == pytest.approx(300, rel=0.01)
    assert taut.draws
    firm = bench.state("firm", Film("firm", 700.0, 0.05), 87.5)
    assert not firm.draws
    assert firm.depth_mm > taut.depth_mm


@pytest.mark.reference(source="arcs from rim to rim of a slot, by hand: c h - (r^2 asin(c / 2r) - c/2 sqrt(r^2 - c^2 / 4))", kind="derived")
def test_a_gap_over_two_corners_is_counted_once():
    profile = [[-80, 0], [-15, 0], [-15, -40], [15, -40], [15, 0], [80, 0]]
    surface = Surface(*shapes.swept(profile, 200, 8.0))
    lines = hollow_lines(surface)
    assert len(lines) == 2
    bench = Bench(corner_sections(surface, lines, allowed_mm=7.2), lines, 3.0, 0.3, 15.0, 1.15)
    taut = bench.state("taut", Film("plain", 700.0, 0.05, yield_mpa=35.0, hardening_mpa=0.0), 87.5)
    room = 30 * 40 - (400 * math.asin(0.75) - 15 * math.sqrt(175))
    assert taut.volume_most_mm3 == pytest.approx(200 * room, rel=0.02)


@pytest.mark.reference(source="way over a square corner left round, over its chord", kind="derived")
def test_a_film_that_nothing_feeds_is_stretched_by_the_way_it_has_to_go(trough):
    (section,) = trough[2]
    found = stuck(section, NYLON, pressure_kpa=87.5)
    assert found.radius_mm == pytest.approx(20.0)
    assert found.stretch == pytest.approx((240 - (2 - math.pi / 2) * 20) / (120 * math.sqrt(2)), rel=1e-3)


def test_the_fillet_that_is_advised_keeps_the_limit_at_the_sharpest_corner_and_no_less_does():
    # A sharp corner and, all along beside it, a flat one that needs far less.
    profile = [[-90, 87], [-40, 0], [60, 0], [170, 77]]
    surface = Surface(*shapes.swept(profile, 400, 15.0))
    lines = hollow_lines(surface)
    bench = Bench(corner_sections(surface, lines, allowed_mm=7.2), lines, 1.0, 0.3, 15.0, 1.15)
    film = Film("plain", 700.0, 0.08, yield_mpa=35.0, hardening_mpa=0.0)
    radius = fillet_wanted_mm(bench, film, 80.0)
    assert 5 < radius < 35
    assert bench.state("fillet", film, 80.0, fillet_mm=radius).depth_most_mm <= 1.0
    assert bench.state("less", film, 80.0, fillet_mm=radius - 2).depth_most_mm > 1.0


@pytest.mark.parametrize(("times", "told"), [(0.8, True), (1.5, True), (2.2, False)])
def test_a_tube_is_told_until_it_bears_twice_the_vacuum(times, told):
    # E / (4 (1 - nu^2)) (t / R)^3 is so many times 80 kPa.
    wall = 25.0 * (times * 80.0 * 4 * (1 - 0.3**2) / 10e6) ** (1 / 3)
    tube = Hollow.model_validate({"what": "tube", "radius": "25 mm", "wall": f"{wall:.5f} mm", "modulus": "10 GPa"})
    notes = tube_notes(Bag.model_construct(hollow=(tube,)), 80.0)
    assert bool(notes) is told
    if told:
        assert f"buckles at {80 * times:.0f} kPa" in notes[0][0]

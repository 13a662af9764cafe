"""A film under vacuum against closed forms."""

import math

import numpy as np
import pytest
import shapely
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

from plyflat.bag import wedge
from plyflat.bag._film_ground import Ground
from plyflat.bag._film_mesh import as_cut, even_triangles, strip
from plyflat.bag.film import Closer, Film, FilmMesh, Hold, lay_film, ramp_film
from plyflat.bag.film_region import Ear, with_ears
from plyflat.surface.mesh import Surface

FILM = Film("stiff", 1000.0, 0.05, poisson=0.0)
AT_CORNER = math.sqrt(2.0) - 1.0


def drawn(radius_mm, pressure_kpa=90.0):
    """A film of the same tension everywhere, as great as a free radius wants."""
    return Film("drawn", 1000.0, 1.0, poisson=0.0, yield_mpa=radius_mm * pressure_kpa * 1e-3, drawn=True)


def square_corner(reach=500.0):
    """The walls x = 0 and z = 0, seen from x > 0, z > 0."""
    v = np.array([[0, -1, 0], [1, -1, 0], [1, 1, 0], [0, 1, 0], [0, -1, 1], [0, 1, 1]]) * reach
    return Surface(v, np.array([[0, 1, 2], [0, 2, 3], [0, 3, 5], [0, 5, 4]]))


def chord(cells):
    return strip([[0, 0, 100], [100, 0, 0]], cells=cells)


def corner_radius(laid):
    """Free radius, from the film's distance to the line where the walls meet."""
    return laid.gap_over_mm([[0, laid.vertices_mm[-1, 1] / 2, 0]])[0] / AT_CORNER


@pytest.mark.reference(
    source="arc tangent to both walls of a square corner: r = (a + b - L) / (kappa + p L / k)", kind="derived"
)
def test_an_elastic_film_in_a_square_corner():
    length = 100 * math.sqrt(2.0)
    true = (200 - length) / ((2 - math.pi / 2) + 0.09 * length / 50)
    assert true == pytest.approx(85.671, abs=1e-3)
    off = []
    for cells in (16, 32, 64):
        laid = lay_film(chord(cells), square_corner(), FILM, pressure_kpa=90.0, tolerance=1e-5)
        assert laid.converged
        off.append(abs(corner_radius(laid) / true - 1))
        assert laid.tension_n_per_m[cells // 2, 0] == pytest.approx(90 * true, rel=5e-3)
    # Of second order; what the film sinks into the walls stays.
    assert off[0] < 2e-3
    assert off[1] < 5e-4
    assert off[2] < 2e-4


@pytest.mark.reference(
    source="a film that sticks where it touches: stretch grows as r^-kappa/(pi - theta) from first touch",
    kind="derived",
)
def test_a_film_that_sticks_in_a_square_corner():
    n, first = 4 / math.pi - 1, math.pi / 2 / math.sqrt(2.0)
    low, high = 50.0, 100.0
    for _ in range(60):
        r = (low + high) / 2
        low, high = (r, high) if 50 * (first * (100 / r) ** n - 1) > 0.09 * r else (low, r)
    assert r == pytest.approx(86.485, abs=1e-3)
    found = []
    for steps in (6, 12, 24):
        ramp = np.geomspace(0.05, 1, steps)
        laid = lay_film(chord(64), square_corner(), FILM, pressure_kpa=90.0, friction=math.inf, ramp=ramp)
        found.append(corner_radius(laid))
    off = np.abs(np.array(found) - r)
    assert off[2] < 0.003 * r
    # Of first order in the steps of the load: a quarter with four times as many.
    assert off[1] < 0.7 * off[0]
    assert off[2] < 0.3 * off[0]


@pytest.mark.reference(source="a film longer than the way round a corner has no tension and lies in it", kind="derived")
@pytest.mark.parametrize("cells", [20, 40])
def test_a_limp_film_lies_in_the_corner(cells):
    mesh = strip([[0, 0, 100], [100, 0, 0]], cells=cells, cut_mm=206.0)
    laid = lay_film(mesh, square_corner(), FILM, pressure_kpa=90.0)
    assert laid.converged
    # What keeps its cells from crumpling may hold it off by a fifth of one, no more.
    assert corner_radius(laid) < 0.2 * 206.0 / cells


@pytest.mark.reference(source="arc tangent to both walls of a square corner: r = (a + b - L) / (kappa + p L / k)", kind="derived")
def test_a_fold_along_a_square_corner_gives_twice_its_height():
    long, wide, high = 100 * math.sqrt(2.0), 40.0, 25.0
    flat, faces, _ = even_triangles([np.array([[0, 0], [long, 0], [long, wide], [0, wide]])], 10.0)
    x, y = flat.T
    points = np.column_stack([x / math.sqrt(2), y, 100 - x / math.sqrt(2)])
    hold = Hold.loose(len(x)).across(np.flatnonzero((y < 1e-9) | (y > wide - 1e-9)), [0.0, 1.0, 0.0])
    hold = hold.fixed(np.flatnonzero((x < 1e-9) | (x > long - 1e-9)))
    mesh = with_ears(
        FilmMesh(points, faces, as_cut(points, faces), hold), [Ear((50.0, -100.0, 50.0), (50.0, 140.0, 50.0), high)]
    )
    corner = np.column_stack([np.zeros(9), np.linspace(0, wide, 9), np.zeros(9)])
    length = long + 2 * high
    depth = (math.sqrt(2.0) - 1) * (200 - length) / (2 - math.pi / 2 + 0.09 * length / 50)
    plain, close = (
        lay_film(mesh, square_corner(), FILM, pressure_kpa=90.0, closer=closer).gap_over_mm(corner[1:-1])
        for closer in (None, Closer(corner, (25.0, 12.0)))
    )
    assert close == pytest.approx(depth, rel=0.05)
    assert np.abs(close - depth).max() < 0.2 * np.abs(plain - depth).max()


SOFT = {"poisson": 0.0, "yield_mpa": 35.0}


@pytest.mark.reference(source="r = sigma t / p of films that yield, by hand", kind="derived")
def test_a_film_that_draws_without_hardening_in_a_square_corner():
    film = Film("plain", 700.0, 0.05, hardening_mpa=0.0, **SOFT)
    # Without hardening there is a rest wherever the draw gathers: the last of it is found on some paths only.
    laid = lay_film(chord(64), square_corner(), film, pressure_kpa=90.0, tolerance=2e-3, most_steps=80)
    assert laid.converged
    assert corner_radius(laid) == pytest.approx(19.444, rel=0.01)
    assert laid.tension_n_per_m[:, 0] == pytest.approx(1750.0, rel=1e-3)
    # Where the draw gathers is left open; all of it is at the yield.
    assert laid.drawn.any()


@pytest.mark.reference(
    source="two straight lines of tension over stretch, put into r = (a + b - L) / (kappa + p L / k)",
    kind="derived",
)
def test_a_film_that_draws_and_hardens_in_a_square_corner():
    length, stiff, limit, after = 100 * math.sqrt(2.0), 35.0, 1.75, 0.5
    series = stiff * after / (stiff + after)
    true = (limit + series * (200 / length - 1 - limit / stiff)) / (
        0.09 + series * (2 - math.pi / 2) / length
    )
    film = Film("plain", 700.0, 0.05, hardening_mpa=10.0, **SOFT)
    off = []
    for cells in (16, 64, 128):
        laid = lay_film(chord(cells), square_corner(), film, pressure_kpa=90.0, tolerance=1e-4, most_steps=80)
        assert laid.converged
        off.append(abs(corner_radius(laid) / true - 1))
    # The arc is a sixth of the strip: the coarsest has but two cells in it.
    assert off[1] < 0.01
    assert off[2] < 0.002
    assert off[1] < off[0] / 4
    assert laid.most_stretch == pytest.approx(1 + (200 - (2 - math.pi / 2) * true) / length - 1, rel=0.01)


@pytest.mark.reference(
    source="two straight lines of tension over stretch, put into r = (a + b - L) / (kappa + p L / k)", kind="derived"
)
def test_the_range_of_a_gap_holds_the_true_one():
    film = Film("plain", 700.0, 0.05, hardening_mpa=10.0, **SOFT)
    length, series = 100 * math.sqrt(2.0), 35 * 0.5 / 35.5
    true = (1.75 + series * (200 / length - 1.05)) / (0.09 + series * (2 - math.pi / 2) / length) * AT_CORNER
    wide = []
    for cells in (16, 32, 64):
        laid = lay_film(chord(cells), square_corner(), film, pressure_kpa=90.0, tolerance=1e-4, most_steps=80)
        low, high = laid.gap_range_mm([[0, laid.vertices_mm[-1, 1] / 2, 0]])[0]
        assert low <= true <= high
        wide.append(high - low)
    # Cells shrink with the film's draw as well.
    assert wide[0] < true
    assert np.divide(wide[:-1], wide[1:]) == pytest.approx([4.0, 4.0], rel=0.15)
    flat = laid.contact[laid.faces].all(axis=1)
    assert flat.any()
    assert (laid.sag_mm[flat] == 0).all()


class Valley(Ground):
    """Two walls that meet on the y axis, the air between them above, with a fillet in the corner."""

    def __init__(self, angle_deg, fillet):
        h = math.radians(angle_deg / 2)
        self.along = np.array([[-math.sin(h), 0, math.cos(h)], [math.sin(h), 0, math.cos(h)]])
        self.out = np.array([[math.cos(h), 0, math.sin(h)], [-math.cos(h), 0, math.sin(h)]])
        self.fillet, self.ends, self.centre = (
            fillet,
            fillet / math.tan(h),
            np.array([0, 0, fillet / math.sin(h)]),
        )

    def look(self, points):
        away = points @ self.out.T
        near = away.argmin(axis=1)
        round_ = (points @ self.along.T < self.ends).all(axis=1)
        to = (self.centre - points) * [1, 0, 1]
        size = np.linalg.norm(to, axis=1)
        far = np.where(round_, self.fillet - size, away[np.arange(len(points)), near])
        return far, np.where(round_[:, None], to / np.maximum(size, 1e-12)[:, None], self.out[near])


@pytest.mark.reference(
    source="arc of T/p between two walls: r (1/sin(a/2) - 1), r^2 (cot(a/2) - (pi - a)/2), less those of a fillet",
    kind="derived",
)
@pytest.mark.parametrize("fillet", [0.0, 10.0])
@pytest.mark.parametrize("angle", [45, 60, 75, 90, 105, 120, 135, 150, 165])
def test_a_film_of_even_tension_between_two_walls(angle, fillet):
    h = math.radians(angle / 2)
    wall = 20 / math.tan(h) + 12.0
    end = wall * np.array([math.sin(h), 0.0, math.cos(h)])
    cells = 96 if angle < 150 else 160
    ground = Valley(angle, fillet)
    # Its vertices drift along the film for ever; its shape is at rest.
    laid = lay_film(
        strip([end * [-1, 1, 1], end], cells=cells),
        ground,
        drawn(20.0),
        pressure_kpa=90.0,
        tolerance=3e-3,
        most_steps=60 if angle < 75 else 30,
    )
    want, filled = wedge.wedge_gap(angle, 20.0, fillet_mm=fillet), wedge.wedge_gap(angle, fillet)
    apex = [0.0, laid.vertices_mm[-1, 1] / 2, fillet * (1 / math.sin(h) - 1)]
    assert laid.gap_over_mm([apex])[0] == pytest.approx(want.depth_mm, rel=0.01)
    # What it sinks into the walls is taken out.
    far, out = ground.look(laid.vertices_mm)
    line = (laid.vertices_mm - np.minimum(far, 0.0)[:, None] * out)[: cells + 1][:, [0, 2]]
    way = np.linalg.norm(np.diff(line, axis=0), axis=1).sum()
    assert 2 * wall - filled.missing_mm - way == pytest.approx(want.missing_mm, rel=0.01)
    assert shapely.Polygon([(0, 0), *line[::-1]]).area - filled.area_mm2 == pytest.approx(
        want.area_mm2, rel=0.01
    )


def long_walls(cells, wall=300.0, short=20.0):
    """Film lying unstretched on both walls, `short` of reaching round the corner."""
    length = 2 * wall - short
    mesh = strip([[0, 0, wall], [wall, 0, 0]], cells=cells, cut_mm=length, width_mm=length / cells)
    s = np.linspace(0, length, cells + 1)
    x = np.where(s > length / 2, s - length / 2 + short / 2, 0.0)
    z = np.where(s < length / 2, length / 2 - s + short / 2, 0.0)
    x[cells // 2] = z[cells // 2] = short / 4
    points = mesh.points_mm.copy()
    points[:, 0], points[:, 2] = np.tile(x, 2), np.tile(z, 2)
    return FilmMesh(points, mesh.faces, mesh.rest_mm, mesh.hold)


def history(pressures, mu=0.3, stiff=50.0, wall=300.0, short=20.0, count=6001):
    """Radius after a ramp: tension on the wall is what it was or what friction lets through, whichever is more."""
    x = np.linspace(0, wall, count)
    old = np.zeros(count)
    for p in pressures:
        low, high = 1.0, 200.0
        for _ in range(60):
            r = (low + high) / 2
            on = x >= r
            pull = np.maximum(old, p * r - mu * p * (x - r))
            # First lengths: of the arc, and of what lies on the walls; together the cut length.
            arc = r * math.pi / 2 / (1 + p * r / stiff)
            flat = 1 / (1 + pull / stiff)
            cut = arc + 2 * np.trapezoid(np.where(on, flat, 0.0), x)
            low, high = (low, r) if cut < 2 * wall - short else (r, high)
        old = np.where(x >= r, np.maximum(old, p * r - mu * p * (x - r)), p * r)
    return r


@pytest.mark.reference(
    source="Coulomb on a flat wall: dT/dx = mu p, the tension of each place kept as the pressure rises",
    kind="derived",
)
def test_a_film_with_friction_in_a_square_corner():
    pressures = 90.0 * np.geomspace(0.05, 1, 10)
    assert history(90e-3 * np.geomspace(0.05, 1, 200)) == pytest.approx(28.96, abs=0.03)
    laid = ramp_film(long_walls(128), square_corner(), FILM, pressures_kpa=pressures, friction=0.3)
    assert all(one.converged for one in laid)
    assert corner_radius(laid[0]) == pytest.approx(history(pressures[:1] * 1e-3), rel=0.01)
    assert corner_radius(laid[-1]) == pytest.approx(28.96, rel=0.02)


@pytest.mark.reference(source="a film over a trench is an arc: sag r - sqrt(r^2 - c^2 / 4)", kind="derived")
def test_sag_over_a_trench():
    off = []
    for cells in (20, 40):
        laid = lay_film(
            strip([[0, 0, 0], [30, 0, 0]], cells=cells),
            None,
            drawn(20.0),
            pressure_kpa=90.0,
            tolerance=1e-4,
            most_steps=80,
        )
        off.append(abs(-laid.vertices_mm[:, 2].min() - 6.771))
    assert off[0] < 0.01
    assert off[1] < 0.4 * off[0] + 1e-3


@pytest.mark.reference(source="a film nearly flat sags by p c^2 / (8 T)", kind="derived")
def test_sag_over_a_trench_when_small():
    tight = drawn(200.0, pressure_kpa=0.9)
    laid = lay_film(strip([[0, 0, 0], [30, 0, 0]], cells=40), None, tight, pressure_kpa=0.9, tolerance=1e-6)
    assert -laid.vertices_mm[:, 2].min() == pytest.approx(30**2 / (8 * 200), rel=0.003)


@pytest.mark.reference(
    source="elastic film over a trench: k (L / c - 1) = p r on the arc of length L over the chord c",
    kind="derived",
)
def test_it_converges_with_the_square_of_its_cells():
    def over(r):
        return 50 * (2 * r * math.asin(30 / r) / 60 - 1) - 0.09 * r

    r = brentq(over, 30.001, 1e3)
    off = []
    for cells in (10, 20, 40, 80):
        mesh = strip([[0, 0, 0], [60, 0, 0]], cells=cells)
        laid = lay_film(mesh, None, FILM, pressure_kpa=90.0, tolerance=1e-8, most_steps=60)
        off.append(-laid.vertices_mm[:, 2].min() - (r - math.sqrt(r * r - 900)))
    assert np.log2(np.divide(off[:-1], off[1:])) == pytest.approx([2.0] * 3, abs=0.05)


class Floor(Ground):
    """A level floor."""

    def __init__(self, depth):
        self.depth = depth

    def look(self, points):
        return points[:, 2] + self.depth, np.tile([0.0, 0.0, 1.0], (len(points), 1))


@pytest.mark.reference(source="arc from a rim onto a floor: touches at sqrt(2 r D - D^2)", kind="derived")
def test_a_film_that_reaches_the_floor_of_a_trench():
    mesh = strip([[0, 0, 0], [60, 0, 0]], cells=120)
    laid = lay_film(mesh, Floor(10.0), drawn(20.0), pressure_kpa=90.0, tolerance=1e-3, most_steps=60)
    line = laid.vertices_mm[:121]
    touches = wedge.trench_touch_mm(10.0, 20.0)
    assert touches == pytest.approx(17.321, abs=1e-3)
    free = line[(line[:, 0] < touches - 1) & (line[:, 0] > 0)]
    assert len(free) > 10
    assert np.hypot(free[:, 0] - touches, free[:, 2] - 10) == pytest.approx(20.0, rel=2e-3)
    assert line[laid.contact[:121], 0].min() == pytest.approx(touches, abs=0.6)


def level(outline, cell):
    """Film level on z = 0 within an outline, held round its edge."""
    flat, faces, rims = even_triangles([outline], cell)
    points = np.column_stack([flat, np.zeros(len(flat))])
    return FilmMesh(points, faces, flat[faces], Hold.loose(len(flat)).fixed(rims[0]))


def circle(radius, cell):
    turn = 2 * np.pi * np.arange(int(2 * np.pi * radius / cell)) / int(2 * np.pi * radius / cell)
    return radius * np.column_stack([np.cos(turn), np.sin(turn)])


@pytest.mark.reference(source="a soap film over a round well is a cap of radius 2 T/p", kind="derived")
def test_sag_over_a_round_well():
    true = 40 - math.sqrt(40**2 - 32**2)
    off = []
    for cell in (8.0, 4.0, 2.0):
        laid = lay_film(level(circle(32.0, cell), cell), None, drawn(20.0), pressure_kpa=90.0, tolerance=1e-3)
        assert laid.converged
        off.append(abs(-laid.vertices_mm[:, 2].min() / true - 1))
    # No vertex need lie in the middle, and those of a soap film drift: hardly of first order.
    assert off[0] < 0.012
    assert off[1] < 0.6 * off[0]
    assert off[2] < 0.8 * off[1]


@pytest.mark.reference(source="a film nearly flat over a round well sags by p a^2 / (4 T)", kind="derived")
def test_sag_over_a_round_well_when_small():
    tight = drawn(400.0, pressure_kpa=0.9)
    laid = lay_film(level(circle(32.0, 4.0), 4.0), None, tight, pressure_kpa=0.9, tolerance=1e-4)
    assert laid.converged
    assert -laid.vertices_mm[:, 2].min() == pytest.approx(32**2 / (4 * 400), rel=0.005)


def round_well(opening, pressure, stiff, nu, limit, after):
    """Stretch and nominal tension in the middle and sag of a drawn film over a round well, from the middle outwards.

    With x where what lay at R comes to, and N = R t1: N sin(slope) = p x^2 / 2 upwards, N' = t2 cos(slope) along.
    """

    def both(stretch):
        elastic = stiff / (1 - nu) * (stretch - 1)
        return elastic if elastic < limit else (stretch - 1 + limit / after) / ((1 - nu) / stiff + 1 / after)

    def slopes(at, now):
        x, force, _ = now
        t1, e2 = force / at, x / at - 1
        t2 = stiff * e2 + nu * t1
        if t2 > limit:
            t2 = (e2 + nu * t1 / stiff + limit / after) / (1 / stiff + 1 / after)
        along = 1 + (t1 - nu * t2) / stiff + max(t1 - limit, 0) / after
        sine = pressure * x * x / (2 * force)
        cosine = math.sqrt(1 - sine * sine)
        return [along * cosine, t2 * cosine, along * sine]

    def run(stretch):
        start = 1e-3 * opening
        first = [stretch * start, both(stretch) * start, 0.0]
        return solve_ivp(slopes, (start, opening), first, rtol=1e-9, atol=1e-12).y[:, -1]

    middle = brentq(lambda stretch: run(stretch)[0] - opening, 1.1, 1.5)
    return middle, both(middle), run(middle)[2]


@pytest.mark.reference(
    source="a drawn film of revolution integrated from its middle; r = 2 T / p there, Laplace 1806",
    kind="derived",
)
def test_a_drawn_film_over_a_round_well():
    middle, pull, sag = round_well(25.0, 0.09, 35.0, 0.4, 1.75, 0.5)
    film = Film("bag film", 700.0, 0.05, yield_mpa=35.0, hardening_mpa=10.0)
    off = []
    for cell in (4.0, 2.0):
        laid = lay_film(level(circle(25.0, cell), cell), None, film, pressure_kpa=90.0, tolerance=1e-4)
        assert laid.converged
        off.append(abs(-laid.vertices_mm[:, 2].min() / sag - 1))
    assert off[1] < 0.01
    assert off[1] < 0.6 * off[0]
    assert laid.most_stretch == pytest.approx(middle, rel=0.01)
    # A sphere through the middle of it has the radius that its tension, per width as it lies, asks for.
    v = laid.vertices_mm
    q = v[np.hypot(v[:, 0], v[:, 1]) < 12]
    *centre, rest = np.linalg.lstsq(
        np.column_stack([2 * q, np.ones(len(q))]), (q * q).sum(axis=1), rcond=None
    )[0]
    radius = math.sqrt(rest + np.dot(centre, centre))
    inner = np.hypot(*v[laid.faces].mean(axis=1)[:, :2].T) < 12
    assert laid.drawn[inner].all()
    assert radius == pytest.approx(2 * laid.tension_n_per_m[inner].mean() / 90, rel=0.015)
    assert radius == pytest.approx(2e3 * pull / middle / 90, rel=0.02)


class Pit(Ground):
    """A spherical pit whose edge lies on z = 0."""

    def __init__(self, radius, opening):
        self.radius, self.centre = radius, np.array([0.0, 0.0, math.sqrt(radius**2 - opening**2)])

    def look(self, points):
        away = self.centre - points
        size = np.linalg.norm(away, axis=1)
        return self.radius - size, away / size[:, None]


@pytest.mark.reference(
    source="a soap film fills a spherical pit of radius 2 T/p and more, and no smaller one", kind="derived"
)
def test_a_spherical_pit():
    filled = lay_film(level(circle(60.0, 6.0), 6.0), Pit(80.0, 60.0), drawn(30.0), pressure_kpa=90.0)
    assert filled.gap_mm.max() < 0.1
    assert filled.contact.all()
    hollow = lay_film(level(circle(60.0, 6.0), 6.0), Pit(80.0, 60.0), drawn(50.0), pressure_kpa=90.0)
    # The cap of radius 100 through the same edge.
    true = (80 - math.sqrt(80**2 - 60**2)) - (100 - math.sqrt(100**2 - 60**2))
    assert hollow.gap_mm.max() == pytest.approx(true, rel=0.03)


class Cone(Ground):
    """A conical pit, its tip at the origin."""

    def __init__(self, half_deg):
        self.sin, self.cos = math.sin(math.radians(half_deg)), math.cos(math.radians(half_deg))

    def look(self, points):
        out = np.hypot(points[:, 0], points[:, 1])
        way = points[:, :2] / np.maximum(out, 1e-12)[:, None]
        normal = np.column_stack([-self.cos * way, np.full(len(points), self.sin)])
        return points[:, 2] * self.sin - out * self.cos, normal


@pytest.mark.reference(
    source="a soap film in a conical pit is a cap of 2 T/p: gap 2 T/p (1 / sin a - 1)", kind="derived"
)
def test_a_conical_pit():
    flat = level(circle(40.0, 3.0), 3.0)
    mesh = FilmMesh(flat.points_mm + [0, 0, 40.0], flat.faces, flat.rest_mm, flat.hold)
    laid = lay_film(mesh, Cone(45.0), drawn(10.0), pressure_kpa=90.0, tolerance=1e-3, most_steps=40)
    assert laid.gap_over_mm([[0, 0, 0]])[0] == pytest.approx(wedge.pit_gap(45.0, 20.0)[0], rel=0.03)


class Corner(Ground):
    """The three walls x = 0, y = 0, z = 0, seen from within."""

    def look(self, points):
        within = np.minimum(points, 0.0)
        deep = np.linalg.norm(within, axis=1)
        nearest = points.argmin(axis=1)
        out = np.eye(3)[nearest]
        behind = deep > 0
        out[behind] = -within[behind] / deep[behind, None]
        return np.where(behind, -deep, points.min(axis=1)), out


@pytest.mark.reference(
    source="convex obstacle problem of constant mean curvature in the corner of a cube: gap 1.1743 T/p",
    kind="derived",
)
def test_the_corner_of_three_planes():
    reach, cell = 130.0, 8.0
    side = reach * math.sqrt(2.0)
    outline = np.array([[0, 0], [side, 0], [side / 2, side * math.sqrt(3.0) / 2]])
    flat, faces, rims = even_triangles([outline], cell)
    weights = np.linalg.solve(np.vstack([outline.T, np.ones(3)]), np.vstack([flat.T, np.ones(len(flat))])).T
    mesh = FilmMesh(weights @ (reach * np.eye(3)), faces, flat[faces], Hold.loose(len(flat)).fixed(rims[0]))
    laid = lay_film(mesh, Corner(), drawn(20.0), pressure_kpa=90.0, most_steps=60)
    assert laid.gap_over_mm([[0, 0, 0]])[0] == pytest.approx(1.1743 * 20, rel=0.03)
    # On an edge, a radius and more from the corner, the film is a cylinder.
    assert laid.gap_over_mm([[70.0, 0, 0]])[0] == pytest.approx(20 * AT_CORNER, rel=0.03)

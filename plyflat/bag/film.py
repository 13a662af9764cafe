"""Where a film lies under vacuum: a thin elastic sheet on the hull, held at the tape, that carries tension only."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from ..errors import MeshError, QuantityError
from ..progress import Tell, quiet
from ..surface.mesh import Bools, Floats, Ints, Surface
from ._film_balance import Cloth, Equations, Feet, Grip
from ._film_ground import Ground, MeshGround
from ._film_law import Constant, Elastic, Law
from ._film_matrix import Freedom
from ._film_solve import Rest, settle

#: Pressure of the air at sea level: no bag is pressed harder. kPa.
AIR_KPA = 101.325
#: Stress that a film gains as it draws to twice its length, over its yield, where it is not known: bag films break at
#: two to two and a half times their yield, drawn to three and a half times their length and more. From memory.
HARDENS = 0.3
# More of the way to its break than this is told.
_NEAR_BREAK = 0.5
# A film that is stretched this much on the mean, and to its break, has nothing to lie on: it is given up as burst.
_BURSTS = 4.0
# A tension this near to the yield is at it: rounding.
_OVER = 1e-9
# The film is taken to lie on the hull within this share of its cells.
_CONTACT = 0.02
#: A film is at rest where the forces left over are less than this share of the pressure on a vertex (root mean square).
TOLERANCE = 5e-3
# Tension that keeps slack film from crumpling, over pressure and each triangle's own cell: it rounds wrinkles off at this
# share of a cell, and holds slack film out of corners by as much. Rest is found with the first, from there with the next.
_LEAST = (1.0, 0.2)
_RAMP_FREE = (0.1, 0.3, 1.0)
_RAMP_STEPS = 16
_RAMP_FROM = 0.05


@dataclass(frozen=True)
class Film:
    """A sheet of the bag as the film solver sees it.

    Attributes
    ----------
    name : str
    modulus_mpa : float
        Young's modulus.
    thickness_mm : float
    poisson : float
        0 to 0.5.
    yield_mpa : float or None
        Stress over the width and thickness as cut beyond which it draws; None for one that never does.
    break_stretch : float or None
        Length over first length at which it breaks.
    drawn : bool
        Whether it is taken to draw at its yield everywhere, with no more tension than that.
    hardening_mpa : float, optional
        How much its stress rises, per stretch of once its length, while it draws; `HARDENS` of its yield where not
        given. With none the closed form of a drawn film holds, but the draw gathers in a few cells, and how far it goes
        there hangs on their size.

    Raises
    ------
    QuantityError
        A figure that cannot be.
    """

    name: str
    modulus_mpa: float
    thickness_mm: float
    poisson: float = 0.4
    yield_mpa: float | None = None
    break_stretch: float | None = None
    drawn: bool = False
    hardening_mpa: float | None = None

    def __post_init__(self) -> None:
        for what, value, unit in (
            ("modulus", self.modulus_mpa, "MPa"),
            ("thickness", self.thickness_mm, "mm"),
        ):
            if not (np.isfinite(value) and value > 0):
                raise self._cannot(f"a {what} of {value:g} {unit}", f"State a {what} above nought.")
        if not 0 <= self.poisson <= 0.5:
            raise self._cannot(f"a Poisson's ratio of {self.poisson:g}", "State one from 0 to 0.5.")
        if self.yield_mpa is not None and not (np.isfinite(self.yield_mpa) and self.yield_mpa > 0):
            raise self._cannot(f"a yield of {self.yield_mpa:g} MPa", "State one above nought, or none.")
        if self.hardening_mpa is not None and not (
            np.isfinite(self.hardening_mpa) and self.hardening_mpa >= 0
        ):
            raise self._cannot(f"a hardening of {self.hardening_mpa:g} MPa", "State one from 0 up.")
        if self.break_stretch is not None and not self.break_stretch > 1:
            raise self._cannot(
                f"a break at {self.break_stretch:g} times its length",
                "State how long it is at break, above 1.",
            )
        if self.drawn and self.yield_mpa is None:
            raise self._cannot("no yield to draw at", "State the yield.")

    def _cannot(self, what: str, do: str) -> QuantityError:
        return QuantityError(f"film {self.name!r} has {what}", do=do)

    @property
    def stiffness_n_per_mm(self) -> float:
        """Modulus times thickness."""
        return self.modulus_mpa * self.thickness_mm

    @property
    def yield_n_per_mm(self) -> float:
        """Tension beyond which it draws, per width as cut; infinite where it is not known."""
        return np.inf if self.yield_mpa is None else self.yield_mpa * self.thickness_mm

    @property
    def hardening_n_per_mm(self) -> float:
        """How much its tension rises per stretch drawn; nought where it does not draw."""
        if self.yield_mpa is None:
            return 0.0
        slope = HARDENS * self.yield_mpa if self.hardening_mpa is None else self.hardening_mpa
        return slope * self.thickness_mm

    def law(self, least_n_per_mm: float | Floats = 0.0) -> Law:
        """Return how it answers to stretch, if it carries a little even where it is slack."""
        if self.drawn:
            return Constant(self.yield_n_per_mm)
        return Elastic(
            self.stiffness_n_per_mm, self.poisson, least_n_per_mm, self.yield_n_per_mm,
            self.hardening_n_per_mm,
        )  # fmt: skip


@dataclass(frozen=True, eq=False)
class Hold:
    """Which ways each vertex of a film may move.

    Attributes
    ----------
    ways : (n, 3, 3) float array
        Orthonormal columns at each vertex.
    free : (n,) int array
        Along how many of the first columns it may move: 3 loose, 2 in a plane, 1 along a line, 0 held.
    """

    ways: Floats
    free: Ints

    @classmethod
    def loose(cls, count: int) -> Hold:
        """Nothing held."""
        return cls(np.tile(np.eye(3), (count, 1, 1)), np.full(count, 3))

    def fixed(self, vertices: ArrayLike) -> Hold:
        """Some vertices held where they are: stuck down by the tape."""
        free = self.free.copy()
        free[np.asarray(vertices)] = 0
        return replace(self, free=free)

    def across(self, vertices: ArrayLike, normals: ArrayLike) -> Hold:
        """Some vertices slide in the planes square to (k, 3) normals: a symmetry plane."""
        return self._sliding(vertices, normals, 2)

    def along(self, vertices: ArrayLike, directions: ArrayLike) -> Hold:
        """Some vertices slide along (k, 3) directions: a film drawn through the tape along its line."""
        return self._sliding(vertices, directions, 1)

    def _sliding(self, vertices: ArrayLike, lines: ArrayLike, free: int) -> Hold:
        at = np.asarray(vertices)
        d = np.broadcast_to(np.asarray(lines, dtype=np.float64), (len(self.free[at]), 3))
        size = np.linalg.norm(d, axis=1, keepdims=True)
        if not (size > 0).all():
            raise MeshError("a direction to slide in has no length")
        d = d / size
        other = np.cross(d, np.eye(3)[np.abs(d).argmin(axis=1)])
        other /= np.linalg.norm(other, axis=1, keepdims=True)
        third = np.cross(d, other)
        ways, most = self.ways.copy(), self.free.copy()
        columns = [d, other, third] if free == 1 else [other, third, d]
        ways[at] = np.stack(columns, axis=2)
        most[at] = np.minimum(most[at], free)
        return Hold(ways, most)


@dataclass(frozen=True, eq=False)
class FilmMesh:
    """A film before the pump is switched on.

    Attributes
    ----------
    points_mm : (n, 3) float array
        Where it lies.
    faces : (m, 3) int array
        Anticlockwise seen from the air side.
    rest_mm : (m, 3, 2) float array
        The corners of each triangle as cut: unstretched, in a plane of its own.
    hold : Hold

    Raises
    ------
    MeshError
        Shapes that do not go together, or a triangle cut with no area.
    """

    points_mm: Floats
    faces: Ints
    rest_mm: Floats
    hold: Hold

    def __post_init__(self) -> None:
        n, m = len(self.points_mm), len(self.faces)
        if self.points_mm.shape != (n, 3) or self.faces.shape != (m, 3) or self.rest_mm.shape != (m, 3, 2):
            raise MeshError(
                f"points {self.points_mm.shape}, faces {self.faces.shape} and cut triangles {self.rest_mm.shape} "
                "do not go together"
            )
        if len(self.hold.free) != n:
            raise MeshError(f"{len(self.hold.free)} vertices are held or free, but there are {n}")
        area = self.rest_areas_mm2
        if not (area > 0).all():
            raise MeshError(
                f"triangle {int(np.argmin(area))} of the film is cut with an area of {area.min():g} mm2"
            )

    @property
    def rest_areas_mm2(self) -> Floats:
        """(m,) float array: areas as cut, below nought where turned over."""
        e1, e2 = self.rest_mm[:, 1] - self.rest_mm[:, 0], self.rest_mm[:, 2] - self.rest_mm[:, 0]
        return np.asarray(0.5 * (e1[:, 0] * e2[:, 1] - e1[:, 1] * e2[:, 0]))

    @property
    def cell_mm(self) -> float:
        """Side of an even triangle of the mean area as cut."""
        return float(np.sqrt(4 / np.sqrt(3) * self.rest_areas_mm2.mean()))

    @property
    def cells_mm(self) -> Floats:
        """(m,) float array: side of an even triangle of each one's area as cut."""
        return np.asarray(np.sqrt(4 / np.sqrt(3) * self.rest_areas_mm2))

    def cloth(self, law: Law) -> Cloth:
        """Return what the solver takes."""
        area = self.rest_areas_mm2
        side = np.roll(self.rest_mm, -2, axis=1) - np.roll(self.rest_mm, -1, axis=1)
        gradients = np.stack([-side[:, :, 1], side[:, :, 0]], axis=2) / (2 * area)[:, None, None]
        return Cloth(self.faces, gradients, area, law)


@dataclass(frozen=True, eq=False)
class Closer:
    """Where a film is looked at more closely: its cells are split near the corners it is to reach.

    Attributes
    ----------
    points_mm : (k, 3) float array
        Along the corners, hardly farther apart than the first of the distances.
    within_mm : tuple of float
        Falling: triangles with a vertex within the first are split in four, of what comes of it those within the next,
        and so on.

    Raises
    ------
    QuantityError
        No points, or distances that do not fall to above nought.
    """

    points_mm: Floats
    within_mm: tuple[float, ...]

    def __post_init__(self) -> None:
        far = np.asarray(self.within_mm, dtype=np.float64)
        if not len(self.points_mm) or not (far > 0).all() or (np.diff(far) >= 0).any():
            raise QuantityError(
                f"a film cannot be looked at within {self.within_mm} mm of {len(self.points_mm)} points",
                do="Give points along the corners, and distances above nought, the largest first.",
            )

    def split(self, mesh: FilmMesh, points_mm: Floats, level: int) -> FilmMesh:
        """Return a film, its vertices now at (n, 3) points, with the cells near the corners split the level-th time."""
        from scipy.spatial import cKDTree

        from ._film_mesh import split_film

        far = cKDTree(self.points_mm).query(points_mm)[0]
        return split_film(mesh, points_mm, far[mesh.faces].min(axis=1) < self.within_mm[level])


@dataclass(frozen=True, eq=False)
class LaidFilm:
    """A film at rest under vacuum.

    Attributes
    ----------
    vertices_mm : (n, 3) float array
    faces : (m, 3) int array
    pressure_kpa : float
    gap_mm : (n,) float array
        From each vertex to the nearest point of the hull or of the stack on it.
    contact : (n,) bool array
        Whether it lies on that.
    tension_n_per_m : (m, 2) float array
        The larger first; per width as it is now.
    stretch : (m, 2) float array
        Length over length as cut, the larger first; below 1 across wrinkles.
    converged : bool
    steps : int
    residual : float
        Force left over at a vertex (root of the mean square, the worst one in two hundred of those on the hull left
        out), as a share of the pressure on it.
    drawn : (m,) bool array
        Which triangles are past the yield, and stay longer when the vacuum is let go.
    rest_areas_mm2 : (m,) float array
        As cut.
    cautions : tuple of str
    """

    vertices_mm: Floats
    faces: Ints
    pressure_kpa: float
    gap_mm: Floats
    contact: Bools
    tension_n_per_m: Floats
    stretch: Floats
    converged: bool
    steps: int
    residual: float
    drawn: Bools
    rest_areas_mm2: Floats
    cautions: tuple[str, ...] = ()

    @property
    def wrinkled(self) -> Bools:
        """(m,) bool array: which triangles carry tension one way only, or none."""
        return np.asarray(self.tension_n_per_m[:, 1] <= 0)

    @property
    def drawn_area_mm2(self) -> float:
        """How much of the film, as cut, is past its yield."""
        return float(self.rest_areas_mm2[self.drawn].sum())

    @property
    def most_stretch(self) -> float:
        """Largest length over length as cut."""
        return float(self.stretch[:, 0].max())

    @property
    def most_stretch_mm(self) -> tuple[float, float, float]:
        """Where that is."""
        x, y, z = self.vertices_mm[self.faces[int(self.stretch[:, 0].argmax())]].mean(axis=0)
        return float(x), float(y), float(z)

    @property
    def sag_mm(self) -> Floats:
        """(m,) float array: how far the arc of the film stands off a flat triangle that lies free, s^2 p / (8 T).

        With its longest side for s: what the cells may make a gap too large or too small.
        """
        p = self.vertices_mm[self.faces]
        side = np.linalg.norm(p - np.roll(p, 1, axis=1), axis=2).max(axis=1)
        pull = np.maximum(self.tension_n_per_m[:, 0], 1e-9)
        sag = np.minimum(side * side * self.pressure_kpa / (8 * pull), 0.5 * side)
        return np.where(self.contact[self.faces].all(axis=1), 0.0, sag)

    def gap_over_mm(self, points_mm: ArrayLike) -> Floats:
        """Return how far the film is from points (k, 3) of the hull, (k,) mm."""
        return self._nearest(points_mm)[0]

    def gap_range_mm(self, points_mm: ArrayLike) -> Floats:
        """Return between what bounds the film is from points (k, 3) of the hull, (k, 2) mm: the `sag_mm` there either way.

        Halving the cells brings the bounds four times nearer together. They hold what flat cells do to the shape and no
        more: where the draw gathers at one place, finer cells draw further there and the gap falls beyond them.
        """
        gap, face = self._nearest(points_mm)
        sag = self.sag_mm[face]
        return np.stack([np.maximum(gap - sag, 0.0), gap + sag], axis=1)

    def _nearest(self, points_mm: ArrayLike) -> tuple[Floats, Ints]:
        import igl

        q = np.atleast_2d(np.asarray(points_mm, dtype=np.float64))
        square, face = igl.point_mesh_squared_distance(q, self.vertices_mm, self.faces.astype(np.int64))[:2]
        return np.sqrt(np.maximum(np.atleast_1d(square), 0.0)), np.atleast_1d(face)


def lay_film(
    mesh: FilmMesh,
    ground: Surface | Ground | None,
    film: Film,
    *,
    pressure_kpa: float,
    friction: float = 0.0,
    offset_mm: float = 0.0,
    ramp: Sequence[float] | None = None,
    limp: bool = False,
    finer: int = 0,
    closer: Closer | None = None,
    tolerance: float = TOLERANCE,
    most_steps: int = 400,
    progress: Tell = quiet,
) -> LaidFilm:
    """Return where a film lies once the vacuum is on.

    Parameters
    ----------
    mesh : FilmMesh
    ground : Surface, Ground or None
        What it lies on; None for a film in free air.
    film : Film
    pressure_kpa : float
        Of the air outside over that inside.
    friction : float
        Coefficient on the ground; ``math.inf`` for a film that sticks where it touches.
    offset_mm : float
        Thickness of the stack between hull and film. Taken out of the gap.
    ramp : sequence of float, optional
        Shares of the pressure, rising to 1, at which the film comes to rest on the way; with friction they matter,
        since film is drawn from furthest off while the pressure is low.
    limp : bool
        Whether it is begun with no more tension against crumpling than it ends with: for one that lies already nearly as
        it will, which more would lift off again.
    finer : int
        How often the film's triangles are each split in four once the coarse film lies, so that few vertices make the
        large moves; with friction they are split before, since every place remembers how it got there.
    closer : Closer, optional
        Where they are split further still, and after that.
    tolerance : float
        Force left over at a vertex, as a share of the pressure on it.
    most_steps : int
        At each pressure.
    progress : callable

    Returns
    -------
    LaidFilm

    Raises
    ------
    QuantityError
        A pressure that no pump makes, friction below nought, a ramp that does not rise to 1.
    SolveError
        No rest was found at all.

    Examples
    --------
    A strip of constant tension over a trench sags in an arc of radius tension over pressure:

    >>> from plyflat.bag._film_mesh import strip
    >>> tight = Film("tight", 100.0, 0.02, poisson=0.0, yield_mpa=90.0, drawn=True)
    >>> laid = lay_film(strip([[0, 0, 0], [30, 0, 0]], cells=40), None, tight, pressure_kpa=90.0)
    >>> sag = -laid.vertices_mm[:, 2].min()
    >>> abs(sag - (20 - (20**2 - 15**2) ** 0.5)) < 0.01
    True
    """
    from ._film_mesh import split_film

    base = MeshGround(ground, offset_mm=offset_mm) if isinstance(ground, Surface) else ground
    shares = _ramp(ramp, friction)
    levels = finer + (len(closer.within_mm) if closer else 0)

    def split(points: Floats, level: int) -> FilmMesh:
        """Split all edges in two, or once all are fine enough only those near where the film is looked at closer."""
        if closer is None or level < finer:
            return split_film(mesh, points)
        return closer.split(mesh, points, level - finer)

    first = levels if friction > 0 else 0
    for level in range(first):
        mesh = split(mesh.points_mm, level)
    for level in range(first, levels + 1):
        laid = ramp_film(
            mesh, base, film, pressures_kpa=[pressure_kpa * s for s in shares], friction=friction,
            offset_mm=offset_mm, limp=limp, tolerance=tolerance, most_steps=most_steps, progress=progress,
        )[-1]  # fmt: skip
        if level < levels:
            mesh, shares = split(laid.vertices_mm, level), (1.0,)
    return laid


def ramp_film(
    mesh: FilmMesh,
    ground: Surface | Ground | None,
    film: Film,
    *,
    pressures_kpa: Sequence[float],
    friction: float = 0.0,
    offset_mm: float = 0.0,
    limp: bool = False,
    tolerance: float = TOLERANCE,
    most_steps: int = 400,
    progress: Tell = quiet,
) -> tuple[LaidFilm, ...]:
    """Return where a film lies at each of several pressures, one after the other.

    Parameters
    ----------
    pressures_kpa : sequence of float
        Rising.
    mesh, ground, film, friction, offset_mm, limp, tolerance, most_steps, progress
        As for `lay_film`.
    """
    asked = [float(p) for p in pressures_kpa]
    _check(asked, friction, offset_mm)
    base = MeshGround(ground, offset_mm=offset_mm) if isinstance(ground, Surface) else ground
    feet = Feet(mesh.cloth(film.law()), len(mesh.points_mm))
    freedom = Freedom(mesh.points_mm, mesh.faces, mesh.hold.ways, mesh.hold.free)
    points, grip, out = mesh.points_mm, None, []
    if friction > 0 and base is not None:
        reach = _CONTACT * mesh.cell_mm
        start = feet.at(points)
        grip = Grip(friction, start, base.look(start)[0] < reach)
    for k, p in enumerate(asked):
        progress("film", k / len(asked))
        # A film without a size of its own is stretched by being meshed, and never slack.
        bursts = np.inf if film.drawn else max(film.break_stretch or _BURSTS, _BURSTS)
        # The tension is the same whatever a drawn film is meshed with.
        for least in _LEAST[:1] if film.drawn else _LEAST[1 if limp else 0 :]:
            cloth = mesh.cloth(film.law(least * p * 1e-3 * mesh.cells_mm))
            eq = Equations(cloth, freedom, feet, base, p * 1e-3, asked[-1] * 1e-3, grip)
            rest = settle(eq, points, tolerance=tolerance, most=most_steps, bursts=bursts)
            points = rest.points_mm
            if rest.burst:
                break
        grip = rest.grip
        out.append(_told(mesh, film, rest, p))
    progress("film", 1.0)
    return tuple(out)


def _ramp(ramp: Sequence[float] | None, friction: float) -> tuple[float, ...]:
    if ramp is None:
        return _RAMP_FREE if friction == 0 else tuple(np.geomspace(_RAMP_FROM, 1.0, _RAMP_STEPS))
    shares = tuple(float(s) for s in ramp)
    if not shares or shares[-1] != 1.0 or not shares[0] > 0 or (np.diff(shares) <= 0).any():
        raise QuantityError(
            f"the ramp {shares} does not rise to 1", do="Give rising shares, the last of them 1."
        )
    return shares


def _check(pressures: list[float], friction: float, offset_mm: float) -> None:
    for p in pressures:
        if not 0 < p <= AIR_KPA:
            raise QuantityError(
                f"a bag is pressed by {p:g} kPa", do=f"State a pressure above 0 and up to {AIR_KPA:g} kPa."
            )
    if not pressures or any(b <= a for a, b in zip(pressures, pressures[1:])):
        raise QuantityError(f"the pressures {pressures} kPa do not rise", do="Give them in rising order.")
    if not friction >= 0:
        raise QuantityError(f"a coefficient of friction of {friction:g}", do="State one from 0 up.")
    if not offset_mm >= 0:
        raise QuantityError(f"a stack of {offset_mm:g} mm", do="State a thickness from 0 up.")


def _told(mesh: FilmMesh, film: Film, rest: Rest, pressure_kpa: float) -> LaidFilm:
    stretch = rest.state.stretch
    pull = film.law().pull(*stretch.T)
    nominal = np.stack([pull.first, pull.second], axis=1)
    # Per rest width to per width now: each is over the other way's stretch.
    tension = np.where(nominal > 0, nominal / np.maximum(stretch[:, ::-1], 1e-12), 0.0)
    laid = LaidFilm(
        rest.points_mm, mesh.faces, pressure_kpa, np.maximum(rest.distance_mm, 0.0),
        rest.distance_mm < _CONTACT * mesh.cell_mm, 1e3 * tension, stretch, rest.converged, rest.steps, rest.residual,
        (nominal[:, 0] >= film.yield_n_per_mm * (1 - _OVER)) | film.drawn, mesh.rest_areas_mm2,
    )  # fmt: skip
    return replace(laid, cautions=_cautions(film, laid, rest.burst))


def _cautions(film: Film, laid: LaidFilm, burst: bool) -> tuple[str, ...]:
    out = []
    if burst:
        out.append(
            f"{film.name} grows without end at {laid.pressure_kpa:.0f} kPa and would burst: nothing stops it where it "
            "hangs free. Give it hull to lie on or pull less vacuum"
        )
    elif not laid.converged:
        out.append(
            f"the film had not come to rest after {laid.steps} steps: {100 * laid.residual:.1f} % of the pressure is "
            "not balanced"
        )
    most, place = laid.most_stretch, _at(laid.most_stretch_mm)
    if film.break_stretch is not None and most >= film.break_stretch:
        out.append(
            f"{film.name} is stretched to {most:.2f} times its length at {place}, and breaks at "
            f"{film.break_stretch:.2f}: give it more slack there"
        )
    elif film.break_stretch is not None and most - 1 >= _NEAR_BREAK * (film.break_stretch - 1):
        out.append(
            f"{film.name} is stretched to {most:.2f} times its length at {place}, more than half way to its break at "
            f"{film.break_stretch:.2f}: give it more slack there"
        )
    if not film.drawn and laid.drawn.any():
        out.append(
            f"{film.name} draws over {laid.drawn_area_mm2 / 100:.0f} cm² of it, beyond its yield of "
            f"{film.yield_n_per_mm:.1f} N/mm, to {most:.2f} times its length at {place}: give it more slack there"
        )
    return tuple(out)


def _at(point: tuple[float, float, float]) -> str:
    return f"({point[0]:.0f}, {point[1]:.0f}, {point[2]:.0f}) mm"

"""A bag's film cell by cell over the whole area within the tape: drawn taut, with its pleats, with more film in them.

Sections tell what the film's length allows. Laid whole it must also find its way: three walls that meet and folds that
cross are seen here. The film slides freely; what friction holds back is told by the sections.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from ..progress import Tell, quiet
from ..surface.crease import Crease
from ..surface.mesh import Bools, Floats, Ints, Surface
from ._film_ground import MeshGround
from ._film_mesh import split_film
from .film import Film, FilmMesh, LaidFilm, lay_film
from .film_advice import filleted
from .film_region import Ear, quiet_surface, taut_film, with_ears
from .layers import evenly

#: A film is at rest here where the forces left over are less than this share of the pressure. Limp film creeps on without
#: end, but not where it is looked at: over a scanned skeg with its pleats, 4000 points, it stood 3.00 mm off on the mean
#: and 5.36 at the worst place at 0.02, 3.08 and 5.13 at 0.006; with 20,000 points 2.04 and 4.77, and 2.03 and 4.82.
TOLERANCE, STEPS = 2e-2, 120
#: While its cells are still to be split it need not balance better than this.
DRAFT = 5e-2
#: Pressures on the way, as shares of the last one.
RAMP = (0.3, 1.0)
#: The film is begun with this share of its points, or with so many if that is less; the others go to its corners.
BEGUN, BEGUN_POINTS = 0.25, 1000
#: Where it has many points, it is begun with no less than this share of them.
BEGUN_LEAST = 0.1
#: Splitting ends where it would add less than this share to the points.
LEAST_MORE = 0.05
#: Cells within this many of their own sides of a corner are split.
NEAR = 1.5
#: Corners are looked at in places so far apart, mm.
EVERY_MM = 5.0
#: What stands off by more than this is not touched, mm.
TOUCH_MM = 0.25
#: A triangle pressed to less than this share of its width is folded.
FOLDED = 0.3
#: Between walls of 120 degrees and less a film that stands off a corner meets them within so many times that.
REACHES = 4.0
#: Places are moved to the stack's own corner in so many steps, and rays square to the film followed in so many.
_STEPS_OUT, _STEPS_IN = 24, 40
# The corners of the nine parts of a triangle, as shares of its own.
_PARTS = (
    np.array(
        [
            [(3 - i - j, i, j), (2 - i - j, i + 1, j), (2 - i - j, i, j + 1)] for i in range(3) for j in range(3 - i)
        ]
        + [[(2 - i - j, i + 1, j), (1 - i - j, i + 1, j + 1), (2 - i - j, i, j + 1)] for i in range(2) for j in range(2 - i)]
    )
    / 3
)
# A ray ends this near the ground, mm.
_ENDS = 1e-3


@dataclass(frozen=True, eq=False)
class WholeState:
    """A film laid whole, at rest.

    Attributes
    ----------
    what : str
        In words, with its figures.
    pressure_kpa : float
    film_mm : (n, 3) float array
        Where it lies.
    faces : (m, 3) int array
    places_mm : (k, 3) float array
        Along the corners of the hull, evenly.
    gap_mm : (k,) float array
        How far the film stands off the stack's own corner there.
    range_mm : (k, 2) float array
        Between what bounds that is, as flat cells tell it.
    over_mm : float
        Length of corner that it leaves by more than the limit.
    hull_gap_mm : (h,) float array
        How far it stands off the stack at the vertices of the hull.
    area_mm2 : float
        Of stack that it does not touch about the corners.
    volume_mm3 : float
        Between it and the stack there.
    resin_g : float
        What would fill that.
    stretch : float
        Largest, length over length as cut.
    drawn_mm2 : float
        Area as cut on which it draws.
    wrinkled, folded : float
        Shares of its area as cut that carry tension one way or none, and that are pressed to less than a third of
        their width.
    converged : bool
    residual : float
        Share of the pressure that is not balanced.
    bursts : bool
        Whether it grows without end or is stretched to its break.
    """

    what: str
    pressure_kpa: float
    film_mm: Floats
    faces: Ints
    places_mm: Floats
    gap_mm: Floats
    range_mm: Floats
    over_mm: float
    hull_gap_mm: Floats
    area_mm2: float
    volume_mm3: float
    resin_g: float
    stretch: float
    drawn_mm2: float
    wrinkled: float
    folded: float
    converged: bool
    residual: float
    bursts: bool

    @property
    def worst(self) -> int:
        """Which of the places it stands off most."""
        return int(np.argmax(self.gap_mm))

    @property
    def worst_mm(self) -> float:
        """How far it stands off there."""
        return float(self.gap_mm[self.worst])

    @property
    def worst_place_mm(self) -> tuple[float, float, float]:
        """Where that is."""
        x, y, z = self.places_mm[self.worst].tolist()
        return x, y, z

    @property
    def mean_mm(self) -> float:
        """How far it stands off on the mean over the corners' length."""
        return float(self.gap_mm.mean())


@dataclass(frozen=True, eq=False)
class Spread:
    """A film's mesh drawn taut and not yet pressed, and where its points came to rest.

    Attributes
    ----------
    mesh : FilmMesh
        Without pleats.
    points_mm : (n, 3) float array
    """

    mesh: FilmMesh
    points_mm: Floats

    def split(self, marked: Bools) -> Spread:
        """Return it with some triangles (m,) split in four."""
        fine = split_film(self.mesh, self.mesh.points_mm, marked)
        return Spread(fine, split_film(self.mesh, self.points_mm, marked).points_mm)

    def pleated(self, ears: Sequence[Ear]) -> FilmMesh:
        """Return the film with pleats put in, lying where its points came to rest."""
        cut = with_ears(self.mesh, ears)
        return FilmMesh(self.points_mm, cut.faces, cut.rest_mm, cut.hold)


@dataclass(frozen=True, eq=False)
class WholeBench:
    """What is the same for all films laid whole over one area.

    Attributes
    ----------
    patch : Surface
        The hull within the tape.
    lines : tuple of Crease
        Its inside corners.
    film : Film
    pressure_kpa : float
    limit_mm : float
        How far the film may stand off.
    offset_mm : float
        Thickness of the stack under it.
    points : int
        About how many points the film is laid with.
    resin_g_per_cm3 : float
    """

    patch: Surface
    lines: tuple[Crease, ...]
    film: Film
    pressure_kpa: float
    limit_mm: float
    offset_mm: float
    points: int
    resin_g_per_cm3: float

    @cached_property
    def hull(self) -> Surface:
        """The hull without the scan's noise; its vertices are those of the patch."""
        return quiet_surface(self.patch)

    @cached_property
    def ground(self) -> MeshGround:
        """The hull under its stack."""
        return MeshGround(self.hull, offset_mm=self.offset_mm)

    @cached_property
    def places_mm(self) -> Floats:
        """(k, 3) float array: along the corners, evenly."""
        return np.concatenate([evenly(q.points_mm, EVERY_MM) for q in self.lines])

    @cached_property
    def corner_mm(self) -> float:
        """Length of all corners."""
        return sum(float(np.linalg.norm(np.diff(q.points_mm, axis=0), axis=1).sum()) for q in self.lines)

    def drawn(self) -> Spread:
        """Draw the film taut between the tape lines.

        Raises
        ------
        ShapeError
            The hull within the tape laid flat lies over itself.
        MeshError
            Too few points for the area.
        SolveError
            No taut film was found.
        """
        begun = min(BEGUN * self.points, max(BEGUN_POINTS, BEGUN_LEAST * self.points))
        mesh = taut_film(self.patch, self.hull, vertices=max(int(begun), 1), offset_mm=self.offset_mm)
        return Spread(mesh, mesh.points_mm)

    def laid(
        self, what: str, spread: Spread, ears: Sequence[Ear] = (), *, finer: bool = True, again: bool = False,
        points: int | None = None, rest: float = TOLERANCE, film: Film | None = None, fillet_mm: float = 0.0, progress: Tell = quiet,
    ) -> tuple[WholeState, Spread]:  # fmt: skip
        """Lay a film under the full pressure.

        Parameters
        ----------
        what : str
            In words.
        spread : Spread
            Where it begins.
        ears : sequence of Ear
            Its pleats.
        finer : bool
            Whether cells near the corners are split once it lies.
        again : bool
            Whether it begins where it lay before, under the full pressure at once.
        points : int, optional
            About how many points it may come to have; the bench's where not given.
        rest : float
            Share of the pressure that may be left over.
        film : Film, optional
            Another one.
        fillet_mm : float
            Radius to which corners are filled first.
        progress : callable

        Raises
        ------
        SolveError
            No rest was found at all.
        """
        ground = self.ground
        if fillet_mm > 0:
            ground = MeshGround(filleted(self.hull, fillet_mm), offset_mm=self.offset_mm)
            # Tape that crosses a corner is laid over the fillet.
            spread = Spread(spread.mesh, _stack_corner(ground, spread.points_mm))
        ramp, limp = (RAMP[-1:], True) if again else (RAMP, False)
        tolerance = max(DRAFT, rest) if finer else rest
        while True:
            laid = lay_film(
                spread.pleated(ears), ground, film or self.film, pressure_kpa=self.pressure_kpa, offset_mm=self.offset_mm,
                ramp=ramp, limp=limp, tolerance=tolerance, most_steps=STEPS, progress=lambda _, done: progress(what, done),
            )  # fmt: skip
            spread, ramp, limp = Spread(spread.mesh, laid.vertices_mm), RAMP[-1:], True
            marked = self._to_split(spread, points or self.points) if tolerance > rest else None
            if marked is not None:
                spread = spread.split(marked)
            elif tolerance > rest:
                tolerance = rest
            else:
                return self._told(what, laid, ground, film or self.film), spread

    def _to_split(self, spread: Spread, most: int) -> Bools | None:
        """Which triangles (m,) near the corners are split next; None where there are points enough."""
        from scipy.spatial import cKDTree

        p = spread.points_mm[spread.mesh.faces]
        far = cKDTree(self.places_mm).query(spread.points_mm)[0][spread.mesh.faces].min(axis=1)
        side = np.linalg.norm(p - np.roll(p, 1, axis=1), axis=2).max(axis=1)
        marked = (far < NEAR * side + self.offset_mm) & (side > self.limit_mm)
        # A triangle in four brings half of its corners' three again, those beside it the like.
        now, more = len(spread.points_mm), 1.5 * int(marked.sum())
        return marked if more > LEAST_MORE * now and now + more <= 1.2 * most else None

    def _told(self, what: str, laid: LaidFilm, ground: MeshGround, film: Film) -> WholeState:
        corner = _stack_corner(ground, self.places_mm)
        sag = _sag_mm(laid, ground)
        gap, face = _off(laid, corner)
        bounds = np.stack([np.maximum(gap - sag[0, face], 0.0), gap + sag[1, face]], axis=1)
        area, volume = _room(laid, ground, self.places_mm, gap)
        rest = laid.rest_areas_mm2
        stretch, broken = laid.most_stretch, film.break_stretch
        burst = (broken is not None and stretch >= broken) or any("would burst" in q for q in laid.cautions)
        return WholeState(
            what, laid.pressure_kpa, laid.vertices_mm, laid.faces, self.places_mm, gap, bounds,
            self.corner_mm * float((gap > self.limit_mm).mean()), self._hull_gaps(laid, ground), area, volume,
            1e-3 * self.resin_g_per_cm3 * volume, stretch, laid.drawn_area_mm2,
            float(rest[laid.wrinkled].sum() / rest.sum()), float(rest[laid.stretch[:, 1] < FOLDED].sum() / rest.sum()),
            laid.converged, laid.residual, burst,
        )  # fmt: skip

    def _hull_gaps(self, laid: LaidFilm, ground: MeshGround) -> Floats:
        """How far the film stands off the stack at each vertex of the hull (h,)."""
        v = self.hull.vertices_mm
        out = np.maximum(_off(laid, v)[0] - self.offset_mm, 0.0)
        # In a hollow the stack's own corner is nearer to the film than the hull's less the stack.
        near = np.flatnonzero(out > TOUCH_MM)
        if len(near):
            out[near] = _off(laid, _stack_corner(ground, v[near]))[0]
        return out


def _stack_corner(ground: MeshGround, points: Floats) -> Floats:
    """Where the stack's own face lies over points (k, 3) of the hull, over a hollow corner its own corner; others stay.

    A point within the stack is moved out of it square to the nearest wall, again and again: each move meets one wall's
    stack, and in a corner the moves from wall to wall lead to where all of them meet.
    """
    out = points.copy()
    for _ in range(_STEPS_OUT):
        far, normal = ground.look(out)
        inside = np.flatnonzero(far < -_ENDS)
        if not len(inside):
            break
        out[inside] -= far[inside, None] * normal[inside]
    return out


def _off(laid: LaidFilm, points: Floats) -> tuple[Floats, Ints]:
    """How far the film is outside points (k, 3), 0 where they stand out through it, and its nearest triangles (k,)."""
    import igl

    f = laid.faces.astype(np.int64)
    square, face, foot = igl.point_mesh_squared_distance(points, laid.vertices_mm, f)[:3]
    face = np.atleast_1d(face)
    p = laid.vertices_mm[f[face]]
    normal = np.cross(p[:, 1] - p[:, 0], p[:, 2] - p[:, 0])
    out = ((points - np.atleast_2d(foot)) * normal).sum(axis=1) > 0
    return np.where(out, 0.0, np.sqrt(np.maximum(np.atleast_1d(square), 0.0))), face


def _sag_mm(laid: LaidFilm, ground: MeshGround) -> Floats:
    """How much too far off each flat triangle may be, and how much too near, (2, m): its arc sags by s^2 p / (8 T).

    One that is slack may lie half a side too far off, and no nearer. One whose corners all lie on the ground is told too
    where its middle does not: it spans a corner.
    """
    p = laid.vertices_mm[laid.faces]
    side = np.linalg.norm(p - np.roll(p, 1, axis=1), axis=2).max(axis=1)
    pull = np.maximum(laid.tension_n_per_m[:, 0], 1e-9)
    sag = side * side * laid.pressure_kpa / (8 * pull)
    on = np.asarray(laid.contact[laid.faces].all(axis=1))
    flat = np.flatnonzero(on)
    if len(flat):
        on[flat] = ground.look(p[flat].mean(axis=1))[0] < TOUCH_MM
    slack = sag > 0.5 * side
    return np.where(on, 0.0, np.stack([np.where(slack, 0.5 * side, sag), np.where(slack, 0.0, sag)]))


def _room(laid: LaidFilm, ground: MeshGround, places: Floats, gap: Floats) -> tuple[float, float]:
    """Area of the stack about the corners that a film does not touch, mm2, and the volume between, mm3.

    Rays square to the film are followed to the stack: between two walls they meet each place once. What lies farther
    from a corner than its gap may reach is left out: there the cells of limp film stand up in ripples of their own size.
    """
    from scipy.spatial import cKDTree

    v, f = laid.vertices_mm, laid.faces
    far, near = cKDTree(places).query(v[f].mean(axis=1))
    side = np.linalg.norm(v[f] - v[np.roll(f, 1, axis=1)], axis=2).max(axis=1)
    about = far < REACHES * gap[near] + EVERY_MM + side
    points, normals = v[f[about]], _normals(v, f)[f[about]]
    # Flat triangles that span a corner lie on both its walls: they are looked at in parts.
    points, normals = (np.einsum("sij,mjd->msid", _PARTS, q).reshape(-1, 3, 3) for q in (points, normals))
    p, n = points.reshape(-1, 3), normals.reshape(-1, 3)
    high = ground.look(p)[0]
    deep = np.maximum(high, 0.0)
    go = np.flatnonzero(high > _ENDS)
    for _ in range(_STEPS_IN):
        if not len(go):
            break
        left = ground.look(p[go] - deep[go, None] * n[go])[0]
        deep[go] += np.maximum(left, 0.0)
        go = go[left > _ENDS]
    # A ray that meets nothing runs out beside the tape.
    deep[go] = np.maximum(high[go], 0.0)
    foot = (p - deep[:, None] * n).reshape(-1, 3, 3)
    far, near = cKDTree(places).query(foot.mean(axis=1))
    off = (deep.reshape(-1, 3).mean(axis=1) > TOUCH_MM) & (far < REACHES * gap[near] + EVERY_MM)
    low = foot[off]
    area = 0.5 * np.linalg.norm(np.cross(low[:, 1] - low[:, 0], low[:, 2] - low[:, 0]), axis=1)
    return float(area.sum()), float(_prisms(low, points[off]).sum())


def _normals(v: Floats, f: Ints) -> Floats:
    """Unit normals (n, 3) at the points of a film."""
    p = v[f]
    square = np.cross(p[:, 1] - p[:, 0], p[:, 2] - p[:, 0])
    out = np.stack([np.bincount(f.ravel(), np.repeat(square[:, k], 3), minlength=len(v)) for k in range(3)], axis=1)
    return np.asarray(out / np.maximum(np.linalg.norm(out, axis=1, keepdims=True), 1e-300))


def _prisms(low: Floats, high: Floats) -> Floats:
    """Volumes (k,) between triangles (k, 3, 3) and those over them, in three tetrahedra each."""
    out = np.zeros(len(low))
    for a, b, c, d in (
        (low[:, 0], low[:, 1], low[:, 2], high[:, 0]),
        (low[:, 1], low[:, 2], high[:, 0], high[:, 1]),
        (low[:, 2], high[:, 0], high[:, 1], high[:, 2]),
    ):
        out += np.abs((np.cross(b - a, c - a) * (d - a)).sum(axis=1)) / 6
    return out

"""What would help where a film bridges: each cure tried with the film solver, and what it leaves."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from ..errors import PlyflatError, QuantityError
from ..progress import Tell, quiet
from ..surface.mesh import Floats, Surface
from ._ball_reach import ball_reach, closing
from ._film_ground import MeshGround
from .film import Film, FilmMesh, Hold, LaidFilm, lay_film
from .film_region import Ear, quiet_surface, taut_film, with_ears

#: Vertices of the film that cures are tried with, and the most steps each may take at one pressure.
VERTICES, STEPS = 3000, 60
#: A draft need not balance better than this.
_DRAFT = 5e-2
# Corners sharper than this many cells are beyond a film; those are not told as bridged.
_FOLLOWS = 0.5
# Feet of a triangle's corners on faces that lean apart by more than this lie on both sides of a corner line.
_APART = np.cos(np.radians(30.0))


@dataclass(frozen=True, eq=False)
class Cure:
    """One way to lay the film, and what it leaves open.

    Attributes
    ----------
    kind : {"as it is", "fillet", "pleats", "cut at the corner", "other film"}
    what : str
        The cure in words, with its figures.
    worst_mm : float
        How far the film stays off the hull at the worst place; off the fillet, where that is the cure. Corners are
        taken to be as round as half a cell of the film, finer ones it cannot follow.
    area_mm2 : float
        Of film farther off than the limit.
    place_mm : tuple of float
        The worst place, on the film.
    laid : LaidFilm
    """

    kind: str
    what: str
    worst_mm: float
    area_mm2: float
    place_mm: tuple[float, float, float]
    laid: LaidFilm


@dataclass(frozen=True)
class Failed:
    """A cure that could not be tried.

    Attributes
    ----------
    kind : str
    why : str
    """

    kind: str
    why: str


@dataclass(frozen=True)
class Advice:
    """The cures that were tried.

    Attributes
    ----------
    now : Cure
        The film as it is.
    cures : tuple of Cure
        The one that leaves least open first; those that did not come to rest last.
    failed : tuple of Failed
    """

    now: Cure
    cures: tuple[Cure, ...]
    failed: tuple[Failed, ...]


def advise_film(
    patch: Surface,
    film: Film,
    *,
    pressure_kpa: float,
    hull: Surface | None = None,
    friction: float = 0.0,
    offset_mm: float = 0.0,
    limit_mm: float = 1.0,
    ears: Sequence[Ear] = (),
    fillet_mm: float | None = None,
    others: Sequence[Film] = (),
    cut: bool = True,
    vertices: int = VERTICES,
    progress: Tell = quiet,
) -> Advice:
    """Try what would help where the film bridges.

    Parameters
    ----------
    patch : Surface
        The hull within the tape, which runs along its boundaries.
    film : Film
    pressure_kpa : float
    hull : Surface, optional
        What the film may touch; the patch alone where not given.
    friction, offset_mm
        As for `lay_film`.
    limit_mm : float
        Bridging that is put up with.
    ears : sequence of Ear
        Pleats to try.
    fillet_mm : float, optional
        Fillet to try; it is not, where not given.
    others : sequence of Film
        Films to try in its place.
    cut : bool
        Whether to try the layer cut along the corner. Not for the bag film itself.
    vertices : int
        Of the film; what bounds the time.
    progress : callable

    Returns
    -------
    Advice

    Raises
    ------
    QuantityError
        A limit or a fillet that cannot be.
    ShapeError, MeshError
        The patch is none that a film can be laid over.
    """
    if not limit_mm > 0:
        raise QuantityError(f"a limit of {limit_mm:g} mm for bridging", do="State one above nought.")
    hull = quiet_surface(hull or patch)
    mesh = taut_film(patch, hull, vertices=vertices, offset_mm=offset_mm)
    followed = offset_mm + _FOLLOWS * mesh.cell_mm
    bench = _Bench(hull, followed, pressure_kpa, friction, offset_mm, limit_mm)
    now = bench.tried("as it is", f"{film.name} drawn taut, no pleats", mesh, film)
    tries: list[tuple[str, str, FilmMesh, Film, float | None]] = []
    if fillet_mm is not None:
        tries.append(("fillet", f"a fillet of {fillet_mm:g} mm", mesh, film, fillet_mm))
    if ears:
        total = sum(ear.height_mm for ear in ears)
        what = f"{len(ears)} pleats, {total / len(ears):.0f} mm high on average"
        tries.append(("pleats", what, with_ears(mesh, ears), film, None))
    if cut:
        slit = _slit(mesh, now.laid, hull, limit_mm)
        if slit is not None:
            tries.append(
                ("cut at the corner", f"{film.name} cut along the corner, its sides lapped", slit, film, None)
            )
    tries += [("other film", f"{other.name} drawn taut, no pleats", mesh, other, None) for other in others]
    cures, failed = [], []
    for k, (kind, what, shape, of, fillet) in enumerate(tries):
        progress("film cures", k / len(tries))
        try:
            cures.append(bench.tried(kind, what, shape, of, fillet_mm=fillet))
        except PlyflatError as fault:
            failed.append(Failed(kind, str(fault)))
    progress("film cures", 1.0)
    # One that did not come to rest tells little: last.
    cures.sort(key=lambda cure: (not cure.laid.converged, cure.area_mm2, cure.worst_mm))
    return Advice(now, tuple(cures), tuple(failed))


def bridging_by_layer(
    patch: Surface,
    layers: Sequence[Film],
    *,
    pressure_kpa: float,
    hull: Surface | None = None,
    friction: float = 0.0,
    offset_mm: float = 0.0,
    limit_mm: float = 1.0,
    vertices: int = VERTICES,
    progress: Tell = quiet,
) -> tuple[Cure, ...]:
    """Return what each layer of a stack would leave open, drawn taut, the layer that leaves most first.

    Each is pressed alone by the whole pressure: whatever lies over a layer passes the pressure on, and the stiffest
    of them bridges first.

    Parameters
    ----------
    layers : sequence of Film
    patch, pressure_kpa, hull, friction, offset_mm, limit_mm, vertices, progress
        As for `advise_film`.
    """
    hull = quiet_surface(hull or patch)
    mesh = taut_film(patch, hull, vertices=vertices, offset_mm=offset_mm)
    followed = offset_mm + _FOLLOWS * mesh.cell_mm
    bench = _Bench(hull, followed, pressure_kpa, friction, offset_mm, limit_mm)
    out = []
    for k, layer in enumerate(layers):
        progress("layers", k / len(layers))
        out.append(bench.tried("as it is", f"{layer.name} drawn taut, no pleats", mesh, layer))
    progress("layers", 1.0)
    return tuple(sorted(out, key=lambda cure: (-cure.area_mm2, -cure.worst_mm)))


@dataclass(frozen=True, eq=False)
class _Bench:
    """What is the same for all cures."""

    hull: Surface
    followed_mm: float
    pressure_kpa: float
    friction: float
    offset_mm: float
    limit_mm: float

    @cached_property
    def plain(self) -> Surface:
        """The hull, its corners as round as the film's cells can follow."""
        return filleted(self.hull, self.followed_mm)

    def tried(
        self, kind: str, what: str, mesh: FilmMesh, film: Film, *, fillet_mm: float | None = None
    ) -> Cure:
        """Lay a film and tell what it leaves open."""
        wide = fillet_mm is not None and (fillet_mm > self.followed_mm or not fillet_mm > 0)
        hull = filleted(self.hull, fillet_mm) if fillet_mm is not None and wide else self.plain
        laid = lay_film(
            mesh, hull, film, pressure_kpa=self.pressure_kpa, friction=self.friction, offset_mm=self.offset_mm,
            tolerance=_DRAFT, most_steps=STEPS,
        )  # fmt: skip
        worst = int(laid.gap_mm.argmax())
        p = laid.vertices_mm[laid.faces]
        area = 0.5 * np.linalg.norm(np.cross(p[:, 1] - p[:, 0], p[:, 2] - p[:, 0]), axis=1)
        off = laid.gap_mm[laid.faces].mean(axis=1) > self.limit_mm
        x, y, z = laid.vertices_mm[worst]
        place = (float(x), float(y), float(z))
        return Cure(kind, what, float(laid.gap_mm[worst]), float(area[off].sum()), place, laid)


def filleted(hull: Surface, radius_mm: float) -> Surface:
    """Return a hull whose hollow corners are filled to a radius: where no ball of that size gets to, its reach.

    Parameters
    ----------
    hull : Surface
    radius_mm : float

    Raises
    ------
    QuantityError
        A radius that is none.
    """
    if not (np.isfinite(radius_mm) and radius_mm > 0):
        raise QuantityError(f"a fillet of {radius_mm:g} mm", do="State a radius above nought.")
    reach = ball_reach(hull, radius_mm=radius_mm, most_mm=2 * radius_mm)
    ball = closing(hull, reach, radius_mm)
    lost = np.flatnonzero(reach < radius_mm * (1 - 1e-3))
    if not len(lost) or not len(ball.centres):
        return hull
    v = hull.vertices_mm.copy()
    way = ball.centre_for(v[lost]) - v[lost]
    size = np.linalg.norm(way, axis=1, keepdims=True)
    v[lost] += way * np.maximum(1.0 - radius_mm / np.maximum(size, radius_mm), 0.0)
    return replace(hull, vertices_mm=v)


def _slit(mesh: FilmMesh, laid: LaidFilm, hull: Surface, limit_mm: float) -> FilmMesh | None:
    """Return the film without the triangles that span a corner farther off than the limit; None if there are none."""
    normal = MeshGround(hull).look(laid.vertices_mm)[1][mesh.faces]
    apart = np.stack([(normal[:, i] * normal[:, (i + 1) % 3]).sum(axis=1) for i in range(3)], axis=1).min(
        axis=1
    )
    spans = (apart < _APART) & (laid.gap_mm[mesh.faces].min(axis=1) > limit_mm)
    if not spans.any():
        return None
    used, back = np.unique(mesh.faces[~spans], return_inverse=True)
    hold = Hold(mesh.hold.ways[used], mesh.hold.free[used])
    return FilmMesh(mesh.points_mm[used], back.reshape(-1, 3), mesh.rest_mm[~spans], hold)


def corner_gaps_mm(hull: Surface, laid: LaidFilm, *, offset_mm: float = 0.0) -> Floats:
    """Return how far each vertex of a hull is from the film over it, less the stack between, (n,) mm.

    Parameters
    ----------
    hull : Surface
    laid : LaidFilm
    offset_mm : float
    """
    return np.maximum(laid.gap_over_mm(hull.vertices_mm) - offset_mm, 0.0)

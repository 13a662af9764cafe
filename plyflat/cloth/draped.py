"""A piece of a ply as a flat shape with the warp along +x, from a net of threads that do not stretch.

What makes templates, laps, notches and splices takes it as it takes a piece that was flattened.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.sparse import coo_array, diags
from scipy.sparse.linalg import spsolve

from ..errors import SolveError
from ..surface.mesh import Bools, Floats, Surface
from ._net_bed import Bed, make_bed, piece_bed
from ._net_ground import unit
from ._net_lay import moved
from ._patch import Triangles, check_disc, place_text, undirected
from .drape import Drape, drape_of
from .flatten import Flat, flat_overlap

__all__ = ["AreaCheck", "Draped", "drape_piece", "draped_flat", "seam_bed"]

#: Share of a piece that threads may leave bare, to be carried on from what is beside it: the points of its corners.
BARE_SHARE = 0.02
#: A triangle whose threads come out longer or shorter by more than this was read wrongly, or the net is torn there.
TORN = 0.25
#: Share of a piece that may have been read so.
TORN_SHARE = 0.01
#: How often vertices of wrong triangles are placed anew, each time with those beside them.
MENDS = 6
#: From this time on their threads too are taken for misread, and evened from those about them, in so many rounds.
OWN_THREADS, EVENINGS = 3, 30
#: Threads that cross at less than this have no room to lie side by side.
FOLDED_DEG = 85.0


@dataclass(frozen=True)
class AreaCheck:
    """The area of a template held to that of the sheared cloth: dA = cos(shear) du dv.

    Attributes
    ----------
    template_mm2 : float
        Area of the flat piece.
    cloth_mm2 : float
        Sum over the triangles of area on the surface over the cosine of the shear.
    """

    template_mm2: float
    cloth_mm2: float

    @property
    def off(self) -> float:
        """Difference as a share."""
        return abs(self.template_mm2 / self.cloth_mm2 - 1.0)


@dataclass(frozen=True, eq=False)
class Draped:
    """A piece laid by its net.

    Attributes
    ----------
    flat : Flat
        Warp along +x, seen from the air side, the centre of its area at the origin.
    drape : Drape
        The net read at the piece's vertices.
    start_uv_mm : (2,) float array, mm
        Where the cloth is put down first, in the flat piece; warp and weft through it are the two first threads.
    along_threads : (m, 2) float array
        Length in the flat over length on the surface along the warp and along the weft; 1 but for errors.
    area : AreaCheck
    carried_mm2 : float
        Area on the surface that no thread reaches, or that was read wrongly; laid flat by what is beside it.
    """

    flat: Flat
    drape: Drape
    start_uv_mm: Floats
    along_threads: Floats
    area: AreaCheck
    carried_mm2: float


def seam_bed(piece: Surface) -> Bed:
    """Return a bed for a piece that meets itself at a seam: the piece alone, so that each side keeps its own cloth.

    Parameters
    ----------
    piece : Surface
        Opened: the two sides of the seam have vertices of their own.
    """
    return replace(make_bed(piece), layered=True)


def drape_piece(piece: Surface, drape: Drape) -> Draped:
    """Lay a piece of a ply flat by the net of the whole ply.

    Parameters
    ----------
    piece : Surface
        Cut out of the ply or near it; its mesh may be its own.
    drape : Drape
        Of the whole ply, on the hull about it.

    Raises
    ------
    SolveError
        As `draped_flat`.
    ShapeError
        A piece that is no disc.
    """
    bed = piece_bed(drape.laid.bed, piece)
    return draped_flat(drape_of(moved(drape.laid, bed), locking=drape.locking, least_cover=0.0))


def draped_flat(drape: Drape) -> Draped:
    """Make a flat shape of a drape whose ply is one piece.

    Parameters
    ----------
    drape : Drape

    Raises
    ------
    SolveError
        The net leaves too much of the piece bare, folds on it, or lies over itself so that it cannot be read.
    ShapeError
        A piece that is no disc.

    Notes
    -----
    Few triangles at the points of corners, and slivers beside an outline, are read with an error of the order of their
    own size. Their vertices are placed anew: the differences along their edges are brought as near as can be, by least
    squares, to those that the threads beside them say. Where that leaves some upside down, the threads read there are no
    better than the places, and those of the vertices about them are carried on.
    """
    surface = drape.surface
    loops = check_disc(surface)
    refuse_bare(drape)
    points = drape.laid.bed.points
    kinked = _kinked(drape)
    torn = _torn(points, surface, drape.uv_mm, kinked)
    areas = surface.face_areas_mm2
    if areas[torn].sum() > TORN_SHARE * surface.area_mm2:
        worst = surface.faces[torn][int(areas[torn].argmax())]
        raise SolveError(
            f"the net lies over itself or is torn over {100 * areas[torn].sum() / surface.area_mm2:.0f} % of the piece",
            where=place_text(surface.vertices_mm[worst].mean(axis=0)), do="Open the ply in more places, or start elsewhere.",
        )
    loose, uv, threads = ~drape.covered, drape.uv_mm, (drape.warp, drape.weft)
    for turn in range(MENDS):
        loose[surface.faces[torn].ravel()] = True
        if turn:
            beside = np.isin(surface.faces, surface.faces[torn]).any(axis=1)
            loose[surface.faces[beside].ravel()] = True
        if turn >= OWN_THREADS:
            threads = _threads_beside(drape, loose)
        uv = _carried(points, surface, drape.uv_mm, threads, loose)
        torn = _torn(points, surface, uv, kinked)
        if not torn.any():
            break
    carried = float(areas[loose[surface.faces].any(axis=1)].sum())
    flat = replace(_flat(surface, uv, loops), first_reach_mm=drape.first_reach_mm)
    if flat.flipped.any():
        at = surface.faces[flat.flipped][0]
        raise SolveError(
            f"{int(flat.flipped.sum())} triangles of the piece would lie upside down",
            where=place_text(surface.vertices_mm[at].mean(axis=0)), do="Start elsewhere, or open the ply in more places.",
        )
    # The start is the net's zero; the flat piece has been moved.
    moved_by = flat.uv_mm[0] - uv[0]
    return Draped(flat, drape, moved_by, _along_threads(points, surface, uv), _area(drape, points, uv), carried)


def refuse_bare(drape: Drape) -> None:
    """Raise SolveError for a drape that leaves too much of its ply bare, or folds on it.

    Parameters
    ----------
    drape : Drape
    """
    surface = drape.surface
    if drape.cover < 1.0 - BARE_SHARE:
        folds = f", and folds at {place_text(drape.folds_mm[0])}" if len(drape.folds_mm) else ""
        at = drape.uncovered_at_mm
        raise SolveError(
            f"the net covers {100 * drape.cover:.1f} % of the piece{folds}",
            where=place_text(drape.start_mm if at is None else at),
            do="Open the ply in more places, or start elsewhere.",
        )
    over = drape.covered & (np.abs(drape.shear_deg) > FOLDED_DEG)
    if over.any():
        worst = int(np.where(over, np.abs(drape.shear_deg), 0).argmax())
        raise SolveError(
            f"its threads fold over each other, {abs(drape.shear_deg[worst]):.0f} degrees of shear",
            where=place_text(surface.vertices_mm[worst]), do="Open the ply in more places, or start elsewhere.",
        )


def _steps(points: Floats, surface: Surface, uv: Floats) -> tuple[Floats, Floats]:
    """(m,) by what each triangle's area grows in the flat, and (2, m) that times how long a step along warp and weft is on the surface."""
    mesh = Triangles(points, surface.faces)
    a, b, c, d = mesh.jacobian(uv / mesh.scale)
    # Such steps are the columns of the inverse map, whose divisor is the area's factor: nought where one has none.
    return a * d - b * c, np.stack([np.hypot(c, d), np.hypot(a, b)])


def _kinked(drape: Drape) -> Bools:
    """(m,) triangles that lie over the thread at which a net was laid anew behind a cut: threads have a kink there."""
    part = np.zeros(len(drape.uv_mm), dtype=np.int64)
    for k, laid in enumerate(drape.laid.parts):
        part[laid.at] = k
    label = part[drape.surface.faces]
    return np.asarray((label != label[:, :1]).any(axis=1))


def _torn(points: Floats, surface: Surface, uv: Floats, kinked: Bools) -> Bools:
    """(m,) triangles that lie upside down, or whose threads are not about as long as they ought to be."""
    grown, long = _steps(points, surface, uv)
    fair = (grown > 0) & ((np.abs(long - grown) < TORN * grown).all(axis=0) | kinked)
    return np.asarray(~fair)


def _along_threads(points: Floats, surface: Surface, uv: Floats) -> Floats:
    """(m, 2) stretch of single triangles along warp and weft."""
    grown, long = _steps(points, surface, uv)
    return np.asarray((np.abs(grown) / long).T)


def _threads_beside(drape: Drape, loose: Bools) -> tuple[Floats, Floats]:
    """(n, 3) directions of warp and weft, those at loose vertices evened between those of the vertices about them."""
    a, b = undirected(drape.surface.faces, len(loose)).T
    n = len(loose)
    beside = coo_array((np.ones(2 * len(a)), (np.r_[a, b], np.r_[b, a])), shape=(n, n)).tocsr()[loose]
    out = []
    for field in (drape.warp, drape.weft):
        even = np.where(loose[:, None], 0.0, field)
        for _ in range(EVENINGS):
            even[loose] = unit(beside @ even)
        out.append(even)
    return out[0], out[1]


def _carried(points: Floats, surface: Surface, read_mm: Floats, threads: tuple[Floats, Floats], loose: Bools) -> Floats:
    """(n, 2) flat places as read, with those of loose vertices found from the threads beside them."""
    if not loose.any():
        return read_mm
    ends = undirected(surface.faces, len(points))
    ends = ends[loose[ends].any(axis=1)]
    step = points[ends[:, 1]] - points[ends[:, 0]]
    rise = np.zeros((len(ends), 2))
    for end in ends.T:
        a, b = threads[0][end], threads[1][end]
        # Differences of u and v along a step, whose parts along slanting threads are wanted.
        pa, pb, c = (step * a).sum(axis=1), (step * b).sum(axis=1), (a * b).sum(axis=1)
        rise += 0.5 * np.stack([pa - c * pb, pb - c * pa], axis=1) / np.maximum(1 - c * c, 1e-3)[:, None]
    weight = 1.0 / np.maximum(np.linalg.norm(step, axis=1), 1e-9)
    n, k = len(points), len(ends)
    difference = coo_array(
        (np.tile([-1.0, 1.0], k), (np.repeat(np.arange(k), 2), ends.ravel())), shape=(k, n)
    ).tocsr()
    free = np.flatnonzero(loose)
    own = difference[:, free]
    matrix = (own.T @ diags(weight) @ own).tocsc()
    uv = read_mm.copy()
    uv[free] = 0.0
    goal = weight[:, None] * (rise - difference @ uv)
    uv[free] = np.asarray(spsolve(matrix, own.T @ goal)).reshape(-1, 2)
    return uv


def _flat(surface: Surface, uv: Floats, loops: tuple[np.ndarray, ...]) -> Flat:
    mesh = Triangles(surface.vertices_mm, surface.faces)
    large, small = mesh.stretch(uv / mesh.scale)
    flipped = small <= 0
    p = uv[surface.faces]
    a, b = p[:, 1] - p[:, 0], p[:, 2] - p[:, 0]
    flat_area = 0.5 * (a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0])
    start = -flat_area @ p.mean(axis=1) / flat_area.sum()  # the start is the net's zero
    placed = uv + start
    stretch = np.stack([large, small], axis=1)
    if flipped.any():
        return Flat(placed, stretch, flipped, True, np.inf, along_warp=True, start_uv_mm=start)
    energy = 0.25 * float(mesh.areas @ (stretch**2 + stretch**-2.0).sum(axis=1))
    overlap, at = flat_overlap(placed, loops)
    return Flat(placed, stretch, flipped, overlap > 0, energy, overlap, at, along_warp=True, start_uv_mm=start)


def _area(drape: Drape, points: Floats, uv: Floats) -> AreaCheck:
    f = drape.surface.faces
    a, b = uv[f[:, 1]] - uv[f[:, 0]], uv[f[:, 2]] - uv[f[:, 0]]
    flat = 0.5 * float((a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]).sum())
    areas = Surface(points, f).face_areas_mm2
    over = 1.0 / np.cos(np.radians(drape.shear_deg))
    return AreaCheck(flat, float(areas @ over[f].mean(axis=1)))

"""Cuts that let a patch lie flat: darts where it is domed, lines across it or gussets where it is saddled."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike
from scipy.spatial import cKDTree

from ..errors import CheckError, OutlineError, SolveError
from ..surface.coarsen import coarsen
from ..surface.mesh import Floats, Ints, Surface
from ._cutting import Opened, Sides
from ._dart_draft import DRAFT_FACES, KINDS, Course, Dart, Darted, Kind, Rules, with_centre
from ._dart_finish import at_peaks, finished, peaks, slit_along
from ._dart_search import find_cuts

#: How far a point that the user places may lie off the surface.
NEAR_MM = 10.0

#: Advice is given on copies with about so many triangles, of so many cuts at most; they help if they take away this share.
ADVICE_FACES, MOST_ADVISED, HELPS = 4000, 6, 0.1
#: A draft keeps at most so many points of curvature beyond those that it has.
MOST_PEAKS = 8

__all__ = ["KINDS", "Advice", "Dart", "Darted", "Kind", "advise_cuts", "dart_pieces", "place_darts", "slit_piece"]


def place_darts(
    surface: Surface,
    *,
    limit: float = 0.03,
    over_share: float = 0.05,
    most: int = 8,
    kinds: Sequence[Kind] = KINDS,
    given_mm: Sequence[ArrayLike] = (),
    gussets_mm: Sequence[ArrayLike] = (),
    keep_off_mm: ArrayLike = (),
    clear_mm: float = 0.0,
    scale_mm: float = 0.0,
) -> Darted:
    """Cut a patch where that lets it lie flat best, until the strain is within its limit.

    A dome gets darts evenly spaced round the place where the potential of its curvature is greatest, as few as do. Else
    each cut is the one, of a few dozen tried, that takes away the most area over the limit for its length, made together
    with its mirror images where the patch has mirror planes. A saddled part, whose darts would lie over themselves, is
    split from edge to edge, or gets a gusset: a wedge that is a piece of its own, so wide that the sides of what is left
    meet when it is laid flat. Cuts run along geodesics, so they are straight in the cloth or nearly so.

    Parameters
    ----------
    surface : Surface
        A disc, or one with openings that may stay.
    limit : float
        Strain limit as a fraction.
    over_share : float
        Share of the area that may be above it.
    most : int
        The largest number of cuts beyond those given; 0 places none.
    kinds : sequence of {"dart", "split", "gusset"}
        What may be proposed.
    given_mm : sequence of (k, 3) arrays, mm
        Lines the user places: each begins on the edge, and ends inside (a dart) or on the edge again.
    gussets_mm : sequence of (2, 3) arrays, mm
        Gussets the user places: the middle of each on the edge, and its tip.
    keep_off_mm : (k, 3) array, mm
        Points that no cut may come near: a loaded corner, the cuts of a neighbouring ply.
    clear_mm : float
        How near.
    scale_mm : float
        Length over which strain is averaged before it is reported; 0 for that of single triangles.

    Returns
    -------
    Darted

    Raises
    ------
    OutlineError
        A given line off the surface, that does not begin on the edge, or a given gusset where there is no angle to spare.
    ShapeError, SolveError
        As `flatten` does.

    References
    ----------
    X. Gu, S. Gortler, H. Hoppe, "Geometry images", SIGGRAPH 2002, section 3: cut from where the strain is greatest to
    the edge, and again. The potential of curvature with the edge held at nought is that of A. Sheffer, J. Hart,
    "Seamster", IEEE Visualization 2002, in spirit only.
    That a dart to a cone's apex closes with the angle missing there, and a wedge of the angle to spare lets the rest lie
    flat, is the theorem of Gauss and Bonnet for a point of curvature.
    """
    points = np.asarray(keep_off_mm, dtype=np.float64).reshape(-1, 3)
    box = float(np.linalg.norm(surface.size_mm))
    draft = coarsen(surface, faces=DRAFT_FACES, stray_mm=0.01 * box).surface
    edge = cKDTree(draft.vertices_mm[np.concatenate(draft.boundary_loops)])
    reach = 2 * draft.mean_edge_mm
    sharp = peaks(surface, reach_mm=reach)[:MOST_PEAKS]
    draft = _with_peaks(draft, sharp)
    keep_off = cKDTree(points) if len(points) else None
    rules = Rules(limit, over_share, tuple(kinds), keep_off, clear_mm, box, surface.area_mm2, edge, sharp, reach)
    given = [_stated(line, "dart", surface) for line in given_mm]
    given += [_stated(line, "gusset", surface) for line in gussets_mm]
    courses = at_peaks(find_cuts(draft, rules, most=most, given=tuple(given)), sharp, reach_mm=reach)
    done = _made_or_fewer(surface, courses, limit=limit, scale_mm=scale_mm)
    if len(done.cuts) == len(courses) or done.after.over_share <= over_share:
        return done
    # Some gusset found on the draft could not be made on the patch: see what goes without any.
    others = replace(rules, kinds=tuple(k for k in rules.kinds if k != "gusset"))
    courses = at_peaks(find_cuts(draft, others, most=most, given=tuple(given)), sharp, reach_mm=reach)
    other = finished(surface, courses, limit=limit, scale_mm=scale_mm)
    return other if other.after.over_share < done.after.over_share else done


def _made_or_fewer(surface: Surface, courses: tuple[Course, ...], *, limit: float, scale_mm: float) -> Darted:
    """Make cuts on the patch; where that fails leave out gussets that nobody asked for, the last first."""
    while True:
        try:
            return finished(surface, courses, limit=limit, scale_mm=scale_mm)
        except (CheckError, SolveError):
            spare = [k for k, c in enumerate(courses) if c.kind == "gusset" and not c.given]
            if not spare:
                raise
            courses = tuple(c for k, c in enumerate(courses) if k != spare[-1])


def _with_peaks(draft: Surface, places_mm: Floats) -> Surface:
    """Return a draft that has vertices at points of curvature, such as a cone's apex, that it may have lost."""
    for place in places_mm:
        if np.linalg.norm(draft.vertices_mm - place, axis=1).min() > 1e-6:
            divided, _, new = with_centre(draft, place)
            v = divided.vertices_mm.copy()
            v[new] = place
            draft = Surface(v, divided.faces)
    return draft


def _stated(line: ArrayLike, kind: Kind, surface: Surface) -> Course:
    """Check a cut that the user placed."""
    points = np.asarray(line, dtype=np.float64)
    if points.ndim != 2 or points.shape[1:] != (3,) or len(points) < 2 or not np.isfinite(points).all():
        raise OutlineError("a cut is not a list of two or more points", do="Give its points from the edge inward.")
    off = surface.locate(points).distance_mm
    k = int(np.argmax(off))
    if off[k] > NEAR_MM:
        x, y, z = points[k]
        raise OutlineError(
            f"point {k + 1} of a cut lies {off[k]:.1f} mm off the surface, more than {NEAR_MM:g} mm",
            where=f"({x:.1f}, {y:.1f}, {z:.1f}) mm", do="Move the point, or check its unit.",
        )
    return Course(kind, points, points, given=True)


def dart_pieces(
    opened: Opened,
    *,
    limit: float,
    over_share: float,
    most: int,
    kinds: Sequence[Kind] = KINDS,
    given_mm: Sequence[ArrayLike] = (),
    gussets_mm: Sequence[ArrayLike] = (),
    keep_off_mm: ArrayLike = (),
    clear_mm: float = 0.0,
    seam_mm: float = 25.0,
    scale_mm: float = 0.0,
    among: Sequence[int] | None = None,
) -> tuple[Opened, tuple[Dart, ...]]:
    """Cut the pieces of an opened patch further, each as `place_darts` does.

    A patch that has no seams may be split or get gussets too; pieces that meet at seams get darts only, which begin on the
    patch's own edge and keep off the seams.

    Parameters
    ----------
    opened : Opened
    limit, over_share, kinds, given_mm, gussets_mm, keep_off_mm, clear_mm, scale_mm
        As for `place_darts`.
    most : int
        The largest number of cuts over all pieces, beyond those given.
    seam_mm : float
        How far from seams darts keep.
    among : sequence of int, optional
        The pieces that may be cut; all of them by default.

    Returns
    -------
    Opened
        With the cuts among its seams, after those that were there.
    tuple of Dart
        In the same order; areas over the limit are shares of the whole patch.

    Raises
    ------
    OutlineError
        As `place_darts`, or a gusset or a line from edge to edge in a patch that is opened at seams.
    ShapeError, SolveError
        As `flatten` does.
    """
    cuts: list[Dart] = []
    for k, done, share in _piece_by_piece(
        opened, most=most, limit=limit, over_share=over_share, kinds=kinds, given_mm=given_mm, gussets_mm=gussets_mm,
        keep_off_mm=keep_off_mm, clear_mm=clear_mm, seam_mm=seam_mm, scale_mm=scale_mm, among=among,
    ):
        if not done.cuts:
            continue
        if not opened.seams:
            return done.opened, done.cuts
        if len(done.opened.pieces) > 1:
            x, y, z = done.cuts[0].line_mm[0]
            raise OutlineError(
                "a cut runs from edge to edge of a piece that meets others at seams", where=f"({x:.1f}, {y:.1f}, {z:.1f}) mm",
                do="End it inside, or state one more seam instead.",
            )
        opened = _with_darts(opened, k, done.opened)
        cuts += [replace(c, over_before=share * c.over_before, over_after=share * c.over_after) for c in done.cuts]
    return opened, tuple(cuts)


def _piece_by_piece(
    opened: Opened,
    *,
    most: int,
    kinds: Sequence[Kind],
    given_mm: Sequence[ArrayLike],
    gussets_mm: Sequence[ArrayLike],
    keep_off_mm: ArrayLike,
    clear_mm: float,
    seam_mm: float,
    among: Sequence[int] | None = None,
    **how: float,
) -> Iterator[tuple[int, Darted, float]]:
    """Cut the pieces one after the other; yield each with its number and its share of the area."""
    pieces, seams = opened.pieces, opened.seams
    near = np.vstack([np.asarray(keep_off_mm, dtype=np.float64).reshape(-1, 3), *seams])
    whole = sum(p.area_mm2 for p in pieces)
    if seams:
        kinds, clear_mm = tuple(k for k in kinds if k == "dart"), max(clear_mm, seam_mm)
    if seams and gussets_mm:
        raise OutlineError(
            "a gusset is asked for in a region that is opened at seams", do="Place a dart there, or one more seam."
        )
    for k, piece in enumerate(pieces):
        if among is not None and k not in among:
            continue
        mine = [line for line in given_mm if not seams or _piece_of(opened, line) == k]
        done = place_darts(
            piece, most=most, kinds=kinds, given_mm=mine, gussets_mm=gussets_mm, keep_off_mm=near, clear_mm=clear_mm, **how
        )
        most -= sum(not c.given for c in done.cuts)
        yield k, done, piece.area_mm2 / whole


def slit_piece(opened: Opened, k: int, lines_mm: Sequence[ArrayLike]) -> Opened:
    """Slit a piece of a patch from its edge inward along stated lines, without laying it flat.

    Parameters
    ----------
    opened : Opened
    k : int
        Number of the piece.
    lines_mm : sequence of (n, 3) arrays, mm
        Each begins on the piece's edge and ends inside.

    Returns
    -------
    Opened
        With the slits among its seams, after those that were there.

    Raises
    ------
    OutlineError
        A line off the piece, or that does not run from its edge inward.
    CheckError
        If a slit cannot be made.
    """
    piece = opened.pieces[k]
    return _with_darts(opened, k, slit_along(piece, [_stated(line, "dart", piece) for line in lines_mm]))


@dataclass(frozen=True, eq=False)
class Advice:
    """What cuts would bring.

    Attributes
    ----------
    cuts : tuple of Dart
        Empty where none helps.
    over_before, over_after : float
        Share of the area above the strain limit without them and with them.
    """

    cuts: tuple[Dart, ...]
    over_before: float
    over_after: float

    @property
    def length_mm(self) -> float:
        """Of all cuts."""
        return sum(c.length_mm for c in self.cuts)

    def words(self) -> str:
        """Say how many cuts of which kind."""
        said = []
        for kind, name in (("dart", "dart"), ("split", "cut"), ("gusset", "gusset")):
            count = sum(c.kind == kind for c in self.cuts)
            if count:
                said.append(f"{count} {name}{'s' if count > 1 else ''}{' from edge to edge' if kind == 'split' else ''}")
        return " and ".join(said) if len(said) < 3 else f"{said[0]}, {said[1]} and {said[2]}"


def advise_cuts(
    opened: Opened,
    *,
    limit: float,
    over_share: float,
    most: int = MOST_ADVISED,
    kinds: Sequence[Kind] = KINDS,
    keep_off_mm: ArrayLike = (),
    clear_mm: float = 0.0,
    seam_mm: float = 25.0,
    scale_mm: float = 0.0,
    among: Sequence[int] | None = None,
) -> Advice:
    """Try what cuts would bring, on copies of the pieces with few triangles, so that it never takes long.

    Parameters
    ----------
    opened, limit, over_share, kinds, keep_off_mm, clear_mm, seam_mm, scale_mm, among
        As for `dart_pieces`.
    most : int
        The largest number of cuts tried.

    Returns
    -------
    Advice

    Raises
    ------
    ShapeError, SolveError
        As `flatten` does.
    """
    coarse = tuple(coarsen(p, faces=ADVICE_FACES, stray_mm=0.005 * float(np.linalg.norm(p.size_mm))).surface for p in opened.pieces)
    cuts: list[Dart] = []
    before = after = 0.0
    for _, done, share in _piece_by_piece(
        replace(opened, pieces=coarse), most=most, kinds=kinds, given_mm=(), gussets_mm=(), keep_off_mm=keep_off_mm,
        clear_mm=clear_mm, seam_mm=seam_mm, among=among, limit=limit, over_share=over_share, scale_mm=scale_mm,
    ):
        cuts += done.cuts
        before += share * done.before.over_share
        after += share * done.after.over_share
    if before - after < HELPS * before:
        return Advice((), before, before)
    return Advice(tuple(cuts), before, after)


def _piece_of(opened: Opened, line: ArrayLike) -> int:
    """The piece that a line lies on."""
    points = np.asarray(line, dtype=np.float64)
    return int(np.argmin([float(p.locate(points).distance_mm.max()) for p in opened.pieces]))


def _with_darts(opened: Opened, k: int, darted: Opened) -> Opened:
    """Put a piece with darts in the place of the piece without."""
    (piece,) = darted.pieces
    old, tree = opened.pieces[k].vertices_mm, cKDTree(piece.vertices_mm)

    def found(vertices: Ints) -> Ints:
        """The same vertices in the piece with darts, by where they lie."""
        return np.asarray(tree.query(old[vertices])[1], dtype=np.int64)

    sides = [
        Sides(
            q.left,
            q.right,
            found(q.left_vertices) if q.left == k else q.left_vertices,
            found(q.right_vertices) if q.right == k else q.right_vertices,
        )
        for q in opened.sides
    ]
    sides += [Sides(k, k, q.left_vertices, q.right_vertices) for q in darted.sides]
    pieces = (*opened.pieces[:k], piece, *opened.pieces[k + 1 :])
    return Opened(pieces, (*opened.seams, *darted.seams), tuple(sides))

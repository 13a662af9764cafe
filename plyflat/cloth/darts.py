"""Cuts that let a patch lie flat: darts from the edge inward where it is domed, lines across it where it is saddled."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import scipy.sparse as sp
from numpy.typing import ArrayLike
from scipy.sparse.csgraph import dijkstra
from scipy.sparse.linalg import splu
from scipy.spatial import cKDTree

from ..errors import CheckError, OutlineError, ShapeError, SolveError
from ..surface.coarsen import coarsen
from ..surface.cut import Inserted, insert_path, mesh_edges
from ..surface.mesh import Floats, Ints, Surface
from ._bounds import vertex_curvature
from ._cutting import Opened, Sides, cut_along
from .flatten import Flat, flatten, strain_of
from .template import Strain

Kind = Literal["dart", "split"]

#: Cuts are tried out on a copy with about so many triangles.
DRAFT_FACES = 1500
#: Share of the patch's own area over the limit that a cut must take away for each such length, the patch's own size.
WORTH = 0.004
#: A dart is tried from so many places of the edge, the best one then to these shares of its depth.
ENDS, DEPTHS = 3, (0.75,)
#: Lines across run between so many places of the edge; so many of them, the most promising, are tried.
STATIONS, ACROSS = 14, 10
#: Strain counts from this share of the limit on, fully from twice the limit: so that near misses guide the search.
FROM, FULL = 0.7, 1.3


@dataclass(frozen=True, eq=False)
class Dart:
    """A cut, and what it bought.

    Attributes
    ----------
    kind : {"dart", "split"}
        From the edge inward, or from edge to edge.
    line_mm : (k, 3) float array, mm
        On the surface; a dart from the edge to its tip.
    over_before, over_after : float
        Share of the patch's area above the strain limit without it and with it, all earlier cuts made.
    opens_deg : float
        By how much the two sides of a dart turn apart in the flat, at its tip; 0 for a split.
    given : bool
        Whether the user placed it.
    """

    kind: Kind
    line_mm: Floats
    over_before: float
    over_after: float
    opens_deg: float = 0.0
    given: bool = False

    @property
    def length_mm(self) -> float:
        """Length of the line, mm."""
        return float(np.linalg.norm(np.diff(self.line_mm, axis=0), axis=1).sum())


@dataclass(frozen=True, eq=False)
class Darted:
    """A patch with its cuts, laid flat.

    Attributes
    ----------
    opened : Opened
        The pieces; the two sides of a dart belong to one piece.
    flats : tuple of Flat
    cuts : tuple of Dart
        In the order in which they were found.
    before, after : Strain
        Of the patch laid flat uncut, and of all pieces.
    """

    opened: Opened
    flats: tuple[Flat, ...]
    cuts: tuple[Dart, ...]
    before: Strain
    after: Strain


@dataclass(frozen=True, eq=False)
class _Rules:
    """What a cut must keep to, and what it is worth."""

    limit: float
    over_share: float
    kinds: tuple[Kind, ...]
    keep_off: cKDTree | None
    clear_mm: float
    size_mm: float
    area_mm2: float
    edge: cKDTree


@dataclass(frozen=True, eq=False)
class _Piece:
    """A piece of the draft laid flat.

    `harm` is the area that the cloth cannot follow, mm²: triangles count the more the farther over the limit.
    """

    surface: Surface
    flat: Flat
    harm: float
    over_mm2: float


@dataclass(frozen=True, eq=False)
class _Trial:
    """A cut of a piece tried out; `line` (k, 3) runs along the draft's surface."""

    kind: Kind
    line: Floats
    pieces: tuple[_Piece, ...]
    gain: float


def place_darts(
    surface: Surface,
    *,
    limit: float = 0.03,
    over_share: float = 0.05,
    most: int = 8,
    kinds: Sequence[Kind] = ("dart", "split"),
    given_mm: Sequence[ArrayLike] = (),
    keep_off_mm: ArrayLike = (),
    clear_mm: float = 0.0,
) -> Darted:
    """Cut a patch where that lets it lie flat best, until the strain is within its limit.

    Each cut is the one, of a few dozen tried, that takes away the most area over the limit for its length. A domed part
    gets darts, towards where the potential of its curvature is greatest; a saddled part, whose darts would lie over
    themselves, is split from edge to edge. Cuts run along geodesics, so they are straight in the cloth or nearly so.

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
    kinds : sequence of {"dart", "split"}
        What may be proposed.
    given_mm : sequence of (k, 3) arrays, mm
        Lines the user places: each begins on the edge, and ends inside (a dart) or on the edge again.
    keep_off_mm : (k, 3) array, mm
        Points that no cut may come near: a loaded corner, the cuts of a neighbouring ply.
    clear_mm : float
        How near.

    Returns
    -------
    Darted

    Raises
    ------
    OutlineError
        A given line off the surface, or that does not begin on the edge.
    ShapeError
        As `flatten` does.

    References
    ----------
    X. Gu, S. Gortler, H. Hoppe, "Geometry images", SIGGRAPH 2002, section 3: cut from where the strain is greatest to
    the edge, and again. The potential of curvature with the edge held at nought is that of A. Sheffer, J. Hart,
    "Seamster", IEEE Visualization 2002, in spirit only.
    """
    points = np.asarray(keep_off_mm, dtype=np.float64).reshape(-1, 3)
    box = float(np.linalg.norm(surface.size_mm))
    draft = coarsen(surface, faces=DRAFT_FACES, stray_mm=0.01 * box).surface
    edge = cKDTree(draft.vertices_mm[np.concatenate(draft.boundary_loops)])
    keep_off = cKDTree(points) if len(points) else None
    rules = _Rules(limit, over_share, tuple(kinds), keep_off, clear_mm, box, surface.area_mm2, edge)
    pieces: tuple[_Piece, ...] = (_laid(draft, rules),)
    cuts: list[Dart] = []
    for line in given_mm:
        pieces, cut = _as_given(pieces, np.asarray(line, dtype=np.float64), rules)
        cuts.append(cut)
    for _ in range(most):
        if _over(pieces, rules) <= over_share:
            break
        found = _next_cut(pieces, rules)
        if found is None:
            break
        pieces, cut = found
        cuts.append(cut)
    return _finished(surface, cuts, rules)


def _over(pieces: Sequence[_Piece], rules: _Rules) -> float:
    return sum(p.over_mm2 for p in pieces) / rules.area_mm2


def dart_pieces(
    opened: Opened,
    *,
    limit: float,
    over_share: float,
    most: int,
    given_mm: Sequence[ArrayLike] = (),
    keep_off_mm: ArrayLike = (),
    clear_mm: float = 0.0,
    seam_mm: float = 25.0,
) -> tuple[Opened, tuple[Dart, ...]]:
    """Cut the pieces of an opened patch further, each as `place_darts` does.

    A patch that has no seams may be split too; pieces that meet at seams get darts only, which begin on the patch's own
    edge and keep off the seams.

    Parameters
    ----------
    opened : Opened
    limit, over_share, given_mm, keep_off_mm, clear_mm
        As for `place_darts`.
    most : int
        The largest number of cuts over all pieces, beyond those given.
    seam_mm : float
        How far from seams darts keep.

    Returns
    -------
    Opened
        With the cuts among its seams, after those that were there.
    tuple of Dart
        In the same order.
    """
    if not opened.seams:
        done = place_darts(
            opened.pieces[0], limit=limit, over_share=over_share, most=most, given_mm=given_mm, keep_off_mm=keep_off_mm,
            clear_mm=clear_mm,
        )
        return (done.opened, done.cuts) if done.cuts else (opened, ())
    near = np.vstack([np.asarray(keep_off_mm, dtype=np.float64).reshape(-1, 3), *opened.seams])
    cuts: list[Dart] = []
    for k, piece in enumerate(opened.pieces):
        mine = [line for line in given_mm if _piece_of(opened, line) == k]
        done = place_darts(
            piece, limit=limit, over_share=over_share, most=max(most - len(cuts), 0), kinds=("dart",), given_mm=mine,
            keep_off_mm=near, clear_mm=max(clear_mm, seam_mm),
        )
        if done.cuts:
            opened = _with_darts(opened, k, done.opened)
            cuts += done.cuts
    return opened, tuple(cuts)


def _piece_of(opened: Opened, line: ArrayLike) -> int:
    """The piece that a line lies on."""
    points = np.asarray(line, dtype=np.float64)
    return int(np.argmin([float(p.locate(points).distance_mm.max()) for p in opened.pieces]))


def _with_darts(opened: Opened, k: int, darted: Opened) -> Opened:
    """Put a piece with darts in the place of the piece without."""
    (piece,) = darted.pieces
    old, tree = opened.pieces[k].vertices_mm, cKDTree(piece.vertices_mm)

    def found(vertices: Ints) -> Ints:
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


# -- trying cuts out on the draft ------------------------------------------------------------------------------------
def _laid(surface: Surface, rules: _Rules, start: Floats | None = None) -> _Piece:
    flat = flatten(surface, start_uv=start)
    strain = np.abs(flat.stretch - 1).max(axis=1)
    area = surface.face_areas_mm2
    ramp = np.clip((strain / rules.limit - FROM) / (FULL - FROM), 0.0, 1.0)
    far = np.maximum(strain / rules.limit - 1.0, 0.0)
    return _Piece(surface, flat, float(area @ (ramp + 0.1 * far)), float(area[strain > rules.limit].sum()))


def _next_cut(pieces: tuple[_Piece, ...], rules: _Rules) -> tuple[tuple[_Piece, ...], Dart] | None:
    """Find the best cut of the piece that is worst off, or of the next one where it cannot be helped."""
    for k in sorted(range(len(pieces)), key=lambda j: -pieces[j].harm):
        if pieces[k].over_mm2 <= rules.over_share * rules.area_mm2 / (2 * len(pieces)):
            return None
        best = _best_cut(pieces[k], rules)
        if best is not None:
            rest = (*pieces[:k], *best.pieces, *pieces[k + 1 :])
            after = _over(rest, rules)
            cut = Dart(best.kind, best.line, _over(pieces, rules), after)
            return rest, cut
    return None


def _best_cut(piece: _Piece, rules: _Rules) -> _Trial | None:
    """Try darts and splits, in the order that the sign of the curvature says; the second only if the first fails."""
    field = _potential(piece.surface)
    domed = field.max() >= -field.min()
    order: list[Kind] = ["dart", "split"] if domed else ["split", "dart"]
    for kind in (q for q in order if q in rules.kinds):
        best = _best_dart(piece, field, rules) if kind == "dart" else _best_split(piece, field, rules)
        if best is not None:
            return best
    return None


def _best_dart(piece: _Piece, field: Floats, rules: _Rules) -> _Trial | None:
    """Try darts from the edge to the peaks of the potential, the best of them again not quite so far."""
    trials = [(t, way) for way in _dart_ways(piece, field, rules.edge) if (t := _dart(piece, way, 1.0, rules)) is not None]
    if not trials:
        return None
    best, way = max(trials, key=lambda q: q[0].gain)
    shorter = [t for depth in DEPTHS if (t := _dart(piece, way, depth, rules)) is not None]
    return max([best, *shorter], key=lambda t: t.gain)


def _dart(piece: _Piece, way: list[int], depth: float, rules: _Rules) -> _Trial | None:
    """Try the first part of a way, which runs from the edge to the tip."""
    to = way[max(2, round(depth * (len(way) - 1)))] if len(way) > 3 else way[-1]
    line = piece.surface.vertices_mm[[way[0], to]]
    return _tried(piece, "dart", line, rules) if _clear(line, rules) else None


def _best_split(piece: _Piece, field: Floats, rules: _Rules) -> _Trial | None:
    """Try lines from edge to edge."""
    lines = (line for line in _split_lines(piece, field) if _clear(line, rules))
    trials = [t for line in lines if (t := _tried(piece, "split", line, rules)) is not None]
    return max(trials, key=lambda t: t.gain) if trials else None


def _tried(piece: _Piece, kind: Kind, line: Floats, rules: _Rules) -> _Trial | None:
    """Cut and lay flat again; None where it cannot be cut so, lies over itself, or gains too little."""
    made = _cut(piece, line)
    if made is None:
        return None
    surfaces, starts, line = made
    if len(surfaces) != (1 if kind == "dart" else 2):
        return None
    try:
        laid = tuple(_laid(s, rules, start) for s, start in zip(surfaces, starts))
    except (SolveError, ShapeError):
        return None
    if any(p.flat.overlaps for p in laid):
        return None
    length = float(np.linalg.norm(np.diff(line, axis=0), axis=1).sum())
    gain = (piece.harm - sum(p.harm for p in laid)) / rules.area_mm2 - WORTH * length / rules.size_mm
    return _Trial(kind, line, laid, gain) if gain > 0 else None


def _cut(piece: _Piece, line: Floats) -> tuple[tuple[Surface, ...], tuple[Floats, ...], Floats] | None:
    """Cut a piece along a line; return the parts, the flat shape that each had as it was, and the way of the cut."""
    try:
        made = insert_path(piece.surface, line, closed=False, smooth_mm=0.0, tolerance_mm=1e9)
    except (OutlineError, CheckError):
        return None
    if not _from_rim(made.surface, made.path):
        return None
    opened = cut_along(made.surface, [made.path])
    uv = made.weights @ piece.flat.uv_mm
    starts = []
    for part, faces in zip(opened.pieces, opened.faces):
        start = np.empty((len(part.vertices_mm), 2))
        start[part.faces] = uv[made.surface.faces[faces]]
        starts.append(start)
    return opened.pieces, tuple(starts), made.surface.vertices_mm[made.path]


def _from_rim(surface: Surface, path: Ints) -> bool:
    """Whether a path begins on the edge and leaves it at once, to end inside or on the edge again."""
    rim = np.zeros(len(surface.vertices_mm), dtype=bool)
    for loop in surface.boundary_loops:
        rim[loop] = True
    return len(path) > 2 and bool(rim[path[0]]) and not rim[path[1:-1]].any()


# -- where to cut ----------------------------------------------------------------------------------------------------
def _potential(surface: Surface) -> Floats:
    """Solve L u = K with u = 0 on the edge: it peaks inside what is domed, and dips inside what is saddled.

    L is the cotangent Laplacian and K the angle missing at each vertex.
    """
    import igl

    rim = np.concatenate(surface.boundary_loops)
    inside = np.setdiff1d(np.arange(len(surface.vertices_mm)), rim)
    out = np.zeros(len(surface.vertices_mm))
    if len(inside):
        stiff = sp.csc_matrix(-igl.cotmatrix(surface.vertices_mm, surface.faces))[inside][:, inside]
        out[inside] = splu(sp.csc_matrix(stiff)).solve(vertex_curvature(surface)[inside])
    return out


def _dart_ways(piece: _Piece, field: Floats, edge: cKDTree) -> Iterator[list[int]]:
    """Propose ways along the mesh's edges, from the patch's edge to the peaks of the potential."""
    s = piece.surface
    graph = _graph(s)
    rim = s.boundary_loops[0]
    # A dart that began on another one would make a hook that nobody can lay.
    bare = edge.query(s.vertices_mm[rim])[0] < 1e-6
    for tip in _peaks(s, field, graph):
        far, came = dijkstra(graph, indices=tip, return_predecessors=True)
        for end in _near_ends(s.vertices_mm[rim], np.where(bare, far[rim], np.inf)):
            yield _way(came, int(rim[end]), tip)


def _peaks(surface: Surface, field: Floats, graph: sp.csr_array) -> list[int]:
    """The highest vertex of a field, and the highest one well away from it if it is half as high."""
    first = int(np.argmax(field))
    if field[first] <= 0:
        return []
    away = dijkstra(graph, indices=first) > 0.25 * float(np.linalg.norm(surface.size_mm))
    second = int(np.argmax(np.where(away, field, -np.inf)))
    return [first, second] if away.any() and field[second] > 0.5 * field[first] else [first]


def _near_ends(rim_mm: Floats, far: Floats) -> list[int]:
    """Places of the edge that are nearest, and the nearest ones that lie apart from those."""
    size = float(np.ptp(rim_mm, axis=0).max())
    ends: list[int] = []
    for k in np.argsort(far):
        if not np.isfinite(far[k]):
            break
        if all(np.linalg.norm(rim_mm[k] - rim_mm[j]) > 0.22 * size for j in ends):
            ends.append(int(k))
        if len(ends) == ENDS:
            break
    return ends


def _split_lines(piece: _Piece, field: Floats) -> Iterator[Floats]:
    """Propose lines between places of the edge that pass where the potential is deep."""
    s = piece.surface
    graph = _graph(s)
    rim = s.boundary_loops[0]
    at = _stations(s.vertices_mm[rim], STATIONS)
    far, came = dijkstra(graph, indices=rim[at], return_predecessors=True)
    ranked = []
    for i in range(len(at)):
        for j in range(i + 3, len(at) - (2 if i == 0 else 0)):
            if not np.isfinite(far[i, rim[at[j]]]):
                continue
            way = _way(came[i], int(rim[at[j]]), int(rim[at[i]]))
            ranked.append((float(np.abs(field[way]).mean()), i, j))
    for _, i, j in sorted(ranked, reverse=True)[:ACROSS]:
        yield s.vertices_mm[rim[[at[i], at[j]]]]


def _stations(rim_mm: Floats, count: int) -> Ints:
    """Indices of places spread evenly round a closed line."""
    step = np.linalg.norm(np.roll(rim_mm, -1, axis=0) - rim_mm, axis=1)
    run = np.cumsum(step) - step
    return np.unique(np.searchsorted(run, step.sum() * np.arange(count) / count).clip(0, len(rim_mm) - 1))


def _graph(surface: Surface) -> sp.csr_array:
    """The mesh as a web of edges with their lengths."""
    v, n = surface.vertices_mm, len(surface.vertices_mm)
    e = mesh_edges(surface.faces, n).ends
    length = np.linalg.norm(v[e[:, 0]] - v[e[:, 1]], axis=1)
    return sp.csr_array((np.r_[length, length], (np.r_[e[:, 0], e[:, 1]], np.r_[e[:, 1], e[:, 0]])), shape=(n, n))


def _way(came: Ints, end: int, start: int) -> list[int]:
    """The vertices from an end back to the start of a search."""
    way = [end]
    while way[-1] != start:
        way.append(int(came[way[-1]]))
    return way


def _clear(line: Floats, rules: _Rules) -> bool:
    """Whether a line, straight between its points, keeps off what it must keep off."""
    if rules.keep_off is None or rules.clear_mm <= 0:
        return True
    t = np.linspace(0.0, 1.0, 25)[:, None]
    dense = np.vstack([a + t * (b - a) for a, b in zip(line[:-1], line[1:])])
    return bool(rules.keep_off.query(dense)[0].min() >= rules.clear_mm)


def _as_given(pieces: tuple[_Piece, ...], line: Floats, rules: _Rules) -> tuple[tuple[_Piece, ...], Dart]:
    """Make a cut that the user placed, whatever it gains."""
    if line.ndim != 2 or line.shape[1:] != (3,) or len(line) < 2 or not np.isfinite(line).all():
        raise OutlineError("a cut is not a list of two or more points", do="Give its points from the edge inward.")
    off = [float(p.surface.locate(line).distance_mm.max()) for p in pieces]
    k = int(np.argmin(off))
    rim = np.concatenate(pieces[k].surface.boundary_loops)
    points = pieces[k].surface.vertices_mm
    line = np.vstack([points[rim[cKDTree(points[rim]).query(line[0])[1]]], line[1:]])
    made = _cut(pieces[k], line)
    if made is None:
        x, y, z = line[0]
        raise OutlineError(
            "a cut does not run from the edge into the patch", where=f"({x:.1f}, {y:.1f}, {z:.1f}) mm",
            do="Begin it on the edge, and end it inside or on the edge again.",
        )
    surfaces, starts, line = made
    parts = tuple(_laid(s, rules, start) for s, start in zip(surfaces, starts))
    rest = (*pieces[:k], *parts, *pieces[k + 1 :])
    kind: Kind = "dart" if len(parts) == 1 else "split"
    return rest, Dart(kind, line, _over(pieces, rules), _over(rest, rules), given=True)


# -- the cuts on the patch itself ----------------------------------------------------------------------------------------
def _finished(surface: Surface, cuts: list[Dart], rules: _Rules) -> Darted:
    """Make all cuts on the patch itself and lay its pieces flat."""
    whole = flatten(surface)
    before = strain_of(whole, surface.face_areas_mm2, rules.limit)
    if not cuts:
        return Darted(Opened((surface,)), (whole,), (), before, before)
    cut = surface
    paths: list[Ints] = []
    for one in cuts:
        cut, paths = _inserted(cut, paths, one)
    opened = cut_along(cut, _parted(paths))
    flats = tuple(flatten(piece) for piece in opened.pieces)
    areas = np.concatenate([p.face_areas_mm2 for p in opened.pieces])
    after = strain_of(np.concatenate([f.stretch for f in flats]), areas, rules.limit)
    lines = [replace(one, line_mm=cut.vertices_mm[path]) for one, path in zip(cuts, paths)]
    return Darted(opened, flats, tuple(_with_turns(lines, opened, flats)), before, after)


def _inserted(surface: Surface, paths: list[Ints], cut: Dart) -> tuple[Surface, list[Ints]]:
    """Make a cut a path of edges of the patch, within the piece that the earlier cuts leave it."""
    opened = cut_along(surface, _parted(paths)) if paths else Opened((surface,), faces=(np.arange(len(surface.faces)),))
    middle = cut.line_mm[len(cut.line_mm) // 2]
    k = int(np.argmin([float(p.locate(middle).distance_mm[0]) for p in opened.pieces]))
    piece, home = opened.pieces[k], opened.faces[k]
    whole = np.empty(len(piece.vertices_mm), dtype=np.int64)
    whole[piece.faces] = surface.faces[home]
    made = _path_in(piece, cut)
    rim = np.concatenate(piece.boundary_loops)
    if not np.isin(rim, made.parent_vertex).all():
        raise CheckError("a cut moved the edge of its piece", do="Please report this with the mesh.")
    return _put_back(surface, home, whole, made, paths)


def _path_in(piece: Surface, cut: Dart) -> Inserted:
    """Insert a cut into its piece as the geodesic between its ends; where that touches the edge, as it was tried out."""
    ends = _snapped(piece, cut)
    for line in (ends, np.vstack([ends[:1], cut.line_mm[1:-1], ends[1:]])):
        try:
            made = insert_path(piece, line, closed=False)
        except OutlineError:
            continue
        if _from_rim(made.surface, made.path):
            return made
    x, y, z = cut.line_mm[0]
    raise CheckError(
        "a cut runs along the edge of its piece", where=f"({x:.1f}, {y:.1f}, {z:.1f}) mm",
        do="Ask for fewer cuts, or place them yourself.",
    )


def _put_back(
    surface: Surface, home: Ints, whole: Ints, made: Inserted, paths: list[Ints]
) -> tuple[Surface, list[Ints]]:
    """Put a piece with a new path back among the others, whose edges it has left as they were."""
    new = made.parent_vertex < 0
    to = np.empty(len(new), dtype=np.int64)
    to[~new] = whole[made.parent_vertex[~new]]
    to[new] = len(surface.vertices_mm) + np.arange(int(new.sum()))
    v = np.vstack([surface.vertices_mm, made.surface.vertices_mm[new]])
    v[to[~new]] = made.surface.vertices_mm[~new]
    rest = np.ones(len(surface.faces), dtype=bool)
    rest[home] = False
    faces = np.vstack([surface.faces[rest], to[made.surface.faces]])
    used, inverse = np.unique(faces, return_inverse=True)
    at = np.full(len(v), -1, dtype=np.int64)
    at[used] = np.arange(len(used))
    return Surface(v[used], inverse.reshape(-1, 3)), [at[p] for p in (*paths, to[made.path])]


def _snapped(piece: Surface, cut: Dart) -> Floats:
    """The ends of a cut, put on vertices: the first on the piece's edge, the last there too or well inside."""
    v = piece.vertices_mm
    rim = np.concatenate(piece.boundary_loops)
    on = rim if cut.kind == "split" else np.setdiff1d(np.arange(len(v)), rim)
    start = v[rim[cKDTree(v[rim]).query(cut.line_mm[0])[1]]]
    return np.stack([start, v[on[cKDTree(v[on]).query(cut.line_mm[-1])[1]]]])


def _parted(paths: list[Ints]) -> list[Ints]:
    """Part every path where another one ends on it, so that each part has one piece on either side."""
    ends = np.concatenate([p[[0, -1]] for p in paths])
    parts = []
    for path in paths:
        at = [0, *(np.flatnonzero(np.isin(path[1:-1], ends)) + 1).tolist(), len(path) - 1]
        parts += [path[a : b + 1] for a, b in zip(at[:-1], at[1:])]
    return parts


def _with_turns(lines: list[Dart], opened: Opened, flats: tuple[Flat, ...]) -> Iterator[Dart]:
    """Say by how much each dart's sides turn apart in the flat."""
    for dart in lines:
        if dart.kind == "split":
            yield dart
            continue
        k = int(np.argmin([np.linalg.norm(seam[-1] - dart.line_mm[-1]) for seam in opened.seams]))
        side = opened.sides[k]
        one, two = (flats[side.left].uv_mm[q] for q in (side.left_vertices, side.right_vertices))
        a, b = one[0] - one[-1], two[0] - two[-1]
        turn = np.arctan2(a[0] * b[1] - a[1] * b[0], a @ b)
        yield replace(dart, opens_deg=float(abs(np.degrees(turn))))

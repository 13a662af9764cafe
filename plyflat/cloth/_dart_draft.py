"""The draft on which cuts are tried out: a patch of few triangles, cut at little cost and laid flat again."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Literal

import numpy as np
import scipy.sparse as sp
from numpy.typing import ArrayLike
from scipy.spatial import cKDTree

from ..errors import ShapeError, SolveError
from ..surface._topology import mesh_edges, surface_edges
from ..surface.cut import subdivide
from ..surface.mesh import Bools, Floats, Ints, Surface
from ._cutting import Opened, cut_along
from .flatten import Flat, flatten
from .template import Strain

Kind = Literal["dart", "split", "gusset"]
KINDS: tuple[Kind, ...] = ("dart", "split", "gusset")

#: Cuts are tried out on a copy with about so many triangles.
DRAFT_FACES = 1500
#: Share of the patch's own area over the limit that a cut must take away for each such length, the patch's own size.
WORTH = 0.004
#: Strain counts from this share of the limit on, fully from twice the limit: so that near misses guide the search.
FROM, FULL = 0.7, 1.3
#: A line that crosses an edge of the draft nearer to its end than this share of it takes the vertex along.
SNAP = 0.2
#: The draft is settled when another step would gain less than this share of its energy.
SETTLED = 1e-8
#: A vertex is put on the edge no nearer to another one than this share of the step between two.
NOT_AT_CORNER = 0.02
#: A draft with a triangle smaller than this share of the mean one is given up.
THIN = 1e-7
#: Points of a line are looked for on the mesh so many at a time.
CHUNK = 8


@dataclass(frozen=True, eq=False)
class Dart:
    """A cut, and what it bought.

    Attributes
    ----------
    kind : {"dart", "split", "gusset"}
        From the edge inward; from edge to edge; or from the edge inward and back to the edge, round a wedge that is a
        piece of its own.
    line_mm : (k, 3) float array, mm
        On the surface; a dart from the edge to its tip, a gusset with its wedge on the left.
    over_before, over_after : float
        Share of the patch's area above the strain limit without it and with it, all earlier cuts made.
    opens_deg : float
        By how much the two sides of a dart turn apart in the flat, at its tip; for a gusset the angle let in, that of
        its wedge at the tip; 0 for a split.
    given : bool
        Whether the user placed it.
    shear_deg : tuple of float or None
        Cloth laid by its threads: the largest shear of its piece without the cuts made there and with them; None for the
        first where no net lay without them. The areas are then shares past locking. None where the piece was flattened.
    """

    kind: Kind
    line_mm: Floats
    over_before: float
    over_after: float
    opens_deg: float = 0.0
    given: bool = False
    shear_deg: tuple[float | None, float] | None = None

    @property
    def length_mm(self) -> float:
        """Length of the line, mm."""
        return length_mm(self.line_mm)


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
class Rules:
    """What a cut must keep to, and what it is worth.

    Attributes
    ----------
    limit, over_share : float
        Strain limit, and share of the area that may be above it.
    kinds : tuple of Kind
    keep_off : cKDTree or None
        What cuts keep `clear_mm` away from.
    size_mm, area_mm2 : float
        Of the patch.
    edge : cKDTree
        Vertices of the draft's edge before any cut.
    peaks_mm : (k, 3) float array, mm
        Points of curvature, which tips go to if they are near.
    reach_mm : float
        How near.
    """

    limit: float
    over_share: float
    kinds: tuple[Kind, ...]
    keep_off: cKDTree | None
    clear_mm: float
    size_mm: float
    area_mm2: float
    edge: cKDTree
    peaks_mm: Floats
    reach_mm: float


@dataclass(frozen=True, eq=False)
class Course:
    """Where a cut is to run.

    Attributes
    ----------
    kind : Kind
    points_mm : (k, 3) float array, mm
        Place on the edge and tip, to be joined by a geodesic; for a split the two places on the edge. A cut of the
        user's may have points between.
    wide_mm : float
        For a gusset how far its sides are apart along the edge; else 0.
    line_mm : (k, 3) float array, mm
        As the draft has it.
    given : bool
        Whether the user placed it.
    """

    kind: Kind
    points_mm: Floats
    line_mm: Floats
    wide_mm: float = 0.0
    given: bool = False


@dataclass(frozen=True, eq=False)
class Piece:
    """A piece of the draft laid flat.

    Attributes
    ----------
    surface : Surface
    flat : Flat
    harm : float
        The area that the cloth cannot follow, mm²: triangles count the more the farther over the limit.
    over_mm2 : float
    """

    surface: Surface
    flat: Flat
    harm: float
    over_mm2: float

    @cached_property
    def graph(self) -> sp.csr_array:
        """The mesh as a web of edges with their lengths."""
        v, n = self.surface.vertices_mm, len(self.surface.vertices_mm)
        e = surface_edges(self.surface).ends
        length = np.linalg.norm(v[e[:, 0]] - v[e[:, 1]], axis=1)
        return sp.csr_array((np.r_[length, length], (np.r_[e[:, 0], e[:, 1]], np.r_[e[:, 1], e[:, 0]])), shape=(n, n))

    @cached_property
    def solver(self) -> Any:
        """What finds geodesics on it."""
        import potpourri3d

        return potpourri3d.EdgeFlipGeodesicSolver(self.surface.vertices_mm, self.surface.faces)

    @cached_property
    def on_rim(self) -> Bools:
        """Whether each vertex is on the edge."""
        out = np.zeros(len(self.surface.vertices_mm), dtype=bool)
        out[np.concatenate(self.surface.boundary_loops)] = True
        return out

    def bare(self, rules: Rules) -> Bools:
        """Which vertices of the outer edge are on the patch's own: a cut that began on another one makes a hook."""
        rim = self.surface.vertices_mm[self.surface.boundary_loops[0]]
        return np.asarray(rules.edge.query(rim)[0] < 1e-6)

    def way(self, start: int, end: int) -> Floats:
        """Return the geodesic between two vertices, (k, 3), mm."""
        return np.asarray(self.solver.find_geodesic_path(start, end), dtype=np.float64)


def geodesic(surface: Surface, start: int, end: int) -> Floats:
    """Return the geodesic between two vertices, (k, 3), mm."""
    import potpourri3d

    return np.asarray(potpourri3d.EdgeFlipGeodesicSolver(surface.vertices_mm, surface.faces).find_geodesic_path(start, end))


@dataclass(frozen=True, eq=False)
class Trial:
    """Cuts of a piece tried out together.

    Attributes
    ----------
    courses : tuple of Course
    pieces : tuple of Piece
    gain : float
        Harm taken away, as a share of the patch, less what the cuts' length is worth.
    """

    courses: tuple[Course, ...]
    pieces: tuple[Piece, ...]
    gain: float

    @property
    def over_mm2(self) -> float:
        """Area over the limit."""
        return sum(p.over_mm2 for p in self.pieces)


def length_mm(line: ArrayLike) -> float:
    """Return the length of a (k, 3) polyline, mm."""
    return float(np.linalg.norm(np.diff(np.asarray(line), axis=0), axis=1).sum())


def along(line: Floats, share: float) -> Floats:
    """Return the point (3,) at a share of the length of a (k, 3) polyline."""
    run = np.r_[0.0, np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))]
    return np.array([np.interp(share * run[-1], run, line[:, k]) for k in range(3)])


def laid(surface: Surface, rules: Rules, start: Floats | None = None) -> Piece:
    """Lay a piece of the draft flat and weigh its strain."""
    flat = flatten(surface, start_uv=start, tolerance=SETTLED)
    strain = np.abs(flat.stretch - 1).max(axis=1)
    area = surface.face_areas_mm2
    ramp = np.clip((strain / rules.limit - FROM) / (FULL - FROM), 0.0, 1.0)
    far = np.maximum(strain / rules.limit - 1.0, 0.0)
    return Piece(surface, flat, float(area @ (ramp + 0.1 * far)), float(area[strain > rules.limit].sum()))


def is_clear(line: Floats, rules: Rules) -> bool:
    """Whether a line keeps off what it must keep off."""
    if rules.keep_off is None or rules.clear_mm <= 0:
        return True
    t = np.linspace(0.0, 1.0, 5)[:, None]
    dense = np.vstack([a + t * (b - a) for a, b in zip(line[:-1], line[1:])])
    return bool(rules.keep_off.query(dense)[0].min() >= rules.clear_mm)


def worth(before: float, pieces: Sequence[Piece], lines: Sequence[Floats], rules: Rules) -> float:
    """Return what cuts gain: harm taken away less the worth of their length."""
    length = sum(length_mm(line) for line in lines)
    return (before - sum(p.harm for p in pieces)) / rules.area_mm2 - WORTH * length / rules.size_mm


def try_cuts(piece: Piece, courses: Sequence[Course], rules: Rules, *, parts: int) -> Trial | None:
    """Make cuts in a piece and lay it flat again.

    Parameters
    ----------
    piece : Piece
    courses : sequence of Course
        Their lines end on vertices of the piece.
    rules : Rules
    parts : int
        How many pieces that must give.

    Returns
    -------
    Trial or None
        None where it cannot be cut so, lies over itself, or gains too little.
    """
    lines = [c.line_mm for c in courses]
    if not all(is_clear(line, rules) for line in lines):
        return None
    made = slit(piece.surface, lines)
    if made is None:
        return None
    opened, starts = opened_with(made, made.carry(piece.flat.uv_mm))
    if len(opened.pieces) != parts:
        return None
    try:
        flat = tuple(laid(s, rules, start) for s, start in zip(opened.pieces, starts))
    except (SolveError, ShapeError):
        return None
    if any(p.flat.overlaps for p in flat):
        return None
    gain = worth(piece.harm, flat, lines, rules)
    return Trial(tuple(courses), flat, gain) if gain > 0 else None


# -- cutting along lines that lie on the mesh --------------------------------------------------------------------------
@dataclass(frozen=True, eq=False)
class Slit:
    """A mesh with lines as edges, some of its vertices moved onto them.

    Attributes
    ----------
    surface : Surface
    paths : tuple of (k,) int arrays
    mixing : (n, n_before) sparse array
    """

    surface: Surface
    paths: tuple[Ints, ...]
    mixing: sp.csr_array

    def carry(self, field: Floats) -> Floats:
        """Carry a field over."""
        return np.asarray(self.mixing @ field)


def opened_with(made: Slit, uv: Floats) -> tuple[Opened, tuple[Floats, ...]]:
    """Open a mesh along its paths, and hand each part the flat shape that it had."""
    opened = cut_along(made.surface, made.paths)
    starts = []
    for part, faces in zip(opened.pieces, opened.faces):
        start = np.empty((len(part.vertices_mm), 2))
        start[part.faces] = uv[made.surface.faces[faces]]
        starts.append(start)
    return opened, tuple(starts)


def slit(
    surface: Surface, lines: Sequence[Floats], *, snap: float = SNAP, shut: Ints | None = None
) -> Slit | None:
    """Make lines that lie on a mesh edges of it: quick, and good enough for a draft.

    A line near a vertex draws the vertex to it along an edge; what it crosses farther from vertices is divided there.

    Parameters
    ----------
    surface : Surface
    lines : sequence of (k, 3) float arrays, mm
        Polylines with a point on every edge they cross, from vertex to vertex.
    snap : float
        How near to a vertex that is, as a share of the edge.
    shut : (k,) int array, optional
        Vertices inside that lines keep off as they do off the edge.

    Returns
    -------
    Slit or None
        None where lines touch one another or the edge on their way, or do not begin on it.
    """
    edges = surface_edges(surface)
    n = len(surface.vertices_mm)
    rim = np.zeros(n, dtype=bool)
    rim[edges.ends[edges.faces[:, 1] < 0]] = True
    if shut is not None:
        rim[shut] = True
    threads = [_threaded(surface, line, rim, snap) for line in lines]
    paths = [[q.at for q in thread] for thread in threads]
    if not all(_proper(p, n, rim) for p in paths) or not _apart(paths):
        return None
    share = {q.at - n: q.share for thread in threads for q in thread if q.at >= n}
    drawn = {q.at: q for thread in threads for q in thread[1:-1] if q.to >= 0}
    _hold_folded(surface, drawn)
    new = np.array(sorted(share), dtype=np.int64)
    made = np.full(len(edges.ends), -1, dtype=np.int64)
    made[new] = n + np.arange(len(new))
    ids = [np.array([q if q < n else made[q - n] for q in path], dtype=np.int64) for path in paths]
    mixing = _mixing(n, edges.ends[new], np.array([share[e] for e in new.tolist()]), drawn)
    v = mixing @ surface.vertices_mm
    faces, _ = subdivide(surface.faces, made[edges.of_face], v)
    if not _joined(faces, ids, len(v)):
        return None
    cut = Surface(v, faces)
    thin = float(cut.face_areas_mm2.min()) < THIN * surface.area_mm2 / len(surface.faces)
    return None if thin else Slit(cut, tuple(ids), mixing)


@dataclass(frozen=True)
class _Step:
    """A step of a line over a mesh of n vertices.

    Attributes
    ----------
    at : int
        A vertex, or n + the edge that is crossed.
    share : float
        Of that edge, or of the way to the vertex `to` by which the vertex is drawn.
    to : int
        -1 where it stays.
    """

    at: int
    share: float = 0.0
    to: int = -1


def _threaded(surface: Surface, line: Floats, rim: Bools, snap: float) -> list[_Step]:
    """Return the steps of a line; where it brushes past a vertex twice, what lies between is left out."""
    ends = surface_edges(surface).ends
    path: list[_Step] = []
    for v, e, s in zip(*(q.tolist() for q in _on_mesh(surface, line))):
        step = _Step(v) if v >= 0 else _step_on(e, s, ends[e], rim, snap)
        known = [k for k, q in enumerate(path) if q.at == step.at]
        path = path[: known[0] + 1] if known else [*path, step]
    return _without_slivers(path, ends, len(rim))


def _without_slivers(path: list[_Step], ends: Ints, n: int) -> list[_Step]:
    """Leave out crossings of edges that the step before or after ends on: the triangle between would have no area."""
    while True:
        beside = zip([None, *path[:-1]], path, [*path[1:], None])
        kept = [
            q for a, q, b in beside
            if q.at < n or not any(other is not None and other.at in ends[q.at - n] for other in (a, b))
        ]
        if len(kept) == len(path):
            return path
        path = kept


def _step_on(edge: int, share: float, ends: Ints, rim: Bools, snap: float) -> _Step:
    """Return the step across an edge: at its nearer end if that is near enough and free to move there."""
    near, far = (0, 1) if share < 0.5 else (1, 0)
    off = min(share, 1 - share)
    if off < snap and not (rim[ends[near]] and off > 1e-9):
        return _Step(int(ends[near]), off, int(ends[far]))
    return _Step(len(rim) + edge, share)


def _on_mesh(surface: Surface, line: Floats) -> tuple[Ints, Ints, Floats]:
    """Find points of a line on the edges they cross: vertex or -1, edge or -1, share of the edge."""
    v, ends = surface.vertices_mm, surface_edges(surface).ends
    middle, reach = (v[ends[:, 0]] + v[ends[:, 1]]) / 2, np.linalg.norm(v[ends[:, 1]] - v[ends[:, 0]], axis=1).max() / 2
    found = [_nearest_edges(v, ends, middle, reach, line[k : k + CHUNK]) for k in range(0, len(line), CHUNK)]
    edge, share = (np.concatenate(q) for q in zip(*found))
    vertex = np.full(len(line), -1, dtype=np.int64)
    for at in (0, -1):
        vertex[at] = ends[edge[at], int(share[at] > 0.5)]
        edge[at] = -1
    return vertex, edge, share


def _nearest_edges(v: Floats, ends: Ints, middle: Floats, reach_mm: float, points: Floats) -> tuple[Ints, Floats]:
    """Return the edge nearest to each of a few points that lie together, and the share of it before the point."""
    box = np.clip(middle, points.min(axis=0), points.max(axis=0))
    near = np.flatnonzero((np.abs(middle - box) <= reach_mm).all(axis=1))
    a, d = v[ends[near, 0]], v[ends[near, 1]] - v[ends[near, 0]]
    t = np.clip((points @ d.T - (a * d).sum(axis=1)) / (d * d).sum(axis=1), 0.0, 1.0)
    off = points[:, None] - a[None] - t[..., None] * d[None]
    k = np.argmin((off * off).sum(axis=2), axis=1)
    return near[k], t[np.arange(len(points)), k]


def _proper(path: list[int], n: int, rim: Bools) -> bool:
    """Whether a path leaves the edge at once and touches it again at its end only, if at all."""
    inner = np.array([q for q in path[1:-1] if q < n], dtype=np.int64)
    ends = [q for q in (path[0], path[-1]) if q < n]
    return len(path) > 2 and len(ends) == 2 and bool(rim[ends].any()) and not rim[inner].any()


def _apart(paths: list[list[int]]) -> bool:
    """Whether no two paths have anything in common."""
    steps = [q for path in paths for q in path]
    return len(set(steps)) == len(steps)


def _hold_folded(surface: Surface, drawn: dict[int, _Step]) -> None:
    """Leave vertices where they are whose move would turn a triangle over."""
    if not drawn:
        return
    v = surface.vertices_mm.copy()
    for a, q in drawn.items():
        v[a] += q.share * (surface.vertices_mm[q.to] - v[a])
    p = v[surface.faces]
    new = np.cross(p[:, 1] - p[:, 0], p[:, 2] - p[:, 0])
    bad = (new * surface.face_normals).sum(axis=1) < 0.2 * surface.face_areas_mm2
    for a in set(surface.faces[bad].ravel().tolist()) & set(drawn):
        drawn.pop(a)


def _mixing(n: int, ends: Ints, share: Floats, drawn: dict[int, _Step]) -> sp.csr_array:
    """Each vertex, old then new, as a mixture of the old ones."""
    own = np.ones(n)
    at = np.array(list(drawn), dtype=np.int64)
    to = np.array([q.to for q in drawn.values()], dtype=np.int64)
    s = np.array([q.share for q in drawn.values()])
    own[at] -= s
    k = n + np.arange(len(share))
    rows = np.concatenate([np.arange(n), at, k, k])
    cols = np.concatenate([np.arange(n), to, ends[:, 0], ends[:, 1]])
    return sp.csr_array((np.concatenate([own, s, 1 - share, share]), (rows, cols)), shape=(n + len(share), n))


def _joined(faces: Ints, paths: Sequence[Ints], n: int) -> bool:
    """Whether every step of some paths is an edge of the mesh."""
    pairs = np.sort(np.vstack([np.stack([p[:-1], p[1:]], axis=1) for p in paths]), axis=1)
    e = mesh_edges(faces, n).ends
    return bool(np.isin(pairs[:, 0] * n + pairs[:, 1], e[:, 0] * n + e[:, 1]).all())


# -- vertices where they are wanted ------------------------------------------------------------------------------------
def with_ends(surface: Surface, places_mm: Floats) -> tuple[Surface, sp.csr_array, list[int]]:
    """Put vertices on the edge of a draft.

    Parameters
    ----------
    surface : Surface
    places_mm : (k, 3) float array, mm
        On the edge, or near it.

    Returns
    -------
    Surface
    (n, n_before) sparse array
        Each vertex as a mixture of the vertices before; old ones keep their index.
    list of int
        The vertex at each place.
    """
    mixing = sp.csr_array(sp.eye_array(len(surface.vertices_mm), format="csr"))
    found = np.full(len(places_mm), -1, dtype=np.int64)
    while (found < 0).any():
        edge, share = on_edge(surface, places_mm)
        ask = np.flatnonzero(found < 0)
        # Two places on one edge of the draft are seen to one after the other.
        first = ask[np.unique(edge[ask], return_index=True)[1]]
        edges, n = surface_edges(surface), len(surface.vertices_mm)
        made = np.full(len(edges.ends), -1, dtype=np.int64)
        made[edge[first]] = found[first] = n + np.arange(len(first))
        step = _mixing(n, edges.ends[edge[first]], share[first], {})
        v = step @ surface.vertices_mm
        surface = Surface(v, subdivide(surface.faces, made[edges.of_face], v)[0])
        mixing = sp.csr_array(step @ mixing)
    return surface, mixing, found.tolist()


def on_edge(surface: Surface, places_mm: Floats) -> tuple[Ints, Floats]:
    """Return the edges on the boundary nearest to some places, and the share of each that lies before the place."""
    edges, v = surface_edges(surface), surface.vertices_mm
    rim = np.flatnonzero(edges.faces[:, 1] < 0)
    a, d = v[edges.ends[rim, 0]], v[edges.ends[rim, 1]] - v[edges.ends[rim, 0]]
    t = ((places_mm[:, None] - a) * d).sum(axis=2) / (d * d).sum(axis=1)
    t = np.clip(t, NOT_AT_CORNER, 1 - NOT_AT_CORNER)
    k = np.argmin(np.linalg.norm(a + t[..., None] * d - places_mm[:, None], axis=2), axis=1)
    return rim[k], t[np.arange(len(k)), k]


def with_centre(surface: Surface, place_mm: Floats) -> tuple[Surface, sp.csr_array, int]:
    """Put a vertex inside a draft; all else as `with_ends`."""
    spot = surface.locate(place_mm[None])
    n, home = len(surface.vertices_mm), int(spot.face[0])
    w = np.clip(spot.weights[0], NOT_AT_CORNER, None)
    w = w / w.sum()
    a, b, c = surface.faces[home].tolist()
    new = sp.csr_array((w, (np.zeros(3, dtype=np.int64), surface.faces[home])), shape=(1, n))
    mixing = sp.csr_array(sp.vstack([sp.eye_array(n, format="csr"), new]))
    rest = np.delete(surface.faces, home, axis=0)
    faces = np.vstack([rest, [[a, b, n], [b, c, n], [c, a, n]]])
    return Surface(mixing @ surface.vertices_mm, faces), mixing, n

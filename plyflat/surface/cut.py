"""Cut a mesh exactly: along a path laid over it, or along a level line of a field on its vertices.

The path is threaded from vertex to vertex: each step splits the one edge or face in the way, so the mesh is a
valid surface after every step. Slivers are cleared away afterwards by flips and collapses that move path and
surface by no more than stated.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import scipy.sparse as sp
from numpy.typing import ArrayLike
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from ..errors import CheckError, MeshError, OutlineError
from ._patch import NeedsWiderCrop, Patch
from ._smooth import SMOOTH_MM, carry_copy, pass_copy, work_copy
from ._topology import Edges, mesh_edges, surface_edges
from ._trace import NoWayError, Tidy, Trace, at, links
from .mesh import Bools, Floats, Ints, Located, Surface

SURFACE_CAP_MM = 0.05
FLIP_SWEEPS = 30


@dataclass(frozen=True, eq=False)
class Inserted:
    """A surface with a path as edges.

    Attributes
    ----------
    surface : Surface
    paths : tuple of (k,) int arrays
        For each path its vertices in order; the first is not repeated at the end of a closed path.
    closed : bool
    parent_face : (m,) int array
        The face of the surface before that each face was cut from.
    parent_vertex : (n,) int array
        The vertex before that each vertex is; -1 for a new one.
    weights : (n, n_before) sparse array
        Each vertex as a mixture of the vertices before, so that ``weights @ field`` carries a field over.
    """

    surface: Surface
    paths: tuple[Ints, ...]
    closed: bool
    parent_face: Ints
    parent_vertex: Ints
    weights: sp.csr_array

    @property
    def path(self) -> Ints:
        """(k,) vertices along the first path."""
        return self.paths[0]

    @property
    def path_edges(self) -> Ints:
        """(e, 2) vertex pairs along all paths."""
        return np.vstack([path_edges(q, closed=self.closed) for q in self.paths])


@dataclass(frozen=True, eq=False)
class LevelCut:
    """A surface split along a level line.

    Attributes
    ----------
    surface : Surface
    values : (n, ) float array
        The field, exactly the level on the vertices of the line.
    below : (m,) bool array
        The faces where the field is below the level.
    parent_face : (m,) int array
    parent_vertex : (n,) int array
        The vertex before that each vertex is; -1 for a new one. Old vertices keep their index.
    weights : (n, n_before) sparse array
        Each vertex as a mixture of the vertices before.
    carried : dict of str to array
        The fields asked to be carried, on the new vertices.
    """

    surface: Surface
    values: Floats
    below: Bools
    parent_face: Ints
    parent_vertex: Ints
    weights: sp.csr_array
    carried: dict[str, Floats] = field(default_factory=dict)


def label_faces(surface: Surface, barrier_edges: ArrayLike) -> Ints:
    """Number the parts of a surface that hang together without crossing the given edges.

    Parameters
    ----------
    surface : Surface
    barrier_edges : (k, 2) int array
        Vertex pairs, in any order and sense.

    Returns
    -------
    (m,) int array
        A label for each face, from 0.
    """
    n = len(surface.vertices_mm)
    edges = surface_edges(surface)
    wall = np.sort(np.asarray(barrier_edges, dtype=np.int64).reshape(-1, 2), axis=1)
    barred = np.isin(edges.ends[:, 0] * n + edges.ends[:, 1], wall[:, 0] * n + wall[:, 1])
    return _join_faces(edges.faces[(edges.faces[:, 1] >= 0) & ~barred], len(surface.faces))


def _join_faces(pairs: Ints, m: int) -> Ints:
    graph = sp.coo_array((np.ones(len(pairs), dtype=np.int8), (pairs[:, 0], pairs[:, 1])), shape=(m, m))
    return connected_components(graph, directed=False)[1].astype(np.int64)


def path_edges(path: Ints, *, closed: bool) -> Ints:
    """Return the (k, 2) vertex pairs along a path of (k,) vertices."""
    pairs = np.stack([path, np.roll(path, -1)], axis=1)
    return pairs if closed else pairs[:-1]


def insert_path(
    surface: Surface,
    path_mm: ArrayLike,
    *,
    closed: bool,
    tolerance_mm: float = 10.0,
    deviation_mm: float | None = None,
    geodesic: bool = True,
    smooth_mm: float = SMOOTH_MM,
) -> Inserted:
    """Cut a path into the surface, so that it runs along edges.

    Points farther apart than about two edges are joined by geodesics. On a noisy surface the path is laid out on
    a smooth copy with the same connectivity.

    Parameters
    ----------
    surface : Surface
    path_mm : (k, 3) float array, mm
        Points on or near the surface. A closed path does not repeat its first point (it is dropped if it does).
        An open path ends where its end points fall, on a boundary, a vertex or inside a face.
    closed : bool
    tolerance_mm : float
        How far a point may lie off the surface.
    deviation_mm : float, optional
        How far the path's edges may stray from the path, measured where it is laid out. By default 0.003 mm on a
        clean surface; on a noisy one a fiftieth of the mean edge, at most 0.05 mm.
    geodesic : bool
        Whether to join sparse points by geodesics; otherwise by plane sections.
    smooth_mm : float
        Length scale of the smooth copy; 0 lays the path on the surface as it is.

    Returns
    -------
    Inserted

    Raises
    ------
    OutlineError
        Too few points, a point off the surface, points on separate pieces, or a path that crosses itself.

    References
    ----------
    N. Sharp, K. Crane, "You can find geodesic paths in triangle meshes by just flipping edges", ACM Trans.
    Graph. 39(6), 2020, for the geodesics.
    """
    return insert_paths(
        surface, [path_mm], closed=closed, tolerance_mm=tolerance_mm, deviation_mm=deviation_mm,
        geodesic=geodesic, smooth_mm=smooth_mm,
    )


def insert_paths(
    surface: Surface,
    paths_mm: Sequence[ArrayLike],
    *,
    closed: bool,
    tolerance_mm: float = 10.0,
    deviation_mm: float | None = None,
    geodesic: bool = True,
    smooth_mm: float = SMOOTH_MM,
) -> Inserted:
    """Cut several paths that do not touch into the surface; all else as `insert_path`.

    Parameters
    ----------
    surface : Surface
    paths_mm : sequence of (k, 3) float arrays, mm
    closed, tolerance_mm, deviation_mm, geodesic, smooth_mm
        As for `insert_path`.

    Returns
    -------
    Inserted

    Raises
    ------
    OutlineError
        As `insert_path`, or two paths that touch.
    """
    walk = work_copy(surface, scale_mm=smooth_mm)
    how = _How(closed, deviation_mm or _deviation(surface, walk), geodesic, smooth_mm)
    spots = [_locate(surface, walk, _points(p, closed=closed), tolerance_mm=tolerance_mm) for p in paths_mm]
    lost: NoWayError | None = None
    for widen in (1.0, 3.0, None):
        try:
            lines = _joined(surface, walk, spots, how, widen) if geodesic else spots
            crop = _crop(surface, walk, [q.points_mm for q in lines], closed=closed, widen=widen)
            return _insert(surface, walk, crop, lines, how)
        except NeedsWiderCrop:
            continue
        except NoWayError as err:
            lost = err
    raise OutlineError(
        "the outline runs over two pieces of the surface that do not hang together",
        where=at(lost.where) if lost else "",
        do="Keep the outline on one piece, or join the pieces in the mesh.",
    )


@dataclass(frozen=True)
class _How:
    """How paths are to be inserted: the options of `insert_paths`, settled."""

    closed: bool
    deviation_mm: float
    geodesic: bool
    smooth_mm: float


def tidy_paths(surface: Surface, paths: Sequence[Ints], *, smooth_mm: float = SMOOTH_MM) -> Inserted:
    """Clear away slivers along closed paths that run along edges already.

    Parameters
    ----------
    surface : Surface
    paths : sequence of (k,) int arrays
        Vertices in order; no vertex is on two paths.
    smooth_mm : float
        As for `insert_path`.

    Returns
    -------
    Inserted
    """
    walk = work_copy(surface, scale_mm=smooth_mm)
    near = np.zeros(len(walk), dtype=bool)
    near[np.concatenate(paths)] = True
    for _ in range(2):
        near[surface.faces[near[surface.faces].any(axis=1)]] = True
    crop = _as_crop(surface, np.asarray(near[surface.faces].all(axis=1)))
    patch = Patch(walk[crop.vertices], surface.vertices_mm[crop.vertices], crop.local, crop.rim)
    local = [np.searchsorted(crop.vertices, q).tolist() for q in paths]
    how = _How(True, _deviation(surface, walk), False, smooth_mm)
    tidy = Tidy(patch, local, True, how.deviation_mm, SURFACE_CAP_MM)
    local = tidy.run()
    return _assemble(surface, walk, crop, patch, local, how, area_mm2=tidy.area_mm2)


def _deviation(surface: Surface, walk: Floats) -> float:
    """How far a path may stray by default."""
    return 0.003 if walk is surface.vertices_mm else min(0.05, 0.02 * surface.mean_edge_mm)


def _points(path_mm: ArrayLike, *, closed: bool) -> Floats:
    """Check the points of a path and drop repeated ones."""
    pts = np.asarray(path_mm, dtype=np.float64)
    if pts.ndim != 2 or pts.shape[1:] != (3,):
        raise OutlineError(f"the outline has shape {pts.shape}, not (k, 3)")
    bad = ~np.isfinite(pts).all(axis=1)
    if bad.any():
        raise OutlineError(f"point {int(np.argmax(bad)) + 1} of the outline is not finite")
    keep = np.r_[True, np.linalg.norm(np.diff(pts, axis=0), axis=1) > 1e-9]
    pts = pts[keep]
    if closed and len(pts) > 1 and np.linalg.norm(pts[0] - pts[-1]) <= 1e-9:
        pts = pts[:-1]
    least = 3 if closed else 2
    if len(pts) < least:
        raise OutlineError(f"the outline has {len(pts)} different points", do=f"Give at least {least}.")
    return pts


def _locate(surface: Surface, walk: Floats, pts: Floats, *, tolerance_mm: float) -> Located:
    """Find points on the work copy, and check their distance to the surface itself."""
    spot = _locate_near(surface, pts, tolerance_mm)
    worst = int(np.argmax(spot.distance_mm))
    if spot.distance_mm[worst] > tolerance_mm:
        raise OutlineError(
            f"point {worst + 1} of the outline lies {spot.distance_mm[worst]:.1f} mm off the surface, "
            f"more than {tolerance_mm:g} mm",
            where=at(tuple(pts[worst])), do="Move the point, check the unit, or allow a larger tolerance.",
        )
    if walk is surface.vertices_mm:
        return spot
    moved = float(np.linalg.norm(walk - surface.vertices_mm, axis=1).max())
    return _locate_near(Surface(walk, surface.faces), pts, tolerance_mm + moved)


def _locate_near(surface: Surface, pts: Floats, reach_mm: float) -> Located:
    """Find points that lie no farther than stated off the surface among the faces about them: quicker than among all."""
    keep = np.flatnonzero(faces_near(surface.vertices_mm, surface.faces, pts, reach_mm))
    if 0 < len(keep) < 0.5 * len(surface.faces):
        spot = surface.sub(keep)[0].locate(pts)
        if spot.distance_mm.max() <= reach_mm:
            return Located(keep[spot.face], spot.weights, spot.points_mm, spot.distance_mm)
    return surface.locate(pts)


@dataclass(frozen=True)
class _Crop:
    """Faces near a path. `faces`, `vertices`: indices in the surface; `local`: the faces renumbered."""

    faces: Ints
    vertices: Ints
    local: Ints
    rim: set[int]
    whole: bool


def _crop(surface: Surface, walk: Floats, lines: list[Floats], *, closed: bool, widen: float | None) -> _Crop:
    keep = np.ones(len(surface.faces), dtype=bool)
    if widen is not None and len(keep) > 2000:
        keep = _near(surface, walk, lines, closed=closed, widen=widen)
    return _as_crop(surface, keep)


def _as_crop(surface: Surface, keep: Bools) -> _Crop:
    faces = np.flatnonzero(keep)
    vertices, local = np.unique(surface.faces[faces], return_inverse=True)
    rim: set[int] = set()
    if not keep.all():
        outside = np.zeros(len(surface.vertices_mm), dtype=bool)
        outside[surface.faces[~keep]] = True
        rim = set(np.flatnonzero(outside[vertices]).tolist())
    return _Crop(faces, vertices, local.reshape(-1, 3), rim, bool(keep.all()))


def _near(surface: Surface, walk: Floats, lines: list[Floats], *, closed: bool, widen: float) -> Bools:
    """Which faces lie near the chords of some paths."""
    begins = np.vstack([p if closed else p[:-1] for p in lines])
    ends = np.vstack([np.roll(p, -1, axis=0) if closed else p[1:] for p in lines])
    gaps = np.linalg.norm(ends - begins, axis=1)
    reach = widen * (4 * surface.mean_edge_mm + 0.3 * gaps.max())
    samples = [
        a + (b - a) * np.linspace(0, 1, int(np.ceil(2 * g / reach)) + 1, endpoint=False)[:, None]
        for a, b, g in zip(begins, ends, gaps)
    ]
    keep = faces_near(walk, surface.faces, np.vstack([*samples, *lines]), reach)
    return _whole_stars(surface.faces, keep, len(walk))


def faces_near(v: Floats, faces: Ints, points_mm: Floats, reach_mm: float) -> Bools:
    """Which faces come within a distance of some points, with some to spare for the large ones.

    Parameters
    ----------
    v : (n, 3) float array, mm
    faces : (m, 3) int array
    points_mm : (k, 3) float array, mm
    reach_mm : float
    """
    p, q, r = (v[faces[:, i]] for i in range(3))
    middle = (p + q + r) / 3
    far = reach_mm + np.maximum(np.maximum(_apart(p, middle), _apart(q, middle)), _apart(r, middle))
    low, high = points_mm.min(axis=0), points_mm.max(axis=0)
    inner = np.ones(len(faces), dtype=bool)
    for i in range(3):
        inner &= (middle[:, i] >= low[i] - far) & (middle[:, i] <= high[i] + far)
    ask = np.flatnonzero(inner)
    near = np.zeros(len(faces), dtype=bool)
    if len(ask):
        d, _ = cKDTree(points_mm).query(middle[ask], distance_upper_bound=float(far[ask].max()) * 1.001 + 1e-9)
        near[ask] = d <= far[ask]
    return near


def _whole_stars(faces: Ints, keep: Bools, n: int) -> Bools:
    """Add faces until no vertex of the piece joins two of its corners by a point only."""
    for _ in range(10):
        e = mesh_edges(faces[keep], n)
        rim = e.ends[e.faces[:, 1] < 0]
        pinched = np.bincount(rim.ravel(), minlength=n) > 2
        if not pinched.any():
            return keep
        keep = keep | pinched[faces].any(axis=1)
    return np.ones(len(faces), dtype=bool)


def _insert(surface: Surface, walk: Floats, crop: _Crop, spots: list[Located], how: _How) -> Inserted:
    """Lay located paths on a crop of the surface and put the mesh together again."""
    h = surface.mean_edge_mm
    snap = _snap_mm(surface, how)
    spike = float(np.clip(1.5 * h, 1.0, 8.0))
    local = np.full(len(surface.faces), -1, dtype=np.int64)
    local[crop.faces] = np.arange(len(crop.faces))
    patch = Patch(walk[crop.vertices], surface.vertices_mm[crop.vertices], crop.local, crop.rim)
    paths: list[list[int]] = []
    for spot in spots:
        homes = local[spot.face]
        if (homes < 0).any():
            raise NeedsWiderCrop
        line = Located(homes, spot.weights, spot.points_mm, spot.distance_mm)
        line = _thin(line, closed=how.closed, within_mm=0.6 * how.deviation_mm, longest_mm=3 * h)
        walls = {e for q in paths for a, b in links(q, how.closed) for e in ((a, b), (b, a))}
        path = Trace(patch, snap, spike, how.closed, walls).run(line.face, line.weights)
        if len(path) < (3 if how.closed else 2):
            raise OutlineError(
                "the outline closes on itself to nothing", where=at(tuple(spot.points_mm[0])),
                do="Give points that go round an area.",
            )
        paths.append(path)
    tidy = Tidy(patch, paths, how.closed, how.deviation_mm, SURFACE_CAP_MM)
    paths = tidy.run()
    return _assemble(surface, walk, crop, patch, paths, how, area_mm2=tidy.area_mm2)


def _snap_mm(surface: Surface, how: _How) -> float:
    """Return how near a path point must be to a vertex or an edge to be put on it."""
    return min(0.3 * how.deviation_mm, 0.02 * surface.mean_edge_mm)


def _joined(
    surface: Surface, walk: Floats, spots: list[Located], how: _How, widen: float | None
) -> list[Located]:
    """Put geodesics between points that are far apart.

    They may leave the chords by much, so they are looked for on a wide crop; the path is then cut in on a narrow one.
    """
    far = [_far_apart(surface, walk, q, closed=how.closed) for q in spots]
    if not any(f.any() for f in far):
        return spots
    crop = _crop(surface, walk, [q.points_mm for q in spots], closed=how.closed, widen=widen)
    return [_join(walk, crop, q, f, _snap_mm(surface, how)) if f.any() else q for q, f in zip(spots, far)]


def _far_apart(surface: Surface, walk: Floats, line: Located, *, closed: bool) -> Bools:
    """Which points have the next one farther off than two edges or 20 mm."""
    gaps = np.linalg.norm(np.roll(line.points_mm, -1, axis=0) - line.points_mm, axis=1)
    if not closed:
        gaps[-1] = 0.0
    p = walk[surface.faces[line.face]]
    edge = np.linalg.norm(p - np.roll(p, 1, axis=1), axis=2).mean(axis=1)
    return np.asarray(gaps > np.minimum(2 * edge, 20.0))


def _join(walk: Floats, crop: _Crop, line: Located, far: Bools, snap_mm: float) -> Located:
    """Put geodesics after the points marked as far from the next one."""
    pts = line.points_mm
    follow = np.roll(np.arange(len(pts)), -1)
    piece = Surface(walk[crop.vertices], crop.local)
    ends = np.unique(np.r_[np.flatnonzero(far), follow[far]])
    home = np.minimum(np.searchsorted(crop.faces, line.face), len(crop.faces) - 1)
    if (crop.faces[home] != line.face).any():
        raise NeedsWiderCrop
    vertices, faces, at_ends = _with_vertices(piece, home[ends], line.weights[ends], snap_mm)
    vertex = dict(zip(ends.tolist(), at_ends))
    geodesics = _Geodesics(vertices, faces, crop)
    legs: list[Floats] = []
    for i in range(len(pts)):
        legs.append(pts[i : i + 1])
        j = int(follow[i])
        if far[i] and vertex[i] != vertex[j]:
            legs.append(geodesics.between(vertex[i], vertex[j]))
    spot = _locate_near(piece, np.vstack(legs), snap_mm)
    return Located(crop.faces[spot.face], spot.weights, spot.points_mm, spot.distance_mm)


def _with_vertices(piece: Surface, homes: Ints, weights: Floats, snap_mm: float) -> tuple[Floats, Ints, list[int]]:
    """Return vertices and faces with a vertex at each of some points, and which those are; old vertices stay."""
    v, f = piece.vertices_mm, piece.faces
    near = np.zeros(len(v), dtype=bool)
    near[f[homes]] = True
    about = near[f].any(axis=1)
    chosen = np.flatnonzero(about)
    used, local = np.unique(f[chosen], return_inverse=True)
    patch = Patch(v[used], v[used], local.reshape(-1, 3), set())
    settle = Trace(patch, snap_mm, 0.0, closed=False)
    put = [settle.put(int(h), w) for h, w in zip(np.searchsorted(chosen, homes), weights)]
    walk, tri = patch.arrays()
    lookup = np.r_[used, len(v) + np.arange(len(walk) - len(used))]
    return np.vstack([v, walk[len(used) :]]), np.vstack([f[~about], lookup[tri]]), lookup[put].tolist()


class _Geodesics:
    """Geodesics by edge flips on a crop of a surface."""

    def __init__(self, vertices: Floats, faces: Ints, crop: _Crop) -> None:
        import potpourri3d

        self.vertices, self.crop = vertices, crop
        self.solver = potpourri3d.EdgeFlipGeodesicSolver(vertices, faces)
        n = len(vertices)
        e = faces[:, [0, 1, 1, 2]].reshape(-1, 2)
        graph = sp.coo_array((np.ones(len(e), dtype=np.int8), (e[:, 0], e[:, 1])), shape=(n, n))
        self.part = connected_components(graph, directed=False)[1]
        self.rim = cKDTree(vertices[sorted(crop.rim)]) if crop.rim else None

    def between(self, a: int, b: int) -> Floats:
        """Return the (k, 3) inner points of the geodesic from vertex a to vertex b."""
        if self.part[a] != self.part[b]:
            if self.crop.whole:
                raise NoWayError(tuple(self.vertices[a]))
            raise NeedsWiderCrop
        way = np.asarray(self.solver.find_geodesic_path(a, b))
        if self.rim is not None and (self.rim.query(way)[0] < 1e-6).any():
            raise NeedsWiderCrop
        return way[1:-1]


def _thin(line: Located, *, closed: bool, within_mm: float, longest_mm: float) -> Located:
    """Drop points that the chord past them misses by no more than `within_mm`."""
    p = line.points_mm
    if closed:
        p = np.vstack([p, p[:1]])
    keep = np.zeros(len(p), dtype=bool)
    keep[[0, -1]] = True
    stack = [(0, len(p) - 1)]
    while stack:
        i, j = stack.pop()
        if j - i < 2:
            continue
        d, q = p[j] - p[i], p[i + 1 : j] - p[i]
        length = float(np.linalg.norm(d))
        t = np.clip(q @ d / max(length**2, 1e-300), 0.0, 1.0)
        off = np.linalg.norm(q - t[:, None] * d, axis=1)
        k = int(np.argmax(off))
        if off[k] <= within_mm and length <= longest_mm:
            continue
        if off[k] <= within_mm:
            k = (j - i) // 2 - 1
        keep[i + 1 + k] = True
        stack += [(i, i + 1 + k), (i + 1 + k, j)]
    if closed:
        keep = keep[:-1]
    return Located(line.face[keep], line.weights[keep], line.points_mm[keep], line.distance_mm[keep])


def _assemble(
    surface: Surface, walk: Floats, crop: _Crop, patch: Patch, paths: list[list[int]], how: _How, *, area_mm2: float = 0.0
) -> Inserted:
    """Put the cut patch back into the surface; `area_mm2` is by how much clearing slivers may have changed its area."""
    n_old, old = len(walk), len(crop.vertices)
    lookup = np.r_[crop.vertices, n_old + np.arange(len(patch.star) - old)]
    ids = list(patch.tri)
    cut = lookup[np.array([patch.tri[f] for f in ids], dtype=np.int64)]
    rest = np.ones(len(surface.faces), dtype=bool)
    rest[crop.faces] = False
    faces = np.vstack([surface.faces[rest], cut])
    parent_face = np.r_[np.flatnonzero(rest), crop.faces[[patch.home[f] for f in ids]]]
    used, inverse = np.unique(faces, return_inverse=True)
    weights = _mixing(crop, patch, n_old, lookup)[used]
    parent_vertex = np.where(used < n_old, used, -1)
    v = weights @ surface.vertices_mm
    new = Surface(v, inverse.reshape(-1, 3), _mixed_colors(surface, weights), surface.repairs)
    _check_area(surface, new, area_mm2, at(patch.raw[paths[0][0]]) if paths else "")
    carry_copy(surface, new, weights @ walk, scale_mm=how.smooth_mm)
    where = tuple(np.searchsorted(used, lookup[np.array(q, dtype=np.int64)]) for q in paths)
    return Inserted(new, where, how.closed, parent_face, parent_vertex, weights)


def _check_area(surface: Surface, new: Surface, area_mm2: float, where: str) -> None:
    """Raise where the area changed by more than clearing away slivers accounts for."""
    change, most = new.area_mm2 - surface.area_mm2, area_mm2 + 1e-9 * surface.area_mm2
    if abs(change) > most:
        raise CheckError(
            f"cutting the path in changed the surface's area by {change:.3f} mm², where {most:.3f} mm² are accounted for",
            where=where, do="Repair the mesh about the path, or move the path off edges that it nearly touches.",
        )


def _mixing(crop: _Crop, patch: Patch, n_old: int, lookup: Ints) -> sp.csr_array:
    """Each vertex, old then new, as a mixture of the old ones."""
    rows, cols, w = [np.arange(n_old)], [np.arange(n_old)], [np.ones(n_old)]
    if patch.combo:
        triples = [(v, u, x) for v, c in patch.combo.items() for u, x in c.items()]
        r, c, x = (np.array(q) for q in zip(*triples))
        rows.append(lookup[r])
        cols.append(crop.vertices[c])
        w.append(x)
    n = n_old + len(patch.star) - patch.first_new
    return sp.csr_array((np.concatenate(w), (np.concatenate(rows), np.concatenate(cols))), shape=(n, n_old))


def _mixed_colors(surface: Surface, weights: sp.csr_array) -> np.ndarray | None:
    if surface.colors is None:
        return None
    return np.clip(np.rint(weights @ surface.colors.astype(np.float64)), 0, 255).astype(np.uint8)


def cut_at_level(
    surface: Surface,
    values: ArrayLike,
    level: float = 0.0,
    *,
    snap: float = 0.1,
    move_mm: float = 0.02,
    carry: Mapping[str, ArrayLike] | None = None,
) -> LevelCut:
    """Split the surface along the line where a field, linear in each triangle, takes a level.

    Parameters
    ----------
    surface : Surface
    values : (n,) float array
        The field on the vertices.
    level : float
    snap : float
        A crossing closer to a vertex than this share of the edge is put on the vertex, to avoid slivers; the vertex
        is drawn along the edge to the line, or else the line to the vertex.
    move_mm : float
        How far such a vertex may come to lie off the surface.
    carry : mapping of str to (n,) or (n, d) array, optional
        Other fields to interpolate.

    Returns
    -------
    LevelCut

    Raises
    ------
    MeshError
        A field of the wrong length, or with values that are not finite.
    """
    d = np.asarray(values, dtype=np.float64) - level
    n = len(surface.vertices_mm)
    if d.shape != (n,):
        raise MeshError(f"the field has shape {d.shape}, not ({n},)")
    if not np.isfinite(d).all():
        raise MeshError(f"{int((~np.isfinite(d)).sum())} values of the field are not finite")
    edges = surface_edges(surface)
    s = _snapped(surface, edges, d, snap)
    moved = _drawn(surface, edges, d, (s == 0) & (d != 0), snap, move_mm)
    cross = np.flatnonzero(s[edges.ends[:, 0]] * s[edges.ends[:, 1]] < 0)
    a, b = edges.ends[cross].T
    t = s[a] / (s[a] - s[b])
    k = np.arange(len(cross))
    split = sp.csr_array((np.r_[1 - t, t], (np.r_[k, k], np.r_[a, b])), shape=(len(k), n))
    weights = sp.vstack([moved, split @ moved], format="csr")
    new_of_edge = np.full(len(edges.ends), -1, dtype=np.int64)
    new_of_edge[cross] = n + k
    v = weights @ surface.vertices_mm
    faces, parent_face = subdivide(surface.faces, new_of_edge[edges.of_face], v)
    below = _below(faces, np.r_[s, np.zeros(len(k))], np.r_[d, np.zeros(len(k))])
    new = Surface(v, faces, _mixed_colors(surface, weights), surface.repairs)
    pass_copy(surface, new, weights)
    field_now = np.r_[np.where(s == 0, 0.0, d), np.zeros(len(k))] + level
    carried = {q: weights @ np.asarray(x, dtype=np.float64) for q, x in (carry or {}).items()}
    return LevelCut(new, field_now, below, parent_face, np.r_[np.arange(n), np.full(len(k), -1)], weights, carried)


def _snapped(surface: Surface, edges: Edges, d: Floats, snap: float) -> Floats:
    """Set values close to zero to zero, except where the line would then touch itself."""
    a, b = edges.ends.T
    free = np.zeros(len(d), dtype=bool)
    rim = np.zeros(len(d), dtype=np.int64)
    rim[edges.ends[edges.faces[:, 1] < 0]] = 1
    mixed = d[a] * d[b] < 0
    t = np.where(mixed, d[a] / np.where(mixed, d[a] - d[b], 1.0), 0.5)
    near = np.zeros(len(d), dtype=bool)
    near[a[mixed & (t < snap)]] = True
    near[b[mixed & (t > 1 - snap)]] = True
    # A vertex exactly on the level that must not be there is put a hair above it.
    hair = 1e-6 * float(np.abs(d).max() or 1.0)
    for _ in range(20):
        s = np.where(near & ~free, 0.0, d)
        s = np.where(free & (d == 0), hair, s)
        pinched = _line_ends(surface, edges, s, d) > 2 - rim
        pinched &= (s == 0) & ~free
        if not pinched.any():
            return s
        free |= pinched
    return np.where(d == 0, hair, d)


def _drawn(surface: Surface, edges: Edges, d: Floats, snapped: Bools, snap: float, move_mm: float) -> sp.csr_array:
    """Draw snapped vertices along an edge to the line where that leaves the surface in place; return the mixture."""
    n, v = len(d), surface.vertices_mm
    both = np.vstack([edges.ends, edges.ends[:, ::-1]])
    at, to = both.T
    rim = np.zeros(n, dtype=bool)
    rim[edges.ends[edges.faces[:, 1] < 0]] = True
    mixed = snapped[at] & ~rim[at] & (d[at] * d[to] < 0)
    at, to = at[mixed], to[mixed]
    t = d[at] / (d[at] - d[to])
    order = np.lexsort((t, at))
    at, first = np.unique(at[order], return_index=True)
    to, t = to[order][first], t[order][first]
    good = t < snap
    at, to, t = at[good], to[good], t[good]
    new = v.copy()
    new[at] += t[:, None] * (v[to] - v[at])
    going = np.zeros(n, dtype=bool)
    going[at] = True
    while going.any():
        f = surface.faces[going[surface.faces].any(axis=1)]
        bad = f[_displaced(v, new, f, move_mm)]
        if not len(bad):
            break
        going[bad] = False
        new[bad] = v[bad]
    at, to, t = at[going[at]], to[going[at]], t[going[at]]
    move = sp.csr_array((np.r_[-t, t], (np.r_[at, at], np.r_[at, to])), shape=(n, n))
    return sp.csr_array(sp.eye_array(n, format="csr") + move)


def _displaced(v: Floats, new: Floats, f: Ints, move_mm: float) -> Bools:
    """Which faces would leave their plane by more than stated, or turn over."""
    was, now = v[f], new[f]
    n0, n1 = (np.cross(p[:, 1] - p[:, 0], p[:, 2] - p[:, 0]) for p in (was, now))
    size = np.maximum(np.linalg.norm(n0, axis=1), 1e-300)
    off = np.abs(((now - was) * n0[:, None]).sum(axis=2)).max(axis=1) / size
    turned = (n0 * n1).sum(axis=1) <= 0.7 * size * np.linalg.norm(n1, axis=1)
    return np.asarray((off > move_mm) | turned)


def _below(faces: Ints, s: Floats, d: Floats) -> Bools:
    """Whether each unsplit face counts as below: by its corners, or by its values before snapping if all are 0."""
    total = np.sign(s)[faces].sum(axis=1)
    flat = (s[faces] == 0).all(axis=1)
    return np.where(flat, d[faces].sum(axis=1) < 0, total < 0)


def _line_ends(surface: Surface, edges: Edges, s: Floats, d: Floats) -> Ints:
    """How many pieces of the level line end at each vertex with value 0."""
    f = surface.faces
    below = _below(f, s, d)
    count = np.zeros(len(s), dtype=np.int64)
    # along edges whose two faces differ and are not split
    split = (np.sign(s)[f].min(axis=1) < 0) & (np.sign(s)[f].max(axis=1) > 0)
    one, two = edges.faces.T
    zero = (s[edges.ends] == 0).all(axis=1)
    on = zero & (two >= 0) & (below[one] != below[two])
    np.add.at(count, edges.ends[on].ravel(), 1)
    # across faces that are split through a corner
    corner = split[:, None] & (s[f] == 0)
    np.add.at(count, f[corner], 1)
    return count


def subdivide(faces: Ints, made: Ints, v: Floats) -> tuple[Ints, Ints]:
    """Split faces at new vertices on their edges.

    Parameters
    ----------
    faces : (m, 3) int array
    made : (m, 3) int array
        The new vertex on edge i, from corner i to corner i + 1; -1 for none.
    v : (n, 3) float array, mm
        All vertices, old and new.

    Returns
    -------
    (m', 3) int array
    (m',) int array
        The face that each was cut from.
    """
    count = (made >= 0).sum(axis=1)
    whole, one, two, three = (np.flatnonzero(count == k) for k in range(4))
    out, parent = [faces[whole]], [whole]
    # Turned so that edge ab is the one with a new vertex, p.
    a, b, c = _turn(faces[one], start := np.argmax(made[one] >= 0, axis=1))
    p = made[one, start]
    out += [np.stack([a, p, c], 1), np.stack([p, b, c], 1)]
    parent += [one, one]
    # Turned so that edge ab is the one without; q on bc, r on ca; the quad abqr is cut along its shorter diagonal.
    a, b, c = _turn(faces[two], start := np.argmax(made[two] < 0, axis=1))
    q, r = made[two, (start + 1) % 3], made[two, (start + 2) % 3]
    aq = (np.linalg.norm(v[a] - v[q], axis=1) <= np.linalg.norm(v[b] - v[r], axis=1))[:, None]
    out += [
        np.stack([q, c, r], 1),
        np.where(aq, np.stack([a, b, q], 1), np.stack([a, b, r], 1)),
        np.where(aq, np.stack([a, q, r], 1), np.stack([b, q, r], 1)),
    ]
    parent += [two, two, two]
    (a, b, c), (p, q, r) = faces[three].T, made[three].T
    out += [np.stack(t, 1) for t in ((a, p, r), (p, b, q), (r, q, c), (p, q, r))]
    parent += [three] * 4
    return np.vstack(out), np.concatenate(parent)


def _turn(f: Ints, start: Ints) -> tuple[Ints, Ints, Ints]:
    """Return the corners a, b, c of faces turned to begin at corner `start`."""
    k = np.arange(len(f))
    return f[k, start], f[k, (start + 1) % 3], f[k, (start + 2) % 3]


@dataclass(frozen=True, eq=False)
class Refined:
    """A surface with its long edges split; the shape is unchanged and old vertices keep their index.

    Attributes
    ----------
    surface : Surface
    parent_face : (m,) int array
    weights : (n, n_before) sparse array
    """

    surface: Surface
    parent_face: Ints
    weights: sp.csr_array


def refine(
    surface: Surface, longest_mm: float | Callable[[Floats], Floats], *, between: Bools | None = None
) -> Refined:
    """Split edges until none is longer than stated.

    Parameters
    ----------
    surface : Surface
    longest_mm : float or callable
        The longest edge allowed; a callable takes (k, 3) midpoints of edges in mm and returns (k,) lengths in mm.
    between : (n,) bool array, optional
        Only edges with both ends among these vertices have to be short.

    Returns
    -------
    Refined

    References
    ----------
    M.-C. Rivara, "Algorithms for refining triangular grids suitable for adaptive and multigrid techniques",
    Int. J. Numer. Meth. Eng. 20, 1984: a face's longest edge is split with any other. Within each old face edges are
    then flipped to Delaunay, or a thin face would be cut into ever thinner ones.
    """
    now, home = surface, np.arange(len(surface.faces))
    weights = sp.eye_array(len(surface.vertices_mm), format="csr")
    mask = np.ones(len(surface.vertices_mm)) if between is None else np.asarray(between, dtype=np.float64)
    while True:
        n = len(now.vertices_mm)
        edges = surface_edges(now)
        k = np.flatnonzero(_marked(now, edges, mask, longest_mm))
        if not len(k):
            return Refined(now, home, weights)
        made = np.full(len(edges.ends), -1, dtype=np.int64)
        made[k] = n + np.arange(len(k))
        half = sp.csr_array(
            (np.full(2 * len(k), 0.5), (np.repeat(np.arange(len(k)), 2), edges.ends[k].ravel())), shape=(len(k), n)
        )
        step = sp.vstack([sp.eye_array(n, format="csr"), half], format="csr")
        v = step @ now.vertices_mm
        faces, parent = subdivide(now.faces, made[edges.of_face], v)
        new = Surface(v, _evened(v, faces, home[parent]), _mixed_colors(now, step), surface.repairs)
        pass_copy(now, new, step)
        now, home, weights = new, home[parent], sp.csr_array(step @ weights)
        mask = np.floor(step @ mask)


def _evened(v: Floats, faces: Ints, home: Ints) -> Ints:
    """Flip edges inside each old face until the triangles there are Delaunay."""
    out = faces.copy()
    cut = np.flatnonzero(np.bincount(home, minlength=1)[home] > 1)
    for _ in range(FLIP_SWEEPS):
        f = out[cut]
        edges = mesh_edges(f, len(v))
        one, two = edges.faces.T
        k = np.flatnonzero((two >= 0) & (home[cut[one]] == home[cut[two]]))
        one, two = one[k], two[k]
        i = np.argmax(edges.of_face[one] == k[:, None], axis=1)
        j = np.argmax(edges.of_face[two] == k[:, None], axis=1)
        a, b, c = _turn(f[one], i)
        d = f[two, (j + 2) % 3]
        bad = np.flatnonzero(_cotangent(v, a, b, c) + _cotangent(v, a, b, d) < -1e-9)
        # A face takes part in one flip at a time: that of its first bad edge, if it is the other face's too.
        first = np.full(len(f), len(k))
        np.minimum.at(first, one[bad], bad)
        np.minimum.at(first, two[bad], bad)
        go = bad[(first[one[bad]] == bad) & (first[two[bad]] == bad)]
        if not len(go):
            break
        out[cut[one[go]]] = np.stack([c[go], a[go], d[go]], axis=1)
        out[cut[two[go]]] = np.stack([d[go], b[go], c[go]], axis=1)
    return out


def _cotangent(v: Floats, a: Ints, b: Ints, c: Ints) -> Floats:
    """Cotangent of the angle at c in the triangle abc."""
    p, q = v[a] - v[c], v[b] - v[c]
    return np.asarray((p * q).sum(axis=1) / np.maximum(np.linalg.norm(np.cross(p, q), axis=1), 1e-300))


def _marked(
    surface: Surface, edges: Edges, mask: Floats, longest_mm: float | Callable[[Floats], Floats]
) -> Bools:
    """Which edges to split: those too long, and the longest edge of every face split so."""
    v = surface.vertices_mm
    a, b = edges.ends.T
    on = mask.astype(bool)
    marked: Bools = np.zeros(len(edges.ends), dtype=bool)
    ask = np.flatnonzero(on[a] & on[b])
    length = _apart(v[a[ask]], v[b[ask]])
    most = longest_mm((v[a[ask]] + v[b[ask]]) / 2) if callable(longest_mm) else longest_mm
    fresh = ask[length > most]
    while len(fresh):
        marked[fresh] = True
        face = np.unique(edges.faces[fresh])
        e = edges.of_face[face[face >= 0]]
        side = _apart(v[a[e]].reshape(-1, 3), v[b[e]].reshape(-1, 3)).reshape(-1, 3)
        longest = np.unique(e[np.arange(len(e)), np.argmax(side, axis=1)])
        fresh = longest[~marked[longest]]
    return marked


def _apart(p: Floats, q: Floats) -> Floats:
    """Distances between (k, 3) points."""
    d = q - p
    return np.asarray(np.sqrt(np.einsum("ij,ij->i", d, d)))

"""The surface a net is laid on, made ready once: the patch with the hull about it, evened, its holes bridged."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import scipy.sparse as sp
from numpy.typing import ArrayLike
from scipy.sparse.csgraph import connected_components, dijkstra

from ..errors import OutlineError, ShapeError
from ..surface._edges import directed_edges, rim_edges
from ..surface._smooth import SMOOTH_MM, share_copy, work_copy
from ..surface.mesh import Bools, Floats, Ints, Surface, closed_length
from ..surface.region import Region
from ..surface.straighten import ALONG_MM, is_evened, straighten_corners
from ._net import Start
from ._net_ground import SLACK_TIRED, MeshGround, across_sides
from ._patch import fill_holes, place_text, undirected

#: The hull is kept so far about the patch, in shares of the patch's own size.
ABOUT = 0.4
#: Openings up to this share of the patch's own outline are bridged, as cloth is laid over them before it is trimmed.
HOLE = 0.5
#: Vertices of the patch that are looked at where a rough answer will do.
SAMPLED = 2500
#: A warp direction closer than this to the surface's normal says nothing.
LEAST_SLANT_DEG = 10.0
#: A piece's own mesh may stray from the ply's by this share of a triangle's size, or by this much.
STRAYS, STRAYS_MM = 0.2, 1.0
#: Two vertices of a rim in one place are the two sides of a seam.
SAME_MM = 1e-3
#: Parts in which a patch that meets itself is read, so that none of them does.
PARTS = 8
#: Triangles at jags of a corner that lean off by more than this (a cosine) are evened with it, in so many rounds.
JAG, JAGS = 0.2, 6


@dataclass(frozen=True, eq=False)
class Bed:
    """What nets of one patch are laid on.

    Attributes
    ----------
    ground : MeshGround
        The patch and the hull about it, on the evened copy.
    patch : Surface
        The patch itself, as it was given.
    points : (n, 3) float array, mm
        The patch's vertices on the evened copy.
    vertex : (n,) int array or None
        The ground's vertex for each of the patch's; None where the patch has a mesh of its own.
    face : (m,) int array
        The ground's face for each of the patch's, or one at its middle.
    within : (k,) bool array or None
        Which of the ground's faces make the patch, where the patch has a mesh of its own.
    layered : bool
        Whether a net may come to lie over itself, since the patch meets itself at a seam; the ground is then the
        patch alone, open there.
    corners_mm : float
        Length along which the corner lines of a rough surface were evened; 0 where nothing was.
    """

    ground: MeshGround
    patch: Surface
    points: Floats
    vertex: Ints | None
    face: Ints
    within: Bools | None = None
    layered: bool = False
    corners_mm: float = 0.0

    @cached_property
    def evened(self) -> Surface:
        """The patch on the evened copy."""
        return Surface(self.points, self.patch.faces)

    @cached_property
    def normals(self) -> Floats:
        """(n, 3) normals of the patch's vertices on the evened copy."""
        return self.evened.vertex_normals

    @cached_property
    def vertex_areas(self) -> Floats:
        """(n,) area that belongs to each of the patch's vertices, mm²."""
        thirds = np.repeat(self.patch.face_areas_mm2 / 3, 3)
        total = np.bincount(self.patch.faces.ravel(), thirds, minlength=len(self.points))
        return np.asarray(total, dtype=np.float64)

    @cached_property
    def sample(self) -> tuple[Ints, Floats]:
        """Some vertices of the patch, evenly spread and along its outline, and the area about each, mm²."""
        n = len(self.points)
        if n <= SAMPLED:
            return np.arange(n), self.vertex_areas
        from scipy.spatial import cKDTree

        pick = np.unique(np.linspace(0, n - 1, SAMPLED).astype(np.int64))
        pick = np.union1d(pick, self.rim[:: max(2 * len(self.rim) // SAMPLED, 1)])
        owner = cKDTree(self.points[pick]).query(self.points)[1]
        return pick, np.bincount(owner, self.vertex_areas, minlength=len(pick)).astype(np.float64)

    @cached_property
    def rim(self) -> Ints:
        """(k,) the patch's vertices on its boundary, in order along it."""
        loops = _simple_loops(self.patch.faces)
        return np.concatenate(loops) if loops else np.empty(0, dtype=np.int64)

    @cached_property
    def inside(self) -> Bools:
        """Which of the ground's faces make the patch."""
        if self.within is not None:
            return self.within
        out = np.zeros(len(self.ground.faces), dtype=bool)
        out[self.face] = True
        return out

    @cached_property
    def missing_angle(self) -> Floats:
        """(n,) angle missing at each of the patch's vertices, rad; 0 on free edges."""
        g = self.ground
        if self.vertex is None:
            # The hull goes on across the piece's own cuts: what is missing there belongs to both sides alike.
            place = seam_places(self.patch)
            share = np.bincount(place, minlength=len(place))[place]
            closed = place[self.patch.faces]
            return np.asarray(_missing_angle(self.points, closed, across_sides(closed))[place] / share)
        return _missing_angle(g.points, g.faces, g.across)[self.vertex]

    def parts(self, wide_mm: float) -> list[tuple[Ints, Bools]]:
        """Share the patch out in parts, each with the ground's faces in and about it, along the surface.

        Parameters
        ----------
        wide_mm : float
            How far about.

        Returns
        -------
        list of ((k,) int array, (m,) bool array)
            The patch's vertices of each part, and the ground's faces.
        """
        if not self.layered or self.vertex is None:
            return []
        f, out = self.ground.faces, []
        for vertices in self._shares:
            way = dijkstra(self._graph, directed=False, indices=vertices, min_only=True, limit=wide_mm)
            near = np.zeros(len(self.ground.points), dtype=bool)
            near[self.vertex[np.isfinite(way)]] = True
            out.append((vertices, np.asarray(near[f].any(axis=1))))
        return out

    @cached_property
    def _shares(self) -> list[Ints]:
        """The patch's vertices by the nearest of some places far apart from each other, along the surface."""
        ways = [dijkstra(self._graph, directed=False, indices=0)]
        for _ in range(PARTS):
            ways.append(dijkstra(self._graph, directed=False, indices=int(np.min(ways[1:] or ways, axis=0).argmax())))
        label = np.argmin(ways[1:], axis=0)
        return [np.flatnonzero(label == k) for k in range(PARTS)]

    @cached_property
    def _graph(self) -> sp.csr_array:
        n = len(self.points)
        e = undirected(self.patch.faces, n)
        length = np.linalg.norm(self.points[e[:, 0]] - self.points[e[:, 1]], axis=1)
        return sp.coo_array((np.maximum(length, 1e-12), (e[:, 0], e[:, 1])), shape=(n, n)).tocsr()

    def farthest_mm(self, start: Start) -> float:
        """Length of the way along the patch's edges to the vertex farthest from a start."""
        at = np.flatnonzero(self.face == start.face)
        if len(at):
            near = self.patch.faces[at[0]]
        else:
            near = [int(np.linalg.norm(self.points - start.point, axis=1).argmin())]
        way = dijkstra(self._graph, directed=False, indices=near, min_only=True)
        return float(way.max()) + float(np.linalg.norm(self.points[near] - start.point, axis=1).max())

    def start(
        self,
        start_mm: ArrayLike,
        warp: ArrayLike,
        *,
        turn_deg: float = 0.0,
        crossing_deg: float = 90.0,
        tolerance_mm: float = 10.0,
    ) -> Start:
        """Return the start of a net at a point of the patch.

        Parameters
        ----------
        start_mm : (3,) float array, mm
        warp : (3,) float array
            Direction that is dropped on the surface.
        turn_deg : float
            Turn of the warp from there, anticlockwise seen from the air side.
        crossing_deg : float
            Angle from the warp to the weft.
        tolerance_mm : float
            How far the point may lie off the patch.

        Raises
        ------
        OutlineError
            A point off the patch; a warp direction that stands on the surface.
        """
        point = vector_of(start_mm, "the start point")
        way = vector_of(warp, "the warp direction")
        found = self.patch.locate(point[None])
        if found.distance_mm[0] > tolerance_mm:
            raise OutlineError(
                f"the start lies {found.distance_mm[0]:.1f} mm off the ply (at most {tolerance_mm:g} mm)",
                where=place_text(point), do="Give a point on the ply.",
            )
        on = found.weights[0] @ self.points[self.patch.faces[found.face[0]]]
        at, _ = self.ground.walk(self.face[found.face], on[None], SLACK_TIRED)
        x, n = self.ground.stand(at, on[None])
        return _framed(x[0], int(at[0]), n[0], way, turn_deg, crossing_deg)


def piece_bed(bed: Bed, piece: Surface) -> Bed:
    """Return the bed of a piece of a ply, with a mesh of its own, on the ground of the whole ply.

    Parameters
    ----------
    bed : Bed
        Of the whole ply.
    piece : Surface
        Cut out of the ply, perhaps with fewer triangles.
    """
    spot = bed.patch.locate(piece.vertices_mm)
    points = np.einsum("ki,kij->kj", spot.weights, bed.points[bed.patch.faces[spot.face]])
    face = bed.face[bed.patch.locate(piece.vertices_mm[piece.faces].mean(axis=1)).face]
    middles = bed.patch.vertices_mm[bed.patch.faces].mean(axis=1)
    off = piece.locate(middles).distance_mm
    # A coarser mesh strays a little; what lies beyond a seam is off by half a triangle or more.
    size = np.sqrt(bed.patch.face_areas_mm2)
    within = np.zeros(len(bed.ground.faces), dtype=bool)
    within[bed.face[off < np.maximum(STRAYS * size, STRAYS_MM)]] = True
    return Bed(bed.ground, piece, points, None, face, within, corners_mm=bed.corners_mm)


def seam_places(piece: Surface) -> Ints:
    """(n,) the first vertex in the same place for each vertex of a piece: the two sides of its seams share one."""
    from scipy.spatial import cKDTree

    rim = np.unique(directed_edges(piece.faces)[rim_edges(len(piece.vertices_mm), piece.faces)])
    pairs = cKDTree(piece.vertices_mm[rim]).query_pairs(SAME_MM, output_type="ndarray")
    graph = sp.coo_array((np.ones(len(pairs)), pairs.T), shape=(len(rim), len(rim)))
    label = connected_components(graph, directed=False)[1]
    out = np.arange(len(piece.vertices_mm))
    out[rim] = rim[np.unique(label, return_index=True)[1]][label]
    return out


def turned(start: Start, turn_deg: float, crossing_deg: float = 90.0) -> Start:
    """Return a start with its warp turned anticlockwise and the weft set at an angle to it."""
    return _framed(start.point, start.face, start.normal, start.warp, turn_deg, crossing_deg)


def _framed(x: Floats, face: int, n: Floats, way: Floats, turn_deg: float, crossing_deg: float) -> Start:
    size = float(np.linalg.norm(way))
    flat = way - (way @ n) * n
    if not np.linalg.norm(flat) > size * np.sin(np.radians(LEAST_SLANT_DEG)):
        raise OutlineError(
            "the warp direction stands on the surface at the start"
            if size > 0 else "the warp direction has no length",
            where=place_text(x), do="Give a direction that runs along the surface there.",
        )
    t = flat / np.linalg.norm(flat)
    side = np.cross(n, t)
    a, b = np.radians(turn_deg), np.radians(turn_deg + crossing_deg)
    return Start(x, face, n, np.cos(a) * t + np.sin(a) * side, np.cos(b) * t + np.sin(b) * side)


def vector_of(given: ArrayLike, what: str) -> Floats:
    """Return three finite numbers, or raise OutlineError saying what they are not."""
    try:
        v = np.asarray(given, dtype=np.float64)
    except (TypeError, ValueError):
        v = np.empty(0)
    if v.shape != (3,) or not np.isfinite(v).all():
        raise OutlineError(f"{what} is {given!r}, not three finite numbers")
    return v


def make_bed(patch: Surface | Region, *, curved: bool = True, smooth_mm: float = SMOOTH_MM) -> Bed:
    """Make a patch ready for nets.

    Parameters
    ----------
    patch : Surface or Region
        With a region, nets run on over the surface about it.
    curved : bool
        Whether faces are curved to the normals at their corners.
    smooth_mm : float
        Length scale of the evened copy on which nets are laid where the surface is noisy.

    Raises
    ------
    ShapeError
        The patch is in several pieces.
    """
    if isinstance(patch, Region):
        surface, whole = patch.surface, patch.parent
        own, vertex = np.flatnonzero(patch.inside), patch.vertex_of
    else:
        surface = whole = patch
        own, vertex = np.arange(len(patch.faces)), np.arange(len(patch.vertices_mm))
    _one_piece(surface)
    v = work_copy(whole, scale_mm=smooth_mm)
    kept = _about(v, whole.faces, surface, own)
    used, f = np.unique(whole.faces[kept], return_inverse=True)
    faces, points = f.reshape(-1, 3), v[used]
    place = np.full(len(v), -1, dtype=np.int64)
    place[used] = np.arange(len(used))
    rough_points = points
    points, own_points = _straightened(
        whole, kept, points, surface, place[vertex], smooth_mm, v is not whole.vertices_mm
    )
    corners = ALONG_MM[0] if points is not rough_points else 0.0
    holes = _holes(whole.faces, kept, faces, used, points, surface)
    if holes:
        faces, points = fill_holes(faces, points, holes)
    ground = MeshGround(points, faces, curved=curved)
    return Bed(ground, surface, own_points, place[vertex], np.searchsorted(kept, own), corners_mm=corners)


def _straightened(
    whole: Surface, kept: Ints, points: Floats, patch: Surface, own: Ints, smooth_mm: float, rough: bool
) -> tuple[Floats, Floats]:
    """Make the corner lines of a rough surface even: its vertices, and where the patch's own come to lie on it."""
    if smooth_mm <= 0 or not (rough or is_evened(whole)):
        return points, points[own]
    part, used = whole.sub(kept)
    share_copy(whole, part, used, scale_mm=smooth_mm)
    new = straighten_corners(part, points)
    # Evening slides vertices along the surface too; the patch's stay where they were, on the new surface.
    on = points[own]
    slid = np.flatnonzero((new[own] != patch.vertices_mm).any(axis=1))
    if len(slid):
        on[slid] = Surface(new, part.faces).locate(patch.vertices_mm[slid]).points_mm
    # But where that would turn a triangle over, at a jag of the corner, they slide too.
    for _ in range(JAGS):
        over = (Surface(on.copy(), patch.faces).face_normals * patch.face_normals).sum(axis=1) < JAG
        jags = np.unique(patch.faces[over])
        if not (on[jags] != new[own[jags]]).any():
            break
        on[jags] = new[own[jags]]
    return new, on


def _missing_angle(points: Floats, faces: Ints, across: Ints) -> Floats:
    """(n,) angle missing at each vertex of a mesh, rad; 0 on free edges."""
    p = points[faces]
    total = np.zeros(len(points))
    for i in range(3):
        a, b = p[:, (i + 1) % 3] - p[:, i], p[:, (i + 2) % 3] - p[:, i]
        double = np.linalg.norm(np.cross(a, b), axis=1)
        total += np.bincount(faces[:, i], np.arctan2(double, (a * b).sum(axis=1)), minlength=len(total))
    out = 2 * np.pi - total
    face, side = np.nonzero(across < 0)
    for k in (1, 2):
        out[faces[face, (side + k) % 3]] = 0.0
    return np.asarray(out)


def _one_piece(surface: Surface) -> None:
    n = len(surface.vertices_mm)
    e = surface.faces[:, [0, 1, 1, 2]].reshape(-1, 2)
    count, label = connected_components(sp.coo_array((np.ones(len(e)), e.T), shape=(n, n)), directed=False)
    named = label[surface.faces[:, 0]]
    pieces = np.unique(named)
    if len(pieces) > 1:
        size = np.bincount(named, surface.face_areas_mm2, minlength=count)
        small = int(pieces[np.argmin(size[pieces])])
        raise ShapeError(
            f"the ply is in {len(pieces)} pieces",
            where=place_text(surface.vertices_mm[surface.faces[named == small][0, 0]]),
            do="Drape each piece by itself.",
        )


def _about(v: Floats, faces: Ints, surface: Surface, own: Ints) -> Ints:
    """Faces in and about the patch that hang together with it, sorted."""
    if len(own) == len(faces):
        return own
    p = surface.vertices_mm
    low, high = p.min(axis=0), p.max(axis=0)
    more = ABOUT * float(np.linalg.norm(high - low))
    near = ((v > low - more) & (v < high + more)).all(axis=1)
    keep = near[faces].any(axis=1)
    keep[own] = True
    kept = np.flatnonzero(keep)
    e = faces[kept][:, [0, 1, 1, 2]].reshape(-1, 2)
    n = len(v)
    label = connected_components(sp.coo_array((np.ones(len(e)), e.T), shape=(n, n)), directed=False)[1]
    return kept[label[faces[kept, 0]] == label[faces[own[0], 0]]]


def _holes(
    whole: Ints, kept: Ints, faces: Ints, used: Ints, points: Floats, surface: Surface
) -> tuple[Ints, ...]:
    """Loops of free edges, short beside the patch's outline, that are free on the whole surface too."""
    loops = _simple_loops(faces)
    if len(kept) < len(whole):
        rim = np.zeros(int(whole.max()) + 1, dtype=bool)
        gone = np.ones(len(whole), dtype=bool)
        gone[kept] = False
        rim[whole[gone]] = True
        loops = [q for q in loops if not rim[used[q]].any()]
    else:
        loops = sorted(loops, key=lambda q: -closed_length(points[q]))[1:]
    own = [closed_length(surface.vertices_mm[q]) for q in _simple_loops(surface.faces)]
    limit = HOLE * max(own, default=0.0)
    return tuple(q for q in loops if closed_length(points[q]) <= limit)


def _simple_loops(faces: Ints) -> list[Ints]:
    """Closed loops of free edges, the surface on the left; those that touch themselves or others are left out."""
    n = int(faces.max()) + 1
    free = directed_edges(faces)[rim_edges(n, faces)]
    out, back = np.bincount(free[:, 0], minlength=n), np.bincount(free[:, 1], minlength=n)
    good = (out == 1) & (back == 1)
    follow = dict(free[good[free].all(axis=1)].tolist())
    loops = []
    while follow:
        start, at = follow.popitem()
        loop = [start]
        while at != start and at in follow:
            loop.append(at)
            at = follow.pop(at)
        if at == start and len(loop) > 2:
            loops.append(np.array(loop, dtype=np.int64))
    return loops


def flat_faces(bed: Bed) -> Bed:
    """Return the same bed with flat faces."""
    return replace(bed, ground=MeshGround(bed.ground.points, bed.ground.faces, curved=False))

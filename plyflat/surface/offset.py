"""A surface moved outward by a thickness that may differ from place to place, as plies below move the next one."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.sparse as sp
from scipy.sparse.csgraph import connected_components

from ..errors import MeshError
from ._smooth import carry_copy, work_copy
from ._topology import Edges, surface_edges
from .crease import turns
from .mesh import Bools, Floats, Ints, Surface

#: On a clean surface edges that turn by more than this are corners, whose two sides are moved each by itself.
CREASE_DEG = 12.0
#: On a rough surface normals are averaged over about this length before anything is moved along them.
NORMALS_MM = 10.0
#: A corner is taken to turn by no more than this: the point of a sharper hollow would run away.
SHARPEST_DEG = 150.0
#: What a corner pushes along its sides is spread over so many thicknesses, in no more than so many passes.
SPREAD, PASSES = 8.0, 400
#: In hollows too narrow for the thickness, and on rough surfaces, normals are averaged over at least so many thicknesses.
WIDE = 4.0
#: No triangle may keep less than this share of its area, seen along its old normal; it is eased back in so many rounds.
LEAST_SHARE, ROUNDS, EASE = 0.1, 60, 0.85

#: A section grazes a surface where the mean square of the cosine between their normals is above this.
GRAZING = 0.5


@dataclass(frozen=True, eq=False)
class Moved:
    """A surface moved outward.

    Attributes
    ----------
    surface : Surface
        The same triangles; what the surface remembered of its evened copy is moved with it.
    moves_mm : (n, 3) float array, mm
    short_mm : float
        How much of the thickness is missing at the worst place, where a hollow is too narrow for it; 0 where nowhere.
    short_at_mm : tuple of float or None
        That place.
    narrow_at_mm : tuple of float or None
        A place where a hollow is narrower than the thickness and was rounded; lengths across it may come out too long by up
        to about half the thickness there.
    """

    surface: Surface
    moves_mm: Floats
    short_mm: float = 0.0
    short_at_mm: tuple[float, float, float] | None = None
    narrow_at_mm: tuple[float, float, float] | None = None


def move_outward(surface: Surface, thickness_mm: Floats, *, normals_mm: float = NORMALS_MM) -> Moved:
    """Move a surface outward by a thickness, so that lengths along it come out right.

    Over a bend by an angle theta a length grows by thickness times theta if the bend is convex, whatever its radius,
    and shrinks by as much if it is hollow and rounder than the thickness. In a sharp hollow the two sides, each moved by the
    thickness, meet sooner, and the length shrinks by twice the thickness times tan(theta/2).

    Parameters
    ----------
    surface : Surface
    thickness_mm : (n,) float array, mm
        At each vertex; 0 or more.
    normals_mm : float, mm
        Length over which normals are averaged where the surface is rough, so that its noise is not made larger.

    Returns
    -------
    Moved

    Raises
    ------
    MeshError
        If a thickness is missing, negative or not finite.

    Notes
    -----
    A convex corner is rounded by the thickness, which makes a strip of t theta there. No triangles are put in for it: the
    corner's line is moved along the middle of its two normals by t (theta/2) / sin(theta/2), which lengthens each side by
    t theta/2. A hollow corner's line is moved by t / cos(theta/2). Both are one rule: the move d of a vertex on a
    corner has n . d = t c for the normal n of each side, with c = (theta/2) / tan(theta/2) where convex and 1 where hollow.

    Examples
    --------
    A square bar's edge under 2 mm of cloth: a length over it grows by 2 pi/2 = 3.14 mm.

    >>> bend = Surface([[-50, 0, 0], [-50, 90, 0], [0, 0, 0], [0, 90, 0], [0, 0, -50], [0, 90, -50]],
    ...                [[0, 2, 1], [1, 2, 3], [2, 4, 3], [3, 4, 5]])
    >>> new = move_outward(bend, np.full(6, 2.0)).surface
    >>> length = np.linalg.norm(new.vertices_mm[[2, 4]] - new.vertices_mm[[0, 2]], axis=1).sum()
    >>> round(float(length) - 100, 1)
    3.1
    """
    t = np.asarray(thickness_mm, dtype=np.float64)
    if t.shape != (len(surface.vertices_mm),) or not np.isfinite(t).all() or (t < 0).any():
        raise MeshError(
            f"the thickness is not one length of 0 or more for each of {len(surface.vertices_mm)} vertices",
            do="Give one for each vertex, in mm.",
        )
    if not t.any():
        return Moved(surface, np.zeros_like(surface.vertices_mm))
    walk = work_copy(surface)
    clean = walk is surface.vertices_mm
    even = surface if clean else Surface(walk, surface.faces)
    wide = WIDE * float(t.max())
    narrow = np.zeros(len(surface.faces), dtype=bool)
    if clean:
        unit_move = _by_corners(even, float(t.max()))
        narrow = _tight(even, unit_move, t)
        if narrow.any():
            unit_move = _rounded(even, unit_move, narrow, wide)
    else:
        unit_move = _along_even_normals(even, max(normals_mm, wide))
    held = _without_folds(even, unit_move, t)
    moves = unit_move * held[:, None]
    new = Surface(surface.vertices_mm + moves, surface.faces, surface.colors, surface.repairs)
    carry_copy(surface, new, walk + moves)
    worst = int(np.argmax(t - held))
    short = float(t[worst] - held[worst])
    return Moved(
        new, moves, short, _place(surface, worst) if short > 0 else None,
        _place(surface, int(surface.faces[narrow][0, 0])) if narrow.any() else None,
    )


def _place(surface: Surface, vertex: int) -> tuple[float, float, float]:
    x, y, z = surface.vertices_mm[vertex].tolist()
    return x, y, z


# -- clean surfaces ------------------------------------------------------------------------------------------------------
def _by_corners(s: Surface, most_mm: float) -> Floats:
    """(n, 3) moves for a thickness of 1: along the normals, and at corners so that each side is moved by itself."""
    n = len(s.vertices_mm)
    edges = surface_edges(s)
    turn, _ = turns(s, edges)
    sharp = np.abs(turn) > np.radians(CREASE_DEG)
    normal = _fan_normals(s, s.faces.ravel(), n)
    if not sharp.any():
        return normal
    fan, owner = _fans(s, edges, sharp)
    fan_normal = _fan_normals(s, fan, len(owner))
    reach = _side_share(s, edges, turn, sharp, fan, len(owner))
    on = np.zeros(n, dtype=bool)
    on[edges.ends[sharp]] = True
    move = normal.copy()
    move[on] = _met(fan_normal, reach, owner, n)[on]
    return _spread(s, edges, move, normal, on, SPREAD * most_mm)


def _fan_normals(s: Surface, fan: Ints, count: int) -> Floats:
    """(count, 3) unit normals of fans of corners of faces, weighted as is exact on a sphere.

    `fan` (3 m,) is the fan of each corner of each face in turn.

    References
    ----------
    N. Max, "Weights for computing vertex normals from facet normals", J. Graphics Tools 4(2), 1999.
    """
    p = s.vertices_mm[s.faces]
    total = np.zeros((count, 3))
    for i in range(3):
        a, b = p[:, (i + 1) % 3] - p[:, i], p[:, (i + 2) % 3] - p[:, i]
        size = np.maximum((a * a).sum(axis=1) * (b * b).sum(axis=1), 1e-300)
        pull = np.cross(a, b) / size[:, None]
        for k in range(3):
            total[:, k] += np.bincount(fan.reshape(-1, 3)[:, i], pull[:, k], minlength=count)
    return total / np.maximum(np.linalg.norm(total, axis=1, keepdims=True), 1e-300)


def _fans(s: Surface, edges: Edges, sharp: Bools) -> tuple[Ints, Ints]:
    """The fan that each corner of each face belongs to, (3 m,), and the vertex of each fan; corners part fans."""
    m = len(s.faces)
    soft = np.flatnonzero(~sharp & (edges.faces[:, 1] >= 0))
    one: list[Ints] = []
    two: list[Ints] = []
    for end in range(2):
        vertex = edges.ends[soft, end]
        for side, out in ((0, one), (1, two)):
            f = edges.faces[soft, side]
            out.append(3 * f + np.argmax(s.faces[f] == vertex[:, None], axis=1))
    a, b = np.concatenate(one), np.concatenate(two)
    graph = sp.coo_array((np.ones(len(a), dtype=np.int8), (a, b)), shape=(3 * m, 3 * m))
    count, fan = connected_components(graph, directed=False)
    owner = np.zeros(count, dtype=np.int64)
    owner[fan] = s.faces.ravel()
    return fan.astype(np.int64), owner


def _side_share(s: Surface, edges: Edges, turn: Floats, sharp: Bools, fan: Ints, count: int) -> Floats:
    """(count,) share of the thickness by which each fan's side is moved at its vertex, averaged over the corners there."""
    half = 0.5 * np.clip(turn[sharp], 1e-6, np.pi)
    share = np.where(turn[sharp] > 0, half / np.tan(half), 1.0)
    total, seen = np.zeros(count), np.zeros(count)
    for end in range(2):
        for side in range(2):
            f = edges.faces[sharp, side]
            at = fan[3 * f + np.argmax(s.faces[f] == edges.ends[sharp, end][:, None], axis=1)]
            total += np.bincount(at, share, minlength=count)
            seen += np.bincount(at, minlength=count)
    return np.where(seen > 0, total / np.maximum(seen, 1), 1.0)


def _met(normal: Floats, share: Floats, owner: Ints, n: int) -> Floats:
    """(n, 3) least moves whose part along the normal of each fan of a vertex is as stated, as nearly as can be."""
    outer = normal[:, :, None] * normal[:, None, :]
    matrix, goal = np.zeros((n, 3, 3)), np.zeros((n, 3))
    for i in range(3):
        goal[:, i] = np.bincount(owner, share * normal[:, i], minlength=n)
        for k in range(3):
            matrix[:, i, k] = np.bincount(owner, outer[:, i, k], minlength=n)
    move = np.einsum("nij,nj->ni", np.linalg.pinv(matrix, rcond=1e-3, hermitian=True), goal)
    most = 1.0 / np.cos(0.5 * np.radians(SHARPEST_DEG))
    size = np.linalg.norm(move, axis=1, keepdims=True)
    return np.asarray(move * np.minimum(1.0, most / np.maximum(size, 1e-300)))


def _spread(s: Surface, edges: Edges, move: Floats, normal: Floats, on: Bools, reach_mm: float) -> Floats:
    """Let the vertices near corners follow along the surface, so that no row of small triangles takes all of it."""
    from scipy.spatial import cKDTree

    near = cKDTree(s.vertices_mm[on]).query(s.vertices_mm, distance_upper_bound=reach_mm)[0] < np.inf
    free = np.flatnonzero(near & ~on)
    if not len(free):
        return move
    a, b = edges.ends.T
    pull = 1.0 / np.maximum(np.linalg.norm(s.vertices_mm[a] - s.vertices_mm[b], axis=1), 1e-9)
    n = len(move)
    graph = sp.coo_array((np.r_[pull, pull], (np.r_[a, b], np.r_[b, a])), shape=(n, n)).tocsr()[free]
    graph = sp.diags_array(1.0 / np.asarray(graph.sum(axis=1)).ravel()) @ graph
    own = normal[free]
    move = move.copy()
    # Averages spread as the root of their number.
    for _ in range(int(np.clip((reach_mm / s.mean_edge_mm) ** 2, 20, PASSES))):
        along = graph @ move
        move[free] = own + along - (along * own).sum(axis=1, keepdims=True) * own
    return move


def _rounded(s: Surface, move: Floats, narrow: Bools, scale_mm: float) -> Floats:
    """Move along averaged normals about triangles that would turn over, as in a fillet narrower than the thickness."""
    from scipy.spatial import cKDTree

    far = cKDTree(s.vertices_mm[np.unique(s.faces[narrow])]).query(s.vertices_mm, distance_upper_bound=3 * scale_mm)[0]
    share = np.clip(2.0 - far / (1.5 * scale_mm), 0.0, 1.0)[:, None]
    return np.asarray(share * _along_even_normals(s, scale_mm) + (1 - share) * move)


# -- rough surfaces ------------------------------------------------------------------------------------------------------
def _along_even_normals(s: Surface, scale_mm: float) -> Floats:
    """(n, 3) moves for a thickness of 1 along normals averaged over a length.

    Averaged normals run ahead of the surface where it turns. A normal that leans by phi against its face would push the
    face along by sin(phi) only; it is made phi, so that a length over the bend grows by all that the normal turns.
    """
    import igl

    n = len(s.vertices_mm)
    area = np.bincount(s.faces.ravel(), np.repeat(s.face_areas_mm2 / 3, 3), minlength=n)
    area = np.maximum(area, 1e-12)
    stiff = -igl.cotmatrix(s.vertices_mm, s.faces)
    solve = sp.linalg.splu(sp.csc_matrix(sp.diags(area) + (0.5 * scale_mm) ** 2 * stiff)).solve
    even = np.asarray(solve(area[:, None] * s.vertex_normals))
    even /= np.maximum(np.linalg.norm(even, axis=1, keepdims=True), 1e-300)
    move, weight = np.zeros((n, 3)), np.zeros(n)
    for i in range(3):
        at = s.faces[:, i]
        lean = np.clip((even[at] * s.face_normals).sum(axis=1), -1.0, 1.0)
        across = even[at] - lean[:, None] * s.face_normals
        phi = np.arccos(lean)
        more = np.where(phi > 1e-3, phi / np.maximum(np.sin(phi), 1e-3) - 1.0, 0.0)
        pushed = (even[at] + more[:, None] * across) * s.face_areas_mm2[:, None]
        for k in range(3):
            move[:, k] += np.bincount(at, pushed[:, k], minlength=n)
        weight += np.bincount(at, s.face_areas_mm2, minlength=n)
    return np.asarray(move / np.maximum(weight, 1e-300)[:, None])


# -- both ----------------------------------------------------------------------------------------------------------------
def _tight(s: Surface, move: Floats, held: Floats) -> Bools:
    """(m,) triangles that would turn over or all but vanish."""
    p = (s.vertices_mm + move * held[:, None])[s.faces]
    area = 0.5 * (np.cross(p[:, 1] - p[:, 0], p[:, 2] - p[:, 0]) * s.face_normals).sum(axis=1)
    return np.asarray(area < LEAST_SHARE * s.face_areas_mm2)


def _without_folds(s: Surface, move: Floats, t: Floats) -> Floats:
    """(n,) thickness eased back where a triangle would turn over or all but vanish."""
    held = t.copy()
    for _ in range(ROUNDS):
        tight = _tight(s, move, held)
        if not tight.any():
            return held
        held[np.unique(s.faces[tight])] *= EASE
    held[np.unique(s.faces[tight])] = 0.0
    return held


def lengths_changed(surface: Surface, moved_mm: Floats, *, least_mm: float = 30.0) -> tuple[float, float]:
    """By how much a move of its vertices changes lengths across a surface, from edge to edge or right round.

    Lengths are those of sections by planes: seven of them in each of thirteen directions of space.

    Parameters
    ----------
    surface : Surface
    moved_mm : (n, 3) float array, mm
        Its vertices after the move.
    least_mm : float, mm
        Sections shorter than this are left out, such as those that snip off a corner; and those that run across less than
        they graze, which wander over a rough surface.

    Returns
    -------
    float
        The most by which a length changes, mm.
    float
        The most as a share of the length.
    """
    v, edges = surface.vertices_mm, surface_edges(surface)
    cube = np.array([(x, y, z) for x in (0, 1, -1) for y in (0, 1, -1) for z in (0, 1, -1) if (x, y, z) > (0, 0, 0)], dtype=float)
    ways = cube / np.linalg.norm(cube, axis=1, keepdims=True) @ np.linalg.svd(v - v.mean(axis=0), full_matrices=False)[2]
    most = share = 0.0
    for way in ways:
        height = v @ way
        for level in np.quantile(height, np.linspace(0.08, 0.92, 7)):
            before, after, grazing = _sections(surface, edges, moved_mm, height - level, way)
            long = (before >= least_mm) & (grazing < GRAZING)
            if long.any():
                change = np.abs(after - before)[long]
                most, share = max(most, float(change.max())), max(share, float((change / before[long]).max()))
    return most, share


def _sections(s: Surface, edges: Edges, moved: Floats, side: Floats, way: Floats) -> tuple[Floats, Floats, Floats]:
    """Lengths of the lines in which a plane cuts a surface, (k,) before and after a move, and how far it grazes there.

    `side` (n,) says how far the vertices lie off the plane, and `way` (3,) is its normal.
    """
    over = side[s.faces] > 0
    cut = np.flatnonzero(over.any(axis=1) & ~over.all(axis=1))
    # The corner that lies alone on its side of the plane.
    alone = np.where(over[cut].sum(axis=1) == 1, over[cut].argmax(axis=1), (~over[cut]).argmax(axis=1))
    top = s.faces[cut, alone]
    ends = []
    for k in (1, 2):
        other = s.faces[cut, (alone + k) % 3]
        ends.append((other, (side[top] / (side[top] - side[other]))[:, None]))
    (a, x), (b, y) = ends
    lengths = []
    for v in (s.vertices_mm, moved):
        lengths.append(np.linalg.norm(v[top] + x * (v[a] - v[top]) - v[top] - y * (v[b] - v[top]), axis=1))
    one, two = edges.of_face[cut, alone], edges.of_face[cut, (alone + 2) % 3]
    crossed, at = np.unique(np.r_[one, two], return_inverse=True)
    graph = sp.coo_array((np.ones(len(cut), dtype=np.int8), (at[: len(cut)], at[len(cut) :])), shape=(len(crossed),) * 2)
    line = connected_components(graph, directed=False)[1][at[: len(cut)]]
    before, after, lean = (
        np.asarray(np.bincount(line, q), dtype=np.float64)
        for q in (lengths[0], lengths[1], lengths[0] * (s.face_normals[cut] @ way) ** 2)
    )
    return before, after, lean / np.maximum(before, 1e-300)

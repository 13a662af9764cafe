"""Cut a mesh along paths of edges into pieces that know their seams."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import scipy.sparse as sp
from scipy.sparse.csgraph import connected_components, dijkstra

from ..errors import ShapeError
from ..surface._smooth import carry_copy, work_copy
from ..surface.cut import label_faces, mesh_edges, path_edges
from ..surface.mesh import Floats, Ints, Surface

# A place on a rim nearer than this to a vertex (also as a share of the edge) is that vertex: no slivers.
SAME_PLACE_MM, SAME_PLACE = 0.25, 0.1


@dataclass(frozen=True, eq=False)
class Sides:
    """The two sides of a seam.

    Attributes
    ----------
    left, right : int
        The pieces to the left and right of the seam, seen from the air side; they may be the same piece.
    left_vertices, right_vertices : (k,) int array
        The pieces' vertices on the seam, in the seam's order.
    """

    left: int
    right: int
    left_vertices: Ints
    right_vertices: Ints


@dataclass(frozen=True, eq=False)
class Opened:
    """A patch cut into pieces that can lie flat.

    Attributes
    ----------
    pieces : tuple of Surface
        Each a disc, or a disc with openings that enclose no shape.
    seams : tuple of (k, 3) float arrays
        Where it was cut, mm, each from the opening outward.
    sides : tuple of Sides
        One for each seam.
    faces : tuple of (m,) int arrays
        For each piece the faces it has of the surface with the seams as edges.
    """

    pieces: tuple[Surface, ...]
    seams: tuple[Floats, ...] = ()
    sides: tuple[Sides, ...] = ()
    faces: tuple[Ints, ...] = ()


def cut_along(surface: Surface, paths: Sequence[Ints]) -> Opened:
    """Cut a surface along paths of edges, so that each side has vertices of its own.

    Parameters
    ----------
    surface : Surface
    paths : sequence of (k,) int arrays
        Vertices along each path; a path ends on the boundary.

    Returns
    -------
    Opened
    """
    f, n = surface.faces, len(surface.vertices_mm)
    barrier = np.concatenate([path_edges(p, closed=False) for p in paths])
    label = label_faces(surface, barrier)
    corner = _split_corners(f, n, barrier)
    vertex_of = np.zeros(corner.max() + 1, dtype=np.int64)
    vertex_of[corner.ravel()] = f.ravel()
    pieces, local = [], np.full(len(vertex_of), -1, dtype=np.int64)
    for k in range(label.max() + 1):
        used, inverse = np.unique(corner[label == k], return_inverse=True)
        local[used] = np.arange(len(used))
        colors = None if surface.colors is None else surface.colors[vertex_of[used]]
        v = surface.vertices_mm[vertex_of[used]]
        pieces.append(Surface(v, inverse.reshape(-1, 3), colors, surface.repairs))
    sides = tuple(_sides(f, n, p, label, local[corner]) for p in paths)
    faces = tuple(np.flatnonzero(label == k) for k in range(len(pieces)))
    return Opened(tuple(pieces), tuple(surface.vertices_mm[p] for p in paths), sides, faces)


def _split_corners(f: Ints, n: int, barrier: Ints) -> Ints:
    """Number the vertices afresh, (m, 3): corners stay together across every edge but those of the barrier."""
    edges = mesh_edges(f, n)
    wall = np.sort(barrier, axis=1)
    free = ~np.isin(edges.ends[:, 0] * n + edges.ends[:, 1], wall[:, 0] * n + wall[:, 1])
    free &= edges.faces[:, 1] >= 0
    one, two = edges.faces[free].T
    pairs = []
    for k in range(2):
        v = edges.ends[free, k]
        pairs.append(np.stack([_corner_at(f, one, v), _corner_at(f, two, v)], axis=1))
    a, b = np.concatenate(pairs).T
    graph = sp.coo_array((np.ones(len(a), dtype=np.int8), (a, b)), shape=(f.size, f.size))
    return connected_components(graph, directed=False)[1].reshape(-1, 3).astype(np.int64)


def _corner_at(f: Ints, face: Ints, vertex: Ints) -> Ints:
    return 3 * face + np.argmax(f[face] == vertex[:, None], axis=1)


def _sides(f: Ints, n: int, path: Ints, label: Ints, corner: Ints) -> Sides:
    """Find a path's two sides: the face that holds the directed edge lies on its left."""
    directed = f[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2)
    key = directed[:, 0] * n + directed[:, 1]
    order = np.argsort(key)

    def faces(a: Ints, b: Ints) -> Ints:
        """The face that holds each directed edge."""
        return order[np.searchsorted(key[order], a * n + b)] // 3

    a, b = path[:-1], path[1:]
    left, right = faces(a, b), faces(b, a)

    def vertices(side: Ints) -> Ints:
        """The copies of the path's vertices that the faces on one side of it have."""
        flat = corner.ravel()
        return np.r_[flat[_corner_at(f, side, a)], flat[_corner_at(f, side[-1:], b[-1:])]]

    return Sides(int(label[left[0]]), int(label[right[0]]), vertices(left), vertices(right))


def along_rim(points_mm: Floats) -> tuple[Floats, float]:
    """Return the arc length at each of (k, 3) points of a closed line, and its whole length, mm."""
    step = np.linalg.norm(np.roll(points_mm, -1, axis=0) - points_mm, axis=1)
    return np.r_[0.0, np.cumsum(step)[:-1]], float(step.sum())


def on_rim(points_mm: Floats, goal_mm: Floats) -> float:
    """Return the arc length along a closed line of (k, 3) points at its place nearest to a point, mm."""
    step = np.roll(points_mm, -1, axis=0) - points_mm
    size = (step**2).sum(axis=1)
    t = ((goal_mm - points_mm) * step).sum(axis=1) / np.where(size > 0, size, 1.0)
    t = np.clip(t, 0.0, 1.0)
    off = np.linalg.norm(points_mm + t[:, None] * step - goal_mm, axis=1)
    i = int(np.argmin(off))
    return float(along_rim(points_mm)[0][i] + t[i] * np.sqrt(size[i]))


def split_rim(surface: Surface, loop: Ints, at_mm: Floats, *, smooth: bool = True) -> tuple[Surface, Ints]:
    """Put vertices at places along a boundary loop; old vertices keep their numbers and nothing moves.

    Parameters
    ----------
    surface : Surface
    loop : (k,) int array
        One of its boundary loops.
    at_mm : (p,) float array
        Arc length from the loop's first vertex.
    smooth : bool
        Whether arc length is that on the smooth copy where the surface is noisy.

    Returns
    -------
    Surface
    (p,) int array
        The vertex at each place; an old one that is near enough serves.
    """
    walk = work_copy(surface) if smooth else surface.vertices_mm
    v, w, f = list(surface.vertices_mm), list(walk), surface.faces.tolist()
    colors = None if surface.colors is None else list(surface.colors)
    apex = {edge: i for i, t in enumerate(f) for edge in zip(t, t[1:] + t[:1])}
    rim = loop.tolist()
    found = np.zeros(len(at_mm), dtype=np.int64)
    for k in np.argsort(at_mm):
        i, t, length = _place(np.array([w[j] for j in rim]), float(at_mm[k]))
        a, b = rim[i], rim[(i + 1) % len(rim)]
        near = min(SAME_PLACE_MM / max(length, 1e-12), SAME_PLACE)
        if t <= near or t >= 1 - near:
            found[k] = a if t <= near else b
            continue
        new = len(v)
        v.append((1 - t) * v[a] + t * v[b])
        w.append((1 - t) * w[a] + t * w[b])
        if colors is not None:
            colors.append(colors[a] if t < 0.5 else colors[b])
        _halve(f, apex, a, b, new)
        rim.insert(i + 1, new)
        found[k] = new
    out = Surface(np.array(v), np.array(f), None if colors is None else np.array(colors), surface.repairs)
    if smooth:
        carry_copy(surface, out, np.array(w))
    return out, found


def _place(points_mm: Floats, at_mm: float) -> tuple[int, float, float]:
    """Return the segment of a closed line at an arc length, the share of it, and its length."""
    at, total = along_rim(points_mm)
    at_mm = at_mm % total
    i = int(np.searchsorted(at, at_mm, side="right")) - 1
    length = (at[i + 1] if i + 1 < len(at) else total) - at[i]
    return i, float((at_mm - at[i]) / length) if length > 0 else 0.0, float(length)


def _halve(f: list[list[int]], apex: dict[tuple[int, int], int], a: int, b: int, new: int) -> None:
    """Split the one face at a boundary edge in two."""
    face = apex.pop((a, b))
    c = next(j for j in f[face] if j not in (a, b))
    f[face] = [a, new, c]
    f.append([new, b, c])
    other = len(f) - 1
    apex[(a, new)], apex[(new, c)], apex[(c, a)] = face, face, face
    apex[(new, b)], apex[(b, c)], apex[(c, new)] = other, other, other


def edge_path(surface: Surface, start: int, goals: Ints, *, keep_off: Sequence[Ints] = ()) -> Ints:
    """Return the shortest way along edges to the nearest goal that keeps off boundaries and other paths.

    Parameters
    ----------
    surface : Surface
    start : int
    goals : (k,) int array
        Vertices, on the boundary or not.
    keep_off : sequence of (k,) int arrays

    Raises
    ------
    ShapeError
        If there is none.
    """
    shut = np.zeros(len(surface.vertices_mm), dtype=bool)
    shut[np.concatenate([*surface.boundary_loops, *keep_off])] = True
    to = np.setdiff1d(goals, np.concatenate(keep_off)) if keep_off else goals
    e = mesh_edges(surface.faces, len(shut)).ends
    end = np.zeros(len(shut), dtype=bool)
    end[[*to, start]] = True
    # An edge between two boundary vertices is no way through the inside.
    e = e[~shut[e].all(axis=1) & (~shut[e] | end[e]).all(axis=1)]
    length = np.linalg.norm(surface.vertices_mm[e[:, 0]] - surface.vertices_mm[e[:, 1]], axis=1)
    # Steps lead out of the start and into a goal, never through one.
    inward = ~shut[e] | (e == start)
    rows = np.r_[e[inward[:, 0], 0], e[inward[:, 1], 1]]
    cols = np.r_[e[inward[:, 0], 1], e[inward[:, 1], 0]]
    graph = sp.coo_array((np.r_[length[inward[:, 0]], length[inward[:, 1]]], (rows, cols)), shape=2 * shut.shape)
    far, came = dijkstra(graph.tocsr(), indices=start, return_predecessors=True)
    if len(to) == 0 or not np.isfinite(far[to].min()):
        p = surface.vertices_mm[start]
        raise ShapeError(
            "no way for a seam between an opening and the outer edge",
            where=f"({p[0]:.1f}, {p[1]:.1f}, {p[2]:.1f}) mm", do="Use a finer mesh there, or fill the opening.",
        )
    way = [int(to[np.argmin(far[to])])]
    while way[-1] != start:
        way.append(int(came[way[-1]]))
    return np.array(way[::-1], dtype=np.int64)


def corner_angles(surface: Surface) -> Floats:
    """Return the sum of the triangles' angles at each vertex, (n,), rad."""
    p = surface.vertices_mm[surface.faces]
    out = np.zeros(len(surface.vertices_mm))
    for i in range(3):
        a, b = p[:, (i + 1) % 3] - p[:, i], p[:, (i + 2) % 3] - p[:, i]
        angle = np.arctan2(np.linalg.norm(np.cross(a, b), axis=1), (a * b).sum(axis=1))
        out += np.bincount(surface.faces[:, i], angle, minlength=len(out))
    return out

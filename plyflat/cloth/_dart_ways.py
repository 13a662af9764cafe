"""Where cuts are worth trying: towards the peaks and dips of the curvature's potential, in keeping with a patch's symmetry."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import numpy as np
import scipy.sparse as sp
from scipy.sparse.csgraph import dijkstra
from scipy.sparse.linalg import splu
from scipy.spatial import cKDTree

from ..surface.mesh import Floats, Ints, Surface
from ._bounds import vertex_curvature
from ._dart_draft import Course, Piece, Rules, along, with_centre, with_ends

#: A dart is tried from so many places of the edge.
ENDS = 3
#: Lines across run between so many places of the edge; so many of them, the most promising, are tried.
STATIONS, ACROSS = 14, 10
#: A mirror plane throws the outline, and then the whole patch, no farther off itself than these shares of its size.
ALIKE, ALIKE_INSIDE = 0.01, 0.004
#: Planes are sought at so many angles; a patch with as many planes as a share of them is taken for round.
ANGLES, ROUND = 48, 0.5


def potential(surface: Surface) -> Floats:
    """Solve L u = K with u = 0 on the edge: it peaks inside what is domed, and dips inside what is saddled.

    L is the cotangent Laplacian and K the angle missing at each vertex.

    Parameters
    ----------
    surface : Surface

    Returns
    -------
    (n,) float array
    """
    import igl

    rim = np.concatenate(surface.boundary_loops)
    inside = np.setdiff1d(np.arange(len(surface.vertices_mm)), rim)
    out = np.zeros(len(surface.vertices_mm))
    if len(inside):
        stiff = sp.csc_matrix(-igl.cotmatrix(surface.vertices_mm, surface.faces))[inside][:, inside]
        out[inside] = splu(sp.csc_matrix(stiff)).solve(vertex_curvature(surface)[inside])
    return out


@dataclass(frozen=True, eq=False)
class Way:
    """A way along the draft's edges from a vertex of the edge to a tip."""

    vertices: tuple[int, ...]

    def to(self, depth: float) -> tuple[int, int]:
        """Return its first vertex, and the one at a share of it."""
        n = len(self.vertices)
        return self.vertices[0], self.vertices[max(2, round(depth * (n - 1)))] if n > 3 else self.vertices[-1]


def dart_ways(piece: Piece, field: Floats, rules: Rules, *, most: int = ENDS) -> Iterator[Way]:
    """Propose ways from the patch's own edge to the peaks of a field, the nearest places of the edge first."""
    rim = piece.surface.boundary_loops[0]
    bare = piece.bare(rules)
    for tip in _tips(piece, field, rules):
        far, came = dijkstra(piece.graph, indices=tip, return_predecessors=True)
        for end in _near_ends(piece.surface.vertices_mm[rim], np.where(bare, far[rim], np.inf), most):
            yield Way(tuple(_way(came, int(rim[end]), tip)))


def _tips(piece: Piece, field: Floats, rules: Rules) -> list[int]:
    """Where darts lead to: the highest places of a field, or the points of curvature beside them."""
    tips = _highest(piece, field)
    v = piece.surface.vertices_mm
    for place in rules.peaks_mm:
        at = int(np.argmin(np.linalg.norm(v - place, axis=1)))
        if not piece.on_rim[at]:
            tips = [at if np.linalg.norm(v[q] - place) < rules.reach_mm else q for q in tips]
    return list(dict.fromkeys(tips))


def _highest(piece: Piece, field: Floats) -> list[int]:
    """The highest vertex of a field, and the highest one well away from it if it is half as high."""
    first = int(np.argmax(field))
    if field[first] <= 0:
        return []
    away = dijkstra(piece.graph, indices=first) > 0.25 * float(np.linalg.norm(piece.surface.size_mm))
    second = int(np.argmax(np.where(away, field, -np.inf)))
    return [first, second] if away.any() and field[second] > 0.5 * field[first] else [first]


def _near_ends(rim_mm: Floats, far: Floats, most: int) -> list[int]:
    """Places of the edge that are nearest, and the nearest ones that lie apart from those."""
    size = float(np.ptp(rim_mm, axis=0).max())
    ends: list[int] = []
    for k in np.argsort(far):
        if not np.isfinite(far[k]):
            break
        if all(np.linalg.norm(rim_mm[k] - rim_mm[j]) > 0.22 * size for j in ends):
            ends.append(int(k))
        if len(ends) == most:
            break
    return ends


def lines_across(piece: Piece, field: Floats) -> Iterator[Course]:
    """Propose lines between places of the edge that pass where the potential is deep."""
    v, rim = piece.surface.vertices_mm, piece.surface.boundary_loops[0]
    at = rim[stations(v[rim], STATIONS)]
    far, came = dijkstra(piece.graph, indices=at, return_predecessors=True)
    ranked = []
    for i in range(len(at)):
        for j in range(i + 3, len(at) - (2 if i == 0 else 0)):
            if np.isfinite(far[i, at[j]]):
                way = _way(came[i], int(at[j]), int(at[i]))
                ranked.append((float(np.abs(field[way]).mean()), i, j))
    for _, i, j in sorted(ranked, reverse=True)[:ACROSS]:
        yield Course("split", v[at[[i, j]]], piece.way(int(at[i]), int(at[j])))


def stations(rim_mm: Floats, count: int) -> Ints:
    """Indices of places spread evenly round a closed line."""
    step = np.linalg.norm(np.roll(rim_mm, -1, axis=0) - rim_mm, axis=1)
    run = np.cumsum(step) - step
    return np.unique(np.searchsorted(run, step.sum() * np.arange(count) / count).clip(0, len(rim_mm) - 1))


def _way(came: Ints, end: int, start: int) -> list[int]:
    """The vertices from an end back to the start of a search."""
    way = [end]
    while way[-1] != start:
        way.append(int(came[way[-1]]))
    return way


# -- symmetry ----------------------------------------------------------------------------------------------------------
@dataclass(frozen=True, eq=False)
class Symmetry:
    """The mirror planes of a patch.

    Attributes
    ----------
    centre_mm : (3,) float array, mm
        In all planes.
    axis : (3,) float array
        Along all planes, unit.
    normals : (k, 3) float array
        Of planes: none, one, or two square to each other.
    round : bool
        Whether every other plane along the axis is one too.
    """

    centre_mm: Floats
    axis: Floats
    normals: Floats
    round: bool

    def images(self, points_mm: Floats) -> list[Floats]:
        """Return (k, 3) points and their mirror images, one under each of the moves that leave the patch alike."""
        out = [points_mm]
        for normal in self.normals:
            out += [_mirrored(q, self.centre_mm, normal) for q in out]
        return out


def _mirrored(points: Floats, centre: Floats, normal: Floats) -> Floats:
    return points - 2 * ((points - centre) @ normal)[:, None] * normal


def symmetry_of(surface: Surface) -> Symmetry:
    """Find the mirror planes of a patch among those along its mean normal.

    Parameters
    ----------
    surface : Surface

    Returns
    -------
    Symmetry
    """
    area = surface.face_areas_mm2
    axis = area @ surface.face_normals
    size = float(np.linalg.norm(surface.size_mm))
    centre = area @ surface.vertices_mm[surface.faces].mean(axis=1) / area.sum()
    if np.linalg.norm(axis) < 0.05 * area.sum():
        return Symmetry(centre, np.array([0.0, 0.0, 1.0]), np.zeros((0, 3)), False)
    axis = axis / np.linalg.norm(axis)
    rim = np.vstack([_dense(surface.vertices_mm[loop], 240) for loop in surface.boundary_loops])
    tree = cKDTree(rim)
    u = np.cross(axis, np.eye(3)[np.argmin(np.abs(axis))])
    u /= np.linalg.norm(u)
    w = np.cross(axis, u)

    def off(angle: float) -> float:
        """How far the mirrored rim lies off the rim at the worst, as a share of its size."""
        normal = np.cos(angle) * u + np.sin(angle) * w
        return float(tree.query(_mirrored(rim[::3], centre, normal))[0].max()) / size

    angles = np.pi * np.arange(ANGLES) / ANGLES
    score = np.array([off(a) for a in angles])
    if (score < 2 * ALIKE).mean() > ROUND:
        planes = [np.cos(a) * u + np.sin(a) * w for a in (0.0, np.pi / 4, np.pi / 2)]
        alike = all(_alike(surface, centre, normal, size) for normal in planes)
        return Symmetry(centre, axis, np.array([u, w]) if alike else np.zeros((0, 3)), alike)
    least = np.flatnonzero((score <= np.roll(score, 1)) & (score <= np.roll(score, -1)) & (score < 0.08))
    found: list[Floats] = []
    for k in least[np.argsort(score[least])]:
        angle = _lowest(off, angles[k], np.pi / ANGLES)
        normal = np.cos(angle) * u + np.sin(angle) * w
        square = all(abs(normal @ q) < 0.1 for q in found)
        if off(angle) < ALIKE and square and _alike(surface, centre, normal, size):
            found.append(normal)
        if len(found) == 2:
            break
    return Symmetry(centre, axis, np.array(found).reshape(-1, 3), False)


def _lowest(off: Callable[[float], float], angle: float, step: float) -> float:
    """Close in on the least value near an angle."""
    while step > 1e-3:
        step /= 2
        angle = min((angle - step, angle, angle + step), key=off)
    return angle


def _alike(surface: Surface, centre: Floats, normal: Floats, size: float) -> bool:
    """Whether a mirror throws the whole patch onto itself."""
    return float(surface.locate(_mirrored(surface.vertices_mm, centre, normal)).distance_mm.max()) < ALIKE_INSIDE * size


def _dense(loop_mm: Floats, count: int) -> Floats:
    """Return a closed line as so many points, evenly spaced, and its corners."""
    closed = np.vstack([loop_mm, loop_mm[:1]])
    run = np.r_[0.0, np.cumsum(np.linalg.norm(np.diff(closed, axis=0), axis=1))]
    at = np.linspace(0.0, run[-1], count, endpoint=False)
    return np.vstack([np.stack([np.interp(at, run, closed[:, k]) for k in range(3)], axis=1), loop_mm])


# -- fans ----------------------------------------------------------------------------------------------------------------
@dataclass(frozen=True, eq=False)
class Fan:
    """Darts from evenly spaced places of the edge towards one middle.

    Attributes
    ----------
    piece : Piece
        The draft with vertices at the middle and on the edge.
    middle : int
    ends : tuple of int
    """

    piece: Piece
    middle: int
    ends: tuple[int, ...]

    def courses(self, depth: float) -> list[Course]:
        """Return the darts, each as deep as a share of its own way to the middle; on the draft they end on vertices."""
        v, inside = self.piece.surface.vertices_mm, np.flatnonzero(~self.piece.on_rim)
        tree, out = cKDTree(v[inside]), []
        for end in self.ends:
            whole = self.piece.way(end, self.middle)
            tip = along(whole, depth)
            near = int(inside[tree.query(tip)[1]])
            out.append(Course("dart", np.stack([v[end], tip]), self.piece.way(end, near)))
        return out


def fans(piece: Piece, field: Floats, symmetry: Symmetry, count: int, *, beside: bool = False) -> Iterator[Fan]:
    """Propose fans of so many darts, turned so that the patch's mirror planes throw them on themselves.

    Parameters
    ----------
    piece : Piece
    field : (n,) float array
        Its highest place is the middle, moved into the planes.
    symmetry : Symmetry
    count : int
    beside : bool
        Whether to turn them on by quarters of a step too, so that they find a way beside what they keep off.

    Yields
    ------
    Fan
    """
    surface, planes = piece.surface, len(symmetry.normals)
    if planes == 2 and count % 2 and not symmetry.round:
        return
    peak = surface.vertices_mm[[int(np.argmax(field))]]
    surface, mixing, middle = with_centre(surface, np.mean(symmetry.images(peak), axis=0)[0])
    rim = surface.boundary_loops[0]
    uv = mixing @ piece.flat.uv_mm
    angle = np.unwrap(np.arctan2(*(uv[rim] - uv[middle]).T[::-1]))
    if (np.diff(np.r_[angle, angle[0] + 2 * np.pi]) <= 0).any():
        # Part of the edge is behind another seen from the middle: no even spacing there.
        return
    for phase in _phases(surface, rim, angle, uv, middle, symmetry, count, beside):
        wanted = phase + 2 * np.pi * np.arange(count) / count
        wanted = angle[0] + (wanted - angle[0]) % (2 * np.pi)
        closed, run = np.vstack([surface.vertices_mm[rim], surface.vertices_mm[rim[:1]]]), np.r_[angle, angle[0] + 2 * np.pi]
        places = np.stack([np.interp(wanted, run, closed[:, k]) for k in range(3)], axis=1)
        ended, more, ends = with_ends(surface, places)
        flat = replace(piece.flat, uv_mm=more @ uv)
        yield Fan(Piece(ended, flat, piece.harm, piece.over_mm2), middle, tuple(ends))


def _phases(
    surface: Surface, rim: Ints, angle: Floats, uv: Floats, middle: int, symmetry: Symmetry, count: int, beside: bool
) -> list[float]:
    """Angles in the flat of the first dart: in a mirror plane and half a step off it, or where the edge is nearest."""
    turns = 2 * np.pi / count * np.array([0.0, 0.5, 0.25, 0.75] if beside else [0.0, 0.5])
    if not len(symmetry.normals):
        nearest = float(angle[int(np.argmin(np.linalg.norm(uv[rim] - uv[middle], axis=1)))])
        return (nearest + turns).tolist() if beside else [nearest]
    off = (surface.vertices_mm[rim] - symmetry.centre_mm) @ symmetry.normals[0]
    back, turn = np.roll(off, 1), np.r_[angle[-1] - 2 * np.pi, angle[:-1]]
    k = int(np.argmax((off >= 0) & (back < 0)))
    first = float(turn[k] + (angle[k] - turn[k]) * back[k] / (back[k] - off[k]))
    return [first] if symmetry.round and not beside else (first + turns).tolist()

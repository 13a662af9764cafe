"""Layers of the bag at inside corners: which lines they would bridge, and where they are cut to lie down.

A layer that runs through an inside corner in one piece carries tension across it, and hangs free with a radius of its
tension over the pressure. Cut along the line it lies down on both sides.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
import scipy.sparse as sp
from scipy.sparse.csgraph import dijkstra
from scipy.spatial import cKDTree

from ..cloth._cutting import Opened
from ..cloth.panels import Parted, part_piece, part_piece_at
from ..cloth.pieces import piece_name
from ..errors import QuantityError
from ..surface.crease import Crease
from ..surface.cut import mesh_edges
from ..surface.mesh import Bools, Floats, Ints, Surface
from .corners import CornerSection
from .pleats import JOINED_MM, Corner, corner_name, corners_of

#: The bend at a line is measured over these lengths to both sides, mm: a shorter one tells the mesh, a longer one the hull.
NEAREST_MM, FARTHEST_MM, WIDTHS = 6.0, 80.0, 24
#: A point of a line this near to a layer lies on it: corner lines are those of a smooth copy of a scan.
ON_MM = 3.0


@dataclass(frozen=True, eq=False)
class TightLine:
    """A line where the hull bends inwards more tightly than a taut layer follows.

    Attributes
    ----------
    name : str
        Its corner's, as pleats call it: "corner 1"; "corner 1a", "corner 1b" where that corner has several such lines.
    points_mm : (k, 3) float array
    length_mm : float
    radius_mm : float
        To which the hull bends there: half the stations are tighter.
    turn_deg : float
    closed : bool
    """

    name: str
    points_mm: Floats
    length_mm: float
    radius_mm: float
    turn_deg: float
    closed: bool

    @property
    def middle_mm(self) -> tuple[float, float, float]:
        """Its place half way along."""
        x, y, z = evenly(self.points_mm, self.length_mm / 2)[1]
        return float(x), float(y), float(z)


def bend_radius_mm(section_mm: Floats, at: Floats | None = None) -> float:
    """Return the radius to which a plane section bends at a place.

    Over a length s to both sides of it an arc of radius r turns by s / r, seen by its chords; over an arc that ends the
    turn grows no more, and s over the turn becomes larger. So the least of s over the turn is the radius.

    Parameters
    ----------
    section_mm : (k, 2) float array
    at : (2,) float array, optional
        The place; the origin if not given.

    Returns
    -------
    float
        No less than `NEAREST_MM` over the turn: what is tighter cannot be told from a sharp corner. Infinite where the
        section is straight or ends too near.
    """
    p = section_mm - (0.0 if at is None else at)
    s = np.r_[0.0, np.cumsum(np.linalg.norm(np.diff(p, axis=0), axis=1))]
    here = _foot(p, s)
    widths = np.geomspace(NEAREST_MM, FARTHEST_MM, WIDTHS)
    widths = widths[(here - widths >= 0) & (here + widths <= s[-1])]
    if not len(widths):
        return float("inf")
    a, o, b = (np.stack([np.interp(q, s, p[:, k]) for k in range(2)], axis=-1) for q in (here - widths, here, here + widths))
    one, two = o - a, b - o
    turn = np.abs(np.arctan2(one[:, 0] * two[:, 1] - one[:, 1] * two[:, 0], (one * two).sum(axis=1)))
    return float((widths / np.maximum(turn, 1e-9)).min())


def _foot(p: Floats, s: Floats) -> float:
    """How far along a way its point nearest to the origin lies."""
    step = np.diff(p, axis=0)
    size = np.maximum((step**2).sum(axis=1), 1e-300)
    t = np.clip(-(p[:-1] * step).sum(axis=1) / size, 0.0, 1.0)
    k = int(np.argmin(np.linalg.norm(p[:-1] + t[:, None] * step, axis=1)))
    return float(s[k] + t[k] * (s[k + 1] - s[k]))


def tight_lines(
    lines: Sequence[Crease], sections: Sequence[CornerSection], *, radius_mm: float
) -> tuple[TightLine, ...]:
    """Return the inside corner lines that bend more tightly than a radius.

    Parameters
    ----------
    lines : sequence of Crease
    sections : sequence of CornerSection
        Across those lines.
    radius_mm : float
        To which the stack hangs free, its tension over the pressure: a fillet of that radius is followed.

    Returns
    -------
    tuple of TightLine
        By their corners, the longest line of each first.

    Raises
    ------
    QuantityError
        A radius not above zero.
    """
    if not (np.isfinite(radius_mm) and radius_mm > 0):
        raise QuantityError(f"the radius that layers follow is {radius_mm:g} mm", do="Give a length above zero.")
    found = []
    for k, line in enumerate(lines):
        radii = [bend_radius_mm(q.surface_mm) for q in sections if q.line == k]
        if radii and float(np.median(radii)) < radius_mm:
            length = float(np.linalg.norm(np.diff(line.points_mm, axis=0), axis=1).sum())
            found.append((k, TightLine("", line.points_mm, length, float(np.median(radii)), abs(line.angle_deg), line.closed)))
    return _named([q for _, q in found], [_corner_at(corners_of(lines, sections), k) for k, _ in found])


def _corner_at(corners: Sequence[Corner], line: int) -> int:
    """Which corner a line is one of."""
    return next(k for k, c in enumerate(corners) if line in c.lines)


def _named(lines: Sequence[TightLine], corner: Sequence[int]) -> tuple[TightLine, ...]:
    """Lines in the order of their corners (as many), with their names."""
    out = []
    for k in sorted(set(corner)):
        own = sorted((q for q, mine in zip(lines, corner) if mine == k), key=lambda q: -q.length_mm)
        name = corner_name(k + 1)
        out += [replace(q, name=name + (piece_name(n).lower() if len(own) > 1 else "")) for n, q in enumerate(own)]
    return tuple(out)


def named_after(
    lines: Sequence[TightLine], corners: Sequence[Corner], creases: Sequence[Crease]
) -> tuple[TightLine, ...]:
    """Return lines with the names of corners that were found apart, at another scale.

    Parameters
    ----------
    lines : sequence of TightLine
    corners : sequence of Corner
    creases : sequence of Crease
        The corners' lines. A line that lies along none of them gets a number after the last.
    """
    places = [np.concatenate([evenly(creases[k].points_mm, NEAREST_MM) for k in c.lines]) for c in corners]
    of, more = [], len(corners)
    for line in lines:
        mine = evenly(line.points_mm, NEAREST_MM)
        far = [float(np.median(cKDTree(q).query(mine)[0])) for q in places]
        near = int(np.argmin(far)) if far else -1
        if near >= 0 and far[near] < JOINED_MM:
            of.append(near)
        else:
            of.append(more)
            more += 1
    return _named(lines, of)


def length_on(surface: Surface, line_mm: Floats) -> float:
    """Return how much of a line lies on a surface, mm.

    Parameters
    ----------
    surface : Surface
    line_mm : (k, 3) float array
    """
    dense = evenly(line_mm, 5.0)
    on = surface.locate(dense).distance_mm < ON_MM
    step = np.linalg.norm(np.diff(dense, axis=0), axis=1)
    return float(step[on[:-1] & on[1:]].sum())


def cut_at_lines(opened: Opened, lines_mm: Sequence[Floats]) -> tuple[Opened, tuple[int, ...]]:
    """Cut the pieces of a layer further along lines on the hull, from edge to edge of each piece.

    Parameters
    ----------
    opened : Opened
    lines_mm : sequence of (k, 3) float arrays, mm
        They may run on beyond the layer. A stretch that ends inside a piece is left uncut. A closed line wholly inside a
        piece, as round a post, is cut out, and what surrounds it is slit from there to its edge at both ends.

    Returns
    -------
    Opened
        Seams that were there come first, parted where a line ends on them.
    tuple of int
        For each seam the line it was cut along, or -1 for a seam that was there.
    """
    origin: tuple[int, ...] = (-1,) * len(opened.seams)
    for number, line in enumerate(lines_mm):
        # Its own points are kept: on a model they are corners of the mesh, which then need no new ones beside them.
        dense = _refined(line, min(p.mean_edge_mm for p in opened.pieces))
        k = 0
        while k < len(opened.pieces):
            if _wholly_inside(opened.pieces[k], dense):
                made = _cut_out(opened, k, dense)
            else:
                tried = (_parted(opened, k, run) for run in _runs_across(opened.pieces[k], dense))
                made = next((cut for cut in tried if cut is not None), None)
            if made is None:
                k += 1
                continue
            opened = made.opened
            origin = tuple(number if was < 0 else origin[was] for was in made.origin)
    return opened, origin


def _parted(opened: Opened, k: int, run: Floats) -> Parted | None:
    """Cut a piece along a line; where that would disturb its edge, along the mesh's edges nearest to the line."""
    made = part_piece(opened, k, run)
    if made is not None:
        return made
    piece = opened.pieces[k]
    path = _edges_along(piece, run)
    return None if path is None else part_piece_at(opened, k, path)


def _wholly_inside(piece: Surface, line: Floats) -> bool:
    """Whether a closed line lies on a piece and keeps off its edge."""
    if not np.array_equal(line[0], line[-1]) or not (piece.locate(line).distance_mm < ON_MM).all():
        return False
    rim = np.concatenate([evenly(piece.vertices_mm[np.r_[q, q[:1]]], piece.mean_edge_mm) for q in piece.boundary_loops])
    return bool(cKDTree(rim).query(line)[0].min() > max(2 * ON_MM, piece.mean_edge_mm))


def _cut_out(opened: Opened, k: int, line: Floats) -> Parted | None:
    """Cut out what a closed line surrounds, and slit the rest from the line's far ends to its edge; None if it fails.

    The first cut runs from edge to edge along one half of the line, the second along the other half.
    """
    piece, foot = opened.pieces[k], line[:-1]
    off = foot - foot.mean(axis=0)
    along = off @ np.linalg.svd(off, full_matrices=False)[2][0]
    foot = np.roll(foot, -int(np.argmax(along)), axis=0)
    far = int(np.argmin(np.roll(along, -int(np.argmax(along)))))
    start, end = (_way_to_rim(piece, foot[j]) for j in (0, far))
    if start is None or end is None:
        return None
    first = _parted(opened, k, np.concatenate([start[::-1], foot[1:far], end]))
    if first is None:
        return None
    rest = np.concatenate([foot[far:], foot[:1]])
    middle = rest[len(rest) // 2 : len(rest) // 2 + 1]
    for j in sorted((k, k + 1), key=lambda q: _off_rim(first.opened.pieces[q], middle), reverse=True):
        second = _parted(first.opened, j, rest)
        if second is not None:
            return Parted(second.opened, tuple(-1 if was < 0 else first.origin[was] for was in second.origin))
    return None


def _off_rim(piece: Surface, point: Floats) -> float:
    """How far inside a piece a point lies; below zero where it is not on it."""
    if piece.locate(point).distance_mm[0] > ON_MM:
        return -1.0
    return float(cKDTree(piece.vertices_mm[np.concatenate(piece.boundary_loops)]).query(point)[0][0])


def _way_to_rim(piece: Surface, point: Floats) -> Floats | None:
    """The shortest way over a piece's edges from a point to its rim, the point first; None without one."""
    v = piece.vertices_mm
    rim = np.concatenate(piece.boundary_loops)
    e = mesh_edges(piece.faces, len(v)).ends
    size = np.linalg.norm(v[e[:, 0]] - v[e[:, 1]], axis=1)
    graph = sp.csr_array((size, (e[:, 0], e[:, 1])), shape=(len(v), len(v)))
    start = int(cKDTree(v).query(point)[1])
    far, came = dijkstra(graph, directed=False, indices=start, return_predecessors=True)
    at = int(rim[np.argmin(far[rim])])
    if not np.isfinite(far[at]):
        return None
    way = [at]
    while way[-1] != start:
        way.append(int(came[way[-1]]))
    return np.concatenate([point[None], v[way[-2::-1]]])


def _edges_along(piece: Surface, run: Floats) -> Ints | None:
    """The way over a piece's edges, from rim to rim through its inside, that keeps nearest to a line; None without one."""
    rim = np.concatenate(piece.boundary_loops)
    start, end = rim[cKDTree(piece.vertices_mm[rim]).query(run[[0, -1]])[1]]
    shut = np.zeros(len(piece.vertices_mm), dtype=bool)
    shut[rim] = True
    shut[[start, end]] = False
    e = mesh_edges(piece.faces, len(shut)).ends
    e = e[~shut[e].any(axis=1) & ~np.isin(e, [start, end]).all(axis=1)]
    v = piece.vertices_mm
    length = np.linalg.norm(v[e[:, 0]] - v[e[:, 1]], axis=1)
    off = cKDTree(evenly(run, 0.25 * piece.mean_edge_mm)).query(v)[0][e].mean(axis=1)
    # A step off the line costs its length again for every quarter of an edge it is away.
    cost = length * (1 + 4 * off / piece.mean_edge_mm)
    graph = sp.csr_array((cost, (e[:, 0], e[:, 1])), shape=(len(v), len(v)))
    far, came = dijkstra(graph, directed=False, indices=int(start), return_predecessors=True)
    if start == end or not np.isfinite(far[end]):
        return None
    way = [int(end)]
    while way[-1] != start:
        way.append(int(came[way[-1]]))
    return np.array(way[::-1], dtype=np.int64)


def _runs_across(piece: Surface, line: Floats) -> Iterator[Floats]:
    """Stretches of a line that lie on a piece and run through its inside from edge to edge."""
    rims = [np.concatenate([piece.vertices_mm[q], piece.vertices_mm[q[:1]]]) for q in piece.boundary_loops]
    rim = cKDTree(np.concatenate([evenly(q, piece.mean_edge_mm) for q in rims]))
    on = piece.locate(line).distance_mm < ON_MM
    if np.array_equal(line[0], line[-1]) and on[0] and not on.all():
        # A closed line is followed from where it is off the piece.
        first = int(np.argmin(on))
        line, on = np.roll(line[:-1], -first, axis=0), np.roll(on[:-1], -first)
    # A cut that keeps to the edges of the mesh strays: what it left beside the line is no piece to cut again.
    inside = rim.query(line)[0] > max(2 * ON_MM, piece.mean_edge_mm)
    for a, b in _stretches(on):
        ends = rim.query(line[[a, b - 1]])[0]
        if inside[a:b].any() and ends.max() <= 3 * ON_MM + piece.mean_edge_mm:
            yield line[a:b]


def _stretches(on: Bools) -> list[tuple[int, int]]:
    """First and one past the last of each run that is true."""
    step = np.flatnonzero(np.diff(np.r_[0, on.astype(np.int8), 0]))
    return [(int(a), int(b)) for a, b in zip(step[::2], step[1::2])]


def _refined(line: Floats, step_mm: float) -> Floats:
    """The points of a line with more between those that lie farther apart than stated."""
    parts = []
    for a, b in zip(line[:-1], line[1:]):
        n = max(int(np.ceil(np.linalg.norm(b - a) / max(step_mm, 1e-6) - 1e-9)), 1)
        parts.append(a + np.arange(n)[:, None] / n * (b - a))
    return np.concatenate([*parts, line[-1:]])


def evenly(line: Floats, step_mm: float) -> Floats:
    """Points along a line at even steps no longer than stated, both ends included."""
    at = np.r_[0.0, np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))]
    s = np.linspace(0.0, at[-1], max(int(np.ceil(at[-1] / max(step_mm, 1e-6) - 1e-9)), 1) + 1)
    return np.stack([np.interp(s, at, line[:, k]) for k in range(3)], axis=1)

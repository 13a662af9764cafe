"""Lines that run over a surface laid into another cut of the same surface, exactly where they ran.

Two regions of one surface have each a mesh of their own, cut along their own outlines. Before they can be added or taken
away from each other, the lines of one are laid into the mesh of the other, from face to face. Where both run within a
hair of each other they are made to run as one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from ..errors import OutlineError
from ._patch import NeedsWiderCrop, Patch, Vec
from ._smooth import SMOOTH_MM, work_copy
from ._topology import surface_edges
from ._trace import NoWayError, Tidy, Trace, at, links
from .cut import Inserted, _as_crop, _assemble, _crop, _deviation, _How
from .mesh import Bools, Floats, Ints, Located, Surface

# Lines nearer to each other than this are one line. Cutting moves an outline by up to half of this.
TOUCH_MM = 0.1
# A line farther than this off a surface does not belong to it.
SAME_MM = 0.5
# A path point this near a vertex or an edge is put on it.
SNAP_MM = 0.001
# Whether lines cross or touch is seen this far to either side.
BESIDE_MM = 2.0
# A laid line that comes back on itself after no more than this is shortened.
SPIKE_MM = 0.5


@dataclass(frozen=True, eq=False)
class Line:
    """A polyline on a surface.

    Attributes
    ----------
    points_mm : (k, 3) float array, mm
        Each piece from point to point lies in one face. A closed line does not repeat its first point.
    closed : bool
    """

    points_mm: Floats
    closed: bool = True

    @property
    def ends(self) -> tuple[Floats, Floats]:
        """Begins and ends of its pieces, (k, 3) each, mm."""
        p = self.points_mm
        return (p, np.roll(p, -1, axis=0)) if self.closed else (p[:-1], p[1:])


def outline_of(region_surface: Surface, loops: Sequence[Ints]) -> list[Line]:
    """Return a region's boundary loops as lines."""
    return [Line(region_surface.vertices_mm[q]) for q in loops]


def noded(line: Line, fixed: Sequence[Line]) -> Line:
    """Draw a line onto others where it runs within a hair of them.

    Parameters
    ----------
    line : Line
    fixed : sequence of Line

    Returns
    -------
    Line
        With points at all of the others' corners that it passes, and its own points moved onto the others.
    """
    if not fixed:
        return line
    begin, end = (np.vstack(q) for q in zip(*(f.ends for f in fixed)))
    corners = np.vstack([f.points_mm for f in fixed])
    own = line.points_mm.copy()
    piece, point, foot = _met(begin, end, own, *_beside(line))
    gap = np.linalg.norm(foot - own[point], axis=1)
    for k in np.argsort(-gap, kind="stable"):
        own[point[k]] = foot[k]
    back, ahead = (np.vstack(q) for q in zip(*(_beside(f) for f in fixed)))
    a, b = Line(own, line.closed).ends
    piece, corner, _ = _met(a, b, corners, back, ahead)
    along = np.linalg.norm(corners[corner] - a[piece], axis=1)
    order = np.lexsort((along, piece))
    place = np.r_[np.arange(len(own)).astype(np.float64), piece[order] + 0.5]
    p = np.vstack([own, corners[corner[order]]])[np.argsort(place, kind="stable")]
    keep = np.linalg.norm(p - np.roll(p, 1, axis=0), axis=1) > 1e-9
    if not line.closed:
        keep[0] = True
    return Line(p[keep], line.closed)


def _beside(line: Line) -> tuple[Floats, Floats]:
    """Points a little before and behind each point of a line, (k, 3) each, mm."""
    p = np.vstack([line.points_mm, line.points_mm[:1]]) if line.closed else line.points_mm
    s = np.r_[0.0, np.cumsum(np.linalg.norm(np.diff(p, axis=0), axis=1))]
    k, total = len(line.points_mm), s[-1]
    sides = []
    for step in (-BESIDE_MM, BESIDE_MM):
        at_mm = (s[:k] + step) % total if line.closed else np.clip(s[:k] + step, 0.0, total)
        sides.append(np.stack([np.interp(at_mm, s, p[:, i]) for i in range(3)], axis=1))
    return sides[0], sides[1]


def _met(begin: Floats, end: Floats, points: Floats, back: Floats, ahead: Floats) -> tuple[Ints, Ints, Floats]:
    """Pairs of a segment and a point of another line that lies on it, with the points' feet (p, 3).

    A point within a hair of the segment lies on it, except where its line, which is at `back` before and at `ahead`
    behind the point, plainly passes from one side to the other: there the lines cross where they cross.
    """
    piece, point, foot = _near_pairs(begin, end, points)
    way = (end - begin)[piece]
    way /= np.maximum(np.linalg.norm(way, axis=1, keepdims=True), 1e-300)
    off = [q[point] - foot for q in (back, ahead)]
    off = [q - (q * way).sum(axis=1)[:, None] * way for q in off]
    size = [np.linalg.norm(q, axis=1) for q in off]
    crossing = (np.minimum(*size) > TOUCH_MM) & ((off[0] * off[1]).sum(axis=1) < 0.5 * size[0] * size[1])
    on = ~crossing | (np.linalg.norm(points[point] - foot, axis=1) <= 2 * SNAP_MM)
    return piece[on], point[on], foot[on]


def _near_pairs(begin: Floats, end: Floats, points: Floats) -> tuple[Ints, Ints, Floats]:
    """Pairs of a segment and a point within a hair of it, with the points' feet on the segments (p, 3)."""
    middle, half = (begin + end) / 2, np.linalg.norm(end - begin, axis=1) / 2
    found = cKDTree(points).query_ball_point(middle, half + TOUCH_MM)
    segment = np.repeat(np.arange(len(begin)), [len(q) for q in found])
    point = np.array([k for q in found for k in q], dtype=np.int64)
    d, e = (end - begin)[segment], points[point] - begin[segment]
    t = np.clip((d * e).sum(axis=1) / np.maximum((d * d).sum(axis=1), 1e-300), 0.0, 1.0)
    foot = begin[segment] + t[:, None] * d
    near = np.linalg.norm(points[point] - foot, axis=1) <= TOUCH_MM
    return segment[near], point[near], foot[near]


def lay(surface: Surface, lines: Sequence[Line], *, smooth_mm: float = SMOOTH_MM) -> Inserted:
    """Lay lines into a mesh as edges; they may touch and cross lines that are there already.

    No slivers are cleared away, so that no line that is there already moves; see `cleared`.

    Parameters
    ----------
    surface : Surface
    lines : sequence of Line
        All closed or all open.
    smooth_mm : float
        Length scale of the smooth copy on which lines are followed where the surface is noisy.

    Returns
    -------
    Inserted

    Raises
    ------
    OutlineError
        A line off the surface, on two pieces of it, or one that crosses itself.
    """
    walk = work_copy(surface, scale_mm=smooth_mm)
    spots = [_located(surface, q) for q in lines]
    how = _How(lines[0].closed, _deviation(surface, walk), False, smooth_mm)
    on_walk = [(s.weights[:, :, None] * walk[surface.faces[s.face]]).sum(axis=1) for s in spots]
    where: Vec = (0.0, 0.0, 0.0)
    for widen in (1.0, 3.0, None):
        crop = _crop(surface, walk, on_walk, closed=how.closed, widen=widen)
        local = np.full(len(surface.faces), -1, dtype=np.int64)
        local[crop.faces] = np.arange(len(crop.faces))
        patch = Patch(walk[crop.vertices], surface.vertices_mm[crop.vertices], crop.local, crop.rim)
        try:
            paths = [Trace(patch, SNAP_MM, SPIKE_MM, how.closed).run(local[s.face], s.weights) for s in spots]
        except NeedsWiderCrop:
            continue
        except NoWayError as err:
            where = err.where
            if crop.whole:
                break
            continue
        return _assemble(surface, walk, crop, patch, paths, how)
    raise OutlineError(
        "the line runs over two pieces of the surface that do not hang together", where=at(where),
        do="Keep it on one piece, or join the pieces in the mesh.",
    )


def _located(surface: Surface, line: Line) -> Located:
    """Find a line's points on another cut of its surface."""
    spot = surface.locate(line.points_mm)
    k = int(np.argmax(spot.distance_mm))
    if spot.distance_mm[k] > SAME_MM:
        raise OutlineError(
            f"the two regions are not of one surface: the outlines part by {spot.distance_mm[k]:.1f} mm",
            where=at(tuple(line.points_mm[k])), do="Cut both out of the same mesh.",
        )
    return spot


class _Net(Tidy):
    """Clears slivers about some vertices; the edges of a net of lines stay in place."""

    def __init__(self, patch: Patch, net: list[tuple[int, int]], about: set[int], path_mm: float, cap_mm: float) -> None:
        super().__init__(patch, [], False, path_mm, cap_mm)
        self.about = about
        self.along = {v: [] for edge in net for v in edge}
        for a, b in net:
            self.cover[a, b] = self.cover[b, a] = []
            self.along[a].append(b)
            self.along[b].append(a)

    def _sweep(self, path_mm: float, goal: float) -> int:
        p, done = self.patch, 0
        near = {f for v in self.about | set(self.along) for f in p.star[v]}
        bad = sorted((q, f) for f in near if (q := self._quality(p.tri[f])) < goal)
        for q, f in bad:
            if f in p.tri and self._quality(p.tri[f]) <= q:
                done += self._mend(f, path_mm)
        return done


def cleared(
    surface: Surface, net: Ints, about: Ints, *, path_mm: float, cap_mm: float, smooth_mm: float = SMOOTH_MM
) -> Inserted:
    """Clear slivers away about some vertices, without moving the edges of a net by more than stated.

    Parameters
    ----------
    surface : Surface
    net : (e, 2) int array
        Edges that must stay.
    about : (k,) int array
        Vertices whose faces are to be looked at, with those along the net.
    path_mm, cap_mm : float
        How far the net and the surface may move.
    smooth_mm : float
        As for `lay`.

    Returns
    -------
    Inserted
        Without paths; ``parent_face`` tells the sides of the net.
    """
    walk = work_copy(surface, scale_mm=smooth_mm)
    near = np.zeros(len(walk), dtype=bool)
    near[about] = near[net] = True
    for _ in range(2):
        near[surface.faces[near[surface.faces].any(axis=1)]] = True
    crop = _as_crop(surface, np.asarray(near[surface.faces].all(axis=1)))
    patch = Patch(walk[crop.vertices], surface.vertices_mm[crop.vertices], crop.local, crop.rim)
    edges = [(a, b) for a, b in np.searchsorted(crop.vertices, net).tolist()]
    tidy = _Net(patch, edges, set(np.searchsorted(crop.vertices, about).tolist()), path_mm, cap_mm)
    tidy.run()
    how = _How(True, path_mm, False, smooth_mm)
    return _assemble(surface, walk, crop, patch, [], how, area_mm2=tidy.area_mm2)


def border_edges(surface: Surface, inside: Bools) -> Ints:
    """Return the (e, 2) edges between some faces and the rest, without those on the surface's own boundary."""
    edges = surface_edges(surface)
    one, two = edges.faces.T
    return edges.ends[(two >= 0) & (inside[one] != inside[two])]


def left_of(cut: Inserted) -> Bools:
    """Which faces lie to the left of laid closed lines, or hang together with such.

    Parts no line touches count as not to the left.
    """
    from .cut import label_faces

    s, n = cut.surface, len(cut.surface.vertices_mm)
    label = label_faces(s, cut.path_edges)
    e = s.faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2)
    way = np.vstack([np.array(links(q.tolist(), cut.closed)) for q in cut.paths])
    key = e[:, 0] * n + e[:, 1]
    length = np.linalg.norm(s.vertices_mm[e[:, 0]] - s.vertices_mm[e[:, 1]], axis=1)
    left = np.isin(key, way[:, 0] * n + way[:, 1])
    right = np.isin(key, way[:, 1] * n + way[:, 0])
    votes = np.zeros(label.max() + 1)
    for side, sign in ((left & ~right, 1.0), (right & ~left, -1.0)):
        votes += sign * np.bincount(label[np.flatnonzero(side) // 3], length[side], minlength=len(votes))
    return np.asarray(votes[label] > 0)

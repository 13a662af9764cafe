"""Corner lines of a rough surface made as even along their length as they are on the boat.

A scan's noise makes a corner line jagged: over a few millimetres it runs off by several degrees. Threads that cross it
turn by that, and a net of threads carries each turn on to the far edge, as a stripe of shear that no cloth shows.
"""

from __future__ import annotations

import numpy as np
import scipy.sparse as sp

from ._topology import surface_edges
from .crease import Crease, find_creases
from .mesh import Bools, Floats, Ints, Surface
from .noise import EVENED

#: Lengths along a corner line over which it is evened, mm: at each place the longest over which it is a smooth curve.
ALONG_MM = (45.0, 30.0, 20.0, 12.0, 7.0)
#: It is one where it strays from that curve by no more than this much, and this share of the mesh's edges (rms).
STRAYS_MM, STRAYS = 0.3, 0.25
#: The surface beside a corner line is stretched anew out to here, mm; rough corners are not evened nearer than that.
BESIDE_MM = 12.0
#: The ends of an open line are less sure than the rest: so much of them is left as it is, mm.
ENDS_MM = 12.0
#: A vertex is moved no farther than so many edges.
FARTHEST = 2.0


def is_evened(surface: Surface) -> bool:
    """Whether a surface has been smoothed on the way here, so that its corners are those of a scan.

    Parameters
    ----------
    surface : Surface
    """
    return any(repair.kind == EVENED for repair in surface.repairs)


def straighten_corners(surface: Surface, points_mm: Floats, *, angle_deg: float = 30.0) -> Floats:
    """Even the corner lines of a rough surface along their length, and stretch the sides up to them.

    Parameters
    ----------
    surface : Surface
        The rough one.
    points_mm : (n, 3) float array, mm
        Its vertices on its evened copy.
    angle_deg : float
        The least turn that counts as a corner.

    Returns
    -------
    (n, 3) float array, mm
        `points_mm` itself where there is no corner.

    Notes
    -----
    Each point of a line is put on a quadratic that is fitted to the line about it, weighted by a bell of the stated length,
    and is moved square to the line only. Vertices beside it are put between the line and the sides farther out, each in the
    mean of its neighbours weighted by nearness: on flat sides that is flat again.
    """
    lines = find_creases(surface, angle_deg=angle_deg)
    if not lines:
        return points_mm
    v = points_mm.copy()
    fixed, ends = np.zeros(len(v), dtype=bool), np.zeros(len(v), dtype=bool)
    limit = STRAYS_MM + STRAYS * surface.mean_edge_mm
    for line in lines:
        sure = _sure(line)
        if len(sure) < 3:
            continue
        new = sure[~fixed[line.vertices[sure]]]
        v[line.vertices[new]] = _put_on(points_mm, line, new, limit, FARTHEST * surface.mean_edge_mm)
        fixed[line.vertices[sure]] = True
        if not line.closed:
            ends[line.vertices[sure[[0, -1]]]] = True
    if not fixed.any():
        return points_mm
    fixed[_shortcuts(surface, points_mm, fixed)] = False
    return _stretched(Surface(points_mm, surface.faces), v, fixed, ends)


def _shortcuts(surface: Surface, points: Floats, fixed: Bools) -> Ints:
    """Vertices that a line need not run through, since those before and after them are joined: on one line, the three would
    leave a triangle no area."""
    f = surface.faces[fixed[surface.faces].all(axis=1)]
    p = points[f]
    across = np.linalg.norm(np.roll(p, -1, axis=1) - np.roll(p, 1, axis=1), axis=2)
    return f[np.arange(len(f)), across.argmax(axis=1)]


def _sure(line: Crease) -> Ints:
    """Points of a line that are not near an open end."""
    if line.closed:
        return np.arange(len(line.vertices))
    at = np.r_[0.0, np.cumsum(np.linalg.norm(np.diff(line.points_mm, axis=0), axis=1))]
    return np.flatnonzero((at >= ENDS_MM) & (at <= at[-1] - ENDS_MM))


def _put_on(points: Floats, line: Crease, which: Ints, limit_mm: float, farthest_mm: float) -> Floats:
    """(k, 3) places of some of a line's vertices on the evened line."""
    sure = _sure(line)
    even, way = evened_line(line.points_mm[sure], closed=line.closed, limit_mm=limit_mm)
    pick = np.searchsorted(sure, which)
    even, way = even[pick], way[pick]
    at = points[line.vertices[which]]
    move = even - at
    move -= (move * way).sum(axis=1, keepdims=True) * way
    far = np.linalg.norm(move, axis=1, keepdims=True)
    return np.asarray(at + move * np.minimum(1.0, farthest_mm / np.maximum(far, 1e-12)))


def evened_line(points_mm: Floats, *, closed: bool, limit_mm: float) -> tuple[Floats, Floats]:
    """Even a line along its length.

    Parameters
    ----------
    points_mm : (k, 3) float array, mm
        A closed line repeats its first point at the end.
    closed : bool
    limit_mm : float, mm
        How far it may stray (rms) from the curve that is put through it about a point; where it does over every length, as at
        a corner of the line itself, the point stays.

    Returns
    -------
    (k, 3) float array, mm
    (k, 3) float array
        Unit vectors along it.
    """
    step = np.linalg.norm(np.diff(points_mm, axis=0), axis=1)
    at = np.r_[0.0, np.cumsum(step)]
    out = points_mm.copy()
    way = np.gradient(points_mm, np.maximum(at, 1e-9 * np.arange(len(at))), axis=0) if len(at) > 1 else np.zeros_like(out)
    # The weight of a point is the length of the line that is its own.
    own = 0.5 * (np.r_[step, 0.0] + np.r_[0.0, step])
    for k, s in enumerate(at):
        off = at - s
        if closed:
            off = (off + at[-1] / 2) % at[-1] - at[-1] / 2
        for scale in ALONG_MM:
            near = np.abs(off) < 3.5 * scale
            x, p = off[near] / scale, points_mm[near]
            weight = np.sqrt(own[near] * np.exp(-0.5 * x**2))[:, None]
            basis = np.stack([np.ones_like(x), x, x**2], axis=1)
            fit = np.linalg.lstsq(weight * basis, weight * p, rcond=None)[0]
            stray = np.sqrt(((weight * (p - basis @ fit)) ** 2).sum() / (weight**2).sum())
            if stray <= limit_mm:
                out[k], way[k] = fit[0], fit[1]
                break
    return out, way / np.maximum(np.linalg.norm(way, axis=1, keepdims=True), 1e-300)


def _stretched(s: Surface, v: Floats, fixed: Bools, ends: Bools) -> Floats:
    """Put the vertices beside the corner lines between those and the sides farther out."""
    from scipy.spatial import cKDTree

    of = np.flatnonzero(fixed)
    far, nearest = cKDTree(s.vertices_mm[of]).query(s.vertices_mm)
    # What lies beyond the end of a line has no line to be stretched to.
    free = np.flatnonzero((far < BESIDE_MM) & ~fixed & ~ends[of[nearest]])
    if not len(free):
        return v
    edges = surface_edges(s)
    a, b = edges.ends.T
    bare = edges.faces[:, 1] < 0
    rim = np.zeros(len(v), dtype=bool)
    rim[edges.ends[bare]] = True
    pull = 1.0 / np.maximum(np.linalg.norm(s.vertices_mm[a] - s.vertices_mm[b], axis=1), 0.05 * s.mean_edge_mm)
    # A vertex on a free edge follows those beside it along that edge.
    to_a, to_b = ~rim[a] | bare, ~rim[b] | bare
    rows, cols = np.r_[a[to_a], b[to_b]], np.r_[b[to_a], a[to_b]]
    graph = sp.coo_array((np.r_[pull[to_a], pull[to_b]], (rows, cols)), shape=(len(v), len(v))).tocsr()
    net = (sp.diags_array(np.asarray(graph.sum(axis=1)).ravel()) - graph).tocsr()[free]
    held = np.ones(len(v), dtype=bool)
    held[free] = False
    goal = -(net[:, np.flatnonzero(held)] @ v[held])
    out = v.copy()
    out[free] = sp.linalg.splu(net[:, free].tocsc()).solve(goal)
    return out

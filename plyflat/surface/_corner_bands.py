"""Bands of cloth along a corner, measured along the surface on both its sides."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.spatial import cKDTree

from ..errors import OutlineError
from ._corner_edge import faces_beside, nearest_side
from ._smooth import SMOOTH_MM, share_copy, work_copy
from ._topology import surface_edges
from ._trace import at
from .cut import cut_at_level, insert_path, label_faces, path_edges, refine
from .geodesic import distance_along
from .mesh import Bools, Floats, Ints, Surface
from .region import SLIVER_DEG, STRAY_MM, Region, _sharpest_deg, _tidied, region_of

if TYPE_CHECKING:
    from .corner import Corner

# The fitted line may lie so far off a rough surface, mm.
OFF_MM = 20.0


def corner_regions(
    surface: Surface,
    corner: Corner,
    laps_mm: Sequence[tuple[float, float]],
    *,
    name: str = "",
    smooth_mm: float = SMOOTH_MM,
) -> list[Region]:
    """Return the band of cloth along a corner for each pair of laps, measured once for all.

    A band reaches as far as its laps say from the corner line, along the surface. Along an open corner it ends square
    to the line, at its ends. Where the surface ends before, the band ends there too and says in `short_mm` and
    `short_at_mm` how much is missing at the worst place.

    Parameters
    ----------
    surface : Surface
        The one the corner was found on.
    corner : Corner
    laps_mm : sequence of (float, float)
        On the first and on the second side; one of the two may be 0.
    name : str
    smooth_mm : float
        Length scale of the smooth copy on which distance is measured where the surface is noisy.

    Returns
    -------
    list of Region

    Raises
    ------
    OutlineError
        Laps that are negative, not finite or both 0; a line that cannot be laid on the surface.
    """
    laps = [(float(a), float(b)) for a, b in laps_mm]
    for pair in laps:
        if not np.isfinite(pair).all() or min(pair) < 0 or max(pair) == 0:
            raise OutlineError(f"the laps are {pair[0]:g} and {pair[1]:g} mm", do="Give lengths, at least one above 0.")
    if not laps:
        return []
    field = _field(surface, corner, (max(p[0] for p in laps), max(p[1] for p in laps)), min(q for p in laps for q in p if q), smooth_mm)
    return [_band(field, pair, name, smooth_mm) for pair in laps]


@dataclass(frozen=True, eq=False)
class _Field:
    """Distance from the line on both sides.

    `surface` with the line as edges, cut square at its ends, fine about it; `values` (n,) mm from the line; `side` (m,)
    0 first, 1 second, -1 for faces that belong to no band; `line` (k,) vertices.
    """

    surface: Surface
    values: Floats
    side: Ints
    line: Ints
    closed: bool


def _field(surface: Surface, corner: Corner, reach: tuple[float, float], least: float, smooth_mm: float) -> _Field:
    far = max(reach)
    made = insert_path(surface, corner.points_mm, closed=corner.closed, tolerance_mm=OFF_MM, geodesic=False, smooth_mm=smooth_mm)
    p = made.surface.vertices_mm[made.path]
    tree = cKDTree(_dense(p, corner.closed))

    def longest(middle_mm: Floats) -> Floats:
        """How long edges may be: short enough beside the corner for circles about it to stray little."""
        off = tree.query(middle_mm)[0]
        return np.sqrt(8 * STRAY_MM * np.maximum(off, least)) + np.maximum(off - 1.2 * far - 5.0, 0.0)

    line = np.zeros(len(made.surface.vertices_mm))
    line[made.path] = 1.0
    fine = refine(made.surface, longest)
    on = (fine.weights @ line) > 1 - 1e-9
    now = fine.surface
    way = _way(now, on, made.surface.vertices_mm[made.path], corner.closed)
    beyond = np.zeros(len(now.faces), dtype=bool)
    if not corner.closed:
        now, way, beyond = _squared(now, way, tree, far)
    near = ~beyond & (tree.query(now.vertices_mm[now.faces].mean(axis=1))[0] < 1.1 * far + 2 * now.mean_edge_mm + 5.0)
    side = _sides(now, way, corner, near)
    return _Field(now, _measured(now, way, side, corner.closed, reach, smooth_mm), side, way, corner.closed)


def _dense(p: Floats, closed: bool) -> Floats:
    """Points on a polyline, a mm or so apart."""
    q = np.vstack([p, p[:1]]) if closed else p
    parts = [a + (b - a) * np.linspace(0, 1, int(np.linalg.norm(b - a)) + 1, endpoint=False)[:, None] for a, b in zip(q, q[1:])]
    return np.vstack([*parts, q[-1:]])


def _way(s: Surface, on: Bools, line: Floats, closed: bool) -> Ints:
    """Vertices along a line in order, those put in between by refining included."""
    q = np.vstack([line, line[:1]]) if closed else line
    step = np.diff(q, axis=0)
    begin = np.r_[0, np.cumsum(np.linalg.norm(step, axis=1))]
    k = np.flatnonzero(on)
    # Refining only puts points on the pieces themselves: each lies on one of the few pieces near it.
    _, near = cKDTree(0.5 * (q[1:] + q[:-1])).query(s.vertices_mm[k], k=min(12, len(step)))
    near = near.reshape(len(k), -1)
    d = s.vertices_mm[k][:, None] - q[near]
    length2 = np.maximum((step[near] ** 2).sum(axis=2), 1e-300)
    t = np.clip((d * step[near]).sum(axis=2) / length2, 0, 1)
    off = np.linalg.norm(d - t[..., None] * step[near], axis=2)
    best = np.argmin(off, axis=1)
    i = np.arange(len(k))
    station = begin[near[i, best]] + t[i, best] * np.sqrt(length2[i, best])
    if closed:
        station = np.where(station > begin[-1] - 1e-9, 0.0, station)
    keep = off[i, best] < 1e-6 * max(1.0, begin[-1])
    order = np.argsort(station[keep], kind="stable")
    return k[keep][order]


def _squared(s: Surface, way: Ints, tree: cKDTree, far: float) -> tuple[Surface, Ints, Bools]:
    """Cut the surface square to the line at both its ends; say which faces lie beyond."""
    beyond = np.zeros(len(s.faces), dtype=bool)
    rim = np.zeros(len(s.vertices_mm), dtype=bool)
    bare = surface_edges(s)
    rim[bare.ends[bare.faces[:, 1] < 0]] = True
    at_rim = rim[way[[0, -1]]].tolist()
    for end in (0, 1):
        p = s.vertices_mm[way] if end == 0 else s.vertices_mm[way[::-1]]
        out = _outward(p)
        e = (s.vertices_mm - p[0]) @ out - (min(0.5, 0.3 * s.mean_edge_mm) if at_rim[end] else 0.0)
        # A model's end face lies in the plane itself, and beyond the band.
        e[np.abs(e) < 1e-6 * far] = 0.0
        foot = tree.data[tree.query(s.vertices_mm)[1]]
        local = (np.linalg.norm(foot - p[0], axis=1) < 12.0) & (np.linalg.norm(s.vertices_mm - p[0], axis=1) < 2.0 * far + 20.0)
        e = np.where(local, e, -10.0)
        # The line itself ends there and is not cut.
        e[way] = np.minimum(e[way], -1e-3)
        e[way[0] if end == 0 else way[-1]] = 0.0 if not at_rim[end] else -1e-3
        if e.max() <= 0:
            beyond |= (e[s.faces] == 0).all(axis=1)
            continue
        cut = cut_at_level(s, e, 0.0, snap=0.02, move_mm=0.0)
        beyond = beyond[cut.parent_face] | (~cut.below & _local_faces(cut.surface, p[0], 2.0 * far + 20.0))
        s = cut.surface
    return s, way, beyond


def _local_faces(s: Surface, middle: Floats, reach: float) -> Bools:
    """Which faces lie within reach of a point."""
    return np.asarray(np.linalg.norm(s.vertices_mm[s.faces].mean(axis=1) - middle, axis=1) < reach)


def _outward(p: Floats) -> Floats:
    """The way a line runs out at its beginning, over its first 5 mm or so."""
    off = np.linalg.norm(p - p[0], axis=1)
    k = int(np.argmax(off > 5.0)) if (off > 5.0).any() else len(p) - 1
    d = p[0] - p[k]
    return np.asarray(d / np.linalg.norm(d))


def _sides(s: Surface, way: Ints, corner: Corner, near: Bools) -> Ints:
    """Which faces near the line lie on its first and second side."""
    part, used = s.sub(near)
    to = np.full(len(s.vertices_mm), -1, dtype=np.int64)
    to[used] = np.arange(len(used))
    here = to[way]
    if (here < 0).any():
        raise OutlineError("the corner line leaves the surface", where=at(tuple(s.vertices_mm[way[np.argmax(here < 0)]])))
    left, right = faces_beside(part, here, corner.closed)
    if not len(left) or not len(right):
        raise OutlineError(
            "the corner line runs along the surface's own edge, so it has one side only",
            where=at(tuple(s.vertices_mm[way[0]])), do="Move the seed.",
        )
    side, _ = nearest_side(part, left, right, path_edges(here, closed=corner.closed))
    middle = part.vertices_mm[part.faces].mean(axis=1)
    votes = [side[np.argmin(np.linalg.norm(middle - q, axis=1))] for q in (corner.first_mm, corner.second_mm)]
    if votes[0] == 1 or (votes[0] != 0 and votes[1] == 0):
        side = np.where(side >= 0, 1 - side, side)
    out = np.full(len(s.faces), -1, dtype=np.int64)
    out[near] = side
    return out


def _measured(s: Surface, way: Ints, side: Ints, closed: bool, reach: tuple[float, float], smooth_mm: float) -> Floats:
    """Distance from the line on each side, along that side."""
    work_copy(s, scale_mm=smooth_mm)
    wall = path_edges(way, closed=closed)
    values = np.full(len(s.vertices_mm), 2 * max(reach) + 10.0)
    for k in (0, 1):
        if reach[k] <= 0:
            continue
        part, used = s.sub(side == k)
        to = np.full(len(s.vertices_mm), -1, dtype=np.int64)
        to[used] = np.arange(len(used))
        share_copy(s, part, used, scale_mm=smooth_mm)
        d = distance_along(part, to[wall], max_mm=reach[k] + 3 * s.mean_edge_mm, smooth_mm=smooth_mm)
        values[used] = np.minimum(values[used], d)
    values[way] = 0.0
    return values


def _band(field: _Field, laps: tuple[float, float], name: str, smooth_mm: float) -> Region:
    """Cut one band."""
    s = field.surface
    owner = np.full(len(s.vertices_mm), -1, dtype=np.int64)
    for k in (0, 1):
        owner[np.unique(s.faces[field.side == k])] = k
    share = np.full(len(s.vertices_mm), 10.0)
    for k in (0, 1):
        if laps[k] > 0:
            v = owner == k
            share[v] = field.values[v] / laps[k]
    share[field.line] = 0.0
    # Beyond the ends the line of the cut runs on as it comes, so that it crosses the end without a kink.
    known = np.flatnonzero(owner >= 0)
    share[owner < 0] = share[known[cKDTree(s.vertices_mm[known]).query(s.vertices_mm[owner < 0])[1]]]
    cut = cut_at_level(s, np.minimum(share, 10.0), 1.0, snap=0.03)
    side = field.side[cut.parent_face]
    wanted = cut.below & np.isin(side, [k for k in (0, 1) if laps[k] > 0])
    label = _parts(cut.surface, wanted)
    on = np.zeros(len(cut.surface.vertices_mm), dtype=bool)
    on[field.line] = True
    touching = wanted & on[cut.surface.faces].any(axis=1)
    keep = np.isin(label, label[touching]) & wanted
    short, where = _short(cut.surface, cut.values, keep, side, laps, field)
    made = region_of(cut.surface, keep, name=name, short_mm=short, short_at_mm=where)
    return made if _sharpest_deg(made) > SLIVER_DEG else _tidied(made, smooth_mm)


def _parts(s: Surface, chosen: Bools) -> Ints:
    edges = surface_edges(s)
    one, two = edges.faces.T
    return label_faces(s, edges.ends[(two >= 0) & (chosen[one] != chosen[two])])


def _short(
    s: Surface, share: Floats, keep: Bools, side: Ints, laps: tuple[float, float], field: _Field
) -> tuple[float, tuple[float, float, float] | None]:
    """How much of a lap is missing where the surface ends early, and where."""
    edges = surface_edges(s)
    k = np.flatnonzero((edges.faces[:, 1] < 0) & keep[edges.faces[:, 0]] & (share[edges.ends].max(axis=1) > 0))
    if not field.closed:
        k = k[~_at_ends(s, edges.ends[k], field)]
    if not len(k):
        return 0.0, None
    missing = (1 - share[edges.ends[k]].min(axis=1)) * np.asarray(laps)[side[edges.faces[k, 0]]]
    i = int(np.argmax(missing))
    if missing[i] <= 1e-6:
        return 0.0, None
    x, y, z = s.vertices_mm[edges.ends[k[i]]].mean(axis=0).tolist()
    return float(missing[i]), (x, y, z)


def _at_ends(s: Surface, ends: Ints, field: _Field) -> Bools:
    """Which edges lie across the ends of an open line: the nearest point of the line is about its first or last."""
    line = field.surface.vertices_mm[field.line]
    along = np.r_[0, np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))]
    foot = along[cKDTree(line).query(s.vertices_mm[ends].mean(axis=1))[1]]
    margin = 3.0 + 2.0 * s.mean_edge_mm
    return np.asarray((foot < margin) | (foot > along[-1] - margin))

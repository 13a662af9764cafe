"""Ledges between stitched patches of a scan: found under noise, measured, and ramped when asked.

About each of many places a quadric is fitted to the points within some millimetres, and the ledge of a given direction
that takes most out of what is left is looked for: height, direction and position follow from least squares. A bend
leaves something else behind (the distance from a line, a cube), and a place where one of these explains more than a
ledge does is none. What noise alone would give is read off all the places together, most of which have no ledge; a
ledge has to stand well out of it, along a line.

References
----------
.. [1] S. M. Kay, Fundamentals of Statistical Signal Processing, vol. 2: Detection Theory, 1998, sec. 7.7: the
   generalised likelihood ratio of a linear model with and without one more column c is (c.r)² / (c.c - |Q'c|²), where
   r is the residual of the smaller model and Q spans it.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any

import numpy as np

from ._edges import directed_edges, face_areas, neighbours, point_normals, row_lengths, side_lengths
from .mesh import Floats, Ints

#: Radii of the neighbourhoods, mm: the small one comes nearer to corners, the large one sees through more noise.
REACHES_MM = (16.0, 32.0, 50.0)
#: A neighbourhood is at least so many edges wide; above the limit a mesh is too coarse to tell.
REACH_EDGES, REACH_MOST_MM = 5.0, 60.0
#: Points per neighbourhood after pooling, and the fewest that are enough.
POINTS, POINTS_LEAST = 80, 36
#: Most places looked at.
PLACES_MOST = 100_000
#: Directions tried over half a turn.
DIRECTIONS = 10
#: Places per reach.
SPACING = 2.2
#: Half width of the ledge's own slope, share of the reach.
SLOPE = 0.12
#: A ledge lower than this is of no account; it has to stand out of the noise by the first, its ends by the second.
LEAST_MM, STRONG, WEAK = 0.3, 5.0, 3.0
#: The middle height of a line has to stand out by this much.
MIDDLE = 3.5
#: What is higher than this is a feature of the boat, mm.
HIGHEST_MM = 6.0
#: Shortest line, mm, and reaches: what lies within one neighbourhood says the same thing twice.
SHORTEST_MM, SHORTEST_REACHES = 45.0, 2.5
#: The surface beside a ledge may turn this much from one side to the other (degrees).
TURN_DEG = 20.0
#: What is left beside a ledge: at most so many times the usual, or this share of the height.
LEFT_OVER, LEFT_SHARE = 1.8, 0.1
#: A ledge must explain more than a bend by this factor.
BETTER = 1.15
CHUNK = 8192


@dataclass(frozen=True, eq=False)
class Step:
    """A ledge.

    Attributes
    ----------
    height_mm : float
        Middle height along the line.
    length_mm : float
    line_mm : (k, 3) float array
        Points along it in order.
    up : (k, 3) float array
        Unit vectors in the surface, square to the line, towards the higher side.
    normal : (k, 3) float array
    heights_mm : (k,) float array
    """

    height_mm: float
    length_mm: float
    line_mm: Floats
    up: Floats
    normal: Floats
    heights_mm: Floats


@dataclass(frozen=True, eq=False)
class Steps:
    """The ledges found, longest first, and the height below which one would be lost in the noise."""

    steps: tuple[Step, ...]
    floor_mm: float


@dataclass(frozen=True, eq=False)
class _Fits:
    """Neighbourhoods of places with a quadric taken out; units of the reach across, mm in height."""

    at: Floats
    frame: Floats
    xy: Floats
    weight: Floats
    left: Floats
    basis: Floats
    square: Floats
    facing: Floats

    def some(self, k: Ints) -> _Fits:
        return _Fits(*(getattr(self, q.name)[k] for q in fields(self)))


def find_steps(v: Floats, f: Ints) -> Steps:
    """Find ledges that run across a surface.

    Parameters
    ----------
    v : (n, 3) float array, mm
    f : (m, 3) int array

    Returns
    -------
    Steps
        ``floor_mm`` is infinite where the mesh is too small or too coarse to tell.
    """
    from scipy.sparse import diags

    edge = float(side_lengths(v, f).mean())
    normal = point_normals(v, f)
    near = neighbours(len(v), directed_edges(f))
    step = diags(1.0 / np.maximum(np.diff(near.indptr), 1)) @ near
    area = float(face_areas(v, f).sum())
    found: list[Step] = []
    floor = np.inf
    for reach in sorted({max(r, REACH_EDGES * edge) for r in REACHES_MM}):
        if reach > REACH_MOST_MM or len(v) < 4 * POINTS:
            continue
        cell = reach * np.sqrt(np.pi / POINTS)
        some = _one_each(v, normal, cell)
        p, n = _averaged(v, step, 0.5 * cell, edge)[some], _averaged(normal, step, 0.5 * cell, edge)[some]
        n /= np.maximum(np.linalg.norm(n, axis=1, keepdims=True), 1e-300)
        spacing = max(reach / SPACING, float(np.sqrt(area / PLACES_MOST)))
        places = np.unique(np.floor(p / spacing).astype(np.int64), axis=0, return_index=True)[1]
        hits, low = _hits(p, n, places, reach)
        floor = min(floor, low)
        found += [s for s in _lines(hits, spacing, low, reach) if not _known(s, found, 0.7 * reach)]
    return Steps(tuple(sorted(found, key=lambda s: -s.length_mm)), floor)


def _known(step: Step, others: list[Step], near_mm: float) -> bool:
    """Whether most of a line has been found before."""
    from scipy.spatial import cKDTree

    if not others:
        return False
    gap = cKDTree(np.concatenate([o.line_mm for o in others])).query(step.line_mm)[0]
    return bool((gap < near_mm).mean() > 0.5)


def _averaged(v: Floats, step: Any, radius_mm: float, edge_mm: float) -> Floats:
    """Points averaged with those about them, over about the radius.

    Means over the cells of a grid will not do: where a noisy sheet passes from one layer of cells to the next, each
    takes the points that lie nearer to it, and a ledge appears that is not there.
    """
    for _ in range(int(np.clip(round(2 * (radius_mm / edge_mm) ** 2), 1, 40))):
        v = 0.5 * (v + step @ v)
    return v


def _one_each(v: Floats, normal: Floats, cell_mm: float) -> Ints:
    """One point for each cubic cell, and one for each face of a thin plate in it."""
    box = np.floor((v - v.min(axis=0)) / cell_mm).astype(np.int64)
    size = box.max(axis=0) + 1
    axis = np.argmax(np.abs(normal), axis=1)
    facing = 2 * axis + (normal[np.arange(len(v)), axis] < 0)
    key = ((box[:, 0] * size[1] + box[:, 1]) * size[2] + box[:, 2]) * 6 + facing
    return np.asarray(np.unique(key, return_index=True)[1])


# --- fits ------------------------------------------------------------------------------------------------------


def _hits(p: Floats, n: Floats, places: Ints, reach: float) -> tuple[tuple[Floats, ...], float]:
    """Places on a ledge (point, way up, normal, height), and the height that noise alone may give."""
    from scipy.spatial import cKDTree

    tree = cKDTree(p)
    heights, lefts, kept = [], [], []
    for i in range(0, len(places), CHUNK):
        fits = _fit(tree, p, n, places[i : i + CHUNK], reach)
        d, e = _ledges(fits, np.zeros(1))
        best = np.argmax(e[..., 0], axis=1)
        rows = np.arange(len(best))
        high = np.abs(d[rows, best, 0])
        heights.append(d[..., 0])
        lefts.append(_left(fits, e[rows, best, 0]))
        some = np.flatnonzero(high > 0.5 * LEAST_MM)
        kept.append((fits.some(some), high[some]))
    every = np.concatenate(heights)
    if not len(every):
        return _none(), np.inf
    noise = 1.4826 * float(np.median(np.abs(every)))
    usual = float(np.median(np.concatenate(lefts)))
    out = [_sure(q.some(np.flatnonzero(high > 0.8 * WEAK * noise)), noise, usual, reach) for q, high in kept]
    return tuple(np.concatenate(q) for q in zip(*out)), max(LEAST_MM, STRONG * noise)


def _left(q: _Fits, explained: Floats) -> Floats:
    """(k,) rms of what a ledge leaves."""
    total = (q.left**2).sum(axis=1)
    return np.asarray(
        np.sqrt(np.maximum(total - explained, 0) / np.maximum((q.weight**2).sum(axis=1) - 7, 1))
    )


def _none() -> tuple[Floats, ...]:
    return np.zeros((0, 3)), np.zeros((0, 3)), np.zeros((0, 3)), np.zeros(0)


def _fit(tree: object, p: Floats, n: Floats, places: Ints, reach: float) -> _Fits:
    gap, i = tree.query(p[places], k=POINTS, distance_upper_bound=reach)  # type: ignore[attr-defined]
    there = i < len(p)
    i = np.where(there, i, places[:, None])
    there &= np.einsum("kij,kj->ki", n[i], n[places]) > 0.3
    enough = there.sum(axis=1) >= POINTS_LEAST
    places, i, there, gap = places[enough], i[enough], there[enough], gap[enough]
    weight = there * np.sqrt(np.clip(1 - (np.where(there, gap, 0) / reach) ** 2, 0, None))
    d = p[i] - p[places][:, None]
    middle = np.einsum("ki,kij->kj", weight, d) / weight.sum(axis=1)[:, None]
    off = (d - middle[:, None]) * weight[..., None]
    frame = np.linalg.eigh(np.einsum("kic,kid->kcd", off, off))[1][:, :, ::-1]
    frame[..., 2] *= np.sign(np.einsum("kc,kc->k", frame[..., 2], n[places]))[:, None]
    local = np.einsum("kic,kcd->kid", d, frame)
    xy = local[..., :2] / reach
    x, y = xy[..., 0], xy[..., 1]
    basis = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=-1) * weight[..., None]
    square = np.einsum("kij,kil->kjl", basis, basis)
    square += 1e-9 * np.einsum("kjj->k", square)[:, None, None] * np.eye(6)
    z = local[..., 2] * weight
    coef = np.linalg.solve(square, np.einsum("kij,ki->kj", basis, z)[..., None])
    left = z - (basis @ coef)[..., 0]
    return _Fits(p[places], frame, xy, weight, left, basis, square, n[i] * weight[..., None])


def _explained(q: _Fits, column: Floats) -> tuple[Floats, Floats]:
    """Coefficient of each further column (k, w, c) and what it takes out of the squares left ([1]_)."""
    c = column * q.weight[..., None]
    along = np.einsum("kwc,kw->kc", c, q.left)
    g = np.einsum("kwj,kwc->kjc", q.basis, c)
    own = (c * c).sum(axis=1)
    new = own - (g * np.linalg.solve(q.square, g)).sum(axis=1)
    new = np.maximum(new, 0.02 * own + 1e-12)
    return along / new, along**2 / new


def _across(q: _Fits) -> Floats:
    """(k, w, DIRECTIONS) distance of each point from the line through the middle, for each direction."""
    turn = np.pi * np.arange(DIRECTIONS) / DIRECTIONS
    return np.asarray(q.xy @ np.stack([np.cos(turn), np.sin(turn)]))


def _ledges(q: _Fits, shifts: Floats) -> tuple[Floats, Floats]:
    """(k, DIRECTIONS, shifts) height of the best ledge and what it explains."""
    u = _across(q)
    out = [_explained(q, 0.5 * np.clip((u - s) / SLOPE, -1, 1)) for s in shifts]
    return np.stack([d for d, _ in out], axis=-1), np.stack([e for _, e in out], axis=-1)


def _bends(q: _Fits) -> Floats:
    """(k,) the most that a bend explains: the distance from a line, a parabola on one side of it, a cube."""
    u = _across(q)
    columns = [np.abs(u - s) for s in (-0.7, -0.35, 0.0, 0.35, 0.7)]
    columns += [np.maximum(k * (u - s), 0) ** 2 for s in (-0.5, -0.2, 0.2, 0.5) for k in (-1, 1)] + [u**3]
    return np.asarray(np.max([_explained(q, c)[1].max(axis=1) for c in columns], axis=0))


def _sure(q: _Fits, noise: float, usual: float, reach: float) -> tuple[Floats, ...]:
    """Of the places with some ledge, those where it stands out and no bend explains more."""
    if not len(q.at):
        return _none()
    shifts = np.linspace(-0.45, 0.45, 7)
    d, e = _ledges(q, shifts)
    best = np.argmax(e.reshape(len(e), -1), axis=1)
    rows = np.arange(len(best))
    height, gain = (x.reshape(len(x), -1)[rows, best] for x in (d, e))
    high = np.abs(height)
    ok = (high > max(LEAST_MM, WEAK * noise)) & (high < HIGHEST_MM)
    ok &= _left(q, gain) < np.maximum(LEFT_OVER * usual, LEFT_SHARE * high)
    some = np.flatnonzero(ok)
    q, gain, height = q.some(some), gain[some], height[some]
    turn, shift = np.divmod(best[some], len(shifts))
    angle = np.pi * turn / DIRECTIONS
    way = np.stack([np.cos(angle), np.sin(angle)], axis=1)
    ok = (gain > BETTER * _bends(q)) & (_turn_deg(q, way, shifts[shift]) < TURN_DEG)
    up = np.einsum("kcd,kd->kc", q.frame[..., :2], way)
    at = q.at + reach * shifts[shift][:, None] * up
    up = up * np.sign(height)[:, None]
    return at[ok], up[ok], q.frame[ok, :, 2], np.abs(height[ok])


def _turn_deg(q: _Fits, way: Floats, shift: Floats) -> Floats:
    """Angle between the mean normals of the two sides of a ledge, its own slope left out."""
    u = (q.xy * way[:, None]).sum(axis=2) - shift[:, None]
    sides = [np.einsum("kw,kwc->kc", side * u > SLOPE, q.facing) for side in (1.0, -1.0)]
    a, b = (s / np.maximum(np.linalg.norm(s, axis=1, keepdims=True), 1e-300) for s in sides)
    return np.asarray(np.degrees(np.arccos(np.clip((a * b).sum(axis=1), -1, 1))))


# --- lines -----------------------------------------------------------------------------------------------------


def _lines(hits: tuple[Floats, ...], spacing: float, floor: float, reach: float) -> list[Step]:
    """String places together that lie on one line and step the same way."""
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components
    from scipy.spatial import cKDTree

    at, up, normal, height = hits
    if len(at) < 3:
        return []
    pair = cKDTree(at).query_pairs(2.0 * spacing, output_type="ndarray")
    pair = pair[(up[pair[:, 0]] * up[pair[:, 1]]).sum(axis=1) > 0.8]
    way = at[pair[:, 1]] - at[pair[:, 0]]
    pair = pair[np.abs((way * up[pair[:, 0]]).sum(axis=1)) < 0.5 * spacing]
    graph = coo_matrix((np.ones(len(pair), bool), (pair[:, 0], pair[:, 1])), shape=(len(at), len(at)))
    label = connected_components(graph, directed=False)[1]
    found = []
    for k in np.flatnonzero(np.bincount(label) >= 4):
        i = np.flatnonzero(label == k)
        step = _string(at[i], up[i], normal[i], height[i], spacing)
        high = height[i].max() >= floor and step.height_mm >= MIDDLE / STRONG * floor
        if high and step.length_mm >= max(SHORTEST_MM, SHORTEST_REACHES * reach):
            found.append(step)
    return found


def _string(at: Floats, up: Floats, normal: Floats, height: Floats, spacing: float) -> Step:
    """Put the places of one line in order: means of short stretches along the longest way through them."""
    from scipy.sparse.csgraph import dijkstra
    from scipy.spatial import cKDTree

    tree = cKDTree(at)
    graph = tree.sparse_distance_matrix(tree, 2.0 * spacing, output_type="coo_matrix").tocsr()
    far = dijkstra(graph, indices=0)
    start = int(np.argmax(np.where(np.isfinite(far), far, -1)))
    far = dijkstra(graph, indices=start)
    bin_of = np.floor(np.where(np.isfinite(far), far, 0.0) / spacing).astype(np.int64)
    number = np.unique(bin_of, return_inverse=True)[1]
    count = np.bincount(number)[:, None]
    line, way, out = (
        np.stack([np.bincount(number, q[:, k]) for k in range(3)], axis=1) / count for q in (at, up, normal)
    )
    way, out = (q / np.maximum(np.linalg.norm(q, axis=1, keepdims=True), 1e-300) for q in (way, out))
    heights = np.bincount(number, height) / count[:, 0]
    length = float(np.linalg.norm(np.diff(line, axis=0), axis=1).sum())
    return Step(float(np.median(height)), length, line, way, out, heights)


# --- ramps -----------------------------------------------------------------------------------------------------

#: A ledge is ramped over so many times its height, and at least over this, mm.
RAMP_TIMES, RAMP_LEAST_MM = 20.0, 12.0
#: The strip along a ledge, this far to each side, is drawn smooth: the line is known to about this. mm
STRIP_MM = 3.0


def ramp_width_mm(height_mm: float) -> float:
    """Width over which a ledge is ramped."""
    return max(RAMP_LEAST_MM, RAMP_TIMES * height_mm)


def ramped(v: Floats, f: Ints, steps: list[Step]) -> Floats:
    """Lower the high side and raise the low side of ledges, each by half the height at the line and less beyond.

    Parameters
    ----------
    v : (n, 3) float array, mm
    f : (m, 3) int array
    steps : list of Step

    Returns
    -------
    (n, 3) float array, mm
        The lift falls off as a cosine over half of `ramp_width_mm` to each side and beyond the ends of the line.
    """
    from scipy.sparse import diags

    near = neighbours(len(v), directed_edges(f))
    mean = (diags(1.0 / np.maximum(np.diff(near.indptr), 1)) @ near).tocsr()
    edge = float(np.sqrt(face_areas(v, f).mean() * 4 / np.sqrt(3)))
    out = v
    for step in steps:
        lift, strip = _lift(out, step, STRIP_MM + edge)
        out = out + lift
        rows = mean[strip]
        for _ in range(int(np.clip(round((STRIP_MM / edge) ** 2), 2, 12))):
            out[strip] = 0.5 * (out[strip] + rows @ out)
    return out


def _lift(v: Floats, step: Step, strip_mm: float) -> tuple[Floats, Ints]:
    from scipy.spatial import cKDTree

    half = 0.5 * ramp_width_mm(step.height_mm)
    line, up, normal, high = _dense_line(step)
    gap, i = cKDTree(line).query(v, distance_upper_bound=1.5 * half)
    k = np.flatnonzero(i < len(line))
    i = i[k]
    off = v[k] - line[i]
    aside = (off * up[i]).sum(axis=1)
    out = (off * normal[i]).sum(axis=1)
    beyond = row_lengths(off - aside[:, None] * up[i] - out[:, None] * normal[i])
    same = np.abs(out) < 2 * high[i] + 0.1 * half + strip_mm
    far = np.hypot(aside, beyond) / half
    share = np.where(same & (far < 1), 0.5 + 0.5 * np.cos(np.pi * np.minimum(far, 1)), 0.0)
    lift = np.zeros_like(v)
    lift[k] = (-0.5 * high[i] * np.sign(aside) * share)[:, None] * normal[i]
    near = same & (np.abs(aside) < strip_mm) & (beyond < strip_mm)
    return lift, k[near]


def _dense_line(step: Step) -> tuple[Floats, Floats, Floats, Floats]:
    """The line drawn smooth, with a point every millimetre."""
    p = step.line_mm.copy()
    for _ in range(3):
        p[1:-1] = 0.25 * p[:-2] + 0.5 * p[1:-1] + 0.25 * p[2:]
    s = np.concatenate([[0], np.cumsum(row_lengths(np.diff(p, axis=0)))])
    t = np.linspace(0, s[-1], max(int(s[-1]), 2))
    line, up, normal = (
        np.stack([np.interp(t, s, q[:, k]) for k in range(3)], axis=1) for q in (p, step.up, step.normal)
    )
    up, normal = (q / np.maximum(row_lengths(q), 1e-300)[:, None] for q in (up, normal))
    return line, up, normal, np.interp(t, s, step.heights_mm)

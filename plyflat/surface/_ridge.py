"""A rough line along a crease moved onto the ridge and smoothed, with its corners kept."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage, sparse
from scipy.spatial import cKDTree

from .mesh import Bools, Floats, Ints, Surface

# Stiffness of the line, sample spacing, width looked at to each side and what is left out at a corner, in scales.
STIFF, STEP, BESIDE, CORNER = 0.9, 0.25, 1.2, 0.9
# What bends less than this share of the ridge does not count for where its middle is.
CORE = 0.4
# A line that turns by more than this, looked at over both of these lengths in scales to each side, has a corner.
KINK_DEG, SPANS = 55.0, (1.2, 2.5)
# A weak spot shorter than this, in scales, is not worth a word.
WORD = 0.6
# Where the ridge is weaker than this share of its usual strength the line is carried on.
WEAK = 0.25

Place = tuple[float, float, float]


@dataclass(frozen=True, eq=False)
class Line:
    """A line on a surface: points (k, 3) in mm, whether closed, and where it runs on without a ridge (place, length)."""

    points_mm: Floats
    closed: bool
    gaps: tuple[tuple[Place, float], ...]


def ridge_line(
    s: Surface, bend: Floats, way: Ints, *, closed: bool, fixed: Bools, strip: Bools, scale_mm: float, stiffer: float = 1.0
) -> Line:
    """Move a chain of vertices onto the ridge of the bend.

    Parameters
    ----------
    s : Surface
    bend : (n,) float array
        Signed bend, rad.
    way : (k,) int array
        Vertices in order.
    closed : bool
    fixed : (k,) bool array
        Which of them lie on sharp edges and stay.
    strip : (n,) bool array
        Vertices that count as part of creases.
    scale_mm : float
    stiffer : float
        Above 1 for a line too uneven to follow closely; it is then drawn without corners.

    Returns
    -------
    Line

    References
    ----------
    Smoothing: Whittaker (1923), *Proc. Edinburgh Math. Soc.* 41, 63-75; Eilers (2003), *Anal. Chem.* 75, 3631-3636,
    eq. 5, whose second differences carry a line on straight where it has no data.
    """
    ridge = _Ridge(s, np.where(strip, bend, 0.0), scale_mm, stiffer)
    fixed = _lasting(s, way, fixed, closed, 2 * scale_mm)
    if closed and not fixed.any():
        return _closed(ridge, s.vertices_mm[way])
    if closed:
        first = int(np.argmax(fixed))
        way, fixed = np.roll(way, -first), np.roll(fixed, -first)
        way, fixed = np.r_[way, way[0]], np.r_[fixed, True]
    points, gaps = [], []
    for part, stays in _stretches(fixed):
        p = s.vertices_mm[way[part]]
        if not stays:
            ends = (bool(fixed[part[0]]), bool(fixed[part[-1]]))
            p, found = _open(ridge, p, ends)
            gaps += found
        points.append(p if part[-1] == len(way) - 1 else p[:-1])
    line = np.vstack(points)
    return Line(line[:-1] if closed else line, closed, tuple(gaps))


def _lasting(s: Surface, way: Ints, fixed: Bools, closed: bool, least_mm: float) -> Bools:
    """Sharp stretches, but for those shorter than stated, which are mere steps on a rounded ridge."""
    if not fixed.any() or fixed.all():
        return fixed
    turn = int(np.argmin(fixed)) if closed else 0
    rolled, p = np.roll(fixed, -turn), s.vertices_mm[np.roll(way, -turn)]
    out = rolled.copy()
    edge = np.flatnonzero(np.diff(np.r_[False, rolled, False].astype(np.int8)))
    for a, b in zip(edge[::2].tolist(), edge[1::2].tolist()):
        if np.linalg.norm(np.diff(p[a:b], axis=0), axis=1).sum() < least_mm:
            out[a:b] = False
    return np.roll(out, turn)


def _stretches(fixed: Bools) -> list[tuple[Ints, bool]]:
    """Cut an open chain into stretches that stay and stretches that move, each with both its ends."""
    link = fixed[:-1] & fixed[1:]
    cut = np.r_[0, np.flatnonzero(link[1:] != link[:-1]) + 1, len(link)]
    return [(np.arange(a, b + 1), bool(link[a])) for a, b in zip(cut[:-1].tolist(), cut[1:].tolist())]


@dataclass(frozen=True, eq=False)
class _Ridge:
    """What lines are centred on."""

    s: Surface
    bend: Floats
    scale_mm: float
    stiffer: float

    @property
    def step_mm(self) -> float:
        return max(STEP * self.scale_mm, 0.6 * self.s.mean_edge_mm)

    def near(self, line: Floats) -> tuple[Floats, Floats, Floats]:
        """Vertices (q, 3) near a line, how much they bend (q,) the way it does, and their areas (q,)."""
        area = np.bincount(
            self.s.faces.ravel(), np.repeat(self.s.face_areas_mm2 / 3, 3), minlength=len(self.bend)
        )
        v, reach = self.s.vertices_mm, BESIDE * self.scale_mm
        low, high = line.min(axis=0) - reach, line.max(axis=0) + reach
        near = np.flatnonzero((self.bend != 0) & ((v >= low) & (v <= high)).all(axis=1))
        far, _ = cKDTree(line).query(v[near], distance_upper_bound=reach + self.step_mm)
        near = near[np.isfinite(far)]
        sign = np.sign(np.sum(self.bend[near] * area[near]))
        near = near[sign * self.bend[near] > 0]
        return v[near], np.abs(self.bend[near]), area[near]

    def pull(self, line: Floats, closed: bool) -> tuple[Floats, Floats, Floats]:
        """For each sample how far the ridge lies to its left (k,), how strong it is (k,), and leftward (k, 3)."""
        p, bend, area = self.near(line)
        left = self._leftward(line, closed)
        if not len(p):
            return np.zeros(len(line)), np.zeros(len(line)), left
        near = cKDTree(line).query(p)[1]
        beside = ((p - line[near]) * left[near]).sum(axis=1)
        keep = np.abs(beside) < BESIDE * self.scale_mm
        near, beside, bend, area = near[keep], beside[keep], bend[keep], area[keep]
        peak = np.zeros(len(line))
        np.maximum.at(peak, near, bend)
        peak = ndimage.maximum_filter1d(peak, 5, mode="wrap" if closed else "nearest")
        w = np.maximum(bend - CORE * peak[near], 0.0) * area
        size, moment = (
            _windowed(np.bincount(near, q, minlength=len(line)).astype(np.float64), closed) for q in (w, w * beside)
        )
        return moment / np.maximum(size, 1e-300), size, left

    def _leftward(self, line: Floats, closed: bool) -> Floats:
        near = cKDTree(self.s.vertices_mm).query(line, k=min(8, len(self.bend)))[1]
        normal = self.s.vertex_normals[near].mean(axis=1)
        back, front = (np.roll(line, k, axis=0) for k in (1, -1))
        if not closed:
            back[0], front[-1] = line[0], line[-1]
        left = np.cross(normal, front - back)
        return np.asarray(left / np.maximum(np.linalg.norm(left, axis=1, keepdims=True), 1e-300))

    def on(self, line: Floats) -> Floats:
        return self.s.locate(line).points_mm


def _windowed(own: Floats, closed: bool) -> Floats:
    """Sums over each sample and its two neighbours."""
    before, after = np.roll(own, 1), np.roll(own, -1)
    if not closed:
        before[0] = after[-1] = 0.0
    return own + before + after


def _closed(ridge: _Ridge, line: Floats) -> Line:
    """A closed line, cut at its corners if it has any."""
    line = _evened(ridge, line, True)
    kinks = _kinks(ridge, line, True)
    if not len(kinks):
        line, weak = _centred(ridge, line, True, (False, False))
        return Line(line, True, _gaps(ridge, line, weak, True))
    line = np.roll(line, -int(kinks[0]), axis=0)
    kinks = np.r_[kinks - kinks[0], len(line)]
    ring = np.vstack([line, line[:1]])
    legs = [_leg(ridge, ring[a : b + 1], (True, True)) for a, b in zip(kinks[:-1].tolist(), kinks[1:].tolist())]
    return _cornered(ridge, legs, True)


def _open(ridge: _Ridge, line: Floats, held: tuple[bool, bool]) -> tuple[Floats, list[tuple[Place, float]]]:
    """An open line; its ends stay where they are held, or slide along the rim."""
    first, last = line[0], line[-1]
    if np.linalg.norm(np.diff(line, axis=0), axis=1).sum() < 2 * ridge.scale_mm:
        return line, []
    line = _evened(ridge, line, False)
    kinks = _kinks(ridge, line, False)
    at = np.r_[0, kinks, len(line) - 1].tolist()
    legs = [
        _leg(ridge, line[a : b + 1], (i > 0, i < len(at) - 2)) for i, (a, b) in enumerate(zip(at[:-1], at[1:]))
    ]
    out = _cornered(ridge, legs, False)
    p = out.points_mm.copy()
    p[0] = first if held[0] else _to_rim(ridge.s, p[0])
    p[-1] = last if held[1] else _to_rim(ridge.s, p[-1])
    return p, list(out.gaps)


def _to_rim(s: Surface, p: Floats) -> Floats:
    """The point of the mesh's rim nearest to a point."""
    best, found = np.inf, p
    for loop in s.boundary_loops:
        a = s.vertices_mm[loop]
        d = np.roll(a, -1, axis=0) - a
        t = np.clip(((p - a) * d).sum(axis=1) / np.maximum((d * d).sum(axis=1), 1e-300), 0, 1)
        q = a + t[:, None] * d
        far = np.linalg.norm(q - p, axis=1)
        k = int(np.argmin(far))
        if far[k] < best:
            best, found = float(far[k]), q[k]
    return found


Leg = tuple[Floats, Bools]


def _leg(ridge: _Ridge, line: Floats, cornered: tuple[bool, bool]) -> Leg:
    """One smooth stretch, centred; near a corner the bend of the other side is left out and the line carried on."""
    if len(line) < 6:
        return line, np.zeros(len(line), dtype=bool)
    return _centred(ridge, line, False, cornered)


def _centred(ridge: _Ridge, line: Floats, closed: bool, cornered: tuple[bool, bool]) -> Leg:
    weak = np.zeros(len(line), dtype=bool)
    for _ in range(4):
        line = _resampled(line, ridge.step_mm, closed)
        middle, size, left = ridge.pull(line, closed)
        weak = size < WEAK * np.median(size[size > 0]) if (size > 0).any() else np.ones(len(line), dtype=bool)
        weight = np.where(weak, 1e-6, 1.0)
        away = int(np.ceil(CORNER * ridge.scale_mm / ridge.step_mm))
        for end, given in zip((slice(0, away), slice(len(line) - away, None)), cornered):
            if given:
                weight[end] = 1e-6
        if weight.max() < 1:
            break
        moved = line + middle[:, None] * left
        stiff = ridge.stiffer * STIFF * ridge.scale_mm / ridge.step_mm
        line = _whittaker(np.where(weight[:, None] == 1, moved, line), weight, stiff, closed)
    line = ridge.on(line)
    for end, given in zip((slice(0, away), slice(len(line) - away, None)), cornered):
        if given:
            weak[end] = False
    return line, weak


def _whittaker(values: Floats, weight: Floats, over: float, closed: bool) -> Floats:
    """Whittaker smoothing of (k, d) values over a length in samples; no weight, no say."""
    k, i = len(values), np.arange(len(values))
    if closed:
        ring = sparse.csc_matrix((np.ones(k), (i, (i + 1) % k)), shape=(k, k))
        second = ring + ring.T - 2 * sparse.identity(k, format="csc")
    else:
        second = sparse.diags([1.0, -2.0, 1.0], [0, 1, 2], shape=(k - 2, k), format="csc")
    system = (sparse.diags(weight) + over**4 * second.T @ second).tocsc()  # Eilers eq. 5
    return np.asarray(sparse.linalg.spsolve(system, weight[:, None] * values)).reshape(values.shape)


def _evened(ridge: _Ridge, line: Floats, closed: bool) -> Floats:
    """The zigzag of a chain of vertices taken out, lightly, so that corners can be seen."""
    line = _resampled(line, ridge.step_mm, closed)
    for _ in range(2):
        middle, size, left = ridge.pull(line, closed)
        some = size > 0
        line = line + np.where(some, middle, 0.0)[:, None] * left
        line = _whittaker(line, np.ones(len(line)), 0.3 * ridge.scale_mm / ridge.step_mm, closed)
        line = _resampled(ridge.on(line), ridge.step_mm, closed)
    return line


def _kinks(ridge: _Ridge, line: Floats, closed: bool) -> Ints:
    """Samples at which a line turns sharply."""
    span = max(int(round(SPANS[0] * ridge.scale_mm / ridge.step_mm)), 2)
    k = len(line)
    if k < 4 * span or ridge.stiffer > 1:
        return np.empty(0, dtype=np.int64)
    turn = np.full(k, 180.0)
    for scales in SPANS:
        q = max(int(round(scales * ridge.scale_mm / ridge.step_mm)), 2)
        if k > 3 * q:
            ahead, behind = _unit(_shifted(line, q, closed) - line), _unit(line - _shifted(line, -q, closed))
            turn = np.minimum(turn, np.degrees(np.arccos(np.clip((ahead * behind).sum(axis=1), -1, 1))))
    if not closed:
        turn[:span] = turn[k - span :] = 0.0
    size = ridge.pull(line, closed)[1]
    turn[size < WEAK * np.median(size)] = 0.0
    out: list[int] = []
    for i in np.argsort(-turn).tolist():
        if turn[i] < KINK_DEG:
            break
        gap = np.abs(np.array(out, dtype=np.int64) - i)
        if not len(out) or np.minimum(gap, k - gap if closed else gap).min() > 2 * span:
            out.append(i)
    return np.sort(np.array(out, dtype=np.int64))


def _shifted(line: Floats, by: int, closed: bool) -> Floats:
    """For each sample the one so many further on."""
    i = np.arange(len(line)) + by
    return np.asarray(line[i % len(line) if closed else np.clip(i, 0, len(line) - 1)])


def _unit(d: Floats) -> Floats:
    return np.asarray(d / np.maximum(np.linalg.norm(d, axis=1, keepdims=True), 1e-300))


def _cornered(ridge: _Ridge, legs: list[Leg], closed: bool) -> Line:
    """Join legs at the points where their tangents meet."""
    gaps = [g for p, weak in legs for g in _gaps(ridge, p, weak, False)]
    away = int(np.ceil(CORNER * ridge.scale_mm / ridge.step_mm))
    count = len(legs)
    joins = [
        _meeting(legs[i - 1][0][::-1], legs[i][0], away, ridge) if closed or i else None for i in range(count)
    ]
    pieces = []
    for i, (p, _) in enumerate(legs):
        before, after = joins[i], joins[(i + 1) % count]
        keep = np.ones(len(p), dtype=bool)
        for corner, own in ((before, slice(0, away)), (after, slice(len(p) - away, None))):
            if corner is not None:
                keep[own] = False
                keep &= np.linalg.norm(p - corner, axis=1) > 0.5 * CORNER * ridge.scale_mm
        pieces.append(p[keep] if before is None else np.vstack([before, p[keep]]))
    return Line(ridge.on(_filled(np.vstack(pieces), ridge.step_mm, closed)), closed, tuple(gaps))


def _filled(line: Floats, step_mm: float, closed: bool) -> Floats:
    """The line with points put in where its own are far apart."""
    follow = np.roll(line, -1, axis=0) if closed else line[1:]
    out = []
    for a, b in zip(line, follow):
        k = max(int(np.ceil(np.linalg.norm(b - a) / (1.5 * step_mm))), 1)
        out.append(a + (b - a) * (np.arange(k) / k)[:, None])
    return np.vstack(out if closed else [*out, line[-1:]])


def _meeting(one: Floats, other: Floats, trim: int, ridge: _Ridge) -> Floats:
    """Where two lines that begin at a corner meet: midway between the nearest points of their tangents."""
    (a, u), (b, w) = (_tangent(q, trim) for q in (one, other))
    middle = 0.5 * (one[0] + other[0])
    c = float(u @ w)
    if 1 - c * c < 0.05:
        return np.asarray(middle)
    d = b - a
    s, t = (d @ u - c * (d @ w)) / (1 - c * c), (c * (d @ u) - d @ w) / (1 - c * c)
    corner = 0.5 * (a + s * u + b + t * w)
    return np.asarray(corner if np.linalg.norm(corner - middle) < 1.5 * ridge.scale_mm else middle)


def _tangent(p: Floats, trim: int) -> tuple[Floats, Floats]:
    """A point and the direction of a line just beyond its first samples."""
    first = min(trim, max(len(p) - 3, 0))
    q = p[first : first + max(trim, 3)]
    d = q[-1] - q[0]
    return q[0], d / max(float(np.linalg.norm(d)), 1e-300)


def _resampled(line: Floats, step_mm: float, closed: bool) -> Floats:
    """Points evenly along a line."""
    ring = np.vstack([line, line[:1]]) if closed else line
    gone = np.r_[0.0, np.cumsum(np.linalg.norm(np.diff(ring, axis=0), axis=1))]
    count = max(8, int(round(gone[-1] / step_mm)))
    at = np.arange(count) * gone[-1] / count if closed else np.linspace(0, gone[-1], count + 1)
    return np.stack([np.interp(at, gone, ring[:, i]) for i in range(3)], axis=1)


def _gaps(ridge: _Ridge, line: Floats, weak: Bools, closed: bool) -> tuple[tuple[Place, float], ...]:
    """Middle and length of each stretch without a ridge."""
    if not weak.any() or weak.all():
        return ()
    order = np.arange(len(weak))
    if closed:
        order = np.roll(order, -int(np.argmin(weak)))
    out = []
    begin = None
    for i, k in enumerate([*order.tolist(), -1]):
        if k >= 0 and weak[k]:
            begin = i if begin is None else begin
        elif begin is not None:
            run = order[begin:i]
            length = float(len(run) * ridge.step_mm)
            if length > WORD * ridge.scale_mm:
                x, y, z = line[run].mean(axis=0).tolist()
                out.append(((x, y, z), length))
            begin = None
    return tuple(out)

"""The two sides of a corner, each fitted as a whole, so that noise far longer than a triangle drops out.

A side is either a *sheet*, a height over a plane, or a *loft*, a closed section drawn along an axis. Both are smoothing
splines. Noise of a scan hangs together over some millimetres; points are therefore averaged in cells as wide as that,
whose means are nearly independent, and it is their number that counts where a model is chosen.

References
----------
.. [1] P. Eilers, B. Marx, "Flexible smoothing with B-splines and penalties", Statistical Science 11, 1996: differences
   of the coefficients are penalised, and the data choose how much.
.. [2] S. Wood, "Generalized Additive Models", 2nd ed., 2017, section 6.2: the score N rss / (N - 1.4 df)² for the choice.
.. [3] G. Schwarz, "Estimating the dimension of a model", Annals of Statistics 6, 1978: N log(rss / N) + df log N.
.. [4] W. Wang, H. Pottmann, Y. Liu, "Fitting B-spline curves to point clouds by curvature-based squared distance
   minimization", ACM Trans. Graph. 25(2), 2006: distances to the tangents, feet found anew each round.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import scipy.sparse as sp
from scipy.interpolate import BSpline
from scipy.spatial import cKDTree

from ..errors import SolveError
from .mesh import Bools, Floats, Ints

# Degrees of freedom count 1.4 fold in the choice of smoothness [2]_.
DEAR = 1.4
# Residuals beyond so many (robust) standard deviations lose weight.
HUBER = 2.5
SMOOTHNESS = np.geomspace(1e-4, 1e8, 25)
SHEET_KNOT_MM, SHEET_KNOTS, SHEET_MARGIN_MM = 40.0, 14, 50.0
ROUNDS = 8
# Points match the near flank of a thin section by their normals: a right angle counts as so many mm.
NORMAL_MM = 4.0
DENSE_MM = 0.4


@dataclass(frozen=True, eq=False)
class Cloud:
    """Points of one side: `points_mm` (n, 3), `normals` (n, 3) towards the air, `area_mm2` (n,) each stands for."""

    points_mm: Floats
    normals: Floats
    area_mm2: Floats

    def take(self, keep: Bools | Ints) -> Cloud:
        """Return some of the points."""
        return Cloud(self.points_mm[keep], self.normals[keep], self.area_mm2[keep])


@dataclass(frozen=True, eq=False)
class Cells:
    """Groups of neighbouring points: `mean` (c, n) sparse, `weight` (c,) at most 1, less where half empty."""

    mean: sp.csr_array
    weight: Floats


def cells_of(cloud: Cloud, width_mm: float) -> Cells:
    """Group points by boxes of a width, those that face different ways apart."""
    box = np.floor(cloud.points_mm / width_mm).astype(np.int64)
    k = np.argmax(np.abs(cloud.normals), axis=1)
    face = 2 * k + (cloud.normals[np.arange(len(k)), k] > 0)
    cell = np.unique(np.column_stack([box, face]), axis=0, return_inverse=True)[1].ravel()
    area = np.bincount(cell, cloud.area_mm2)
    n = len(cell)
    mean = sp.csr_array((cloud.area_mm2 / area[cell], (cell, np.arange(n))), shape=(len(area), n))
    return Cells(mean, np.minimum(area / (0.6 * width_mm**2), 1.0))


@dataclass(frozen=True)
class Score:
    """How well a model fits: `rss` of the cells' means (mm²), `count` of cells and `df` numbers fitted."""

    rss: float
    count: float
    df: float

    @property
    def bic(self) -> float:
        """Schwarz's criterion [3]_; the lower the better. A hundredth of a mm counts as no misfit."""
        return float(self.count * np.log(self.rss / self.count + 1e-4) + self.df * np.log(self.count))


# -- penalised least squares ---------------------------------------------------------------------------------------
def _solve(x: Floats, y: Floats, w: Floats, penalty: Floats) -> tuple[Floats, Score]:
    """Weighted least squares with as much of a penalty as the data choose."""
    gram, right = x.T @ (w[:, None] * x), x.T @ (w * y)
    scale = np.trace(gram) / np.trace(penalty) if penalty.any() else 1.0
    floor = 1e-9 * np.trace(gram) / len(gram) * np.eye(len(gram))
    # Both forms made diagonal at once, so that every smoothness is one division.
    half = np.linalg.cholesky(gram + scale * SMOOTHNESS[0] * penalty + floor)
    inner = np.linalg.solve(half, np.linalg.solve(half, scale * penalty).T)
    rough, turn = np.linalg.eigh((inner + inner.T) / 2)
    rough = np.maximum(rough, 0.0)
    b = turn.T @ np.linalg.solve(half, right)
    count, total = float(w.sum()), float((w * y * y).sum())
    best: tuple[float, Floats, Score] | None = None
    for s in SMOOTHNESS if penalty.any() else SMOOTHNESS[:1]:
        kept = 1 / (1 + (s - SMOOTHNESS[0]) * rough)
        free = 1 - SMOOTHNESS[0] * rough  # what is left of the data's own form
        df = float((kept * free).sum())
        rss = max(total - 2 * float(kept @ b**2) + float(free @ (kept * b) ** 2), 0.0)
        gcv = count * (rss + 1e-4 * count) / max(count - DEAR * df, 1e-3 * count) ** 2
        if best is None or gcv < best[0]:
            best = gcv, kept, Score(rss, count, df)
    if best is None or not np.isfinite(best[0]):
        raise SolveError("a side of the corner could not be fitted", do="Give a seed where both sides are clean.")
    coef = np.linalg.solve(half.T, turn @ (best[1] * b))
    rss = float((w * (y - x @ coef) ** 2).sum())
    return coef, replace(best[2], rss=rss)


def _robust(x: Floats, y: Floats, w: Floats, penalty: Floats, rounds: int = 4) -> tuple[Floats, Score]:
    """As `_solve`, with weights that fall where a cell is far off."""
    full = w
    for _ in range(rounds):
        coef, score = _solve(x, y, full, penalty)
        off = np.abs(y - x @ coef)
        full = w * np.minimum(1.0, HUBER * _spread(off) / np.maximum(off, 1e-12))
    return coef, score


def _spread(off: Floats) -> float:
    return max(1.4826 * float(np.median(off)), 1e-4)


def _differences(n: int, order: int, *, periodic: bool = False) -> Floats:
    if not periodic:
        return np.diff(np.eye(n), order, axis=0)
    d = np.eye(n)
    for _ in range(order):
        d = np.roll(d, -1, axis=0) - d
    return np.asarray(d)


# -- a sheet -------------------------------------------------------------------------------------------------------
@dataclass(frozen=True, eq=False)
class Sheet:
    """A height over a plane.

    Attributes
    ----------
    origin : (3,) float array, mm
    frame : (3, 3) float array
        Rows: two directions in the plane and the one towards the air side.
    knots : tuple of two float arrays, mm
        Uniform knots along both; empty for a plane.
    coef : (a, b) float array, mm
        Of the spline, or (1, 3) of a plane: height, slopes.
    """

    origin: Floats
    frame: Floats
    knots: tuple[Floats, Floats]
    coef: Floats

    @property
    def flat(self) -> bool:
        """Whether it is a plane."""
        return not len(self.knots[0])

    def height(self, points_mm: Floats) -> tuple[Floats, Floats]:
        """Return how far points lie above the sheet along its upward axis, (k,), and the gradient of that, (k, 3)."""
        x, y, z = ((points_mm - self.origin) @ self.frame.T).T
        if self.flat:
            c, a, b = self.coef[0]
            f, fx, fy = c + a * x + b * y, a + 0 * x, b + 0 * y
        else:
            (one, one_x), (two, two_y) = ((_rows(t, q), _rows(t, q, 1)) for t, q in zip(self.knots, (x, y)))
            across = one @ self.coef
            f, fx, fy = ((p * q).sum(axis=1) for p, q in ((across, two), (one_x @ self.coef, two), (across, two_y)))
        return z - f, np.column_stack([-fx, -fy, np.ones_like(z)]) @ self.frame

    def value(self, points_mm: Floats, normals: Floats | None = None) -> Floats:
        """Return the signed distance of points, positive towards the air, (k,), mm."""
        f, g = self.height(points_mm)
        return np.asarray(f / np.linalg.norm(g, axis=1))

    def normal(self, points_mm: Floats) -> Floats:
        """Return unit normals at points, (k, 3)."""
        g = self.height(points_mm)[1]
        return np.asarray(g / np.linalg.norm(g, axis=1, keepdims=True))


def _rows(t: Floats, q: Floats, rate: int = 0) -> Floats:
    """Dense rows of cubic B-splines; beyond the knots the end pieces go on."""
    n = len(t) - 4
    spline = BSpline(t, np.eye(n), 3, extrapolate=True)
    return np.asarray(spline(q, nu=rate))


def fit_sheet(
    cloud: Cloud, *, width_mm: float, flat: bool = False, rounds: int = 4, most: int = SHEET_KNOTS
) -> tuple[Sheet, Score]:
    """Fit a plane, or a smooth height over one that tends to a quadric where there is little to go by.

    Parameters
    ----------
    cloud : Cloud
    width_mm : float
        Of the cells.
    flat : bool
        Whether it has to be a plane.
    rounds : int
        Of reweighting.
    most : int
        Pieces of the spline along either axis.
    """
    cells = cells_of(cloud, width_mm)
    middle = np.average(cloud.points_mm, axis=0, weights=cloud.area_mm2)
    frame = _plane_frame(cloud, middle)
    local = (cloud.points_mm - middle) @ frame.T
    z = cells.mean @ local[:, 2]
    if flat:
        x = cells.mean @ np.column_stack([np.ones(len(local)), local[:, :2]])
        coef, score = _robust(x, z, cells.weight, np.zeros((3, 3)), rounds)
        return Sheet(middle, frame, (np.empty(0), np.empty(0)), coef[None]), score
    knots = tuple(_uniform(local[:, i], most) for i in range(2))
    one, two = (_rows(t, local[:, i]) for i, t in enumerate(knots))
    x = cells.mean @ (one[:, :, None] * two[:, None, :]).reshape(len(local), -1)
    coef, score = _robust(x, z, cells.weight, _sheet_penalty(one.shape[1], two.shape[1]), rounds)
    return Sheet(middle, frame, (knots[0], knots[1]), coef.reshape(one.shape[1], two.shape[1])), score


def _plane_frame(cloud: Cloud, middle: Floats) -> Floats:
    """Axes of the plane: normal to the mean normal, the first along the points' greatest extent."""
    up = (cloud.normals * cloud.area_mm2[:, None]).sum(axis=0)
    up = up / max(float(np.linalg.norm(up)), 1e-300)
    d = cloud.points_mm - middle
    d = d - (d @ up)[:, None] * up
    long = np.linalg.eigh(d.T @ (d * cloud.area_mm2[:, None]))[1][:, -1]
    long = long - (long @ up) * up
    long = long / max(float(np.linalg.norm(long)), 1e-300)
    return np.stack([long, np.cross(up, long), up])


def _uniform(q: Floats, most: int) -> Floats:
    """Uniform cubic knots over the points and a margin."""
    low, high = float(q.min()) - SHEET_MARGIN_MM, float(q.max()) + SHEET_MARGIN_MM
    n = int(np.clip(np.ceil((high - low) / SHEET_KNOT_MM), 3, most))
    step = (high - low) / n
    return np.asarray(low + step * np.arange(-3, n + 4), dtype=np.float64)


def _sheet_penalty(a: int, b: int) -> Floats:
    """All third differences, so that what is free is a quadric."""
    out = np.zeros((a * b, a * b))
    for i, times in ((0, 1.0), (1, 3.0), (2, 3.0), (3, 1.0)):
        d = np.kron(_differences(a, 3 - i), _differences(b, i))
        out += times * d.T @ d
    return out


# -- a loft --------------------------------------------------------------------------------------------------------
@dataclass(frozen=True, eq=False)
class Loft:
    """A closed section drawn along an axis, growing and turning at a steady rate.

    A point q of the section lies at the station s at origin + s axis + (e1, e2) ((1 + taper s) R(twist s) q + s lean).

    Attributes
    ----------
    kind : {"round", "smooth", "foil"}
    origin : (3,) float array, mm
    frame : (3, 3) float array
        Rows e1, e2 and the axis, which points away from the corner.
    lean : (2,) float array
    taper : float, 1/mm
    twist : float, rad/mm
    section : (k, 2) float array, mm
        Dense closed polyline, anticlockwise seen against the axis.
    normals : (k, 2) float array
        Outward.
    air : float
        1 where the air is outside, -1 where it is inside.
    """

    kind: str
    origin: Floats
    frame: Floats
    lean: Floats
    taper: float
    twist: float
    section: Floats
    normals: Floats
    air: float

    def flatten(self, points_mm: Floats) -> tuple[Floats, Floats]:
        """Return where points lie in the section's plane, (k, 2), and their stations, (k,), mm."""
        local = (points_mm - self.origin) @ self.frame.T
        s = local[:, 2]
        q = local[:, :2] - s[:, None] * self.lean
        return _turned(q, -self.twist * s) / (1 + self.taper * s)[:, None], s

    def draw(self, which: Ints, s: Floats) -> tuple[Floats, Floats]:
        """Return points of the loft at stations over points of its section, and their rate with s, (k, 3) each."""
        q = self.section[which]
        grown = _turned(q, self.twist * s)
        flat = (1 + self.taper * s)[:, None] * grown + s[:, None] * self.lean
        rate = self.taper * grown + (1 + self.taper * s)[:, None] * self.twist * (grown @ _QUARTER.T) + self.lean
        e, axis = self.frame[:2], self.frame[2]
        return self.origin + flat @ e + s[:, None] * axis, rate @ e + axis

    def foot(self, points_mm: Floats, normals: Floats) -> tuple[Floats, Floats, Floats, Ints]:
        """Return section points, stations, signed distances to the section and the nearest of its points."""
        q, s = self.flatten(points_mm)
        n = _turned((normals @ self.frame.T)[:, :2] * self.air, -self.twist * s)
        tree = cKDTree(np.column_stack([self.section, NORMAL_MM * self.normals]))
        j = tree.query(np.column_stack([q, NORMAL_MM * n]))[1]
        return q, s, ((q - self.section[j]) * self.normals[j]).sum(axis=1), j

    def value(self, points_mm: Floats, normals: Floats) -> Floats:
        """Return the signed distance of points, positive towards the air, (k,), mm."""
        _, s, r, _ = self.foot(points_mm, normals)
        return self.air * r * (1 + self.taper * s)

    def normal(self, which: Ints, s: Floats) -> Floats:
        """Return unit normals towards the air at stations over points of the section, (k, 3)."""
        n = _turned(self.normals[which], self.twist * s)
        along = np.stack([-n[:, 1], n[:, 0]], axis=1) @ self.frame[:2]
        out = np.cross(along, self.draw(which, s)[1])
        return self.air * out / np.linalg.norm(out, axis=1, keepdims=True)


_QUARTER = np.array([[0.0, -1.0], [1.0, 0.0]])


def _turned(q: Floats, angle: Floats) -> Floats:
    c, s = np.cos(angle), np.sin(angle)
    return np.asarray(np.stack([c * q[:, 0] - s * q[:, 1], s * q[:, 0] + c * q[:, 1]], axis=1), dtype=np.float64)


def axis_of(cloud: Cloud) -> Floats:
    """Return the direction that the normals have least of, (3,)."""
    n = cloud.normals
    return np.asarray(np.linalg.eigh(n.T @ (n * cloud.area_mm2[:, None]))[1][:, 0])


@dataclass(frozen=True, eq=False)
class _Curve:
    """A cubic B-spline curve: uniform over [0, spans), periodic or open."""

    coef: Floats
    periodic: bool

    @property
    def spans(self) -> int:
        return len(self.coef) if self.periodic else len(self.coef) - 3

    def rows(self, t: Floats, rate: int = 0) -> Floats:
        return _curve_rows(len(self.coef), self.periodic, t, rate)

    def at(self, t: Floats, rate: int = 0) -> Floats:
        return self.rows(t, rate) @ self.coef


def _curve_rows(n: int, periodic: bool, t: Floats, rate: int = 0) -> Floats:
    if not periodic:
        return _rows(np.arange(-3.0, n + 1.0), t, rate)
    wide = _rows(np.arange(-3.0, n + 4.0), np.mod(t, n), rate)
    out = wide[:, :n].copy()
    out[:, :3] += wide[:, n:]
    return out


def _dense(curve: _Curve) -> tuple[Floats, Floats, Floats]:
    """Return parameters evenly spread along a curve, points and outward normals there."""
    t = np.linspace(0, curve.spans, 40 * curve.spans + 1)
    p = curve.at(t)
    at = np.r_[0, np.cumsum(np.linalg.norm(np.diff(p, axis=0), axis=1))]
    k = max(int(np.ceil(at[-1] / DENSE_MM)), 12)
    u = np.interp(np.linspace(0, at[-1], k + 1), at, t)
    u = u[:-1] if curve.periodic else u
    along = curve.at(u, 1)
    along = along / np.maximum(np.linalg.norm(along, axis=1, keepdims=True), 1e-300)
    return u, curve.at(u), along @ _QUARTER  # a quarter turn clockwise of the way: outward


def loop_normals(loop: Floats) -> Floats:
    """Return outward unit normals of a closed anticlockwise polyline, (k, 2)."""
    along = np.roll(loop, -1, axis=0) - np.roll(loop, 1, axis=0)
    along = along / np.maximum(np.linalg.norm(along, axis=1, keepdims=True), 1e-300)
    return np.asarray(along @ _QUARTER)


def fit_round(cloud: Cloud, start: Loft, *, width_mm: float) -> tuple[Loft, Score]:
    """Fit a round post: circle, lean of the axis, and a taper if the data bear one out."""
    cells = cells_of(cloud, width_mm)
    centre, radius = _circle(start.flatten(cloud.points_mm)[0])
    loft = _with_circle(replace(start, kind="round", twist=0.0), centre, radius)
    for _ in range(ROUNDS):
        q, s, r, j = loft.foot(cloud.points_mm, cloud.normals)
        n = loft.normals[j]
        moves = [s * n[:, 0], s * n[:, 1], s * (q * n).sum(axis=1)]
        x = cells.mean @ np.column_stack([n, np.ones(len(s)), *moves])
        coef, score = _leaner(x, cells.mean @ r, cells.weight, [[], [5]])
        centre, radius = centre + coef[:2], radius + coef[2]
        loft = _with_circle(
            replace(loft, lean=loft.lean + coef[3:5], taper=loft.taper + coef[5]), centre, radius
        )
        if np.abs(coef[:3]).max() < 1e-3:
            break
    return loft, score


def _circle(q: Floats) -> tuple[Floats, float]:
    """Centre and radius by linear least squares."""
    x = np.column_stack([2 * q, np.ones(len(q))])
    a, b, c = np.linalg.lstsq(x, (q**2).sum(axis=1), rcond=None)[0]
    return np.array([a, b]), float(np.sqrt(max(c + a * a + b * b, 1e-6)))


def _with_circle(loft: Loft, centre: Floats, radius: float) -> Loft:
    k = max(int(np.ceil(2 * np.pi * abs(radius) / DENSE_MM)), 60)
    t = 2 * np.pi * np.arange(k) / k
    n = np.stack([np.cos(t), np.sin(t)], axis=1)
    return replace(loft, section=centre + radius * n, normals=n)


def _leaner(x: Floats, y: Floats, w: Floats, drops: list[list[int]]) -> tuple[Floats, Score]:
    """Least squares with some columns left out if Schwarz's criterion says so."""
    best: tuple[Floats, Score] | None = None
    for drop in drops:
        keep = np.setdiff1d(np.arange(x.shape[1]), drop)
        part, score = _robust(x[:, keep], y, w, np.zeros((len(keep), len(keep))))
        coef = np.zeros(x.shape[1])
        coef[keep] = part
        if best is None or score.bic < best[1].bic:
            best = coef, score
    if best is None:
        raise SolveError("nothing to fit")
    return best


def fit_smooth(cloud: Cloud, start: Loft, *, width_mm: float) -> tuple[Loft, Score]:
    """Fit any smooth closed section, with lean, taper and twist."""
    cells, loft = cells_of(cloud, width_mm), replace(start, kind="smooth")
    for smooth in (8.0, 4.0, 2.0):
        curve = _graded(loft.section, periodic=True, smooth_mm=smooth)
        loft, score = _settle(cloud, cells, curve, loft)
    return loft, score


# How far a post's lean, growth (1/mm) and twist (rad/mm) are likely to be, where the points do not tell.
LIKELY = np.array([0.3, 0.3, 0.004, 0.002])


def _settle(
    cloud: Cloud, cells: Cells, curve: _Curve, loft: Loft, pins: tuple[Cloud, Floats] | None = None
) -> tuple[Loft, Score]:
    """Let the loft's motion and a smooth offset of its section come to rest on the points.

    The offset is square to the curve given, so that it is linear; feet are found anew as the motion changes [4]_.
    """
    t, section, normals = _dense(curve)
    loft = replace(loft, section=section, normals=normals)
    m, rows = len(curve.coef), curve.rows(t)
    bend, bent = _bend_change(curve)
    bend = np.column_stack([bend, np.zeros((len(bend), 5))])
    for _ in range(ROUNDS):
        q, s, r, j = loft.foot(cloud.points_mm, cloud.normals)
        x = cells.mean @ np.column_stack([rows[j], np.zeros(len(s)), _moves(q, s, normals[j])])
        y, w = cells.mean @ r, cells.weight
        if pins is not None:
            q, s = loft.flatten(pins[0].points_mm)
            way = np.broadcast_to(pins[1], q.shape)
            pinned = np.column_stack([np.zeros((len(s), m)), np.ones(len(s)), _moves(q, s, way)])
            x, y = np.vstack([x, pinned]), np.r_[y, q @ pins[1]]
            w = np.r_[w, np.full(len(s), min(1.0, np.ptp(s) / 10.0 / len(s)))]
        known = np.array([*loft.lean, loft.taper, loft.twist]) / LIKELY
        coef, score = _bent_solve(x, y, w, (bend, bent), known)
        step = coef[m + 1 :] * LIKELY
        loft = replace(loft, lean=loft.lean + step[:2], taper=loft.taper + step[2], twist=loft.twist + step[3])
        if np.abs(coef[m + 1 :]).max() < 1e-3:
            break
    section = section + (rows @ coef[:m])[:, None] * normals
    return replace(loft, section=section, normals=_polyline_normals(section, curve.periodic)), score


def _moves(q: Floats, s: Floats, n: Floats) -> Floats:
    """How far a likely lean, growth and twist move points at stations along directions, (k, 4)."""
    turn = n[:, 1] * q[:, 0] - n[:, 0] * q[:, 1]
    return np.asarray(s[:, None] * np.column_stack([n, (q * n).sum(axis=1), turn]) * LIKELY)


def _bend_change(curve: _Curve) -> tuple[Floats, Floats]:
    """How fast the curvature changes along the curve, in pieces: rows for the offset's coefficients, and as it is.

    An outward offset h takes h'' + k² h from the curvature k, so that a circle's shift and growth change nothing. Both
    are scaled by the cube of the piece's length: mm.
    """
    t = (np.arange(4 * curve.spans) + 0.5) / 4
    one, two = curve.at(t, 1), curve.at(t, 2)
    size = np.maximum(np.linalg.norm(one, axis=1), 1e-9)
    k = (one[:, 0] * two[:, 1] - one[:, 1] * two[:, 0]) / size**3
    grow = (one * two).sum(axis=1) / size
    h, ht, htt = (curve.rows(t, i) for i in range(3))
    bend = htt / size[:, None] ** 2 - ht * (grow / size**3)[:, None] + k[:, None] ** 2 * h
    both = np.column_stack([bend, k])
    rate = 4 * (np.roll(both, -1, axis=0) - both if curve.periodic else np.diff(both, axis=0))
    weight = 0.5 * (size + np.roll(size, -1)) if curve.periodic else 0.5 * (size[1:] + size[:-1])
    rate = 0.5 * weight[:, None] ** 2 * rate
    return rate[:, :-1], rate[:, -1]


def _bent_solve(
    x: Floats, y: Floats, w: Floats, bend: tuple[Floats, Floats], known: Floats
) -> tuple[Floats, Score]:
    """Least squares with as little change of curvature as the data choose; the last four numbers likely near zero."""
    a, to = bend
    pen, pull = a.T @ a, a.T @ to
    full, count, noise = w, float(w.sum()), 0.5
    for _ in range(4):
        gram, right = x.T @ (full[:, None] * x), x.T @ (full * y)
        scale = np.trace(gram) / max(np.trace(pen), 1e-300)
        prior = np.zeros(len(gram))
        prior[-4:] = noise
        pushed = np.zeros(len(gram))
        pushed[-4:] = -noise * known
        best: tuple[float, Floats, Score] | None = None
        for s in SMOOTHNESS:
            both = gram + s * scale * pen + np.diag(prior + 1e-9 * scale)
            coef = np.linalg.solve(both, right + s * scale * pull + pushed)
            df = float(np.trace(np.linalg.solve(both, gram)))
            rss = float((full * (y - x @ coef) ** 2).sum())
            gcv = count * (rss + 1e-4 * count) / max(count - DEAR * df, 1e-3 * count) ** 2
            if best is None or gcv < best[0]:
                best = gcv, coef, Score(rss, count, df)
        if best is None or not np.isfinite(best[1]).all():
            raise SolveError("a side of the corner could not be fitted", do="Give a seed where both sides are clean.")
        _, coef, score = best
        noise = max(score.rss / count, 1e-4)
        off = np.abs(y - x @ coef)
        full = w * np.minimum(1.0, HUBER * _spread(off) / np.maximum(off, 1e-12))
    return coef, score


def _polyline_normals(p: Floats, periodic: bool) -> Floats:
    """Outward unit normals of a polyline, (k, 2)."""
    if periodic:
        return loop_normals(p)
    along = np.gradient(p, axis=0)
    return np.asarray(along / np.maximum(np.linalg.norm(along, axis=1, keepdims=True), 1e-300) @ _QUARTER)


def _graded(loop: Floats, *, periodic: bool, smooth_mm: float) -> _Curve:
    """A spline through a polyline whose pieces are the shorter the more it bends."""
    ring = np.vstack([loop, loop[:1]]) if periodic else loop
    at = np.r_[0, np.cumsum(np.linalg.norm(np.diff(ring, axis=0), axis=1))]
    k = max(int(at[-1] / 0.5), 40)
    u = np.linspace(0, at[-1], k + 1)
    p = np.stack([np.interp(u, at, ring[:, i]) for i in range(2)], axis=1)
    step = at[-1] / k
    calm = _gauss(p[:-1], smooth_mm / step, periodic=True) if periodic else _gauss(p, smooth_mm / step, periodic=False)
    along = np.gradient(_wrapped(calm), step, axis=0)[3:-3] if periodic else np.gradient(calm, step, axis=0)
    more = np.gradient(_wrapped(calm), step, axis=0)
    bend = np.gradient(more, step, axis=0)[3:-3] if periodic else np.gradient(along, step, axis=0)
    radius = 1 / np.maximum(np.linalg.norm(bend, axis=1), 1e-6)
    size = np.exp(_gauss(np.log(np.clip(0.7 * radius, 3.0, 16.0))[:, None], 5.0 / step, periodic=periodic))[:, 0]
    rate = 1 / size
    t = np.r_[0, np.cumsum(rate * step)] if periodic else np.r_[0, np.cumsum(0.5 * (rate[1:] + rate[:-1]) * step)]
    spans = max(int(round(t[-1])), 6)
    t = t * spans / t[-1]
    n = spans if periodic else spans + 3
    here, to = (t[:-1], calm) if periodic else (t, calm)
    x = _curve_rows(n, periodic, here)
    d = _differences(n, 3, periodic=periodic)
    coef = np.linalg.solve(x.T @ x + 1e-3 * d.T @ d, x.T @ to)
    return _Curve(np.asarray(coef, dtype=np.float64), periodic)


def _wrapped(p: Floats) -> Floats:
    return np.vstack([p[-3:], p, p[:3]])


def _gauss(p: Floats, sigma: float, *, periodic: bool) -> Floats:
    from scipy.ndimage import gaussian_filter1d

    return np.asarray(gaussian_filter1d(p, sigma, axis=0, mode="wrap" if periodic else "nearest"))


def settle_open(
    cloud: Cloud, loft: Loft, *, width_mm: float, pins: tuple[Cloud, Floats] | None = None
) -> Loft:
    """Fit an open section, whose two ends are free, with lean, taper and twist.

    Parameters
    ----------
    cloud : Cloud
    loft : Loft
        Its section is the open polyline to begin with.
    width_mm : float
        Of the cells.
    pins : (Cloud, (2,) float array), optional
        Points along one ruling, such as a tail, and a direction in the section's plane in which they all have to lie
        equally far out.
    """
    curve = _graded(loft.section, periodic=False, smooth_mm=2.0)
    return _settle(cloud, cells_of(cloud, width_mm), curve, loft, pins)[0]

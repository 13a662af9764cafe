"""What the curvature of a surface says about every net on it: a check of one net, and a bound for all like it.

For any net, shear(u1, v1) - shear(u1, v0) - shear(u0, v1) + shear(u0, v0) is the total curvature in the net's rectangle
between (Hazzidakis' formula, the Gauss-Bonnet theorem for a rectangle of threads).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..surface.mesh import Bools, Floats, Ints
from ._net_lay import Laid

#: Rectangles that are compared, and tried for it; the least cells along their sides.
COMPARED, TRIED, LEAST_CELLS = 8, 4000, 4
#: The bound is sought among rectangles of a grid of so many lines each way.
LINES = 40


@dataclass(frozen=True, eq=False)
class CornerCheck:
    """The net's shear held to the surface's curvature, in some rectangles of threads.

    Attributes
    ----------
    corners_deg : (k,) float array
        Shear at two opposite corners less that at the other two.
    missing_deg : (k,) float array
        Angles missing at the mesh's vertices in the rectangle.
    places_mm : (k, 3) float array, mm
        Middles of the rectangles.
    worst_deg : float
        Largest difference; 0 where the patch holds no rectangle.
    """

    corners_deg: Floats
    missing_deg: Floats
    places_mm: Floats
    worst_deg: float


@dataclass(frozen=True, eq=False)
class Bound:
    """What no other start and no bend of the first threads can beat, on threads that run about as these do.

    Attributes
    ----------
    least_deg : float
        A quarter of the curvature in the rectangle of threads that holds most: every net in which these four points
        are a rectangle shears by that much somewhere in it.
    curvature_deg : float
    corners_mm : (4, 3) float array, mm
        The rectangle, in order; empty where the patch holds none.
    """

    least_deg: float
    curvature_deg: float
    corners_mm: Floats


def check_corners(laid: Laid) -> CornerCheck:
    """Compare corner sums of shear with the angles missing in the mesh, net by net where it was laid anew behind cuts."""
    checks = [_check_one(part) for part in laid.nets]
    one, two, places = (
        np.concatenate([getattr(c, name) for c in checks]) for name in ("corners_deg", "missing_deg", "places_mm")
    )
    return CornerCheck(one, two, places, max(c.worst_deg for c in checks))


def _check_one(laid: Laid) -> CornerCheck:
    inner = _inner_cells(laid)
    boxes = _boxes(inner)
    shear, points = laid.cells.shear, laid.net.points
    mids_u, mids_v = (q[:-1] + 0.5 * laid.net.spacing_mm for q in (laid.net.u_mm, laid.net.v_mm))
    corners, missing, places = [], [], []
    # Each angle is spread over the square that belongs to its vertex.
    half = 0.5 * np.sqrt(laid.bed.vertex_areas)[laid.at]
    uv, angle = laid.reading.uv_mm, laid.bed.missing_angle[laid.at]
    for i0, i1, j0, j1 in boxes.tolist():
        corners.append(shear[i1, j1] - shear[i1, j0] - shear[i0, j1] + shear[i0, j0])
        share = _within(uv[:, 0], half, mids_u[i0], mids_u[i1]) * _within(uv[:, 1], half, mids_v[j0], mids_v[j1])
        missing.append(np.degrees(float(share @ angle)))
        places.append(points[(i0 + i1 + 1) // 2, (j0 + j1 + 1) // 2])
    one, two = np.array(corners), np.array(missing)
    worst = float(np.abs(one - two).max(initial=0.0))
    return CornerCheck(one, two, np.array(places).reshape(-1, 3), worst)


def _within(at: Floats, half: Floats, low: float, high: float) -> Floats:
    """Shares of stretches of half lengths about places that lie between two bounds."""
    width = np.maximum(2 * half, 1e-12)
    return np.clip((np.minimum(at + half, high) - np.maximum(at - half, low)) / width, 0.0, 1.0)


def _inner_cells(laid: Laid) -> Bools:
    on = laid.on_patch
    return np.asarray(laid.cells.whole & on[1:, 1:] & on[:-1, 1:] & on[1:, :-1] & on[:-1, :-1])


def _boxes(inner: Bools) -> Ints:
    """(k, 4) cells i0, i1, j0, j1 at the corners of rectangles wholly on the patch: large ones that differ."""
    total = _table(inner)
    at = np.argwhere(inner)
    if not len(at):
        return np.empty((0, 4), dtype=np.int64)
    rng = np.random.default_rng(0)
    p, q = at[rng.integers(len(at), size=TRIED)], at[rng.integers(len(at), size=TRIED)]
    (i0, j0), (i1, j1) = np.minimum(p, q).T, np.maximum(p, q).T
    size = (i1 - i0 + 1) * (j1 - j0 + 1)
    full = total[i1 + 1, j1 + 1] - total[i0, j1 + 1] - total[i1 + 1, j0] + total[i0, j0] == size
    full &= (i1 - i0 >= LEAST_CELLS) & (j1 - j0 >= LEAST_CELLS)
    boxes, size = np.stack([i0, i1, j0, j1], axis=1)[full], size[full]
    boxes = boxes[np.argsort(-size, kind="stable")]
    # The largest, and then each that lies mostly apart from those taken.
    taken: list[Ints] = []
    for box in boxes[: 40 * COMPARED]:
        if all(_shared(box, other) < 0.5 for other in taken):
            taken.append(box)
            if len(taken) == COMPARED:
                break
    return np.array(taken, dtype=np.int64).reshape(-1, 4)


def _table(inner: Bools) -> Ints:
    """Sums over all rectangles from the first cell on, with a row and a column of zeros before them."""
    sums = np.cumsum(np.cumsum(inner.astype(np.int64), axis=0), axis=1)
    return np.pad(sums, ((1, 0), (1, 0)))


def _shared(a: Ints, b: Ints) -> float:
    """Share of the smaller of two rectangles that lies in the other."""
    wide = min(a[1], b[1]) - max(a[0], b[0]) + 1
    high = min(a[3], b[3]) - max(a[2], b[2]) + 1
    small = min((r[1] - r[0] + 1) * (r[3] - r[2] + 1) for r in (a, b))
    return max(wide, 0) * max(high, 0) / max(small, 1)


def bound_shear(laid: Laid) -> Bound:
    """Find the rectangle of threads on the patch, crossed by no cut, that holds most curvature."""
    return max((_bound_one(part) for part in laid.nets), key=lambda bound: bound.least_deg)


def _bound_one(laid: Laid) -> Bound:
    inner = _inner_cells(laid)
    rows, cols = np.flatnonzero(inner.any(axis=1)), np.flatnonzero(inner.any(axis=0))
    empty = Bound(0.0, 0.0, np.empty((0, 3)))
    if len(rows) < 2 or len(cols) < 2:
        return empty
    i = np.unique(np.linspace(rows[0], rows[-1], LINES).astype(np.int64))
    j = np.unique(np.linspace(cols[0], cols[-1], LINES).astype(np.int64))
    total = _table(inner)
    shear = laid.cells.shear[np.ix_(i, j)]
    best, where = 0.0, None
    for p in range(len(i) - 1):
        # All rectangles that begin at this row; columns one after the other.
        across = shear[p + 1 :] - shear[p]
        value, box = _best_span(across, total, i[p], i[p + 1 :], j)
        if value > best:
            best, where = value, (p, p + 1 + box[0], box[1], box[2])
    if where is None:
        return empty
    p, q, r, s = where
    x = laid.net.points
    corners = np.array([x[i[a], j[b]] for a, b in ((p, r), (q, r), (q, s), (p, s))])
    sign = shear[q, s] - shear[q, r] - shear[p, s] + shear[p, r]
    return Bound(best / 4, float(sign), corners)


def _best_span(across: Floats, total: Ints, i0: int, i1: Ints, j: Ints) -> tuple[float, tuple[int, int, int]]:
    """Largest difference within one row of (k, b) between columns with nothing but the patch between them."""
    best, box = 0.0, (0, 0, 0)
    row = np.arange(len(i1))
    low_at, high_at = np.zeros(len(i1), dtype=np.int64), np.zeros(len(i1), dtype=np.int64)
    for c in range(len(j)):
        since = j[c - 1] if c else j[c]
        count = total[i1 + 1, j[c] + 1] - total[i0, j[c] + 1] - total[i1 + 1, since] + total[i0, since]
        whole = count == (i1 - i0 + 1) * (j[c] - since + 1)
        alone = total[i1 + 1, j[c] + 1] - total[i0, j[c] + 1] - total[i1 + 1, j[c]] + total[i0, j[c]]
        alone = alone == i1 - i0 + 1
        low_at, high_at = np.where(whole, low_at, c), np.where(whole, high_at, c)
        now = across[:, c]
        low_at = np.where(now < across[row, low_at], c, low_at)
        high_at = np.where(now > across[row, high_at], c, high_at)
        rise, fall = now - across[row, low_at], across[row, high_at] - now
        gain = np.where(alone, np.maximum(rise, fall), 0.0)
        k = int(gain.argmax())
        if gain[k] > best:
            other = low_at[k] if rise[k] >= fall[k] else high_at[k]
            best, box = float(gain[k]), (k, int(other), c)
    return best, box

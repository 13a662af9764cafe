"""Single points that stick out of a scan: told from corners and fins, and set back.

A spike is a point that its surroundings know nothing of. The smooth surface through the two rings of points about it
is found without it; it is a spike when it stands off that surface by much more than they do. About a real corner, the
rings themselves do not lie on a smooth surface; about the crest of a fin, they lie on the fin.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from ._edges import directed_edges, neighbours, rim_edges
from .mesh import Bools, Floats, Ints

#: A point to look at sticks out more than this many medians, and more than this share of the edges about it.
SPIKE_MEDIANS, SPIKE_SHARE = 5.0, 0.7
#: It is a spike if it stands off by this many times the rms of the rings about a quadric, and about a plane.
OFF_QUADRIC, OFF_PLANE = 5.0, 3.5
#: Below this many points about it, or where they lie in a narrow strip (share of its length), nothing is said.
RING_LEAST, STRIP = 9, 0.3
#: The points about it must stand all round, no gap wider than this (rad).
GAP = 2.0
#: Spikes side by side come to light one after the other.
ROUNDS = 6


@dataclass(frozen=True, eq=False)
class Spikes:
    """Spikes of a mesh, worst first.

    Attributes
    ----------
    at : (k,) int array
        Points.
    height_mm : (k,) float array
        How far each stands off the surface about it.
    v : (n, 3) float array, mm
        The mesh's points with the spikes set back.
    """

    at: Ints
    height_mm: Floats
    v: Floats


def set_back_spikes(v: Floats, f: Ints) -> Spikes:
    """Find the spikes of a mesh and set them back onto the surface about them.

    Parameters
    ----------
    v : (n, 3) float array, mm
    f : (m, 3) int array

    Returns
    -------
    Spikes
    """
    edges = directed_edges(f)
    near = neighbours(len(v), edges)
    rim = np.zeros(len(v), dtype=bool)
    rim[edges[rim_edges(len(v), f)]] = True
    off = _off(v, near)
    limit = SPIKE_MEDIANS * float(np.median(off))
    out = v
    first = np.full(len(v), -1.0)
    todo: Ints | None = None
    for _ in range(ROUNDS):
        look = _candidates(out, near, off, limit, rim, todo)
        at, to, height = _judge(out, near, look)
        if not len(at):
            break
        out = out.copy() if out is v else out
        out[at] = to
        first[at] = np.maximum(first[at], height)
        todo = _about(near, at)
        off[todo] = _off(out, near, todo)
    found = np.flatnonzero(first > 0)
    found = found[np.argsort(-first[found], kind="stable")]
    return Spikes(found, first[found], out)


def _off(v: Floats, near: Any, some: Ints | None = None) -> Floats:
    """Distance of each point (or of some) from the mean of its neighbours."""
    rows, here = (near, v) if some is None else (near[some], v[some])
    degree = np.maximum(np.diff(rows.indptr), 1)
    return np.asarray(np.linalg.norm(here - (rows @ v) / degree[:, None], axis=1))


def _about(near: Any, at: Ints) -> Ints:
    """Points within two rings of some points, those included."""
    one = np.unique(np.concatenate([at, near[at].indices]))
    return np.unique(np.concatenate([one, near[one].indices]))


def _candidates(v: Floats, near: Any, off: Floats, limit: float, rim: Bools, todo: Ints | None) -> Ints:
    """Points that stick out of their neighbours, and more than any of these."""
    some = np.flatnonzero((off > limit) & ~rim) if todo is None else todo[(off[todo] > limit) & ~rim[todo]]
    if not len(some):
        return some
    rows = near[some]
    degree = np.diff(rows.indptr)
    start = rows.indptr[:-1]
    row = np.repeat(some, degree)
    edge = np.add.reduceat(np.linalg.norm(v[row] - v[rows.indices], axis=1), start) / degree
    highest = np.maximum.reduceat(off[rows.indices], start)
    # The edges of a spike are long because of it: measure them flat.
    plain = np.sqrt(np.maximum(edge**2 - off[some] ** 2, (0.05 * edge) ** 2))
    some = some[(off[some] > SPIKE_SHARE * plain) & (off[some] >= highest)]
    # In a row of equals each is the crest of a fin, not a spike.
    return some[np.asarray(near[some][:, some].sum(axis=1)).ravel() < 2]


def _judge(v: Floats, near: Any, look: Ints) -> tuple[Ints, Floats, Floats]:
    """Of the candidates, those that are spikes, where each belongs, and how far it stands off."""
    if not len(look):
        return look, np.zeros((0, 3)), np.zeros(0)
    doubtful = np.zeros(len(v), dtype=bool)
    doubtful[look] = True
    rings, one = _rings(near, look, doubtful)
    enough = (rings >= 0).sum(axis=1) >= RING_LEAST
    look, rings, one = look[enough], rings[enough], one[enough]
    if not len(look):
        return look, np.zeros((0, 3)), np.zeros(0)
    weight = (rings >= 0).astype(float)
    count = weight.sum(axis=1)
    p = v[rings]
    middle = (p * weight[..., None]).sum(axis=1) / count[:, None]
    d = (p - middle[:, None]) * weight[..., None]
    spread, axes = np.linalg.eigh(np.einsum("kic,kid->kcd", d, d))
    frame = axes[:, :, ::-1]  # thin direction last
    local = np.einsum("kic,kcd->kid", d, frame)
    size = np.sqrt((local[..., :2] ** 2).sum(axis=(1, 2)) / count)
    target = np.einsum("kc,kcd->kd", _mean_of(v, one) - middle, frame)
    spike = np.einsum("kc,kcd->kd", v[look] - middle, frame)
    coef = _quadric(local, weight, size)
    left = local[..., 2] - np.einsum("kij,kj->ki", _basis(local, size), coef)
    quadric = np.sqrt((weight * left**2).sum(axis=1) / np.maximum(count - 6, 2))
    plane = np.sqrt((weight * local[..., 2] ** 2).sum(axis=1) / np.maximum(count - 3, 2))
    target[:, 2] = (_basis(target[:, None], size)[:, 0] * coef).sum(axis=1)
    height = np.abs(spike[:, 2] - target[:, 2])
    sure = (
        (height > OFF_QUADRIC * quadric) & (height > OFF_PLANE * plane) & (height > SPIKE_SHARE * size / 1.5)
    )
    sure &= spread[:, 1] > STRIP**2 * spread[:, 2]
    aside = np.linalg.norm(spike[:, :2] - target[:, :2], axis=1)
    sure &= (aside < size) | (aside < 2 * height)
    sure &= _widest_gap(local[..., :2] - target[:, None, :2], rings >= 0) < GAP
    to = middle + np.einsum("kd,kcd->kc", target, frame)
    return look[sure], to[sure], height[sure]


def _rings(near: Any, look: Ints, doubtful: Bools) -> tuple[Ints, Ints]:
    """(k, w) points of the two rings about each, padded with -1, doubtful ones left out; and the inner ring."""
    inner = near[look]
    both = (inner @ near + inner).tocsr()
    return _padded(both, look, doubtful), _padded(inner, look, doubtful)


def _padded(rows: Any, look: Ints, doubtful: Bools) -> Ints:
    row = np.repeat(np.arange(len(look)), np.diff(rows.indptr))
    ok = ~doubtful[rows.indices]
    row, col = row[ok], rows.indices[ok]
    count = np.bincount(row, minlength=len(look))
    slot = np.arange(len(row)) - np.repeat(np.cumsum(count) - count, count)
    out = np.full((len(look), max(int(count.max(initial=1)), 1)), -1, dtype=np.int64)
    out[row, slot] = col
    return out


def _mean_of(v: Floats, some: Ints) -> Floats:
    weight = (some >= 0).astype(float)
    total = (v[some] * weight[..., None]).sum(axis=1)
    return np.asarray(total / np.maximum(weight.sum(axis=1), 1.0)[:, None])


def _widest_gap(p: Floats, there: Bools) -> Floats:
    """Widest angle, seen from the origin, without a point of each set in it."""
    angle = np.sort(np.where(there, np.arctan2(p[..., 1], p[..., 0]), np.inf), axis=1)
    last = there.sum(axis=1) - 1
    end = angle[np.arange(len(angle)), last]
    step = np.diff(np.where(np.isfinite(angle), angle, end[:, None]), axis=1)
    return np.asarray(np.maximum(step.max(axis=1, initial=0.0), angle[:, 0] + 2 * np.pi - end))


def _basis(local: Floats, size: Floats) -> Floats:
    x, y = (local[..., k] / size[:, None] for k in range(2))
    return np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=-1)


def _quadric(local: Floats, weight: Floats, size: Floats) -> Floats:
    """(k, 6) least squares quadric of each set; a trace of ridge keeps sets on a line from failing."""
    a = _basis(local, size) * weight[..., None]
    square = np.einsum("kij,kil->kjl", a, a)
    square += 1e-9 * np.einsum("kjj->k", square)[:, None, None] * np.eye(6)
    right = np.einsum("kij,ki->kj", a, local[..., 2])
    return np.asarray(np.linalg.solve(square, right[..., None])[..., 0])

"""A foil's section: two smooth flanks that meet in a sharp or narrow tail."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial import cKDTree

from ._sides import DENSE_MM, Cloud, Loft, Score, cells_of, fit_smooth, loop_normals, settle_open
from .mesh import Floats

# The flanks end this far short of the tail as first seen; from there they go on straight.
ZONE_MM = 6.0
# Within this the tail has to turn; less than that much of a turn is no tail.
WINDOW_MM, LEAST_TURN_DEG = 8.0, 110.0
STATIONS = 80


def fit_foil(cloud: Cloud, start: Loft, *, width_mm: float) -> tuple[Loft, Score]:
    """Fit a section of two flanks and a tail: straight on from the flanks, rounded off where the points end.

    Parameters
    ----------
    cloud : Cloud
    start : Loft
    width_mm : float
        Of the cells.
    """
    loft, score = fit_smooth(cloud, start, width_mm=width_mm)
    tail = _tail(loft.section)
    if tail is None:
        return replace(loft, kind="foil"), replace(score, rss=2 * score.rss)
    for _ in range(2):
        flank = np.roll(loft.section, -tail, axis=0)
        at = _along(flank)
        inner = (at > ZONE_MM) & (at < at[-1] - ZONE_MM)
        _, _, _, j = loft.foot(cloud.points_mm, cloud.normals)
        away = np.minimum(*(np.abs(at[(j - tail) % len(at)] - q) for q in (0.0, at[-1])))
        on_flank = away > ZONE_MM
        open_loft = settle_open(cloud.take(on_flank), replace(loft, section=flank[inner]), width_mm=width_mm)
        loft = _capped(cloud.take(~on_flank), open_loft, width_mm)
        found = _tail(loft.section)
        tail = tail if found is None else found
    return replace(loft, kind="foil"), _scored(cloud, loft, width_mm, df=score.df)


def _along(loop: Floats) -> Floats:
    return np.r_[0, np.cumsum(np.linalg.norm(np.diff(loop, axis=0), axis=1))]


def _tail(loop: Floats) -> int | None:
    """Index of the point about which a closed polyline turns most; None if that is not sharp."""
    step = np.roll(loop, -1, axis=0) - loop
    heading = np.arctan2(step[:, 1], step[:, 0])
    turn = (heading - np.roll(heading, 1) + np.pi) % (2 * np.pi) - np.pi
    n, length = len(loop), np.linalg.norm(step, axis=1).sum()
    wide = max(int(WINDOW_MM / length * n / 2), 1)
    kernel = np.ones(2 * wide + 1)
    total = np.convolve(np.r_[turn[-wide:], turn, turn[:wide]], kernel, mode="valid")
    k = int(np.argmax(total))
    if np.degrees(total[k]) < LEAST_TURN_DEG:
        return None
    spot = (k + np.arange(-wide, wide + 1)) % n
    weight = np.maximum(turn[spot], 0)
    return int(np.round(k + np.average(np.arange(-wide, wide + 1), weights=weight))) % n


@dataclass(frozen=True, eq=False)
class _Wedge:
    """The ends of two flanks: points `a` (end of the section) and `b` (its beginning), unit ways on `da`, `db`."""

    a: Floats
    b: Floats
    da: Floats
    db: Floats

    def cap(self, reach: float) -> Floats:
        """Points from a to b round a tail whose tip lies `reach` beyond the middle between them."""
        way = self.da + self.db
        way = way / max(float(np.linalg.norm(way)), 1e-9)
        across = np.array([-way[1], way[0]])
        if (self.a - self.b) @ across < 0:
            across = -across
        middle = 0.5 * (self.a + self.b)
        half = 0.5 * float((self.a - self.b) @ across)
        lean = float(np.clip(0.5 * np.arcsin(np.clip(self.da[0] * self.db[1] - self.da[1] * self.db[0], -1, 1)), -1, 1))
        lean = abs(lean) if (self.da @ across) < (self.db @ across) else -abs(lean)
        sine, cosine, tangent = np.sin(lean), np.cos(lean), np.tan(lean)
        centre = (reach - half * cosine) / max(1 - sine, 1e-3)
        radius = (half - centre * tangent) * cosine
        if radius <= 1e-3:
            apex = half / max(tangent, 1e-6)
            return np.array([middle + apex * way])
        turn = np.linspace(np.pi / 2 - lean, -(np.pi / 2 - lean), 25)
        return middle + centre * way + radius * (np.cos(turn)[:, None] * way + np.sin(turn)[:, None] * across)

    @property
    def apex(self) -> float:
        """How far beyond the middle the flanks would meet; 60 mm at most."""
        gap = self.b - self.a
        d = np.column_stack([self.da, -self.db])
        if abs(np.linalg.det(d)) < 1e-3:
            return 60.0
        t = np.linalg.solve(d, gap)
        return float(np.clip(t.mean(), 0.0, 60.0)) if (t > 0).all() else 60.0


def _wedge(flank: Floats) -> _Wedge:
    k = max(int(4.0 / DENSE_MM), 2)
    a, b = flank[-1], flank[0]
    da, db = a - flank[-1 - k], b - flank[k]
    return _Wedge(a, b, da / np.linalg.norm(da), db / np.linalg.norm(db))


def _capped(cloud: Cloud, open_loft: Loft, width_mm: float) -> Loft:
    """Close the section round the tail as far out as the points there say."""
    wedge = _wedge(open_loft.section)
    best, least = None, np.inf
    if not len(cloud.points_mm):
        return _closed(open_loft, wedge.cap(wedge.apex))
    for reach in np.linspace(0.0, min(wedge.apex, 4 * ZONE_MM), STATIONS):
        loft = _closed(open_loft, wedge.cap(float(reach)))
        q, _, _, _ = loft.foot(cloud.points_mm, cloud.normals)
        off = cKDTree(loft.section).query(q)[0]
        total = float((cloud.area_mm2 * off**2).sum())
        if total < least:
            best, least = loft, total
    return best if best is not None else open_loft


def _closed(loft: Loft, cap: Floats) -> Loft:
    """The flanks with a tail between, dense all round."""
    ring = np.vstack([loft.section, cap, loft.section[:1]])
    at = _along(ring)
    n = max(int(np.ceil(at[-1] / DENSE_MM)), 20)
    # The tip itself stays a point of the section.
    tip = at[len(loft.section) + len(cap) // 2]
    u = np.sort(np.r_[at[-1] * np.arange(n) / n, tip])
    u = u[np.r_[True, np.diff(u) > 1e-6]]
    section = np.stack([np.interp(u, at, ring[:, i]) for i in range(2)], axis=1)
    return replace(loft, section=section, normals=loop_normals(section))


def _scored(cloud: Cloud, loft: Loft, width_mm: float, *, df: float) -> Score:
    cells = cells_of(cloud, width_mm)
    r = cells.mean @ loft.foot(cloud.points_mm, cloud.normals)[2]
    w = cells.weight * _tamed(r)
    return Score(float((w * r**2).sum()), float(cells.weight.sum()), df + 2)


def _tamed(r: Floats) -> Floats:
    off = np.abs(r)
    spread = max(1.4826 * float(np.median(off)), 1e-4)
    return np.minimum(1.0, 2.5 * spread / np.maximum(off, 1e-12))



"""A foil's section: two smooth flanks that meet in a sharp or narrow tail."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ._sides import DENSE_MM, Cloud, Loft, Score, cells_of, loop_normals, settle_open
from .mesh import Floats, Ints

# The flanks end this far short of the tail as first seen; from there they go on straight.
ZONE_MM = 6.0
# Within this the tail has to turn; less than that much of a turn is no tail.
WINDOW_MM, LEAST_TURN_DEG = 8.0, 110.0
ROUNDS = 3


def fit_foil(cloud: Cloud, smooth: tuple[Loft, Score], *, width_mm: float) -> tuple[Loft, Score]:
    """Fit a section of two flanks and a tail: straight on from the flanks, rounded off where the points end.

    Parameters
    ----------
    cloud : Cloud
    smooth : (Loft, Score)
        The same section fitted without a tail.
    width_mm : float
        Of the cells.
    """
    loft, score = smooth
    tail = _tail(loft.section)
    if tail is None:
        return replace(loft, kind="foil"), score
    pins: tuple[Cloud, Floats] | None = None
    for _ in range(ROUNDS):
        flank = np.roll(loft.section, -tail, axis=0)
        at = _along(flank)
        inner = (at > ZONE_MM) & (at < at[-1] - ZONE_MM)
        _, _, _, j = loft.foot(cloud.points_mm, cloud.normals)
        away = np.minimum(*(np.abs(at[(j - tail) % len(at)] - q) for q in (0.0, at[-1])))
        on_flank = away > ZONE_MM
        open_loft = settle_open(
            cloud.take(on_flank), replace(loft, section=flank[inner]), width_mm=width_mm, pins=pins
        )
        loft, pins = _capped(cloud.take(~on_flank), open_loft)
        found = _tail(loft.section)
        tail = tail if found is None else found
    return replace(loft, kind="foil"), _scored(cloud, loft, width_mm, df=score.df)


def has_tail(section: Floats) -> bool:
    """Whether a closed section, (k, 2), turns sharply somewhere."""
    return _tail(section) is not None


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
        way = self.way
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
    def way(self) -> Floats:
        """The unit way out of the tail, midway between the flanks."""
        way = self.da + self.db
        return np.asarray(way / max(float(np.linalg.norm(way)), 1e-9))

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


def _capped(cloud: Cloud, open_loft: Loft) -> tuple[Loft, tuple[Cloud, Floats] | None]:
    """Close the section round the tail as far out as the points there reach; return also the points along the tail."""
    wedge = _wedge(open_loft.section)
    reach, pins = wedge.apex, None
    if len(cloud.points_mm) > 10:
        far, tips = _reach(cloud, open_loft, wedge)
        reach, pins = min(reach, far), (cloud.take(tips), wedge.way)
    return _closed(open_loft, wedge.cap(max(reach, 0.0))), pins


def _reach(cloud: Cloud, loft: Loft, wedge: _Wedge) -> tuple[float, Ints]:
    """How far beyond the flanks' ends the points go: the farthest at each station, and of those the median.

    Stations are hardly wider than triangles, so that taking the farthest of a few points adds little of the noise.
    """
    q, s = loft.flatten(cloud.points_mm)
    x = (q - 0.5 * (wedge.a + wedge.b)) @ wedge.way
    width = 1.5 * float(np.sqrt(np.median(cloud.area_mm2)))
    row = np.unique(np.floor(s / width), return_inverse=True)[1].ravel()
    order = np.lexsort((x, row))
    last = order[np.r_[np.diff(row[order]) > 0, True]]
    enough = np.bincount(row) >= 3
    last = last[enough] if enough.any() else last
    return float(np.median(x[last])), last


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



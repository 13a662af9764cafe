"""The corner of a noisy surface: both sides fitted as a whole, and the line in which the fits meet."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from ..errors import OutlineError
from ._corner_foil import fit_foil, has_tail
from ._corner_split import REACH, Split, even_normals, goes_round, vertex_areas
from ._sides import (
    Cloud,
    Loft,
    Score,
    Sheet,
    axis_of,
    cells_of,
    fit_round,
    fit_sheet,
    fit_smooth,
    loop_normals,
)
from ._topology import surface_edges
from ._trace import at
from .cut import cut_at_level
from .mesh import Bools, Floats, Ints, Surface

# Points nearer to the line than this, in scales, are not fitted: scans and smoothing round the corner there.
CLEAR_ROUGH, CLEAR = 1.6, 0.6
PASSES = 3
STEP_MM = 3.0
# A richer section has to better Schwarz's criterion by this to be taken.
GAIN = 6.0
# A section with a tail is a foil as long as that does not fit worse than this times the other's squared misfit.
WORSE = 1.15


@dataclass(frozen=True, eq=False)
class Fitted:
    """Both sides and the line: `points_mm` (k, 3), `normals` two (k, 3), `side` (n,) of the vertices, `use` (n,)."""

    first: Sheet
    second: Sheet | Loft
    points_mm: Floats
    normals: tuple[Floats, Floats]
    closed: bool
    section: str
    side: Ints
    use: Bools
    cloud: Cloud


def fit_corner(surface: Surface, calm: Surface, split: Split, *, section: str, scale_mm: float) -> Fitted:
    """Fit both sides and let them meet; points are then shared out anew and all is fitted again.

    Parameters
    ----------
    surface, calm : Surface
        The same mesh as it is and smoothed.
    split : Split
    section : str
        As for `find_corner`.
    scale_mm : float
    """
    closed = goes_round(calm, split, scale_mm=scale_mm)
    _check_section(section, closed, calm.vertices_mm[split.contact[0]])
    cloud = Cloud(surface.vertices_mm, even_normals(calm, 0.4 * scale_mm), vertex_areas(surface))
    side, line = split.side.copy(), calm.vertices_mm[split.contact]
    start: Loft | None = None
    for i in range(PASSES):
        away = cKDTree(line).query(cloud.points_mm)[0]
        use = (side >= 0) & (away > (CLEAR if i else CLEAR_ROUGH) * scale_mm) & (away < REACH * scale_mm)
        one, two = (cloud.take(use & (side == k)) for k in (0, 1))
        _check_enough(one, two, line[0], scale_mm)
        first = _sheet(one, "auto", scale_mm)
        second: Sheet | Loft
        if closed:
            start = _start(calm, side, cloud, line, scale_mm) if start is None else start
            second = loft = _loft(two, start, section, scale_mm)
            points, j, s = _round_line(first, loft)
            normals = first.normal(points), loft.normal(j, s)
        else:
            second = sheet = _sheet(two, section, scale_mm)
            points = _open_line(first, sheet, line)
            normals = first.normal(points), sheet.normal(points)
        line = points
        if i < PASSES - 1:
            side = _shared(cloud, side, first, second, line, scale_mm)
    kind = second.kind if isinstance(second, Loft) else "plane" if second.flat else "smooth"
    return Fitted(first, second, points, normals, closed, kind, side, use, cloud)


def _check_section(section: str, closed: bool, where: Floats) -> None:
    if section in (("plane",) if closed else ("round", "foil")):
        raise OutlineError(
            f"the corner is {'closed' if closed else 'open'}, so its second side cannot be {section!r}",
            where=at(tuple(where)), do='Leave the section to be found ("auto").',
        )


def _check_enough(one: Cloud, two: Cloud, where: Floats, scale_mm: float) -> None:
    for cloud, which in ((one, "first"), (two, "second")):
        if len(cloud.points_mm) < 30 or cloud.area_mm2.sum() < 8 * scale_mm**2:
            raise OutlineError(
                f"the {which} side of the corner has only {cloud.area_mm2.sum():.0f} mm2 of clean surface",
                where=at(tuple(where)), do="Move the seed to where both sides are wide, or scan again.",
            )


def _sheet(cloud: Cloud, section: str, scale_mm: float) -> Sheet:
    """Fit a plane, or what is smooth if it is the better by Schwarz's criterion."""
    tries: list[tuple[Sheet, Score]] = []
    if section != "smooth":
        tries.append(fit_sheet(cloud, width_mm=scale_mm, flat=True))
    if section != "plane":
        tries.append(fit_sheet(cloud, width_mm=scale_mm))
    return min(tries, key=lambda t: t[1].bic + (0.0 if t[0].flat else GAIN))[0]


def _loft(cloud: Cloud, start: Loft, section: str, scale_mm: float) -> Loft:
    """Fit the section asked for, or the plainest that nothing richer beats by Schwarz's criterion.

    A tail takes up too little of the surface to count there: a section that has one is a foil where it fits no worse.
    """
    fits = {"round": fit_round, "smooth": fit_smooth}
    if section in fits:
        return fits[section](cloud, start, width_mm=scale_mm)[0]
    if section == "foil":
        return fit_foil(cloud, fit_smooth(cloud, start, width_mm=scale_mm), width_mm=scale_mm)[0]
    plain, free = (fit(cloud, start, width_mm=scale_mm) for fit in fits.values())
    if plain[1].bic <= free[1].bic + GAIN:
        return plain[0]
    foil = fit_foil(cloud, free, width_mm=scale_mm)
    return foil[0] if has_tail(free[0].section) and foil[1].rss < WORSE * free[1].rss else free[0]


def _start(calm: Surface, side: Ints, cloud: Cloud, line: Floats, scale_mm: float) -> Loft:
    """A slice through the second side as the section to begin with."""
    two = cloud.take((side == 1) & (cKDTree(line).query(cloud.points_mm)[0] > scale_mm))
    axis = axis_of(two)
    middle = line.mean(axis=0)
    if (two.points_mm.mean(axis=0) - middle) @ axis < 0:
        axis = -axis
    e1 = np.linalg.svd((two.points_mm - two.points_mm.mean(axis=0)) @ (np.eye(3) - np.outer(axis, axis)), full_matrices=False)[2][0]
    frame = np.stack([e1, np.cross(axis, e1), axis])
    loop = _slice(calm, side, (calm.vertices_mm - middle) @ frame.T, line)
    if _area(loop) < 0:
        loop = loop[::-1]
    n = loop_normals(loop)
    blank = Loft("smooth", middle, frame, np.zeros(2), 0.0, 0.0, loop, n, 1.0)
    q, _ = blank.flatten(two.points_mm)
    j = cKDTree(loop).query(q)[1]
    out = ((two.normals @ frame.T)[:, :2] * n[j]).sum(axis=1)
    return Loft("smooth", middle, frame, np.zeros(2), 0.0, 0.0, loop, n, 1.0 if np.median(out) > 0 else -1.0)


def _slice(calm: Surface, side: Ints, local: Floats, line: Floats) -> Floats:
    """A closed section of the second side seen along its axis, (k, 2), as near to the corner as one is whole.

    It is cut parallel to the plane of the corner, not square to the axis: no square one may be whole on a short post.
    """
    wall, used = calm.sub((side[calm.faces] == 1).all(axis=1))
    up = np.linalg.svd(line - line.mean(axis=0), full_matrices=False)[2][2]
    s = (calm.vertices_mm[used] - line.mean(axis=0)) @ up
    s = s if np.median(s) > 0 else -s
    for share in np.linspace(0.15, 0.95, 17):
        level = share * float(np.quantile(s, 0.98))
        cut = cut_at_level(wall, s, level, carry={"local": local[used]})
        loop = _whole_loop(cut.surface, cut.values == level, cut.below)
        if loop is not None and len(loop) > 8:
            return np.asarray(cut.carried["local"][loop][:, :2])
    raise OutlineError(
        "the second side goes round, but no section of it is whole", where=at(tuple(line[0])),
        do="Mend the holes in it, or give an outline.",
    )


def _whole_loop(s: Surface, on: Bools, below: Bools) -> Ints | None:
    """The longest closed chain of edges between what is below a level and what is above."""
    edges = surface_edges(s)
    one, two = edges.faces.T
    mid = (two >= 0) & (below[one] != below[np.maximum(two, 0)]) & on[edges.ends].all(axis=1)
    beside: dict[int, list[int]] = {}
    for a, b in edges.ends[mid].tolist():
        beside.setdefault(a, []).append(b)
        beside.setdefault(b, []).append(a)
    best: list[int] = []
    while beside:
        start, now, last, chain = next(iter(beside)), next(iter(beside)), -1, []
        while now in beside:
            chain.append(now)
            on_to = [b for b in beside.pop(now) if b != last]
            last, now = now, on_to[0] if on_to else -1
        if now == start and len(chain) > len(best):
            best = chain
    return np.array(best, dtype=np.int64) if best else None


def _area(loop: Floats) -> float:
    x, y = loop.T
    return float(0.5 * (x * np.roll(y, -1) - np.roll(x, -1) * y).sum())


def _round_line(first: Sheet, second: Loft) -> tuple[Floats, Ints, Floats]:
    """Where each ruling of the loft meets the sheet: points, which of the section's points, stations."""
    j = _spaced(second.section)
    s = np.zeros(len(j))
    for _ in range(40):
        p, rate = second.draw(j, s)
        f, g = first.height(p)
        step = np.clip(f / _away_from_zero((g * rate).sum(axis=1)), -30.0, 30.0)
        s = s - step
        if np.abs(step).max() < 1e-6:
            break
    else:
        worst = p[int(np.argmax(np.abs(step)))]
        raise OutlineError(
            "the second side does not meet the first all round", where=at(tuple(worst)),
            do="Move the seed, or give the outline by hand.",
        )
    return p, j, s


def _away_from_zero(x: Floats) -> Floats:
    return np.where(np.abs(x) < 0.05, np.where(x < 0, -0.05, 0.05), x)


def _spaced(loop: Floats) -> Ints:
    """Points of a closed polyline a few mm apart, closer where it turns."""
    step = np.roll(loop, -1, axis=0) - loop
    length = np.linalg.norm(step, axis=1)
    heading = np.arctan2(step[:, 1], step[:, 0])
    turn = np.abs((np.roll(heading, -1) - heading + np.pi) % (2 * np.pi) - np.pi)
    along = np.cumsum(length / STEP_MM + np.degrees(turn) / 12.0)
    k = max(int(np.ceil(along[-1])), 12)
    return np.unique(np.searchsorted(along, (np.arange(k) + 0.5) / k * along[-1]))


def _open_line(first: Sheet, second: Sheet, contact: Floats) -> Floats:
    """Follow the line in which two sheets meet, from the middle of the contact to well beyond its ends."""
    middle = contact[int(np.argmin(np.linalg.norm(contact - np.median(contact, axis=0), axis=1)))]
    start = _onto(first, second, middle[None])[0]
    far = float(np.linalg.norm(np.ptp(contact, axis=0)))
    near = cKDTree(contact)
    arms = []
    for sign in (1.0, -1.0):
        arm, p, last = [start], start, None
        while len(arm) < 20 + 6 * far:
            way = np.cross(first.normal(p[None])[0], second.normal(p[None])[0])
            way = way / max(float(np.linalg.norm(way)), 1e-9) * sign
            if last is not None and way @ last < 0:
                break
            p = _onto(first, second, (p + 1.0 * way)[None])[0]
            last = way
            if near.query(p)[0] > 40.0:
                break
            arm.append(p)
        arms.append(arm)
    return np.array([*arms[1][:0:-1], *arms[0]])


def _onto(first: Sheet, second: Sheet, p: Floats) -> Floats:
    """Move points by Newton's method, as little as may be, to where both sheets are."""
    for _ in range(12):
        both = [side.height(p) for side in (first, second)]
        f = np.stack([b[0] for b in both], axis=1)
        g = np.stack([b[1] for b in both], axis=1)
        gram = g @ g.transpose(0, 2, 1) + 1e-9 * np.eye(2)
        move = (g.transpose(0, 2, 1) @ np.linalg.solve(gram, f[..., None]))[..., 0]
        p = p - np.clip(move, -20.0, 20.0)
        if np.abs(move).max() < 1e-9:
            break
    return p


def side_values(first: Sheet, second: Sheet | Loft, cloud: Cloud) -> Floats:
    """Return the signed distances of points to both sides, (n, 2), mm."""
    return np.column_stack([first.value(cloud.points_mm), second.value(cloud.points_mm, cloud.normals)])


def _shared(cloud: Cloud, side: Ints, first: Sheet, second: Sheet | Loft, line: Floats, scale_mm: float) -> Ints:
    """Give points near the line to the side they lie on."""
    near = np.flatnonzero((side >= 0) & (cKDTree(line).query(cloud.points_mm)[0] < 4 * scale_mm))
    off = np.abs(side_values(first, second, cloud.take(near)))
    out = side.copy()
    out[near] = np.argmin(off, axis=1)
    return out


@dataclass(frozen=True)
class Misfit:
    """How the surface lies on the fitted sides near the line: `rms_mm`, `worst_mm` of local means, its place, spread."""

    rms_mm: float
    worst_mm: float
    place_mm: tuple[float, float, float]
    usual_mm: float


def misfit(fit: Fitted, line: Floats, *, scale_mm: float) -> Misfit:
    """Measure the misfit within three scales of the line, less the rounding right at it."""
    away = cKDTree(line).query(fit.cloud.points_mm)[0]
    k = np.flatnonzero(fit.use & (away < 3.5 * scale_mm))
    cloud = fit.cloud.take(k)
    off = side_values(fit.first, fit.second, cloud)[np.arange(len(k)), fit.side[k]]
    cells = cells_of(cloud, scale_mm)
    full = cells.weight > 0.6
    if not full.any():
        full = cells.weight >= cells.weight.max()
    mean = (cells.mean @ off)[full]
    middle = (cells.mean @ cloud.points_mm)[full]
    worst = int(np.argmax(np.abs(mean)))
    x, y, z = middle[worst].tolist()
    rms = float(np.sqrt(np.average(off**2, weights=cloud.area_mm2)))
    return Misfit(rms, float(np.abs(mean[worst])), (x, y, z), 1.4826 * float(np.median(np.abs(mean))))

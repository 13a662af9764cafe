"""Sections across the hollow corners of a bagged area, and where a flat film falls short of the surface or has too much.

A section holds three ways over the surface: along it, taut from end to end, and along it with every corner rounded to
the radius allowed. The last less the taut one is the slack to put in before the pump pulls.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from scipy.spatial import cKDTree

from ..errors import QuantityError
from ..surface._smooth import work_copy
from ..surface.crease import Crease, find_creases
from ..surface.mesh import Bools, Floats, Ints, Surface
from .sections import _upper_chain

#: Stations on one line, at most.
STATIONS = 24
#: A line's direction is taken over this much of it to both sides, and is none where it turns more (cosine).
DIRECTION_MM, STEADY = 10.0, 0.82
#: A corner line belongs to a section that passes this near, and stretches with less slack are none.
NEAR_MM, LEAST_MM = 12.0, 0.5
#: Two places where film is short or in excess, closer than this many scales, are one.
APART = 2.0
#: The rounded path is drawn with this many steps to a quarter of a circle.
QUARTER = 48


@dataclass(frozen=True, eq=False)
class CornerSection:
    """A plane section square to a corner's line, from edge to edge of the surface.

    Attributes
    ----------
    line : int
        Which corner line, as given.
    along_mm : float
        From the line's beginning.
    place_mm : (3,) float array
    surface_mm, taut_mm, rounded_mm : (k, 2) float arrays
        The three ways over the section, in its plane: x along, y towards the bag; the place is the origin.
    path_mm, taut_path_mm, rounded_path_mm : float
        Their lengths.
    spans : tuple of (float, tuple of int)
        The stretches that a taut film hangs free over: the slack of each, mm, and the corner lines it passes over.
    crossed : tuple of (int, float)
        The corner lines that the section passes over, and how far along its surface from its first end, mm.
    own_mm : float
        How far along its surface the place lies.
    across, up : (3,) float arrays
        Unit vectors of the plane's x and y.
    """

    line: int
    along_mm: float
    place_mm: Floats
    surface_mm: Floats
    taut_mm: Floats
    rounded_mm: Floats
    path_mm: float
    taut_path_mm: float
    rounded_path_mm: float
    spans: tuple[tuple[float, tuple[int, ...]], ...] = ()
    crossed: tuple[tuple[int, float], ...] = ()
    own_mm: float = 0.0
    across: Floats = field(default_factory=lambda: np.array([1.0, 0.0, 0.0]))
    up: Floats = field(default_factory=lambda: np.array([0.0, 0.0, 1.0]))

    def slack_of(self, lines: Sequence[int]) -> float:
        """Slack of the stretches that pass over some corner lines, mm: other corners in the section have their own."""
        return sum(slack for slack, over in self.spans if set(over) & set(lines))

    @property
    def slack_mm(self) -> float:
        """Film to put in beyond a taut one, so that corners are left open by no more than the radius allowed."""
        return max(self.rounded_path_mm - self.taut_path_mm, 0.0)

    @property
    def missing_mm(self) -> float:
        """Film more that would let it into every corner."""
        return max(self.path_mm - self.rounded_path_mm, 0.0)


@dataclass(frozen=True)
class Bend:
    """A place where a flat film does not fit: angles about it add up to more or less than a full turn.

    Attributes
    ----------
    place_mm : (float, float, float)
    deg : float
        360 less the angles about the place. Above 0 film is in excess and folds; below 0 it is short: put a pleat there.
    """

    place_mm: tuple[float, float, float]
    deg: float

    @property
    def short(self) -> bool:
        """Whether film is short there."""
        return self.deg < 0


def hollow_lines(surface: Surface, *, angle_deg: float = 20.0, scale_mm: float = 10.0) -> tuple[Crease, ...]:
    """Corner lines that turn inwards, longest first.

    Parameters
    ----------
    surface : Surface
    angle_deg : float
        The least turn that counts.
    scale_mm : float
        The width within which it happens.
    """
    return tuple(c for c in find_creases(surface, angle_deg=angle_deg, scale_mm=scale_mm) if c.concave)


def corner_sections(
    surface: Surface, lines: tuple[Crease, ...], *, allowed_mm: float, spacing_mm: float = 40.0
) -> tuple[CornerSection, ...]:
    """Cut a surface square to its corner lines, station by station.

    Parameters
    ----------
    surface : Surface
        From tape to tape.
    lines : tuple of Crease
    allowed_mm : float
        Radius to which the film may leave a corner round.
    spacing_mm : float
        Of the stations along each line; fewer where a line would have more than some dozens.

    Returns
    -------
    tuple of CornerSection
        Line by line, in order along each.

    Raises
    ------
    QuantityError
        A radius or spacing not above 0.
    """
    for name, value in (("allowed_mm", allowed_mm), ("spacing_mm", spacing_mm)):
        if not (np.isfinite(value) and value > 0):
            raise QuantityError(f"{name} is {value:g}", do="Give a length above zero.")
    work = Surface(work_copy(surface), surface.faces)
    out = []
    for k, line in enumerate(lines):
        for along, p, t in _stations(line.points_mm, spacing_mm):
            made = _section(work, p, t, allowed_mm)
            if made is not None:
                out.append(_told(made, lines, k, along, p, t))
    return tuple(out)


def _stations(points: Floats, spacing: float) -> list[tuple[float, Floats, Floats]]:
    """Lengths, places and directions along a line, clear of its ends."""
    s = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))])
    count = int(np.clip(np.ceil(s[-1] / spacing), 1, STATIONS))
    out, turned = [], []
    reach = max(min(0.5 * s[-1] / count, DIRECTION_MM), 1e-9)
    for at in (np.arange(count) + 0.5) * s[-1] / count:
        p, a, b = (np.array([np.interp(x, s, points[:, i]) for i in range(3)]) for x in (at, at - reach, at + reach))
        t = (b - a) / max(float(np.linalg.norm(b - a)), 1e-300)
        out.append((float(at), p, t))
        legs = _way(p - a) @ _way(b - p)
        turned.append(bool(legs < STEADY))
    # Where the line itself goes round a corner no plane is square to it.
    return [q for q, bad in zip(out, turned) if not bad] or out


@dataclass(frozen=True, eq=False)
class _Level:
    """A section with its ends level: its frame (3, 2), how it was turned (2, 2), and the three ways over it."""

    frame: Floats
    turn: Floats
    hull: Floats
    taut: Floats
    rounded: Floats


def _told(made: _Level, lines: tuple[Crease, ...], k: int, along: float, p: Floats, t: Floats) -> CornerSection:
    path, taut, rounded = (_length(q) for q in (made.hull, made.taut, made.rounded))
    crossed = [(j, at) for j, line in enumerate(lines) for at in _crossings(made, line, p, t)]
    # The place itself lies on its line, even where the line ends there.
    crossed.append((k, _at(made.hull, np.zeros(2))))
    spans = []
    for start, end, slack in _spans_of(made):
        over = sorted({j for j, at in crossed if start - 1e-6 <= at <= end + 1e-6})
        spans.append((slack, tuple(over)))
    hull, film = made.hull @ made.turn, made.rounded @ made.turn
    return CornerSection(
        k, along, p, hull, made.taut @ made.turn, film, path, min(taut, path), rounded, tuple(spans),
        _once(crossed), crossed[-1][1], made.frame[:, 0], made.frame[:, 1],
    )  # fmt: skip


def _once(crossed: list[tuple[int, float]]) -> tuple[tuple[int, float], ...]:
    """Crossings in order along a section; the same line twice within a corner's width is one."""
    out: list[tuple[int, float]] = []
    for j, at in sorted(crossed, key=lambda q: q[1]):
        if not any(j == i and at - before < NEAR_MM for i, before in out):
            out.append((j, at))
    return tuple(out)


def _at(way: Floats, place: Floats) -> float:
    """How far along a way its point nearest to a place lies."""
    from shapely import LineString, Point

    return float(LineString(way).project(Point(place)))


def _crossings(made: _Level, line: Crease, p: Floats, t: Floats) -> list[float]:
    """How far along the hull a corner line passes through the section, if it does so on the section's own way."""
    h = (line.points_mm - p) @ t
    k = np.flatnonzero((h[:-1] > 0) != (h[1:] > 0))
    share = h[k] / (h[k] - h[k + 1])
    q = line.points_mm[k] + share[:, None] * (line.points_mm[k + 1] - line.points_mm[k])
    flat = ((q - p) @ made.frame) @ made.turn.T
    near = [float(np.linalg.norm(made.hull - z, axis=1).min()) < NEAR_MM for z in flat]
    return [_at(made.hull, z) for z, on in zip(flat, near) if on]


def _spans_of(made: _Level) -> list[tuple[float, float, float]]:
    """Stretches (start, end along the hull, slack) between places where a taut film touches the hull."""
    out = []
    for a, b in zip(made.taut[:-1], made.taut[1:]):
        slack = _at(made.rounded, b) - _at(made.rounded, a) - float(np.linalg.norm(b - a))
        if slack > LEAST_MM:
            out.append((_at(made.hull, a), _at(made.hull, b), slack))
    return out


def _section(work: Surface, p: Floats, t: Floats, allowed: float) -> _Level | None:
    chain = _chain(work, p, t)
    if chain is None:
        return None
    up = _upward(chain, p, t)
    across = np.cross(up, t)
    flat = (chain - p) @ np.stack([across, up], axis=1)
    if flat[0, 0] > flat[-1, 0]:
        flat = flat[::-1]
    # Turned until its ends are level, so that a film drawn from end to end runs over the top.
    x, y = flat[-1] - flat[0]
    turn = np.array([[x, y], [-y, x]]) / max(float(np.hypot(x, y)), 1e-300)
    level = flat @ turn.T
    level = level[np.r_[True, np.linalg.norm(np.diff(level, axis=0), axis=1) > 1e-9]]
    if len(level) < 2:
        return None
    taut = _upper_chain(level)
    rounded = _rounded(level, allowed)
    return _Level(np.stack([across, up], axis=1), turn, level, taut, rounded)


def _length(p: Floats) -> float:
    return float(np.linalg.norm(np.diff(p, axis=0), axis=1).sum())


def way_round(part: Surface, section: CornerSection) -> Floats | None:
    """Return a section (k, 3) run on round the whole part, its place first or last; None where the part is open there.

    Parameters
    ----------
    part : Surface
    section : CornerSection
    """
    return _chain(part, section.place_mm, np.cross(section.across, section.up), closed=True)


def _chain(work: Surface, p: Floats, t: Floats, *, closed: bool = False) -> Floats | None:
    """The plane section (k, 3) that runs through a place, from edge to edge of the surface, or one that closes on itself."""
    h = (work.vertices_mm - p) @ t
    h = np.where(h == 0.0, 1e-12, h)
    f = work.faces[(h[work.faces] > 0).any(axis=1) & (h[work.faces] < 0).any(axis=1)]
    if not len(f):
        return None
    n = len(work.vertices_mm)
    a, b = f, np.roll(f, -1, axis=1)
    cut = (h[a] > 0) != (h[b] > 0)
    key = (np.minimum(a, b) * n + np.maximum(a, b))[cut].reshape(-1, 2)
    ids, inverse = np.unique(key, return_inverse=True)
    i, j = ids // n, ids % n
    share = h[i] / (h[i] - h[j])
    points = work.vertices_mm[i] + share[:, None] * (work.vertices_mm[j] - work.vertices_mm[i])
    pairs = inverse.reshape(-1, 2)
    way = _through(pairs, int(np.argmin(np.linalg.norm(points - p, axis=1))))
    closes = len(way) < 2 or bool((np.bincount(pairs.ravel())[[way[0], way[-1]]] > 1).any())
    # Where it closes on itself no film is drawn from end to end.
    return points[way] if closes == closed else None


def _through(pairs: Ints, start: int) -> list[int]:
    """Follow pairs of points both ways from one of them, once round where they close."""
    beside: dict[int, list[int]] = {}
    for a, b in pairs.tolist():
        beside.setdefault(a, []).append(b)
        beside.setdefault(b, []).append(a)
    seen, arms = {start}, []
    for first in beside[start][:2]:
        arm, last, now = [], start, first
        while now not in seen:
            seen.add(now)
            arm.append(now)
            ahead = [q for q in beside[now] if q != last]
            if not ahead:
                break
            last, now = now, ahead[0]
        arms.append(arm)
    return [*(arms[0][::-1] if arms else []), start, *(arms[1] if len(arms) > 1 else [])]


def _upward(chain: Floats, p: Floats, t: Floats) -> Floats:
    """The direction in the section's plane that halves the angle of the corner: towards the bag."""
    k = int(np.argmin(np.linalg.norm(chain - p, axis=1)))
    s = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(chain, axis=0), axis=1))])
    reach = min(25.0, max(s[k], 1e-9), max(s[-1] - s[k], 1e-9))
    ends = [np.array([np.interp(s[k] + d, s, chain[:, i]) for i in range(3)]) - chain[k] for d in (-reach, reach)]
    ends = [e / max(float(np.linalg.norm(e)), 1e-300) for e in ends]
    up = ends[0] + ends[1]
    up -= (up @ t) * t
    if np.linalg.norm(up) < 1e-3:
        up = np.cross(t, ends[1])
    return np.asarray(up / np.linalg.norm(up))


def _rounded(level: Floats, radius: float) -> Floats:
    """The section's way with every hollow filled as far as a ball of a radius cannot reach."""
    from shapely import LineString, Point, Polygon
    from shapely.ops import substring

    far = 6 * radius + float(np.ptp(level[:, 1]))
    # Straight on at both ends, then up and round: what the ball cannot reach at those corners lies beyond the section.
    first = level[0] + far * _way(level[0] - level[1])
    last = level[-1] + far * _way(level[-1] - level[-2])
    top = max(float(level[:, 1].max()), first[1], last[1]) + far
    low, high = min(first[0], level[:, 0].min()) - far, max(last[0], level[:, 0].max()) + far
    air = Polygon([(low, first[1]), first, *level, last, (high, last[1]), (high, top), (low, top)])
    if not air.is_valid:
        air = air.buffer(0.0)
    open_ = air.buffer(-radius, quad_segs=QUARTER).buffer(radius, quad_segs=QUARTER)
    if open_.geom_type == "MultiPolygon":
        open_ = max(open_.geoms, key=lambda q: q.area)
    ring = LineString(np.asarray(open_.exterior.coords))
    a, b = sorted(ring.project(Point(q)) for q in (level[0], level[-1]))
    inner = np.asarray(substring(ring, a, b).coords)
    outer = np.concatenate([np.asarray(substring(ring, b, ring.length).coords), np.asarray(substring(ring, 0, a).coords)])
    way = inner if inner[:, 1].max() < top - 1e-6 else outer
    return way if way[0, 0] <= way[-1, 0] else way[::-1]


def _way(p: Floats) -> Floats:
    return np.asarray(p / max(float(np.linalg.norm(p)), 1e-300))


def film_bends(surface: Surface, *, scale_mm: float = 10.0, least_deg: float = 15.0) -> tuple[Bend, ...]:
    """Find where a flat film is short or in excess, by the angles about the corners of a surface.

    Parameters
    ----------
    surface : Surface
    scale_mm : float
        What lies within this of a place counts as one with it.
    least_deg : float
        Smaller sums are left out.

    Returns
    -------
    tuple of Bend
        Largest first, short or in excess alike. A rim that runs round smoothly has none: there the film is short all
        round it.

    References
    ----------
    K. Polthier, M. Schmies, "Straightest geodesics on polyhedral surfaces", 1998: curvature of a vertex is 2 pi less
    the angles about it (Gauss-Bonnet).
    """
    import igl

    v = work_copy(surface)
    curved = np.degrees(np.asarray(igl.gaussian_curvature(v, surface.faces)).ravel())
    rim = np.zeros(len(v), dtype=bool)
    for loop in surface.boundary_loops:
        rim[loop] = True
    curved[rim] = 0.0
    bare = np.ones(len(v), dtype=bool)
    bare[np.unique(surface.faces)] = False
    curved[bare] = 0.0
    lines = find_creases(surface, scale_mm=scale_mm)
    if not lines:
        return ()
    near = cKDTree(np.concatenate([c.points_mm for c in lines])).query(v, distance_upper_bound=2 * scale_mm, workers=-1)[0]
    at = np.flatnonzero(np.isfinite(near) & ~rim)
    return _gathered(v, curved, at, rim, scale_mm, least_deg)


def _gathered(v: Floats, curved: Floats, at: Ints, rim: Bools, scale: float, least: float) -> tuple[Bend, ...]:
    tree = cKDTree(v)
    total = np.array([curved[q].sum() for q in tree.query_ball_point(v[at], scale)])
    # A ball that the surface's edge cuts holds only part of what stands there.
    if rim.any() and len(at):
        inner = cKDTree(v[rim]).query(v[at])[0] > scale
        at, total = at[inner], total[inner]
    out: list[Bend] = []
    taken: list[Floats] = []
    for k in np.lexsort((-np.abs(curved[at]), -np.round(np.abs(total), 1))):
        if abs(total[k]) < least:
            break
        p = v[at[k]]
        if all(np.linalg.norm(p - q) > APART * scale for q in taken):
            taken.append(p)
            x, y, z = (float(c) for c in p)
            out.append(Bend((x, y, z), float(total[k])))
    return tuple(out)

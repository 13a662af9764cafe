"""A film laid over plane sections from tape to tape: where it comes to rest, and what it leaves open.

Between two places that it touches a film in a section hangs in an arc of radius T / p, and where it slides freely its
tension is the same all along. So its shape is the section with every hollow filled as far as a ball of that radius
cannot reach, held at both tapes, and one number is left to be found: the radius at which the length of that shape and
the tension that stretches the film to it agree. The longer the way, the smaller the radius: there is one answer only.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..errors import ShapeError
from ..surface.mesh import Floats
from .corners import CornerSection
from .film import Film
from .sections import _upper_chain
from .wedge import check_pressure

#: A film is drawn with this many steps to a quarter of a circle.
QUARTER = 32
#: The radius is found to this share of itself.
CLOSE = 2e-3
#: Radii above this many widths of the section are those of a film drawn straight.
STRAIGHT = 20.0
#: What stands off by less than this is touched, mm.
TOUCH_MM = 0.015
#: Gaps are measured in steps of the radius over so many, but no finer or coarser than this, mm.
PARTS, FINEST_MM, COARSEST_MM = 30.0, 0.25, 2.0
#: Points of a section that lie nearer to its way than this are left out, mm.
EVEN_MM = 0.005


@dataclass(frozen=True, eq=False)
class SectionFilm:
    """A film at rest over one section.

    Attributes
    ----------
    film_mm : (k, 2) float array
        Its way, in the plane of the section as `CornerSection.surface_mm`.
    radius_mm : float
        In which it hangs free.
    tension_n_per_m : float
    stretch : float
        Length over length as cut.
    depth_mm : float
        How far the corner that the section was made for stands off the film, at most.
    area_mm2 : float
        Between hull and film there; what a section crosses twice is shared out.
    width_mm : float
        Of hull there that the film leaves, along the section, shared out alike.
    """

    film_mm: Floats
    radius_mm: float
    tension_n_per_m: float
    stretch: float
    depth_mm: float
    area_mm2: float
    width_mm: float


def lay_over_section(
    section: CornerSection, film: Film, *, pressure_kpa: float, slack_mm: float = 0.0, fillet_mm: float = 0.0,
    taped_at_corner: bool = False,
) -> SectionFilm:  # fmt: skip
    """Lay a film over a section.

    Parameters
    ----------
    section : CornerSection
    film : Film
    pressure_kpa : float
    slack_mm : float
        Film put in beyond a taut one; of a film in two pieces each gets as much of it as it lacks.
    fillet_mm : float
        Radius to which the corners are filled first.
    taped_at_corner : bool
        Whether the film is in two pieces that are taped down along the corner's line.

    Returns
    -------
    SectionFilm

    Raises
    ------
    QuantityError
        A pressure that no pump makes.
    ShapeError
        The section crosses itself.

    Notes
    -----
    The film slides freely. Where it does not, it leaves more open, but no more than a film that draws: see `stuck`.
    """
    check_pressure(pressure_kpa)
    hull, back = level(section)
    if fillet_mm > 0:
        hull = filled(hull, fillet_mm)
    if not taped_at_corner:
        way, radius, pull, stretch = _settled(hull, film, pressure_kpa, slack_mm)
        return measured(section, hull, way, back, (radius, pull, stretch))
    at = places(hull, section)
    cut = _split(hull, at)
    # What is cut to its own way has what it lacks, and nothing over.
    lacks = [max(length_mm(q) - length_mm(_upper_chain(q)), 0.0) for q in cut]
    parts = [_settled(q, film, pressure_kpa, min(slack_mm, more)) for q, more in zip(cut, lacks)]
    way = np.concatenate([parts[0][0], *(p[0][1:] for p in parts[1:])])
    worst = max(parts, key=lambda p: p[1])
    return measured(section, hull, way, back, worst[1:])


def stuck(section: CornerSection, film: Film, *, pressure_kpa: float) -> SectionFilm:
    """Return the film that nothing feeds: it draws at its yield wherever it hangs free.

    No film of a yield leaves more open than this, however badly it slides.

    Parameters
    ----------
    section : CornerSection
    film : Film
        With a yield.
    pressure_kpa : float
    """
    check_pressure(pressure_kpa)
    hull, back = level(section)
    radius = 1e3 * film.yield_n_per_mm / pressure_kpa
    way = filled(hull, radius)
    return measured(section, hull, way, back, (radius, 1e3 * film.yield_n_per_mm, length_mm(way) / section.taut_path_mm))


def tension_n_per_mm(film: Film, stretch: float) -> float:
    """Tension of a film that is stretched one way only, per width as cut: elastic up to its yield, then drawn.

    Parameters
    ----------
    film : Film
    stretch : float
        Length over length as cut.
    """
    if film.drawn:
        return film.yield_n_per_mm
    elastic = film.stiffness_n_per_mm * (stretch - 1.0)
    if elastic <= film.yield_n_per_mm:
        return max(elastic, 0.0)
    hard = film.hardening_n_per_mm
    share = hard / (film.stiffness_n_per_mm + hard)
    return film.yield_n_per_mm + share * (elastic - film.yield_n_per_mm)


def length_mm(way: Floats) -> float:
    """Length of a way (k, 2)."""
    return float(np.linalg.norm(np.diff(way, axis=0), axis=1).sum())


def part(way: Floats, start_mm: float, stop_mm: float) -> Floats:
    """Part of a way (k, 2) from one length along it to a longer one, each no less than 0 and no more than all."""
    at = np.r_[0.0, np.cumsum(np.linalg.norm(np.diff(way, axis=0), axis=1))]
    stop_mm = min(stop_mm, float(at[-1]))
    first, last = (np.array([[np.interp(q, at, way[:, i]) for i in range(2)]]) for q in (start_mm, stop_mm))
    return np.concatenate([first, way[(at > start_mm) & (at < stop_mm)], last])


def filled(hull: Floats, radius_mm: float) -> Floats:
    """Return a section (k, 2), its air side above, with every hollow filled as far as a ball cannot reach.

    The ends stay where they are: nothing beyond them is in the ball's way.

    Parameters
    ----------
    hull : (k, 2) float array, mm
        Its ends level.
    radius_mm : float

    Raises
    ------
    ShapeError
        The section crosses itself.
    """
    from shapely import LineString, Point, Polygon, get_coordinates

    low, high = hull.min(axis=0), hull.max(axis=0)
    far = 4.0 * radius_mm + float((high - low).max())
    a, b = hull[0], hull[-1]
    ground = Polygon(np.concatenate([[(a[0], low[1] - far)], hull, [(b[0], low[1] - far)]]))
    if not ground.is_valid:
        # Overhangs beyond an end are cut by the line down from it: nothing lies below them for a film.
        ground = ground.buffer(0.0)
    if ground.is_empty:
        raise ShapeError("a section through a corner crosses itself", do="Bag the area in two parts.")
    grown = ground.buffer(radius_mm, quad_segs=QUARTER)
    shut = grown.buffer(-radius_mm, quad_segs=QUARTER)
    if shut.geom_type == "MultiPolygon":
        shut = max(shut.geoms, key=lambda q: q.area)
    ring = get_coordinates(shut.exterior)
    line = LineString(ring)
    s, t = sorted(line.project(Point(q)) for q in (a, b))
    one, other = part(ring, s, t), np.concatenate([part(ring, t, line.length), part(ring, 0.0, s)])
    way = one if one[:, 1].min() > other[:, 1].min() else other
    if np.linalg.norm(way[0] - a) > np.linalg.norm(way[0] - b):
        way = way[::-1]
    return np.concatenate([a[None], way[1:-1], b[None]])


def level(section: CornerSection) -> tuple[Floats, Floats]:
    """Return a section (k, 2) turned until its ends are level, and the turn (2, 2) back.

    Parameters
    ----------
    section : CornerSection
    """
    from shapely import LineString

    flat = section.surface_mm
    x, y = flat[-1] - flat[0]
    turn = np.array([[x, y], [-y, x]]) / max(float(np.hypot(x, y)), 1e-300)
    level = flat @ turn.T
    return np.asarray(LineString(level).simplify(EVEN_MM).coords), turn


def _settled(hull: Floats, film: Film, pressure: float, slack: float) -> tuple[Floats, float, float, float]:
    """The way of a film over a section, its radius, tension in N/m and stretch.

    Where the length of a shape of radius R would take less tension than p R the film gives way to a smaller R.
    """
    cut = length_mm(_upper_chain(hull)) + slack
    wide = float(np.ptp(hull, axis=0).max())
    high = STRAIGHT * wide
    low = 1e-3 * wide

    def asked(radius: float) -> tuple[float, Floats]:
        """Radius that the tension of a film in a shape of some radius would have it hang in, and its way."""
        way = filled(hull, radius)
        return 1e3 * tension_n_per_mm(film, length_mm(way) / cut) / pressure, way

    most, way = asked(low)
    if most <= low:
        # Slack to spare: it lies everywhere, and what is left over folds.
        return way, low, 0.0, length_mm(way) / cut
    high = min(high, most)
    while high > low * (1 + CLOSE):
        middle = float(np.sqrt(low * high))
        there, way = asked(middle)
        # A wider arc is shorter and pulls less: the answer lies between what was tried and what it asked for.
        low, high = (middle, min(high, there)) if there > middle else (max(low, there), middle)
    radius = float(np.sqrt(low * high))
    way = filled(hull, radius)
    return way, radius, pressure * radius, length_mm(way) / cut


def places(hull: Floats, section: CornerSection) -> list[float]:
    """Return how far along a levelled section each corner line crosses it, mm.

    Parameters
    ----------
    hull : (k, 2) float array, mm
    section : CornerSection
    """
    whole = np.r_[0.0, np.cumsum(np.linalg.norm(np.diff(section.surface_mm, axis=0), axis=1))]
    share = [at / whole[-1] for _, at in section.crossed]
    return [s * length_mm(hull) for s in share]


def _split(hull: Floats, at: list[float]) -> list[Floats]:
    """Cut a section into the ways between places along it."""
    whole = length_mm(hull)
    stops = [0.0, *sorted(q for q in at if 1.0 < q < whole - 1.0), whole]
    return [part(hull, p, q) for p, q in zip(stops[:-1], stops[1:]) if q - p > 1.0]


def measured(
    section: CornerSection, hull: Floats, way: Floats, turn: Floats, found: tuple[float, float, float]
) -> SectionFilm:
    """Return what a film leaves open at the corner that its section was made for.

    Parameters
    ----------
    section : CornerSection
    hull, way : (k, 2) float arrays, mm
        The section, its ends level, and the film over it.
    turn : (2, 2) float array
        Back to the section's own plane.
    found : (float, float, float)
        Radius, tension in N/m and stretch of the film.
    """
    radius, pull, stretch = found
    own = section.own_mm * length_mm(hull) / length_mm(section.surface_mm)
    fine, p, gap = _gaps(hull, way, radius)
    first, last = _stretch_at(fine, gap, own)
    depth = float(gap[first : last + 1].max(initial=0.0))
    crossed = sum(fine[first] - 1e-6 <= at <= fine[last] + 1e-6 for at in places(hull, section)) or 1
    # The places where it touches again close the area.
    start, stop = max(first - (last > first), 0), min(last + (last > first), len(p) - 1)
    area = _between(p[start : stop + 1], way) / crossed
    wide = float(fine[last] - fine[first]) / crossed
    return SectionFilm(way @ turn, radius, pull, stretch, depth, area, wide)


def touches(hull: Floats, way: Floats, own_mm: float, radius_mm: float) -> tuple[float, float, float, float]:
    """Return what a film leaves open round a place of a section.

    Parameters
    ----------
    hull, way : (k, 2) float arrays, mm
    own_mm : float
        The place, along the hull.
    radius_mm : float
        In which the film hangs there.

    Returns
    -------
    first, last : float, mm
        Where it touches before and after the place, along the hull.
    depth : float, mm
        How far it stands off between them, at most.
    arc : float, mm
        Its own length between them.
    """
    from shapely import LineString, Point

    fine, p, gap = _gaps(hull, way, radius_mm)
    first, last = _stretch_at(fine, gap, own_mm)
    a, b = max(first - (last > first), 0), min(last + (last > first), len(p) - 1)
    line = LineString(way)
    arc = abs(line.project(Point(p[b])) - line.project(Point(p[a])))
    return float(fine[a]), float(fine[b]), float(gap[a : b + 1].max(initial=0.0)), float(arc)


def _gaps(hull: Floats, way: Floats, radius: float) -> tuple[Floats, Floats, Floats]:
    """Places along a section, their points, and how far each is from a film."""
    from shapely import STRtree, linestrings, points

    s = np.r_[0.0, np.cumsum(np.linalg.norm(np.diff(hull, axis=0), axis=1))]
    step = float(np.clip(radius / PARTS, FINEST_MM, COARSEST_MM))
    fine = np.unique(np.r_[s, np.linspace(0.0, s[-1], 1 + int(s[-1] / step))])
    p = np.stack([np.interp(fine, s, hull[:, i]) for i in range(2)], axis=1)
    # A tree of its legs: every place against every leg would be most of the work.
    legs = STRtree(linestrings(np.stack([way[:-1], way[1:]], axis=1)))
    (at, _), far = legs.query_nearest(points(p), return_distance=True, all_matches=False)
    gap = np.zeros(len(p))
    gap[at] = far
    return fine, p, gap


def _stretch_at(s: Floats, gap: Floats, own: float) -> tuple[int, int]:
    """First and last of the points round a place that a film leaves; the place alone where it touches there."""
    k = int(np.argmin(np.abs(s - own)))
    near = np.flatnonzero(np.abs(s - own) < 10.0)
    if len(near):
        k = int(near[np.argmax(gap[near])])
    first = last = k
    while first > 0 and gap[first - 1] > TOUCH_MM:
        first -= 1
    while last < len(s) - 1 and gap[last + 1] > TOUCH_MM:
        last += 1
    return first, last


def _between(hull: Floats, way: Floats) -> float:
    """Area between a stretch of hull and the film over it, mm2."""
    from shapely import LineString, Point, Polygon

    line = LineString(way)
    a, b = (line.project(Point(q)) for q in (hull[0], hull[-1]))
    if len(hull) < 3 or not b > a:
        return 0.0
    over = part(way, a, b)
    # The film is over the hull all along, or on it: the sum over the sides is right where a polygon so thin is not valid.
    return float(Polygon(np.concatenate([hull, over[::-1]])).area)

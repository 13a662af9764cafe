"""Where vacuum port and gauge stand: outside the laminate, far from each other, clear of pleats and corners."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial import cKDTree

from ..errors import OutlineError, QuantityError
from ..surface.geodesic import geodesic_path
from ..surface.mesh import Bools, Floats, Surface, closed_length

#: Places along the tape that are tried, this far apart.
STEP_MM = 20.0
#: A stated port may lie off the surface by this much.
OFF_MM = 20.0
#: From the rim of a port's base to the tape: room to press the tape down.
TAPE_ROOM_MM = 15.0
#: The way out past the tape is followed in steps of this length.
STRIDE_MM = 10.0


@dataclass(frozen=True)
class Clear:
    """What ports keep clear of, and how far the lead takes them.

    Attributes
    ----------
    laminate_mm : float
        Least distance from the edge of the laminate, along the surface.
    apart_mm : float
        Least distance from pleats and corner lines.
    base_mm : float
        Diameter of a port's base.
    way_mm : float
        From the edge of the laminate to the port along the lead.
    thin_mm : float
        Least distance from points on thin skins.
    """

    laminate_mm: float
    apart_mm: float
    base_mm: float
    way_mm: float
    thin_mm: float


@dataclass(frozen=True, eq=False)
class Ground:
    """The surface that ports stand on, with its features.

    Attributes
    ----------
    inside : Surface
        What lies inside the tape.
    hull : Surface
        The whole hull, for what lies outside it.
    tape_mm : tuple of (k, 3) float arrays
        Each loop of the tape, its mark 0 first.
    laminate_mm : (k, 3) float array
        Points along the edge of the largest ply.
    inner : Surface
        The largest ply.
    pleats_mm : (k, 3) float array
    corners_mm : (k, 3) float array
        Points along the inside corner lines.
    thin_mm : (k, 3) float array
    """

    inside: Surface
    hull: Surface
    tape_mm: tuple[Floats, ...]
    laminate_mm: Floats
    inner: Surface
    pleats_mm: Floats
    corners_mm: Floats
    thin_mm: Floats


@dataclass(frozen=True)
class Port:
    """One port.

    Attributes
    ----------
    name : {"vacuum", "gauge"}
    place_mm : (float, float, float)
    loop : int
        Of the tape, from 0.
    at_m : float
        Metre mark of the tape where it stands or its lead crosses.
    way_mm : float
        From the edge of the laminate to it, along the lead.
    tongue_mm : float
        How far the tape is led out round it; 0 where it stands inside the line.
    pleat_mm, corner_mm, thin_mm : float or None
        Straight distances to the nearest pleat, inside corner line and thin skin; None where there is none.
    other_mm : float
        To the other port, along the surface inside the tape.
    stated : bool
        Whether the job says where.
    faults : tuple of str
        What it does not keep clear of.
    """

    name: str
    place_mm: tuple[float, float, float]
    loop: int
    at_m: float
    way_mm: float
    tongue_mm: float
    pleat_mm: float | None
    corner_mm: float | None
    thin_mm: float | None
    other_mm: float
    stated: bool
    faults: tuple[str, ...]


def place_ports(
    ground: Ground, clear: Clear, *, vacuum_mm: Sequence[float] | None = None, gauge_mm: Sequence[float] | None = None
) -> tuple[Port, Port]:
    """Place the vacuum port and the gauge, or check those that are stated.

    Of all places along the tape that keep clear, the two farthest from each other along the surface are taken. Where
    these are one place, or too near for two bases, the gauge takes the farthest of those that keep clear of most. Where
    the lead reaches past the tape, the tape is led out round the port in a tongue.

    Parameters
    ----------
    ground : Ground
    clear : Clear
    vacuum_mm, gauge_mm : (3,) floats, optional
        Stated places.

    Returns
    -------
    tuple of Port
        The vacuum port and the gauge.

    Raises
    ------
    QuantityError
        A distance that cannot be.
    OutlineError
        A stated port off the surface.

    References
    ----------
    K. Crane, C. Weischedel, M. Wardetzky, "Geodesics in heat", ACM Trans. Graph. 32(5), 2013, to rank places by distance.
    """
    for name in ("laminate_mm", "apart_mm", "base_mm", "way_mm", "thin_mm"):
        value = getattr(clear, name)
        if not (np.isfinite(value) and value >= 0):
            raise QuantityError(f"{name} of the ports is {value:g}", do="Give a length that is not below zero.")
    spots = _spots(ground, clear)
    given = [None if p is None else _stated(np.asarray(p, dtype=float), n, ground, clear) for n, p in (("vacuum", vacuum_mm), ("gauge", gauge_mm))]
    good = [q for q in spots if not q.faults] or sorted(spots, key=lambda q: len(q.faults))[: max(len(spots) // 4, 2)]
    first, second = _far_apart(ground, good, given[0], given[1])
    if _too_near(first, second, clear):
        first, second = _second_best(ground, spots, (first, second), given, clear)
    far = _between(ground, first, second)
    return _port("vacuum", first, ground, far, given[0] is not None), _port("gauge", second, ground, far, given[1] is not None)


@dataclass(frozen=True, eq=False)
class _Spot:
    """A place that a port may take: on the tape, and at the end of the lead."""

    loop: int
    at_mm: float
    foot: Floats
    place: Floats
    way_mm: float
    tongue_mm: float
    faults: tuple[str, ...]


def _spots(ground: Ground, clear: Clear) -> list[_Spot]:
    """Places along the tape, each with its port as far out as the lead takes it or the surface lets it."""
    loops, at, feet = [], [], []
    for loop, line in enumerate(ground.tape_mm):
        length = closed_length(line)
        s = np.linspace(0.0, length, max(int(length / STEP_MM), 8), endpoint=False)
        loops += [loop] * len(s)
        at += s.tolist()
        feet.append(_along(line, s))
    foot = np.concatenate(feet)
    reach, which = cKDTree(ground.laminate_mm).query(foot)
    inward = ground.laminate_mm[which] - foot
    room = clear.base_mm / 2 + TAPE_ROOM_MM
    beyond = clear.way_mm + room - reach
    # Inside the tape as far as the lead goes or the tape leaves room; past it where the hull goes on.
    way = np.maximum(np.minimum(clear.way_mm, reach - room), 0.0)
    place = ground.inside.locate(foot + inward * ((reach - way) / np.maximum(reach, 1e-9))[:, None]).points_mm
    out = np.flatnonzero(beyond > 0)
    gone = np.zeros(len(foot), dtype=bool)
    if len(out):
        end, _ = _walk(ground.hull, foot[out], -inward[out], clear.way_mm - reach[out])
        # The tape round the port needs hull under it too.
        gone[out] = _walk(ground.hull, foot[out], -inward[out], beyond[out])[1]
        place[out[gone[out]]] = end[gone[out]]
    spots = []
    for k in range(len(foot)):
        short = (f"there is room for a lead of {way[k]:.0f} mm only, where {clear.way_mm:.0f} mm are wanted",)
        lead, tongue, faults = (clear.way_mm, float(beyond[k]), ()) if gone[k] else (float(way[k]), 0.0, short if beyond[k] > 0 else ())
        spots.append(_checked(ground, clear, _Spot(loops[k], at[k], foot[k], place[k], lead, tongue, faults)))
    return spots


def _walk(hull: Surface, start: Floats, way: Floats, far_mm: Floats) -> tuple[Floats, Bools]:
    """Go along a surface straight on from (k, 3) places in (k, 3) directions; say which of them it carries so far."""
    p = start.copy()
    step = np.sign(far_mm)[:, None] * way / np.maximum(np.linalg.norm(way, axis=1), 1e-300)[:, None]
    left = np.abs(far_mm)
    carried = np.ones(len(p), dtype=bool)
    while True:
        on = np.flatnonzero(carried & (left > 1e-6))
        if not len(on):
            return p, carried
        go = np.minimum(STRIDE_MM, left[on])
        found = hull.locate(p[on] + go[:, None] * step[on])
        carried[on[found.distance_mm > 0.5 * go]] = False
        normal = hull.face_normals[found.face]
        turned = step[on] - (step[on] * normal).sum(axis=1)[:, None] * normal
        step[on] = turned / np.maximum(np.linalg.norm(turned, axis=1), 1e-300)[:, None]
        p[on] = found.points_mm
        left[on] -= go


def _checked(ground: Ground, clear: Clear, spot: _Spot) -> _Spot:
    """Note what a place does not keep clear of."""
    faults = list(spot.faults)
    if spot.way_mm < clear.laminate_mm - 0.5:
        faults.append(f"it stands {spot.way_mm:.0f} mm from the laminate, where {clear.laminate_mm:.0f} mm are wanted")
    for what, points, least in (
        ("a pleat", ground.pleats_mm, clear.apart_mm),
        ("an inside corner", ground.corners_mm, clear.apart_mm),
        ("a thin skin", ground.thin_mm, clear.thin_mm),
    ):
        far, crossing = _least(points, spot.place), _least(points, spot.foot)
        if min(far, crossing) < least - 0.5:
            does = "it stands" if far <= crossing else "its lead crosses the tape"
            faults.append(f"{does} {min(far, crossing):.0f} mm from {what}, where {least:.0f} mm are wanted")
    return _Spot(spot.loop, spot.at_mm, spot.foot, spot.place, spot.way_mm, spot.tongue_mm, tuple(faults))


def _stated(place: Floats, name: str, ground: Ground, clear: Clear) -> _Spot:
    """Take a port where the job has it."""
    found = ground.hull.locate(place)
    if found.distance_mm[0] > OFF_MM:
        raise OutlineError(
            f"the {name} port stated lies {found.distance_mm[0]:.0f} mm off the surface",
            where=f"({place[0]:.0f}, {place[1]:.0f}, {place[2]:.0f}) mm", do="Give a point on the hull.",
        )
    p = found.points_mm[0]
    loop, at, foot = min(
        ((k, *_nearest_on(line, p)) for k, line in enumerate(ground.tape_mm)), key=lambda q: float(np.linalg.norm(q[2] - p))
    )
    within = float(ground.inside.locate(p).distance_mm[0]) < 0.5
    off = _least(ground.laminate_mm, p)
    room = clear.base_mm / 2 + TAPE_ROOM_MM
    reach = float(np.linalg.norm(foot - p))
    tongue = max(room - reach, 0.0) if within else reach + room
    on = float(ground.inner.locate(p).distance_mm[0]) < 0.5
    way = 0.0 if on else off
    return _checked(ground, clear, _Spot(loop, at, foot, p, way, tongue, ("it stands on the laminate",) if on else ()))


def _nearest_on(line: Floats, p: Floats) -> tuple[float, Floats]:
    """Length along a closed line to its point nearest to a place, and that point."""
    step = np.roll(line, -1, axis=0) - line
    size = np.maximum((step**2).sum(axis=1), 1e-300)
    t = np.clip(((p - line) * step).sum(axis=1) / size, 0.0, 1.0)
    at = line + t[:, None] * step
    k = int(np.argmin(np.linalg.norm(at - p, axis=1)))
    return float(np.sqrt(size[:k]).sum() + t[k] * np.sqrt(size[k])), at[k]


def _along(line: Floats, at: Floats) -> Floats:
    """Points of a closed line at lengths from its first."""
    closed = np.concatenate([line, line[:1]])
    s = np.r_[0.0, np.cumsum(np.linalg.norm(np.diff(closed, axis=0), axis=1))]
    return np.stack([np.interp(at, s, closed[:, k]) for k in range(3)], axis=1)


def _least(points: Floats, p: Floats) -> float:
    return float(np.linalg.norm(points - p, axis=1).min()) if len(points) else float("inf")


def _vertex(ground: Ground, spot: _Spot) -> int:
    """The vertex inside the tape that is nearest to where a port's lead crosses the tape."""
    return int(np.argmin(np.linalg.norm(ground.inside.vertices_mm - spot.foot, axis=1)))


def _far_apart(ground: Ground, spots: Sequence[_Spot], one: _Spot | None, two: _Spot | None) -> tuple[_Spot, _Spot]:
    """Two places as far apart as may be: from any, the farthest, and from there the farthest, until that is no farther."""
    import potpourri3d

    if one is not None and two is not None:
        return one, two
    # Which place is farthest hangs on no millimetre: the heat method ranks them, and the way itself is measured after.
    far_from = potpourri3d.MeshHeatMethodDistanceSolver(ground.inside.vertices_mm, ground.inside.faces)
    at = np.array([_vertex(ground, q) for q in spots])
    fixed = one or two
    if fixed is not None:
        other = spots[int(np.argmax(far_from.compute_distance(_vertex(ground, fixed))[at]))]
        return (one, other) if one is not None else (other, fixed)
    first = second = spots[0]
    best = -1.0
    while True:
        far = far_from.compute_distance(_vertex(ground, first))[at]
        k = int(np.argmax(far))
        if far[k] <= best * (1 + 1e-6):
            return first, second
        best = float(far[k])
        first, second = spots[k], first


def _too_near(one: _Spot, two: _Spot, clear: Clear) -> bool:
    """Whether two bases and a hand's tape between them have no room."""
    return float(np.linalg.norm(one.place - two.place)) < clear.base_mm + TAPE_ROOM_MM


def _second_best(
    ground: Ground, spots: Sequence[_Spot], pair: tuple[_Spot, _Spot], given: Sequence[_Spot | None], clear: Clear
) -> tuple[_Spot, _Spot]:
    """The one place that keeps clear, and the best of the rest: with the fewest faults, and the farthest of these."""
    moved = 0 if given[0] is None and given[1] is not None else 1
    kept = pair[1 - moved]
    apart = [q for q in spots if not _too_near(kept, q, clear)] if None in given else []
    if apart:
        least = min(len(q.faults) for q in apart)
        found = _far_apart(ground, [q for q in apart if len(q.faults) == least], kept, None)[1]
    else:
        far = float(np.linalg.norm(kept.place - pair[moved].place))
        close = f"it stands {far:.0f} mm from the other port, where {clear.base_mm + TAPE_ROOM_MM:.0f} mm are wanted"
        found = replace(pair[moved], faults=(*pair[moved].faults, close))
    return (kept, found) if moved else (found, kept)


def _between(ground: Ground, one: _Spot, two: _Spot) -> float:
    """Length of the way along the surface from one port's foot to the other's."""
    a, b = _vertex(ground, one), _vertex(ground, two)
    if a == b:
        return 0.0
    return float(np.linalg.norm(np.diff(geodesic_path(ground.inside, a, b), axis=0), axis=1).sum())


def _port(name: str, spot: _Spot, ground: Ground, other: float, stated: bool) -> Port:
    def told(points: Floats) -> float | None:
        return _least(points, spot.place) if len(points) else None

    x, y, z = (float(c) for c in spot.place)
    return Port(
        name, (x, y, z), spot.loop, spot.at_mm / 1000.0, spot.way_mm, spot.tongue_mm, told(ground.pleats_mm), told(ground.corners_mm),
        told(ground.thin_mm), other, stated, spot.faults,
    )  # fmt: skip

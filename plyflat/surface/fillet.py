"""A fillet of putty run in an inner corner: the surface closed by a ball rolled along it, and what it takes to fill."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike
from scipy.spatial import cKDTree

from ..errors import CheckError, MeshError, OutlineError, QuantityError, ShapeError
from ._ball import END_SHARE, REACHES, Corner, Track, divided_about, line_points, roll, see_corner, to_border
from ._smooth import SMOOTH_MM, carry_copy, work_copy
from ._topology import mesh_edges
from ._trace import at
from .cut import Inserted, Refined, faces_near, insert_paths, label_faces
from .mesh import Bools, Floats, Ints, Surface

# Rows of the strip turn by no more than this each; sections of a strip across are polygons of such chords.
ROW_DEG = 12.0
# A fillet may miss its ball by this share of the radius on a clean surface, and by this much more on a noisy one.
MISS_SHARE, MISS_NOISY_MM = 0.02, 4.0
# Triangles smaller than this share of the radius squared may face anywhere: where a cut runs ragged they do.
SPECK, NOISE_SPECK = 5e-5, 2.5e-3
SECTIONS = 240


@dataclass(frozen=True, eq=False)
class Filleted:
    """A surface with a fillet stitched into a corner.

    Attributes
    ----------
    surface : Surface
        Watertight along both contact lines.
    strip : (m,) bool array
        Its faces that are fillet, end faces of an open fillet included.
    first_line_mm, second_line_mm : (k, 3) float arrays, mm
        Where the ball touches the wall left of the corner line, seen from the air side, and that right of it.
        Closed lines do not repeat their first point.
    middle_mm : (k, 3) float array, mm
        Along the middle of the fillet: laps are measured from here.
    centre_mm : (k, 3) float array, mm
        Centres of the ball.
    angle_deg : (k,) float array
        Angle between the walls where the ball touches them; 90 in a square corner.
    closed : bool
    radius_mm : float
    volume_mm3 : float
        Putty between the old surface and the round of the ball.
    section_mm2 : (2,) tuple of float, mm²
        Smallest and largest area of its cross-section.
    stray_mm : float
        How far the strip's points lie off the ball at the worst place: noise, and what cutting moved.
    short_mm : (2,) tuple of float, mm
        How much the fillet stops short of the corner line's beginning and end; 0 for a closed one.
    parent_face : (m,) int array
        Face of the surface before; -1 for the strip.
    """

    surface: Surface
    strip: Bools
    first_line_mm: Floats
    second_line_mm: Floats
    middle_mm: Floats
    centre_mm: Floats
    angle_deg: Floats
    closed: bool
    radius_mm: float
    volume_mm3: float
    section_mm2: tuple[float, float]
    stray_mm: float
    short_mm: tuple[float, float]
    parent_face: Ints

    @property
    def length_mm(self) -> float:
        """Length of the middle line, mm."""
        p = self.middle_mm
        return _length(np.vstack([p, p[:1]]) if self.closed else p)

    def as_corner_line(self, *, repeat_first: bool = True) -> Floats:
        """Return the middle line for laying bands along, as other corner lines are.

        Parameters
        ----------
        repeat_first : bool
            Whether a closed line ends with its first point again.

        Returns
        -------
        (k, 3) float array, mm
        """
        p = self.middle_mm
        return np.vstack([p, p[:1]]) if self.closed and repeat_first else p


def putty_mass_g(volume_mm3: float, density_g_cm3: float, loss: float = 0.0) -> float:
    """Return the mass of putty to mix.

    Parameters
    ----------
    volume_mm3 : float, mm³
    density_g_cm3 : float, g/cm³
        Of the cured putty.
    loss : float
        Putty that ends in the pot, on the tool and is wiped off, as a share of what stays in the corner, 0 to 5. All
        losses count this way, those of the resin too.

    Returns
    -------
    float, g

    Raises
    ------
    QuantityError
        A negative volume, a density not above zero, or a loss outside 0 to 5.

    Examples
    --------
    A metre of square corner with a radius of 20 mm takes 0.214602 x 20² mm² of section:

    >>> round(putty_mass_g(0.214602 * 400 * 1000, 0.8, loss=0.15), 1)
    79.0
    """
    if not (np.isfinite(volume_mm3) and volume_mm3 >= 0):
        raise QuantityError(f"the volume of putty is {volume_mm3:g} mm3", do="It cannot be below zero.")
    if not (np.isfinite(density_g_cm3) and density_g_cm3 > 0):
        raise QuantityError(f"the density of putty is {density_g_cm3:g} g/cm3", do="Give one above zero.")
    if not 0 <= loss <= 5:
        raise QuantityError(f"the loss of putty is {loss:g}", do="Give a share of what stays, from 0 to 5.")
    return float(volume_mm3 * 1e-3 * density_g_cm3 * (1 + loss))


def run_fillet(
    surface: Surface, corner_line_mm: ArrayLike, radius_mm: float, *, closed: bool, smooth_mm: float = SMOOTH_MM
) -> Filleted:
    """Close a corner by a ball rolled along it.

    The ball's centre is at its radius from both walls; where it touches them, both lines are cut into the mesh, what
    lies between is dropped, and rows of the ball's arcs are stitched to the very vertices of the cuts. An open fillet
    ends where the corner line does: flush with the surface's boundary if that is there, else with a flat end face
    square to the ball's way.

    Parameters
    ----------
    surface : Surface
    corner_line_mm : (k, 3) float array, mm
        Points along the corner, on or near the surface.
    radius_mm : float
        Of the ball.
    closed : bool
        Whether the line goes round; a repeated first point is dropped.
    smooth_mm : float
        On a noisy surface the walls are fitted by quadrics weighted over twice this length (half the radius if that
        is more), and the contact lines evened out; 0 takes the surface as it is.

    Returns
    -------
    Filleted

    Raises
    ------
    OutlineError
        A line that is off the surface, or runs along no corner.
    ShapeError
        A convex corner; a wall that ends before the ball reaches it; a radius too large for the corner or for a bend.
    CheckError
        The finished strip failed its own check.

    References
    ----------
    J. R. Rossignac, A. A. G. Requicha, "Constant-radius blending in solid modelling", Comput. Mech. Eng. 3, 1984:
    the blend is the envelope of a ball whose centre lies on both offset surfaces, and touches them along the feet.
    """
    if not (np.isfinite(radius_mm) and radius_mm > 0):
        raise ShapeError(f"the fillet's radius is {radius_mm:g} mm", do="Give one above zero.")
    line = line_points(corner_line_mm, closed=closed)
    radius = float(radius_mm)
    corner, track = _rolled(surface, line, radius, closed=closed, smooth_mm=smooth_mm)
    fine = divided_about(surface, corner, radius)
    cut = _cut(fine.surface, corner, track, radius, smooth_mm)
    strip = _strip(cut, corner, track, radius, smooth_mm)
    return _finished(fine, line, corner, track, cut, strip, radius, smooth_mm)


def _rolled(
    surface: Surface, line: Floats, radius: float, *, closed: bool, smooth_mm: float
) -> tuple[Corner, Track]:
    """Roll the ball, looking at more of the walls if it touches them far from the corner."""
    for times in REACHES:
        reach = times * radius
        corner = see_corner(surface, line, radius, closed=closed, reach_mm=reach, smooth_mm=smooth_mm)
        last = times == REACHES[-1]
        try:
            track = roll(corner, radius)
        except ShapeError:
            if last or corner.whole:
                raise
            continue
        far = max(cKDTree(track.corner).query(q)[0].max() for q in (track.first, track.second))
        if last or far + radius < reach:
            break
    return corner, track


def _length(p: Floats) -> float:
    return float(np.linalg.norm(np.diff(p, axis=0), axis=1).sum())


# -- cutting -------------------------------------------------------------------------------------------------------
@dataclass(frozen=True, eq=False)
class _Cut:
    """A surface cut along both contact lines.

    `made` the cut; `middle` (m,) the faces between the lines; `first`, `second` (k,) vertices along them in the sense
    of the track, with `u1`, `u2` (k,) their stations; `ends` for the beginning and end of an open fillet the vertices
    across the corner from the first line to the second, or None where the surface's own boundary is there.
    """

    made: Inserted
    middle: Bools
    first: Ints
    second: Ints
    u1: Floats
    u2: Floats
    ends: tuple[Ints | None, Ints | None]


def _cut(surface: Surface, corner: Corner, track: Track, radius: float, smooth_mm: float) -> _Cut:
    """Cut both contact lines into the surface, and the ends of an open fillet."""
    if corner.closed:
        return _cut_round(surface, corner, track, radius, smooth_mm)
    return _cut_open(surface, corner, track, radius, smooth_mm)


def _insert(surface: Surface, paths: list[Floats], corner: Corner, radius: float, closed: bool, smooth_mm: float) -> Inserted:
    try:
        return insert_paths(
            surface, paths, closed=closed, tolerance_mm=max(10.0, 0.5 * radius), geodesic=False, smooth_mm=smooth_mm
        )
    except OutlineError as err:
        raise ShapeError(
            f"the lines where the ball of {radius:g} mm touches cannot be cut: {err.what}", where=err.where,
            do="Take a smaller radius, or end the corner line before that.",
        ) from err


def _cut_round(surface: Surface, corner: Corner, track: Track, radius: float, smooth_mm: float) -> _Cut:
    made = _insert(surface, [track.first, track.second], corner, radius, True, smooth_mm)
    first, u1 = _stationed(made, made.paths[0], track.first, closed=True)
    second, u2 = _stationed(made, made.paths[1], track.second, closed=True)
    middle = _between(made, made.path_edges, first, second, closed=True, where=track.corner[0])
    return _Cut(made, middle, first, second, u1, u2, (None, None))


def _cut_open(surface: Surface, corner: Corner, track: Track, radius: float, smooth_mm: float) -> _Cut:
    """Cut an open fillet out: lines that end on the boundary, or are joined across the corner, at each end."""
    walk = Surface(work_copy(surface, scale_mm=smooth_mm), surface.faces)
    # Contacts beyond a ragged boundary come to lie on it.
    q1, q2 = (walk.locate(q).points_mm if corner.noisy else q for q in (track.first, track.second))
    caps: list[Floats | None] = []
    tips: list[tuple[Floats, Floats]] = []
    for k in (0, -1):
        rim, gap = to_border(corner, np.stack([q1[k], q2[k]]))
        if (gap < max(corner.edge_mm, END_SHARE * radius)).all():
            caps.append(None)
            tips.append((rim[0], rim[1]))
        else:
            caps.append(_across(surface, track, k, smooth_mm))
            tips.append((q1[k], q2[k]))
    one, two = (
        np.vstack([tips[0][i], _clear(corner, q[1:-1], caps), tips[1][i]]) for i, q in enumerate((q1, q2))
    )
    start, end = caps
    if start is None and end is None:
        made = _insert(surface, [one, two], corner, radius, False, smooth_mm)
        a, b = made.paths
        return _opened(made, track, a, b, (None, None), made.path_edges)
    if start is not None and end is not None:
        ring = np.vstack([one, end[1:-1], two[::-1], start[1:-1][::-1]])
        made = _insert(surface, [ring], corner, radius, True, smooth_mm)
        a, e, b, s = _split(made, made.path, [one[0], one[-1], two[-1], two[0]])
        return _opened(made, track, a, b[::-1], (s[::-1], e), made.path_edges)
    if start is None:
        way = np.vstack([one, end[1:-1], two[::-1]])  # type: ignore[index]
        made = _insert(surface, [way], corner, radius, False, smooth_mm)
        a, e, b = _split(made, made.path, [one[-1], two[-1]], closed=False)
        return _opened(made, track, a, b[::-1], (None, e), made.path_edges)
    way = np.vstack([one[::-1], start[1:-1], two])
    made = _insert(surface, [way], corner, radius, False, smooth_mm)
    a, s, b = _split(made, made.path, [one[0], two[0]], closed=False)
    return _opened(made, track, a[::-1], b, (s, None), made.path_edges)


def _clear(corner: Corner, line: Floats, caps: list[Floats | None]) -> Floats:
    """Points of a contact line without those that hug the boundary where it is to end there."""
    if all(c is not None for c in caps):
        return line
    away = to_border(corner, line)[1] > 0.3 * corner.edge_mm
    return line[away] if away.any() else line


def _opened(made: Inserted, track: Track, a: Ints, b: Ints, ends: tuple[Ints | None, Ints | None], wall: Ints) -> _Cut:
    first, u1 = _stationed(made, a, track.first, closed=False)
    second, u2 = _stationed(made, b, track.second, closed=False)
    middle = _between(made, wall, first, second, closed=False, where=track.corner[0])
    return _Cut(made, middle, first, second, u1, u2, ends)


def _split(made: Inserted, path: Ints, marks: list[Floats], *, closed: bool = True) -> list[Ints]:
    """Split a path at the vertices nearest to some points; a closed path begins at the first of them."""
    p = made.surface.vertices_mm[path]
    at_ = [int(np.linalg.norm(p - m, axis=1).argmin()) for m in marks]
    if closed:
        path = np.roll(path, -at_[0])
        at_ = [(k - at_[0]) % len(path) for k in at_]
        path = np.r_[path, path[:1]]
        at_ = [*at_, len(path) - 1]
    else:
        at_ = [0, *at_, len(path) - 1]
    if any(b - a < 1 for a, b in zip(at_, at_[1:])):
        raise ShapeError("the end of the fillet cannot be cut", where=at(tuple(marks[0])), do="Move the line's end.")
    return [path[a : b + 1] for a, b in zip(at_, at_[1:])]


def _across(surface: Surface, track: Track, k: int, smooth_mm: float) -> Floats:
    """(j, 3) points along the surface across the corner at a station, in the plane of the ball's arc there."""
    c, apex = track.centre[k], track.corner[k]
    x, y, m = _arc_frame(track, k)
    reach = max(float(np.linalg.norm(q[k] - apex)) for q in (track.first, track.second))
    v = np.asarray(work_copy(surface, scale_mm=smooth_mm))
    near = faces_near(v, surface.faces, apex[None], 1.2 * reach)
    p = v[surface.faces[near]]
    facing = ((c - p.mean(axis=1)) * np.cross(p[:, 1] - p[:, 0], p[:, 2] - p[:, 0])).sum(axis=1) > 0
    p = p[facing]
    a, b = p.reshape(-1, 3), np.roll(p, -1, axis=1).reshape(-1, 3)
    s, t = (a - c) @ m, (b - c) @ m
    on = (s > 0) != (t > 0)
    cut = a[on] + (s[on] / (s[on] - t[on]))[:, None] * (b[on] - a[on])
    # From the ball's centre the walls are seen point by point, so that the angle there puts them in order.
    angle = np.arctan2((cut - c) @ y, (cut - c) @ x)
    stop = np.arctan2((track.second[k] - c) @ y, (track.second[k] - c) @ x)
    keep = (angle > 1e-3) & (angle < stop - 1e-3) & (np.linalg.norm(cut - apex, axis=1) < 1.5 * reach)
    cut = cut[keep][np.argsort(angle[keep])]
    fresh = np.r_[True, np.linalg.norm(np.diff(cut, axis=0), axis=1) > 1e-6][: len(cut)]
    return np.vstack([track.first[k], cut[fresh], track.second[k]])


def _arc_frame(track: Track, k: int) -> tuple[Floats, Floats, Floats]:
    """Axes of the plane of the ball's arc at a station: towards the first contact, square to that, and its normal."""
    d1, d2 = track.first[k] - track.centre[k], track.second[k] - track.centre[k]
    x, m = d1 / np.linalg.norm(d1), np.cross(d1, d2)
    m /= np.linalg.norm(m)
    return x, np.cross(m, x), m


def _stationed(made: Inserted, path: Ints, line: Floats, *, closed: bool) -> tuple[Ints, Floats]:
    """Return a path in the sense of a contact line, with the station (a fractional index) of each vertex."""
    p = made.surface.vertices_mm[path]
    k = len(line)
    ends = np.vstack([line, line[:1]]) if closed else line
    d = np.diff(ends, axis=0)
    tree = cKDTree(ends[:-1] + 0.5 * d)
    near = tree.query(p, k=min(8, len(d)))[1].reshape(len(p), -1)
    rel = p[:, None] - ends[near]
    share = np.clip((rel * d[near]).sum(axis=2) / np.maximum((d[near] ** 2).sum(axis=2), 1e-300), 0, 1)
    off = np.linalg.norm(rel - share[:, :, None] * d[near], axis=2)
    best = off.argmin(axis=1)
    i = np.arange(len(p))
    u = near[i, best] + share[i, best]
    if closed:
        steps = (np.diff(u) + k / 2) % k - k / 2
        if steps.sum() < 0:
            path, u = path[::-1], u[::-1]
        start = int(np.argmin(u % k))
        path, u = np.roll(path, -start), np.roll(u % k, -start)
        return path, np.minimum(np.maximum.accumulate(u), k)
    if u[-1] < u[0]:
        path, u = path[::-1], u[::-1]
    # An end on the surface's boundary may lie before the first station or beyond the last.
    a, b = _beyond(line, made.surface.vertices_mm[path[0]]), _beyond(line[::-1], made.surface.vertices_mm[path[-1]])
    u = np.maximum.accumulate(np.clip(u, a, k - 1 - b))
    u[0], u[-1] = a, k - 1 - b
    return path, u


def _beyond(line: Floats, p: Floats) -> float:
    """Station of a point at the beginning of a line, negative before it."""
    j = min(4, len(line) - 1)
    d = line[j] - line[0]
    u = j * float((p - line[0]) @ d) / max(float(d @ d), 1e-300)
    return 0.0 if abs(u) < 1e-6 else u


def _between(made: Inserted, wall: Ints, first: Ints, second: Ints, *, closed: bool, where: Floats) -> Bools:
    """Which faces lie right of the first line and left of the second."""
    label = label_faces(made.surface, wall)
    n = len(made.surface.vertices_mm)
    e = made.surface.faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2)
    key, owner = e[:, 0] * n + e[:, 1], np.arange(len(e)) // 3

    def beside(a: Ints, b: Ints) -> set[int]:
        """The labels of the faces along a path."""
        return set(label[owner[np.isin(key, a * n + b)]].tolist())

    f, s = (np.roll(first, -1), np.roll(second, -1)) if closed else (first[1:], second[1:])
    a, b = (first, second) if closed else (first[:-1], second[:-1])
    inner, common = set[int](), beside(f, a) & beside(b, s)
    outer = beside(a, f) | beside(s, b)
    # The ends of a line may cut crumbs off along a ragged boundary; they go with their side.
    inner |= beside(f, a) | beside(b, s)
    if not common or inner & outer:
        raise ShapeError(
            "the two lines where the ball touches do not bound a strip of the surface", where=at(tuple(where)),
            do="Take a smaller radius, or a corner line that closes on itself or ends clear of other corners.",
        )
    return np.isin(label, sorted(inner))


# -- the strip -----------------------------------------------------------------------------------------------------
@dataclass(frozen=True, eq=False)
class _Strip:
    """Triangles of the fillet, numbered as the cut surface's vertices followed by its own.

    `new` (v, 3) and `walk` (v, 3) places of its own vertices, as they are and on the smooth copy; `blend` (v, 2) how
    much of the colour comes from which vertices `of` (v, 2); `faces` (f, 3); `caps` (c, 3) end faces; `centre` (f, 3)
    the ball's centre at each face; `stray_mm` the worst distance off the ball; `columns` the stations of its columns.
    """

    new: Floats
    walk: Floats
    blend: Floats
    of: Ints
    faces: Ints
    caps: Ints
    centre: Floats
    stray_mm: float
    segments_mm3: float
    end_arcs: tuple[Ints, Ints] = field(default_factory=lambda: (np.empty(0, np.int64),) * 2)


def _strip(cut: _Cut, corner: Corner, track: Track, radius: float, smooth_mm: float) -> _Strip:
    """Lay rows of arc points between the two cuts and join them by triangles."""
    arc = _Arc(track, corner.closed)
    rows = int(np.clip(np.ceil(max(radius * arc.turn.max() / corner.edge_mm, np.degrees(arc.turn.max()) / ROW_DEG)), 4, 64))
    v = cut.made.surface.vertices_mm
    w = np.asarray(work_copy(cut.made.surface, scale_mm=smooth_mm))
    grid = _grid(cut, len(track.fit), rows, corner.closed)
    t = np.repeat(np.arange(1, rows) / rows, grid.shape[1])
    u = grid.ravel()
    ideal = arc.at(u, t)
    new, walk = (ideal + _eased(cut, arc, x, u, t) for x in (v, w))
    n, k = len(v), grid.shape[1]
    own = n + np.arange((rows - 1) * k).reshape(rows - 1, k)
    faces = np.vstack([
        _zipped(cut.first, cut.u1, own[0], grid[0], len(track.fit), corner.closed),
        *[_quads(own[i], own[i + 1], corner.closed) for i in range(rows - 2)],
        _zipped(own[-1], grid[-1], cut.second, cut.u2, len(track.fit), corner.closed),
    ])
    station = np.r_[np.zeros(n), u]
    station[cut.first], station[cut.second] = cut.u1, cut.u2
    every = np.vstack([v, new])
    used = np.unique(faces)
    stray = float(np.abs(np.linalg.norm(every[used] - arc.centre(station[used]), axis=1) - radius).max())
    at_face = station[faces]
    if corner.closed:
        wrapped = np.ptp(at_face, axis=1) > len(track.fit) / 2
        at_face = np.where(wrapped[:, None] & (at_face < len(track.fit) / 2), at_face + len(track.fit), at_face)
    centre = arc.centre(at_face.mean(axis=1))
    _check_open(np.vstack([w, walk]), faces, centre, radius, (NOISE_SPECK if corner.noisy else SPECK) * radius**2)
    near = [q[np.clip(np.searchsorted(uq, u), 0, len(q) - 1)] for q, uq in ((cut.first, cut.u1), (cut.second, cut.u2))]
    arcs = tuple(np.r_[cut.first[e], own[:, e], cut.second[e]] for e in (0, -1))
    caps = _caps(cut, track, arcs, np.vstack([v, new]), faces)
    return _Strip(
        new, walk, np.stack([1 - t, t], axis=1), np.stack(near, axis=1), faces, caps, centre, stray,
        _segments(arc, track, corner.closed, rows), (arcs[0], arcs[1]),
    )


def _grid(cut: _Cut, size: int, rows: int, closed: bool) -> Floats:
    """Stations (rows - 1, k) of the strip's inner points.

    A column at every station: rows as bent as the cuts are, or they would cross them at narrow places. The first and
    the last column of an open strip run from end to end of the cuts.
    """
    k = np.arange(size, dtype=np.float64)
    if closed:
        return np.tile(k, (rows - 1, 1))
    t = np.arange(1, rows)[:, None] / rows
    first = (1 - t) * cut.u1[0] + t * cut.u2[0]
    last = (1 - t) * cut.u1[-1] + t * cut.u2[-1]
    k = k[(k > max(cut.u1[0], cut.u2[0]) + 0.5) & (k < min(cut.u1[-1], cut.u2[-1]) - 0.5)]
    return np.hstack([first, np.tile(k, (rows - 1, 1)), last])


class _Arc:
    """The ball's arcs between the contacts, at any station."""

    def __init__(self, track: Track, closed: bool) -> None:
        self._c, self._size = track.centre, len(track.fit)
        self._closed = closed
        self._d = [q - track.centre for q in (track.first, track.second)]
        r = [np.linalg.norm(d, axis=1) for d in self._d]
        self.turn = np.arccos(np.clip((self._d[0] * self._d[1]).sum(axis=1) / (r[0] * r[1]), -1, 1))

    def _mixed(self, x: Floats, u: Floats) -> Floats:
        k = np.floor(u).astype(np.int64)
        s = (u - k)[:, None]
        if self._closed:
            return np.asarray((1 - s) * x[k % self._size] + s * x[(k + 1) % self._size])
        k = np.clip(k, 0, self._size - 2)
        s = (u - k)[:, None]
        return np.asarray((1 - s) * x[k] + s * x[k + 1])

    def centre(self, u: Floats) -> Floats:
        """Centres (k, 3) at stations u."""
        return self._mixed(self._c, u)

    def at(self, u: Floats, t: Floats) -> Floats:
        """Points (k, 3) a share t of the way from the first contact to the second."""
        d1, d2 = (self._mixed(d, u) for d in self._d)
        r1, r2 = (np.linalg.norm(d, axis=1, keepdims=True) for d in (d1, d2))
        a, b = d1 / r1, d2 / r2
        turn = np.arccos(np.clip((a * b).sum(axis=1, keepdims=True), -1, 1))
        t = t[:, None]
        way = (np.sin((1 - t) * turn) * a + np.sin(t * turn) * b) / np.sin(turn)
        return np.asarray(self.centre(u) + way * ((1 - t) * r1 + t * r2))


def _eased(cut: _Cut, arc: _Arc, places: Floats, u: Floats, t: Floats) -> Floats:
    """How far points of the strip are drawn (k, 3) towards cuts that lie off the ball: much near them, soon nothing."""
    out = np.zeros((len(u), 3))
    for path, station, end, share in ((cut.first, cut.u1, 0.0, 1 - t), (cut.second, cut.u2, 1.0, t)):
        off = places[path] - arc.at(station, np.full(len(path), end))
        here = np.stack([np.interp(u, station, off[:, i]) for i in range(3)], axis=1)
        out += here * (np.clip(share, 0, 1) ** 3)[:, None]
    return out


def _zipped(a: Ints, ua: ArrayLike, b: Ints, ub: ArrayLike, size: int, closed: bool) -> Ints:
    """Triangles (f, 3) between two rows of vertices, a on the left, by the stations of their vertices."""
    x, y = np.asarray(ua, dtype=np.float64), np.asarray(ub, dtype=np.float64)
    if closed:
        a, b = np.r_[a, a[:1]], np.r_[b, b[:1]]
        x, y = np.r_[x, x[0] + size], np.r_[y, y[0] + size]
    out = []
    j = k = 0
    while j < len(a) - 1 or k < len(b) - 1:
        left = j < len(a) - 1 and (k == len(b) - 1 or x[j] + x[j + 1] < y[k] + y[k + 1])
        if left:
            out.append((a[j + 1], a[j], b[k]))
            j += 1
        else:
            out.append((a[j], b[k], b[k + 1]))
            k += 1
    return np.array(out, dtype=np.int64)


def _quads(a: Ints, b: Ints, closed: bool) -> Ints:
    """Triangles between two rows with as many vertices, cut along diagonals that alternate."""
    a2, b2 = np.roll(a, -1), np.roll(b, -1)
    if not closed:
        a, b, a2, b2 = a[:-1], b[:-1], a2[:-1], b2[:-1]
    odd = (np.arange(len(a)) % 2 == 1)[:, None]
    one = np.where(odd, np.stack([a2, a, b], 1), np.stack([a2, a, b2], 1))
    two = np.where(odd, np.stack([a2, b, b2], 1), np.stack([a, b, b2], 1))
    return np.vstack([one, two])


def _caps(cut: _Cut, track: Track, arcs: tuple[Ints, ...], v: Floats, faces: Ints) -> Ints:
    """End faces (c, 3) of an open fillet between the corner and the last arc."""
    e = faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2)
    there = set(map(tuple, e[np.isin(e, np.concatenate(arcs)).all(axis=1)].tolist()))
    out = [np.empty((0, 3), dtype=np.int64)]
    for k, across, arc in zip((0, -1), cut.ends, arcs):
        if across is None:
            continue
        c = track.centre[k]
        x, y, _ = _arc_frame(track, k)
        angles = [np.arctan2((v[r] - c) @ y, (v[r] - c) @ x) for r in (across, arc)]
        for g in angles:
            g[0], g[-1] = 0.0, max(angles[1][-1], 1e-9)
        tri = _zipped(across, np.maximum.accumulate(angles[0]), arc, np.maximum.accumulate(angles[1]), 0, False)
        tri = tri[(tri[:, 0] != tri[:, 1]) & (tri[:, 1] != tri[:, 2]) & (tri[:, 2] != tri[:, 0])]
        if (int(arc[0]), int(arc[1])) in there:
            tri = tri if _runs(tri, arc[1], arc[0]) else tri[:, ::-1]
        else:
            tri = tri if _runs(tri, arc[0], arc[1]) else tri[:, ::-1]
        out.append(tri)
    return np.vstack(out)


def _runs(tri: Ints, a: int, b: int) -> bool:
    """Whether a triangle runs from vertex a to vertex b."""
    return bool(((tri == a) & (np.roll(tri, -1, axis=1) == b)).any())


def _check_open(v: Floats, faces: Ints, centre: Floats, radius: float, speck_mm2: float) -> None:
    """Refuse a strip whose triangles turn their backs to the ball: it crosses itself."""
    p = v[faces]
    n = np.cross(p[:, 1] - p[:, 0], p[:, 2] - p[:, 0])
    size = np.linalg.norm(n, axis=1)
    up = ((centre - p.mean(axis=1)) * n).sum(axis=1) / np.maximum(size * radius, 1e-300)
    bad = np.flatnonzero((up < -0.2) & (0.5 * size > speck_mm2))
    if len(bad):
        raise ShapeError(
            f"the corner bends too tightly here for a ball of {radius:g} mm: the fillet would cross itself",
            where=at(tuple(p[bad[0]].mean(axis=0))), do="Take a smaller radius.",
        )


def _segments(arc: _Arc, track: Track, closed: bool, rows: int) -> float:
    """Volume between the strip's chords across and the ball's round, mm³; the chords lie on the air side."""
    r = 0.5 * sum(np.linalg.norm(q - track.centre, axis=1) for q in (track.first, track.second))
    step = arc.turn / rows
    area = rows * 0.5 * r**2 * (step - np.sin(step))
    middle = arc.at(np.arange(len(track.fit), dtype=np.float64), np.full(len(track.fit), 0.5))
    if closed:
        middle, area = np.vstack([middle, middle[:1]]), np.r_[area, area[:1]]
    return float((0.5 * (area[1:] + area[:-1]) * np.linalg.norm(np.diff(middle, axis=0), axis=1)).sum())


# -- the result ----------------------------------------------------------------------------------------------------
def _finished(
    fine: Refined, line: Floats, corner: Corner, track: Track, cut: _Cut, strip: _Strip, radius: float,
    smooth_mm: float,
) -> Filleted:
    """Put the surface together again, measure it and check it."""
    before = cut.made.surface
    every = np.vstack([before.vertices_mm, strip.new])
    kept = np.flatnonzero(~cut.middle)
    faces = np.vstack([before.faces[kept], strip.faces, strip.caps])
    used, inverse = np.unique(faces, return_inverse=True)
    new = Surface(every[used], inverse.reshape(-1, 3), _colours(before, strip, used), before.repairs)
    walk = np.vstack([work_copy(before, scale_mm=smooth_mm), strip.walk])
    carry_copy(before, new, walk[used], scale_mm=smooth_mm)
    arc = _Arc(track, corner.closed)
    k = np.arange(len(track.fit), dtype=np.float64)
    is_strip = np.arange(len(faces)) >= len(kept)
    volume = _volume(every, before.faces[cut.middle], np.vstack([strip.faces, strip.caps])) - strip.segments_mm3
    made = Filleted(
        new, is_strip, track.first, track.second, arc.at(k, np.full(len(k), 0.5)), track.centre,
        180.0 - np.degrees(arc.turn), corner.closed, radius, volume,
        _sections(before, cut.middle, track, arc, corner.closed, 0.5 * radius if corner.noisy else 0.0), strip.stray_mm, _short(line, track, corner.closed),
        np.r_[fine.parent_face[cut.made.parent_face[kept]], np.full(len(faces) - len(kept), -1)],
    )
    _check(made, fine.surface, corner, radius)
    return made


def _colours(before: Surface, strip: _Strip, used: Ints) -> np.ndarray | None:
    if before.colors is None:
        return None
    c = before.colors.astype(np.float64)
    own = (c[strip.of] * strip.blend[:, :, None]).sum(axis=1)
    return np.clip(np.rint(np.vstack([c, own])[used]), 0, 255).astype(np.uint8)


def _volume(v: Floats, old: Ints, new: Ints) -> float:
    """Volume between the old faces and those in their place, mm³; open ends are closed by cones over their rims."""
    both = np.vstack([new, old[:, ::-1]])
    base = v[np.unique(both)].mean(axis=0)
    six = float(np.linalg.det(v[both] - base).sum())
    e = both[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2)
    n = len(v)
    code, back = e[:, 0] * n + e[:, 1], e[:, 1] * n + e[:, 0]
    keys, count = np.unique(np.r_[code, back], return_counts=True)
    balance = np.bincount(np.searchsorted(keys, code), minlength=len(keys)) - np.bincount(
        np.searchsorted(keys, back), minlength=len(keys)
    )
    rim = keys[balance > 0]
    if len(rim):
        a, b = rim // n, rim % n
        for part in _parts(a, b):
            apex = v[a[part]].mean(axis=0)
            tri = np.stack([v[b[part]], v[a[part]], np.broadcast_to(apex, (len(part), 3))], axis=1)
            six += float(np.linalg.det(tri - base).sum())
    return six / 6.0


def _parts(a: Ints, b: Ints) -> list[Ints]:
    """Groups of edges that hang together."""
    import scipy.sparse as sp
    from scipy.sparse.csgraph import connected_components

    used, inverse = np.unique(np.r_[a, b], return_inverse=True)
    x, y = inverse[: len(a)], inverse[len(a) :]
    label = connected_components(sp.coo_array((np.ones(len(a)), (x, y)), shape=(len(used),) * 2), directed=False)[1]
    return [np.flatnonzero(label[x] == k) for k in range(label.max() + 1)]


def _sections(before: Surface, middle: Bools, track: Track, arc: _Arc, closed: bool, margin_mm: float) -> tuple[float, float]:
    """Smallest and largest area of putty in planes through the ball's centre and both contacts, mm²."""
    p = before.vertices_mm[before.faces[middle]]
    normal = before.face_normals[middle]
    centroid = p.mean(axis=1)
    size = np.linalg.norm(p - centroid[:, None], axis=2).max(axis=1)
    # At the very ends of an open fillet the plane would graze what has been cut off.
    gap = float(np.linalg.norm(np.diff(track.centre, axis=0), axis=1).mean())
    inset = 0 if closed else min(1 + int(margin_mm / gap), len(track.fit) // 3)
    pick = np.unique(np.linspace(inset, len(track.fit) - 1 - inset, SECTIONS).astype(np.int64))
    areas = []
    for k in pick.tolist():
        c, d1, d2 = track.centre[k], track.first[k] - track.centre[k], track.second[k] - track.centre[k]
        x, y, m = _arc_frame(track, k)
        far = 1.2 * float(np.linalg.norm(track.corner[k] - c))
        rel = centroid - c
        near = (np.abs(rel @ m) <= size) & (np.linalg.norm(rel, axis=1) < far + size) & ((rel * normal).sum(axis=1) < 0)
        area = _swept(p[near] - c, m, x, y, float(arc.turn[k]), far)
        r2 = float(np.linalg.norm(d1) * np.linalg.norm(d2))
        areas.append(area - 0.5 * r2 * float(arc.turn[k]))
    return float(min(areas)), float(max(areas))


def _swept(p: Floats, m: Floats, x: Floats, y: Floats, turn: float, far: float) -> float:
    """Area between the origin and the section of (k, 3, 3) triangles by the plane square to m, within an angle."""
    side = p @ m > 0
    crossed = side.any(axis=1) & ~side.all(axis=1)
    p, above = p[crossed], side[crossed]
    h = p @ m
    i = np.arange(len(p))
    odd = np.argmax(above != (above.sum(axis=1) == 2)[:, None], axis=1)
    ends = []
    for j in ((odd + 1) % 3, (odd + 2) % 3):
        share = (h[i, odd] / (h[i, odd] - h[i, j]))[:, None]
        ends.append(p[i, odd] + share * (p[i, j] - p[i, odd]))
    (a0, a1), (b0, b1) = ((e @ x, e @ y) for e in ends)
    angle = np.arctan2(a1 + b1, a0 + b0)
    on = (angle >= -0.02) & (angle <= turn + 0.02) & (np.hypot(a0 + b0, a1 + b1) <= 2 * far)
    return float(0.5 * np.abs(a0 * b1 - a1 * b0)[on].sum())


def _short(line: Floats, track: Track, closed: bool) -> tuple[float, float]:
    if closed:
        return 0.0, 0.0
    return tuple(float(np.linalg.norm(line[k] - track.corner[k])) for k in (0, -1))  # type: ignore[return-value]


def _check(made: Filleted, before: Surface, corner: Corner, radius: float) -> None:
    """Check the finished surface: manifold, oriented, no more boundary than before, every point on its ball."""
    s = made.surface
    n = len(s.vertices_mm)
    e = s.faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2)
    key = e[:, 0] * n + e[:, 1]
    if len(np.unique(key)) != len(key):
        k = np.unique(key, return_index=True, return_counts=True)
        p = s.vertices_mm[e[k[1][np.argmax(k[2])], 0]]
        raise CheckError("the fillet does not fit its surface edge to edge", where=at(tuple(p)))
    mesh_edges(s.faces, n)
    most = MISS_SHARE * radius + (MISS_NOISY_MM if corner.noisy else 0.0)
    if made.stray_mm > most:
        raise CheckError(
            f"the fillet strays {made.stray_mm:.2f} mm off its ball of {radius:g} mm",
            where=at(tuple(made.middle_mm[0])), do="Use a finer mesh, or smooth the surface first.",
        )
    try:
        loops, was = s.boundary_loops, before.boundary_loops
    except MeshError as err:
        raise CheckError(f"the surface with its fillet is faulty: {err.what}", where=err.where) from err
    if len(loops) > len(was):
        raise CheckError("the fillet has left a gap in the surface", where=at(tuple(s.vertices_mm[loops[-1][0]])))
    if made.volume_mm3 <= 0:
        raise CheckError(f"the fillet's volume comes out as {made.volume_mm3:.3g} mm3")

"""Where a film under pressure cannot follow the surface: how deep it bridges, and what each such spot holds.

A film that hangs free has the curvature p / T. Along a straight corner it is a cylinder of radius T / p, in a round pit
a sphere of 2 T / p. A ball of the one radius rolled over the surface leaves less open than the film does, a ball of the
other more, so that the two hold it between them. That does not hold close to posts and other bulging shapes, where the
film is also drawn round: there the smaller ball alone is a fair guess, and the film itself has to be worked out.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import scipy.sparse as sp
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from ..errors import QuantityError, ShapeError
from ..surface._edges import directed_edges, row_lengths
from ..surface._smooth import SMOOTH_MM, work_copy
from ..surface._topology import surface_edges
from ..surface.crease import turns
from ..surface.cut import refine
from ..surface.mesh import Bools, Floats, Ints, Surface
from ..surface.noise import SHRINK_MOST, calmed, noise_mm
from ._ball_reach import Closing, ball_reach, closing, thinned
from .wall_corners import OWN, WallCorner, held_from_three_sides
from .wedge import free_radius_mm

#: Reach is told up to so many free radii.
MOST = 3.0
#: Beside hollow corners no side is longer than this share of the free radius, and for volumes than this one.
SIDE, FINE = 1 / 2, 1 / 10
#: Edges that turn inwards by this many degrees have the mesh refined about them where it is coarse.
HOLLOW_DEG = 4.0
#: What counts as open: this share of the radius on a clean surface, and of the least gap told on a noisy one.
OPEN, OPEN_NOISY = 2e-5, 0.25
#: Less noise than this needs no smoothing, mm.
NOISE_MM = 0.02
#: A spot on a noisy scan lies where the surface turns by this share of what its gap asks for at least; as many of its deepest
#: places are looked at, what is as near to the ball as this share of its radius counts as touched if it faces it (cosine), and
#: of the turns between such places so many are less than the one that counts.
HOLLOW, TRIED, TOUCHED, FACING, OF_PAIRS = 0.8, 8, 0.1, 0.5, 0.9
#: A turn of so much is enough: smoothing takes some of a corner's from a small ball.
ENOUGH_DEG = 30.0
#: What is this share of the deepest is as deep.
DEEP = 0.97
#: Sections measured in one spot, and how far the ball's centres may stray from a line (ratio of variances) there.
STATIONS, STRAIGHT = 40, 0.3


@dataclass(frozen=True, eq=False)
class Spot:
    """One place that the film bridges. Figures called ``most`` are for a ball of 2 T / p, the others for T / p.

    Attributes
    ----------
    place_mm : (float, float, float)
        The deepest point, on the surface; of many that are as deep within some hundredths, the one in their midst.
    depth_mm, depth_most_mm : float
        Largest gap between the surface and the film.
    area_mm2 : float
        Surface the film does not touch.
    volume_mm3, volume_most_mm3 : float
        Between the film and the surface.
    missing_mm, missing_most_mm : float
        Film the worst section across would want more.
    missing_mm2 : float
        Area of the surface there less that of the film.
    resin_g, resin_most_g : float
        Resin the spot would hold if it filled.
    size_mm : float
        Largest extent, corner to corner of its box.
    vertices : (k,) int array
        The surface's vertices there.
    """

    place_mm: tuple[float, float, float]
    depth_mm: float
    depth_most_mm: float
    area_mm2: float
    volume_mm3: float
    volume_most_mm3: float
    missing_mm: float
    missing_most_mm: float
    missing_mm2: float
    resin_g: float
    resin_most_g: float
    size_mm: float
    vertices: Ints


@dataclass(frozen=True, eq=False)
class Bridging:
    """Where a film bridges a surface.

    Attributes
    ----------
    gap_mm, gap_most_mm : (n,) float array, mm
        From each vertex to the film, with a ball of T / p and with one of 2 T / p: the film lies between them.
    reach_mm : (n,) float array, mm
        Radius of the largest ball that touches the vertex from the air side without cutting the surface, at most
        three times ``radius_mm``. Noise makes it small; judge by the gap.
    spots : tuple of Spot
        Deepest first; those less deep than ``least_mm`` are left out.
    radius_mm : float
        T / p.
    least_mm : float
        What was asked for, or the scan's noise where that is more.
    noise_mm : float
        Of the scan; 0 where the surface was clean enough to be used as it is.
    wall_corners : tuple of WallCorner
        Where three walls or more meet, deepest first.
    """

    gap_mm: Floats
    gap_most_mm: Floats
    reach_mm: Floats
    spots: tuple[Spot, ...]
    radius_mm: float
    least_mm: float
    noise_mm: float
    wall_corners: tuple[WallCorner, ...] = ()

    @property
    def worst_mm(self) -> float:
        """Depth of the deepest spot, 0 where there is none."""
        return self.spots[0].depth_mm if self.spots else 0.0


def find_bridging(
    surface: Surface,
    *,
    pressure_kpa: float,
    tension_n_per_m: float,
    least_mm: float = 1.0,
    smooth_mm: float = SMOOTH_MM,
    resin_g_per_cm3: float = 1.15,
) -> Bridging:
    """Find where a film, or any layer under it, bridges the corners of a surface.

    Parameters
    ----------
    surface : Surface
    pressure_kpa : float
        Across the film: that of the air less what is left in the bag.
    tension_n_per_m : float
        In the film, or in the whole stack where it is drawn tight together. A film without slack is drawn until it
        yields: its yield stress in MPa times its thickness in micrometres.
    least_mm : float
        Spots less deep than this are not told.
    smooth_mm : float
        Scale of the smoothing of a noisy scan; it does not reach across corners. 0 uses the surface as it is. What is told
        of a noisy scan lies over a hollow that is still one when it is smoothed over twice this scale, corners and all.
    resin_g_per_cm3 : float

    Returns
    -------
    Bridging

    Raises
    ------
    QuantityError
        A pressure that no bag has, a tension not above 0, or a depth, scale or density that cannot be.
    ShapeError
        The film would touch the surface nowhere.

    References
    ----------
    P. S. Laplace, "Traité de mécanique céleste", supplement to book 10, 1806: p = T (1 / R1 + 1 / R2).
    """
    radius = free_radius_mm(tension_n_per_m=tension_n_per_m, pressure_kpa=pressure_kpa)
    for name, value, low in (("least_mm", least_mm, 0), ("smooth_mm", smooth_mm, -1), ("resin_g_per_cm3", resin_g_per_cm3, 0)):
        if not (np.isfinite(value) and value > low):
            raise QuantityError(f"{name} is {value:g}", do="Give a number above zero.")
    noise = noise_mm(surface)
    # A fine mesh of many sharp corners is not noisy for all that they look so, and smoothing would round them.
    work = work_copy(surface, scale_mm=smooth_mm) if noise > NOISE_MM else surface.vertices_mm
    noise = 0.0 if work is surface.vertices_mm else noise
    least = max(least_mm, noise)
    fine = _refined(Surface(work, surface.faces), radius)
    reach = ball_reach(fine, radius_mm=radius, most_mm=MOST * radius)
    open_mm = OPEN_NOISY * least if noise else OPEN * radius
    balls = tuple(closing(fine, reach, r) for r in (radius, 2 * radius))
    centres = tuple(_centres(fine, reach < ball.radius_mm, ball) for ball in balls)
    gaps = tuple(_gaps(fine, reach, ball, c) for ball, c in zip(balls, centres))
    n = len(surface.vertices_mm)
    # Of a noisy scan only its own vertices are judged by: points put into its faces lie on chords of the noise.
    judged = np.arange(len(reach)) < n if noise else np.ones(len(reach), dtype=bool)
    label = _labelled(fine, gaps, judged, open_mm, least)
    if noise:
        label, gaps = _without_dents(surface, label, gaps, centres[0], radius, least, 2 * smooth_mm)
    if label.max(initial=-1) < 0:
        return Bridging(gaps[0][:n], gaps[1][:n], reach[:n], (), radius, least, noise)
    patch = _patch(fine, reach, label, balls, centres)
    found = [_measured(fine, patch, k, label, gaps, radius, open_mm, n) for k in range(label.max() + 1)]
    if noise:
        found = [_by_vertices(fine, s, k, label, gaps, judged) for k, s in enumerate(found)]
    order = sorted(range(len(found)), key=lambda k: -found[k].depth_mm)
    spots = tuple(_filled(found[k], 1e-3 * resin_g_per_cm3) for k in order)
    held = held_from_three_sides(fine, np.where(judged & (label >= 0), gaps[0], 0.0), centres[0], radius_mm=radius, least_mm=least)
    number = np.argsort(order) + 1
    met = tuple(_met(fine, patch, k, int(number[label[k]]), gaps, centres, 1e-3 * resin_g_per_cm3) for k in held)
    return Bridging(gaps[0][:n], gaps[1][:n], reach[:n], spots, radius, least, noise, met)


def _met(
    work: Surface,
    patch: _Patch,
    k: int,
    spot: int,
    gaps: tuple[Floats, ...],
    centres: tuple[Floats, ...],
    g_per_mm3: float,
) -> WallCorner:
    """The corner of three walls whose deepest vertex is k."""
    volume = []
    for ball, centre in enumerate(centres):
        ahead = patch.centre[ball][patch.faces].mean(axis=1) - centre[k]
        radius = float(np.linalg.norm(centre[k] - work.vertices_mm[k])) - gaps[ball][k]
        f = patch.faces[row_lengths(ahead) < OWN * radius]
        volume.append(_between(patch, f, ball) if len(f) else 0.0)
    x, y, z = (float(c) for c in work.vertices_mm[k])
    return WallCorner(
        (x, y, z), float(gaps[0][k]), float(gaps[1][k]), volume[0], volume[1], volume[0] * g_per_mm3, volume[1] * g_per_mm3, spot
    )


def _filled(spot: Spot, g_per_mm3: float) -> Spot:
    return replace(spot, resin_g=spot.volume_mm3 * g_per_mm3, resin_most_g=spot.volume_most_mm3 * g_per_mm3)


def _refined(work: Surface, radius: float) -> Surface:
    """Split long sides near hollow corners, the finer the nearer; the old vertices stay first."""
    edges = surface_edges(work)
    turn, length = turns(work, edges)
    ends = work.vertices_mm[edges.ends]
    hollow = turn < -np.radians(HOLLOW_DEG)
    if length.max() <= SIDE * radius or not hollow.any():
        return work
    count = np.maximum(np.ceil(length[hollow] / (SIDE * radius)).astype(np.int64), 1)
    at = np.repeat(np.flatnonzero(hollow), count)
    share = (np.arange(len(at)) - np.repeat(np.cumsum(count) - count, count) + 0.5) / np.repeat(count, count)
    tree = cKDTree(ends[at, 0] + share[:, None] * (ends[at, 1] - ends[at, 0]))

    def longest(middle: Floats) -> Floats:
        """How long edges may be: shortest within a ball's reach of a hollow edge."""
        return np.maximum(SIDE * radius, 0.4 * (tree.query(middle)[0] - MOST * radius))

    return refine(work, longest).surface


def _centres(work: Surface, lost: Bools, ball: Closing) -> Floats:
    """The ball's centre (n, 3) nearest to each vertex that it does not reach; infinite elsewhere."""
    out = np.full_like(work.vertices_mm, np.inf)
    if lost.any() and not len(ball.centres):
        raise ShapeError(
            f"a ball of {ball.radius_mm:.0f} mm, the film's own radius or twice that, touches this surface nowhere",
            do="Give more of the surface about it, a lower tension or more pressure.",
        )
    out[lost] = ball.centre_for(work.vertices_mm[lost], work.vertex_normals[lost])
    return out


def _gaps(work: Surface, reach: Floats, ball: Closing, centre: Floats) -> Floats:
    gap = np.zeros(len(reach))
    lost = np.flatnonzero(reach < ball.radius_mm)
    gap[lost] = np.maximum(row_lengths(work.vertices_mm[lost] - centre[lost]) - ball.radius_mm, 0.0)
    return gap


@dataclass(frozen=True, eq=False)
class _Patch:
    """A finely divided part of the surface: `spot` (m,) of each face, points (n, 3), and for both balls where the
    points come to lie on the film (n, 3), their gaps (n,) and the ball's centres (n, 3)."""

    points: Floats
    faces: Ints
    spot: Ints
    film: tuple[Floats, Floats]
    gap: tuple[Floats, Floats]
    centre: tuple[Floats, Floats]


def _by_vertices(
    work: Surface, spot: Spot, k: int, label: Ints, gaps: tuple[Floats, ...], judged: Bools
) -> Spot:
    """A spot with its depth and place as the scan's own vertices have them."""
    own = np.flatnonzero((label == k) & judged)
    x, y, z = (float(c) for c in work.vertices_mm[_deepest(work, own, gaps[0])])
    return replace(spot, place_mm=(x, y, z), depth_mm=float(gaps[0][own].max()), depth_most_mm=float(gaps[1][own].max()))


def _labelled(work: Surface, gaps: tuple[Floats, ...], judged: Bools, open_mm: float, least_mm: float) -> Ints:
    """Number of the spot that each vertex (n,) belongs to, -1 where none; the larger ball's parts go to the nearest."""
    low, high = gaps
    small = _parts(work, low > open_mm)
    deep = np.zeros(small.max(initial=-1) + 2)
    np.maximum.at(deep, small[judged], low[judged])
    number = np.full(len(deep), -1)
    keep = np.flatnonzero(deep[:-1] >= least_mm)
    number[keep] = np.arange(len(keep))
    label = number[small]
    label[small < 0] = -1
    if not len(keep):
        return label
    wide = _parts(work, (high > open_mm) | (label >= 0))
    mine = np.flatnonzero(label >= 0)
    others = np.flatnonzero((wide >= 0) & (label < 0) & np.isin(wide, wide[mine]))
    if len(others):
        near = mine[cKDTree(work.vertices_mm[mine]).query(work.vertices_mm[others], workers=-1)[1]]
        label[others] = label[near]
    return label


def _without_dents(
    surface: Surface, label: Ints, gaps: tuple[Floats, ...], centre: Floats, radius: float, least: float, scale: float
) -> tuple[Ints, tuple[Floats, ...]]:
    """Take out spots of a noisy scan that lie over no hollow: peaks of noise on a wall, or along the edge of a thin fin.

    A ball of radius r that stands g off a place touches both sides of it, and between its normals there the surface turns
    inwards by no less than 2 acos(r / (r + g)), which a sharp notch has. Peaks hold a ball up where the surface, seen over
    ``scale``, hardly turns; a turn of a share HOLLOW of the least passes.
    """
    passes = min(round(2 * (scale / surface.mean_edge_mm) ** 2), SHRINK_MOST)
    if passes < 1:
        return label, gaps
    normal = calmed(surface, passes).vertex_normals
    asked = min(HOLLOW * 2 * float(np.arccos(radius / (radius + least))), np.radians(ENOUGH_DEG))
    v = surface.vertices_mm
    tree = cKDTree(v)
    number = np.arange(label.max(initial=-1) + 2)
    number[-1] = -1
    kept = 0
    for k in range(label.max(initial=-1) + 1):
        mine = np.flatnonzero(label == k)
        deep = mine[np.argsort(-gaps[0][mine], kind="stable")]
        deep = deep[(gaps[0][deep] >= least) & np.isfinite(centre[deep]).all(axis=1)]
        deep = deep[thinned(centre[deep], 0.5 * radius)][:TRIED] if len(deep) else deep
        if any(_turn_under(v, normal, tree, centre[q], radius, asked) > asked for q in deep):
            number[k], kept = kept, kept + 1
        else:
            number[k] = -1
    dent = (label >= 0) & (number[label] < 0)
    return number[label], tuple(np.where(dent, 0.0, g) for g in gaps)


def _turn_under(v: Floats, normal: Floats, tree: cKDTree, c: Floats, radius: float, least: float) -> float:
    """How far a surface turns inwards between the places that a ball touches, rad; 0 where none are as far apart as a turn
    by half of ``least`` would have them."""
    near = np.asarray(tree.query_ball_point(c, (1 + TOUCHED) * radius), dtype=np.int64)
    way = (c - v[near]) / np.maximum(row_lengths(c - v[near]), 1e-300)[:, None]
    near = near[(way * normal[near]).sum(axis=1) > FACING]
    if len(near) < 2:
        return 0.0
    i, j = np.triu_indices(len(near), 1)
    chord = v[near[j]] - v[near[i]]
    far = row_lengths(chord)
    # Two normals of a ball that are turned by an angle a differ by 2 sin(a/2) along the chord between them.
    turned = -(chord * (normal[near[j]] - normal[near[i]])).sum(axis=1) / np.maximum(far, 1e-300)
    turned = turned[far > radius * np.sin(0.5 * least)]
    return 2 * float(np.arcsin(np.clip(0.5 * np.quantile(turned, OF_PAIRS), 0.0, 1.0))) if len(turned) else 0.0


def _parts(work: Surface, inside: Bools) -> Ints:
    """Number of the part that hangs together (n,), -1 outside."""
    n = len(inside)
    e = directed_edges(work.faces)
    e = e[inside[e].all(axis=1)]
    graph = sp.coo_array((np.ones(len(e), dtype=np.int8), (e[:, 0], e[:, 1])), shape=(n, n))
    part = connected_components(graph, directed=False)[1]
    out = np.full(n, -1, dtype=np.int64)
    out[inside] = np.unique(part[inside], return_inverse=True)[1]
    return out


def _patch(
    work: Surface, reach: Floats, label: Ints, balls: tuple[Closing, ...], centres: tuple[Floats, ...]
) -> _Patch:
    # A face between two spots goes to the one with the higher number; it is a hair of either.
    of_face = label[work.faces].max(axis=1)
    piece, used = work.sub(of_face >= 0)
    made = refine(piece, FINE * balls[0].radius_mm)
    p, least = made.surface.vertices_mm, made.weights @ reach[used]
    centre = tuple(_added(made.surface, least < b.radius_mm, b, c[used]) for b, c in zip(balls, centres))
    far = [row_lengths(p - c) for c in centre]
    # Points put into faces lie a little under a bulging surface: reach tells what is open, not the last hundredth.
    gap = tuple(np.where(least < b.radius_mm, np.maximum(d - b.radius_mm, 0.0), 0.0) for d, b in zip(far, balls))
    film = tuple(p + (g / np.maximum(d, 1e-300))[:, None] * (c - p) for g, d, c in zip(gap, far, centre))
    spot = of_face[of_face >= 0][made.parent_face]
    return _Patch(p, made.surface.faces, spot, _two(film), _two(gap), _two(centre))


def _added(piece: Surface, lost: Bools, ball: Closing, known: Floats) -> Floats:
    """A centre (n, 3) for each point of a piece, whose first ones have theirs where the ball does not reach them."""
    p = piece.vertices_mm
    out = np.full_like(p, np.inf)
    if len(ball.centres):
        new = lost & (np.arange(len(p)) >= len(known))
        out[: len(known)] = known
        out[~lost] = ball.nearest(p[~lost])
        out[new] = ball.centre_for(p[new], piece.vertex_normals[new])
    return out


def _two(both: tuple[Floats, ...]) -> tuple[Floats, Floats]:
    return both[0], both[1]


def _measured(
    work: Surface,
    patch: _Patch,
    k: int,
    label: Ints,
    gaps: tuple[Floats, ...],
    radius: float,
    open_mm: float,
    count: int,
) -> Spot:
    f = patch.faces[patch.spot == k]
    mine = np.flatnonzero(label == k)
    worst = int(mine[np.argmax(gaps[0][mine])])
    area = _areas(patch.points[f])
    touched = (patch.gap[0][f] > open_mm).mean(axis=1)
    own = mine[mine < count]
    own = own[gaps[0][own] > open_mm]
    q = work.vertices_mm[mine[gaps[0][mine] > open_mm]]
    x, y, z = (float(c) for c in work.vertices_mm[_deepest(work, mine, gaps[0])])
    missing = [_missing(patch, f, j, r, open_mm) for j, r in enumerate((radius, 2 * radius))]
    return Spot(
        place_mm=(x, y, z),
        depth_mm=float(max(gaps[0][worst], patch.gap[0][f].max())),
        depth_most_mm=float(max(gaps[1][mine].max(), patch.gap[1][f].max())),
        area_mm2=float((area * touched).sum()),
        volume_mm3=_between(patch, f, 0),
        volume_most_mm3=_between(patch, f, 1),
        missing_mm=missing[0],
        missing_most_mm=missing[1],
        missing_mm2=float(area.sum() - _film_area(patch, f)),
        resin_g=0.0,
        resin_most_g=0.0,
        size_mm=float(np.linalg.norm(q.max(axis=0) - q.min(axis=0))),
        vertices=own,
    )


def _deepest(work: Surface, some: Ints, gap: Floats) -> int:
    """The vertex in the midst of the deepest of some."""
    deep = some[gap[some] >= DEEP * gap[some].max()]
    p = work.vertices_mm[deep]
    return int(deep[np.argmin(row_lengths(p - 0.5 * (p.min(axis=0) + p.max(axis=0))))])


def _areas(p: Floats) -> Floats:
    return 0.5 * row_lengths(np.cross(p[:, 1] - p[:, 0], p[:, 2] - p[:, 0]))


def _film_area(patch: _Patch, f: Ints) -> float:
    """Area of the film over faces, what is folded back behind a bulge counted off."""
    p = patch.film[0][f]
    up = patch.centre[0][f] - p
    up /= np.maximum(np.linalg.norm(up, axis=2, keepdims=True), 1e-300)
    area = 0.5 * (np.cross(p[:, 1] - p[:, 0], p[:, 2] - p[:, 0]) * _unit(up.mean(axis=1))).sum(axis=1)
    # A flat face stands for a bulging one, whose slope varies as the normals at the corners do.
    steep = sum(((up[:, k] - up[:, k - 1]) ** 2).sum(axis=1) for k in range(3)) / 36
    free = (patch.gap[0][f] > 0).all(axis=1)
    return float(np.where(free, area * (1 + steep), _areas(p)).sum())


def _between(patch: _Patch, f: Ints, ball: int) -> float:
    """Volume between faces and the film, mm³.

    Corners move straight on to the film; the volume swept is the integral over the way of (mean move) .
    (side x side) / 2, both sides linear in the way gone. The film bulges over the flat faces between the points moved
    there; a quadratic with Hessian H stands over a triangle of area A by A / 24 times the sum of e H e over its sides.
    """
    low, high = patch.points[f], patch.film[ball][f]
    d = high - low
    e, g = low[:, 1] - low[:, 0], low[:, 2] - low[:, 0]
    de, dg = d[:, 1] - d[:, 0], d[:, 2] - d[:, 0]
    cross = np.cross(e, g) + 0.5 * (np.cross(e, dg) + np.cross(de, g)) + np.cross(de, dg) / 3
    swept = float(0.5 * (d.mean(axis=1) * cross).sum())
    up = high - patch.centre[ball][f]
    up /= np.maximum(np.linalg.norm(up, axis=2, keepdims=True), 1e-300)
    turned = sum(((up[:, k] - up[:, k - 1]) * (high[:, k] - high[:, k - 1])).sum(axis=1) for k in range(3))
    inside = (patch.gap[ball][f] > 0).any(axis=1)
    middle = up.mean(axis=1)
    middle /= np.maximum(np.linalg.norm(middle, axis=1, keepdims=True), 1e-300)
    # What folds back behind a bulge counts off.
    area = -0.5 * (np.cross(e + de, g + dg) * middle).sum(axis=1)
    return swept - float((area * turned * inside).sum()) / 24


def _missing(patch: _Patch, f: Ints, ball: int, radius: float, open_mm: float) -> float:
    """Length of surface less that of film in the worst section across a spot, mm."""
    centre, gap = patch.centre[ball], patch.gap[ball]
    at = np.unique(f)
    at = at[gap[at] > open_mm]
    if not len(at):
        return 0.0
    c = centre[at]
    deepest = at[np.argsort(-gap[at])]
    stations = deepest[thinned(centre[deepest], 0.5 * radius)]
    stations = stations[np.argsort(-gap[stations])]
    step = max(len(stations) // STATIONS, 1)
    of_face = centre[f].mean(axis=1)
    tree, faces_at = cKDTree(c), cKDTree(of_face)
    best, best_any = 0.0, 0.0
    for s in stations[::step]:
        near = c[tree.query_ball_point(centre[s], 1.5 * radius)]
        values, axes = np.linalg.eigh(np.cov(near.T) if len(near) > 3 else np.eye(3))
        beside = np.asarray(faces_at.query_ball_point(centre[s], 0.75 * radius), dtype=np.int64)
        straight = values[2] > 1e-3 * radius**2 and values[1] < STRAIGHT * values[2]
        t = axes[:, 2] if straight else _across(patch, s, centre[s])
        length = _section(patch, f[beside], ball, radius, centre[s], t)
        best_any = max(best_any, length)
        best = max(best, length) if straight else best
    return best or best_any


def _across(patch: _Patch, s: int, centre: Floats) -> Floats:
    """Any direction square to the way from a point to its centre."""
    up = centre - patch.points[s]
    least = np.eye(3)[int(np.argmin(np.abs(up)))]
    t = np.cross(up, least)
    return np.asarray(t / max(float(np.linalg.norm(t)), 1e-300))


def _section(patch: _Patch, f: Ints, ball: int, radius: float, centre: Floats, t: Floats) -> float:
    """Surface less film (mm) where a plane cuts triangles f; the film is cut where its points came from."""
    if not len(f):
        return 0.0
    h = ((patch.points[f] - centre) @ t) + 1e-9
    crossed = (h > 0).any(axis=1) & (h < 0).any(axis=1)
    f, h = f[crossed], h[crossed]
    if not len(f):
        return 0.0
    rows = np.arange(len(f))
    odd = np.where((h > 0).sum(axis=1) == 1, np.argmax(h > 0, axis=1), np.argmax(h < 0, axis=1))
    low: list[Floats] = []
    high: list[Floats] = []
    to_ball: list[Floats] = []
    for p, ends in ((patch.points, low), (patch.film[ball], high), (patch.centre[ball], to_ball)):
        for step in (1, 2):
            other = (odd + step) % 3
            share = (h[rows, odd] / (h[rows, odd] - h[rows, other]))[:, None]
            ends.append(p[f[rows, odd]] * (1 - share) + p[f[rows, other]] * share)
    on = low[1] - low[0]
    p = patch.points[f]
    forward = np.cross(t, np.cross(p[:, 1] - p[:, 0], p[:, 2] - p[:, 0]))
    sign = np.where((on * forward).sum(axis=1) < 0, -1.0, 1.0)
    # Seen from the ball, the surface may fold back behind a bulge; the film there counts forwards and backwards.
    up = [_unit(c - q) for c, q in zip(to_ball, high)]
    for k, step in enumerate((1, 2)):
        # What lies between two points of the film lies on the ball, not on the chord.
        on_ball = (patch.gap[ball][f[rows, odd]] > 0) & (patch.gap[ball][f[rows, (odd + step) % 3]] > 0)
        high[k] = np.where(on_ball[:, None], to_ball[k] - radius * up[k], high[k])
    chord = high[1] - high[0]
    along = (chord * _unit(np.cross(t, up[0] + up[1]))).sum(axis=1)
    half = 0.5 * np.arccos(np.clip((up[0] * up[1]).sum(axis=1), -1.0, 1.0))
    free = (patch.gap[ball][f] > 0).all(axis=1)
    over = np.where(free, along / np.sinc(half / np.pi), sign * row_lengths(chord))  # chord to arc where it hangs free
    return max(float(row_lengths(on).sum() - (sign * over).sum()), 0.0)


def _unit(p: Floats) -> Floats:
    return np.asarray(p / np.maximum(np.linalg.norm(p, axis=1, keepdims=True), 1e-300))

"""The corner where two surfaces meet: its line, fitted from both sides, and the bands of cloth tabbed into it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike
from scipy.spatial import cKDTree

from ..errors import OutlineError
from ._corner_bands import corner_regions
from ._corner_edge import EdgeLine, edge_line, faces_beside, nearest_side, spaced
from ._corner_fit import Fitted, Misfit, fit_corner, misfit
from ._corner_split import REACH, Split, split_at
from ._smooth import SMOOTH_MM, work_copy
from ._trace import at
from .crease import Crease, find_creases
from .cut import path_edges
from .mesh import Bools, Floats, Ints, Surface
from .noise import EVENED

__all__ = ["Corner", "corner_regions", "corner_way", "find_corner"]

# A seed may lie this far from the corner it means, in scales; a line shorter than the second is none.
SEED_REACH, SHORTEST = 3.0, 1.5
# Misfit, noise with it, above which a scan is rough enough for a foil's tail to be in doubt.
ROUGH_MM = 0.3
SECTIONS = ("auto", "plane", "round", "smooth", "foil")
# A local misfit beyond both of these is worth a look: mm, and times what is usual along the line.
MISFIT_MM, MISFIT_TIMES = 1.0, 4.0
# The line is believed where fitted points lie within this distance on both sides, scales.
GAP = 2.0
# A line ends where it has run this far past the surface.
PAST_MM = 1.5

Place = tuple[float, float, float]


@dataclass(frozen=True, eq=False)
class Corner:
    """A corner line with what is known of the two sides that meet there.

    Attributes
    ----------
    points_mm : (k, 3) float array, mm
        Along the line, a few mm apart; a closed line does not repeat its first point.
    closed : bool
    angle_deg : (k,) float array
        Angle between the sides at each point, on the air side: 90 in a square inner corner, 270 over an outer edge.
    concave : bool
        Whether it is an inner corner.
    first_mm, second_mm : (3,) float array, mm
        A point of the surface on either side.
    section : {"edge", "plane", "round", "smooth", "foil"}
        "edge": the line runs along a clean model's own edges. Else how the second side was fitted.
    residual_mm : float
        Rms of the surface's points off the fitted sides near the corner; 0 for "edge".
    worst_mm : float
        Largest misfit of the sides near the corner, averaged over about 10 mm so that noise drops out.
    uncertain : tuple of ((float, float, float), str)
        Places (mm) where the user should look, and why.
    """

    points_mm: Floats
    closed: bool
    angle_deg: Floats
    concave: bool
    first_mm: Floats
    second_mm: Floats
    section: str
    residual_mm: float
    worst_mm: float
    uncertain: tuple[tuple[Place, str], ...] = ()

    @property
    def length_mm(self) -> float:
        """Length of the line, mm."""
        p = self.points_mm
        return _length(np.vstack([p, p[:1]]) if self.closed else p)


def corner_way(corner: Corner) -> Floats:
    """Return the direction of a corner, for the warp of cloth along it.

    Parameters
    ----------
    corner : Corner

    Returns
    -------
    (3,) float array
        Unit vector. For an open line its mean direction, from first point to last; for a closed one the longest
        chord between two of its points.

    Raises
    ------
    OutlineError
        An open line whose ends meet.
    """
    p = corner.points_mm
    chord = _longest_chord(p) if corner.closed else p[-1] - p[0]
    length = float(np.linalg.norm(chord))
    if length <= 1e-6 * max(corner.length_mm, 1e-300):
        raise OutlineError("the corner's ends meet, so it has no mean direction", do="State the warp's direction.")
    return np.asarray(chord / length)


def _longest_chord(p: Floats) -> Floats:
    """The chord between the two points of a closed line that are farthest apart."""
    far = np.linalg.norm(p[:, None] - p[None], axis=2)
    i, j = np.unravel_index(int(np.argmax(far)), far.shape)
    return np.asarray(p[max(i, j)] - p[min(i, j)])


def _length(p: Floats) -> float:
    return float(np.linalg.norm(np.diff(p, axis=0), axis=1).sum())


def find_corner(
    surface: Surface,
    seed_mm: ArrayLike,
    *,
    first_mm: ArrayLike | None = None,
    angle_deg: float = 30.0,
    scale_mm: float = 10.0,
    section: str = "auto",
    smooth_mm: float = SMOOTH_MM,
) -> Corner:
    """Find the corner line that a seed lies on, its whole length.

    On a clean model with a sharp edge at the seed the line runs along the edges, to where it ends, closes, or where
    three meet; not on a scan that was evened out, whose edges may be sharp and still wave. Anywhere else both sides are fitted as a whole, within eight scales of the line, and the line is where
    the fits meet: a sheet for one side; for the other another sheet, or, where the corner goes round, the plainest of
    a circular, a smooth and a foil section (in that order) that no richer one betters by Schwarz's criterion, counted
    in cells of one scale, over which noise averages out.

    Parameters
    ----------
    surface : Surface
    seed_mm : (3,) float array, mm
        A point near the corner.
    first_mm : (3,) float array, mm, optional
        Any point on the side that is to count as the first. By default that is the side with the larger area within
        eight scales of the line.
    angle_deg : float
        The least turn of the surface that counts as a corner.
    scale_mm : float
        The width within which it has to happen: noise and rounding are shorter than this.
    section : {"auto", "plane", "round", "smooth", "foil"}
        How to fit the second side of a noisy corner.
    smooth_mm : float
        Length scale of the smooth copy that a noisy surface is looked at on.

    Returns
    -------
    Corner
        Its `uncertain` names the places where the fits miss the surface, where there is little of it, or where it
        turns by less than asked for.

    Raises
    ------
    OutlineError
        No corner near the seed; one that is too short; several that meet right at it; a point that is none.
    """
    seed = _point(seed_mm, "seed")
    if section not in SECTIONS:
        raise OutlineError(f"the corner's section is {section!r}", do=f"Give one of {', '.join(SECTIONS)}.")
    walk = work_copy(surface, scale_mm=smooth_mm)
    hint = None if first_mm is None else _point(first_mm, "point on the first side")
    edge = None
    if walk is surface.vertices_mm:
        edge = edge_line(surface, seed, angle_deg=angle_deg, reach_mm=SEED_REACH * scale_mm)
        if edge is not None and not any(r.kind == EVENED for r in surface.repairs):
            return _along_edges(surface, edge, seed, hint, scale_mm)
    calm = Surface(walk, surface.faces)
    creases = find_creases(surface, angle_deg=angle_deg, scale_mm=scale_mm)
    try:
        split = _split(calm, creases, seed, angle_deg, scale_mm)
        fit = fit_corner(surface, calm, split, section=section, scale_mm=scale_mm)
        return _fitted_corner(surface, calm, fit, seed, hint, angle_deg, scale_mm)
    except OutlineError as err:
        if edge is None:
            raise
        return _unfitted(_along_edges(surface, edge, seed, hint, scale_mm), err)


def _unfitted(corner: Corner, err: OutlineError) -> Corner:
    """A line along an evened scan's sharpest edges, where no fit of its sides was found."""
    x, y, z = corner.points_mm[len(corner.points_mm) // 2].tolist()
    text = (
        f"the sides could not be fitted ({err.what}); the line follows the sharpest edges of the evened scan, whose waves it "
        "has, a millimetre or two"
    )
    return replace(corner, uncertain=(*corner.uncertain, ((x, y, z), text)))


def _point(point_mm: ArrayLike, what: str) -> Floats:
    p = np.asarray(point_mm, dtype=np.float64)
    if p.shape != (3,) or not np.isfinite(p).all():
        raise OutlineError(f"the {what} is not a point: {np.asarray(point_mm).tolist()}")
    return p


# -- along the edges of a model ------------------------------------------------------------------------------------
def _along_edges(surface: Surface, edge: EdgeLine, seed: Floats, hint: Floats | None, scale_mm: float) -> Corner:
    v = surface.vertices_mm
    points, angle = spaced(v[edge.way], edge.angle_deg, edge.closed)
    _check_length(points, edge.closed, min(scale_mm, 0.1 * float(np.linalg.norm(surface.size_mm))), seed)
    left, right = faces_beside(surface, edge.way, edge.closed)
    side, away = nearest_side(surface, left, right, path_edges(edge.way, closed=edge.closed))
    area = [float(surface.face_areas_mm2[(side == k) & (away < REACH * scale_mm)].sum()) for k in (0, 1)]
    middle = v[surface.faces].mean(axis=1)
    first = _first(hint, surface, side, middle, area)
    near = [middle[_nearest(middle, q, points)] for q in (left, right)]
    return Corner(
        points, edge.closed, angle, edge.concave, near[first], near[1 - first], "edge", 0.0, 0.0
    )


def _nearest(middle: Floats, faces: Ints, points: Floats) -> int:
    """Of some faces the one nearest to the middle of a line."""
    return int(faces[np.argmin(np.linalg.norm(middle[faces] - points[len(points) // 2], axis=1))])


def _first(hint: Floats | None, surface: Surface, side: Ints, spots: Floats, area: list[float]) -> int:
    """Which side, 0 or 1, is the first: that with the hint, or the larger."""
    if hint is None:
        return int(area[1] > area[0])
    known = np.flatnonzero(side >= 0)
    k = known[int(np.argmin(np.linalg.norm(spots[known] - surface.locate(hint).points_mm[0], axis=1)))]
    return int(side[k])


def _check_length(points: Floats, closed: bool, scale_mm: float, seed: Floats) -> None:
    length = _length(np.vstack([points, points[:1]]) if closed else points)
    if length < SHORTEST * scale_mm:
        raise OutlineError(
            f"the corner is only {length:.1f} mm long", where=at(tuple(points[0] if len(points) else seed)),
            do="Move the seed to the corner that is meant, or take a smaller scale.",
        )


# -- fitted --------------------------------------------------------------------------------------------------------
def _split(calm: Surface, creases: tuple[Crease, ...], seed: Floats, angle_deg: float, scale_mm: float) -> Split:
    """Tell the sides apart, beginning at the crease by the seed or, where bends blur each other, at the seed itself."""
    try:
        crease = _crease_at(creases, seed, angle_deg, scale_mm)
    except OutlineError as none:
        spot = calm.locate(seed)
        if spot.distance_mm[0] > SEED_REACH * scale_mm:
            raise
        try:
            split = split_at(calm, spot.points_mm, _about(calm, spot.points_mm[0], scale_mm), scale_mm=scale_mm, groups=3)
        except OutlineError:
            raise none from None
        near = cKDTree(calm.vertices_mm[split.contact]).query(seed)[0]
        if split.turn_deg < angle_deg or near > SEED_REACH * scale_mm:
            raise none from None
        return split
    return split_at(calm, crease.points_mm, _starts(crease, seed, scale_mm), scale_mm=scale_mm)


def _about(calm: Surface, spot: Floats, scale_mm: float) -> Floats:
    """A point of the surface and six about it."""
    near = np.flatnonzero(np.linalg.norm(calm.vertices_mm - spot, axis=1) < 3 * scale_mm)
    d = calm.vertices_mm[near] - spot
    _, frame = np.linalg.eigh(d.T @ d)
    turn = np.pi / 3 * np.arange(6)
    ring = spot + 2.5 * scale_mm * (np.cos(turn)[:, None] * frame[:, 2] + np.sin(turn)[:, None] * frame[:, 1])
    return np.vstack([spot, calm.locate(ring).points_mm])


def _crease_at(creases: tuple[Crease, ...], seed: Floats, angle_deg: float, scale_mm: float) -> Crease:
    """Return the crease nearest to a seed; an error says where the nearest is if that is too far."""
    if not creases:
        raise OutlineError(
            f"the surface turns nowhere by {angle_deg:g} degrees within {scale_mm:g} mm", where=at(tuple(seed)),
            do="Lower the angle, or give a larger scale for a rounder corner.",
        )
    away = [float(cKDTree(c.points_mm).query(seed)[0]) for c in creases]
    k = int(np.argmin(away))
    spot = creases[k].points_mm[int(cKDTree(creases[k].points_mm).query(seed)[1])]
    if away[k] > SEED_REACH * scale_mm:
        raise OutlineError(
            f"no corner within {SEED_REACH * scale_mm:g} mm; the nearest is {away[k]:.0f} mm off at {at(tuple(spot))} "
            f"and turns by {creases[k].angle_deg:.0f} degrees", where=at(tuple(seed)),
            do="Move the seed there, or lower the angle that counts as a corner.",
        )
    return creases[k]


def _starts(crease: Crease, seed: Floats, scale_mm: float) -> Floats:
    """Points of a crease to begin at: next to the seed and some way off on either hand."""
    p = crease.points_mm
    i = int(cKDTree(p).query(seed)[1])
    at_mm = np.r_[0, np.cumsum(np.linalg.norm(np.diff(p, axis=0), axis=1))]
    other = [int(np.argmin(np.abs(at_mm - at_mm[i] - d * scale_mm))) for d in (-4.0, 4.0)]
    return p[sorted({i, *other}, key=lambda k: k != i)]


def _fitted_corner(
    surface: Surface, calm: Surface, fit: Fitted, seed: Floats, hint: Floats | None, angle_deg: float, scale_mm: float
) -> Corner:
    _check_length(fit.points_mm, fit.closed, scale_mm, seed)
    keep = np.ones(len(fit.points_mm), dtype=bool) if fit.closed else _on_surface(surface, fit, scale_mm)
    points, normals = fit.points_mm[keep], [n[keep] for n in fit.normals]
    _check_length(points, fit.closed, scale_mm, seed)
    concave = _is_concave(fit, points, scale_mm)
    turn = np.degrees(np.arccos(np.clip((normals[0] * normals[1]).sum(axis=1), -1, 1)))
    miss = misfit(fit, points, scale_mm=scale_mm)
    unsure = _unsure(fit, points, turn, miss, angle_deg, scale_mm)
    if fit.section == "foil" and miss.rms_mm > ROUGH_MM:
        unsure = (*unsure, _tail(points))
    if not fit.closed:
        pick = np.unique(np.r_[np.arange(0, len(points) - 1, 3), len(points) - 1])
        points, turn = points[pick], turn[pick]
    away = cKDTree(points).query(calm.vertices_mm)[0]
    close = away < REACH * scale_mm
    area = [float(fit.cloud.area_mm2[close & (fit.side == k)].sum()) for k in (0, 1)]
    first = _first(hint, surface, fit.side, surface.vertices_mm, area)
    spots = [_spot(calm, fit, points, k, scale_mm) for k in (0, 1)]
    return Corner(
        points, fit.closed, 180 - turn if concave else 180 + turn, concave, spots[first], spots[1 - first],
        fit.section, miss.rms_mm, miss.worst_mm, unsure,
    )


def _tail(points: Floats) -> tuple[tuple[float, float, float], str]:
    """Where a closed line bends most within a few points: a foil's tail, which a rough scan tells least of."""
    ahead, back = np.roll(points, -3, axis=0) - points, points - np.roll(points, 3, axis=0)
    cosine = (ahead * back).sum(axis=1) / (np.linalg.norm(ahead, axis=1) * np.linalg.norm(back, axis=1))
    x, y, z = points[int(np.argmin(cosine))].tolist()
    return (x, y, z), "on rough scans the line has been found 2 to 3 mm off at a foil's tail"


def _spot(calm: Surface, fit: Fitted, points: Floats, side: int, scale_mm: float) -> Floats:
    """A vertex of a side about a scale off the middle of the line."""
    k = np.flatnonzero(fit.use & (fit.side == side))
    off = np.abs(np.linalg.norm(calm.vertices_mm[k] - points[len(points) // 2], axis=1) - 1.5 * scale_mm)
    return np.asarray(calm.vertices_mm[k[int(np.argmin(off))]])


def _is_concave(fit: Fitted, points: Floats, scale_mm: float) -> bool:
    """Whether each side lies on the other's air side."""
    p = fit.cloud.points_mm
    k = np.flatnonzero(fit.use & (fit.side == 1) & (cKDTree(points).query(p)[0] < 3 * scale_mm))
    return bool(np.median(fit.first.value(p[k])) > 0) if len(k) else True


def _on_surface(surface: Surface, fit: Fitted, scale_mm: float) -> Bools:
    """Which points of an open line, in one stretch, have the surface beside them on both sides."""
    p = fit.points_mm
    spot = surface.locate(p)
    # Smoothing rounds the rim where it turns into the corner, so the surface itself is asked. Beside the line the
    # foot lies square to it; beyond the surface's end the line runs away from its foot.
    along = np.gradient(p, axis=0)
    along /= np.maximum(np.linalg.norm(along, axis=1, keepdims=True), 1e-300)
    good = np.abs(((p - spot.points_mm) * along).sum(axis=1)) < PAST_MM
    for k in (0, 1):
        own = surface.vertices_mm[fit.side == k]
        good &= cKDTree(own).query(p)[0] < GAP * scale_mm
    good &= spot.distance_mm < GAP * scale_mm
    return _longest_run(good)


def _longest_run(good: Bools) -> Bools:
    """Of the runs of true values the longest, gaps of up to twenty (mm, about) bridged."""
    k = np.flatnonzero(good)
    if not len(k):
        return good
    runs = np.split(k, np.flatnonzero(np.diff(k) > 21) + 1)
    best = max(runs, key=len)
    out = np.zeros(len(good), dtype=bool)
    out[best[0] : best[-1] + 1] = True
    return out


def _unsure(
    fit: Fitted, points: Floats, turn: Floats, miss: Misfit, angle_deg: float, scale_mm: float
) -> tuple[tuple[Place, str], ...]:
    """Places to look at, the worst misfit first."""
    out: list[tuple[Place, str]] = []
    if miss.worst_mm > max(MISFIT_MM, MISFIT_TIMES * miss.usual_mm):
        out.append((miss.place_mm, f"the surface lies {miss.worst_mm:.1f} mm off the fitted side here"))
    blunt = turn < angle_deg
    if blunt.any():
        k = int(np.argmin(turn))
        out.append((_place(points[k]), f"the surface turns by only {turn[k]:.0f} degrees here"))
    for side in (0, 1):
        used = fit.cloud.points_mm[fit.use & (fit.side == side)]
        gap = cKDTree(used).query(points)[0]
        k = int(np.argmax(gap))
        if gap[k] > 2 * GAP * scale_mm:
            out.append((_place(points[k]), f"one side is missing within {gap[k]:.0f} mm of the line here"))
    return tuple(out)


def _place(p: Floats) -> Place:
    x, y, z = p.tolist()
    return x, y, z

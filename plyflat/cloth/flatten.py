"""Flat shapes of curved patches, with the least distortion and without folds."""

from __future__ import annotations

import time
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
import shapely
from numpy.typing import ArrayLike

from ..errors import SolveError
from ..progress import Tell
from ..surface.mesh import Bools, Floats, Ints, Surface
from ._bounds import (
    StrainBound,
    enclosed_curvature,
    held_curvature,
    lower_bound,
    strain_bound,
    vertex_curvature,
)
from ._newton import Distortion, Solution, descend
from ._patch import Triangles, checked_disc, fill_holes
from ._sparse import Pattern
from ._start import conformal, disc_map
from ._strain import YarnStretch, cloth_scale, cloth_stretch, directional_stretch, strain_of

__all__ = [
    "Flat",
    "StrainBound",
    "YarnStretch",
    "cloth_scale",
    "cloth_stretch",
    "directional_stretch",
    "enclosed_curvature",
    "flatten",
    "held_curvature",
    "lower_bound",
    "overlap_places_mm",
    "strain_bound",
    "strain_of",
    "vertex_curvature",
]

_SETTLED = 1e-13  # share of the energy that another step would gain
_NEAR_ENOUGH = 1.05  # energy of a projection from which no other start is quicker
_EVENING_STEPS, _LEAST_STRIDE = 100, 1.2  # of Newton's method for one power; from each power to the next, at least
_EVEN = 1e-4  # largest strain below which there is nothing to even out but rounding
_LAST_POWER = 256.0  # of the largest strain, so that the p-norm stands within half a per cent of the maximum


@dataclass(frozen=True, eq=False)
class Flat:
    """A patch laid flat.

    Attributes
    ----------
    uv_mm : (n, 2) float array, mm
        The flat place of each vertex, seen from the air side, the centre of its area at the origin.
    stretch : (m, 2) float array
        Singular values of each triangle's map from the surface to the plane, the larger first: flat length over
        length on the surface.
    flipped : (m,) bool array
        Triangles turned over.
    overlaps : bool
        Whether parts of the flat shape lie over each other.
    energy : float
        Area mean of (s1² + s2² + s1⁻² + s2⁻²) / 4; 1 for an exact development.
    overlap_mm2 : float
        Flat area that lies over another part, counted once for each extra layer.
    overlap_at_uv_mm : (k, 2) float array, mm
        A flat point inside each place where it does, the largest first, or where the outline touches itself; empty
        where nothing overlaps. `overlap_places_mm` finds them on the surface.
    iterations : int
        Newton steps.
    seconds : float
    along_warp : bool
        Whether the cloth's warp runs along +x already, as in a draped piece, so that it must not be turned.
    start_uv_mm : (2,) float array or None, mm
        Where cloth that is laid by its threads is put down first; its two first threads run through there along +x
        and +y. None for cloth that was flattened.
    first_reach_mm : tuple of (float, float)
        From where to where those two run, from the start; infinite but up to a cut across them.
    """

    uv_mm: Floats
    stretch: Floats
    flipped: Bools
    overlaps: bool
    energy: float
    overlap_mm2: float = 0.0
    overlap_at_uv_mm: Floats = field(default_factory=lambda: np.empty((0, 2)))
    iterations: int = 0
    seconds: float = 0.0
    along_warp: bool = False
    start_uv_mm: Floats | None = None
    first_reach_mm: tuple[tuple[float, float], tuple[float, float]] = ((-np.inf, np.inf), (-np.inf, np.inf))


def flatten(
    surface: Surface,
    aim: Literal["fair", "worst"] = "fair",
    *,
    start_uv: ArrayLike | None = None,
    holes: Literal["open", "filled"] = "open",
    tolerance: float = _SETTLED,
    progress: Tell | None = None,
) -> Flat:
    """Lay a patch flat with the least distortion and without folds.

    No triangle turns over, by construction. Distant parts may come to lie over each other where the patch is far from
    flat; ``Flat.overlaps`` tells.

    Parameters
    ----------
    surface : Surface
        In one piece, with an edge and without handles; it may have holes.
    aim : {"fair", "worst"}
        "fair" makes the mean distortion (symmetric Dirichlet energy) least. "worst" goes on from there to make the
        largest strain least, at some cost to the mean; it takes about ten times as long. Of a very deep patch it gives
        the most even shape that came to rest.
    start_uv : (n, 2) float array, mm, optional
        A flat shape to start from. It is used if it folds no triangle.
    holes : {"open", "filled"}
        Whether the edge of a hole is free, or moves as though the cloth went on across it (as it does where a
        scan has a gap).
    tolerance : float
        It is settled when another step would gain less than this share of the energy; a draft needs less than the
        default.
    progress : callable, optional
        Called with the stage's name and the share of it that is done, 0 to 1.

    Returns
    -------
    Flat
        Turned to lie best on the patch's own projection seen from the air side, never mirrored. The projection's
        x axis is the surface's x axis, or its y axis where the patch is square to x.

    Raises
    ------
    ShapeError
        Several pieces, a closed surface, or a handle.
    MeshError
        Triangles without area, or a mesh that is not a surface.
    SolveError
        If no shape without folds is found, or the iteration does not settle.

    References
    ----------
    Smith, Schaefer (2015). Bijective parameterization with free boundaries. ACM Trans. Graph. 34(4).
    Smith, de Goes, Kim (2019). Analytic eigensystems for isotropic distortion energies. ACM Trans. Graph. 38(1).

    Examples
    --------
    >>> import numpy as np
    >>> roof = Surface(np.array([[0, 0, 0], [4, 0, 3], [4, 9, 3], [0, 9, 0], [8, 0, 0], [8, 9, 0.0]]),
    ...                np.array([[0, 1, 2], [0, 2, 3], [1, 4, 5], [1, 5, 2]]))
    >>> flat = flatten(roof)
    >>> np.ptp(flat.uv_mm, axis=0).round(6).tolist(), flat.overlaps
    ([10.0, 9.0], False)
    """
    if aim not in ("fair", "worst"):
        raise ValueError(f"aim is {aim!r}; it must be 'fair' or 'worst'")
    if holes not in ("open", "filled"):
        raise ValueError(f"holes is {holes!r}; it must be 'open' or 'filled'")
    began = time.perf_counter()
    solver = _Solver(surface, filled=holes == "filled")
    uv = solver.start(None if start_uv is None else np.asarray(start_uv, dtype=np.float64))
    solution = solver.settle(uv, aim, tolerance, progress)
    flat = solver.flat(solution)
    if progress is not None:
        progress("laying flat", 1.0)
    return replace(flat, seconds=time.perf_counter() - began)


class _Solver:
    """The patch as the solvers see it: scaled to unit area, holes filled for the start."""

    def __init__(self, surface: Surface, *, filled: bool) -> None:
        loops, edges = checked_disc(surface)
        self.surface, self.loops = surface, loops
        points, faces = surface.vertices_mm, surface.faces
        self.real = Triangles(points, faces)
        self.whole = self.real
        if len(loops) > 1:
            all_faces, all_points = fill_holes(faces, points, loops[1:])
            self.whole = Triangles(all_points, all_faces)
        self.mesh = self.whole if filled else self.real
        self._points = all_points if len(loops) > 1 else points
        self._pattern_whole = Pattern(self._points, self.whole.faces, edges if len(loops) == 1 else None)
        same = self.mesh is self.whole
        self.pattern = self._pattern_whole if same else Pattern(points, faces, edges)

    def start(self, given: Floats | None) -> Floats:
        """Return a first flat shape without folds, at the scale of ``self.mesh``."""
        n = self.real.count
        if given is not None and self.mesh is self.real and given.shape == (n, 2) and self._proper(given):
            return _rescaled(self.mesh, given)
        rim = self.loops[0]
        drawn = self._drawn()
        if drawn is not None:
            return drawn
        uv = conformal(self.whole, self._pattern_whole, rim, _projection(self.surface, self._points))
        part = uv[: self.mesh.count]
        if not (self._proper(uv) and (self.mesh.stretch(part)[1] > 0).all()):
            ahead = self._points[np.roll(rim, -1)] - self._points[rim]
            part = disc_map(self.whole, self._pattern_whole, rim, np.linalg.norm(ahead, axis=1))
            part = part[: self.mesh.count]
        return _rescaled(self.mesh, part)

    def _drawn(self) -> Floats | None:
        """Return the patch's own projection, the cheapest start, where it folds nothing and is not far off."""
        uv = _projection(self.surface, self._points[: self.mesh.count]) / self.mesh.scale
        # A wall square to the projection has no area in it at all.
        if not (self.mesh.stretch(uv)[1] > 0).all():
            return None
        uv = _rescaled(self.mesh, uv)
        return uv if Distortion(self.mesh, self.pattern).value(uv) < _NEAR_ENOUGH else None

    def _proper(self, uv: Floats) -> bool:
        """Whether no triangle is folded and every loop goes round once, the holes the other way."""
        uv = uv[: self.real.count]
        if not (np.isfinite(uv).all() and (self.real.stretch(uv)[1] > 0).all()):
            return False
        turns = [_turns(uv[loop]) for loop in self.loops]
        return turns[0] == 1 and all(t == -1 for t in turns[1:])

    def settle(self, uv: Floats, aim: str, tolerance: float, progress: Tell | None) -> Solution:
        """Lower the distortion from a shape without folds."""
        fair = descend(Distortion(self.mesh, self.pattern), uv, tolerance=tolerance, progress=progress)
        if aim == "fair":
            return fair
        return self._even_out(fair, progress)

    def _even_out(self, fair: Solution, progress: Tell | None) -> Solution:
        """Go on from the fair shape with higher and higher powers of the stretch."""
        s1, s2 = self.mesh.stretch(fair.uv)
        most = float(np.log(max(s1.max(), 1 / s2.min())))
        if most < _EVEN:
            return fair
        uv, steps, factors, power, stride = fair.uv, fair.steps, fair.factors, 2.0, 2.0
        while power < _LAST_POWER:
            there = min(power * stride, _LAST_POWER)
            energy = Distortion(self.mesh, self.pattern, max(there / most, 1.0))
            # On the way only the neighbourhood is wanted, though a loose one costs the next power more than it saves.
            tolerance = 1e-3 if there == _LAST_POWER else 0.1
            try:
                found = descend(energy, uv, tolerance=tolerance, most_steps=_EVENING_STEPS)
            except SolveError:
                # Deep shapes bear shorter strides only; where none leads on, the last shape that came to rest stands.
                if stride < _LEAST_STRIDE:
                    break
                stride = float(np.sqrt(stride))
                continue
            uv, steps, factors, power = found.uv, steps + found.steps, factors + found.factors, there
            if progress is not None:
                progress("evening out the strain", float(np.log2(power) / np.log2(2 * _LAST_POWER)))
        return Solution(uv, Distortion(self.mesh, self.pattern).value(uv), steps, factors)

    def flat(self, solution: Solution) -> Flat:
        """Return the shape in mm in its place, measured and checked."""
        mesh, n = self.real, self.real.count
        uv = solution.uv[:n] * self.mesh.scale / mesh.scale
        large, small = mesh.stretch(uv)
        flipped = small <= 0
        if flipped.any():
            raise SolveError(f"{int(flipped.sum())} triangles turned over", do="Repair or smooth the mesh.")
        uv_mm = _placed(self.surface, uv * mesh.scale)
        overlap, at = flat_overlap(uv_mm, self.loops)
        energy = Distortion(mesh, self.pattern).value(uv)
        stretch = np.stack([large, small], axis=1)
        return Flat(uv_mm, stretch, flipped, overlap > 0, energy, overlap, at, solution.steps)


def _rescaled(mesh: Triangles, uv: Floats) -> Floats:
    """Scale a flat shape for the least energy: the energy is p k² + q / k² in the factor k."""
    a, b, c, d = mesh.jacobian(uv)
    square = a * a + b * b + c * c + d * d
    k4 = (mesh.areas @ (square / (a * d - b * c) ** 2)) / (mesh.areas @ square)
    return uv * k4**0.25


def _turns(points: Floats) -> int:
    """Return how often the direction of a closed polyline goes round, anticlockwise positive."""
    ahead = np.roll(points, -1, axis=0) - points
    back = np.roll(ahead, 1, axis=0)
    cross = back[:, 0] * ahead[:, 1] - back[:, 1] * ahead[:, 0]
    return int(np.round(np.arctan2(cross, (back * ahead).sum(axis=1)).sum() / (2 * np.pi)))


def _projection(surface: Surface, points: Floats) -> Floats:
    """Return points (k, 3) projected along the patch's mean normal, seen from the air side."""
    normal = surface.face_areas_mm2 @ surface.face_normals
    if np.linalg.norm(normal) < 1e-3 * surface.area_mm2:
        # A patch that faces all ways alike has no mean normal; any direction serves, the flattest is best.
        centred = surface.vertices_mm - surface.vertices_mm.mean(axis=0)
        normal = np.linalg.eigh(centred.T @ centred)[1][:, 0]
    normal = normal / np.linalg.norm(normal)
    along = np.array([0.0, 1.0, 0.0]) if abs(normal[0]) > 0.9 else np.array([1.0, 0.0, 0.0])
    x = along - (along @ normal) * normal
    x /= np.linalg.norm(x)
    return np.stack([points @ x, points @ np.cross(normal, x)], axis=1)


def _placed(surface: Surface, uv: Floats) -> Floats:
    """Move a flat shape rigidly to lie best on the patch's projection, the centre of its area at the origin."""
    areas, f = surface.face_areas_mm2, surface.faces
    weight = np.bincount(f.ravel(), weights=np.repeat(areas, 3), minlength=len(uv))
    weight = weight / weight.sum()
    goal = _projection(surface, surface.vertices_mm)
    p, q = uv - weight @ uv, goal - weight @ goal
    turn = np.arctan2(weight @ (p[:, 0] * q[:, 1] - p[:, 1] * q[:, 0]), weight @ (p * q).sum(axis=1))
    c, s = np.cos(turn), np.sin(turn)
    out = p @ np.array([[c, s], [-s, c]])
    a, b, d = (out[f[:, i]] for i in range(3))
    flat_area = (b - a)[:, 0] * (d - a)[:, 1] - (b - a)[:, 1] * (d - a)[:, 0]
    return out - flat_area @ (a + b + d) / (3 * flat_area.sum())


def overlap_places_mm(surface: Surface, flat: Flat) -> tuple[Floats, ...]:
    """Return the places of a surface that come to lie over each other when it is laid flat.

    Parameters
    ----------
    surface : Surface
    flat : Flat
        The surface's flat shape.

    Returns
    -------
    tuple of (layers, 3) float arrays, mm
        For each point of ``flat.overlap_at_uv_mm`` the points of the surface that come to lie there.
    """
    corners = flat.uv_mm[surface.faces]
    low, high = corners.min(axis=1), corners.max(axis=1)
    found = []
    for at in flat.overlap_at_uv_mm:
        near = np.flatnonzero(((low <= at) & (at <= high)).all(axis=1))
        a, b, c = (corners[near, k] for k in range(3))
        whole = _cross(b - a, c - a)
        q, r = _cross(at - a, c - a) / whole, _cross(b - a, at - a) / whole
        weights = np.stack([1 - q - r, q, r], axis=1)
        inside = (weights > -1e-9).all(axis=1)
        points = surface.vertices_mm[surface.faces[near[inside]]]
        found.append(_apart(np.einsum("ij,ijk->ik", weights[inside], points), 1e-6 * np.sqrt(surface.area_mm2)))
    return tuple(found)


def _apart(points: Floats, least_mm: float) -> Floats:
    """Return points without those that others lie on: a place on an edge is found from both sides."""
    kept: list[Floats] = []
    for p in points:
        if all(np.linalg.norm(p - q) > least_mm for q in kept):
            kept.append(p)
    return np.array(kept).reshape(-1, 3)


def _cross(p: Floats, q: Floats) -> Floats:
    return np.asarray(p[..., 0] * q[..., 1] - p[..., 1] * q[..., 0])


def flat_overlap(uv: Floats, loops: tuple[Ints, ...]) -> tuple[float, Floats]:
    """Return the area covered more than once and where; 0 exactly when the boundary loops are simple and nested.

    With every triangle the right way up, the number of layers over a point is the boundary's winding number there.
    """
    rings = [shapely.LinearRing(uv[loop]) for loop in loops]
    if all(r.is_simple for r in rings) and shapely.Polygon(rings[0], rings[1:]).is_valid:
        return 0.0, np.empty((0, 2))
    lines = shapely.union_all(rings)
    extra = []
    for cell in shapely.get_parts(shapely.polygonize([lines])):
        at = cell.representative_point()
        layers = sum(_winding(uv[loop], at.x, at.y) for loop in loops)
        if layers > 1:
            extra.append(((layers - 1) * cell.area, (at.x, at.y)))
    if extra:
        extra.sort(reverse=True)
        return float(sum(area for area, _ in extra)), np.array([at for _, at in extra])
    # Loops that touch without lying over each other still are no outline to cut; they do so where lines end.
    parts = shapely.get_parts(shapely.line_merge(lines))
    meet = np.unique(shapely.get_coordinates([shapely.get_point(parts, k) for k in (0, -1)]), axis=0)
    return float(np.finfo(float).tiny), meet


def _winding(points: Floats, x: float, y: float) -> int:
    p = points - [x, y]
    q = np.roll(p, -1, axis=0)
    turn = np.arctan2(p[:, 0] * q[:, 1] - p[:, 1] * q[:, 0], (p * q).sum(axis=1))
    return int(np.round(turn.sum() / (2 * np.pi)))

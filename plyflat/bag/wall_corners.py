"""Corners where three walls or more meet: the ball that fills one is held from three sides and can roll no further.

Sections across the corner lines see two walls at a time. Where lines meet, the film that hangs over them is no cylinder
but nearer to a sphere, of twice the radius at one tension, and leaves more than any section tells.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial import cKDTree

from ..surface._edges import row_lengths, side_lengths
from ..surface.mesh import Floats, Ints, Surface
from ._ball_reach import ball_normals

#: What lies this near to a ball, as a share of its radius, touches it.
TOUCHES = 0.01
#: Walls whose normals span less than this have one direction in common, and the ball rolls along it.
SPANS = 0.3
#: A vertex whose normal leans further (cosine) off the way to the ball's centre is touched on its rim.
ON_RIM = 0.9
#: Normals looked through at one place, at most.
LOOKED = 60
#: What is filled by balls whose centres lie this near to one corner's, as a share of the radius, belongs to that corner.
OWN = 0.03


@dataclass(frozen=True)
class WallCorner:
    """A corner where three walls or more meet. Figures called ``most`` are for a ball of 2 T / p, the others for T / p.

    Attributes
    ----------
    place_mm : (float, float, float)
        The deepest point, on the surface.
    depth_mm, depth_most_mm : float
        Gap between that point and the film: it lies between the two.
    volume_mm3, volume_most_mm3 : float
        Under the film in the corner itself, the corner lines that lead there left out.
    resin_g, resin_most_g : float
        Resin that it would hold.
    spot : int
        Number of the spot, from 1, that it is a part of.
    pleated_mm : (float, float) or None
        The gap's bracket once pleats have fed the sections beside it: where walls are flat it shrinks with the radius
        in which the film hangs. None where no film with pleats was laid.
    """

    place_mm: tuple[float, float, float]
    depth_mm: float
    depth_most_mm: float
    volume_mm3: float
    volume_most_mm3: float
    resin_g: float
    resin_most_g: float
    spot: int
    pleated_mm: tuple[float, float] | None = None

    def fed(self, share: float) -> WallCorner:
        """Return the corner under a film that hangs in this share of the radius of a taut one."""
        share = min(share, 1.0)
        return replace(self, pleated_mm=(share * self.depth_mm, share * self.depth_most_mm))


def held_from_three_sides(work: Surface, gap: Floats, centre: Floats, *, radius_mm: float, least_mm: float) -> Ints:
    """Find the deepest vertex (k,) of each place where a ball is held from three sides, deepest first.

    Parameters
    ----------
    work : Surface
    gap : (n,) float array, mm
        From each vertex to the ball.
    centre : (n, 3) float array, mm
        Of the ball that comes nearest to each vertex with a gap.
    radius_mm : float
    least_mm : float
        Places less deep are left out.
    """
    at = np.flatnonzero(gap >= least_mm)
    if not len(at):
        return at
    v, n = work.vertices_mm, ball_normals(work)
    side = np.zeros(len(v))
    np.maximum.at(side, work.faces.ravel(), np.repeat(side_lengths(v, work.faces).max(axis=1), 3))
    tree, places = cKDTree(v), cKDTree(centre[at])
    open_, found = np.ones(len(at), dtype=bool), []
    for k in np.argsort(-gap[at], kind="stable"):
        if not open_[k]:
            continue
        c = centre[at[k]]
        # The places along one line are alike: one in each length of a radius is tried.
        open_[places.query_ball_point(c, 0.5 * radius_mm)] = False
        if min(_spanned(q) for q in _touched(v, n, side, tree, c, radius_mm)) > SPANS:
            found.append(int(at[k]))
            open_[places.query_ball_point(c, radius_mm)] = False
    return np.array(found, dtype=np.int64)


def _touched(v: Floats, n: Floats, side: Floats, tree: cKDTree, c: Floats, radius: float) -> tuple[Floats, Floats]:
    """Unit normals (k, 3) of what a ball about c touches, and ways (j, 3) from there to c, spread over all its sides.

    The normals of a coarse wall are right where the ways are not; a ball on the tip of something has one way only.
    """
    near = np.asarray(tree.query_ball_point(c, radius * (1 + TOUCHES) + 0.1 * radius), dtype=np.int64)
    far = row_lengths(v[near] - c)
    # The place touched may lie between vertices: those of its face lie farther off by side² / (6 r).
    near = near[far < radius * (1 + TOUCHES) + side[near] ** 2 / (6 * radius)]
    way = (c - v[near]) / np.maximum(row_lengths(c - v[near]), 1e-300)[:, None]
    flat = (way * n[near]).sum(axis=1) > ON_RIM
    return _spread(np.where(flat[:, None], n[near], way)), _spread(way)


def _spread(walls: Floats) -> Floats:
    """Some dozens of unit vectors (k, 3) that differ most."""
    if len(walls) <= LOOKED:
        return walls
    # The first is whichever, each next one is the farthest from all before.
    taken, apart = [0], 1 - walls @ walls[0]
    for _ in range(LOOKED - 1):
        taken.append(int(np.argmax(apart)))
        apart = np.minimum(apart, 1 - walls @ walls[taken[-1]])
    return walls[taken]


def _spanned(walls: Floats) -> float:
    """How far walls stand out of the plane of the two that differ most, as a sine; 0 where two are nearly one."""
    if len(walls) < 3:
        return 0.0
    cross = np.cross(walls[:, None], walls[None])
    size = np.linalg.norm(cross, axis=2)
    i, j = np.unravel_index(int(np.argmax(size)), size.shape)
    if size[i, j] < SPANS:
        return 0.0
    return float(np.abs(walls @ (cross[i, j] / size[i, j])).max())

"""Plane sections across a bagged area: how much film a section needs, and how much of it is slack."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from ..errors import ShapeError
from ..surface.mesh import Floats, Surface


@dataclass(frozen=True, eq=False)
class Section:
    """One plane section of a surface, along a direction.

    Attributes
    ----------
    offset_mm : float
        Where the plane stands, across the direction.
    points_mm : (k, 2, 3) float array
        The section as segments on the surface, unordered.
    path_mm : float
        Its length along the surface, spans over openings included.
    taut_mm : float
        Length of a film drawn tight over the section on its air side: the upper convex chain.
    """

    offset_mm: float
    points_mm: Floats
    path_mm: float
    taut_mm: float

    @property
    def slack_mm(self) -> float:
        """Film this section wants beyond a taut one, to reach into every corner."""
        return max(self.path_mm - self.taut_mm, 0.0)


def sections_along(
    surface: Surface, along: ArrayLike, *, spacing_mm: float = 20.0, normal: ArrayLike | None = None
) -> tuple[Section, ...]:
    """Cut a surface by parallel planes that hold a direction and its mean normal.

    Parameters
    ----------
    surface : Surface
    along : (3,) float array
        The direction the sections run in.
    spacing_mm : float
        Distance of the planes.
    normal : (3,) float array, optional
        The way the air side faces; the area-weighted mean normal where not given.

    Returns
    -------
    tuple of Section
        In order across the direction; planes that miss the surface are left out.

    Raises
    ------
    ShapeError
        If the direction stands square to the surface, so that no such planes exist.
    """
    d, n, across = _axes(surface, along, normal)
    height = surface.vertices_mm @ across
    low, high = float(height.min()), float(height.max())
    count = max(int(np.ceil((high - low) / spacing_mm)), 3)
    offsets = low + (np.arange(count) + 0.5) * (high - low) / count
    cuts = (_cut(surface, height, offset) for offset in offsets)
    return tuple(_measure(float(o), s, d, n) for o, s in zip(offsets, cuts) if len(s))


def _axes(surface: Surface, along: ArrayLike, normal: ArrayLike | None) -> tuple[Floats, Floats, Floats]:
    n = surface._cross.sum(axis=0) if normal is None else np.asarray(normal, dtype=float)
    d = np.asarray(along, dtype=float)
    size = np.linalg.norm(n)
    n = n / size if size > 0 else np.zeros(3)
    d = d - (d @ n) * n
    if np.linalg.norm(d) < 0.2 * np.linalg.norm(along) or size == 0:
        raise ShapeError(
            "the direction of the sections stands square to the surface",
            do="State the region's warp line by two points that lie along it.",
        )
    d = d / np.linalg.norm(d)
    return d, n, np.cross(n, d)


def _cut(surface: Surface, height: Floats, offset: float) -> Floats:
    """Segments (k, 2, 3) in which the plane height = offset meets the triangles."""
    h = height[surface.faces] - offset
    h[h == 0.0] = 1e-12
    crossed = np.flatnonzero((h > 0).any(axis=1) & (h < 0).any(axis=1))
    h, p = h[crossed], surface.vertices_mm[surface.faces[crossed]]
    odd = np.where((h > 0).sum(axis=1) == 1, np.argmax(h > 0, axis=1), np.argmax(h < 0, axis=1))
    rows = np.arange(len(crossed))
    ends = []
    for step in (1, 2):
        other = (odd + step) % 3
        t = h[rows, odd] / (h[rows, odd] - h[rows, other])
        ends.append(p[rows, odd] + t[:, None] * (p[rows, other] - p[rows, odd]))
    return np.stack(ends, axis=1) if len(rows) else np.zeros((0, 2, 3))


def _measure(offset: float, segments: Floats, d: Floats, n: Floats) -> Section:
    flat = np.stack([segments @ d, segments @ n], axis=-1)
    path = float(np.linalg.norm(segments[:, 1] - segments[:, 0], axis=1).sum()) + _spans(flat)
    chain = _upper_chain(flat.reshape(-1, 2))
    taut = float(np.linalg.norm(np.diff(chain, axis=0), axis=1).sum())
    return Section(offset, segments, path, min(taut, path))


def _spans(flat: Floats) -> float:
    """Total width of the gaps along the direction, where the section crosses an opening."""
    start, stop = flat[..., 0].min(axis=1), flat[..., 0].max(axis=1)
    order = np.argsort(start)
    reach = np.maximum.accumulate(stop[order])[:-1]
    return float(np.maximum(start[order][1:] - reach, 0.0).sum())


def _upper_chain(points: Floats) -> Floats:
    """Upper convex chain of (k, 2) points from the first to the last along x (Andrew 1979)."""
    chain: list[Floats] = []
    for p in points[np.lexsort((points[:, 1], points[:, 0]))]:
        while len(chain) > 1 and _turn(chain[-2], chain[-1], p) >= 0:
            chain.pop()
        chain.append(p)
    return np.array(chain)


def _turn(a: Floats, b: Floats, c: Floats) -> float:
    return float((b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0]))

"""How thick cloth lies once it is laid: where it is sheared or pushed together more of it lies on the same hull."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from ..errors import PlyflatError
from ..surface.mesh import Floats


class ThicknessError(PlyflatError, ValueError):
    """Arrays of a laid ply that do not belong together."""


@dataclass(frozen=True, eq=False)
class LaidPly:
    """One ply as it lies.

    Attributes
    ----------
    points_mm : (n, 3) float array
        Its vertices on the hull.
    factor : (n,) float array
        Cloth there over hull: 1 where it lies as it came off the roll.
    area_mm2 : (n,) float array
        Of the hull, shared out to the vertices.
    flat_mm : float
        Thickness of the cloth as it came off the roll, cured.
    near_mm : float
        Beyond this from its vertices it does not lie.
    """

    points_mm: Floats
    factor: Floats
    area_mm2: Floats
    flat_mm: float
    near_mm: float


@dataclass(frozen=True, eq=False)
class Thickness:
    """How thick a laminate lies over flat cloth's thickness.

    Attributes
    ----------
    plies : tuple of (float, float, float)
        For each ply factors on its flat thickness: the mean, what 99 % of its area lies under, and the largest, which may
        stand at one vertex, as at the tip of a seam.
    mean_mm : float
        Where all plies lie.
    p99_mm : float
        What 99 % of the area of the largest ply lies under.
    most_mm : float
        The largest, over all places of all plies, laps not counted.
    place_mm : (float, float, float)
        Where that is.
    map_mm : (n,) float array
        All plies together at each vertex of the largest ply.
    """

    plies: tuple[tuple[float, float, float], ...]
    mean_mm: float
    p99_mm: float
    most_mm: float
    place_mm: tuple[float, float, float]
    map_mm: Floats


def sheared_factor(shear_deg: ArrayLike) -> Floats:
    """Cloth over hull where threads are sheared: 1 / cos(shear), for a square of threads keeps its sides.

    Parameters
    ----------
    shear_deg : (n,) float array, degrees

    Raises
    ------
    ThicknessError
        A shear of 90° or more.
    """
    turned = np.radians(np.asarray(shear_deg, dtype=float))
    if not np.all(np.abs(turned) < np.pi / 2):
        raise ThicknessError("threads are sheared by 90 deg or more", do="Look at the ply's strain; no cloth lies so.")
    return np.asarray(1.0 / np.cos(turned))


def area_factor(faces: ArrayLike, hull_mm2: ArrayLike, flat_mm2: ArrayLike, count: int) -> tuple[Floats, Floats]:
    """Cloth over hull at vertices, from the triangles round each, and the hull's area shared out to them.

    Parameters
    ----------
    faces : (m, 3) int array
    hull_mm2, flat_mm2 : (m,) float arrays
        Area of each triangle on the hull and in the flat.
    count : int
        Number of vertices, each in a triangle.

    Returns
    -------
    (n,) float array
        Factor.
    (n,) float array, mm²
    """
    corners = np.asarray(faces)

    def shared(areas: ArrayLike) -> Floats:
        """A third of each triangle's area to each of its corners."""
        each = np.repeat(np.abs(np.asarray(areas, dtype=float)) / 3.0, 3)
        return np.bincount(corners.ravel(), each, count).astype(float)

    hull, flat = shared(hull_mm2), shared(flat_mm2)
    if not np.all(hull > 0):
        raise ThicknessError("a vertex has no area round it", do="Drop vertices that are in no triangle.")
    return flat / hull, hull


def thickness_of(plies: Sequence[LaidPly]) -> Thickness:
    """Return the mean and the largest thickness of plies that lie on each other.

    Parameters
    ----------
    plies : sequence of LaidPly

    Raises
    ------
    ThicknessError
        No ply.
    """
    from scipy.spatial import cKDTree

    if not plies:
        raise ThicknessError("there is no ply", do="Give one or more.")
    trees = [cKDTree(p.points_mm) for p in plies]
    means = [float((p.factor * p.area_mm2).sum() / p.area_mm2.sum()) for p in plies]
    most, place, laid = 0.0, np.zeros(3), np.zeros(0)
    largest = max(plies, key=lambda p: float(p.area_mm2.sum()))
    for ply in plies:
        here = np.zeros(len(ply.points_mm))
        for other, tree in zip(plies, trees):
            off, nearest = tree.query(ply.points_mm)
            here += np.where(off <= other.near_mm, other.flat_mm * other.factor[nearest], 0.0)
        laid = here if ply is largest else laid
        k = int(np.argmax(here))
        if here[k] > most:
            most, place = float(here[k]), ply.points_mm[k]
    x, y, z = (float(v) for v in place)
    told = tuple((mean, under(p.factor, p.area_mm2), float(p.factor.max())) for mean, p in zip(means, plies))
    return Thickness(told, sum(m * p.flat_mm for m, p in zip(means, plies)), under(laid, largest.area_mm2), most, (x, y, z), laid)


def under(values: Floats, area_mm2: Floats, share: float = 0.99) -> float:
    """Return the least of the values that a share of the area does not pass.

    Parameters
    ----------
    values, area_mm2 : (n,) float arrays
    share : float
    """
    order = np.argsort(values)
    reached = np.cumsum(area_mm2[order])
    return float(values[order][min(int(np.searchsorted(reached, share * reached[-1])), len(order) - 1)])

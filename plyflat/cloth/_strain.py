"""What a flat shape asks of the cloth: strain as numbers, along the yarns, and at the cloth's own scale."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike
from scipy.sparse import coo_matrix, csc_matrix, csr_matrix, diags

from ..surface.mesh import Floats, Surface
from ._newton import frames
from ._order import dissection
from ._patch import Triangles
from ._sparse import factorise
from .template import Strain

if TYPE_CHECKING:
    from .flatten import Flat


def strain_of(
    flat: Flat | ArrayLike, areas: ArrayLike, limit: float, *, raw: ArrayLike | None = None, scale_mm: float = 0.0
) -> Strain:
    """Sum up the stretch of a flat shape, by area.

    Parameters
    ----------
    flat : Flat or (m, 2) array
        A flat shape, or the stretch of each triangle, the larger first.
    areas : (m,) float array
        Area of each triangle on the surface, any unit.
    limit : float
        Strain the cloth is allowed, as a fraction.
    raw : (m, 2) array, optional
        The stretch of single triangles, where `flat` is an average.
    scale_mm : float
        The length over which it is averaged.

    Returns
    -------
    Strain
    """
    stretch = np.asarray(getattr(flat, "stretch", flat), dtype=np.float64)
    weight = np.asarray(areas, dtype=np.float64)
    if stretch.shape != (len(weight), 2):
        raise ValueError(f"stretch has shape {stretch.shape} for {len(weight)} areas")
    weight = weight / weight.sum()
    strain = np.abs(stretch - 1).max(axis=1)
    order = np.argsort(strain)
    below = np.cumsum(weight[order])
    p99 = strain[order][min(np.searchsorted(below, 0.99), len(order) - 1)]
    energy = 0.25 * weight @ (stretch**2 + stretch**-2.0).sum(axis=1)
    return Strain(
        largest=float(strain.max()),
        p99=float(p99),
        mean=float(weight @ strain),
        limit=float(limit),
        over_share=float(weight[strain > limit].sum()),
        energy=float(energy),
        raw_largest=float(np.abs((stretch if raw is None else np.asarray(raw)) - 1).max()),
        scale_mm=float(scale_mm),
    )


@dataclass(frozen=True, eq=False)
class YarnStretch:
    """What each triangle of cloth does when it is laid on the surface.

    Attributes
    ----------
    warp, weft : (m,) float array
        Length on the surface over length in the flat cloth, along the yarns.
    shear_deg : (m,) float array
        90 less the angle between warp and weft on the surface, degrees.
    """

    warp: Floats
    weft: Floats
    shear_deg: Floats


def directional_stretch(surface: Surface, flat: Flat, warp_angle: float) -> YarnStretch:
    """Return the stretch along warp and weft and the shear that the laid cloth has.

    Parameters
    ----------
    surface : Surface
    flat : Flat
        The surface's flat shape.
    warp_angle : float
        Direction of the warp in the flat shape, degrees anticlockwise from +x.

    Returns
    -------
    YarnStretch
    """
    mesh = Triangles(surface.vertices_mm, surface.faces)
    a, b, c, d = mesh.jacobian(flat.uv_mm / mesh.scale)
    det = a * d - b * c
    t = np.radians(warp_angle)
    x, y = np.cos(t), np.sin(t)
    # Columns of the inverse map, from the cloth to the surface.
    warp = np.stack([d * x - b * y, a * y - c * x]) / det
    weft = np.stack([-d * y - b * x, a * x + c * y]) / det
    return _yarns((warp * warp).sum(axis=0), (weft * weft).sum(axis=0), (warp * weft).sum(axis=0))


def _yarns(warp2: Floats, weft2: Floats, between: Floats) -> YarnStretch:
    """Return what the yarns do from the squares of their stretch and the scalar product of the stretched yarns."""
    along, across = np.sqrt(warp2), np.sqrt(weft2)
    return YarnStretch(along, across, np.degrees(np.arcsin(np.clip(between / (along * across), -1.0, 1.0))))


def yarns_of(tensor: ArrayLike, warp_angle: float) -> YarnStretch:
    """Read the stretch along warp and weft and the shear off a strain tensor, such as `cloth_tensor` gives.

    Parameters
    ----------
    tensor : (m, 3) float array
        Hencky's strain from the surface to the flat cloth, in the flat cloth's axes: xx, yy, xy.
    warp_angle : float
        Direction of the warp in the flat shape, degrees anticlockwise from +x; the weft lies 90 degrees on from it.

    Returns
    -------
    YarnStretch
        As `directional_stretch` has it, to which it is equal where the tensor is not averaged.

    Notes
    -----
    With the map F = V R from surface to cloth and H = log V, a yarn n of the cloth becomes F⁻¹ n on the surface; so the
    products of yarns there are n . exp(-2 H) m, whatever the rotation R.
    """
    xx, yy, xy = -2.0 * np.asarray(tensor, dtype=np.float64).T
    middle, half = 0.5 * (xx + yy), np.hypot(0.5 * (xx - yy), xy)
    # exp of a symmetric 2 x 2 matrix: e^middle (cosh half I + sinh half / half (M - middle I)).
    even = np.exp(middle) * np.cosh(half)
    odd = np.exp(middle) * np.where(half > 0, np.sinh(half) / np.where(half > 0, half, 1.0), 1.0)
    cxx, cyy, cxy = even + odd * (xx - middle), even + odd * (yy - middle), odd * xy
    t = np.radians(warp_angle)
    c, s = np.cos(t), np.sin(t)
    warp2 = c * c * cxx + 2 * c * s * cxy + s * s * cyy
    weft2 = s * s * cxx - 2 * c * s * cxy + c * c * cyy
    return _yarns(warp2, weft2, c * s * (cyy - cxx) + (c * c - s * s) * cxy)


@dataclass(frozen=True)
class Reach:
    """How far a quantity goes over a piece or a ply.

    Attributes
    ----------
    least, largest : float
        The extremes, with their signs.
    p99 : float
        What 99 % of the area stays within, up or down, 0 or more.
    raw_largest : float
        The largest size in any single triangle, unaveraged; more of the mesh than of the cloth where that is rough.
    """

    least: float
    largest: float
    p99: float
    raw_largest: float

    @property
    def size(self) -> float:
        """The larger of the two extremes' sizes."""
        return max(-self.least, self.largest)


@dataclass(frozen=True)
class YarnStrain:
    """What laying a flat shape asks of the yarns of its cloth.

    Attributes
    ----------
    warp, weft : Reach
        Length on the surface over length in the flat cloth, less one: a yarn that is pulled is positive; one that has
        to give up length, and puckers or slackens, is negative.
    shear_deg : Reach
        Change of the right angle between warp and weft, degrees.
    scale_mm : float
        The length over which all but ``raw_largest`` is averaged.
    """

    warp: Reach
    weft: Reach
    shear_deg: Reach
    scale_mm: float


def reach_of(values: ArrayLike, raw: ArrayLike, areas: ArrayLike) -> Reach:
    """Sum up a quantity given on triangles.

    Parameters
    ----------
    values : (m,) float array
        Averaged at the cloth's scale.
    raw : (m,) float array
        The same of single triangles.
    areas : (m,) float array
        Any unit.

    Returns
    -------
    Reach
    """
    value, weight = np.asarray(values, dtype=np.float64), np.asarray(areas, dtype=np.float64)
    size = np.abs(value)
    order = np.argsort(size)
    below = np.cumsum(weight[order]) / weight.sum()
    p99 = size[order][min(int(np.searchsorted(below, 0.99)), len(order) - 1)]
    return Reach(float(value.min()), float(value.max()), float(p99), float(np.abs(np.asarray(raw)).max()))


def yarn_strain(
    yarns: Sequence[YarnStretch], raw: Sequence[YarnStretch], areas: Sequence[Floats], *, scale_mm: float
) -> YarnStrain:
    """Sum up what the yarns do over the pieces of a ply.

    Parameters
    ----------
    yarns, raw : sequence of YarnStretch
        One for each piece, averaged and of single triangles.
    areas : sequence of (m,) float arrays
    scale_mm : float
        The length over which the first are averaged.

    Returns
    -------
    YarnStrain
    """
    weight = np.concatenate(areas)

    def over(read: Callable[[YarnStretch], Floats]) -> Reach:
        """How far one stretch reaches over all the pieces, evened and as measured."""
        return reach_of(np.concatenate([read(q) for q in yarns]), np.concatenate([read(q) for q in raw]), weight)

    return YarnStrain(
        over(lambda q: q.warp - 1), over(lambda q: q.weft - 1), over(lambda q: q.shear_deg), float(scale_mm)
    )


def cloth_scale(surface: Surface, values: ArrayLike, *, length_mm: float = 10.0) -> Floats:
    """Average a quantity of the triangles over about the length at which cloth feels the surface.

    The average is that of a drop of dye after it has spread to a blot of root mean square diameter ``length_mm``:
    one implicit step of heat flow from triangle to triangle. The mean by area is kept and no value leaves the range
    of its neighbours. Average tensors by their components in one frame, as `cloth_stretch` does.

    Parameters
    ----------
    surface : Surface
    values : (m,) or (m, k) float array
    length_mm : float

    Returns
    -------
    float array of the same shape
    """
    values = np.asarray(values, dtype=np.float64)
    if length_mm <= 0:
        return values.copy()
    areas = surface.face_areas_mm2
    # One implicit step of length t spreads a point to a mean square radius of 4 t.
    matrix = (diags(areas) + length_mm**2 / 16 * _face_flow(surface)).tocoo()
    # Solved at once, not step by step: slivers of a scan make steps slow.
    ends = np.stack([matrix.row, matrix.col], axis=1)[matrix.row < matrix.col]
    place = dissection(surface.vertices_mm[surface.faces].mean(axis=1), ends)
    ordered = csc_matrix((matrix.data, (place[matrix.row], place[matrix.col])), matrix.shape)
    right = np.empty((len(areas), values[0].size))
    right[place] = areas[:, None] * values.reshape(len(areas), -1)
    return np.asarray(factorise(ordered).solve(right)[place]).reshape(values.shape)


def _face_flow(surface: Surface) -> csr_matrix:
    """Return the finite-volume Laplacian of the triangles: edge length over distance of the centres."""
    f, n, m = surface.faces, len(surface.vertices_mm), len(surface.faces)
    a, b = f.ravel(), f[:, [1, 2, 0]].ravel()
    owner = np.repeat(np.arange(m), 3)
    key = np.minimum(a, b) * n + np.maximum(a, b)
    order = np.argsort(key, kind="stable")
    first = np.flatnonzero(key[order][1:] == key[order][:-1])
    one, two = order[first], order[first + 1]
    p, q = owner[one], owner[two]
    v = surface.vertices_mm
    middle = 0.5 * (v[a[one]] + v[b[one]])
    centre = v[f].mean(axis=1)
    # Over the edge, so that a fold does not bring the centres nearer.
    gap = np.linalg.norm(centre[p] - middle, axis=1) + np.linalg.norm(centre[q] - middle, axis=1)
    weight = np.linalg.norm(v[a[one]] - v[b[one]], axis=1) / gap
    rows, cols = np.concatenate([p, q, p, q]), np.concatenate([q, p, p, q])
    return coo_matrix((np.concatenate([-weight, -weight, weight, weight]), (rows, cols)), (m, m)).tocsr()


def cloth_stretch(surface: Surface, flat: Flat, *, length_mm: float = 10.0) -> Floats:
    """Return the stretch averaged at the cloth's scale, so that a scan's noise is not read as strain.

    What is averaged is the logarithm of the stretch as a tensor in the flat cloth's own axes (Hencky's strain), so
    that stretch and squeeze of equal measure cancel. Noise also makes a surface longer than it is, which no average
    takes away.

    Parameters
    ----------
    surface : Surface
    flat : Flat
    length_mm : float

    Returns
    -------
    (m, 2) float array
        The larger first.
    """
    return principal_of(cloth_tensor(surface, flat, length_mm=length_mm))


def cloth_tensor(surface: Surface, flat: Flat, *, length_mm: float = 10.0) -> Floats:
    """Return the strain averaged at the cloth's scale as a tensor, from which `yarns_of` reads what the yarns do.

    Parameters
    ----------
    surface : Surface
    flat : Flat
    length_mm : float

    Returns
    -------
    (m, 3) float array
        Hencky's strain from the surface to the flat cloth, in the flat cloth's axes: xx, yy, xy.
    """
    mesh = Triangles(surface.vertices_mm, surface.faces)
    s1, s2, (u0, u1), _ = frames(*mesh.jacobian(flat.uv_mm / mesh.scale))
    e1, e2 = np.log(s1), np.log(s2)
    tensor = np.stack([e1 * u0**2 + e2 * u1**2, e1 * u1**2 + e2 * u0**2, (e1 - e2) * u0 * u1], axis=1)
    return cloth_scale(surface, tensor, length_mm=length_mm)


def principal_of(tensor: ArrayLike) -> Floats:
    """Return the principal stretches of a strain tensor.

    Parameters
    ----------
    tensor : (m, 3) float array
        As from `cloth_tensor`.

    Returns
    -------
    (m, 2) float array
        The larger first.
    """
    xx, yy, xy = np.asarray(tensor, dtype=np.float64).T
    middle, half = 0.5 * (xx + yy), np.hypot(0.5 * (xx - yy), xy)
    return np.exp(np.stack([middle + half, middle - half], axis=1))

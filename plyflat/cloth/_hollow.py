"""What no flat shape of a saddled patch can beat: the rim of a disc is too long for the plane."""

from __future__ import annotations

import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import dijkstra
from scipy.sparse.linalg import splu

from ..surface.mesh import Floats, Ints, Surface
from ._patch import Edges, Triangles

#: Triangles near the ring are divided evenly, up to so many parts each way and about so many triangles in all, so that
#: the ring's length is not lost in their size.
MOST_PARTS, SMALL = 8, 16_000
#: How often the disc is fitted to the bound it gives, and how often the form is evened out each time.
ROUNDS, EVENING = 2, 6
_FIRST_POWER, _POWER = 30.0, 200.0
# The first form is read off so many sectors of a shell of that share of the radius.
_SECTORS, _SHELL = 48, 0.06


def ring_bound(surface: Surface, uv: Floats, centre: int, phi: Floats, top: float, r: float) -> tuple[float, float]:
    """Return the bound that the length of a ring round one vertex gives where the curvature is negative.

    Let a flat shape without folds and overlaps stretch by a to b, c be a point of the patch, and r be no more than the
    length of the shortest way from c to the patch's edge.

    1. The flat shape holds the disc of radius a r round c's image: a straight line from there to the nearest image of
       the edge is the image of a way that is r long at least.
    2. Take R with b R <= a r, so that the circle of radius b R round c's image lies in the flat shape, and G, the line on
       the patch that comes to lie on it. G is no longer than 2 pi b R / a.
    3. No way from c to G is shorter than R, for its image is b times as long at most; and every point of G can be
       reached in (b/a) R <= r. So G runs round c between the distances R and r.
    4. Let w be a closed form there (locally the slope of a function) that adds up to 2 pi once round c, and k its
       largest size. Then G is 2 pi / k long at least, so that b/a >= 1 / (k R).

    So b/a is at least the smaller of r / R and 1 / (k R), for every R. On a surface of curvature -1 the angle round c is
    such a form with k = 1 / sinh R, and the bound is that of a hyperbolic disc, log(sinh R / R): about R² / 6, as Milnor's
    for the sphere, where the area within the ring would give R² / 24.

    All of it holds for the mesh: what is left out as nearer than R is so by a way that was measured, r is what the
    caller proves, and any form serves.

    Parameters
    ----------
    surface : Surface
        A disc, with or without holes.
    uv : (n, 2) float array
        A flat shape of it in which no triangle is turned over. It only guides the ways and the first form.
    centre : int
        The vertex c.
    phi : (n,) float array
        A function whose level line ``top`` parts c from the edge; about the distance from c.
    top : float
    r : float
        No way from c to that line is shorter, mm.

    Returns
    -------
    float
        Bound on log(largest stretch / smallest stretch); 0 or less where this proof says nothing.
    float
        R, mm.

    References
    ----------
    Milnor (1969). A problem in cartography. Amer. Math. Monthly 76(10), 1101-1112: the same with the roles of the
    surface and the plane exchanged. A form that measures the length of all lines across it is a calibration: Harvey,
    Lawson (1982). Calibrated geometries. Acta Math. 148, 47-157.
    """
    if not _alone(surface, uv, centre, phi, top):
        return 0.0, 0.0
    ways = _Ways(surface, uv, centre)
    ratio, best, at = 1.0, 0.0, 0.0
    for _ in range(ROUNDS):
        radius = r / max(ratio, 1.0)
        size = _Band(surface, ways, phi, top, radius).evened()
        if size <= 0:
            break
        ratio = 1.0 / (size * radius)
        value = float(np.log(min(r / radius, ratio)))
        if value > best:
            best, at = value, radius
    return best, at


def _alone(surface: Surface, uv: Floats, centre: int, phi: Floats, top: float) -> bool:
    """Whether the image of the centre lies under no other part of the disc, and every triangle round it is in order."""
    f = surface.faces
    near = (phi[f] <= top).any(axis=1) & ~(f == centre).any(axis=1)
    p = uv[f[near]] - uv[centre]
    sides = np.stack([_cross(p[:, k], p[:, (k + 1) % 3]) for k in range(3)])
    return not bool((sides >= 0).all(axis=0).any())


def _cross(p: Floats, q: Floats) -> Floats:
    return np.asarray(p[..., 0] * q[..., 1] - p[..., 1] * q[..., 0])


class _Band:
    """The triangles near a ring, divided, with the distance from its centre and a form round it."""

    def __init__(self, surface: Surface, ways: _Ways, phi: Floats, top: float, radius: float) -> None:
        v, f, uv = surface.vertices_mm, surface.faces, ways.uv
        inner = 0.98 * radius - surface.mean_edge_mm
        inside = (phi[f] <= top).any(axis=1)
        # What is left out as nearer must be so by a way that was measured.
        near = ways.reached[f].max(axis=1) + _widest(v[f]) < radius
        chosen = np.flatnonzero(inside & ~(near & (phi[f] < inner).all(axis=1)))
        self.radius = radius
        parts = int(np.clip(np.sqrt(SMALL / max(len(chosen), 1)), 1, MOST_PARTS))
        self.points, flat, self.faces = _divided(v, uv, f, chosen, parts)
        corners = self.points[self.faces]
        self.far = ways.lengths(flat)[self.faces].max(axis=1) + _widest(corners)
        self.turn = np.arctan2(*(flat - ways.origin).T[::-1])
        step = self.turn[self.faces[:, 1:]] - self.turn[self.faces[:, :1]]
        self.step = (step + np.pi) % (2 * np.pi) - np.pi
        p, q = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
        self.products = (p * p).sum(axis=1), (p * q).sum(axis=1), (q * q).sum(axis=1)
        self.areas = 0.5 * np.linalg.norm(np.cross(p, q), axis=1)
        self.shift = np.zeros(len(self.points))

    def evened(self) -> float:
        """Lower the largest size of the form beyond the radius; return it, 1/mm, or 0 where there is no band."""
        band = np.flatnonzero(self.far >= self.radius)
        if not len(band):
            return 0.0
        shift = self.shift = self._guess(band, self.radius)
        best, power = float(self._sizes(band, shift).max()), _FIRST_POWER
        for _ in range(EVENING):
            shift = self._settled(band, shift, power)
            size = float(self._sizes(band, shift).max())
            if size < best:
                best, self.shift = size, shift
            power = min(1.5 * power, _POWER)
        return best

    def _guess(self, band: Ints, radius: float) -> Floats:
        """Return what to add to the angle, a function of it alone, so that the form measures the ring's own length."""
        zero = np.zeros(len(self.points))
        ring = band[self.far[band] < (1 + _SHELL) * radius]
        middle = self.turn[self.faces[ring, 0]]
        share = (middle + np.pi) / (2 * np.pi) * _SECTORS
        sector = np.minimum(share.astype(np.int64), _SECTORS - 1)
        wide = np.bincount(sector, self.areas[ring], _SECTORS)
        long = np.bincount(sector, self.areas[ring] / self._sizes(ring, zero), _SECTORS)
        if (wide == 0).any():
            return zero
        run = np.append(0.0, np.cumsum(long / wide))
        ends = np.linspace(-np.pi, np.pi, _SECTORS + 1)
        return np.asarray(np.interp(self.turn, ends, 2 * np.pi * run / run[-1] - np.pi) - self.turn)

    def _rise(self, band: Ints, shift: Floats) -> Floats:
        """Return what the form adds up to along the first and the last side of each triangle, (2, k)."""
        f = self.faces[band]
        return (self.step[band] + shift[f[:, 1:]] - shift[f[:, :1]]).T

    def _sizes(self, band: Ints, shift: Floats) -> Floats:
        """Return the size of the form on each triangle, 1/mm."""
        p, q = self._rise(band, shift)
        aa, ab, bb = (x[band] for x in self.products)
        return np.sqrt(np.maximum(p * p * bb - 2 * p * q * ab + q * q * aa, 0.0)) / (2 * self.areas[band])

    def _settled(self, band: Ints, shift: Floats, power: float) -> Floats:
        """Return the function nearer to the one that makes the sum of a power of the form's size least.

        Of the weighted least squares that share its solution one is solved, with the weights of where it stands.
        """
        size = self._sizes(band, shift)
        weight = self.areas[band] * np.maximum(size / size.max(), 1e-3) ** (power - 2) / (4 * self.areas[band] ** 2)
        aa, ab, bb = (weight * x[band] for x in self.products)
        p, q = self._rise(band, shift)
        at_p, at_q = bb * p - ab * q, aa * q - ab * p
        names, f = np.unique(self.faces[band], return_inverse=True)
        f = f.reshape(-1, 3)
        load = np.bincount(f.T.ravel(), np.concatenate([at_p + at_q, -at_p, -at_q]), len(names))
        pairs = [(0, 0, aa + bb - 2 * ab), (1, 1, bb), (2, 2, aa), (0, 1, ab - bb), (0, 2, ab - aa), (1, 2, -ab)]
        entries = [(f[:, i], f[:, j], x) for i, j, x in pairs]
        entries += [(f[:, j], f[:, i], x) for i, j, x in pairs if i != j]
        rows, columns, values = (np.concatenate(x) for x in zip(*entries))
        matrix = coo_matrix((values, (rows, columns)), (len(names), len(names))).tocsc()
        # A constant is free in every part of the band: hold it by a hair.
        matrix.setdiag(matrix.diagonal() * (1 + 1e-9) + 1e-12 * matrix.diagonal().max())
        out = shift.copy()
        out[names] += splu(matrix, permc_spec="MMD_AT_PLUS_A").solve(load) / (power - 1)
        return out


def _widest(corners: Floats) -> Floats:
    """Return how far a point of a triangle can be from its corners' farthest, mm: what `far` must add to be sure.

    A point x with weights w is reached over the corners: the least of the three ways is no longer than their mean
    weighted by w, and the mean distance of x from the corners is the circumradius at most, or half the longest side
    where the triangle is obtuse.
    """
    side = np.sort(np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2), axis=1)
    area = 0.5 * np.linalg.norm(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1)
    obtuse = (side[:, :2] ** 2).sum(axis=1) < side[:, 2] ** 2
    return np.where(obtuse, 0.5 * side[:, 2], side.prod(axis=1) / (4 * area))


def _divided(v: Floats, uv: Floats, faces: Ints, chosen: Ints, parts: int) -> tuple[Floats, Floats, Ints]:
    """Divide some triangles evenly into ``parts``² each; return points, flat points and triangles, joined as before."""
    spots = [(i, j) for i in range(parts + 1) for j in range(parts + 1 - i)]
    number = {spot: k for k, spot in enumerate(spots)}
    small = [[number[i, j], number[i + 1, j], number[i, j + 1]] for i, j in spots if i + j < parts]
    small += [[number[i + 1, j], number[i + 1, j + 1], number[i, j + 1]] for i, j in spots if i + j < parts - 1]
    ij = np.array(spots)
    weight = np.column_stack([parts - ij.sum(axis=1), ij])
    # A point is known by its corners and their weights, sorted, those without weight left out.
    corner = np.where(weight > 0, faces[chosen][:, None, :], -1)
    order = np.argsort(corner, axis=2)
    key = np.concatenate(
        [np.take_along_axis(corner, order, 2), np.take_along_axis(np.broadcast_to(weight, corner.shape), order, 2)], axis=2
    ).reshape(-1, 6)
    # One number for each key; a corner's weight fits where the corners' numbers leave room.
    base = np.int64(len(v) + 1)
    one = (key[:, 0] + 1) * base + key[:, 1] + 1
    two = (key[:, 2] + 1) * (parts + 1) ** 3 + key[:, 3:] @ np.array([(parts + 1) ** 2, parts + 1, 1])
    names, first, at = np.unique(np.stack([one, two], axis=1), axis=0, return_index=True, return_inverse=True)
    face, spot = first // len(spots), first % len(spots)
    share = weight[spot] / parts
    points = np.einsum("kc,kcx->kx", share, v[faces[chosen[face]]])
    flat = np.einsum("kc,kcx->kx", share, uv[faces[chosen[face]]])
    return points, flat, at.reshape(len(chosen), len(spots))[:, small].reshape(-1, 3)


class _Ways:
    """Ways on a surface that lie straight in its flat shape, all from one vertex."""

    def __init__(self, surface: Surface, uv: Floats, centre: int) -> None:
        self.faces, self.uv, self.origin = surface.faces, uv, uv[centre]
        mesh = Triangles(surface.vertices_mm, surface.faces)
        a, b, c, d = mesh.jacobian(uv / mesh.scale)
        det = a * d - b * c
        # Squares of lengths on the surface of flat vectors (x, y): ee x² + 2 eg x y + gg y².
        self.metric = (c * c + d * d) / det**2, -(a * c + b * d) / det**2, (a * a + b * b) / det**2
        self.beyond = _across(surface)
        face, corner = np.nonzero(surface.faces == centre)
        self.star = face
        self.wedge = np.stack([uv[surface.faces[face, (corner + k) % 3]] - self.origin for k in (1, 2)])
        self.opposite = (corner + 1) % 3
        # Where the flat shape is not seen whole from the centre, along the edges: longer, but a way.
        self.reached = np.minimum(self.lengths(uv), _along_edges(surface, centre))

    def lengths(self, goals: Floats) -> Floats:
        """Return the length on the surface of the way to each flat point (k, 2), mm; infinite where it leaves the patch."""
        way = goals - self.origin
        out = np.full(len(goals), np.inf)
        out[(way == 0).all(axis=1)] = 0.0
        at, side = self._starts(way)
        alive = np.flatnonzero((at >= 0) & ~np.isfinite(out))
        at, side = at[alive], side[alive]
        gone, run = np.zeros(len(alive)), np.zeros(len(alive))
        for _ in range(len(self.faces)):
            if not len(alive):
                break
            d = way[alive]
            p = self.uv[self.faces[at, side]] - self.origin
            q = self.uv[self.faces[at, (side + 1) % 3]] - self.origin
            there = np.clip(_cross(p, q - p) / _cross(d, q - p), gone, 1.0)
            ee, eg, gg = (x[at] for x in self.metric)
            run += (there - gone) * np.sqrt(ee * d[:, 0] ** 2 + 2 * eg * d[:, 0] * d[:, 1] + gg * d[:, 1] ** 2)
            done = there >= 1.0
            out[alive[done]] = run[done]
            face, back = self.beyond[0][at, side], self.beyond[1][at, side]
            # Of the two other sides of the next triangle the way leaves by the one its third corner is not on.
            third = self.uv[self.faces[face, (back + 2) % 3]] - self.origin
            onward = np.where(_cross(d, third) >= 0, back + 1, back + 2) % 3
            keep = ~done & (face >= 0)
            alive, at, side, gone, run = alive[keep], face[keep], onward[keep], there[keep], run[keep]
        return out

    def _starts(self, way: Floats) -> tuple[Ints, Ints]:
        """Return the triangle round the centre that each way starts in, -1 for none, and the side it leaves by."""
        p, q = self.wedge
        within = (_cross(p[None], way[:, None]) >= 0) & (_cross(way[:, None], q[None]) > 0)
        k = within.argmax(axis=1)
        return np.where(within.any(axis=1), self.star[k], -1), self.opposite[k]


def _along_edges(surface: Surface, centre: int) -> Floats:
    """Return the length of the shortest way along edges from a vertex to each other one, mm."""
    v = surface.vertices_mm
    ends = Edges(surface.faces, len(v)).ends
    length = np.linalg.norm(v[ends[:, 0]] - v[ends[:, 1]], axis=1)
    graph = coo_matrix((length, ends.T), (len(v), len(v))).tocsr()
    return np.asarray(dijkstra(graph, directed=False, indices=centre))


def _across(surface: Surface) -> tuple[Ints, Ints]:
    """Return for each side of each triangle the triangle beyond it, -1 for none, and which side of that it is."""
    f, m = surface.faces, len(surface.faces)
    edges = Edges(f, len(surface.vertices_mm))
    # Side k of triangle t is number k m + t; the sides of an edge stand next to each other in `order`.
    two = edges.first[edges.sides == 2]
    one, other = edges.order[two], edges.order[two + 1]
    beyond = np.full(3 * m, -1)
    beyond[one], beyond[other] = other, one
    number = beyond.reshape(3, m).T
    return np.where(number >= 0, number % m, -1), np.where(number >= 0, number // m, 0)

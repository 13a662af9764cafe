"""What no flat shape of a patch can beat, and the curvature it holds."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.sparse import coo_matrix, csr_matrix
from scipy.sparse.csgraph import connected_components, dijkstra
from scipy.spatial import cKDTree

from ..surface._smooth import SMOOTH_MM, work_copy
from ..surface.coarsen import coarsen
from ..surface.mesh import Bools, Floats, Ints, Surface, closed_length
from ._hollow import ring_bound
from ._patch import Edges, Triangles, check_disc, undirected
from ._sparse import Pattern, cotangent, factorise

_DISCS, _STEPS = 5, 4
#: A ring that proves less than this is not left alone: the area within reach is asked too, at some cost.
WEAK_RING = 0.02
#: An estimate is made on a smooth copy of about so many triangles, which may stray by that share of its size.
ESTIMATE_FACES, ESTIMATE_STRAY = 4000, 2e-4


def vertex_curvature(surface: Surface) -> Floats:
    """Return the angle missing at each vertex: from 360° inside the patch, from 180° on its edge.

    Parameters
    ----------
    surface : Surface

    Returns
    -------
    (n,) float array, radians
        Their sum is 2 pi times the Euler characteristic (Gauss and Bonnet).
    """
    corners = surface.vertices_mm[surface.faces]
    total = np.zeros(len(surface.vertices_mm))
    for i in range(3):
        p = corners[:, (i + 1) % 3] - corners[:, i]
        q = corners[:, (i + 2) % 3] - corners[:, i]
        angle = np.arctan2(2 * surface.face_areas_mm2, (p * q).sum(axis=1))
        total += np.bincount(surface.faces[:, i], weights=angle, minlength=len(total))
    full = np.full(len(total), 2 * np.pi)
    full[_on_edge(surface)] = np.pi
    return full - total


def enclosed_curvature(surface: Surface) -> float:
    """Return the total curvature inside a patch, degrees.

    Where it is positive, cuts must take out this much angle; where it is negative, this much must be put in.

    Parameters
    ----------
    surface : Surface
    """
    return float(np.degrees(vertex_curvature(surface)[_inside(surface)].sum()))


def _inside(surface: Surface) -> Bools:
    """Vertices that triangles use and no edge passes."""
    inner = ~_on_edge(surface)
    inner[np.setdiff1d(np.arange(len(inner)), surface.faces)] = False
    return inner


def _on_edge(surface: Surface) -> Bools:
    on = np.zeros(len(surface.vertices_mm), dtype=bool)
    for loop in surface.boundary_loops:
        on[loop] = True
    return on


def lower_bound(surface: Surface, *, uv: Floats | None = None, lines: bool = True) -> tuple[float, str]:
    """Return a bound that the strain of every flat shape of a patch obeys.

    Let every triangle's stretch lie between a and b in a flat shape without folds and overlaps. Then log(b/a) is at
    least the value returned, which is the best of four proofs. B is a disc of the patch round a centre c, cut off by
    a level line of (about) the distance from c; L is its rim's length, A its area.

    * Rim: every path from c to B's rim is at least r long, so the image of B holds the disc of radius a r round c's
      image (a straight line from there to the nearest image of the rim is the image of such a path), and the
      image of the rim, of length b L at most, is no shorter than that disc's: b/a >= 2 pi r / L.
    * Isoperimetric, disc: the image's area is a² A at least, its rim's b L at most: (b/a)² >= 4 pi A / L².
    * Isoperimetric, patch: the same for the whole patch and its outer edge.
    * Ring: where the curvature is negative, the line on the patch that comes to lie on a circle is too long for it;
      see `ring_bound`.
    * Area, ball, where the ring says little: let every point of a part of the patch, of area A, be reached from c by a
      way of length r at most. Its image lies within b r of c's image, and has the area a² A at least: (b/a)² >= A / (pi r²).

    All of them hold for the mesh itself, whatever the quality of the distance: a path from c to the rim crosses the level
    lines in between one after the other, and r is the sum of the shortest straight lines from each to the next. On
    a rough mesh they say little, since its rims are rough; `strain_bound` also tells what the shape beneath asks for.

    Parameters
    ----------
    surface : Surface
        One disc, with or without holes.
    uv : (n, 2) float array, optional
        A flat shape of it without folds, if one is at hand: it guides the search and does not change what is proven.
    lines : bool
        Whether the proofs that measure level lines are tried: on a rough mesh those are too long to say anything.

    Returns
    -------
    float
        Bound on log(largest stretch / smallest stretch); 0 where none of the proofs gives more.
    str
        Which proof it is, with its disc's radius.

    Raises
    ------
    ShapeError, MeshError
        As `flatten`.

    References
    ----------
    Milnor (1969). A problem in cartography. Amer. Math. Monthly 76(10), 1101-1112: for a cap of angular radius t the
    least value is log(t / sin t).
    """
    loops = check_disc(surface)
    rim = closed_length(surface.vertices_mm[loops[0]])
    found = [(0.5 * np.log(4 * np.pi * surface.area_mm2 / rim**2), "isoperimetric, whole patch")]
    inner = ~_on_edge(surface)
    domes, hollows = _centres(surface, loops) if inner.any() else ([], [])
    if not lines:
        found += [bound for centre in hollows for bound in _ball_bounds(surface, centre)]
        domes, hollows = [], []
    uv = _laid(surface) if hollows and uv is None else uv
    for centre in {*domes, *hollows}:
        found += _round(surface, centre, loops, uv if centre in hollows else None, domed=centre in domes)
    value, name = max(found)
    return (float(value), name) if value > 0 else (0.0, "none")


@dataclass(frozen=True)
class StrainBound:
    """What no flat shape of a patch without folds and overlaps can beat.

    Attributes
    ----------
    proven : float
        Bound on log(largest stretch / smallest stretch), proven for the mesh as it stands; 0 where no proof says more.
    proof : str
        Which proof it is.
    estimate : float
        The same for a smoothed copy where the mesh is rough, else ``proven``: what the shape under the noise asks
        for. Not a proof: the copy is another surface.
    estimate_proof : str
    scale_mm : float
        Scale of the smoothing; 0 where the mesh is clean and both values are one.
    """

    proven: float
    proof: str
    estimate: float
    estimate_proof: str
    scale_mm: float


def strain_bound(
    surface: Surface, *, scale_mm: float | None = None, uv: Floats | None = None
) -> StrainBound:
    """Return what no flat shape of a patch can beat, proven for its mesh and estimated under its noise.

    Parameters
    ----------
    surface : Surface
        One disc, with or without holes.
    scale_mm : float, optional
        Waves shorter than about four times this count as noise; three mean edges if not given, 4 mm at least.
    uv : (n, 2) float array, optional
        As for `lower_bound`.

    Returns
    -------
    StrainBound

    Raises
    ------
    ShapeError, MeshError
        As `flatten`.
    """
    calm, scale = _calm(surface, scale_mm)
    proven, proof = lower_bound(surface, uv=uv, lines=calm is surface)
    if calm is surface:
        return StrainBound(proven, proof, proven, proof, 0.0)
    # No proof for this mesh anyway, and a smooth surface needs few triangles.
    size = float(np.linalg.norm(surface.size_mm))
    estimate, name = lower_bound(coarsen(calm, faces=ESTIMATE_FACES, stray_mm=ESTIMATE_STRAY * size).surface)
    return StrainBound(proven, proof, estimate, name, scale)


@dataclass(frozen=True)
class Held:
    """The curvature a patch encloses.

    Attributes
    ----------
    total_deg : float
        As `enclosed_curvature`.
    deep_deg : float
        What of it lies farther from the edge than ``deep_mm``. What lies nearer the edge lets go with little strain.
    deep_mm : float
    smoothed : bool
        Whether the mesh was smoothed to tell it.
    """

    total_deg: float
    deep_deg: float
    deep_mm: float
    smoothed: bool


#: Curvature nearer than this to an edge counts as let go by it: twice the length at which cloth feels the surface.
DEEP_MM = 20.0


def held_curvature(surface: Surface, *, scale_mm: float | None = None, deep_mm: float = DEEP_MM) -> Held:
    """Return the curvature inside a patch, read off a smoothed copy where the mesh is rough.

    Noise leaves the sum over the inside alone but for the last row of triangles, by way of the direction of the rim
    (Gauss and Bonnet): where that is rough the smooth copy is asked. Beside a corner that runs out at the edge the
    smooth copy's total may still be off by a third; what lies deep is not touched by that.

    Parameters
    ----------
    surface : Surface
    scale_mm : float, optional
        As for `strain_bound`.
    deep_mm : float
        Straight distance from the edge's vertices beyond which curvature counts as deep.

    Returns
    -------
    Held
    """
    calm, _ = _calm(surface, scale_mm)
    curvature = np.degrees(vertex_curvature(calm))
    inner = _inside(calm)
    rim = surface.vertices_mm[_on_edge(surface)]
    if not len(rim):
        return Held(float(curvature[inner].sum()), float(curvature[inner].sum()), deep_mm, calm is not surface)
    deep = inner & (cKDTree(rim).query(surface.vertices_mm)[0] > deep_mm)
    return Held(float(curvature[inner].sum()), float(curvature[deep].sum()), deep_mm, calm is not surface)


def _calm(surface: Surface, scale_mm: float | None) -> tuple[Surface, float]:
    """Return the surface itself where it is clean, else a smoothed copy, and the scale of the smoothing."""
    scale = max(SMOOTH_MM, 3 * surface.mean_edge_mm) if scale_mm is None else scale_mm
    calm = work_copy(surface, scale_mm=scale)
    return (surface if calm is surface.vertices_mm else Surface(calm, surface.faces)), scale


def _ball_bounds(surface: Surface, centre: int) -> list[tuple[float, str]]:
    """Return the bounds that the areas of balls round one vertex give."""
    far = _farthest(surface, centre)
    areas = np.repeat(surface.face_areas_mm2 / far.shape[1], far.shape[1])
    order = np.argsort(far, axis=None)
    r, area = far.ravel()[order], np.cumsum(areas[order])
    # Balls of a few triangles say nothing but the unevenness of the mesh.
    big = np.isfinite(r) & (area > 0.02 * surface.area_mm2)
    if not big.any():
        return []
    value = np.where(big, 0.5 * np.log(area / (np.pi * np.where(big, r, 1.0) ** 2)), -np.inf)
    best = int(value.argmax())
    return [(float(value[best]), f"area of a ball of radius {r[best]:.0f} mm")]


def _farthest(surface: Surface, centre: int) -> Floats:
    """Return how long a way along the surface from a vertex to any point of a small triangle must be at most.

    Ways run straight across triangles between points that divide their sides, so they are real ways and no shorter
    than the shortest. Each triangle is divided evenly into ``parts``² small ones. A point x of a small one is reached
    over its corners: the least of the three ways is no longer than their mean weighted by x's barycentric weights,
    and the mean distance of x from the corners is no longer than the circumradius, or half the longest side where
    the triangle is obtuse.

    Returns
    -------
    (m, parts²) float array, mm
    """
    f, v, n = surface.faces, surface.vertices_mm, len(surface.vertices_mm)
    edges = Edges(f, n)
    m = len(f)
    parts = int(np.clip(100_000 // len(edges.ends), 2, 6))
    share = np.arange(1, parts) / parts
    a, b = v[edges.ends[:, 0]], v[edges.ends[:, 1]]
    points = np.concatenate([v, (a[:, None] + share[:, None] * (b - a)[:, None]).reshape(-1, 3)])
    own = n + edges.of.reshape(3, m).T[:, :, None] * (parts - 1) + np.arange(parts - 1)
    ring = np.concatenate([f, own.reshape(m, -1)], axis=1)
    way = dijkstra(_straight(points, ring), directed=False, indices=centre)
    weights, small = _grid(parts)
    at = np.einsum("gk,mkx->mgx", weights, v[f])
    reached = np.full(at.shape[:2], np.inf)
    for k in ring.T:
        np.minimum(reached, way[k][:, None] + np.linalg.norm(at - points[k][:, None], axis=2), out=reached)
    return reached[:, small].max(axis=2) + _reach(v[f], surface.face_areas_mm2)[:, None] / parts


def _straight(points: Floats, ring: Ints) -> csr_matrix:
    """Return the lengths of the straight ways between all points of each row of ``ring``."""
    i, j = np.triu_indices(ring.shape[1], 1)
    one, two = ring[:, i].ravel(), ring[:, j].ravel()
    # A way along a side is found in both its triangles; equal entries would be added up.
    key = np.sort(np.minimum(one, two) * len(points) + np.maximum(one, two))
    key = key[np.append(True, key[1:] != key[:-1])]
    low, high = key // len(points), key % len(points)
    length = np.linalg.norm(points[low] - points[high], axis=1)
    return coo_matrix((length, (low, high)), (len(points), len(points))).tocsr()


def _grid(parts: int) -> tuple[Floats, Ints]:
    """Return the barycentric weights (g, 3) of the points that divide a triangle evenly, and the small triangles."""
    spots = [(i, j) for i in range(parts + 1) for j in range(parts + 1 - i)]
    number = {spot: k for k, spot in enumerate(spots)}
    small = []
    for i, j in spots:
        if i + j < parts:
            small.append([number[i, j], number[i + 1, j], number[i, j + 1]])
        if i + j < parts - 1:
            small.append([number[i + 1, j], number[i + 1, j + 1], number[i, j + 1]])
    ij = np.array(spots) / parts
    return np.column_stack([1 - ij.sum(axis=1), ij]), np.array(small)


def _reach(corners: Floats, areas: Floats) -> Floats:
    """Return the circumradius of triangles, or half the longest side of obtuse ones."""
    side = np.sort(np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2), axis=1)
    obtuse = (side[:, :2] ** 2).sum(axis=1) < side[:, 2] ** 2
    return np.where(obtuse, 0.5 * side[:, 2], side.prod(axis=1) / (4 * areas))


def _centres(surface: Surface, loops: tuple[Ints, ...]) -> tuple[list[int], list[int]]:
    """Return the middles of discs for domes, and for hollows.

    They are where most positive and where most negative curvature is gathered, and the vertex farthest from the edge; a
    sign that has little say in the patch gets none.
    """
    v, n = surface.vertices_mm, len(surface.vertices_mm)
    edges = undirected(surface.faces, n)
    length = np.linalg.norm(v[edges[:, 0]] - v[edges[:, 1]], axis=1)
    graph = coo_matrix((length, edges.T), (n, n)).tocsr()
    edge = np.concatenate(loops)
    inward = dijkstra(graph, directed=False, indices=edge, min_only=True)
    middle = int(inward.argmax())
    height = _potential(surface, edge)
    out = []
    for up, other in ((height, -height), (-height, height)):
        peak = int(up.argmax())
        # A peak at the edge has no disc round it, and one near the middle gives the same discs.
        own = inward[peak] > 0 and np.linalg.norm(v[peak] - v[middle]) > 0.1 * inward[middle]
        out.append([] if up.max() < 0.5 * other.max() else [middle, peak] if own else [middle])
    return out[0], out[1]


def _potential(surface: Surface, edge: Ints) -> Floats:
    """Return the height of a membrane, held at the edge, under the curvature as its load."""
    mesh = Triangles(surface.vertices_mm, surface.faces)
    pattern = Pattern(surface.vertices_mm, surface.faces)
    matrix = pattern.scalar(*cotangent(mesh.gx, mesh.gy, mesh.areas))
    held = np.zeros(mesh.count)
    held[pattern.place[edge]] = 1e9 * matrix.diagonal().mean()
    matrix.setdiag(matrix.diagonal() + held)
    load = vertex_curvature(surface)
    load[edge] = 0.0
    return factorise(matrix).solve(pattern.spread(load))[pattern.place]


@dataclass(frozen=True, eq=False)
class _Line:
    """A level line: the ends of its straight parts (k, 3), its length, the area within, whether it is one closed line."""

    heads: Floats
    tails: Floats
    area: float
    closed: bool

    @property
    def length(self) -> float:
        return float(np.linalg.norm(self.heads - self.tails, axis=1).sum())


def _round(
    surface: Surface, centre: int, loops: tuple[Ints, ...], uv: Floats | None, *, domed: bool
) -> list[tuple[float, str]]:
    """Return the bounds that discs round one vertex give; with a flat shape also that of a ring too long for the plane."""
    import potpourri3d

    solver = potpourri3d.MeshHeatMethodDistanceSolver(surface.vertices_mm, surface.faces)
    phi = np.asarray(solver.compute_distance(centre), dtype=np.float64)
    phi -= phi[centre]
    edge = 0.999 * min(float(phi[loop].min()) for loop in loops)
    found = []
    if uv is not None:
        r = _disc(surface, phi, centre, edge)[1]
        value, radius = ring_bound(surface, uv, centre, phi, edge, r) if r > 0 else (0.0, 0.0)
        found.append((value, f"ring of radius {radius:.0f} mm"))
        # A narrow piece with a sharp hollow holds no ring worth the name, but too much area within reach.
        found += _ball_bounds(surface, centre) if value < WEAK_RING else []
    for top in np.linspace(0, edge, _DISCS + 1)[1:] if domed else ():
        found += _disc_bounds(surface, phi, centre, top)
    return found


def _laid(surface: Surface) -> Floats:
    """Return a flat shape to guide the ways; any will do."""
    from .flatten import flatten

    return flatten(surface).uv_mm


def _disc_bounds(surface: Surface, phi: Floats, centre: int, top: float) -> list[tuple[float, str]]:
    """Return what the disc below one level proves; nothing if it is no disc."""
    last, r = _disc(surface, phi, centre, top)
    if not len(last.heads) or not last.closed:
        return []
    name = f"disc of radius {r:.0f} mm"
    isoperimetric = 0.5 * np.log(4 * np.pi * last.area / last.length**2)
    return [
        (np.log(2 * np.pi * r / last.length), f"rim of a {name}"),
        (isoperimetric, f"isoperimetric, {name}"),
    ]


def _disc(surface: Surface, phi: Floats, centre: int, top: float) -> tuple[_Line, float]:
    """Return a level line and a distance that no way from the centre to it falls short of; 0 where there is no line."""
    spot = surface.vertices_mm[[centre]]
    last, r = _Line(spot, spot, 0.0, True), 0.0
    # Few lines, since each adds its unevenness to the loss; enough that straight lines hardly cut the corner.
    for level in np.linspace(0, top, _STEPS + 1)[1:]:
        line = _level(surface, phi, level)
        if not len(line.heads):
            return line, 0.0
        r += _apart(last, line)
        last = line
    return last, r


def _apart(one: _Line, two: _Line) -> float:
    """Return the shortest straight distance between two level lines."""
    tree = cKDTree(0.5 * (one.heads + one.tails))
    middle = 0.5 * (two.heads + two.tails)
    half = [0.5 * np.linalg.norm(q.heads - q.tails, axis=1) for q in (one, two)]
    count = min(8, len(one.heads))
    while True:
        far, near = (np.reshape(q, (len(middle), count)) for q in tree.query(middle, k=count))
        i = np.repeat(np.arange(len(middle)), count)
        j = near.ravel()
        least = float(_between(one.heads[j], one.tails[j], two.heads[i], two.tails[i]).min())
        # Parts that were not looked at are farther than this.
        rest = (far[:, -1] - half[1]).min() - half[0].max()
        if count == len(one.heads) or rest >= least:
            return least
        count = min(4 * count, len(one.heads))


def _between(a: Floats, b: Floats, c: Floats, d: Floats) -> Floats:
    """Return the distances of straight parts ab and cd, (k, 3) each."""
    u, v, w = b - a, d - c, a - c
    uu, uv, vv, uw, vw = ((p * q).sum(axis=1) for p, q in ((u, u), (u, v), (v, v), (u, w), (v, w)))
    det = uu * vv - uv * uv
    skew = det > 1e-12 * np.maximum(uu * vv, 1e-300)
    safe = np.where(skew, det, 1.0)
    s, t = (uv * vw - vv * uw) / safe, (uu * vw - uv * uw) / safe
    inside = skew & (s > 0) & (s < 1) & (t > 0) & (t < 1)
    across = np.linalg.norm(w + s[:, None] * u - t[:, None] * v, axis=1)
    ends = np.minimum.reduce([_off(a, c, d), _off(b, c, d), _off(c, a, b), _off(d, a, b)])
    return np.where(inside, np.minimum(across, ends), ends)


def _off(p: Floats, a: Floats, b: Floats) -> Floats:
    """Return the distance of points from straight parts ab."""
    u = b - a
    length = (u * u).sum(axis=1)
    t = np.clip(((p - a) * u).sum(axis=1) / np.where(length > 0, length, 1.0), 0, 1)
    return np.linalg.norm(p - a - t[:, None] * u, axis=1)


def _level(surface: Surface, phi: Floats, level: float) -> _Line:
    """Measure the level line of a function given at the vertices and linear on each triangle."""
    f, v, n = surface.faces, surface.vertices_mm, len(surface.vertices_mm)
    below = phi[f] < level
    count = below.sum(axis=1)
    area = float(surface.face_areas_mm2[count == 3].sum())
    cross = np.flatnonzero((count == 1) | (count == 2))
    # Turn each crossed triangle so that its first corner is the one that is alone on its side of the line.
    alone = np.where(count[cross] == 1, below[cross].argmax(axis=1), (~below[cross]).argmax(axis=1))
    corner = f[cross[:, None], (alone[:, None] + np.arange(3)) % 3]
    p, q, r = corner.T
    share_q, share_r = (level - phi[p]) / (phi[q] - phi[p]), (level - phi[p]) / (phi[r] - phi[p])
    ends = v[p] + share_q[:, None] * (v[q] - v[p]), v[p] + share_r[:, None] * (v[r] - v[p])
    tip = share_q * share_r
    area += float(surface.face_areas_mm2[cross] @ np.where(count[cross] == 1, tip, 1 - tip))
    keys = [np.minimum(p, o) * n + np.maximum(p, o) for o in (q, r)]
    names, at = np.unique(np.concatenate(keys), return_inverse=True)
    one, two = at[: len(cross)], at[len(cross) :]
    links = coo_matrix((np.ones(len(cross)), (one, two)), (len(names), len(names)))
    lines = connected_components(links, directed=False)[0] if len(cross) else 0
    whole = bool((np.bincount(at) == 2).all()) if len(cross) else False
    return _Line(ends[0], ends[1], area, lines == 1 and whole)

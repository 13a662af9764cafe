"""Meshes of a film: strips and plates for checks."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike

from ..errors import MeshError, ShapeError
from ..surface._topology import mesh_edges
from ..surface.mesh import Bools, Floats, Ints
from .film import FilmMesh, Hold

# An outline turns a corner where its direction changes by more than this at one point, rad.
_SHARP = np.radians(30.0)
# Inner vertices keep this many cells off the outline; a triangle has at least this share of a cell's square.
_OFF_RIM = 0.6
_FLAT = 1e-3
# Parts of a triangle with none, one, two or three of its sides parted: its corners, then the middles of its sides.
_PARTS = (
    ([0, 1, 2],),
    ([0, 3, 2], [3, 1, 2]),
    ([3, 1, 4], [0, 3, 4], [0, 4, 2]),
    ([0, 3, 5], [1, 4, 3], [2, 5, 4], [3, 4, 5]),
)


def as_cut(points_mm: Floats, faces: Ints) -> Floats:
    """Return the triangles of a shape, each in a plane of its own: (m, 3, 2) mm.

    Parameters
    ----------
    points_mm : (n, 3) float array
    faces : (m, 3) int array
    """
    p = points_mm[faces]
    u, v = p[:, 1] - p[:, 0], p[:, 2] - p[:, 0]
    base = np.linalg.norm(u, axis=1)
    if not (base > 0).all():
        raise MeshError(f"triangle {int(np.argmin(base))} of the film has a side of no length")
    along = (u * v).sum(axis=1) / base
    high = np.linalg.norm(np.cross(u, v), axis=1) / base
    zero = np.zeros_like(base)
    return np.stack(
        [np.stack([zero, zero], 1), np.stack([base, zero], 1), np.stack([along, high], 1)], axis=1
    )


def strip(
    line_mm: ArrayLike, *, cells: int, cut_mm: ArrayLike | float | None = None, width_mm: float | None = None
) -> FilmMesh:
    """Return a strip of film one cell wide along a line in the plane y = 0, held at its ends, that stays straight across.

    Parameters
    ----------
    line_mm : (k, 3) float array, mm
        Where it lies; the air is on its left, seen from -y: above a line towards +x.
    cells : int
        Along it, of equal cut lengths.
    cut_mm : float, optional
        How long it is cut; as long as the line where not given.
    width_mm : float, optional
        A cell's length where not given.
    """
    line = np.asarray(line_mm, dtype=np.float64)
    at = np.r_[0.0, np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))]
    length = at[-1] if cut_mm is None else float(np.asarray(cut_mm))
    s = np.linspace(0, at[-1], cells + 1)
    run = np.stack([np.interp(s, at, line[:, k]) for k in range(3)], axis=1)
    width = at[-1] / cells if width_mm is None else width_mm
    points = np.vstack([run, run + [0, width, 0]])
    i = np.arange(cells)
    a, b, c, d = i, i + 1, i + 1 + cells + 1, i + cells + 1
    faces = np.vstack([np.stack([a, b, c], 1), np.stack([a, c, d], 1)])
    flat = np.stack([np.tile(s * length / at[-1], 2), np.repeat([0, width], cells + 1)], axis=1)
    hold = Hold.loose(len(points)).across(np.arange(len(points)), [0.0, 1.0, 0.0])
    return FilmMesh(points, faces, flat[faces], hold.fixed([0, cells, cells + 1, 2 * cells + 1]))


def even_triangles(rings_mm: Sequence[ArrayLike], cell_mm: float) -> tuple[Floats, Ints, tuple[Ints, ...]]:
    """Fill a plane outline with triangles as even as can be.

    Parameters
    ----------
    rings_mm : sequence of (k, 2) float arrays, mm
        The outline, then those of its openings.
    cell_mm : float
        Length of the triangles' sides.

    Returns
    -------
    (n, 2) float array
        Those on the rings first, evenly spread along them.
    (m, 3) int array
        Anticlockwise.
    tuple of (b,) int arrays
        The vertices on each ring, in order.

    Raises
    ------
    ShapeError
        A ring crosses itself or another one.
    MeshError
        The outline holds no cell.
    """
    import shapely
    from scipy.spatial import Delaunay

    whole = shapely.Polygon(rings_mm[0], rings_mm[1:])
    if not whole.is_valid:
        raise ShapeError(
            "the film's flat outline crosses itself or another one",
            do="Bag the area in two parts, or tape it closer.",
        )
    if not whole.area > 4 * cell_mm**2:
        raise MeshError(
            f"a film of {whole.area:.0f} mm2 holds hardly a cell of {cell_mm:g} mm",
            do="Ask for a smaller cell.",
        )
    rings = [spread_along(np.asarray(q, dtype=np.float64), cell_mm) for q in rings_mm]
    area = shapely.Polygon(rings[0], rings[1:])
    low, high = rings[0].min(axis=0), rings[0].max(axis=0)
    rows = np.arange(low[1] - cell_mm, high[1] + cell_mm, cell_mm * np.sqrt(3) / 2)
    grid = []
    for j, y in enumerate(rows):
        x = np.arange(low[0] - (1 + (j % 2) / 2) * cell_mm, high[0] + cell_mm, cell_mm)
        grid.append(np.column_stack([x, np.full(len(x), y)]))
    inner = np.vstack(grid)
    inner = inner[shapely.contains_xy(area.buffer(-_OFF_RIM * cell_mm), inner[:, 0], inner[:, 1])]
    points = np.vstack([*rings, inner])
    tri = Delaunay(points).simplices.astype(np.int64)
    e1, e2 = points[tri[:, 1]] - points[tri[:, 0]], points[tri[:, 2]] - points[tri[:, 0]]
    twice = e1[:, 0] * e2[:, 1] - e1[:, 1] * e2[:, 0]
    tri[twice < 0] = tri[twice < 0][:, ::-1]
    middle = points[tri].mean(axis=1)
    keep = (np.abs(twice) > _FLAT * cell_mm**2) & shapely.contains_xy(area, middle[:, 0], middle[:, 1])
    last = np.cumsum([len(q) for q in rings])
    rims = tuple(np.arange(b - len(q), b) for q, b in zip(rings, last))
    used, back = np.unique(tri[keep], return_inverse=True)
    if len(used) < len(points):
        raise MeshError(
            f"the film's outline is too narrow at places for cells of {cell_mm:g} mm",
            do="Ask for a smaller cell.",
        )
    return points, back.reshape(-1, 3), rims


def spread_along(ring: Floats, cell_mm: float) -> Floats:
    """Return points at even steps along a closed outline (k, 2), its sharp corners kept.

    Parameters
    ----------
    ring : (k, 2) float array, mm
    cell_mm : float
    """
    way = np.roll(ring, -1, axis=0) - ring
    back = np.roll(way, 1, axis=0)
    turn = np.arctan2(back[:, 0] * way[:, 1] - back[:, 1] * way[:, 0], (back * way).sum(axis=1))
    corners = np.flatnonzero(np.abs(turn) > _SHARP)
    first = int(corners[0]) if len(corners) else 0
    ring, corners = np.roll(ring, -first, axis=0), corners - first
    at = np.r_[0.0, np.cumsum(np.linalg.norm(np.roll(ring, -1, axis=0) - ring, axis=1))]
    closed = np.vstack([ring, ring[:1]])
    ends = np.r_[at[corners] if len(corners) else 0.0, at[-1]]
    stops = [
        a + (b - a) * np.arange(count) / count
        for a, b in zip(ends, ends[1:])
        for count in [max(int(round((b - a) / cell_mm)), 1 if len(ends) > 3 else 3)]
    ]
    s = np.concatenate(stops)
    return np.stack([np.interp(s, at, closed[:, k]) for k in range(2)], axis=1)


def split_film(mesh: FilmMesh, points_mm: Floats, marked: Bools | None = None) -> FilmMesh:
    """Split triangles of a film in four, its vertices now at (n, 3) points.

    Parameters
    ----------
    mesh : FilmMesh
    points_mm : (n, 3) float array
        Where it lies.
    marked : (m,) bool array, optional
        Which ones; all where not given. Those beside them are split in two or three, so that sides still meet.
    """
    n, m = len(points_mm), len(mesh.faces)
    edges = mesh_edges(mesh.faces, n)
    parted = np.zeros(len(edges.ends), dtype=bool)
    parted[edges.of_face[np.ones(m, dtype=bool) if marked is None else marked].ravel()] = True
    middle = np.full(len(parted), -1)
    middle[parted] = n + np.arange(int(parted.sum()))
    # Corners, then the middles of the sides that follow them.
    six = np.concatenate([mesh.faces, middle[edges.of_face]], axis=1)
    half = 0.5 * (mesh.rest_mm + np.roll(mesh.rest_mm, -1, axis=1))
    faces, rest = _parts(six, np.concatenate([mesh.rest_mm, half], axis=1))
    a, b = edges.ends[parted].T
    free = mesh.hold.free
    more = np.where(free[a] >= free[b], a, b)
    own = free[more]
    # A side across the film between two held vertices is not held by them.
    own = np.where((own == 0) & (edges.faces[parted, 1] >= 0), 3, own)
    hold = Hold(np.concatenate([mesh.hold.ways, mesh.hold.ways[more]]), np.concatenate([free, own]))
    points = np.vstack([points_mm, 0.5 * (points_mm[a] + points_mm[b])])
    return FilmMesh(points, faces, rest, hold)


def _parts(six: Ints, rest: Floats) -> tuple[Ints, Floats]:
    """Cut triangles, given by corners and middles of sides (m, 6), -1 for a side not parted; their cut sizes (m, 6, 2) too."""
    parted = six[:, 3:] >= 0
    count = parted.sum(axis=1)
    # Turned so that the one side parted is the first, or the one that is not is the last.
    first = np.where(count == 2, (~parted).argmax(axis=1) + 1, np.where(count == 1, parted.argmax(axis=1), 0))
    turn = (np.arange(3) + first[:, None]) % 3
    order = np.concatenate([turn, turn + 3], axis=1)
    six = np.take_along_axis(six, order, axis=1)
    rest = np.take_along_axis(rest, order[:, :, None], axis=1)
    faces, cut = [], []
    for k, parts in enumerate(_PARTS):
        for part in parts:
            faces.append(six[count == k][:, part])
            cut.append(rest[count == k][:, part])
    return np.concatenate(faces), np.concatenate(cut)

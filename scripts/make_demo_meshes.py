"""Write the demo meshes: ``python scripts/make_demo_meshes.py [-o folder]``.

An invented 9 m harbour launch whose underwater body is the Wigley parabolic hull, the published formula that ship
hydrodynamics uses as a benchmark shape (x forward, y to port, z up, all measured from amidships at the waterline):

    y = (B/2) (1 - (2x/L)^2) (1 - (z/T)^2),        -L/2 <= x <= L/2,  -T <= z <= 0

``skeg_scan.ply`` is made to look like a phone scan of the bottom round a skeg: metres, vertex colours, marking tape,
noise, holes, scraps, seams and flipped faces, all on purpose. ``bow_panel.stl`` is a clean model in mm with long
triangles, as a drawing program exports it. ``bilge.stl`` is the inside of a compartment of the launch's tender, all of
flat plates: bottom, topside, a bulkhead, and the rudder tube that comes up through the bottom, raked aft. The random
numbers are seeded, so the files come out the same every time.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
from scipy.spatial import Delaunay, cKDTree

LENGTH_MM, BEAM_MM, DRAUGHT_MM = 9000.0, 2400.0, 750.0
KEEL_ROUND_MM = 60.0  # the formula's keel is a knife edge; round it where the skeg stands
SKEG_X_MM, SKEG_DEPTH_MM, SKEG_TAPER = -2200.0, 370.0, 0.12
FOIL_CHORD_MM, FOIL_THICKNESS, FOIL_CUT = 700.0, 0.13, 0.86
TAPE_WIDTH_MM, TAPE_HULL_MM, TAPE_SKEG_MM = 12.0, 140.0, 130.0
HULL_COLOUR, TAPE_COLOUR = (150.0, 166.0, 152.0), (38.0, 92.0, 186.0)
SEED = 9
BILGE_LENGTH_MM, BILGE_KEEL_MM, BILGE_CHINE_MM, BILGE_TOP_MM = 900.0, -250.0, 500.0, 420.0
BILGE_DEADRISE_DEG, BILGE_FLARE_DEG = 16.0, 15.0
TUBE_AT_MM, TUBE_RADIUS_MM, TUBE_RAKE_DEG, TUBE_LENGTH_MM = (520.0, 240.0), 32.0, 20.0, 200.0


# --- the hull ---------------------------------------------------------------------------------------------------


def wigley_half_breadth(x, z, *, length=LENGTH_MM, beam=BEAM_MM, draught=DRAUGHT_MM):
    """Half breadth y of the Wigley parabolic hull, in the unit of its dimensions."""
    return beam / 2 * (1 - (2 * x / length) ** 2) * (1 - (z / draught) ** 2)


def wigley_mesh(nx, nz, *, length=LENGTH_MM, beam=BEAM_MM, draught=DRAUGHT_MM):
    """Both sides of the hull up to the waterline, joined along stem, keel and stern.

    Returns
    -------
    vertices : (n, 3) float array
    faces : (m, 3) int array
        Normals point out of the hull; m = 4 nx nz, less those of no area.
    """
    x = np.linspace(-length / 2, length / 2, nx + 1)
    z = np.linspace(-draught, 0, nz + 1)
    xx, zz = np.meshgrid(x, z, indexing="ij")
    yy = wigley_half_breadth(xx, zz, length=length, beam=beam, draught=draught)
    port = np.stack([xx, yy, zz], -1).reshape(-1, 3)
    quads = grid_triangles(nx, nz)
    points = np.concatenate([port, port * (1, -1, 1)])
    faces = np.concatenate([quads[:, ::-1], quads + len(port)])
    points, inverse = np.unique(points.round(9) + 0.0, axis=0, return_inverse=True)
    faces = inverse.reshape(-1)[faces]
    distinct = (faces != np.roll(faces, 1, axis=1)).all(1)
    return points, faces[distinct]


def grid_triangles(nx, nz):
    """Two triangles for each cell of an (nx, nz) grid, the diagonals alternating; normals on the -y side of (x, z)."""
    i, k = np.meshgrid(np.arange(nx), np.arange(nz), indexing="ij")
    a = i * (nz + 1) + k
    b, c, d = a + nz + 1, a + nz + 2, a + 1
    even = ((i + k) % 2 == 0)[..., None]
    first = np.where(even, np.stack([a, b, c], -1), np.stack([a, b, d], -1))
    second = np.where(even, np.stack([a, c, d], -1), np.stack([b, c, d], -1))
    return np.stack([first, second], 2).reshape(-1, 3)


def _hull_z(x, y):
    """Height of the bottom with the rounded keel, and its slope dz/dy."""
    half = BEAM_MM / 2 * (1 - (2 * x / LENGTH_MM) ** 2)
    soft = np.sqrt(y**2 + KEEL_ROUND_MM**2)
    root = np.sqrt(1 - soft / half)
    return -DRAUGHT_MM * root, DRAUGHT_MM * (y / soft) / (2 * half * root)


def _girth(x, y):
    """Length along the section at x from the keel to y, by Gauss-Legendre quadrature."""
    node, weight = np.polynomial.legendre.leggauss(16)
    at = y[:, None] * (node + 1) / 2
    return (np.hypot(1, _hull_z(x[:, None], at)[1]) * weight).sum(1) * y / 2


def hull_point(plan):
    """Points of the bottom (k, 3) from (k, 2) plan coordinates: x, and girth from the keel (port positive)."""
    x, girth = plan[:, 0], plan[:, 1]
    y, step = np.zeros(len(x)), girth / 24

    def rate(y):
        return 1 / np.hypot(1, _hull_z(x, y)[1])

    for _ in range(24):  # classical Runge-Kutta for dy/dgirth
        k1 = rate(y)
        k2 = rate(y + step * k1 / 2)
        k3 = rate(y + step * k2 / 2)
        y = y + step * (k1 + 2 * k2 + 2 * k3 + rate(y + step * k3)) / 6
    return np.stack([x, y, _hull_z(x, y)[0]], 1)


# --- the skeg ---------------------------------------------------------------------------------------------------


def foil_half_thickness(c, thickness):
    """Half thickness over chord at c in [0, 1]: the NACA four-digit formula."""
    return 5 * thickness * (0.2969 * np.sqrt(c) - 0.1260 * c - 0.3516 * c**2 + 0.2843 * c**3 - 0.1015 * c**4)


@cache
def _section():
    """The skeg's section as a dense closed line (k, 2), nose forward, and the length along it (k,).

    Past FOIL_CUT the thin tail is replaced by the round that touches both sides: nobody lays cloth on a knife.
    """
    c = FOIL_CUT * (1 - np.cos(np.linspace(0, np.pi / 2, 6000)))
    side = np.stack([-c, foil_half_thickness(c, FOIL_THICKNESS)], 1) * FOIL_CHORD_MM
    run, rise = side[-1] - side[-2]
    slope = rise / run
    middle = side[-1, 0] + side[-1, 1] * slope
    radius = side[-1, 1] * np.hypot(1, slope)
    start = np.arctan2(side[-1, 1], side[-1, 0] - middle)
    turn = np.linspace(start, 2 * np.pi - start, 400)[1:-1]
    tail = np.stack([middle + radius * np.cos(turn), radius * np.sin(turn)], 1)
    line = np.concatenate([side, tail, side[:0:-1] * (1, -1)])
    line[:, 0] -= 0.5 * (line[:, 0].min() + line[:, 0].max())
    gone = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))])
    even = np.linspace(0, gone[-1], 16001)[:-1]
    return np.stack([np.interp(even, gone, line[:, k]) for k in (0, 1)], 1), even, gone[-1]


def _section_at(along, z):
    """Points (k, 2) of the tapered section at heights z."""
    line, gone, total = _section()
    where = np.mod(along, total)
    p = np.stack(
        [np.interp(where, np.append(gone, total), np.append(line[:, k], line[0, k])) for k in (0, 1)], 1
    )
    scale = 1 + SKEG_TAPER * (z + DRAUGHT_MM) / SKEG_DEPTH_MM
    return (p - (-100, 0)) * scale[:, None] + (SKEG_X_MM - 100, 0)


def corner_curve(along):
    """Points (k, 3) where the skeg meets the bottom, by length along the section."""
    z = np.full(len(along), -DRAUGHT_MM)
    for _ in range(40):
        xy = _section_at(along, z)
        z = _hull_z(xy[:, 0], xy[:, 1])[0]
    return np.column_stack([xy, z])


def skeg_point(along, drop):
    """Points (k, 3) of the skeg's side: length along the section, and way down from the corner (mm, nearly true)."""
    top = corner_curve(along)[:, 2]
    z = top + (-DRAUGHT_MM - SKEG_DEPTH_MM - top) * drop / SKEG_DEPTH_MM
    return np.column_stack([_section_at(along, z), z])


@cache
def _root_plan():
    """The corner as a dense closed line in plan coordinates (k, 2), its outward normals, and length along the section."""
    along = _section()[1]
    p = corner_curve(along)
    plan = np.column_stack([p[:, 0], _girth(p[:, 0], p[:, 1])])
    tangent = np.roll(plan, -4, axis=0) - np.roll(plan, 4, axis=0)
    normal = np.stack([tangent[:, 1], -tangent[:, 0]], 1)
    return plan, normal / np.linalg.norm(normal, axis=1, keepdims=True), along


def hull_tape_curve(count=1500):
    """Centre line (count, 3) of the tape on the bottom, mm."""
    plan, normal, _ = _root_plan()
    return hull_point(_even(plan + TAPE_HULL_MM * normal, count, 0.0))


def skeg_tape_curve(count=1500):
    """Centre line (count, 3) of the tape round the skeg, mm."""
    along = np.arange(count) * _section()[2] / count
    return skeg_point(along, np.full(count, TAPE_SKEG_MM))


# --- the scan ---------------------------------------------------------------------------------------------------


def _even(closed, count, phase):
    """Count points evenly along a closed line (k, d)."""
    ring = np.concatenate([closed, closed[:1]])
    gone = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(ring, axis=0), axis=1))])
    at = (np.arange(count) + phase) % count * gone[-1] / count
    return np.stack([np.interp(at, gone, ring[:, k]) for k in range(closed.shape[1])], 1)


def _edge_mm(distance):
    """Wanted length of the triangles' sides by distance from the corner."""
    return np.interp(distance, [0, 120, 200, 420], [2.9, 3.5, 4.7, 8.6])


def _hull_patch(root_along, rng):
    """Plan coordinates and triangles of the bottom; the first vertices are the corner's."""
    plan, normal, along = _root_plan()
    first = np.stack([np.interp(root_along, along, plan[:, k]) for k in (0, 1)], 1)
    points, d = [first], 0.0
    while d < 560:
        edge = _edge_mm(d)
        d += 0.866 * edge
        ring = plan + d * normal
        size = np.linalg.norm(ring - np.roll(ring, 1, axis=0), axis=1).sum()
        p = _even(ring, round(size / edge), rng.random())
        points.append(p + rng.normal(0, 0.13 * edge, p.shape) * (d > 4))
    points = np.concatenate(points)
    distance = cKDTree(plan).query(points, workers=1)[0]
    angle = np.arctan2(points[:, 1], points[:, 0] - SKEG_X_MM)
    rim = 530 + 9 * np.sin(5 * angle + 1) + 7 * np.sin(11 * angle) + 5 * np.sin(23 * angle + 2)
    keep = (distance < rim + 4 * rng.standard_normal(len(points))) | (np.arange(len(points)) < len(first))
    points, distance = points[keep], distance[keep]
    faces = Delaunay(points).simplices
    sides = np.linalg.norm(points[faces] - points[np.roll(faces, 1, axis=1)], axis=2)
    # what spans the footprint joins corner vertices only; what spans the ragged rim is long
    faces = faces[(faces >= len(first)).any(1) & (sides.max(1) < 3 * _edge_mm(distance[faces].max(1)))]
    return points, distance, faces


def _skeg_patch(root_along, rng):
    """Lengths along and down, and triangles, of the skeg's side; first row the corner, last row the tip's edge."""
    total = _section()[2]
    rows, drop = [np.column_stack([root_along, np.zeros(len(root_along))])], 0.0
    while True:
        edge = _edge_mm(drop)
        drop += 0.866 * edge
        if drop > SKEG_DEPTH_MM - 0.5 * edge:
            break
        count = round(total / edge)
        at = (np.arange(count) + rng.random()) * total / count
        jitter = rng.normal(0, 0.13 * edge, (count, 2)) * (drop > 4)
        rows.append(np.column_stack([at, np.full(count, drop)]) + jitter)
    count = round(total / edge)
    rows.append(np.column_stack([np.arange(count) * total / count, np.full(count, SKEG_DEPTH_MM)]))
    points = np.concatenate(rows)
    points[:, 0] %= total
    copies = np.concatenate([points + (k * total, 0) for k in (-1, 0, 1)])
    faces = Delaunay(copies).simplices
    middle = copies[faces].mean(1)
    flat = np.ptp(copies[faces][:, :, 1], axis=1) < 1e-6
    faces = faces[(middle[:, 0] >= 0) & (middle[:, 0] < total) & ~flat] % len(points)
    return points, faces, count


def _tip_patch(rim, rng):
    """Inner points (k, 3) of the tip, its edge rounded to 25 mm, and its triangles over rim then inner points."""
    radius, edge = 25.0, 5.5
    line = _section_at(_section()[1], np.full(16000, -DRAUGHT_MM - SKEG_DEPTH_MM))
    near, lengths = cKDTree(line), np.linalg.norm(line - np.roll(line, 1, axis=0), axis=1)
    tangent = np.roll(line, -4, axis=0) - np.roll(line, 4, axis=0)
    inward = np.stack([-tangent[:, 1], tangent[:, 0]], 1) / np.linalg.norm(tangent, axis=1, keepdims=True)
    found = []
    for turn in np.arange(1, round(np.pi / 2 * radius / edge)) * edge / radius:
        inset = radius * (1 - np.cos(turn))
        p = _even(line + inset * inward, round(lengths.sum() / edge), rng.random())
        found.append(p[near.query(p)[0] > 0.97 * inset])
    x, y = np.meshgrid(np.arange(line[:, 0].min(), line[:, 0].max(), edge), np.arange(-60, 60, edge * 0.866))
    flat = np.column_stack([(x + edge / 2 * (np.arange(len(x)) % 2)[:, None]).ravel(), y.ravel()])
    inside = Delaunay(line[::20]).find_simplex(flat) >= 0
    found.append(flat[inside & (near.query(flat)[0] > radius)])
    p = _thinned(np.concatenate(found))
    depth = np.clip(radius - near.query(p)[0], 0, None)
    z = rim[0, 2] - np.sqrt(radius**2 - depth**2)
    return np.column_stack([p, z]), Delaunay(np.concatenate([rim[:, :2], p])).simplices


def _thinned(points, gap_mm=1.2):
    """Points without those that lie closer than gap_mm to one kept before."""
    keep = np.ones(len(points), bool)
    for i, j in sorted(cKDTree(points).query_pairs(gap_mm)):
        keep[j] &= not keep[i]
    return points[keep]


@dataclass(frozen=True)
class Scan:
    """A mesh in mm with colours."""

    vertices_mm: np.ndarray
    faces: np.ndarray
    colors: np.ndarray


def true_surface(rng):
    """The painted surface without its faults: a Scan whose vertices lie on the formulas."""
    total = _section()[2]
    count = round(total / _edge_mm(0.0))
    root_along = np.arange(count) * total / count
    plan, out, hull_faces = _hull_patch(root_along, rng)
    side, side_faces, rim_count = _skeg_patch(root_along, rng)
    hull, skeg = hull_point(plan), skeg_point(side[:, 0], side[:, 1])
    hull[:count] = corner_curve(root_along)
    rim = skeg[-rim_count:]
    tip, tip_faces = _tip_patch(rim, rng)
    shift = len(hull) - count
    side_faces = np.where(side_faces < count, side_faces, side_faces + shift)
    tip_faces = tip_faces + len(hull) + len(skeg) - count - rim_count
    points = np.concatenate([hull, skeg[count:], tip])
    faces = np.concatenate(
        [
            _facing(points, hull_faces, (SKEG_X_MM, 0.0, 0.0)),
            _facing(points, side_faces, None),
            _facing(points, tip_faces, (SKEG_X_MM, 0.0, 0.0)),
        ]
    )
    tape = np.maximum(
        _painted(points, hull_tape_curve(6000), gaps=(700, 4100)),
        _painted(points, skeg_tape_curve(6000), gaps=(1500,)),
    )
    return Scan(points, faces, _colour(points, faces, tape, rng))


def _facing(points, faces, centre):
    """Turn each face away from a centre, or from the skeg's middle plane line where none is given."""
    p = points[faces]
    middle = p.mean(1)
    away = middle - (np.array(centre) if centre else _spine(middle))
    cross = np.cross(p[:, 1] - p[:, 0], p[:, 2] - p[:, 0])
    turned = (cross * away).sum(1) < 0
    return np.where(turned[:, None], faces[:, ::-1], faces)


def _spine(points):
    """The nearest points of the skeg's middle line at each height: what its sides face away from."""
    line = _section()[0]
    x = np.clip(points[:, 0], SKEG_X_MM + line[:, 0].min() + 60, SKEG_X_MM + line[:, 0].max() - 60)
    return np.column_stack([x, np.zeros(len(x)), points[:, 2]])


def _painted(points, curve, gaps):
    """How far each vertex is covered by tape along a curve, 0 to 1; 8 mm are bare at each gap."""
    distance, at = cKDTree(curve).query(points)
    cover = np.clip((TAPE_WIDTH_MM / 2 - distance) / 1.2 + 0.5, 0, 1)
    for gap in gaps:
        along = np.abs((at - gap + 3000) % 6000 - 3000) * np.linalg.norm(curve[gap + 1] - curve[gap])
        cover[along < 3.5] = 0
    return cover


def _waves(points, scale_mm, rng):
    """A smooth random field of unit variance and Gaussian correlation over scale_mm (random Fourier features)."""
    wave, phase = rng.normal(0, 1 / scale_mm, (160, 3)), rng.uniform(0, 2 * np.pi, 160)
    return np.sqrt(2 / 160) * np.cos(points @ wave.T + phase).sum(1)


def _normals(points, faces):
    p = points[faces]
    cross = np.cross(p[:, 1] - p[:, 0], p[:, 2] - p[:, 0])
    out = np.zeros_like(points)
    for i in range(3):
        np.add.at(out, faces[:, i], cross)
    return out / np.linalg.norm(out, axis=1, keepdims=True)


def _colour(points, faces, tape, rng):
    """Vertex colours (n, 3) uint8: paint and tape under uneven light."""
    light = np.array([0.35, 0.5, -0.79])
    shade = 0.8 + 0.22 * (_normals(points, faces) @ light) + 0.05 * _waves(points, 150, rng)
    hull = np.array(HULL_COLOUR) + np.outer(_waves(points, 60, rng), (4, 3, 4))
    flat = hull * (1 - tape[:, None]) + np.array(TAPE_COLOUR) * tape[:, None]
    noisy = flat * shade[:, None] + rng.normal(0, 4, (len(points), 1)) + rng.normal(0, 3, points.shape)
    return np.clip(noisy, 0, 255).round().astype(np.uint8)


def _with_noise(scan, rng):
    """Move the vertices as a scanner does: 0.45 mm rms in waves of about 30 mm, 0.4 mm rms of grain."""
    p = scan.vertices_mm
    along = 0.45 * _waves(p, 15, rng) + 0.4 * rng.standard_normal(len(p))
    moved = p + along[:, None] * _normals(p, scan.faces) + rng.normal(0, 0.12, p.shape)
    return Scan(moved, scan.faces, scan.colors)


def fault_places():
    """Where the scan is faulty: name -> list of (point (3,) mm, size mm)."""
    x = SKEG_X_MM

    def at(dx, girth):
        return hull_point(np.array([[x + dx, girth]], dtype=float))[0]

    return {
        "hole": [(at(60, 128), 24.0), (at(-520, 190), 36.0), (at(240, -390), 30.0), (at(590, 150), 28.0)],
        "flipped": [(at(120, 330), 110.0), (at(-330, -290), 80.0), (at(-30, -110), 50.0)],
    }


def _with_faults(scan, rng):
    """Holes, flipped patches, seams of unmerged vertices, and scraps floating near by."""
    middle = scan.vertices_mm[scan.faces].mean(1)
    ragged = 1 + 0.12 * _waves(middle, 8, rng)
    keep, faces = np.ones(len(middle), bool), scan.faces.copy()
    for p, size in fault_places()["hole"]:
        keep &= np.linalg.norm(middle - p, axis=1) > size / 2 * ragged
    for p, size in fault_places()["flipped"]:
        turned = np.linalg.norm(middle - p, axis=1) < size / 2 * ragged
        faces[turned] = faces[turned][:, ::-1]
    faces, middle = faces[keep], middle[keep]
    chunk = np.digitize(middle[:, 0] + 15 * _waves(middle, 40, rng), SKEG_X_MM + np.array([-420, -90, 260]))
    return _with_scraps(_seamed(Scan(scan.vertices_mm, faces, scan.colors), chunk), rng)


def _seamed(scan, chunk):
    """Give each chunk of faces vertices of its own, as scans stitched from blocks have."""
    key = scan.faces + (chunk * len(scan.vertices_mm))[:, None]
    used, inverse = np.unique(key, return_inverse=True)
    old = used % len(scan.vertices_mm)
    return Scan(scan.vertices_mm[old], inverse.reshape(-1, 3), scan.colors[old])


def _with_scraps(scan, rng):
    """Add six small sheets hanging in the air, 25 to 70 mm off the surface."""
    points, faces, colors = [scan.vertices_mm], [scan.faces], [scan.colors]
    normals, count = _normals(scan.vertices_mm, scan.faces), len(scan.vertices_mm)
    for _ in range(6):
        i = rng.integers(len(scan.vertices_mm))
        k = int(rng.integers(3, 7))
        u, v = np.meshgrid(np.arange(k + 1) * 6.0, np.arange(k + 1) * 6.0, indexing="ij")
        sheet = np.column_stack([u.ravel(), v.ravel(), rng.normal(0, 1.5, u.size)])
        points.append(sheet + scan.vertices_mm[i] + rng.uniform(25, 70) * normals[i])
        faces.append(grid_triangles(k, k) + count)
        colors.append(np.repeat(scan.colors[i][None], u.size, axis=0))
        count += u.size
    return Scan(np.concatenate(points), np.concatenate(faces), np.concatenate(colors))


@cache
def skeg_scan():
    """The scan as it is written, still in mm."""
    rng = np.random.default_rng(SEED)
    return _with_faults(_with_noise(true_surface(rng), rng), rng)


# --- the panel --------------------------------------------------------------------------------------------------


def panel_point(x, z):
    """Points (..., 3) of the port side of the hull, mm."""
    x, z = np.broadcast_arrays(np.asarray(x, float), np.asarray(z, float))
    return np.stack([x, wigley_half_breadth(x, z), z], -1)


def bow_panel(nx=50, nz=150):
    """The bow panel (vertices (n, 3) mm, faces (m, 3)): port side, triangles about five times as long as high."""
    x, z = np.linspace(2900, 4200, nx + 1), np.linspace(-700, -50, nz + 1)
    points = panel_point(*np.meshgrid(x, z, indexing="ij")).reshape(-1, 3)
    return points, grid_triangles(nx, nz)[:, ::-1]


# --- the bilge --------------------------------------------------------------------------------------------------


def bilge_z(y):
    """Height of the tender's skin at a half breadth on the bottom, keel at y = 0; both sides of the keel."""
    return np.abs(y) * np.tan(np.radians(BILGE_DEADRISE_DEG))


def bilge_side_y(z):
    """Half breadth of the topside at a height above the chine."""
    return BILGE_CHINE_MM + (z - bilge_z(BILGE_CHINE_MM)) * np.tan(np.radians(BILGE_FLARE_DEG))


def tube_axis():
    """A point of the rudder tube's axis on the bottom, and its direction upward, raked aft."""
    x, y = TUBE_AT_MM
    rake = np.radians(TUBE_RAKE_DEG)
    return np.array([x, y, bilge_z(y)]), np.array([-np.sin(rake), 0.0, np.cos(rake)])


def tube_corner(count):
    """Where the tube's wall meets the bottom (count, 3): the generators of the tube against the plane of the bottom."""
    base, axis = tube_axis()
    slope = np.tan(np.radians(BILGE_DEADRISE_DEG))
    across = np.array([0.0, 1.0, 0.0])
    fore = np.cross(across, axis)
    angle = 2 * np.pi * np.arange(count) / count
    wall = base + TUBE_RADIUS_MM * (np.cos(angle)[:, None] * fore + np.sin(angle)[:, None] * across)
    # On the plane z = slope y: wall + t axis.
    t = (slope * wall[:, 1] - wall[:, 2]) / (axis[2] - slope * axis[1])
    return wall + t[:, None] * axis


def _plate(corners, edge_mm, hole=None, rng=None):
    """A flat plate (points (n, 2), faces) within a convex outline, and outside a convex hole whose points it uses."""
    ring = []
    for a, b in zip(corners, np.roll(corners, -1, axis=0)):
        k = max(round(np.linalg.norm(b - a) / edge_mm), 1)
        ring.append(a + (b - a) * (np.arange(k) / k)[:, None])
    rim = np.concatenate([*ring, *([] if hole is None else [hole])])
    low, high = corners.min(0), corners.max(0)
    grid = np.stack(np.meshgrid(*[np.arange(a, b, edge_mm) for a, b in zip(low, high)], indexing="ij"), -1).reshape(-1, 2)
    grid = grid + rng.uniform(-0.2, 0.2, grid.shape) * edge_mm
    near = cKDTree(rim).query(grid)[0]
    grid = grid[_within(grid, corners) & (near > 0.6 * edge_mm)]
    if hole is not None:
        grid = grid[~_within(grid, hole)]
    points = np.concatenate([rim, grid])
    faces = Delaunay(points).simplices
    middle = points[faces].mean(1)
    inside = _within(middle, corners) & (True if hole is None else ~_within(middle, hole))
    faces = faces[inside]
    p = points[faces]
    (ax, ay), (bx, by) = (p[:, 1] - p[:, 0]).T, (p[:, 2] - p[:, 0]).T
    turned = ax * by - ay * bx < 0
    faces[turned] = faces[turned][:, ::-1]
    return points, faces


def _within(points, polygon):
    """Whether points lie within a convex polygon given anticlockwise."""
    a, along = polygon, np.roll(polygon, -1, axis=0) - polygon
    off = points[:, None] - a
    return (along[:, 0] * off[..., 1] - along[:, 1] * off[..., 0] > 1e-9).all(1)


def _tube_wall(rows=14):
    """The tube's wall above the bottom (points (n, 3), faces): the first points are the corner's."""
    corner = tube_corner(48)
    base, axis = tube_axis()
    top = TUBE_LENGTH_MM - (corner - base) @ axis
    points = corner + (np.arange(rows + 1) / rows)[:, None, None] * top[:, None] * axis
    i, k = np.meshgrid(np.arange(rows), np.arange(48), indexing="ij")
    a, b = i * 48 + k, i * 48 + (k + 1) % 48
    c, d = a + 48, b + 48
    quads = np.where(((i + k) % 2 == 0)[..., None], np.stack([a, b, d, a, d, c], -1), np.stack([a, b, c, b, d, c], -1))
    return points.reshape(-1, 3), quads.reshape(-1, 3)


def bilge(edge_mm=14.0):
    """The compartment (vertices (n, 3) mm, faces (m, 3)), seen from inside the boat."""
    rng = np.random.default_rng(SEED)
    keel, chine, top, long = BILGE_KEEL_MM, BILGE_CHINE_MM, BILGE_TOP_MM, BILGE_LENGTH_MM
    z0, z1, y1 = bilge_z(keel), bilge_z(chine), bilge_side_y(top)

    def lifted(low, high, hole=None, stop=0.5):
        """A skin plate between two lines (y, z) along the boat: x, and the length up from the first line.

        At a share of the way up, its after edge has a point, where the bulkhead ends.
        """
        way = np.subtract(high, low)
        up = np.linalg.norm(way)
        outline = np.array([[0, 0], [long, 0], [long, up], [0, up], [0, stop * up]])
        points, faces = _plate(outline, edge_mm, hole, rng)
        return np.column_stack([points[:, 0], np.add(low, points[:, 1:] * way / up)]), faces

    corner = tube_corner(48)
    hole = np.column_stack([corner[:, 0], np.hypot(corner[:, 1], corner[:, 2])])
    starboard = lifted((keel, z0), (0.0, 0.0))
    port = lifted((0.0, 0.0), (chine, z1), hole)
    sheer = top + 120
    side = lifted((chine, z1), (bilge_side_y(sheer), sheer), stop=(top - z1) / (sheer - z1))
    # The skin's after edges have a point half way; so has the bulkhead there.
    section = np.array([[keel, z0], [keel / 2, z0 / 2], [0, 0], [chine / 2, z1 / 2], [chine, z1], [y1, top], [keel, top]])
    flat, faces = _plate(section, edge_mm, rng=rng)
    wall = np.column_stack([np.zeros(len(flat)), flat]), faces
    return _joined([starboard, port, side, wall, _tube_wall()])


def _joined(parts):
    """Several plates as one list of triangles; their edges meet point by point where they are as long."""
    count, points, faces = 0, [], []
    for p, f in parts:
        points.append(p)
        faces.append(f + count)
        count += len(p)
    return np.concatenate(points), np.concatenate(faces)


# --- files ------------------------------------------------------------------------------------------------------


def write_ply(path, scan):
    """Write a Scan as binary PLY in metres."""
    vertex = np.zeros(len(scan.vertices_mm), [("p", "<f4", 3), ("c", "u1", 3)])
    vertex["p"], vertex["c"] = scan.vertices_mm / 1000, scan.colors
    face = np.zeros(len(scan.faces), [("n", "u1"), ("v", "<i4", 3)])
    face["n"], face["v"] = 3, scan.faces
    names = [f"property float {k}" for k in "xyz"] + [f"property uchar {k}" for k in ("red", "green", "blue")]
    head = ["ply", "format binary_little_endian 1.0", f"element vertex {len(vertex)}", *names]
    head += [f"element face {len(face)}", "property list uchar int vertex_indices", "end_header", ""]
    path.write_bytes("\n".join(head).encode("ascii") + vertex.tobytes() + face.tobytes())


def write_stl(path, points, faces):
    """Write triangles as binary STL in mm."""
    p = points[faces]
    cross = np.cross(p[:, 1] - p[:, 0], p[:, 2] - p[:, 0])
    facet = np.zeros(len(faces), [("n", "<f4", 3), ("p", "<f4", (3, 3)), ("a", "<u2")])
    facet["n"], facet["p"] = cross / np.linalg.norm(cross, axis=1, keepdims=True), p
    path.write_bytes((path.stem.replace("_", " ") + ", mm").encode("ascii").ljust(80) + np.uint32(len(faces)).tobytes() + facet.tobytes())


def write(folder):
    """Write all files; return rows of (name, unit, triangles, vertices, bytes)."""
    folder.mkdir(parents=True, exist_ok=True)
    scan = skeg_scan()
    write_ply(folder / "skeg_scan.ply", scan)
    sizes = [("skeg_scan.ply", "m", scan.faces, scan.vertices_mm)]
    for name, (points, faces) in (("bow_panel.stl", bow_panel()), ("bilge.stl", bilge())):
        write_stl(folder / name, points, faces)
        sizes.append((name, "mm", faces, points))
    return [(n, u, len(f), len(v), (folder / n).stat().st_size) for n, u, f, v in sizes]


def main():
    """Write the files and say what they are."""
    ask = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    here = Path(__file__).resolve().parent.parent / "meshes_demo"
    ask.add_argument("-o", "--output", type=Path, default=here)
    print(f"{'file':16}{'unit':>5}{'triangles':>11}{'vertices':>10}{'MB':>7}")
    for name, unit, faces, vertices, size in write(ask.parse_args().output):
        print(f"{name:16}{unit:>5}{faces:11,}{vertices:10,}{size / 1e6:7.2f}")
    for what, places in fault_places().items():
        for p, size in places:
            print(f"{what} of {size:.0f} mm at ({p[0]:.0f}, {p[1]:.0f}, {p[2]:.0f}) mm")


if __name__ == "__main__":
    main()

"""Analytic surfaces as irregular triangle meshes, in mm, for every test.

Each function returns ``(vertices, faces)``: (n, 3) float and (m, 3) int arrays, anticlockwise seen from the outside
(the air side). Functions ending in ``_developed`` also return the exact development, (n, 2), of the same vertices.
The interiors are jittered and joined by Delaunay's rule, so that nothing is regular by accident; the same arguments
always give the same mesh.
"""

from __future__ import annotations

import numpy as np
from scipy.integrate import cumulative_simpson, dblquad
from scipy.interpolate import CubicSpline
from scipy.optimize import brentq
from scipy.spatial import ConvexHull, Delaunay


# -- parameter planes ----------------------------------------------------------------------------------------------
def _delaunay(points):
    """Delaunay triangles of a convex set of points, anticlockwise, without those of no area on straight sides."""
    tri = Delaunay(points).simplices.astype(np.int64)
    a, b, c = (points[tri[:, i]] for i in range(3))
    area2 = (b[:, 0] - a[:, 0]) * (c[:, 1] - a[:, 1]) - (b[:, 1] - a[:, 1]) * (c[:, 0] - a[:, 0])
    tri[area2 < 0] = tri[area2 < 0][:, [0, 2, 1]]
    keep = np.abs(area2) > 1e-6 * np.median(np.abs(area2))
    return tri[keep]


def _jittered_grid(low, high, step, seed, jitter=0.3):
    """Points of a hexagonal grid strictly inside a rectangle, each moved at random by up to ``jitter`` steps."""
    rng = np.random.default_rng(seed)
    ny = max(int(round((high[1] - low[1]) / (step * np.sqrt(3) / 2))), 2)
    nx = max(int(round((high[0] - low[0]) / step)), 2)
    sx, sy = (high[0] - low[0]) / nx, (high[1] - low[1]) / ny
    rows = []
    for j in range(1, ny):
        shift = 0.25 if j % 2 else 0.75
        x = low[0] + (np.arange(nx) + shift) * sx
        rows.append(np.stack([x, np.full(nx, low[1] + j * sy)], axis=1))
    p = np.concatenate(rows)
    return p + rng.uniform(-jitter, jitter, p.shape) * [sx, sy]


def rectangle(width, height, triangles=2000, seed=0):
    """Flat points and triangles of a rectangle with one corner at the origin."""
    step = np.sqrt(width * height / triangles * 4 / np.sqrt(3))
    nx, ny = max(int(round(width / step)), 1), max(int(round(height / step)), 1)
    x, y = np.linspace(0, width, nx + 1), np.linspace(0, height, ny + 1)
    sides = [np.stack([x, 0 * x], 1), np.stack([x, 0 * x + height], 1)]
    sides += [np.stack([0 * y[1:-1], y[1:-1]], 1), np.stack([0 * y[1:-1] + width, y[1:-1]], 1)]
    inner = _jittered_grid((0, 0), (width, height), step, seed)
    gap = 0.3 * step
    inside = (inner > gap).all(1) & (inner < [width - gap, height - gap]).all(1)
    p = np.concatenate([*sides, inner[inside]])
    return p, _delaunay(p)


def disc(radius, triangles=2000, seed=0):
    """Flat points and triangles of a disc round the origin."""
    step = np.sqrt(np.pi * radius**2 / triangles * 4 / np.sqrt(3))
    count = max(int(round(2 * np.pi * radius / step)), 6)
    angle = 2 * np.pi * np.arange(count) / count
    rim = radius * np.stack([np.cos(angle), np.sin(angle)], 1)
    inner = _jittered_grid((-radius, -radius), (radius, radius), step, seed)
    inner = inner[np.hypot(*inner.T) < radius - 0.6 * step]
    p = np.concatenate([rim, inner])
    return p, _delaunay(p)


def _tube(around, along, seed, jitter=0.25):
    """Parameters (angle, row) and triangles of a tube, periodic in the angle; end rows are not moved."""
    rng = np.random.default_rng(seed)
    i, j = np.meshgrid(np.arange(around), np.arange(along + 1), indexing="ij")
    angle = (i + rng.uniform(-jitter, jitter, i.shape)) * 2 * np.pi / around
    row = j + rng.uniform(-jitter, jitter, j.shape) * ((j > 0) & (j < along))
    at = i * (along + 1) + j
    a, b = at[:, :-1].ravel(), np.roll(at, -1, 0)[:, :-1].ravel()
    c, d = np.roll(at, -1, 0)[:, 1:].ravel(), at[:, 1:].ravel()
    turn = rng.random(len(a)) < 0.5
    first = np.where(turn[:, None], np.stack([a, b, c], 1), np.stack([a, b, d], 1))
    second = np.where(turn[:, None], np.stack([a, c, d], 1), np.stack([b, c, d], 1))
    return angle.ravel(), row.ravel(), np.concatenate([first, second])


# -- developable surfaces ------------------------------------------------------------------------------------------
def cylinder_developed(radius=300.0, wrap_deg=200.0, height=800.0, triangles=20000, seed=0):
    """Patch of a circular cylinder about the z axis with its development."""
    flat, f = rectangle(radius * np.radians(wrap_deg), height, triangles, seed)
    angle = flat[:, 0] / radius
    return np.stack([radius * np.cos(angle), radius * np.sin(angle), flat[:, 1]], 1), f, flat


def cylinder(radius=300.0, wrap_deg=200.0, height=800.0, triangles=20000, seed=0):
    """Patch of a circular cylinder about the z axis."""
    return cylinder_developed(radius, wrap_deg, height, triangles, seed)[:2]


def cone_developed(half_deg=20.0, wrap_deg=220.0, near=300.0, far=1000.0, triangles=20000, seed=0):
    """Patch of a circular cone, apex at the origin and opening towards +z, with its development.

    ``near`` and ``far`` are distances from the apex along the rulings.
    """
    half = np.radians(half_deg)
    spread = np.radians(wrap_deg) * np.sin(half)
    middle = 0.5 * (near + far)
    p, f = rectangle(middle * spread, far - near, triangles, seed)
    psi, r = p[:, 0] / middle, near + p[:, 1]
    angle = psi / np.sin(half)
    v = np.stack([np.sin(half) * np.cos(angle), np.sin(half) * np.sin(angle), np.cos(half) + 0 * angle], 1)
    flat = r[:, None] * np.stack([np.cos(psi), np.sin(psi)], 1)
    return r[:, None] * v, f, flat * [1, -1]


def cone(half_deg=20.0, wrap_deg=220.0, near=300.0, far=1000.0, triangles=20000, seed=0):
    """Patch of a circular cone, apex at the origin."""
    return cone_developed(half_deg, wrap_deg, near, far, triangles, seed)[:2]


def oblique_cone_developed(
    radius=300.0, height=900.0, shift=250.0, wrap_deg=200.0, near=0.35, triangles=20000, seed=0
):
    """Patch of an oblique circular cone with its development by numerical integration.

    The apex stands over (shift, 0) at ``height``, the base circle lies in z = 0; ``near`` is where the patch starts,
    as a share of the way from the apex to the base.
    """
    apex = np.array([shift, 0.0, height])
    phi = np.linspace(0.0, np.radians(wrap_deg), 20001) + np.radians(20.0)
    w = np.stack([radius * np.cos(phi), radius * np.sin(phi), 0 * phi], 1) - apex
    dw = np.stack([-radius * np.sin(phi), radius * np.cos(phi), 0 * phi], 1)
    rho = np.linalg.norm(w, axis=1)
    # Arc length of the rulings' directions on the unit sphere is the angle in the development.
    speed = np.linalg.norm(np.cross(w, dw), axis=1) / rho**2
    psi = cumulative_simpson(speed, x=phi, initial=0.0)
    middle = 0.5 * (1 + near) * rho.mean()
    p, f = rectangle(middle * psi[-1], (1 - near) * rho.mean(), triangles, seed)
    angle = CubicSpline(psi, phi)(p[:, 0] / middle)
    share = near + p[:, 1] / rho.mean()
    base = np.stack([radius * np.cos(angle), radius * np.sin(angle), 0 * angle], 1)
    v = apex + share[:, None] * (base - apex)
    r = share * CubicSpline(phi, rho)(angle)
    turned = p[:, 0] / middle
    return v, f[:, [0, 2, 1]], r[:, None] * np.stack([np.cos(turned), np.sin(turned)], 1)


def oblique_cone(radius=300.0, height=900.0, shift=250.0, wrap_deg=200.0, near=0.35, triangles=20000, seed=0):
    """Patch of an oblique circular cone."""
    return oblique_cone_developed(radius, height, shift, wrap_deg, near, triangles, seed)[:2]


def tangent_developable_developed(
    radius=200.0, rise=150.0, turns_deg=150.0, near=150.0, far=600.0, triangles=20000, seed=0
):
    """Patch swept by the tangents of a helix with its development: the same tangents of a circle.

    ``rise`` is the helix's rise per radian, ``near`` and ``far`` are measured along the tangents. The helix's
    curvature k = radius / (radius² + rise²) is that of the circle.
    """
    speed = np.hypot(radius, rise)
    curvature = radius / speed**2
    wide = speed * np.radians(turns_deg)
    p, f = rectangle(wide * np.sqrt(1 + (curvature * 0.5 * (near + far)) ** 2), far - near, triangles, seed)
    t = p[:, 0] / p[:, 0].max() * np.radians(turns_deg)
    along = near + p[:, 1]
    tangent = np.stack([-radius * np.sin(t), radius * np.cos(t), rise + 0 * t], 1) / speed
    v = np.stack([radius * np.cos(t), radius * np.sin(t), rise * t], 1) + along[:, None] * tangent
    turn = curvature * speed * t
    flat = np.stack([np.cos(turn), np.sin(turn)], 1) / curvature
    flat += along[:, None] * np.stack([-np.sin(turn), np.cos(turn)], 1)
    return v, f[:, [0, 2, 1]], flat


def tangent_developable(
    radius=200.0, rise=150.0, turns_deg=150.0, near=150.0, far=600.0, triangles=20000, seed=0
):
    """Patch swept by the tangents of a helix."""
    return tangent_developable_developed(radius, rise, turns_deg, near, far, triangles, seed)[:2]


# -- doubly curved patches -----------------------------------------------------------------------------------------
def cap(angle_deg=45.0, radius=1000.0, triangles=20000, seed=0):
    """Spherical cap round +z; ``angle_deg`` from the pole to the rim. Lambert's equal-area map spreads the points."""
    a = np.radians(angle_deg)
    p, f = disc(2 * np.sin(a / 2), triangles, seed)
    r = np.hypot(*p.T)
    colat = 2 * np.arcsin(np.clip(r / 2, 0, 1))
    turn = p / np.where(r > 0, r, 1.0)[:, None]
    return radius * np.stack([np.sin(colat) * turn[:, 0], np.sin(colat) * turn[:, 1], np.cos(colat)], 1), f


def saddle(size=1000.0, rise=200.0, triangles=20000, seed=0):
    """Square patch of z = rise (x² - y²) / (size/2)², seen from +z."""
    p, f = rectangle(size, size, triangles, seed)
    p = p - size / 2
    return np.column_stack([p, rise * (p[:, 0] ** 2 - p[:, 1] ** 2) / (size / 2) ** 2]), f


def noisy_sheet(width=1000.0, height=700.0, noise=0.5, triangles=20000, seed=0):
    """Flat sheet with normal scanning noise on z, standard deviation ``noise``."""
    p, f = rectangle(width, height, triangles, seed)
    return np.column_stack([p, np.random.default_rng(seed + 1).normal(0, noise, len(p))]), f


def smooth_patch(size=1000.0, rise=80.0, waves=3, triangles=2000, seed=0):
    """Square height field of a few random long waves; its greatest height is ``rise``."""
    p, f = rectangle(size, size, triangles, seed)
    rng = np.random.default_rng(seed + 7)
    z = np.zeros(len(p))
    for _ in range(waves):
        k = rng.normal(0, 1.2, 2) * np.pi / size
        z += rng.normal() * np.cos(p @ k + rng.uniform(0, 2 * np.pi))
    z *= rise / np.abs(z).max()
    return np.column_stack([p, z]), f


def wigley(length=9000.0, beam=1800.0, draft=600.0, triangles=20000, seed=0):
    """Port half of the Wigley parabolic hull, y = (B/2)(1 - (2x/L)²)(1 - (z/T)²), -T <= z <= 0, seen from outside."""
    p, f = rectangle(length, draft, triangles, seed)
    x, z = p[:, 0] - length / 2, p[:, 1] - draft
    return np.stack([x, _wigley_y(x, z, length, beam, draft), z], 1), f[:, [0, 2, 1]]


def _wigley_y(x, z, length, beam, draft):
    return beam / 2 * (1 - (2 * x / length) ** 2) * (1 - (z / draft) ** 2)


def wigley_area(length=9000.0, beam=1800.0, draft=600.0):
    """Area of one half of the Wigley hull by numerical integration of the formula."""

    def element(z, x):
        y_x = -4 * beam * x / length**2 * (1 - (z / draft) ** 2)
        y_z = -beam * z / draft**2 * (1 - (2 * x / length) ** 2)
        return np.sqrt(1 + y_x**2 + y_z**2)

    return dblquad(element, -length / 2, length / 2, -draft, 0.0, epsrel=1e-10)[0]


# -- closed surfaces and rings -------------------------------------------------------------------------------------
def sphere(radius=1000.0, triangles=20000, seed=0):
    """Whole sphere: jittered Fibonacci points and their convex hull."""
    n = triangles // 2 + 2
    i = np.arange(n) + 0.5
    z, turn = 1 - 2 * i / n, np.pi * (1 + np.sqrt(5)) * i
    p = np.stack([np.sqrt(1 - z**2) * np.cos(turn), np.sqrt(1 - z**2) * np.sin(turn), z], 1)
    p += np.random.default_rng(seed).uniform(-0.5, 0.5, p.shape) / np.sqrt(n)
    p /= np.linalg.norm(p, axis=1, keepdims=True)
    return radius * p, _outward(p, ConvexHull(p).simplices.astype(np.int64))


def _outward(v, f):
    a, b, c = (v[f[:, i]] for i in range(3))
    wrong = (np.cross(b - a, c - a) * (a + b + c)).sum(1) < 0
    f[wrong] = f[wrong][:, [0, 2, 1]]
    return f


def torus(large=700.0, small=250.0, around=120, along=60, seed=0):
    """Whole torus about the z axis, 2 * around * along triangles."""
    angle, row, f = _tube(around, along, seed)
    ring = np.arange(around) * (along + 1)
    row = row * 2 * np.pi / along
    r = large + small * np.cos(row)
    v = np.stack([r * np.cos(angle), r * np.sin(angle), small * np.sin(row)], 1)
    # The last row is the first one again.
    to = np.arange(len(v))
    to[ring + along] = ring
    used, f = np.unique(to[f], return_inverse=True)
    return v[used], f.reshape(-1, 3)


def box(size=(400.0, 300.0, 200.0), steps=1):
    """Closed box round the origin; each face in 2 * steps² triangles, as a model export has it."""
    t = np.linspace(-0.5, 0.5, steps + 1)
    a, b = (q.ravel() for q in np.meshgrid(t, t, indexing="ij"))
    k = np.arange((steps + 1) ** 2).reshape(steps + 1, steps + 1)
    p, q, r, s = k[:-1, :-1].ravel(), k[1:, :-1].ravel(), k[1:, 1:].ravel(), k[:-1, 1:].ravel()
    tri = np.concatenate([np.stack([p, q, r], 1), np.stack([p, r, s], 1)])
    points, faces = [], []
    for axis in range(3):
        for side in (-0.5, 0.5):
            points.append(np.roll(np.stack([0 * a + side, a, b], 1), axis, axis=1))
            faces.append((tri if side > 0 else tri[:, [0, 2, 1]]) + len(a) * len(faces))
    v, inv = np.unique(np.concatenate(points).round(12), axis=0, return_inverse=True)
    return v * np.asarray(size), inv.ravel()[np.concatenate(faces)]


def post_on_plate(radius=100.0, height=80.0, reach=120.0, fillet=0.0, around=120, along=40, seed=0):
    """Ring round a post on a plate z = 0: the plate out to radius + reach, the post's wall up to ``height``.

    With a fillet radius the corner is rounded by a quarter circle tangent to both. Seen from outside the post and
    above the plate.
    """
    angle, row, f = _tube(around, along, seed)
    bend = 0.5 * np.pi * fillet
    lengths = np.array([reach - fillet, bend, height - fillet])
    total = lengths.sum()
    # A row of vertices runs exactly along each crease, so that the mesh holds the corner exactly.
    at = np.round(np.cumsum(lengths)[:2] / total * along)
    row = np.where(np.isin(np.round(row), at), np.round(row), row)
    s = np.interp(
        row,
        [0, *at, along] if fillet else [0, at[0], along],
        [0, lengths[0], lengths[0] + bend, total] if fillet else [0, lengths[0], total],
    )
    turn = (
        np.clip((s - lengths[0]) / fillet, 0, np.pi / 2)
        if fillet
        else np.where(s > lengths[0], np.pi / 2, 0.0)
    )
    flat = np.minimum(s, lengths[0])
    up = np.maximum(s - lengths[0] - bend, 0)
    r = radius + reach - flat - fillet * np.sin(turn)
    z = fillet * (1 - np.cos(turn)) + up
    return np.stack([r * np.cos(angle), r * np.sin(angle), z], 1), f


def foil_on_plate(chord=500.0, thick=0.15, height=90.0, reach=110.0, tail=3.0, around=160, along=40, seed=0):
    """Ring round a symmetrical foil section (four-digit thickness law) standing on a plate z = 0.

    The nose points to +x. The trailing edge is rounded with radius ``tail``. Rows run square to the section.
    """
    x = (1 - np.cos(np.linspace(0, np.pi, 1500))) / 2
    y = 5 * thick * (0.2969 * x**0.5 - 0.1260 * x - 0.3516 * x**2 + 0.2843 * x**3 - 0.1036 * x**4)
    half = chord * np.column_stack([0.5 - x, y])
    core = np.concatenate([half, (half * [1, -1])[-2:0:-1]])
    # Outward offset of the section: the trailing edge becomes an arc, so that every point has a normal.
    step = np.roll(core, -1, 0) - core
    before = np.arctan2(*(core - np.roll(core, 1, 0)).T[::-1])
    after = np.arctan2(*step.T[::-1])
    turn = (after - before + np.pi) % (2 * np.pi) - np.pi
    fan = [before[i] + np.linspace(0, 1, max(2, int(abs(turn[i]) / 0.01) + 2)) * turn[i] for i in range(len(core))]
    heading = np.concatenate(fan)
    normal = np.stack([np.sin(heading), -np.cos(heading)], 1)
    base = np.repeat(core, [len(a) for a in fan], axis=0) + tail * normal
    middle = base + 0.4 * reach * normal
    spread = np.r_[0, np.cumsum(np.linalg.norm(np.roll(middle, -1, 0) - middle, axis=1))]
    angle, row, f = _tube(around, along, seed)
    kink = round(along * reach / (reach + height))
    row = np.where(np.round(row) == kink, kink, row)
    s = np.interp(row, [0, kink, along], [-reach, 0, height])
    at = (angle / (2 * np.pi) % 1) * spread[-1]
    xy, n = (np.stack([np.interp(at, spread, np.r_[q[:, k], q[:1, k]]) for k in range(2)], 1) for q in (base, normal))
    n /= np.linalg.norm(n, axis=1, keepdims=True)
    return np.column_stack([xy + np.maximum(-s, 0)[:, None] * n, np.maximum(s, 0)]), f


# -- helpers for tests ---------------------------------------------------------------------------------------------
def turned(vertices, seed=0):
    """Return points after a random rotation and shift."""
    rng = np.random.default_rng(seed)
    q, _ = np.linalg.qr(rng.normal(size=(3, 3)))
    q *= np.sign(np.linalg.det(q))
    return vertices @ q.T + rng.normal(0, 500, 3)


def laid_on(moving, fixed):
    """Return (n, 2) points moved rigidly, without mirroring, to lie best on as many others."""
    a, b = moving - moving.mean(0), fixed - fixed.mean(0)
    cross = a[:, 0] @ b[:, 1] - a[:, 1] @ b[:, 0]
    t = np.arctan2(cross, (a * b).sum())
    return a @ np.array([[np.cos(t), np.sin(t)], [-np.sin(t), np.cos(t)]]) + fixed.mean(0)


# -- corners for fillets -------------------------------------------------------------------------------------------
def _graded(reach, step):
    """Distances from a corner from 0 to reach: even near it, growing far off."""
    out = [0.0]
    while out[-1] < reach:
        out.append(out[-1] + max(step, 0.12 * out[-1]))
    out = np.array(out)
    return out * reach / out[-1]


def wedge(angle_deg=90.0, length=200.0, first=120.0, second=120.0, step=4.0, seed=0):
    """Two flat walls that meet along the x axis from 0 to ``length`` at an angle, seen from between them.

    The first wall lies in z = 0 towards +y, the second leans over it; both run as far from the axis as stated.
    """
    rows = max(int(round(length / step)), 2)
    out = []
    for wall, reach in enumerate((first, second)):
        columns = max(int(round(reach / step)), 2)
        x, y = np.meshgrid(np.linspace(0, length, rows + 1), np.linspace(0, reach, columns + 1), indexing="ij")
        rng = np.random.default_rng(seed + wall)
        inner_x, inner_y = (x > 0) & (x < length), (y > 0) & (y < reach)
        x = x + rng.uniform(-0.25, 0.25, x.shape) * step * inner_x * inner_y
        y = y + rng.uniform(-0.25, 0.25, y.shape) * step * inner_y * inner_x
        a = 0.0 if wall == 0 else np.radians(angle_deg)
        at = np.arange(x.size).reshape(x.shape)
        p, q, r, s = at[:-1, :-1].ravel(), at[1:, :-1].ravel(), at[1:, 1:].ravel(), at[:-1, 1:].ravel()
        turn = rng.random(len(p))[:, None] < 0.5
        one = np.where(turn, np.stack([p, q, r], 1), np.stack([p, q, s], 1))
        two = np.where(turn, np.stack([p, r, s], 1), np.stack([q, r, s], 1))
        f = np.concatenate([one, two])
        v = np.stack([x.ravel(), y.ravel() * np.cos(a), y.ravel() * np.sin(a)], 1)
        out.append((v, f if wall == 0 else f[:, [0, 2, 1]]))
    (v1, f1), (v2, f2) = out
    v, inverse = np.unique(np.concatenate([v1, v2]).round(9), axis=0, return_inverse=True)
    return v, inverse.ravel()[np.concatenate([f1, f2 + len(v1)])]


def leaning_post(radius=30.0, tilt_deg=0.0, height=90.0, reach=130.0, step=4.0, seed=0):
    """Ring of the plate z = 0 round a circular post whose axis leans towards +x, and the post's wall.

    The corner is the ellipse in which the wall meets the plate: x = radius cos w / cos tilt, y = radius sin w. The
    walls run ``height`` along the post and about ``reach`` over the plate.
    """
    tilt = np.radians(tilt_deg)
    axis = np.array([np.sin(tilt), 0.0, np.cos(tilt)])
    around = max(int(round(2 * np.pi * radius / step)), 24)
    below, above = _graded(reach, step)[::-1], _graded(height, step)[1:]
    along = len(below) + len(above) - 1
    angle, row, f = _tube(around, along, seed)
    kink = len(below) - 1
    row = np.where(np.round(row) == kink, kink, row)
    s = np.interp(row, np.arange(along + 1), np.concatenate([-below, above]))
    foot = np.stack([radius * np.cos(angle) / np.cos(tilt), radius * np.sin(angle), 0 * angle], 1)
    out = np.stack([np.cos(angle), np.sin(angle), 0 * angle], 1)
    # A wall point at a height along the axis above the foot: rulings are straight.
    return foot + np.maximum(-s, 0)[:, None] * out + np.maximum(s, 0)[:, None] * axis, f


def waves(vertices, rms=0.5, length=5.0, seed=0):
    """Values (n,) of a random field with a standard deviation and a length over which it hangs together."""
    rng = np.random.default_rng(seed)
    k = rng.normal(0, 1.0 / length, (400, 3))
    phase = rng.uniform(0, 2 * np.pi, 400)
    total = np.zeros(len(vertices))
    for a, b in zip(k, phase):
        total += np.cos(vertices @ a + b)
    return rms * total * np.sqrt(2 / 400)


def rough(vertices, faces, rms=0.5, length=5.0, seed=0):
    """Return vertices moved along their normals by a random field that hangs together over a length."""
    p = vertices[faces]
    n = np.cross(p[:, 1] - p[:, 0], p[:, 2] - p[:, 0])
    total = np.stack([np.bincount(faces.ravel(), np.repeat(n[:, i], 3), minlength=len(vertices)) for i in range(3)], 1)
    total /= np.maximum(np.linalg.norm(total, axis=1, keepdims=True), 1e-300)
    return vertices + total * waves(vertices, rms, length, seed)[:, None]


# -- corners whose line is known -----------------------------------------------------------------------------------
def round_section(radius=40.0, count=2000):
    """Circle as (count, 2) points, anticlockwise."""
    t = 2 * np.pi * np.arange(count) / count
    return radius * np.stack([np.cos(t), np.sin(t)], 1)


def lumpy_section(radius=40.0, count=2000):
    """Closed smooth section with three harmonics."""
    t = 2 * np.pi * np.arange(count) / count
    r = radius * (1 + 0.12 * np.cos(t - 0.4) + 0.08 * np.cos(2 * t + 0.5) + 0.05 * np.cos(3 * t - 1.0))
    return r[:, None] * np.stack([np.cos(t), np.sin(t)], 1)


def foil_section(chord=120.0, thick=0.18, tail=0.5, count=4000):
    """Symmetrical foil (four-digit thickness law, its closed tail) offset by ``tail``, nose to +x, anticlockwise."""
    x = (1 - np.cos(np.linspace(0, np.pi, 3000))) / 2
    y = 5 * thick * (0.2969 * x**0.5 - 0.1260 * x - 0.3516 * x**2 + 0.2843 * x**3 - 0.1036 * x**4)
    upper = chord * np.column_stack([0.5 - x, y])
    core = np.concatenate([upper, (upper * [1, -1])[-2:0:-1]])
    step, back = np.roll(core, -1, 0) - core, core - np.roll(core, 1, 0)
    before, after = np.arctan2(back[:, 1], back[:, 0]), np.arctan2(step[:, 1], step[:, 0])
    turn = (after - before + np.pi) % (2 * np.pi) - np.pi
    out = [
        p + tail * np.stack([np.sin(h), -np.cos(h)], 1)
        for p, b, w in zip(core, before, turn)
        for h in [b + np.linspace(0, 1, max(2, int(abs(w) / 0.02) + 2)) * w]
    ]
    return _spread(np.concatenate(out), count)


def _spread(loop, count):
    """Closed polyline resampled at equal steps."""
    ring = np.vstack([loop, loop[:1]])
    at = np.r_[0, np.cumsum(np.linalg.norm(np.diff(ring, axis=0), axis=1))]
    s = at[-1] * np.arange(count) / count
    return np.stack([np.interp(s, at, ring[:, i]) for i in range(ring.shape[1])], 1)


def flat_hull(x, y):
    """The plane z = 0."""
    return 0.0 * x


def curved_hull(x, y):
    """Doubly curved: radii of about 700 mm along x and 400 mm along y, with a little twist."""
    return -(x**2) / 1400 - y**2 / 800 + x * y / 3000


def post_through(
    section, angle_deg=90.0, taper=0.0, height=110.0, size=300.0, step=3.0, hull=flat_hull, seed=0
):
    """Post of a closed section standing in a hull z = hull(x, y): ``(vertices, faces, corner)``.

    The axis makes ``angle_deg`` with z = 0 and leans towards +x; ``taper`` is the share by which the section grows per
    mm along it. The corner, (k, 3) at steps of 0.25 mm or so, is exact: each ruling meets the hull there.
    """
    a = np.radians(angle_deg)
    axis, across = np.array([np.cos(a), 0.0, np.sin(a)]), np.array([np.sin(a), 0.0, -np.cos(a)])
    flat = section[:, :1] * across + section[:, 1:] * [0.0, 1.0, 0.0]
    s = np.zeros(len(flat))
    for _ in range(60):
        p = s[:, None] * axis + (1 + taper * s)[:, None] * flat
        rate = (axis + taper * flat)[:, 2]
        s = s - (p[:, 2] - hull(p[:, 0], p[:, 1])) / rate
    root = s[:, None] * axis + (1 + taper * s)[:, None] * flat
    exact = _spread(root, 4 * int(closed_step(root) / 1.0))
    around = int(closed_step(root) / step)
    home = np.interp(np.arange(around) * closed_step(root) / around, *_at_length(root))
    pick = np.c_[flat, s]
    ring = np.stack([np.interp(home, np.arange(len(s) + 1), np.r_[q, q[:1]]) for q in pick.T], 1)
    wall, wall_f = _post_wall(ring[:, :3], ring[:, 3], axis, taper, height, step, seed)
    for _ in range(3):  # interpolated rulings are put back on the hull
        wall[:around, 2] = hull(wall[:around, 0], wall[:around, 1])
    plate, plate_f = _pierced(wall[:around, :2], size, step, seed)
    plate = np.column_stack([plate, hull(plate[:, 0], plate[:, 1])])
    extra = plate[around:]
    to = np.r_[np.arange(around), len(wall) + np.arange(len(extra))]
    return np.vstack([wall, extra]), np.vstack([wall_f, to[plate_f]]), exact


def closed_step(loop):
    """Length of a closed polyline."""
    return np.linalg.norm(loop - np.roll(loop, 1, axis=0), axis=1).sum()


def _at_length(loop):
    at = np.r_[0, np.cumsum(np.linalg.norm(np.roll(loop, -1, 0) - loop, axis=1))]
    return at, np.arange(len(loop) + 1)


def _post_wall(flat, root, axis, taper, height, step, seed):
    """Vertices of a post's wall, its root ring first, and its faces."""
    rng = np.random.default_rng(seed)
    n, rows = len(flat), max(int(height / step), 2)
    i, j = np.meshgrid(np.arange(n), np.arange(rows + 1))
    inner = (j > 0) & (j < rows)
    u = i + rng.uniform(-0.25, 0.25, i.shape) * (j > 0)
    t = (j + rng.uniform(-0.25, 0.25, i.shape) * inner) / rows * height
    q = np.stack([np.interp(u % n, np.arange(n + 1), np.r_[c, c[:1]]) for c in (*flat.T, root)], -1)
    s = q[..., 3] + t
    v = s[..., None] * axis + (1 + taper * s)[..., None] * q[..., :3]
    at = i + n * j
    a, b = at[:-1].ravel(), np.roll(at, -1, 1)[:-1].ravel()
    c, d = np.roll(at, -1, 1)[1:].ravel(), at[1:].ravel()
    turn = rng.random(len(a))[:, None] < 0.5
    one = np.where(turn, np.stack([a, b, c], 1), np.stack([a, b, d], 1))
    two = np.where(turn, np.stack([a, c, d], 1), np.stack([b, c, d], 1))
    return v.reshape(-1, 3), np.vstack([one, two])


def _pierced(hole, size, step, seed):
    """Square plate round the origin with a hole: points, those of the hole first, and triangles."""
    import shapely

    p, _ = rectangle(size, size, int(2.3 * (size / step) ** 2), seed)
    p = p - size / 2
    shape = shapely.Polygon(hole)
    shapely.prepare(shape)
    away = ~shapely.contains_xy(shape, *p.T) & (shapely.distance(shape, shapely.points(p)) > 0.6 * step)
    inside = shapely.Polygon(hole).buffer(-0.6 * step)
    core, _ = rectangle(size, size, int(2.3 * (size / step) ** 2), seed + 1)
    core = core - size / 2
    core = core[shapely.contains_xy(inside, *core.T)]
    q = np.vstack([hole, p[away], core])
    f = _delaunay(q)
    middle = q[f].mean(axis=1)
    f = f[~shapely.contains_xy(shape, *middle.T)]
    used, f = np.unique(f, return_inverse=True)
    to = q[used]
    if not np.array_equal(used[: len(hole)], np.arange(len(hole))):
        raise ValueError("the hole's edge is not part of the plate")
    return to, f.reshape(-1, 3)


def bulkhead_on_hull(angle_deg=90.0, length=300.0, width=140.0, height=140.0, step=3.0, hull=curved_hull, seed=0):
    """Flat bulkhead through the x axis standing on a hull z = hull(x, y): ``(vertices, faces, corner)``.

    The hull runs from the corner towards +y, the bulkhead upwards, leaning over the hull below 90°.
    """
    rise = np.array([0.0, np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))])

    def foot(x):
        t = 0.0 * x
        for _ in range(60):
            t = t - (t * rise[2] - hull(x, t * rise[1])) / rise[2] * 0.9
        return np.stack([x, t * rise[1], t * rise[2]], -1)

    columns, rows = int(length / step), (int(width / step), int(height / step))
    out = []
    for wall in range(2):
        rng = np.random.default_rng(seed + wall)
        i, j = np.meshgrid(np.arange(columns + 1), np.arange(rows[wall] + 1), indexing="ij")
        x = (i + rng.uniform(-0.25, 0.25, i.shape) * (i > 0) * (i < columns) * (j > 0)) * length / columns - length / 2
        t = (j + rng.uniform(-0.25, 0.25, i.shape) * (j > 0) * (j < rows[wall])) * step
        p = foot(x)
        if wall:
            p = p + t[..., None] * rise
        else:
            y = p[..., 1] + t
            p = np.stack([x, y, hull(x, y)], -1)
        if wall == 0:
            p[:, 0] = foot(x[:, 0])
        at = np.arange(i.size).reshape(i.shape)
        a, b, c, d = at[:-1, :-1].ravel(), at[1:, :-1].ravel(), at[1:, 1:].ravel(), at[:-1, 1:].ravel()
        turn = rng.random(len(a))[:, None] < 0.5
        f = np.concatenate([
            np.where(turn, np.stack([a, b, c], 1), np.stack([a, b, d], 1)),
            np.where(turn, np.stack([a, c, d], 1), np.stack([b, c, d], 1)),
        ])
        out.append((p.reshape(-1, 3), f if wall == 0 else f[:, [0, 2, 1]]))
    (v1, f1), (v2, f2) = out
    v, inverse = np.unique(np.concatenate([v1, v2]).round(9), axis=0, return_inverse=True)
    x = np.linspace(-length / 2, length / 2, 4 * int(length) + 1)
    return v, inverse.ravel()[np.concatenate([f1, f2 + len(v1)])], foot(x)


# -- faces bounded by creases --------------------------------------------------------------------------------------
def chine_line(x, length=600.0, beam=220.0):
    """Half breadth and height of the chine of `chine_hull` at stations x."""
    t = np.asarray(x) / length
    return beam * (1 - 0.35 * t**2), 30.0 + 60.0 * t**2


def chine_hull(length=600.0, beam=220.0, height=160.0, step=4.0, weak=(0.0, 0.0), seed=0):
    """Port half of a hull with a hard chine, keel at y = 0, seen from outside: ``(vertices, faces, chine)``.

    Bottom and side are ruled from keel to chine and from chine to sheer, each bulging a little. ``weak`` (from, to): between
    these stations the chine is rounded away over 60 mm to each side. The chine, (k, 3), is exact elsewhere.
    """
    x0 = np.linspace(0, length, int(length / step) + 1)
    b, z = chine_line(x0, length, beam)
    girth = [np.hypot(b, z).mean(), height - z.mean()]
    rows = [max(int(g / step), 4) for g in girth]
    rng = np.random.default_rng(seed)
    j = np.arange(rows[0] + rows[1] + 1)
    i, j = np.meshgrid(np.arange(len(x0)), j, indexing="ij")
    inner = (j > 0) & (j < rows[0] + rows[1]) & (j != rows[0])
    ends = (i > 0) & (i < len(x0) - 1)
    x = (i + rng.uniform(-0.25, 0.25, i.shape) * ends) * length / (len(x0) - 1)
    u = j + rng.uniform(-0.25, 0.25, i.shape) * inner
    v = _chine_section(x, u, rows, length, beam, height)
    if weak[1] > weak[0]:
        half = 25.0 / step
        w = np.clip((u - rows[0] + half) / (2 * half), 0, 1)
        low, middle, high = (
            _chine_section(x, 0 * u + rows[0] + k * half, rows, length, beam, height) for k in (-1, 0, 1)
        )
        soft = ((1 - w) ** 2)[..., None] * low + (2 * w * (1 - w))[..., None] * middle + (w**2)[..., None] * high
        far = np.clip(np.maximum(weak[0] - x, x - weak[1]) / 25.0, 0, 1)
        share = np.where(np.abs(u - rows[0]) < half, 0.5 + 0.5 * np.cos(np.pi * far), 0.0)
        v = v + share[..., None] * (soft - v)
    at = np.arange(i.size).reshape(i.shape)
    p, q, r, s = at[:-1, :-1].ravel(), at[1:, :-1].ravel(), at[1:, 1:].ravel(), at[:-1, 1:].ravel()
    turn = rng.random(len(p))[:, None] < 0.5
    f = np.concatenate([
        np.where(turn, np.stack([p, r, q], 1), np.stack([p, s, q], 1)),
        np.where(turn, np.stack([p, s, r], 1), np.stack([q, s, r], 1)),
    ])
    fine = np.linspace(0, length, 4 * int(length) + 1)
    return v.reshape(-1, 3), f, np.stack([fine, *chine_line(fine, length, beam)], 1)


def _chine_section(x, u, rows, length, beam, height):
    """Points of the section at stations x, rows u counted from the keel."""
    b, z = chine_line(x, length, beam)
    low, high = np.clip(u / rows[0], 0, 1), np.clip((u - rows[0]) / rows[1], 0, 1)
    y = b * low + 25.0 * high
    return np.stack([x, y, z * low + (height - z) * high - 6.0 * np.sin(np.pi * low)], -1)


def fine_box(size=(160.0, 120.0, 90.0), step=3.0):
    """Box in evenly split faces, fine enough for a scan's noise: ``(vertices, faces)``."""
    steps = [max(int(round(s / step)), 1) for s in size]
    points, faces, count = [], [], 0
    for axis in range(3):
        n, m = steps[(axis + 1) % 3], steps[(axis + 2) % 3]
        a, b = (q.ravel() for q in np.meshgrid(np.linspace(-0.5, 0.5, n + 1), np.linspace(-0.5, 0.5, m + 1), indexing="ij"))
        k = np.arange((n + 1) * (m + 1)).reshape(n + 1, m + 1)
        p, q, r, s = k[:-1, :-1].ravel(), k[1:, :-1].ravel(), k[1:, 1:].ravel(), k[:-1, 1:].ravel()
        tri = np.concatenate([np.stack([p, q, r], 1), np.stack([p, r, s], 1)])
        for side in (-0.5, 0.5):
            points.append(np.roll(np.stack([0 * a + side, a, b], 1), axis, axis=1))
            faces.append((tri if side > 0 else tri[:, [0, 2, 1]]) + count)
            count += len(a)
    v, inv = np.unique(np.concatenate(points).round(12), axis=0, return_inverse=True)
    return v * np.asarray(size), inv.ravel()[np.concatenate(faces)]


def pocket(radius=60.0, depth=60.0, hole=8.0, around=160, along=60, seed=0):
    """Floor z = 0 of a round pocket without its middle, and the pocket's wall; seen from within."""
    angle, row, f = _tube(around, along, seed)
    kink = along // 2
    row = np.where(np.round(row) == kink, kink, row)
    s = np.interp(row, [0, kink, along], [hole - radius, 0, depth])
    r = radius + np.minimum(s, 0)
    return np.stack([r * np.cos(angle), r * np.sin(angle), np.maximum(s, 0)], 1), f[:, [0, 2, 1]]


def box_on_plate(size=(100.0, 60.0, 80.0), plate=400.0):
    """A box on a square plate as a model export has it, 18 triangles; and the (4, 3) corners where they meet."""
    corner = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) / 2
    foot = np.column_stack([corner * size[:2], np.zeros(4)])
    v = np.concatenate([foot, foot + [0, 0, size[2]], np.column_stack([corner * plate, np.zeros(4)])])
    f = [[4, 5, 6], [4, 6, 7]]
    for i, j in ((0, 1), (1, 2), (2, 3), (3, 0)):
        f += [[i, j, 4 + j], [i, 4 + j, 4 + i], [8 + i, 8 + j, j], [8 + i, j, i]]
    return v, np.array(f), foot


# -- dirty scans ---------------------------------------------------------------------------------------------------
def scan_sheet(
    width=400.0, depth=300.0, step=2.0, noise=0.7, correlation=3.0, seed=0, bulge=0.06, jitter=0.25
):
    """Gently bulging sheet of a scanner's even mesh, with noise on z that hangs together over ``correlation`` mm.

    The noise is white noise under a Gaussian of that standard deviation, brought back to the rms ``noise``.
    """
    from scipy.ndimage import gaussian_filter

    nx, ny = round(width / step) + 1, round(depth / step) + 1
    rng = np.random.default_rng(seed)
    x, y = np.meshgrid(np.linspace(0, width, nx), np.linspace(0, depth, ny), indexing="ij")
    shift = rng.uniform(-jitter * step, jitter * step, (2, nx, ny))
    shift[:, [0, -1]] = shift[:, :, [0, -1]] = 0
    x, y = x + shift[0], y + shift[1]
    rough = rng.normal(size=(nx, ny))
    if correlation > 0:
        rough = gaussian_filter(rough, correlation / step, mode="wrap")
    z = noise * rough / rough.std() - bulge * ((x - width / 2) ** 2 + (y - depth / 2) ** 2) / width
    i = np.arange(nx * ny).reshape(nx, ny)
    a, b, c, d = (q.ravel() for q in (i[:-1, :-1], i[1:, :-1], i[1:, 1:], i[:-1, 1:]))
    return np.stack([x, y, z], -1).reshape(-1, 3), np.vstack([np.stack([a, b, c], 1), np.stack([a, c, d], 1)])


def part_of(v, f, keep):
    """Return the points and faces of some faces."""
    used, inv = np.unique(f[keep], return_inverse=True)
    return v[used], inv.reshape(-1, 3)


def with_second_sheet(v, f, at, radius, apart, other):
    """Return a mesh with a second sheet over it: a round piece of the sheet ``other``, lifted; and which faces it is."""
    w, g = other
    w, g = part_of(w, g, np.hypot(*(w[g].mean(axis=1)[:, :2] - at).T) < radius)
    both = np.vstack([f, g + len(v)])
    return np.vstack([v, w + [0, 0, apart]]), both, np.arange(len(both)) >= len(f)


def with_ledge(v, height, at=150.0, slope=0.2, ramp=1.0):
    """Return points stepping up by ``height`` across the line x = at + slope (y - 100), over ``ramp`` mm."""
    out = v.copy()
    out[:, 2] += height * np.clip((v[:, 0] - at - slope * (v[:, 1] - 100)) / ramp, -0.5, 0.5)
    return out


# -- for threads that do not stretch --------------------------------------------------------------------------------
def ellipsoid(axes=(1000.0, 800.0, 600.0), triangles=20000, seed=0):
    """Whole ellipsoid, half axes along x, y and z."""
    v, f = sphere(1.0, triangles, seed)
    return v * np.asarray(axes), f


def folded_plate_developed(angle_deg=30.0, size=1000.0, triangles=8000, seed=0):
    """Square plate bent along the y axis by an angle, the part x > 0 turned down, with its development."""
    p, f = rectangle(size / 2, size, triangles // 2, seed)
    both = np.vstack([p, p * [-1, 1]])
    flat, inverse = np.unique(both.round(9), axis=0, return_inverse=True)
    f = inverse.ravel()[np.vstack([f, f[:, [0, 2, 1]] + len(p)])]
    flat = flat - [0, size / 2]
    a, right = np.radians(angle_deg), np.maximum(flat[:, 0], 0)
    x = np.minimum(flat[:, 0], 0) + right * np.cos(a)
    return np.column_stack([x, flat[:, 1], -right * np.sin(a)]), f, flat


def folded_plate(angle_deg=30.0, size=1000.0, triangles=8000, seed=0):
    """Square plate bent along the y axis."""
    return folded_plate_developed(angle_deg, size, triangles, seed)[:2]


# -- for cuts that let cloth lie flat ----------------------------------------------------------------------------------
def bulged_patch(length=1600.0, width=800.0, rise=200.0, triangles=8000, seed=0):
    """Rectangle bulged to z = rise (1 - (2x/length)²)(1 - (2y/width)²), its edge flat; seen from +z."""
    p, f = rectangle(length, width, triangles, seed)
    p = p - [length / 2, width / 2]
    x, y = p.T
    return np.column_stack([p, rise * (1 - (2 * x / length) ** 2) * (1 - (2 * y / width) ** 2)]), f


def flange(radius=200.0, fillet=120.0, wall=80.0, plate=400.0, turn_deg=90.0, triangles=8000, seed=0):
    """Part of the foot of a round post on a plate, the corner rounded: its fillet encloses minus ``turn_deg``.

    Seen from the air: from the plate up, from the wall outward.
    """
    run = wall + fillet * np.pi / 2 + plate
    p, f = rectangle(np.radians(turn_deg) * (radius + fillet), run, triangles, seed)
    turn, s = p[:, 0] / (radius + fillet), p[:, 1]
    a = np.clip((s - wall) / fillet, 0, np.pi / 2)
    r = radius + fillet * (1 - np.cos(a)) + np.maximum(s - wall - fillet * np.pi / 2, 0)
    z = fillet * (1 - np.sin(a)) + np.maximum(wall - s, 0)
    # The first way round runs anticlockwise seen from above, the second outward: turned over, the air is above.
    return np.stack([r * np.cos(turn), r * np.sin(turn), z], 1), f[:, [0, 2, 1]]


def saddle_cone(excess_deg=60.0, radius=400.0, around=96, along=20):
    """Cone over a wavy closed line of a unit sphere, so that its apex has ``excess_deg`` more than a full turn."""
    turn = np.linspace(0, 2 * np.pi, 4001)

    def line(height):
        z = height * np.cos(2 * turn)
        return np.stack([np.sqrt(1 - z**2) * np.cos(turn), np.sqrt(1 - z**2) * np.sin(turn), z], 1)

    def steps(points):
        return 2 * np.arcsin(np.linalg.norm(np.diff(points, axis=0), axis=1) / 2)

    # The apex of the mesh has the angle between its own generators, so those are set to give the excess.
    def rays(height):
        points = line(height)
        run = np.r_[0, np.cumsum(steps(points))]
        at = np.linspace(0, run[-1], around, endpoint=False)
        d = np.stack([np.interp(at, run, points[:, k]) for k in range(3)], 1)
        return d / np.linalg.norm(d, axis=1)[:, None]

    def excess(height):
        d = rays(height)
        return steps(np.vstack([d, d[:1]])).sum() - 2 * np.pi - np.radians(excess_deg)

    d = rays(brentq(excess, 1e-6, 0.95, xtol=1e-14))
    v = np.vstack([np.zeros((1, 3)), *(d * radius * k / along for k in range(1, along + 1))])
    i = np.arange(around)
    j = (i + 1) % around
    f = [np.stack([0 * i, 1 + i, 1 + j], 1)]
    for k in range(along - 1):
        a, b, c, e = 1 + k * around + i, 1 + k * around + j, 1 + (k + 1) * around + i, 1 + (k + 1) * around + j
        f += [np.stack([a, c, b], 1), np.stack([b, c, e], 1)]
    return v, np.vstack(f)


def turning_cone(half_deg=60.0, radius=400.0, around=96, along=20):
    """Whole cone with its apex up; it misses 360° (1 - sin half_deg) there, less what chords take off."""
    turn = 2 * np.pi * np.arange(around) / around
    a = np.radians(half_deg)
    d = np.stack([np.sin(a) * np.cos(turn), np.sin(a) * np.sin(turn), np.full(around, -np.cos(a))], 1)
    v = np.vstack([np.zeros((1, 3)), *(d * radius * k / along for k in range(1, along + 1))])
    return v, saddle_cone(10.0, radius, around, along)[1]


# -- corners that a film bridges -----------------------------------------------------------------------------------
def swept(profile, length=120.0, step=4.0, seed=0):
    """Open profile (k, 2) in the y-z plane drawn along x; seen from its left-hand side.

    Corners of the profile keep a line of vertices; all others are moved at random along x and along the profile.
    """
    profile = np.asarray(profile, dtype=float)
    s, kept = [0.0], [0]
    for a, b in zip(profile[:-1], profile[1:]):
        far = np.linalg.norm(b - a)
        count = max(int(round(far / step)), 1)
        s += list(s[-1] + far * np.arange(1, count + 1) / count)
        kept.append(len(s) - 1)
    s = np.array(s)
    rows = max(int(round(length / step)), 2)
    rng = np.random.default_rng(seed)
    x, i = np.meshgrid(np.linspace(0, length, rows + 1), np.arange(len(s)), indexing="ij")
    free = ~np.isin(i, kept) & (x > 0) & (x < length)
    x = x + rng.uniform(-0.25, 0.25, x.shape) * step * free
    row = np.interp(i + rng.uniform(-0.25, 0.25, x.shape) * free, np.arange(len(s)), s)
    y, z = (np.interp(row, s[kept], profile[:, k]) for k in range(2))
    at = np.arange(x.size).reshape(x.shape)
    p, q, r, t = at[:-1, :-1].ravel(), at[1:, :-1].ravel(), at[1:, 1:].ravel(), at[:-1, 1:].ravel()
    turn = rng.random(len(p))[:, None] < 0.5
    one = np.where(turn, np.stack([p, q, r], 1), np.stack([p, q, t], 1))
    two = np.where(turn, np.stack([p, r, t], 1), np.stack([q, r, t], 1))
    return np.stack([x.ravel(), y.ravel(), z.ravel()], 1), np.concatenate([one, two])


def filleted_profile(angle_deg=90.0, fillet=10.0, wall=100.0, arc_step=1.0):
    """Profile of two walls with a fillet between them, the corner of the walls at the origin."""
    a = np.radians(angle_deg)
    d = fillet / np.tan(a / 2)
    t = np.linspace(0, np.pi - a, max(int(np.ceil(fillet * (np.pi - a) / arc_step)), 2) + 1)
    arc = np.array([d, fillet]) + fillet * np.stack([-np.sin(t), -np.cos(t)], 1)
    return np.concatenate([[[wall, 0.0]], arc, [[wall * np.cos(a), wall * np.sin(a)]]])[::-1]


def tube_profile(radius=25.0, wall=120.0, arc_step=2.0):
    """Profile of a plane and one side of a tube that lies on it along the origin, the tube's top last."""
    t = np.linspace(0, np.pi, int(np.ceil(np.pi * radius / arc_step)) + 1)
    arc = np.stack([-radius * np.sin(t), radius - radius * np.cos(t)], 1)
    return np.concatenate([[[-wall, 0.0]], arc])


def three_planes(size=100.0, step=4.0):
    """Inside corner of a box: three square faces that meet at the origin, seen from (1, 1, 1)."""
    count = int(round(size / step))
    a, b = np.meshgrid(np.arange(count + 1), np.arange(count + 1), indexing="ij")
    at = np.arange(a.size).reshape(a.shape)
    p, q, r, s = at[:-1, :-1].ravel(), at[1:, :-1].ravel(), at[1:, 1:].ravel(), at[:-1, 1:].ravel()
    f = np.concatenate([np.stack([p, q, r], 1), np.stack([p, r, s], 1)])
    flat = np.stack([a.ravel(), b.ravel(), 0 * a.ravel()], 1)
    v = np.concatenate([flat, flat[:, [2, 0, 1]], flat[:, [1, 2, 0]]])
    v, inverse = np.unique(v, axis=0, return_inverse=True)
    return v * size / count, inverse.ravel()[np.concatenate([f, f + len(flat), f + 2 * len(flat)])]


def conical_pit(half_deg=45.0, radius=60.0, step=4.0, seed=0):
    """Cone with its tip at the origin, opening towards +z out to a radius, seen from inside."""
    p, f = disc(radius, int(4 * np.pi * radius**2 / (np.sqrt(3) * step**2)), seed)
    p[np.argmin(np.hypot(*p.T))] = 0.0
    return np.column_stack([p, np.hypot(*p.T) / np.tan(np.radians(half_deg))]), f


def box_pocket(size=(200.0, 200.0), depth=60.0, margin=100.0, step=5.0):
    """Plate z = 0 with a pocket with square walls about the origin, seen from above."""
    m = [int(round(s / step)) for s in size]
    e, d = int(round(margin / step)), int(round(depth / step))
    v, f = [], []

    def grid(origin, one, two, count_one, count_two):
        a, b = np.meshgrid(np.arange(count_one + 1), np.arange(count_two + 1), indexing="ij")
        at = np.arange(a.size).reshape(a.shape) + sum(map(len, v))
        p, q, r, s = at[:-1, :-1].ravel(), at[1:, :-1].ravel(), at[1:, 1:].ravel(), at[:-1, 1:].ravel()
        v.append(np.asarray(origin) + a.reshape(-1, 1) * np.asarray(one) + b.reshape(-1, 1) * np.asarray(two))
        f.append(np.concatenate([np.stack([p, q, r], 1), np.stack([p, r, s], 1)]))

    x, y, z = np.eye(3, dtype=int)
    a, b = m
    for ox, nx in ((-e, e), (0, a), (a, e)):
        for oy, ny in ((-e, e), (0, b), (b, e)):
            grid((ox, oy, -d if ox == oy == 0 else 0), x, y, nx, ny)
    grid((0, 0, -d), y, z, b, d)
    grid((a, 0, -d), z, y, d, b)
    grid((0, 0, -d), z, x, d, a)
    grid((0, b, -d), x, z, a, d)
    points, inverse = np.unique(np.concatenate(v), axis=0, return_inverse=True)
    faces = inverse.ravel()[np.concatenate(f)]
    return points * step - [0.5 * size[0], 0.5 * size[1], 0.0], faces


def slit_cone_developed(half_deg=40.0, far=500.0, rings=24):
    """Whole cone with its tip, slit along one ruling, opening towards -z, seen from outside; with its development."""
    turn = np.radians(half_deg)
    wrap = 2 * np.pi * np.sin(turn)
    r, psi, faces, before = [0.0], [0.0], [], [0]
    for ring in range(1, rings + 1):
        count = max(12, round(wrap * ring))
        now = list(range(len(r), len(r) + count + 1))
        r += [far * ring / rings] * (count + 1)
        psi += (wrap * (np.arange(count + 1) / count - 0.5)).tolist()
        i = j = 0
        while i < len(before) - 1 or j < count:
            outer = j < count and (i == len(before) - 1 or (j + 1) * (len(before) - 1) <= (i + 1) * count)
            faces.append([before[i], now[j], now[j + 1] if outer else before[i + 1]])
            i, j = i + (not outer), j + outer
        before = now
    r, psi = np.array(r), np.array(psi)
    angle = psi / np.sin(turn)
    v = r[:, None] * np.stack([np.sin(turn) * np.cos(angle), np.sin(turn) * np.sin(angle), -np.cos(turn) + 0 * angle], 1)
    return v, np.array(faces), r[:, None] * np.stack([np.cos(psi), np.sin(psi)], 1)


def contoured_pocket(size=(160.0, 120.0), depth=70.0, margin=50.0, step=4.0, turn_deg=17.0):
    """The pocket of `box_pocket` as marching cubes make it of a scan: no edge of the mesh lies along a corner.

    The cubes stand askew to the pocket by ``turn_deg`` about x and then z; the plate's edge is ragged.
    """
    import pyvista

    a = np.radians(turn_deg)
    about_x = np.array([[1, 0, 0], [0, np.cos(a), -np.sin(a)], [0, np.sin(a), np.cos(a)]])
    about_z = np.array([[np.cos(a), -np.sin(a), 0], [np.sin(a), np.cos(a), 0], [0, 0, 1]])
    frame = about_x @ about_z
    half = np.asarray(size) / 2
    count = int(2 * np.linalg.norm([*(half + margin), depth]) / step) + 2
    grid = pyvista.ImageData(dimensions=(count,) * 3, spacing=(step,) * 3, origin=(-0.5 * step * (count - 1),) * 3)

    def air(p):
        return np.maximum(p[:, 2], np.minimum((half - np.abs(p[:, :2])).min(axis=1), p[:, 2] + depth))

    made = grid.contour([0.0], air(np.asarray(grid.points) @ frame), method="marching_cubes")
    made = made.clean(tolerance=0.1 * step, absolute=True)  # slivers go, as they do from a scan
    v, f = np.asarray(made.points, dtype=float) @ frame, np.asarray(made.faces).reshape(-1, 4)[:, 1:].astype(np.int64)
    f = f[(np.abs(v[f][:, :, :2]) < half + margin).all(axis=(1, 2))]
    up = np.cross(v[f[:, 1]] - v[f[:, 0]], v[f[:, 2]] - v[f[:, 0]])
    if air(v[f].mean(axis=1) + 0.1 * up / step).mean() < 0:
        f = f[:, [0, 2, 1]]
    return part_of(v, f, np.ones(len(f), dtype=bool))

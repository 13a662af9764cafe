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

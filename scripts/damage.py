"""Damage meshes at random and ask each for a region: ``python scripts/damage.py --count 300 --seed 1``.

Every case ends as a region that passes its checks, or as a MeshError or OutlineError that names the place. Anything
else - another exception, a crash of native code, more than 30 s - is a fault, and the run ends with status 1. The
cases run in a child process, so that a crash or a hang is seen and the next case still runs.
"""

from __future__ import annotations

import argparse
import multiprocessing as mp
import re
import sys
import tempfile
import time
from collections import Counter, defaultdict
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parent.parent
LIMIT_S = 30.0
TOLERANCE_MM = 10.0


# --- sound shapes with an outline whose area is known -------------------------------------------------------


@dataclass
class Base:
    """A sound mesh, outlines on it, a point of the region, and the region's true area in mm²."""

    name: str
    v: np.ndarray
    f: np.ndarray
    outlines: list[np.ndarray]
    seed_mm: np.ndarray
    area_mm2: float


def dense(corners: np.ndarray, step: float) -> np.ndarray:
    """Return the closed polyline with points no farther apart than stated."""
    legs = []
    for a, b in zip(corners, np.roll(corners, -1, axis=0)):
        k = max(int(np.ceil(np.linalg.norm(b - a) / step)), 1)
        legs.append(a + (b - a) * (np.arange(k) / k)[:, None])
    return np.vstack(legs)


def size(rng: np.random.Generator) -> int:
    """Return how many triangles to take."""
    return int(rng.integers(1500, 7000))


def seed_of(rng: np.random.Generator) -> int:
    """Return a seed for a shape."""
    return int(rng.integers(1000))


def sphere(rng: np.random.Generator) -> Base:
    """Cap of a ball."""
    import shapes

    v, f = shapes.sphere(radius=300.0, triangles=size(rng), seed=seed_of(rng))
    axis = rng.normal(size=3)
    axis /= np.linalg.norm(axis)
    u = np.cross(axis, [1.0, 0.2, 0.1])
    u /= np.linalg.norm(u)
    t, a = np.linspace(0, 2 * np.pi, 400, endpoint=False)[:, None], rng.uniform(0.3, 0.9)
    ring = 300 * (np.cos(a) * axis + np.sin(a) * (np.cos(t) * u + np.sin(t) * np.cross(axis, u)))
    p = v[f]
    mesh = np.linalg.norm(np.cross(p[:, 1] - p[:, 0], p[:, 2] - p[:, 0]), axis=1).sum() / 2
    return Base("sphere", v, f, [ring], 300 * axis, (1 - np.cos(a)) / 2 * mesh)


def box(rng: np.random.Generator) -> Base:
    """Rectangle laid over one edge of a box."""
    import shapes

    v, f = shapes.box(steps=int(rng.choice([1, 3, 12, 24])))
    w, up, down = rng.uniform(60, 140), rng.uniform(20, 110), rng.uniform(20, 80)
    top = [[-w, 150, 100], [-w, 150 - up, 100], [w, 150 - up, 100], [w, 150, 100]]
    corners = np.array([*top, [w, 150, 100 - down], [-w, 150, 100 - down]])
    return Base("box", v, f, [dense(corners, 3.0)], np.array([0, 150 - up / 2, 100.0]), 2 * w * (up + down))


def cylinder(rng: np.random.Generator) -> Base:
    """Rectangle on a cylinder, given where it unrolls."""
    import shapes

    v, f = shapes.cylinder(
        radius=300.0, wrap_deg=150.0, height=500.0, triangles=size(rng), seed=seed_of(rng)
    )[:2]
    w, h = rng.uniform(60, 250), rng.uniform(60, 180)
    a = np.arctan2(v[:, 1].mean(), v[:, 0].mean())
    z = (v[:, 2].min() + v[:, 2].max()) / 2
    flat_line = dense(np.array([[-w, -h], [w, -h], [w, h], [-w, h]]), 3.0)
    turn = a + flat_line[:, 0] / 300
    line = np.c_[300 * np.cos(turn), 300 * np.sin(turn), z + flat_line[:, 1]]
    return Base("cylinder", v, f, [line], np.array([300 * np.cos(a), 300 * np.sin(a), z]), 4 * w * h)


def foil(rng: np.random.Generator) -> Base:
    """Ring round a foil section on a plate: one outline on the plate, one up the wall."""
    import shapes

    v, f = shapes.foil_on_plate(around=int(rng.integers(80, 140)), along=int(rng.integers(20, 36)))
    below, height = rng.uniform(40, 90), rng.uniform(20, 70)
    level = _level_loop(v, f, height)
    section = level * [1, 1, 0]
    out = np.roll(section, -1, 0) - np.roll(section, 1, 0)
    normal = np.c_[out[:, 1], -out[:, 0], 0 * out[:, 0]]
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    if (normal * section).sum() < 0:
        normal = -normal
    from shapely.geometry import Polygon

    ring = Polygon(section[:, :2]).buffer(below, quad_segs=40)
    line = dense(np.c_[np.array(ring.exterior.coords)[:-1], np.zeros(len(ring.exterior.coords) - 1)], 3.0)
    foot = Polygon(_level_loop(v, f, 1e-6)[:, :2])
    area = ring.area - foot.area + height * foot.length
    k = int(np.argmin(np.abs(v[:, 2] - height / 2)))
    return Base("foil", v, f, [line, level], v[k], area)


def _level_loop(v: np.ndarray, f: np.ndarray, height: float) -> np.ndarray:
    """Where the upright wall is at a height: its points in order."""
    e = np.unique(np.sort(f[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2), axis=1), axis=0)
    z = v[e][:, :, 2]
    cut = e[(z.min(axis=1) < height) & (z.max(axis=1) > height)]
    t = (height - v[cut[:, 0], 2]) / (v[cut[:, 1], 2] - v[cut[:, 0], 2])
    p = v[cut[:, 0]] + t[:, None] * (v[cut[:, 1]] - v[cut[:, 0]])
    return p[np.argsort(np.arctan2(p[:, 1], p[:, 0]))]  # the section is star-shaped about the middle of its chord


def sheet(rng: np.random.Generator) -> Base:
    """Round piece of a sheet with long waves of noise."""
    import shapes

    p, f = shapes.rectangle(600.0, 400.0, triangles=size(rng), seed=seed_of(rng))
    noise = shapes.waves(np.c_[p, 0 * p[:, 0]], rms=rng.uniform(0, 0.8), length=12.0, seed=seed_of(rng))
    v = np.c_[p, noise]
    r, t = rng.uniform(40, 150), np.linspace(0, 2 * np.pi, 400, endpoint=False)
    line = np.c_[300 + r * np.cos(t), 200 + r * np.sin(t), 0 * t]
    return Base("sheet", v, f, [line], np.array([300, 200, 0.0]), np.pi * r**2)


BASES = (sphere, box, cylinder, foil, sheet)


# --- damage -------------------------------------------------------------------------------------------------


@dataclass
class Mesh:
    """A mesh under damage; `in_place` says whether area and outline can still be told from it."""

    v: np.ndarray
    f: np.ndarray
    in_place: bool = True
    noise_mm: float = 0.0

    @property
    def edge(self) -> float:
        """Mean length of the sides."""
        p = self.v[self.f]
        return float(np.linalg.norm(p - np.roll(p, 1, axis=1), axis=2).mean())

    def normals(self) -> np.ndarray:
        """(m, 3) unit normals of the faces."""
        p = self.v[self.f]
        n = np.cross(p[:, 1] - p[:, 0], p[:, 2] - p[:, 0])
        return n / np.maximum(np.linalg.norm(n, axis=1, keepdims=True), 1e-300)


def some(rng: np.random.Generator, n: int, low: float, high: float) -> np.ndarray:
    """Pick a random share of n things, at least one."""
    return rng.choice(n, size=min(n, max(1, int(n * rng.uniform(low, high)))), replace=False)


def drop(m: Mesh, rng: np.random.Generator) -> None:
    """Lose single faces."""
    if len(m.f) < 100:
        m.in_place = False
    m.f = np.delete(m.f, some(rng, len(m.f), 0.001, 0.05), axis=0)


def hole(m: Mesh, rng: np.random.Generator) -> None:
    """Lose all faces about a point."""
    at, r = m.v[m.f[rng.integers(len(m.f)), 0]], rng.uniform(5, 80)
    gone = np.linalg.norm(m.v[m.f].mean(axis=1) - at, axis=1) < r
    if gone.any() and not gone.all():
        m.f = m.f[~gone]
        m.in_place = False


def flip(m: Mesh, rng: np.random.Generator) -> None:
    """Turn faces over."""
    k = some(rng, len(m.f), 0.001, 0.45)
    m.f[k] = m.f[k][:, ::-1]


def double(m: Mesh, rng: np.random.Generator) -> None:
    """Give faces twice, some of them turned over."""
    again = m.f[some(rng, len(m.f), 0.001, 0.2)]
    turn = rng.random(len(again)) < 0.5
    again[turn] = again[turn][:, [1, 0, 2]]
    m.f = np.vstack([m.f, again])


def jitter(m: Mesh, rng: np.random.Generator) -> None:
    """Move every vertex a little."""
    sd = m.edge * rng.uniform(0.001, 0.25) if len(m.f) > 1000 else rng.uniform(0.01, 0.5)
    m.v = m.v + rng.normal(0, sd, m.v.shape)
    m.noise_mm += 4 * sd
    m.in_place &= sd < 0.03 * m.edge


def merge(m: Mesh, rng: np.random.Generator) -> None:
    """Draw vertices to a neighbour, or now and then to any other one."""
    k = some(rng, len(m.f), 0.0005, 0.02)
    to = np.arange(len(m.v))
    to[m.f[k, 0]] = m.f[k, 1]
    if rng.random() < 0.3:
        far = rng.integers(len(m.v), size=(int(rng.integers(1, 4)), 2))
        to[far[:, 0]] = far[:, 1]
    m.f = to[m.f]
    m.in_place = False


def tear(m: Mesh, rng: np.random.Generator) -> None:
    """Open a slit along a random plane, part of the way across."""
    middle = m.v[m.f].mean(axis=1)
    n = rng.normal(size=3)
    n /= np.linalg.norm(n)
    at = m.v[rng.integers(len(m.v))]
    side = (middle - at) @ n > 0
    near = np.linalg.norm(middle - at, axis=1) < rng.uniform(20, 250)
    both = np.zeros(len(m.v), dtype=bool)
    both[m.f[side]] = True
    other = np.zeros(len(m.v), dtype=bool)
    other[m.f[~side]] = True
    split = both & other
    to = np.arange(len(m.v))
    to[split] = len(m.v) + np.arange(split.sum())
    gap = rng.choice([0.0, 0.0, 0.3, 3.0])
    moved = side & near
    m.v = np.vstack([m.v, m.v[split] + gap * n])
    m.f[moved] = to[m.f[moved]]
    m.in_place &= gap == 0.0
    m.noise_mm += gap


def nowhere(m: Mesh, rng: np.random.Generator) -> None:
    """Give vertices no coordinates, used ones or unused ones."""
    bad = rng.choice([np.nan, np.inf, -np.inf])
    if rng.random() < 0.3:
        m.v = np.vstack([m.v, np.full((3, 3), bad)])
    else:
        m.v = m.v.copy()
        m.v[some(rng, len(m.v), 0.0, 0.002), rng.integers(3)] = bad
        m.in_place = False


def shuffle(m: Mesh, rng: np.random.Generator) -> None:
    """Number vertices and faces anew at random."""
    order = rng.permutation(len(m.v))
    to = np.empty_like(order)
    to[order] = np.arange(len(order))
    m.v, m.f = m.v[order], to[m.f][rng.permutation(len(m.f))]


def slivers(m: Mesh, rng: np.random.Generator) -> None:
    """Put vertices on or very near edges and corners, on one side only or on both; add faces of no area."""
    k = some(rng, len(m.f), 0.001, 0.05)
    f = m.f[k]
    t = rng.choice([1e-9, 1e-6, 1e-3, 0.01, 0.5], size=len(k))[:, None]
    p = m.v[f[:, 0]] * (1 - t) + m.v[f[:, 1]] * t
    new = len(m.v) + np.arange(len(k))
    a, b, c = f.T
    m.v = np.vstack([m.v, p])
    extra = [np.c_[a, new, c], np.c_[new, b, c]]
    if rng.random() < 0.5:
        extra.append(np.c_[b, new, a])
    if rng.random() < 0.3:
        extra.append(np.c_[a, a, b][:3])
    m.f = np.vstack([np.delete(m.f, k, axis=0), *extra])


def fans(m: Mesh, rng: np.random.Generator) -> None:
    """Stand further faces on edges."""
    k = some(rng, len(m.f), 0.001, 0.02)
    p = m.v[m.f[k]].mean(axis=1) + m.normals()[k] * rng.uniform(-1, 1, (len(k), 1)) * m.edge
    m.v, new = np.vstack([m.v, p]), len(m.v) + np.arange(len(k))
    m.f = np.vstack([m.f, np.c_[m.f[k, 0], m.f[k, 1], new]])


def bits(m: Mesh, rng: np.random.Generator) -> None:
    """Let scraps float about."""
    n = int(rng.integers(1, 12))
    middle = rng.uniform(m.v.min(axis=0), m.v.max(axis=0), (n, 3))
    size = rng.uniform(0.2, 2.0) * min(m.edge, 15.0)
    loose = middle[:, None] + rng.normal(0, size, (n, 3, 3))
    m.f = np.vstack([m.f, len(m.v) + np.arange(3 * n).reshape(n, 3)])
    m.v = np.vstack([m.v, loose.reshape(-1, 3)])


def sheets(m: Mesh, rng: np.random.Generator) -> None:
    """Lay part of the surface over it once more, a little off."""
    middle, n = m.v[m.f].mean(axis=1), m.normals()
    at = middle[rng.integers(len(middle))]
    part = m.f[np.linalg.norm(middle - at, axis=1) < rng.uniform(20, 150)]
    if not len(part):
        return
    used, inv = np.unique(part, return_inverse=True)
    off = rng.uniform(0.2, 4.0)
    total = np.zeros_like(m.v)
    np.add.at(total, m.f.ravel(), np.repeat(n, 3, axis=0))
    total /= np.maximum(np.linalg.norm(total, axis=1, keepdims=True), 1e-300)
    m.f = np.vstack([m.f, len(m.v) + inv.reshape(-1, 3)])
    m.v = np.vstack([m.v, m.v[used] + off * total[used]])
    m.noise_mm += off
    m.in_place = False


def spikes(m: Mesh, rng: np.random.Generator) -> None:
    """Pull single vertices out of the surface."""
    k = some(rng, len(m.v), 0.0005, 0.004)
    m.v = m.v.copy()
    m.v[k] += rng.normal(0, rng.uniform(2, 25), (len(k), 3))
    m.noise_mm += 25
    m.in_place = False


def soup(m: Mesh, rng: np.random.Generator) -> None:
    """Give each face corners of its own."""
    m.v, m.f = m.v[m.f].reshape(-1, 3), np.arange(3 * len(m.f)).reshape(-1, 3)


def pinch(m: Mesh, rng: np.random.Generator) -> None:
    """Lose the faces of a vertex but two that touch in it only."""
    v = m.f[rng.integers(len(m.f)), 0]
    star = np.flatnonzero((m.f == v).any(axis=1))
    if len(star) > 3:
        m.f = np.delete(m.f, rng.choice(star, size=len(star) - 2, replace=False), axis=0)
        m.in_place &= len(m.f) > 1000


KINDS: dict[str, Callable[[Mesh, np.random.Generator], None]] = {
    k.__name__: k
    for k in (
        drop, hole, flip, double, jitter, merge, tear, nowhere, shuffle, slivers, fans, bits, sheets, spikes, soup,
        pinch,
    )
}  # fmt: skip
ROUTES = ("array", "stl", "ply", "obj")


@dataclass
class Case:
    """A damaged mesh, how it comes in, and what is asked of it."""

    seed: int
    base: Base
    kinds: tuple[str, ...]
    mesh: Mesh
    route: str
    sparse: bool
    grow_mm: float

    @property
    def name(self) -> str:
        """What it is, in a line."""
        kinds = "+".join(self.kinds)
        return f"{self.seed}: {self.base.name} {len(self.mesh.f)} faces, {kinds}, as {self.route}"


def make(seed: int) -> Case:
    """Return the case of a seed: one kind of damage in turn, or a mix of two to four."""
    if str(ROOT / "tests") not in sys.path:
        sys.path.insert(0, str(ROOT / "tests"))
    rng = np.random.default_rng([7, seed])
    base = BASES[seed % len(BASES)](rng)
    names = list(KINDS)
    if rng.random() < 0.5:
        kinds = [names[int(rng.integers(len(names)))]]
    else:
        kinds = rng.choice(names, size=int(rng.integers(2, 5)), replace=False).tolist()
    kinds.sort(key=lambda k: k == "nowhere")  # the others need coordinates
    mesh = Mesh(base.v.copy(), base.f.copy())
    for k in kinds:
        KINDS[k](mesh, rng)
    route = ROUTES[int(rng.integers(len(ROUTES)))]
    sparse, grow_mm = bool(rng.random() < 0.25), float(rng.choice([0.0, 0.0, 12.0, -12.0]))
    return Case(seed, base, tuple(kinds), mesh, route, sparse, grow_mm)


# --- in and out ---------------------------------------------------------------------------------------------


def write(mesh: Mesh, path: Path) -> None:
    """Write a mesh as binary STL, binary PLY or OBJ, faults and all."""
    v, f = mesh.v, mesh.f
    if path.suffix == ".stl":
        rows = np.zeros(len(f), dtype=[("n", "<f4", 3), ("p", "<f4", (3, 3)), ("a", "<u2")])
        rows["p"] = v[f]
        path.write_bytes(b"\0" * 80 + np.uint32(len(f)).tobytes() + rows.tobytes())
    elif path.suffix == ".ply":
        head = (
            f"ply\nformat binary_little_endian 1.0\nelement vertex {len(v)}\nproperty float x\nproperty float y\n"
            f"property float z\nelement face {len(f)}\nproperty list uchar int vertex_indices\nend_header\n"
        )
        rows = np.zeros(len(f), dtype=[("k", "u1"), ("f", "<i4", 3)])
        rows["k"], rows["f"] = 3, f
        path.write_bytes(head.encode() + v.astype("<f4").tobytes() + rows.tobytes())
    else:
        lines = [f"v {x:.9g} {y:.9g} {z:.9g}\n" for x, y, z in v.tolist()]
        lines += [f"f {a + 1} {b + 1} {c + 1}\n" for a, b, c in f.tolist()]
        path.write_text("".join(lines))


def read(case: Case, folder: Path):
    """Bring the case's mesh in as a user's mesh comes in."""
    from plyflat.surface import Surface, load_surface, repair_surface

    if case.route == "array":
        return repair_surface(Surface(case.mesh.v, case.mesh.f))
    path = folder / f"case.{case.route}"
    write(case.mesh, path)
    return load_surface(path, unit="mm")


# --- what must hold -----------------------------------------------------------------------------------------


@dataclass
class Outcome:
    """What came of a case."""

    seed: int
    name: str
    result: str
    text: str = ""
    seconds: float = 0.0
    area_error: float | None = None
    off_mm: float | None = None
    faults: list[str] = field(default_factory=list)


def examine(case: Case, folder: Path) -> Outcome:
    """Ask a case for its region and check what comes back."""
    from plyflat.errors import MeshError, OutlineError
    from plyflat.surface import cut_region, grow_region

    began = time.perf_counter()
    out = Outcome(case.seed, case.name, "region")
    lines = [q[:: max(len(q) // 12, 1)] for q in case.base.outlines] if case.sparse else case.base.outlines
    stage = "read"
    try:
        with np.errstate(invalid="ignore", over="ignore"):
            surface = read(case, folder)
        stage = "cut"
        region = cut_region(surface, lines, seed_mm=case.base.seed_mm, tolerance_mm=TOLERANCE_MM)
        out.faults += region_faults(region)
        judge(case, surface, region, out)
        if case.grow_mm:
            stage = "grow"
            out.faults += [f"grown: {q}" for q in region_faults(grow_region(region, case.grow_mm))]
    except (MeshError, OutlineError) as err:
        out.result, out.text = type(err).__name__, f"{stage}: {err}"
        if not err.where and not re.search(r"(vertex|point|face) \d|mm across", err.what):
            out.faults.append(f"no place named ({err.what})")
    out.seconds = time.perf_counter() - began
    return out


def region_faults(region) -> list[str]:
    """Say what does not hold of a region."""
    import igl

    s, found = region.surface, []
    n = len(s.vertices_mm)
    e = s.faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2)
    key, back = e[:, 0] * n + e[:, 1], e[:, 1] * n + e[:, 0]
    if len(np.unique(key)) != len(key):
        found.append("not manifold, or faces that disagree on the side")
    if not np.all(igl.is_vertex_manifold(s.faces)):
        found.append("sheets that touch in a point")
    if not np.isfinite(s.vertices_mm).all() or not region.area_mm2 > 0:
        found.append("no area")
    if (s.face_areas_mm2 <= 0).any():
        found.append(f"{int((s.face_areas_mm2 <= 0).sum())} faces without area")
    free = set(map(tuple, e[~np.isin(key, back)].tolist()))
    around = {(int(a), int(b)) for q in region.loops for a, b in zip(q, np.roll(q, -1))}
    if free != around:
        found.append("loops that are not the boundary")
    if not np.array_equal(region.parent.vertices_mm[region.vertex_of], s.vertices_mm):
        found.append("patch not on its parent")
    return found


def judge(case: Case, surface, region, out: Outcome) -> None:
    """Compare area and outline with the sound shape's where the damage leaves them in place."""
    rim = np.vstack([region.surface.vertices_mm[np.r_[q, q[:1]]] for q in region.loops])
    if case.sparse or not case.mesh.in_place:
        return
    out.area_error = region.area_mm2 / case.base.area_mm2 - 1
    out.off_mm = max(polyline_distance(rim, surface.locate(q).points_mm) for q in case.base.outlines)
    if out.off_mm > 0.05 + case.mesh.noise_mm:
        out.faults.append(f"outline {out.off_mm:.3f} mm off, noise {case.mesh.noise_mm:.3f} mm")
    rough = 0.06 if case.base.name == "sheet" else 0.0
    if abs(out.area_error) > 0.03 + rough:
        out.faults.append(f"area {100 * out.area_error:+.1f} % off")


def polyline_distance(rim: np.ndarray, outline: np.ndarray) -> float:
    """Return how far the points of an outline lie off a line at the worst."""
    d = np.full(len(outline), np.inf)
    for a, b in zip(rim[:-1], rim[1:]):
        ab = b - a
        t = np.clip((outline - a) @ ab / max(float(ab @ ab), 1e-300), 0, 1)
        np.minimum(d, np.linalg.norm(outline - a - t[:, None] * ab, axis=1), out=d)
    return float(d.max())


# --- children -----------------------------------------------------------------------------------------------


def _serve(pipe) -> None:
    """Work off the seeds that come through a pipe: what a child process does."""
    import traceback
    import warnings

    import plyflat.surface  # noqa: F401  loaded before the clock runs

    warnings.simplefilter("error")
    with tempfile.TemporaryDirectory() as folder:
        while (seed := pipe.recv()) is not None:
            case = make(seed)
            pipe.send(case.name)
            try:
                pipe.send(examine(case, Path(folder)))
            except Exception as err:  # noqa: BLE001  any other exception is what this script looks for
                last = traceback.extract_tb(err.__traceback__)[-1]
                place = f"{Path(last.filename).name}:{last.lineno}"
                text = f"{type(err).__name__} at {place}: {err}"
                pipe.send(Outcome(seed, case.name, "fault", text, faults=[text]))


class Child:
    """A child process that works off cases and is replaced when it dies or hangs."""

    def __init__(self) -> None:
        self._start()

    def _start(self) -> None:
        context = mp.get_context("spawn")
        self.pipe, far = context.Pipe()
        self.process = context.Process(target=_serve, args=(far,), daemon=True)
        self.process.start()
        far.close()

    def run(self, seed: int) -> Outcome:
        """Return what came of a seed, a crash and a hang included."""
        name = str(seed)
        try:
            self.pipe.send(seed)
            name = self._answer(4 * LIMIT_S)
            return self._answer(LIMIT_S)
        except TimeoutError as slow:
            text = str(slow)
        except (EOFError, OSError):
            self.process.join(10)
            text = f"the process died (exit code {self.process.exitcode})"
        self.process.kill()
        self.process.join()
        self._start()
        return Outcome(seed, name, "fault", text, LIMIT_S, faults=[text])

    def _answer(self, limit_s: float):
        if not self.pipe.poll(limit_s):
            raise TimeoutError(f"no answer within {limit_s:g} s")
        return self.pipe.recv()

    def close(self) -> None:
        """End the process."""
        self.pipe.send(None)
        self.process.join()


def run_all(seeds: range) -> Iterator[Outcome]:
    """Work off cases in a child process."""
    child = Child()
    for seed in seeds:
        yield child.run(seed)
    child.close()


def table(outcomes: list[Outcome]) -> str:
    """Return the summary: for each kind of damage what came of its cases."""
    rows: dict[str, Counter[str]] = defaultdict(Counter)
    for o in outcomes:
        for kind in o.name.split(", ")[1].split("+") if ", " in o.name else []:
            rows[kind]["cases"] += 1
            rows[kind][o.result] += 1
            rows[kind]["faulty"] += bool(o.faults)
    columns = ("cases", "region", "MeshError", "OutlineError", "faulty")
    lines = [f"{'damage':10}" + "".join(f"{c:>14}" for c in columns)]
    lines += [f"{k:10}" + "".join(f"{rows[k][c]:14}" for c in columns) for k in sorted(rows)]
    errors = [abs(o.area_error) for o in outcomes if o.area_error is not None]
    offs = [o.off_mm for o in outcomes if o.off_mm is not None]
    lines.append(
        f"{len(outcomes)} cases, {sum(o.result == 'region' for o in outcomes)} regions, "
        f"{sum(bool(o.faults) for o in outcomes)} faulty; slowest {max(o.seconds for o in outcomes):.1f} s"
    )
    if errors:
        lines.append(
            f"area in place in {len(errors)}: off by {100 * np.median(errors):.2f} % at the median, "
            f"{100 * max(errors):.2f} % at most; outline off by {np.median(offs):.3f} mm at the median, "
            f"{max(offs):.3f} mm at most"
        )
    return "\n".join(lines)


def main() -> int:
    """Run the cases and print what came of them."""
    ask = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    ask.add_argument("--count", type=int, default=300)
    ask.add_argument("--seed", type=int, default=1, help="of the first case")
    ask.add_argument("-v", "--verbose", action="store_true", help="print every case")
    options = ask.parse_args()
    outcomes = []
    for o in run_all(range(options.seed, options.seed + options.count)):
        outcomes.append(o)
        if o.faults or options.verbose:
            print(f"{o.name}: {o.result} {o.text} {'; '.join(o.faults)} ({o.seconds:.1f} s)", flush=True)
    print(table(outcomes))
    return int(any(o.faults for o in outcomes))


if __name__ == "__main__":
    raise SystemExit(main())

"""Regions on large scans: time and memory from the file to three grown plies, and the outline's error on a cylinder.

The scan is two metres of a hull bottom with the root of a skeg, roughened by noise that hangs together over 5 mm; each size
is worked off in a process of its own, so that its peak memory is its own. The second table moves the outline of a patch on
a cylinder, roughened in the same way, and compares it with the exact line on the unrolled cylinder.
"""

from __future__ import annotations

import argparse
import multiprocessing as mp
import resource
import tempfile
import time
from pathlib import Path

import numpy as np
from scipy.ndimage import gaussian_filter

LENGTH_MM, BOTTOM_MM, WALL_MM = 2000.0, 700.0, 300.0
PLIES_MM = (15.0, 30.0, 45.0)


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add this benchmark's options."""
    parser.add_argument("--triangles", type=int, nargs="*", default=[200_000, 500_000, 1_000_000, 2_000_000])
    parser.add_argument("--rms", type=float, default=0.5, help="noise on the hull, mm")
    parser.add_argument("--smooth", type=float, default=0.0, help="smooth the mesh before, mm")
    parser.add_argument("--profile", action="store_true", help="print where the time goes in each size")
    parser.add_argument("--cylinder", type=int, default=200_000, help="triangles of the cylinder; 0 leaves it out")
    parser.add_argument("--noise", type=float, nargs="*", default=[0.0, 0.5, 1.0], help="on the cylinder, mm")


def run(options: argparse.Namespace) -> None:
    """Print both tables."""
    if options.triangles:
        print("seconds are those of the processor, in one thread of Python; GB is the peak of the process")
        print(f"{'triangles':>10} {'load+mend':>10} {'smooth':>7} {'cut':>7} {'grow':>7} {'all':>7} {'GB':>6}  areas, m²")
    for triangles in options.triangles:
        with tempfile.TemporaryDirectory() as folder, mp.get_context("spawn").Pool(1) as pool:
            path = Path(folder) / "scan.ply"
            write_ply(path, *scan(triangles, options.rms))
            print(pool.apply(size_line, (path, options.smooth, options.profile)), flush=True)
    if options.cylinder:
        cylinder_table(options)


# --- size -----------------------------------------------------------------------------------------------------


def grid(rows: int, columns: int) -> np.ndarray:
    """(2 rows columns, 3) faces of a grid of (rows + 1) (columns + 1) points."""
    k = np.arange((rows + 1) * (columns + 1)).reshape(rows + 1, columns + 1)
    p, q, r, s = k[:-1, :-1].ravel(), k[1:, :-1].ravel(), k[1:, 1:].ravel(), k[:-1, 1:].ravel()
    return np.stack([p, q, r, p, r, s], 1).reshape(-1, 3)


def hull(x: np.ndarray, s: np.ndarray) -> np.ndarray:
    """(..., 3) points of the bottom (s up to `BOTTOM_MM`) and of the skeg's side (beyond)."""
    y = np.minimum(s, BOTTOM_MM)
    up = np.maximum(s - BOTTOM_MM, 0.0)
    fall = 60 * (x / LENGTH_MM) ** 2 + 40 * ((BOTTOM_MM - y) / BOTTOM_MM) ** 2
    thick = 25 * np.sin(np.pi * np.clip(x / LENGTH_MM, 0, 1))
    return np.stack([x, y - thick * (y / BOTTOM_MM) ** 4 + 0.08 * up, up - fall], axis=-1)


def scan(triangles: int, rms: float, seed: int = 0) -> tuple[np.ndarray, np.ndarray]:
    """Return the rough hull as a mesh of about so many triangles."""
    step = np.sqrt(2 * LENGTH_MM * (BOTTOM_MM + WALL_MM) / triangles)
    rows, columns = round(LENGTH_MM / step), round((BOTTOM_MM + WALL_MM) / step)
    rng = np.random.default_rng(seed)
    x, s = np.meshgrid(np.linspace(0, LENGTH_MM, rows + 1), np.linspace(0, BOTTOM_MM + WALL_MM, columns + 1), indexing="ij")
    x = x + rng.uniform(-0.2, 0.2, x.shape) * step
    s = s + rng.uniform(-0.2, 0.2, s.shape) * step
    noise = gaussian_filter(rng.normal(size=x.shape), 5.0 / step)
    noise *= rms / noise.std()
    e = 0.01
    normal = np.cross(hull(x + e, s) - hull(x - e, s), hull(x, s + e) - hull(x, s - e))
    normal /= np.linalg.norm(normal, axis=-1, keepdims=True)
    return (hull(x, s) + noise[..., None] * normal).reshape(-1, 3), grid(rows, columns)


def outline() -> np.ndarray:
    """(10, 3) sparse points of a region over the corner, to be joined by geodesics."""
    at = [(400, 500), (800, 450), (1200, 450), (1600, 500), (1650, 650), (1600, 780)]
    at += [(1200, 820), (800, 820), (400, 780), (350, 650)]
    x, s = np.array(at, dtype=float).T
    return hull(x, s)


def write_ply(path: Path, v: np.ndarray, f: np.ndarray) -> None:
    """Write a binary PLY of single precision, as scanners do."""
    head = (
        f"ply\nformat binary_little_endian 1.0\nelement vertex {len(v)}\nproperty float x\nproperty float y\n"
        f"property float z\nelement face {len(f)}\nproperty list uchar int vertex_indices\nend_header\n"
    )
    rows = np.zeros(len(f), dtype=[("k", "u1"), ("f", "<i4", 3)])
    rows["k"], rows["f"] = 3, f
    path.write_bytes(head.encode() + v.astype("<f4").tobytes() + rows.tobytes())


def size_line(path: Path, smooth_mm: float, profiled: bool) -> str:
    """Work off one file and return its line; runs in a process of its own."""
    import cProfile
    import pstats

    from plyflat.surface import cut_region, grow_regions, load_surface
    from plyflat.surface.noise import smooth_surface

    watch = cProfile.Profile()
    if profiled:
        watch.enable()
    laps = [time.process_time()]
    surface = load_surface(path, unit="mm")
    laps.append(time.process_time())
    if smooth_mm:
        surface = smooth_surface(surface, scale_mm=smooth_mm)
    laps.append(time.process_time())
    region = cut_region(surface, outline())
    laps.append(time.process_time())
    grown = grow_regions(region, PLIES_MM)
    laps.append(time.process_time())
    if profiled:
        watch.disable()
        pstats.Stats(watch).sort_stats("cumulative").print_stats(60)
    spent = np.diff(laps)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
    areas = " ".join(f"{r.area_mm2 / 1e6:.5f}" for r in [region, *grown])
    return (
        f"{len(surface.faces):10} {spent[0]:10.1f} {spent[1]:7.1f} {spent[2]:7.1f} {spent[3]:7.1f} {spent.sum():7.1f} "
        f"{peak:6.2f}  {areas}"
    )


# --- error ----------------------------------------------------------------------------------------------------

RADIUS_MM, HALF_W_MM, HALF_H_MM = 300.0, 150.0, 100.0


def cylinder_table(options: argparse.Namespace) -> None:
    """Print how far the outline of a patch on a cylinder ends off the true one when it is moved."""
    import shapes

    from plyflat.surface import Surface, cut_region, grow_regions

    v, f = shapes.cylinder(radius=RADIUS_MM, wrap_deg=150.0, height=500.0, triangles=options.cylinder)[:2]
    print(f"\ncylinder of radius {RADIUS_MM:g} mm, {len(f)} triangles; error of the moved outline in mm")
    print(f"{'noise':>6} {'moved':>6} {'mean':>8} {'rms':>8} {'most':>8} {'area':>9} {'s':>6}")
    middle = np.array([np.arctan2(v[:, 1].mean(), v[:, 0].mean()), (v[:, 2].min() + v[:, 2].max()) / 2])
    for rms in options.noise:
        rough = shapes.rough(v, f, rms=rms, length=5.0, seed=1) if rms else v
        surface, began = Surface(rough, f), time.process_time()
        region = cut_region(surface, patch_outline(middle))
        for d, grown in zip((-30.0, 0.0, 15.0, 50.0, 100.0), grow_regions(region, (-30.0, 0.0, 15.0, 50.0, 100.0))):
            off = outline_error(grown.surface.vertices_mm[grown.loops[0]], middle, d)
            area = grown.area_mm2 / true_area(d) - 1
            spent = time.process_time() - began
            print(
                f"{rms:6.2f} {d:6.0f} {off.mean():8.3f} {np.sqrt((off**2).mean()):8.3f} {np.abs(off).max():8.3f} "
                f"{100 * area:8.3f}% {spent:6.1f}"
            )


def patch_outline(middle: np.ndarray) -> np.ndarray:
    """(k, 3) points every 2 mm round the patch."""
    w, h = HALF_W_MM, HALF_H_MM
    corners = np.array([[-w, -h], [w, -h], [w, h], [-w, h]])
    legs = [
        a + (b - a) * np.linspace(0, 1, int(np.linalg.norm(b - a) / 2), endpoint=False)[:, None]
        for a, b in zip(corners, np.roll(corners, -1, axis=0))
    ]
    flat = np.vstack(legs)
    turn = middle[0] + flat[:, 0] / RADIUS_MM
    return np.c_[RADIUS_MM * np.cos(turn), RADIUS_MM * np.sin(turn), middle[1] + flat[:, 1]]


def outline_error(points: np.ndarray, middle: np.ndarray, moved: float) -> np.ndarray:
    """How far points lie outside the unrolled patch's outline, less the distance it was moved."""
    turn = (np.arctan2(points[:, 1], points[:, 0]) - middle[0] + np.pi) % (2 * np.pi) - np.pi
    off = np.abs(np.c_[turn * RADIUS_MM, points[:, 2] - middle[1]]) - [HALF_W_MM, HALF_H_MM]
    outside = np.linalg.norm(np.maximum(off, 0), axis=1)
    return np.where((off > 0).any(axis=1), outside, off.max(axis=1)) - moved


def true_area(moved: float) -> float:
    """Area of the patch moved outward (with rounded corners) or inward (without), mm²."""
    if moved < 0:
        return 4 * (HALF_W_MM + moved) * (HALF_H_MM + moved)
    return 4 * HALF_W_MM * HALF_H_MM + 4 * (HALF_W_MM + HALF_H_MM) * moved + np.pi * moved**2

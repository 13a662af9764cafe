"""Nets of threads: time for each node, errors beside the exact sphere, folds of a plate, and the search for a start.

Times are process times of one core; the search's is wall time too, since it runs over processes.
"""

from __future__ import annotations

import argparse
import time

import numpy as np
import shapes
from scipy.integrate import solve_ivp

from plyflat.cloth._drape_search import search_drape
from plyflat.cloth._net import Plan, grow
from plyflat.cloth._net_bed import make_bed
from plyflat.cloth._net_read import Cells, read
from plyflat.cloth.drape import drape
from plyflat.surface.mesh import Surface
from plyflat.surface.region import region_of


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add this benchmark's options."""
    parser.add_argument("--triangles", type=int, nargs="*", default=[5120, 20480, 81920])
    parser.add_argument("--nodes", type=int, default=100_000, help="nodes of the net that is timed")
    parser.add_argument("--processes", type=int, default=2, help="of the search")


def run(options: argparse.Namespace) -> None:
    """Print the tables."""
    sphere(options)
    speed(options)
    plates()
    search(options)


def exact_shear(z: np.ndarray) -> np.ndarray:
    """Shear on the unit sphere at z = u v, degrees: z f'' + f' = -sin f, shear = 90 - f."""
    def rate(t: float, y: np.ndarray) -> list[float]:
        return [y[1], -(np.sin(y[0]) + y[1]) / t]

    first = 0.05
    begin = [np.pi / 2 - first + first**3 / 18, -1 + first**2 / 6]
    found = solve_ivp(rate, (first, 1.8), begin, "DOP853", rtol=1e-12, atol=1e-13, dense_output=True)
    at = np.linspace(first, 1.8, 4000)
    table = 90 - np.degrees(found.sol(at)[0])
    small = np.degrees(np.abs(z) - np.abs(z) ** 3 / 18)
    return np.sign(z) * np.where(np.abs(z) < first, small, np.interp(np.abs(z), at, table))


def sphere(options: argparse.Namespace) -> None:
    """Errors of shear below 60 degrees on spheres of jittered triangles."""
    print(f"{'triangles':>9} {'faces':>6} {'spacing/R':>9} {'nodes':>7} {'s':>6} {'rms deg':>9} {'max deg':>9}")
    for count in options.triangles:
        v, f = shapes.sphere(1000.0, count)
        for faces in ("flat", "curved"):
            bed = make_bed(Surface(v, f), curved=faces == "curved")
            top = bed.patch.locate(np.array([[0, 0, 1000.0]])).points_mm[0]
            start = bed.start(top, [1, 0.4, 0])
            for h in (50.0, 25.0, 12.5):
                k = int(1000 / h)
                began = time.process_time()
                net = grow(bed.ground, start, Plan(h, (k, k, k, k), arcs=faces == "curved"))
                took = time.process_time() - began
                cells = Cells(net)
                u, w = net.u_mm / 1000, net.v_mm / 1000
                true = exact_shear((u[1:] + u[:-1])[:, None] * (w[1:] + w[:-1])[None] / 4)
                off = (cells.shear - true)[cells.whole & (np.abs(true) < 60)]
                print(f"{count:9} {faces:>6} {h / 1000:9.4f} {net.state.size:7} {took:6.3f}"
                      f" {np.sqrt((off**2).mean()):9.5f} {np.abs(off).max():9.5f}")


def speed(options: argparse.Namespace) -> None:
    """Time for a large net on a sphere, a hull and a hull with a chine."""
    half = int(np.sqrt(options.nodes) / 2)
    made = {
        "sphere": (*shapes.sphere(1000.0, 20480), [0, 0, 1000.0], 1000.0),
        "Wigley hull": (*shapes.wigley(4000, 1200, 900, triangles=40000), [0, 600, -450.0], 430.0),
        "chine hull": (*shapes.chine_hull(step=4.0)[:2], [300, 180, 40.0], 140.0),
    }
    print(f"\n{'surface':>12} {'faces':>6} {'nodes':>7} {'net s':>6} {'us/node':>7} {'read s':>6}")
    for name, (v, f, at, reach) in made.items():
        for faces in ("flat", "curved"):
            bed = make_bed(Surface(v, f), curved=faces == "curved")
            at = bed.patch.locate(np.array([at])[:, :3].reshape(1, 3)).points_mm[0]
            start = bed.start(at, [1, 0.4, 0])
            began = time.process_time()
            net = grow(bed.ground, start, Plan(reach / half, (half,) * 4, arcs=faces == "curved"))
            took = time.process_time() - began
            began = time.process_time()
            found = read(Cells(net, bed.ground), bed.points, bed.normals)
            count = int(net.there.sum())
            assert found is not None
            print(f"{name:>12} {faces:>6} {count:7} {took:6.3f} {1e6 * took / count:7.2f}"
                  f" {time.process_time() - began:6.3f}")


def plates() -> None:
    """Shear that chines add, and errors of the flat places, where there is none to add."""
    print(f"\n{'chine deg':>9} {'spacing':>7} {'rms deg':>9} {'max deg':>9} {'place mm':>8} {'s':>6}")
    c, s = np.cos(np.radians(25)), np.sin(np.radians(25))
    for angle in (30, 60, 90):
        v, f, flat = shapes.folded_plate_developed(angle)
        for h in (40.0, 20.0, 10.0):
            began = time.process_time()
            d = drape(Surface(v, f), [-137, 11, 0], [1, 0, 0], turn_deg=25, spacing_mm=h)
            took = time.process_time() - began
            true = (flat - [-137, 11]) @ np.array([[c, -s], [s, c]])
            print(f"{angle:9} {h:7.0f} {np.sqrt((d.shear_deg**2).mean()):9.5f} {np.abs(d.shear_deg).max():9.5f}"
                  f" {np.abs(d.uv_mm - true).max():8.3f} {took:6.2f}")


def search(options: argparse.Namespace) -> None:
    """Ninety coarse nets over a cap of a sphere, the best laid finely."""
    v, f = shapes.cap(110, 1000.0, triangles=20000)
    middle = v[f].mean(axis=1)
    region = region_of(Surface(v, f), middle[:, 2] > np.cos(np.pi / 4) * np.linalg.norm(middle, axis=1))
    began, cpu = time.perf_counter(), time.process_time()
    found = search_drape(region, [1, 0, 0], within_deg=45, refine=0, processes=options.processes)
    print(f"\nsearch: {len(found.trials)} nets, {options.processes} processes, {time.perf_counter() - began:.1f} s"
          f" ({time.process_time() - cpu:.1f} s in this one); most {found.best.most_deg:.2f} deg,"
          f" worst tried {found.worst_trial.most_deg:.2f} deg, bound {found.bound_deg:.2f} deg")

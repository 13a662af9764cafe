"""The film under vacuum: time by size, and how near it comes to closed forms as its cells shrink."""

from __future__ import annotations

import argparse
import math
import tempfile
import time
from pathlib import Path

import numpy as np
from bench_demo import half_job

from plyflat import make_plan
from plyflat.bag._film_mesh import strip
from plyflat.bag.corners import hollow_lines
from plyflat.bag.film import Film, FilmMesh, LaidFilm, lay_film
from plyflat.bag.film_region import Ear, taut_film, with_ears
from plyflat.bag.whole_film import WholeBench
from plyflat.bagging import CORNER_MM
from plyflat.surface.mesh import Surface

FILM = Film("nylon 0.06 mm", 700.0, 0.06, poisson=0.4, yield_mpa=35.0, break_stretch=3.0)
STIFF = Film("1000 MPa, 0.05 mm", 1000.0, 0.05, poisson=0.0)
AT_CORNER = math.sqrt(2.0) - 1.0


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add this benchmark's options."""
    parser.add_argument("--vertices", type=int, default=1300, help="of the coarsest film over the post")
    parser.add_argument("--finer", type=int, default=2, help="how often it is split in four")
    parser.add_argument("--points", type=int, default=20_000, help="of the film over the demo's skeg")
    parser.add_argument("--skeg", action="store_true", help="the film over the demo's skeg alone")


def run(options: argparse.Namespace) -> None:
    """Print the tables."""
    if not options.skeg:
        _corner()
        _post(options)
    _skeg(options.points)


def _skeg(points: int) -> None:
    """Lay the film over the demo's scanned skeg as its plan does: taut, and with the pleats that its sections ask for."""
    with tempfile.TemporaryDirectory() as scratch:
        job = Path(scratch) / "job.toml"
        job.write_text(half_job("scan").replace(', worked_out = "whole"', "").replace('seconds = "20 s"', 'seconds = "1 s"'))
        reach = make_plan(job).regions[0].reach
    lines = tuple(hollow_lines(reach.surface, scale_mm=CORNER_MM))
    found = reach.film
    bench = WholeBench(reach.surface, lines, found.film, reach.pressure_kpa, reach.limit_mm, 1.9, points, 1.15)
    wall = time.perf_counter()
    drawn = bench.drawn()
    print(f"the demo's skeg, {points} points asked for: drawn taut in {time.perf_counter() - wall:.1f} s", flush=True)
    for what, ears in (("taut", ()), ("with its pleats", [q.ear for q in found.fed.folds])):
        wall = time.perf_counter()
        state, _ = bench.laid(what, drawn, ears)
        low, high = state.range_mm[state.worst]
        print(
            f"  {what}: {len(state.film_mm)} vertices, off the corner {state.mean_mm:.2f} mm on the mean, {state.worst_mm:.2f} at most "
            f"({low:.2f} to {high:.2f}), off balance {100 * state.residual:.1f} %, {time.perf_counter() - wall:.1f} s",
            flush=True,
        )


def _corner() -> None:
    length = 100 * math.sqrt(2.0)
    free = (200 - length) / ((2 - math.pi / 2) + 0.09 * length / 50)
    v = 500.0 * np.array([[0, -1, 0], [1, -1, 0], [1, 1, 0], [0, 1, 0], [0, -1, 1], [0, 1, 1]])
    ground = Surface(v, np.array([[0, 1, 2], [0, 2, 3], [0, 3, 5], [0, 5, 4]]))
    print(
        f"square corner, walls 100 mm, 90 kPa: free radius without friction {free:.3f} mm, sticking 86.485 mm"
    )
    for cells in (16, 32, 64, 128):
        mesh = strip([[0, 0, 100], [100, 0, 0]], cells=cells)
        laid = lay_film(mesh, ground, STIFF, pressure_kpa=90.0, tolerance=1e-5)
        print(f"  {cells:4d} cells, sliding: {_radius(laid):.3f} mm, {laid.steps} steps")
    for steps in (5, 10, 20):
        mesh = strip([[0, 0, 100], [100, 0, 0]], cells=64)
        ramp = np.geomspace(0.05, 1, steps)
        laid = lay_film(mesh, ground, STIFF, pressure_kpa=90.0, friction=math.inf, ramp=ramp)
        print(f"  sticking, load in {steps:2d} steps: {_radius(laid):.3f} mm")


def _radius(laid: LaidFilm) -> float:
    return float(laid.gap_over_mm([[0, laid.vertices_mm[-1, 1] / 2, 0]])[0]) / AT_CORNER


def _post(options: argparse.Namespace) -> None:
    import shapes

    v, f, _ = shapes.post_through(shapes.round_section(25.0), height=80.0, size=300.0, step=4.0)
    top = next(q for q in Surface(v, f).boundary_loops if abs(v[q][:, 2].mean() - 80) < 5)
    fan = np.column_stack([np.roll(top, -1), top, np.full(len(top), len(v))])
    hull = Surface(np.vstack([v, v[top].mean(axis=0)]), np.vstack([f, fan]))
    foot = _foot(hull)
    began = time.process_time()
    taut = taut_film(hull, vertices=options.vertices, offset_mm=2.0)
    print(f"post of radius 25 and 80 mm high on a plate of 300 mm, 90 kPa, {FILM.name}, stack 2 mm")
    print(f"  drawn taut: {len(taut.points_mm)} vertices, {time.process_time() - began:.1f} s")
    ends = [((-150, y, 0), (150, y, 0)) for y in (-65, 65)] + [((x, -150, 0), (x, 150, 0)) for x in (-65, 65)]
    pleated = with_ears(taut, [Ear(a, b, 28.6) for a, b in ends])
    for what, mesh in (("taut", taut), ("four pleats of 28.6 mm", pleated)):
        for finer in range(options.finer + 1):
            _row(what, mesh, hull, foot, finer)


def _foot(hull: Surface) -> np.ndarray:
    v = hull.vertices_mm
    return v[(np.abs(np.hypot(v[:, 0], v[:, 1]) - 25) < 1) & (v[:, 2] < 1)]


def _row(what: str, mesh: FilmMesh, hull: Surface, foot: np.ndarray, finer: int) -> None:
    wall, cpu = time.perf_counter(), time.process_time()
    laid = lay_film(mesh, hull, FILM, pressure_kpa=90.0, offset_mm=2.0, finer=finer)
    wall, cpu = time.perf_counter() - wall, time.process_time() - cpu
    gap, (low, high) = laid.gap_over_mm(foot) - 2.0, laid.gap_range_mm(foot).mean(axis=0) - 2.0
    print(
        f"  {what}: {len(laid.vertices_mm):6d} vertices, foot gap mean {gap.mean():.2f} ({low:.2f} to {high:.2f}) "
        f"max {gap.max():.2f} mm, stretched {laid.most_stretch:.2f} times, "
        f"off balance {100 * laid.residual:.2f} %, {wall:.1f} s wall, {cpu:.1f} s processor",
        flush=True,
    )

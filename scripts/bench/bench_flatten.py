"""Flat shapes: time, energy and folds beside libigl's SLIM and the exact answers.

Each mesh is laid flat by plyflat and, from its own conformal start, by libigl. "within" is the time libigl takes to come
within 1e-5 of plyflat's energy, "same" the time until its excess over 1 is within a thousandth of plyflat's; starts,
topology and overlap checks are included on our side, the start on libigl's. Seconds are of processor time, ours the least
of ``--repeat`` runs.
"""

from __future__ import annotations

import argparse
import resource
import sys
import time
from collections.abc import Callable
from functools import partial
from typing import Any

import numpy as np
import shapes

from plyflat.cloth.flatten import flatten
from plyflat.surface.mesh import Surface

MESHES: dict[str, Callable[[int], tuple]] = {
    "cap": lambda n: shapes.cap(45, triangles=n),
    "saddle": lambda n: shapes.saddle(triangles=n),
    "cylinder": lambda n: shapes.cylinder(triangles=n),
    "cone": lambda n: shapes.cone(triangles=n),
    "oblique_cone": lambda n: shapes.oblique_cone(triangles=n),
    "tangent_developable": lambda n: shapes.tangent_developable(triangles=n),
    "noisy_sheet": lambda n: shapes.noisy_sheet(noise=150 / np.sqrt(n), triangles=n),
    "wigley": lambda n: shapes.wigley(triangles=n),
    "post_on_plate": lambda n: shapes.post_on_plate(
        fillet=20, around=int(np.sqrt(1.5 * n)), along=int(np.sqrt(n / 6))
    ),
}


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add this benchmark's options."""
    parser.add_argument("--mesh", nargs="*", choices=sorted(MESHES), default=list(MESHES))
    parser.add_argument("--triangles", type=int, nargs="*", default=[2000, 20000, 100000])
    parser.add_argument("--aim", choices=["fair", "worst"], default="fair")
    parser.add_argument("--repeat", type=int, default=3)
    parser.add_argument("--slim", type=int, default=20, help="libigl's iterations at most; 0 leaves it out")
    parser.add_argument("--limit", type=float, default=60.0, help="seconds libigl may take on one mesh")


def run(options: argparse.Namespace) -> None:
    """Print the table."""
    print(
        f"{'mesh':20} {'triangles':>9} {'s':>7} {'energy':>12} {'range':>7} {'folds':>5} {'over':>4} {'steps':>5}"
        f" | {'SLIM s':>7} {'energy':>12} {'it':>3} {'within':>7} {'ratio':>6} {'same':>7} {'ratio':>6} | {'off mm/m':>8}"
    )
    for name in options.mesh:
        for triangles in options.triangles:
            line(name, triangles, options)
    print(f"largest memory: {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6:.2f} GB")


def line(name: str, triangles: int, options: argparse.Namespace) -> None:
    """Measure one mesh and print its line."""
    v, f = MESHES[name](triangles)
    seconds = np.inf
    for _ in range(options.repeat):
        surface = Surface(v, f)
        began = time.process_time()
        flat = flatten(surface, options.aim)
        seconds = min(seconds, time.process_time() - began)
    spread = np.log(flat.stretch[:, 0].max() / flat.stretch[:, 1].min())
    print(
        f"{name:20} {len(f):9} {seconds:7.3f} {flat.energy:12.8f} {spread:7.4f} {int(flat.flipped.sum()):5}"
        f" {'yes' if flat.overlaps else 'no':>4} {flat.iterations:5}",
        end=" | ",
    )
    sys.stdout.flush()
    if options.slim and len(surface.boundary_loops) == 1:
        slim(surface, flat, seconds, options)
    else:
        print(f"{'':54}", end=" | ")
    print(exactness(name, triangles, surface, flat))


def slim(surface: Surface, flat: Any, ours: float, options: argparse.Namespace) -> None:
    """Print what libigl reaches and when it comes within 1e-5 of our energy."""
    import igl

    v, f = surface.vertices_mm, surface.faces
    began = time.process_time()
    loop = igl.boundary_loop(f)
    uv, _ = igl.lscm(v, f, np.array([loop[0], loop[len(loop) // 2]]), np.array([[0.0, 0.0], [1.0, 0.0]]))
    uv = uv * np.sqrt(surface.area_mm2 / np.abs(flat_areas(uv, f)).sum())
    data = igl.slim_precompute(
        np.asfortranarray(v),
        np.asfortranarray(f.astype(np.int32)),
        np.asfortranarray(uv),
        igl.MappingEnergyType.SYMMETRIC_DIRICHLET,
        np.empty(0, dtype=np.int32),
        np.empty((0, 2)),
        0.0,
    )
    seconds, within, same = time.process_time() - began, np.inf, np.inf
    energy, count = np.inf, 0
    while count < options.slim and seconds < options.limit:
        began = time.process_time()
        uv = igl.slim_solve(data, 1)
        seconds += time.process_time() - began
        count, energy = count + 1, plain_energy(surface, uv)
        if energy < flat.energy + 1e-5:
            within = min(within, seconds)
        if energy - 1 < 1.001 * (flat.energy - 1):
            same = min(same, seconds)
    print(
        f"{seconds:7.3f} {energy:12.8f} {count:3} {within:7.3f} {within / ours:6.2f} {same:7.3f} {same / ours:6.2f}",
        end=" | ",
    )


def flat_areas(uv: np.ndarray, faces: np.ndarray) -> np.ndarray:
    """Signed areas of flat triangles."""
    a, b, c = (uv[faces[:, i]] for i in range(3))
    return 0.5 * ((b - a)[:, 0] * (c - a)[:, 1] - (b - a)[:, 1] * (c - a)[:, 0])


def plain_energy(surface: Surface, uv: np.ndarray) -> float:
    """Energy from the first fundamental forms; infinite where a triangle is folded."""
    p, q = surface.vertices_mm[surface.faces], uv[surface.faces]
    a, b, c, d = p[:, 1] - p[:, 0], p[:, 2] - p[:, 0], q[:, 1] - q[:, 0], q[:, 2] - q[:, 0]
    dot = partial(np.einsum, "ij,ij->i")
    rest, flat = dot(a, a) * dot(b, b) - dot(a, b) ** 2, dot(c, c) * dot(d, d) - dot(c, d) ** 2
    both = dot(a, a) * dot(d, d) + dot(b, b) * dot(c, c) - 2 * dot(a, b) * dot(c, d)
    if flat_areas(uv, surface.faces).min() <= 0:
        return np.inf
    return float(surface.face_areas_mm2 @ (both / rest + both / flat) / (4 * surface.area_mm2))


def exactness(name: str, triangles: int, surface: Surface, flat: Any) -> str:
    """Return how far the outline is from the exact development, where there is one."""
    develop = getattr(shapes, f"{name}_developed", None)
    if develop is None:
        return ""
    exact = develop(triangles=triangles)[2]
    rim = surface.boundary_loops[0]
    off = np.linalg.norm(shapes.laid_on(flat.uv_mm[rim], exact[rim]) - exact[rim], axis=1).max()
    return f"{off / np.linalg.norm(np.ptp(exact, axis=0)) * 1000:8.4f}"

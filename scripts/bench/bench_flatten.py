"""Flat shapes: time, energy and folds beside libigl's SLIM and the exact answers.

Each mesh is laid flat by plyflat and by libigl along two routes, each run to ``--slim`` iterations or ``--limit`` seconds:
SLIM from the conformal start, and SLIM from the harmonic map to a circle; where both are folded, which SLIM cannot mend,
it is lent plyflat's own first map. Energy is the area mean of
(s1^2 + s2^2 + s1^-2 + s2^-2) / 4, summed for both sides by the same plain function from the flat points, never read from
a solver. "Same energy" means that the route's excess over 1 (1 is an isometry, the least there is) is at most 1.001 times
ours, or 1e-9 where ours is less than that. The time to it is that of the route that is there first, with its start and
its set-up; ours holds start, checks of the mesh and the overlap check too, and is the least of ``--repeat`` runs. Wall and
processor seconds are given for both; the ratio is our wall time over libigl's. No energy is computed inside the times.

``--scan`` lays a scan flat in place of the named meshes: a mesh file, mended no further than that it is one disc with its
holes filled, so that both sides get the same rough triangles.
"""

from __future__ import annotations

import argparse
import os
import resource
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from pathlib import Path
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


@dataclass(frozen=True)
class Clock:
    """Seconds on the wall and of the processor."""

    wall: float
    processor: float

    @classmethod
    def now(cls) -> Clock:
        """The clock as it stands."""
        return cls(time.perf_counter(), time.process_time())

    def __sub__(self, other: Clock) -> Clock:
        return Clock(self.wall - other.wall, self.processor - other.processor)

    def __add__(self, other: Clock) -> Clock:
        return Clock(self.wall + other.wall, self.processor + other.processor)

    def __str__(self) -> str:
        return f"{self.wall:8.3f} {self.processor:8.3f}"


@dataclass(frozen=True)
class Route:
    """What libigl reached along one route: the clock and the energy after each iteration."""

    name: str
    clocks: tuple[Clock, ...]
    energies: tuple[float, ...]

    def first_at(self, energy: float) -> int | None:
        """The first iteration whose energy is no more than stated."""
        return next((k for k, e in enumerate(self.energies) if e <= energy), None)


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add this benchmark's options."""
    parser.add_argument("--mesh", nargs="*", choices=sorted(MESHES), default=list(MESHES))
    parser.add_argument("--triangles", type=int, nargs="*", default=[2000, 20000, 100000])
    parser.add_argument("--scan", type=Path, help="a mesh file to lay flat in place of the named meshes")
    parser.add_argument("--aim", choices=["fair", "worst"], default="fair")
    parser.add_argument("--repeat", type=int, default=3)
    parser.add_argument("--slim", type=int, default=20, help="libigl's iterations at most; 0 leaves it out")
    parser.add_argument("--limit", type=float, default=60.0, help="seconds libigl may take along one route")


def run(options: argparse.Namespace) -> None:
    """Print the table."""
    print(f"processors: {os.cpu_count()}, load: {' '.join(f'{x:.2f}' for x in os.getloadavg())}")
    print(
        f"{'mesh':20} {'triangles':>9} {'wall s':>8} {'proc. s':>8} {'energy':>12} {'range':>7} {'folds':>5} {'over':>4}"
        f" {'steps':>5} {'off mm/m':>8} | {'first':>9} {'it':>3} {'wall s':>8} {'proc. s':>8} {'ratio':>6}"
    )
    if options.scan:
        line(options.scan.stem, mended_disc(options.scan), options)
    else:
        for name in options.mesh:
            for triangles in options.triangles:
                line(name, Surface(*MESHES[name](triangles)), options, triangles)
    print(f"largest memory: {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6:.2f} GB")


def line(name: str, surface: Surface, options: argparse.Namespace, triangles: int = 0) -> None:
    """Measure one mesh and print its line, and one for each of libigl's routes."""
    v, f = surface.vertices_mm, surface.faces
    ours = Clock(np.inf, np.inf)
    for _ in range(options.repeat):
        # A fresh surface each time: it keeps its normals and loops once they are known.
        surface = Surface(v, f)
        began = Clock.now()
        flat = flatten(surface, options.aim)
        ours = min(ours, Clock.now() - began, key=lambda clock: clock.wall)
    spread = np.log(flat.stretch[:, 0].max() / flat.stretch[:, 1].min())
    energy = plain_energy(surface, flat.uv_mm)
    print(
        f"{name:20} {len(f):9} {ours} {energy:12.8f} {spread:7.4f} {int(flat.flipped.sum()):5}"
        f" {'yes' if flat.overlaps else 'no':>4} {flat.iterations:5} {exactness(name, triangles, surface, flat):>8}",
        end=" | ",
    )
    sys.stdout.flush()
    if not options.slim or len(surface.boundary_loops) > 1:
        print("not tried on a patch with holes" if options.slim else "")
        return
    routes = [slim(surface, start, options) for start in (conformal_start, harmonic_start)]
    if not any(route.clocks for route in routes):
        routes.append(slim(surface, lent_start, options))
    print(first_there(routes, 1 + max(1.001 * (energy - 1), 1e-9), ours))
    for route in routes:
        ends = f"{route.clocks[-1]} s, energy {route.energies[-1]:.8f}" if route.clocks else "its start is folded"
        print(f"    SLIM, {route.name}: {len(route.clocks)} iterations, {ends}")
    sys.stdout.flush()


def first_there(routes: list[Route], energy: float, ours: Clock) -> str:
    """Write which route comes to an energy first, when, and our time over its."""
    there = [(r.clocks[k], r.name, k + 1) for r in routes if (k := r.first_at(energy)) is not None]
    if not there:
        return f"{'none':>9}"
    clock, name, count = min(there, key=lambda item: item[0].wall)
    return f"{name:>9} {count:3} {clock} {ours.wall / clock.wall:6.2f}"


def slim(surface: Surface, start: Callable[[Surface], np.ndarray], options: argparse.Namespace) -> Route:
    """Return what libigl reaches from a start."""
    import igl

    v, f = surface.vertices_mm, surface.faces
    name = start.__name__.removesuffix("_start")
    began = Clock.now()
    uv = start(surface)
    uv = uv * np.sqrt(surface.area_mm2 / np.abs(flat_areas(uv, f)).sum())
    if flat_areas(uv, f).min() <= 0:
        return Route(name, (), ())
    data = igl.slim_precompute(
        np.asfortranarray(v),
        np.asfortranarray(f.astype(np.int32)),
        np.asfortranarray(uv),
        igl.MappingEnergyType.SYMMETRIC_DIRICHLET,
        np.empty(0, dtype=np.int32),
        np.empty((0, 2)),
        0.0,
    )
    total = Clock.now() - began
    clocks, energies = [], []
    while len(clocks) < options.slim and total.wall < options.limit:
        began = Clock.now()
        uv = igl.slim_solve(data, 1)
        total = total + (Clock.now() - began)
        clocks.append(total)
        energies.append(plain_energy(surface, uv))
    return Route(name, tuple(clocks), tuple(energies))


def conformal_start(surface: Surface) -> np.ndarray:
    """libigl's least squares conformal map, two far vertices of the rim held."""
    import igl

    loop = igl.boundary_loop(surface.faces)
    held = np.array([loop[0], loop[len(loop) // 2]])
    return igl.lscm(surface.vertices_mm, surface.faces, held, np.array([[0.0, 0.0], [1.0, 0.0]]))[0]


def harmonic_start(surface: Surface) -> np.ndarray:
    """libigl's harmonic map with the rim on a circle."""
    import igl

    v, f = surface.vertices_mm, surface.faces
    loop = np.asarray(igl.boundary_loop(f))
    circle = igl.map_vertices_to_circle(np.asfortranarray(v), loop.astype(np.int32))
    return igl.harmonic(v, f, loop, circle, 1)


def lent_start(surface: Surface) -> np.ndarray:
    """plyflat's own map to a circle, whose clipped weights fold nothing."""
    from plyflat.cloth._patch import Triangles, checked_disc
    from plyflat.cloth._sparse import Pattern
    from plyflat.cloth._start import disc_map

    v, f = surface.vertices_mm, surface.faces
    loops, edges = checked_disc(surface)
    ahead = np.linalg.norm(v[np.roll(loops[0], -1)] - v[loops[0]], axis=1)
    return disc_map(Triangles(v, f), Pattern(v, f, edges), loops[0], ahead)


def mended_disc(path: Path) -> Surface:
    """Read a scan and return its largest piece as a disc: doubled vertices joined, pinches trimmed, holes filled."""
    import trimesh
    from bench_patches import largest

    from plyflat.cloth._patch import fill_holes

    mesh = trimesh.load(path, process=False)
    mesh.merge_vertices()
    mesh.update_faces(mesh.unique_faces() & mesh.nondegenerate_faces())
    mesh.remove_unreferenced_vertices()
    surface = largest(Surface(np.asarray(mesh.vertices, dtype=np.float64), np.asarray(mesh.faces)))
    faces, points = fill_holes(surface.faces, surface.vertices_mm, surface.boundary_loops[1:])
    return Surface(points, faces)


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

"""Where a film bridges: time and memory by size, on a post on a plate and on a plate with ribs, beside closed forms."""

from __future__ import annotations

import argparse
import math
import resource
import time

from plyflat.bag.reach import find_bridging
from plyflat.bag.wedge import post_gap_mm3, wedge_gap
from plyflat.surface.mesh import Surface

#: A free radius of 20 mm.
FILM = {"pressure_kpa": 50.0, "tension_n_per_m": 1000.0}
POST_MM, HIGH_MM, RIB_MM, PITCH_MM, WIDE_MM = 25.0, 80.0, 30.0, 200.0, 1000.0


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add this benchmark's options."""
    parser.add_argument("--vertices", type=int, default=100_000, help="of each surface, about; a scan has a million")


def run(options: argparse.Namespace) -> None:
    """Print both tables."""
    gap = wedge_gap(90, 20.0)
    print(f"film of {FILM['tension_n_per_m']:g} N/m at {FILM['pressure_kpa']:g} kPa, square corners {gap.depth_mm:.3f} mm deep")
    _row("post of radius 25 on a plate of 400 mm", _post(options.vertices), post_gap_mm3(POST_MM, 20.0))
    count = int(WIDE_MM / PITCH_MM) - 1
    _row(f"plate of 1 m with {count} ribs of 30 mm, 200 mm apart", _ribs(options.vertices), gap.area_mm2 * WIDE_MM)


def _post(vertices: int) -> Surface:
    import shapes

    # The plate has 2.3 triangles for each square of the step, half as many vertices.
    area = 1.15 * 400.0**2 + 2 * math.pi * POST_MM * HIGH_MM
    v, f, _ = shapes.post_through(shapes.round_section(POST_MM), height=HIGH_MM, size=400.0, step=math.sqrt(area / vertices))
    return Surface(v, f)


def _ribs(vertices: int) -> Surface:
    import shapes

    half = WIDE_MM / 2
    profile = [[-half, 0.0]]
    for k in range(1, int(WIDE_MM / PITCH_MM)):
        x = k * PITCH_MM - half
        profile += [[x - 8, 0.0], [x - 8, RIB_MM], [x + 8, RIB_MM], [x + 8, 0.0]]
    profile.append([half, 0.0])
    length = sum(math.dist(a, b) for a, b in zip(profile[:-1], profile[1:]))
    v, f = shapes.swept(profile, WIDE_MM, math.sqrt(length * WIDE_MM / vertices))
    return Surface(shapes.turned(v, seed=1), f)


def _row(what: str, surface: Surface, exact_mm3: float) -> None:
    wall, cpu = time.perf_counter(), time.process_time()
    spots = find_bridging(surface, **FILM).spots
    wall, cpu = time.perf_counter() - wall, time.process_time() - cpu
    deep = max(abs(s.depth_mm / (20.0 * (math.sqrt(2.0) - 1.0)) - 1.0) for s in spots)
    off = max(abs(s.volume_mm3 / exact_mm3 - 1.0) for s in spots)
    most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
    print(
        f"  {what}: {len(surface.vertices_mm)} vertices, {len(surface.faces)} triangles: {wall:.1f} s wall, {cpu:.1f} s processor, "
        f"{most:.1f} GB at most; {len(spots)} spots, depth off by {100 * deep:.2f} %, volume by {100 * off:.2f} % at most",
        flush=True,
    )

"""Corner lines on rough meshes against the exact ones: tubes, odd sections, foils and a bulkhead, at several angles.

The noise is 1 mm rms and hangs together over 5 mm. Errors are distances of the true line from the line found, mm;
seconds are of the processor.
"""

from __future__ import annotations

import argparse
import time

import numpy as np
import shapes
from scipy.spatial import cKDTree

from plyflat.errors import PlyflatError
from plyflat.surface.corner import find_corner
from plyflat.surface.mesh import Surface

SECTIONS = {"round": shapes.round_section, "lumpy": shapes.lumpy_section, "foil": shapes.foil_section}


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add this benchmark's options."""
    parser.add_argument("--step", type=float, default=1.15, help="mm between points; 1.15 makes 200 000 triangles")
    parser.add_argument("--rms", type=float, default=1.0)
    parser.add_argument("--length", type=float, default=5.0)
    parser.add_argument("--seeds", type=int, default=1)
    parser.add_argument("--angles", default="90,60,45,30")
    parser.add_argument("--shapes", default="round,lumpy,foil,bulkhead")


def run(options: argparse.Namespace) -> None:
    """Print one line for each shape, angle and noise."""
    print(f"{'shape':9} {'angle':>5} {'seed':>4} {'faces':>7} {'section':8} {'rms':>6} {'worst':>6} {'misfit':>6} {'s':>6}")
    for name in options.shapes.split(","):
        if name not in (*SECTIONS, "bulkhead"):
            raise SystemExit(f"no shape {name!r}; there is {', '.join(SECTIONS)}, bulkhead")
        for angle in (float(q) for q in options.angles.split(",")):
            v, f, line = made(name, angle, options.step)
            for seed in range(options.seeds):
                print(f"{name:9} {angle:5.0f} {seed:4d} {len(f):7d} {tried(v, f, line, seed, options)}", flush=True)


def made(name: str, angle: float, step: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return the mesh and the true line of one case."""
    if name == "bulkhead":
        return shapes.bulkhead_on_hull(angle, step=step)
    hull = shapes.curved_hull if name == "foil" else shapes.flat_hull
    return shapes.post_through(SECTIONS[name](), angle, taper=0 if name == "round" else -0.001, step=step, hull=hull)


def tried(v: np.ndarray, f: np.ndarray, line: np.ndarray, seed: int, options: argparse.Namespace) -> str:
    """Find the line of one case and say how far off it is."""
    surface = Surface(shapes.rough(v, f, options.rms, options.length, seed), f)
    began = time.process_time()
    try:
        corner = find_corner(surface, line[len(line) // 3])
    except PlyflatError as fault:
        return f"not found: {fault}"
    seconds = time.process_time() - began
    p = corner.points_mm
    p = np.vstack([p, p[:1]]) if corner.closed else p
    dense = np.vstack([a + (b - a) * np.linspace(0, 1, 20)[:, None] for a, b in zip(p, p[1:])])
    off = cKDTree(dense).query(line)[0]
    return (
        f"{corner.section:8} {np.sqrt((off**2).mean()):6.2f} {off.max():6.2f} {corner.worst_mm:6.2f} {seconds:6.1f}"
        f"{'  look: ' + corner.uncertain[0][1] if corner.uncertain else ''}"
    )

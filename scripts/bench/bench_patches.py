"""Random patches, smooth and rough, with holes, slivers and deep bowls: how many lie flat, and how hard it was.

Each patch is a square under random long waves, stretched, roughened, cut along a random smooth outline and pierced at
random. What must hold on every one is checked: no folds, stretch that fits the flat points, the proven bound not beaten,
and an overlap told if, and only if, the union of the flat triangles (shapely) is smaller than their sum.
"""

from __future__ import annotations

import argparse
import time
from collections import Counter

import numpy as np
import shapely
import shapes

from plyflat.cloth.flatten import flatten, lower_bound
from plyflat.errors import PlyflatError
from plyflat.surface.mesh import Surface


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add this benchmark's options."""
    parser.add_argument("--count", type=int, default=500)
    parser.add_argument("--triangles", type=int, default=1500)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--aim", choices=["fair", "worst"], default="fair")


def run(options: argparse.Namespace) -> None:
    """Lay the patches flat and print what came of them."""
    tally: Counter[str] = Counter()
    hardest, began = (0, 0, 0.0), time.process_time()
    for seed in range(options.seed, options.seed + options.count):
        surface = patch(seed, options.triangles)
        try:
            flat = flatten(surface, options.aim)
        except PlyflatError as fault:
            tally[type(fault).__name__] += 1
            print(f"seed {seed}: {fault}")
            continue
        tally["laid flat"] += 1
        tally["overlap"] += flat.overlaps
        for fault in faults(surface, flat):
            tally[fault] += 1
            print(f"seed {seed}: {fault}")
        hardest = max(hardest, (flat.iterations, seed, flat.energy))
    seconds = time.process_time() - began
    print(", ".join(f"{name}: {n}" for name, n in sorted(tally.items())))
    print(
        f"{seconds / options.count * 1000:.0f} ms of the processor each, checks included; hardest: {hardest[0]} steps (seed {hardest[1]}, energy {hardest[2]:.4f})"
    )


def patch(seed: int, triangles: int) -> Surface:
    """Return the random patch of a seed."""
    rng = np.random.default_rng(seed)
    rise = 10 ** rng.uniform(1, 3)
    v, f = shapes.smooth_patch(rise=rise, waves=int(rng.integers(1, 8)), triangles=triangles, seed=seed)
    v = v * [1.0, rng.choice([1.0, 0.3, 0.05]), 1.0]
    outlined = rng.random() < 0.5
    if outlined:
        v, f = shapes.part_of(v, f, inside_outline(v, f, rng))
    if rng.random() < 0.4:
        v = v + rng.normal(0, rng.choice([0.5, 3.0, 10.0]), v.shape) * [0, 0, 1]
    if rng.random() < 0.3:
        at = v[rng.integers(len(v))]
        keep = np.linalg.norm(v[f].mean(axis=1) - at, axis=1) > rng.uniform(30, 150)
        return largest(Surface(v, f).sub(keep)[0])
    return largest(Surface(v, f)) if outlined else Surface(v, f)


def inside_outline(v: np.ndarray, f: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """(m,) which faces lie inside a random smooth outline about the middle: a circle, an arm or a bay here and there."""
    middle = v[f].mean(axis=1)[:, :2]
    middle = (middle - middle.mean(axis=0)) / np.ptp(middle, axis=0)
    angle = np.arctan2(*middle.T[::-1])
    edge = 0.42 * (1 + sum(rng.uniform(-0.15, 0.15) * np.cos(k * angle + rng.uniform(0, 6)) for k in (2, 3, 4, 5)))
    return np.hypot(*middle.T) < edge


def largest(surface: Surface) -> Surface:
    """Return the largest piece of a surface, trimmed until its edges do not touch."""
    import trimesh

    mesh = trimesh.Trimesh(surface.vertices_mm, surface.faces, process=False)
    piece = max(mesh.split(only_watertight=False), key=lambda m: len(m.faces))
    faces = np.asarray(piece.faces)
    while True:
        half = faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2)
        key = half[:, 0] * len(piece.vertices) + half[:, 1]
        free = half[~np.isin(key, half[:, 1] * len(piece.vertices) + half[:, 0])]
        twice = np.flatnonzero(np.bincount(free[:, 0], minlength=len(piece.vertices)) > 1)
        if not len(twice):
            return Surface(np.asarray(piece.vertices), faces).sub(np.ones(len(faces), dtype=bool))[0]
        faces = faces[~np.isin(faces, twice).any(axis=1)]


def faults(surface: Surface, flat) -> list[str]:
    """Name what does not hold."""
    found = []
    a, b, c = (flat.uv_mm[surface.faces[:, i]] for i in range(3))
    area = 0.5 * ((b - a)[:, 0] * (c - a)[:, 1] - (b - a)[:, 1] * (c - a)[:, 0])
    if not (area > 0).all():
        found.append("folded")
    if np.abs(area / surface.face_areas_mm2 / flat.stretch.prod(axis=1) - 1).max() > 1e-6:
        found.append("stretch does not fit")
    triangles = shapely.polygons(flat.uv_mm[surface.faces])
    hidden = area.sum() - shapely.union_all(triangles).area
    if (hidden > 1e-9 * area.sum()) != (flat.overlap_mm2 > 1e-9 * area.sum()):
        found.append(f"{hidden:.3g} mm² lie over each other, {flat.overlap_mm2:.3g} mm² are told")
    spread = np.log(flat.stretch[:, 0].max() / flat.stretch[:, 1].min())
    if not flat.overlaps and lower_bound(surface)[0] > spread + 1e-9:
        found.append("bound beaten")
    return found

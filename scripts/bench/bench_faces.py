"""Faces up to their creases on scans with noise: how far the cut edge lies beside the true crease, over many seeds."""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable

import numpy as np
import shapes
from scipy.spatial import cKDTree

from plyflat.errors import PlyflatError
from plyflat.surface.face import find_face
from plyflat.surface.mesh import Surface

NOISE = ((0.0, 1.0), (0.5, 1.0), (1.0, 1.0), (0.5, 5.0), (1.0, 5.0))


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add this benchmark's options."""
    parser.add_argument("--seeds", type=int, default=6)
    parser.add_argument("--step", type=float, default=3.0, help="mesh step, mm")
    parser.add_argument("--angle", type=float, default=30.0, help="degrees")
    parser.add_argument("--scale", type=float, default=10.0, help="mm")


def run(options: argparse.Namespace) -> None:
    """Print one line for each shape and noise."""
    print("shape, noise rms / length mm: rms and max beside the crease mm (mean over seeds), refused, s each (process time)")
    for name, make in (("post on a plate", _post), ("chine hull, bottom", _chine)):
        for rms, length in NOISE:
            off, refused, began = [], [], time.process_time()
            for seed in range(options.seeds):
                v, f, at, truth, normal = make(options.step)
                surface = Surface(shapes.rough(v, f, rms, length, seed) if rms else v, f)
                try:
                    face = find_face(surface, at, angle_deg=options.angle, scale_mm=options.scale)
                except PlyflatError as fault:
                    refused.append(str(fault))
                    continue
                off.append(_across(face.region.surface, face.region.loops, truth, normal))
            each = (time.process_time() - began) / options.seeds
            rms_mm = np.mean([np.sqrt((q**2).mean()) for q in off]) if off else np.inf
            most = np.mean([np.abs(q).max() for q in off]) if off else np.inf
            print(f"{name}, {rms:g} / {length:g}: {rms_mm:.2f} {most:.2f}, {len(refused)} of {options.seeds}, {each:.1f} s")
            for text in refused:
                print(f"    {text}")


Shape = tuple[np.ndarray, np.ndarray, tuple[float, float, float], np.ndarray, np.ndarray]
Make = Callable[[float], Shape]


def _post(step: float) -> Shape:
    v, f, corner = shapes.post_through(shapes.round_section(40.0), size=240.0, step=step)
    return v, f, (90.0, 0.0, 0.0), corner, corner * [1, 1, 0] / 40.0 + [0, 0, 1]


def _chine(step: float) -> Shape:
    v, f, chine = shapes.chine_hull(step=step)
    return v, f, (300.0, 110.0, 10.0), chine, np.tile([0.0, 0.8, -0.6], (len(chine), 1))


def _across(surface: Surface, loops: tuple[np.ndarray, ...], truth: np.ndarray, normal: np.ndarray) -> np.ndarray:
    """How far the edge lies beside the crease, within the surface; the noise along the normal does not count."""
    p = np.concatenate([surface.vertices_mm[q] for q in loops])
    d, i = cKDTree(truth).query(p)
    keep = (d < 15) & (i > 30) & (i < len(truth) - 30)
    side = np.cross(normal, np.roll(truth, -3, 0) - np.roll(truth, 3, 0))[i[keep]]
    return ((p - truth[i])[keep] * side).sum(1) / np.linalg.norm(side, axis=1)

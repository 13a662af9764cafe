"""Fillets of putty: centres, volumes and time on posts at all angles, clean and roughened, against closed forms."""

from __future__ import annotations

import argparse
import time

import numpy as np
import shapes

from plyflat.errors import PlyflatError
from plyflat.surface.fillet import Filleted, run_fillet
from plyflat.surface.mesh import Surface

SECTION, OFF = 1 - np.pi / 4, (5 / 6 - np.pi / 4) / (1 - np.pi / 4)


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add this benchmark's options."""
    parser.add_argument("--radius", type=float, default=40.0, help="of the post, mm")
    parser.add_argument("--ball", type=float, default=20.0, help="radius of the fillet, mm")
    parser.add_argument("--step", type=float, default=1.5, help="edge of the triangles, mm")
    parser.add_argument("--seeds", type=int, default=4)
    parser.add_argument("--large", action="store_true", help="also a mesh of 200 000 triangles")


def run(options: argparse.Namespace) -> None:
    """Run the fillets and print what came of them."""
    for tilt in (0, 30, 45, 60):
        _row(f"leaning {tilt:2d}", options, tilt, 0.0, 0)
    for rms in (0.3, 0.5, 1.0):
        for seed in range(options.seeds):
            _row(f"rough {rms:g} mm, seed {seed}", options, 0, rms, seed)
    for rms in (0.5, 1.0):
        for seed in range(options.seeds):
            _wedge(rms, seed, options.ball)
    if options.large:
        v, f = shapes.post_on_plate(radius=60, height=300, reach=400, around=400, along=250)
        began = time.process_time()
        made = run_fillet(Surface(v, f), _ring(60.0, 0.0), options.ball, closed=True)
        print(f"{len(f)} triangles: {_told(made, 60.0, 0.0)}, {time.process_time() - began:.1f} s of process time")


def _ring(radius: float, tilt_deg: float) -> np.ndarray:
    w = np.linspace(0, 2 * np.pi, 200, endpoint=False)
    return np.stack([radius * np.cos(w) / np.cos(np.radians(tilt_deg)), radius * np.sin(w), 0 * w], axis=1)


def _row(name: str, options: argparse.Namespace, tilt: float, rms: float, seed: int) -> None:
    v, f = shapes.leaning_post(options.radius, tilt, height=150, reach=150, step=options.step)
    v = shapes.rough(v, f, rms, seed=seed) if rms else v
    line = _ring(options.radius, tilt) + np.random.default_rng(seed).normal(0, rms, (200, 3))
    began = time.process_time()
    try:
        made = run_fillet(Surface(v, f), line, options.ball, closed=True)
    except PlyflatError as fault:
        print(f"{name}: {fault}")
        return
    print(f"{name}: {_told(made, options.radius, tilt)}, {time.process_time() - began:.1f} s")


def _told(made: Filleted, radius: float, tilt: float) -> str:
    t, ball, c = np.radians(tilt), made.radius_mm, made.centre_mm
    axis = np.array([np.sin(t), 0, np.cos(t)])
    off = np.r_[np.linalg.norm(c - np.outer(c @ axis, axis), axis=1) - radius - ball, c[:, 2] - ball]
    text = f"centre off rms {np.sqrt((off**2).mean()):.3f} max {np.abs(off).max():.3f} mm, stray {made.stray_mm:.3f} mm"
    if tilt:
        return f"{text}, {made.volume_mm3:.0f} mm3"
    true = 2 * np.pi * (radius + OFF * ball) * SECTION * ball**2
    return f"{text}, volume {100 * (made.volume_mm3 / true - 1):+.2f} %"


def _wedge(rms: float, seed: int, ball: float) -> None:
    v, f = shapes.wedge(90, step=2.0)
    line = np.column_stack([np.linspace(0, 200, 50), np.zeros((50, 2))])
    line = line + np.random.default_rng(seed).normal(0, rms, line.shape)
    try:
        made = run_fillet(Surface(shapes.rough(v, f, rms, seed=seed), f), line, ball, closed=False)
    except PlyflatError as fault:
        print(f"open, rough {rms:g} mm, seed {seed}: {fault}")
        return
    share = made.volume_mm3 / (SECTION * ball**2 * 200) - 1
    print(f"open, rough {rms:g} mm, seed {seed}: volume {100 * share:+.2f} %, stray {made.stray_mm:.3f} mm")

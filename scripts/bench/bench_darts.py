"""Cuts that let cloth lie flat: how many, how long they take to find, and what they bring, on domes, saddles and flanges."""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable, Sequence

import numpy as np
import shapes

from plyflat.cloth.darts import Darted, place_darts
from plyflat.surface.mesh import Surface

Shape = tuple[np.ndarray, np.ndarray]
#: Name, shape from a number of triangles, and what is asked of the cuts.
CASES: tuple[tuple[str, Callable[[int], Shape], dict], ...] = (
    ("cap of 45 deg", lambda n: shapes.cap(45, triangles=n), {"over_share": 0.001}),
    ("the same, all 8 cuts", lambda n: shapes.cap(45, triangles=n), {"over_share": 0.0, "kinds": ("dart",)}),
    ("saddle, panels", lambda n: shapes.saddle(triangles=n), {"over_share": 0.0, "kinds": ("split",), "most": 3}),
    ("saddle, gussets", lambda n: shapes.saddle(triangles=n), {"over_share": 0.001, "kinds": ("gusset",), "most": 3}),
    ("bulged patch", lambda n: shapes.bulged_patch(triangles=n), {"over_share": 0.001}),
    ("bulged more", lambda n: shapes.bulged_patch(rise=300, triangles=n), {"over_share": 0.001}),
    ("flange", lambda n: shapes.flange(triangles=n), {"over_share": 0.01}),
    ("flange, gussets", lambda n: shapes.flange(triangles=n), {"over_share": 0.01, "kinds": ("gusset",)}),
    ("saddle cone, 60 deg", lambda _: shapes.saddle_cone(60.0), {"limit": 0.01, "over_share": 0.001, "kinds": ("gusset",)}),
)


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add this benchmark's options."""
    parser.add_argument("--triangles", type=int, default=10_000, help="of each patch")


def run(options: argparse.Namespace) -> None:
    """Cut the patches and print what came of it."""
    place_darts(Surface(*shapes.cap(45, triangles=1000)), most=1)  # loads the libraries
    print("patch                 cuts                         wall, s  processor, s  over the limit      energy    overlap, mm2")
    for name, shape, asked in CASES:
        surface = Surface(*shape(options.triangles))
        wall, cpu = time.perf_counter(), time.process_time()
        done = place_darts(surface, **asked)
        wall, cpu = time.perf_counter() - wall, time.process_time() - cpu
        print(f"{name:21s} {_cuts(done):28s} {wall:7.2f} {cpu:13.2f}  {_figures(done)}", flush=True)


def _cuts(done: Darted) -> str:
    kinds = [c.kind for c in done.cuts]
    length = sum(c.length_mm for c in done.cuts)
    said = ", ".join(f"{kinds.count(k)} {k}" for k in dict.fromkeys(kinds))
    return f"{said or 'none'}, {length:.0f} mm"


def _figures(done: Darted) -> str:
    lap: Sequence[float] = [f.overlap_mm2 for f in done.flats]
    over = f"{100 * done.before.over_share:5.2f} -> {100 * done.after.over_share:5.3f} %"
    return f"{over}  {done.after.energy:.6f}  {sum(lap):g}"

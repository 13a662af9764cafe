"""Density of our lays on the public packing instances beside the published ones and beside the plain packing library.

The published means are of 20 minutes on 3 threads of a fast desktop machine: ``--minutes 20`` gives ours as long, on all
cores there are. Shorter runs go beside the library alone, given the same time and as many threads.
``--copies 200`` lays so many copies out of three shapes, drawn here, in place of the instances.
"""

from __future__ import annotations

import argparse
import json
import math
import os
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent.parent
DATA = ROOT / "tests" / "data" / "packing"
HEAD = ("instance", "mean", "least", "best", "plain", "pub.mean", "pub.best", "length", "bound", "over", "by")
ROW = "{:<10} {:>7} {:>7} {:>7} {:>7} {:>9} {:>9} {:>9} {:>9} {:>7}  {}"
#: From here on the run stands beside the published means alone, s.
PUBLISHED_S = 1200.0
#: The library finds no exact fits: its strip is this share wider.
SLACK = 1e-5


def load(path: Path) -> tuple[list, float]:
    """Give an instance's parts and the width of its strip."""
    from shapely import Polygon

    from plyflat.lay.nest import Part

    found = json.loads(path.read_text())
    parts = [
        Part(Polygon(i["shape"]["data"]), tuple(i["allowed_orientations"]), i["demand"], str(i["id"]))
        for i in found["items"]
    ]
    return parts, found["strip_height"]


def alike(pieces: int) -> tuple[list, float]:
    """Give copies of a wedge, an angle and a lens, so many together, and the width of a roll in mm."""
    from shapely import Polygon

    from plyflat.lay.nest import Part

    turn = [2.0 * math.pi * k / 60 for k in range(60)]
    shapes = {
        "wedge": [(0, 0), (420, 0), (70, 250)],
        "angle": [(0, 0), (300, 0), (300, 100), (100, 100), (100, 200), (0, 200)],
        "lens": [(180 * math.cos(t), 70 * math.sin(t)) for t in turn],
    }
    counts = [pieces // 3 + (k < pieces % 3) for k in range(3)]
    return [Part(Polygon(q), (0.0, 180.0), n, name) for (name, q), n in zip(shapes.items(), counts)], 1250.0


def plain_use(parts: list, width_mm: float, *, seconds: float, seed: int, threads: int) -> float:
    """Give the density, per cent, that the packing library alone reaches."""
    import spyrrow

    items = []
    for k, part in enumerate(parts):
        x, y = part.outline.centroid.coords[0]
        ring = [(a - x, b - y) for a, b in part.outline.exterior.coords[:-1]]
        items.append(spyrrow.Item(str(k), ring, part.copies, list(part.turns_deg)))
    strip = spyrrow.StripPackingInstance("", width_mm * (1.0 + SLACK), items)
    settings = spyrrow.StripPackingConfig(total_computation_time=round(seconds), num_workers=threads, seed=seed)
    area = sum(part.copies * part.outline.area for part in parts)
    return 100.0 * area / (width_mm * strip.solve(settings).width)


def bench_nest(
    sets: dict[str, tuple[list, float]], published: dict[str, list[float]], *, seconds: float, seeds: int, plain: bool
) -> None:
    """Print a line for each instance: our mean, least and best density beside the library's mean and the published ones.

    Parameters
    ----------
    sets : dict
        Parts and width of the strip, by name.
    published : dict
        By name: mean first, best fourth.
    seconds : float
        For each lay.
    seeds : int
        Lays of each instance.
    plain : bool
        Whether the library runs by itself too.
    """
    from plyflat.lay.nest import nest

    threads = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    print(f"density in % of width x length, {seconds:g} s a lay, {seeds} seeds, {threads} cores; published: 20 minutes, 3 threads")
    print(f"load of the machine over the last minute: {os.getloadavg()[0]:.1f}" if hasattr(os, "getloadavg") else "")
    print(ROW.format(*HEAD))
    for name, (parts, width_mm) in sets.items():
        lays = [nest(parts, width_mm=width_mm, seconds=seconds, seed=seed) for seed in range(seeds)]
        uses = [100.0 * lay.use for lay in lays]
        best = min(lays, key=lambda lay: lay.length_mm)
        alone = "-"
        if plain:
            runs = [plain_use(parts, width_mm, seconds=seconds, seed=seed, threads=threads) for seed in range(seeds)]
            alone = f"{sum(runs) / seeds:.2f}"
        known = published.get(name)
        theirs = (f"{known[0]:.2f}", f"{known[3]:.2f}") if known else ("-", "-")
        ours = (f"{sum(uses) / len(uses):.2f}", f"{min(uses):.2f}", f"{max(uses):.2f}")
        proof = (f"{best.length_mm:.2f}", f"{best.bound_mm:.2f}", f"{100 * best.over_bound:.2f}%", best.bound_name)
        print(ROW.format(name, *ours, alone, *theirs, *proof), flush=True)


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add this benchmark's options."""
    parser.add_argument("names", nargs="*", help="instances; all of the folder by default")
    parser.add_argument("--seconds", type=float, default=20.0, help="time for each lay")
    parser.add_argument("--minutes", type=float, help="time for each lay, in place of --seconds")
    parser.add_argument("--seeds", type=int, default=1)
    parser.add_argument("--folder", type=Path, default=DATA, help="instances as JSON, with published_densities.json")
    parser.add_argument("--copies", type=int, default=0, help="lay so many copies of three shapes out instead")


def run(given: argparse.Namespace) -> None:
    """Print the table."""
    start = time.monotonic()
    seconds = 60.0 * given.minutes if given.minutes else given.seconds
    listed = given.folder / "published_densities.json"
    published = json.loads(listed.read_text()) if listed.is_file() else {}
    if "shapes2_blaz1" in published:
        # Published under another name.
        published.setdefault("blaz", published["shapes2_blaz1"])
    if given.copies:
        sets = {f"{given.copies} alike": alike(given.copies)}
    else:
        files = [path for path in sorted(given.folder.glob("*.json")) if path != listed]
        sets = {path.stem: load(path) for path in files if not given.names or path.stem in given.names}
    bench_nest(sets, published, seconds=seconds, seeds=given.seeds, plain=seconds < PUBLISHED_S)
    print(f"{time.monotonic() - start:.0f} s")

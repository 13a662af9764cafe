"""Density of our lays on the public packing instances beside the published ones.

The published means are of 20 minutes on 3 threads of a fast desktop machine; the default here is 20 seconds.
"""

from __future__ import annotations

import argparse
import json
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent.parent
DATA = ROOT / "tests" / "data" / "packing"
ROW = "{:<10} {:>7} {:>7} {:>7} {:>7} {:>7} {:>9} {:>9} {:>7}  {}"


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


def bench_nest(*, seconds: float = 20.0, seeds: int = 1, folder: Path = DATA, names: tuple[str, ...] = ()) -> None:
    """Print a line for each instance: our mean, least and best density beside the published mean and best.

    Parameters
    ----------
    seconds : float
        For each lay.
    seeds : int
        Lays of each instance.
    folder : Path
        Instances as JSON, and ``published_densities.json``.
    names : tuple of str
        Only these instances; all of the folder by default.
    """
    from plyflat.lay.nest import nest

    published = json.loads((folder / "published_densities.json").read_text())
    # Published under another name.
    published.setdefault("blaz", published.get("shapes2_blaz1"))
    print(f"density in % of width x length, {seconds:g} s a lay, {seeds} seeds; published: 20 minutes, 3 threads")
    print(ROW.format("instance", "mean", "least", "best", "pub.mean", "pub.best", "length", "bound", "over", "by"))
    for path in sorted(folder.glob("*.json")):
        if path.stem == "published_densities" or (names and path.stem not in names):
            continue
        parts, width_mm = load(path)
        lays = [nest(parts, width_mm=width_mm, seconds=seconds, seed=seed) for seed in range(seeds)]
        uses = [100.0 * lay.use for lay in lays]
        best = min(lays, key=lambda lay: lay.length_mm)
        known = published.get(path.stem)
        theirs = (f"{known[0]:.2f}", f"{known[3]:.2f}") if known else ("-", "-")
        ours = (f"{sum(uses) / len(uses):.2f}", f"{min(uses):.2f}", f"{max(uses):.2f}")
        proof = (f"{best.length_mm:.2f}", f"{best.bound_mm:.2f}", f"{100 * best.over_bound:.2f}%", best.bound_name)
        print(ROW.format(path.stem, *ours, *theirs, *proof), flush=True)


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add this benchmark's options."""
    parser.add_argument("names", nargs="*", help="instances; all by default")
    parser.add_argument("--seconds", type=float, default=20.0)
    parser.add_argument("--seeds", type=int, default=1)
    parser.add_argument("--folder", type=Path, default=DATA)


def run(given: argparse.Namespace) -> None:
    """Print the table."""
    start = time.monotonic()
    bench_nest(seconds=given.seconds, seeds=given.seeds, folder=given.folder, names=tuple(given.names))
    print(f"{time.monotonic() - start:.0f} s")

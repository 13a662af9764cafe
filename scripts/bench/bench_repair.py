"""Faults put into synthetic scans on purpose: how many of each kind mending finds, and how many it makes up.

Sheets of an even mesh carry noise of 0.5 to 1 mm that hangs together over some millimetres. Recall is the share of what
was put in that is found (by number for spikes, by area for second sheets and flipped faces, by length for ledges);
precision the share of what is found that was put in. Sheets with noise alone show what is made up from nothing. With
``--size`` one clean file of so many triangles is loaded, mended and smoothed, for time and memory.
"""

from __future__ import annotations

import argparse
import resource
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import shapes

from plyflat.surface import load_surface, noise, repair_surface, smooth_surface
from plyflat.surface._doubled import find_doubled
from plyflat.surface._spikes import set_back_spikes
from plyflat.surface._steps import find_steps
from plyflat.surface.mesh import Surface
from plyflat.surface.repair import pieces

NOISES = ((0.0, 3.0), (0.5, 3.0), (1.0, 3.0), (1.0, 6.0), (0.5, 0.0))


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add this benchmark's options."""
    parser.add_argument("--seeds", type=int, default=4)
    parser.add_argument("--step", type=float, default=2.0, help="edge of the mesh, mm")
    parser.add_argument("--only", default="", help="faults whose name holds this")
    parser.add_argument("--size", type=int, default=0, help="triangles of a file to time")


def run(options: argparse.Namespace) -> None:
    """Print the table, or the time of one file."""
    if options.size:
        timed(options.size)
        return
    print(f"edge {options.step:g} mm, {options.seeds} seeds; noise rms / correlation in mm")
    print(f"{'fault':<18}{'noise':>10}{'recall':>9}{'precision':>11}  note")
    for name, one in ((n, t) for n, t in FAULTS.items() if options.only in n):
        for rms, far in NOISES:
            rows = [one(rms, far, seed, options.step) for seed in range(options.seeds)]
            put, found, right = (sum(r[k] for r in rows) for k in range(3))
            recall = f"{right / put:.3f}" if put else "-"
            precision = f"{right / found:.3f}" if found else "-"
            note = "; ".join(sorted({r[3] for r in rows if r[3]})[:1])
            print(f"{name:<18}{f'{rms:g} / {far:g}':>10}{recall:>9}{precision:>11}  {note}")


def sheet(rms: float, far: float, seed: int, step: float):
    """Return the clean sheet of a seed."""
    return shapes.scan_sheet(400.0, 300.0, step=step, noise=rms, correlation=far, seed=seed)


def spikes(rms: float, far: float, seed: int, step: float) -> tuple[float, float, float, str]:
    """Spikes of 5 to 15 mm, up to about 30 degrees off the normal."""
    v, f = sheet(rms, far, seed, step)
    rng = np.random.default_rng(seed + 1000)
    inner = np.flatnonzero((np.abs(v[:, 0] - 200) < 190) & (np.abs(v[:, 1] - 150) < 140))
    at = rng.choice(inner, 80, replace=False)
    way = np.column_stack([rng.normal(0, 0.3, (80, 2)), rng.choice([-1, 1], 80)])
    w = v.copy()
    w[at] += way / np.linalg.norm(way, axis=1)[:, None] * rng.uniform(5, 15, 80)[:, None]
    found = set_back_spikes(w, f)
    right = np.isin(found.at, at)
    off = np.abs(found.v[found.at[right], 2] - v[found.at[right], 2])
    return 80, len(found.at), right.sum(), f"set back to {np.median(off):.2f} mm of the truth (median)"


def second_sheet(apart: float) -> Callable[[float, float, int, float], tuple[float, float, float, str]]:
    """Return the trial with a round second sheet so far above the first."""

    def one(rms: float, far: float, seed: int, step: float) -> tuple[float, float, float, str]:
        v, f, second = shapes.with_second_sheet(
            *sheet(rms, far, seed, step), (200, 150), 40.0, apart, sheet(rms, far, seed + 500, step)
        )
        s = Surface(v, f)
        calm = noise.calmed(s, int(np.clip(round(2 * (4 / s.mean_edge_mm) ** 2), 1, 60))).vertices_mm
        gone = np.zeros(len(f), dtype=bool)
        for d in find_doubled(v, calm, f, pieces(f, len(v))):
            gone[d.drop] = True
        area = s.face_areas_mm2
        return area[second].sum(), area[gone].sum(), area[gone & second].sum(), ""

    return one


def ledge(height: float) -> Callable[[float, float, int, float], tuple[float, float, float, str]]:
    """Return the trial with a ledge so high across the sheet."""

    def one(rms: float, far: float, seed: int, step: float) -> tuple[float, float, float, str]:
        v, f = sheet(rms, far, seed, step)
        slope = 0.1 * (seed % 4)
        found = find_steps(shapes.with_ledge(v, height, at=200.0, slope=slope), f)
        put = 300 * np.hypot(1, slope) if height else 0.0
        length = right = 0.0
        for s in found.steps:
            off = np.abs(s.line_mm[:, 0] - 200 - slope * (s.line_mm[:, 1] - 100))
            length += s.length_mm
            right += s.length_mm * float((off < 8).mean()) * (height > 0)
        return put, length, min(right, put), f"floor {found.floor_mm:.2f} mm"

    return one


def flipped(rms: float, far: float, seed: int, step: float) -> tuple[float, float, float, str]:
    """Patches turned over."""
    v, f = sheet(rms, far, seed, step)
    rng = np.random.default_rng(seed)
    middle = v[f].mean(axis=1)[:, :2]
    bad = np.zeros(len(f), dtype=bool)
    for _ in range(5):
        bad |= np.hypot(*(middle - rng.uniform([30, 30], [370, 270])).T) < rng.uniform(5, 25)
    g = f.copy()
    g[bad] = g[bad][:, ::-1]
    out = repair_surface(Surface(v, g), look=False)
    turned = sum(r.count for r in out.repairs if r.kind == "turned")
    wrong = int((out.face_normals[:, 2] < 0).sum()) - int((Surface(v, f).face_normals[:, 2] < 0).sum())
    return bad.sum(), turned, min(turned, bad.sum()), f"{wrong} faces the wrong way after"


FAULTS = {
    "spikes": spikes,
    "second sheet 1 mm": second_sheet(1.0),
    "second sheet 2 mm": second_sheet(2.0),
    "second sheet 3 mm": second_sheet(3.0),
    "no ledge": ledge(0.0),
    "ledge 0.5 mm": ledge(0.5),
    "ledge 1 mm": ledge(1.0),
    "ledge 2 mm": ledge(2.0),
    "ledge 3 mm": ledge(3.0),
    "flipped": flipped,
}


def timed(triangles: int) -> None:
    """Load, mend and smooth one file; process time and the peak of memory."""
    import trimesh

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "a.ply"
        step = float(np.sqrt(2 * 2e6 / triangles))
        trimesh.Trimesh(*shapes.scan_sheet(2000.0, 1000.0, step=step), process=False).export(path)
        began = time.process_time()
        raw = load_surface(path, unit="mm", repair=False)
        read = time.process_time()
        mended = repair_surface(raw)
        done = time.process_time()
        smooth_surface(mended, scale_mm=2 * mended.mean_edge_mm)
        end = time.process_time()
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
    print(
        f"{len(raw.faces)} triangles: read {read - began:.1f} s, mended {done - read:.1f} s, "
        f"smoothed {end - done:.1f} s (process time); peak {peak:.2f} GB with the making of the file"
    )

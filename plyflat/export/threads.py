"""Threads of plies that are laid by them, as points on the hull: for pictures, and as a list for who draws or checks them there."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from ..cloth.pieces import piece_name
from .tables import as_csv

if TYPE_CHECKING:
    from ..cloth.drape import Drape
    from ..planned import Plan, PlyPlan
    from ..surface.mesh import Bools, Floats

THREAD_HEAD = (
    "region", "ply", "piece", "thread", "warp or weft", "first thread", "off the first thread (mm)", "point", "along it (mm)",
    "x (mm)", "y (mm)", "z (mm)",
)  # fmt: skip
FOLDER, FILE = "fibres", "threads.csv"
#: About so many threads each way are taken of a net.
TAKEN = 18


@dataclass(frozen=True, eq=False)
class ThreadRun:
    """A stretch of a thread on the hull.

    Attributes
    ----------
    first : bool
        Whether it belongs to one of the first two threads, which are laid before the others.
    off_mm : float
        Distance on the flat cloth from the first thread that runs its way: to the left of the warp's, ahead of the weft's.
    along_mm : (k,) float array
        Length along the thread from the other first thread, which crosses it.
    points_mm, normals : (k, 3) float array
    """

    first: bool
    off_mm: float
    along_mm: Floats
    points_mm: Floats
    normals: Floats


def every_which(drape: Drape) -> int:
    """Return that every so many-th thread of a net is taken.

    Parameters
    ----------
    drape : Drape
    """
    return max(1, round(max(drape.net.state.shape) / TAKEN))


def thread_runs(drape: Drape, axis: int) -> Iterator[ThreadRun]:
    """Yield the stretches on the piece of the threads that are taken.

    Parameters
    ----------
    drape : Drape
    axis : {0, 1}
        0 for threads of the warp, 1 for those of the weft.
    """
    every = every_which(drape)
    for n, laid in enumerate(drape.laid.nets):
        net, on = laid.net, laid.on_patch
        points, normals = net.points, net.normals
        along, off = net.u_mm + laid.shift_mm[0], net.v_mm + laid.shift_mm[1]
        if axis == 1:
            points, normals, on = points.transpose(1, 0, 2), normals.transpose(1, 0, 2), on.T
            along, off = off, along
        zero = net.origin[1 - axis]
        for j in range(zero % every, on.shape[1], every):
            for run in _runs(on[:, j]):
                # Nets that were laid anew behind a cut start from threads of the first net.
                yield ThreadRun(n == 0 and j == zero, float(off[j]), along[run], points[run, j], normals[run, j])


def _runs(on: Bools) -> Iterator[slice]:
    """Stretches of two or more that hang together."""
    edge = np.flatnonzero(np.diff(np.concatenate([[False], on, [False]]).astype(np.int8)))
    for a, b in zip(edge[::2].tolist(), edge[1::2].tolist()):
        if b - a > 1:
            yield slice(a, b)


def thread_rows(region: str, ply: PlyPlan) -> Iterator[tuple[object, ...]]:
    """Yield a row for each point of the threads of a ply, as `THREAD_HEAD` has them.

    Parameters
    ----------
    region : str
    ply : PlyPlan
    """
    for k, draped in ply.draped:
        # Where threads were bent on purpose, the net that straight ones would have given is kept beside it.
        kind = "straight" if ply.layings[k].plain is None else "bent"
        runs = [(way, run) for axis, way in enumerate(("warp", "weft")) for run in thread_runs(draped.drape, axis)]
        for number, (way, run) in enumerate(runs, start=1):
            said = (region, ply.name, piece_name(k), number, way, kind if run.first else "", f"{run.off_mm:z.2f}")
            for point, (along, place) in enumerate(zip(run.along_mm, run.points_mm), start=1):
                yield (*said, point, f"{along:z.2f}", *(f"{c:z.2f}" for c in place))


def write_threads(plan: Plan, folder: Path) -> list[Path]:
    """Write the threads of all plies that are laid by them to ``fibres/threads.csv``; nothing where there is no such ply.

    Parameters
    ----------
    plan : Plan
    folder : Path
        An existing folder.

    Returns
    -------
    list of Path
    """
    rows = [row for region in plan.regions for ply in region.plies for row in thread_rows(region.name, ply)]
    if not rows:
        return []
    path = folder / FOLDER / FILE
    path.parent.mkdir(exist_ok=True)
    path.write_bytes(as_csv(THREAD_HEAD, rows).encode("utf-8"))
    return [path]

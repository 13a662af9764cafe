"""Where along the tape to look for leaks first, in metres from the start of each loop."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from ..errors import PlyflatError

#: Turn of the tape line over `WINDOW_MM` from which it counts as a bend in or out. This program's choice.
BEND_DEG = 12.0
WINDOW_MM = 60.0


class TapeError(PlyflatError, ValueError):
    """A tape line that is none: give two or more different points, each with a normal."""


@dataclass(frozen=True)
class Mark:
    """A place on the tape to look at.

    Attributes
    ----------
    metre : float
        From the start of the loop along the tape.
    why : {"start", "hollow", "ridge"}
    turn_deg : float
        How far the line turns there, seen along the surface's normal direction; 0 at the start.
    """

    metre: float
    why: str
    turn_deg: float


def tape_marks(points_mm: ArrayLike, normals: ArrayLike) -> tuple[Mark, ...]:
    """Places on a closed tape line where film bridges or lifts: its start, hollows and ridges; hollows worst first.

    Parameters
    ----------
    points_mm : (k, 3) float array
        The loop, first point not repeated.
    normals : (k, 3) float array
        Unit normals of the surface at the points, air side.

    Returns
    -------
    tuple of Mark
        The start first, then by how far the line turns.

    Raises
    ------
    TapeError
        Fewer than three points, or points without normals.
    """
    points, normal = np.asarray(points_mm, dtype=float), np.asarray(normals, dtype=float)
    if points.ndim != 2 or len(points) < 3 or points.shape != normal.shape:
        raise TapeError(f"a loop of shape {points.shape} with normals of shape {normal.shape}", do="Give (k, 3) of each, k > 2.")
    step = np.linalg.norm(np.roll(points, -1, axis=0) - points, axis=1)
    total = float(step.sum())
    if total <= 0:
        raise TapeError("all points of the loop are the same", do="Give a loop with a length.")
    at = np.linspace(0.0, total, max(int(total / (WINDOW_MM / 6)), 12), endpoint=False)
    way = np.concatenate([[0.0], np.cumsum(step)])
    closed, up = np.vstack([points, points[:1]]), np.vstack([normal, normal[:1]])
    line = np.stack([np.interp(at, way, closed[:, k]) for k in range(3)], axis=1)
    rise = np.stack([np.interp(at, way, up[:, k]) for k in range(3)], axis=1)
    turn = _turn_deg(line, rise, max(round(WINDOW_MM / 2 / (total / len(at))), 1))
    found = [Mark(0.0, "start", 0.0)]
    for k in _peaks(np.abs(turn), BEND_DEG):
        found.append(Mark(float(at[k]) / 1000.0, "hollow" if turn[k] > 0 else "ridge", float(abs(turn[k]))))
    first = sorted(found[1:], key=lambda m: (m.why != "hollow", -m.turn_deg))
    return (found[0], *first)


def _turn_deg(line: np.ndarray, rise: np.ndarray, reach: int) -> np.ndarray:
    """Signed turn towards the normal over a window, degrees: positive where the surface is hollow along the tape."""
    ahead, behind = np.roll(line, -reach, axis=0) - line, line - np.roll(line, reach, axis=0)
    far, near = np.linalg.norm(ahead, axis=1), np.linalg.norm(behind, axis=1)
    sound = (far > 0) & (near > 0)
    change = ahead / np.where(sound, far, 1.0)[:, None] - behind / np.where(sound, near, 1.0)[:, None]
    bend = np.einsum("ij,ij->i", change, rise)
    return np.where(sound, np.degrees(2 * np.arcsin(np.clip(bend / 2, -1, 1))), 0.0)


def _peaks(size: np.ndarray, least: float) -> list[int]:
    """Index of the largest in every run above a limit; runs go round the loop."""
    high = size >= least
    if not high.any():
        return []
    start = int(np.flatnonzero(~high)[0]) if not high.all() else 0
    order = [(start + k) % len(size) for k in range(len(size))]
    peaks: list[int] = []
    run: list[int] = []
    for k in [*order, -1]:
        if k >= 0 and high[k]:
            run.append(k)
        elif run:
            peaks.append(max(run, key=lambda q: size[q]))
            run = []
    return peaks

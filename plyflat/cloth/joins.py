"""Laps and butts: which joins run along the load, so that they may be cut edge to edge."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from ..surface.mesh import Floats, Surface

Kind = Literal["lap", "butt"]
Cause = Literal["seam", "cut", "panel", "roll"]

#: A butt may stray this far from the load: a figure of ours.
WITHIN_DEG = 30.0
# A join's direction is taken over so much of it: cuts of a few millimetres follow the mesh, not the load.
CHORD_MM = 20.0
# Where the load leans farther than this out of the surface it has no direction along it (0.3: 73 degrees).
FLATTEST = 0.3


@dataclass(frozen=True)
class Load:
    """The direction in which a ply is loaded.

    Attributes
    ----------
    way : tuple of float
        Unit vector in space, laid on the surface everywhere.
    turn_deg : float
        From it to the load, about the surface's normal, anticlockwise seen from the air side.
    within_deg : float
        How far a join may stray from the load and still be butted.
    """

    way: tuple[float, float, float]
    turn_deg: float = 0.0
    within_deg: float = WITHIN_DEG


@dataclass(frozen=True, eq=False)
class Join:
    """How two pieces of a ply meet along a line.

    Attributes
    ----------
    name : str
        As the notches have it ("J1").
    kind : {"lap", "butt"}
    cause : {"seam", "cut", "panel", "roll"}
        What it was made for: to open a ring, to let the cloth lie flat, in panels, or to fit the roll.
    line_mm : (k, 3) float array
        On the hull: the butt's line, or the middle of the lap.
    off_deg : float or None
        The farthest it runs off the load, 0 to 90; None where no load is stated or it leans out of the surface.
    """

    name: str
    kind: Kind
    cause: Cause
    line_mm: Floats
    off_deg: float | None = None


def off_load_deg(surface: Surface, line_mm: ArrayLike, load: Load) -> float | None:
    """Return the largest angle between a line on a surface and the load.

    Parameters
    ----------
    surface : Surface
        What the line lies on.
    line_mm : (k, 3) array
        On or near the surface, mm.
    load : Load

    Returns
    -------
    float or None
        0 to 90 degrees, over chords of 20 mm; None where the load leans out of the surface anywhere along the line.
    """
    line = _chords(np.asarray(line_mm, dtype=np.float64))
    middle, step = 0.5 * (line[1:] + line[:-1]), np.diff(line, axis=0)
    n = _normals(surface, middle)
    way = np.asarray(load.way) - (n @ np.asarray(load.way))[:, None] * n
    size = np.linalg.norm(way, axis=1)
    if size.min() < FLATTEST:
        return None
    turn = np.radians(load.turn_deg)
    # A vector in the tangent plane turned about its normal.
    way = np.cos(turn) * way + np.sin(turn) * np.cross(n, way)
    along = step - (step * n).sum(axis=1)[:, None] * n
    cos = np.abs((along * way).sum(axis=1)) / (np.linalg.norm(along, axis=1) * size)
    return float(np.degrees(np.arccos(np.clip(cos, 0.0, 1.0))).max())


def kind_of(off_deg: float | None, asked: Kind, load: Load | None) -> Kind:
    """Return how a join is made: a butt only where one is asked for and the join runs along the load.

    Parameters
    ----------
    off_deg : float or None
        See `off_load_deg`.
    asked : {"lap", "butt"}
    load : Load or None

    Examples
    --------
    >>> along = Load((1.0, 0.0, 0.0))
    >>> [kind_of(off, "butt", along) for off in (12.0, 80.0, None)]
    ['butt', 'lap', 'lap']
    """
    good = load is not None and off_deg is not None and off_deg <= load.within_deg
    return "butt" if asked == "butt" and good else "lap"


def say_joins(joins: Sequence[Join], load: Load | None, asked: Kind) -> str:
    """Return one sentence that says which joins are butted, which are lapped, and why.

    Parameters
    ----------
    joins : sequence of Join
    load : Load or None
    asked : {"lap", "butt"}

    Returns
    -------
    str
        Empty where every join is lapped because laps were asked for.
    """
    if asked == "lap" or load is None or not joins:
        return ""
    said = []
    for kind, verb in (("butt", "butted"), ("lap", "lapped")):
        mine = [q for q in joins if q.kind == kind]
        if mine:
            said.append(f"{verb}: {', '.join(f'{q.name} ({_off(q.off_deg)})' for q in mine)}")
    return f"{'; '.join(said)}; a join is butted where it keeps within {load.within_deg:.0f} deg of the load"


def _off(off_deg: float | None) -> str:
    return "the load leans out of the surface" if off_deg is None else f"up to {off_deg:.0f} deg off the load"


def _chords(line: Floats) -> Floats:
    """Return points of a line about `CHORD_MM` apart, its ends among them."""
    at = np.r_[0.0, np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))]
    count = max(1, round(at[-1] / CHORD_MM))
    s = np.linspace(0.0, at[-1], count + 1)
    return np.stack([np.interp(s, at, line[:, i]) for i in range(3)], axis=1)


def _normals(surface: Surface, points: Floats) -> Floats:
    """Return the unit normal of a surface at points, blended from its vertices so that noise counts for less."""
    spot = surface.locate(points)
    n = np.einsum("ki,kij->kj", spot.weights, surface.vertex_normals[surface.faces[spot.face]])
    return np.asarray(n / np.linalg.norm(n, axis=1, keepdims=True))

"""The corner where two surfaces meet: its line, fitted from both sides, and the bands of cloth tabbed into it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..errors import OutlineError
from .mesh import Floats


@dataclass(frozen=True, eq=False)
class Corner:
    """A corner line with what is known of the two sides that meet there.

    Attributes
    ----------
    points_mm : (k, 3) float array, mm
        Along the line, a few mm apart; a closed line does not repeat its first point.
    closed : bool
    angle_deg : (k,) float array
        Angle between the sides at each point, on the air side: 90 in a square inner corner, 270 over an outer edge.
    concave : bool
        Whether it is an inner corner.
    first_mm, second_mm : (3,) float array, mm
        A point of the surface on either side.
    section : {"edge", "plane", "round", "smooth", "foil"}
        "edge": the line runs along a clean model's own edges. Else how the second side was fitted.
    residual_mm : float
        Rms of the surface's points off the fitted sides near the corner; 0 for "edge".
    worst_mm : float
        Largest misfit of the sides near the corner, averaged over about 10 mm so that noise drops out.
    uncertain : tuple of ((float, float, float), str)
        Places (mm) where the user should look, and why.
    """

    points_mm: Floats
    closed: bool
    angle_deg: Floats
    concave: bool
    first_mm: Floats
    second_mm: Floats
    section: str
    residual_mm: float
    worst_mm: float
    uncertain: tuple[tuple[tuple[float, float, float], str], ...] = ()

    @property
    def length_mm(self) -> float:
        """Length of the line, mm."""
        p = self.points_mm
        return _length(np.vstack([p, p[:1]]) if self.closed else p)


def corner_way(corner: Corner) -> Floats:
    """Return the direction of a corner, for the warp of cloth along it.

    Parameters
    ----------
    corner : Corner

    Returns
    -------
    (3,) float array
        Unit vector. For an open line its mean direction, from first point to last; for a closed one the longest
        chord between two of its points.

    Raises
    ------
    OutlineError
        An open line whose ends meet.
    """
    p = corner.points_mm
    chord = _longest_chord(p) if corner.closed else p[-1] - p[0]
    length = float(np.linalg.norm(chord))
    if length <= 1e-6 * max(corner.length_mm, 1e-300):
        raise OutlineError("the corner's ends meet, so it has no mean direction", do="State the warp's direction.")
    return np.asarray(chord / length)


def _longest_chord(p: Floats) -> Floats:
    """The chord between the two points of a closed line that are farthest apart."""
    far = np.linalg.norm(p[:, None] - p[None], axis=2)
    i, j = np.unravel_index(int(np.argmax(far)), far.shape)
    return np.asarray(p[max(i, j)] - p[min(i, j)])


def _length(p: Floats) -> float:
    return float(np.linalg.norm(np.diff(p, axis=0), axis=1).sum())

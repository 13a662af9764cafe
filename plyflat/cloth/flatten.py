"""Flat shapes of curved patches, with the least distortion and without folds."""

from __future__ import annotations

from dataclasses import dataclass

from ..surface.mesh import Bools, Floats


@dataclass(frozen=True, eq=False)
class Flat:
    """A patch laid flat.

    Attributes
    ----------
    uv_mm : (n, 2) float array, mm
        The flat place of each vertex, seen from the air side.
    stretch : (m, 2) float array
        Singular values of each triangle's map from the surface to the plane, the larger first: flat length over
        length on the surface.
    flipped : (m,) bool array
        Triangles turned over.
    overlaps : bool
        Whether parts of the flat shape lie over each other.
    energy : float
        Area mean of (s1² + s2² + s1⁻² + s2⁻²) / 4; 1 for an exact development.
    overlap_mm2 : float
        Flat area that lies over another part, counted once for each extra layer.
    iterations : int
    seconds : float
    """

    uv_mm: Floats
    stretch: Floats
    flipped: Bools
    overlaps: bool
    energy: float
    overlap_mm2: float = 0.0
    iterations: int = 0
    seconds: float = 0.0

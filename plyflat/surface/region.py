"""A shaped part of a surface, cut exactly along its outline."""

from __future__ import annotations

from dataclasses import dataclass

from .mesh import Bools, Ints, Surface, closed_length


@dataclass(frozen=True, eq=False)
class Region:
    """A patch of a surface with the surface it was cut from.

    Attributes
    ----------
    surface : Surface
        The patch; its boundary runs along the outline, on vertices of its own.
    loops : tuple of (k,) int arrays
        The patch's boundary loops (indices into ``surface``), longest first, the patch on the left.
    parent : Surface
        The whole surface, cut along the same outline.
    inside : (m,) bool array
        The parent's faces that make the patch.
    vertex_of : (n,) int array
        The parent's vertex for each vertex of the patch.
    name : str
    """

    surface: Surface
    loops: tuple[Ints, ...]
    parent: Surface
    inside: Bools
    vertex_of: Ints
    name: str = ""

    @property
    def area_mm2(self) -> float:
        """Area of the patch, mm²."""
        return self.surface.area_mm2

    @property
    def perimeter_mm(self) -> float:
        """Length of all boundary loops together, mm."""
        return sum(closed_length(self.surface.vertices_mm[q]) for q in self.loops)

    @property
    def is_disc(self) -> bool:
        """Whether the patch is in one piece with one boundary and no handle."""
        s = self.surface
        e = s.faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2)
        e.sort(axis=1)
        edges = len({(a, b) for a, b in e.tolist()})
        return len(self.loops) == 1 and len(s.vertices_mm) - edges + len(s.faces) == 1

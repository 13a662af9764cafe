"""The edges of a mesh and what lies beside them."""

from __future__ import annotations

from dataclasses import dataclass
from weakref import WeakKeyDictionary

import numpy as np

from .mesh import Ints, Surface


@dataclass(frozen=True)
class Edges:
    """The undirected edges of a mesh and the faces beside them.

    Attributes
    ----------
    ends : (e, 2) int array
        Vertices, the smaller first.
    of_face : (m, 3) int array
        Edge i of a face joins its corners i and i + 1.
    faces : (e, 2) int array
        The faces beside; the second is -1 on the boundary.
    """

    ends: Ints
    of_face: Ints
    faces: Ints


def mesh_edges(faces: Ints, n: int) -> Edges:
    """Return the edges of a manifold mesh of n vertices.

    Parameters
    ----------
    faces : (m, 3) int array
    n : int
    """
    e = np.sort(faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2), axis=1)
    key, first, inverse = np.unique(e[:, 0] * n + e[:, 1], return_index=True, return_inverse=True)
    beside = np.full((len(key), 2), -1, dtype=np.int64)
    owner = np.arange(len(e)) // 3
    beside[:, 0] = owner[first]
    rest = np.ones(len(e), dtype=bool)
    rest[first] = False
    beside[inverse[rest], 1] = owner[rest]
    return Edges(np.stack([key // n, key % n], axis=1), inverse.reshape(-1, 3), beside)


_edges_of: WeakKeyDictionary[Surface, Edges] = WeakKeyDictionary()


def surface_edges(surface: Surface) -> Edges:
    """Return the edges of a surface, remembered while it lives."""
    edges = _edges_of.get(surface)
    if edges is None:
        edges = _edges_of[surface] = mesh_edges(surface.faces, len(surface.vertices_mm))
    return edges

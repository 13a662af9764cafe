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
    start, end = faces, faces[:, [1, 2, 0]]
    key = (np.minimum(start, end) * n + np.maximum(start, end)).ravel()
    # An unstable sort is several times quicker; the two faces of an edge are put in order afterwards.
    order = np.argsort(key)
    key = key[order]
    new = np.ones(len(key), dtype=bool)
    new[1:] = key[1:] != key[:-1]
    of_face = np.empty(len(key), dtype=np.int64)
    of_face[order] = np.cumsum(new) - 1
    first = np.flatnonzero(new)
    beside = np.full((len(first), 2), -1, dtype=np.int64)
    beside[:, 0] = order[first] // 3
    two = np.flatnonzero(np.diff(first, append=len(key)) > 1)
    beside[two, 1] = order[first[two] + 1] // 3
    beside[two] = np.sort(beside[two], axis=1)
    key = key[first]
    return Edges(np.stack([key // n, key % n], axis=1), of_face.reshape(-1, 3), beside)


_edges_of: WeakKeyDictionary[Surface, Edges] = WeakKeyDictionary()


def surface_edges(surface: Surface) -> Edges:
    """Return the edges of a surface, remembered while it lives."""
    edges = _edges_of.get(surface)
    if edges is None:
        edges = _edges_of[surface] = mesh_edges(surface.faces, len(surface.vertices_mm))
    return edges

"""Loose pieces of a mesh: scraps let go, and pieces too large to be let go without a word."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ._edges import directed_edges, face_areas, rim_edges
from .mesh import Bools, Floats, Ints

#: A piece of more than this share of the largest is no debris: it may be a skin that was never stitched on.
CAUTION_SHARE = 0.02
#: A piece whose edge comes this near to the kept one's, in edges, looks as if it belonged to it.
BESIDE_EDGES = 3.0


@dataclass(frozen=True, eq=False)
class Debris:
    """What is kept of the pieces of a mesh.

    Attributes
    ----------
    stay : (p,) bool array
        Pieces that stay.
    area_mm2 : (p,) float array
    centre_mm : (p, 3) float array
        A point on each piece, near its middle.
    large : (k,) int array
        Pieces that go though they are large, the largest first.
    gap_mm : (k,) float array
        Distance from the edge of each of these to the nearest edge that stays; infinite where nothing has an edge.
    """

    stay: Bools
    area_mm2: Floats
    centre_mm: Floats
    large: Ints
    gap_mm: Floats


def sort_pieces(v: Floats, f: Ints, piece: Ints, *, keep: str, scrap_share: float) -> Debris:
    """Say which pieces stay.

    Parameters
    ----------
    v : (n, 3) float array, mm
    f : (m, 3) int array
    piece : (m,) int array
        Piece of each face, from 0.
    keep : {"largest", "all"}
    scrap_share : float
        With "all", pieces below this share of the largest go.

    Returns
    -------
    Debris
    """
    each = face_areas(v, f)
    area = np.bincount(piece, each).astype(np.float64)
    stay = np.zeros(len(area), dtype=bool)
    stay[int(np.argmax(area))] = True
    if keep == "all":
        stay |= area >= scrap_share * area.max()
    large = np.flatnonzero(~stay & (area > CAUTION_SHARE * area.max()))
    large = large[np.argsort(-area[large], kind="stable")]
    return Debris(stay, area, _on_piece(v, f, piece, each, area), large, _gaps(v, f, piece, stay, large))


def _on_piece(v: Floats, f: Ints, piece: Ints, each: Floats, area: Floats) -> Floats:
    """(p, 3) The middle of that face of each piece which lies nearest to the piece's centre."""
    if len(area) == 1:
        return np.asarray(v[f[:1]].mean(axis=1))
    middle = (v[f[:, 0]] + v[f[:, 1]] + v[f[:, 2]]) / 3
    whole = np.maximum(area, 1e-300)
    centre = np.stack([np.bincount(piece, each * middle[:, k]) / whole for k in range(3)], axis=1)
    off = ((middle - centre[piece]) ** 2).sum(axis=1)
    order = np.lexsort((off, piece))
    first = np.concatenate([[True], piece[order][1:] != piece[order][:-1]])
    return np.asarray(middle[order[first]])


def _gaps(v: Floats, f: Ints, piece: Ints, stay: Bools, large: Ints) -> Floats:
    from scipy.spatial import cKDTree

    if not len(large):
        return np.zeros(0)
    edge = rim_edges(len(v), f)
    rim = directed_edges(f)[edge]
    of = piece[edge // 3]
    kept = np.unique(rim[stay[of]])
    if not len(kept):
        return np.full(len(large), np.inf)
    tree = cKDTree(v[kept])
    ends = [np.unique(rim[of == k]) for k in large.tolist()]
    return np.array([float(tree.query(v[q])[0].min()) if len(q) else np.inf for q in ends])

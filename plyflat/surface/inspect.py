"""What is in a mesh file, in plain words, before anything is cut on it."""

from __future__ import annotations

from dataclasses import dataclass
from os import PathLike
from pathlib import Path

import numpy as np

from ._edges import directed_edges, edge_keys, face_areas, rim_edges, row_lengths
from ._fill import simple_rims, small_holes
from .load import load_surface
from .mesh import Floats, Ints, Repair, Surface, closed_length
from .noise import noise_mm
from .repair import equal_rows, flat, pieces, repair_in_two, repeated, weld

MOST_LISTED = 10


@dataclass(frozen=True)
class Piece:
    """A part of a mesh that hangs together.

    Attributes
    ----------
    triangles : int
    area_m2 : float
    centre_mm : tuple of float
    """

    triangles: int
    area_m2: float
    centre_mm: tuple[float, float, float]


@dataclass(frozen=True)
class Hole:
    """A closed boundary of the mesh.

    Attributes
    ----------
    width_mm : float
        Diameter of the circle of the same perimeter.
    centre_mm : tuple of float
    points : int
    filled : bool
        Whether mending fills it; False for openings and for the edge of the scan.
    """

    width_mm: float
    centre_mm: tuple[float, float, float]
    points: int
    filled: bool


@dataclass(frozen=True)
class Inspection:
    """What is in a mesh file.

    Counts of points, faces and edges are those of the file as it stands (the corners of an STL welded). Pieces,
    edge lengths and noise are those of the file without double points and flat or double faces; holes are those of
    all the pieces after mending, small ones marked.

    Attributes
    ----------
    path : Path
    size_m : tuple of float
        Sides of the bounding box.
    triangles, vertices : int
    has_colors : bool
    pieces : tuple of Piece
        The largest, at most ten.
    piece_count : int
    holes : tuple of Hole
        The widest, at most ten.
    hole_count : int
    crowded_edges : int
        Edges with three faces or more.
    double_vertices, flat_faces, double_faces : int
    turned_faces : int
        Faces that face the other way than their neighbours.
    edge_mm : tuple of float
        Shortest, median and longest edge.
    noise_mm : float
        Rough; see `noise_mm`.
    repairs : tuple of Repair
        What mending does with the usual settings, and what it leaves for the user to look at (severity "left").
    """

    path: Path
    size_m: tuple[float, float, float]
    triangles: int
    vertices: int
    has_colors: bool
    pieces: tuple[Piece, ...]
    piece_count: int
    holes: tuple[Hole, ...]
    hole_count: int
    crowded_edges: int
    double_vertices: int
    flat_faces: int
    double_faces: int
    turned_faces: int
    edge_mm: tuple[float, float, float]
    noise_mm: float
    repairs: tuple[Repair, ...]

    def lines(self) -> list[str]:
        """Return the findings in plain words, one line each."""
        return [*self._size_lines(), *self._piece_lines(), *self._hole_lines(), *self._fault_lines()]

    def _size_lines(self) -> list[str]:
        x, y, z = self.size_m
        low, mid, high = self.edge_mm
        colors = "with colours" if self.has_colors else "no colours"
        return [
            f"size {x:.3f} x {y:.3f} x {z:.3f} m",
            f"{self.triangles} triangles, {self.vertices} points, {colors}",
            f"edges {low:.3g} to {high:.3g} mm, half of them below {mid:.3g} mm",
            f"noise about {self.noise_mm:.2g} mm",
        ]

    def _piece_lines(self) -> list[str]:
        if self.piece_count == 1:
            return ["one piece"]
        out = [f"{self.piece_count} pieces" + _the_first(self.piece_count, "largest")]
        return out + [
            f"  {p.triangles} triangles, {p.area_m2:.4g} m², about {_at(p.centre_mm)}" for p in self.pieces
        ]

    def _hole_lines(self) -> list[str]:
        if not self.hole_count:
            return ["closed: no boundary"]
        what = "1 boundary" if self.hole_count == 1 else f"{self.hole_count} boundaries"
        out = [what + _the_first(self.hole_count, "widest")]
        for h in self.holes:
            then = "a hole, would be filled" if h.filled else "stays open"
            out.append(f"  {h.width_mm:.4g} mm across, {h.points} points, about {_at(h.centre_mm)}: {then}")
        return out

    def _fault_lines(self) -> list[str]:
        faults = [
            (self.double_vertices, "double points"),
            (self.flat_faces, "faces without area"),
            (self.double_faces, "double faces"),
            (self.crowded_edges, "edges with three faces or more"),
            (self.turned_faces, "faces that face the other way than their neighbours"),
        ]
        found = [f"{n} {what}" for n, what in faults if n]
        out = ["faults: " + (", ".join(found) if found else "none")]
        for r in self.repairs:
            place = f", at {_at(r.where_mm)}" if r.where_mm else ""
            out.append(f"{'look at' if r.severity == 'left' else 'mending'}: {r.count} {r.what}{place}")
        return out


def _at(p: tuple[float, float, float]) -> str:
    return f"({round(p[0])}, {round(p[1])}, {round(p[2])}) mm"


def _the_first(count: int, word: str) -> str:
    return f", the {MOST_LISTED} {word}:" if count > MOST_LISTED else ":"


def inspect_mesh(path: str | PathLike[str], *, unit: str | None = None) -> Inspection:
    """Look at a mesh file without changing it.

    Parameters
    ----------
    path : path-like
    unit : {"m", "cm", "mm", "in", "ft"}, optional
        As for `load_surface`.

    Returns
    -------
    Inspection

    Raises
    ------
    UnknownUnit, MeshError
        As `load_surface`.
    """
    surface = load_surface(path, unit=unit, repair=False)
    v, f = surface.vertices_mm, surface.faces
    mended, usual = repair_in_two(surface)
    each, piece_count = _pieces(mended)
    holes = _holes(mended)
    crowded, double_vertices, flat_faces, double_faces = _faults(v, f)
    return Inspection(
        path=Path(path),
        size_m=_triple(surface.size_mm / 1000),
        triangles=len(f),
        vertices=len(v),
        has_colors=surface.colors is not None,
        pieces=each,
        piece_count=piece_count,
        holes=tuple(holes[:MOST_LISTED]),
        hole_count=len(holes),
        crowded_edges=crowded,
        double_vertices=double_vertices,
        flat_faces=flat_faces,
        double_faces=double_faces,
        turned_faces=sum(r.count for r in mended.repairs if r.what.startswith("faces turned to agree")),
        edge_mm=_edge_lengths(mended),
        noise_mm=noise_mm(mended),
        repairs=usual.repairs,
    )


def _triple(p: Floats) -> tuple[float, float, float]:
    return float(p[0]), float(p[1]), float(p[2])


def _pieces(s: Surface) -> tuple[tuple[Piece, ...], int]:
    piece = pieces(s.faces, len(s.vertices_mm))
    each = face_areas(s.vertices_mm, s.faces)
    area, count = np.bincount(piece, each), np.bincount(piece)
    v, f = s.vertices_mm, s.faces
    middle = (v[f[:, 0]] + v[f[:, 1]] + v[f[:, 2]]) / 3
    whole = np.maximum(area, 1e-300)
    centre = np.stack([np.bincount(piece, each * middle[:, k]) / whole for k in range(3)], axis=1)
    largest = np.argsort(-area, kind="stable")[:MOST_LISTED]
    return tuple(Piece(int(count[i]), float(area[i]) / 1e6, _triple(centre[i])) for i in largest), len(area)


def _holes(s: Surface) -> list[Hole]:
    loops = [rim.points for rim in simple_rims(s.vertices_mm, s.faces)]
    if not loops:
        return []
    loops.sort(key=lambda q: -closed_length(s.vertices_mm[q]))
    piece = pieces(s.faces, len(s.vertices_mm))
    small = small_holes(s.vertices_mm, s.faces, loops, 50.0, piece)
    return [
        Hole(
            closed_length(s.vertices_mm[q]) / np.pi, _triple(s.vertices_mm[q].mean(axis=0)), len(q), bool(yes)
        )
        for q, yes in zip(loops, small)
    ]


def _faults(v: Floats, f: Ints) -> tuple[int, int, int, int]:
    """Crowded edges, double points, faces without area and double faces, each counted on the welded mesh."""
    first, to = weld(v)
    v, f = v[first], to[f]
    same = repeated(f)
    low = int(same.sum() + flat(v, f).sum())
    f = f[~same]
    twin = len(f) - len(equal_rows(np.sort(f, axis=1))[0])
    key = np.sort(edge_keys(len(v), directed_edges(f)))
    seen = np.diff(np.flatnonzero(np.concatenate([[True], key[1:] != key[:-1], [True]])))
    return int((seen > 2).sum()), len(to) - len(first), low, twin


def _edge_lengths(s: Surface) -> tuple[float, float, float]:
    e = directed_edges(s.faces)
    rim = np.zeros(len(e), dtype=bool)
    rim[rim_edges(len(s.vertices_mm), s.faces)] = True
    once = e[(e[:, 0] < e[:, 1]) | rim]
    length = row_lengths(s.vertices_mm[once[:, 0]] - s.vertices_mm[once[:, 1]])
    return float(length.min()), float(np.median(length)), float(length.max())

"""Where the fibres of each ply run on the hull, as meshes with a value at every vertex: for pictures and for strength sums.

Two files for each ply with the same content: PLY (binary, little-endian, properties of its vertices) and VTP (XML of the
VTK library). Lengths are in mm, in the axes of the mesh; vectors are unit vectors along the surface.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from ..cloth._patch import Triangles
from ..errors import CheckError
from ..surface.mesh import Floats, Ints
from .drawing import file_stem, unique_stems

if TYPE_CHECKING:
    from ..planned import Piece3D, Plan, PlyPlan, RegionPlan

#: What each vertex carries beside its place, in the files' order.
PROPERTIES = (
    "warp_x", "warp_y", "warp_z", "weft_x", "weft_y", "weft_z", "warp_off_deg", "weft_off_deg", "shear_deg",
    "thickness_factor", "areal_weight_g_m2", "piece",
)  # fmt: skip


@dataclass(frozen=True, eq=False)
class Fibres:
    """The fibres of a ply at the vertices of its pieces.

    Attributes
    ----------
    points_mm : (n, 3) float array, mm
    faces : (m, 3) int array
    warp, weft : (n, 3) float array
        Unit vectors along the surface.
    warp_off_deg, weft_off_deg : (n,) float array
        By how much they are off the stated angle, and off that and a right angle; anticlockwise positive seen from the
        air side.
    shear_deg : (n,) float array
        90 less the angle from warp to weft.
    thickness_factor : (n,) float array
        Area of the flat cloth over that of the surface it covers: by so much the ply is thicker than it lay on the
        roll. 1 / cos(shear) where the threads keep their lengths.
    areal_weight_g_m2 : (n,) float array
        Of the dry cloth on the hull.
    piece : (n,) int array
        0 for piece A, and so on.
    """

    points_mm: Floats
    faces: Ints
    warp: Floats
    weft: Floats
    warp_off_deg: Floats
    weft_off_deg: Floats
    shear_deg: Floats
    thickness_factor: Floats
    areal_weight_g_m2: Floats
    piece: Ints

    @property
    def table(self) -> Floats:
        """(n, k) values in the order of `PROPERTIES`."""
        single = (
            self.warp_off_deg, self.weft_off_deg, self.shear_deg, self.thickness_factor, self.areal_weight_g_m2, self.piece,
        )  # fmt: skip
        return np.column_stack([self.warp, self.weft, *single])


def fibres_of(ply: PlyPlan, *, warp: Floats, areal_weight_g_m2: float) -> Fibres | None:
    """Return where the fibres of a ply run; None where it is not known how its pieces lie on the table.

    Parameters
    ----------
    ply : PlyPlan
    warp : (3,) float array
        Direction of the region's warp line.
    areal_weight_g_m2 : float
        Of the cloth on the roll.
    """
    parts = [_of_piece(p, k, ply.angle_deg, warp, areal_weight_g_m2) for k, p in enumerate(ply.pieces)]
    known = [p for p in parts if p is not None]
    if not known or len(known) < len(parts):
        return None
    start = np.cumsum([0, *(len(p.points_mm) for p in known)])
    faces = np.concatenate([p.faces + s for p, s in zip(known, start)])
    columns = zip(*(
        (p.points_mm, p.warp, p.weft, p.warp_off_deg, p.weft_off_deg, p.shear_deg, p.thickness_factor,
         p.areal_weight_g_m2, p.piece) for p in known
    ))  # fmt: skip
    points, *rest = (np.concatenate(c) for c in columns)
    return Fibres(points, faces, *rest)


def _of_piece(piece: Piece3D, k: int, angle_deg: float, warp: Floats, weight: float) -> Fibres | None:
    if piece.table_mm is None:
        return None
    surface = piece.surface
    a, b = _thread_vectors(surface.vertices_mm, surface.faces, piece.table_mm)
    areas, n = surface.face_areas_mm2, len(surface.vertices_mm)
    normals = surface.vertex_normals
    one, two = (_at_vertices(q, areas, surface.faces, normals) for q in (a, b))
    flat = np.abs(_double_areas(piece.table_mm, surface.faces)) / 2
    share = _spread(flat, surface.faces, n) / np.maximum(_spread(areas, surface.faces, n), 1e-12)
    stated = warp - (normals @ warp)[:, None] * normals
    side = np.cross(normals, stated)
    off, off_weft = (
        (np.degrees(np.arctan2((q * side).sum(axis=1), (q * stated).sum(axis=1))) - angle_deg - own + 180.0) % 360.0 - 180.0
        for q, own in ((one, 0.0), (two, 90.0))
    )
    across = np.degrees(np.arctan2((np.cross(one, two) * normals).sum(axis=1), (one * two).sum(axis=1)))
    return Fibres(
        surface.vertices_mm, surface.faces, one, two, off, off_weft, 90.0 - across, share, weight * share, np.full(n, k)
    )


def _thread_vectors(points: Floats, faces: Ints, table: Floats) -> tuple[Floats, Floats]:
    """(m, 3) steps on the surface of a step along the warp, and along the weft, on the table.

    On a template that is mirrored the weft runs the other way: it is given as it lies, left of the warp on the hull.
    """
    mesh = Triangles(points, faces)
    a, b, c, d = mesh.jacobian(table / mesh.scale)
    det = a * d - b * c
    p = points[faces]
    x = p[:, 1] - p[:, 0]
    x = x / np.linalg.norm(x, axis=1, keepdims=True)
    n = np.cross(x, p[:, 2] - p[:, 0])
    y = np.cross(n / np.linalg.norm(n, axis=1, keepdims=True), x)
    warp = (d / det)[:, None] * x - (c / det)[:, None] * y
    weft = (-b / det)[:, None] * x + (a / det)[:, None] * y
    return warp, weft * np.sign(det)[:, None]


def _double_areas(flat: Floats, faces: Ints) -> Floats:
    p = flat[faces]
    a, b = p[:, 1] - p[:, 0], p[:, 2] - p[:, 0]
    return np.asarray(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0])


def _spread(values: Floats, faces: Ints, n: int) -> Floats:
    """Sums at vertices of what belongs to the triangles round them."""
    return np.asarray(np.bincount(faces.ravel(), np.repeat(values, 3), minlength=n), dtype=np.float64)


def _at_vertices(vectors: Floats, areas: Floats, faces: Ints, normals: Floats) -> Floats:
    total = np.stack([_spread(areas * vectors[:, i], faces, len(normals)) for i in range(3)], axis=1)
    total -= (total * normals).sum(axis=1, keepdims=True) * normals
    size = np.linalg.norm(total, axis=1, keepdims=True)
    return np.asarray(total / np.where(size > 0, size, 1.0))


# -- files -----------------------------------------------------------------------------------------------------------
def write_fibres(plan: Plan, folder: Path) -> list[Path]:
    """Write the fibres of every ply to ``fibres/``, as PLY and as VTP, and read them back.

    Parameters
    ----------
    plan : Plan
    folder : Path
        An existing folder; ``fibres`` is made in it.

    Returns
    -------
    list of Path

    Raises
    ------
    CheckError
        If a file does not read back as it was meant.
    """
    found = []
    for region in plan.regions:
        way = warp_way(plan, region)
        for ply in region.plies:
            weight = plan.job.cloths[ply.cloth].areal_weight_g_m2
            fibres = fibres_of(ply, warp=way, areal_weight_g_m2=weight)
            if fibres is not None:
                found.append((file_stem(region.name, ply.name), fibres))
    files: list[Path] = []
    if found:
        (folder / "fibres").mkdir()
    for stem, (_, fibres) in zip(unique_stems(stem for stem, _ in found), found):
        path = folder / "fibres" / f"{stem}.ply"
        path.write_bytes(ply_bytes(fibres))
        files += [path, _write_vtp(fibres, path.with_suffix(".vtp"))]
        _read_back(path, fibres)
    return files


def warp_way(plan: Plan, region: RegionPlan) -> Floats:
    """Return the unit vector of a region's warp line, as the job says it.

    Where the warp runs along a corner it is that of the line drawn on the hull.

    Parameters
    ----------
    plan : Plan
    region : RegionPlan
    """
    stated = next((spec.warp for spec in plan.job.regions if spec.name == region.name), "corner")
    boat = plan.job.boat
    if stated == "corner":
        way = region.warp_mm[1] - region.warp_mm[0]
    elif isinstance(stated, str):
        way = np.array(boat.forward if stated == "forward" else boat.up)
    else:
        way = np.subtract(stated[1], stated[0])
    return np.asarray(way / np.linalg.norm(way))


def ply_bytes(fibres: Fibres) -> bytes:
    """Return the fibres as a binary PLY file.

    Parameters
    ----------
    fibres : Fibres
    """
    head = ["ply", "format binary_little_endian 1.0", "comment lengths in mm, angles in degrees"]
    head += [f"element vertex {len(fibres.points_mm)}", *(f"property double {c}" for c in "xyz")]
    head += [f"property float {name}" for name in PROPERTIES]
    head += [f"element face {len(fibres.faces)}", "property list uchar int vertex_indices", "end_header", ""]
    vertices = np.empty(len(fibres.points_mm), dtype=_VERTEX)
    vertices["place"], vertices["values"] = fibres.points_mm, fibres.table
    faces = np.empty(len(fibres.faces), dtype=_FACE)
    faces["count"], faces["corners"] = 3, fibres.faces
    return "\n".join(head).encode("ascii") + vertices.tobytes() + faces.tobytes()


_VERTEX = np.dtype([("place", "<f8", 3), ("values", "<f4", len(PROPERTIES))])
_FACE = np.dtype([("count", "u1"), ("corners", "<i4", 3)])


def _write_vtp(fibres: Fibres, path: Path) -> Path:
    import pyvista

    mesh = pyvista.PolyData.from_regular_faces(fibres.points_mm, fibres.faces.astype(int))
    mesh.point_data["warp"], mesh.point_data["weft"] = fibres.warp, fibres.weft
    for name in PROPERTIES[6:]:
        mesh.point_data[name] = getattr(fibres, name)
    mesh.save(path)
    return path


def _read_back(path: Path, fibres: Fibres) -> None:
    """Read both files with another reader and compare.

    Raises
    ------
    CheckError
    """
    import pyvista

    other = pyvista.read(path.with_suffix(".vtp"))
    plain = pyvista.read(path)
    # That reader holds places of PLY files in single precision.
    fine = 1e-3 + 1e-6 * float(np.abs(fibres.points_mm).max())
    off = [
        _differ(plain.points, fibres.points_mm) / fine,
        _differ(other.points, fibres.points_mm) / 1e-6,
        _differ(other.point_data["warp"], fibres.warp) / 1e-6,
        _differ(other.point_data["shear_deg"], fibres.shear_deg) / 1e-6,
    ]
    if max(off) > 1 or not np.array_equal(plain.regular_faces, fibres.faces):
        raise CheckError(
            "the fibres do not read back as they were written", where=str(path), do="Please report this with the job file."
        )


def _differ(one: Floats, other: Floats) -> float:
    if one.shape != other.shape:
        return float("inf")
    return float(np.abs(np.asarray(one, dtype=np.float64) - other).max(initial=0.0))

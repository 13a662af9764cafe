"""Regions drawn in a plane and laid on the surface square to it; drawings read from DXF files."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import ArrayLike
from scipy.spatial import cKDTree

from ..errors import OutlineError, UnknownUnit
from ._smooth import SMOOTH_MM, work_copy
from ._topology import mesh_edges
from ._trace import at
from .cut import Inserted, insert_paths, label_faces
from .mesh import Bools, Floats, Surface
from .projected import (
    Side,
    Spots,
    View,
    enclosed,
    follow,
    hits,
    seed_face,
    unit_vector,
    without_repeats,
)
from .region import Region, region_of

# The angle between the surface's normal and the line of sight from which a drawing runs off along the surface.
STEEP_DEG, TOO_STEEP_DEG = 70.0, 85.0
# How far the cut edge may lie off the drawing, seen in the drawing's plane.
STRAY_MM = 0.05
# How far the edge may stray while it is cut, on clean and on noisy surfaces; slivers cost up to five times as much.
CLEAN_MM, ROUGH_MM = 0.003, 0.008
# Curves of a drawing are replaced by chords no farther off than this.
CHORD_MM = 0.01
# Each arc is made of so many cubics at least, so that their own error, 1e-9 of the radius, does not count.
ARCS = 32
UNIT_MM = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "in": 25.4, "ft": 304.8}
# DXF reference, header variable $INSUNITS.
INSUNITS = {1: "in", 2: "ft", 4: "mm", 5: "cm", 6: "m"}


@dataclass(frozen=True, eq=False)
class Drawn:
    """A region drawn in a plane.

    Attributes
    ----------
    region : Region
    stray_mm : float
        How far the cut edge lies off the drawing at the worst place, looked at square to the drawing. On a noisy surface
        it is measured on the smooth copy.
    steepest_deg : float
        Largest angle between the surface's normal and the line of sight along the edge.
    cautions : tuple of (str, str)
        What the user must know, and what to do.
    """

    region: Region
    stray_mm: float
    steepest_deg: float
    cautions: tuple[tuple[str, str], ...] = ()


def drawn_region(
    surface: Surface,
    outline_2d_mm: ArrayLike | Sequence[ArrayLike],
    *,
    origin_mm: ArrayLike,
    across: ArrayLike,
    along: ArrayLike,
    side: Side = "near",
    seed_mm: ArrayLike | None = None,
    name: str = "",
    tolerance_mm: float = 10.0,
    smooth_mm: float = SMOOTH_MM,
) -> Drawn:
    """Lay a drawing on the surface square to the drawing's plane and cut out what it encloses.

    Parameters
    ----------
    surface : Surface
    outline_2d_mm : (k, 2) float array or a sequence of them, mm
        Closed outlines in the drawing; those within another one are openings.
    origin_mm : (3,) float array, mm
        Where the drawing's zero point lies.
    across, along : (3,) float array
        Which way the drawing's x and y point, square to each other and of any length. The viewer sees x to the right
        and y up, so stands where ``across`` x ``along`` points.
    side : {"near", "far"}
        Whether the drawing falls on the first or on the last of the surface the viewer looks through.
    seed_mm : (3,) float array, mm, optional
        A point of the surface, on the side of the hull that is meant; it overrules `side`. That side is the part round
        the seed that is turned the same way to the viewer.
    name : str
        Goes into the region and into messages.
    tolerance_mm : float
        How far the seed may lie off the surface.
    smooth_mm : float
        Length scale of the smooth copy on which the drawing is laid where the surface is noisy.

    Returns
    -------
    Drawn
        With cautions where the surface leans by more than 70 degrees to the drawing.

    Raises
    ------
    OutlineError
        `across` and `along` not square to each other; outlines that cross, enclose nothing or several areas; a point
        that falls beside the surface; an outline that runs from one part of the surface to another; a surface that
        leans by more than 85 degrees to the drawing at the outline.

    Examples
    --------
    >>> sheet = Surface([[0, 0, 0], [900, 0, 0], [900, 900, 900], [0, 900, 900]], [[0, 1, 2], [0, 2, 3]])
    >>> drawn = drawn_region(
    ...     sheet, [[0, 0], [400, 0], [400, 400], [0, 400]], origin_mm=(100, 100, 0), across=(1, 0, 0), along=(0, 1, 0)
    ... )
    >>> round(drawn.region.area_mm2 / 2**0.5), drawn.cautions
    (160000, ())
    """
    try:
        loops = _loops(outline_2d_mm)
        _check_drawing(loops)
        view = _drawing_plane(origin_mm, across, along)
        walk = Surface(work_copy(surface, scale_mm=smooth_mm), surface.faces)
        among = None if seed_mm is None else _same_side(walk, view, seed_face(walk, seed_mm, tolerance_mm))
        spots = [hits(walk, view, q, side=side, among=among) for q in loops]
        lines = [_followed(walk, s, view) for s in spots]
        steepest, cautions = _steepness(walk, view, lines)
        cut = insert_paths(
            surface, lines, closed=True, geodesic=False, tolerance_mm=np.inf, smooth_mm=smooth_mm,
            deviation_mm=CLEAN_MM if walk.vertices_mm is surface.vertices_mm else ROUGH_MM,
        )
        inside = enclosed(cut, view, loops)
        stray, where = _stray(cut, view, loops, smooth_mm)
    except OutlineError as err:
        if not name:
            raise
        raise OutlineError(f"region {name!r}: {err.what}", where=err.where, do=err.do) from err
    if stray > STRAY_MM:
        cautions = (*cautions, (
            f"the edge lies up to {stray:.2f} mm off the drawing at {at(tuple(where))}",
            "Compare the cut edge with the drawing there.",
        ))
    return Drawn(region_of(cut.surface, inside, name=name), stray, steepest, cautions)


def _loops(outline: ArrayLike | Sequence[ArrayLike]) -> list[Floats]:
    faulty = OutlineError("the drawing is not a (k, 2) array of points nor a list of such")
    try:
        parts = [np.asarray(q, dtype=np.float64) for q in outline]  # type: ignore[union-attr]
    except (TypeError, ValueError) as err:
        raise faulty from err
    if parts and all(q.shape == (2,) for q in parts):
        parts = [np.array(parts)]
    if not parts or any(q.ndim != 2 or q.shape[1] != 2 for q in parts):
        raise faulty
    return [without_repeats(q) for q in parts]


def _check_drawing(loops: list[Floats]) -> None:
    """Refuse outlines that cross themselves or each other, or that enclose several areas."""
    import shapely

    rings = [shapely.Polygon(q) for q in loops]
    for q in rings:
        if not q.is_valid:
            raise OutlineError(
                f"an outline of the drawing crosses itself: {shapely.is_valid_reason(q).lower()} (mm in the drawing)",
                do="Mend the drawing.",
            )
    for i, p in enumerate(rings):
        for q in rings[:i]:
            if p.exterior.intersects(q.exterior):
                x, y = p.exterior.intersection(q.exterior).representative_point().coords[0]
                raise OutlineError(
                    f"two outlines of the drawing meet at ({x:.2f}, {y:.2f}) mm in the drawing", do="Mend the drawing."
                )
    depth = [sum(q.contains(p) for q in rings if q is not p) for p in rings]
    areas = sum(d % 2 == 0 for d in depth)
    if areas > 1:
        raise OutlineError(
            f"the drawing holds {areas} separate areas", do="Make each a region of its own, or add it as a further area."
        )


def _drawing_plane(origin_mm: ArrayLike, across: ArrayLike, along: ArrayLike) -> View:
    x, y = unit_vector(across, "drawing's x direction"), unit_vector(along, "drawing's y direction")
    lean = float(np.degrees(np.arccos(np.clip(x @ y, -1, 1))))
    if abs(lean - 90) > 0.01:
        raise OutlineError(
            f"the drawing's x and y directions make {lean:.2f} degrees, not 90", do="Give directions square to each other."
        )
    y = y - (x @ y) * x
    y /= np.linalg.norm(y)
    origin = np.asarray(origin_mm, dtype=np.float64)
    if origin.shape != (3,) or not np.isfinite(origin).all():
        raise OutlineError(f"the drawing's origin is {origin.tolist()}", do="Give x, y and z in mm.")
    return View(origin, np.stack([x, y, np.cross(x, y)]))


def _same_side(walk: Surface, view: View, seed: int) -> Bools:
    """The faces round a seed that are turned the same way to the viewer."""
    turned = walk.face_normals @ view.frame[2] > 0
    edges = mesh_edges(walk.faces, len(walk.vertices_mm))
    one, two = edges.faces.T
    label = label_faces(walk, edges.ends[(two >= 0) & (turned[one] != turned[two])])
    return np.asarray(label == label[seed])


def _followed(walk: Surface, spots: Spots, view: View) -> Floats:
    try:
        return follow(walk, spots, view)
    except OutlineError as err:
        raise OutlineError(
            err.what.replace("of the outline ", "of the drawing "), where=err.where,
            do="The surface there ends, turns away or stands behind another part: move the outline or give a seed.",
        ) from err


def _steepness(walk: Surface, view: View, lines: list[Floats]) -> tuple[float, tuple[tuple[str, str], ...]]:
    """Largest angle between normal and line of sight along the outlines, and a caution if it is large."""
    line = np.vstack(lines)
    cosine = np.abs(walk.face_normals[walk.locate(line).face] @ view.frame[2])
    k = int(np.argmin(cosine))
    steepest = float(np.degrees(np.arccos(np.clip(cosine[k], 0.0, 1.0))))
    text = f"the surface leans by {steepest:.0f} degrees to the drawing at {at(tuple(line[k]))}"
    if steepest > TOO_STEEP_DEG:
        raise OutlineError(
            f"the surface leans by {steepest:.0f} degrees to the drawing, more than {TOO_STEEP_DEG:.0f}",
            where=at(tuple(line[k])), do="Draw this part as seen from another side.",
        )
    if steepest <= STEEP_DEG:
        return steepest, ()
    stretch = 1 / np.cos(np.radians(steepest))
    return steepest, ((
        f"{text}: 1 mm in the drawing is up to {stretch:.1f} mm on the hull there",
        "Check the outline there on the hull, or draw this part as seen from another side.",
    ),)


def _stray(cut: Inserted, view: View, loops: list[Floats], smooth_mm: float) -> tuple[float, Floats]:
    """How far cut edge and drawing lie apart at most, both ways, and where."""
    import shapely

    v = work_copy(cut.surface, scale_mm=smooth_mm)
    worst, where = 0.0, v[cut.paths[0][0]]
    for path, loop in zip(cut.paths, loops):
        flat = view.flat(v[path])
        made, meant = shapely.LinearRing(flat), shapely.LinearRing(loop)
        off = shapely.distance(meant, shapely.points(flat))
        back = shapely.distance(made, shapely.points(loop))
        if off.max() > worst:
            worst, where = float(off.max()), v[path[int(np.argmax(off))]]
        if back.max() > worst:
            near = cKDTree(flat).query(loop[int(np.argmax(back))])[1]
            worst, where = float(back.max()), v[path[near]]
    return worst, where


# --- reading a drawing --------------------------------------------------------------------------------------------


def read_drawing(
    path: str | Path, *, unit: str | None = None, layer: str | None = None, tolerance_mm: float = 0.05
) -> tuple[Floats, ...]:
    """Read closed outlines from a DXF file.

    Lines, arcs, circles, ellipses, polylines with their bulges and splines are read, also those in inserted blocks; open
    ones are joined end to end. Layers that are off or frozen are left out.

    Parameters
    ----------
    path : str or Path
    unit : {"mm", "cm", "m", "in", "ft"}, optional
        Unit of the numbers in the file; overrules what the file says.
    layer : str, optional
        Read this layer only.
    tolerance_mm : float, mm
        Ends no farther apart than this are joined.

    Returns
    -------
    tuple of (k, 2) float arrays, mm
        Closed outlines, the first point not repeated, the largest area first; chords lie within 0.01 mm of curves.

    Raises
    ------
    OutlineError
        The file cannot be read, has no such layer, holds no closed outline or an open one, or is not flat.
    UnknownUnit
        Neither the file nor the caller states the unit.

    References
    ----------
    DXF reference, $INSUNITS. Curves are flattened by ezdxf's paths.
    """
    doc = _document(Path(path))
    scale = _scale(doc, unit, path)
    curves = _curves(doc, layer, scale, str(path))
    loops = _joined(curves, tolerance_mm, str(path))
    loops = [q for q in loops if _area(q) > tolerance_mm**2]
    if not loops:
        seen = sorted({e.dxftype() for e in doc.modelspace()})
        raise OutlineError(
            "the drawing holds no closed outline", where=str(path),
            do=f"It holds {', '.join(seen) or 'nothing'}; draw the outline with lines, arcs, polylines or splines.",
        )
    loops.sort(key=lambda q: -_area(q))
    return tuple(_once(loops, tolerance_mm))


def _document(path: Path) -> Any:
    import ezdxf

    try:
        return ezdxf.readfile(path)
    except (OSError, UnicodeDecodeError, ezdxf.DXFError) as err:
        raise OutlineError(
            f"the drawing cannot be read ({err})", where=str(path), do="Export it again as DXF (R2000 or later)."
        ) from err


def _scale(doc: Any, unit: str | None, path: str | Path) -> float:
    """mm per unit of the file."""
    if unit is None:
        unit = INSUNITS.get(int(doc.header.get("$INSUNITS", 0)))
    if unit not in UNIT_MM:
        says = "the drawing does not state its unit" if unit is None else f"unit {unit!r} is not known"
        raise UnknownUnit(says, where=str(path), do=f"State it: {', '.join(UNIT_MM)}.")
    return UNIT_MM[unit]


def _curves(doc: Any, layer: str | None, scale: float, where: str) -> list[Floats]:
    """All curves as (k, 2) polylines in mm; a closed one repeats its first point."""
    # A file may use layers that its table does not list.
    used = [e.dxf.layer for e in doc.entitydb.values() if e.is_alive and e.dxf.hasattr("layer")]
    names = {name.lower(): name for name in (*used, *(q.dxf.name for q in doc.layers))}
    if layer is not None and layer.lower() not in names:
        raise OutlineError(
            f"the drawing has no layer {layer!r}", where=where, do=f"Its layers are {', '.join(sorted(names.values()))}."
        )
    hidden = {q.dxf.name.lower() for q in doc.layers if q.is_off() or q.is_frozen()}
    out = []
    for on, e in _entities(doc.modelspace(), None):
        if (on.lower() == layer.lower()) if layer is not None else (on.lower() not in hidden):
            out += _flattened(e, scale, where)
    return out


def _entities(container: Any, inherited: str | None) -> Iterator[tuple[str, Any]]:
    """Every curve with its layer; what a block holds on layer 0 lies on the layer it is inserted on."""
    for e in container:
        on = str(e.dxf.get("layer", "0"))
        if on == "0" and inherited is not None:
            on = inherited
        if e.dxftype() == "INSERT":
            inserts = e.multi_insert() if e.mcount > 1 else (e,)
            for one in inserts:
                yield from _entities(one.virtual_entities(), on)
        else:
            yield on, e


def _flattened(e: Any, scale: float, where: str) -> list[Floats]:
    from ezdxf import path as curve_of

    if e.dxftype() not in ("LINE", "ARC", "CIRCLE", "ELLIPSE", "LWPOLYLINE", "POLYLINE", "SPLINE"):
        return []
    if e.dxftype() == "POLYLINE" and not (e.is_2d_polyline or e.is_3d_polyline):
        return []
    out = []
    for sub in curve_of.make_path(e, segments=ARCS).sub_paths():
        p = np.array([(q.x, q.y, q.z) for q in sub.flattening(CHORD_MM / scale, segments=8)]) * scale
        if np.ptp(p[:, 2]) > 0.01:
            raise OutlineError(
                f"the drawing is not flat: a {e.dxftype()} runs through {np.ptp(p[:, 2]):.2f} mm of height", where=where,
                do="Draw the outline in the xy plane.",
            )
        if len(p) > 1:
            out.append(p[:, :2])
    return out


def _joined(curves: list[Floats], tolerance_mm: float, where: str) -> list[Floats]:
    """Closed outlines, open curves joined end to end."""
    loops, chains = [], []
    for q in curves:
        if len(q) > 3 and np.linalg.norm(q[0] - q[-1]) <= tolerance_mm:
            loops.append(q[:-1])
        elif np.linalg.norm(np.diff(q, axis=0), axis=1).sum() > tolerance_mm:
            chains.append(q)
    if chains:
        loops += _linked(chains, tolerance_mm, where)
    return loops


def _linked(chains: list[Floats], tolerance_mm: float, where: str) -> list[Floats]:
    ends = np.array([p for q in chains for p in (q[0], q[-1])])
    tree = cKDTree(ends)
    mate = np.full(len(ends), -1)
    for i, near in enumerate(tree.query_ball_point(ends, tolerance_mm)):
        others = [j for j in near if j != i]
        if len(others) > 1:
            x, y = ends[i].tolist()
            raise OutlineError(
                f"{len(near)} lines of the drawing meet at ({x:.2f}, {y:.2f}) mm", where=where,
                do="Leave only the outlines on their layer and name that layer.",
            )
        if others:
            mate[i] = others[0]
    if (mate < 0).any():
        raise _open_fault(ends, np.flatnonzero(mate < 0), where)
    loops, left = [], set(range(len(chains)))
    while left:
        begin = at_end = 2 * min(left)
        pieces: list[Floats] = []
        while at_end // 2 in left:
            k = at_end // 2
            left.discard(k)
            pieces.append((chains[k] if at_end % 2 == 0 else chains[k][::-1])[:-1])
            at_end = int(mate[at_end ^ 1])
        if at_end == begin:
            loops.append(np.vstack(pieces))
    return loops


def _open_fault(ends: Floats, loose: Any, where: str) -> OutlineError:
    """Say where an outline of the drawing is open."""
    p = ends[loose]
    if len(p) > 1:
        d, j = cKDTree(p).query(p, k=2)
        k = int(np.argmin(d[:, 1]))
        gap, (x, y), (u, v) = float(d[k, 1]), p[k], p[j[k, 1]]
        place = f"between ({x:.2f}, {y:.2f}) and ({u:.2f}, {v:.2f}) mm"
        return OutlineError(
            f"an outline of the drawing is open: {gap:.2f} mm are missing {place}, {len(p)} loose ends in all", where=where,
            do="Close it in the drawing, or allow a larger tolerance.",
        )
    return OutlineError(f"a line of the drawing ends at ({p[0, 0]:.2f}, {p[0, 1]:.2f}) mm", where=where, do="Close it.")


def _area(q: Floats) -> float:
    x, y = q.T
    return 0.5 * abs(float((x * np.roll(y, -1) - y * np.roll(x, -1)).sum()))


def _once(loops: list[Floats], tolerance_mm: float) -> list[Floats]:
    """Leave out an outline that is drawn twice."""
    import shapely

    out: list[Floats] = []
    for q in loops:
        ring = shapely.LinearRing(q)
        if not any(shapely.hausdorff_distance(ring, shapely.LinearRing(p)) <= tolerance_mm for p in out):
            out.append(q)
    return out

"""Cut files as DXF: R2000 with units and named layers, and an R12 twin for old cutters.

Straight polylines only, closed by flag: curves, splines and hatches are what cutters read wrongly. R12 has no field for
the unit, so that twin says "mm" in its name and in a line of text; both hold a square of 100 mm to measure.
"""

from __future__ import annotations

import logging
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from shapely import Polygon
from shapely.validation import explain_validity

from ..errors import CheckError
from ..surface.mesh import Floats
from .drawing import CHECK_MM, LAYERS, Drawing, Stroke, lay_drawings, template_drawings
from .pen import pen_lines

if TYPE_CHECKING:
    from ezdxf.document import Drawing as Document

    from ..planned import Plan

#: Largest relative difference between a piece's area and the area read back from a file.
AREA_LIMIT = 1e-6
#: Coordinates are written to a millionth of a mm: finer differs between machines and nobody can cut it.
_DECIMALS = 6
#: AutoCAD colour index of each layer; 7 is black or white, whichever shows.
_COLOURS = {
    "CUT": 7, "NET": 5, "LAP": 8, "FOLD": 4, "JOIN": 6, "NOTCH": 7, "WARP": 5, "THREAD": 3, "MARK": 8, "TEXT": 7,
    "START": 1, "GRID": 9, "CHECK": 8, "ROLL": 9,
}  # fmt: skip


def write_cut_files(plan: Plan, folder: Path) -> tuple[list[Path], float]:
    """Write every set of templates to ``cut/`` and every lay to ``lay/`` as DXF.

    Parameters
    ----------
    plan : Plan
    folder : Path
        An existing folder; ``cut`` and ``lay`` are made in it.

    Returns
    -------
    list of Path
    float
        The largest relative difference of any piece's area in any file, read back by two readers.

    Raises
    ------
    CheckError
        If an outline is not fit to be cut, or a file does not read back as it was meant.
    """
    files, worst = [], 0.0
    for name, drawings in (("cut", template_drawings(plan)), ("lay", lay_drawings(plan))):
        (folder / name).mkdir(exist_ok=True)
        for stem, drawing in drawings:
            path = folder / name / f"{stem}.dxf"
            worst = max(worst, write_dxf(drawing, path, pen_text=plan.job.files.pen_text))
            files += [path, twin_path(path)]
    return files, worst


def twin_path(path: Path) -> Path:
    """Return the name of the R12 twin of a file: ``x.dxf`` has ``x_r12_mm.dxf``."""
    return path.with_name(f"{path.stem}_r12_mm.dxf")


def write_dxf(drawing: Drawing, path: Path, *, pen_text: bool = False) -> float:
    """Write a drawing as R2000 and as its R12 twin, read both back, and compare.

    Parameters
    ----------
    drawing : Drawing
    path : Path
        Of the R2000 file.
    pen_text : bool
        Draw words as single lines, for machines that know no letters.

    Returns
    -------
    float
        Largest relative difference of a piece's area.

    Raises
    ------
    CheckError
        If an outline is not valid, finite and closed, or a file reads back differently.
    """
    for name, outline in drawing.pieces:
        check_outline(name, outline)
    twin = twin_path(path)
    save(document(drawing, "R2000", pen_text=pen_text), path)
    save(document(drawing, "R12", pen_text=pen_text), twin)
    for file in (path, twin):
        compare_threads(drawing, file)
    # The twin has no unit, and other readers take R12 polylines off their layers: only the reader that keeps both
    # is asked about it.
    return max(
        compare(drawing, rings_by_ezdxf(path, unit=True), path),
        compare(drawing, rings_by_trimesh(path), path),
        compare(drawing, rings_by_ezdxf(twin, unit=False), twin),
    )


def check_outline(name: str, outline: Polygon) -> None:
    """Refuse an outline that nobody can cut.

    Parameters
    ----------
    name : str
        Of the piece.
    outline : Polygon

    Raises
    ------
    CheckError
        If it is empty, not finite, crosses itself, or its area is not that of its corner points.
    """
    points = np.asarray(outline.exterior.coords)
    if outline.is_empty or not np.isfinite(points).all():
        raise CheckError("the line to cut is empty or not finite", where=name)
    if not outline.is_valid:
        raise CheckError(f"the line to cut is not simple: {explain_validity(outline)} mm", where=name)
    area = abs(ring_area_mm2(points)) - sum(abs(ring_area_mm2(np.asarray(r.coords))) for r in outline.interiors)
    if not area > 0 or abs(area - outline.area) > AREA_LIMIT * area:
        raise CheckError(f"the line to cut holds {area:.6g} mm2, not {outline.area:.6g} mm2", where=name)


def ring_area_mm2(points_mm: Floats) -> float:
    """Return the signed area of a closed ring of (k, 2) points, mm²; repeating the first point changes nothing."""
    p = np.asarray(points_mm, dtype=float)[:, :2]
    p = p - p[0]
    q = np.roll(p, -1, axis=0)
    return 0.5 * float((p[:, 0] * q[:, 1] - p[:, 1] * q[:, 0]).sum())


@contextmanager
def same_bytes() -> Iterator[None]:
    """Keep dates and random numbers out of files made within, so that the same plan gives the same bytes."""
    import ezdxf

    before = ezdxf.options.write_fixed_meta_data_for_testing
    log = logging.getLogger("ezdxf")
    level = log.level
    ezdxf.options.write_fixed_meta_data_for_testing = True
    log.setLevel(logging.ERROR)  # it warns of every R12 file that it has no unit
    try:
        yield
    finally:
        ezdxf.options.write_fixed_meta_data_for_testing = before
        log.setLevel(level)


def document(drawing: Drawing, version: str, *, pen_text: bool = False) -> Document:
    """Return a DXF document of a drawing.

    Parameters
    ----------
    drawing : Drawing
    version : str
        "R2000" or "R12".
    pen_text : bool
        Draw words as single lines on layer TEXT.

    Raises
    ------
    CheckError
        If the document's own audit finds a fault.
    """
    import ezdxf

    with same_bytes():
        doc: Document = ezdxf.new(version, units=ezdxf.units.MM)
    for name in LAYERS:
        doc.layers.add(name, color=_COLOURS[name])
    space = doc.modelspace()
    for stroke in drawing.strokes:
        _add_stroke(space, stroke, version)
    for words in drawing.words:
        if pen_text:
            for line in pen_lines(words):
                _add_stroke(space, Stroke("TEXT", line), version)
            continue
        look = {"layer": words.layer, "insert": words.at_mm, "height": words.height_mm, "rotation": words.turn_deg}
        space.add_text(words.text, dxfattribs=look)
    x0, y0, x1, y1 = drawing.bounds_mm()
    # Some programs scale by the extent. R2000 takes it from the layout on writing, R12 from the header.
    space.reset_extents((x0, y0, 0.0), (x1, y1, 0.0))
    doc.header["$EXTMIN"], doc.header["$EXTMAX"] = (x0, y0, 0.0), (x1, y1, 0.0)
    audit(doc, drawing.title)
    return doc


def _add_stroke(space: Any, stroke: Stroke, version: str) -> None:
    points, look = np.round(stroke.points_mm, _DECIMALS), {"layer": stroke.layer}
    if not np.isfinite(points).all():
        raise CheckError("a line is not finite", where=f"layer {stroke.layer}")
    if len(points) == 2 and not stroke.closed:
        space.add_line(points[0], points[1], dxfattribs=look)
    elif version == "R12":
        space.add_polyline2d(points, close=stroke.closed, dxfattribs=look)
    else:
        space.add_lwpolyline(points, close=stroke.closed, dxfattribs=look)


def audit(doc: Document, title: str) -> None:
    """Refuse a document in which ezdxf's own audit finds a fault.

    Parameters
    ----------
    doc : ezdxf document
    title : str
        For the message.

    Raises
    ------
    CheckError
        Naming the first fault.
    """
    found = doc.audit()
    faults = [*found.errors, *found.fixes]
    if faults:
        raise CheckError(f"the DXF has {len(faults)} faults, first: {faults[0].message}", where=title)


def save(doc: Document, path: Path) -> None:
    """Write a document, the same bytes every time.

    Parameters
    ----------
    doc : ezdxf document
    path : Path
    """
    with same_bytes():
        doc.saveas(path)


Rings = dict[str, list[Floats]]


def rings_by_ezdxf(path: Path, *, unit: bool) -> Rings:
    """Return the closed rings of a file by layer, read with ezdxf.

    Parameters
    ----------
    path : Path
    unit : bool
        Whether the file must say that it is in mm.

    Raises
    ------
    CheckError
        If the unit is not mm, or the line to cut is open anywhere.
    """
    import ezdxf

    doc = ezdxf.readfile(path)
    if unit and (doc.header.get("$INSUNITS"), doc.header.get("$MEASUREMENT")) != (4, 1):
        raise CheckError("the file does not say that it is in mm", where=path.name)
    return _rings_of(doc, path)


def _rings_of(doc: Document, path: Path) -> Rings:
    from ezdxf.entities import LWPolyline, Polyline

    rings: Rings = {}
    for line in doc.modelspace():
        if isinstance(line, LWPolyline):
            closed, points = line.closed, list(line.vertices())
        elif isinstance(line, Polyline):
            closed, points = line.is_closed, [(p.x, p.y) for p in line.points()]
        else:
            continue
        if closed:
            rings.setdefault(line.dxf.layer, []).append(np.asarray(points, dtype=float))
        else:
            _refuse_open(line.dxf.layer, path)
    return rings


def rings_by_trimesh(path: Path) -> Rings:
    """Return the closed rings of an R2000 file by layer, read with trimesh's own reader.

    Parameters
    ----------
    path : Path

    Raises
    ------
    CheckError
        If the unit is not mm, or the line to cut is open anywhere.
    """
    import trimesh

    # Without processing: merging near points would move them before they are compared.
    with path.open("rb") as file:
        read = trimesh.load_path(file, file_type="dxf", process=False)
    if read.units not in ("mm", "millimeters"):
        raise CheckError(f"the file reads as {read.units}, not mm", where=path.name)
    rings: Rings = {}
    for entity in read.entities:
        points = entity.discrete(read.vertices)
        if len(points) < 2:  # words
            continue
        if np.abs(points[0] - points[-1]).max() > 0:
            _refuse_open(entity.layer, path)
            continue
        rings.setdefault(entity.layer, []).append(points[:-1])
    return rings


def _refuse_open(layer: str, path: Path) -> None:
    if layer == "CUT":
        raise CheckError("a line to cut reads back open", where=path.name)


def compare(drawing: Drawing, rings: Rings, path: Path) -> float:
    """Compare what was read with what was meant, piece by piece.

    Parameters
    ----------
    drawing : Drawing
    rings : dict
        Closed rings by layer.
    path : Path
        For the message.

    Returns
    -------
    float
        Largest relative difference of a piece's area.

    Raises
    ------
    CheckError
        If rings are missing, an area is off by more than `AREA_LIMIT`, a piece lies elsewhere, or the check square is
        not one.
    """
    square = [ring_area_mm2(ring) for ring in rings.get("CHECK", [])]
    if len(square) != 1 or abs(abs(square[0]) - CHECK_MM**2) > AREA_LIMIT * CHECK_MM**2:
        raise CheckError("the check square reads back wrong", where=path.name)
    found, worst = list(rings.get("CUT", [])), 0.0
    wanted = sum(1 + len(outline.interiors) for _, outline in drawing.pieces)
    if len(found) != wanted:
        raise CheckError(f"{len(found)} lines to cut read back, {wanted} were drawn", where=path.name)
    for name, outline in drawing.pieces:
        mine = [found.pop(0) for _ in range(1 + len(outline.interiors))]
        worst = max(worst, _piece_difference(name, outline, mine, path))
    return worst


def compare_threads(drawing: Drawing, path: Path) -> None:
    """Read the first threads of a file back and compare: cloth that is laid by its threads cannot be laid without them.

    Parameters
    ----------
    drawing : Drawing
    path : Path

    Raises
    ------
    CheckError
        If a thread or its start is missing, or lies elsewhere.
    """
    import ezdxf

    meant = [s for s in drawing.strokes if s.layer == "THREAD"]
    if not meant:
        return
    doc = ezdxf.readfile(path)
    ends = doc.modelspace().query('LINE[layer=="THREAD"]')
    lines = [np.array([e.dxf.start, e.dxf.end])[:, :2] for e in ends]
    wanted = [s.points_mm for s in meant if not s.closed]
    rings = _rings_of(doc, path).get("THREAD", [])
    circles = [s.points_mm for s in meant if s.closed]
    if (len(lines), len(rings)) != (len(wanted), len(circles)):
        raise CheckError(
            f"{len(lines)} first threads and {len(rings)} starts read back, {len(wanted)} and {len(circles)} were drawn",
            where=path.name,
        )
    for read, drawn in zip([*lines, *rings], [*wanted, *circles]):
        if read.shape != drawn.shape or np.abs(read - drawn).max() > 1e-3:
            raise CheckError("a first thread or its start reads back elsewhere than it was drawn", where=path.name)


def _piece_difference(name: str, outline: Polygon, rings: Sequence[Floats], path: Path) -> float:
    worst = 0.0
    for ring, meant in zip(rings, (*outline.interiors, outline.exterior)):
        area = Polygon(meant).area
        off = abs(abs(ring_area_mm2(ring)) - area) / area
        if off > AREA_LIMIT:
            raise CheckError(f"{name} reads back with an area off by {off:.2g} of itself", where=path.name)
        corner = np.concatenate([ring.min(axis=0), ring.max(axis=0)]) - np.asarray(meant.bounds)
        if np.abs(corner).max() > 1e-3:
            raise CheckError(f"{name} reads back {np.abs(corner).max():.3g} mm from its place", where=path.name)
        worst = max(worst, off)
    return worst

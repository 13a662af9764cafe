"""Templates as DXF with the layers of the sewn-products trade, for cutters that read those.

R12, layers by number, one block for each piece, each put in once. It follows the layer table as it is openly published for
ASTM D6673 (withdrawn 2019) and ANSI/AAMA-292; grading, and the curves that prove a file's own quality, are left out, so that
it does not claim to conform to either. Files of this kind in use differ in their unit: the square of 100 mm says it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from shapely import Polygon

from ..cloth.template import Template
from ..errors import CheckError
from ..surface.mesh import Floats
from .drawing import (
    CHECK_MM,
    PEN_MM,
    WARP_THREAD,
    WEFT_THREAD,
    file_stem,
    label_lines,
    start_ring,
    unique_stems,
)
from .dxf import AREA_LIMIT, audit, check_outline, ring_area_mm2, same_bytes, save
from .label import HEIGHTS_MM, Words, beside, fitted, straight_words
from .notch import WIDTH_SHARE, notch_lines
from .pen import pen_lines

if TYPE_CHECKING:
    from ezdxf.document import Drawing as Document

#: The published layer table, as far as it is used here.
LAYERS = {
    "boundary": "1", "turn": "2", "curve": "3", "grain": "7", "internal": "8", "cut-out": "11",
    "drill": "13", "sew": "14", "text": "15",
}  # fmt: skip
#: The same for shapes of notches: slits and V share a layer, and a V has a width.
NOTCHES = {"slit": "4", "V": "4", "T": "80", "castle": "81", "check": "82", "U": "83"}
#: A corner of a line that turns by more than this is a turn point; the others lie on a curve.
TURN_DEG = 15.0
_SPACE_MM = 50.0
_HEIGHTS_MM = [h for h in HEIGHTS_MM if h <= 10.0]


def sewn_document(
    title: str, templates: Sequence[Template], *, notch_mm: float, notch_style: str = "slit", pen_text: bool = False
) -> Document:
    """Return templates as a DXF document with one block for each piece.

    Parameters
    ----------
    title : str
    templates : sequence of Template
    notch_mm : float
        Size of a match notch.
    notch_style : str
        One of `notch.STYLES`; those that are drawn alone are internal lines.
    pen_text : bool
        Have the words on pieces as internal lines too, for machines that know no letters.

    Raises
    ------
    CheckError
        If an outline is not fit to be cut, or the document's own audit finds a fault.
    """
    import ezdxf

    with same_bytes():
        doc: Document = ezdxf.new("R12", units=ezdxf.units.MM)
    for number in dict.fromkeys((*LAYERS.values(), *NOTCHES.values())):
        doc.layers.add(number)
    space = doc.modelspace()
    names = unique_stems(file_stem(t.region, t.ply, t.piece) for t in templates)
    top = 0.0
    for template, name in zip(templates, names):
        check_outline(template.name, template.cut)
        block = doc.blocks.new(name)
        _draw(block, template)
        _words(block, template, pen_text=pen_text)
        _notches(block, template, notch_mm, notch_style)
        x0, y0, _, y1 = template.cut.bounds
        space.add_blockref(name, (-x0, top - y0), dxfattribs={"layer": LAYERS["boundary"]})
        top += y1 - y0 + _SPACE_MM
    _title(space, title)
    audit(doc, title)
    return doc


def _title(space: Any, title: str) -> None:
    """Style text, and the square that tells the unit, below the pieces."""
    square = np.array([[0.0, 0.0], [CHECK_MM, 0.0], [CHECK_MM, CHECK_MM], [0.0, CHECK_MM]]) - (0.0, CHECK_MM + _SPACE_MM)
    space.add_polyline2d(square, close=True, dxfattribs={"layer": LAYERS["text"]})
    lines = (f"Style Name: {title}", "Units:METRIC", f"Curve Tolerance: {PEN_MM:g}", "square: 100 mm")
    for k, text in enumerate(lines):
        at = (CHECK_MM + 20.0, -_SPACE_MM - 20.0 - 25.0 * k)
        space.add_text(text, dxfattribs={"layer": LAYERS["text"], "insert": at, "height": 12.0})


def _draw(block: Any, template: Template) -> None:
    outer, *openings = (np.asarray(r.coords)[:-1, :2] for r in (template.cut.exterior, *template.cut.interiors))
    _line(block, "boundary", outer, closed=True)
    for ring in openings:
        _line(block, "cut-out", ring, closed=True)
    for ring in _rings(template.net.simplify(PEN_MM)):
        _line(block, "sew", ring, closed=True)
    for ring in (r for lap in template.laps for r in _rings(lap.simplify(PEN_MM))):
        _line(block, "internal", ring, closed=True)
    for inner in (*template.folds, *template.joins):
        _line(block, "internal", np.asarray(inner.coords)[:, :2], closed=False)
    _threads(block, template)
    if not template.warp.is_empty:
        ends = np.asarray(template.warp.coords)[[0, -1], :2]
        block.add_line(ends[0], ends[1], dxfattribs={"layer": LAYERS["grain"]})
    if not template.centre.is_empty:
        block.add_point((template.centre.x, template.centre.y), dxfattribs={"layer": LAYERS["drill"]})


def _words(block: Any, template: Template, *, pen_text: bool) -> None:
    """All words of a piece, and where they are wanted as lines, those too."""
    for layer, line in (*_label(template), *_thread_names(template)):
        look = {"layer": LAYERS[layer], "insert": line.at_mm, "height": line.height_mm, "rotation": line.turn_deg}
        block.add_text(line.text, dxfattribs=look)
        for run in pen_lines(line) if pen_text else ():
            # Letters have no turn and curve points.
            block.add_polyline2d(np.round(run, 6), dxfattribs={"layer": LAYERS["internal"]})


def _label(template: Template) -> Iterator[tuple[str, Words]]:
    """What the piece is, on the layer that is asked for such words, and its label, clear of the lines where there is room."""
    lines = (f"Piece Name: {template.piece}", f"Quantity: {template.copies}", f"Material: {template.material}", *label_lines(template))
    inner = (template.warp, *template.folds, *template.joins, *template.warp_thread, *template.weft_thread)
    keep_off = [line.buffer(2.0) for line in inner if not line.is_empty]
    words = fitted(straight_words("TEXT", lines), template.net, keep_off, turns=True, heights_mm=_HEIGHTS_MM).words
    for k, line in enumerate(words):
        yield "boundary" if k < 3 else "text", line


def _notches(block: Any, template: Template, size_mm: float, style: str) -> None:
    """Match marks as points: how deep by their height, how wide by their thickness, which way by their angle."""
    for notch in template.notches:
        if style == "drawn":
            for line in notch_lines(template.cut, notch, size_mm=size_mm, style=style):
                _line(block, "internal", line, closed=False)
            continue
        turn = float(np.degrees(np.arctan2(notch.inward[1], notch.inward[0])))
        look = {"layer": NOTCHES[style], "location": (*notch.at_mm, size_mm), "angle": turn}
        if style != "slit":
            look["thickness"] = WIDTH_SHARE * size_mm
        block.add_point(look["location"], dxfattribs=look)


def _threads(block: Any, template: Template) -> None:
    """The first warp and weft thread, and a ring round the start."""
    for run in (*template.warp_thread, *template.weft_thread):
        _line(block, "internal", np.asarray(run.coords)[:, :2], closed=False)
    if not template.start.is_empty:
        _line(block, "internal", _rings(start_ring(template.start))[0], closed=True)


def _thread_names(template: Template) -> Iterator[tuple[str, Words]]:
    """The names of the first warp and weft thread beside their longest runs."""
    for runs, name in ((template.warp_thread, WARP_THREAD), (template.weft_thread, WEFT_THREAD)):
        if runs:
            yield "text", beside(max(runs, key=lambda g: g.length), Words("TEXT", name, (0.0, 0.0), 6.0), template.net, heights_mm=(6.0, 4.0))


def _rings(shape: Polygon) -> list[Floats]:
    return [np.asarray(r.coords)[:-1, :2] for r in (shape.exterior, *shape.interiors)]


def _line(block: Any, layer: str, points: Floats, *, closed: bool) -> None:
    block.add_polyline2d(np.round(points, 6), close=closed, dxfattribs={"layer": LAYERS[layer]})
    for point, sharp in zip(points, _turns(points, closed)):
        block.add_point(point, dxfattribs={"layer": LAYERS["turn" if sharp else "curve"]})


def _turns(points: Floats, closed: bool) -> Iterable[bool]:
    """Whether a line turns sharply at each of its points; the ends of an open one do."""
    before, after = points - np.roll(points, 1, axis=0), np.roll(points, -1, axis=0) - points
    turn = np.abs(np.arctan2(before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0], (before * after).sum(axis=1)))
    sharp = turn > np.radians(TURN_DEG)
    if not closed:
        sharp[[0, -1]] = True
    return [bool(s) for s in sharp]


def write_sewn(
    title: str, templates: Sequence[Template], path: Path, *, notch_mm: float, notch_style: str = "slit", pen_text: bool = False
) -> float:
    """Write templates, read the file back, and compare the area of every piece.

    Parameters
    ----------
    title : str
    templates : sequence of Template
    path : Path
    notch_mm : float

    Returns
    -------
    float
        Largest relative difference of a piece's area.

    Raises
    ------
    CheckError
        As `sewn_document`, or if a piece does not read back as it was meant.
    """
    import ezdxf

    save(sewn_document(title, templates, notch_mm=notch_mm, notch_style=notch_style, pen_text=pen_text), path)
    doc = ezdxf.readfile(path)
    inserted = [ref.dxf.name for ref in doc.modelspace().query("INSERT")]
    if len(inserted) != len(templates):
        raise CheckError(f"{len(inserted)} pieces read back, {len(templates)} were drawn", where=path.name)
    worst = 0.0
    for template, name in zip(templates, inserted):
        area = _block_area(doc.blocks.get(name))
        off = abs(area - template.cut.area) / template.cut.area
        if off > AREA_LIMIT:
            raise CheckError(f"{template.name} reads back with an area off by {off:.2g} of itself", where=path.name)
        worst = max(worst, off)
        inner, drawn = len(doc.blocks.get(name).query(f'POLYLINE[layer=="{LAYERS["internal"]}"]')), _inner_lines(template)
        drawn += len(template.notches) if notch_style == "drawn" else 0
        drawn += sum(len(pen_lines(line)) for _, line in (*_label(template), *_thread_names(template))) if pen_text else 0
        if inner != drawn:
            raise CheckError(f"{inner} lines inside {template.name} read back, {drawn} were drawn", where=path.name)
    return worst


def _inner_lines(template: Template) -> int:
    """How many lines are drawn inside a piece and not cut."""
    lines = (template.folds, template.joins, template.warp_thread, template.weft_thread)
    laps = sum(1 + len(lap.interiors) for lap in template.laps)
    return laps + sum(map(len, lines)) + (not template.start.is_empty)


def _block_area(block: Any) -> float:
    area = 0.0
    for line in block.query("POLYLINE"):
        sign = {LAYERS["boundary"]: 1.0, LAYERS["cut-out"]: -1.0}.get(line.dxf.layer)
        if sign is not None:
            if not line.is_closed:
                raise CheckError("a line to cut reads back open", where=block.name)
            area += sign * abs(ring_area_mm2(np.array([(p.x, p.y) for p in line.points()])))
    return area

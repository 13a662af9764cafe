"""Templates and lays as plain lines and words in mm, before any file format.

Every cut-file format draws from here, so that all of them show the same marks on the same layers.
"""

from __future__ import annotations

import math
import re
import unicodedata
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely
from shapely import LineString, Point, Polygon
from shapely.affinity import affine_transform

from ..cloth.template import Notch, Template
from ..errors import CheckError
from ..surface.mesh import Floats
from .label import HEIGHTS_MM, Block, Words, beside, fitted, straight_words

if TYPE_CHECKING:
    from ..lay.nest import Place
    from ..planned import Plan, RollPlan

#: What each layer holds, in the order in which layers are listed in a file.
LAYERS = {
    "CUT": "line to cut",
    "NET": "outline without laps and trim",
    "LAP": "lies under or over a neighbouring piece",
    "FOLD": "corner of the surface, not cut",
    "JOIN": "edge of a neighbouring piece, not cut",
    "NOTCH": "match mark, a short cut into the trim",
    "WARP": "warp direction",
    "THREAD": "first warp and weft thread with the start, not cut",
    "MARK": "centre cross and direction arrows",
    "TEXT": "words",
    "CHECK": "square of 100 mm to measure",
    "ROLL": "outline of the roll or remnant, its flaws, cuts right across and folds",
}
CHECK_MM = 100.0
WARP_THREAD, WEFT_THREAD = "warp thread", "weft thread"
#: Lines that are drawn and not cut may be off by this: a pen is ten times as wide, and files stay half the size.
PEN_MM = 0.05
_SPACE_MM = 50.0
_CENTRE_MM = 8.0
#: Size of the ring round the place that is put down first.
_START_MM = 8.0
_SAME_PLACE_MM = 1e-3


@dataclass(frozen=True, eq=False)
class Stroke:
    """A polyline on a layer.

    Attributes
    ----------
    layer : str
    points_mm : (k, 2) float array
        A closed stroke does not repeat its first point.
    closed : bool
    """

    layer: str
    points_mm: Floats
    closed: bool = False


@dataclass(frozen=True, eq=False)
class Drawing:
    """What one cut file shows.

    Attributes
    ----------
    title : str
    strokes : tuple of Stroke
        The rings of ``pieces`` come in their order on layer CUT, each piece's outer ring before its openings.
    words : tuple of Words
    pieces : tuple of (str, Polygon)
        Name and line to cut of each piece, as it lies in the drawing.
    """

    title: str
    strokes: tuple[Stroke, ...]
    words: tuple[Words, ...]
    pieces: tuple[tuple[str, Polygon], ...] = field(default=())

    def bounds_mm(self) -> tuple[float, float, float, float]:
        """Return (x, y, x, y) of the lower left and upper right corner of all strokes and words, mm."""
        corners = np.concatenate([s.points_mm for s in self.strokes] + [w.corners_mm() for w in self.words])
        (x0, y0), (x1, y1) = corners.min(axis=0), corners.max(axis=0)
        return float(x0), float(y0), float(x1), float(y1)


def file_stem(*words: str) -> str:
    """Return words joined to a file name that every system takes: plain letters, digits, dots, dashes.

    >>> file_stem("skeg root", "P1")
    'skeg-root_P1'
    >>> file_stem("Süd/a")
    'Sud-a'
    """
    plain = (unicodedata.normalize("NFKD", w).encode("ascii", "ignore").decode() for w in words)
    return "_".join(re.sub(r"[^A-Za-z0-9.-]+", "-", w).strip("-.") or "x" for w in plain)


def unique_stems(stems: Iterable[str]) -> list[str]:
    """Return stems made different, whatever a file system thinks of capitals, by a number at the end."""
    seen: dict[str, int] = {}
    out = []
    for stem in stems:
        count = seen[stem.lower()] = seen.get(stem.lower(), 0) + 1
        out.append(stem if count == 1 else f"{stem}_{count}")
    return out


def template_sets(plan: Plan) -> Iterator[tuple[str, str, tuple[Template, ...]]]:
    """Yield (region, ply or layer, templates) of everything that is cut, in order of working."""
    for region in plan.regions:
        for ply in region.plies:
            if ply.templates:
                yield region.name, ply.name, ply.templates
        for layer in region.layers:
            if layer.templates:
                yield region.name, layer.kind, layer.templates


def template_drawings(plan: Plan) -> list[tuple[str, Drawing]]:
    """Return a file stem and a drawing for every set of templates, each set out side by side.

    Parameters
    ----------
    plan : Plan
    """
    sets = list(template_sets(plan))
    stems = unique_stems(file_stem(region, ply) for region, ply, _ in sets)
    notch = plan.job.laps.notch_mm
    drawn = (draw_templates(f"{region} / {ply}", t, notch_mm=notch) for region, ply, t in sets)
    return list(zip(stems, drawn))


def lay_drawings(plan: Plan) -> list[tuple[str, Drawing]]:
    """Return a file stem and a drawing for every roll that is cut into.

    Parameters
    ----------
    plan : Plan
    """
    rolls = [(roll, n) for roll in plan.rolls for n in range(len(roll.lays))]
    stems = unique_stems(file_stem(roll.material, str(n + 1)) for roll, n in rolls)
    notch = plan.job.laps.notch_mm
    return [(stem, draw_lay(roll, n, notch_mm=notch)) for stem, (roll, n) in zip(stems, rolls)]


def draw_templates(title: str, templates: Sequence[Template], *, notch_mm: float) -> Drawing:
    """Set templates out one above the other, with the check square below.

    Parameters
    ----------
    title : str
    templates : sequence of Template
    notch_mm : float
        Length of a match notch.
    """
    laid, top = [], 0.0
    for template in templates:
        x0, y0, _, y1 = template.cut.bounds
        note = f"cut {template.copies}" if template.copies > 1 else ""
        laid.append((moved(template, 0.0, (-x0, top - y0)), note))
        top += y1 - y0 + _SPACE_MM
    return _drawing(title, laid, notch_mm, "templates set out side by side")


def draw_lay(roll: RollPlan, number: int, *, notch_mm: float) -> Drawing:
    """Draw the pieces as they lie on a roll, with its flaws and cuts across; x runs from the roll's end, y from its edge.

    Parameters
    ----------
    roll : RollPlan
    number : int
        Index into ``roll.lays``.
    notch_mm : float

    Raises
    ------
    CheckError
        If a template does not come to lie where the lay says.
    """
    lay = roll.lays[number]
    laid = [(placed(roll.parts[place.part], place), copy_note(roll, place)) for place in lay.places]
    cloth = shapely.box(0.0, 0.0, lay.length_mm, lay.width_mm)
    name, lines = f"roll {number + 1}", []
    if lay.stock is not None:
        name = lay.stock.name
        cloth = lay.stock.outline or cloth
        seen = [flaw for flaw in lay.stock.flaws if flaw.box.intersects(cloth)]
        lines = [ring for flaw in seen for ring in _rings("ROLL", flaw.box)]
    across = (*lay.cuts_mm, *lay.folds_mm)
    lines += [Stroke("ROLL", np.array([[at, 0.0], [at, lay.width_mm]])) for at in across]
    under = f"{name}: width {lay.width_mm:.0f} mm, length used {lay.length_mm:.0f} mm from its end at x = 0"
    drawn = _drawing(f"{roll.material}, {name}", laid, notch_mm, under, frame=cloth)
    return replace(drawn, strokes=(*drawn.strokes, *lines))


def copy_note(roll: RollPlan, place: Place) -> str:
    """Return "copy 1 of 2" where a piece is cut more than once, and nothing where it is not."""
    copies = roll.parts[place.part].copies
    return f"copy {place.copy + 1} of {copies}" if copies > 1 else ""


def placed(template: Template, place: Place) -> Template:
    """Return a template as it lies on the roll.

    Raises
    ------
    CheckError
        If its line to cut is not the one the lay was checked with.
    """
    out = moved(template, place.turn_deg, place.shift_mm)
    off = float(shapely.hausdorff_distance(out.cut.boundary, place.outline.boundary))
    if off > _SAME_PLACE_MM:
        raise CheckError(f"a piece lies {off:.3g} mm from where the lay has it", where=template.name)
    return out


def moved(template: Template, turn_deg: float, shift_mm: tuple[float, float]) -> Template:
    """Return a template turned about (0, 0), then shifted, with all its marks.

    Parameters
    ----------
    template : Template
    turn_deg : float
    shift_mm : tuple of float
    """
    # Quarter turns stay exact, so that a turned edge is as straight as it was.
    quarter = {0.0: (1.0, 0.0), 90.0: (0.0, 1.0), 180.0: (-1.0, 0.0), 270.0: (0.0, -1.0)}
    a = math.radians(turn_deg)
    c, s = quarter.get(turn_deg % 360.0) or (math.cos(a), math.sin(a))
    matrix = [c, -s, s, c, *shift_mm]

    def shape(g: Any) -> Any:
        return affine_transform(g, matrix)

    def direction(d: tuple[float, float]) -> tuple[float, float]:
        return (c * d[0] - s * d[1], s * d[0] + c * d[1])

    def notch(n: Notch) -> Notch:
        x, y = direction(n.at_mm)
        return replace(n, at_mm=(x + shift_mm[0], y + shift_mm[1]), inward=direction(n.inward))

    return replace(
        template,
        net=shape(template.net),
        cut=shape(template.cut),
        laps=tuple(map(shape, template.laps)),
        folds=tuple(map(shape, template.folds)),
        joins=tuple(map(shape, template.joins)),
        warp=shape(template.warp),
        centre=shape(template.centre),
        start=shape(template.start),
        warp_thread=tuple(map(shape, template.warp_thread)),
        weft_thread=tuple(map(shape, template.weft_thread)),
        notches=tuple(map(notch, template.notches)),
        forward=None if template.forward is None else direction(template.forward),
        up=None if template.up is None else direction(template.up),
    )


def _drawing(
    title: str, laid: Sequence[tuple[Template, str]], notch_mm: float, under: str, *, frame: Polygon | None = None
) -> Drawing:
    strokes: list[Stroke] = []
    words: list[Words] = []
    if frame is not None:
        strokes += _rings("ROLL", frame)
    for template, note in laid:
        lines, text = marks(template, notch_mm=notch_mm, note=note)
        strokes += lines
        words += text
    low = min([t.cut.bounds[1] for t, _ in laid] + [0.0]) - _SPACE_MM - CHECK_MM
    left = min([t.cut.bounds[0] for t, _ in laid] + [0.0])
    strokes += _rings("CHECK", shapely.box(left, low, left + CHECK_MM, low + CHECK_MM))
    words.append(Words("CHECK", "100 mm", (left + 20.0, low + 45.0), 10.0))
    for row, line in enumerate((title, "units: mm", under)):
        words.append(Words("TEXT", line, (left + CHECK_MM + 30.0, low + CHECK_MM - 20.0 - 30.0 * row), 15.0))
    return Drawing(title, tuple(strokes), tuple(words), tuple((t.name, t.cut) for t, _ in laid))


def marks(template: Template, *, notch_mm: float, note: str = "") -> tuple[list[Stroke], list[Words]]:
    """Return everything that is drawn on one piece.

    Parameters
    ----------
    template : Template
    notch_mm : float
        Length of a match notch.
    note : str
        Added to the label: how many to cut, or which copy this is.
    """
    strokes = _rings("CUT", template.cut) + _rings("NET", template.net.simplify(PEN_MM))
    strokes += [ring for lap in template.laps for ring in _rings("LAP", lap.simplify(PEN_MM))]
    strokes += [Stroke("FOLD", np.asarray(line.coords)[:, :2]) for line in template.folds]
    strokes += [Stroke("JOIN", np.asarray(line.coords)[:, :2]) for line in template.joins]
    strokes += [_notch(n, notch_mm) for n in template.notches]
    strokes += _warp(template.warp) + _cross(template) + _threads(template)
    words = [_notch_words(n, notch_mm) for n in template.notches]
    words += _thread_words(template, strokes, words)
    blocks = _blocks(template, strokes, words, note)
    strokes += [Stroke("MARK", line) for block in blocks for line in block.lines_mm]
    return strokes, words + [w for block in blocks for w in block.words]


def _rings(layer: str, shape: Polygon) -> list[Stroke]:
    rings = [shape.exterior, *shape.interiors]
    return [Stroke(layer, np.asarray(ring.coords)[:-1, :2], closed=True) for ring in rings]


def _notch(notch: Notch, size_mm: float) -> Stroke:
    start, way = np.asarray(notch.at_mm), np.asarray(notch.inward)
    return Stroke("NOTCH", np.stack([start, start + size_mm * way]))


def _notch_words(notch: Notch, size_mm: float) -> Words:
    text = Words("TEXT", notch.mark, (0.0, 0.0), 4.0)
    reach = size_mm + 2.0 + 0.5 * text.size_mm()[0]
    middle = np.asarray(notch.at_mm) + reach * np.asarray(notch.inward)
    return text.centred(middle)


def _warp(warp: LineString) -> list[Stroke]:
    """Return the warp line with a head at both ends: it has no sense, only a direction."""
    if warp.is_empty or warp.length == 0.0:
        return []
    ends = np.asarray(warp.coords)[[0, -1], :2]
    way = (ends[1] - ends[0]) / np.linalg.norm(ends[1] - ends[0])
    size = min(20.0, 0.1 * warp.length)
    return [
        Stroke("WARP", np.asarray(warp.coords)[:, :2]),
        Stroke("WARP", arrow_head(ends[0], -way, size)),
        Stroke("WARP", arrow_head(ends[1], way, size)),
    ]


def _threads(template: Template) -> list[Stroke]:
    """Return the first warp and weft thread, and a ring round the place that is put down first."""
    lines = [*template.warp_thread, *template.weft_thread]
    out = [Stroke("THREAD", np.asarray(line.coords)[:, :2]) for line in lines]
    if not template.start.is_empty:
        out += _rings("THREAD", start_ring(template.start))
    return out


def start_ring(start: Point) -> Polygon:
    """Return the ring that is drawn round the place where cloth is put down first.

    Parameters
    ----------
    start : Point
    """
    return start.buffer(_START_MM, quad_segs=6)


def _thread_words(template: Template, strokes: Sequence[Stroke], words: Sequence[Words]) -> list[Words]:
    """Return the name of each first thread beside its longest run."""
    keep_off = [LineString(s.points_mm) for s in strokes if s.layer in ("WARP", "MARK", "FOLD", "JOIN", "THREAD")]
    room = [w.box() for w in words]
    out: list[Words] = []
    for lines, text in ((template.warp_thread, WARP_THREAD), (template.weft_thread, WEFT_THREAD)):
        if lines:
            longest = max(lines, key=lambda g: g.length)
            out.append(beside(longest, Words("TEXT", text, (0.0, 0.0), 1.0), template.net, [*keep_off, *room]))
            room.append(out[-1].box())
    return out


def arrow_head(tip: Floats, way: Floats, size: float) -> Floats:
    """Return the (3, 2) points of an open arrow head.

    Parameters
    ----------
    tip : (2,) float array
    way : (2,) float array
        Unit vector the arrow points along.
    size : float
        Length of the head.
    """
    side = np.array([-way[1], way[0]])
    back = tip - size * way
    return np.stack([back + 0.35 * size * side, tip, back - 0.35 * size * side])


def _cross(template: Template) -> list[Stroke]:
    if template.centre.is_empty:
        return []
    c = np.array([template.centre.x, template.centre.y])
    arms = _CENTRE_MM * np.eye(2)
    return [Stroke("MARK", np.stack([c - arm, c + arm])) for arm in arms]


def label_lines(template: Template, note: str = "") -> tuple[str, ...]:
    """Return the lines of a piece's label.

    Parameters
    ----------
    template : Template
    note : str
        Added to the last line.
    """
    angle = f"warp line at {template.angle_deg + 0.0:g} deg"
    return template.name, template.material, template.face_up, f"{angle}, {note}" if note else angle


def _blocks(
    template: Template, strokes: Sequence[Stroke], words: Sequence[Words], note: str
) -> tuple[Block, ...]:
    """Label and direction arrows, each where it fits inside the piece and clear of the marks."""
    keep_off = [LineString(s.points_mm).buffer(2.0) for s in strokes if s.layer in ("WARP", "MARK", "FOLD", "JOIN", "THREAD")]
    keep_off += [w.box() for w in words]
    label = fitted(straight_words("TEXT", label_lines(template, note)), template.net, keep_off, turns=True)
    arrows = direction_arrows(template)
    if not arrows.words:
        return (label,)
    keep_off.append(label.box().buffer(0.5 * label.words[0].height_mm))
    return label, fitted(arrows, template.net, keep_off, heights_mm=[h for h in HEIGHTS_MM if h <= 12.0])


def direction_arrows(template: Template) -> Block:
    """Return arrows forward and up on the boat from a common foot, a word at each tip, for words 1 mm high.

    Parameters
    ----------
    template : Template
        A direction that stands square to it is left out.
    """
    lines, words = [], []
    for name, direction in (("forward", template.forward), ("up", template.up)):
        if direction is None:
            continue
        way = np.asarray(direction)
        tip = 5.0 * way
        lines += [np.stack([0.0 * way, tip]), arrow_head(tip, way, 1.2)]
        text = Words("TEXT", name, (0.0, 0.0), 1.0)
        wide, high = text.size_mm()
        reach = 0.5 + 0.5 * (abs(way[0]) * wide + abs(way[1]) * high)
        words.append(text.centred(tip + reach * way))
    return Block(tuple(lines), tuple(words))

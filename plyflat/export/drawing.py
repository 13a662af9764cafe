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
from ..lay.order import cutting_order
from ..surface.mesh import Floats
from .guides import begun_at, grid_lines, start_mark
from .label import HEIGHTS_MM, Block, Words, beside, fitted, straight_words
from .notch import notch_lines

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
    "START": "where the tool comes down and which way it goes, not cut",
    "GRID": "squares to measure by, with the distance from the piece's or the roll's corner in mm, not cut",
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


@dataclass(frozen=True)
class Look:
    """How a job wants its pieces drawn.

    Attributes
    ----------
    notch_style : str
        One of `notch.STYLES`.
    grid_mm : float or None
        Squares of the grid; None draws none.
    starts : bool
        Whether the start of each cut is marked.
    check : bool
        Whether the square of 100 mm and the title stand below.
    """

    notch_style: str = "slit"
    grid_mm: float | None = None
    starts: bool = False
    check: bool = True


PLAIN = Look()


@dataclass(frozen=True)
class _Laid:
    """A template where it lies, what is added to its label, and where its lines are begun: outline, then openings."""

    template: Template
    note: str
    starts_mm: tuple[tuple[float, float], ...]


@dataclass(frozen=True, eq=False)
class Drawing:
    """What one cut file shows.

    Attributes
    ----------
    title : str
    strokes : tuple of Stroke
        The rings of ``pieces`` come in their order on layer CUT, each piece's notches and openings before its outer
        ring, each ring from where the tool comes down.
    words : tuple of Words
    pieces : tuple of (str, Polygon)
        Name and line to cut of each piece, as it lies in the drawing, in the order of cutting.
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


def look_of(plan: Plan) -> Look:
    """Return how a plan's job wants its pieces drawn in files.

    Parameters
    ----------
    plan : Plan
    """
    return Look(plan.job.laps.notch_style, plan.job.files.grid_mm, starts=True)


def template_drawings(plan: Plan) -> list[tuple[str, Drawing]]:
    """Return a file stem and a drawing for every set of templates, each set out side by side.

    Parameters
    ----------
    plan : Plan
    """
    sets = list(template_sets(plan))
    stems = unique_stems(file_stem(region, ply) for region, ply, _ in sets)
    notch, look = plan.job.laps.notch_mm, look_of(plan)
    drawn = (draw_templates(f"{region} / {ply}", t, notch_mm=notch, look=look) for region, ply, t in sets)
    return list(zip(stems, drawn))


def lay_drawings(plan: Plan, *, look: Look | None = None) -> list[tuple[str, Drawing]]:
    """Return a file stem and a drawing for every roll that is cut into.

    Parameters
    ----------
    plan : Plan
    look : Look, optional
        As `look_of` has it where left out.
    """
    rolls = [(roll, n) for roll in plan.rolls for n in range(len(roll.lays))]
    stems = unique_stems(file_stem(roll.material, str(n + 1)) for roll, n in rolls)
    notch, look, first = plan.job.laps.notch_mm, look or look_of(plan), plan.job.lay.first
    return [(stem, draw_lay(roll, n, notch_mm=notch, look=look, first=first)) for stem, (roll, n) in zip(stems, rolls)]


def draw_templates(title: str, templates: Sequence[Template], *, notch_mm: float, look: Look = PLAIN) -> Drawing:
    """Set templates out one above the other, with the check square below.

    Parameters
    ----------
    title : str
    templates : sequence of Template
    notch_mm : float
        Size of a match notch.
    look : Look
    """
    laid, top = [], 0.0
    for template in templates:
        x0, y0, _, y1 = template.cut.bounds
        note = f"cut {template.copies}" if template.copies > 1 else ""
        there = moved(template, 0.0, (-x0, top - y0))
        laid.append(_Laid(there, note, _starts(there.cut, (0.0, top))))
        top += y1 - y0 + _SPACE_MM
    return _drawing(title, laid, notch_mm, look, "templates set out side by side")


def _starts(cut: Polygon, near_mm: tuple[float, float]) -> tuple[tuple[float, float], ...]:
    """Where the lines of a piece that lies by itself are begun: its corner nearest to a point, then the nearest of each opening."""
    rings = [np.asarray(ring.coords)[:-1, :2] for ring in (cut.exterior, *cut.interiors)]
    corner = begun_at(rings[0], near_mm)[0]
    begun = [corner, *(begun_at(ring, corner)[0] for ring in rings[1:])]
    return tuple((float(x), float(y)) for x, y in begun)


def draw_lay(
    roll: RollPlan, number: int, *, notch_mm: float, look: Look = PLAIN, first: Sequence[str] = ()
) -> Drawing:
    """Draw the pieces as they lie on a roll, with its flaws and cuts across; x runs from the roll's end, y from its edge.

    Pieces are in the order of cutting, those beyond a fold too, as if the cloth lay open.

    Parameters
    ----------
    roll : RollPlan
    number : int
        Index into ``roll.lays``.
    notch_mm : float
        Size of a match notch.
    look : Look
    first : sequence of str
        Regions that are cut first.

    Raises
    ------
    CheckError
        If a template does not come to lie where the lay says, or has no place in the order of cutting.
    """
    lay = roll.lays[number]
    laid = list(_laid(roll, number, first))
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
    drawn = _drawing(f"{roll.material}, {name}", laid, notch_mm, look, under, frame=cloth)
    return replace(drawn, strokes=(*drawn.strokes, *lines))


def cutting_ranks(roll: RollPlan, first: Sequence[str]) -> list[int]:
    """Return the rank of each part of a roll in the order of cutting: its region's place among those cut first.

    Parameters
    ----------
    roll : RollPlan
    first : sequence of str
    """
    return [first.index(t.region) if t.region in first else len(first) for t in roll.parts]


def _laid(roll: RollPlan, number: int, first: Sequence[str]) -> Iterator[_Laid]:
    """Yield the pieces of a lay in the order of cutting, with where each of their lines is begun."""
    lay = roll.lays[number]
    # A machine has the cloth open before it: what would be cut through a fold is cut by itself.
    starts: dict[int, dict[int, tuple[float, float]]] = {}
    for stroke in cutting_order(replace(lay, folds_mm=()), ranks=cutting_ranks(roll, first)):
        x, y = stroke.points_mm[0]
        starts.setdefault(stroke.place, {})[stroke.ring] = (float(x), float(y))
    if len(starts) != len(lay.places):
        raise CheckError(f"{len(starts)} of {len(lay.places)} pieces have a place in the order of cutting", where=roll.material)
    for k, begun in starts.items():
        place = lay.places[k]
        yield _Laid(placed(roll.parts[place.part], place), copy_note(roll, place), tuple(begun[n] for n in sorted(begun)))


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
    title: str, laid: Sequence[_Laid], notch_mm: float, look: Look, under: str, *, frame: Polygon | None = None
) -> Drawing:
    strokes: list[Stroke] = []
    words: list[Words] = []
    if frame is not None:
        strokes += _rings("ROLL", frame)
        if look.grid_mm is not None:
            _add_grid(strokes, words, frame, look.grid_mm, (0.0, 0.0))
    for one in laid:
        if frame is None and look.grid_mm is not None:
            cut = one.template.cut
            _add_grid(strokes, words, cut, look.grid_mm, cut.bounds[:2])
        lines, text = marks(
            one.template, notch_mm=notch_mm, note=one.note, notch_style=look.notch_style, starts_mm=one.starts_mm
        )
        if look.starts:
            strokes += [Stroke("START", p) for s in lines if s.layer == "CUT" for p in start_mark(s.points_mm)]
        strokes += lines
        words += text
    if look.check:
        _add_check(strokes, words, [one.template.cut for one in laid], (title, "units: mm", under))
    pieces = tuple((one.template.name, one.template.cut) for one in laid)
    return Drawing(title, tuple(strokes), tuple(words), pieces)


def _add_grid(
    strokes: list[Stroke], words: list[Words], shape: Polygon, step_mm: float, zero_mm: Sequence[float]
) -> None:
    lines, numbers = grid_lines(shape, step_mm, zero_mm)
    strokes += [Stroke("GRID", line) for line in lines]
    words += numbers


def _add_check(strokes: list[Stroke], words: list[Words], cuts: Sequence[Polygon], lines: Sequence[str]) -> None:
    """Add the square to measure and the title below everything."""
    low = min([cut.bounds[1] for cut in cuts] + [0.0]) - _SPACE_MM - CHECK_MM
    left = min([cut.bounds[0] for cut in cuts] + [0.0])
    strokes += _rings("CHECK", shapely.box(left, low, left + CHECK_MM, low + CHECK_MM))
    words.append(Words("CHECK", "100 mm", (left + 20.0, low + 45.0), 10.0))
    for row, line in enumerate(lines):
        words.append(Words("TEXT", line, (left + CHECK_MM + 30.0, low + CHECK_MM - 20.0 - 30.0 * row), 15.0))


def marks(
    template: Template, *, notch_mm: float, note: str = "", notch_style: str = "slit",
    starts_mm: Sequence[tuple[float, float]] = (),
) -> tuple[list[Stroke], list[Words]]:  # fmt: skip
    """Return everything that is drawn on one piece; what is cut comes last, openings before the outline.

    Parameters
    ----------
    template : Template
    notch_mm : float
        Length of a match notch.
    note : str
        Added to the label: how many to cut, or which copy this is.
    notch_style : str
        One of `notch.STYLES`.
    starts_mm : sequence of (x, y)
        Where the outline and each opening are begun; as they come where left out.
    """
    strokes = _rings("NET", template.net.simplify(PEN_MM))
    strokes += [ring for lap in template.laps for ring in _rings("LAP", lap.simplify(PEN_MM))]
    strokes += [Stroke("FOLD", np.asarray(line.coords)[:, :2]) for line in template.folds]
    strokes += [Stroke("JOIN", np.asarray(line.coords)[:, :2]) for line in template.joins]
    notches = [_notch(template.cut, n, notch_mm, notch_style) for n in template.notches]
    strokes += _warp(template.warp) + _cross(template) + _threads(template)
    words = [_notch_words(n, notch_mm) for n in template.notches]
    words += _thread_words(template, strokes, words)
    blocks = _blocks(template, strokes, words, note)
    strokes += [Stroke("MARK", line) for block in blocks for line in block.lines_mm]
    strokes += [line for lines in notches for line in lines] + _cuts(template.cut, starts_mm)
    return strokes, words + [w for block in blocks for w in block.words]


def _cuts(cut: Polygon, starts_mm: Sequence[tuple[float, float]]) -> list[Stroke]:
    """The lines to cut of a piece, openings before its outline, each from its start."""
    outline, *openings = _rings("CUT", cut)
    if starts_mm:
        outline, *openings = (replace(s, points_mm=begun_at(s.points_mm, at)) for s, at in zip((outline, *openings), starts_mm, strict=True))
    return [*openings, outline]


def _rings(layer: str, shape: Polygon) -> list[Stroke]:
    rings = [shape.exterior, *shape.interiors]
    return [Stroke(layer, np.asarray(ring.coords)[:-1, :2], closed=True) for ring in rings]


def _notch(cut: Polygon, notch: Notch, size_mm: float, style: str) -> list[Stroke]:
    layer = "MARK" if style == "drawn" else "NOTCH"
    return [Stroke(layer, line) for line in notch_lines(cut, notch, size_mm=size_mm, style=style)]


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

"""Flat pictures: strain maps, templates and the section through the bag."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterable, Iterator, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely
from shapely import LineString, Polygon

from ..cloth.template import Template
from ..export.drawing import WARP_THREAD, WEFT_THREAD, direction_arrows, file_stem, marks
from ..export.label import Words, beside, fitted
from .layout import TALLEST_IN, frame_on, head_in, title_on
from .strain import before_and_after, strain_map
from .style import (
    CAPITAL,
    FAINT,
    INK,
    PAPER,
    SMALL_PT,
    TEXT_PT,
    WIDTH_IN,
    Picture,
    as_png,
    halo,
    new_figure,
    steps,
)

if TYPE_CHECKING:
    from ..planned import Plan, RegionPlan

_PIECES_A_PICTURE = 3
#: Keys of lines side by side at the foot of a page, and the height of a row of them.
_KEYS_A_ROW, _KEY_IN = 5, 0.35
_GRIDS_MM = (500.0, 200.0, 100.0, 50.0, 20.0)
#: How each layer is drawn: width in points, dashes.
_LINES: dict[str, tuple[float, Any]] = {
    "CUT": (2.2, "-"),
    "NET": (1.0, "-"),
    "FOLD": (1.6, (0, (9, 3, 2, 3))),
    "JOIN": (1.6, (0, (5, 3))),
    "NOTCH": (3.2, "-"),
    "WARP": (1.6, "-"),
    "THREAD": (2.2, (0, (1.2, 1.6))),
    "MARK": (1.6, "-"),
}
_NAMES = {"CUT": "cut", "NET": "net", "LAP": "lap", "FOLD": "fold", "JOIN": "join", "NOTCH": "notch", "THREAD": "first threads"}


# -- templates -----------------------------------------------------------------------------------------------------
def template_pictures(
    region: str, ply: str, templates: Sequence[Template], *, notch_mm: float, kind: str = "templates"
) -> Iterator[Picture]:
    """Yield pictures of templates with all marks, a few pieces on each.

    Parameters
    ----------
    region, ply : str
        Names; ``ply`` may be a layer of the bag.
    templates : sequence of Template
    notch_mm : float
    kind : str
        For `Picture.about`.
    """
    groups = [templates[k : k + _PIECES_A_PICTURE] for k in range(0, len(templates), _PIECES_A_PICTURE)]
    for n, group in enumerate(groups):
        more = f" ({n + 1} of {len(groups)})" if len(groups) > 1 else ""
        stem = file_stem(region, ply, "templates", *([str(n + 1)] if more else []))
        sizes = "; ".join(f"piece {t.piece} {_size_words(t)}" for t in group)
        yield Picture(
            stem,
            f"Templates of {ply}{more}, each at its own scale",
            f"Templates of {ply} with cut line, net line, laps, notches, warp and directions: {sizes}.",
            as_png(_template_page(f"{region} {ply}: templates{more}", group, notch_mm)),
            (kind, region, ply),
        )


def _size_words(t: Template) -> str:
    x0, y0, x1, y1 = t.cut.bounds
    return f"{x1 - x0:.0f} mm long, {y1 - y0:.0f} mm wide"


def _template_page(title: str, templates: Sequence[Template], notch_mm: float) -> Any:
    rooms = [_template_room(t) for t in templates]
    words = [_caption(t) for t in templates]
    tops = [0.28 * len(w) + 0.1 for w in words]
    keys = _line_keys(templates)
    rows = math.ceil(len(keys) / _KEYS_A_ROW)
    height = head_in(title) + sum(rooms) + sum(tops) + 0.75 * len(rooms) + _KEY_IN * rows
    figure = new_figure(height)
    at = height - title_on(figure, title)
    for template, room, lines, top in zip(templates, rooms, words, tops):
        figure.text(0.02, at / height, "\n".join(lines), size=TEXT_PT, color=INK, va="top", linespacing=1.3)
        at -= top + room
        ax = figure.add_axes((0.12, at / height, 0.85, room / height))
        _template(ax, template, notch_mm)
        at -= 0.75
    figure.legend(
        handles=keys, loc="lower left", ncols=math.ceil(len(keys) / rows), fontsize=SMALL_PT, frameon=False,
        bbox_to_anchor=(0.0, 0.0), handlelength=2.4, columnspacing=1.2,
    )  # fmt: skip
    return figure


def _template_room(t: Template) -> float:
    """Inches of height a template takes at the page's width."""
    x0, y0, x1, y1 = t.cut.bounds
    return min(TALLEST_IN, max(0.85 * WIDTH_IN * (y1 - y0) / (x1 - x0), 0.5))


def _caption(t: Template) -> list[str]:
    copies = f", cut {t.copies}" if t.copies > 1 else ""
    at = f"warp\N{NO-BREAK SPACE}at\N{NO-BREAK SPACE}{t.angle_deg + 0.0:g}°"
    grid = f"grid\N{NO-BREAK SPACE}of\N{NO-BREAK SPACE}{_grid_mm(t):.0f}\N{NO-BREAK SPACE}mm"
    return textwrap.wrap(f"Piece {t.piece}{copies}: {t.material}, {t.face_up}, {at}; {grid}", 56)


def _grid_mm(t: Template) -> float:
    """Step of the squares that a piece is drawn over by hand: six of them or more along it."""
    x0, y0, x1, y1 = t.cut.bounds
    return next((step for step in _GRIDS_MM if max(x1 - x0, y1 - y0) >= 6 * step), _GRIDS_MM[-1])


def _grid(ax: Any, t: Template) -> None:
    """Squares over a piece, counted from its lower left corner, to draw it on the cloth by."""
    x0, y0, x1, y1 = t.cut.bounds
    step = _grid_mm(t)
    lines = [LineString([(x, y0), (x, y1)]) for x in np.arange(x0 + step, x1, step)]
    lines += [LineString([(x0, y), (x1, y)]) for y in np.arange(y0 + step, y1, step)]
    for part in shapely.get_parts(shapely.intersection(lines, t.cut)):
        if part.geom_type == "LineString":
            ax.plot(*part.xy, color=FAINT, lw=0.6, zorder=0.5)


def _template(ax: Any, t: Template, notch_mm: float) -> None:
    strokes, _ = marks(t, notch_mm=notch_mm)
    _grid(ax, t)
    for lap in t.laps:
        fill_shape(ax, lap, facecolor="#e4e7ea", edgecolor=FAINT, hatch="...", linewidth=0.6)
    for stroke in strokes:
        if stroke.layer not in _LINES or stroke.layer in ("MARK", "NOTCH") or (stroke.layer == "THREAD" and stroke.closed):
            continue
        width, dashes = _LINES[stroke.layer]
        points = np.concatenate([stroke.points_mm, stroke.points_mm[:1]]) if stroke.closed else stroke.points_mm
        ax.plot(points[:, 0], points[:, 1], color=INK, lw=width, ls=dashes, solid_capstyle="butt", clip_on=False)
    x0, y0, x1, y1 = t.cut.bounds
    frame_on(ax, (x0, y0, x1, y1))
    ax.set_anchor("W")
    mm_pt = mm_for_a_point(ax, (x1 - x0, y1 - y0))
    taken = _notches(ax, t, max(notch_mm, 9 * mm_pt), mm_pt)
    taken += _first_threads(ax, t, taken, mm_pt)
    _centre_and_ways(ax, t, taken, mm_pt)
    _dimensions(ax, (x0, y0, x1, y1), mm_pt)


def fill_shape(ax: Any, shape: Polygon, **look: Any) -> None:
    """Draw a shape with its openings left open."""
    from matplotlib.patches import PathPatch
    from matplotlib.path import Path

    rings = [np.asarray(r.coords)[:, :2] for r in (shape.exterior, *shape.interiors)]
    ax.add_patch(PathPatch(Path.make_compound_path(*(Path(r, closed=True) for r in rings)), **look))


def mm_for_a_point(ax: Any, size: tuple[float, float]) -> float:
    """Return how many mm of what is drawn a point of type stands for."""
    box = ax.get_position()
    wide, high = ax.figure.get_size_inches()
    return max(size[0] / (box.width * wide), size[1] / (box.height * high)) / 72.0


def _centre_and_ways(ax: Any, t: Template, taken: list[Any], mm_pt: float) -> None:
    """The centre cross, the word warp, and arrows forward and up, clear of the marks where that can be."""
    if not t.centre.is_empty:
        ax.plot(t.centre.x, t.centre.y, "+", ms=16, mew=1.8, color=INK)
    drawn = [line.buffer(4 * mm_pt) for line in (*t.folds, *t.joins) if not line.is_empty]
    if not t.warp.is_empty and t.warp.length > 90 * mm_pt:
        word = _warp_word(t.warp, [*taken, *drawn], mm_pt)
        x0, y0, x1, _ = word.bounds
        ax.text((x0 + x1) / 2, y0, "warp", size=SMALL_PT, color=INK, ha="center", va="bottom", path_effects=halo())
        drawn.append(word)
    taken = [*taken, *drawn, *([] if t.warp.is_empty else [t.warp.buffer(4 * mm_pt)])]
    arrows = direction_arrows(t)
    if not arrows.words:
        return
    capital = CAPITAL * SMALL_PT * mm_pt
    block = fitted(arrows, t.net, taken, heights_mm=(capital, 0.85 * capital, 0.7 * capital))
    for line in block.lines_mm:
        ax.plot(*line.T, color=INK, lw=1.8)
    for words in block.words:
        x, y = words.box().centroid.coords[0]
        size = words.height_mm / (CAPITAL * mm_pt)
        ax.text(x, y, words.text, size=size, color=INK, ha="center", va="center", path_effects=halo())


def _first_threads(ax: Any, t: Template, taken: list[Any], mm_pt: float) -> list[Any]:
    """The start, and the names of the first threads beside them; return the room they take."""
    lines = [*t.warp_thread, *t.weft_thread]
    room: list[Any] = [line.buffer(4 * mm_pt) for line in lines]
    clear = [*taken, *(line for line in (*lines, *t.folds, *t.joins, t.warp) if not line.is_empty)]
    if not t.start.is_empty:
        ax.plot(t.start.x, t.start.y, "o", ms=10, mfc=PAPER, mec=INK, mew=2.2)
        room.append(t.start.buffer(8 * mm_pt))
        clear.append(room[-1])
    capital = CAPITAL * SMALL_PT * mm_pt
    for runs, text in ((t.warp_thread, WARP_THREAD), (t.weft_thread, WEFT_THREAD)):
        if not runs:
            continue
        longest = max(runs, key=lambda g: g.length)
        heights = (capital, 0.85 * capital, 0.7 * capital)
        words = beside(longest, Words("TEXT", text, (0.0, 0.0), capital), t.net, clear, heights_mm=heights)
        x, y = words.box().centroid.coords[0]
        ax.text(x, y, text, size=words.height_mm / (CAPITAL * mm_pt), color=INK, rotation=words.turn_deg,
                ha="center", va="center", path_effects=halo())  # fmt: skip
        room.append(words.box())
        clear.append(words.box())
    return room


def _warp_word(warp: LineString, taken: list[Any], mm_pt: float) -> Polygon:
    """Room for the word beside the warp line, above or below, where it covers least of what is drawn."""
    places = []
    for share in (0.22, 0.3, 0.38, 0.62, 0.7, 0.78):
        x, y = warp.interpolate(share, normalized=True).coords[0][:2]
        for low in (y + 3 * mm_pt, y - 18 * mm_pt):
            places.append(shapely.box(x - 20 * mm_pt, low, x + 20 * mm_pt, low + 15 * mm_pt))
    return min(places, key=lambda room: sum(room.intersection(q).area for q in taken))


def _notches(ax: Any, t: Template, notch_mm: float, mm_pt: float) -> list[Polygon]:
    """Draw the notches long enough to be seen, name as many as stand clear of each other; return the room they take."""
    boxes: list[Polygon] = []
    width, dashes = _LINES["NOTCH"]
    for notch in t.notches:
        ends = np.asarray(notch.at_mm) + np.outer([0.0, notch_mm], notch.inward)
        ax.plot(*ends.T, color=INK, lw=width, ls=dashes, solid_capstyle="butt")
        wide, high = 7.0 * len(notch.mark) * mm_pt, 13.0 * mm_pt
        way = np.asarray(notch.inward)
        reach = notch_mm + 3 * mm_pt + 0.5 * (abs(way[0]) * wide + abs(way[1]) * high)
        x, y = np.asarray(notch.at_mm) + reach * way
        box = shapely.box(x - wide / 2, y - high / 2, x + wide / 2, y + high / 2)
        if any(box.intersects(other) for other in boxes):
            continue
        boxes.append(box)
        ax.text(x, y, notch.mark, size=SMALL_PT - 1, color=INK, ha="center", va="center", path_effects=halo())
    return boxes


def _dimensions(ax: Any, box: tuple[float, float, float, float], mm_pt: float) -> None:
    """Overall length below and width to the left, in mm."""
    x0, y0, x1, y1 = box
    off, look = 13 * mm_pt, {"arrowstyle": "<|-|>", "color": INK, "lw": 1.1, "shrinkA": 0, "shrinkB": 0}
    for a, b in (((x0, y0 - off), (x1, y0 - off)), ((x0 - off, y0), (x0 - off, y1))):
        ax.annotate("", a, b, arrowprops=look, annotation_clip=False)
    middle = ((x0 + x1) / 2, (y0 + y1) / 2)
    ax.text(middle[0], y0 - 2 * off, f"{x1 - x0:.0f} mm", size=TEXT_PT, color=INK, ha="center", va="top", clip_on=False)
    turned = (y1 - y0) > 60 * mm_pt
    ax.text(
        x0 - 1.4 * off, middle[1], f"{y1 - y0:.0f} mm" if turned else f"{y1 - y0:.0f}", size=TEXT_PT, color=INK,
        rotation=90 if turned else 0, ha="right", va="center", clip_on=False,
    )  # fmt: skip


def _line_keys(templates: Sequence[Template]) -> list[Any]:
    """What the lines mean, for the foot of a figure."""
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    there = {"CUT", "NET"}
    for t in templates:
        lines = (("LAP", t.laps), ("FOLD", t.folds), ("JOIN", t.joins), ("NOTCH", t.notches))
        there |= {n for n, v in (*lines, ("THREAD", t.warp_thread or t.weft_thread)) if v}
    keys: list[Any] = []
    for layer, name in _NAMES.items():
        if layer == "LAP" and layer in there:
            keys.append(Patch(facecolor="#e4e7ea", edgecolor=FAINT, hatch="...", label=name))
        elif layer in there:
            width, dashes = _LINES[layer]
            keys.append(Line2D([], [], color=INK, lw=width, ls=dashes, label=name))
    return keys


# -- the bag in section --------------------------------------------------------------------------------------------
def bag_section(region: RegionPlan) -> Picture:
    """Return a section through the edge of the bag: order of the layers and how far each one reaches, not to scale.

    Parameters
    ----------
    region : RegionPlan
    """
    title = f"{region.name}: bag stack in section"
    largest = max((ply.grow_mm for ply in region.plies), default=0.0)
    strips = [(ply.name, f"{ply.name}  {ply.cloth}", ply.grow_mm - largest) for ply in region.plies]
    strips += [(layer.kind, f"{layer.kind}: {layer.material}", layer.margin_mm) for layer in region.layers]
    rows = [s for s in strips if s[0] != "sealant tape"]
    tape = next((s for s in strips if s[0] == "sealant tape"), None)
    height = head_in(title) + 0.5 * (len(rows) + 1) + 0.4 * len(rows) + 1.2
    figure = new_figure(height)
    title_on(figure, title)
    ax = figure.add_axes((0.02, 0.02, 0.96, 1 - (head_in(title) + 0.1) / height))
    _section(ax, rows, tape, len(region.plies))
    told = ", ".join(f"{name} {margin:+.0f} mm" for _, name, margin in strips)
    return Picture(
        file_stem(region.name, "bag-section"),
        f"Bag stack of {region.name} in section, not to scale",
        f"Layers from the hull up, with their edge from the edge of the largest ply: {told}.",
        as_png(figure),
        ("bag section", region.name),
    )


def _section(
    ax: Any, rows: Sequence[tuple[str, str, float]], tape: tuple[str, str, float] | None, plies: int
) -> None:
    """Strips one over the other, the widest last; each edge's distance on a line of its own below the hull."""
    far = max([m for _, _, m in rows] + ([tape[2]] if tape else []))
    low = min(m for _, _, m in rows)
    left, right = low - 1.9 * (far - low) - 10, far + 0.16 * (far - low) + 5
    shades = steps(len(rows) + 1)[1:]
    ax.add_patch(_rectangle((left, -0.8), right - left, 0.7, facecolor="#d5dade", edgecolor=INK, hatch="//"))
    _said(ax, left, right, -0.45, "hull")
    for k, (_, words, edge) in enumerate(rows):
        ax.add_patch(_rectangle((left, k), edge - left, 0.86, facecolor=_pale(shades[k]), edgecolor=INK, lw=1.2))
        _said(ax, left, right, k + 0.43, words)
    if tape is not None:
        top = len(rows) - 1
        ax.add_patch(_rectangle((tape[2], -0.08), 0.05 * (far - low), top + 0.06, facecolor=INK, edgecolor=INK))
    _margins(ax, rows, tape, plies, right)
    marked = len(_edges(rows, tape))
    ax.set_xlim(left, right)
    ax.set_ylim(-1.5 - 0.8 * marked, len(rows) + 0.1)
    ax.axis("off")


def _rectangle(at: tuple[float, float], wide: float, high: float, **look: Any) -> Any:
    from matplotlib.patches import Rectangle

    return Rectangle(at, wide, high, **look)


def _pale(colour: str) -> str:
    from matplotlib.colors import to_hex, to_rgb

    r, g, b = (0.45 * c + 0.55 for c in to_rgb(colour))
    return to_hex((r, g, b))


def _said(ax: Any, left: float, right: float, y: float, words: str) -> None:
    ax.text(left + 0.015 * (right - left), y, words, size=TEXT_PT, color=INK, va="center", path_effects=halo())


def _edges(rows: Iterable[tuple[str, str, float]], tape: tuple[str, str, float] | None) -> list[tuple[str, float]]:
    """Names of what ends at each distance, nearest first."""
    at: dict[float, list[str]] = {}
    for short, _, edge in [*rows, *([tape] if tape else [])]:
        at.setdefault(round(edge, 3), []).append(short)
    return [(", ".join(names), edge) for edge, names in sorted(at.items())]


def _margins(
    ax: Any, rows: Sequence[tuple[str, str, float]], tape: tuple[str, str, float] | None, plies: int, right: float
) -> None:
    """Dimension lines from the edge of the largest ply."""
    tops = {short: k for k, (short, _, _) in enumerate(rows)}
    for n, (names, edge) in enumerate(_edges(rows, tape)):
        y = -1.5 - 0.8 * n
        top = max(tops.get(name, 0) for name in names.split(", "))
        ax.plot([edge, edge], [top, y - 0.15], color=INK, lw=0.8, ls=(0, (2, 2)), zorder=0.5)
        if edge != 0:
            look = {"arrowstyle": "<|-|>", "color": INK, "lw": 1.1, "shrinkA": 0, "shrinkB": 0}
            ax.annotate("", (0, y), (edge, y), arrowprops=look)
        words = f"{names}: {edge:+.0f} mm" if edge != 0 else f"{names}: edge of the largest ply"
        at = min(edge, 0) - 0.02 * (right - min(edge, 0))
        ax.text(at, y, words, size=SMALL_PT, color=INK, ha="right", va="center")


def plan_flat_pictures(plan: Plan, region: RegionPlan) -> Iterator[Picture]:
    """Yield the flat pictures of a region, in order of working.

    Parameters
    ----------
    plan : Plan
    region : RegionPlan
    """
    notch = plan.job.laps.notch_mm
    for ply in region.plies:
        if any(patch.uncut is not None for patch in ply.patches):
            yield before_and_after(region, ply)
        if ply.pieces and not ply.by_threads:
            yield strain_map(region, ply)
        yield from template_pictures(region.name, ply.name, ply.templates, notch_mm=notch)
    if region.layers:
        yield bag_section(region)
    for layer in region.layers:
        yield from template_pictures(
            region.name, layer.kind, layer.templates, notch_mm=notch, kind="bag templates"
        )


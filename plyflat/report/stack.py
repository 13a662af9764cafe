"""How a bag is put together, on paper: the stack drawn apart, its lines on the hull, and the tables beside them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from ..bag.stack import TAPE_WIDTH_MM
from ..export.drawing import file_stem
from ..surface.mesh import Floats
from .bag import _numbers, beside_px
from .hull import Stage, _directions, _page
from .layout import clear_side, head_in, title_on
from .scene import View, lifted
from .style import FAINT, HULL, INK, SMALL_PT, TEXT_PT, TINT, Picture, as_png, halo, new_figure, steps
from .words import in_pouch, on_hull

if TYPE_CHECKING:
    from ..planned import LayerPlan, RegionPlan, StackPlan, WayCost

_LEFT = 0.62
_ROW_IN, _FOOT_IN, _KEY_IN = 0.52, 0.75, 1.3
_MARK_PX, _LABEL_PX = 9.0, 70.0
#: Rows of the stack drawn apart that have no edge of their own to tell.
_ALL_ROUND = ("hull", "pouch above", "pouch below")
#: What must be seen keeps within this share of a picture's half.
_SHOWN = 0.9


class Block(NamedTuple):
    """A table of the sheet: caption, column heads (a trailing # for numbers) and rows."""

    caption: str
    head: tuple[str, ...]
    rows: list[tuple[str, ...]]


def stack_words(region: RegionPlan) -> list[str]:
    """Sentences about a bag's stack for the sheet.

    Parameters
    ----------
    region : RegionPlan
    """
    stack = region.stack
    if stack is None:
        return []
    source = "stated by the job" if stack.radius_stated else "its tension at its yield over the pressure; yield from memory unless stated"
    words = [
        f"Inside corners tighter than {stack.radius_mm:.0f} mm are listed: even the film alone bridges them, for that is the radius it draws to "
        f"({source}). A layer under it that runs through in one piece stays farther off, as the table of layers tells."
    ]
    if stack.mask is not None:
        m = stack.mask
        words.append(
            f"Masking from the tape's outer edge: {m.width_mm:.0f} mm wide, {m.length_mm / 1000:.2f} m long along its middle, {m.area_mm2 / 1e6:.3f} m²."
        )
    film = next((layer.film for layer in region.layers if layer.film is not None), None)
    if film is not None and film.joins:
        off = "all off the laminate" if film.over_mm == 0 else f"{film.over_mm / 1000:.2f} m of it over the laminate"
        words.append(
            f"The film of {film.length_mm:.0f} by {film.width_mm:.0f} mm is made up from {len(film.edges_mm)} strips "
            f"{'along' if film.along else 'across'} it, overlapped by {film.overlap_mm:.0f} mm: {film.tape_mm / 1000:.2f} m of taped join, {off}."
        )
    return words


def stack_blocks(region: RegionPlan) -> list[Block]:
    """Tables about a bag's stack for the sheet.

    Parameters
    ----------
    region : RegionPlan
    """
    stack = region.stack
    if stack is None:
        return []
    blocks, film = [], next((layer.joined for layer in region.layers if layer.joined is not None), None)
    if stack.tight:
        blocks.append(
            Block(
                "Inside corners that a taut layer bridges",
                ("corner", "length, m#", "hull bends to, mm#", "turn#", "layer", "over it, m#", "goes through it", "cut along, m#"),
                [row for line in stack.tight for row in _corner_rows(region, stack, line)],
            )
        )
    if stack.costs:
        blocks.append(
            Block(
                "Ways to cut the bag film, the one that is used on top; ports, overlaps and spare left out",
                ("way", "how", "pieces#", "film, m²#", "of it or beside it lost, m²#", "tape, m#", "cost#", "takes least"),
                [_cost_row(q) for q in stack.costs],
            )
        )
    if film is not None:
        blocks.append(Block("Seams of the bag film, in the order they are closed", ("seam", "length, m#"), [(q.what, f"{q.length_mm / 1000:.2f}") for q in film.seams]))
    blocks.append(Block("Sealant tape", ("what", "length, m#"), _tape_rows(stack)))
    if not stack.ports:
        return blocks
    blocks.append(
        Block(
            "Ports",
            ("port", "at, mm", "tape mark, m#", "lead from laminate, mm#", "tape led out by, mm#", "from a pleat, mm#", "from an inside corner, mm#",
             "to the other, mm#", "not kept"),
            [_port_row(stack, k) for k in range(len(stack.ports))],
        )
    )  # fmt: skip
    return blocks


def _cost_row(q: WayCost) -> tuple[str, ...]:
    name = "pouch" if q.name == "envelope" else q.name
    if not q.pieces:
        return name, q.what, "", "", "", "", "", ""
    cost = "" if q.cost is None else f"{q.cost:.2f}"
    return (
        name, q.what, str(q.pieces), f"{q.film_mm2 / 1e6:.2f}", f"{q.waste_mm2 / 1e6:.2f}", f"{q.tape_mm / 1000:.2f}", cost,
        "yes" if q.least else "",
    )  # fmt: skip


def _corner_rows(region: RegionPlan, stack: StackPlan, line: Any) -> Iterator[tuple[str, ...]]:
    own = [c for c in stack.crossings if c.line == line.name]
    ways = {"through": "in one piece", "slit": "cut, edge to edge", "lap": "cut and lapped"}
    first = (line.name, f"{line.length_mm / 1000:.2f}", f"{line.radius_mm:.0f}", f"{line.turn_deg:.0f}°")
    if not own:
        yield (*first, "none", "", "", "")
    for k, c in enumerate(own):
        way = ways[c.way] + (f" by {c.lap_mm:.0f} mm" if c.lap_mm > 0 else "")
        yield (*(first if k == 0 else ("",) * 4), c.layer, f"{c.length_mm / 1000:.2f}", way, f"{c.cut_mm / 1000:.2f}")


def _tape_rows(stack: StackPlan) -> list[tuple[str, ...]]:
    t = stack.tape
    rows = [(f"loop {k}, corners followed", mm) for k, mm in enumerate(t.loops_mm, 1)]
    rows += [
        (f"pressed in once more at {t.corners} inside corner{'s' * (t.corners != 1)}", t.corners_mm), ("both sides of the pleats", t.pleats_mm),
        ("round the ports", t.tongues_mm), ("joins and seams of the film", t.film_joins_mm), ("overlaps", t.overlaps_mm), ("spare", t.spare_mm),
    ]  # fmt: skip
    told = [(what, f"{mm / 1000:.2f}") for what, mm in rows if mm > 0]
    return [*told, (f"in all, off {t.rolls} roll{'s' * (t.rolls != 1)}", f"{t.total_mm / 1000:.2f}")]


def _port_row(stack: StackPlan, k: int) -> tuple[str, ...]:
    p = stack.ports[k]
    x, y, z = p.place_mm
    mark = f"{p.at_m:.2f}" + (f", loop {p.loop + 1}" if len(stack.tape_mm) > 1 else "")

    def far(value: float | None) -> str:
        return "" if value is None else f"{value:.0f}"

    name = ("vacuum" if p.name == "vacuum" else "gauge") + (", yours" if p.stated else "")
    return (
        name, f"{x:.0f}, {y:.0f}, {z:.0f}", mark, f"{p.way_mm:.0f}", f"{p.tongue_mm:.0f}", far(p.pleat_mm), far(p.corner_mm),
        f"{p.other_mm:.0f}", "; ".join(p.faults),
    )  # fmt: skip


# -- pictures -------------------------------------------------------------------------------------------------------------


def stack_pictures(stage: Stage) -> Iterator[Picture]:
    """Yield the pictures of how a region's bag is put together.

    Parameters
    ----------
    stage : Stage
    """
    if stage.region.stack is not None:
        yield apart_picture(stage.region, stage.region.stack)
        yield lines_picture(stage, stage.region.stack)


def apart_picture(region: RegionPlan, stack: StackPlan) -> Picture:
    """Return the stack drawn apart at the bag's edge, distances from the laminate's edge to scale.

    Parameters
    ----------
    region : RegionPlan
    stack : StackPlan
    """
    title = f"{region.name}: the bag's stack drawn apart, widths to scale"
    rows = _rows(region, stack)
    head = head_in(title)
    height = head + _ROW_IN * len(rows) + _FOOT_IN
    figure = new_figure(height)
    title_on(figure, title)
    ax = figure.add_axes((0.01, _FOOT_IN / height, 0.98, 1 - (head + _FOOT_IN) / height))
    far = max(end for _, _, end, _ in rows)
    # A part of the laminate is drawn, as wide as what lies beyond its edge needs room for names.
    inner = -_LEFT / (1 - _LEFT) * far
    shades = steps(len(rows) + 1)
    for k, (name, start, end, words) in enumerate(rows):
        left = inner if start is None else start
        ax.add_patch(_bar(left, k + 0.18, end - left, 0.58, name, shades[k]))
        ax.text(inner + 0.01 * far, k + 0.47, words, size=TEXT_PT - 1, color=INK, va="center", path_effects=halo(), zorder=5)
        if name not in _ALL_ROUND:
            off = f"{end:+.0f}" if end else "0"
            ax.text(end + 0.015 * far, k + 0.47, off, size=SMALL_PT, color=INK, va="center", path_effects=halo(), zorder=5)
    ax.plot([0, 0], [0, len(rows)], color=INK, lw=1.0, ls=(0, (3, 2)), zorder=4)
    ax.set_xlim(inner, 1.22 * far)
    ax.set_ylim(0, len(rows))
    ax.set_yticks([])
    for side in ("left", "right", "top"):
        ax.spines[side].set_visible(False)
    ax.set_xticks([t for t in ax.get_xticks() if -1e-9 <= t <= far])
    ax.tick_params(labelsize=SMALL_PT, colors=INK)
    ax.set_xlabel("mm from the edge of the largest ply, along the hull", size=SMALL_PT, color=INK, loc="right")
    told = ", ".join(f"{name} {end:+.0f} mm" for name, _, end, _ in rows if name not in _ALL_ROUND)
    return Picture(
        file_stem(region.name, "bag-stack"), title,
        f"Layers of the bag one above the other, from the hull up, each to its distance from the edge of the largest ply: {told}.",
        as_png(figure), ("bag stack", region.name),
    )  # fmt: skip


def _rows(region: RegionPlan, stack: StackPlan) -> list[tuple[str, float | None, float, str]]:
    """From the hull up: name, where it starts (None: within the laminate), where it ends, words."""
    if in_pouch(region):
        return _pouch_rows(region)
    tape = next((layer.margin_mm for layer in region.layers if layer.kind == "sealant tape"), 0.0)
    outer = max([layer.margin_mm for layer in region.layers] + [tape + p.tongue_mm for p in stack.ports] + [tape])
    rows: list[tuple[str, float | None, float, str]] = [("hull", None, outer, "hull")]
    if stack.mask is not None:
        rows.append(("masking", tape + TAPE_WIDTH_MM, tape + TAPE_WIDTH_MM + stack.mask.width_mm, "masking"))
    rows.append(("sealant tape", tape, tape + TAPE_WIDTH_MM, "sealant tape"))
    largest = max((ply.grow_mm for ply in region.plies), default=0.0)
    rows += [(ply.name, None, ply.grow_mm - largest, f"{ply.name} {ply.cloth}") for ply in region.plies]
    for layer in region.layers:
        if layer.kind not in ("sealant tape", "bag film"):
            rows.append((layer.kind, None, layer.margin_mm, _layer_words(layer)))
    lead = max((p.way_mm for p in stack.ports), default=0.0)
    breather = next((layer.margin_mm for layer in region.layers if layer.kind == "breather"), 0.0)
    if lead > breather:
        rows.append(("lead", breather, lead, "lead of breather to each port"))
    if stack.ports:
        rows.append(("port", lead - stack.base_mm / 2, lead + stack.base_mm / 2, "port on the lead's end"))
    for layer in region.layers:
        if layer.kind == "bag film":
            rows.append((layer.kind, None, layer.margin_mm, _layer_words(layer)))
    return rows


def _pouch_rows(region: RegionPlan) -> list[tuple[str, float | None, float, str]]:
    """The same in a pouch: no tape on the part, and film all round it."""
    sheets = on_hull(region)
    outer = 1.3 * max([layer.margin_mm for layer in sheets] + [1.0])
    largest = max((ply.grow_mm for ply in region.plies), default=0.0)
    return [
        ("pouch below", None, outer, "bag film, its other side"),
        ("hull", None, outer, "part"),
        *((ply.name, None, ply.grow_mm - largest, f"{ply.name} {ply.cloth}") for ply in region.plies),
        *((layer.kind, None, layer.margin_mm, _layer_words(layer)) for layer in sheets),
        ("pouch above", None, outer, "bag film, a pouch round the part"),
    ]


def _layer_words(layer: LayerPlan) -> str:
    how = {"through": "", "slit": ", slit at corners", "lap": ", lapped at corners"}[layer.corner]
    return f"{layer.kind}{how}"


def _bar(x: float, y: float, wide: float, high: float, name: str, shade: str) -> Any:
    from matplotlib.colors import to_hex, to_rgb
    from matplotlib.patches import Rectangle

    if name == "hull":
        return Rectangle((x, y), wide, high, facecolor=HULL, edgecolor=INK, hatch="//", lw=1.0)
    if name in ("sealant tape", "port"):
        return Rectangle((x, y), wide, high, facecolor=INK, edgecolor=INK, lw=1.0)
    red, green, blue = (0.5 * c + 0.5 for c in to_rgb(shade))
    pale = to_hex((red, green, blue))
    return Rectangle((x, y), wide, high, facecolor=pale, edgecolor=INK, lw=1.2, hatch="xx" if name == "masking" else None)


def lines_picture(stage: Stage, stack: StackPlan) -> Picture:
    """Return the edges of every layer on the hull, the tape with its metre marks, corners, pleats and ports.

    Parameters
    ----------
    stage : Stage
    stack : StackPlan
    """
    region = stage.region
    stage.scene.clear()
    stage.scene.add(stage.whole)
    stage.scene.add(lifted(stage.base, stage.lift_mm), colour=TINT)
    layers = [layer for layer in on_hull(region) if layer.region is not None and layer.kind != "sealant tape"]
    for layer, shade in zip(layers, steps(len(layers) + 1)[1:]):
        for loop in stage.edge(layer.region) if layer.region is not None else ():
            stage.scene.line(loop, colour=shade, width=2.5, closed=True)
    if stack.mask_region is not None:
        for loop in stage.edge(stack.mask_region):
            stage.scene.line(loop, colour=FAINT, width=1.5, closed=True)
    tapes = [_over(stage, loop) for loop in stack.tape_mm]
    for tape in tapes:
        stage.scene.line(tape, colour=INK, width=8.0, closed=True)
    for line in stack.tight:
        stage.scene.line(_over(stage, line.points_mm), colour="white", width=6.0)
        stage.scene.line(_over(stage, line.points_mm, 1.5), colour=INK, width=2.5)
    far = [port.place_mm for port in stack.ports]
    shots = [stage.scene.shoot(_wide_enough(view, far), stage.reach_mm) for view in stage.views]
    title = f"{region.name}: the bag's lines on the hull"
    figure, axes = _page(title, shots, stage.height_in, foot_in=_KEY_IN)
    for ax, shot in zip(axes, shots):
        _marks(ax, shot, stage, stack, tapes)
        _directions(ax, shot, stage)
    _key(figure, stage, layers)
    return Picture(
        file_stem(region.name, "bag-lines"), title, _told_lines(region, stack),
        as_png(figure), ("bag lines", region.name),
    )  # fmt: skip


def _wide_enough(view: View, places: Sequence[Sequence[float]]) -> View:
    """The view from as far off as shows some places too."""
    off = np.asarray(places, dtype=float).reshape(-1, 3) - view.centre_mm
    wide = np.abs(off @ view.right).max(initial=0.0) / (_SHOWN * view.half_width_mm)
    high = np.abs(off @ view.up).max(initial=0.0) / (_SHOWN * view.half_height_mm)
    times = max(wide, high, 1.0)
    return replace(view, half_width_mm=times * view.half_width_mm, half_height_mm=times * view.half_height_mm)


def _over(stage: Stage, points: Floats, times: float = 1.0) -> Floats:
    """Points lifted off the hull far enough to be seen."""
    hull = stage.region.base.parent
    near = hull.locate(points)
    # In a corner the mean of both walls' normals leads out of it; that of one wall runs along the other.
    way = (near.weights[:, :, None] * hull.vertex_normals[hull.faces[near.face]]).sum(axis=1)
    return np.asarray(near.points_mm + 2.5 * times * stage.lift_mm * way / np.maximum(np.linalg.norm(way, axis=1), 1e-9)[:, None])


def _told_lines(region: RegionPlan, stack: StackPlan) -> str:
    if in_pouch(region):
        return "The part with the edges of the layers within its pouch; no tape is laid on it."
    ports = "; ".join(f"{p.name} at {p.at_m:.2f} m" for p in stack.ports)
    return (
        f"The hull with the edges of the bag's layers, the tape with its metre marks, {len(stack.tape_corners_m)} inside corners on it, "
        f"{len(region.reach.pleats) if region.reach else 0} pleats, and the ports: {ports}."
    )


def _marks(ax: Any, shot: Any, stage: Stage, stack: StackPlan, tapes: Sequence[Floats]) -> None:
    """Metre marks, corners, pleats and ports where they are seen."""
    pleats = stage.region.reach.pleats if stage.region.reach else ()
    places = [(str(p.number), _over(stage, np.array([p.place_mm]))[0]) for p in pleats]
    ports = [(port.name, _over(stage, np.array([port.place_mm]), 2.0)[0]) for port in stack.ports]
    badges = shot.pixels(np.array([q for _, q in ports])) if ports else np.empty((0, 2))
    _numbers(ax, shot, stage, places, beside=True, keep_off=badges)
    busy = [badges]
    busy += [beside_px(shot, np.array([q for _, q in places]), badges), shot.pixels(np.array([q for _, q in places]))] if places else []
    told: list[Floats] = []
    for k, (tape, line) in enumerate(zip(tapes, stack.tape_mm), 1):
        length, s = _lengths(line)
        step = 0.5 if length < 4000 else 1.0
        for metre in np.arange(0.0, length / 1000 - 0.3 * step, step):
            p = _at(tape, s, 1000 * metre)
            here = shot.pixels(p[None])[0]
            free = all(np.hypot(*(here - q)) > _LABEL_PX for q in told)
            words = (f"{k}: " if len(tapes) > 1 else "") + f"{metre:g} m"
            sides = np.array([[0.0, here[1]], [shot.image.shape[1], here[1]]])
            side = clear_side(here, np.concatenate([*busy, sides, np.array(told).reshape(-1, 2)]))
            _spot(ax, shot, stage, p, words if free else "", "o", 5.0, "white", side=side)
            told += [here] if free else []
    for k, metre in stack.tape_corners_m:
        _, s = _lengths(stack.tape_mm[k])
        _spot(ax, shot, stage, _at(tapes[k], s, 1000 * metre), "", "D", 10.0, "white")
    for name, p in ports:
        _badge(ax, shot, stage, p, "V" if name == "vacuum" else "G", "square")
    for corner in stack.tight:
        _spot(ax, shot, stage, _over(stage, np.array([corner.middle_mm]), 2.0)[0], corner.name, "s", 0.1, INK)


def _lengths(line: Floats) -> tuple[float, Floats]:
    closed = np.concatenate([line, line[:1]])
    s = np.r_[0.0, np.cumsum(np.linalg.norm(np.diff(closed, axis=0), axis=1))]
    return float(s[-1]), s


def _at(line: Floats, s: Floats, at: float) -> Floats:
    closed = np.concatenate([line, line[:1]])
    return np.array([np.interp(at, s, closed[:, k]) for k in range(3)])


def _spot(ax: Any, shot: Any, stage: Stage, p: Floats, words: str, marker: str, size: float, fill: str, *, side: tuple[int, int] = (1, -1)) -> None:
    if not shot.seen(p[None], slack_mm=8 * stage.lift_mm)[0]:
        return
    x, y = shot.pixels(p[None])[0]
    ax.plot(x, y, marker, ms=size, mfc=fill, mec=INK, mew=1.6, zorder=30)
    if words:
        right, down = side
        ax.annotate(
            words, (x, y), (right * _MARK_PX, -down * _MARK_PX), textcoords="offset points", size=SMALL_PT - 1, color=INK,
            ha="left" if right > 0 else "right", va="top" if down > 0 else "bottom", path_effects=halo(), zorder=31,
        )  # fmt: skip


def _badge(ax: Any, shot: Any, stage: Stage, p: Floats, words: str, shape: str) -> None:
    if not shot.seen(p[None], slack_mm=12 * stage.lift_mm)[0]:
        return
    x, y = shot.pixels(p[None])[0]
    ax.text(
        x, y, words, size=SMALL_PT, color="white", weight="bold", ha="center", va="center", zorder=40,
        bbox={"boxstyle": f"{shape},pad=0.25", "fc": INK, "ec": "white", "lw": 1.4},
    )  # fmt: skip


def _named(stack: StackPlan) -> str:
    """The first and the last tight corner's name."""
    names = [q.name for q in stack.tight]
    return names[0] if len(names) == 1 else f"{names[0]} to {names[-1]}" if len(names) > 2 else " and ".join(names)


def _key(figure: Any, stage: Stage, layers: Sequence[LayerPlan]) -> None:
    from matplotlib.lines import Line2D

    stack = stage.region.stack
    shades = steps(len(layers) + 1)[1:]
    handles: list[Any] = [Line2D([], [], color=s, lw=2.5, label=layer.kind) for layer, s in zip(layers, shades)]
    if not in_pouch(stage.region):
        handles.append(Line2D([], [], color=INK, lw=6, label="sealant tape, m from 0" if stack is None or len(stack.tape_mm) < 2 else "sealant tape, loop: m from 0"))
    if stack is not None and stack.mask_region is not None:
        handles.append(Line2D([], [], color=FAINT, lw=1.5, label="masking's edge"))
    if stack is not None and stack.tape_corners_m:
        handles.append(Line2D([], [], ls="", marker="D", ms=9, mfc="white", mec=INK, mew=1.6, label="tape in a corner"))
    if stage.region.reach is not None and stage.region.reach.pleats:
        handles.append(Line2D([], [], ls="", marker="o", ms=11, color=INK, label="pleat"))
    if stack is not None and stack.ports:
        handles.append(Line2D([], [], ls="", marker="s", ms=11, color=INK, label="V vacuum, G gauge"))
    if stack is not None and stack.tight:
        handles.append(Line2D([], [], color=INK, lw=2.5, label=f"{_named(stack)}: tight corner{'s' * (len(stack.tight) > 1)}"))
    figure.legend(
        handles=handles, loc="lower left", ncols=3, fontsize=SMALL_PT - 1.5, frameon=False, bbox_to_anchor=(0.0, 0.0), handlelength=1.6,
        columnspacing=1.0, labelcolor=INK,
    )  # fmt: skip

"""Pictures and words of a ply that is laid by its threads: its net, its shear, its template, what else was tried."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from shapely import LineString, Point

from ..cloth._outline import net_outline
from ..cloth.marks import first_threads
from ..cloth.pieces import piece_name
from ..export.drawing import WARP_THREAD, WEFT_THREAD, file_stem
from ..export.fibres import fibres_of
from ..export.threads import every_which, thread_runs
from ..units import say_percent as percent
from .hull import LEGEND_IN, Edge, Stage, _directions, _leaders, _page, hatch
from .scene import Shot, lifted
from .style import (
    INK,
    MAP,
    PAPER,
    SMALL_PT,
    TEXT_PT,
    TINT,
    WIDTH_IN,
    Picture,
    as_png,
    halo,
    new_figure,
    steps,
)

if TYPE_CHECKING:
    from ..cloth.drape import Drape
    from ..cloth.draped import Draped
    from ..planned import Piece3D, PlyPlan, RegionPlan
    from ..surface.mesh import Floats, Surface

#: What could not be read off a net is told where it is more of a piece than this share.
CARRIED_SHARE = 1e-3
#: Room for the key of the threads.
_FOOT_IN = 1.45
#: Shear scales end at one of these; locking stands on the scale where the shear comes near it.
ROUND_DEG, NEAR = (2.0, 5.0, 10.0, 15.0, 20.0, 25.0, 30.0, 35.0, 40.0, 45.0, 60.0, 75.0, 90.0), 0.6
_TALLEST_IN, _LEAST_IN = 5.2, 1.6
#: Steps between the points that are told of a bent first thread, and how many steps there are at most.
_STATIONS_MM, _MOST_STATIONS = (25.0, 50.0, 100.0, 200.0, 250.0, 500.0, 1000.0, 2000.0), 10
#: Arrows of fibres stand about so many pixels apart, none nearer than a share of that, and none where the surface is seen more edge-on than this.
_ARROW_PX, _EDGE_ON, _APART = 84.0, 0.35, 0.8


def drape_pictures(stage: Stage, ply: PlyPlan) -> Iterator[Picture]:
    """Yield the pictures of what is laid by its threads in a ply, on the hull and flat.

    Parameters
    ----------
    stage : Stage
    ply : PlyPlan
    """
    laid = ply.draped
    draped = [d for _, d in laid]
    plain = [ply.layings[k].plain for k, _ in laid]
    name = f"{stage.region.name} {ply.name}"
    top = _top([d.drape for d in draped] + [p for p in plain if p is not None])
    yield _net_picture(stage, ply, draped)
    yield _fibre_picture(stage, ply, [d.drape for d in draped])
    yield _shear_picture(stage, ply, [d.drape for d in draped], top, f"{name}: shear on the hull", "shear-hull")
    if any(p is not None for p in plain):
        before = [d.drape if p is None else p for d, p in zip(draped, plain)]
        title = f"{name}: shear if the first two threads were left straight"
        yield _shear_picture(stage, ply, before, top, title, "shear-hull-straight")
    for k, d in laid:
        yield _template_picture(stage.region, ply, k, d, ply.pieces[k], top)


# -- on the hull -----------------------------------------------------------------------------------------------------
def _net_picture(stage: Stage, ply: PlyPlan, draped: Sequence[Draped]) -> Picture:
    dark, light = steps(2)
    stage.scene.clear()
    stage.scene.add(stage.whole)
    firsts: tuple[list[Floats], list[Floats]] = ([], [])
    for d in draped:
        stage.scene.add(lifted(d.drape.surface, stage.lift_mm), colour=TINT)
        for axis, shade in ((0, dark), (1, light)):
            for first, run in _threads(d.drape, axis, stage.lift_mm):
                stage.scene.line(run, colour=shade, width=8.0 if first else 2.5)
                firsts[axis].extend([run] if first else [])
        _outline(stage, d.drape.surface)
    edges = [
        Edge(f"first\n{word}", tuple(runs), shade, closed=False)
        for word, runs, shade in ((WARP_THREAD, firsts[0], dark), (WEFT_THREAD, firsts[1], light)) if runs
    ]  # fmt: skip
    shots = stage.shoot()
    figure, axes = _page(f"{stage.region.name} {ply.name}: threads on the hull", shots, stage.height_in, foot_in=_FOOT_IN)
    for ax, shot in zip(axes, shots):
        _leaders(ax, shot, edges, stage)
        for d in draped:
            (x, y), = shot.pixels(d.drape.start_mm)
            if shot.seen(d.drape.start_mm[None], slack_mm=6 * stage.lift_mm)[0]:
                ax.plot(x, y, "o", ms=11, mfc=PAPER, mec=INK, mew=2.4)
        _directions(ax, shot, stage)
    _thread_key(figure, dark, light, [every_which(d.drape) * d.drape.net.spacing_mm for d in draped])
    starts = "; ".join("({:.0f}, {:.0f}, {:.0f}) mm".format(*(np.round(d.drape.start_mm) + 0.0)) for d in draped)
    return Picture(
        file_stem(stage.region.name, ply.name, "threads"),
        f"Threads of {ply.name} on the hull",
        f"Some warp and weft threads of {ply.name} as they lie on the hull, put down first at {starts}; the two first "
        "threads through there are drawn thick.",
        as_png(figure),
        ("threads", stage.region.name, ply.name),
    )


def _outline(stage: Stage, piece: Surface) -> None:
    for loop in piece.boundary_loops:
        stage.scene.line(lifted(piece, 1.5 * stage.lift_mm).vertices_mm[loop], colour=INK, width=2.5, closed=True)


def _threads(drape: Drape, axis: int, lift_mm: float) -> Iterator[tuple[bool, Floats]]:
    """Yield whether it is the first one, and the points (k, 3) of each run of a drawn thread on the piece, mm."""
    for run in thread_runs(drape, axis):
        yield run.first, run.points_mm + 2 * lift_mm * run.normals


def _thread_key(figure: Any, dark: str, light: str, apart_mm: Sequence[float]) -> None:
    from matplotlib.lines import Line2D

    look: dict[str, Any] = {"marker": "o", "ms": 10, "mfc": PAPER, "mec": INK, "mew": 2.2, "ls": "none"}
    handles = [
        Line2D([], [], color=dark, lw=4, label="warp"),
        Line2D([], [], color=light, lw=4, label="weft"),
        Line2D([], [], label="put down first here", **look),
    ]  # fmt: skip
    figure.legend(handles=handles, loc="lower left", bbox_to_anchor=(0.03, 0.0), fontsize=SMALL_PT, frameon=False, ncols=1)
    height = figure.get_figheight()
    words = f"drawn every\n{apart_mm[0]:.0f} mm" if len(apart_mm) == 1 else "drawn every\n" + " / ".join(f"{a:.0f}" for a in apart_mm) + " mm"
    figure.text(0.62, (_FOOT_IN - 0.42) / height, words, size=SMALL_PT, color=INK, va="top")


@dataclass(frozen=True, eq=False)
class _FlatFibres:
    """The fibres of a piece that was flattened, in its triangles.

    Attributes
    ----------
    surface : Surface
    face_fibres : pair of (m, 3) float array
        Unit vectors along warp and weft.
    """

    surface: Surface
    face_fibres: tuple[Floats, Floats]


def _fibre_picture(stage: Stage, ply: PlyPlan, drapes: Sequence[Drape]) -> Picture:
    """Which way warp and weft run, and in shades by how much the warp is off the stated angle."""
    off = [d.off_deg(stage.warp, turn_deg=ply.angle_deg) for d in drapes]
    most = [max(float(np.abs(q[k]).max()) for q in off) for k in (0, 1)]
    legend = f"arrow: warp, at most {most[0]:.1f}° off\nbar: weft, at most {most[1]:.1f}°\noff square to that angle"
    return _ways_picture(stage, ply, drapes, [warp for warp, _ in off], [f"at most {q:.1f}" for q in most], most[0], legend)


def flat_fibre_picture(stage: Stage, ply: PlyPlan) -> Picture | None:
    """Return the same of a ply that was flattened; None where it is not known how its pieces lie on the table.

    Parameters
    ----------
    stage : Stage
    ply : PlyPlan
    """
    found = fibres_of(ply, warp=stage.warp, areal_weight_g_m2=1.0)
    if found is None:
        return None
    parts, off, areas = [], [], []
    for k, piece in enumerate(ply.pieces):
        own, surface = found.piece == k, piece.surface
        fields = (q[own][surface.faces].sum(axis=1) for q in (found.warp, found.weft))
        warp, weft = (q / np.maximum(np.linalg.norm(q, axis=1, keepdims=True), 1e-12) for q in fields)
        parts.append(_FlatFibres(surface, (warp, weft)))
        off.append([np.abs(q[own])[surface.faces].mean(axis=1) for q in (found.warp_off_deg, found.weft_off_deg)])
        areas.append(surface.face_areas_mm2)
    # A few triangles at a rim or a sharp edge, where the stated line stands on the hull, would tell nothing of the ply.
    most = [_under(np.concatenate([q[k] for q in off]), np.concatenate(areas)) for k in (0, 1)]
    legend = f"over 99 % of the area\narrow: warp, under {most[0]:.1f}° off\nbar: weft, under {most[1]:.1f}°"
    return _ways_picture(stage, ply, parts, [warp for warp, _ in off], [f"over 99 % of the area under {q:.1f}" for q in most], most[0], legend)


def _under(values: Floats, areas: Floats, share: float = 0.99) -> float:
    """What a value is under over a share of the area."""
    order = np.argsort(values)
    reached = np.cumsum(areas[order]) / areas.sum()
    return float(values[order][min(int(np.searchsorted(reached, share)), len(values) - 1)])


def _ways_picture(
    stage: Stage, ply: PlyPlan, parts: Sequence[Drape | _FlatFibres], off: Sequence[Floats], told: Sequence[str], most: float, legend: str
) -> Picture:
    """Arrows and bars along the fibres of parts of a ply over shades of how much each triangle's warp is off."""
    top = next((r for r in ROUND_DEG if r >= most), ROUND_DEG[-1])
    stage.scene.clear()
    stage.scene.add(stage.whole)
    for part, warp in zip(parts, off):
        over = lifted(part.surface, stage.lift_mm)
        stage.scene.add(over, values=np.abs(warp), span=(0.0, top), shades=MAP)
        _outline(stage, part.surface)
    shots = stage.shoot()
    title = f"{stage.region.name} {ply.name}: way of the fibres"
    figure, axes = _page(title, shots, stage.height_in, foot_in=LEGEND_IN)
    for ax, shot in zip(axes, shots):
        taken: list[Floats] = []
        for part in parts:
            _fibre_arrows(ax, shot, part, stage, taken)
        _directions(ax, shot, stage)
    _bar(figure, top, "warp off its stated angle, degrees")
    figure.text(0.57, (LEGEND_IN - 0.2) / figure.get_figheight(), legend, size=SMALL_PT, color=INK, va="top", linespacing=1.25)
    return Picture(
        file_stem(stage.region.name, ply.name, "fibres"),
        f"Way of the fibres of {ply.name} on the hull",
        f"Arrows along the warp and bars along the weft of {ply.name}; in shades by how much the warp is off its stated angle of "
        f"{ply.angle_deg + 0.0:g} degrees: {told[0]} degrees, the weft {told[1]} degrees off square to it.",
        as_png(figure),
        ("fibres on hull", stage.region.name, ply.name),
    )


def _fibre_arrows(ax: Any, shot: Shot, drape: Drape | _FlatFibres, stage: Stage, taken: list[Floats]) -> None:
    """Arrows along the warp with bars along the weft, about evenly over what is seen, clear of those that stand there."""
    s, (warp, weft) = drape.surface, drape.face_fibres
    middles = s.vertices_mm[s.faces].mean(axis=1)
    seen = np.flatnonzero(shot.seen(middles, slack_mm=6 * stage.lift_mm) & (s.face_normals @ shot.view.back > _EDGE_ON))
    at = shot.pixels(middles[seen])
    # One in each square of a grid over the picture, the nearest to its middle.
    square = np.floor(at / _ARROW_PX)
    off = np.linalg.norm(at / _ARROW_PX - square - 0.5, axis=1)
    order = np.lexsort((off, square[:, 0], square[:, 1]))
    first = order[np.unique(square[order], axis=0, return_index=True)[1]]
    reach = 0.42 * _ARROW_PX * shot.scale_mm
    for k in seen[first[np.argsort(off[first], kind="stable")]]:
        (place,) = shot.pixels(middles[k])
        if any(np.hypot(*(place - other)) < _APART * _ARROW_PX for other in taken):
            continue
        taken.append(place)
        for way, style, width in ((weft[k], "-", 1.6), (warp[k], "-|>", 2.0)):
            tail, tip = shot.pixels(middles[k] + np.outer([-reach, reach], way))
            look = {"arrowstyle": style, "color": INK, "lw": width, "mutation_scale": 13, "shrinkA": 0, "shrinkB": 0}
            ax.annotate("", tip, tail, arrowprops={**look, "path_effects": halo()})


def _bar(figure: Any, top: float, words: str) -> Any:
    """Draw a scale of shades from 0, and return its axes."""
    from matplotlib.cm import ScalarMappable
    from matplotlib.colors import Normalize

    height = figure.get_figheight()
    bar = figure.add_axes((0.06, (LEGEND_IN - 0.46) / height, 0.46, 0.22 / height))
    figure.colorbar(ScalarMappable(Normalize(0, top), MAP), cax=bar, orientation="horizontal")
    bar.tick_params(labelsize=SMALL_PT, colors=INK)
    bar.set_xlabel(words, size=SMALL_PT, color=INK)
    return bar


def _shear_picture(
    stage: Stage, ply: PlyPlan, drapes: Sequence[Drape], top: float, title: str, ending: str
) -> Picture:
    stage.scene.clear()
    stage.scene.add(stage.whole)
    for d in drapes:
        over = lifted(d.surface, stage.lift_mm)
        stage.scene.add(over, values=np.abs(d.shear_deg)[d.surface.faces].mean(axis=1), span=(0.0, top), shades=MAP)
        _outline(stage, d.surface)
    shots = stage.shoot(depth=False)
    masks = _locked_masks(stage, drapes)
    figure, axes = _page(title, shots, stage.height_in, foot_in=LEGEND_IN)
    for ax, shot, mask in zip(axes, shots, masks):
        if mask.any():
            hatch(ax, mask)
        _directions(ax, shot, stage)
    _shear_legend(figure, drapes, top)
    most = max(d.most_deg for d in drapes)
    return Picture(
        file_stem(stage.region.name, ply.name, ending),
        title.split(": ", 1)[-1].capitalize() + f", {ply.name}",
        f"Shear of {ply.name} drawn on the hull in shades: at most {most:.1f} degrees; {_locked_words(drapes)}.",
        as_png(figure),
        ("shear on hull", stage.region.name, ply.name),
    )


def _locked_masks(stage: Stage, drapes: Sequence[Drape]) -> list[Any]:
    """Where in each view cloth past locking is seen, as (h, w) bool arrays."""
    stage.scene.clear()
    stage.scene.add(stage.whole, colour="white", shaded=False)
    for d in drapes:
        stage.scene.add(lifted(d.surface, stage.lift_mm), colour="white", shaded=False)
        if d.locking is not None:
            over = d.locking.excess_deg(d.shear_deg)
            stage.scene.add_above(lifted(d.surface, 1.2 * stage.lift_mm), over, 0.0, colour="black")
    return [shot.image.max(axis=2) < 128 for shot in stage.shoot(depth=False)]


def _top(drapes: Sequence[Drape]) -> float:
    """Upper end of the scale of shear, degrees."""
    most = max(d.most_deg for d in drapes)
    lock = _lock(drapes)
    want = max(most, 1.15 * lock) if most > NEAR * lock else most
    return next((r for r in ROUND_DEG if r >= want), ROUND_DEG[-1])


def _lock(drapes: Sequence[Drape]) -> float:
    """Shear at which the cloth locks, the lesser way."""
    return min((min(d.locking.lock_deg, d.locking.lock_back_deg) for d in drapes if d.locking is not None), default=90.0)


def _locked_words(drapes: Sequence[Drape]) -> str:
    locked = sum(d.locked_area_mm2 for d in drapes)
    share = locked / sum(d.surface.area_mm2 for d in drapes)
    lock = _lock(drapes)
    return f"it locks at {lock:.0f} degrees, which " + (
        "no part reaches" if share == 0 else f"{percent(share)} of the area is past"
    )


def _shear_legend(figure: Any, drapes: Sequence[Drape], top: float) -> None:
    height = figure.get_figheight()
    along = max(d.laid.bed.corners_mm for d in drapes)
    evened = f"\n(scan's corner lines evened over {along:.0f} mm)" if along > 0 else ""
    bar = _bar(figure, top, f"shear either way, degrees{evened}")
    bar.xaxis.labelpad = 0.0
    bar.xaxis.label.set_linespacing(1.0)
    lock = _lock(drapes)
    if lock < top:
        bar.axvline(lock, color="white", lw=4)
        bar.axvline(lock, color=INK, lw=2)
        locked = sum(d.locked_area_mm2 for d in drapes) / sum(d.surface.area_mm2 for d in drapes)
        words = f"line: locks at {lock:.0f}°\nhatched: past it,\n" + ("nowhere" if locked == 0 else f"{percent(locked)} of the area")
    else:
        words = f"at most {max(d.most_deg for d in drapes):.1f}°;\nit locks at {lock:.0f}°"
    figure.text(0.58, (LEGEND_IN - 0.2) / height, words, size=SMALL_PT, color=INK, va="top", linespacing=1.25)


# -- flat ------------------------------------------------------------------------------------------------------------
def _template_picture(
    region: RegionPlan, ply: PlyPlan, k: int, draped: Draped, piece: Piece3D, top: float
) -> Picture:
    """The piece on the table, its shear in shades, the two first threads as straight lines."""
    from matplotlib.tri import Triangulation

    drape = draped.drape
    table = draped.flat.uv_mm if piece.table_mm is None else piece.table_mm
    start = _on_table(draped, table)
    low, high = table.min(axis=0), table.max(axis=0)
    wide, tall = (high - low) * 1.12
    room = WIDTH_IN - 0.3
    inches = float(np.clip(room * tall / wide, _LEAST_IN, _TALLEST_IN))
    height = 0.6 + inches + LEGEND_IN
    figure = new_figure(height)
    figure.text(
        0.02, 1 - 0.1 / height, f"{region.name} {ply.name} {piece_name(k)}: shear on the table", size=TEXT_PT + 1,
        weight="bold", color=INK, va="top",
    )  # fmt: skip
    ax = figure.add_axes((0.15 / WIDTH_IN, LEGEND_IN / height, room / WIDTH_IN, inches / height))
    f = drape.surface.faces
    net: Any = Triangulation(table[:, 0], table[:, 1], f)
    shear = np.abs(drape.shear_deg)[f].mean(axis=1)
    ax.tripcolor(net, facecolors=shear, cmap=MAP, vmin=0.0, vmax=top, rasterized=True)
    if drape.locking is not None:
        over = drape.locking.excess_deg(drape.shear_deg)
        if (over > 0).any():
            marks = ax.tricontourf(net, over, levels=[0.0, 180.0], colors="none", hatches=["////"])
            marks.set(edgecolor=INK, linewidth=0.0)
            ax.tricontour(net, over, levels=[0.0], colors=INK, linewidths=1.8)
    for loop in drape.surface.boundary_loops:
        ax.plot(*table[np.append(loop, loop[0])].T, color=INK, lw=1.8)
    reach_mm = _reach_on_table(draped, table)
    _first_threads(ax, start, first_threads(net_outline(drape.surface, table, piece_name(k)), Point(start), reach_mm=reach_mm))
    ax.set_aspect("equal")
    ax.set_xlim(low[0] - 0.06 * (high - low)[0], high[0] + 0.06 * (high - low)[0])
    ax.set_ylim(low[1] - 0.06 * (high - low)[1], high[1] + 0.06 * (high - low)[1])
    ax.axis("off")
    _shear_legend(figure, [drape], top)
    return Picture(
        file_stem(region.name, ply.name, piece_name(k), "shear"),
        f"Shear of {ply.name} piece {piece_name(k)} on the table, with its two first threads",
        f"The flat piece in shades of shear, at most {drape.most_deg:.1f} degrees. The first warp and weft thread are straight "
        f"lines through the place that is put down first, {start[0] - low[0]:.0f} mm from its left end and "
        f"{start[1] - low[1]:.0f} mm from its lower edge.",
        as_png(figure),
        ("shear on the table", region.name, ply.name),
    )


def _on_table(draped: Draped, table: Floats) -> Floats:
    """The start on the table: a mirrored piece is turned over about its x axis."""
    return draped.start_uv_mm * [1.0, _turned_over(draped, table)]


def _turned_over(draped: Draped, table: Floats) -> float:
    """-1 for a piece that lies mirrored on the table."""
    flat = draped.flat.uv_mm
    far = int(np.abs(flat[:, 1]).argmax())
    return float(np.sign(flat[far, 1] * table[far, 1]))


def _reach_on_table(draped: Draped, table: Floats) -> tuple[tuple[float, float], tuple[float, float]]:
    along, (down, up) = draped.flat.first_reach_mm
    return along, (down, up) if _turned_over(draped, table) > 0 else (-up, -down)


def _first_threads(ax: Any, start: Floats, threads: Sequence[Sequence[LineString]]) -> None:
    for runs, shade, word in zip(threads, steps(2), (WARP_THREAD, WEFT_THREAD)):
        for run in runs:
            x, y = run.xy
            ax.plot(x, y, color="white", lw=5.5, solid_capstyle="butt")
            ax.plot(x, y, color=shade, lw=2.8, solid_capstyle="butt")
        if runs:
            longest = max(runs, key=lambda g: g.length)
            turn = 0 if word == WARP_THREAD else 90
            far = longest.project(Point(start), normalized=True) < 0.5  # whether the far end has more room
            at = longest.interpolate(0.78 if far else 0.22, normalized=True)
            ax.text(at.x, at.y, word, size=TEXT_PT, color=INK, rotation=turn, ha="center", va="center", path_effects=halo())
    ax.plot(*start, "o", ms=11, mfc=PAPER, mec=INK, mew=2.4)


# -- words -----------------------------------------------------------------------------------------------------------
def drape_words(ply: PlyPlan) -> list[str]:
    """Return what the sheet says of a ply's threads, a paragraph for each piece.

    Parameters
    ----------
    ply : PlyPlan
    """
    if not ply.layings:
        return []
    if not ply.draped:
        return [f"{ply.name} is of woven cloth, but its threads cannot be laid over it: it is cut by flatten; see the cautions."]
    out = []
    for k, laying in enumerate(ply.layings):
        if laying.draped is not None:
            out.append(_of_piece(piece_name(k), laying.draped, bent=laying.plain is not None))
        else:
            out.append(f"The threads of piece {piece_name(k)} cannot be laid over it: it is cut by flatten; see the cautions.")
    return out


def _of_piece(name: str, draped: Draped, *, bent: bool) -> str:
    drape = draped.drape
    x, y, z = np.round(drape.start_mm) + 0.0  # no minus nought
    locking = drape.locking
    lock = "" if locking is None else f" of the {min(locking.lock_deg, locking.lock_back_deg):.0f}° at which it locks ({locking.source})"
    more = 100 * (float(drape.weight_factor[drape.covered].max(initial=1.0)) - 1)
    heavy = f", and is up to {more:.1f} % heavier there than flat" if more >= 0.1 else ""
    lines = (
        " Its first two threads are bent: draw both lines on the mould, and lay straight threads of the cloth along them. "
        f"{_marks(drape, 0)} {_marks(drape, 1)}"
        if bent else " Its first two threads run straight along the surface: smooth them out from there, and the rest follows."
    )
    rectangles = len(drape.check.corners_deg)
    held = (
        f" Over {rectangles} rectangle{'s' * (rectangles != 1)} of threads the shear agrees with the curvature of the surface within "
        f"{drape.check.worst_deg:.2f}°." if rectangles else ""
    )
    carried = (
        f" {draped.carried_mm2 / 100:.1f} cm² of it, at corners and slivers, could not be read off the net and follow what is "
        "beside them." if draped.carried_mm2 > CARRIED_SHARE * drape.surface.area_mm2 else ""
    )
    return (
        f"Piece {name} is laid by its threads: put it down first at ({x:.0f}, {y:.0f}, {z:.0f}) mm.{lines} It shears by "
        f"{drape.most_deg:.1f}° at most{lock}{heavy}. The template has "
        f"{draped.area.template_mm2 / 1e6:.4f} m², the sheared cloth {draped.area.cloth_mm2 / 1e6:.4f} m².{held}{carried}"
    )


def _marks(drape: Drape, axis: int) -> str:
    """Say through which points a first thread runs, at round lengths along it from the start."""
    line = (drape.warp_line_mm, drape.weft_line_mm)[axis]
    along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))])
    zero = along[np.linalg.norm(line - drape.start_mm, axis=1).argmin()]
    runs = [run for first, run in _threads(drape, axis, 0.0) if first]
    ends = [along[np.linalg.norm(line - p, axis=1).argmin()] - zero for run in runs for p in run[[0, -1]]]
    low, high = min(ends, default=0.0), max(ends, default=0.0)
    step = next((s for s in _STATIONS_MM if high - low <= _MOST_STATIONS * s), _STATIONS_MM[-1])
    at = step * np.arange(np.ceil(low / step), np.floor(high / step) + 1)
    points = np.stack([np.interp(at, along - zero, line[:, k]) for k in range(3)], axis=1).round() + 0.0
    said = "; ".join(f"{s:+.0f} mm: ({x:.0f}, {y:.0f}, {z:.0f})" for s, (x, y, z) in zip(at, points) if s != 0)
    return f"The first {(WARP_THREAD, WEFT_THREAD)[axis]} runs, by its length from the start, through {said} mm."


def tried_rows(ply: PlyPlan) -> list[tuple[str, ...]]:
    """Return rows of what was tried where the cloth locks: piece, what, largest shear, share locked, share reached.

    Parameters
    ----------
    ply : PlyPlan
    """
    return [
        (piece_name(k), t.what, f"{t.most_deg:.1f}°", percent(t.locked_share), percent(t.cover))
        for k, laying in enumerate(ply.layings) if len(laying.tried) > 1
        for t in laying.tried
    ]  # fmt: skip

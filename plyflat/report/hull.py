"""Pictures of a region on its hull: plies, strain, bag layers."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy.spatial import cKDTree

from ..export.drawing import file_stem
from ..export.fibres import warp_way
from ..surface.mesh import Floats, Surface
from ..units import say_percent as percent
from .scene import Scene, Shot, View, corner_values, lifted, look_at, reach_of, seen_share, thinned
from .style import (
    DPI,
    FAINT,
    INK,
    MAP,
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
from .words import on_hull

if TYPE_CHECKING:
    from ..cloth.template import Strain
    from ..planned import LayerPlan, Piece3D, Plan, PlyPlan, RegionPlan
    from ..surface.region import Region

_FRAME_IN = 5.35
_FRAME_HEIGHT_IN = (2.6, 5.0)
_HEAD_IN = 0.55
LEGEND_IN = 1.2
_LABEL_IN = 0.54
_ALL_IN = 1.9
_ARROW_PX = 62.0
_SIDE_TILT_DEG, _FLAT_TILT_DEG = 48.0, 22.0


@dataclass(frozen=True, eq=False)
class Edge:
    """A line on the hull with its name.

    Attributes
    ----------
    name : str
    loops_mm : tuple of (k, 3) float arrays
    colour : str
    width : float
        Pixels.
    closed : bool
    """

    name: str
    loops_mm: tuple[Floats, ...]
    colour: str
    width: float = 4.0
    closed: bool = True


class Stage:
    """One region with its hull, its views and a window to draw in.

    Parameters
    ----------
    plan : Plan
    region : RegionPlan
    """

    def __init__(self, plan: Plan, region: RegionPlan) -> None:
        self.plan, self.region = plan, region
        self.forward = np.asarray(plan.job.boat.forward, dtype=float)
        self.up = np.asarray(plan.job.boat.up, dtype=float)
        self.base = region.base.surface
        self.size_mm = float(np.linalg.norm(self.base.size_mm))
        self.lift_mm = 0.0025 * self.size_mm
        self.whole = thinned(region.base.parent)
        outer = [ply.region for ply in region.plies]
        outer += [layer.region for layer in region.layers if layer.region is not None]
        self.views = self._views(max([region.base, *outer], key=lambda r: r.area_mm2).surface)
        self.reach_mm = reach_of([self.whole], self.views[0].centre_mm)
        shape = max(view.half_height_mm / view.half_width_mm for view in self.views)
        labels = max(len(region.plies), len(region.layers)) + 1
        low, high = _FRAME_HEIGHT_IN
        self.height_in = float(np.clip(_FRAME_IN * shape, max(low, _LABEL_IN * labels), high))
        width, height = int(_FRAME_IN * DPI), int(self.height_in * DPI)
        self.scene = Scene(width, height)

    @property
    def warp(self) -> Floats:
        """Unit vector of the region's warp line."""
        return warp_way(self.plan, self.region)

    def _views(self, surface: Surface) -> list[View]:
        def look(tilt: float, side: int) -> View:
            return look_at(surface, forward=self.forward, up=self.up, tilt_deg=tilt, side=side)

        flat = look(_FLAT_TILT_DEG, 1)
        if seen_share(self.base, flat) > 0.9:
            return [flat]
        return [look(_SIDE_TILT_DEG, 1), look(_SIDE_TILT_DEG, -1)]

    def edge(self, region: Region) -> tuple[Floats, ...]:
        """Return a region's outlines, lifted off the hull far enough to be seen."""
        over = lifted(region.surface, 1.5 * self.lift_mm)
        return tuple(over.vertices_mm[loop] for loop in region.loops)

    def raised(self, points_mm: Floats) -> Floats:
        """Return points on the region, lifted off the hull far enough to be seen."""
        near = cKDTree(self.base.vertices_mm).query(points_mm)[1]
        return points_mm + 2 * self.lift_mm * self.base.vertex_normals[near]

    def shoot(self, *, depth: bool = True) -> list[Shot]:
        """Render all views."""
        return [self.scene.shoot(view, self.reach_mm, depth=depth) for view in self.views]


def region_pictures(plan: Plan, region: RegionPlan) -> Iterator[Picture]:
    """Yield every picture of a region on its hull.

    Parameters
    ----------
    plan : Plan
    region : RegionPlan
    """
    from .warned import warned_picture, warnings_of

    stage = Stage(plan, region)
    days = [d for d in plan.day.regions if d.name == region.name] if plan.day is not None else []
    with stage.scene:
        yield hull_picture(stage)
        warned = warned_picture(stage, warnings_of(plan))
        if warned is not None:
            yield warned
        marks = [m for m in plan.hull_marks if m.region == region.name]
        if marks:
            from .taped import marks_picture

            yield marks_picture(stage, marks)
        for day in days:
            if day.thick.most_mm > 0:
                from .thick import thickness_picture

                yield thickness_picture(stage, day.thick)
        for ply in region.plies:
            if ply.draped:
                from .drape import drape_pictures

                yield from drape_pictures(stage, ply)
            elif ply.pieces:
                from .drape import flat_fibre_picture

                fibred = flat_fibre_picture(stage, ply)
                if fibred is not None:
                    yield fibred
            if ply.pieces and not ply.by_threads:
                yield strain_picture(stage, ply)
        if region.layers:
            from .bag import reach_pictures
            from .missing import missing_picture
            from .stack import stack_pictures
            from .whole_film import whole_pictures

            yield bag_picture(stage)
            yield from stack_pictures(stage)
            yield from reach_pictures(stage)
            missing = missing_picture(stage, region.reach) if region.reach is not None else None
            if missing is not None:
                yield missing
            yield from whole_pictures(stage)


def hull_picture(stage: Stage) -> Picture:
    """Return the picture of a region with the edges of its plies."""
    region = stage.region
    shades = steps(len(region.plies))
    edges = [Edge(_ply_words(ply), stage.edge(ply.region), shade) for ply, shade in zip(region.plies, shades)]
    edges += _corner_edges(stage)
    if region.seams_mm:
        edges.append(Edge("seam", tuple(map(stage.raised, region.seams_mm)), INK, 3.0, closed=False))
    shots = _shoot_edges(stage, edges)
    inset = _whole_hull(stage)
    figure, axes = _page(f"{region.name}: plies on the hull", shots, stage.height_in, foot_in=_ALL_IN if inset else 0.0)
    for ax, shot in zip(axes, shots):
        _leaders(ax, shot, edges, stage)
        _warp_arrow(ax, shot, region.warp_mm)
        _directions(ax, shot, stage)
    if inset is not None:
        _foot(figure, inset, "where it lies on the mesh")
    plies = ", ".join(f"{p.name} at {p.angle_deg:g} degrees" for p in region.plies)
    return Picture(
        file_stem(region.name, "hull"),
        f"{region.name} on the hull, with the edge of each ply",
        f"Shaded hull with the region {region.name} tinted. Lines mark the edges of the plies: {plies}. "
        f"The region is {region.base.area_mm2 / 1e6:.3f} m² in area.",
        as_png(figure),
        ("hull", region.name),
    )


def _ply_words(ply: PlyPlan) -> str:
    reach = f"{ply.grow_mm:+.0f} mm" if ply.laps_mm is None else f"{ply.laps_mm[0]:.0f} / {ply.laps_mm[1]:.0f} mm"
    return f"{ply.name}  {ply.angle_deg + 0.0:g}°\n{reach}"


def _corner_edges(stage: Stage) -> list[Edge]:
    """The corner line, or where a fillet of putty in it begins and ends."""
    corner, fillet = stage.region.corner, stage.region.fillet
    if fillet is not None:
        lines = tuple(stage.raised(line) for line in (fillet.first_line_mm, fillet.second_line_mm))
        return [Edge(f"fillet\n{fillet.radius_mm:.0f} mm radius", lines, FAINT, 3.0, closed=fillet.closed)]
    if corner is not None:
        return [Edge("corner", (stage.raised(corner.points_mm),), FAINT, 3.0, closed=corner.closed)]
    return []


def _shoot_edges(stage: Stage, edges: Sequence[Edge]) -> list[Shot]:
    stage.scene.clear()
    stage.scene.add(stage.whole)
    stage.scene.add(lifted(stage.base, stage.lift_mm), colour=TINT)
    for edge in edges:
        for loop in edge.loops_mm:
            stage.scene.line(loop, colour=edge.colour, width=edge.width, closed=edge.closed)
    return stage.shoot()


def _whole_hull(stage: Stage) -> Shot | None:
    """The whole mesh with the region on it, where the region is a small part of it."""
    if np.linalg.norm(stage.whole.size_mm) < 1.6 * stage.size_mm:
        return None
    stage.scene.clear()
    stage.scene.add(stage.whole)
    stage.scene.add(lifted(stage.base, 4 * stage.lift_mm), colour=steps(3)[0], shaded=False)
    view = stage.views[0]
    points = stage.whole.vertices_mm
    x, y = points @ view.right, points @ view.up
    middle = 0.5 * (x.min() + x.max()) * view.right + 0.5 * (y.min() + y.max()) * view.up
    middle = middle + (view.centre_mm @ view.back) * view.back
    wide, high = 0.53 * float(x.max() - x.min()), 0.53 * float(y.max() - y.min())
    shot = stage.scene.shoot(View(middle, view.right, view.up, view.back, wide, high), 2 * stage.reach_mm)
    drawn = np.flatnonzero(np.isfinite(shot.depth_mm).any(axis=1))
    rows = slice(int(drawn[0]), int(drawn[-1]) + 1)
    return replace(shot, image=shot.image[rows], depth_mm=shot.depth_mm[rows])


def _page(title: str, shots: Sequence[Shot], frame_in: float, *, foot_in: float) -> tuple[Any, list[Any]]:
    """A figure with a title, a frame for each shot one under the other, and room below."""
    lines = textwrap.wrap(title, 48)
    head = _HEAD_IN + 0.27 * (len(lines) - 1)
    height = head + len(shots) * frame_in + foot_in
    figure = new_figure(height)
    figure.text(0.02, 1 - 0.1 / height, "\n".join(lines), size=TEXT_PT + 1, weight="bold", color=INK, va="top")
    axes = []
    for k, shot in enumerate(shots):
        bottom = (height - head - (k + 1) * frame_in) / height
        ax = figure.add_axes((0.0, bottom, _FRAME_IN / WIDTH_IN, frame_in / height))
        _show(ax, shot)
        axes.append(ax)
    return figure, axes


def _show(ax: Any, shot: Shot) -> None:
    h, w = shot.image.shape[:2]
    ax.imshow(shot.image, extent=(0, w, h, 0), interpolation="antialiased", aspect="equal")
    ax.set_xlim(0, w)
    ax.set_ylim(h, 0)
    ax.axis("off")


def _foot(figure: Any, shot: Shot, words: str) -> None:
    height = figure.get_figheight()
    ax = figure.add_axes((0.03, 0.08 / height, 0.62, (_ALL_IN - 0.16) / height))
    _show(ax, shot)
    figure.text(0.68, 0.5 * _ALL_IN / height, textwrap.fill(words, 16), size=SMALL_PT, color=INK, va="center")


def _leaders(ax: Any, shot: Shot, edges: Sequence[Edge], stage: Stage) -> None:
    """Name the edges in the margin to the right, each with a line to a place where it is seen."""
    h, w = shot.image.shape[:2]
    spots = []
    for edge in edges:
        points = np.concatenate([_dense(loop, edge.closed) for loop in edge.loops_mm])
        at = shot.pixels(points)
        good = shot.seen(points, slack_mm=4 * stage.lift_mm)
        spots.append(at[good] if good.any() else at[:0])
    named = [(e, s) for e, s in zip(edges, spots) if len(s)]
    for k, ((edge, _), best, y) in enumerate(zip(*_slots(named, h))):
        line = {"color": INK, "lw": 1.3, "clip_on": False, "zorder": 4 + k, "path_effects": halo()}
        ax.plot([best[0], w + 4], [best[1], y], **line)
        ax.plot(*best, "o", ms=6, mfc=edge.colour, mec="white", mew=1.2, clip_on=False, zorder=30)
        ax.plot([w + 4, w + 20], [y, y], color=edge.colour, lw=6, solid_capstyle="butt", clip_on=False, zorder=30)
        ax.text(w + 26, y, edge.name, size=TEXT_PT, color=INK, va="center", linespacing=1.1)


def _slots(named: list[tuple[Edge, Floats]], height: int) -> tuple[list[tuple[Edge, Floats]], list[Floats], list[float]]:
    """Edges in order down the margin, the place each label points to, and its height: lines cross as little as may be."""
    step = min(height / (len(named) + 0.3), 130.0)
    rows = [height / 2 + (k - 0.5 * (len(named) - 1)) * step for k in range(len(named))]
    for _ in range(3):
        best = [spot[np.argmax(spot[:, 0] - 1.6 * np.abs(spot[:, 1] - y))] for (_, spot), y in zip(named, rows)]
        # From the margin, a line to a far place must start above one to a near place of the same height.
        order = sorted(range(len(named)), key=lambda k: (round(float(best[k][1]), -1), -best[k][0]))
        if order == sorted(order):
            break
        named = [named[k] for k in order]
    return named, best if named else [], rows


def _dense(loop: Floats, closed: bool) -> Floats:
    """Points no farther apart than a two-hundredth of the loop."""
    ends = np.concatenate([loop, loop[:1]]) if closed else loop
    s = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(ends, axis=0), axis=1))])
    t = np.linspace(0.0, s[-1], 400)
    return np.stack([np.interp(t, s, ends[:, k]) for k in range(3)], axis=1)


def _warp_arrow(ax: Any, shot: Shot, warp_mm: Floats) -> None:
    a, b = shot.pixels(np.asarray(warp_mm))
    if np.hypot(*(b - a)) < 25:
        return
    look = {"arrowstyle": "<->", "color": INK, "lw": 2.2, "mutation_scale": 18, "shrinkA": 0, "shrinkB": 0}
    ax.annotate("", a, b, arrowprops={**look, "path_effects": halo()})
    angle = np.degrees(np.arctan2(-(b - a)[1], (b - a)[0]))
    angle = (angle + 90) % 180 - 90
    middle = 0.5 * (a + b)
    ax.text(
        *middle, "warp", size=TEXT_PT, color=INK, rotation=angle, rotation_mode="anchor", ha="center", va="bottom",
        path_effects=halo(),
    )  # fmt: skip


def _directions(ax: Any, shot: Shot, stage: Stage) -> None:
    """Arrows forward and up on the boat, in the lower left corner; a direction along the view is said in words."""
    h, _ = shot.image.shape[:2]
    flat, along = {}, []
    for name, way in (("forward", stage.forward), ("up", stage.up)):
        flat[name] = np.array([way @ shot.view.right, -(way @ shot.view.up)])
        if np.hypot(*flat[name]) < 0.3:
            along.append(f"{name}: {'towards you' if way @ shot.view.back > 0 else 'away from you'}")
            del flat[name]
    tips = [_ARROW_PX * way for way in flat.values()]
    middles = [tip + _beyond(name, way) for (name, way), tip in zip(flat.items(), tips)]
    halves = [_word_px(name) for name in flat]
    # The foot stands where arrows and words just clear the corner.
    left = min([0.0] + [m[0] - half[0] for m, half in zip(middles, halves)])
    low = max([0.0] + [m[1] + half[1] for m, half in zip(middles, halves)])
    foot = np.array([10.0 - left, h - 10.0 - low - (34.0 if along else 0.0)])
    for name, tip, middle in zip(flat, tips, middles):
        look = {"arrowstyle": "-|>", "color": INK, "lw": 2.2, "mutation_scale": 16, "shrinkA": 0, "shrinkB": 0}
        ax.annotate("", foot + tip, foot, arrowprops={**look, "path_effects": halo()})
        ax.text(*(foot + middle), name, size=SMALL_PT, color=INK, ha="center", va="center", path_effects=halo())
    if along:
        ax.text(8, h - 8, ", ".join(along), size=SMALL_PT, color=INK, va="bottom", path_effects=halo())


def _word_px(word: str) -> tuple[float, float]:
    """Half the width and height a word takes, in pixels."""
    return 0.31 * len(word) * SMALL_PT * DPI / 72, 0.55 * SMALL_PT * DPI / 72


def _beyond(word: str, way: Floats) -> Floats:
    """From the tip of an arrow to the middle of its word."""
    unit = way / np.hypot(*way)
    wide, high = _word_px(word)
    return (5.0 + abs(unit[0]) * wide + abs(unit[1]) * high) * unit


def strain_picture(stage: Stage, ply: PlyPlan) -> Picture:
    """Return the strain of a ply drawn on the hull, the part above the limit outlined and hatched."""
    s = ply.strain
    top = scale_top(s.largest, s.limit)
    _add_strain(stage, ply.pieces, top)
    shots = stage.shoot(depth=False)
    masks = _over_limit(stage, ply.pieces, s.limit)
    figure, axes = _page(f"{stage.region.name} {ply.name}: strain on the hull", shots, stage.height_in, foot_in=LEGEND_IN)
    for ax, shot, mask in zip(axes, shots, masks):
        if mask.any():
            hatch(ax, mask)
        _directions(ax, shot, stage)
    strain_legend(figure, s, LEGEND_IN)
    return Picture(
        file_stem(stage.region.name, ply.name, "strain-hull"),
        f"Strain of {ply.name} on the hull",
        f"Strain of {ply.name} drawn on the hull in shades; the largest is {percent(s.largest)}, "
        f"{percent(s.over_share)} of the area is above the limit of {percent(s.limit)}.",
        as_png(figure),
        ("strain on hull", stage.region.name, ply.name),
    )


def _add_strain(stage: Stage, pieces: Sequence[Piece3D], top: float) -> None:
    stage.scene.clear()
    stage.scene.add(stage.whole)
    for piece in pieces:
        over = lifted(piece.surface, stage.lift_mm)
        stage.scene.add(over, values=piece.strain, span=(0.0, top), shades=MAP)
        for loop in piece.surface.boundary_loops:
            stage.scene.line(
                lifted(piece.surface, 1.5 * stage.lift_mm).vertices_mm[loop], colour=INK, width=2.5, closed=True
            )


def _over_limit(stage: Stage, pieces: Sequence[Piece3D], limit: float) -> list[Any]:
    """Where in each view a strain above the limit is seen, as (h, w) bool arrays."""
    stage.scene.clear()
    stage.scene.add(stage.whole, colour="white", shaded=False)
    for piece in pieces:
        over = lifted(piece.surface, 1.2 * stage.lift_mm)
        stage.scene.add(lifted(piece.surface, stage.lift_mm), colour="white", shaded=False)
        stage.scene.add_above(over, corner_values(piece.surface, piece.strain), limit, colour="black")
    return [shot.image.max(axis=2) < 128 for shot in stage.shoot(depth=False)]


def scale_top(largest: float, limit: float) -> float:
    """Return the strain at the top of the colour scale: above the limit, so that the limit stands inside it."""
    return max(1.4 * limit, min(largest, 3.0 * limit), 1e-4)


def hatch(ax: Any, mask: Any) -> None:
    """Outline and hatch where a mask of the picture's pixels is set."""
    h, w = mask.shape
    x, y = np.arange(w) + 0.5, np.arange(h) + 0.5
    field = mask.astype(float)
    marks = ax.contourf(x, y, field, levels=[0.5, 1.5], colors="none", hatches=["////"])
    marks.set(edgecolor=INK, linewidth=0.0)
    ax.contour(x, y, field, levels=[0.5], colors="white", linewidths=3.4)
    ax.contour(x, y, field, levels=[0.5], colors=INK, linewidths=1.8)


def strain_legend(
    figure: Any, strain: Strain, room_in: float, *, largest: float | None = None, cut_line: bool = False
) -> None:
    """Draw the colour scale in % with the limit, so far above the foot of a figure; up to another largest if given."""
    from matplotlib.cm import ScalarMappable
    from matplotlib.colors import Normalize

    height = figure.get_figheight()
    shared, largest = largest is not None, strain.largest if largest is None else largest
    limit, top = strain.limit, scale_top(largest, strain.limit)
    bar = figure.add_axes((0.06, (room_in - 0.46) / height, 0.5, 0.22 / height))
    scale = ScalarMappable(Normalize(0, 100 * top), MAP)
    figure.colorbar(scale, cax=bar, orientation="horizontal", extend="max" if largest > top else "neither")
    bar.tick_params(labelsize=SMALL_PT, colors=INK)
    bar.set_xlabel("strain, %" + "; dashed: line to cut" * cut_line, size=SMALL_PT, color=INK)
    bar.axvline(100 * limit, color="white", lw=4)
    bar.axvline(100 * limit, color=INK, lw=2)
    share = "no part" if strain.over_share == 0 else f"{percent(strain.over_share)} of the area"
    figure.text(
        0.6, (room_in - 0.2) / height,
        f"line: limit of {100 * limit:g} %\nhatched: above it" + ("" if shared else f",\n{share}"), size=SMALL_PT, color=INK, va="top", linespacing=1.25,
    )  # fmt: skip


def bag_picture(stage: Stage) -> Picture:
    """Return the edges of the bag's layers on the hull."""
    region = stage.region
    layers = [layer for layer in on_hull(region) if layer.region is not None]
    shades = steps(len(layers) + 1)
    edges = []
    if region.plies:
        largest = max(region.plies, key=lambda p: (p.grow_mm, p.area_mm2))
        edges.append(Edge("largest ply", stage.edge(largest.region), shades[0]))
    edges += [_layer_edge(stage, layer, shade) for layer, shade in zip(layers, shades[1:])]
    shots = _shoot_edges(stage, edges)
    figure, axes = _page(f"{region.name}: bag layers on the hull", shots, stage.height_in, foot_in=0.0)
    for ax, shot in zip(axes, shots):
        _leaders(ax, shot, edges, stage)
        _directions(ax, shot, stage)
    told = ", ".join(f"{layer.kind} {layer.margin_mm:.0f} mm" for layer in layers)
    return Picture(
        file_stem(region.name, "bag-hull"),
        f"Bag layers of {region.name} on the hull",
        f"Shaded hull with the edges of the bag's layers beyond the largest ply: {told}.",
        as_png(figure),
        ("bag on hull", region.name),
    )


def _layer_edge(stage: Stage, layer: LayerPlan, shade: str) -> Edge:
    tape = layer.kind == "sealant tape"
    if layer.region is None:
        return Edge(layer.kind, (), shade)
    name = f"{layer.kind}\n{layer.margin_mm:+.0f} mm"
    return Edge(name, stage.edge(layer.region), FAINT if tape else shade, 9.0 if tape else 4.0)

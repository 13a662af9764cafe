"""The thickness of a laminate as it lies, drawn on its hull."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from ..export.drawing import file_stem
from .hull import LEGEND_IN, Stage, _directions, _page
from .scene import lifted
from .style import INK, MAP, SMALL_PT, Picture, as_png

if TYPE_CHECKING:
    from ..shop.thickness import Thickness


def thickness_picture(stage: Stage, thick: Thickness) -> Picture:
    """Return the thickness of all plies together over the largest of them, in shades.

    Parameters
    ----------
    stage : Stage
    thick : Thickness
    """
    largest = max(stage.region.plies, key=lambda p: p.area_mm2)
    low, top = _span(thick)
    stage.scene.clear()
    stage.scene.add(stage.whole)
    start = 0
    for piece in largest.pieces:
        here = thick.map_mm[start : start + len(piece.surface.vertices_mm)]
        start += len(here)
        stage.scene.add(
            lifted(piece.surface, stage.lift_mm), values=here[piece.surface.faces].mean(axis=1), span=(low, top), shades=MAP
        )
        for loop in piece.surface.boundary_loops:
            stage.scene.line(lifted(piece.surface, 1.5 * stage.lift_mm).vertices_mm[loop], colour=INK, width=2.5, closed=True)
    shots = stage.shoot(depth=False)
    name = stage.region.name
    figure, axes = _page(f"{name}: thickness of the laminate", shots, stage.height_in, foot_in=LEGEND_IN)
    for ax, shot in zip(axes, shots):
        _directions(ax, shot, stage)
    _legend(figure, thick, low, top)
    return Picture(
        file_stem(name, "thickness"),
        f"Thickness of the laminate of {name}, cured, over {largest.name}",
        f"The hull with {largest.name} in shades of the thickness of all plies together: {thick.mean_mm:.2f} mm on average where all lie, "
        f"99 % of the area under {thick.p99_mm:.2f} mm, {thick.most_mm:.2f} mm at the thickest point. Laps are not counted.",
        as_png(figure),
        ("thickness", name),
    )


def _span(thick: Thickness) -> tuple[float, float]:
    """Ends of the scale: from nought where plies step, so that steps are seen, else from three quarters of what there is."""
    top = max(thick.p99_mm, thick.mean_mm)
    least = float(np.min(thick.map_mm))
    return (0.75 * top if least > 0.75 * top else 0.0), top


def _legend(figure: Any, thick: Thickness, low: float, top: float) -> None:
    from matplotlib.cm import ScalarMappable
    from matplotlib.colors import Normalize

    height = figure.get_figheight()
    bar = figure.add_axes((0.06, (LEGEND_IN - 0.46) / height, 0.46, 0.22 / height))
    extend = "max" if thick.most_mm > top else "neither"
    figure.colorbar(ScalarMappable(Normalize(low, top), MAP), cax=bar, orientation="horizontal", extend=extend)
    bar.locator_params(axis="x", nbins=4)
    bar.tick_params(labelsize=SMALL_PT, colors=INK)
    bar.set_xlabel("thickness, mm", size=SMALL_PT, color=INK)
    words = f"mean, all plies: {thick.mean_mm:.2f} mm\n99 % under: {thick.p99_mm:.2f} mm\nthickest point: {thick.most_mm:.2f} mm"
    figure.text(0.58, (LEGEND_IN - 0.2) / height, words, size=SMALL_PT, color=INK, va="top", linespacing=1.25)

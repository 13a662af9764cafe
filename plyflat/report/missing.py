"""How much film the corners want and get, on paper: section by section on the hull, and along each corner."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from ..export.drawing import file_stem
from ..surface.mesh import Floats
from .bag import _over
from .hull import Stage, _directions, _page
from .layout import clear_side
from .scene import lifted
from .style import INK, MAP, SMALL_PT, TINT, Picture, as_png, halo

if TYPE_CHECKING:
    from ..bag.corners import CornerSection
    from ..bag.feeding import Fed
    from ..planned import BagReach

_LEGEND_IN, _CHART_IN = 1.05, 2.3
#: Charts drawn, those of the corners that want most.
_CHARTS = 3
#: Half the length of words that name a corner's beginning, pixels.
_WORDS_PX = 110.0
#: Points along a section, from tape to tape.
_POINTS = 200


class Along(NamedTuple):
    """One corner line: its name, where its sections are, what they want and get, mm."""

    name: str
    along_mm: Floats
    wanted_mm: Floats
    given_mm: Floats
    start_mm: Floats


def corner_feeds(reach: BagReach, fed: Fed) -> list[Along]:
    """Return what the sections of each corner line want and get, the line that wants most first.

    Parameters
    ----------
    reach : BagReach
    fed : Fed
        Of its film.
    """
    out = []
    for corner in reach.corners:
        for n, line in enumerate(corner.lines, 1):
            own = sorted((k for k, s in enumerate(reach.sections) if s.line == line), key=lambda k: reach.sections[k].along_mm)
            if not own:
                continue
            name = corner.name if len(corner.lines) == 1 else f"{corner.name}, line {n}"
            along = np.array([reach.sections[k].along_mm for k in own])
            out.append(Along(name, along, fed.wanted_mm[own], fed.given_mm[own], reach.sections[own[0]].place_mm))
    return sorted(out, key=lambda q: -float(q.wanted_mm.max()))


def missing_picture(stage: Stage, reach: BagReach) -> Picture | None:
    """Return how much film is missing from a taut one: each section on the hull in its shade, and along the corners.

    Parameters
    ----------
    stage : Stage
    reach : BagReach

    Returns
    -------
    Picture or None
        None where the film wants no pleats, or they were not worked out.
    """
    fed = reach.film.fed if reach.film is not None else None
    if fed is None or not len(fed.wanted_mm) or fed.wanted_mm.max() <= 0.0:
        return None
    top = float(fed.wanted_mm.max())
    lines = corner_feeds(reach, fed)
    stage.scene.clear()
    stage.scene.add(stage.whole)
    stage.scene.add(lifted(reach.surface, 0.6 * stage.lift_mm), colour=TINT)
    for line in _over(stage, reach):
        stage.scene.line(line, colour=INK, width=2.5, closed=True)
    for section, wanted in zip(reach.sections, fed.wanted_mm):
        stage.scene.line(_ribbon(stage, reach, section), colour=_shade(wanted / top), width=5.0)
    shots = stage.shoot()
    charts = lines[:_CHARTS]
    title = f"{stage.region.name}: film that the corners want beyond a taut one"
    figure, axes = _page(title, shots, stage.height_in, foot_in=_LEGEND_IN + _CHART_IN * len(charts))
    for ax, shot in zip(axes, shots):
        _starts(ax, shot, stage, reach, charts)
        _directions(ax, shot, stage)
    _legend(figure, top, _CHART_IN * len(charts))
    for k, chart in enumerate(charts):
        _chart(figure, chart, _CHART_IN * (len(charts) - 1 - k))
    told = "; ".join(f"{q.name}: {q.wanted_mm.min():.0f} to {q.wanted_mm.max():.0f} mm wanted, {q.given_mm.min():.0f} to {q.given_mm.max():.0f} mm given" for q in charts)
    return Picture(
        file_stem(stage.region.name, "film-missing"),
        title,
        f"Sections from tape to tape, square to the corners, in shades of how much longer than a taut one the film must be there, from 0 to {top:.0f} mm; below, "
        f"along each corner, what is wanted and what the pleats give without their margins. {told}.",
        as_png(figure),
        ("film missing", stage.region.name),
    )


def _ribbon(stage: Stage, reach: BagReach, section: CornerSection) -> Floats:
    """A section's way over the hull, lifted off it."""
    way = section.surface_mm
    s = np.r_[0.0, np.cumsum(np.linalg.norm(np.diff(way, axis=0), axis=1))]
    at = np.linspace(0.0, s[-1], _POINTS)
    x, y = np.interp(at, s, way[:, 0]), np.interp(at, s, way[:, 1])
    points = section.place_mm + x[:, None] * section.across + y[:, None] * section.up
    near = reach.surface.locate(points)
    return np.asarray(near.points_mm + 2 * stage.lift_mm * reach.surface.face_normals[near.face])


def _shade(share: float) -> Any:
    from matplotlib import colormaps
    from matplotlib.colors import to_hex

    return to_hex(colormaps[MAP](float(share)))


def _starts(ax: Any, shot: Any, stage: Stage, reach: BagReach, charts: Sequence[Along]) -> None:
    """Where the length along each corner counts from."""
    normals = reach.surface.vertex_normals
    for line in charts:
        near = int(np.argmin(np.linalg.norm(reach.surface.vertices_mm - line.start_mm, axis=1)))
        p = (line.start_mm + 4 * stage.lift_mm * normals[near])[None]
        if not shot.seen(p, slack_mm=8 * stage.lift_mm)[0]:
            continue
        x, y = shot.pixels(p)[0]
        # Words keep to the picture: its sides count as something in the way.
        sides = np.array([[0.0, y], [shot.image.shape[1], y]])
        others = shot.pixels(np.array([q.start_mm for q in charts if q is not line]).reshape(-1, 3))
        right, down = clear_side(np.array([x, y]), np.concatenate([sides, others]), aside=(_WORDS_PX, 26.0))
        ax.plot(x, y, "s", ms=8, mfc="white", mec=INK, mew=1.8, zorder=40)
        ax.annotate(
            f"{line.name} from here", (x, y), (9 * right, -9 * down), textcoords="offset points", size=SMALL_PT - 1, color=INK, zorder=41,
            ha="left" if right > 0 else "right", va="top" if down > 0 else "bottom", path_effects=halo(),
        )  # fmt: skip


def _legend(figure: Any, top: float, above: float) -> None:
    from matplotlib.cm import ScalarMappable
    from matplotlib.colors import Normalize

    height = figure.get_figheight()
    bar = figure.add_axes((0.06, (above + _LEGEND_IN - 0.42) / height, 0.5, 0.2 / height))
    figure.colorbar(ScalarMappable(Normalize(0, top), MAP), cax=bar, orientation="horizontal")
    bar.tick_params(labelsize=SMALL_PT, colors=INK)
    bar.set_xlabel("film wanted across, mm", size=SMALL_PT, color=INK)


def _chart(figure: Any, line: Along, bottom: float) -> None:
    """What one corner wants along its length, and what its pleats give."""
    from matplotlib import colormaps

    height = figure.get_figheight()
    ax = figure.add_axes((0.1, (bottom + 0.72) / height, 0.84, (_CHART_IN - 1.05) / height))
    at = line.along_mm / 1000
    ax.plot(at, line.wanted_mm, color=colormaps[MAP](0.1), lw=2.6, marker="o", ms=4, label="wanted")
    ax.plot(at, line.given_mm, color=colormaps[MAP](0.75), lw=2.6, ls=(0, (4, 2)), label="given by the pleats, margins left out")
    ax.set_ylim(0.0, 1.45 * max(float(line.wanted_mm.max()), float(line.given_mm.max())))
    for side in ("right", "top"):
        ax.spines[side].set_visible(False)
    ax.tick_params(labelsize=SMALL_PT, colors=INK)
    ax.set_ylabel("mm", size=SMALL_PT, color=INK)
    ax.set_xlabel(f"along {line.name}, m", size=SMALL_PT, color=INK)
    ax.legend(loc="upper left", ncols=2, fontsize=SMALL_PT, frameon=False, labelcolor=INK, borderaxespad=0.0)


__all__ = ["Along", "corner_feeds", "missing_picture"]

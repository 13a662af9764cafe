"""Where a mesh was mended, and where the builder must look: marks on its picture."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from ..export.drawing import file_stem
from ..surface.mesh import Floats, Repair
from .scene import Scene, Shot, View, look_at, reach_of, thinned
from .style import DPI, INK, PAPER, SMALL_PT, TEXT_PT, WIDTH_IN, Picture, as_png, new_figure, steps

if TYPE_CHECKING:
    from ..planned import MeshPlan, Plan

_TILTS = ((30.0, 1), (50.0, -1))
_SHOT_IN = 4.2
_LINE_IN = 0.26
_MARKS = "osD^vP*Xhp"
#: No more marks of one kind than this: a page of dots tells nothing.
MOST_MARKS = 24


def fault_picture(plan: Plan, mesh: MeshPlan) -> Picture | None:
    """Return the picture of a mesh with every kind of fault marked where it was, or None where there was none.

    Parameters
    ----------
    plan : Plan
    mesh : MeshPlan
    """
    marked = [(r, places_of(r)) for r in mesh.surface.repairs]
    marked = [(r, at) for r, at in marked if len(at)]
    if not marked:
        return None
    shots = _shoot(plan, mesh)
    lines = [line for k, (r, at) in enumerate(marked) for line in _words(k, r, len(at))]
    height = 0.6 + _SHOT_IN * len(shots) + _LINE_IN * len(lines) + 0.2
    figure = new_figure(height)
    figure.text(0.02, 1 - 0.1 / height, f"{mesh.name}: what was found on the mesh", size=TEXT_PT + 1, weight="bold", color=INK, va="top")
    for k, shot in enumerate(shots):
        bottom = (height - 0.6 - (k + 1) * _SHOT_IN) / height
        ax = figure.add_axes((0.0, bottom, 1.0, _SHOT_IN / height))
        _draw(ax, shot, [at for _, at in marked], slack_mm=0.02 * float(np.linalg.norm(mesh.surface.size_mm)))
    _legend(figure, marked, height)
    told = "; ".join(f"{r.what}: {r.count}" for r, _ in marked)
    return Picture(
        file_stem(mesh.name, "faults"),
        f"What was found on mesh {mesh.name}, and where",
        f"Shaded mesh {mesh.name} with marks where faults were found. {told}.",
        as_png(figure),
        ("faults", mesh.name),
    )


def places_of(repair: Repair) -> Floats:
    """Return the places (k, 3) of a fault that are worth a mark, mm.

    Parameters
    ----------
    repair : Repair
    """
    places = repair.places_mm or ((repair.where_mm,) if repair.where_mm is not None else ())
    return np.array(places[:MOST_MARKS], dtype=float).reshape(-1, 3)


def _shoot(plan: Plan, mesh: MeshPlan) -> list[Shot]:
    surface = thinned(mesh.surface)
    forward, up = np.asarray(plan.job.boat.forward), np.asarray(plan.job.boat.up)
    with Scene(int(WIDTH_IN * DPI), int(_SHOT_IN * DPI)) as scene:
        scene.add(surface)
        views = [look_at(surface, forward=forward, up=up, tilt_deg=tilt, side=side) for tilt, side in _TILTS]
        return [scene.shoot(_nearer(view), reach_of([surface], view.centre_mm)) for view in views]


def _nearer(view: View) -> View:
    """The same view with less about it: there is no label to make room for."""
    return View(
        view.centre_mm, view.right, view.up, view.back, 0.94 * view.half_width_mm, 0.94 * view.half_height_mm
    )


def _draw(ax: Any, shot: Shot, places: Sequence[Floats], *, slack_mm: float) -> None:
    h, w = shot.image.shape[:2]
    ax.imshow(shot.image, extent=(0, w, h, 0), interpolation="antialiased", aspect="equal")
    ax.axis("off")
    for k, (at, shade) in enumerate(zip(places, steps(len(places)))):
        seen = shot.seen(at, slack_mm=slack_mm)
        x, y = shot.pixels(at[seen]).T
        ax.plot(x, y, _MARKS[k % len(_MARKS)], ms=9, mfc=shade, mec=PAPER, mew=1.4, zorder=5 + k)
    ax.set_xlim(0, w)
    ax.set_ylim(h, 0)


def _words(k: int, repair: Repair, marks: int) -> list[str]:
    many = f", {marks} marked" if marks < repair.count else ""
    look = " - look there" if repair.severity == "left" else ""
    return textwrap.wrap(f"{repair.what}: {repair.count}{many}{look}", 66)


def _legend(figure: Any, marked: Sequence[tuple[Repair, Floats]], height: float) -> None:
    ax = figure.add_axes((0.0, 0.0, 1.0, 1.0), zorder=3)
    ax.axis("off")
    ax.set_xlim(0, WIDTH_IN)
    ax.set_ylim(0, height)
    y = 0.1 + _LINE_IN * sum(len(_words(k, r, len(at))) for k, (r, at) in enumerate(marked))
    for k, ((repair, at), shade) in enumerate(zip(marked, steps(len(marked)))):
        lines = _words(k, repair, len(at))
        ax.plot(0.2, y - 0.1, _MARKS[k % len(_MARKS)], ms=9, mfc=shade, mec=INK, mew=0.8)
        ax.text(
            0.4, y, "\n".join(lines), size=SMALL_PT, color=INK, va="top", linespacing=1.2,
            weight="bold" if repair.severity == "left" else "normal",
        )  # fmt: skip
        y -= _LINE_IN * len(lines)

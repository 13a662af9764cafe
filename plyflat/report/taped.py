"""Marks to put on the hull with a tape measure: their table and where they lie, for the sheet."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from ..export.drawing import file_stem
from .hull import Stage, _directions, _page
from .scene import lifted
from .style import INK, SMALL_PT, TINT, Picture, as_png, halo

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from ..planned import HullMark
    from ..surface.mesh import Floats

MARK_HEAD = ("mark", "on", "from", "mm#", "and from", "mm#", "on the side", "1 mm out moves it, mm#")
#: Room of the arrows forward and up in the lower left corner, pixels.
_ARROWS_PX = 235.0, 125.0
#: How far a number stands from its mark, and the room it takes either way, pixels.
_BESIDE_PX, _ROOM_PX = 26.0, (24.0, 22.0)


def mark_rows(marks: Sequence[HullMark]) -> list[tuple[str, ...]]:
    """Rows of the table of marks, in order round the region.

    Parameters
    ----------
    marks : sequence of HullMark
        Of one region.
    """
    return [
        (
            f"{m.number}", m.of, m.first, f"{m.first_mm:.0f}", m.second, f"{m.second_mm:.0f}", m.side, f"{1 / max(m.sine, 1e-3):.1f}",
        )
        for m in marks
    ]  # fmt: skip


def mark_words(marks: Sequence[HullMark]) -> list[str]:
    """How to use the table.

    Parameters
    ----------
    marks : sequence of HullMark
        Of one region.
    """
    if not marks:
        return []
    return [
        "To pencil the region on the hull: hook a tape at each of the two points named, hold both down on the hull, and mark where their "
        "lengths meet, on the side named. Join the marks of the edge with a batten. Lengths are those of a tape pulled taut along the "
        "hull as it was scanned or drawn."
    ]


def _placed(marks: Sequence[HullMark], at: Floats, seen: NDArray[np.bool_], high: int) -> list[tuple[HullMark, Floats]]:
    """Where the numbers of the marks that are seen stand: beside their marks, clear of marks, of each other and of the arrows."""
    taken = list(at[seen])
    out: list[tuple[HullMark, Floats]] = []
    for mark in marks:
        if not seen[mark.number - 1]:
            continue
        for turn in np.radians([-60, -120, 60, 120, 0, 180, -90, 90]):
            place = at[mark.number - 1] + _BESIDE_PX * np.array([np.cos(turn), np.sin(turn)])
            near = [np.abs(place - q) for q in taken]
            if place[0] < _ARROWS_PX[0] and place[1] > high - _ARROWS_PX[1]:
                continue
            if not any(q[0] < _ROOM_PX[0] and q[1] < _ROOM_PX[1] for q in near):
                out.append((mark, place))
                taken.append(place)
                break
    return out


def marks_picture(stage: Stage, marks: Sequence[HullMark]) -> Picture:
    """Return where the marks lie on the hull, numbered as in the table.

    Parameters
    ----------
    stage : Stage
    marks : sequence of HullMark
        Of that region.
    """
    stage.scene.clear()
    stage.scene.add(stage.whole)
    stage.scene.add(lifted(stage.base, stage.lift_mm), colour=TINT)
    for loop in stage.edge(stage.region.base):
        stage.scene.line(loop, colour=INK, width=3.0, closed=True)
    shots = stage.shoot()
    title = f"{stage.region.name}: marks to put on the hull by tape"
    figure, axes = _page(title, shots, stage.height_in, foot_in=0.0)
    points = stage.raised(np.array([m.at_mm for m in marks]))
    for ax, shot in zip(axes, shots):
        at, seen = shot.pixels(points), shot.seen(points, slack_mm=4 * stage.lift_mm)
        for mark, (x, y) in zip(marks, at):
            if seen[mark.number - 1]:
                warp = mark.of == "warp line"
                ax.plot(x, y, "s" if warp else "o", ms=6, mfc="white", mec=INK, mew=1.5, zorder=20)
        for mark, (x, y) in _placed(marks, at, seen, shot.image.shape[0]):
            ax.text(x, y, f"{mark.number}", size=SMALL_PT, color=INK, zorder=21, ha="center", va="center", path_effects=halo())
        _directions(ax, shot, stage)
    words = "; ".join(f"{m.number}: {m.first_mm:.0f} mm from {m.first} and {m.second_mm:.0f} mm from {m.second}" for m in marks[:4])
    return Picture(
        file_stem(stage.region.name, "marks"),
        title,
        f"The region's edge on the shaded hull with {len(marks)} numbered marks, as in the table. {words}.",
        as_png(figure),
        ("marks", stage.region.name),
    )

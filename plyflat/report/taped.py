"""Marks to put on the hull with a tape measure: their table and where they lie, for the sheet."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from ..export.drawing import file_stem
from .hull import Stage, _directions, _page
from .scene import lifted
from .style import DPI, INK, SMALL_PT, TINT, Picture, as_png, halo

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from ..planned import HullMark
    from ..surface.mesh import Floats

MARK_HEAD = ("mark", "on", "from", "mm#", "and from", "mm#", "on the side", "1 mm out moves it, mm#")
#: Room of the arrows forward and up in the lower left corner, pixels.
_ARROWS_PX = 235.0, 125.0
#: How far a number stands from its mark, and how far with a line that leads to it, pixels; the ways it may stand, best first.
_BESIDE_PX, _LED_PX = (26.0, 32.0, 38.0), (56.0, 78.0, 104.0, 136.0, 176.0)
_TURNS = np.radians([-60, -120, 60, 120, 0, 180, -90, 90, -30, -150, 30, 150])
#: What a figure of a number takes across and up, and half of what a mark takes, pixels.
_DIGIT_PX, _HIGH_PX, _MARK_PX = 0.64 * SMALL_PT * DPI / 72, 0.98 * SMALL_PT * DPI / 72, 7.5


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
        for m in _own(marks)
    ]  # fmt: skip


def _own(marks: Sequence[HullMark]) -> list[HullMark]:
    """The marks of a region's own edge, its warp line and its starts; those of further plies' edges would crowd them out."""
    return [m for m in marks if not m.ply]


def mark_words(marks: Sequence[HullMark]) -> list[str]:
    """How to use the table.

    Parameters
    ----------
    marks : sequence of HullMark
        Of one region.
    """
    if not marks:
        return []
    plies = list(dict.fromkeys(m.ply for m in marks if m.ply))
    more = f" The edges of {' and '.join([', '.join(plies[:-1]), plies[-1]] if len(plies) > 1 else plies)} are marked in the same way by hull_marks.csv."
    return [
        "To pencil the region on the hull: hook a tape at each of the two points named, hold both down on the hull, and mark where their "
        "lengths meet, on the side named. Join the marks of the edge with a batten. Lengths are those of a tape pulled taut along the "
        "hull as it was scanned or drawn." + (more if plies else "")
    ]


@dataclass(frozen=True, eq=False)
class _Number:
    """Where the number of a mark stands.

    Attributes
    ----------
    mark : HullMark
    place, foot : (2,) float array
        Its middle, and the mark, pixels from the upper left corner.
    half : (2,) float array
        Half of what it takes across and up.
    led : bool
        Whether a line leads to it, since it stands too far off, or nearer to another mark.
    """

    mark: HullMark
    place: Floats
    foot: Floats
    half: Floats
    led: bool

    @property
    def line(self) -> Floats:
        """(k, 2) points along the line that leads to it; none where there is none."""
        if not self.led:
            return np.zeros((0, 2))
        way = self.foot - self.place
        edge = self.place + way * float((self.half / np.maximum(np.abs(way), 1e-9)).min())
        return np.asarray(np.linspace(self.foot, edge, 40))

    def clear_of(self, other: _Number) -> bool:
        """Whether neither the numbers nor the lines that lead to them lie over each other."""
        apart = bool((np.abs(self.place - other.place) >= self.half + other.half).any())
        return apart and _outside(other.line, self) and _outside(self.line, other)


def _outside(points: Floats, number: _Number) -> bool:
    """Whether no point lies on a number."""
    return bool((np.abs(points - number.place) > number.half).any(axis=1).all())


def _placed(marks: Sequence[HullMark], at: Floats, seen: NDArray[np.bool_], shape: tuple[int, int]) -> list[_Number]:
    """Where the numbers of the marks that are seen stand: by their own marks, clear of marks, of each other and of the arrows.

    Where marks crowd, a number stands farther off with a line that leads to it; one for which there is no room at all is
    left out, and the table beside the picture has it.
    """
    wide, high = shape
    seen_px = at[seen]
    out: list[_Number] = []
    for mark in marks:
        own = at[mark.number - 1]
        if not seen[mark.number - 1]:
            continue
        half = np.array([0.5 * _DIGIT_PX * len(str(mark.number)), 0.5 * _HIGH_PX]) + 1.0
        for far, turn in ((far, turn) for far in (*_BESIDE_PX, *_LED_PX) for turn in _TURNS):
            place = own + far * np.array([np.cos(turn), np.sin(turn)])
            number = _Number(mark, place, own, half, led=far in _LED_PX)
            off = np.linalg.norm(seen_px - place, axis=1)
            if (
                (place - half >= 0).all() and (place + half <= (wide, high)).all()
                and not (place[0] - half[0] < _ARROWS_PX[0] and place[1] + half[1] > high - _ARROWS_PX[1])
                and (np.abs(seen_px - place) >= half + _MARK_PX).any(axis=1).all()
                and (number.led or off.min() >= np.linalg.norm(own - place) - 1e-9)
                and all(number.clear_of(q) for q in out)
            ):  # fmt: skip
                out.append(number)
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
    marks = _own(marks)
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
                shape = "s" if mark.of == "warp line" else "D" if mark.of.startswith("start") else "o"
                ax.plot(x, y, shape, ms=6, mfc="white", mec=INK, mew=1.5, zorder=20)
        high, wide = shot.image.shape[:2]
        for number in _placed(marks, at, seen, (wide, high)):
            if number.led:
                ax.plot(*number.line.T, color=INK, lw=1.0, zorder=19, path_effects=halo())
            look = {"size": SMALL_PT, "color": INK, "ha": "center", "va": "center"}
            ax.text(*number.place, f"{number.mark.number}", **look, zorder=22, path_effects=halo())
        _directions(ax, shot, stage)
    words = "; ".join(f"{m.number}: {m.first_mm:.0f} mm from {m.first} and {m.second_mm:.0f} mm from {m.second}" for m in marks[:4])
    return Picture(
        file_stem(stage.region.name, "marks"),
        title,
        f"The region's edge on the shaded hull with {len(marks)} numbered marks, as in the table. {words}.",
        as_png(figure),
        ("marks", stage.region.name),
    )

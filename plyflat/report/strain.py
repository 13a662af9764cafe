"""Strain on flat shapes: in all directions, along the yarns, and before and after cuts."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely
from shapely import LineString

from ..cloth._strain import YarnStretch
from ..cloth.pieces import piece_name
from ..export.drawing import file_stem
from ..surface.mesh import Floats
from ..units import say_percent as percent
from .hull import LEGEND_IN, scale_top, strain_legend
from .layout import TALLEST_IN, frame_on, head_in, side_by_side, title_on
from .scene import corner_values
from .style import INK, MAP, SMALL_PT, TEXT_PT, Picture, as_png, halo, new_figure

if TYPE_CHECKING:
    from ..cloth._strain import YarnStrain
    from ..planned import Piece3D, PlyPlan, RegionPlan

_WIDE_IN, _LEFT = 6.9, 0.02
_SMALL_IN, _SMALL_TALLEST_IN, _SMALL_LEGEND_IN = 2.2, 2.6, 0.62
_CAPTION_IN = 0.62


@dataclass(frozen=True, eq=False)
class _Set:
    """Flat shapes set out side by side: (k, 2) shifts, and the cut lines that belong to them."""

    pieces: tuple[Piece3D, ...]
    shifts: tuple[Floats, ...]
    cuts: tuple[LineString, ...]
    size: Floats

    def room_in(self, wide_in: float, tallest_in: float) -> float:
        """Inches of height it takes at a width."""
        return min(tallest_in, wide_in * self.size[1] / self.size[0]) + 0.1


def _set_out(pieces: Sequence[Piece3D], cuts: Sequence[Sequence[LineString]]) -> _Set:
    points = [np.vstack([p.shape_mm, *(shapely.get_coordinates(c) for c in q)]) for p, q in zip(pieces, cuts)]
    size, shifts = side_by_side(points)
    moved = [shapely.transform(c, lambda xy, by=by: xy + by) for q, by in zip(cuts, shifts) for c in q]
    return _Set(tuple(pieces), tuple(shifts), tuple(moved), size)


def _cut_lines(ply: PlyPlan) -> list[list[LineString]]:
    """The lines to cut of each piece, where the pieces' places on the table are known."""
    found: list[list[LineString]] = []
    for k, piece in enumerate(ply.pieces):
        mine = [t for t in ply.templates if t.piece.rstrip("0123456789") == piece_name(k)]
        found.append([] if piece.table_mm is None else [t.cut.exterior for t in mine])
    return found


def strain_map(region: RegionPlan, ply: PlyPlan) -> Picture:
    """Return the strain of a ply on the flat shapes of its pieces: in all directions, and small along the yarns.

    Parameters
    ----------
    region : RegionPlan
    ply : PlyPlan
    """
    s = ply.strain
    title = f"{region.name} {ply.name}: strain on the flat shape"
    shown = _set_out(ply.pieces, _cut_lines(ply))
    room = shown.room_in(_WIDE_IN, TALLEST_IN)
    yarns = _YarnRow.of(ply, shown)
    below = 0.0 if yarns is None else yarns.height_in
    height = head_in(title) + room + LEGEND_IN + below
    figure = new_figure(height)
    title_on(figure, title)
    ax = figure.add_axes((_LEFT, (below + LEGEND_IN) / height, 0.96, room / height))
    _principal(ax, shown, largest=s.largest, limit=s.limit)
    _mark_largest(ax, shown)
    _mark_overlaps(ax, shown)
    strain_legend(figure, s, LEGEND_IN + below, cut_line=bool(shown.cuts))
    if yarns is not None:
        yarns.draw(figure)
    return Picture(
        file_stem(region.name, ply.name, "strain"),
        f"Strain of {ply.name} on the flat shape" + (", and along its yarns (warp to the right)" if yarns is not None else ""),
        f"Flat shape of {ply.name} in shades of strain: largest {percent(s.largest)}, 99 % of the area below "
        f"{percent(s.p99)}, {percent(s.over_share)} of the area above the limit of {percent(s.limit)}."
        + ("" if ply.yarns is None else _yarn_words(ply.yarns)),
        as_png(figure),
        ("strain", region.name, ply.name),
    )


def _yarn_words(y: YarnStrain) -> str:
    warp, weft = (f"{100 * q.least:z.1f} to {100 * q.largest:+z.1f} %" for q in (y.warp, y.weft))
    return f" Along the warp {warp}, along the weft {weft}, shear up to {y.shear_deg.size:.1f} degrees."


def before_and_after(region: RegionPlan, ply: PlyPlan) -> Picture:
    """Return the strain of a ply laid flat uncut above that of its pieces, at one scale and with one legend.

    Parameters
    ----------
    region : RegionPlan
    ply : PlyPlan
    """
    s = ply.strain
    title = f"{region.name} {ply.name}: before and after its cuts"
    whole = [patch.uncut for patch in ply.patches if patch.uncut is not None]
    sets = (_set_out(whole, [[] for _ in whole]), _set_out(ply.pieces, _cut_lines(ply)))
    largest = max(float(p.strain.max()) for q in sets for p in q.pieces)
    mm_in = max(max(q.size[0] / _WIDE_IN, q.size[1] / (0.7 * TALLEST_IN)) for q in sets)
    rooms = [q.size[1] / mm_in + 0.15 for q in sets]
    height = head_in(title) + sum(rooms) + 2 * _CAPTION_IN + LEGEND_IN
    figure = new_figure(height)
    at = height - title_on(figure, title)
    for words, shown, room in zip(_before_after_words(ply, sets), sets, rooms):
        at -= room
        ax = figure.add_axes((_LEFT, at / height, 0.96, room / height))
        _principal(ax, shown, largest=largest, limit=s.limit, wide_mm=0.96 * 7.2 * mm_in)
        _mark_overlaps(ax, shown)
        figure.text(_LEFT, (at - 0.08) / height, words, size=SMALL_PT, color=INK, va="top", linespacing=1.25)
        at -= _CAPTION_IN
    strain_legend(figure, s, LEGEND_IN, largest=largest, cut_line=bool(sets[1].cuts))
    return Picture(
        file_stem(region.name, ply.name, "before-after"),
        f"{ply.name} laid flat before and after its cuts, at one scale",
        f"Two flat shapes of {ply.name} in shades of strain. " + " ".join(_before_after_words(ply, sets)).replace("\n", " "),
        as_png(figure),
        ("before and after", region.name, ply.name),
    )


def _before_after_words(ply: PlyPlan, sets: Sequence[_Set]) -> list[str]:
    out = []
    for name, over, shown in zip(("Uncut", "Cut"), (ply.over_uncut, ply.strain.over_share), sets):
        largest = percent(max(float(p.strain.max()) for p in shown.pieces))
        out.append(f"{name}: {percent(over)} of the area above the limit of {percent(ply.strain.limit)},\nlargest {largest}.")
    return out


# -- one map ---------------------------------------------------------------------------------------------------------
def _principal(ax: Any, shown: _Set, *, largest: float, limit: float, wide_mm: float = 0.0) -> None:
    """Draw strain in all directions, hatched above the limit; in the middle of ``wide_mm`` where that is given."""
    for piece, shift in zip(shown.pieces, shown.shifts):
        uv, faces = piece.shape_mm + shift, piece.surface.faces
        _shade(ax, uv, faces, piece.strain, (0, scale_top(largest, limit)))
        corners = corner_values(piece.surface, piece.strain)
        if corners.max() > limit:
            _over(ax, uv, faces, corners, limit)
        _rims(ax, piece, uv, 1.8)
    _lines(ax, shown.cuts, 1.0)
    _framed(ax, shown, wide_mm)


def _framed(ax: Any, shown: _Set, wide_mm: float = 0.0) -> None:
    pad = 0.015 * max(shown.size)
    side = max(pad, 0.5 * (wide_mm - shown.size[0]))
    frame_on(ax, (-side, -pad, shown.size[0] + side, shown.size[1] + pad))


def _shade(ax: Any, uv: Floats, faces: Any, values: Floats, span: tuple[float, float]) -> None:
    from matplotlib.collections import PolyCollection

    cells = PolyCollection(list(uv[faces]), array=values, cmap=MAP, clim=span, linewidths=0, antialiased=False)
    ax.add_collection(cells)


def _rims(ax: Any, piece: Piece3D, uv: Floats, width: float) -> None:
    from matplotlib.collections import LineCollection

    loops = [np.concatenate([uv[loop], uv[loop[:1]]]) for loop in piece.surface.boundary_loops]
    ax.add_collection(LineCollection(loops, colors=INK, linewidths=width))


def _lines(ax: Any, lines: Sequence[LineString], width: float) -> None:
    for line in lines:
        ax.plot(*shapely.get_coordinates(line).T, color=INK, lw=width, ls=(0, (4, 2)))


def _over(ax: Any, uv: Floats, faces: Any, values: Floats, limit: float, *, hatch: str = "////") -> None:
    """Outline and hatch where values at the corners are above the limit."""
    over = ax.tricontourf(
        uv[:, 0], uv[:, 1], faces, values, levels=[limit, 2 * values.max()], colors="none", hatches=[hatch]
    )
    over.set(edgecolor=INK, linewidth=0.0)
    for colour, width in (("white", 3.4), (INK, 1.8)):
        ax.tricontour(uv[:, 0], uv[:, 1], faces, values, levels=[limit], colors=[colour], linewidths=width)


def _mark_largest(ax: Any, shown: _Set) -> None:
    k = int(np.argmax([p.strain.max() for p in shown.pieces]))
    piece = shown.pieces[k]
    at = piece.shape_mm[piece.surface.faces[int(np.argmax(piece.strain))]].mean(axis=0) + shown.shifts[k]
    ax.plot(*at, "+", ms=14, mew=3.5, color="white")
    ax.plot(*at, "+", ms=13, mew=1.8, color=INK)
    left = at[0] > 0.7 * shown.size[0]
    ax.annotate(
        f"largest {percent(float(piece.strain.max()))}", at, (-10 if left else 10, 8), textcoords="offset points", size=TEXT_PT,
        color=INK, ha="right" if left else "left", path_effects=halo(),
    )  # fmt: skip


def _mark_overlaps(ax: Any, shown: _Set) -> None:
    """Cross where a shape lies over itself."""
    for piece, shift in zip(shown.pieces, shown.shifts):
        places = piece.overlaps_at_mm if piece.overlaps_mm else None
        if places is None:
            continue
        for n, at in enumerate(places + shift):
            ax.plot(*at, "x", ms=15, mew=5.0, color="white", zorder=6)
            ax.plot(*at, "x", ms=13, mew=2.6, color=INK, zorder=6)
            if n == 0:
                left = at[0] > 0.6 * shown.size[0]
                ax.annotate(
                    "lies over itself", at, (-12 if left else 12, -16), textcoords="offset points", size=TEXT_PT, color=INK,
                    ha="right" if left else "left", path_effects=halo(), zorder=6,
                )  # fmt: skip


# -- along the yarns ---------------------------------------------------------------------------------------------------
@dataclass(frozen=True, eq=False)
class _YarnRow:
    """Three small maps in a row: warp, weft and shear."""

    shown: _Set
    yarns: YarnStrain
    limit: float

    @classmethod
    def of(cls, ply: PlyPlan, shown: _Set) -> _YarnRow | None:
        """Return the row of a ply, or None where nobody asked for it."""
        known = ply.yarns is not None and all(p.yarns is not None for p in ply.pieces)
        return cls(shown, ply.yarns, ply.strain.limit) if known and ply.yarns is not None else None

    @property
    def room_in(self) -> float:
        return self.shown.room_in(_SMALL_IN, _SMALL_TALLEST_IN)

    @property
    def height_in(self) -> float:
        return 0.4 + self.room_in + _SMALL_LEGEND_IN + 0.62

    def draw(self, figure: Any) -> None:
        """Draw the row along the foot of a figure."""
        height, y = figure.get_figheight(), self.yarns
        tops = scale_top(max(y.warp.size, y.weft.size), self.limit)
        small: list[tuple[str, Callable[[YarnStretch], Floats], float, float | None]] = [
            ("warp, %", lambda q: q.warp - 1, tops, self.limit),
            ("weft, %", lambda q: q.weft - 1, tops, self.limit),
            ("shear, degrees", lambda q: q.shear_deg, max(y.shear_deg.size, 0.5), None),
        ]
        foot = 0.62 + _SMALL_LEGEND_IN
        for k, (name, read, top, limit) in enumerate(small):
            left = _LEFT + k * 0.327
            ax = figure.add_axes((left, foot / height, 0.31, self.room_in / height))
            self._map(ax, read, top, limit)
            figure.text(left, (foot + self.room_in + 0.08) / height, name, size=SMALL_PT, color=INK, weight="bold")
            bar = figure.add_axes((left + 0.02, (foot - 0.24) / height, 0.255, 0.15 / height))
            _scale(figure, bar, top, limit)
        text = "+ pulled, hatched ////; - puckers, hatched \\\\\\\\: past the limit. Warp runs to the right.\nShear: lines of equal shear, broken where negative."
        figure.text(_LEFT, 0.56 / height, text, size=SMALL_PT - 2, color=INK, va="top", linespacing=1.2)

    def _map(self, ax: Any, read: Callable[[YarnStretch], Floats], top: float, limit: float | None) -> None:
        for piece, shift in zip(self.shown.pieces, self.shown.shifts):
            if piece.yarns is None:
                continue
            uv, faces, values = piece.shape_mm + shift, piece.surface.faces, read(piece.yarns)
            _shade(ax, uv, faces, values, (-top, top))
            corners = corner_values(piece.surface, values)
            if limit is None:
                _equal_lines(ax, uv, faces, corners, top)
            else:
                _past(ax, uv, faces, corners, limit)
            _rims(ax, piece, uv, 1.2)
        _framed(ax, self.shown)


def _past(ax: Any, uv: Floats, faces: Any, values: Floats, limit: float) -> None:
    """Outline and hatch where values are past the limit, up and down, each with its own slant."""
    for sign, hatch in ((1, "/////"), (-1, "\\\\\\\\\\")):
        if (sign * values).max() > limit:
            _over(ax, uv, faces, sign * values, limit, hatch=hatch)


def _equal_lines(ax: Any, uv: Floats, faces: Any, values: Floats, top: float) -> None:
    levels = [share * top for share in (-0.75, -0.5, -0.25, 0.25, 0.5, 0.75) if values.min() < share * top < values.max()]
    if levels:
        ax.tricontour(uv[:, 0], uv[:, 1], faces, values, levels=levels, colors=INK, linewidths=0.8)


def _scale(figure: Any, bar: Any, top: float, limit: float | None) -> None:
    """Draw the colour scale of a small map, the limit on both sides as lines."""
    from matplotlib.cm import ScalarMappable
    from matplotlib.colors import Normalize

    by = 1.0 if limit is None else 100.0
    figure.colorbar(ScalarMappable(Normalize(-by * top, by * top), MAP), cax=bar, orientation="horizontal")
    ticks = (-by * limit, 0.0, by * limit) if limit is not None else (-top, 0.0, top)
    bar.set_xticks(ticks, [f"{t:+.3g}" if t else "0" for t in ticks])
    bar.tick_params(labelsize=SMALL_PT - 1, colors=INK)
    for t in ticks if limit is not None else ():
        if t:
            bar.axvline(t, color="white", lw=3)
            bar.axvline(t, color=INK, lw=1.5)

"""Pictures of lays: the pieces on each roll or remnant, its flaws, where to cut across, and what is left."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Any

import shapely
from shapely import Polygon

from ..export.drawing import file_stem
from ..export.tables import Laid, cloth_name, laid_pieces
from ..units import say_percent as percent
from .flat import fill_shape, mm_for_a_point
from .layout import TALLEST_IN, head_in, title_on
from .style import FAINT, INK, SMALL_PT, TEXT_PT, TINT, WIDTH_IN, Picture, as_png, halo, new_figure
from .words import counted

if TYPE_CHECKING:
    from ..lay.nest import Lay
    from ..planned import RollPlan

_ROWS_A_PICTURE = 3
#: A lay that is longer than its bound by less than this share is as short as can be.
_AS_SHORT = 1e-6
_LONGEST_KEY = 24
#: Dashes of a cut right across the roll.
_ACROSS = (0, (6, 2, 1.5, 2))


def lay_pictures(roll: RollPlan) -> Iterator[Picture]:
    """Yield pictures of every lay of a material; a long lay is cut into rows.

    Parameters
    ----------
    roll : RollPlan
    """
    for n, pieces in enumerate(laid_pieces(roll)):
        lay = roll.lays[n]
        rows = lay_rows(_shown_mm(lay), lay.width_mm)
        groups = [rows[k : k + _ROWS_A_PICTURE] for k in range(0, len(rows), _ROWS_A_PICTURE)]
        for k, group in enumerate(groups):
            part = [str(k + 1)] if len(groups) > 1 else []
            title = f"{roll.material}: {cloth_name(roll, n)}" + (f", part {k + 1} of {len(groups)}" if part else "")
            yield Picture(
                file_stem(roll.material, "lay", str(n + 1), *part),
                f"Lay of {title}",
                f"{len(pieces)} pieces on {_cloth_words(lay)}, {lay.length_mm:.0f} mm of its length used. "
                "The table of places gives the same in numbers.",
                as_png(_lay_page(title, group, lay, pieces)),
                ("lay", roll.material, str(n + 1)),
            )


def _cloth_words(lay: Lay) -> str:
    what = "a remnant" if lay.stock is not None and lay.stock.outline is not None else "a roll"
    flaws = len(lay.stock.flaws) if lay.stock is not None else 0
    noted = f" with {flaws} flaw{'s' * (flaws != 1)}" if flaws else ""
    return f"{what} {lay.width_mm:.0f} mm wide{noted}"


def _shown_mm(lay: Lay) -> float:
    """Length shown: all of a remnant; of a roll what is cut off, and a little more where there is more."""
    if lay.stock is None:
        return lay.length_mm
    if lay.stock.outline is not None:
        return lay.stock.length_mm
    return min(lay.stock.length_mm, lay.length_mm + 0.04 * max(lay.length_mm, lay.width_mm))


def lay_words(lay: Lay) -> str:
    """Return what there is to say of a lay: how much it uses, how near it is to the best, and what is left.

    Parameters
    ----------
    lay : Lay
    """
    count = len(lay.places)
    gap = f", least gap {lay.least_gap_mm:.1f} mm" if count > 1 else ""
    said = [
        f"{counted(count, 'piece')} on {lay.length_mm:.0f} mm of {_cloth_words(lay)}, {percent(lay.use)} used{gap}.",
        _over_words(lay),
    ]
    if lay.cuts_mm:
        cuts = ", ".join(f"{cut:.0f}" for cut in lay.cuts_mm)
        said.append(f"It is cut in {len(lay.cuts_mm) + 1} sections; cut across at {cuts} mm.")
    said += [line for line in _cloth_key(lay) if line.startswith(("Fold", "Flaw", "Left"))]
    if lay.stopped:
        said.append("The search was broken off; this is the best lay found so far.")
    elif not lay.repeatable:
        said.append("A clock ended the search: another run may find another lay.")
    return " ".join(said)


def _over_words(lay: Lay) -> str:
    """Say how near a lay is to the best there can be; the share is rounded up, since it is a promise."""
    if lay.over_bound < _AS_SHORT:
        return f"No lay of these pieces can be shorter (bound: {lay.bound_name})."
    tenths = math.ceil(1000.0 * lay.over_bound - 1e-6)
    return (
        f"At most {tenths / 10:.1f} % longer than any possible lay of these pieces, which takes {lay.bound_mm:.0f} mm or more "
        f"(bound: {lay.bound_name})."
    )


def lay_rows(length_mm: float, width_mm: float) -> list[tuple[float, float]]:
    """Return the stretches into which a long lay is cut for its pictures, mm.

    Parameters
    ----------
    length_mm, width_mm : float
    """
    count = max(1, math.ceil(length_mm / (2.3 * width_mm) - 0.15))
    step = length_mm / count
    return [(k * step, (k + 1) * step) for k in range(count)]


def _lay_page(title: str, rows: Sequence[tuple[float, float]], lay: Lay, pieces: Sequence[Laid]) -> Any:
    span = rows[0][1] - rows[0][0]
    wide = 0.845 * WIDTH_IN
    room = min(wide * lay.width_mm / span, TALLEST_IN)
    shown = [p for p in pieces if any(p.span_mm[0] < b and p.span_mm[2] > a for a, b in rows)]
    key = _lay_key(shown) if len(shown) <= _LONGEST_KEY else ["Names and places of the pieces: see the cut list."]
    key += _cloth_key(lay)
    foot = 0.25 * len(key) + 0.35
    height = head_in(title) + len(rows) * (room + 0.85) + foot
    figure = new_figure(height)
    at = height - title_on(figure, title)
    for row in rows:
        ax = figure.add_axes((0.125, (at - room) / height, 0.845, room / height))
        _lay_row(ax, row, lay, pieces)
        at -= room + 0.85
    at += 0.05
    figure.text(0.02, at / height, "\n".join(key), size=SMALL_PT, color=INK, va="top", linespacing=1.35)
    return figure


def _lay_key(pieces: Sequence[Laid]) -> list[str]:
    lines = ["number, piece: from - to along, from - to across, mm"]
    for p in pieces:
        x0, y0, x1, y1 = p.span_mm
        name = textwrap.shorten(p.template.name, 34, placeholder="…")
        off = f", {p.off_grain_deg:+g}° off grain" if p.off_grain_deg else ""
        lines.append(f"{p.number}  {name}: {x0:z.0f} - {x1:.0f}, {y0:z.0f} - {y1:.0f}{off}")
    return lines


def _cloth_key(lay: Lay) -> list[str]:
    """Say where to cut across, where flaws are and what is left."""
    lines = []
    for k, cut in enumerate(lay.cuts_mm, 1):
        lines.append(f"Cut across at {cut:.0f} mm: end of section {k}.")
    for fold in lay.folds_mm:
        lines.append(f"Fold face to face at {fold:.0f} mm and cut through both layers.")
    if lay.stock is None:
        return lines
    for flaw in lay.stock.flaws:
        x, y = flaw.from_end_mm, flaw.from_edge_mm
        if lay.stock.outline is not None or x < lay.length_mm:
            lines.append(f"Flaw: {x:.0f} - {x + flaw.along_mm:.0f}, {y:.0f} - {y + flaw.across_mm:.0f} mm, hatched.")
    if lay.left:
        area = sum(part.area for part in lay.left) / 1e6
        more = f" in {len(lay.left)} pieces" if len(lay.left) > 1 else ""
        lines.append(f"Left and worth keeping: {area:.2f} m²{more}.")
    return lines


def _lay_row(ax: Any, row: tuple[float, float], lay: Lay, pieces: Sequence[Laid]) -> None:
    window = shapely.box(row[0], 0, row[1], lay.width_mm)
    mm_pt = mm_for_a_point(ax, (row[1] - row[0], lay.width_mm))
    _cloth(ax, lay, window, mm_pt)
    for piece in pieces:
        shape = piece.place.outline
        if not shape.intersects(window):
            continue
        fill_shape(ax, shape, facecolor=TINT, edgecolor=INK, linewidth=1.4)
        seen = shape.intersection(window)
        part = max(getattr(seen, "geoms", [seen]), key=lambda g: g.area)
        if part.area > 0.02 * shape.area:
            _number(ax, piece, part, mm_pt)
    ax.set_xlim(*row)
    ax.set_ylim(0, lay.width_mm)
    ax.set_aspect("equal")
    ax.set_anchor("W")
    remnant = lay.stock is not None and lay.stock.outline is not None
    for name, side in ax.spines.items():
        # A row that goes on is left open at that end; a remnant shows its own outline.
        side.set(color=FAINT if remnant else INK, linewidth=2.0 if name in ("top", "bottom") and not remnant else 1.0)
    ax.tick_params(labelsize=SMALL_PT, colors=INK)
    ax.locator_params(nbins=6)
    ax.set_xlabel("mm from its left end" if remnant else "mm from the roll's end", size=SMALL_PT, color=INK, labelpad=2)
    ax.set_ylabel("mm from its lower side" if remnant else "mm from the edge", size=SMALL_PT, color=INK, labelpad=2)


def _number(ax: Any, piece: Laid, part: Polygon, mm_pt: float) -> None:
    """Write a piece's number into it, and its name below where there is room."""
    circle = shapely.maximum_inscribed_circle(part, tolerance=2 * mm_pt)
    x, y = circle.coords[0][:2]
    ax.text(
        x, y, str(piece.number), size=TEXT_PT + 1, weight="bold", color=INK, ha="center", va="center",
        path_effects=halo(), clip_on=True,
    )  # fmt: skip
    name = piece.template.name
    size = shapely.box(x - 0.28 * len(name) * SMALL_PT * mm_pt, y - 2.0 * TEXT_PT * mm_pt, x + 0.28 * len(name) * SMALL_PT * mm_pt, y)
    if part.covers(size):
        ax.text(
            x, y - 0.8 * TEXT_PT * mm_pt, name, size=SMALL_PT, color=INK, ha="center", va="top", clip_on=True,
        )  # fmt: skip


def _cloth(ax: Any, lay: Lay, window: Polygon, mm_pt: float) -> None:
    """Draw the cloth under the pieces: its outline, its flaws, the cuts across and what is left."""
    stock = lay.stock
    if stock is not None and stock.outline is not None:
        fill_shape(ax, stock.outline, facecolor="none", edgecolor=INK, linewidth=2.0)
    for part in lay.left if stock is not None and stock.outline is not None else ():
        fill_shape(ax, part, facecolor="none", edgecolor=FAINT, linewidth=1.0, hatch="..", zorder=0.5)
        _word(ax, part, "left", window, mm_pt)
    for flaw in stock.flaws if stock is not None else ():
        fill_shape(ax, flaw.box, facecolor="none", edgecolor=INK, linewidth=1.2, hatch="xxxx")
        _word(ax, flaw.box, "flaw", window, mm_pt)
    for cut in lay.cuts_mm:
        ax.plot([cut, cut], [0, lay.width_mm], color=INK, lw=2.0, ls=_ACROSS)
    for fold in lay.folds_mm:
        ax.plot([fold, fold], [0, lay.width_mm], color=INK, lw=1.6, ls=(0, (1.2, 1.6)))
        if window.bounds[0] <= fold <= window.bounds[2]:
            ax.text(fold, 1.01 * lay.width_mm, "fold", size=SMALL_PT, color=INK, ha="center", va="bottom")
    if stock is not None and stock.outline is None and stock.length_mm > lay.length_mm:
        ax.plot([lay.length_mm] * 2, [0, lay.width_mm], color=INK, lw=2.0, ls=_ACROSS)
        if window.bounds[0] <= lay.length_mm <= window.bounds[2]:
            ax.text(
                lay.length_mm, 1.01 * lay.width_mm, f"cut off at {lay.length_mm:.0f} mm", size=SMALL_PT, color=INK, ha="right",
                va="bottom",
            )  # fmt: skip


def _word(ax: Any, shape: Any, word: str, window: Polygon, mm_pt: float) -> None:
    """Write a word into the roomiest part of a shape that is seen, or beside it where it is too small."""
    seen = shape.intersection(window)
    parts = [part for part in getattr(seen, "geoms", [seen]) if part.geom_type == "Polygon" and not part.is_empty]
    if not parts:
        return
    part = max(parts, key=lambda part: part.area)
    circle = shapely.maximum_inscribed_circle(part, tolerance=2 * mm_pt)
    x, y = circle.coords[0][:2]
    across = "center"
    if circle.length < 0.3 * len(word) * SMALL_PT * mm_pt:
        x, y, across = part.bounds[2] + 3.0 * mm_pt, 0.5 * (part.bounds[1] + part.bounds[3]), "left"
        if x + 0.6 * len(word) * SMALL_PT * mm_pt > window.bounds[2]:
            x, across = part.bounds[0] - 3.0 * mm_pt, "right"
    ax.text(x, y, word, size=SMALL_PT, color=INK, ha=across, va="center", path_effects=halo(), clip_on=True, zorder=5)

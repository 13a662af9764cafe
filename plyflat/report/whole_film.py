"""A bag's film laid whole, on paper: what it leaves open beside what the sections tell, and where."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from ..export.drawing import file_stem
from .bag import _above, _marked, _numbers, _over, lead_of
from .hull import Stage, _directions, _page
from .scene import lifted
from .style import INK, MAP, SMALL_PT, TINT, Picture, as_png

if TYPE_CHECKING:
    from ..bag.whole_film import WholeState
    from ..bag.whole_search import WholeFilm
    from ..planned import BagReach
    from ..surface.mesh import Floats

_LEGEND_IN = 1.25
#: Limp film stands up in ripples of its own cells; less than this share of the limit is not drawn.
_RIPPLES = 0.25
BESIDE_HEAD = (
    "film", "off the corner at most, by sections, mm#", "laid whole, mm#", "between, as flat cells tell it, mm#", "on the mean, mm#",
    "corner over the limit, mm#", "resin, g#", "keeps the limit",
)  # fmt: skip
WHOLE_HEAD = (
    "film laid whole", "not touched at corners, cm²#", "volume there, cm³#", "largest stretch#", "draws over, cm²#", "tight one way or slack, %#",
    "folded, %#", "points#", "not balanced, %#",
)  # fmt: skip


def beside_rows(reach: BagReach | None) -> list[tuple[str, ...]]:
    """Rows of the table of what sections and the whole film tell, side by side.

    Parameters
    ----------
    reach : BagReach or None
    """
    if reach is None or reach.film is None or reach.film.whole is None:
        return []
    film, whole = reach.film, reach.film.whole
    rows = [_beside("drawn taut, no pleats", film.taut[-1].depth_mm, whole.taut, whole)]
    for q in whole.tries:
        own = q is whole.best
        last = film.pleated[-1].depth_mm if own else None
        rows.append(_beside(q.what + (" (in the plan)" if own else ""), last, q.state, whole))
    told = {q.what: q.state.depth_mm for q in film.cures}
    return rows + [_beside(q.what, told.get(q.what), q.state, whole) for q in whole.cures]


def _beside(what: str, sections_mm: float | None, q: WholeState, whole: WholeFilm) -> tuple[str, ...]:
    low, high = q.range_mm[q.worst]
    return (
        what, "-" if sections_mm is None else f"{sections_mm:.1f}", f"{q.worst_mm:.1f}", f"{low:.1f} to {high:.1f}", f"{q.mean_mm:.1f}",
        f"{q.over_mm:.0f}", f"{q.resin_g:.1f}", "yes" if q.worst_mm <= whole.limit_mm and not q.bursts else "no",
    )  # fmt: skip


def whole_rows(reach: BagReach | None) -> list[tuple[str, ...]]:
    """Rows of the table of how the whole film lies, taut and as the plan has it.

    Parameters
    ----------
    reach : BagReach or None
    """
    if reach is None or reach.film is None or reach.film.whole is None:
        return []
    whole = reach.film.whole
    states = [("drawn taut", whole.taut)] + ([("with its pleats", whole.best.state)] if whole.best is not None else [])
    return [
        (
            what, f"{q.area_mm2 / 100:.0f}", f"{q.volume_mm3 / 1000:.1f}", f"{q.stretch:.2f}" + (", bursts" if q.bursts else ""),
            f"{q.drawn_mm2 / 100:.0f}", f"{100 * q.wrinkled:.0f}", f"{100 * q.folded:.0f}", f"{len(q.film_mm)}", f"{100 * q.residual:.1f}",
        )
        for what, q in states
    ]  # fmt: skip


def whole_words(reach: BagReach | None) -> list[str]:
    """Sentences about the film laid whole, for the sheet.

    Parameters
    ----------
    reach : BagReach or None
    """
    if reach is None or reach.film is None or reach.film.whole is None:
        return []
    whole = reach.film.whole
    last = whole.last
    words = [
        f"The film was also laid whole over all within the tape, over a stack of {whole.offset_mm:.1f} mm, with {len(last.film_mm)} points. So laid "
        "it sees where walls meet and folds cross, and whether it finds its way in. It slides freely: what friction holds back is the "
        "sections' second figure. Gaps are told from the stack's own corner. Where sections and the whole film differ, go by the larger."
    ]
    with_ = "with the pleats as listed" if whole.best is not None else "without pleats"
    low, high = last.range_mm[last.worst]
    x, y, z = last.worst_place_mm
    text = (
        f"Laid whole {with_} it stands {last.mean_mm:.1f} mm off the corners on the mean and {last.worst_mm:.1f} mm at most "
        f"({low:.1f} to {high:.1f} mm as flat cells tell it), near ({x:.0f}, {y:.0f}, {z:.0f}) mm"
    )
    if not last.converged:
        text += f" ({100 * last.residual:.1f} % of the pressure not yet balanced: limp film was still creeping in, so that is the most it leaves)"
    if whole.met:
        words.append(f"{text}: it keeps the limit of {whole.limit_mm:g} mm.")
    else:
        words.append(f"{text}: {last.worst_mm - whole.limit_mm:.1f} mm more than the limit of {whole.limit_mm:g} mm.{_tried_words(whole)}")
    return words


def _tried_words(whole: WholeFilm) -> str:
    more = whole.tries[1:]
    text = ""
    if more and not any(q.better for q in more):
        text = f" More film in the pleats was tried {len(more)} time{'s' * (len(more) != 1)} and does not help: film beyond what is needed only folds."
    elif more:
        text = " More film in the pleats was tried; the best is in the plan."
    met = [q for q in whole.cures if q.meets]
    if met:
        return f"{text} Laid whole, {met[0].what} keeps it."
    return text + (" Nothing else that was laid whole keeps it: work film into that place by hand, or fill it." if whole.cures else "")


# -- the maps -------------------------------------------------------------------------------------------------------------


def whole_pictures(stage: Stage) -> Iterator[Picture]:
    """Yield the gap under the whole film drawn on the hull: taut, and with its pleats.

    Parameters
    ----------
    stage : Stage
    """
    reach = stage.region.reach
    if reach is None or reach.film is None or reach.film.whole is None:
        return
    whole = reach.film.whole
    yield whole_picture(stage, reach, whole.taut, "drawn taut", pleats=False)
    if whole.best is not None:
        yield whole_picture(stage, reach, whole.best.state, "with its pleats", pleats=True)


def whole_picture(stage: Stage, reach: BagReach, state: WholeState, how: str, *, pleats: bool) -> Picture:
    """Return the gap under the whole film drawn on the hull, what is above the limit outlined, the pleats drawn.

    Parameters
    ----------
    stage : Stage
    reach : BagReach
    state : WholeState
    how : str
        How it lies, in words.
    pleats : bool
        Whether its pleats are drawn.
    """
    gap, limit = state.hull_gap_mm, reach.limit_mm
    top = 4.0 * limit
    stage.scene.clear()
    stage.scene.add(stage.whole)
    stage.scene.add(lifted(reach.surface, 0.6 * stage.lift_mm), colour=TINT)
    values = gap[reach.surface.faces].mean(axis=1)
    off = values > _RIPPLES * limit
    if off.any():
        part, _ = lifted(reach.surface, stage.lift_mm).sub(off)
        stage.scene.add(part, values=values[off], span=(0.0, top), shades=MAP)
    over = _over(stage, reach)
    for line in over:
        stage.scene.line(line, colour=INK, width=2.5, closed=True)
    if pleats:
        for p in reach.pleats:
            stage.scene.line(lead_of(stage, reach, p), colour=INK, width=3.0)
    shots = stage.shoot()
    masks = _above(stage, reach, gap, limit)
    title = f"{stage.region.name}: the film laid whole, {how}"
    figure, axes = _page(title, shots, stage.height_in, foot_in=_LEGEND_IN)
    for ax, shot, mask in zip(axes, shots, masks):
        if mask.any():
            _marked(ax, mask)
        if pleats:
            _numbers(ax, shot, stage, [(str(p.number), _at(stage, reach, p.place_mm)) for p in reach.pleats])
        _directions(ax, shot, stage)
    _legend(figure, limit, top, bool(gap.max() > top))
    x, y, z = state.worst_place_mm
    return Picture(
        file_stem(stage.region.name, f"whole-film-{'pleats' if pleats else 'taut'}"),
        title,
        f"Gap between the stack and the film laid whole, {how}, at {state.pressure_kpa:.0f} kPa, drawn on the hull in shades from 0 to {top:.0f} mm; outlined where it is over "
        f"{limit:g} mm. At the corners it stands {state.mean_mm:.1f} mm off on the mean, and {state.worst_mm:.1f} mm at most, near "
        f"({x:.0f}, {y:.0f}, {z:.0f}) mm. Away from corners loose film stands up in folds as large as its cells: smooth them out by hand while it is "
        "still loose.",
        as_png(figure),
        ("whole film", stage.region.name),
    )


def _at(stage: Stage, reach: BagReach, place: tuple[float, float, float]) -> Floats:
    """A place on the tape, lifted off the hull."""
    import numpy as np

    p = np.asarray(place)[None]
    found = reach.surface.locate(p)
    return np.asarray((found.points_mm + 2 * stage.lift_mm * reach.surface.face_normals[found.face])[0])


def _legend(figure: Any, limit: float, top: float, more: bool) -> None:
    from matplotlib.cm import ScalarMappable
    from matplotlib.colors import Normalize

    height = figure.get_figheight()
    bar = figure.add_axes((0.06, (_LEGEND_IN - 0.46) / height, 0.5, 0.22 / height))
    figure.colorbar(ScalarMappable(Normalize(0, top), MAP), cax=bar, orientation="horizontal", extend="max" if more else "neither")
    bar.tick_params(labelsize=SMALL_PT, colors=INK)
    bar.set_xlabel("gap under the whole film, mm", size=SMALL_PT, color=INK)
    bar.axvline(limit, color="white", lw=4)
    bar.axvline(limit, color=INK, lw=2)
    figure.text(
        0.6, (_LEGEND_IN - 0.16) / height, f"line: limit of {limit:g} mm\nwithin it: above that\nlaid whole, sliding freely",
        size=SMALL_PT, color=INK, va="top", linespacing=1.25,
    )  # fmt: skip


__all__ = ["BESIDE_HEAD", "WHOLE_HEAD", "beside_rows", "whole_pictures", "whole_rows", "whole_words"]

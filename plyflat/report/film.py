"""A bag's film as it lies, on paper: what it leaves open, what would help, which layer bridges first, where it folds."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from ..export.drawing import file_stem
from .hull import Stage, _directions, _page, hatch
from .layout import head_in
from .scene import lifted
from .style import INK, MAP, SMALL_PT, TINT, Picture, as_png

if TYPE_CHECKING:
    from ..bag.film import Film
    from ..bag.film_states import FilmState
    from ..planned import BagReach, FilmPlan

_LEGEND_IN = 1.25
#: Shades of the map of excess end here, degrees.
_MOST_DEG = 90.0
STATE_HEAD = (
    "film", "vacuum, kPa#", "off the corner, mm#", "corner over the limit, mm#", "hull not touched, cm²#", "volume, cm³#", "resin, g#",
    "largest stretch#",
)  # fmt: skip
CURE_HEAD = ("what", "off the corner, mm#", "volume, cm³#", "resin, g#", "keeps the limit")
LAYER_HEAD = ("layer", "material", "hangs free with radius, mm#", "off the corner, mm#", "volume, cm³#", "figures")
#: A film that is cut in one sheet may also be laid whole.
UNJOINED = ("drawn taut", "with its pleats")
SKINS = "Vacuum crushes: a thin skin between frames, foam that is soft with heat, and hollow tubes are pressed by all of it."
STATE_TUBES = "State hollow tubes in the bag's table to have them checked (elastic buckling of a long round tube, from memory)"
STATED_TUBES = "Hollow tubes that the bag's table states are checked under the vacuum ({}); state any other"
LICENSED = "shore or vent what is in doubt. Data sheets and local rules come first, and structure is for who is licensed to judge it."


def _ends(low: float, high: float, places: int) -> str:
    one, two = f"{low:.{places}f}", f"{high:.{places}f}"
    return one if one == two else f"{one} to {two}"


def state_rows(reach: BagReach | None) -> list[tuple[str, ...]]:
    """Rows of the table of how the film lies.

    Parameters
    ----------
    reach : BagReach or None
    """
    if reach is None or reach.film is None:
        return []
    film = reach.film
    states = list(film.taut) + (list(film.pleated) if film.pleated is not film.taut else [])
    return [_state_row(q) for q in states]


def _state_row(q: FilmState) -> tuple[str, ...]:
    return (
        q.name, f"{q.pressure_kpa:.0f}", _ends(q.depth_mm, q.depth_most_mm, 1), f"{q.over_mm:.0f}",
        _ends(q.area_mm2 / 100, q.area_most_mm2 / 100, 0), _ends(q.volume_mm3 / 1000, q.volume_most_mm3 / 1000, 1),
        _ends(q.resin_g, q.resin_most_g, 1), f"{q.stretch:.2f}" + (", breaks" if q.bursts else ", draws" if q.draws else ""),
    )  # fmt: skip


def cure_rows(reach: BagReach | None) -> list[tuple[str, ...]]:
    """Rows of the table of what would help, side by side.

    Parameters
    ----------
    reach : BagReach or None
    """
    if reach is None or reach.film is None:
        return []
    return [
        (
            q.what, _ends(q.state.depth_mm, q.state.depth_most_mm, 1),
            _ends(q.state.volume_mm3 / 1000, q.state.volume_most_mm3 / 1000, 1),
            _ends(q.state.resin_g, q.state.resin_most_g, 1), "yes" if q.meets else "no",
        )
        for q in reach.film.cures
    ]  # fmt: skip


def layer_rows(reach: BagReach | None) -> list[tuple[str, ...]]:
    """Rows of the table of layers that would bridge, the worst first, and what is left where they are slit.

    Parameters
    ----------
    reach : BagReach or None
    """
    if reach is None or reach.film is None or not reach.film.layers:
        return []
    ways = {"through": "in one piece", "cut": "cut along the corner"}
    return [
        (
            f"{q.kind}, {ways[q.way]}" + (f", lapped by {q.lap_mm:.0f} mm" if q.lap_mm > 0 else ""), q.material, f"{q.radius_mm:.0f}",
            _ends(q.depth_mm, q.depth_most_mm, 1), _ends(q.volume_mm3 / 1000, q.volume_most_mm3 / 1000, 1), q.marks,
        )
        for q in reach.film.layers
    ]  # fmt: skip


def film_words(reach: BagReach | None, *, tubes: Sequence[str] = (), through: Sequence[str] = ()) -> list[str]:
    """Sentences about how the film lies, for the sheet: how it was worked out, and what came of it.

    Parameters
    ----------
    reach : BagReach or None
    tubes : sequence of str
        Hollow tubes that the bag states.
    through : sequence of str
        Kinds of the layers that this bag has running through inside corners in one piece.
    """
    return [*film_method_words(reach), *film_found_words(reach, tubes=tubes, through=through)]


def film_method_words(reach: BagReach | None) -> list[str]:
    """Sentences about how the film was laid, how far it is stretched, and what the layers below it would do.

    Parameters
    ----------
    reach : BagReach or None
    """
    if reach is None or reach.film is None:
        return []
    film = reach.film
    words = [
        f"The film was laid over {len(film.taut[-1].laid)} sections square to the inside corners, {film.film.thickness_mm:g} mm thick, "
        f"{film.film.modulus_mpa:g} MPa stiff, drawing from {film.film.yield_mpa:g} MPa. Where two figures are told, the first is for film that slides or "
        f"is worked in by hand, the second for film that friction of {film.friction:g} holds back. Sections do not see where three walls meet: "
        "there it leaves more. With pleats they tell what the film's length allows, not that it finds its way into the corner by "
        "itself: take those figures for the least."
        + ("" if film.whole is not None or film.pleated[-1].name not in UNJOINED else ' To have it laid whole as well, state worked_out = "whole" in the bag\'s film.')
    ]
    words += [q for q in [_stretch_words(film)] if q]
    if film.layers:
        words.append(_layer_words(film))
    return words


def film_found_words(reach: BagReach | None, *, tubes: Sequence[str] = (), through: Sequence[str] = ()) -> list[str]:
    """Sentences about what the builder must know of it: what pleats do, what holds the film off, where it folds, what it may crush.

    Parameters
    ----------
    reach : BagReach or None
    tubes, through : sequence of str
        As for `film_words`.
    """
    if reach is None:
        return []
    skins = f"{SKINS} {STATED_TUBES.format(', '.join(tubes)) if tubes else STATE_TUBES}; {LICENSED}"
    if reach.film is None:
        return [skins]
    film = reach.film
    words = []
    if film.fed is not None:
        words.append(_pleat_words(film))
    off = [q for q in film.layers if q.way == "through" and q.kind in through and q.depth_most_mm > film.limit_mm]
    if off:
        told = " and ".join(f"the {q.kind} {_ends(q.depth_mm, q.depth_most_mm, 0)} mm" for q in off)
        words.append(f"That is the film alone. Layers that this bag has running through its corners in one piece hold it off, laid taut: {told}. Cut them or press them in.")
    if film.excess.places:
        (x, y, z), deg = film.excess.places[0]
        count = len(film.excess.places)
        words.append(
            f"A flat film is too much at {count} place{'s' * (count != 1)}, most near ({x:.0f}, {y:.0f}, {z:.0f}) mm, where {deg:.0f} of the "
            "360° about it fold away: a fold prints a ridge of resin. Smooth it out towards the tape before the vacuum rises, or gather it "
            "into a pleat beside the laminate."
        )
    return [*words, skins]


def _stretch_words(film: FilmPlan) -> str:
    """How far the film is stretched beside where it draws and where it breaks."""
    sheet, last = film.film, film.pleated[-1]
    text = ""
    if sheet.yield_mpa is not None:
        text = f"Pulled one way it draws from {1 + sheet.yield_mpa / sheet.modulus_mpa:.2f} times its length as cut"
    if sheet.break_stretch is not None:
        text += f"{' and' if text else 'Pulled one way it'} breaks at {sheet.break_stretch:.2f} times"
    if not text:
        return ""
    states = [film.taut[-1]] if film.pleated is film.taut else [film.taut[-1], last]
    told = " and ".join(f"{q.name} it is stretched to {q.stretch:.2f} times at most{_share_of_break(q, sheet)}" for q in states)
    return f"{text}. At full vacuum, {told}."


def _share_of_break(q: FilmState, sheet: Film) -> str:
    if sheet.break_stretch is None:
        return ""
    if q.bursts:
        return " and breaks"
    return f" ({100 * max(q.stretch - 1.0, 0.0) / (sheet.break_stretch - 1.0):.0f} % of the way to its break)"


def _layer_words(film: FilmPlan) -> str:
    one, cut = film.layers[:2]
    text = (
        f"Of the layers below, the {one.kind} bridges most if it runs through the corner in one piece and taut: by "
        f"{_ends(one.depth_mm, one.depth_most_mm, 0)} mm, the first figure with friction of {film.friction:g} alone at its edges and the second "
        "with its edges held fast. Cut along the corner line it lies down on both sides; friction may hold its lap "
        f"{cut.depth_most_mm:.1f} mm off."
    )
    cuts = [q for q in film.layers if q.way == "cut"]
    least, most = max(q.lap_least_mm for q in cuts), min(q.lap_most_mm for q in cuts)
    short, long = f"shorter than {least:.0f} mm may draw off the line", f"longer than {most:.0f} mm may be held more than {film.limit_mm:g} mm off"
    if least >= 1 and most <= least:
        return f"{text} No lap does both: one {short}, and one {long}. Press it in by hand until the film holds it, or lay a fillet."
    bounds = [short] * (least >= 1) + [long] * (most < float("inf"))
    return f"{text} A lap {' and one '.join(bounds)}." if bounds else text


def _pleat_words(film: FilmPlan) -> str:
    fed = film.fed
    if fed is None or not len(fed.wanted_mm):
        return ""
    spare = fed.given_mm - fed.wanted_mm
    text = (
        f"The corners want up to {fed.wanted_mm.max():.0f} mm of film beyond a taut one; the pleats, margins not counted, give up to "
        f"{fed.given_mm.max():.0f} mm"
    )
    if spare.max() > 5.0:
        text += f", at most {spare.max():.0f} mm more than wanted: lay that flat away from the laminate"
    kept = "keeps" if film.met else "does not keep"
    # Laid whole it may do otherwise, and that is told too: the two must not sound like one.
    who = "the film" if film.whole is None else "the film over sections"
    return text + f". So fed, {who} {kept} the limit of {film.limit_mm:g} mm."


# -- the map of excess ----------------------------------------------------------------------------------------------------


def excess_picture(stage: Stage, reach: BagReach) -> Picture | None:
    """Return where a flat film is too much and folds, with the places where it is short; None where nothing is known.

    Parameters
    ----------
    stage : Stage
    reach : BagReach
    """
    from ..bag.excess import DISC_MM, FOLDS_DEG

    if reach.film is None:
        return None
    found = reach.film.excess
    over = lifted(found.surface, stage.lift_mm)
    values = found.deg[found.surface.faces].mean(axis=1)
    top = float(np.clip(values.max(initial=0.0), 2 * FOLDS_DEG, _MOST_DEG))
    stage.scene.clear()
    stage.scene.add(stage.whole)
    stage.scene.add(lifted(reach.surface, 0.6 * stage.lift_mm), colour=TINT)
    folds = values > FOLDS_DEG
    if folds.any():
        # What lies flat keeps the hull's own shading, so that its shape is seen.
        stage.scene.add(over.sub(folds)[0], values=values[folds], span=(0.0, top), shades=MAP)
    for line in reach.tapes_mm:
        stage.scene.line(line, colour=INK, width=2.5, closed=True)
    shots = stage.shoot()
    masks = [short_of(stage, reach, -found.deg, FOLDS_DEG)] if (found.deg < -FOLDS_DEG).any() else []
    title = f"{stage.region.name}: where a flat film is too much and folds"
    figure, axes = _page(title, shots, stage.height_in, foot_in=_LEGEND_IN)
    for k, (ax, shot) in enumerate(zip(axes, shots)):
        for mask in masks:
            if mask[k].any():
                hatch(ax, mask[k])
        _directions(ax, shot, stage)
    _legend(figure, top, FOLDS_DEG)
    if not folds.any() and not masks:
        figure.text(0.02, 1 - (head_in(title) - 0.1) / figure.get_figheight(), "Nowhere: a flat film lies down without a fold.", size=SMALL_PT, color=INK, va="top")
    return Picture(
        file_stem(stage.region.name, "film-excess"),
        title,
        f"How much of the full turn of a flat film is too much within {DISC_MM:.0f} mm of each place, in shades from 0 to {top:.0f} degrees: "
        f"at {len(found.places)} places it folds. Hatched: where it is short by more than {FOLDS_DEG:.0f} degrees.",
        as_png(figure),
        ("film excess", stage.region.name),
    )


def short_of(stage: Stage, reach: BagReach, values: Any, limit: float) -> list[Any]:
    """Masks, one for each view, of where values at the vertices of the map of excess are above a limit."""
    surface = reach.film.excess.surface if reach.film is not None else reach.surface
    stage.scene.clear()
    stage.scene.add(stage.whole, colour="white", shaded=False)
    stage.scene.add(lifted(surface, stage.lift_mm), colour="white", shaded=False)
    stage.scene.add_above(lifted(surface, 1.3 * stage.lift_mm), values, limit, colour="black")
    return [shot.image.max(axis=2) < 128 for shot in stage.shoot(depth=False)]


def _legend(figure: Any, top: float, folds: float) -> None:
    from matplotlib.cm import ScalarMappable
    from matplotlib.colors import Normalize

    height = figure.get_figheight()
    bar = figure.add_axes((0.06, (_LEGEND_IN - 0.46) / height, 0.5, 0.22 / height))
    figure.colorbar(ScalarMappable(Normalize(0, top), MAP), cax=bar, orientation="horizontal", extend="max")
    bar.tick_params(labelsize=SMALL_PT, colors=INK)
    bar.set_xlabel("film too much, degrees of a full turn", size=SMALL_PT, color=INK)
    bar.axvline(folds, color="white", lw=4)
    bar.axvline(folds, color=INK, lw=2)
    figure.text(
        0.6, (_LEGEND_IN - 0.16) / height, f"line: above {folds:.0f}° it folds\nhatched: short by more\nthan that",
        size=SMALL_PT, color=INK, va="top", linespacing=1.25,
    )  # fmt: skip


__all__ = [
    "CURE_HEAD", "LAYER_HEAD", "STATE_HEAD", "cure_rows", "excess_picture", "film_words", "layer_rows", "state_rows",
]  # fmt: skip

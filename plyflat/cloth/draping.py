"""Where and how a piece of a ply is laid by its threads: start, first threads, and what would take out more shear."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from ..errors import PlyflatError, SolveError
from ..progress import quiet
from ..surface.coarsen import coarsen
from ..surface.cut import insert_paths
from ..surface.mesh import Bools, Floats, Surface
from ..units import say_percent
from ._cutting import cut_along
from ._drape_search import (
    COVER_LOST,
    Question,
    Trial,
    far_from,
    least_bound,
    refined,
    spread_starts,
    steer_net,
    trial_of,
    try_one,
)
from ._generators import POWER, straight
from ._net_bed import Bed, make_bed, piece_bed, seam_places
from ._net_beyond import cuts_of, lay_beyond, tips_of
from ._net_developed import developed, lay_developed
from ._net_lay import lay, score
from ._patch import place_text
from .drape import DartAdvice, Drape, drape_of
from .draped import Draped, draped_flat, refuse_bare, seam_bed
from .locking import Locking

__all__ = ["Laying", "Tried", "Wishes", "lay_piece"]

#: Starts tried for a piece, nets laid to refine the best one, and bars across each.
STARTS, REFINE, BARS = 4, 10, 36
#: Where cloth shears no more than this, no other start is looked for.
EASY_DEG = 1.0
#: Of a coarse net that covers less than this, or shears past locking by this factor, a fine one is not laid.
HOPELESS_COVER, HOPELESS = 0.93, 1.6
#: Starts that cover this much less of a piece are not held beside the best one.
ALIKE_COVER = 0.01
#: A piece that is covered but for this much is covered.
ALL = 0.999
#: Turns of the warp that are tried where cloth locks, to say what they would gain.
TURNS_DEG = (-45.0, -30.0, -15.0, 15.0, 30.0)
#: Triangles of the copy that advised darts are tried on, how far it may stray in bars, and how far beyond a spot's worst
#: place the edge is looked for, in shares of the way there.
DART_FACES, STRAY, OUTWARD = 4000, 0.05, 3.0
#: Starts tried for each half of a piece that is cut in two.
HALF_STARTS = 2
#: Bent first threads must lessen the shear by this share: they have to be marked on the mould and followed.
WORTH = 0.02


@dataclass(frozen=True, eq=False)
class Wishes:
    """How a piece is to be laid.

    Attributes
    ----------
    warp : (3,) float array
        The stated warp line's direction.
    angle_deg : float
        Turn of the cloth's warp from there, anticlockwise seen from the air side.
    locking : Locking
    within_deg : float
        How far the warp at the start may be off the angle.
    start_mm : (3,) float array, mm, optional
        Where the cloth is put down first; sought without it.
    steer : {"where it locks", "never", "always"}
        Whether the first two threads may be bent.
    locked_share : float
        Share of the piece that may lie past locking before the net is given up.
    """

    warp: Floats
    angle_deg: float
    locking: Locking
    within_deg: float = 0.0
    start_mm: Floats | None = None
    steer: str = "where it locks"
    locked_share: float = 0.05


@dataclass(frozen=True, eq=False)
class Tried:
    """Something else that was tried to take shear out of a piece.

    Attributes
    ----------
    what : str
    most_deg : float
        Largest shear with it.
    locked_share : float
        Share of the piece past locking with it.
    cover : float
        Share of the piece that the net reaches.
    """

    what: str
    most_deg: float
    locked_share: float
    cover: float = 1.0


@dataclass(frozen=True, eq=False)
class Laying:
    """How a piece is laid by its threads, or why it cannot be.

    Attributes
    ----------
    draped : Draped or None
    refused : str
        Why there is none, with the place.
    plain : Drape or None
        With straight first threads, where bent ones were taken.
    tried : tuple of Tried
        What was tried beside, the way taken first; where nothing locks, only that.
    bound_deg : float
        Shear that no start can avoid, by the curvature the piece encloses.
    must_cut : bool
        Whether that is past locking.
    """

    draped: Draped | None
    refused: str = ""
    plain: Drape | None = None
    tried: tuple[Tried, ...] = ()
    bound_deg: float = 0.0
    must_cut: bool = False


def lay_piece(bed: Bed, wishes: Wishes) -> Laying:
    """Lay a piece by its threads as well as can be; never raises for what the piece is.

    A piece that meets itself at a seam, as one with darts does, is flattened where that strains it nowhere. Else it is
    laid on the hull as if that were whole, and anew on each side of the seam; or on itself alone, threads going round
    from the one side of the seam to the other.

    Parameters
    ----------
    bed : Bed
        Of the piece, on the hull about it; of the piece alone (`seam_bed`) where there is no hull.
    wishes : Wishes

    Returns
    -------
    Laying
    """
    if not cuts_of(bed.patch):
        return _laid_on(bed, wishes)
    own = bed if bed.layered else seam_bed(bed.patch)
    flat = _laid_developed(own, wishes)
    if flat is not None:
        return flat
    found: list[Laying] = []
    for way in _beds(bed, own):
        found.append(_laid_on(way, wishes))
        if found[-1].draped is not None and found[-1].draped.drape.locked_area_mm2 <= 0:
            return found[-1]
    return min(found, key=lambda q: np.inf if q.draped is None else q.draped.drape.locked_area_mm2)


def _beds(bed: Bed, own: Bed) -> Iterator[Bed]:
    """The hull; the piece sewn up again, since the hull may lead off it up a thing that stands there; the piece alone."""
    if not bed.layered:
        yield bed
    piece, place = bed.patch, seam_places(bed.patch)
    used, faces = np.unique(place[piece.faces], return_inverse=True)
    try:
        whole = make_bed(Surface(piece.vertices_mm[used], faces.reshape(-1, 3)))
    except PlyflatError:
        # Cuts may leave parts that hang together at one place only.
        pass
    else:
        yield piece_bed(whole, piece)
    yield own


def _laid_developed(bed: Bed, wishes: Wishes) -> Laying | None:
    """Lay a piece that needs no shear at all; None for one that does."""
    try:
        flat = developed(bed)
        if flat is None:
            return None
        place = bed.patch.vertices_mm[spread_starts(bed, 1)[0]] if wishes.start_mm is None else wishes.start_mm
        start = bed.start(place, wishes.warp, turn_deg=wishes.angle_deg, tolerance_mm=np.inf)
        drape = drape_of(lay_developed(bed, start, flat), locking=wishes.locking, least_cover=0.0)
        draped = draped_flat(drape)
    except PlyflatError:
        # No disc, or a warp that stands on it there: nets say what there is to say.
        return None
    return Laying(draped, tried=(_tried("as laid", drape, bed.patch.area_mm2),), bound_deg=drape.bound.least_deg)


def _laid_on(bed: Bed, wishes: Wishes) -> Laying:
    question = _question(bed, wishes)
    try:
        best = _best_trial(question, wishes)
    except PlyflatError as error:
        return Laying(None, _said(error))
    hopeless = _hopeless(best, wishes)
    if hopeless:
        bound = _bound(question, best)
        # Bent first threads can take out all but what the curvature asks for.
        if best.cover < HOPELESS_COVER or wishes.steer == "never" or _past(bound, wishes):
            text = hopeless + _bound_text(bound, wishes.locking)
            return Laying(None, text, bound_deg=bound, must_cut=_past(bound, wishes))
    try:
        plain, drape = _fine(question, best, wishes)
        draped = draped_flat(drape)
    except PlyflatError as error:
        return Laying(None, _said(error))
    taken = _tried("as laid", drape, bed.patch.area_mm2)
    if taken.locked_share <= 0:
        return Laying(draped, plain=plain, tried=(taken,), bound_deg=drape.bound.least_deg)
    bound = drape.bound.least_deg if question.cut else _bound(question, best)
    more = tuple(_others(question, best, drape, plain, wishes))
    refused = ""
    if taken.locked_share > wishes.locked_share:
        refused = (
            f"{say_percent(taken.locked_share)} of the piece would shear past locking, up to {drape.most_deg:.0f} degrees"
            f" at {_worst(drape)}" + _bound_text(bound, wishes.locking)
        )
    return Laying(None if refused else draped, refused, plain, (taken, *more), bound, _past(bound, wishes))


def _said(error: PlyflatError) -> str:
    return f"{error.what}, at {error.where}" if error.where else error.what


# -- start and first threads -----------------------------------------------------------------------------------------
def _question(bed: Bed, wishes: Wishes) -> Question:
    far = 2.0 * far_from(bed, int(spread_starts(bed, 1)[0]))
    cut = not bed.layered and len(cuts_of(bed.patch)) > 0
    return Question(bed, wishes.warp, 90.0, far / BARS, POWER, wishes.locking, cut)


def _best_trial(question: Question, wishes: Wishes) -> Trial:
    bed = question.bed
    if wishes.start_mm is not None:
        start = bed.start(wishes.start_mm, wishes.warp, turn_deg=wishes.angle_deg)
        places = [start.point]
    else:
        places = list(bed.patch.vertices_mm[spread_starts(bed, STARTS)])
        if question.cut:
            places += _amid(bed)
    found: list[Trial] = []
    for place in places:
        trial = _try(question, place, wishes.angle_deg)
        found += [] if trial is None else [trial]
        # The first place is the one farthest from the edge, where a hand would put the cloth down.
        if found and found[0].score <= EASY_DEG:
            return found[0]
    if not found:
        raise SolveError("no net could be laid from any start", do="Give another start, or open the ply in more places.")
    best = min(found, key=lambda t: t.score)
    if wishes.start_mm is None and not question.cut and not _hopeless(best, wishes):
        found += refined(question, best, wishes.angle_deg, wishes.within_deg, REFINE, quiet)
    return min(found, key=lambda t: t.score)


def _amid(bed: Bed) -> list[Floats]:
    """Places amid the tips of a piece's cuts, and amid the piece."""
    v = bed.patch.vertices_mm
    middles = [bed.vertex_areas @ v / bed.vertex_areas.sum()]
    tips = tips_of(bed.patch)
    if len(tips) > 1:
        middles.append(v[tips].mean(axis=0))
    return list(bed.patch.locate(np.array(middles)).points_mm)


def _try(question: Question, place: Floats, turn_deg: float) -> Trial | None:
    """Lay a coarse net, behind cuts anew; None where none can be laid at all."""
    if not question.cut:
        return try_one(question, place, turn_deg)
    bed = question.bed
    try:
        start = bed.start(place, question.warp, turn_deg=turn_deg, tolerance_mm=np.inf)
        laid = lay_beyond(lay(bed, start, spacing_mm=question.spacing_mm), roughly=True)
    except PlyflatError:
        return None
    return trial_of(laid, place, turn_deg, question)


def _hopeless(best: Trial, wishes: Wishes) -> str:
    """Say why a coarse net shows that a fine one is not worth laying; nothing where it is."""
    if best.cover < HOPELESS_COVER:
        return f"from the best start found the net covers {100 * best.cover:.0f} % of the piece, not {place_text(best.worst_mm)}"
    lock = max(wishes.locking.lock_deg, wishes.locking.lock_back_deg)
    if best.most_deg > HOPELESS * lock and best.locked_share > HOPELESS * wishes.locked_share:
        return (
            f"from the best start found {say_percent(best.locked_share)} of the piece would shear past locking, up to "
            f"{best.most_deg:.0f} degrees, " + ("near" if best.cover > ALL else "and stay bare near")
            + f" {place_text(best.worst_mm)}"
        )
    return ""


def _fine(question: Question, best: Trial, wishes: Wishes) -> tuple[Drape | None, Drape]:
    """The net as taken, and the one with straight first threads where it is another."""
    bed = question.bed
    start = bed.start(best.start_mm, wishes.warp, turn_deg=best.turn_deg, tolerance_mm=np.inf)
    laid = lay_beyond(lay(bed, start, straight()))
    drape = drape_of(laid, locking=wishes.locking, least_cover=0.0)
    refuse_bare(drape)
    bends = wishes.steer == "always" or (wishes.steer == "where it locks" and drape.locked_area_mm2 > 0)
    if not bends:
        return None, drape
    try:
        bent = steer_net(bed, start, straight(), question.spacing_mm)
        other = lay_beyond(lay(bed, bent.start, bent.steering))
    except PlyflatError:
        # Bends that lead nowhere are no fault of the straight threads.
        return None, drape
    if score(other) > (1.0 - WORTH) * score(laid):
        return None, drape
    steered = drape_of(other, locking=wishes.locking, least_cover=0.0)
    if steered.locked_area_mm2 > drape.locked_area_mm2 or steered.cover < drape.cover - COVER_LOST:
        return None, drape
    return drape, steered


def _tried(what: str, drape: Drape, area_mm2: float) -> Tried:
    return Tried(what, drape.most_deg, drape.locked_area_mm2 / area_mm2, drape.cover)


def _worst(drape: Drape) -> str:
    return place_text(drape.start_mm if drape.locked is None else drape.locked.worst_mm)


# -- what else was tried ---------------------------------------------------------------------------------------------
def _bound(question: Question, best: Trial) -> float:
    bed = question.bed
    try:
        start = bed.start(best.start_mm, question.warp, turn_deg=best.turn_deg, tolerance_mm=np.inf)
        return least_bound(question, start)
    except PlyflatError:
        # Not one cell could be laid in some direction: then nothing is known.
        return 0.0


def _past(bound_deg: float, wishes: Wishes) -> bool:
    # One corner pair of a rectangle shears one way, the other pair the other way.
    return bound_deg > 0.5 * (wishes.locking.lock_deg + wishes.locking.lock_back_deg)


def _bound_text(bound_deg: float, locking: Locking) -> str:
    least = 0.5 * (locking.lock_deg + locking.lock_back_deg)
    if bound_deg <= least:
        return ""
    return (
        f"; by the curvature it encloses it shears {bound_deg:.0f} degrees or more wherever it is started, where the cloth "
        f"bears {least:.0f}: it needs a cut"
    )


def _others(
    question: Question, best: Trial, drape: Drape, plain: Drape | None, wishes: Wishes
) -> Iterator[Tried]:
    """What other starts, turns, bends, darts and splits give, each by itself."""
    if plain is not None:
        yield _tried("first threads left straight", plain, question.bed.patch.area_mm2)
    if wishes.start_mm is not None:
        free = _best_trial(question, replace(wishes, start_mm=None))
        yield _of_trial(f"put down first at {place_text(free.start_mm)}", free)
    worst = _worst_start(question, best)
    if worst is not None:
        yield _of_trial(f"worst start tried, {place_text(worst.start_mm)}", worst)
    for turn in TURNS_DEG:
        trial = _try(question, best.start_mm, best.turn_deg + turn)
        if trial is not None:
            yield _of_trial(f"warp turned by {turn:+.0f} degrees", trial)
    if question.bed.layered:
        return
    darted = _darted(question, drape)
    if darted is not None:
        yield darted
    for what, side in (("along the warp", drape.uv_mm[:, 1]), ("along the weft", drape.uv_mm[:, 0])):
        found = _halved(question, side, wishes)
        if found is not None:
            yield replace(found, what=f"cut in two {what} through the start")


def _worst_start(question: Question, best: Trial) -> Trial | None:
    """The worst of some starts over the piece that cover it as well as the best one; None where none is worse."""
    bed = question.bed
    found = [_try(question, place, best.turn_deg) for place in bed.patch.vertices_mm[spread_starts(bed, STARTS)]]
    worse = [t for t in found if t is not None and t.cover >= best.cover - ALIKE_COVER and t.score > best.score]
    return max(worse, key=lambda t: t.score, default=None)


def _of_trial(what: str, trial: Trial) -> Tried:
    return Tried(what, trial.most_deg, trial.locked_share, trial.cover)


def _darted(question: Question, drape: Drape) -> Tried | None:
    """What a coarse net leaves when the darts that are advised have been cut; None where none close or can be cut."""
    piece = coarsen(question.bed.patch, faces=DART_FACES, stray_mm=STRAY * question.spacing_mm).surface
    lines = [line for line in (_dart_line(piece, drape, cut) for cut in drape.advice if not cut.opens) if line is not None]
    try:
        made = insert_paths(piece, lines, closed=False) if lines else None
        pieces = () if made is None else cut_along(made.surface, made.paths).pieces
        if len(pieces) != 1:
            return None
        bed = piece_bed(question.bed, pieces[0])
        laid = lay_beyond(lay(bed, drape.laid.start, drape.steering, spacing_mm=question.spacing_mm), roughly=True)
    except PlyflatError:
        # Lines that meet or touch the edge on their way are no darts.
        return None
    found = trial_of(laid, drape.start_mm, 0.0, replace(question, bed=bed))
    return _of_trial(f"{len(lines)} dart{'s' * (len(lines) != 1)}", found)


def _dart_line(piece: Surface, drape: Drape, cut: DartAdvice) -> Floats | None:
    """(2, 3) the tip of an advised dart and the vertex of the edge where it runs out, going on straight in the flat."""
    rim = np.concatenate(piece.boundary_loops)
    uv = drape.on_net(np.linspace(1.0, OUTWARD, 200)[:, None] * cut.uv_mm[-1])
    off = piece.locate(uv).distance_mm > drape.net.spacing_mm
    if not off.any():
        return None
    end = rim[int(np.linalg.norm(piece.vertices_mm[rim] - uv[max(int(off.argmax()) - 1, 0)], axis=1).argmin())]
    return np.stack([cut.line_mm[0], piece.vertices_mm[end]])


def _halved(question: Question, side: Floats, wishes: Wishes) -> Tried | None:
    """What both halves of a piece shear when each is laid from a start of its own; None where a half is in parts."""
    piece = question.bed.patch
    middle = side[piece.faces].mean(axis=1)
    found, locked = [], 0.0
    for part in (middle > 0, middle <= 0):
        if not part.any() or not _hangs_together(piece, part):
            return None
        half, _ = piece.sub(part)
        bed = piece_bed(question.bed, half)
        own = replace(question, bed=bed, cut=len(cuts_of(half)) > 0)
        trials = [_try(own, p, wishes.angle_deg) for p in half.vertices_mm[spread_starts(bed, HALF_STARTS)]]
        good = [t for t in trials if t is not None]
        if not good:
            return None
        found.append(min(good, key=lambda t: t.score))
        locked += found[-1].locked_share * half.area_mm2
    return Tried("", max(t.most_deg for t in found), locked / piece.area_mm2, min(t.cover for t in found))


def _hangs_together(surface: Surface, part: Bools) -> bool:
    f = surface.faces[part]
    used, local = np.unique(f, return_inverse=True)
    e = local.reshape(-1, 3)[:, [0, 1, 1, 2]].reshape(-1, 2)
    graph = coo_array((np.ones(len(e)), e.T), shape=(len(used), len(used)))
    return int(connected_components(graph, directed=False)[0]) == 1

"""Where to put a cloth down first, which way to turn it and how to bend its first threads, so that it shears least."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from multiprocessing import get_context

import numpy as np
from numpy.typing import ArrayLike

from ..errors import OutlineError, PlyflatError, SolveError
from ..progress import Tell, quiet
from ..surface._smooth import SMOOTH_MM
from ..surface.mesh import Floats, Ints, Surface
from ..surface.region import Region
from ._generators import POWER, Steering, added, relief, straight
from ._net import Start
from ._net_bed import Bed, make_bed, turned, vector_of
from ._net_check import bound_shear
from ._net_lay import BARE_DEG, Laid, lay, lay_coarse, score
from .drape import LEAST_COVER, Drape, check_given, drape_of
from .locking import Locking

__all__ = ["DrapeSearch", "Trial", "search_drape", "steer_drape"]

#: Bars across a net that is tried.
TRIED = 50
#: Starts keep off the ply's edge by this share of the way to its middle.
KEEP_IN = 0.25
#: Shares of the reckoned bend that are tried, and how often the first threads are bent.
SHARES, BENDS = (1.0, 0.6, 0.3, 0.1), 8
#: A bend must gain this share of the score, and may not lose more than this of the cover.
GAIN, COVER_LOST = 2e-3, 1e-3
#: Directions at which the bound that no start can beat is taken.
BOUND_TURNS = (0.0, 22.5, 45.0, 67.5)


@dataclass(frozen=True, eq=False)
class Trial:
    """One start and direction that were tried with a coarse net.

    Attributes
    ----------
    start_mm : (3,) float array, mm
    turn_deg : float
        Of the warp from the stated direction, anticlockwise seen from the air side.
    norm_deg : float
        Area mean of the shear, a high power taken; near the largest shear, but steadier.
    most_deg : float
        Largest shear.
    cover : float
        Share of the ply that is covered.
    score : float
        The norm with what is left bare; less is better.
    worst_mm : (3,) float array, mm
        A place that stays bare, far from what is covered; where nothing does, that of the largest shear.
    locked_share : float
        Share of the ply's area past locking, where that was given.
    """

    start_mm: Floats
    turn_deg: float
    norm_deg: float
    most_deg: float
    cover: float
    score: float
    worst_mm: Floats
    locked_share: float = 0.0


@dataclass(frozen=True, eq=False)
class DrapeSearch:
    """What a search found.

    Attributes
    ----------
    best : Drape
    given : Drape or None
        With the start and direction that were asked about.
    best_trial, worst_trial : Trial
        The worst of those that cover the ply as well as the best one does.
    given_trial : Trial or None
    trials : tuple of Trial
        All, in the order tried.
    bound_deg : float
        Least shear bound over directions at the best start: if it is past locking, no start will help.
    must_cut : bool
        Whether it is.
    """

    best: Drape
    given: Drape | None
    best_trial: Trial
    worst_trial: Trial
    given_trial: Trial | None
    trials: tuple[Trial, ...]
    bound_deg: float
    must_cut: bool


@dataclass(frozen=True, eq=False)
class Question:
    """What is tried: everything a worker needs to know; `cut` is whether nets are laid anew behind the piece's cuts."""

    bed: Bed
    warp: Floats
    crossing_deg: float
    spacing_mm: float
    power: float
    locking: Locking | None = None
    cut: bool = False


def search_drape(
    surface: Surface | Region,
    warp: ArrayLike,
    *,
    start_mm: ArrayLike | None = None,
    turn_deg: float = 0.0,
    within_deg: float = 0.0,
    crossing_deg: float = 90.0,
    starts: int = 15,
    directions: int = 6,
    refine: int = 40,
    steer: bool = False,
    power: float = POWER,
    locking: Locking | None = None,
    spacing_mm: float | None = None,
    processes: int = 1,
    smooth_mm: float = SMOOTH_MM,
    least_cover: float = LEAST_COVER,
    progress: Tell | None = None,
) -> DrapeSearch:
    """Find a start and a direction from which a cloth shears least.

    Coarse nets are laid from starts spread over the ply in directions spread over what is allowed; the best is refined
    by a simplex search, and laid finely. The same call gives the same answer, whatever the number of processes.

    Parameters
    ----------
    surface : Surface or Region
    warp : (3,) float array
        Stated direction of the warp, dropped on the surface at each start.
    start_mm : (3,) float array, mm, optional
        A start to compare with.
    turn_deg : float
        The ply's angle: turn of the warp from the stated direction.
    within_deg : float
        How far the warp may be off that; 0 keeps it, 45 tries all directions of a balanced cloth.
    crossing_deg : float
    starts, directions : int
        How many are tried.
    refine : int
        Nets laid to refine the best one; 0 for none.
    steer : bool
        Whether the first threads of the best one are bent as well.
    power : float
        Of the shear; 2 evens the whole, 8 the worst places.
    locking : Locking, optional
    spacing_mm : float, optional
        Of the final net.
    processes : int
        A script that asks for more than one must guard its main part by ``if __name__ == "__main__":``.
    smooth_mm, least_cover : float
        As for `drape`.
    progress : callable, optional

    Raises
    ------
    MeshError, OutlineError, ShapeError
        As `drape`, and for numbers that cannot be.
    SolveError
        No start covers as much as asked for.
    """
    _check_numbers(starts, directions, refine, processes, within_deg, power)
    check_given(surface, turn_deg, crossing_deg, least_cover, smooth_mm)
    tell = progress or quiet
    bed = make_bed(surface, smooth_mm=smooth_mm)
    way = vector_of(warp, "the warp direction")
    given = None if start_mm is None else bed.start(start_mm, way, turn_deg=turn_deg, crossing_deg=crossing_deg)
    far = 2.0 * far_from(bed, spread_starts(bed, 1)[0])
    question = Question(bed, way, crossing_deg, far / TRIED, power, locking)
    turns = _turns(turn_deg, within_deg, directions)
    trials = _all_trials(question, bed.points[spread_starts(bed, starts)], turns, processes, tell)
    asked = None if given is None else try_one(question, given.point, turn_deg)
    trials += [asked] if asked is not None else []
    if not trials:
        raise SolveError("no net could be laid from any start", do="Give a finer mesh, or cut the ply.")
    trials += refined(question, min(trials, key=lambda t: t.score), turn_deg, within_deg, refine, tell)
    tell("laying the best net", 0.9)
    found = _found(question, trials, asked, given, _Finish(steer, spacing_mm, least_cover))
    tell("laying the best net", 1.0)
    return found


@dataclass(frozen=True)
class _Finish:
    """How the net that won is laid."""

    steer: bool
    spacing_mm: float | None
    least_cover: float


def _found(
    question: Question, trials: Sequence[Trial], asked: Trial | None, given: Start | None, finish: _Finish
) -> DrapeSearch:
    """Lay the best trial finely, and beside it what was asked about."""
    bed, locking, plain = question.bed, question.locking, straight(question.crossing_deg)
    best = min(trials, key=lambda t: t.score)
    start = bed.start(
        best.start_mm, question.warp, turn_deg=best.turn_deg, crossing_deg=question.crossing_deg, tolerance_mm=np.inf
    )
    laid = lay(bed, start, plain, spacing_mm=finish.spacing_mm)
    if finish.steer:
        bent = steer_net(bed, start, plain, question.spacing_mm, question.power)
        laid = better_of(laid, lay(bed, bent.start, bent.steering, spacing_mm=finish.spacing_mm), question.power)
    drape = drape_of(laid, locking=locking, least_cover=finish.least_cover)
    compared = None
    if given is not None:
        compared = drape_of(lay(bed, given, plain, spacing_mm=finish.spacing_mm), locking=locking, least_cover=0)
    bound = least_bound(question, start)
    worst = max((t for t in trials if t.cover >= best.cover - 0.01), key=lambda t: t.score)
    past = locking is not None and bound > 0.5 * (locking.lock_deg + locking.lock_back_deg)
    return DrapeSearch(drape, compared, best, worst, asked, tuple(trials), bound, past)


def _check_numbers(
    starts: int, directions: int, refine: int, processes: int, within_deg: float, power: float
) -> None:
    for name, value, least in (
        ("starts", starts, 1), ("directions", directions, 1), ("refine", refine, 0), ("processes", processes, 1),
    ):
        if value < least:
            raise OutlineError(f"{name} is {value}", do=f"Give {least} or more.")
    if not (np.isfinite(within_deg) and 0 <= within_deg <= 90):
        raise OutlineError(f"the warp may be off by {within_deg:g} degrees", do="Give 0 to 90 degrees.")
    if not (np.isfinite(power) and 1 <= power <= 64):
        raise OutlineError(f"the shear's power is {power:g}", do="Give 1 to 64.")


def _turns(turn_deg: float, within_deg: float, directions: int) -> Floats:
    """Directions to try; at 45 degrees either way the two ends are one for a balanced cloth."""
    if within_deg == 0 or directions == 1:
        return np.array([turn_deg])
    whole = within_deg >= 45.0
    reach = 45.0 if whole else within_deg
    return turn_deg + np.linspace(-reach, reach, directions, endpoint=not whole)


def spread_starts(bed: Bed, count: int) -> Ints:
    """Vertices of the patch that are spread over it and off its edge; the first is the one farthest from the edge."""
    from scipy.spatial import cKDTree

    at, _ = bed.sample
    p = bed.points[at]
    inward = np.ones(len(at))
    if len(bed.rim):
        inward = cKDTree(bed.points[bed.rim]).query(p)[0]
    good = np.flatnonzero(inward >= KEEP_IN * inward.max())
    chosen = [int(good[inward[good].argmax()])]
    apart = np.linalg.norm(p[good] - p[chosen[0]], axis=1)
    while len(chosen) < min(count, len(good)):
        new = int(apart.argmax())
        chosen.append(int(good[new]))
        apart = np.minimum(apart, np.linalg.norm(p[good] - p[good[new]], axis=1))
    return np.asarray(at[chosen])


def far_from(bed: Bed, vertex: int) -> float:
    """Return how far the ply reaches from a vertex, mm."""
    start = bed.start(bed.patch.vertices_mm[vertex], _any_way(bed, vertex), tolerance_mm=np.inf)
    return bed.farthest_mm(start)


def _any_way(bed: Bed, vertex: int) -> Floats:
    """A direction that stands on none of the triangles at a vertex, as where three walls meet."""
    around = bed.patch.face_normals[(bed.patch.faces == vertex).any(axis=1)]
    axes = np.eye(3)
    ways = np.vstack([axes, axes + np.roll(axes, 1, axis=0), axes - np.roll(axes, 1, axis=0)])
    ways /= np.linalg.norm(ways, axis=1, keepdims=True)
    return ways[int(np.abs(ways @ around.T).max(axis=1).argmin())]


# -- trials, here or in other processes ------------------------------------------------------------------------------
_question: Question | None = None


def _receive(question: Question) -> None:
    """Keep what a worker needs to know."""
    global _question
    _question = question


def _try_here(point: Floats, turns: Floats) -> list[Trial]:
    """Try all directions from one start, in a worker."""
    return [] if _question is None else _try_start(_question, point, turns)


def _try_start(question: Question, point: Floats, turns: Floats) -> list[Trial]:
    found = (try_one(question, point, float(turn)) for turn in turns)
    return [t for t in found if t is not None]


def try_one(question: Question, point: Floats, turn_deg: float) -> Trial | None:
    """Lay a coarse net; None where none can be laid at all."""
    try:
        bed = question.bed
        start = bed.start(
            point, question.warp, turn_deg=turn_deg, crossing_deg=question.crossing_deg, tolerance_mm=np.inf
        )
        laid = lay_coarse(bed, start, straight(question.crossing_deg), spacing_mm=question.spacing_mm)
    except PlyflatError:
        return None
    return trial_of(laid, point, turn_deg, question)


def trial_of(laid: Laid, point: Floats, turn_deg: float, question: Question) -> Trial:
    """Return what a net that was tried says."""
    covered, shear = laid.reading.covered, laid.reading.shear_deg
    seen = np.abs(shear[covered])
    locked = 0.0
    if question.locking is not None:
        over = covered & (question.locking.excess_deg(shear) > 0)
        locked = float(laid.areas @ over / laid.areas.sum())
    return Trial(
        np.asarray(point), turn_deg, laid.norm_deg(question.power), float(seen.max(initial=0.0)), laid.cover,
        score(laid, question.power), _worst_place(laid), locked,
    )


def _worst_place(laid: Laid) -> Floats:
    from scipy.spatial import cKDTree

    p, covered = laid.bed.patch.vertices_mm[laid.at], laid.reading.covered
    if covered.all() or not covered.any():
        return p[int(np.abs(laid.reading.shear_deg).argmax())]
    bare = p[~covered]
    return bare[int(cKDTree(p[covered]).query(bare)[0].argmax())]


def _all_trials(
    question: Question, points: Floats, turns: Floats, processes: int, tell: Tell
) -> list[Trial]:
    """Try all starts and directions, in the order of the starts whoever is done first."""
    found: list[Trial] = []
    for done, trials in enumerate(_answers(question, points, turns, processes), start=1):
        found += trials
        tell("trying starts", 0.6 * done / len(points))
    return found


def _answers(question: Question, points: Floats, turns: Floats, processes: int) -> Iterator[Sequence[Trial]]:
    done = 0
    if processes > 1 and len(points) > 1:
        count = min(processes, len(points))
        try:
            with ProcessPoolExecutor(count, get_context("spawn"), _receive, (question,)) as pool:
                for trials in pool.map(_try_here, points, [turns] * len(points)):
                    done += 1
                    yield trials
        except BrokenProcessPool:
            pass  # what is left is done here
    for point in points[done:]:
        yield _try_start(question, point, turns)


def refined(
    question: Question, best: Trial, turn_deg: float, within_deg: float, nets: int, tell: Tell
) -> list[Trial]:
    """Move the best start about and turn its warp by a simplex search; all that was tried."""
    if nets == 0:
        return []
    from scipy.optimize import minimize

    bed = question.bed
    start = bed.start(best.start_mm, question.warp, tolerance_mm=np.inf)
    step = 0.08 * TRIED * question.spacing_mm
    tried: list[Trial] = []

    def rate(x: Floats) -> float:
        """The score of the net from a start moved and turned by x; that of a bare piece where none can be laid."""
        place = best.start_mm + step * (x[0] * start.warp + x[1] * start.weft)
        point = bed.patch.locate(place[None]).points_mm[0]
        turn = best.turn_deg
        if within_deg > 0:
            turn = float(np.clip(best.turn_deg + 10.0 * x[2], turn_deg - within_deg, turn_deg + within_deg))
        trial = try_one(question, point, turn)
        tell("refining the start", 0.6 + 0.3 * len(tried) / nets)
        if trial is None:
            return BARE_DEG
        tried.append(trial)
        return trial.score

    size = 3 if within_deg > 0 else 2
    first = np.vstack([np.zeros(size), np.eye(size)])
    minimize(rate, first[0], method="Nelder-Mead",
             options={"maxfev": nets, "initial_simplex": first, "xatol": 0.02, "fatol": 1e-3})
    return tried


def least_bound(question: Question, start: Start) -> float:
    """The least over directions of the shear that threads running so cannot avoid."""
    found = []
    for turn in BOUND_TURNS:
        laid = lay_coarse(
            question.bed, turned(start, turn, question.crossing_deg), straight(question.crossing_deg),
            spacing_mm=question.spacing_mm,
        )
        found.append(bound_shear(laid).least_deg)
    return min(found)


# -- bending the first threads ---------------------------------------------------------------------------------------
def steer_drape(
    surface: Surface | Region,
    start_mm: ArrayLike,
    warp: ArrayLike,
    *,
    turn_deg: float = 0.0,
    crossing_deg: float = 90.0,
    power: float = POWER,
    locking: Locking | None = None,
    spacing_mm: float | None = None,
    smooth_mm: float = SMOOTH_MM,
    least_cover: float = LEAST_COVER,
    tolerance_mm: float = 10.0,
) -> Drape:
    """Lay a cloth whose first two threads are bent so that it shears least; the warp keeps its direction at the start.

    The threads have then to be laid along `Drape.warp_line_mm` and `Drape.weft_line_mm`: without these lines on the
    mould nobody can lay the cloth like that.

    Parameters
    ----------
    surface : Surface or Region
    start_mm, warp, turn_deg, crossing_deg, locking, spacing_mm, smooth_mm, least_cover, tolerance_mm
        As for `drape`.
    power : float
        Of the shear; 2 evens the whole, 8 the worst places.

    Returns
    -------
    Drape
        With geodesic first threads where bending them gains nothing.

    Raises
    ------
    MeshError, OutlineError, ShapeError, SolveError
        As `drape`.
    """
    check_given(surface, turn_deg, crossing_deg, least_cover, smooth_mm, tolerance_mm)
    bed = make_bed(surface, smooth_mm=smooth_mm)
    start = bed.start(
        start_mm, warp, turn_deg=turn_deg, crossing_deg=crossing_deg, tolerance_mm=tolerance_mm
    )
    plain = lay(bed, start, straight(crossing_deg), spacing_mm=spacing_mm)
    coarse = 2 * bed.farthest_mm(start) / TRIED
    bent = steer_net(bed, start, straight(crossing_deg), coarse, power)
    laid = better_of(plain, lay(bed, bent.start, bent.steering, spacing_mm=spacing_mm), power)
    return drape_of(laid, locking=locking, least_cover=least_cover)


def better_of(one: Laid, two: Laid, power: float) -> Laid:
    """Return the net with the lower score; the first of two that are alike."""
    return one if score(one, power) <= score(two, power) else two


def steer_net(bed: Bed, start: Start, steering: Steering, spacing_mm: float, power: float = POWER) -> Laid:
    """Bend the first threads of a coarse net again and again while that gains.

    Parameters
    ----------
    bed : Bed
    start : Start
    steering : Steering
        To begin with.
    spacing_mm : float
    power : float

    Returns
    -------
    Laid
        The best coarse net.
    """
    far = bed.farthest_mm(start)

    def net(with_: Steering) -> Laid | None:
        """The coarse net that a steering gives, if there is one."""
        crossing = with_.crossing_deg
        if not 20.0 <= crossing <= 160.0:
            return None
        try:
            return lay_coarse(bed, turned(start, 0.0, crossing), with_, spacing_mm=spacing_mm, far_mm=far)
        except SolveError:
            return None

    best = net(steering)
    if best is None:
        raise SolveError("no net could be laid to bend", do="Start farther from the ply's edge.")
    # First the whole is evened, which is a plain fit; then, from there, the worst places.
    found = [best]
    for aim in dict.fromkeys((2.0, power)):
        now = found[-1]
        for _ in range(BENDS):
            better = _bent(now, net, aim)
            if better is None:
                break
            now = better
        found.append(now)
    return min(found, key=lambda laid: score(laid, power))


def _bent(laid: Laid, net: Callable[[Steering], Laid | None], power: float) -> Laid | None:
    """The first share of the reckoned bend that gains and loses no cover; None where none does."""
    seen = laid.reading.covered
    more = relief(laid.reading.uv_mm[seen], laid.reading.shear_deg[seen], laid.areas[seen], power=power)
    for share in SHARES:
        other = net(added(laid.steering, more, share))
        if other is None or other.cover < laid.cover - COVER_LOST:
            continue
        if score(other, power) < (1 - GAIN) * score(laid, power):
            return other
    return None

"""The search for a short lay: from parts to the packing library's terms, and back to a checked lay."""

from __future__ import annotations

import math
import os
import threading
import time
import warnings
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
import shapely
from shapely import Polygon

from ..errors import CheckError, SolveError, StoppedError
from ..progress import Tell, quiet
from .bounds import length_bound
from .checks import check_places
from .copies import patterns, promised_mm, repeated
from .grid import ROUND
from .outline import Floats, hull_points, laid, plainer, thicker, turn_matrix
from .packer import SAME_DEG, Item, Packers, RawLay, Task
from .parts import Lay, Part, Place
from .settle import Pieces, cut_in_triangles, settle
from .stock import Stock

#: How a search is told to end early.
Stop = threading.Event | Callable[[], bool]

#: The strip given to the library is this share wider than the cloth, since it finds no exact fits and refuses parts as
#: high as the strip; `settle` takes it back. The first finds rows that fit exactly. A long search goes further with the
#: second: by 0.3 to 0.5 points of density on shirts and albano in 60 s. Quick answers take turns, by their seeds.
SLACKS = (1e-3, 1e-5)
#: How far a part may move in one step while a lay is made exact, as a share of the usable width.
REACH = 1e-2
#: Gap added, as a share of the usable width, where rounding spoiled every lay.
MORE_GAP = 1e-4
#: A lay this near to the proven bound, as a share of its length, is as good as optimal.
MET = 1e-4
#: A piece whose box is narrower than this share of the gap is grown by the gap before the library has it.
TINY = 0.5
#: Quick answers tried; fewer where there are many pieces, so that they take a second or so.
QUICK = 20
QUICK_PIECES = 3000
#: Lays kept in hand, and how many from different seeds are made exact at the end.
KEPT = 60
FINISHED = 3
#: Time to make lays exact, s for each triangle they are cut into.
FINISH_S = 2.5e-4
#: Attempts that the library gave up are made exact too, where one takes no more than this share of the time.
GIVEN_UP = 0.02
#: A lay within this factor of the goal may meet it once it is made exact.
NEAR = 1.002
#: One this much longer than the best does not pass it when it is made exact.
HOPELESS = 1.02
STAGE = "laying out"
#: Where parts have so many copies on the whole, blocks of columns are tried, if so much time is given, s.
ALIKE = 20
ALIKE_S = 4.0
#: They are laid out if they promise less than this share of a quick answer's length: in 20 s a search saves some 5 %.
PROMISE = 0.92
#: Share of the time for what is left after the blocks.
ALIKE_SHARE = 0.5
#: Processes of a search by count, on any machine.
COUNTED = 2
#: Threads of a timed search of so many pieces or more; of fewer ones each search has one.
THREADS = 2
SEVERAL = 20


@dataclass(frozen=True)
class Shape:
    """A part as the search sees it.

    Attributes
    ----------
    turns_deg : tuple of float or None
        Turns at which it fits.
    ring : (n, 2) float array
        Outline of few corners round the part, for the search, about `middle`, mm.
    middle : (2,) float array
        Its middle in the part's own coordinates, mm.
    centroid : (2,) float array
        That of the outline, about `middle`, mm: the library swaps pieces about it.
    hull : (h, 2) float array
        Hull of the given outline, about `middle`, mm.
    triangles : (t, 3, 2) float array
        A closer outline in triangles, for the small moves at the end, about `middle`, mm.
    """

    turns_deg: tuple[float, ...] | None
    ring: Floats
    middle: Floats
    centroid: Floats
    hull: Floats
    triangles: Floats

    @classmethod
    def of(cls, part: Part, turns_deg: tuple[float, ...] | None) -> Shape:
        """Prepare a part."""
        x0, y0, x1, y1 = part.outline.bounds
        middle = np.array([0.5 * (x0 + x1), 0.5 * (y0 + y1)])
        centred = shapely.transform(Polygon(part.outline.exterior), lambda points: points - middle)
        ring = np.asarray(thicker(plainer(centred, turns_deg, most_points=120)).exterior.coords)[:-1]
        close = plainer(centred, turns_deg, most_points=300)
        centroid = np.array(centred.centroid.coords[0])
        return cls(turns_deg, ring, middle, centroid, hull_points(centred), cut_in_triangles(close))

    def turn(self, found_deg: float) -> float:
        """Give the allowed turn that the library means by one of its own."""
        if self.turns_deg is None:
            return found_deg % 360.0
        off = [abs((turn - found_deg + 180.0) % 360.0 - 180.0) for turn in self.turns_deg]
        if min(off) > SAME_DEG:
            raise CheckError(f"a piece is turned {found_deg:g} degrees, which is not allowed")
        return self.turns_deg[int(np.argmin(off))]


@dataclass(frozen=True)
class Problem:
    """Parts and the cloth they go on.

    Attributes
    ----------
    parts : tuple of Part
    shapes : tuple of Shape
        One for each part.
    width_mm, gap_mm, edge_mm : float
    bound_mm : float
        No lay is shorter.
    bound_name : str
    stock : Stock or None
        What it is laid out on, where that has flaws or an outline of its own.
    start_mm : float
        Where on it the lay begins.
    """

    parts: tuple[Part, ...]
    shapes: tuple[Shape, ...]
    width_mm: float
    gap_mm: float
    edge_mm: float
    bound_mm: float
    bound_name: str
    stock: Stock | None = None
    start_mm: float = 0.0

    @classmethod
    def of(
        cls,
        parts: Sequence[Part],
        turns_deg: Sequence[tuple[float, ...] | None],
        *,
        width_mm: float,
        gap_mm: float,
        edge_mm: float,
    ) -> Problem:
        """Prepare checked parts.

        Parameters
        ----------
        parts : sequence of Part
        turns_deg : sequence of tuple of float or None
            The turns at which each fits.
        width_mm, gap_mm, edge_mm : float

        Returns
        -------
        Problem
        """
        bound = length_bound(parts, width_mm=width_mm, gap_mm=gap_mm, edge_mm=edge_mm)
        shapes = tuple(Shape.of(part, turns) for part, turns in zip(parts, turns_deg))
        return cls(tuple(parts), shapes, width_mm, gap_mm, edge_mm, bound.length_mm, bound.name)

    @classmethod
    def plain(cls, parts: Sequence[Part], *, gap_mm: float) -> Problem:
        """Prepare checked parts for cloth that is still to be chosen.

        Parameters
        ----------
        parts : sequence of Part
        gap_mm : float

        Returns
        -------
        Problem
            On no width: ``some`` and then ``on`` make problems that can be solved.
        """
        shapes = tuple(Shape.of(part, part.turns_deg) for part in parts)
        return cls(tuple(parts), shapes, 0.0, gap_mm, 0.0, 0.0, "")

    def on(self, stock: Stock, start_mm: float, turns_deg: Sequence[tuple[float, ...] | None]) -> Problem:
        """Give the problem on a length of cloth.

        Parameters
        ----------
        stock : Stock
        start_mm : float
            Where on it the lay begins.
        turns_deg : sequence of tuple of float or None
            The turns at which each part fits.

        Returns
        -------
        Problem
        """
        shapes = tuple(replace(shape, turns_deg=turns) for shape, turns in zip(self.shapes, turns_deg))
        shut = None
        if not stock.plain:
            end = stock.length_mm if math.isfinite(stock.length_mm) else max(flaw.box.bounds[2] for flaw in stock.flaws)
            shut = shapely.transform(stock.shut(start_mm, end), lambda points: points - [start_mm, 0.0])
        bound = length_bound(
            self.parts, width_mm=stock.width_mm, gap_mm=self.gap_mm, edge_mm=stock.edge_mm, shut=shut
        )
        return Problem(
            self.parts, shapes, stock.width_mm, self.gap_mm, stock.edge_mm, bound.length_mm, bound.name,
            None if stock.plain else stock, start_mm,
        )  # fmt: skip

    @property
    def room_mm(self) -> float:
        """Usable width."""
        return self.width_mm - 2.0 * self.edge_mm

    @property
    def area_mm2(self) -> float:
        """Area of all pieces, openings not counted."""
        return float(sum(part.copies * part.outline.area for part in self.parts))

    @property
    def pieces(self) -> int:
        """Number of pieces, copies counted."""
        return sum(part.copies for part in self.parts)

    def some(self, counts: dict[int, int]) -> Problem:
        """Give the problem of laying out only some of the copies, its bound still to be found by ``on``.

        Parameters
        ----------
        counts : dict
            Copies wanted, above zero, of the parts by index; parts are renumbered in the order given.

        Returns
        -------
        Problem
        """
        parts = tuple(replace(self.parts[k], copies=count) for k, count in counts.items())
        shapes = tuple(self.shapes[k] for k in counts)
        return replace(self, parts=parts, shapes=shapes)

    def tasks(
        self, *, seconds: float, seed: int, repair: bool = False, tries: int | None = None, most_quick: int | None = None
    ) -> list[Task]:
        """Give the work of each child process.

        Parameters
        ----------
        seconds : float
        seed : int
        repair : bool
            True to give up all slack in the strip's width and keep a little more gap.
        tries : int, optional
            Search by this count instead of by time, in as many processes wherever it runs.
        most_quick : int, optional
            Give no more quick answers than this.

        Returns
        -------
        list of Task
        """
        gap = self.gap_mm + (MORE_GAP * self.room_mm if repair else 0.0)
        slacks = (0.0, 0.0) if repair else SLACKS
        rings, apart = [shape.ring for shape in self.shapes], gap
        heights = tuple(self.room_mm * (1.0 + slack) + 2.0 * gap for slack in slacks)
        if any(np.ptp(ring, axis=0).min() < TINY * gap for ring in rings):
            # The library loses pieces so small when it grows them by the gap, which it also keeps from the strip's sides.
            grown = [shapely.buffer(Polygon(ring), 0.5 * gap * ROUND, quad_segs=4) for ring in rings]
            rings, apart = [np.asarray(ring.exterior.coords)[:-1] for ring in grown], 0.0
            heights = tuple(height - gap for height in heights)
        rings = [ring - shape.centroid for ring, shape in zip(rings, self.shapes)]
        items = tuple(
            Item(ring.tolist(), int(part.copies), None if shape.turns_deg is None else list(shape.turns_deg))
            for ring, part, shape in zip(rings, self.parts, self.shapes)
        )
        processes, threads = (COUNTED, 1) if tries else _shared(self.pieces) if seconds else (_cores(), 1)
        quick = max(3, min(QUICK, QUICK_PIECES // self.pieces))
        quick = quick if most_quick is None else min(quick, most_quick)
        seeds = [seed * QUICK + k for k in range(quick)]
        return [
            Task(
                items, heights, apart, seconds, tuple(seeds[p::processes]), seed + 1000 * p, tries or 0, threads,
                p % 2 if processes > 1 else 1,
            )  # fmt: skip
            for p in range(min(processes, quick))
        ]

    def about_middles(self, raw: RawLay) -> RawLay:
        """Give the library's lay with places of the pieces' middles in place of their centroids.

        Parameters
        ----------
        raw : RawLay
            Of one of the ``tasks``.
        """
        places = []
        for item, turn, x, y in raw.places:
            off = self.shapes[int(item)].centroid @ turn_matrix(turn)
            places.append([item, turn, x - float(off[0]), y - float(off[1])])
        return replace(raw, places=places)

    def finish(self, raw: RawLay) -> tuple[Place, ...]:
        """Make a lay exact.

        Parameters
        ----------
        raw : RawLay
            Places of the pieces' middles.

        Returns
        -------
        tuple of Place
            In order of part and copy; checked.

        Raises
        ------
        CheckError
            If no small moves make it right.
        """
        which = np.array([int(place[0]) for place in raw.places])
        turns = [self.shapes[k].turn(place[1]) for k, place in zip(which, raw.places)]
        at = np.array([place[2:] for place in raw.places], dtype=float)
        pieces = self._pieces(which, turns)
        at = self._into_room(pieces, at)
        moves = _draw_in(pieces.moved(at), room_mm=self.room_mm, gap_mm=self.gap_mm)
        return self._places(which, turns, at + moves)

    def lay(self, raw: RawLay) -> Lay:
        """Make the library's lay exact, check it and measure it.

        Parameters
        ----------
        raw : RawLay

        Returns
        -------
        Lay

        Raises
        ------
        CheckError
            If it cannot be made right.
        """
        return self.measured(self.finish(raw))

    def measured(self, places: Sequence[Place]) -> Lay:
        """Check places and measure the lay they make.

        Parameters
        ----------
        places : sequence of Place
            Every copy of every part once.

        Returns
        -------
        Lay

        Raises
        ------
        CheckError
            If they fail the check.
        """
        length_mm = max(place.outline.bounds[2] for place in places)
        gap_mm = check_places(
            self.parts,
            places,
            width_mm=self.width_mm,
            gap_mm=self.gap_mm,
            edge_mm=self.edge_mm,
            length_mm=length_mm,
            shut=None if self.stock is None else self._shut(self.stock, length_mm),
        )
        use = self.area_mm2 / (self.width_mm * length_mm)
        bound = self.bound_mm, self.bound_name
        return Lay(
            tuple(places), self.width_mm, length_mm, use, *bound, self.gap_mm, self.edge_mm, gap_mm, seconds=0.0, seed=0
        )

    def _shut(self, stock: Stock, length_mm: float) -> Polygon:
        """Give what no piece may touch, mm from where the lay begins."""
        shut = stock.shut(self.start_mm, self.start_mm + length_mm)
        return shapely.transform(shut, lambda points: points - [self.start_mm, 0.0])

    def _pieces(self, which: np.ndarray, turns: list[float]) -> Pieces:
        """Give the turned parts with their middles at (0, 0)."""
        boxes, triangles, owner = [], [], []
        for n, (k, turn) in enumerate(zip(which, turns)):
            matrix, shape = turn_matrix(turn), self.shapes[k]
            hull = shape.hull @ matrix
            boxes.append([*hull.min(axis=0), *hull.max(axis=0)])
            triangles.append(shape.triangles @ matrix)
            owner.append(np.full(len(shape.triangles), n, dtype=np.intp))
        return Pieces(np.array(boxes), np.concatenate(triangles), np.concatenate(owner))

    def _into_room(self, pieces: Pieces, at: Floats) -> Floats:
        """Shift the lay so that the strip's slack lies half on each side and the first part at 0."""
        slack_mm = self._overhang(pieces, at)
        at = at - np.array([(pieces.boxes[:, 0] + at[:, 0]).min(), slack_mm])
        return at

    def _overhang(self, pieces: Pieces, at: Floats) -> float:
        """Give the shift in y that puts the lay in the middle of the room."""
        low = (pieces.boxes[:, 1] + at[:, 1]).min()
        high = (pieces.boxes[:, 3] + at[:, 1]).max()
        return float(0.5 * (low + high) - 0.5 * self.room_mm)

    def _places(self, which: np.ndarray, turns: list[float], at: Floats) -> tuple[Place, ...]:
        """Give the places, copies numbered along the roll."""
        places: list[Place] = []
        seen = [0] * len(self.parts)
        for n in np.lexsort((at[:, 1], at[:, 0])):
            k, turn = int(which[n]), turns[n]
            shift = at[n] - self.shapes[k].middle @ turn_matrix(turn) + [0.0, self.edge_mm]
            shift_mm = (float(shift[0]), float(shift[1]))
            places.append(Place(k, seen[k], turn, shift_mm, laid(self.parts[k].outline, turn, shift_mm)))
            seen[k] += 1
        return tuple(sorted(places, key=lambda place: (place.part, place.copy)))


def _draw_in(pieces: Pieces, *, room_mm: float, gap_mm: float, rounds: int = 10) -> Floats:
    """Repair a lay by small moves, then shorten it by further ones while that helps."""
    total = np.zeros((len(pieces.boxes), 2))
    length = float(pieces.boxes[:, 2].max())
    reach_mm = REACH * room_mm
    for turn in range(rounds):
        step = settle(pieces, room_mm=room_mm, gap_mm=gap_mm, reach_mm=reach_mm)
        if step is None:
            if turn == 0:
                raise CheckError("no small moves put the parts of a lay apart and inside the cloth")
            break
        moves, shorter = step
        total, pieces = total + moves, pieces.moved(moves)
        if turn and shorter > length * (1.0 - 5e-6):
            break
        length = shorter
    return total


class Hunt:
    """One search: lays come in, the shortest are kept, and the best of them is made exact.

    Parameters
    ----------
    problem : Problem
    seconds : float
    goal_mm : float
        A lay no longer than this ends the search.
    tell : callable
    stop : threading.Event, callable or None
    start : float
        When the work began, by ``time.monotonic()``.
    """

    def __init__(
        self, problem: Problem, seconds: float, goal_mm: float, tell: Tell, stop: Stop | None, start: float
    ) -> None:
        self.problem, self.seconds, self.goal_mm, self.tell, self.stop = problem, seconds, goal_mm, tell, stop
        self.start = start
        self.raws: list[RawLay] = []
        self.mended: Lay | None = None
        self.count = 0
        self.stopped = False

    def run(self, tasks: Sequence[Task]) -> Lay | None:
        """Run child processes until the time is used or the user stops it; give a lay only if it meets the goal."""
        try:
            with Packers(tasks) as packers:
                return self._listen(packers)
        except KeyboardInterrupt:
            self.stopped = True
        except SolveError as err:
            if not self.raws:
                raise
            warnings.warn(f"only quick lays were found, the search broke down: {err}", RuntimeWarning, stacklevel=4)
        return None

    def take(self, raw: RawLay) -> None:
        """Bring in a lay that was found in another way."""
        self._keep(raw)

    def told(self) -> None:
        """Tell how much of the time is used, and note whether the user has asked to stop."""
        self.tell(STAGE, min(1.0, (time.monotonic() - self.start) / (self.seconds or 1.0)))
        self.stopped = self.stopped or stop_asked(self.stop)

    def finish(self) -> Lay | None:
        """Make the shortest lays exact and give the best, or None if none can be."""
        best, self.mended = self.mended, None
        done: set[int] = set()
        try:
            for raw in self.raws:
                if raw.seed in done:
                    continue
                if best is not None and raw.length - 2.0 * self.problem.gap_mm > best.length_mm * HOPELESS:
                    break
                lay = self._exact(raw)
                if lay is None:
                    continue
                done.add(raw.seed)
                best = lay if best is None or lay.length_mm < best.length_mm else best
                late = self.seconds and time.monotonic() > self.start + self.seconds
                if len(done) >= FINISHED or late or self.stopped:
                    break
        except KeyboardInterrupt:
            self.stopped = True
        self.raws.clear()
        return best

    def _listen(self, packers: Packers) -> Lay | None:
        # The first quick answer is always waited for, and with no time given all of them are.
        until = math.inf if not self.seconds else self.start + self.seconds - self.reserve()
        for raw in packers.lays(until=lambda: until if self.raws else math.inf):
            self.told()
            if self.stopped:
                return None
            if raw is None:
                continue
            raw = self.problem.about_middles(raw)
            if not raw.sound:
                self._mend(raw)
            elif self._keep(raw) and (lay := self._goal_met(raw)):
                return lay
        return None

    def reserve(self) -> float:
        """Give the time kept back for making the answer exact, s."""
        return min(0.1 * self.seconds, self._finish_s())

    def _finish_s(self) -> float:
        corners = sum(part.copies * len(shape.triangles) for part, shape in zip(self.problem.parts, self.problem.shapes))
        return FINISH_S * corners

    def _mend(self, raw: RawLay) -> None:
        """Put the pieces of an attempt apart that the library gave up, and keep the shortest that comes of it.

        The library looks for places by samples; the lines between pieces often part what it could not.
        """
        if self._finish_s() > GIVEN_UP * self.seconds:
            return
        lay = self._exact(raw)
        if lay is not None and (self.mended is None or lay.length_mm < self.mended.length_mm):
            self.mended = lay

    def _keep(self, raw: RawLay) -> bool:
        """Keep a lay in order of length; True if it is the shortest so far."""
        self.count += 1
        self.raws.append(raw)
        # The seed settles ties, so that quick answers do not depend on which process was faster.
        self.raws.sort(key=lambda lay: (lay.length, lay.seed))
        del self.raws[KEPT:]
        return self.raws[0] is raw

    def _goal_met(self, raw: RawLay) -> Lay | None:
        if raw.length - 2.0 * self.problem.gap_mm > self.goal_mm * NEAR or not self.seconds:
            return None
        lay = self._exact(raw)
        return lay if lay is not None and lay.length_mm <= self.goal_mm else None

    def _exact(self, raw: RawLay) -> Lay | None:
        try:
            return self.problem.lay(raw)
        except CheckError:
            return None


def stop_asked(stop: Stop | None) -> bool:
    """Return whether the user has asked to stop.

    Parameters
    ----------
    stop : threading.Event, callable or None
    """
    if stop is None:
        return False
    return stop.is_set() if isinstance(stop, threading.Event) else bool(stop())


def _cores() -> int:
    """Give the number of cores to use."""
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    return max(1, min(cores, 8))


def _shared(pieces: int) -> tuple[int, int]:
    """Give how many searches run side by side, and the threads of each.

    Two threads of one search go further than two searches where there are many pieces: on shirts and trousers by half a
    per cent to two of the cloth in 15 s each. Threads of one search wait for each other, and more of them gain less.
    """
    cores = _cores()
    searches = cores if pieces < SEVERAL else max(1, cores // THREADS)
    return searches, cores // searches


def _many_alike(problem: Problem) -> bool:
    return problem.stock is None and problem.pieces >= ALIKE * len(problem.parts)


def _bring_repeated(hunt: Hunt, *, seed: int, tries: int | None) -> None:
    """Bring in lays made of blocks of columns, where these promise more than a quick answer."""
    problem = hunt.problem
    first = problem.tasks(seconds=0.0, seed=seed)[0]
    hunt.run([replace(first, quick_seeds=first.quick_seeds[:1])])
    if hunt.stopped:
        return
    found = patterns(problem)
    if not found or not hunt.raws or promised_mm(problem, found) > PROMISE * hunt.raws[0].length:
        return
    end = hunt.start + ALIKE_SHARE * hunt.seconds
    solve = partial(_solve_rest, hunt, end=end, seed=seed, tries=tries)
    for raw in repeated(problem, found, solve):
        hunt.take(raw)


def _solve_rest(hunt: Hunt, rest: Problem, share: float, *, end: float, seed: int, tries: int | None) -> Lay | None:
    """Search for a lay of what blocks of columns leave over, with a share of the time until `end`; None where there is none."""
    now = time.monotonic()
    # On a busy machine the patterns may have taken it all: they are worth a little more.
    least = 0.2 * max(0.0, hunt.start + hunt.seconds - now)
    left = max(share * (end - now), least)
    if hunt.stopped or (hunt.seconds and left < 0.5):
        return None
    try:
        lay = find_lay(
            replace(rest, bound_mm=0.0), seconds=left, seed=seed, tries=tries, alike=False, stop=hunt.stop,
            progress=lambda stage, done: hunt.told(),
        )
    except (CheckError, SolveError, StoppedError):
        # The whole is still searched without blocks.
        return None
    hunt.stopped = hunt.stopped or lay.stopped
    return lay


def find_lay(
    problem: Problem,
    *,
    seconds: float,
    seed: int,
    target_mm: float = 0.0,
    progress: Tell | None = None,
    stop: Stop | None = None,
    start: float | None = None,
    tries: int | None = None,
    most_quick: int | None = None,
    alike: bool = True,
) -> Lay:
    """Search for a short lay.

    Parameters
    ----------
    problem : Problem
    seconds : float
    seed : int
    target_mm : float
        The search also ends as soon as the lay is no longer than this.
    progress : callable, optional
    stop : threading.Event or callable, optional
    start : float, optional
        When the time began to count, by ``time.monotonic()``; now by default.
    tries : int, optional
        Search by count, with `seconds` at 0.
    most_quick : int, optional
        No more quick answers than this.
    alike : bool
        Whether many copies of few shapes are tried in blocks too.

    Returns
    -------
    Lay

    Raises
    ------
    SolveError, CheckError, StoppedError
        As ``nest``.
    """
    goal_mm = max(target_mm, problem.bound_mm * (1.0 + MET))
    hunt = Hunt(problem, seconds, goal_mm, progress or quiet, stop, start or time.monotonic())
    if alike and _many_alike(problem) and (tries or seconds >= ALIKE_S):
        _bring_repeated(hunt, seed=seed, tries=tries)
    lay = None
    if not hunt.stopped:
        left = max(0.0, seconds - hunt.reserve() - (time.monotonic() - hunt.start))
        lay = hunt.run(problem.tasks(seconds=left, seed=seed, tries=tries, most_quick=most_quick))
    lay = lay or hunt.finish()
    if lay is None and not hunt.stopped:
        # Rounding or the strip's slack spoiled every answer: quick ones without slack and with a little more gap.
        lay = hunt.run(problem.tasks(seconds=0.0, seed=seed, repair=True))
        lay = lay or hunt.finish()
    if lay is None and hunt.stopped:
        raise StoppedError("the search was stopped before there was a lay", do="Give it a few seconds")
    if lay is None:
        raise CheckError(
            f"none of {hunt.count} lays passed the check", do="Simplify the outlines, or change the gap a little"
        )
    return replace(lay, seconds=time.monotonic() - hunt.start, seed=seed, stopped=hunt.stopped, repeatable=not seconds)

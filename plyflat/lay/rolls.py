"""Pieces of one material over rolls of a finite length."""

from __future__ import annotations

import math
import time
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace

from ..errors import CheckError, QuantityError, StoppedError
from ..progress import Tell, quiet
from .checks import check_cloth, check_fit, check_parts
from .nest import check_search
from .outline import SAME_MM, laid
from .parts import Lay, Part, Place
from .search import STAGE, Problem, Stop, find_lay

#: Part area given to a roll at first, as a share of the roll's area: more than fits, so that there is a choice.
OFFER = 2.5
#: A roll is offered this much more of its area than it uses, in the hope that the search fits it in.
HOPE = 0.06


def lay_on_rolls(
    parts: Sequence[Part],
    *,
    width_mm: float,
    roll_length_mm: float,
    rolls: int = 1,
    gap_mm: float = 0.0,
    edge_mm: float = 0.0,
    seconds: float = 10.0,
    seed: int = 0,
    progress: Tell | None = None,
    stop: Stop | None = None,
) -> tuple[Lay, ...]:
    """Lay parts out on as few rolls of one width and length as can be found, the last one used least.

    A quick answer for all rolls comes first. In the time left each roll in turn is offered more pieces from the last
    ones, and the last roll is drawn in. Number and order of the rolls are found by a plain greedy way: they are good,
    not proven least.

    Parameters
    ----------
    parts : sequence of Part
        Outlines in mm, x along the roll.
    width_mm, roll_length_mm : float
        The rolls' whole width and length; the length may be infinite.
    rolls : int
        Rolls at hand, one or more. More lays than this may come back: then cloth must be bought.
    gap_mm, edge_mm, seconds, seed, progress, stop
        As ``nest``; `seconds` is for all rolls together, and the quick answer always takes the second or so it needs.

    Returns
    -------
    tuple of Lay
        One for each roll cut into. ``Place.part`` counts in `parts` on every lay, and ``Place.copy`` runs on from lay
        to lay: every copy lies on one of them.

    Raises
    ------
    FitError
        If a part fits at none of its allowed turns within the usable width and the roll's length.
    QuantityError, ShapeError, SolveError, CheckError
        As ``nest``.
    StoppedError
        If the work was stopped before every piece had a place.
    """
    room_mm = check_cloth(width_mm=width_mm, gap_mm=gap_mm, edge_mm=edge_mm)
    check_parts(parts)
    check_search(seconds=seconds, seed=seed, max_length_mm=roll_length_mm)
    if not isinstance(rolls, int) or rolls < 1:
        raise QuantityError(f"the number of rolls is {rolls}", do="Give one or more")
    turns = check_fit(parts, room_mm=room_mm, reach_mm=roll_length_mm)
    problem = Problem.of(parts, turns, width_mm=width_mm, gap_mm=gap_mm, edge_mm=edge_mm)
    filler = Filler(problem, roll_length_mm, seed, seconds, progress or quiet, stop)
    return filler.lays()


@dataclass(frozen=True)
class Load:
    """What lies on one roll.

    Attributes
    ----------
    counts : Counter
        Copies by part.
    lay : Lay
        Of the parts in the order of `counts`, renumbered.
    """

    counts: Counter[int]
    lay: Lay


def _cost(loads: list[Load]) -> tuple[int, float]:
    """Give what makes one way to share out worse than another: rolls cut into, then the length used."""
    return len(loads), sum(load.lay.length_mm for load in loads)


class Filler:
    """Shares pieces out over rolls.

    Parameters
    ----------
    problem : Problem
        With all parts.
    reach_mm : float
        Length of a roll.
    seed : int
    seconds : float
    tell : callable
    stop : threading.Event, callable or None
    """

    def __init__(
        self, problem: Problem, reach_mm: float, seed: int, seconds: float, tell: Tell, stop: Stop | None
    ) -> None:
        self.problem, self.reach_mm, self.seed, self.seconds = problem, reach_mm, seed, seconds
        self.tell, self.stop = tell, stop
        self.start = time.monotonic()
        self.stopped = False
        self.areas = [part.outline.area for part in problem.parts]
        self.roll_mm2 = reach_mm * problem.room_mm

    def lays(self) -> tuple[Lay, ...]:
        """Give the lays, every copy once."""
        loads = self._share_out()
        if self.stopped:
            raise StoppedError("the work was stopped before every piece had a place", do="Give it a few seconds")
        if self.seconds:
            try:
                loads = self._improve(loads)
            except (KeyboardInterrupt, StoppedError):
                self.stopped = True
        lays = self._numbered(loads)
        placed = Counter((place.part, place.copy) for lay in lays for place in lay.places)
        if placed != Counter((k, n) for k, part in enumerate(self.problem.parts) for n in range(part.copies)):
            raise CheckError(f"{placed.total()} pieces were laid out of {self.problem.pieces}, or one of them twice")
        return lays

    def _share_out(self) -> list[Load]:
        """Fill roll after roll with quick answers."""
        rest = Counter({k: part.copies for k, part in enumerate(self.problem.parts)})
        loads: list[Load] = []
        while rest:
            load = self._fit(self._largest(rest, OFFER * self.roll_mm2), seconds=0.0)
            loads.append(load)
            rest -= load.counts
            if self.stopped:
                break
        return loads

    def _improve(self, loads: list[Load]) -> list[Load]:
        """Offer each roll but the last more pieces from later ones, then draw the last one in."""
        k = 0
        while k < len(loads) - 1 and not self.stopped:
            # Each roll's share of the time goes by its number of pieces: the last one often has few.
            pieces = [load.counts.total() for load in loads[k:]]
            end = time.monotonic() + self._left() * pieces[0] / sum(pieces)
            while k < len(loads) - 1 and (left := end - time.monotonic()) > 0.3 and not self.stopped:
                fuller = self._fuller(loads, k, left)
                if fuller is None:
                    break
                loads = fuller
            k += 1
        if self._left() > 0.3 and not self.stopped:
            last = self._fit(loads[-1].counts, seconds=self._left(), target_mm=0.0)
            if last.counts == loads[-1].counts and last.lay.length_mm < loads[-1].lay.length_mm:
                loads = [*loads[:-1], last]
        return loads

    def _fuller(self, loads: list[Load], k: int, seconds: float) -> list[Load] | None:
        """Try to bring pieces of later rolls onto roll k; None if the search cannot."""
        now = sum(count * self.areas[i] for i, count in loads[k].counts.items())
        later = sum((load.counts for load in loads[k + 1 :]), Counter[int]())
        aim = min(now / self.roll_mm2 + HOPE, 0.5 + 0.5 * now / self.roll_mm2) * self.roll_mm2
        extra = self._largest(later, aim - now, over=False)
        if not extra:
            return None
        load = self._fit(loads[k].counts + extra, seconds=seconds)
        if sum(count * self.areas[i] for i, count in load.counts.items()) <= now * (1.0 + 1e-9):
            return None
        fuller = self._refill([*loads[:k], load], loads[k + 1 :], loads[k].counts + later - load.counts)
        # What was displaced may have asked for a roll of its own.
        return fuller if _cost(fuller) < _cost(loads) else None

    def _refill(self, done: list[Load], old: list[Load], rest: Counter[int]) -> list[Load]:
        """Share the rest out over the later rolls again: what can stay stays."""
        loads = list(done)
        for load in old:
            keep = load.counts & rest
            if keep and keep != load.counts:
                load = self._fit(keep, seconds=0.0)
                keep = load.counts
            if keep:
                loads.append(load)
                rest = rest - keep
        while rest:
            load = self._fit(self._largest(rest, OFFER * self.roll_mm2), seconds=0.0)
            loads.append(load)
            rest = rest - load.counts
        return loads

    def _fit(self, counts: Counter[int], *, seconds: float, target_mm: float | None = None) -> Load:
        """Lay pieces out and keep those that one roll holds."""
        counts = Counter(dict(sorted(counts.items())))
        some = self.problem.some(counts)
        target = self.reach_mm if target_mm is None else target_mm
        lay = find_lay(some, seconds=seconds, seed=self.seed, target_mm=target, progress=self._told, stop=self.stop)
        self.stopped = self.stopped or lay.stopped
        if lay.length_mm <= self.reach_mm + SAME_MM:
            return Load(counts, lay)
        return self._window(lay, list(counts))

    def _window(self, lay: Lay, index: list[int]) -> Load:
        """Keep the pieces of the stretch of a lay, as long as a roll, that holds the most area."""

        def held(start_mm: float) -> list[Place]:
            end_mm = start_mm + self.reach_mm + SAME_MM
            return [p for p in lay.places if p.outline.bounds[0] >= start_mm and p.outline.bounds[2] <= end_mm]

        stretches = (held(place.outline.bounds[0]) for place in lay.places)
        kept = max(stretches, key=lambda places: sum(place.outline.area for place in places))
        counts = Counter(dict(sorted(Counter(index[place.part] for place in kept).items())))
        return Load(counts, self._cut_out(kept, [index.index(k) for k in counts], counts))

    def _cut_out(self, kept: list[Place], order: list[int], counts: Counter[int]) -> Lay:
        """Make a lay of some of another's places."""
        first = min(place.outline.bounds[0] for place in kept)
        new, seen = [], Counter[int]()
        for place in kept:
            part = order.index(place.part)
            shift = (place.shift_mm[0] - first, place.shift_mm[1])
            outline = laid(self.problem.parts[list(counts)[part]].outline, place.turn_deg, shift)
            new.append(Place(part, seen[part], place.turn_deg, shift, outline))
            seen[part] += 1
        return self.problem.some(counts).measured(new)

    def _largest(self, counts: Counter[int], area_mm2: float, *, over: bool = True) -> Counter[int]:
        """Take pieces, largest first, until they have an area; at least one, unless they must stay under it."""
        taken: Counter[int] = Counter()
        left = area_mm2
        for k in sorted(counts, key=lambda k: (-self.areas[k], k)):
            room = math.inf if math.isinf(left) else left / self.areas[k]
            take = min(counts[k], max(0, math.ceil(room) if over else math.floor(room)) if room < 1e9 else counts[k])
            if take:
                taken[k] = take
                left -= take * self.areas[k]
        return taken

    def _numbered(self, loads: list[Load]) -> tuple[Lay, ...]:
        """Give the lays with parts counted as the caller does, and copies running on from lay to lay."""
        seen: Counter[int] = Counter()
        lays = []
        seconds = time.monotonic() - self.start
        for load in loads:
            index = list(load.counts)
            places = [replace(p, part=index[p.part], copy=p.copy + seen[index[p.part]]) for p in load.lay.places]
            places.sort(key=lambda place: (place.part, place.copy))
            seen += load.counts
            lays.append(
                replace(load.lay, places=tuple(places), seconds=seconds, seed=self.seed, stopped=self.stopped)
            )
        return tuple(lays)

    def _told(self, stage: str, done: float) -> None:
        self.tell(STAGE, min(1.0, (time.monotonic() - self.start) / (self.seconds or 1.0)))

    def _left(self) -> float:
        return max(0.0, self.start + self.seconds - time.monotonic())

"""Pieces of one material over the rolls and remnants of the shop."""

from __future__ import annotations

import math
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely

from ..errors import CheckError, FitError, QuantityError, SolveError, StoppedError
from ..progress import Tell, quiet
from .checks import check_cloth, check_parts, misfit, part_name
from .fold import ALIKE_MM, both_layers, find_pairs, pair_turns
from .grid import CELLS, Bed, Spot, Stamp, fill
from .nest import check_search
from .outline import SAME_MM, fitting_turns, hull_points, laid
from .parts import Lay, Part, Place
from .search import STAGE, Problem, Stop, find_lay, stop_asked
from .stock import Stock, check_stock, worth_keeping

#: Part area given to a roll at first, as a share of the roll's area: more than fits, so that there is a choice.
OFFER = 2.5
#: A roll is offered this much more of its area than it uses, in the hope that the search fits it in.
HOPE = 0.06
#: Turns tried of a piece free to turn where pieces are put down one by one.
FREE_TURNS = tuple(30.0 * k for k in range(12))
#: From this many pieces on cells are twice as coarse, and the first answer puts pieces down one by one.
MANY = 200
#: So many pieces times lengths of cloth get such a first answer too.
MANY_TIMES = 150
#: Quick answers on each length of cloth where a search follows.
HASTY = 4
#: Orders of putting pieces down that are tried without a clock.
ORDERS = 3
#: The first answer is worked out anew with fine cells if so many times its own time is left.
FINER_TIMES = 3.0
#: Time kept back for closing lays up, as a share of that of the first answer, and of the whole at most.
CLOSING = 0.5
CLOSING_MOST = 0.2


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
        As ``lay_on_stock``.

    Raises
    ------
    FitError
        If a part fits at none of its allowed turns within the usable width and the roll's length.
    QuantityError, ShapeError, SolveError, CheckError
        As ``nest``.
    StoppedError
        If the work was stopped before every piece had a place.
    """
    check_cloth(width_mm=width_mm, gap_mm=gap_mm, edge_mm=edge_mm)
    check_search(seconds=seconds, seed=seed, max_length_mm=roll_length_mm)
    if not isinstance(rolls, int) or rolls < 1:
        raise QuantityError(f"the number of rolls is {rolls}", do="Give one or more")
    roll = Stock("roll", width_mm, roll_length_mm, edge_mm)
    stocks = [replace(roll, name=f"roll {k + 1}") for k in range(rolls)] + [replace(roll, bought=True)]
    return lay_on_stock(parts, stocks, gap_mm=gap_mm, seconds=seconds, seed=seed, progress=progress, stop=stop)


def lay_on_stock(
    parts: Sequence[Part],
    stocks: Sequence[Stock],
    *,
    gap_mm: float = 0.0,
    table_mm: float = math.inf,
    fold: bool = False,
    seconds: float = 10.0,
    seed: int = 0,
    tries: int | None = None,
    progress: Tell | None = None,
    stop: Stop | None = None,
) -> tuple[Lay, ...]:
    """Lay parts out on rolls and remnants at hand, and on rolls to be bought where those do not do.

    A quick answer comes first, by several orders of taking the cloth: with the remnants and without them, rolls
    begun before full ones, the smallest first and the largest first. What splits fewest groups, buys fewest rolls,
    cuts into fewest full ones and uses least of them, and then of those begun, is kept; a remnant costs nothing. In the time left each length in turn is offered more pieces from the last ones, and the
    last one is drawn in. Then pieces at the end move into openings and gaps where they fit, and plain rolls are turned
    about as a whole where that brings what is cut first nearer to their beginning. All this is greedy: good, not proven
    least.

    Parameters
    ----------
    parts : sequence of Part
        Outlines in mm, x along the roll.
    stocks : sequence of Stock
        What is at hand, and one or more kinds of roll that can be bought, the dearest last.
    gap_mm : float
        Least distance between two parts. Half of it is kept from flaws and from a remnant's slanting sides.
    table_mm : float
        Length of the table: each roll is laid and cut in sections no longer than this, and no piece lies across two.
    fold : bool
        Pieces that are mirror images of each other are cut together, as far as they fit, from the beginning of a plain
        roll folded face to face.
    seconds, seed, tries, progress, stop
        As ``nest``; `seconds` is for all lays together, and the quick answer always takes the time it needs.

    Returns
    -------
    tuple of Lay
        One for each length cut into. ``Place.part`` counts in `parts` on every lay, and ``Place.copy`` runs on from
        lay to lay: every copy lies on one of them. ``Lay.stock`` is what it lies on.

    Raises
    ------
    FitError
        If a part fits on no cloth at any of its allowed turns, or the cloth at hand is used up and none can be bought.
    QuantityError, ShapeError, SolveError, CheckError
        As ``nest`` and ``check_stock``.
    StoppedError
        If the work was stopped before every piece had a place.
    """
    check_parts(parts)
    check_stock(stocks)
    check_search(seconds=seconds, seed=seed, tries=tries)
    if not table_mm > gap_mm:
        raise QuantityError(f"the table is {table_mm:g} mm long", do="Give its length, or leave it out")
    if not math.isfinite(gap_mm) or gap_mm < 0:
        raise QuantityError(f"the gap is {gap_mm:g} mm", do="Give a finite length, zero or more")
    return Filler(parts, stocks, gap_mm, table_mm, seed, seconds, tries, progress or quiet, stop, fold=fold).lays()


@dataclass(frozen=True)
class Load:
    """What lies on one section of a length of cloth.

    Attributes
    ----------
    stock : Stock
    start_mm : float
        Where the section begins on it.
    counts : Counter
        Copies by part.
    lay : Lay
        Of the parts in the order of `counts`, renumbered; x from the section's beginning.
    folded : bool
        Whether the section is folded in the middle of its length and cut through both layers.
    """

    stock: Stock
    start_mm: float
    counts: Counter[int]
    lay: Lay
    folded: bool = False


class Filler:
    """Shares pieces out over cloth.

    Parameters
    ----------
    parts : sequence of Part
    stocks : sequence of Stock
    gap_mm, table_mm : float
    seed : int
    seconds : float
    tries : int or None
    tell : callable
    stop : threading.Event, callable or None
    fold : bool
    """

    def __init__(
        self,
        parts: Sequence[Part],
        stocks: Sequence[Stock],
        gap_mm: float,
        table_mm: float,
        seed: int,
        seconds: float,
        tries: int | None,
        tell: Tell,
        stop: Stop | None,
        *,
        fold: bool = False,
    ) -> None:
        self.parts, self.gap_mm, self.table_mm = tuple(parts), gap_mm, table_mm
        self.seed, self.seconds, self.tries, self.tell, self.stop = seed, seconds, tries, tell, stop
        self.counted: int | None = None
        self.start = time.monotonic()
        self.closing_s = 0.0
        self.stopped = False
        self.areas = [part.outline.area for part in self.parts]
        self.hulls = [hull_points(part.outline) for part in self.parts]
        self.at_hand = [stock for stock in stocks if not stock.bought]
        self.shops = [stock for stock in stocks if stock.bought]
        self.problem = Problem.plain(self.parts, gap_mm=gap_mm)
        self.loose: set[str] = set()
        self.pairs = [pair for pair in find_pairs(self.parts) if pair_turns(pair, self.parts)] if fold else []
        self.hasty = self.seconds > 0
        self.cells = CELLS if self.problem.pieces <= MANY else CELLS // 2
        self._stamps: dict[float, dict[tuple[int, float], Stamp]] = {}
        self._turns: dict[tuple[int, float, float], tuple[float, ...] | None] = {}
        self._check_fit()

    def lays(self) -> tuple[Lay, ...]:
        """Give the lays, every copy once."""
        loads = self._shared_out()
        self.hasty = False
        took = time.monotonic() - self.start
        self.closing_s = min(CLOSING * took, CLOSING_MOST * self.seconds)
        if (self.seconds or self.tries) and not self.stopped:
            try:
                if self.tries or self._left() > FINER_TIMES * took:
                    loads = self._finer(loads)
                # What the search must beat is the first answer closed up.
                loads = self._tucked(self._closed_up(loads))
                self.counted = self.tries
                loads = self._improve(loads)
            except (KeyboardInterrupt, StoppedError):
                self.stopped = True
        try:
            loads = loads if self.stopped else self._first_forward(self._tucked(self._closed_up(loads)))
        except KeyboardInterrupt:
            self.stopped = True
        lays = self._numbered(loads)
        placed = Counter((place.part, place.copy) for lay in lays for place in lay.places)
        if placed != Counter((k, n) for k, part in enumerate(self.parts) for n in range(part.copies)):
            raise CheckError(f"{placed.total()} pieces were laid out of {self.problem.pieces}, or one of them twice")
        return lays

    # ---- what fits where ----------------------------------------------------------------------------------------

    def turns(self, part: int, stock: Stock, reach_mm: float) -> tuple[float, ...] | None:
        """Give the turns at which a part fits the usable width and a length of a stock: empty for none, None for any."""
        key = (part, stock.room_mm, reach_mm)
        if key not in self._turns:
            allowed = self.parts[part].turns_deg
            self._turns[key] = fitting_turns(self.hulls[part], allowed, room_mm=stock.room_mm, reach_mm=reach_mm)
        return self._turns[key]

    def _check_fit(self) -> None:
        stocks = [*self.at_hand, *self.shops]
        for k, part in enumerate(self.parts):
            if all(self.turns(k, s, self._reach(s, 0.0)) == () for s in stocks):
                best = max(stocks, key=lambda s: (s.room_mm, s.length_mm))
                reach = self._reach(best, 0.0)
                raise misfit(part, part_name(part, k), best.room_mm, reach, best.name, table=reach < best.length_mm)

    def _reach(self, stock: Stock, start_mm: float) -> float:
        """Give the room along a section: half the gap lies on either side of the cuts between sections."""
        return min(self.table_mm - self.gap_mm, stock.length_mm - start_mm)

    def _next_start(self, load: Load) -> float:
        return load.start_mm + load.lay.length_mm + self.gap_mm

    # ---- the quick answer ---------------------------------------------------------------------------------------

    def _shared_out(self) -> list[Load]:
        """Give the best of the ways to take the cloth in some order."""
        best: list[Load] | None = None
        fault: FitError | None = None
        for order in self._orders():
            try:
                loads = self._share_out(order)
            except FitError as err:
                fault = err
                continue
            except (KeyboardInterrupt, StoppedError):
                self.stopped = True
                break
            if best is None or self._cost(loads) < self._cost(best):
                best = loads
        if best is None and fault is not None and not self.stopped:
            raise fault
        if best is None:
            raise StoppedError("the work was stopped before every piece had a place", do="Give it a few seconds")
        return best

    def _orders(self) -> Iterator[list[Stock]]:
        """Yield orders in which to take what is at hand, until stopped."""
        remnants = sorted((s for s in self.at_hand if s.outline is not None), key=lambda s: s.area_mm2)
        rolls = [s for s in self.at_hand if s.outline is None]
        short_first = sorted(rolls, key=lambda s: (not s.begun, s.area_mm2))
        long_first = sorted(rolls, key=lambda s: (not s.begun, -s.area_mm2))
        seen: list[list[Stock]] = []
        for order in ([*remnants, *short_first], [*remnants, *long_first], short_first, long_first):
            if self.stopped and seen:
                return
            # Rolls that are alike but for their names make no difference.
            alike = [replace(stock, name="") for stock in order]
            if alike not in seen:
                seen.append(alike)
                yield order

    def _cost(self, loads: Sequence[Load]) -> tuple[float, ...]:
        """Give what makes one way to share out worse than another."""
        bought = {load.stock.name for load in loads if load.stock.bought}
        worth: list[float] = []
        for begun in (False, True):
            rolls = [load for load in loads if load.stock.outline is None and load.stock.begun == begun]
            worth += [len({load.stock.name for load in rolls}), sum(q.lay.length_mm * q.stock.width_mm for q in rolls)]
        remnants = {load.stock.name for load in loads if load.stock.outline is not None}
        return self._splits(loads), len(bought), *worth, len(remnants)

    def _splits(self, loads: Sequence[Load]) -> int:
        """Count the lengths of cloth over which groups are spread beyond the first."""
        homes: dict[str, set[str]] = {}
        for load in loads:
            for k in load.counts:
                if self.parts[k].group:
                    homes.setdefault(self.parts[k].group, set()).add(load.stock.name)
        return sum(len(found) - 1 for found in homes.values())

    def _share_out(self, order: Sequence[Stock]) -> list[Load]:
        """Fill one length of cloth after the other with quick answers, then buy.

        Groups that no length takes whole are let go in the end.
        """
        rest = Counter({k: part.copies for k, part in enumerate(self.parts)})
        loads = self._folded(order)
        rest = rest - sum((load.counts for load in loads), Counter[int]())
        order = [*order, *(load.stock for load in loads if load.stock.bought)]
        for loose in (set[str](), {part.group for part in self.parts if part.group}):
            self.loose = loose
            for stock in order:
                rest = self._take(stock, rest, loads)
            for shop in self.shops:
                before = None
                while rest and rest != before:
                    before = rest
                    number = 1 + len(self._full_rolls(loads))
                    rest = self._take(replace(shop, name=f"{shop.name} {number}"), rest, loads)
            if not rest:
                return loads
        raise self._used_up(rest)

    def _folded(self, order: Sequence[Stock]) -> list[Load]:
        """Lay mirrored pairs out on the first plain roll that takes some of them folded."""
        shops = [replace(shop, name=f"{shop.name} {1 + len(self._full_rolls([]))}") for shop in self.shops]
        for stock in (*order, *shops) if self.pairs else ():
            long = min(self.table_mm, 0.5 * stock.length_mm) - self.gap_mm
            load = self._fold_over(stock, long) if stock.plain and long > 0 else None
            if load is not None:
                return [load]
        return []

    def _fold_over(self, stock: Stock, long_mm: float) -> Load | None:
        """Lay pairs out on both layers of a roll's beginning, each layer no longer than this; None if none fits."""
        # The two layers may differ a little: the gap is kept all the same.
        gap = self.gap_mm + 2.0 * ALIKE_MM
        layer = replace(stock, length_mm=long_mm, edge_mm=stock.edge_mm + ALIKE_MM)
        fit = {
            pair: fitting_turns(self.hulls[pair.one], pair_turns(pair, self.parts), room_mm=layer.room_mm, reach_mm=long_mm)
            for pair in self.pairs
        }
        pairs = [pair for pair, turns in fit.items() if turns]
        if not pairs:
            return None
        parts = [
            replace(self.parts[pair.one], turns_deg=fit[pair], copies=pair.copies, group="") for pair in pairs
        ]
        one = Filler(parts, [layer], gap, math.inf, self.seed, 0.0, None, self.tell, self.stop)
        counts = one._offered(layer, 0.0, Counter({k: part.copies for k, part in enumerate(parts)}))
        load = one._fit(layer, 0.0, counts, rest=counts, seconds=0.0) if counts else None
        self.stopped = self.stopped or one.stopped
        if load is None or self.stopped:
            return None
        index = list(load.counts)
        lower = [
            Spot(pairs[index[p.part]].one, p.turn_deg, (p.shift_mm[0] + ALIKE_MM, p.shift_mm[1] - stock.edge_mm))
            for p in load.lay.places
        ]
        # Folded beyond the last piece by half the gap, so that pieces on either side of the fold keep it.
        fold = load.lay.length_mm + ALIKE_MM + 0.5 * gap
        both = both_layers(lower, pairs, fold, self.parts)
        found = self._load(stock, 0.0, both, reach_mm=stock.length_mm)
        return replace(found, folded=True, lay=replace(found.lay, folds_mm=(fold,)))

    def _full_rolls(self, loads: Sequence[Load]) -> set[str]:
        """Give the names of all full rolls at hand and of those bought."""
        return {s.name for s in self.at_hand if not s.begun} | {load.stock.name for load in loads if load.stock.bought}

    def _take(self, stock: Stock, rest: Counter[int], loads: list[Load]) -> Counter[int]:
        """Lay pieces out on a length of cloth, section by section, after what lies on it; give those that are left."""
        start = max((self._next_start(load) for load in loads if load.stock == stock), default=0.0)
        if start and stock.outline is not None:
            return rest
        while rest and start < stock.length_mm - SAME_MM:
            load = self._fit(stock, start, self._offered(stock, start, rest), rest=rest, seconds=0.0)
            if self.stopped and (load is None or load.counts != rest):
                raise StoppedError("the work was stopped before every piece had a place", do="Give it a few seconds")
            if load is None:
                break
            loads.append(load)
            rest = rest - load.counts
            start = self._next_start(load)
            if not math.isfinite(self.table_mm):
                break
        return rest

    def _used_up(self, rest: Counter[int]) -> FitError:
        names = ", ".join(part_name(self.parts[k], k) for k in sorted(rest)[:4])
        area = sum(self.areas[k] * count for k, count in rest.items())
        room = max(stock.room_mm for stock in self.at_hand + self.shops)
        count = "1 piece" if rest.total() == 1 else f"{rest.total()} pieces"
        return FitError(
            f"no room on the cloth at hand for {count} of {area / 1e6:.2f} m²: {names}{', ...' if len(rest) > 4 else ''}",
            do=f"Buy a roll, or state one that can be bought: with a usable width of {room:.0f} mm {area / room / 1e3:.2f} m or more",
        )

    def _offered(self, stock: Stock, start_mm: float, rest: Counter[int]) -> Counter[int]:
        """Give the pieces to try on a section: all where they are put down one by one, else more than it holds."""
        reach = self._reach(stock, start_mm)
        fit = Counter({k: count for k, count in rest.items() if self.turns(k, stock, reach) != ()})
        return fit if not stock.plain else self._largest(fit, OFFER * reach * stock.room_mm)

    def _largest(self, counts: Counter[int], area_mm2: float, *, over: bool = True) -> Counter[int]:
        """Take pieces, those to be cut first and then the largest, up to an area; over it by one, or under it."""
        taken: Counter[int] = Counter()
        left = area_mm2
        for k in sorted(counts, key=lambda k: (self.parts[k].rank, -self.areas[k], k)):
            room = math.inf if math.isinf(left) else left / self.areas[k]
            take = min(counts[k], max(0, math.ceil(room) if over else math.floor(room)) if room < 1e9 else counts[k])
            if take:
                taken[k] = take
                left -= take * self.areas[k]
        return taken

    # ---- one section --------------------------------------------------------------------------------------------

    def _fit(
        self,
        stock: Stock,
        start_mm: float,
        counts: Counter[int],
        *,
        rest: Counter[int],
        seconds: float,
        target_mm: float | None = None,
    ) -> Load | None:
        """Lay pieces out on a section and keep those that it holds; None if it holds none."""
        while counts:
            load = self._laid_out(stock, start_mm, counts, seconds, target_mm)
            if load is None:
                return None
            broken = self._broken(load.counts, rest)
            if not broken:
                return load
            others = Counter({k: n for k, n in counts.items() if self.parts[k].group not in broken})
            if others:
                counts = others
                continue
            # Nothing else is left: one group alone, if it fits.
            counts = self._next_group(counts, rest, broken)
        return None

    def _broken(self, counts: Counter[int], rest: Counter[int]) -> set[str]:
        """Give the groups that would not lie whole."""
        groups = {self.parts[k].group for k in counts} - self.loose - {""}
        return {self.parts[k].group for k, n in rest.items() if self.parts[k].group in groups and counts[k] != n}

    def _next_group(self, counts: Counter[int], rest: Counter[int], broken: set[str]) -> Counter[int]:
        tried = {self.parts[k].group for k in counts}
        if len(tried) == 1:
            return Counter()
        first = min(broken, key=lambda g: min((self.parts[k].rank, -self.areas[k]) for k in rest if self.parts[k].group == g))
        return Counter({k: n for k, n in rest.items() if self.parts[k].group == first})

    def _laid_out(
        self, stock: Stock, start_mm: float, counts: Counter[int], seconds: float, target_mm: float | None
    ) -> Load | None:
        counts = Counter(dict(sorted(counts.items())))
        reach = self._reach(stock, start_mm)
        if any(self.turns(k, stock, reach) == () for k in counts):
            return None
        if not stock.plain or (math.isfinite(reach) and self._quick(seconds)):
            return self._with_flaws(stock, start_mm, counts, seconds)
        some = self._on(stock, start_mm, counts)
        target = reach if target_mm is None else target_mm
        try:
            lay = find_lay(
                some, seconds=seconds, seed=self.seed, target_mm=target, progress=self._told, stop=self.stop, tries=self.counted,
                most_quick=HASTY if self.hasty else None,
            )  # fmt: skip
        except SolveError:
            # Needles that the packing library cannot take.
            spots = self._put_down(stock, start_mm, counts, 0.0)
            return self._load(stock, start_mm, spots) if spots else None
        self.stopped = self.stopped or lay.stopped
        if lay.length_mm <= reach + SAME_MM:
            return Load(stock, start_mm, counts, lay)
        load = self._topped_up(self._window(stock, start_mm, lay, list(counts)), counts)
        if seconds or load.counts == counts or self.stopped:
            return load
        # Few quick answers miss what fits exactly; cells do not.
        spots = self._put_down(stock, start_mm, counts, 0.0)
        better = self._worth(spots) > self._worth(self._spots(load))
        return self._load(stock, start_mm, spots) if better else load

    def _topped_up(self, load: Load, counts: Counter[int]) -> Load:
        """Put pieces that were left out into gaps and openings of a section where they fit."""
        rest = counts - load.counts
        if not rest or self._asked():
            return load
        bed = self._bed(load.stock, load.start_mm)
        spots = self._spots(load)
        for spot in spots:
            bed.block(laid(self.parts[spot.piece].outline, spot.turn_deg, spot.shift_mm))
        order = self._order(rest, 0, np.random.default_rng(self.seed))
        more = self._filled(bed, load.stock, load.start_mm, order)
        return self._load(load.stock, load.start_mm, spots + more) if more else load

    def _on(self, stock: Stock, start_mm: float, counts: Counter[int], reach_mm: float | None = None) -> Problem:
        """Give the problem of laying some pieces out on a section."""
        reach = self._reach(stock, start_mm) if reach_mm is None else reach_mm
        turns = [self.turns(k, stock, reach) for k in counts]
        return self.problem.some(counts).on(stock, start_mm, turns)

    def _window(self, stock: Stock, start_mm: float, lay: Lay, index: list[int]) -> Load:
        """Keep the pieces of the stretch of a lay, as long as the section, that holds the most area.

        Area of pieces to be cut first counts before that of others.
        """
        reach = self._reach(stock, start_mm)
        ranks = sorted({part.rank for part in self.parts})

        def held(start: float) -> list[Place]:
            """The places that lie wholly within the window."""
            end = start + reach + SAME_MM
            return [p for p in lay.places if p.outline.bounds[0] >= start and p.outline.bounds[2] <= end]

        def worth(places: list[Place]) -> tuple[float, ...]:
            """The area placed of each rank, the first to be placed first."""
            return tuple(sum(p.outline.area for p in places if self.parts[index[p.part]].rank == rank) for rank in ranks)

        kept = max((held(place.outline.bounds[0]) for place in lay.places), key=worth)
        first = min(place.outline.bounds[0] for place in kept)
        spots = [Spot(index[p.part], p.turn_deg, (p.shift_mm[0] - first, p.shift_mm[1] - stock.edge_mm)) for p in kept]
        return self._load(stock, start_mm, spots)

    def _load(self, stock: Stock, start_mm: float, spots: Sequence[Spot], *, reach_mm: float | None = None) -> Load:
        """Make a checked load of pieces put down in the usable width of a section."""
        counts = Counter(dict(sorted(Counter(spot.piece for spot in spots).items())))
        order = {k: n for n, k in enumerate(counts)}
        places, seen = [], Counter[int]()
        for spot in sorted(spots, key=lambda spot: spot.shift_mm):
            shift = (spot.shift_mm[0], spot.shift_mm[1] + stock.edge_mm)
            outline = laid(self.parts[spot.piece].outline, spot.turn_deg, shift)
            places.append(Place(order[spot.piece], seen[spot.piece], spot.turn_deg, shift, outline))
            seen[spot.piece] += 1
        return Load(stock, start_mm, counts, self._on(stock, start_mm, counts, reach_mm).measured(places))

    # ---- piece by piece -----------------------------------------------------------------------------------------

    def _with_flaws(self, stock: Stock, start_mm: float, counts: Counter[int], seconds: float) -> Load | None:
        """Lay pieces out round flaws in two ways and keep the better; a remnant, and a first answer, takes them one by one."""
        if stock.outline is not None or self.hasty or self._quick(seconds):
            spots = self._put_down(stock, start_mm, counts, seconds)
        else:
            spots = self._put_down(stock, start_mm, counts, 0.25 * seconds)
            spots = max(spots, self._as_if_plain(stock, start_mm, counts, 0.75 * seconds), key=self._worth)
        return self._load(stock, start_mm, spots) if spots else None

    def _quick(self, seconds: float) -> bool:
        """Whether a first answer is wanted for so many pieces that they are put down one by one on any cloth."""
        pieces = self.problem.pieces
        many = pieces > MANY or pieces * (1 + len(self.at_hand)) > MANY_TIMES
        return many and not seconds and not self.counted

    def _as_if_plain(self, stock: Stock, start_mm: float, counts: Counter[int], seconds: float) -> list[Spot]:
        """Search as if there were no flaws, take off what lies on one, and put that down again where there is room.

        The lay is also tried turned about as a whole, where all its pieces may be.
        """
        reach = self._reach(stock, start_mm)
        some = self._largest(counts, OFFER * reach * stock.room_mm)
        load = self._laid_out(replace(stock, flaws=()), start_mm, some, seconds, None)
        if load is None or self._asked():
            return []
        shut = stock.shut(start_mm, start_mm + reach)
        shut = shapely.transform(shut, lambda points: points - [start_mm, stock.edge_mm])
        best: list[Spot] = []
        for spots in self._both_ways(self._spots(load), (load.lay.length_mm, stock.room_mm)):
            bed, kept = self._bed(stock, start_mm), []
            for spot in spots:
                outline = laid(self.parts[spot.piece].outline, spot.turn_deg, spot.shift_mm)
                if not outline.intersects(shut):
                    bed.block(outline)
                    kept.append(spot)
            rest = counts - Counter(spot.piece for spot in kept)
            kept += self._filled(bed, stock, start_mm, self._order(rest, 0, np.random.default_rng(self.seed)))
            best = max(best, kept, key=self._worth) if best else kept
        return best

    def _both_ways(self, spots: list[Spot], size_mm: tuple[float, float]) -> Iterator[list[Spot]]:
        """Yield a lay as it is, and turned about as a whole if each piece may be turned so."""
        yield spots
        about = []
        for spot in spots:
            turns = self.parts[spot.piece].turns_deg
            turn = (spot.turn_deg + 180.0) % 360.0
            if turns is not None and turn not in turns:
                return
            about.append(Spot(spot.piece, turn, (size_mm[0] - spot.shift_mm[0], size_mm[1] - spot.shift_mm[1])))
        yield about

    def _put_down(self, stock: Stock, start_mm: float, counts: Counter[int], seconds: float) -> list[Spot]:
        """Put pieces down one by one, in several orders, and keep the fullest; empty if none finds room."""
        end = time.monotonic() + seconds
        best: list[Spot] = []
        key: tuple[float, ...] = ()
        rng = np.random.default_rng(self.seed)
        turn = 0
        orders = 1 if self._quick(seconds) else ORDERS + (self.counted or 0)
        while turn < orders or (seconds and time.monotonic() < end and not self._asked()):
            spots = self._filled(self._bed(stock, start_mm), stock, start_mm, self._order(counts, turn, rng))
            worth = self._worth(spots)
            if spots and (not best or worth > key):
                best, key = spots, worth
            turn += 1
            if self._asked() and best:
                break
        return best

    def _worth(self, spots: Sequence[Spot]) -> tuple[float, ...]:
        """Give what makes one filling better than another: area by rank, then how near to the beginning it ends."""
        ranks = sorted({part.rank for part in self.parts})
        area = [sum(self.areas[s.piece] for s in spots if self.parts[s.piece].rank == rank) for rank in ranks]
        ends = [laid(self.parts[s.piece].outline, s.turn_deg, s.shift_mm).bounds[2] for s in spots]
        return (*(round(a, 3) for a in area), -max(ends, default=0.0))

    def _order(self, counts: Counter[int], turn: int, rng: np.random.Generator) -> list[int]:
        """Give an order of putting pieces down: by area, by length, by height, then shaken by the seed."""
        size = [np.ptp(self.hulls[k], axis=0) for k in range(len(self.parts))]
        by = (self.areas, [float(s[0]) for s in size], [float(s[1]) for s in size])[turn % 3]
        shaken = np.ones(len(self.parts)) if turn < ORDERS else rng.uniform(0.6, 1.4, len(self.parts))
        order = sorted(counts, key=lambda k: (self.parts[k].rank, -by[k] * shaken[k], k))
        return [k for k in order for _ in range(counts[k])]

    def _bed(self, stock: Stock, start_mm: float, until_mm: float = math.inf) -> Bed:
        """Give the cells of a section."""
        # No more of an endless roll than a loose lay of everything could take.
        longest = max(float(np.hypot(*np.ptp(hull, axis=0))) for hull in self.hulls)
        most = 4.0 * self.problem.area_mm2 / stock.room_mm + 2.0 * longest
        reach = min(self._reach(stock, start_mm), until_mm, most)
        shut = shapely.transform(
            stock.shut(start_mm, start_mm + reach), lambda points: points - [start_mm, stock.edge_mm]
        )
        return Bed(stock.room_mm, reach, gap_mm=self.gap_mm, shut=shut, cells=self.cells)

    def _filled(self, bed: Bed, stock: Stock, start_mm: float, order: Sequence[int]) -> list[Spot]:
        reach = self._reach(stock, start_mm)
        outlines = [part.outline for part in self.parts]
        turns = [self._few_turns(k, stock, reach) for k in range(len(self.parts))]
        stamps = self._stamps.setdefault(bed.cell_mm, {})
        return fill(bed, outlines, turns, order, asked=self._asked, stamps=stamps)

    def _few_turns(self, part: int, stock: Stock, reach_mm: float) -> tuple[float, ...]:
        """Give turns to try of a piece, no more than a dozen."""
        found = self.turns(part, stock, reach_mm)
        if found is None:
            return FREE_TURNS
        return found[:: max(1, math.ceil(len(found) / len(FREE_TURNS)))]

    # ---- better with time ---------------------------------------------------------------------------------------

    def _finer(self, loads: list[Load]) -> list[Load]:
        """Share many pieces out anew by cells as fine as few pieces have, and keep the better way."""
        if self.cells == CELLS:
            return loads
        self.cells = CELLS
        try:
            finer = self._shared_out()
        except FitError:
            # In another order of things the cloth at hand may not do.
            return loads
        return finer if self._cost(finer) < self._cost(loads) else loads

    def _improve(self, loads: list[Load]) -> list[Load]:
        """Offer each section but the last more pieces from later ones, then draw the last one in."""
        if self.tries:
            return self._improve_by_count(loads)
        k = 0
        while k < len(loads) - 1 and not self.stopped:
            # Each section's share of the time goes by its number of pieces: the last one often has few.
            pieces = [load.counts.total() for load in loads[k:]]
            end = time.monotonic() + self._left() * pieces[0] / sum(pieces)
            while k < len(loads) - 1 and (left := end - time.monotonic()) > 0.3 and not self.stopped:
                fuller = self._fuller(loads, k, left)
                if fuller is None:
                    break
                loads = fuller
            k += 1
        return self._drawn_in(loads, self._left()) if self._left() > 0.3 and not self.stopped else loads

    def _improve_by_count(self, loads: list[Load]) -> list[Load]:
        """Do the same once for each section."""
        for k in range(len(loads)):
            if k < len(loads) - 1:
                loads = self._fuller(loads, k, 0.0) or loads
        return self._drawn_in(loads, 0.0)

    def _drawn_in(self, loads: list[Load], seconds: float) -> list[Load]:
        """Make the last section shorter."""
        old = loads[-1]
        if old.folded:
            return loads
        last = self._fit(old.stock, old.start_mm, old.counts, rest=old.counts, seconds=seconds, target_mm=0.0)
        if last is not None and last.counts == old.counts and last.lay.length_mm < old.lay.length_mm:
            return [*loads[:-1], last]
        return loads

    def _fuller(self, loads: list[Load], k: int, seconds: float) -> list[Load] | None:
        """Try to bring pieces of later sections onto section k; None if the search cannot."""
        old = loads[k]
        if old.folded:
            return None
        reach = self._reach(old.stock, old.start_mm)
        room = reach * old.stock.room_mm
        now = sum(count * self.areas[i] for i, count in old.counts.items())
        later = sum((load.counts for load in loads[k + 1 :]), Counter[int]())
        fit = Counter({i: n for i, n in later.items() if self.turns(i, old.stock, reach) != ()})
        aim = min(now / room + HOPE, 0.5 + 0.5 * now / room) * room
        extra = self._largest(fit, aim - now, over=False)
        if not extra:
            return None
        load = self._fit(old.stock, old.start_mm, old.counts + extra, rest=old.counts + later, seconds=seconds)
        if load is None or sum(n * self.areas[i] for i, n in load.counts.items()) <= now * (1.0 + 1e-9):
            return None
        fuller = self._refill([*loads[:k], load], loads[k + 1 :], old.counts + later - load.counts)
        # What was displaced may have asked for a length of its own.
        return fuller if fuller is not None and self._cost(fuller) < self._cost(loads) else None

    def _refill(self, done: list[Load], old: list[Load], rest: Counter[int]) -> list[Load] | None:
        """Share the rest out over the later sections again: what can stay stays."""
        loads = list(done)
        for load in old:
            same = bool(loads) and loads[-1].stock == load.stock
            start = self._next_start(loads[-1]) if same else load.start_mm
            keep = load.counts & rest
            if keep and (keep != load.counts or start != load.start_mm):
                fitted = self._fit(load.stock, start, keep, rest=keep, seconds=0.0)
                if fitted is None:
                    continue
                loads.append(fitted)
                rest = rest - fitted.counts
            elif keep:
                loads.append(load)
                rest = rest - keep
        # No piece is worth a length of its own that was not cut into before.
        return None if rest else loads

    def _closed_up(self, loads: list[Load]) -> list[Load]:
        """Put the pieces of sections with flaws down anew, where all of them then end nearer to the beginning."""
        out = []
        for k, load in enumerate(loads):
            followed = any(later.stock == load.stock for later in loads[k + 1 :])
            if load.stock.plain or load.stock.outline is not None or followed or self._asked():
                out.append(load)
                continue
            index = list(load.counts)
            along = [index[p.part] for p in sorted(load.lay.places, key=lambda place: place.outline.bounds[0])]
            tries = [self._filled(self._bed(load.stock, load.start_mm), load.stock, load.start_mm, along)]
            tries.append(self._put_down(load.stock, load.start_mm, load.counts, 0.0))
            best = max(tries, key=self._worth)
            whole = Counter(spot.piece for spot in best) == load.counts
            better = whole and self._worth(best) > self._worth(self._spots(load))
            out.append(self._load(load.stock, load.start_mm, best) if better else load)
        return out

    def _first_forward(self, loads: list[Load]) -> list[Load]:
        """Turn sections about as a whole where what is to be cut first then lies nearer to their beginning."""
        out = []
        for load in loads:
            ways = [self._spots(load)]
            if load.stock.plain and not load.folded and len({self.parts[k].rank for k in load.counts}) > 1:
                ways = list(self._both_ways(ways[0], (load.lay.length_mm, load.stock.room_mm)))
            best = min(ways, key=self._ends_by_rank)
            out.append(load if best is ways[0] else self._load(load.stock, load.start_mm, best))
        return out

    def _ends_by_rank(self, spots: Sequence[Spot]) -> tuple[float, ...]:
        """Give how far along the roll pieces end in the mean, by rank."""
        ends: dict[int, list[float]] = {}
        for spot in spots:
            end = laid(self.parts[spot.piece].outline, spot.turn_deg, spot.shift_mm).bounds[2]
            ends.setdefault(self.parts[spot.piece].rank, []).append(end)
        return tuple(round(float(np.mean(ends[rank])), 3) for rank in sorted(ends))

    def _tucked(self, loads: list[Load]) -> list[Load]:
        """Move pieces at the very end into openings and gaps nearer to the beginning, of any section."""
        beds: dict[int, Bed] = {}
        while loads and not loads[-1].folded and not self._asked():
            last = loads[-1]
            index = list(last.counts)
            end = max(last.lay.places, key=lambda place: place.outline.bounds[2])
            piece = index[end.part]
            found = self._new_home(loads, beds, piece, end)
            if found is None:
                break
            n, spot = found
            spots = [self._spots(load) for load in loads]
            edge = last.stock.edge_mm
            spots[-1].remove(Spot(piece, end.turn_deg, (end.shift_mm[0], end.shift_mm[1] - edge)))
            spots[n].append(spot)
            changed = {n, len(loads) - 1}
            loads = [
                self._load(load.stock, load.start_mm, spots[k]) if k in changed else load
                for k, load in enumerate(loads)
                if spots[k]
            ]
        return loads

    def _new_home(self, loads: list[Load], beds: dict[int, Bed], piece: int, end: Place) -> tuple[int, Spot] | None:
        """Find a place for a piece on an earlier section, or on the last one further from its end."""
        for n, load in enumerate(loads):
            if load.folded or (self.parts[piece].group and load.stock != loads[-1].stock):
                continue
            if n not in beds:
                beds[n] = self._bed(load.stock, load.start_mm, load.lay.length_mm)
                for place in load.lay.places:
                    beds[n].block(shapely.transform(place.outline, lambda p, e=load.stock.edge_mm: p - [0.0, e]))
            turns = self._few_turns(piece, load.stock, beds[n].length_mm)
            stamps = self._stamps.setdefault(beds[n].cell_mm, {})
            allowed = [turns if k == piece else () for k in range(len(self.parts))]
            spots = fill(beds[n], [part.outline for part in self.parts], allowed, [piece], asked=self._asked, stamps=stamps)
            if not spots:
                continue
            reaches = laid(self.parts[piece].outline, spots[0].turn_deg, spots[0].shift_mm).bounds[2]
            if n < len(loads) - 1 or reaches < end.outline.bounds[2] - 0.5:
                return n, spots[0]
        return None

    def _spots(self, load: Load) -> list[Spot]:
        index, edge = list(load.counts), load.stock.edge_mm
        return [Spot(index[p.part], p.turn_deg, (p.shift_mm[0], p.shift_mm[1] - edge)) for p in load.lay.places]

    # ---- what comes out -----------------------------------------------------------------------------------------

    def _numbered(self, loads: list[Load]) -> tuple[Lay, ...]:
        """Give one lay for each length of cloth, parts counted as the caller does, copies running on from lay to lay."""
        seen: Counter[int] = Counter()
        lays = []
        seconds = time.monotonic() - self.start
        while loads:
            stock = loads[0].stock
            chain = [load for load in loads if load.stock == stock]
            loads = [load for load in loads if load.stock != stock]
            lay, counts = self._joined(chain)
            index = list(counts)
            places = [replace(p, part=index[p.part], copy=p.copy + seen[index[p.part]]) for p in lay.places]
            places.sort(key=lambda place: (place.part, place.copy))
            seen += counts
            lay = replace(lay, places=tuple(places), seconds=seconds, seed=self.seed, stopped=self.stopped)
            lay = replace(lay, repeatable=not self.seconds and not self.stopped)
            lays.append(replace(lay, left=left_over(lay)))
        return tuple(lays)

    def _joined(self, chain: list[Load]) -> tuple[Lay, Counter[int]]:
        """Join the sections of one length of cloth, and check the whole."""
        if len(chain) == 1:
            return replace(chain[0].lay, stock=chain[0].stock), chain[0].counts
        spots, cuts = [], []
        for load in chain:
            spots += [replace(s, shift_mm=(s.shift_mm[0] + load.start_mm, s.shift_mm[1])) for s in self._spots(load)]
            cuts.append(load.start_mm + load.lay.length_mm + 0.5 * self.gap_mm)
        stock = chain[0].stock
        whole = self._load(stock, 0.0, spots, reach_mm=stock.length_mm)
        folds = tuple(load.start_mm + fold for load in chain for fold in load.lay.folds_mm)
        lay = replace(whole.lay, stock=stock, cuts_mm=tuple(cuts[:-1]), folds_mm=folds)
        for place in lay.places:
            x0, _, x1, _ = place.outline.bounds
            if any(x0 < cut - SAME_MM and x1 > cut + SAME_MM for cut in cuts[:-1]) or x1 > stock.length_mm + SAME_MM:
                raise CheckError("a piece lies across the end of a section or of the roll", where=stock.name)
        return lay, whole.counts

    def _told(self, stage: str, done: float) -> None:
        self.tell(STAGE, min(1.0, (time.monotonic() - self.start) / (self.seconds or 1.0)))

    def _asked(self) -> bool:
        self.stopped = self.stopped or stop_asked(self.stop)
        return self.stopped

    def _left(self) -> float:
        return max(0.0, self.start + self.seconds - self.closing_s - time.monotonic())


def left_over(lay: Lay) -> tuple[shapely.Polygon, ...]:
    """Give what a lay leaves that is worth keeping.

    Of a roll this is what lies beyond the length used, if that is finite, and nothing of the length that is cut off;
    of a remnant whatever a square of ``KEEP_MM`` can be cut from. The selvedge and the flaws are taken off, and the
    gap round each piece.

    Parameters
    ----------
    lay : Lay
        With its stock.

    Returns
    -------
    tuple of Polygon
        mm from the roll's end and edge, largest first.
    """
    stock = lay.stock
    if stock is None or not math.isfinite(stock.length_mm):
        return ()
    start = lay.length_mm if stock.outline is None else 0.0
    if start >= stock.length_mm - SAME_MM:
        return ()
    band = shapely.box(start, stock.edge_mm, stock.length_mm, stock.width_mm - stock.edge_mm)
    free = shapely.intersection(stock.cloth(), band)
    taken = [flaw.box for flaw in stock.flaws]
    taken += [shapely.buffer(place.outline, lay.gap_mm + SAME_MM, quad_segs=4) for place in lay.places]
    return worth_keeping(shapely.difference(free, shapely.union_all(taken)))

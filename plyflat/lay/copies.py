"""Lays of many copies of few shapes: a block of columns for each shape, and the rest after them."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator, Sequence
from typing import TYPE_CHECKING

import numpy as np
import shapely
from shapely import Polygon

from .blocks import TOUCH, Pattern, best_pattern, reach
from .grid import ROUND
from .outline import Floats, edge_turns, turn_matrix
from .packer import RawLay
from .parts import Lay

if TYPE_CHECKING:
    from .search import Problem

#: From this many copies a shape may get a block of its own, if they fill two columns.
COPIES = 12
#: Turns, half turns not counted, at which a pattern is sought.
TURNS = 3
#: Columns of each block that are left for the end, where the search lays their pieces among others; each is tried.
HELD = (0, 1)
#: Share of the cloth that what is left after the blocks is taken to use before it is searched.
REST_USE = 0.8
#: From this many blocks their order is not sought.
ORDERED = 4

#: Item, turn in degrees, x and y of its middle, mm, as the packing library gives them.
Raw = list[float]


def patterns(problem: Problem) -> dict[int, Pattern]:
    """Find a pattern for each shape of many copies.

    Parameters
    ----------
    problem : Problem

    Returns
    -------
    dict of int to Pattern
        By part; none for shapes whose copies do not fill two columns.
    """
    found = {}
    for k, (part, shape) in enumerate(zip(problem.parts, problem.shapes)):
        if part.copies >= COPIES:
            turns = _turns(shape.hull, shape.turns_deg)
            pattern = best_pattern(shape.ring, turns, room_mm=problem.room_mm, gap_mm=problem.gap_mm)
            if pattern is not None and pattern.most_columns(part.copies) >= 2:
                found[k] = pattern
    return found


def _turns(hull: Floats, turns_deg: Sequence[float] | None) -> list[float]:
    """Give a few turns and their half turns, of a piece free to turn those that bring its longest side level or upright."""
    if turns_deg is None:
        side = np.hypot(*(np.roll(hull, -1, axis=0) - hull).T)
        level = float(edge_turns(hull)[int(np.argmax(side))])
        return [(level + quarter) % 360.0 for quarter in (0.0, 90.0, 180.0, 270.0)]
    base = sorted({turn % 180.0 for turn in turns_deg})
    few = {base[round(k)] for k in np.linspace(0, len(base) - 1, min(TURNS, len(base)))}
    return [turn for turn in turns_deg if turn % 180.0 in few]


def promised_mm(problem: Problem, found: dict[int, Pattern]) -> float:
    """Give about the length of a lay made of blocks and of the rest after them.

    Parameters
    ----------
    problem : Problem
    found : dict of int to Pattern
    """
    length, area = 0.0, problem.area_mm2
    for k, pattern in found.items():
        columns = pattern.most_columns(problem.parts[k].copies)
        used = pattern.count(columns) * problem.parts[k].outline.area
        length += used / (pattern.use * problem.room_mm)
        area -= used
    return length + area / (REST_USE * problem.room_mm)


def repeated(
    problem: Problem, found: dict[int, Pattern], solve: Callable[[Problem, float], Lay | None]
) -> Iterator[RawLay]:
    """Yield lays made of a block for each pattern, and of the rest after them.

    Parameters
    ----------
    problem : Problem
    found : dict of int to Pattern
    solve : callable
        Lays the rest out, given the share of the time that is left; None if it cannot.

    Yields
    ------
    RawLay
        As the packing library would give it, with a seed below zero.
    """
    joiner = Joiner(problem)
    for turn, held in enumerate(HELD):
        columns = {k: max(0, p.most_columns(problem.parts[k].copies) - held) for k, p in found.items()}
        blocks = {k: [[float(k), *place] for place in found[k].laid(n)] for k, n in columns.items() if n}
        if not blocks:
            return
        places = joiner.chained([blocks[k] for k in joiner.order(blocks)])
        rest = {k: part.copies - len(blocks.get(k, ())) for k, part in enumerate(problem.parts)}
        rest = {k: n for k, n in rest.items() if n}
        if rest:
            lay = solve(problem.some(rest), 1.0 / (len(HELD) - turn))
            if lay is None:
                continue
            places = joiner.chained([places, joiner.raw(lay, list(rest))])
        yield RawLay(joiner.length(places) + 2.0 * problem.gap_mm, places, -1 - held, quick=True)
        if not rest:
            return


class Joiner:
    """Sets groups of pieces one after the other along the roll, as close as they come.

    Parameters
    ----------
    problem : Problem
    """

    def __init__(self, problem: Problem) -> None:
        self.problem = problem
        self._rings: dict[tuple[int, float, bool], Floats] = {}

    def ring(self, item: float, turn: float, *, grown: bool = False) -> Floats:
        """Give a turned ring about its middle, with the gap round it if asked."""
        key = (int(item), turn, grown)
        if key not in self._rings:
            ring = self.problem.shapes[int(item)].ring @ turn_matrix(turn)
            if grown and self.problem.gap_mm:
                wide = shapely.buffer(Polygon(ring), self.problem.gap_mm * ROUND, quad_segs=4)
                ring = np.asarray(wide.exterior.coords)[:-1]
            self._rings[key] = ring
        return self._rings[key]

    def length(self, places: Sequence[Raw]) -> float:
        """Give how far pieces reach along the roll, from the first to the last."""
        ends = [self.ring(item, turn)[:, 0] + x for item, turn, x, _ in places]
        return float(max(end.max() for end in ends) - min(end.min() for end in ends))

    def after(self, first: Sequence[Raw], second: Sequence[Raw]) -> float:
        """Give the shift along the roll at which a second group lies just beyond a first one."""
        right = [float(self.ring(item, turn)[:, 0].max()) + x for item, turn, x, _ in first]
        left = [float(self.ring(item, turn, grown=True)[:, 0].min()) + x for item, turn, x, _ in second]
        # Those that can ask for the largest shift first: once none can ask for more, it is found.
        pairs = sorted(((r - w, i, j) for i, r in enumerate(right) for j, w in enumerate(left)), reverse=True)
        hair, best = TOUCH * self.problem.room_mm, -np.inf
        for most, i, j in pairs:
            if most <= best:
                break
            a, b = first[i], second[j]
            close = reach(self.ring(a[0], a[1]), self.ring(b[0], b[1], grown=True), np.array([b[3] - a[3]]), hair_mm=hair)
            best = max(best, float(close[0]) + a[2] - b[2])
        return best

    def chained(self, groups: Sequence[Sequence[Raw]]) -> list[Raw]:
        """Give all groups one after the other."""
        placed = list(groups[0])
        for group in groups[1:]:
            shift = self.after(placed, group)
            placed += [[item, turn, x + shift, y] for item, turn, x, y in group]
        return placed

    def order(self, blocks: dict[int, list[Raw]]) -> tuple[int, ...]:
        """Give the order of blocks that makes them shortest."""
        if len(blocks) >= ORDERED:
            return tuple(blocks)
        steps = {(a, b): self.after(blocks[a], blocks[b]) for a, b in itertools.permutations(blocks, 2)}
        last = {k: max(float(self.ring(i, turn)[:, 0].max()) + x for i, turn, x, _ in block) for k, block in blocks.items()}

        def long(order: tuple[int, ...]) -> float:
            """How long the blocks are, one after the other in an order."""
            return sum(steps[pair] for pair in itertools.pairwise(order)) + last[order[-1]]

        return min(itertools.permutations(blocks), key=long)

    def raw(self, lay: Lay, index: Sequence[int]) -> list[Raw]:
        """Give a finished lay as the packing library would."""
        found = []
        for place in lay.places:
            k = index[place.part]
            middle = self.problem.shapes[k].middle @ turn_matrix(place.turn_deg)
            x, y = np.asarray(place.shift_mm) + middle - [0.0, self.problem.edge_mm]
            found.append([float(k), place.turn_deg, float(x), float(y)])
        return found

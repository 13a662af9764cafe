"""Many copies of one shape: columns across the roll, laid against each other as one pattern.

A search that moves pieces one by one does not repeat a good pattern. Here two columns are built from a shape and its
own half turn and repeated along the roll: with all pieces of a pattern alike in place this is a double lattice [1]_,
bent only as far as the roll's width asks. How close two pieces come at every height is worked out once; after that a
pattern costs a few look-ups, so that thousands are tried.

References
----------
.. [1] Kuperberg, G., Kuperberg, W. (1990): Double-lattice packings of convex bodies in the plane. Discrete and
   Computational Geometry 5, 389-397.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely
from shapely import Polygon

from .grid import ROUND
from .outline import Floats, plainer, turn_matrix

#: Corners of a shape while patterns are sought; the small moves that follow use the closer outline.
POINTS = 48
#: Heights at which the distance of two pieces is worked out, over the sum of their heights.
HEIGHTS = 240
#: Shifts along the roll tried between neighbours in a column, over the sum of their lengths.
SHIFTS = 33
#: Shifts that put a corner over a corner are tried too, where there are no more of them.
CORNERS = 60
#: Shifts of the second column across the roll that are tried.
PHASES = 24
#: So many of them tell which columns are worth all.
ROUGH = 4
#: Best patterns by the look-ups that are worked out exactly.
FINAL = 20
#: Outlines that meet in less than this share of the width do not touch.
TOUCH = 1e-7


@dataclass(frozen=True)
class Column:
    """Pieces that lie beside each other across the roll.

    Attributes
    ----------
    about : (n,) bool array
        Whether each is turned half about.
    at : (n, 2) float array
        Their middles, mm; y from the edge of the usable width.
    """

    about: np.ndarray
    at: Floats


@dataclass(frozen=True)
class Pattern:
    """Two columns of one shape that follow each other along the roll again and again.

    Attributes
    ----------
    turn_deg : float
        Of the pieces that are not turned about.
    columns : tuple of Column
        Two.
    steps_mm : tuple of float
        From the first to the second, and from the second to the next first.
    use : float
        Area of the shape over area of the usable width, where the pattern goes on for ever.
    """

    turn_deg: float
    columns: tuple[Column, Column]
    steps_mm: tuple[float, float]
    use: float

    @property
    def period_mm(self) -> float:
        """Length of both columns."""
        return sum(self.steps_mm)

    @property
    def rank(self) -> tuple[float, float]:
        """What makes it better than another: its use, then how level its columns are, since ends are hard to fill."""
        return round(self.use, 3), -float(sum(np.ptp(column.at[:, 0]) for column in self.columns))

    def laid(self, columns: int) -> list[tuple[float, float, float]]:
        """Give the pieces of so many columns.

        Parameters
        ----------
        columns : int

        Returns
        -------
        list of (turn, x, y)
            Degrees and mm.
        """
        found = []
        for n in range(columns):
            column, start = self.columns[n % 2], (n // 2) * self.period_mm + (n % 2) * self.steps_mm[0]
            for about, (x, y) in zip(column.about, column.at):
                found.append(((self.turn_deg + 180.0 * bool(about)) % 360.0, start + float(x), float(y)))
        return found

    def count(self, columns: int) -> int:
        """Give the pieces in so many columns."""
        return sum(len(self.columns[n % 2].at) for n in range(columns))

    def most_columns(self, copies: int) -> int:
        """Give the columns that so many copies fill."""
        n = 0
        while self.count(n + 1) <= copies:
            n += 1
        return n


def _edge(ring: Floats, y: Floats, *, right: bool) -> Floats:
    """Give the furthest x of a ring to one side at heights of any shape; infinite, away from it, beyond its ends."""
    a, b = ring, np.roll(ring, -1, axis=0)
    rise = b[:, 1] - a[:, 1]
    level = rise == 0.0
    share = (y[..., None] - a[:, 1]) / np.where(level, 1.0, rise)
    x = a[:, 0] + share * (b[:, 0] - a[:, 0])
    off = level | (share < 0.0) | (share > 1.0)
    return np.where(off, -np.inf, x).max(axis=-1) if right else np.where(off, np.inf, x).min(axis=-1)


def reach(fixed: Floats, mover: Floats, dy: Floats, *, hair_mm: float) -> Floats:
    """Give how far along x a ring must be shifted to lie beyond another one.

    It comes from far off and stops where it touches: a point of the boundary of the no-fit polygon for each height.

    Parameters
    ----------
    fixed, mover : (n, 2) float arrays
        mm
    dy : (k,) float array
        Shifts of the mover across.
    hair_mm : float
        Outlines that share less height than this do not meet.

    Returns
    -------
    (k,) float array
        Minus infinity where they pass each other.
    """
    one = np.concatenate([fixed[:, 1] - hair_mm, fixed[:, 1] + hair_mm])
    two = np.concatenate([mover[:, 1] - hair_mm, mover[:, 1] + hair_mm])
    near = _edge(fixed, one, right=True) - _edge(mover, one - dy[:, None], right=False)
    far = _edge(fixed, two + dy[:, None], right=True) - _edge(mover, two, right=False)
    return np.maximum(near.max(axis=1), far.max(axis=1))


class Close:
    """How close two pieces come, by their shift square to the way, looked up at the nearest of many steps."""

    def __init__(self, fixed: Floats, mover: Floats, *, hair_mm: float) -> None:
        self.fixed, self.mover, self.hair_mm = fixed, mover, hair_mm
        self.low = float(fixed[:, 1].min() - mover[:, 1].max())
        self.step = float(fixed[:, 1].max() - mover[:, 1].min() - self.low) / HEIGHTS
        self.table = self.exact(self.low + self.step * np.arange(HEIGHTS + 1))

    def at(self, shift: Floats) -> Floats:
        """Look shifts of any shape up."""
        k = np.rint((shift - self.low) / self.step).astype(int)
        return np.where((k >= 0) & (k <= HEIGHTS), self.table[np.clip(k, 0, HEIGHTS)], -np.inf)

    def exact(self, shift: npt.ArrayLike) -> Floats:
        """Work out shifts of any shape, each different one once."""
        different, back = np.unique(np.round(np.asarray(shift, dtype=np.float64), 9), return_inverse=True)
        return reach(self.fixed, self.mover, different.astype(np.float64), hair_mm=self.hair_mm)[back].reshape(np.shape(shift))


class Weaver:
    """Finds patterns of one shape at one turn.

    Parameters
    ----------
    ring : (n, 2) float array
        About the shape's middle, mm.
    turn_deg : float
    about : bool
        Whether it may be turned half about as well.
    room_mm, gap_mm : float
    """

    def __init__(self, ring: Floats, turn_deg: float, *, about: bool, room_mm: float, gap_mm: float) -> None:
        self.turn_deg, self.room_mm = turn_deg, room_mm
        solid = Polygon(ring @ turn_matrix(turn_deg))
        plain = plainer(solid, (0.0,), most_points=POINTS)
        self.area = solid.area
        one = np.asarray(plain.exterior.coords)[:-1]
        self.rings = (one, -one) if about else (one,)
        wide = shapely.buffer(plain, gap_mm * ROUND, quad_segs=4).exterior if gap_mm else plain.exterior
        grown = np.asarray(wide.coords)[:-1]
        movers = (grown, -grown)[: len(self.rings)]
        hair = TOUCH * room_mm
        self.along = [[Close(f, m, hair_mm=hair) for m in movers] for f in self.rings]
        self.across = [[Close(f[:, ::-1], m[:, ::-1], hair_mm=hair) for m in movers] for f in self.rings]
        self.low = np.array([float(ring[:, 1].min()) for ring in self.rings])
        self.high = np.array([float(ring[:, 1].max()) for ring in self.rings])

    def best(self) -> Pattern | None:
        """Give the pattern of the highest use, None if the shape finds no room."""
        rough = [(self._patterned(chain, ROUGH), chain) for chain in self._columns()]
        rough.sort(key=lambda pair: pair[0].rank, reverse=True)
        found = [self._patterned(chain, PHASES) for _, chain in rough[:FINAL]]
        exact = [self._pattern(*pattern.columns, exact=True) for pattern in found]
        return max(exact, key=lambda p: p.rank, default=None)

    def _chains(self) -> Iterator[tuple[int, Floats, float]]:
        """Yield columns that go on for ever: kind of the second piece, its shift from the first, and their period."""
        for kind in range(len(self.rings)):
            shifts = self._shifts(kind)
            up, down = self.across[0][kind].exact(shifts), self.across[kind][0].exact(-shifts)
            alone = max(float(close.exact(np.zeros(1))[0]) for close in (self.across[0][0], self.across[kind][kind]))
            period = np.maximum(up + down, alone)
            for k in np.flatnonzero(np.isfinite(period) & (period > 0.0)):
                yield kind, np.array([shifts[k], up[k]]), float(period[k])

    def _shifts(self, kind: int) -> Floats:
        """Give shifts along the roll between neighbours in a column: evenly spaced, and corner upon corner."""
        first, second = self.rings[0][:, 0], self.rings[kind][:, 0]
        long = float(np.ptp(first))
        even = long * np.linspace(-1.0, 1.0, SHIFTS)[1:-1]
        corners = np.unique(np.round(first[:, None] - second[None, :], 6))
        corners = corners[np.abs(corners) < long]
        return np.unique(np.concatenate([even, corners])) if len(corners) <= CORNERS else even

    def _columns(self) -> Iterator[tuple[Column, int, Floats, float]]:
        """Yield columns as they are and as they are drawn apart, each with what it would be if it went on for ever."""
        for kind, second, period in self._chains():
            for stretch in self._stretches(kind, second, period):
                after, every = second * [1.0, stretch], period * stretch
                one = self._clipped((0, kind), after, every, -self.low[0])
                if len(one.at):
                    yield one, kind, after, every

    def _patterned(self, chain: tuple[Column, int, Floats, float], phases: int) -> Pattern:
        """Give the best pattern of a column with itself, or itself turned about, shifted across the roll."""
        one, kind, after, every = chain
        shifts = [*(every * k / phases for k in range(phases)), self._slack(one)]
        others = [self._clipped((0, kind), after, every, shift - self.low[0]) for shift in shifts]
        if len(self.rings) > 1:
            top = self.room_mm - self.high[1]
            others += [self._clipped((1, 1 - kind), -after, every, top - shift) for shift in shifts]
        return max((self._pattern(one, two) for two in others if len(two.at)), key=lambda p: p.rank)

    def _slack(self, column: Column) -> float:
        """Give what a column leaves of the width."""
        return max(0.0, self.room_mm - float((column.at[:, 1] + self.high[column.about.astype(int)]).max()))

    def _stretches(self, kind: int, second: Floats, period: float) -> list[float]:
        """Give the factors that draw a column apart until it fills the width, alone or with one half a period further."""
        one = self._clipped((0, kind), second, period, -self.low[0])
        if len(one.at) < 2:
            return [1.0]
        climb = float(np.ptp(one.at[:, 1]))
        room = climb + self._slack(one)
        return sorted({1.0, room / climb, max(1.0, room / (climb + 0.5 * period))}) if climb > 0.0 else [1.0]

    def _clipped(self, kinds: tuple[int, int], after: Floats, every: float, start: float) -> Column:
        """Give the pieces of an endless column that lie within the width."""
        span = math.ceil(self.room_mm / every) + 2
        k = np.arange(-span, span + 1)
        y = np.concatenate([start + every * k, start + every * k + after[1]])
        x = np.concatenate([np.zeros(len(k)), np.full(len(k), after[0])])
        which = np.repeat(kinds, len(k))
        hair = TOUCH * self.room_mm
        keep = (y + self.low[which] >= -hair) & (y + self.high[which] <= self.room_mm + hair)
        return Column(which[keep] == 1, np.column_stack([x, y])[keep])

    def _step(self, one: Column, two: Column, *, exact: bool) -> float:
        """Give how far along the roll a column comes after another."""
        across = two.at[None, :, 1] - one.at[:, None, 1]
        along = one.at[:, None, 0] - two.at[None, :, 0]
        step = -np.inf
        for f, m in itertools.product(range(len(self.rings)), repeat=2):
            pairs = np.ix_(one.about == bool(f), two.about == bool(m))
            if across[pairs].size:
                close = self.along[f][m]
                ahead = close.exact(across[pairs]) if exact else close.at(across[pairs])
                step = max(step, float((ahead + along[pairs]).max()))
        return step

    def _pattern(self, one: Column, two: Column, *, exact: bool = False) -> Pattern:
        there, back = self._step(one, two, exact=exact), self._step(two, one, exact=exact)
        period = max(there + back, self._step(one, one, exact=exact), self._step(two, two, exact=exact))
        use = (len(one.at) + len(two.at)) * self.area / (period * self.room_mm)
        return Pattern(self.turn_deg, (one, two), (there, period - there), use)


def best_pattern(ring: Floats, turns_deg: Sequence[float], *, room_mm: float, gap_mm: float) -> Pattern | None:
    """Find a dense pattern of one shape.

    Parameters
    ----------
    ring : (n, 2) float array
        About the shape's middle, mm.
    turns_deg : sequence of float
        Turns at which it fits.
    room_mm, gap_mm : float
        Usable width, and least distance of two pieces.

    Returns
    -------
    Pattern or None
        None if it finds no room.
    """
    found = []
    turns = {turn % 360.0 for turn in turns_deg}
    for turn in sorted(turns):
        about = (turn + 180.0) % 360.0 in turns
        if not (about and turn >= 180.0):
            pattern = Weaver(ring, turn, about=about, room_mm=room_mm, gap_mm=gap_mm).best()
            found += [pattern] if pattern is not None else []
    return max(found, key=lambda p: p.rank, default=None)

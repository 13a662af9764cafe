"""Seams of a ply chosen so that its laps keep off those of the plies below.

Where cloth must give too much if a seam leaves its place (a foil's nose), the seam is turned into two, one to either
side, or moved as far as the cloth bears.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from ..errors import CheckError, OutlineError, ShapeError
from ..surface._smooth import work_copy
from ..surface.coarsen import coarsen
from ..surface.mesh import Floats, Ints, Surface
from ._cutting import along_rim, on_rim
from ._laps import BESIDE_MM, distance_to_lines, lap_lines
from ._seams import TOUCHING, WORTH, Fits, Start, laps_fit, same_loops
from .flatten import Flat, cloth_stretch, flatten
from .opening import Opened, at_arc, open_at

# The copy that ways are tried on: about so many triangles, and how far it may stray.
DRAFT_FACES, STRAY_MM = 9000, 2.0
# The length over which strain is averaged.
CLOTH_MM = 10.0
# Strain over the limit may cover this much more of the area than with the seams where strain wants them.
BEAR = 1.25
# Ways whose laps are as far apart as makes no difference to the builder.
ALIKE_MM = 5.0
# Steps of that within which ways with fewer pieces are as good.
DOUBT = 2
# Shares of the stagger for which seams are looked for.
LEVELS = (1.0, 5 / 6, 2 / 3, 7 / 12, 1 / 2, 1 / 3)
# Two seams nearer to each other than this share of the rim stand for one between them.
CLOSE = 0.2
# No more ways than this are tried: each takes about half a second.
TRIES = 12

#: Where seams start along the rim of each opening, mm.
Places = tuple[tuple[float, ...], ...]


def turn_share(plies: int, *, pitch_mm: float, stagger_mm: float) -> float:
    """Return by what share of a piece's length to turn equal seams on from each ply to the next.

    The laps of `plies` plies are shared out round the rim. Among turns of m/q of a piece, q up to 2 plies + 1, the
    one is taken that keeps each lap off that of the ply below, up to the stagger or, where a piece is short for that,
    a third of it; then off those of all plies below, up to the stagger; then all as far apart as they go.

    Parameters
    ----------
    plies : int
    pitch_mm : float
        Length of rim to each piece.
    stagger_mm : float

    Returns
    -------
    float
        From 0 (a single ply) to 1/2.

    Examples
    --------
    >>> [round(turn_share(k, pitch_mm=120.0, stagger_mm=40.0), 3) for k in (1, 2, 3, 4)]
    [0.0, 0.5, 0.333, 0.4]
    """
    near_mm = min(stagger_mm, pitch_mm / 3)
    if plies < 2:
        return 0.0

    def rank(turn: float) -> tuple[float, ...]:
        """How well a turn keeps each ply's seams off the ply below, then off all, the most first."""
        at = np.sort(np.arange(plies) * turn % 1.0)
        nearest = float(np.diff(np.r_[at, at[0] + 1.0]).min()) * pitch_mm
        below = turn * pitch_mm
        return tuple(round(x, 6) for x in (min(below, near_mm), min(nearest, stagger_mm), nearest, below))

    turns = sorted({m / q for q in range(2, 2 * plies + 2) for m in range(1, q // 2 + 1)})
    return max(turns, key=rank)


@dataclass(frozen=True, eq=False)
class Staggered:
    """Seams of a ply, chosen with an eye to the laps below.

    Attributes
    ----------
    starts : list of Start
    below_mm : float
        Distance of the laps from those of the ply below as the draft has it, no more than the stagger.
    tried : int
        Ways tried out.
    over_share : float
        Share of the area over the limit on the draft.
    refused_share : float or None
        The least such share among the ways that reach the stagger, where the cloth bears none of them.
    """

    starts: list[Start]
    below_mm: float
    tried: int
    over_share: float
    refused_share: float | None


def stagger_seams(
    surface: Surface,
    holes: Sequence[Ints],
    *,
    first_mm: Floats,
    laps_mm: Sequence[Sequence[Floats]],
    most: int,
    limit: float,
    over_share: float,
    lap_mm: float,
    stagger_mm: float,
    plies: int = 2,
    fits: Fits | None = None,
) -> Staggered:
    """Choose where a ply is opened that lies on others.

    Ways to open it are laid out on a coarse copy, flattened and measured. They are ranked by the distance of their
    laps from those of the ply below, up to the stagger (or a third of a piece of the first ply, where that is less),
    then from those of all plies below, both in steps of 5 mm. A way counts if it lies flat and no more than the stated share of the area is over the strain limit (or a quarter
    more than with the seams of the first ply). Among ways of the best rank the least area over the limit wins; fewer
    pieces weigh as much as 2 % of the area.

    Parameters
    ----------
    surface : Surface
    holes : sequence of (k,) int arrays
        The boundary loops to open.
    first_mm : (n, 3) float array
        Where the first ply's seams start, chosen by strain.
    laps_mm : sequence of sequences of (k, 3) float arrays
        Centre lines of the laps of each ply below, the first ply first.
    most : int
        The largest number of pieces.
    limit, over_share, lap_mm, stagger_mm
        As for `open_patch`.
    plies : int
        Plies in all, to share places out among.
    fits : callable, optional
        Whether a piece fits the roll.

    Returns
    -------
    Staggered
    """
    draft = _draft(surface, holes, first_mm, laps_mm, limit, lap_mm, stagger_mm, fits)
    pitch = min(draft.round_mm(k) / len(xs) for k, xs in enumerate(draft.base))
    # As in `turn_share`: laps half a piece off would have the next but one lie on the first again.
    draft = replace(draft, stagger_mm=min(stagger_mm, pitch / 3))
    search = _Search(draft, max(most, _pieces(draft.base)), over_share)
    best = search.best(plies, len(laps_mm))
    starts = [
        Start(k, p, t)
        for k, rim in enumerate(draft.rims)
        for p, t in zip(at_arc(rim, np.array(best.way.at_mm[k])), best.way.turned[k])
    ]
    refused = search.refused if best.below_mm < draft.stagger_mm - ALIKE_MM else None
    return Staggered(starts, min(best.below_mm, stagger_mm), len(search.done), best.share, refused)


def _pieces(at_mm: Places) -> int:
    return sum(map(len, at_mm)) - len(at_mm) + 1


# -- the draft -----------------------------------------------------------------------------------------------------
@dataclass(frozen=True, eq=False)
class _Draft:
    """The coarse copy, with the laps below.

    Attributes
    ----------
    surface : Surface
    holes : list of (k,) int arrays
    rims : list of (k, 3) float arrays
    base : Places
        Where the first ply's seams start.
    laps : list of list of (j,) float arrays
        For each opening and each ply below, where along the rim its laps start.
    fields : list of (n,) float arrays
        For each ply below, the distance of each vertex from its laps.
    """

    surface: Surface
    holes: list[Ints]
    rims: list[Floats]
    base: Places
    laps: list[list[Floats]]
    fields: list[Floats]
    limit: float
    lap_mm: float
    stagger_mm: float
    fits: Fits | None

    def round_mm(self, k: int) -> float:
        """Length of an opening's rim."""
        return along_rim(self.rims[k])[1]


def _draft(
    surface: Surface, holes: Sequence[Ints], first_mm: Floats, laps_mm: Sequence[Sequence[Floats]],
    limit: float, lap_mm: float, stagger_mm: float, fits: Fits | None,
) -> _Draft:
    # A draft that rounds the corner to a few flats would lead the shortest ways to their edges.
    coarse = coarsen(Surface(work_copy(surface), surface.faces), faces=DRAFT_FACES, stray_mm=STRAY_MM).surface
    loops = same_loops(surface, tuple(holes), coarse)
    rims = [coarse.vertices_mm[q] for q in loops]
    base: list[list[float]] = [[] for _ in rims]
    for p in first_mm:
        k = _nearest_rim(rims, p)
        base[k].append(on_rim(rims[k], p))
    far = 1.5 * stagger_mm + lap_mm
    fields = [distance_to_lines(coarse, ply, coarse.vertices_mm, most_mm=far) for ply in laps_mm]
    laps = [[np.zeros(0) for _ in laps_mm] for _ in rims]
    for i, ply in enumerate(laps_mm):
        for line in ply:
            near = coarse.locate(line).distance_mm < BESIDE_MM
            ends = line[near][[0, -1]] if near.any() else line[[0, -1]]
            k, p = min(((_nearest_rim(rims, e), e) for e in ends), key=lambda ke: _off(rims[ke[0]], ke[1]))
            laps[k][i] = np.append(laps[k][i], on_rim(rims[k], p))
    return _Draft(
        coarse, loops, rims, tuple(tuple(sorted(b)) for b in base), laps, fields, limit, lap_mm, stagger_mm, fits
    )


def _off(rim: Floats, p: Floats) -> float:
    return float(np.linalg.norm(rim - p, axis=1).min())


def _nearest_rim(rims: Sequence[Floats], p: Floats) -> int:
    return int(np.argmin([_off(rim, p) for rim in rims]))


# -- the search ----------------------------------------------------------------------------------------------------
@dataclass(frozen=True, eq=False)
class _Way:
    """A way to open all rings. `turned`: whether laps are on the far side; distances of laps as along the rims."""

    at_mm: Places
    turned: tuple[tuple[bool, ...], ...]
    below_mm: float
    all_mm: float


@dataclass(frozen=True, eq=False)
class _Trial:
    """What came of a way: distances of its laps along the surface, area over the limit, whether it can be used."""

    way: _Way
    below_mm: float
    all_mm: float
    share: float
    good: bool


@dataclass(eq=False)
class _Search:
    """The ways tried and what came of them."""

    draft: _Draft
    most: int
    over_share: float

    def __post_init__(self) -> None:
        self.done: list[_Trial] = []

    @property
    def refused(self) -> float | None:
        """The least area over the limit with which the stagger was reached."""
        need = self.draft.stagger_mm - ALIKE_MM
        return min((t.share for t in self.done if t.below_mm >= need and t.good), default=None)

    def best(self, plies: int, index: int) -> _Trial:
        """Return the best way that the cloth bears."""
        same = self.trial(self.way(self.draft.base))
        bear = max(self.over_share, BEAR * same.share)
        borne, too_stiff = [same], -1
        ways = list(self.in_order(plies, index))
        for k, (kind, level, way) in enumerate(ways):
            if level == too_stiff:
                continue
            if self.rank(way) < max(map(self.rank, borne)):
                continue
            if len(self.done) >= TRIES:
                break
            trial = self.trial(way)
            if not trial.good or trial.share > bear:
                # One seam in place of two asks more of the cloth.
                too_stiff = level if kind == "straddled" and trial.good else too_stiff
                continue
            borne.append(trial)
            # Shares that differ by less than noise may turn must not decide how long the search goes on.
            bettered = any(self.rank(left) > self.rank(trial) for *_, left in ways[k + 1 :])
            if trial.share <= max(self.over_share, same.share + WORTH) and not bettered:
                break
        top = max(map(self.rank, borne))
        # Drafts and noise turn distances by a step or two: more pieces must buy more than that.
        alike = [t for t in borne if all(a >= b - DOUBT for a, b in zip(self.rank(t), top))]
        least = min(t.share for t in alike)
        good = [t for t in alike if t.share <= least + WORTH]
        fewest = min(_pieces(t.way.at_mm) for t in good)
        return min((t for t in good if _pieces(t.way.at_mm) == fewest), key=self.dearness)

    def dearness(self, trial: _Trial) -> tuple[int, int, float]:
        """Return what ways with as many pieces are sorted by: the farthest off first, then the least area over the limit."""
        below, every = self.rank(trial)
        return -below, -every, round(trial.share, 4)

    def in_order(self, plies: int, index: int) -> Iterator[tuple[str, int, _Way]]:
        """Yield kind, level and way of those that make sense, the farthest off first, one of each kind at a level."""
        seen: dict[tuple[tuple[int, ...], ...], tuple[str, _Way]] = {}
        for kind, at_mm in self.options(plies, index):
            if self.sensible(at_mm):
                key = tuple(tuple(round(x) for x in xs) for xs in at_mm)
                seen.setdefault(key, (kind, self.way(at_mm)))
        # Seams turned on keep their number and come first; two in place of one give most room beside them.
        kinds = ("turned on", "merged", "straddled", "aside", "afresh")
        ways = sorted(seen.values(), key=lambda kw: (-self.level(kw[1]), kinds.index(kw[0]), -self.rank(kw[1])[1]))
        tried: set[tuple[str, int]] = set()
        for kind, way in ways:
            level = self.level(way)
            if (kind, level) not in tried:
                tried.add((kind, level))
                yield kind, level, way

    def level(self, way: _Way) -> int:
        """Return how far a way goes towards the stagger from the ply below, in sixths."""
        return int(min(way.below_mm / self.draft.stagger_mm, 1.0) * 6 + 0.5)

    def rank(self, way: _Way | _Trial) -> tuple[int, int]:
        """Return the steps reached towards the stagger, from the ply below and from all."""
        most = self.draft.stagger_mm
        # Half a step of grace: seams measured on the surface differ by millimetres from what they are along the rim.
        return tuple(int((min(x, most) + 0.5 * ALIKE_MM) / ALIKE_MM) for x in (way.below_mm, way.all_mm))  # type: ignore[return-value]

    def sensible(self, at_mm: Places) -> bool:
        """Whether there are no more pieces than allowed, and room for two laps between any two seams."""
        if not all(at_mm) or _pieces(at_mm) > self.most:
            return False
        for k, xs in enumerate(at_mm):
            at = np.sort(xs)
            if len(at) > 1 and np.diff(np.r_[at, at[0] + self.draft.round_mm(k)]).min() < 2 * self.draft.lap_mm:
                return False
        return True

    def way(self, at_mm: Places) -> _Way:
        """Return a way with every lap on its clearer side."""
        most, turned, below, every = self.draft.stagger_mm, [], [], []
        for k, xs in enumerate(at_mm):
            low, high = self.room(k, np.array(xs))
            side = [
                max((0, 1), key=lambda s: (round(min(low[i, s], most), 1), round(min(high[i, s], most), 1), -s))
                for i in range(len(xs))
            ]
            turned.append(tuple(bool(s) for s in side))
            below += [low[i, s] for i, s in enumerate(side)]
            every += [high[i, s] for i, s in enumerate(side)]
        return _Way(at_mm, tuple(turned), float(min(below)), float(min(every)))

    def room(self, k: int, at_mm: Floats) -> tuple[Floats, Floats]:
        """Return the distances along a rim, (c, 2), of laps on either side of seams from those below, and of all."""
        d = self.draft
        middle = at_mm[:, None] + 0.5 * d.lap_mm * np.array([1.0, -1.0])
        every = [_apart(middle, laps, d.round_mm(k)) for laps in d.laps[k]]
        return every[-1], np.min(every, axis=0)

    def trial(self, way: _Way) -> _Trial:
        """Open the draft, lay it flat and measure."""
        d = self.draft
        starts = [
            Start(k, p, t)
            for k, rim in enumerate(d.rims)
            for p, t in zip(at_arc(rim, np.array(way.at_mm[k])), way.turned[k])
        ]
        try:
            opened = open_at(d.surface, d.holes, starts, lap_mm=d.lap_mm)
        except (OutlineError, CheckError, ShapeError):
            # No straight way out there on so coarse a mesh.
            trial = _Trial(way, way.below_mm, way.all_mm, 1.0, False)
        else:
            trial = self.measured(way, opened, [flatten(piece) for piece in opened.pieces])
        self.done.append(trial)
        return trial

    def measured(self, way: _Way, opened: Opened, flats: Sequence[Flat]) -> _Trial:
        """Return what is found when an opened draft lies flat."""
        d, over, good = self.draft, 0.0, True
        for k, (piece, flat) in enumerate(zip(opened.pieces, flats)):
            # At the cloth's scale: what single triangles give changes with the draft and with the scan's noise.
            strain = np.abs(cloth_stretch(piece, flat, length_mm=CLOTH_MM) - 1).max(axis=1)
            over += float(piece.face_areas_mm2[strain > d.limit].sum())
            good &= flat.overlap_mm2 <= TOUCHING * d.surface.mean_edge_mm**2
            good &= laps_fit(opened, k, flat.uv_mm, d.lap_mm) and (d.fits is None or d.fits(piece, flat))
        points = np.concatenate(lap_lines(opened, flats, d.lap_mm))
        spot = d.surface.locate(points)
        corners = d.surface.faces[spot.face]
        off = [float((field[corners] * spot.weights).sum(axis=1).min()) for field in d.fields]
        return _Trial(way, off[-1], min(off), over / d.surface.area_mm2, bool(good))

    # -- ways to open ------------------------------------------------------------------------------------------
    def options(self, plies: int, index: int) -> Iterator[tuple[str, Places]]:
        """Yield ways to open the rings, each with its kind."""
        yield from (("turned on", at_mm) for at_mm in self.turned_on(plies, index))
        for every, level in itertools.product((True, False), LEVELS):
            clear_mm = level * self.draft.stagger_mm
            yield from (("straddled", at_mm) for at_mm in self.beside(clear_mm, every=every, both=True))
            yield from (("aside", at_mm) for at_mm in self.beside(clear_mm, every=every, both=False))
        yield "merged", tuple(self.merged(k) for k in range(len(self.draft.rims)))
        yield from (("afresh", self.even(more)) for more in range(1, self.most))

    def turned_on(self, plies: int, index: int) -> Iterator[Places]:
        """Yield the first seams moved along the rims by equal amounts."""
        d = self.draft
        pitch = min(d.round_mm(k) / len(xs) for k, xs in enumerate(d.base))
        turn = turn_share(plies, pitch_mm=pitch, stagger_mm=d.stagger_mm)
        moves = [pitch * (turn * index % 1.0), 0.5 * pitch, 0.25 * pitch]
        moves += [sign * level * d.stagger_mm for level in LEVELS for sign in (1, -1)]
        for move in moves:
            yield tuple(tuple((x + move) % d.round_mm(k) for x in xs) for k, xs in enumerate(d.base))

    def beside(self, clear_mm: float, *, every: bool, both: bool) -> Iterator[Places]:
        """Yield the first seams each turned into two, one on either side, or some of them moved to one side.

        `every`: clear of the laps of all plies below, not only of the one below. `both`: two for every seam.
        """
        per_ring: list[list[tuple[float, ...]]] = []
        for k, xs in enumerate(self.draft.base):
            per_seam = [self.sides(k, x, clear_mm, every) for x in xs]
            if both or len(xs) > 4:
                # As many as that are not mixed.
                mixed = [tuple(options[:1][0] for options in per_seam)] if all(per_seam) else []
            else:
                mixed = list(itertools.product(*per_seam))[1:]
            per_ring.append([tuple(sorted({x for part in mix for x in part})) for mix in mixed])
        yield from zip(*per_ring)

    def sides(self, k: int, x: float, clear_mm: float, every: bool) -> list[tuple[float, ...]]:
        """Return what may stand for a seam: itself where it is clear, both clear places beside it, either of them."""
        round_mm = self.draft.round_mm(k)
        ahead = np.arange(0.0, 0.5 * round_mm, 1.0)
        found = []
        for way in (1, -1):
            room = self.room(k, x + way * ahead)[1 if every else 0].max(axis=1)
            clear = np.flatnonzero(room >= clear_mm)
            if len(clear):
                found.append(float((x + way * ahead[clear[0]]) % round_mm))
        one: list[tuple[float, ...]] = [(p,) for p in found]
        if len(found) == 2 and abs((found[0] - found[1] + 0.5 * round_mm) % round_mm - 0.5 * round_mm) > 1.0:
            return [tuple(found), *one]
        return one[:1]

    def merged(self, k: int) -> tuple[float, ...]:
        """Return one seam in the middle between any two that lie close on either side of a nose."""
        round_mm = self.draft.round_mm(k)
        left, out = sorted(self.draft.base[k]), []
        while len(left) > 1:
            gap = np.diff([*left, left[0] + round_mm])
            i = int(np.argmin(gap))
            if gap[i] > CLOSE * round_mm:
                break
            out.append(float((left[i] + 0.5 * gap[i]) % round_mm))
            left = [x for j, x in enumerate(left) if j not in (i, (i + 1) % len(left))]
        return tuple(sorted([*out, *left]))

    def even(self, more: int) -> Places:
        """Return equal places, more of them than the first seams, the first in the middle between two of those."""
        out = []
        for k, xs in enumerate(self.draft.base):
            total, count = self.draft.round_mm(k), len(xs) + more
            first = xs[0] + 0.5 * total / len(xs)
            out.append(tuple((first + i * total / count) % total for i in range(count)))
        return tuple(out)


def _apart(at_mm: Floats, others_mm: Floats, round_mm: float) -> Floats:
    """Return the distance along a closed line of places from the nearest of some others; infinite if there is none."""
    d = np.abs(at_mm[..., None] - others_mm) % round_mm
    return np.asarray(np.minimum(d, round_mm - d).min(axis=-1, initial=np.inf))

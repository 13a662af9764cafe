"""Nets laid anew behind a dart, a slit or a hole with a seam, each side of it by itself.

A net is known where its rectangle of threads back to the start is whole. A cut takes away all that lies beyond its tip
both ways. What lies there falls into the sides of the cut, and each side meets the rest along one thread that is known:
the one that passes the tip. The other first thread of that side is free. It sets off from the tip at any angle and may
bend, since the cut's own edge tells where the cloth goes. With v the way across the known thread, shear on that side is

    gamma(u, v) = that of the net without the cut + b(v),

b(0) being the angle at which the free thread is turned at the tip and -b' its bend. What the free threads of both sides
leave open is the wedge of the dart. At the tip, where the cut runs at an angle phi to +u and the sides are turned by p
and q, the wedge opens at about p sin² phi + q cos² phi, and a wedge of d takes d off the shear of both sides.

The nets of the sides are laid on the hull as if it were whole and are read by their own side only, so no thread is lost
in the cut. Cuts behind cuts are found again in the nets of the sides.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from ..surface._edges import directed_edges, rim_edges
from ..surface.mesh import Bools, Floats, Ints, Surface
from ._generators import POWER, lean_of, leant
from ._net import ON, Arm, Net, Plan, Start, grow
from ._net_bed import Bed, seam_places
from ._net_ground import SLACK_TIRED, unit
from ._net_lay import Laid, read_at, score
from ._net_read import Cells, joined
from ._patch import undirected
from .flatten import flat_overlap

#: A place lies beyond a cut when it is so much beyond it, in bars.
CLEAR = 1e-3
#: Sides narrower than so many bars, or smaller than this share of the piece, go with the net they border on.
NARROW, SMALL = 3.0, 0.003
#: How far the border of a side may stray from the one thread it is to follow, in bars and in the mesh's edges.
STRAY_BARS, STRAY_EDGES = 0.5, 1.5
#: The share of the shear that a bend must take away.
GAIN = 0.01
#: A side that shears no more than this is left as it is.
EVEN_DEG = 0.05
#: Bars across a side's net while its free thread is bent.
BARS = 16
#: A free thread crosses the known one at no less than this angle.
LEAST_CROSSING_DEG = 25.0
#: What laying a side anew must take off its shear: this share, and this much.
WORTH, NOTHING_DEG = 0.03, 0.01
#: A side that is laid anew opens its cut by no less than this at any place, rad: more than nets are read wrongly.
LEAST_LEAN = 5e-3
#: Flat area that may lie over itself, mm²: none but for rounding.
ROUNDING_MM2 = 1e-6
#: Places along a free thread at which its bend is known.
LEANS = 65
#: Places from which the cuts are looked at where the start sees a cut from both sides.
PLACES = 24


@dataclass(frozen=True)
class _Bends:
    """How often a free thread is bent for each aim, and the shares of the reckoned bend that are tried."""

    times: int
    shares: tuple[float, ...]


ALL, SOME = _Bends(4, (1.0, 0.5, 0.2)), _Bends(1, (1.0,))


@dataclass(frozen=True, eq=False)
class Cut:
    """A seam at which a piece meets itself, with the hole it starts at where there is one.

    Attributes
    ----------
    edges : (k, 2) int array
        The piece's free edges along it, both sides.
    twin : (k,) int array
        The edge on the other side; -1 along a hole.
    """

    edges: Ints
    twin: Ints


def cuts_of(piece: Surface) -> tuple[Cut, ...]:
    """Return the seams at which a piece meets itself.

    Parameters
    ----------
    piece : Surface
        The two sides of a seam have vertices of their own in the same places.
    """
    edges, twin = _free_edges(piece)
    if not (twin >= 0).any():
        return ()
    place = seam_places(piece)
    bare = np.flatnonzero(twin < 0)
    keep = twin >= 0
    if len(bare):
        group = _groups(place[edges[bare]], int(place.max()) + 1)
        size = np.linalg.norm(piece.vertices_mm[edges[bare, 0]] - piece.vertices_mm[edges[bare, 1]], axis=1)
        outer = int(np.bincount(group, size).argmax())
        inner = bare[group != outer]
        # Holes that no seam leads to may stay: threads run over them.
        met = np.isin(place[edges[inner]], place[edges[twin >= 0]]).any(axis=1)
        keep[inner[np.isin(group[group != outer], group[group != outer][met])]] = True
    at = np.flatnonzero(keep)
    group = _groups(place[edges[at]], int(place.max()) + 1)
    out = []
    for k in range(int(group.max()) + 1):
        own = at[group == k]
        new = np.full(len(edges) + 1, -1, dtype=np.int64)
        new[own] = np.arange(len(own))
        out.append(Cut(edges[own], new[twin[own]]))
    return tuple(out)


def _free_edges(piece: Surface) -> tuple[Ints, Ints]:
    """(k, 2) free edges of a piece and (k,) which other one lies in the same place; -1 where none does."""
    edges = directed_edges(piece.faces)[rim_edges(len(piece.vertices_mm), piece.faces)]
    place = seam_places(piece)[edges]
    number = {(a, b): k for k, (a, b) in enumerate(place.tolist())}
    return edges, np.array([number.get((b, a), -1) for a, b in place.tolist()], dtype=np.int64)


def _groups(edges: Ints, count: int) -> Ints:
    """(k,) which edges hang together."""
    graph = coo_array((np.ones(len(edges)), edges.T), shape=(count, count))
    label = connected_components(graph, directed=False)[1][edges[:, 0]]
    return np.asarray(np.unique(label, return_inverse=True)[1], dtype=np.int64)


def lay_beyond(laid: Laid, *, roughly: bool = False) -> Laid:
    """Lay a net anew behind each cut of its piece, its free threads turned and bent so that the cloth shears least.

    Parameters
    ----------
    laid : Laid
        On the hull about the piece as if it had no cut, read at all of the piece's vertices.
    roughly : bool
        Whether to bend a free thread a few times only, as where a net is only tried out.

    Returns
    -------
    Laid
        With its parts; the net as it was where the piece has no cut, or none that leaves a side to itself.
    """
    cuts = cuts_of(laid.bed.patch)
    if not cuts or laid.bed.layered:
        return laid
    piece = _Piece(laid.bed, SOME if roughly else ALL)
    parts = list(piece.parts(laid, cuts))
    if len(parts) == 1:
        return laid
    made = _together(laid, parts)
    over, _ = flat_overlap(made.reading.uv_mm, laid.bed.patch.boundary_loops)
    # Where cuts lie so that their sides would overlap in the flat none of them is opened.
    return made if over <= ROUNDING_MM2 else laid


def _together(laid: Laid, parts: Sequence[Laid]) -> Laid:
    moved = [(p.at, replace(p.reading, uv_mm=p.reading.uv_mm + np.array(p.shift_mm))) for p in parts]
    return replace(laid, reading=joined(moved, len(laid.at)), parts=tuple(parts))


@dataclass(frozen=True, eq=False)
class _Side:
    """One side of a cut: its vertices, and the thread it borders on.

    Attributes
    ----------
    at : (k,) int array
        The piece's vertices.
    axis : int
        The known thread runs along the warp (0) or the weft (1).
    tip_mm : (2,) float array, mm
        Where the free thread leaves it, in the net that is known.
    way : int
        1 where the side lies on the known thread's + side, -1 on the other.
    opens : float
        Sign of the function taken off the shear with which the cut opens in the flat; with the other its sides would
        lie over each other.
    """

    at: Ints
    axis: int
    tip_mm: Floats
    way: int
    opens: float


class _Piece:
    """A piece with cuts, as its vertices hang together."""

    def __init__(self, bed: Bed, bends: _Bends) -> None:
        self.bed, self.faces, self.bends = bed, bed.patch.faces, bends
        self.count = len(bed.points)
        self.edges = undirected(self.faces, self.count)
        self.length = np.linalg.norm(bed.points[self.edges[:, 0]] - bed.points[self.edges[:, 1]], axis=1)
        self.middles = cKDTree(bed.points[self.faces].mean(axis=1))

    def parts(self, laid: Laid, cuts: Sequence[Cut]) -> Iterator[Laid]:
        """Yield a net with what is left to it, and all nets behind the cuts within its vertices."""
        uv = np.full((self.count, 2), np.nan)
        uv[laid.at] = laid.reading.uv_mm
        mine = np.zeros(self.count, dtype=bool)
        mine[laid.at] = True
        inside = [c for c in (_within(cut, mine) for cut in cuts) if c is not None]
        found = []
        for side in self.sides(uv, mine, inside, laid.net.spacing_mm) if inside else ():
            net = _side_net(laid, side, self.bends)
            if net is not None:
                found.append(net)
                mine[side.at] = False
        yield self._left(laid, mine)
        for net in found:
            yield from self.parts(net, cuts)

    def _left(self, laid: Laid, mine: Bools) -> Laid:
        """A net with those of its vertices that are left to it."""
        keep = mine[laid.at]
        whole: Bools = np.asarray(mine[self.faces].all(axis=1))
        own = whole[self.middles.query(laid.net.points)[1]]
        reading = laid.reading.take(keep)
        return replace(laid, reading=reading, at=laid.at[keep], areas=laid.areas[keep], own=own)

    def sides(self, uv: Floats, mine: Bools, cuts: Sequence[Cut], bar_mm: float) -> list[_Side]:
        """Sides of the cuts that may be laid anew, seen from where that is most."""
        places = [np.zeros(2)]
        best, most = self._sides_from(places[0], uv, mine, cuts, bar_mm)
        if most < 1.0:
            at = np.flatnonzero(mine)
            at = at[np.linspace(0, len(at) - 1, PLACES).astype(np.int64)]
            for place in uv[at]:
                found, share = self._sides_from(place, uv, mine, cuts, bar_mm)
                if share > most + 1e-9:
                    best, most = found, share
        return best

    def _sides_from(
        self, place: Floats, uv: Floats, mine: Bools, cuts: Sequence[Cut], bar_mm: float
    ) -> tuple[list[_Side], float]:
        """The sides seen from a place of the net, and of how many sides of cuts these are, as a share."""
        seen = uv - place
        lines = [seen[cut.edges] for cut in cuts]
        hidden = np.zeros(self.count, dtype=bool)
        hidden[mine] = _hidden(self._inward(seen, cuts)[mine], lines, bar_mm)
        # The start keeps its threads.
        near = int(np.nansum(np.where(mine[:, None], uv, np.inf) ** 2, axis=1).argmin())
        if hidden[near]:
            return [], 0.0
        out, sides = [], 0
        for at in self._pieces_of(hidden):
            beside = [(line, line[c.twin < 0]) for c, line in zip(cuts, lines) if _one_sided(c, at, self.count)]
            side = self._side(at, seen, mine, beside, bar_mm)
            if side is not None:
                out.append(replace(side, tip_mm=side.tip_mm + place))
                sides += 1
        return out, sides / (2 * len(cuts))

    def _inward(self, uv: Floats, cuts: Sequence[Cut]) -> Floats:
        """Flat places with those on the cuts moved a little to their own side."""
        out = uv.copy()
        on = np.unique(np.concatenate([cut.edges.ravel() for cut in cuts]))
        tips = _tips(cuts)
        on = np.setdiff1d(on, tips)
        middle = uv[self.faces].mean(axis=1)
        touch = np.isin(self.faces, on)
        total, number = np.zeros_like(uv), np.zeros(self.count)
        for k in range(3):
            at = touch[:, k] & np.isfinite(middle).all(axis=1)
            np.add.at(total, self.faces[at, k], middle[at])
            number += np.bincount(self.faces[at, k], minlength=self.count)
        good = on[number[on] > 0]
        out[good] += 0.5 * (total[good] / number[good, None] - uv[good])
        return out

    def _pieces_of(self, hidden: Bools) -> list[Ints]:
        e = self.edges[hidden[self.edges].all(axis=1)]
        graph = coo_array((np.ones(len(e)), e.T), shape=(self.count, self.count))
        label = connected_components(graph, directed=False)[1]
        label[~hidden] = -1
        area = np.bincount(label[hidden], self.bed.vertex_areas[hidden])
        return [np.flatnonzero(label == k) for k in np.flatnonzero(area > SMALL * self.bed.vertex_areas.sum())]

    def _side(
        self, at: Ints, uv: Floats, mine: Bools, beside: Sequence[tuple[Floats, Floats]], bar_mm: float
    ) -> _Side | None:
        """The thread that parts a side from what is known; None where that is not one thread."""
        own = np.zeros(self.count, dtype=bool)
        own[at] = True
        part = own[self.edges]
        across = (part[:, 0] != part[:, 1]) & mine[self.edges].all(axis=1)
        if not across.any():
            return None
        ends = self.edges[across]
        ends = np.where(part[across, :1], ends, ends[:, ::-1])
        out, back = uv[ends[:, 0]], uv[ends[:, 1]]
        middle = 0.5 * (out + back)
        axis = int(middle.std(axis=0).argmin()) ^ 1
        cross = 1 - axis
        way = 1 if np.median(out[:, cross] - back[:, cross]) > 0 else -1
        found = _tip(beside, middle, axis, way, CLEAR * bar_mm)
        if found is None:
            return None
        tip, line, hole = found
        stray = STRAY_BARS * bar_mm + STRAY_EDGES * float(self.length[across].mean())
        beyond, before = (way * (q[:, cross] - tip[cross]) for q in (out, back))
        if max(beyond.max(), -before.min()) > stray or (way * (uv[at, cross] - tip[cross])).min() < -stray:
            return None
        if float(np.ptp(uv[at, cross])) < NARROW * bar_mm:
            return None
        behind = line[way * (line[:, cross] - tip[cross]) >= 0]
        aside = float(np.sign(uv[at, axis].mean() - behind[:, axis].mean()))
        if len(hole):
            # The free thread keeps clear of the hole, where there may be no surface that it could follow.
            tip[axis] = aside * max(aside * tip[axis], (aside * hole[..., axis]).max() + bar_mm)
        return _Side(at, axis, tip, way, way * aside)


def _within(cut: Cut, mine: Bools) -> Cut | None:
    """What of a cut lies within some vertices with both its sides."""
    good: Bools = np.asarray(mine[cut.edges].all(axis=1))
    keep = good & np.where(cut.twin >= 0, good[cut.twin], True)
    if not (keep & (cut.twin >= 0)).any():
        return None
    new = np.full(len(good) + 1, -1, dtype=np.int64)
    new[np.flatnonzero(keep)] = np.arange(int(keep.sum()))
    return Cut(cut.edges[keep], new[cut.twin[keep]])


def _one_sided(cut: Cut, at: Ints, count: int) -> bool:
    """Whether a cut runs beside some vertices, and not between them."""
    own = np.zeros(count, dtype=bool)
    own[at] = True
    good = own[cut.edges].all(axis=1) & (cut.twin >= 0)
    return bool(good.any() and not (good & good[cut.twin]).any())


def tips_of(piece: Surface) -> Ints:
    """Return the vertices at which a piece's cuts end within it."""
    cuts = cuts_of(piece)
    return _tips(cuts) if cuts else np.empty(0, dtype=np.int64)


def _tips(cuts: Sequence[Cut]) -> Ints:
    """Vertices at which cuts end within the piece."""
    out = []
    for cut in cuts:
        seam = cut.twin >= 0
        # The edge that leads to a tip is followed by the one that leads back.
        after = cut.edges[np.maximum(cut.twin, 0)]
        out.append(cut.edges[seam & (cut.edges[:, 1] == after[:, 0])][:, 1])
    return np.concatenate(out)


def _hidden(uv: Floats, lines: Sequence[Floats], bar_mm: float) -> Bools:
    """(k,) flat places whose rectangle back to the zero a line crosses; lines are (n, 2, 2) ends of stretches."""
    clear = CLEAR * bar_mm
    dense = [_dense(line, 0.1 * bar_mm) for line in lines]
    points = np.concatenate(dense)
    # A cut that only touches a first thread, as with its tip, takes nothing from the thread's other side.
    leans = np.concatenate([np.tile(_lean(q, clear), (len(q), 1)) for q in dense])
    out = np.zeros(len(uv), dtype=bool)
    for su in (1, -1):
        for sv in (1, -1):
            q, o = uv * [su, sv], points * [su, sv]
            here = np.flatnonzero((q >= 0).all(axis=1))
            o = o[((o >= -clear) & (leans * [su, sv] >= 0)).all(axis=1)]
            if not len(here) or not len(o):
                continue
            o = o[np.argsort(o[:, 0])]
            least = np.concatenate([[np.inf], np.minimum.accumulate(o[:, 1])])
            far = least[np.searchsorted(o[:, 0], q[here, 0] - clear)]
            out[here] |= far < q[here, 1] - clear
    return out


def _lean(points: Floats, clear: float) -> Ints:
    """(2,) the side of each first thread that points lie on wholly, 1 or -1; 0 where they lie on both."""
    after, before = (points > clear).any(axis=0), (points < -clear).any(axis=0)
    return np.asarray(after.astype(np.int64) - before.astype(np.int64))


def _dense(line: Floats, step: float) -> Floats:
    """(k, 2) points along stretches, no farther apart than a step."""
    long = np.linalg.norm(line[:, 1] - line[:, 0], axis=1)
    count = np.maximum(np.ceil(long / step), 1).astype(np.int64)
    which = np.repeat(np.arange(len(line)), count)
    share = (np.arange(len(which)) - np.repeat(np.cumsum(count) - count, count)) / count[which]
    inner = line[which, 0] + share[:, None] * (line[which, 1] - line[which, 0])
    return np.asarray(np.concatenate([inner, line[:, 1]]))


def _tip(
    beside: Sequence[tuple[Floats, Floats]], border: Floats, axis: int, way: int, clear: float
) -> tuple[Floats, Floats, Floats] | None:
    """Where the known thread along a side's border touches a cut (2,), that cut's places (k, 2), and its hole's stretches."""
    cross = 1 - axis
    level = np.median(border[:, cross])
    best, off = None, np.inf
    for line, hole in beside:
        # What lies behind a first thread begins where the cut crosses that.
        a, b = line[:, 0], line[:, 1]
        over = a[:, cross] * b[:, cross] < 0
        share = (a[over, cross] / (a[over, cross] - b[over, cross]))[:, None]
        o = np.concatenate([line.reshape(-1, 2), a[over] + share * (b[over] - a[over])])
        o = o[way * o[:, cross] >= -clear]
        if not len(o):
            continue
        point = o[int((way * o[:, cross]).argmin())]
        if abs(point[cross] - level) < off:
            best, off = (point.copy(), o, hole), abs(point[cross] - level)
    return best


# -- the net of a side -----------------------------------------------------------------------------------------------
Lean = tuple[Floats, Floats]


def _side_net(laid: Laid, side: _Side, bends: _Bends) -> Laid | None:
    """The net of one side, its free thread turned and bent so that it shears least; None where that gains nothing."""
    h, own = laid.net.spacing_mm, np.isin(laid.at, side.at)
    # Bends are found with a coarse net.
    wide = float(np.ptp(laid.reading.uv_mm[own], axis=0).max())
    lay, shut = _layer(laid, side, max(h, wide / BARS)), _shut(laid, side)
    first = None if lay is None else lay(shut)
    if lay is None or first is None:
        return None
    lean = _least_lean(first, side, shut, lay, bends)
    fine = _layer(laid, side, h)
    net = None if fine is None else fine(lean)
    before = replace(laid, reading=laid.reading.take(own), areas=laid.areas[own], at=laid.at[own])
    return net if net is not None and score(net) < (1 - WORTH) * score(before) - NOTHING_DEG else None


def _shut(laid: Laid, side: _Side) -> Lean:
    """The function with which the free thread goes as in the net before, so that the cut stays shut."""
    far = float(np.abs(laid.reading.uv_mm[np.isin(laid.at, side.at)] - side.tip_mm)[:, 1 - side.axis].max())
    way = np.linspace(0.0, far, LEANS)
    at = np.zeros((LEANS, 2))
    at[:, 1 - side.axis] = side.way * way
    shear, there = _between(laid.net, laid.cells.node_shear[..., None], (side.tip_mm + at) / laid.net.spacing_mm)
    count = int(np.argmin(np.append(there, False)))
    if not count:
        return np.array([0.0, 1.0]), np.zeros(2)
    rise = -np.radians(shear[:, 0] - shear[0, 0])
    rise[count:] = rise[count - 1]
    order = np.argsort(side.way * way)
    return side.way * way[order], rise[order]


def _layer(laid: Laid, side: _Side, h: float) -> Callable[[Lean], Laid | None] | None:
    """What lays the net of a side, given the function of the way along its free thread that is taken off its shear."""
    uv = np.full((len(laid.bed.points), 2), np.nan)
    uv[laid.at] = laid.reading.uv_mm
    far = uv[side.at] - side.tip_mm
    reach_mm = np.array([far[:, 0].max(), -far[:, 0].min(), far[:, 1].max(), -far[:, 1].min()])
    reach = np.maximum(np.ceil(reach_mm / h).astype(np.int64) + 2, 0)
    free = 2 * (1 - side.axis) + (0 if side.way > 0 else 1)
    reach[free ^ 1] = 0
    start = _start_at(laid, side.tip_mm)
    if start is None:
        return None
    known: list[Arm | None] = [None] * 4
    for arm in (2 * side.axis, 2 * side.axis + 1):
        known[arm] = _thread(laid, side.tip_mm, arm, int(reach[arm]), h)
    crossing, ground = _angle(start), laid.bed.ground
    reached = (int(reach[0]), int(reach[1]), int(reach[2]), int(reach[3]))

    def lay(lean: Lean) -> Laid | None:
        """The net behind the cut with its thread leant that far, if there is one."""
        steering = leant(*lean, axis=1 - side.axis, crossing_deg=crossing)
        if not LEAST_CROSSING_DEG <= steering.crossing_deg <= 180.0 - LEAST_CROSSING_DEG:
            return None
        at = _crossed(start, side.axis, steering.crossing_deg)
        net = grow(ground, at, Plan(
            h, reached, None, steering.warp, steering.weft, arcs=ground.curved, known=tuple(known)
        ))
        cells = Cells(net, ground)
        reading = read_at(laid.bed, cells, side.at)
        if reading is None:
            return None
        shift = (laid.shift_mm[0] + float(side.tip_mm[0]), laid.shift_mm[1] + float(side.tip_mm[1]))
        return Laid(laid.bed, at, steering, net, cells, reading, side.at, laid.bed.vertex_areas[side.at], shift)

    return lay


def _angle(start: Start) -> float:
    """Angle from warp to weft, degrees."""
    return float(np.degrees(np.arccos(np.clip(start.warp @ start.weft, -1, 1))))


def _crossed(start: Start, axis: int, crossing_deg: float) -> Start:
    """The start with the free thread at an angle to the known one."""
    a = np.radians(crossing_deg)
    known = start.warp if axis == 0 else start.weft
    aside = np.cross(start.normal, known) * (1 if axis == 0 else -1)
    free = np.cos(a) * known + np.sin(a) * aside
    return replace(start, weft=free) if axis == 0 else replace(start, warp=free)


def _least_lean(
    first: Laid, side: _Side, shut: Lean, lay: Callable[[Lean], Laid | None], bends: _Bends
) -> Lean:
    """The function that takes most off the shear of a side: first the whole is evened, then the worst places."""
    lean, now = shut, first
    best = (lean, score(now))
    for power in (2.0, POWER):
        for _ in range(bends.times):
            better = _better(lean, now, side, shut, lay, power, bends.shares)
            if better is None:
                break
            lean, now = better
        best = min(best, (lean, score(now)), key=lambda q: q[1])
    return best[0]


def _better(
    lean: Lean,
    now: Laid,
    side: _Side,
    shut: Lean,
    lay: Callable[[Lean], Laid | None],
    power: float,
    shares: Sequence[float],
) -> tuple[Lean, Laid] | None:
    """A function that leaves less shear, and the net with it; None where none was found."""
    if now.norm_deg(power) <= EVEN_DEG:
        return None
    seen = now.reading.covered
    across = now.reading.uv_mm[seen, 1 - side.axis]
    without = now.reading.shear_deg[seen] + np.degrees(np.interp(across, *lean))
    at, aim = lean_of(across, without, now.areas[seen], power=power)
    old, least = np.interp(at, *lean), np.interp(at, *shut)
    for share in shares:
        total = old + share * (aim - old)
        new = (at, least + side.opens * np.maximum(side.opens * (total - least), LEAST_LEAN))
        other = lay(new)
        if other is not None and score(other, power) < (1 - GAIN) * score(now, power):
            return new, other
    return None


# -- threads of a net between its nodes ------------------------------------------------------------------------------
def _thread(laid: Laid, tip_mm: Floats, arm: int, count: int, bar_mm: float) -> Arm | None:
    """Places of a net one bar after the other from a place of it along a thread, as far as the net goes."""
    step = np.zeros(2)
    step[arm // 2] = 1.0 if arm % 2 == 0 else -1.0
    at = (tip_mm + bar_mm * np.arange(1, count + 1)[:, None] * step) / laid.net.spacing_mm
    x, face, good = _between_nodes(laid, at)
    count = int(np.argmin(np.append(good, False)))
    if not count:
        return None
    at_face, beyond = laid.bed.ground.walk(face[:count], x[:count], SLACK_TIRED)
    count = int(np.argmin(np.append(~beyond, False)))
    if not count:
        return None
    points, normals = laid.bed.ground.stand(at_face[:count], x[:count])
    return Arm(points, normals, at_face[:count])


def _start_at(laid: Laid, tip_mm: Floats) -> Start | None:
    """The start of a net at a place of another one, its threads along those of the other."""
    h, ground = laid.net.spacing_mm, laid.bed.ground
    at = tip_mm / h
    tips = np.array([[0.0, 0], [0.5, 0], [-0.5, 0], [0, 0.5], [0, -0.5]])
    x, face, good = _between_nodes(laid, at + tips)
    if not good[0] or not good[1:3].any() or not good[3:].any():
        return None
    face, _ = ground.walk(face, x, SLACK_TIRED)
    x, n = ground.stand(face, x)
    ways = []
    for a, b in ((1, 2), (3, 4)):
        way = x[a if good[a] else 0] - x[b if good[b] else 0]
        ways.append(unit((way - (way @ n[0]) * n[0])[None])[0])
    return Start(x[0], int(face[0]), n[0], ways[0], ways[1])


def _between_nodes(laid: Laid, at: Floats) -> tuple[Floats, Ints, Bools]:
    """Places on a net, in bars from its zero, a face near each, and which lie in the net."""
    net = laid.net
    x, there = _between(net, net.points, at)
    near = np.clip(np.round(at + np.array(net.origin)).astype(np.int64), 0, np.array(net.state.shape) - 1)
    return x, np.asarray(net.face[near[:, 0], near[:, 1]]), there


def _between(net: Net, field: Floats, at: Floats) -> tuple[Floats, Bools]:
    """(k, c) values of a field (a, b, c) of the nodes between them, and (k,) which lie in the net.

    Cubic where four by four nodes are there, never over the net's border; straight elsewhere.
    """
    place, size = at + np.array(net.origin), np.array(net.state.shape)
    low = np.clip(np.floor(place + 1e-9).astype(np.int64), 0, size - 2)
    on = net.state == ON
    there = (place > -1e-6).all(axis=1) & (place < size - 1 + 1e-6).all(axis=1)
    there &= np.all([on[low[:, 0] + i, low[:, 1] + j] for i in (0, 1) for j in (0, 1)], axis=0)
    t = place - low
    out = _blended(field, low, [np.stack([1 - t[:, k], t[:, k]]) for k in (0, 1)])
    if (size >= 4).all():
        base = np.clip(low - 1, 0, size - 4)
        whole = np.all([on[base[:, 0] + i, base[:, 1] + j] for i in range(4) for j in range(4)], axis=0)
        fine = _blended(field, base, [_cubic(place[:, k] - base[:, k]) for k in (0, 1)])
        out = np.where((there & whole)[:, None], fine, out)
    return out, np.asarray(there)


def _blended(field: Floats, base: Ints, weights: Sequence[Floats]) -> Floats:
    out = np.zeros((len(base), field.shape[2]))
    for i, p in enumerate(weights[0]):
        for j, q in enumerate(weights[1]):
            out += (p * q)[:, None] * field[base[:, 0] + i, base[:, 1] + j]
    return out


def _cubic(t: Floats) -> Floats:
    """(4, k) weights of four values at 0, 1, 2, 3 for the cubic through them (Lagrange)."""
    a, b, c, d = t, t - 1, t - 2, t - 3
    return np.stack([-b * c * d / 6, a * c * d / 2, -a * b * d / 2, a * b * c / 6])

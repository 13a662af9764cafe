"""Plies of cloth that is laid by its threads: opened, slit and cut in two until a net lies on every piece, and in panels.

Each piece is laid by itself. What no net lies on in the end is left to be flattened, and its neighbours keep their nets.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial import cKDTree

from .cloth._cutting import Opened
from .cloth.darts import Dart, dart_pieces, slit_piece
from .cloth.drape import DartAdvice, Drape
from .cloth.draping import Laying
from .cloth.joins import Cause
from .cloth.panels import Panel, Parted, part_piece, thread_lines
from .cloth.pieces import piece_name
from .errors import PlyflatError
from .joining import Joinery
from .laying import Loom
from .surface.mesh import Floats, Ints, Surface
from .units import say_percent

#: Cuts must lessen the largest shear by this share, or what is locked by this share of the piece, for each length of
#: cut as long as the piece is wide.
WORTH_A_WIDTH = 0.1
#: Cloth that shears no more than this is as good as flat: it is split straight.
EASY_DEG = 1.0
#: A piece on which no net lies is cut in two where that takes away this share of what is bare or locked.
WORTH_HALVING = 0.3
#: The most darts that are proposed for a ply that asks for none.
MOST_PROPOSED = 6
#: Threads are on a piece where they are as near to it as this, mm.
ON_MM = 1.0


@dataclass(frozen=True, eq=False)
class Asked:
    """What a ply that is laid by its threads may be cut into.

    Attributes
    ----------
    most : int
        Pieces at most.
    darts : int
        Darts at most, beyond the cuts given.
    given_mm, gussets_mm : tuple of (k, 3) float arrays, mm
        Cuts and gussets that the user places.
    keep_off_mm : (k, 3) float array, mm
        Points that no dart comes near,
    clear_mm : float
        and how near.
    limit, scale_mm : float
        Strain limit, and the length over which strain is averaged, for what is flattened.
    how : Joinery
        The roll, and how pieces meet.
    """

    most: int
    darts: int
    given_mm: tuple[Floats, ...]
    gussets_mm: tuple[Floats, ...]
    keep_off_mm: Floats
    clear_mm: float
    limit: float
    scale_mm: float
    how: Joinery


@dataclass(frozen=True, eq=False)
class Woven:
    """A ply in pieces, each laid by its threads or not.

    Attributes
    ----------
    base : Opened
        As it was opened along seams, without any cut.
    opened : Opened
    layings : tuple of Laying
        One for each piece.
    causes : tuple of Cause
        What each seam of `opened` was made for.
    fewest : tuple of int
        For each piece the strips it is to be split in at least.
    darts : tuple of Dart
    panels : tuple of Panel
    notes : tuple of (text, what to do)
        What was tried and not taken.
    """

    base: Opened
    opened: Opened
    layings: tuple[Laying, ...]
    causes: tuple[Cause, ...]
    fewest: tuple[int, ...]
    darts: tuple[Dart, ...] = ()
    panels: tuple[Panel, ...] = ()
    notes: tuple[tuple[str, str], ...] = ()

    @property
    def laid(self) -> tuple[bool, ...]:
        """Which pieces a net lies on."""
        return tuple(q.draped is not None for q in self.layings)

    @property
    def locked_share(self) -> float:
        """Share of the ply past locking."""
        return _tally(self.opened.pieces, self.layings).locked_mm2 / sum(p.area_mm2 for p in self.opened.pieces)

    def without_net(self) -> list[int]:
        """Numbers of the pieces that no net lies on, the largest first."""
        bare = [k for k, q in enumerate(self.layings) if q.draped is None]
        return sorted(bare, key=lambda k: -self.opened.pieces[k].area_mm2)


@dataclass(frozen=True)
class _Tally:
    """What some pieces shear: area without a net, area past locking, and the largest shear."""

    bare_mm2: float
    locked_mm2: float
    most_deg: float


def _tally(pieces: Sequence[Surface], layings: Sequence[Laying]) -> _Tally:
    nets = [q.draped.drape for q in layings if q.draped is not None]
    bare = sum(p.area_mm2 for p, q in zip(pieces, layings) if q.draped is None)
    return _Tally(bare, sum(d.locked_area_mm2 for d in nets), max((d.most_deg for d in nets), default=0.0))


def weave(ways: Iterable[Opened], loom: Loom, asked: Asked) -> Woven:
    """Lay a ply by its threads as well as can be.

    Of several ways to open it the first is taken on whose pieces nets lie, else the last. Then come the darts asked
    for; pieces that still have no net are cut in two along a thread while the job allows more pieces; and what is too
    wide for the roll, or asked for in panels, is cut along a thread where that lessens its shear.

    Parameters
    ----------
    ways : iterable of Opened
        The fewest pieces first.
    loom : Loom
    asked : Asked

    Returns
    -------
    Woven

    Raises
    ------
    OutlineError
        A stated start off the ply, or cuts given as `dart_pieces` refuses them.
    ShapeError, SolveError
        As `dart_pieces`.
    """
    woven = _opened(ways, loom, asked)
    if asked.darts > 0:
        woven = _darted(woven, loom, asked)
    return _in_panels(_halved(woven, loom, asked), loom, asked)


# -- seams, and cuts that are given --------------------------------------------------------------------------------------
def _opened(ways: Iterable[Opened], loom: Loom, asked: Asked) -> Woven:
    """Open a ply the first way on whose pieces nets lie, else the last."""
    for way in ways:
        opened, darts = _cut_as_given(way, asked)
        found: dict[int, Laying] = {}
        # The largest piece is the likeliest to fail.
        for k in sorted(range(len(opened.pieces)), key=lambda k: -opened.pieces[k].area_mm2):
            found[k] = loom.lay(opened, k)
            if found[k].draped is None:
                break
        else:
            break
    layings = tuple(found[k] if k in found else loom.lay(opened, k) for k in range(len(opened.pieces)))
    causes: list[Cause] = ["seam" if j < len(way.seams) else "cut" for j in range(len(opened.seams))]
    woven = Woven(way, opened, layings, tuple(causes), (asked.how.panels,) * len(layings))
    return _with_given(woven, darts, loom) if darts else woven


def _cut_as_given(way: Opened, asked: Asked) -> tuple[Opened, tuple[Dart, ...]]:
    if not (asked.given_mm or asked.gussets_mm):
        return way, ()
    return dart_pieces(
        way, limit=asked.limit, over_share=1.0, most=0, given_mm=asked.given_mm, gussets_mm=asked.gussets_mm,
        seam_mm=asked.how.lap_mm, scale_mm=asked.scale_mm,
    )


def _with_given(woven: Woven, darts: tuple[Dart, ...], loom: Loom) -> Woven:
    """Say what the given cuts did to the shear, where nets lie on all that was cut."""
    was, now = woven.base, woven.opened
    cut = [k for k, p in enumerate(was.pieces) if not any(p is q for q in now.pieces)]
    new = [k for k, p in enumerate(now.pieces) if not any(p is q for q in was.pieces)]
    after = _tally([now.pieces[k] for k in new], [woven.layings[k] for k in new])
    if after.bare_mm2 > 0:
        return replace(woven, darts=darts)
    layings = [loom.lay(was, k) for k in cut]
    before = _tally([was.pieces[k] for k in cut], layings)
    return replace(woven, darts=tuple(_measured(d, before, after, sum(p.area_mm2 for p in now.pieces)) for d in darts))


def _measured(dart: Dart, before: _Tally, after: _Tally, whole_mm2: float) -> Dart:
    """Return a cut with what it, and those made with it, did to the shear."""
    most = None if before.bare_mm2 > 0 else before.most_deg
    return replace(
        dart, over_before=before.locked_mm2 / whole_mm2, over_after=after.locked_mm2 / whole_mm2,
        shear_deg=(most, after.most_deg),
    )


# -- darts where the net asks for them -----------------------------------------------------------------------------------
def _darted(woven: Woven, loom: Loom, asked: Asked) -> Woven:
    """Make the darts that the nets advise, piece by piece, where they are worth their length."""
    left = asked.darts
    for k in _locking(woven):
        trial = _with_darts(woven, k, left, loom, asked)
        if trial is None:
            continue
        if isinstance(trial, str):
            woven = replace(woven, notes=(*woven.notes, (trial, "Place the cuts yourself, or allow more pieces.")))
            continue
        left -= len(trial.darts) - len(woven.darts)
        woven = trial
        if left <= 0:
            break
    return woven


def _locking(woven: Woven) -> list[int]:
    """Numbers of the pieces that lock or have no net, those with most such area first."""
    areas = [_tally([p], [q]) for p, q in zip(woven.opened.pieces, woven.layings)]
    bad = [k for k, t in enumerate(areas) if t.bare_mm2 + t.locked_mm2 > 0]
    return sorted(bad, key=lambda k: -(areas[k].bare_mm2 + areas[k].locked_mm2))


def _with_darts(woven: Woven, k: int, most: int, loom: Loom, asked: Asked) -> Woven | str | None:
    """Make the darts a piece's net advises; say why where they are not taken, None where it advises none."""
    piece, laying = woven.opened.pieces[k], woven.layings[k]
    net = loom.rough_net(woven.opened, k) if laying.draped is None else laying.draped.drape
    lines = [] if net is None else _lines(woven.opened, k, net, asked)[:most]
    if not lines:
        return None
    length = sum(float(np.linalg.norm(np.diff(q, axis=0), axis=1).sum()) for q in lines)
    many = f"{len(lines)} dart{'s' * (len(lines) > 1)} in piece {piece_name(k)}, {length:.0f} mm in all, "
    try:
        opened = slit_piece(woven.opened, k, lines)
        new = loom.lay(opened, k)
    except PlyflatError as error:
        return f"{many}were tried and could not be made: {error.what}"
    if new.draped is None:
        return f"{many}were tried and not made: {new.refused}"
    before, after = _tally([piece], [laying]), _tally([piece], [new])
    if not _worth(before, after, length, piece.area_mm2):
        return f"{many}were tried and not made: they would {_gain(before, after, piece.area_mm2)}"
    whole = sum(p.area_mm2 for p in opened.pieces)
    first = len(woven.opened.seams)
    darts = tuple(
        _measured(Dart("dart", line, 0.0, 0.0, _opens_deg(opened, j, new)), before, after, whole)
        for j, line in enumerate(opened.seams[first:], start=first)
    )
    causes = list(woven.causes)
    causes += ["cut" for _ in darts]
    layings = (*woven.layings[:k], new, *woven.layings[k + 1 :])
    return replace(woven, opened=opened, layings=layings, causes=tuple(causes), darts=(*woven.darts, *darts))


def _worth(before: _Tally, after: _Tally, length_mm: float, area_mm2: float) -> bool:
    """Whether cuts bring enough for their length; a net where there was none always does."""
    if before.bare_mm2 > 0:
        return True
    most = (before.most_deg - after.most_deg) / max(before.most_deg, 1e-9)
    locked = (before.locked_mm2 - after.locked_mm2) / area_mm2
    return max(most, locked) > WORTH_A_WIDTH * length_mm / float(np.sqrt(area_mm2))


def _gain(before: _Tally, after: _Tally, area_mm2: float) -> str:
    was, now = say_percent(before.locked_mm2 / area_mm2), say_percent(after.locked_mm2 / area_mm2)
    if before.bare_mm2 > 0:
        return f"let its threads be laid, {after.most_deg:.0f} degrees at most, {now} locked"
    return f"bring its shear from {before.most_deg:.1f} to {after.most_deg:.1f} degrees, and what is locked from {was} to {now}"


def _opens_deg(opened: Opened, j: int, laying: Laying) -> float:
    """By how much the sides of a dart turn apart at its tip, in the flat shape of its net."""
    if laying.draped is None:
        return 0.0
    side, uv = opened.sides[j], laying.draped.flat.uv_mm
    one, two = uv[side.left_vertices], uv[side.right_vertices]
    a, b = one[0] - one[-1], two[0] - two[-1]
    return float(abs(np.degrees(np.arctan2(a[0] * b[1] - a[1] * b[0], a @ b))))


def _lines(opened: Opened, k: int, net: Drape, asked: Asked) -> list[Floats]:
    """Lines (2, 3) of the darts that a net advises, from the patch's own edge to the tip, clear of what is to be kept clear."""
    edge = _own_edge(opened, k)
    keep = np.asarray(asked.keep_off_mm, dtype=np.float64).reshape(-1, 3)
    lines = []
    for advice in net.advice:
        at = None if advice.opens else _end(net, advice, edge)
        if at is None:
            continue
        way = np.linspace(0.0, 1.0, 30)[:, None]
        line = np.stack([net.surface.vertices_mm[at], advice.line_mm[0]])
        near = np.linalg.norm((line[0] + way * (line[1] - line[0]))[:, None] - keep, axis=2).min(initial=np.inf)
        if near >= asked.clear_mm:
            lines.append(line)
    return lines


def _own_edge(opened: Opened, k: int) -> Ints:
    """Vertices of a piece on the patch's own edge, off its seams."""
    piece = opened.pieces[k]
    seams = [q.left_vertices for q in opened.sides if q.left == k] + [q.right_vertices for q in opened.sides if q.right == k]
    return np.setdiff1d(np.concatenate(piece.boundary_loops), np.concatenate([np.empty(0, dtype=np.int64), *seams]))


def _end(net: Drape, advice: DartAdvice, edge: Ints) -> int | None:
    """The vertex of the edge nearest to where a dart runs out of the piece, going on straight in the flat."""
    if not len(edge):
        return None
    tip = advice.uv_mm[0]
    way = (advice.uv_mm[-1] - tip) / np.linalg.norm(advice.uv_mm[-1] - tip)
    step = net.uv_mm[edge] - tip
    along, aside = step @ way, np.abs(step[:, 0] * way[1] - step[:, 1] * way[0])
    ahead = along > 0
    if not ahead.any():
        return None
    # Little to the side, and no farther out than need be.
    off = np.where(ahead, aside / np.maximum(along, 1e-9), np.inf)
    good = np.flatnonzero(off <= off.min() + 0.02)
    return int(edge[good[np.argmin(along[good])]])


# -- pieces without a net cut in two -------------------------------------------------------------------------------------
def _halved(woven: Woven, loom: Loom, asked: Asked) -> Woven:
    """Cut pieces that no net lies on in two along a thread, and these again, while the job allows more pieces.

    All is left as it was where nets do not lie on clearly more in the end.
    """
    now, given_up = woven, list[Surface]()
    while len(now.opened.pieces) < asked.most:
        todo = [k for k in now.without_net() if not any(now.opened.pieces[k] is p for p in given_up)]
        if not todo:
            break
        better = _best_half(now, todo[0], loom, asked.how)
        if better is None:
            given_up.append(now.opened.pieces[todo[0]])
        else:
            now = better
    was, left = (_tally(w.opened.pieces, w.layings).bare_mm2 for w in (woven, now))
    return now if left <= (1.0 - WORTH_HALVING) * was else woven


def _best_half(woven: Woven, k: int, loom: Loom, how: Joinery) -> Woven | None:
    """Cut a piece along a warp or a weft thread through its middle, whichever leaves less bare or locked, and less sheared."""
    piece, net = woven.opened.pieces[k], loom.rough_net(woven.opened, k)
    if net is None:
        return None
    most = (1.0 - WORTH_HALVING) * _amiss_mm2(net)
    found: list[tuple[tuple[float, float, float], Woven]] = []
    for axis in (0, 1):
        line, clear_mm = _middle_thread(piece, net, axis, how)
        parted = None if line is None else part_piece(woven.opened, k, line)
        if parted is None:
            continue
        layings = tuple(loom.lay(parted.opened, k + j, part=True) for j in (0, 1))
        tally = _tally(parted.opened.pieces[k : k + 2], layings)
        amiss = tally.locked_mm2
        for j in (0, 1):
            if layings[j].draped is None:
                rough = loom.rough_net(parted.opened, k + j)
                amiss += parted.opened.pieces[k + j].area_mm2 if rough is None else _amiss_mm2(rough)
        if amiss <= most:
            half = _parted(woven, k, parted, layings, clear_mm=clear_mm)
            found.append(((tally.bare_mm2, amiss, tally.most_deg), half))
    return min(found, key=lambda t: t[0])[1] if found else None


def _amiss_mm2(net: Drape) -> float:
    """Area that a net leaves bare, or that is past locking."""
    return net.uncovered_mm2 + net.locked_area_mm2


def _middle_thread(piece: Surface, net: Drape, axis: int, how: Joinery) -> tuple[Floats | None, float]:
    """Return the thread through the start, or one aside of it that keeps off the joins of the ply below, and how far it does."""
    best: tuple[Floats | None, float] = None, -1.0
    aside = how.stagger_mm + how.lap_mm
    for off in (0.0, aside, -aside):
        line = _on_piece(piece, net, axis, off)
        clear = -1.0 if line is None else _clear_mm(line, how.below_mm)
        if clear > best[1]:
            best = line, clear
        if clear >= how.stagger_mm:
            break
    return best


def _on_piece(piece: Surface, net: Drape, axis: int, aside_mm: float) -> Floats | None:
    """The run (k, 3) on a piece of the thread so far aside of the first one; None where it is shorter than three nodes."""
    nodes, at = net.net, net.net.origin[axis]
    k = net.net.origin[1 - axis] + round(aside_mm / nodes.spacing_mm)
    if not 0 <= k < nodes.there.shape[1 - axis]:
        return None
    thread, on = (nodes.points[:, k], nodes.there[:, k].copy()) if axis == 0 else (nodes.points[k], nodes.there[k].copy())
    on[on] = piece.locate(thread[on]).distance_mm < ON_MM
    if not on[at]:
        return None
    ahead = at + int(np.argmin(np.append(on[at:], False)))
    back = at - int(np.argmin(np.append(on[at::-1], False))) + 1
    return thread[back:ahead] if ahead - back > 2 else None


def _clear_mm(line: Floats, below_mm: Sequence[Floats]) -> float:
    """How far half of a line or more is from every one of other lines: lines that cross it are no neighbours."""
    clear = float("inf")
    for other in below_mm:
        way = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(other, axis=0), axis=1))])
        at = np.linspace(0.0, way[-1], max(int(way[-1]), 2))
        dense = np.stack([np.interp(at, way, other[:, i]) for i in range(3)], axis=1)
        clear = min(clear, float(np.median(cKDTree(dense).query(line)[0])))
    return clear


def _parted(
    woven: Woven, k: int, parted: Parted, layings: tuple[Laying, ...], *, fewest: tuple[int, int] | None = None,
    clear_mm: float = np.inf,
) -> Woven:
    """Return a ply with one of its pieces cut in two, and how the two are laid."""
    opened, piece = parted.opened, woven.opened.pieces[k]
    strips = woven.fewest[k]
    fewest = (max(strips // 2, 1), max(strips - strips // 2, 1)) if fewest is None else fewest
    before, after = _tally([piece], [woven.layings[k]]), _tally(opened.pieces[k : k + 2], layings)
    new = replace(
        woven,
        opened=opened,
        layings=(*woven.layings[:k], *layings, *woven.layings[k + 1 :]),
        causes=tuple("panel" if was < 0 else woven.causes[was] for was in parted.origin),
        fewest=(*woven.fewest[:k], *fewest, *woven.fewest[k + 1 :]),
    )
    most = None if before.bare_mm2 > 0 else before.most_deg
    panel = Panel(opened.seams[-1], woven.locked_share, new.locked_share, clear_mm, shear_deg=(most, after.most_deg))
    return replace(new, panels=(*woven.panels, panel))


# -- panels --------------------------------------------------------------------------------------------------------------
def _in_panels(woven: Woven, loom: Loom, asked: Asked) -> Woven:
    """Cut what the roll or the job wants in panels along threads on the hull, where each then shears clearly less."""
    k = 0
    while k < len(woven.layings):
        better = _panelled(woven, k, loom, asked)
        woven, k = (woven, k + 1) if better is None else (better, k)
    return woven


def _panelled(woven: Woven, k: int, loom: Loom, asked: Asked) -> Woven | None:
    draped, how = woven.layings[k].draped, asked.how
    if draped is None or draped.drape.most_deg <= EASY_DEG:
        return None
    piece, flat = woven.opened.pieces[k], draped.flat
    frame, room = how.frame(piece, flat), replace(how.room, fewest=woven.fewest[k])
    # A piece that has the lap of a seam already is wider by it on the roll.
    lap_mm = how.lap_mm if any(q.left == k for q in woven.opened.sides) else 0.0
    count = room.panels(float(np.ptp(frame.apply(flat.uv_mm)[:, 1])) + lap_mm)
    if count < 2:
        return None
    lines = thread_lines(
        piece, flat, count, room, framing=how.frame, avoid=how.below(piece, flat, frame),
        lap_at=how.lap_at,
    )
    for line, clear_mm, _ in lines:
        parted = part_piece(woven.opened, k, line)
        if parted is None:
            continue
        layings = tuple(loom.lay(parted.opened, k + j, part=True) for j in (0, 1))
        if any(q.draped is None for q in layings):
            return None
        most = max(q.draped.drape.most_deg for q in layings if q.draped is not None)
        if most > (1.0 - WORTH_A_WIDTH) * draped.drape.most_deg:
            return None
        fewest = _strips(parted, k, frame.apply(flat.uv_mm)[:, 1], piece, count)
        return _parted(woven, k, parted, layings, fewest=fewest, clear_mm=clear_mm)
    return None


def _strips(parted: Parted, k: int, height_mm: Floats, piece: Surface, count: int) -> tuple[int, int]:
    """The panels that are left for either part, the lower on the table getting the lesser half."""
    heights = []
    for part in parted.opened.pieces[k : k + 2]:
        spot = piece.locate(part.vertices_mm)
        heights.append(float((spot.weights * height_mm[piece.faces[spot.face]]).sum(axis=1).mean()))
    low = count // 2
    return (low, count - low) if heights[0] < heights[1] else (count - low, low)


# -- what the builder is told --------------------------------------------------------------------------------------------
def propose_darts(woven: Woven, loom: Loom, asked: Asked) -> Iterator[tuple[str, str]]:
    """Say what the darts that nets advise would bring, made and laid on trial, where none are asked for.

    Parameters
    ----------
    woven : Woven
    loom : Loom
    asked : Asked

    Yields
    ------
    tuple of (text, what to do)
    """
    count, told = 0, []
    for k in _locking(woven):
        laying = woven.layings[k]
        if laying.draped is None and not (laying.tried or laying.must_cut):
            # It is not for its shear that no net lies there.
            continue
        trial = _with_darts(woven, k, MOST_PROPOSED - count, loom, asked)
        if isinstance(trial, Woven):
            new = trial.darts[len(woven.darts) :]
            count += len(new)
            before, after = (_tally([w.opened.pieces[k]], [w.layings[k]]) for w in (woven, trial))
            gain = _gain(before, after, woven.opened.pieces[k].area_mm2)
            length = sum(d.length_mm for d in new)
            told.append(f"{len(new)} dart{'s' * (len(new) > 1)} in piece {piece_name(k)}, {length:.0f} mm in all, would {gain}")
        elif trial is not None:
            told.append(trial)
        if count >= MOST_PROPOSED:
            break
    if told:
        do = f'Write "darts = {count}" in this region to have {"them" if count > 1 else "it"} made.' if count else ""
        yield "; ".join(told), do


def panel_words(panels: Sequence[Panel]) -> Iterator[tuple[str, str]]:
    """Say what pieces laid by their threads gained by being cut in two.

    Parameters
    ----------
    panels : sequence of Panel

    Yields
    ------
    tuple of (text, what to do)
    """
    for panel in panels:
        if panel.shear_deg is None:
            continue
        x, y, z = panel.line_mm[len(panel.line_mm) // 2]
        before, after = panel.shear_deg
        gain = (
            f"no net of threads lay on it whole; its parts shear by {after:.1f} degrees at most" if before is None
            else f"its largest shear falls from {before:.1f} to {after:.1f} degrees"
        )
        yield f"a piece is cut in two on the hull along a thread through ({x:.0f}, {y:.0f}, {z:.0f}) mm: {gain}", ""

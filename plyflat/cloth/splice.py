"""Split a piece that is wider or longer than its roll into pieces that lap, or meet edge to edge."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely
from shapely import LineString, Point, Polygon, box

from ..errors import FitError
from .marks import centre_mark, lines_of, parts_of, spread, warp_line, whole
from .template import SAME_MM, Notch, Template, check_template

# A part narrower than this frays away before it is laid.
SLIVER_MM = 5.0
# Lines of the neighbouring ply that cross the split more steeply than this cannot be kept clear of.
ALONG_DEG = 30.0
# How many places are tried to either side of the even split.
SHIFTS = 40

#: Whether pieces may meet edge to edge along a line on the table.
MayButt = Callable[[LineString], bool]


@dataclass(frozen=True, eq=False)
class SplitLine:
    """A line along which a template was split.

    Attributes
    ----------
    name : str
        As the notches along it have it ("A-1").
    line : LineString
        On the table, mm: the middle of the lap, or the line of the butt; along the warp or across it.
    lap_mm : float
        Width of the lap; 0 for a butt.
    clear_mm : float
        Distance from the nearest of the lines to avoid that run along it; infinite where there is none.
    """

    name: str
    line: LineString
    lap_mm: float
    clear_mm: float


@dataclass(frozen=True, eq=False)
class Split:
    """What a template is cut in.

    Attributes
    ----------
    parts : tuple of Template
        The template itself where it fits. Else "A" becomes "A1", "A2" and so on; their net outlines cover the old one
        without overlap.
    lines : tuple of SplitLine
    sliver : bool
        Whether no place was found that leaves no part narrower than 5 mm.
    """

    parts: tuple[Template, ...]
    lines: tuple[SplitLine, ...] = ()
    sliver: bool = False


def split_for_roll(
    template: Template,
    *,
    width_mm: float | None = None,
    length_mm: float | None = None,
    lap_mm: float = 25.0,
    edge_mm: float = 0.0,
    stagger_mm: float = 0.0,
    avoid: Sequence[LineString] = (),
    notch_every_mm: float = 150.0,
    fewest: int = 1,
    may_butt: MayButt | None = None,
) -> Split:
    """Cut a template so that each piece fits on the roll.

    A piece that fits is returned as it is. Otherwise it is split by lines along the warp into strips of equal cut
    width, and strips longer than the roll by lines across it. At a lap the piece below (left of) the line runs on by
    ``lap_mm`` and the other ends at the line; at a butt both end there. Both pieces carry match notches.

    Parameters
    ----------
    template : Template
        Its warp along +x.
    width_mm, length_mm : float, optional
        Of the roll; no limit by default.
    lap_mm : float
    edge_mm : float
        Unused selvedge on either side of the roll.
    stagger_mm : float
        Least distance of a split line from the lines to avoid.
    avoid : sequence of LineString
        Middles of laps (lines of butts) of the neighbouring ply, in this template's frame. Those that cross the split
        are let be.
    notch_every_mm : float
    fewest : int
        Strips along the warp to cut at least.
    may_butt : callable, optional
        Whether pieces may meet edge to edge along a line; every other line is a lap. Without it all are laps.

    Returns
    -------
    Split

    Raises
    ------
    FitError
        If the usable width or length does not leave room for a lap.
    CheckError
        If a piece fails `check_template`.
    """
    how = _How(lap_mm, stagger_mm, tuple(avoid), notch_every_mm, fewest, may_butt)
    room_y = math.inf if width_mm is None else width_mm - 2 * edge_mm
    room_x = math.inf if length_mm is None else length_mm
    strips, lines = _split(template, room_y, how, "width", width_mm)
    turned = _turned(how)
    pieces = []
    for strip in strips:
        parts, across = _split(_swapped(strip), room_x, turned, "length", length_mm)
        pieces += [_swapped(p) for p in parts]
        lines += [replace(q, line=shapely.transform(q.line, _swap_xy)) for q in across]
    if len(pieces) == 1:
        return Split((template,))
    done = tuple(_finished(p, f"{template.piece}{i + 1}") for i, p in enumerate(pieces))
    for p in done:
        check_template(p)
    return Split(done, tuple(lines), any(_is_sliver(p.net) for p in done))


@dataclass(frozen=True)
class _How:
    lap_mm: float
    stagger_mm: float
    avoid: tuple[LineString, ...]
    notch_every_mm: float
    fewest: int
    may_butt: MayButt | None

    def lap_at(self, y: float, net: Polygon) -> float:
        """Return the width of the lap at a level line: none where all of the line may be a butt."""
        x0, _, x1, _ = net.bounds
        seams = lines_of(net.intersection(_level(y, x0, x1)))
        good = self.may_butt is not None and seams and all(map(self.may_butt, seams))
        return 0.0 if good else self.lap_mm


def _turned(how: _How) -> _How:
    """What to keep to across the warp: mirrored on the diagonal, and no more strips than the roll's length asks for."""
    asked = how.may_butt
    may_butt = None if asked is None else lambda g: asked(shapely.transform(g, _swap_xy))
    return replace(how, avoid=tuple(shapely.transform(g, _swap_xy) for g in how.avoid), fewest=1, may_butt=may_butt)


def _swap_xy(xy: np.ndarray) -> np.ndarray:
    return xy[:, ::-1]


def _swapped(t: Template) -> Template:
    """Mirror a template's shapes on the diagonal, so that a split across becomes a split along."""

    def shapes(gs: tuple) -> tuple:
        return tuple(shapely.transform(g, _swap_xy) for g in gs)

    notches = tuple(Notch(n.at_mm[::-1], n.inward[::-1], n.mark) for n in t.notches)
    net, cut = shapes((t.net, t.cut))
    return replace(
        t, net=net, cut=cut, laps=shapes(t.laps), folds=shapes(t.folds), joins=shapes(t.joins), notches=notches,
        start=shapely.transform(t.start, _swap_xy), warp_thread=shapes(t.warp_thread), weft_thread=shapes(t.weft_thread),
    )


def _finished(t: Template, piece: str) -> Template:
    centre = centre_mark(t.net)
    return replace(t, piece=piece, centre=centre, warp=warp_line(t.net, centre))


# -- where to split ------------------------------------------------------------------------------------------------
def _split(
    t: Template, room: float, how: _How, side: str, roll_mm: float | None
) -> tuple[list[Template], list[SplitLine]]:
    """Split by level lines into strips whose cut height is at most ``room``."""
    _, low, _, high = t.cut.bounds
    if high - low <= room and how.fewest == 1:
        return [t], []
    if room < 2 * how.lap_mm + SLIVER_MM:
        raise FitError(
            f"the piece needs {high - low:.0f} mm of {side}; the widest roll allowed has {roll_mm:g} mm, "
            f"{room:.0f} mm of it usable, too little to split the piece with laps of {how.lap_mm:g} mm",
            where=t.name, do=f"Take a roll of more {side} or a narrower lap.",
        )
    lines = _all_butts(t, low, high, room, how) or _lines(t, low, high, room, how)
    laps = [how.lap_at(y, t.net) for y in lines]
    x0, _, x1, _ = t.cut.bounds
    found = [
        SplitLine(f"{t.piece}-{k + 1}", middle, lap, _clearance(y, lap, t.cut, how))
        for k, (y, lap) in enumerate(zip(lines, laps))
        for middle in lines_of(t.net.intersection(_level(y + 0.5 * lap, x0, x1)))
    ]
    return _parts(t, lines, laps, how), found


def _all_butts(t: Template, low: float, high: float, room: float, how: _How) -> list[float]:
    """Choose split lines as if none took a lap; none where one of them must not be a butt, or they come too near others.

    Where the room for laps would ask for a strip more, this saves it.
    """
    if how.may_butt is None:
        return []
    lines = _lines(t, low, high, room, replace(how, lap_mm=0.0))
    clear = min(_clearance(y, 0.0, t.cut, how) for y in lines) >= how.stagger_mm
    return lines if clear and not any(how.lap_at(y, t.net) for y in lines) else []


def _lines(t: Template, low: float, high: float, room: float, how: _How) -> list[float]:
    """Choose the split lines: as few and as even as can be, clear of the neighbour's seams, leaving no sliver."""
    needed = 2 if math.isinf(room) else math.ceil((high - low - how.lap_mm) / (room - how.lap_mm) - 1e-9)
    fewest = max(2, needed, how.fewest)
    best: tuple[float, list[float]] | None = None
    for n in range(fewest, fewest + 4):
        for lines in _shifted(low, high, n, room, how.lap_mm):
            clear = min(_clearance(y, how.lap_mm, t.cut, how) for y in lines)
            short = min(clear - how.stagger_mm, 0.0)
            if best is not None and short <= best[0]:
                continue
            if _leaves_sliver(t, lines, low, high):
                short -= 1e6
            if short == 0:
                return lines
            if best is None or short > best[0]:
                best = (short, lines)
    if best is None:
        raise FitError(
            f"no split of {high - low:.0f} mm into strips of at most {room:.0f} mm with laps of {how.lap_mm:g} mm",
            where=t.name, do="Take a wider roll or a narrower lap.",
        )
    return best[1]


def _shifted(low: float, high: float, n: int, room: float, lap: float) -> Iterator[list[float]]:
    """Yield even splits into n strips of equal cut height, shifted as far as the room allows, nearest first."""
    height = (high - low + (n - 1) * lap) / n
    # A strip that is cut without need may be as much wider as it is wide; only the roll's limit is hard.
    room = min(room, 2 * height)
    for k in range(SHIFTS + 1):
        for sign in (1, -1)[: 1 + (k > 0)]:
            shift = sign * (room - height) * k / SHIFTS
            lines = [low + shift + i * (height - lap) for i in range(1, n)]
            if lines[0] - low > SLIVER_MM and high - lines[-1] > SLIVER_MM + lap:
                yield lines


def _clearance(y: float, lap_mm: float, cut: Polygon, how: _How) -> float:
    """Distance of the middle of the lap on a level line from the lines to avoid that run along it."""
    least, y = math.inf, y + 0.5 * lap_mm
    for line in how.avoid:
        for part in lines_of(line.intersection(cut)):
            if runs_along(part):
                _, below, _, above = part.bounds
                least = min(least, max(below - y, y - above, 0.0))
    return least


def runs_along(line: LineString) -> bool:
    """Return whether a line, from end to end, runs along the x axis within 30 degrees."""
    (xa, ya), (xb, yb) = line.coords[0], line.coords[-1]
    return math.degrees(math.atan2(abs(yb - ya), abs(xb - xa))) <= ALONG_DEG


def _leaves_sliver(t: Template, lines: list[float], low: float, high: float) -> bool:
    for y0, y1 in zip([low, *lines], [*lines, high]):
        for part in _between(t.cut, y0, y1):
            net = parts_of(part.intersection(t.net))
            if len(net) != 1 or _is_sliver(net[0]):
                return True
    return False


def _is_sliver(net: Polygon) -> bool:
    return bool(net.buffer(-0.5 * SLIVER_MM).is_empty)


def _between(shape: Polygon, y0: float, y1: float) -> list[Polygon]:
    x0, _, x1, _ = shape.bounds
    return parts_of(shape.intersection(box(x0 - 1, y0, x1 + 1, y1)))


# -- the parts -----------------------------------------------------------------------------------------------------
@dataclass
class _Part:
    row: int
    cut: Polygon
    net: Polygon
    laps: list[Polygon]
    joins: list[LineString]
    notches: list[Notch]


def _parts(t: Template, lines: list[float], laps: list[float], how: _How) -> list[Template]:
    _, low, _, high = t.cut.bounds
    edges = [low - 1, *lines, high + 1]
    rows = [_row(t, i, edges, lap) for i, lap in enumerate([*laps, 0.0])]
    for k, y in enumerate(lines):
        _join(t, rows[k], rows[k + 1], y, f"{t.piece}-{k + 1}", how)
    parts = [part for row in rows for part in row]
    return [_template(t, part, edges, f"{t.piece}{chr(97 + k % 26)}") for k, part in enumerate(parts)]


def _row(t: Template, i: int, edges: list[float], lap_mm: float) -> list[_Part]:
    """Return the parts of one strip with their laps."""
    y0, y1, last = edges[i], edges[i + 1], i == len(edges) - 2
    nets = [n for n in _between(t.net, y0, y1) if n.area > 1e-9]
    bare = _between(t.cut, y0, y1)
    long = bare if last else _between(t.cut, y0, y1 + lap_mm)
    row = []
    for body in bare:
        host = max(long, key=lambda g: g.intersection(body).area)
        rivals = [b for b in bare if b is not body and host.intersection(b).area > 1e-9]
        cut = _own_share(host, body, rivals, y1) if rivals else host
        lap = [] if last else [p for p in _between(cut, y1, y1 + lap_mm) if p.area > 1e-9]
        row += [_Part(i, c, n, lap, [], []) for c, n in _by_net(cut, [n for n in nets if n.intersection(body).area > 0.5 * n.area])]
    return row


def _own_share(host: Polygon, body: Polygon, rivals: list[Polygon], y1: float) -> Polygon:
    """Cut off what a lap shared by several parts holds beyond the part's own width on the line."""
    x0, x1 = body.bounds[0], body.bounds[2]
    edge = lines_of(body.intersection(box(x0 - 1, y1 - 1e-6, x1 + 1, y1 + 1)).boundary)
    if edge:
        x0, x1 = min(e.bounds[0] for e in edge), max(e.bounds[2] for e in edge)
    over = box(host.bounds[0] - 1, y1, host.bounds[2] + 1, host.bounds[3] + 1)
    out = over.difference(box(x0, y1 - 1, x1, host.bounds[3] + 1))
    share = host.difference(shapely.union_all([out, *rivals]))
    return max([*parts_of(share), body], key=lambda g: g.intersection(body).area)


def _by_net(cut: Polygon, nets: list[Polygon]) -> list[tuple[Polygon, Polygon]]:
    """Pair each part of the net outline with its cut outline; a margin that bridges two parts goes to both."""
    if len(nets) == 1:
        return [(cut, whole(nets[0]))]
    out = []
    for n in nets:
        others = [m.buffer(0.5 * m.distance(n)) for m in nets if m is not n]
        own = parts_of(cut.difference(shapely.union_all(others)))
        out.append((max(own, key=lambda g: g.intersection(n).area), whole(n)))
    return out


def _join(t: Template, below: list[_Part], above: list[_Part], y: float, name: str, how: _How) -> None:
    """Mark the line where two strips join: where the partner's edge lies, and match notches on both."""
    x0, _, x1, _ = t.cut.bounds
    for a in below:
        for lap in a.laps:
            a.joins += lines_of(_level(y, x0, x1).intersection(lap.buffer(SAME_MM)))
            top = _level(lap.bounds[3], x0, x1).intersection(lap.buffer(SAME_MM))
            for b in above:
                b.joins += lines_of(top.intersection(b.cut))
    seams = [g for g in lines_of(t.net.intersection(_level(y, x0, x1))) if g.length > SLIVER_MM]
    for k, seam in enumerate(sorted(seams, key=lambda g: g.bounds[0])):
        mark = name if len(seams) == 1 else f"{name}{chr(97 + k % 26)}"
        ends = seam.bounds[0], seam.bounds[2]
        for i, x in enumerate(spread(ends[0], ends[1], how.notch_every_mm)):
            _notch_pair(below, above, x, y, f"{mark}.{i + 1}")


def _level(y: float, x0: float, x1: float) -> LineString:
    return LineString([(x0 - 1, y), (x1 + 1, y)])


def _notch_pair(below: list[_Part], above: list[_Part], x: float, y: float, mark: str) -> None:
    """Notch both partners; where a margin that bridges two parts has been shared out there may be none."""
    at = Point(x, y)
    lower = min(below, key=lambda p: p.net.distance(at))
    upper = min(above, key=lambda p: p.net.distance(at))
    ray = LineString([(x, y - 1e-3), (x, lower.cut.bounds[3] + 1)])
    tops = [g.bounds[3] for g in lines_of(ray.intersection(lower.cut)) if g.bounds[1] <= y]
    if not tops:
        return
    pair = Notch((x, max(tops)), (0.0, -1.0), mark), Notch((x, y), (0.0, 1.0), mark)
    if _sits(pair[0], lower.cut) and _sits(pair[1], upper.cut):
        lower.notches.append(pair[0])
        upper.notches.append(pair[1])


def _template(t: Template, part: _Part, edges: list[float], piece: str) -> Template:
    y0, y1 = edges[part.row], edges[part.row + 1]
    kept = [n for n in t.notches if y0 <= n.at_mm[1] < y1 and _sits(n, part.cut)]
    folds = [(g, c) for f, c in zip(t.folds, t.fold_concave or (False,) * len(t.folds))
             for g in lines_of(f.intersection(part.cut))]
    body = parts_of(part.cut.intersection(box(part.cut.bounds[0] - 1, y0, part.cut.bounds[2] + 1, y1)))
    old = [p for lap in t.laps for b in body for p in parts_of(lap.intersection(b)) if p.area > 1e-9]
    old = [p for lap in old for p in parts_of(lap.difference(part.net)) if p.area > 1e-9]
    joins = [g for j in t.joins for g in lines_of(j.intersection(part.cut))]
    return replace(
        t,
        net=part.net,
        cut=part.cut,
        laps=tuple(old + part.laps),
        folds=tuple(g for g, _ in folds),
        fold_concave=tuple(c for _, c in folds) if t.fold_concave else (),
        joins=tuple(joins + part.joins),
        start=t.start if part.net.contains(t.start) else Point(),
        warp_thread=tuple(h for g in t.warp_thread for h in lines_of(g.intersection(part.net))),
        weft_thread=tuple(h for g in t.weft_thread for h in lines_of(g.intersection(part.net))),
        notches=tuple(kept + part.notches),
        piece=piece,
    )


def _sits(notch: Notch, cut: Polygon) -> bool:
    at = np.array(notch.at_mm)
    on = cut.boundary.distance(Point(at)) < 1e-6
    return bool(on and cut.contains(Point(at + 0.01 * np.array(notch.inward))))

"""Lay a piece in panels: cut on the surface itself, so that each panel lies flat with less strain than the whole.

A straight line across a finished flat shape fits a piece to its roll and leaves its strain as it was. Where that is
over the limit the surface is cut along such a line instead, or along the shortest way between its ends, and both parts
are laid flat anew. A piece that lies over itself when it is flat, as a long spiral does, can be cut from no cloth as
it is: it is parted too.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
import scipy.sparse as sp
import shapely.affinity
from scipy.spatial import cKDTree
from shapely import LineString

from ..errors import CheckError, OutlineError, ShapeError, SolveError
from ..surface._smooth import SMOOTH_MM
from ..surface.coarsen import coarsen
from ..surface.cut import Inserted, insert_path
from ..surface.mesh import Floats, Ints, Surface
from ._bounds import vertex_curvature
from ._cutting import Opened, Sides, cut_along
from ._dart_ways import stations
from ._outline import net_outline
from .flatten import Flat, cloth_stretch, flatten
from .marks import lines_of
from .pieces import Frame, lines_in_space
from .splice import runs_along

#: Lines are tried out on a copy with about so many triangles.
DRAFT_FACES = 3000
#: So many places for the line are tried, each straight in the flat and as the shortest way.
PLACES = 5
#: A line is moved from the even split by no more than this share of a panel's width.
SHIFT = 0.25
#: A copy may stray from the piece by this share of its size.
STRAY = 0.005
#: Panels that save less of a piece's area than this are not worth a line that is not straight on the table.
WORTH = 0.01
#: A piece that lies over itself is parted between so many places of its edge, tried in pairs.
STATIONS = 16
#: No more lines than this are cut on the hull into one patch.
MOST = 12
# Points of a line nearer to its ends than this, in edges of the mesh, give way to the edge's own vertices.
BESIDE = 1.5

#: How a flat piece is turned to lie on the table.
Framing = Callable[[Surface, Flat], Frame]


@dataclass(frozen=True)
class Room:
    """What panels must keep to.

    Attributes
    ----------
    width_mm : float
        Of the roll, between its edges.
    lap_mm, trim_mm : float
        Added to a panel's width: a lap on one side, the margin on both.
    stagger_mm : float
        Least distance of a line from those of the ply below that run along it.
    fewest : int
        Panels to lay a piece in at least.
    """

    width_mm: float
    lap_mm: float = 0.0
    trim_mm: float = 0.0
    stagger_mm: float = 0.0
    fewest: int = 1

    def panels(self, width_mm: float) -> int:
        """Return how many panels a piece needs that is so wide in the flat, mm."""
        wide, usable = width_mm + 2 * self.trim_mm, self.width_mm - self.lap_mm
        needed = 1 if wide <= self.width_mm else math.ceil((wide - self.lap_mm) / usable - 1e-9) if usable > 0 else 1
        return max(needed, self.fewest)


@dataclass(frozen=True, eq=False)
class Panel:
    """A line that parts a piece into panels, and what it bought.

    Attributes
    ----------
    line_mm : (k, 3) float array
        On the surface.
    over_before, over_after : float
        Share of the whole patch's area above the strain limit without this line and with it.
    clear_mm : float
        Distance on the table from the lines of the ply below that run along it; infinite where there is none.
    overlap_mm2 : float
        By how much the piece lay over itself, if that is why it was parted; else 0.
    shear_deg : tuple of float or None
        Cloth laid by its threads: the largest shear of the piece, and of its two parts; None for the piece where no net
        lay on it. The areas are then shares past locking. None where the piece was flattened.
    """

    line_mm: Floats
    over_before: float
    over_after: float
    clear_mm: float
    overlap_mm2: float = 0.0
    shear_deg: tuple[float | None, float] | None = None


@dataclass(frozen=True, eq=False)
class Panelled:
    """A patch with some of its pieces laid in panels.

    Attributes
    ----------
    opened : Opened
        Seams that were there come first, in their order but parted where a panel ends on them; then the new lines.
    flats : tuple of Flat
    panels : tuple of Panel
        The last seams of `opened`.
    origin : tuple of int
        For each seam the one it was before; -1 for a new line.
    fewest : tuple of int
        For each piece the strips it is still to be split in, straight on the table.
    homes : tuple of int
        For each piece the one it was, or was a part of.
    """

    opened: Opened
    flats: tuple[Flat, ...]
    panels: tuple[Panel, ...]
    origin: tuple[int, ...]
    fewest: tuple[int, ...]
    homes: tuple[int, ...] = ()


def lay_in_panels(
    opened: Opened,
    flats: Sequence[Flat],
    room: Room,
    *,
    framing: Framing,
    limit: float,
    over_share: float,
    scale_mm: float,
    avoid: Callable[[Surface, Flat, Frame], Sequence[LineString]] | None = None,
    lap_at: Callable[[Surface, Floats], float] | None = None,
    settled: Sequence[int | None] = (),
) -> Panelled:
    """Cut pieces that the roll or the job wants in panels, where that lessens their strain, and those that lie over themselves.

    A piece that lies over itself in the flat is parted along a short way across it that ends that, or lessens it
    most, and leaves even parts; these again. Of the others, only pieces with more area over the limit than they may have are cut here; others are left whole, to be split
    straight on the table. Lines run along the warp. Of a few places, the one with the least area over the limit whose
    panels fit the roll is taken; panels that still do not fit are cut again.

    Parameters
    ----------
    opened : Opened
    flats : sequence of Flat
        One for each piece.
    room : Room
    framing : callable
        How a flat piece is turned so that its warp runs along +x.
    limit : float
        Strain limit as a fraction.
    over_share : float
        Share of a piece's area that may be above it.
    scale_mm : float
        The length over which strain is averaged.
    avoid : callable, optional
        Middles of the laps of the ply below, on the table of a piece.
    lap_at : callable, optional
        Width of the lap along a line on a piece, mm: 0 for a butt. By default that of `room`.
    settled : sequence of (int or None), optional
        For each piece the strips it is to be split in if it is left as it is, as cloth laid by its threads is; None for
        one that may be cut here.

    Returns
    -------
    Panelled
        The patch as it was where nothing is gained.
    """
    how = _How(room, framing, limit, scale_mm, avoid, lap_at or (lambda _piece, _line: room.lap_mm))
    strips = tuple(settled) or (None,) * len(opened.pieces)
    over = [0.0 if n is not None else _over_mm2(p, f, limit, scale_mm) for p, f, n in zip(opened.pieces, flats, strips)]
    state = _State(
        opened, tuple(flats), (), tuple(range(len(opened.seams))), tuple(over),
        tuple(room.fewest if n is None else n for n in strips), tuple(range(len(over))),
    )
    k = 0
    while k < len(state.flats):
        better = None
        if strips[state.homes[k]] is not None:
            k += 1
            continue
        if state.flats[k].overlaps:
            better = _untangled(state, k, how)
        elif state.over_mm2[k] > over_share * state.opened.pieces[k].area_mm2:
            better = _parted(state, k, how)
        state, k = (state, k + 1) if better is None else (better, k)
    return Panelled(state.opened, state.flats, state.panels, state.origin, state.fewest, state.homes)


@dataclass(frozen=True, eq=False)
class _How:
    """The options of `lay_in_panels`."""

    room: Room
    framing: Framing
    limit: float
    scale_mm: float
    avoid: Callable[[Surface, Flat, Frame], Sequence[LineString]] | None
    lap_at: Callable[[Surface, Floats], float]


@dataclass(frozen=True, eq=False)
class _State:
    """How far the cutting has come; for each piece its area over the limit, its panels to come, and what it was."""

    opened: Opened
    flats: tuple[Flat, ...]
    panels: tuple[Panel, ...]
    origin: tuple[int, ...]
    over_mm2: tuple[float, ...]
    fewest: tuple[int, ...]
    homes: tuple[int, ...]


def _parted(state: _State, k: int, how: _How) -> _State | None:
    """Part a piece in two where the roll or the job wants it in panels; None where that gains too little."""
    piece, flat = state.opened.pieces[k], state.flats[k]
    frame = how.framing(piece, flat)
    # A piece that has the lap of a seam already is wider by it on the roll.
    lap_mm = how.room.lap_mm if any(q.left == k for q in state.opened.sides) else 0.0
    count = replace(how.room, fewest=state.fewest[k]).panels(_width(frame, flat) + lap_mm)
    if count < 2:
        return None
    line = _best_line(piece, count, how, how.avoid(piece, flat, frame) if how.avoid is not None else ())
    cut = None if line is None else _made(piece, line)
    if line is None or cut is None:
        return None
    flats = tuple(flatten(p) for p in cut.parts.pieces)
    after = tuple(_over_mm2(p, f, how.limit, how.scale_mm) for p, f in zip(cut.parts.pieces, flats))
    if any(f.overlaps for f in flats) or state.over_mm2[k] - sum(after) < WORTH * piece.area_mm2:
        return None
    low = line.low if _lower_first(cut, frame.apply(flat.uv_mm)) else count - line.low
    return _with(state, k, cut, flats, after, fewest=(low, count - low), clear_mm=line.clear_mm)


def _with(
    state: _State, k: int, cut: _CutInTwo, flats: tuple[Flat, ...], after: tuple[float, ...], *,
    fewest: tuple[int, int], clear_mm: float, overlap_mm2: float = 0.0,
) -> _State:
    """Return the state with a piece parted in two."""
    whole_mm2 = sum(p.area_mm2 for p in state.opened.pieces)
    over = (*state.over_mm2[:k], *after, *state.over_mm2[k + 1 :])
    panel = Panel(cut.parts.seams[0], sum(state.over_mm2) / whole_mm2, sum(over) / whole_mm2, clear_mm, overlap_mm2)
    put = _put(state.opened, k, cut, state.origin)
    return replace(
        state,
        opened=put.opened,
        origin=put.origin,
        flats=(*state.flats[:k], *flats, *state.flats[k + 1 :]),
        panels=(*state.panels, panel),
        over_mm2=over,
        fewest=(*state.fewest[:k], *fewest, *state.fewest[k + 1 :]),
        homes=(*state.homes[: k + 1], *state.homes[k:]),
    )


def _untangled(state: _State, k: int, how: _How) -> _State | None:
    """Part a piece that lies over itself; None where no line across it lessens that."""
    piece, flat = state.opened.pieces[k], state.flats[k]
    if len(state.panels) >= MOST:
        return None
    draft = coarsen(piece, faces=DRAFT_FACES, stray_mm=STRAY * float(np.linalg.norm(piece.size_mm))).surface
    tried = [(rank, line) for line in _across(draft) if (rank := _untangling(draft, line)) is not None]
    best = min(tried, key=lambda t: t[0], default=None)
    cut = None if best is None else _made(piece, best[1])
    if cut is None:
        return None
    flats = tuple(flatten(p) for p in cut.parts.pieces)
    if sum(f.overlap_mm2 for f in flats) >= flat.overlap_mm2:
        return None
    after = tuple(_over_mm2(p, f, how.limit, how.scale_mm) for p, f in zip(cut.parts.pieces, flats))
    most = state.fewest[k]
    fewest = (max(most // 2, 1), max(most - most // 2, 1))
    return _with(state, k, cut, flats, after, fewest=fewest, clear_mm=math.inf, overlap_mm2=flat.overlap_mm2)


def _across(draft: Surface) -> list[_Line]:
    """Return the ways between places of a piece's outer edge that lie well apart on it."""
    loop = draft.boundary_loops[0]
    rim = draft.vertices_mm[loop]
    at = stations(rim, STATIONS)
    pairs = [(i, j) for i in range(len(at)) for j in range(i + 3, len(at)) if len(at) - (j - i) >= 3]
    return [_Line(rim[at[[i, j]]], False, 1, math.inf, False, math.inf) for i, j in pairs]


def _untangling(draft: Surface, line: _Line) -> tuple[float, float] | None:
    """Rank a line across a draft: by how much its parts lie over themselves, then by its length and how uneven they are.

    Even parts lie the clearest of themselves, and nest the best. None where the draft cannot be cut so.
    """
    cut = _made(draft, line)
    if cut is None:
        return None
    try:
        overlap = sum(flatten(part).overlap_mm2 for part in cut.parts.pieces)
    except (SolveError, ShapeError):
        return None
    length = float(np.linalg.norm(np.diff(cut.parts.seams[0], axis=0), axis=1).sum())
    return round(overlap, 3), length * max(part.area_mm2 for part in cut.parts.pieces)


def _over_mm2(piece: Surface, flat: Flat, limit: float, scale_mm: float) -> float:
    strain = np.abs(cloth_stretch(piece, flat, length_mm=scale_mm) - 1.0).max(axis=1)
    return float(piece.face_areas_mm2[strain > limit].sum())


def _width(frame: Frame, flat: Flat) -> float:
    return float(np.ptp(frame.apply(flat.uv_mm)[:, 1]))


def _lower_first(cut: _CutInTwo, uv: Floats) -> bool:
    """Whether the first part lies below the second on the whole piece's table."""
    y = (cut.made.weights @ uv)[:, 1]
    first, second = (float(y[cut.made.surface.faces[f]].mean()) for f in cut.parts.faces)
    return first < second


# -- which line ----------------------------------------------------------------------------------------------------
@dataclass(frozen=True, eq=False)
class _Line:
    """A line tried out: points on the surface; panels below it; and what came of it on the draft."""

    points_mm: Floats
    dense: bool
    low: int
    clear_mm: float
    fits: bool
    over_mm2: float


@dataclass(frozen=True, eq=False)
class _CutInTwo:
    """A piece with a line as edges, and its two parts."""

    made: Inserted
    parts: Opened


def _best_line(piece: Surface, count: int, how: _How, avoid: Sequence[LineString]) -> _Line | None:
    """Try lines on a coarse copy; panels that fit come first, then the stagger, then the least area over the limit."""
    draft = coarsen(piece, faces=DRAFT_FACES, stray_mm=STRAY * float(np.linalg.norm(piece.size_mm))).surface
    flat = flatten(draft)
    uv = how.framing(draft, flat).apply(flat.uv_mm)
    tried = [
        t for line in _lines(draft, flat, count, how, avoid) if (t := _tried(draft, uv, line, count, how)) is not None
    ]

    def rank(t: _Line) -> tuple[bool, float, float]:
        """What makes one line worse than another, the most weighty first."""
        return not t.fits, max(how.room.stagger_mm - t.clear_mm, 0.0), t.over_mm2

    return min(tried, key=rank) if tried else None


def _lines(draft: Surface, flat: Flat, count: int, how: _How, avoid: Sequence[LineString]) -> Iterator[_Line]:
    """Propose lines along the warp near the even split: straight in the flat, and the shortest ways between their ends."""
    frame = how.framing(draft, flat)
    net = net_outline(draft, frame.apply(flat.uv_mm), "piece")
    x0, y0, x1, y1 = net.bounds
    low = count // 2
    even, pitch = y0 + (y1 - y0) * low / count, (y1 - y0) / count
    # The lap lies over the part on the line's right, seen from the air side.
    side = 0.5 if frame.mirrored else -0.5
    for shift in _shifts(y0, y1, even, pitch, how.room, avoid, side * how.room.lap_mm):
        level = LineString([(x0 - 1, even + shift), (x1 + 1, even + shift)])
        found = lines_of(net.intersection(level))
        if len(found) != 1:
            # It leaves the piece on the way: not one seam but several.
            continue
        (points,) = lines_in_space(found, draft, flat, frame)
        middle = shapely.affinity.translate(found[0], 0.0, side * how.lap_at(draft, points))
        clear = min((middle.distance(q) for q in avoid if runs_along(q)), default=math.inf)
        for dense in (True, False):
            yield _Line(points if dense else points[[0, -1]], dense, low, clear, False, math.inf)


def thread_lines(
    piece: Surface, flat: Flat, count: int, room: Room, *, framing: Framing, avoid: Sequence[LineString] = (),
    lap_at: Callable[[Surface, Floats], float] | None = None,
) -> list[tuple[Floats, float, float]]:
    """Propose threads of the warp along which a piece may be cut in panels, the even split of its curvature first.

    Parameters
    ----------
    piece : Surface
    flat : Flat
        Laid by its threads: warp threads are straight in it.
    count : int
        Panels that the piece is to be laid in.
    room : Room
    framing : callable
    avoid : sequence of LineString
        Middles of the laps of the ply below, on the piece's table.
    lap_at : callable, optional
        As for `lay_in_panels`.

    Returns
    -------
    list of ((k, 3) float array, float, float)
        The line on the surface; its distance from those of the ply below, mm; the share of the piece's curvature,
        counted without sign, that lies below it on the table. What keeps the stagger comes first.
    """
    how = _How(room, framing, 0.0, 0.0, None, lap_at or (lambda _piece, _line: room.lap_mm))
    bent = np.abs(vertex_curvature(piece))
    bent[np.concatenate(piece.boundary_loops)] = 0.0
    height = framing(piece, flat).apply(flat.uv_mm)[:, 1]
    found = []
    for line in _lines(piece, flat, count, how, avoid):
        if line.dense:
            level = float(np.median(height[cKDTree(piece.vertices_mm).query(line.points_mm)[1]]))
            found.append((line.points_mm, line.clear_mm, float(bent[height < level].sum() / max(bent.sum(), 1e-12))))
    want = (count // 2) / count
    return sorted(found, key=lambda t: (max(room.stagger_mm - t[1], 0.0), abs(t[2] - want)))


def _shifts(
    y0: float, y1: float, even: float, pitch: float, room: Room, avoid: Sequence[LineString], aside: float
) -> list[float]:
    """Places about the even split, and those whose laps, so far aside of them, are just clear of those of the ply below."""
    places = [SHIFT * pitch * t for t in np.linspace(-1, 1, PLACES)]
    for line in avoid:
        if runs_along(line) and room.stagger_mm > 0:
            _, low, _, high = line.bounds
            away = room.stagger_mm + 1.0
            places += [low - away - aside - even, high + away - aside - even]
    return [s for s in places if y0 + 0.25 * pitch < even + s < y1 - 0.25 * pitch]


def _tried(draft: Surface, uv: Floats, line: _Line, count: int, how: _How) -> _Line | None:
    """Cut the draft along a line and lay both parts flat; None where it cannot be cut so or lies over itself."""
    cut = _made(draft, line)
    if cut is None:
        return None
    over, fits = 0.0, True
    low = line.low if _lower_first(cut, uv) else count - line.low
    for part, most in zip(cut.parts.pieces, (low, count - low)):
        try:
            flat = flatten(part)
            frame = how.framing(part, flat)
        except (SolveError, ShapeError):
            return None
        if flat.overlaps:
            return None
        strain = np.abs(flat.stretch - 1.0).max(axis=1)
        over += float(part.face_areas_mm2[strain > how.limit].sum())
        fits &= replace(how.room, fewest=1).panels(_width(frame, flat) + how.room.lap_mm) <= most
    return replace(line, over_mm2=over, fits=fits)


def _made(piece: Surface, line: _Line) -> _CutInTwo | None:
    """Cut a piece in two along a line; None where it does not run from edge to edge through the inside."""
    points = _snapped(piece, line.points_mm)
    try:
        # A dense line is to lie where it was drawn; the shortest way must not follow the noise of a scan.
        made = insert_path(piece, points, closed=False, tolerance_mm=math.inf, smooth_mm=0.0 if line.dense else SMOOTH_MM)
    except (OutlineError, CheckError):
        return None
    rim = np.zeros(len(made.surface.vertices_mm), dtype=bool)
    rim[np.concatenate(made.surface.boundary_loops)] = True
    path = made.path
    if len(path) < 3 or not rim[path[[0, -1]]].all() or rim[path[1:-1]].any():
        return None
    parts = cut_along(made.surface, [path])
    old_rim = np.concatenate(piece.boundary_loops)
    if len(parts.pieces) != 2 or not np.isin(old_rim, made.parent_vertex).all():
        return None
    return _CutInTwo(made, parts)


def _snapped(piece: Surface, points: Floats) -> Floats:
    """Return a line with its ends on vertices of the edge, so that a neighbour's seam has a vertex there too."""
    v = piece.vertices_mm
    rim = v[np.concatenate(piece.boundary_loops)]
    ends = rim[cKDTree(rim).query(points[[0, -1]])[1]]
    inner = points[1:-1]
    away = np.linalg.norm(inner[:, None] - ends[None], axis=2).min(axis=1, initial=np.inf)
    return np.concatenate([ends[:1], inner[away > BESIDE * piece.mean_edge_mm], ends[1:]])


# -- among the other pieces ----------------------------------------------------------------------------------------
@dataclass(frozen=True, eq=False)
class Parted:
    """A patch of which a piece has been cut in two.

    Attributes
    ----------
    opened : Opened
        The two parts stand in the piece's place. Seams that were there come first, in their order but parted where the
        new line ends on them; the new line comes last.
    origin : tuple of int
        For each seam the one it was before; -1 for the new line.
    """

    opened: Opened
    origin: tuple[int, ...]


def part_piece(opened: Opened, k: int, line_mm: Floats) -> Parted | None:
    """Cut a piece of a patch in two along a line drawn on it.

    Parameters
    ----------
    opened : Opened
    k : int
        Number of the piece.
    line_mm : (n, 3) float array, mm
        From edge to edge of the piece.

    Returns
    -------
    Parted or None
        None where the line does not run from edge to edge through the inside.
    """
    cut = _made(opened.pieces[k], _Line(line_mm, True, 1, math.inf, False, math.inf))
    return None if cut is None else _put(opened, k, cut, range(len(opened.seams)))


def part_piece_at(opened: Opened, k: int, path: Ints) -> Parted | None:
    """Cut a piece of a patch in two along edges it has already.

    Parameters
    ----------
    opened : Opened
    k : int
        Number of the piece.
    path : (n,) int array
        Its vertices along the way, from edge to edge of the piece through the inside.

    Returns
    -------
    Parted or None
        None where that does not part it.
    """
    piece = opened.pieces[k]
    parts = cut_along(piece, [path])
    if len(parts.pieces) != 2:
        return None
    n, m = len(piece.vertices_mm), len(piece.faces)
    same = Inserted(piece, (path,), False, np.arange(m), np.arange(n), sp.csr_array(sp.eye(n)))
    return _put(opened, k, _CutInTwo(same, parts), range(len(opened.seams)))


def _put(opened: Opened, k: int, cut: _CutInTwo, was: Sequence[int]) -> Parted:
    """Put two parts in the place of a piece, with every seam of it on the part where it lies; the new line comes last."""
    parts = cut.parts
    local = [_locals(opened.pieces[k], cut.made, part, faces) for part, faces in zip(parts.pieces, parts.faces)]
    seams: list[Floats] = []
    sides: list[Sides] = []
    origin: list[int] = []
    for line, side, first in zip(opened.seams, opened.sides, was):
        for a, b, (left, left_at), (right, right_at) in _runs(side, k, local):
            seams.append(line[a : b + 1])
            sides.append(Sides(left, right, left_at, right_at))
            origin.append(first)
    (own,) = parts.sides
    sides.append(Sides(k + own.left, k + own.right, own.left_vertices, own.right_vertices))
    pieces = (*opened.pieces[:k], *parts.pieces, *opened.pieces[k + 1 :])
    return Parted(Opened(pieces, (*seams, parts.seams[0]), tuple(sides)), (*origin, -1))


def _locals(piece: Surface, made: Inserted, part: Surface, faces: Ints) -> Ints:
    """Return for each vertex of a piece the vertex of a part that it became, or -1."""
    out = np.full(len(piece.vertices_mm), -1, dtype=np.int64)
    parent = made.parent_vertex[made.surface.faces[faces]].ravel()
    kept = parent >= 0
    out[parent[kept]] = part.faces.ravel()[kept]
    return out


def _runs(
    side: Sides, k: int, local: Sequence[Ints]
) -> Iterator[tuple[int, int, tuple[int, Ints], tuple[int, Ints]]]:
    """Yield the stretches of a seam along which both pieces stay the same: first and last point, and either side."""
    left, right = (
        _on_parts(piece, vertices, k, local)
        for piece, vertices in ((side.left, side.left_vertices), (side.right, side.right_vertices))
    )
    pairs = list(zip(left, right))
    starts = [0, *(i for i in range(1, len(pairs)) if pairs[i] != pairs[i - 1])]
    for a, b in zip(starts, [*starts[1:], len(pairs)]):
        found = []
        for piece, vertices, to in ((side.left, side.left_vertices, left[a]), (side.right, side.right_vertices, right[a])):
            at = vertices[a : b + 1]
            found.append((to, local[to - k][at] if piece == k else at))
        yield a, b, found[0], found[1]


def _on_parts(piece: int, vertices: Ints, k: int, local: Sequence[Ints]) -> list[int]:
    """Return the piece's new number along each step of its side of a seam."""
    if piece != k:
        return [piece + (piece > k)] * (len(vertices) - 1)
    inside = np.stack([(to[vertices[:-1]] >= 0) & (to[vertices[1:]] >= 0) for to in local])
    if not inside.any(axis=0).all():
        raise CheckError("a panel's line moved a seam of its piece", do="Please report this with the mesh.")
    return [k + int(i) for i in np.argmax(inside, axis=0)]

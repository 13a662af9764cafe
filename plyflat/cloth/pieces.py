"""From the flat pieces of an opened patch to templates with everything drawn on them."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely
from numpy.typing import ArrayLike
from shapely import LineString, Point, Polygon

from ..errors import ShapeError
from ..surface.crease import Crease, find_creases
from ..surface.mesh import Floats, Surface
from ._outline import SeamSide, cut_outline, free_edges, lap_of, net_outline, stop_holes
from .flatten import Flat, strain_of
from .marks import centre_mark, first_threads, lines_of, spread, warp_line
from .opening import Opened
from .template import Notch, Template, check_template

FACES = {"out": "this face to the bag", "in": "this face to the hull"}
# A direction that leans farther than this out of the surface has no use as an arrow on it (0.3: 73 degrees).
FLATTEST = 0.3


@dataclass(frozen=True)
class Frame:
    """How a flat shape is turned, and mirrored, to lie on the table with the cloth's warp along +x.

    Attributes
    ----------
    turn_rad : float
        Anticlockwise, before mirroring.
    mirrored : bool
        Turned over about the x axis.
    """

    turn_rad: float
    mirrored: bool

    def apply(self, xy: ArrayLike) -> Floats:
        """Return (k, 2) flat points or vectors as they lie on the table."""
        c, s = np.cos(self.turn_rad), np.sin(self.turn_rad)
        out = np.asarray(xy, dtype=np.float64) @ np.array([[c, s], [-s, c]])
        return out * [1.0, -1.0] if self.mirrored else out


def flat_directions(piece: Surface, uv_mm: Floats, direction: ArrayLike) -> tuple[Floats, Floats]:
    """Return a direction in space as it lies in the flat on each triangle.

    Parameters
    ----------
    piece : Surface
    uv_mm : (n, 2) float array, mm
    direction : (3,) float array
        Unit vector.

    Returns
    -------
    (m, 2) float array
        Unit vectors: the direction projected on the triangle and taken through the triangle's map to the flat.
    (m,) float array
        Length of the projection, 0 to 1: 0 where the surface is square to the direction.
    """
    d = np.asarray(direction, dtype=np.float64)
    n = piece.face_normals
    t = d - (n @ d)[:, None] * n
    p, q = piece.vertices_mm[piece.faces], uv_mm[piece.faces]
    a, b = p[:, 1] - p[:, 0], p[:, 2] - p[:, 0]
    aa, ab, bb = (a * a).sum(1), (a * b).sum(1), (b * b).sum(1)
    ta, tb = (t * a).sum(1), (t * b).sum(1)
    # Not divided by the square of twice the area, which changes no direction: slivers may have none.
    x, y = bb * ta - ab * tb, aa * tb - ab * ta
    w = x[:, None] * (q[:, 1] - q[:, 0]) + y[:, None] * (q[:, 2] - q[:, 0])
    size = np.linalg.norm(w, axis=1, keepdims=True)
    return w / np.where(size > 0, size, 1.0), np.linalg.norm(t, axis=1)


def warp_frame(
    piece: Surface, flat: Flat, warp: ArrayLike, *, angle_deg: float = 0.0, face_up: str = "out"
) -> tuple[Frame, float]:
    """Return the frame that lays the cloth's warp along +x, and how far the region's warp turns over the piece.

    A flat shape that has the cloth's warp along +x already is not turned; the angle is then to the stated direction.

    Parameters
    ----------
    piece : Surface
    flat : Flat
    warp : (3,) or (2, 3) float array
        The region's warp line as a direction, or two points along it in mm.
    angle_deg : float
        From the region's warp to the cloth's, anticlockwise seen from the air side.
    face_up : str
        "out" or "in": where the face that is up on the table ends.

    Returns
    -------
    Frame
    float
        95th percentile by area of the angle to the mean direction, degrees.

    Raises
    ------
    ShapeError
        If the piece is square to the warp line.
    """
    w = np.asarray(warp, dtype=np.float64)
    w = w[1] - w[0] if w.ndim == 2 else w
    d, size = flat_directions(piece, flat.uv_mm, w / np.linalg.norm(w))
    weight = piece.face_areas_mm2 * size**2
    mean = weight @ d
    if np.linalg.norm(mean) < 0.02 * piece.area_mm2:
        p = piece.vertices_mm[piece.faces].mean(axis=1).mean(axis=0)
        raise ShapeError(
            "the warp line is square to the surface here, or turns right round over the piece",
            where=f"piece at ({p[0]:.0f}, {p[1]:.0f}, {p[2]:.0f}) mm",
            do="State the region's warp by two points along the surface, or open it in more pieces.",
        )
    along = -np.radians(angle_deg) if flat.along_warp else np.arctan2(mean[1], mean[0])
    off = np.abs((np.arctan2(d[:, 1], d[:, 0]) - along + np.pi) % (2 * np.pi) - np.pi)
    seen = size > FLATTEST
    order = np.argsort(off[seen])
    share = np.cumsum(piece.face_areas_mm2[seen][order])
    at = min(int(np.searchsorted(share, 0.95 * share[-1])), len(share) - 1)
    return Frame(-along - np.radians(angle_deg), face_up == "in"), float(np.degrees(off[seen][order][at]))


def lines_in_space(lines: Sequence[LineString], piece: Surface, flat: Flat, frame: Frame) -> tuple[Floats, ...]:
    """Return where lines drawn on a template lie on the hull.

    Parameters
    ----------
    lines : sequence of LineString
        mm, on the table; for instance the joins of a split piece.
    piece : Surface
    flat : Flat
    frame : Frame
        See `warp_frame`.

    Returns
    -------
    tuple of (k, 3) float arrays, mm
    """
    uv = frame.apply(flat.uv_mm)
    laid = Surface(np.column_stack([uv, np.zeros(len(uv))]), piece.faces)
    out = []
    for line in lines:
        xy = shapely.get_coordinates(shapely.segmentize(line, piece.mean_edge_mm))
        spot = laid.locate(np.column_stack([xy, np.zeros(len(xy))]))
        out.append(np.einsum("ki,kij->kj", spot.weights, piece.vertices_mm[piece.faces[spot.face]]))
    return tuple(out)


def lines_on_table(
    lines_mm: Sequence[Floats], piece: Surface, flat: Flat, frame: Frame, *, near_mm: float = 5.0
) -> tuple[LineString, ...]:
    """Return where lines on the hull lie on a template; parts farther off the piece than stated are left out.

    Parameters
    ----------
    lines_mm : sequence of (k, 3) float arrays, mm
        For instance the joins of the ply below, to be kept clear of (see `split_for_roll`).
    piece : Surface
    flat : Flat
    frame : Frame
        See `warp_frame`.
    near_mm : float

    Returns
    -------
    tuple of LineString
    """
    uv = frame.apply(flat.uv_mm)
    out = []
    for line in lines_mm:
        spot = piece.locate(line)
        xy = np.einsum("ki,kij->kj", spot.weights, uv[piece.faces[spot.face]])
        near = spot.distance_mm <= near_mm
        runs = np.split(np.arange(len(xy)), np.flatnonzero(np.diff(near)) + 1)
        out += [LineString(xy[r]) for r in runs if len(r) > 1 and near[r[0]]]
    return tuple(out)


def make_templates(
    opened: Opened,
    flats: Sequence[Flat],
    *,
    region: str,
    ply: str,
    material: str,
    warp: ArrayLike,
    angle_deg: float = 0.0,
    face_up: str = "out",
    forward: ArrayLike = (1.0, 0.0, 0.0),
    up: ArrayLike = (0.0, 0.0, 1.0),
    lap_mm: float = 25.0,
    trim_mm: float = 10.0,
    notch_every_mm: float = 150.0,
    limit: float = 0.03,
    copies: int = 1,
    crease_deg: float = 30.0,
    crease_mm: float = 10.0,
    butts: Collection[int] = (),
) -> list[Template]:
    """Draw the templates of an opened patch's pieces.

    Parameters
    ----------
    opened : Opened
    flats : sequence of Flat
        One for each piece.
    region, ply, material : str
        For the label.
    warp : (3,) or (2, 3) float array
        The region's warp line as a direction, or two points along it in mm.
    angle_deg : float
        From the region's warp to the cloth's, anticlockwise seen from the air side.
    face_up : {"out", "in"}
        Where the face that is up on the cutting table ends: towards the air, or against the hull; then the
        template is the mirror image.
    forward, up : (3,) float arrays
        The boat's directions.
    lap_mm : float
        Width of the lap along a seam; the piece on the seam's left has it, the other one ends at the seam.
    trim_mm : float
        Margin beyond the net outline, not along seams.
    notch_every_mm : float
        Spacing of match notches; every seam has at least two.
    limit : float
        Strain limit for `Template.strain`, as a fraction.
    copies : int
    crease_deg, crease_mm : float
        What counts as a corner, see `find_creases`.
    butts : collection of int
        Seams, as indices into ``opened.seams``, at which both pieces end: they meet edge to edge, without a lap.

    Returns
    -------
    list of Template
        Pieces "A", "B" and so on, in the order of ``opened.pieces``, each checked.

    Raises
    ------
    ValueError
        If `face_up` is neither "out" nor "in".
    ShapeError
        If a piece or a lap lies over itself in the flat, or a piece is square to the warp line.
    CheckError
        If a template fails `check_template`.
    """
    if face_up not in FACES:
        raise ValueError(f"face_up is {face_up!r}; it must be 'out' or 'in'")
    drafts = []
    for k, (piece, flat) in enumerate(zip(opened.pieces, flats)):
        frame, turn_deg = warp_frame(piece, flat, warp, angle_deg=angle_deg, face_up=face_up)
        name = f"{region} / {ply} / {piece_name(k)}"
        drafts.append(_draft(opened, k, flat, frame, turn_deg, lap_mm, trim_mm, name, butts))
    folds = [_folds(d, crease_deg, crease_mm) for d in drafts]
    corners = _corner_marks(drafts, folds, crease_mm)
    out = []
    for k, (draft, flat) in enumerate(zip(drafts, flats)):
        notches = _seam_notches(draft, lap_mm, notch_every_mm) + corners[k]
        lines = [(line, c) for fold in folds[k] for line, c in _drawn(draft, fold)]
        centre = centre_mark(draft.net)
        start, warps, wefts = _threads(draft, flat)
        forward2, up2 = (_arrow(draft, flat, centre, d) for d in (forward, up))
        template = Template(
            region=region, ply=ply, piece=piece_name(k), material=material, face_up=FACES[face_up],
            mirrored=face_up == "in", net=draft.net, cut=draft.cut, laps=draft.laps, joins=_joins(draft, lap_mm),
            folds=tuple(g for g, _ in lines), fold_concave=tuple(c for _, c in lines), notches=tuple(notches),
            warp=warp_line(draft.net, centre), centre=centre, forward=forward2, up=up2,
            strain=strain_of(flat.stretch, draft.piece.face_areas_mm2, limit), angle_deg=angle_deg, copies=copies,
            warp_spread_deg=draft.turn_deg, start=start, warp_thread=warps, weft_thread=wefts,
        )
        check_template(template)
        out.append(template)
    return out


def piece_name(k: int) -> str:
    """Return "A" for 0, "Z" for 25, "AA" for 26."""
    return (piece_name(k // 26 - 1) if k >= 26 else "") + chr(65 + k % 26)


# -- outlines ------------------------------------------------------------------------------------------------------
@dataclass(frozen=True, eq=False)
class _Draft:
    """A piece on the table before it has its marks."""

    piece: Surface
    uv: Floats
    frame: Frame
    turn_deg: float
    seams: tuple[SeamSide, ...]
    net: Polygon
    laps: tuple[Polygon, ...]
    cut: Polygon
    lap_mm: float


def _draft(
    opened: Opened, k: int, flat: Flat, frame: Frame, turn_deg: float, lap_mm: float, trim_mm: float, name: str,
    butts: Collection[int],
) -> _Draft:
    piece = opened.pieces[k]
    uv = frame.apply(flat.uv_mm)
    seams = tuple(_seams_of(opened, k, uv, frame.mirrored, butts))
    net = stop_holes(net_outline(piece, uv, name), seams)
    laps: list[Polygon] = []
    if lap_mm > 0:
        for s in seams:
            if s.lapped and not s.butted:
                lap = lap_of(s, net, laps, lap_mm, name)
                laps += [] if lap.is_empty else [lap]
    cut = cut_outline(piece, uv, net, seams, laps, lap_mm, trim_mm)
    return _Draft(piece, uv, frame, turn_deg, seams, net, tuple(laps), cut, lap_mm)


def _seams_of(opened: Opened, k: int, uv: Floats, mirrored: bool, butts: Collection[int]) -> list[SeamSide]:
    """Return this piece's sides of the seams; what lies left of a line lies right of its mirror image."""
    found = []
    for j, (side, line) in enumerate(zip(opened.sides, opened.seams)):
        at = np.r_[0.0, np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))]
        left, right = side.left_vertices, side.right_vertices
        dart = side.left == side.right == k and left[-1] == right[-1]
        outs = ("left", "right") if mirrored else ("right", "left")
        ring = side.left == side.right and not dart
        for piece, lapped, out, own, other in (
            (side.left, True, outs[0], left, right), (side.right, False, outs[1], right, left),
        ):
            if piece == k:
                across, facing = (uv[other] if q else None for q in (dart, ring))
                found.append(SeamSide(j, lapped, out, own, uv[own], at, across, j in butts, facing))
    return found


def _joins(d: _Draft, lap_mm: float) -> tuple[LineString, ...]:
    """Return where a partner's edge lies: along the seam under a lap, a lap's width inside on the other side.

    At a butt it lies on the cut line itself, and nothing is drawn.
    """
    out: list[LineString] = []
    for s in d.seams:
        if lap_mm <= 0 or s.butted:
            continue
        if s.lapped:
            # At a dart's tip there is a hole, and no cloth to draw on.
            out += lines_of(LineString(s.uv).simplify(0.01).intersection(d.cut)) if s.across is not None else [
                LineString(s.uv).simplify(0.01)
            ]
        elif s.across is None:
            inner = shapely.offset_curve(LineString(s.uv).simplify(0.01), -s.sign * lap_mm, join_style="mitre")
            out += lines_of(inner.intersection(d.net))
    return tuple(out)


def _threads(d: _Draft, flat: Flat) -> tuple[Point, tuple[LineString, ...], tuple[LineString, ...]]:
    """Return the start and the two first threads of cloth that is laid by its threads, on the table."""
    if flat.start_uv_mm is None:
        return Point(), (), ()
    start = Point(d.frame.apply(flat.start_uv_mm))
    slits = [LineString(s.uv) for s in d.seams if s.across is not None]
    return start if d.net.contains(start) else Point(), *first_threads(d.net, start, slits, reach_mm=_reach(d.frame, flat))


def _reach(frame: Frame, flat: Flat) -> tuple[tuple[float, float], tuple[float, float]]:
    """How far the first threads run each way on the table, which may turn the flat piece over."""
    ways = np.diag(frame.apply(np.eye(2)) - frame.apply(np.zeros((2, 2))))
    (left, right), (down, up) = ((q if way > 0 else (-q[1], -q[0])) for way, q in zip(ways, flat.first_reach_mm))
    return (left, right), (down, up)


# -- notches -------------------------------------------------------------------------------------------------------
def _seam_notches(d: _Draft, lap_mm: float, every: float) -> list[Notch]:
    out = []
    for s in d.seams:
        # A dart closes by itself towards its tip: marks in its outer half are enough.
        long = float(s.at_mm[-1]) * (1.0 if s.across is None else 0.5)
        for i, at in enumerate(spread(0.0, long, every)):
            out.append(_seam_notch(d, s, at, lap_mm, f"J{s.number + 1}.{i + 1}"))
    return out


def _seam_notch(d: _Draft, s: SeamSide, at: float, lap_mm: float, mark: str) -> Notch:
    """Return the notch at an arc length along a seam, on the cut line: beyond the lap where there is one."""
    p, out = s.point(at), s.outward(at)
    if s.across is not None or s.facing is not None:
        return _dart_notch(d, s, p, out, mark)
    if s.lapped and not s.butted and lap_mm > 0:
        # In the corner of a seam the lap's edge lies farther off than the lap is wide.
        ray = LineString([p, p + 3 * lap_mm * out])
        far = (shapely.get_coordinates(ray.intersection(d.cut.boundary)) - p) @ out
        far = far[far > 0.5 * lap_mm]
        p = p + (far.min() if len(far) else lap_mm) * out
    return _on_cut(d.cut, p, -out, mark)


def _dart_notch(d: _Draft, s: SeamSide, p: Floats, out: Floats, mark: str) -> Notch:
    """Return the notch on a dart's side, or on the edge of its lap: never across the slit."""
    wide = LineString([p - 0.02 * out, p + max(3 * d.lap_mm, 1.0) * out])
    reach = 0.0
    for lap in d.laps if s.lapped and not s.butted else ():
        hits = shapely.get_coordinates(wide.intersection(lap))
        # The dart's own lap begins on the seam; another one may lie farther on.
        if len(hits) and ((hits - p) @ out).min() < 0.1:
            reach = float(((hits - p) @ out).max())
    return _on_cut(d.cut, p + reach * out, -out, mark)


def _on_cut(cut: Polygon, p: Floats, inward: Floats, mark: str) -> Notch:
    """Put a notch on the nearest place of the cut line, turned inward if the line there asks for it."""
    q = cut.boundary.interpolate(cut.boundary.project(Point(p)))
    at = np.array([q.x, q.y])
    inward = inward / np.linalg.norm(inward)
    if not cut.contains(Point(at + 0.01 * inward)):
        inward = _square(cut, at)
    return Notch((float(at[0]), float(at[1])), (float(inward[0]), float(inward[1])), mark)


def _square(cut: Polygon, at: Floats) -> Floats:
    """Return the direction that leads deepest into a polygon from a point on its outline."""
    turn = np.radians(np.arange(0, 360, 5))
    ways = np.stack([np.cos(turn), np.sin(turn)], axis=1)
    depth = [cut.boundary.distance(Point(at + w)) if cut.contains(Point(at + 0.01 * w)) else -1.0 for w in ways]
    return ways[int(np.argmax(depth))]


# -- corner lines --------------------------------------------------------------------------------------------------
@dataclass(frozen=True, eq=False)
class _Fold:
    """A corner line on the table. `ends`: for each end that runs out of the piece the seam and arc length there."""

    points: Floats
    concave: bool
    closed: bool
    ends: tuple[_End | None, _End | None]


@dataclass(frozen=True, eq=False)
class _End:
    """Where a corner line runs out. `seam`: index into the draft's seams, -1 for a free edge; `at_mm` along it."""

    seam: int
    at_mm: float


def _folds(d: _Draft, crease_deg: float, crease_mm: float) -> list[_Fold]:
    found = []
    for crease in find_creases(d.piece, angle_deg=crease_deg, scale_mm=crease_mm):
        points = _flat_points(d, crease)
        if _along_seam(d, points, crease_mm):
            continue
        ends = (None, None) if crease.closed else (_end(d, points[0], crease_mm), _end(d, points[-1], crease_mm))
        found.append(_Fold(points, crease.concave, crease.closed, ends))
    return found


def _flat_points(d: _Draft, crease: Crease) -> Floats:
    spot = d.piece.locate(crease.points_mm)
    return np.einsum("ki,kij->kj", spot.weights, d.uv[d.piece.faces[spot.face]])


def _along_seam(d: _Draft, points: Floats, near_mm: float) -> bool:
    """Whether a corner line is hardly more than the seam itself: most of it lies close beside one."""
    for s in d.seams:
        off = shapely.distance(LineString(s.uv), shapely.points(points))
        if np.mean(off < near_mm) > 0.5:
            return True
    return False


def _end(d: _Draft, p: Floats, near_mm: float) -> _End | None:
    """Return where a corner line's end runs out of the piece; None if it fades out inside."""
    if d.net.boundary.distance(Point(p)) > 1.5 * near_mm:
        return None
    free = free_edges(d.net, d.seams).distance(Point(p))
    off = [LineString(s.uv).distance(Point(p)) for s in d.seams]
    if not off or min(off) > free:
        return _End(-1, 0.0)
    k = int(np.argmin(off))
    return _End(k, d.seams[k].nearest(p))


def _corner_marks(drafts: Sequence[_Draft], folds: list[list[_Fold]], near_mm: float) -> list[list[Notch]]:
    """Mark where corner lines reach the cut line; the two pieces that meet there carry the same number."""
    notches: list[list[Notch]] = [[] for _ in drafts]
    number = 0
    open_: dict[tuple[int, bool], list[tuple[int, int, int]]] = {}
    for k, fs in enumerate(folds):
        for i, f in enumerate(fs):
            for e, end in enumerate(f.ends):
                if end is not None and end.seam >= 0:
                    s = drafts[k].seams[end.seam]
                    open_.setdefault((s.number, s.lapped), []).append((k, i, e))
                elif end is not None:
                    number += 1
                    notch = _edge_notch(drafts[k], f, e, f"C{number}")
                    notches[k].append(notch)
                    fs[i] = f = _led_to(f, e, notch.at_mm)
    for (seam, lapped), ends in sorted(open_.items()):
        for k, i, e in ends:
            at = _end_at(folds, (k, i, e))
            partner = _partner(folds, open_.get((seam, not lapped), []), at, near_mm)
            if partner is not None and not lapped:
                continue
            number += 1
            at = at if partner is None else 0.5 * (at + _end_at(folds, partner))
            for kk, ii, ee in [(k, i, e)] + ([partner] if partner else []):
                _meet(drafts, folds, notches, (kk, ii, ee), at, f"C{number}")
    return notches


def _end_at(folds: list[list[_Fold]], which: tuple[int, int, int]) -> float:
    k, i, e = which
    end = folds[k][i].ends[e]
    return end.at_mm if end is not None else 0.0


def _partner(
    folds: list[list[_Fold]], others: list[tuple[int, int, int]], at: float, near_mm: float
) -> tuple[int, int, int] | None:
    """Return the other piece's corner line that runs out at the same place of the seam."""
    if not others:
        return None
    off = [abs(_end_at(folds, o) - at) for o in others]
    return others[int(np.argmin(off))] if min(off) <= 1.5 * near_mm else None


def _meet(
    drafts: Sequence[_Draft], folds: list[list[_Fold]], notches: list[list[Notch]],
    which: tuple[int, int, int], at: float, mark: str,
) -> None:
    """Lead a corner line to the place on the seam where its partner meets it, and notch the cut line there."""
    k, i, e = which
    d, fold = drafts[k], folds[k][i]
    end = fold.ends[e]
    s = d.seams[end.seam if end is not None else 0]
    p = s.point(at)
    notch = _seam_notch(d, s, at, d.lap_mm, mark)
    notches[k].append(notch)
    folds[k][i] = _led_to(_led_to(fold, e, p), e, notch.at_mm)


def _led_to(fold: _Fold, e: int, p: Floats | tuple[float, float]) -> _Fold:
    """Return a corner line with one end led to a point; what lies within 1 mm of it gives way."""
    points, goal = fold.points[::-1] if e == 0 else fold.points, np.asarray(p, dtype=np.float64)
    keep = np.flatnonzero(np.linalg.norm(points - goal, axis=1) > 1.0)
    points = np.concatenate([points[: int(keep[-1]) + 1] if len(keep) else points[:1], [goal]])
    return replace(fold, points=points[::-1] if e == 0 else points)


def _edge_notch(d: _Draft, fold: _Fold, e: int, mark: str) -> Notch:
    """Return the notch where a corner line, carried straight on, meets the cut line at a free edge."""
    end, way = _run_out(fold, e)
    size = d.cut.length
    hits = shapely.get_coordinates(LineString([end - 1e-6 * way, end + size * way]).intersection(d.cut.boundary))
    if len(hits) == 0:
        return _on_cut(d.cut, end, -way, mark)
    far = (hits - end) @ way
    return _on_cut(d.cut, end + float(far.min()) * way, -way, mark)


def _run_out(fold: _Fold, e: int) -> tuple[Floats, Floats]:
    """Return a corner line's end and the direction it runs out in, taken over its last 5 mm."""
    points = fold.points[::-1] if e == 0 else fold.points
    end = points[-1]
    far = np.linalg.norm(points - end, axis=1)
    back = points[int(np.flatnonzero(far >= min(5.0, float(far.max())))[-1])]
    return end, (end - back) / np.linalg.norm(end - back)


def _drawn(d: _Draft, fold: _Fold) -> list[tuple[LineString, bool]]:
    """Return a corner line's parts on the cloth."""
    return [(g, fold.concave) for g in lines_of(LineString(fold.points).intersection(d.cut.buffer(1e-7)))]


# -- arrows --------------------------------------------------------------------------------------------------------
def _arrow(d: _Draft, flat: Flat, centre: Point, direction: ArrayLike) -> tuple[float, float] | None:
    """Return a direction on the boat as it lies on the table at the centre mark."""
    way = np.asarray(direction, dtype=np.float64)
    face = _face_at(d, np.array([centre.x, centre.y]))
    tri, used = d.piece.sub(np.array([face]))
    w, size = flat_directions(tri, flat.uv_mm[used], way / np.linalg.norm(way))
    if size[0] < FLATTEST:
        return None
    x, y = d.frame.apply(w)[0]
    norm = float(np.hypot(x, y))
    return float(x / norm), float(y / norm)


def _face_at(d: _Draft, p: Floats) -> int:
    q = np.column_stack([d.uv, np.zeros(len(d.uv))])
    return int(Surface(q, d.piece.faces).locate(np.array([[*p, 0.0]])).face[0])

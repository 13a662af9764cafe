"""Choose where a ring is opened: tried out on a coarse smooth copy of the patch.

The strain a seam takes away lies within about half the ring's width of it, so seams are put where, together, they
cover most of the strain.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
import scipy.sparse as sp
from scipy.sparse.csgraph import dijkstra
from scipy.spatial import cKDTree
from shapely import LineString, Polygon

from ..errors import MeshError, ShapeError
from ..surface._smooth import work_copy
from ..surface.cut import label_faces, mesh_edges, refine
from ..surface.mesh import Floats, Ints, Surface
from ._cutting import Opened, along_rim, corner_angles, cut_along, edge_path, on_rim, split_rim
from ._patch import without_area
from .flatten import Flat, flatten
from .marks import lap_strip

DRAFT_FACES = 4000
PLACES = 48
NOWHERE = np.zeros((0, 3))
# A seam a tenth longer than the shortest has to cover this share more of the strain.
LENGTH_COST = 0.05
EVEN = 0.3
# Ways along edges are longer than straight ones, by more on a coarse mesh: ends up to so much farther are looked at.
FAN = 1.5
# Seams that differ by less than this share of their length count as equally short.
AS_SHORT = 0.01
# A nose or tail has at least this much curvature in one place.
SHARP_RAD = 0.5
# Fewer pieces win unless more bring the share of area above the limit down by this.
WORTH = 0.02
# Sides of a draft's jagged seam that lie over each other by no more than this share of a face only touch.
TOUCHING = 1e-3
# Beyond the number of pieces asked for, for laps that fit only so.
EXTRA = 6


#: Whether a piece fits the roll as it lies flat.
Fits = Callable[[Surface, Flat], bool]


@dataclass(frozen=True, eq=False)
class Ends:
    """The patch's vertices at the two ends of a seam: on the opening, and on the outer edge."""

    start: int
    goal: int


@dataclass(frozen=True, eq=False)
class Start:
    """Where a seam begins.

    Attributes
    ----------
    hole : int
        The opening.
    point_mm : (3,) float array
        On its rim.
    turned : bool
        Whether the seam runs inward, so that its lap is on the other side.
    """

    hole: int
    point_mm: Floats
    turned: bool = False


@dataclass(frozen=True, eq=False)
class _Ring:
    """Places round an opening where a seam could start.

    Attributes
    ----------
    path : list of (k,) int arrays
        The draft's vertices from the opening outward.
    at_mm : (c,) float array
        Where along the opening each starts.
    length_mm : (c,) float array
        Of the path.
    round_mm : float
        Length of the opening's rim.
    """

    path: list[Ints]
    at_mm: Floats
    length_mm: Floats
    round_mm: float

    def apart(self, at_mm: Floats) -> Floats:
        """Distance along the rim from each place to each of (b,) positions, (c, b)."""
        d = np.abs(self.at_mm[:, None] - at_mm[None, :]) % self.round_mm
        return np.minimum(d, self.round_mm - d)


@dataclass(frozen=True, eq=False)
class _Trial:
    """What came of flattening the draft with some seams.

    Attributes
    ----------
    picks : tuple of tuple of int
        The places taken of each ring.
    share : float
        Share of the area above the strain limit.
    lies_flat : bool
        No piece or lap lies over itself.
    fits : bool
        Every piece fits the roll whole.
    excess : (m,) float array
        Area times strain above the limit of each of the draft's faces, mm².
    """

    picks: tuple[tuple[int, ...], ...]
    share: float
    lies_flat: bool
    fits: bool
    excess: Floats


@dataclass(eq=False)
class _Draft:
    """The coarse copy with its rings; `fits` tells whether a flat piece fits the roll."""

    surface: Surface
    rings: list[_Ring]
    hole_of: Ints
    rim_at: Floats
    rim_of: Ints
    limit: float
    lap_mm: float
    fits: Fits | None = None
    demand: list[Floats] = field(default_factory=list)


def choose_seams(
    surface: Surface,
    holes: tuple[Ints, ...],
    *,
    wanted: Floats,
    most: int,
    limit: float,
    over_share: float,
    lap_mm: float,
    shift_mm: float = 0.0,
    fits: Fits | None = None,
) -> list[Start]:
    """Return where the seams that open a patch start; for parameters see `open_patch`."""
    draft, fixed, tried = _grown(surface, holes, wanted, most, limit, over_share, lap_mm, shift_mm, fits)
    return _starts_of(draft, fixed, _best(tried, over_share))


def seam_ladder(
    surface: Surface, holes: tuple[Ints, ...], *, most: int, limit: float, lap_mm: float, fits: Fits | None = None
) -> list[list[Start]]:
    """Return where seams start for every number of pieces that lies flat, the fewest first; see `open_patch`.

    The draft's strain is too rough to tell which of them is worth its laps: that is for the patch itself to say.
    """
    draft, fixed, tried = _grown(surface, holes, NOWHERE, most, limit, 0.0, lap_mm, 0.0, fits)
    return [_starts_of(draft, fixed, trial) for trial in _sound(tried)]


def _grown(
    surface: Surface, holes: tuple[Ints, ...], wanted: Floats, most: int, limit: float, over_share: float, lap_mm: float,
    shift_mm: float, fits: Fits | None,
) -> tuple[_Draft, list[tuple[int, ...]], list[_Trial]]:
    """Try a draft out with a seam at a time, until the strain is within its limit or there are pieces enough."""
    draft = draft_of(surface, holes, limit, lap_mm, fits=fits, wanted=wanted, shift_mm=shift_mm)
    fixed = _wanted_places(draft, wanted, shift_mm)
    picks = tuple(f or _pick(r, d, 1) for r, d, f in zip(draft.rings, _first_demand(draft), fixed))
    free = [k for k, f in enumerate(fixed) if not f]
    first = _try(draft, picks)
    good = [first]
    if not _done(first, over_share, most, bool(free)):
        draft.demand = _strain_demand(draft, first, free)
        good = _add_seams(draft, first, fixed, free, most, over_share)
    return draft, fixed, good


def _starts_of(draft: _Draft, fixed: list[tuple[int, ...]], best: _Trial) -> list[Start]:
    """Return where the seams of a trial start."""
    v = draft.surface.vertices_mm
    return [
        Start(k, v[_centred(draft, k, c) if c not in fixed[k] else ring.path[c][0]])
        for k, (ring, picks) in enumerate(zip(draft.rings, best.picks))
        for c in picks
    ]


def _pieces(picks: tuple[tuple[int, ...], ...]) -> int:
    return sum(map(len, picks)) - len(picks) + 1


def _done(trial: _Trial, over_share: float, most: int, may_add: bool) -> bool:
    if not trial.lies_flat:
        return False
    if not trial.fits and may_add:
        return _pieces(trial.picks) >= most
    return trial.share <= over_share or _pieces(trial.picks) >= most or not may_add


def _best(trials: list[_Trial], over_share: float) -> _Trial:
    sound = _sound(trials)
    least = min(t.share for t in sound)
    return next(t for t in sound if t.share <= max(over_share, least + WORTH))


def _sound(trials: list[_Trial]) -> list[_Trial]:
    """Those that lie flat and fit the roll; where none does, the last, or those that lie flat."""
    sound = [t for t in trials if t.lies_flat] or trials[-1:]
    return [t for t in sound if t.fits] or sound


def _add_seams(
    draft: _Draft,
    first: _Trial,
    fixed: list[tuple[int, ...]],
    free: list[int],
    most: int,
    over_share: float,
) -> list[_Trial]:
    """Add a seam at a time where the strain is, laid out afresh each time, until all is well."""
    trials, now = [first], first
    while not _done(now, over_share, most, bool(free)) and _pieces(now.picks) < max(most, 2) + EXTRA:
        grow = free or list(range(len(fixed)))
        k = max(grow, key=lambda j: float(draft.demand[j].sum()) / (1 + len(now.picks[j])))
        more = _pick(draft.rings[k], draft.demand[k], len(now.picks[k]) + 1, fixed[k])
        if len(more) <= len(now.picks[k]):
            break
        picks = tuple(more if j == k else p for j, p in enumerate(now.picks))
        now = _try(draft, picks)
        trials.append(now)
    return trials


# -- the draft -----------------------------------------------------------------------------------------------------
def draft_of(
    surface: Surface,
    holes: tuple[Ints, ...],
    limit: float,
    lap_mm: float,
    *,
    fits: Fits | None = None,
    wanted: Floats = NOWHERE,
    starts_mm: Floats = NOWHERE,
    shift_mm: float = 0.0,
    places: int = PLACES,
) -> _Draft:
    """Return the coarse copy of a patch with the places where its openings may be cut open.

    The places are spread evenly round each rim. On top come those nearest to the points in `wanted`, moved along the
    rim by `shift_mm`, and the points of the rims nearest to `starts_mm`.
    """
    coarse = _coarse(Surface(work_copy(surface), surface.faces))
    loops = same_loops(surface, holes, coarse)
    asked = [np.r_[a, b] for a, b in zip(_asked(coarse, loops, wanted, shift_mm), _nearest(coarse, loops, starts_mm))]
    for k, loop in enumerate(loops):
        total = along_rim(coarse.vertices_mm[loop])[1]
        coarse, _ = split_rim(coarse, loop, np.r_[np.arange(places) * total / places, asked[k]], smooth=False)
    loops = [rim_through(coarse, int(q[0])) for q in loops]
    hole_of, at_mm = _ring_coordinate(coarse, loops)
    rings = [_ring(coarse, loops, k, asked[k], places) for k in range(len(loops))]
    rim_of = np.full(len(coarse.vertices_mm), -1, dtype=np.int64)
    for k, q in enumerate(loops):
        rim_of[q] = k
    return _Draft(coarse, rings, hole_of, at_mm, rim_of, limit, lap_mm, fits)


def _asked(coarse: Surface, loops: list[Ints], wanted: Floats, shift_mm: float) -> list[Floats]:
    """Return, for each opening, where along its rim the seams asked for are."""
    label, at_mm = _ring_coordinate(coarse, loops)
    v = cKDTree(coarse.vertices_mm).query(wanted)[1].astype(np.int64)
    rounds = [along_rim(coarse.vertices_mm[q])[1] for q in loops]
    return [(at_mm[v[label[v] == k]] + shift_mm) % rounds[k] for k in range(len(loops))]


def _nearest(coarse: Surface, loops: list[Ints], points_mm: Floats) -> list[Floats]:
    """Return, for each opening, the places on its rim that are nearest to points by the rims."""
    rims = [coarse.vertices_mm[q] for q in loops]
    off = np.array([cKDTree(rim).query(points_mm)[0] for rim in rims])
    mine = np.argmin(off, axis=0)
    return [np.array([on_rim(rim, p) for p in points_mm[mine == k]]) for k, rim in enumerate(rims)]


def rim_through(surface: Surface, vertex: int) -> Ints:
    """Return the boundary loop through a vertex, from there."""
    for q in surface.boundary_loops:
        at = np.flatnonzero(q == vertex)
        if len(at):
            return np.roll(q, -int(at[0]))
    raise ShapeError(f"vertex {vertex} lies on no edge of the patch", do="Please report this with the mesh.")


def _coarse(surface: Surface) -> Surface:
    """Return a copy of a few thousand faces with the same topology, or the surface itself."""
    if len(surface.faces) < 1.5 * DRAFT_FACES:
        return surface
    import fast_simplification
    import igl

    v, f = surface.vertices_mm.copy(), surface.faces.astype(np.int32)
    for way in (
        lambda: fast_simplification.simplify(v, f, target_count=DRAFT_FACES // 2),
        lambda: igl.qslim(np.asfortranarray(v), np.asfortranarray(f), DRAFT_FACES // 2)[:2],
    ):
        cv, cf = way()
        used, inverse = np.unique(cf, return_inverse=True)
        coarse = Surface(np.asarray(cv, dtype=np.float64)[used], inverse.reshape(-1, 3))
        if _signature(coarse) == _signature(surface):
            # Flat parts are left with few large faces, too few for seams to go straight.
            return refine(coarse, math.sqrt(4 * surface.area_mm2 / DRAFT_FACES)).surface
    return surface


def _signature(surface: Surface) -> tuple[int, int, int, int]:
    """Parts, boundary loops, Euler number and the most faces on an edge: what a coarse copy must keep."""
    f, n = surface.faces, len(surface.vertices_mm)
    e = mesh_edges(f, n)
    most = int(np.bincount(e.of_face.ravel()).max())
    if most > 2 or without_area(surface).any():
        return (-1, -1, -1, most)
    parts = len(np.unique(label_faces(surface, np.zeros((0, 2), dtype=np.int64))))
    try:
        loops = len(surface.boundary_loops)
    except MeshError:
        loops = -1
    return (parts, loops, len(np.unique(f)) - len(e.ends) + len(f), most)


def same_loops(surface: Surface, holes: tuple[Ints, ...], coarse: Surface) -> list[Ints]:
    """Find the openings' rims on the coarse copy."""
    if coarse.faces is surface.faces:
        return list(holes)
    left = list(coarse.boundary_loops)
    found = []
    for q in (*holes, *surface.boundary_loops):
        tree = cKDTree(surface.vertices_mm[q])
        near = [float(tree.query(coarse.vertices_mm[g])[0].mean()) for g in left]
        found.append(left[int(np.argmin(near))])
    return found[: len(holes)]


def _graph(surface: Surface, keep: np.ndarray) -> sp.csr_array:
    v, n = surface.vertices_mm, len(surface.vertices_mm)
    e = mesh_edges(surface.faces, n).ends
    e = e[keep[e].all(axis=1)]
    length = np.linalg.norm(v[e[:, 0]] - v[e[:, 1]], axis=1)
    rows, cols = np.r_[e[:, 0], e[:, 1]], np.r_[e[:, 1], e[:, 0]]
    return sp.csr_array((np.r_[length, length], (rows, cols)), shape=(n, n))


def _ring_coordinate(surface: Surface, loops: list[Ints]) -> tuple[Ints, Floats]:
    """For each vertex the nearest opening, and the arc length of the nearest place on its rim."""
    n = len(surface.vertices_mm)
    hole, at = np.zeros(n, dtype=np.int64), np.zeros(n)
    for k, q in enumerate(loops):
        hole[q], at[q] = k, along_rim(surface.vertices_mm[q])[0]
    graph = _graph(surface, np.ones(n, dtype=bool))
    source = dijkstra(graph, indices=np.concatenate(loops), min_only=True, return_predecessors=True)[2]
    return hole[source], at[source]


def _ring(surface: Surface, loops: list[Ints], k: int, also_mm: Floats, count: int = PLACES) -> _Ring:
    """Find the ways from places round an opening to the outer edge (or to another opening that is opened).

    The places are spread evenly; those asked for come on top.
    """
    n = len(surface.vertices_mm)
    targets = np.concatenate([surface.boundary_loops[0], *(q for j, q in enumerate(loops) if j != k)])
    inner = np.ones(n, dtype=bool)
    inner[np.concatenate(surface.boundary_loops)] = False
    open_ = inner.copy()
    open_[targets] = True
    far, came, _ = dijkstra(_graph(surface, open_), indices=targets, min_only=True, return_predecessors=True)
    step = _graph(surface, np.ones(n, dtype=bool))
    at, total = along_rim(surface.vertices_mm[loops[k]])
    spots = np.r_[np.arange(count) * total / count, also_mm]
    # The rim has a vertex at each of them, or near enough.
    off = np.abs(at[None, :] - spots[:, None])
    places = np.unique(np.argmin(np.minimum(off, total - off), axis=1))
    rows = [(at[i], *_way(int(loops[k][i]), step, far, came, inner)) for i in places]
    rows = [r for r in rows if len(r[1]) > 1]
    if not rows:
        p = surface.vertices_mm[loops[k][0]]
        raise ShapeError(
            "the ring is a single triangle wide and cannot be opened",
            where=f"({p[0]:.1f}, {p[1]:.1f}, {p[2]:.1f}) mm",
            do="Use a finer mesh there.",
        )
    length = np.array([d for *_, d in rows])
    return _Ring([w for _, w, _ in rows], np.array([a for a, *_ in rows]), length, total)


def _way(start: int, step: sp.csr_array, far: Floats, came: Ints, inner: np.ndarray) -> tuple[Ints, float]:
    """Return the shortest way from a rim vertex through the inside, and its length; empty where there is none."""
    row = slice(step.indptr[start], step.indptr[start + 1])
    to, d = step.indices[row], step.data[row]
    total = np.where(inner[to], d + far[to], np.inf)
    if len(to) == 0 or not np.isfinite(total.min()):
        return np.zeros(0, dtype=np.int64), math.inf
    way = [start, int(to[np.argmin(total)])]
    while came[way[-1]] >= 0:
        way.append(int(came[way[-1]]))
    return np.array(way, dtype=np.int64), float(total.min())


# -- what is wanted where ------------------------------------------------------------------------------------------
def _bins(ring: _Ring) -> Floats:
    return np.arange(3 * PLACES) * ring.round_mm / (3 * PLACES)


def _into_bins(draft: _Draft, k: int, hole: Ints, at_mm: Floats, weight: Floats) -> Floats:
    ring = draft.rings[k]
    here = hole == k
    slot = np.floor(at_mm[here] / ring.round_mm * 3 * PLACES).astype(np.int64) % (3 * PLACES)
    return np.asarray(np.bincount(slot, weight[here], minlength=3 * PLACES), dtype=np.float64)


def _first_demand(draft: _Draft) -> list[Floats]:
    """Curvature gathered round each ring, before anything has been flattened."""
    s = draft.surface
    bend = 2 * np.pi - corner_angles(s)
    bend[np.concatenate(s.boundary_loops)] = 0.0
    return [
        np.abs(_blurred(_into_bins(draft, k, draft.hole_of, draft.rim_at, bend), r))
        for k, r in enumerate(draft.rings)
    ]


def _reach(ring: _Ring) -> float:
    return min(0.5 * float(np.median(ring.length_mm)), 0.25 * ring.round_mm)


def _blurred(demand: Floats, ring: _Ring) -> Floats:
    """Smooth round the ring over half a seam's reach; the noise of neighbouring vertices cancels."""
    d = np.arange(len(demand)) * ring.round_mm / len(demand)
    d = np.minimum(d, ring.round_mm - d)
    kernel = np.exp(-((d / (0.5 * _reach(ring))) ** 2))
    return np.real(np.fft.ifft(np.fft.fft(demand) * np.fft.fft(kernel / kernel.sum())))


def _strain_demand(draft: _Draft, first: _Trial, free: list[int]) -> list[Floats]:
    """Strain round each ring, from a trial and one with the seams opposite: near a seam the other one counts."""
    hole, at = draft.hole_of[draft.surface.faces[:, 0]], draft.rim_at[draft.surface.faces[:, 0]]
    here = [_into_bins(draft, k, hole, at, first.excess) for k in range(len(draft.rings))]
    if not free:
        return here
    turned = []
    for k, (ring, picks) in enumerate(zip(draft.rings, first.picks)):
        away = ring.apart(ring.at_mm[list(picks)]).min(axis=1)
        turned.append((int(np.argmax(away)),) if k in free else picks)
    other = _try(draft, tuple(turned))
    out = []
    for k, ring in enumerate(draft.rings):
        there = _into_bins(draft, k, hole, at, other.excess)
        near = ring.apart(_bins(ring))
        nearer = near[list(first.picks[k])].min(axis=0) < near[list(turned[k])].min(axis=0)
        out.append(np.where(nearer, there, here[k]))
    return out


def _pick(ring: _Ring, demand: Floats, count: int, fixed: tuple[int, ...] = ()) -> tuple[int, ...]:
    """Choose places that together cover the demand best, keeping some of them fixed."""
    reach = np.exp(-((ring.apart(_bins(ring)) / _reach(ring)) ** 2))
    even = np.full(len(demand), 1 / len(demand))
    # Some of the weight is spread evenly, so that a round post is shared out in equal pieces.
    weight = (1 - EVEN) * demand / demand.sum() + EVEN * even if demand.sum() > 0 else even
    cost = LENGTH_COST * 10 * (ring.length_mm / ring.length_mm.min() - 1)
    apart = ring.apart(ring.at_mm)

    def value(picks: list[int]) -> float:
        """What a choice of lines reaches, less what they cost by their length."""
        return float(weight @ reach[picks].max(axis=0) - cost[picks].mean())

    def open_to(picks: list[int]) -> list[int]:
        """The lines that keep room from those picked."""
        room = ring.round_mm / (2.5 * count)
        far = apart[:, picks].min(axis=1) >= room if picks else np.ones(len(apart), dtype=bool)
        return [int(c) for c in np.flatnonzero(far)]

    picks = list(fixed)
    while len(picks) < count and (options := open_to(picks)):
        picks.append(max(options, key=lambda c: value([*picks, c])))
    return tuple(sorted(_exchanged(picks, len(fixed), value, open_to)))


def _exchanged(
    picks: list[int],
    fixed: int,
    value: Callable[[list[int]], float],
    open_to: Callable[[list[int]], list[int]],
) -> list[int]:
    """Move one place at a time while that helps."""
    for _ in range(20):
        before = list(picks)
        for i in range(fixed, len(picks)):
            rest = picks[:i] + picks[i + 1 :]
            best = max([picks[i], *open_to(rest)], key=lambda c: value([*rest, c]))
            picks[i] = best
        if picks == before:
            break
    return picks


def _centred(draft: _Draft, k: int, c: int) -> int:
    """Return the rim vertex for a place, moved onto the nose or tail if it lies beside one.

    The place nearest to a nose or tail may be half a spacing off, and the seam would lean by half the turn there.
    """
    s, ring = draft.surface, draft.rings[k]
    start = int(ring.path[c][0])
    bend = 2 * np.pi - corner_angles(s)
    bend[np.concatenate(s.boundary_loops)] = 0.0
    here = draft.hole_of == k
    step = ring.round_mm / PLACES
    centre = float(ring.at_mm[c])
    for _ in range(20):
        off = (draft.rim_at[here] - centre + 0.5 * ring.round_mm) % ring.round_mm - 0.5 * ring.round_mm
        weight = bend[here] * np.exp(-((off / step) ** 2))
        if abs(weight.sum()) < SHARP_RAD:
            return start
        centre += float(weight @ off / weight.sum())
    if float(ring.apart(np.array([centre]))[c, 0]) > step:
        return start
    rim = np.flatnonzero(here & (draft.rim_of == k))
    off = np.abs(draft.rim_at[rim] - centre % ring.round_mm)
    return int(rim[np.argmin(np.minimum(off, ring.round_mm - off))])


def _wanted_places(draft: _Draft, wanted: Floats, shift_mm: float) -> list[tuple[int, ...]]:
    """Find the places nearest to where seams are asked for, moved along the rim by the shift."""
    picks: list[list[int]] = [[] for _ in draft.rings]
    for p in wanted:
        v = int(cKDTree(draft.surface.vertices_mm).query(p)[1])
        k = int(draft.hole_of[v])
        ring = draft.rings[k]
        off = ring.apart((draft.rim_at[[v]] + shift_mm) % ring.round_mm)[:, 0]
        off[picks[k]] = np.inf
        if np.isfinite(off.min()):
            picks[k].append(int(np.argmin(off)))
    return [tuple(sorted(q)) for q in picks]


# -- trying out ----------------------------------------------------------------------------------------------------
def _try(
    draft: _Draft, picks: tuple[tuple[int, ...], ...], turned: tuple[tuple[bool, ...], ...] = ()
) -> _Trial:
    """Cut the draft along the seams and flatten it; turned seams have their laps on the other side."""
    s = draft.surface
    paths = _separate(s, [ring.path[c] for ring, cs in zip(draft.rings, picks) for c in cs])
    back = [t for ts in turned for t in ts] or [False] * len(paths)
    opened = cut_along(s, [p[::-1] if t else p for p, t in zip(paths, back)])
    excess, over, lies_flat, fits = [], 0.0, True, True
    for k, piece in enumerate(opened.pieces):
        flat = flatten(piece)
        strain = np.abs(flat.stretch - 1).max(axis=1)
        excess.append(piece.face_areas_mm2 * np.maximum(strain - draft.limit, 0.0))
        over += float(piece.face_areas_mm2[strain > draft.limit].sum())
        over_itself = flat.overlap_mm2 > TOUCHING * s.mean_edge_mm**2
        lies_flat &= not over_itself and laps_fit(opened, k, flat.uv_mm, draft.lap_mm)
        fits = fits and (draft.fits is None or draft.fits(piece, flat))
    return _Trial(picks, over / s.area_mm2, bool(lies_flat), fits, _in_order(opened, excess, len(s.faces)))


def _in_order(opened: Opened, values: list[Floats], m: int) -> Floats:
    out = np.zeros(m)
    for faces, v in zip(opened.faces, values):
        out[faces] = v
    return out


def _separate(surface: Surface, paths: list[Ints]) -> list[Ints]:
    """Lead a path that runs into an earlier one to an end of its own."""
    out: list[Ints] = []
    rim = surface.boundary_loops[0]
    for p in paths:
        taken = np.concatenate([np.zeros(0, dtype=np.int64), *out])
        if np.isin(p, taken).any():
            p = edge_path(surface, int(p[0]), rim, keep_off=out)
        out.append(p)
    return out


def laps_fit(opened: Opened, k: int, uv: Floats, lap_mm: float) -> bool:
    """Whether the laps of a flat piece lie beside it and not on it."""
    if lap_mm <= 0:
        return True
    piece, edge = opened.pieces[k], opened.pieces[k].mean_edge_mm
    core = Polygon(uv[piece.boundary_loops[0]]).buffer(-edge)
    for side in opened.sides:
        if side.left == k:
            line = LineString(uv[side.left_vertices]).simplify(edge)
            if lap_strip(line, lap_mm, side="right").intersects(core):
                return False
    return True


# -- on the patch itself -------------------------------------------------------------------------------------------
@dataclass(eq=False)
class Outward:
    """Shortest ways from an opening's rim to the outer edges, on the patch itself.

    Attributes
    ----------
    walk : Surface
        The patch, smoothed where it is noisy.
    rims : list of (k,) int arrays
        Boundary loops that seams start from or end on; the outer one first.
    clear_mm : float
        Least distance between the ends of two seams on an edge.
    """

    walk: Surface
    rims: list[Ints]
    clear_mm: float

    def __post_init__(self) -> None:
        import potpourri3d

        self._solver = potpourri3d.EdgeFlipGeodesicSolver(self.walk.vertices_mm, self.walk.faces)
        self._edges = _graph(self.walk, np.ones(len(self.walk.vertices_mm), dtype=bool))
        self._goals: list[Floats] = []

    def goal(self, k: int, start: int) -> tuple[int, Floats]:
        """Return where the shortest way out of opening k from a vertex on its rim ends: the rim, and the point of it."""
        v = self.walk.vertices_mm
        to = np.concatenate([q for j, q in enumerate(self.rims) if j != k + 1])
        if self._goals:
            clear = cKDTree(np.array(self._goals)).query(v[to])[0]
            to = to[clear >= min(self.clear_mm, 0.5 * float(clear.max()))]
        far = dijkstra(self._edges, indices=start)[to]
        point, near = self._straight(start, to[far <= FAN * far.min()])
        rim = next(j for j, q in enumerate(self.rims) if near in q)
        self._goals.append(point)
        return rim, point

    def _straight(self, start: int, to: Ints) -> tuple[Floats, int]:
        """Return the middle of the ends that are as near as makes no difference, and the end nearest to it.

        Round a sharp trailing edge they fan out over a whole arc.
        """
        v = self.walk.vertices_mm
        some, length = self._ways(start, to)
        best = some[int(np.argmin(length))]
        some, length = self._ways(start, to[np.linalg.norm(v[to] - v[best], axis=1) <= 0.5 * length.min()])
        best = some[int(np.argmin(length))]
        weight = np.maximum(1 + AS_SHORT - length / length.min(), 0.0)
        weight[np.linalg.norm(v[some] - v[best], axis=1) > length.min()] = 0.0
        middle = weight @ v[some] / weight.sum()
        return middle, int(to[cKDTree(v[to]).query(middle)[1]])

    def _ways(self, start: int, to: Ints) -> tuple[Ints, Floats]:
        """Return some of the ends, spread over all, and the lengths of the straight ways there."""
        some = np.unique(to[np.linspace(0, len(to) - 1, 33).astype(np.int64)])
        ways = [self._solver.find_geodesic_path(start, int(g)) for g in some]
        return some, np.array([np.linalg.norm(np.diff(w, axis=0), axis=1).sum() for w in ways])

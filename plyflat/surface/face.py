"""The face of a surface round a point, up to the creases that bound it.

On a clean model the face ends exactly at the model's sharp edges. On a scan a crease is a strip in which the smoothed
surface turns by more than an angle within a stated width. The strips are widened to close short weak spots, what is left
between them are the middles of faces, these grow back until they meet on the ridges, and the line where they meet is
centred on the bend, smoothed and cut into the mesh.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import scipy.sparse as sp
from numpy.typing import ArrayLike
from scipy.sparse.csgraph import connected_components, dijkstra
from scipy.spatial import cKDTree

from ..errors import OutlineError
from ._ridge import Line, ridge_line
from ._smooth import share_copy, work_copy
from ._topology import Edges, surface_edges
from ._trace import at
from .crease import bend_within, turns
from .cut import insert_paths, label_faces, refine
from .mesh import Bools, Floats, Ints, Surface
from .projected import seed_face
from .region import Region, region_of

# A strip reaches out to where the bend has fallen to this share of what counts as a crease.
STRIP = 0.6
# A strip shorter than this, in scales, is a bump; a piece of a face narrower than this is no face.
SHORT = 3.0
# Weak spots up to this many scales are closed, and up to this many are taken for a leak.
GAP, LEAK = 2.5, 8.0
# A crease that ends inside the face by so many scales, and by so many gaps, is meant to bound it.
MEANT, MEANT_GAPS = 6.0, 2.0
SEED_OFF_MM = 10.0
# How much more smoothly an uneven edge is drawn, one after the other, until it does not cross itself.
STIFFER = (1.0, 2.0, 4.0)

Place = tuple[float, float, float]


@dataclass(frozen=True, eq=False)
class Face:
    """A face of a surface up to its creases.

    Attributes
    ----------
    region : Region
    exact : bool
        Whether all of its edge runs along a model's sharp edges or the mesh's rim.
    gaps : tuple of (place, length)
        Weak spots of the bounding creases that were closed: a point and a length, mm.
    to_the_rim : bool
        Whether part of its edge is the rim of the mesh.
    """

    region: Region
    exact: bool
    gaps: tuple[tuple[Place, float], ...]
    to_the_rim: bool

    @property
    def cautions(self) -> tuple[tuple[str, str], ...]:
        """What the user must know, and what to do: pairs of sentences."""
        out = [
            (f"the crease is too weak to see over {length:.0f} mm at {at(place)}; the edge was carried on over it",
             "Look at the edge there on the picture.")
            for place, length in self.gaps
        ]
        if self.to_the_rim:
            out.append(("the face runs to the rim of the mesh, where no crease bounds it",
                        "Check that the mesh reaches as far as the laminate."))
        return tuple(out)


def face_region(
    surface: Surface, seed_mm: ArrayLike, *, angle_deg: float = 30.0, scale_mm: float = 10.0, name: str = ""
) -> Region:
    """Cut out the face round a seed up to its creases; all else as `find_face`.

    Parameters
    ----------
    surface : Surface
    seed_mm : (3,) float array, mm
    angle_deg, scale_mm : float
    name : str

    Returns
    -------
    Region

    Examples
    --------
    One side of a wedge of two square walls, 100 x 200 mm each:

    >>> wedge = Surface(
    ...     [[0, 0, 0], [0, 200, 0], [100, 0, 0], [100, 200, 0], [0, 0, 100], [0, 200, 100]],
    ...     [[0, 2, 1], [1, 2, 3], [0, 1, 4], [4, 1, 5]],
    ... )
    >>> round(face_region(wedge, (50, 100, 0)).area_mm2)
    20000
    """
    return find_face(surface, seed_mm, angle_deg=angle_deg, scale_mm=scale_mm, name=name).region


def find_face(
    surface: Surface, seed_mm: ArrayLike, *, angle_deg: float = 30.0, scale_mm: float = 10.0, name: str = ""
) -> Face:
    """Find the face round a seed, up to its creases of either kind and the mesh's rim.

    Parameters
    ----------
    surface : Surface
    seed_mm : (3,) float array, mm
        A point on the face, off its creases.
    angle_deg : float
        The least turn of the surface that counts as a crease.
    scale_mm : float
        The width within which it has to happen. A fillet of radius r turns by some scale / r radians within it: at 30
        degrees and 10 mm one of 10 mm counts, and the face ends at its middle; one of 20 mm does not count.
        Weak spots of a crease are closed up to 2.5 scales; so is a neck of the face narrower than that. A face narrower
        than about four scales comes out too small: state a smaller scale.
    name : str
        Goes into the region and into messages.

    Returns
    -------
    Face

    Raises
    ------
    OutlineError
        The seed off the surface or on a crease; no crease bounds the face; the face leaks through a gap of a crease
        (some 2.5 to 8 scales); an angle or a scale that cannot be.

    References
    ----------
    D. Cohen-Steiner, J.-M. Morvan, "Restricted Delaunay triangulations and normal cycle", SoCG 2003, for the bend.
    """
    try:
        _check(surface, angle_deg, scale_mm)
        return _found(surface, seed_mm, np.radians(angle_deg), scale_mm, name)
    except OutlineError as err:
        if not name:
            raise
        raise OutlineError(f"region {name!r}: {err.what}", where=err.where, do=err.do) from err


def _check(surface: Surface, angle_deg: float, scale_mm: float) -> None:
    if not 0 < angle_deg < 180:
        raise OutlineError(f"the angle of a crease is {angle_deg:g} degrees", do="Give one between 0 and 180.")
    if not 0 < scale_mm < np.inf:
        raise OutlineError(f"the width of a crease is {scale_mm:g} mm", do="Give a length above 0.")
    if work_copy(surface) is not surface.vertices_mm and scale_mm < 1.5 * surface.mean_edge_mm:
        raise OutlineError(
            f"the scan's triangles are {surface.mean_edge_mm:.1f} mm wide, too coarse for creases of {scale_mm:g} mm",
            do=f"State a scale of {1.5 * surface.mean_edge_mm:.0f} mm or more.",
        )


def _found(surface: Surface, seed_mm: ArrayLike, limit: float, scale_mm: float, name: str) -> Face:
    seed = seed_face(surface, seed_mm, SEED_OFF_MM)
    ground = _Ground.of(surface, limit, scale_mm)
    simple = ground.sharp_side(seed)
    if simple is not None:
        _refuse_whole(surface, simple, seed)
        return _as_it_is(surface, simple, name)
    fine = _refined(ground)
    seed = seed_face(fine.surface, seed_mm, SEED_OFF_MM)
    _refuse_on_crease(fine, seed)
    inside = fine.side(seed, GAP)
    _refuse_leak(fine, inside, seed)
    _refuse_whole(fine.surface, inside, seed)
    return _cut_out(fine, inside, seed, name)


# --- where the surface bends --------------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _Ground:
    """A surface and where it bends.

    `walk`: the copy it is measured on; `turn` (e,) rad and `length` (e,) mm of its edges; `sharp` (e,) whether an edge is a
    crease by itself (never on a noisy surface); `limit` rad.
    """

    surface: Surface
    walk: Surface
    edges: Edges
    turn: Floats
    length: Floats
    sharp: Bools
    limit: float
    scale_mm: float

    @classmethod
    def of(cls, surface: Surface, limit: float, scale_mm: float) -> _Ground:
        v = work_copy(surface)
        walk = surface if v is surface.vertices_mm else Surface(v, surface.faces)
        edges = surface_edges(walk)
        turn, length = turns(walk, edges)
        sharp = np.abs(turn) > limit if walk is surface else np.zeros(len(turn), dtype=bool)
        if sharp.any():
            sharp = _chained(edges, turn, length, sharp, limit, GAP * scale_mm)
        return cls(surface, walk, edges, turn, length, sharp, limit, scale_mm)

    @property
    def clean(self) -> bool:
        return self.walk is self.surface

    def bending(self) -> Bools:
        """Edges (e,) that are not sharp by themselves but may be part of a crease."""
        p = self.walk.vertices_mm[self.walk.faces]
        longest = np.linalg.norm(p - np.roll(p, 1, axis=1), axis=2).max(axis=1)
        height = 2 * self.walk.face_areas_mm2 / np.maximum(longest, 1e-300)
        one, two = self.edges.faces.T
        narrow = np.minimum(height[one], np.where(two >= 0, height[two], np.inf))
        rate = np.abs(self.turn) * np.maximum(1.0, self.scale_mm / np.maximum(narrow, 0.05 * self.scale_mm))
        return np.asarray((rate > STRIP * self.limit) & ~self.sharp)

    def sharp_side(self, seed: int) -> Bools | None:
        """The face as sharp edges alone bound it; None if it bends in other ways too."""
        if not self.clean:
            return None
        label = label_faces(self.surface, self.edges.ends[self.sharp])
        inside = np.asarray(label == label[seed])
        one, two = self.edges.faces[self.bending()].T
        return None if inside[one].any() or inside[two[two >= 0]].any() else inside

    def strips(self) -> tuple[Floats, Bools]:
        """Signed bend (n,) in rad, and the vertices (n,) of strips long enough to be creases."""
        bend = bend_within(self.walk, self.edges, self.turn * self.length, self.scale_mm)
        on = np.zeros(len(bend), dtype=bool)
        for sign in (1.0, -1.0):
            weak = sign * bend > STRIP * self.limit
            e = self.edges.ends[weak[self.edges.ends].all(axis=1)]
            label = _joined(e, len(bend))
            strong = np.unique(label[sign * bend > self.limit])
            for k in strong[_extent(self.walk.vertices_mm, label, strong) >= SHORT * self.scale_mm].tolist():
                on |= weak & (label == k)
        return bend, on


def _joined(pairs: Ints, n: int) -> Ints:
    graph = sp.coo_array((np.ones(len(pairs), dtype=np.int8), (pairs[:, 0], pairs[:, 1])), shape=(n, n))
    return np.asarray(connected_components(graph, directed=False)[1], dtype=np.int64)


def _extent(v: Floats, label: Ints, which: Ints) -> Floats:
    """Diagonal of the bounding box of some labels' vertices, mm."""
    count = int(label.max()) + 1
    low, high = np.full((count, 3), np.inf), np.full((count, 3), -np.inf)
    np.minimum.at(low, label, v)
    np.maximum.at(high, label, v)
    return np.asarray(np.linalg.norm(high[which] - low[which], axis=1))


def _chained(edges: Edges, turn: Floats, length: Floats, sharp: Bools, limit: float, most_mm: float) -> Bools:
    """Sharp edges and the weaker chains between them that are short enough to be weak spots."""
    weak = (np.abs(turn) > 0.4 * limit) & ~sharp
    n = int(edges.ends.max()) + 1
    label = _joined(edges.ends[weak], n)
    total = np.bincount(label[edges.ends[weak, 0]], length[weak], minlength=n)
    held = np.unique(edges.ends[sharp])
    ends = np.bincount(label[held], minlength=n)
    good = (total <= most_mm) & (ends >= 2)
    return sharp | (weak & good[label[edges.ends[:, 0]]])


@dataclass(frozen=True, eq=False)
class _Fine:
    """A surface with its strips, fine enough to measure widths on.

    `bend` (n,) rad; `strip` (n,) vertices of creases; `turned` (f,) the largest bend at each face, in limits.
    """

    ground: _Ground
    bend: Floats
    strip: Bools
    turned: Floats

    @property
    def surface(self) -> Surface:
        return self.ground.surface

    def side(self, seed: int, gap: float) -> Bools:
        """The faces of the side with the seed, weak spots up to so many scales closed."""
        return _side(self, seed, 0.5 * gap * self.ground.scale_mm)


def _refined(ground: _Ground) -> _Fine:
    """Split large triangles near bends, which a model has, and find the strips."""
    if ground.clean:
        near = ground.bending() | ground.sharp
        dots = _dotted(ground, near)
        tree, scale = cKDTree(dots), ground.scale_mm
        made = refine(ground.surface, lambda q: scale / 3 + np.maximum(tree.query(q)[0] - 3 * scale, 0.0))
        ground = _Ground.of(made.surface, ground.limit, scale)
    bend, strip = ground.strips()
    turned = np.abs(bend)[ground.surface.faces].max(axis=1) / ground.limit
    return _Fine(ground, bend, strip, turned)


def _dotted(ground: _Ground, some: Bools) -> Floats:
    """Points along some edges, no farther apart than a scale."""
    a, b = (ground.walk.vertices_mm[ground.edges.ends[some, k]] for k in range(2))
    count = np.maximum(np.ceil(ground.length[some] / ground.scale_mm).astype(np.int64), 1)
    edge = np.repeat(np.arange(len(count)), count + 1)
    first = np.cumsum(count + 1) - (count + 1)
    t = (np.arange(len(edge)) - first[edge]) / count[edge]
    return np.asarray(a[edge] + t[:, None] * (b - a)[edge])


# --- the face -----------------------------------------------------------------------------------------------------


def _side(fine: _Fine, seed: int, widen_mm: float) -> Bools:
    """Grow the middles of faces back over the widened strips; return the one with the seed."""
    g, faces = fine.ground, fine.surface.faces
    # a crease that ends short of the rim by no more than a gap is carried on to it
    rim = np.zeros(len(fine.strip), dtype=bool)
    rim[g.edges.ends[g.edges.faces[:, 1] < 0]] = True
    wide = _within(g, fine.strip | (rim & _within(g, fine.strip, 2 * widen_mm)), widen_mm)
    free = np.asarray(~wide[faces].any(axis=1))
    bare = np.asarray(~fine.strip[faces].any(axis=1))
    label = _cores(fine, free)
    # a face too narrow to outlast the widening is its own middle
    part = _parted(g, bare)
    area = np.bincount(part, g.walk.face_areas_mm2)
    held = np.bincount(part[label >= 0], minlength=len(area)) > 0
    lone = bare & ~held[part] & (area >= (0.5 * SHORT * g.scale_mm) ** 2)[part]
    label[lone] = part[lone] + len(faces)
    if (label < 0).all():
        label[:] = 0
    owner = _grown(fine, label)
    return _without_pinches(g, owner == owner[seed])


def _cores(fine: _Fine, free: Bools) -> Ints:
    """Number the parts of the free faces that are large enough to be faces; -1 elsewhere."""
    part = _parted(fine.ground, free)
    area = np.bincount(part, fine.ground.walk.face_areas_mm2)
    return np.where(free & (area >= (0.5 * SHORT * fine.ground.scale_mm) ** 2)[part], part, -1)


def _parted(g: _Ground, chosen: Bools) -> Ints:
    """Number the parts that hang together among the chosen faces, and among the others, across no sharp edge."""
    one, two = g.edges.faces.T
    wall = g.sharp | ((two >= 0) & (chosen[one] != chosen[two]))
    return label_faces(g.surface, g.edges.ends[wall])


def _within(g: _Ground, start: Bools, reach_mm: float) -> Bools:
    """Vertices no farther from some than stated, along edges."""
    if not start.any():
        return start
    n = len(start)
    graph = sp.csr_array((np.maximum(g.length, 1e-9), tuple(g.edges.ends.T)), shape=(n, n))
    far = dijkstra(graph, directed=False, indices=np.flatnonzero(start), min_only=True, limit=reach_mm)
    return np.asarray(np.isfinite(far))


def _grown(fine: _Fine, label: Ints) -> Ints:
    """Give each face the label that reaches it at the least cost; crossing a bend is dear."""
    g = fine.ground
    one, two = g.edges.faces.T
    k = np.flatnonzero((two >= 0) & ~g.sharp)
    middle = g.walk.vertices_mm[g.walk.faces].mean(axis=1)
    step = np.linalg.norm(middle[one[k]] - middle[two[k]], axis=1)
    dear = 0.05 + np.maximum(fine.turned[one[k]], fine.turned[two[k]]) ** 2
    m = len(label)
    graph = sp.csr_array((np.maximum(step * dear, 1e-9), (one[k], two[k])), shape=(m, m))
    _, _, source = dijkstra(
        graph, directed=False, indices=np.flatnonzero(label >= 0), min_only=True, return_predecessors=True
    )
    return np.where(source >= 0, label[np.maximum(source, 0)], -1 - np.arange(m))


def _without_pinches(g: _Ground, inside: Bools) -> Bools:
    """Fill notches of single faces and open places where the face touches itself at a point."""
    faces, n = g.surface.faces, len(g.surface.vertices_mm)
    one, two = g.edges.faces.T
    inner = (two >= 0) & ~g.sharp
    for sweep in range(60):
        same = inner & (inside[one] == inside[np.maximum(two, 0)])
        differ = inner & ~same
        votes = np.zeros((2, len(inside)))
        for f in (one, two):
            votes[0] += np.bincount(f[differ], minlength=len(inside))
            votes[1] += np.bincount(f[same], minlength=len(inside))
        # notches are filled in the first sweeps only: after that faces are only added, so that it comes to an end
        lonely = (votes[0] > votes[1]) & (sweep < 8)
        wall = np.where(two >= 0, inside[one] != inside[np.maximum(two, 0)], inside[one])
        at_rim = np.bincount(g.edges.ends[wall].ravel(), minlength=n) > 2
        if not (lonely.any() or at_rim.any()):
            break
        inside = inside ^ lonely if lonely.any() else inside | at_rim[faces].any(axis=1)
    return inside


def _refuse_on_crease(fine: _Fine, seed: int) -> None:
    corner = fine.surface.faces[seed]
    if fine.strip[corner].any() and np.abs(fine.bend[corner]).max() > fine.ground.limit:
        p = fine.ground.walk.vertices_mm[corner].mean(axis=0)
        raise OutlineError(
            f"the surface turns by {np.degrees(np.abs(fine.bend[corner]).max()):.0f} degrees within "
            f"{fine.ground.scale_mm:g} mm at the seed: it lies on a crease", where=at(tuple(p)),
            do="Move the seed to the middle of the face, or state a larger angle or a smaller scale.",
        )


def _refuse_whole(surface: Surface, inside: Bools, seed: int) -> None:
    label = label_faces(surface, np.empty((0, 2)))
    if inside[label == label[seed]].all():
        raise OutlineError(
            "no crease bounds the face: it is the whole surface round the seed",
            where=at(tuple(surface.vertices_mm[surface.faces[seed]].mean(axis=0))),
            do="State a smaller angle or a larger scale, or give an outline.",
        )


def _refuse_leak(fine: _Fine, inside: Bools, seed: int) -> None:
    """Refuse a face that a long crease would divide but for one gap."""
    g = fine.ground
    less = inside & fine.side(seed, LEAK)
    area = g.walk.face_areas_mm2
    if not less.any() or area[less].sum() > 0.95 * area[inside].sum():
        return
    one, two = g.edges.faces.T
    k = np.flatnonzero((two >= 0) & inside[one] & inside[np.maximum(two, 0)] & (less[one] != less[np.maximum(two, 0)]))
    ends = g.edges.ends[k]
    line = _joined(ends, len(fine.bend))[ends[:, 0]]
    strong = fine.strip[ends].all(axis=1)
    for q in np.unique(line):
        mine = line == q
        held = float(g.length[k[mine & strong]].sum())
        gap, weak = _longest_part(g, k[mine & ~strong])
        if held > max(MEANT * g.scale_mm, MEANT_GAPS * gap) and gap > 0:
            raise OutlineError(
                f"the face leaks through a gap of about {gap:.0f} mm in a crease", where=at(tuple(weak)),
                do="State a smaller angle or a larger scale, which closes longer gaps, or give an outline.",
            )


def _longest_part(g: _Ground, some: Ints) -> tuple[float, Floats]:
    """Length and middle of the longest of the chains that some edges make."""
    if not len(some):
        return 0.0, np.zeros(3)
    ends = g.edges.ends[some]
    label = _joined(ends, int(ends.max()) + 1)[ends[:, 0]]
    total = np.bincount(label, g.length[some])
    best = label == np.argmax(total)
    return float(total.max()), np.asarray(g.walk.vertices_mm[ends[best]].mean(axis=(0, 1)))


# --- its edge -----------------------------------------------------------------------------------------------------


def _as_it_is(surface: Surface, inside: Bools, name: str) -> Face:
    region = _shared(surface, inside, name)
    return Face(region, True, (), _touches_rim(surface, inside))


def _shared(surface: Surface, inside: Bools, name: str) -> Region:
    region = region_of(surface, inside, name=name)
    share_copy(surface, region.surface, region.vertex_of)
    return region


def _touches_rim(surface: Surface, inside: Bools) -> bool:
    edges = surface_edges(surface)
    return bool((inside[edges.faces[:, 0]] & (edges.faces[:, 1] < 0)).any())


def _cut_out(fine: _Fine, inside: Bools, seed: int, name: str) -> Face:
    """Smooth the edge of a face where it runs along strips, and cut it in."""
    g = fine.ground
    part, used = g.walk.sub(inside)
    runs = [r for loop in part.boundary_loops for r in _runs(g, used[loop])]
    if all(exact for _, _, exact in runs):
        return _as_it_is(g.surface, inside, name)
    surface, walls, lines = _drawn_in(fine, _merged(runs))
    middle = g.walk.vertices_mm[g.walk.faces[seed]].mean(axis=0)
    label = label_faces(surface, walls)
    spot = int(Surface(work_copy(surface), surface.faces).locate(middle).face[0])
    cut = np.asarray(label == label[spot])
    if cut.all():
        raise OutlineError(
            "the face's edge does not close", where=at(tuple(lines[0].points_mm[0])), do="Give an outline of points."
        )
    gaps = tuple(q for line in lines for q in line.gaps)
    return Face(_shared(surface, cut, name), False, gaps, _touches_rim(surface, cut))


Run = tuple[Ints, bool, bool]


def _runs(g: _Ground, loop: Ints) -> list[Run]:
    """Cut a boundary loop of a face at the mesh's rim: vertices, whether closed, whether along sharp edges only."""
    n = len(g.surface.vertices_mm)
    pair = np.sort(np.stack([loop, np.roll(loop, -1)], axis=1), axis=1)
    e = np.searchsorted(g.edges.ends[:, 0] * n + g.edges.ends[:, 1], pair[:, 0] * n + pair[:, 1])
    rim = g.edges.faces[e, 1] < 0
    if not rim.any():
        return [(loop, True, bool(g.sharp[e].all()))]
    turn = int(np.argmax(rim))
    loop, e, rim = np.roll(loop, -turn), np.roll(e, -turn), np.roll(rim, -turn)
    out, k = [], len(loop)
    begin = np.flatnonzero(~rim & np.r_[True, rim[:-1]])
    for i in begin.tolist():
        stop = i + int(np.argmax(np.r_[rim[i:], True]))
        out.append((loop[np.arange(i, stop + 1) % k], False, bool(g.sharp[e[i:stop]].all())))
    return out


def _merged(runs: Sequence[Run]) -> list[Run]:
    """Closed runs first, so that they can be cut in together."""
    return sorted(runs, key=lambda r: not r[1])


def _drawn_in(fine: _Fine, runs: Sequence[Run]) -> tuple[Surface, Ints, list[Line]]:
    """Cut a face's lines in; where they turn back on themselves, because the crease is uneven, more smoothly."""
    fault: OutlineError | None = None
    for stiffer in STIFFER:
        lines = [_line(fine, run, stiffer) for run in runs]
        try:
            return *_inserted(fine.surface, lines), lines
        except OutlineError as err:
            fault = err
    raise OutlineError(
        "the crease that bounds the face is too uneven to follow", where=fault.where if fault else "",
        do="State another angle or a larger scale, or give an outline.",
    ) from fault


def _line(fine: _Fine, run: Run, stiffer: float) -> Line:
    way, closed, exact = run
    g = fine.ground
    if exact:
        return Line(g.walk.vertices_mm[way], closed, ())
    n = len(fine.bend)
    ahead = np.roll(way, -1) if closed else way[1:]
    pair = np.sort(np.stack([way if closed else way[:-1], ahead], axis=1), axis=1)
    e = np.searchsorted(g.edges.ends[:, 0] * n + g.edges.ends[:, 1], pair[:, 0] * n + pair[:, 1])
    held = g.sharp[e]
    fixed = held | np.roll(held, 1) if closed else np.r_[held, False] | np.r_[False, held]
    return ridge_line(
        g.walk, fine.bend, way, closed=closed, fixed=fixed, strip=fine.strip, scale_mm=g.scale_mm,
        stiffer=stiffer,
    )


def _inserted(surface: Surface, lines: Sequence[Line]) -> tuple[Surface, Ints]:
    """Cut lines into a surface, closed and open ones in turn; return it and the edges along them."""
    walls = np.empty((0, 2), dtype=np.int64)
    for closed in (True, False):
        mine = [q.points_mm for q in lines if q.closed == closed]
        if not mine:
            continue
        cut = insert_paths(surface, mine, closed=closed, geodesic=False, tolerance_mm=np.inf)
        to = np.full(len(surface.vertices_mm), -1, dtype=np.int64)
        old = cut.parent_vertex >= 0
        to[cut.parent_vertex[old]] = np.flatnonzero(old)
        walls = np.vstack([to[walls], cut.path_edges])
        surface = cut.surface
    if (walls < 0).any():
        raise OutlineError("two edges of the face run into each other", do="Give an outline of points.")
    return surface, walls

"""A mesh mended until it is a manifold, oriented surface, with everything done written down.

Order: unused points, double points, flat and double faces, edges and corners where sheets touch, spikes, doubled
sheets, pieces, small holes, the side the normals point to, ledges. Everything but the filling of holes works on whole
arrays.

References
----------
.. [1] A. Guéziec, G. Taubin, F. Lazarus, W. Horn, "Cutting and stitching: converting sets of polygons to manifold
   surfaces", IEEE TVCG 7(2), 2001: cut at the singular edges, then give each fan of faces its own corner.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ..errors import CheckError, MeshError
from ._debris import BESIDE_EDGES, Debris, sort_pieces
from ._doubled import Doubled, find_doubled
from ._edges import directed_edges, edge_keys, face_areas, rim_edges, row_lengths, side_lengths
from ._fill import fill_holes
from ._slits import split_at_points
from ._spikes import set_back_spikes
from ._steps import Step, find_steps, ramp_width_mm, ramped
from .mesh import Bools, Floats, Ints, Repair, Surface, spread_places
from .noise import calmed

Progress = Callable[[float, str], None]
Point = tuple[float, float, float]

#: Points nearer than this share of the mean edge, and never more than this many mm, are one point.
MERGE_SHARE, MERGE_MOST_MM = 1e-3, 0.01
#: A face lower than this share of its longest side is flat.
FLAT_SHARE = 1e-6
#: An odd number with its bits well spread (2^64 over the golden section).
MIX = np.uint64(0x9E3779B97F4A7C15)
#: Waves up to about this length are taken out of the copy on which doubled sheets are looked for, mm.
CALM_MM = 4.0
#: Where ledges of this height would be lost in the noise, that is said, mm.
BLIND_MM = 1.0
#: Distance between the marks along a ledge, mm.
MARK_MM = 100.0


@dataclass(frozen=True, eq=False)
class _Work:
    v: Floats
    f: Ints
    c: NDArray[np.uint8] | None
    log: tuple[Repair, ...]

    def note(
        self,
        what: str,
        count: int,
        where: Floats | None = None,
        move: float = 0.0,
        *,
        places: Floats | None = None,
        kind: str = "",
        severity: str = "mended",
    ) -> _Work:
        """Write down what was done; ``places`` (k, 3) hold the worst first, and ``where`` is the first of them."""
        if not count:
            return self
        marks = spread_places(where[None] if places is None and where is not None else places)
        first = marks[0] if marks else None
        done = Repair(what, int(count), float(move), first, marks, kind, severity)
        return replace(self, log=(*self.log, done))

    def centre(self, face: int) -> Floats:
        return self.v[self.f[face]].mean(axis=0)

    def centres(self, faces: Ints) -> Floats:
        return np.asarray(self.v[self.f[faces]].mean(axis=1))


def repair_surface(
    surface: Surface,
    *,
    fill_holes_mm: float = 50.0,
    keep: str = "largest",
    scrap_share: float = 1e-3,
    flip: bool = False,
    mend_spikes: bool = True,
    mend_doubled: bool = True,
    mend_steps_mm: float = 0.0,
    look: bool = True,
    progress: Progress | None = None,
) -> Surface:
    """Mend a surface: afterwards it is edge- and vertex-manifold and consistently oriented.

    The normals of a closed body point out of it (positive volume). Those of an open scan point to the side to
    which the larger part of its area pointed in the file: that is the scanner's side, but a file may be wrong as a
    whole, so look at it, and use ``flip``.

    Parameters
    ----------
    surface : Surface
    fill_holes_mm : float, mm
        Holes up to this diameter (perimeter / π) are filled; 0 fills none. The outermost boundary of an open
        scan is never filled.
    keep : {"largest", "all"}
        Keep the piece of the largest area, or all pieces above ``scrap_share``.
    scrap_share : float
        Share of the largest piece's area below which a loose piece is a scrap.
    flip : bool
        Turn the surface over at the end.
    mend_spikes : bool
        Set single points that stick out back onto the surface about them; without it they are left and said.
    mend_doubled : bool
        Of two sheets over one part let the one go that is worth less; without it, and where neither is, both are
        left and said.
    mend_steps_mm : float, mm
        Ledges up to this height are ramped; all others are left and said, since a lap or a chine is one too. A
        ledge is ramped as far as it is seen: it may run on beyond the ends of its line, above all at the scan's edge.
    look : bool
        Look for spikes, doubled sheets and ledges at all.
    progress : callable (share done, what), optional

    Returns
    -------
    Surface
        One `Repair` is added for each kind of thing done, and for each fault that is left (``severity`` "left").

    Raises
    ------
    MeshError
        Nothing is left after mending, ``keep`` is neither word, or ``mend_steps_mm`` is below zero.
    """
    return repair_in_two(
        surface,
        fill_holes_mm=fill_holes_mm,
        keep=keep,
        scrap_share=scrap_share,
        flip=flip,
        mend_spikes=mend_spikes,
        mend_doubled=mend_doubled,
        mend_steps_mm=mend_steps_mm,
        look=look,
        progress=progress,
    )[1]


def repair_in_two(
    surface: Surface,
    *,
    fill_holes_mm: float = 50.0,
    keep: str = "largest",
    scrap_share: float = 1e-3,
    flip: bool = False,
    mend_spikes: bool = True,
    mend_doubled: bool = True,
    mend_steps_mm: float = 0.0,
    look: bool = True,
    progress: Progress | None = None,
) -> tuple[Surface, Surface]:
    """Mend a surface as `repair_surface` does, and return it half way, too.

    Returns
    -------
    Surface
        Points, faces and sheets in order; all pieces and holes as they are.
    Surface
        Mended.
    """
    if keep not in ("largest", "all"):
        raise MeshError(f"keep is '{keep}'", do="Known: largest, all.")
    if not (np.isfinite(mend_steps_mm) and mend_steps_mm >= 0):
        raise MeshError(f"mend_steps_mm is {mend_steps_mm:g}", do="Give a height in mm; 0 ramps none.")
    tell = progress or _quiet
    half = _made_manifold(surface, lambda share, what: tell(0.4 * share, what))
    steps: list[tuple[float, str, Callable[[_Work], _Work]]] = [
        (0.7, "sorting pieces", lambda q: _keep_pieces(q, keep, scrap_share)),
        (0.75, "filling holes", lambda q: _fill(q, fill_holes_mm)),
        (0.8, "orienting", lambda q: _outward(q, flip)),
    ]
    if look:
        steps.insert(0, (0.4, "looking for spikes", lambda q: _spikes(q, mend_spikes)))
        steps.insert(1, (0.5, "looking for doubled sheets", lambda q: _doubled(q, mend_doubled)))
        steps.append((0.85, "looking for ledges", lambda q: _ledges(q, mend_steps_mm)))
    w = _through(half, steps, tell)
    _verify(w)
    tell(1.0, "mended")
    return Surface(half.v, half.f, half.c, half.log), Surface(w.v, w.f, w.c, w.log)


def _made_manifold(surface: Surface, tell: Progress) -> _Work:
    w = _Work(surface.vertices_mm, surface.faces, surface.colors, surface.repairs)
    return _through(
        w,
        [
            (0.0, "merging double points", _merge),
            (0.4, "removing flat faces", _drop_flat),
            (0.6, "removing double faces", _drop_double),
            (0.7, "separating touching sheets", _separate),
            (0.9, "closing slits", _close_slits),
        ],
        tell,
    )


def _through(w: _Work, steps: list[tuple[float, str, Callable[[_Work], _Work]]], tell: Progress) -> _Work:
    for share, what, step in steps:
        tell(share, what)
        w = step(w)
        if not len(w.f):
            raise MeshError(f"no triangle is left after {what}", do="Export the mesh again.")
    return w


def _quiet(share: float, what: str) -> None:
    """Take progress and show nothing."""


# --- equal rows ------------------------------------------------------------------------------------------------


def equal_rows(rows: NDArray) -> tuple[Ints, Ints]:
    """Group equal rows: index of the first row of each group, and the group of each row.

    Rows are sorted by a mixed 64-bit hash, several times quicker than by columns; if two unequal rows ever share
    a hash the sort by columns decides.
    """
    bits = np.ascontiguousarray(rows).view(np.uint64)
    mix = np.zeros(len(bits), dtype=np.uint64)
    for k in range(bits.shape[1]):
        mix ^= bits[:, k]
        mix *= MIX
        mix ^= mix >> np.uint64(29)
    order = np.argsort(mix, kind="stable")
    same = mix[order][1:] == mix[order][:-1]
    if (bits[order][1:][same] != bits[order][:-1][same]).any():
        order = np.lexsort(bits.T[::-1])
        same = (bits[order][1:] == bits[order][:-1]).all(axis=1)
    group = np.concatenate([[0], np.cumsum(~same)])
    of = np.empty(len(bits), dtype=np.int64)
    of[order] = group
    first = order[np.concatenate([[True], ~same])]
    rank = np.argsort(np.argsort(first))
    return np.sort(first), rank[of]


def weld(vertices: Floats) -> tuple[Ints, Ints]:
    """Points that are exactly equal: the first of each, and where each point went.

    Parameters
    ----------
    vertices : (n, 3) float array

    Returns
    -------
    (k,) int array
        Index of the first point of each place, in the order of the input.
    (n,) int array
        Place of each point, 0..k-1.
    """
    return equal_rows(np.asarray(vertices, dtype=np.float64) + 0.0)  # + 0.0 makes -0 into 0


def _compact(w: _Work) -> tuple[_Work, int]:
    """Leave out the points no face uses."""
    used = np.zeros(len(w.v), dtype=bool)
    used[w.f] = True
    if used.all():
        return w, 0
    at = np.cumsum(used) - 1
    return replace(w, v=w.v[used], f=at[w.f], c=None if w.c is None else w.c[used]), int((~used).sum())


# --- points and faces ------------------------------------------------------------------------------------------


def merge_tolerance_mm(surface: Surface) -> float:
    """Distance in mm below which two points count as one: see `MERGE_SHARE`; at least one step of float32."""
    return _tolerance(surface.vertices_mm, surface.faces)


def _tolerance(v: Floats, f: Ints) -> float:
    edge = side_lengths(v, f).mean()
    return float(max(min(MERGE_SHARE * edge, MERGE_MOST_MM), _step(v)))


def _step(v: Floats) -> float:
    return float(np.abs(v).max()) * 2.0**-23


def _merge(w: _Work) -> _Work:
    w, unused = _compact(w)
    w = w.note("unused points removed", unused)
    first, to = weld(w.v)
    tol = _tolerance(w.v, w.f)
    to = _join_near(w.v[first], tol)[to]
    n, k = len(w.v), int(to.max()) + 1
    if n == k:
        return w
    size = np.bincount(to, minlength=k)
    v = _mean(w.v, to, size)
    c = None if w.c is None else np.rint(_mean(w.c.astype(np.float64), to, size)).astype(np.uint8)
    alone = size[to] == 1
    v[to[alone]] = w.v[alone]
    move = row_lengths(v[to] - w.v)
    at = v[to[int(np.argmax(np.where(size[to] > 1, 1 + move, 0)))]]
    out = replace(w, v=v, f=to[w.f], c=c)
    return out.note(f"double points merged (nearer than {tol:.2g} mm)", n - k, at, float(move.max()))


def _join_near(v: Floats, tol: float) -> Ints:
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components
    from scipy.spatial import cKDTree

    near = cKDTree(v).query_pairs(tol, output_type="ndarray")
    if not len(near):
        return np.arange(len(v))
    graph = coo_matrix((np.ones(len(near), bool), (near[:, 0], near[:, 1])), shape=(len(v), len(v)))
    return connected_components(graph, directed=False)[1].astype(np.int64)


def _mean(x: Floats, to: Ints, size: Ints) -> Floats:
    return np.stack([np.bincount(to, x[:, k], minlength=len(size)) for k in range(3)], axis=1) / size[:, None]


def repeated(f: Ints) -> Bools:
    """(m,) True for a face that names a point twice."""
    return (f[:, 0] == f[:, 1]) | (f[:, 1] == f[:, 2]) | (f[:, 2] == f[:, 0])


def flat(v: Floats, f: Ints) -> Bools:
    """(m,) True for a face of three points that has, to rounding, no height."""
    side = side_lengths(v, f).max(axis=1)
    twice = 2 * face_areas(v, f)
    return ~repeated(f) & (twice <= side * np.maximum(FLAT_SHARE * side, 2 * _step(v)))


def _drop_flat(w: _Work) -> _Work:
    same = repeated(w.f)
    out = w
    if same.any():
        out = replace(w, f=w.f[~same]).note(
            "faces with a repeated corner removed", int(same.sum()), w.centre(int(np.argmax(same)))
        )
    out = _turn_flat(out)
    low = flat(out.v, out.f)
    if low.any():
        out = replace(out, f=out.f[~low]).note(
            "faces without area removed", int(low.sum()), out.centre(int(np.argmax(low)))
        )
    return _compact(out)[0] if len(out.f) else out


def _turn_flat(w: _Work) -> _Work:
    """Swap the long side of a flat face with its neighbour, so that taking it out leaves no slit."""
    todo = np.flatnonzero(flat(w.v, w.f))
    if not len(todo):
        return w
    f, n = w.f.copy(), len(w.v)
    e = directed_edges(f)
    key = edge_keys(n, e)
    order = np.argsort(key, kind="stable")
    done, touched, at = 0, set(), None
    for i in todo.tolist():
        pair = _across(w.v, f, i, key, order)
        if pair is None or pair[0] in touched or i in touched:
            continue
        j, two = pair
        if flat(w.v, two).any():
            continue
        f[[i, j]] = two
        touched |= {i, j}
        done, at = done + 1, w.centre(i)
    return replace(w, f=f).note("flat faces swapped with their neighbour", done, at)


def _across(v: Floats, f: Ints, i: int, key: Ints, order: Ints) -> tuple[int, Ints] | None:
    p = v[f[i]]
    k = int(np.argmax(np.linalg.norm(p - p[[1, 2, 0]], axis=1)))
    a, b, c = f[i, k], f[i, (k + 1) % 3], f[i, (k + 2) % 3]
    want = min(a, b) * len(v) + max(a, b)
    low, high = np.searchsorted(key, [want, want + 1], sorter=order)
    others = [int(h) // 3 for h in order[low:high] if int(h) // 3 != i]
    if len(others) != 1:
        return None
    j = others[0]
    rest = [x for x in f[j].tolist() if x not in (a, b)]
    if len(rest) != 1 or a not in f[j] or b not in f[j]:
        return None
    d = rest[0]
    if d == c:
        return None
    fresh = min(c, d) * len(v) + max(c, d)
    spot = np.searchsorted(key, [fresh, fresh + 1], sorter=order)
    if spot[1] > spot[0]:
        return None
    return j, np.array([[a, d, c], [d, b, c]])


def _drop_double(w: _Work) -> _Work:
    first, _ = equal_rows(np.sort(w.f, axis=1))
    count = len(w.f) - len(first)
    if not count:
        return w
    twin = np.ones(len(w.f), dtype=bool)
    twin[first] = False
    out = replace(w, f=w.f[first])
    return out.note("double faces removed", count, w.centre(int(np.argmax(twin))))


# --- manifold --------------------------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _Links:
    """Which faces hang together across which edge.

    ``a`` and ``b`` are (k,) half edges (3 face + corner) joined in pairs; ``same`` tells that both run the same
    way, so that one of the faces is the wrong way round; ``crowded`` lists half edges of edges with three or more
    faces.
    """

    a: Ints
    b: Ints
    same: Bools
    crowded: Ints


def _links(v: Floats, f: Ints) -> _Links:
    e = directed_edges(f)
    key = edge_keys(len(v), e)
    order = np.argsort(key, kind="stable")
    key = key[order]
    start = np.flatnonzero(np.concatenate([[True], key[1:] != key[:-1]]))
    size = np.diff(np.append(start, len(key)))
    two = start[size == 2]
    a, b = order[two], order[two + 1]
    many = [order[s : s + n] for s, n in zip(start[size > 2], size[size > 2])]
    if many:
        more = [q for run in many for q in _pair_up(v, f, run)]
        extra = np.array(more, dtype=np.int64).reshape(-1, 2)
        a, b = np.concatenate([a, extra[:, 0]]), np.concatenate([b, extra[:, 1]])
    crowded = np.concatenate(many) if many else np.zeros(0, dtype=np.int64)
    return _Links(a, b, e[a, 0] == e[b, 0], crowded)


def _pair_up(v: Floats, f: Ints, run: Ints) -> list[tuple[int, int]]:
    """Of the faces on one edge join those two by two that run on most straightly, up to a right angle."""
    face, corner = run // 3, run % 3
    p, q = v[f[face, corner]], v[f[face, (corner + 1) % 3]]
    along = q[0] - p[0]
    along /= max(np.linalg.norm(along), 1e-300)
    away = v[f[face, (corner + 2) % 3]] - p
    away -= (away @ along)[:, None] * along
    away /= np.maximum(np.linalg.norm(away, axis=1, keepdims=True), 1e-300)
    cosine = away @ away.T
    i, j = np.triu_indices(len(run), 1)
    pairs, free = [], set(range(len(run)))
    for k in np.argsort(cosine[i, j], kind="stable").tolist():
        x, y = int(i[k]), int(j[k])
        if cosine[x, y] < 0 and x in free and y in free:
            pairs.append((int(run[x]), int(run[y])))
            free -= {x, y}
    return pairs


def _components(count: int, a: Ints, b: Ints) -> Ints:
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components

    graph = coo_matrix((np.ones(len(a), bool), (a, b)), shape=(count, count))
    return connected_components(graph, directed=False)[1].astype(np.int64)


def _separate(w: _Work) -> _Work:
    """Orient what hangs together and give each fan of faces its own corner, until the mesh is manifold."""
    w = _turn_alike(w)
    split, at, cut, cut_at = 0, None, 0, None
    for _ in range(100):
        links = _links(w.v, w.f)
        w, fresh, place = _split_corners(w, links)
        split, at = split + fresh, place if fresh and at is None else at
        bad = _bad_faces(w)
        if not len(bad):
            break
        cut_at = w.centre(int(bad[0])) if cut_at is None else cut_at
        cut += len(bad)
        w = _compact(replace(w, f=np.delete(w.f, bad, axis=0)))[0]
        if not len(w.f):
            return w
    w = w.note("points split where sheets touch", split, at)
    return w.note("faces removed where sheets could not be told apart", cut, cut_at)


def _close_slits(w: _Work) -> _Work:
    """Split the sides of faces at points of a neighbour that lie on them."""
    count, at = 0, None
    for _ in range(10):
        f, points = split_at_points(w.v, w.f, _tolerance(w.v, w.f))
        if not len(points):
            break
        count, at = count + len(points), w.v[points[0]] if at is None else at
        w = _separate(_drop_flat(_drop_double(replace(w, f=f))))
    return w.note("faces split where a point of a neighbour lies on their side", count, at)


def _turn_alike(w: _Work) -> _Work:
    """Turn the faces that face the other way than the larger part of what they hang together with.

    Each face has two nodes, as it is and turned over; links join the nodes that agree. A sheet whose two nodes
    come out joined has one side only (a Möbius strip); it is oriented along a tree from one of its faces, and
    cut later where the tree's branches meet the wrong way round.
    """
    links = _links(w.v, w.f)
    if not links.same.any():
        return w
    m = len(w.f)
    i, j = links.a // 3, links.b // 3
    odd = links.same * m
    label = _components(2 * m, np.concatenate([i, i + m]), np.concatenate([j + odd, j + m - odd]))
    as_is, turned = label[:m], label[m:]
    area = face_areas(w.v, w.f)
    weight = np.bincount(as_is, area, minlength=int(label.max()) + 1)
    for_it, against = weight[as_is], weight[turned]
    turn = (against > for_it) | ((against == for_it) & (turned < as_is))
    one_sided = as_is == turned
    if one_sided.any():
        turn[one_sided] = _turn_along_tree(m, links, area)[one_sided]
    return _turn(w, turn, "faces turned to agree with their neighbours")


def _turn_along_tree(m: int, links: _Links, area: Floats) -> Bools:
    """(m,) Whether to turn each face so that it agrees with its parent in a tree over the faces."""
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import breadth_first_order

    i, j = links.a // 3, links.b // 3
    piece = _components(m, i, j)
    # Two faces may share two edges: one link is enough for the tree, and a second would be added to it.
    once = np.unique(np.minimum(i, j) * m + np.maximum(i, j), return_index=True)[1]
    i, j = i[once], j[once]
    graph = coo_matrix((np.where(links.same[once], 2, 1), (i, j)), shape=(m, m)).tocsr()
    graph = (graph + graph.T).tocsr()
    turn = np.zeros(m, dtype=bool)
    for root in np.unique(piece, return_index=True)[1].tolist():
        order, parent = breadth_first_order(graph, root, directed=False)
        up = parent[order[1:]]
        if not len(up):
            continue
        odd = np.asarray(graph[order[1:], up]).ravel() == 2
        for k, p, flips in zip(order[1:].tolist(), up.tolist(), odd.tolist()):
            turn[k] = turn[p] ^ flips
        if area[order[turn[order]]].sum() > 0.5 * area[order].sum():
            turn[order] = ~turn[order]
    return turn


def _turn(w: _Work, turn: Bools, what: str) -> _Work:
    if not turn.any():
        return w
    f = w.f.copy()
    f[turn] = f[turn][:, ::-1]
    return replace(w, f=f).note(what, int(turn.sum()), places=w.centres(np.flatnonzero(turn)), kind="turned")


def _split_corners(w: _Work, links: _Links) -> tuple[_Work, int, Floats | None]:
    """Cut at the unlinked edges and at one-sided seams: each fan of corners becomes a point of its own [1]_."""
    good = ~links.same
    a, b = links.a[good], links.b[good]
    a_end, b_end = a - a % 3 + (a + 1) % 3, b - b % 3 + (b + 1) % 3
    # The edge runs the other way in the second face: start meets end.
    fan = _components(w.f.size, np.concatenate([a, a_end]), np.concatenate([b_end, b]))
    corner = w.f.ravel()
    fans = int(fan.max()) + 1
    if fans == len(w.v):
        return w, 0, None
    of = np.empty(fans, dtype=np.int64)
    of[fan] = corner
    order = np.argsort(of, kind="stable")
    rank = np.empty(fans, dtype=np.int64)
    rank[order] = np.arange(fans)
    of = of[order]
    twice = np.flatnonzero(of[1:] == of[:-1])
    out = replace(w, v=w.v[of], f=rank[fan].reshape(-1, 3), c=None if w.c is None else w.c[of])
    return out, fans - len(w.v), out.v[twice[0]] if len(twice) else None


def _bad_faces(w: _Work) -> Ints:
    """Faces to take out where an edge still has two faces on one side: all but the first on each side."""
    e = directed_edges(w.f)
    key = e[:, 0] * len(w.v) + e[:, 1]
    order = np.argsort(key, kind="stable")
    again = order[1:][key[order][1:] == key[order][:-1]]
    return np.unique(again // 3)


# --- pieces ----------------------------------------------------------------------------------------------------


def pieces(surface_faces: Ints, count: int) -> Ints:
    """Number the pieces that hang together by shared points.

    Parameters
    ----------
    surface_faces : (m, 3) int array
    count : int
        How many points there are.

    Returns
    -------
    (m,) int array
        Piece of each face, from 0.
    """
    f = surface_faces
    label = _components(count, f[:, [0, 1]].ravel(), f[:, [1, 2]].ravel())[f[:, 0]]
    return np.unique(label, return_inverse=True)[1].astype(np.int64)


def _keep_pieces(w: _Work, keep: str, scrap_share: float) -> _Work:
    piece = pieces(w.f, len(w.v))
    if not piece.any():
        return w
    sorted_ = sort_pieces(w.v, w.f, piece, keep=keep, scrap_share=scrap_share)
    if sorted_.stay.all():
        return w
    out = _compact(replace(w, f=w.f[sorted_.stay[piece]]))[0]
    edge = float(side_lengths(w.v, w.f).mean())
    return _caution(_say_dropped(out, sorted_), sorted_, edge)


def _say_dropped(w: _Work, d: Debris) -> _Work:
    gone = np.flatnonzero(~d.stay)
    gone = gone[np.argsort(-d.area_mm2[gone], kind="stable")]
    lost, share = d.area_mm2[gone].sum(), d.area_mm2[gone].sum() / d.area_mm2.sum()
    return w.note(
        f"loose pieces dropped ({lost:.4g} mm², {100 * share:.2g} % of the area)",
        len(gone),
        places=d.centre_mm[gone],
        kind="debris",
    )


def _caution(w: _Work, d: Debris, edge_mm: float) -> _Work:
    """Say once more of each large piece that it went: it may be a skin of a model that was never stitched on."""
    if not len(d.large):
        return w
    largest = d.area_mm2[d.large[0]]
    beside = int((d.gap_mm < BESIDE_EDGES * edge_mm).sum())
    hint = (
        f"; {beside} of them within {BESIDE_EDGES * edge_mm:.2g} mm of the edge of what is kept"
        if beside
        else ""
    )
    return w.note(
        f"large pieces dropped (the largest {largest / 1e6:.4g} m², "
        f"{100 * largest / d.area_mm2.max():.2g} % of what is kept{hint}); keep = 'all' keeps them",
        len(d.large),
        places=d.centre_mm[d.large],
        kind="pieces",
        severity="left",
    )


# --- holes, side -----------------------------------------------------------------------------------------------


def _fill(w: _Work, fill_holes_mm: float) -> _Work:
    if fill_holes_mm <= 0:
        return w
    filled = fill_holes(w.v, w.f, w.c, fill_holes_mm, pieces(w.f, len(w.v)))
    out = replace(w, v=filled.v, f=filled.f, c=filled.c)
    out = out.note("slits closed", filled.zipped, filled.zipped_where, kind="holes")
    pinched = "holes left open, since their rim touches itself"
    out = out.note(pinched, filled.pinched, filled.pinched_where, kind="holes", severity="left")
    what = f"holes filled (up to {fill_holes_mm:g} mm across, largest {filled.largest_mm:.3g} mm)"
    out = out.note(what, filled.count, places=filled.places, kind="holes")
    wide = filled.open_places
    if wide is not None:
        what = f"holes left open, wider than {fill_holes_mm:g} mm"
        out = out.note(what, len(wide), places=wide, kind="holes", severity="left")
    return _separate(_compact(out)[0]) if filled.joined else out


def _outward(w: _Work, flip: bool) -> _Work:
    piece = pieces(w.f, len(w.v))
    count = int(piece.max()) + 1
    is_open = np.zeros(count, dtype=bool)
    is_open[piece[rim_edges(len(w.v), w.f) // 3]] = True
    p = w.v[w.f] - w.v.mean(axis=0)
    six = np.einsum("ij,ij->i", p[:, 0], np.cross(p[:, 1], p[:, 2]))
    inside_out = (np.bincount(piece, six, minlength=count) < 0) & ~is_open
    w = _turn(w, inside_out[piece], "faces of a closed body turned outward")
    return _turn(w, np.ones(len(w.f), dtype=bool), "faces turned over as asked") if flip else w


# --- what a scan has beside ------------------------------------------------------------------------------------


def _spikes(w: _Work, mend: bool) -> _Work:
    found = set_back_spikes(w.v, w.f)
    if not len(found.at):
        return w
    highest, places = found.height_mm[0], w.v[found.at]
    if not mend:
        what = f"spikes seen and left alone (up to {highest:.3g} mm)"
        return w.note(what, len(found.at), places=places, kind="spikes", severity="left")
    move = row_lengths(found.v[found.at] - places)
    what = f"spikes set back onto the surface (up to {highest:.3g} mm)"
    return replace(w, v=found.v).note(what, len(found.at), None, move.max(), places=places, kind="spikes")


def _doubled(w: _Work, mend: bool) -> _Work:
    edge = float(side_lengths(w.v, w.f).mean())
    if edge > CALM_MM:
        calm = w.v
    else:
        calm = calmed(Surface(w.v, w.f), int(np.clip(round(2 * (CALM_MM / edge) ** 2), 1, 60))).vertices_mm
    found = find_doubled(w.v, calm, w.f, pieces(w.f, len(w.v)))
    if not found:
        return w
    gone = [d for d in found if mend and len(d.drop)]
    left = [d for d in found if not (mend and len(d.drop))]
    out = w
    if gone:
        stay = np.ones(len(w.f), dtype=bool)
        for d in gone:
            stay[d.drop] = False
        out = _separate(_compact(replace(w, f=w.f[stay]))[0])
    out = _say_doubled(out, gone, "second sheets over a part let go", "mended")
    return _say_doubled(out, left, "places with two sheets over each other left as they are", "left")


def _say_doubled(w: _Work, some: list[Doubled], what: str, severity: str) -> _Work:
    if not some:
        return w
    area, apart = sum(d.area_mm2 for d in some), max(d.apart_mm for d in some)
    places = np.array([d.at_mm for d in some])
    said = f"{what} ({area:.4g} mm², up to {apart:.2g} mm apart)"
    return w.note(said, len(some), places=places, kind="doubled", severity=severity)


def _ledges(w: _Work, cap_mm: float) -> _Work:
    looked = find_steps(w.v, w.f)
    found = looked.steps
    low = [s for s in found if s.height_mm <= cap_mm]
    out = w
    if low:
        v = ramped(w.v, w.f, low)
        move = float(row_lengths(v - w.v).max())
        width = max(ramp_width_mm(s.height_mm) for s in low)
        out = _say_ledges(
            replace(w, v=v),
            low,
            f"ledges ramped over up to {width:.2g} mm; look at their ends",
            "mended",
            move,
        )
    high = [s for s in found if s.height_mm > cap_mm]
    out = _say_ledges(out, high, "ledges across the surface left as they are", "left", 0.0)
    if BLIND_MM < looked.floor_mm < np.inf:
        what = f"limit to what can be seen: ledges lower than {looked.floor_mm:.2g} mm are lost in the noise"
        out = out.note(what, 1, kind="noise", severity="left")
    return out


def _say_ledges(w: _Work, some: list[Step], what: str, severity: str, move: float) -> _Work:
    if not some:
        return w
    some = sorted(some, key=lambda s: -s.height_mm)
    length = sum(s.length_mm for s in some)
    said = f"{what} (up to {some[0].height_mm:.2g} mm high, {length / 1000:.2g} m long together)"
    places = np.concatenate([_marks(s) for s in some])
    return w.note(said, len(some), None, move, places=places, kind="steps", severity=severity)


def _marks(step: Step) -> Floats:
    """Points along a ledge, the middle one first."""
    count = int(np.clip(step.length_mm // MARK_MM, 1, 9))
    at = np.linspace(0, len(step.line_mm) - 1, 2 * count + 1).round().astype(np.int64)[1::2]
    return step.line_mm[np.roll(at, -(count // 2))]


def _verify(w: _Work) -> None:
    """Check what is promised: no two faces on one side of an edge, and one fan of faces about each point.

    Built up anew from the faces alone: corners of faces are joined across each edge, and what hangs together is one
    fan; there must be as many fans as points.
    """
    e = directed_edges(w.f)
    n = len(w.v)
    key = edge_keys(n, e)
    order = np.argsort(key, kind="stable")
    key, from_low = key[order], (e[:, 0] < e[:, 1])[order]
    same = key[1:] == key[:-1]
    twice = int((same & (from_low[1:] == from_low[:-1])).sum() + (same[1:] & same[:-1]).sum())
    if twice:
        raise CheckError(f"{twice} edges have two faces on one side after mending")
    at = np.flatnonzero(same)
    a, b = order[at], order[at + 1]
    a_next, b_next = a - a % 3 + (a + 1) % 3, b - b % 3 + (b + 1) % 3
    fans = _components(w.f.size, np.concatenate([a, a_next]), np.concatenate([b_next, b]))
    if int(fans.max()) + 1 != int(np.bincount(w.f.ravel(), minlength=n).astype(bool).sum()):
        raise CheckError("two sheets still touch in a point after mending")

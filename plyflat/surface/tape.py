"""Find loops of coloured marking tape, or of pen, on a scan."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from numpy.typing import ArrayLike
from scipy import sparse
from scipy.sparse import csgraph
from scipy.spatial import cKDTree

from ..errors import OutlineError
from ._colour import COLOURS, alike, chromaticity, lab, lab_ab, light_of, nearer, rgb_of, seen
from .mesh import Bools, Floats, Ints, Surface, closed_length

__all__ = ["COLOURS", "TapeLoops", "TapedRegion", "find_tape", "find_tape_regions", "tape_region"]

if TYPE_CHECKING:
    from .region import Region

Edge = Literal["inner", "centre", "outer"]

_SPOT_MM2 = 60.0  # smaller patches of the colour are dirt or noise,
_LINE_MM = 35.0  # unless they make a line at least this long,
_LINK = 2.5  # of marks no farther apart than so many edges
_FINE = 1.5  # a line narrower than so many edges is only just seen
_PICK_MM = 1.5
_LIGHT_MM = 30.0
_APART = 0.5  # logarithm of the brightness of two greys that light alone tells apart
_STRIP_MM = 100.0  # a longer patch that closes nothing is a loop left open, a shorter one a mark
_SEED_OFF_MM = 20.0
_SEED_ROUND_MM = 40.0
_DIFFUSE_MM = 1.5
_GREY = 12.0  # chroma in Lab below which a colour is as good as grey
_STEP_MM = 3.0
_SMOOTH_MM = 12.0


@dataclass(frozen=True, eq=False)
class TapeLoops:
    """The tape that bounds one bare area of a surface.

    Attributes
    ----------
    loops_mm : tuple of (k, 3) float arrays, mm
        Closed lines on the surface about 3 mm from point to point, longest first, the area on the left seen from the
        air side.
    widths_mm : tuple of float
        Measured width of the tape of each loop, mm. The scan's grain adds up to a triangle's width to that of a pen line.
    gaps : tuple of (point, length)
        Where the tape was missing for more than about 6 mm and was bridged: a point (3,) and a length, both mm.
    share : float
        Area of the tape's colour over that of the whole surface.
    colour : tuple of int
        The tape's colour as found, sRGB.
    to_the_edge : bool
        Whether the area also ends at an edge of the mesh, where no tape is.
    grain_mm : float
        Mean edge of the scan's triangles, mm.
    by_brightness : bool
        Whether the tape has no hue of its own and was told from the hull by brightness alone.
    """

    loops_mm: tuple[Floats, ...]
    widths_mm: tuple[float, ...]
    gaps: tuple[tuple[tuple[float, float, float], float], ...]
    share: float
    colour: tuple[int, int, int]
    to_the_edge: bool
    grain_mm: float = 0.0
    by_brightness: bool = False

    @property
    def width_mm(self) -> float:
        """Mean width of the tape, mm, weighted by the loops' lengths."""
        return float(np.average(self.widths_mm, weights=[closed_length(q) for q in self.loops_mm]))

    @property
    def cautions(self) -> tuple[tuple[str, str], ...]:
        """What the user must know, and what to do: pairs of sentences."""
        out = [
            (f"the tape is missing over {length:.0f} mm at {_at(np.asarray(place))}; the line was carried on over the gap",
             "Look at the line there on the picture.")
            for place, length in self.gaps
        ]
        if self.to_the_edge:
            out.append(("the taped area also ends at the edge of the mesh, where no tape is",
                        "Check that the scan reaches as far as the laminate, or close the tape and scan again."))
        if self.by_brightness:
            out.append(("the tape is black, grey or white and was told from the hull by its brightness; the edge of a hard "
                        "shadow looks alike", "Look at the line on the picture; use coloured tape where shadows fall."))
        narrow = min(self.widths_mm)
        if narrow < _FINE * self.grain_mm:
            out.append((f"the line is {narrow:.1f} mm wide on triangles of {self.grain_mm:.1f} mm and only just seen",
                        "Measure the cut edge against the mark, or scan finer."))
        return tuple(out)


@dataclass(frozen=True, eq=False)
class TapedRegion:
    """A region that marking tape bounds, with the tape as found."""

    region: Region
    tape: TapeLoops


def find_tape(
    surface: Surface,
    *,
    colour: str | Sequence[int] | None = None,
    colour_at_mm: ArrayLike | None = None,
    seed_mm: ArrayLike,
    edge: Edge = "inner",
    gap_mm: float = 20.0,
    hull_colour: str | Sequence[int] | None = None,
) -> TapeLoops:
    """Return the loops of marking tape that bound the bare area round a seed.

    Parameters
    ----------
    surface : Surface
        With vertex colours; merged, oriented and in one piece.
    colour : str or (3,) ints, optional
        Colour of the tape: a name of `COLOURS`, "#rrggbb" or sRGB in 0..255. The tape may be lighter, darker or paler.
    colour_at_mm : (3,) floats, mm, optional
        A point on the tape, whose colour is taken. Give either this or `colour`.
    seed_mm : (3,) floats, mm
        A point of the area, on bare hull.
    edge : "inner", "centre" or "outer"
        Which line of the tape to return: the edge on the seed's side, the centre line, or the far edge.
    gap_mm : float
        Gaps in the tape up to this long are bridged.
    hull_colour : str or (3,) ints, optional
        Colour of the bare hull; by default that of the 40 mm round the seed.

    Returns
    -------
    TapeLoops

    Raises
    ------
    OutlineError
        No colours on the mesh; the seed off the surface or on the tape; the colour not found, or not at the point given;
        a loop left open or running off the mesh.

    Notes
    -----
    A vertex is tape when its colour lies nearer to the tape's than to the hull's, in chromaticity or in Lab's (a*, b*),
    whichever tells the two apart better on this scan. Black, grey and white tape, which light alone tells from the hull,
    is sought by its brightness against that of the hull about it, so that shadows do no harm. The patches found are
    widened to bridge gaps; what they cut the surface into decides which of them are loops. The centre line is first taken
    midway between the bare areas on its two sides, then moved to the middle of the tape itself and smoothed along its
    length, gaps carrying no weight. A pen line is followed if it is at least
    about as wide as the triangles' edges are long.

    References
    ----------
    Colours: IEC 61966-2-1 (sRGB) and CIE 15 (L*a*b*). Smoothing: Whittaker (1923), *Proc. Edinburgh Math. Soc.* 41,
    63-75; Eilers (2003), *Anal. Chem.* 75, 3631-3636, eq. 5, made periodic.
    """
    _check_options(edge, gap_mm)
    seed = _on_surface(surface, np.asarray(seed_mm, dtype=np.float64))
    near = np.linalg.norm(surface.vertices_mm - seed, axis=1) < max(_SEED_ROUND_MM, 3 * surface.mean_edge_mm)
    web = _web(surface)
    mask, found, grey = _classify(surface, web, near, _Wanted.of(surface, colour, colour_at_mm, hull_colour))
    nearest = int(np.argmin(np.linalg.norm(surface.vertices_mm - seed, axis=1)))
    if mask[nearest]:
        raise OutlineError("the seed lies on the tape", where=_at(seed), do="Move it to bare hull inside the area.")
    ground = _least_bridged(gap_mm, lambda gap: _ground(surface, web, mask, _divided(surface, web, mask, gap), nearest))
    return _loops_of(surface, web, mask, ground, edge, (found, grey))


def tape_region(
    surface: Surface,
    *,
    colour: str | Sequence[int] | None = None,
    colour_at_mm: ArrayLike | None = None,
    seed_mm: ArrayLike,
    edge: Edge = "inner",
    gap_mm: float = 20.0,
    hull_colour: str | Sequence[int] | None = None,
    name: str = "",
) -> Region:
    """Cut out the bare area round a seed that marking tape bounds; see `find_tape`.

    Returns
    -------
    Region

    Raises
    ------
    OutlineError
        As `find_tape` and `cut_region` do.
    """
    from .region import cut_region

    tape = find_tape(
        surface, colour=colour, colour_at_mm=colour_at_mm, seed_mm=seed_mm, edge=edge, gap_mm=gap_mm,
        hull_colour=hull_colour,
    )
    return cut_region(surface, list(tape.loops_mm), seed_mm=seed_mm, name=name)


def find_tape_regions(
    surface: Surface,
    *,
    colour: str | Sequence[int] | None = None,
    colour_at_mm: ArrayLike | None = None,
    edge: Edge = "inner",
    gap_mm: float = 20.0,
    hull_colour: str | Sequence[int] | None = None,
    name: str = "",
) -> list[TapedRegion]:
    """Cut out every area that a closed loop of tape bounds.

    What lies round all loops and reaches the rim of the mesh is the hull; on a mesh without a rim the largest bare piece.
    A loop bounds a region, a loop within it an opening of that region, a loop within that a region again.

    Parameters
    ----------
    surface : Surface
    colour, colour_at_mm, edge, gap_mm : as in `find_tape`
        "inner" is the edge of the tape on the region's side.
    hull_colour : str or (3,) ints, optional
        Colour of the bare hull; by default the commonest on the mesh.
    name : str
        The regions are called this with a number; without it they have no name.

    Returns
    -------
    list of TapedRegion
        Largest area first.

    Raises
    ------
    OutlineError
        As `find_tape`, for any of the loops; no closed loop at all.
    """
    from .region import cut_region

    _check_options(edge, gap_mm)
    web = _web(surface)
    near = np.ones(len(surface.vertices_mm), dtype=bool)
    mask, found, grey = _classify(surface, web, near, _Wanted.of(surface, colour, colour_at_mm, hull_colour))
    out = []
    for seed, ground in _least_bridged(gap_mm, lambda gap: _areas(surface, web, mask, gap)):
        tape = _loops_of(surface, web, mask, ground, edge, (found, grey))
        out.append(TapedRegion(cut_region(surface, list(tape.loops_mm), seed_mm=surface.vertices_mm[seed]), tape))
    out.sort(key=lambda q: -q.region.area_mm2)
    if not name:
        return out
    return [TapedRegion(replace(q.region, name=f"{name} {i}"), q.tape) for i, q in enumerate(out, 1)]


def _check_options(edge: str, gap_mm: float) -> None:
    if edge not in ("inner", "centre", "outer"):
        raise OutlineError(f"no tape edge {edge!r}", do='It is "inner", "centre" or "outer".')
    if not 0 <= gap_mm < np.inf:
        raise OutlineError(f"the gap to bridge is {gap_mm} mm", do="Give a length of 0 mm or more.")


def _least_bridged(gap_mm: float, divide: Callable[[float], Any]) -> Any:
    """What the least bridging of gaps yields that leaves no loop open: wide bridges would join loops side by side."""
    for share in (0.0, 0.3, 1.0):
        try:
            return divide(share * gap_mm)
        except OutlineError:
            if share == 1.0:
                raise
    raise OutlineError(f"the gap to bridge is {gap_mm} mm", do="Give a length of 0 mm or more.")


def _loops_of(
    surface: Surface, web: sparse.csr_matrix, mask: Bools, ground: _Ground, edge: Edge,
    found: tuple[tuple[int, int, int], bool],
) -> TapeLoops:
    """Follow the bands round one bare area."""
    traced = [_trace(surface, web, mask, ground, k, edge) for k in ground.loops]
    traced.sort(key=lambda t: -closed_length(t.line_mm))
    area = _vertex_areas(surface)
    return TapeLoops(
        tuple(t.line_mm for t in traced),
        tuple(t.width_mm for t in traced),
        tuple(g for t in traced for g in t.gaps),
        float(area[mask].sum() / area.sum()),
        found[0],
        bool(ground.bare[_rim(surface)].any()),
        surface.mean_edge_mm,
        found[1],
    )


# --- colours ----------------------------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _Wanted:
    """The colour looked for: sRGB (3,), that of the hull if stated, how it was given, and where it was picked."""

    rgb: Floats
    hull: Floats | None
    word: str
    at_mm: Floats | None

    @classmethod
    def of(
        cls, surface: Surface, colour: str | Sequence[int] | None, at_mm: ArrayLike | None,
        hull: str | Sequence[int] | None,
    ) -> _Wanted:
        if surface.colors is None:
            raise OutlineError("the mesh has no vertex colours, so no tape can be seen", do="Give an outline of points.")
        if (colour is None) == (at_mm is None):
            raise OutlineError("the tape's colour is not given in one way", do="Give either a colour or a point on the tape.")
        base = None if hull is None else rgb_of(hull)
        if colour is not None:
            return cls(rgb_of(colour), base, repr(colour), None)
        point = _on_surface(surface, np.asarray(at_mm, dtype=np.float64), "point on the tape")
        rgb = _picked(surface, point)
        r, g, b = rgb.round().astype(int)
        return cls(rgb, base, f"#{r:02x}{g:02x}{b:02x}, as at the point given,", point)


def _picked(surface: Surface, point: Floats) -> Floats:
    """Median colour (3,) of the few vertices about a point."""
    tree = cKDTree(surface.vertices_mm)
    near = tree.query_ball_point(point, _PICK_MM)
    if len(near) < 3:
        near = np.atleast_1d(tree.query(point, k=min(3, len(surface.vertices_mm)))[1]).tolist()
    return np.median(surface.colors[near], axis=0).astype(np.float64)  # type: ignore[index]


def _classify(
    surface: Surface, web: sparse.csr_matrix, near: Bools, wanted: _Wanted
) -> tuple[Bools, tuple[int, int, int], bool]:
    """Which vertices (n,) are tape, the tape's colour as found, and whether it has no hue of its own."""
    rgb, area, even = surface.colors.astype(np.float64), _vertex_areas(surface), _evening(surface)  # type: ignore[union-attr]
    near = alike(even(chromaticity(rgb)), near)
    hull = np.median(rgb[near], axis=0) if wanted.hull is None else wanted.hull
    hue, base = lab_ab(wanted.rgb[None])[0], lab_ab(hull[None])[0]
    _check_apart(wanted, hull)
    grey = min(np.linalg.norm(hue), np.linalg.norm(hue - base)) < _GREY  # told by lightness, if at all
    best, contrast = np.zeros(len(rgb), bool), 0.0
    for values, of_hull, of_tape, least in _spaces(surface, rgb, even, hull, wanted.rgb, bool(grey)):
        mask, apart = nearer(values, of_hull, of_tape, near, least=least)
        mask = _without_spots(surface, mask, area, web=web)
        if apart > contrast and mask.any():
            best, contrast = mask, apart
    if not best.any():
        raise OutlineError(
            f"no tape of colour {wanted.word} found; the scan's colours are {seen(rgb, area)}",
            do="Name the tape's colour as the scan shows it, as #rrggbb if need be.",
        )
    _check_picked(surface, best, wanted)
    r, g, b = np.median(surface.colors[best], axis=0).round().astype(int).tolist()  # type: ignore[index]
    return best, (r, g, b), bool(grey)


def _spaces(
    surface: Surface, rgb: Floats, even: Callable[[Floats], Floats], hull: Floats, tape: Floats, grey: bool
) -> Iterator[tuple[Floats, Floats, Floats, float]]:
    """Ways to look at the colours: values (n, d), the hull's and the tape's (d,), and the least share of their difference."""
    apart = light_of(tape[None]) - light_of(hull[None])
    if grey and abs(apart[0]) > _APART:
        light = even(light_of(rgb)[:, None])
        yield light - _about(surface, light), np.zeros(1), apart, 0.45
        return
    for space in (lab,) if grey else (chromaticity, lab_ab):
        yield even(space(rgb)), space(hull[None])[0], space(tape[None])[0], 0.25


def _about(surface: Surface, light: Floats) -> Floats:
    """Brightness (n, 1) of the hull about each vertex: the mean over some 40 mm, marks left out."""
    import igl
    from scipy.sparse.linalg import splu

    area = np.maximum(_vertex_areas(surface), 1e-12)
    stiff = -igl.cotmatrix(surface.vertices_mm, surface.faces)
    solve = splu(sparse.csc_matrix(sparse.diags(area) + _LIGHT_MM**2 * stiff)).solve
    weight = np.ones(len(area))
    for _ in range(3):
        share = np.maximum(solve(area * weight), 1e-6)
        mean = solve(area * weight * light[:, 0]) / share
        off = light[:, 0] - mean
        weight = np.where(np.abs(off) < max(2.5 * float(np.quantile(np.abs(off), 0.6)), 0.1), 1.0, 1e-3)
    return np.asarray(mean[:, None])


def _check_apart(wanted: _Wanted, hull: Floats) -> None:
    """Refuse a point whose colour is the hull's."""
    if wanted.at_mm is None:
        return
    hue = float(np.linalg.norm(lab_ab(wanted.rgb[None]) - lab_ab(hull[None])))
    if hue < _GREY / 2 and abs(light_of(wanted.rgb[None]) - light_of(hull[None]))[0] < _APART:
        raise OutlineError(
            "the colour at the point given is that of the bare hull", where=_at(wanted.at_mm),
            do="Give a point on the middle of the tape.",
        )


def _check_picked(surface: Surface, mask: Bools, wanted: _Wanted) -> None:
    if wanted.at_mm is None:
        return
    away = float(cKDTree(surface.vertices_mm[mask]).query(wanted.at_mm)[0])
    if away > _PICK_MM + 2 * surface.mean_edge_mm:
        raise OutlineError(
            f"the point given for the tape's colour lies {away:.0f} mm from any tape", where=_at(wanted.at_mm),
            do="Give a point on the middle of the tape.",
        )


# --- the mesh as a web of distances ------------------------------------------------------------------------------


def _on_surface(surface: Surface, seed: Floats, what: str = "seed") -> Floats:
    if seed.shape != (3,) or not np.isfinite(seed).all():
        raise OutlineError(f"the {what} is {seed.tolist()}, not a point", do="Give x, y and z in mm.")
    hit = surface.locate(seed)
    if hit.distance_mm[0] > _SEED_OFF_MM:
        raise OutlineError(
            f"the {what} lies {hit.distance_mm[0]:.0f} mm off the surface, more than {_SEED_OFF_MM:.0f} mm",
            where=_at(seed),
            do=f"The nearest point of the surface is {_at(hit.points_mm[0])}.",
        )
    return hit.points_mm[0]


def _at(point: Floats) -> str:
    x, y, z = point.tolist()
    return f"({x:.1f}, {y:.1f}, {z:.1f}) mm"


def _vertex_areas(surface: Surface) -> Floats:
    third = np.repeat(surface.face_areas_mm2 / 3, 3)
    area: Floats = np.bincount(surface.faces.ravel(), third, minlength=len(surface.vertices_mm)).astype(np.float64)
    return area


def _edges(surface: Surface) -> tuple[Ints, Ints, Ints]:
    """Sides (e, 2) of all faces end to end, sorted, the face of each, and the corner opposite to it."""
    f = surface.faces
    e = np.concatenate([f[:, [1, 2]], f[:, [2, 0]], f[:, [0, 1]]])
    return np.sort(e, axis=1), np.tile(np.arange(len(f)), 3), np.concatenate([f[:, 0], f[:, 1], f[:, 2]])


def _rim(surface: Surface) -> Ints:
    """Vertices on the mesh's own edges."""
    e, n = _edges(surface)[0], len(surface.vertices_mm)
    key, count = np.unique(e[:, 0] * n + e[:, 1], return_counts=True)
    return np.unique(np.concatenate(np.divmod(key[count == 1], n)))


def _web(surface: Surface) -> sparse.csr_matrix:
    """Graph of the mesh's edges and of the steps across each edge, weighted with their lengths in mm.

    The steps across, measured with the two faces laid flat, keep shortest paths within some 3 % of the true distance.
    """
    v, (e, _, tip) = surface.vertices_mm, _edges(surface)
    n = len(v)
    key = e[:, 0] * n + e[:, 1]
    order = np.argsort(key, kind="stable")
    twin = np.flatnonzero(key[order][1:] == key[order][:-1])
    first, second = order[twin], order[twin + 1]
    base = v[e[first, 1]] - v[e[first, 0]]
    length = np.linalg.norm(base, axis=1)
    base = base / np.where(length > 0, length, 1.0)[:, None]
    c, d = v[tip[first]] - v[e[first, 0]], v[tip[second]] - v[e[first, 0]]
    x1, x2 = (c * base).sum(1), (d * base).sum(1)
    y1, y2 = np.linalg.norm(np.cross(base, c), axis=1), np.linalg.norm(np.cross(base, d), axis=1)
    high = np.where(y1 + y2 > 0, y1 + y2, 1.0)
    cross = x1 + (x2 - x1) * y1 / high
    across = (cross > 0) & (cross < length) & (tip[first] != tip[second])
    ends = np.concatenate([e, np.stack([tip[first], tip[second]], 1)[across]])
    weight = np.concatenate([np.linalg.norm(v[e[:, 0]] - v[e[:, 1]], axis=1), np.hypot(x1 - x2, y1 + y2)[across]])
    i, j = np.sort(ends, axis=1).T
    _, once = np.unique(i * n + j, return_index=True)
    weight = np.maximum(weight[once], 1e-9)
    return sparse.csr_matrix((weight, (i[once], j[once])), shape=(n, n)).maximum(
        sparse.csr_matrix((weight, (j[once], i[once])), shape=(n, n))
    )


def _evening(surface: Surface) -> Callable[[Floats], Floats]:
    """Return what evens out the grain of values on the vertices over 1.5 mm, where the mesh is fine enough for that."""
    e, n = _edges(surface)[0], len(surface.vertices_mm)
    i, j = np.divmod(np.unique(e[:, 0] * n + e[:, 1]), n)
    length = np.linalg.norm(surface.vertices_mm[i] - surface.vertices_mm[j], axis=1)
    weight = np.exp(-0.5 * (length / max(_DIFFUSE_MM, 0.45 * surface.mean_edge_mm)) ** 2)
    near = sparse.csr_matrix((weight, (i, j)), shape=(n, n))
    near = near + near.T + sparse.identity(n, format="csr")
    near = sparse.diags(1 / np.asarray(near.sum(axis=1)).ravel()) @ near
    passes = int(np.clip(round((_DIFFUSE_MM / surface.mean_edge_mm) ** 2), 1, 8))

    def even(values: Floats) -> Floats:
        """Even values out between neighbours."""
        for _ in range(passes):
            values = near @ values
        return values

    return even


def _pieces(surface: Surface, mask: Bools) -> tuple[int, Ints]:
    """Number the connected pieces of some vertices; -1 elsewhere."""
    e = _edges(surface)[0]
    e = e[mask[e].all(axis=1)]
    n = len(mask)
    link = sparse.coo_matrix((np.ones(len(e)), (e[:, 0], e[:, 1])), shape=(n, n))
    _, label = csgraph.connected_components(link, directed=False)
    used, label = np.unique(np.where(mask, label, -1), return_inverse=True)
    label = label.reshape(-1) - (used[0] == -1)
    return int(label.max()) + 1, label


def _without_spots(
    surface: Surface, mask: Bools, area: Floats, least_mm2: float = _SPOT_MM2, *, web: sparse.csr_matrix | None = None
) -> Bools:
    """Leave out pieces that are too small; with a web, those that make a line of marks are kept."""
    count, label = _pieces(surface, mask)
    if count == 0:
        return mask
    size = np.bincount(label[mask], area[mask], minlength=count)
    keep = mask & (size >= least_mm2)[label]
    if web is None or keep.all():
        return keep
    wide = np.isfinite(_reach(web, mask, min(0.5 * _LINK * surface.mean_edge_mm, 4.0)))
    count, label = _pieces(surface, wide)
    low, high = np.full((count, 3), np.inf), np.full((count, 3), -np.inf)
    np.minimum.at(low, label[mask], surface.vertices_mm[mask])
    np.maximum.at(high, label[mask], surface.vertices_mm[mask])
    return keep | (mask & (np.linalg.norm(high - low, axis=1) >= _LINE_MM)[label])


def _reach(web: sparse.csr_matrix, start: Bools, limit_mm: float) -> Floats:
    """Distance (n,) along the surface from a set of vertices, inf beyond the limit."""
    return csgraph.dijkstra(web, directed=False, indices=np.flatnonzero(start), min_only=True, limit=limit_mm)


# --- what the tape divides ----------------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _Ground:
    """The surface divided by widened tape: the bare area with the seed, other bare areas, and the bands between.

    bare, other : (n,) bool; band : (n,) int, -1 off the tape; loops : the bands that part bare from other.
    """

    bare: Bools
    other: Bools
    band: Ints
    loops: tuple[int, ...]


@dataclass(frozen=True, eq=False)
class _Parts:
    """What widened tape divides a surface into.

    rest : (n,) bool, what is bare; piece, band : (n,) int, the number of each bare piece and of each band of tape, -1
    elsewhere.
    """

    rest: Bools
    piece: Ints
    band: Ints


def _divided(surface: Surface, web: sparse.csr_matrix, mask: Bools, gap_mm: float) -> _Parts:
    wide = np.isfinite(_reach(web, mask, gap_mm / 2 + _DIFFUSE_MM))
    rest = _without_spots(surface, ~wide, _vertex_areas(surface), max(gap_mm**2, 4 * _SPOT_MM2))
    return _Parts(rest, _pieces(surface, rest)[1], _pieces(surface, ~rest)[1])


def _touching(surface: Surface, piece: Ints, band: Ints) -> Ints:
    """Pairs (k, 2) of a bare piece and a band that border on each other."""
    e = _edges(surface)[0]
    e = np.concatenate([e, e[:, ::-1]])
    e = e[(piece[e[:, 0]] >= 0) & (band[e[:, 1]] >= 0)]
    return np.unique(np.stack([piece[e[:, 0]], band[e[:, 1]]], axis=1), axis=0)


def _ground(surface: Surface, web: sparse.csr_matrix, mask: Bools, parts: _Parts, seed: int) -> _Ground:
    """The bare area a seed belongs to, and the bands that part it from others."""
    rest, piece, band = parts.rest, parts.piece, parts.band
    home = _home(surface, web, mask, piece, seed)
    pairs = _touching(surface, piece, band)
    beside, parting = np.unique(pairs[pairs[:, 0] == home, 1]), np.unique(pairs[pairs[:, 0] != home, 1])
    _refuse_open(surface, web, mask, band, np.setdiff1d(beside, parting))
    loops = np.intersect1d(beside, parting)
    if not len(loops):
        raise OutlineError(
            "no tape goes round the seed", where=_at(surface.vertices_mm[seed]), do="Move the seed into the taped area."
        )
    return _Ground(piece == home, rest & (piece != home), band, tuple(loops.tolist()))


def _areas(surface: Surface, web: sparse.csr_matrix, mask: Bools, gap_mm: float) -> list[tuple[int, _Ground]]:
    """Each area that loops bound, with a vertex inside it."""
    parts = _divided(surface, web, mask, gap_mm)
    return [(k, _ground(surface, web, mask, parts, k)) for k in _seeds(surface, web, mask, parts)]


def _seeds(surface: Surface, web: sparse.csr_matrix, mask: Bools, parts: _Parts) -> list[int]:
    """The innermost vertex of each bare piece that an odd number of loops parts from the hull round about."""
    rest, piece, band = parts.rest, parts.piece, parts.band
    pairs = _touching(surface, piece, band)
    count = int(piece.max()) + 1
    known, often = np.unique(pairs[:, 1], return_counts=True)
    _refuse_open(surface, web, mask, band, known[often < 2])
    size = (count + int(band.max()) + 1,) * 2
    link = sparse.coo_matrix((np.ones(len(pairs)), (pairs[:, 0], count + pairs[:, 1])), shape=size)
    hull = np.unique(piece[_rim(surface)])
    hull = hull[hull >= 0]
    if not len(hull):
        area = np.bincount(piece[rest], _vertex_areas(surface)[rest], minlength=count)
        hull = np.array([int(np.argmax(area))])
    depth = csgraph.dijkstra(link, directed=False, indices=hull, min_only=True, unweighted=True)[:count] / 2
    inner = np.flatnonzero(np.isfinite(depth) & (np.round(depth) % 2 == 1))
    if not len(inner):
        raise OutlineError(
            "no closed loop of tape is found", do="Close the loops on the hull, state a larger gap, or give a seed."
        )
    far = _reach(web, ~rest, np.inf)
    return [int(np.argmax(np.where(piece == k, far, -1.0))) for k in inner.tolist()]


def _home(surface: Surface, web: sparse.csr_matrix, mask: Bools, piece: Ints, seed: int) -> int:
    """The bare piece the seed belongs to; from close beside the tape, the nearest one without crossing it."""
    if piece[seed] >= 0:
        return int(piece[seed])
    free = sparse.diags((~mask).astype(np.float64))
    open_web = (free @ web @ free).tocsr()
    open_web.eliminate_zeros()
    away = csgraph.dijkstra(open_web, directed=False, indices=seed, limit=200.0)
    away[piece < 0] = np.inf
    if not np.isfinite(away).any():
        raise OutlineError(
            "there is no bare hull round the seed, only tape", where=_at(surface.vertices_mm[seed]),
            do="Move the seed to the middle of the area, or state a smaller gap.",
        )
    return int(piece[int(np.argmin(away))])


def _refuse_open(surface: Surface, web: sparse.csr_matrix, mask: Bools, band: Ints, loose: Ints) -> None:
    """Raise if a band that closes nothing is long enough to be meant as a loop."""
    ends = []
    for k in loose:
        here = mask & (band == k)
        if here.any():
            a, b, length = _strip_ends(web, band == k, here)
            if length > _STRIP_MM:
                ends += [_end(surface, here, a), _end(surface, here, b)]
    if not ends:
        return
    length, where = min((_gap(p, q) for i, p in enumerate(ends) for q in ends[i + 1 :]), key=lambda g: g[0])
    more = f", and in {len(ends) // 2 - 1} more places" if len(ends) > 2 else ""
    raise OutlineError(
        f"the tape loop is open: {length:.0f} mm of tape are missing{more}", where=_at(where),
        do="Close the loop on the hull and scan again, state a larger gap, or give an outline of points.",
    )


def _strip_ends(web: sparse.csr_matrix, band: Bools, tape: Bools) -> tuple[int, int, float]:
    """The two tape vertices of a band that lie farthest apart along it, by two sweeps, and how far, mm."""
    idx = np.flatnonzero(band)
    part, on_tape = web[idx][:, idx], tape[idx]
    far, length = int(np.argmax(on_tape)), 0.0
    pair = []
    for _ in range(3):
        d = csgraph.dijkstra(part, directed=False, indices=far)
        d[~on_tape | ~np.isfinite(d)] = -1
        far, length = int(np.argmax(d)), float(d.max())
        pair.append(int(idx[far]))
    return pair[-1], pair[-2], length


def _end(surface: Surface, tape: Bools, vertex: int, reach_mm: float = 15.0) -> Floats:
    """The tape's vertices (k, 3) near its end."""
    p = surface.vertices_mm[tape]
    return p[np.linalg.norm(p - surface.vertices_mm[vertex], axis=1) < reach_mm]


def _gap(p: Floats, q: Floats) -> tuple[float, Floats]:
    """Bare length between two ends of tape and the middle between them."""
    return float(cKDTree(p).query(q)[0].min()), (p.mean(axis=0) + q.mean(axis=0)) / 2


# --- the line -----------------------------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _Traced:
    line_mm: Floats
    width_mm: float
    gaps: tuple[tuple[tuple[float, float, float], float], ...]


def _trace(
    surface: Surface, web: sparse.csr_matrix, mask: Bools, ground: _Ground, k: int, edge: Edge
) -> _Traced:
    """The asked-for line of one band."""
    here = ground.band == k
    d_in, d_out = _reach(web, ground.bare, 500.0), _reach(web, ground.other, 500.0)
    known = np.isfinite(d_in) & np.isfinite(d_out) & (here | ground.bare | ground.other)
    lie = np.zeros(len(here))
    lie[known] = d_in[known] - d_out[known]
    faces = surface.faces[here[surface.faces].any(axis=1) & known[surface.faces].all(axis=1)]
    line = _zero_line(surface, faces, lie)
    patch, used = surface.sub(here[surface.faces].any(axis=1))
    tape = mask[used] & here[used]
    for _ in range(3):
        line = _evened(patch, line)
    line = _turned(line, patch, d_in[used])
    line, width, bare = _centred(patch, tape, line)
    gaps = _runs(line, bare)
    half = {"inner": width / 2, "centre": 0.0, "outer": -width / 2}[edge]
    if half:
        line = line + half * _leftward(patch, line)
    return _Traced(_on(patch, _resampled(line)), width, gaps)


def _zero_line(surface: Surface, faces: Ints, lie: Floats) -> Floats:
    """The longest closed line (k, 3) along which a field on the vertices is zero."""
    above = lie[faces] >= 0
    faces = faces[above.any(axis=1) & ~above.all(axis=1)]
    sides = np.stack([faces, np.roll(faces, -1, axis=1)], axis=2)
    hit = (lie[sides[..., 0]] >= 0) != (lie[sides[..., 1]] >= 0)
    pairs = np.sort(sides[hit], axis=1)
    keys, node = np.unique(pairs, axis=0, return_inverse=True)
    link = node.reshape(-1, 2)
    a, b = lie[keys[:, 0]], lie[keys[:, 1]]
    t = (a / (a - b))[:, None]
    points = surface.vertices_mm[keys[:, 0]] * (1 - t) + surface.vertices_mm[keys[:, 1]] * t
    chains = [points[c] for c in _chains(link, len(keys))]
    if not chains:
        raise OutlineError(
            "the tape is too wide to have a middle line", where=_at(surface.vertices_mm.mean(axis=0)),
            do="Give an outline of points.",
        )
    longest = max(chains, key=closed_length)
    count = np.bincount(link.ravel(), minlength=len(keys))
    if (count == 1).any():
        loose = points[count == 1]
        away = cKDTree(longest).query(loose)[0]
        if away.min() < 1e-9:
            raise OutlineError(
                "the tape runs off the edge of the mesh", where=_at(loose[int(np.argmin(away))]),
                do="Scan farther round the area, or give an outline of points.",
            )
    return longest


def _chains(link: Ints, count: int) -> list[list[int]]:
    """Nodes in order along each chain of links (e, 2); open chains start at an end."""
    follow: list[list[int]] = [[] for _ in range(count)]
    for a, b in link.tolist():
        follow[a].append(b)
        follow[b].append(a)
    order = sorted(range(count), key=lambda i: len(follow[i]))
    seen, chains = [False] * count, []
    for start in order:
        chain, at = [], start
        while not seen[at]:
            seen[at] = True
            chain.append(at)
            at = next((n for n in follow[at] if not seen[n]), at)
        if len(chain) > 2:
            chains.append(chain)
    return chains


def _resampled(line: Floats, step_mm: float = _STEP_MM) -> Floats:
    """Points evenly along a closed line."""
    ring = np.concatenate([line, line[:1]])
    gone = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(ring, axis=0), axis=1))])
    count = max(8, round(gone[-1] / step_mm))
    at = np.arange(count) * gone[-1] / count
    return np.stack([np.interp(at, gone, ring[:, i]) for i in range(3)], axis=1)


def _smoothed(values: Floats, weight: Floats, over: float) -> Floats:
    """Periodic Whittaker smoothing of (k, d) values over a length in samples; no weight, no say."""
    k, i = len(values), np.arange(len(values))
    ring = sparse.csc_matrix((np.ones(k), (i, (i + 1) % k)), shape=(k, k))
    second = ring + ring.T - 2 * sparse.identity(k, format="csc")
    w = sparse.diags(weight / weight.mean())
    system = (w + over**4 * second.T @ second).tocsc()  # Eilers eq. 5: (W + lambda D'D) z = W y
    out = sparse.linalg.spsolve(system, w @ values)
    return out.reshape(values.shape)


def _on(patch: Surface, line: Floats) -> Floats:
    return patch.locate(line).points_mm


def _evened(patch: Surface, line: Floats) -> Floats:
    """The line smoothed and laid back on the surface: that undoes shrinking where the line runs round a nose."""
    line = _resampled(line)
    return _on(patch, _smoothed(line, np.ones(len(line)), _SMOOTH_MM / _STEP_MM / 2))


def _leftward(patch: Surface, line: Floats) -> Floats:
    """Unit vectors (k, 3) along the surface to the left of the line, seen from the air side."""
    near = cKDTree(patch.vertices_mm).query(line, k=8)[1]
    normal = patch.vertex_normals[near].mean(axis=1)
    ahead = np.roll(line, -2, axis=0) - np.roll(line, 2, axis=0)
    left = np.cross(normal, ahead)
    return left / np.maximum(np.linalg.norm(left, axis=1, keepdims=True), 1e-12)


def _turned(line: Floats, patch: Surface, d_in: Floats) -> Floats:
    """The line with the bare area on its left."""
    left = _leftward(patch, line)
    find = cKDTree(patch.vertices_mm).query
    nearer = np.mean(d_in[find(line + 6 * left)[1]]) < np.mean(d_in[find(line - 6 * left)[1]])
    return line if nearer else line[::-1]


def _centred(patch: Surface, tape: Bools, line: Floats) -> tuple[Floats, float, Bools]:
    """Move the line to the middle of the tape; return it, the tape's width, and where (k,) no tape is."""
    area, p = _vertex_areas(patch)[tape], patch.vertices_mm[tape]
    width = float(area.sum()) / closed_length(line)
    for reach in (1.5, 1.0, 0.8):
        line = _resampled(line)
        at, beside = _offsets(patch, line, p)
        keep = np.abs(beside) < max(reach * width, 4.0)
        # a strip is longer on the outside of a bend: weigh by its width alone
        fair = area / np.clip(1 - _bend(patch, line)[at] * beside, 0.3, 3.0)
        size, moment = (_windowed(at[keep], q[keep], len(line)) for q in (fair, fair * beside))
        full = size > 0.4 * 3 * _STEP_MM * width
        width = float(fair[keep].sum()) / (max(full.sum(), 1) * closed_length(line) / len(line))
        middle = np.where(full, moment / np.maximum(size, 1e-9), 0.0)
        shift = _smoothed(middle, np.where(full, 1.0, 1e-6), _SMOOTH_MM / _STEP_MM)
        line = _on(patch, line + shift[:, None] * _leftward(patch, line))
    return line, width, ~full


def _windowed(at: Ints, values: Floats, count: int) -> Floats:
    """Sums (count,) of values over each sample of a closed line and its two neighbours."""
    own = np.bincount(at, values, minlength=count).astype(np.float64)
    return np.roll(own, 1) + own + np.roll(own, -1)


def _bend(patch: Surface, line: Floats, span: int = 5) -> Floats:
    """Curvature (k,) of the line within the surface, 1/mm, positive where it bends to the left."""
    ahead, behind = np.roll(line, -span, axis=0) - line, line - np.roll(line, span, axis=0)
    length = 0.5 * (np.linalg.norm(ahead, axis=1) + np.linalg.norm(behind, axis=1))
    bend = ((ahead - behind) * _leftward(patch, line)).sum(axis=1) / length**2
    return _smoothed(bend, np.ones(len(line)), 2.0 * span)


def _offsets(patch: Surface, line: Floats, points: Floats) -> tuple[Ints, Floats]:
    """For each point the nearest sample of the line, and how far to its left the point lies."""
    at = cKDTree(line).query(points)[1]
    return at, ((points - line[at]) * _leftward(patch, line)[at]).sum(axis=1)


def _runs(line: Floats, bare: Bools) -> tuple[tuple[tuple[float, float, float], float], ...]:
    """Middle and length of each run of two or more samples without tape."""
    if not bare.any() or bare.all():
        return ()
    start = int(np.argmin(bare))
    out, run = [], []
    for i in [*((start + np.arange(len(bare))) % len(bare)).tolist(), start]:
        if bare[i]:
            run.append(i)
        elif len(run) > 1:
            x, y, z = line[run].mean(axis=0).tolist()
            out.append(((x, y, z), float(_STEP_MM * len(run))))
        if not bare[i]:
            run = []
    return tuple(out)

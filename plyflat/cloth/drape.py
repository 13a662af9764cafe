"""Cloth laid over a doubly curved surface without stretch: warp and weft keep their lengths, the angle between gives."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from ..errors import MeshError, OutlineError, SolveError
from ..surface._smooth import SMOOTH_MM
from ..surface.mesh import Bools, Floats, Surface
from ..surface.region import Region
from ._generators import Steering, straight
from ._net import BEYOND, FOLDED, LOST, OPENED, Net
from ._net_bed import make_bed
from ._net_check import Bound, CornerCheck, bound_shear, check_corners
from ._net_ground import unit
from ._net_lay import Laid, lay
from ._patch import place_text
from .locking import Locked, Locking, Spot, locked_part

__all__ = ["Bound", "CornerCheck", "DartAdvice", "Drape", "Locking", "Net", "Steering", "drape"]

#: A drape that covers less of the ply than this is refused unless another share is asked for.
LEAST_COVER = 0.5
#: A cut's tip stands at this share of the way from the start to the spot; spots under this share of the ply get none.
TIP, WORTH = 0.3, 0.002
#: A triangle whose area is less than this share of its longest side squared has none.
NO_AREA = 1e-14
#: Corner sums may differ from the curvature by this much, and by this share of it, before a drape is called doubtful.
DOUBT_DEG, DOUBT_SHARE = 0.5, 0.05


@dataclass(frozen=True, eq=False)
class DartAdvice:
    """Where a cut would take most shear out of a locked spot.

    On a dome the cut is a dart that closes; on a saddle (`opens` is true) a slit that opens and takes a gusset.

    Attributes
    ----------
    line_mm : (k, 3) float array, mm
        On the surface, from the cut's tip to the worst place of the spot; it goes on to the ply's edge.
    uv_mm : (k, 2) float array, mm
        The same on the flat cloth.
    angle_deg : float
        By how much the cut closes or opens at its tip.
    shear_deg : float
        What the worst place shears without the cut; about half of that is left with it.
    opens : bool
    """

    line_mm: Floats
    uv_mm: Floats
    angle_deg: float
    shear_deg: float
    opens: bool


@dataclass(frozen=True, eq=False)
class Drape:
    """A ply laid over its surface as a net of threads that do not stretch.

    The flat place of a vertex is (along warp, along weft) from the start, right-handed as seen from the air side.
    Shear is 90° less the angle from the warp to the weft: positive where they close up between +warp and +weft.
    Vertices that no thread reaches (`covered` is false) carry the straight continuation of the nearest cell.

    Attributes
    ----------
    uv_mm : (n, 2) float array, mm
        Flat place of each vertex of the ply; finite everywhere.
    shear_deg : (n,) float array
        Signed.
    covered : (n,) bool array
    trusted : (n,) bool array
        Covered, and by threads that did not come back from beyond a free edge of the surface.
    warp, weft : (n, 3) float array
        Unit vectors of the threads at the vertices, along the surface.
    locking : Locking or None
        What the cloth bears, where it was given.
    locked : Locked or None
        The part of the ply past that.
    net : Net
        The nodes, for pictures.
    steering : Steering
        How the first two threads bend; not at all if they are geodesics.
    warp_line_mm, weft_line_mm : (k, 3) float array, mm
        The first two threads through the start, as far as the net goes: where to lay them on the mould. Flat, they
        are the straight lines v = 0 and u = 0 of the template.
    start_mm : (3,) float array, mm
        On the surface.
    cover : float
        Share of the ply's area that is covered.
    uncovered_mm2 : float
    uncovered_at_mm : (3,) float array or None
        The middle of the uncovered vertices farthest from the covered ones.
    folds_mm, openings_mm : (k, 3) float array, mm
        Where threads folded over each other, and where they could not be joined any more; none beyond there.
    check : CornerCheck
        The net's shear held to the surface's curvature.
    bound : Bound
        Shear that threads running about so cannot avoid.
    laid : Laid
        The net with what it was laid on, to read it elsewhere.
    """

    surface: Surface
    uv_mm: Floats
    shear_deg: Floats
    covered: Bools
    trusted: Bools
    warp: Floats
    weft: Floats
    locking: Locking | None
    locked: Locked | None
    net: Net
    steering: Steering
    warp_line_mm: Floats
    weft_line_mm: Floats
    start_mm: Floats
    cover: float
    uncovered_mm2: float
    uncovered_at_mm: Floats | None
    folds_mm: Floats
    openings_mm: Floats
    check: CornerCheck
    bound: Bound
    laid: Laid

    @property
    def locked_area_mm2(self) -> float:
        """Area past locking, mm²; 0 where no locking was given."""
        return self.locked.area_mm2 if self.locked is not None else 0.0

    @property
    def weight_factor(self) -> Floats:
        """(n,) areal weight of the sheared cloth over that of the cloth on the roll: 1 / cos(shear)."""
        return np.asarray(1.0 / np.cos(np.radians(self.shear_deg)))

    @property
    def most_deg(self) -> float:
        """Largest shear either way on what is covered, degrees."""
        return float(np.abs(self.shear_deg[self.covered]).max(initial=0.0))

    @property
    def doubtful(self) -> bool:
        """Whether the corner sums disagree with the surface's curvature."""
        off = np.abs(self.check.corners_deg - self.check.missing_deg)
        return bool((off > DOUBT_DEG + DOUBT_SHARE * np.abs(self.check.missing_deg)).any())

    @property
    def must_cut(self) -> bool:
        """Whether the curvature alone is past what the cloth bears, whatever the start and the first threads."""
        if self.locking is None:
            return False
        # One corner pair of a rectangle shears one way, the other pair the other way.
        return bool(self.bound.least_deg > 0.5 * (self.locking.lock_deg + self.locking.lock_back_deg))

    @cached_property
    def first_reach_mm(self) -> tuple[tuple[float, float], tuple[float, float]]:
        """From where to where the first warp and the first weft run, from the start; infinite but up to a cut across them.

        Beyond it the cloth of the cut's side runs on, which lies otherwise on the hull.
        """
        return _first_ends(self.laid, 0)[2], _first_ends(self.laid, 1)[2]

    @cached_property
    def advice(self) -> tuple[DartAdvice, ...]:
        """Where to cut, for each locked spot that is worth it, the largest first.

        A dart of angle d is a point of curvature -d: it takes d off the shear of all that lies beyond its tip along
        warp and weft, and nothing else. With its tip near the start it reaches all of the spot; half the spot's
        shear then leaves as much on both sides of the cut. Of a piece that is cut already nothing more is advised.
        """
        if self.locked is None or self.laid.parts:
            return ()
        worth = [q for q in self.locked.spots if q.area_mm2 > WORTH * self.surface.area_mm2]
        return tuple(self._cut_to(q) for q in worth)

    def _cut_to(self, spot: Spot) -> DartAdvice:
        worst = int(np.linalg.norm(self.surface.vertices_mm - spot.place_mm, axis=1).argmin())
        uv = np.linspace(TIP, 1.0, 30)[:, None] * self.uv_mm[worst]
        line = self.surface.locate(self.on_net(uv)).points_mm
        opens = spot.shear_deg * uv[-1, 0] * uv[-1, 1] < 0
        return DartAdvice(line, uv, 0.5 * abs(spot.shear_deg), spot.shear_deg, bool(opens))

    def on_net(self, uv_mm: Floats) -> Floats:
        """Return (k, 3) places, mm, of flat places (k, 2) on the net, between its nodes straight."""
        return _on_net(self.net, uv_mm)

    @cached_property
    def face_fibres(self) -> tuple[Floats, Floats]:
        """(m, 3) unit vectors of warp and of weft in each triangle."""
        n = self.surface.face_normals
        out = []
        for field in (self.warp, self.weft):
            mean = field[self.surface.faces].sum(axis=1)
            out.append(unit(mean - (mean * n).sum(axis=1, keepdims=True) * n))
        return out[0], out[1]

    def off_deg(self, direction: ArrayLike, *, turn_deg: float = 0.0) -> tuple[Floats, Floats]:
        """Return by how much warp and weft are off a stated direction and the one square to it.

        Parameters
        ----------
        direction : (3,) float array
            Dropped on each triangle.
        turn_deg : float
            Turn of the stated warp from there, anticlockwise seen from the air side.

        Returns
        -------
        (m,) float array, degrees
            Of the warp, anticlockwise positive.
        (m,) float array, degrees
            Of the weft.
        """
        n = self.surface.face_normals
        x = np.broadcast_to(np.asarray(direction, dtype=np.float64), n.shape)
        x = unit(x - (x * n).sum(axis=1, keepdims=True) * n)
        y = np.cross(n, x)
        out = []
        for field, own in zip(self.face_fibres, (0.0, 90.0)):
            angle = np.degrees(np.arctan2((field * y).sum(axis=1), (field * x).sum(axis=1)))
            out.append((angle - turn_deg - own + 180.0) % 360.0 - 180.0)
        return out[0], out[1]


def drape(
    surface: Surface | Region,
    start_mm: ArrayLike,
    warp: ArrayLike,
    *,
    turn_deg: float = 0.0, crossing_deg: float = 90.0,
    spacing_mm: float | None = None,
    faces: Literal["curved", "flat"] = "curved",
    steering: Steering | None = None,
    locking: Locking | None = None,
    least_cover: float = LEAST_COVER,
    tolerance_mm: float = 10.0,
    smooth_mm: float = SMOOTH_MM,
) -> Drape:
    """Lay a cloth over a surface, smoothed out from a start along its warp and weft.

    The threads through the start run straight along the surface (geodesics) unless they are steered; all others
    follow, since threads keep their lengths and do not slip where they cross. A ply that is given as a region is laid
    on the whole surface about it, so that threads may leave the ply and come back.

    Parameters
    ----------
    surface : Surface or Region
        The ply. A net on a bare surface is carried on a little beyond its edge, and no farther.
    start_mm : (3,) float array, mm
        Where the cloth is put down first; on the ply.
    warp : (3,) float array
        Direction of the warp at the start, dropped on the surface.
    turn_deg : float
        Turn of the warp from there, anticlockwise seen from the air side (the ply's angle).
    crossing_deg : float
        Angle from warp to weft at the start.
    spacing_mm : float, optional
        Between threads of the net. About a 120th of the ply if not given.
    faces : {"curved", "flat"}
        Whether triangles are curved to the normals at their corners, up to the creases, or taken as they are.
    steering : Steering, optional
        How the first two threads bend; its own crossing takes the place of ``crossing_deg``.
    locking : Locking, optional
        Shear that the cloth bears.
    least_cover : float
        Share of the ply's area that must be covered, 0 to 1.
    tolerance_mm : float
        How far the start may lie off the ply.
    smooth_mm : float
        Length scale of the evened copy the net is laid on where the surface is noisy.

    Returns
    -------
    Drape

    Raises
    ------
    MeshError, OutlineError
        Triangles without area; a start off the ply, a warp that stands on the surface, numbers that cannot be.
    ShapeError
        A ply in several pieces, a spacing wider than it, or one that needs over 5 million nodes.
    SolveError
        A net that covers less than asked for.

    References
    ----------
    Mack, Taylor (1956). The fitting of woven cloth to surfaces. J. Textile Inst. 47(9), T477-T488.
    van West, Pipes, Keefe (1990). J. Textile Inst. 81(4), 448-460.

    Examples
    --------
    A sheet bent to a quarter of a cylinder needs no shear:

    >>> v = np.array([[300 * np.sin(t), y, 300 * np.cos(t)] for t in np.linspace(0, np.pi / 2, 40) for y in (0.0, 200.0)])
    >>> f = [g for i in range(0, 78, 2) for g in ([i, i + 2, i + 1], [i + 1, i + 2, i + 3])]
    >>> laid = drape(Surface(v, f), [300 * np.sin(0.8), 100, 300 * np.cos(0.8)], [0, 1, 0], turn_deg=30)
    >>> bool(laid.covered.all()), laid.most_deg < 0.01
    (True, True)
    """
    check_given(surface, turn_deg, crossing_deg, least_cover, smooth_mm, tolerance_mm, faces)
    steering = straight(crossing_deg) if steering is None else steering
    bed = make_bed(surface, curved=faces == "curved", smooth_mm=smooth_mm)
    start = bed.start(start_mm, warp, turn_deg=turn_deg, crossing_deg=steering.crossing_deg, tolerance_mm=tolerance_mm)
    return drape_of(lay(bed, start, steering, spacing_mm=spacing_mm), locking=locking, least_cover=least_cover)


def check_given(
    surface: Surface | Region,
    turn_deg: float,
    crossing_deg: float,
    least_cover: float,
    smooth_mm: float,
    tolerance_mm: float = 0.0,
    faces: str = "curved",
) -> None:
    """Refuse what no net can be laid on or by.

    Parameters
    ----------
    surface, turn_deg, crossing_deg, least_cover, smooth_mm, tolerance_mm, faces
        As for `drape`.

    Raises
    ------
    MeshError
        Triangles without area, on the ply or on the surface about it.
    OutlineError
        A turn that is not finite, threads that hardly cross, a share or a length that cannot be.
    """
    _check_faces(surface.parent if isinstance(surface, Region) else surface)
    if not np.isfinite(turn_deg):
        raise OutlineError(f"the warp is turned by {turn_deg:g} degrees", do="Give a finite angle.")
    if not (np.isfinite(crossing_deg) and 5.0 <= crossing_deg <= 175.0):
        raise OutlineError(
            f"warp and weft cross at {crossing_deg:g} degrees", do="Give an angle between 5 and 175 degrees."
        )
    if not 0.0 <= least_cover <= 1.0:
        raise OutlineError(f"{least_cover:g} of the ply is to be covered at least", do="Give a share between 0 and 1.")
    for what, length in (("the length over which the surface is evened", smooth_mm), ("the start's tolerance", tolerance_mm)):
        if not length >= 0.0:
            raise OutlineError(f"{what} is {length:g} mm", do="Give a length of 0 mm or more.")
    if faces not in ("curved", "flat"):
        raise OutlineError(f"faces are to be {faces!r}", do="Give 'curved' or 'flat'.")


def _check_faces(surface: Surface) -> None:
    """A triangle without area has no normal: nothing can lie on it, and no thread runs over it."""
    p = surface.vertices_mm[surface.faces]
    longest = np.linalg.norm(p - np.roll(p, 1, axis=1), axis=2).max(axis=1)
    bare = surface.face_areas_mm2 <= NO_AREA * longest**2
    if bare.any():
        first = int(np.argmax(bare))
        raise MeshError(
            f"{int(bare.sum())} triangles have no area, the first is triangle {first}",
            where=place_text(p[first].mean(axis=0)), do="Repair the mesh: load_surface and repair_surface take such triangles out.",
        )


def drape_of(laid: Laid, *, locking: Locking | None = None, least_cover: float = LEAST_COVER) -> Drape:
    """Return the drape of a net that has been laid.

    Parameters
    ----------
    laid : Laid
    locking : Locking, optional
    least_cover : float

    Raises
    ------
    SolveError
        A net that covers less than asked for.
    """
    bed, net, reading = laid.bed, laid.net, laid.reading
    bare, area = _uncovered(laid)
    if laid.cover < least_cover:
        raise SolveError(
            f"the net covers {100 * laid.cover:.0f} % of the ply (at least {100 * least_cover:.0f} %)",
            where=place_text(laid.start.point if bare is None else bare),
            do="Start nearer to the middle of the ply, turn the warp, cut the ply from a larger surface, or cut it.",
        )
    warp, weft = _fibres(laid)
    shear = reading.shear_deg
    return Drape(
        surface=bed.patch, uv_mm=reading.uv_mm, shear_deg=shear, covered=reading.covered, trusted=reading.trusted,
        warp=warp, weft=weft, locking=locking,
        locked=None if locking is None else locked_part(bed.patch, shear, locking),
        net=net, steering=laid.steering, warp_line_mm=_first(laid, 0), weft_line_mm=_first(laid, 1),
        start_mm=laid.start.point, cover=laid.cover, uncovered_mm2=area, uncovered_at_mm=bare,
        folds_mm=net.points[net.state == FOLDED],
        openings_mm=net.points[(net.state == OPENED) | (net.state == LOST)],
        check=check_corners(laid), bound=bound_shear(laid), laid=laid,
    )


def _uncovered(laid: Laid) -> tuple[Floats | None, float]:
    """A place amidst what is not covered, and how large that is."""
    bare = ~laid.reading.covered
    if not bare.any():
        return None, 0.0
    from scipy.spatial import cKDTree

    p = laid.bed.patch.vertices_mm
    area = float(laid.bed.vertex_areas[bare].sum())
    if bare.all():
        return p[bare].mean(axis=0), area
    far = cKDTree(p[~bare]).query(p[bare])[0]
    return p[bare][int(far.argmax())], area


def _fibres(laid: Laid) -> tuple[Floats, Floats]:
    """(n, 3) unit vectors of warp and weft at the ply's vertices, at the angle that the shear says."""
    reading, n = laid.reading, laid.bed.patch.vertex_normals
    a, b = (laid.tangents(axis) for axis in (0, 1))
    a, b = (unit(q - (q * n).sum(axis=1, keepdims=True) * n) for q in (a, b))
    # The threads' own bisector, and half their angle to each side of it.
    middle = a + b
    turned = np.cross(n, a - b)
    middle = unit(np.where((middle * middle).sum(axis=1, keepdims=True) > 0.5, middle, turned))
    side = np.cross(n, middle)
    half = np.radians(45.0 - 0.5 * reading.shear_deg)[:, None]
    return np.cos(half) * middle - np.sin(half) * side, np.cos(half) * middle + np.sin(half) * side


def _on_net(net: Net, uv_mm: Floats) -> Floats:
    """(k, 3) places of flat places on the net, between its nodes straight."""
    at = uv_mm / net.spacing_mm + np.array(net.origin)
    i, j = np.clip(np.floor(at).astype(np.int64), 0, np.array(net.state.shape) - 2).T
    s, t = (at - np.stack([i, j], axis=1)).T
    total, weight = np.zeros((len(at), 3)), np.zeros(len(at))
    for a, b in ((0, 0), (1, 0), (0, 1), (1, 1)):
        w = np.abs(1 - a - s) * np.abs(1 - b - t) * net.there[i + a, j + b] + 1e-12
        total += w[:, None] * net.points[i + a, j + b]
        weight += w
    return total / weight[:, None]


def _first(laid: Laid, axis: int) -> Floats:
    """(k, 3) nodes of one of the first two threads, from its far negative to its far positive end, up to a cut across it."""
    line = laid.net.points[:, laid.net.origin[1]] if axis == 0 else laid.net.points[laid.net.origin[0]]
    back, ahead, _ = _first_ends(laid, axis)
    return line[back:ahead].copy()


def _first_ends(laid: Laid, axis: int) -> tuple[int, int, tuple[float, float]]:
    """First node of a first thread, the one after its last, and how far it runs back and ahead, mm; inf but up to a cut."""
    net = laid.net
    i, j = net.origin
    own = net.there
    if laid.parts:
        own = own & (laid.on_patch | ~laid.bed.inside[net.face] | (net.state == BEYOND))
        own[i, j] = True
    there, more = (own[:, j], net.there[:, j]) if axis == 0 else (own[i], net.there[i])
    zero = net.origin[axis]
    ahead = zero + int(np.argmin(np.append(there[zero:], False)))
    back = zero - int(np.argmin(np.append(there[zero::-1], False))) + 1
    low = (zero - back) * net.spacing_mm if back > 0 and more[back - 1] else np.inf
    high = (ahead - 1 - zero) * net.spacing_mm if ahead < len(more) and more[ahead] else np.inf
    return back, ahead, (-low, high)

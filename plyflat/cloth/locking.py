"""How far a cloth shears before it locks and puckers, and how much of a ply is past that."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..errors import QuantityError
from ..surface.mesh import Floats, Surface
from ._patch import place_text

__all__ = [
    "TYPICAL",
    "Locked",
    "Locking",
    "from_diagonals",
    "from_tows",
    "locked_part",
    "typical",
]


@dataclass(frozen=True)
class Locking:
    """The shear a cloth bears.

    Shear is positive where the warp and the weft close up between +warp and +weft: where the cloth has been pulled
    along the diagonal from (-warp, -weft) to (+warp, +weft). Woven cloth bears both ways alike; stitched cloth
    does not.

    Attributes
    ----------
    lock_deg, lock_back_deg : float
        Largest positive and (as a positive number) largest negative shear.
    warn_deg, warn_back_deg : float
        From here on it takes patience.
    source : str
        Where the figures come from, for the job sheet.
    measured : bool
        Whether they are the user's own.
    """

    lock_deg: float
    lock_back_deg: float
    warn_deg: float
    warn_back_deg: float
    source: str = "given"
    measured: bool = False

    def __post_init__(self) -> None:
        for name in ("lock_deg", "lock_back_deg", "warn_deg", "warn_back_deg"):
            value = getattr(self, name)
            if not (np.isfinite(value) and 0 < value < 90):
                raise QuantityError(f"{name} is {value:g}", do="Give an angle between 0 and 90 degrees.")
        if self.warn_deg > self.lock_deg or self.warn_back_deg > self.lock_back_deg:
            raise QuantityError("a cloth cannot lock before the warning", do="Set the warning below the locking.")

    def excess_deg(self, shear_deg: Floats) -> Floats:
        """By how much shear (n,) is past locking; negative where there is room."""
        return np.maximum(shear_deg - self.lock_deg, -shear_deg - self.lock_back_deg)

    def near_deg(self, shear_deg: Floats) -> Floats:
        """By how much shear (n,) is past the warning; negative where there is room."""
        return np.maximum(shear_deg - self.warn_deg, -shear_deg - self.warn_back_deg)


#: Warning and locking of kinds of cloth, degrees. FROM MEMORY: the trade's usual ranges, no table could be read.
TYPICAL: dict[str, tuple[float, float]] = {
    "plain, tight": (25.0, 35.0),
    "plain, loose": (35.0, 45.0),
    "twill 2x2": (30.0, 40.0),
    "satin 4 or 5": (35.0, 45.0),
    "satin 8": (40.0, 50.0),
    "biaxial, stitch stretched": (20.0, 30.0),
    "biaxial, stitch slack": (35.0, 45.0),
    "spread tow": (5.0, 10.0),
}


def typical(cloth: str) -> Locking:
    """Return usual figures, from memory, for a kind of cloth.

    A stitched biaxial cloth's name says which way it is pulled; ``biaxial`` stands for one whose stitch is stretched
    by positive shear.

    Parameters
    ----------
    cloth : str
        One of `TYPICAL`, or "biaxial".

    Raises
    ------
    QuantityError
        Another name.
    """
    source = f"typical for {cloth}, from memory"
    if cloth == "biaxial":
        (warn, lock), (warn_back, lock_back) = TYPICAL["biaxial, stitch stretched"], TYPICAL["biaxial, stitch slack"]
        return Locking(lock, lock_back, warn, warn_back, source)
    if cloth not in TYPICAL:
        raise QuantityError(f"no typical locking is known of {cloth!r}", do=f"Choose one of {', '.join(TYPICAL)}.")
    warn, lock = TYPICAL[cloth]
    return Locking(lock, lock, warn, warn, source)


#: The warning stands at this share of a locking angle that was measured.
WARN_SHARE = 0.75


def from_diagonals(
    long_mm: float, short_mm: float, *, back_long_mm: float | None = None, back_short_mm: float | None = None
) -> Locking:
    """Return the locking of a cloth that was pulled on the bias until it puckered.

    Draw a square along the threads, pull it by two opposite corners, measure both diagonals when it puckers. For
    stitched cloth do so both ways.

    Parameters
    ----------
    long_mm, short_mm : float, mm
        The diagonal that was pulled (towards +warp and +weft) and the one across.
    back_long_mm, back_short_mm : float, mm, optional
        The same for a square pulled by the other two corners.

    Raises
    ------
    QuantityError
        A diagonal that is not above zero, a long one shorter than the short one, or one of a pair missing.

    Notes
    -----
    A rhombus with diagonals p > q has the angle 2 atan(q / p), so that it is sheared by 90° - 2 atan(q / p).

    Examples
    --------
    >>> round(from_diagonals(100 * 2**0.5, 100 * 2**0.5 * 0.5).lock_deg, 2)
    36.87
    """
    ahead = _rhombus(long_mm, short_mm)
    if (back_long_mm is None) != (back_short_mm is None):
        raise QuantityError("one diagonal of the second square is missing", do="Measure both diagonals.")
    back = ahead if back_long_mm is None or back_short_mm is None else _rhombus(back_long_mm, back_short_mm)
    return Locking(ahead, back, WARN_SHARE * ahead, WARN_SHARE * back, "pulled on the bias", measured=True)


def _rhombus(long_mm: float, short_mm: float) -> float:
    if not (np.isfinite(long_mm) and np.isfinite(short_mm) and long_mm > short_mm > 0):
        raise QuantityError(
            f"diagonals of {long_mm:g} mm and {short_mm:g} mm are no square pulled on the bias",
            do="Give the pulled diagonal first; it is the longer one.",
        )
    return 90.0 - 2 * float(np.degrees(np.arctan2(short_mm, long_mm)))


def from_tows(width_mm: float, spacing_mm: float) -> Locking:
    """Return the least shear at which tows of a woven cloth can touch side by side.

    Parameters
    ----------
    width_mm : float, mm
        Of one tow.
    spacing_mm : float, mm
        From the middle of one tow to the middle of the next.

    Raises
    ------
    QuantityError
        A length that is not above zero, or tows wider than their spacing.

    Notes
    -----
    Tows pinned at their crossings stand spacing * cos(shear) apart; they touch at shear = acos(width / spacing).
    Real cloth goes on a little, as tows are squeezed.

    Examples
    --------
    >>> round(from_tows(1.6, 2.0).lock_deg, 1)
    36.9
    """
    if not (np.isfinite(width_mm) and np.isfinite(spacing_mm) and 0 < width_mm < spacing_mm):
        raise QuantityError(
            f"tows {width_mm:g} mm wide every {spacing_mm:g} mm",
            do="Give a tow width above zero and below the spacing.",
        )
    lock = float(np.degrees(np.arccos(width_mm / spacing_mm)))
    return Locking(lock, lock, WARN_SHARE * lock, WARN_SHARE * lock, "tow width and spacing")


@dataclass(frozen=True, eq=False)
class Locked:
    """The part of a ply that shears past locking.

    Attributes
    ----------
    area_mm2 : float
    near_mm2 : float
        Past the warning, locked or not.
    lines_mm : tuple of (k, 3) float arrays, mm
        The outline on the surface: level lines inside the ply; a closed one repeats its first point.
    worst_deg : float
        Largest excess over locking (negative: the room that is left).
    worst_mm : (3,) float array, mm
        Where it is.
    spots : tuple of Spot
        Parts that hang together, the largest first.
    """

    area_mm2: float
    near_mm2: float
    lines_mm: tuple[Floats, ...]
    worst_deg: float
    worst_mm: Floats
    spots: tuple[Spot, ...] = ()


@dataclass(frozen=True, eq=False)
class Spot:
    """One locked part of a ply.

    Attributes
    ----------
    area_mm2 : float
    place_mm : (3,) float array, mm
        Where the excess is largest.
    excess_deg : float
        There.
    shear_deg : float
        There, signed.
    """

    area_mm2: float
    place_mm: Floats
    excess_deg: float
    shear_deg: float


def locked_part(surface: Surface, shear_deg: Floats, locking: Locking) -> Locked:
    """Return the part of a ply past locking, exact for shear that is linear on each triangle.

    Parameters
    ----------
    surface : Surface
    shear_deg : (n,) float array
    locking : Locking
    """
    over = locking.excess_deg(shear_deg)
    share = _share_above(over[surface.faces])
    near = _share_above(locking.near_deg(shear_deg)[surface.faces])
    area = surface.face_areas_mm2
    worst = int(over.argmax())
    return Locked(
        float(share @ area), float(near @ area), _level_lines(surface, over), float(over[worst]),
        surface.vertices_mm[worst], _spots(surface, share * area, over, shear_deg),
    )


def _share_above(values: Floats) -> Floats:
    """(m,) share of each triangle where a linear function (m, 3) is above 0."""
    a, b, c = np.sort(values, axis=1).T
    out = np.where(a >= 0, 1.0, 0.0) * (c > 0)
    one, two = (c > 0) & (b <= 0), (a < 0) & (b > 0)
    # One corner above cuts a tip off, two leave a foot.
    out[one] = (c * c)[one] / ((c - a) * (c - b))[one]
    out[two] = 1.0 - (a * a)[two] / ((c - a) * (b - a))[two]
    return np.clip(out, 0.0, 1.0)


def _level_lines(surface: Surface, over: Floats) -> tuple[Floats, ...]:
    """Lines where the excess is 0, followed from triangle to triangle."""
    f, n = surface.faces, len(over)
    up = over[f] > 0
    count = up.sum(axis=1)
    at = np.flatnonzero((count == 1) | (count == 2))
    alone = np.where(count[at] == 1, up[at].argmax(axis=1), (~up[at]).argmax(axis=1))
    p, q, r = (f[at, (alone + k) % 3] for k in range(3))
    keys = [np.minimum(p, o) * n + np.maximum(p, o) for o in (q, r)]
    ends = np.stack(keys, axis=1)
    low, high = ends // n, ends % n
    share = over[low] / np.where(over[low] == over[high], 1.0, over[low] - over[high])
    v = surface.vertices_mm
    place = v[low] + share[..., None] * (v[high] - v[low])
    points = dict(zip(ends.ravel().tolist(), place.reshape(-1, 3)))
    return tuple(np.array([points[k] for k in line]) for line in _chains(ends.tolist()))


def _chains(parts: list[list[int]]) -> list[list[int]]:
    """Join parts by their ends into lines."""
    beside: dict[int, list[int]] = {}
    for a, b in parts:
        beside.setdefault(a, []).append(b)
        beside.setdefault(b, []).append(a)
    lines = []
    # Open lines from their ends first; what is left goes round.
    for start in sorted(beside, key=lambda k: (len(beside[k]) != 1, k)):
        if not beside[start]:
            continue
        line = [start]
        while beside[line[-1]]:
            to = beside[line[-1]].pop()
            beside[to].remove(line[-1])
            line.append(to)
        lines.append(line)
    return lines


def _spots(surface: Surface, locked_mm2: Floats, over: Floats, shear: Floats) -> tuple[Spot, ...]:
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    bad = over > 0
    e = surface.faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2)
    e = e[bad[e].all(axis=1)]
    n = len(over)
    label = connected_components(coo_array((np.ones(len(e)), e.T), shape=(n, n)), directed=False)[1]
    # A triangle's locked part belongs to its worst corner.
    owner = surface.faces[np.arange(len(surface.faces)), over[surface.faces].argmax(axis=1)]
    spots = []
    for k in np.unique(label[bad]).tolist():
        own = np.flatnonzero(bad & (label == k))
        worst = int(own[over[own].argmax()])
        area = float(locked_mm2[label[owner] == k].sum())
        spots.append(Spot(area, surface.vertices_mm[worst], float(over[worst]), float(shear[worst])))
    return tuple(sorted(spots, key=lambda s: -s.area_mm2))


def spot_text(spot: Spot) -> str:
    """Write a locked spot for a job sheet."""
    return (
        f"{spot.area_mm2 / 100:.0f} cm² shear up to {abs(spot.shear_deg):.0f}°, "
        f"{spot.excess_deg:.0f}° past locking, at {place_text(spot.place_mm)}"
    )

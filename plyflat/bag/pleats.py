"""Pleats on the tape: where each stands, how high it is, which corner it feeds and in which order they are made.

A pleat, or ear, of a height takes up twice its height of film along the tape and gives it to the corner it points at.
Once the film is pressed down it cannot be drawn along the surface from farther than T / (mu p).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ..errors import OutlineError, QuantityError
from ..surface.crease import Crease
from ..surface.mesh import Floats, Surface, closed_length
from .corners import Bend, CornerSection
from .wedge import feed_length_mm

#: Added to the height of each pleat, common practice 10 to 25 mm.
MARGIN_MM = 15.0
#: A line that ends this near the tape runs up to it.
AT_TAPE_MM = 30.0
#: Lines that come this near each other belong to one pocket or one rib.
JOINED_MM = 40.0
#: Slack that needs no pleat: the film stretches by so much.
LEAST_SLACK_MM = 5.0
#: A rim's corner turns a flat film by at least so much.
RIM_DEG = -30.0
#: Pleats of a pocket or post without such corners, and the most that corners are counted up to.
ROUND, MOST_ROUND = 4, 8
#: The tape may lie off the surface by this much before it is said to cross an opening.
OFF_MM = 5.0


@dataclass(frozen=True)
class Pleat:
    """One pleat.

    Attributes
    ----------
    number : int
        Along the tape from its beginning, from 1.
    at_m : float
        Along the tape from its beginning, m.
    place_mm : (float, float, float)
    height_mm : float
        The margin included; it takes up twice this along the tape.
    needs_mm : float
        Height without the margin.
    margin_mm : float
    feeds : str
        The corner it feeds: "corner 1".
    far_mm : float
        From the tape to that corner, straight.
    helps : bool
        Whether film can still be drawn that far once the bag is pressed down.
    order : int
        In which order the pleats are made and laid into their corners, the largest first.
    loop : int
        Which line of tape, 1 the outer one; lengths along each count from its own mark.
    fold : int
        Pleats of one number are the ends of one fold; 0 where none is told.
    ends_mm : (float, float, float) or None
        The corner of three walls in which its fold ends; None where it runs on to the pleat at its other end.
    """

    number: int
    at_m: float
    place_mm: tuple[float, float, float]
    height_mm: float
    needs_mm: float
    margin_mm: float
    feeds: str
    far_mm: float
    helps: bool
    order: int
    loop: int = 1
    fold: int = 0
    ends_mm: tuple[float, float, float] | None = None


@dataclass(frozen=True, eq=False)
class Corner:
    """Corner lines that hang together: one inside corner, one pocket or the foot of one post.

    Attributes
    ----------
    name : str
        "corner 1" and so on, the one that wants most film first.
    lines : tuple of int
    slack_mm : float
        The worst section's, of the stretches over these lines.
    missing_mm : float
        What even the film so fed leaves out, by the radius allowed, at that section.
    worst : CornerSection
    """

    name: str
    lines: tuple[int, ...]
    slack_mm: float
    missing_mm: float
    worst: CornerSection


def corners_of(lines: Sequence[Crease], sections: Sequence[CornerSection]) -> tuple[Corner, ...]:
    """Gather corner lines that hang together, those that want most film first.

    Parameters
    ----------
    lines : sequence of Crease
    sections : sequence of CornerSection
        Across those lines.
    """
    group = list(range(len(lines)))
    for i in range(len(lines)):
        for j in range(i):
            if _nearest(lines[i].points_mm, lines[j].points_mm) < JOINED_MM:
                old, new = group[i], group[j]
                group = [new if g == old else g for g in group]
    found = []
    for g in dict.fromkeys(group):
        mine = tuple(k for k, q in enumerate(group) if q == g)
        own = [s for s in sections if s.line in mine]
        if own:
            slack, worst = max(((s.slack_of(mine), s) for s in own), key=lambda q: q[0])
            found.append((mine, slack, worst))
    found.sort(key=lambda q: -q[1])
    return tuple(
        Corner(corner_name(k), mine, slack, worst.missing_mm, worst) for k, (mine, slack, worst) in enumerate(found, 1)
    )


def corner_name(number: int) -> str:
    """Return what a corner is called everywhere, counted from 1."""
    return f"corner {number}"


def place_pleats(
    surface: Surface,
    tape_mm: Floats,
    lines: Sequence[Crease],
    corners: Sequence[Corner],
    bends: Sequence[Bend] = (),
    *,
    inner_mm: Sequence[Floats] = (),
    walls_mm: Sequence[Sequence[float]] = (),
    pressure_kpa: float,
    tension_n_per_m: float,
    friction: float,
    margin_mm: float = MARGIN_MM,
) -> tuple[Pleat, ...]:
    """Place pleats on a tape line.

    An inside corner whose line runs up to the tape gets one pleat at each such end. A pocket gets one outside each
    corner where three of its walls meet, or else, as the foot of a post, one opposite each corner of its rim, or four
    evenly round it where it has none. All are half as high as the worst section wants slack, since a pleat gives twice
    its height; a margin is added. A pleat's fold ends in the corner of three walls nearest to it, where there is one:
    film to spare on both its sides is what such a corner lacks, and beyond it there is none to fold.

    Parameters
    ----------
    surface : Surface
        Inside the tape.
    tape_mm : (k, 3) float array
        The closed tape line, its beginning first; the outer one.
    lines : sequence of Crease
    corners : sequence of Corner
    bends : sequence of Bend
    inner_mm : sequence of (k, 3) float arrays
        Closed lines of tape within the first, as round a post; a corner line that ends there gets a pleat there too.
    walls_mm : sequence of (3,) float
        Places where three walls meet.
    pressure_kpa : float
        While the pleats are tucked in; film is drawn from farther at a low vacuum.
    tension_n_per_m : float
    friction : float
        Film on what lies under it.
    margin_mm : float

    Returns
    -------
    tuple of Pleat
        Along the tape.

    Raises
    ------
    OutlineError
        The tape line crosses itself or an opening of the surface.
    QuantityError
        A friction, pressure, tension or margin that cannot be.
    """
    if not margin_mm >= 0:
        raise QuantityError(f"the margin of a pleat is {margin_mm:g} mm", do="Give a length that is not below zero.")
    reach = feed_length_mm(tension_n_per_m=tension_n_per_m, pressure_kpa=pressure_kpa, friction=friction)
    tape = np.asarray(tape_mm, dtype=np.float64)
    check_tape(surface, tape)
    for line in inner_mm:
        check_tape(surface, line)
    found = []
    for corner in corners:
        if corner.slack_mm < LEAST_SLACK_MM:
            continue
        own = [lines[k] for k in corner.lines]
        points = np.concatenate([c.points_mm for c in own])
        met = _met(points, walls_mm)
        feet = [(1, tape, at) for at in _feet(tape, own, points, bends, met)]
        feet += [(k, line, at) for k, line in enumerate(inner_mm, 2) for at in _ends_at(line, own)]
        for loop, line, at in feet:
            p = along_tape(line, at)
            far = float(np.linalg.norm(points - p, axis=1).min())
            found.append((loop, at, p, 0.5 * corner.slack_mm, corner.name, far, _end_of(p, met)))
    found.sort(key=lambda q: q[:2])
    rank = np.argsort(np.argsort([-q[3] for q in found], kind="stable"), kind="stable")
    return tuple(
        Pleat(
            k + 1, at / 1000, (float(p[0]), float(p[1]), float(p[2])), needs + margin_mm, needs, margin_mm, name, far,
            far <= reach, int(rank[k]) + 1, loop, 0, end,
        )  # fmt: skip
        for k, (loop, at, p, needs, name, far, end) in enumerate(found)
    )


def check_tape(surface: Surface, tape_mm: Floats) -> None:
    """Refuse a tape line that crosses itself or an opening.

    Raises
    ------
    OutlineError
    """
    if len(tape_mm) < 3:
        raise OutlineError(f"a tape line of {len(tape_mm)} points holds no area", do="Give at least three points.")
    off = surface.locate(tape_mm).distance_mm
    worst = int(np.argmax(off))
    if off[worst] > OFF_MM:
        raise OutlineError(
            f"the tape line leaves the surface by {off[worst]:.0f} mm: it crosses an opening or runs off its edge",
            where=_say(tape_mm[worst]),
            do="Lead the tape round the opening, or fill it.",
        )
    crossing = _crossing(surface, tape_mm)
    if crossing is not None:
        raise OutlineError(
            "the tape line crosses itself", where=_say(crossing), do="Move its points so that it runs round once."
        )


def _say(p: Floats) -> str:
    return f"({p[0]:.0f}, {p[1]:.0f}, {p[2]:.0f}) mm"


def _crossing(surface: Surface, tape: Floats) -> Floats | None:
    """A place where two sides of the tape pass through each other, seen along the surface's normal there."""
    from scipy.spatial import cKDTree

    a, b = tape, np.roll(tape, -1, axis=0)
    length = np.linalg.norm(b - a, axis=1)
    middle = 0.5 * (a + b)
    normal = surface.face_normals[surface.locate(middle).face]
    pairs = cKDTree(middle).query_pairs(float(length.max()), output_type="ndarray")
    k = len(tape)
    pairs = pairs[~np.isin((pairs[:, 1] - pairs[:, 0]) % k, (1, k - 1))]
    i, j = pairs.T
    n = normal[i]

    def side(p: Floats, q: Floats, r: Floats) -> Floats:
        """On which side of the line from p to q each r lies, by the sign."""
        return np.asarray((np.cross(q - p, r - p) * n).sum(axis=1))

    crossed = (side(a[i], b[i], a[j]) * side(a[i], b[i], b[j]) < 0) & (side(a[j], b[j], a[i]) * side(a[j], b[j], b[i]) < 0)
    # On another sheet of the surface, as across a thin rib, lines pass over each other without touching.
    near = (np.abs(((middle[j] - middle[i]) * n).sum(axis=1)) < 0.5 * (length[i] + length[j])) & ((n * normal[j]).sum(axis=1) > 0)
    hit = np.flatnonzero(crossed & near)
    return np.asarray(middle[i[hit[0]]]) if len(hit) else None


def _met(points: Floats, walls: Sequence[Sequence[float]]) -> list[Floats]:
    """The places where three walls meet that lie on a corner's lines."""
    places = [np.asarray(w, dtype=np.float64) for w in walls]
    return [w for w in places if np.linalg.norm(points - w, axis=1).min() < JOINED_MM]


def _end_of(p: Floats, met: Sequence[Floats]) -> tuple[float, float, float] | None:
    """The nearest of the places where three walls meet."""
    if not met:
        return None
    x, y, z = min(met, key=lambda w: float(np.linalg.norm(w - p))).tolist()
    return x, y, z


def _feet(
    tape: Floats, own: Sequence[Crease], points: Floats, bends: Sequence[Bend], met: Sequence[Floats]
) -> list[float]:
    """Lengths along the tape at which a corner is fed."""
    ends = _ends_at(tape, own)
    if ends:
        return ends
    if 3 <= len(met) <= MOST_ROUND:
        return _apart([_onto(tape, p)[0] for p in _outside(tape, np.array(met))], closed_length(tape))
    # Corners of the rim: film is short there, on the way from the corner line to the tape.
    rim = [np.array(b.place_mm) for b in bends if b.deg < RIM_DEG]
    rim = [p for p in rim if np.linalg.norm(points - p, axis=1).min() < JOINED_MM]
    if not 3 <= len(_apart([_onto(tape, p)[0] for p in rim], closed_length(tape))) <= MOST_ROUND:
        rim = _round(points)
    return _apart([_onto(tape, p)[0] for p in rim], closed_length(tape))


def _outside(tape: Floats, met: Floats) -> list[Floats]:
    """The place on a tape outside each corner (k, 3) of a pocket's floor, on the line that halves its angle."""
    middle = met.mean(axis=0)
    x, y, up = np.linalg.svd(met - middle, full_matrices=False)[2]
    met = met[np.argsort(np.arctan2((met - middle) @ y, (met - middle) @ x))]
    out = []
    for k, w in enumerate(met):
        sides = [met[k - 1] - w, met[(k + 1) % len(met)] - w]
        way = -sum(q / np.linalg.norm(q) for q in sides)
        off = tape - w
        off = off - np.outer(off @ up, up)
        lean = off @ way / np.maximum(np.linalg.norm(off, axis=1), 1e-300)
        out.append(tape[int(np.argmax(lean))])
    return out


def _ends_at(tape: Floats, own: Sequence[Crease]) -> list[float]:
    """Lengths along a tape at which corner lines run up to it."""
    ends = []
    for line in own:
        for p in () if line.closed else (line.points_mm[0], line.points_mm[-1]):
            at, far = _onto(tape, p)
            if far < AT_TAPE_MM:
                ends.append(at)
    return _apart(ends, closed_length(tape))


def _round(points: Floats) -> list[Floats]:
    """Four places of a line that goes round, a quarter of the turn apart, the first where it lies farthest out."""
    middle = points.mean(axis=0)
    off = points - middle
    axes = np.linalg.svd(off, full_matrices=False)[2]
    x, y = off @ axes[0], off @ axes[1]
    turn = np.arctan2(y, x)
    start = turn[int(np.argmax(np.hypot(x, y)))]
    want = start + 2 * np.pi * np.arange(ROUND) / ROUND
    return [points[int(np.argmax(np.cos(turn - w)))] for w in want]


def _apart(ends: list[float], whole: float) -> list[float]:
    """Lengths along the tape without those that come within `JOINED_MM` of another."""
    out: list[float] = []
    for at in sorted(ends):
        if all(min(abs(at - q), whole - abs(at - q)) > JOINED_MM for q in out):
            out.append(at)
    return out


def _nearest(a: Floats, b: Floats) -> float:
    from scipy.spatial import cKDTree

    return float(cKDTree(a).query(b)[0].min())


def _onto(tape: Floats, p: Floats) -> tuple[float, float]:
    """Length along the closed tape of its nearest point, and how far that is."""
    a, b = tape, np.roll(tape, -1, axis=0)
    d = b - a
    size = np.maximum((d * d).sum(axis=1), 1e-300)
    share = np.clip(((p - a) * d).sum(axis=1) / size, 0.0, 1.0)
    far = np.linalg.norm(a + share[:, None] * d - p, axis=1)
    k = int(np.argmin(far))
    length = np.sqrt(size)
    return float(length[:k].sum() + share[k] * length[k]), float(far[k])


def along_tape(tape: Floats, at: float) -> Floats:
    """Return the point (3,) at a length along a closed tape line (k, 3), mm."""
    closed = np.concatenate([tape, tape[:1]])
    s = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(closed, axis=0), axis=1))])
    return np.array([np.interp(at, s, closed[:, i]) for i in range(3)])
